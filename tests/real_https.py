"""A real HTTPS server on loopback, with certificates made for the test by an authority of its own."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

NOW = datetime.now(UTC)
DAY = timedelta(days=1)


class Authority:
    """Signs certificates; `file` is what a client has to trust."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "authority of this test")])
        usage = x509.KeyUsage(True, False, False, False, False, True, True, False, False)
        certificate = (
            self._begin(self._name, self._key, NOW - 2 * DAY, NOW + DAY, self._name)
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .add_extension(usage, critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        self.file = folder / "authority.pem"
        self.file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))

    def _begin(
        self,
        subject: x509.Name,
        key: ec.EllipticCurvePrivateKey,
        begin: datetime,
        end: datetime,
        issuer: x509.Name,
    ) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(issuer)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(begin)
            .not_valid_after(end)
        )

    def certificate(
        self,
        host: str = "localhost",
        begin: datetime = NOW - DAY,
        end: datetime = NOW + DAY,
        by_itself: bool = False,
    ) -> Path:
        """File with key and certificate for a host; by_itself: signed with its own key."""
        key = ec.generate_private_key(ec.SECP256R1())
        names: list[x509.GeneralName] = [x509.DNSName(host)]
        if host == "localhost":
            names.append(x509.IPAddress(ipaddress.ip_address("127.0.0.1")))
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, host)])
        signer = key if by_itself else self._key
        builder = self._begin(subject, key, begin, end, subject if by_itself else self._name)
        identifier = x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key())
        certificate = (
            builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
            .add_extension(identifier, critical=False)
            .sign(signer, hashes.SHA256())
        )
        private = key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        file = self._folder / f"server-{certificate.serial_number:x}.pem"
        file.write_bytes(private + certificate.public_bytes(serialization.Encoding.PEM))
        return file


class HttpsServer:
    """Context manager. `answer` says what to do with a request; each is in `asked` with its headers."""

    def __init__(self, certificate: Path | None, answer: Callable[[BaseHTTPRequestHandler], None]) -> None:
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.answer = answer
        self.ended = threading.Event()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.asked.append((self.path, dict(self.headers)))
                outer.answer(self)

            def log_message(self, format: str, *args: object) -> None:
                """Nothing on standard error."""

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, request: object, client_address: object) -> None:
                """A client that refuses the certificate, or goes, is what some tests are about."""

        self._server = Server(("127.0.0.1", 0), Handler)
        self.port = int(self._server.server_address[1])
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate)
            self._server.socket = context.wrap_socket(
                self._server.socket, server_side=True, do_handshake_on_connect=False
            )
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    @property
    def address(self) -> str:
        return f"https://localhost:{self.port}/weather?key=secret"

    def __enter__(self) -> HttpsServer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.ended.set()
        self._server.shutdown()
        self._server.block_on_close = False
        self._server.server_close()
        self._thread.join(5)


def says(body: bytes, status: int = 200, **headers: str) -> Callable[[BaseHTTPRequestHandler], None]:
    """An answer with that body; header names with _ for -."""

    def answer(request: BaseHTTPRequestHandler) -> None:
        request.send_response(status)
        for name, value in headers.items():
            request.send_header(name.replace("_", "-"), value)
        request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        try:
            request.wfile.write(body)
        except OSError:
            return  # the client has seen enough

    return answer


class SilentServer:
    """Context manager: takes connections and never says a word."""

    def __enter__(self) -> SilentServer:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()
