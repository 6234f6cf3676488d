"""The demonstration: a simulated cold engine with its own broker, mail receiver, daemon and page.

Started by try.sh inside its virtual environment. The four programs are children in this process's group,
listen on free loopback ports and keep their data in a temporary folder. INT, TERM, HUP, or the end of one
child ends all; a child also dies with this process if it is killed outright.
"""

from __future__ import annotations

import argparse
import asyncio
import ctypes
import json
import os
import pwd
import signal
import socket
import sys
import tempfile
import textwrap
import time
import tomllib
import urllib.request
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
SPEED = 95  # two and a half run hours from −12 °C to ready pass in some 100 real seconds
START_DEADLINE_S = 60.0
STOP_DEADLINE_S = 8.0
LOOK_EVERY_S = 0.5
PR_SET_PDEATHSIG = 1

WATCH_FOR = """
  A simulated engine at −12 °C has just been plugged in. Time runs {speed:g} times as fast as real.
  Watch for, in this order (in real minutes at 95 times):
    at once    cold, then warming; soon the first range of times for "above target"
    0 to 1     the range narrows; the estimated, unprobed core follows behind the probes
    about 1½   coldest point above target, and the mail that says so
    20 s on    ready to start (soaked above target)
    20 s on    nobody has switched off: the reminder, by mail and on the page
    about 3    the heater's timer has ended: cooling
  Nothing here heats anything. On a real engine: mind fire, carbon monoxide, mains outdoors, and a
  propeller that can turn.
  Ctrl-C ends everything and removes its data.
"""


@dataclass(frozen=True)
class Ports:
    broker: int
    page: int


# -- settings


def demo_settings(example: Mapping[str, Any], folder: Path, ports: Ports, mail_port: int) -> dict[str, Any]:
    """The example settings with every probe simulated and everything else on loopback and in `folder`."""
    table = {key: value for key, value in example.items() if key != "one_wire"}
    table["probes"] = [
        {"place": p["place"], "address": p["place"], "source": "simulated"} for p in example["probes"]
    ]
    table["store"] = {"file": str(folder / "probe-agent.db"), "runtime_dir": str(folder / "run")}
    table["broker"] = {"host": "127.0.0.1", "port": ports.broker}
    table["page"] = {"listen": "127.0.0.1", "port": ports.page}
    channel = f"mailto://127.0.0.1:{mail_port}/?from=probe-agent@example.org&to=pilot@example.org"
    table["recipients"] = [{"name": "pilot", "address": channel}]
    table["messages"] = {"retry_s": 2, "timeout_s": 5}
    return table


def as_toml(table: Mapping[str, Any]) -> str:
    """TOML text of a table of tables and lists of tables whose values are plain scalars. A JSON string,
    number or boolean is the same in TOML."""
    lines: list[str] = []
    for key, value in table.items():
        entries, head = (value, f"[[{key}]]") if isinstance(value, list) else ([value], f"[{key}]")
        for entry in entries:
            lines += ["", head, *(f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in entry.items())]
    return "\n".join(lines).lstrip() + "\n"


def free_ports() -> Ports:
    """Two loopback ports nobody listens on at this moment."""
    with socket.socket() as broker, socket.socket() as page:
        for s in (broker, page):
            s.bind(("127.0.0.1", 0))
        return Ports(broker.getsockname()[1], page.getsockname()[1])


# -- children


@dataclass(frozen=True)
class Child:
    name: str
    process: asyncio.subprocess.Process
    log: Path

    def obituary(self) -> str:
        """How it ended and what it said last."""
        code = self.process.returncode or 0
        how = f"killed by {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"
        lines = self.log.read_text("utf-8", "replace").splitlines()[-15:] or ["(it said nothing)"]
        return "\n    ".join([f"The {self.name} has ended by itself ({how}). Its last lines:", *lines])


class Children:
    """The programs of the demonstration. `first_ended` is the first that ends, whoever ends it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._all: list[Child] = []
        self._watches: list[asyncio.Task[None]] = []
        self.first_ended: asyncio.Future[Child] = asyncio.get_running_loop().create_future()

    async def start(self, name: str, command: list[str], *, talks: bool = False, **how: Any) -> Child:
        """Start one. talks: its standard output is read here and doesn't go to its log."""
        log = self._folder / f"{name}.log"
        with log.open("wb") as out:
            process = await asyncio.create_subprocess_exec(
                *command,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE if talks else out,
                stderr=out,
                cwd=self._folder,
                preexec_fn=_dying_with_parent(),
                limit=2**22,
                **how,
            )
        child = Child(name, process, log)
        self._all.append(child)
        self._watches.append(asyncio.create_task(self._watch(child)))
        return child

    async def _watch(self, child: Child) -> None:
        await child.process.wait()
        if not self.first_ended.done():
            self.first_ended.set_result(child)

    async def stop(self) -> None:
        """End those that still run, the last started first, with force where asking isn't enough."""
        for child in reversed(self._all):
            with suppress(ProcessLookupError):
                child.process.terminate()
        if self._watches:
            await asyncio.wait(self._watches, timeout=STOP_DEADLINE_S)
        for child in self._all:
            with suppress(ProcessLookupError):
                child.process.kill()
        await asyncio.gather(*self._watches)


def _dying_with_parent() -> Callable[[], None]:
    """What a child does between fork and exec so that it never outlives this process."""
    libc = ctypes.CDLL(None)
    parent = os.getpid()

    def set_death_signal() -> None:
        libc.prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:  # it died in between
            os._exit(1)

    return set_death_signal


