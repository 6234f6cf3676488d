"""Heaters of several boards on one circuit, staggered within what it may carry: who begins when, who has to
wait. Pure.

Each board hears what the others ask for and works out the same schedule from it, whatever the order in which
it heard. It is made from the latest deadline back: who is due last keeps its time, who is due before is moved
so far earlier as the others leave room, and never later than it wanted. An engine that is heated earlier
stands covered meanwhile, so it is heated longer. Nothing here switches anything. Instants in UTC seconds.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

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
MOST_CLAIM = 40
_NEARLY = 1e-6


class Said(msgspec.Struct, frozen=True):
    """A board's message on probe-agent/<device>/circuit. circuit: its name; limit_w: what it may carry as
    known there; power_w: of the heater; on: whether it is on now, since when and until when; wanted: when a
    plan wants it on at the latest; off: when heat is to be off for the start; departure: that start; ours:
    whether the board's plug switches it on; claim: the name of a claim, where it isn't on yet and is about to
    be."""

    circuit: str
    limit_w: float
    power_w: float
    on: bool = False
    wanted: str | None = None
    off: str | None = None
    until: str | None = None
    departure: str | None = None
    ours: bool = False
    claim: str | None = None
    since: str | None = None


@dataclass(frozen=True, slots=True)
class Ask:
    """What a board asks for. wanted_at, off_at: between which its heat is planned, None: nothing is;
    until_at: to when heat that is on is to go on; since_at: since when it does, None: nobody can switch it
    off for others; claim: it is about to go on."""

    device: str
    power_w: float
    limit_w: float
    on: bool = False
    wanted_at: float | None = None
    off_at: float | None = None
    until_at: float | None = None
    claim: str | None = None
    since_at: float | None = None

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
        ask.claim,
        text(ask.since_at),
    )


def heard(device: str, payload: bytes) -> tuple[str, Ask] | None:
    """The circuit's name and the ask of a message; None where it can't be understood or can't be."""
    try:
        said = msgspec.json.decode(payload, type=Said)
        wanted, off, until, since = (
            None if t is None else utc_seconds(t) for t in (said.wanted, said.off, said.until, said.since)
        )
    except (msgspec.MsgspecError, ValueError, OverflowError, UnicodeDecodeError, RecursionError):
        return None
    if not (0 < said.power_w <= MOST_W and 0 < said.limit_w <= MOST_W):
        return None
    if wanted is not None and (off is None or not wanted < off <= wanted + LONGEST_S):
        return None
    if said.claim is not None and not 0 < len(said.claim) <= MOST_CLAIM:
        return None
    ask = Ask(device, said.power_w, said.limit_w, said.on, wanted, off, until, said.claim, since)
    return said.circuit, ask


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


def gives_way(asks: Iterable[Ask], device: str, earlier: Collection[str]) -> tuple[str, ...]:
    """Boards that a claim gives way to, once it has come back from the broker: those that are on, those whose
    claim was heard before it came back (earlier: their names), and of those that claim beside it the ones
    whose name comes first. Empty: it has won.

    Of two that hear one another never both win: by name one of them gives way to the other, unless it had
    won before that one's claim was under way; then the other had heard of it before its own came back.
    """
    every = {a.device: a for a in asks}
    own = every[device]
    there = [
        a
        for a in every.values()
        if a.on and a.device != device and (a.claim is None or a.claim in earlier or a.device < device)
    ]
    if sum(a.power_w for a in there) + own.power_w <= _limit_w(every.values()) + _NEARLY:
        return ()
    return tuple(sorted(a.device for a in there))


def on_now(asks: Iterable[Ask]) -> tuple[tuple[str, ...], float, float]:
    """Boards whose heaters are on, what they draw together and what the circuit may carry [W]."""
    on = [a for a in asks if a.on and a.claim is None]
    return tuple(sorted(a.device for a in on)), sum(a.power_w for a in on), _limit_w(on)


def beyond(asks: Iterable[Ask]) -> tuple[str, ...]:
    """Boards that are on although those that are on for longer leave them no room: of those that can be
    switched off for others, for what a person's hand switched on ends nobody's heat."""
    on = [(a.since_at, a.device, a) for a in asks if a.on and a.claim is None and a.since_at is not None]
    limit_w, kept_w, out = _limit_w(a for _, _, a in on), 0.0, []
    for _, device, ask in sorted(on, key=lambda one: one[:2]):
        if kept_w + ask.power_w <= limit_w + _NEARLY:
            kept_w += ask.power_w
        else:
            out.append(device)
    return tuple(out)


def _limit_w(asks: Iterable[Ask]) -> float:
    return min((a.limit_w for a in asks), default=math.inf)


def room_at(asks: Iterable[Ask], found: Schedule, device: str, there: Collection[str]) -> float | None:
    """When those in the way will have left enough room, by what they said; None where nobody said so."""
    every = {a.device: a for a in asks}
    left_w, limit_w = every[device].power_w + sum(every[d].power_w for d in there), _limit_w(every.values())
    ends = sorted((_leaves_at(every[d], found), every[d].power_w) for d in there)
    for end_at, power_w in ends:
        left_w -= power_w
        if left_w <= limit_w + _NEARLY:
            return end_at if math.isfinite(end_at) else None
    return None


def _leaves_at(ask: Ask, found: Schedule) -> float:
    slot = found.slots.get(ask.device)
    return ask.ends_at if slot is None else slot.end_at


def _first(ask: Ask) -> tuple[float, str]:
    return ask.off_at if ask.off_at is not None else math.inf, ask.device


# -- as the daemon sees it


Claimed = Literal["free", "waits", "lost"]
"""free: heat may begin; waits: the others have not had time to say no."""


@dataclass(frozen=True, slots=True)
class Heat:
    """The heater of this board at a tick: whether it is on or about to be, since and until when, whether it
    only claims its room yet, and which departures it was switched on for already and is off again."""

    on: bool = False
    until_at: float | None = None
    since_at: float | None = None
    claims: bool = False
    spent: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Shared:
    """What sharing means at an instant.

    coming: the departures, of which one for our plug may be switched on earlier; full, pressed_full: who
    leaves no room for a plan, and for a press; over: heat that is on has had its time; beyond: it finds no
    room within the limit, and others were on before; claim: how a claim of this board stands; said, troubles:
    sentences for the owner.
    """

    coming: tuple[Departure, ...]
    full: tuple[str, ...] = ()
    pressed_full: tuple[str, ...] = ()
    over: bool = False
    beyond: bool = False
    claim: Claimed = "free"
    said: tuple[str, ...] = ()
    troubles: tuple[str, ...] = ()


class Sharer(Courier, Protocol):
    """What hears the others on the circuit and tells them of this board; none of this blocks."""

    def look(self, now_at: float, coming: Sequence[Departure], heat: Heat, clock_ok: bool) -> Shared: ...

    def is_full(self, now_at: float) -> bool:
        """Whether others leave no room for a press, by what was heard until this moment."""

    def follow(self, heat: Heat, now_at: float) -> None:
        """Tell the others at once that heat is about to go on here, has begun, or isn't wanted any more."""
