"""Facts and now → sentences. Messages and page both speak through this module, so they never differ.

Rules held here: ranges are rounded outward; a temperature is never rounded up across a limit; each
time is the field's, with the weekday when it isn't today; a chance counts mornings; what isn't
measured is said.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol
from zoneinfo import ZoneInfo

from probe_agent.config import ASK_AGAIN_AFTER_S, CYLINDER, NEVER_COLDEST, OTHER
from probe_agent.readings import Fault, SignKind, State, Weather
from probe_agent.status import (
    AirNow,
    AlertNow,
    HelpNow,
    OutingNow,
    PlanNow,
    ProbeNow,
    SignNow,
    Status,
    utc_seconds,
)

Unit = Literal["C", "F"]

_PLACES = {
    "sump": "sump",
    "oil-tank": "oil tank",
    "case-top": "crankcase top",
    "case-nose": "crankcase nose",
    "accessory-case": "accessory case",
    "oil-cooler": "oil cooler",
    "coolant": "coolant",
    "heater-outlet": "heater outlet",
    "ambient": "outside air",
    "battery": "battery",
    "cabin": "cabin",
    "cyl": "a cylinder far from the sump",
}

_FAULTS = {
    Fault.OPEN: "its thermocouple is open",
    Fault.SHORT_GND: "its thermocouple touches ground",
    Fault.SHORT_VDD: "its thermocouple touches the supply",
    Fault.MISSING: "nothing answers at its address",
    Fault.STALE: "its last value is too old",
    Fault.IMPLAUSIBLE: "its values can't be those of engine metal",
    Fault.CHECKSUM: "its answers arrive damaged",
    Fault.POWER_ON: "it shows its power-on value, not a temperature",
    Fault.WEAK_SUPPLY: "its supply is too weak to measure",
    Fault.LINE_LOW: "its data line is held low",
    Fault.UNCONFIRMED: "its first value waits for a second one",
    Fault.NO_ANSWER: "its bus does not answer in time",
}

_SIGNS = {
    SignKind.HEATER_ON: "Heater on since {at}.",
    SignKind.HEATER_STOPPED: "Heat stopped at {at}.",
    SignKind.HEATER_RESUMED: "Heat came back at {at}.",
    SignKind.TOO_WEAK: "Warms clearly slower than this setup usually does, seen at {at}.",
    SignKind.LEVELLING_OFF: "Leveling off below the target, seen at {at}.",
    SignKind.ONE_COLD: "{Place} stays behind its neighbors, unlike before, seen at {at}.",
    SignKind.DETACHED: "{Place} leaves what its metal can do since {at}: perhaps its probe came off.",
    SignKind.TOO_HOT: "{Place} too hot since {at}.",
    SignKind.UNPLUGGED: "All required probes open at once at {at}: the harness is unplugged.",
    SignKind.OIL_OUT: "Oil out for warming elsewhere since {at}.",
    SignKind.FLOWN: "Warm as after a flight, seen at {at}; no heater.",
    SignKind.SUN: "Warms beyond its air without the heater, seen at {at}: perhaps the sun.",
    SignKind.WARM_AIR: "The air around it became warm at {at}: perhaps a heated hangar.",
    SignKind.COLD_AIR: "The air around it became colder at {at}: a door open, or pushed outside.",
    SignKind.COVER_OFF: "Cools faster since {at}, the air unchanged: the cover off, or wind.",
    SignKind.WARMED_OTHERWISE: "Something warms it, seen at {at}: heater, sun or warmer air.",
    SignKind.COOLS_FASTER: "Cools faster, seen at {at}: a door, the cover or wind; the air is not measured.",
}
OIL_IS_OUT = "Noted: the oil is out. Nothing will be called ready until it is back in, its level checked."
OIL_IS_BACK = "Noted: back in, level checked. The soak begins anew."

_RULES = {
    "soak": "soaked above target",
    "core": "estimated core above the need-limit",
}


# -- small parts


def place_name(slug: str) -> str:
    """What a person calls a place: cyl-3 → cylinder 3."""
    if CYLINDER.match(slug):
        return f"cylinder {slug[4:]}"
    if OTHER.match(slug):
        return slug[6:].replace("-", " ")
    return _PLACES.get(slug, slug)


def place_list(slugs: Iterable[str]) -> str:
    """Places in a row: cylinder 2, cylinder 3 and sump."""
    names = [place_name(s) for s in slugs]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1] if names else ""


def _few(slugs: Sequence[str]) -> str:
    """Places in a row, short enough for a message: the first two and how many more."""
    if len(slugs) <= 3:
        return place_list(slugs)
    return f"{place_name(slugs[0])}, {place_name(slugs[1])} and {len(slugs) - 2} more"


def _first_of(slugs: Sequence[str]) -> str:
    """The first place and how many more."""
    return place_name(slugs[0]) + (f" and {len(slugs) - 1} more" if len(slugs) > 1 else "")


def fault_words(status: str) -> str:
    """Why a place has no value, as a clause."""
    return _FAULTS.get(Fault(status), status) if status in set(Fault) else status


def in_unit(c: float, unit: Unit) -> float:
    """A temperature [°C] in the reader's unit."""
    return c * 1.8 + 32 if unit == "F" else c


def temperature(
    c: float | None, unit: Unit = "C", limits_c: Iterable[float] = (), spoken: bool = False
) -> str:
    """A temperature with its unit: whole degrees, tenths within 1 °C of a limit, never up across one.

    c [°C] or None ("unknown"); spoken writes "minus" as a word, for messages.
    """
    if c is None:
        return "unknown"
    limits = [limit for limit in limits_c if abs(c - limit) <= 1.0]
    digits = 1 if limits else 0
    shown = round(in_unit(c, unit), digits)
    for limit in limits:
        if c < limit and shown >= round(in_unit(limit, unit), digits):
            shown = round(shown - 0.1, 1)
    text = f"{abs(shown):.{digits}f} °{unit}"
    below_zero = shown < 0
    return (("minus " if spoken else "−") if below_zero else "") + text


def difference(k: float, unit: Unit = "C") -> str:
    """A temperature difference [K] in the reader's degrees, without the 32."""
    return f"{round(abs(k) * (1.8 if unit == 'F' else 1.0))}"


def moment(at: float, zone: str, now_at: float) -> str:
    """An instant [UTC s] on the field's clock: 08:40, Sat 08:40, or Sat 3 Jan 08:40; which of the two where
    the clocks are put back and it comes twice."""
    local = datetime.fromtimestamp(at, ZoneInfo(zone))
    today = datetime.fromtimestamp(now_at, ZoneInfo(zone))
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    clock = f"{local:%H:%M}" + (f" (the {'second' if local.fold else 'first'})" if twice else "")
    if local.date() == today.date():
        return clock
    if abs((local.date() - today.date()).days) < 7:
        return f"{local:%a} {clock}"
    return f"{local:%a} {local.day} {local:%b} {clock}"


def stamp(at: float, zone: str) -> str:
    """An instant with its weekday, for the head of a message."""
    return datetime.fromtimestamp(at, ZoneInfo(zone)).strftime("%a %H:%M")


def day(at: float, zone: str) -> str:
    """The date of an instant, where a year matters: 25 May 2027."""
    local = datetime.fromtimestamp(at, ZoneInfo(zone))
    return f"{local.day} {local:%b %Y}"


def role(name: str) -> str:
    """What a session's role lets a phone do, after its name."""
    return {
        "owner": "may act",
        "answers": "may answer alerts and enter readings by hand",
        "viewer": "may look, not act",
    }[name]


def tries(left: int) -> str:
    """How many tries of a code are left."""
    return "One try is" if left == 1 else f"{_capital(_count(left))} tries are"


def outward(low: float, mid: float, high: float | None) -> tuple[float, float, float | None]:
    """A range of instants [s] rounded outward: 1 min steps below 20 min of width, 5 to 90, 15 above."""
    width_min = ((high if high is not None else mid + (mid - low)) - low) / 60
    step = 60.0 * (1 if width_min < 20 else 5 if width_min <= 90 else 15)
    late = None if high is None else math.ceil(high / step) * step
    return math.floor(low / step) * step, round(mid / step) * step, late


def limits_of(status: Status) -> tuple[float, ...]:
    """The limits near which a temperature shows tenths."""
    return status.target_c, status.need_c


def now_of(status: Status) -> float:
    """The document's own instant [UTC s]."""
    return utc_seconds(status.now)


# -- sentences


