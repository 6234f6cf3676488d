"""Which probe sits at which place, dated: a change ends one binding and begins another, none is erased."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from probe_agent.store.file import Statement

SHOWN_CHANGES = 20
_PLACE = "(SELECT place FROM places WHERE name = ?)"


@dataclass(frozen=True, slots=True)
class Moved:
    """One probe at one change: where it sat before and where from then on; None for nowhere."""

    address: str
    source: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class BindingChange:
    """What changed at one instant [UTC s]."""

    at: float
    moved: tuple[Moved, ...]


def bound_at(db: sqlite3.Connection, at: float | None = None) -> dict[str, tuple[str, str]]:
    """Address → (place, source), as bound just before an instant [UTC s]; None: now."""
    when = "to_at IS NULL" if at is None else "from_at < ? AND (to_at IS NULL OR to_at >= ?)"
    rows = db.execute(
        f"SELECT address, name, source FROM bindings JOIN places USING (place) WHERE {when}",
        () if at is None else (at, at),
    )
    return {address: (place, source) for address, place, source in rows}


def binding_changes(db: sqlite3.Connection, most: int = SHOWN_CHANGES) -> list[BindingChange]:
    """The last changes, newest first. A probe bound for the first time is one too."""
    changes: dict[float, dict[str, list[str | None]]] = {}
    rows = db.execute("SELECT address, source, name, from_at, to_at FROM bindings JOIN places USING (place)")
    for address, source, place, from_at, to_at in rows:
        changes.setdefault(from_at, {}).setdefault(address, [source, None, None])[2] = place
        if to_at is not None:
            changes.setdefault(to_at, {}).setdefault(address, [source, None, None])[1] = place
    return [
        BindingChange(at, tuple(Moved(a, str(s), b, c) for a, (s, b, c) in sorted(moved.items())))
        for at, moved in sorted(changes.items(), reverse=True)[:most]
    ]


def rebind(moved: Iterable[Moved], at: float) -> list[Statement]:
    """Have probes sit elsewhere from an instant on. Readings kept so far stay with their places."""
    moves = list(moved)
    out: list[Statement] = [
        ("UPDATE bindings SET to_at = ? WHERE to_at IS NULL AND address = ?", (at, m.address)) for m in moves
    ]
    for m in moves:
        if m.after is not None:
            out.append(
                (
                    f"INSERT INTO bindings (place, source, address, from_at) VALUES ({_PLACE}, ?, ?, ?)",
                    (m.after, m.source, m.address, at),
                )
            )
    return out


def moves(
    bound: Mapping[str, tuple[str, str]], wanted: Mapping[str, str | None], sources: Mapping[str, str]
) -> tuple[Moved, ...]:
    """What has to move so that each address of `wanted` sits where that says; sources: of unbound ones."""
    out = []
    for address, after in sorted(wanted.items()):
        before, source = bound.get(address, (None, sources.get(address, "")))
        if before != after:
            out.append(Moved(address, source, before, after))
    return tuple(out)


def undone(last: BindingChange) -> Sequence[Moved]:
    """What takes a change back."""
    return [Moved(m.address, m.source, m.after, m.before) for m in last.moved]
