"""Where water settles: the rows of the trade, and what must hold for any temperatures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.readings import WeatherHour
from probe_agent.thermal.moisture import (
    EVEN_K,
    coldest_inner_c,
    damp_air_wetting,
    frost_ahead,
    gives_after,
    oil_c,
    wetting,
)

WARM_PROBES = {f"cyl-{n}": 7.0 for n in range(1, 5)} | {"case-top": 7.0, "sump": 12.0}
CORE = (-5.0, -3.0, -1.0)


def test_warm_probes_alone_understate_what_settles_on_a_cold_core() -> None:
    """Probes +7, core -3, oil 12 °C. Vapour over water at 12 °C 14.0 hPa; at 7 °C 10.0 hPa; over ice at
    -3 °C 4.76 hPa: published tables (ASHRAE Fundamentals 2017, ch. 1, Table 3, from memory)."""
    inner = coldest_inner_c(WARM_PROBES, CORE, 5.0)
    assert inner is not None
    assert inner[1] == -3.0
    by_core, by_probes = wetting(12.0, inner), wetting(12.0, (7.0, 7.0, 7.0))
    assert by_core.hpa[1] == pytest.approx(14.0 - 4.76, abs=0.1)
    assert by_probes.hpa[1] == pytest.approx(14.0 - 10.0, abs=0.1)
    assert by_core.hpa[1] > 2 * by_probes.hpa[1]
    assert by_core.under_k == pytest.approx(15.0, abs=0.1)


def test_the_range_is_as_wide_as_the_cores() -> None:
    inner = coldest_inner_c(WARM_PROBES, CORE, 5.0)
    assert inner is not None
    low, middle, high = wetting(12.0, inner).hpa
    assert low < middle < high
    sure = coldest_inner_c(WARM_PROBES, (-3.0, -3.0, -3.0), 5.0)
    assert sure is not None
    assert len(set(wetting(12.0, sure).hpa)) == 1


def test_without_an_estimated_core_nothing_is_told() -> None:
    assert coldest_inner_c(WARM_PROBES, None, -10.0) is None


def test_a_cold_case_top_counts_though_the_core_is_warm() -> None:
    values = {**WARM_PROBES, "case-top": -6.0}
    inner = coldest_inner_c(values, (4.0, 5.0, 6.0), None)
    assert inner == (-6.0, -6.0, -6.0)


def test_rocker_covers_lie_between_their_cylinder_and_the_air() -> None:
    inner = coldest_inner_c({"cyl-1": 20.0, "cyl-2": 10.0}, (30.0, 30.0, 30.0), -10.0)
    assert inner == pytest.approx((4.0, 7.0, 10.0))


def test_the_oil_is_measured_or_it_is_not_known() -> None:
    assert oil_c({"sump": 0.0}) == 0.0
    assert oil_c({"oil-tank": 3.0, "cyl-1": 9.0}) == 3.0
    assert oil_c({"cyl-1": 9.0}) is None


@given(st.floats(-30, 60), st.floats(-30, 60), st.floats(0, 20))
def test_warmer_oil_or_colder_metal_never_settles_less(oil: float, metal: float, more: float) -> None:
    here = wetting(oil, (metal,) * 3).hpa[1]
    assert wetting(oil + more, (metal,) * 3).hpa[1] >= here
    assert wetting(oil, (metal - more,) * 3).hpa[1] >= here


@given(st.floats(-30, 60), st.floats(0, EVEN_K - 0.01))
def test_an_even_engine_is_dry_at_any_temperature(oil: float, less: float) -> None:
    assert wetting(oil, (oil - less,) * 3).hpa == (0.0, 0.0, 0.0)


@given(st.floats(-20, 60), st.floats(2, 30))
def test_a_dryer_lowers_it(oil: float, less: float) -> None:
    metal = (oil - less,) * 3
    assert wetting(oil, metal, dryer=True).hpa[1] < wetting(oil, metal).hpa[1]


def test_below_zero_both_sides_are_ice() -> None:
    """-5 °C 4.017 and -20 °C 1.032 hPa over ice: ASHRAE Fundamentals 2017, ch. 1, Table 3."""
    assert wetting(-5.0, (-20.0,) * 3).hpa[1] == pytest.approx(4.017 - 1.032, abs=0.005)


def test_oil_held_warm_gives_off_less_and_less_and_all_again_once_cold() -> None:
    gives = 1.0
    for _ in range(48):
        gives = gives_after(gives, 30.0, -10.0, 3600.0)
    assert 0.05 < gives < 0.4
    assert gives_after(gives, -7.0, -10.0, 60.0) == 1.0
    assert gives_after(1.0, 30.0, None, 86_400.0) == 1.0


def test_it_does_not_dry_below_the_airs_own_vapour() -> None:
    gives = 1.0
    for _ in range(5000):
        gives = gives_after(gives, 20.0, 10.0, 3600.0)
    assert gives == pytest.approx(1228.2 / 2339.2, abs=0.01)  # IAPWS R7-97 at 10 and 20 °C


def test_cold_metal_in_warm_damp_air_takes_water_from_the_air() -> None:
    """At 12 °C and 60 % the dew point is 4.5 °C (WMO-No. 8 by its formula)."""
    assert damp_air_wetting(12.0, -8.0).under_k == pytest.approx(12.5, abs=0.2)
    assert damp_air_wetting(12.0, 8.0).hpa[1] == 0.0
    low, middle, high = damp_air_wetting(12.0, -8.0).hpa
    assert low < middle < high


def hours(air_c: float, dew_c: float | None, cloud: float | None = None, wind: float | None = 1.0) -> list:
    return [WeatherHour(3600.0 * n, air_c, wind, dew_c, cloud) for n in range(12)]


def test_frost_where_even_a_skin_as_warm_as_the_air_lies_below_the_frost_point() -> None:
    """Air -10.0 with dew point -10.2 °C: the frost point is -9.1 °C, over the air's temperature."""
    found = frost_ahead(hours(-10.0, -10.2), 0.0, 40_000.0, True)
    assert (found.kind, found.sure, found.at) == ("frost", True, 0.0)
    assert found.point_c == pytest.approx(-9.1, abs=0.1)


def test_a_clear_calm_sky_brings_frost_that_clouds_or_wind_keep_away() -> None:
    found = frost_ahead(hours(-5.0, -8.0, 0.0), 0.0, 40_000.0, True)
    assert (found.kind, found.sure) == ("frost", False)
    assert frost_ahead(hours(-5.0, -8.0, 1.0), 0.0, 40_000.0, True).kind == "none"
    assert frost_ahead(hours(-5.0, -8.0, 0.0, wind=6.0), 0.0, 40_000.0, True).kind == "none"


def test_dew_above_zero_frost_below() -> None:
    assert frost_ahead(hours(8.0, 6.0, 0.0), 0.0, 40_000.0, True).kind == "dew"
    assert frost_ahead(hours(3.0, 1.0, 0.0), 0.0, 40_000.0, True).kind == "frost"


def test_without_humidity_or_under_a_roof_it_says_so() -> None:
    assert frost_ahead(hours(-5.0, None), 0.0, 40_000.0, True).kind == "unknown"
    assert frost_ahead(hours(-5.0, -5.0), 50_000.0, 60_000.0, True).kind == "unknown"
    assert frost_ahead(hours(-5.0, -5.0), 0.0, 40_000.0, False).kind == "roof"
