"""A damaged record or export: set aside, brought back, told (C2, C3); and carried to another card."""

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
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from card import CAN_MOUNT, ROOT, CardDaemon, write_settings

from probe_agent import export, recovery
from probe_agent.maintenance import back_up
from probe_agent.migrations import migrate
from probe_agent.readings import State, Transition
from probe_agent.store import (
    Batch,
    Store,
    StoredReading,
    StoreError,
    StoreNewerError,
    TickRow,
    keep_correction,
    keep_departure,
    keep_value,
    open_heatup,
    reader_of,
)

NOW_AT = 1_800_000_000.0


def rows(file: Path, sql: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def lived_in(file: Path) -> Store:
    """A store with all that people set, exported, copied, and some hours after the copy."""
    migrate(file)
    store = Store(file)
    store.describe_places({"cyl-1": (True, False), "sump": (False, True)})
    store.begin_boot("boot", NOW_AT, True)
    setup = store.keep_setup("winter", '{"watts": 650}', NOW_AT)
    store.bind("cyl-1", "one-wire", "3b-1", NOW_AT)
    measure(store, 400)
    store.commit(
        Batch(
            [Transition(30.0, State.COLD, State.HEATING, "the heater warms")],
            statements=[
                open_heatup(store.boot, 400, setup, 7.2, 31.0),
                keep_correction("3b-1", -0.75, NOW_AT, "ice point"),
                keep_departure(1, setup, NOW_AT + 9e4, "{}", "planned", NOW_AT, NOW_AT, None, None),
                keep_value("switch-locked", "null"),
                ("INSERT INTO sessions VALUES (1, 'owner', 'phone', x'01', 1, 4e9, NULL)", ()),
                ("INSERT INTO sessions VALUES (2, 'owner', 'lost', x'02', 1, 4e9, NULL)", ()),
            ],
        )
    )
    exporter = export.Exporter(file)
    exporter.follow()
    back_up(file)
    measure(store, 40)
    store.commit(
        Batch(
            statements=[
                keep_correction("3b-1", -1.25, NOW_AT + 60, "ice point"),
                keep_value("switch-locked", "1800000100.0"),
                keep_value("watch", json.dumps([NOW_AT, {"oil_out_s": 500.0}])),
                ("UPDATE sessions SET ended_at = 5 WHERE session = 2", ()),
                ("UPDATE departures SET outcome = 'not-flying', outcome_at = 1", ()),
            ]
        )
    )
    assert exporter.follow()
    return store


def measure(store: Store, count: int) -> None:
    for _ in range(count):
        tick = store.new_tick()
        readings = tuple(StoredReading(p, -6.5, None, -6.5, None) for p in ("cyl-1", "sump"))
        store.hold(TickRow(tick, 15.0 * tick, 0.5, readings))
    store.commit()


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store, its export and its copy, closed."""
    folder = tmp_path_factory.mktemp("whole")
    lived_in(folder / "probe-agent.db").close()
    return folder


@pytest.fixture
def file(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole, tmp_path, dirs_exist_ok=True)
    return tmp_path / "probe-agent.db"


def change(file: Path, how: Callable[[bytearray], None]) -> None:
    content = bytearray(file.read_bytes())
    how(content)
    file.write_bytes(content)


def flip(bit: int) -> Callable[[bytearray], None]:
    def how(content: bytearray) -> None:
        content[bit // 8] ^= 1 << bit % 8

    return how


def cut(share: float) -> Callable[[bytearray], None]:
    def how(content: bytearray) -> None:
        del content[int(share * len(content)) :]

    return how


def page_of(table: str) -> Callable[[bytearray], None]:
    """The first page of a table is overwritten."""

    def how(content: bytearray) -> None:
        db = sqlite3.connect(":memory:")
        db.deserialize(bytes(content[:18]) + b"\x01\x01" + bytes(content[20:]))  # without its log
        root = db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0]
        db.close()
        size = int.from_bytes(content[16:18], "big")
        content[(root - 1) * size : (root - 1) * size + 300] = b"\xa5" * 300

    return how


def assert_usable(file: Path) -> None:
    """The daemon can open, read and write it."""
    store = Store(file)
    store.describe_places({"cyl-1": (True, False), "sump": (False, True)})
    store.begin_boot("next", NOW_AT, True)
    measure(store, 2)
    store.close()
    assert rows(file, "PRAGMA quick_check") == [("ok",)]


# -- C3: the record


def brought_back(file: Path) -> recovery.Replaced:
    told = recovery.make_usable(file, migrate, NOW_AT + 500)
    assert told is not None
    return told


@pytest.mark.parametrize("table", ["readings", "kept", "corrections", "sqlite_master", "ticks"])
def test_a_damaged_page_is_found_and_all_is_brought_back(file: Path, table: str) -> None:
    """C3: settings come from the export, the record from the night's copy, the damaged file stays."""
    whole = file.read_bytes()
    change(
        file,
        (lambda c: c.__setitem__(slice(100, 400), b"\xa5" * 300))
        if table == "sqlite_master"
        else page_of(table),
    )
    damaged = file.read_bytes()
    assert damaged != whole
    told = brought_back(file)
    assert told.copy_at is not None
    assert told.exported
    assert file.with_name(told.aside).read_bytes() == damaged
    assert rows(file, "SELECT count(*) FROM ticks") == [(400,)], "as far as the copy"
    assert rows(file, "SELECT offset_mc FROM corrections ORDER BY correction") == [(-750,), (-1250,)]
    assert rows(file, "SELECT address, name FROM bindings JOIN places USING (place)") == [("3b-1", "cyl-1")]
    assert rows(file, "SELECT slug FROM setups") == [("winter",)]
    assert rows(file, "SELECT session FROM sessions WHERE ended_at IS NULL") == [(1,)], (
        "the lost phone stays out"
    )
    assert rows(file, "SELECT count(*) FROM departures") == [(0,)], "a plan given up heats nothing"
    assert rows(file, "SELECT value FROM kept WHERE name = 'switch-locked'") == [("1800000100.0",)]
    ((watch,),) = rows(file, "SELECT value FROM kept WHERE name = 'watch'")
    offset_s, kept = json.loads(str(watch))
    assert offset_s + kept["oil_out_s"] == NOW_AT + 500, "the oil is still out"
    assert_usable(file)
    assert recovery.make_usable(file, migrate, NOW_AT + 600) is None


@pytest.mark.parametrize("share", [0.0, 0.0001, 0.3, 0.9])
def test_a_shortened_record_is_brought_back(file: Path, share: float) -> None:
    """C3: truncation, to nothing too."""
    change(file, cut(share))
    assert brought_back(file).copy_at is not None
    assert rows(file, "SELECT count(*) FROM ticks") == [(400,)]
    assert_usable(file)


def test_a_record_that_is_gone_is_brought_back(file: Path) -> None:
    """C3: as after a file system's repair."""
    file.unlink()
    assert brought_back(file).why == "it was gone"
    assert_usable(file)


def test_where_nothing_was_there_nothing_is_brought_back(tmp_path: Path) -> None:
    assert recovery.make_usable(tmp_path / "probe-agent.db", migrate, NOW_AT) is None


def flipped_bits(file: Path, bits: list[int]) -> int:
    """Each of these bits flipped by itself: the start leaves a store that can be used, whatever it was."""
    sound, found = file.read_bytes(), 0
    copy = file.with_name("probe-agent.db.copy").read_bytes()
    for bit in bits:
        for tail in ("-wal", "-shm"):
            file.with_name(file.name + tail).unlink(missing_ok=True)
        file.write_bytes(sound)
        file.with_name("probe-agent.db.copy").write_bytes(copy)
        change(file, flip(bit))
        found += recovery.make_usable(file, migrate, NOW_AT + bit) is not None
        assert_usable(file)
        assert (
            rows(file, "SELECT offset_mc FROM corrections ORDER BY correction")[-1] == (-1250,) or not found
        )
    return found


def test_flipped_bits_leave_a_record_that_can_be_used(file: Path) -> None:
    """C3: bits of the head and of all pages."""
    chance, size = random.Random(5), file.stat().st_size * 8
    head = [chance.randrange(800) for _ in range(15)]
    assert flipped_bits(file, head + [chance.randrange(size) for _ in range(15)]) > 3


@pytest.mark.long
def test_each_bit_of_the_head_and_many_others_leave_a_record_that_can_be_used(file: Path) -> None:
    """C3: all 800 bits of the head, 800 others."""
    chance, size = random.Random(6), file.stat().st_size * 8
    found = flipped_bits(file, [*range(800), *(chance.randrange(size) for _ in range(800))])
    print(found, "of 1600 were found damaged")


def test_a_newer_program_s_record_is_left_alone(file: Path) -> None:
    """C3: one step further in all ways is no damage."""
    db = sqlite3.connect(file)
    with db:
        db.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('probe-agent', 'x', '')"
        )
        db.execute("PRAGMA user_version = 5")
    db.close()
    before = hashlib.sha256(file.read_bytes()).digest()
    with pytest.raises(StoreNewerError):
        recovery.make_usable(file, migrate, NOW_AT)
    assert hashlib.sha256(file.read_bytes()).digest() == before


