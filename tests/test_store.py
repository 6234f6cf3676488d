"""The record: what is acknowledged stays, whatever happens to the process or the disk."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from probe_agent import store as record
from probe_agent.maintenance import back_up
from probe_agent.migrations import migrate
from probe_agent.readings import Forecast, State, Transition, Weather, WeatherHour
from probe_agent.store import (
    Batch,
    Message,
    Reader,
    Store,
    StoredReading,
    StoreError,
    StoreNewerError,
    TickRow,
    ask,
)

ROOT = Path(__file__).parents[1]
SCHEMAS = {n: Path(__file__).parent / "reference" / f"schema-{n}.sql" for n in (1, 2, 3, 4)}
"""Each released schema as it was written; a store of an older one becomes one of the newest."""
STEPS = {n: ("first", "second", "third", "fourth")[:n] for n in SCHEMAS}
NEWEST = SCHEMAS[record.SCHEMA_VERSION]
PLACES = {"cyl-1": (True, False), "sump": (False, True)}
START_AT = 1_800_000_000.0


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "probe-agent.db"
    migrate(path)
    return path


@pytest.fixture
def store(file: Path) -> Iterator[Store]:
    opened = open_store(file)
    yield opened
    opened.close()


def open_store(file: Path, offset_s: float = START_AT) -> Store:
    opened = Store(file)
    opened.describe_places(PLACES)
    opened.begin_boot("boot", offset_s, True)
    return opened


def tick(store: Store, t_s: float, c: float | None = -6.5, forecast: Forecast | None = None) -> TickRow:
    readings = (
        StoredReading("cyl-1", c, None, c, None if c is not None else "open"),
        StoredReading("sump", 3.0, 1.25, 2.75, None, "infrared"),
    )
    return TickRow(store.new_tick(), t_s, 0.5, readings, forecast)


def rows(file: Path, sql: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(file)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def child(code: str, *args: object) -> subprocess.Popen[str]:
    """Another real process running that code."""
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code), *map(str, args)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    )


def digest(*files: Path) -> str:
    return hashlib.sha256(b"".join(f.read_bytes() for f in files)).hexdigest()


# -- schema


def schema_of(file: Path) -> str:
    found = rows(
        file,
        "SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY instr('table index view', type), name",
    )
    version = rows(file, "PRAGMA user_version")[0][0]
    return "".join(f"{sql};\n" for (sql,) in found) + f"PRAGMA user_version = {version};\n"


def test_a_fresh_store_has_the_released_schema(file: Path) -> None:
    assert schema_of(file) == NEWEST.read_text("utf-8")
    assert rows(file, "PRAGMA user_version") == [(record.SCHEMA_VERSION,)]


def released(path: Path, version: int) -> Path:
    """A store as the program of that schema version left it, a heat-up in it."""
    db = sqlite3.connect(path)
    db.executescript(SCHEMAS[version].read_text("utf-8"))
    with db:
        db.executemany(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
            " VALUES ('probe-agent', ?, '2027-01-01')",
            [(name,) for name in STEPS[version]],
        )
        db.execute("INSERT INTO boots VALUES (1, 'boot', 1800000000000, 1)")
        db.execute("INSERT INTO ticks VALUES (1, 1, 15000, 1.0)")
        db.execute("INSERT INTO heatups (setup, started_tick, target_mc) VALUES (NULL, 1, 7222)")
    db.close()
    return path


@pytest.mark.parametrize("version", SCHEMAS)
def test_a_store_of_a_released_schema_is_brought_to_the_newest_and_keeps_its_rows(
    tmp_path: Path, version: int
) -> None:
    old = released(tmp_path / "old.db", version)
    for _ in range(2):
        migrate(old)
        open_store(old).close()
        assert schema_of(old) == NEWEST.read_text("utf-8")
        assert rows(old, "SELECT started, target_c, excluded FROM heatups_utc") == [
            ("2027-01-15T08:00:15Z", 7.222, 0)
        ]


def test_the_page_refuses_a_store_of_an_older_schema_until_the_daemon_has_started(tmp_path: Path) -> None:
    old = released(tmp_path / "old.db", 1)
    before = digest(old)
    with pytest.raises(StoreError, match=r"has schema 1, this program needs 4\. Start the daemon once"):
        Reader(old)
    assert digest(old) == before
    migrate(old)
    Reader(old).close()


def test_every_table_is_strict(file: Path) -> None:
    loose = rows(
        file,
        "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND NOT strict"
        " AND name NOT LIKE 'sqlite_%' AND name NOT LIKE '\\_%' ESCAPE '\\'",
    )
    assert loose == []


def test_migrating_again_changes_nothing(file: Path) -> None:
    before = digest(file)
    migrate(file)
    assert digest(file) == before


def test_a_connection_is_durable(file: Path) -> None:
    db = record.connect(file)
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert db.execute("PRAGMA synchronous").fetchone() == (2,)
    assert db.execute("PRAGMA foreign_keys").fetchone() == (1,)
    db.close()


def newer(file: Path) -> None:
    db = sqlite3.connect(file)
    db.execute(f"PRAGMA user_version = {record.SCHEMA_VERSION + 1}")
    db.close()


def unknown_step(file: Path) -> None:
    db = sqlite3.connect(file)
    with db:
        db.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
            " VALUES ('probe-agent', 'from-the-future', '2027-01-01')"
        )
    db.close()


def newer_without_wal(file: Path) -> None:
    db = sqlite3.connect(file)
    db.execute("PRAGMA journal_mode = DELETE")
    db.close()
    newer(file)


@pytest.mark.parametrize("change", [newer, newer_without_wal, unknown_step])
def test_a_newer_store_is_refused_untouched(file: Path, change: Callable[[Path], None]) -> None:
    change(file)
    before = digest(file)
    with pytest.raises(StoreNewerError, match=r"newer version.*Nothing was changed"):
        migrate(file)
    if change is not unknown_step:
        for use in (Store, Reader, lambda f: ask(f, "heater-said", {"on": False})):
            with pytest.raises(StoreNewerError):
                use(file)
    assert digest(file) == before


def test_a_newer_store_left_by_a_crash_is_refused_with_its_log_untouched(tmp_path: Path, file: Path) -> None:
    writer = record.connect(file)
    writer.execute("PRAGMA wal_autocheckpoint = 0")
    writer.execute(f"PRAGMA user_version = {record.SCHEMA_VERSION + 1}")
    left = tmp_path / "left"
    left.mkdir()
    copies = [shutil.copy(f, left) for f in (file, file.with_name(file.name + "-wal"))]
    writer.close()
    found = [Path(c) for c in copies]
    before = digest(*found)
    with pytest.raises(StoreNewerError):
        migrate(found[0])
    with pytest.raises(StoreNewerError):
        Store(found[0])
    assert digest(*found) == before


def test_no_store_is_made_where_none_was_meant(tmp_path: Path) -> None:
    nowhere = tmp_path / "no.db"
    for use in (Store, Reader, lambda f: ask(f, "heater-said", {"on": False})):
        with pytest.raises(StoreError, match="is not there yet"):
            use(nowhere)
    assert not nowhere.exists()


def test_an_older_or_empty_store_asks_for_the_daemon(tmp_path: Path) -> None:
    empty = tmp_path / "empty.db"
    empty.touch()
    with pytest.raises(StoreError, match="Start the daemon once"):
        Reader(empty)
    migrate(empty)
    Reader(empty).close()


def test_something_else_is_refused_with_a_remedy(tmp_path: Path) -> None:
    other = tmp_path / "notes.txt"
    other.write_text("not a database, but long enough to be looked at as one " * 20)
    with pytest.raises(StoreError, match="can't be read as a store"):
        Store(other)
    assert other.read_text().startswith("not a database")


# -- ticks, batches


def test_what_is_held_is_committed_once_with_the_batch(store: Store, file: Path) -> None:
    store.hold(tick(store, 15.0))
    store.hold(tick(store, 30.0, None))
    assert rows(file, "SELECT count(*) FROM ticks") == [(0,)]
    store.commit(
        Batch(
            [Transition(30.0, State.COLD, State.HEATING, "the heater warms")],
            [Message("pilot", "ready:0-1", "s", "b", START_AT, START_AT + 60)],
            [record.keep_value("watch", "w")],
        )
    )
    assert store.held == ()
    store.commit()
    assert rows(file, "SELECT mono_ms, heater_share FROM ticks") == [(15_000, 0.5), (30_000, 0.5)]
    assert rows(
        file, "SELECT raw_mc, cold_mc, value_mc, fault, method FROM readings ORDER BY tick, place"
    ) == [
        (-6500, None, -6500, None, None),
        (3000, 1250, 2750, None, "infrared"),
        (None, None, None, "open", None),
        (3000, 1250, 2750, None, "infrared"),
    ]
    assert rows(file, "SELECT old, new, tick FROM transitions") == [("cold", "heating", 2)]
    assert store.kept("watch") == "w"


def test_a_batch_is_written_whole_or_not_at_all(store: Store, file: Path) -> None:
    store.hold(tick(store, 15.0))
    broken = Batch(
        [Transition(15.0, None, State.COLD, "first")], statements=[("INSERT INTO nothing VALUES (1)", ())]
    )
    with pytest.raises(sqlite3.OperationalError):
        store.commit(broken)
    assert len(store.held) == 1
    assert rows(file, "SELECT count(*) FROM ticks") == [(0,)]
    assert rows(file, "SELECT count(*) FROM transitions") == [(0,)]
    store.commit()
    assert rows(file, "SELECT count(*) FROM ticks") == [(1,)]


def test_a_tick_held_between_the_write_and_its_end_is_not_lost(
    store: Store, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another thread wants to hold a tick in the very moment in which the transaction has ended."""
    writing = store._writing
    late = tick(store, 30.0)
    other = threading.Thread(target=store.hold, args=(late,))

    @contextmanager
    def and_then_another() -> Iterator[sqlite3.Connection]:
        with writing() as db:
            yield db
        other.start()
        other.join(0.2)

    store.hold(tick(store, 15.0))
    with monkeypatch.context() as patch:
        patch.setattr(store, "_writing", and_then_another)
        store.commit()
    other.join(10)
    assert store.held == (late,)
    store.commit()
    assert rows(file, "SELECT count(*) FROM ticks") == [(2,)]


