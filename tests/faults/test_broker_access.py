"""Who gets into the broker and what each may do there, on a real mosquitto with the files of deploy/broker/.

One board can't write as another; a stranger sees nothing and changes nothing; nobody's command does anything.
"""

from __future__ import annotations

import logging
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
from real_broker import MOSQUITTO, Recorder, retained_on
from scripted import SETTINGS
from secure_broker import Caller, SecureBroker, make_certificates

from probe_agent.broker import BrokerCourier
from probe_agent.clock import awake_and_asleep_s
from probe_agent.config import Broker, parse_settings
from probe_agent.connecting import client_id
from probe_agent.switch import SwitchCourier

pytestmark = pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")

ROOT, DOCUMENT = "homie/5/magpie", "probe-agent/magpie/status"
NOT_AUTHORIZED = 0x87
PLUG = """
[broker]
host = "127.0.0.1"
[switch]
manual_allows_unattended = true
timer_s = 300
command_topic = "plug/magpie/set"
state_topic = "plug/magpie/state"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("access")


@pytest.fixture(scope="module")
def broker(folder: Path) -> Iterator[SecureBroker]:
    with SecureBroker(folder) as made:
        yield made


def courier_of(settings: Broker, device: str = "magpie") -> BrokerCourier:
    return BrokerCourier(settings, device, lambda content: 1, None, "0.1.0", first_delay_s=0.05)


@contextmanager
def running(made: BrokerCourier) -> Iterator[BrokerCourier]:
    made.start()
    try:
        made.publish(samples.heating())
        yield made
    finally:
        made.stop()


def wait_until(true: Callable[[], object], timeout_s: float = 30.0) -> None:
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.01)


def retained(broker: SecureBroker) -> dict[str, bytes]:
    """All that the hub sees retained."""
    found = retained_on(broker.port, tls=broker.as_("hub"), end="recorder/hub/end")
    return {topic: seen.payload for topic, seen in found.items()}


@pytest.fixture
def magpie(broker: SecureBroker) -> Iterator[BrokerCourier]:
    """The board at work, everything of it retained."""
    with broker.recorder("hub") as recorder, running(courier_of(broker.settings("magpie"))) as made:
        recorder.wait_for_message(f"{ROOT}/$state", b"ready")
        recorder.wait_for(lambda: DOCUMENT in recorder.retained())
        wait_until(lambda: made._announced is not None)
        yield made


WRITTEN = (
    f"{ROOT}/$state",
    f"{ROOT}/$description",
    f"{ROOT}/engine/state",
    f"{ROOT}/engine/verdict",
    f"{ROOT}/engine/target/set",
    f"{ROOT}/$alert/too-hot",
    DOCUMENT,
    "plug/magpie/set",
    "plug/magpie/state",
    "weather/field",
    "homie/5/$broadcast/alert",
    "$SYS/broker/uptime",
)


def test_a_board_writes_and_the_hub_reads(broker: SecureBroker, magpie: BrokerCourier) -> None:
    seen = retained(broker)
    assert seen[f"{ROOT}/engine/state"] == b"heating"
    assert DOCUMENT in seen
    assert magpie.trouble is None


@pytest.mark.parametrize("who", ["kestrel", "hub", "plug-magpie"])
def test_nobody_writes_as_another_board(broker: SecureBroker, magpie: BrokerCourier, who: str) -> None:
    before = retained(broker)
    own = {"plug-magpie": ("plug/magpie/state",)}.get(who, ())
    with broker.recorder("hub") as hub, Caller(broker.port, broker.as_(who)) as caller:
        for topic in (t for t in WRITTEN if t not in own):
            for payload, retain in ((b"ready to start", True), (b"", True), (b"on", False)):
                assert caller.publish(topic, payload, retain) == NOT_AUTHORIZED, topic
        mark = publish_mark(broker)
        hub.wait_for_message("homie/5/kestrel/mark", mark)
        assert [s.topic for s in hub.stream if s.topic.startswith((ROOT, "probe-agent"))] == []
    assert {t: p for t, p in retained(broker).items() if "kestrel" not in t} == {
        t: p for t, p in before.items() if "kestrel" not in t
    }


def publish_mark(broker: SecureBroker) -> bytes:
    """A message that is allowed, which comes after all that was not."""
    with Caller(broker.port, broker.as_("kestrel")) as caller:
        mark = str(time.monotonic_ns()).encode()
        assert caller.publish("homie/5/kestrel/mark", mark, False) < 0x80
    return mark


def test_a_will_says_nothing_as_another_board(broker: SecureBroker, magpie: BrokerCourier) -> None:
    """A will is published by the broker itself, once its client is gone."""
    with broker.recorder("hub") as hub:
        try:
            with Caller(broker.port, broker.as_("kestrel"), will=(f"{ROOT}/$state", b"lost")) as caller:
                caller.break_off()
        except OSError:
            pass  # refused at once is as good
        hub.wait_for_message("homie/5/kestrel/mark", publish_mark(broker))
        assert not [s for s in hub.stream if s.topic.startswith(ROOT)]


def test_a_daemon_under_another_boards_name_is_told_and_changes_nothing(
    broker: SecureBroker, magpie: BrokerCourier, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = retained(broker)
    monkeypatch.setattr("probe_agent.broker.client_id", lambda device: "another-board")
    with running(courier_of(broker.settings("kestrel"), "magpie")) as other:
        wait_until(lambda: other.trouble is not None)
        assert "refuses" in str(other.trouble)
        assert "access rules" in str(other.trouble)
    assert retained(broker) == before
    assert magpie.trouble is None


@pytest.mark.parametrize("filters", [("#",), ("homie/5/magpie/#", DOCUMENT, "plug/#"), ("$SYS/#",)])
def test_one_board_sees_nothing_of_another(
    broker: SecureBroker, magpie: BrokerCourier, filters: tuple[str, ...]
) -> None:
    with broker.recorder("hub") as hub, broker.recorder("kestrel", *filters) as spy:
        magpie.publish(samples.ready())
        hub.wait_for_message(f"{ROOT}/engine/state", b"ready")
        mark = publish_mark(broker)
        if filters == ("#",):
            spy.wait_for_message("homie/5/kestrel/mark", mark)
        assert [t for t in (*spy.old, *(s.topic for s in spy.stream)) if "kestrel" not in t] == []


def stranger(kind: str, broker: SecureBroker, folder: Path) -> Callable[[], Caller]:
    """Somebody who isn't one of ours: how they would connect."""
    if kind == "plain":
        return lambda: Caller(broker.port, None)
    if kind == "no certificate":
        return lambda: Caller(broker.port, broker.as_(None))
    if kind == "taken back":
        return lambda: Caller(broker.port, broker.as_("lost-board", folder))
    theirs = folder / "theirs"
    if not theirs.exists():
        made = make_certificates(theirs, "127.0.0.1", "magpie")
        assert made.returncode == 0, made.stderr
    return lambda: Caller(broker.port, broker.as_("magpie", theirs))


