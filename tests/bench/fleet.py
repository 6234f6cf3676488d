"""A thousand boards at one broker: rates, delays, processor time and memory, and where it ends.

    python -m tests.bench.fleet                        1,000 boards for two minutes, some five minutes in all
    python -m tests.bench.fleet --boards 200 --processes 2 --seconds 60
    python -m tests.bench.fleet --knee                 1,000 to 8,000 boards, then ever more often; some 8 min

Each board is the daemon's own courier with its own connection, thread, tree, document and will; their nights
are the simulated engine's (tests/simulated_fleet.py). Everything stays on loopback and ends by itself. Three
spans: all come at once; they live for --seconds; the broker is killed (-9), comes back knowing nothing, and
all come again. The club's page is there as well, asked each five seconds as a browser does; one further board
changes each three seconds, and how long the page takes to show that is measured by asking on and on. The exit
code is 1 where a board is missing at the end of a span.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import msgspec

sys.path.insert(0, str(Path(__file__).parents[1]))
from club_page import ClubPage, Reader
from fleet_tools import ROOT, Boards, HubBroker, Watcher, cost_of, quantile
from simulated_fleet import MOST_IN_A_PROCESS, Board, Night

from probe_agent import words
from probe_agent.broker import BrokerCourier
from probe_agent.config import Broker
from probe_agent.readings import State

LONGEST_WAIT_S = 180.0
POLL_S = 5.0
CHANGED_S = 20.0
CHANGING = 99_000
"""The number of the board that changes."""


@dataclass
class Span:
    """What was seen of a span of some seconds. received, sent: packets of any kind; values: messages
    of boards that the broker took; all per s, like documents and the broker's share of a core."""

    name: str
    seconds: float
    boards: int
    received: float
    sent: float
    kb_received: float
    values: float
    documents: float
    broker_cpu: float
    broker_mb: float
    document_s: tuple[float, float]
    ping_s: tuple[float, float]
    page_cpu: float
    page_mb: float


class Meter:
    """Measures spans at a broker."""

    def __init__(self, broker: HubBroker, watcher: Watcher, page: ClubPage) -> None:
        self._broker, self._watcher, self._page = broker, watcher, page
        self.begin()

    def begin(self) -> None:
        """A span begins."""
        self._watcher.forget()
        self._began_s = time.monotonic()
        self._cpu_s = cost_of(self._broker.pid).cpu_s
        self._page_cpu_s = cost_of(self._page.process.pid).cpu_s
        self._counts = self._totals()

    def _totals(self) -> tuple[float, ...]:
        keys = ("messages/received", "messages/sent", "bytes/received", "publish/messages/sent")
        return tuple(self._watcher.sys.get(key, 0.0) for key in keys)

    def end(self, name: str) -> Span:
        """A span is over."""
        w, seconds = self._watcher, time.monotonic() - self._began_s
        cost, totals = cost_of(self._broker.pid), self._totals()
        page = cost_of(self._page.process.pid)
        received, sent, size, published = (
            (now - was) / seconds for now, was in zip(totals, self._counts, strict=True)
        )
        return Span(
            name,
            seconds,
            w.ready(),
            received,
            sent,
            size / 1000,
            received - published,  # each sent one is acknowledged; boards read their own only as they come
            w.documents / seconds,
            (cost.cpu_s - self._cpu_s) / seconds,
            cost.rss_mb,
            (quantile(w.document_s, 0.5), quantile(w.document_s, 0.99)),
            (quantile(w.ping_s, 0.5), quantile(w.ping_s, 0.99)),
            (page.cpu_s - self._page_cpu_s) / seconds,
            page.rss_mb,
        )


class Browser:
    """Context manager: asks the page each five seconds for what is new, as an open page does."""

    def __init__(self, port: int) -> None:
        self._reader, self._over = Reader(port), threading.Event()
        self._thread = threading.Thread(target=self._ask)

    def _ask(self) -> None:
        self._reader.news()
        self._reader.sizes.clear()
        self._reader.took_s.clear()
        while not self._over.wait(POLL_S):
            self._reader.news()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def __str__(self) -> str:
        sizes, took_s = [float(size) for size in self._reader.sizes], self._reader.took_s
        return (
            f"polls each {POLL_S:.0f} s: {len(sizes)}, median {quantile(sizes, 0.5) / 1000:.1f} kB, largest "
            f"{max(sizes, default=0.0) / 1000:.1f} kB compressed; answered after "
            f"{1000 * quantile(took_s, 0.5):.0f} ms, 99 % {1000 * quantile(took_s, 0.99):.0f} ms"
        )


