"""A simulated engine: a heat network of some two dozen masses, for the demo, tests and benches.

It stands where the cold metal and its probes would: `SimulatedEngine.read` answers as converters do
(offsets, noise, quarter degrees, lag, faults), `truth` and `core_c` tell what no probe sees. Every
figure is an estimate of the size of real parts, from memory, no source; what is exact is the book-
keeping: heater and sun energy equals stored heat plus losses.

An engine is drawn once (`EngineDesign`), a setup is one heater and cover on it (`SetupDesign`,
stable over heat-ups), a day brings air, wind, mains voltage and how well the cover went on (`Day`).
Everything is reproducible from seeds. Times are run seconds [s], temperatures °C.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from probe_agent.readings import Fault, ProbeFault, Reading, Scan

Array = NDArray[np.float64]
Layout = Literal["opposed-4", "opposed-6", "in-line-4", "radial-7"]
HeaterKind = Literal["fixed-pad", "pads-and-bands", "cowl-heater", "ducted-air", "combustion"]
Hangar = Literal["outside", "unheated", "heated"]

LAYOUTS: tuple[Layout, ...] = get_args(Layout)
HEATER_KINDS: tuple[HeaterKind, ...] = get_args(HeaterKind)

AIR = "outside-air"  # the two boundaries: what surrounds the aircraft, and what its skin radiates to
SKY = "sky"

_KELVIN = 273.15
_STEFAN_BOLTZMANN = 5.670374419e-8
_STEP_S = 15.0
_STEPS_IN_A_JUMP = 4000  # a clock that jumps by months costs no more than this
_GAMMA = 1.0 - math.sqrt(0.5)
_SHELTER: Mapping[Hangar, float] = {"outside": 1.0, "unheated": 0.08, "heated": 0.02}


# ------------------------------------------------------------------------------------------ design


class Path(StrEnum):
    """What a link between two masses is, which says what changes it."""

    METAL = "metal"
    OIL = "oil"  # convection in oil, weaker as it thickens
    INSIDE = "inside"  # to the cowl's air: stronger while a blower runs
    RISING = "rising"  # air to air: strong when the lower one (a) is warmer, weak when it is not
    SKIN = "skin"  # outside of the cowl: the cover lies on it
    LEAK = "leak"  # air through inlets and gaps: plugs and cover close it
    PROPELLER = "propeller"  # outside of everything a cover reaches
    BODY = "body"  # through firewall, mount and ducts
    BLOWN = "blown"  # only while a blower runs


@dataclass(frozen=True, slots=True)
class Link:
    """A way for heat between masses a and b.

    metal [W/K] always there; convection [W/K at 1 K] times |difference|^power; radiation [m²] the
    emissivity times area; wind [W/K at 1 m/s] times wind^wind_power.
    """

    a: str
    b: str
    path: Path
    metal: float = 0.0
    convection: float = 0.0
    radiation: float = 0.0
    wind: float = 0.0
    power: float = 0.25
    wind_power: float = 0.6

    def scaled(self, factor: float) -> Link:
        return replace(
            self,
            metal=self.metal * factor,
            convection=self.convection * factor,
            radiation=self.radiation * factor,
            wind=self.wind * factor,
        )


@dataclass(frozen=True, slots=True)
class EngineDesign:
    """One engine in its cowl: heat capacities [J/K] by mass, and the links between them.

    oil_40_mm2_s: kinematic viscosity of its oil at 40 °C [mm²/s].
    """

    layout: Layout
    cylinders: int
    j_per_k: Mapping[str, float]
    links: tuple[Link, ...]
    oil_40_mm2_s: float = 110.0

    @staticmethod
    def nominal(layout: Layout = "opposed-4") -> EngineDesign:
        """The engine of this layout with no spread."""
        if layout not in LAYOUTS:
            raise ValueError(f"layout {layout!r}: one of {', '.join(LAYOUTS)}")
        cylinders = int(layout.rsplit("-", 1)[1])
        size = cylinders / 4 * (0.9 if cylinders > 4 else 1.0)
        return EngineDesign(
            layout, cylinders, _masses(layout, cylinders, size), tuple(_engine_links(layout, cylinders, size))
        )

    @staticmethod
    def draw(layout: Layout, rng: np.random.Generator) -> EngineDesign:
        """An engine of this layout, its capacities spread by 10 %, its links by 25 %."""
        plain = EngineDesign.nominal(layout)
        size = _spread(rng, 0.08)
        return replace(
            plain,
            j_per_k={mass: c * size * _spread(rng, 0.10) for mass, c in plain.j_per_k.items()},
            links=tuple(link.scaled(_spread(rng, 0.25)) for link in plain.links),
            oil_40_mm2_s=110.0 * _spread(rng, 0.30),
        )

    def engine_j_per_k(self) -> float:
        """Heat capacity [J/K] of engine and oil, without propeller, cowl and its air."""
        return sum(c for mass, c in self.j_per_k.items() if mass not in _NOT_ENGINE)


_NOT_ENGINE = frozenset({"hub", "blades", "air-lower", "air-upper", "skin", "firewall"})


def _spread(rng: np.random.Generator, relative: float) -> float:
    """A factor about 1, log-normal, bounded at 2.5 σ."""
    return math.exp(relative * float(np.clip(rng.standard_normal(), -2.5, 2.5)))


def _masses(layout: Layout, cylinders: int, size: float) -> dict[str, float]:
    masses = {
        "crank": 7600 * size,
        "saddles": 6000 * size,
        "case-top": 6900 * size,
        "case-bottom": 6900 * size,
        "case-nose": 3600 * size,
        "accessory-case": 10500 * size,
        "sump": 5500 * size,
        "oil": 12500 * size,
        "oil-cooler": 2600 * size,
        "exhaust": 5200 * size,
        "hub": 3800 * size,
        "blades": 13000 * size,
        "air-upper": 450 * size,
        "air-lower": 450 * size,
        "skin": 6500 * size,
        "firewall": 7000 * size,
    }
    for n in range(1, cylinders + 1):
        masses[f"cyl-{n}"] = 6300
        masses[f"cyl-{n}-barrel"] = 3100
    if layout == "radial-7":  # dry sump: the oil stands in a tank on the firewall
        masses["oil-tank"] = 3000 * size
    return masses


def _engine_links(layout: Layout, cylinders: int, size: float) -> Iterable[Link]:
    yield from _metal_links(size)
    yield from _oil_links(layout, size)
    yield from _air_links(size)
    yield from _outside_links(size)
    for n in range(1, cylinders + 1):
        yield from _cylinder_links(n, cylinders, layout)


def _metal_links(size: float) -> Iterable[Link]:
    for a, b, w_per_k in (
        ("crank", "saddles", 4.8),
        ("crank", "hub", 2.4),
        ("hub", "blades", 3.0),
        ("hub", "case-nose", 0.5),
        ("saddles", "case-top", 9.0),
        ("saddles", "case-bottom", 9.0),
        ("case-top", "case-bottom", 11.0),
        ("case-top", "case-nose", 2.6),
        ("case-bottom", "case-nose", 2.6),
        ("case-top", "accessory-case", 2.6),
        ("case-bottom", "accessory-case", 3.2),
        ("sump", "case-bottom", 12.0),
        ("sump", "accessory-case", 2.0),
        ("oil-cooler", "accessory-case", 0.6),
        ("accessory-case", "firewall", 0.9),
    ):
        yield Link(a, b, Path.METAL, metal=w_per_k * size)


def _oil_links(layout: Layout, size: float) -> Iterable[Link]:
    holder = "oil-tank" if layout == "radial-7" else "sump"
    yield Link("oil", holder, Path.OIL, metal=7.0 * size, convection=11.0 * size)
    if holder == "sump":
        yield Link("oil", "case-bottom", Path.OIL, metal=0.5 * size, convection=0.5 * size)
        yield Link("oil", "crank", Path.OIL, metal=0.15 * size, convection=0.1 * size)
    else:
        yield Link(holder, "firewall", Path.METAL, metal=1.0 * size)
        yield Link(holder, "air-lower", Path.INSIDE, convection=0.9 * size, radiation=0.03)
        yield Link(holder, "sump", Path.METAL, metal=0.5 * size)


def _air_links(size: float) -> Iterable[Link]:
    for mass, lower, upper, radiation in (
        ("case-top", 0.0, 0.75, 0.05),
        ("case-bottom", 0.45, 0.0, 0.03),
        ("case-nose", 0.20, 0.20, 0.03),
        ("accessory-case", 0.45, 0.40, 0.05),
        ("sump", 0.65, 0.0, 0.06),
        ("oil-cooler", 0.35, 0.25, 0.03),
        ("exhaust", 1.30, 0.10, 0.06),
        ("firewall", 0.50, 0.50, 0.10),
    ):
        if lower:
            yield Link(mass, "air-lower", Path.INSIDE, convection=lower * size)
        if upper:
            yield Link(mass, "air-upper", Path.INSIDE, convection=upper * size)
        if mass != "firewall":
            yield Link(mass, "skin", Path.METAL, radiation=radiation * size)
    yield Link("air-lower", "skin", Path.INSIDE, convection=2.6 * size)
    yield Link("air-upper", "skin", Path.INSIDE, convection=2.6 * size)
    yield Link("air-lower", "air-upper", Path.RISING, metal=1.0 * size, convection=5.0 * size, power=0.5)


def _outside_links(size: float) -> Iterable[Link]:
    yield Link("skin", AIR, Path.SKIN, convection=4.2 * size, wind=5.5 * size)
    yield Link("skin", SKY, Path.SKIN, radiation=1.7 * size)
    leak = {"power": 0.5, "wind_power": 1.0}
    yield Link("air-lower", AIR, Path.LEAK, convection=1.1 * size, wind=2.0 * size, **leak)
    yield Link("air-upper", AIR, Path.LEAK, convection=1.3 * size, wind=2.4 * size, **leak)
    yield Link("blades", AIR, Path.PROPELLER, convection=1.7 * size, wind=4.0 * size)
    yield Link("blades", SKY, Path.PROPELLER, radiation=0.35 * size)
    yield Link("hub", AIR, Path.PROPELLER, convection=0.35 * size, wind=0.5 * size)
    yield Link("firewall", AIR, Path.BODY, metal=2.6 * size, wind=0.2 * size)


def _cylinder_links(n: int, cylinders: int, layout: Layout) -> Iterable[Link]:
    head, barrel = f"cyl-{n}", f"cyl-{n}-barrel"
    front, rear = n <= 2, n > cylinders - 2
    yield Link(head, barrel, Path.METAL, metal=8.0)
    if layout == "radial-7":
        low = 0.5 * (1 - math.cos(2 * math.pi * (n - 1) / cylinders))  # cylinder 1 stands on top
        yield Link(barrel, "case-nose", Path.METAL, metal=0.8)
        yield Link(barrel, "case-top" if low < 0.5 else "case-bottom", Path.METAL, metal=2.2)
    else:
        low = 0.45
        yield Link(barrel, "case-top", Path.METAL, metal=1.5)
        yield Link(barrel, "case-bottom", Path.METAL, metal=1.5)
        if front or rear:
            yield Link(barrel, "case-nose" if front else "accessory-case", Path.METAL, metal=0.3)
    yield Link(head, "air-upper", Path.INSIDE, convection=1.7 * (1 - low))
    yield Link(head, "air-lower", Path.INSIDE, convection=1.7 * low)
    yield Link(barrel, "air-upper", Path.INSIDE, convection=0.5 * (1 - low))
    yield Link(barrel, "air-lower", Path.INSIDE, convection=0.5 * low)
    yield Link(head, "skin", Path.METAL, radiation=0.05)
    yield Link(head, "exhaust", Path.METAL, metal=0.4)
    if front:  # stands in the draught of the inlets
        yield Link(head, AIR, Path.LEAK, convection=0.06, wind=0.10, power=0.5, wind_power=1.0)


# ------------------------------------------------------------------------------------------- setup


@dataclass(frozen=True, slots=True)
class Thermostat:
    """Cuts the heater when `mass` is above off_c, lets it in again below on_c [°C]."""

    mass: str
    off_c: float
    on_c: float


@dataclass(frozen=True, slots=True)
class SetupDesign:
    """One heater and cover on one engine, the same at each heat-up.

    watts: on the plate, at nominal voltage; lead_loss: share of the voltage lost in the lead;
    contact: factor on how well heater parts sit; shares: how the watts divide over the parts;
    cover_w_per_k: what the cover lets through at its best; plug_gap: share of the openings left
    with plugs in; hangar_c: air of a heated hangar [°C].
    """

    heater: HeaterKind = "pads-and-bands"
    watts: float = 650.0
    cover: bool = True
    plugs: bool = True
    hangar: Hangar = "outside"
    hangar_c: float = 12.0
    lead_loss: float = 0.02
    thermostat: Thermostat | None = None
    contact: float = 1.0
    pad_share: float = 0.40
    band_spread: tuple[float, ...] = ()
    recirculation: float = 0.4
    cover_w_per_k: float = 8.0
    plug_gap: float = 0.2

    def __post_init__(self) -> None:
        if self.heater not in HEATER_KINDS:
            raise ValueError(f"heater {self.heater!r}: one of {', '.join(HEATER_KINDS)}")
        if not 0 <= self.watts <= 50_000:
            raise ValueError("watts must be 0 to 50000")

    @staticmethod
    def draw(
        heater: HeaterKind,
        rng: np.random.Generator,
        *,
        watts: float | None = None,
        hangar: Hangar = "outside",
    ) -> SetupDesign:
        """A setup with this kind of heater: watts if not given, contact, cover and plugs drawn."""
        low, high = _WATTS[heater]
        forced = heater in _BLOWERS
        return SetupDesign(
            heater=heater,
            watts=float(rng.uniform(low, high)) if watts is None else watts,
            cover=bool(rng.random() < 0.8),
            plugs=not forced and bool(rng.random() < 0.8),
            hangar=hangar,
            hangar_c=float(rng.uniform(5, 15)),
            lead_loss=float(rng.uniform(0.0, 0.06)),
            contact=_spread(rng, 0.25),
            pad_share=float(rng.uniform(0.30, 0.50)),
            band_spread=tuple(_spread(rng, 0.08) for _ in range(9)),
            recirculation=float(rng.uniform(0.2, 0.7)),
            cover_w_per_k=8.0 * _spread(rng, 0.25),
            plug_gap=0.2 * _spread(rng, 0.4),
        )


_BLOWERS = frozenset({"ducted-air", "combustion"})
_WATTS: Mapping[HeaterKind, tuple[float, float]] = {
    "fixed-pad": (250, 500),
    "pads-and-bands": (450, 800),
    "cowl-heater": (300, 600),
    "ducted-air": (1000, 1800),
    "combustion": (5000, 10000),
}


@dataclass(frozen=True, slots=True)
class _Part:
    """A part of the heater: its mass [J/K], its share of the watts, its links."""

    name: str
    j_per_k: float
    share: float
    links: tuple[Link, ...]


def _pad(setup: SetupDesign, share: float) -> _Part:
    return _Part(
        "pad",
        350.0,
        share,
        (
            Link("pad", "sump", Path.METAL, metal=11.0 * setup.contact),
            Link("pad", "air-lower", Path.INSIDE, metal=0.8, convection=0.25),
        ),
    )


def _band(setup: SetupDesign, n: int, share: float) -> _Part:
    barrel = f"cyl-{n}-barrel"
    return _Part(
        f"band-{n}",
        140.0,
        share,
        (
            Link(f"band-{n}", barrel, Path.METAL, metal=4.5 * setup.contact),
            Link(f"band-{n}", "air-upper", Path.INSIDE, metal=0.25, convection=0.10),
            Link(f"band-{n}", "air-lower", Path.INSIDE, metal=0.25, convection=0.10),
        ),
    )


def _blower(setup: SetupDesign) -> _Part:
    big = setup.heater == "combustion"
    flow = 95.0 if big else 13.0  # W/K: mass flow times specific heat of the air blown in
    fresh = flow * (1.0 if big else 1.0 - setup.recirculation)
    return _Part(
        "heater",
        5000.0 if big else 1200.0,
        1.0,
        (
            Link("heater", "air-lower", Path.BLOWN, metal=1.5 * flow),
            Link("heater", "sump", Path.BLOWN, metal=(3.0 if big else 0.8) * setup.contact),
            Link("heater", AIR, Path.BODY, metal=4.0 if big else 1.0),
            Link("air-lower", "air-upper", Path.BLOWN, metal=flow),
            Link("air-upper", AIR, Path.BLOWN, metal=0.6 * fresh),
            Link("air-lower", AIR, Path.BLOWN, metal=0.4 * fresh),
        ),
    )


def _small_heater(setup: SetupDesign) -> _Part:
    return _Part(
        "heater",
        1600.0,
        1.0,
        (
            Link("heater", "air-lower", Path.INSIDE, metal=4.0, convection=1.2),
            Link("heater", "exhaust", Path.METAL, metal=0.5 * setup.contact, radiation=0.02),
            Link("heater", "skin", Path.METAL, radiation=0.03),
        ),
    )


def _heater_parts(setup: SetupDesign, cylinders: int) -> tuple[_Part, ...]:
    if setup.heater == "fixed-pad":
        return (_pad(setup, 1.0),)
    if setup.heater == "cowl-heater":
        return (_small_heater(setup),)
    if setup.heater in _BLOWERS:
        return (_blower(setup),)
    spread = [(*setup.band_spread, *[1.0] * cylinders)[n] for n in range(cylinders)]
    band_share = (1.0 - setup.pad_share) / sum(spread)
    return (
        _pad(setup, setup.pad_share),
        *(_band(setup, n, band_share * spread[n - 1]) for n in range(1, cylinders + 1)),
    )


# --------------------------------------------------------------------------------------------- day


@dataclass(frozen=True, slots=True)
class Profile:
    """A quantity over run time: straight lines between (t_s, value), level before and after."""

    t_s: tuple[float, ...]
    values: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.t_s) != len(self.values) or not self.t_s or np.any(np.diff(self.t_s) <= 0):
            raise ValueError("a profile needs equally many values and strictly increasing times")

    def __call__(self, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.values))

    @staticmethod
    def constant(value: float) -> Profile:
        return Profile((0.0,), (value,))


def _always(value: float) -> Callable[[], Profile]:
    return lambda: Profile.constant(value)


@dataclass(frozen=True, slots=True)
class Day:
    """What one day brings.

    ambient_c: outside air [°C]; wind_m_s: wind over the cowl [m/s]; voltage: relative to the
    heater's plate; sun_w: what the cowl takes up from the sun [W]; sky_below_air_k: how much colder
    than the air the sky looks [K], 0 under clouds; fit: factor on this day's leaks and cover losses.
    """

    ambient_c: Callable[[float], float] = field(default_factory=_always(-12.0))
    wind_m_s: Callable[[float], float] = field(default_factory=_always(1.5))
    voltage: Callable[[float], float] = field(default_factory=_always(1.0))
    sun_w: Callable[[float], float] = field(default_factory=_always(0.0))
    sky_below_air_k: float = 0.0
    fit: float = 1.0

    @staticmethod
    def draw(
        rng: np.random.Generator,
        *,
        ambient_c: float | None = None,
        hours: float = 36.0,
        start_h: float = -24.0,
    ) -> Day:
        """A winter day: air drifting about a mean, gusty wind, mains voltage wandering by some %."""
        t_s = np.arange(start_h * 3600, (start_h + hours + 24) * 3600, 600.0)
        mean_c = float(rng.uniform(-25, -3)) if ambient_c is None else ambient_c
        swing_k, peak_s = float(rng.uniform(0, 3)), float(rng.uniform(0, 86400))
        air = mean_c + swing_k * (
            np.cos(2 * np.pi * (t_s - peak_s) / 86400) - math.cos(2 * np.pi * peak_s / 86400)
        )
        air = air + _wander(rng, t_s.size, 0.4, 12)
        wind = float(rng.gamma(1.5, 1.6)) * np.exp(_wander(rng, t_s.size, 0.4, 4))
        volts = 1.0 + float(rng.normal(-0.01, 0.02)) + _wander(rng, t_s.size, 0.008, 3)
        times = tuple(t_s.tolist())
        return Day(
            ambient_c=Profile(times, tuple(air.tolist())),
            wind_m_s=Profile(times, tuple(wind.tolist())),
            voltage=Profile(times, tuple(np.clip(volts, 0.85, 1.08).tolist())),
            sky_below_air_k=float(rng.choice([0.0, rng.uniform(0, 12)])),
            fit=_spread(rng, 0.2),
        )


def _wander(rng: np.random.Generator, n: int, sigma: float, memory: float) -> Array:
    """A first-order autoregressive path of standard deviation sigma, memory in samples. Shape (n,)."""
    keep = math.exp(-1.0 / memory)
    kicks = rng.standard_normal(n) * sigma * math.sqrt(1 - keep * keep)
    path = np.empty(n)
    x = float(rng.standard_normal()) * sigma
    for i in range(n):
        path[i] = x
        x = keep * x + float(kicks[i])
    return path


# -------------------------------------------------------------------------------- probes and events


@dataclass(frozen=True, slots=True)
class ProbeDesign:
    """One probe at a place.

    offset_c its fixed error [°C]; noise_c 1 σ [°C]; step_c its resolution [°C], 0 for none; lag_s
    its time constant [s]; near_heat the share of the nearest heater part's temperature in what it
    feels; air the share of the air around it.
    """

    place: str
    offset_c: float = 0.0
    noise_c: float = 0.05
    step_c: float = 0.25
    lag_s: float = 20.0
    near_heat: float = 0.0
    air: float = 0.0

    @staticmethod
    def draw(place: str, rng: np.random.Generator, *, near_heat: bool = False) -> ProbeDesign:
        """A probe with offset within ±0.5 °C, and near_heat of 6–18 % where asked for."""
        return ProbeDesign(
            place,
            offset_c=float(np.clip(rng.normal(0, 0.25), -0.5, 0.5)),
            noise_c=float(rng.uniform(0.02, 0.1)),
            lag_s=float(rng.uniform(8, 40)),
            near_heat=float(rng.uniform(0.06, 0.18)) if near_heat else 0.0,
            air=0.0 if place == "ambient" else float(rng.uniform(0, 0.04)),
        )


class Happening(StrEnum):
    """What can befall heater, cover, surroundings and probes."""

    HEATER_ON = "heater-on"  # somebody switches it: value is the share of full power
    HEATER_OFF = "heater-off"
    HEATER_FAILS = "heater-fails"  # it stays switched on and gives nothing
    HEATER_MENDS = "heater-mends"
    COVER_ON = "cover-on"
    COVER_OFF = "cover-off"
    TO_OUTSIDE = "to-outside"  # the aircraft is pushed
    TO_UNHEATED = "to-unheated"
    TO_HEATED = "to-heated"
    DOOR_OPEN = "door-open"
    DOOR_SHUT = "door-shut"
    LANDED = "landed"  # it has flown, and was shut down this moment; value: share of the way to working heat
    ENGINE_STARTS = "engine-starts"  # it runs where it stands, uncovered: value 1 is a fast idle
    ENGINE_STOPS = "engine-stops"
    PROBE_DETACHED = "probe-detached"  # it hangs in the air beside its place
    PROBE_OPEN = "probe-open"
    PROBE_SHORT_GND = "probe-short-gnd"
    PROBE_SHORT_VDD = "probe-short-vdd"
    PROBE_MISSING = "probe-missing"
    PROBE_MENDS = "probe-mends"


@dataclass(frozen=True, slots=True)
class Event:
    """What happens at t_s [s]; place where it befalls a probe; value for a share of power, or of the way to
    working temperature."""

    t_s: float
    what: Happening
    place: str = ""
    value: float = 1.0


@dataclass(frozen=True, slots=True)
class Flown:
    """Start `hours` after an engine at working temperature was shut down."""

    hours: float


_WORKING_C: Mapping[str, float] = {
    "cyl-": 115.0,
    "oil": 85.0,
    "oil-tank": 80.0,
    "exhaust": 200.0,
    "hub": 45.0,
    "blades": 5.0,
    "skin": 15.0,
    "air-": 45.0,
    "firewall": 20.0,
}
_WORKING_ELSE_C = 82.0

_RUN_W = 11_500.0
"""What a four-cylinder engine at a fast idle leaves in its own metal and oil [W]: a fifth of the fuel's heat
at some 7 l/h. With it and _RUN_GAIN heads rise by 13 to 15 K in the first minute and stand 100 K above the
air after a quarter of an hour."""
_RUN_SHARES: Mapping[str, float] = {
    "heads": 0.62,
    "barrels": 0.12,
    "exhaust": 0.12,
    "oil": 0.05,
    "crank": 0.05,
    "saddles": 0.04,
}
_RUN_GAIN: Mapping[Path, float] = {Path.INSIDE: 3.0, Path.LEAK: 4.0, Path.OIL: 10.0}
_WASH_M_S = 5.0  # of the propeller, over the cowl

_PROBE_FAULTS: Mapping[Happening, Fault] = {
    Happening.PROBE_OPEN: Fault.OPEN,
    Happening.PROBE_SHORT_GND: Fault.SHORT_GND,
    Happening.PROBE_SHORT_VDD: Fault.SHORT_VDD,
    Happening.PROBE_MISSING: Fault.MISSING,
}
_SHARES: Mapping[Happening, float] = {Happening.HEATER_OFF: 0.0}
_MOVES: Mapping[Happening, Hangar] = {
    Happening.TO_OUTSIDE: "outside",
    Happening.TO_UNHEATED: "unheated",
    Happening.TO_HEATED: "heated",
}
_UPPER = frozenset({"case-top", "accessory-case"})


@dataclass(frozen=True, slots=True)
class Energy:
    """The ledger since t = 0 [J]: what the heater and the sun gave, what is stored more than then,
    what was lost by each path, and what flights and runs left in the engine."""

    heater_j: float
    sun_j: float
    stored_j: float
    lost_j: Mapping[str, float]
    flown_j: float = 0.0

    @property
    def imbalance(self) -> float:
        """Given less stored and lost, as a share of the largest of these terms."""
        lost = sum(self.lost_j.values())
        given = self.heater_j + self.sun_j + self.flown_j
        turnover = max(abs(given), abs(self.stored_j), abs(lost), 1.0)
        return abs(given - self.stored_j - lost) / turnover


# ------------------------------------------------------------------------------------------ network


def oil_viscosity_mm2_s(temp_c: float, at_40_mm2_s: float) -> float:
    """Kinematic viscosity [mm²/s] of a mineral oil at temp_c [°C], by ASTM D341 with slope B = 3.6.

    The slope is a monograde aircraft oil's from memory, no source; below the pour point the equation
    is not valid, so it is held at its value at −40 °C.
    """
    z_40 = math.log10(math.log10(at_40_mm2_s + 0.7))
    log_k = math.log10(max(temp_c, -40.0) + _KELVIN) - math.log10(40.0 + _KELVIN)
    return float(10**10 ** (z_40 - 3.6 * log_k) - 0.7)


class _Network:
    """Masses and links as arrays; its step is SDIRK2: L-stable, and exact in its book-keeping because
    each stage's fluxes are the ones that move the temperatures."""

    def __init__(self, j_per_k: Mapping[str, float], links: Sequence[Link], oil_40_mm2_s: float) -> None:
        self.names = (*j_per_k, AIR, SKY)
        self.index = {name: i for i, name in enumerate(self.names)}
        self.n = len(j_per_k)
        self.j_per_k: Array = np.array(list(j_per_k.values()))
        self.links = tuple(links)
        self._a = np.array([self.index[link.a] for link in links])
        self._b = np.array([self.index[link.b] for link in links])
        self._incidence: Array = np.zeros((len(links), self.n + 2))
        self._incidence[np.arange(len(links)), self._a] = 1.0
        self._incidence[np.arange(len(links)), self._b] -= 1.0
        self._oil = np.array([i for i, link in enumerate(links) if link.path is Path.OIL], dtype=np.intp)
        self._rising = np.array(
            [i for i, link in enumerate(links) if link.path is Path.RISING], dtype=np.intp
        )
        self._outside = np.array([i for i, link in enumerate(links) if link.b in (AIR, SKY)], dtype=np.intp)
        self.outside_paths = tuple(links[i].path.value for i in self._outside)
        self._power = np.array([link.power for link in links])
        self._wind_power = np.array([link.wind_power for link in links])
        self._oil_40_mm2_s = oil_40_mm2_s
        self.rescale(lambda _link: (1.0, 1.0))

    def rescale(self, factor: Callable[[Link], tuple[float, float]]) -> None:
        """Take the links times factor(link): the first for all terms, the second for wind besides."""
        factors = np.array([factor(link) for link in self.links])
        both, wind = factors[:, 0], factors[:, 0] * factors[:, 1]
        self._metal: Array = both * np.array([link.metal for link in self.links])
        self._convection: Array = both * np.array([link.convection for link in self.links])
        self._radiation: Array = both * np.array([link.radiation for link in self.links]) * _STEFAN_BOLTZMANN
        self._wind: Array = wind * np.array([link.wind for link in self.links])

    def conductances(self, temps_c: Array, wind_m_s: float) -> Array:
        """Conductance [W/K] of each link at these temperatures. Shape (links,)."""
        ta, tb = temps_c[self._a], temps_c[self._b]
        driving = np.abs(ta - tb)
        convection: Array = self._convection * driving**self._power
        if self._oil.size:
            oil_c = float(temps_c[self.index["oil"]])
            convection[self._oil] *= (100.0 / oil_viscosity_mm2_s(oil_c, self._oil_40_mm2_s)) ** 0.25
        stable = self._rising[ta[self._rising] < tb[self._rising]]
        convection[stable] *= 0.1
        ka, kb = ta + _KELVIN, tb + _KELVIN
        radiation: Array = self._radiation * (ka * ka + kb * kb) * (ka + kb)
        return self._metal + convection + radiation + self._wind * wind_m_s**self._wind_power

    def step(self, temps_c: Array, watts: Array, wind_m_s: float, h_s: float) -> tuple[Array, Array]:
        """Temperatures after h_s, and the energy [J] that left by each link to the outside.

        temps_c (n + 2,) with the two boundaries last, held; watts (n,) put into each mass.
        """
        slope_1, flux_1 = self._stage(temps_c, temps_c, watts, wind_m_s, h_s)
        base = temps_c.copy()
        base[: self.n] += (1 - _GAMMA) * h_s * slope_1
        ahead = temps_c.copy()
        ahead[: self.n] += h_s * slope_1
        slope_2, flux_2 = self._stage(base, ahead, watts, wind_m_s, h_s)
        after = base
        after[: self.n] += _GAMMA * h_s * slope_2
        return after, h_s * ((1 - _GAMMA) * flux_1 + _GAMMA * flux_2)

    def _stage(
        self, base: Array, seen: Array, watts: Array, wind_m_s: float, h_s: float
    ) -> tuple[Array, Array]:
        """Slopes [K/s] solved implicitly from base, conductances taken at seen; outside fluxes [W]."""
        n = self.n
        g = self.conductances(seen, wind_m_s)
        laplacian = (self._incidence.T * g) @ self._incidence
        system = _GAMMA * h_s * laplacian[:n, :n]
        system[np.arange(n), np.arange(n)] += self.j_per_k
        slope: Array = np.linalg.solve(system, watts - laplacian[:n] @ base).astype(np.float64, copy=False)
        here = base.copy()
        here[:n] += _GAMMA * h_s * slope
        flux = g * (here[self._a] - here[self._b])
        return slope, flux[self._outside]


