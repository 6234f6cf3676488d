"""The real page of a club as a process, and a reader that asks it as an open page does."""

from __future__ import annotations

import gzip
import html
import json
import re
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from real_broker import free_port
from real_daemon import Process

SETTINGS = '[club]\nboards = [{boards}]\n[broker]\nhost = "127.0.0.1"\nport = {port}\n'


@dataclass(frozen=True)
class Shown:
    """A row as a reader sees it. then: why it isn't of now, empty where it is."""

    heading: str
    value: str
    then: str
    text: str


class ClubPage:
    """Context manager: probe-agent-web on a broker alone."""

    def __init__(self, folder: Path, broker_port: int, boards: Iterable[str] = ()) -> None:
        """boards: those that the settings name, so that one never heard of is said."""
        self.port, self._folder = free_port(), folder
        self._settings = folder / "club.toml"
        named = ", ".join(f'"{device}"' for device in boards)
        self._settings.write_text(SETTINGS.format(port=broker_port, boards=named), "utf-8")
        self._life: Process | None = None

    def __enter__(self) -> ClubPage:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._life is not None:
            self._life.end()

    def start(self) -> None:
        """Begin, or begin anew after a kill; returns when it answers."""
        arguments = ("--settings", str(self._settings), "--port", str(self.port))
        self._life = Process("web.serve", *arguments, log=self._folder / "page.log")
        self._life.wait_for(lambda: self._answers())

    def kill(self) -> None:
        """kill -9."""
        assert self._life is not None
        self._life.process.kill()
        self._life.process.wait(20)

    @property
    def process(self) -> subprocess.Popen[bytes]:
        assert self._life is not None
        return self._life.process

    def _answers(self) -> bool:
        try:
            Reader(self.port).ask("/")
        except (OSError, HTTPException):
            return False
        return True

    def shown(self) -> dict[str, Shown]:
        """All rows by their device. Raises OSError or HTTPException."""
        return Reader(self.port).all()


class Reader:
    """Asks for what is new, as the page's script does. sizes: bytes of each answer as sent, compressed."""

    def __init__(self, port: int) -> None:
        self._port, self._tag = port, ""
        self.sizes: list[int] = []
        self.took_s: list[float] = []

    def ask(self, path: str, tag: str = "") -> tuple[str, str]:
        """The body and the tag that came with it."""
        headers = {"Host": "localhost", "Accept-Encoding": "gzip"} | (
            {"If-None-Match": f'"{tag}"'} if tag else {}
        )
        line, began_s = HTTPConnection("127.0.0.1", self._port, timeout=30), time.monotonic()
        try:
            line.request("GET", f"{path}?unit=C&clock=24", headers=headers)
            answer = line.getresponse()
            body = answer.read()
        finally:
            line.close()
        self.sizes.append(len(body))
        self.took_s.append(time.monotonic() - began_s)
        text = gzip.decompress(body) if answer.getheader("Content-Encoding") == "gzip" else body
        return text.decode(), (answer.getheader("ETag") or "").strip('W/"')

    def news(self) -> dict[str, Shown]:
        """Rows that changed since the last time; all of them at first."""
        if not self._tag:
            whole, _ = self.ask("/")
            found = re.search(r'data-tag="(\w+)\.\d+"', whole)
            self._tag = f"{found[1]}.0" if found else ""
            self.sizes.clear()
            self.took_s.clear()
        shown: dict[str, Shown] = {}
        more = True
        while more:
            body, tag = self.ask("/rows", self._tag)
            told = json.loads(body) if body else {"rows": []}
            self._tag = "" if "again" in told else tag
            shown |= {device: _read(heading, text) for device, heading, _, text in told.get("rows", [])}
            more = told.get("more", False)
        return shown

    def all(self) -> dict[str, Shown]:
        """Every row."""
        self._tag = ""
        return self.news()


def _read(heading: str, text: str) -> Shown:
    value, then = re.search(r"<span.*?>(.*?)</span>", text), re.search(r"<strong>(.*?)</strong>", text)
    return Shown(
        heading,
        html.unescape(value[1]) if value else "",
        html.unescape(then[1]) if then else "",
        html.unescape(re.sub(r"<.*?>", " ", text)),
    )
