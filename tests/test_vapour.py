"""Vapour pressure, dew and frost point against published tables and an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws._iapws import _Sublimation_Pressure
from iapws.iapws97 import _PSat_T
from scipy.optimize import brentq

from probe_agent.thermal.vapour import (
    dew_point_c,
    frost_point_c,
    over_ice_pa,
    over_water_pa,
    saturation_pa,
)


def reference_pa(c: float) -> float:
    """By the library iapws: R14-08 over ice below 0.01 °C, R7-97 over water above."""
    t_k = c + 273.15
    return 1e6 * float(_Sublimation_Pressure(t_k) if t_k < 273.16 else _PSat_T(t_k))


ICE_IAPWS = [(-40, 12.84), (-30, 38.01), (-20, 103.24), (-10, 259.87), (-5, 401.74), (0, 611.15)]
"""°C, Pa: IAPWS R14-08 as computed by the library iapws 1.5.5."""
WATER_IAPWS = [(0, 611.21), (5, 872.6), (10, 1228.2), (20, 2339.2), (30, 4246.7), (40, 7384.4), (60, 19945.8)]
"""°C, Pa: IAPWS R7-97 as computed by the library iapws 1.5.5."""
ICE_WMO = [(-40, 12.85), (-30, 38.03), (-20, 103.26), (-10, 259.87), (-5, 401.74), (0, 611.20)]
WATER_WMO = [
    (-40, 19.02),
    (-20, 125.97),
    (-10, 287.03),
    (0, 611.2),
    (10, 1226.0),
    (30, 4233.7),
    (50, 12345.2),
]
"""°C, Pa: WMO-No. 8 Annex 4.B, computed by its formulas."""
PUBLISHED = [(-60, 1.08), (-20, 103.24), (-5, 401.74), (5, 872.6), (25, 3169.7), (50, 12351.3)]
"""°C, Pa: ASHRAE Fundamentals 2017, ch. 1, Table 3; over ice below 0 °C."""
DEW_POINTS = [(25, 50, 13.85), (20, 60, 12.00), (10, 80, 6.71), (40, 50, 27.60)]
"""Air °C, relative humidity over water %, dew point °C: psychrolib and CoolProp agree on them."""
OVER_ICE_TOO = [(0, 90, -1.27), (-5, 80, -7.59), (-10, 70, -13.96), (-20, 70, -23.66)]
"""The same where humidity and frost point are both taken over ice."""
OVER_WATER_TOO = [(0, 90, -1.45), (-5, 80, -7.92), (-10, 70, -14.44), (-20, 70, -24.07)]


@pytest.mark.parametrize(("c", "pa"), ICE_IAPWS)
def test_ice_agrees_with_the_reference_equation(c: float, pa: float) -> None:
    assert over_ice_pa(c) == pytest.approx(pa, rel=0.0008)


@pytest.mark.parametrize(("c", "pa"), WATER_IAPWS)
def test_water_agrees_with_the_reference_equation(c: float, pa: float) -> None:
    assert over_water_pa(c) == pytest.approx(pa, rel=0.0031)


@pytest.mark.parametrize(("c", "pa"), ICE_WMO)
def test_ice_is_the_formula_named(c: float, pa: float) -> None:
    assert over_ice_pa(c) == pytest.approx(pa, abs=0.006)


@pytest.mark.parametrize(("c", "pa"), WATER_WMO)
def test_water_is_the_formula_named(c: float, pa: float) -> None:
    assert over_water_pa(c) == pytest.approx(pa, abs=0.06)


@pytest.mark.parametrize(("c", "pa"), PUBLISHED)
def test_a_surface_agrees_with_a_published_table(c: float, pa: float) -> None:
    assert saturation_pa(c) == pytest.approx(pa, rel=0.0035)


@given(st.floats(-40, 60))
def test_a_surface_agrees_with_an_independent_library(c: float) -> None:
    assert saturation_pa(c) == pytest.approx(reference_pa(c), rel=0.0035)


@pytest.mark.parametrize(("air_c", "percent", "dew_c"), DEW_POINTS + OVER_WATER_TOO)
def test_the_dew_point_is_over_water_as_reports_give_it(air_c: float, percent: float, dew_c: float) -> None:
    assert dew_point_c(percent / 100 * over_water_pa(air_c)) == pytest.approx(dew_c, abs=0.02)


@pytest.mark.parametrize(("air_c", "percent", "frost_c"), OVER_ICE_TOO)
def test_the_frost_point_is_over_ice(air_c: float, percent: float, frost_c: float) -> None:
    assert frost_point_c(percent / 100 * over_ice_pa(air_c)) == pytest.approx(frost_c, abs=0.02)


def test_frost_begins_above_the_reported_dew_point() -> None:
    """Air -10 °C with dew point -14.4 °C (70 %): vapour 200.9 Pa, worked from WMO-No. 8."""
    vapour = 0.7 * over_water_pa(-10.0)
    assert vapour == pytest.approx(200.9, abs=0.05)
    assert dew_point_c(vapour) == pytest.approx(-14.44, abs=0.01)
    reference = brentq(lambda c: reference_pa(c) - 200.9, -40.0, 0.0)
    assert frost_point_c(vapour) == pytest.approx(reference, abs=0.02)


@given(st.floats(-60, 80))
def test_each_is_the_inverse_of_its_curve(c: float) -> None:
    assert dew_point_c(over_water_pa(c)) == pytest.approx(c, abs=1e-9)
    assert frost_point_c(saturation_pa(c)) == pytest.approx(c, abs=1e-9)


def test_it_keeps_the_shape_it_is_given() -> None:
    assert saturation_pa(np.full((3, 2), -5.0)).shape == (3, 2)
