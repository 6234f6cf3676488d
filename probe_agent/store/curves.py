"""Heat-ups as viewers see them: what is known of each, their curves thinned, what was announced."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Literal

import msgspec

from probe_agent.store.file import Statement
from probe_agent.store.measured import CurveRow

AMBIENT = "ambient"
SAME_SETUP = ("heater", "watts", "cover", "cowl_plugs", "stands")
"""What makes a setup another one where it changes under the same name: who switches it does not."""
_AT = "(SELECT (mono_ms + utc_offset_ms) / 1000.0 FROM ticks JOIN boots USING (boot) WHERE tick = {})"
_LAST = "coalesce(ended_tick, (SELECT max(tick) FROM ticks))"
_ALIKE = "json_array(slug, " + ", ".join(f"json_extract(settings, '$.{key}')" for key in SAME_SETUP) + ")"
_KEPT = (
    f"SELECT heatup, slug, {_ALIKE},"
    f" target_mc / 1000.0, {_AT.format('started_tick')}, {_AT.format('above_tick')},"
    f" {_AT.format('ready_tick')}, {_AT.format('off_tick')}, {_AT.format(_LAST)}, ended_tick IS NULL,"
    " coalesce(end_reason, ''), excluded, note, started_tick, "
    f"{_LAST}, (SELECT value_mc / 1000.0 FROM readings JOIN places USING (place)"
    f" WHERE tick = started_tick AND name = '{AMBIENT}'),"
    " lessons.heatup IS NOT NULL, lessons.clean, lessons.why"
    " FROM heatups LEFT JOIN setups USING (setup) LEFT JOIN lessons USING (heatup)"
)


@dataclass(frozen=True, slots=True)
class HeatupKept:
    """One heat-up, over or not. Instants in UTC seconds; last_at: of its last committed tick.

    alike: the same for heat-ups of one setup; air_c: outside air at heater-on; is_learned, clean, why:
    whether it was gone through to learn, whether it taught something, and why not.
    """

    heatup: int
    setup: str | None
    alike: str
    target_c: float
    on_at: float
    above_at: float | None
    ready_at: float | None
    off_at: float | None
    last_at: float
    is_open: bool
    end_reason: str
    excluded: bool
    note: str
    first_tick: int
    last_tick: int
    air_c: float | None
    is_learned: bool
    clean: bool | None
    why: str | None


@dataclass(frozen=True, slots=True)
class Small:
    """A small curve: (s after heater-on, °C of the coldest required place or None), times rising."""

    points: tuple[tuple[float, float | None], ...]


class Preview(msgspec.Struct, frozen=True):
    """What forecasts would be without a heat-up (excluded) or with it again, as far as it is worked out.

    state: working, done or failed (then `why`); done, of: steps. judged: earlier heat-ups whose forecast a
    quarter of the way was worked out both ways; shift_s: by how much it would have been later, their median,
    least_s and most_s its ends; off_now_s, off_then_s: by how much it was, and would have been, off in half
    of them; unsaid: further ones in which one of both says no time. heat_ups_now, heat_ups_then: on how many
    the memory rests. basis: `newest_lesson` it was worked out with.
    """

    heatup: int
    excluded: bool
    asked_at: float
    state: Literal["working", "done", "failed"] = "working"
    done: int = 0
    of: int = 0
    why: str = ""
    judged: int = 0
    shift_s: float = 0.0
    least_s: float = 0.0
    most_s: float = 0.0
    off_now_s: float = 0.0
    off_then_s: float = 0.0
    unsaid: int = 0
    heat_ups_now: int = 0
    heat_ups_then: int = 0
    basis: tuple[float | None, float | None] = (None, None)


PREVIEW = "preview"
"""The name under which the last one is kept."""


def read_preview(text: str | None) -> Preview | None:
    """A preview as kept; None where there is none, or one of another version."""
    try:
        return None if text is None else msgspec.json.decode(text, type=Preview)
    except msgspec.MsgspecError:
        return None


@dataclass(frozen=True, slots=True)
class Announced:
    """A forecast that was announced. Instants in UTC seconds; quantiles None where there was none."""

    at: float
    p10_at: float | None
    p50_at: float | None
    p90_at: float | None
    p_reach: float


def note_heatup(heatup: int, note: str) -> Statement:
    """What the owner writes of a heat-up, in place of what was written before."""
    return ("UPDATE heatups SET note = ? WHERE heatup = ?", (note, heatup))


def heatups_of(db: sqlite3.Connection, before: int | None, most: int) -> list[HeatupKept]:
    """The newest heat-ups, those numbered below `before`, newest first."""
    limit = (before if before is not None else 1 << 62, most)
    return _kept(db.execute(f"{_KEPT} WHERE heatup < ? ORDER BY heatup DESC LIMIT ?", limit))


def heatups_named(db: sqlite3.Connection, numbers: Sequence[int]) -> list[HeatupKept]:
    """Those of these heat-ups that there are, in the order asked for."""
    marks = ", ".join("?" * len(numbers))
    found = {h.heatup: h for h in _kept(db.execute(f"{_KEPT} WHERE heatup IN ({marks})", numbers))}
    return [found[n] for n in numbers if n in found]


def _kept(rows: Iterable[tuple[object, ...]]) -> list[HeatupKept]:
    """Heat-ups whose ticks were lost with the power have nothing to show and are passed over."""
    return [HeatupKept(*row) for row in rows if row[4] is not None and row[8] is not None]  # type: ignore[arg-type]


def small_curves(db: sqlite3.Connection, heatups: Sequence[HeatupKept], points: int) -> dict[int, Small]:
    """So many instants of each heat-up, evenly spaced, by looks at these alone: a winter's readings are
    never gone through."""
    cursor = db.execute(
        "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < ?1),"
        " h AS (SELECT heatup, started_tick AS a, coalesce(ended_tick, (SELECT max(tick) FROM ticks)) AS b"
        f" FROM heatups WHERE heatup IN ({', '.join(str(h.heatup) for h in heatups)})),"
        " s AS (SELECT DISTINCT heatup, (SELECT max(tick) FROM ticks"
        " WHERE tick BETWEEN a AND a + (b - a) * i / ?1) AS tick FROM h, n)"
        " SELECT heatup, (t.mono_ms + utc_offset_ms) / 1000.0, CASE WHEN count(value_mc) = count(*)"
        " THEN min(value_mc) / 1000.0 END FROM s JOIN ticks t USING (tick) JOIN boots USING (boot)"
        " JOIN readings r ON r.tick = t.tick JOIN places p ON p.place = r.place AND p.required"
        " GROUP BY heatup, t.tick ORDER BY heatup, t.tick",
        (points - 1,),
    )
    on_at = {h.heatup: h.on_at for h in heatups}
    return {
        heatup: Small(tuple((at - on_at[heatup], c) for _, at, c in rows))
        for heatup, rows in groupby(cursor, itemgetter(0))
    }


def thinned(
    db: sqlite3.Connection, heatup: HeatupKept, from_at: float, to_at: float, most: int
) -> list[CurveRow]:
    """At most so many rows of a heat-up between two UTC instants, evenly spaced, each as measured."""
    span = db.execute(
        "SELECT min(tick), max(tick) FROM ticks JOIN boots USING (boot) WHERE tick BETWEEN ? AND ?"
        " AND mono_ms + utc_offset_ms BETWEEN ? AND ?",
        (heatup.first_tick, heatup.last_tick, round(from_at * 1000), round(to_at * 1000)),
    ).fetchone()
    if span[0] is None:
        return []
    stride = max(1, -(-(span[1] - span[0] + 1) // most))
    return list(_rows(db, (span[0], span[1]), stride))


def all_rows(db: sqlite3.Connection, heatup: HeatupKept) -> Iterator[CurveRow]:
    """Every committed row of a heat-up, in order."""
    return _rows(db, (heatup.first_tick, heatup.last_tick), 1)


def _rows(db: sqlite3.Connection, span: tuple[int, int], stride: int) -> Iterator[CurveRow]:
    first, last = span
    cursor = db.execute(
        "SELECT t.tick, (t.mono_ms + utc_offset_ms) / 1000.0, t.heater_share, name, value_mc"
        " FROM ticks t JOIN boots USING (boot) LEFT JOIN readings r ON r.tick = t.tick"
        " LEFT JOIN places USING (place)"
        " WHERE t.tick BETWEEN ? AND ? AND (t.tick - ?) % ? = 0 ORDER BY t.tick",
        (first, last, first, stride),
    )
    for _, rows in groupby(cursor, itemgetter(0)):
        told = list(rows)
        values = {name: None if mc is None else mc / 1000 for *_, name, mc in told if name is not None}
        yield CurveRow(told[0][1], values, told[0][2])


def announced_of(db: sqlite3.Connection, heatup: HeatupKept) -> list[Announced]:
    """The forecasts announced from heater-on until it was above target, or until its end."""
    until_at = heatup.above_at if heatup.above_at is not None else heatup.last_at
    rows = db.execute(
        "SELECT (mono_ms + utc_offset_ms) / 1000.0 AS at, (p10_ms + utc_offset_ms) / 1000.0,"
        " (p50_ms + utc_offset_ms) / 1000.0, (p90_ms + utc_offset_ms) / 1000.0, p_reach"
        " FROM forecasts JOIN ticks USING (tick) JOIN boots USING (boot)"
        " WHERE tick BETWEEN ? AND ? AND announced AND at <= ? ORDER BY tick",
        (heatup.first_tick, heatup.last_tick, until_at),
    )
    return [Announced(*row) for row in rows]


def required_places(db: sqlite3.Connection) -> dict[str, bool]:
    """Places of the record in their order, and whether each is required."""
    return {n: bool(r) for n, r in db.execute("SELECT name, required FROM places ORDER BY place")}
