"""What is believed of a heat-up before its curve is seen: wide for an unknown one, physical for an engine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from probe_agent.thermal.network import PER_PLACE, SHARED, Array

MODEL_VERSION = 2

Spreads = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Believed:
    """A normal distribution of parameters of a network, by their names: what is believed of them in place of
    a prior's own. mean: (k,); covariance: (k, k)."""

    names: tuple[str, ...]
    mean: Array
    covariance: Array


@dataclass(frozen=True, slots=True)
class Prior:
    """A normal distribution of the network's parameters and the noise around the network.

    shared_mean: (s,), shared_factor: (s, s) with covariance factor·factorᵀ, in the order of SHARED.
    place_mean, place_sd: of log mass, log heat, log film, log hub, plume and offset [°C] of any place;
    place_shift: what a place's own mean is more than place_mean, and the factor on its spread of the plume.
    usual_rise_c: rise over ambient at which the couplings are meant, 0 where they don't grow with it;
    reading_sd_c: one reading's error;
    discrepancy: error of the network as a share of the rise so far;
    wander_sd, wander_s: log losses wander so far about the day's, with this memory (wind, leaks; None:
    half the time passed); power_sd: relative error of the coming heat;
    air_sd_c_per_sqrt_h: wandering of the coming ambient; core_lag_s: median lag of the unprobed core,
    None for a share of the time scale; core_sump_share: share of the sump in what surrounds it;
    comes_back: chance that a heater that stopped comes back at all;
    interrupted_per_h: how often heat is interrupted for some minutes (common practice, no source);
    rest_sd_c: spread of the metal's temperatures in an engine at rest;
    sister: what another aircraft of the same kind lets believe of this one (`sister.believing`).
    """

    name: str
    shared_mean: Array
    shared_factor: Array
    place_mean: Spreads
    place_sd: Spreads
    place_shift: Mapping[str, Spreads] = field(default_factory=dict)
    usual_rise_c: float = 40.0
    reading_sd_c: float = 0.15
    discrepancy: float = 0.01
    wander_sd: float = 0.1
    wander_s: float | None = None
    power_sd: float = 0.05
    core_lag_s: float | None = None
    core_sump_share: float = 0.0
    air_sd_c_per_sqrt_h: float = 0.3
    comes_back: float = 0.6
    interrupted_per_h: float = 0.0
    rest_sd_c: float = 0.12
    is_engine: bool = False
    sister: Believed | None = None

    def mean(self, places: Sequence[str]) -> Array:
        """Prior mean of the parameters of these places: (p,)."""
        usual = np.repeat(np.array(self.place_mean)[:, None], len(places), axis=1)
        shifts = np.array([self.place_shift.get(p, (0.0,) * 6) for p in places]).T
        return np.concatenate([self.shared_mean, (usual + shifts).ravel(), np.zeros(len(places))])

    def factor(self, places: Sequence[str], start_sd_c: Sequence[float]) -> Array:
        """Factor of the prior covariance: (p, p). start_sd_c: spread of each start temperature."""
        n, shared = len(places), len(SHARED)
        factor = np.zeros((shared + n * len(PER_PLACE),) * 2)
        factor[:shared, :shared] = self.shared_factor
        spreads = np.repeat(np.array(self.place_sd)[:, None], n, axis=1)
        # A probe that may lie by a heater part is uncertain by about what it may read too much.
        plume = PER_PLACE.index("plume_c")
        spreads[plume] += [self.place_shift[p][plume] if p in self.place_shift else 0.0 for p in places]
        index = np.arange(shared, len(factor))
        factor[index, index] = np.concatenate([spreads.ravel(), np.asarray(start_sd_c)])
        return factor


def _generic() -> Prior:
    """Time scale from a minute to a day, plateau from a few to a few hundred degrees; the other times
    are believed as shares of the time scale, whatever that is. Judgement, no source."""
    time_scale, plateau = np.log(np.sqrt(60.0 * 86_400.0)), np.log(50.0)
    mean = np.array(
        [
            time_scale,
            plateau - time_scale,
            time_scale + np.log(0.06),
            np.log(0.35),
            time_scale + np.log(0.2),
            time_scale + np.log(0.1),
            0.0,
            np.log(0.5),
            np.log(0.1),
            time_scale + np.log(0.05),
            np.log(0.1),
            np.log(0.1),
            0.0,
            0.0,
            0.0,
            0.0,
        ]
    )
    spread = np.array([1.8, 0.9, 0.9, 0.8, 0.8, 0.8, 0.7, 0.7, 0.7, 0.7, 0.7, 0.7, 0.1, 0.5, 0.5, 1.0])
    factor = np.diag(spread)
    factor[1, 0] = -spread[0]
    factor[[2, 4, 5, 9], 0] = spread[0]
    return Prior("generic", mean, factor, (0.0,) * 6, (0.4, 0.6, 0.4, 0.4, 0.1, 0.1))


GENERIC = _generic()

_CAPACITY_J_PER_K = {
    # From memory, no source: dry engine with its oil and accessories, cold cowl not counted.
    "opposed-4": 105e3,
    "opposed-6": 160e3,
    "in-line": 110e3,
    "v": 190e3,
    "radial": 230e3,
    "other": 120e3,
}
# From memory, no source, as the rest of what is told of kinds of engines and heaters here.
_AREA_M2 = {"opposed-4": 1.0, "opposed-6": 1.35, "in-line": 1.0, "v": 1.5, "radial": 1.9, "other": 1.1}

