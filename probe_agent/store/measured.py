"""What was measured: ticks with their readings, readings by hand, curves."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from probe_agent.readings import Forecast
from probe_agent.store.file import Statement, mc, ms


@dataclass(frozen=True, slots=True)
class StoredReading:
    """One place in one tick; value_c is corrected, raw_c as the source gave it."""

    place: str
    raw_c: float | None
    cold_c: float | None
    value_c: float | None
    fault: str | None
    method: str | None = None


@dataclass(frozen=True, slots=True)
class TickRow:
    """All that one tick measured."""

    tick: int
    t_s: float
    heater_share: float | None
    readings: tuple[StoredReading, ...]
    forecast: Forecast | None = None
    announced: bool = False


@dataclass(frozen=True, slots=True)
class Answered:
    """How a place's probe answered since an instant: in how many rows, and in how many of them with which
    fault, most frequent first."""

    place: str
    rows: int
    faults: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class CurveRow:
    """One instant of a curve: UTC seconds, °C a place (None = no value), heater share."""

    at: float
    values_c: Mapping[str, float | None]
    heater: float | None


def insert_hand_reading(
    number: int, place: str, boot: int, t_s: float, value_c: float, method: str
) -> Statement:
    """A reading by hand under its number."""
    return (
        "INSERT INTO hand_readings (hand, place, boot, mono_ms, value_mc, method)"
        " VALUES (?, (SELECT place FROM places WHERE name = ?), ?, ?, ?, ?)",
        (number, place, boot, ms(t_s), mc(value_c), method),
    )


def undo_hand_reading(number: int, at: float) -> Statement:
    """Mark a reading by hand as undone; it stays in the record."""
    return ("UPDATE hand_readings SET undone_at = ? WHERE hand = ?", (at, number))


def answered_of(db: sqlite3.Connection, since_at: float) -> list[Answered]:
    """How the probe of each place answered since a UTC instant, committed rows alone, by place."""
    rows = db.execute(
        "SELECT name, fault, count(*) AS times FROM boots b"
        " CROSS JOIN ticks t ON t.boot = b.boot AND t.mono_ms >= ? - b.utc_offset_ms"
        " JOIN readings USING (tick) JOIN places USING (place)"
        " GROUP BY name, fault ORDER BY name, times DESC",
        (round(since_at * 1000),),
    )
    found: dict[str, dict[str | None, int]] = {}
    for name, fault, times in rows:
        found.setdefault(name, {})[fault] = times
    return [
        Answered(name, sum(told.values()), tuple((f, n) for f, n in told.items() if f is not None))
        for name, told in found.items()
    ]


def hourly_of(db: sqlite3.Connection, place: str, since_at: float) -> list[tuple[float, float]]:
    """For each hour the reading nearest to it, if one lies within 7½ min. By a few small looks an hour:
    going through every reading of three weeks would take seconds on the board."""
    found: dict[int, tuple[float, float]] = {}
    boots = db.execute(
        "SELECT boot, utc_offset_ms / 1000.0,"
        " (SELECT min(mono_ms) / 1000.0 FROM ticks t WHERE t.boot = b.boot),"
        " (SELECT max(mono_ms) / 1000.0 FROM ticks t WHERE t.boot = b.boot)"
        " FROM boots b ORDER BY boot"
    ).fetchall()
    for boot, offset_s, first_s, last_s in boots:
        if first_s is None:
            continue
        begin = max(since_at, first_s + offset_s)
        for hour in range(round(begin / 3600), round((last_s + offset_s) / 3600) + 1):
            row = db.execute(
                "SELECT mono_ms / 1000.0, value_mc / 1000.0 FROM ticks JOIN readings USING (tick)"
                " WHERE boot = ? AND mono_ms BETWEEN ? AND ? AND value_mc IS NOT NULL"
                " AND place = (SELECT place FROM places WHERE name = ?) ORDER BY abs(mono_ms - ?) LIMIT 1",
                (
                    boot,
                    ms(hour * 3600 - 450 - offset_s),
                    ms(hour * 3600 + 450 - offset_s),
                    place,
                    ms(hour * 3600 - offset_s),
                ),
            ).fetchone()
            if row is not None:
                found[hour] = (row[0] + offset_s, row[1])
    return sorted(found.values())


def curve_of(db: sqlite3.Connection, since_at: float, until_at: float) -> Iterator[CurveRow]:
    """Rows of all boots that overlap the span, ordered by UTC."""
    cursor = db.execute(
        "SELECT t.tick, (t.mono_ms + b.utc_offset_ms) / 1000.0 AS at, t.heater_share, p.name, r.value_mc"
        " FROM boots b CROSS JOIN ticks t ON t.boot = b.boot"  # in this order: else all of ten years is read
        "  AND t.mono_ms BETWEEN ? - b.utc_offset_ms AND ? - b.utc_offset_ms"
        " LEFT JOIN readings r ON r.tick = t.tick LEFT JOIN places p ON p.place = r.place"
        " ORDER BY at, t.tick",
        (round(since_at * 1000), round(until_at * 1000)),
    )
    tick: int | None = None
    row: CurveRow | None = None
    values: dict[str, float | None] = {}
    for number, at, heater, place, value_mc in cursor:
        if number != tick:
            if row is not None:
                yield row
            tick, values = number, {}
            row = CurveRow(at, values, heater)
        if place is not None:  # a row on which only people could say something has no readings
            values[place] = None if value_mc is None else value_mc / 1000
    if row is not None:
        yield row
