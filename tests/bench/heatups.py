"""Heat-ups of the simulated engine for the forecast bench, with their truth.

A seed gives eight setups (engine, heater, cover, probes), each with a row of heat-ups on days of their
own, and look-alikes in which no heater works. Most heat-ups are ordinary; the others are interrupted,
end with a dead heater, level off near the target, lose a probe, start half-warm or meet another wind.
They are kept on disk, since they depend on the seed and on the simulated engine only.
"""

from __future__ import annotations

import functools
import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from probe_agent import engine_sim
from probe_agent.config import TARGET_C
from probe_agent.engine_sim import (
    Day,
    EngineDesign,
    Event,
    Flown,
    Hangar,
    Happening,
    HeaterKind,
    Layout,
    ProbeDesign,
    Profile,
    SetupDesign,
    SimulatedEngine,
    Thermostat,
)
from probe_agent.readings import Observation, Reading
from probe_agent.thermal.described import observation_of
from probe_agent.thermal.heating import HeaterMode
from probe_agent.thermal.prior import Prior, engine_prior

Signal = Literal["measured", "command", "none", "hand"]
Kind = Literal["ordinary", "wind", "half-warm", "interrupted", "dead", "plateau", "detached"]
Alike = Literal["sun", "hangar", "cover-off", "door", "flight"]

REST_S = 600.0
AFTER_S = 600.0
LONGEST_S = 36_000.0
"""A crossing later than this after heater-on is never."""
_SHOWN_S = 8 * 3600.0
_AFTER_FAILURE_S = 2.5 * 3600.0
_TRIES = 8
_SHORTEST_S = 600.0
USUAL_S = 6 * 3600.0

SETUPS: tuple[tuple[Layout, HeaterKind], ...] = (
    ("opposed-4", "pads-and-bands"),
    ("opposed-4", "fixed-pad"),
    ("opposed-4", "cowl-heater"),
    ("opposed-6", "ducted-air"),
    ("opposed-6", "pads-and-bands"),
    ("in-line-4", "fixed-pad"),
    ("radial-7", "combustion"),
    ("opposed-4", "ducted-air"),
)
SHARES: dict[Kind, float] = {
    "ordinary": 0.50,
    "wind": 0.07,
    "half-warm": 0.12,
    "interrupted": 0.12,
    "dead": 0.07,
    "plateau": 0.06,
    "detached": 0.06,
}
ALIKE: tuple[Alike, ...] = ("sun", "hangar", "cover-off", "door", "flight")
_THERMOSTAT_SHARE = 0.15
INFRARED_SD_C = 3.0
"""What the daemon counts for a reading with an infrared thermometer."""
_ROUND_SD_C = _ONE_READING_SD_C = 2.0  # infrared: an error of the round and one of the reading


@dataclass(frozen=True, slots=True)
class Recipe:
    """What a simulated engine is made of; `build` makes it anew."""

    design: EngineDesign
    setup: SetupDesign
    day: Day
    probes: tuple[ProbeDesign, ...]
    events: tuple[Event, ...] = ()
    flown_h: float | None = None
    seed: int = 0

    def build(self) -> SimulatedEngine:
        start: Literal["cold"] | Flown = "cold" if self.flown_h is None else Flown(self.flown_h)
        return SimulatedEngine(
            self.design, self.setup, self.day, self.probes, self.events, start=start, seed=self.seed
        )


@dataclass(frozen=True, slots=True)
class Row:
    """One row of probes and its truth: the core, the coldest required metal [°C], the commanded share."""

    seen: Observation
    core_c: float
    low_c: float
    command: float


@dataclass(frozen=True, slots=True)
class HeatUp:
    """One simulated heat-up. crossing_s: when the coldest required metal passes the target, None: not
    within LONGEST_S of heater-on. fails_s, mends_s: the heater stays switched on and gives nothing
    meanwhile. heated: intervals in which it truly heats. Instants in run seconds."""

    setup: str
    number: int
    kind: str
    rows: tuple[Row, ...]
    hand: tuple[Row, ...]
    recipe: Recipe
    on_s: float | None
    crossing_s: float | None
    heated: tuple[tuple[float, float], ...]
    fails_s: float | None = None
    mends_s: float | None = None
    detached: tuple[str, float] | None = None

    def seen(self, signal: Signal) -> tuple[Row, ...]:
        """The rows as they are told with this kind of heater signal, or read by hand."""
        if signal == "hand":
            return self.hand
        if signal == "measured":
            return self.rows
        return tuple(
            replace(row, seen=replace(row.seen, heater=row.command if signal == "command" else None))
            for row in self.rows
        )


