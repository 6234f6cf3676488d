"""Rows of a club's page: laid out, ordered, and since which change of them each says what it says."""

from __future__ import annotations

import secrets
import threading
import time
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import floor
from typing import Any

import msgspec

from probe_agent import words
from probe_agent.status import Status
from probe_agent.words import HEADINGS, Heading, Standing, Unit
from web.club.heard import Board, Heard
from web.present import run_now

REFRESH_S = 1.0
AGAIN_S = 900
"""So often a row is worked out anew without a document: its times may need a weekday now."""
POLL_BYTES, STRIDE = 4_200, 4
"""What a poll brings, packed, without what frames it; looked at after each so many rows."""
NAME_LETTERS, LINE_LETTERS = 60, 420
NOT_HEARD = "Nothing was ever heard of it here."

Worked = tuple[int, Standing, tuple[str, ...], int]
"""What a row rests on: the board's serial, how old it is, its troubles, the quarter of an hour."""


@dataclass(frozen=True, slots=True)
class Row:
    """One aircraft. order: sorts rows of a heading; then: why it isn't of now, "" where it is; warmth: see
    `warmth_of`."""

    device: str
    name: str
    field: str
    heading: Heading
    value: str
    where: str
    said: str
    then: str
    order: str
    opens: bool = True
    """Whether there is a page of it."""
    warmth: int | None = None


@dataclass(frozen=True, slots=True)
class Kept:
    """A row as markup, with the change since which it is so; worked: what it rests on, None without board."""

    row: Row
    html: str
    change: int
    worked: Worked | None


def row_of(board: Board, now_s: float, unit: Unit) -> Row:
    """The row of a board of which a document was heard; now_s: our clock [s]."""
    status = board.status
    assert status is not None
    standing = board.standing(now_s)
    now_at = run_now(msgspec.structs.replace(status, age_s=board.age_s(now_s)))
    then = words.since_then(status, standing, None if board.born_s is None else now_at)
    heading = words.club_heading(status, standing)
    line = words.club_line(status, unit, standing == "fresh")
    said = [
        line if standing == "fresh" else f"Then: {line}",
        *_alerts_besides(board, status),
        *board.troubles(now_s),
    ]
    if len(said) > 1 and HEADINGS_ORDER.index(heading) > HEADINGS_ORDER.index("trouble"):
        heading = "trouble"
    name = status.aircraft[:NAME_LETTERS]
    return Row(
        board.device,
        name,
        status.field[:NAME_LETTERS],
        heading,
        words.temperature(status.coldest_c, unit, words.limits_of(status))
        if status.coldest_c is not None
        else "",
        words.place_name(status.coldest)[:NAME_LETTERS] if status.coldest else "",
        " ".join(said)[:LINE_LETTERS],
        then,
        f"{name.casefold()} {board.device}",
        warmth=warmth_of(status) if standing == "fresh" else None,
    )


FULL, AT_LIMIT, AT_TARGET = 12, 6, 10
"""A row's bar: its length, where its marks stand (club.css draws them there)."""


def warmth_of(status: Status) -> int | None:
    """How far the coldest point's bar reaches, 0 to FULL: AT_LIMIT from the preheat limit on, AT_TARGET from
    the target on, evenly before, between and after, rounded down; None where it isn't known, as with a
    required place that isn't measured."""
    room_c = status.target_c - status.need_c
    if status.coldest_c is None or status.missing or room_c <= 0:
        return None
    steps = AT_LIMIT + (status.coldest_c - status.need_c) / room_c * (AT_TARGET - AT_LIMIT)
    return min(max(floor(steps), 0), FULL)


HEADINGS_ORDER: list[Heading] = list(HEADINGS)


def _alerts_besides(board: Board, status: Status) -> list[str]:
    """Alerts heard by themselves that the document doesn't tell of yet."""
    told = {a.id for a in status.alerts}
    missing = {f"probe-{place}" for place in status.missing}
    return [text for name, text in board.alerts if name not in told | missing]


def expected(device: str) -> Row:
    """The row of a board that the settings name and nobody has heard."""
    return Row(device, device, "", "silent", "", "", NOT_HEARD, "", f"{device} {device}", False)


@dataclass(frozen=True, slots=True)
class News:
    """What a page that asks is told. change: the change up to which it then knows all; more: it is to ask for
    the rest at once."""

    rows: list[Kept]
    gone: list[str]
    told_is_new: bool
    change: int
    more: bool


