"""The named signs on simulated heat-ups: how soon each is seen, and how often it is said falsely.

    python -m tests.bench.signs --seeds 1 2 3          312 undisturbed, 336 disturbed heat-ups
    python -m tests.bench.signs --seeds 201 202 203 --jobs 2

Nobody tells of the heater, but on plateaus: all comes from the curve, through the daemon's own estimator
and supervisor, a row every 15 s (--every), to ten minutes above target or for three hours. Of each of a
seed's eight setups thirteen undisturbed heat-ups (ordinary or half-warm; the first three teach the setup),
then fourteen with one disturbance each, six of them hours in which no heater works, or the engine itself
runs with the harness on. Forecasts are asked for every ten minutes, and when the heater is seen to change.

Delay: from what happened to the first row that says it; what happens in the last quarter of an hour of the
rows isn't asked for. False: said where it isn't so, counted once a heat-up, with a 95 % Clopper-Pearson
interval of the share. "Cools faster" is true too where the wind rose by a third.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import statistics
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import stats

from probe_agent import supervisor
from probe_agent.config import NEED_BELOW_C, TARGET_C, Settings
from probe_agent.engine_sim import Event, Happening, Profile, SetupDesign, SimulatedEngine
from probe_agent.readings import Fault, Forecast, Point, SignKind
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.heating import HeaterMode
from probe_agent.thermal.memory import Memory
from tests.bench import heatups
from tests.bench.heatups import HeatUp, Kind, Recipe, Row, Setup

UNDISTURBED = 13
TEACHING = 3
LOOK_S = 600.0
_FOLLOWED_S, _PLATEAU_S, _ALTERED_S = 3 * 3600.0, 4 * 3600.0, 5400.0
WEAK = 0.55
"""Share of the watts in a heat-up with a weak heater: one of two elements, say."""
APART_C, _APART_ROWS = 2.6, 3
_HOT, _HOT_COMBUSTION = 3.0, 1.5
_ENOUGH_S = 900.0
"""What happens later than that before the rows end can't be expected to be seen."""
_WIND_RISES, _WIND_WINDOW_S, _WIND_LATELY_S = 4 / 3, 1200.0, 3600.0
_PLATEAU_BELOW_C = (3.2, 8.0)
_ALIKE_SIGNS = {
    "sun": {SignKind.SUN, SignKind.WARMED_OTHERWISE},
    "hangar": {SignKind.WARM_AIR, SignKind.WARMED_OTHERWISE},
    "door": {SignKind.COLD_AIR, SignKind.COOLS_FASTER, SignKind.WARM_AIR, SignKind.WARMED_OTHERWISE},
    "cover-off": {SignKind.COVER_OFF, SignKind.COOLS_FASTER},
    "flight": {SignKind.FLOWN},
    "engine-run": {SignKind.ENGINE_RUNS, SignKind.ENGINE_RAN, SignKind.FLOWN},
}
_ALIKE_MAIN = {
    "sun": (SignKind.SUN, SignKind.WARMED_OTHERWISE),
    "hangar": (SignKind.WARM_AIR, SignKind.WARMED_OTHERWISE),
    "door": (SignKind.COLD_AIR, SignKind.COOLS_FASTER),
    "cover-off": (SignKind.COVER_OFF, SignKind.COOLS_FASTER),
    "flight": (SignKind.FLOWN,),
}
_UNTOLD = frozenset({SignKind.HEATER_ON, SignKind.WARMED_OTHERWISE})
"""Not false while a heater warms: the first is so, the second says that it isn't known."""


@dataclass(frozen=True, slots=True)
class Happened:
    """One thing that truly happened: what may be said of it, from when to when it is so [s], of which
    place, how it is called in the table."""

    name: str
    signs: tuple[SignKind, ...]
    from_s: float
    to_s: float = math.inf
    places: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Case:
    """A heat-up with what truly happens in it. allowed: signs that are not false anywhere in it."""

    kind: str
    heat_up: HeatUp
    happened: tuple[Happened, ...]
    allowed: frozenset[SignKind] = _UNTOLD
    disturbed: bool = True


