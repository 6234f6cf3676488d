"""All that is known of the air: what sources said last, their stations' past, the aircraft's own air."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from probe_agent import words
from probe_agent.config import Settings, WeatherSources
from probe_agent.readings import Weather, WeatherHour
from probe_agent.status import AirNow, FrostNow, utc_text
from probe_agent.store import KeptWeather, Statement, forget_weather, keep_station, keep_weather
from probe_agent.thermal.ahead import STALE_S, TOO_OLD_S, AirKnown, air_ahead, rests_on
from probe_agent.thermal.moisture import FrostAhead, frost_ahead
from probe_agent.weather.decoding import (
    COLDEST_C,
    HOTTEST_C,
    STRONGEST_M_S,
    WeatherError,
    metar_weather,
    seen_hours,
)

OWN_BACK_S = 21 * 86_400.0
"""How long the aircraft's own air is of use."""
TYPED_REACHES_S = 36 * 3600.0
_HOUR_S = 3600.0
_QUARTER_S = 900.0
_OWN_FRESH_S = 3600.0


class Keeper(Protocol):
    """The part of the store used here (store.Store, store.Reader)."""

    def weather(self, since_at: float) -> KeptWeather: ...

    def hourly(self, place: str, since_at: float) -> list[tuple[float, float]]: ...


