"""A stranger's Homie 5 controller, ebus-sdk 0.27.0 from PyPI, reads a club's boards on a real mosquitto.

It shares no code with ours, and takes more than the convention allows: it proves that others can read us, not
that we obey. tests/homie_rules.py and node-homie's schema (test_node_homie.py) look at that.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import boards
import pytest
import status_samples as samples
from boards import FLEET, board_of_its_own, club, on_port, tree_of, wait_until, without
from ebus_sdk import Controller
from real_broker import MOSQUITTO, RealBroker
from secure_broker import SecureBroker, make_certificates

from probe_agent import broker as courier
from probe_agent.broker import BrokerCourier, Tree
from probe_agent.connection import Connection

pytestmark = [
    pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto"),
    pytest.mark.filterwarnings(
        "ignore:Callback API version 1:DeprecationWarning"
    ),  # the stranger's, not ours
]


@pytest.fixture(autouse=True)
def _quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(courier, "ROUND_EVERY_S", 0.05)
    monkeypatch.setattr(courier, "_PUMP_S", 0.05)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    with RealBroker(tmp_path) as started:
        yield started


class Listening:
    """A stranger's controller at work, and each change of a device's state that it told."""

    def __init__(self, port: int, **config: Any) -> None:
        self.states: list[tuple[str, str]] = []
        self._controller = Controller({"host": "127.0.0.1", "port": port, **config}, homie_domain="homie")
        self._controller.set_on_device_state_changed_callback(
            lambda device, old, new: self.states.append((device.device_id, new))
        )
        self._controller.start_discovery()

    @property
    def devices(self) -> dict[str, Any]:
        return dict(self._controller.get_all_devices())

    def state(self, device: str) -> str | None:
        return self.devices[device].state if device in self.devices else None

    def has(self, device: str, tree: Tree) -> bool:
        """Whether it holds this device ready, and every value and alert of it as we meant them."""
        if self.state(device) != "ready" or not self.devices[device].description:
            return False
        return held(self.devices[device].properties) == meant(tree)

    def stop(self) -> None:
        self._controller.stop()


@contextmanager
def listening(port: int, **config: Any) -> Iterator[Listening]:
    made = Listening(port, **config)
    try:
        yield made
    finally:
        made.stop()


def held(properties: dict[str, dict[str, str]]) -> dict[str, str]:
    """topic below the device → text; what was deleted counts as gone."""
    pairs = {f"{node}/{key}": text for node, of in list(properties.items()) for key, text in list(of.items())}
    return {topic: text for topic, text in pairs.items() if text}


def meant(tree: Tree) -> dict[str, str]:
    pairs = {**tree.values, **tree.alerts}
    return {topic: text for topic, p in pairs.items() if (text := p.decode().replace("\0", ""))}


# -- what it reads


@pytest.mark.parametrize("first", ["boards", "controller"])
def test_it_lists_every_board_and_reads_every_value_and_alert(broker: RealBroker, first: str) -> None:
    if first == "boards":
        with club(lambda _: on_port(broker.port)), listening(broker.port) as stranger:
            hold_against_ours(stranger)
    else:
        with listening(broker.port) as stranger, club(lambda _: on_port(broker.port)):
            hold_against_ours(stranger)


def hold_against_ours(stranger: Listening) -> None:
    wait_until(lambda: set(stranger.devices) == set(FLEET))
    for device, status in FLEET.items():
        tree = tree_of(status())
        wait_until(lambda d=device, t=tree: stranger.has(d, t))  # type: ignore[misc]
        seen = stranger.devices[device]
        assert seen.is_root
        assert seen.children_ids == []
        assert {key: v for key, v in seen.description.items() if key != "version"} == tree.description
        assert set(seen.get_nodes()) == set(tree.description["nodes"])
    look_by_hand(stranger)


def look_by_hand(stranger: Listening) -> None:
    """A few things as a person would read them, written out: nothing here is worked out by our code."""
    magpie, kestrel, stork, heron = (stranger.devices[d] for d in ("magpie", "kestrel", "stork", "heron"))
    assert magpie.get_property("cyl-3", "temperature") == "-6.00"
    assert magpie.get_node_properties("cyl-3")["temperature"]["unit"] == "°C"
    assert magpie.get_property("engine", "state") == "heating"
    assert not kestrel.get_property("cyl-1", "temperature")
    assert kestrel.get_property("cyl-1", "status") == "open"
    assert "not measured" in kestrel.get_property("$alert", "probe-cyl-1")
    assert kestrel.get_property("engine", "missing") == "cyl-1"
    assert heron.get_property("plug", "power") == "480"
    assert heron.get_node_properties("plug")["power"]["unit"] == "W"
    assert stork.description["name"] == boards.ODD_NAME
    assert stork.get_property("other-exhaust-2", "temperature") == "-7.25"
    assert "cylinder 2" in stranger.devices["lapwing"].get_property("$alert", "too-hot-1")
    assert not any(key.startswith("$") for key in held(magpie.properties))


def test_what_changes_reaches_it_and_no_old_value_stays(broker: RealBroker) -> None:
    with (
        club(lambda _: on_port(broker.port), "magpie") as couriers,
        listening(broker.port) as stranger,
    ):
        for status in (samples.heating(), without("cyl-3"), samples.ready(), samples.plugged()):
            couriers["magpie"].publish(status)
            wait_until(lambda s=status: stranger.has("magpie", tree_of(s)))  # type: ignore[misc]
        assert "plug" in stranger.devices["magpie"].get_nodes()
        couriers["magpie"].publish(samples.heating())
        wait_until(lambda: stranger.has("magpie", tree_of(samples.heating())))
        wait_until(lambda: "plug" not in stranger.devices["magpie"].get_nodes())


# -- who is gone


def test_a_board_killed_is_lost_to_who_was_there_and_who_comes_later(broker: RealBroker) -> None:
    with club(lambda _: on_port(broker.port), "kestrel"), listening(broker.port) as stranger:
        with board_of_its_own(broker.port) as process:
            wait_until(lambda: stranger.has("magpie", tree_of(samples.heating())))
            process.send_signal(signal.SIGKILL)
            wait_until(lambda: stranger.state("magpie") == "lost")
        assert stranger.state("kestrel") == "ready"
        with listening(broker.port) as later:
            wait_until(lambda: later.state("magpie") == "lost")
            wait_until(lambda: later.has("kestrel", tree_of(FLEET["kestrel"]())))


def test_a_cut_line_is_lost_and_comes_again(broker: RealBroker, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[Connection] = []
    original = Connection.open

    def remember(self: Connection) -> None:
        original(self)
        opened.append(self)

    monkeypatch.setattr(Connection, "open", remember)
    with club(lambda _: on_port(broker.port), "magpie"), listening(broker.port) as stranger:
        wait_until(lambda: stranger.has("magpie", tree_of(samples.heating())))
        stranger.states.clear()
        assert opened[0].cut()
        wait_until(lambda: ("magpie", "lost") in stranger.states)
        wait_until(lambda: stranger.has("magpie", tree_of(samples.heating())))
        assert [state for _, state in stranger.states][:3] == ["lost", "init", "ready"]


def test_a_board_that_is_stopped_says_so_and_is_not_lost(broker: RealBroker) -> None:
    with listening(broker.port) as stranger:
        with club(lambda _: on_port(broker.port), "magpie"):
            wait_until(lambda: stranger.state("magpie") == "ready")
        wait_until(lambda: stranger.state("magpie") == "disconnected")
        assert ("magpie", "lost") not in stranger.states


# -- who may look, with the files of deploy/broker


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("secure")


@pytest.fixture(scope="module")
def secure(folder: Path) -> Iterator[SecureBroker]:
    with SecureBroker(folder) as started:
        yield started


@pytest.fixture
def members(secure: SecureBroker) -> Iterator[dict[str, BrokerCourier]]:
    with club(secure.settings, "magpie", "kestrel") as couriers:
        yield couriers


def with_certificate(secure: SecureBroker, name: str | None, folder: Path | None = None) -> dict[str, Any]:
    """What the stranger's controller needs to come as somebody, or as nobody."""
    tls: dict[str, Any] = {
        "use_tls": True,
        "tls_insecure": False,
        "tls_ca_cert": str(secure.certs / "ca.pem"),
    }
    if name is not None:
        where = folder or secure.certs
        tls["tls_client_cert"], tls["tls_client_key"] = str(where / f"{name}.pem"), str(where / f"{name}.key")
    return tls