@dataclass(frozen=True, slots=True)
class Said:
    """A sign as it was said: from which row to which, and since when it said it was so."""

    kind: SignKind
    place: str | None
    at_s: float
    since_s: float
    until_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a case. delays: of each thing that happened, None where it was never said; false: signs
    said falsely; never: when it was said that the target won't be reached, as a share of the time to 95 % of
    the rise, None where it wasn't said; levels_low: a plateau 3 °C below; untold: something warmed that
    was not known to be the heater."""

    setup: str
    kind: str
    disturbed: bool
    delays: tuple[tuple[str, float | None], ...]
    false: tuple[SignKind, ...]
    never: float | None = None
    levels_low: bool = False
    untold: bool = False


# -- cases


def cases(setup: Setup, every_s: float) -> Iterator[Case]:
    """The undisturbed heat-ups of a setup in their order, then one of each disturbance."""
    for number in range(UNDISTURBED):
        kind: Kind = "half-warm" if number % 5 == 4 else "ordinary"
        yield _undisturbed(heatups.draw_heat_up(setup, number, every_s, kind))
    kinds: tuple[Kind, ...] = ("interrupted", "dead", "detached", "wind")
    for number, kind in enumerate(kinds, UNDISTURBED):
        yield _disturbed(heatups.draw_heat_up(setup, number, every_s, kind))
    plain = heatups.draw_heat_up(setup, 40, every_s, "ordinary")
    yield _low_plateau(setup, plain)
    yield _engine_run(setup, plain)
    yield _too_weak(setup, plain)
    yield _unplugged(setup, plain)
    yield _one_cold(setup, plain) if setup.setup.heater == "pads-and-bands" else _too_hot(setup, plain)
    for what in heatups.ALIKE:
        yield _alike(heatups.draw_look_alike(setup, what, every_s))


def _on(heat_up: HeatUp) -> Happened:
    assert heat_up.on_s is not None
    small = ", small one in the cowl" if "cowl-heater" in heat_up.setup else ""
    return Happened(f"heater on{small}", (SignKind.HEATER_ON,), heat_up.on_s)


def _undisturbed(heat_up: HeatUp) -> Case:
    levels = heat_up.crossing_s is None
    return Case("plateau" if levels else heat_up.kind, heat_up, (_on(heat_up),), disturbed=levels)


def _disturbed(heat_up: HeatUp) -> Case:
    happened = [_on(heat_up)]
    if heat_up.fails_s is not None:
        ends_s = math.inf if heat_up.mends_s is None else heat_up.mends_s
        happened.append(Happened("heater stopped", (SignKind.HEATER_STOPPED,), heat_up.fails_s, ends_s))
    if heat_up.mends_s is not None:
        happened.append(Happened("heater resumed", (SignKind.HEATER_RESUMED,), heat_up.mends_s))
    if heat_up.detached is not None:
        happened.append(_came_off(heat_up, *heat_up.detached))
    return Case(heat_up.kind, heat_up, tuple(happened))


def _came_off(heat_up: HeatUp, place: str, at_s: float) -> Happened:
    """A place that comes off its metal can be seen from when its probe reads APART_C beside it."""
    engine, apart = heat_up.recipe.build(), 0
    for row in heat_up.rows:
        engine.advance_to(row.seen.t_s)
        if row.seen.t_s <= at_s or place not in row.seen.values_c:
            continue
        apart = apart + 1 if abs(row.seen.values_c[place] - engine.place_c(place)) >= APART_C else 0
        if apart == _APART_ROWS:
            return Happened("place detached", (SignKind.DETACHED,), row.seen.t_s, places=(place,))
    name = f"place detached, in air within {APART_C} °C of it"
    return Happened(name, (SignKind.DETACHED,), at_s, places=(place,))


def _low_plateau(setup: Setup, plain: HeatUp) -> Case:
    """A heater that gets so little power on this morning that the coldest required place levels off 3 °C or
    more below the target; without a thermostat, which would make it another heater."""
    assert plain.on_s is not None
    rng = np.random.default_rng([setup.seed, setup.number, 78])
    below_c = float(rng.uniform(*_PLATEAU_BELOW_C))
    recipe, share = replace(plain.recipe, setup=replace(plain.recipe.setup, thermostat=None)), 1.0
    for _ in range(4):  # losses aren't quite in proportion
        recipe = replace(recipe, events=(Event(plain.on_s, Happening.HEATER_ON, value=share),))
        engine = replace(recipe, probes=()).build()
        engine.advance_to(plain.on_s + heatups.LONGEST_S)
        low_c, air_c = min(engine.place_c(p) for p in setup.required), engine.truth()["ambient"]
        share = min(1.0, share * (TARGET_C - below_c - air_c) / (low_c - air_c))
    rows = heatups.followed(
        recipe,
        setup.required,
        plain.on_s - heatups.REST_S,
        plain.on_s + heatups.LONGEST_S,
        _spacing_s(plain),
    )
    heated = ((plain.on_s, math.inf),)
    heat_up = replace(plain, kind="plateau", rows=rows, recipe=recipe, crossing_s=None, heated=heated)
    on = _on(heat_up)
    levels = Happened("levelling off", (SignKind.LEVELLING_OFF,), on.from_s)
    return Case("plateau", heat_up, (on, levels), _UNTOLD | {SignKind.TOO_WEAK})


def _engine_run(setup: Setup, plain: HeatUp) -> Case:
    """The engine is started with the harness left on, cold or some minutes after a heat-up."""
    assert plain.on_s is not None
    rng = np.random.default_rng([setup.seed, setup.number, 79])
    off_s = plain.on_s + float(rng.uniform(1800, 5400))
    starts_s = off_s + float(rng.uniform(300, 1500))
    run = (
        Event(starts_s, Happening.ENGINE_STARTS),
        Event(starts_s + float(rng.uniform(240, 1800)), Happening.ENGINE_STOPS),
    )
    heats = setup.seed % 2 == 0
    heat = (Event(plain.on_s, Happening.HEATER_ON), Event(off_s, Happening.HEATER_OFF)) if heats else ()
    recipe = replace(plain.recipe, events=(*heat, *run), flown_h=None)
    end_s = starts_s + 2.5 * 3600.0
    rows = heatups.followed(recipe, setup.required, plain.on_s - heatups.REST_S, end_s, _spacing_s(plain))
    heated = ((plain.on_s, off_s),) if heats else ()
    on_s = plain.on_s if heats else None
    heat_up = replace(
        plain, kind="engine-run", rows=rows, recipe=recipe, on_s=on_s, crossing_s=None, heated=heated
    )
    stopped = Happened("", (SignKind.HEATER_STOPPED,), off_s)
    runs = Happened("engine runs", (SignKind.ENGINE_RUNS,), starts_s)
    happened = (_on(heat_up), stopped, runs) if heats else (runs,)
    signs = frozenset(_ALIKE_SIGNS["engine-run"])
    return Case("engine-run", heat_up, happened, signs | _UNTOLD if heats else signs)


def _again(setup: Setup, heat_up: HeatUp, recipe: Recipe, kind: str, for_s: float) -> HeatUp:
    """The same morning with something changed, for so long after heater-on."""
    assert heat_up.on_s is not None
    rows, crossing_s, heated = heatups.run(
        recipe,
        setup.required,
        heat_up.on_s - heatups.REST_S,
        heat_up.on_s + for_s,
        heat_up.on_s,
        _spacing_s(heat_up),
    )
    return replace(
        heat_up, kind=kind, rows=rows, recipe=recipe, crossing_s=crossing_s, heated=heated, hand=()
    )


def _spacing_s(heat_up: HeatUp) -> float:
    return heat_up.rows[1].seen.t_s - heat_up.rows[0].seen.t_s


def _too_weak(setup: Setup, plain: HeatUp) -> Case:
    recipe = replace(plain.recipe, setup=_weaker(plain.recipe, WEAK))
    heat_up = _again(setup, plain, recipe, "too-weak", _ALTERED_S)
    on = _on(heat_up)
    return Case("too weak", heat_up, (on, Happened("too weak", (SignKind.TOO_WEAK,), on.from_s)))


def _weaker(recipe: Recipe, share: float) -> SetupDesign:
    return replace(recipe.setup, watts=recipe.setup.watts * share)


def _unplugged(setup: Setup, plain: HeatUp) -> Case:
    rng = np.random.default_rng([setup.seed, setup.number, 77])
    assert plain.on_s is not None
    at_s = plain.on_s + float(rng.uniform(1200, 3600))
    pulled = [Event(at_s, Happening.PROBE_OPEN, p.place) for p in setup.probes if p.place != "ambient"]
    events = tuple(sorted((*plain.recipe.events, *pulled), key=lambda e: e.t_s))
    recipe = replace(plain.recipe, events=events)
    begun_s = plain.on_s - heatups.REST_S
    rows = heatups.followed(recipe, setup.required, begun_s, plain.on_s + _ALTERED_S, _spacing_s(plain))
    heat_up = replace(plain, kind="unplugged", rows=rows, recipe=recipe)
    done = Happened("harness unplugged", (SignKind.UNPLUGGED,), at_s)
    return Case("unplugged", heat_up, (_on(heat_up), done))


def _one_cold(setup: Setup, plain: HeatUp) -> Case:
    """A band, or both of one side, without current from the start."""
    dead = (0,) if setup.seed % 2 else (0, 2)
    shares = tuple(0.0 if i in dead else s for i, s in enumerate(plain.recipe.setup.band_spread))
    rest = sum(shares) / sum(plain.recipe.setup.band_spread)
    was = plain.recipe.setup
    # What the dead bands don't take isn't given to the others.
    kept = was.pad_share + (1 - was.pad_share) * rest
    weaker = replace(was, band_spread=shares, watts=was.watts * kept, pad_share=was.pad_share / kept)
    heat_up = _again(setup, plain, replace(plain.recipe, setup=weaker), "one-cold", _ALTERED_S)
    on, places = _on(heat_up), tuple(f"cyl-{i + 1}" for i in dead)
    cold = Happened("side or band cold", (SignKind.ONE_COLD,), on.from_s, places=places)
    return Case("one cold", heat_up, (on, cold), _UNTOLD | {SignKind.TOO_WEAK})


def _too_hot(setup: Setup, plain: HeatUp) -> Case:
    """A heater far too strong, left on: followed until an hour after the first metal is too hot."""
    assert plain.on_s is not None
    limit_c = supervisor.rules_of(Settings()).too_hot_c
    share = _HOT_COMBUSTION if plain.recipe.setup.heater == "combustion" else _HOT
    recipe = replace(plain.recipe, setup=replace(_weaker(plain.recipe, share), thermostat=None))
    engine, t_s = replace(recipe, probes=()).build(), plain.on_s
    while t_s < plain.on_s + _PLATEAU_S and max(_metal_c(engine, setup)) < limit_c:
        t_s += 15.0
        engine.advance_to(t_s)
    rows = heatups.followed(
        recipe, setup.required, plain.on_s - heatups.REST_S, t_s + 1800.0, _spacing_s(plain)
    )
    heat_up = replace(plain, kind="too-hot", rows=rows, recipe=recipe, heated=((plain.on_s, math.inf),))
    on = _on(heat_up)
    hot = (Happened("too hot", (SignKind.TOO_HOT,), t_s),) if max(_metal_c(engine, setup)) >= limit_c else ()
    return Case("too hot", heat_up, (on, *hot), _UNTOLD | {SignKind.TOO_HOT})


def _metal_c(engine: SimulatedEngine, setup: Setup) -> list[float]:
    return [engine.place_c(p) for p in setup.places]


def _alike(heat_up: HeatUp) -> Case:
    events = [e.t_s for e in heat_up.recipe.events]
    sun = heat_up.recipe.day.sun_w
    if heat_up.kind == "sun" and isinstance(sun, Profile):
        events = [sun.t_s[0]]
    at_s = events[0] if events else heat_up.rows[0].seen.t_s
    signs = _ALIKE_MAIN[heat_up.kind]
    name = {"sun": "sun", "hangar": "warm hangar", "door": "door opened", "cover-off": "cover off"}
    happened = Happened(name.get(heat_up.kind, "just landed"), signs, at_s)
    hot = heat_up.kind != "flight" or max(heat_up.rows[0].seen.values_c.values()) >= 45.0
    return Case(heat_up.kind, heat_up, (happened,) if hot else (), frozenset(_ALIKE_SIGNS[heat_up.kind]))


# -- following one


@dataclass(slots=True)
class _Watcher:
    """The daemon's path for one case: estimator and supervisor, row by row."""

    setup: Setup
    estimator: Estimator
    rules: supervisor.Rules
    watch: supervisor.Watch = field(default_factory=supervisor.Watch)
    forecast: Forecast = field(default_factory=lambda: Forecast(0.0))
    said: list[Said] = field(default_factory=list)
    _asked_s: float = -math.inf
    _heater: tuple[bool | None, float | None] = (None, None)

    def follow(self, rows: Iterable[Row]) -> None:
        for row in rows:
            self.estimator.observe(row.seen)
            glance = self.estimator.glance(self.forecast)
            heater = glance.heating, glance.heater_on_at
            if row.seen.t_s - self._asked_s >= LOOK_S or heater != self._heater:
                glance = self.estimator.forecast()
                self._asked_s, self._heater = row.seen.t_s, heater
            self.forecast = glance
            self._step(row)

    def _step(self, row: Row) -> None:
        points = supervisor.doubt(self._points(row), self.forecast)
        before = {(s.kind, s.place) for s in self.watch.signs}
        at_s = row.seen.t_s
        facts = supervisor.Facts(row.seen.t_s, points, self.forecast)
        self.watch = supervisor.step(self.watch, facts, self.rules).watch
        now = {(s.kind, s.place) for s in self.watch.signs}
        ended = before - now
        self.said = [
            replace(s, until_s=at_s) if math.isinf(s.until_s) and (s.kind, s.place) in ended else s
            for s in self.said
        ]
        self.said += [
            Said(s.kind, s.place, at_s, s.since_s)
            for s in self.watch.signs
            if (s.kind, s.place) not in before
        ]

    def _points(self, row: Row) -> tuple[Point, ...]:
        values, needed = row.seen.values_c, self.setup.required
        status = {p: "ok" if p in values else Fault.OPEN.value for p in self.setup.places}
        return tuple(
            Point(p, status[p], values.get(p), 0.0, None, p in needed, p not in needed)
            for p in self.setup.places
        )


