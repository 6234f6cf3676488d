"""Departures through the daemon's heart over a real store: taken, planned, told, moved, ended."""

from __future__ import annotations

import itertools
import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
import scripted
from scripted import ScriptedSource, open_agent, settings_in, tick_until

from probe_agent import planning
from probe_agent.agent import Agent, plan_from_settings
from probe_agent.clock import SimulatedClock
from probe_agent.config import Recipient
from probe_agent.departures import kept_departures
from probe_agent.migrations import migrate
from probe_agent.readings import Fault
from probe_agent.status import core_of, encode_status
from probe_agent.store import Batch, Message, Store, ask, await_answer

HOUR = 3600.0


def cooling(t_s: float) -> dict[str, float | Fault]:
    """An engine a little above its air, which falls by 0.3 °C an hour from minus 8 °C. Run second 0 is
    2027-01-15 08:00 UTC, a Friday."""
    c = -7.0 - 0.3 * t_s / HOUR
    points: dict[str, float | Fault] = dict.fromkeys(("cyl-1", "cyl-2", "case-nose"), round(4 * c) / 4)
    return points | {"ambient": round(4 * (c - 1.0)) / 4}


class Inbox:
    """A courier that leaves every message in the store."""

    recipients = (Recipient("pilot", "null://"), Recipient("field", "null://"))
    trouble = None

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def nudge(self) -> None: ...


@pytest.fixture
def agent(tmp_path: Path) -> Iterator[Agent]:
    agent = open_agent(tmp_path, ScriptedSource(cooling), messages=Inbox())
    tick_until(agent, 2 * HOUR, 300.0)
    yield agent
    agent._finish()
    agent.store.close()


def told(agent: Agent, kind: str, **body: Any) -> tuple[bool, str]:
    """A command and its answer."""
    file = Path(agent.settings.store.file)
    command = ask(file, kind, body)
    agent.answer_commands()
    answer = json.loads(await_answer(file, command) or "{}")
    return answer["ok"], answer["text"]


def ever(agent: Agent, channel: str = "pilot") -> list[str]:
    """The keys of all words about departures, those too that a newer one has overtaken."""
    rows = agent.store._db.execute(
        "SELECT dedupe_key FROM outbox WHERE channel = ? ORDER BY rowid", (channel,)
    )
    return [key for (key,) in rows if key.startswith("plan-")]


def words_of(agent: Agent, channel: str = "pilot") -> list[Message]:
    """The messages about departures in the outbox."""
    return [m for m in agent.store.due_messages((channel,)) if m.dedupe_key.startswith("plan-")]


def test_a_plan_is_kept_shown_and_answered_with_what_it_rests_on(agent: Agent) -> None:
    ok, text = told(agent, "plan", start="2027-01-16T06:00", certainty="8/10")
    assert ok
    assert "heat must be on by Sat 0" in text
    assert "Rests on the coldest point now" in text
    shown = agent.status.plan if agent.status else None
    assert shown is not None
    assert (shown.departure, shown.start, shown.verdict) == (1, "2027-01-16T06:00:00Z", "heat")
    assert shown.switch_on is not None
    assert shown.next_word == "2027-01-15T19:30:00Z"
    kept = kept_departures(Path(agent.settings.store.file), agent.clock.utc())
    assert [k.switch_on for k in kept] == [shown.switch_on]
    assert agent.status is not None
    assert len(encode_status(core_of(agent.status))) <= 6000


def test_the_wind_told_for_the_start_narrows_what_the_uncovered_engine_loses(agent: Agent) -> None:
    assert told(agent, "plan", start="2027-01-16T06:00")[0]
    assert agent._last is not None
    facts, start_at = agent._last[0], agent.clock.utc() + 20 * HOUR

    def spread() -> float:
        outlook = agent._snapshot(facts).outlook
        assert outlook is not None
        return float(np.log(outlook.uncovering).std())

    unknown = spread()
    assert told(agent, "weather-said", air_c=-9.0, wind_m_s=8.0, until_at=start_at)[0]
    assert spread() < 0.9 * unknown


