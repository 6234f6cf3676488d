"""npm's node-homie as tests/strangers/package-lock.json pins it: installed once for a lock, then asked."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Self

HERE = Path(__file__).parent
NPM, NODE = shutil.which("npm"), shutil.which("node")
MISSING = "node-homie was not asked: no node and npm here (Debian: apt-get install nodejs npm)"


def installed() -> Path:
    """The folder that holds node-homie and reader.cjs, made where the lock isn't there yet.

    npm takes each file by the hash in the lock and runs no script of a package. Raises AssertionError
    with what npm said.
    """
    parts = [HERE / name for name in ("package.json", "package-lock.json")]
    digest = hashlib.sha256(b"".join(part.read_bytes() for part in parts)).hexdigest()[:16]
    folder = HERE.parents[1] / ".venv" / f"strangers-{digest}"
    if not folder.exists():
        making = folder.with_name(f"{folder.name}.{os.getpid()}")
        making.mkdir(parents=True)
        for part in parts:
            shutil.copy(part, making)
        command = [str(NPM), "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--no-update-notifier"]
        made = subprocess.run(command, cwd=making, capture_output=True, text=True)
        assert made.returncode == 0, made.stderr[-2000:]
        making.rename(folder)
    shutil.copy(HERE / "reader.cjs", folder)
    return folder


def complaints(descriptions: Sequence[Any]) -> list[list[str]]:
    """What node-homie's schema has against each of these."""
    text = json.dumps(list(descriptions))
    command = [str(NODE), "reader.cjs", "check"]
    said = subprocess.run(command, cwd=installed(), input=text, capture_output=True, text=True, check=True)
    return [json.loads(line) for line in said.stdout.splitlines()]


class Listening:
    """Context manager: node-homie's discovery at work on a broker of this machine.

    files: authority, certificate and key, for TLS; url: where that alone decides.
    known: what it knows now, {device: {state, name, alerts, nodes}}.
    """

    def __init__(self, port: int, root: str = "homie", files: Sequence[Path] = (), url: str = "") -> None:
        url = url or f"{'mqtts' if files else 'mqtt'}://127.0.0.1:{port}"
        command = [str(NODE), "reader.cjs", "listen", url, root, *map(str, files)]
        self.known: dict[str, Any] = {}
        self.states: list[tuple[str, str]] = []
        self._changed = threading.Condition()
        self._process = subprocess.Popen(
            command, cwd=installed(), stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        self._thread = threading.Thread(target=self._read, daemon=True)

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            known = json.loads(line)
            with self._changed:
                for device, what in known.items():
                    if self.known.get(device, {}).get("state") != what["state"]:
                        self.states.append((device, what["state"]))
                self.known = known
                self._changed.notify_all()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        try:
            self._process.wait(10)
        finally:
            self._process.kill()
            self._thread.join(10)
            self._process.stdout.close()

    def wait_for(self, true: Callable[[dict[str, Any]], object], timeout_s: float = 30.0) -> None:
        """Return once `true` holds of what it knows. Raises AssertionError."""
        with self._changed:
            assert self._changed.wait_for(lambda: true(self.known), timeout_s), json.dumps(self.known)[:4000]