class Sheet:
    """All rows for readers of one unit and clock, each with the change since which it says what it says."""

    def __init__(
        self,
        heard: Heard,
        boards: Iterable[str],
        unit: Unit,
        draw: Callable[[Row], str],
        now_s: Callable[[], float],
    ) -> None:
        """boards: expected ones; draw: a row as markup."""
        self._heard, self._expected, self._unit = heard, tuple(boards), unit
        self._draw, self._now_s = draw, now_s
        self._lock = threading.Lock()
        self._rows: dict[str, Kept] = {}
        self._gone: dict[str, int] = {}
        self._told = ""
        self._told_change = 0
        self._refreshed_s = float("-inf")
        self.begun = secrets.token_hex(4)
        self.change = 1

    def rows(self, told: str) -> list[Kept]:
        """All rows, harm first. told: what the page says above them, which may change too."""
        with self._lock:
            self._refresh(told)
            kept = list(self._rows.values())
        return sorted(kept, key=lambda k: (HEADINGS_ORDER.index(k.row.heading), k.row.order))

    def since(self, change: int, wanted: Wanted) -> News:
        """After `rows`: what has changed since then of what is wanted, oldest first, as much as an answer
        holds."""
        with self._lock:
            events: list[tuple[int, str, Kept | None]] = [
                (at, device, None) for device, at in self._gone.items() if at > change
            ]
            events += [
                (k.change, k.row.device, k if wanted.takes(k.row) else None)
                for k in self._rows.values()
                if k.change > change
            ]
            told_is_new, newest = self._told_change > change, self.change
        events.sort(key=lambda event: event[0])
        fits = _fitting([device if k is None else k.html for _, device, k in events])
        return News(
            [k for _, _, k in events[:fits] if k is not None],
            [device for _, device, k in events[:fits] if k is None],
            told_is_new,
            newest if fits == len(events) else events[fits - 1][0],
            fits < len(events),
        )

    def _refresh(self, told: str) -> None:
        now_s = self._now_s()
        if told != self._told:
            self.change += 1
            self._told, self._told_change = told, self.change
        if now_s - self._refreshed_s < REFRESH_S:
            return
        self._refreshed_s = now_s
        boards = {b.device: b for b in self._heard.all()}
        for board in boards.values():
            self._renew(board, now_s)
        for device in set(self._expected) - boards.keys():
            self._keep(expected(device), None)
        for device in self._rows.keys() - boards.keys() - set(self._expected):
            del self._rows[device]
            self.change += 1
            self._gone[device] = self.change
        while len(self._gone) > len(self._rows) + 100:
            del self._gone[next(iter(self._gone))]

    def _renew(self, board: Board, now_s: float) -> None:
        if board.status is None:
            self._keep(_refused(board), None)
            return
        kept = self._rows.get(board.device)
        worked = (board.serial, board.standing(now_s), board.troubles(now_s), int(time.time() / AGAIN_S))
        if kept is None or kept.worked != worked:
            self._keep(row_of(board, now_s, self._unit), worked)

    def _keep(self, row: Row, worked: Worked | None) -> None:
        kept = self._rows.get(row.device)
        self._gone.pop(row.device, None)
        if kept is not None and kept.row == row:
            self._rows[row.device] = Kept(row, kept.html, kept.change, worked)
            return
        self.change += 1
        self._rows[row.device] = Kept(row, self._draw(row), self.change, worked)


def _fitting(parts: list[str]) -> int:
    """How many of them, from the first on, an answer holds: at most POLL_BYTES packed, one in any case."""
    packer, size = zlib.compressobj(6), 0
    for n in range(0, len(parts), STRIDE):
        size += len(packer.compress("".join(parts[n : n + STRIDE]).encode()))
        size += len(packer.flush(zlib.Z_SYNC_FLUSH))
        if size > POLL_BYTES:
            return max(n, 1)
    return len(parts)


def _refused(board: Board) -> Row:
    """The row of a board all of whose documents were refused."""
    said = board.trouble.partition(" Shown is")[0]
    return Row(
        board.device, board.device, "", "trouble", "", "", said, "", f"{board.device} {board.device}", False
    )


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a reader wants to see; "" everything. `NOWHERE`: aircraft that don't tell their field."""

    field: str = ""
    heading: str = ""

    def takes(self, row: Row) -> bool:
        """Whether that row is among it."""
        at = row.field or NOWHERE
        return self.field in ("", at) and self.heading in ("", row.heading)

    @property
    def query(self) -> dict[str, Any]:
        """As it stands in an address."""
        return {k: v for k, v in (("field", self.field), ("state", self.heading)) if v}


NOWHERE = "-"