def test_the_check_ends_in_time_and_looks_at_small_tables_first(file: Path) -> None:
    """C3: bounded however large the record; what people set is looked at before the readings are."""
    change(file, page_of("corrections"))
    assert recovery.damage_of(file, 5.0) is not None
    shutil.copy(file.with_name("probe-agent.db.copy"), file)
    db = sqlite3.connect(file)
    with db:
        made = "WITH RECURSIVE n(i) AS (SELECT 1000 UNION ALL SELECT i + 1 FROM n WHERE i < 400000)"
        db.execute(f"INSERT INTO readings SELECT i, 1, 5, NULL, 5, NULL, NULL FROM ({made} SELECT i FROM n)")
    db.close()
    began_s = time.monotonic()
    assert recovery.damage_of(file, 0.0) is None
    assert time.monotonic() - began_s < 0.5


def test_without_a_sound_copy_the_record_begins_anew_with_what_was_exported(file: Path) -> None:
    """C3: both the record and its copy are damaged."""
    change(file, page_of("readings"))
    change(file.with_name("probe-agent.db.copy"), page_of("readings"))
    told = brought_back(file)
    assert told.copy_at is None
    assert rows(file, "SELECT count(*) FROM ticks") == [(0,)]
    assert rows(file, "SELECT max(offset_mc), min(offset_mc) FROM corrections") == [(-750, -1250)]
    assert rows(file, "SELECT value FROM kept WHERE name = 'switch-locked'") == [("1800000100.0",)]
    assert_usable(file)