def unprivileged() -> dict[str, Any]:
    """The broker's user where this runs as root: Debian's own for it, else nobody. Given at its start,
    since a process that changes its user later forgets that it shall die with its parent."""
    if os.geteuid() != 0:
        return {}
    names = {entry.pw_name for entry in pwd.getpwall()}
    entry = pwd.getpwnam("mosquitto" if "mosquitto" in names else "nobody")
    return {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": []}


async def start_broker(children: Children, folder: Path, port: int) -> None:
    config = folder / "mosquitto.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nlog_dest stderr\n"
    )
    config.chmod(0o644)
    folder.chmod(0o711)  # the broker's user must get at its file
    await children.start("broker", ["mosquitto", "-c", str(config)], **unprivileged())
    await answers(port)


async def start_receiver(children: Children) -> tuple[asyncio.StreamReader, int]:
    """Where it tells of mails, one JSON object a line, and its port."""
    command = [sys.executable, str(HERE / "mail_receiver.py")]
    receiver = await children.start("mail receiver", command, talks=True)
    mails = receiver.process.stdout
    assert mails is not None
    first = await mails.readline()
    if not first:
        await asyncio.Event().wait()  # it has ended, which ends the whole demonstration
    return mails, json.loads(first)["port"]


async def start_all(children: Children, folder: Path, speed: float) -> tuple[asyncio.StreamReader, int]:
    """Where mails are told of, and the page's port, once the page answers. Raises TimeoutError."""
    ports = free_ports()
    mails, mail_port = await start_receiver(children)
    await start_broker(children, folder, ports.broker)
    example = tomllib.loads((HERE / "example.toml").read_text("utf-8"))
    settings = folder / "demo.toml"
    settings.write_text(as_toml(demo_settings(example, folder, ports, mail_port)), "utf-8")
    programs = Path(sys.executable).parent
    with_settings = ["--settings", str(settings)]
    await children.start(
        "daemon", [str(programs / "probe-agent"), "try", *with_settings, f"--speed={speed:g}"]
    )
    await children.start("page", [str(programs / "probe-agent-web"), *with_settings])
    await answers(ports.page)
    return mails, ports.page


async def answers(port: int) -> None:
    """Return once something accepts connections on the loopback port. Raises TimeoutError."""
    async with asyncio.timeout(START_DEADLINE_S):
        while True:
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", port)
            except OSError:
                await asyncio.sleep(0.05)
            else:
                writer.close()
                return


# -- what the person sees


class Terminal:
    """Lines with the real time since the start before them."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    def say(self, text: str) -> None:
        """Print a line, and under it, indented and wrapped, the first six lines of the rest."""
        minutes, seconds = divmod(int(time.monotonic() - self._start), 60)
        first, *rest = text.splitlines()
        wrapped = [part for line in rest for part in textwrap.wrap(line, 90)][:6]
        print(
            f"{minutes:3d}:{seconds:02d}  {first}", *(f"        {w}" for w in wrapped), sep="\n", flush=True
        )


async def show_mails(mails: asyncio.StreamReader, terminal: Terminal) -> None:
    """Print each mail as it arrives."""
    async for line in mails:
        mail = json.loads(line)
        terminal.say(f"mail to {', '.join(mail['to'])}: {mail['subject']}\n{mail['text']}")


def read_status(url: str) -> dict[str, Any] | None:
    """The page's status document; None where there is none at present."""
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:
            document: dict[str, Any] = json.load(answer)
            return document
    except (OSError, HTTPException, ValueError):
        return None


async def show_states(url: str, terminal: Terminal) -> None:
    """Print each change of state the page tells of, with the verdict in its words."""
    seen = None
    while True:
        status = await asyncio.to_thread(read_status, url)
        if status is not None and status["state"] != seen:
            seen = status["state"]
            terminal.say(f"[{seen}] run time {status['now']}\n{status['verdict']}")
        await asyncio.sleep(LOOK_EVERY_S)


async def demonstrate(children: Children, folder: Path, speed: float) -> None:
    """Start everything and tell what happens, until cancelled. Raises TimeoutError, BrokenPipeError."""
    terminal = Terminal()
    mails, port = await start_all(children, folder, speed)
    page = f"http://127.0.0.1:{port}/"
    print(f"The page: {page}\n{WATCH_FOR.format(speed=speed)}", flush=True)
    await asyncio.gather(show_mails(mails, terminal), show_states(page + "api/status", terminal))


async def run(folder: Path, speed: float) -> int:
    """The exit code: 0 when told to stop, 1 when a child has ended by itself or nothing answered."""
    told = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, told.set)
    children = Children(folder)
    stopping = asyncio.create_task(told.wait())
    showing = asyncio.create_task(demonstrate(children, folder, speed))
    try:
        ends: list[asyncio.Future[Any]] = [stopping, showing, children.first_ended]
        await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        # Ctrl-C reaches the children too, and one may be quicker than this process.
        await asyncio.wait({stopping}, timeout=0.5)
        if told.is_set():
            return 0
        if children.first_ended.done():
            print(children.first_ended.result().obituary(), file=sys.stderr)
        else:
            print(f"The demonstration can't go on: {showing.exception()!r}", file=sys.stderr)
        return 1
    finally:
        for task in (showing, stopping):
            task.cancel()
        await children.stop()
        await asyncio.gather(showing, stopping, return_exceptions=True)


def main() -> int:
    parser = argparse.ArgumentParser(prog="try.sh", description="Heat up a simulated engine and show it.")
    parser.add_argument("--speed", type=float, default=SPEED, help=f"run seconds in a real one ({SPEED})")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="probe-agent-demo-") as folder:
        return asyncio.run(run(Path(folder), args.speed))


if __name__ == "__main__":
    sys.exit(main())
