"""The page from elsewhere as README says: its nginx, taken literally, before the real page; an SSH tunnel."""

from __future__ import annotations

import os
import re
import shutil
import socket
import ssl
import subprocess
import sys
import threading
import time
import urllib.error
from collections.abc import Callable, Iterator
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.parse import urlencode
from urllib.request import HTTPCookieProcessor, HTTPSHandler, Request, build_opener

import msgspec
import pytest
import status_samples as samples
from living_page import LivingPage
from real_broker import free_port
from secure_broker import make_certificates
from served import served

from probe_agent.config import parse_settings

README = Path(__file__).parents[1] / "README.md"
SBIN = "/usr/sbin:/usr/local/sbin:/sbin"
NGINX = shutil.which("nginx") or shutil.which("nginx", path=SBIN)
SSHD = shutil.which("sshd") or shutil.which("sshd", path=SBIN)
ONLY_PAIRED = "Only a paired phone can do this"

needs_nginx = pytest.mark.skipif(not NGINX, reason="needs nginx: apt-get install nginx-light")


def block(language: str, title: str = "Seeing it from home") -> str:
    """The one block of that language under that title."""
    section = README.read_text("utf-8").split(f"\n## {title}\n")[1].split("\n## ")[0]
    (found,) = re.findall(rf"^```{language}\n(.*?)^```$", section, re.M | re.S)
    return str(found)


def wait_for(true: Callable[[], object], said: Callable[[], str]) -> None:
    deadline, pause = time.monotonic() + 30, threading.Event()
    while not true():
        assert time.monotonic() < deadline, said()
        pause.wait(0.02)


def listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