# ------------------------------------------------------------------------------------------- engine


class SimulatedEngine:
    """An engine being heated or left to cool, and the probes on it.

    start: "cold" soaked at the day's first air; Flown(hours) ago; or °C by mass, the rest at the
    air's. events happen at their run time. The heater is off until an event or set_heater switches
    it. seed fixes the probes' noise.
    """

    def __init__(
        self,
        design: EngineDesign,
        setup: SetupDesign,
        day: Day,
        probes: Sequence[ProbeDesign] = (),
        events: Sequence[Event] = (),
        *,
        start: Literal["cold"] | Flown | Mapping[str, float] = "cold",
        seed: int = 0,
    ) -> None:
        self.design, self.setup, self.day, self.probes = design, setup, day, tuple(probes)
        self._parts = _heater_parts(setup, design.cylinders)
        masses = {**design.j_per_k, **{part.name: part.j_per_k for part in self._parts}}
        links = (*design.links, *(link for part in self._parts for link in part.links))
        self._net = _Network(masses, links, design.oil_40_mm2_s)
        self._part_index = np.array([self._net.index[part.name] for part in self._parts])
        self._part_share = np.array([part.share for part in self._parts])
        self._skin = self._net.index["skin"]
        self._events = sorted(events, key=lambda event: event.t_s)
        self._check_events()
        self.t_s = 0.0
        self._share, self._works, self._thermostat_in = 0.0, True, True
        self._runs = 0.0
        self._run_w = self._run_watts()
        self._cover, self._hangar, self._door = setup.cover, setup.hangar, False
        self._heater_j, self._sun_j, self._flown_j = 0.0, 0.0, 0.0
        self._lost_j: Array = np.zeros(len(self._net.outside_paths))
        self._rescale()
        self._temps_c = self._start_c(start)
        self._start_temps_c = self._temps_c.copy()
        self._state: dict[str, Happening] = {}
        self._lag_s = np.array([probe.lag_s for probe in self.probes])
        self._feel = self._feel_matrix()
        self._felt_c: Array = self._feel @ self._temps_c
        self._noise = [np.random.default_rng([seed, i]) for i in range(len(self.probes))]
        self._happen_until_now()

    # what a bench may know

    @property
    def masses(self) -> tuple[str, ...]:
        """Names of all masses, the heater's parts last."""
        return self._net.names[: self._net.n]

    @property
    def j_per_k(self) -> dict[str, float]:
        """Heat capacity [J/K] of every mass, in the order of masses."""
        return dict(zip(self.masses, self._net.j_per_k.tolist(), strict=True))

    def truth(self) -> dict[str, float]:
        """The true temperature [°C] of every mass and of the outside air, now. A probe's place has
        the name of its mass; `ambient` is the air around the aircraft."""
        temps = dict(zip(self.masses, self._temps_c.tolist(), strict=False))
        temps["ambient"] = float(self._temps_c[self._net.index[AIR]])
        return temps

    def place_c(self, place: str) -> float:
        """The true temperature [°C] of the metal at a place. Raises KeyError for an unknown one."""
        return float(self._temps_c[self._net.index[self._mass_at(place)]])

    def core_c(self) -> float:
        """The true temperature [°C] of the core: the colder of crankshaft and bearing saddles."""
        return min(self.place_c("crank"), self.place_c("saddles"))

    def heater_share(self) -> float:
        """The power the heater takes now, as a share of its plate's, 0…1."""
        if self.setup.watts == 0:
            return 0.0
        return min(1.0, self._watts(self.t_s) / self.setup.watts)

    @property
    def heater_on(self) -> bool:
        """Whether it is switched on: it may have failed, or its thermostat may hold it."""
        return self._share > 0

    @property
    def covered(self) -> bool:
        return self._cover

    @property
    def runs(self) -> bool:
        """Whether the engine itself runs."""
        return self._runs > 0

    def energy(self) -> Energy:
        """The ledger since the start."""
        lost: dict[str, float] = {}
        for path, joules in zip(self._net.outside_paths, self._lost_j.tolist(), strict=True):
            lost[path] = lost.get(path, 0.0) + joules
        stored = float(self._net.j_per_k @ (self._temps_c - self._start_temps_c)[: self._net.n])
        return Energy(self._heater_j, self._sun_j, stored, lost, self._flown_j)

    # what a person, a plug or a daemon does

    def set_heater(self, share: float) -> None:
        """Switch the heater, now: 0 off, 1 full power. Raises ValueError outside 0…1."""
        if not 0 <= share <= 1:
            raise ValueError("share of the heater's power must be 0 to 1")
        self._share = share
        self._rescale()

    def set_cover(self, on: bool) -> None:
        """Put the cover on or take it off, now."""
        self._cover = on
        self._rescale()

    def advance_to(self, t_s: float) -> None:
        """Let the engine live until t_s [s]; an earlier time than now changes nothing."""
        longest = max(_STEP_S, (t_s - self.t_s) / _STEPS_IN_A_JUMP)
        while self.t_s < t_s:
            until = min(t_s, self._events[0].t_s if self._events else math.inf)
            steps = max(1, math.ceil((until - self.t_s) / longest - 1e-9))
            ends = np.linspace(self.t_s, until, steps + 1)[1:].tolist()
            for end in ends:
                self._step_to(end)
            self._happen_until_now()

    def read(self, t_s: float) -> Scan:
        """What the probes say at t_s [s], addressed by place: one sample each, a Reading or a
        ProbeFault. The heater's share is given as if measured."""
        self.advance_to(t_s)
        return Scan(t_s, tuple(self._sample(i, t_s) for i in range(len(self.probes))), self.heater_share())

    # inside

    def _watts(self, t_s: float) -> float:
        if not (self._works and self._thermostat_in):
            return 0.0
        if self.setup.heater == "combustion":
            return self.setup.watts * self._share
        volts = self.day.voltage(t_s) * (1 - self.setup.lead_loss)
        return self.setup.watts * self._share * volts * volts

    def _air_c(self, t_s: float) -> float:
        outside = self.day.ambient_c(t_s)
        if self._hangar == "outside":
            return outside
        inside = self.setup.hangar_c if self._hangar == "heated" else outside + 2.0
        return 0.3 * inside + 0.7 * outside if self._door else inside

    def _set_surroundings(self, temps_c: Array, t_s: float) -> None:
        air = self._air_c(t_s)
        clear = self.day.sky_below_air_k if self._hangar == "outside" else 0.0
        temps_c[self._net.n :] = (air, air - clear)

    def _wind_m_s(self, t_s: float) -> float:
        shelter = 0.35 if self._door and self._hangar != "outside" else _SHELTER[self._hangar]
        return max(0.0, self.day.wind_m_s(t_s)) * shelter + (_WASH_M_S if self.runs else 0.0)

    def _sun_w(self, t_s: float) -> float:
        return self.day.sun_w(t_s) if self._hangar == "outside" else 0.0

    def _step_to(self, end_s: float) -> None:
        h_s = end_s - self.t_s
        middle_s = self.t_s + 0.5 * h_s
        self._turn_thermostat()
        heat_w, sun_w = self._watts(middle_s), self._sun_w(middle_s)
        watts = np.zeros(self._net.n)
        watts[self._part_index] = heat_w * self._part_share
        watts[self._skin] += sun_w
        watts += self._runs * self._run_w
        self._set_surroundings(self._temps_c, middle_s)
        self._temps_c, lost_j = self._net.step(self._temps_c, watts, self._wind_m_s(middle_s), h_s)
        self._set_surroundings(self._temps_c, end_s)
        self._heater_j += heat_w * h_s
        self._sun_j += sun_w * h_s
        self._flown_j += self._runs * float(self._run_w.sum()) * h_s
        self._lost_j += lost_j
        if self.probes:
            follow = -np.expm1(-h_s / self._lag_s)
            self._felt_c += follow * (self._feel @ self._temps_c - self._felt_c)
        self.t_s = end_s

    def _turn_thermostat(self) -> None:
        stat = self.setup.thermostat
        if stat is None:
            return
        temp_c, was = self._temps_c[self._net.index[stat.mass]], self._thermostat_in
        self._thermostat_in = bool(temp_c < (stat.off_c if was else stat.on_c))
        if was != self._thermostat_in:
            self._rescale()

    def _rescale(self) -> None:
        """Let cover, plugs, blower and the day's fit work on the links."""
        setup, fit, cover = self.setup, self.day.fit, self._cover and not self.runs
        blowing = setup.heater in _BLOWERS and self._share > 0 and self._works and self._thermostat_in
        size = self.design.cylinders / 4
        bare_w_per_k = 16.0 * size
        covered = min(1.0, setup.cover_w_per_k * fit * size / bare_w_per_k)
        plugged = setup.plugs and not self.runs
        gaps = (setup.plug_gap if plugged else 1.0) * (0.55 if cover else 1.0) * fit
        gain = (2.5 if setup.heater == "combustion" else 1.6) if blowing else 1.0
        table: Mapping[Path, tuple[float, float]] = {
            Path.SKIN: (covered, 0.4) if cover else (1.0, 1.0),
            Path.LEAK: (gaps, 1.0),
            Path.INSIDE: (gain, 1.0),
            Path.BLOWN: (1.0 if blowing else 0.0, 1.0),
        }
        stirred = _RUN_GAIN if self.runs else {}

        def factor(link: Link) -> tuple[float, float]:
            both, wind = table.get(link.path, (1.0, 1.0))
            return both * stirred.get(link.path, 1.0), wind

        self._net.rescale(factor)

    def _run_watts(self) -> Array:
        """Heat the running engine leaves in each mass at a fast idle [W]. Shape (n,)."""
        watts: Array = np.zeros(self._net.n)
        for n in range(1, self.design.cylinders + 1):
            watts[self._net.index[f"cyl-{n}"]] = _RUN_SHARES["heads"] / self.design.cylinders
            watts[self._net.index[f"cyl-{n}-barrel"]] = _RUN_SHARES["barrels"] / self.design.cylinders
        for mass in ("exhaust", "oil", "crank", "saddles"):
            watts[self._net.index[mass]] = _RUN_SHARES[mass]
        return watts * _RUN_W * self.design.cylinders / 4

    def _start_c(self, start: Literal["cold"] | Flown | Mapping[str, float]) -> Array:
        temps: Array = np.full(self._net.n + 2, self._air_c(0.0))
        self._set_surroundings(temps, 0.0)
        if isinstance(start, Flown):
            return self._cooled(temps, start.hours)
        if isinstance(start, Mapping):
            for mass, temp_c in start.items():
                temps[self._net.index[self._mass_at(mass)]] = temp_c
        return temps

    def _cooled(self, temps: Array, hours: float) -> Array:
        """Temperatures at t = 0 of an engine shut down `hours` before it."""
        temps = self._at_work(temps)
        count = max(1, math.ceil(hours * 3600 / 30))
        h_s = hours * 3600 / count
        idle = np.zeros(self._net.n)
        for k in range(count if hours > 0 else 0):
            at_s = (k + 0.5 - count) * h_s
            self._set_surroundings(temps, at_s)
            temps, _ = self._net.step(temps, idle, self._wind_m_s(at_s), h_s)
        self._set_surroundings(temps, 0.0)
        return temps

    def _at_work(self, temps: Array) -> Array:
        """Temperatures of an engine at working temperature, from those before it ran."""
        part_names = {part.name for part in self._parts}
        working: Array = temps.copy()
        for i, mass in enumerate(self.masses):
            if mass not in part_names:
                key = "cyl-" if mass.startswith("cyl-") else "air-" if mass.startswith("air-") else mass
                working[i] = max(float(temps[i]), _WORKING_C.get(key, _WORKING_ELSE_C))
        return working

    def _land(self, share: float) -> None:
        """Take the heat a flight leaves in the engine, or that share of it a run on the ground does."""
        landed = self._temps_c + share * (self._at_work(self._temps_c) - self._temps_c)
        self._flown_j += float(self._net.j_per_k @ (landed - self._temps_c)[: self._net.n])
        self._temps_c = landed

    def _happen_until_now(self) -> None:
        while self._events and self._events[0].t_s <= self.t_s:
            self._happen(self._events.pop(0))

    def _happen(self, event: Event) -> None:
        what = event.what
        if what in (Happening.HEATER_ON, Happening.HEATER_OFF):
            self._share = _SHARES.get(what, event.value)
        elif what in (Happening.HEATER_FAILS, Happening.HEATER_MENDS):
            self._works = what is Happening.HEATER_MENDS
        elif what in (Happening.COVER_ON, Happening.COVER_OFF):
            self._cover = what is Happening.COVER_ON
        elif what in (Happening.DOOR_OPEN, Happening.DOOR_SHUT):
            self._door = what is Happening.DOOR_OPEN
        elif what is Happening.LANDED:
            self._land(event.value)
        elif what in (Happening.ENGINE_STARTS, Happening.ENGINE_STOPS):
            self._runs = event.value if what is Happening.ENGINE_STARTS else 0.0
        elif what in _MOVES:
            self._hangar = _MOVES[what]
        else:
            self._befall_probe(event)
        self._rescale()
        self._set_surroundings(self._temps_c, self.t_s)

    def _befall_probe(self, event: Event) -> None:
        if event.what is Happening.PROBE_MENDS:
            self._state.pop(event.place, None)
        else:
            self._state[event.place] = event.what
        self._feel = self._feel_matrix()

    def _check_events(self) -> None:
        places = {probe.place for probe in self.probes}
        for event in self._events:
            if event.what.value.startswith("probe-") and event.place not in places:
                raise ValueError(f"{event.what}: there is no probe at {event.place!r}")

    # probes

    def _mass_at(self, place: str) -> str:
        name = {"ambient": AIR, "cabin": "firewall", "heater-outlet": self._parts[0].name}.get(place, place)
        if place == "oil-tank" and "oil-tank" not in self._net.index:
            name = "oil"
        if name not in self._net.index:
            raise KeyError(f"this engine has no place {place!r}")
        return name

    def _feel_matrix(self) -> Array:
        """What each probe settles at, as weights of all temperatures. Shape (probes, n + 2)."""
        feel: Array = np.zeros((len(self.probes), self._net.n + 2))
        for i, probe in enumerate(self.probes):
            air = self._air_at(probe.place)
            if self._state.get(probe.place) is Happening.PROBE_DETACHED:
                feel[i, self._net.index[air]] = 1.0
                continue
            feel[i, self._net.index[self._mass_at(probe.place)]] += 1.0 - probe.near_heat - probe.air
            feel[i, self._net.index[air]] += probe.air
            feel[i, self._net.index[self._part_at(probe.place)]] += probe.near_heat
        return feel

    def _air_at(self, place: str) -> str:
        if place in ("ambient", "cabin"):
            return AIR
        return "air-upper" if place in _UPPER or place.startswith("cyl-") else "air-lower"

    def _part_at(self, place: str) -> str:
        """The heater part or plume a probe at this place would lie near to."""
        band = place.replace("cyl-", "band-", 1)
        if place.startswith("cyl-") and band in self._net.index:
            return band
        if place == "ambient":
            return "air-upper"
        return self._parts[0].name

    def _sample(self, i: int, t_s: float) -> Reading | ProbeFault:
        probe = self.probes[i]
        noise = float(self._noise[i].standard_normal()) * probe.noise_c
        fault = _PROBE_FAULTS.get(self._state.get(probe.place, Happening.PROBE_MENDS))
        if fault is not None:
            return ProbeFault(probe.place, t_s, fault, "simulated")
        value_c = float(self._felt_c[i]) + probe.offset_c + noise
        if probe.step_c:
            value_c = round(value_c / probe.step_c) * probe.step_c
        return Reading(probe.place, t_s, value_c, value_c)


