"""What the curve says of the heater: whether it still warms, warms again, or ever did.

The most likely past is remembered now and then (a checkpoint), and what should follow it is computed with
the heater on, with the heater off and with other losses. What was read since is then compared with each
instant at which the heater may have stopped, or resumed; what else may have bent the curve (a supply that
gives less, another wind, a cover that is gone, the network's own errors) is allowed for with its usual
size, a place that came off its metal by leaving it out.

Sources: a change at an unknown instant by its likelihood (Willsky and Jones, 1976, generalised likelihood
ratio, from memory); normal errors with shared causes (any text on linear regression).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from probe_agent.readings import Observation
from probe_agent.thermal.history import History
from probe_agent.thermal.network import SHARED, STAGES, Array, of_place, simulate, transition
from probe_agent.thermal.posterior import Run, off_loss

NDArrayInt = NDArray[np.int64]

_STEPS = 48
_PARTS = 10  # the readings since a checkpoint, averaged to so many instants
_TELLS = 15.0  # reading errors a rise must be promised to have been
_DEAD_LAGS = 4.0  # how late a heater may come that comes at all
_NOTHING, _NOTHING_ODDS = 0.12, 10.0  # share of what was promised that is as good as none
_FEWEST = 3  # rows
_INSTANTS = 12  # at so many instants the heater may have changed
_KEPT = 40
_OTHER_LOSS = 0.4  # log of the factor with which the response to the losses is computed
_CHANGED_LOSS = 0.9  # a cover gone, a wind risen: spread of the log losses' change
_LESS_POWER = 0.08  # spread of what the heater gives against what it gave
_UNLIKE = 0.12  # error of the network: of each place's response to the heater
_CLEARLY_C, _GOES_ON = 1.5, 0.6  # six steps of a converter; the fastest place loses its heater first
_RISEN_C = 0.4
_CAME_OFF = 0.002  # chance that a place came off meanwhile
_LOOSE_C = 6.0  # where its readings then lie
_ALIKE = 2.0  # errors in neighbouring instants are alike: two bear the news of one
_AGES = (0.6, 1.6, 4.0)  # of the lag: how old a checkpoint should be


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the curve says of one change of the heater: a stop while it was believed on, else a resumption.

    changed_s: the likeliest instant, [since_s, now]; log_odds: how much better the readings agree with it
    than with no change, natural logarithm of the ratio of the likelihoods; seen: the change as a share of
    the full one, and error, its standard error; foremost: the column of the place it should show in first.
    """

    since_s: float
    changed_s: float
    log_odds: float
    seen: float
    error: float
    foremost: int = 0


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What should follow an instant t_s, as it was seen then [°C less the run's reference].

    at_s (k,): seconds from t_s; on, off, windy (k, n): with the heater, without, with other losses;
    offset, offset_sd (n,): readings less network at t_s; risen_c: how far the places had risen in the mean.
    """

    t_s: float
    at_s: Array
    on: Array
    off: Array
    windy: Array
    offset: Array
    offset_sd: Array
    lag_s: float
    risen_c: float

    def ahead(self, curve: Array, t_s: Array) -> Array:
        """A curve at t_s, straight between its steps: (len(t_s), n)."""
        at = np.clip((t_s - self.t_s) / self.at_s[1], 0.0, len(self.at_s) - 1.001)
        before = at.astype(int)
        share = (at - before)[:, None]
        return np.asarray(curve[before] * (1 - share) + curve[before + 1] * share)

    def response(self, t_s: Array, from_s: float) -> Array:
        """What a heater on since from_s has added by t_s: (len(t_s), n)."""
        late = np.maximum(t_s - from_s, 0.0)
        return self.ahead(self.on - self.off, self.t_s + late)


def look_ahead(
    history: History,
    run: Run,
    share: float,
    usual_rise_c: float,
    offset: Array,
    offset_sd: Array,
    horizon_s: float,
) -> Checkpoint:
    """The checkpoint at the end of a most likely past (b = 1).

    share: of full power when the heater works; offset, offset_sd (n,): readings less network there, and
    how well that is known; horizon_s: how far to look [s].
    """
    a, theta = run.a[0], run.theta[0]
    place = (history.end_s - history.start_s) / history.cell_s - (history.count - 1)
    state = run.states[0, -2] + place * (run.states[0, -1] - run.states[0, -2])
    lag_s = math.exp(theta[SHARED.index("log_lag_s")])
    ambient = float(history.ambient()[-1]) + theta[SHARED.index("ambient_offset_c")]
    n = len(offset)
    dt_s = horizon_s / _STEPS
    shares = np.repeat([[share], [0.0], [share]], _STEPS, axis=1)
    thetas = np.repeat(theta[None], 3, axis=0)
    log_loss = theta[-1] + off_loss(thetas, shares) + np.array([[0.0], [0.0], [_OTHER_LOSS]])
    phi = np.repeat(transition(a[None], dt_s), 3, axis=0)
    z = np.repeat(state[None], 3, axis=0)
    states = simulate(phi, z, shares, np.full((3, _STEPS), ambient), usual_rise_c, np.exp(log_loss))
    nodes, heat = states[:, :, STAGES : STAGES + n], states[:, :, STAGES - 1, None]
    read: Array = (
        nodes + of_place(thetas, "plume_c", n)[:, None] * heat + of_place(thetas, "offset_c", n)[:, None]
    )
    at_s: Array = dt_s * np.arange(_STEPS + 1, dtype=np.float64)
    risen_c = float(np.mean(nodes[0, 0] - run.states[0, 0, STAGES : STAGES + n]))
    return Checkpoint(history.end_s, at_s, read[0], read[1], read[2], offset, offset_sd, lag_s, risen_c)


class Checkpoints:
    """Those of the last hours, the newest last."""

    def __init__(self) -> None:
        self._kept: list[Checkpoint] = []

    def clear(self) -> None:
        self._kept.clear()

    def add(self, point: Checkpoint) -> None:
        """A new one; of the old ones every other goes when there are too many."""
        self._kept.append(point)
        if len(self._kept) > _KEPT:
            half = len(self._kept) // 2
            self._kept = self._kept[:half:2] + self._kept[half:]

    def of_ages(self, now_s: float) -> list[Checkpoint]:
        """One of about each age that tells, and whose readings the curves reach."""
        chosen: dict[float, Checkpoint] = {}
        for lags in _AGES:
            old = [p for p in self._kept if now_s - p.t_s >= lags * p.lag_s and now_s <= p.t_s + p.at_s[-1]]
            if old:
                chosen[old[-1].t_s] = old[-1]
        return list(chosen.values())


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of readings as one table: t_s (k,), value_c and sd_c (k, n), nan where there is none."""

    t_s: Array
    value_c: Array
    sd_c: Array

    @staticmethod
    def of(rows: Sequence[Observation], places: Sequence[str], usual_sd_c: float) -> Rows:
        """The readings of these places; those without an error of their own have the usual one."""
        value = np.array([[r.values_c.get(p, math.nan) for p in places] for r in rows])
        sd = np.full(value.shape, usual_sd_c)
        for k, row in enumerate(rows):
            for place, its in row.sigma_c.items():
                if place in row.values_c and place in places:
                    sd[k, places.index(place)] = its
        return Rows(np.array([r.t_s for r in rows]), value, sd)

    def since(self, t_s: float) -> Rows:
        """Those later than t_s."""
        first = int(np.searchsorted(self.t_s, t_s, side="right"))
        return Rows(self.t_s[first:], self.value_c[first:], self.sd_c[first:])


def weigh(
    point: Checkpoint, rows: Rows, believed: Array, reference_c: float, was_on: bool
) -> Evidence | None:
    """What the rows since a checkpoint say; None where they are too few.

    believed (n,): 0 for the places that are not; reference_c: the run's; was_on: whether the heater warmed
    at the checkpoint, so that a stop is looked for, else a resumption.
    """
    seen = _averaged(point, rows.since(point.t_s), believed, reference_c)
    if seen is None:
        return None
    base = point.on if was_on else point.off
    gap = seen.value - point.offset[seen.column] - _picked(point.ahead(base, seen.t_s), seen.column)
    shared = _shared_errors(point, seen)
    instants = np.linspace(point.t_s, float(rows.t_s[-1]), _INSTANTS + 1)[:-1]
    sign = -1.0 if was_on else 1.0
    changes = np.stack([sign * _picked(point.response(seen.t_s, s), seen.column) for s in instants])
    tell = np.abs(changes).max(1) > 0  # the latest may not have come through yet
    if not tell.any():
        return None
    instants, changes = instants[tell], changes[tell]
    whitened = _Whitening(shared, seen.variance)
    plain = float(whitened.loss(gap[None])[0])
    losses = whitened.loss(gap - changes)
    best = int(np.argmin(losses))
    gain, bottom = whitened.product(changes[best], gap), whitened.product(changes[best], changes[best])
    rival = min(plain, _without_one(gap, shared, seen)) if plain > losses[best] else plain
    # Instants beside the best one agree nearly as well.
    weight = np.exp(-0.5 * (losses - losses[best]) / _ALIKE)
    shows = point.response(rows.t_s[-1:], float(instants[best]))[0]
    return Evidence(
        point.t_s,
        float(weight @ instants / weight.sum()),
        float(0.5 * (rival - losses[best]) / _ALIKE),
        float(gain / bottom),
        math.sqrt(_ALIKE / bottom),
        int(np.argmax(np.where(believed > 0, shows, -math.inf))),
    )


def weigh_promise(
    promise: Checkpoint, rows: Rows, believed: Array, reference_c: float, reading_sd_c: float
) -> Evidence | None:
    """Whether a heater warmed anything since it was switched on, against what such a heater should do.

    promise: the checkpoint at heater-on of a heat-up as it is believed before its curve, so that only a rise
    of nearly nothing counts against it. None where that can't be told yet; log_odds below 0: it warms.
    """
    waited_s = float(rows.t_s[-1] - promise.t_s) if len(rows.t_s) else 0.0
    if waited_s < _DEAD_LAGS * promise.lag_s:
        return None
    seen = _averaged(promise, rows.since(promise.t_s + 0.8 * waited_s), believed, reference_c)
    if seen is None:
        return None
    should = _picked(promise.response(seen.t_s, promise.t_s), seen.column)
    rises = seen.value - _picked(promise.ahead(promise.off, seen.t_s), seen.column)
    size = float(should @ should)
    if math.sqrt(size / len(should)) < _TELLS * reading_sd_c:
        return None
    share = float(should @ rises) / size
    error = 2 * reading_sd_c / math.sqrt(size)
    odds = _NOTHING_ODDS if share + 2 * error < _NOTHING else (-1.0 if share > 2 * _NOTHING else 0.0)
    return Evidence(promise.t_s, promise.t_s, odds, 1.0 - share, error)


def rises_on(rows: Rows, believed: Array, since_s: float) -> bool:
    """Whether the place that rose fastest before an instant rises nearly as fast since: then no heater
    stopped there, however badly the network fits. False where it rose too little to tell."""
    span_s = float(rows.t_s[-1]) - since_s if len(rows.t_s) else 0.0
    before = _slopes(rows, since_s - span_s, since_s)
    after = _slopes(rows, since_s + span_s / 3, math.inf)
    both = (believed > 0) & np.isfinite(before) & np.isfinite(after)
    if not both.any():
        return False
    fastest = int(np.argmax(np.where(both, before, -math.inf)))
    return bool(before[fastest] * span_s > _CLEARLY_C and after[fastest] > _GOES_ON * before[fastest])


def rises_again(rows: Rows, foremost: int, since_s: float) -> bool:
    """Whether the place a resumed heater should show in first has risen since, and faster than before: what
    cools in the same air does so ever more slowly, but doesn't rise."""
    span_s = float(rows.t_s[-1]) - since_s if len(rows.t_s) else 0.0
    before = _slopes(rows, since_s - max(span_s, 180.0), since_s)[foremost]
    after = _slopes(rows, since_s, math.inf)[foremost]
    return bool(after * span_s > _RISEN_C and not before >= after)


def _slopes(rows: Rows, from_s: float, to_s: float) -> Array:
    """Slope of each place between two instants [K/s] (n,); nan where too few rows tell."""
    used = (rows.t_s >= from_s) & (rows.t_s <= to_s)
    t_s, value = rows.t_s[used], rows.value_c[used]
    if len(t_s) < _FEWEST or np.ptp(t_s) == 0:
        return np.full(rows.value_c.shape[1], math.nan)
    off_s = t_s - t_s.mean()
    return np.asarray(off_s @ value / (off_s @ off_s))


@dataclass(frozen=True, slots=True)
class _Seen:
    """Averages of the readings since a checkpoint, place after place: instant, value [°C less the
    reference], variance, column of the place."""

    t_s: Array
    value: Array
    variance: Array
    column: NDArrayInt


def _averaged(point: Checkpoint, rows: Rows, believed: Array, reference_c: float) -> _Seen | None:
    """The readings averaged to at most _PARTS instants a place."""
    count = len(rows.t_s)
    if count < _FEWEST:
        return None
    edges = np.linspace(0, count, min(_PARTS, count) + 1).astype(int)[:-1]
    read = np.isfinite(rows.value_c)
    number = np.add.reduceat(read.astype(float), edges, axis=0)
    safe = np.maximum(number, 1.0)
    value = np.add.reduceat(np.where(read, rows.value_c, 0.0), edges, axis=0) / safe - reference_c
    sd = np.add.reduceat(np.where(read, rows.sd_c, 0.0), edges, axis=0) / safe
    t_s = np.add.reduceat(np.where(read, rows.t_s[:, None], 0.0), edges, axis=0) / safe
    enough = (believed > 0) & np.isfinite(point.offset) & (read.sum(0) >= _FEWEST)
    used = (number > 0) & enough
    if not used.any():
        return None
    variance = sd**2 / np.clip(number, 1.0, 4.0) + 0.05**2
    column = np.broadcast_to(np.arange(value.shape[1]), value.shape)
    return _Seen(t_s[used], value[used], variance[used], column[used])


def _picked(of_places: Array, column: NDArrayInt) -> Array:
    """Of each row the column of its place."""
    return np.asarray(of_places[np.arange(len(column)), column])


def _shared_errors(point: Checkpoint, seen: _Seen) -> Array:
    """What may be wrong besides the heater, each cause a column in its own spread: (k, causes)."""
    heat = _picked(point.response(seen.t_s, point.t_s), seen.column)
    lost = point.windy - point.on
    half = 0.5 * (point.t_s + float(seen.t_s.max()))
    windy = _picked(point.ahead(lost, seen.t_s), seen.column)
    late = _picked(point.ahead(lost, point.t_s + np.maximum(seen.t_s - half, 0.0)), seen.column)
    columns = [_LESS_POWER * heat, _CHANGED_LOSS / _OTHER_LOSS * windy, _CHANGED_LOSS / _OTHER_LOSS * late]
    its = (seen.column[:, None] == np.unique(seen.column)).astype(float)
    own = its * point.offset_sd[seen.column][:, None]
    return np.concatenate([np.stack(columns, axis=1), own, _UNLIKE * its * heat[:, None]], axis=1)


class _Whitening:
    """Normal errors with the covariance diag(variance) + shared·sharedᵀ, inverted by Woodbury."""

    def __init__(self, shared: Array, variance: Array) -> None:
        self._by = 1 / variance
        scaled = shared * self._by[:, None]
        inner = np.eye(shared.shape[1]) + shared.T @ scaled
        self._inverse = np.linalg.inv(inner)
        self._scaled = scaled
        self.log_size = float(np.linalg.slogdet(inner)[1] + np.log(variance).sum())

    def product(self, x: Array, y: Array) -> float:
        u, v = self._scaled.T @ x, self._scaled.T @ y
        return float((x * self._by) @ y - u @ self._inverse @ v)

    def loss(self, x: Array) -> Array:
        """Squared length of each row of x: (b,)."""
        u = x @ self._scaled
        return np.asarray((x * x) @ self._by - np.einsum("bi,ij,bj->b", u, self._inverse, u))


def _without_one(gap: Array, shared: Array, seen: _Seen) -> float:
    """Loss without a change where one place came off its metal instead, for the best such place."""
    whole = _Whitening(shared, seen.variance)
    best = math.inf
    for place in np.unique(seen.column):
        its = seen.column == place
        if its.all():
            return math.inf
        loose = np.where(its, _LOOSE_C**2, seen.variance)
        other = _Whitening(shared, loose)
        loss = float(other.loss(gap[None])[0]) + other.log_size - whole.log_size - 2 * math.log(_CAME_OFF)
        best = min(best, loss)
    return best


def strongest(found: Sequence[Evidence]) -> Evidence | None:
    """The one that says most."""
    return max(found, key=lambda e: e.log_odds, default=None)
