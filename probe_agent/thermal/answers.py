"""Answers from sampled networks: how long warmth holds, how cold it gets, when heat must go on.

Everything is asked of each sample and only then of all of them: a width comes from samples, joint over the
required places, and what a sample never reaches is infinite, so that never counts as never.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from probe_agent.readings import Fan
from probe_agent.thermal.air import AirForecast, between, wandering
from probe_agent.thermal.network import HIDDEN, STAGES, Array, effective_air, transition
from probe_agent.thermal.passage import first_passage, quantiles

LONGEST_HEAT_S = 43_200.0
"""Heating longer than this counts as never."""
_WINDOWS_S = (14_400.0, LONGEST_HEAT_S)  # before cover and heater come off, in which heat may go on
_HOLD_CELLS = ((60.0, 60), (240.0, 90), (1200.0, 108), (3600.0, 5))
LONGEST_HOLD_S = sum(cell_s * cells for cell_s, cells in _HOLD_CELLS)
"""How far `holds` looks ahead [s]."""
_CELL_S = 450.0  # of heating
_REST_CELL_S = 1200.0
_MOST_CELLS = 144
_CLOSE_ENOUGH_S = 15.0
_MOST_TRIES = 14
_LOOKS = 25
_LANDINGS = 6  # instants a flight may end at, evenly
_LANDED_C = (90.0, 10.0, 8.0)
"""An engine just landed: level, its spread, spread of each place about it [°C]. 80 to 120 °C is what is found
at re-plugging (common practice, no source)."""
_LANDED_COWL_C = (35.0, 12.0)
_SKY_C = (-0.75, 1.0, 86_400.0)
"""Under the open sky an engine settles below its air: by so much on average, from night to night by so much
more or less [°C], and how long a sky lasts [s]. Frost on parked aircraft in air above freezing is the same
thing. Judgement, no source."""
_UNLEARNED_SD_C = 0.7
"""How well it is known below what an engine settles before it has shown anything [°C]."""
_STANDS_BARE = 0.5
"""How often an aircraft stands uncovered between two flights; judgement, no source."""
_DECILES = (0.1, 0.5, 0.9)

Band = tuple[float, float, float]
CoreFutures = Callable[[Array, Array, Array], Array]
"""Times (k,), places (b, k, n) [°C] and air between the times (b, k−1) [°C] to cores (b, k) [°C]."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """b weighted samples of one setup at one instant, for questions about what comes.

    t_s: now [run s]; a (b, m, m), z (b, m): networks and states as in `network.Network`, temperatures of
    the metal in °C less reference_c; weight (b,), sum 1; needed (r,): columns of the required places;
    target_c: what their minimum must reach; ambient_c (b,): effective ambient now less reference_c;
    usual_rise_c: rise at which the couplings hold, 0 for constant ones; level: the heater's share while on,
    for all or each sample (b,); uncovering (b,): factor on each mass's loss to the air when cover and plugs
    come off, as from `uncovering`; log_loss (b,): logarithm of the factor on the losses now, None for 0,
    which wanders about 0 with wander_sd and a memory of wander_s (wind, leaks); stopping (b,): factor on the
    losses while the heater is off against those while it is on, which a and log_loss tell of, None for 1;
    air_known: whether ambient_c rests on a measured air, or on the engine alone (see `settled`);
    above_since_s: since when the coldest has been above target without a break, if it is; core: the cores of
    sampled futures, None for the network's own; turn: how often it was moved on to a later instant; sky_sd_c:
    by how much what the engine settles at leaves the air in the end [°C], as the sky changes.
    """

    t_s: float
    a: Array
    z: Array
    weight: Array
    needed: NDArray[np.intp]
    target_c: float
    reference_c: float
    ambient_c: Array
    usual_rise_c: float
    level: Array | float
    uncovering: Array
    log_loss: Array | None = None
    wander_sd: float = 0.0
    wander_s: float = 3600.0
    stopping: Array | None = None
    air_known: bool = True
    above_since_s: float | None = None
    core: CoreFutures | None = None
    turn: int = 0
    sky_sd_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Exposure:
    """A limit as some manuals give it: air below below_c for lasts_s or longer, up to the start.

    past_s, past_c (k,): the aircraft's own air as measured before now, run seconds rising; what was before
    them counts as cold. now_c: as measured now, None where nobody measures it.
    """

    below_c: float
    lasts_s: float
    past_s: tuple[float, ...] = ()
    past_c: tuple[float, ...] = ()
    now_c: float | None = None


@dataclass(frozen=True, slots=True)
class Soaked:
    """A cold soak: the coldest required place until then, and there (10/50/90 %) [°C].

    chance_below: chance that the coldest is below the limit at the end; chance_exposed: that the air was too
    cold for too long by then, None where there is no such limit; chance_needed: that either holds.
    """

    fan: Fan
    coldest_c: Band
    chance_below: float
    chance_exposed: float | None = None
    chance_needed: float = 0.0


@dataclass(frozen=True, slots=True)
class ReadyRule:
    """What must hold at engine start.

    soak_s: time above target without a break when heater, cover and plugs come off; uncovered_s: from there
    to engine start, at which the coldest must still be above target; core_c: what the core must have reached
    when they come off, in core_share of the samples (0.5: its middle), None for no such rule.
    """

    soak_s: float = 1800.0
    uncovered_s: float = 1200.0
    core_c: float | None = None
    core_share: float = 0.5


@dataclass(frozen=True, slots=True)
class SwitchOn:
    """When heat must go on for an engine start at a wanted instant. Instants in run seconds.

    verdict: "heat" at at_s at the latest; "none" needed; "late": even from now on the start is not kept,
    start_s is the earliest one with this certainty, late_s what it is late by; "never": it does not get
    there within the longest heating, or not with this certainty. chance: that the wanted start is kept,
    switching on at at_s, or now where it is late, or never on where none is needed. above: 10/50/90 %
    instants of passing the target, heated from at_s, or from now where it is late or never; inf for never.
    """

    verdict: Literal["heat", "none", "late", "never"]
    chance: float
    at_s: float | None = None
    start_s: float | None = None
    late_s: float | None = None
    above: Band | None = None


def uncovering(
    normals: Array, wind_m_s: float | None = None, cover: bool = True, plugs: bool = True
) -> Array:
    """Factor on the loss to the air when cover and plugs come off, for each standard normal: (b,).

    cover, plugs: what is there to come off; without either nothing changes. A covered engine loses some half
    of what a bare one does in a light wind and hardly knows of the wind; bare, forced convection adds some
    35 % of the loss in still air times wind^0.7 [m/s] (of the size of flat-plate correlations, from memory).
    Wide, and wider in an unknown wind; common practice, no source.
    """
    if not cover and not plugs:
        return np.ones(len(normals))
    middle = (1.75 if cover else 1.0) * (1.15 if plugs else 1.0)
    light = 1 + 0.35 * 2.0**0.7
    blown = 1.0 if wind_m_s is None else (1 + 0.35 * wind_m_s**0.7) / light
    spread = 0.4 if wind_m_s is None else 0.3
    return np.asarray(np.maximum(middle * blown * np.exp(spread * normals), 1.0))


def holds(outlook: Outlook, cover_on: bool, air: AirForecast | None = None) -> Band:
    """Seconds from now until the coldest required place is below target, the heater off from now.

    10/50/90 %. cover_on: cover and plugs stay, else they come off now; air: None for air as it is.
    0 where it is below already, inf for longer than two days.
    """
    coming = _Coming.of(outlook, air, outlook.t_s + LONGEST_HOLD_S)
    a = outlook.a if cover_on else _bare(outlook)
    z, begin_s = outlook.z, 0.0
    passed = np.full(len(z), np.inf)
    for cell_s, cells in _HOLD_CELLS:
        ends = _borders(begin_s, cell_s, cells)
        states = coming.run(transition(a, cell_s), z, outlook.t_s + ends, np.zeros((1, cells)))
        falls = first_passage(ends, coming.coldest(states), outlook.target_c, upward=False)
        passed = np.minimum(passed, falls)
        if np.isfinite(passed).all():
            break
        z, begin_s = states[:, -1], float(ends[-1])
    return _band(passed, outlook.weight)


def warms_in(outlook: Outlook, air: AirForecast | None = None) -> Band:
    """Seconds from now until the coldest required place is at the target, heated from now on.

    10/50/90 %. air: None for air as it is. 0 where it is there already, inf for longer than heat may be on.
    """
    coming = _Coming.of(outlook, air, outlook.t_s + LONGEST_HEAT_S)
    t_s, states = coming.heated(outlook.t_s)
    return _band(first_passage(t_s, coming.coldest(states), outlook.target_c) - outlook.t_s, outlook.weight)


def begun_at(outlook: Outlook, warmer_c: float, air_warmer_c: float) -> Outlook:
    """The same engine on another day: all metal warmer by so much, the air by so much [°C], and nothing known
    of that day's wind."""
    z = outlook.z.copy()
    z[:, STAGES:-2] += warmer_c
    return replace(
        outlook, z=z, ambient_c=outlook.ambient_c + air_warmer_c, log_loss=None, above_since_s=None
    )


