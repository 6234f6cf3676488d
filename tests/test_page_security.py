"""What a browser, a stranger in the network and a strange request may not get from the page or do to it."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openapi
import pytest
import status_samples as samples
from living_page import BOARD, PLAIN, SECURE, LivingPage, hidden

from probe_agent import store
from probe_agent.store import link_hash
from web.app import create_app
from web.serve import MOST_BODY_BYTES, MOST_HEADER_BYTES, server_of
from web.source import FileStatusSource
from web.wire import HEADERS

PATHS = openapi.document()["paths"]
PAGES = sorted(p for p, item in PATHS.items() if "get" in item and "{" not in p)
ACTS = sorted(p for p in PATHS if p.startswith("/act/"))
SENSIBLE = {
    "alert": "a",
    "answer": "it-is-off",
    "on": "no",
    "oil": "out",
    "plug": "on",
    "what": "started",
    "outing": "1",
    "date": "2027-01-16",
    "time": "09:00",
    "departure": "1",
    "code": "BCDFGHJK",
    "place": "cyl-1",
    "value": "3",
    "unit": "C",
    "method": "contact",
    "entries": "[]",
    "id": "1",
    "to": "owner",
    "heatup": "1",
    "note": "x",
    "excluded": "yes",
    "kind": "cold-soak",
    "asked_at": "1",
    "correction": "1",
}


@pytest.fixture(scope="module")
def living(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivingPage]:
    with LivingPage(tmp_path_factory.mktemp("living")) as page:
        yield page


def until_end(sock: socket.socket) -> bytes:
    """What comes until the other side ends it. Raises TimeoutError where it doesn't."""
    came = b""
    while True:
        try:
            more = sock.recv(65_536)
        except ConnectionResetError:
            return came
        if not more:
            return came
        came += more


class Server:
    """Context manager: the page behind waitress as probe-agent-web starts it, on a port of its own."""

    def __init__(self, app: Any, silent_s: int = 30) -> None:
        self._server = server_of(app, "127.0.0.1", 0, silent_s)
        self.port = int(self._server.effective_port)
        self._thread = threading.Thread(target=self._server.run, daemon=True)

    def __enter__(self) -> Server:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.close()
        self._thread.join(10)

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), 10)

    def ask(self, request: bytes) -> tuple[bytes, bytes]:
        """Head and body of the answer to these bytes."""
        with self.connect() as sock:
            sock.sendall(request)
            head, _, body = until_end(sock).partition(b"\r\n\r\n")
        return head, body

    def get(self, path: bytes, more: bytes = b"") -> tuple[bytes, bytes]:
        return self.ask(
            b"GET " + path + b" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n" + more + b"\r\n"
        )


def asked(living: LivingPage) -> int:
    """How many commands were ever left."""
    db = store.connect(living.file, read_only=True)
    try:
        return int(db.execute("SELECT count(*) FROM commands").fetchone()[0])
    finally:
        db.close()


# -- headers and cookies


