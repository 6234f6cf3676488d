"""How much of the heat spent was in the engine at heater-off: m·c·ΔT of the learned engine, and its range."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from probe_agent.thermal.memory import Memory, setup_prior
from probe_agent.thermal.moisture import Three
from probe_agent.thermal.network import PER_PLACE, SHARED
from probe_agent.thermal.prior import Prior

CAPACITY_SD = 0.15
"""Relative spread of a dry engine's heat capacity with its oil about that of its layout (from memory)."""
_DRAWS = 512
_CORE = 1.2816  # standard normal at 90 %


def gained_j(
    prior: Prior,
    memory: Memory | None,
    places: Sequence[str],
    capacity_j_per_k: float,
    rises_k: Mapping[str, float],
    core_rise_k: Three,
) -> Three | None:
    """What the engine took up [J]: 10, 50, 90 %.

    rises_k: rise of each place measured at both instants; core_rise_k: of the estimated core, 10, 50, 90 %.
    How the capacity is shared over places, case and core is the setup's, learned where it was; how large
    it is as a whole is its layout's, because temperatures alone don't tell it. None without a rise.
    """
    seen = [i for i, p in enumerate(places) if p in rises_k]
    if not seen:
        return None
    rng = np.random.default_rng(20_230_107)
    mean, covariance = setup_prior(prior, memory, places)
    theta = rng.multivariate_normal(mean, covariance, _DRAWS, method="eigh")
    begin = len(SHARED) + PER_PLACE.index("log_mass") * len(places)
    mass = np.exp(theta[:, begin : begin + len(places)])[:, seen]
    of_core, of_case = (np.exp(theta[:, SHARED.index(n)]) for n in ("log_core_ratio", "log_case_ratio"))
    probed_k = (mass @ np.array([rises_k[places[i]] for i in seen])) / mass.sum(1)
    spread = (core_rise_k[2] - core_rise_k[0]) / (2 * _CORE)
    core_k = core_rise_k[1] + spread * rng.standard_normal(_DRAWS)
    rise_k = (probed_k * (1 + of_case) + core_k * of_core) / (1 + of_case + of_core)
    capacity = capacity_j_per_k * np.exp(CAPACITY_SD * rng.standard_normal(_DRAWS))
    low, middle, high = (float(q) for q in np.quantile(capacity * rise_k, (0.1, 0.5, 0.9)))
    return low, middle, high
