"""The aircraft's own air against the station's: recovered from simulated hangars in recorded weather."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from probe_agent.thermal.air import (
    _RESTS,
    AirForecast,
    Site,
    Stands,
    Station,
    between,
    clear_night,
    learn,
    own_air,
    wandering,
    whiten,
)

Array = NDArray[np.float64]
HOUR = 3600.0
DAY = 24 * HOUR
NIGHTS = range(3, 29)
EVENING_H = 17.0  # of the recorded hours: six in the evening there


def recorded() -> tuple[Array, Array]:
    """Hourly air of a January, tests/reference/SOURCES.md (w01)."""
    path = Path(__file__).parent / "reference" / "w01_hourly_airport_weather_jan.csv"
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return np.array([float(r["time"]) for r in rows]), np.array([float(r["air_temp"]) for r in rows])


WEATHER_S, WEATHER_C = recorded()


@dataclass(frozen=True)
class Hangar:
    """A place to stand, simulated in Euler steps of two minutes, with nothing of the code under test."""

    lag_h: float
    offset_c: float
    rest_sd_c: float = 0.5
    rest_h: float = 5.0
    stages: int = 1

    def air(self, seed: int) -> tuple[Array, Array]:
        """Its air each ten minutes of the month."""
        step_s = 120.0
        t_s = np.arange(WEATHER_S[0], WEATHER_S[-1], step_s)
        x = np.interp(t_s, WEATHER_S, WEATHER_C)
        for _ in range(self.stages if self.lag_h else 0):
            x = euler_lag(x, step_s * self.stages / (self.lag_h * HOUR))
        rng = np.random.default_rng(seed)
        shock = self.rest_sd_c * np.sqrt(2 * step_s / (self.rest_h * HOUR))
        rest = euler_lag(
            np.concatenate([[0.0], shock * rng.standard_normal(len(x) - 1)]) * self.rest_h * HOUR / step_s,
            step_s / (self.rest_h * HOUR),
        )
        return t_s[::5], (x + rest + self.offset_c)[::5]


def euler_lag(x: Array, share: float) -> Array:
    """y[k] = y[k − 1] + share · (x[k] − y[k − 1])"""
    from scipy.signal import lfilter  # most of a second, which one worker of the suite needs

    return np.asarray(lfilter([share], [1.0, share - 1.0], x, zi=[(1.0 - share) * x[0]])[0])


def probe_pairs(t_s: Array, air_c: Array, now_s: float, days: float, seed: int) -> tuple[Array, Array]:
    """Hourly readings of an air probe: a tenth of noise, quarter degrees."""
    at = np.arange(now_s - days * DAY, now_s + 1.0, HOUR) if days else np.zeros(0)
    noise = 0.1 * np.random.default_rng(seed).standard_normal(len(at))
    return at, np.round(4 * (np.interp(at, t_s, air_c) + noise)) / 4


def station_at(now_s: float, days: float, forecast: str, seed: int) -> Station:
    """The station's past, and a forecast of the next 16 h: none, what will be, or that with an error."""
    past = (now_s - days * DAY <= WEATHER_S) & (now_s >= WEATHER_S)
    ahead = (now_s < WEATHER_S) & (now_s + 16 * HOUR >= WEATHER_S) & (forecast != "none")
    told = past | ahead
    error = np.zeros(len(WEATHER_S))
    if forecast == "wrong":
        a, b = np.random.default_rng(seed).standard_normal(2)
        error = 0.7 * a + 0.12 * b * np.maximum(WEATHER_S - now_s, 0.0) / HOUR
    known_until_s = WEATHER_S[told][-1] if forecast == "right" else now_s
    return Station(WEATHER_S[told], (WEATHER_C + error * ahead)[told], known_until_s)


@dataclass(frozen=True)
class Nights:
    """How the forecasts of the next night came out: shares inside 10–90 %, of hours and of the minima;
    width and error at six in the morning [°C]; what was learned by the end."""

    hours: float
    minima: float
    width_c: float
    error_c: float
    last: Site


