"""Proxies on loopback before the page, as an owner's would be: they say how a request came, and whence."""

from __future__ import annotations

import ssl
import subprocess
import threading
from collections.abc import Mapping
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Self

_OWN = {"connection", "keep-alive", "transfer-encoding", "date", "server"}


def make_certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for localhost that nobody else has signed, and its key, as PEM files."""
    certificate, key = folder / "page.pem", folder / "page.key"
    command = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
    ]
    command += ["-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
    command += ["-keyout", str(key), "-out", str(certificate)]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    return certificate, key


class Proxy:
    """Context manager: http://localhost:{port}/ for what listens on `behind`, asked from the address
    `client`. Its network can be cut, and is then refused on the same port until it is restored."""

    scheme = "http"

    def __init__(self, behind: int, client: str = "192.168.1.20") -> None:
        told = {"X-Forwarded-For": client, "X-Forwarded-Proto": self.scheme}

        class Handler(_Handler):
            page_port, says = behind, told

        self._handler = Handler
        self.port = 0
        self._listen()

    def _listen(self) -> None:
        self._server = _Server(("127.0.0.1", self.port), self._handler)
        self._wrap()
        self.port = self._server.server_port
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), name="proxy")

    def _wrap(self) -> None:
        """Nothing: plain HTTP."""

    def cut(self) -> None:
        """End every connection and take no other."""
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    def restore(self) -> None:
        self._listen()
        self._thread.start()

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.cut()


class TlsProxy(Proxy):
    """The same as https://localhost:{port}/, asked from this machine. certificate: a file with key and
    certificate to show instead of one for localhost that nobody else has signed."""

    scheme = "https"

    def __init__(self, folder: Path, behind: int, certificate: Path | None = None) -> None:
        self._context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self._context.load_cert_chain(*(make_certificate(folder) if certificate is None else (certificate,)))
        super().__init__(behind, "127.0.0.1")

    def _wrap(self) -> None:
        self._server.socket = self._context.wrap_socket(
            self._server.socket, server_side=True, do_handshake_on_connect=False
        )


class _Server(ThreadingHTTPServer):
    def handle_error(self, *_: object) -> None:
        """A phone that goes, or a board that is gone, is what some tests are about."""


class _Handler(BaseHTTPRequestHandler):
    page_port: int
    says: Mapping[str, str]
    timeout = 5

    def do_GET(self) -> None:
        self._pass_on()

    def do_POST(self) -> None:
        self._pass_on()

    def _pass_on(self) -> None:
        headers = {
            k: v for k, v in self.headers.items() if not k.lower().startswith(("x-forwarded", "connection"))
        }
        headers |= self.says
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        page = HTTPConnection("127.0.0.1", self.page_port, timeout=30)
        try:
            page.request(self.command, self.path, body, headers)
            answer = page.getresponse()
            content = answer.read()
        finally:
            page.close()
        self.send_response(answer.status)
        for name, value in answer.getheaders():
            if name.lower() not in _OWN:
                self.send_header(name, value)
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        """Nothing is logged."""
