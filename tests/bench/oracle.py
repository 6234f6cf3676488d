"""What could be forecast at best: an oracle that knows the simulated engine, its heater and its probes.

It knows every mass and link, how the heater sits, each probe's offset, lag, noise and nearness to heat, and
when the heater is on. It sees the engine through the probes alone and knows nothing of that day's wind, of
how well the cover went on, of the mains voltage, the sky, or the air to come (nor of the air there is,
where no probe measures it). The day is a handful of standard normal numbers; at each instant the most
likely ones are found by Gauss-Newton steps on the network itself, a sample is drawn from the normal
distribution around them (Laplace's approximation), weighted by its true likelihood, and simulated to the
crossing of the coldest required metal.

The network is engine_sim's own, for many days at once, in steps of a minute by the second-order backward
difference formula (L-stable; Hairer & Wanner, Solving Ordinary Differential Equations II, ch. V.1).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path as File

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr  # type: ignore[import-untyped]
from scipy.stats import gamma  # type: ignore[import-untyped]

from probe_agent import engine_sim
from probe_agent.config import TARGET_C
from probe_agent.engine_sim import Path, SimulatedEngine, Thermostat
from tests.bench.course import PROGRESS
from tests.bench.heatups import LONGEST_S, SHARES, USUAL_S, HeatUp, Setup, kept, source_hash
from tests.bench.scoring import Instants

Array = NDArray[np.float64]

_SAMPLES = 64
_STEPS = 3
_RARELY_LATE = 0.1
_BIN_S = 120.0
_BIN_SD_C = 0.15
"""Error of a probe's mean over a bin: steps of a quarter degree, noise, and what wind and voltage do within
the spacing of the knots."""
_WIND_KNOT_S, _AIR_KNOT_S, _VOLT_KNOT_S = 1200.0, 7200.0, 1800.0


# -- many days at once


@dataclass(frozen=True, slots=True)
class Weather:
    """Days side by side: functions of run time [s] that return (b,), and what stays over a day, (b,)."""

    air_c: Callable[[float], Array]
    wind_m_s: Callable[[float], Array]
    voltage: Callable[[float], Array]
    sky_below_air_k: Array
    fit: Array
    flown_h: Array | None = None


class Fleet:
    """One engine with its heater and probes, on many days at once."""

    def __init__(self, setup: Setup) -> None:
        plain = SimulatedEngine(setup.design, setup.setup, engine_sim.Day(), setup.probes)
        net = plain._net
        self._net, self._design, self.n = net, setup, net.n
        self._part_index, self._part_share = plain._part_index, plain._part_share
        self._blows = setup.setup.heater in engine_sim._BLOWERS
        links = net.links
        size = len(net.names)
        outer = net._incidence[:, :, None] * net._incidence[:, None, :]
        self._spread: Array = outer.reshape(len(links), size * size)
        self._base = [
            np.array([getattr(link, term) for link in links])
            for term in ("metal", "convection", "radiation", "wind")
        ]
        self._base[2] = self._base[2] * engine_sim._STEFAN_BOLTZMANN
        self._is = {path: np.array([link.path is path for link in links]) for path in Path}
        self.feel: Array = plain._feel
        self.lag_s: Array = plain._lag_s
        self.needed = np.array([net.index[plain._mass_at(p)] for p in setup.required])
        self._warm = np.array([self._working_c(name) for name in net.names[: net.n]])
        self._stat: Thermostat | None = setup.setup.thermostat
        self.step_s = 60.0 if self._stat is None else 15.0

    def _working_c(self, mass: str) -> float:
        if mass in {self._net.names[i] for i in self._part_index}:
            return -math.inf
        key = "cyl-" if mass.startswith("cyl-") else "air-" if mass.startswith("air-") else mass
        return engine_sim._WORKING_C.get(key, engine_sim._WORKING_ELSE_C)

    def _factors(self, fit: Array, blowing: float) -> tuple[Array, Array]:
        """Factors of all terms (b, links), and of the wind's besides (links,), as in SimulatedEngine."""
        setup = self._design.setup
        covered = np.minimum(1.0, setup.cover_w_per_k * fit / 16.0) if setup.cover else np.ones_like(fit)
        gaps = (setup.plug_gap if setup.plugs else 1.0) * (0.55 if setup.cover else 1.0) * fit
        gain = (2.5 if setup.heater == "combustion" else 1.6) * blowing + 1.0 - blowing
        both = np.ones((len(fit), len(self._net.links)))
        both[:, self._is[Path.SKIN]] = covered[:, None]
        both[:, self._is[Path.LEAK]] = gaps[:, None]
        both[:, self._is[Path.INSIDE]] = gain
        both[:, self._is[Path.BLOWN]] = blowing
        wind = np.ones(len(self._net.links))
        if setup.cover:
            wind[self._is[Path.SKIN]] = 0.4
        return both, wind

    def _conductances(self, temps_c: Array, wind_m_s: Array, factors: tuple[Array, Array]) -> Array:
        net = self._net
        metal, convection, radiation, wind = self._base
        ta, tb = temps_c[:, net._a], temps_c[:, net._b]
        films = convection * np.abs(ta - tb) ** net._power
        if net._oil.size:
            films[:, net._oil] *= self._oil_factor(temps_c[:, net.index["oil"]])[:, None]
        rising = net._rising
        films[:, rising] *= np.where(ta[:, rising] < tb[:, rising], 0.1, 1.0)
        ka, kb = ta + 273.15, tb + 273.15
        blown = wind * factors[1] * wind_m_s[:, None] ** net._wind_power
        return np.asarray(factors[0] * (metal + films + radiation * (ka * ka + kb * kb) * (ka + kb) + blown))

    def _oil_factor(self, oil_c: Array) -> Array:
        z_40 = math.log10(math.log10(self._net._oil_40_mm2_s + 0.7))
        log_k = np.log10(np.maximum(oil_c, -40.0) + 273.15) - math.log10(313.15)
        return np.asarray((100.0 / (10**10 ** (z_40 - 3.6 * log_k) - 0.7)) ** 0.25)

    def _solve(
        self, old: Array, older: Array, watts: Array, wind: Array, h_s: Array, factors: tuple[Array, Array]
    ) -> Array:
        """One step: temps after h_s (b,), boundaries as in `old`. older = old makes it the implicit Euler
        step of two thirds the length, so the first steps are exact in their stand-still."""
        n, size = self.n, len(self._net.names)
        g = self._conductances(old, wind, factors)
        laplacian = (g @ self._spread).reshape(-1, size, size)
        c = self._net.j_per_k
        system = h_s[:, None, None] * laplacian[:, :n, :n]
        index = np.arange(n)
        system[:, index, index] += 1.5 * c
        edge = (laplacian[:, :n, n:] @ old[:, n:, None])[:, :, 0]
        right = c * (2.0 * old[:, :n] - 0.5 * older[:, :n]) + h_s[:, None] * (watts - edge)
        after = old.copy()
        after[:, :n] = np.linalg.solve(system, right[:, :, None])[:, :, 0]
        return after

    def start_c(self, weather: Weather) -> Array:
        """Temperatures at run time 0: at the air's, or cooled since a flight. Shape (b, masses + 2)."""
        air = weather.air_c(0.0)
        temps = np.repeat(air[:, None], self.n + 2, axis=1)
        temps[:, -1] = air - weather.sky_below_air_k
        if weather.flown_h is None:
            return temps
        temps[:, : self.n] = np.maximum(temps[:, : self.n], self._warm)
        steps = 80
        h_s = weather.flown_h * 3600.0 / steps
        factors = self._factors(weather.fit, 0.0)
        older, wind = temps, weather.wind_m_s(0.0)
        for _ in range(steps):
            temps, older = self._solve(temps, older, np.zeros(self.n), wind, h_s, factors), temps
        return temps

    def run(
        self,
        weather: Weather,
        share: Callable[[float], float | Array],
        to_s: float,
        known_s: tuple[float, float],
        enough: float = 2.0,
    ) -> tuple[Array, Array, Array]:
        """Simulate from 0 to to_s [s], or until `enough` of the days have crossed.

        share: what part of a step's length around t the heater is on (centred, since the formula takes
        slopes at the step's end); outside of known_s, where it was seen, a thermostat cuts it in each day
        by itself. Returns times (k,), what each probe settles at (k, b, probes) and the coldest required
        metal (k, b).
        """
        temps = older = self.start_c(weather)
        h_s, b = self.step_s, len(weather.fit)
        steps = np.full(b, h_s)
        off, on = self._factors(weather.fit, 0.0), self._factors(weather.fit, 1.0)
        cut_in = np.ones(b)
        times, felt, lows = [0.0], [temps @ self.feel.T], [temps[:, self.needed].min(1)]
        crossed = np.zeros(b, dtype=bool)
        t_s = 0.0
        while t_s < to_s - 1e-6:
            end_s = t_s + h_s
            level = np.broadcast_to(np.asarray(share(end_s), dtype=np.float64), (b,))
            if self._stat is not None and not known_s[0] <= t_s < known_s[1]:
                here = temps[:, self._net.index[self._stat.mass]]
                cut_in = np.where(here < np.where(cut_in > 0, self._stat.off_c, self._stat.on_c), 1.0, 0.0)
                level = level * cut_in
            factors = (off[0] + (on[0] - off[0]) * level[:, None], off[1]) if self._blows else off
            watts = np.zeros((b, self.n))
            watts[:, self._part_index] = (self._watts(end_s, weather) * level)[:, None] * (self._part_share)
            air = weather.air_c(end_s)
            temps[:, -2], temps[:, -1] = air, air - weather.sky_below_air_k
            wind = weather.wind_m_s(end_s)
            temps, older = self._solve(temps, older, watts, wind, steps, factors), temps
            t_s = end_s
            times.append(t_s)
            felt.append(temps @ self.feel.T)
            lows.append(temps[:, self.needed].min(1))
            crossed |= (lows[-1] >= TARGET_C) & (t_s > known_s[1])
            if crossed.mean() >= enough:
                break
        return np.array(times), np.array(felt), np.array(lows)

    def _watts(self, t_s: float, weather: Weather) -> Array:
        setup = self._design.setup
        if setup.heater == "combustion":
            return np.full(len(weather.fit), setup.watts)
        return np.asarray(setup.watts * (weather.voltage(t_s) * (1 - setup.lead_loss)) ** 2)


