"""The record on the board's card: what it doesn't take, what was lost with it, what was brought back."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from probe_agent.status import Status
from probe_agent.words.engine import coldest
from probe_agent.words.parts import ELSE_COLD, About, Letter, Unit, moment, moment_of

CARD_IS_SLOW = (
    "The board's card takes long to write. Measuring goes on; readings are kept in memory meanwhile."
)


def unwritten(why: str, lost_ticks: int = 0) -> str:
    """That the disk refuses what is to be kept. lost_ticks: rows for which memory had no room either."""
    lost = f" The oldest {lost_ticks} rows had no room there and are lost." if lost_ticks else ""
    return f"The record can't be written ({why}). Readings are kept in memory meanwhile.{lost}"


def in_memory(why: str) -> str:
    """That the card could not be written at the start, so that all is kept in memory."""
    return (
        f"The board's card can't be written ({why}). What is measured is kept in memory and gone at a power "
        "cut; nothing can be entered on the page. Replace the card, or make room, then restart the board."
    )


def brought_back(
    at: float, copy_at: float | None, exported: bool, aside: str, zone: str, now_at: float
) -> str:
    """What became of a damaged record. at: when it was set aside, copy_at: the copy it goes on from [UTC s];
    exported: whether settings and corrections came from their own file; aside: the damaged file."""
    when = moment(at, zone, now_at)
    if copy_at is None:
        record = "There was no sound copy of earlier heat-ups: the record begins anew."
    else:
        record = (
            f"Earlier heat-ups come from the copy of {moment(copy_at, zone, now_at)}; later ones are lost."
        )
    settings = (
        "Setups, bindings, corrections and pairings are as they were."
        if exported
        else "Setups, bindings, corrections and pairings are as in the copy."
        if copy_at is not None
        else "Corrections and pairings are lost: check probes and pair phones anew."
    )
    return f"The record was damaged; it was set aside at {when} as {aside}. {record} {settings}"


def _unwritten(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, f"The record can't be written{_since(status)}; I go on in memory."),
        (1, coldest(status, unit, spoken=True)),
        (2, "A power cut would lose what was measured since."),
        (1, "Have the board's card looked at: full, or worn out? Then replace it."),
        (1, f"This holds until I write again: next word when above target; {ELSE_COLD}"),
    ]
    return ("still measured, record not written",), parts


def _since(status: Status) -> str:
    since = next((a.since for a in status.alerts if a.kind == "record-unwritten"), None)
    return f" since {moment_of(status, since)}" if since is not None else ""


def _damaged(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, "The record was damaged and set aside; what was saved is back."),
        (2, "The page says how far it reaches."),
        (1, coldest(status, unit, spoken=True)),
        (1, "Look at the page, and have the board's card replaced if it happens again."),
        (1, f"This holds until I write again: next word when above target; {ELSE_COLD}"),
    ]
    return ("still measured, record was damaged",), parts


def _forgets(status: Status, unit: Unit, about: About) -> Letter:
    parts = [
        (1, "The board's card takes what is written and doesn't keep it."),
        (2, "At the next restart everything since is lost."),
        (1, coldest(status, unit, spoken=True)),
        (1, "Have the card replaced; a backup made now by probe-agent backup goes onto the new one."),
        (1, f"This holds until I write again: next word when above target; {ELSE_COLD}"),
    ]
    return ("still measured, card keeps nothing",), parts


KEEPING_LETTERS: Mapping[str, Callable[[Status, Unit, About], Letter]] = {
    "record-unwritten": _unwritten,
    "record-damaged": _damaged,
    "card-forgets": _forgets,
}
