"""The curve: what is drawn, what is left open, what the table and the sentence say."""

from __future__ import annotations

import re
from itertools import accumulate, pairwise
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import msgspec
import pytest
import status_samples as samples
from hypothesis import given
from hypothesis import strategies as st

from probe_agent.readings import State
from probe_agent.status import Recent, Status, utc_seconds, with_age
from probe_agent.store import CurveRow
from web.chart import Chart, coldest_line, draw_curve, heater_spans, nice_step, runs, time_ticks
from web.record import MOST_ROWS, CurveView, merge_curve, thin
from web.svg import slim, steps_of

NOW_S = utc_seconds(samples.NOW)


def status_of(**changes: object) -> Status:
    return with_age(samples.sample(**changes))  # type: ignore[arg-type]


def two_places(values: list[tuple[float | None, float | None]], heater: float | None = 1.0) -> CurveView:
    """One row a minute up to now: cylinder 3 and the air."""
    first = NOW_S - 60 * (len(values) - 1)
    return CurveView(
        ("cyl-3", "ambient"), tuple((first + 60 * i, a, b, heater) for i, (a, b) in enumerate(values))
    )


def only_cylinder_3(**changes: object) -> Status:
    probes = tuple(p for p in samples.sample().probes if p.place in ("cyl-3", "ambient"))
    return status_of(probes=probes, **changes)


def paths(chart: Chart, cls: str) -> list[str]:
    assert chart.svg is not None
    return [
        p.attrib["d"] for p in ElementTree.fromstring(str(chart.svg)).iter("path") if p.attrib["class"] == cls
    ]


def test_the_coldest_line_is_the_minimum_of_the_required_places() -> None:
    curve = CurveView(("cyl-3", "cyl-1", "ambient"), ((NOW_S, -3.0, -5.0, -20.0, None),))
    probes = tuple(p for p in samples.sample().probes if p.place in curve.places)
    assert coldest_line(curve, status_of(probes=probes)) == [(NOW_S, -5.0)]


def test_a_missing_required_place_leaves_the_coldest_line_open() -> None:
    values = [(-3.0, -9.0), (-3.0, -9.0), (None, -9.0), (-2.0, -9.0), (-2.0, -9.0)]
    chart = draw_curve(two_places(values), only_cylinder_3(), "C")  # type: ignore[arg-type]
    assert len(paths(chart, "c-coldest")) == 2
    assert "1 gap in between" in chart.sentence


def test_a_silence_is_a_gap_and_not_a_line() -> None:
    line = [(0.0, 1.0), (60.0, 1.1), (120.0, 1.2), (1200.0, 3.0), (1260.0, 3.1)]
    assert [len(run) for run in runs(line)] == [3, 2]


@given(st.lists(st.one_of(st.none(), st.floats(-60, 150)), max_size=40))
def test_runs_lose_no_value_and_make_none(values: list[float | None]) -> None:
    line = [(60.0 * i, v) for i, v in enumerate(values)]
    assert [p for run in runs(line) for p in run] == [p for p in line if p[1] is not None]


def test_heat_is_shown_on_off_and_unknown() -> None:
    rows = [1.0, 1.0, 0.0, 0.0, None, None, 0.4, 0.4]
    curve = CurveView(("cyl-3",), tuple((60.0 * i, -5.0, share) for i, share in enumerate(rows)))
    assert list(heater_spans(curve)) == [
        ((0.0, 120.0), True),
        ((120.0, 180.0), False),
        ((360.0, 420.0), True),
    ]


def test_the_bar_has_two_ends_and_an_open_one_has_one() -> None:
    curve = two_places([(-6.0, -11.0)] * 30)
    assert len(paths(draw_curve(curve, only_cylinder_3(), "C"), "c-end")) == 2
    open_end = draw_curve(curve, only_cylinder_3(above_p90=None), "C")
    assert len(paths(open_end, "c-end")) == 1
    assert len(paths(open_end, "c-bar")) == 1
    none = draw_curve(curve, only_cylinder_3(above_p10=None, above_p50=None, above_p90=None), "C")
    assert paths(none, "c-bar") == []


def test_a_reached_target_has_no_bar() -> None:
    chart = draw_curve(
        two_places([(14.0, -11.0)] * 30), only_cylinder_3(state=State.READY, coldest_c=14.0), "C"
    )
    assert paths(chart, "c-bar") == []


