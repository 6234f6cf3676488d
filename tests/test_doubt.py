"""Places the physics does not believe, and the heater-off test."""

from __future__ import annotations

import math

import pytest

from probe_agent.readings import Observation
from probe_agent.thermal.doubt import Doubt
from probe_agent.thermal.falls import FallTest

PLACES = ("cyl-1", "cyl-2", "cyl-3", "case-nose")


def fed(doubt: Doubt, rows: int, begin_s: float = 0.0, **gaps_c: float) -> list[float]:
    """Instants at which belief changed, over rows at 15 s in which the named places are off."""
    named = {p.replace("_", "-"): gap for p, gap in gaps_c.items()}
    out = []
    for k in range(rows):
        if doubt.take(begin_s + 15.0 * k, {p: named.get(p, 0.05) for p in PLACES}, {}):
            out.append(begin_s + 15.0 * k)
    return out


def settled() -> Doubt:
    doubt = Doubt()
    doubt.settle(dict.fromkeys(PLACES, 0.0))
    return doubt


def test_one_place_that_leaves_alone_is_set_aside_and_believed_again_on_its_return() -> None:
    doubt = settled()
    assert fed(doubt, 10, cyl_2=-4.0) == [45.0]
    assert doubt.set_aside == {"cyl-2"}
    assert fed(doubt, 10, 150.0) == [270.0]
    assert doubt.set_aside == set()


def test_a_place_that_falls_alone_may_be_the_end_of_a_heater_nobody_measures() -> None:
    """The place beside the heater falls first; one read too warm may not wait, for it could hide the cold."""
    for by_c, waits_s in ((-4.0, 420.0), (4.0, 45.0)):
        doubt, changed = settled(), []
        for k in range(40):
            gaps = {p: by_c if p == "cyl-2" else 0.05 for p in PLACES}
            if doubt.take(15.0 * k, gaps, {}, may_have_stopped=True):
                changed.append(15.0 * k)
        assert changed == [waits_s]


def test_a_spike_is_not_a_place_that_left() -> None:
    doubt = settled()
    assert fed(doubt, 2, cyl_2=30.0) == []
    assert fed(doubt, 20, 30.0) == []


def test_all_that_cool_together_are_believed() -> None:
    """A cover blown off, a door opened: nothing is wrong with the probes."""
    assert fed(settled(), 20, cyl_1=-5.0, cyl_2=-4.0, cyl_3=-6.0, case_nose=-3.0) == []


def test_a_probe_that_loses_the_heater_s_warmth_is_not_detached() -> None:
    """Readings beside a pad fall by what the pad gave them when it stops."""
    doubt = settled()
    for k in range(20):
        doubt.take(15.0 * k, {p: -6.0 if p == "cyl-1" else 0.0 for p in PLACES}, {"cyl-1": 5.0})
    assert doubt.set_aside == set()


def test_a_fit_does_not_make_a_suspected_gap_the_usual_one() -> None:
    doubt = settled()
    doubt.take(0.0, {p: -4.0 if p == "cyl-2" else 0.0 for p in PLACES}, {})
    doubt.settle({p: -4.0 if p == "cyl-2" else 0.0 for p in PLACES})
    assert fed(doubt, 5, 15.0, cyl_2=-4.0)


def falls_of(plume_c: float, minutes: float = 12.0) -> FallTest:
    """Heater-off after an hour: everything cools by 1 °C in 10 min, cyl-1 loses plume_c at once besides."""
    test, warmed = FallTest(), False
    for k in range(int((60 + minutes) * 4)):
        t_s = 15.0 * k
        since = max(0.0, t_s - 3600.0)
        values = dict.fromkeys(PLACES, 20.0 - since / 600.0)
        values["cyl-1"] += plume_c * math.exp(-since / 60.0)
        warms = t_s < 3600.0
        test.take(Observation(t_s, values, -10.0, float(warms)), warms, warmed)
        warmed = warms
    return test


def test_the_heater_off_test_measures_each_probe_s_fall() -> None:
    falls = {f.place: f for f in falls_of(3.0).done}
    assert set(falls) == set(PLACES)
    assert falls["cyl-1"].fall_c == pytest.approx(4.0, abs=0.1)
    assert falls["cyl-1"].neighbours_c == pytest.approx(1.0, abs=0.1)
    assert falls["cyl-1"].reads_heater
    assert not falls["cyl-2"].reads_heater
    assert falls["cyl-1"].off_s == 3600.0


def test_a_probe_that_falls_like_its_neighbours_reads_metal() -> None:
    assert not any(f.reads_heater for f in falls_of(0.3).done)


def test_too_short_a_rest_is_no_test() -> None:
    assert falls_of(3.0, minutes=4.0).done == []
