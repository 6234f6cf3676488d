"""Heaters of several boards on one circuit, staggered within what it may carry: who begins when, who has to
wait. Pure.

Each board hears what the others ask for and works out the same schedule from it, whatever the order in which
it heard. It is made from the latest deadline back: who is due last keeps its time, who is due before is moved
so far earlier as the others leave room, and never later than it wanted. An engine that is heated earlier
stands covered meanwhile, so it is heated longer. Nothing here switches anything. Instants in UTC seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import msgspec

from probe_agent.couriers import Courier
from probe_agent.planning import Departure
from probe_agent.status import utc_seconds, utc_text

CHANGE_S = 60.0
"""Heat ends so long before another's begins in its place."""
LATE_S = 900.0
"""A slot whose begin has passed by no more is still one: between two looks it does pass."""
MOST_GAP_S = 2 * 3600.0
"""Heat that would have to end so long before it is due to doesn't fit: too much of it would be lost."""
LONGER = 0.5
"""For each hour that heat ends earlier so much of an hour is heated longer. Judgement: a covered
engine of four cylinders, 25 °C above its air, loses about a third of what 650 W bring into it."""
LONGEST_S = 36 * 3600.0
MOST_W = 100_000.0
_NEARLY = 1e-6


class Said(msgspec.Struct, frozen=True):
    """A board's message on probe-agent/<device>/circuit. circuit: its name; limit_w: what it may carry as
    known there; power_w: of the heater; on: whether it is on now, and until when; wanted: when a plan wants
    it on at the latest; off: when heat is to be off for the start; departure: that start; ours: whether the
    board's plug switches it on."""

    circuit: str
    limit_w: float
    power_w: float
    on: bool = False
    wanted: str | None = None
    off: str | None = None
    until: str | None = None
    departure: str | None = None
    ours: bool = False


@dataclass(frozen=True, slots=True)
class Ask:
    """What a board asks for. wanted_at, off_at: between which its heat is planned, None: nothing is;
    until_at: to when heat that is on is to go on."""

    device: str
    power_w: float
    limit_w: float
    on: bool = False
    wanted_at: float | None = None
    off_at: float | None = None
    until_at: float | None = None

    @property
    def ends_at(self) -> float:
        """When it asks for nothing any more."""
        if self.on:
            return math.inf if self.until_at is None else self.until_at
        return -math.inf if self.wanted_at is None or self.off_at is None else self.off_at


def said_of(ask: Ask, circuit: str, departure_at: float | None, ours: bool) -> Said:
    """An ask as a message."""

    def text(at: float | None) -> str | None:
        return None if at is None else utc_text(at)

    return Said(
        circuit,
        ask.limit_w,
        ask.power_w,
        ask.on,
        text(ask.wanted_at),
        text(ask.off_at),
        text(ask.until_at),
        text(departure_at),
        ours,
    )


def heard(device: str, payload: bytes) -> tuple[str, Ask] | None:
    """The circuit's name and the ask of a message; None where it can't be understood or can't be."""
    try:
        said = msgspec.json.decode(payload, type=Said)
        wanted, off, until = (
            None if t is None else utc_seconds(t) for t in (said.wanted, said.off, said.until)
        )
    except (msgspec.MsgspecError, ValueError, OverflowError, UnicodeDecodeError, RecursionError):
        return None
    if not (0 < said.power_w <= MOST_W and 0 < said.limit_w <= MOST_W):
        return None
    if wanted is not None and (off is None or not wanted < off <= wanted + LONGEST_S):
        return None
    return said.circuit, Ask(device, said.power_w, said.limit_w, said.on, wanted, off, until)


@dataclass(frozen=True, slots=True)
class Slot:
    """When a board heats: from, to, and how much earlier than it wanted [s]."""

    start_at: float
    end_at: float
    earlier_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Schedule:
    """Who heats when. unfit: boards whose heat finds no room; limit_w: the lowest that any board tells;
    limits_differ: they tell different ones."""

    slots: Mapping[str, Slot]
    unfit: tuple[str, ...]
    limit_w: float
    limits_differ: bool = False


def schedule(asks: Iterable[Ask], now_at: float) -> Schedule:
    """The schedule of all boards of a circuit, the same in any order. One that is on goes on as it is."""
    every = sorted({a.device: a for a in sorted(asks, key=_whole)}.values(), key=_turn)
    limit_w = min((a.limit_w for a in every), default=0.0)
    placed: list[tuple[float, float, float]] = []
    slots: dict[str, Slot] = {}
    unfit: list[str] = []
    for ask in every:
        if ask.on and ask.ends_at > now_at:
            slots[ask.device] = Slot(now_at, ask.ends_at)
            placed.append((now_at, ask.ends_at, ask.power_w))
    for ask in every:
        if ask.on or ask.ends_at <= now_at:
            continue
        slot = _slot(ask, placed, limit_w, now_at)
        if slot is None:
            unfit.append(ask.device)
        else:
            slots[ask.device] = slot
            placed.append((slot.start_at, slot.end_at, ask.power_w))
    differ = len({a.limit_w for a in every}) > 1
    return Schedule(slots, tuple(unfit), limit_w, differ)


