"""What would change, worked out on a thread of its own, its progress kept in the record: with a heat-up left
out, with probes corrected."""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import msgspec

from probe_agent import store
from probe_agent.checking import Asked, Bench, check
from probe_agent.learning import Course, Stopped
from probe_agent.store import Check, Preview, Store, StoreError
from probe_agent.without import Difference, difference

log = logging.getLogger(__name__)

TELL_EVERY_S = 10.0
"""Progress is kept so often at the most: each time is a commit."""
_CUT_OFF = "the daemon was started anew meanwhile; ask again"
_OVERTAKEN = "something else was asked meanwhile; ask again"

Kept = Preview | Check
_Tell = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class _Job:
    """What is asked, under which name it is kept, and how it is worked out."""

    name: str
    asked: Any
    work: Callable[[_Tell, threading.Event], Kept]


class Previews:
    """One at a time; a newer one takes the older one's place.

    at_once: in a run that jumps from tick to tick it is worked out at once.
    """

    def __init__(self, record: Store, course: Callable[[], Course | None], at_once: bool) -> None:
        self._record, self._course, self._at_once = record, course, at_once
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()
        self._at_hand: _Job | None = None
        self._clear_interrupted()

    def _clear_interrupted(self) -> None:
        """What a restart has cut off will not go on."""
        preview = store.read_preview(self._record.kept(store.PREVIEW))
        checked = store.read_check(self._record.kept(store.CHECK))
        for name, found in ((store.PREVIEW, preview), (store.CHECK, checked)):
            if found is not None and found.state == "working":
                self._record.keep(name, _text(_failed(found, _CUT_OFF)))

    # -- asking

    def ask(self, heatup: int, excluded: bool) -> tuple[bool, str]:
        """Begin to work out what leaving that heat-up out, or counting it again, would change."""
        course = self._course()
        if course is None:
            return False, "The settings describe no setup, so heat-ups teach nothing. Add a table [[setups]]."
        asked = Preview(heatup, excluded, time.time(), basis=self._record.newest_lesson())

        def work(tell: _Tell, stop: threading.Event) -> Kept:
            return _done(asked, difference(self._record.path, course, heatup, excluded, tell, stop))

        self._begin(_Job(store.PREVIEW, asked, work))
        return (
            True,
            "It is being worked out; with many heat-ups that takes minutes. Nothing is changed by it.",
        )

    def check(self, asked: Asked, bench: Bench, now_at: float) -> tuple[bool, str]:
        """Begin to work out what probes should have read, and what correcting them would change."""
        begun = Check(asked.kind, now_at)

        def work(tell: _Tell, stop: threading.Event) -> Kept:
            self._record.commit()  # what was measured a moment ago belongs to it
            return check(self._record.path, bench, asked, now_at, begun, tell, stop)

        self._begin(_Job(store.CHECK, begun, work))
        return True, "The readings are being compared. Nothing is changed by it."

    def stop(self) -> None:
        """End what is being worked out."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(10.0)

    # -- working

    def _begin(self, job: _Job) -> None:
        with self._lock:
            self._stop.set()
            self._stop = threading.Event()
            before, self._at_hand = self._at_hand, job
        if before is not None and before.name != job.name:
            self._record.keep(before.name, _text(_failed(before.asked, _OVERTAKEN)))
        self._keep(job, job.asked, self._stop)
        if self._at_once:
            self._work(job, self._stop)
        else:
            work = (job, self._stop, self._thread)
            self._thread = threading.Thread(target=self._work, args=work, name="preview", daemon=True)
            self._thread.start()

    def _work(self, job: _Job, stop: threading.Event, before: threading.Thread | None = None) -> None:
        if before is not None:
            before.join()
        try:
            self._keep(job, job.work(self._teller(job, stop), stop), stop, is_over=True)
        except Stopped:
            return
        except LookupError as err:
            self._keep(job, _failed(job.asked, str(err.args[0])), stop, is_over=True)
        except (StoreError, sqlite3.Error) as err:
            log.error("the preview can't be kept: %s", err)
        except Exception:
            log.exception("the preview failed")
            why = "it could not be worked out; the daemon's log says why"
            self._keep(job, _failed(job.asked, why), stop, is_over=True)

    def _teller(self, job: _Job, stop: threading.Event) -> _Tell:
        """Keeps how far it is, not at each step."""
        told_s = time.monotonic()

        def tell(done: int, of: int) -> None:
            nonlocal told_s
            if time.monotonic() - told_s >= TELL_EVERY_S:
                told_s = time.monotonic()
                self._keep(job, msgspec.structs.replace(job.asked, done=done, of=of), stop)

        return tell

    def _keep(self, job: _Job, found: Kept, stop: threading.Event, is_over: bool = False) -> None:
        """Keep how it stands, unless something newer was asked meanwhile."""
        with self._lock:
            if stop.is_set():
                return
            self._record.keep(job.name, _text(found))
            if is_over and self._at_hand is job:
                self._at_hand = None


def _text(kept: Kept) -> str:
    return msgspec.json.encode(kept).decode()


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


def _failed(asked: Kept, why: str) -> Kept:
    return msgspec.structs.replace(asked, state="failed", why=why)
