"""Nine scratchpad bytes of a 1-Wire thermometer → temperatures or a fault; thermocouple linearisation.

Pure: bytes and numbers in, numbers out. Families: 0x28, 0x22, 0x42 and 0x10 are plain thermometers;
0x3b is a thermocouple converter where bit 7 of byte 4 is set, else a plain thermometer too.

References: converter data sheet 19-6725 Rev 2, tables 2–4; DS18B20 data sheet, table 1; application
note 27 (CRC-8); NIST Monograph 175 / SRD 60 (ITS-90 reference functions).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from probe_agent.readings import Fault

ThermocoupleType = Literal["K", "J", "T"]

CONVERTER_FAMILY = 0x3B
FAMILIES = (0x10, 0x22, 0x28, CONVERTER_FAMILY, 0x42)

_POWER_ON_C = 85.0
_WEAK_SUPPLY_C = 127.9375
_NOT_CONVERTED = 0x0C  # byte 6 of a 0x28 whose 85 or 127.94 °C is no measurement


@dataclass(frozen=True, slots=True)
class Measured:
    """A temperature as the chip gave it (raw_c), after linearisation (value_c), and the cold junction.

    may_be_power_on: exactly the 85 °C of a chip just powered, of a family whose bytes can't tell.
    """

    raw_c: float
    value_c: float
    cold_c: float | None = None
    may_be_power_on: bool = False


@dataclass(frozen=True, slots=True)
class Failed:
    """Why the bytes hold no temperature; the cold junction is kept where it can be read."""

    fault: Fault
    detail: str = ""
    cold_c: float | None = None


def crc8(data: bytes) -> int:
    """CRC-8 of 1-Wire: x^8 + x^5 + x^4 + 1, reflected (0x8C), start 0. Source: application note 27."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def decode_scratchpad(data: bytes, family: int, thermocouple: ThermocoupleType = "K") -> Measured | Failed:
    """The temperature in a scratchpad, or the fault.

    Args:
        data: bytes 0…8 as they came from the bus.
        family: first byte of the address, one of FAMILIES.
        thermocouple: the wire at a converter; the converter's own model is taken to be of that type.

    Never raises for any bytes or family; a value is never given where a fault bit is set.
    """
    if len(data) != 9:
        return Failed(Fault.CHECKSUM, f"{len(data)} bytes instead of 9: {data.hex(' ')}")
    if not any(data):
        return Failed(Fault.LINE_LOW, "nine zero bytes: the data line is held low")
    if crc8(data[:8]) != data[8]:
        return Failed(Fault.CHECKSUM, f"wrong checksum: {data.hex(' ')}")
    if family == CONVERTER_FAMILY and data[4] & 0x80:
        return _decode_converter(data, thermocouple)
    if family == 0x10:
        return _decode_half_degrees(data)
    if family in FAMILIES:
        return _decode_thermometer(data, family)
    return Failed(Fault.IMPLAUSIBLE, f"family {family:02x} is no thermometer known here")


def _signed(low: int, high: int) -> int:
    return int.from_bytes((low, high), "little", signed=True)


def converter_words(data: bytes) -> tuple[float, float]:
    """Reported temperature and cold junction [°C] in a converter's first four bytes, fault or not.

    Data sheet 19-6725 Rev 2, tables 2–4: bits 15..2 of the first word in 0.25 °C, bits 15..4 of the
    second in 0.0625 °C.
    """
    return (_signed(data[0], data[1]) >> 2) * 0.25, (_signed(data[2], data[3]) >> 4) * 0.0625


def _decode_converter(data: bytes, thermocouple: ThermocoupleType) -> Measured | Failed:
    """Same tables: bit 0 of byte 0 is any fault; bits 2..0 of byte 2 short to VDD, short to GND, open."""
    raw_c, cold_c = converter_words(data)
    bits = [fault for bit, fault in enumerate(_CONVERTER_FAULTS) if data[2] >> bit & 1]
    if bits:
        return Failed(bits[0], " and ".join(bits) + f": {data.hex(' ')}", cold_c)
    if data[0] & 1:
        return Failed(Fault.OPEN, f"fault flag set, no kind given: {data.hex(' ')}", cold_c)
    value_c = linearise(raw_c, cold_c, thermocouple)
    if value_c is None:
        return Failed(Fault.IMPLAUSIBLE, f"{raw_c} °C is beyond type {thermocouple}: {data.hex(' ')}", cold_c)
    return Measured(raw_c, value_c, cold_c)