class Changing:
    """Context manager: one more board, whose state and coldest place change each few seconds, and a reader
    that asks the page without a pause when it shows that. shown_s: from the tick to the answer."""

    def __init__(self, broker_port: int, page_port: int) -> None:
        self._reader, self._over = Reader(page_port), threading.Event()
        self._board = Board(CHANGING, Night(9))
        settings = Broker(host="127.0.0.1", port=broker_port)
        self._courier = BrokerCourier(settings, self._board.device, lambda content: 1, None, "0.4.0")
        self._thread = threading.Thread(target=self._change)
        self.shown_s: list[float] = []
        self.never = 0

    def _change(self) -> None:
        chance = random.Random(1)  # so that changes don't march in step with the page's own round
        for n in range(100_000):
            base = self._board.status()
            state = (State.COLD, State.COOLING)[n % 2]
            status = msgspec.structs.replace(base, state=state.value, coldest_c=10 + n % 500 / 10)
            told_s = time.monotonic()
            self._courier.publish(status)
            wanted = words.temperature(status.coldest_c or 0.0, "C", words.limits_of(status))
            while not self._is_shown(wanted) and time.monotonic() < told_s + CHANGED_S:
                if self._over.wait(0.02):
                    return
            shown = time.monotonic() < told_s + CHANGED_S
            if n:  # the first one has to connect before
                self.shown_s += [time.monotonic() - told_s] if shown else []
                self.never += not shown
            if self._over.wait(chance.uniform(1.0, 3.0)):
                return

    def _is_shown(self, wanted: str) -> bool:
        row = self._reader.news().get(self._board.device)
        return row is not None and row.value == wanted

    def __enter__(self) -> Self:
        self._courier.start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self._courier.stop()

    def __str__(self) -> str:
        median_s, long_s = quantile(self.shown_s, 0.5), quantile(self.shown_s, 0.99)
        return (
            f"a change, tick to the page's answer: {len(self.shown_s)}, median {median_s:.2f} s, "
            f"99 % {long_s:.2f} s; {self.never} not within {CHANGED_S:.0f} s"
        )


def measure(folder: Path, boards: int, processes: int, seconds: float, interval_s: float) -> list[Span]:
    """The three spans."""
    spans: list[Span] = []
    each = boards // processes
    with HubBroker(folder, max_connections=boards + 100) as broker, ExitStack() as life:
        watcher = life.enter_context(Watcher(broker.port))
        page = life.enter_context(ClubPage(folder, broker.port))
        meter, lives_s = Meter(broker, watcher, page), seconds + 3 * LONGEST_WAIT_S
        fleet = [
            life.enter_context(
                Boards(broker.port, i * each, each, lives_s, interval_s, folder / "boards.log")
            )
            for i in range(processes)
        ]
        watcher.wait_for(lambda: watcher.ready() >= each * processes, LONGEST_WAIT_S)
        spans.append(tell(meter.end("all come"), fleet))
        began_s = time.monotonic()
        watcher.wait_for(lambda: time.monotonic() > began_s + 20, 30)  # what came with it has gone
        meter.begin()
        with Browser(page.port) as browser, Changing(broker.port, page.port) as changing:
            began_s = time.monotonic()
            watcher.wait_for(lambda: time.monotonic() > began_s + seconds, seconds + 5)
            spans.append(tell(meter.end("they live"), fleet))
        print(f"    {browser}\n    {changing}", flush=True)
        broker.kill()
        watcher.states.clear()
        watcher.sys.clear()
        broker.start()
        meter.begin()
        watcher.wait_for(lambda: watcher.ready() >= each * processes, LONGEST_WAIT_S)
        spans.append(tell(meter.end("all again"), fleet))
    return spans


KNEE = ((1000, 15.0), (2000, 15.0), (4000, 15.0), (8000, 15.0), (8000, 4.0), (8000, 2.0), (8000, 1.0))
"""Boards and the seconds between their ticks: more boards first, then more of each."""
KNEE_S = 45.0


