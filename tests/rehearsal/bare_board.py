"""A board's root as Debian makes it, with nothing of ours in it, and commands run in there.

It lives in namespaces of its own (mounts, processes, and for what runs on the board a network that reaches
nothing), held by one process: when that ends, everything in there ends and every mount is gone. Where this
machine gets its packages, and what pip is told here, is told in there too.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parents[2]
SUITE = os.environ.get("REHEARSAL_SUITE", "bookworm")
SOURCE = "home/owner/probe-agent"
"""Where the unpacked archive lies."""
MOUNTS = """
set -e
mount --make-rprivate /
r={root}
mount --bind "$r" "$r"
mount -t proc proc "$r/proc"
mount --bind "$r/proc/sys" "$r/proc/sys"
mount -o remount,bind,ro "$r/proc/sys"
mount -t tmpfs -o mode=755 tmpfs "$r/dev"
for node in null:3 zero:5 full:7 random:8 urandom:9; do
    mknod -m 666 "$r/dev/${{node%:*}}" c 1 "${{node#*:}}"
done
mkdir "$r/dev/pts" "$r/dev/shm"
mount -t devpts -o newinstance,ptmxmode=0666 devpts "$r/dev/pts"
ln -s pts/ptmx "$r/dev/ptmx"
ln -s /proc/self/fd "$r/dev/fd"
mount -t tmpfs -o mode=755 tmpfs "$r/run"
ip link set lo up
"""
"""None of this machine's devices, and none of its settings to be changed."""

HOLD = "echo held; exec cat"
BOOT = """
cp -a "$r/sys" "$r/run/sys"
mount -t tmpfs -o mode=755 tmpfs "$r/sys"
cp -a "$r/run/sys/." "$r/sys/"
mkdir -p "$r/sys/fs/cgroup" "$r/old"
mount -t cgroup2 cgroup2 "$r/sys/fs/cgroup"
cd "$r"
pivot_root . old
umount -l /old
[ ! -e /old/usr ]
export container=test
echo held
exec setpriv --bounding-set -sys_time,-sys_module,-sys_rawio /usr/lib/systemd/systemd --system \
    --unit=multi-user.target --show-status=no --log-target=null >/dev/null 2>&1 </dev/null
"""
"""systemd as on a board, which can neither set this machine's clock nor load its modules."""

_CLEAN = ("env", "-i", "HOME=/root", "LANG=C.UTF-8", "PATH=/usr/sbin:/usr/bin:/sbin:/bin:/usr/local/bin")