def covered(outlook: Outlook, cover: bool, plugs: bool) -> Outlook:
    """The same engine with a cover or plugs put on now that were not: its losses smaller by what
    `uncovering` says they grow when these come off, and as uncertain."""
    normals = np.random.default_rng(20_260_119).standard_normal(len(outlook.z))
    more = uncovering(normals, None, cover, plugs)
    return replace(outlook, a=_losing(outlook, 1 / more), uncovering=outlook.uncovering * more)


def settled(outlook: Outlook, air: AirForecast, outside: bool, is_change: bool = False) -> Outlook:
    """The samples with all brought together that tells at what the engine settles: its own curve, the coming
    air, and where it stands outside the sky. To be asked before the other questions.

    Where nobody measures the air, what the curve shows and what is told for now count by their variances
    (Matheron's rule, as in `air`); is_change: `air` tells no level.
    """
    mean_c, sd_c, _ = _SKY_C if outside else (0.0, 0.0, 1.0)
    ambient_c, weight = outlook.ambient_c, outlook.weight
    middle = float(weight @ ambient_c)
    variance = float(weight @ (ambient_c - middle) ** 2)
    if outlook.air_known or is_change:
        shift_c = mean_c * min(variance / _UNLEARNED_SD_C**2, 1.0) if outlook.air_known else 0.0
        return replace(outlook, ambient_c=ambient_c + shift_c, air_known=True, sky_sd_c=sd_c)
    sky_c = mean_c + sd_c * np.random.default_rng(20_260_122).standard_normal(len(ambient_c))
    told = air.at(np.array([outlook.t_s]))[:, 0] - outlook.reference_c + sky_c
    share = float(np.var(told)) / max(float(np.var(told)) + variance, 1e-12)
    return replace(outlook, ambient_c=told + share * (ambient_c - told), air_known=True, sky_sd_c=sd_c)


