"""A short form of the forecast bench, against the figures stored beside it.

    python -m tests.bench.short_form            measure and compare
    python -m tests.bench.short_form --write    store what is measured now

Three quick setups of seed 1 with three heat-ups each, a row every 30 s: some 15 s on two cores. The
figures differ from the whole bench's; they only tell whether a change made the forecasts worse.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from tests.bench import tables
from tests.bench.course import PROGRESS, Course
from tests.bench.forecast import Plan, judge

Worse = Callable[[Mapping[str, float], Mapping[str, float]], list[str]]
"""Figures now and stored to what is worse by more than the tolerance, in words."""

SEED = 1
SETUPS = (0, 6, 7)
HEAT_UPS = 3
STORED = Path(__file__).with_suffix(".json")
WORSE = 1.25
"""How much larger than stored an error or a loss may be,"""
WORSE_MIN = 0.5
"""or by so much in minutes: other versions of the numerics choose other roundings."""
LESS_HELD = 0.10
"""How much smaller a share of held truths may be."""


def measured(cache: Path) -> list[Course]:
    """The courses of the short form."""
    plan = Plan(heat_ups=HEAT_UPS, every_s=30.0, look_every_s=900.0, oracle=False, cache=cache)
    return judge([SEED], SETUPS, plan, jobs=2)


def figures(courses: list[Course]) -> dict[str, float]:
    """What is compared: errors and losses [min], shares of truths held."""
    marks = tables.scored(courses)
    found = {f"error at {p:.0%}": tables.median_error(marks, p) for p in PROGRESS}
    found |= {"pinball": tables.loss(marks)}
    held = {"inside": tables.inside(marks), "core inside": tables.core_inside(marks)}
    return {name: round(figure, 3) for name, figure in (found | held).items()}


def worse(now: Mapping[str, float], stored: Mapping[str, float]) -> list[str]:
    """What is worse than stored by more than the tolerance, in words."""
    said = []
    for name, before in stored.items():
        if "inside" in name:
            if now[name] < before - LESS_HELD:
                said.append(f"{name}: {now[name]:.3f}, stored {before:.3f}")
        elif now[name] > max(WORSE * before, before + WORSE_MIN):
            said.append(f"{name}: {now[name]:.2f} min, stored {before:.2f} min")
    return said


def stored(file: Path = STORED) -> dict[str, float]:
    """The figures stored in a file, beside this one."""
    found: dict[str, float] = json.loads(file.read_text("utf-8"))
    return found


def compare(now: Mapping[str, float], file: Path, judge_worse: Worse, arguments: Sequence[str]) -> int:
    """Print figures and what is worse than the stored ones, or with --write store them: exit status."""
    print(json.dumps(now, indent=1))
    if "--write" in arguments:
        file.write_text(json.dumps(now, indent=1) + "\n", "utf-8")
        return 0
    said = judge_worse(now, stored(file))
    print("\n".join(said) if said else "none worse than stored")
    return 1 if said else 0


def main(arguments: Sequence[str]) -> int:
    with tempfile.TemporaryDirectory() as name:
        return compare(figures(measured(Path(name))), STORED, worse, arguments)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
