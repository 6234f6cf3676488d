"""Nights of one aircraft, each from settings through the daemon to delivered mail and retained topics."""

from __future__ import annotations

import re
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import pytest
from nights import Night
from real_broker import Recorder

from probe_agent.engine_sim import DEMO_REQUIRED, Happening
from probe_agent.status import utc_seconds

ON, OFF = Happening.HEATER_ON, Happening.HEATER_OFF
FAILS, MENDS, LOST = Happening.HEATER_FAILS, Happening.HEATER_MENDS, Happening.PROBE_MISSING
LOOK = 'morning_look = "05:50"'
HEAT = [("05:00", ON, "")]
"""Above target some 47 min after heater-on, ready at 06:17."""
HEAT_TO_SEVEN = [*HEAT, ("07:00", OFF, "")]
TWO = (("pilot", 'contact = "555 0101"'), ("owner", 'order = 2\ncontact = "555 0102"'))


def test_an_ordinary_morning(tmp_path: Path) -> None:
    unplugged = [("07:25", LOST, place) for place in (*DEMO_REQUIRED, "sump", "ambient")]
    events = [("04:20", ON, ""), ("06:55", OFF, ""), *unplugged]
    plan = {"messages": LOOK, "departure": "07:30", "most": 5, "interval_s": 120.0}
    with Night(tmp_path, "Fri 19:20", events, **plan) as night:
        night.until("Fri 19:40")
        assert night.subjects() == ["heat needed for Sat 07:30"]
        assert night.times("heat needed") == ["19:30"]
        evening = night.body("heat needed")
        assert re.search(r"heat must be on by Sat 04:\d\d, to keep it on 9 mornings in 10", evening)
        assert "Have the timer set before you leave the field." in evening
        assert "Noted: the timer is set for Sat 04:20." in night.tell("timer-set", at="2027-01-16T04:20")
        night.until("07:35")
        kinds = [re.sub(r"minus \d+ °C|\d+(\.\d)? °C", "…", s) for s in night.subjects()][1:]
        assert kinds[:3] == [
            "coldest point above target, …",
            "ready to start, …",
            "ready to start, …",
        ]
        assert kinds[3].startswith("heater off, above target until about ")
        assert night.times("ready to start")[1] == "05:50"
        assert len(kinds) == 4, "unplugging for the start is no news"
        night.wait_retained("engine/state", "probe-missing")
        assert night.retained("$state") == "ready"
        night.end()
        night.wait_retained("$state", "disconnected")