def unflown(outlook: Outlook, air: AirForecast, on_s: float | None, off_s: float, start_s: float) -> Outlook:
    """The samples at start_s, an engine start that then doesn't come about: heated from on_s (None: not)
    until off_s, from there without cover. What is past already is left out. Raises ValueError where start_s
    is not after now."""
    now = outlook.t_s
    if start_s <= now:
        raise ValueError("the earlier start must lie after now")
    coming = _Coming.of(outlook, air, start_s)
    off_s = min(max(off_s, now), start_s)
    begin_s = off_s if on_s is None else min(max(on_s, now), off_s)
    z = coming.rest(begin_s)[1][:, -1]
    z = coming.lived(outlook.a, z, begin_s, off_s, on=1.0)
    z = coming.lived(_bare(outlook), z, off_s, start_s)
    since_s = outlook.above_since_s
    if since_s is None and begin_s < off_s:
        since_s = off_s  # who is above target at start_s was so at off_s: nothing warms in between
    return coming.moved(z, start_s, since_s)


def flown(outlook: Outlook, air: AirForecast, first_s: float, last_s: float) -> Outlook:
    """The samples at last_s, after a flight that ended anywhere from first_s to last_s with a hot engine.
    Some stand uncovered from there on: their networks are bare. Raises ValueError where the instants don't
    rise."""
    if not outlook.t_s <= first_s <= last_s:
        raise ValueError("a flight ends after now, and first before last")
    coming = _Coming.of(outlook, air, last_s)
    rng = np.random.default_rng(20_260_120)
    count = len(outlook.z)
    landed = _landed(outlook, rng)
    stands_bare = rng.permutation(count) < _STANDS_BARE * count
    a = np.where(stands_bare[:, None, None], _bare(outlook), outlook.a)
    landing = rng.permutation(count) % _LANDINGS
    instants = np.linspace(first_s, last_s, _LANDINGS)
    z = outlook.z
    for k, at_s in enumerate(instants):
        z = np.where((landing == k)[:, None], landed, z)
        z = coming.lived(a, z, float(at_s), float(instants[min(k + 1, _LANDINGS - 1)]))
    uncovering = np.where(stands_bare, 1.0, outlook.uncovering)
    return replace(coming.moved(z, last_s, None), a=a, uncovering=uncovering)


def _landed(outlook: Outlook, rng: np.random.Generator) -> Array:
    """States of engines just landed: (b, m)."""
    z = outlook.z.copy()
    level_c, spread_c, apart_c = _LANDED_C
    metal = z[:, STAGES:-2]
    shared = level_c + spread_c * rng.standard_normal((len(z), 1))
    metal[:] = shared + apart_c * rng.standard_normal(metal.shape) - outlook.reference_c
    cowl_c, cowl_spread_c = _LANDED_COWL_C
    metal[:, -1] = cowl_c + cowl_spread_c * rng.standard_normal(len(z)) - outlook.reference_c
    z[:, :STAGES] = 0.0
    return z