def test_the_fan_and_the_target_are_drawn() -> None:
    chart = draw_curve(two_places([(-6.0, -11.0)] * 30), only_cylinder_3(), "F")
    assert len(paths(chart, "c-fan")) == 1
    assert len(paths(chart, "c-target")) == 1
    assert "target 45.0 °F" in str(chart.svg)


def test_the_table_says_the_same_newest_first() -> None:
    values: list[tuple[float | None, float | None]] = [(-6.0, -11.0), (None, -11.0)]
    chart = draw_curve(two_places(values, heater=None), only_cylinder_3(), "C")
    assert chart.head == ("Time", "cylinder 3", "outside air", "heat")
    assert chart.rows == (
        ("06:50", "no value", "−11 °C", "unknown"),
        ("06:49", "−6 °C", "−11 °C", "unknown"),
    )


def test_an_empty_record_says_what_comes_next() -> None:
    chart = draw_curve(CurveView(), status_of(), "C")
    assert chart.svg is None
    assert "next reading" in chart.sentence


@pytest.mark.parametrize("rows", [1, 2])
def test_a_first_reading_is_already_a_curve(rows: int) -> None:
    chart = draw_curve(two_places([(-6.0, -11.0)] * rows), only_cylinder_3(), "C")
    assert len(paths(chart, "c-coldest")) == 1


@given(
    values=st.lists(st.one_of(st.none(), st.floats(-60, 150)), min_size=1, max_size=30),
    unit=st.sampled_from(["C", "F"]),
)
def test_nothing_is_drawn_outside_the_picture(values: list[float | None], unit: str) -> None:
    chart = draw_curve(two_places([(v, None) for v in values]), only_cylinder_3(), unit)  # type: ignore[arg-type]
    assert chart.svg is not None
    for data in paths(chart, "c-coldest") + paths(chart, "c-fan"):
        for x, y in points_of(data):
            assert 0 <= x <= 301
            assert 0 <= y <= 250