@dataclass(frozen=True, slots=True)
class Setup:
    """One aircraft with one heater and cover, its description as settings would give it, its probes."""

    name: str
    seed: int
    number: int
    design: EngineDesign
    setup: SetupDesign
    probes: tuple[ProbeDesign, ...]
    required: tuple[str, ...]
    places: tuple[str, ...]
    prior: Prior


def heater_mode(signal: Signal) -> HeaterMode:
    """What the physics is told of the heater column; by hand the person also reads the power."""
    return "measured" if signal == "hand" else signal


# -- drawing


def draw_setup(seed: int, number: int) -> Setup:
    """Setup `number` of a seed: one of SETUPS on an engine of its own."""
    layout, heater = SETUPS[number % len(SETUPS)]
    rng = np.random.default_rng([seed, number])
    design = EngineDesign.draw(layout, rng)
    setup = SetupDesign.draw(heater, rng)
    cylinders = tuple(f"cyl-{i + 1}" for i in range(min(4, design.cylinders)))
    pad = heater in ("fixed-pad", "pads-and-bands") and layout != "radial-7"
    near = ("sump",) if pad else ()
    wanted = (*cylinders, "case-top", "case-nose", "oil-tank" if layout == "radial-7" else "sump")
    required = tuple(p for p in wanted if p not in near)
    probes = [ProbeDesign.draw(p, rng) for p in required]
    probes += [ProbeDesign.draw(p, rng, near_heat=True) for p in near]
    if number % 2 == 0:
        probes.append(ProbeDesign.draw("ambient", rng))
    if rng.random() < _THERMOSTAT_SHARE:
        setup = replace(setup, thermostat=_thermostat(heater, rng))
    places = (*required, *near)
    known = {"opposed-4": "opposed-4", "opposed-6": "opposed-6", "in-line-4": "in-line", "radial-7": "radial"}
    prior = engine_prior(
        known[layout],
        "air",
        heater,
        round(setup.watts, -1),
        setup.cover,
        setup.plugs,
        setup.hangar,
        places,
        near,
    )
    name = f"{layout} {heater}" + (" thermostat" if setup.thermostat else "")
    return Setup(name, seed, number, design, setup, tuple(probes), required, places, prior)


def _thermostat(heater: HeaterKind, rng: np.random.Generator) -> Thermostat:
    """A thermostat that cycles during the heat-up: in the pad, or in the air it blows or warms."""
    if heater in ("fixed-pad", "pads-and-bands"):
        off_c = float(rng.uniform(35, 50))
        return Thermostat("pad", off_c, off_c - float(rng.uniform(5, 12)))
    off_c = float(rng.uniform(25, 40))
    return Thermostat("air-upper", off_c, off_c - float(rng.uniform(4, 10)))


