"""What the curve so far says of the parameters: a bounded fit from the prior, and samples around it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from probe_agent.thermal.history import History
from probe_agent.thermal.network import (
    HIDDEN,
    PER_PLACE,
    SHARED,
    STAGES,
    Array,
    build,
    of_place,
    simulate,
    transition,
)

_STEP = 0.02  # of a prior spread: large against rounding, small against curvature
_BOUND = 4.0  # prior spreads a parameter may wander
_DEGREES = 5.0  # Student's t of the residuals: a spike costs little
_STEPS = np.array([1.0, 0.5, 0.2, 0.05])
_ALIKE = 12.0
_WARM = 0.5  # a start this far from rest counts like so much of a rise: what no probe sees is unlike too
_AMBIENT, _CORE, _SHIFT, _OFF_LOSS = (
    SHARED.index(n) for n in ("ambient_offset_c", "core_offset_c", "on_shift", "log_off_loss")
)
_OFF = 0.02  # share below which the heater counts as off


@dataclass(frozen=True, slots=True)
class Problem:
    """All a fit needs: the curve, the prior, and how far the network is trusted.

    mean (p + k,), factor (p + k, d): prior of the parameters and of the log loss at k knots, in d
    independent directions; knots_s (k,): their instants; start_c: first temperatures of the places less
    the reference (n,); usual_rise_c: rise at which the couplings hold; on_s, on_sd_s: instant of
    heater-on and its uncertainty, 0 where it was measured.
    """

    history: History
    mean: Array
    factor: Array
    knots_s: Array
    start_c: Array
    discrepancy: float
    usual_rise_c: float
    on_s: float | None = None
    on_sd_s: float = 0.0

    def theta(self, xi: Array) -> Array:
        """Parameters and log losses of points in prior spreads (…, d): (…, p + k)."""
        return np.asarray(self.mean + xi @ self.factor.T)

    def loss(self, theta: Array) -> Array:
        """Factor on the losses in each cell: (b, cells)."""
        middles = self.history.start_s + self.history.cell_s * (np.arange(self.history.count) + 0.5)
        at = self.knots_s
        place = np.clip((middles - at[0]) / (at[1] - at[0]), 0.0, len(at) - 1.0)
        left = np.minimum(place.astype(int), len(at) - 2)
        share = place - left
        log_loss = theta[:, -len(at) :]
        log_loss = log_loss[:, left] * (1 - share) + log_loss[:, left + 1] * share
        return np.asarray(np.exp(log_loss + off_loss(theta, self.history.heater())))


def off_loss(theta: Array, heater: Array) -> Array:
    """Log of what the losses are with the heater off against on: (b, k). heater: shares (k,) or (b, k)."""
    return np.asarray(theta[:, _OFF_LOSS, None] * (heater < _OFF))


@dataclass(frozen=True, slots=True)
class Run:
    """Simulated past of several parameter vectors: theta (b, p + k), transition over a cell and states at
    cell borders, a and phi (b, m, m), states (b, cells + 1, m)."""

    theta: Array
    a: Array
    phi: Array
    states: Array


def simulate_past(problem: Problem, xi: Array) -> Run:
    """The past of each parameter vector in prior spreads: xi (b, d)."""
    theta = problem.theta(xi)
    n = len(problem.start_c)
    network = build(theta[:, : len(SHARED) + len(PER_PLACE) * n], n)
    heater = np.broadcast_to(problem.history.heater(), (len(theta), problem.history.count))
    if problem.on_s is not None and problem.on_sd_s > 0:
        heater = _shift_on(problem, theta[:, _SHIFT], heater)
    ambient = problem.history.ambient() + theta[:, _AMBIENT, None]
    start = np.zeros((len(theta), STAGES + n + HIDDEN + 2))
    metal = problem.start_c - of_place(theta, "offset_c", n) + of_place(theta, "start_offset_c", n)
    start[:, STAGES : STAGES + n] = metal
    mean = metal.mean(1)
    start[:, STAGES + n] = mean + theta[:, _CORE]
    start[:, STAGES + n + 1] = mean + theta[:, _CORE] / 2
    start[:, STAGES + n + 2] = (mean + ambient[:, 0]) / 2
    phi = transition(network.a, problem.history.cell_s)
    states = simulate(phi, start, heater, ambient, problem.usual_rise_c, problem.loss(theta))
    return Run(theta, network.a, phi, states)


def _shift_on(problem: Problem, shift: Array, heater: Array) -> Array:
    """Heater shares when heater-on came earlier or later than assumed."""
    history = problem.history
    assert problem.on_s is not None
    begins = history.start_s + history.cell_s * np.arange(history.count)
    on = problem.on_s + problem.on_sd_s * shift[:, None]
    fraction = np.clip((begins + history.cell_s - on) / history.cell_s, 0.0, 1.0)
    first = min(history.count - 1, max(0, int((problem.on_s - history.start_s) / history.cell_s) + 1))
    share = np.where(begins <= problem.on_s + history.cell_s, heater[:, first : first + 1], heater)
    return share * fraction


def _gaps(problem: Problem, run: Run, last: int | None = None) -> tuple[Array, Array, Array]:
    """Readings less what the probes should read, of the last cells (all): (b, k, n); the variance of the
    readings, inf where there is none, and how far they have moved, or started from rest: (k, n)."""
    value, variance, fraction = problem.history.readings()
    rows = slice(0 if last is None else max(0, len(value) - last), len(value))
    value, variance, fraction = value[rows], variance[rows], fraction[rows]
    n = value.shape[1]
    states = run.states[:, -len(value) - 1 :]
    nodes, heat = states[:, :, STAGES : STAGES + n], states[:, :, STAGES - 1]
    model = nodes[:, :-1] + (nodes[:, 1:] - nodes[:, :-1]) * fraction
    felt = heat[:, :-1, None] + (heat[:, 1:] - heat[:, :-1])[:, :, None] * fraction
    model += of_place(run.theta, "offset_c", n)[:, None] + of_place(run.theta, "plume_c", n)[:, None] * felt
    seen = np.isfinite(variance)
    warm = max(0.0, float(np.mean(problem.start_c)) - float(problem.history.ambient()[0]))
    rise = np.where(seen, np.maximum(np.abs(value - problem.start_c), _WARM * warm), 0.0)
    return np.where(seen, value - model, 0.0), variance, rise


def _compare(problem: Problem, run: Run) -> Array:
    """Residuals in units of their spread, 0 where there is none: (b, k, n)."""
    gap, variance, rise = _gaps(problem, run)
    seen = np.isfinite(variance)
    # Errors of the network are alike in neighbouring cells: a dozen of them bear independent news.
    alike = max(1.0, seen.any(1).sum() / _ALIKE)
    spread = np.sqrt(np.where(seen, variance, 1.0) + alike * (0.02 + problem.discrepancy * rise) ** 2)
    return np.asarray(gap / spread)


def _cost(residual: Array, xi: Array) -> Array:
    """Minus twice the log posterior, up to a constant: (b,)."""
    fit = (_DEGREES + 1) * np.log1p(residual**2 / _DEGREES)
    return np.asarray(fit.reshape(len(fit), -1).sum(1) + (xi**2).sum(1))


@dataclass(frozen=True, slots=True)
class Fit:
    """The most likely parameters in prior spreads xi (p,), and a factor of their covariance (p, p).

    settled: a full step from the last point but one was below one standard deviation, which is what the
    coarse differences of the derivative allow to tell; False: the iterations ran out, or the descent stuck
    elsewhere than at a minimum.
    """

    xi: Array
    spread: Array
    settled: bool


def fit(problem: Problem, xi: Array, iterations: int) -> Fit:
    """The heat balance fitted to the curve so far, from xi."""

    def residual_of(points: Array) -> Array:
        return _compare(problem, simulate_past(problem, points)).reshape(len(points), -1)

    return descend(residual_of, xi, iterations)


def descend(residual_of: Callable[[Array], Array], xi: Array, iterations: int) -> Fit:
    """Gauss-Newton with Student weights from xi (p,), in prior spreads; each iteration takes the best of
    several step lengths, or stays where it is.

    residual_of: points (b, p) to residuals in units of their spread (b, k).
    """
    p = len(xi)
    offsets = np.vstack([np.zeros(p), _STEP * np.eye(p)])
    spread: Array = np.eye(p)
    settled = False
    for _ in range(iterations):
        residual = residual_of(xi + offsets)
        base = residual[0]
        jacobian = (residual[1:] - base).T / _STEP
        weight = (_DEGREES + 1) / (_DEGREES + base**2)
        hessian = (jacobian.T * weight) @ jacobian + np.eye(p)
        inverse = np.linalg.inv(hessian)
        spread = np.asarray(np.linalg.cholesky((inverse + inverse.T) / 2), dtype=np.float64)
        step = inverse @ -(jacobian.T @ (weight * base) + xi)
        here = float(_cost(residual[:1], xi[None])[0])
        candidates = np.clip(xi + _STEPS[:, None] * step, -_BOUND, _BOUND)
        costs = _cost(residual_of(candidates), candidates)
        chosen = int(np.argmin(costs))
        settled = bool(step @ hessian @ step < 1.0)
        if not costs[chosen] < here:
            break
        xi = candidates[chosen]
        if here - costs[chosen] < 0.05:
            break
    return Fit(xi, spread, settled)


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Weighted samples of the posterior and their past; weight (b,)."""

    run: Run
    weight: Array


