"""Readings by hand and their rounds: what was kept, what is asked of an odd one, what a round tells."""

from __future__ import annotations

import math

from probe_agent.status import Band, Status, TakeAlong, utc_seconds
from probe_agent.words.engine import announced, coldest, readiness, verdict
from probe_agent.words.parts import (
    Unit,
    capital,
    day,
    heat_ups,
    in_unit,
    moment,
    of_sister,
    place_list,
    place_name,
    span,
    stamp,
    temperature,
)

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
"""Common practice, no source."""


LONGEST_ON_S = 6 * 3600.0
"""So long ago the heater may be said to have come on: the hours since are seen anew with it."""


def on_since(at: float, zone: str, now_at: float) -> str:
    """The heater is on since an earlier time, as somebody said."""
    return f"Noted: the heater is on since {moment(at, zone, now_at)}."


def on_too_long_ago() -> str:
    """Refusal of a time that is none, is still to come or long past."""
    hours = f"{LONGEST_ON_S / 3600:g}"
    return f"Write when it came on, such as 05:10: a time at the field within the last {hours} hours."


def on_before_off(off_at: float, zone: str, now_at: float) -> str:
    """Refusal of a time before heat last ended."""
    return f"Heat last ended {moment(off_at, zone, now_at)}. Write a time after that."


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
        return (f"When it gets above target: unknown, missing: {place_list(status.missing)}.",)
    if told is None and status.unprobed and status.heater.heating is None:
        told = "When it gets above target: unknown, missing: a word on the heater, on or off."
    said = [verdict(status, unit), told]
    if not status.missing:
        said.insert(1, coldest(status, unit))
    return tuple(s for s in said if s)


# -- the table to take along

TABLE_AT_WORK = "The table is being worked out, a row at a time. Look at it in a minute."
NO_TABLE = "There is no table yet. Have it worked out first."
TABLE_USE = (
    "Measure the coldest place and the air outside. Take the row of the next colder start and the column of "
    "the next colder air: it then says rather too long than too short. It counts from heater on, for an "
    "engine evenly cold; one that has been heated already takes less."
)
TABLE_LIMIT = (
    "A table can't see the engine: wind, a cover that gapes or a weak heater make it longer. Measure again "
    "before the start; nothing is above target until every required place is."
)


def table_rests_on(table: TakeAlong, zone: str) -> str:
    """What a table is made from, and when."""
    made_at = utc_seconds(table.made)
    known = (
        f"Rests on {heat_ups(table.heat_ups)} of this setup."
        if table.heat_ups
        else f"Rests on {of_sister(table.sister, '')} and none of this setup: the ranges are wide on purpose."
        if table.sister
        else "No heat-up of this setup is known yet: the ranges are wide on purpose."
    )
    covered = "With cover and plugs as described on." if table.covered else "Without a cover."
    return f"{known} {covered} Worked out {stamp(made_at, zone)}, {day(made_at, zone)}."


def how_long(band: Band) -> tuple[str, str]:
    """How long heat takes most likely, and the range of 8 mornings in 10, rounded outward."""
    low, middle, high = band
    if low is None:
        return "won't get there", ""
    if middle is None:
        return "may not get there", f"from {_short(_down(low))}, open"
    if high is None:
        return f"about {_short(_near(middle))}", f"from {_short(_down(low))}, open"
    return f"about {_short(_near(middle))}", f"{_short(_down(low))} to {_short(_up(high))}"


def _short(s: float) -> str:
    """A span where there is little room: 1 h 15."""
    text = span(s)
    return text.removesuffix(" min") if " h " in text else text


def _step(s: float) -> float:
    return 300.0 if s < 7200 else 900.0


def _down(s: float) -> float:
    return math.floor(s / _step(s)) * _step(s)


def _up(s: float) -> float:
    return math.ceil(s / _step(s)) * _step(s)


def _near(s: float) -> float:
    return max(300.0, round(s / 300) * 300.0)


def table_letter(table: TakeAlong, aircraft: str, zone: str, unit: Unit = "C") -> tuple[str, str]:
    """The table as a message: subject and body, a line for each start so that it can be read aloud."""
    target = temperature(table.target_c, unit, (table.target_c,), spoken=True)
    lines = [f"{aircraft}: how long heat takes until the coldest point is at {target}.", TABLE_USE, ""]
    for start_c, row in zip(table.starts_c, table.rows, strict=True):
        lines.append(f"From {temperature(start_c, unit, spoken=True)}:")
        for air_c, band in zip(table.airs_c, row, strict=True):
            middle, spread = how_long(band)
            more = f" ({spread})" if spread else ""
            lines.append(f"  air {temperature(air_c, unit, spoken=True)}: {middle}{more}")
    lines += ["", TABLE_LIMIT, table_rests_on(table, zone)]
    return f"{aircraft[:24]}: table to take along", "\n".join(lines)
