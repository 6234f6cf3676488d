"""Nights that are planned: the evening, the night and the morning of a departure, and what comes between."""

from __future__ import annotations

import json
import re
import sys
from datetime import UTC, date, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import pytest
from nights import Night
from real_https import Authority, HttpsServer, says

from probe_agent.engine_sim import DEMO_REQUIRED, Happening

ON, OFF, LOST = Happening.HEATER_ON, Happening.HEATER_OFF, Happening.PROBE_MISSING
LOOK = 'morning_look = "05:50"'
BY_PERSON = {"switched_by": '"person"'}
FIELD = (("pilot", 'contact = "555 0101"'), ("field", 'quiet = "22:00-06:00"\ncontact = "555 0103"'))
EVENING = "Fri 19:20"


@pytest.mark.long
def test_a_night_colder_than_told_is_planned_anew(tmp_path: Path) -> None:
    """Told to stay mild, so no heat; the air falls, and the word comes in time to be of use."""
    air = [("Fri 19:00", 5.0), ("Fri 21:00", 5.0), ("Sat 01:00", -14.0)]
    with Night(tmp_path, EVENING, air_c=air, setup=BY_PERSON, interval_s=180.0) as night:
        night.until("Fri 19:24")
        assert "Noted" in night.tell("weather-said", air_c=5.0, until_at=night.utc("07:00"))
        assert night.plan("07:30").startswith("No heat is needed")
        night.until("Fri 19:40")
        assert night.subjects() == ["no heat needed for Sat 07:30"]
        assert "Nothing to do." in night.body("no heat")
        night.until("07:00")
        later = night.subjects()[1:]
        assert later[0].startswith(("heat for", "heat needed for")), later
        assert night.body(later[0]).startswith("Fri 2"), "long before anything is due"
        assert any(s.startswith("heater on at 0") for s in later)


@pytest.mark.long
def test_a_wind_that_rises_makes_a_start_late_and_it_is_said(tmp_path: Path) -> None:
    wind = [("06:10", 1.0), ("06:25", 18.0)]
    with Night(tmp_path, "05:15", [("05:30", ON, "")], air_c=-8.0, wind_m_s=wind, watts=430.0) as night:
        night.until("06:05")
        night.plan("08:00")
        night.until("06:15")
        assert night.subjects() == []
        night.until("08:00")
        late = [s for s in night.subjects() if "late" in s]
        assert len(late) == 1, night.subjects()
        assert re.match(r"about \d+ min late, start about 08:\d\d\Z", late[0])
        assert night.times("late")[0] > "06:20"


@pytest.mark.long
def test_unplugged_after_ready_is_no_trust_any_more(tmp_path: Path) -> None:
    unplugged = [("06:40", LOST, place) for place in (*DEMO_REQUIRED, "sump", "ambient")]
    with Night(tmp_path, "04:45", [("05:00", ON, ""), ("06:30", OFF, ""), *unplugged]) as night:
        night.until("06:50")
        assert night.subjects()[-2].startswith("heater off, above target until")
        assert night.subjects()[-1] == "all points lost at 06:40, unplugged?"
        assert "Coldest point unknown." in night.body("unplugged?")
        night.wait_retained("engine/state", "probe-missing")
        night.until("09:00")
        assert len(night.subjects()) == 4


@pytest.mark.long
def test_a_plan_that_is_cancelled_says_no_more(tmp_path: Path) -> None:
    with Night(
        tmp_path, EVENING, messages=LOOK, setup=BY_PERSON, departure="07:30", interval_s=180.0
    ) as night:
        night.until("Fri 21:00")
        assert night.subjects() == ["heat needed for Sat 07:30"]
        assert "no more word comes of it" in night.tell("cancel-departure")
        night.until("08:00")
        assert len(night.subjects()) == 1
        assert night.status().plan is None
        assert night.sql("SELECT outcome FROM departures") == [("not-flying",)]


def test_an_engine_still_warm_from_a_flight_needs_no_heat_yet(tmp_path: Path) -> None:
    with Night(tmp_path, "Fri 18:00", air_c=-6.0, flown_h=1.0, interval_s=180.0) as night:
        night.until("Fri 18:06")
        night.wait_retained("engine/state", "flown-cooling")
        assert night.plan("Fri 20:30").startswith("No heat is needed for the engine start 20:30.")
        assert "The engine is still warm from flight." in night.plan("Sat 09:00")
        night.until("Fri 18:12")
        assert night.subjects() == ["no heat needed for 20:30"]
        assert "Noted: started." in night.tell("started", departure=1)
        night.until("Fri 20:00")
        assert night.subjects()[1:] == ["heat needed for Sat 09:00"]


