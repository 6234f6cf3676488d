"""A hub and its boards with what one command has made for them, on real mosquittos: boards that speak to the
hub themselves, and boards with a mosquitto of their own that is bridged to it over a line that breaks."""

from __future__ import annotations

import os
import resource
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

import status_samples as samples
from club_brokers import BridgedBoard, ClubHub, make_club, needs_mosquitto
from real_broker import Recorder, publish_once, retained_on
from secure_broker import Caller

from probe_agent import broker as courier
from probe_agent.broker import DOCUMENT_EXPIRY_S, VALUE_EXPIRY_S, BrokerCourier
from probe_agent.config import Broker

pytestmark = needs_mosquitto

NOT_AUTHORIZED = 0x87
DEADLINE_S = 30.0


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("club") / "made"
    for arguments in (
        ("127.0.0.1,localhost", "magpie", "kestrel", "lost-board"),
        *2 * [("circuit", "magpie", "kestrel")],
    ):
        made = make_club(folder, *arguments)
        assert made.returncode == 0, made.stderr
    return folder


@pytest.fixture
def hub(club: Path, tmp_path: Path) -> Iterator[ClubHub]:
    with ClubHub(club, tmp_path / "hub") as made:
        yield made


@pytest.fixture
def board(hub: ClubHub, tmp_path: Path) -> Iterator[BridgedBoard]:
    """Magpie's own mosquitto, its line to the hub standing."""
    with BridgedBoard(hub, "magpie", tmp_path / "magpie") as made:
        with hub.recorder("hub") as seen:
            seen.wait_for(lambda: seen.retained().get("probe-agent/magpie/line") == b"1", DEADLINE_S)
        yield made


@contextmanager
def daemon(settings: Broker, device: str = "magpie") -> Iterator[BrokerCourier]:
    made = BrokerCourier(settings, device, lambda content: 1, None, "0.4.0", first_delay_s=0.05)
    made.start()
    made.publish(samples.heating())
    try:
        yield made
    finally:
        made.stop()


def at_hub(hub: ClubHub) -> dict[str, bytes]:
    """All that the hub retains, but what bridges say of themselves."""
    found = retained_on(hub.port, tls=hub.as_("hub"), end="recorder/hub/end")
    return {t: s.payload for t, s in found.items() if not t.endswith("/line")}


def at_board(board: BridgedBoard) -> dict[str, bytes]:
    return {t: s.payload for t, s in retained_on(board.port).items() if not t.endswith("/line")}


def wait_until(true: Callable[[], object], timeout_s: float = DEADLINE_S) -> None:
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.05)


def wait_for(seen: Recorder, topic: str, payload: bytes) -> None:
    seen.wait_for(lambda: seen.retained().get(topic) == payload, DEADLINE_S)


# -- the command


def test_run_again_it_adds_boards_and_leaves_the_rest(club: Path, tmp_path: Path) -> None:
    folder = tmp_path / "c"
    assert make_club(folder, "hub.example.org,192.0.2.7", "magpie").returncode == 0
    (folder / "hub" / "acl").write_text("# the owner's own\n", "utf-8")
    before = {f: f.read_bytes() for f in folder.rglob("*") if f.is_file()}
    again = make_club(folder, "hub.example.org", "kestrel")
    assert again.returncode == 0, again.stderr
    assert {f: f.read_bytes() for f in before} == before
    for name in (
        "bridge.conf",
        "bridged.toml",
        "direct.toml",
        "COPY",
        "ca.pem",
        "kestrel.pem",
        "kestrel.key",
    ):
        assert (folder / "kestrel" / name).stat().st_mode & 0o077 == 0, name
    text = (folder / "kestrel" / "bridge.conf").read_text("utf-8")
    assert "address hub.example.org:8883" in text
    assert "@" not in text
    assert "magpie" not in text


def test_who_shares_a_circuit_hears_the_others_and_never_itself(club: Path) -> None:
    for board, other in (("magpie", "kestrel"), ("kestrel", "magpie")):
        heard = [
            x
            for x in (club / board / "bridge.conf").read_text("utf-8").splitlines()
            if x.endswith("circuit in 1")
        ]
        assert heard == [f"topic probe-agent/{other}/circuit in 1"]
    assert "topic probe-agent/magpie/circuit in" not in (club / "lost-board" / "bridge.conf").read_text(
        "utf-8"
    )


