"""Corrections of probes and what the last check of them found; what a setup's heat-ups taught."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import msgspec

from probe_agent.store.file import Statement, mc

IN_FORCE = "SELECT address, offset_mc FROM corrections WHERE undone_at IS NULL ORDER BY correction"
"""Of an address the last one counts."""


@dataclass(frozen=True, slots=True)
class KeptCorrection:
    """One correction: what is added to a probe's readings from an instant on [UTC s].

    place: where that probe sits now, None where nowhere; in_force: no later one of that probe counts instead.
    """

    number: int
    address: str
    place: str | None
    offset_c: float
    from_at: float
    reason: str
    undone_at: float | None
    in_force: bool


class ComparedNow(msgspec.Struct, frozen=True):
    """A probe in a check: as it reads, as it should, and the offset it has and would have [°C]."""

    place: str
    address: str
    reads_c: float
    should_c: float
    offset_c: float
    wanted_c: float


class WhyNot(msgspec.Struct, frozen=True):
    """Why a check tells nothing; as `corrections.Reason`."""

    kind: str
    at: float | None = None
    c: float | None = None
    place: str | None = None


class Shifted(msgspec.Struct, frozen=True):
    """What earlier heat-ups would have been with the corrections of a check.

    judged: those that got above target both ways; by how much later, their median and ends [s]; never: above
    target only as they are corrected now; too: only as they would be.
    """

    judged: int = 0
    shift_s: float = 0.0
    least_s: float = 0.0
    most_s: float = 0.0
    never: int = 0
    too: int = 0


class Check(msgspec.Struct, frozen=True):
    """The last check of probes. Instants in UTC seconds; asked_at is its number too.

    kind: as `corrections.CheckKind`; state: working, done, refused (`reasons` say why, or `beyond` which
    places are beyond a limit) or failed (`why`). true_c: of a fixed point; pressure_hpa: of a boiling point;
    core_c: estimated core, of a flange reading; said_c: what a person read. basis: corrections it was made
    with; taken: accepted.
    """

    kind: str
    asked_at: float
    state: Literal["working", "done", "refused", "failed"] = "working"
    done: int = 0
    of: int = 0
    why: str = ""
    reasons: tuple[WhyNot, ...] = ()
    found: tuple[ComparedNow, ...] = ()
    beyond: tuple[str, ...] = ()
    limit_c: float = 0.0
    true_c: float | None = None
    pressure_hpa: float | None = None
    said_c: float | None = None
    core_c: tuple[float, float, float] | None = None
    shifted: Shifted | None = None
    basis: str = ""
    taken: bool = False

    @property
    def changing(self) -> tuple[ComparedNow, ...]:
        """The probes whose correction would change."""
        return tuple(c for c in self.found if c.wanted_c != c.offset_c)


CHECK = "check"
"""The name under which the last one is kept."""


def read_check(text: str | None) -> Check | None:
    """A check as kept; None where there is none, or one of another version."""
    try:
        return None if text is None else msgspec.json.decode(text, type=Check)
    except msgspec.MsgspecError:
        return None


class FallsOf(msgspec.Struct, frozen=True):
    """The last heater-off tests of a place: how many of at most three, middle of its falls and of its
    neighbours' [K]; reads_heater_c: what it reads of the heater, 0 for nothing."""

    place: str
    tests: int
    fall_c: float
    neighbours_c: float
    reads_heater_c: float


class Taught(msgspec.Struct, frozen=True):
    """What a setup's heat-ups taught. Ranges are 10, 50, 90 %.

    rate_c_per_h: all of the metal at full heat, nothing lost; plateau_c: where the coldest required place
    levels off above the air [K]; spread_c: the warmest required place above the coldest, there [K]; coldest:
    the place that is the coldest there most often.
    """

    setup: str
    heat_ups: int
    rate_c_per_h: tuple[float, float, float] | None = None
    plateau_c: tuple[float, float, float] | None = None
    spread_c: tuple[float, float, float] | None = None
    coldest: str | None = None
    falls: tuple[FallsOf, ...] = ()


TAUGHT = "taught"
"""The name under which it is kept."""


def read_taught(text: str | None) -> Taught | None:
    """As kept; None where there is none, or one of another version."""
    try:
        return None if text is None else msgspec.json.decode(text, type=Taught)
    except msgspec.MsgspecError:
        return None


def keep_correction(address: str, offset_c: float, from_at: float, reason: str) -> Statement:
    """A correction in force from now on, in place of that probe's earlier one. Raw readings stay."""
    return (
        "INSERT INTO corrections (address, offset_mc, from_at, reason) VALUES (?, ?, ?, ?)",
        (address, mc(offset_c), from_at, reason),
    )


def bind_probe(place: str, source: str, address: str, at: float) -> list[Statement]:
    """A place measured by another probe from now on; what either was bound to before ends."""
    where = "(SELECT place FROM places WHERE name = ?)"
    return [
        (
            f"UPDATE bindings SET to_at = ? WHERE to_at IS NULL AND (address = ? OR place = {where})",
            (at, address, place),
        ),
        (
            f"INSERT INTO bindings (place, source, address, from_at) VALUES ({where}, ?, ?, ?)",
            (place, source, address, at),
        ),
    ]


def undo_corrections(numbers: Sequence[int], at: float) -> Statement:
    """Corrections that no longer count; they stay in the record, and what they replaced counts again."""
    marks = ", ".join("?" * len(numbers))
    return (
        f"UPDATE corrections SET undone_at = ? WHERE undone_at IS NULL AND correction IN ({marks})",
        (at, *numbers),
    )


def corrections_of(db: sqlite3.Connection) -> list[KeptCorrection]:
    """All corrections, newest first, undone ones too."""
    rows = db.execute(
        "SELECT correction, address, (SELECT name FROM bindings b JOIN places USING (place)"
        " WHERE b.address = c.address AND to_at IS NULL), (SELECT name FROM places WHERE name = c.address),"
        " offset_mc / 1000.0, from_at, reason, undone_at, undone_at IS NULL AND correction ="
        " (SELECT max(correction) FROM corrections o WHERE o.address = c.address AND o.undone_at IS NULL)"
        " FROM corrections c ORDER BY correction DESC"
    )
    return [
        KeptCorrection(number, address, bound or same, c, at, reason, undone, bool(force))
        for number, address, bound, same, c, at, reason, undone, force in rows
    ]


def corrections_basis(db: sqlite3.Connection) -> str:
    """The corrections in force, such that any change of them shows; none of 0 °C."""
    offsets = dict(db.execute(IN_FORCE))
    return ",".join(f"{address}={offsets[address]}" for address in sorted(offsets) if offsets[address])