class Heard:
    """What is known of the air, for one setup. Not for two threads at once; `known` hands out a snapshot."""

    def __init__(self, settings: Settings, zone: str) -> None:
        self._wanted = settings.weather != WeatherSources()
        self._stands = settings.setup.stands if settings.setup is not None else "outside"
        self._zone = ZoneInfo(zone)
        self._said: dict[str, Weather] = {}
        self._past: dict[str, dict[int, WeatherHour]] = {}
        self._own: dict[int, tuple[float, float]] = {}
        self._latest: tuple[float, float] | None = None
        self._frost: tuple[object, FrostNow] | None = None

    def recall(self, keeper: Keeper, now_at: float) -> None:
        """Take up what an earlier run kept; also after the clock turned out to be another."""
        said, past = keeper.weather(now_at - OWN_BACK_S)
        self._said = {**said, **self._said}
        for source, hours in past.items():
            self._past[source] = {round(h.at / _HOUR_S): h for h in hours}
        self._own, self._latest = {}, None
        for at, air_c in keeper.hourly("ambient", now_at - OWN_BACK_S):
            self.measured(at, air_c)

    def measured(self, at: float, air_c: float) -> None:
        """The aircraft's own air at an instant (UTC s), rising; the one nearest to each hour is kept."""
        hour = round(at / _HOUR_S)
        kept = self._own.get(hour)
        if kept is None or abs(at - hour * _HOUR_S) <= abs(kept[0] - hour * _HOUR_S):
            if kept is None:
                self._own = {h: p for h, p in self._own.items() if p[0] >= at - OWN_BACK_S}
            self._own[hour] = (at, air_c)
        self._latest = (at, air_c)

    def hear(self, weather: Weather) -> list[Statement]:
        """Take up what a source said; the statements keep it."""
        self._said[weather.source] = weather
        seen = seen_hours(weather) if weather.source != "typed" else []
        if seen:
            oldest = seen[-1].at - OWN_BACK_S
            past = {n: h for n, h in self._past.get(weather.source, {}).items() if h.at >= oldest}
            self._past[weather.source] = past | {round(h.at / _HOUR_S): h for h in seen}
        return [keep_weather(weather), *keep_station(weather.source, seen)]

    def take_word(self, body: Mapping[str, Any], now_at: float) -> tuple[bool, str, list[Statement]]:
        """Weather told by a person: done or not, what to answer, what to keep.

        body: {"air_c", "until_at", "wind_m_s" or None} for the lowest air to come, {"metar": text}, or
        {"forget": true}. Raises KeyError, TypeError, ValueError where it is not complete.
        """
        if body.get("forget") is True:
            gone = self._said.pop("typed", None) is not None
            text = "What was typed in is forgotten." if gone else "Nothing was typed in."
            return True, text, [forget_weather("typed")]
        try:
            weather = self._report(body, now_at) if "metar" in body else self._low(body, now_at)
        except WeatherError as err:
            said = str(err)
            return False, f"{said[:1].upper()}{said[1:]}. Nothing was changed.", []
        return True, words.weather_taken(weather, self._zone.key, now_at), self.hear(weather)

    def _report(self, body: Mapping[str, Any], now_at: float) -> Weather:
        return metar_weather(str(body["metar"])[:4000], "metar", now_at)

    def _low(self, body: Mapping[str, Any], now_at: float) -> Weather:
        """The lowest air to come, reached at until_at, from the air measured now if it is."""
        air_c, until_at = float(body["air_c"]), float(body["until_at"])
        wind = None if body.get("wind_m_s") is None else float(body["wind_m_s"])
        if not COLDEST_C <= air_c <= HOTTEST_C:
            raise WeatherError(f"an air of {air_c:g} °C can't be")
        if wind is not None and not 0 <= wind <= STRONGEST_M_S:
            raise WeatherError(f"a wind of {wind:g} m/s can't be")
        if not now_at < until_at <= now_at + TYPED_REACHES_S:
            raise WeatherError("the time must be within the next 36 h")
        fresh = self._latest is not None and now_at - self._latest[0] <= _OWN_FRESH_S
        now_c = self._latest[1] if self._latest is not None and fresh else air_c
        hours = (WeatherHour(now_at, now_c, wind), WeatherHour(until_at, air_c, wind))
        return Weather("typed", now_at, now_at, hours)

    def frost(self, now_at: float, until_at: float) -> FrostNow:
        """Frost or dew on the aircraft from now until an instant [UTC s], by the source in use."""
        found = self.in_use(now_at)
        hours = () if found is None else found.hours
        key = (round(now_at / _QUARTER_S), round(until_at / _QUARTER_S), hours)
        if self._frost is None or self._frost[0] != key:
            self._frost = (
                key,
                _frost_now(frost_ahead(hours, now_at, until_at, self._stands == "outside"), until_at),
            )
        return self._frost[1]

    def said(self) -> list[Weather]:
        """What each source said last, the newest first."""
        return sorted(self._said.values(), key=lambda w: -w.taken_at)

    def in_use(self, now_at: float) -> Weather | None:
        """The source the air to come rests on: what a person typed while it reaches ahead, else the newest
        forecast that does, else what was observed last."""
        ahead = [
            w for w in self._said.values() if w.reaches_at > now_at and now_at - w.issued_at <= TOO_OLD_S
        ]
        if ahead:
            return max(ahead, key=lambda w: (w.source == "typed", w.issued_at))
        return max(self._said.values(), key=lambda w: w.reaches_at, default=None)

    def known(self, now_s: float, offset_s: float) -> AirKnown:
        """A snapshot for `air_ahead`, from any thread. offset_s: run s + offset = UTC s."""
        now_at = now_s + offset_s
        weather = self.in_use(now_at)
        past = self._past.get(weather.source, {}) if weather is not None else {}
        return AirKnown(
            own=tuple((at - offset_s, c) for at, c in self._own_until(now_at)),
            weather=weather,
            past=tuple(past[hour] for hour in sorted(past)),
            stands=self._stands,
            offset_s=offset_s,
            sun_h=self._sun_h(now_at),
        )

    def _own_until(self, now_at: float) -> list[tuple[float, float]]:
        """Hours of own air, the latest reading last, nothing from a clock that was ahead."""
        pairs = sorted(p for p in self._own.values() if p[0] <= now_at)
        if self._latest is not None and self._latest[0] <= now_at:
            while pairs and pairs[-1][0] > self._latest[0] - _HOUR_S / 4:
                pairs.pop()
            pairs.append(self._latest)
        return pairs

    def _sun_h(self, now_at: float) -> float:
        """Hours by which the zone's own time, without summer time, is ahead of UTC: about the sun's."""
        when = datetime.fromtimestamp(now_at, UTC).astimezone(self._zone)
        none = timedelta(0)
        return ((when.utcoffset() or none) - (when.dst() or none)).total_seconds() / _HOUR_S

    def shown(self, now_at: float) -> AirNow:
        """What the status document says of it."""
        weather = self.in_use(now_at)
        latest = () if self._latest is None else ((self._latest[0] - now_at, self._latest[1]),)
        basis = rests_on(AirKnown(own=latest, weather=weather, offset_s=now_at), 0.0)
        return AirNow(
            rests_on=basis,
            source=weather.source if weather else None,
            issued=utc_text(weather.issued_at) if weather else None,
            reaches=utc_text(weather.reaches_at) if weather else None,
            old=weather is not None and now_at - weather.issued_at > STALE_S,
            wanted=self._wanted,
            wind_m_s=wind_ahead(weather, now_at),
        )