def verdict(status: Status, unit: Unit = "C") -> str:
    """The one sentence that says how things stand."""
    state = State(status.state)
    target = temperature(status.target_c, unit, (status.target_c,))
    if state is State.PROBE_MISSING:
        if status.coldest is None and not status.missing:
            return "No required place is measured, so nothing can be said of the engine."
        if not status.missing:
            return "Measured again; two values in a row are needed before they count."
        return f"Not measured: {place_list(status.missing)}. Until then no word on above target or ready."
    if state is State.TOO_HOT:
        return f"Too hot: {_hottest(status, unit)}. Switch the heater off."
    if state is State.ABOVE_TARGET:
        where = " where measured" if status.unmeasured_far else ""
        return f"Coldest point above target{where}, not yet ready."
    if state is State.READY:
        return f"Ready to start: {_RULES[status.ready_rule]}."
    if state is State.HEATING:
        return "Warming."
    if state is State.LEVELLING_OFF:
        return f"Leveling off below the target of {target}."
    if state is State.HEATER_STOPPED:
        return "Heat has stopped."
    if state is State.COOLING:
        return "Cooling."
    if state is State.FLOWN_COOLING:
        return "Cooling after flight."
    if state is State.OIL_OUT:
        return "Oil out: not ready until it is back in and its level checked."
    if state is State.COLD:
        need = temperature(status.need_c, unit, (status.need_c,))
        return f"Cold: below the need-limit of {need}, no heat seen."
    return "No heat seen, coldest point above the need-limit."


def coldest(status: Status, unit: Unit = "C", spoken: bool = False) -> str:
    """The coldest point, its value and the target, or what is unknown."""
    if status.coldest is None or status.coldest_c is None:
        return "Coldest point unknown: no required place has a value."
    value = temperature(status.coldest_c, unit, limits_of(status), spoken)
    text = f"Coldest point {value} ({place_name(status.coldest)})"
    if status.missing:
        lost = _first_of(status.missing) if spoken else place_list(status.missing)
        text += f" of those measured; {lost} not measured"
    return text + "."


def announced(status: Status, unit: Unit = "C") -> str | None:
    """The announced forecast with its range; None when there is nothing to announce."""
    now_at = now_of(status)
    if State(status.state) not in (State.HEATING, State.LEVELLING_OFF, State.HEATER_STOPPED):
        return None
    if status.above_p50 is None or status.above_p10 is None:
        return _plateau(status, unit) if status.p_reach < 0.1 else "Time unknown as yet."
    late = None if status.above_p90 is None else utc_seconds(status.above_p90)
    low, mid, high = outward(utc_seconds(status.above_p10), utc_seconds(status.above_p50), late)
    about = moment(mid, status.zone, now_at)
    if mid < now_at:
        return f"Above target was expected about {about}."
    if high is None:
        if status.p_reach < 0.9:
            misses = min(max(1, round((1 - status.p_reach) * 10)), 9)
            return f"Above target about {about} if it gets there; {misses} in 10 that it doesn't."
        return f"Above target most likely about {about}; how much later is open."
    return (
        f"Above target most likely about {about}; 1 morning in 10 before "
        f"{moment(low, status.zone, now_at)}, 1 in 10 later than {moment(high, status.zone, now_at)}."
    )


def _plateau(status: Status, unit: Unit = "C", spoken: bool = False) -> str:
    target = temperature(status.target_c, unit, (status.target_c,), spoken)
    if status.plateau_c is None:
        return f"Probably won't reach the target of {target}."
    low, mid, high = (temperature(c, unit, limits_of(status), spoken) for c in status.plateau_c)
    return f"Probably levels off near {mid}, between {low} and {high}; target {target}."


def core(status: Status, unit: Unit = "C", spoken: bool = False) -> str:
    """The unprobed core with its range."""
    if status.core_c is None:
        return "Core (crankshaft and bearings): unknown, not measured."
    low, mid, high = (temperature(c, unit, limits_of(status), spoken) for c in status.core_c)
    return f"Core (crankshaft and bearings) about {mid}, between {low} and {high}: estimated, not measured."


def readiness(status: Status, unit: Unit = "C", spoken: bool = False) -> str | None:
    """When it will be ready, by which rule; or how long it holds; None when neither is the matter."""
    state, now_at = State(status.state), now_of(status)
    if state is State.READY:
        return _holds(status, now_at)
    if state is not State.ABOVE_TARGET:
        return None
    if status.ready_rule == "soak":
        if status.ready_at is None:
            return "Ready only once the estimated core has passed the need-limit; when is open."
        return f"Soak until {moment(utc_seconds(status.ready_at), status.zone, now_at)}."
    if status.ready_at is None:
        need = temperature(status.need_c, unit, (status.need_c,), spoken)
        return f"Waits for the estimated core to pass {need}."
    return f"Estimated core above the need-limit about {_moment(status, status.ready_at)}."


def _hold_end(status: Status) -> str | None:
    """Until when it stays above target for 9 mornings in 10, where that is ahead."""
    low = status.above_until[0] if status.above_until is not None else None
    if low is None:
        return None
    until_at = math.floor(utc_seconds(low) / 300) * 300
    return moment(until_at, status.zone, now_of(status)) if until_at > now_of(status) else None


def _holds(status: Status, now_at: float) -> str | None:
    if status.above_until is None:
        return None
    low, _, _ = status.above_until
    if low is None:
        return None
    until_at = math.floor(utc_seconds(low) / 300) * 300
    until = moment(until_at, status.zone, now_at)
    if until_at <= now_at:
        return f"With heat off it was expected to stay above target until about {until}; look again."
    return f"Above target until about {until} with the cover on, if heat stays off."


def unmeasured(status: Status) -> str | None:
    """What this heater's far places would tell and nobody measures."""
    if not status.unmeasured_far:
        return None
    return (
        f"Above target can only be said where measured; {place_list(status.unmeasured_far)} not measured, "
        "and this heater warms those last."
    )


def rests_on(status: Status) -> str | None:
    """On how many heat-ups of this setup the range rests; None where there is no range or no setup."""
    if State(status.state) not in (State.HEATING, State.LEVELLING_OFF, State.HEATER_STOPPED):
        return None
    if status.first_of_setup:
        return "First heat-up of this setup: the range is wide on purpose."
    earlier = status.learned.heat_ups if status.learned is not None else 0
    return f"The range rests on {heat_ups(earlier)} of this setup." if earlier else None


def borne_out(judged: int, within_min: float | None, inside: int) -> str | None:
    """How the forecasts of the last heat-ups were borne out halfway; None where none was judged.

    within_min: half of them were off by that or less [min], None where half said never; inside: how many
    had the truth in the range.
    """
    if judged == 0:
        return None
    of = "In the last heat-up" if judged == 1 else f"In the last {_count(judged)} heat-ups"
    if judged == 1:
        off = "the forecast said never" if within_min is None else f"off by {math.ceil(within_min)} min"
        return f"{of}, halfway: {off}, the truth {'inside' if inside else 'outside'} the range."
    within = "off more than can be said" if within_min is None else f"within {math.ceil(within_min)} min"
    return f"{of}, halfway: {within} in half of them, {_count(inside)} inside the range."


def changed(status: Status, spoken: bool = False) -> str | None:
    """What the last heat-up showed to be changed for good; None where nothing is new."""
    if status.learned is None or not status.learned.changed:
        return None
    what = _spelled(status.learned.changed).rstrip(".")
    if spoken:
        what = what.replace(" %", " percent")
    return f"The last heat-up was unlike those before it: {what}."


def relearning(progress: tuple[int, int] | None, nothing_known: bool) -> str:
    """Word of a memory that is being worked out again. progress: heat-ups done and to do."""
    how_far = f" ({progress[0]} of {progress[1]})" if progress else ""
    meanwhile = (
        "until then the range is as wide as for a first one" if nothing_known else "until then the old holds"
    )
    return f"What earlier heat-ups taught is being worked out again{how_far}; {meanwhile}."


_WEATHER = {
    "hourly": "the hourly forecast",
    "metar": "the METAR",
    "topic": "the weather on the broker",
    "typed": "what was typed in",
}


def air_basis(air: AirNow, zone: str, now_at: float) -> str:
    """What the air to come rests on, in a sentence. now_at: UTC [s]."""
    source = _WEATHER.get(air.source or "", "the weather")
    if air.rests_on == "forecast" and air.issued and air.reaches:
        issued, reaches = (moment(utc_seconds(text), zone, now_at) for text in (air.issued, air.reaches))
        hours = round((now_at - utc_seconds(air.issued)) / 3600)
        old = f", {hours} h old and so with a wider range" if air.old else ""
        return f"The air to come rests on {source} of {issued}{old}; it reaches until {reaches}."
    if air.rests_on == "observed" and air.reaches:
        at = moment(utc_seconds(air.reaches), zone, now_at)
        return f"The air to come is a guess from {source} of {at}, with a wide range."
    if air.rests_on == "own-air":
        return "The air to come is a guess from the air measured at the aircraft, with a wide range."
    return "Neither weather nor the air at the aircraft is known; the air to come is a wide guess."