def is_strict(headers: Any) -> None:
    policy = headers["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert not re.search(r"\*|https?:|data:|blob:", policy)
    for part in ("default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"):
        assert part in policy
    for name, value in HEADERS.items():
        assert headers.getlist(name) == [value]


@pytest.mark.parametrize("way", [BOARD, PLAIN, SECURE])
def test_every_page_has_the_strict_headers(living: LivingPage, way: dict[str, str]) -> None:
    client = living.browser(way)
    for path in PAGES:
        with client.get(path) as answer:
            is_strict(answer.headers)
    for action in ACTS:
        is_strict(client.post(action).headers)


def test_every_error_has_them_too(living: LivingPage, tmp_path: Path) -> None:
    board = living.browser(BOARD)
    for answer, code in (
        (board.get("/nowhere"), 404),
        (board.get("/act/alert"), 405),
        (board.post("/act/note", data={"note": "x" * 20_000}), 413),
        (board.get("/", headers={"Host": "a" * 300}), 400),
        (board.get("/answer/" + "a" * 30), 404),
        (board.get("/static/nothing.css"), 404),
    ):
        assert answer.status_code == code
        if code != 404 or "static" not in answer.request.path:
            is_strict(answer.headers)
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
    app = create_app(FileStatusSource(tmp_path / "none"), tmp_path / "none", living.settings)
    app.add_url_rule("/falls", "falls", lambda: 1 / 0)  # type: ignore[arg-type, return-value]
    app.view_functions["pair"] = app.view_functions["falls"]
    client = app.test_client()
    client.environ_base.update(BOARD)
    fell = client.get("/pair")
    assert fell.status_code == 500
    is_strict(fell.headers)
    assert "ZeroDivision" not in fell.text


def test_no_cookie_is_within_reach_of_scripts_or_travels_in_the_open(living: LivingPage) -> None:
    for way in (BOARD, PLAIN, SECURE):
        client = living.browser(way)
        cookies = []
        for path in PAGES:
            with client.get(f"{path}?unit=F&clock=24") as answer:
                cookies += answer.headers.getlist("Set-Cookie")
        assert cookies
        for cookie in cookies:
            assert "HttpOnly" in cookie
            assert re.search("SameSite=(Lax|Strict)", cookie)
            assert "Domain=" not in cookie
            assert ("Secure" in cookie) == (way is SECURE), cookie
    phone = living.paired()
    kept = [c for c in (phone._cookies or {}).values() if c.key == "__Host-session"]
    assert [(c.secure, c.http_only, c.path) for c in kept] == [(True, True, "/")]


# -- other pages' forms


@pytest.mark.parametrize("action", ACTS)
def test_no_act_without_the_forms_token_nor_from_another_page(living: LivingPage, action: str) -> None:
    board, before = living.browser(BOARD), asked(living)
    right = hidden(board, "/act/alert")
    form = PATHS[action]["post"]["requestBody"]["content"]["application/x-www-form-urlencoded"]["schema"]
    values = {name: SENSIBLE[name] for name in form["required"] if name in SENSIBLE}
    if action == "/act/flew":
        values["what"] = "not-flown"
    for sent, headers in (
        (values, {}),
        ({**values, "token": "0" * 64, "once": "1"}, {}),
        ({**values, "token": hidden(living.browser(BOARD), "")["token"], "once": "1"}, {}),
        ({**values, **right}, {"Sec-Fetch-Site": "cross-site"}),
        ({**values, **right}, {"Sec-Fetch-Site": "same-site"}),
        ({**values, **right}, {"Origin": "https://evil.example"}),
        ({**values, **right}, {"Origin": "null"}),
    ):
        answer = board.post(action, data=sent, headers=headers, base_url="http://localhost:8088")
        assert answer.status_code in (403, 409, 422), (sent, headers)
    assert asked(living) == before


def test_reading_a_page_never_leaves_a_command(living: LivingPage) -> None:
    before = asked(living)
    for way in (BOARD, PLAIN, SECURE):
        for path in PAGES:
            living.browser(way).get(path).close()
    assert asked(living) == before


# -- guessing


def test_the_six_digits_of_a_test_message_are_no_address(living: LivingPage) -> None:
    """One in a million, and whoever reaches the page may open addresses as often as they like."""
    now_at = time.time()
    living.agent.store.new_link("482913", "test:owner", "owner", now_at, now_at + 1e9)
    strange = living.browser(PLAIN)
    assert strange.get("/answer/482913").status_code == 404
    assert strange.post("/answer/482913").status_code == 404
    link = living.agent.store.link(link_hash("482913"))
    assert link is not None
    assert link.used_at is None
    assert strange.post("/act/received", data={"code": "482913"}).status_code == 403


# -- on the wire


@pytest.fixture(scope="module")
def server(living: LivingPage) -> Iterator[Server]:
    with Server(living.app) as server:
        yield server


def test_what_is_too_long_is_refused_before_it_is_kept(server: Server) -> None:
    begun = b"POST /act/note HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
    with server.connect() as sock:  # only the head: waiting for the body would be a hang
        sock.sendall(begun + b"Content-Length: %d\r\n\r\n" % (MOST_BODY_BYTES + 1))
        assert sock.recv(65_536).startswith(b"HTTP/1.1 413 ")
    head, _ = server.ask(begun + b"Content-Length: 20000\r\n\r\n" + b"x" * 20_000)
    assert head.startswith(b"HTTP/1.1 413 ")
    assert b"Content-Security-Policy: default-src 'none'" in head
    head, _ = server.get(b"/", b"X: " + b"x" * MOST_HEADER_BYTES + b"\r\n")
    assert head.split(b" ")[1] == b"431"


@pytest.mark.parametrize(
    "path",
    [
        b"/static/../app.py",
        b"/static/..%2fapp.py",
        b"/static/%2e%2e/app.py",
        b"/static//etc/passwd",
        b"/static/..\\app.py",
        b"/static/%00/../app.py",
        b"/../../../../etc/passwd",
        b"//etc/passwd",
        b"/static/....//app.py",
        b"/static/%252e%252e/app.py",
        b"/static/./../serve.py",
    ],
)
def test_no_file_but_the_pages_own_is_given_out(server: Server, path: bytes) -> None:
    head, body = server.get(path)
    assert re.match(rb"HTTP/1\.1 (400|404|308) ", head), head
    assert b"create_app" not in body
    assert b"root:" not in body


@pytest.mark.parametrize(
    "path",
    [
        b"/?unit=C%0d%0aX-Evil:%201",
        b"/answer/a%0d%0aX-Evil:1",
        b"/?said=%0d%0aX-Evil:1",
        b"/record.csv?season=%0aX-Evil:1",
        b"/curves/csv?h=1%0d%0aX-Evil:1",
        b"/static/%0d%0aX-Evil:1",
        b"/%0d%0aX-Evil:1/",
    ],
)
def test_no_header_is_smuggled_in(server: Server, path: bytes) -> None:
    head, _ = server.get(path, b"Accept-Language: en\r\n")
    assert b"X-Evil" not in head.replace(b"Location: http", b"")
    assert re.match(rb"HTTP/1\.1 [2-4]\d\d ", head)


def test_nonsense_is_no_server_error(server: Server) -> None:
    for request in (
        b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/9.9\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
        b"FROB / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"POST /act/oil HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: frob\r\nConnection: close\r\n\r\n",
        b"GET http://[::1 HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
    ):
        head, _ = server.ask(request)
        assert not re.match(rb"HTTP/\S+ 500 ", head), (request, head)


def test_slow_clients_hold_up_nobody_and_are_cut_off(living: LivingPage) -> None:
    """Forty that begin a request and forty that begin a form; waitress's threads wait for none of them."""
    with Server(living.app, silent_s=1) as server:
        slow = [server.connect() for _ in range(80)]
        for i, sock in enumerate(slow):
            form = b"POST /act/note HTTP/1.1\r\nHost: localhost\r\nContent-Length: 4000\r\n\r\nnote="
            sock.sendall(form if i % 2 else b"GET / HTTP/1.1\r\nHost: lo")
        began_s = time.monotonic()
        head, _ = server.get(b"/api/status")
        assert head.startswith(b"HTTP/1.1 200 ")
        assert time.monotonic() - began_s < 5.0
        for sock in slow:
            sock.settimeout(20)
            assert b" 200 " not in until_end(sock)
            sock.close()


def test_what_people_write_is_shown_as_text(living: LivingPage) -> None:
    evil = "<script>alert(1)</script><img src=x onerror=alert(1)>\"'"
    board = living.browser(BOARD)
    sent = {**hidden(board, "/act/note", "/curves/1"), "heatup": "1", "note": evil}
    assert board.post("/act/note", data=sent, base_url="http://localhost:8088").status_code == 303
    living.show(samples.sample(aircraft=evil, notes=(evil,), setup=evil))
    for path in ("/", "/curves/1", "/curves", "/setup", "/calibrate", "/pair", "/plan"):
        html = board.get(path).get_data(as_text=True)
        assert "<script>alert" not in html
        assert "<img src=x" not in html
    living.show(samples.heating())