def soaked(
    outlook: Outlook,
    air: AirForecast,
    until_s: float,
    limit_c: float,
    exposure: Exposure | None = None,
) -> Soaked:
    """The cold soak from now to until_s, the heater off from now, cover as it is.

    limit_c: heat is needed where the coldest is below it then; exposure: or where the air was too cold for
    too long. Raises ValueError where until_s is not after now.
    """
    if until_s <= outlook.t_s:
        raise ValueError("a cold soak ends after it begins")
    coming = _Coming.of(outlook, air, until_s)
    t_s, states = coming.rest(until_s)
    coldest = coming.coldest(states)
    shown = np.unique(np.linspace(0, len(t_s) - 1, 25).astype(int))
    bands = np.array([_band(coldest[:, k], outlook.weight) for k in shown])
    low, middle, high = (tuple(map(float, column)) for column in bands.T)
    below = coldest[:, -1] < limit_c
    exposed = np.zeros(len(below), bool) if exposure is None else _exposed(coming, exposure, until_s)
    return Soaked(
        Fan(tuple(map(float, t_s[shown])), low, middle, high),
        _band(coldest[:, -1], outlook.weight),
        _chance(below, outlook.weight),
        None if exposure is None else _chance(exposed, outlook.weight),
        _chance(below | exposed, outlook.weight),
    )


def _exposed(coming: _Coming, exposure: Exposure, until_s: float) -> NDArray[np.bool_]:
    """In which samples the own air is below the limit without a break for so long up to until_s: (b,)."""
    outlook = coming.outlook
    cells = _cells(until_s - outlook.t_s, 600.0)
    t_s = _borders(outlook.t_s, (until_s - outlook.t_s) / cells, cells)
    air_c = coming.ambient(t_s) + outlook.reference_c
    if exposure.now_c is not None:
        air_c = air_c - air_c[:, :1] + exposure.now_c
    warm = air_c >= exposure.below_c
    before_s = max(
        (t for t, c in zip(exposure.past_s, exposure.past_c, strict=True) if c >= exposure.below_c),
        default=-np.inf,
    )
    last_s = np.where(warm.any(1), t_s[-1 - warm[:, ::-1].argmax(1)], before_s)
    return np.asarray(until_s - last_s >= exposure.lasts_s)


def latest_switch_on(
    outlook: Outlook, air: AirForecast, departure_s: float, certainty: float, rule: ReadyRule
) -> SwitchOn:
    """The latest instant at which heat must go on for an engine start at departure_s, in so many cases.

    The heater is off from now to the switch-on and on from there until cover, plugs and heater come off,
    rule.uncovered_s before the start. In each sample an earlier switch-on leaves everything warmer, so each
    has a latest one of its own, and the answer is their quantile: more certainty is never later.

    Args:
        air: sampled for the same number of samples as the outlook's, or one path for all.
        certainty: 0…1, such as 0.9.
    Raises ValueError for a certainty outside 0…1 or a departure that is not after now.
    """
    if not 0 < certainty < 1:
        raise ValueError("certainty must lie between 0 and 1")
    now = outlook.t_s
    if departure_s <= now:
        raise ValueError("departure must lie after now")
    coming = _Coming.of(outlook, air, departure_s + LONGEST_HEAT_S)
    for window_s in _WINDOWS_S:
        course = _Course.of(coming, departure_s, rule, window_s)
        latest = _latest(course, course.margin)
        at_s = _kept(latest, outlook.weight, certainty)
        if rule.core_c is not None and at_s > -np.inf:
            by_core = _latest(course, course.core_margin)
            at_s = min(at_s, _kept(by_core, outlook.weight, rule.core_share))
        if at_s > -np.inf or course.t_s[0] <= now:
            break
    if at_s == np.inf:
        return SwitchOn("none", _chance(latest >= at_s, outlook.weight))
    t_s, states = coming.heated(max(at_s, now))
    passes = first_passage(t_s, coming.coldest(states), outlook.target_c)
    above = _band(passes, outlook.weight)
    chance = _chance(latest >= max(at_s, now), outlook.weight)
    if at_s > -np.inf:
        return SwitchOn("heat", chance, at_s, above=above)
    start_s = _earliest_start(coming, t_s, states, passes, departure_s, certainty, rule)
    if not np.isfinite(start_s) or course.t_s[0] > now:
        return SwitchOn("never", chance, above=above)
    return SwitchOn("late", chance, start_s=start_s, late_s=start_s - departure_s, above=above)


def switched_on(
    outlook: Outlook,
    air: AirForecast | None,
    on_s: float,
    departure_s: float,
    certainty: float,
    rule: ReadyRule,
) -> SwitchOn:
    """What becomes of an engine start at departure_s where heat goes on at on_s, or is on since then.

    verdict "heat": it is kept with this certainty; "late" and "never" as from `latest_switch_on`. Raises
    ValueError for a certainty outside 0…1.
    """
    if not 0 < certainty < 1:
        raise ValueError("certainty must lie between 0 and 1")
    on_s = max(on_s, outlook.t_s)
    coming = _Coming.of(outlook, air, max(departure_s, on_s) + LONGEST_HEAT_S)
    kept, chance = _is_kept(coming, on_s, departure_s, certainty, rule)
    t_s, states = coming.heated(on_s)
    passes = first_passage(t_s, coming.coldest(states), outlook.target_c)
    above = _band(passes, outlook.weight)
    if kept:
        return SwitchOn("heat", chance, on_s, above=above)
    start_s = _earliest_start(coming, t_s, states, passes, departure_s, certainty, rule)
    if not np.isfinite(start_s):
        return SwitchOn("never", chance, above=above)
    return SwitchOn("late", chance, on_s, start_s, start_s - departure_s, above)


