"""`probe-agent check` on a board whose files hold anything at all: a finding for each, never a traceback."""

from __future__ import annotations

import json
import os
import shutil
import socket
import sqlite3
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from real_broker import free_port
from sysfs_tree import W1Tree, converter, thermometer

from probe_agent import backups, config, inspection
from probe_agent.cli.board import reach_of
from probe_agent.inspection import Finding
from probe_agent.migrations import migrate
from probe_agent.store import Reader, StoreError, connect

CYL, AIR = "3b-0c98000000a2", "28-0316a2795bff"
SETTINGS = """
[[places]]
name = "cyl-1"
required = true
[[places]]
name = "ambient"
[[probes]]
place = "cyl-1"
address = "{cyl}"
[[probes]]
place = "ambient"
address = "{air}"
[one_wire]
directory = "{folder}/sys/bus/w1/devices"
deadline_s = 1.0
[store]
file = "{folder}/probe-agent.db"
runtime_dir = "{folder}"
[broker]
host = "127.0.0.1"
port = {nobody}
username = "magpie"
password_file = "{folder}/password"
[page]
port = {page}
[watchdog]
url_file = "{folder}/watchdog"
[[recipients]]
name = "pilot"
address_file = "{folder}/pilot-channel"
"""
FILES = {
    "w1_slave": f"sys/bus/w1/devices/{CYL}/w1_slave",
    "ext_power": f"sys/bus/w1/devices/{AIR}/ext_power",
    "bulk": "sys/bus/w1/devices/w1_bus_master1/therm_bulk_read",
    "status": "status.json",
    "record": "probe-agent.db",
    "copy": "probe-agent.db.copy",
    "backups": "probe-agent.db.backups",
    "password": "password",
    "channel": "pilot-channel",
    "watchdog": "watchdog",
    "module": "sys/module/w1_therm",
    "bus": "sys/bus/w1/devices",
    "place of the record": "probe-agent.db-wal",
}


@dataclass
class Board:
    """The files that the command reads on a board, in a folder."""

    folder: Path
    settings: config.Settings

    def look(self) -> list[Finding]:
        return list(inspection.look_over(self.settings, reach_of(self.settings)))

    def put(self, name: str, what: bytes | None) -> None:
        """Bytes in a file's place; None: a folder."""
        place = self.folder / FILES[name]
        if place.is_dir() and not place.is_symlink():
            shutil.rmtree(place)
        else:
            place.unlink(missing_ok=True)
        place.mkdir() if what is None else place.write_bytes(what)


def made(folder: Path) -> Board:
    tree = W1Tree(folder)
    for name in ("wire", "w1_therm"):
        (folder / "sys/module" / name).mkdir(parents=True)
    tree.put(CYL, converter(-10.0, -8.0))
    tree.put(AIR, thermometer(-12.0))
    (tree.bus() / AIR / "ext_power").write_text("1\n")
    (tree.bus() / "therm_bulk_read").write_text("0\n")
    (folder / "password").write_text("a word\n")
    (folder / "pilot-channel").write_text("json://127.0.0.1:9/\n")
    (folder / "watchdog").write_text("https://127.0.0.1:9/\n")
    (folder / "status.json").write_bytes(msgspec.json.encode(samples.heating()))
    migrate(folder / "probe-agent.db")
    text = SETTINGS.format(cyl=CYL, air=AIR, folder=folder, page=free_port(), nobody=free_port())
    return Board(folder, config.parse_settings(text.encode(), "settings.toml"))


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return made(tmp_path)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return made(tmp_path_factory.mktemp("whole"))


def well_said(found: list[Finding]) -> None:
    """Each part says something of its own; none is an error that nobody had thought of."""
    assert not [f for f in found if "could not be looked at" in f.text], found
    assert all(f.subject and f.text for f in found)
    assert all(f.remedy for f in found if f.level == "trouble"), found
    assert {"clock", "disk", "daemon", "page", "copy", "backup"} <= {f.subject for f in found}


EXAMPLES = 12
"""Of each file; with `-m long` there are 300."""
ACCIDENTS = st.one_of(
    st.tuples(st.just("cut"), st.floats(0, 1), st.just(b"")),
    st.tuples(st.just("changed"), st.floats(0, 1), st.binary(min_size=1, max_size=8)),
    st.tuples(st.just("instead"), st.just(0.0), st.binary(max_size=600)),
    st.tuples(st.just("instead"), st.just(0.0), st.sampled_from([b"", b"\n", bytes(4096), b"\xff" * 4096])),
    st.just(("folder", 0.0, b"")),
)
"""What befalls a file: cut, a piece changed, something else in its place, a folder."""


