"""Rounds by hand: an aircraft without probes, doubtful signs, entries that come late, the table."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import pytest
from answering_daemon import AnsweringDaemon
from scripted import START_UTC, ScriptedSource, open_agent, settings_in, tick_until, warming
from test_agent import Post, ask_and_answer, rows

from probe_agent import words
from probe_agent.agent import Agent, plan_from_settings
from probe_agent.by_hand import last_time_at
from probe_agent.clock import SimulatedClock
from probe_agent.migrations import migrate
from probe_agent.status import Status, TakeAlong, utc_seconds
from probe_agent.store import TAKE_ALONG, Batch, Store, answer_command
from probe_agent.words import how_long, round_tells
from web.acts import WAITS, Commander

REQUIRED = ("cyl-1", "cyl-2", "case-nose")


def without_probes(folder: Path, start_s: float = 0.0) -> Agent:
    settings = settings_in(folder)
    file = Path(settings.store.file)
    migrate(file)
    clock = SimulatedClock(START_UTC + start_s, math.inf, start_s)
    return Agent(settings, plan_from_settings(settings), clock, [], Store(file))


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[Agent]:
    agent = without_probes(tmp_path)
    tick_until(agent, 60)
    yield agent
    agent.store.close()


def shown(agent: Agent) -> Status:
    assert agent.status is not None
    return agent.status


def measure(agent: Agent, *places: str) -> None:
    """A round, as the scripted engine has it then."""
    truth = warming(rate_c_per_h=12.0)(agent.clock.monotonic())
    for place in places or REQUIRED:
        said = ask_and_answer(
            agent, "hand-reading", place=place, c=truth[place], method="infrared", sure=True
        )
        assert said["ok"], said
    tick_until(agent, agent.clock.monotonic() + 30)


def range_of(agent: Agent) -> tuple[float, float, float]:
    status = shown(agent)
    assert status.above_p10 is not None
    assert status.above_p50 is not None
    assert status.above_p90 is not None
    low, mid, high = (utc_seconds(t) for t in (status.above_p10, status.above_p50, status.above_p90))
    return low, mid, high


# -- an aircraft without probes


def test_before_a_whole_round_the_time_is_unknown_and_what_is_missing_is_named(bare: Agent) -> None:
    assert round_tells(shown(bare)) == (
        "When it gets above target: unknown, missing: cylinder 1, cylinder 2 and crankcase nose.",
    )
    measure(bare, "cyl-1")
    assert round_tells(shown(bare)) == (
        "When it gets above target: unknown, missing: cylinder 2 and crankcase nose.",
    )
    measure(bare)
    told = " ".join(round_tells(shown(bare)))
    assert "unknown, missing: a word on the heater" in told
    assert words.next_action(shown(bare)) == "Switch the heater on in time, if somebody flies."


def test_from_the_first_round_with_the_heater_on_there_is_a_wide_range(bare: Agent) -> None:
    measure(bare)
    assert ask_and_answer(bare, "heater-said", on=True)["ok"]
    tick_until(bare, 700)
    status = shown(bare)
    assert status.state == "heating"
    assert (status.heater.heating, status.heater.known_by) == (True, "said")
    low, _, high = range_of(bare)
    assert high - low > 1800
    assert "most likely about" in " ".join(round_tells(status))


def test_between_rounds_the_last_range_is_shown_as_such_and_nothing_is_called_warm(bare: Agent) -> None:
    measure(bare)
    ask_and_answer(bare, "heater-said", on=True)
    tick_until(bare, 2100, 60.0)
    status = shown(bare)
    assert status.state == "probe-missing"
    assert {p.status for p in status.probes if p.required} == {"stale"}
    said = words.announced(status)
    assert said is not None
    assert said.startswith("By the last readings by hand, if nothing has changed since: above target")
    assert "until then no word on above target or ready" in words.verdict(status).lower()
    assert status.alerts == (), "nobody is asked to look at a plug that isn't there"
    assert words.next_action(status) == "Measure each required place by hand and enter the readings."


def test_rounds_narrow_the_range_and_a_restart_keeps_it(bare: Agent, tmp_path: Path) -> None:
    measure(bare)
    tick_until(bare, 600, 60.0)
    ask_and_answer(bare, "heater-said", on=True)
    for until_s in (2100, 3600, 5100, 6600):
        tick_until(bare, until_s, 60.0)
        measure(bare)
    low, mid, high = range_of(bare)
    truth_at = (
        START_UTC + 600 + 3600 / 0.4 * -math.log(1 - 17 / 30 / 0.85)
    )  # where the scripted nose is at 7 °C
    assert low <= truth_at <= high
    bare._finish()
    again = without_probes(tmp_path, bare.clock.monotonic())
    tick_until(again, again.clock.monotonic() + 30)
    assert range_of(again)[1] == pytest.approx(mid, abs=600)
    assert shown(again).heater.heating is True
    again.store.close()


def test_where_probes_tell_a_word_on_the_heater_is_not_its_signal(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming(on_s=1e9)))
    tick_until(agent, 60)
    ask_and_answer(agent, "heater-said", on=True)
    tick_until(agent, 600)
    assert shown(agent).heater.heating is not True
    agent.store.close()


# -- doubt


@pytest.fixture
def cold(tmp_path: Path) -> Iterator[Agent]:
    """An engine of −10 °C that is measured by probes but at its nose."""
    agent = open_agent(tmp_path, ScriptedSource(lambda t_s: {**warming(on_s=1e9)(t_s), "case-nose": 99.0}))
    agent._hand.enter_again(0.0, 0.0)
    tick_until(agent, 300)
    yield agent
    agent.store.close()


@pytest.mark.parametrize(
    ("c", "unit", "asked"),
    [
        (10.0, "C", "Minus 10 or 10 °C?"),
        (9.0, "C", "Minus 9 or 9 °C?"),
        (-10.0, "C", None),
        (-16.0, "C", None),
        (-4.5, "C", None),
        (-15.0, "C", None),
        ((14 - 32) / 1.8, "F", None),
        (65.0, "C", "65 °C at cylinder 1?"),
        (-55.0, "C", "−55 °C at cylinder 1?"),
    ],
)
def test_a_reading_that_does_not_fit_is_asked_about(
    cold: Agent, c: float, unit: str, asked: str | None
) -> None:
    if unit == "F":
        c = (14.0 - 32) / 1.8  # 14 °F is −10 °C
    body = {"place": "cyl-1", "c": c, "method": "infrared", "unit": unit}
    said = ask_and_answer(cold, "hand-reading", **body)
    if asked is None:
        assert said["ok"], said
        return
    assert not said["ok"]
    assert str(said["text"]).startswith(asked)
    assert "About −10 °C is expected now." in str(said["text"])
    assert said["field"] == ("sign" if "or" in asked else "jump")
    assert rows(cold, "SELECT count(*) FROM hand_readings") == [(0,)]
    assert ask_and_answer(cold, "hand-reading", **body, sure=True)["ok"]
    assert rows(cold, "SELECT value_mc FROM hand_readings") == [(round(c * 1000),)]


def test_a_sign_is_doubted_in_the_unit_it_was_typed_in(cold: Agent) -> None:
    """−14 °F (−25.6 °C) where 14 °F is expected."""
    said = ask_and_answer(cold, "hand-reading", place="cyl-1", c=(-14 - 32) / 1.8, method="contact", unit="F")
    assert str(said["text"]).startswith("Minus 14 or 14 °F? About 14 °F is expected now.")


def test_the_last_reading_of_that_place_is_named(bare: Agent) -> None:
    measure(bare, "cyl-1")
    said = ask_and_answer(bare, "hand-reading", place="cyl-1", c=10.0, method="contact")
    assert said["field"] == "sign"
    assert "Cylinder 1 read −10 °C at 08:01." in str(said["text"])


# -- when it was measured


@pytest.mark.parametrize(
    ("clock", "until", "found"),
    [
        ("06:40", "2027-01-15T07:00", "2027-01-15T06:40"),
        ("23:50", "2027-01-15T00:10", "2027-01-14T23:50"),
        ("07:01", "2027-01-15T07:00", "2027-01-14T07:01"),
        ("02:30", "2027-03-28T03:10", "2027-03-27T02:30"),  # the hour that the clocks skip
    ],
)
def test_a_clock_time_is_the_last_one_that_was(clock: str, until: str, found: str) -> None:
    there = ZoneInfo("Europe/Oslo")
    until_at = datetime.fromisoformat(until).replace(tzinfo=there).timestamp()
    at = last_time_at(clock, "Europe/Oslo", until_at)
    assert at is not None
    assert datetime.fromtimestamp(at, there).isoformat()[:16] == found


def test_of_an_hour_that_comes_twice_it_is_the_later_one_that_has_been() -> None:
    there = ZoneInfo("Europe/Oslo")
    second = datetime(2026, 10, 25, 2, 30, fold=1, tzinfo=there).timestamp()
    assert last_time_at("02:20", "Europe/Oslo", second) == second - 600
    assert last_time_at("02:40", "Europe/Oslo", second) == second - 3000  # the first of them


def test_a_clock_time_said_on_the_phone_counts_from_when_it_was_said(bare: Agent) -> None:
    """Kept for two hours, then sent: 07:55 as said at 07:58."""
    tick_until(bare, 2 * 3600, 600.0)
    body = {"place": "cyl-1", "c": -10.0, "method": "infrared", "clock": "07:55", "told_ago_s": 7320.0}
    assert ask_and_answer(bare, "hand-reading", **body)["ok"]
    ((at_ms,),) = rows(bare, "SELECT mono_ms FROM hand_readings")
    assert at_ms == -300_000
    said = ask_and_answer(bare, "hand-reading", **body | {"clock": "10:30", "told_ago_s": 0.0})
    assert not said["ok"], "half past ten is ahead, and was long ago yesterday"
    assert said["field"] == "time"


def test_entries_that_come_late_count_when_they_were_measured(tmp_path: Path) -> None:
    """Two rounds of an hour that reach the board at its end give what they give in time."""
    forecasts = []
    for late in (False, True):
        folder = tmp_path / str(late)
        folder.mkdir()
        agent = without_probes(folder)
        tick_until(agent, 60)
        ask_and_answer(agent, "heater-said", on=True)
        kept = []
        for at_s in (600.0, 2400.0, 3600.0):
            tick_until(agent, at_s, 60.0)
            now_s = agent.clock.monotonic()
            kept += [(now_s, p, warming(rate_c_per_h=12.0)(now_s)[p]) for p in REQUIRED]
            if not late or at_s == 3600.0:
                for measured_s, place, c in kept:
                    body = {"place": place, "c": c, "method": "infrared", "age_s": now_s - measured_s}
                    assert ask_and_answer(agent, "hand-reading", **body, sure=True)["ok"]
                kept = []
        tick_until(agent, 3700, 30.0)
        forecasts.append(range_of(agent))
        agent.store.close()
    in_time, late_ones = forecasts
    assert late_ones[1] == pytest.approx(in_time[1], abs=300)
    assert late_ones == pytest.approx(in_time, abs=900)


def test_an_undone_reading_is_forgotten_by_the_physics_too(bare: Agent) -> None:
    measure(bare)
    before = bare._physics.estimator.places_now()["cyl-1"][0]
    ask_and_answer(bare, "hand-reading", place="cyl-1", c=40.0, method="contact", sure=True)
    tick_until(bare, bare.clock.monotonic() + 30)
    assert bare._physics.estimator.places_now()["cyl-1"][0] > before + 0.3
    ((number,),) = rows(bare, "SELECT max(hand) FROM hand_readings")
    assert ask_and_answer(bare, "undo-hand-reading", id=number)["ok"]
    tick_until(bare, bare.clock.monotonic() + 30)
    assert bare._physics.estimator.places_now()["cyl-1"][0] == pytest.approx(before, abs=0.1)


# -- sent once


def test_entries_are_left_in_order_and_count_once_however_often_they_are_sent(tmp_path: Path) -> None:
    with AnsweringDaemon(tmp_path / "store.db") as daemon:
        bodies = [(f"n{i}", {"place": "cyl-1", "c": float(i)}) for i in range(5)]
        for _ in range(2):  # the second time by a page that was started anew
            outcomes = Commander(tmp_path / "store.db", 5.0).act_each_once("hand-reading", bodies)
            assert [o.ok for o in outcomes] == [True] * 5
        assert [c.body["c"] for c in daemon.asked] == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_what_came_too_late_is_asked_again_and_then_counts_once(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    migrate(path)
    store, commander = Store(path), Commander(path, 0.1)
    (outcome,) = commander.act_each_once("hand-reading", [("n", {"c": 1.0})])
    assert outcome.at_field == WAITS, "nobody has answered: it may be sent again"
    (waiting,) = store.waiting_commands()
    late = json.dumps({"ok": False, "text": "Too late.", "field": "late"})
    store.commit(Batch(statements=[answer_command(waiting.id, late)]))
    store.close()
    with AnsweringDaemon(path) as daemon:
        for _ in range(2):
            assert Commander(path, 5.0).act_each_once("hand-reading", [("n", {"c": 1.0})])[0].ok
        assert len(daemon.asked) == 1


# -- the table to take along


def worked_out(agent: Agent) -> TakeAlong:
    assert ask_and_answer(agent, "take-along")["ok"]
    return msgspec.json.decode(agent.store.kept(TAKE_ALONG) or "", type=TakeAlong)


def test_a_table_takes_longer_from_colder_and_in_colder_air(bare: Agent) -> None:
    table = worked_out(bare)
    assert table.is_whole
    assert max(table.starts_c) < table.target_c
    seconds = [[[math.inf if s is None else s for s in band] for band in row] for row in table.rows]
    for row in seconds:
        for band in row:
            assert band == sorted(band)
        for k in range(3):
            assert [band[k] for band in row] == sorted(band[k] for band in row), "colder air, longer"
    for air in range(len(table.airs_c)):
        middles = [row[air][1] for row in seconds]
        assert middles == sorted(middles), "colder start, longer"


def test_a_table_is_worked_out_before_anything_was_measured_and_within_seconds(tmp_path: Path) -> None:
    agent = without_probes(tmp_path)
    begun = time.monotonic()
    assert worked_out(agent).is_whole
    assert time.monotonic() - begun < 10
    agent.store.close()


def test_the_table_goes_by_mail_to_one_recipient(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming()), messages=Post())
    tick_until(agent, 30)
    assert ask_and_answer(agent, "mail-take-along", to="pilot")["text"] == words.NO_TABLE
    worked_out(agent)
    assert not ask_and_answer(agent, "mail-take-along", to="nobody")["ok"]
    assert ask_and_answer(agent, "mail-take-along", to="pilot")["ok"]
    letters = [m for m in agent.store.due_messages(["pilot"]) if m.dedupe_key.startswith("table:")]
    (letter,) = letters
    assert letter.subject == "Magpie: table to take along"
    assert "From minus 10 °C:\n  air 0 °C: about" in letter.body
    assert "nothing is above target until every required place is" in letter.body
    agent.store.close()


@pytest.mark.parametrize(
    ("band", "said"),
    [
        ((1201.0, 2410.0, 4300.0), ("about 40 min", "20 min to 1 h 15")),
        ((7300.0, 8000.0, 9001.0), ("about 2 h 15", "2 h to 2 h 45")),
        ((3600.0, 7200.0, None), ("about 2 h", "from 1 h, open")),
        ((3600.0, None, None), ("may not get there", "from 1 h, open")),
        ((None, None, None), ("won't get there", "")),
    ],
)
def test_how_long_is_rounded_outward_and_an_open_end_is_said(
    band: tuple[float | None, float | None, float | None], said: tuple[str, str]
) -> None:
    assert how_long(band) == said


# -- the heater, since when


def clock_of(agent: Agent, ago_s: float) -> str:
    now_at = agent.clock.monotonic() + agent.clock.utc_offset_s()
    return datetime.fromtimestamp(now_at - ago_s, UTC).strftime("%H:%M")


def test_a_heater_told_late_counts_as_one_told_in_time(bare: Agent, tmp_path: Path) -> None:
    in_time = without_probes(tmp_path / "in-time")
    tick_until(in_time, 660)
    assert ask_and_answer(in_time, "heater-said", on=True)["ok"]
    for agent in (in_time, bare):
        tick_until(agent, 1800, 60.0)
        measure(agent)
    assert ask_and_answer(bare, "heater-said", on=True)["ok"]
    said = ask_and_answer(bare, "heater-said", on=True, clock=clock_of(bare, 1200))
    assert said["ok"], said
    for agent in (in_time, bare):
        tick_until(agent, 2100, 60.0)
    late, early = (agent._physics.estimator.forecast() for agent in (bare, in_time))
    assert late.heater_on_at == pytest.approx(early.heater_on_at, abs=121)
    assert late.above_p50 == pytest.approx(early.above_p50, rel=0.1)
    assert bare._watch.said_on_s == 600.0
    in_time.store.close()


def test_a_time_of_the_heater_is_bounded_and_not_before_heat_last_ended(bare: Agent) -> None:
    tick_until(bare, 1800, 60.0)
    for clock in (clock_of(bare, -600), clock_of(bare, 7 * 3600), "25:10", "ten"):
        said = ask_and_answer(bare, "heater-said", on=True, clock=clock)
        assert not said["ok"], clock
    assert ask_and_answer(bare, "heater-said", on=False, clock="05:10")["field"] == "since"
    assert ask_and_answer(bare, "heater-said", on=False)["ok"]
    tick_until(bare, 2400, 60.0)
    said = ask_and_answer(bare, "heater-said", on=True, clock=clock_of(bare, 1200))
    assert (said["ok"], said["field"]) == (False, "since")
    assert "Heat last ended" in str(said["text"])
    assert bare._watch.said_on_s is None
    assert ask_and_answer(bare, "heater-said", on=True, clock=clock_of(bare, 300))["ok"]