def draw_heat_up(setup: Setup, number: int, every_s: float = 15.0, only: Kind | None = None) -> HeatUp:
    """Heat-up `number` of a setup, a row every every_s [s]; only: of this kind, else drawn by SHARES."""
    rng = np.random.default_rng([setup.seed, setup.number, number])
    drawn: Kind = tuple(SHARES)[int(rng.choice(len(SHARES), p=list(SHARES.values())))]
    kind = drawn if only is None else only
    plain, on_s, nominal_s = _workable_day(setup, kind, rng)
    span_s = (LONGEST_S if nominal_s is None else nominal_s) if kind != "plateau" else _SHOWN_S

    def moment(low: float, high: float) -> float:
        return on_s + span_s * float(rng.uniform(low, high))

    more: tuple[Event, ...] = ()
    fails_s = mends_s = None
    detached: tuple[str, float] | None = None
    if kind == "interrupted":
        fails_s = moment(0.1, 0.9)
        mends_s = fails_s + float(rng.uniform(240, 1200))
        more = (Event(fails_s, Happening.HEATER_FAILS), Event(mends_s, Happening.HEATER_MENDS))
    elif kind == "dead":
        fails_s = moment(0.05, 0.9)
        more = (Event(fails_s, Happening.HEATER_FAILS),)
    elif kind == "detached":
        detached = str(rng.choice(setup.places)), moment(0.1, 0.8)
        more = (Event(detached[1], Happening.PROBE_DETACHED, detached[0]),)
    elif kind == "wind":
        factor = float(rng.choice([rng.uniform(0.1, 0.4), rng.uniform(2.0, 4.0)]))
        plain = replace(
            plain, day=replace(plain.day, wind_m_s=Change(plain.day.wind_m_s, moment(0.1, 0.8), factor))
        )
    events = tuple(sorted((*plain.events, *more), key=lambda event: event.t_s))
    recipe = replace(plain, events=events, seed=int(rng.integers(1 << 30)))
    rows, crossing_s, heated = run(recipe, setup.required, on_s - REST_S, on_s + LONGEST_S, on_s, every_s)
    if crossing_s is None:
        kind = "dead" if kind == "dead" else "plateau"
        end_s = on_s + _SHOWN_S if kind != "dead" or fails_s is None else fails_s + _AFTER_FAILURE_S
        rows = tuple(row for row in rows if row.seen.t_s <= end_s)
    hand = _read_by_hand(rows, on_s, recipe, setup.places, rng)
    return HeatUp(
        setup.name,
        number,
        kind,
        rows,
        hand,
        recipe,
        on_s,
        crossing_s,
        heated,
        fails_s,
        mends_s,
        detached,
    )


@dataclass(frozen=True, slots=True)
class Change:
    """A quantity times a factor, from at_s on [s], within ten minutes."""

    before: Callable[[float], float]
    at_s: float
    factor: float

    def __call__(self, t_s: float) -> float:
        done = min(1.0, max(0.0, (t_s - self.at_s) / 600.0))
        return float(self.before(t_s) * self.factor**done)


def _workable_day(setup: Setup, kind: Kind, rng: np.random.Generator) -> tuple[Recipe, float, float | None]:
    """A day with its start and switching, heater-on [s], and how long it takes if nothing happens [s].

    An owner's heater does its work on the usual day: days on which it doesn't within six hours are
    drawn anew, a few times; on a plateau's day it does hardly, or not.
    """
    for _ in range(_TRIES):
        day = Day.draw(rng)
        if kind == "plateau":
            return _levelling_day(setup, day, rng), REST_S, None
        recipe, on_s = _started(setup, day, kind, rng)
        nominal_s = _nominal_s(recipe, setup.required, on_s)
        if nominal_s is not None and nominal_s > _SHORTEST_S:
            return recipe, on_s, nominal_s
    recipe, on_s = _started(setup, day, "ordinary", rng)
    return recipe, on_s, _nominal_s(recipe, setup.required, on_s)


def _started(setup: Setup, day: Day, kind: Kind, rng: np.random.Generator) -> tuple[Recipe, float]:
    recipe = Recipe(setup.design, setup.setup, day, setup.probes)
    on_s = REST_S
    if kind == "half-warm" and rng.random() < 0.5:
        recipe = replace(recipe, flown_h=float(rng.uniform(2, 6)))
    elif kind == "half-warm":
        heated_s, pause_s = float(rng.uniform(1200, 4800)), float(rng.uniform(4200, 14_400))
        on_s = heated_s + pause_s
        before = (Event(0.0, Happening.HEATER_ON), Event(heated_s, Happening.HEATER_OFF))
        recipe = replace(recipe, events=before)
    return replace(recipe, events=(*recipe.events, Event(on_s, Happening.HEATER_ON))), on_s


