"""What Now weighs and how fast it is: bytes, a slow line, a slow phone, the status beside a bare page.

    python -m tests.bench.page            all of it, some two minutes; Chromium and chromedriver are needed
    python -m tests.bench.page weight line phone status store

Each figure is printed beside what it is to stay within; the exit code is 1 where one doesn't.
"""

from __future__ import annotations

import argparse
import gzip
import math
import random
import re
import shutil
import socket
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import msgspec
from flask import Flask
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from waitress import create_server, wasyncore  # type: ignore[import-untyped]

from probe_agent.config import parse_settings
from probe_agent.migrations import migrate
from probe_agent.status import utc_seconds, write_status
from probe_agent.store import Batch, Store, StoredReading, TickRow
from web.app import create_app
from web.source import FileStatusSource

sys.path.insert(0, str(Path(__file__).parents[1]))
import status_samples as samples

ROOT = Path(__file__).parents[2]
ROUND_TRIP_S, BITS_PER_S = 0.4, 400_000.0
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking")


@dataclass(frozen=True)
class Figure:
    """A measured figure and what it is to stay within."""

    name: str
    value: float
    most: float
    unit: str

    def __str__(self) -> str:
        mark = "" if self.value <= self.most else "   TOO MUCH"
        return f"{self.name:<58} {self.value:>9.2f}  (at most {self.most:g} {self.unit}){mark}"


# -- the page


def night(hours: float = 8.0, every_s: float = 15.0) -> Iterator[tuple[float, dict[str, float], float]]:
    """Eight probes through a night and a heat-up, with the noise thermocouples have: (UTC s, °C, heater)."""
    dice = random.Random(7)
    end_at = utc_seconds(samples.NOW)
    known = {p.place: p.c for p in samples.heating().probes if p.c is not None}
    count = int(hours * 3600 / every_s)
    for i in range(count):
        before_h = (count - 1 - i) * every_s / 3600
        heated = 1 - math.exp(-max(0.0, 1.5 - before_h) / 1.2)
        values = {
            place: -12.5 + 0.4 * before_h + (c + 12.5) * heated / 0.713 + dice.gauss(0, 0.12)
            for place, c in known.items()
        }
        yield end_at - before_h * 3600, values, 1.0 if before_h <= 1.5 else 0.0


def fill(path: Path, hours: float = 8.0, every_s: float = 15.0) -> None:
    """A store with such a night in it, the way the daemon writes."""
    migrate(path)
    store = Store(path)
    store.describe_places({p.place: (p.required, p.near_heater) for p in samples.heating().probes})
    first_at = next(night(hours, every_s))[0]
    store.begin_boot("0" * 32, first_at, True)
    for at, values, heater in night(hours, every_s):
        readings = tuple(StoredReading(p, round(c, 3), None, round(c, 3), None) for p, c in values.items())
        store.hold(TickRow(store.new_tick(), at - first_at, heater, readings))
    store.commit(Batch())
    store.close()


def age(path: Path, heat_ups: int = 600, rows: int = 1200) -> None:
    """Ten years of such heat-ups before that night, five hours each, written straight into the file."""
    db = sqlite3.connect(path)
    db.execute("PRAGMA synchronous = OFF")
    db.execute("UPDATE ticks SET tick = tick + 10000000")
    db.execute("UPDATE readings SET tick = tick + 10000000")
    places = [row[0] for row in db.execute("SELECT place FROM places ORDER BY place")]
    spread_s = 10 * 365 * 86_400 / heat_ups
    for h in range(heat_ups):
        begin_ms = -round((heat_ups - h) * spread_s * 1000)
        ticks = range(h * rows + 1, (h + 1) * rows + 1)
        db.executemany(
            "INSERT INTO ticks (tick, boot, mono_ms, heater_share) VALUES (?, 1, ?, 1.0)",
            ((t, begin_ms + 15_000 * (t - ticks[0])) for t in ticks),
        )
        db.executemany(
            "INSERT INTO readings (tick, place, raw_mc, value_mc) VALUES (?, ?, ?, ?)",
            ((t, p, 10 * (t % 900), 10 * (t % 900)) for t in ticks for p in places),
        )
    db.commit()
    db.close()