def _is_kept(
    coming: _Coming, on_s: float, departure_s: float, certainty: float, rule: ReadyRule
) -> tuple[bool, float]:
    """Whether that start is kept with this certainty, heated from on_s, and its chance."""
    off_s, weight = departure_s - rule.uncovered_s, coming.outlook.weight
    if on_s > off_s:
        return False, 0.0
    course = _Course.of(coming, departure_s, rule, off_s - on_s)
    on = np.full(len(weight), on_s)
    chance = _chance(course.margin(on) >= 0, weight)
    if rule.core_c is not None and _chance(course.core_margin(on) >= 0, weight) < rule.core_share:
        return False, chance
    return chance >= certainty * (1 - 1e-12), chance


# -- running the samples


def _bare(outlook: Outlook) -> Array:
    """The networks with cover and plugs off: each mass's loss to the air grown by its sample's factor."""
    return _losing(outlook, outlook.uncovering)


def _losing(outlook: Outlook, factor: Array) -> Array:
    """The networks with each mass's loss to the air times its sample's factor (b,)."""
    a = outlook.a.copy()
    more = a[:, STAGES:-2, -1] * (factor - 1)[:, None]
    more[:, -HIDDEN] = 0.0  # the core's own loss, through the propeller, knows no cover
    inner = np.arange(STAGES, a.shape[1] - 2)
    a[:, inner, inner] -= more
    a[:, STAGES:-2, -1] += more
    return a


@dataclass(frozen=True, slots=True)
class _Cells:
    """Equal cells of time, samples last: the network over one (m, m, b), (m, b), (m, b), and what comes upon
    it in each, ambient less reference and the factor on the losses: (k, b)."""

    inner: Array
    by_heater: Array
    by_air: Array
    ambient: Array
    loss: Array


