"""A daemon's answering end on a real store: for tests of those who ask."""

from __future__ import annotations

import json
import threading
from pathlib import Path

from probe_agent.migrations import migrate
from probe_agent.store import Batch, Command, Store, answer_command


class AnsweringDaemon:
    """Answers each command in the store with what `answers` has for its kind (default: done), and keeps
    what it was asked."""

    def __init__(self, path: Path) -> None:
        migrate(path)
        self.store = Store(path)
        self.asked: list[Command] = []
        self.answers: dict[str, tuple[bool, str] | tuple[bool, str, str]] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="answering")

    def __enter__(self) -> AnsweringDaemon:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.store.close()

    def _work(self) -> None:
        while not self._stop.wait(0.02):
            for command in self.store.waiting_commands():
                ok, text, *field = self.answers.get(command.kind, (True, "Noted."))
                self.asked.append(command)
                answer = json.dumps({"ok": ok, "text": text, **({"field": field[0]} if field else {})})
                self.store.commit(Batch(statements=[answer_command(command.id, answer)]))
