"""kill -9 of the daemon at random instants: the store opens clean, nothing acknowledged is lost (C1)."""

from __future__ import annotations

import json
import random
import signal
import sqlite3
import sys
import threading
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from real_daemon import Process, status_in, write_settings

from probe_agent.status import utc_seconds
from probe_agent.store import Reader, ask


def kill_once(folder: Path, settings: Path, chance: random.Random, round_no: int) -> None:
    """Start the daemon, give it readings by hand, kill it, and compare what it acknowledged."""
    file = folder / "probe-agent.db"
    before = status_in(folder)
    last_state = newest_state(file)
    acknowledged: list[str] = []
    with Process(
        "probe_agent.cli", "try", "--settings", str(settings), "--speed", "2000", log=folder / "log"
    ) as daemon:
        daemon.wait_for(
            lambda: (s := status_in(folder)) is not None and (before is None or s.run != before.run)
        )
        asked = [
            ask(file, "hand-reading", {"place": "cyl-1", "c": round_no + i / 10, "method": "contact"})
            for i in range(3)
        ]
        threading.Event().wait(chance.uniform(0.0, 1.5))  # the random instant itself, no waiting for anything
        seen = status_in(folder)
        reader = Reader(file)
        acknowledged = [c for c in asked if (a := reader.answer(c)) is not None and json.loads(a)["ok"]]
        reader.close()
        daemon.end(signal.SIGKILL)
    db = sqlite3.connect(file)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    changes = db.execute(
        "SELECT (mono_ms + utc_offset_ms) / 1000.0, new FROM transitions JOIN boots USING (boot)"
    ).fetchall()
    (first_at,) = db.execute(
        "SELECT (min(mono_ms) + utc_offset_ms) / 1000.0 FROM ticks JOIN boots USING (boot)"
        " WHERE boot = (SELECT max(boot) FROM boots)"
    ).fetchone()
    kept = db.execute("SELECT count(*) FROM hand_readings WHERE value_mc / 1000 = ?", (round_no,)).fetchone()[
        0
    ]
    db.close()
    assert seen is not None
    assert seen.state_since is not None
    since = utc_seconds(seen.state_since)
    if first_at is not None and since > first_at - 1.5:  # changed in this round
        assert any(new == seen.state and abs(at - since) <= 1.5 for at, new in changes), (seen, changes)
    else:  # carried over from the round before, whose hurried clock had run ahead of this one's
        assert seen.state == last_state
    assert kept >= len(acknowledged)


def newest_state(file: Path) -> str | None:
    """The last transition committed before this round; None where there is no store yet."""
    if not file.exists():
        return None
    db = sqlite3.connect(file)
    row = db.execute("SELECT new FROM transitions ORDER BY transition DESC LIMIT 1").fetchone()
    db.close()
    return None if row is None else str(row[0])


def kill_rounds(folder: Path, rounds: int, seed: int) -> None:
    settings = write_settings(folder)
    chance = random.Random(seed)
    for round_no in range(rounds):
        kill_once(folder, settings, chance, round_no)


def test_killed_at_random_instants(tmp_path: Path) -> None:
    kill_rounds(tmp_path, 4, seed=1)


@pytest.mark.long
def test_killed_at_many_random_instants(tmp_path: Path) -> None:
    kill_rounds(tmp_path, 200, seed=2)
