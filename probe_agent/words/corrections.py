"""Probes checked and corrected; what a setup's heat-ups taught, in figures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from probe_agent.words.parts import (
    Unit,
    capital,
    count,
    heat_ups,
    in_unit,
    moment,
    place_list,
    place_name,
    span,
    temperature,
)

_REASONS = {
    "cold-soak": "cold soak",
    "ice": "ice point",
    "boiling": "boiling point",
    "contact": "contact thermometer",
    "infrared": "infrared spots",
    "flange": "flange reading",
}
_FIRST_PLACE = "the probe"


class WhyNotTold(Protocol):
    """Why a check tells nothing."""

    @property
    def kind(self) -> str: ...

    @property
    def at(self) -> float | None: ...

    @property
    def c(self) -> float | None: ...

    @property
    def place(self) -> str | None: ...


class ShiftTold(Protocol):
    """What earlier heat-ups would have been. Seconds."""

    @property
    def judged(self) -> int: ...

    @property
    def shift_s(self) -> float: ...

    @property
    def least_s(self) -> float: ...

    @property
    def most_s(self) -> float: ...

    @property
    def never(self) -> int: ...

    @property
    def too(self) -> int: ...


def correction_reason(kind: str) -> str:
    """What a correction rests on, as it is kept beside it."""
    return _REASONS[kind]


def degrees(k: float, unit: Unit, signed: bool = True) -> str:
    """A difference [K] in tenths of the reader's degrees, with its sign: +0.6 °C, −1.1 °F."""
    shown = round(k * (1.8 if unit == "F" else 1.0), 1)
    sign = "" if not signed else "+" if shown > 0 else "−" if shown < 0 else "±"
    return f"{sign}{abs(shown):.1f} °{unit}"


def tenths(c: float, unit: Unit) -> str:
    """A temperature in tenths, as a probe is compared."""
    shown = round(in_unit(c, unit), 1)
    return f"{'−' if shown < 0 else ''}{abs(shown):.1f} °{unit}"


def why_no_check(why: WhyNotTold, zone: str, now_at: float, unit: Unit) -> str:
    """A rule that isn't kept, and what to do about it."""
    at = None if why.at is None else moment(why.at, zone, now_at)
    where = place_name(why.place) if why.place else _FIRST_PLACE
    moved = "" if why.c is None else degrees(why.c, unit, signed=False)
    within, warmest = degrees(1.0, unit, signed=False), temperature(2.0, unit)
    ago = "" if why.at is None else span(max(now_at - why.at, 0.0))
    return {
        "silent": "No probe of the engine has been read "
        + ("yet." if at is None else f"since {at}. Plug the harness in and wait."),
        "gap": f"Nothing was read for more than half an hour up to {at}; heat would not have been seen then. "
        "It takes 12 hours without a gap.",
        "heated": f"The engine was heated up to {at}, {ago} ago. It takes 12 hours without heat.",
        "ran": f"The engine ran, or the harness was off, up to {at}. It takes 12 hours without.",
        "few-probes": "Fewer than three probes of the engine were read in the last hour; of two nobody can "
        "say which is right.",
        "no-air": "The outside air was not measured without a gap in the last 3 hours. A probe at ambient "
        "tells whether it was steady.",
        "air-moved": f"The air moved by {moved} in the last 3 hours; {within} is the most. A still, overcast "
        "night is best.",
        "metal-moved": f"{capital(where)} moved by {moved} in the last 3 hours; {within} is the most. "
        "Sun, or warmth that is still leaving, shows so.",
        "too-warm": f"It was as warm as {tenths(why.c or 0.0, unit)} ({where}) in the last 12 hours; never "
        f"above {warmest} is the rule.",
        "daylight": "The aircraft stands outside and the last 3 hours reach into daylight; sun on a cowl "
        "can't be told from a probe that reads high. Check between midnight and 6 in the morning.",
        "few": f"{capital(where)} was read too seldom in the last five minutes. Wait, then check again.",
        "unsteady": f"{capital(where)} still moved by more than {degrees(0.5, unit, signed=False)} in the "
        "last five minutes. Leave it in, stir, and check again.",
        "few-spots": "Fewer than three of these spots have a probe that was read in the last five minutes; "
        "with fewer the thermometer's own error can't be told from a probe's.",
        "no-core": "The core was not estimated in the last half hour, so there is nothing to compare with.",
        "has-ice": "This probe is corrected by its ice point already, which lies nearer to the temperatures "
        "that matter; this only shows how far it is off up there.",
    }[why.kind]


