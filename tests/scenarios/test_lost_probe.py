"""A probe that comes off its metal: the physics sets it aside, and nothing is said to be above target."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import mornings
from mornings import ON_S, close, live_until

from probe_agent.engine_sim import Event, Happening
from probe_agent.probes.simulated import SimulatedSource


def test_a_required_probe_that_comes_off_ends_above_target_and_holds_it_back(tmp_path: Path) -> None:
    off_s = ON_S + 75 * 60.0
    engine = mornings.engine(1, [Event(off_s, Happening.PROBE_DETACHED, "cyl-3")], off_s=ON_S + 4 * 3600.0)
    agent = mornings.open_agent(tmp_path, SimulatedSource(engine, start_s=0.0))
    live_until(agent, ON_S - 600.0, 600.0)
    live_until(agent, off_s - 240.0, 120.0)
    live_until(agent, off_s)
    assert agent.status is not None
    assert agent.status.state == "above-target"
    live_until(agent, off_s + 300.0)
    lost = next(p for p in agent.status.probes if p.place == "cyl-3")
    assert (lost.status, lost.c) == ("implausible", None)
    assert agent.status.state == "probe-missing"
    assert agent.status.missing == ("cyl-3",)
    assert "cylinder 3" in agent.status.verdict
    for _ in range(3):
        live_until(agent, agent.clock.monotonic() + 60.0)
        assert agent.status.state == "probe-missing"
        others = [p.c for p in agent.status.probes if p.required and p.c is not None]
        assert min(others) > agent.status.target_c, "all the others are, and that isn't enough"
    close(agent)
