"""Many phones on the page while the daemon samples: whether a tick is missed, how long a poll takes.

    python -m tests.bench.load                        50 phones for two minutes, some five minutes in all
    python -m tests.bench.load --phones 20 --seconds 30

The real daemon and the real page as processes on loopback, first without phones, then with them. A phone asks
as page.js does: the page once, then each five seconds for what has changed, on a connection it keeps. It ends
by itself; the exit code is 1 where a tick was missed or a poll failed.
"""

from __future__ import annotations

import argparse
import asyncio
import re
import sqlite3
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from real_broker import free_port
from real_daemon import Process, status_in, write_settings

INTERVAL_S = 5.0
POLL_S = 5.0
"""FIRST_MS of page.js."""
GIVES_UP_S = 8.0
"""ASK_MS of page.js."""
AGENT = "Accept-Language: en\r\nAccept-Encoding: gzip\r\nConnection: keep-alive\r\n"


@dataclass
class Polls:
    """What phones were answered. took_s: of each poll; failed: what went wrong."""

    took_s: list[float] = field(default_factory=list)
    unchanged: int = 0
    failed: list[str] = field(default_factory=list)

    def quantile_s(self, share: float) -> float:
        return sorted(self.took_s)[min(len(self.took_s) - 1, int(share * len(self.took_s)))]


@dataclass(frozen=True)
class Ticks:
    """Ticks of a span. late_s: the latest one beyond its interval; missed: spans of 1.5 intervals or more."""

    count: int
    late_s: float
    missed: int


class Phone:
    """One phone with one connection."""

    def __init__(self, port: int, polls: Polls) -> None:
        self._port, self._polls = port, polls
        self._tag = ""
        self._pipe: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def live(self, until_s: float, first_s: float) -> None:
        """Ask until an instant of time.monotonic(); begin first_s later, as phones don't begin together."""
        await asyncio.sleep(first_s)
        await self._poll("/")
        while time.monotonic() + POLL_S < until_s:
            await asyncio.sleep(POLL_S)
            await self._poll("/now")
        self.hang_up()

    async def _poll(self, path: str) -> None:
        began_s = time.monotonic()
        try:
            code = await asyncio.wait_for(self._ask(path), GIVES_UP_S)
        except (OSError, TimeoutError, asyncio.IncompleteReadError, ValueError) as err:
            self._polls.failed.append(f"{path}: {type(err).__name__} {err}")
            self.hang_up()
            return
        self._polls.took_s.append(time.monotonic() - began_s)
        self._polls.unchanged += code == 304
        if code not in (200, 304):
            self._polls.failed.append(f"{path}: status {code}")

    async def _ask(self, path: str) -> int:
        if self._pipe is None:
            self._pipe = await asyncio.open_connection("127.0.0.1", self._port)
        reader, writer = self._pipe
        had = f'If-None-Match: "{self._tag}"\r\n' if self._tag else ""
        writer.write(f"GET {path} HTTP/1.1\r\nHost: localhost\r\n{AGENT}{had}\r\n".encode())
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
        code = int(head.split(" ", 2)[1])
        length = re.search(r"(?i)^content-length: (\d+)", head, re.MULTILINE)
        if length and code != 304:
            await reader.readexactly(int(length[1]))
        if re.search(r"(?i)^connection: close", head, re.MULTILINE):
            self.hang_up()
        if tag := re.search(r'(?i)^etag: "(\w+)"', head, re.MULTILINE):
            self._tag = tag[1]
        return code

    def hang_up(self) -> None:
        """End the connection; the next poll makes another."""
        if self._pipe is not None:
            self._pipe[1].close()
            self._pipe = None


async def phones_ask(port: int, phones: int, seconds: float) -> Polls:
    """So many phones for so many seconds."""
    polls, until_s = Polls(), time.monotonic() + seconds
    lives = (Phone(port, polls).live(until_s, POLL_S * i / phones) for i in range(phones))
    await asyncio.gather(*lives)
    return polls


def ticks_of(file: Path, from_s: float, to_s: float) -> Ticks:
    """The stored ticks of a span of run seconds."""
    db = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    try:
        rows = db.execute("SELECT mono_ms / 1000.0 FROM ticks ORDER BY mono_ms").fetchall()
    finally:
        db.close()
    times = [t_s for (t_s,) in rows if from_s <= t_s <= to_s]
    spans = [b - a for a, b in pairwise(times)]
    missed = sum(span >= 1.5 * INTERVAL_S for span in spans)
    return Ticks(len(times), max(spans, default=INTERVAL_S) - INTERVAL_S, missed)


def measure(folder: Path, phones: int, seconds: float) -> tuple[Ticks, Ticks, Polls]:
    """Ticks without phones for a quarter of that time, ticks with them, and their polls."""
    port = free_port()
    settings = write_settings(folder, interval_s=INTERVAL_S)
    arguments = ("--settings", str(settings))
    with ExitStack() as life:
        daemon = life.enter_context(
            Process("probe_agent.cli", "try", *arguments, "--speed", "1", log=folder / "daemon.log")
        )
        life.enter_context(Process("web.serve", *arguments, "--port", str(port), log=folder / "page.log"))
        daemon.wait_for(lambda: status_in(folder) is not None and "http" in (folder / "page.log").read_text())
        began_s, until_s = _run_s(folder), time.monotonic() + seconds / 4
        daemon.wait_for(lambda: time.monotonic() > until_s, seconds)
        asked_s = _run_s(folder)
        polls = asyncio.run(phones_ask(port, phones, seconds))
        ended_s = _run_s(folder)
        daemon.end()  # commits what it holds
    file = folder / "probe-agent.db"
    return ticks_of(file, began_s, asked_s), ticks_of(file, asked_s, ended_s), polls


def _run_s(folder: Path) -> float:
    """The newest tick's instant in run seconds."""
    status = status_in(folder)
    assert status is not None
    return status.run.t_s


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--phones", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=120.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        quiet, ticks, polls = measure(Path(folder), min(asked.phones, 90), min(asked.seconds, 600.0))
    print(f"without phones: {quiet.count} ticks, latest {quiet.late_s:.2f} s after its time")
    print(report(ticks, polls))
    sys.exit(1 if ticks.missed or polls.failed else 0)


def report(ticks: Ticks, polls: Polls) -> str:
    """Both in two lines."""
    ms = [round(1000 * polls.quantile_s(share)) for share in (0.5, 0.95, 0.99, 1.0)]
    return (
        f"ticks: {ticks.count}, latest {ticks.late_s:.2f} s after its time, missed {ticks.missed}\n"
        f"polls: {len(polls.took_s)} ({polls.unchanged} unchanged), failed {len(polls.failed)}; "
        f"median {ms[0]} ms, 95 % {ms[1]} ms, 99 % {ms[2]} ms, longest {ms[3]} ms"
    )


if __name__ == "__main__":
    main()
