"""Forecasts of a heat-up from its curve, one observation after the other.

The same observations give the same forecasts: samples are drawn from normals fixed at the start, and
nothing that `forecast` does is remembered.
"""

from __future__ import annotations

import copy
import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from probe_agent.readings import Fan, Forecast, Observation
from probe_agent.thermal import memory as learned
from probe_agent.thermal.air import between
from probe_agent.thermal.answers import Outlook, uncovering
from probe_agent.thermal.core import CoreBank
from probe_agent.thermal.doubt import Doubt
from probe_agent.thermal.evidence import (
    Checkpoint,
    Checkpoints,
    Evidence,
    Rows,
    look_ahead,
    rises_again,
    rises_on,
    strongest,
    weigh,
    weigh_promise,
)
from probe_agent.thermal.falls import FallTest
from probe_agent.thermal.heating import HeaterMode, Heating
from probe_agent.thermal.history import History
from probe_agent.thermal.memory import Lesson, Memory
from probe_agent.thermal.network import (
    PER_PLACE,
    SHARED,
    STAGES,
    Array,
    effective_air,
    of_place,
    parameter_names,
)
from probe_agent.thermal.passage import Futures, bands, first_passage, grid, quantiles, sample_futures
from probe_agent.thermal.posterior import (
    Ensemble,
    Fit,
    Problem,
    Run,
    expected,
    fit,
    off_loss,
    present,
    sample,
    simulate_past,
    usual_gaps,
)
from probe_agent.thermal.prior import MODEL_VERSION, Prior
from probe_agent.thermal.running import Running
from probe_agent.thermal.signs import Heard, Signs

CAP_S = 36_000.0
"""A crossing later than this after heater-on counts as never."""
_SAMPLES = 256
_RECENT = 256
_ITERATIONS = 2
_REST_C = 1.5
"""Readings closer together than this may be those of an engine at rest."""
_KNOTS = 8
"""The losses of a run may bend at so many instants."""
_GROWTH = 1.04
"""A fit is due when the run has become so much longer."""
_SURE_START_C = 0.1
"""A start known so well has no error of its own."""
_TEACHES_C = 5.0
_KNOWN_ON_S = 600.0
_SETTLES_S = 900.0
_START_S = 120.0
_NO_RISE_S = 1500.0  # a heater that warmed nothing by then is none
_PROMISED_S = 7200.0
_USUAL_HEAT_UPS = 2
"""So many heat-ups have to have taught before a rise is compared with the setup's usual one."""
_RESTS_C, _RESTS_OVER_AIR_C = 4.0, 6.0
_RESTS_FALLS_C_PER_H, _FELL_OVER_S = 2.0, 1500.0
"""An engine whose places lie further apart, or further above the air, or fall faster, is not at rest."""
_LOOK_AHEAD = 0.5  # of the run so far
_PLAUSIBLE_C = (-60.0, 300.0)
_TIME_SCALE = SHARED.index("log_time_scale_s")
_DECILES = (0.1, 0.5, 0.9)


@dataclass(slots=True)
class _Episode:
    """One heat-up, or the rest before it, as the fit sees it."""

    history: History
    reference_c: float
    start_c: Array
    start_sd_c: Array
    core_offset_c: float
    core_sd_c: float
    problem: Problem | None = None
    found: Fit | None = None
    ensemble: Ensemble | None = None
    likely: Run | None = None
    """The most likely past."""
    fitted_s: float = -math.inf
    fitted_cell_s: float = 0.0
    cells: int = 0
    """Completed since the last fit."""