@dataclass(frozen=True, slots=True)
class _Coming:
    """The samples and all that comes upon them from outside: air, and losses that wander.

    knots_s, log_loss: (k,), (b, k) path of the losses' logarithm; sky: (b,) where the sky goes.
    """

    outlook: Outlook
    air: AirForecast | None
    knots_s: Array
    log_loss: Array
    sky: Array

    @staticmethod
    def of(outlook: Outlook, air: AirForecast | None, until_s: float) -> _Coming:
        # Knots and shocks don't depend on until_s: two questions meet the same futures.
        knots = int(np.ceil(3 * (until_s - outlook.t_s) / outlook.wander_s)) + 1 if outlook.wander_sd else 1
        knots_s = _borders(outlook.t_s, outlook.wander_s / 3, knots)
        rng = np.random.default_rng(20_260_118 + outlook.turn)
        shocks = rng.standard_normal((knots + 1, len(outlook.z))).T
        now = outlook.log_loss if outlook.log_loss is not None else np.zeros(len(outlook.z))
        sd, memory = np.full(len(now), outlook.wander_sd), np.full(len(now), outlook.wander_s)
        log_loss = wandering(now, sd, memory, outlook.t_s, knots_s, shocks)
        return _Coming(outlook, air, knots_s, log_loss, rng.standard_normal(len(now)))

    def ambient(self, t_s: Array) -> Array:
        """Effective ambient less reference at instants (k,) or (b, k): (b, k)."""
        outlook = self.outlook
        shape = (len(outlook.z), t_s.shape[-1])
        if self.air is None:
            return np.broadcast_to(outlook.ambient_c[:, None], shape)
        change = self.air.at(t_s) - self.air.at(np.array([outlook.t_s]))
        return np.asarray(outlook.ambient_c[:, None] + change)

    def settles(self, t_s: Array) -> Array:
        """What the engine settles at, the ambient and what the sky does to it, less reference: (b, k)."""
        if not self.outlook.sky_sd_c:
            return self.ambient(t_s)
        gone = np.maximum(t_s - self.outlook.t_s, 0.0) / _SKY_C[2]
        drift = self.outlook.sky_sd_c * np.sqrt(-np.expm1(-2 * gone))
        return np.asarray(self.ambient(t_s) + drift * self.sky[:, None])

    def run(self, phi: Array, z: Array, t_s: Array, share: Array) -> Array:
        """States at t_s (k + 1,) or (b, k + 1), equally spaced as phi has it: (b, k + 1, m).

        share: heater (b, k) or (1, k) of each cell.
        """
        return self.live(self.cells(phi, t_s), z, share)

    def cells(self, phi: Array, t_s: Array) -> _Cells:
        """The cells between t_s, for `live`: the same however the heater is switched in them."""
        middle = (t_s[..., 1:] + t_s[..., :-1]) / 2
        loss = np.exp(between(self.knots_s, self.log_loss, middle)).T
        inner = np.ascontiguousarray(phi[:, :-2, :-2].transpose(1, 2, 0))
        by_heater, by_air = np.ascontiguousarray(phi[:, :-2, -2:].transpose(2, 1, 0))
        return _Cells(inner, by_heater, by_air, np.ascontiguousarray(self.settles(middle).T), loss)

    def live(self, cells: _Cells, z: Array, share: Array) -> Array:
        """States at the borders of the cells from z on: (b, k + 1, m). share: as for `run`."""
        ambient, loss = cells.ambient, cells.loss
        heater = np.broadcast_to(share, (len(z), len(ambient))).T
        if self.outlook.stopping is not None:
            loss = loss * (1 + (self.outlook.stopping - 1) * (1 - heater / np.asarray(self.outlook.level)))
        # Samples last: a step is then a few passes over contiguous rows, cheaper than `simulate`.
        states = np.empty((len(ambient) + 1, z.shape[1], len(z)))
        states[0] = z.T
        states[1:, -2], states[1:, -1] = heater, ambient
        before = states[0]
        for step in range(-1, len(ambient)):  # the first cell twice: it has none before it
            k = max(step, 0)
            now, then = states[k], states[k + 1]
            middle_c = (1.5 * now - 0.5 * before)[STAGES : -HIDDEN - 2]
            air = effective_air(middle_c.T, ambient[k], self.outlook.usual_rise_c, loss[k])
            np.einsum("ijb,jb->ib", cells.inner, now[:-2], out=then[:-2])
            then[:-2] += cells.by_heater * heater[k]
            then[:-2] += cells.by_air * air
            before = 2 * now - then if step < 0 else now
        return states.transpose(2, 0, 1)

    def rest(self, until_s: float) -> tuple[Array, Array]:
        """Instants and states from now to until_s, the heater off: (k,), (b, k, m)."""
        outlook = self.outlook
        span_s = until_s - outlook.t_s
        if span_s <= 0:
            return np.array([outlook.t_s]), outlook.z[:, None]
        cells = _cells(span_s, _REST_CELL_S)
        t_s = _borders(outlook.t_s, span_s / cells, cells)
        return t_s, self.run(transition(outlook.a, span_s / cells), outlook.z, t_s, np.zeros((1, cells)))

    def lived(self, a: Array, z: Array, begin_s: float, end_s: float, on: float = 0.0) -> Array:
        """States at end_s from z at begin_s, in networks a, the heater on (1) or off (0) between: (b, m)."""
        if end_s <= begin_s:
            return z
        cells = _cells(end_s - begin_s, _CELL_S)
        cell_s = (end_s - begin_s) / cells
        level = np.broadcast_to(np.asarray(self.outlook.level).reshape(-1, 1) * on, (len(z), cells))
        return self.run(transition(a, cell_s), z, _borders(begin_s, cell_s, cells), level)[:, -1]

    def moved(self, z: Array, at_s: float, above_since_s: float | None) -> Outlook:
        """The samples at a later instant, in states z, for questions about what comes after it."""
        at = np.array([at_s])
        return replace(
            self.outlook,
            t_s=at_s,
            z=z,
            ambient_c=self.settles(at)[:, 0],
            log_loss=between(self.knots_s, self.log_loss, at)[:, 0],
            above_since_s=above_since_s,
            core=None,
            turn=self.outlook.turn + 1,
        )

    def heated(self, on_s: float) -> tuple[Array, Array]:
        """Instants and states from on_s with heat on for as long as it may be, off before."""
        z = self.rest(on_s)[1][:, -1]
        cells = int(LONGEST_HEAT_S / _CELL_S)
        t_s = _borders(on_s, _CELL_S, cells)
        level = np.broadcast_to(np.asarray(self.outlook.level).reshape(-1, 1), (len(z), cells))
        return t_s, self.run(transition(self.outlook.a, _CELL_S), z, t_s, level)

    def coldest(self, states: Array) -> Array:
        """The coldest required place in states (…, m): (…,) [°C]."""
        places = states[..., STAGES : -HIDDEN - 2]
        return np.asarray(places[..., self.outlook.needed].min(-1) + self.outlook.reference_c)

    def cores(self, t_s: Array, states: Array) -> Array:
        """The cores at t_s: (b, k) [°C]."""
        reference_c = self.outlook.reference_c
        if self.outlook.core is None:
            return np.asarray(states[:, :, -HIDDEN - 2] + reference_c)
        places = states[:, :, STAGES : -HIDDEN - 2] + reference_c
        return self.outlook.core(t_s, places, self.ambient((t_s[1:] + t_s[:-1]) / 2) + reference_c)

    def cores_from_now(self, t_s: Array, states: Array) -> Array:
        """The cores at t_s, which begin after a rest from now: (b, k) [°C]."""
        if t_s[0] <= self.outlook.t_s:
            return self.cores(t_s, states)
        rest_s, rest = self.rest(float(t_s[0]))
        whole = np.concatenate([rest[:, :-1], states], axis=1)
        return self.cores(np.concatenate([rest_s[:-1], t_s]), whole)[:, len(rest_s) - 1 :]


