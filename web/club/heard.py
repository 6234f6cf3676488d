"""What was heard of each board: its latest document with its age, its state, its alerts. Bounded."""

from __future__ import annotations

import re
import threading
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from probe_agent import words
from probe_agent.status import (
    STATUS_VERSION,
    Status,
    StatusError,
    core_of,
    decode_status,
    stale_after_s,
    utc_seconds,
)
from probe_agent.words import Standing

MOST_BOARDS = 2_000
MOST_BYTES = 16_384
"""Of a document; boards write 16,000 at most."""
MOST_ALERTS, MOST_ALERT_LETTERS = 12, 300
LIFE_S = 86_400
"""The message expiry that boards give their documents [s]."""
EVERY_S = 60.0
"""How often a document comes at least [s]."""
OLDEST_S = 900.0
"""What is older is never called of now, whatever its document says of its interval [s]."""
TWO_WRITERS_S = 300.0
DOUBT_S = 300.0
"""A document kept by the broker that its writer's clock makes older than the broker's count by more than this
is of unknown age: one of the clocks is wrong."""
GONE = ("lost", "disconnected")
OF_A_DEVICE = re.compile(r"(?=.{1,40}\Z)[a-z0-9]+(-[a-z0-9]+)*\Z")
HOTTEST_C = 1_000.0


@dataclass(frozen=True, slots=True)
class Board:
    """One board. status: without its curve; packed: the document as it came, compressed. born_s: when the
    document was of age 0, on our clock [s]; None: nobody knows. whole_s: when it came, retained and with its
    whole life before it: of age 0, if this broker counts down at all. back: what the broker kept as its state
    while we knew it gone; it holds once something newer is heard. serial: another one
    whenever anything is."""

    device: str
    status: Status | None = None
    packed: bytes = b""
    born_s: float | None = None
    whole_s: float | None = None
    state: str = ""
    alerts: tuple[tuple[str, str], ...] = ()
    trouble: str = ""
    runs: tuple[str, ...] = ()
    two_s: float | None = None
    back: str = ""
    serial: int = 0

    def age_s(self, now_s: float) -> float | None:
        """How old its document is; None where nobody knows."""
        return None if self.born_s is None else max(0.0, now_s - self.born_s)

    @property
    def limit_s(self) -> float:
        """The age beyond which its document isn't of now: what its writer takes for silence, and the time
        between two documents."""
        return OLDEST_S if self.status is None else min(stale_after_s(self.status) + EVERY_S, OLDEST_S)

    def standing(self, now_s: float) -> Standing:
        """How much its document still says."""
        if self.state in GONE:
            return "lost" if self.state == "lost" else "signed-off"
        if (age_s := self.age_s(now_s)) is None:
            return "unknown"
        return "old" if age_s > self.limit_s else "fresh"

    def troubles(self, now_s: float) -> tuple[str, ...]:
        """What is wrong with what it writes."""
        two = self.two_s is not None and now_s - self.two_s < TWO_WRITERS_S
        said = f"Two boards write as {self.device}: give each its own broker.device." if two else ""
        return tuple(s for s in (self.trouble, said) if s)

    def whole(self) -> Status:
        """The document with its curve. Raises StatusError."""
        return decode_status(zlib.decompress(self.packed))


@dataclass
class Heard:
    """All boards. Used by the thread that listens and by those that answer."""

    boards: dict[str, Board] = field(default_factory=dict)
    passed_over: bool = False
    """Whether boards beyond the most were not kept."""
    serial: int = 0
    counts_down: bool = False
    """Whether this broker was seen to count a life down."""

    def __post_init__(self) -> None:
        self._lock = threading.Lock()
        self._early: dict[str, Board] = {}
        self._renewed: set[str] = set()
        """Boards of which something newer than all before was heard on this connection."""

    def all(self) -> list[Board]:
        """Those of which a document was heard, in no order."""
        with self._lock:
            return list(self.boards.values())

    def get(self, device: str) -> Board | None:
        """One of them; None where nothing was heard of it."""
        with self._lock:
            return self.boards.get(device)

    def begin(self) -> None:
        """A connection begins: alerts that stand come again, those taken back meanwhile don't."""
        with self._lock:
            self._early.clear()
            self._renewed.clear()
            self.counts_down = False
            for device, board in self.boards.items():
                if board.alerts:
                    self.boards[device] = self._next(board, alerts=())

    def document(
        self,
        device: str,
        payload: bytes,
        retained: bool,
        expiry_s: int | None,
        run: str,
        now_s: float,
        utc_s: float | None = None,
    ) -> None:
        """Take a document; one that can't be used is refused, and the one before stays.

        expiry_s: what the broker has left of its life [s], None where it came without. now_s: ours [s].
        utc_s: the time of day as this machine has it [UTC s], None where it isn't to be asked.
        """
        if not OF_A_DEVICE.match(device):
            return
        with self._lock:
            if not payload:
                self.boards.pop(device, None)
                return
            board = self.boards.get(device) or self._early.get(device) or Board(device)
            if device not in self.boards and len(self.boards) >= MOST_BOARDS:
                self.passed_over = True
                return
            came = _Came(retained, expiry_s, run, now_s, utc_s, self.counts_down)
            changes = _taken(board, payload, came)
            self._early.pop(device, None)
            if "status" in changes and not (retained and _is_same(changes["status"], board.status)):
                self._renewed.add(device)
                changes |= {"state": board.back, "back": ""} if board.back else {}
            self.boards[device] = self._next(board, **changes)
            if expiry_s is not None and expiry_s < LIFE_S:
                self._believe()

    def _believe(self) -> None:
        """This broker counts down: so what came with its whole life before it was new."""
        if self.counts_down:
            return
        self.counts_down = True
        for device, board in self.boards.items():
            if board.whole_s is not None and board.born_s is None:
                self.boards[device] = self._next(board, born_s=board.whole_s, whole_s=None)

    def state(self, device: str, payload: bytes, retained: bool = False) -> None:
        """Take a Homie $state. One that the broker kept takes nobody back whom we know gone: a broker whose
        power failed comes back with what it had saved, minutes before."""
        told = payload[:20].decode("ascii", "replace")

        def changed(board: Board) -> dict[str, Any]:
            if retained and board.state in GONE and told not in GONE and device not in self._renewed:
                return {} if told == board.back else {"back": told}
            return {} if (told, "") == (board.state, board.back) else {"state": told, "back": ""}

        self._change(device, changed)

    def alert(self, device: str, name: str, payload: bytes) -> None:
        """Take a Homie alert, or that it is over."""
        text = payload[: 4 * MOST_ALERT_LETTERS].decode("utf-8", "replace")[:MOST_ALERT_LETTERS]

        def changed(board: Board) -> dict[str, Any]:
            kept = {k: v for k, v in board.alerts if k != name}
            if text and len(kept) < MOST_ALERTS:
                kept[name[:80]] = text
            told = tuple(sorted(kept.items()))
            return {} if told == board.alerts else {"alerts": told}

        self._change(device, changed)

    def _change(self, device: str, changed: Callable[[Board], dict[str, Any]]) -> None:
        """Change what is kept of a board; of one without a document until that comes."""
        if not OF_A_DEVICE.match(device):
            return
        with self._lock:
            where = self.boards if device in self.boards else self._early
            if device not in where and len(where) >= MOST_BOARDS:
                return
            board = where.get(device) or Board(device)
            if changes := changed(board):
                where[device] = self._next(board, **changes)

    def _next(self, board: Board, **changes: Any) -> Board:
        self.serial += 1
        return replace(board, serial=self.serial, **changes)


