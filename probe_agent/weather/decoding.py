"""Bytes and texts of weather sources → Weather, or a sentence on why not. No I/O.

Pointers: RFC 6901 (JSON Pointer). METAR: WMO-No. 306, FM 15, decoded by the library `metar`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import msgspec

from probe_agent.config import Fields
from probe_agent.pointers import pointed
from probe_agent.readings import Weather, WeatherHour

COLDEST_C, HOTTEST_C = -90.0, 60.0
"""Air beyond these is no air on Earth: a wrong unit or pointer."""
STRONGEST_M_S = 120.0
_AHEAD_S, _BACK_S = 16 * 86_400.0, 7 * 86_400.0
_MOST_HOURS = 1000
_IN_M_S = {"m/s": 1.0, "km/h": 1 / 3.6, "kt": 1852 / 3600}


class WeatherError(ValueError):
    """What a source said can't be used; the text is for the owner."""


# -- hourly JSON


def hourly_weather(
    body: bytes, fields: Fields, source: str, taken_at: float, said_at: float | None = None
) -> Weather:
    """The weather in a JSON document.

    Hours without air or out of order in time are passed over or put in order; all must be believable.
    said_at: when it was made by the carrier's word (UTC s), where the document doesn't tell.
    Raises WeatherError.
    """
    document = _document(body)
    rows = _entries(document, fields) if fields.entries is not None else _columns(document, fields)
    if fields.time is None:
        rows = [{**row, "time": taken_at} for row in rows[:1]]
    hours = {}
    for row in rows:
        if row["air"] is not None and row["time"] is not None:
            hour = _hour(row, fields)
            if taken_at - _BACK_S <= hour.at <= taken_at + _AHEAD_S:
                hours[hour.at] = hour
    if not hours:
        raise WeatherError(f"no hour of it has an air temperature at {_named(fields, 'air')} near today")
    issued_at = taken_at if said_at is None else said_at
    if fields.issued is not None:
        issued_at = _instant(_at(document, fields.issued, "issued"), fields, "issued")
    return Weather(source, taken_at, min(issued_at, taken_at), tuple(hours[at] for at in sorted(hours)))


def _document(body: bytes) -> object:
    try:
        return msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as err:
        begin = body[:40].decode("utf-8", "replace").strip()
        raise WeatherError(f"what comes is not JSON ({_short(err)}); it begins with {begin!r}") from err


def _at(document: object, pointer: str, key: str) -> object:
    try:
        return pointed(document, pointer)
    except KeyError as err:
        raise WeatherError(
            f"the pointer {key} = {pointer!r} leads nowhere: there is no {err.args[0]!r} in what comes"
        ) from None


_KEYS = ("time", "air", "wind", "dew_point", "cloud")


def _pointers(fields: Fields) -> dict[str, str]:
    given = {key: getattr(fields, key) for key in _KEYS}
    return {key: pointer for key, pointer in given.items() if pointer is not None}


def _columns(document: object, fields: Fields) -> list[dict[str, object]]:
    """Rows from equally long lists; single values make one row."""
    columns: dict[str, list[object]] = {}
    for key, pointer in _pointers(fields).items():
        found = _at(document, pointer, key)
        columns[key] = found if isinstance(found, list) else [found]
    length = len(columns["air"])
    for key, column in columns.items():
        if len(column) != length:
            raise WeatherError(
                f"the list at {key} = {_named(fields, key)} has {len(column)} values and the one at air "
                f"{length}: they don't belong together"
            )
    if length > _MOST_HOURS:
        raise WeatherError(f"it has {length} hours, more than {_MOST_HOURS}")
    return [{key: columns[key][i] if key in columns else None for key in _KEYS} for i in range(length)]


def _entries(document: object, fields: Fields) -> list[dict[str, object]]:
    """Rows from a list of objects; what an object lacks besides time and air is None."""
    found = _at(document, fields.entries or "", "entries")
    if not isinstance(found, list):
        raise WeatherError(f"the pointer entries = {_named(fields, 'entries')} leads to no list")
    if len(found) > _MOST_HOURS:
        raise WeatherError(f"it has {len(found)} hours, more than {_MOST_HOURS}")
    pointers = _pointers(fields)
    rows = [{key: _inside(entry, pointers.get(key)) for key in _KEYS} for entry in found]
    for key in ("time", "air"):
        if found and key in pointers and all(row[key] is None for row in rows):
            _at(found[0], pointers[key], key)  # says which part isn't there
    return rows


def _inside(entry: object, pointer: str | None) -> object:
    try:
        return None if pointer is None else pointed(entry, pointer)
    except KeyError:
        return None


def _hour(row: Mapping[str, object], fields: Fields) -> WeatherHour:
    at = _instant(row["time"], fields, "time")
    air_c = _celsius(row["air"], fields, "air")
    dew_c = None if row["dew_point"] is None else _celsius(row["dew_point"], fields, "dew_point")
    wind = _number(row["wind"], fields, "wind")
    wind_m_s = None if wind is None else wind * _IN_M_S[fields.wind_unit]
    if wind_m_s is not None and not 0 <= wind_m_s <= STRONGEST_M_S:
        raise WeatherError(
            f"a wind of {wind:g} {fields.wind_unit} at wind = {_named(fields, 'wind')} can't be"
        )
    cloud = _number(row["cloud"], fields, "cloud")
    share = None if cloud is None else cloud / (100.0 if fields.cloud_unit == "percent" else 1.0)
    if share is not None and not 0 <= share <= 1:
        raise WeatherError(f"a cloud cover of {cloud:g} at cloud = {_named(fields, 'cloud')} can't be")
    return WeatherHour(at, air_c, wind_m_s, dew_c, share)