def judge_setup(setup: Setup, every_s: float = 15.0, less: frozenset[int] = frozenset()) -> list[Outcome]:
    """Each case of a setup but those numbers; the first ones teach."""
    memory: Memory | None = None
    out = []
    for number, case in enumerate(cases(setup, every_s)):
        if number in less:
            continue
        # Whether it levels off is the forecast's to tell, where the heater's signal is known.
        signal: HeaterMode = "measured" if case.kind == "plateau" else "none"
        estimator = Estimator(
            setup.places, setup.required, TARGET_C, NEED_BELOW_C, setup.prior, memory, signal
        )
        rules = replace(supervisor.rules_of(Settings()), interval_s=every_s)
        watcher = _Watcher(setup, estimator, rules)
        watcher.follow(row for row in case.heat_up.seen(signal) if _is_followed(case, row))
        out.append(_outcome(setup, case, watcher.said))
        if number < TEACHING:
            memory = estimator.taught()
    return out


def _is_followed(case: Case, row: Row) -> bool:
    on_s = case.heat_up.on_s
    begun_s = case.heat_up.rows[0].seen.t_s if on_s is None else on_s
    return row.seen.t_s <= begun_s + (_PLATEAU_S if case.kind == "plateau" else _FOLLOWED_S)


def _outcome(setup: Setup, case: Case, said: Sequence[Said]) -> Outcome:
    heat_up = case.heat_up
    ends_s = [row.seen.t_s for row in heat_up.rows if _is_followed(case, row)][-1]
    asked = (h for h in case.happened if h.name not in ("", "levelling off"))
    asked = (h for h in asked if h.from_s <= ends_s - _ENOUGH_S)
    delays = tuple((h.name, _delay(h, said)) for h in asked)
    false = {s.kind for s in said if _is_false(case, s)}
    never, low = _never(case, said)
    untold = heat_up.on_s is not None and any(s.kind is SignKind.WARMED_OTHERWISE for s in said)
    return Outcome(setup.name, case.kind, case.disturbed, delays, tuple(sorted(false)), never, low, untold)