@contextmanager
def served(app: Any) -> Iterator[int]:
    """The port of an application behind waitress, as probe-agent-web serves it."""
    server: Any = create_server(app, host="127.0.0.1", port=0, threads=3, ident=None)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server.effective_port
    finally:
        server.trigger.pull_trigger(lambda: wasyncore.close_all(server._map))
        thread.join()
        server.task_dispatcher.shutdown(timeout=10)


def page_of(folder: Path) -> Flask:
    settings = parse_settings((ROOT / "deploy" / "example.toml").read_bytes(), "example.toml")
    return create_app(FileStatusSource(folder / "status.json"), folder / "store.db", settings)


def fetch(port: int, path: str, **headers: str) -> tuple[int, bytes, dict[str, str]]:
    """Bytes on the wire, head included; the body; the head."""
    link = HTTPConnection("127.0.0.1", port, timeout=60)
    link.request("GET", path, headers={"Host": f"localhost:{port}", "Accept-Encoding": "gzip", **headers})
    answer = link.getresponse()
    body = answer.read()
    link.close()
    head = {name.lower(): value for name, value in answer.getheaders()}
    return len(body) + sum(len(k) + len(v) + 4 for k, v in head.items()) + 19, body, head


# -- weight


def weigh(folder: Path) -> list[Figure]:
    """Now with what it needs, heads included; one poll in which every value changes."""
    write_status(folder / "status.json", samples.heating())
    with served(page_of(folder)) as port:
        sizes = {path: fetch(port, path)[0] for path in ("/", *_files(fetch(port, "/")[1]))}
        head = fetch(port, "/now")[2]
        changed = msgspec.structs.replace(samples.sample(coldest_c=-5.0), now=samples.minutes_after(1))
        write_status(folder / "status.json", changed)
        poll = len(fetch(port, "/now", **{"If-None-Match": head["etag"]})[1])
        curve = len(fetch(port, "/curve")[1])
    for path, size in sizes.items():
        print(f"  {path.split('?')[0]:<40} {size:>6} bytes")
    print(f"  {'/curve, while it is in view':<40} {curve:>6} bytes")
    return [
        Figure("Now, 8 h of 8 probes, stylesheet and script", sum(sizes.values()) / 1000, 14, "kB"),
        Figure("a poll in which every value changes", poll / 1000, 1.5, "kB"),
    ]


def _files(html: bytes) -> list[str]:
    """Addresses of stylesheet and script."""
    return re.findall(r'"(/static/page\.(?:css|js)[^"]*)"', gzip.decompress(html).decode())


# -- a slow line