def test_with_nothing_sound_left_it_begins_anew_and_the_plug_is_locked(file: Path) -> None:
    """C2, C3: record, copy and both exports are damaged: nobody knows whether somebody is at the aircraft."""
    for name in ("", ".copy", ".export", ".export.last"):
        change(file.with_name(file.name + name), cut(0.4))
    told = brought_back(file)
    assert (told.copy_at, told.exported) == (None, False)
    assert rows(file, "SELECT value FROM kept WHERE name = 'switch-locked'") != [("null",)]
    assert_usable(file)


def test_of_damaged_files_the_two_newest_are_kept(file: Path) -> None:
    """C3: each is as large as the record, so that a failing card isn't filled by them."""
    for n in range(4):
        change(file, page_of("readings"))
        recovery.make_usable(file, migrate, NOW_AT + 1000 * n)
    kept = [f.name for f in file.parent.glob("*.damaged-*") if not f.name.endswith(("-wal", "-shm"))]
    assert len(kept) == 2


# -- C2: the export


@pytest.mark.parametrize("how", [flip(9000), flip(3), cut(0.5), cut(0.0), lambda c: c.extend(b"x")])
def test_a_damaged_export_is_refused_and_the_one_before_it_used(
    file: Path, how: Callable[[bytearray], None]
) -> None:
    """C2: bit flips, truncation, bytes too many."""
    change(export.path_of(file), how)
    found = export.read_export(file)
    assert found is not None
    assert not found.is_newest
    assert [c["offset_mc"] for c in found.tables["corrections"]] == [-750]
    change(file, page_of("readings"))
    brought_back(file)
    assert rows(file, "SELECT offset_mc FROM corrections ORDER BY correction") == [(-750,)]
    ((locked,),) = rows(file, "SELECT value FROM kept WHERE name = 'switch-locked'")
    assert locked != "null", "what the lost export said of the lock isn't known"


