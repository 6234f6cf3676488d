"""The vocabulary every other module speaks: frozen, typed, with the unit in each name.

Instants inside a run are `t_s`, monotonic seconds of that run; they become UTC only where a
person or another program sees them. A missing value is None or a ProbeFault, never a number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Fault(StrEnum):
    """Why a probe has no usable value."""

    OPEN = "open"
    SHORT_GND = "short-gnd"
    SHORT_VDD = "short-vdd"
    MISSING = "missing"  # the address is not on the bus, or nobody has entered a value
    STALE = "stale"  # there was a value, it is too old
    IMPLAUSIBLE = "implausible"  # a number no probe on metal can have
    CHECKSUM = "checksum"
    POWER_ON = "power-on"  # 85 °C that is the chip's power-on content
    WEAK_SUPPLY = "weak-supply"  # 127.94 °C from too little power during the conversion
    LINE_LOW = "line-low"  # nine zero bytes: the data line is held low
    UNCONFIRMED = "unconfirmed"  # a jump, or exactly 85.0 °C out of nowhere: waits for the next readings
    NO_ANSWER = "no-answer"  # the bus did not answer before its deadline


class Method(StrEnum):
    """How a temperature was taken."""

    PROBE = "probe"
    INFRARED = "infrared"
    CONTACT = "contact"


@dataclass(frozen=True, slots=True)
class Reading:
    """One temperature from one address.

    raw_c is the number the converter, file or person gave; value_c the same after the source's own
    physics (linearisation), before the owner's dated offset correction, which the agent applies.
    """

    address: str
    t_s: float
    raw_c: float
    value_c: float
    cold_c: float | None = None
    method: Method = Method.PROBE


@dataclass(frozen=True, slots=True)
class ProbeFault:
    """One address that gave no value, and why. `detail` is for the owner: raw bytes, file, bus; raw_c: the
    number that isn't believed, for the record."""

    address: str
    t_s: float
    fault: Fault
    detail: str = ""
    cold_c: float | None = None
    raw_c: float | None = None


@dataclass(frozen=True, slots=True)
class Scan:
    """All a source has to say at one instant.

    heater: measured heater power as a share 0…1 of its full power; None where nobody measures it.
    """

    t_s: float
    samples: tuple[Reading | ProbeFault, ...]
    heater: float | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """What is known of one place at one instant.

    value_c is None unless status is "ok" or "by-hand"; otherwise status is a Fault's value.
    reads_heater_c: how much of its value is the heater's warmth, by its heater-off tests; less_c: how
    much of that has to come off now.
    """

    place: str
    status: str
    value_c: float | None
    age_s: float | None = None
    trend_c_per_h: float | None = None
    required: bool = True
    near_heater: bool = False
    reads_heater_c: float = 0.0
    less_c: float = 0.0

    @property
    def counted_c(self) -> float | None:
        """What it counts as when the coldest point is looked for."""
        return None if self.value_c is None else self.value_c - self.less_c

    @property
    def usable(self) -> bool:
        return self.value_c is not None


@dataclass(frozen=True, slots=True)
class Observation:
    """One row of temperatures as the physics sees it; absent places are simply not in values_c.

    heater: share 0…1 of full power; None when unknown. sigma_c: 1σ measuring error of a place where
    it is not the ordinary probe's (hand readings).
    """

    t_s: float
    values_c: Mapping[str, float]
    ambient_c: float | None = None
    heater: float | None = None
    sigma_c: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Fan:
    """Futures of the coldest required point: equally long tuples, times in run seconds, °C."""

    t_s: tuple[float, ...] = ()
    low_c: tuple[float, ...] = ()
    mid_c: tuple[float, ...] = ()
    high_c: tuple[float, ...] = ()


class SignKind(StrEnum):
    """What may be seen of a heat-up, or look like one. Later ones are added, none renamed."""

    HEATER_ON = "heater-on"
    HEATER_STOPPED = "heater-stopped"
    HEATER_RESUMED = "heater-resumed"
    TOO_WEAK = "too-weak"  # clearly slower than this setup at like cold
    LEVELLING_OFF = "levelling-off"
    ONE_COLD = "one-cold"  # a cylinder behind its neighbours and behind what this setup shows
    DETACHED = "detached"  # a place that leaves what its metal can do
    TOO_HOT = "too-hot"
    UNPLUGGED = "unplugged"  # all required places open at once
    OIL_OUT = "oil-out"  # as said by a person
    FLOWN = "flown"  # just landed: warm without a heat-up
    SUN = "sun"  # warms beyond its air, no heater
    WARM_AIR = "warm-air"  # pushed into a warm hangar
    COLD_AIR = "cold-air"  # a door opened, or pushed outside
    COVER_OFF = "cover-off"  # cools faster in the same air: cover gone, or a wind
    WARMED_OTHERWISE = "warmed-otherwise"  # sun or warm air; nobody measures the air
    COOLS_FASTER = "cools-faster"  # door, cover or wind; nobody measures the air
    ENGINE_RUNS = "engine-runs"  # all cylinders rise as no heater can raise them
    ENGINE_RAN = "engine-ran"  # and what follows, until its places have evened out