def air_missing(air: AirNow, zone: str, now_at: float) -> str | None:
    """Word of weather that should be there and is not, or is old; None where all is well."""
    if air.rests_on == "forecast":
        return air_basis(air, zone, now_at) if air.old else None
    if air.source is None or air.issued is None:
        return f"No weather has been heard yet. {air_basis(air, zone, now_at)}" if air.wanted else None
    if air.source == "typed" or (air.source == "metar" and not air.old):
        return None
    heard = moment(utc_seconds(air.issued), zone, now_at)
    return f"The last weather heard, of {heard}, can't be used any more. {air_basis(air, zone, now_at)}"


def weather_heard(weather: Weather, zone: str, now_at: float, unit: Unit = "C") -> str:
    """What a source said last, and how old that is."""
    told = weather.reaches_at > weather.issued_at
    nearest = min(weather.hours, key=lambda h: abs(h.at - now_at))
    air = temperature(nearest.air_c, unit)
    wind = "" if nearest.wind_m_s is None else f", wind {nearest.wind_m_s:.0f} m/s"
    until = f"; it reaches until {moment(weather.reaches_at, zone, now_at)}" if told else ""
    made = moment(weather.issued_at, zone, now_at)
    age_min = max(0.0, now_at - weather.issued_at) / 60
    age = f"{age_min:.0f} min" if age_min < 120 else f"{age_min / 60:.0f} h"
    name = _capital(_WEATHER.get(weather.source, "the weather"))
    return f"{name}, of {made} ({age} ago): {air} at {moment(nearest.at, zone, now_at)}{wind}{until}."


def weather_taken(weather: Weather, zone: str, now_at: float) -> str:
    """Answer to weather a person told."""
    last = weather.hours[-1]
    at = moment(last.at, zone, now_at)
    if weather.source == "typed":
        return f"Noted: down to {temperature(last.air_c)} by {at}. It counts before other weather until then."
    return f"Noted: {temperature(last.air_c)} at {at}."


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
        ago = "less than a day" if days == 0 else f"{days} day{_s(days)}"
        said = f"Last flight with the oil hot long enough: {ago} ago"
    since = "; " + ("since then " if hot_at is not None else "")
    said += f"{since}{heat_ups(without)} without one"
    return f"{said}, {_count(unknown)} more not known." if unknown else f"{said}."


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


def span(s: float) -> str:
    """A span of time [s]: 45 min, 2 h 10 min, 3 days."""
    minutes = round(s / 60)
    if minutes >= 48 * 60:
        return f"{minutes // 1440} days"
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


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


def exclusion(heatup: int, excluded: bool, was: bool) -> str:
    """Answer to leaving a heat-up out, or taking it in again."""
    if excluded == was:
        return f"Heat-up {heatup} {'is left out already' if excluded else 'counts already'}."
    again = "What the heat-ups teach is worked out again with the next reading."
    return f"Heat-up {heatup} {'no longer counts' if excluded else 'counts again'}. {again}"


def heat_ups(n: int) -> str:
    """So many heat-ups: three heat-ups."""
    return "no heat-up" if n == 0 else f"{_count(n)} heat-up{_s(n)}"


class Taught(Protocol):
    """What one heat-up taught."""

    @property
    def clean(self) -> bool: ...

    @property
    def censored(self) -> bool: ...

    @property
    def why(self) -> str: ...

    @property
    def changed(self) -> str: ...


def taught(lesson: Taught | None, excluded: bool) -> str:
    """What a heat-up taught, or why nothing: left out, not yet gone through, not clean."""
    if excluded:
        return "left out"
    if lesson is None:
        return "not yet"
    if not lesson.clean:
        return f"not learned from: {_spelled(lesson.why)}" if lesson.why else "not learned from"
    text = "learned, up to where it was stopped" if lesson.censored else "learned"
    return f"{text}; {_spelled(lesson.changed)}" if lesson.changed else text


def _spelled(text: str) -> str:
    """The same text with places as a person calls them: cyl-3 → cylinder 3."""
    return re.sub(r"\b[a-z]+(?:-[a-z0-9]+)+\b", lambda found: place_name(found[0]), text)


_COUNTS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def _count(n: int) -> str:
    return _COUNTS[n] if 0 <= n < len(_COUNTS) else str(n)


def _s(n: int) -> str:
    return "" if n == 1 else "s"


def _heat_due(status: Status) -> str | None:
    """By when heat must be on for the planned start; None where no plan asks for any."""
    plan, now_at = status.plan, now_of(status)
    if plan is None or plan.switch_on is None or plan.verdict not in ("heat", "late"):
        return None
    start = moment(utc_seconds(plan.earliest or plan.start), status.zone, now_at)
    at = moment(utc_seconds(plan.timer or plan.switch_on), status.zone, now_at)
    if plan.timer is not None:
        is_past = utc_seconds(plan.timer) < now_at
        return f"Have the timer looked at: it was to switch on at {at}." if is_past else None
    if utc_seconds(plan.switch_on) <= now_at:
        return f"Switch the heater on now, for a start at {start}."
    return f"Switch the heater on by {at}, for the start at {start}."


def next_action(status: Status) -> str:
    """The one thing to do next, for somebody who may be in bed."""
    state = State(status.state)
    if state in (State.COLD, State.OFF, State.COOLING, State.FLOWN_COOLING):
        plan = status.plan
        if plan is not None and plan.verdict == "none":
            return f"Nothing to do: no heat is needed for {_moment(status, plan.start)}."
        if (due := _heat_due(status)) is not None:
            return due
    if state is State.PROBE_MISSING:
        return "Have the plug at the cowl looked at, or measure by hand and enter it."
    if state is State.TOO_HOT:
        return "Switch the heater off, at the socket or through the person at the field."
    if state is State.READY and status.heater.heating is not False:
        return "Switch off and unplug, then take plugs, cover, probes and streamer off before the start."
    if state is State.READY:
        return "Before the start: heater, plugs, cover, probes and streamer off the aircraft."
    if state is State.ABOVE_TARGET:
        return "Let it soak; leave heat and cover on."
    if state is State.HEATER_STOPPED:
        return "Have someone look at plug, cable and breaker. A breaker that trips again stays off."
    if state is State.LEVELLING_OFF:
        return "Have cover, plugs or more heat added, or give up this start."
    if state is State.HEATING:
        return "Nothing to do until the next word."
    if state is State.OIL_OUT:
        return "Have the oil poured back in and its level checked, then say so on the page."
    if state is State.COLD:
        return "Switch the heater on in time, if somebody flies."
    if state in (State.COOLING, State.FLOWN_COOLING):
        return "Start before it falls under the target, or heat again."
    return "Nothing to do."


def probe_words(probe: ProbeNow, status: Status, unit: Unit = "C") -> str:
    """One place in a phrase: its value, or why there is none, and its trend."""
    if probe.c is None:
        return f"not measured: {fault_words(probe.status)}"
    limits = limits_of(status) if probe.counts else ()
    text = temperature(probe.c, unit, limits)
    if probe.counted_c is not None and probe.reads_heater_c is not None:
        text += (
            f", counted as {temperature(probe.counted_c, unit, limits)}: it read the heater by "
            f"{difference(probe.reads_heater_c, unit)} °{unit} at the last heater-off"
        )
    if probe.status == "by-hand":
        text += ", by hand"
    if probe.near_heater:
        text += ", near heat, not counted"
    if probe.trend_c_per_h is not None and abs(probe.trend_c_per_h) >= 0.5:
        way = "up" if probe.trend_c_per_h > 0 else "down"
        text += f", {way} {difference(probe.trend_c_per_h, unit)} an hour"
    return text


def heater_words(status: Status) -> str:
    """What is known of the heater and how."""
    h = status.heater
    known = {"measured": "measured", "said": "as said", "curve": "seen from the curve"}.get(h.known_by, "")
    if h.heating is None:
        return "Heater: unknown."
    since = f" since {moment(utc_seconds(h.since), status.zone, now_of(status))}" if h.since else ""
    return f"Heater {'on' if h.heating else 'off'}{since}{', ' + known if known else ''}."


