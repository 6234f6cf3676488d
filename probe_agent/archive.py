"""The heat-ups in the record: their curves as measured, what they taught, how forecasts were borne out.

A connection of its own on the store's file, so that learning disturbs no tick: reads at leisure,
writes in one short transaction. No numerics.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from probe_agent.config import Setup
from probe_agent.store import IN_FORCE, SAME_SETUP, corrections_basis, keep_value, open_checked, transaction
from probe_agent.thermocouple import ThermocoupleType, linearise
from probe_agent.weakening import Warming

_AT = "(SELECT (mono_ms + utc_offset_ms) / 1000.0 FROM ticks JOIN boots USING (boot) WHERE tick = {})"


@dataclass(frozen=True, slots=True)
class StoredHeatup:
    """One heat-up that has ended. Instants in UTC seconds."""

    heatup: int
    started_tick: int
    ended_tick: int
    target_c: float
    started_at: float
    above_at: float | None
    off_at: float | None
    ended_at: float
    end_reason: str
    excluded: bool
    note: str


@dataclass(frozen=True, slots=True)
class TickValues:
    """One stored instant: °C a place by today's corrections, heater share."""

    tick: int
    at: float
    values_c: Mapping[str, float]
    heater: float | None


@dataclass(frozen=True, slots=True)
class HandValue:
    """A reading by hand that still counts."""

    at: float
    place: str
    value_c: float
    method: str


@dataclass(frozen=True, slots=True)
class StoredMemory:
    """The newest memory of a setup as it was written; stamp tells it from any other."""

    stamp: tuple[int, float]
    model_version: int
    learned_from: tuple[int, ...]
    parameters: str


@dataclass(frozen=True, slots=True)
class StoredForecast:
    """A forecast of a heat-up. Instants in UTC seconds, quantiles as in `Forecast`."""

    tick: int
    at: float
    p10_at: float | None
    p50_at: float | None
    p90_at: float | None


@dataclass(frozen=True, slots=True)
class StoredFall:
    """A heater-off test of one place: fall in the first minutes, its neighbours' [K]."""

    place: str
    off_tick: int
    fall_c: float
    neighbours_c: float
    reads_heater: bool


@dataclass(frozen=True, slots=True)
class Score:
    """A forecast at so many percent of the warm-up against what happened. error_s: forecast less truth,
    None where it said never."""

    percent: int
    tick: int
    error_s: float | None
    inside: bool


@dataclass(frozen=True, slots=True)
class StoredLesson:
    """What a heat-up taught, in words where nothing."""

    model_version: int
    clean: bool
    censored: bool
    why: str
    changed: str


@dataclass(frozen=True, slots=True)
class Learned:
    """All that learning from one heat-up writes."""

    heatup: int
    lesson: StoredLesson
    falls: tuple[StoredFall, ...] = ()
    scores: tuple[Score, ...] = ()
    warming: Warming | None = None


@dataclass(slots=True)
class _Bindings:
    """Which probe was at a place when, and what today's corrections say of it."""

    spans: dict[str, list[tuple[float, float, str]]] = field(default_factory=dict)
    offsets_c: dict[str, float] = field(default_factory=dict)

    def address(self, place: str, at: float) -> str:
        """The address bound to a place at an instant, or last before it, or first; of a source without
        bindings the place itself."""
        spans = self.spans.get(place, [])
        before = [a for since, _, a in spans if since <= at]
        return before[-1] if before else spans[0][2] if spans else place


