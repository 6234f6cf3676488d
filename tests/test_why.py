"""Clearance and viscosity against worked figures from outside."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.thermal.clearance import (
    CAST_ALUMINIUM_PER_K,
    CRANK_STEEL_PER_K,
    clearance_change,
    clearance_change_mm,
)
from probe_agent.thermal.viscosity import Oil, viscosity_mm2_s

ROWS = [(-20, -20, -0.0221), (-5, -5, -0.0138), (7, 7, -0.0072), (7, -3, 0.0002), (-5, 5, -0.0212)]
"""Case °C, shaft °C, mm: computed for a 60 mm bearing from Callister's Table B.6, against 20/20 °C."""


@pytest.mark.parametrize(("case_c", "shaft_c", "mm"), ROWS)
def test_the_clearance_changes_as_computed_elsewhere(case_c: float, shaft_c: float, mm: float) -> None:
    assert clearance_change_mm(case_c, shaft_c, 60.0) == pytest.approx(mm, abs=0.00005)


def test_a_housing_cooled_by_forty_degrees() -> None:
    """356.0 housing, 4340 shaft, 60 mm, 40 K: 60 x (21.5 - 12.3)e-6 x 40 = 0.022 mm."""
    assert clearance_change_mm(-20.0, -20.0, 60.0) == pytest.approx(-0.02208, abs=1e-6)
    assert (CAST_ALUMINIUM_PER_K, CRANK_STEEL_PER_K) == (21.5e-6, 12.3e-6)  # Callister, Table B.6


def test_the_share_is_of_the_clearance_that_was_told() -> None:
    change = clearance_change(-20.0, -20.0, 60.0, 0.06)
    assert change.share == pytest.approx(-0.368, abs=0.001)
    assert clearance_change(-20.0, -20.0).share is None


SEEN = Oil(32.0, 5.4, -40.0)
"""A worked example: with 273.15 K, 8.533 mm²/s at 80 °C, 336 at 0 °C, 2291 at -20 °C."""


@pytest.mark.parametrize(("c", "mm2_s", "within"), [(80, 8.533, 0.002), (0, 336, 0.7), (-20, 2291, 5)])
def test_the_viscosity_is_that_of_a_worked_example(c: float, mm2_s: float, within: float) -> None:
    found = viscosity_mm2_s(SEEN, c)
    assert found == pytest.approx(mm2_s, abs=within)


def test_its_constants_are_those_of_the_worked_example() -> None:
    """A 9.5308, B 3.7466 with T = t + 273.15: log log Z at two temperatures gives them back."""
    z = [math.log10(math.log10((viscosity_mm2_s(SEEN, c) or 0.0) + 0.7)) for c in (20.0, 60.0)]
    t = [math.log10(c + 273.15) for c in (20.0, 60.0)]
    b = (z[0] - z[1]) / (t[1] - t[0])
    assert b == pytest.approx(3.7466, abs=0.002)
    assert z[0] + b * t[0] == pytest.approx(9.5308, abs=0.005)


def test_below_the_pour_point_it_is_unknown() -> None:
    oil = Oil(110.0, 14.5, -18.0)
    assert viscosity_mm2_s(oil, -18.1) is None
    assert viscosity_mm2_s(oil, -18.0) is not None


@given(st.floats(10, 400), st.floats(0.05, 0.5), st.floats(-40, 140), st.floats(0.1, 20))
def test_an_oil_thins_as_it_warms(at_40: float, ratio: float, c: float, more: float) -> None:
    oil = Oil(at_40, max(2.0, at_40 * ratio), -40.0)
    cold, warm = viscosity_mm2_s(oil, c), viscosity_mm2_s(oil, c + more)
    assert cold is not None
    assert warm is not None
    assert cold > warm


@given(st.floats(10, 400), st.floats(0.05, 0.5))
def test_the_two_figures_of_the_data_sheet_come_back(at_40: float, ratio: float) -> None:
    oil = Oil(at_40, max(2.0, at_40 * ratio), -30.0)
    assert viscosity_mm2_s(oil, 40.0) == pytest.approx(oil.at_40_mm2_s, rel=1e-4)
    assert viscosity_mm2_s(oil, 100.0) == pytest.approx(oil.at_100_mm2_s, rel=2e-3)


@pytest.mark.parametrize("figures", [(14.0, 110.0, -18.0), (110.0, 1.0, -18.0), (110.0, 14.0, 45.0)])
def test_figures_that_are_no_oils_are_refused(figures: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="40 °C"):
        Oil(*figures)