@cache
def nights(hangar: Hangar, stands: Stands, forecast: str, days: float = 6.0) -> Nights:
    inside, minima, widths, errors = [], [], [], []
    for night in NIGHTS:
        now_s = night * DAY + EVENING_H * HOUR
        t_s, air_c = hangar.air(night)
        at, own = probe_pairs(t_s, air_c, now_s, min(days, night), 100 + night)
        station = station_at(now_s, min(days, night) + 0.5, forecast, 200 + night)
        site = learn(station, at, own, stands)
        ahead = now_s + HOUR * np.arange(15)
        paths = own_air(site, station, ahead).air_c
        truth = np.interp(ahead, t_s, air_c)
        low, middle, high = np.quantile(paths, (0.1, 0.5, 0.9), axis=0)
        inside.append(((truth >= low) & (truth <= high))[1:].mean())
        coldest = np.quantile(paths[:, 1:].min(1), (0.1, 0.9))
        minima.append(coldest[0] <= truth[1:].min() <= coldest[1])
        widths.append(high[12] - low[12])
        errors.append(abs(middle - truth)[12])
    return Nights(*(float(np.mean(x)) for x in (inside, minima, widths, errors)), site)


STANDS: tuple[Stands, ...] = ("outside", "unheated", "heated")
OUTSIDE = Hangar(0.0, -1.0)
SHED = Hangar(3.0, 2.0)
BARN = Hangar(6.0, 1.0, stages=2)  # not of the learner's form


STANDING: tuple[tuple[Hangar, Stands], ...] = ((OUTSIDE, "outside"), (SHED, "unheated"), (BARN, "unheated"))


@pytest.mark.parametrize(("hangar", "stands"), STANDING)
@pytest.mark.parametrize("forecast", ["right", "wrong"])
def test_the_80_percent_range_of_the_next_night_holds_it_in_70_to_90(
    hangar: Hangar, stands: Stands, forecast: str
) -> None:
    found = nights(hangar, stands, forecast)
    assert 0.7 <= found.hours <= 0.9
    assert found.error_c < found.width_c / 2


def test_so_does_the_range_of_the_night_s_coldest_hour() -> None:
    every = [
        nights(hangar, stands, forecast) for hangar, stands in STANDING for forecast in ("right", "wrong")
    ]
    assert 0.7 <= np.mean([found.minima for found in every]) <= 0.9


def test_a_learned_hangar_tells_the_night_better_than_its_prior() -> None:
    learned, unknown = nights(SHED, "unheated", "right"), nights(SHED, "unheated", "right", days=0.0)
    assert learned.error_c < 0.7 * unknown.error_c
    assert learned.width_c < unknown.width_c / 2
    assert unknown.hours > 0.7


def test_without_a_forecast_the_range_is_wide_and_holds_the_night() -> None:
    """No check from outside: the spread of an air that is merely held was read off this month."""
    found, told = nights(SHED, "unheated", "none"), nights(SHED, "unheated", "wrong")
    assert 0.7 <= found.hours <= 0.95
    assert found.width_c > 1.5 * told.width_c


@pytest.mark.parametrize(("lag_h", "offset_c"), [(0.0, -1.0), (2.0, 3.0), (3.0, -0.5), (6.5, 1.5)])
def test_lag_and_offset_of_a_hangar_are_recovered(lag_h: float, offset_c: float) -> None:
    t_s, air_c = Hangar(lag_h, offset_c, 0.3).air(7)
    now_s = 15 * DAY
    at, own = probe_pairs(t_s, air_c, now_s, 12.0, 5)
    site = learn(station_at(now_s, 13.0, "none", 0), at, own, "unheated")
    low, middle, high = site.lag_range_s()
    assert low / HOUR - 0.75 <= lag_h <= high / HOUR + 0.75
    assert middle / HOUR == pytest.approx(lag_h, abs=0.75)
    offset, spread = site.offset_c()
    assert offset == pytest.approx(offset_c, abs=0.5)
    assert spread < 0.3


