"""What a club's boards and its hub may do with topics outside Homie: history, its receipt, a shared circuit.

On a real mosquitto with the files of deploy/broker. Nobody writes as another; the hub reads all of it, and
nothing that it may say commands a board.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import pytest
from boards import wait_until
from real_broker import MOSQUITTO
from secure_broker import Caller, SecureBroker
from test_names import Watcher

pytestmark = pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")

NOT_AUTHORIZED = 0x87
RECEIPT = "probe-agent/magpie/history/arrived"
OWN = (
    "probe-agent/magpie/status",
    "probe-agent/magpie/history",
    "probe-agent/magpie/circuit",
    RECEIPT,
    "homie/5/magpie/$state",
    "homie/5/magpie/$alert/probe-sump",
    "homie/5/magpie/cyl-1/temperature/set",
)
SHARED = {"probe-agent/magpie/circuit"}
"""What other boards may read of one, where they share a circuit."""


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SecureBroker]:
    with SecureBroker(tmp_path_factory.mktemp("rules")) as started:
        yield started


def test_a_board_writes_its_own_and_the_hub_alone_hears_it(broker: SecureBroker) -> None:
    with Watcher(broker, "hub") as hub, Watcher(broker, "kestrel") as other, Watcher(broker, "magpie") as own:
        with Caller(broker.port, broker.as_("magpie")) as caller:
            for topic in OWN:
                assert caller.publish(topic, b"{}", retain=False) < 0x80, topic
        wait_until(lambda: set(OWN) <= hub.seen)
        wait_until(lambda: set(OWN) <= own.seen)
        with Caller(broker.port, broker.as_("kestrel")) as caller:
            assert caller.publish("homie/5/kestrel/mark", b"", retain=False) < 0x80
        wait_until(lambda: "homie/5/kestrel/mark" in other.seen)
        assert other.seen - SHARED == {"homie/5/kestrel/mark"}


@pytest.mark.parametrize("who", ["kestrel", "hub", "plug-magpie"])
def test_nobody_writes_as_another(broker: SecureBroker, who: str) -> None:
    may = {RECEIPT} if who == "hub" else set()
    with Caller(broker.port, broker.as_(who)) as caller:
        for topic in (*OWN, "probe-agent/magpie", "probe-agent/magpie/anything/else", "elsewhere"):
            if topic not in may:
                for retain in (False, True):
                    assert caller.publish(topic, b"{}", retain) == NOT_AUTHORIZED, topic
