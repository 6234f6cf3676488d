"""Many hands on one record, and years of it (C7, C8)."""

from __future__ import annotations

import ast
import os
import sqlite3
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from probe_agent.maintenance import thin, used_mb
from probe_agent.migrations import migrate
from probe_agent.store import Batch, Reader, Store, StoredReading, TickRow, answer_command, connect

ROOT = Path(__file__).parents[2]
DAY_S = 86_400.0
START_AT = 1_788_220_800.0
"""1 September 2026, 00:00 UTC."""
PLACES = ("sump", "cyl-1", "cyl-2", "cyl-3", "cyl-4", "case-nose", "case-rear", "ambient")


# -- C7


_ASKING = """
import sys, time
from pathlib import Path
from probe_agent.store import Reader, ask
file, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
slowest = 0.0
for n in range(count):
    began = time.monotonic()
    ask(file, "heater-said", {"on": bool(n % 2)}, 3600.0, f"{name}-{n}")
    slowest = max(slowest, time.monotonic() - began)
    reader = Reader(file)
    for row in reader.curve(0.0, 4e9):
        pass
    reader.close()
print(slowest)
"""


def contend(file: Path, pages: int, each: int) -> tuple[float, float]:
    """Pages as processes ask and read while the daemon writes; the slowest asking and commit [s]."""
    migrate(file)
    store = Store(file)
    store.describe_places({"cyl-1": (True, False)})
    store.begin_boot("boot", START_AT, True)
    asking = [
        subprocess.Popen(
            [sys.executable, "-c", _ASKING, str(file), f"page{n}", str(each)],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for n in range(pages)
    ]
    long_query = connect(file, read_only=True)
    rows = long_query.execute("SELECT * FROM places, (SELECT 1 UNION SELECT 2)")
    rows.fetchone()  # a viewer in the middle of a long query, all the time
    slowest, ticks = 0.0, 0
    while any(p.poll() is None for p in asking) or store.waiting_commands():
        store.hold(
            TickRow(store.new_tick(), 15.0 * ticks, None, (StoredReading("cyl-1", 1.0, None, 1.0, None),))
        )
        ticks += 1
        answers = [answer_command(c.id, "{}") for c in store.waiting_commands()]
        began = time.monotonic()
        store.commit(Batch(statements=answers))
        slowest = max(slowest, time.monotonic() - began)
        threading.Event().wait(0.02)
    long_query.close()
    told = [p.communicate(timeout=60) for p in asking]
    assert [p.returncode for p in asking] == [0] * pages, told
    store.close()
    db = sqlite3.connect(file)
    assert db.execute("SELECT count(*), count(answer) FROM commands").fetchone() == (
        pages * each,
        pages * each,
    )
    assert db.execute("SELECT count(*) FROM ticks").fetchone() == (ticks,)
    assert db.execute("PRAGMA quick_check").fetchone() == ("ok",)
    db.close()
    return max(float(out) for out, _ in told), slowest


def test_pages_that_ask_at_once_and_a_daemon_that_writes_wait_for_one_another(tmp_path: Path) -> None:
    """C7: nobody gives up, nothing is lost."""
    asked_s, commit_s = contend(tmp_path / "probe-agent.db", 3, 40)
    print(f"slowest asking {asked_s:.2f} s, slowest commit {commit_s:.2f} s")
    assert asked_s < 8.0
    assert commit_s < 8.0


@pytest.mark.long
def test_a_dozen_pages_wait_for_one_another(tmp_path: Path) -> None:
    """C7."""
    asked_s, commit_s = contend(tmp_path / "probe-agent.db", 12, 100)
    print(f"slowest asking {asked_s:.2f} s, slowest commit {commit_s:.2f} s")


def test_the_page_writes_nothing_but_commands(tmp_path: Path) -> None:
    """C7: it opens no connection itself, and what it is given holds one statement that writes."""
    for source in (ROOT / "web").rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id == "sqlite3"
            ):
                assert node.attr == "Error", f"{source.name} uses sqlite3.{node.attr}"
    viewer = (ROOT / "probe_agent" / "store" / "viewer.py").read_text("utf-8")
    writing = [word for word in ("INSERT", "UPDATE", "DELETE", "REPLACE") if word in viewer]
    assert writing == ["INSERT"]
    assert viewer.count("INSERT") == 1
    assert "INSERT INTO commands" in viewer
    file = tmp_path / "probe-agent.db"
    migrate(file)
    reader = Reader(file)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._db.execute("DELETE FROM ticks")
    reader.close()


# -- C8


def fill(file: Path, days: int, every_s: float, heatups: int) -> None:
    """So many days of readings, heat-ups of three hours spread over them, forecasts in these."""
    migrate(file)
    store = Store(file)
    store.describe_places({p: (p.startswith("cyl"), False) for p in PLACES})
    store.begin_boot("boot", START_AT, True)
    store.close()
    count, db = int(days * DAY_S / every_s), sqlite3.connect(file, isolation_level=None)
    numbers = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < :count)"
    values = {"count": count, "ms": round(every_s * 1000)}
    db.execute("BEGIN")
    db.execute(f"{numbers} INSERT INTO ticks SELECT i, 1, i * :ms, 0.0 FROM n", values)
    db.execute(
        f"{numbers} INSERT INTO readings SELECT i, place, -5000 + (i * 7919 * place) % 4000,"
        " 1000 + i % 977, -5000 + (i * 7919 * place) % 4000, NULL, NULL FROM n, places",
        values,
    )
    span, step = int(3 * 3600 / every_s), count // (heatups + 1)
    for n in range(1, heatups + 1):
        began = n * step
        db.execute(
            "INSERT INTO heatups (started_tick, target_mc, ended_tick, end_reason)"
            " VALUES (?, 7000, ?, 'cooled')",
            (began, began + span),
        )
        for i in range(began, began + span, max(1, int(300 / every_s))):
            db.execute("INSERT INTO forecasts VALUES (?, ?, 1, 0, 1, 2, 3, 0.9, 1, 2, 3, 1, 1)", (i, n))
    db.execute("COMMIT")
    db.close()


