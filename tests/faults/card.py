"""A board's card for tests, with what goes wrong with cards: real file systems that can be lost.

Needs root, loop devices and e2fsprogs.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from real_daemon import status_in
from scripted import SETTINGS

from probe_agent.status import Status

ROOT = Path(__file__).parents[2]
CAN_MOUNT = os.geteuid() == 0 and Path("/dev/loop-control").exists()
needs_mounts = pytest.mark.skipif(not CAN_MOUNT, reason="needs root and loop devices")
_EXT4_IOC_SHUTDOWN = 0x8004587D
"""_IOR('X', 125, __u32): include/uapi/linux/fs.h, FS_IOC_SHUTDOWN."""
_NO_LOG_FLUSH = b"\x02\x00\x00\x00"
PLACES = """
[store]
file = "{card}/probe-agent.db"
runtime_dir = "{memory}"
[sampling]
interval_s = 5
"""


def run(*command: object) -> str:
    return subprocess.run([str(c) for c in command], check=True, capture_output=True, text=True).stdout


class Card:
    """An ext4 file system on a loop device, mounted."""

    def __init__(self, folder: Path, mb: int = 64) -> None:
        self.image, self.mount = folder / "card.img", folder / "card"
        self.mount.mkdir()
        with self.image.open("wb") as file:
            file.truncate(mb * 1_000_000)
        run("mkfs.ext4", "-q", "-b", "4096", self.image)

    def __enter__(self) -> Card:
        run("mount", "-o", "loop,errors=remount-ro", self.image, self.mount)
        return self

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", "-l", str(self.mount)], check=False)

    def cut_power(self) -> None:
        """What was not synced is gone from this instant on; nothing is flushed."""
        handle = os.open(self.mount, os.O_RDONLY)
        try:
            fcntl.ioctl(handle, _EXT4_IOC_SHUTDOWN, _NO_LOG_FLUSH)
        finally:
            os.close(handle)

    def come_back(self) -> None:
        """The board boots again: the journal is replayed."""
        run("umount", self.mount)
        run("mount", "-o", "loop,errors=remount-ro", self.image, self.mount)

    def remount_read_only(self) -> None:
        """As a person does, while nothing is open for writing."""
        run("mount", "-o", "remount,ro", self.mount)

    def fail(self) -> None:
        """The kernel sees an error of the file system and makes it read-only, whoever has files open."""
        device = Path(run("findmnt", "-no", "SOURCE", self.mount).strip()).name
        Path(f"/sys/fs/ext4/{device}/trigger_fs_error").write_text("1", "ascii")


@contextlib.contextmanager
def small_tmpfs(folder: Path, kb: int) -> Iterator[Path]:
    """A file system of so many kilobytes."""
    folder.mkdir(exist_ok=True)
    run("mount", "-t", "tmpfs", "-o", f"size={kb}k", "tmpfs", folder)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False)


def write_settings(folder: Path, card: Path, more: str = "") -> Path:
    """Settings of a daemon whose store lies on the card and whose status document doesn't."""
    memory = folder / "memory"
    memory.mkdir(exist_ok=True)
    path = folder / "settings.toml"
    path.write_text(SETTINGS + PLACES.format(card=card, memory=memory) + more, "utf-8")
    return path


class CardDaemon:
    """tests/faults/card_daemon.py as a process of its own; `strace`: under it with these options; `under`:
    what else stands before its command."""

    def __init__(
        self, folder: Path, settings: Path, *, strace: tuple[str, ...] = (), under: tuple[str, ...] = ()
    ) -> None:
        self.memory, self._log = folder / "memory", folder / "log"
        self.began_s = time.monotonic()
        tracing = ("strace", "-D", "-f", "-qq", "--seccomp-bpf", "-o", str(folder / "trace"), *strace)
        script = str(Path(__file__).parent / "card_daemon.py")
        command = [*(tracing if strace else ()), *under, sys.executable, script, str(settings)]
        with self._log.open("ab") as out:
            self.process = subprocess.Popen(
                command,
                stdout=out,
                stderr=out,
                env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}"},
            )

    def __enter__(self) -> CardDaemon:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(20)
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(20)

    def log(self) -> str:
        return self._log.read_text("utf-8")

    def status(self) -> Status | None:
        """The status document of this start; None while there is none."""
        found = status_in(self.memory)
        return found if found is not None and found.run.mono_s > self.began_s else None

    def wait_for(self, true: Callable[[Status], bool], timeout_s: float = 60.0) -> Status:
        """The first status document that is so. Raises AssertionError with the log when time is up."""
        deadline, pause = time.monotonic() + timeout_s, threading.Event()
        while True:
            status = self.status()
            if status is not None and true(status):
                return status
            assert self.process.poll() is None, self.log()
            assert time.monotonic() < deadline, f"{status}\n{self.log()}"
            pause.wait(0.05)

    def measure_for(self, span_s: float) -> None:
        """Wait until it has measured for so long from now on [run s]."""
        first = self.wait_for(lambda s: True, 120)
        self.wait_for(lambda s: s.run.t_s - first.run.t_s >= span_s, span_s + 60)
