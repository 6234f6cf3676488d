"""A proxy on loopback that makes the page HTTPS, as an owner's would, and says how a request came."""

from __future__ import annotations

import ssl
import subprocess
import threading
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

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


class TlsProxy:
    """Context manager: https://localhost:{port}/ for what listens on `behind`. certificate: a file with key
    and certificate to show instead of one for localhost that nobody else has signed."""

    def __init__(self, folder: Path, behind: int, certificate: Path | None = None) -> None:
        class Handler(_Handler):
            page_port = behind

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*(make_certificate(folder) if certificate is None else (certificate,)))
        self._server.socket = context.wrap_socket(
            self._server.socket, server_side=True, do_handshake_on_connect=False
        )
        self.port = self._server.server_port
        self._thread = threading.Thread(target=self._server.serve_forever, name="proxy")

    def __enter__(self) -> TlsProxy:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


class _Handler(BaseHTTPRequestHandler):
    page_port: int
    timeout = 5

    def do_GET(self) -> None:
        self._pass_on()

    def do_POST(self) -> None:
        self._pass_on()

    def _pass_on(self) -> None:
        headers = {
            k: v for k, v in self.headers.items() if not k.lower().startswith(("x-forwarded", "connection"))
        }
        headers |= {"X-Forwarded-For": self.client_address[0], "X-Forwarded-Proto": "https"}
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
