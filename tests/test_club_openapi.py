"""The club page's OpenAPI document holds what the page does; hostile requests end as it says, too."""

from __future__ import annotations

import base64
import copy
import io
import re
import socket
import string
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

import jsonschema_rs
import msgspec
import pytest
import schemathesis
import yaml
from club_boards import a_club, hear
from flask import Flask
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.core.failures import FailureGroup
from schemathesis.generation import GenerationMode
from served import served
from test_openapi import _ask, conforms, no_filler

from probe_agent.config import parse_settings
from web import home
from web.club.app import create_club_app
from web.club.source import ClubSource
from web.wire import HEADERS

FILE = Path(__file__).parents[1] / "web" / "club" / "openapi.yaml"
DOCUMENT: dict[str, Any] = yaml.safe_load(FILE.read_text("utf-8"))
OF_THE_BOARDS_PAGE = {*home.ENDPOINTS, "manifest"}
"""As in web/openapi.yaml."""
PASSWORD = "reeds and a long morning"
RIGHT = "Basic " + base64.b64encode(f"x:{PASSWORD}".encode()).decode()
HOSTILE = '<script>alert("x")</script>&amp;\u202e\0'
"""What a board may call itself."""
HERE = {"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost:8090"}
WAYS: Mapping[str, tuple[bool, dict[str, str]]] = {
    "here": (False, HERE),
    "stranger": (False, {"REMOTE_ADDR": "192.168.1.20", "HTTP_HOST": "aircraft.example:8090"}),
    "proxy": (
        False,
        {
            "REMOTE_ADDR": "127.0.0.1",
            "HTTP_HOST": "aircraft.example",
            "HTTP_X_FORWARDED_FOR": "203.0.113.9",
            "HTTP_X_FORWARDED_PROTO": "https",
        },
    ),
    "password": (True, {**HERE, "HTTP_AUTHORIZATION": RIGHT}),
    "no password": (True, HERE),
}
"""Whether the page has a password, and how requests come."""


def app_of(folder: Path, password: bool) -> Flask:
    """A club in all states, one of them of a hostile name, one expected that nobody heard."""
    (folder / "password").write_text(PASSWORD, "utf-8")
    more = f'password_file = "{folder}/password"\n' if password else ""
    text = f'[broker]\nhost = "127.0.0.1"\nport = 1\n[club]\nboards = ["stork"]\n{more}'
    made = parse_settings(f'{text}[page]\nproxy = "127.0.0.1"\n'.encode(), "club.toml")
    source = ClubSource(made.broker, None)
    fleet = a_club()
    first = next(iter(fleet))
    hear(source, fleet | {first: msgspec.structs.replace(fleet[first], aircraft=HOSTILE, field=HOSTILE)})
    source.heard.alert(first, "x", HOSTILE.encode())
    source.heard.document("wren", b"{", False, None, "run", 1.0)
    return create_club_app(source, made)


@pytest.fixture(scope="module")
def apps(tmp_path_factory: pytest.TempPathFactory) -> dict[bool, Flask]:
    return {password: app_of(tmp_path_factory.mktemp("club"), password) for password in (False, True)}


def by(app: Flask, way: Mapping[str, str]) -> Any:
    """The page as it is reached by that way."""
    wsgi = app.wsgi_app

    def reached(environ: dict[str, Any], start: Any) -> Iterable[bytes]:
        environ.update(way)
        environ.pop("HTTP_ACCEPT_ENCODING", None)
        return list(wsgi(environ, start))

    return reached


# -- the document and the page name the same


