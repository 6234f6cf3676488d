"""A viewer's hand on the file: it reads, and asks."""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from probe_agent.store.access import SESSION, OpenCode, Session, find_code, sessions_at
from probe_agent.store.bindings import BindingChange, binding_changes
from probe_agent.store.corrections import (
    CHECK,
    TAUGHT,
    Check,
    KeptCorrection,
    Taught,
    corrections_basis,
    corrections_of,
    read_check,
    read_taught,
)
from probe_agent.store.curves import (
    PREVIEW,
    Announced,
    HeatupKept,
    Preview,
    Small,
    all_rows,
    announced_of,
    heatups_named,
    heatups_of,
    read_preview,
    required_places,
    small_curves,
    thinned,
)
from probe_agent.store.file import open_checked
from probe_agent.store.heatups import OUTING, CameOf, KeptOuting, came_of, newest_lesson
from probe_agent.store.measured import Answered, CurveRow, answered_of, curve_of, hourly_of
from probe_agent.store.spells import HeatupSpan, KeptSpell, spans_of_heatups, spells_of
from probe_agent.store.told import Link, find_link
from probe_agent.store.weather import KeptWeather, weather_since


class Reader:
    """A viewer's hand on the file: reads, and asks. Raises StoreError where the file is of another
    version or not there."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_checked(path, read_only=True)

    def close(self) -> None:
        self._db.close()

    def curve(self, since_at: float, until_at: float) -> list[CurveRow]:
        """Committed readings between two UTC instants, in time order."""
        return list(curve_of(self._db, since_at, until_at))

    def announced_since(
        self, since_at: float, limit: int = 8
    ) -> list[tuple[float, float | None, float, float | None]]:
        """The last ranges announced since a UTC instant: told at, 10, 50, 90 % of above target [UTC s];
        those without a middle are left out."""
        rows = self._db.execute(
            "SELECT (mono_ms + utc_offset_ms) / 1000.0, (p10_ms + utc_offset_ms) / 1000.0,"
            " (p50_ms + utc_offset_ms) / 1000.0, (p90_ms + utc_offset_ms) / 1000.0"
            " FROM forecasts JOIN ticks USING (tick) JOIN boots USING (boot)"
            " WHERE announced AND p50_ms IS NOT NULL AND p50_ms > mono_ms AND mono_ms + utc_offset_ms >= ?"
            " ORDER BY tick DESC LIMIT ?",
            (since_at * 1000, limit),
        )
        return [tuple(row) for row in rows][::-1]

    def weather(self, since_at: float) -> KeptWeather:
        """What weather sources said last, and the hours kept of their stations since then."""
        return weather_since(self._db, since_at)

    def hourly(self, place: str, since_at: float) -> list[tuple[float, float]]:
        """Committed values of a place, one an hour: (UTC s, °C), rising."""
        return hourly_of(self._db, place, since_at)

    def transitions(self, limit: int = 50) -> list[dict[str, Any]]:
        """The last transitions, newest first: at [UTC s], old, new, reason."""
        rows = self._db.execute(
            "SELECT (mono_ms + utc_offset_ms) / 1000.0, old, new, reason"
            " FROM transitions JOIN boots USING (boot) ORDER BY transition DESC LIMIT ?",
            (limit,),
        )
        return [{"at": at, "old": old, "new": new, "reason": reason} for at, old, new, reason in rows]

    def hand_readings(self, limit: int = 20) -> list[dict[str, Any]]:
        """The last readings by hand, newest first: id, at [UTC s], place, c, method, undone."""
        rows = self._db.execute(
            "SELECT hand, (mono_ms + utc_offset_ms) / 1000.0, name, value_mc / 1000.0, method,"
            " undone_at IS NOT NULL FROM hand_readings JOIN boots USING (boot) JOIN places USING (place)"
            " ORDER BY hand DESC LIMIT ?",
            (limit,),
        )
        return [
            {"id": i, "at": at, "place": place, "c": c, "method": method, "undone": bool(undone)}
            for i, at, place, c, method, undone in rows
        ]

    def bindings(self) -> list[tuple[str, str, str]]:
        """(place, source, address) as bound now, by place."""
        rows = self._db.execute(
            "SELECT name, source, address FROM bindings JOIN places USING (place)"
            " WHERE to_at IS NULL ORDER BY name"
        )
        return [(place, source, address) for place, source, address in rows]

    def binding_changes(self) -> list[BindingChange]:
        """The last changes of bindings, newest first."""
        return binding_changes(self._db)

    def answered(self, since_at: float) -> list[Answered]:
        """How the probe of each place answered since a UTC instant, by place."""
        return answered_of(self._db, since_at)

    def tested(self) -> dict[str, tuple[float | None, float | None]]:
        """Recipient → when it was tested last, and when it last answered a test [UTC s]."""
        rows = self._db.execute("SELECT recipient, tested_at, proven_at FROM recipients")
        return {name: (tested, proven) for name, tested, proven in rows}

    def kept(self, name: str) -> str | None:
        """A small value the daemon keeps."""
        row = self._db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def outings(self, limit: int = 50) -> list[KeptOuting]:
        """The last outings, newest first."""
        rows = self._db.execute(f"SELECT {OUTING} FROM outings ORDER BY outing DESC LIMIT ?", (limit,))
        return [KeptOuting(*row) for row in rows]

    def spells(self) -> list[KeptSpell]:
        """All spells of moisture and heat, in the order in which they began."""
        return spells_of(self._db)

    def heatup_spans(self) -> list[HeatupSpan]:
        """The spans of all heat-ups, in order."""
        return spans_of_heatups(self._db)

    # -- heat-ups

    def heatups(self, before: int | None = None, most: int = 150) -> list[HeatupKept]:
        """The newest heat-ups, those numbered below `before`, newest first."""
        return heatups_of(self._db, before, most)

    def heatups_named(self, numbers: Sequence[int]) -> list[HeatupKept]:
        """Those of these heat-ups that there are, in the order asked for."""
        return heatups_named(self._db, numbers)

    def small_curves(self, heatups: Sequence[HeatupKept], points: int) -> dict[int, Small]:
        """The coldest required place of each heat-up at so many instants."""
        return small_curves(self._db, heatups, points)

    def heatup_curve(self, heatup: HeatupKept, from_at: float, to_at: float, most: int) -> list[CurveRow]:
        """At most so many committed rows of a heat-up between two UTC instants."""
        return thinned(self._db, heatup, from_at, to_at, most)

    def heatup_rows(self, heatup: HeatupKept) -> Iterator[CurveRow]:
        """Every committed row of a heat-up, in order."""
        return all_rows(self._db, heatup)

    def announced(self, heatup: HeatupKept) -> list[Announced]:
        """The forecasts announced in a heat-up until it was above target, in order."""
        return announced_of(self._db, heatup)

    def required_places(self) -> dict[str, bool]:
        """Places of the record in their order, and whether each is required."""
        return required_places(self._db)

    def preview(self) -> Preview | None:
        """What was last asked of a heat-up left out; None where what heat-ups teach has changed since."""
        found = read_preview(self.kept(PREVIEW))
        return found if found is None or found.state != "done" or found.basis == self._basis() else None

    def _basis(self) -> tuple[float | None, float | None]:
        return newest_lesson(self._db)

    # -- probes and what heat-ups taught

    def corrections(self) -> list[KeptCorrection]:
        """All corrections, newest first, undone ones too."""
        return corrections_of(self._db)

    def check(self) -> Check | None:
        """The last check of probes; None where corrections have changed since by another way."""
        found = read_check(self.kept(CHECK))
        if found is None or found.taken or found.state in ("working", "failed"):
            return found
        return found if found.basis == corrections_basis(self._db) else None

    def taught(self) -> Taught | None:
        """What the setup's heat-ups taught, as the daemon last worked it out."""
        return read_taught(self.kept(TAUGHT))

    def came_of_heatups(self) -> CameOf:
        """What the record says came of the heat-ups."""
        return came_of(self._db)

    def departures(self, since_at: float) -> list[str]:
        """Departures whose start lies after a UTC instant, in order, each as keep_departure's JSON."""
        rows = self._db.execute(
            "SELECT plan FROM departures WHERE leaves_at >= ? ORDER BY leaves_at, departure", (since_at,)
        )
        return [str(row[0]) for row in rows]

    def link(self, token_hash: bytes) -> Link | None:
        """What the link with that token's hash may answer; None where there is no such link."""
        return find_link(self._db, token_hash)

    def open_code(self, now_at: float) -> OpenCode | None:
        """The pairing code that may be tried at a real UTC instant."""
        return find_code(self._db, now_at)

    def session(self, token: bytes, now_at: float) -> Session | None:
        """The session whose token has that hash, if it holds at a real UTC instant."""
        row = self._db.execute(f"{SESSION} AND hash = ? AND expires_at > ?", (token, now_at)).fetchone()
        return None if row is None else Session(*row)

    def sessions(self, now_at: float) -> list[Session]:
        """Sessions that hold at a real UTC instant."""
        return sessions_at(self._db, now_at)

    def answer(self, command: str) -> str | None:
        """The daemon's answer to a command, None while it has none."""
        row = self._db.execute("SELECT answer FROM commands WHERE id = ?", (command,)).fetchone()
        return None if row is None or row[0] is None else str(row[0])

    def version(self) -> int:
        """Changes whenever somebody has written."""
        return int(self._db.execute("PRAGMA data_version").fetchone()[0])


def ask(
    path: Path, kind: str, body: Mapping[str, Any], valid_s: float = 60.0, command: str | None = None
) -> str:
    """Leave a command for the daemon and return its id; it is answered within about a second.

    A `command` of that id that is there already stays as it is: asked twice, done once.
    """
    command = command or uuid.uuid4().hex
    connection = open_checked(path)
    try:
        now_at = time.time()
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(
            "INSERT INTO commands (id, made_at, kind, body, expires_at) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (id) DO NOTHING",
            (command, now_at, kind, json.dumps(dict(body), allow_nan=False), now_at + valid_s),
        )
        connection.execute("COMMIT")
    finally:
        connection.close()
    return command


def await_answer(path: Path, command: str, timeout_s: float = 10.0) -> str | None:
    """The answer to a command as JSON text; None if none came in time [real s]."""
    reader = Reader(path)
    tick = threading.Event()
    try:
        deadline = time.monotonic() + timeout_s
        while (found := reader.answer(command)) is None and time.monotonic() < deadline:
            tick.wait(0.1)
        return found
    finally:
        reader.close()
