"""A club's page from elsewhere as README says: its nginx, taken literally, and what asks who looks."""

from __future__ import annotations

import base64
import json
import re
import ssl
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from gzip import decompress as gunzip
from http.client import HTTPSConnection
from pathlib import Path

import pytest
import status_samples as samples
from club_boards import current, hear
from served import served
from test_from_home import Nginx, Phone, block, certs, needs_nginx

from probe_agent.config import parse_settings
from web.club.app import create_club_app
from web.club.source import ClubSource

__all__ = ["certs"]
pytestmark = needs_nginx

TITLE = "A club's page"
PASSWORD = "reeds and a long morning"
NOBODY = {"X_Forwarded_For": "127.0.0.1", "X_Forwarded_Proto": "http", "Forwarded": "for=::1"}
BY_PROXY = '[page]\nproxy = "127.0.0.1"\n'
"""As README says, under "Seeing it from home" too."""

Serve = Callable[[str], int]


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Serves the page, with Magpie and Kestrel heard, as probe-agent-web does; returns its port."""
    stack = ExitStack()

    def begin(more: str) -> int:
        settings = parse_settings(f'[broker]\nhost = "127.0.0.1"\nport = 1\n{more}'.encode(), "club.toml")
        source = ClubSource(settings.broker, None)
        boards = {"magpie": samples.heating(), "kestrel": samples.cold()}
        hear(source, {d: current(status, aircraft=d.capitalize()) for d, status in boards.items()})
        return stack.enter_context(served(create_club_app(source, settings)))

    with stack:
        yield begin


def viewers(folder: Path) -> str:
    """README's two lines, and a viewer made with README's command."""
    lines = block("nginx", TITLE)
    assert "/etc/nginx/viewers" in lines
    text = Path(__file__).parents[1].joinpath("README.md").read_text("utf-8")
    made = re.search(r'^echo "pilot:\$\((.+)\)" \| sudo tee -a /etc/nginx/viewers$', text, re.M)
    assert made is not None
    command = [*made[1].split(), "-stdin"]  # typed twice at a terminal; here once
    coded = subprocess.run(command, input=PASSWORD, capture_output=True, text=True, check=True).stdout
    (folder / "viewers").write_text(f"pilot:{coded}", "utf-8")
    return lines.replace("/etc/nginx/viewers", str(folder / "viewers"))


def login(name: str, password: str) -> dict[str, str]:
    return {"Authorization": "Basic " + base64.b64encode(f"{name}:{password}".encode()).decode()}


def phone_of(nginx: Nginx, certs: Path) -> Phone:
    return Phone(f"https://localhost:{nginx.port}", certs / "ca.pem")


def asks_for_a_password(phone: Phone) -> bool:
    """Whether the last answer has a browser ask; nginx and the page write the header's name differently."""
    told = {name.lower(): value for name, value in phone.headers.items()}
    return told["www-authenticate"].startswith("Basic ")


PAGES = ("/", "/rows", "/a/magpie", "/a/magpie/now", "/a/magpie/curve")


def test_the_proxy_asks_who_looks_and_shows_it_over_https(serve: Serve, certs: Path, tmp_path: Path) -> None:
    with Nginx(tmp_path, serve(f"[club]\n{BY_PROXY}"), certs, asks=viewers(tmp_path)) as nginx:
        phone = phone_of(nginx, certs)
        for headers in ({}, NOBODY, login("pilot", "guessed"), login("bert", PASSWORD)):
            for path in PAGES:
                code, html = phone.open(path, **headers)
                assert code == 401, path
                assert "agpie" not in html
        assert asks_for_a_password(phone)
        code, html = phone.open("/?unit=C", **login("pilot", PASSWORD))
        assert (code, "Magpie" in html, "°C" in html) == (200, True, True)
        assert "default-src 'none'" in phone.headers["Content-Security-Policy"]
        tag = re.search(r'data-tag="(\w+)\.\d+"', html)
        assert tag is not None
        code, body = phone.open("/rows", If_None_Match=f'"{tag[1]}.0"', **login("pilot", PASSWORD))
        assert {row[0] for row in json.loads(body)["rows"]} == {"magpie", "kestrel"}
        code, _ = phone.open("/rows", If_None_Match=phone.headers["Etag"], **login("pilot", PASSWORD))
        assert code == 304
        assert phone.open("/", {"any": "form"}, **login("pilot", PASSWORD))[0] == 405


