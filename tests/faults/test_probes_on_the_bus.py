"""Probes on the 1-Wire bus: what a probe, a wire or a bus does to the source that reads them (rows A3, A6,
A7, A10, A12)."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent.parent))

from sysfs_tree import W1Tree, converter, scratchpad, thermometer, w1_slave_text
from test_one_wire import by_address, outcomes

from probe_agent.probes.one_wire import FreezeWatch, OneWireSource
from probe_agent.readings import Fault, ProbeFault

ROOT = Path(__file__).parents[2]
A, B, C = "28-00000a000001", "3b-00000b000002", "28-00000c000003"


@pytest.fixture
def tree(tmp_path: Path) -> W1Tree:
    return W1Tree(tmp_path)


def test_a_true_85_degrees_is_read_on_a_ramp(tree: W1Tree) -> None:
    """A3: 85 °C is a real temperature after a flight."""
    address = "22-00000d000004"
    source = OneWireSource(tree.directory)
    seen: list[float | Fault] = []
    for value_c in (85.5, 85.0625, 85.0, 84.9375):
        tree.put(address, thermometer(value_c))
        tree.put(A, thermometer(value_c))
        found = outcomes(source.read(0.0))
        assert found[address] == found[A]
        seen.append(found[address])
    assert seen == [85.5, 85.0625, 85.0, 84.9375]


@pytest.mark.parametrize("family", ["10", "22", "42"])
def test_exactly_85_degrees_out_of_nowhere_waits_for_a_second_reading(tree: W1Tree, family: str) -> None:
    """A3: of families whose bytes can't tell, 85 °C waits for the next reading."""
    address = f"{family}-00000d000004"
    power_on = scratchpad("aa004b46ffff0c10") if family == "10" else thermometer(85.0, byte_6=0x0C)
    cold = scratchpad("0000ffffffff0c10") if family == "10" else thermometer(0.0)
    source = OneWireSource(tree.directory)
    seen: list[float | Fault] = []
    for data in (power_on, power_on, cold, power_on, cold, None, power_on, power_on):
        if data is None:
            tree.fail(address)
        else:
            tree.put(address, data)
        seen.append(outcomes(source.read(0.0))[address])
    wait = Fault.UNCONFIRMED
    assert seen == [wait, 85.0, 0.0, wait, 0.0, Fault.NO_ANSWER, wait, 85.0]


def test_states_that_flip_while_running_recover_by_themselves(tree: W1Tree) -> None:
    """A6: empty answers, faults and vanished directories while it runs; each recovers by itself."""
    source = OneWireSource(tree.directory, expected=[A])
    assert outcomes(source.read(0.0)) == {A: Fault.MISSING}
    tree.put(A, thermometer(-12.0))
    tree.put(B, converter(-12.0, -11.0))
    steps: list[tuple[float | Fault, float | Fault]] = []

    def both_again() -> None:
        tree.put(A, thermometer(-11.0))
        tree.put(B, converter(-11.0, -11.0))

    acts: list[Callable[[], None]] = [
        lambda: None,
        lambda: tree.fail(A),
        lambda: tree.put(A, thermometer(-11.5)),
        lambda: tree.put(B, converter(0.0, -11.0, faults=2)),
        lambda: tree.put(B, converter(-11.25, -11.0)),
        lambda: tree.remove(B),
        lambda: tree.remove(A, leave_link=True),
        both_again,
    ]
    for t_s, act in enumerate(acts):
        act()
        found = outcomes(source.read(15.0 * t_s))
        steps.append((found[A], found[B]))
    assert steps == [
        (-12.0, -12.0),
        (Fault.NO_ANSWER, -12.0),
        (-11.5, -12.0),
        (-11.5, Fault.SHORT_GND),
        (-11.5, -11.25),
        (-11.5, Fault.MISSING),
        (Fault.MISSING, Fault.MISSING),
        (-11.0, -11.0),
    ]
    assert source.addresses == (A, B)


def test_a_directory_without_w1_slave_hides_no_neighbour(tree: W1Tree) -> None:
    """A6: a directory whose file is gone."""
    # The package alone raises NoSensorFoundError for the whole enumeration here.
    tree.put(A, thermometer(1.0))
    tree.put(C, thermometer(2.0))
    (tree.bus() / A / "w1_slave").unlink()
    assert outcomes(OneWireSource(tree.directory).read(0.0)) == {A: Fault.MISSING, C: 2.0}