def _levelling_day(setup: Setup, day: Day, rng: np.random.Generator) -> Recipe:
    """Air so cold, and if need be a supply so weak, that the coldest place levels off near the target."""
    recipe, on_s = _started(setup, day, "plateau", rng)
    engine = recipe.build()
    engine.advance_to(on_s + LONGEST_S)
    rise_k = min(engine.place_c(p) for p in setup.required) - engine.truth()["ambient"]
    wanted_k = float(rng.uniform(-6.0, 2.0))
    air_c = float(np.clip(TARGET_C + wanted_k - rise_k, -33.0, -2.0))
    power = float(np.clip((TARGET_C + wanted_k - air_c) / max(rise_k, 1.0), 0.5, 1.0))
    shift_k, weak = air_c - day.ambient_c(on_s), power**0.5
    assert isinstance(day.ambient_c, Profile)
    assert isinstance(day.voltage, Profile)
    colder = Profile(day.ambient_c.t_s, tuple(v + shift_k for v in day.ambient_c.values))
    weaker = Profile(day.voltage.t_s, tuple(v * weak for v in day.voltage.values))
    return replace(recipe, day=replace(day, ambient_c=colder, voltage=weaker))


def _nominal_s(recipe: Recipe, required: Sequence[str], on_s: float) -> float | None:
    """How long after heater-on the metal crosses if nothing happens; None: not within the usual time."""
    engine = replace(recipe, probes=()).build()
    t_s = on_s
    while t_s <= on_s + USUAL_S:
        engine.advance_to(t_s)
        if min(engine.place_c(p) for p in required) >= TARGET_C:
            return t_s - on_s
        t_s += 60.0
    return None


def run(
    recipe: Recipe, required: Sequence[str], from_s: float, to_s: float, on_s: float | None, every_s: float
) -> tuple[tuple[Row, ...], float | None, tuple[tuple[float, float], ...]]:
    """Rows, the crossing after heater-on, and the intervals in which the heater heats."""
    engine = recipe.build()
    engine.advance_to(from_s)
    rows: list[Row] = []
    heated: list[tuple[float, float]] = []
    crossing_s: float | None = None
    t_s = from_s
    while t_s <= to_s and (crossing_s is None or t_s <= crossing_s + AFTER_S):
        scan = engine.read(t_s)
        values = {s.address: s.value_c for s in scan.samples if isinstance(s, Reading)}
        air_c = values.pop("ambient", None)
        low_c = min(engine.place_c(p) for p in required)
        share = scan.heater or 0.0
        command = 1.0 if engine.heater_on else 0.0
        if share > 0.01:
            joins = bool(heated) and rows[-1].seen.t_s < heated[-1][1]
            heated[-1:] = [(heated[-1][0], t_s + every_s)] if joins else [*heated[-1:], (t_s, t_s + every_s)]
        if crossing_s is None and on_s is not None and t_s > on_s and low_c >= TARGET_C:
            before = rows[-1]
            gap = (TARGET_C - before.low_c) / (low_c - before.low_c) if low_c > before.low_c else 1.0
            crossing_s = before.seen.t_s + float(np.clip(gap, 0.0, 1.0)) * (t_s - before.seen.t_s)
        rows.append(Row(observation_of(t_s, values, air_c, scan.heater), engine.core_c(), low_c, command))
        t_s += every_s
    return tuple(rows), crossing_s, tuple(heated)


def followed(
    recipe: Recipe, required: Sequence[str], from_s: float, to_s: float, every_s: float
) -> tuple[Row, ...]:
    """Rows through all of a span, whatever is reached in it."""
    return run(recipe, required, from_s, to_s, None, every_s)[0]


def _read_by_hand(
    rows: Sequence[Row], on_s: float, recipe: Recipe, places: Sequence[str], rng: np.random.Generator
) -> tuple[Row, ...]:
    """Rounds with an infrared thermometer: at heater-on, then 20 to 50 min apart, with an error common
    to the round and one of each reading. Of the metal, not of the probes."""
    engine = recipe.build()
    times = [rows[0].seen.t_s + float(rng.uniform(0, 300)), on_s + 1.0]
    while times[-1] < rows[-1].seen.t_s:
        times.append(times[-1] + float(rng.uniform(1200, 3000)))
    read: list[Row] = []
    for t_s in times[:-1]:
        nearest = min(rows, key=lambda row: abs(row.seen.t_s - t_s))
        engine.advance_to(t_s)
        common = _ROUND_SD_C * float(rng.standard_normal())
        values = {
            p: round(engine.place_c(p) + common + _ONE_READING_SD_C * float(rng.standard_normal()), 1)
            for p in places
        }
        sigma = dict.fromkeys(places, INFRARED_SD_C)
        seen = observation_of(t_s, values, None, engine.heater_share(), sigma)
        read.append(replace(nearest, seen=seen))
    return tuple(read)


