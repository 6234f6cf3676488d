"""A short form of the bench of the signs, against the figures stored beside it.

    python -m tests.bench.signs_short            measure and compare
    python -m tests.bench.signs_short --write    store what is measured now

One setup of seed 1, three undisturbed heat-ups and each disturbance, a row a minute: some 10 s.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.bench import heatups, short_form, signs

STORED = Path(__file__).with_suffix(".json")
LATER_MIN = 3.0
"""How much later than stored a sign may come: three rows of a minute; other numerics round otherwise."""


def measured() -> dict[str, float]:
    """The figures of the short form."""
    less = frozenset(range(signs.TEACHING, signs.UNDISTURBED))
    return signs.figures(signs.judge_setup(heatups.draw_setup(1, 0), 60.0, less))


def worse(now: Mapping[str, float], stored: Mapping[str, float]) -> list[str]:
    """What is worse than stored, in words: seen less often, later, or falsely said more often."""
    said = []
    for name, before in stored.items():
        its = now.get(name, float("nan"))
        if name.endswith("seen"):
            bad = not its >= before
        else:
            bad = not its <= before + (LATER_MIN if name.endswith("delay") else 0)
        if bad:
            said.append(f"{name}: {its}, stored {before}")
    return said


def stored() -> dict[str, float]:
    """The figures stored beside this file."""
    return short_form.stored(STORED)


def main(arguments: Sequence[str]) -> int:
    return short_form.compare(measured(), STORED, worse, arguments)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
