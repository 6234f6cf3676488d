"""Boards by the thousand in one process, to find where a broker ends: packets made beforehand from real trees
and documents, sent on one connection a board by one loop, at the courier's rhythm.

    python -m tests.wire_fleet --port 1883 --boards 4000 --seconds 60

What tests/simulated_fleet.py does with the daemon's own courier costs some thirty times as much here. Prints
a line of JSON about each five seconds and ends by itself: boards there, messages acknowledged, ticks passed
over because the last one's messages weren't acknowledged yet, the wait for a tick's last acknowledgement
(median and 99 % of those five seconds), its own processor time, and the instant.
"""

from __future__ import annotations

import argparse
import heapq
import json
import random
import selectors
import socket
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

sys.path.insert(0, str(Path(__file__).parent))
from simulated_fleet import NIGHT_ROWS, STEP_S, Board, Night

from probe_agent.broker import DOCUMENT_EXPIRY_S, VALUE_EXPIRY_S, Tree, document_payload, homie_tree
from probe_agent.connecting import KEEPALIVE_S
from probe_agent.status import Status, utc_text

STAND_IN = "wire-00000"
TICKS = 40
"""So many ticks are made beforehand: the courier says everything anew after ten minutes."""
TICKS_A_DOCUMENT = 4
MOST = 9000
_NOW = "2001-01-01T00:00:00Z"
_MONO_S = 12345.678901


def _text(value: str) -> bytes:
    return len(value.encode()).to_bytes(2, "big") + value.encode()


def _length(n: int) -> bytes:
    """A variable byte integer (MQTT 5, 1.5.5)."""
    out = bytearray()
    while True:
        n, low = divmod(n, 128)
        out.append(low | (0x80 if n else 0))
        if not n:
            return bytes(out)


def connect_packet(device: str) -> bytes:
    """CONNECT (3.1): a clean start and the will that every board leaves."""
    head = _text("MQTT") + bytes((5, 0x2E)) + KEEPALIVE_S.to_bytes(2, "big") + b"\0"
    body = head + _text(device) + b"\0" + _text(f"homie/5/{device}/$state") + _text("lost")
    return b"\x10" + _length(len(body)) + body


def publish_packet(mid: int, topic: str, payload: bytes, expiry_s: int | None, ts: str | None) -> bytes:
    """PUBLISH (3.3), retained, QoS 1."""
    told = b"" if expiry_s is None else b"\x02" + expiry_s.to_bytes(4, "big")
    told += b"" if ts is None else b"\x26" + _text("ts") + _text(ts)
    body = _text(topic) + mid.to_bytes(2, "big") + _length(len(told)) + told + payload
    return b"\x33" + _length(len(body)) + body


@dataclass
class Burst:
    """What a board says at one tick: all its packets, and how many."""

    packets: bytes
    count: int

    def said_by(self, device: bytes, now: float) -> bytes:
        """The same as said by that board at this moment."""
        mono = b"%.6f" % time.monotonic()
        said = self.packets.replace(STAND_IN.encode(), device).replace(_NOW.encode(), utc_text(now).encode())
        return said.replace(b"%.6f" % _MONO_S, mono) if len(mono) == len(b"%.6f" % _MONO_S) else said


def bursts() -> tuple[Burst, list[Burst]]:
    """What a board says as it comes, and at each of the ticks after that."""
    night = Night(3)
    board = Board(0, night)
    board.device = STAND_IN
    first_row = next(i for i in range(NIGHT_ROWS) if night.warm[i]) + 200
    statuses = [_stamped(board, first_row + i) for i in range(TICKS + 1)]
    trees = [homie_tree(status, "0.4.0") for status in statuses]
    come = _burst(trees[0], {}, statuses[0], True)
    ticks = [
        _burst(trees[i + 1], trees[i].values if (i + 1) % TICKS else {}, statuses[i + 1], _is_minute(i))
        for i in range(TICKS)
    ]
    return come, ticks


def _is_minute(tick: int) -> bool:
    return (tick + 1) % TICKS_A_DOCUMENT == 0


def _stamped(board: Board, row: int) -> Status:
    """Its document of that row, with stand-ins for what each board and moment has of its own."""
    status = board.status_of(row)
    run = msgspec.structs.replace(status.run, mono_s=_MONO_S)
    return msgspec.structs.replace(status, now=_NOW, run=run)


def _burst(tree: Tree, told: Mapping[str, bytes], status: Status, document: bool) -> Burst:
    root = f"homie/5/{STAND_IN}"  # sampled-at differs each time; here it is a stand-in
    new = [(k, v) for k, v in tree.values.items() if told.get(k) != v or k.endswith("/sampled-at")]
    packets = [publish_packet(i + 1, f"{root}/{k}", v, VALUE_EXPIRY_S, _NOW) for i, (k, v) in enumerate(new)]
    if not told:
        text = json.dumps({**tree.description, "version": 1}, ensure_ascii=False).encode()
        packets.append(publish_packet(1000, f"{root}/$description", text, None, None))
        packets.append(publish_packet(1001, f"{root}/$state", b"ready", None, None))
    if document:
        topic = f"probe-agent/{STAND_IN}/status"
        packets.append(publish_packet(1002, topic, document_payload(status), DOCUMENT_EXPIRY_S, _NOW))
    return Burst(b"".join(packets), len(packets))