def test_what_is_meant_for_one_is_in_no_other_folder(club: Path) -> None:
    keys = {f.name: f.read_bytes() for f in (club / "keys").glob("*.key")}
    owners = {"hub.key": "page", "server.key": "hub/certs", "lines.key": "hub/certs"}
    for name, key in keys.items():
        where = {f.parent for f in club.rglob("*") if f.is_file() and f.read_bytes() == key}
        own = set() if name == "ca.key" else {club / owners.get(name, name.removesuffix(".key"))}
        assert where == {club / "keys", *own}, name


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("hub.example.org",), "usage"),
        (("hub.example.org", "Magpie"), "a name has a-z"),
        (("hub.example.org", "../magpie"), "a name has a-z"),
        (("hub.example.org", "hub"), "this name is taken"),
        (("hub.example.org; rm", "magpie"), "name or an IPv4 address"),
        (("revoke", "heron"), "There is no certificate heron.pem"),
        (("revoke", "../hub"), "There is no certificate"),
        (("circuit", "magpie", "heron"), "There is no board magpie"),
    ],
)
def test_what_it_cannot_do_it_says(tmp_path: Path, arguments: tuple[str, ...], said: str) -> None:
    refused = make_club(tmp_path / "c", *arguments)
    assert refused.returncode != 0
    assert said in refused.stderr
    assert not (tmp_path / "c" / "hub").exists()


def test_a_board_taken_back_gets_in_no_more(club: Path, tmp_path: Path) -> None:
    folder = tmp_path / "made"
    subprocess.run(["cp", "-r", str(club), str(folder)], check=True)
    with ClubHub(folder, tmp_path / "hub") as hub:
        lost, kept = hub.as_("lost-board"), hub.as_("kestrel")
        with Caller(hub.port, lost) as caller:
            assert caller.publish("homie/5/lost-board/mark", b"1") < 0x80
        taken = make_club(folder, "revoke", "lost-board")
        assert taken.returncode == 0, taken.stderr
        assert not (folder / "lost-board").exists()
        hub.kill()
        hub.start()
        with pytest.raises(OSError), Caller(hub.port, lost) as caller:  # noqa: PT011 - words differ by version
            caller.publish("homie/5/lost-board/mark", b"2")
        with Caller(hub.port, kept) as caller:
            assert caller.publish("homie/5/kestrel/mark", b"1") < 0x80


# -- a board that speaks to the hub itself


def test_a_direct_board_is_seen_by_the_hub_and_lost_when_it_is_gone(hub: ClubHub) -> None:
    with hub.recorder("hub") as seen, daemon(hub.direct("magpie")) as made:
        wait_for(seen, "homie/5/magpie/$state", b"ready")
        wait_for(seen, "homie/5/magpie/engine/state", b"heating")
        seen.wait_for(lambda: "probe-agent/magpie/status" in seen.retained(), DEADLINE_S)
        assert made.trouble is None
    will = ("homie/5/magpie/$state", b"lost")
    with Caller(hub.port, hub.as_("magpie"), will=will) as caller, hub.recorder("hub") as seen:
        caller.break_off()
        wait_for(seen, "homie/5/magpie/$state", b"lost")


# -- who may do what


def test_the_hubs_reader_writes_what_has_arrived_and_nothing_else(hub: ClubHub) -> None:
    with Caller(hub.port, hub.as_("hub")) as page, hub.recorder("magpie", "probe-agent/magpie/#") as magpie:
        assert page.publish("probe-agent/magpie/history/arrived", b"{}") < 0x80
        wait_for(magpie, "probe-agent/magpie/history/arrived", b"{}")
        for topic in (
            "probe-agent/magpie/history",
            "probe-agent/magpie/status",
            "probe-agent/magpie/circuit",
            "probe-agent/magpie/line",
            "homie/5/magpie/$state",
            "homie/5/magpie/engine/state",
        ):
            assert page.publish(topic, b"x") == NOT_AUTHORIZED, topic
    with Caller(hub.port, hub.as_("lines")) as lines:
        assert lines.publish("homie/5/magpie/$state", b"lost") < 0x80
        for topic in ("homie/5/magpie/engine/state", "probe-agent/magpie/line", "probe-agent/magpie/status"):
            assert lines.publish(topic, b"x") == NOT_AUTHORIZED, topic