@pytest.mark.long
def test_two_departures_are_spoken_of_one_after_the_other(tmp_path: Path) -> None:
    events = [("04:50", ON, ""), ("07:35", OFF, "")]
    with Night(tmp_path, EVENING, events, departure="08:00", interval_s=180.0) as night:
        assert "An earlier departure comes first" in night.plan("13:00")
        assert "planned already (number 1)" in night.plan("08:05")
        night.until("07:50")
        before = night.subjects()
        assert before[0] == "heat needed for Sat 08:00"
        assert not any("13:00" in s for s in before)
        assert "This plan is done" in night.tell("started")
        night.until("08:10")
        assert re.match(r"(no )?heat (needed )?for 13:00", night.subjects()[len(before)])
        plan = night.status().plan
        assert plan is not None
        assert plan.departure == 2


@pytest.mark.long
def test_a_second_departure_counts_the_first_one_s_heat_and_flight(tmp_path: Path) -> None:
    """Heated for 08:00, started, away until 09:20; the next start is at 12:00."""
    harness = (*DEMO_REQUIRED, "sump", "ambient")
    events = [("04:50", ON, ""), ("07:35", OFF, ""), *(("07:38", LOST, p) for p in harness)]
    events += [("08:00", Happening.COVER_OFF, ""), ("09:10", Happening.LANDED, "")]
    events += [("09:15", Happening.COVER_ON, ""), *(("09:20", Happening.PROBE_MENDS, p) for p in harness)]
    with Night(tmp_path, "04:30", events, air_c=-8.0, departure="08:00", interval_s=180.0) as night:
        night.until("07:20")
        said = night.plan("12:00")
        assert "counted as heated for it, and not flown. If it flies, no heat is needed." in said
        assert "heat must be on by" not in said, "the heat for the first lasts"
        night.until("07:57")
        assert "This plan is done" in night.tell("started", departure=1)
        night.until("08:10")
        away = night.status().plan
        assert away is not None
        assert (away.departure, away.verdict, away.need) == (2, "none", "unclear")
        assert away.flight is not None
        assert "probably no heat is needed" in night.tell("what-if", start=night.written("11:55"))
        night.until("09:40")
        back = night.status().plan
        assert back is not None
        assert (back.flight, back.need) == (None, "no")
        assert not any("heater still on" in s or "too hot" in s for s in night.subjects()), night.subjects()


@pytest.mark.long
def test_a_start_moved_after_the_timer_is_set_moves_alone(tmp_path: Path) -> None:
    with Night(tmp_path, EVENING, [("04:00", ON, "")], departure="07:30", interval_s=180.0) as night:
        night.until("Fri 19:40")
        assert "set for Sat 04:00" in night.tell("timer-set", at=night.written("04:00"))
        said = night.tell("move-departure", start=night.written("08:15"))
        assert "the timer is set for Sat 04:00" in said
        assert "changes now move the start, not the switch-on" in said
        night.until("03:00")
        assert night.subjects() == ["heat needed for Sat 07:30"]
        plan = night.status().plan
        assert plan is not None
        assert (plan.state, plan.timer) == ("delayed", plan.switch_on)
        night.until("06:30")
        assert [s.rpartition(",")[0] for s in night.subjects()[1:3]] == [
            "coldest point above target",
            "ready to start",
        ]
        assert night.times("the heater off") == [], "the start is near enough"


def test_one_that_did_not_start_is_heated_again(tmp_path: Path) -> None:
    events = [("04:30", ON, ""), ("07:05", OFF, ""), ("07:06", Happening.COVER_OFF, "")]
    events += [("07:50", Happening.COVER_ON, ""), ("07:55", ON, "")]
    with Night(tmp_path, "04:15", events, air_c=-12.0, departure="07:30") as night:
        night.until("07:45")
        assert "Heat again" in night.tell("did-not-start")
        night.until("07:50")
        plan = night.status().plan
        assert plan is not None
        assert plan.state == "did-not-start"
        assert plan.verdict in ("late", "heat")
        night.until("08:15")
        again = night.status().plan
        assert again is not None
        assert again.state == "heating"


