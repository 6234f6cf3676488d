"""Layout of the page Now, the engine and the scale: every state, missing places, age, demonstration."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import msgspec
import pytest
import status_samples as samples
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.readings import State
from probe_agent.status import Status, with_age
from web.drawing import CELL_H, CELL_W, draw_engine, plan_of
from web.present import present_now, run_now
from web.scale import draw_scale

LAYOUTS = ("opposed-4", "opposed-6", "in-line", "v", "radial", "other")


def read(status: Status) -> Status:
    """As a source hands it over."""
    return with_age(status)


@pytest.mark.parametrize("state", samples.STATES)
def test_every_state_says_its_verdict_and_one_next_action(state: str) -> None:
    view = present_now(read(samples.STATES[state]()), "C")
    assert view.verdict
    assert view.next_action
    assert dict(view.facts)["Core, estimated"]
    assert not view.old


def test_how_long_it_holds_is_told_with_the_cover_on_and_off() -> None:
    told = dict(present_now(read(samples.ready()), "C").facts)["Above target if heat stops now"]
    assert told == "until 07:35 with the cover on, until 07:10 with it off"
    assert len(present_now(read(samples.heating()), "C").facts) == 1
    flown = dict(present_now(read(samples.flown_cooling()), "C").facts)
    assert flown["Above target without heat"] == "until 10:55 with the cover on, until 09:10 with it off"


def test_a_hold_that_is_nearly_over_promises_nothing() -> None:
    over = msgspec.structs.replace(samples.ready(), hold_min=(4, 0))
    told = held(over)
    assert told == "was expected until 06:50; look again"
    bare = msgspec.structs.replace(samples.ready(), hold_min=(46, 4))
    assert held(bare).endswith("07:35 with the cover on, not with it off")
    alone = msgspec.structs.replace(samples.ready(), hold_min=(46, None))
    assert held(alone) == "until 07:35"


def held(status: Status) -> str:
    return dict(present_now(read(status), "C").facts)["Above target if heat stops now"]


@pytest.mark.parametrize(
    ("age_s", "told"),
    [
        (0.0, "just now"),
        (9.9, "just now"),
        (10.0, "10 s ago"),
        (59.0, "50 s ago"),
        (90.0, "1 min ago"),
        (1500.0, "25 min ago"),
        (5400.0, "1 h ago"),
        (None, "an unknown time ago"),
    ],
)
def test_the_page_says_how_old_it_is(age_s: float | None, told: str) -> None:
    status = msgspec.structs.replace(samples.heating(), age_s=age_s)
    assert present_now(status, "C").age == told


def test_a_coldest_point_read_by_hand_is_as_old_as_its_reading() -> None:
    assert not present_now(read(samples.by_hand()), "C").by_hand
    mixed = msgspec.structs.replace(samples.by_hand(), coldest="cyl-2", coldest_c=-2.75)
    view = present_now(read(mixed), "C")
    assert view.by_hand
    assert view.where == "cylinder 2, read at 06:46"


def test_silence_asks_for_one_thing_and_for_heat_that_was_to_go_off_first() -> None:
    assert present_now(read(samples.ready()), "C").silence_next.startswith("Have the heater switched off")
    assert present_now(read(samples.too_hot()), "C").silence_next.startswith("Have the heater switched off")
    assert present_now(read(samples.heating()), "C").silence_next.startswith("Have the measuring board")
    answered = msgspec.structs.replace(samples.alert("switch-off", -5), answered="it-is-off")
    off = msgspec.structs.replace(samples.ready(), alerts=(answered,))
    assert present_now(read(off), "C").silence_next.startswith("Have the measuring board")
    lasting = {
        s: [a.lasts for a in present_now(read(samples.STATES[s]()), "C").alerts] for s in samples.STATES
    }
    assert lasting["ready"] == [True]
    assert lasting["heater-stopped"] == lasting["probe-missing"] == [False]


@pytest.mark.parametrize("state", ["engine-runs", "oil-out", "levelling-off", "too-hot", "probe-missing"])
def test_what_asks_somebody_to_act_looks_like_trouble(state: str) -> None:
    assert present_now(read(samples.STATES[state]()), "C").tone == "trouble"


def test_a_place_missing_besides_another_verdict_is_a_trouble_with_its_reason() -> None:
    gone = tuple(samples.probe(p.place) if p.place == "cyl-1" else p for p in samples.cold().probes)
    cold = msgspec.structs.replace(samples.cold(), probes=gone, missing=("cyl-1",))
    assert present_now(read(cold), "C").troubles == (
        "Not measured: cylinder 1.",
        "Cylinder 1: its thermocouple is open.",
    )


def test_an_old_document_is_stamped_with_its_day() -> None:
    assert present_now(read(samples.heating()), "C").at == "Sat 06:50"
    assert present_now(read(samples.aged(samples.heating(), 10 * 86_400)), "C").at == "Sat 16 Jan 06:50"


def test_the_wind_is_told_in_knots_and_meters_a_second() -> None:
    assert "Wind told for now: 7 kt (3 m/s)." in present_now(read(samples.with_weather()), "C").air


def test_the_samples_cover_every_state() -> None:
    assert set(samples.STATES) == {s.value for s in State}


def test_a_required_place_without_a_value_comes_first_with_its_reason() -> None:
    view = present_now(read(samples.probe_missing()), "C")
    assert view.verdict == "Not measured: cylinder 1."
    assert "Cylinder 1: its thermocouple is open." in view.verdict_more
    assert view.troubles == ()
    gone = next(p for p in view.probes if p.place == "cyl-1")
    assert gone.value is None
    assert gone.mark == "not measured"
    assert view.coldest_head == "Coldest measured"


def test_a_clock_that_is_not_set_and_the_owners_notes_are_troubles() -> None:
    view = present_now(read(samples.sample(clock_ok=False, notes=("The broker is away.",))), "C")
    assert "board is not set" in view.troubles[0]
    assert view.troubles[-1] == "The broker is away."


def test_a_reading_by_hand_and_a_probe_near_heat_are_marked() -> None:
    view = present_now(read(samples.by_hand()), "C")
    marks = {p.place: p.mark for p in view.probes}
    assert marks["cyl-2"] == "by hand"
    assert marks["sump"] == "near heat"
    assert marks["cyl-3"] == "coldest"
    assert marks["cyl-1"] == "up 9/h"


def test_fahrenheit_converts_values_with_and_differences_without_the_32() -> None:
    view = present_now(read(samples.heating()), "F")
    assert view.value == "21 °F"
    assert next(p for p in view.probes if p.place == "cyl-1").mark == "up 16/h"


@pytest.mark.parametrize(("silent_s", "old"), [(0, False), (59, False), (61, True)])
def test_a_silent_daemon_is_old_after_a_minute(silent_s: float, old: bool) -> None:
    view = present_now(read(samples.aged(samples.ready(), silent_s)), "C")
    assert view.old is old
    assert view.silence == "Nothing heard from the aircraft since 06:50."


def test_a_document_of_another_boot_is_old() -> None:
    there = samples.ready()
    foreign = msgspec.structs.replace(there, run=msgspec.structs.replace(there.run, boot="another"))
    assert present_now(read(foreign), "C").old


def test_long_intervals_are_given_three_of_them() -> None:
    slow = samples.aged(samples.heating(), 170)
    slow = msgspec.structs.replace(slow, run=msgspec.structs.replace(slow.run, interval_s=60.0))
    assert not present_now(read(slow), "C").old
    assert present_now(read(samples.aged(slow, 181)), "C").old


def test_a_hurried_run_says_so_and_moves_on_at_its_rate() -> None:
    status = read(samples.aged(samples.demo(rate=60), 10))
    assert present_now(status, "C").demo == "Demonstration: a simulated engine, time runs 60 times as fast."
    assert run_now(status) - run_now(samples.demo()) == pytest.approx(600, abs=5)


@pytest.mark.parametrize("rate", [0.0, float("inf")])
def test_a_run_without_a_constant_rate_stands_still(rate: float) -> None:
    status = read(samples.aged(samples.demo(rate=rate), 10))
    assert run_now(status) == run_now(samples.heating())
    assert present_now(status, "C").demo == "Demonstration: a simulated engine."


def test_answered_alerts_have_no_buttons_left() -> None:
    asked = samples.alert("switch-off", -5)
    view = present_now(
        read(samples.sample(alerts=(asked, msgspec.structs.replace(asked, id="b", answered="it-is-off")))),
        "C",
    )
    assert view.alerts[0].answers == (("it-is-off", "Say it is off"),)
    assert view.alerts[1].answers == ()
    assert "Answered: It is off" in view.alerts[1].text


def test_no_sentence_promises_more_than_is_known() -> None:
    for make in samples.STATES.values():
        view = present_now(read(make()), "C")
        said = " ".join(
            [
                view.verdict,
                view.warm_enough,
                *view.verdict_more,
                view.next_action,
                *(said for fact in view.facts for said in fact),
                *view.cautions,
                *view.extra,
                view.silence,
                view.no_contact,
            ]
        )
        assert not re.search(r"\bsafe\b|\bOK\b|engine warm\b", said)


# -- engine


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_engine_shows_each_probe_once_with_its_value(layout: str) -> None:
    view = present_now(read(samples.probe_missing()), "C")
    drawing = ElementTree.fromstring(draw_engine(layout, view.probes))
    words = [t.text for t in drawing.iter("text")]
    for p in view.probes:
        assert words.count(p.name) == 1
        assert (p.value or "no value") in words
    label = drawing.attrib["aria-label"]
    assert all(f"{p.name}: {p.phrase}" in label for p in view.probes)


def test_a_place_without_a_value_looks_different_and_shows_no_number() -> None:
    view = present_now(read(samples.probe_missing()), "C")
    drawing = ElementTree.fromstring(draw_engine("opposed-4", view.probes))
    broken = [
        g for g in drawing.iter("g") if any("d-missing" in (r.get("class") or "") for r in g.iter("rect"))
    ]
    assert len(broken) == 1
    words = [t.text or "" for t in broken[0].iter("text")]
    assert words == ["cylinder 1", "no value", "not measured"]


def test_a_cylinder_without_a_probe_is_an_empty_seat() -> None:
    view = present_now(read(samples.heating()), "C")
    words = [t.text for t in ElementTree.fromstring(draw_engine("opposed-6", view.probes)).iter("text")]
    assert words.count("no probe") == 2
    assert "cylinder 6" in words


@given(
    layout=st.sampled_from(LAYOUTS),
    cylinders=st.sets(st.integers(1, 14)),
    others=st.sets(
        st.sampled_from(["sump", "case-top", "case-nose", "accessory-case", "oil-tank", "ambient"])
    ),
)
def test_no_two_seats_overlap_or_leave_the_picture(
    layout: str, cylinders: set[int], others: set[str]
) -> None:
    plan = plan_of(layout, [f"cyl-{n}" for n in cylinders] + sorted(others))
    seats = list(plan.seats.values())
    for i, (x, y) in enumerate(seats):
        assert 0 <= x <= plan.width - CELL_W
        assert 0 <= y <= plan.height - CELL_H
        for u, v in seats[:i]:
            assert abs(x - u) >= CELL_W or abs(y - v) >= CELL_H


def test_a_name_with_markup_stays_text() -> None:
    hot = present_now(read(samples.sample(probes=(samples.probe("other-a<b", -1.0),))), "C")
    assert "<b" not in draw_engine("other", hot.probes)


# -- scale


@given(
    coldest=st.floats(-60, 150),
    core=st.one_of(st.none(), st.lists(st.floats(-60, 150), min_size=3, max_size=3).map(sorted)),
)
def test_the_scale_keeps_its_marks_inside_whatever_it_is_given(
    coldest: float, core: list[float] | None
) -> None:
    core_c = None if core is None else (core[0], core[1], core[2])
    svg = ElementTree.fromstring(draw_scale(samples.sample(coldest_c=coldest, core_c=core_c), "C"))
    marks = " ".join(p.attrib["d"] for p in svg.iter("path"))
    for x in re.findall(r"[MLH](-?[\d.]+)", marks):
        assert 0 <= float(x) <= 300


@given(st.floats(-60, 150))
def test_both_limits_keep_their_whole_names_beside_each_other(coldest: float) -> None:
    svg = ElementTree.fromstring(draw_scale(samples.sample(coldest_c=coldest), "C"))
    names = {t.text: t for t in svg.iter("text")}
    (lx, ly), (tx, ty) = (
        (float(names[n].attrib["x"]), float(names[n].attrib["y"])) for n in ("preheat limit", "target")
    )
    for x, name in ((lx, "preheat limit"), (tx, "target")):
        assert x - 7.3 * len(name) / 2 >= -1
        assert x + 7.3 * len(name) / 2 <= 301
    assert ly != ty or abs(lx - tx) >= 7.3 * (len("preheat limit") + len("target")) / 2 - 1


def test_the_scale_is_left_out_where_nothing_is_known() -> None:
    nothing = msgspec.structs.replace(samples.sample(), coldest=None, coldest_c=None, core_c=None)
    assert draw_scale(nothing, "C") == ""


def test_a_doubtful_time_never_stands_without_its_doubt() -> None:
    heating = present_now(read(samples.heating()), "C")
    assert heating.announced == "Above target most likely about 08:35."
    assert heating.announced_more == "1 morning in 10 before 08:20, 1 in 10 later than 08:55."
    stopped = present_now(read(samples.heater_stopped()), "C")
    assert stopped.announced == "7 in 10 that it never gets above target, unless heat comes back."
    assert stopped.announced_more == ""
    open_end = present_now(read(samples.sample(above_p90=None)), "C")
    assert open_end.announced == "Above target most likely about 08:35; how much later is open."
    level = present_now(read(samples.levelling_off()), "C")
    assert level.announced == "Probably levels off near 4 °C, between 3 °C and 5 °C."
    assert level.announced_more == ""