def bent(text: bytes, accident: tuple[str, float, bytes]) -> bytes | None:
    kind, share, piece = accident
    at = int(share * len(text))
    left = {"cut": text[:at], "changed": text[:at] + piece + text[at + len(piece) :], "instead": piece}
    return left.get(kind)


NAMES = [n for n in FILES if n != "bus"]


def put_garbage(name: str, whole: Board, examples: int) -> None:
    place = whole.folder / FILES[name]
    text = place.read_bytes() if place.is_file() else b"live"

    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    @given(ACCIDENTS)
    def looked_over(accident: tuple[str, float, bytes]) -> None:
        whole.put(name, bent(text, accident))
        well_said(whole.look())

    try:
        looked_over()
    finally:
        whole.put(name, text if name != "module" else None)


@pytest.mark.parametrize("name", NAMES)
def test_garbage_in_a_file_is_a_finding(name: str, whole: Board) -> None:
    put_garbage(name, whole, EXAMPLES)


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
def test_much_garbage_in_a_file_is_a_finding(name: str, whole: Board) -> None:
    put_garbage(name, whole, 300)


@given(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="/\0"), min_size=1, max_size=30)))
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
def test_names_on_the_bus_that_no_kernel_would_give(whole: Board, names: list[str]) -> None:
    bus = whole.folder / FILES["bus"]
    there = {p.name for p in bus.iterdir()}
    new = {n for n in names if n not in there and n not in (".", "..") and len(n.encode()) < 200}
    for name in new:
        (bus / name).mkdir()
    try:
        well_said(whole.look())
    finally:
        for name in new:
            (bus / name).rmdir()


def test_a_schema_whose_text_is_no_text(board: Board) -> None:
    """sqlite3 then raises a UnicodeDecodeError, as it can't quote the schema in its error."""
    file = board.folder / FILES["record"]
    db = sqlite3.connect(file)
    db.execute("PRAGMA journal_mode = DELETE")
    db.close()
    whole = file.read_bytes()
    file.write_bytes(whole.replace(b"CREATE TABLE places", b"CREATE TA\x80\x81\xff places", 1))
    with pytest.raises(StoreError):
        Reader(file)
    found = board.look()
    well_said(found)
    assert [f.level for f in found if f.subject == "record"] == ["trouble"]


def test_a_bus_that_is_a_file(board: Board) -> None:
    board.put("bus", b"")
    well_said(board.look())


STRANGE = ["", "x", "zz-0c98000000a1", "3b", "3b-", "28-\N{SNOWMAN}", "../../etc", "-1-5", "\x00", "a" * 5000]


@pytest.mark.parametrize("address", STRANGE)
def test_an_address_in_the_record_that_is_none(address: str, board: Board) -> None:
    db = connect(board.folder / "probe-agent.db")
    db.execute("INSERT INTO places VALUES (1, 'cyl-1', 1, 0)")
    db.execute("INSERT INTO bindings VALUES (1, 1, 'one-wire', ?, 0, NULL)", (address,))
    db.close()
    found = board.look()
    well_said(found)
    assert [f.level for f in found if f.subject == "cylinder 1"] == ["trouble"]


@pytest.mark.parametrize("offset", [10**17, -(10**17), 2**62, -(2**62)])
def test_a_time_in_the_record_that_no_calendar_has(offset: int, board: Board) -> None:
    db = connect(board.folder / "probe-agent.db")
    db.execute("INSERT INTO boots VALUES (1, 'a', ?, 1)", (offset,))
    db.execute("INSERT INTO ticks VALUES (1, 1, 1000, NULL)")
    db.close()
    well_said(board.look())


def test_a_link_that_leads_to_itself_and_one_that_leads_nowhere(board: Board) -> None:
    for name in ("w1_slave", "ext_power", "status", "password", "copy", "backups"):
        place = board.folder / FILES[name]
        place.unlink(missing_ok=True)
        place.symlink_to(place if name < "f" else "nowhere")
    well_said(board.look())


def test_a_bus_that_hangs_is_told_within_its_deadline(board: Board) -> None:
    tree = W1Tree.__new__(W1Tree)
    tree._root, tree.directory = board.folder, board.folder / FILES["bus"]
    tree.hang(CYL)
    found = board.look()
    well_said(found)
    assert any("hangs" in f.text for f in found if f.subject == "cylinder 1")
    assert [f.level for f in found if f.subject == "outside air"] == ["ok"], "the others are read"
    tree.release(CYL, converter(-10.0, -8.0))


