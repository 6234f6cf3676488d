"""History onwards into a database, by the agent and files that deploy/history/ ships, killed in between."""

from __future__ import annotations

import random
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from history_arrived import stored_in
from history_database import AGENT, SHIPPED, Agent, Database, missing
from real_broker import MOSQUITTO
from real_daemon import Process, status_in, write_settings
from secure_broker import Caller, SecureBroker
from test_history import PATIENT, QUICK, measure, opened

from probe_agent.history import HistoryCourier
from probe_agent.migrations import migrate

LACKS = missing()
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto"),
    pytest.mark.skipif(LACKS is not None, reason=str(LACKS)),
]
TOPIC = "probe-agent/magpie/history"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[SecureBroker]:
    with SecureBroker(tmp_path) as made:
        yield made


@pytest.fixture
def database() -> Iterator[Database]:
    with Database() as made:
        yield made


@pytest.fixture
def agent(tmp_path: Path, broker: SecureBroker, database: Database) -> Iterator[Agent]:
    for name in ("settings.js", "flow.json"):
        assert (AGENT / name).read_bytes() == (SHIPPED / name).read_bytes(), "install the agent anew"
    with Agent(tmp_path, broker.port, broker.certs, database) as made:
        yield made


def wait_until(true: Callable[[], object], timeout_s: float = 240.0) -> None:
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.1)


def kept(
    database: Database,
) -> dict[tuple[str, int], tuple[int, float | None, dict[str, float | str | None]]]:
    """Each tick as the database has it."""
    rows = database.ask("SELECT run, tick, mono_ms, heater FROM history.ticks WHERE device = 'magpie'")
    found = {(run, int(tick)): (int(ms), float(h) if h else None, {}) for run, tick, ms, h in rows}
    for run, tick, place, c, fault in database.ask("SELECT run, tick, place, c, fault FROM history.readings"):
        found[run, int(tick)][2][place] = float(c) if c else fault or None
    return found  # type: ignore[return-value]


def assert_whole(file: Path, database: Database) -> None:
    """Each stored reading is there as it is stored, each run's clock too."""
    stored, clocks = stored_in(file)
    there = kept(database)
    assert [key for key in stored if key not in there] == []
    assert {key: there[key] for key in stored} == stored
    rows = database.ask("SELECT run, offset_ms, clock_ok FROM history.runs")
    assert {run: (int(ms), ok == "t") for run, ms, ok in rows if run in clocks} == clocks


def has_all(file: Path, database: Database) -> bool:
    """Whether everything stored has arrived."""
    stored, _ = stored_in(file)
    return int(database.ask("SELECT count(*) FROM history.ticks")[0][0]) >= len(stored)


def test_readings_come_into_the_database_and_what_comes_twice_is_marked(
    tmp_path: Path, broker: SecureBroker, database: Database, agent: Agent
) -> None:
    file = tmp_path / "probe-agent.db"
    migrate(file)
    store = opened(file)
    measure(store, 300)
    courier = HistoryCourier(broker.settings("magpie"), "magpie", store, None, False, PATIENT, 0.05)
    courier.start()
    wait_until(lambda: courier._arrived is not None and courier._arrived.tick == 300)
    courier.stop()
    assert_whole(file, database)
    assert database.ask("SELECT sum(duplicates), count(*) FROM history.arrivals") == [["0", "3"]]
    run = database.ask("SELECT run FROM history.runs")[0][0]
    # The database put back from before its last message: the next receipt says so.
    database.ask("UPDATE history.runs SET upto = 240")
    agent.kill()
    agent.start()
    courier = HistoryCourier(broker.settings("magpie"), "magpie", store, None, False, QUICK, 0.05)
    measure(store, 1, 9000)
    courier.start()
    twice = "SELECT run, min(tick), max(tick), max(times) FROM history.ticks"
    twice += " WHERE times > 1 AND tick <= 300 GROUP BY 1"
    wait_until(lambda: database.ask(twice) == [[run, "241", "300", "2"]])
    wait_until(lambda: has_all(file, database))
    courier.stop()
    assert_whole(file, database)
    store.close()