class Archive:
    """Heat-ups on one store's file. Raises StoreError where it is of another schema or not there."""

    def __init__(self, path: Path, read_only: bool = False) -> None:
        self._db = open_checked(path, read_only)
        self._places: dict[int, str] = dict(self._db.execute("SELECT place, name FROM places"))

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    # -- setups and heat-ups

    def alike(self, setup: Setup) -> tuple[int, ...]:
        """Numbers under which this setup is stored: the same name and heater, watts, cover, plugs, stand."""
        rows = self._db.execute("SELECT setup, settings FROM setups WHERE slug = ?", (setup.name,))
        wanted = {key: getattr(setup, key) for key in SAME_SETUP}
        return tuple(n for n, text in rows if {k: json.loads(text).get(k) for k in SAME_SETUP} == wanted)

    def places(self) -> dict[str, bool]:
        """Places of the record and whether each is required."""
        return {n: bool(r) for n, r in self._db.execute("SELECT name, required FROM places ORDER BY place")}

    def heatups(self, setups: Sequence[int]) -> list[StoredHeatup]:
        """Heat-ups of these setups that have ended, in order."""
        rows = self._db.execute(
            f"SELECT heatup, started_tick, ended_tick, target_mc / 1000.0, {_AT.format('started_tick')},"
            f" {_AT.format('above_tick')}, {_AT.format('off_tick')}, {_AT.format('ended_tick')},"
            " coalesce(end_reason, ''), excluded, note FROM heatups"
            f" WHERE ended_tick IS NOT NULL AND setup IN ({_marks(setups)}) ORDER BY heatup",
            setups,
        ).fetchall()
        # A heat-up whose ticks were lost with the power has nothing to teach.
        return [
            StoredHeatup(number, started, ended, c, on_at, above, off, end_at, why, bool(excluded), note)
            for number, started, ended, c, on_at, above, off, end_at, why, excluded, note in rows
            if on_at is not None and end_at is not None
        ]

    def span(self, heatup: StoredHeatup, lead_s: float, until_at: float) -> tuple[int, int, bool]:
        """First and last tick of a heat-up with `lead_s` before it and what follows up to until_at, and
        whether all of that has been measured.

        Ticks rise for ever and clocks don't, so it goes by ticks: back and on while time does too, and on
        no further than the next heat-up.
        """
        first, before_at = heatup.started_tick, heatup.started_at
        for tick, at in self._ticks("tick < ? ORDER BY tick DESC", heatup.started_tick):
            if at < heatup.started_at - lead_s or at >= before_at:
                break
            first, before_at = tick, at
        next_on = self._db.execute(
            "SELECT min(started_tick) FROM heatups WHERE started_tick > ?", (heatup.ended_tick,)
        ).fetchone()[0]
        last, after_at = heatup.ended_tick, heatup.ended_at
        for tick, at in self._ticks("tick > ? ORDER BY tick", heatup.ended_tick):
            if tick == next_on or at > until_at or at <= after_at:
                return first, last, True
            last, after_at = tick, at
        return first, last, after_at >= until_at

    def _ticks(self, where: str, tick: int) -> Iterator[tuple[int, float]]:
        return self._db.execute(
            "SELECT tick, (mono_ms + utc_offset_ms) / 1000.0 FROM ticks JOIN boots USING (boot)"
            f" WHERE {where}",
            (tick,),
        )

    def last_at(self) -> float | None:
        """The instant of the newest committed tick [UTC s]."""
        newest = self._db.execute("SELECT max(tick) FROM ticks").fetchone()[0]
        return (
            None if newest is None else float(self._db.execute(f"SELECT {_AT.format(newest)}").fetchone()[0])
        )

    def last_tick(self) -> int:
        """The number of the newest committed tick; 0 where there is none."""
        return int(self._db.execute("SELECT coalesce(max(tick), 0) FROM ticks").fetchone()[0])

    # -- curves

    def curve(
        self,
        first: int,
        last: int,
        thermocouples: Mapping[str, ThermocoupleType],
        offsets_c: Mapping[str, float] | None = None,
        bound_at: float | None = None,
    ) -> Iterator[TickValues]:
        """Instants between two ticks, time rising, from raw readings with today's corrections. A place is
        told from when the probe came there that it has at the end: another's values are no curve with its.

        thermocouples: address → type where it is not K; offsets_c: address → correction, instead of today's;
        bound_at: the end, for what probes it has [UTC s]; None: the last of these ticks.
        """
        known = self._bindings()
        ends_at = self._instant(last) if bound_at is None else bound_at
        if offsets_c is not None:
            known.offsets_c = dict(offsets_c)
        cursor = self._db.execute(
            "SELECT t.tick, (t.mono_ms + b.utc_offset_ms) / 1000.0, t.heater_share, r.place,"
            " CASE WHEN r.fault IS NULL THEN r.raw_mc END, r.cold_mc"
            " FROM ticks t JOIN boots b USING (boot) LEFT JOIN readings r ON r.tick = t.tick"
            " WHERE t.tick BETWEEN ? AND ? ORDER BY t.tick",
            (first, last),
        )
        row: TickValues | None = None
        lived_at = float("-inf")
        values: dict[str, float] = {}
        for tick, at, heater, place, raw_mc, cold_mc in cursor:
            if row is None or tick != row.tick:
                if row is not None and row.at > lived_at:
                    yield row
                    lived_at = row.at
                values = {}
                row = TickValues(tick, at, values, heater)
            if raw_mc is not None and (name := self._places.get(place)) is not None:
                address = known.address(name, at)
                if address != known.address(name, ends_at):
                    continue
                value_c = corrected(raw_mc, cold_mc, thermocouples.get(address, "K"))
                if value_c is not None:
                    values[name] = value_c + known.offsets_c.get(address, 0.0)
        if row is not None and row.at > lived_at:
            yield row

    def _instant(self, tick: int) -> float:
        """When a tick was [UTC s]."""
        row = self._db.execute(
            "SELECT (mono_ms + utc_offset_ms) / 1000.0 FROM ticks JOIN boots USING (boot) WHERE tick = ?",
            (tick,),
        ).fetchone()
        return float("inf") if row is None else float(row[0])

    def between(
        self, from_at: float, until_at: float, thermocouples: Mapping[str, ThermocoupleType]
    ) -> Iterator[TickValues]:
        """Instants between two UTC instants, time rising, from raw readings with today's corrections."""
        first, last = self._db.execute(
            "SELECT min(tick), max(tick) FROM boots b JOIN ticks t ON t.boot = b.boot"
            " AND t.mono_ms BETWEEN ? - b.utc_offset_ms AND ? - b.utc_offset_ms",
            (round(from_at * 1000), round(until_at * 1000)),
        ).fetchone()
        if first is not None:
            rows = self.curve(first, last, thermocouples, bound_at=until_at)
            yield from (row for row in rows if from_at <= row.at <= until_at)

    def kept(self, name: str) -> str | None:
        """A small value kept across restarts."""
        row = self._db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def corrections_basis(self) -> str:
        """The corrections in force, such that any change of them shows."""
        return corrections_basis(self._db)

    def bound(self) -> dict[str, str]:
        """Place → the address bound to it now."""
        rows = self._db.execute(
            "SELECT name, address FROM bindings JOIN places USING (place) WHERE to_at IS NULL"
        )
        return dict(rows)

    def offsets_c(self) -> dict[str, float]:
        """Address → correction in force [°C]."""
        return {address: offset / 1000 for address, offset in self._db.execute(IN_FORCE)}

    def corrected_by(self, reason: str) -> frozenset[str]:
        """Addresses whose correction in force begins its reason with this."""
        found = dict(
            self._db.execute(
                "SELECT address, reason FROM corrections WHERE undone_at IS NULL ORDER BY correction"
            )
        )
        return frozenset(a for a, why in found.items() if why.startswith(reason))

    def last_warmth(self, now_at: float) -> tuple[float | None, float | None]:
        """When a heat-up last warmed, and when an outing last ended in which the engine ran or may have [UTC
        s]; now_at for one that is not over."""
        heated = [
            now_at if is_open else off_at if off_at is not None else ended_at
            for is_open, off_at, ended_at in self._db.execute(
                f"SELECT ended_tick IS NULL, {_AT.format('off_tick')}, {_AT.format('ended_tick')}"
                " FROM heatups ORDER BY heatup DESC LIMIT 5"
            )
        ]
        ran = [
            plugged_at if plugged_at is not None else ended_at if ended_at is not None else now_at
            for plugged_at, ended_at in self._db.execute(
                "SELECT plugged_at, ended_at FROM outings WHERE unplugged_at IS NOT NULL OR kind IN"
                " ('flown-hot', 'flown-short', 'flown', 'ground-run', 'perhaps')"
                " ORDER BY outing DESC LIMIT 5"
            )
        ]
        warm = [at for at in heated if at is not None and at <= now_at]
        return max(warm, default=None), max((at for at in ran if at <= now_at), default=None)

    def core_near(self, at: float, within_s: float = 1800.0) -> tuple[float, float, float] | None:
        """The core as last estimated before an instant [°C]: low, middle, high; None for not lately."""
        row = self._db.execute(
            "SELECT core_low_mc / 1000.0, core_mid_mc / 1000.0, core_high_mc / 1000.0,"
            " (mono_ms + utc_offset_ms) / 1000.0 AS seen_at FROM forecasts JOIN ticks USING (tick)"
            " JOIN boots USING (boot) WHERE core_mid_mc IS NOT NULL AND seen_at <= ? AND seen_at >= ?"
            " ORDER BY tick DESC LIMIT 1",
            (at + 1.0, at - within_s),
        ).fetchone()
        return None if row is None else (row[0], row[1], row[2])

    def _bindings(self) -> _Bindings:
        found = _Bindings(offsets_c=self.offsets_c())
        rows = self._db.execute("SELECT place, address, from_at, to_at FROM bindings ORDER BY binding")
        for place, address, since, until in rows:
            spans = found.spans.setdefault(self._places[place], [])
            spans.append((since, float("inf") if until is None else until, address))
        return found

    def hand_values(self, since_at: float, until_at: float) -> list[HandValue]:
        """Readings by hand that still count, taken between two instants, in time order."""
        rows = self._db.execute(
            "SELECT (mono_ms + utc_offset_ms) / 1000.0 AS at, name, value_mc / 1000.0, method"
            " FROM hand_readings JOIN boots USING (boot) JOIN places USING (place)"
            " WHERE undone_at IS NULL AND at BETWEEN ? AND ? ORDER BY at",
            (since_at, until_at),
        )
        return [HandValue(*row) for row in rows]

    def forecasts(self, heatup: StoredHeatup, until_at: float) -> list[StoredForecast]:
        """The stored forecasts of a heat-up up to an instant, in order."""
        rows = self._db.execute(
            "SELECT tick, (mono_ms + utc_offset_ms) / 1000.0 AS at, (p10_ms + utc_offset_ms) / 1000.0,"
            " (p50_ms + utc_offset_ms) / 1000.0, (p90_ms + utc_offset_ms) / 1000.0"
            " FROM forecasts JOIN ticks USING (tick) JOIN boots USING (boot)"
            " WHERE tick BETWEEN ? AND ? AND at <= ? ORDER BY tick",
            (heatup.started_tick, heatup.ended_tick, until_at),
        )
        return [StoredForecast(*row) for row in rows]

    # -- what was learned

    def memory(self, setups: Sequence[int]) -> StoredMemory | None:
        """The newest memory of these setups."""
        row = self._db.execute(
            "SELECT rowid, since_at, model_version, learned_from, parameters FROM memory"
            f" WHERE setup IN ({_marks(setups)}) ORDER BY rowid DESC LIMIT 1",
            setups,
        ).fetchone()
        if row is None:
            return None
        return StoredMemory((row[0], row[1]), row[2], tuple(json.loads(row[3])), row[4])

    def learned_with(self, setups: Sequence[int]) -> str:
        """The corrections that were in force as these setups' heat-ups were learned from."""
        return self.kept(_learned_with(setups)) or ""

    def lessons(self, setups: Sequence[int]) -> dict[int, StoredLesson]:
        """What each heat-up of these setups taught, those learned from, in order."""
        rows = self._db.execute(
            "SELECT heatup, model_version, clean, censored, why, changed FROM lessons JOIN heatups"
            f" USING (heatup) WHERE setup IN ({_marks(setups)}) ORDER BY heatup",
            setups,
        )
        return {r[0]: StoredLesson(r[1], bool(r[2]), bool(r[3]), r[4], r[5]) for r in rows}

    def falls(self, setups: Sequence[int]) -> list[StoredFall]:
        """Heater-off tests of these setups, oldest first; those of excluded heat-ups left out."""
        rows = self._db.execute(
            "SELECT name, falls.off_tick, fall_mc / 1000.0, neighbours_mc / 1000.0, reads_heater"
            " FROM falls JOIN heatups USING (heatup) JOIN places USING (place)"
            f" WHERE NOT excluded AND setup IN ({_marks(setups)}) ORDER BY falls.off_tick, name",
            setups,
        )
        return [StoredFall(name, off, fall, others, bool(reads)) for name, off, fall, others, reads in rows]

    def warmings(self, setups: Sequence[int]) -> dict[int, Warming]:
        """How fast each heat-up of these setups that taught something began to warm, in order."""
        rows = self._db.execute(
            f"SELECT heatup, {_AT.format('started_tick')}, cold_mc / 1000.0, name, rate_mc_per_h / 1000.0"
            " FROM warmings JOIN heatups USING (heatup) JOIN places USING (place)"
            f" WHERE NOT excluded AND setup IN ({_marks(setups)}) ORDER BY heatup, name",
            setups,
        )
        found: dict[int, Warming] = {}
        for heatup, at, cold_c, place, rate in rows:
            before = found[heatup].rates_c_per_h if heatup in found else {}
            found[heatup] = Warming(at, cold_c, {**before, place: rate})
        return found

    def scores(self, setups: Sequence[int]) -> dict[int, tuple[Score, ...]]:
        """How the forecasts of each heat-up were borne out, in order."""
        rows = self._db.execute(
            "SELECT heatup, percent, tick, error_s, inside FROM scores JOIN heatups USING (heatup)"
            f" WHERE setup IN ({_marks(setups)}) ORDER BY heatup, percent",
            setups,
        )
        found: dict[int, tuple[Score, ...]] = {}
        for heatup, percent, tick, error_s, inside in rows:
            found[heatup] = (*found.get(heatup, ()), Score(percent, tick, error_s, bool(inside)))
        return found

    def keep(
        self,
        setups: Sequence[int],
        learned: Iterable[Learned],
        memory: tuple[int, Sequence[int], str] | None,
        anew: bool = False,
        basis: str = "",
    ) -> None:
        """Write what was learned of setups that are one, in one transaction.

        memory: its model version, the heat-ups it was learned from, its parameters; it replaces the one
        before. anew: what all heat-ups taught is replaced as a whole. basis: the corrections it was learned
        with.
        """
        places = {name: n for n, name in self._places.items()}
        db = self._db
        with transaction(db):
            if anew:
                of_these = f"heatup IN (SELECT heatup FROM heatups WHERE setup IN ({_marks(setups)}))"
                db.execute(f"DELETE FROM lessons WHERE {of_these}", setups)
                db.execute(f"DELETE FROM falls WHERE {of_these}", setups)
                db.execute(f"DELETE FROM warmings WHERE {of_these}", setups)
            if anew or memory is not None:
                db.execute(f"DELETE FROM memory WHERE setup IN ({_marks(setups)})", setups)
            db.execute(*keep_value(_learned_with(setups), basis))
            for one in learned:
                _insert_learned(db, one, places)
            if memory is not None:
                version, learned_from, parameters = memory
                db.execute(
                    "INSERT INTO memory (setup, since_at, model_version, learned_from, parameters)"
                    " VALUES (?, ?, ?, ?, ?)",
                    (setups[-1], time.time(), version, json.dumps(list(learned_from)), parameters),
                )


