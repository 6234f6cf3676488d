"""The card under the record: full, read-only, slow, failing, forgetful; power cuts (C1, C4 to C6)."""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from card import ROOT, Card, CardDaemon, needs_mounts, run, small_tmpfs, write_settings
from real_daemon import Process, status_in
from real_daemon import write_settings as write_simulated
from real_mail import Mail, MailReceiver

from probe_agent.migrations import migrate
from probe_agent.status import Status
from probe_agent.store import ask, await_answer

INTERVAL_S = 5.0
LATE_S = 2.0
TOLD = """
[[recipients]]
name = "pilot"
address = "{address}"
[messages]
retry_s = 5
"""


def rows(file: Path, sql: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def says(status: Status, part: str) -> bool:
    return any(part in note for note in status.notes)


def has_alert(status: Status, kind: str) -> bool:
    return any(a.kind == kind for a in status.alerts)


def assert_no_tick_late(file: Path) -> list[float]:
    """Every committed tick followed the one before it within the interval and two seconds; how long after."""
    at = [float(r[0]) for r in rows(file, "SELECT mono_ms / 1000.0 FROM ticks ORDER BY tick")]  # type: ignore[arg-type]
    gaps = [b - a for a, b in pairwise(at)]
    assert gaps
    assert max(gaps) <= INTERVAL_S + LATE_S, gaps
    return gaps


# -- C1: power cuts


@dataclass
class Cuts:
    """What all rounds of cutting the power came to."""

    rounds: int = 0
    transitions: int = 0
    commands: int = 0
    messages: int = 0
    readings_by_hand: int = 0
    most_lost_s: float = 0.0
    lost: list[str] = field(default_factory=list)


ACKNOWLEDGED = {
    "transitions": "SELECT boot, mono_ms, new FROM transitions",
    "commands": "SELECT id, answer FROM commands WHERE answered_at IS NOT NULL",
    "messages": "SELECT channel, dedupe_key FROM outbox",
    "readings_by_hand": "SELECT hand, value_mc FROM hand_readings",
    "ticks": "SELECT tick FROM ticks",
}
SPEED = 120
BATCH_S = 300.0


def one_power_cut(card: Card, settings: Path, memory: Path, chance: random.Random, cuts: Cuts) -> None:
    """Run the daemon, have it acknowledge, cut the power at a random instant, and look what is left."""
    file, before = card.mount / "probe-agent.db", status_in(memory)
    with Process(
        "probe_agent.cli", "try", "--settings", str(settings), "--speed", str(SPEED), log=memory / "log"
    ) as daemon:
        daemon.wait_for(
            lambda: (s := status_in(memory)) is not None and (before is None or s.run != before.run)
        )
        first = ask(file, "heater-said", {"on": True})
        assert await_answer(file, first, 20.0) is not None
        for n in range(3):
            what = {"place": "cyl-1", "c": -12 - n / 10, "method": "contact", "sure": True}
            ask(file, "hand-reading", what)
        threading.Event().wait(chance.uniform(0.0, 3.0))  # the random instant itself
        shown = status_in(memory)
        seen = {name: set(rows(file, sql)) for name, sql in ACKNOWLEDGED.items()}
        card.cut_power()
        daemon.end(signal.SIGKILL)
    card.come_back()
    assert rows(file, "PRAGMA integrity_check") == [("ok",)]
    assert rows(file, "PRAGMA foreign_key_check") == []
    for name, known in seen.items():
        missing = known - set(rows(file, ACKNOWLEDGED[name]))
        cuts.lost += [f"round {cuts.rounds}: {name} {m}" for m in missing]
    assert shown is not None
    ((last_ms,),) = rows(
        file, "SELECT coalesce(max(mono_ms), 0) FROM ticks WHERE boot = (SELECT max(boot) FROM boots)"
    )
    assert isinstance(last_ms, int)
    cuts.most_lost_s = max(cuts.most_lost_s, shown.run.t_s - last_ms / 1000)
    cuts.rounds += 1
    cuts.transitions += len(seen["transitions"])
    cuts.commands += len(seen["commands"])
    cuts.messages += len(seen["messages"])
    cuts.readings_by_hand += len(seen["readings_by_hand"])


def cut_power(folder: Path, rounds: int, seed: int) -> Cuts:
    memory, cuts, chance = folder / "memory", Cuts(), random.Random(seed)
    memory.mkdir()
    nobody = TOLD.format(address="mailto://127.0.0.1:9/?from=a@example.org&to=b@example.org")
    settings = write_simulated(memory, nobody, 15.0)
    with Card(folder) as card:
        text = settings.read_text("utf-8")
        settings.write_text(text.replace(f'file = "{memory}', f'file = "{card.mount}'), "utf-8")
        for _ in range(rounds):
            one_power_cut(card, settings, memory, chance, cuts)
    print(cuts)
    assert cuts.lost == []
    assert cuts.messages > 0
    assert cuts.commands >= rounds
    assert cuts.readings_by_hand > 0
    # The clock is 120 times as fast: a commit under way, of half a real second, is a minute of it.
    assert cuts.most_lost_s <= BATCH_S + 2 * 15.0 + 0.5 * SPEED
    return cuts


@needs_mounts
def test_a_power_cut_loses_readings_of_one_batch_at_most_and_nothing_acknowledged(tmp_path: Path) -> None:
    """C1: FS_IOC_SHUTDOWN without flushing the journal, under the real daemon on ext4."""
    cut_power(tmp_path, 2, seed=3)


@needs_mounts
@pytest.mark.long
def test_many_power_cuts_lose_readings_of_one_batch_at_most_and_nothing_acknowledged(tmp_path: Path) -> None:
    """C1, thirty rounds."""
    assert cut_power(tmp_path, 30, seed=4).rounds == 30


# -- C4: no room


@needs_mounts
def test_on_a_full_card_measuring_and_messages_go_on_and_all_is_written_when_there_is_room(
    tmp_path: Path,
) -> None:
    """C4: a real small file system is filled and emptied again under the real daemon."""
    with small_tmpfs(tmp_path / "card", 1500) as card, MailReceiver() as mail:
        file = card / "probe-agent.db"
        settings = write_settings(tmp_path, card, TOLD.format(address=mail.address()))
        with CardDaemon(tmp_path, settings) as daemon:
            daemon.wait_for(lambda s: s.state == "cold")
            kept = set(rows(file, "SELECT tick FROM ticks")) | {(0,)}
            fill(card / "filler")
            full = daemon.wait_for(lambda s: says(s, "can't be written") and has_alert(s, "record-unwritten"))
            assert says(full, "kept in memory")
            assert "record not written" in next_but_tests(mail).subject
            held = daemon.wait_for(lambda s: len(s.recent.rows) >= 3 if s.recent else False)
            assert set(rows(file, "SELECT tick FROM ticks")) | {(0,)} >= kept
            (card / "filler").unlink()
            daemon.wait_for(lambda s: not says(s, "can't be written") and not s.alerts)
            assert held.recent is not None
        assert_no_tick_late(file)
        assert rows(file, "PRAGMA integrity_check") == [("ok",)]
        told = rows(file, "SELECT delivered_at IS NOT NULL FROM outbox WHERE dedupe_key LIKE 'record-unw%'")
        assert told == [(1,)], "delivered while it could not be kept, and kept as delivered"


def next_but_tests(mail: MailReceiver) -> Mail:
    """The next mail that is no test message, as the first start sends one where the clock is known."""
    while "test message" in (found := mail.next_mail(30)).subject:
        pass
    return found


def fill(file: Path) -> None:
    """Take all the room there is."""
    with file.open("wb", buffering=0) as out:
        size = 65_536
        while size:
            try:
                out.write(b"\0" * size)
            except OSError:
                size //= 2


@pytest.mark.long
@needs_mounts
def test_a_daemon_starts_on_a_full_card(tmp_path: Path) -> None:
    """C4: with no room for a row it runs from memory, says so, and leaves the record alone."""
    with small_tmpfs(tmp_path / "card", 1500) as card:
        settings = write_settings(tmp_path, card)
        with CardDaemon(tmp_path, settings) as daemon:
            daemon.wait_for(lambda s: s.state == "cold")
        kept = rows(card / "probe-agent.db", "SELECT count(*) FROM ticks")
        fill(card / "filler")
        with CardDaemon(tmp_path, settings) as daemon:
            shown = daemon.wait_for(lambda s: s.state == "cold" and has_alert(s, "record-unwritten"))
            assert says(shown, "in memory and gone at a power cut")
        assert rows(card / "probe-agent.db", "SELECT count(*) FROM ticks") == kept


def test_memory_for_readings_is_bounded_and_what_it_loses_is_said(tmp_path: Path) -> None:
    """C4: ulimit -f instead of a full card, with more rows than memory takes."""
    done = subprocess.run(
        [sys.executable, "-c", _RING, str(tmp_path / "probe-agent.db")],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    acknowledged, refused, lost, after = map(int, done.stdout.split())
    assert refused > 0
    assert lost == 4000 - acknowledged - 1000
    assert after == acknowledged + 1000


_RING = """
import resource, sqlite3, sys
from pathlib import Path
from probe_agent.migrations import migrate
from probe_agent.store import Store, StoredReading, TickRow
import probe_agent.store.daemon as daemon
daemon.HELD_TICKS = 1000
file = Path(sys.argv[1])
migrate(file)
store = Store(file)
store.describe_places({"cyl-1": (True, False)})
store.begin_boot("boot", 0.0, True)
soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, hard))
acknowledged = refused = 0
for n in range(4000):
    store.hold(TickRow(store.new_tick(), 15.0 * n, None, (StoredReading("cyl-1", 1.0, None, 1.0, None),)))
    if n % 100 == 99:
        try:
            store.commit()
            acknowledged = n + 1
        except sqlite3.Error:
            refused += 1
lost = store.lost_ticks
resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
store.commit()
(after,) = sqlite3.connect(file).execute("SELECT count(*) FROM ticks").fetchone()
print(acknowledged, refused, lost, after)
"""


# -- C5: a card that can only be read, or that forgets


@needs_mounts
def test_a_card_remounted_read_only_leaves_page_and_messages(tmp_path: Path) -> None:
    """C5: the kernel makes a failing file system read-only under daemon and page; the board boots again."""
    with Card(tmp_path) as card, MailReceiver() as mail:
        settings = write_settings(tmp_path, card.mount, TOLD.format(address=mail.address()))
        file = card.mount / "probe-agent.db"
        with CardDaemon(tmp_path, settings) as daemon:
            daemon.wait_for(lambda s: s.state == "cold")
            kept = set(rows(file, "SELECT tick FROM ticks"))
            card.fail()
            daemon.wait_for(lambda s: says(s, "can't be written") and has_alert(s, "record-unwritten"))
            assert "record not written" in next_but_tests(mail).subject
            page = subprocess.run(
                [sys.executable, "-c", _PAGE, str(settings)],
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                capture_output=True,
                text=True,
                timeout=60,
                check=True,
            ).stdout
            told = json.loads(page)
            assert told["codes"] == {"/": 200, "/api/status": 200, "/curves": 200, "/plan": 200}
            assert "be written" in told["now"]
            assert told["ok"] is False
            assert "the record can't be written" in told["said"]
            daemon.measure_for(6.0)
        card.come_back()
        assert rows(file, "PRAGMA integrity_check") == [("ok",)]
        assert kept <= set(rows(file, "SELECT tick FROM ticks"))
        with CardDaemon(tmp_path, settings) as daemon:
            daemon.wait_for(lambda s: s.state == "cold" and not s.alerts and not says(s, "can't be written"))


_PAGE = """
import json, sys
from pathlib import Path
from probe_agent.config import load_settings
from web.acts import Commander
from web.app import create_app
from web.source import FileStatusSource
settings = load_settings(Path(sys.argv[1]))
file = Path(settings.store.file)
app = create_app(FileStatusSource(Path(settings.store.runtime_dir) / "status.json"), file, settings)
client = app.test_client()
got = {path: client.get(path) for path in ("/", "/api/status", "/curves", "/plan")}
done = Commander(file, 2.0).act_once("n1", "heater-said", {"on": False})
print(json.dumps({"codes": {p: r.status_code for p, r in got.items()}, "now": got["/"].text, "ok": done.ok,
                  "said": done.text}))
"""


@pytest.mark.long
@needs_mounts
def test_a_daemon_starts_on_a_card_that_can_only_be_read(tmp_path: Path) -> None:
    """C5: it runs from memory with what was exported, and says what that means."""
    with Card(tmp_path) as card:
        settings = write_settings(tmp_path, card.mount)
        file = card.mount / "probe-agent.db"
        with CardDaemon(tmp_path, settings) as daemon:
            daemon.wait_for(lambda s: s.state == "cold")
            assert answered(file, "oil-out")
            daemon.wait_for(lambda s: s.oil_out and '"oil_out_at": null' not in exported(file))
        card.remount_read_only()
        with CardDaemon(tmp_path, settings) as daemon:
            shown = daemon.wait_for(lambda s: has_alert(s, "record-unwritten"))
            assert says(shown, "in memory and gone at a power cut")
            assert shown.oil_out, "what a person said of the oil holds"


def exported(file: Path) -> str:
    return file.with_name(file.name + ".export").read_text("utf-8")


def answered(file: Path, kind: str) -> bool:
    answer = await_answer(file, ask(file, kind, {}), 20.0)
    return answer is not None and bool(json.loads(answer)["ok"])


@pytest.mark.long
@needs_mounts
def test_a_card_that_went_back_to_what_it_was_is_told(tmp_path: Path) -> None:
    """C5: all is accepted and nothing kept: the card's image goes back to before, between two starts."""
    with Card(tmp_path) as card:
        settings = write_settings(tmp_path, card.mount)
        start_once(tmp_path, settings)
        run("umount", card.mount)
        before = card.image.read_bytes()
        run("mount", "-o", "loop", card.image, card.mount)
        start_once(tmp_path, settings)
        run("umount", card.mount)
        card.image.write_bytes(before)
        run("mount", "-o", "loop", card.image, card.mount)
        with CardDaemon(tmp_path, settings) as daemon:
            daemon.wait_for(lambda s: has_alert(s, "card-forgets"))


def start_once(folder: Path, settings: Path) -> None:
    with CardDaemon(folder, settings) as daemon:
        shown = daemon.wait_for(lambda s: s.state == "cold")
        assert not has_alert(shown, "card-forgets")


def test_a_write_that_is_only_said_to_have_happened_is_seen_at_once(tmp_path: Path) -> None:
    """C5: strace answers for the kernel that the start's count was written, and writes nothing."""
    file = tmp_path / "probe-agent.db"
    counter = tmp_path / "probe-agent.db.starts"
    code = (
        "import sys; from pathlib import Path; from probe_agent.recovery import starts_kept;"
        "print(starts_kept(Path(sys.argv[1]), Path(sys.argv[2])))"
    )
    python = [sys.executable, "-c", code, str(file), str(tmp_path / "memory")]
    lying = ["strace", "-f", "-qq", "-o", "/dev/null", "-P", str(counter), "-e", "trace=write"]
    for before, said in (([], "True"), ([], "True"), ([*lying, "-e", "inject=write:retval=64"], "False")):
        found = subprocess.run(
            [*before, *python],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        assert found.stdout.strip() == said


# -- C6: fsync fails, or takes long


@pytest.mark.long
@pytest.mark.parametrize("delay_s", [0.4, 1.5, 3.0])
def test_a_card_that_takes_long_for_each_sync_makes_no_tick_late(tmp_path: Path, delay_s: float) -> None:
    """C6: each sync is held up by strace."""
    settings = write_settings(tmp_path, tmp_path)
    migrate(tmp_path / "probe-agent.db")
    inject = ("-e", "trace=fdatasync,fsync", "-e", f"inject=fdatasync,fsync:delay_enter={delay_s * 1e6:.0f}")
    with CardDaemon(tmp_path, settings, strace=inject) as daemon:
        if delay_s > 1:
            daemon.wait_for(lambda s: says(s, "takes long to write"), 120)
        daemon.measure_for(15.0)
    assert len(assert_no_tick_late(tmp_path / "probe-agent.db")) >= 3


_WRITER = """
import sqlite3, sys
from pathlib import Path
from probe_agent.store import Batch, Message, Store, StoredReading, TickRow
store = Store(Path(sys.argv[1]))
refused, batch = 0, Batch()
try:
    store.describe_places({"cyl-1": (True, False)})
    store.begin_boot("boot", 0.0, True)
except sqlite3.Error:
    refused += 1
    store.describe_places({"cyl-1": (True, False)})
    store.begin_boot("boot", 0.0, True)
for n in range(12):
    for i in range(40):
        reading = StoredReading("cyl-1", 1.0, None, 1.0, None)
        store.hold(TickRow(store.new_tick(), 15.0 * n, None, (reading,)))
    batch.messages.append(Message("pilot", f"k:{n}", "s", "b", 1.0, 2.0))
    try:
        store.commit(batch)
        batch = Batch()
        print("kept", n, flush=True)
    except sqlite3.Error as err:
        refused += 1
        print("refused", n, len(store.held), flush=True)
store.commit(batch)
print("end", refused, len(store.held), flush=True)
"""


def fail_once(folder: Path, call: str, error: str, when: int) -> bool:
    """One system call of a writer's fails; whether any of its commits was refused for it."""
    folder.mkdir()
    file = folder / "probe-agent.db"
    migrate(file)
    inject = ["-e", f"trace={call}", "-e", f"inject={call}:error={error}:when={when}"]
    named = [x for tail in ("", "-wal", "-shm") for x in ("-P", f"{file}{tail}")]
    done = subprocess.run(
        ["strace", "-f", "-qq", "-o", "/dev/null", *named, *inject, sys.executable, "-c", _WRITER, str(file)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    told = [line.split() for line in done.stdout.splitlines()]
    assert told[-1][0] == "end"
    assert told[-1][2] == "0", "the connection was opened anew and took what was held"
    assert rows(file, "PRAGMA integrity_check") == [("ok",)]
    assert rows(file, "SELECT count(*), count(DISTINCT tick) FROM ticks") == [(480, 480)]
    assert rows(file, "SELECT count(*) FROM outbox") == [(12,)]
    return int(told[-1][1]) > 0


def test_a_sync_that_fails_once_is_refused_and_made_up_for(tmp_path: Path) -> None:
    """C6: EIO from fdatasync, at some points."""
    hit = [fail_once(tmp_path / str(n), "fdatasync", "EIO", n) for n in (2, 5, 9)]
    assert any(hit)


@pytest.mark.long
@pytest.mark.parametrize(
    ("call", "error"),
    [("fdatasync", "EIO"), ("pwrite64", "EIO"), ("pwrite64", "ENOSPC"), ("pwrite64", "EROFS")],
)
def test_each_call_that_may_fail_is_walked_through(tmp_path: Path, call: str, error: str) -> None:
    """C6: the n-th sync or write of the store fails, n from the first to past the last."""
    hit = [fail_once(tmp_path / str(n), call, error, n) for n in range(1, 41)]
    print(call, error, sum(hit), "of", len(hit), "were refused")
    assert sum(hit) >= 8


@pytest.mark.long
def test_after_a_failed_sync_the_daemon_goes_on(tmp_path: Path) -> None:
    """C6: three syncs in a row fail under the real daemon; no tick is late and all is written in the end."""
    settings = write_settings(tmp_path, tmp_path)
    file = tmp_path / "probe-agent.db"
    migrate(file)
    inject = ("-P", f"{file}-wal", "-e", "trace=fdatasync", "-e", "inject=fdatasync:error=EIO:when=9..11")
    with CardDaemon(tmp_path, settings, strace=inject) as daemon:
        daemon.wait_for(lambda s: says(s, "can't be written"), 120)
        daemon.wait_for(lambda s: not says(s, "can't be written"), 60)
        daemon.measure_for(6.0)
    assert_no_tick_late(file)
    assert rows(file, "PRAGMA integrity_check") == [("ok",)]