_CONVERTER_FAULTS = (Fault.OPEN, Fault.SHORT_GND, Fault.SHORT_VDD)


def _decode_thermometer(data: bytes, family: int) -> Measured | Failed:
    """DS18B20 data sheet, table 1: signed sixteenths of a degree; figure 8 and table 2: bits 6..5 of
    byte 4 are the resolution, and the bits below it are undefined."""
    undefined = 0 if data[4] & 0x80 else 3 - (data[4] >> 5 & 3)
    value_c = (_signed(data[0], data[1]) >> undefined << undefined) / 16
    if family == 0x28 and data[6] == _NOT_CONVERTED:
        if value_c == _POWER_ON_C:
            return Failed(Fault.POWER_ON, f"power-on content: {data.hex(' ')}")
        if value_c == _WEAK_SUPPLY_C:
            return Failed(Fault.WEAK_SUPPLY, f"too little power to convert: {data.hex(' ')}")
    return Measured(value_c, value_c, may_be_power_on=family != 0x28 and value_c == _POWER_ON_C)


def _decode_half_degrees(data: bytes) -> Measured | Failed:
    """DS18S20 data sheet, "operation": half degrees in the first word, refined by byte 6 (count remain)
    and byte 7 (count per °C): whole degrees − 0.25 + (per − remain) / per."""
    remain, per = data[6], data[7]
    if per == 0 or remain > per:
        return Failed(Fault.IMPLAUSIBLE, f"count {remain} of {per} per °C: {data.hex(' ')}")
    value_c = (_signed(data[0], data[1]) >> 1) - 0.25 + (per - remain) / per
    return Measured(value_c, value_c, may_be_power_on=value_c == _POWER_ON_C)


@dataclass(frozen=True, slots=True)
class _Piece:
    """Part of a reference function: E [mV] = Σ coefficients[i]·t^i (+ bump), t [°C] up to upper_c."""

    upper_c: float
    coefficients: tuple[float, ...]
    bump: tuple[float, float, float] | None = None  # a0·exp(a1·(t − a2)²)

    def emf(self, t_c: float) -> tuple[float, float]:
        """E [mV] and dE/dt [mV/°C]."""
        e = slope = 0.0
        for coefficient in reversed(self.coefficients):
            slope = slope * t_c + e
            e = e * t_c + coefficient
        if self.bump is not None:
            a0, a1, a2 = self.bump
            extra = a0 * math.exp(a1 * (t_c - a2) ** 2)
            e += extra
            slope += 2 * a1 * (t_c - a2) * extra
        return e, slope


@dataclass(frozen=True, slots=True)
class Thermocouple:
    """The ITS-90 reference function of one type, reference junction at 0 °C.

    Source: NIST Monograph 175 / SRD 60. converter_mv_per_c: slope of the straight line that a converter
    made for this type takes for the function (K: data sheet 19-6725; J, T: from memory).
    """

    lowest_c: float
    pieces: tuple[_Piece, ...]
    converter_mv_per_c: float

    @property
    def highest_c(self) -> float:
        return self.pieces[-1].upper_c

    def emf(self, t_c: float) -> float:
        """E(t) [mV] of a temperature [°C]; ValueError outside lowest_c … highest_c."""
        if not self.lowest_c <= t_c <= self.highest_c:
            raise ValueError(f"{t_c} °C is outside {self.lowest_c} … {self.highest_c} °C")
        return self._emf(t_c)[0]

    def temperature(self, e_mv: float) -> float | None:
        """The temperature [°C] of E [mV], to 1e-9 °C; None where the function doesn't reach E.

        Newton steps on the reference function, replaced by halving where one leaves the bracket; the
        inverse polynomials of the same source are only approximate, by up to 0.06 °C.
        """
        low, high = self.lowest_c, self.highest_c
        if not self._emf(low)[0] <= e_mv <= self._emf(high)[0]:
            return None
        t_c = min(max(e_mv / self.converter_mv_per_c, low), high)
        for _ in range(80):
            e, slope = self._emf(t_c)
            if e > e_mv:
                high = t_c
            else:
                low = t_c
            step = (e_mv - e) / slope if slope > 0 else math.inf
            if abs(step) < 1e-10:
                break
            t_c = t_c + step if low <= t_c + step <= high else (low + high) / 2
        return t_c

    def _emf(self, t_c: float) -> tuple[float, float]:
        piece = next((p for p in self.pieces if t_c < p.upper_c), self.pieces[-1])
        return piece.emf(t_c)


