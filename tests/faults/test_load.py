"""Fifty phones ask for two minutes while the daemon samples."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.bench.load import GIVES_UP_S, measure, report


@pytest.mark.long
def test_fifty_phones_cost_no_tick(tmp_path: Path) -> None:
    quiet, ticks, polls = measure(tmp_path, 50, 120.0)
    print(f"\nwithout phones: latest {quiet.late_s:.2f} s after its time\n{report(ticks, polls)}")
    assert ticks.count >= 23
    assert ticks.missed == 0
    assert ticks.late_s < 1.0
    assert polls.failed == []
    assert len(polls.took_s) >= 50 * 22
    assert polls.quantile_s(1.0) < GIVES_UP_S
