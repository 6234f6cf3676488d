"""Strangers' Homie programs before the broker that deploy/broker ships: TLS, rules, certificates by club.sh.

A program that shows Homie devices is given a name by `club.sh FOLDER reader NAME`. With it, it lists all
boards, reads their values and alerts and sees who is lost; it writes nothing. Without a certificate, or with
a board's, it sees nothing of others.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import pytest
import status_samples as samples
from boards import FLEET, club, tree_of, wait_until
from club_brokers import ClubHub, make_club, needs_mosquitto
from node_homie import MISSING, NODE, NPM
from node_homie import Listening as NodeHomie
from secure_broker import Caller
from test_controller import hold_against_ours, listening
from test_node_homie import agrees
from test_node_homie import hold_against_ours as hold_node_homie_against_ours

from probe_agent import broker as courier
from probe_agent.broker import BrokerCourier

pytestmark = [
    needs_mosquitto,
    pytest.mark.filterwarnings(
        "ignore:Callback API version 1:DeprecationWarning"
    ),  # the stranger's, not ours
]
node_homie = [pytest.mark.long, pytest.mark.skipif(not (NODE and NPM), reason=MISSING)]
NOT_AUTHORIZED = 0x87
READER = "hangar-panel"


@pytest.fixture(autouse=True)
def _quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(courier, "ROUND_EVERY_S", 0.05)
    monkeypatch.setattr(courier, "_PUMP_S", 0.05)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All boards of FLEET, and a reader, made in README's two commands."""
    folder = tmp_path_factory.mktemp("club") / "made"
    for arguments in (("127.0.0.1,localhost", *FLEET), *2 * [("reader", READER)]):
        done = make_club(folder, *arguments)
        assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def hub(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[ClubHub]:
    with ClubHub(made, tmp_path_factory.mktemp("hub") / "hub") as started:
        yield started


@pytest.fixture
def boards(hub: ClubHub) -> Iterator[dict[str, BrokerCourier]]:
    with club(hub.direct) as couriers:
        yield couriers


def files_of(made: Path, name: str) -> list[Path]:
    where = made / ("page" if name == "hub" else name)
    return [where / "ca.pem", where / f"{name}.pem", where / f"{name}.key"]


def as_(made: Path, name: str | None) -> dict[str, Any]:
    """What the controller is told to come as somebody, or as nobody."""
    ca, cert, key = map(str, files_of(made, name or READER))
    tls = {"use_tls": True, "tls_insecure": False, "tls_ca_cert": ca}
    return tls if name is None else {**tls, "tls_client_cert": cert, "tls_client_key": key}


# -- who reads


@pytest.mark.parametrize("name", [READER, "hub"])
def test_a_controller_lists_all_boards_and_reads_values_and_alerts(
    hub: ClubHub, made: Path, boards: dict[str, BrokerCourier], name: str
) -> None:
    with listening(hub.port, **as_(made, name)) as stranger:
        hold_against_ours(stranger)


def one_that_dies(hub: ClubHub) -> subprocess.Popen[bytes]:
    """Magpie in a process of its own, as its direct.toml has it."""
    text = (hub.club / "magpie/direct.toml").read_text("utf-8")
    text = text.replace("port = 8883", f"port = {hub.port}").replace(
        "/etc/probe-agent", str(hub.club / "magpie")
    )
    return subprocess.Popen([sys.executable, "-c", DAEMON, text, str(Path(__file__).parent)])


DAEMON = """
import sys, threading
sys.path.insert(0, sys.argv[2])
import boards
from club_brokers import settings_of
with boards.club(lambda _: settings_of(sys.argv[1]), "magpie") as couriers:
    while True:
        couriers["magpie"].publish(boards.FLEET["magpie"]())
        threading.Event().wait(0.05)
"""


def test_a_controller_sees_who_is_lost(hub: ClubHub, made: Path) -> None:
    with listening(hub.port, **as_(made, READER)) as stranger:
        process = one_that_dies(hub)
        try:
            wait_until(lambda: stranger.has("magpie", tree_of(samples.heating())))
        finally:
            process.send_signal(signal.SIGKILL)
            process.wait(10)
        wait_until(lambda: stranger.state("magpie") == "lost")
        with listening(hub.port, **as_(made, READER)) as later:
            wait_until(lambda: later.state("magpie") == "lost")


def test_a_boards_certificate_shows_that_board_alone(
    hub: ClubHub, made: Path, boards: dict[str, BrokerCourier]
) -> None:
    with listening(hub.port, **as_(made, "kestrel")) as stranger:
        wait_until(lambda: stranger.has("kestrel", tree_of(FLEET["kestrel"]())))
        boards["magpie"].publish(samples.ready())
        boards["kestrel"].publish(samples.cold())
        wait_until(lambda: stranger.has("kestrel", tree_of(samples.cold())))
        assert set(stranger.devices) == {"kestrel"}


def test_without_a_certificate_nothing_is_seen(
    hub: ClubHub, made: Path, boards: dict[str, BrokerCourier]
) -> None:
    refused = hub.log.count("error")
    with listening(hub.port, **as_(made, None)) as stranger, listening(hub.port) as plain:
        wait_until(lambda: hub.log.count("error") > refused + 1)  # turned away at the door, and logged
        with listening(hub.port, **as_(made, READER)) as reader:
            wait_until(lambda: reader.has("kestrel", tree_of(FLEET["kestrel"]())))
        assert stranger.devices == plain.devices == {}


# -- who writes


@pytest.mark.parametrize("name", [READER, "hub", "lines"])
def test_who_reads_writes_as_no_board_nor_as_one_of_its_own_name(hub: ClubHub, name: str) -> None:
    topics = [
        f"{root}/{device}/{rest}"
        for device in ("magpie", name)
        for root, rest in (
            ("homie/5", "$description"),
            ("homie/5", "sump/temperature"),
            ("probe-agent", "status"),
            ("probe-agent", "circuit"),
            ("plug", "set"),
        )
    ]
    with Caller(hub.port, hub.as_(name)) as caller:
        for topic in (*topics, "weather/field", "elsewhere"):
            assert caller.publish(topic, b"x") == NOT_AUTHORIZED, topic


def test_a_reader_hears_homie_alone(hub: ClubHub, made: Path, boards: dict[str, BrokerCourier]) -> None:
    """Documents, circuits and history hold more than others need."""
    with hub.recorder("hub") as whole, hub.recorder("magpie", "probe-agent/magpie/#") as own:
        whole.wait_for(lambda: "probe-agent/magpie/status" in whole.retained())
        own.wait_for(lambda: "probe-agent/magpie/status" in own.retained())
    heard: set[str] = set()
    with Caller(hub.port, hub.as_(READER)) as reader:
        reader._client.on_message = lambda client, data, message: heard.add(message.topic)
        for topics in ("probe-agent/#", "plug/#", "homie/5/#"):
            reader._client.subscribe(topics, qos=1)
        wait_until(lambda: {f"homie/5/{device}/$state" for device in FLEET} <= heard)
        boards["magpie"].publish(samples.ready())
        with hub.recorder("hub") as whole:
            whole.wait_for(lambda: whole.retained().get("homie/5/magpie/engine/state") == b"ready")
        wait_until(lambda: "homie/5/magpie/engine/state" in heard)
    assert {t.split("/")[0] for t in heard} <= {"homie", "probe-agent"}
    assert {t for t in heard if t.startswith("probe-agent/")} <= {
        f"probe-agent/{d}/circuit" for d in FLEET
    }, "what boards ask of a circuit all of them may hear"


# -- the command


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("reader", "magpie"), "magpie is a board; give the reader another name."),
        (("reader", "hub"), "hub: this name is taken"),
        (("reader", "lines"), "lines: this name is taken"),
        (("reader", "#"), "a name has a-z, 0-9 and inner hyphens"),
        (("reader", "../x"), "a name has a-z, 0-9 and inner hyphens"),
        (("reader",), "usage"),
        (("reader", "a", "b"), "usage"),
        (("127.0.0.1", READER), f"{READER}: this name is taken by a reader"),
    ],
)
def test_names_that_are_taken_are_refused(made: Path, arguments: tuple[str, ...], said: str) -> None:
    before = (made / "hub/acl").read_bytes()
    done = make_club(made, *arguments)
    assert (done.returncode, said in done.stderr) == (1, True), done.stderr
    assert (made / "hub/acl").read_bytes() == before