def sign(s: SignNow, status: Status) -> str:
    """A sign as a sentence with its time."""
    at = moment(utc_seconds(s.since), status.zone, now_of(status))
    where = place_name(s.place) if s.place else ""
    return _SIGNS[SignKind(s.kind)].format(at=at, Place=_capital(where))


def alert(a: AlertNow, status: Status, unit: Unit = "C") -> str:
    """An alert as a sentence with its time."""
    since = moment(utc_seconds(a.since), status.zone, now_of(status))
    where = place_name(a.place) if a.place else ""
    text = {
        "switch-off": f"Heat was still on at {since}, long after ready. Switch it off.",
        "too-hot": f"Too hot since {since}: {where}. Switch the heater off.",
        "heater-stopped": f"Heat stopped at {since}. Look at plug, cable and breaker.",
        "probe-missing": f"{_capital(where)} not measured since {since}.",
        "levelling-off": f"Leveling off below the target since {since}.",
        "too-weak": f"Warms clearly slower than this setup usually does, since {since}.",
        "one-cold": f"{_capital(where)} stays behind its neighbors since {since}.",
        "attended": f"Asked at {since} whether somebody is with the combustion heater.",
        "store": f"The record can't be written since {since}; readings are kept in memory.",
    }.get(a.kind, f"{a.kind.replace('-', ' ').capitalize()} since {since}.")
    if a.answered:
        text += f" Answered: {answer_words(a.answered)}."
    return text


def unproven(names: Sequence[str]) -> str | None:
    """Word of recipients who have not answered a test message; None where all have."""
    if not names:
        return None
    who = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    verb = "has" if len(names) == 1 else "have"
    return f"{who} {verb} not answered a test message yet: don't count on messages to reach them."


def link_answer(kind: str, harm: bool) -> str:
    """What a link in a message says when it is pressed: off where there is harm, else seen, or that somebody
    is with the heater where that was asked; never on."""
    return "with-it" if kind == "attended" else "it-is-off" if harm else "seen"


def answer_words(answer: str) -> str:
    """The label of an answer to an alert."""
    known = {
        "it-is-off": "It is off",
        "seen": "Seen",
        "received": "I got it",
        "with-it": "I am with it",
    }
    return known.get(answer, answer.replace("-", " "))


def cautions(status: Status) -> tuple[str, ...]:
    """The cautions that belong to the step at hand."""
    state = State(status.state)
    out: list[str] = []
    if status.heater.kind == "combustion":
        out.append(
            "Combustion heater: never alone, never in a closed hangar, refuel it cold, not aimed at hoses, "
            "wiring, fuel lines or fabric. Carbon monoxide."
        )
    if state in (State.READY, State.ABOVE_TARGET, State.COOLING):
        out.append("Off and unplugged before the start: heater, plugs, cover, probes, streamer.")
        out.append(
            "Temperature is not airworthiness: look at frost, snow in cowl and tail, breather, oil cooler, "
            "pitot and static, fuel drains, controls. No oil pressure in the manual's time: shut down."
        )
    if state in (State.HEATING, State.HEATER_STOPPED, State.LEVELLING_OFF, State.TOO_HOT):
        out.append(
            "Fire: look at heater cord, cover and plugs; extinguisher at hand. Mains outdoors: "
            "residual-current protection, dry connectors."
        )
    out.append(
        "Propeller: reaching through the inlets puts your arms in its arc. Switches off, key out, "
        "mixture at cut-off, chocks; treat it as live."
    )
    out.append("Engine and heater manuals, local codes and licensed people come first.")
    return tuple(out)


# -- the plan of a departure

_WHO = {
    "timer": "Have the timer set before you leave the field.",
    "person": "Have the person at the field switch it on.",
    "pilot": "Switch it on when you arrive.",
    "our-plug": "Have somebody switch the plug: nothing here does it.",
}


def mornings(certainty: float) -> str:
    """A certainty in mornings: 9 mornings in 10."""
    twentieths = round(certainty * 20)
    return f"{twentieths} mornings in 20" if twentieths % 2 else f"{twentieths // 2} mornings in 10"


def chances(chance: float) -> str:
    """A chance as so many in ten: 4 in 10."""
    if chance < 0.05:
        return "fewer than 1 in 20"
    if chance > 0.95:
        return "more than 19 in 20"
    return f"{min(max(round(chance * 10), 1), 9)} in 10"


def plan_line(plan: PlanNow, zone: str, now_at: float) -> str:
    """A departure and its plan in one line: what is due, and by when."""

    def when(text: str | None) -> str:
        return "an unknown time" if text is None else moment(utc_seconds(text), zone, now_at)

    start = when(plan.start)
    if plan.state == "did-not-start" and plan.verdict == "late":
        return (
            f"Did not start: heated from {when(plan.switch_on)}, the earliest start is {when(plan.earliest)}."
        )
    if plan.verdict == "making":
        return f"Engine start {start}: the plan is being worked out."
    if plan.verdict == "unknown":
        return f"Engine start {start}: nothing is measured, so whether heat is needed is unclear."
    if plan.verdict == "none":
        return f"No heat is needed for the engine start {start}."
    if plan.verdict == "never":
        return f"Engine start {start} can't be kept: this heat doesn't get there on half of such mornings."
    sure = mornings(plan.at_best or plan.certainty)
    if plan.verdict == "late":
        return (
            f"Engine start {start} can't be kept on {sure}: "
            f"about {_late(plan.late_min or 0.0)} late, start {when(plan.earliest)}."
        )
    on = when(plan.switch_on)
    if plan.timer is not None or plan.state == "heating":
        what = "it is being heated" if plan.timer is None else f"the timer is set for {when(plan.timer)}"
        return f"Engine start {start}: {what}, and it can be kept on {sure}."
    if plan.attended:
        return f"Engine start {start}: be there {on}, heat about {_heat_min(plan)} min."
    if plan.need == "unclear":
        return f"Engine start {start}: whether heat is needed is unclear; to be sure, heat on by {on}."
    at_best = ", which is the most this heat allows" if plan.at_best is not None else ""
    return f"Engine start {start}: heat must be on by {on}, to keep it on {sure}{at_best}."


def _heat_min(plan: PlanNow) -> int:
    """How long it is to be heated, from the switch-on until heater and cover come off, in fives [min]."""
    if plan.switch_on is None:
        return 0
    until = utc_seconds(plan.earliest or plan.start) - plan.uncovered_min * 60
    return max(math.ceil((until - utc_seconds(plan.switch_on)) / 300) * 5, 0)


def plan_need(plan: PlanNow, unit: Unit = "C", spoken: bool = False) -> str | None:
    """Whether heat is needed and the chance of it; None where that can't be told yet."""
    if plan.chance is None:
        return None
    limit = temperature(plan.limit_c, unit, (plan.limit_c,), spoken)
    what = "air too cold for too long by the manual" if plan.by_air else f"below the limit of {limit}"
    chance = f"Without heat: {chances(plan.chance)} that it is {what} at the start"
    if plan.cold_c is None:
        return chance + "."
    low, mid, high = (temperature(c, unit, (plan.limit_c,), spoken) for c in plan.cold_c)
    return f"{chance}; coldest point then about {mid}, between {low} and {high}."


def plan_rests(plan: PlanNow, unit: Unit = "C", spoken: bool = False) -> str | None:
    """What a plan rests on; None while there is none. In a message the coldest point is said besides."""
    if plan.made is None:
        return None
    out = []
    if not spoken and plan.coldest_now is not None and plan.coldest_now_c is not None:
        value = temperature(plan.coldest_now_c, unit, (plan.limit_c,), spoken)
        out.append(f"the coldest point now, {value} ({place_name(plan.coldest_now)})")
    learned = (
        f"{heat_ups(plan.heat_ups)} of this setup" if plan.heat_ups else "what is usual for such an engine"
    )
    out.append(learned)
    out.append(_air_words(plan))
    text = f"Rests on {', '.join(out[:-1])} and {out[-1]}."
    if plan.missing:
        which = "is" if len(plan.missing) == 1 else "are"
        text += f" {_capital(_few(plan.missing))} {which} not measured, so it never says no heat."
    if plan.heated_hangar:
        text += " A steadily heated hangar usually needs no heat."
    if plan.flown:
        text += " The engine is still warm from flight."
    if plan.after_another:
        text += " An earlier departure comes first; neither its heat nor its flight is counted."
    return text