def test_the_more_wind_is_told_for_the_start_the_earlier_heat_goes_on(agent: Agent) -> None:
    """Minutes from switch-on to the start at 8 in 10, with the wind not known and from nothing to a gale."""
    assert told(agent, "plan", start="2027-01-16T06:00", certainty="8/10")[0]
    ahead_min = []
    for wind_m_s in (None, 0.0, 2.0, 8.0, 12.0):
        until_at = agent.clock.utc() + 20 * HOUR
        assert told(agent, "weather-said", air_c=-9.0, wind_m_s=wind_m_s, until_at=until_at)[0]
        for start in ("06:30", "06:00"):  # moved to and fro, so that it is worked out anew
            assert told(agent, "move-departure", departure=1, start=f"2027-01-16T{start}")[0]
        planned = agent._departures.coming[0]
        assert planned.plan is not None
        assert planned.plan.switch_on_at is not None
        ahead_min.append(round((planned.start_at - planned.plan.switch_on_at) / 60))
    print(ahead_min)
    assert ahead_min[1:] == sorted(set(ahead_min[1:])), "each more wind a longer heat-up"
    assert ahead_min[1] < ahead_min[0] < ahead_min[-1]


def test_a_question_plans_nothing(agent: Agent) -> None:
    ok, text = told(agent, "what-if", start="2027-01-16T06:00")
    assert ok
    assert "Engine start Sat 06:00" in text
    ok, text = told(agent, "what-if", certainty="8/10")
    assert ok
    assert text.startswith("Heated from 10:00, the earliest start on 8 mornings in 10 is 1")
    assert agent.status is not None
    assert agent.status.plan is None


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"start": "2027-01-15T06:00"}, "lies in the past"),
        ({"start": "2027-03-15T06:00"}, "two weeks"),
        ({"start": "nine"}, "Write it like 2026-12-05T09:00"),
        ({"start": "2027-01-16T06:00", "certainty": "1/1"}, "not complete"),
        ({"start": "2027-01-16T06:00", "travel_min": "far"}, "not complete"),
        ({"start": "2027-01-16T06:00", "uncovered_min": -5}, "not complete"),
    ],
)
def test_what_can_t_be_planned_is_refused_and_nothing_kept(
    agent: Agent, body: dict[str, Any], says: str
) -> None:
    for kind in ("plan", "what-if"):
        ok, text = told(agent, kind, **body)
        assert not ok
        assert says in text
    assert agent.store.departures(0.0) == []


@pytest.mark.long
def test_two_departures_each_have_their_plan_and_the_next_one_speaks(agent: Agent) -> None:
    assert told(agent, "plan", start="2027-01-16T06:00")[0]
    ok, text = told(agent, "plan", start="2027-01-16T12:00")
    assert ok
    assert "An earlier departure comes first: counted as heated for it, and not flown. If it flies" in text
    stood = agent._departures._all[2].plan
    assert told(agent, "move-departure", departure=1, start="2027-01-16T07:00")[0]
    tick_until(agent, agent.clock.monotonic() + 60.0, 30.0)
    assert agent._departures._all[2].plan != stood, "worked out anew with the first"
    assert told(agent, "move-departure", departure=1, start="2027-01-16T06:00")[0]
    ok, text = told(agent, "plan", start="2027-01-16T06:05")
    assert not ok
    assert "planned already (number 1)" in text
    tick_until(agent, 11.6 * HOUR, 300.0)
    assert {m.dedupe_key.split(":")[0] for m in words_of(agent)} == {"plan-1"}
    assert told(agent, "started", departure=1)[0]
    tick_until(agent, 11.8 * HOUR, 60.0)
    assert {m.dedupe_key.split(":")[0] for m in words_of(agent)} == {"plan-2"}
    assert agent.status is not None
    assert agent.status.plan is not None
    assert agent.status.plan.departure == 2


@pytest.mark.long
def test_the_evening_word_comes_at_its_time_and_the_switch_on_word_before_the_switch_on(
    agent: Agent,
) -> None:
    assert told(agent, "plan", start="2027-01-16T12:00", certainty="8/10", travel_min=20)[0]
    tick_until(agent, 11.4 * HOUR, 300.0)
    tick_until(agent, 11.47 * HOUR, 60.0)
    assert words_of(agent) == []
    tick_until(agent, 11.55 * HOUR, 60.0)
    evening = words_of(agent)
    assert [m.dedupe_key for m in evening] == ["plan-1:evening:0"]
    assert evening[0].true_at == scripted.START_UTC + 11.5 * HOUR
    assert "This holds until the next word, Sat 0" in evening[0].body
    tick_until(agent, 27.5 * HOUR, 600.0)
    rows = agent.store._db.execute("SELECT dedupe_key, true_at FROM outbox WHERE channel = 'pilot'")
    notices = [at for key, at in rows if ":switch-on:" in key]
    assert len(notices) == 1
    assert agent.status is not None
    assert agent.status.plan is not None
    told_at = next(d.told.switch_word_at for d in agent._departures.coming)
    assert told_at is not None
    assert notices[0] <= told_at - 20 * 60
    assert 2 <= len(ever(agent)) <= planning.MOST_WORDS + 1
    assert len(words_of(agent)) == 1, "a newer word of a plan drops the older undelivered one"