class SlowLine:
    """Stands between phone and page: a round trip before anything comes back, and so many bits a second for
    all connections together. A new connection costs a round trip of its own."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._door.getsockname()[1]
        self.asked: list[tuple[float, str]] = []
        self._open: list[socket.socket] = []
        self._free_at = 0.0
        self._lock = threading.Lock()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            try:
                near, _ = self._door.accept()
            except OSError:
                return
            threading.Thread(target=self._carry, args=(near,), daemon=True).start()

    def _carry(self, near: socket.socket) -> None:
        far = socket.create_connection(("127.0.0.1", self._to))
        self._open += [near, far]
        threading.Thread(target=self._back, args=(far, near), daemon=True).start()
        first = True
        try:
            while data := near.recv(65_536):
                self.asked += [
                    (time.monotonic(), line.split(" ")[1])
                    for line in data.decode("latin-1").split("\r\n")
                    if line.startswith(("GET ", "POST "))
                ]
                time.sleep(ROUND_TRIP_S * (2 if first else 1))
                first = False
                far.sendall(data)
        except OSError:
            pass
        finally:
            far.close()

    def _back(self, far: socket.socket, near: socket.socket) -> None:
        try:
            while data := far.recv(1_400):
                with self._lock:
                    self._free_at = max(self._free_at, time.monotonic()) + len(data) * 8 / BITS_PER_S
                    wait = self._free_at - time.monotonic()
                time.sleep(max(wait, 0.0))
                near.sendall(data)
        except OSError:
            pass
        finally:
            near.close()

    def forget(self) -> None:
        """Cut what stands between, so that the next visit begins with a connection of its own."""
        while self._open:
            with suppress(OSError):
                self._open.pop().shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.forget()
        self._door.close()


@contextmanager
def browser(width: int = 320) -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for flag in FLAGS:
        options.add_argument(flag)
    chrome = webdriver.Chrome(options=options, service=Service(str(shutil.which("chromedriver"))))
    metrics = {"width": width, "height": 568, "deviceScaleFactor": 2, "mobile": True}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        yield chrome
    finally:
        chrome.quit()


PAINTED = """
const done = arguments[0];
new PerformanceObserver(l => l.getEntriesByName('first-contentful-paint').forEach(e => done(e.startTime)))
  .observe({type: 'paint', buffered: true});
"""
SETTLED = """
const done = arguments[0], quiet = () => {
  const last = Math.max(0, ...performance.getEntriesByType('resource').map(r => r.responseEnd));
  if (document.readyState === 'complete' && performance.now() - last > 2500) done();
  else setTimeout(quiet, 200);
};
quiet();
"""


def slow_line(folder: Path) -> list[Figure]:
    """When the verdict can be read behind the line: the first paint with text, cold and with files kept."""
    write_status(folder / "status.json", samples.heating())
    out: list[Figure] = []
    with served(page_of(folder)) as port, browser() as phone:
        phone.set_script_timeout(30)
        line = SlowLine(port)
        for name, most in (("cold", 3.0), ("warm", 1.5)):
            before = len(line.asked)
            phone.get(f"http://127.0.0.1:{line.port}/")
            painted_s = phone.execute_async_script(PAINTED) / 1000
            phone.execute_async_script(SETTLED)
            begun = line.asked[before][0]
            until = [
                path.split("?")[0]
                for at, path in line.asked[before:]
                if at <= begun + painted_s - ROUND_TRIP_S
            ]
            print(f"  {name}: {' '.join(until)}")
            out.append(Figure(f"the verdict can be read, {name}", painted_s, most, "s"))
            out.append(Figure(f"requests until then, {name}", len(until), 3, "requests"))
            phone.get("about:blank")
            line.forget()
        line.close()
    return out


# -- a slow phone

TAP = """
const [css, done] = arguments;
const seen = [];
new PerformanceObserver(l => seen.push(...l.getEntries().map(e => e.duration)))
  .observe({type: 'event', durationThreshold: 16});
document.querySelector(css).scrollIntoView();
setTimeout(() => { window.taken = () => Math.max(0, ...seen); done(); }, 500);
"""
DRAW = """
const done = arguments[0], place = document.getElementById('curve-part');
fetch('/curve?curve=places').then(a => a.text()).then(html => {
  const start = performance.now();
  place.innerHTML = html;
  place.getBoundingClientRect();
  requestAnimationFrame(() => setTimeout(() => done(performance.now() - start)));
});
"""
"""From the markup's arrival to the end of the frame it is painted in."""


