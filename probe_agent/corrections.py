"""What a probe reads against what it should: when a cold soak tells it, fixed points, a person's thermometer.

A correction is an offset that is added to what a probe says. Pure.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

CheckKind = Literal["cold-soak", "ice", "boiling", "contact", "infrared", "flange"]
CHECKS: tuple[CheckKind, ...] = ("cold-soak", "ice", "boiling", "contact", "infrared", "flange")

UNHEATED_S = 12 * 3600.0
STEADY_S = 3 * 3600.0
STEADY_WITHIN_C = 1.0
WARMEST_C = 2.0
"""A cold soak tells something after so long without heat, in air and metal within STEADY_WITHIN_C for so
long, and never warmer than this (judgement, no source)."""
GAP_S = 1800.0
"""Longer without a reading, and somebody may have heated unseen."""
READ_S, FRESH_S = 3600.0, 300.0
"""So much of a cold soak is averaged, and of a probe in a bath or beside a person's thermometer."""
LEAST_ROWS, LEAST_FRESH = 8, 4
BATH_WITHIN_C = 0.5
SOAK_LIMIT_C, LIMIT_C = 2.0, 3.0
"""The converter's stated accuracy is 2 °C (data sheet 19-6725); with a thermocouple wire's own tolerance,
some 2.5 °C (from memory), an offset of more than 3 °C is a fault. Judgement."""
LEAST_C = 0.15
"""Less than this isn't corrected: a converter's step is 0.25 °C."""
CONTACT_SD_C, SPOT_SD_C = 1.0, 1.0
"""1σ of a contact thermometer; of a spot of an infrared thermometer once what its round has in common is
taken out (from memory)."""
LEAST_PROBES, LEAST_SPOTS = 3, 3
_SUN_UP_H, _SUN_DOWN_H = 6.0, 18.0


@dataclass(frozen=True, slots=True)
class Seen:
    """One instant of a soak: UTC s; °C a place, corrected; the air's; the heater's share, None for untold."""

    at: float
    values_c: Mapping[str, float]
    air_c: float | None
    heater: float | None = None


@dataclass(frozen=True, slots=True)
class Soak:
    """What is known of the last hours. Instants in UTC seconds.

    seen: times rising, from UNHEATED_S before now_at on or later. heated_at: when a heat-up of the record
    last warmed; ran_at: when an outing last ended in which the engine ran, or may have; sun_h: hours by which
    local solar time is ahead of UTC, None in a hangar, where no sun reaches the cowl.
    """

    now_at: float
    seen: Sequence[Seen]
    heated_at: float | None = None
    ran_at: float | None = None
    sun_h: float | None = None


ReasonKind = Literal[
    "few-probes",
    "silent",
    "gap",
    "heated",
    "ran",
    "no-air",
    "air-moved",
    "metal-moved",
    "too-warm",
    "daylight",
]


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a cold soak doesn't qualify. at [UTC s]: since or until when; c: how much; place: whose."""

    kind: ReasonKind
    at: float | None = None
    c: float | None = None
    place: str | None = None


def why_no_soak(soak: Soak) -> tuple[Reason, ...]:
    """Every rule of a cold soak that isn't kept; () where all are."""
    rules = (_silent, _gap, _heated, _ran, _few, _no_air, _air_moved, _metal_moved, _too_warm, _daylight)
    return tuple(reason for rule in rules if (reason := rule(soak)) is not None)


def _metal(soak: Soak) -> list[Seen]:
    return [s for s in soak.seen if s.values_c]


def _steady(soak: Soak) -> list[Seen]:
    return [s for s in soak.seen if s.at >= soak.now_at - STEADY_S]


def _silent(soak: Soak) -> Reason | None:
    last = max((s.at for s in _metal(soak)), default=None)
    return Reason("silent", last) if last is None or soak.now_at - last > GAP_S else None


def _gap(soak: Soak) -> Reason | None:
    """The last gap in which heat or a flight would not have been seen."""
    times = [soak.now_at - UNHEATED_S, *(s.at for s in _metal(soak))]
    ends = [b for a, b in pairwise(times) if b - a > GAP_S]
    return Reason("gap", ends[-1]) if ends else None


def _heated(soak: Soak) -> Reason | None:
    told = [s.at for s in soak.seen if s.heater is not None and s.heater > 0]
    last = max([*told, *([] if soak.heated_at is None else [soak.heated_at])], default=None)
    return Reason("heated", last) if last is not None and soak.now_at - last < UNHEATED_S else None