@dataclass
class Wire:
    """One board's connection."""

    device: bytes
    line: socket.socket
    phase: int  # so that boards' documents fall on different ticks
    tick: int = 0
    owed: int = 1  # the answer to CONNECT
    said_s: float = 0.0
    out: bytearray = field(default_factory=bytearray)
    rest: bytes = b""

    def answers(self) -> int:
        """How many packets have come. Raises ConnectionError where the line has ended."""
        got = self.line.recv(65536)
        if not got:
            raise ConnectionError
        data, at, n = self.rest + got, 0, 0
        while at + 2 <= len(data) and at + 2 + data[at + 1] <= len(data):  # none of them is longer than 127
            at += 2 + data[at + 1]
            n += 1
        self.rest = data[at:]
        return n

    def send(self) -> None:
        """As much as the line takes."""
        if self.out:
            try:
                del self.out[: self.line.send(self.out)]
            except BlockingIOError:
                return


class WireFleet:
    """The boards of a process."""

    def __init__(self, port: int, boards: int, interval_s: float) -> None:
        self._port, self._boards, self._interval_s = port, boards, interval_s
        self._come, self._ticks = bursts()
        self._eyes = selectors.DefaultSelector()
        self._wires: list[Wire] = []
        self.acknowledged = self.behind = self.lost = 0
        self.waits_s: list[float] = []

    def run(self, seconds: float) -> Iterator[None]:
        """Come, and live for so long; yields about each five seconds."""
        chance, began_s = random.Random(2), time.monotonic()
        due = [(began_s + chance.uniform(0, max(self._interval_s, STEP_S)), i) for i in range(self._boards)]
        for i in range(self._boards):
            self._wires.append(self._connected(i))
            self._look(0.0)
        late_s = time.monotonic() - began_s
        due = [(at_s + late_s, i) for at_s, i in due]
        heapq.heapify(due)
        report_s = time.monotonic() + 5
        while (now_s := time.monotonic()) < began_s + late_s + seconds:
            while due[0][0] <= now_s:
                at_s, i = due[0]
                heapq.heapreplace(due, (at_s + self._interval_s, i))
                self._say(self._wires[i])
            self._look(max(0.0, min(due[0][0] - time.monotonic(), 0.05)))
            if now_s > report_s:
                report_s = now_s + 5
                yield
                self.waits_s.clear()
        yield

    def _connected(self, i: int) -> Wire:
        device = f"wire-{i:05d}"
        line = socket.create_connection(("127.0.0.1", self._port), timeout=30)
        wire = Wire(device.encode(), line, i % TICKS)
        line.sendall(connect_packet(device))
        line.setblocking(False)
        self._eyes.register(line, selectors.EVENT_READ, wire)
        return wire

    def _say(self, wire: Wire) -> None:
        if wire.owed or wire.out:
            self.behind += 1
            return
        burst = self._come if wire.tick == 0 else self._ticks[(wire.tick - 1 + wire.phase) % TICKS]
        wire.tick += 1
        wire.owed, wire.said_s = burst.count, time.monotonic()
        wire.out += burst.said_by(wire.device, time.time())
        wire.send()
        if wire.out:
            self._eyes.modify(wire.line, selectors.EVENT_READ | selectors.EVENT_WRITE, wire)

    def _look(self, timeout_s: float) -> None:
        for key, events in self._eyes.select(timeout_s):
            wire: Wire = key.data
            if events & selectors.EVENT_WRITE:
                wire.send()
                if not wire.out:
                    self._eyes.modify(wire.line, selectors.EVENT_READ, wire)
            if events & selectors.EVENT_READ:
                self._hear(wire)

    def _hear(self, wire: Wire) -> None:
        try:
            n = wire.answers()
        except OSError:
            self.lost += 1
            self._eyes.unregister(wire.line)
            wire.line.close()
            wire.owed = 1 << 30  # says nothing any more
            return
        wire.owed -= n
        self.acknowledged += n if wire.tick else 0
        if not wire.owed and wire.tick:
            self.waits_s.append(time.monotonic() - wire.said_s)

    def told(self) -> list[float]:
        """What is printed."""
        waits = sorted(self.waits_s) or [0.0]
        there = sum(wire.tick > 0 for wire in self._wires) - self.lost
        median_s, long_s = waits[len(waits) // 2], waits[int(0.99 * (len(waits) - 1))]
        return [
            there,
            self.acknowledged,
            self.behind,
            round(median_s, 4),
            round(long_s, 4),
            time.process_time(),
            time.monotonic(),
        ]

    def close(self) -> None:
        """All hang up without a word, as boards without power do."""
        for wire in self._wires:
            wire.line.close()


def main() -> None:
    """Run boards until the time is over."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--boards", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--interval", type=float, default=STEP_S)
    asked = parser.parse_args()
    fleet = WireFleet(asked.port, min(asked.boards, MOST), max(asked.interval, 0.2))
    for _ in fleet.run(min(asked.seconds, 600.0)):
        print(json.dumps(fleet.told()), flush=True)
    fleet.close()


if __name__ == "__main__":
    main()