class Nginx:
    """Context manager: nginx as an ordinary process with README's server, only ports and paths this test's.
    without: lines that somebody forgot; asks: further lines of its `location`."""

    def __init__(
        self, folder: Path, page: int, certs: Path, without: str | None = None, asks: str = ""
    ) -> None:
        self.port = free_port()
        server = block("nginx")
        for shipped, here in (
            ("listen 443 ssl", f"listen 127.0.0.1:{self.port} ssl"),
            ("127.0.0.1:8088", f"127.0.0.1:{page}"),
            ("location / {\n", f"location / {{\n{asks}"),
            ("/etc/nginx/page", str(certs)),
        ):
            assert shipped in server
            server = server.replace(shipped, here)
        if without is not None:
            server = "".join(x for x in server.splitlines(True) if without not in x)
        user = "user root;\n" if os.geteuid() == 0 else ""
        temporary = "".join(
            f"{kind}_temp_path {folder}/{kind};\n"
            for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        self._log = folder / "nginx.log"
        config = folder / "nginx.conf"
        config.write_text(
            f"daemon off; worker_processes 1; pid {folder}/nginx.pid; error_log {self._log};\n{user}"
            f"events {{}}\nhttp {{\naccess_log off;\n{temporary}{server}}}\n",
            "utf-8",
        )
        self._command = [str(NGINX), "-p", str(folder), "-e", str(self._log), "-c", str(config)]

    def _said(self) -> str:
        return self._log.read_text("utf-8")

    def __enter__(self) -> Nginx:
        self._process = subprocess.Popen(self._command)
        wait_for(lambda: self._process.poll() is not None or listens(self.port), self._said)
        assert self._process.poll() is None, self._said()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.wait(10)


class Phone:
    """A browser without script that trusts an authority and keeps cookies as browsers do."""

    def __init__(self, base: str, authority: Path) -> None:
        self.base, self.cookies = base, CookieJar()
        context = ssl.create_default_context(cafile=str(authority))
        self._opener = build_opener(HTTPSHandler(context=context), HTTPCookieProcessor(self.cookies))
        self.headers: dict[str, str] = {}

    def open(self, path: str, form: dict[str, str] | None = None, **headers: str) -> tuple[int, str]:
        """Status and text of the page that an address or a form leads to."""
        data = None if form is None else urlencode(form).encode()
        asked = {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            answer = self._opener.open(Request(f"{self.base}{path}", data, asked), timeout=30)
        except urllib.error.HTTPError as err:
            answer = err
        with answer:
            self.headers = dict(answer.headers)
            return int(answer.status), answer.read().decode()

    def press(self, action: str, page: str, **fields: str) -> tuple[int, str]:
        """Fill in the form of a page for that act, and send it."""
        _, html = self.open(page)
        forms = re.findall(r"<form.*?</form>", html, re.S)
        form = next((f for f in forms if f'action="{action}' in f), "")
        hidden = dict(re.findall(r'type="hidden" name="(token|once)" value="([^"]*)"', form))
        return self.open(action, {**hidden, **fields})


@pytest.fixture(scope="module")
def certs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page") / "certs"
    made = make_certificates(folder, "localhost,127.0.0.1")
    assert made.returncode == 0, made.stderr
    return folder


@pytest.fixture
def living(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[LivingPage]:
    """Daemon and page with README's settings, but for who may look, where a test says so."""
    assert block("toml") == '[page]\nproxy = "127.0.0.1"\nviewing = "paired"\n'
    folder = tmp_path / "board"
    folder.mkdir()
    with LivingPage(folder, viewing=getattr(request, "param", "paired")) as made:
        yield made


@pytest.fixture
def page(living: LivingPage) -> Iterator[int]:
    """The port of the page, served as probe-agent-web does."""
    with served(living.app) as port:
        yield port


@pytest.fixture
def nginx(tmp_path: Path, page: int, certs: Path) -> Iterator[Nginx]:
    (tmp_path / "nginx").mkdir()
    with Nginx(tmp_path / "nginx", page, certs) as made:
        yield made


def commands(living: LivingPage) -> list[str]:
    """The kinds of all commands that were ever left."""
    store = living.agent.store
    return [str(row[0]) for row in store._db.execute("SELECT kind FROM commands ORDER BY rowid")]


@needs_nginx
def test_through_readmes_nginx_a_stranger_is_shown_nothing_and_does_nothing(
    living: LivingPage, nginx: Nginx, certs: Path
) -> None:
    phone = Phone(f"https://localhost:{nginx.port}", certs / "ca.pem")
    _, html = phone.open("/")
    assert "°C" not in html
    assert "Magpie" not in html
    for claimed in (
        {},
        {"X_Forwarded_For": "127.0.0.1"},
        {"X_Forwarded_Proto": "http"},
        {"Forwarded": "for=::1"},
    ):
        phone.open("/act/heater", {"on": "no"}, **claimed)
        phone.open("/act/lock", {"on": "yes"}, **claimed)
    assert commands(living) == []


@needs_nginx
@pytest.mark.parametrize("living", ["anyone"], indirect=True)
def test_over_https_who_is_unpaired_looks_and_a_paired_phone_acts(
    living: LivingPage, nginx: Nginx, certs: Path
) -> None:
    living.show(samples.heating())
    phone = Phone(f"https://localhost:{nginx.port}", certs / "ca.pem")
    code, html = phone.open("/?unit=C")
    assert (code, "°C" in html, ONLY_PAIRED in html) == (200, True, True)
    assert ONLY_PAIRED in phone.press("/act/heater", "/", on="no")[1]
    assert commands(living) == []
    code, html = phone.press("/act/pair", "/pair", code=living.code(), label="Pilot's")
    assert code == 200
    assert "This phone may act" in html
    (session,) = [c for c in phone.cookies if c.name == "__Host-session"]
    assert session.secure
    assert session.has_nonstandard_attr("HttpOnly")
    assert "Nothing was done" not in phone.press("/act/heater", "/", on="no")[1]
    assert commands(living)[-1] == "heater-said"
    # HSTS is the owner's to set, as README says; none of the page's own headers is lost on the way.
    assert "Strict-Transport-Security" not in phone.headers
    assert "default-src 'none'" in phone.headers["Content-Security-Policy"]


@needs_nginx
@pytest.mark.parametrize("living", ["anyone"], indirect=True)
@pytest.mark.parametrize("forgotten", ["X-Forwarded-For", "X-Forwarded-Proto"])
def test_one_forgotten_header_makes_nobody_the_board(
    living: LivingPage, page: int, certs: Path, tmp_path: Path, forgotten: str
) -> None:
    with Nginx(tmp_path, page, certs, without=forgotten) as nginx:
        phone = Phone(f"https://localhost:{nginx.port}", certs / "ca.pem")
        phone.press("/act/heater", "/", on="no")
        assert commands(living) == []


@needs_nginx
@pytest.mark.parametrize("living", ["anyone"], indirect=True)
def test_both_headers_forgotten_is_what_readme_warns_of(
    living: LivingPage, page: int, certs: Path, tmp_path: Path
) -> None:
    """Who asks for `localhost` is taken for the board then; README's look from an unpaired phone tells."""
    assert (
        "A proxy that sends neither header makes every visitor look like the board itself"
        in README.read_text()
    )
    with Nginx(tmp_path, page, certs, without="X-Forwarded") as nginx:
        phone = Phone(f"https://localhost:{nginx.port}", certs / "ca.pem")
        assert ONLY_PAIRED not in phone.open("/")[1]


@needs_nginx
def test_what_is_too_long_ends_at_the_proxy(living: LivingPage, nginx: Nginx, certs: Path) -> None:
    phone = Phone(f"https://localhost:{nginx.port}", certs / "ca.pem")
    assert phone.open("/act/note", {"note": "x" * 70_000})[0] == 413


# -- a tunnel


class Tunnel:
    """Context manager: a real sshd on loopback, and `ssh -R` from here to it, as README has it."""

    def __init__(self, folder: Path, to: int) -> None:
        self.port, self._sshd_port = free_port(), free_port()
        for name in ("host", "user"):
            make = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(folder / name)]
            subprocess.run(make, check=True)
        right = f'restrict,port-forwarding,permitlisten="localhost:{self.port}"'
        (folder / "authorized").write_text(f"{right} {(folder / 'user.pub').read_text()}")
        self._log = folder / "sshd.log"
        (folder / "sshd_config").write_text(
            f"Port {self._sshd_port}\nListenAddress 127.0.0.1\nHostKey {folder}/host\nUsePAM no\n"
            f"AuthorizedKeysFile {folder}/authorized\nStrictModes no\nPidFile none\n"
            "PasswordAuthentication no\n"
        )
        self._sshd = [str(SSHD), "-D", "-e", "-f", str(folder / "sshd_config")]
        options = ["StrictHostKeyChecking=no", "UserKnownHostsFile=/dev/null", "ExitOnForwardFailure=yes"]
        self._ssh = [
            "ssh",
            "-F",
            "none",
            "-N",
            "-R",
            f"{self.port}:localhost:{to}",
            "-i",
            str(folder / "user"),
        ]
        self._ssh += [x for o in options for x in ("-o", o)] + ["-p", str(self._sshd_port), "127.0.0.1"]

    def __enter__(self) -> Tunnel:
        with self._log.open("ab") as out:
            self._server = subprocess.Popen(self._sshd, stdout=out, stderr=out)
            wait_for(lambda: listens(self._sshd_port), self._log.read_text)
            self._client = subprocess.Popen(self._ssh, stdout=out, stderr=out)
        wait_for(lambda: listens(self.port), self._log.read_text)
        return self

    def __exit__(self, *_: object) -> None:
        for process in (self._client, self._server):
            process.terminate()
            process.wait(10)


def can_tunnel() -> bool:
    """sshd started by root needs its folder; by anybody else, it lets in nobody but them."""
    return bool(SSHD) and sys.platform == "linux" and (os.geteuid() != 0 or Path("/run/sshd").is_dir())


@needs_nginx
@pytest.mark.skipif(not can_tunnel(), reason="needs sshd: apt-get install openssh-server; mkdir /run/sshd")
@pytest.mark.parametrize("living", ["anyone"], indirect=True)
def test_a_tunnel_leads_to_the_proxy_and_never_to_the_page(
    living: LivingPage, page: int, nginx: Nginx, certs: Path, tmp_path: Path
) -> None:
    """To the proxy nobody is the board; to the page itself, everybody who asks for localhost is."""
    for name, to, local in (("proxy", nginx.port, False), ("page", page, True)):
        folder = tmp_path / name
        folder.mkdir()
        before = len(commands(living))
        with Tunnel(folder, to) as tunnel:
            scheme = "http" if local else "https"
            phone = Phone(f"{scheme}://localhost:{tunnel.port}", certs / "ca.pem")
            _, html = phone.open("/")
            assert (ONLY_PAIRED in html) != local
            phone.press("/act/heater", "/", on="no")
            assert (len(commands(living)) > before) == local


def test_a_certificate_may_hold_for_as_long_as_phones_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DAYS", "800")
    assert make_certificates(tmp_path / "c", "hangar.example.org").returncode == 0
    command = ["openssl", "x509", "-in", str(tmp_path / "c" / "server.pem"), "-noout", "-checkend"]
    for days, code in ((799, 0), (801, 1)):
        ended = subprocess.run([*command, str(days * 86_400)], capture_output=True)
        assert ended.returncode == code


def test_the_settings_of_readme_are_settings() -> None:
    made = parse_settings(b'[aircraft]\nname = "Magpie"\n' + block("toml").encode(), "settings.toml")
    assert msgspec.to_builtins(made.page)["proxy"] == "127.0.0.1"
