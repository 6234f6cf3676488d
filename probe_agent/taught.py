"""What the heat-ups of a setup taught, for viewers: its memory in figures, and its heater-off tests."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from probe_agent.archive import Archive, StoredFall
from probe_agent.learning import Course, Knowledge
from probe_agent.store import FallsOf, Taught
from probe_agent.thermal.figures import figures

TESTS = 3


def taught(archive: Archive, course: Course, known: Knowledge) -> Taught:
    """What is known of a setup now."""
    falls = falls_of(archive.falls(archive.alike(course.setup)), known)
    if known.memory is None:
        return Taught(course.setup.name, 0, falls=falls)
    found = figures(course.prior, known.memory, course.places, course.required)
    return Taught(
        course.setup.name,
        known.memory.heat_ups,
        found.rate_c_per_h,
        found.plateau_k,
        found.spread_k,
        found.coldest,
        falls,
    )


def falls_of(falls: Sequence[StoredFall], known: Knowledge) -> tuple[FallsOf, ...]:
    """The last heater-off tests of each place."""
    last: dict[str, list[StoredFall]] = {}
    for fall in falls:
        last[fall.place] = [*last.get(fall.place, [])[1 - TESTS :], fall]
    return tuple(
        FallsOf(
            place,
            len(tests),
            round(statistics.median(f.fall_c for f in tests), 2),
            round(statistics.median(f.neighbours_c for f in tests), 2),
            round(known.reads_heater_c.get(place, 0.0), 2),
        )
        for place, tests in sorted(last.items())
    )