texts = st.one_of(
    st.just(""),
    st.binary(max_size=80).map(lambda b: b.decode("latin-1")),
    st.binary(min_size=8, max_size=8).map(lambda b: w1_slave_text(scratchpad(b.hex()), 0x3B)),
    st.binary(min_size=9, max_size=9).map(lambda b: w1_slave_text(b, 0x28)),
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(texts, st.sampled_from([A, B]), st.booleans())
def test_whatever_one_probe_gives_the_others_stay_the_same(
    tmp_path: Path, text: str, bad: str, gone: bool
) -> None:
    """A6: any text in one probe's file, or none, changes no other probe."""
    tree = W1Tree(tmp_path / "tree")
    try:
        tree.put(A, thermometer(-12.0))
        tree.put(B, converter(-12.25, -10.0))
        tree.put(C, thermometer(-11.0))
        source = OneWireSource(tree.directory)
        before = by_address(source.read(0.0))
        (tree.bus() / bad / "w1_slave").write_bytes(text.encode("latin-1"))
        if gone:
            tree.remove(bad, leave_link="t" in text)
        after = by_address(source.read(0.0))
        del before[bad], after[bad]
        assert after == before
        assert len(after) == 2
    finally:
        shutil.rmtree(tmp_path / "tree")


def test_a_probe_is_frozen_once_most_others_moved_far_and_long() -> None:
    """A7: the same nine bytes while the others move."""
    watch = FreezeWatch()
    frozen_at: list[float] = []
    for cycle in range(120):
        t_s, warm = cycle * 15.0, -12.0 + cycle * 0.05
        now = {p: (f"{p}{cycle}".encode(), warm) for p in ("sump", "cyl-1", "cyl-2")}
        if watch.update(t_s, {**now, "nose": (b"same", -12.0)}) == {"nose"}:
            frozen_at.append(t_s)
    assert frozen_at == [15.0 * c for c in range(80, 120)]  # from 20 min on; the others moved by 4 °C
    assert watch.update(1800.0, {"sump": (b"x", 0.0), "cyl-1": (b"y", 0.0), "nose": (b"new", -12.0)}) == set()


def test_a_cold_soaked_engine_where_little_moves_has_no_frozen_probe() -> None:
    """A7: the same nine bytes where nothing moves are no fault."""
    watch = FreezeWatch()
    for cycle in range(2000):
        now = {p: (f"{p}{cycle}".encode(), -12.0 + 0.0005 * cycle) for p in ("sump", "cyl-1")}
        assert watch.update(cycle * 15.0, {**now, "nose": (b"same", -12.0)}) == set()


def test_a_frozen_probe_is_stale_and_recovers(tree: W1Tree) -> None:
    """A7: through the source, and back."""
    source = OneWireSource(tree.directory)
    tree.put(A, thermometer(-12.0))
    found: list[float | Fault] = []
    for cycle in range(25):
        tree.put(B, converter(-12.0 + cycle, -10.0))
        tree.put(C, thermometer(-12.0 + cycle))
        found.append(outcomes(source.read(cycle * 60.0))[A])
    assert found == [-12.0] * 20 + [Fault.STALE] * 5
    tree.put(A, thermometer(-11.9375))
    assert outcomes(source.read(1500.0))[A] == -11.9375


def threads_of_buses() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name.startswith("1-wire")]


def test_a_bus_that_hangs_holds_up_no_other_and_recovers(tree: W1Tree) -> None:
    """A10: a read that never comes back, on one of two buses."""
    tree.put(A, thermometer(-5.0), bus=1)
    tree.hang(B, bus=1)
    tree.put(C, thermometer(-6.0), bus=2)
    source = OneWireSource(tree.directory, deadline_s=2.0)
    started = time.monotonic()
    # B comes after A on the bus: what answered before the hang is a reading, fresh and whole.
    assert outcomes(source.read(0.0)) == {A: -5.0, B: Fault.NO_ANSWER, C: -6.0}
    assert time.monotonic() - started < source.deadline_s
    for t_s in (15.0, 30.0, 45.0):
        assert outcomes(source.read(t_s)) == {A: Fault.NO_ANSWER, B: Fault.NO_ANSWER, C: -6.0}
        assert threads_of_buses() == ["1-wire w1_bus_master1"]
    tree.release(B, converter(-4.0, -3.0))
    give_up_at = time.monotonic() + 10
    while threads_of_buses() and time.monotonic() < give_up_at:
        threading.Event().wait(0.005)
    assert outcomes(source.read(60.0)) == {A: -5.0, B: -4.0, C: -6.0}
    assert threads_of_buses() == []


def test_an_answer_after_the_deadline_is_not_taken_for_fresh(tree: W1Tree) -> None:
    """A10: what a slow bus answers too late is not the next reading."""
    tree.hang(A)
    source = OneWireSource(tree.directory, deadline_s=0.2)
    assert outcomes(source.read(0.0)) == {A: Fault.NO_ANSWER}
    tree.release(A, thermometer(-20.0))
    tree.put(A, thermometer(5.0))
    give_up_at = time.monotonic() + 10
    while (found := outcomes(source.read(15.0))[A]) == Fault.NO_ANSWER and time.monotonic() < give_up_at:
        threading.Event().wait(0.005)
    assert found == 5.0


def test_without_any_bus_it_starts_at_once_and_says_what_is_missing(tmp_path: Path) -> None:
    """A12: no /sys/bus/w1."""
    started = time.monotonic()
    source = OneWireSource(tmp_path / "sys/bus/w1/devices", expected=[A, B])
    scan = source.read(3.0)
    assert time.monotonic() - started < 0.5
    assert outcomes(scan) == {A: Fault.MISSING, B: Fault.MISSING}
    assert all(isinstance(s, ProbeFault) and "1-Wire bus" in s.detail for s in scan.samples)


def test_import_without_kernel_modules_is_quick_and_loads_none() -> None:
    """A12: the package by itself would load modules, wait and raise."""
    # The package's own import waits a second and raises where there is no bus.
    code = (
        "import time; t = time.monotonic(); import probe_agent.probes.one_wire; print(time.monotonic() - t)"
    )
    env = {k: v for k, v in os.environ.items() if k != "W1THERMSENSOR_NO_KERNEL_MODULE"}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=env, cwd=ROOT, check=True
    )
    assert float(done.stdout) < 1.0