def sample(problem: Problem, found: Fit, normals: Array) -> Ensemble:
    """Samples of the posterior, from the fit's normal approximation, reweighted by the true one as far
    as enough samples keep a weight. normals: (b, d or more) fixed standard normals."""
    normals = normals[:, : len(found.xi)]
    xi = np.clip(found.xi + normals @ found.spread.T, -_BOUND - 1, _BOUND + 1)
    run = simulate_past(problem, xi)
    log_weight = -0.5 * _cost(_compare(problem, run), xi) + 0.5 * (normals**2).sum(1)
    return Ensemble(run, _temper(log_weight))


def live_on(problem: Problem, run: Run) -> Run:
    """A run that is older than the history, lived on through its newer cells."""
    history = problem.history
    cells = history.count - run.states.shape[1] + 2  # the newest cell is not complete
    heater = history.heater()[-cells:]
    ambient = history.ambient()[-cells:] + run.theta[:, _AMBIENT, None]
    newer = simulate(
        run.phi,
        run.states[:, -2],
        np.broadcast_to(heater, ambient.shape),
        ambient,
        problem.usual_rise_c,
        np.exp(run.theta[:, -1:] + off_loss(run.theta, heater)),
    )
    return Run(run.theta, run.a, run.phi, np.concatenate([run.states[:, :-2], newer], axis=1))