def test_with_the_hubs_certificate_it_sees_both_boards(
    secure: SecureBroker, members: dict[str, BrokerCourier]
) -> None:
    with listening(secure.port, **with_certificate(secure, "hub")) as stranger:
        for device in members:
            wait_until(lambda d=device: stranger.has(d, tree_of(FLEET[d]())))  # type: ignore[misc]
        assert set(stranger.devices) == set(members)


def test_with_a_boards_certificate_it_sees_that_board_alone(
    secure: SecureBroker, members: dict[str, BrokerCourier]
) -> None:
    with listening(secure.port, **with_certificate(secure, "kestrel")) as stranger:
        wait_until(lambda: stranger.has("kestrel", tree_of(FLEET["kestrel"]())))
        members["magpie"].publish(samples.ready())
        members["kestrel"].publish(samples.cold())
        wait_until(lambda: stranger.has("kestrel", tree_of(samples.cold())))
        assert set(stranger.devices) == {"kestrel"}


@pytest.mark.parametrize("kind", ["no certificate", "another authority", "taken back", "plain"])
def test_a_stranger_sees_nothing(
    secure: SecureBroker, folder: Path, members: dict[str, BrokerCourier], kind: str
) -> None:
    if kind == "another authority":
        assert make_certificates(folder / "theirs", "127.0.0.1", "hub").returncode == 0
        config = with_certificate(secure, "hub", folder / "theirs")
    elif kind == "taken back":
        config = with_certificate(secure, "lost-board", folder)
    else:
        config = {} if kind == "plain" else with_certificate(secure, None)
    refused = secure.log.count("error")
    with listening(secure.port, **config) as stranger:
        wait_until(lambda: secure.log.count("error") > refused)  # turned away at the door, and logged
        members["magpie"].publish(samples.ready())
        with listening(secure.port, **with_certificate(secure, "hub")) as hub:
            wait_until(lambda: hub.has("magpie", tree_of(samples.ready())))
        assert stranger.devices == {}