def _celsius(value: object, fields: Fields, key: str) -> float:
    number = _number(value, fields, key)
    assert number is not None
    celsius = {"C": number, "F": (number - 32) / 1.8, "K": number - 273.15}[fields.air_unit] + 0.0
    if not COLDEST_C <= celsius <= HOTTEST_C:
        raise WeatherError(
            f"{number:g} at {key} = {_named(fields, key)} would be {celsius:.0f} °C: look at air_unit "
            f"(now {fields.air_unit}) and the pointer"
        )
    return celsius


def _number(value: object, fields: Fields, key: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise WeatherError(f"{_short(value)} at {key} = {_named(fields, key)} is no number")
    return float(value)


def _instant(value: object, fields: Fields, key: str) -> float:
    """UTC seconds of ISO 8601 text, or of seconds since 1970."""
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < 1e11:
        return float(value)
    try:
        when = datetime.fromisoformat(str(value))
        if when.tzinfo is None:
            when = when.replace(tzinfo=ZoneInfo(fields.time_zone) if fields.time_zone else UTC)
        return when.timestamp()
    except (ValueError, OverflowError):
        raise WeatherError(
            f"{_short(value)} at {key} = {_named(fields, key)} is no time (ISO 8601 or seconds since 1970)"
        ) from None


def _named(fields: Fields, key: str) -> str:
    return repr(getattr(fields, key))


def _short(value: object) -> str:
    text = str(value) if isinstance(value, Exception) else repr(value)
    return text if len(text) <= 60 else text[:59] + "…"


# -- METAR

_REPORT = re.compile(r"(?:METAR |SPECI )?(?:COR )?[A-Z][A-Z0-9]{3} \d{6}Z .*")
_OKTAS = {"SKC": 0.0, "CLR": 0.0, "NSC": 0.0, "NCD": 0.0, "FEW": 0.19, "SCT": 0.44, "BKN": 0.75, "OVC": 1.0}
"""Middle of each cover's range in eighths (WMO-No. 306, code table for FM 15 N_s; from memory)."""


def metar_weather(text: str, source: str, taken_at: float) -> Weather:
    """What METAR reports tell, one a line, of any order. Raises WeatherError where none has a temperature.

    Body temperatures are whole degrees; a T group of the remarks gives tenths and is taken instead.
    """
    hours = {}
    reasons = []
    for line in re.split(r"[\r\n=]+", text):
        line = " ".join(line.split())
        if _REPORT.fullmatch(line):
            try:
                hour = metar_hour(line, taken_at)
                hours[hour.at] = hour
            except WeatherError as err:
                reasons.append(str(err))
    if not hours:
        begin = " ".join(text[:40].split())
        raise WeatherError(
            reasons[0] if reasons else f"there is no METAR in what comes; it begins with {begin!r}"
        )
    rising = tuple(hours[at] for at in sorted(hours))
    return Weather(source, taken_at, rising[-1].at, rising)


def metar_hour(report: str, now_at: float) -> WeatherHour:
    """One report. Raises WeatherError where it can't be read, has no temperature, or is not of these days.

    The report tells the day of the month alone: it is the last such day before now_at (and a little after).
    """
    from metar import Metar  # 3.4 MB, so only where a METAR is heard

    day_at = _issued(report, now_at)
    day = datetime.fromtimestamp(day_at, UTC)
    try:
        found = Metar.Metar(report, month=day.month, year=day.year, strict=False)
        air_c = None if found.temp is None else float(found.temp.value("C")) + 0.0  # M00 is 0
        dew_c = None if found.dewpt is None else float(found.dewpt.value("C"))
        wind = None if found.wind_speed is None else float(found.wind_speed.value("MPS"))
        covers = [_OKTAS[cover] for cover, *_ in found.sky if cover in _OKTAS]
    except Exception as err:  # the library raises whatever its parts do
        raise WeatherError(f"the METAR {_short(report)} can't be read ({_short(err)})") from err
    if air_c is None or not math.isfinite(air_c) or not COLDEST_C <= air_c <= HOTTEST_C:
        raise WeatherError(f"the METAR {_short(report)} has no temperature")
    if wind is not None and not 0 <= wind <= STRONGEST_M_S:
        wind = None
    return WeatherHour(day_at, air_c, wind, dew_c, max(covers) if covers else None)


def _issued(report: str, now_at: float) -> float:
    """UTC seconds of the report's day, hour and minute, at most 12 h after now and 7 days before."""
    found = re.search(r" (\d\d)(\d\d)(\d\d)Z", report)
    now = datetime.fromtimestamp(now_at, UTC)
    if found is not None:
        day, hour, minute = map(int, found.groups())
        for back in range(-1, 8):
            date = now - timedelta(days=back)
            if date.day == day and hour < 24 and minute < 60:
                at = date.replace(hour=hour, minute=minute, second=0, microsecond=0).timestamp()
                if -_BACK_S <= at - now_at <= 12 * 3600:
                    return at
    raise WeatherError(f"the METAR {_short(report)} is not of these days")


def seen_hours(weather: Weather) -> Sequence[WeatherHour]:
    """Hours of the last two days that had come when it was taken: the station's past."""
    return [h for h in weather.hours if weather.taken_at - 2 * 86_400 <= h.at <= weather.taken_at + 1800]
