"""Certificates of our own authority whose names the access rules were not made for, on a real mosquitto.

deploy/broker's command refuses such names; a person with the authority's key and openssl can still make one.
The rules put the name into a topic filter, where + and # stand for others: nobody must become everybody.
Against a slash the rules can't help: "magpie/engine" would be at home below magpie, so there the command's
refusal is all there is (tests/faults/test_broker_access.py). Who has the authority's key is everybody.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import paho.mqtt.client as mqtt
import pytest
import status_samples as samples
from boards import club, wait_until
from paho.mqtt.enums import CallbackAPIVersion
from real_broker import MOSQUITTO, Recorder
from secure_broker import Caller, SecureBroker

from probe_agent import broker as courier
from probe_agent.broker import BrokerCourier

pytestmark = pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")

NAMES = {
    "plus": "+",
    "hash": "#",
    "two levels": "magpie/#",
    "prefix": "magpi",
    "longer": "magpie2",
    "capital": "Magpie",
    "pattern": "%u",
    "client": "%c",
    "blank": " ",
}
MINE = ("homie/5/magpie/$state", "probe-agent/magpie/status", "plug/magpie/set", "homie/5/+/engine/state")
SEEN = ("homie/5/#", "probe-agent/#", "plug/#", "homie/5/magpie/#", "homie/5/+/$state", "#", "$SYS/#")


@pytest.fixture(autouse=True)
def _quick_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(courier, "ROUND_EVERY_S", 0.05)
    monkeypatch.setattr(courier, "_PUMP_S", 0.05)


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SecureBroker]:
    with SecureBroker(tmp_path_factory.mktemp("names")) as started:
        yield started


@pytest.fixture(scope="module")
def magpie(broker: SecureBroker) -> Iterator[BrokerCourier]:
    """The board at work, all of it retained."""
    with club(broker.settings, "magpie") as couriers:
        yield couriers["magpie"]


def certificate(broker: SecureBroker, file: str, name: str) -> None:
    """A certificate of that name, as openssl makes it with the authority's key. Raises CalledProcessError."""
    key, request, pem = (str(broker.certs / f"{file}.{end}") for end in ("key", "csr", "pem"))
    ca, ca_key = str(broker.certs / "ca.pem"), str(broker.certs / "ca.key")
    subject = "/CN=" + name.replace("/", "\\/")
    for command in (
        ["genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-out", key],
        ["req", "-config", "/dev/null", "-new", "-key", key, "-subj", subject, "-out", request],
        ["x509", "-req", "-in", request, "-CA", ca, "-CAkey", ca_key, "-set_serial", "7", "-out", pem],
    ):
        subprocess.run(["openssl", *command], check=True, capture_output=True)


@pytest.mark.parametrize("kind", NAMES)
def test_a_name_the_rules_were_not_made_for_is_nobody(
    broker: SecureBroker, magpie: BrokerCourier, kind: str
) -> None:
    file = f"odd-{kind.replace(' ', '-')}"
    certificate(broker, file, NAMES[kind])
    with broker.recorder("hub") as hub:
        before = hub.retained()
        try:
            with Caller(broker.port, broker.as_(file)) as caller:
                for topic in (t for t in MINE if "+" not in t):
                    assert caller.publish(topic, b"lost") == 0x87, topic
            spied = overheard(broker, file, magpie, hub)
        except OSError:
            return  # turned away at the door is as good
        assert spied == []
        assert {t: p for t, p in hub.retained().items() if t == MINE[0]} == {MINE[0]: before[MINE[0]]}


def overheard(broker: SecureBroker, file: str, magpie: BrokerCourier, hub: Recorder) -> list[str]:
    """What of others this name gets to see, retained and as it is said, by any filter."""
    with Watcher(broker, file) as spy:
        for status in (samples.ready(), samples.heating()):
            magpie.publish(status)
            state = status.state.encode()
            wait_until(lambda s=state: hub.retained().get("homie/5/magpie/engine/state") == s)  # type: ignore[misc]
        return sorted(spy.seen)


class Watcher:
    """Context manager: a client that asks for everything and notes what topics it is given."""

    def __init__(self, broker: SecureBroker, file: str) -> None:
        self.seen: set[str] = set()
        self._answered: set[int] = set()
        self._asked: set[int] = set()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.tls_set_context(broker.as_(file))
        self._client.on_message = lambda client, data, message: self.seen.add(message.topic)
        self._client.on_subscribe = lambda client, data, mid, codes, properties: self._answered.add(mid)
        self._client.connect("127.0.0.1", broker.port)

    def __enter__(self) -> Watcher:
        self._client.loop_start()
        wait_until(self._client.is_connected)
        for one in SEEN:
            _, mid = self._client.subscribe(one, qos=1)
            assert mid is not None
            self._asked.add(mid)
        wait_until(lambda: self._asked <= self._answered)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def test_the_watcher_sees_what_it_may(broker: SecureBroker, magpie: BrokerCourier) -> None:
    """That the tests above could fail: with the hub's name the same client sees the board."""
    with Watcher(broker, "hub") as spy:
        wait_until(lambda: {"homie/5/magpie/$state", "probe-agent/magpie/status"} <= spy.seen)
