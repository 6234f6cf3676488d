"""Facts and now → sentences. Messages and page both speak through this module, so they never differ.

Rules held here: ranges are rounded outward; a temperature is never rounded up across a limit; each
time is the field's, with the weekday when it isn't today; a chance counts mornings; what isn't
measured is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

from probe_agent.config import CYLINDER, OTHER
from probe_agent.readings import Fault, State
from probe_agent.status import AlertNow, ProbeNow, Status, utc_seconds

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
    """An instant [UTC s] on the field's clock: 08:40, Sat 08:40, or Sat 3 Jan 08:40."""
    local = datetime.fromtimestamp(at, ZoneInfo(zone))
    today = datetime.fromtimestamp(now_at, ZoneInfo(zone))
    if local.date() == today.date():
        return local.strftime("%H:%M")
    if abs((local.date() - today.date()).days) < 7:
        return local.strftime("%a %H:%M")
    return f"{local:%a} {local.day} {local:%b %H:%M}"


def stamp(at: float, zone: str) -> str:
    """An instant with its weekday, for the head of a message."""
    return datetime.fromtimestamp(at, ZoneInfo(zone)).strftime("%a %H:%M")


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
        return f"Not measured: {place_list(status.missing)}. Nothing says above target meanwhile."
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
        return f"Levelling off below the target of {target}."
    if state is State.HEATER_STOPPED:
        return "Heat has stopped."
    if state is State.COOLING:
        return "Cooling."
    if state is State.FLOWN_COOLING:
        return "Cooling after flight."
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
        text += f" of those measured; {place_list(status.missing)} not measured"
    return text + "."


def announced(status: Status) -> str | None:
    """The announced forecast with its range; None when there is nothing to announce."""
    now_at = now_of(status)
    if State(status.state) not in (State.HEATING, State.LEVELLING_OFF, State.HEATER_STOPPED):
        return None
    if status.above_p50 is None or status.above_p10 is None:
        return _plateau(status) if status.p_reach < 0.1 else "Time unknown as yet."
    late = None if status.above_p90 is None else utc_seconds(status.above_p90)
    low, mid, high = outward(utc_seconds(status.above_p10), utc_seconds(status.above_p50), late)
    about = moment(mid, status.zone, now_at)
    if mid < now_at:
        return f"Above target was expected about {about}."
    if high is None:
        if status.p_reach < 0.9:
            misses = max(1, round((1 - status.p_reach) * 10))
            return f"Above target about {about} if it gets there; {misses} in 10 that it doesn't."
        return f"Above target most likely about {about}; how much later is open."
    return (
        f"Above target most likely about {about}; 1 morning in 10 before "
        f"{moment(low, status.zone, now_at)}, 1 in 10 later than {moment(high, status.zone, now_at)}."
    )


def _plateau(status: Status, unit: Unit = "C") -> str:
    if status.plateau_c is None:
        return "Probably won't reach the target."
    low, mid, high = (temperature(c, unit, limits_of(status)) for c in status.plateau_c)
    target = temperature(status.target_c, unit, (status.target_c,))
    return f"Probably levels off near {mid}, between {low} and {high}; target {target}."


def core(status: Status, unit: Unit = "C", spoken: bool = False) -> str:
    """The unprobed core with its range."""
    if status.core_c is None:
        return "Core (crankshaft and bearings): unknown, not measured."
    low, mid, high = (temperature(c, unit, limits_of(status), spoken) for c in status.core_c)
    return f"Core (crankshaft and bearings) about {mid}, between {low} and {high}: estimated, not measured."


def readiness(status: Status, unit: Unit = "C") -> str | None:
    """When it will be ready, by which rule; or how long it holds; None when neither is the matter."""
    state, now_at = State(status.state), now_of(status)
    if state is State.READY:
        return _holds(status, now_at)
    if state is not State.ABOVE_TARGET:
        return None
    if status.ready_rule == "soak":
        if status.ready_at is None:
            return "Soak is over; the estimated core is still below the need-limit."
        return f"Soak until {moment(utc_seconds(status.ready_at), status.zone, now_at)}."
    if status.ready_at is None:
        need = temperature(status.need_c, unit, (status.need_c,))
        return f"Waits for the estimated core to pass {need}."
    return f"Estimated core above the need-limit about {moment(utc_seconds(status.ready_at), status.zone, now_at)}."