def test_every_single_bit_of_an_export_counts(file: Path) -> None:
    """C2: a flip anywhere in the first kilobytes is seen."""
    small = bytearray(export.path_of(file).read_bytes())
    chance = random.Random(8)
    for bit in {*range(0, 800, 7), *(chance.randrange(len(small) * 8) for _ in range(300))}:
        changed = bytearray(small)
        flip(bit)(changed)
        export.path_of(file).write_bytes(changed)
        found = export.read_export(file)
        assert found is not None
        assert not found.is_newest


def test_the_export_is_written_only_where_something_in_it_changed(tmp_path: Path) -> None:
    file = tmp_path / "probe-agent.db"
    store = lived_in(file)
    exporter = export.Exporter(file)
    measure(store, 3)
    assert not exporter.follow()
    store.keep("switch-locked", "1.0")
    assert exporter.follow()
    found = export.read_export(file)
    assert found is not None
    assert {"name": "switch-locked", "value": "1.0"} in found.tables["kept"]
    assert export.path_of(file).stat().st_size < 8192
    store.close()


def test_a_writer_killed_at_any_instant_leaves_one_whole_export(tmp_path: Path) -> None:
    """C2: kill -9 while the export is written over and over."""
    file = tmp_path / "probe-agent.db"
    lived_in(file).close()
    chance = random.Random(3)
    for _ in range(8):
        writer = subprocess.Popen(
            [sys.executable, "-c", _EXPORTS, str(file)],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            text=True,
        )
        assert writer.stdout is not None
        told = [writer.stdout.readline() for _ in range(3)][-1]
        threading.Event().wait(chance.uniform(0, 0.05))
        writer.send_signal(signal.SIGKILL)
        writer.wait(10)
        writer.stdout.close()
        found = export.read_export(file)
        assert found is not None
        assert found.is_newest
        value = next(r["value"] for r in found.tables["kept"] if r["name"] == "switch-locked")
        assert float(value) >= float(told)


_EXPORTS = """
import sys
from pathlib import Path
from probe_agent.export import Exporter
from probe_agent.store import Store
store = Store(Path(sys.argv[1]))
exporter = Exporter(store.path)
n = float(store.kept("switch-locked"))
while True:
    n += 1
    store.keep("switch-locked", str(n))
    exporter.follow()
    print(n, flush=True)
"""


# -- the daemon with it


