"""Probes checked and corrected by the daemon: two heat-ups, a cold night, a probe that reads too high."""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from scripted import START_UTC, ScriptedSource, open_agent, tick_until

from probe_agent.agent import Agent
from probe_agent.archive import Archive
from probe_agent.cli import main
from probe_agent.learning import catch_up, knowledge_of
from probe_agent.readings import Fault, Forecast
from probe_agent.store import CHECK, Check, ask, await_answer, read_check

HOUR_S = 3600.0
HIGH_C = 1.0
ONS_H = (0.5, 16.0)
STEP_S = 60.0
CHECK_S = 43.5 * HOUR_S
"""From 08:00 on the first day: 03:30 in the second night, 24 h after the last heat-up."""


def script(t_s: float) -> Mapping[str, float | Fault]:
    """Two heat-ups of three hours; one probe reads too high at all times."""
    rise = 0.0
    for on_h in (*ONS_H, 44.0):
        warmed_h = min(max(t_s / HOUR_S - on_h, 0.0), 3.0)
        cooled_h = max(t_s / HOUR_S - on_h - 3.0, 0.0)
        rise += 32.0 * (1 - math.exp(-warmed_h / 2.4)) * math.exp(-cooled_h / 1.4)
    return {
        "cyl-1": -10.0 + rise,
        "cyl-2": -10.0 + 0.9 * rise,
        "case-nose": -10.0 + 0.8 * rise + HIGH_C,
        "ambient": -10.2,
    }


def heater(t_s: float) -> float:
    return float(any(0 <= t_s / HOUR_S - on_h < 3.0 for on_h in (*ONS_H, 44.0)))


def told(agent: Agent, order: str, **body: Any) -> tuple[bool, str]:
    file = Path(agent.settings.store.file)
    command = ask(file, order, body)
    agent.answer_commands()
    answer = json.loads(await_answer(file, command) or "null")
    return answer["ok"], answer["text"]


def checked(agent: Agent) -> Check:
    found = read_check(agent.store.kept(CHECK))
    assert found is not None
    return found


def stored(agent: Agent) -> list[Any]:
    """All that was measured and said."""
    db = sqlite3.connect(agent.settings.store.file)
    try:
        return [
            db.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall()
            for table in ("readings", "forecasts", "transitions", "scores", "heatups")
        ]
    finally:
        db.close()


def forecast(agent: Agent) -> Forecast:
    """What the physics now says, not what was announced."""
    return agent._physics.estimator.forecast()


def lived(folder: Path, until_s: float) -> Agent:
    """A daemon that has watched since the first morning; often in the last minutes, as a check needs."""
    agent = open_agent(folder, ScriptedSource(script, heater))
    tick_until(agent, until_s - 900.0, 300.0)
    tick_until(agent, until_s, STEP_S)
    return agent