# -- one day as a handful of standard normal numbers


@dataclass(frozen=True, slots=True)
class Layout:
    """Where in the vector of a day's numbers what stands; knots are innovations of a first-order
    autoregression, as the simulated days have it."""

    flown: bool
    air_measured: bool
    knots: tuple[int, int, int]

    @property
    def names(self) -> tuple[str, ...]:
        wind, air, volt = self.knots
        return (
            "wind",
            "fit",
            "voltage",
            "sky",
            *(("flown",) if self.flown else ()),
            *(() if self.air_measured else ("air",)),
            "drift",
            *(f"wind-{k}" for k in range(wind)),
            *(f"air-{k}" for k in range(air)),
            *(f"volt-{k}" for k in range(volt)),
        )


class Days:
    """Turns vectors of standard normal numbers (b, p) into weather."""

    def __init__(
        self, layout: Layout, air_c: Callable[[float], float], now_s: float, air_sd_c: float
    ) -> None:
        self.names = layout.names
        self._layout, self._air_c, self._now_s, self._air_sd_c = layout, air_c, now_s, air_sd_c
        self._at = {name: i for i, name in enumerate(self.names)}

    def weather(self, xi: Array) -> Weather:
        wind, air, volt = self._layout.knots
        level = gamma.ppf(np.clip(ndtr(xi[:, self._at["wind"]]), 1e-4, 1 - 1e-4), 1.5, scale=1.6)
        gusts = self._path(xi, "wind-0", wind, 0.4, _WIND_KNOT_S, 2400.0)
        airs = self._path(xi, "air-0", air, 0.4, _AIR_KNOT_S, 7200.0)
        volts = self._path(xi, "volt-0", volt, 0.008, _VOLT_KNOT_S, 1800.0)
        steady = 0.99 + 0.02 * xi[:, self._at["voltage"]]
        drift = 0.45 / 3600.0 * xi[:, self._at["drift"]]
        sky = 12.0 * np.maximum(0.0, 2 * ndtr(xi[:, self._at["sky"]]) - 1)
        fit = np.exp(0.2 * np.clip(xi[:, self._at["fit"]], -2.5, 2.5))
        flown = 2.0 + 4.0 * ndtr(xi[:, self._at["flown"]]) if self._layout.flown else None
        if self._layout.air_measured:

            def air_at(t_s: float) -> Array:
                later = max(0.0, t_s - self._now_s)
                here = _between(airs, t_s, _AIR_KNOT_S) - _between(airs, min(t_s, self._now_s), _AIR_KNOT_S)
                return np.asarray(self._air_c(min(t_s, self._now_s)) + here + drift * later)
        else:
            first = self._air_sd_c * xi[:, self._at["air"]]

            def air_at(t_s: float) -> Array:
                here = _between(airs, t_s, _AIR_KNOT_S) - airs[:, 0]
                return np.asarray(self._air_c(0.0) + first + here + drift * max(0.0, t_s))

        return Weather(
            air_at,
            lambda t_s: np.asarray(level * np.exp(_between(gusts, t_s, _WIND_KNOT_S))),
            lambda t_s: np.asarray(np.clip(steady + _between(volts, t_s, _VOLT_KNOT_S), 0.85, 1.08)),
            sky,
            fit,
            flown,
        )

    def _path(self, xi: Array, first: str, count: int, sd: float, knot_s: float, memory_s: float) -> Array:
        """A stationary first-order autoregression at its knots: (b, count)."""
        keep = math.exp(-knot_s / memory_s)
        kicks = sd * xi[:, self._at[first] : self._at[first] + count]
        path = kicks.copy()
        for k in range(1, count):
            path[:, k] = keep * path[:, k - 1] + math.sqrt(1 - keep * keep) * kicks[:, k]
        return path

    def told_by(self, until_s: float) -> list[int]:
        """Which numbers what was read until then can tell of."""
        spacing = {"wind": _WIND_KNOT_S, "air": _AIR_KNOT_S, "volt": _VOLT_KNOT_S}

        def tells(name: str) -> bool:
            kind, _, knot = name.partition("-")
            if kind == "volt" and knot:
                return False  # too small to be seen; they add to what the bins' error holds
            if self._layout.air_measured and (kind == "air" or name == "drift"):
                return False
            return not knot or (int(knot) - 0.5) * spacing[kind] < until_s

        return [i for i, name in enumerate(self.names) if tells(name)]


