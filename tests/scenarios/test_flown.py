"""What became of a heat-up, by the real daemon: flown and told, killed between, and never unplugged."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import pytest
from click.testing import CliRunner
from nights import Night

from probe_agent.cli import main
from probe_agent.engine_sim import DEMO_REQUIRED, Happening

HARNESS = (*DEMO_REQUIRED, "sump")
HEATED = [("05:00", Happening.HEATER_ON, ""), ("07:00", Happening.HEATER_OFF, "")]
LEFT = [("07:20", Happening.COVER_OFF, ""), *(("07:20", Happening.PROBE_OPEN, p) for p in HARNESS)]
LANDED = [("09:50", Happening.LANDED, "")]
BACK = [("10:10", Happening.PROBE_MENDS, place) for place in HARNESS]
FLIGHT = [*HEATED, *LEFT, *LANDED, *BACK]
OUTINGS = "SELECT kind, told_by, heatup, plugged_at - unplugged_at, ended_at IS NOT NULL FROM outings"


def listed(night: Night) -> str:
    found = CliRunner().invoke(main, ["outings", "--settings", str(night.file)])
    assert found.exit_code == 0, found.output
    return found.output


@pytest.mark.long
def test_killed_while_away_and_told_after_landing(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", FLIGHT, departure="07:30", measured=True) as night:
        night.until("08:30")
        assert night.sql(OUTINGS) == [("perhaps-flown", "nothing", 1, None, 0)]
        assert night.sql("SELECT departure FROM outings") == [(1,)]
        asked = night.status().flown
        assert asked is not None
        assert asked.asked is not None
        assert asked.asked.plugged is None
        night.power_cut()
        night.boot("09:00")
        night.until("10:20")
        ((kind, told_by, heatup, away_s, ended),) = night.sql(OUTINGS)
        assert (kind, told_by, heatup, ended) == ("flown", "temperatures", 1, 1)
        assert away_s == 170 * 60
        assert night.sql("SELECT flew FROM heatups") == [("flown",)]
        ((oil_c,),) = night.sql("SELECT oil_c FROM outings")
        assert isinstance(oil_c, float)
        assert 45 < oil_c < 85
        assert "oil then" in listed(night)
        assert "no heat-up without one, one more not known" in listed(night)
        flown = night.status().flown
        assert flown is not None
        assert flown.asked is not None
        said = night.tell("flew", what="flown-hot", outing=flown.asked.outing)
        assert said == "Noted for 07:20: flown, oil hot long enough. It can be corrected."
        assert night.sql(OUTINGS)[0][:2] == ("flown-hot", "tap")
        assert night.sql("SELECT flew FROM heatups") == [("flown-hot",)]
        night.until("11:00")
        flown = night.status().flown
        assert flown is not None
        assert (flown.without, flown.unknown, flown.asked) == (0, 0, None)
        night.tell("flew", what="ground-run", outing=1)
        assert night.sql(OUTINGS) == [("ground-run", "tap", 1, 170 * 60.0, 1)]
        night.until("11:10")
        flown = night.status().flown
        assert flown is not None
        assert (flown.hot, flown.without, flown.unknown) == (None, 1, 0)
        assert "one heat-up without one." in listed(night)


@pytest.mark.long
def test_a_restart_with_all_kept_changes_nothing(tmp_path: Path) -> None:
    """Killed at three instants, the record is that of a daemon that lived through."""
    rows = {}
    for name, cuts in (("whole", ()), ("cut", ("07:23", "08:31", "10:12"))):
        (tmp_path / name).mkdir()
        with Night(tmp_path / name, "04:45", FLIGHT) as night:
            for at in cuts:
                night.until(at)
                night.power_cut()
                night.boot(at)
            night.until("10:40")
            rows[name] = night.sql("SELECT kind, told_by, heatup, unplugged_at, plugged_at FROM outings")
    assert rows["whole"] == rows["cut"]
    assert [r[0] for r in rows["whole"]] == ["flown"]


def test_nobody_came(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", HEATED, departure="07:30", interval_s=300.0) as night:
        night.until("08:10")
        flown = night.status().flown
        assert flown is not None
        assert flown.asked is not None, "the planned start has passed"
        night.until("Sun 01:00")
        assert night.sql(OUTINGS) == [("not-flown", "temperatures", 1, None, 1)]
        assert "the harness stayed on and the engine did not run" in listed(night)
        flown = night.status().flown
        assert flown is not None
        assert (flown.without, flown.unknown) == (1, 0)


@pytest.mark.parametrize(
    "measured",
    [
        pytest.param(True, id="power-measured"),
        pytest.param(False, id="heater-untold", marks=pytest.mark.long),
    ],
)
def test_the_engine_is_run_with_the_harness_left_on(tmp_path: Path, measured: bool) -> None:
    """Its own warmth is no heat-up's: no word of too hot, above target or ready comes of it."""
    run = [("07:25", Happening.ENGINE_STARTS, ""), ("07:45", Happening.ENGINE_STOPS, "")]
    with Night(tmp_path, "04:45", [*HEATED, *run], measured=measured) as night:
        night.until("07:24")
        before = night.subjects()
        night.until("07:30")
        assert night.status().state == "engine-runs"
        assert night.status().verdict == "The engine runs, with its probes on."
        night.until("08:30")
        assert max(p.c for p in night.status().probes if p.c is not None) > 40
        assert night.status().state == "engine-ran"
        night.until("10:30")
        assert night.subjects() == before
        states = [new for (new,) in night.sql("SELECT new FROM transitions ORDER BY transition")]
        states = states[states.index("engine-runs") :]
        assert "engine-ran" in states
        assert not {"too-hot", "above-target", "ready", "heating", "heater-stopped"} & set(states)
        assert night.sql("SELECT count(*) FROM heatups") == [(1,)]
