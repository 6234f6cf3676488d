"""What every source of readings keeps to, whatever it reads; and what is special to hand readings."""

from __future__ import annotations

import json
import math
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from real_broker import RealBroker, publish_once
from sysfs_tree import W1Tree, converter, thermometer

from probe_agent.config import Broker, Probe
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
from probe_agent.probes.hand import HandEntries
from probe_agent.probes.one_wire import OneWireSource
from probe_agent.probes.recording import RecordingSource
from probe_agent.probes.remote import RemoteProbes
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.readings import Fault, Method, ProbeFault, Reading, Scan

INSTANTS_S = (0.0, 15.0, 30.0, 45.0)


@dataclass(frozen=True)
class Rig:
    """A source, its addresses, and the one that goes bad from the second instant on if asked for."""

    source: Source
    addresses: frozenset[str]
    bad: str
    go_bad: Callable[[], object]


def one_wire(tmp_path: Path) -> Rig:
    addresses = ("28-00000a000001", "3b-00000b000002", "3b-00000b000003")
    tree = W1Tree(tmp_path)
    tree.put(addresses[0], thermometer(-12.0))
    tree.put(addresses[1], converter(-11.5, -10.0))
    source = OneWireSource(tree.directory, expected=addresses, deadline_s=5.0)
    bad = addresses[1]
    return Rig(source, frozenset(addresses), bad, lambda: tree.put(bad, converter(-11.5, -10.0, faults=1)))


def recording(tmp_path: Path) -> Rig:
    pipe = tmp_path / "night.csv"
    os.mkfifo(pipe)
    writer = os.open(pipe, os.O_RDWR)
    cyl_1 = ["-12.5"]

    class Fed(RecordingSource):
        """Rows come one by one, as from a recorder; each is written just before it is asked for."""

        written = 0

        def next_at(self, now_s: float) -> float | None:
            self.feed(now_s)
            return super().next_at(now_s)

        def read(self, now_s: float) -> Scan:
            self.feed(now_s)
            return super().read(now_s)

        def feed(self, now_s: float) -> None:
            for t_s in INSTANTS_S[self.written :]:
                if t_s <= now_s:
                    os.write(writer, f"{t_s},{t_s / 10 - 12},{cyl_1[0]},-13,{t_s}\n".encode())
                    self.written += 1

        def close(self) -> None:
            super().close()
            nonlocal writer
            if writer >= 0:
                os.close(writer)
                writer = -1

    os.write(writer, b"time,sump,cyl-1,ambient,heater\n")
    source = Fed(pipe)
    return Rig(source, frozenset({"sump", "cyl-1", "ambient"}), "cyl-1", lambda: cyl_1.__setitem__(0, ""))


def hand(tmp_path: Path) -> Rig:
    source = HandEntries(expected=["nose"])
    first = source.enter("sump", -30.0, -11.0, Method.INFRARED)
    source.enter("cyl-1", 0.0, -12.0, Method.CONTACT)
    return Rig(source, frozenset({"nose", "sump", "cyl-1"}), "sump", lambda: source.undo(first))


def simulated(tmp_path: Path, bad_from_s: float = math.inf) -> Rig:
    places = ("sump", "cyl-1", "ambient")
    events = [Event(bad_from_s, Happening.PROBE_OPEN, "cyl-1")] if math.isfinite(bad_from_s) else []
    engine = SimulatedEngine(
        EngineDesign.nominal(), SetupDesign(), Day(), [ProbeDesign(p) for p in places], events, seed=1
    )
    return Rig(SimulatedSource(engine, start_s=0.0), frozenset(places), "cyl-1", lambda: None)


BROKER: list[RealBroker] = []


