"""A thousand boards at one broker: rates, delays, processor time and memory, and where it ends.

    python -m tests.bench.fleet                        1,000 boards for two minutes, some five minutes in all
    python -m tests.bench.fleet --boards 200 --processes 2 --seconds 60
    python -m tests.bench.fleet --knee                 1,000 to 8,000 boards, then ever more often; some 8 min

Each board is the daemon's own courier with its own connection, thread, tree, document and will; their nights
are the simulated engine's (tests/simulated_fleet.py). Everything stays on loopback and ends by itself. Three
spans: all come at once; they live for --seconds; the broker is killed (-9), comes back knowing nothing, and
all come again. The exit code is 1 where a board is missing at the end of a span.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from fleet_tools import ROOT, Boards, HubBroker, Watcher, cost_of, quantile
from simulated_fleet import MOST_IN_A_PROCESS

LONGEST_WAIT_S = 180.0


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


class Meter:
    """Measures spans at a broker."""

    def __init__(self, broker: HubBroker, watcher: Watcher) -> None:
        self._broker, self._watcher = broker, watcher
        self.begin()

    def begin(self) -> None:
        """A span begins."""
        self._watcher.forget()
        self._began_s = time.monotonic()
        self._cpu_s = cost_of(self._broker.pid).cpu_s
        self._counts = self._totals()

    def _totals(self) -> tuple[float, ...]:
        keys = ("messages/received", "messages/sent", "bytes/received", "publish/messages/sent")
        return tuple(self._watcher.sys.get(key, 0.0) for key in keys)

    def end(self, name: str) -> Span:
        """A span is over."""
        w, seconds = self._watcher, time.monotonic() - self._began_s
        cost, totals = cost_of(self._broker.pid), self._totals()
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
        )


def measure(folder: Path, boards: int, processes: int, seconds: float, interval_s: float) -> list[Span]:
    """The three spans."""
    spans: list[Span] = []
    each = boards // processes
    with HubBroker(folder, max_connections=boards + 100) as broker, ExitStack() as life:
        watcher = life.enter_context(Watcher(broker.port))
        meter, lives_s = Meter(broker, watcher), seconds + 3 * LONGEST_WAIT_S
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
        began_s = time.monotonic()
        watcher.wait_for(lambda: time.monotonic() > began_s + seconds, seconds + 5)
        spans.append(tell(meter.end("they live"), fleet))
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