def _air_words(plan: PlanNow) -> str:
    old = plan.air_age_min
    age = "" if old is None or old < 90 else f", {round(old / 60)} hours old"
    return {
        "forecast": f"a forecast of the air{age}",
        "observed": f"the air last reported nearby{age}, held",
        "own-air": "the air measured here, held",
    }.get(plan.air, "air nobody measures")


def plan_who(plan: PlanNow, zone: str, now_at: float) -> str | None:
    """Who does what, and when; None where nothing is to be done."""
    if plan.switch_on is None or plan.state == "heating":
        return None
    return " ".join(part for part in (_task(plan), _reach(plan, zone, now_at)) if part)


def _task(plan: PlanNow) -> str:
    """The one thing somebody is to do for a plan."""
    if plan.verdict == "never":
        return "Have cover, plugs or more heat added, or give up this start."
    if plan.state == "heating":
        late = ", and plan the later start" if plan.verdict == "late" else ""
        return f"Leave heat and cover on until then{late}."
    if plan.verdict == "unknown":
        return "Have plug and board looked at."
    if plan.switch_on is None or plan.verdict in ("none", "making"):
        return "Nothing to do."
    if plan.attended:
        return "Combustion: have somebody stay with it from lighting to shutting it off, the hangar open."
    if plan.timer is not None:
        return "Nothing to do: changes now move the start, not the switch-on."
    if plan.verdict == "late" and plan.by in ("timer", "our-plug"):
        return "Have it switched on now."
    return _WHO.get(plan.by, "")


def _reach(plan: PlanNow, zone: str, now_at: float) -> str:
    """When to set out, and how the person at the field is reached."""
    if plan.switch_on is None or plan.state == "heating" or (plan.timer is not None and not plan.attended):
        return ""
    out = _set_out(plan, utc_seconds(plan.switch_on), zone, now_at)
    if plan.by == "person" and plan.contact:
        out += f" Reach them: {plan.contact}."
    return out.strip()


def _set_out(plan: PlanNow, on_at: float, zone: str, now_at: float) -> str:
    """When whoever switches must be on the way; nothing where they need no time for it."""
    if plan.by not in ("person", "pilot") or not plan.travel_min:
        return ""
    return f" Set out by {moment(on_at - plan.travel_min * 60, zone, now_at)}."


def plan_above(plan: PlanNow, zone: str, now_at: float) -> str | None:
    """When the coldest point is above target then; None where there is no such range."""
    if plan.above is None or plan.above[0] is None or plan.above[1] is None:
        return None
    late = None if plan.above[2] is None else utc_seconds(plan.above[2])
    low, mid, high = outward(utc_seconds(plan.above[0]), utc_seconds(plan.above[1]), late)
    begin, end = moment(low, zone, now_at), "open" if high is None else moment(high, zone, now_at)
    return f"Above target then about {moment(mid, zone, now_at)}, between {begin} and {end}."


def plan_helps(plan: PlanNow, zone: str, now_at: float) -> str | None:
    """How a late start stands as wished, and what would help it; None where neither is known."""
    return " ".join(s for s in (_as_wished(plan), _would_help(plan, zone, now_at)) if s) or None


def _as_wished(plan: PlanNow) -> str:
    if plan.verdict != "late" or plan.kept is None or plan.kept < 0.05:
        return ""
    return f"As wished it is kept in {chances(plan.kept)}."


def _would_help(plan: PlanNow, zone: str, now_at: float) -> str:
    said = [_help(h, plan, zone, now_at) for h in plan.helps]
    return f"{_capital('; or '.join(said))}." if said else ""


def _help(h: HelpNow, plan: PlanNow, zone: str, now_at: float) -> str:
    start = "" if h.start is None else moment(utc_seconds(h.start), zone, now_at)
    if h.kind == "cover":
        return f"with cover and plugs on, start {start}"
    if h.kind == "certainty":
        return f"content with 8 mornings in 10, start {start}"
    return f"next time heat {round(h.by_min or 0)} min earlier"


def plan_next_word(plan: PlanNow, zone: str, now_at: float) -> str:
    """When the next word of a plan comes, and what silence means."""
    if plan.next_word is None:
        return "This holds until I write again: next word if it changes; if none comes, look at the page."
    at = moment(utc_seconds(plan.next_word), zone, now_at)
    return f"This holds until the next word, {at}; {_COLD}"


CLOCK_NOT_SET = "The board's clock is not set: its times may be wrong, and no word comes until it is."
NOTHING_REPEATS = (
    "A plan belongs to one departure and nothing repeats by itself: heat without a flight drives water out "
    "of the oil onto cold metal, so a daily timer is worse than none."
)


def plan_sentences(plan: PlanNow, zone: str, now_at: float, unit: Unit = "C") -> tuple[str, ...]:
    """All that is to be said of a plan after its line, in order."""
    found = (
        plan_helps(plan, zone, now_at),
        plan_who(plan, zone, now_at),
        plan_need(plan, unit),
        plan_above(plan, zone, now_at),
        plan_rests(plan, unit),
    )
    return tuple(sentence for sentence in found if sentence)


def plan_answer(plan: PlanNow, zone: str, now_at: float, unit: Unit = "C") -> str:
    """The answer to a question or a new plan."""
    return " ".join((plan_line(plan, zone, now_at), *plan_sentences(plan, zone, now_at, unit)))


def soonest_answer(plan: PlanNow, zone: str, now_at: float, unit: Unit = "C") -> str:
    """The answer to a question for the earliest start."""
    if plan.verdict == "none":
        first = "No heat is needed for a start now."
    elif plan.earliest is None or plan.switch_on is None:
        return plan_answer(plan, zone, now_at, unit)
    else:
        on, start = (moment(utc_seconds(t), zone, now_at) for t in (plan.switch_on, plan.earliest))
        first = f"Heated from {on}, the earliest start on {mornings(plan.certainty)} is {start}."
    found = (plan_need(plan, unit), plan_above(plan, zone, now_at), plan_rests(plan, unit))
    return " ".join((first, *(sentence for sentence in found if sentence)))


_NO_PLAN: Letter = (
    ("no start is planned",),
    [
        (1, "The plan has gone meanwhile, and with it what was due. Nothing to do."),
        (1, "Until another is made nothing is due: next word then; if none comes, count the engine as cold."),
    ],
)


def _evening(status: Status, unit: Unit, about: About) -> Letter:
    plan = status.plan
    if plan is None:
        return _NO_PLAN[0], [(1, coldest(status, unit, spoken=True)), *_NO_PLAN[1]]
    zone, now_at = status.zone, now_of(status)
    start = moment(utc_seconds(plan.start), zone, now_at)
    parts = [
        (1, plan_line(plan, zone, now_at)),
        (1, _task(plan)),
        (4, _as_wished(plan)),
        (2, _would_help(plan, zone, now_at)),
        (3, _reach(plan, zone, now_at)),
        *_by_then(status, plan, unit),
        (5, plan_rests(plan, unit, spoken=True)),
        (1, plan_next_word(plan, zone, now_at)),
    ]
    return _plan_subjects(plan, start), [(rank, text) for rank, text in parts if text]


def _by_then(status: Status, plan: PlanNow, unit: Unit) -> list[Part]:
    """The coldest point now, and without heat at the start."""
    now: Part = (1, coldest(status, unit, spoken=True))
    if plan.cold_c is None:
        return [now]
    then = temperature(plan.cold_c[1], unit, (plan.limit_c,), spoken=True)
    return [now, (4, f"Without heat about {then} by then.")]


def _plan_subjects(plan: PlanNow, start: str) -> tuple[str, ...]:
    if plan.verdict == "late":
        return (f"start {start} about {_late(plan.late_min or 0.0)} late", "start can't be kept")
    if plan.verdict == "never":
        return (f"start {start} can't be kept", "start can't be kept")
    if plan.verdict == "none":
        return (f"no heat needed for {start}",)
    if plan.need == "yes":
        return (f"heat needed for {start}", "heat needed")
    return (f"heat for {start}: unclear", "heat: unclear")