def test_each_route_is_in_the_document_and_no_other(apps: dict[bool, Flask]) -> None:
    told = {path: item["get"]["operationId"] for path, item in DOCUMENT["paths"].items()}
    assert all(item.keys() == {"get"} for item in DOCUMENT["paths"].values())
    rules = {re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", r.rule): r for r in apps[False].url_map.iter_rules()}
    assert told == {p: r.endpoint for p, r in rules.items() if r.endpoint not in OF_THE_BOARDS_PAGE}
    assert all((r.methods or set()) <= {"GET", "HEAD", "OPTIONS"} for r in rules.values())


def test_each_state_and_curve_of_the_document_is_one_of_the_page() -> None:
    from probe_agent import words
    from web.chart import FORMS

    told = DOCUMENT["components"]["parameters"]
    assert told["state"]["schema"]["enum"] == list(words.HEADINGS)
    assert set(told["curve"]["schema"]["enum"]) == set(FORMS[:2])


# -- the page keeps to it


def known() -> dict[str, Any]:
    """The document with devices that were heard."""
    told = copy.deepcopy(DOCUMENT)
    told["components"]["parameters"]["device"]["schema"] = {"enum": [*list(a_club())[:3]]}
    return told


def run_all(apps: dict[bool, Flask], way: str, examples: int) -> dict[str, int]:
    """All operations with what the document says, once with any device and once with those heard."""
    password, environ = WAYS[way]
    counts: dict[str, int] = {}
    for document in (DOCUMENT, known()):
        found = conforms(by(apps[password], environ), no_filler, examples, document=document)
        counts = {code: counts.get(code, 0) + found.get(code, 0) for code in counts | found}
    return counts


EXPECTED = {"stranger": {"403"}, "no password": {"401"}}


@pytest.mark.parametrize("way", ["here", "stranger"])
def test_answers_are_as_the_document_says(apps: dict[bool, Flask], way: str) -> None:
    counts = run_all(apps, way, 1)
    assert sum(counts.values()) >= 15, counts
    assert_seen(counts, way)


def assert_seen(counts: dict[str, int], way: str) -> None:
    seen = counts.keys() - {"400", "404"}
    assert seen == EXPECTED[way] if way in EXPECTED else {"200"} <= seen <= {"200", "304"}, counts


@pytest.mark.long
@pytest.mark.parametrize("way", WAYS)
def test_many_answers_are_as_the_document_says(apps: dict[bool, Flask], way: str) -> None:
    counts = run_all(apps, way, 150)
    print(f"{way}: {sum(counts.values())} requests, {dict(sorted(counts.items()))}")
    assert sum(counts.values()) >= 1500
    assert_seen(counts, way)


def test_news_are_as_the_document_says_whatever_the_tag(apps: dict[bool, Flask]) -> None:
    client = apps[False].test_client()
    client.environ_base.update(HERE)
    schema = {"$ref": "#/components/schemas/News", "components": DOCUMENT["components"]}
    check = jsonschema_rs.validator_for(schema)
    found = re.search(r'data-tag="((\w+)\.\d+)"', client.get("/").get_data(as_text=True))
    assert found is not None
    tag, begun = found[1], found[2]
    again = client.get("/rows", headers={"If-None-Match": f'"{begun}.0"'})
    check.validate(again.get_json())
    assert len(again.get_json()["rows"]) == 16
    for known_ in (again.headers["ETag"], f'W/"{tag}"'):
        answer = client.get("/rows", headers={"If-None-Match": known_})
        assert answer.status_code == 304, known_
        assert answer.data == b""
    odd = ("", "*", '"*"', f'"{begun}"', f'"{begun}."', f'"{begun}.-1"', f'"{begun}.{"9" * 400}"', "W/", '"')
    for wrong in (*odd, f'"x.1", "{tag}"', '"' * 5_000, f'"{begun}.1e3"', f'"{begun}.\u0663"'):
        answer = client.get("/rows", headers={"If-None-Match": wrong.encode().decode("latin-1")})
        assert answer.status_code in (200, 304), wrong
        if answer.status_code == 200:
            check.validate(answer.get_json())


def test_who_stands_alone_is_led_to_by_a_documented_number(tmp_path: Path) -> None:
    made = parse_settings(b'[broker]\nhost = "127.0.0.1"\nport = 1\n[club]\n', "club.toml")
    source = ClubSource(made.broker, None)
    hear(source, dict(list(a_club().items())[:1]))
    counts = conforms(
        by(create_club_app(source, made), HERE), no_filler, 2, lambda o: o.path == "/", DOCUMENT
    )
    assert counts["303"] >= 1, counts


def test_the_same_over_a_real_server(apps: dict[bool, Flask]) -> None:
    """Waitress parses the requests and writes the answers."""
    with served(apps[False]) as port:
        schema = schemathesis.openapi.from_dict(DOCUMENT)
        schema.config.update(base_url=f"http://127.0.0.1:{port}")
        counts: dict[str, int] = {}
        for result in schema.get_all_operations():
            _ask(result.ok(), GenerationMode.POSITIVE, no_filler, 1, counts)
    assert sum(counts.values()) >= len(DOCUMENT["paths"]), counts


def test_a_wrong_answer_is_seen() -> None:
    """The checks can fail."""

    def other(environ: dict[str, Any], start: Any) -> list[bytes]:
        start("200 OK", [("Content-Type", "application/json"), *HEADERS.items()])
        return [b'{"rows": [["magpie", "ready"]], "gone": [], "total": 1, "more": false}']

    with pytest.raises(FailureGroup, match="1 distinct failure"):
        conforms(other, no_filler, 1, lambda o: o.path == "/rows", DOCUMENT)


# -- hostile


WILD = st.text(st.characters(exclude_categories=("Cs",)), max_size=60) | st.sampled_from(
    [HOSTILE, "../" * 20, "%00", "a" * 3_000, "magpie", "ready", "-", "C", "24", "{{7*7}}", "'--", "\r\nX: y"]
)
WORD = st.sampled_from(["field", "state", "unit", "clock", "curve", "field", "x", ""]) | WILD
QUERY = st.lists(st.tuples(WORD, WILD), max_size=4)
NAMES = (
    "IF_NONE_MATCH",
    "ACCEPT_ENCODING",
    "ACCEPT_LANGUAGE",
    "COOKIE",
    "HOST",
    "RANGE",
    "IF_RANGE",
    "IF_MODIFIED_SINCE",
    "X_FORWARDED_FOR",
    "X_FORWARDED_PROTO",
    "X_FORWARDED_HOST",
    "FORWARDED",
    "VIA",
    "AUTHORIZATION",
    "TRANSFER_ENCODING",
    "X_HTTP_METHOD_OVERRIDE",
)
LINE = st.text(string.printable[:95] + "\xe9\xff", max_size=80) | st.sampled_from(
    ["gzip;q=x", "*", "bytes=0-", "Basic", "Basic =", "Basic /////", "for=::1", "127.0.0.1, x", "'" * 999]
)
HEADERS_SENT = st.dictionaries(st.sampled_from(NAMES), LINE, max_size=5)
PATHS = st.sampled_from(
    ["/", "/rows", "/a/magpie", "/a/magpie/now", "/a/magpie/curve", "/manifest.webmanifest"]
)
ANY_PATH = PATHS | WILD.map(lambda text: "/a/" + text) | WILD.map(lambda text: "/" + text)
VERBS = st.sampled_from(["GET"] * 8 + ["HEAD", "OPTIONS", "POST", "PUT", "DELETE", "TRACE", "BREW"])
CODES = {200, 206, 303, 304, 308, 400, 401, 403, 404, 405, 413, 416}


def ask(
    app: Flask,
    way: Mapping[str, str],
    verb: str,
    path: str,
    query: list[tuple[str, str]],
    sent: dict[str, str],
) -> tuple[int, dict[str, str], str]:
    """What is answered: number, headers by their lower-case names, text."""
    text = "&".join(f"{quote(k)}={quote(v)}" for k, v in query)
    environ = {"REQUEST_METHOD": verb, "PATH_INFO": path.encode().decode("latin-1"), "QUERY_STRING": text}
    environ |= {f"HTTP_{name}": value for name, value in sent.items()} | way
    told: list[tuple[int, dict[str, str]]] = []

    def start(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> None:
        told.append((int(status[:3]), {name.lower(): value for name, value in headers}))

    basis = {"wsgi.url_scheme": "http", "wsgi.input": io.BytesIO(), "wsgi.errors": io.StringIO()}
    server = {"SERVER_NAME": "localhost", "SERVER_PORT": "8090", "SCRIPT_NAME": ""}
    body = b"".join(app.wsgi_app({**basis, **server, **environ}, start))
    return *told[0], body.decode("utf-8", "replace")


def answered(apps: dict[bool, Flask], way: str, examples: int) -> dict[int, int]:
    """How often each number came of so many hostile requests; nothing fails, nothing leaks, all is strict."""
    password, environ = WAYS[way]
    counts: dict[int, int] = {}
    fixed = {k: v for k, v in environ.items() if way not in ("here", "proxy") or k == "REMOTE_ADDR"}

    @settings(
        max_examples=examples,
        derandomize=examples < 500,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(VERBS, ANY_PATH, QUERY, HEADERS_SENT)
    def one(verb: str, path: str, query: list[tuple[str, str]], sent: dict[str, str]) -> None:
        code, headers, text = ask(apps[password], {**environ, **_of(sent), **fixed}, verb, path, query, {})
        counts[code] = counts.get(code, 0) + 1
        assert code in CODES, (verb, path, query, sent)
        assert "Traceback (most" not in text
        if not path.startswith("/static/"):
            assert {n: headers.get(n.lower()) for n in HEADERS} == HEADERS, path
        if "html" in headers.get("content-type", "") and "gzip" not in headers.get("content-encoding", ""):
            assert "<script>alert" not in text
            assert not re.search(r"\sstyle=|<style|\son\w+=\"", text)
        if way in EXPECTED and path not in ("/worker.js",) and not path.startswith("/static/"):
            assert "agpie" not in text.replace(path, ""), "shown to who may not look"

    one()
    return counts


def _of(sent: Mapping[str, str]) -> dict[str, str]:
    return {f"HTTP_{name}": value for name, value in sent.items()}


@pytest.mark.parametrize("way", ["here", "no password"])
def test_hostile_requests_are_answered_or_refused(apps: dict[bool, Flask], way: str) -> None:
    assert sum(answered(apps, way, 60).values()) >= 50


@pytest.mark.long
@pytest.mark.parametrize("way", WAYS)
def test_many_hostile_requests_are_answered_or_refused(apps: dict[bool, Flask], way: str) -> None:
    counts = answered(apps, way, 3_000)
    print(f"{way}: {sum(counts.values())} requests, {dict(sorted(counts.items()))}")
    assert sum(counts.values()) >= 2_000


@pytest.fixture(scope="module")
def page(apps: dict[bool, Flask]) -> Iterator[int]:
    with served(apps[True]) as port:
        yield port


@pytest.mark.parametrize(
    "raw",
    [
        b"GET / HTTP/1.1\r\nHost: localhost\r\nIf-None-Match: " + b'"' * 20_000 + b"\r\n\r\n",
        b"GET /rows HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET /rows?\xff\xfe=\x00 HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET /a/%ff%00%2e%2e HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999999\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"GET /rows HTTP/1.1\r\n: x\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n",
        b"GET " + b"/" * 30_000 + b" HTTP/1.1\r\n\r\n",
    ],
)
def test_what_is_no_request_is_refused_and_the_page_goes_on(page: int, raw: bytes) -> None:
    said = b""
    with (
        socket.create_connection(("127.0.0.1", page), timeout=30) as line,
        suppress(ConnectionError, OSError),
    ):
        line.sendall(raw)
        line.shutdown(socket.SHUT_WR)
        while more := line.recv(65_536):
            said += more
    assert re.match(rb"HTTP/1\.[01] [34]\d\d ", said) or not said, said[:200]
    assert b"agpie" not in said
    assert b"Traceback" not in said
    good = b"GET /rows HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nAuthorization: " + RIGHT.encode()
    with socket.create_connection(("127.0.0.1", page), timeout=30) as line:
        line.sendall(good + b"\r\n\r\n")
        assert b"".join(iter(lambda: line.recv(65_536), b"")).startswith(b"HTTP/1.1 200")
