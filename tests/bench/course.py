"""What the forecast bench keeps of each heat-up: plain data, minutes since heater-on, °C."""

from __future__ import annotations

from dataclasses import dataclass

from tests.bench.heatups import Signal
from tests.bench.scoring import Instants

PROGRESS = (0.1, 0.25, 0.5, 0.75)


@dataclass(frozen=True, slots=True)
class Mark:
    """What was forecast at one progress of one heat-up; minutes since heater-on, °C."""

    progress: float
    truth: float
    instants: Instants
    p_reach: float
    line: float | None
    exponential: float | None
    core_c: tuple[float, float, float] | None
    core_true_c: float
    oracle: Instants | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """A forecast on the way; minutes since heater-on."""

    t: float
    heating: bool | None
    p_reach: float
    instants: Instants


@dataclass(frozen=True, slots=True)
class Shown:
    """What people saw until the crossing: changes of the announced text, how often one came back within
    15 min, rows in which a range was shown, and those of them in which it held the truth."""

    changes: int
    back_and_forth: int
    ranges: int
    held: int


@dataclass(frozen=True, slots=True)
class Cut:
    """A run cut short at a row: whether its last forecast is the whole run's, asked at the same rows, and
    if nobody asked on the way."""

    t: float
    same: bool
    same_unasked: bool


@dataclass(frozen=True, slots=True)
class Course:
    """One heat-up as the product saw it. A look-alike's minutes count from its first row. learned: heat-ups
    the memory knew; heating: each change of what was thought of the heater, row by row."""

    seed: int
    setup_number: int
    setup: str
    heat_up: int
    kind: str
    signal: Signal
    described: bool
    learned: int
    crossing: float | None
    end: float
    fails: float | None
    mends: float | None
    thermostat: bool
    alike: bool
    marks: tuple[Mark, ...]
    looks: tuple[Look, ...]
    heating: tuple[tuple[float, bool | None], ...]
    shown: Shown | None
    forecast_ms: tuple[float, ...]
    observe_ms: float
    cuts: tuple[Cut, ...] = ()