def test_the_daemon_starts_on_a_damaged_record_and_tells(tmp_path: Path) -> None:
    """C3: alert and note on the page, a letter in the outbox, probes bound as they were; "seen" ends it."""
    settings = write_settings(
        tmp_path,
        tmp_path,
        '[[recipients]]\nname = "pilot"\naddress = "mailto://127.0.0.1:9/?from=a@b.org&to=c@d.org"\n',
    )
    file = tmp_path / "probe-agent.db"
    with CardDaemon(tmp_path, settings) as daemon:
        daemon.wait_for(lambda s: s.state == "cold")
    back_up(file)
    change(file, page_of("ticks"))
    with CardDaemon(tmp_path, settings) as daemon:
        shown = daemon.wait_for(lambda s: any(a.kind == "record-damaged" for a in s.alerts))
        assert any("The record was damaged; it was set aside" in n for n in shown.notes)
        (alert,) = shown.alerts
        sent = rows(file, "SELECT payload FROM outbox WHERE dedupe_key LIKE 'record-damaged%'")
        assert len(sent) == 1
        from probe_agent.store import ask, await_answer

        answer = await_answer(file, ask(file, "answer-alert", {"alert": alert.id, "answer": "seen"}), 20)
        assert answer is not None
        daemon.wait_for(lambda s: not s.alerts and not any("damaged" in n for n in s.notes))
    assert len([f for f in tmp_path.glob("*.damaged-*") if not f.name.endswith(("-wal", "-shm"))]) == 1


@pytest.mark.long
def test_damage_found_at_night_brings_the_record_back_without_anybody(tmp_path: Path) -> None:
    """C3: pages go bad under the running daemon; the night's copy finds it, and the daemon begins anew."""
    settings = write_settings(tmp_path, tmp_path)
    file = tmp_path / "probe-agent.db"
    with CardDaemon(tmp_path, settings) as daemon:
        daemon.wait_for(lambda s: s.state == "cold")
        back_up(file)
        daemon.measure_for(11.0)
        db = sqlite3.connect(file)
        db.execute("PRAGMA wal_checkpoint(FULL)")
        root, size = db.execute(
            "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_master"
            " WHERE name = 'places'"
        ).fetchone()
        db.close()
        with file.open("r+b", buffering=0) as raw:
            raw.seek((root - 1) * size)
            raw.write(b"\xa5" * size)
        daemon.process.send_signal(signal.SIGUSR1)
        daemon.wait_for(lambda s: any(a.kind == "record-damaged" for a in s.alerts))
    assert rows(file, "PRAGMA integrity_check") == [("ok",)]
    assert list(tmp_path.glob("*.damaged-*"))


# -- backup and restore


def command(*arguments: object, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "probe_agent.cli", *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        cwd=folder,
    )


@pytest.mark.long
def test_a_backup_is_taken_beside_a_running_daemon_and_restored_onto_a_new_card(tmp_path: Path) -> None:
    """A new card: an empty folder, no settings, another machine's id."""
    old, new = tmp_path / "old", tmp_path / "new"
    old.mkdir()
    settings = write_settings(old, old)
    with CardDaemon(old, settings) as daemon:
        daemon.wait_for(lambda s: s.state == "cold")
        made = command("backup", "--settings", settings, tmp_path / "stick", folder=old)
        assert made.returncode == 0, made.stderr
        assert "Copying the record: 100 %" in made.stderr
        busy = command("restore", "--settings", settings, tmp_path / "stick", folder=old)
        assert busy.returncode == 1
        assert "Nothing was restored: A daemon is running" in busy.stderr
    kept = rows(tmp_path / "stick" / "probe-agent.db", "SELECT tick, mono_ms FROM ticks")
    old.rename(new)
    for left in new.iterdir():  # all that was on the old card is gone
        shutil.rmtree(left) if left.is_dir() else left.unlink()
    new.rename(old)  # the settings name this folder
    back = command("restore", "--settings", settings, tmp_path / "stick", folder=old)
    assert back.returncode == 0, back.stderr
    assert f"Settings were brought back as {settings}" in back.stdout
    (old / "memory").mkdir(exist_ok=True)
    (tmp_path / "id").write_text("0" * 31 + "7\n")
    other = f'mount --bind {tmp_path}/id /etc/machine-id && exec "$@"'
    under = (
        ("unshare", "-m", "sh", "-c", other, "sh") if CAN_MOUNT and Path("/etc/machine-id").exists() else ()
    )
    with CardDaemon(old, settings, under=under) as daemon:
        daemon.wait_for(lambda s: s.state == "cold")
    found = rows(old / "probe-agent.db", "SELECT tick, mono_ms FROM ticks")
    assert set(kept) < set(found)