def test_a_clear_night_s_extra_cold_is_learned_and_forecast() -> None:
    hours = WEATHER_S / HOUR + 1.0
    cloud = (np.floor(WEATHER_S / DAY) % 3 > 0).astype(float)  # each third day is clear
    clear = clear_night(hours, cloud)
    rng = np.random.default_rng(3)
    air_c = WEATHER_C - 2.0 * clear + 0.3 * rng.standard_normal(len(clear))
    past = WEATHER_S <= 13.9 * DAY
    site = learn(
        Station(WEATHER_S[past], WEATHER_C[past], 14 * DAY, clear[past]),
        WEATHER_S[past],
        air_c[past],
        "outside",
    )
    now_s = float(WEATHER_S[past][-1])
    t_s = now_s + HOUR * np.arange(14)
    middles = []
    for sky in (0.0, 1.0):
        coming = clear_night(t_s / HOUR + 1.0, np.full(len(t_s), 1 - sky))
        known = np.concatenate([WEATHER_S[past], t_s[1:]])
        held = np.concatenate([WEATHER_C[past], np.full(len(t_s) - 1, WEATHER_C[past][-1])])
        station = Station(known, held, now_s, np.concatenate([clear[past], coming[1:]]))
        middles.append(np.median(own_air(site, station, t_s).air_c, axis=0))
    dark = clear_night(t_s / HOUR + 1.0, np.zeros(len(t_s))) == 1.0
    dark[0] = False
    assert (middles[0] - middles[1])[dark].mean() == pytest.approx(2.0, abs=0.4)
    assert (
        np.abs(middles[0] - middles[1])[1:][
            clear_night(t_s[1:] / HOUR + 1.0, np.zeros(len(t_s) - 1)) == 0
        ].max()
        < 0.2
    )


def test_without_pairs_the_prior_of_the_place_speaks() -> None:
    station = Station(np.array([0.0, 12 * HOUR]), np.array([-10.0, -10.0]), 12 * HOUR)
    none = np.zeros(0)
    middles, widths = {}, {}
    for stands in STANDS:
        site = learn(station, none, none, stands)
        air = own_air(site, station, np.array([0.0, 6 * HOUR])).air_c[:, 1]
        middles[stands], widths[stands] = float(np.median(air)), float(np.std(air))
        assert site.pairs == 0
    assert middles["outside"] == pytest.approx(-10.0, abs=0.3)
    assert widths["outside"] == pytest.approx(np.hypot(1.5, 0.7), rel=0.25)
    assert middles["unheated"] == pytest.approx(-9.0, abs=0.7)
    assert middles["heated"] == pytest.approx(15.0, abs=2.0)
    assert widths["outside"] < widths["unheated"] < widths["heated"]
    lags = {stands: learn(station, none, none, stands).lag_range_s() for stands in STANDS}
    assert lags["outside"][2] <= HOUR
    assert lags["unheated"][0] <= HOUR < lags["unheated"][1] <= 3 * HOUR < lags["unheated"][2]


def test_a_heated_hangar_is_what_its_air_probe_says() -> None:
    now_s = 10 * DAY
    at = np.arange(now_s - 6 * HOUR, now_s + 1.0, HOUR)
    own = np.full(len(at), 12.0) + 0.25 * (np.arange(len(at)) % 2)
    station = station_at(now_s, 1.0, "right", 0)
    air = own_air(learn(station, at, own, "heated"), station, now_s + HOUR * np.arange(12)).air_c
    assert np.abs(np.median(air, axis=0) - 12.1).max() < 1.0
    assert np.ptp(np.quantile(air[:, -1], (0.1, 0.9))) < 4.0


def test_paths_start_where_the_last_reading_was_and_spread_from_there() -> None:
    t_s, air_c = SHED.air(1)
    now_s = 12 * DAY
    at, own = probe_pairs(t_s, air_c, now_s, 6.0, 1)
    station = station_at(now_s, 7.0, "wrong", 1)
    paths = own_air(
        learn(station, at, own, "unheated"), station, now_s + HOUR * np.array([0.0, 1, 4, 14])
    ).air_c
    width = np.ptp(np.quantile(paths, (0.1, 0.9), axis=0), axis=0)
    assert abs(np.median(paths[:, 0]) - own[-1]) < 0.4
    assert np.all(np.diff(width) > 0)
    assert 0.15 < width[0] < 0.8


@given(
    colder_c=st.floats(0.0, 15.0), stands=st.sampled_from(["outside", "unheated"]), seed=st.integers(0, 20)
)
@settings(max_examples=15, deadline=None)
def test_a_colder_forecast_is_colder_in_every_path_and_the_same_one_the_same(
    colder_c: float, stands: Stands, seed: int
) -> None:
    now_s = 8 * DAY
    at, own = probe_pairs(*OUTSIDE.air(0), now_s, 2.0, seed)
    station = station_at(now_s, 3.0, "wrong", seed)
    site = learn(station, at, own, stands)
    colder = Station(station.t_s, station.air_c - colder_c * (station.t_s > now_s), now_s)
    ahead = now_s + HOUR * np.arange(14)
    usual = own_air(site, station, ahead).air_c
    assert np.all(own_air(site, colder, ahead).air_c <= usual + 1e-9)
    assert np.array_equal(own_air(site, station, ahead).air_c, usual)


