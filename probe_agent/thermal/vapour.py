"""Water vapour: saturation pressure over water and ice, dew and frost point. Scalars or arrays, °C and Pa.

Below 0 °C a surface takes frost from the frost point on, which is higher than the dew point that weather
reports give there (over water). Mixing the two shifts results by up to half a degree.
"""

from __future__ import annotations

import numpy as np

from probe_agent.thermal.network import Array

_WATER = (611.2, 17.62, 243.12)
_ICE = (611.2, 22.46, 272.62)


def over_water_pa(temp_c: Array | float) -> Array:
    """Saturation pressure [Pa] over water at temp_c, also below 0 °C. Shape as given.

    Source: WMO-No. 8, Annex 4.B. Within 0.31 % of IAPWS R7-97 from 0 to 60 °C.
    """
    return _curve(_WATER, temp_c)


def over_ice_pa(temp_c: Array | float) -> Array:
    """Saturation pressure [Pa] over ice at temp_c. Shape as given.

    Source: WMO-No. 8, Annex 4.B. Within 0.07 % of IAPWS R14-08 from -40 to 0 °C.
    """
    return _curve(_ICE, temp_c)


def saturation_pa(temp_c: Array | float) -> Array:
    """Saturation pressure [Pa] over what lies on a surface of temp_c: ice below 0 °C, else water."""
    cold = np.asarray(temp_c, dtype=float)
    return np.where(cold < 0, over_ice_pa(cold), over_water_pa(cold))


def dew_point_c(vapour_pa: Array | float) -> Array:
    """Dew point [°C] over water, as weather reports give it, of air with this vapour pressure [Pa, > 0]."""
    return _inverse(_WATER, vapour_pa)


def frost_point_c(vapour_pa: Array | float) -> Array:
    """Temperature [°C] at which a surface begins to take water or, below 0 °C, frost from air with this
    vapour pressure [Pa, > 0]."""
    pa = np.asarray(vapour_pa, dtype=float)
    return np.where(pa < _ICE[0], _inverse(_ICE, pa), _inverse(_WATER, pa))


def _curve(of: tuple[float, float, float], temp_c: Array | float) -> Array:
    base, a, b = of
    t = np.asarray(temp_c, dtype=float)
    return np.asarray(base * np.exp(a * t / (b + t)))


def _inverse(of: tuple[float, float, float], vapour_pa: Array | float) -> Array:
    base, a, b = of
    log = np.log(np.asarray(vapour_pa, dtype=float) / base)
    return np.asarray(b * log / (a - log))