def _delay(happened: Happened, said: Sequence[Said]) -> float | None:
    """How long after it happened it was said [s], while it was so; None where it wasn't. What is too hot may
    have been read so before its metal was, what came off before it reads far beside it."""
    early = happened.signs in ((SignKind.TOO_HOT,), (SignKind.DETACHED,))
    found = [
        max(s.at_s, happened.from_s)
        for s in said
        if s.kind in happened.signs
        and (happened.from_s <= s.at_s or (early and happened.from_s < s.until_s))
        and s.at_s <= happened.to_s
        and (not happened.places or s.place in happened.places)
    ]
    return min(found) - happened.from_s if found else None


def _is_false(case: Case, said: Said) -> bool:
    heat_up = case.heat_up
    if said.kind is SignKind.HEATER_ON:
        return heat_up.on_s is None or said.at_s < heat_up.on_s
    if said.kind is SignKind.HEATER_STOPPED:
        return _heated_until(heat_up, said.at_s) >= 300.0
    if said.kind is SignKind.HEATER_RESUMED:
        return not any(a <= said.at_s <= b for a, b in heat_up.heated)
    if said.kind is SignKind.LEVELLING_OFF:
        return heat_up.crossing_s is not None
    if said.kind is SignKind.TOO_HOT:
        return case.kind == "engine-run" or (
            case.kind != "too hot" and max(_read_at(heat_up, said.at_s)) < 59.0
        )
    if said.kind in case.allowed:
        return False
    if said.kind is SignKind.DETACHED and heat_up.detached is not None:
        return said.place != heat_up.detached[0] or said.at_s < heat_up.detached[1]
    if said.kind in _ALIKE_SIGNS["cover-off"] and _wind_rose(case, said.at_s):
        return False
    mine = [h for h in case.happened if said.kind in h.signs]
    return not any(said.at_s >= h.from_s and (not h.places or said.place in h.places) for h in mine)