@pytest.fixture(scope="module", autouse=True)
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The one that remote probes come by, for all of this file."""
    with RealBroker(tmp_path_factory.mktemp("broker")) as running:
        BROKER.append(running)
        yield
        BROKER.clear()


def remote(tmp_path: Path) -> Rig:
    port, topic = BROKER[0].port, f"probes{tmp_path}".replace("/", "-")

    def probe(place: str, pointer: str, unit: Literal["C", "F", "K"]) -> Probe:
        return Probe(
            place=place, address=f"far-{place}", source="mqtt", topic=topic, pointer=pointer, unit=unit
        )

    probes = (probe("sump", "/sump/c", "C"), probe("cyl-1", "/cyl/0", "F"), probe("ambient", "/k", "K"))
    source = RemoteProbes(Broker(host="127.0.0.1", port=port), probes, None, clock=lambda: 0.0)

    def say(sump: object) -> None:
        with source.changed:
            text = json.dumps({"sump": {"c": sump}, "cyl": [14], "k": 262.15})
            publish_once(port, topic, text.encode(), retain=False)
            assert source.changed.wait(10)

    source.start()
    with source.changed:
        assert source.changed.wait_for(lambda: source.is_listening, 10)
    say(-11.5)
    return Rig(source, frozenset(source.addresses), "far-sump", lambda: say(None))


RIGS = {
    "one-wire": one_wire,
    "recording": recording,
    "hand": hand,
    "simulated": simulated,
    "mqtt": remote,
}


@pytest.fixture(params=RIGS)
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def scans_of(rig: Rig) -> list[Scan]:
    scans = [rig.source.read(t_s) for t_s in INSTANTS_S]
    rig.source.close()
    return scans


def test_one_sample_for_every_address_in_time(kind: str, tmp_path: Path) -> None:
    rig = RIGS[kind](tmp_path)
    assert rig.source.name == kind
    for now_s in INSTANTS_S:
        due_s = rig.source.next_at(now_s)
        assert due_s is not None
        assert due_s <= now_s
        started = time.monotonic()
        scan = rig.source.read(now_s)
        assert time.monotonic() - started < rig.source.deadline_s
        assert scan.t_s == now_s
        assert sorted(s.address for s in scan.samples) == sorted(rig.addresses)
        assert scan.heater is None or 0.0 <= scan.heater <= 1.0
        for sample in scan.samples:
            assert sample.t_s <= now_s
            if isinstance(sample, Reading):
                assert math.isfinite(sample.raw_c)
                assert math.isfinite(sample.value_c)
            else:
                assert sample.fault in Fault
                assert sample.detail
    rig.source.close()


def test_one_bad_address_changes_no_other(kind: str, tmp_path: Path) -> None:
    (tmp_path / "good").mkdir()
    (tmp_path / "bad").mkdir()
    good, bad = RIGS[kind](tmp_path / "good"), RIGS[kind](tmp_path / "bad")
    if kind == "simulated":
        bad = simulated(tmp_path, bad_from_s=INSTANTS_S[1])
    went_bad = False
    for now_s in INSTANTS_S:
        if now_s == INSTANTS_S[1]:
            bad.go_bad()
        expected = {s.address: s for s in good.source.read(now_s).samples}
        found = {s.address: s for s in bad.source.read(now_s).samples}
        went_bad = isinstance(found.pop(bad.bad), ProbeFault)
        expected.pop(bad.bad)
        assert found == expected
    assert went_bad
    good.source.close()
    bad.source.close()


def test_the_same_instants_give_the_same_scans(kind: str, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    first, second = scans_of(RIGS[kind](tmp_path / "a")), scans_of(RIGS[kind](tmp_path / "b"))
    assert first == second


def test_closing_twice_is_harmless_and_leaves_nothing_open(kind: str, tmp_path: Path) -> None:
    before = sorted(os.listdir("/proc/self/fd"))
    source = RIGS[kind](tmp_path).source
    source.read(0.0)
    source.close()
    source.close()
    assert sorted(os.listdir("/proc/self/fd")) == before


# ------------------------------------------------------------------------------------ hand readings


def test_the_latest_entry_counts_until_it_is_too_old() -> None:
    source = HandEntries(max_age_s=1200.0)
    source.enter("sump", 100.0, -3.0, Method.INFRARED)
    source.enter("sump", 50.0, -9.0, Method.CONTACT)  # entered later, taken earlier
    assert source.read(100.0).samples == (Reading("sump", 100.0, -3.0, -3.0, method=Method.INFRARED),)
    assert isinstance(source.read(1300.0).samples[0], Reading)
    (old,) = source.read(1300.1).samples
    assert isinstance(old, ProbeFault)
    assert (old.fault, old.detail, old.t_s) == (Fault.STALE, "entered 20 min ago", 1300.1)


def test_of_two_entries_of_one_instant_the_later_entered_counts() -> None:
    source = HandEntries()
    source.enter("sump", 0.0, -3.0, Method.CONTACT)
    source.enter("sump", 0.0, -4.0, Method.CONTACT)
    assert source.read(0.0).samples[0] == Reading("sump", 0.0, -4.0, -4.0, method=Method.CONTACT)


def test_an_entry_from_later_does_not_count_yet() -> None:
    source = HandEntries()
    source.enter("sump", 60.0, -3.0, Method.CONTACT)
    (sample,) = source.read(59.0).samples
    assert isinstance(sample, ProbeFault)
    assert sample.fault == Fault.MISSING
    assert isinstance(source.read(60.0).samples[0], Reading)


def test_undo_brings_back_the_entry_before() -> None:
    source = HandEntries()
    source.enter("sump", 0.0, -3.0, Method.CONTACT)
    wrong = source.enter("sump", 10.0, 30.0, Method.CONTACT)
    assert source.undo(wrong)
    assert not source.undo(wrong)
    (sample,) = source.read(20.0).samples
    assert isinstance(sample, Reading)
    assert sample.value_c == -3.0
    assert source.addresses == ("sump",)


@pytest.mark.parametrize("value_c", [math.nan, math.inf])
def test_a_number_that_is_none_is_refused(value_c: float) -> None:
    source = HandEntries()
    with pytest.raises(ValueError, match="sump"):
        source.enter("sump", 0.0, value_c, Method.CONTACT)
    with pytest.raises(ValueError, match="sump"):
        source.enter("sump", value_c, 0.0, Method.CONTACT)
    with pytest.raises(ValueError, match="infrared or contact"):
        source.enter("sump", 0.0, 0.0, Method.PROBE)
    with pytest.raises(ValueError, match="max_age_s"):
        HandEntries(max_age_s=0.0)
    assert source.read(0.0).samples == ()


@given(
    st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 5000), st.integers(-40, 90)), max_size=20),
    st.data(),
)
def test_hand_entries_with_undo_equal_the_entries_left(
    entries: list[tuple[str, int, int]], data: st.DataObject
) -> None:
    source, left = HandEntries(expected="abc"), dict[int, tuple[str, int, int]]()
    for place, t_s, value_c in entries:
        left[source.enter(place, t_s, value_c, Method.CONTACT)] = (place, t_s, value_c)
    for entry in data.draw(st.lists(st.sampled_from(sorted(left)), unique=True) if left else st.just([])):
        assert source.undo(entry)
        del left[entry]
    now_s = data.draw(st.integers(0, 7000))
    for sample in source.read(now_s).samples:
        taken = [(t, i, c) for i, (p, t, c) in left.items() if p == sample.address and t <= now_s]
        if not taken:
            assert isinstance(sample, ProbeFault)
            assert sample.fault == Fault.MISSING
        elif now_s - max(taken)[0] > 1200:
            assert isinstance(sample, ProbeFault)
            assert sample.fault == Fault.STALE
        else:
            assert isinstance(sample, Reading)
            assert (sample.t_s, sample.value_c) == (max(taken)[0], max(taken)[2])