@dataclass(frozen=True, slots=True)
class Sign:
    """One of them, since when [run s], and of which place where it is one's."""

    kind: SignKind
    since_s: float
    place: str | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """What the physics expects at t_s. Every instant is in run seconds, None where there is none.

    coldest, coldest_c: the coldest of the required places that have a value (None: none has).
    above_*: when the minimum over all required places passes the target; quantiles over sampled
    futures in which never counts as never. above_p90 None with above_p50 given: open end. Where the
    50 % would be never but p_reach ≥ 0.1, p10 and p50 are those of the futures that get there.
    p_reach: chance that it happens within 10 h of heater-on. plateau_c: low, middle, high of where
    the coldest required place levels off if heating goes on. core_c: low, middle, high (10/50/90 %)
    of the unprobed core, estimated. heating: the heater warms, does not, or unknown.
    below_*: after heater-off, when the minimum falls under the target again.
    core_above_*: when the core passes the need-limit, same rules. set_aside: places whose values the
    physics does not believe at present (detached, implausible). signs: what the curve shows.
    """

    t_s: float
    coldest: str | None = None
    coldest_c: float | None = None
    above_p10: float | None = None
    above_p50: float | None = None
    above_p90: float | None = None
    p_reach: float = 0.0
    plateau_c: tuple[float, float, float] | None = None
    core_c: tuple[float, float, float] | None = None
    core_above_p: float = 0.0
    """Chance that the core is above the need-limit now."""
    core_above_p50: float | None = None
    core_above_p90: float | None = None
    heating: bool | None = None
    heater_on_at: float | None = None
    heater_off_at: float | None = None
    below_p10: float | None = None
    below_p50: float | None = None
    below_p90: float | None = None
    set_aside: tuple[str, ...] = ()
    trends_c_per_h: Mapping[str, float] = field(default_factory=dict)
    fan: Fan = field(default_factory=Fan)
    first_of_setup: bool = True
    model_version: int = 1
    signs: tuple[Sign, ...] = ()


class State(StrEnum):
    """The states a viewer can see. Later ones are added, none renamed."""

    COLD = "cold"
    HEATING = "heating"
    ABOVE_TARGET = "above-target"
    READY = "ready"
    LEVELLING_OFF = "levelling-off"
    HEATER_STOPPED = "heater-stopped"
    TOO_HOT = "too-hot"
    PROBE_MISSING = "probe-missing"
    COOLING = "cooling"
    FLOWN_COOLING = "flown-cooling"
    OFF = "off"
    OIL_OUT = "oil-out"
    ENGINE_RUNS = "engine-runs"
    ENGINE_RAN = "engine-ran"


@dataclass(frozen=True, slots=True)
class Transition:
    """A change of state: when it truly happened, from what, to what, and why in plain words."""

    t_s: float
    old: State | None
    new: State
    reason: str


@dataclass(frozen=True, slots=True)
class WeatherHour:
    """The air at the station of a weather source at one instant, told or observed.

    at: UTC [s]; cloud: cover, a share 0…1. What the source doesn't tell is None.
    """

    at: float
    air_c: float
    wind_m_s: float | None = None
    dew_c: float | None = None
    cloud: float | None = None


@dataclass(frozen=True, slots=True)
class Weather:
    """What one weather source said when it was last heard.

    source: "hourly", "metar", "topic" or "typed"; taken_at: when we heard it, issued_at: when it was made
    or, of an observation, taken (UTC [s]); hours: strictly rising, at least one. Those up to issued_at
    are observed, later ones are told ahead.
    """

    source: str
    taken_at: float
    issued_at: float
    hours: tuple[WeatherHour, ...]

    @property
    def reaches_at(self) -> float:
        """The last instant it speaks of (UTC [s])."""
        return self.hours[-1].at
