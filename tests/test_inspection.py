"""`probe-agent check`: a sound board has no trouble; each trouble provoked is named with its remedy."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from click.testing import CliRunner
from real_broker import RealBroker, free_port
from real_daemon import Process, status_in
from sysfs_tree import W1Tree, converter, thermometer

from probe_agent import inspection
from probe_agent.cli import main
from probe_agent.clock import SystemClock
from probe_agent.config import parse_settings
from probe_agent.inspection import Finding
from probe_agent.readings import Fault
from probe_agent.status import ProbeNow
from probe_agent.store import connect
from probe_agent.thermocouple import Failed, Measured

SUMP, CYL, AIR = "3b-0c98000000a1", "3b-0c98000000a2", "28-0316a2795bff"
SETTINGS = """
[aircraft]
name = "Magpie"
[[places]]
name = "sump"
[[places]]
name = "cyl-1"
required = true
[[places]]
name = "ambient"
[[probes]]
place = "sump"
address = "{sump}"
[[probes]]
place = "cyl-1"
address = "{cyl}"
[[probes]]
place = "ambient"
address = "{air}"
[one_wire]
directory = "{devices}"
[sampling]
interval_s = 5
[store]
file = "{folder}/probe-agent.db"
runtime_dir = "{folder}"
[broker]
host = "127.0.0.1"
port = {broker}
username = "magpie"
password_file = "{folder}/password"
[page]
port = {page}
[[recipients]]
name = "pilot"
address_file = "{folder}/pilot-channel"
[messages]
weekly_test = "never"
"""


@dataclass
class Board:
    """What a board looks like to the command: settings with their parts, and the folder they are in."""

    folder: Path
    values: dict[str, object]
    more: str = ""

    def check(self) -> tuple[int, list[dict[str, str]]]:
        """Exit status and findings."""
        file = self.folder / "settings.toml"
        file.write_text(SETTINGS.format(**self.values) + self.more, "utf-8")
        done = CliRunner().invoke(main, ["check", "--json", "--settings", str(file)])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exc_info
        return done.exit_code, [json.loads(line) for line in done.output.splitlines()]


def tree(folder: Path) -> W1Tree:
    """A 1-Wire tree with its modules loaded and three probes that answer."""
    made = W1Tree(folder)
    for name in ("wire", "w1_therm"):
        (folder / "sys/module" / name).mkdir(parents=True)
    made.put(SUMP, converter(-9.5, -8.0))
    made.put(CYL, converter(-10.0, -8.0))
    made.put(AIR, thermometer(-12.0))
    for address in (SUMP, CYL, AIR):
        (made.bus() / address / "ext_power").write_text("1\n")
    (made.bus() / "therm_bulk_read").write_text("0\n")
    return made


@pytest.fixture(scope="module")
def alive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    """A board in order: bus, broker with a password, daemon, page, a recipient who has answered."""
    folder = tmp_path_factory.mktemp("board")
    wires = tree(folder)
    (folder / "password").write_text("a word\n")
    (folder / "pilot-channel").write_text("json://127.0.0.1:9/\n")
    users = folder / "users"
    subprocess.run(["mosquitto_passwd", "-c", "-b", str(users), "magpie", "a word"], check=True)
    with RealBroker(folder, f"allow_anonymous false\npassword_file {users}") as broker:
        values: dict[str, object] = {
            "sump": SUMP,
            "cyl": CYL,
            "air": AIR,
            "devices": wires.directory,
            "folder": folder,
            "broker": broker.port,
            "page": free_port(),
        }
        board = Board(folder, values)
        file = folder / "settings.toml"
        file.write_text(SETTINGS.format(**values), "utf-8")
        arguments = ("--settings", str(file))
        with (
            Process("probe_agent.cli", "run", *arguments, log=folder / "daemon.log") as daemon,
            Process("web.serve", *arguments, log=folder / "web.log") as page,
        ):
            daemon.wait_for(lambda: status_in(folder) is not None)
            page.wait_for(lambda: "Page:" in (folder / "web.log").read_text())
            db = connect(folder / "probe-agent.db")
            db.execute(
                "INSERT INTO recipients (recipient, tested_at, proven_at) VALUES ('pilot', 1, 2)"
                " ON CONFLICT (recipient) DO UPDATE SET proven_at = 2"
            )
            db.close()
            yield board


@pytest.fixture
def board(alive: Board, tmp_path: Path) -> Board:
    """The board of a test: daemon, broker and page are the living ones; the bus is its own."""
    return Board(tmp_path, {**alive.values, "devices": tree(tmp_path).directory})


def wires_of(board: Board) -> W1Tree:
    made = W1Tree.__new__(W1Tree)
    made._root, made.directory = board.folder, board.folder / "sys/bus/w1/devices"
    return made


def test_a_sound_board_has_no_trouble(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SystemClock, "utc_is_known", lambda self: True)
    code, found = board.check()
    assert [f for f in found if f["level"] == "trouble"] == []
    assert code == 0
    subjects = [f["subject"] for f in found]
    assert {"kernel", "clock", "disk", "record", "daemon", "broker", "page"} <= set(subjects)
    cyl = next(f["text"] for f in found if f["subject"] == "cylinder 1")
    assert "raw -10.00 °C" in cyl
    assert "its converter -8.0 °C" in cyl
    corrected = float(re.search(r"corrected (-[\d.]+)", cyl)[1])  # type: ignore[index]
    assert corrected == pytest.approx(-10.0, abs=0.3)
    assert corrected != -10.0  # through ITS-90


# -- troubles: how each is provoked, on what it is found, and a word of what to do


def no_module(board: Board, alive: Board) -> None:
    shutil.rmtree(board.folder / "sys/module/w1_therm")


def no_directory(board: Board, alive: Board) -> None:
    board.values["devices"] = board.folder / "sys/bus/w1/nothing"


def no_bus(board: Board, alive: Board) -> None:
    shutil.rmtree(board.folder / "sys/bus/w1/devices")
    (board.folder / "sys/bus/w1/devices").mkdir()


def empty_bus(board: Board, alive: Board) -> None:
    for address in (SUMP, CYL, AIR):
        wires_of(board).remove(address)


def probe_gone(board: Board, alive: Board) -> None:
    wires_of(board).remove(CYL)


def wire_open(board: Board, alive: Board) -> None:
    wires_of(board).put(CYL, converter(0.0, 21.0, faults=1))


def touches_ground(board: Board, alive: Board) -> None:
    wires_of(board).put(CYL, converter(0.0, 21.0, faults=2))


def touches_supply(board: Board, alive: Board) -> None:
    wires_of(board).put(CYL, converter(0.0, 21.0, faults=4))


def line_low(board: Board, alive: Board) -> None:
    wires_of(board).put(CYL, bytes(9))


def never_converts(board: Board, alive: Board) -> None:
    wires_of(board).put(AIR, thermometer(85.0, byte_6=0x0C))


def parasite(board: Board, alive: Board) -> None:
    (wires_of(board).bus() / AIR / "ext_power").write_text("0\n")


def unbound(board: Board, alive: Board) -> None:
    board.values["folder"] = board.folder  # no record yet: the settings alone say what is bound
    board.more = '[[places]]\nname = "case-nose"\nrequired = true\n'


def record_ahead(board: Board, alive: Board) -> None:
    _own_record(board, alive)
    db = connect(board.folder / "probe-agent.db")
    db.execute("UPDATE boots SET utc_offset_ms = utc_offset_ms + 86400000")
    db.close()


def damaged(board: Board, alive: Board) -> None:
    file = _own_record(board, alive)
    data = bytearray(file.read_bytes())
    for page in range(8, len(data) // 1024):
        data[page * 1024 : page * 1024 + 8] = b"\xff" * 8
    file.write_bytes(data)


def newer(board: Board, alive: Board) -> None:
    db = sqlite3.connect(_own_record(board, alive))
    db.execute("PRAGMA user_version = 99")
    db.close()


def no_daemon(board: Board, alive: Board) -> None:
    _own_record(board, alive)


def daemon_stopped(board: Board, alive: Board) -> None:
    _own_record(board, alive)
    text = json.loads((alive.folder / "status.json").read_text())
    text["run"]["mono_s"] -= 61.0 + 3 * text["run"]["interval_s"]
    (board.folder / "status.json").write_text(json.dumps(text))


def broker_down(board: Board, alive: Board) -> None:
    board.values["broker"] = free_port()


def wrong_password(board: Board, alive: Board) -> None:
    _own_record(board, alive)
    (board.folder / "password").write_text("another word\n")


def no_channel(board: Board, alive: Board) -> None:
    _own_record(board, alive)
    (board.folder / "pilot-channel").unlink()


def unproven(board: Board, alive: Board) -> None:
    db = sqlite3.connect(_own_record(board, alive))
    db.execute("UPDATE recipients SET proven_at = NULL")
    db.commit()
    db.close()


def no_page(board: Board, alive: Board) -> None:
    board.values["page"] = free_port()


def copy_old(board: Board, alive: Board) -> None:
    copy = _own_record(board, alive).with_name("probe-agent.db.copy")
    copy.write_bytes(b"")
    os.utime(copy, (time.time() - 3 * 86400,) * 2)


def read_only(board: Board, alive: Board) -> None:
    _own_record(board, alive)
    board.values["folder"] = "/proc/self"  # writable by nobody, root included
    (board.folder / "password").write_text("a word\n")


def _own_record(board: Board, alive: Board) -> Path:
    """A copy of the living board's record, password and channel in this test's folder."""
    file = board.folder / "probe-agent.db"
    source = connect(alive.folder / "probe-agent.db", read_only=True)
    target = sqlite3.connect(file)
    source.backup(target)
    target.close()
    source.close()
    for name in ("password", "pilot-channel"):
        shutil.copy(alive.folder / name, board.folder / name)
    board.values["folder"] = board.folder
    return file


TROUBLES: list[tuple[Callable[[Board, Board], None], str, str, str]] = [
    (no_module, "kernel", "w1_therm isn't loaded", "modprobe w1-therm"),
    (no_directory, "1-Wire bus", "isn't switched on", "overlay"),
    (no_bus, "1-Wire bus", "no bus", "overlay"),
    (empty_bus, "bus w1_bus_master1", "no probe answers", "pull-up"),
    (probe_gone, "cylinder 1", "on no bus", "address straps"),
    (wire_open, "cylinder 1", "open", "Plug its thermocouple in"),
    (touches_ground, "cylinder 1", "touches ground", "ungrounded"),
    (touches_supply, "cylinder 1", "touches the supply", "crossed wire"),
    (line_low, "cylinder 1", "held low", "short between data and ground"),
    (never_converts, "outside air", "power-on value", "VDD"),
    (parasite, "outside air", "parasite", "VDD"),
    (unbound, "crankcase nose", "no probe is bound", "identify"),
    (record_ahead, "clock", "it is behind", "timedatectl"),
    (damaged, "record", "damaged", "aside"),
    (newer, "record", "newer version", ""),
    (no_daemon, "daemon", "isn't running", "systemctl"),
    (daemon_stopped, "daemon", "it has stopped", "systemctl"),
    (broker_down, "broker", "can't be used", "[broker]"),
    (wrong_password, "broker", "refuses us", "[broker]"),
    (no_channel, "messages to pilot", "pilot-channel", "into that file"),
    (unproven, "messages to pilot", "not answered a test", "received"),
    (no_page, "page", "nothing answers", "probe-agent-web"),
    (copy_old, "copy", "3.0 days old", "disk space"),
    (read_only, "disk", "/proc/self", "Nothing can be kept"),
]


@pytest.mark.parametrize(
    ("provoke", "subject", "says", "remedy"), TROUBLES, ids=[t[0].__name__ for t in TROUBLES]
)
def test_each_trouble_is_named_with_its_remedy(
    provoke: Callable[[Board, Board], None], subject: str, says: str, remedy: str, board: Board, alive: Board
) -> None:
    provoke(board, alive)
    code, found = board.check()
    named = [f for f in found if f["subject"] == subject and f["level"] == "trouble"]
    assert named, found
    assert any(says in f["text"] and remedy in f["remedy"] for f in named), named
    assert code == 1


def test_a_probe_that_wanders_is_noisy(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    values = iter([-10.0, -12.0, -9.0, -11.0, -10.0] * 3)
    monkeypatch.setattr(inspection, "_read", lambda folder, probe: Measured(v := next(values), v, -8.0))
    _, found = board.check()
    cyl = next(f for f in found if f["subject"] == "cylinder 1")
    assert cyl["level"] == "trouble"
    assert "spread 3.00 °C" in cyl["text"]
    assert "away from mains" in cyl["remedy"]


def test_a_probe_that_comes_and_goes(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = iter([Measured(-10.0, -10.0), Failed(Fault.CHECKSUM), *[Measured(-10.0, -10.0)] * 13])
    monkeypatch.setattr(inspection, "_read", lambda folder, probe: next(answers))
    _, found = board.check()
    assert "1 of 5 reads failed" in next(f["text"] for f in found if f["level"] == "trouble")


def test_an_unknown_probe_is_told_and_no_trouble(board: Board) -> None:
    wires_of(board).put("28-0316a2000001", thermometer(1.0))
    _, found = board.check()
    assert [f["level"] for f in found if "28-0316a2000001" in f["subject"]] == ["note"]


def test_a_clock_nothing_has_set(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SystemClock, "utc_is_known", lambda self: False)
    code, found = board.check()
    assert [f["level"] for f in found if f["subject"] == "clock"] == ["trouble"]
    assert code == 1


def test_as_a_person_reads_it(board: Board) -> None:
    wire_open(board, board)
    file = board.folder / "settings.toml"
    file.write_text(SETTINGS.format(**board.values), "utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "probe_agent.cli", "check", "--settings", str(file)],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)},
    )
    assert done.returncode == 1
    assert "TROUBLE  cylinder 1" in done.stdout
    assert "→ Plug its thermocouple in" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 110
    assert done.stderr == ""


# -- probes on the broker

REMOTE = """
[[places]]
name = "cabin"
[[probes]]
place = "cabin"
address = "cabin-box"
source = "mqtt"
topic = "shed/cabin"
"""


def remote_finding(status: ProbeNow | None) -> Finding:
    settings = parse_settings((REMOTE + '[broker]\nhost = "h"').encode(), "s.toml")
    shown = msgspec.structs.replace(samples.heating(), probes=(status,) if status else (), age_s=1.0)
    (found,) = inspection._remote(inspection._bound_remote(settings, OSError("no record")), shown)
    return found


def test_a_probe_on_the_broker_is_told_as_the_daemon_hears_it() -> None:
    measured = ProbeNow("cabin", 4.5, "ok", None, False, False, 12.0, False)
    found = remote_finding(measured)
    assert (found.level, found.text) == ("ok", "cabin-box, topic shed/cabin: corrected 4.50 °C, 12 s old")
    for fault, said in (
        (Fault.STALE, "too old"),
        (Fault.CHECKSUM, "damaged"),
        (Fault.NO_ANSWER, "not answer"),
    ):
        found = remote_finding(ProbeNow("cabin", None, fault.value, None, False, False, None, False))
        assert found.level == "trouble"
        assert said in found.text
        assert "mosquitto_sub -v -t 'shed/cabin'" in found.remedy
    assert remote_finding(None).level == "note"


def test_the_board_with_a_remote_probe_the_running_daemon_does_not_know(board: Board) -> None:
    board.more = REMOTE
    _, found = board.check()
    cabin = next(f for f in found if f["subject"] == "cabin")
    assert (cabin["level"], cabin["text"][:28]) == ("note", "cabin-box, topic shed/cabin:")
