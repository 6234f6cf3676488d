"""Whether each stored reading has arrived: a store's file held against all that somebody was sent.

By hand: python tests/history_arrived.py STORE MESSAGES [DEVICE]; MESSAGES has a message a line, as received.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))

from probe_agent.store import connect
from probe_agent.store.onwards import runs_of

Key = tuple[str, int]
"""Run and tick."""


@dataclass
class Held:
    """missing: stored and never arrived; different: arrived other than it is stored now, with both; strange:
    arrived and not stored (after thinning or a restore there may be some); twice: how often each that came
    more than once did; clocks: runs whose clock isn't known as it is stored."""

    stored: int = 0
    readings: int = 0
    missing: list[Key] = field(default_factory=list)
    different: list[tuple[Key, Any, Any]] = field(default_factory=list)
    strange: list[Key] = field(default_factory=list)
    twice: dict[Key, int] = field(default_factory=dict)
    clocks: list[str] = field(default_factory=list)

    @property
    def is_whole(self) -> bool:
        """Whether each stored reading arrived at least once, as it is stored."""
        return not (self.missing or self.different or self.clocks)

    def __str__(self) -> str:
        return (
            f"{self.stored} ticks with {self.readings} readings stored; {len(self.missing)} missing, "
            f"{len(self.different)} different, {len(self.clocks)} clocks, "
            f"{len(self.strange)} not in the store, {len(self.twice)} ticks more than once (at most {max(self.twice.values(), default=1)} times)"
        )


def stored_in(store: Path) -> tuple[dict[Key, Any], dict[str, tuple[int, bool]]]:
    """Each committed tick as it is to arrive, and each run's clock: (offset in ms, believed)."""
    db = connect(store, read_only=True)
    try:
        names = {boot: run for run, boot in runs_of(db).items()}
        found: dict[Key, Any] = {}
        numbers: dict[int, Key] = {}
        for tick, boot, mono_ms, heater in db.execute("SELECT tick, boot, mono_ms, heater_share FROM ticks"):
            numbers[tick] = (names[boot], tick)
            found[numbers[tick]] = (mono_ms, heater, {})
        _add_readings(db, found, numbers)
        clocks = {
            names[boot]: (offset_ms, bool(ok))
            for boot, offset_ms, ok in db.execute(
                "SELECT boot, utc_offset_ms, clock_ok FROM boots WHERE boot IN (SELECT boot FROM ticks)"
            )
        }
        return found, clocks
    finally:
        db.close()


def _add_readings(db: sqlite3.Connection, found: dict[Key, Any], numbers: dict[int, Key]) -> None:
    rows = db.execute("SELECT tick, name, value_mc, fault FROM readings JOIN places USING (place)")
    for tick, name, value_mc, fault in rows:
        if tick in numbers:
            found[numbers[tick]][2][name] = fault if value_mc is None else value_mc / 1000


def hold_against(store: Path, payloads: Iterable[bytes | str], device: str | None = None) -> Held:
    """What has arrived of a store. payloads: each message's, in the order in which they came, duplicates too;
    device: whose alone are looked at."""
    stored, clocks = stored_in(store)
    came: Counter[Key] = Counter()
    known: dict[str, tuple[int, int, bool]] = {}
    held = Held(len(stored), sum(len(row[2]) for row in stored.values()))
    for payload in payloads:
        message = json.loads(payload)
        if device is not None and message["device"] != device:
            continue
        _note_clock(known, message["run"], message["clock"])
        if message["after"] is not None:
            _note_clock(known, message["after"]["run"], message["after"]["clock"])
        for tick in message["ticks"]:
            key = (message["run"], tick["tick"])
            came[key] += 1
            row = (tick["mono_ms"], tick["heater"], tick["places"])
            if key in stored and row != stored[key]:
                held.different.append((key, row, stored[key]))
    held.missing = [key for key in stored if key not in came]
    held.strange = [key for key in came if key not in stored]
    held.twice = {key: times for key, times in came.items() if times > 1}
    held.clocks = [run for run, clock in clocks.items() if known.get(run, (0, None, None))[1:] != clock]
    return held


def _note_clock(known: dict[str, tuple[int, int, bool]], run: str, clock: dict[str, Any]) -> None:
    if run not in known or clock["as_of"] >= known[run][0]:
        known[run] = (clock["as_of"], clock["offset_ms"], clock["ok"])


if __name__ == "__main__":
    with Path(sys.argv[2]).open("rb") as lines:
        result = hold_against(Path(sys.argv[1]), lines, sys.argv[3] if len(sys.argv) > 3 else None)
    print(result)
    raise SystemExit(0 if result.is_whole else 1)