def _holds(status: Status, now_at: float) -> str | None:
    if status.above_until is None:
        return None
    low, _, _ = status.above_until
    if low is None:
        return None
    until = moment(math.floor(utc_seconds(low) / 300) * 300, status.zone, now_at)
    return f"Above target until about {until} with the cover on, if heat stays off."


def unmeasured(status: Status) -> str | None:
    """What this heater's far places would tell and nobody measures."""
    if not status.unmeasured_far:
        return None
    return (
        f"Above target can only be said where measured; {place_list(status.unmeasured_far)} not measured, "
        "and this heater warms those last."
    )


def next_action(status: Status) -> str:
    """The one thing to do next, for somebody who may be in bed."""
    state = State(status.state)
    if state is State.PROBE_MISSING:
        return "Have the plug at the cowl looked at, or measure by hand and enter it."
    if state is State.TOO_HOT:
        return "Switch the heater off, at the socket or through the person at the field."
    if state is State.READY and status.heater.heating is not False:
        return "Switch off and unplug heater, plugs, cover and probes before the start."
    if state is State.READY:
        return "Before the start: heater, plugs, cover, probes and streamer off the aircraft."
    if state is State.ABOVE_TARGET:
        return "Let it soak; leave heat and cover on."
    if state is State.HEATER_STOPPED:
        return "Have someone look at plug, cable and breaker. A breaker that trips again stays off."
    if state is State.LEVELLING_OFF:
        return "Add cover and plugs, or more heat; or plan a later start."
    if state is State.HEATING:
        return "Nothing to do until the next word."
    if state is State.COLD:
        return "Switch the heater on in time, if somebody flies."
    if state in (State.COOLING, State.FLOWN_COOLING):
        return "Start before it falls under the limit, or heat again."
    return "Nothing to do."


def probe_words(probe: ProbeNow, status: Status, unit: Unit = "C") -> str:
    """One place in a phrase: its value, or why there is none, and its trend."""
    if probe.c is None:
        return f"not measured: {fault_words(probe.status)}"
    text = temperature(probe.c, unit, limits_of(status) if probe.counts else ())
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


def alert(a: AlertNow, status: Status, unit: Unit = "C") -> str:
    """An alert as a sentence with its time."""
    since = moment(utc_seconds(a.since), status.zone, now_of(status))
    where = place_name(a.place) if a.place else ""
    text = {
        "switch-off": f"Ready, and heat is still on since the reminder at {since}. Switch it off.",
        "too-hot": f"Too hot since {since}: {where}. Switch the heater off.",
        "heater-stopped": f"Heat stopped at {since}. Look at plug, cable and breaker.",
        "probe-missing": f"{where.capitalize()} not measured since {since}.",
        "levelling-off": f"Levelling off below the target since {since}.",
        "store": f"The record can't be written since {since}; readings are kept in memory.",
    }.get(a.kind, f"{a.kind.replace('-', ' ').capitalize()} since {since}.")
    if a.answered:
        text += f" Answered: {answer_words(a.answered)}."
    return text


def answer_words(answer: str) -> str:
    """The label of an answer to an alert."""
    return {"it-is-off": "It is off", "seen": "Seen"}.get(answer, answer.replace("-", " "))


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


# -- messages