def beyond_limit(places: Sequence[str], limit_c: float, unit: Unit) -> str:
    """Refusal of corrections that no tolerance explains."""
    it = "its correction" if len(places) == 1 else "their corrections"
    return (
        f"Not offered: {place_list(places)} would need more than {degrees(limit_c, unit, signed=False)}, "
        f"which no probe's tolerance explains, and so {it} would only hide a fault. Look whether it lies on "
        "its metal, at its connector, and which probe is which."
    )


def shift_sentence(shifted: ShiftTold) -> str:
    """What earlier heat-ups would have been with the corrections."""
    if not shifted.judged and not shifted.never:
        return "No heat-up that got above target is kept yet, so nothing earlier can be compared."
    said = []
    if shifted.judged:
        which = "The last heat-up" if shifted.judged == 1 else f"The last {count(shifted.judged)} heat-ups"
        told = f"{which} would have been above target {_later(shifted.shift_s)}"
        ends = {_later(shifted.least_s), _later(shifted.most_s)}
        if len(ends) == 2:
            told += f", from {_later(shifted.least_s)} to {_later(shifted.most_s)}"
        said.append(f"{told}.")
    if shifted.never:
        said.append(f"{capital(count(shifted.never))} would not have been above target at all.")
    return " ".join(said)


def _later(shift_s: float) -> str:
    minutes = round(shift_s / 60)
    if not minutes:
        return "at the same minute"
    return f"{abs(minutes)} min {'later' if minutes > 0 else 'earlier'}"


def nothing_to_correct(kind: str) -> str:
    """Word of a check after which everything stays."""
    if kind in ("contact", "infrared"):
        return "They agree within what such a thermometer can tell. Nothing needs to be corrected."
    return "They agree within less than a converter's step. Nothing needs to be corrected."


def flange_sentence(said_c: float, core_c: tuple[float, float, float], unit: Unit) -> str:
    """A reading of the propeller flange beside the estimated core."""
    low_c, middle_c, high_c = core_c
    inside = low_c <= said_c <= high_c
    how = "inside" if inside else "colder than" if said_c < low_c else "warmer than"
    return (
        f"The flange read {tenths(said_c, unit)}; the core was estimated at {tenths(middle_c, unit)}, "
        f"between {tenths(low_c, unit)} and {tenths(high_c, unit)}: {how} that range. The flange stands in "
        "the air and is colder than the shaft inside while it warms. It corrects no probe."
    )


def corrected(places: Sequence[str]) -> str:
    """Answer to accepted corrections."""
    are = "is" if len(places) == 1 else "are"
    return (
        f"{capital(place_list(places))} {are} corrected from now on. What the heat-ups teach is worked out "
        "again; what was shown and kept stays as it was."
    )


def uncorrected(places: Sequence[str]) -> str:
    """Answer to corrections undone."""
    are = "is" if len(places) == 1 else "are"
    told = f"Undone: {place_list(places)} {are} corrected as before."
    return f"{told} What the heat-ups teach is worked out again."


def rests_on_heat_ups(n: int) -> str:
    """On how many heat-ups the figures rest."""
    return f"From {heat_ups(n)}. A range holds 8 in 10; a single day scatters more."


def falls_sentence(place: str, fall_c: float, neighbours_c: float, reads_c: float, unit: Unit) -> str:
    """What a place's heater-off tests say."""
    how = (
        f"fell {degrees(fall_c, unit, False)} where its neighbours fell {degrees(neighbours_c, unit, False)}"
    )
    if reads_c <= 0:
        return f"{capital(place_name(place))} {how}: it reads its metal."
    return (
        f"{capital(place_name(place))} {how}: it reads the heater, and counts for "
        f"{degrees(reads_c, unit, False)} less while it warms."
    )