# -- what looks like a heater and isn't


def draw_look_alike(setup: Setup, what: Alike, every_s: float = 15.0) -> HeatUp:
    """Hours in which something else warms or cools the engine; the heater is off throughout."""
    rng = np.random.default_rng([setup.seed, setup.number, 1000 + ALIKE.index(what)])
    day = Day.draw(rng)
    at_s = float(rng.uniform(1200, 3600))
    design = replace(setup.setup, hangar="outside")
    events: tuple[Event, ...] = ()
    flown_h: float | None = None
    if what == "sun":
        watts = float(rng.uniform(150, 500))
        rises = (at_s, at_s + 1800.0, at_s + 5400.0, at_s + 7200.0)
        day = replace(day, sun_w=Profile(rises, (0.0, watts, watts, 0.0)))
    elif what == "hangar":
        events = (Event(at_s, Happening.TO_HEATED),)
    elif what == "cover-off":
        flown_h = float(rng.uniform(3, 8))
        design = replace(design, cover=True)
        events = (Event(at_s, Happening.COVER_OFF), Event(at_s + 5400.0, Happening.COVER_ON))
    elif what == "door":
        inside: Hangar = "heated"
        design = replace(design, hangar=inside)
        events = (Event(at_s, Happening.DOOR_OPEN), Event(at_s + 3600.0, Happening.DOOR_SHUT))
    else:
        flown_h = float(rng.uniform(0.05, 1.5))
    recipe = Recipe(setup.design, design, day, setup.probes, events, flown_h, seed=int(rng.integers(1 << 30)))
    rows, _, heated = run(recipe, setup.required, 0.0, 4 * 3600.0, None, every_s)
    return HeatUp(setup.name, 0, what, rows, (), recipe, None, None, heated)


def look_alikes_of(setup: Setup) -> tuple[Alike, ...]:
    """Two of the kinds for each setup, so that a seed has each kind three times or more."""
    first = (2 * setup.number + setup.seed) % len(ALIKE)
    return ALIKE[first], ALIKE[(first + 1) % len(ALIKE)]


# -- kept on disk


def default_cache() -> Path:
    return Path(tempfile.gettempdir()) / f"forecast-bench-{os.getuid()}"


def source_hash(*more: str) -> str:
    """Of the simulated engine, of this file and of others whose text decides what is kept."""
    digest = hashlib.sha256()
    for name in (engine_sim.__file__, __file__, *more):
        digest.update(Path(name).read_bytes())
    return digest.hexdigest()[:12]


def kept(cache: Path, name: str, make: Callable[[], object]) -> object:
    """What a file of the cache holds; made and written where there is none yet."""
    file = cache / name
    if file.exists():
        return pickle.loads(file.read_bytes())
    made = make()
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(f"{file.name}.{os.getpid()}")
    part.write_bytes(pickle.dumps(made, protocol=5))
    part.replace(file)
    return made


def heat_up(setup: Setup, number: int, cache: Path, every_s: float = 15.0) -> HeatUp:
    """draw_heat_up, kept on disk."""
    name = f"{_hash()}/{setup.seed}-{setup.number}-{number}-{every_s:g}.pickle"
    found = kept(cache, name, lambda: draw_heat_up(setup, number, every_s))
    assert isinstance(found, HeatUp)
    return found


def look_alike(setup: Setup, what: Alike, cache: Path, every_s: float = 15.0) -> HeatUp:
    """draw_look_alike, kept on disk."""
    name = f"{_hash()}/{setup.seed}-{setup.number}-{what}-{every_s:g}.pickle"
    found = kept(cache, name, lambda: draw_look_alike(setup, what, every_s))
    assert isinstance(found, HeatUp)
    return found


@functools.cache
def _hash() -> str:
    return source_hash()
