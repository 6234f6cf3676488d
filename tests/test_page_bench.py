"""What Now weighs, in the ordinary suite; the rest of tests/bench/page.py needs a quiet machine."""

from __future__ import annotations

from pathlib import Path

from tests.bench.page import fill, weigh


def test_now_and_a_poll_stay_within_their_weight(tmp_path: Path) -> None:
    fill(tmp_path / "store.db")
    figures = weigh(tmp_path)
    assert len(figures) == 2
    assert [str(f) for f in figures if f.value > f.most] == []
    assert all(f.value > 0.2 for f in figures)
