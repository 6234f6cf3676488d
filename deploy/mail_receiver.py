"""A mail receiver for the demonstration and for tests: takes any mail on loopback and prints it.

    python deploy/mail_receiver.py [--port N] [--directory DIR]

The first line printed is {"port": N}; then one JSON object a mail: {"from", "to", "subject", "text"}.
With a directory each mail is also kept there as NNNN.eml, complete before its line is printed.
It speaks plain SMTP without login, and never listens anywhere but on 127.0.0.1.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys
from email import message_from_bytes, policy
from pathlib import Path

from aiosmtpd.smtp import SMTP, Envelope, Session


def mail_as_json(envelope: Envelope) -> dict[str, object]:
    """What a person wants to see of a mail: who from, who to, subject, and its plain text."""
    mail = message_from_bytes(envelope.original_content or b"", policy=policy.default)
    body = mail.get_body(preferencelist=("plain", "html"))
    return {
        "from": envelope.mail_from,
        "to": list(envelope.rcpt_tos),
        "subject": str(mail["subject"] or ""),
        "text": "" if body is None else "\n".join(str(body.get_content()).strip().splitlines()),
    }


class Handler:
    """What the SMTP server calls for each mail; a mail is accepted only once it is kept and printed."""

    def __init__(self, directory: Path | None) -> None:
        self._directory = directory
        self._count = 0

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        self._count += 1
        if self._directory is not None:
            (self._directory / f"{self._count:04d}.eml").write_bytes(envelope.original_content or b"")
        print(json.dumps(mail_as_json(envelope)), flush=True)
        return "250 accepted"


async def serve(port: int, directory: Path | None) -> None:
    """Receive mail until INT or TERM. Port 0: a free one."""
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    handler = Handler(directory)
    server = await loop.create_server(
        lambda: SMTP(handler, hostname="localhost", enable_SMTPUTF8=True), "127.0.0.1", port
    )
    print(json.dumps({"port": server.sockets[0].getsockname()[1]}), flush=True)
    await stop.wait()
    server.close()


def main() -> int:
    parser = argparse.ArgumentParser(description="Receive mail on loopback and print it as JSON lines.")
    parser.add_argument("--port", type=int, default=0, help="0: a free one")
    parser.add_argument("--directory", type=Path, help="keep each mail there as NNNN.eml")
    args = parser.parse_args()
    asyncio.run(serve(args.port, args.directory))
    return 0


if __name__ == "__main__":
    sys.exit(main())
