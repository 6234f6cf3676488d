"""What became of heat-ups and absences."""

from __future__ import annotations

from typing import Protocol

from probe_agent.status import OutingNow, utc_seconds
from probe_agent.words.parts import Unit, count, heat_ups, moment, plural, span, temperature

_OUTINGS = {
    "open": "nothing has happened yet",
    "perhaps-flown": "perhaps flown",
    "flown-hot": "flown, oil hot long enough",
    "flown-short": "short flight, oil not hot long enough",
    "flown": "flown, most likely; whether the oil was hot long enough isn't known",
    "ground-run": "ground run only",
    "did-not-start": "start attempted, did not start",
    "not-flown": "not flown",
    "unknown": "not known whether it was flown",
}
FLEW_ANSWERS = {
    "flown-hot": "Flown, oil hot for 30 min",
    "flown-short": "Short flight",
    "ground-run": "Ground run only",
    "did-not-start": "Did not start",
    "not-flown": "Not flown",
    "unknown": "I don't know",
}
"""What can be said of an outing, as on its buttons."""
OIL_NOTE = (
    "Hot: oil at 82 °C (180 °F) or more for 30 min in flight, which clears it of water (common practice, no "
    "source)."
)


def outing_kind(kind: str) -> str:
    """What became of a heat-up or an absence, as a clause."""
    return _OUTINGS.get(kind, kind)


def was_it_flown(asked: OutingNow, zone: str, now_at: float) -> str:
    """Why it is asked whether the aircraft was flown."""
    if asked.unplugged is None:
        return "The planned start has passed, and nobody has said what came of it."
    said = f"The harness was unplugged {moment(utc_seconds(asked.unplugged), zone, now_at)}"
    if asked.plugged is None:
        return f"{said} and isn't back."
    said += f", plugged in again {moment(utc_seconds(asked.plugged), zone, now_at)}"
    told = {"perhaps-flown": "", "unknown": "", "open": ""}.get(asked.kind, outing_kind(asked.kind))
    return f"{said}. By the temperatures: {told}." if told else f"{said}. The temperatures don't tell."


def flown_told(told: OutingNow, zone: str, now_at: float) -> str:
    """What somebody has said of an outing, dated."""
    began = utc_seconds(told.unplugged or told.began)
    at = moment(utc_seconds(told.told or told.began), zone, now_at)
    return f"{moment(began, zone, now_at)}: {outing_kind(told.kind)} (told {at})."


def since_flight(hot_at: float | None, without: int, unknown: int, now_at: float) -> str:
    """Heat-ups since the last flight with hot oil, those not known apart."""
    if hot_at is None:
        said = "No flight with the oil hot long enough is in the record"
    else:
        days = max(0, int((now_at - hot_at) // 86_400))
        ago = "less than a day" if days == 0 else f"{days} day{plural(days)}"
        said = f"Last flight with the oil hot long enough: {ago} ago"
    since = "; " + ("since then " if hot_at is not None else "")
    said += f"{since}{heat_ups(without)} without one"
    return f"{said}, {count(unknown)} more not known." if unknown else f"{said}."


def outing_rests_on(o: OutingTold, zone: str, now_at: float, unit: Unit = "C") -> str:
    """What a kept outing rests on, in a sentence."""
    parts = (
        [f"told {moment(o.told_at, zone, now_at)}"] if o.told_by == "tap" and o.told_at is not None else []
    )
    if o.told_by == "temperatures" and o.unplugged_at is None and o.oil_s is None:
        parts.append("the harness stayed on and the engine did not run")
    if o.unplugged_at is not None:
        parts.append(f"unplugged {moment(o.unplugged_at, zone, now_at)}{_degrees(' at ', o.left_c, unit)}")
    if o.unplugged_at is not None and o.plugged_at is not None:
        away = span(o.plugged_at - o.unplugged_at)
        parts.append(f"plugged in after {away}{_degrees(' at ', o.found_c, unit)}")
    if o.oil_s is not None:
        hottest = temperature(o.oil_c, unit)
        parts.append(
            f"oil measured up to {hottest}, for {span(o.oil_s)} at {temperature(82.0, unit)} or above"
        )
    elif o.oil_c is not None:
        parts.append(f"oil then {temperature(o.oil_c, unit)}, before that as hot or hotter if it ran")
    return "; ".join(parts) if parts else "nothing"


def _degrees(before: str, c: float | None, unit: Unit) -> str:
    return "" if c is None else f"{before}{temperature(c, unit)}"


class OutingTold(Protocol):
    """A kept outing, its instants in UTC seconds."""

    @property
    def told_by(self) -> str: ...
    @property
    def told_at(self) -> float | None: ...
    @property
    def unplugged_at(self) -> float | None: ...
    @property
    def plugged_at(self) -> float | None: ...
    @property
    def left_c(self) -> float | None: ...
    @property
    def found_c(self) -> float | None: ...
    @property
    def oil_c(self) -> float | None: ...
    @property
    def oil_s(self) -> float | None: ...