@pytest.mark.parametrize("settings", ["[club]\n", '[club]\n[page]\nproxy = "::1"\n'])
def test_a_proxy_that_the_settings_do_not_name_is_refused(
    serve: Serve, certs: Path, tmp_path: Path, settings: str
) -> None:
    with Nginx(tmp_path, serve(settings), certs) as nginx:
        phone = phone_of(nginx, certs)
        for path in PAGES:
            code, html = phone.open(path)
            assert (code, "agpie" in html) == (403, False), path
        assert "the proxy that the settings name under page.proxy" in html


def test_a_proxy_without_headers_is_refused_under_its_own_name(
    serve: Serve, certs: Path, tmp_path: Path
) -> None:
    """Who asks for `localhost` there is taken for the machine itself, as README warns: so who looks has to be
    asked in any case."""
    with Nginx(tmp_path, serve(f"[club]\n{BY_PROXY}"), certs, without="X-Forwarded") as nginx:
        phone = phone_of(nginx, certs)
        code, html = phone.open("/", Host="aircraft.example.org")
        assert (code, "agpie" in html) == (403, False)
        assert phone.open("/")[0] == 200


@pytest.mark.parametrize("settings", ["", BY_PROXY])
@pytest.mark.parametrize("without", [None, "X-Forwarded"])
def test_its_own_password_is_asked_through_the_proxy(
    serve: Serve, certs: Path, tmp_path: Path, settings: str, without: str | None
) -> None:
    """Whatever the proxy sends or is called: without the password nothing is shown, with it all."""
    (tmp_path / "password").write_text(f"{PASSWORD}\n", "utf-8")
    port = serve(f'[club]\npassword_file = "{tmp_path}/password"\n{settings}')
    with Nginx(tmp_path, port, certs, without=without) as nginx:
        phone = phone_of(nginx, certs)
        for headers in ({}, NOBODY, login("pilot", "guessed"), {"Authorization": "Bearer x"}):
            for path in PAGES:
                code, html = phone.open(path, **headers)
                assert (code, "agpie" in html) == (401, False), path
            assert asks_for_a_password(phone)
        for name in ("pilot", "", "anybody"):
            code, html = phone.open("/", **login(name, PASSWORD))
            assert (code, "Magpie" in html) == (200, True)
        assert phone.open("/a/magpie", **login("pilot", PASSWORD))[0] == 200


def test_a_proxy_that_compresses_marks_tags_as_weak_and_polls_go_on(
    serve: Serve, certs: Path, tmp_path: Path
) -> None:
    """nginx does so where it is told to compress what the page left as it is: every poll of a few lines."""
    gzip = "gzip on; gzip_types application/json; gzip_min_length 1;\n"
    with Nginx(tmp_path, serve(f"[club]\n{BY_PROXY}"), certs, asks=gzip) as nginx:
        phone = phone_of(nginx, certs)
        _, html = phone.open("/")
        found = re.search(r'data-tag="(\w+\.\d+)"', html)
        assert found is not None
        line = HTTPSConnection(
            "localhost", nginx.port, context=ssl.create_default_context(cafile=str(certs / "ca.pem"))
        )
        beyond = found[1].partition(".")[0] + ".999"  # of rows it knows all, so that little is left to say
        line.request("GET", "/rows", headers={"If-None-Match": f'"{beyond}"', "Accept-Encoding": "gzip"})
        answer = line.getresponse()
        told, tag = answer.read(), answer.headers["ETag"]
        line.close()
        assert (answer.headers["Content-Encoding"], tag[:3]) == ("gzip", 'W/"')
        assert "again" not in json.loads(gunzip(told))
        assert phone.open("/rows", If_None_Match=tag)[0] == 304
