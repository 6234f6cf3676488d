"""A line on loopback that can be cut and mended, between a client and what listens on another port."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
from typing import Self


class CutLine:
    """Context manager: 127.0.0.1:{port} leads to `behind` until it is cut; then connections end and new ones
    are refused, on the same port, until it is mended."""

    def __init__(self, behind: int) -> None:
        self._behind = behind
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        self._begin()

    def _begin(self) -> None:
        self._ends: dict[socket.socket, socket.socket] = {}
        self._stop, self._stopped = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name="line")
        self._thread.start()

    def _run(self) -> None:
        with selectors.DefaultSelector() as ready:
            for sock in (self._listening, self._stopped):
                ready.register(sock, selectors.EVENT_READ)
            while True:
                for key, _ in ready.select():
                    sock = key.fileobj
                    assert isinstance(sock, socket.socket)
                    if sock is self._stopped:
                        return
                    if sock is self._listening:
                        self._take(ready)
                    elif sock in self._ends:
                        self._carry(sock, ready)

    def _take(self, ready: selectors.BaseSelector) -> None:
        near, _ = self._listening.accept()
        try:
            far = socket.create_connection(("127.0.0.1", self._behind), timeout=10)
        except OSError:
            near.close()
            return
        for one, other in ((near, far), (far, near)):
            one.settimeout(10)
            self._ends[one] = other
            ready.register(one, selectors.EVENT_READ)

    def _carry(self, sock: socket.socket, ready: selectors.BaseSelector) -> None:
        other = self._ends[sock]
        with contextlib.suppress(OSError):
            if data := sock.recv(65536):
                other.sendall(data)
                return
        for end in (sock, other):
            ready.unregister(end)
            del self._ends[end]
            end.close()

    def cut(self) -> None:
        """Every connection ends, and none is taken."""
        self._listening.close()
        self._stop.send(b"x")
        self._thread.join(10)
        for sock in (*self._ends, self._stop, self._stopped):
            sock.close()

    def mend(self) -> None:
        """It leads there again."""
        self._listening = socket.create_server(("127.0.0.1", self.port))
        self._begin()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._thread.is_alive():
            self.cut()