# -------------------------------------------------------------------------------------- bench tools


@dataclass(frozen=True, slots=True)
class Run:
    """A whole heat-up with its truth: t_s (n,), scans one a row, true_c (n, masses) in the order of
    masses, core_c (n,), share (n,) of heater power."""

    t_s: Array
    scans: tuple[Scan, ...]
    masses: tuple[str, ...]
    true_c: Array
    core_c: Array
    share: Array

    def place_c(self, place: str) -> Array:
        """True temperature [°C] of the mass of that name. Shape (n,)."""
        return self.true_c[:, self.masses.index(place)]

    def crossing_s(self, places: Iterable[str], target_c: float) -> float | None:
        """The first instant [s] at which all places are truly above target_c together."""
        coldest_c: Array = np.sort([self.place_c(place) for place in places], axis=0)[0]
        return first_above_s(self.t_s, coldest_c, target_c)


def first_above_s(t_s: Array, values_c: Array, target_c: float) -> float | None:
    """The first instant [s] at which values_c passes target_c, between samples by a straight line."""
    above = np.flatnonzero(values_c > target_c)
    if not above.size:
        return None
    k = int(above[0])
    if k == 0:
        return float(t_s[0])
    share = (target_c - values_c[k - 1]) / (values_c[k] - values_c[k - 1])
    return float(t_s[k - 1] + share * (t_s[k] - t_s[k - 1]))


