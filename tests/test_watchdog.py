"""The sign of life: fetched while the daemon is fresh, silent with it, and never a reason to wait."""

from __future__ import annotations

import logging
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from probe_agent.config import Watchdog
from probe_agent.watchdog import WatchdogCourier, fetch

SECRET = "s3cret-path-0123456789"


class Listener:
    """A real HTTP server on loopback that counts what is fetched."""

    def __init__(self, status: int = 200, hold: threading.Event | None = None) -> None:
        self.fetched: list[str] = []
        self.came = threading.Condition()
        listener = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                with listener.came:
                    listener.fetched.append(self.path)
                    listener.came.notify_all()
                if hold is not None:
                    hold.wait(20)
                self.send_response(status)
                if status == 302:
                    self.send_header("Location", "/elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                return

        self.server = HTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self.server.server_port}/{SECRET}"
        self._thread = threading.Thread(target=self.server.serve_forever, args=(0.01,))

    def __enter__(self) -> Listener:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.shutdown()
        self._thread.join(10)
        self.server.server_close()

    def wait_for(self, n: int) -> None:
        with self.came:
            assert self.came.wait_for(lambda: len(self.fetched) >= n, 10)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Callable[..., WatchdogCourier]]:
    made: list[WatchdogCourier] = []

    def run(address: str | None, stale_s: float = 60.0) -> WatchdogCourier:
        file = tmp_path / "address"
        if address is not None:
            file.write_text(f"{address}\n", "utf-8")
        courier = WatchdogCourier(Watchdog(url_file=str(file), every_s=1.0), 15.0, stale_s)
        courier._every_s = 0.02
        made.append(courier)
        courier.start()
        return courier

    yield run
    for courier in made:
        courier.stop()


def until(true: Callable[[], object]) -> None:
    deadline, pause = time.monotonic() + 10, threading.Event()
    while not true():
        assert time.monotonic() < deadline
        pause.wait(0.005)


def test_it_is_fetched_again_and_again_while_the_daemon_is_fresh(
    running: Callable[..., WatchdogCourier],
) -> None:
    with Listener() as there:
        courier = running(there.address)
        courier.beat()
        there.wait_for(3)
        assert set(there.fetched) == {f"/{SECRET}"}
        assert courier.trouble is None


def test_a_daemon_without_ticks_falls_silent_outside_too(running: Callable[..., WatchdogCourier]) -> None:
    with Listener() as there:
        courier = running(there.address, stale_s=-1.0)
        courier.beat()
        until(lambda: courier.trouble)
        assert there.fetched == []
        assert courier.trouble == (
            "The watchdog's address was not fetched: nothing has been measured for too long."
        )


def test_before_the_first_tick_nothing_is_fetched(running: Callable[..., WatchdogCourier]) -> None:
    with Listener() as there:
        courier = running(there.address)
        courier.stop()
        assert there.fetched == []


def test_an_address_that_hangs_holds_up_neither_beat_nor_end(
    running: Callable[..., WatchdogCourier],
) -> None:
    hold = threading.Event()
    with Listener(hold=hold) as there:
        courier = running(there.address)
        courier.beat()
        there.wait_for(1)
        begun = time.monotonic()
        for _ in range(1000):
            courier.beat()
        courier.stop()
        assert time.monotonic() - begun < 5
        hold.set()


@pytest.mark.parametrize(
    ("status", "said"), [(500, "it answers with status 500"), (302, "it answers with status 302")]
)
def test_a_refusal_is_said_and_a_redirect_not_followed(status: int, said: str) -> None:
    with Listener(status) as there:
        assert fetch(there.address) == said
        assert there.fetched == [f"/{SECRET}"]


def test_trouble_is_said_once_in_the_log_and_never_with_the_address(
    running: Callable[..., WatchdogCourier], caplog: pytest.LogCaptureFixture
) -> None:
    with Listener() as there:
        gone = there.address
    with caplog.at_level(logging.DEBUG):
        courier = running(gone)
        courier.beat()
        until(lambda: courier.trouble)
        until(lambda: courier._failing is not None)
    assert courier.trouble is not None
    assert "it can't be reached (ConnectionRefusedError)" in courier.trouble
    assert SECRET not in courier.trouble + caplog.text
    assert sum("watchdog" in r.message for r in caplog.records) == 1


def test_plain_http_beyond_loopback_and_other_schemes_are_refused() -> None:
    assert fetch("http://watch.example.org/x") == "its address is not https"
    assert fetch("file:///etc/hostname") == "its address is not https"
    assert fetch("") == "its address is not https"


def test_a_file_that_is_not_there_is_named(running: Callable[..., WatchdogCourier], tmp_path: Path) -> None:
    courier = running(None)
    courier.beat()
    until(lambda: courier.trouble)
    assert courier.trouble is not None
    assert f"its file {tmp_path / 'address'} can't be read (FileNotFoundError)" in courier.trouble


def test_a_certificate_nobody_vouches_for_is_refused(own_certificate: tuple[Path, Path]) -> None:
    with Listener() as there:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*own_certificate)
        there.server.socket = context.wrap_socket(there.server.socket, server_side=True)
        assert fetch(there.address.replace("http:", "https:"), 5) == (
            "its certificate isn't trusted, or this board's clock is wrong"
        )
        assert there.fetched == []


@pytest.fixture
def own_certificate(tmp_path: Path) -> tuple[Path, Path]:
    key, cert = tmp_path / "key.pem", tmp_path / "cert.pem"
    kind = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    files = ["-keyout", str(key), "-out", str(cert), "-days", "2", "-subj", "/CN=127.0.0.1"]
    subprocess.run(["openssl", "req", "-x509", *kind, *files], check=True, capture_output=True)
    return cert, key