HEATUP_ROWS = (
    "SELECT heatup, count(*), sum(value_mc), min(t.tick), max(t.tick) FROM heatups h JOIN ticks t"
    " ON t.tick BETWEEN started_tick AND ended_tick JOIN readings r ON r.tick = t.tick GROUP BY heatup"
)


def everything_of_heatups(file: Path) -> list[tuple[object, ...]]:
    db = sqlite3.connect(file)
    found = (
        db.execute(HEATUP_ROWS).fetchall() + db.execute("SELECT * FROM forecasts ORDER BY tick").fetchall()
    )
    db.close()
    return found


class Sampler(threading.Thread):
    """A daemon that samples and commits while readings are thinned; how long each of both took."""

    def __init__(self, file: Path) -> None:
        super().__init__()
        self.store, self.stop = Store(file), threading.Event()
        self.store.begin_boot("next", START_AT + 4e7, True)
        self.held_s: list[float] = []
        self.commit_s: list[float] = []

    def run(self) -> None:
        n = 0
        while not self.stop.wait(0.02):
            row = TickRow(
                self.store.new_tick(), 15.0 * n, None, (StoredReading("cyl-1", 1.0, None, 1.0, None),)
            )
            began = time.monotonic()
            self.store.hold(row)
            self.held_s.append(time.monotonic() - began)
            began = time.monotonic()
            self.store.commit()
            self.commit_s.append(time.monotonic() - began)
            n += 1
        self.store.close()


def last_night_s(file: Path, until_at: float) -> float:
    """How long the page's eight hours take to read, the median of several times [s]."""
    took = []
    for _ in range(5):
        reader = Reader(file)
        began = time.process_time()
        assert len(reader.curve(until_at - 8 * 3600, until_at)) > 100
        took.append(time.process_time() - began)
        reader.close()
    return statistics.median(took)


def grow(file: Path, days: int, every_s: float, heatups: int, most_mb: float) -> None:
    fill(file, days, every_s, heatups)
    end_at = START_AT + days * DAY_S
    before, whole = last_night_s(file, end_at), everything_of_heatups(file)
    db = connect(file)
    large_mb = used_mb(db)
    assert large_mb > most_mb
    sampler = Sampler(file)
    sampler.start()
    began = time.monotonic()
    gone = thin(file, most_mb, end_at + 40 * DAY_S, "UTC", 7, threading.Event())
    took_s = time.monotonic() - began
    sampler.stop.set()
    sampler.join(60)
    after = last_night_s(file, end_at)
    small_mb, pages = used_mb(db), db.execute("PRAGMA page_count").fetchone()[0]
    print(
        f"{large_mb:.0f} MB to {small_mb:.0f} MB, {gone} ticks in {took_s:.0f} s; eight hours read in"
        f" {before * 1000:.1f} and {after * 1000:.1f} ms; longest commit meanwhile"
        f" {max(sampler.commit_s):.2f} s of {len(sampler.commit_s)}"
    )
    assert small_mb <= most_mb
    assert everything_of_heatups(file) == whole
    assert max(sampler.held_s) < 0.25, "a tick never waits for it"
    assert max(sampler.commit_s) < 5.0
    assert after <= 1.2 * before + 0.005
    assert db.execute("PRAGMA quick_check").fetchone() == ("ok",)
    nothing = thin(file, most_mb, end_at + 40 * DAY_S, "UTC", 7, threading.Event())
    assert nothing == 0
    grown = Store(file)
    grown.begin_boot("later", START_AT + 9e7, True)
    for n in range(200):
        readings = tuple(StoredReading(p, 1.0, None, 1.0, None) for p in PLACES)
        grown.hold(TickRow(grown.new_tick(), 15.0 * n, None, readings))
    grown.commit()
    grown.close()
    assert db.execute("PRAGMA page_count").fetchone()[0] <= pages + 20, "free pages are used again, no VACUUM"
    db.close()


def test_old_readings_are_thinned_and_heat_ups_stay_whole(tmp_path: Path) -> None:
    """C8: beside a daemon that goes on sampling."""
    grow(tmp_path / "probe-agent.db", 30, 120.0, 5, 2.2)


@pytest.mark.long
def test_a_year_of_readings_is_thinned_beside_the_daemon(tmp_path: Path) -> None:
    """C8: a year at 15 s from eight probes, 120 heat-ups; Now is not slower for it."""
    grow(tmp_path / "probe-agent.db", 365, 15.0, 120, 60.0)


def test_thinning_ends_where_it_is_told_to_and_goes_on_later(tmp_path: Path) -> None:
    """C8."""
    file = tmp_path / "probe-agent.db"
    fill(file, 10, 120.0, 1)
    stop = threading.Event()
    stop.set()
    assert thin(file, 0.1, START_AT + 400 * DAY_S, "UTC", 7, stop) == 0
    assert thin(file, 0.1, START_AT + 400 * DAY_S, "UTC", 7, threading.Event()) > 5000


def test_a_record_within_its_size_and_late_readings_are_left_alone(tmp_path: Path) -> None:
    """C8."""
    file = tmp_path / "probe-agent.db"
    fill(file, 10, 120.0, 1)
    assert thin(file, 500.0, START_AT + 400 * DAY_S, "UTC", 7, threading.Event()) == 0
    assert thin(file, 0.1, START_AT + 10 * DAY_S, "UTC", 7, threading.Event()) == 0