def test_a_combustion_heater_left_alone(tmp_path: Path) -> None:
    """The pilot says once that they are with it, and goes; the second recipient has it shut off."""
    people = (("pilot", 'contact = "555 0101"'), ("owner", 'order = 2\ncontact = "555 0102"'))
    url = '[page]\npublic_url = "https://magpie.example.org"'
    setup = {"heater": '"combustion"', "watts": "6000", "switched_by": '"pilot"'}
    night = Night(
        tmp_path,
        "06:45",
        [("07:00", ON, ""), ("08:00", OFF, "")],
        people=people,
        more=url,
        watts=6000.0,
        setup=setup,
    )
    with night:
        night.until("06:45")
        assert "have somebody stay with it from lighting" in night.plan("08:30")
        night.until("07:13")
        asked = "is somebody with the heater?"
        assert len(night.times(asked)) == 1
        page, body = night.page(), night.body(asked)
        assert "never left alone" in body
        path = body.rpartition("https://magpie.example.org")[2]
        assert page.get(path).text.count("I am with it") == 1
        assert "Noted: I am with it." in page.post(path).text
        night.until("07:21")
        assert len(night.times(asked)) == 1
        night.until("07:50")
        assert night.minutes(asked)[1] in (13, 14, 15)
        assert len(night.times(asked, "owner")) >= 2
        told = night.body(asked, "owner")
        assert "Asked once before, no answer yet." in told
        assert "call pilot, 555 0101" in told
        night.until("08:20")
        kinds = night.sql(
            "SELECT kind, answered, closed_by FROM alerts WHERE kind = 'attended' ORDER BY rowid"
        )
        assert kinds == [("attended", "with-it", "answer"), ("attended", None, "evidence")]
        last = night.times(asked, "owner")[-1]
        assert last < "08:15", "the heat is seen off, and nobody is asked any more"


@pytest.mark.long
@pytest.mark.parametrize(
    ("friday", "switch_on_utc"), [(date(2027, 10, 29), "06:30"), (date(2027, 3, 26), "05:30")]
)
def test_a_night_in_which_the_clocks_change(tmp_path: Path, friday: date, switch_on_utc: str) -> None:
    """Saturday to Sunday; put back at 03:00 in October, forward at 02:00 in March (Europe/Oslo)."""
    night = Night(
        tmp_path,
        "Sat 19:20",
        [("Sun 04:30", ON, "")],
        messages=LOOK,
        air_c=-10.0,
        friday=friday,
        interval_s=180.0,
    )
    with night:
        night.until("Sat 19:24")
        if friday.month == 3:
            assert "doesn't exist on that day" in night.tell("plan", start="2027-03-28T02:30")
        else:
            assert "comes twice that night" in night.tell("what-if", start="2027-10-31T02:30")
        night.plan("Sun 07:30")
        night.until("Sun 07:00")
        assert night.times("heat needed for Sun 07:30")[0] == "19:32"
        if friday.month == 10:
            assert "(the " in night.body("heat needed"), "a quarter to three comes twice that night"
        assert night.times("ready to start")[0] < "07:00"
        assert "05:50" in [m.text[4:9] for m in night.mails], "the morning look, on the field's clock"
        plan = night.status().plan
        assert plan is not None
        assert plan.start == f"{friday.year}-{friday.month:02d}-{friday.day + 2}T{switch_on_utc}:00Z"


def test_a_board_that_starts_with_a_wrong_clock(tmp_path: Path) -> None:
    """Ten days behind until the network tells: nothing goes out with a wrong time, and all is said then."""
    night = Night(tmp_path, "04:45", [("05:00", ON, "")], messages=LOOK, wrong=("05:30", -864_000.0))
    with night:
        night.until("05:20")
        assert night.plan("07:30").startswith(("The board's clock is not set", "That is more than two weeks"))
        assert night.mails == []
        assert not night.status().clock_ok
        night.until("07:00")
        assert night.status().clock_ok
        heads = [m.text[:9] for m in night.mails]
        assert all(head.startswith("Sat 0") for head in heads), heads
        assert [s for s in night.subjects() if s.startswith("coldest point above target")] != []
        assert night.times("ready to start")[-1] >= "06:10"


@pytest.mark.long
def test_a_steadily_heated_hangar(tmp_path: Path) -> None:
    setup = {"stands": '"heated"'}
    with Night(tmp_path, EVENING, air_c=-12.0, setup=setup, departure="07:30", interval_s=180.0) as night:
        night.until("07:00")
        assert night.subjects() == ["no heat needed for Sat 07:30"]
        assert "A steadily heated hangar usually needs no heat." in night.body("no heat")


