"""What weather sources said, and the hours of their stations."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import suppress

import msgspec

from probe_agent.readings import Weather, WeatherHour
from probe_agent.store.file import Statement, mc

STATION_S = 30 * 86_400.0
"""How long a station's hours are kept."""
KeptWeather = tuple[dict[str, Weather], dict[str, list[WeatherHour]]]
"""Source → what it said last, and source → hours of its station, rising."""


def keep_weather(weather: Weather) -> Statement:
    """Keep what a source said last, in place of what it said before."""
    return (
        "INSERT INTO weather VALUES (?, ?, ?) ON CONFLICT (source) DO UPDATE SET"
        " taken_at = excluded.taken_at, document = excluded.document",
        (weather.source, weather.taken_at, msgspec.json.encode(weather).decode()),
    )


def forget_weather(source: str) -> Statement:
    """Forget what a source said last; the hours of its station stay."""
    return ("DELETE FROM weather WHERE source = ?", (source,))


def keep_station(source: str, hours: Sequence[WeatherHour]) -> list[Statement]:
    """Keep a station's hours, one for each hour of the clock; STATION_S later they are dropped."""
    out: list[Statement] = [
        (
            "INSERT INTO station VALUES (?, ?, ?, ?, ?) ON CONFLICT (source, hour) DO UPDATE SET"
            " at = excluded.at, air_mc = excluded.air_mc, cloud = excluded.cloud",
            (source, round(h.at / 3600), h.at, mc(h.air_c), h.cloud),
        )
        for h in hours
    ]
    if out:
        latest = max(h.at for h in hours)
        out.append(("DELETE FROM station WHERE source = ? AND at < ?", (source, latest - STATION_S)))
    return out


def weather_since(db: sqlite3.Connection, since_at: float) -> KeptWeather:
    said: dict[str, Weather] = {}
    for source, document in db.execute("SELECT source, document FROM weather"):
        with suppress(msgspec.MsgspecError):  # of another version: it is soon heard again
            said[source] = msgspec.json.decode(document, type=Weather)
    past: dict[str, list[WeatherHour]] = {}
    for source, at, air_mc, cloud in db.execute(
        "SELECT source, at, air_mc, cloud FROM station WHERE at >= ? ORDER BY source, at", (since_at,)
    ):
        past.setdefault(source, []).append(WeatherHour(at, air_mc / 1000, cloud=cloud))
    return said, past
