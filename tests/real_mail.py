"""A real SMTP receiver on a free loopback port, and what it received."""

from __future__ import annotations

import asyncio
import queue
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass
from email import message_from_bytes, policy
from pathlib import Path

from aiosmtpd.smtp import SMTP, Envelope, Session


@dataclass(frozen=True)
class Mail:
    sender: str
    to: tuple[str, ...]
    subject: str
    content_type: str
    text: str
    raw: bytes


def _accept(mail: Mail) -> str:
    return "250 accepted"


class MailReceiver:
    """Context manager. `answer` decides the reply to each mail; accepted ones come out of `mails`.

    `seen` holds every mail whose data arrived, whatever the answer was. certificate: a file with key and
    certificate; it is then spoken to over TLS from the first byte.
    """

    def __init__(self, answer: Callable[[Mail], str] = _accept, certificate: Path | None = None) -> None:
        self.answer = answer
        self._tls: ssl.SSLContext | None = None
        if certificate is not None:
            self._tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self._tls.load_cert_chain(certificate)
        self.mails: queue.Queue[Mail] = queue.Queue()
        self.seen: queue.Queue[Mail] = queue.Queue()
        self.port = 0
        self._loop = asyncio.new_event_loop()
        self._listening = threading.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=(self._serve(),))

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        mail = _as_mail(envelope)
        self.seen.put(mail)
        reply = await asyncio.to_thread(self.answer, mail)
        if reply.startswith("250"):
            self.mails.put(mail)
        return reply

    async def _serve(self) -> None:
        self._stop = asyncio.Event()
        server = await self._loop.create_server(
            lambda: SMTP(self, hostname="localhost", enable_SMTPUTF8=True, loop=self._loop),
            "127.0.0.1",
            0,
            ssl=self._tls,
        )
        self.port = server.sockets[0].getsockname()[1]
        self._listening.set()
        await self._stop.wait()
        server.close()

    def __enter__(self) -> MailReceiver:
        self._thread.start()
        assert self._listening.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(10)
        for task in asyncio.all_tasks(self._loop):
            task.cancel()
        self._loop.run_until_complete(asyncio.wait_for(asyncio.sleep(0), 1))
        self._loop.run_until_complete(self._loop.shutdown_default_executor())
        self._loop.close()

    def address(self, to: str = "pilot@example.org") -> str:
        """The apprise address that leads here."""
        if self._tls is None:
            return f"mailto://127.0.0.1:{self.port}/?from=probe-agent@example.org&to={to}"
        return f"mailtos://localhost:{self.port}/?mode=ssl&from=probe-agent@example.org&to={to}"

    def next_mail(self, timeout_s: float = 10.0) -> Mail:
        """The next accepted mail. Raises queue.Empty."""
        return self.mails.get(timeout=timeout_s)


def _as_mail(envelope: Envelope) -> Mail:
    raw = envelope.original_content or b""
    parsed = message_from_bytes(raw, policy=policy.default)
    body = parsed.get_body(preferencelist=("plain", "html"))
    assert body is not None
    return Mail(
        sender=envelope.mail_from or "",
        to=tuple(envelope.rcpt_tos),
        subject=str(parsed["subject"]),
        content_type=body.get_content_type(),
        text=str(body.get_content()),
        raw=raw,
    )