@pytest.fixture(scope="module")
def winter(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of two heat-ups and a cold night."""
    folder = tmp_path_factory.mktemp("winter")
    agent = lived(folder, CHECK_S)
    agent._finish()
    agent.store.close()
    return folder / "probe-agent.db"


@pytest.fixture
def soaked(winter: Path, tmp_path: Path) -> Agent:
    """A daemon started anew on it."""
    shutil.copy(winter, tmp_path / "probe-agent.db")
    agent = open_agent(tmp_path, ScriptedSource(script, heater), START_UTC + CHECK_S, CHECK_S)
    agent.tick()
    return agent


def test_a_cold_soak_is_checked_previewed_accepted_and_undone(soaked: Agent) -> None:
    agent = soaked
    assert told(agent, "check-probes", kind="cold-soak")[0]
    found = checked(agent)
    assert found.state == "done"
    assert [(c.place, round(c.wanted_c, 2)) for c in found.changing] == [("case-nose", -HIGH_C)]
    assert found.shifted is not None
    assert found.shifted.judged == 2
    assert 240 <= found.shifted.shift_s <= 1200  # a degree at some five an hour
    tick_until(agent, 45.0 * HOUR_S, 300.0)
    before, history = forecast(agent), stored(agent)
    assert told(agent, "accept-correction", asked_at=found.asked_at) == (
        True,
        "Crankcase nose is corrected from now on. What the heat-ups teach is worked out again; what was "
        "shown and kept stays as it was.",
    )
    corrected = forecast(agent)
    assert corrected.above_p50 is not None
    assert before.above_p50 is not None
    assert corrected.above_p50 > before.above_p50 + 30
    assert corrected.coldest_c == pytest.approx(before.coldest_c - HIGH_C, abs=0.3)
    assert stored(agent) == history
    assert told(agent, "accept-correction", asked_at=found.asked_at) == (True, "Accepted already.")
    tick_until(agent, agent.clock.monotonic() + STEP_S, STEP_S)
    assert agent.status is not None
    nose = next(p for p in agent.status.probes if p.place == "case-nose")
    assert nose.c == pytest.approx(script(agent.clock.monotonic())["case-nose"] - HIGH_C, abs=0.01)
    number = agent.store.corrections()[0].number
    assert told(agent, "undo-correction", correction=number)[0]
    assert agent.store.offsets_c() == {}
    tick_until(agent, agent.clock.monotonic() + STEP_S, STEP_S)  # what the heat-ups teach, anew as before
    undone = forecast(agent)
    assert undone.above_p50 == pytest.approx(before.above_p50, abs=300)
    assert [c.undone_at is None for c in agent.store.corrections()] == [False]
    assert told(agent, "undo-correction", correction=number) == (True, "Undone already.")


def test_what_the_heat_ups_teach_is_worked_out_again(soaked: Agent) -> None:
    agent, file = soaked, Path(soaked.settings.store.file)
    course = agent._physics.course
    assert course is not None
    told(agent, "check-probes", kind="cold-soak")
    before = agent._physics.knowledge.memory
    told(agent, "accept-correction", asked_at=checked(agent).asked_at)
    with Archive(file, read_only=True) as archive:
        assert knowledge_of(archive, course).outdated
    tick_until(agent, agent.clock.monotonic() + STEP_S, STEP_S)
    with Archive(file, read_only=True) as archive:
        known = knowledge_of(archive, course)
    assert not known.outdated
    assert known.memory is not None
    assert known.memory != before
    assert agent._physics.knowledge.memory == known.memory
    assert catch_up(file, course).memory == known.memory  # nothing is left to learn
    again = catch_up(file, course, afresh=True)
    assert again.memory == known.memory
    told(agent, "undo-correction", correction=agent.store.corrections()[0].number)
    tick_until(agent, agent.clock.monotonic() + STEP_S, STEP_S)
    assert agent._physics.knowledge.memory == before


def test_a_restart_lives_through_the_night_as_corrected_today(soaked: Agent, tmp_path: Path) -> None:
    told(soaked, "check-probes", kind="cold-soak")
    told(soaked, "accept-correction", asked_at=checked(soaked).asked_at)
    tick_until(soaked, CHECK_S + 1.5 * HOUR_S, 300.0)
    soaked.store.commit()
    now_s = soaked.clock.monotonic()
    other = open_agent(tmp_path, ScriptedSource(script, heater), start_utc=soaked.clock.utc(), start_s=now_s)
    other.tick()
    one, two = forecast(soaked), forecast(other)
    assert one.above_p50 is not None
    assert two.above_p50 is not None
    assert two.above_p50 == pytest.approx(one.above_p50, abs=90)
    assert two.coldest_c == one.coldest_c


def test_it_is_refused_with_the_reasons_where_it_does_not_qualify(tmp_path: Path) -> None:
    agent = lived(tmp_path, 27 * HOUR_S)  # 11:00, eight hours after the last heat
    told(agent, "check-probes", kind="cold-soak")
    found = checked(agent)
    assert found.state == "refused"
    assert {r.kind for r in found.reasons} == {"heated", "daylight", "too-warm"}
    assert told(agent, "accept-correction", asked_at=found.asked_at)[0] is False
    assert agent.store.offsets_c() == {}


def test_baths_and_thermometers_are_compared_with_what_the_probe_reads(soaked: Agent) -> None:
    """By a probe at minus 9 °C: in ice it would be nine degrees off, which is a fault and no offset."""
    agent = soaked
    told(agent, "check-probes", kind="ice", place="case-nose")
    found = checked(agent)
    assert (found.state, found.beyond) == ("refused", ("case-nose",))
    assert told(agent, "accept-correction", asked_at=found.asked_at)[0] is False
    told(agent, "check-probes", kind="contact", place="cyl-1", c=-8.5)
    assert checked(agent).state == "done"
    assert checked(agent).changing == ()
    told(agent, "check-probes", kind="contact", place="cyl-1", c=-7.6)
    found = checked(agent)
    assert [round(c.wanted_c, 2) for c in found.changing] == [2.4]
    assert told(agent, "accept-correction", asked_at=found.asked_at)[0]
    assert agent.store.offsets_c() == {"cyl-1": pytest.approx(2.4)}
    told(agent, "check-probes", kind="infrared", spots_c={"cyl-1": -5.0, "cyl-2": -7.4, "case-nose": -6.4})
    assert checked(agent).changing == ()
    told(agent, "check-probes", kind="infrared", spots_c={"cyl-1": -5.0, "cyl-2": -7.4})
    assert [r.kind for r in checked(agent).reasons] == ["few-spots"]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"kind": "ice"}, "Say which probe"),
        ({"kind": "ice", "place": "nowhere"}, "Say which probe"),
        ({"kind": "contact", "place": "cyl-1"}, "what the thermometer read"),
        ({"kind": "boiling", "place": "cyl-1"}, "No field has that pressure"),
        ({"kind": "boiling", "place": "cyl-1", "pressure_hpa": 29.9}, "No field has that pressure"),
        ({"kind": "wishing"}, "not complete"),
    ],
)
def test_a_question_that_is_not_complete_is_refused(
    tmp_path: Path, body: Mapping[str, Any], says: str
) -> None:
    agent = lived(tmp_path, 600.0)
    done, text = told(agent, "check-probes", **body)
    assert not done
    assert says in text
    assert agent.store.kept(CHECK) is None


def test_commands_do_what_the_page_does(soaked: Agent, tmp_path: Path) -> None:
    """The daemon answers between; clicks wait for it."""
    file, stop = soaked.settings.store.file, threading.Event()

    def answer() -> None:
        while not stop.wait(0.05):
            soaked.answer_commands()

    thread = threading.Thread(target=answer)
    thread.start()
    try:
        said = [
            CliRunner().invoke(main, [*words.split(), "--store", file])
            for words in ("compare cold-soak", "correct", "corrections", "uncorrect 1", "corrections")
        ]
    finally:
        stop.set()
        thread.join()
    assert [r.exit_code for r in said] == [0] * 5, [r.output for r in said]
    assert "The last two heat-ups would have been above target" in said[0].output
    assert "Crankcase nose is corrected" in said[1].output
    assert "in force" in said[2].output
    assert "undone" in said[4].output


def test_a_check_that_was_overtaken_can_not_be_accepted(soaked: Agent) -> None:
    told(soaked, "check-probes", kind="cold-soak")
    first = checked(soaked)
    tick_until(soaked, CHECK_S + STEP_S, STEP_S)
    told(soaked, "check-probes", kind="contact", place="cyl-1", c=-7.6)
    assert told(soaked, "accept-correction", asked_at=first.asked_at)[0] is False
    assert soaked.store.offsets_c() == {}
