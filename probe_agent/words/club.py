"""One aircraft in a line, for a club's page: under which heading it stands, what is said of it, how old."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from probe_agent.readings import State
from probe_agent.status import Status, utc_seconds
from probe_agent.words.alerts import alert
from probe_agent.words.engine import announced, next_action, readiness, verdict
from probe_agent.words.parts import Unit, day, moment, moment_of, now_of, outward, place_list, stamp

Heading = Literal[
    "harm", "trouble", "oil-out", "locked", "warming", "ready", "cooling", "cold", "warm", "silent"
]
HEADINGS: Mapping[Heading, str] = {
    "harm": "Harm: too hot, or a heater left on",
    "trouble": "Trouble",
    "oil-out": "Oil out",
    "locked": "Someone at the aircraft",
    "warming": "Warming",
    "ready": "Ready",
    "cooling": "Cooling",
    "cold": "Cold",
    "warm": "Above the preheat limit, no heat",
    "silent": "Lost, silent, or of unknown age",
}
"""In the order in which a club's page shows them."""

CLUB_CAUTION = (
    "Before anyone touches heater, cover or cowl: have it switched off and locked by who is paired with its "
    "board, and unplug it. Switches off, key out: the propeller counts as live."
)

Standing = Literal["fresh", "old", "unknown", "lost", "signed-off"]
"""How much a document still says: of now; too old; of an age nobody knows; its board lost, or stopped."""

_BY_STATE: Mapping[State, Heading] = {
    State.TOO_HOT: "harm",
    State.HEATER_STOPPED: "trouble",
    State.PROBE_MISSING: "trouble",
    State.LEVELLING_OFF: "trouble",
    State.ENGINE_RUNS: "trouble",
    State.OIL_OUT: "oil-out",
    State.HEATING: "warming",
    State.ABOVE_TARGET: "warming",
    State.READY: "ready",
    State.COOLING: "cooling",
    State.FLOWN_COOLING: "cooling",
    State.ENGINE_RAN: "cooling",
    State.COLD: "cold",
    State.OFF: "warm",
}


def club_heading(status: Status, standing: Standing) -> Heading:
    """Under which heading an aircraft stands. Harm stays harm however old; a board that fell silent while its
    heater was on is trouble."""
    found = _of_document(status)
    if standing == "fresh" or found == "harm":
        return found
    left_on = status.heater.heating is True or (status.plug is not None and status.plug.wanted is not None)
    return "trouble" if left_on else "silent"


def _of_document(status: Status) -> Heading:
    found = _BY_STATE[State(status.state)]
    if found == "harm" or any(a.harm for a in status.alerts):
        return "harm"
    if found == "trouble" or status.alerts or status.missing:
        return "trouble"
    if status.oil_out:
        return "oil-out"
    return "locked" if status.plug is not None and status.plug.locked is not None else found


def club_line(status: Status, unit: Unit, is_now: bool = True) -> str:
    """What is said of an aircraft in its line. is_now: it holds now, so that something can be done."""
    under = _of_document(status)
    if under in ("harm", "trouble"):
        return _what_is_wrong(status, unit)
    locked = _locked(status)
    if under == "locked":
        return locked
    said = ready_when(status, unit) if under in ("warming", "ready") else verdict(status, unit)
    due = (
        next_action(status)
        if under in ("cold", "cooling", "warm") and is_now and status.plan is not None
        else ""
    )
    return " ".join(s for s in (said, due, locked) if s)


def _what_is_wrong(status: Status, unit: Unit) -> str:
    """Alerts, harm first; the state where it is wrong itself."""
    told = [alert(a, status, unit) for a in sorted(status.alerts, key=lambda a: not a.harm)[:3]]
    more = len(status.alerts) - len(told)
    told += [f"{more} more."] if more > 0 else []
    if not told or _BY_STATE[State(status.state)] not in ("harm", "trouble"):
        told.append(verdict(status, unit))
    if status.missing and State(status.state) is not State.PROBE_MISSING and not status.alerts:
        told.insert(0, f"Not measured: {place_list(status.missing)}.")
    told += ["Oil out."] if status.oil_out and State(status.state) is not State.OIL_OUT else []
    return " ".join(s for s in (*told, _locked(status)) if s)


def _locked(status: Status) -> str:
    if status.plug is None or status.plug.locked is None:
        return ""
    return f"Someone at the aircraft since {moment_of(status, status.plug.locked)}: nothing switches on."


def ready_when(status: Status, unit: Unit) -> str:
    """When an engine that warms is above target and ready; how long it holds, where it is ready."""
    now_at, zone = now_of(status), status.zone
    sure = status.above_p10 and status.above_p50 and status.above_p90 and status.p_reach >= 0.9
    if State(status.state) is not State.HEATING or not sure or utc_seconds(status.above_p50 or "") < now_at:
        told = (verdict(status, unit), announced(status, unit), readiness(status, unit))
        return " ".join(s for s in told if s)
    ends = (utc_seconds(t or "") for t in (status.above_p10, status.above_p50, status.above_p90))
    low, mid, high = (moment(at or 0.0, zone, now_at) for at in outward(*ends))
    said = f"Above target about {mid}, 8 mornings in 10 from {low} to {high}"
    if status.ready_at is None:
        return f"{said}. When it is ready is open."
    return f"{said}; ready about {moment(round(utc_seconds(status.ready_at) / 300) * 300, zone, now_at)}."


def since_then(status: Status, standing: Standing, now_at: float | None) -> str:
    """Why what is said of an aircraft isn't of now; empty where it is. now_at: the run's instant now [UTC s];
    None where nobody knows it."""
    at = (
        f"{stamp(now_of(status), status.zone)}, {day(now_of(status), status.zone)}"
        if now_at is None
        else moment(now_of(status), status.zone, now_at)
    )
    return {
        "fresh": "",
        "old": f"Nothing heard since {at}.",
        "unknown": f"How old this is isn't known; the board wrote {at}.",
        "lost": f"Board lost; last heard {at}.",
        "signed-off": f"Board stopped; last heard {at}.",
    }[standing]
