"""Kinematic viscosity of an oil from the two figures of its data sheet, by ASTM D341."""

from __future__ import annotations

import math
from dataclasses import dataclass

_KELVIN = 273.15


@dataclass(frozen=True, slots=True)
class Oil:
    """An oil by its data sheet: viscosity [mm²/s] at 40 and 100 °C, pour point [°C].

    Raises ValueError where the figures can't be one oil's.
    """

    at_40_mm2_s: float
    at_100_mm2_s: float
    pour_point_c: float

    def __post_init__(self) -> None:
        if not 2.0 <= self.at_100_mm2_s < self.at_40_mm2_s:
            raise ValueError("an oil is thinner at 100 °C than at 40 °C, and not below 2 mm²/s")
        if not self.pour_point_c < 40.0:
            raise ValueError("a pour point lies below 40 °C")


def viscosity_mm2_s(oil: Oil, temp_c: float) -> float | None:
    """Viscosity [mm²/s] at temp_c; None below the pour point, where the equation is not valid (from memory)
    and the oil may not flow at all.

    Source: ASTM D341: log log Z = A - B log T, T in kelvin, Z = v + 0.7 + exp(-1.47 - 1.84 v - 0.51 v²).
    """
    if temp_c < oil.pour_point_c:
        return None
    low, high = math.log10(40.0 + _KELVIN), math.log10(100.0 + _KELVIN)
    at_low, at_high = _double_log(oil.at_40_mm2_s), _double_log(oil.at_100_mm2_s)
    slope = (at_low - at_high) / (high - low)
    z = float(10**10 ** (at_low - slope * (math.log10(temp_c + _KELVIN) - low))) - 0.7
    return z - math.exp(-0.7487 - 3.295 * z + 0.6119 * z**2 - 0.3193 * z**3)


def _double_log(mm2_s: float) -> float:
    small = math.exp(-1.47 - 1.84 * mm2_s - 0.51 * mm2_s**2)
    return math.log10(math.log10(mm2_s + 0.7 + small))