def _ran(soak: Soak) -> Reason | None:
    ran = soak.ran_at is not None and soak.now_at - soak.ran_at < UNHEATED_S
    return Reason("ran", soak.ran_at) if ran else None


def _few(soak: Soak) -> Reason | None:
    return Reason("few-probes") if len(agreement_places(soak)) < LEAST_PROBES else None


def agreement_places(soak: Soak) -> tuple[str, ...]:
    """Places with enough readings in the averaged hour."""
    count: dict[str, int] = {}
    for s in soak.seen:
        if s.at >= soak.now_at - READ_S:
            for place in s.values_c:
                count[place] = count.get(place, 0) + 1
    return tuple(p for p, n in count.items() if n >= LEAST_ROWS)


def _air(soak: Soak) -> list[Seen]:
    return [s for s in _steady(soak) if s.air_c is not None]


def _no_air(soak: Soak) -> Reason | None:
    times = [soak.now_at - STEADY_S, *(s.at for s in _air(soak)), soak.now_at]
    return Reason("no-air") if any(b - a > GAP_S for a, b in pairwise(times)) else None


def _air_moved(soak: Soak) -> Reason | None:
    values = [s.air_c for s in _air(soak) if s.air_c is not None]
    moved_c = max(values) - min(values) if values else 0.0
    return Reason("air-moved", c=moved_c) if moved_c > STEADY_WITHIN_C else None


def _metal_moved(soak: Soak) -> Reason | None:
    """The place that moved most: sun on the cowl, warmth of a flight or warm air show in the metal itself."""
    values: dict[str, list[float]] = {}
    for s in _steady(soak):
        for place, c in s.values_c.items():
            values.setdefault(place, []).append(c)
    moved = {place: max(cs) - min(cs) for place, cs in values.items()}
    moved_c, most = max(((c, place) for place, c in moved.items()), default=(0.0, ""))
    return Reason("metal-moved", c=moved_c, place=most) if moved_c > STEADY_WITHIN_C else None


def _too_warm(soak: Soak) -> Reason | None:
    found = [
        (c, place)
        for s in soak.seen
        for place, c in (*s.values_c.items(), *([] if s.air_c is None else [("ambient", s.air_c)]))
    ]
    warmest_c, place = max(found, default=(-math.inf, ""))
    return Reason("too-warm", c=warmest_c, place=place) if warmest_c > WARMEST_C else None


def _daylight(soak: Soak) -> Reason | None:
    """Outside, the steady hours lie between 18:00 and 6:00 of solar time: for a cold soak that is night
    nearly everywhere, and no clock is asked for clouds."""
    if soak.sun_h is None:
        return None
    hours = [((s.at / 3600 + soak.sun_h) % 24) for s in _steady(soak)]
    return Reason("daylight") if any(_SUN_UP_H < h < _SUN_DOWN_H for h in hours) else None


# -- what a probe should read


@dataclass(frozen=True, slots=True)
class Compared:
    """A probe as it reads [°C], corrected as it is now by offset_c, and what it should read; sd_c: 1σ of
    that."""

    place: str
    reads_c: float
    should_c: float
    offset_c: float = 0.0
    sd_c: float = 0.0

    @property
    def change_c(self) -> float:
        """By how much its correction would change; 0 where that is less than anybody can tell."""
        change_c = self.should_c - self.reads_c
        return change_c if abs(change_c) >= max(LEAST_C, 2 * self.sd_c) else 0.0

    @property
    def wanted_c(self) -> float:
        """The offset it would have."""
        return self.offset_c + self.change_c


def agreement(
    soak: Soak, offsets_c: Mapping[str, float], anchored: frozenset[str] = frozenset()
) -> tuple[Compared, ...]:
    """Each probe of a cold-soaked engine against what all of them have in common.

    offsets_c: of the places as corrected now; anchored: places whose correction is of an ice point: where
    there are any, the others are brought to these, else all to their middle. The air is no part of it: metal
    follows it hours late.
    """
    reads = {
        place: statistics.fmean(
            s.values_c[place] for s in soak.seen if s.at >= soak.now_at - READ_S and place in s.values_c
        )
        for place in agreement_places(soak)
    }
    fixed = [reads[p] for p in reads if p in anchored]
    middle = statistics.median(fixed or reads.values())
    return tuple(
        Compared(place, c, c if place in anchored else middle, offsets_c.get(place, 0.0))
        for place, c in reads.items()
    )