class Estimator:
    """The physics of one setup, fed observation by observation.

    Args:
        places: all places the physics may use, in any order.
        required: those whose minimum counts.
        target_c: what that minimum must reach [°C]; need_c: the core's limit [°C].
        prior: `GENERIC`, or `engine_prior(…)`.
        memory: what earlier heat-ups of this setup taught.
        heater_mode: whether the heater's share is measured (believed), commanded (tested against the
            curve) or not told at all.
    """

    def __init__(
        self,
        places: Sequence[str],
        required: Sequence[str],
        target_c: float,
        need_c: float,
        prior: Prior,
        memory: Memory | None = None,
        heater_mode: HeaterMode = "measured",
    ) -> None:
        self.places = tuple(sorted(set(places) | set(required)))
        self.required = tuple(p for p in self.places if p in set(required))
        if not self.required:
            raise ValueError("at least one place must be required")
        self.target_c = target_c
        self.need_c = need_c
        self.prior = prior
        self.memory = memory
        self.heater_mode = heater_mode
        self._needed = np.array([self.places.index(p) for p in self.required])
        self._names = parameter_names(self.places)
        mean, covariance = learned.setup_prior(prior, memory, self.places)
        if memory is not None:
            covariance += np.diag(learned.day_spread(self._names, memory) ** 2)
        self._mean, self._covariance = mean, covariance
        # What was learned follows the setup's curves closer than a network that knows only the prior.
        known = memory.heat_ups if memory is not None else 0
        self._discrepancy = prior.discrepancy * (0.5 + 1 / (2 + known))
        rng = np.random.default_rng(20_130_101)
        half = rng.standard_normal((_SAMPLES // 2, len(self._names) + _KNOTS))
        self._normals = np.vstack([half, -half])
        self._future_normals = rng.standard_normal((_SAMPLES, 2))
        self._loss_normals = rng.standard_normal((_SAMPLES, 160))
        self._future_uniforms = rng.random((_SAMPLES, 4))
        self._core = CoreBank(self.places, rng.standard_normal((_SAMPLES, 5)), 0.4, prior.core_sump_share)
        self._heating = Heating(heater_mode, prior)
        self._checkpoints = Checkpoints()
        self._promise: Checkpoint | None = None
        self._recent: deque[Observation] = deque(maxlen=_RECENT)
        self._last: Observation | None = None
        self._ambient_c: float | None = None
        self._episode: _Episode | None = None
        self._above_since: float | None = None
        self._was_above = False
        self._doubt = Doubt()
        self._falls = FallTest()
        self._signs = Signs(self.places, prior.is_engine)
        self._running = Running(self.places if prior.is_engine else ())
        self._ran_s = -math.inf
        """Until when the engine itself ran last, or was still uneven from it."""
        self._heater_changed_s = self._heater_seen_s = -math.inf
        """When the heater's signal changed, and when the heater did, by its signal or by the curve."""
        self._last_clean: tuple[Array, Array] | None = None

    # -- taking in ---------------------------------------------------------------------------------

    def observe(self, obs: Observation) -> None:
        """Take one observation; instants must increase. Raises ValueError where they don't."""
        if self._last is not None and obs.t_s <= self._last.t_s:
            raise ValueError(f"observation at {obs.t_s} s after {self._last.t_s} s")
        values = {
            p: v
            for p, v in obs.values_c.items()
            if p in self.places and math.isfinite(v) and _PLAUSIBLE_C[0] < v < _PLAUSIBLE_C[1]
        }
        obs = Observation(obs.t_s, values, obs.ambient_c, obs.heater, obs.sigma_c)
        share_before = self._heating.share
        told_before = self._heating.told_on
        turned = self._running.take(obs)
        change = self._heating.take(obs, tuple(self._recent), not self._running.may_run)
        self._advance(obs, share_before)
        if obs.ambient_c is not None and math.isfinite(obs.ambient_c):
            self._ambient_c = obs.ambient_c
        self._recent.append(obs)
        if self._heating.told_on is not told_before or change is not None:
            self._heater_changed_s = self._heater_seen_s = obs.t_s
        if self._episode is None:
            if values:
                self._begin(obs.t_s, (obs,))
        elif turned or self._running.sign is not None:
            self._follow_run(obs, turned)
        elif change == "new":
            self._begin_again(obs)
        elif self._heating.is_tested and (evidence := self._evidence(obs)) is not None:
            self._heating.judge(evidence, obs.t_s)
            if self._heating.rewritten_from is not None:
                self._heater_seen_s = self._heating.rewritten_from
                if self._last_clean is None:
                    self._last_clean = self._found(self._episode)
                self._episode.history.rewrite_heater(self._heating.rewritten_from, self._heating.share)
                self._checkpoints.clear()
                self._refit(self._episode)
        self._believe(obs)
        self._signs.take(obs, self._heard())
        self._falls.take(obs, self._heating.told_on, told_before)
        self._follow_core(obs)
        self._note_passage(obs)
        self._last = obs

    def _follow_run(self, obs: Observation, turned: bool) -> None:
        """The engine itself runs, or has just run: nothing of that is a heater's, and what follows it starts
        from what is measured then."""
        self._ran_s = self._heater_seen_s = obs.t_s
        if not turned:
            return
        sign = self._running.sign
        if sign is not None:
            self._heating.disown(sign.since_s)
        self._promise = None
        self._checkpoints.clear()
        self._doubt = Doubt()
        self._begin(obs.t_s, (obs,))

    def _advance(self, obs: Observation, share: float) -> None:
        episode = self._episode
        if episode is None:
            return
        episode.cells += episode.history.advance(obs.t_s, share, self._air(episode))
        if self._is_due(episode):
            self._refit(episode)
        self._add(episode, obs)

    def _is_due(self, episode: _Episode) -> bool:
        """Whether what was fitted is too old: the run has grown, or its cells have."""
        history = episode.history
        if episode.cells == 0:
            return False
        begun = history.start_s
        grown = history.end_s - begun >= _GROWTH * (episode.fitted_s - begun)
        return grown or history.cell_s != episode.fitted_cell_s

    def _air(self, episode: _Episode) -> float:
        return 0.0 if self._ambient_c is None else self._ambient_c - episode.reference_c

    def _add(self, episode: _Episode, obs: Observation) -> None:
        for column, place in enumerate(self.places):
            if place in obs.values_c and place not in self._doubt.set_aside:
                value = obs.values_c[place] - episode.reference_c
                if math.isnan(episode.start_c[column]):
                    episode.start_c[column] = value
                sd = obs.sigma_c.get(place, self.prior.reading_sd_c)
                episode.history.add(obs.t_s, column, value, sd)

    def _begin(
        self, start_s: float, rows: Sequence[Observation], core: tuple[float, float] | None = None
    ) -> None:
        """Start a fresh fit at start_s with the rows from there on."""
        first = {p: self._start_of(p, rows) for p in self.places}
        known = {p: found for p, found in first.items() if found is not None}
        reference = min((c for c, _ in known.values()), default=0.0)
        middle = float(np.median([c for c, _ in known.values()])) if known else 0.0
        start = np.array([known.get(p, (middle, 0.0))[0] - reference for p in self.places])
        spread = np.array([known.get(p, (middle, 4.0))[1] for p in self.places])
        offset, offset_sd = core if core is not None else (0.0, self._core_sd(start))
        cell = self._first_cell(rows)
        episode = _Episode(
            History(start_s, cell, len(self.places)),
            reference,
            start,
            spread,
            offset,
            offset_sd,
        )
        self._episode = episode
        share = 0.0
        for row in rows:
            episode.history.advance(row.t_s, share, self._air(episode))
            self._add(episode, row)
            share = self._heating.share_at(row)

    def _start_of(self, place: str, rows: Sequence[Observation]) -> tuple[float, float] | None:
        """Temperature of a place at the start and its error [°C]: the mean of the first rows, as far as the
        heater was off; None where it was not read."""
        on_s = self._heating.on_at if self._heating.on_at is not None else rows[0].t_s
        early = [r for r in rows if r.t_s <= min(on_s, rows[0].t_s + _START_S)] or list(rows[:1])
        read = [(r.values_c[place], r.sigma_c.get(place)) for r in early if place in r.values_c]
        if not read:
            read = [(r.values_c[place], r.sigma_c.get(place)) for r in rows if place in r.values_c][:1]
        if not read:
            return None
        errors = [self.prior.reading_sd_c if sigma is None else 1.2 * sigma for _, sigma in read]
        return float(np.mean([c for c, _ in read])), max(errors) / math.sqrt(min(len(read), 4))

    def _core_sd(self, start: Array) -> float:
        """Spread of the core's start: places far apart tell of an engine not at rest."""
        core = SHARED.index("core_offset_c")
        return float(self.prior.shared_factor[core, core] + 0.5 * np.ptp(start))

    def _first_cell(self, rows: Sequence[Observation]) -> float:
        if len(rows) > 1:
            return max(1.0, (rows[-1].t_s - rows[0].t_s) / (len(rows) - 1))
        return 1.0

    def _begin_again(self, obs: Observation) -> None:
        """A new heat-up begins: the rest before it only says where everything starts."""
        core = self._core_now()
        on_s = self._heating.on_at if self._heating.on_at is not None else obs.t_s
        self._checkpoints.clear()
        self._last_clean = None
        before = max(8 * self._spacing(), 3 * self._heating.on_sd_s)
        back = [r for r in self._recent if r.t_s >= on_s - before]
        self._above_since = None
        self._was_above = False
        self._begin(back[0].t_s, back, core)
        promised = self._promised()
        self._promise = promised if self._heating.is_tested and self._heating.told else None
        known = self.memory is not None and self.memory.heat_ups >= _USUAL_HEAT_UPS
        self._signs.expect(promised if known and self._rests(back) else None)

    def _rests(self, rows: Sequence[Observation]) -> bool:
        """Whether the engine begins at rest, in its air: half warm, much depends on what nobody sees."""
        values = list(rows[0].values_c.values())
        if not values or max(values) - min(values) > _RESTS_C:
            return False
        over = 0.0 if self._ambient_c is None else float(np.median(values)) - self._ambient_c
        return over < _RESTS_OVER_AIR_C and self._fell_c_per_h() < _RESTS_FALLS_C_PER_H

    def _fell_c_per_h(self) -> float:
        """How fast the middle of the places fell before heater-on [°C/h]; 0 where that isn't known."""
        on_s = self._heating.on_at
        rows = [r for r in self._recent if on_s is not None and on_s - _FELL_OVER_S < r.t_s < on_s]
        slopes = [
            _robust_slope([(r.t_s, r.values_c[p]) for r in rows if p in r.values_c]) for p in self.places
        ]
        known = [s for s in slopes if s is not None]
        return -3600.0 * float(np.median(known)) if known else 0.0

    def _heard(self) -> Heard:
        heating = self._heating
        known = heating.told or heating.recognised  # else what warms, and stops to, may be anything
        return Heard(
            heating.heating if known else None,
            heating.on_at if known else None,
            heating.off_at,
            self._heater_seen_s,
            self._doubt.set_aside,
            self._running.sign,
        )

    def _promised(self) -> Checkpoint | None:
        """What should follow heater-on, as it is believed before the curve; None for what isn't described:
        anything may follow there."""
        episode = self._episode
        if episode is None or not self.prior.is_engine:
            return None
        problem = self._problem(episode)
        run = simulate_past(problem, np.zeros((1, problem.factor.shape[1])))
        none = np.zeros(len(self.places))
        return look_ahead(
            episode.history, run, self._heating.expected, self.prior.usual_rise_c, none, none, _PROMISED_S
        )

    def _spacing(self) -> float:
        times = [r.t_s for r in self._recent]
        return float(np.median(np.diff(times))) if len(times) > 1 else 1.0

    def _core_now(self) -> tuple[float, float] | None:
        """Core less mean of the places, and how well that is known."""
        if self._episode is None or self._episode.found is None:
            return None
        problem, ensemble = self._sampled(self._episode)
        z = present(problem, ensemble)
        n = len(self.places)
        offset = z[:, STAGES + n] - z[:, STAGES : STAGES + n].mean(1)
        mean = float(ensemble.weight @ offset)
        sd = math.sqrt(float(ensemble.weight @ (offset - mean) ** 2))
        return mean, max(sd, 0.3)

    def _follow_core(self, obs: Observation) -> None:
        values = {self.places.index(p): v for p, v in obs.values_c.items() if p not in self._doubt.set_aside}
        dt_s = 0.0 if self._last is None else obs.t_s - self._last.t_s
        air_c = self._ambient_c if self._ambient_c is not None else self._reference_c()
        self._core.follow(values, air_c, dt_s, self._core_lag_s())

    def _reference_c(self) -> float:
        return self._episode.reference_c if self._episode is not None else 0.0

    def _core_lag_s(self) -> float:
        """Median lag of the core: the prior's, or a third of the time scale where nothing is described."""
        if self.prior.core_lag_s is not None:
            return self.prior.core_lag_s
        found = self._episode.found if self._episode is not None else None
        time_scale = self._mean[_TIME_SCALE] if found is None else self._theta(found)[_TIME_SCALE]
        return math.exp(float(time_scale)) / 3

    def _note_passage(self, obs: Observation) -> None:
        if any(p not in obs.values_c for p in self.required):
            return
        low = min(obs.values_c[p] for p in self.required)
        if low < self.target_c:
            self._above_since = None
        elif self._above_since is None:
            self._above_since = obs.t_s
            self._was_above = True

    # -- fitting -----------------------------------------------------------------------------------

    def _problem(self, episode: _Episode) -> Problem:
        n = len(self.places)
        covariance = self._covariance.copy()
        mean = self._mean.copy()
        start = _group("start_offset_c", n)
        index = np.arange(start.start, start.stop)
        sure = episode.start_sd_c < _SURE_START_C
        covariance[index, index] = np.where(sure, 0.0, episode.start_sd_c**2)
        core = SHARED.index("core_offset_c")
        mean[core] = episode.core_offset_c
        covariance[core, core] = episode.core_sd_c**2
        if self._ambient_c is None:
            # Untold, the air counts as cold as the coldest place, or colder where the engine isn't at rest.
            air = SHARED.index("ambient_offset_c")
            apart = max(0.0, float(np.ptp(episode.start_c[np.isfinite(episode.start_c)])) - _REST_C)
            # What cools without having been heated here tells that the air is colder by about as much again.
            cooled = self._cooled_c(episode) if self._heating.on_at is None else 0.0
            mean[air] -= cooled
            covariance[air, air] = (0.8 + 0.3 * apart + cooled) ** 2
        if self._heating.on_sd_s == 0.0:
            covariance[SHARED.index("on_shift")] = covariance[:, SHARED.index("on_shift")] = 0.0
        self._know_rest(episode, mean, covariance)
        knots_s, wander = self._knots(episode.history)
        mean = np.concatenate([mean, np.zeros(len(knots_s))])
        whole = np.zeros((len(mean), len(mean)))
        whole[: len(covariance), : len(covariance)] = covariance
        whole[len(covariance) :, len(covariance) :] = wander
        return Problem(
            episode.history.copy(),
            mean,
            _factor(whole),
            knots_s,
            episode.start_c.copy(),
            self._discrepancy,
            self.prior.usual_rise_c,
            self._heating.on_at,
            self._heating.on_sd_s,
        )

    def _cooled_c(self, episode: _Episode) -> float:
        """How far the places have cooled since the start, in the middle [°C]."""
        value, variance, _ = episode.history.readings()
        fallen = [
            episode.start_c[i] - value[seen[-1], i]
            for i in range(len(self.places))
            if len(seen := np.flatnonzero(np.isfinite(variance[:, i])))
        ]
        return max(0.0, float(np.median(fallen))) if fallen else 0.0

    def _know_rest(self, episode: _Episode, mean: Array, covariance: Array) -> None:
        """What the start tells of the probes' offsets, in place: at rest all metal has one temperature."""
        at = _group("offset_c", len(self.places))
        seen = np.flatnonzero(np.isfinite(episode.start_c) & (episode.start_sd_c < 0.5))
        if len(seen) < 2:
            return
        start = episode.start_c[seen]
        apart = max(0.0, float(np.ptp(start)) - _REST_C)
        noise = self.prior.rest_sd_c**2 + episode.start_sd_c[seen] ** 2 + (0.5 * apart) ** 2
        level = start.mean()  # nothing is known of what all offsets have in common
        design = np.zeros((len(seen), len(mean)))
        design[np.arange(len(seen)), at.start + seen] = 1.0
        design -= design.mean(0)
        gap = start - level - design @ mean
        gain = covariance @ design.T @ np.linalg.inv(design @ covariance @ design.T + np.diag(noise))
        mean += gain @ gap
        covariance -= gain @ design @ covariance

    def _knots(self, history: History) -> tuple[Array, Array]:
        """Instants at which the losses may bend, and the covariance of their logarithm there."""
        lasted = history.cell_s * history.count
        memory = self._wander_s()
        count = int(np.clip(2 + 2 * lasted / memory, 2, _KNOTS))
        at = history.start_s + np.linspace(0.0, lasted, count)
        return at, self.prior.wander_sd**2 * np.exp(-np.abs(at[:, None] - at) / memory)

    def _wander_s(self) -> float:
        assert self._episode is not None
        history = self._episode.history
        known = self.prior.wander_s
        return known if known is not None else max(0.5 * (history.end_s - history.start_s), 1.0)

    def _refit(self, episode: _Episode) -> None:
        problem = self._problem(episode)
        episode.found = fit(problem, self._warm(episode, problem), _ITERATIONS)
        episode.problem = problem
        episode.ensemble = None
        episode.fitted_s, episode.fitted_cell_s = episode.history.end_s, episode.history.cell_s
        episode.cells = 0
        run = episode.likely = simulate_past(problem, episode.found.xi[None])
        gaps = usual_gaps(problem, run)
        self._doubt.settle({p: float(g) for p, g in zip(self.places, gaps, strict=True) if math.isfinite(g)})
        if self._heating.is_tested:
            self._remember(episode, run, gaps)

    def _remember(self, episode: _Episode, run: Run, gaps: Array) -> None:
        """What should follow the most likely past, to test the heater against."""
        history = episode.history
        risen = np.abs(run.states[0, -1] - run.states[0, 0])[STAGES : STAGES + len(self.places)]
        sure = np.hypot(0.5 * self.prior.reading_sd_c, 0.5 * self.prior.discrepancy * risen)
        horizon_s = max(_LOOK_AHEAD * (history.end_s - history.start_s), 16 * self._spacing())
        if self.prior.is_engine:
            horizon_s = float(np.clip(horizon_s, 2400.0, 4800.0))
        self._checkpoints.add(
            look_ahead(history, run, self._heating.expected, self.prior.usual_rise_c, gaps, sure, horizon_s)
        )

    def _believe(self, obs: Observation) -> None:
        """Set aside a place that leaves what is expected of it alone; let it back when it returns."""
        episode = self._episode
        if episode is None or episode.problem is None or episode.likely is None or self._running.may_run:
            return
        lag_s = math.exp(float(episode.likely.theta[0, SHARED.index("log_lag_s")]))
        changed_s = max(self._heater_changed_s, self._heater_seen_s)
        if obs.t_s < changed_s + max(3 * lag_s, _SETTLES_S if self.prior.is_engine else 0.0):
            return  # a heater that was just switched moves what lies beside it at once
        read = {p: v for p, v in obs.values_c.items() if p not in obs.sigma_c}
        n = len(self.places)
        should = expected(replace(episode.problem, history=episode.history), episode.likely)[0]
        gaps = {p: read[p] - episode.reference_c - should[i] for i, p in enumerate(self.places) if p in read}
        plume = of_place(episode.likely.theta, "plume_c", n)[0]
        may_have_stopped = self._heating.is_tested and self._heating.heating is not False
        plumes = dict(zip(self.places, map(float, plume), strict=True))
        if self._doubt.take(obs.t_s, gaps, plumes, may_have_stopped):
            self._refit(episode)

    def _warm(self, episode: _Episode, problem: Problem) -> Array:
        """Where to start a fit: at the last one's parameters, in this problem's directions."""
        if episode.problem is None or episode.found is None:
            return np.zeros(problem.factor.shape[1])
        before, p = episode.problem, len(self._names)
        theta = before.theta(episode.found.xi)
        bent = np.interp(problem.knots_s, before.knots_s, theta[p:])
        wanted = np.concatenate([theta[:p], bent]) - problem.mean
        rows = np.flatnonzero(problem.factor.any(1))
        return np.asarray(np.linalg.solve(problem.factor[rows], wanted[rows]))

    def _sampled(self, episode: _Episode) -> tuple[Problem, Ensemble]:
        """The posterior's samples: those of the last fit, drawn when first asked for, and the problem as it
        is now."""
        if episode.problem is None or episode.found is None:
            problem = self._problem(episode)
            found = fit(problem, self._warm(episode, problem), _ITERATIONS)
            return problem, sample(problem, found, self._normals)
        if episode.ensemble is None:
            episode.ensemble = sample(episode.problem, episode.found, self._normals)
        return replace(episode.problem, history=episode.history), episode.ensemble

    def _evidence(self, obs: Observation) -> Evidence | None:
        """What the places say of a change of the heater, over the window that tells most."""
        assert self._episode is not None
        on_s = self._heating.on_at
        believed = np.array([float(p not in self._doubt.set_aside) for p in self.places])
        if self._promise is not None:
            return self._kept_promise(self._promise, believed)
        points = [
            p for p in self._checkpoints.of_ages(obs.t_s) if on_s is None or self._heat_had_come(p, on_s)
        ]
        if not points:
            return None
        oldest = min(p.t_s for p in points)
        rows = Rows.of([r for r in self._recent if r.t_s > oldest], self.places, self.prior.reading_sd_c)
        was_on, reference_c = self._heating.heating is not False, self._episode.reference_c
        said = (weigh(p, rows, believed, reference_c, was_on) for p in points)
        found = strongest([e for e in said if e is not None])
        if found is None or found.log_odds < 0 or not self.prior.is_engine:
            return found
        rows = Rows.of(list(self._recent), self.places, self.prior.reading_sd_c)
        if was_on:
            return None if rises_on(rows, believed, found.changed_s) else found
        return found if rises_again(rows, found.foremost, found.changed_s) else None

    def _kept_promise(self, promise: Checkpoint, believed: Array) -> Evidence | None:
        """Whether a heater that was switched on ever warmed; asked until that is told."""
        assert self._episode is not None
        rows = Rows.of([r for r in self._recent if r.t_s > promise.t_s], self.places, self.prior.reading_sd_c)
        said = weigh_promise(promise, rows, believed, self._episode.reference_c, self.prior.reading_sd_c)
        if said is not None and said.log_odds != 0:
            self._promise = None
        return said

    def _heat_had_come(self, point: Checkpoint, on_s: float) -> bool:
        """Whether the places had clearly risen by then, or should have long since: before the heat has
        come through, its lag and a dead heater look the same."""
        waited = point.t_s - on_s
        if waited > max(_NO_RISE_S, 6 * point.lag_s):
            return True
        return waited > 3 * point.lag_s and point.risen_c > max(10 * self.prior.reading_sd_c, 1.0)

    # -- answering ---------------------------------------------------------------------------------

    def forecast(self) -> Forecast:
        """What is expected at the last observation. Changes nothing."""
        if self._last is None or self._episode is None:
            return Forecast(self._last.t_s if self._last else 0.0, first_of_setup=self.memory is None)
        return self._answer(self._episode, *self._futures(self._episode))

    def glance(self, before: Forecast) -> Forecast:
        """An earlier forecast brought up to the last observation in what costs nothing: coldest place,
        heater, places set aside. For rows nobody asks a forecast of."""
        if self._last is None:
            return before
        coldest = self._coldest()
        return replace(
            before,
            t_s=self._last.t_s,
            coldest=coldest[0] if coldest else None,
            coldest_c=coldest[1] if coldest else None,
            heating=self._heating.heating,
            heater_on_at=self._heating.on_at,
            heater_off_at=self._heating.off_at,
            set_aside=tuple(sorted(self._doubt.set_aside)),
            signs=self._signs.now,
        )

    def taught(self) -> Memory | None:
        """The memory with what this run taught; the old one where it was no clean heat-up."""
        return self.lesson().memory

    def lesson(self) -> Lesson:
        """What this run taught, and how clean it was."""
        episode = self._episode
        if episode is None or self._heating.on_at is None:
            return Lesson(self.memory, False, "no heat-up was seen")
        falls = tuple(self._falls.done)
        if self._ran_s > self._heating.on_at:
            return Lesson(self.memory, False, "the engine ran in it", falls=falls)
        if self._doubt.set_aside:
            return Lesson(self.memory, False, f"{min(self._doubt.set_aside)} was not believed", falls=falls)
        if self._heating.is_tested and not (self._heating.told or self._heating.recognised):
            return Lesson(self.memory, False, "whether it was the heater is not known", falls=falls)
        if self.heater_mode == "none" and self._heating.on_sd_s > _KNOWN_ON_S:
            return Lesson(self.memory, False, "when the heater was switched on is not known", falls=falls)
        value, variance, _ = episode.history.readings()
        rise = np.where(np.isfinite(variance), value - episode.start_c, 0.0).max()
        if rise < _TEACHES_C:
            return Lesson(self.memory, False, f"nothing rose by {_TEACHES_C:g} °C", falls=falls)
        # What follows a suspected failure teaches nothing.
        theta, covariance = self._last_clean or self._found(episode)
        power = self._heating.mean_share()
        memory, changed = learned.absorb(self.memory, self.prior, self.places, theta, covariance, power)
        return Lesson(memory, True, "", not self._was_above, falls, changed)

    def _found(self, episode: _Episode) -> tuple[Array, Array]:
        """Most likely parameters of the run so far, and their covariance."""
        problem, p = self._problem(episode), len(self._names)
        found = fit(problem, self._warm(episode, problem), 4)
        spread = (problem.factor @ found.spread)[:p]
        return problem.theta(found.xi)[:p], spread @ spread.T

    def places_now(self) -> dict[str, tuple[float, float]]:
        """Middle and 1σ of each place's temperature [°C] as the samples have it at the last observation; {}
        before the first. Changes nothing."""
        episode = self._episode
        if episode is None:
            return {}
        problem, ensemble = self._sampled(episode)
        metal = present(problem, ensemble)[:, STAGES : STAGES + len(self.places)] + episode.reference_c
        middle = ensemble.weight @ metal
        spread = np.sqrt(ensemble.weight @ (metal - middle) ** 2)
        return {p: (float(m), float(s)) for p, m, s in zip(self.places, middle, spread, strict=True)}

    def outlook(
        self, cover: bool = True, plugs: bool = True, wind_m_s: float | None = None
    ) -> Outlook | None:
        """The posterior's samples now, for questions about what comes; None before the first observation.

        cover, plugs: what is on and could come off; wind_m_s: the wind then [m/s], None unknown. At rest the
        samples are those of the setup and the day, as its memory and the rest so far tell of them.
        """
        last, episode = self._last, self._episode
        if last is None or episode is None:
            return None
        problem, ensemble = self._sampled(episode)
        theta = ensemble.run.theta
        power, power_sd = self._coming_power()
        bank, lag_s = copy.copy(self._core), self._core_lag_s()  # the bank lives on with the next tick
        return Outlook(
            t_s=last.t_s,
            a=ensemble.run.a,
            z=present(problem, ensemble),
            weight=ensemble.weight,
            needed=self._needed,
            target_c=self.target_c,
            reference_c=episode.reference_c,
            ambient_c=self._air(episode) + theta[:, SHARED.index("ambient_offset_c")],
            usual_rise_c=self.prior.usual_rise_c,
            level=power * np.exp(power_sd * self._future_normals[:, 0]),
            uncovering=uncovering(self._future_normals[:, 1], wind_m_s, cover, plugs),
            log_loss=theta[:, -1],
            wander_sd=self.prior.wander_sd,
            wander_s=self._wander_s(),
            stopping=np.exp(theta[:, SHARED.index("log_off_loss")]),
            air_known=self._ambient_c is not None,
            above_since_s=self._above_since,
            core=lambda t_s, places_c, air_c: bank.coming(t_s, places_c, air_c, lag_s),
        )

    def _coming_power(self) -> tuple[float, float]:
        """Share of full power that heat goes on or will come with, and the spread of its logarithm: as it is
        now, else as in the setup's last heat-ups, or as it was in this run."""
        heating, sd = self._heating, self.prior.power_sd
        if heating.share:
            return heating.share, sd
        if self.memory is None or not self.memory.powers:
            return heating.mean_share() or 1.0, sd
        log_power, sd = learned.usual_power(self.memory.powers)
        return math.exp(log_power), sd

    def _horizon(self) -> float:
        assert self._last is not None
        on = self._heating.on_at
        left = CAP_S if on is None else on + CAP_S - self._last.t_s
        return max(60.0, left)

    def _futures(self, episode: _Episode) -> tuple[Futures, Array]:
        """Sampled futures of the places, and of the core in each of them [°C]."""
        problem, ensemble = self._sampled(episode)
        z = present(problem, ensemble)
        elapsed = max(episode.history.end_s - episode.history.start_s, episode.history.cell_s)
        t_s, _ = grid(min(60.0, max(0.5, elapsed / 64)), self._horizon())
        heater = self._coming_heat(t_s[:-1])
        wander = self._future_normals[:, 1, None] * self.prior.air_sd_c_per_sqrt_h
        air = self._air(episode) + ensemble.run.theta[:, SHARED.index("ambient_offset_c"), None]
        ambient = air + wander * np.sqrt(t_s[:-1] / 3600.0)
        loss = self._coming_loss(ensemble.run.theta[:, -1], t_s)
        loss = loss * np.exp(off_loss(ensemble.run.theta, heater))
        futures = sample_futures(
            ensemble.run.a, z, ensemble.weight, t_s, heater, ambient, loss, self.prior.usual_rise_c
        )
        core = self._core.coming(
            t_s, futures.nodes + episode.reference_c, ambient + episode.reference_c, self._core_lag_s()
        )
        return futures, core

    def _coming_loss(self, log_now: Array, t_s: Array) -> Array:
        """Factor on the losses in each step to come: from what they are now, wandering on: (b, k)."""
        keep = np.exp(-np.diff(t_s) / self._wander_s())
        fresh = self.prior.wander_sd * np.sqrt(1 - keep**2) * self._loss_normals[:, : len(keep)]
        path = np.empty(fresh.shape)
        log_loss = log_now
        for k in range(len(keep)):
            log_loss = log_loss * keep[k] + fresh[:, k]
            path[:, k] = log_loss
        return np.asarray(np.exp(path))

    def _coming_heat(self, t_s: Array) -> Array:
        """Heater share of each sample in each step. A heater that is off comes back in some of them."""
        noise = np.exp(self.prior.power_sd * self._future_normals[:, 0, None])
        assert self._last is not None
        return self._heating.coming(t_s, self._last.t_s, self._future_uniforms) * noise

    def _answer(self, episode: _Episode, futures: Futures, core: Array) -> Forecast:
        last = self._last
        assert last is not None
        weight = futures.weight
        low = futures.nodes[:, :, self._needed].min(2) + episode.reference_c
        above = self._passage(futures.t_s, low, weight)
        alike = np.full(_SAMPLES, 1 / _SAMPLES)  # nothing that is probed tells one core from another
        core_now = quantiles(core[:, 0], alike, _DECILES)
        core_above = self._quantiles_of(first_passage(futures.t_s, core, self.need_c), weight)
        coldest = self._coldest()
        below = self._falls_below(futures, low)
        on = self._heating.on_at
        return Forecast(
            t_s=last.t_s,
            coldest=coldest[0] if coldest else None,
            coldest_c=coldest[1] if coldest else None,
            above_p10=above[0],
            above_p50=above[1],
            above_p90=above[2],
            p_reach=min(above[3], 1.0),
            plateau_c=self._plateau(episode),
            core_c=(core_now[0], core_now[1], core_now[2]),
            core_above_p=float(np.mean(core[:, 0] > self.need_c)),
            core_above_p50=core_above[1],
            core_above_p90=core_above[2],
            heating=self._heating.heating,
            heater_on_at=on,
            heater_off_at=self._heating.off_at,
            below_p10=below[0],
            below_p50=below[1],
            below_p90=below[2],
            set_aside=tuple(sorted(self._doubt.set_aside)),
            trends_c_per_h=self._trends(),
            fan=self._fan(futures, low),
            first_of_setup=self.memory is None or self.memory.heat_ups == 0,
            model_version=MODEL_VERSION,
            signs=self._signs.now,
        )

    def _passage(
        self, t_s: Array, low: Array, weight: Array
    ) -> tuple[float | None, float | None, float | None, float]:
        if self._above_since is not None:
            return self._above_since, self._above_since, self._above_since, 1.0
        if self._heating.on_at is None and self._heating.heating is False:
            return None, None, None, float(weight[np.isfinite(first_passage(t_s, low, self.target_c))].sum())
        return self._quantiles_of(first_passage(t_s, low, self.target_c), weight)

    def _quantiles_of(
        self, passage: Array, weight: Array
    ) -> tuple[float | None, float | None, float | None, float]:
        """10/50/90 % instants in run seconds and the chance, by the rules of `Forecast`."""
        assert self._last is not None
        passage = np.where(passage <= self._horizon(), passage, np.inf)
        reach = float(weight[np.isfinite(passage)].sum())
        if reach < 0.1:
            return None, None, None, reach
        p10, p50, p90 = quantiles(passage, weight, _DECILES)
        if not math.isfinite(p50):
            gets_there = np.isfinite(passage)
            p10, p50 = quantiles(passage[gets_there], weight[gets_there], (0.1, 0.5))
            p90 = math.inf
        now = self._last.t_s
        return now + p10, now + p50, (now + p90 if math.isfinite(p90) else None), reach

    def _coldest(self) -> tuple[str, float] | None:
        assert self._last is not None
        values = [(v, p) for p, v in self._last.values_c.items() if p in self.required]
        if not values:
            return None
        value, place = min(values)
        return place, value

    def _falls_below(self, futures: Futures, low: Array) -> tuple[float | None, float | None, float | None]:
        if self._above_since is None or self._heating.heating is not False:
            return None, None, None
        assert self._last is not None
        fall = first_passage(futures.t_s, low, self.target_c, upward=False)
        found = quantiles(fall, futures.weight, _DECILES)
        now = self._last.t_s
        p10, p50, p90 = (now + x if math.isfinite(x) else None for x in found)
        return p10, p50, p90

    def _plateau(self, episode: _Episode) -> tuple[float, float, float] | None:
        """Where the coldest required place levels off under full present heat."""
        share = self._heating.level()
        if share <= 0:
            return None
        _, ensemble = self._sampled(episode)
        a = ensemble.run.a
        air = self._air(episode) + ensemble.run.theta[:, SHARED.index("ambient_offset_c")]
        inner = a[:, STAGES:-2, STAGES:-2]
        forced = a[:, STAGES:-2, STAGES - 1] * share + a[:, STAGES:-2, -1] * air[:, None]
        steady = np.linalg.solve(inner, -forced[:, :, None])[:, :, 0]
        n = len(self.places)
        for _ in range(8):  # losses depend on the plateau itself
            eased = effective_air(np.asarray(steady[:, :n], dtype=np.float64), air, self.prior.usual_rise_c)
            forced = a[:, STAGES:-2, STAGES - 1] * share + a[:, STAGES:-2, -1] * eased[:, None]
            steady = (steady + np.linalg.solve(inner, -forced[:, :, None])[:, :, 0]) / 2
        steady += episode.reference_c
        found = quantiles(steady[:, self._needed].min(1), ensemble.weight, _DECILES)
        return found[0], found[1], found[2]

    def _fan(self, futures: Futures, low: Array) -> Fan:
        """At most 25 points of the coldest required place, to twice the median passage or the cap."""
        assert self._last is not None
        span = self._horizon()
        middle = quantiles(first_passage(futures.t_s, low, self.target_c), futures.weight, (0.9,))[0]
        if math.isfinite(middle):
            span = min(span, 1.5 * middle + float(futures.t_s[1]))
        wanted = np.linspace(0.0, span, 25)
        found = bands(between(futures.t_s, low, wanted), futures.weight, _DECILES)
        low_c, mid_c, high_c = (tuple(map(float, line)) for line in found)
        return Fan(tuple(map(float, self._last.t_s + wanted)), low_c, mid_c, high_c)

    def _trends(self) -> Mapping[str, float]:
        """Robust slope of each place [°C/h] over the last ten minutes, or for an unknown time scale over
        a tenth of it."""
        assert self._last is not None
        span = 600.0
        if not self.prior.is_engine and self._episode is not None:
            found = self._episode.found
            span = (
                float(np.clip(0.1 * math.exp(self._theta(found)[_TIME_SCALE]), 10.0, 600.0))
                if found
                else 60.0
            )
        rows = [r for r in self._recent if r.t_s >= self._last.t_s - span]
        if len(rows) < 4:
            rows = list(self._recent)[-4:]
        trends = {}
        for place in self.places:
            points = [(r.t_s, r.values_c[place]) for r in rows if place in r.values_c]
            if (slope := _robust_slope(points)) is not None:
                trends[place] = slope * 3600.0
        return trends

    def _theta(self, found: Fit) -> Array:
        assert self._episode is not None
        assert self._episode.problem is not None
        return self._episode.problem.theta(found.xi)


def _group(name: str, n: int) -> slice:
    """Where a group of PER_PLACE stands in the parameters of n places."""
    begin = len(SHARED) + PER_PLACE.index(name) * n
    return slice(begin, begin + n)


def _factor(covariance: Array) -> Array:
    """Factor of a covariance with a column for each quantity that is uncertain at all: (p, d)."""
    free = np.flatnonzero(np.diag(covariance) > 1e-10)
    factor = np.zeros((len(covariance), len(free)))
    inner = covariance[np.ix_(free, free)]
    factor[free] = np.linalg.cholesky((inner + inner.T) / 2 + 1e-9 * np.eye(len(free)))
    return factor


def _robust_slope(points: Sequence[tuple[float, float]]) -> float | None:
    """Median of the slopes between points half the span apart (Theil–Sen, thinned) [°C/s]."""
    if len(points) < 3:
        return None
    half = len(points) // 2
    slopes = [
        (v2 - v1) / (t2 - t1)
        for (t1, v1), (t2, v2) in zip(points[: len(points) - half], points[half:], strict=True)
    ]
    return float(np.median(slopes))


def learn(
    memory: Memory | None,
    observations: Iterable[Observation],
    places: Sequence[str],
    required: Sequence[str],
    target_c: float,
    prior: Prior,
    heater_mode: HeaterMode = "measured",
) -> Memory | None:
    """The memory after one more heat-up of the same setup; unchanged where it taught nothing clean."""
    estimator = Estimator(places, required, target_c, 0.0, prior, memory, heater_mode)
    for obs in observations:
        estimator.observe(obs)
    return estimator.taught()