def test_boards_read_one_anothers_circuit_and_nothing_else(hub: ClubHub) -> None:
    with hub.recorder("kestrel", "#") as kestrel, Caller(hub.port, hub.as_("magpie")) as magpie:
        for topic in ("history", "status", "line", "history/arrived", "circuit"):
            assert magpie.publish(f"probe-agent/magpie/{topic}", b"mine") < 0x80
        wait_for(kestrel, "probe-agent/magpie/circuit", b"mine")
        assert {s.topic for s in kestrel.stream} == {"probe-agent/magpie/circuit"}
        assert magpie.publish("probe-agent/kestrel/circuit", b"theirs") == NOT_AUTHORIZED


# -- a board over its bridge


def test_a_bridged_board_arrives_whole_and_lost_when_its_daemon_is_gone(
    hub: ClubHub, board: BridgedBoard
) -> None:
    with hub.recorder("hub") as seen:
        with daemon(board.settings()) as made:
            wait_for(seen, "homie/5/magpie/$state", b"ready")
            made.publish(samples.too_hot())
            wait_for(seen, "homie/5/magpie/engine/state", b"too-hot")
            wait_until(lambda: at_hub(hub) == at_board(board))
            assert any(t.startswith("homie/5/magpie/$alert/") for t in at_hub(hub))
            made.publish(samples.heating())
            wait_until(lambda: not any("$alert" in t for t in at_hub(hub)))
            assert made.trouble is None
        wait_for(seen, "homie/5/magpie/$state", b"disconnected")
    will = ("homie/5/magpie/$state", b"lost")
    with Caller(board.port, None, will=will) as caller, hub.recorder("hub") as seen:
        caller.break_off()
        wait_for(seen, "homie/5/magpie/$state", b"lost")


def test_over_a_bridge_age_goes_on_counting(hub: ClubHub, board: BridgedBoard) -> None:
    """The expiry that the hub has of a message is what was left of it, and so falls from there."""
    topic = "probe-agent/magpie/status"
    with daemon(board.settings()), hub.recorder("hub") as seen:
        seen.wait_for(lambda: topic in seen.retained(), DEADLINE_S)
        message = next(s for s in (*seen.old.values(), *seen.stream) if s.topic == topic)
        assert {"ts", "run"} <= {key for key, _ in message.user}
        assert message.expiry_s is not None
        assert 0 < message.expiry_s <= DOCUMENT_EXPIRY_S

        def left(name: str) -> int:
            kept = retained_on(hub.port, tls=hub.as_("hub"), end="recorder/hub/end")
            return kept[name].expiry_s or 0

        value = "homie/5/magpie/sump/temperature"
        seen.wait_for(lambda: value in seen.retained(), DEADLINE_S)
        assert 0 < left(value) <= VALUE_EXPIRY_S
        first = left(topic)
        wait_until(lambda: 0 < left(topic) < first)


def test_through_its_bridge_a_board_writes_as_nobody_else(hub: ClubHub, board: BridgedBoard) -> None:
    others = (
        "homie/5/kestrel/engine/state",
        "probe-agent/kestrel/status",
        "plug/kestrel/set",
        "weather/field",
    )
    with Caller(hub.port, hub.as_("kestrel")) as kestrel:
        assert kestrel.publish(others[0], b"cold") < 0x80
    # What is made forwards nothing of it; nor does the hub take it of a bridge that was changed to try.
    for change in ((), (("$state out 1\n", "$state out 1\ntopic # out 1\n"),)):
        board.kill()
        board.configure(*change)
        board.start()
        with hub.recorder("hub") as seen:
            wait_for(seen, "probe-agent/magpie/line", b"1")
            for topic in others:
                publish_once(board.port, topic, b"ready to start")
            mark = str(time.monotonic_ns()).encode()
            publish_once(board.port, "homie/5/magpie/engine/mark", mark)
            wait_for(seen, "homie/5/magpie/engine/mark", mark)
            assert not [s for s in seen.stream if "magpie" not in s.topic]
        assert {t: p for t, p in at_hub(hub).items() if "magpie" not in t} == {others[0]: b"cold"}


def test_receipts_and_circuits_come_in_over_the_bridge(hub: ClubHub, board: BridgedBoard) -> None:
    receipt, asked = "probe-agent/magpie/history/arrived", "probe-agent/kestrel/circuit"
    with Recorder(board.port) as seen:
        with Caller(hub.port, hub.as_("hub")) as page, Caller(hub.port, hub.as_("kestrel")) as kestrel:
            page.publish(receipt, b"17")
            page.publish("probe-agent/kestrel/history/arrived", b"18")
            kestrel.publish("homie/5/kestrel/$state", b"ready")
            kestrel.publish(asked, b"2000 W")
        wait_for(seen, receipt, b"17")
        wait_for(seen, asked, b"2000 W")
        assert {s.topic for s in seen.stream} == {receipt, asked}


