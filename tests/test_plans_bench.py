"""The bench of plans in its short form: its truth is one, and plans stand by it."""

from __future__ import annotations

import pytest

from tests.bench import plans
from tests.bench.heatups import draw_setup
from tests.bench.plans import Morning

SETUP = draw_setup(1, 0)


@pytest.fixture(scope="module")
def mornings() -> list[Morning]:
    """Two nights of one setup, planned before its first heat-up; the forecast of the air has no error."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plans, "wandering", lambda start, sd, memory_s, begin_s, t_s, shocks: 0 * shocks)
        return [m for night in range(2) for m in plans.live_night(SETUP, night, {0: None})]


def test_the_truly_latest_switch_on_keeps_the_start_and_ten_minutes_later_does_not() -> None:
    night = plans.draw_night(SETUP, 0)
    engine, evening_s, start_s = night.engine, night.evening_s, night.start_s
    engine.advance_to(evening_s)
    latest_s = plans.truly_latest_s(engine, SETUP.required, start_s)
    assert latest_s is not None
    assert engine.t_s == evening_s
    assert plans.is_kept(engine, SETUP.required, start_s - latest_s, start_s)
    assert not plans.is_kept(engine, SETUP.required, start_s - latest_s + 600.0, start_s)


def test_more_certainty_is_earlier_on_every_night(mornings: list[Morning]) -> None:
    for m in mornings:
        told = [t for c in ("8/10", "9/10", "19/20") if (t := m.told_s[c]) is not None]
        assert told == sorted(told)


def test_the_surest_switch_on_keeps_these_starts(mornings: list[Morning]) -> None:
    """Two nights tell little of 19 in 20; all of them lost would tell that something is broken."""
    pairs = [(t, m.latest_s) for m in mornings if (t := m.told_s["9/10"]) is not None and m.latest_s]
    assert pairs
    assert sum(t >= latest for t, latest in pairs) >= len(pairs) - 1


def test_told_the_air_as_it_comes_the_cold_soak_is_known_to_some_degrees(mornings: list[Morning]) -> None:
    """One may have flown the evening before: what is left is how the engine cools, and its air's offset."""
    told = [m for m in mornings if m.air == "told"]
    assert len(told) == 2
    for m in told:
        assert m.coldest_c == pytest.approx(m.band_c[1], abs=3.0)
        assert m.band_c[0] < m.band_c[1] < m.band_c[2]


def test_the_tables_have_every_night(mornings: list[Morning]) -> None:
    text = "\n".join(plans.report(mornings))
    assert "air own, first heat-up of the setup, 2 mornings" in text
    assert "air told, first heat-up of the setup, 2 mornings" in text
    assert plans.interval(9, 10) == "0.90 (0.65-0.98), 10"
