"""What a club's page costs with 1,000 aircraft: documents as boards write them, a real broker and Chromium.

python -m tests.bench.club               1,000 boards; --boards
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import http.client
import math
import os
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import msgspec
import status_samples as samples
from club_boards import FIELDS, Boards, current
from real_broker import RealBroker, free_port

from probe_agent.broker import document_payload
from probe_agent.status import Status
from tests.browser.conftest import start_chromium

LINES_S, POLL_BYTES = 1.5, 5_000
POLL_EVERY_S, POLLS = 5.0, 24
CALM = ("cold", "off", "cooling", "flown-cooling")
"""States of an ordinary morning; of the others a few."""
OPENED = """
const done = arguments[0];
const seen = () => requestAnimationFrame(() => requestAnimationFrame(() => {
  const paint = performance.getEntriesByName("first-contentful-paint")[0];
  const page = performance.getEntriesByType("navigation")[0];
  done([performance.now(), paint ? paint.startTime : -1, page.domContentLoadedEventEnd, page.transferSize,
        document.querySelectorAll(".club li").length]);
}));
if (document.readyState === "complete") seen(); else addEventListener("load", seen);
"""


class Fleet:
    """Boards on an ordinary winter morning: most cold, a share warming, some with something wrong."""

    def __init__(self, count: int) -> None:
        self.chance = random.Random(9)
        self.devices = [f"craft-{i:04d}" for i in range(count)]
        self.begun_s = time.monotonic()
        self.states = {d: self._state(i) for i, d in enumerate(self.devices)}

    def _state(self, i: int) -> str:
        if i % 5 == 0:
            return ("heating", "heating", "heating", "above-target", "ready")[i // 5 % 5]
        if i % 50 == 1:
            return sorted(samples.STATES)[i // 50 % len(samples.STATES)]
        return CALM[i % 2]

    def document(self, device: str) -> Status:
        """What it says now: a warming one rises by 9 °C an hour, the others drift by 0.5."""
        number = int(device.rpartition("-")[2])
        make = samples.STATES[self.states[device]]
        base = make()
        hours = (time.monotonic() - self.begun_s) / 3600
        rate = 9.0 if self.states[device] == "heating" else -0.5
        shift = (number % 37) / 10 + rate * hours
        probes = tuple(
            p if p.c is None else msgspec.structs.replace(p, c=round(p.c + shift, 2)) for p in base.probes
        )
        coldest = None if base.coldest_c is None else round(base.coldest_c + shift, 2)
        name, field = f"Craft {number}", FIELDS[number % len(FIELDS)]
        return current(
            msgspec.structs.replace(base, probes=probes, coldest_c=coldest), aircraft=name, field=field
        )


@contextlib.contextmanager
def page_of(folder: Path, port: int) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """A page process of its own on that broker."""
    own = free_port()
    file = folder / "club.toml"
    file.write_text(f'[club]\n[broker]\nhost = "127.0.0.1"\nport = {port}\n[page]\nport = {own}\n')
    start = [sys.executable, "-c", "from web.serve import main; main()", "--settings", str(file)]
    env = {**os.environ, "MALLOC_ARENA_MAX": "1"}
    process = subprocess.Popen(start, stdout=subprocess.DEVNULL, env=env)
    try:
        yield process, own
    finally:
        process.terminate()
        process.wait(20)


def get(port: int, path: str, tag: str = "") -> tuple[int, bytes, str, float]:
    """Status, body as sent, tag, seconds."""
    line = http.client.HTTPConnection("localhost", port, timeout=60)
    headers = {"Accept-Encoding": "gzip", **({"If-None-Match": f'"{tag}"'} if tag else {})}
    begun_s = time.monotonic()
    line.request("GET", path, headers=headers)
    answer = line.getresponse()
    body = answer.read()
    took_s = time.monotonic() - begun_s
    return answer.status, body, (answer.headers.get("ETag") or "").strip('"'), took_s


def all_there(port: int, count: int) -> float:
    """Wait until the page shows them all; how long that took [s]."""
    begun_s = time.monotonic()
    while time.monotonic() - begun_s < 120:
        with contextlib.suppress(OSError):
            _, body, _, _ = get(port, "/")
            if gzip.decompress(body).count(b"<li id=") == count:
                return time.monotonic() - begun_s
        threading.Event().wait(0.5)
    raise AssertionError("not all boards were heard within 120 s")


def memory(process: subprocess.Popen[bytes]) -> tuple[int, int]:
    """Resident and proportional set of a process [KiB]."""
    text = Path(f"/proc/{process.pid}/smaps_rollup").read_text()
    told = dict(line.split(":") for line in text.splitlines()[1:])
    return int(told["Rss"].split()[0]), int(told["Pss"].split()[0])


def cpu_s(process: subprocess.Popen[bytes]) -> float:
    fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def opened(folder: Path, port: int) -> tuple[list[float], int]:
    """Seconds from the request to the frame after the load event, on a processor six times slower, and the
    bytes sent."""
    browser = start_chromium(folder / "chromium")
    took: list[float] = []
    try:
        size = {"width": 360, "height": 640, "deviceScaleFactor": 2, "mobile": True}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        browser.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": 6})
        browser.set_script_timeout(60)
        for _ in range(6):
            browser.get(f"http://localhost:{port}/?unit=C&clock=24")
            ended, paint, parsed, size_sent, lines = browser.execute_async_script(OPENED)
            print(f"  {lines} lines: first paint {paint:.0f}, parsed {parsed:.0f}, frame {ended:.0f} ms")
            took.append(ended / 1000)
            sent = int(size_sent)
    finally:
        browser.quit()
    return took[1:], sent  # the first one also fetched style and script


def ordinary(port: int, fleet: Fleet, boards: Boards) -> tuple[list[int], list[float]]:
    """Bytes and seconds of each poll of a page that stays open, while every board writes once a minute."""
    _, page, _, _ = get(port, "/?unit=C&clock=24")
    tag = gzip.decompress(page).partition(b'data-tag="')[2].partition(b'"')[0].decode()
    sizes, took = [], []
    waiting, per_poll = list(fleet.devices), math.ceil(len(fleet.devices) * POLL_EVERY_S / 60)
    fleet.chance.shuffle(waiting)
    for turn in range(POLLS):
        begun_s = time.monotonic()
        for device in (waiting[(turn * per_poll + i) % len(waiting)] for i in range(per_poll)):
            if fleet.chance.random() < 0.002:  # a state changes some twice an hour with each tenth board
                fleet.states[device] = "heating" if fleet.states[device] == "cold" else "cold"
            boards.tell(device, fleet.document(device))
        threading.Event().wait(max(0.0, POLL_EVERY_S - (time.monotonic() - begun_s)))
        code, body, tag, took_s = get(port, "/rows?unit=C&clock=24", tag)
        sizes.append(len(body) if code == 200 else 0)
        took.append(took_s)
    return sizes, took


@dataclass
class Measured:
    """What a run found."""

    took: list[float]
    sent: int
    polls: list[int]
    poll_s: list[float]
    used: float
    rss: int


def measured(folder: Path, count: int) -> Measured:
    """A run with so many boards; says how far it is."""
    fleet = Fleet(count)
    with RealBroker(folder, "max_queued_messages 20000") as broker, Boards(broker.port) as boards:
        told_s = time.monotonic()
        for device in fleet.devices:
            boards.tell(device, fleet.document(device))
        size = statistics.mean(len(document_payload(fleet.document(d))) for d in fleet.devices[:50])
        print(f"{count} documents of {size:.0f} bytes at the broker in {time.monotonic() - told_s:.1f} s")
        with page_of(folder, broker.port) as (process, port):
            print(f"all heard {all_there(port, count):.1f} s after its start")
            rss, pss = memory(process)
            print(f"page: {rss / 1024:.1f} MiB resident ({pss / 1024:.1f} proportional)")
            took, sent = opened(folder, port)
            before_s, begun_s = cpu_s(process), time.monotonic()
            polls, poll_s = ordinary(port, fleet, boards)
            used = (cpu_s(process) - before_s) / (time.monotonic() - begun_s)
            return Measured(took, sent, polls, poll_s, used, memory(process)[0])


def main() -> None:
    """Print figures, ends with 1 where a bound is missed."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--boards", type=int, default=1_000)
    count = asked.parse_args().boards
    with tempfile.TemporaryDirectory() as text:
        m = measured(Path(text), count)
    print(
        f"{count} lines on a processor 6 times slower: median {statistics.median(m.took):.2f} s, "
        f"slowest {max(m.took):.2f} s; {m.sent} bytes sent"
    )
    print(
        f"polls: median {statistics.median(m.polls):.0f}, most {max(m.polls)} bytes; "
        f"median {1000 * statistics.median(m.poll_s):.0f} ms, slowest {1000 * max(m.poll_s):.0f} ms"
    )
    print(f"each board writing once a minute: {100 * m.used:.1f} % of a processor, {m.rss / 1024:.1f} MiB")
    print(f"processes that wanted to run meanwhile: {os.getloadavg()[1]:.0f} on {os.cpu_count()} processors")
    sys.exit(statistics.median(m.took) > LINES_S or max(m.polls) > POLL_BYTES)


if __name__ == "__main__":
    main()
