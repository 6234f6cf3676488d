"""A record of many heat-ups, drawn from plain curves: for pages and questions that look at many of them.

As a command it writes one: python -m tests.many_heatups FILE COUNT [INTERVAL_S] [END_AT].
"""

from __future__ import annotations

import math
import sqlite3
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec

from probe_agent.config import Settings, parse_settings
from probe_agent.migrations import migrate
from probe_agent.store import connect

EXAMPLE = Path(__file__).parent.parent / "deploy" / "example.toml"
ZERO_AT = 1_768_536_000.0
"""The first heater-on: Fri 16 Jan 2026 04:00 UTC."""
DAY_S = 86_400.0
LASTS_S = 3 * 3600.0
TARGET_C = (45 - 32) / 1.8


@dataclass(frozen=True)
class Morning:
    """One heat-up: the air, how fast it warms, when it stops; open: it is not over."""

    number: int
    on_at: float
    air_c: float
    reach_c: float
    time_s: float
    lasts_s: float = LASTS_S
    is_open: bool = False

    def c(self, t_s: float, share: float) -> float:
        """A place that has this share of the rise, t_s after heater-on."""
        heated_s = min(t_s, self.lasts_s - 1200.0)
        risen = self.reach_c * share * (1 - math.exp(-heated_s / (self.time_s / share)))
        return self.air_c + 1.0 + risen * math.exp(-max(t_s - heated_s, 0.0) / 9000.0)

    def passes_s(self, c: float) -> float | None:
        """When its coldest place passes a temperature, in whole minutes; None for never."""
        minutes = range(0, int(self.lasts_s), 60)
        return next((float(t) for t in minutes if self.c(t, COLDEST) >= c), None)


SHARES = {
    "sump": 1.0,
    "cyl-1": 0.8,
    "cyl-2": 0.82,
    "cyl-3": 0.7,
    "cyl-4": 0.74,
    "case-top": 0.62,
    "case-nose": 0.55,
}
COLDEST = min(SHARES.values())


def mornings(count: int) -> Iterator[Morning]:
    """So many, one in two days, from mild to bitter and back."""
    for i in range(count):
        air_c = round(-8 + 7 * math.sin(i / 5) + 3 * math.sin(i / 1.7), 1)
        yield Morning(
            i + 1, ZERO_AT + 2 * DAY_S * i, air_c, 66 + 5 * math.sin(i), 6000 + 500 * math.cos(i / 3)
        )


def settings() -> Settings:
    return parse_settings(EXAMPLE.read_bytes(), EXAMPLE.name)


def write(file: Path, found: list[Morning], interval_s: float = 60.0) -> None:
    """A store with these heat-ups in it, their clocks right, a boot each."""
    migrate(file)
    db = connect(file)
    try:
        db.execute("PRAGMA synchronous = OFF")
        db.execute("BEGIN")
        _describe(db)
        tick = 1
        for morning in found:
            tick = _write_one(db, morning, tick, interval_s)
        db.execute("COMMIT")
    finally:
        db.close()


def _describe(db: sqlite3.Connection) -> None:
    known = settings()
    near = {p.name: p.near_heater for p in known.places}
    for name in (*SHARES, "ambient"):
        row = (name, name in known.required, near.get(name, False))
        db.execute("INSERT INTO places (name, required, near_heater) VALUES (?, ?, ?)", row)
    setup = known.setup
    assert setup is not None
    row = (setup.name, msgspec.json.encode(setup).decode(), ZERO_AT)
    db.execute("INSERT INTO setups (slug, settings, since_at) VALUES (?, ?, ?)", row)


def _write_one(db: sqlite3.Connection, m: Morning, first: int, interval_s: float) -> int:
    db.execute("INSERT INTO boots VALUES (?, ?, ?, 1)", (m.number, f"boot-{m.number}", round(m.on_at * 1000)))
    times = [i * interval_s for i in range(int(m.lasts_s / interval_s) + 1)]
    db.executemany(
        "INSERT INTO ticks VALUES (?, ?, ?, ?)",
        [(first + i, m.number, round(t * 1000), float(t < m.lasts_s - 1200)) for i, t in enumerate(times)],
    )
    rows = []
    for i, t in enumerate(times):
        for place, share in enumerate((*SHARES.values(), None), 1):
            mc = round((m.air_c if share is None else m.c(t, share)) * 4) * 250
            rows.append((first + i, place, mc, mc))
    db.executemany("INSERT INTO readings (tick, place, raw_mc, value_mc) VALUES (?, ?, ?, ?)", rows)
    last = first + len(times) - 1
    _write_marks(db, m, (first, last), interval_s)
    return last + 1


def _write_marks(db: sqlite3.Connection, m: Morning, ticks: tuple[int, int], interval_s: float) -> None:
    first, last = ticks
    above_s = m.passes_s(TARGET_C)
    above = None if above_s is None else first + math.ceil(above_s / interval_s)
    why = "heater off before the target" if above_s is None else "cooled after ready"
    ended, reason = (None, None) if m.is_open else (last, why)
    off = None if m.is_open else first + int((m.lasts_s - 1200) / interval_s)
    db.execute(
        "INSERT INTO heatups (heatup, setup, started_tick, target_mc, above_tick, off_tick, ended_tick,"
        " end_reason) VALUES (?, 1, ?, ?, ?, ?, ?, ?)",
        (m.number, first, round(TARGET_C * 1000), above, off, ended, reason),
    )
    if not m.is_open:
        db.execute("INSERT INTO lessons VALUES (?, 1, ?, 1, 0, '', '')", (m.number, m.on_at))
    truth_s = above_s if above_s is not None else 9000.0
    for t in range(0, int(truth_s), 900):
        left_s = truth_s - t
        middle = truth_s + left_s * 0.12 * math.sin(m.number + t)
        wide = 120 + 0.2 * left_s
        db.execute(
            "INSERT INTO forecasts VALUES (?, ?, NULL, NULL, ?, ?, ?, 1.0, NULL, NULL, NULL, 1, 1)",
            (
                first + math.ceil(t / interval_s),
                m.number,
                *(round(1000 * x) for x in (middle - wide, middle, middle + 1.4 * wide)),
            ),
        )


if __name__ == "__main__":
    write(
        Path(sys.argv[1]), list(mornings(int(sys.argv[2]))), float(sys.argv[3]) if len(sys.argv) > 3 else 15.0
    )