def test_a_timer_that_is_set_is_final_and_more_isn_t_said(agent: Agent) -> None:
    assert told(agent, "plan", start="2027-01-16T06:00", certainty="8/10")[0]
    ok, text = told(agent, "timer-set", departure=1)
    assert ok
    assert "Later changes move the start, not the switch-on." in text
    tick_until(agent, 3 * HOUR, 60.0)
    assert agent.status is not None
    assert agent.status.plan is not None
    set_to = agent.status.plan.timer
    assert set_to is not None
    assert agent.status.plan.switch_on == set_to
    ok, text = told(agent, "move-departure", departure=1, start="2027-01-16T04:30")
    assert ok
    assert "can't be kept" in text
    shown = agent.status.plan
    assert (shown.timer, shown.switch_on, shown.state) == (set_to, set_to, "delayed")
    assert not told(agent, "timer-set", departure=1, at="2027-01-16T07:00")[0]
    assert told(agent, "timer-set", departure=1, at="2027-01-16T02:00")[0]


@pytest.mark.long
def test_a_cancelled_plan_is_over_and_its_undelivered_words_are_withdrawn(agent: Agent) -> None:
    assert told(agent, "plan", start="2027-01-16T06:00")[0]
    tick_until(agent, 11.6 * HOUR, 300.0)
    assert words_of(agent)
    assert told(agent, "cancel-departure", departure=1)[0]
    assert words_of(agent) == []
    tick_until(agent, 21 * HOUR, 600.0)
    assert words_of(agent) == []
    for kind in ("cancel-departure", "started", "did-not-start", "timer-set"):
        ok, text = told(agent, kind, departure=1)
        assert not ok
        assert "isn't planned any more" in text
    row = agent.store._db.execute("SELECT state, outcome, plan FROM departures").fetchone()
    assert row[:2] == ("not-flying", "not-flying")
    assert json.loads(row[2])["shown"]["state"] == "not-flying"


def test_one_that_did_not_start_is_heated_again(agent: Agent) -> None:
    assert told(agent, "plan", start="2027-01-15T15:00", certainty="8/10")[0]
    tick_until(agent, 7.5 * HOUR, 300.0)
    assert told(agent, "did-not-start")[0]
    tick_until(agent, 7.6 * HOUR, 60.0)
    assert agent.status is not None
    shown = agent.status.plan
    assert shown is not None
    assert (shown.state, shown.verdict) == ("did-not-start", "late")
    assert shown.earliest is not None
    assert planning.field_instant(shown.earliest, "UTC").at > agent.clock.utc() + 1200


def test_a_departure_nobody_spoke_of_has_passed(agent: Agent) -> None:
    assert told(agent, "plan", start="2027-01-15T11:00")[0]
    tick_until(agent, 5.1 * HOUR, 300.0)
    assert agent.status is not None
    assert agent.status.plan is None
    assert agent.store._db.execute("SELECT outcome FROM departures").fetchone() == ("passed",)


def test_a_missing_place_takes_no_back(tmp_path: Path) -> None:
    """A warm engine needs no heat, until a required place has no value."""

    def script(t_s: float) -> dict[str, float | Fault]:
        lost: float | Fault = Fault.OPEN if t_s > 3 * HOUR else 20.0
        return {"cyl-1": 20.0, "cyl-2": 20.0, "case-nose": lost, "ambient": 18.0}

    agent = open_agent(tmp_path, ScriptedSource(script))
    tick_until(agent, 2 * HOUR, 60.0)
    told(agent, "plan", start="2027-01-15T14:00")
    assert agent.status is not None
    assert agent.status.plan is not None
    assert (agent.status.plan.need, agent.status.plan.verdict) == ("no", "none")
    tick_until(agent, 3.1 * HOUR, 60.0)
    assert agent.status.plan is not None
    assert agent.status.plan.need == "unclear"
    assert agent.status.plan.missing == ("case-nose",)
    agent.store.close()