_HEATERS = {
    # kind: (share of the watts that reaches the engine, air share against a place's, lag [s], loss against
    # a cowl's of its size): blown air carries heat out with it, still air round a pad keeps it in.
    "fixed-pad": (0.85, 0.3, 240.0, 0.72),
    "pads-and-bands": (0.85, 0.3, 200.0, 0.72),
    "cowl-heater": (0.6, 4.0, 240.0, 0.8),
    "ducted-air": (0.5, 4.0, 180.0, 1.65),
    "combustion": (0.35, 4.0, 120.0, 1.65),
}

_CORE_SUMP_SHARE = {"fixed-pad": 0.2, "pads-and-bands": 0.08}  # judgement, no source
_LOG_OFF_LOSS = {"ducted-air": (-0.5, 0.4), "combustion": (-0.6, 0.5)}  # blown air carries heat out


_OF_AN_ENGINE = ("cyl", "case", "crank", "sump", "oil", "accessory")  # how its places' names begin
_USUAL_SPREAD = (0.63, 0.5, 0.85, 0.5, 0.75, 0.75, 0.75, 0.85, 0.63, 0.75, 0.75, 0.75, 0.15, 0.7, 0.7, 1.0)
_UNTOLD_SPREAD = (0.75, 0.9, 1.0, 0.6, 0.75, 0.75, 1.1, 1.4, 0.7, 0.75, 0.75, 0.75, 0.4, 0.7, 0.7, 1.0)


def capacity_j_per_k(layout: str, cooling: str) -> float:
    """Heat capacity [J/K] of an engine of this layout with its oil; from memory, no source."""
    capacity = _CAPACITY_J_PER_K.get(layout, _CAPACITY_J_PER_K["other"])
    return 1.15 * capacity if cooling == "liquid" else capacity


def engine_prior(
    layout: str,
    cooling: str,
    heater_kind: str,
    watts: float,
    cover: bool,
    plugs: bool,
    hangar: str,
    places: Sequence[str],
    near_heater: Sequence[str] = (),
) -> Prior:
    """The physical prior of a described setup.

    watts: heater power [W]; hangar: outside, unheated or heated. Names as in the settings; an unknown
    layout or heater counts as "other" and as a fixed pad. Capacities from memory, loss figures from
    common practice with no source; both are wide.
    """
    capacity = capacity_j_per_k(layout, cooling)
    area = _AREA_M2.get(layout, _AREA_M2["other"])
    share, air, lag, carried_out = _HEATERS.get(heater_kind, _HEATERS["fixed-pad"])
    off_loss, off_loss_sd = _LOG_OFF_LOSS.get(heater_kind, (0.0, 0.15))
    loss = area * (6.0 if cover else 10.5) * (0.88 if plugs else 1.0) * (1.1 if hangar == "outside" else 0.95)
    loss *= carried_out
    prior = _of_an_engine(capacity, loss, watts * share, lag, 0.5 if cover else 2.5, air, off_loss)
    spread = np.array(_USUAL_SPREAD)
    spread[SHARED.index("log_off_loss")] = off_loss_sd
    near = (0.0, 0.7, 0.0, 0.0, 1.5, 0.0)
    return replace(
        prior,
        shared_factor=np.diag(spread),
        place_shift={p: near for p in places if p in near_heater},
        usual_rise_c=0.0 if heater_kind in _LOG_OFF_LOSS else 25.0,
        core_sump_share=_CORE_SUMP_SHARE.get(heater_kind, 0.0),
    )


def untold_engine_prior() -> Prior:
    """The prior of an engine of which nobody told heater and cover: any kind of heat of some 150 W to 3 kW,
    covered or not, and wide accordingly. Judgement, no source."""
    prior = _of_an_engine(_CAPACITY_J_PER_K["other"], 7.5 * _AREA_M2["other"], 500.0, 200.0, 1.0, 1.0, -0.2)
    return replace(prior, core_sump_share=0.1)


def are_of_an_engine(places: Sequence[str]) -> bool:
    """Whether the names of these places are an engine's."""
    return any(p.startswith(_OF_AN_ENGINE) for p in places)


def _of_an_engine(
    capacity: float, loss: float, watts: float, lag_s: float, shell: float, air: float, off_loss: float
) -> Prior:
    """An engine with untold spreads. capacity [J/K], loss [W/K], watts [W] that reach it."""
    mean = np.array(
        [
            np.log(capacity / loss),
            np.log(watts / capacity),
            np.log(lag_s),
            np.log(0.25),
            np.log(2400.0),
            np.log(2400.0),
            np.log(shell),
            np.log(air),
            np.log(0.12),
            np.log(600.0),
            np.log(0.12),
            np.log(0.15),
            off_loss,
            0.0,
            0.0,
            0.0,
        ]
    )
    return Prior(
        "engine",
        mean,
        np.diag(_UNTOLD_SPREAD),
        (0.0, 0.0, 0.0, 0.0, 0.2, 0.0),
        (0.5, 0.9, 0.5, 0.5, 0.3, 0.25),
        usual_rise_c=25.0,
        discrepancy=0.009,
        wander_sd=0.12,
        power_sd=0.02,
        wander_s=3600.0,
        core_lag_s=2400.0,
        comes_back=0.7,
        interrupted_per_h=0.03,
        is_engine=True,
    )