def points_of(data: str) -> list[tuple[float, float]]:
    """The points of a path of straight lines, read as SVG 2 (chapter 9.3) has it."""
    numbers = [float(n) for n in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", data)]
    points = list(zip(numbers[::2], numbers[1::2], strict=True))
    if "l" not in data:
        return points
    return list(accumulate(points, lambda at, step: (at[0] + step[0], at[1] + step[1])))


@given(st.lists(st.tuples(st.floats(0, 300), st.floats(-50, 250)), min_size=2, max_size=80))
def test_steps_lead_through_the_same_points(points: list[tuple[float, float]]) -> None:
    told = points_of(steps_of(points))
    assert len(told) == len(points)
    for (x, y), (u, v) in zip(told, points, strict=True):
        assert abs(x - u) <= 0.051
        assert abs(y - v) <= 0.051


def test_each_place_has_dashes_and_a_name_of_its_own_at_its_end() -> None:
    status = status_of()
    places = tuple(p.place for p in status.probes)
    rows = tuple(
        (NOW_S - 60 * i, *(p.c - i / 10 if p.c is not None else None for p in status.probes), 1.0)
        for i in range(60, -1, -1)
    )
    chart = draw_curve(CurveView(places, rows), status, "C", "places")
    svg = ElementTree.fromstring(str(chart.svg))
    drawn = {p.attrib["class"] for p in svg.iter("path") if "c-place" in p.attrib["class"]}
    assert len(drawn) == len(places)
    names = [
        (t.text, float(t.attrib["y"])) for t in svg.iter("text") if t.attrib.get("class") == "c-label c-halo"
    ]
    ends = [
        (name, y)
        for name, y in names
        if name in ("sump", "cyl 1", "cyl 2", "cyl 3", "cyl 4", "air") or "case" in str(name)
    ]
    assert len(ends) == len(places)
    heights = sorted(y for _, y in ends)
    assert all(b - a >= 12 for a, b in pairwise(heights))
    assert heights[0] > 0
    assert heights[-1] < 250
    assert paths(chart, "c-fan") == []


def test_past_forecasts_are_drawn_and_said_with_when_they_were_told() -> None:
    told = [
        (NOW_S - 1800.0, NOW_S + 4000.0, NOW_S + 6000.0, NOW_S + 9000.0),
        (NOW_S - 900.0, None, NOW_S + 6600.0, None),
    ]
    chart = draw_curve(two_places([(-6.0, -11.0)] * 30), only_cylinder_3(), "C", "past", told)
    assert len(paths(chart, "c-told")) == 2
    assert "Above target as announced: at 06:20 about 08:30, at 06:35 about 08:40." in chart.sentence
    none = draw_curve(two_places([(-6.0, -11.0)] * 30), only_cylinder_3(), "C", "past")
    assert "No forecast was announced in these hours." in none.sentence


@given(st.lists(st.floats(-60, 150), min_size=2, max_size=8))
def test_the_warmest_is_never_below_the_coldest(values: list[float]) -> None:
    places = ("cyl-1", "cyl-2", "cyl-3", "cyl-4", "case-top", "case-nose", "ambient")[: len(values)]
    row = (NOW_S, *values[: len(places)], None)
    chart = draw_curve(CurveView(places, (row, (NOW_S + 60, *row[1:]))), status_of(), "C")
    assert chart.svg is not None
    assert len(paths(chart, "c-other")) <= 1


def test_time_ticks_stand_on_the_fields_clock() -> None:
    zone = ZoneInfo("Asia/Kolkata")  # half an hour off UTC's full hours
    ticks = time_ticks(NOW_S - 4 * 3600, NOW_S, zone)
    assert ticks
    assert all((t + 5.5 * 3600) % 3600 == 0 for t in ticks)


def test_nice_steps_hold_the_number_of_parts() -> None:
    assert nice_step(40, 8, (5, 10, 20)) == 5
    assert nice_step(41, 8, (5, 10, 20)) == 10
    assert nice_step(1e6, 8, (5, 10, 20)) == 20


# -- thinning and merging


def test_thinning_keeps_what_was_measured_last_in_each_minute() -> None:
    rows = [CurveRow(15.0 * i, {"sump": float(i)}, None) for i in range(16)]
    kept = thin(rows, 60.0)
    assert [r.values_c["sump"] for r in kept] == [3.0, 7.0, 11.0, 15.0]


def test_uncommitted_readings_follow_the_committed_ones() -> None:
    committed = [CurveRow(NOW_S - 120, {"cyl-3": -7.0}, 1.0), CurveRow(NOW_S - 60, {"cyl-3": -6.5}, 1.0)]
    recent = Recent(("cyl-3",), ((NOW_S - 60, -6.5), (NOW_S - 15, -6.2), (NOW_S, None)))
    status = msgspec.structs.replace(only_cylinder_3(), recent=recent)
    curve = merge_curve(committed, status, NOW_S - 3600)
    assert curve.places == ("cyl-3", "ambient")
    assert [(r[0], r[1]) for r in curve.rows] == [
        (NOW_S - 120, -7.0),
        (NOW_S - 60, -6.5),
        (NOW_S - 15, -6.2),
        (NOW_S, None),
    ]


def test_a_merged_curve_stays_within_its_size() -> None:
    committed = [CurveRow(NOW_S - 60 * i, {"cyl-3": -7.0}, 1.0) for i in range(MOST_ROWS, 0, -1)]
    recent = Recent(("cyl-3",), tuple((NOW_S - 15 * i, -6.0) for i in range(3, -1, -1)))
    status = msgspec.structs.replace(only_cylinder_3(), recent=recent)
    curve = merge_curve(committed, status, NOW_S - 8 * 3600)
    assert len(curve.rows) == MOST_ROWS
    assert curve.rows[-1][0] == NOW_S


# -- fewer points


@given(st.lists(st.floats(-500, 500), min_size=1, max_size=200), st.floats(0.1, 5))
def test_a_slimmed_line_stays_within_its_tolerance(heights: list[float], tolerance: float) -> None:
    points = [(float(i), y) for i, y in enumerate(heights)]
    kept = slim(points, tolerance)
    assert kept[0] == points[0]
    assert kept[-1] == points[-1]
    assert set(kept) <= set(points)
    for (x0, y0), (x1, y1) in pairwise(kept):
        for x, y in points[int(x0) : int(x1) + 1]:
            assert abs(y0 + (y1 - y0) * (x - x0) / (x1 - x0) - y) <= tolerance + 1e-6


def test_a_straight_line_is_drawn_by_its_ends() -> None:
    assert slim([(0.0, 1.0), (1.0, 2.0), (2.0, 3.0), (3.0, 4.0)]) == [(0.0, 1.0), (3.0, 4.0)]