@pytest.mark.parametrize("kind", ["plain", "no certificate", "another authority", "taken back"])
def test_a_stranger_gets_in_nowhere(
    broker: SecureBroker, magpie: BrokerCourier, folder: Path, kind: str
) -> None:
    before, call = retained(broker), stranger(kind, broker, folder)
    with pytest.raises(OSError), call() as caller:  # noqa: PT011 - what is said differs by kind and version
        caller.publish(f"{ROOT}/engine/state", b"ready")
    assert retained(broker) == before


def test_a_strangers_command_reaches_no_plug(broker: SecureBroker, folder: Path) -> None:
    """The line and the plug at work, each with a certificate of its own: the plug hears off, nothing else."""
    settings = parse_settings((SETTINGS + PLUG).encode(), "test.toml")
    settings = msgspec.structs.replace(settings, broker=broker.settings("magpie"))
    assert settings.switch is not None
    line = SwitchCourier(settings, settings.switch, client_id("plug-magpie"), None)
    plug = Recorder(
        broker.port, "plug/magpie/set", tls=broker.as_("plug-magpie"), end="recorder/plug-magpie/end"
    )
    with plug:
        line.order("off", awake_and_asleep_s())
        line.start()
        try:
            plug.wait_for_message("plug/magpie/set", b"off")
            for who in ("kestrel", "hub"):
                with Caller(broker.port, broker.as_(who)) as caller:
                    for retain in (False, True):
                        assert caller.publish("plug/magpie/set", b"on", retain) == NOT_AUTHORIZED
            for kind in ("plain", "no certificate", "another authority", "taken back"):
                with pytest.raises(OSError), stranger(kind, broker, folder)() as caller:  # noqa: PT011
                    caller.publish("plug/magpie/set", b"on")
            with Caller(broker.port, broker.as_("plug-magpie")) as caller:
                assert caller.publish("plug/magpie/state", b"off") < 0x80
            wait_until(lambda: line.seen().on is False)
            line.off()
            plug.wait_for_message("plug/magpie/set", b"off", after=1)
            assert {s.payload for s in plug.stream} == {b"off"}
            assert line.trouble is None
        finally:
            line.stop()


