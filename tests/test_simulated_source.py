"""The simulated engine as a source among sources."""

from __future__ import annotations

import threading

import pytest

from probe_agent.engine_sim import (
    Day,
    EngineDesign,
    Event,
    Happening,
    ProbeDesign,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.probes import Source
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.readings import Fault, ProbeFault, Reading


def engine(*events: Event) -> SimulatedEngine:
    probes = (ProbeDesign("sump"), ProbeDesign("cyl-1"), ProbeDesign("ambient"))
    return SimulatedEngine(EngineDesign.nominal(), SetupDesign(), Day(), probes, events)


ON = Event(0.0, Happening.HEATER_ON)


def test_it_is_a_source_whose_addresses_are_places():
    source: Source = SimulatedSource(engine())
    assert source.next_at(5.0) == 5.0
    scan = source.read(5.0)
    assert scan.t_s == 5.0
    assert [sample.address for sample in scan.samples] == ["sump", "cyl-1", "ambient"]
    assert all(isinstance(sample, Reading) and sample.t_s == 5.0 for sample in scan.samples)
    source.close()


def test_the_engines_time_starts_at_the_first_read_or_where_told():
    late, told = engine(ON), engine(ON)
    SimulatedSource(late).read(1e6)
    SimulatedSource(told, start_s=1e6 - 600).read(1e6)
    assert late.t_s == 0
    assert told.t_s == 600


def test_a_fault_is_a_sample_at_the_runs_time():
    source = SimulatedSource(engine(Event(60.0, Happening.PROBE_OPEN, "cyl-1")))
    source.read(1000.0)
    sump, cylinder, _air = source.read(1060.0).samples
    assert isinstance(sump, Reading)
    assert isinstance(cylinder, ProbeFault)
    assert (cylinder.fault, cylinder.t_s) == (Fault.OPEN, 1060.0)


@pytest.mark.parametrize(("measured", "share"), [(True, 0.98**2), (False, None)])
def test_the_heater_is_told_only_where_it_is_measured(measured, share):
    scan = SimulatedSource(engine(ON), heater_measured=measured).read(0.0)
    assert scan.heater == (share if share is None else pytest.approx(share))


def test_a_clock_that_jumps_or_steps_back():
    source = SimulatedSource(engine(ON))
    source.read(0.0)
    day_later = source.read(86_400.0)
    lived_s, warm_c = source.engine.t_s, source.engine.place_c("cyl-1")
    back = source.read(3600.0)
    assert back.t_s == 3600.0
    assert (source.engine.t_s, source.engine.place_c("cyl-1")) == (lived_s, warm_c)
    assert day_later.heater == back.heater
    assert warm_c > 7


def test_switching_takes_effect_from_the_run_second_given():
    source = SimulatedSource(engine())
    source.read(100.0)
    source.set_heater(160.0, 1.0)
    source.read(400.0)
    assert source.engine.energy().heater_j == pytest.approx(650 * 0.98**2 * 240)
    source.set_heater(400.0, 0.0)
    source.set_cover(400.0, False)
    assert source.read(500.0).heater == 0.0
    assert not source.engine.covered


def test_reads_and_switches_from_several_threads_keep_the_ledger():
    source = SimulatedSource(engine(ON))
    source.read(0.0)

    def use(offset: int) -> None:
        for k in range(40):
            source.set_heater(k * 60.0 + offset, float((k + offset) % 2))
            source.read(k * 60.0 + offset)

    threads = [threading.Thread(target=use, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert source.engine.t_s == 39 * 60.0 + 3
    assert source.engine.energy().imbalance < 1e-3