def _whole(ask: Ask) -> tuple[str, str]:
    return ask.device, repr(ask)


def _turn(ask: Ask) -> tuple[float, str]:
    """Who comes first: the latest deadline, then the device's name."""
    return -(ask.off_at if ask.off_at is not None else math.inf), ask.device


def _slot(
    ask: Ask, placed: Sequence[tuple[float, float, float]], limit_w: float, now_at: float
) -> Slot | None:
    """The latest slot with room. Room is only won where heat ends as another's begins."""
    assert ask.wanted_at is not None
    assert ask.off_at is not None
    lasts_s = ask.off_at - ask.wanted_at
    ends = {ask.off_at - start + CHANGE_S for start, _, _ in placed}
    gaps = sorted(gap_s for gap_s in ends if 0 < gap_s <= MOST_GAP_S)
    for gap_s in (0.0, *gaps):
        end_at = ask.off_at - gap_s
        start_at = ask.wanted_at if gap_s == 0 else end_at - lasts_s - LONGER * gap_s
        is_late = gap_s > 0 and start_at < now_at - LATE_S
        start_at = max(start_at, now_at)
        if not is_late and _peak_w(placed, start_at, end_at) + ask.power_w <= limit_w + _NEARLY:
            return Slot(start_at, end_at, max(ask.wanted_at - start_at, 0.0))
    return None


def _peak_w(placed: Iterable[tuple[float, float, float]], from_at: float, to_at: float) -> float:
    """The most that is drawn at any instant of a span."""
    within = [(s, e, w) for s, e, w in placed if s < to_at and e > from_at]
    instants = {from_at, *(s for s, _, _ in within if s > from_at)}
    return max((sum(w for s, e, w in within if s <= at < e) for at in instants), default=0.0)


def in_the_way(
    asks: Iterable[Ask], found: Schedule, device: str, power_w: float, now_at: float, pressed: bool = False
) -> tuple[str, ...]:
    """Boards whose heat leaves no room for this one now: those that are on, those whose time it is, and of
    those that found none the ones that come before it. Empty: there is room.

    pressed: a person wants it now. A plan that found no room counts whoever heats before its end as well, for
    heat that another's begin cuts off is none.
    """
    others = [a for a in asks if a.device != device]
    own = next((a for a in asks if a.device == device), None)
    there: list[Ask] = []
    for other in others:
        slot = found.slots.get(other.device)
        by_at = now_at if pressed or own is None or device not in found.unfit else max(own.ends_at, now_at)
        is_its_time = slot is not None and slot.start_at <= by_at and now_at < slot.end_at
        is_before = other.device in found.unfit and (own is None or _first(other) < _first(own))
        is_due = is_before and other.wanted_at is not None and other.wanted_at <= now_at
        if other.on or is_its_time or (is_due and device not in found.slots):
            there.append(other)
    limit_w = min([found.limit_w, *(a.limit_w for a in asks)]) if found.limit_w else math.inf
    if sum(o.power_w for o in there) + power_w <= limit_w + _NEARLY:
        return ()
    return tuple(sorted(o.device for o in there))


def _first(ask: Ask) -> tuple[float, str]:
    return ask.off_at if ask.off_at is not None else math.inf, ask.device


# -- as the daemon sees it


@dataclass(frozen=True, slots=True)
class Shared:
    """What sharing means at an instant.

    coming: the departures, of which one for our plug may be switched on earlier; slot: this board's, where it
    is moved; full, pressed_full: who leaves no room for a plan, and for a press; over: heat that is on has
    had its time; said: sentences for the owner.
    """

    coming: tuple[Departure, ...]
    slot: Slot | None = None
    full: tuple[str, ...] = ()
    pressed_full: tuple[str, ...] = ()
    over: bool = False
    said: tuple[str, ...] = ()


class Sharer(Courier, Protocol):
    """What hears the others on the circuit; none of this blocks. message: what is to be told of this board,
    and for how many seconds it holds."""

    message: tuple[bytes, int]

    def look(
        self, now_at: float, coming: Sequence[Departure], on: bool, until_at: float | None, clock_ok: bool
    ) -> Shared: ...
