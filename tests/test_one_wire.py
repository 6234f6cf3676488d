"""1-Wire probes through a sysfs tree as the kernel writes it."""

from __future__ import annotations

from pathlib import Path

import pytest
from sysfs_tree import BulkBus, W1Tree, converter, kernel_millidegrees, scratchpad, thermometer, w1_slave_text
from test_thermocouple import SAMPLES

from probe_agent.probes import one_wire
from probe_agent.probes.one_wire import OneWireSource
from probe_agent.readings import Fault, ProbeFault, Reading, Scan
from probe_agent.thermocouple import linearise

ROOT = Path(__file__).parents[1]
A, B, C = "28-00000a000001", "3b-00000b000002", "28-00000c000003"


@pytest.fixture
def tree(tmp_path: Path) -> W1Tree:
    return W1Tree(tmp_path)


def by_address(scan: Scan) -> dict[str, Reading | ProbeFault]:
    return {s.address: s for s in scan.samples}


def outcomes(scan: Scan) -> dict[str, float | Fault]:
    """What each address gave: the converter's or chip's own number, or the fault."""
    return {s.address: s.raw_c if isinstance(s, Reading) else s.fault for s in scan.samples}


# What w1_slave holds for the samples, whole; t= as drivers/w1/slaves/w1_therm.c computes it.
TEXTS = {
    "91 01 4b 46 7f ff 0f 10 25": 25062,
    "5e ff 4b 46 7f ff 02 10 b6": -10125,
    "50 05 4b 46 7f ff 0c 10 1c": 85000,
    "50 05 4b 46 7f ff 10 10 bd": 85000,
    "90 01 10 16 f0 ff ff ff 57": 25000,
    "c0 fe 80 ec f0 ff ff ff e6": -20000,
    "64 02 80 05 f3 ff ff ff 29": 38250,
    "50 05 00 14 f0 ff ff ff a0": 85000,
    "01 00 01 15 f0 ff ff ff cd": 0,
    "01 00 02 15 f0 ff ff ff 94": 0,
    "01 00 04 15 f0 ff ff ff 26": 0,
}


@pytest.mark.parametrize("hex_bytes", SAMPLES)
def test_samples_as_the_kernel_writes_them(tree: W1Tree, hex_bytes: str) -> None:
    family, expected, cold_c = SAMPLES[hex_bytes]
    text = f"{hex_bytes} : crc={hex_bytes[-2:]} YES\n{hex_bytes} t={TEXTS[hex_bytes]}\n"
    assert w1_slave_text(bytes.fromhex(hex_bytes), family) == text
    address = f"{family:02x}-0000000000aa"
    tree.put_text(address, text)
    (sample,) = OneWireSource(tree.directory).read(7.0).samples
    assert (sample.address, sample.t_s, sample.cold_c) == (address, 7.0, cold_c)
    if isinstance(expected, Fault):
        assert isinstance(sample, ProbeFault)
        assert sample.fault == expected
    else:
        assert isinstance(sample, Reading)
        assert sample.raw_c == expected
        assert sample.value_c == (expected if cold_c is None else linearise(expected, cold_c))


def test_millidegrees_of_the_kernel() -> None:
    # w1_therm.c truncates toward zero: 25.0625 → 25062, −25.0625 → −25062.
    assert kernel_millidegrees(thermometer(25.0625), 0x28) == 25062
    assert kernel_millidegrees(thermometer(-25.0625), 0x28) == -25062


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", Fault.NO_ANSWER),
        ("\n", Fault.NO_ANSWER),
        (w1_slave_text(thermometer(20.0), 0x28, "NO"), Fault.CHECKSUM),
        ("91 01 4b 46 7f ff 0f 10 24 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 24 t=25062\n", Fault.CHECKSUM),
        ("00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n", Fault.LINE_LOW),
        ("91 01 4b 46 : crc=25 YES\n", Fault.CHECKSUM),
        ("\x00\xff nonsense", Fault.CHECKSUM),
        ("ff 07 4b 46 7f ff 0c 10 xx : crc=xx YES\n", Fault.CHECKSUM),
        (w1_slave_text(scratchpad("ff074b467fff0c10"), 0x28), Fault.WEAK_SUPPLY),
    ],
)
def test_faults_are_told_apart_and_hide_no_neighbour(tree: W1Tree, text: str, fault: Fault) -> None:
    tree.put(B, converter(-12.25, -10.5))
    tree.put_text(A, text.encode().decode("ascii", "ignore"))
    tree.put(C, thermometer(-11.5))
    scan = OneWireSource(tree.directory).read(0.0)
    assert outcomes(scan) == {A: fault, B: -12.25, C: -11.5}


