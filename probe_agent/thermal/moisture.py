"""Where water would settle: vapour over warm oil against the coldest inner metal, damp air, tomorrow's frost.

Oil holds water. Warmed, it gives it off; where the inner metal is colder than that vapour's frost point, it
settles there. What this tells is an indicator of that, not a measurement: nobody measures the vapour, how
much water the oil holds, or the core. Temperatures °C, pressures hPa.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from probe_agent.readings import WeatherHour
from probe_agent.thermal.vapour import frost_point_c, over_water_pa, saturation_pa

Three = tuple[float, float, float]
"""Low, middle, high."""

OIL_PLACES = ("sump", "oil-tank")
EVEN_K = 1.0
"""Metal that lies less than this under the vapour's frost point counts as dry: probes can't tell it."""
COVER_SHARE: Three = (0.3, 0.15, 0.0)
"""How much of the way from its cylinder to the outside air a rocker cover lies: coldest, middle, warmest
(judgement, no source; nobody probes it)."""
DRYER_LEAVES = 0.3
"""What a desiccant dryer leaves of the vapour (judgement; that it helps is common practice, no source)."""
DRIES_HPA_H = 1000.0
"""An engine held warm dries through its breather: by 1/e when oil has stood so much over the outside air's
vapour for so long (judgement, no source)."""
COLD_AGAIN_K = 5.0
"""Oil so near to its air again has taken back what ran down, and the case has drawn in damp air (judgement,
no source)."""
DAMP_SHARES: Three = (0.4, 0.6, 0.8)
"""Relative humidity of a hangar's air where nobody measures it (judgement, no source)."""
SKY_K = 4.0
"""How much colder than the air a wing gets under a clear calm sky (judgement, from memory)."""
CALM_M_S = 3.0


@dataclass(frozen=True, slots=True)
class Wetting:
    """How strongly water settles now. hpa: vapour pressure in excess of what the coldest inner metal holds,
    low, middle, high of what the metal may be; under_k: how far that metal lies under the frost point, by
    its middle, 0 where it doesn't."""

    hpa: Three
    under_k: float


DRY = Wetting((0.0, 0.0, 0.0), 0.0)


def oil_c(values_c: Mapping[str, float]) -> float | None:
    """The oil's temperature among the places; None where it isn't measured."""
    return next((values_c[p] for p in OIL_PLACES if p in values_c), None)


def coldest_inner_c(values_c: Mapping[str, float], core_c: Three | None, air_c: float | None) -> Three | None:
    """The coldest inner metal [°C], low, middle, high: of the estimated core, the case's top where it is
    probed, and the rocker covers, which lie between their cylinders and the outside air.

    None without an estimated core: the coldest probe alone would understate what settles.
    """
    if core_c is None:
        return None
    heads = [c for place, c in values_c.items() if place.startswith("cyl-")]
    head_c = min(heads, default=math.inf)
    top_c = values_c.get("case-top", math.inf)
    outside_c = head_c if air_c is None else min(air_c, head_c)
    low, middle, high = (
        min(core, top_c, head_c + share * (outside_c - head_c) if heads else math.inf)
        for core, share in zip(core_c, COVER_SHARE, strict=True)
    )
    return low, middle, high


def wetting(oil: float, inner_c: Three, gives: float = 1.0, dryer: bool = False) -> Wetting:
    """How strongly the oil's water settles on inner metal.

    oil [°C]; inner_c as from `coldest_inner_c`; gives: how much of the vapour over water the oil still gives
    off, 0…1.
    """
    return _settling(gives * (DRYER_LEAVES if dryer else 1.0) * _hpa(oil), inner_c)


def damp_air_wetting(air_c: float, metal_c: float) -> Wetting:
    """How strongly the water of a hangar's air settles on metal that was pushed in cold: low, middle, high
    by the humidity it may have."""
    low, middle, high = (_settling(share * _hpa(air_c), (metal_c, metal_c, metal_c)) for share in DAMP_SHARES)
    return Wetting((low.hpa[1], middle.hpa[1], high.hpa[1]), middle.under_k)


def gives_after(gives: float, oil: float, air_c: float | None, dt_s: float) -> float:
    """How much of its water's vapour the oil gives off dt_s later: all of it once it is as cold as its air,
    less and less while it is held warm. air_c None: it isn't known to dry."""
    if air_c is None or oil <= air_c + COLD_AGAIN_K:
        return 1.0
    over_hpa = max(0.0, gives * _hpa(oil) - _hpa(air_c))
    return gives * math.exp(-over_hpa * dt_s / 3600.0 / DRIES_HPA_H)


def _hpa(temp_c: float) -> float:
    return float(saturation_pa(temp_c)) / 100.0


def _settling(vapour_hpa: float, inner_c: Three) -> Wetting:
    """The warmest of what the metal may be settles least."""
    if vapour_hpa <= 0:
        return DRY
    point_c = float(frost_point_c(100.0 * vapour_hpa))
    high, middle, low = (vapour_hpa - _hpa(metal) if point_c - metal > EVEN_K else 0.0 for metal in inner_c)
    under_k = point_c - inner_c[1]
    return Wetting((low, middle, high), under_k if under_k > EVEN_K else 0.0)


@dataclass(frozen=True, slots=True)
class FrostAhead:
    """Frost or dew on the aircraft's skin. kind: frost, dew, none, unknown (no humidity is told), roof (it
    doesn't stand outside). sure: already where the skin is as warm as the air, not only under a clear sky.
    at: the first instant [UTC s]; skin_c: the coldest skin then looked at; point_c: the air's frost or dew
    point at that instant [°C]."""

    kind: str
    sure: bool = False
    at: float | None = None
    skin_c: float | None = None
    point_c: float | None = None


def frost_ahead(hours: Sequence[WeatherHour], since_at: float, until_at: float, outside: bool) -> FrostAhead:
    """Whether the aircraft's skin takes frost or dew between two instants [UTC s], by the hours told for the
    station. Judgement, no source, but for dew and frost point."""
    if not outside:
        return FrostAhead("roof")
    told = [h for h in hours if since_at <= h.at <= until_at and h.dew_c is not None]
    if not told:
        return FrostAhead("unknown")
    for sure in (True, False):
        wet = [found for h in told if (found := _on_skin(h, sure)) is not None]
        if wet:
            frozen = [found for found in wet if found.kind == "frost"]
            return (frozen or wet)[0]
    return FrostAhead("none")


def _on_skin(hour: WeatherHour, as_warm_as_air: bool) -> FrostAhead | None:
    assert hour.dew_c is not None
    cloud = 0.0 if hour.cloud is None else hour.cloud
    calm = hour.wind_m_s is None or hour.wind_m_s < CALM_M_S
    skin_c = hour.air_c if as_warm_as_air or not calm else hour.air_c - SKY_K * (1.0 - cloud)
    point_c = float(frost_point_c(over_water_pa(hour.dew_c)))  # reports give the dew point over water
    if skin_c >= point_c:
        return None
    kind = "frost" if skin_c < 0 else "dew"
    return FrostAhead(kind, as_warm_as_air, hour.at, skin_c, point_c)