def _switch_on(status: Status, unit: Unit, about: About) -> Letter:
    plan = status.plan
    if plan is None or plan.switch_on is None:
        return _NO_PLAN[0], [(1, coldest(status, unit, spoken=True)), *_NO_PLAN[1]]
    zone, now_at = status.zone, now_of(status)
    on = moment(utc_seconds(plan.switch_on), zone, now_at)
    if plan.attended:
        orders = [_task(plan), "Never aimed at hoses, wiring, fuel lines or fabric."]
    else:
        orders = [f"Switch the heater on at {on}.", "Look at cord, cover and plugs first."]
    parts: list[Part] = [
        (1, plan_line(plan, zone, now_at)),
        (1, orders[0]),
        (1, _set_out(plan, utc_seconds(plan.switch_on), zone, now_at).strip()),
        (2, orders[1]),
        (3, _would_help(plan, zone, now_at)),
        *_by_then(status, plan, unit),
        (2, "Propeller: treat it as live."),
        (1, f"This holds until the next word, when above target; {_COLD}"),
    ]
    parts = [p for p in parts if p[1]]
    if plan.verdict == "late" and not plan.attended:
        return _plan_subjects(plan, moment(utc_seconds(plan.start), zone, now_at)), parts
    return ((f"be there {on}, heat {_heat_min(plan)} min" if plan.attended else f"heater on at {on}"),), parts


# -- messages

LOOK_HOLDS_S = 5400.0
SUBJECT = 50
BODY = 450
"""Most characters of a message's subject and body."""


@dataclass(frozen=True, slots=True)
class About:
    """What a message knows besides the status: the place it is about, how often it was asked before, whom
    to call and how, and how it is answered.

    link: the line with the answer's link that ends the body, at its full length. code: a word to type at
    the board in a link's stead. next_at: when the next test comes [UTC s].
    """

    place: str | None = None
    asked: int = 0
    call: str = ""
    link: str = ""
    code: str = ""
    next_at: float | None = None


def message(kind: str, status: Status, unit: Unit = "C", about: About | None = None) -> tuple[str, str]:
    """Subject (≤ 50 characters) and body (≤ 450) of a message about an event of that kind.

    The body says when it was measured, the value and its point, what follows, one next action, how long
    it holds, and when the next word comes and what its absence means. Raises ValueError where there is no
    such kind.
    """
    write = _LETTERS.get(kind)
    if write is None:
        raise ValueError(f"no message of kind {kind}")
    about = about or About()
    subjects, parts = write(status, unit, about)
    head = (1, f"{stamp(now_of(status), status.zone)}.")
    link = f"\n{about.link}" if about.link and kind in ANSWERABLE else ""
    return _fit_subject(status.aircraft, subjects), _fit_body([head, *parts], BODY - len(link)) + link


Part = tuple[int, str]
"""How soon a sentence goes when there is no room (1 stays, the highest goes first), and the sentence."""
Letter = tuple[tuple[str, ...], list[Part]]
"""Subjects from the fullest to the shortest, and the sentences of the body in their order."""

_COLD = "if none comes, count the engine as cold."
_UNPROVEN = "silence proves nothing: look at the page before the start."


def _above(status: Status, unit: Unit, about: About) -> Letter:
    value = _value(status, unit)
    required = sum(p.required for p in status.probes)
    by_hand = [p.place for p in status.probes if p.required and p.status == "by-hand"]
    all_of = f", all {required} required points measured" if required > 1 and not status.missing else ""
    parts = [(1, coldest(status, unit, spoken=True)[:-1] + all_of + ".")]
    if by_hand:
        parts.append((3, f"By hand: {_few(by_hand)}."))
    if status.unmeasured_far:
        parts.append((1, f"Not measured: {place_list(status.unmeasured_far)}; this heater warms those last."))
    else:
        parts.append((2, "Places without a probe may be colder."))
    if (when := readiness(status, unit, spoken=True)) is not None:
        parts.append((1, when))
    parts += [
        (2, "Leave heat and cover on until then."),
        (1, "Next word when ready; if none comes, count the engine as not ready."),
    ]
    if status.unmeasured_far:
        return (f"above target where measured, {value}",), parts
    return (f"coldest point above target, {value}",), parts


def _ready(status: Status, unit: Unit, about: About) -> Letter:
    holds = _holds(status, now_of(status))
    where = " where measured" if status.unmeasured_far else ""
    parts = [
        (1, f"Ready by rule: {_RULES[status.ready_rule]}{where}."),
        (1, coldest(status, unit, spoken=True)),
        (3, core(status, unit, spoken=True)),
        (1, holds if holds is not None else "It holds while heat and cover stay on."),
        (1, "Switch off and unplug before opening the cowl."),
        (2, "Plugs, cover and probes off before the start."),
        (1, f"Next word if it cools or heat stays on; {_UNPROVEN}"),
    ]
    value = _value(status, unit)
    return (f"ready to start{where}, {value}", f"ready{where}, {value}"), parts


def _holding(status: Status, unit: Unit, about: About) -> Letter:
    since = f" since {_moment(status, status.heater.since)}" if status.heater.since else ""
    holds = _holds(status, now_of(status))
    until = _hold_end(status)
    value = _value(status, unit)
    parts = [
        (1, f"The heater is off{since}."),
        (1, coldest(status, unit, spoken=True)),
        (1, holds if holds is not None else "How long it holds is open."),
        (1, "Start before then, or heat again."),
        (2, "Plugs, cover and probes off before the start."),
        (1, f"Next word when it falls below the target; {_UNPROVEN}"),
    ]
    when = (f"heater off, above target until about {until}",) if until else ()
    return (*when, f"heater off, {value}"), parts


def _cooling(status: Status, unit: Unit, about: About) -> Letter:
    target = temperature(status.target_c, unit, (status.target_c,), spoken=True)
    parts = [
        (1, coldest(status, unit, spoken=True)),
        (1, f'Below the target of {target} again; "ready" and "above target" no longer hold.'),
        (1, "Heat again if somebody flies, or leave it cold; short heating without flight does harm."),
        (1, f"This holds until I write again: next word when heat has brought it above target; {_COLD}"),
    ]
    return (f"no longer above target, {_value(status, unit)}",), parts


def _later(status: Status, unit: Unit, about: About) -> Letter:
    start = status.start
    if start is None or start.late_min is None or start.start_at is None:
        return _look(status, unit, about)
    late, at = _late(start.late_min), _start_about(status, start.start_at)
    parts = [
        (1, coldest(status, unit, spoken=True)),
        (1, f"Start most likely possible about {at}; planned {_moment(status, start.planned_at)}."),
        (3, _announced_spoken(status, unit)),
        (1, "Have cover and plugs put on if they are off, or plan the later start."),
        (1, f"This holds until I write again: next word when above target; {_COLD}"),
    ]
    parts = [p for p in parts if p[1]]
    return (f"about {late} late, start about {at}", f"start about {at}"), parts


def _look(status: Status, unit: Unit, about: About) -> Letter:
    """The morning look: whatever the state, enough to decide without the page."""
    until = moment(now_of(status) + LOOK_HOLDS_S, status.zone, now_of(status))
    parts = [
        (1, coldest(status, unit, spoken=True)),
        (2, _trend_words(status, unit)),
        (1 if status.state != State.READY else 2, _what_follows(status, unit)),
        (2, _start_words(status)),
        (1, next_action(status)),
        (1, f"This holds until {until}."),
        (1, _next_word(status)),
    ]
    return _look_subjects(status, unit), [p for p in parts if p[1]]


def _look_subjects(status: Status, unit: Unit) -> tuple[str, ...]:
    state, value = State(status.state), _value(status, unit)
    if state is State.HEATING:
        ready = _expected(status)
        when = (f"warming, {value}, target {ready}",) if ready else ()
        return (*when, f"warming, {value}")
    if state is State.PROBE_MISSING and len(status.missing) == 1:
        return f"{place_name(status.missing[0])} not measured", "a place not measured"
    if state is State.PROBE_MISSING:
        return (f"{_count(len(status.missing))} places not measured" if status.missing else "not measured",)
    if state is State.OIL_OUT:
        return f"oil out, not ready, {value}", "oil out, not ready"
    facts = {
        State.COLD: f"cold, {value}, no heat",
        State.OFF: f"no heat, {value}",
        State.READY: f"ready to start, {value}",
        State.ABOVE_TARGET: f"above target, {value}, not ready",
        State.LEVELLING_OFF: f"unlikely to reach the target, {value}",
        State.HEATER_STOPPED: f"heat has stopped, {value}",
        State.TOO_HOT: "too hot, switch the heater off",
        State.COOLING: f"cooling, {value}",
        State.FLOWN_COOLING: f"cooling after flight, {value}",
    }
    return facts[state], f"{state.value.replace('-', ' ')}, {value}"


def _expected(status: Status) -> str | None:
    """About when it is above target, where that is ahead."""
    if status.above_p50 is None:
        return None
    low = utc_seconds(status.above_p10 or status.above_p50)
    high = None if status.above_p90 is None else utc_seconds(status.above_p90)
    _, mid, _ = outward(low, utc_seconds(status.above_p50), high)
    return f"about {moment(mid, status.zone, now_of(status))}" if mid > now_of(status) else None