@pytest.mark.long
def test_a_restart_takes_the_departures_up_again(tmp_path: Path) -> None:
    first = open_agent(tmp_path, ScriptedSource(cooling), messages=Inbox())
    tick_until(first, 2 * HOUR, 60.0)
    told(first, "plan", start="2027-01-16T06:00")
    told(first, "timer-set")
    tick_until(first, 11.6 * HOUR, 300.0)
    before = first.status.plan if first.status else None
    assert before is not None
    told_before = [m.dedupe_key for m in words_of(first)]
    assert "plan-1:evening:0" in told_before
    first._finish()
    first.store.close()
    again = open_agent(tmp_path, ScriptedSource(cooling), start_s=11.7 * HOUR, messages=Inbox())
    again.clock = SimulatedClock(scripted.START_UTC + 11.7 * HOUR, start_t_s=11.7 * HOUR)
    tick_until(again, 11.8 * HOUR, 60.0)
    after = again.status.plan if again.status else None
    assert after is not None
    assert (after.departure, after.timer, after.switch_on) == (1, before.timer, before.switch_on)
    keys = [m.dedupe_key for m in words_of(again)]
    assert keys == told_before
    again.store.close()


def test_need_and_switch_on_rest_from_tick_to_tick(agent: Agent) -> None:
    """Two hours of readings each minute: what is told changes with a quarter of an hour or not at all."""
    assert told(agent, "plan", start="2027-01-16T06:00", certainty="8/10")[0]
    seen = []
    for minute in range(120):
        tick_until(agent, 2 * HOUR + 60.0 * (minute + 1), 60.0)
        assert agent.status is not None
        assert agent.status.plan is not None
        seen.append((agent.status.plan.need, agent.status.plan.verdict, agent.status.plan.switch_on))
    changes = [k for k, (a, b) in enumerate(itertools.pairwise(seen)) if a != b]
    assert len(changes) <= 8
    assert all(agent.status is not None and (k + 2) % 15 in (0, 1) for k in changes), changes


def test_a_combustion_heater_is_planned_attended_whatever_switches_it(tmp_path: Path) -> None:
    text = scripted.SETTINGS.replace("pads-and-bands", "combustion").replace("650", "7000")
    settings = settings_in(tmp_path, text + 'switched_by = "timer"\n')
    file = Path(settings.store.file)
    migrate(file)
    clock = SimulatedClock(scripted.START_UTC)
    agent = Agent(settings, plan_from_settings(settings), clock, [ScriptedSource(cooling)], Store(file))
    tick_until(agent, 2 * HOUR, 60.0)
    ok, text = told(agent, "plan", start="2027-01-16T06:00", certainty="8/10")
    assert ok
    assert "be there Sat 0" in text
    assert "have somebody stay with it" in text
    assert not told(agent, "timer-set")[0]
    assert agent.status is not None
    assert agent.status.plan is not None
    assert (agent.status.plan.attended, agent.status.plan.by) == (True, "pilot")
    agent.store.close()


def test_an_answer_comes_from_a_worker_and_no_tick_waits_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a run with a rate the question is worked out on a thread; ticks go on while it is."""
    settings = settings_in(tmp_path)
    file = Path(settings.store.file)
    migrate(file)
    clock = SimulatedClock(scripted.START_UTC, rate=600.0)
    agent = Agent(settings, plan_from_settings(settings), clock, [ScriptedSource(cooling)], Store(file))
    agent.tick()
    begun, may_end = threading.Event(), threading.Event()
    real = planning.plan

    def slow(*args: Any, **more: Any) -> planning.Plan:
        begun.set()
        assert may_end.wait(20.0)
        return real(*args, **more)

    monkeypatch.setattr(planning, "plan", slow)
    command = ask(file, "plan", {"start": "2027-01-16T06:00"})
    agent.answer_commands()
    assert begun.wait(20.0)
    for _ in range(3):
        agent.tick()
        agent.answer_commands()  # still waiting: it isn't begun a second time
    assert await_answer(file, command, 0.0) is None
    may_end.set()
    answer = json.loads(await_answer(file, command, 20.0) or "{}")
    assert answer["ok"]
    assert len(agent.store.departures(0.0)) == 1
    agent._finish()
    agent.store.close()


def test_a_question_takes_below_two_seconds(agent: Agent) -> None:
    """The 95th percentile of twenty questions, each answered through the store; processor time, so that a
    busy machine doesn't count."""
    costs = []
    for hour in range(20):
        begin = time.process_time()
        told(agent, "what-if", start=f"2027-01-16T{hour:02d}:30", certainty="19/20")
        costs.append(time.process_time() - begin)
    assert sorted(costs)[18] <= 2.0


def test_no_word_goes_out_while_the_clock_is_not_known(agent: Agent, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SimulatedClock, "utc_is_known", lambda self: False)
    tick_until(agent, 2.1 * HOUR, 120.0)
    ok, text = told(agent, "plan", start="2027-01-15T16:00")
    assert ok
    assert text.startswith("The board's clock is not set")
    tick_until(agent, 2.3 * HOUR, 120.0)
    assert words_of(agent) == []
    monkeypatch.undo()
    tick_until(agent, 2.4 * HOUR, 120.0)
    assert len(words_of(agent)) == 1