def linearise(reported_c: float, cold_c: float, thermocouple: ThermocoupleType = "K") -> float | None:
    """The true temperature [°C] behind a converter's report, None where the type doesn't reach it.

    A converter takes the thermocouple for a straight line: reported = cold + (E(hot) − E(cold)) / s.
    So E(hot) = s·(reported − cold) + E(cold), and hot is the inverse reference function of that.

    Args:
        reported_c: compensated temperature as the converter gives it [°C].
        cold_c: its own temperature, the cold junction [°C].
    """
    wire = THERMOCOUPLES[thermocouple]
    if not wire.lowest_c <= cold_c <= wire.highest_c:
        return None
    return wire.temperature(wire.converter_mv_per_c * (reported_c - cold_c) + wire.emf(cold_c))


# NIST Monograph 175 / SRD 60, coefficients of the reference functions, mV and °C, lowest power first.
_K = Thermocouple(
    -270.0,
    (
        _Piece(
            0.0,
            (
                0.0,
                0.394501280250e-01,
                0.236223735980e-04,
                -0.328589067840e-06,
                -0.499048287770e-08,
                -0.675090591730e-10,
                -0.574103274280e-12,
                -0.310888728940e-14,
                -0.104516093650e-16,
                -0.198892668780e-19,
                -0.163226974860e-22,
            ),
        ),
        _Piece(
            1372.0,
            (
                -0.176004136860e-01,
                0.389212049750e-01,
                0.185587700320e-04,
                -0.994575928740e-07,
                0.318409457190e-09,
                -0.560728448890e-12,
                0.560750590590e-15,
                -0.320207200030e-18,
                0.971511471520e-22,
                -0.121047212750e-25,
            ),
            (0.118597600000e00, -0.118343200000e-03, 0.126968600000e03),
        ),
    ),
    0.041276,
)
_J = Thermocouple(
    -210.0,
    (
        _Piece(
            760.0,
            (
                0.0,
                0.503811878150e-01,
                0.304758369300e-04,
                -0.856810657200e-07,
                0.132281952950e-09,
                -0.170529583370e-12,
                0.209480906970e-15,
                -0.125383953360e-18,
                0.156317256970e-22,
            ),
        ),
        _Piece(
            1200.0,
            (
                0.296456256810e03,
                -0.149761277860e01,
                0.317871039240e-02,
                -0.318476867010e-05,
                0.157208190040e-08,
                -0.306913690560e-12,
            ),
        ),
    ),
    0.057953,
)
_T = Thermocouple(
    -270.0,
    (
        _Piece(
            0.0,
            (
                0.0,
                0.387481063640e-01,
                0.441944343470e-04,
                0.118443231050e-06,
                0.200329735540e-07,
                0.901380195590e-09,
                0.226511565930e-10,
                0.360711542050e-12,
                0.384939398830e-14,
                0.282135219250e-16,
                0.142515947790e-18,
                0.487686622860e-21,
                0.107955392700e-23,
                0.139450270620e-26,
                0.797951539270e-30,
            ),
        ),
        _Piece(
            400.0,
            (
                0.0,
                0.387481063640e-01,
                0.332922278800e-04,
                0.206182434040e-06,
                -0.218822568460e-08,
                0.109968809280e-10,
                -0.308157587720e-13,
                0.454791352900e-16,
                -0.275129016730e-19,
            ),
        ),
    ),
    0.05218,
)
THERMOCOUPLES: Mapping[ThermocoupleType, Thermocouple] = {"K": _K, "J": _J, "T": _T}