@dataclass(frozen=True, slots=True)
class _Bare:
    """The minutes without cover and heater, from each sample's own instant on."""

    coming: _Coming
    phi: Array
    borders_s: Array

    @staticmethod
    def of(coming: _Coming, span_s: float) -> _Bare:
        cells = _cells(span_s, _CELL_S)
        phi = transition(_bare(coming.outlook), span_s / cells)
        return _Bare(coming, phi, _borders(0.0, span_s / cells, cells))

    def coldest(self, z: Array, off_s: Array) -> Array:
        """The coldest in those minutes, from states z (b, m) at off_s (b,): (b,)."""
        return self.coldest_in(self.cells(off_s), z)

    def cells(self, off_s: Array) -> _Cells:
        """Those minutes from off_s (b,) on."""
        return self.coming.cells(self.phi, off_s[:, None] + self.borders_s)

    def coldest_in(self, cells: _Cells, z: Array) -> Array:
        """The coldest in such cells, from states z (b, m): (b,)."""
        states = self.coming.live(cells, z, np.zeros((1, len(cells.ambient))))
        return np.asarray(self.coming.coldest(states).min(1))


@dataclass(frozen=True, slots=True)
class _Course:
    """From now to one engine start, but for when heat goes on.

    t_s: borders of the cells in which it may, from z on, and `heated` these cells, None where there are none;
    the last border is when heater and cover come off, the minutes from there on `uncovered`; rest_s, rest:
    the borders and states before.
    """

    coming: _Coming
    rule: ReadyRule
    t_s: Array
    heated: _Cells | None
    bare: _Bare
    uncovered: _Cells
    rest_s: Array
    rest: Array

    @staticmethod
    def of(coming: _Coming, departure_s: float, rule: ReadyRule, window_s: float) -> _Course:
        now = coming.outlook.t_s
        off_s = max(departure_s - rule.uncovered_s, now)
        begin_s = max(now, off_s - window_s)
        rest_s, rest = coming.rest(begin_s)
        cells = max(_cells(off_s - begin_s, _CELL_S), 24) if off_s > begin_s else 0
        cell_s = (off_s - begin_s) / max(cells, 1)
        t_s = _borders(begin_s, cell_s, cells)
        heated = coming.cells(transition(coming.outlook.a, cell_s), t_s) if cells else None
        bare = _Bare.of(coming, departure_s - off_s)
        uncovered = bare.cells(np.full(len(coming.outlook.z), t_s[-1]))
        return _Course(coming, rule, t_s, heated, bare, uncovered, rest_s, rest)

    @property
    def off_s(self) -> float:
        return float(self.t_s[-1])

    def states(self, on_s: Array) -> Array:
        """States at t_s with heat on from on_s (b,)."""
        z = self.rest[:, -1]
        if self.heated is None:
            return z[:, None]
        share = np.clip((self.t_s[1:] - on_s[:, None]) / np.diff(self.t_s), 0.0, 1.0)
        level = np.asarray(self.coming.outlook.level).reshape(-1, 1)
        return self.coming.live(self.heated, z, share * level)

    def margin(self, on_s: Array) -> Array:
        """By how much the coldest clears the target, where it does so least from the soak's begin to the
        start [°C]: (b,)."""
        states = self.states(on_s)
        coldest = self.coming.coldest(states)
        begin_s = self.off_s - self.rule.soak_s
        least = coldest[:, self.t_s >= begin_s].min(1)
        if begin_s > self.t_s[0]:
            least = np.minimum(least, between(self.t_s, coldest, np.full((len(coldest), 1), begin_s))[:, 0])
        elif not self._was_above(begin_s):
            return np.full(len(coldest), -np.inf)
        bare = self.bare.coldest_in(self.uncovered, states[:, -1])
        return np.asarray(np.minimum(least, bare) - self.coming.outlook.target_c)

    def _was_above(self, begin_s: float) -> bool:
        """Whether the part of the soak that has passed was one."""
        outlook = self.coming.outlook
        since_s = outlook.above_since_s
        return begin_s >= outlook.t_s or (since_s is not None and since_s <= begin_s)

    def core_margin(self, on_s: Array) -> Array:
        """By how much the core is above its limit when heater and cover come off [°C]: (b,)."""
        assert self.rule.core_c is not None
        t_s = np.concatenate([self.rest_s[:-1], self.t_s])
        states = np.concatenate([self.rest[:, :-1], self.states(on_s)], axis=1)
        return np.asarray(self.coming.cores(t_s, states)[:, -1] - self.rule.core_c)