def expected(problem: Problem, run: Run) -> Array:
    """What the probes should read at the last observation: (b, n)."""
    n = len(problem.start_c)
    z = _newest(problem.history, live_on(problem, run))
    plume = of_place(run.theta, "plume_c", n) * z[:, STAGES - 1, None]
    return z[:, STAGES : STAGES + n] + of_place(run.theta, "offset_c", n) + plume


def usual_gaps(problem: Problem, run: Run) -> Array:
    """How far the readings of the last cells are from the network, nan where there is none: (n,)."""
    gap, variance, _ = _gaps(problem, run, 4)
    seen = np.isfinite(variance)
    count = seen.sum(0)
    return np.asarray(np.where(count > 0, gap[0].sum(0) / np.maximum(count, 1), np.nan))


def present(problem: Problem, ensemble: Ensemble) -> Array:
    """States at the last observation (b, m), the places where they were read."""
    lived = live_on(problem, ensemble.run)
    z = _newest(problem.history, lived)
    z[:, STAGES : STAGES + len(problem.start_c)] += _recent(problem, lived)
    return z


def _newest(history: History, lived: Run) -> Array:
    """States at the last observation: (b, m)."""
    share = (history.end_s - history.start_s) / history.cell_s - (history.count - 1)
    before, after = lived.states[:, -2], lived.states[:, -1]
    return np.asarray(before + (after - before) * share)


def _temper(log_weight: Array) -> Array:
    """Weights ∝ exp(c·log_weight) with the largest c ≤ 1 that leaves a third of the samples in effect."""
    low, high = 0.0, 1.0
    shifted = log_weight - log_weight.max()
    for step in range(12):
        c = high if step == 0 else (low + high) / 2
        weight = np.exp(c * shifted)
        enough = weight.sum() ** 2 / (weight**2).sum() >= len(weight) / 3
        if enough and step == 0:
            break
        low, high = (c, high) if enough else (low, c)
    weight = np.exp(low * shifted) if not enough else weight
    return np.asarray(weight / weight.sum())


def _recent(problem: Problem, run: Run) -> Array:
    """How far the places are from the network now, as far as it is not reading error: (b, n)."""
    gap, variance, rise = _gaps(problem, run, 8)
    seen = np.isfinite(variance)
    age = np.arange(gap.shape[1])[::-1, None] / 2.5
    weight = np.where(seen, np.exp(-age), 0.0)
    total = weight.sum(0)
    safe = np.where(total > 0, total, 1.0)
    mean = (gap * weight).sum(1) / safe
    noise = (np.where(seen, variance, 0.0) * weight**2).sum(0) / safe**2
    trust = (0.02 + problem.discrepancy * rise.max(0)) ** 2
    gain = np.where(total > 0, trust / (trust + noise), 0.0)
    limit = 4 * np.sqrt(trust + noise)
    return np.asarray(np.clip(mean, -limit, limit) * gain)