def test_nothing_of_the_board_is_settable(broker: SecureBroker, magpie: BrokerCourier) -> None:
    """Even whoever may write under a board's name, the board itself, commands nothing by /set."""
    before = {t: p for t, p in retained(broker).items() if t.startswith(ROOT)}
    with Caller(broker.port, broker.as_("magpie")) as caller, broker.recorder("hub") as hub:
        for topic in [t for t in before if not t.startswith(f"{ROOT}/$")]:
            assert caller.publish(f"{topic}/set", b"1", False) < 0x80
        magpie.publish(samples.heating())
        hub.wait_for_message("homie/5/kestrel/mark", publish_mark(broker))
    assert {t: p for t, p in retained(broker).items() if t.startswith(ROOT)} == before


# -- what the daemon itself demands


@pytest.mark.filterwarnings(
    "ignore::pytest.PytestUnraisableExceptionWarning"
)  # sockets paho leaves to be freed
def test_a_broker_of_another_authority_or_name_is_not_spoken_to(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    with SecureBroker(tmp_path / "other", "some.other.example") as other:
        wrong_name = other.settings("magpie")
        assert make_certificates(tmp_path / "theirs", "127.0.0.1", "magpie").returncode == 0
        wrong_ca = other.settings("magpie", ca_file=str(tmp_path / "theirs" / "ca.pem"))
        own_list = other.settings("magpie", ca_file=None)
        for settings, said in (
            (wrong_name, "mismatch"),
            (wrong_ca, "not accepted"),
            (own_list, "not accepted"),
        ):
            with running(courier_of(settings)) as made:
                wait_until(lambda made=made: made.trouble is not None)  # type: ignore[misc]
                assert said in str(made.trouble), made.trouble
                assert "its certificate is not accepted" in str(made.trouble)


def test_a_key_that_others_can_read_or_nobody_is_not_used(broker: SecureBroker, tmp_path: Path) -> None:
    key = tmp_path / "magpie.key"
    key.write_bytes((broker.certs / "magpie.key").read_bytes())
    key.chmod(0o640)
    with running(courier_of(broker.settings("magpie", key_file=str(key)))) as made:
        wait_until(lambda: made.trouble is not None)
        assert f"others than its owner can read broker.key_file {key} (mode 0640): set it to 0600" in str(
            made.trouble
        )
        key.chmod(0o600)
        wait_until(lambda: made.trouble is None, 20)
    locked = tmp_path / "locked.key"
    subprocess.run(
        ["openssl", "ec", "-in", str(key), "-aes256", "-passout", "pass:geheim", "-out", str(locked)],
        check=True,
        capture_output=True,
    )
    locked.chmod(0o600)
    for file in (locked, tmp_path / "none.key"):
        with running(courier_of(broker.settings("magpie", key_file=str(file)))) as made:
            wait_until(lambda made=made: made.trouble is not None)  # type: ignore[misc]
            assert "can't be used" in str(made.trouble)


def test_a_certificate_the_broker_refuses_is_said(broker: SecureBroker, folder: Path) -> None:
    for settings in (
        broker.settings("magpie", cert_file=None, key_file=None),
        broker.settings("magpie", cert_file=f"{folder}/lost-board.pem", key_file=f"{folder}/lost-board.key"),
    ):
        with running(courier_of(settings)) as made:
            wait_until(lambda made=made: made.trouble is not None)  # type: ignore[misc]
            assert "certificate" in str(made.trouble), made.trouble


def test_no_log_holds_a_key(
    broker: SecureBroker, magpie: BrokerCourier, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    with running(courier_of(broker.settings("kestrel"), "kestrel")) as made:
        wait_until(lambda: made._announced is not None)
    broker_said = broker.log
    for key in broker.certs.glob("*.key"):
        for line in key.read_text("ascii").splitlines()[1:-1]:
            assert line not in caplog.text
            assert line not in broker_said


def test_the_command_makes_what_is_missing_and_leaves_the_rest(tmp_path: Path) -> None:
    first = make_certificates(tmp_path / "c", "hub.example.org,192.0.2.7", "magpie")
    assert first.returncode == 0, first.stderr
    made = {file.name: file.read_bytes() for file in (tmp_path / "c").iterdir()}
    assert make_certificates(tmp_path / "c", "hub.example.org", "kestrel").returncode == 0
    for name, content in made.items():
        assert (tmp_path / "c" / name).read_bytes() == content, name
    for name in ("ca", "server", "hub", "magpie", "kestrel"):
        assert (tmp_path / "c" / f"{name}.key").stat().st_mode & 0o777 == 0o600
        assert (tmp_path / "c" / f"{name}.pem").exists()
    for wrong in ("Magpie", "../magpie", "ca", "-x", "a b"):
        refused = make_certificates(tmp_path / "c", "hub.example.org", wrong)
        assert refused.returncode != 0
        assert "a name has a-z" in refused.stderr
    (tmp_path / "c" / "ca.key").unlink()
    assert "Put the key beside it" in make_certificates(tmp_path / "c", "x", "new").stderr
