"""The data path: from a source's scan to store and status document."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from scripted import INTERVAL_S, SETTINGS, START_UTC, ScriptedSource, open_agent, tick_until, warming

from probe_agent.agent import Agent
from probe_agent.config import Recipient
from probe_agent.readings import Fault
from probe_agent.status import read_status, utc_seconds
from probe_agent.store import ANSWER, Message, Reader, ask, link_hash


def rows(agent: Agent, sql: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(agent.store.path)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


@pytest.fixture
def warmed(tmp_path: Path) -> Iterator[Agent]:
    """An agent half an hour into a heat-up whose heater is measured."""
    agent = open_agent(tmp_path, ScriptedSource(warming(), lambda t_s: 1.0 if t_s >= 600 else 0.0))
    tick_until(agent, 2400)
    yield agent
    agent.store.close()


class Post:
    """A courier that keeps what it is given instead of sending it; the outbox stays real."""

    trouble = None
    recipients = (Recipient(name="pilot", address="x://nobody"),)

    def __init__(self) -> None:
        self.nudges = 0

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def nudge(self) -> None:
        self.nudges += 1


def test_a_heat_up_is_seen_forecast_and_shown(warmed: Agent) -> None:
    status = read_status(Path(warmed.settings.store.runtime_dir) / "status.json")
    assert status.state == "heating"
    assert status.coldest == "case-nose"
    assert status.coldest_c == pytest.approx(warming()(2400)["case-nose"])
    assert status.heater.heating is True
    assert status.heater.known_by == "measured"
    assert status.above_p10 is not None
    assert status.above_p50 is not None
    assert utc_seconds(status.now) == START_UTC + 2400
    assert utc_seconds(status.above_p50) > utc_seconds(status.now)
    assert status.ready_at is not None, "while it warms it is said when it will be ready, the soak counted in"
    assert utc_seconds(status.ready_at) >= utc_seconds(status.above_p50) + 1800 - 1
    assert status.core_c is not None
    assert status.age_s is not None
    assert status.age_s < 60


def test_readings_transitions_and_the_heat_up_are_kept(warmed: Agent) -> None:
    warmed._finish()
    assert rows(warmed, "SELECT count(*) FROM readings") == [(160 * 4,)]
    assert [new for (new,) in rows(warmed, "SELECT new FROM transitions")] == ["cold", "heating"]
    assert rows(warmed, "SELECT target_c, started, ended FROM heatups_utc")[0][0] == 7.0
    started = str(rows(warmed, "SELECT started FROM heatups_utc")[0][0])
    assert abs(utc_seconds(started) - (START_UTC + 600)) <= 2 * INTERVAL_S
    assert rows(warmed, "SELECT count(*) > 2 FROM forecasts") == [(1,)]


def test_readings_wait_in_memory_and_are_shown_as_recent(warmed: Agent) -> None:
    status = read_status(Path(warmed.settings.store.runtime_dir) / "status.json")
    assert status.recent is not None
    committed = rows(warmed, "SELECT count(*) FROM ticks")[0][0]
    assert isinstance(committed, int)
    assert committed + len(warmed.store.held) == 160
    assert len(status.recent.rows) == len(warmed.store.held)


def test_above_target_it_is_told_how_long_that_lasts_covered_and_bare(tmp_path: Path) -> None:
    agent = open_agent(
        tmp_path, ScriptedSource(warming(rate_c_per_h=40), lambda t_s: 1.0 if t_s >= 600 else 0.0)
    )
    told = []
    while agent.clock.monotonic() < 7200:
        tick_until(agent, agent.clock.monotonic() + 60.0, 60.0)
        assert agent.status is not None
        above = agent.status.soak_from is not None
        assert above or agent.status.hold_min is None
        if agent.status.hold_min is not None:
            told.append(agent.status.hold_min)
    agent._finish()
    agent.store.close()
    assert told
    standing, bare = told[-1]
    assert bare is not None
    assert 0 < bare < standing
    assert told[0][0] < standing  # warmer lasts longer


@pytest.mark.parametrize("lost", ["cyl-1", "cyl-2", "case-nose"])
def test_a_missing_required_place_is_never_above_target(tmp_path: Path, lost: str) -> None:
    def script(t_s: float) -> dict[str, float | Fault]:
        values: dict[str, float | Fault] = dict(warming(rate_c_per_h=40)(t_s))
        if t_s > 1200:
            values[lost] = Fault.OPEN
        return values

    agent = open_agent(tmp_path, ScriptedSource(script, lambda t_s: 1.0 if t_s >= 600 else 0.0))
    states = []
    for _ in range(120):
        tick_until(agent, agent.clock.monotonic() + 60.0, 60.0)
        assert agent.status is not None
        states.append(agent.status.state)
    agent.store.close()
    assert "above-target" not in states
    assert "ready" not in states
    assert states[-1] == "probe-missing"
    assert agent.status is not None
    assert agent.status.missing == (lost,)
    assert agent.status.coldest != lost


def test_a_source_that_says_nothing_of_a_place_leaves_it_missing(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(lambda t_s: {"cyl-1": 20.0, "cyl-2": 20.0}))
    tick_until(agent, 300)
    agent.store.close()
    assert agent.status is not None
    assert agent.status.state == "probe-missing"
    assert agent.status.missing == ("case-nose",)


def test_a_restart_goes_on_where_it_was(tmp_path: Path) -> None:
    def heater(t_s: float) -> float:
        return 1.0 if t_s >= 600 else 0.0

    first = open_agent(tmp_path, ScriptedSource(warming(), heater))
    tick_until(first, 3000, 30.0)
    first._finish()
    first.store.close()
    assert first.status is not None
    # The second start counts its own seconds from another zero, as after a reboot, two minutes later.
    later = START_UTC + 3120
    second = open_agent(
        tmp_path,
        ScriptedSource(lambda t_s: warming()(t_s + 3120 - 50), lambda t_s: heater(t_s + 3120 - 50)),
        start_utc=later,
        start_s=50.0,
    )
    tick_until(second, 50.0 + INTERVAL_S)
    second._finish()
    assert second.status is not None
    assert second.status.state == "heating"
    assert second.status.state_since == first.status.state_since
    assert second.status.above_p50 is not None
    assert first.status.above_p50 is not None
    gap_s = utc_seconds(second.status.above_p50) - utc_seconds(first.status.above_p50)
    assert abs(gap_s) < 1200
    assert rows(second, "SELECT count(*) FROM heatups") == [(1,)]
    assert rows(second, "SELECT count(*) FROM boots") == [(2,)]
    second.store.close()


def test_the_forecast_after_a_restart_is_the_one_without(tmp_path: Path) -> None:
    """What is relived from the store gives the physics the same knowledge."""
    source = ScriptedSource(warming(), lambda t_s: 1.0 if t_s >= 600 else 0.0)
    (tmp_path / "a").mkdir()
    unbroken = open_agent(tmp_path / "a", source)
    tick_until(unbroken, 3600, 30.0)
    (tmp_path / "b").mkdir()
    first = open_agent(tmp_path / "b", source)
    tick_until(first, 1800, 30.0)
    first._finish()
    first.store.close()
    second = open_agent(tmp_path / "b", source, start_utc=START_UTC + 1815, start_s=1815.0)
    tick_until(second, 1830)
    tick_until(second, 3600, 30.0)
    live = [a._physics.estimator.forecast() for a in (unbroken, second)]
    for name in ("above_p10", "above_p50", "above_p90"):
        one, other = (getattr(f, name) for f in live)
        assert one == pytest.approx(other, abs=0.01), name
    unbroken.store.close()
    second.store.close()


def test_an_offset_correction_changes_the_value_and_keeps_the_raw(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()))
    agent.store.close()
    db = sqlite3.connect(agent.store.path)
    db.execute(
        "INSERT INTO corrections (address, offset_mc, from_at, reason) VALUES ('cyl-1', -500, 0, 'ice')"
    )
    db.commit()
    db.close()
    corrected = open_agent(tmp_path, ScriptedSource(warming()))
    tick_until(corrected, 60)
    corrected._finish()
    assert corrected.status is not None
    assert next(p.c for p in corrected.status.probes if p.place == "cyl-1") == -10.5
    assert rows(corrected, "SELECT DISTINCT raw_c, value_c FROM readings_utc WHERE place = 'cyl-1'") == [
        (-10.0, -10.5)
    ]
    corrected.store.close()


def ask_and_answer(agent: Agent, kind: str, **body: object) -> dict[str, object]:
    command = ask(agent.store.path, kind, body)
    agent.answer_commands()
    reader = Reader(agent.store.path)
    try:
        answer = reader.answer(command)
    finally:
        reader.close()
    assert answer is not None
    said = json.loads(answer)
    assert isinstance(said, dict)
    return said


def lost_nose(t_s: float) -> dict[str, float | Fault]:
    return {**warming()(t_s), "case-nose": Fault.OPEN}


def test_a_reading_by_hand_stands_in_for_twenty_minutes(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(lost_nose))
    tick_until(agent, 120)
    said = ask_and_answer(agent, "hand-reading", place="case-nose", c=-9.0, method="infrared", age_s=60)
    assert said["ok"], said
    tick_until(agent, 150)
    assert agent.status is not None
    nose = next(p for p in agent.status.probes if p.place == "case-nose")
    assert (nose.status, nose.c, nose.age_s) == ("by-hand", -9.0, 90.0)
    assert agent.status.missing == ()
    tick_until(agent, 60 + 20 * 60 + 30, 30.0)
    assert agent.status.missing == ("case-nose",)
    agent.store.close()


def test_a_reading_by_hand_can_be_undone_and_survives_a_restart(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(lost_nose))
    tick_until(agent, 60)
    ask_and_answer(agent, "hand-reading", place="case-nose", c=-9.0, method="contact", age_s=0)
    agent._finish()
    agent.store.close()
    again = open_agent(tmp_path, ScriptedSource(lost_nose), start_utc=START_UTC + 120, start_s=0.0)
    tick_until(again, 15)
    assert again.status is not None
    assert again.status.missing == ()
    assert ask_and_answer(again, "undo-hand-reading", id=1)["ok"]
    tick_until(again, 30)
    assert again.status.missing == ("case-nose",)
    assert not ask_and_answer(again, "undo-hand-reading", id=1)["ok"]
    again.store.close()


@pytest.mark.parametrize(
    "body",
    [
        {"place": "wing", "c": 1.0, "method": "infrared"},
        {"place": "cyl-1", "c": 500.0, "method": "infrared"},
        {"place": "cyl-1", "c": "warm", "method": "infrared"},
        {"place": "cyl-1", "c": 1.0, "method": "thumb"},
        {"place": "cyl-1", "c": 1.0, "method": "infrared", "age_s": -5},
        {"c": 1.0},
    ],
)
def test_a_hand_reading_that_can_not_be_is_refused_and_not_kept(
    tmp_path: Path, body: dict[str, object]
) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()))
    tick_until(agent, 30)
    assert not ask_and_answer(agent, "hand-reading", **body)["ok"]
    assert rows(agent, "SELECT count(*) FROM hand_readings") == [(0,)]
    agent.store.close()


def test_what_is_no_number_isnt_even_asked(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()))
    with pytest.raises(ValueError, match="JSON"):
        ask(agent.store.path, "hand-reading", {"place": "cyl-1", "c": math.nan, "method": "infrared"})
    agent.store.close()


def test_an_expired_command_is_never_carried_out(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()))
    tick_until(agent, 30)
    command = ask(
        agent.store.path, "hand-reading", {"place": "cyl-1", "c": 1.0, "method": "contact"}, valid_s=-1.0
    )
    agent.answer_commands()
    assert rows(agent, "SELECT count(*) FROM hand_readings") == [(0,)]
    answer = json.loads(str(rows(agent, f"SELECT answer FROM commands WHERE id = '{command}'")[0][0]))
    assert not answer["ok"]
    agent.store.close()


def test_messages_are_in_the_outbox_with_the_transition(tmp_path: Path) -> None:
    post = Post()
    agent = open_agent(
        tmp_path,
        ScriptedSource(warming(rate_c_per_h=40), lambda t_s: 1.0 if t_s >= 600 else 0.0),
        messages=post,
    )
    tick_until(agent, 3 * 3600, 60.0)
    agent._finish()
    due = agent.store.due_messages(["pilot"])
    assert post.nudges > 0
    kinds = [m.dedupe_key.split(":")[0] for m in due]
    assert kinds == ["test", "ready", "switch-off"]
    dropped = rows(agent, "SELECT dedupe_key, dropped_reason FROM outbox WHERE dropped_reason IS NOT NULL")
    assert {(str(k).split(":")[0], why) for k, why in dropped} == {
        ("above-target", "no longer true"),
        ("switch-off", "overtaken"),
    }
    assert all(isinstance(m, Message) and m.subject.startswith("Magpie: ") for m in due)
    agent.store.close()


def test_oil_comes_back_only_with_its_level_checked(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming(rate_c_per_h=40), lambda t_s: float(t_s >= 600)))
    tick_until(agent, 300, 60.0)
    assert not ask_and_answer(agent, "oil-back", level_checked=True)["ok"]
    assert ask_and_answer(agent, "oil-out")["ok"]
    tick_until(agent, 360, 60.0)
    assert agent.status is not None
    assert agent.status.state == "oil-out"
    assert agent.status.oil_out
    assert not ask_and_answer(agent, "oil-back")["ok"]
    assert ask_and_answer(agent, "oil-back", level_checked=True)["ok"]
    tick_until(agent, 420, 60.0)
    assert agent.status.state != "oil-out"
    agent.store.close()


def test_it_is_off_closes_the_reminder(tmp_path: Path) -> None:
    heat = {"off_s": math.inf}
    agent = open_agent(
        tmp_path, ScriptedSource(warming(rate_c_per_h=40), lambda t_s: float(600 <= t_s < heat["off_s"]))
    )
    tick_until(agent, 2.5 * 3600, 60.0)
    assert agent.status is not None
    (alert,) = (a for a in agent.status.alerts if a.kind == "switch-off")
    assert ask_and_answer(agent, "answer-alert", alert=alert.id, answer="it-is-off")["ok"]
    heat["off_s"] = agent.clock.monotonic()
    tick_until(agent, 2.5 * 3600 + 120, 60.0)
    assert not [a for a in agent.status.alerts if a.kind == "switch-off"]
    assert not ask_and_answer(agent, "answer-alert", alert=alert.id, answer="it-is-off")["ok"]
    agent._finish()
    assert rows(agent, "SELECT answered, closed_by FROM alerts WHERE kind = 'switch-off'") == [
        ("it-is-off", "answer")
    ]
    agent.store.close()


def test_a_clock_that_turns_out_wrong_moves_the_whole_start(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()))
    tick_until(agent, 300)
    agent.clock._start_utc += 86_400  # type: ignore[attr-defined]
    tick_until(agent, 330)
    agent._finish()
    first = str(rows(agent, "SELECT min(utc) FROM readings_utc")[0][0])
    assert utc_seconds(first[:19] + "Z") == START_UTC + 86_400 + INTERVAL_S
    agent.store.close()


def test_sampling_goes_on_while_the_record_can_not_be_written(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming(), lambda t_s: 1.0 if t_s >= 600 else 0.0))
    tick_until(agent, 450)
    real, agent.store._db = agent.store._db, sqlite3.connect(":memory:", isolation_level=None)
    tick_until(agent, 1500)
    assert agent.status is not None
    assert any("can't be written" in n for n in agent.status.notes)
    assert agent.status.state == "heating"
    agent.store._db.close()
    agent.store._db = real
    tick_until(agent, 1800)
    assert not agent.status.notes
    agent._finish()
    assert rows(agent, "SELECT count(*) FROM ticks") == [(120,)]
    assert [n for (n,) in rows(agent, "SELECT new FROM transitions")] == ["cold", "heating"]
    agent.store.close()


# -- who is told


PUBLIC = "https://magpie.example.org"


def heated(folder: Path, text: str = "", **more: object) -> Agent:
    """A heat-up with its heater measured and left on, told to a pilot."""
    source = ScriptedSource(warming(rate_c_per_h=40), lambda t_s: 1.0 if t_s >= 600 else 0.0)
    return open_agent(folder, source, messages=Post(), text=SETTINGS + text, **more)


def test_a_link_of_the_outbox_answers_its_alert_once(tmp_path: Path) -> None:
    agent = heated(tmp_path, f'[page]\npublic_url = "{PUBLIC}"')
    tick_until(agent, 2.5 * 3600, 60.0)
    (told,) = (m for m in agent.store.due_messages(["pilot"]) if "switch-off" in m.dedupe_key)
    assert told.body.endswith(f"\n{PUBLIC}/answer/{ANSWER}")
    assert told.alert is not None
    now_at = agent.clock.utc()
    for token in ("first", "second"):
        agent.store.new_link(token, told.alert, "pilot", now_at, now_at + 3600)
    first, second = (link_hash(token).hex() for token in ("first", "second"))
    assert ask_and_answer(agent, "answer-link", hash=first)["ok"]
    assert agent.status is not None
    assert [a.answered for a in agent.status.alerts] == ["it-is-off"]
    assert ask_and_answer(agent, "answer-link", hash=first) == {"ok": True, "text": "Noted already."}
    tick_until(agent, agent.clock.monotonic() + 60, 60.0)
    assert not ask_and_answer(agent, "answer-link", hash=second)["ok"], "it ended with its alert"
    assert rows(agent, "SELECT used_at IS NOT NULL FROM links ORDER BY link") == [(1,), (0,)]
    agent._finish()
    agent.store.close()


@pytest.mark.parametrize("body", [{}, {"hash": "zz"}, {"hash": 7}, {"hash": "00" * 32}])
def test_an_answer_by_no_link_of_ours_is_refused(tmp_path: Path, body: dict[str, object]) -> None:
    agent = heated(tmp_path)
    tick_until(agent, 60.0)
    assert not ask_and_answer(agent, "answer-link", **body)["ok"]
    agent._finish()
    agent.store.close()


def test_words_owed_since_quiet_hours_outlive_a_restart(tmp_path: Path) -> None:
    # The run begins at 08:00 UTC; ready comes some 80 min later.
    quiet = '[messages]\nquiet = "08:00-10:30"'
    agent = heated(tmp_path, quiet)
    tick_until(agent, 1.6 * 3600, 60.0)
    assert agent.status is not None
    assert agent.status.state == "ready"
    assert agent.store.due_messages(["pilot"]) == []
    agent._finish()
    agent.store.close()
    again = heated(tmp_path, quiet, start_utc=START_UTC + 1.6 * 3600, start_s=1.6 * 3600)
    tick_until(again, 2.6 * 3600, 60.0)
    told = [m for m in again.store.due_messages(["pilot"]) if not m.dedupe_key.startswith("switch-off")]
    assert [m.dedupe_key.split(":")[0] for m in told] == ["test", "ready"]
    assert {m.body[:11] for m in told} == {"Fri 10:30. "}
    again._finish()
    again.store.close()


def test_a_test_is_sent_weekly_by_the_same_function_and_proves_who_answers(tmp_path: Path) -> None:
    agent = heated(tmp_path)
    tick_until(agent, 60.0)
    assert agent.status is not None
    assert any("pilot has not answered a test message yet" in n for n in agent.status.notes)
    agent.send_tests()
    due = agent.store.due_messages(["pilot"])
    assert [m.dedupe_key.split(":")[0] for m in due] == ["test"], "the newer overtakes the older"
    now_at = agent.clock.utc()
    agent.store.new_link("482913", "test:pilot", "pilot", now_at, now_at + 3600)
    told = ask_and_answer(agent, "answer-link", hash=link_hash("482913").hex())
    assert told["text"] == "Noted: messages reach pilot."
    assert not any("test message" in n for n in agent.status.notes)
    ((_, proven),) = agent.store.tested().values()
    assert proven == now_at
    agent._finish()
    agent.store.close()
