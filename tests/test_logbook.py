"""Outings in the record: kept by the daemon, told and corrected by command, listed and counted."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path

import pytest
from click.testing import CliRunner
from scripted import INTERVAL_S, START_UTC, ScriptedSource, open_agent, tick_until

from probe_agent import words
from probe_agent.agent import Agent
from probe_agent.cli import main
from probe_agent.logbook import Logbook
from probe_agent.outings import MOST_FIRST
from probe_agent.readings import Fault, Point
from probe_agent.status import FlownNow
from probe_agent.store import Batch, KeptOuting, Store, ask, keep_outing

OFF_S, BACK_S = 1800.0, 9000.0
REQUIRED = ("cyl-1", "cyl-2", "case-nose")
OF_DEPARTURE = "SELECT outing, kind, departure FROM outings"
KINDS = "SELECT outing, kind, told_by FROM outings ORDER BY outing"


def away(off_s: float = OFF_S, back_s: float = BACK_S, hot_c: float = 62.0) -> ScriptedSource:
    """An engine at rest, its harness off for two hours, and hot when it is on again."""

    def script(t_s: float) -> Mapping[str, float | Fault]:
        engine: float | Fault = -8.0 if t_s < off_s else Fault.OPEN if t_s < back_s else hot_c
        return {**dict.fromkeys(REQUIRED, engine), "ambient": -10.0}

    return ScriptedSource(script, lambda _: 0.0)


def live_until_back(agent: Agent) -> None:
    """Ten minutes past its return; a tick a minute while the harness is off is no gap in measuring."""
    tick_until(agent, BACK_S - 60.0, 60.0)
    tick_until(agent, BACK_S + 600)


def rows(agent: Agent, sql: str = KINDS) -> list[tuple[object, ...]]:
    db = sqlite3.connect(agent.store.path)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def told(agent: Agent, **body: object) -> tuple[bool, str]:
    command = ask(agent.store.path, "flew", body)
    agent.answer_commands()
    ((answer,),) = rows(agent, f"SELECT answer FROM commands WHERE id = '{command}'")
    said = json.loads(str(answer))
    return said["ok"], said["text"]


def flown(agent: Agent) -> FlownNow:
    assert agent.status is not None
    assert agent.status.flown is not None
    return agent.status.flown


def test_away_and_back_is_kept_asked_and_told(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, away())
    tick_until(agent, OFF_S + 600)
    assert rows(agent) == [(1, "perhaps-flown", "nothing")]
    assert flown(agent).asked is None, "whoever left ten minutes ago isn't asked yet"
    live_until_back(agent)
    assert rows(agent) == [(1, "flown", "temperatures")]
    asked = flown(agent).asked
    assert asked is not None
    assert asked.outing == 1
    assert told(agent, what="flown-hot", outing=1)[0]
    assert flown(agent).asked is None
    assert flown(agent).told is not None
    assert rows(agent) == [(1, "flown-hot", "tap")]
    ((began_at, unplugged_at, told_at),) = rows(agent, "SELECT began_at, unplugged_at, told_at FROM outings")
    assert began_at == unplugged_at == pytest.approx(START_UTC + OFF_S, abs=INTERVAL_S)
    assert told_at == pytest.approx(START_UTC + BACK_S + 600, abs=INTERVAL_S)
    agent.store.close()


def test_an_outing_of_long_ago_is_corrected_and_an_unknown_one_refused(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, away())
    at = START_UTC - 40 * 86_400.0
    old = KeptOuting(7, None, None, at, at, "unknown", "nothing", None, at, at, 5.0, -3.0, None, None)
    agent.store.commit(Batch(statements=keep_outing(old, False, MOST_FIRST)))
    assert told(agent, what="flown-short", outing=7)[0]
    assert rows(agent) == [(7, "flown-short", "tap")]
    done, text = told(agent, what="flown-short", outing=12)
    assert (done, text) == (False, "There is no outing 12. probe-agent outings shows their numbers.")
    for body in ({"what": "perhaps-flown"}, {"what": "looped"}, {}, {"what": "not-flown", "outing": "x"}):
        assert not told(agent, **body)[0]
    assert rows(agent) == [(7, "flown-short", "tap")]
    agent.store.close()


def test_the_page_shows_what_it_can_while_the_record_can_not_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: Store, *__: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    agent = open_agent(tmp_path, away())
    plan_start(agent, "2027-01-15T09:00")
    with monkeypatch.context() as broken:
        for read in ("came_of_heatups", "departures", "outing", "next_outing_number"):
            broken.setattr(Store, read, refuse)
        agent._logbook._count_s = 0.0
        agent._logbook._tally = None
        tick_until(agent, OFF_S + 600)
        assert agent.status is not None
        assert agent.status.flown is None
        assert rows(agent, OF_DEPARTURE) == [(1, "perhaps-flown", 1)], "what is at hand needs no record"
    tick_until(agent, OFF_S + 1200)
    assert agent.status.flown is not None, "and it is counted once the record can be read again"
    agent.store.close()


def plan_start(agent: Agent, start: str) -> None:
    """Plan an engine start after a first tick."""
    agent.tick()
    ask(agent.store.path, "plan", {"start": start})
    agent.answer_commands()
    assert [d.number for d in agent._departures.coming] == [1]


def test_the_departure_at_hand_is_the_nearest_that_was_not_cancelled(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, away())
    plan_start(agent, "2027-01-15T08:45")
    for start in ("2027-01-15T10:00", "2027-01-15T16:00"):
        ask(agent.store.path, "plan", {"start": start})
    ask(agent.store.path, "cancel-departure", {"departure": 1})
    agent.answer_commands()
    tick_until(agent, OFF_S + 600)
    assert rows(agent, OF_DEPARTURE) == [(1, "perhaps-flown", 2)], "08:45 nobody flies, 16:00 is far"
    agent.store.close()


def test_what_another_version_kept_is_passed_over(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    agent = open_agent(tmp_path, away())
    tick_until(agent, OFF_S + 600)
    agent.store.keep("outings", '{"of": "later"}')
    agent.store.close()
    again = open_agent(tmp_path, away(), start_s=OFF_S + 660)
    live_until_back(again)
    assert "of another version" in caplog.text
    assert [r[0] for r in rows(again)] == [1, 2], "its number is given to no other"
    again.store.close()


def stand(t_s: float, c: float | None) -> tuple[Point, ...]:
    engine = (Point(p, "open" if c is None else "ok", c) for p in REQUIRED)
    return (*engine, Point("ambient", "ok", -10.0, required=False))


def test_a_clock_put_right_after_a_start_lengthens_the_time_away(tmp_path: Path) -> None:
    """Unplugged, power lost for two hours, and a board whose clock begins where it ended."""
    agent = open_agent(tmp_path, away())
    tick_until(agent, OFF_S + 600)
    record = agent.store
    logbook, wrong_s = Logbook(record, "UTC"), START_UTC + OFF_S + 605
    logbook.recall(5.0, wrong_s - 5.0)
    out = [logbook.follow(t_s, stand(t_s, None), False, 0.0, wrong_s - 5.0, None) for t_s in (10.0, 25.0)]
    right_s = wrong_s - 5.0 + 7200
    for t_s in (40.0, 55.0, 70.0):
        out.append(logbook.follow(t_s, stand(t_s, 62.0), False, 0.0, right_s, None))
    for statements in out:
        record.commit(Batch(statements=statements))
    ((kind, unplugged_at, away_s),) = rows(
        agent, "SELECT kind, unplugged_at, plugged_at - unplugged_at FROM outings"
    )
    assert unplugged_at == pytest.approx(START_UTC + OFF_S, abs=INTERVAL_S)
    assert away_s == pytest.approx(600 + 7200 + 40, abs=2 * INTERVAL_S)
    assert kind == "flown"
    record.close()


def test_a_reading_by_hand_does_not_count_as_plugged_in(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, away())
    tick_until(agent, OFF_S + 600)
    for place in REQUIRED:
        ask(agent.store.path, "hand-reading", {"place": place, "c": 60.0, "method": "infrared"})
    agent.answer_commands()
    tick_until(agent, OFF_S + 900)
    assert rows(agent) == [(1, "perhaps-flown", "nothing")]
    agent.store.close()


def test_the_commands_list_what_is_kept(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, away())
    where = ("--store", str(agent.store.path))
    empty = CliRunner().invoke(main, ["outings", *where])
    assert "Nothing is kept yet." in empty.output
    live_until_back(agent)
    agent.store.close()
    listed = CliRunner().invoke(main, ["outings", *where]).output
    assert "1  2027-01-15 " in listed
    assert "flown, most likely; whether the oil was hot long enough isn't known" in listed
    assert "plugged in after 2 h at 62 °C" in listed
    assert "No flight with the oil hot long enough is in the record; no heat-up without one." in listed
    assert CliRunner().invoke(main, ["flew", "looped", *where]).exit_code == 2


@pytest.mark.parametrize(
    ("hot_days", "without", "unknown", "said"),
    [
        (None, 0, 0, "No flight with the oil hot long enough is in the record; no heat-up without one."),
        (0.4, 1, 0, "less than a day ago; since then one heat-up without one."),
        (1.2, 0, 2, "1 day ago; since then no heat-up without one, two more not known."),
        (21.0, 3, 1, "21 days ago; since then three heat-ups without one, one more not known."),
    ],
)
def test_the_count_is_said(hot_days: float | None, without: int, unknown: int, said: str) -> None:
    now_at = START_UTC
    hot_at = None if hot_days is None else now_at - hot_days * 86_400
    assert words.since_flight(hot_at, without, unknown, now_at).endswith(said)