def knee(folder: Path, boards: int, interval_s: float, seconds: float) -> str:
    """A line of the table: so many boards on the wire (tests/wire_fleet.py), measured in their last span."""
    asked = {"--boards": boards, "--interval": interval_s, "--seconds": seconds}
    with HubBroker(folder, max_connections=boards + 100) as broker, Watcher(broker.port) as watcher:
        command = [sys.executable, "-m", "tests.wire_fleet", "--port", str(broker.port)]
        command += [str(word) for pair in asked.items() for word in pair]
        env = {**os.environ, "PYTHONPATH": str(ROOT)}
        with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT, env=env) as process:
            assert process.stdout is not None
            spans: list[tuple[list[float], float, float]] = []
            for line in process.stdout:
                spans.append((json.loads(line), cost_of(broker.pid).cpu_s, quantile(watcher.ping_s, 0.99)))
                watcher.forget()
        (was, was_cpu_s, _), (now, now_cpu_s, ping_s) = spans[-3], spans[-2]
        span_s, mb = now[6] - was[6], cost_of(broker.pid).most_mb
    acknowledged, behind, our_s = now[1] - was[1], now[2] - was[2], now[5] - was[5]
    core = (now_cpu_s - was_cpu_s) / span_s
    return (
        f"{now[0]:6.0f} {interval_s:5.1f} s {acknowledged / span_s:8.0f} {core:6.2f}"
        f" {mb:6.0f} MB {1000 * now[3]:7.1f} {1000 * now[4]:7.1f} {1000 * ping_s:7.1f} {behind:7.0f}"
        f" {our_s / span_s:6.2f}"
    )


def knees(seconds: float) -> None:
    """The table, until the broker or we have a whole core to do."""
    print("boards    tick  messages/s  core  memory; ms to the last acknowledgement: median, 99 %;")
    print("        ms of a small message there and back: 99 %; ticks passed over; our own core")
    for boards, interval_s in KNEE:
        with tempfile.TemporaryDirectory() as folder:
            print(knee(Path(folder), boards, interval_s, seconds), flush=True)


def tell(span: Span, fleet: list[Boards]) -> Span:
    """Print it, and what the processes of boards say of themselves."""
    late_s = max(boards.said[1] for boards in fleet)
    cpu_s = sum(cost_of(boards.process.pid).cpu_s for boards in fleet)
    (median_s, most_s), (ping_s, long_s) = span.document_s, span.ping_s
    for line in (
        f"{span.name}: {span.seconds:.1f} s, boards there {span.boards}",
        f"packets in {span.received:.0f}/s ({span.kb_received:.0f} kB/s), out {span.sent:.0f}/s",
        f"messages of boards {span.values:.0f}/s, documents {span.documents:.1f}/s",
        f"broker: {span.broker_cpu:.3f} of a core, {span.broker_mb:.1f} MB",
        f"page: {span.page_cpu:.3f} of a core, {span.page_mb:.1f} MB",
        f"document, tick to subscriber: median {median_s:.3f} s, 99 % {most_s:.3f} s",
        f"small message there and back: median {1000 * ping_s:.1f} ms, 99 % {1000 * long_s:.1f} ms",
        f"boards: {cpu_s:.0f} s of processor time so far, latest tick {late_s:.2f} s after its time",
    ):
        print(line if line.startswith(span.name) else f"    {line}", flush=True)
    return span


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--boards", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--interval", type=float, default=15.0, help="between a board's ticks [s]")
    parser.add_argument("--knee", action="store_true", help="find where the broker ends")
    asked = parser.parse_args()
    if asked.knee:
        knees(min(asked.seconds, KNEE_S))
        return
    processes = min(max(asked.processes, 1), 8)
    boards = min(asked.boards, processes * MOST_IN_A_PROCESS)
    with tempfile.TemporaryDirectory() as folder:
        spans = measure(Path(folder), boards, processes, min(asked.seconds, 600.0), max(asked.interval, 1.0))
    whole = boards // processes * processes
    sys.exit(1 if any(span.boards < whole for span in spans) else 0)


if __name__ == "__main__":
    main()