def fenced(file: str, name: str) -> list[str]:
    """The commands of a block that a document marks as rehearsed, as they are printed, a line each."""
    text = (ROOT / file).read_text("utf-8")
    blocks = re.findall(rf"^```sh rehearsed {re.escape(name)}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    assert len(blocks) == 1, f"{file} has {len(blocks)} blocks '{name}'"
    return [line for line in blocks[0].replace("\\\n", " ").splitlines() if line.strip()]


def bare_root(root: Path) -> None:
    """Debian as debootstrap leaves it, and sudo, which a board's image has; its log beside it."""
    if (ready := os.environ.get("REHEARSAL_BASE")) is not None:
        subprocess.run(["cp", "-a", ready, root], check=True)
        return
    with root.with_suffix(".log").open("wb") as log:
        command = ["debootstrap", "--include=sudo", SUITE, str(root), _mirror()]
        subprocess.run(command, check=True, stdout=log, stderr=log)


def _mirror() -> str:
    """Where this machine gets its packages."""
    said = _output("apt-get", "indextargets", "--format", "$(SITE)", "Created-By: Packages")
    return said.split()[0]


def _control_group() -> Path:
    """A group of its own for what systemd starts."""
    mounts = [line.split() for line in Path("/proc/mounts").read_text("utf-8").splitlines()]
    group = Path(next(m[1] for m in mounts if m[2] == "cgroup2")) / f"probe-agent-rehearsal-{os.getpid()}"
    group.mkdir()
    return group


def _output(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


class BareBoard:
    """Context manager. run(): a command line in there; start(): a program that goes on."""

    def __init__(self, root: Path, booted: bool = False) -> None:
        """booted: systemd runs in there."""
        self.root = root
        self._booted = booted
        self._programs: list[subprocess.Popen[bytes]] = []
        self._group: Path | None = None

    def __enter__(self) -> BareBoard:
        mounts = MOUNTS.format(root=shlex.quote(str(self.root)))
        script = "\n".join([mounts, *self._tell_of_this_machine(), BOOT if self._booted else HOLD])
        command = ["unshare", *["-m", "-p", "-f", "-n", "-u", "-i"], "--kill-child=KILL", "sh", "-c", script]
        if self._booted:
            self._group = _control_group()
            enter = f'echo $$ >{self._group}/cgroup.procs; exec "$@"'
            command = ["sh", "-c", enter, "-", "unshare", "-C", *command[1:]]
        self.holder = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self.holder.stdout is not None
        assert self.holder.stdout.readline() == b"held\n"
        (inside,) = psutil.Process(self.holder.pid).children()
        self._inside = inside.pid
        return self

    def __exit__(self, *_: object) -> None:
        self.holder.kill()
        self.holder.communicate()
        for program in self._programs:
            program.wait(20)
        if self._group is not None:
            folders = [self._group, *self._group.rglob("*/")]
            psutil.wait_procs([psutil.Process(self._inside)] if psutil.pid_exists(self._inside) else [], 20)
            for folder in sorted(folders, reverse=True):
                folder.rmdir()

    def _tell_of_this_machine(self) -> list[str]:
        """apt's and pip's settings put in there; mounts of the folders and files these name."""
        apt = [line for line in _output("apt-config", "dump").splitlines() if line.startswith("Acquire::")]
        (self.root / "etc/apt/apt.conf.d/99machine").write_text("\n".join(apt) + "\n", "utf-8")
        lines = _output(sys.executable, "-m", "pip", "config", "list").splitlines()
        found = dict(line.split("=", 1) for line in lines if not line.startswith(":env:.disable"))
        values = {
            key.rpartition(".")[2]: value.strip("'\"").replace("\\n", " ") for key, value in found.items()
        }
        words = {w.removeprefix("file://") for value in values.values() for w in value.split()}
        paths = sorted({Path(w).resolve() for w in words if w.startswith("/") and Path(w).exists()})
        told = "".join(f"{key} = {value}\n" for key, value in values.items())
        for file in (p for p in paths if p.is_file()):
            told = told.replace(str(file), f"/{self._copied(file)}")
        (self.root / "etc/pip.conf").write_text(f"[global]\n{told}", "utf-8")
        shutil.copyfile("/etc/resolv.conf", self.root / "etc/resolv.conf")
        with (self.root / "etc/hosts").open("a", encoding="utf-8") as hosts:
            hosts.write(f"127.0.1.1 {os.uname().nodename}\n")
        # An index of files lies beside the folder that is named.
        return [self._bound(p.parent if p.name == "simple" else p) for p in paths if p.is_dir()]

    def _copied(self, file: Path) -> Path:
        """Elsewhere than here: Debian's own packages write some of these."""
        place = Path("etc/machine") / file.name
        (self.root / place).parent.mkdir(exist_ok=True)
        shutil.copyfile(file, self.root / place)
        return place

    def _bound(self, folder: Path) -> str:
        place = self.root / folder.relative_to("/")
        place.mkdir(parents=True, exist_ok=True)
        return f"mount --bind {shlex.quote(str(folder))} {shlex.quote(str(place))}"

    def _into(self, network: bool) -> list[str]:
        spaces = ["-m", "-p"] if network else ["-m", "-p", "-n"]
        return [
            "nsenter",
            "-t",
            str(self._inside),
            *spaces,
            *_CLEAN,
            "chroot",
            "/" if self._booted else str(self.root),
        ]

    def run(
        self, line: str, said: str = "", network: bool = False, may_fail: bool = False, limit_s: float = 60
    ) -> str:
        """What a command line prints, typed in the unpacked archive's folder; `said`: typed into it."""
        command = [*self._into(network), "sh", "-c", f"cd /{SOURCE} && {line}"]
        done = subprocess.run(
            command, input=said, capture_output=True, text=True, timeout=limit_s, check=False
        )
        assert may_fail or done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}{self.log()}"
        return done.stdout + done.stderr

    def outside(self, line: str, limit_s: float) -> str:
        """What a command line prints that sees the root as a mounted card."""
        spaces = ["nsenter", "-t", str(self._inside), "-m", "-p", *_CLEAN]
        done = subprocess.run(
            [*spaces, "sh", "-c", line], capture_output=True, text=True, timeout=limit_s, check=False
        )
        assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}{self.log()}"
        return done.stdout + done.stderr

    def log(self) -> str:
        file = self.root / "var/log/probe-agent-install.log"
        return file.read_text("utf-8")[-4000:] if file.exists() else ""

    def start(self, unit: str) -> subprocess.Popen[bytes]:
        """What a unit's ExecStart says, as its user and group, with its environment and umask."""
        keys = keys_of(self.root / f"etc/systemd/system/{unit}")
        user, group, environment = keys["User"], keys["Group"], keys.get("Environment", "")
        line = f"umask {keys['UMask']} && exec {keys['ExecStart']}"
        who = ["setpriv", "--reuid", user, "--regid", group, "--clear-groups", "--no-new-privs"]
        command = [*self._into(False), *who, "env", *environment.split(), "sh", "-c", line]
        log = (self.root.parent / f"{unit}.log").open("ab")
        with log:
            program = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        self._programs.append(program)
        return program

    def said_by(self, unit: str) -> str:
        return (self.root.parent / f"{unit}.log").read_text("utf-8")

    def python(self, code: str) -> str:
        """What a few lines of Python print in there."""
        return self.run(f"/opt/probe-agent/bin/python -P -c {shlex.quote(code)}")


def keys_of(unit: Path) -> dict[str, str]:
    """Keys of a unit; those given more than once with a blank between."""
    found: dict[str, str] = {}
    for line in unit.read_text("utf-8").splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found[key] = f"{found[key]} {value}" if key in found else value
    return found


def wait_for(true: Callable[[], bool], program: subprocess.Popen[bytes], limit_s: float) -> None:
    """Return once `true` holds. Raises AssertionError when time is up or the program has ended."""
    deadline, pause = time.monotonic() + limit_s, threading.Event()
    while not true():
        assert program.poll() is None, "it has ended"
        assert time.monotonic() < deadline, "it takes too long"
        pause.wait(0.05)


class Steps:
    """How long each step took; printed as they end."""

    def __init__(self) -> None:
        self._since = time.monotonic()

    def done(self, what: str) -> float:
        """Seconds since the step before ended."""
        now = time.monotonic()
        took, self._since = now - self._since, now
        print(f"{took:7.1f} s  {what}", flush=True)
        return took