def test_numbers_of_ticks_rise_across_starts(file: Path) -> None:
    for start in range(3):
        opened = open_store(file)
        opened.hold(tick(opened, 15.0))
        opened.commit()
        opened.close()
        assert rows(file, "SELECT max(tick) FROM ticks") == [(start + 1,)]


def test_a_full_memory_drops_the_oldest_and_counts_it(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probe_agent.store.daemon.HELD_TICKS", 3)
    for i in range(5):
        store.hold(tick(store, 15.0 * i))
    assert [r.t_s for r in store.held] == [30.0, 45.0, 60.0]
    assert store.lost_ticks == 2


def test_a_disk_that_refuses_keeps_what_is_held_and_takes_it_later(file: Path) -> None:
    """A limit on the size of files stands for a full disk: the kernel refuses the write (EFBIG)."""
    writer = child(
        """
        import resource, sqlite3, sys
        from pathlib import Path
        from probe_agent.store import Store, StoredReading, TickRow
        store = Store(Path(sys.argv[1]))
        store.describe_places({"cyl-1": (True, False)})
        store.begin_boot("boot", 0.0, True)
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
        acknowledged = refused = 0
        for n in range(4000):
            reading = StoredReading("cyl-1", 1.0, None, 1.0, None)
            store.hold(TickRow(store.new_tick(), 15.0 * n, None, (reading,)))
            if n % 50 == 49:
                try:
                    store.commit()
                    acknowledged = n + 1
                except sqlite3.Error:
                    refused += 1
                    assert len(store.held) == n + 1 - acknowledged
                    if refused == 5:
                        break
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        store.commit()
        print(n + 1, acknowledged, refused, len(store.held))
        store.close()
        """,
        file,
    )
    out, _ = writer.communicate(timeout=60)
    measured, acknowledged, refused, held = map(int, out.split())
    assert refused == 5
    assert 0 < acknowledged < measured
    assert held == 0
    assert rows(file, "SELECT count(*) FROM ticks") == [(measured,)]
    assert rows(file, "PRAGMA quick_check") == [("ok",)]


# -- time


def test_mending_a_boot_moves_every_time_of_it_and_no_other(file: Path) -> None:
    first = open_store(file, START_AT)
    first.hold(tick(first, 100.0))
    first.commit(Batch([Transition(100.0, None, State.COLD, "x")]))
    first.close()
    second = open_store(file, 5_000.0)
    second.hold(tick(second, 50.0))
    second.commit(
        Batch(
            [Transition(50.0, State.COLD, State.HEATING, "y")],
            statements=[record.insert_hand_reading(1, "cyl-1", second.boot, 40.0, 2.0, "contact")],
        )
    )
    second.commit(second.clock_was_set(START_AT + 3600, True))
    reader = Reader(file)
    assert [r.at for r in reader.curve(0, 2 * START_AT)] == [START_AT + 100, START_AT + 3650]
    assert [t["at"] for t in reader.transitions()] == [START_AT + 3650, START_AT + 100]
    assert reader.hand_readings()[0]["at"] == START_AT + 3640
    assert [h[2] for h in second.hand_readings(START_AT)] == [START_AT + 3640]
    utc = [u for (u,) in rows(file, "SELECT DISTINCT utc FROM readings_utc ORDER BY utc")]
    assert utc == ["2027-01-15T08:01:40.000Z", "2027-01-15T09:00:50.000Z"]
    reader.close()
    second.close()


def test_a_curve_runs_across_two_boots_in_time_order(file: Path) -> None:
    for offset_s, values in ((START_AT, (-9.0, None)), (START_AT + 600, (-7.0, -6.0))):
        opened = open_store(file, offset_s)
        for i, c in enumerate(values):
            opened.hold(tick(opened, 15.0 * (i + 1), c))
        opened.commit()
        opened.close()
    reader = Reader(file)
    curve = reader.curve(START_AT, START_AT + 3600)
    assert [(r.at - START_AT, r.values_c["cyl-1"], r.heater) for r in curve] == [
        (15.0, -9.0, 0.5),
        (30.0, None, 0.5),
        (615.0, -7.0, 0.5),
        (630.0, -6.0, 0.5),
    ]
    assert [r.at - START_AT for r in reader.curve(START_AT + 20, START_AT + 615)] == [30.0, 615.0]
    reader.close()


def test_a_heat_up_is_marked_once_and_closed(store: Store, file: Path) -> None:
    for i in range(1, 6):
        store.hold(tick(store, 15.0 * i, forecast=Forecast(15.0 * i, coldest="cyl-1", coldest_c=-6.5)))
    setup = store.keep_setup("winter", "{}", START_AT)
    store.commit(Batch(statements=[record.open_heatup(store.boot, 5, setup, 7.2222, 31.0)]))
    store.commit(Batch(statements=record.mark_heatup(store.boot, 5, 45.0, None, None)))
    store.commit(Batch(statements=record.mark_heatup(store.boot, 5, 60.0, 75.0, None)))
    store.commit(Batch(statements=[record.close_heatup(5, "cooled after ready")]))
    assert rows(file, "SELECT started_tick, above_tick, ready_tick, off_tick, ended_tick FROM heatups") == [
        (2, 3, 5, None, 5)
    ]
    assert rows(file, "SELECT setup, target_c, end_reason FROM heatups_utc") == [
        ("winter", 7.222, "cooled after ready")
    ]


def test_a_setup_is_kept_anew_only_where_it_changed(store: Store) -> None:
    first = store.keep_setup("winter", "{}", 1.0)
    assert store.keep_setup("winter", "{}", 2.0) == first
    assert store.keep_setup("winter", '{"watts": 1}', 3.0) != first


def test_a_binding_ends_where_address_or_place_is_bound_anew(store: Store, file: Path) -> None:
    store.bind("cyl-1", "one-wire", "3b-1", 1.0)
    store.bind("sump", "one-wire", "3b-2", 2.0)
    store.bind("sump", "one-wire", "3b-1", 3.0)
    assert store.bindings() == {"3b-1": "sump"}
    assert rows(file, "SELECT address, from_at, to_at FROM bindings ORDER BY binding") == [
        ("3b-1", 1.0, 3.0),
        ("3b-2", 2.0, 3.0),
        ("3b-1", 3.0, None),
    ]


# -- outbox


def letter(key: str, channel: str = "pilot", subject: str = "s") -> Message:
    return Message(channel, key, subject, "b°", START_AT, START_AT + 600)


def test_the_same_message_is_sent_once_a_channel(store: Store) -> None:
    store.commit(Batch(messages=[letter("ready:0-1"), letter("ready:0-1", "club")]))
    store.commit(Batch(messages=[letter("ready:0-1", subject="again"), letter("ready:0-2")]))
    due = store.due_messages(["pilot"])
    assert [(m.dedupe_key, m.subject, m.body) for m in due] == [
        ("ready:0-1", "s", "b°"),
        ("ready:0-2", "s", "b°"),
    ]
    assert [m.channel for m in store.due_messages(["pilot", "club"])] == ["pilot", "club", "pilot"]


def test_a_message_stays_due_until_it_is_delivered_or_dropped(file: Path) -> None:
    first = open_store(file)
    first.commit(Batch(messages=[letter("a:1"), letter("b:1"), letter("c:1")]))
    one, two, _ = first.due_messages(["pilot"])
    first.mark_delivered(one.id, START_AT)
    first.drop_message(two.id, "out of date")
    first.mark_failed(first.due_messages(["pilot"])[0].id, "no route")
    first.close()
    second = Store(file)  # as after a crash between sending and marking: what isn't marked comes again
    (left,) = second.due_messages(["pilot"])
    assert (left.dedupe_key, left.tries) == ("c:1", 1)
    second.commit(Batch(messages=[letter("a:1")]))
    assert len(second.due_messages(["pilot"])) == 1
    second.close()


def test_withdrawing_takes_only_what_is_named_and_undelivered(store: Store, file: Path) -> None:
    keys = ("ready:0-1", "probe-missing:cyl-1:0-2:0", "probe-missing:cyl-12:0-3:0", "ready:0-4")
    store.commit(Batch(messages=[letter(k) for k in keys]))
    store.mark_delivered(1, START_AT)
    store.commit(
        Batch(
            statements=[
                record.withdraw_messages("probe-missing:cyl-1:0-2"),
                record.withdraw_messages("ready"),
            ]
        )
    )
    assert [m.dedupe_key for m in store.due_messages(["pilot"])] == ["probe-missing:cyl-12:0-3:0"]
    dropped = rows(
        file, "SELECT dedupe_key FROM outbox WHERE dropped_reason = 'no longer true' ORDER BY message"
    )
    assert dropped == [("probe-missing:cyl-1:0-2:0",), ("ready:0-4",)]


def test_an_alert_is_recorded_answered_and_closed(store: Store, file: Path) -> None:
    store.commit(Batch(statements=[record.open_alert("too-hot:sump:0-1", "too-hot", "sump", True, 1.0)]))
    store.commit(Batch(statements=[record.answer_alert("too-hot:sump:0-1", "it-is-off", 2.0)]))
    store.commit(Batch(statements=[record.close_alert("too-hot:sump:0-1", 3.0, "answer")]))
    assert rows(file, "SELECT place, harm, answered, answered_at, closed_at, closed_by FROM alerts") == [
        ("sump", 1, "it-is-off", 2.0, 3.0, "answer")
    ]


# -- commands and other processes


def test_a_command_from_another_process_is_answered(store: Store, file: Path) -> None:
    asking = child(
        """
        import sys
        from pathlib import Path
        from probe_agent.store import ask, await_answer
        command = ask(Path(sys.argv[1]), "heater-said", {"on": False}, valid_s=30)
        print(await_answer(Path(sys.argv[1]), command, 20))
        """,
        file,
    )
    deadline = time.monotonic() + 20
    pause = threading.Event()
    while not (waiting := store.waiting_commands()) and time.monotonic() < deadline:
        pause.wait(0.02)
    (command,) = waiting
    assert command.kind == "heater-said"
    assert command.body == {"on": False}
    assert command.expires_at - command.made_at == pytest.approx(30)
    answer = json.dumps({"ok": True, "text": "Noted"})
    store.commit(Batch(statements=[record.answer_command(command.id, answer)]))
    store.commit(Batch(statements=[record.answer_command(command.id, "a second answer")]))
    out, _ = asking.communicate(timeout=30)
    assert out.strip() == answer
    assert store.waiting_commands() == []


def test_nobody_answers_in_time(file: Path) -> None:
    command = ask(file, "heater-said", {"on": False})
    assert record.await_answer(file, command, 0.2) is None


def test_commands_come_in_their_order_and_a_broken_one_is_not_in_the_way(store: Store, file: Path) -> None:
    ids = [ask(file, f"kind-{i}", {"i": i}) for i in range(3)]
    db = sqlite3.connect(file)
    with db:
        db.execute("UPDATE commands SET body = '{half' WHERE id = ?", (ids[1],))
    db.close()
    assert [(c.id, c.body) for c in store.waiting_commands()] == [
        (ids[0], {"i": 0}),
        (ids[1], {}),
        (ids[2], {"i": 2}),
    ]


def test_a_reader_writes_nothing(store: Store, file: Path) -> None:
    reader = Reader(file)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._db.execute("DELETE FROM places")
    before = reader.version()
    store.keep("x", "1")
    assert reader.version() != before
    reader.close()


WRITER = """
import sys
from pathlib import Path
from probe_agent.readings import State, Transition
from probe_agent.store import Batch, Message, Store, StoredReading, TickRow
store = Store(Path(sys.argv[1]))
store.describe_places({"cyl-1": (True, False), "sump": (False, True)})
boot = store.begin_boot("boot", 1_800_000_000.0, True)
until = int(sys.argv[2])
for n in range(1, until):
    for i in range(3):
        row = tuple(StoredReading(p, 1.0, None, 1.0, None) for p in ("cyl-1", "sump"))
        store.hold(TickRow(store.new_tick(), 15.0 * (3 * n + i), None, row))
    store.commit(
        Batch(
            [Transition(15.0 * n, None, State.COLD, f"{boot}-{n}")],
            [Message("pilot", f"ready:{boot}-{n}", "s", "b", 0.0, 1.0)],
        )
    )
    print(boot, n, flush=True)
"""


def test_a_writer_and_a_reader_in_two_processes_never_meet_half_a_batch(file: Path) -> None:
    writer = child(WRITER, file, 120)
    reader = Reader(file)
    seen = 0
    while writer.poll() is None or seen < 119 * 3:
        curve = reader.curve(0, 2 * START_AT)
        assert len(curve) >= seen
        assert len(curve) % 3 == 0
        assert all(len(r.values_c) == 2 for r in curve)
        seen = len(curve)
        assert writer.poll() in (None, 0)
    writer.communicate(timeout=30)
    reader.close()
    assert seen == 119 * 3


def test_kill_9_at_random_instants_loses_nothing_acknowledged(file: Path) -> None:
    chance = random.Random(7)
    acknowledged: list[tuple[int, int]] = []
    for _ in range(12):
        writer = child(WRITER, file, 1_000_000)
        assert writer.stdout is not None
        heard = [writer.stdout.readline() for _ in range(chance.randrange(4, 26))]
        threading.Event().wait(chance.uniform(0.0, 0.01))  # somewhere in the writes that follow
        writer.send_signal(signal.SIGKILL)
        heard += writer.stdout.read().splitlines()
        writer.stdout.close()
        assert writer.wait(10) == -signal.SIGKILL
        told = [line.split() for line in heard]
        acknowledged += [(int(words[0]), int(words[1])) for words in told if len(words) == 2]
        migrate(file)
        Store(file).close()
        assert rows(file, "PRAGMA quick_check") == [("ok",)]
    assert len(acknowledged) > 100
    kept = {str(r) for (r,) in rows(file, "SELECT reason FROM transitions")}
    letters = {str(k) for (k,) in rows(file, "SELECT dedupe_key FROM outbox")}
    for boot, n in acknowledged:
        assert f"{boot}-{n}" in kept
        assert f"ready:{boot}-{n}" in letters
    counted = rows(file, "SELECT boot, count(*) FROM ticks GROUP BY boot")
    ticks = {row[0]: row[1] for row in counted}
    last = {boot: max(n for b, n in acknowledged if b == boot) for boot, _ in acknowledged}
    for boot, n in last.items():
        found = ticks[boot]
        assert isinstance(found, int)
        assert found >= 3 * n
    assert rows(file, "SELECT count(*) FROM ticks WHERE tick NOT IN (SELECT tick FROM readings)") == [(0,)]


# -- the copy


def test_the_copy_is_whole_and_taken_beside_a_running_daemon(store: Store, file: Path) -> None:
    store.hold(tick(store, 15.0))
    store.commit()
    copy = back_up(file)
    store.hold(tick(store, 30.0))
    store.commit()
    assert rows(copy, "PRAGMA quick_check") == [("ok",)]
    assert rows(copy, "SELECT count(*) FROM ticks") == [(1,)]
    assert schema_of(copy) == schema_of(file)
    assert back_up(file) == copy
    assert rows(copy, "SELECT count(*) FROM ticks") == [(2,)]
    assert sorted(f.name for f in file.parent.glob("*.copy*")) == [copy.name]


def test_a_damaged_record_does_not_replace_the_last_good_copy(file: Path) -> None:
    opened = open_store(file)
    for i in range(400):
        opened.hold(tick(opened, 15.0 * i))
    opened.commit()
    opened.close()
    copy = back_up(file)
    before = digest(copy)
    whole = bytearray(file.read_bytes())
    page = int.from_bytes(whole[16:18], "big")
    root = rows(file, "SELECT rootpage FROM sqlite_master WHERE name = 'readings'")[0][0]
    assert isinstance(root, int)
    whole[(root - 1) * page : (root - 1) * page + 200] = b"\xff" * 200
    file.write_bytes(whole)
    with pytest.raises(StoreError, match="copy before it was kept"):
        back_up(file)
    assert digest(copy) == before
    assert not list(file.parent.glob("*.copy.new*"))


def test_a_missing_record_is_no_copy(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="can't be copied"):
        back_up(tmp_path / "no.db")


def test_one_reading_an_hour_the_nearest_across_starts_and_gaps(store: Store) -> None:
    """Every ten minutes, two starts of different clocks, three hours off between them."""

    def keep(first_s: float, count: int, offset_s: float) -> None:
        store.begin_boot("b", offset_s, True)
        for i in range(count):
            t_s = first_s + 600.0 * i + 30
            reading = StoredReading("sump", None, None, t_s / 1000, None)
            store.hold(TickRow(store.new_tick(), t_s, None, (reading,)))
        store.commit()

    keep(0.0, 13, START_AT)
    keep(100.0, 12, START_AT + 5 * 3600)
    found = store.hourly("sump", START_AT - 1)
    assert [round((at - START_AT) / 3600, 2) for at, _ in found] == [0.01, 1.01, 2.01, 5.04, 6.04]
    assert found[1] == (pytest.approx(START_AT + 3630), pytest.approx(3.63))
    assert store.hourly("cyl-1", 0.0) == []
    assert len(store.hourly("sump", START_AT + 3 * 3600)) == 2


def test_weather_is_kept_a_source_in_its_newest_form_and_forgotten(store: Store) -> None:
    first, second = (Weather("hourly", at, at, (WeatherHour(at, -1.0, cloud=0.5),)) for at in (10.0, 20.0))
    for weather in (first, second):
        hours = record.keep_station("hourly", weather.hours)
        store.commit(Batch(statements=[record.keep_weather(weather), *hours]))
    assert store.weather(0.0) == ({"hourly": second}, {"hourly": [WeatherHour(20.0, -1.0, cloud=0.5)]})
    store.commit(Batch(statements=[("UPDATE weather SET document = '{}'", ())]))
    assert store.weather(0.0)[0] == {}, "of another version: passed over"
    store.commit(Batch(statements=[record.forget_weather("hourly")]))
    assert store.weather(30.0) == ({}, {})


def test_the_last_hours_are_found_without_reading_what_is_older(store: Store, file: Path) -> None:
    db = sqlite3.connect(file)
    with db:
        rows = [(i, 15_000 * i) for i in range(1, 40_001)]
        db.executemany("INSERT INTO ticks (tick, boot, mono_ms) VALUES (?, 1, ?)", rows)
        db.executemany("INSERT INTO readings (tick, place, value_mc) VALUES (?, 1, 5)", [r[:1] for r in rows])
    db.close()
    reader = Reader(file)
    steps: list[int] = []
    reader._db.set_progress_handler(lambda: steps.append(1) or 0, 1000)  # type: ignore[func-returns-value]
    newest_at = START_AT + 15 * 40_000
    assert len(reader.curve(newest_at - 3600, newest_at)) == 241
    reader.close()
    assert len(steps) < 30  # of 1000 instructions; reading all takes some 700


def test_ranges_are_found_as_they_were_announced(store: Store, file: Path) -> None:
    store.describe_places({"sump": (True, False)})
    store.begin_boot("0" * 32, 1_000_000.0, True)
    for i, announced in enumerate((True, False, True)):
        t_s = 600.0 * i
        late = None if i else t_s + 5000.0
        forecast = Forecast(t_s, above_p10=t_s + 3000, above_p50=t_s + 4000, above_p90=late)
        store.hold(TickRow(store.new_tick(), t_s, None, (), forecast, announced))
    store.commit(Batch())
    reader = Reader(file)
    assert reader.announced_since(999_000.0) == [
        (1_000_000.0, 1_003_000.0, 1_004_000.0, 1_005_000.0),
        (1_001_200.0, 1_004_200.0, 1_005_200.0, None),
    ]
    assert reader.announced_since(1_000_100.0, 8) == reader.announced_since(999_000.0)[1:]
    reader.close()