def fixed_point(
    place: str, values_c: Sequence[float], true_c: float, offset_c: float
) -> Compared | Literal["few", "unsteady"]:
    """A probe in a bath of known temperature by its last readings [°C]; or that they are too few, or still
    on their way."""
    if len(values_c) < LEAST_FRESH:
        return "few"
    if max(values_c) - min(values_c) > BATH_WITHIN_C:
        return "unsteady"
    return Compared(place, statistics.fmean(values_c), true_c, offset_c)


def by_spots(reads: Mapping[str, tuple[float, float]], spots_c: Mapping[str, float]) -> tuple[Compared, ...]:
    """Probes against a round of infrared spots, less what the round has in common: an infrared thermometer is
    off by 3 °C or worse, at all spots alike (from memory).

    reads: place → (°C as it reads, offset). Raises ValueError for fewer than LEAST_SPOTS.
    """
    both = [p for p in spots_c if p in reads]
    if len(both) < LEAST_SPOTS:
        raise ValueError(f"fewer than {LEAST_SPOTS} spots at probes")
    common_c = statistics.median(spots_c[p] - reads[p][0] for p in both)
    return tuple(Compared(p, reads[p][0], spots_c[p] - common_c, reads[p][1], SPOT_SD_C) for p in both)


def beyond(found: Sequence[Compared], limit_c: float) -> tuple[Compared, ...]:
    """Those whose correction would be more than a probe's tolerance explains."""
    return tuple(c for c in found if c.change_c and abs(c.wanted_c) > limit_c)


# -- the boiling point

_SATURATION = (
    # Coefficients n1…n10 of the saturation line, IAPWS-IF97 (R7-97(2012)), table 34, from memory; the tests
    # hold what comes of them against steam tables.
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
LOWEST_HPA, HIGHEST_HPA = 500.0, 1100.0


def boiling_c(pressure_hpa: float) -> float:
    """Temperature at which water boils under a pressure [hPa], in °C.

    Raises ValueError outside 500…1100 hPa. Source: IAPWS-IF97, backward equation 31 of the saturation line.
    """
    if not LOWEST_HPA <= pressure_hpa <= HIGHEST_HPA:
        raise ValueError(f"{pressure_hpa:g} hPa is no pressure at an airfield")
    n = (0.0, *_SATURATION)
    beta: float = (pressure_hpa / 1e4) ** 0.25  # of the pressure in MPa
    e = beta**2 + n[3] * beta + n[6]
    f = n[1] * beta**2 + n[4] * beta + n[7]
    g = n[2] * beta**2 + n[5] * beta + n[8]
    d = 2 * g / (-f - math.sqrt(f**2 - 4 * e * g))
    root = math.sqrt((n[10] + d) ** 2 - 4 * (n[9] + n[10] * d))
    return (n[10] + d - root) / 2 - 273.15


def field_pressure_hpa(altimeter_hpa: float, elevation_m: float) -> float:
    """Pressure at a field from its altimeter setting. Source: ICAO standard atmosphere, Doc 7488, troposphere
    (T0 288.15 K, 6.5 K/km, exponent 5.25588), from memory."""
    share = (altimeter_hpa / 1013.25) ** (1 / 5.25588) - 0.0065 * elevation_m / 288.15
    return float(1013.25 * share**5.25588)


# -- what would have been


@dataclass(slots=True)
class Passing:
    """When the coldest required place was above a target for two rows, the first of them; fed row by row.

    reads_heater_c: what places read of the heater and is taken off.
    """

    required: Sequence[str]
    target_c: float
    reads_heater_c: Mapping[str, float] = field(default_factory=dict)
    above_at: float | None = None
    _since_at: float | None = None

    def add(self, at: float, values_c: Mapping[str, float]) -> None:
        """Take the next row; missing a required place is not above."""
        if self.above_at is not None:
            return
        values = [values_c[p] - self.reads_heater_c.get(p, 0.0) for p in self.required if p in values_c]
        if len(values) < len(self.required) or min(values, default=-math.inf) < self.target_c:
            self._since_at = None
        elif self._since_at is None:
            self._since_at = at
        else:
            self.above_at = self._since_at