def _between(path: Array, t_s: float, knot_s: float) -> Array:
    """Values at t_s, straight between knots from time 0 on, level outside: (b,)."""
    place = min(max(t_s / knot_s, 0.0), path.shape[1] - 1.000001)
    k = int(place)
    return np.asarray(path[:, k] + (place - k) * (path[:, k + 1] - path[:, k]))


# -- seeing and forecasting


@dataclass(frozen=True, slots=True)
class Seen:
    """What the probes said until now, in bins: instants (k,), values less the offsets (k, probes), nan
    where there is none."""

    t_s: Array
    value_c: Array
    sd_c: Array


class Oracle:
    """Forecasts of one heat-up."""

    def __init__(self, setup: Setup, heat_up: HeatUp) -> None:
        assert heat_up.on_s is not None
        self._setup, self._heat_up = setup, heat_up
        self._fleet = Fleet(setup)
        self._probes = [i for i, probe in enumerate(setup.probes) if probe.place != "ambient"]
        self._t_s = np.array([row.seen.t_s for row in heat_up.rows])
        self._on = np.array([1.0 if (row.seen.heater or 0.0) > 0.01 else 0.0 for row in heat_up.rows])
        ends_s = heat_up.on_s + LONGEST_S
        knots = tuple(int(ends_s / spacing) + 2 for spacing in (_WIND_KNOT_S, _AIR_KNOT_S, _VOLT_KNOT_S))
        air = next((probe for probe in setup.probes if probe.place == "ambient"), None)
        self._air_offset_c = None if air is None else air.offset_c
        self._layout = Layout(
            heat_up.recipe.flown_h is not None, air is not None, (knots[0], knots[1], knots[2])
        )
        self._mode = np.zeros(len(self._layout.names))
        self._mode[3] = 0.3
        rng = np.random.default_rng(11)
        half = rng.standard_normal((_SAMPLES // 2, len(self._mode)))
        self._normals = np.vstack([half, -half])
        self._uniforms = rng.random((_SAMPLES, 2))

    def forecast(self, now_s: float) -> Instants:
        """10/50/90 % instants as minutes since heater-on, from the rows until now_s."""
        assert self._heat_up.on_s is not None
        days, seen = self._days(now_s), self._seen(now_s)
        told = days.told_by(now_s)
        for _ in range(_STEPS):
            predicted, jacobian = self._linearised(days, seen, told, now_s)
            self._mode, covariance = self._updated(seen, told, predicted, jacobian)
        factor = np.linalg.cholesky(covariance)
        xi = self._normals.copy()
        xi[:, told] = self._mode[told] + self._normals[:, told] @ factor.T
        times, felt, low = self._fleet.run(
            days.weather(xi), self._share(now_s), self._heat_up.on_s + LONGEST_S, (self._t_s[0], now_s), 0.96
        )
        weight = self._weight(seen, told, xi, self._settled(times, felt, seen), covariance)
        crossing = self._crossings(times, low, now_s)
        # A day on which the heater doesn't do its work in time is rare: heatups.py draws it anew.
        late = crossing - self._heat_up.on_s > USUAL_S + 1200.0
        weight = weight * np.where(late, _RARELY_LATE, 1.0)
        found = weighted_quantiles(crossing, weight, (0.1, 0.5, 0.9))
        low_min, middle, high = (None if math.isinf(x) else (x - self._heat_up.on_s) / 60 for x in found)
        return low_min, middle, high

    def _days(self, now_s: float) -> Days:
        rows = [row.seen for row in self._heat_up.rows if row.seen.t_s <= now_s]
        if self._air_offset_c is None:
            first = [min(row.values_c[p] for p in row.values_c) for row in rows[:20]]
            rested = not self._layout.flown and self._t_s[0] < 1.0
            start = float(np.mean(first)) if rested else -14.0
            return Days(self._layout, lambda t_s: start, now_s, 0.3 if rested else 6.5)
        points = [(r.t_s, r.ambient_c - self._air_offset_c) for r in rows if r.ambient_c is not None]
        t_s, air = np.array(points).T
        smooth = np.convolve(np.pad(air, 20, mode="edge"), np.full(41, 1 / 41), mode="valid")
        return Days(self._layout, lambda at: float(np.interp(at, t_s, smooth)), now_s, 0.0)

    def _share(self, now_s: float, until_now: bool = False) -> Callable[[float], float | Array]:
        """The heater as known until now, and after it: on as now, or back after an interruption of the
        usual length, as often as the bench lets it come back."""
        half_s = self._fleet.step_s / 2
        known = self._t_s <= now_s
        t_s, on = self._t_s[known], self._on[known]
        before = [e.t_s for e in self._heat_up.recipe.events if e.t_s < t_s[0]]
        comes_back = self._comes_back(t_s, on, now_s)

        def share(at_s: float) -> float | Array:
            if at_s + half_s <= t_s[0]:
                return 1.0 if len(before) == 2 and before[0] - half_s < at_s <= before[1] else 0.0
            if at_s - half_s > now_s and not until_now:
                return np.where(at_s >= comes_back, 1.0, 0.0)
            here = (t_s >= at_s - half_s) & (t_s < at_s + half_s)
            return float(on[here].mean()) if here.any() else float(on[-1])

        return share

    def _comes_back(self, t_s: Array, on: Array, now_s: float) -> Array:
        """Instants from which the heater heats again: -inf where it does now. (b,)"""
        if on[-1] > 0 or self._setup.setup.thermostat is not None:
            return np.full(_SAMPLES, -math.inf)
        off_for = now_s - float(t_s[np.flatnonzero(on)[-1]]) if on.any() else 0.0
        stopped = SHARES["interrupted"] * float(np.clip((1200 - off_for) / 960, 0.0, 1.0))
        returns = self._uniforms[:, 0] * (stopped + SHARES["dead"]) < stopped
        shortest = max(off_for, 240.0)
        back = now_s - off_for + shortest + (1200 - shortest) * self._uniforms[:, 1]
        return np.where(returns, back, math.inf)

    def _seen(self, now_s: float) -> Seen:
        """Bins of the rows until now; a detached probe's readings only while it was in its place."""
        edges = np.arange(self._t_s[0], now_s + _BIN_S, _BIN_S)
        rows = [row.seen for row in self._heat_up.rows if row.seen.t_s <= now_s]
        which = np.searchsorted(edges, [r.t_s for r in rows], side="right") - 1
        count = int(which[-1]) + 1
        times, values = np.zeros(count), np.full((count, len(self._probes)), np.nan)
        sd = np.full_like(values, np.nan)
        lost = self._heat_up.detached
        for k in range(count):
            here = [r for r, w in zip(rows, which, strict=True) if w == k]
            times[k] = np.mean([r.t_s for r in here])
            for column, i in enumerate(self._probes):
                probe = self._setup.probes[i]
                if lost is not None and lost[0] == probe.place and times[k] >= lost[1]:
                    continue
                found = [r.values_c[probe.place] for r in here if probe.place in r.values_c]
                if found:
                    values[k, column] = np.mean(found) - probe.offset_c
                    sd[k, column] = math.hypot(_BIN_SD_C, 0.3 * (here[0].t_s == here[-1].t_s))
        return Seen(times, values, sd)

    def _settled(self, times: Array, felt: Array, seen: Seen) -> Array:
        """What the probes would have said in the bins: (b, k, probes). A probe lags a ramp by its lag."""
        out = np.empty((felt.shape[1], len(seen.t_s), len(self._probes)))
        for column, i in enumerate(self._probes):
            place = np.clip((seen.t_s - self._fleet.lag_s[i]) / self._fleet.step_s, 0, len(times) - 1.001)
            k = place.astype(int)
            before, after = felt[k, :, i], felt[k + 1, :, i]
            out[:, :, column] = (before + (place - k)[:, None] * (after - before)).T
        return out

    def _linearised(self, days: Days, seen: Seen, told: list[int], now_s: float) -> tuple[Array, Array]:
        """What the most likely day would have shown, (m,), and how each number changes it, (m, told)."""
        step = 0.2
        xi = np.repeat(self._mode[None], len(told) + 1, axis=0)
        xi[np.arange(1, len(xi)), told] += step
        times, felt, _ = self._fleet.run(
            days.weather(xi), self._share(now_s, True), now_s + 60.0, (self._t_s[0], math.inf)
        )
        shown = self._settled(times, felt, seen).reshape(len(xi), -1)
        return shown[0], ((shown[1:] - shown[0]) / step).T

    def _updated(self, seen: Seen, told: list[int], predicted: Array, jacobian: Array) -> tuple[Array, Array]:
        """The next most likely day, and the covariance of the numbers told of."""
        value, sd = seen.value_c.ravel(), seen.sd_c.ravel()
        good = np.isfinite(value)
        g = jacobian[good] / sd[good, None]
        miss = (value[good] - predicted[good]) / sd[good]
        precision = np.eye(len(told)) + g.T @ g
        covariance = np.linalg.inv(precision)
        here = self._mode[told]
        target = covariance @ (g.T @ (miss + g @ here))
        mode = self._mode.copy()
        mode[told] = here + np.clip(target - here, -1.5, 1.5)
        return mode, (covariance + covariance.T) / 2

    def _weight(self, seen: Seen, told: list[int], xi: Array, shown: Array, covariance: Array) -> Array:
        """Likelihood and prior over the normal they were drawn from, tempered: (b,)."""
        miss = (seen.value_c - shown) / seen.sd_c
        likely = -0.5 * np.nansum(miss**2, axis=(1, 2)) - 0.5 * (xi[:, told] ** 2).sum(1)
        away = xi[:, told] - self._mode[told]
        drawn = -0.5 * np.einsum("bi,ij,bj->b", away, np.linalg.inv(covariance), away)
        log = likely - drawn
        log = np.clip(log - np.median(log), -2.0, 2.0)
        return np.asarray(np.exp(log))

    def _crossings(self, times: Array, low: Array, now_s: float) -> Array:
        """First instants after heater-on at which the coldest metal is above the target: (b,)."""
        assert self._heat_up.on_s is not None
        above = (low >= TARGET_C) & (times > self._heat_up.on_s)[:, None]
        first = np.argmax(above, axis=0)
        crossed = above.any(axis=0)
        each = np.arange(low.shape[1])
        before, after = low[np.maximum(first - 1, 0), each], low[first, each]
        gap = np.clip((TARGET_C - before) / np.where(after > before, after - before, 1.0), 0.0, 1.0)
        at = times[np.maximum(first - 1, 0)] + gap * self._fleet.step_s
        return np.where(crossed, np.maximum(at, now_s), math.inf)


def weighted_quantiles(values: Array, weight: Array, shares: Sequence[float]) -> list[float]:
    """The values below which these shares of the weight lie, straight between samples."""
    order = np.argsort(values)
    value, mass = values[order], weight[order] / weight.sum()
    middle = np.cumsum(mass) - 0.5 * mass
    finite = np.isfinite(value)
    found = []
    for share in shares:
        k = int(np.searchsorted(middle, share))
        if k >= len(value) or not finite[k]:
            found.append(math.inf if k < len(value) or not finite[-1] else float(value[-1]))
        elif k == 0:
            found.append(float(value[0]))
        else:
            part = (share - middle[k - 1]) / (middle[k] - middle[k - 1])
            found.append(float(value[k - 1] + part * (value[k] - value[k - 1])))
    return found


def instants(setup: Setup, heat_up: HeatUp, cache: File) -> dict[float, Instants]:
    """What the oracle forecasts at each progress of a heat-up, kept on disk; empty where it never crosses."""

    def make() -> dict[float, Instants]:
        if heat_up.crossing_s is None or heat_up.on_s is None:
            return {}
        oracle = Oracle(setup, heat_up)
        spent_s = heat_up.crossing_s - heat_up.on_s
        return {p: oracle.forecast(heat_up.on_s + p * spent_s) for p in PROGRESS}

    heat_up_name = f"{setup.seed}-{setup.number}-{heat_up.number}-{len(heat_up.rows)}"
    found = kept(cache, f"{source_hash(__file__)}/oracle-{heat_up_name}.pickle", make)
    assert isinstance(found, dict)
    return found
