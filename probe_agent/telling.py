"""Who gets which message, and when: quiet hours, order, harm only, tests that prove a recipient. Pure.

The supervisor decides what is worth saying; here it is addressed. A word that falls into somebody's quiet
hours is owed: it goes out at their end if it is still true, written anew from what holds then.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from probe_agent.config import Messages, Recipient
from probe_agent.supervisor import Announcement

OWED_FOR_S = 14 * 3600.0
"""A word that could not be told for longer than this is forgotten: a night's quiet hours and some."""
DAILY = "daily"
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")

Owed = Mapping[str, tuple[tuple[float, Announcement], ...]]
"""Recipient → words that wait for the end of quiet hours, each with its UTC instant [s]."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """Who gets what now, what stays owed, and whose undelivered words are overtaken."""

    now: tuple[tuple[Recipient, Announcement], ...] = ()
    owed: Owed = field(default_factory=dict)


def is_quiet(span: str | None, local: datetime) -> bool:
    """Whether a local time lies in quiet hours like 22:00-05:30; the end is outside, equal ends are none."""
    if span is None:
        return False
    start, _, end = span.partition("-")
    now = f"{local:%H:%M}"
    return start <= now < end if start <= end else now >= start or now < end


def addressed(recipients: Sequence[Recipient], word: Announcement) -> tuple[Recipient, ...]:
    """Who is to get this word, quiet hours apart: harm by order, one number more with each asking; all
    else goes to everybody who is not there for harm only, and what names its readers to those."""
    if word.to:
        return tuple(r for r in recipients if r.name in word.to)
    if not word.harm:
        return tuple(r for r in recipients if not r.harm_only)
    ranks = sorted({r.order for r in recipients})
    reached = ranks[: word.asked + 1]
    return tuple(r for r in recipients if r.order in reached)


def deliver(
    recipients: Sequence[Recipient],
    messages: Messages,
    words: Iterable[Announcement],
    owed: Owed,
    still_true: Iterable[str],
    now_at: float,
    zone: str,
) -> Delivery:
    """Who gets which word at now_at [UTC s]. still_true: keys of owed words that hold and are wanted."""
    local = datetime.fromtimestamp(now_at, ZoneInfo(zone))
    true, fresh = frozenset(still_true), tuple(words)
    now: list[tuple[Recipient, Announcement]] = []
    waiting: dict[str, tuple[tuple[float, Announcement], ...]] = {}
    for recipient in recipients:
        quiet = is_quiet(recipient.quiet or messages.quiet, local)
        new = [word for word in fresh if recipient in addressed(recipients, word)]
        kept = [
            (at, word)
            for at, word in owed.get(recipient.name, ())
            if word.key in true and now_at - at < OWED_FOR_S and not _is_overtaken(word, new)
        ]
        now += [(recipient, word) for word in new if word.harm or word.at_once or not quiet]
        if not quiet:
            now += [(recipient, word) for _, word in kept]
        elif later := [*kept, *((now_at, word) for word in new if not (word.harm or word.at_once))]:
            waiting[recipient.name] = tuple(later)
    return Delivery(tuple(now), waiting)


def _is_overtaken(word: Announcement, fresh: Iterable[Announcement]) -> bool:
    return any(word.key.startswith(f"{head}:") for new in fresh for head in new.overtakes)


def who_to_call(recipients: Sequence[Recipient], reader: Recipient) -> str:
    """Somebody else with a contact, the next in order first: "Robin, 555 0134"; empty where there is none."""
    others = [r for r in recipients if r.contact is not None and r.name != reader.name]
    others.sort(key=lambda r: (r.order <= reader.order, r.order))
    return f"{others[0].name}, {others[0].contact}" if others else ""


def last_look_at(look: str, now_at: float, zone: str) -> float:
    """The last instant [UTC s], not after now_at, at which the field's clock showed that time."""
    local = datetime.fromtimestamp(now_at, ZoneInfo(zone))
    today = _at_time(local, look)
    return today if today <= now_at else _at_time(local - timedelta(days=1), look)


def is_same_day(a_at: float, b_at: float, zone: str) -> bool:
    """Whether two instants [UTC s] lie on one day of the field's calendar."""
    days = [datetime.fromtimestamp(at, ZoneInfo(zone)).date() for at in (a_at, b_at)]
    return days[0] == days[1]


def next_test_at(weekly: str, now_at: float, zone: str) -> float | None:
    """The next instant [UTC s] after now_at of a time like "Sun 18:00" or "daily 18:00"; None for "never"."""
    if weekly == "never":
        return None
    day, _, time = weekly.partition(" ")
    local = datetime.fromtimestamp(now_at, ZoneInfo(zone))
    ahead = 0 if day == DAILY else (DAYS.index(day) - local.weekday()) % 7
    at = _at_time(local + timedelta(days=ahead), time)
    return at if at > now_at else _at_time(local + timedelta(days=ahead + tests_apart_days(weekly)), time)


def tests_apart_days(weekly: str) -> int:
    """Days between two tests at a time like "Sun 18:00" or "daily 18:00"."""
    return 1 if weekly.startswith(DAILY) else 7


def _at_time(day: datetime, time: str) -> float:
    hour, minute = int(time[:2]), int(time[3:])
    return day.replace(hour=hour, minute=minute, second=0, microsecond=0, fold=0).timestamp()