def _wind_rose(case: Case, at_s: float) -> bool:
    """Whether the true wind rose by a third from one twenty minutes to the next, in the last hour."""
    wind = case.heat_up.recipe.day.wind_m_s
    minutes = np.arange(-_WIND_LATELY_S - 2 * _WIND_WINDOW_S, 1.0, 60.0)
    blown = np.array([wind(at_s + m) for m in minutes])
    window = int(_WIND_WINDOW_S / 60)
    mean = np.convolve(blown, np.full(window, 1 / window), "valid")
    return bool(np.any(mean[window:] >= _WIND_RISES * mean[:-window]))


def _heated_until(heat_up: HeatUp, at_s: float) -> float:
    """For how long it has truly been heating at an instant, without a break [s]; 0 where it isn't, or was
    not in the last ten minutes (a thermostat's pause that is over when it is seen)."""
    now = next(((a, b) for a, b in heat_up.heated if a <= at_s < b), None)
    if now is None:
        return 0.0
    paused = [b for _, b in heat_up.heated if at_s - 900.0 < b < now[0]]
    return 0.0 if paused and at_s - now[0] < 900.0 else at_s - now[0]


def _read_at(heat_up: HeatUp, at_s: float) -> list[float]:
    row = min(heat_up.rows, key=lambda r: abs(r.seen.t_s - at_s))
    return list(row.seen.values_c.values()) or [-math.inf]