# -- a line that breaks


def changed_meanwhile(made: BrokerCourier, board: BridgedBoard) -> None:
    """What happens at the board while nobody hears it: an alert comes and goes, another stands, history."""
    for status in (samples.probe_missing(), samples.heating(), samples.too_hot()):
        made.publish(status)
        tree = courier.homie_tree(status, "0.4.0")
        wanted = {f"homie/5/magpie/{t}": p for t, p in (*tree.values.items(), *tree.alerts.items())}

        def there(wanted: dict[str, bytes] = wanted) -> bool:
            mine = {t: p for t, p in at_board(board).items() if t in wanted or "$alert" in t}
            return mine == wanted

        wait_until(there)
    for number in range(50):
        publish_once(board.port, "probe-agent/magpie/history", b"%d" % number, retain=False)
    publish_once(board.port, "probe-agent/magpie/circuit", b"new")


def test_after_a_broken_line_all_that_is_retained_is_right_and_history_whole(
    hub: ClubHub, board: BridgedBoard
) -> None:
    publish_once(board.port, "probe-agent/magpie/circuit", b"old")
    with hub.recorder("hub") as seen, daemon(board.settings()) as made:
        made.publish(samples.probe_missing())
        seen.wait_for(lambda: any("$alert/probe" in t for t in seen.retained()), DEADLINE_S)
        wait_for(seen, "probe-agent/magpie/circuit", b"old")
        board.line.cut()
        wait_for(seen, "probe-agent/magpie/line", b"0")
        changed_meanwhile(made, board)
        board.line.mend()
        wait_for(seen, "probe-agent/magpie/line", b"1")
        wait_for(seen, "probe-agent/magpie/circuit", b"new")
        wait_until(lambda: only_dying_values_differ(hub, board))
        arrived = [int(s.payload) for s in seen.stream if s.topic == "probe-agent/magpie/history"]
        assert sorted(set(arrived)) == list(range(50))
        assert at_board(board)["probe-agent/magpie/circuit"] == b"new"


def only_dying_values_differ(hub: ClubHub, board: BridgedBoard) -> bool:
    """Whether the hub retains what the board does. A value deleted while the line was down may still be
    there, within its 20 minutes; an alert, a state or a description may not."""
    kept = retained_on(hub.port, tls=hub.as_("hub"), end="recorder/hub/end")
    mine = at_board(board)
    left = [s for t, s in kept.items() if t not in mine and not t.endswith("/line")]
    same = all(t in kept and kept[t].payload == payload for t, payload in mine.items())
    return same and all(s.expiry_s is not None and s.expiry_s <= VALUE_EXPIRY_S for s in left)


def test_a_hub_that_comes_back_knowing_nothing_is_told_all(
    hub: ClubHub, board: BridgedBoard, tmp_path: Path
) -> None:
    with daemon(board.settings()) as made:
        made.publish(samples.too_hot())
        wait_until(lambda: at_hub(hub) == at_board(board) and "homie/5/magpie/$description" in at_hub(hub))
        hub.kill()
        (tmp_path / "hub" / "mosquitto.db").unlink(missing_ok=True)
        hub.start()
        wait_until(lambda: at_hub(hub) == at_board(board))