def test_what_is_no_message_is_kept_apart_and_holds_up_nothing(
    tmp_path: Path, broker: SecureBroker, database: Database, agent: Agent
) -> None:
    bad = [b"", b"{", b"null", b'"\\u0000"', b"\xff\xfe", b"{}", b'{"version":1,"device":"kestrel"}']
    bad += [b'{"version":1,"device":"magpie","run":"a","ticks":[{"tick":1e400}]}']
    with Caller(broker.port, broker.as_("magpie")) as caller:
        for payload in bad:
            assert caller.publish(TOPIC, payload, retain=False) < 0x80
    count = "SELECT count(*) FROM history.refused"
    wait_until(lambda: database.ask(count) == [[str(len(bad))]])
    assert database.ask("SELECT count(*) FROM history.runs") == [["0"]]
    file = tmp_path / "probe-agent.db"
    migrate(file)
    store = opened(file)
    measure(store, 5)
    courier = HistoryCourier(broker.settings("magpie"), "magpie", store, None, False, QUICK, 0.05)
    courier.start()
    wait_until(lambda: has_all(file, database))
    courier.stop()
    store.close()


def test_broker_agent_database_and_board_killed_at_random_lose_nothing(
    tmp_path: Path, broker: SecureBroker, database: Database, agent: Agent
) -> None:
    file = tmp_path / "probe-agent.db"
    settings = write_settings(tmp_path, _table(broker), interval_s=5.0)
    others = {"broker": broker, "agent": agent, "database": database}
    board, killed = _kill_at_random(tmp_path, settings, others)
    assert board.end() == 0
    with _board(tmp_path, settings):
        wait_until(lambda: has_all(file, database), 300)
    last = _board(tmp_path, settings)
    wait_until(lambda: _is_whole(file, database), 300)
    last.end()
    twice, ticks, runs = database.ask(
        "SELECT (SELECT count(*) FROM history.ticks WHERE times > 1), (SELECT count(*) FROM history.ticks),"
        " (SELECT count(*) FROM history.runs)"
    )[0]
    print(
        f"killed {killed}; {ticks} ticks of {runs} runs, {twice} came more than once; "
        f"agent {agent.resident_mb:.0f} MB"
    )


def _kill_at_random(folder: Path, settings: Path, others: dict[str, Any]) -> tuple[Process, list[str]]:
    """Twelve times something; the board as it runs at the end, and what was killed."""
    chance, killed = random.Random(9), []
    board = _board(folder, settings)
    for _ in range(12):
        _until_more(board, others["database"], len(_arrivals(others["database"])), chance)
        killed.append(which := chance.choice((*others, "board", "board")))
        if which == "board":
            board.end(signal.SIGKILL)
            board = _board(folder, settings)
        else:
            others[which].kill()
            others[which].start()
    return board, killed


def _is_whole(file: Path, database: Database) -> bool:
    try:
        assert_whole(file, database)
    except AssertionError:
        return False
    return True


def _arrivals(database: Database) -> list[list[str]]:
    return database.ask("SELECT arrival FROM history.arrivals")


def _until_more(board: Process, database: Database, before: int, chance: random.Random) -> None:
    """Wait for a message or two, then for a moment by chance, so that whatever is at work is hit."""
    board.wait_for(lambda: len(_arrivals(database)) > before, 240)
    moment = time.monotonic() + chance.uniform(0, 3)
    board.wait_for(lambda: time.monotonic() > moment, 30)


def _board(folder: Path, settings: Path) -> Process:
    (folder / "status.json").unlink(missing_ok=True)
    arguments = ("try", "--settings", str(settings), "--speed", "100")
    process = Process("probe_agent.cli", *arguments, log=folder / "daemon.log")
    process.wait_for(lambda: status_in(folder) is not None, 240)
    return process


def _table(broker: SecureBroker) -> str:
    certs = broker.certs
    return (
        f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\ndevice = "magpie"\nhistory = true\ntls = true\n'
        f'ca_file = "{certs}/ca.pem"\ncert_file = "{certs}/magpie.pem"\nkey_file = "{certs}/magpie.key"\n'
    )
