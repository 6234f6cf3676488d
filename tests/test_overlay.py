"""Curves over one another: what is drawn, said and zoomed, by rules that hold for any curve."""

from __future__ import annotations

import json
import re
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from probe_agent.words import Unit
from web.heatups import LEAST_WINDOW_S, Chosen, passes, read_chosen, window, zooms
from web.overlay import (
    LABEL_STEP,
    Line,
    View,
    draw_overlay,
    hours,
    instant,
    shown,
    spread,
    tenths_of,
    value_at,
    x_ticks,
)

TARGET_C = (45 - 32) / 1.8
OSLO = "Europe/Oslo"
SUMMER_TIME_AT = 1_774_746_000.0
"""Sun 29 Mar 2026 01:00 UTC: in Oslo 02:00 becomes 03:00 (IANA time zone database)."""


def view(from_s: float = 0.0, to_s: float = 7200.0, unit: Unit = "C", zero_at: float | None = None) -> View:
    return View(from_s, to_s, 0.0, 10_800.0, 600.0, "heater-on", unit, TARGET_C, OSLO, zero_at)


@given(st.floats(-60, 200), st.sampled_from(["C", "F"]))
def test_tenths_are_never_up_across_the_target(c: float, unit: Unit) -> None:
    tenths, target = tenths_of(c, view(unit=unit)), tenths_of(TARGET_C, view(unit=unit))
    assert tenths is not None
    assert target is not None
    assert (tenths < target) == (c < TARGET_C)
    exact = 10 * (c * 1.8 + 32 if unit == "F" else c)
    assert abs(tenths - exact) <= 1


@given(st.lists(st.floats(0, 200), max_size=10))
def test_labels_keep_apart_and_inside(heights: list[float]) -> None:
    heights.sort()
    placed = spread(heights, 20.0, 216.0)
    assert all(b - a >= LABEL_STEP - 1e-9 for a, b in pairwise(placed))
    assert all(y <= 216.0 + 1e-9 for y in placed)


@given(
    st.floats(-4000, 12_000),
    st.floats(-4000, 12_000),
    st.floats(-4000, 0),
    st.floats(301, 12_000),
    st.floats(0, 1),
)
def test_every_zoom_stays_inside_what_there_is(
    a: float, b: float, least: float, most: float, share: float
) -> None:
    from_s, to_s = window(Chosen(from_s=a, to_s=b), least, most)
    at = from_s + share * (to_s - from_s)
    seen = View(from_s, to_s, least, most, at, "heater-on", "C", TARGET_C, OSLO)
    for word, (start, end) in zooms(seen).items():
        if start is None or end is None:
            assert word == "all"
            continue
        assert least - 1e-6 <= start < end <= most + 1e-6
        assert end - start >= LEAST_WINDOW_S - 1e-6
        wider = {"wider": True, "closer": False}.get(word)
        if wider is not None:
            assert (end - start > to_s - from_s) is wider


def test_a_value_is_read_only_where_something_was_measured() -> None:
    line = Line("a", "a", "k-1", [(0.0, 1.0), (60.0, 2.0), (120.0, None), (4000.0, 5.0)])
    assert value_at(line, 31.0) == 2.0
    assert value_at(line, 119.0) is None
    assert value_at(line, 2000.0) is None
    assert shown(value_at(line, 2000.0), view()) == "no value"
    assert value_at(Line("a", "a", "k-1", []), 0.0) is None


def test_a_gap_stays_a_gap() -> None:
    points = [(60.0 * i, None if 30 < i < 40 else i / 10) for i in range(90)]
    picture = draw_overlay([Line("5 Feb", "Thu", "k-1", points)], view(), "A curve.")
    assert len(re.findall(r'<path d="[^"]+" class="k-line k-1"/>', picture.svg)) == 2


def test_the_clock_of_the_field_changes_where_it_is_put_forward() -> None:
    seen = view(zero_at=SUMMER_TIME_AT - 3600.0)
    assert instant(0.0, seen) == "01:00, at heater-on"
    assert instant(3540.0, seen) == "01:59, 59 min after heater-on"
    assert instant(3600.0, seen) == "03:00, 1 h after heater-on"
    assert (3600.0, "03:00") in x_ticks(seen)
    told = json.loads(draw_overlay([Line("a", "a", "k-1", [(0.0, 1.0), (60.0, 2.0)])], seen, "x").data)
    assert told["clock"] == [[0, 60], [3600, 120]]


def test_hours_from_a_common_zero() -> None:
    assert [hours(s) for s in (0, -900, 5400, -5400, 36_000, -10)] == [
        "0:00", "−0:15", "1:30", "−1:30", "10:00", "0:00",
    ]  # fmt: skip


def test_passing_is_rising_to_it_for_the_first_time() -> None:
    assert passes([(0, -5.0), (60, -1.0), (120, 1.0), (180, -2.0), (240, 3.0)], 0.0) == 120
    assert passes([(0, 1.0), (60, 2.0)], 0.0) is None, "it began warmer"
    assert passes([(0, 0.0), (60, 2.0)], 0.0) == 0
    assert passes([(0, -3.0), (60, None), (120, 4.0)], 0.0) == 120
    assert passes([], 0.0) is None


def test_an_address_that_makes_no_sense_is_passed_over() -> None:
    found = read_chosen(
        {"from": "1e9", "to": "-", "at": "nan", "place": "moon", "align": "both"},
        ["3", "3", "x", "-1", "99999999999", "²"],
        ["sump"],
        "C",
    )
    assert found == Chosen(numbers=(3,))
    assert read_chosen({"align": "temp", "c": "−5,5"}, ["1"], [], "C").c == -5.5
    assert read_chosen({"align": "temp", "c": "23"}, ["1"], [], "F").c == -5


def test_a_query_says_what_was_chosen() -> None:
    chosen = Chosen((3, 5), "temp", "-2", -2.0, "sump", 600.0, 1200.0, 900.0)
    args = dict(p for p in chosen.pairs() if p[0] != "h")
    again = read_chosen(args, [v for k, v in chosen.pairs() if k == "h"], ["sump"], "C")
    assert again == chosen
