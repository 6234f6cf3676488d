"""Heat balance of probed places, hidden masses and an enclosure, for many parameter sets at once.

Every probed place is one mass. Two hubs join them: the air inside the enclosure, without mass, which
loses heat to ambient, and the case, the crankcase's metal that no probe sees, through which heat is
conducted. The core is a hidden mass on the case that also loses heat to ambient (propeller); the shell is
a hidden mass on the enclosure's air (cowl, exhaust). A heater lag of two equal stages stands between the
heater's signal and its heat.

Temperatures do not change when all capacities, conductances and powers are scaled together, so the
total capacity is 1 and the power is a warming rate [°C/s]. Sources: lumped capacitance as in any text
on heat transfer (e.g. Incropera et al., ch. 5); elimination of massless nodes is Kron reduction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STAGES = 2
"""The heater's lag is a chain of this many equal stages: a dead time that isn't sharp."""

SHARED = (
    "log_time_scale_s",  # total capacity / total loss to ambient
    "log_rate_c_per_s",  # warming rate at full power without losses
    "log_lag_s",  # heater signal to heat
    "log_core_ratio",  # core capacity / capacity of the probed places
    "log_core_time_s",  # time constant of the core against a fixed case
    "log_hub_time_s",  # time constant of the probed places against a fixed case
    "log_enclosure_ratio",  # enclosure-to-ambient over metal-to-enclosure conductance
    "log_air_share",  # heat released to the enclosure air, against that of an average place
    "log_shell_ratio",  # shell capacity / capacity of the probed places
    "log_shell_time_s",  # time constant of the shell against fixed enclosure air
    "log_core_loss",  # conductance core to ambient / core to case
    "log_case_ratio",  # case capacity / capacity of the probed places
    "log_off_loss",  # losses with the heater off / with it on
    "ambient_offset_c",  # effective ambient less the value told (or, untold, the coldest start)
    "core_offset_c",  # core less the mean of the places, at the start
    "on_shift",  # heater-on later than assumed, in units of the assumed uncertainty
)
PER_PLACE = (
    "log_mass",
    "log_heat",
    "log_film",
    "log_hub",
    "plume_c",  # what the probe reads above its metal at full heat
    "offset_c",  # what the probe always reads above its metal
    "start_offset_c",  # metal at the start above what the first readings said
)
HIDDEN = 3
"""Masses no probe sees, after the places: core, case, shell."""


def of_place(theta: Array, name: str, n: int) -> Array:
    """One group of PER_PLACE of each parameter vector: (b, n)."""
    begin = len(SHARED) + PER_PLACE.index(name) * n
    return theta[:, begin : begin + n]


def parameter_names(places: Sequence[str]) -> tuple[str, ...]:
    """Names of the parameter vector: the shared ones, then five groups of one value a place."""
    return SHARED + tuple(f"{name}:{place}" for name in PER_PLACE for place in places)


@dataclass(frozen=True, slots=True)
class Network:
    """dz/dt = a z with z = (stages of lagged heat…, places…, core, case, shell, heater share, ambient);
    (b, m, m).

    The last two are inputs: their rows are zero, so a step keeps them until they are set anew.
    """

    a: Array


def build(theta: Array, n: int) -> Network:
    """The network of each parameter vector. theta: (b, p) in the order of `parameter_names`."""
    logs = theta[:, : SHARED.index("log_off_loss")]
    t0, rate, lag, ratio, core_t, hub_t, enclosure, air, shell, shell_t, core_loss, case = np.exp(logs).T
    mass, heat, film, hub = (np.exp(of_place(theta, name, n)) for name in PER_PLACE[:4])
    whole = 1 + ratio + shell + case
    probed = mass / (whole * mass.sum(1))[:, None]
    hidden = np.stack([ratio, case, shell], axis=1) / whole[:, None]
    c = np.concatenate([probed, hidden], axis=1)
    nodes = n + HIDDEN
    film = film * probed
    film *= ((1 + enclosure) / (enclosure * t0 * film.sum(1)))[:, None]
    none = np.zeros((len(theta), 2))
    film = np.concatenate([film, none, (hidden[:, 2] / shell_t)[:, None]], axis=1)
    leak = (1 + enclosure) / t0
    to_core = hidden[:, 0] / core_t
    g = np.concatenate([hub * probed / hub_t[:, None], to_core[:, None]], axis=1)
    k = np.zeros((len(theta), nodes, nodes))
    joined = np.arange(n + 1)
    k[:, joined, joined] = g
    k[:, joined, n + 1] = k[:, n + 1, joined] = -g
    k[:, n + 1, n + 1] = g.sum(1)
    k[:, n, n] += core_loss * to_core
    to_air = film.sum(1) + leak
    diagonal = np.arange(nodes)
    k[:, diagonal, diagonal] += film
    k -= film[:, :, None] * (film / to_air[:, None])[:, None, :]
    total = heat.sum(1) + air * n
    q = film * (air * n / total / to_air)[:, None]
    q[:, :n] += heat / total[:, None]
    from_ambient = film * (leak / to_air)[:, None]
    from_ambient[:, n] += core_loss * to_core
    a = np.zeros((len(theta), STAGES + nodes + 2, STAGES + nodes + 2))
    for stage in range(STAGES):
        a[:, stage, stage] = -STAGES / lag
        a[:, stage, stage - 1 if stage else -2] = STAGES / lag
    inner = slice(STAGES, STAGES + nodes)
    a[:, inner, inner] = -k / c[:, :, None]
    a[:, inner, STAGES - 1] = q * rate[:, None] / c
    a[:, inner, -1] = from_ambient / c
    return Network(a)


def transition(a: Array, dt_s: float | Array) -> Array:
    """exp(a·dt), by scaling and squaring of a Taylor series of eighth order.

    a: (b, m, m) [1/s]. Exact to rounding for constant inputs. Source: Moler and Van Loan, Nineteen
    dubious ways to compute the exponential of a matrix, method 3 (from memory).
    """
    x = a * dt_s
    norm = float(np.abs(x).sum(-1).max(initial=0.0))
    halvings = max(0, int(np.ceil(np.log2(max(norm, 1e-300) / 0.5))))
    x = x / 2.0**halvings
    identity = np.broadcast_to(np.eye(x.shape[-1]), x.shape)
    result = identity + x / 8
    for order in range(7, 0, -1):
        result = identity + (x @ result) / order
    for _ in range(halvings):
        result = result @ result
    return result


def effective_air(places: Array, air: Array, usual_rise_c: float, loss: Array | float = 1.0) -> Array:
    """Air temperature at which constant coupling loses what the true one does at this rise.

    Losses by free convection grow with the fourth root of the temperature difference (laminar boundary
    layer, e.g. Incropera et al., ch. 9); the network's couplings hold at `usual_rise_c`, 0 for any.
    loss: factor on the losses besides (wind, leaks). places: (b, n), air: (b,), loss: (b,). Bounded where
    the rise is far from usual.
    """
    rise = np.add.reduce(places, axis=1) / places.shape[1] - air
    if usual_rise_c:
        loss = loss * np.sqrt(np.sqrt(np.minimum(np.abs(rise) / usual_rise_c, 4.0)))
    return np.asarray(air - (loss - 1.0) * rise)


def simulate(
    phi: Array,
    z0: Array,
    heater: Array,
    ambient: Array,
    usual_rise_c: float = 0.0,
    loss: Array | None = None,
) -> Array:
    """States at the borders of k equal cells: (b, k + 1, m).

    phi: (b, m, m) transition over one cell; z0: (b, m); heater, ambient: (b, k), constant in a cell;
    usual_rise_c, loss (b, k): see `effective_air`.
    """
    steps = heater.shape[1]
    states = np.empty((len(z0), steps + 1, z0.shape[1]))
    inner = np.ascontiguousarray(phi[:, :-2, :-2])
    by_heater, by_air = phi[:, :-2, -2], phi[:, :-2, -1]
    z = z0[:, :-2, None]
    states[:, 0] = z0
    states[:, 1:, -2], states[:, 1:, -1] = heater, ambient
    driven = by_heater[:, None, :] * heater[:, :, None]
    for k in range(steps):
        air = ambient[:, k]
        if loss is not None or usual_rise_c:
            air = effective_air(
                z[:, STAGES:-HIDDEN, 0], air, usual_rise_c, 1.0 if loss is None else loss[:, k]
            )
        z = inner @ z
        z[:, :, 0] += driven[:, k] + by_air * air[:, None]
        states[:, k + 1, :-2] = z[:, :, 0]
    return states
