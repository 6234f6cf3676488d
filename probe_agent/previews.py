"""Leaving a heat-up out, previewed: worked out on a thread of its own, its progress kept in the record."""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Callable

import msgspec

from probe_agent import store
from probe_agent.learning import Course, Stopped
from probe_agent.store import Preview, Store, StoreError
from probe_agent.without import Difference, difference

log = logging.getLogger(__name__)

TELL_EVERY_S = 10.0
"""Progress is kept so often at the most: each time is a commit."""


class Previews:
    """One preview at a time; a newer one takes the older one's place.

    at_once: in a run that jumps from tick to tick it is worked out at once.
    """

    def __init__(self, record: Store, course: Course | None, at_once: bool) -> None:
        self._record, self._course, self._at_once = record, course, at_once
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._clear_interrupted()

    def _clear_interrupted(self) -> None:
        """One that a restart has cut off will not go on."""
        found = store.read_preview(self._record.kept(store.PREVIEW))
        if found is not None and found.state == "working":
            self._keep(_failed(found, "the daemon was started anew meanwhile; ask again"), self._stop)

    def ask(self, heatup: int, excluded: bool) -> tuple[bool, str]:
        """Begin to work out what leaving that heat-up out, or counting it again, would change."""
        if self._course is None:
            return False, "The settings describe no setup, so heat-ups teach nothing. Add a table [[setups]]."
        asked = Preview(heatup, excluded, time.time(), basis=self._record.newest_lesson())
        self._stop.set()
        self._stop = threading.Event()
        self._keep(asked, self._stop)
        if self._at_once:
            self._work(self._course, asked, self._stop)
        else:
            work = (self._course, asked, self._stop, self._thread)
            self._thread = threading.Thread(target=self._work, args=work, name="preview", daemon=True)
            self._thread.start()
        return (
            True,
            "It is being worked out; with many heat-ups that takes minutes. Nothing is changed by it.",
        )

    def stop(self) -> None:
        """End what is being worked out."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(10.0)

    def _work(
        self, course: Course, asked: Preview, stop: threading.Event, before: threading.Thread | None = None
    ) -> None:
        if before is not None:
            before.join()
        try:
            found = difference(
                self._record.path, course, asked.heatup, asked.excluded, self._teller(asked, stop), stop
            )
            self._keep(_done(asked, found), stop)
        except Stopped:
            return
        except LookupError as err:
            self._keep(_failed(asked, str(err.args[0])), stop)
        except (StoreError, sqlite3.Error) as err:
            log.error("the preview can't be kept: %s", err)
        except Exception:
            log.exception("the preview failed")
            self._keep(_failed(asked, "it could not be worked out; the daemon's log says why"), stop)

    def _teller(self, asked: Preview, stop: threading.Event) -> Callable[[int, int], None]:
        """Keeps how far it is, not at each step."""
        told_s = time.monotonic()

        def tell(done: int, of: int) -> None:
            nonlocal told_s
            if time.monotonic() - told_s >= TELL_EVERY_S:
                told_s = time.monotonic()
                self._keep(msgspec.structs.replace(asked, done=done, of=of), stop)

        return tell

    def _keep(self, preview: Preview, stop: threading.Event) -> None:
        """Keep how it stands, unless something newer was asked meanwhile."""
        if not stop.is_set():
            self._record.keep(store.PREVIEW, msgspec.json.encode(preview).decode())


def _done(asked: Preview, found: Difference) -> Preview:
    told = msgspec.structs.replace(
        asked,
        state="done",
        unsaid=len(found.said) - len(found.judged),
        judged=len(found.judged),
        heat_ups_now=found.heat_ups_now,
        heat_ups_then=found.heat_ups_then,
    )
    if not found.judged:
        return told
    least_s, shift_s, most_s = found.shift_s
    off_now_s, off_then_s = found.off_s
    return msgspec.structs.replace(
        told, shift_s=shift_s, least_s=least_s, most_s=most_s, off_now_s=off_now_s, off_then_s=off_then_s
    )


def _failed(asked: Preview, why: str) -> Preview:
    return msgspec.structs.replace(asked, state="failed", why=why)