def test_a_breaker_that_trips_for_good(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", [*HEAT, ("05:20", FAILS, "")], messages=LOOK, departure="07:30") as night:
        night.until("07:00")
        plan, first, second, last = night.subjects()
        assert plan == "heat needed for 07:30"
        assert "to keep it on 1" in night.body(plan), "a little less than wished, and so it is said"
        assert first.startswith("heat has stopped, ")
        assert second.startswith(("heat has stopped, ", "cold, ", "cooling, ", "no heat, "))
        assert last == "no heat needed for 07:30", "above the need-limit without any more, and so it is said"
        assert "until an electrician has looked" in night.body("heat has stopped")
        assert night.status().state in ("cold", "cooling", "off")
        ((closed_by,),) = night.sql("SELECT closed_by FROM alerts WHERE kind = 'heater-stopped'")
        assert closed_by == "evidence"
        ((reason,),) = night.sql("SELECT end_reason FROM heatups")
        assert reason == "heat stopped and did not come back"


def test_a_breaker_that_trips_and_is_reset(tmp_path: Path) -> None:
    events = [*HEAT, ("05:15", FAILS, ""), ("05:35", MENDS, "")]
    with Night(tmp_path, "04:45", events) as night:
        night.until("07:05")
        kinds = [s.rpartition(",")[0] for s in night.subjects()]
        assert kinds == ["heat has stopped", "coldest point above target", "ready to start"]
        assert night.sql("SELECT count(*) FROM heatups") == [(1,)]


def test_a_probe_that_falls_off_holds_ready_back(tmp_path: Path) -> None:
    events = [*HEAT, ("06:20", Happening.PROBE_DETACHED, "cyl-3")]
    with Night(tmp_path, "04:45", events, air_c=-10.0) as night:
        night.until("07:10")
        above, lost = night.subjects()
        assert above.startswith("coldest point above target")
        assert lost.startswith("cylinder 3 not measured since 06:2")
        assert "I will not say above target or ready until it is back" in night.body("cylinder 3")
        night.wait_retained("engine/state", "probe-missing")
        assert night.retained("cyl-3/temperature") is None


def test_nobody_flies(tmp_path: Path) -> None:
    events = [*HEAT, ("08:50", OFF, ""), ("08:50", Happening.COVER_OFF, "")]
    with Night(tmp_path, "04:45", events, departure="07:30") as night:
        night.until("09:10")
        assert night.minutes("the heater off") == [0], "as soon as the planned start has passed"
        assert night.times("the heater off") == ["07:30"]
        assert night.times("passed, heater still on") == ["07:45", "08:00"]
        assert "Planned start 07:30, none seen, and heat is still on." in night.body("passed")
        assert night.sql("SELECT closed_by FROM alerts WHERE kind = 'switch-off'") == [("evidence",)]
        night.until("13:00")
        assert night.subjects()[-1].startswith("no longer above target, ")
        assert '"ready" and "above target" no longer hold' in night.body("no longer")


def test_an_owner_who_forgets_and_the_link_of_the_second(tmp_path: Path) -> None:
    url = '[page]\npublic_url = "https://magpie.example.org"'
    with Night(tmp_path, "04:45", HEAT, people=TWO, more=url) as night:
        night.until("08:20")
        assert night.minutes("the heater off") == [0, 15, 30, 90]
        assert night.times("the heater off", "owner") == night.times("the heater off")[1:]
        told = night.body("the heater off", "owner")
        assert "Asked once before, no answer yet." in told
        assert "call pilot, 555 0101" in told
        page = night.page()
        path = told.rpartition("https://magpie.example.org")[2]
        for _ in range(10):
            shown = page.get(path)
            assert shown.status_code == 200
            assert shown.text.count("<button") == 1
            assert "Say it is off" in shown.text
        page.head(path)
        assert night.sql("SELECT answered FROM alerts WHERE kind = 'switch-off'") == [(None,)]
        assert night.sql("SELECT count(*) FROM commands") == [(0,)]
        pressed = page.post(path)
        assert pressed.status_code == 200
        assert "Noted: It is off." in pressed.text
        assert "Noted" in page.post(path).text
        assert page.get(path).status_code == 410
        assert night.sql("SELECT answered FROM alerts WHERE kind = 'switch-off'") == [("it-is-off",)]
        night.until("08:25")
        assert night.sql("SELECT closed_by FROM alerts WHERE kind = 'switch-off'") == [("answer",)]
        other = night.body("the heater off").rpartition("https://magpie.example.org")[2]
        assert page.get(other).status_code == 410, "the alert is over, and so are its links"
        assert page.post(other).status_code == 409
        assert page.get("/answer/0123456789012345678901").status_code == 404


def test_a_false_it_is_off_is_asked_again(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", HEAT, people=(("pilot", ""),)) as night:
        night.until("06:55")
        assert night.times("the heater off") == ["06:47"]
        assert "Noted: It is off" in night.answer("switch-off", "it-is-off")
        night.until("07:25")
        assert night.minutes("the heater off") == [0, 29], "20 min of warming contradict it"
        later = [m.text for m in night.mails if "the heater off" in m.subject][-1]
        assert '"It is off" was said at 06:55, but it still warms.' in later
        alerts = night.sql("SELECT answered, closed_by FROM alerts WHERE kind = 'switch-off' ORDER BY rowid")
        assert alerts == [("it-is-off", "answer"), (None, None)]


@pytest.mark.long
def test_a_false_it_is_off_is_noticed_at_once_where_power_is_measured(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", HEAT, measured=True) as night:
        night.until("06:50")
        night.answer("switch-off", "it-is-off")
        night.until("06:58")
        assert len(night.times("the heater off")) == 2


def test_unplugged_with_the_heater_still_drawing_power(tmp_path: Path) -> None:
    unplugged = [("06:30", LOST, place) for place in (*DEMO_REQUIRED, "sump", "ambient")]
    with Night(tmp_path, "04:45", [*HEAT, *unplugged], measured=True, departure="06:50") as night:
        night.until("06:40")
        assert night.subjects()[-1] == "switch the heater off"
        assert "perhaps unplugged, and the heater still draws power" in night.body("the heater off")


def test_a_board_that_loses_power_while_it_heats(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", HEAT) as night:
        night.until("05:15")
        night.wait_retained("engine/state", "heating")
        night.power_cut()
        night.wait_retained("$state", "lost")
        night.boot("05:40")
        night.until("05:45")
        (back,) = night.subjects()
        assert re.match(r"board is back, missed 05:1\d to 05:40\Z", back)
        assert "before that: warming, " in night.body("board is back")
        night.until("06:30")
        assert [s.rpartition(",")[0] for s in night.subjects()[1:]] == [
            "coldest point above target",
            "ready to start",
        ]
        night.wait_retained("$state", "ready")
        night.wait_retained("engine/state", "ready")


MARKS = (
    "SELECT heatup, (a.mono_ms - s.mono_ms) / 1000.0, (r.mono_ms - s.mono_ms) / 1000.0,"
    " (s.mono_ms + utc_offset_ms) / 1000.0 FROM heatups JOIN ticks s ON s.tick = started_tick"
    " LEFT JOIN ticks a ON a.tick = above_tick LEFT JOIN ticks r ON r.tick = ready_tick"
    " JOIN boots b ON b.boot = s.boot"
)
"""Each heat-up with its seconds from heater-on to above target and to ready, and when it began [UTC s]."""


@pytest.fixture(scope="module")
def unplanned(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """Heat from 05:00 to 07:00 with nothing planned, as lived with a clock that is right."""
    with Night(tmp_path_factory.mktemp("unplanned"), "04:45", HEAT_TO_SEVEN) as night:
        night.until("07:20")
    return night


@pytest.mark.parametrize(
    ("at", "ahead_s"),
    [
        pytest.param("05:25", -7200.0, id="warming, two hours on", marks=pytest.mark.long),
        pytest.param("05:25", 3600.0, id="warming, an hour back"),
        pytest.param("06:00", -7200.0, id="soaking, two hours on"),
        pytest.param("06:55", 3600.0, id="asked, an hour back", marks=pytest.mark.long),
    ],
)
def test_a_clock_that_jumps_while_it_heats(tmp_path: Path, unplanned: Night, at: str, ahead_s: float) -> None:
    """The clock was believed, and is put right in the middle of the heat-up."""
    with Night(tmp_path, "04:45", HEAT_TO_SEVEN, wrong=(at, ahead_s), believed=True) as night:
        night.until("05:20")
        assert night.status().clock_ok
        began_at = utc_seconds(night.status().heater.since or "")
        assert began_at == pytest.approx(night.utc("05:00") + ahead_s, abs=600), "by the clock as it was"
        night.until("07:20")
        off_at = utc_seconds(night.status().heater.since or "")
        assert off_at == pytest.approx(night.utc("07:00"), abs=120)
    assert night.sql(MARKS) == unplanned.sql(MARKS), "how long it took, and when it began by the right clock"
    changes = "SELECT mono_ms, old, new FROM transitions ORDER BY transition"
    assert night.sql(changes) == unplanned.sql(changes)
    said, right = ([m for m in n.mails if "test message" not in m.subject] for n in (night, unplanned))
    assert len(said) == len(right) >= 5, "nothing twice, nothing left out"
    for heard, usual in zip(said, right, strict=True):
        if usual.text[4:9] >= at:
            assert (heard.subject, heard.text) == (usual.subject, usual.text)
        else:
            assert night.utc(heard.text[4:9]) == unplanned.utc(usual.text[4:9]) + ahead_s
            heard_at, usual_at = (re.sub(r"\d\d:\d\d", "…", m.subject) for m in (heard, usual))
            assert heard_at == usual_at


@pytest.mark.parametrize(
    ("ahead_s", "looks"), [(-7200.0, ["05:50"]), (3600.0, ["05:50", "05:50"])], ids=["behind", "ahead"]
)
def test_the_morning_look_comes_at_its_true_hour_where_the_clock_jumps(
    tmp_path: Path, ahead_s: float, looks: list[str]
) -> None:
    """Also where a clock that was ahead has brought one an hour too early."""
    daily = f"{LOOK}\nmorning_look_daily = true"
    wrong = ("05:25", ahead_s)
    with Night(tmp_path, "04:45", HEAT, messages=daily, wrong=wrong, believed=True) as night:
        night.until("06:00")
        heads = [(m.subject, m.text[4:9]) for m in night.mails if "This holds until" in m.text]
    assert [head for _, head in heads] == looks
    assert heads[-1][0].startswith("Magpie: above target, ")


def test_a_broker_that_is_away_for_two_hours(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", HEAT_TO_SEVEN) as night:
        night.until("05:10")
        night.wait_retained("engine/state", "heating")
        night.broker.kill()
        night.until("07:10")
        night.wait_for(lambda: any("The broker at" in n for n in night.status().notes))
        assert [s.rpartition(",")[0] for s in night.subjects()[:2]] == [
            "coldest point above target",
            "ready to start",
        ]
        night.broker.start()
        with Recorder(night.broker.port, "homie/5/#") as recorder:
            recorder.wait_for(lambda: recorder.retained().get("homie/5/magpie/$state") == b"ready")
            heard = [*recorder.old.values(), *recorder.stream]
        states = {s.payload for s in heard if s.topic == "homie/5/magpie/engine/state"}
        assert states == {b"ready"}, "nothing of the two hours between"


def test_a_mail_server_that_is_away_for_a_day(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", HEAT_TO_SEVEN, messages=LOOK, departure="07:30", interval_s=300.0) as night:
        night.until("05:05")
        night.post.answer = lambda mail: "451 not now"
        night.until("Sun 05:05")
        assert night.subjects() == ["heat needed for 07:30"], "before it went away"
        assert any("have not got through" in n for n in night.status().notes)
        night.post.answer = lambda mail: "250 there again"
        night.until("Sun 05:20")
        night.settled()
        state = night.status().state
        assert state not in ("above-target", "ready")
        late = [s for s in night.subjects() if re.search("target|ready|heater off", s)]
        assert late == [], "what was true yesterday is not said today"
        dropped = night.sql("SELECT DISTINCT dropped_reason FROM outbox WHERE delivered_at IS NULL")
        assert {str(why) for (why,) in dropped} >= {"no longer true"}
        assert None not in {why for (why,) in dropped}


def test_quiet_hours_hold_back_all_but_harm(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", HEAT, messages='quiet = "22:00-07:10"') as night:
        night.until("06:40")
        assert night.mails == []
        night.until("07:05")
        assert night.times("the heater off") == ["06:47", "07:02"]
        night.until("07:15")
        assert night.times("ready to start") == ["07:10"], "written anew at their end"
        assert night.times("above target") == [], "ready by then"


@pytest.mark.long
def test_quiet_hours_of_ones_own_without_harm(tmp_path: Path) -> None:
    people = (("pilot", ""), ("owner", 'quiet = "05:00-06:25"'), ("field", "harm_only = true"))
    with Night(tmp_path, "04:45", [*HEAT, ("06:40", OFF, "")], people=people) as night:
        night.until("06:35")
        assert [len(night.subjects(who)) for who in ("pilot", "owner", "field")] == [2, 1, 0]
        assert night.times("ready", "owner") == ["06:25"]
        assert night.times("test message", "owner") == ["04:45"]


def test_a_start_that_can_not_be_kept_is_said_early(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", HEAT, departure="06:00", messages=LOOK) as night:
        night.until("05:30")
        (late,) = night.subjects()
        assert re.match(r"start 06:00 about 1 h \d\d min late\Z", late)
        told = night.body("late")
        assert "Have it switched on now." in told
        assert re.search(
            r"Content with 8 mornings in 10, start 0[67]:\d\d; or next time heat \d+ min earlier", told
        )
        night.until("06:30")
        assert night.times("ready to start") == ["06:17"]


@pytest.mark.long
def test_a_heater_too_weak_for_the_night(tmp_path: Path) -> None:
    with Night(tmp_path, "02:45", [("03:00", ON, "")], watts=200.0, air_c=-15.0, measured=True) as night:
        night.until("05:30")
        (word,) = night.subjects()
        assert word.startswith("unlikely to reach the target, ")
        night.answer("levelling-off", "seen")


def test_a_recipient_is_proven_by_answering_a_test(tmp_path: Path) -> None:
    with Night(tmp_path, "Sun 17:30") as night:
        night.until("Sun 17:35")
        assert any("pilot has not answered a test message yet" in n for n in night.status().notes)
        night.until("Sun 18:05")
        assert night.times("test message") == ["17:30", "18:00"]
        found = re.search(r"probe-agent received (\d{6})", night.mails[-1].text)
        assert found is not None
        assert "no message of ours" in night.tell("answer-link", hash="00" * 32)
        assert "Noted: messages reach pilot." in night.received(found[1])
        night.until("Sun 18:10")
        assert not any("test message" in n for n in night.status().notes)
        assert found[1] not in str(night.sql("SELECT payload FROM outbox"))
