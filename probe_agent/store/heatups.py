"""Heat-ups, what became of them, and planned departures."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from probe_agent.store.file import Statement, mc, ms


@dataclass(frozen=True, slots=True)
class KeptOuting:
    """What became of one heat-up or absence, as `outings.Outing` has it, its instants in UTC seconds.

    heatup: number of its heat-up as read; None where it has none, and where it is about to be kept.
    """

    number: int
    heatup: int | None
    departure: int | None
    began_at: float
    ended_at: float | None
    kind: str
    told_by: str
    told_at: float | None
    unplugged_at: float | None
    plugged_at: float | None
    left_c: float | None
    found_c: float | None
    oil_c: float | None
    oil_s: float | None


_TICK_AT = "coalesce((SELECT max(tick) FROM ticks WHERE boot = ? AND mono_ms <= ?), ?)"
_OPEN_HEATUP = "(SELECT max(heatup) FROM heatups WHERE ended_tick IS NULL)"


def open_heatup(boot: int, tick: int, setup: int | None, target_c: float, on_s: float) -> Statement:
    """A new heat-up, begun at the last tick not after on_s (`tick` if there is none)."""
    return (
        f"INSERT INTO heatups (setup, started_tick, target_mc) VALUES (?, {_TICK_AT}, ?)",
        (setup, boot, ms(on_s), tick, mc(target_c)),
    )


def mark_heatup(
    boot: int, tick: int, above_s: float | None, ready_s: float | None, off_s: float | None
) -> list[Statement]:
    """Set the marks of the open heat-up, each once; a mark that is None again is cleared."""
    out: list[Statement] = []
    for column, instant_s in (("above_tick", above_s), ("ready_tick", ready_s), ("off_tick", off_s)):
        if instant_s is None:
            out.append((f"UPDATE heatups SET {column} = NULL WHERE heatup = {_OPEN_HEATUP}", ()))
        else:
            out.append(
                (
                    f"UPDATE heatups SET {column} = coalesce({column}, {_TICK_AT})"
                    f" WHERE heatup = {_OPEN_HEATUP}",
                    (boot, ms(instant_s), tick),
                )
            )
    return out


def close_heatup(tick: int, reason: str) -> Statement:
    """End the open heat-up."""
    return (
        f"UPDATE heatups SET ended_tick = ?, end_reason = ? WHERE heatup = {_OPEN_HEATUP}",
        (tick, reason),
    )


def exclude_heatup(heatup: int, excluded: bool, note: str | None) -> Statement:
    """Leave a heat-up out of what is learned, or take it in again; a note of None leaves the old one."""
    return (
        "UPDATE heatups SET excluded = ?, note = coalesce(?, note) WHERE heatup = ?",
        (excluded, note, heatup),
    )


def newest_lesson(db: sqlite3.Connection) -> tuple[float | None, float | None]:
    """Changes whenever somebody has learned."""
    row = db.execute(
        "SELECT (SELECT max(learned_at) FROM lessons), (SELECT max(since_at) FROM memory)"
    ).fetchone()
    return row[0], row[1]


OUTING = (
    "outing, heatup, departure, began_at, ended_at, kind, told_by, told_at, unplugged_at, plugged_at, left_c,"
    " found_c, oil_c, oil_s"
)
_MARK_FLEW = (
    "UPDATE heatups SET flew = (SELECT kind FROM outings o WHERE o.heatup = heatups.heatup"
    " AND instr(?, ',' || kind || ',') ORDER BY instr(?, ',' || kind || ',') LIMIT 1)"
    " WHERE heatup = (SELECT heatup FROM outings WHERE outing = ?)"
)
CameOf = tuple[list[float], list[tuple[float, tuple[str, ...]]]]
"""When flights with hot oil ended [UTC s]; each heat-up that has ended: its start [UTC s] and the kinds of
its outings."""


def keep_outing(outing: KeptOuting, of_newest_heatup: bool, most_first: Sequence[str]) -> list[Statement]:
    """An outing under its number, new or changed, and what came of its heat-up.

    of_newest_heatup: a new one belongs to the newest heat-up. most_first: of several outings of one heat-up
    the kind that stands first in it is the heat-up's.
    """
    marks = ", ".join(["?"] * 12)
    values = tuple(getattr(outing, f) for f in KeptOuting.__slots__ if f != "heatup")
    told = (*values[:1], of_newest_heatup, *values[1:])
    changing = [c.strip() for c in OUTING.split(",") if c.strip() not in ("outing", "heatup", "began_at")]
    return [
        (
            f"INSERT INTO outings ({OUTING}) VALUES (?,"
            f" CASE WHEN ? THEN (SELECT max(heatup) FROM heatups) END, {marks})"
            " ON CONFLICT (outing) DO UPDATE SET " + ", ".join(f"{c} = excluded.{c}" for c in changing),
            told,
        ),
        _mark_flew(outing.number, most_first),
    ]


def tell_outing(number: int, kind: str, told_at: float, most_first: Sequence[str]) -> list[Statement]:
    """What a person says later of an outing; what it rested on before stays beside it."""
    return [
        (
            "UPDATE outings SET kind = ?, told_by = 'tap', told_at = ?, ended_at = coalesce(ended_at, ?)"
            " WHERE outing = ?",
            (kind, told_at, told_at, number),
        ),
        _mark_flew(number, most_first),
    ]


def _mark_flew(number: int, most_first: Sequence[str]) -> Statement:
    kinds = f",{','.join(most_first)},"
    return (_MARK_FLEW, (kinds, kinds, number))


def came_of(db: sqlite3.Connection) -> CameOf:
    hot = db.execute(
        "SELECT coalesce(plugged_at, unplugged_at, began_at) FROM outings WHERE kind = 'flown-hot'"
    ).fetchall()
    kinds: dict[int, list[str]] = {}
    for heatup, kind in db.execute(
        "SELECT heatup, kind FROM outings WHERE heatup IS NOT NULL ORDER BY outing"
    ):
        kinds.setdefault(heatup, []).append(kind)
    started = db.execute(
        "SELECT heatup, (mono_ms + utc_offset_ms) / 1000.0 FROM heatups"
        " JOIN ticks ON tick = started_tick JOIN boots USING (boot) WHERE ended_tick IS NOT NULL"
    )
    return [at for (at,) in hot], [(at, tuple(kinds.get(heatup, ()))) for heatup, at in started]


def keep_departure(
    number: int,
    setup: int | None,
    start_at: float,
    plan: str,
    state: str,
    made_at: float,
    changed_at: float,
    switch_on_at: float | None,
    decided_at: float | None,
) -> Statement:
    """A departure under its number, new or changed. plan: all of it as JSON; the other columns are for
    people's own tools."""
    return (
        "INSERT INTO departures (departure, setup, leaves_at, plan, state, made_at, changed_at, switch_on_at,"
        " decided_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (departure) DO UPDATE SET"
        " leaves_at = excluded.leaves_at, plan = excluded.plan, state = excluded.state,"
        " changed_at = excluded.changed_at, switch_on_at = excluded.switch_on_at,"
        " decided_at = excluded.decided_at",
        (number, setup, start_at, plan, state, made_at, changed_at, switch_on_at, decided_at),
    )


def end_departure(number: int, outcome: str, at: float) -> Statement:
    """What came of a departure."""
    return ("UPDATE departures SET outcome = ?, outcome_at = ? WHERE departure = ?", (outcome, at, number))