def _never(case: Case, said: Sequence[Said]) -> tuple[float | None, bool]:
    """Of a plateau at least 3 °C below the target: after which share of the time to 95 % of the rise it was
    said; and whether it is such a plateau."""
    heat_up = case.heat_up
    if case.kind != "plateau" or heat_up.on_s is None:
        return None, False
    t_s = np.array([r.seen.t_s for r in heat_up.rows])
    low_c = np.array([r.low_c for r in heat_up.rows])
    if low_c.max() > TARGET_C - 3.0:
        return None, False
    start_c = float(np.interp(heat_up.on_s, t_s, low_c))
    risen = low_c >= start_c + 0.95 * (low_c.max() - start_c)
    lasts_s = float(t_s[np.argmax(risen)]) - heat_up.on_s
    found = [s.at_s for s in said if s.kind is SignKind.LEVELLING_OFF]
    return ((min(found) - heat_up.on_s) / lasts_s if found else None), True


# -- tables


def interval(k: int, n: int) -> tuple[float, float]:
    """95 % Clopper-Pearson interval of a share k of n."""
    low = 0.0 if k == 0 else float(stats.beta.ppf(0.025, k, n - k + 1))
    high = 1.0 if k == n else float(stats.beta.ppf(0.975, k + 1, n - k))
    return low, high