def _learned_with(setups: Sequence[int]) -> str:
    return f"learned-with:{min(setups, default=0)}"


def _insert_learned(db: sqlite3.Connection, one: Learned, places: Mapping[str, int]) -> None:
    lesson = one.lesson
    db.execute(
        "INSERT OR REPLACE INTO lessons (heatup, model_version, learned_at, clean, censored, why, changed)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            one.heatup,
            lesson.model_version,
            time.time(),
            lesson.clean,
            lesson.censored,
            lesson.why,
            lesson.changed,
        ),
    )
    db.execute("DELETE FROM falls WHERE heatup = ?", (one.heatup,))
    db.executemany(
        "INSERT OR REPLACE INTO falls VALUES (?, ?, ?, ?, ?, ?)",
        [
            (one.heatup, places[f.place], f.off_tick, _mc(f.fall_c), _mc(f.neighbours_c), f.reads_heater)
            for f in one.falls
            if f.place in places
        ],
    )
    db.execute("DELETE FROM warmings WHERE heatup = ?", (one.heatup,))
    if one.warming is not None:
        db.executemany(
            "INSERT INTO warmings VALUES (?, ?, ?, ?)",
            [
                (one.heatup, places[p], _mc(one.warming.cold_c), _mc(rate))
                for p, rate in one.warming.rates_c_per_h.items()
            ],
        )
    db.execute("DELETE FROM scores WHERE heatup = ?", (one.heatup,))
    db.executemany(
        "INSERT INTO scores VALUES (?, ?, ?, ?, ?)",
        [(one.heatup, s.percent, s.tick, s.error_s, s.inside) for s in one.scores],
    )


def corrected(raw_mc: int, cold_mc: int | None, thermocouple: ThermocoupleType) -> float | None:
    """A raw reading through its source's physics: a converter's straight line, which alone has a cold
    junction, is undone; the others' numbers are temperatures [°C]."""
    if cold_mc is None:
        return raw_mc / 1000
    return linearise(raw_mc / 1000, cold_mc / 1000, thermocouple)


def _mc(c: float) -> int:
    return round(c * 1000)


def _marks(values: Sequence[Any]) -> str:
    return ", ".join("?" * len(values))