def run(engine: SimulatedEngine, until_s: float, every_s: float = 15.0) -> Run:
    """Everything probes and truth say from now until until_s, each every_s [s]."""
    times = np.arange(engine.t_s, until_s + 1e-9, every_s)
    scans, true_c, core_c = [], np.empty((times.size, len(engine.masses))), np.empty(times.size)
    for k, t_s in enumerate(times.tolist()):
        scans.append(engine.read(t_s))
        true_c[k] = engine._temps_c[: len(engine.masses)]
        core_c[k] = engine.core_c()
    share = np.array([scan.heater or 0.0 for scan in scans])
    return Run(times, tuple(scans), engine.masses, true_c, core_c, share)


# --------------------------------------------------------------------------------------------- demo

DEMO_REQUIRED = ("cyl-1", "cyl-2", "cyl-3", "cyl-4", "case-top", "case-nose")
DEMO_TARGET_C = (45.0 - 32.0) / 1.8
_DEMO_ON_S = 180.0
_DEMO_OFF_AFTER_S = 70 * 60.0


def magpie_demo(seed: int = 7) -> SimulatedEngine:
    """The demo: a four-cylinder engine at −12 °C under cover and plugs in a light wind, pads and
    bands switched on three minutes after the start, and off by somebody at the field 70 min after
    the coldest required point has passed 45 °F. The sump's probe lies beside its pad."""
    first = _magpie(seed, ())
    crossing_s = run(first, 8 * 3600.0, 60.0).crossing_s(DEMO_REQUIRED, DEMO_TARGET_C)
    if crossing_s is None:
        raise ValueError(f"with seed {seed} the demo's engine never passes its target")
    return _magpie(seed, (Event(crossing_s + _DEMO_OFF_AFTER_S, Happening.HEATER_OFF),))