def test_a_restore_keeps_the_record_that_is_there(file: Path, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    assert command("backup", "--store", file, stick, folder=tmp_path).returncode == 0
    store = Store(file)
    store.begin_boot("later", NOW_AT, True)
    measure(store, 5)
    store.close()
    now = rows(file, "SELECT count(*) FROM ticks")
    done = command("restore", "--store", file, stick, folder=tmp_path)
    assert done.returncode == 0, done.stderr
    (aside,) = [f for f in tmp_path.glob("*.before-restore-*") if f.suffix == "" or f.name.endswith("Z")]
    assert rows(aside, "SELECT count(*) FROM ticks") == now
    assert rows(file, "SELECT count(*) FROM ticks") == [(440,)]


def spoil_record(stick: Path) -> None:
    change(stick / "probe-agent.db", flip(90_000))


def spoil_list(stick: Path) -> None:
    (stick / "backup.json").unlink()


def spoil_both(stick: Path) -> None:
    change(stick / "probe-agent.db", page_of("readings"))
    told = json.loads((stick / "backup.json").read_text())
    told["files"]["probe-agent.db"] = hashlib.sha256((stick / "probe-agent.db").read_bytes()).hexdigest()
    (stick / "backup.json").write_text(json.dumps(told))


def make_newer(stick: Path) -> None:
    told = json.loads((stick / "backup.json").read_text())
    (stick / "backup.json").write_text(json.dumps({**told, "schema": 99}))


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (spoil_record, "is not as it was backed up"),
        (spoil_list, "is no backup that can be read"),
        (spoil_both, "is damaged"),
        (make_newer, "newer version of this program"),
    ],
)
def test_a_restore_that_is_refused_changes_nothing(
    file: Path, tmp_path: Path, spoil: Callable[[Path], None], why: str
) -> None:
    stick = tmp_path / "stick"
    assert command("backup", "--store", file, stick, folder=tmp_path).returncode == 0
    spoil(stick)
    before = {f.name: f.read_bytes() for f in tmp_path.iterdir() if f.is_file()}
    done = command("restore", "--store", file, stick, folder=tmp_path)
    assert done.returncode == 1
    assert "Nothing was restored:" in done.stderr
    assert why in done.stderr
    assert "Traceback" not in done.stderr
    after = {f.name: f.read_bytes() for f in tmp_path.iterdir() if f.is_file() and f.name != "daemon.lock"}
    assert after == before


def test_a_backup_where_something_is_already_is_refused(file: Path, tmp_path: Path) -> None:
    (tmp_path / "stick").mkdir()
    (tmp_path / "stick" / "holiday.jpg").touch()
    done = command("backup", "--store", file, tmp_path / "stick", folder=tmp_path)
    assert done.returncode == 1
    assert "is there already" in done.stderr
    assert [f.name for f in (tmp_path / "stick").iterdir()] == ["holiday.jpg"]


def test_something_else_that_was_named_is_left_alone(tmp_path: Path) -> None:
    """C3: only what is a store of ours, or was one, is set aside."""
    other = tmp_path / "notes.txt"
    other.write_text("not a record, but long enough to be looked at as one " * 20)
    with pytest.raises(StoreError, match="can't be read as a store"):
        recovery.make_usable(other, migrate, NOW_AT)
    assert other.read_text().startswith("not a record")


def test_the_page_follows_to_the_record_that_took_the_place(file: Path) -> None:
    """C3: a page that had the damaged file open reads the new one."""
    before = reader_of(file, None)
    assert reader_of(file, before) is before
    change(file, page_of("readings"))
    brought_back(file)
    after = reader_of(file, before)
    assert after is not before
    assert len(after.curve(0.0, 4e9)) == 400
    after.close()