def _what_follows(status: Status, unit: Unit) -> str:
    """What the state means for the next hours, in a sentence or two."""
    state = State(status.state)
    if state is State.LEVELLING_OFF:
        return _plateau(status, unit, spoken=True)
    if state is State.HEATING:
        return f"{verdict(status, unit)} {_announced_spoken(status, unit)}".strip()
    if state in (State.ABOVE_TARGET, State.READY):
        follows = readiness(status, unit, spoken=True)
        return f"{verdict(status, unit)} {follows}" if follows else verdict(status, unit)
    if state is State.PROBE_MISSING:
        return "Until all are measured no word on above target or ready."
    return _aloud(verdict(status, unit))


def _announced_spoken(status: Status, unit: Unit = "C") -> str:
    """The announced forecast as a message says it; empty where there is none."""
    return _aloud(announced(status, unit) or "")


def _aloud(text: str) -> str:
    return text.replace("−", "minus ")


def _trend_words(status: Status, unit: Unit) -> str:
    found = next((p for p in status.probes if p.place == status.coldest), None)
    if found is None or found.trend_c_per_h is None or abs(found.trend_c_per_h) < 0.5:
        return ""
    way = "Up" if found.trend_c_per_h > 0 else "Down"
    return f"{way} {difference(found.trend_c_per_h, unit)} °{unit} an hour."


def _start_words(status: Status) -> str:
    """What the planned start can count on."""
    start = status.start
    if start is None:
        return ""
    planned = _moment(status, start.planned_at)
    if utc_seconds(start.planned_at) <= now_of(status):
        return f"The planned start {planned} has passed."
    if start.late_min is None:
        return f"Planned start {planned}: whether it can be kept is open."
    if start.start_at is None or start.late_min < 5:
        return f"You can most likely keep {planned}."
    at = _start_about(status, start.start_at)
    return f"Planned start {planned}: about {_late(start.late_min)} late, about {at}."


def _late(minutes: float) -> str:
    """A delay, in steps of five minutes, rounded up: 25 min, 1 h 20 min."""
    steps = max(math.ceil(minutes / 5) * 5, 5)
    hours, rest = divmod(steps, 60)
    return f"{rest} min" if not hours else f"{hours} h {rest} min" if rest else f"{hours} h"


def _start_about(status: Status, text: str) -> str:
    """An instant rounded up to five minutes."""
    at = math.ceil(utc_seconds(text) / 300) * 300
    return moment(at, status.zone, now_of(status))


def _next_word(status: Status) -> str:
    state = State(status.state)
    if state is State.READY:
        return f"Next word if it cools or heat stays on; {_UNPROVEN}"
    if state is State.ABOVE_TARGET:
        return "Next word when ready; if none comes, count the engine as not ready."
    if state is State.TOO_HOT:
        return "Next word while it stays too hot; if none comes, count it as too hot."
    if state is State.PROBE_MISSING:
        return f"Next word when all required points are above target; {_COLD}"
    return f"Next word when above target; {_COLD}"


def _back(status: Status, unit: Unit, about: About) -> Letter:
    """Measuring goes on after a gap: what was before it, and what is now."""
    missed = status.missed
    if missed is None:
        return _look(status, unit, about)
    since, until = _moment(status, missed.since), _moment(status, missed.until)
    now = coldest(status, unit, spoken=True)
    was = _STATES_THEN.get(missed.state or "", "unknown")
    at = ""
    if missed.coldest is not None and missed.coldest_c is not None:
        then_c = temperature(missed.coldest_c, unit, limits_of(status), spoken=True)
        at = f", {then_c} at {place_name(missed.coldest)}"
    parts = [
        (1, f"Nothing was measured from {since} to {until}; before that: {was}{at}."),
        (1, f"Now: {now[:1].lower()}{now[1:]}"),
        (2, _what_follows(status, unit)),
        (3, _start_words(status)),
        (1, "Have mains and board looked at unless somebody cut the power."),
        (1, "This holds until I write again."),
        (1, _next_word(status)),
    ]
    return (f"board is back, missed {since} to {until}", f"board is back since {until}", "board is back"), [
        p for p in parts if p[1]
    ]


_STATES_THEN: Mapping[str, str] = {
    "cold": "cold, no heat",
    "heating": "warming",
    "above-target": "above target",
    "ready": "ready",
    "levelling-off": "leveling off below the target",
    "heater-stopped": "heat had stopped",
    "too-hot": "too hot",
    "probe-missing": "not measured in full",
    "cooling": "cooling",
    "flown-cooling": "cooling after flight",
    "off": "no heat",
}