def test_a_forecast_s_error_grows_from_its_issue_on_and_a_held_air_s_faster() -> None:
    past = WEATHER_S <= 10 * DAY
    known = Station(WEATHER_S[past], WEATHER_C[past], 10 * DAY)
    site = learn(known, known.t_s, known.air_c, "outside")
    ahead = 10 * DAY + HOUR * np.array([0.0, 1.0, 24.0, 72.0])
    told = own_air(site, Station(WEATHER_S, WEATHER_C, 10 * DAY), ahead, 1024).air_c.std(axis=0)
    held = own_air(site, known, ahead, 1024).air_c.std(axis=0)
    assert told[0] < 0.2
    assert told[1:].tolist() == pytest.approx([0.85, 1.95, 2.2], rel=0.15)  # judgement, from memory
    weather = np.interp(np.arange(0, 30 * DAY, HOUR), WEATHER_S, WEATHER_C)
    assert held[0] < 0.2
    for sd_c, hours in zip(held[2:], (24, 72), strict=True):
        assert sd_c == pytest.approx(np.std(weather[hours:] - weather[:-hours]), rel=0.25)


def test_the_filter_of_the_rest_is_the_dense_regression() -> None:
    """Against the same correlation as a whole matrix, solved by numpy.linalg."""
    rng = np.random.default_rng(12)
    t_s = np.cumsum(rng.uniform(600.0, 9000.0, 30))
    seen = rng.normal(size=(30, 2, 3))
    white, last, left, log_det = whiten(t_s, seen)
    for rest, (memory_s, fresh) in enumerate(_RESTS):
        alike = (1 - fresh) * np.exp(-np.abs(t_s[:, None] - t_s) / memory_s)
        whole = alike + fresh * np.eye(30)
        solved = np.linalg.solve(whole, alike[:, -1])
        assert log_det[rest] == pytest.approx(np.linalg.slogdet(whole)[1])
        assert left[rest] == pytest.approx(1 - fresh - alike[:, -1] @ solved)
        for lag in range(2):
            x = seen[:, lag]
            assert np.allclose(last[rest, lag], solved @ x)
            ours = white[:, rest, lag].T @ white[:, rest, lag]
            assert np.allclose(ours, x.T @ np.linalg.solve(whole, x))


def test_clear_night_is_dark_and_unclouded() -> None:
    hour = np.array([0.0, 3.0, 12.0, 15.0, 23.0, 27.0])
    assert clear_night(hour, np.zeros(6)).tolist() == [1, 1, 0, 0, 1, 1]
    assert clear_night(hour, np.ones(6)).tolist() == [0.0] * 6
    assert clear_night(np.zeros(1), np.array([np.nan])).tolist() == [0.5]


def test_wandering_settles_at_its_spread_with_its_memory() -> None:
    """Ornstein–Uhlenbeck: variance sd², correlation exp(−dt/memory) (any text on stochastic processes)."""
    b = 20_000
    shocks = np.random.default_rng(1).standard_normal((b, 30))
    paths = wandering(np.full(b, 5.0), np.full(b, 2.0), np.full(b, 3.0), 0.0, 0.7 * np.arange(1, 31), shocks)
    assert paths[:, 0].mean() == pytest.approx(5 * np.exp(-0.7 / 3), abs=0.03)
    assert paths[:, -1].std() == pytest.approx(2.0, rel=0.03)
    assert np.corrcoef(paths[:, -1], paths[:, -4])[0, 1] == pytest.approx(np.exp(-0.7), abs=0.02)


def test_air_at_an_instant_is_straight_between_and_held_outside() -> None:
    t_s, paths = np.array([0.0, 10.0, 30.0]), np.array([[0.0, 1.0, 5.0], [2.0, 2.0, -2.0]])
    at = np.array([-5.0, 5.0, 10.0, 20.0, 90.0])
    expected = [np.interp(at, t_s, path) for path in paths]
    assert np.allclose(AirForecast(t_s, paths).at(at), expected)
    own = np.array([[5.0, 20.0], [20.0, 90.0]])
    assert np.allclose(between(t_s, paths, own), [[0.5, 3.0], [0.0, -2.0]])
    assert np.allclose(between(t_s, paths[:1], own), [[0.5, 3.0], [3.0, 5.0]])
    assert between(t_s[:1], paths[:, :1], at).tolist() == [[0.0] * 5, [2.0] * 5]
