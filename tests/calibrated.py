"""What an owner's checks have left in a record, made up: a cold soak that offers two corrections, one kept
and one undone, what the heat-ups taught, the table behind the card. To look at pages with, as
tests/many_heatups.py is; as a command it adds it to a record: python -m tests.calibrated FILE.
"""

from __future__ import annotations

import sys
from pathlib import Path

import msgspec

from probe_agent.status import TakeAlong
from probe_agent.store import (
    CHECK,
    TAKE_ALONG,
    TAUGHT,
    Batch,
    Check,
    ComparedNow,
    FallsOf,
    Shifted,
    Store,
    Taught,
    keep_correction,
    keep_value,
    undo_corrections,
)

NOW_AT = 1_770_700_000.0
HOUR_S = 3600.0
READS_C = {
    "sump": -11.4,
    "cyl-1": -11.3,
    "cyl-2": -11.2,
    "cyl-3": -11.3,
    "cyl-4": -10.1,
    "case-top": -11.3,
    "case-nose": -12.0,
}
SOAK = Check(
    "cold-soak",
    NOW_AT,
    "done",
    found=tuple(
        ComparedNow(place, place, c, -11.3, 0.0, round(-11.3 - c, 3) if abs(c + 11.3) > 0.15 else 0.0)
        for place, c in READS_C.items()
    ),
    limit_c=2.0,
    shifted=Shifted(judged=10, shift_s=-240.0, least_s=-420.0, most_s=-180.0),
)
TAUGHT_BY_FOUR = Taught(
    "winter",
    4,
    (19.4, 21.0, 22.8),
    (27.0, 29.5, 33.0),
    (9.0, 10.5, 12.0),
    "case-nose",
    (
        FallsOf("sump", 3, 4.5, 0.8, 3.7),
        FallsOf("cyl-3", 3, 0.6, 0.7, 0.0),
    ),
)


def card() -> TakeAlong:
    """Five starts in five airs [°C]; one of them perhaps never."""
    degrees = (0.0, -5.0, -10.0, -15.0, -20.0)
    rows = []
    for start in degrees:
        middles = [HOUR_S * (0.5 + (7.2 - start) / 9.5 + max(start - air, 0.0) / 20) for air in degrees]
        bands = [
            (0.8 * m, m, None if m > 3.6 * HOUR_S and start - air > 9 else 1.5 * m)
            for m, air in zip(middles, degrees, strict=True)
        ]
        rows.append(tuple(bands))
    return TakeAlong("2026-02-10T06:40:00Z", "winter", 4, 7.2, True, degrees, degrees, tuple(rows))


def keep_calibration(store: Store) -> None:
    """Add it to that record."""
    statements = [
        keep_correction("cyl-2", -0.75, NOW_AT - 20 * 86_400, "ice point"),
        keep_correction("sump", 1.5, NOW_AT - 9 * 86_400, "contact thermometer"),
        undo_corrections([2], NOW_AT - 8 * 86_400),
    ]
    store.commit(Batch(statements=statements))
    check = msgspec.structs.replace(SOAK, basis=store.corrections_basis())
    said = {CHECK: check, TAUGHT: TAUGHT_BY_FOUR, TAKE_ALONG: card()}
    kept = [keep_value(name, msgspec.json.encode(what).decode()) for name, what in said.items()]
    store.commit(Batch(statements=kept))


if __name__ == "__main__":
    keep_calibration(Store(Path(sys.argv[1])))
