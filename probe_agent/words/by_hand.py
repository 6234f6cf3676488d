"""Readings by hand and their rounds: what was kept, what is asked of an odd one, what a round tells."""

from __future__ import annotations

from probe_agent.status import Status
from probe_agent.words.engine import announced, coldest, readiness, verdict
from probe_agent.words.parts import Unit, capital, in_unit, moment, place_list, place_name, temperature

KEPT_HERE = "kept here, not counted"
"""Of a reading that has not reached the board."""
PROPELLER = (
    "Propeller: through the inlets your arms are in its arc. Switches off, key out, mixture at cut-off, "
    "chocks; treat it as live."
)
INFRARED = (
    "Infrared: bare aluminum and polished steel show their surroundings. Use a matt dot or tape, the same "
    "spot, close up; count 3 °C (5 °F) either way, or worse."
)


def as_typed(c: float, unit: Unit) -> str:
    """A reading [°C] with tenths where it has any, as it was typed."""
    number = round(in_unit(c, unit), 1)
    return f"{number:g}".replace("-", "−") + f" °{unit}"


def hand_kept(place: str, c: float, unit: Unit = "C") -> str:
    """A reading was taken and counts."""
    return f"Kept: {place_name(place)} {as_typed(c, unit)}, by hand."


def hand_too_old(oldest_s: float) -> str:
    """A time that isn't within what counts."""
    return (
        f"A reading must have been taken within the last {round(oldest_s / 3600)} hours, and not in the "
        "future. Look at its time."
    )


def which_sign(c: float, other_c: float, unit: Unit, by: str) -> str:
    """What is asked where the other sign fits better: minus 5 or 5?"""
    number = f"{abs(round(in_unit(max(c, other_c), unit), 1)):g}"
    return f"Minus {number} or {number} °{unit}? {by}"


def is_it_right(place: str, c: float, unit: Unit, by: str) -> str:
    """What is asked of a reading that no metal can have come to."""
    return f"{as_typed(c, unit)} at {place_name(place)}? {by}"


def was_read(place: str, c: float, unit: Unit, at: float, zone: str, now_at: float) -> str:
    """The reading before it."""
    return f"{capital(place_name(place))} read {as_typed(c, unit)} at {moment(at, zone, now_at)}."


def is_expected(c: float, unit: Unit) -> str:
    """What the physics expects there."""
    return f"About {temperature(c, unit)} is expected now."


def round_tells(status: Status, unit: Unit = "C") -> tuple[str, ...]:
    """What readings by hand have come to: how it stands, and when it gets above target as a range, or what
    is missing for that."""
    told = announced(status, unit) or readiness(status, unit)
    if told is None and status.missing:
        told = f"When it gets above target: unknown, missing: {place_list(status.missing)}."
    elif told is None and status.unprobed and status.heater.heating is None:
        told = "When it gets above target: unknown, missing: a word on the heater, on or off."
    said = [verdict(status, unit), told]
    if not status.missing:
        said.insert(1, coldest(status, unit))
    return tuple(s for s in said if s)