def _magpie(seed: int, more: tuple[Event, ...]) -> SimulatedEngine:
    rng = np.random.default_rng(seed)
    t_s = tuple(np.arange(0.0, 86_400.0, 900.0).tolist())
    day = Day(
        ambient_c=Profile(t_s, tuple((-12.0 + _wander(rng, len(t_s), 0.3, 8)).tolist())),
        wind_m_s=Profile(t_s, tuple((2.5 * np.exp(_wander(rng, len(t_s), 0.3, 3))).tolist())),
        voltage=Profile(t_s, tuple((0.99 + _wander(rng, len(t_s), 0.008, 3)).tolist())),
        fit=1.6,
    )
    probes = (
        ProbeDesign.draw("sump", rng, near_heat=True),
        *(ProbeDesign.draw(place, rng) for place in (*DEMO_REQUIRED, "ambient")),
    )
    events = (Event(_DEMO_ON_S, Happening.HEATER_ON), *more)
    plain = EngineDesign.nominal("opposed-4")
    engine = replace(plain, j_per_k={mass: 1.15 * c for mass, c in plain.j_per_k.items()})
    bands = tuple(_spread(rng, 0.1) for _ in range(4))
    setup = SetupDesign(watts=600.0, lead_loss=0.05, cover_w_per_k=9.0, band_spread=bands)
    return SimulatedEngine(engine, setup, day, probes, events, seed=seed)