def slow_phone(folder: Path) -> list[Figure]:
    """Taps and the chart on a processor six times slower."""
    write_status(folder / "status.json", samples.heating())
    with served(page_of(folder)) as port, browser() as phone:
        phone.get(f"http://127.0.0.1:{port}/")
        phone.execute_cdp_cmd("Emulation.setCPUThrottlingRate", {"rate": 6})
        taps = []
        for css in (
            "#part-engine summary",
            "#curve-part summary",
            "a[data-form=places]",
            "a[data-form=past]",
        ):
            phone.execute_async_script(TAP, css)
            phone.find_element(By.CSS_SELECTOR, css).click()
            phone.execute_async_script("setTimeout(arguments[0], 700)")
            taps.append(phone.execute_script("return window.taken()"))
        drawn = [phone.execute_async_script(DRAW) for _ in range(9)]
    print("  taps:", *(f"{t:.0f}" for t in taps), " charts:", *(f"{d:.0f}" for d in drawn))
    return [
        Figure("the slowest tap to the next paint, 6 times slower", max(taps), 200, "ms"),
        Figure(
            "the chart, parsed, laid out and painted, 6 times slower", statistics.median(drawn), 100, "ms"
        ),
    ]


# -- the status beside a bare page


def status_cost(folder: Path, times: int = 400) -> list[Figure]:
    """Median latency of /api/status over that of a page of two letters, in turns, one client."""
    write_status(folder / "status.json", samples.heating())
    bare = Flask("bare")
    bare.add_url_rule("/", "bare", lambda: "ok")
    with served(page_of(folder)) as port, served(bare) as bare_port:
        ours, theirs = HTTPConnection("127.0.0.1", port), HTTPConnection("127.0.0.1", bare_port)
        took: dict[str, list[float]] = {"status": [], "bare": []}
        for _ in range(times):
            for name, link, path in (("status", ours, "/api/status"), ("bare", theirs, "/")):
                start = time.perf_counter()
                link.request("GET", path, headers={"Host": "localhost"})
                link.getresponse().read()
                took[name].append(time.perf_counter() - start)
    mine, other = (statistics.median(took[name][20:]) * 1000 for name in ("status", "bare"))
    print(f"  /api/status {mine:.2f} ms, a bare page {other:.2f} ms")
    return [Figure("/api/status over a bare Flask page", mine / other, 1.4, "times")]


# -- ten years


def old_store(folder: Path, times: int = 15) -> list[Figure]:
    """Now from a store of ten years over Now from one of a night, each time after a commit."""
    aged = folder / "aged"
    aged.mkdir()
    shutil.copy(folder / "store.db", aged / "store.db")
    age(aged / "store.db")
    took = {}
    for name, place in (("a night", folder), ("ten years", aged)):
        write_status(place / "status.json", samples.heating())
        with served(page_of(place)) as port:
            took[name] = statistics.median(_anew(place / "store.db", port) for _ in range(times)) * 1000
        print(f"  {name}: {took[name]:.0f} ms, {(place / 'store.db').stat().st_size / 1e6:.0f} MB")
    return [Figure("Now of ten years over Now of a night", took["ten years"] / took["a night"], 1.2, "times")]


def _anew(store: Path, port: int) -> float:
    db = sqlite3.connect(store)
    with db:
        db.execute("UPDATE places SET name = name")  # whoever reads sees that somebody has written
    db.close()
    start = time.perf_counter()
    fetch(port, "/")
    return time.perf_counter() - start


PARTS: dict[str, Callable[[Path], list[Figure]]] = {
    "weight": weigh,
    "line": slow_line,
    "phone": slow_phone,
    "status": status_cost,
    "store": old_store,
}


def main() -> int:
    parser = argparse.ArgumentParser(description="What Now weighs and how fast it is.")
    parser.add_argument("part", nargs="*", choices=[*PARTS, []], default=[])
    wanted = parser.parse_args().part or list(PARTS)
    figures: list[Figure] = []
    with tempfile.TemporaryDirectory() as folder:
        fill(Path(folder) / "store.db")
        for name in wanted:
            print(name, flush=True)
            figures += PARTS[name](Path(folder))
    print(*figures, sep="\n")
    return 1 if any(f.value > f.most for f in figures) else 0


if __name__ == "__main__":
    sys.exit(main())
