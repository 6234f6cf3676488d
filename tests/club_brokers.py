"""What deploy/broker/club.sh makes, in use: a real mosquitto as the hub, others as boards' own, bridged to it
over a line that can be cut. The files are used as they were made; only paths and ports are this test's."""

from __future__ import annotations

import os
import shutil
import ssl
import subprocess
from pathlib import Path
from typing import Self

import pytest
from cut_line import CutLine
from real_broker import MOSQUITTO, RealBroker, Recorder

from probe_agent.config import Broker, parse_settings

SHIPPED = Path(__file__).parents[1] / "deploy" / "broker"
DEBIAN = "persistence true\npersistence_location {folder}/\nlog_dest file {folder}/broker.log\n"
"""What Debian's own mosquitto.conf says before it includes conf.d (mosquitto 2.0.11 and 2.0.21)."""


def make_club(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run deploy/broker/club.sh on a folder."""
    command = ["sh", str(SHIPPED / "club.sh"), str(folder), *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def as_made(file: Path, *replacements: tuple[str, str]) -> str:
    """A file with this machine's paths and ports in place of the ones in it, each of which must be there."""
    text = file.read_text("utf-8")
    for shipped, here in replacements:
        assert shipped in text, (file, shipped)
        text = text.replace(shipped, here)
    return text


class _Shipped(RealBroker):
    """mosquitto with a file of club.sh's where /etc/mosquitto/conf.d would have it."""

    def __init__(self, folder: Path, *replacements: tuple[str, str], file: Path) -> None:
        folder.mkdir()
        super().__init__(folder)
        self._replacements, self._file, self._folder = replacements, file, folder
        user = "user root\n" if os.geteuid() == 0 else ""
        (folder / "conf.d").mkdir()
        main = DEBIAN.format(folder=folder) + user + f"include_dir {folder}/conf.d\n"
        self._config.write_text(main, "utf-8")
        self.configure()

    def configure(self, *replacements: tuple[str, str]) -> None:
        """Take the file anew for the next start, changed in such places besides."""
        text = as_made(self._file, *self._replacements, *replacements)
        (self._folder / "conf.d" / "club.conf").write_text(text, "utf-8")

    @property
    def log(self) -> str:
        return self._log.read_text("utf-8") + (self._folder / "broker.log").read_text("utf-8")


class ClubHub(_Shipped):
    """Context manager: the hub. club: the folder that club.sh has made for 127.0.0.1."""

    def __init__(self, club: Path, folder: Path) -> None:
        self.club = club
        certs, rules = club / "hub" / "certs", folder.with_suffix(".acl")
        # A recorder's mark, to know that all before it has been seen.
        text = (club / "hub" / "acl").read_text("utf-8")
        rules.write_text(f"{text}\npattern readwrite recorder/%u/end\n", "utf-8")
        rules.chmod(0o600)
        super().__init__(
            folder,
            ("/etc/mosquitto/certs", str(certs)),
            ("/etc/mosquitto/acl", str(rules)),
            file=club / "hub" / "mosquitto.conf",
        )
        self._replacements += (("listener 8883", f"listener {self.port} 127.0.0.1"),)
        self.configure()

    def as_(self, name: str) -> ssl.SSLContext:
        """TLS as whoever has been given that name's folder."""
        where = {"hub": "page", "lines": "hub/certs"}.get(name, name)
        context = ssl.create_default_context(cafile=str(self.club / where / "ca.pem"))
        context.load_cert_chain(
            self.club / where / f"{name}.pem",
            self.club / where / f"{name}.key",
        )
        return context

    def recorder(self, name: str, *filters: str) -> Recorder:
        """What somebody of that name gets to see."""
        return Recorder(self.port, *filters, tls=self.as_(name), end=f"recorder/{name}/end")

    def direct(self, board: str) -> Broker:
        """A board's settings as its direct.toml has them."""
        text = as_made(
            self.club / board / "direct.toml",
            ("port = 8883", f"port = {self.port}"),
            ("/etc/probe-agent", str(self.club / board)),
        )
        return settings_of(text)


class BridgedBoard(_Shipped):
    """Context manager: a board's own mosquitto, bridged to the hub over `line`."""

    def __init__(self, hub: ClubHub, board: str, folder: Path) -> None:
        self.line = CutLine(hub.port)
        super().__init__(
            folder,
            ("127.0.0.1:8883", f"127.0.0.1:{self.line.port}"),
            ("/etc/mosquitto/certs", str(hub.club / board)),
            ("restart_timeout 2 60", "restart_timeout 1 1"),
            file=hub.club / board / "bridge.conf",
        )
        self._replacements += (("listener 1883 127.0.0.1", f"listener {self.port} 127.0.0.1"),)
        self.configure()
        self._bridged = hub.club / board / "bridged.toml"

    def settings(self) -> Broker:
        """The board's settings as its bridged.toml has them."""
        return settings_of(as_made(self._bridged, ("port = 1883", f"port = {self.port}")))

    def __enter__(self) -> Self:
        self.line.__enter__()
        return super().__enter__()

    def __exit__(self, *_: object) -> None:
        super().__exit__()
        self.line.__exit__()


def settings_of(lines: str) -> Broker:
    """What the daemon takes from those lines."""
    return parse_settings(f'[aircraft]\nname = "Magpie"\n{lines}'.encode(), "settings.toml").broker


needs_mosquitto = pytest.mark.skipif(
    not MOSQUITTO or not shutil.which("openssl") or not shutil.which("mosquitto_sub"),
    reason="needs mosquitto, mosquitto-clients and openssl",
)