def test_a_moved_departure_s_switch_on_is_told_anew(agent: Agent) -> None:
    assert told(agent, "plan", start="2027-01-15T15:30", certainty="8/10")[0]
    tick_until(agent, 7 * HOUR, 300.0)
    assert sum(":switch-on:" in key for key in ever(agent)) == 1
    assert told(agent, "move-departure", departure=1, start="2027-01-15T21:00")[0]
    assert words_of(agent) == []
    tick_until(agent, 13 * HOUR, 300.0)
    assert sum(":switch-on:" in key for key in ever(agent)) == 2


def with_quiet(agent: Agent, hours: str) -> None:
    """Give everybody quiet hours."""
    messages = msgspec.structs.replace(agent.settings.messages, quiet=hours)
    agent._letters._settings = msgspec.structs.replace(agent.settings, messages=messages)


@pytest.mark.long
def test_a_switch_on_word_waits_for_nobodys_quiet_hours_and_an_evening_word_does(agent: Agent) -> None:
    with_quiet(agent, "19:00-09:00")
    assert told(agent, "plan", start="2027-01-16T06:00", certainty="8/10")[0]
    tick_until(agent, 11.6 * HOUR, 300.0)
    assert ever(agent) == []
    assert {w.key for owed in agent._letters.owed.values() for _, w in owed} == {"plan-1:evening:0"}
    tick_until(agent, 21.9 * HOUR, 300.0)
    assert [key.split(":")[1] for key in ever(agent)] == ["switch-on"], "and nothing but that"
    tick_until(agent, 25.2 * HOUR, 300.0)
    assert [key.split(":")[1] for key in ever(agent)] == ["switch-on"], "their times are past at 09:00"
    assert agent._letters.owed == {}


@pytest.mark.long
def test_a_word_that_waits_goes_out_at_the_end_of_quiet_hours_or_not_at_all(agent: Agent) -> None:
    with_quiet(agent, "19:00-20:00")
    assert told(agent, "plan", start="2027-01-16T12:00", certainty="8/10")[0]
    assert told(agent, "plan", start="2027-01-16T15:00", certainty="8/10")[0]
    tick_until(agent, 11.8 * HOUR, 300.0)
    assert ever(agent) == []
    assert told(agent, "cancel-departure", departure=1)[0]
    tick_until(agent, 12.1 * HOUR, 60.0)
    assert {key.split(":")[0] for key in ever(agent)} == {"plan-2"}
    assert agent._letters.owed == {}


def test_what_is_withdrawn_drops_no_fresh_word(agent: Agent) -> None:
    """A word written after a plan was changed stays, also where the disk refused both for a while."""
    old, new = (Message("pilot", f"plan-1:evening:{n}", "s", "b", 0.0, 9e9) for n in range(2))
    batch = Batch(messages=[old]).add(Batch(withdrawn=[("plan-1", None)])).add(Batch(messages=[new]))
    assert [m.dedupe_key for m in batch.messages] == ["plan-1:evening:1"]
    agent.store.commit(batch)
    assert [m.dedupe_key for m in words_of(agent)] == ["plan-1:evening:1"]


def test_a_departure_of_another_version_is_passed_over(agent: Agent) -> None:
    assert told(agent, "plan", start="2027-01-16T06:00")[0]
    agent.store._db.execute("UPDATE departures SET plan = '{}'")
    agent._departures._all = {}
    agent._departures.recall(agent.clock.utc())
    assert agent._departures.coming == ()


def test_settings_that_don_t_fit_are_refused_with_key_and_remedy() -> None:
    from probe_agent.config import SettingsError, parse_settings

    for text, says in (
        ('[planning]\ncertainty = "9"\n', "9/10"),
        ('[planning]\nevening = "7pm"\n', "19:30"),
        ('[planning]\nperson = "nobody"\n', "not among the recipients"),
        ("[planning]\nuncovered_min = -1\n", "at least 0"),
    ):
        with pytest.raises(SettingsError, match=says):
            parse_settings(text.encode(), "test.toml")


def test_what_is_kept_reads_back_as_it_was(agent: Agent) -> None:
    from probe_agent.departures import Kept

    assert told(agent, "plan", start="2027-01-16T06:00")[0]
    text = agent.store.departures(0.0)[0]
    kept = msgspec.json.decode(text, type=Kept)
    now = agent._departures.coming[0]
    assert (kept.departure.start_at, kept.departure.told) == (now.start_at, now.told)
    assert kept.departure.plan == now.plan