def test_a_reader_is_in_the_rules_once_and_taken_back_as_a_board_is(made: Path, tmp_path: Path) -> None:
    assert (made / "hub/acl").read_text("utf-8").count(f"user {READER}\n") == 1
    folder = tmp_path / "c"
    assert make_club(folder, "reader", "panel").returncode == 1, "no hub yet"
    for arguments in (("127.0.0.1", "magpie"), ("reader", "panel"), ("revoke", "panel")):
        done = make_club(folder, *arguments)
        assert done.returncode == 0, done.stderr
    assert not (folder / "keys/panel.key").exists()
    revoked = (folder / "hub/certs/revoked.pem").read_bytes()
    assert revoked == (folder / "keys/revoked.pem").read_bytes()


# -- npm's node-homie


class TestNodeHomie:
    """It hands on no certificates by itself; the MQTT library below it takes ours as they are."""

    pytestmark = node_homie

    def test_it_lists_all_boards_and_reads_values_and_alerts(
        self, hub: ClubHub, made: Path, boards: dict[str, BrokerCourier]
    ) -> None:
        with NodeHomie(hub.port, files=files_of(made, READER)) as stranger:
            hold_node_homie_against_ours(stranger)

    def test_it_sees_who_is_lost(self, hub: ClubHub, made: Path) -> None:
        heating = tree_of(samples.heating())
        with NodeHomie(hub.port, files=files_of(made, READER)) as stranger:
            process = one_that_dies(hub)
            try:
                stranger.wait_for(lambda known: agrees(known, "magpie", heating))
            finally:
                process.send_signal(signal.SIGKILL)
                process.wait(10)
            stranger.wait_for(lambda known: known["magpie"]["state"] == "lost")

    def test_with_a_boards_certificate_it_sees_that_board_alone(
        self, hub: ClubHub, made: Path, boards: dict[str, BrokerCourier]
    ) -> None:
        with NodeHomie(hub.port, files=files_of(made, "kestrel")) as stranger:
            for status in (samples.cold(), FLEET["kestrel"]()):
                boards["magpie"].publish(status)
                boards["kestrel"].publish(status)
                tree = tree_of(status)
                stranger.wait_for(lambda known, t=tree: agrees(known, "kestrel", t))  # type: ignore[misc]
            assert set(stranger.known) == {"kestrel"}

    def test_by_itself_it_gets_in_nowhere(
        self, hub: ClubHub, made: Path, boards: dict[str, BrokerCourier]
    ) -> None:
        """The reason why it was said to have no client certificates."""
        refused = hub.log.count("error")
        with NodeHomie(hub.port, url=f"mqtts://127.0.0.1:{hub.port}") as stranger:
            wait_until(lambda: hub.log.count("error") > refused)
            with NodeHomie(hub.port, files=files_of(made, READER)) as reader:
                reader.wait_for(lambda known: set(known) == set(FLEET))
            assert stranger.known == {}
