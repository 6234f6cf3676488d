"""The receiver that deploy/history/ ships: a real PostgreSQL, a real Node-RED, to be killed at will."""

from __future__ import annotations

import csv
import io
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

from real_broker import free_port

ROOT = Path(__file__).parents[1]
SHIPPED = ROOT / "deploy" / "history"
AGENT = Path(os.environ.get("HISTORY_AGENT", ROOT / ".venv" / "history"))
INSTALL = f"sh deploy/history/install.sh {AGENT}"


def postgres() -> Path | None:
    """The folder of PostgreSQL's programs, of the newest version that is here."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    return found[-1].parent if found else None


def missing() -> str | None:
    """What isn't installed, and the command for it; None where everything is."""
    if postgres() is None:
        return "needs PostgreSQL: apt-get install postgresql"
    if not (AGENT / "node_modules" / "node-red" / "red.js").exists():
        return f"needs the agent: {INSTALL} (or HISTORY_AGENT=FOLDER)"
    return None


def _wait(true: Callable[[], bool], log: Path, timeout_s: float = 240.0) -> None:
    deadline, pause = time.monotonic() + timeout_s, threading.Event()
    while not true():
        assert time.monotonic() < deadline, log.read_text("utf-8", "replace")[-3000:]
        pause.wait(0.05)


class Database:
    """Context manager: a PostgreSQL of its own on a loopback port, with deploy/history/history.sql in it."""

    def __init__(self) -> None:
        programs = postgres()
        assert programs is not None
        self._programs, self.port = programs, free_port()
        self._folder = Path(tempfile.mkdtemp(prefix="history-database-"))
        self._log = self._folder / "log"
        self._process: subprocess.Popen[bytes] | None = None
        self._user = "postgres" if os.geteuid() == 0 else None

    @property
    def env(self) -> dict[str, str]:
        """How clients reach it."""
        user = self._user or pwd.getpwuid(os.geteuid()).pw_name
        return {"PGHOST": "127.0.0.1", "PGPORT": str(self.port), "PGUSER": user, "PGDATABASE": "postgres"}

    def __enter__(self) -> Self:
        if self._user is not None:
            shutil.chown(self._folder, self._user)
        arguments = ["-D", str(self._folder / "data"), "-A", "trust", "--no-sync", "--locale=C.UTF-8"]
        self._as_user(str(self._programs / "initdb"), *arguments).wait(60)
        self.start()
        self.ask("", "--single-transaction", "-f", str(SHIPPED / "history.sql"))
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait(30)
        shutil.rmtree(self._folder, ignore_errors=True)

    def _as_user(self, *command: str) -> subprocess.Popen[bytes]:
        with self._log.open("ab") as out:
            who = {"user": self._user, "group": self._user, "extra_groups": []} if self._user else {}
            return subprocess.Popen(command, stdout=out, stderr=out, cwd=self._folder, **who)  # type: ignore[call-overload,no-any-return]

    def start(self) -> None:
        options = ["-p", str(self.port), "-k", str(self._folder), "-c", "listen_addresses=127.0.0.1"]
        command = [str(self._programs / "postgres"), "-D", str(self._folder / "data"), *options]
        self._process = self._as_user(*command, "-c", "shared_buffers=16MB")
        ready = [str(self._programs / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port)]
        _wait(lambda: subprocess.run(ready).returncode == 0, self._log)

    def kill(self) -> None:
        """kill -9, of it and of what it has begun."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(30)

    def ask(self, sql: str, *options: str) -> list[list[str]]:
        """The rows of a query, by psql."""
        command = [str(self._programs / "psql"), "-X", "--csv", "-t", "-v", "ON_ERROR_STOP=1", *options]
        done = subprocess.run(
            command, input=sql, env={**os.environ, **self.env}, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return list(csv.reader(io.StringIO(done.stdout)))


class Agent:
    """Context manager: Node-RED with the shipped settings and flow. env: more of its environment."""

    def __init__(self, folder: Path, port: int, certs: Path, database: Database) -> None:
        self._folder, self._log = folder / "agent", folder / "agent.log"
        self._folder.mkdir()
        self._env = {
            **os.environ,
            **database.env,
            "HISTORY_BROKER": "127.0.0.1",
            "HISTORY_PORT": str(port),
            "HISTORY_CLIENT": "probe-agent-history",
            "HISTORY_CA": str(certs / "ca.pem"),
            "HISTORY_CERT": str(certs / "hub.pem"),
            "HISTORY_KEY": str(certs / "hub.key"),
            "HISTORY_RECONNECT_MS": "500",
        }
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.wait(30)

    def start(self) -> None:
        """Begin, and wait until it is connected."""
        before = self.log.count("Connected to broker")
        red = AGENT / "node_modules" / "node-red" / "red.js"
        command = ["node", str(red), "--settings", str(AGENT / "settings.js"), "--userDir", str(self._folder)]
        with self._log.open("ab") as out:
            self._process = subprocess.Popen(command, stdout=out, stderr=out, env=self._env, cwd=self._folder)
        _wait(lambda: self.log.count("Connected to broker") > before, self._log)

    def kill(self) -> None:
        """kill -9."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(30)

    @property
    def log(self) -> str:
        return self._log.read_text("utf-8", "replace") if self._log.exists() else ""

    @property
    def resident_mb(self) -> float:
        """What it holds in memory [MB]."""
        assert self._process is not None
        text = Path(f"/proc/{self._process.pid}/status").read_text("ascii")
        return int(text.split("VmRSS:")[1].split()[0]) / 1000