@pytest.fixture
def talker() -> Iterator[tuple[int, list[bytes]]]:
    """Something at a port that answers whatever it is told to: its port, and its next answers."""
    answers: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            while True:
                try:
                    peer, _ = server.accept()
                except OSError:
                    return
                with peer:
                    peer.recv(4096)
                    peer.sendall(answers.pop(0))

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1], answers
        server.shutdown(socket.SHUT_RDWR)
        thread.join(10)


@pytest.mark.parametrize(
    "answer",
    [
        b"SSH-2.0-thing\r\n",
        b"",
        b"\xff" * 100 + b"\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Length: x\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"HTTP/1.1 302 Found\r\nLocation: gopher://x/\r\n\r\n",
        b"HTTP/1.1 302 Found\r\nLocation: http://[/\r\n\r\n",
        b"HTTP/1.1 999 No\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n" + b"a: b\r\n" * 200 + b"\r\n",
    ],
)
def test_something_else_at_the_page_s_port(
    answer: bytes, talker: tuple[int, list[bytes]], board: Board
) -> None:
    port, answers = talker
    answers.append(answer)
    page = msgspec.structs.replace(board.settings.page, port=port)
    found = list(inspection._page(msgspec.structs.replace(board.settings, page=page)))
    well = "Content-Length" in answer.decode("latin-1")  # its head is an answer's
    assert [f.level for f in found] == ["ok" if well else "trouble"], found


def test_an_error_nobody_thought_of_is_told_and_the_rest_goes_on(
    board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    def trips(*_: object) -> Iterator[Finding]:
        raise LookupError("a thing")
        yield

    monkeypatch.setattr(inspection, "_clock", trips)
    found = board.look()
    (clock,) = [f for f in found if f.subject == "clock"]
    assert (clock.level, clock.text) == ("trouble", "could not be looked at: LookupError: a thing")
    assert {"disk", "record", "page", "backup"} <= {f.subject for f in found}


# -- backups made by hand


def backup_said(board: Board) -> tuple[str, str]:
    (found,) = [f for f in board.look() if f.subject == "backup"]
    return found.level, found.text


def note_backup(board: Board, **when: tuple[float, str]) -> None:
    made = {kind: {"at": at, "folder": folder} for kind, (at, folder) in when.items()}
    board.put("backups", json.dumps(made).encode())


def test_a_backup_made_by_hand_counts_beside_the_nightly_copy(board: Board) -> None:
    now = time.time()
    assert backup_said(board) == (
        "note",
        "none by hand is known: a dead card takes record and nightly copy along",
    )
    note_backup(board, same_card=(now, "/home/owner/b"))
    assert backup_said(board) == (
        "note",
        "by hand within a day into /home/owner/b: on the record's own card, and lost with it",
    )
    note_backup(board, same_card=(now, "/home/owner/b"), elsewhere=(now - 3.2 * 86_400, "/media/stick/a"))
    assert backup_said(board) == ("ok", "by hand 3 days ago into /media/stick/a, checked then")
    note_backup(board, elsewhere=(now - 90 * 86_400, "/media/stick/a"))
    level, text = backup_said(board)
    assert level == "note"
    assert text == "the last by hand is of 90 days ago, into /media/stick/a"


@pytest.mark.skipif(not Path("/dev/shm").is_dir(), reason="no second file system")
def test_a_backup_knows_whether_it_lies_on_the_record_s_card(tmp_path: Path) -> None:
    record, other = tmp_path / "s" / "probe-agent.db", Path("/dev/shm") / f"b-{os.getpid()}"
    migrate(record)
    other.mkdir()
    try:
        assert backups.noted(record, record.parent / "before-version-2", 1.0) is None, "install.sh's own"
        (tmp_path / "b").mkdir()
        backups.noted(record, tmp_path / "b", 2.0)
        backups.noted(record, other, 3.0)
        assert backups.known(record) == backups.Known(
            backups.Made(3.0, str(other)), backups.Made(2.0, str(tmp_path / "b"))
        )
        backups.path_of(record).write_bytes(b"\xff")
        backups.noted(record, other, 4.0)
        assert backups.known(record) == backups.Known(backups.Made(4.0, str(other)))
    finally:
        other.rmdir()
    assert sqlite3.connect(record).execute("PRAGMA quick_check").fetchone() == ("ok",)
