"""Heat-ups that are over, or not yet: what came of each, what its forecasts said, what it taught."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol
from zoneinfo import ZoneInfo

from probe_agent.words.parts import Unit, capital, count, heat_ups, outward, span, stamp, temperature

NOTE_LENGTH = 500
"""Letters of a note."""


class HeatupTold(Protocol):
    """One heat-up as the record has it. Instants in UTC seconds."""

    @property
    def on_at(self) -> float: ...

    @property
    def above_at(self) -> float | None: ...

    @property
    def off_at(self) -> float | None: ...

    @property
    def last_at(self) -> float: ...

    @property
    def is_open(self) -> bool: ...

    @property
    def end_reason(self) -> str: ...


class PreviewTold(Protocol):
    """What leaving a heat-up out, or counting it again, would change. Seconds."""

    @property
    def excluded(self) -> bool: ...

    @property
    def judged(self) -> int: ...

    @property
    def unsaid(self) -> int: ...

    @property
    def shift_s(self) -> float: ...

    @property
    def least_s(self) -> float: ...

    @property
    def most_s(self) -> float: ...

    @property
    def off_now_s(self) -> float: ...

    @property
    def off_then_s(self) -> float: ...

    @property
    def heat_ups_now(self) -> int: ...

    @property
    def heat_ups_then(self) -> int: ...


def heatup_day(on_at: float, zone: str) -> str:
    """When a heat-up began: Sat 16 Jan 2027, 05:20."""
    local = datetime.fromtimestamp(on_at, ZoneInfo(zone))
    return f"{local:%a} {local.day} {local:%b} {local:%Y}, {local:%H:%M}"


def short_day(on_at: float, zone: str) -> str:
    """The same where there is little room: 16 Jan."""
    local = datetime.fromtimestamp(on_at, ZoneInfo(zone))
    return f"{local.day} {local:%b}"


def came_of_heatup(h: HeatupTold, zone: str) -> str:
    """What came of a heat-up, as a clause: above target after 2 h 10 min."""
    until = f"; measured up to {stamp(h.last_at, zone)}" if h.is_open else ""
    if h.above_at is not None:
        return f"above target after {span(h.above_at - h.on_at)}{until}"
    if h.is_open:
        off = h.off_at is not None and f"heater off after {span(h.off_at - h.on_at)}"
        return f"{off or 'heating'}, not above target yet{until}"
    why = f": {h.end_reason}" if h.end_reason else ""
    return f"never above target, ended after {span(h.last_at - h.on_at)}{why}"


def began_at(air_c: float | None, coldest_c: float | None, unit: Unit) -> str:
    """How cold it was at heater-on: outside −11 °C, coldest point −9 °C."""
    air = "outside air not measured" if air_c is None else f"outside {temperature(air_c, unit)}"
    coldest = "unknown" if coldest_c is None else temperature(coldest_c, unit)
    return f"{air}, coldest point {coldest}"


def off_by(error_s: float) -> str:
    """How far a forecast lay from what came: 8 min late, 3 min early, on the minute."""
    minutes = round(error_s / 60)
    return "on the minute" if not minutes else f"{span(abs(error_s))} {'late' if minutes > 0 else 'early'}"


def said_range(low: float, mid: float, high: float | None) -> tuple[float, float, float | None]:
    """A range as it was shown: rounded outward."""
    return outward(low, mid, high)


def preview_sentences(p: PreviewTold) -> tuple[str, ...]:
    """What a preview says, a sentence each."""
    if p.heat_ups_now == p.heat_ups_then:
        return ("It taught nothing, so the forecasts stay as they are.",)
    rests = f"The range would rest on {heat_ups(p.heat_ups_then)} instead of {count(p.heat_ups_now)}."
    return (*_shift_sentences(p), rests, "What was measured, said and scored stays as it is.")


def _shift_sentences(p: PreviewTold) -> tuple[str, ...]:
    how = "Without it" if p.excluded else "With it"
    if p.judged == 0:
        return (f"{how}: no other heat-up tells by how much the forecasts would change.",)
    which = "the last one" if p.judged == 1 else f"the last {count(p.judged)}"
    told = f"{how} {which} would have been above target {_later(p.shift_s)}"
    told += "" if p.judged == 1 else f", from {_later(p.least_s)} to {_later(p.most_s)}"
    said = [f"{told}, by the forecast a quarter of the way."]
    off = f"That forecast was {_off(p.off_now_s)} off"
    said.append(
        f"{off}{' in half of them' if p.judged > 1 else ''}; it would have been {_off(p.off_then_s)}."
    )
    if p.unsaid:
        said.append(f"{capital(count(p.unsaid))} more can't be compared: no time was said there.")
    return tuple(said)


def _later(shift_s: float) -> str:
    minutes = round(shift_s / 60)
    return (
        "at the same minute" if not minutes else f"{abs(minutes)} min {'later' if minutes > 0 else 'earlier'}"
    )


def _off(s: float) -> str:
    return "less than 1 min" if s < 60 else f"{round(s / 60)} min"


def preview_progress(done: int, of: int) -> str:
    """Word of a preview that is being worked out."""
    how_far = f": {done} of {of} steps" if of else ""
    return f"What would change is being worked out{how_far}. Nothing is changed by it."