def test_a_broken_line_is_said_as_lost_and_as_ready_again(
    hub: ClubHub, board: BridgedBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """lines.sh at the hub. Its word may come after the line is back: the daemon says its state again."""
    monkeypatch.setattr(courier, "REFRESH_S", 1.0)
    state = "homie/5/magpie/$state"
    with lines_told(hub), hub.recorder("hub") as seen, daemon(board.settings()) as made:
        wait_for(seen, state, b"ready")
        board.line.cut()
        wait_for(seen, state, b"lost")
        board.line.mend()
        wait_for(seen, "probe-agent/magpie/line", b"1")
        with Caller(hub.port, hub.as_("lines")) as late:
            late.publish(state, b"lost")

        def ready_again() -> bool:
            made.publish(msgspec.structs.replace(samples.heating()))
            return at_hub(hub)[state] == b"ready"

        wait_until(ready_again)
        board.kill()  # the board's broker gone is no less silence
        wait_for(seen, state, b"lost")


def test_who_is_back_before_its_turn_is_not_said_to_be_lost(hub: ClubHub) -> None:
    line, state = "probe-agent/kestrel/line", "homie/5/kestrel/$state"
    with lines_told(hub), hub.recorder("hub") as seen, Caller(hub.port, hub.as_("kestrel")) as kestrel:
        assert kestrel.publish(state, b"ready") < 0x80
        assert kestrel.publish(line, b"1") < 0x80
        assert kestrel.publish(line, b"0", retain=False) < 0x80  # what was so when the turn was waited for
        with Caller(hub.port, hub.as_("magpie")) as magpie:
            assert magpie.publish("probe-agent/magpie/line", b"0") < 0x80
        wait_for(seen, "homie/5/magpie/$state", b"lost")
        assert seen.retained()[state] == b"ready"
        assert kestrel.publish(line, b"0") < 0x80
        wait_for(seen, state, b"lost")


@contextmanager
def lines_told(hub: ClubHub) -> Iterator[None]:
    """lines.sh at work, as its unit starts it."""
    command = ["sh", str(hub.club / "hub/lines.sh"), str(hub.club / "hub/certs"), "127.0.0.1", str(hub.port)]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, start_new_session=True)
    try:
        wait_until(lambda: "lines" in hub.log)
        yield
        assert process.poll() is None
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(10)
        assert process.stderr is not None
        process.stderr.close()


@pytest.mark.long
def test_a_line_that_only_falls_silent_is_known_within_a_minute(hub: ClubHub, board: BridgedBoard) -> None:
    """No end of a connection is seen: the board stands still, as behind a router that is switched off."""
    with hub.recorder("hub") as seen:
        wait_for(seen, "probe-agent/magpie/line", b"1")
        board.signal(signal.SIGSTOP)
        began_s = time.monotonic()
        seen.wait_for(lambda: seen.retained().get("probe-agent/magpie/line") == b"0", 60.0)
        print(f"known after {time.monotonic() - began_s:.0f} s")
        board.signal(signal.SIGCONT)
        wait_for(seen, "probe-agent/magpie/line", b"1")


# -- as large as a club may be


def test_a_reader_gets_all_that_is_retained_at_once(hub: ClubHub) -> None:
    """3,000 retained messages, three times what mosquitto queues unless told otherwise."""
    with Caller(hub.port, hub.as_("kestrel")) as kestrel:
        for number in range(3000):
            kestrel._client.publish(f"homie/5/kestrel/n{number}/c", b"1.0", qos=0, retain=True)
        assert kestrel.publish("homie/5/kestrel/$state", b"ready") < 0x80
    found = retained_on(hub.port, "homie/5/#", tls=hub.as_("hub"), end="recorder/hub/end")
    assert len(found) == 3001


CONNECT = bytes((0x10, 13, 0, 4, *b"MQTT", 5, 2, 0, 60, 0, 0, 0))
"""MQTT 5, 3.1: clean start, 60 s of keepalive, no properties, a client ID that the broker gives."""


def connections(hub: ClubHub, most: int) -> list[ssl.SSLSocket]:
    """As many as the hub takes, up to `most`."""
    context, taken = hub.as_("kestrel"), []
    for _ in range(most):
        sock = socket.create_connection(("127.0.0.1", hub.port), timeout=10)
        try:
            line = context.wrap_socket(sock, server_hostname="127.0.0.1")
            line.sendall(CONNECT)
            if not line.recv(100).startswith(b"\x20"):
                raise ConnectionError("no CONNACK")
        except OSError:
            sock.close()
            return taken
        taken.append(line)
    return taken


@pytest.mark.long
@pytest.mark.parametrize("files", [1024, 16384])
def test_a_thousand_boards_need_the_limit_that_is_shipped(hub: ClubHub, club: Path, files: int) -> None:
    """Without limits.conf the hub ends at systemd's 1,024 files; with it 1,200 are connected at once."""
    assert "LimitNOFILE=16384" in (club / "hub" / "limits.conf").read_text("utf-8")
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 8192), hard))
    assert hub._process is not None
    resource.prlimit(hub._process.pid, resource.RLIMIT_NOFILE, (files, files))
    taken = connections(hub, 1200)
    memory = Path(f"/proc/{hub._process.pid}/status").read_text("ascii").split("VmRSS:")[1].split()[0]
    print(f"{files} files: {len(taken)} connections, {memory} kB resident")
    for line in taken:
        line.close()
    assert len(taken) == 1200 if files > 1200 else 900 < len(taken) < files
