"""A1, A3, A4, A5: whatever nine bytes a probe gives."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent.parent))

from sysfs_tree import crc8_by_division, w1_slave_text

from probe_agent.probes.one_wire import read_slave
from probe_agent.readings import Fault
from probe_agent.thermocouple import FAMILIES, THERMOCOUPLES, Failed, Measured, decode_scratchpad

ORDINARY, LONG = 2_000, 100_000
CONVERTER_FAULTS = (Fault.OPEN, Fault.SHORT_GND, Fault.SHORT_VDD)

temperatures = st.one_of(
    st.binary(min_size=2, max_size=2),
    st.sampled_from([b"\x50\x05", b"\xff\x07", b"\x00\x00", b"\xaa\x00", b"\xff\xff", b"\x00\x80"]),
)
"""Two bytes, often those of 85, 127.94 and 0 °C."""
first_eight = st.builds(
    lambda t, rest, byte_6: t + rest[:4] + bytes((byte_6,)) + rest[4:],
    temperatures,
    st.binary(min_size=5, max_size=5),
    st.one_of(st.just(0x0C), st.integers(0, 255)),
)
families = st.one_of(st.sampled_from(FAMILIES), st.integers(0, 255))
kinds = st.sampled_from(sorted(THERMOCOUPLES))


def complaints(first: bytes, family: int, kind: str) -> list[str]:
    """What the nine bytes with these first eight and their checksum are taken for against the rules."""
    data = first + bytes((crc8_by_division(first),))
    found = decode_scratchpad(data, family, kind)  # type: ignore[arg-type]
    if not any(data):
        return [] if found == Failed(Fault.LINE_LOW, found.detail) else [f"zeros are {found}"]  # type: ignore[union-attr]
    if family == 0x3B and data[4] & 0x80:
        return _of_converter(data, found)
    return _of_thermometer(data, family, found)


def _of_converter(data: bytes, found: Measured | Failed) -> list[str]:
    wrong = []
    bits = [fault for bit, fault in enumerate(CONVERTER_FAULTS) if data[2] >> bit & 1]
    faulty = bool(data[0] & 1 or bits)
    if faulty and (not isinstance(found, Failed) or found.fault != (bits or [Fault.OPEN])[0]):
        wrong.append(f"a fault bit is set, and it is {found}")
    if not faulty and isinstance(found, Failed) and found.fault is not Fault.IMPLAUSIBLE:
        wrong.append(f"no fault bit is set, and it is {found}")
    if found.cold_c != int.from_bytes(data[2:4], "little", signed=True) // 16 / 16:
        wrong.append(f"the cold junction is {found.cold_c}")
    return wrong + _of_any(found)


def _of_thermometer(data: bytes, family: int, found: Measured | Failed) -> list[str]:
    wrong = []
    may = family == 0x28 and data[6] == 0x0C
    if isinstance(found, Failed) and found.fault in (Fault.POWER_ON, Fault.WEAK_SUPPLY) and not may:
        wrong.append(f"byte 6 or the family doesn't say so, and it is {found}")
    if may and isinstance(found, Measured) and found.raw_c in (85.0, 127.9375):
        wrong.append(f"85 or 127.94 °C with byte 6 = 0C is {found}")
    if family == 0x28 and not may and isinstance(found, Failed):
        wrong.append(f"a sound thermometer is {found}")
    return wrong + _of_any(found)


def _of_any(found: Measured | Failed) -> list[str]:
    if isinstance(found, Measured) and not math.isfinite(found.value_c):
        return [f"{found} is no number"]
    return []


@settings(max_examples=ORDINARY, deadline=None)
@given(first_eight, families, kinds)
@example(bytes(8), 0x28, "K")
@example(bytes.fromhex("50054b467fff0c10"), 0x28, "K")
@example(bytes.fromhex("50054b467fff0c10"), 0x3B, "K")
@example(bytes.fromhex("ff074b467fff0c10"), 0x28, "K")
@example(bytes.fromhex("01000115f0ffffff"), 0x3B, "K")
def test_any_bits_are_a_value_or_the_right_fault(first: bytes, family: int, kind: str) -> None:
    """A1, A3, A4, A5: never an error, never a value with a fault bit, 85 and 127.94 °C refused where family
    and byte 6 say so and nowhere else, nine zero bytes always."""
    assert complaints(first, family, kind) == []


@pytest.mark.long
@settings(max_examples=LONG, deadline=None)
@given(first_eight, families, kinds)
def test_nor_in_a_hundred_thousand(first: bytes, family: int, kind: str) -> None:
    """A1, A3, A4, A5, as above."""
    assert complaints(first, family, kind) == []


@pytest.mark.parametrize("kernel", ["since 5.18", "before"])
@pytest.mark.parametrize(("bits", "fault"), [(1, Fault.OPEN), (2, Fault.SHORT_GND), (4, Fault.SHORT_VDD)])
def test_an_older_kernel_that_folds_fault_bits_into_its_number_changes_nothing(
    tmp_path: Path, kernel: str, bits: int, fault: Fault
) -> None:
    """A1: drivers/w1/slaves/w1_therm.c clears fault and reserved bits since about 5.18; before, they are
    sixteenths of a degree in t=."""
    first = bytes((0x91, 0x01, bits, 0x15, 0xF0, 0xFF, 0xFF, 0xFF))
    data = first + bytes((crc8_by_division(first),))
    text = w1_slave_text(data, 0x3B)
    if kernel == "before":
        text = text.replace("t=25000", "t=25062")
        assert "t=25062" in text
    file = tmp_path / "w1_slave"
    file.write_text(text, "ascii")
    found = read_slave(file)
    assert isinstance(found, bytes)
    decoded = decode_scratchpad(found, 0x3B)
    assert isinstance(decoded, Failed)
    assert decoded.fault == fault
