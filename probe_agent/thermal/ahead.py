"""The air to come at the aircraft, from whatever is known: its own air so far, a forecast, both, neither.

A forecast that reaches ahead goes through what the aircraft's air was against that station's (`air`).
Without one the air goes on as it is used to: a level, the day's course learned from the hours measured,
and a rest that wanders, all in one regularised regression, so that its width comes from those hours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from probe_agent.readings import Weather, WeatherHour
from probe_agent.thermal.air import AirForecast, Stands, Station, clear_night, learn, own_air
from probe_agent.thermal.network import Array
from probe_agent.thermal.persistence import going_on

RestsOn = Literal["forecast", "observed", "own-air", "nothing"]

STALE_S = 12 * 3600.0
"""A forecast issued longer ago than this is said to be old."""
TOO_OLD_S = 72 * 3600.0
"""One issued longer ago than this is not used: nobody vouches for how its error grows."""
_FRESH_S = 6 * 3600.0
"""What was last measured longer ago than this yields to a station's observation."""
_LATELY = 72
"""Hours from which the station's air goes on after a forecast: only their middle is used."""
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class AirKnown:
    """All that is known about the air, at one instant. Frozen, for asking from any thread.

    own: (run s, °C) of the aircraft's own air, hourly or so, strictly rising, none where it isn't measured;
    weather: what the source in use said last, None for none; past: hours kept of that source, observed or
    told for the hour when heard, rising; offset_s: run s + offset = UTC s; sun_h: hours by which local solar
    time is ahead of UTC.
    """

    own: tuple[tuple[float, float], ...] = ()
    weather: Weather | None = None
    past: tuple[WeatherHour, ...] = ()
    stands: Stands = "outside"
    offset_s: float = 0.0
    sun_h: float = 0.0

    @property
    def first_h(self) -> float:
        return self.offset_s / _HOUR_S + self.sun_h


@dataclass(frozen=True, slots=True)
class AirAhead:
    """The air to come and what it rests on.

    air: sampled, from now on, for `answers`; rests_on: "forecast" a forecast that reaches ahead, "observed" a
    station's present air, "own-air" the aircraft's measured air alone, "nothing"; source, issued_s,
    reaches_s: of the weather used, None where none is. is_change: nothing tells the level, and `air` is the
    change from now (0 at now): give answers an outlook with air_known=True then.
    """

    air: AirForecast
    rests_on: RestsOn
    source: str | None = None
    issued_s: float | None = None
    reaches_s: float | None = None
    is_change: bool = False

    def band(self) -> Array:
        """10, 50 and 90 % at each of air.t_s: (3, k) [°C]."""
        return np.asarray(np.quantile(self.air.air_c, (0.1, 0.5, 0.9), axis=0))


def air_ahead(known: AirKnown, now_s: float, until_s: float, samples: int = 256) -> AirAhead:
    """The air at the aircraft from now_s to until_s, hourly, in so many sampled paths.

    It widens with the time ahead and with the age of what it rests on; the same arguments give the same
    paths, and later until_s the same beginning. samples: as many as the outlook has.
    Raises ValueError where until_s is not after now_s.
    """
    if until_s <= now_s:
        raise ValueError("the air to come ends after it begins")
    t_s = _hourly(now_s, until_s)
    own_s, own_c = np.array(known.own, float).reshape(-1, 2).T
    basis = rests_on(known, now_s)
    if basis in ("forecast", "observed") and known.weather is not None:
        station = _station(known, known.weather, now_s, float(t_s[-1]))
        beside = _beside(station, own_s)
        site = learn(station, own_s[beside], own_c[beside], known.stands)
        air, said = own_air(site, station, t_s, samples), known.weather
        issued_s, reaches_s = said.issued_at - known.offset_s, said.reaches_at - known.offset_s
        return AirAhead(air, basis, said.source, issued_s, reaches_s)
    if basis == "own-air":
        return AirAhead(going_on(own_s, own_c, t_s, known.stands, known.first_h, samples), basis)
    change = going_on(t_s[:1], np.zeros(1), t_s, known.stands, known.first_h, samples)
    return AirAhead(AirForecast(t_s, change.air_c - change.air_c[:, :1]), "nothing", is_change=True)


def _hourly(begin_s: float, until_s: float) -> Array:
    """From begin_s on, the last one not before until_s."""
    return np.asarray(begin_s + _HOUR_S * np.arange(int(np.ceil((until_s - begin_s) / _HOUR_S)) + 1), float)


def rests_on(known: AirKnown, now_s: float) -> RestsOn:
    """A forecast that reaches ahead before the air measured here, that before another place's present air."""
    now_at, weather = now_s + known.offset_s, known.weather
    if weather is not None and weather.reaches_at > now_at and now_at - weather.issued_at <= TOO_OLD_S:
        return "forecast"
    fresh = weather is not None and now_at - weather.reaches_at <= _FRESH_S
    if known.own and (now_s - known.own[-1][0] <= _FRESH_S or not fresh):
        return "own-air"
    return "observed" if fresh else "nothing"


def _station(known: AirKnown, weather: Weather, now_s: float, until_s: float) -> Station:
    """The source's air from its kept hours to what it tells, and on as the day usually goes."""
    said = weather.hours
    hours = [*(h for h in known.past if h.at < said[0].at), *said]
    t_s = np.array([h.at for h in hours]) - known.offset_s
    air_c = np.array([h.air_c for h in hours])
    cloud = np.array([np.nan if h.cloud is None else h.cloud for h in hours])
    end_s = float(t_s[-1])
    later_s = _hourly(end_s, max(until_s, end_s + _HOUR_S))[1:]
    lately = slice(-_LATELY, None)
    later_c = going_on(t_s[lately], air_c[lately], later_s, "outside", known.first_h).air_c.mean(0)
    every_s = np.concatenate([t_s, later_s])
    clear = None
    if not np.isnan(cloud).all():
        sky = np.concatenate([cloud, np.full(len(later_s), np.nan)])
        clear = clear_night(every_s / _HOUR_S + known.first_h, sky)
    issued_s = min(weather.issued_at - known.offset_s, now_s)
    return Station(every_s, np.concatenate([air_c, later_c]), issued_s, clear, end_s)


def _beside(station: Station, own_s: Array) -> NDArray[np.bool_]:
    """Which readings of the own air have a word of the station's within an hour and a half."""
    told_s = station.t_s[station.t_s <= (np.inf if station.told_until_s is None else station.told_until_s)]
    after = (
        np.clip(np.searchsorted(told_s, own_s), 1, len(told_s) - 1)
        if len(told_s) > 1
        else 0 * own_s.astype(int)
    )
    near = np.minimum(np.abs(told_s[after] - own_s), np.abs(told_s[np.maximum(after - 1, 0)] - own_s))
    return np.asarray(near <= 1.5 * _HOUR_S)