def message(kind: str, status: Status, unit: Unit = "C", place: str | None = None) -> tuple[str, str]:
    """Subject (≤ 50 characters) and body (≤ 450) of a message about an event of that kind."""
    now_at = now_of(status)
    name, value = status.aircraft, temperature(status.coldest_c, unit, limits_of(status), spoken=True)
    head = f"{stamp(now_at, status.zone)}. "
    if kind == "above-target":
        return _fit(name, f"coldest point above target, {value}", head + _above_body(status, unit))
    if kind == "ready":
        return _fit(name, f"ready to start, {value}", head + _ready_body(status, unit))
    if kind == "switch-off":
        return _fit(name, "switch the heater off", head + _switch_off_body(status, unit))
    if kind == "heater-stopped":
        return _fit(name, f"heat has stopped, {value}", head + _stopped_body(status, unit))
    if kind == "too-hot":
        hot = _hottest(status, unit, spoken=True)
        body = f"{hot[0].upper()}{hot[1:]}; the limit is {temperature(status.too_hot_c, unit)}. Switch the heater off, "
        body += "at the socket or through the person at the field. Next word when it has cooled or in 15 min."
        return _fit(name, "too hot, switch the heater off", head + body)
    if kind == "probe-missing":
        where = place_name(place) if place else place_list(status.missing)
        why = next((fault_words(p.status) for p in status.probes if p.place == place), "no value")
        body = f"{where.capitalize()}: {why}. It is required, so I will not say above target or ready. "
        body += "Check the plug at the cowl, or measure it by hand and enter it. Next word when it is back."
        return _fit(name, f"{where} not measured", head + body)
    if kind == "levelling-off":
        body = (
            f"{coldest(status, unit, spoken=True)} {_plateau(status, unit)} More heat, cover or plugs would "
        )
        body += "help; else plan another start. Next word if that changes; if none comes, count on no."
        return _fit(name, f"won't reach the target, {value}", head + body.replace("−", "minus "))
    raise ValueError(f"no message of kind {kind}")


def _above_body(status: Status, unit: Unit) -> str:
    required = sum(p.required for p in status.probes)
    by_hand = [p.place for p in status.probes if p.required and p.status == "by-hand"]
    parts = [f"{coldest(status, unit, spoken=True)[:-1]}, all {required} required points measured."]
    if by_hand:
        parts.append(f"By hand: {place_list(by_hand)}.")
    parts.append("Places without a probe may be colder.")
    if (far := unmeasured(status)) is not None:
        parts.append(far)
    if (when := readiness(status, unit)) is not None:
        parts.append(when)
    parts.append("Next word when ready; if none comes, count the engine as not ready.")
    return " ".join(parts)


def _ready_body(status: Status, unit: Unit) -> str:
    parts = [
        coldest(status, unit, spoken=True),
        f"By rule: {_RULES[status.ready_rule]}.",
        core(status, unit, spoken=True),
    ]
    parts.append(
        "Switch off and unplug before opening the cowl; heater, plugs, cover, probes off before the start."
    )
    parts.append("Next word only if heat stays on or something changes.")
    return " ".join(parts)


def _switch_off_body(status: Status, unit: Unit) -> str:
    since = (
        f" since {moment(utc_seconds(status.state_since), status.zone, now_of(status))}"
        if status.state_since
        else ""
    )
    return (
        f"Ready{since} and still heated. {coldest(status, unit, spoken=True)} Heat without flight drives water "
        "out of the oil onto cold metal. Switch off at the socket, or call the person at the field; then answer "
        '"It is off" on the page. I ask again while it stays on.'
    )


def _stopped_body(status: Status, unit: Unit) -> str:
    since = (
        f" since {moment(utc_seconds(status.heater.since), status.zone, now_of(status))}"
        if status.heater.since
        else ""
    )
    target = temperature(status.target_c, unit, (status.target_c,), spoken=True)
    return (
        f"No heat{since}. {coldest(status, unit, spoken=True)} Not ready, target {target}. Have someone look at "
        "plug and cable. A breaker that trips again stays off until an electrician has looked. Next word if it "
        "warms again; if none comes, count the engine as cold."
    )


def _hottest(status: Status, unit: Unit, spoken: bool = False) -> str:
    engine = [
        p
        for p in status.probes
        if p.c is not None and p.place not in ("ambient", "cabin", "battery", "heater-outlet")
    ]
    if not engine:
        return "no engine point measured"
    hot = max(engine, key=lambda p: p.c if p.c is not None else -math.inf)
    return f"{place_name(hot.place)} {temperature(hot.c, unit, (), spoken)}"


def _fit(name: str, subject: str, body: str) -> tuple[str, str]:
    """Shorten the aircraft's name, never the fact, to keep the subject within 50 characters."""
    room = 50 - len(subject) - 2
    short = name if len(name) <= room else name[: max(room - 1, 1)].rstrip() + "…"
    return f"{short}: {subject}", body
