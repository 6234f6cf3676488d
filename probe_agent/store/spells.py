"""Spells of moisture and heat, and the heat-ups and outings they belong to."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from probe_agent.store.file import Statement


@dataclass(frozen=True, slots=True)
class KeptSpell:
    """A spell as `spells.Spell` has it, its instants in UTC seconds. heatup: number of its heat-up as read;
    None where it has none, and where it is about to be kept."""

    number: int
    heatup: int | None
    cause: str
    began_at: float
    ended_at: float | None
    low: float
    middle: float
    high: float
    wet_s: float
    known_s: float
    unknown_s: float
    under_k: float
    heated_s: float
    measured_j: float
    plate_j: float
    untold_s: float
    gained_low_j: float | None = None
    gained_j: float | None = None
    gained_high_j: float | None = None


@dataclass(frozen=True, slots=True)
class HeatupSpan:
    """A heat-up's span [UTC s], ended_at None while it is open."""

    number: int
    began_at: float
    ended_at: float | None


_COLUMNS = (
    "spell, heatup, cause, began_at, ended_at, low, middle, high, wet_s, known_s, unknown_s, under_k,"
    " heated_s, measured_j, plate_j, untold_s, gained_low_j, gained_j, gained_high_j"
)
_FIXED = ("spell", "heatup", "cause", "began_at")
_CHANGING = [c.strip() for c in _COLUMNS.split(",") if c.strip() not in _FIXED]


def keep_spell(spell: KeptSpell, of_newest_heatup: bool = False) -> Statement:
    """A spell under its number, new or grown. of_newest_heatup: a new one belongs to the newest heat-up."""
    values = tuple(getattr(spell, f) for f in KeptSpell.__slots__)
    marks = ", ".join(["?"] * (len(values) - 2))
    return (
        f"INSERT INTO spells ({_COLUMNS}) VALUES (?,"
        f" CASE WHEN ? THEN (SELECT max(heatup) FROM heatups) ELSE ? END, {marks})"
        " ON CONFLICT (spell) DO UPDATE SET " + ", ".join(f"{c} = excluded.{c}" for c in _CHANGING),
        (values[0], of_newest_heatup, *values[1:]),
    )


def move_spells(first: int, by_s: float) -> Statement:
    """Spells from a number on lie so much later: the clock was put right."""
    return (
        "UPDATE spells SET began_at = began_at + ?, ended_at = ended_at + ? WHERE spell >= ?",
        (by_s, by_s, first),
    )


def spells_of(db: sqlite3.Connection) -> list[KeptSpell]:
    """All of them, in the order in which they began."""
    rows = db.execute(f"SELECT {_COLUMNS} FROM spells ORDER BY began_at, spell")
    return [KeptSpell(*row) for row in rows]


def spans_of_heatups(db: sqlite3.Connection) -> list[HeatupSpan]:
    """All heat-ups whose beginning is known, in order."""
    rows = db.execute(
        "SELECT heatup, (t.mono_ms + b.utc_offset_ms) / 1000.0,"
        " (SELECT (mono_ms + utc_offset_ms) / 1000.0 FROM ticks JOIN boots USING (boot)"
        "  WHERE tick = ended_tick)"
        " FROM heatups JOIN ticks t ON t.tick = started_tick JOIN boots b USING (boot) ORDER BY heatup"
    )
    return [HeatupSpan(*row) for row in rows]