def test_weather_that_has_gone_stale_is_said_and_nothing_breaks(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    with HttpsServer(authority.certificate(), says(b"")) as server:
        more = (
            f'[weather.hourly]\naddress = "{server.address}"\nca_file = "{authority.file}"\n'
            'time = "/hours"\nair = "/air"\nissued = "/made"\n'
        )
        night = Night(tmp_path, "Fri 05:00", air_c=-8.0, more=more, interval_s=300.0)
        made = night.utc("Fri 05:00")
        hours = [datetime.fromtimestamp(made + 3600 * k, UTC).isoformat() for k in range(48)]
        told = {"hours": hours, "air": [-8.0] * 48, "made": hours[0]}
        server.answer = says(json.dumps(told).encode())
        with night:
            night.until("Fri 05:30")
            air = night.status().air
            assert air is not None
            assert (air.rests_on, air.old) == ("forecast", False)
            server.answer = says(b"", 503)
            night.until("Fri 19:00")
            air = night.status().air
            assert air is not None
            assert (air.rests_on, air.old) == ("forecast", True)
            assert any(
                "13 h old and so with a wider range" in n or "14 h old" in n for n in night.status().notes
            )
            night.plan("07:30")
            night.until("Fri 19:45")
            assert "a forecast of the air, 14 hours old" in night.body("heat needed for Sat 07:30")


@pytest.mark.long
def test_a_late_start_says_what_would_help(tmp_path: Path) -> None:
    setup = {**BY_PERSON, "cover": "false"}
    with Night(tmp_path, "05:30", air_c=-12.0, setup=setup, departure="07:30") as night:
        night.until("05:40")
        (late,) = night.subjects()
        assert re.match(r"start 07:30 about .* late\Z", late)
        told = night.body("late")
        assert re.search(r"With cover and plugs on, start \d\d:\d\d", told)
        assert re.search(r"next time heat \d+ min earlier", told)


@pytest.mark.long
def test_a_second_recipient_at_the_field_switches(tmp_path: Path) -> None:
    """Both hear in the evening; at night the one at the field alone, though it is their quiet time."""
    planning = '[planning]\nperson = "field"\ntravel_min = 20\n'
    with Night(
        tmp_path, EVENING, people=FIELD, setup=BY_PERSON, more=planning, departure="07:30", interval_s=180.0
    ) as night:
        night.until("Fri 20:00")
        assert night.subjects("pilot") == night.subjects("field") == ["heat needed for Sat 07:30"]
        told = night.body("heat needed")
        assert "Have the person at the field switch it on. Set out by Sat 0" in told
        assert "Reach them: field, 555 0103." in told
        night.until("05:00")
        assert len(night.subjects("pilot")) == 1
        assert len(night.subjects("field")) == 2
        assert re.match(r"heater on at 0[345]:\d\d\Z", night.subjects("field")[1])
        told = night.body("heater on", "field")
        assert "Look at cord, cover and plugs first." in told
        on = re.search(r"Switch the heater on at (\d\d:\d\d)", told)
        assert on is not None
        gap_min = (night.utc(on[1]) - night.utc(night.times("heater on", "field")[0])) / 60
        assert 33 <= gap_min <= 36, "a quarter of an hour and the way before the switch-on"


SUN: list[tuple[str, float]] = [("08:00", 0.0), ("09:00", 350.0), ("12:00", 350.0)]


@pytest.mark.parametrize(
    ("what", "more"),
    [
        (None, {"sun_w": SUN}),
        (Happening.TO_HEATED, {}),
        (Happening.DOOR_OPEN, {"setup": {"stands": '"heated"'}}),
        (Happening.COVER_OFF, {"flown_h": 2.0}),
    ],
    ids=["sun", "pushed-into-a-warm-hangar", "door-opened", "cover-off"],
)
def test_what_only_looks_like_heat_or_its_end(
    tmp_path: Path, what: Happening | None, more: dict[str, object]
) -> None:
    """No heat-up, no heat that stopped, no word of trust: nobody has switched anything."""
    events = [] if what is None else [("08:30", what, "")]
    with Night(tmp_path, "07:00", events, air_c=-6.0, interval_s=120.0, **more) as night:  # type: ignore[arg-type]
        night.until("10:30")
        assert night.sql("SELECT count(*) FROM heatups") == [(0,)]
        assert night.subjects() == []
        assert night.status().state not in ("heating", "above-target", "ready", "heater-stopped")


@pytest.mark.long
def test_just_landed_is_no_heat_up(tmp_path: Path) -> None:
    harness = (*DEMO_REQUIRED, "sump")
    events = [("07:10", LOST, place) for place in harness]
    events += [
        ("08:30", Happening.LANDED, ""),
        *(("08:40", Happening.PROBE_MENDS, place) for place in harness),
    ]
    with Night(tmp_path, "07:00", events, air_c=-6.0, interval_s=120.0) as night:
        night.until("10:30")
        assert night.sql("SELECT count(*) FROM heatups") == [(0,)]
        assert night.status().state == "flown-cooling"
        said = " ".join(night.subjects())
        assert not re.search(r"above target|ready|heater|too hot", said), said


def test_oil_out_for_warming_elsewhere_holds_ready_back(tmp_path: Path) -> None:
    with Night(tmp_path, "04:45", [("05:00", ON, "")]) as night:
        night.until("05:10")
        assert "oil" in night.tell("oil-out")
        night.until("06:30")
        assert not any(s.startswith(("coldest point above target", "ready")) for s in night.subjects())
        assert night.status().state not in ("above-target", "ready")
        assert "level first" in night.tell("oil-back")
