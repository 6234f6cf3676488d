"""Boards of a club on a broker: each by the product's own courier, each with something else to say."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import msgspec
import status_samples as samples

from probe_agent.broker import BrokerCourier, Tree, homie_tree
from probe_agent.config import Broker
from probe_agent.status import Status

BUILD = "0.4.0"
ODD_NAME = 'Störchin „7½“ № 3 – Ærø 飛 🛩 \\ "x" <b>&amp;'
"""What an owner may call an aircraft: quotes of all kinds, a backslash, marks of HTML, beyond two bytes."""


def _odd() -> Status:
    """A name that tempts every encoding, a place of the owner's own, and nothing yet above zero."""
    own = samples.probe("other-exhaust-2", -7.25, required=False)
    base = samples.cold()
    return msgspec.structs.replace(base, aircraft=ODD_NAME, probes=(*base.probes, own))


def _silent() -> Status:
    """A board whose every required probe is gone: no value, one alert each, in words."""
    gone = tuple(samples.probe(p.place) if p.required else p for p in samples.cold().probes)
    missing = tuple(p.place for p in gone if p.required)
    return msgspec.structs.replace(
        samples.probe_missing(), probes=gone, missing=missing, coldest=None, coldest_c=None
    )


FLEET: Mapping[str, Callable[[], Status]] = {
    "magpie": samples.heating,
    "kestrel": samples.probe_missing,
    "heron": samples.plugged,
    "lapwing": samples.too_hot,
    "stork": _odd,
    "dunlin": lambda: samples.plug_off(locked=samples.NOW),
    "wren": _silent,
    "x-1": samples.by_hand,
}


def tree_of(status: Status) -> Tree:
    return homie_tree(status, BUILD)


def courier_of(settings: Broker, device: str) -> BrokerCourier:
    return BrokerCourier(settings, device, lambda content: 1, None, BUILD, first_delay_s=0.05)


def on_port(port: int) -> Broker:
    """The daemon's settings for an open broker on this machine."""
    return Broker(host="127.0.0.1", port=port)


def wait_until(true: Callable[[], object], timeout_s: float = 30.0) -> None:
    """Look at a real condition until a deadline. Raises AssertionError."""
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, "never came true"
        pause.wait(0.02)


@contextmanager
def club(settings_of: Callable[[str], Broker], *devices: str) -> Iterator[dict[str, BrokerCourier]]:
    """The couriers of these boards, all of FLEET for none, once everything of each is at the broker."""
    couriers = {device: courier_of(settings_of(device), device) for device in devices or FLEET}
    with ExitStack() as stack:
        for device, courier in couriers.items():
            courier.start()
            stack.callback(courier.stop)
            courier.publish(FLEET[device]())
        wait_until(lambda: all(c._announced is not None for c in couriers.values()))
        yield couriers


def without(place: str) -> Status:
    gone = tuple(samples.probe(p.place) if p.place == place else p for p in samples.heating().probes)
    return msgspec.structs.replace(samples.heating(), probes=gone, missing=(place,))


DAEMON = """
import sys, threading
sys.path.insert(0, sys.argv[2])
import boards
with boards.club(lambda _: boards.on_port(int(sys.argv[1])), "magpie") as couriers:
    while True:
        couriers["magpie"].publish(boards.FLEET["magpie"]())
        threading.Event().wait(0.05)
"""


@contextmanager
def board_of_its_own(port: int) -> Iterator[subprocess.Popen[bytes]]:
    """Magpie in a process of its own."""
    here = Path(__file__).parent
    environment = {**os.environ, "PYTHONPATH": str(here.parents[1])}
    process = subprocess.Popen([sys.executable, "-c", DAEMON, str(port), str(here)], env=environment)
    try:
        yield process
    finally:
        process.kill()
        process.wait(10)