def wind_ahead(weather: Weather | None, at: float) -> float | None:
    """The wind a source tells for an instant (UTC s) [m/s], None where it tells none near it."""
    near = [h for h in weather.hours if h.wind_m_s is not None] if weather is not None else []
    found = min(near, key=lambda h: abs(h.at - at), default=None)
    if found is None or not math.isfinite(at) or abs(found.at - at) > 3 * _HOUR_S:
        return None
    return found.wind_m_s


# -- as text

_AHEAD_H = 18
_COLUMNS = 40


def picture(heard: Heard, now_at: float, zone: str, unit: words.Unit) -> list[str]:
    """What was heard, and the air expected at the aircraft for 18 h: 10, 50, 90 % and a bar for each hour."""
    lines = [words.weather_heard(w, zone, now_at, unit) for w in heard.said()]
    lines = lines or ["No weather has been heard."]
    shown = heard.shown(now_at)
    lines += [words.air_basis(shown, zone, now_at), ""]
    ahead = air_ahead(heard.known(now_at, 0.0), now_at, now_at + _AHEAD_H * _HOUR_S)
    if ahead.is_change:
        return [
            *lines,
            "Without an air probe and without weather there is no air to show. Bind a probe to ambient,",
            "name a source under [weather] in the settings, or tell it: probe-agent weather --air-c -8",
        ]
    band = [[words.in_unit(float(c), unit) for c in row] for row in ahead.band()]
    low, high = math.floor(min(band[0])), math.ceil(max(band[2]))
    lines.append(f"Air expected at the aircraft, °{unit}: 1 night in 10 colder, middle, 1 in 10 warmer")
    for t_s, *row in zip(ahead.air.t_s, *band, strict=True):
        at = words.stamp(float(t_s), zone)
        numbers = " ".join(f"{c:6.1f}".replace("-", "−") for c in row)
        lines.append(f"{at} {numbers}  {_bar(row, low, high)}")
    return lines


def _bar(row: list[float], low: int, high: int) -> str:
    """Where 10, 50 and 90 % lie between low and high: ├──┼──┤"""
    cold, middle, warm = (round((c - low) / max(high - low, 1) * (_COLUMNS - 1)) for c in row)
    cells = [" "] * cold + ["─"] * (warm - cold + 1)
    cells[cold], cells[warm], cells[middle] = "├", "┤", "┼"
    return "".join(cells)


def _frost_now(found: FrostAhead, until_at: float) -> FrostNow:
    def rounded(c: float | None) -> float | None:
        return None if c is None else round(c, 1)

    at = None if found.at is None else utc_text(found.at)
    return FrostNow(
        found.kind, found.sure, at, utc_text(until_at), rounded(found.skin_c), rounded(found.point_c)
    )