def _test(status: Status, unit: Unit, about: About) -> Letter:
    now_at = now_of(status)
    how = f"At the board, type: probe-agent received {about.code}." if about.code else ""
    next_at = moment(about.next_at, status.zone, now_at) if about.next_at is not None else None
    if next_at is not None and about.next_at is not None and about.next_at - now_at > 6 * 86_400:
        next_at = f"in a week, {stamp(about.next_at, status.zone)}"
    parts = [
        (1, "A test: it shows that my messages reach you."),
        (2, coldest(status, unit, spoken=True)),
        (1, 'Open the link once and press "I got it".' if about.link else how or "Nothing to do."),
        (1, "Until you have answered one, nobody should count on messages reaching you."),
        (1, f"Next word: the next test {next_at}; " if next_at else "Next word when there is news; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if none comes, messages don't reach you.")
    return ("test message, please answer",), parts


def _switch_off(status: Status, unit: Unit, about: About) -> Letter:
    now_at, start = now_of(status), status.start
    is_ready = State(status.state) is State.READY and status.state_since is not None
    passed = start is not None and utc_seconds(start.planned_at) < now_at
    since = f" since {_moment(status, status.state_since)}" if is_ready and status.state_since else ""
    if status.coldest is None and status.heater.known_by == "measured":
        what = "No required place is measured, perhaps unplugged, and the heater still draws power."
    elif passed and start is not None:
        what = f"Planned start {_moment(status, start.planned_at)}, none seen, and heat is still on."
    elif is_ready:
        what = f"Ready{since}, and heat is still on."
    else:
        what = "It was to be off by now, and heat is still on."
    parts = [
        (1, what),
        (1, coldest(status, unit, spoken=True)),
        (2, _asked_before(about)),
        (2, _denied("switch-off", status)),
        (4, "Heat without flight drives water out of the oil onto cold metal."),
        (1, f"Switch off at the socket, or {_call(about)}; then {_answer(about, 'It is off')}."),
        (1, f"Until it is off I ask again, next at {_next_asking('switch-off', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if no word comes, count it as on.")
    subjects: tuple[str, ...] = ("switch the heater off",)
    if passed and start is not None:
        subjects = (f"start {_moment(status, start.planned_at)} passed, heater still on", *subjects)
    elif since:
        subjects = (f"switch the heater off, ready{since}", *subjects)
    return subjects, [p for p in parts if p[1]]


def _asked_before(about: About) -> str:
    """How often it was asked in vain, for whoever hears of it now."""
    times = {1: "once", 2: "twice"}.get(about.asked, f"{_count(about.asked)} times")
    return f"Asked {times} before, no answer yet." if about.asked else ""


def _denied(kind: str, status: Status) -> str:
    """That somebody said off and the curve goes on warming."""
    at = next((a.denied_at for a in status.alerts if a.kind == kind), None)
    return f'"It is off" was said at {_moment(status, at)}, but it still warms.' if at else ""


def _call(about: About) -> str:
    return f"call {about.call}" if about.call else "through the person at the field"


def _answer(about: About, words: str) -> str:
    if about.link:
        return f'open the link and press "{words}"'
    return f'answer "{words}" on the page'


def _stopped(status: Status, unit: Unit, about: About) -> Letter:
    since = f" since {_moment(status, status.heater.since)}" if status.heater.since else ""
    drawn = " and the socket draws no power" if status.heater.known_by == "measured" else ""
    target = temperature(status.target_c, unit, (status.target_c,), spoken=True)
    parts = [
        (1, f"Nothing has warmed{since}{drawn}."),
        (1, coldest(status, unit, spoken=True)),
        (2, f"Not ready, target {target}."),
        (1, f"Have someone look at plug and cable{f': call {about.call}' if about.call else ''}."),
        (2, "A breaker that trips again stays off until an electrician has looked."),
        (3, _start_words(status)),
        (4, f"{_capital(_answer(about, 'Seen'))} once you know."),
        (1, f"This holds until I write again: next word when above target; {_COLD}"),
    ]
    return (f"heat has stopped, {_value(status, unit)}",), [p for p in parts if p[1]]


def _too_hot(status: Status, unit: Unit, about: About) -> Letter:
    limit = temperature(status.too_hot_c, unit, spoken=True)
    hot = _hottest(status, unit, spoken=True)
    parts = [
        (1, f"{_capital(hot)}; the limit is {limit}."),
        (2, _asked_before(about)),
        (2, _denied("too-hot", status)),
        (1, f"Switch the heater off, at the socket or {_call(about)}."),
        (2, "Whoever goes near has an extinguisher at hand."),
        (1, f"Then {_answer(about, 'It is off')}."),
        (1, f"Until it cools I ask again, next at {_next_asking('too-hot', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if no word comes, count it as too hot.")
    return ("too hot, switch the heater off",), [p for p in parts if p[1]]


def _attended(status: Status, unit: Unit, about: About) -> Letter:
    """Whether somebody is with a combustion heater that burns."""
    since = f" since {_moment(status, status.heater.since)}" if status.heater.since else ""
    parts = [
        (1, f"The combustion heater burns{since}; for ten minutes nobody has said they are with it."),
        (1, f"Coldest point {_value(status, unit)}."),
        (2, _asked_before(about)),
        (2, "It is never left alone: fire, carbon monoxide."),
        (1, f"With it? Then {_answer(about, 'I am with it')}. Have it shut off otherwise: {_call(about)}."),
        (1, f"Until it is off I ask again, next at {_next_asking('attended', status)}; "),
    ]
    parts[-1] = (1, parts[-1][1] + "if no word comes, count it as burning alone.")
    return ("is somebody with the heater?",), [p for p in parts if p[1]]


def _missing(status: Status, unit: Unit, about: About) -> Letter:
    place = about.place
    places = (place,) if place else status.missing
    where = _few(places) or "a required place"
    found = next((p for p in status.probes if p.place == place), None)
    if found is None:
        why = "no value"
    else:
        why = fault_words(found.status) if found.c is None else "its values come and go"
    one = len(places) < 2
    which = "It is required" if one else "They are required"
    parts = [
        (1, f"{_capital(where)}: {why}."),
        (1, f"{which}, so I will not say above target or ready until {'it is' if one else 'they are'} back."),
        (1, f"Have the plug at the cowl looked at, or measure {'it' if one else 'them'} by hand."),
        (3, _others(status, unit)),
        (1, f"Next word when all required points are above target; {_COLD}"),
    ]
    number = "one place" if one else f"{len(places)} places"
    since = next((a.since for a in status.alerts if a.kind == "probe-missing" and _is_of(a, place)), None)
    lost = f"{where} not measured"
    full = (f"{lost} since {_moment(status, since)}",) if since is not None else ()
    return (*full, lost, f"{number} not measured"), [p for p in parts if p[1]]


def _is_of(a: AlertNow, place: str | None) -> bool:
    return place is None or a.place == place


def _others(status: Status, unit: Unit) -> str:
    """The coldest of the points that are measured, where there is one."""
    if status.coldest is None:
        return ""
    return f"Coldest of the others {_value(status, unit)} ({place_name(status.coldest)})."


def _unplugged(status: Status, unit: Unit, about: About) -> Letter:
    lost = (a.since for a in status.alerts if a.kind == "probe-missing")
    at = _moment(status, min(lost, default=status.now))
    parts = [
        (1, f"All required points were lost at once at {at}, as when the harness is unplugged."),
        (1, "Coldest point unknown."),
        (1, "Unplugged for the start: nothing to do. Otherwise have plug and board looked at."),
        (2, "Is the heater still on? Then switch it off." if status.heater.heating is not False else ""),
        (1, "Nothing is known until they are measured again: next word when above target; "),
    ]
    parts[-1] = (1, parts[-1][1] + _COLD)
    return (f"all points lost at {at}, unplugged?",), [p for p in parts if p[1]]


def _levelling(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, coldest(status, unit, spoken=True)),
        (1, _plateau(status, unit, spoken=True)),
        (1, "Have cover, plugs or heat added, or give up this start."),
        (3, "Switch the heater off if nobody flies."),
        (1, f"Next word only if above target: until then, and {_COLD}"),
    ]
    value = _value(status, unit)
    return (f"unlikely to reach the target, {value}", f"below target, {value}"), parts


def _changed(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, changed(status, spoken=True) or "The last heat-up was unlike those before it."),
        (1, coldest(status, unit, spoken=True)),
        (2, "Have heater, cord, cover and plugs looked at before the next cold morning."),
        (3, "If it was meant, nothing need be done: the forecast follows from heat-up to heat-up."),
        (1, f"This is said once and holds until the next heat-up. Next word then; {_COLD}"),
    ]
    return ("this setup heats unlike before",), parts


def _too_weak(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, "It warms clearly slower than this setup does at like cold."),
        (1, coldest(status, unit, spoken=True)),
        (1, "Have plug, cable, heater and cover looked at; until then it takes longer."),
        (4, "A long lead takes power too."),
        (1, f"Next word when above target, or if it won't get there; {_COLD}"),
    ]
    return ("warming slower than usual",), parts


def _one_cold(status: Status, unit: Unit, about: About) -> Letter:
    where = place_name(about.place) if about.place else "a cylinder"
    parts = [
        (1, f"{_capital(where)} stays behind its neighbors, unlike in earlier heat-ups."),
        (1, coldest(status, unit, spoken=True)),
        (1, "Have its band or pad and its probe looked at; until then it warms through its neighbors."),
        (1, f"Next word when above target; {_COLD}"),
    ]
    return (f"{where} stays cold", "one cylinder stays cold"), parts


_LETTERS: Mapping[str, Callable[[Status, Unit, About], Letter]] = {
    "morning-look": _look,
    "later": _later,
    "above-target": _above,
    "ready": _ready,
    "switch-off": _switch_off,
    "heater-stopped": _stopped,
    "too-hot": _too_hot,
    "attended": _attended,
    "probe-missing": _missing,
    "levelling-off": _levelling,
    "setup-changed": _changed,
    "too-weak": _too_weak,
    "one-cold": _one_cold,
    "evening": _evening,
    "plan-late": _evening,
    "switch-on": _switch_on,
    "holding": _holding,
    "cooling": _cooling,
    "unplugged": _unplugged,
    "board-back": _back,
    "test": _test,
}
KINDS = tuple(_LETTERS)
"""The kinds of messages there are."""
ANSWERABLE = frozenset(
    {
        "attended",
        "switch-off",
        "too-hot",
        "heater-stopped",
        "probe-missing",
        "levelling-off",
        "unplugged",
        "test",
        "too-weak",
        "one-cold",
    }
)
"""Those that can be answered, and so may end with a link."""


def _value(status: Status, unit: Unit) -> str:
    return temperature(status.coldest_c, unit, limits_of(status), spoken=True)


def _moment(status: Status, text: str) -> str:
    return moment(utc_seconds(text), status.zone, now_of(status))


def _next_asking(kind: str, status: Status) -> str:
    """When an alert for harm is asked again if nobody answers; a quarter of an hour where none is open."""
    asks_at = next((a.asks_at for a in status.alerts if a.kind == kind and a.asks_at), None)
    at = now_of(status) + ASK_AGAIN_AFTER_S[0] if asks_at is None else utc_seconds(asks_at)
    return moment(at, status.zone, now_of(status))


def _hottest(status: Status, unit: Unit, spoken: bool = False) -> str:
    engine = [p for p in status.probes if p.c is not None and p.place not in NEVER_COLDEST]
    if not engine:
        return "no engine point measured"
    hot = max(engine, key=lambda p: p.c if p.c is not None else -math.inf)
    return f"{place_name(hot.place)} at {temperature(hot.c, unit, (), spoken)}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _fit_subject(name: str, subjects: Sequence[str]) -> str:
    """The fullest subject that leaves room for the name, or for a fair beginning of it."""
    for subject in subjects:
        room = SUBJECT - len(subject) - 2
        if room >= min(len(name), 8):
            return f"{name[:room].rstrip()}: {subject}"
    return _capital(subjects[-1])[:SUBJECT]


def _fit_body(parts: Sequence[Part], room: int) -> str:
    """The sentences in a row; where they are too long, those that matter least go."""
    kept = list(parts)
    while len(text := " ".join(t for _, t in kept)) > room and (least := max(n for n, _ in kept)) > 1:
        kept.remove(next(p for p in reversed(kept) if p[0] == least))
    return text