@dataclass(frozen=True, slots=True)
class _Came:
    """How a document came; as the arguments of `Heard.document`. counts_down: as there."""

    retained: bool
    expiry_s: int | None
    run: str
    now_s: float
    utc_s: float | None
    counts_down: bool

    def age_s(self, status: Status) -> float | None:
        """How old the document was when it came, by the broker's count; None where that tells nothing."""
        if self.expiry_s is None or self.expiry_s > LIFE_S:
            return None
        counted_s = LIFE_S - self.expiry_s + (status.age_s or 0.0)
        return None if self._doubted(status, counted_s) else counted_s

    def _doubted(self, status: Status, counted_s: float) -> bool:
        """Whether what a broker kept was written long before the time it counts from: its clock, ours or the
        writer's is wrong. What comes as it is written needs no clock."""
        if not self.retained or self.utc_s is None or not status.clock_ok or status.run.rate != 1.0:
            return False
        return self.utc_s - utc_seconds(status.now) - counted_s > DOUBT_S


def _taken(board: Board, payload: bytes, came: _Came) -> dict[str, Any]:
    """What a document changes of its board; nothing where a newer one of the same run was heard before."""
    try:
        status = _usable(payload)
    except StatusError as err:
        return {"trouble": f"What it wrote last is refused: {err}. Shown is what it wrote before."}
    age_s = came.age_s(status)
    born_s = None if age_s is None else came.now_s - age_s
    if came.retained and _is_earlier(status, board, born_s):
        return {}
    whole = came.retained and came.expiry_s == LIFE_S and not came.counts_down and age_s is not None
    return {
        "status": core_of(status),
        "packed": zlib.compress(payload, 1),
        "born_s": _born_s(board, status, None if whole else born_s),
        "whole_s": came.now_s if whole else None,
        "trouble": "",
        **_writers(board, came.run, came.now_s),
    }


def _is_earlier(status: Status, board: Board, born_s: float | None) -> bool:
    """Whether a broker that lost the latest gives one from before it back. born_s: of this, as of a board."""
    if board.status is None:
        return False
    run, before = status.run, board.status.run
    if run.boot == before.boot:
        return run.mono_s < before.mono_s
    return born_s is not None and board.born_s is not None and born_s < board.born_s


def _is_same(status: Status, before: Status | None) -> bool:
    return before is not None and (before.now, before.run) == (status.now, status.run)


def _usable(payload: bytes) -> Status:
    """The document, where its line can be shown. Raises StatusError."""
    if len(payload) > MOST_BYTES:
        raise StatusError(f"it has {len(payload)} bytes, and {MOST_BYTES} are the most")
    status = decode_status(payload)
    if status.v != STATUS_VERSION:
        raise StatusError(f"it is of version {status.v}, and this page reads {STATUS_VERSION}")
    if status.coldest_c is not None and abs(status.coldest_c) > HOTTEST_C:
        raise StatusError("its temperatures are none")
    try:
        words.club_heading(status, "fresh")
        words.club_line(status, "C")
        words.since_then(status, "unknown", None)
    except Exception as err:  # whatever somebody wrote there ends nothing here
        raise StatusError(f"a value in it makes no sense ({str(err)[:80]})") from err
    return status


def _born_s(board: Board, status: Status, born_s: float | None) -> float | None:
    """When a document was of age 0, on our clock; None where nobody knows. One heard before isn't younger for
    being heard again."""
    if not _is_same(status, board.status):
        return born_s
    known_s = [s for s in (born_s, board.born_s) if s is not None]
    return min(known_s, default=None)


def _writers(board: Board, run: str, now_s: float) -> dict[str, Any]:
    """Runs of the daemon in their order: one that comes back after another was two boards of one name."""
    if not run or board.runs[-1:] == (run,):
        return {}
    two = {"two_s": now_s} if run in board.runs else {}
    return {"runs": (*(r for r in board.runs if r != run), run)[-3:], **two}
