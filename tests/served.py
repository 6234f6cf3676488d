"""A page behind waitress as probe-agent-web serves it, in a thread of the test's own."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from web.serve import server_of


@contextmanager
def served(app: Any) -> Iterator[int]:
    """The port on loopback."""
    server = server_of(app, "127.0.0.1", 0)

    def run() -> None:
        with suppress(OSError):  # it may be asking for its sockets just as they are closed below
            server.run()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield int(server.effective_port)
    finally:
        server.close()
        thread.join(10)
