"""Nights of three boards for one departure on one circuit: who heats when, who is ready, what each says."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "faults"))

import pytest
from circuit_nights import CircuitNights, SharedNight
from real_broker import MOSQUITTO

from probe_agent.readings import State
from probe_agent.status import utc_seconds

pytestmark = [pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto"), pytest.mark.long]

BOARDS: dict[str, dict[str, Any]] = {
    device: {"watts": 1100.0, "air_c": -2.0, "setup": {"too_hot_c": "85"}}
    for device in ("magpie", "kestrel", "heron")
}
"""Quick heaters, whose manual allows more than the usual 60 °C: under a pad it is past that in two hours."""
START, OFF = "08:00", "07:40"


def planned(folder: Path, limit_w: float, start: str = "03:15") -> CircuitNights:
    return CircuitNights(folder, limit_w, BOARDS, start)


def plan_all(nights: CircuitNights) -> None:
    """All three are to start at 08:00, on eight mornings in ten."""
    for board in nights.boards.values():
        assert "the plug switches it on then" in board.plan(START, certainty="8/10")


def notes(board: SharedNight) -> str:
    return " ".join((*board.status().notes, *board.status().circuit))


def switch_on(board: SharedNight) -> float:
    plan = board.status().plan
    assert plan is not None
    assert plan.switch_on is not None
    return utc_seconds(plan.switch_on)


def report(nights: CircuitNights) -> None:
    """What each did and said, for whoever runs this with -s."""
    print(f"\nat most {nights.most_w():.0f} W of {nights.limit_w:.0f} W")
    for device, board in nights.boards.items():
        zero = board.utc("00:00")
        spans = [f"{(a - zero) / 3600:.2f}-{(b - zero) / 3600:.2f} h" for a, b, _ in board.spans()]
        print(device, spans, board.subjects())


def test_three_for_one_departure_are_staggered_and_each_is_ready(tmp_path: Path) -> None:
    with planned(tmp_path, 2300.0) as nights:
        plan_all(nights)
        magpie = nights["magpie"]
        nights.until("03:18")
        earlier, others = switch_on(magpie), [switch_on(nights[d]) for d in ("kestrel", "heron")]
        assert earlier < min(others)
        assert "earlier than alone: the circuit hangar-2 is shared with heron and kestrel." in notes(magpie)
        assert "earlier" not in notes(nights["heron"]) + notes(nights["kestrel"])
        nights.until("04:30")
        assert "This heat began earlier and ends at" in notes(magpie)
        nights.until(OFF)
        report(nights)
        assert [b.status().state for b in nights.boards.values()] == 3 * [State.READY.value]
        assert nights.most_w() == 2200.0
        assert [len(b.spans()) for b in nights.boards.values()] == [1, 1, 1], "each once"
        assert magpie.spans()[0][0] < min(nights[d].spans()[0][0] for d in ("kestrel", "heron"))
        plug = magpie.status().plug
        assert plug is not None
        assert plug.ended == "circuit"
        assert any(s.startswith("heat ended 06:") and "handed on" in s for s in magpie.subjects())
        for board in nights.boards.values():
            assert any(s.startswith("ready to start") for s in board.subjects())


def test_a_board_that_falls_silent_in_its_heat_leaves_the_others_theirs(tmp_path: Path) -> None:
    with planned(tmp_path, 2300.0) as nights:
        plan_all(nights)
        nights.until("04:30")
        silent = nights["magpie"]
        assert silent.status().plug is not None
        assert len(silent.spans()) == 1
        silent.fall_silent(silent.utc("04:30"))
        nights.until("05:00")
        assert nights["heron"].tell("switch-on").startswith("Noted"), "there is room for two"
        nights.until("05:02")
        refused = nights["kestrel"].tell("switch-on")
        assert "leave no room" in refused, "what the silent board said last counts"
        assert "heron and magpie leave no room for this heater now, until" in notes(nights["kestrel"])
        nights["heron"].tell("switch-off")
        nights.until(OFF)
        report(nights)
        assert nights.most_w() == 2200.0
        for device in ("kestrel", "heron"):
            assert nights[device].status().state == State.READY.value
        kestrel = nights["kestrel"]
        assert kestrel.spans()[0][0] <= kestrel.utc("06:20"), "no longer waited than the silent one said"


def test_a_plan_that_is_taken_back_gives_the_others_their_own_time(tmp_path: Path) -> None:
    with planned(tmp_path, 2300.0) as nights:
        plan_all(nights)
        nights.until("03:18")
        magpie = nights["magpie"]
        earlier = switch_on(magpie)
        assert "no more word comes of it" in nights["heron"].tell("cancel-departure")
        nights.until("03:20")
        assert switch_on(magpie) - earlier > 3600.0
        assert "earlier than alone" not in notes(magpie)
        assert nights.most_w() == 0.0


def test_where_not_all_can_be_warm_it_is_said_and_no_more_is_on_than_may_be(tmp_path: Path) -> None:
    with planned(tmp_path, 1200.0, "03:15") as nights:
        plan_all(nights)
        nights.until("03:18")
        for board in nights.boards.values():
            assert "within 1200 W there is no room for magpie. Plan another start" in notes(board)
        nights.until(OFF)
        report(nights)
        assert nights.most_w() == 1100.0
        ready = {d for d, b in nights.boards.items() if b.status().state == State.READY.value}
        assert ready == {"kestrel", "heron"}
        assert "heat not switched on: circuit full" in nights["magpie"].subjects()
        assert "start 08:00 late, circuit full" in nights["magpie"].subjects()
        assert not nights["magpie"].spans()