def test_one_line_alone_is_enough_and_the_second_is_not_believed(tree: W1Tree) -> None:
    line = thermometer(3.5).hex(" ")
    tree.put_text(A, f"{line} : crc={line[-2:]} YES\n")
    tree.put_text(C, f"{line} : crc={line[-2:]} YES\n{line} t=99000\n")
    assert outcomes(OneWireSource(tree.directory).read(0.0)) == {A: 3.5, C: 3.5}


def test_what_is_no_thermometer_is_not_an_address(tree: W1Tree) -> None:
    tree.put(A, thermometer(1.0))
    for other in ("01-00000d000004", "2d-00000d000005", "00-100000000000"):
        (tree.directory / other).symlink_to(tree.bus())
    assert OneWireSource(tree.directory).read(0.0).samples[0].address == A
    assert len(OneWireSource(tree.directory).read(0.0).samples) == 1


def test_the_wire_type_is_set_by_address(tree: W1Tree) -> None:
    tree.put(B, converter(60.0, -20.0))
    (sample,) = OneWireSource(tree.directory, thermocouples={B: "J"}).read(0.0).samples
    assert isinstance(sample, Reading)
    assert sample.value_c == linearise(60.0, -20.0, "J") != linearise(60.0, -20.0)


@pytest.fixture
def bulk(tree: W1Tree, monkeypatch: pytest.MonkeyPatch) -> BulkBus:
    bus = BulkBus(tree, {A: -12.0, C: -11.0})
    monkeypatch.setattr(one_wire, "read_attribute", bus.read_attribute)
    monkeypatch.setattr(one_wire, "write_attribute", bus.write_attribute)
    return bus


def test_one_bulk_conversion_serves_all_probes_of_the_bus(tree: W1Tree, bulk: BulkBus) -> None:
    source = OneWireSource(tree.directory)
    assert outcomes(source.read(0.0)) == {A: -12.0, C: -11.0}
    bulk.metal_c = {A: -10.0, C: -9.0}
    assert outcomes(source.read(15.0)) == {A: -10.0, C: -9.0}
    assert (bulk.bulk_conversions, bulk.single_conversions) == (2, 0)


def test_an_old_conversion_nobody_read_is_not_taken_for_fresh(tree: W1Tree, bulk: BulkBus) -> None:
    bulk.write_attribute(bulk.bus / "therm_bulk_read", b"trigger\n")
    bulk.metal_c = {A: 5.0, C: 6.0}
    for bulk.writable in (True, False):
        bulk.unread = {A, C}
        bulk.held_c = {A: -12.0, C: -11.0}
        assert outcomes(OneWireSource(tree.directory).read(0.0)) == {A: 5.0, C: 6.0}


def test_a_trigger_the_bus_did_not_answer_is_noticed(tree: W1Tree, bulk: BulkBus) -> None:
    # w1_therm.c marks all probes as converted even where five resets found nobody.
    source = OneWireSource(tree.directory)
    source.read(0.0)
    bulk.metal_c = {A: 5.0, C: 6.0}
    bulk.present = False
    assert outcomes(source.read(15.0)) == {A: 5.0, C: 6.0}
    assert bulk.bulk_conversions == 1


def test_where_bulk_conversion_is_not_permitted_each_probe_converts(tree: W1Tree, bulk: BulkBus) -> None:
    bulk.writable = False
    assert outcomes(OneWireSource(tree.directory).read(0.0)) == {A: -12.0, C: -11.0}
    assert (bulk.bulk_conversions, bulk.single_conversions) == (0, 2)


@pytest.mark.parametrize("state", ["0\n", "1\n", "-1\n", "", "?\n"])
def test_exactly_eight_bytes_are_written_where_nothing_is_unread(
    tree: W1Tree, state: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(one_wire, "_SETTLE_S", 0.1)
    tree.put(A, thermometer(2.0))
    trigger = tree.bus() / "therm_bulk_read"
    trigger.write_text(state)
    assert outcomes(OneWireSource(tree.directory).read(0.0)) == {A: 2.0}
    assert trigger.read_bytes() == (b"trigger\n" if state == "0\n" else state.encode())