def _borders(begin_s: float, cell_s: float, cells: int) -> Array:
    return np.asarray(begin_s + cell_s * np.arange(cells + 1), dtype=np.float64)


def _cells(span_s: float, cell_s: float) -> int:
    return int(np.clip(np.ceil(span_s / cell_s), 1, _MOST_CELLS))


# -- asking the samples


def _latest(course: _Course, margin: Callable[[Array], Array]) -> Array:
    """Each sample's latest switch-on that leaves the margin at 0 or above: (b,). inf: none needed; −inf: not
    even from the first instant on. Root by false position with halved ends (Illinois, from memory)."""
    low = np.full(len(course.rest), course.t_s[0])
    high = np.full(len(low), course.off_s)
    unheated = margin(high)
    heated = margin(low) if course.off_s > course.t_s[0] else unheated
    sought = (heated >= 0) & (unheated < 0)
    above, below = np.where(sought, heated, 1.0), np.where(sought, unheated, -1.0)
    side = np.zeros(len(low))
    for _ in range(_MOST_TRIES):
        if not (sought & (high - low > 2 * _CLOSE_ENOUGH_S)).any():
            break
        nudged = low + above / np.maximum(above - below, 1e-9) * (high - low) - 0.5 * _CLOSE_ENOUGH_S
        tried = np.clip(nudged, low + 0.02 * (high - low), high - 0.02 * (high - low))
        found = margin(tried)
        clears = found >= 0
        above = np.where(clears, found, np.where(side < 0, above / 2, above))
        below = np.where(clears, np.where(side > 0, below / 2, below), found)
        low, high = np.where(clears, tried, low), np.where(clears, high, tried)
        side = np.where(clears, 1.0, -1.0)
    return np.where(unheated >= 0, np.inf, np.where(heated >= 0, low, -np.inf))


def _earliest_start(
    coming: _Coming,
    t_s: Array,
    states: Array,
    passes: Array,
    departure_s: float,
    certainty: float,
    rule: ReadyRule,
) -> float:
    """The earliest engine start from departure_s on that so many samples allow when heat goes on now, inf for
    never.

    t_s, states: of heating from now; passes: when that brings each sample's coldest above target (b,).
    """
    outlook = coming.outlook
    bare = _Bare.of(coming, rule.uncovered_s)
    if outlook.above_since_s is not None:
        passes = np.where(passes <= outlook.t_s, outlook.above_since_s, passes)
    first = np.maximum(passes + rule.soak_s, max(outlook.t_s, departure_s - rule.uncovered_s))

    def clears(off_s: Array) -> NDArray[np.bool_]:
        return bare.coldest(_state_at(t_s, states, off_s), off_s) >= outlook.target_c

    # Warmth may peak and fall with the air: look for the first interval that has an end, then within it.
    low = high = np.minimum(first, t_s[-1])
    found = clears(high)
    for end_s in np.linspace(t_s[0], t_s[-1], _LOOKS)[1:]:
        ahead = ~found & (end_s > high)
        low, high = np.where(ahead, high, low), np.where(ahead, end_s, high)
        found |= ahead & clears(high)
    for _ in range(_MOST_TRIES):
        middle = (low + high) / 2
        enough = clears(middle)
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    off_s = np.where(found & (first <= t_s[-1]), high, np.inf)
    earliest_s = -_kept(-off_s, outlook.weight, certainty)
    if rule.core_c is not None:
        warm = first_passage(t_s, coming.cores_from_now(t_s, states), rule.core_c)
        earliest_s = max(earliest_s, -_kept(-warm, outlook.weight, rule.core_share))
    return earliest_s + rule.uncovered_s


def _state_at(t_s: Array, states: Array, at_s: Array) -> Array:
    """Each sample's state (b, k, m) at its own instant (b,), straight between t_s: (b, m)."""
    after = np.clip(np.searchsorted(t_s, at_s), 1, len(t_s) - 1)
    share = (at_s - t_s[after - 1]) / (t_s[after] - t_s[after - 1])
    rows = np.arange(len(states))
    first, second = states[rows, after - 1], states[rows, after]
    return np.asarray(first + share[:, None] * (second - first))


def _kept(latest: Array, weight: Array, certainty: float) -> float:
    """The latest instant that at least so many samples allow."""
    order = np.argsort(-latest, kind="stable")
    enough = np.cumsum(weight[order]) >= certainty * weight.sum() * (1 - 1e-12)
    return float(latest[order][int(enough.argmax())])


def _chance(happens: NDArray[np.bool_], weight: Array) -> float:
    return min(float(weight[happens].sum() / weight.sum()), 1.0)


def _band(values: Array, weight: Array) -> Band:
    low, middle, high = quantiles(values, weight, _DECILES)
    return low, middle, high