def figures(outcomes: Sequence[Outcome]) -> dict[str, float]:
    """Plain figures to compare: share seen and median delay [min] of each thing, false ones a sign."""
    found: dict[str, float] = {}
    for name in dict.fromkeys(n for o in outcomes for n, _ in o.delays):
        delays = [d for o in outcomes for n, d in o.delays if n == name]
        seen = [d / 60 for d in delays if d is not None]
        found[f"{name}: seen"] = round(len(seen) / len(delays), 3)
        if seen:
            found[f"{name}: delay"] = round(statistics.median(seen), 2)
    for kind in SignKind:
        found[f"{kind.value}: false"] = sum(kind in o.false for o in outcomes)
    return found


def table(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """The lines of both tables."""
    yield f"{'what happened':20} {'seen':>9} {'median':>8} {'90 %':>8}   [min]"
    for name in dict.fromkeys(n for o in outcomes for n, _ in o.delays):
        delays = [d for o in outcomes for n, d in o.delays if n == name]
        # Never counts as later than all.
        sizes = sorted(math.inf if d is None else d / 60 for d in delays)
        seen = sum(d is not None for d in delays)
        yield f"{name:20} {seen:4d}/{len(delays):<4d} {_at(sizes, 0.5):>8} {_at(sizes, 0.9):>8}"
    low = sorted(math.inf if o.never is None else o.never for o in outcomes if o.levels_low)
    if low:
        after = _at(low, 0.5, 2)
        yield f"never, of {len(low)} plateaus 3 °C below: median after {after} of the time to 95 %"
    quiet, loud = ([o for o in outcomes if o.disturbed is d] for d in (False, True))
    untold = sum(o.untold for o in quiet)
    yield f"undisturbed {len(quiet)}, disturbed {len(loud)}; heater long unrecognised in {untold} undisturbed"
    yield f"{'falsely said':20} {'undisturbed':>24} {'disturbed':>24}"
    for kind in SignKind:
        yield f"{kind.value:20} {_share(quiet, kind):>24} {_share(loud, kind):>24}   {_kinds(loud, kind)}"


def _at(sizes: Sequence[float], share: float, digits: int = 1) -> str:
    size = sizes[min(len(sizes) - 1, math.ceil(share * len(sizes)) - 1)]
    return "never" if math.isinf(size) else f"{size:.{digits}f}"


def _share(outcomes: Sequence[Outcome], kind: SignKind) -> str:
    k, n = sum(kind in o.false for o in outcomes), len(outcomes)
    if n == 0:
        return "-"
    low, high = interval(k, n)
    return f"{k}/{n} ({100 * low:.1f} to {100 * high:.1f} %)"


def _kinds(outcomes: Sequence[Outcome], kind: SignKind) -> str:
    found = [o.kind for o in outcomes if kind in o.false]
    return ", ".join(f"{found.count(k)} {k}" for k in dict.fromkeys(found))


def _task(task: tuple[int, int, float]) -> list[Outcome]:
    seed, number, every_s = task
    return judge_setup(heatups.draw_setup(seed, number), every_s)


def judge(seeds: Sequence[int], setups: Sequence[int], jobs: int = 1, every_s: float = 15.0) -> list[Outcome]:
    """All outcomes of these seeds and setups."""
    tasks = [(seed, number, every_s) for seed in seeds for number in setups]
    began, outcomes = time.monotonic(), []
    os.environ.update(dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1"))
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        for done, found in enumerate(pool.imap_unordered(_task, tasks), 1):
            outcomes += found
            print(f"\r{done}/{len(tasks)} setups, {time.monotonic() - began:.0f} s", end="", file=sys.stderr)
    print(file=sys.stderr)
    return sorted(outcomes, key=lambda o: (o.setup, o.kind))


def main(arguments: Sequence[str]) -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--only", type=int, nargs="+", metavar="N", default=range(len(heatups.SETUPS)))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--every", type=float, default=15.0, help="seconds between rows")
    chosen = parser.parse_args(arguments)
    for line in table(judge(chosen.seeds, chosen.only, chosen.jobs, chosen.every)):
        print(line)


if __name__ == "__main__":
    main(sys.argv[1:])
