"""Curves over one another as SVG, with a sentence, a table, and the values at a cursor. Pure.

Instants are seconds from a zero: heater-on, or the passing of a common temperature.
"""

from __future__ import annotations

import json
import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

from markupsafe import Markup

from probe_agent import words
from probe_agent.words import Unit
from web.chart import nice_step, runs, time_ticks
from web.svg import element, path_of, slim, text

WIDTH, HEIGHT = 300.0, 250.0
LEFT, TOP, BOTTOM = 30.0, 20.0, 216.0
LETTER = 6.4
"""Width of a letter of a label [units of the picture]."""
LABEL_STEP = 12.5
TABLE_ROWS = 13
NEAR_S = 90.0
"""A value at the cursor was measured so near to it, or within the curve's own step."""
_STEPS_S = (60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10_800.0, 21_600.0, 43_200.0)

Point = tuple[float, float | None]


@dataclass(frozen=True, slots=True)
class Line:
    """One curve. label: at its end; name: in sentences and tables; cls: how it is drawn; points:
    (s from the zero, °C or None), times rising; above_s, off_s: where they are marked."""

    label: str
    name: str
    cls: str
    points: Sequence[Point]
    above_s: float | None = None
    off_s: float | None = None


@dataclass(frozen=True, slots=True)
class View:
    """How curves are looked at: the window and all there is [s from the zero], the cursor, what the zero is
    in words; zero_at: its instant where all curves share one, so that the field's clock can be shown."""

    from_s: float
    to_s: float
    least_s: float
    most_s: float
    at_s: float
    zero: str
    unit: Unit
    target_c: float
    zone: str
    zero_at: float | None = None


@dataclass(frozen=True, slots=True)
class Picture:
    """svg and data: the picture and the numbers behind its cursor; at: the cursor's instant in words;
    values: (class, name, value) there; head, rows: a table of the same."""

    svg: Markup
    data: str
    at: str
    values: tuple[tuple[str, str, str], ...]
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def draw_overlay(lines: Sequence[Line], view: View, sentence: str) -> Picture:
    """The picture of these lines in that window; sentence: what it says, as its label."""
    axes = _axes(lines, view)
    inside = [
        element("path", d=path_of(_on(axes, run)), class_=f"k-line {line.cls}")
        for line in lines
        for run in runs(_within(line.points, view))
    ]
    clip = element(
        "clipPath",
        element("rect", x=LEFT, y=TOP - 6, width=axes.right - LEFT, height=BOTTOM - TOP + 8),
        id="k-clip",
    )
    moving = element("g", *inside, *_marks(axes, lines, view), class_="k-move")
    parts = [
        element("defs", clip),
        *_grid(axes, view),
        *_target(axes, lines, view),
        element("g", moving, clip_path="url(#k-clip)"),
        *_labels(axes, lines, view),
        _cursor(axes, view),
    ]
    svg = element(
        "svg",
        *parts,
        class_="k-chart",
        viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}",
        role="img",
        aria_label=sentence,
        data_left=LEFT,
        data_right=axes.right,
        data_width=WIDTH,
    )
    head, rows = _table(lines, view)
    values = tuple((line.cls, line.name, shown(value_at(line, view.at_s), view)) for line in lines)
    return Picture(Markup(svg), _data(lines, view), instant(view.at_s, view), values, head, rows)


# -- axes


@dataclass(frozen=True, slots=True)
class _Axes:
    from_s: float
    to_s: float
    low_c: float
    high_c: float
    right: float

    def x(self, s: float) -> float:
        return LEFT + (s - self.from_s) / (self.to_s - self.from_s) * (self.right - LEFT)

    def y(self, c: float) -> float:
        return BOTTOM - (c - self.low_c) / (self.high_c - self.low_c) * (BOTTOM - TOP)


def _axes(lines: Sequence[Line], view: View) -> _Axes:
    """Axes that hold what is in the window, and the target unless that is far from it."""
    values = [c for line in lines for _, c in _within(line.points, view) if c is not None]
    low, high = min(values, default=0.0), max(values, default=view.target_c)
    if view.target_c - high < max(6.0, high - low) and low - view.target_c < max(6.0, high - low):
        low, high = min(low, view.target_c), max(high, view.target_c)
    step_c = (1.0 if high - low < 5 else 2.0 if high - low < 12 else 5.0) / (1.8 if view.unit == "F" else 1.0)
    origin = -32 / 1.8 if view.unit == "F" else 0.0
    letters = max((len(line.label) for line in lines), default=4)
    return _Axes(
        view.from_s,
        view.to_s,
        math.floor((low - 0.3 - origin) / step_c) * step_c + origin,
        math.ceil((high + 0.3 - origin) / step_c) * step_c + origin,
        WIDTH - 9 - LETTER * letters,
    )


def _within(points: Sequence[Point], view: View) -> list[Point]:
    return [(s, c) for s, c in points if view.from_s <= s <= view.to_s]


def _on(axes: _Axes, run: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    points = slim([(axes.x(s), axes.y(c)) for s, c in run])
    return points if len(points) > 1 else [points[0], (points[0][0] + 1.0, points[0][1])]


def _grid(axes: _Axes, view: View) -> Iterator[str]:
    low, high = words.in_unit(axes.low_c, view.unit), words.in_unit(axes.high_c, view.unit)
    step = nice_step(high - low, 6, (1.0, 2.0, 5.0, 10.0, 20.0, 50.0))
    for i in range(math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6) + 1):
        c = (i * step - 32) / 1.8 if view.unit == "F" else i * step
        yield element("path", d=path_of([(LEFT, axes.y(c)), (axes.right, axes.y(c))]), class_="c-grid")
        yield text(LEFT - 4, axes.y(c) + 4, f"{i * step:g}".replace("-", "−"), "k-tick", "end")
    yield text(2, 10, f"°{view.unit}", "k-tick")
    for s, told in x_ticks(view):
        x = axes.x(s)
        yield element("path", d=path_of([(x, TOP - 4), (x, BOTTOM)]), class_="c-grid")
        if x > LEFT - 1:
            yield text(x, BOTTOM + 15, told, "k-tick", "middle")
    below = "field's clock" if view.zero_at is not None else f"hours from {view.zero}"
    yield text(axes.right, HEIGHT - 2, below, "k-tick", "end")


def x_ticks(view: View) -> list[tuple[float, str]]:
    """Where the axis of time has its lines, and what stands there."""
    if view.zero_at is not None:
        zone, zero_at = ZoneInfo(view.zone), view.zero_at
        found = time_ticks(zero_at + view.from_s, zero_at + view.to_s, zone, 4)
        return [(at - zero_at, f"{datetime.fromtimestamp(at, zone):%H:%M}") for at in found]
    step = nice_step(view.to_s - view.from_s, 4, _STEPS_S)
    first, last = math.ceil(view.from_s / step), math.floor(view.to_s / step)
    return [(i * step, hours(i * step)) for i in range(first, last + 1)]


def hours(s: float) -> str:
    """Seconds as hours and minutes: 1:30, −0:15."""
    minutes = round(abs(s) / 60)
    return f"{'−' if s < 0 and minutes else ''}{minutes // 60}:{minutes % 60:02}"


def _target(axes: _Axes, lines: Sequence[Line], view: View) -> Iterator[str]:
    """The target, its name where the curves leave it most room: at either end, above or below."""
    if not axes.low_c <= view.target_c <= axes.high_c:
        return
    y = axes.y(view.target_c)
    yield element("path", d=path_of([(LEFT, y), (axes.right, y)]), class_="c-target")
    told = f"target {words.temperature(view.target_c, view.unit, (view.target_c,))}"
    seats = [(at_end, y + down) for down in (-4.0, 13.0) for at_end in (False, True)]
    at_end, base = max(seats, key=lambda seat: _room(axes, lines, seat[0], seat[1] - 4, len(told)))
    x = axes.right - 4 if at_end else LEFT + 4
    yield text(x, base, told, "k-label k-halo", "end" if at_end else None)


def _room(axes: _Axes, lines: Sequence[Line], at_end: bool, middle: float, letters: int) -> float:
    """How far the nearest curve runs from the middle of a label at either end [units of the picture]."""
    wide = LETTER * letters / (axes.right - LEFT)
    shares = [(1 - wide if at_end else 0.0) + wide * i / 6 for i in range(7)]
    times = [axes.from_s + share * (axes.to_s - axes.from_s) for share in shares]
    values = [value_at(line, s) for line in lines for s in times]
    return min((abs(axes.y(c) - middle) for c in values if c is not None), default=math.inf)


def _marks(axes: _Axes, lines: Sequence[Line], view: View) -> Iterator[str]:
    """A ring where a curve got above target, a square at heater-off."""
    for line in lines:
        for s, ring in ((line.above_s, True), (line.off_s, False)):
            c = None if s is None or not view.from_s <= s <= view.to_s else value_at(line, s)
            if s is None or c is None:
                continue
            x, y = axes.x(s), axes.y(c)
            if ring:
                yield element("circle", cx=x, cy=y, r=4, class_=f"k-mark {line.cls}")
            else:
                yield element("rect", x=x - 3.5, y=y - 3.5, width=7, height=7, class_=f"k-mark {line.cls}")


def _labels(axes: _Axes, lines: Sequence[Line], view: View) -> Iterator[str]:
    """Each line's name beside its end; a hair leads there where there was no room right at it."""
    ends = []
    for line in lines:
        known = [(s, c) for s, c in _within(line.points, view) if c is not None]
        if known:
            ends.append((axes.y(known[-1][1]), axes.x(known[-1][0]), line))
    ends.sort(key=lambda end: end[0])
    for y, (own_y, own_x, line) in zip(spread([end[0] for end in ends], TOP, BOTTOM), ends, strict=True):
        if axes.right - own_x > 3 or abs(y - own_y) > 3:
            yield element("path", d=path_of([(own_x, own_y), (axes.right + 3, y)]), class_="k-hair")
        yield text(axes.right + 5, y + 4, line.label, f"k-label {line.cls}")


def spread(heights: Sequence[float], least: float, most: float) -> list[float]:
    """The same rising heights, moved apart so that a label has room at each."""
    placed: list[float] = []
    for y in heights:
        placed.append(max(y, placed[-1] + LABEL_STEP if placed else least))
    over = (placed[-1] if placed else most) - most
    if over > 0:
        placed[-1] -= over
        for i in range(len(placed) - 2, -1, -1):
            placed[i] = min(placed[i], placed[i + 1] - LABEL_STEP)
    return placed


def _cursor(axes: _Axes, view: View) -> str:
    x = axes.x(min(max(view.at_s, view.from_s), view.to_s))
    return element("path", d=path_of([(x, TOP - 6), (x, BOTTOM)]), class_="k-cursor")


# -- values


def value_at(line: Line, s: float) -> float | None:
    """What was measured nearest to an instant, if near enough."""
    times = [p[0] for p in line.points]
    i = bisect_left(times, s)
    near = min(line.points[max(i - 1, 0) : i + 1], key=lambda p: abs(p[0] - s), default=None)
    return None if near is None or abs(near[0] - s) > reach_s(line) else near[1]


def reach_s(line: Line) -> float:
    """How far from a measured point its value still counts as the value there [s]."""
    steps = sorted(b[0] - a[0] for a, b in pairwise(line.points))
    return max(NEAR_S, steps[len(steps) // 2]) if steps else NEAR_S


def shown(c: float | None, view: View) -> str:
    """A value in tenths; below the target never shown as the target."""
    tenths = tenths_of(c, view)
    if tenths is None:
        return "no value"
    return f"{'−' if tenths < 0 else ''}{abs(tenths) // 10}.{abs(tenths) % 10} °{view.unit}"


def tenths_of(c: float | None, view: View) -> int | None:
    """A value in tenths of the reader's degrees, never up across the target."""
    if c is None:
        return None
    tenths, target = (round(10 * words.in_unit(x, view.unit)) for x in (c, view.target_c))
    return min(tenths, target - 1) if c < view.target_c else tenths


def instant(s: float, view: View) -> str:
    """An instant in words: 1 h 20 min after heater-on, with the field's clock where there is one."""
    if abs(s) < 30:
        told = f"at {view.zero}"
    else:
        told = f"{words.span(abs(s))} {'after' if s > 0 else 'before'} {view.zero}"
    if view.zero_at is None:
        return told
    return f"{datetime.fromtimestamp(view.zero_at + s, ZoneInfo(view.zone)):%H:%M}, {told}"


def _data(lines: Sequence[Line], view: View) -> str:
    """The numbers of the window for the script at the cursor: times in s, values in tenths."""
    told = []
    for line in lines:
        points = _within(line.points, view)
        told.append(
            {
                "s": [round(s) for s, _ in points],
                "v": [tenths_of(c, view) for _, c in points],
                "near": round(reach_s(line)),
            }
        )
    table = {"lines": told, "unit": view.unit, "zero": view.zero, "clock": _clock(view)}
    window = {"from": view.from_s, "to": view.to_s, "least": view.least_s, "most": view.most_s}
    return json.dumps(table | window, separators=(",", ":"), ensure_ascii=False)


def _clock(view: View) -> list[tuple[int, int]]:
    """From which second on the field's clock is so many minutes past midnight at the zero: one entry, and
    another where the clock is put back or forward."""
    if view.zero_at is None:
        return []
    zone, found = ZoneInfo(view.zone), list[tuple[int, int]]()
    for s in range(math.floor(view.from_s / 900) * 900, math.ceil(view.to_s) + 1, 900):
        local = datetime.fromtimestamp(view.zero_at + s, zone)
        minutes = round(local.hour * 60 + local.minute + local.second / 60 - s / 60) % 1440
        if not found or found[-1][1] != minutes:
            found.append((s, minutes))
    return found


def _table(lines: Sequence[Line], view: View) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """The same as numbers, at whole steps of time."""
    step = nice_step(view.to_s - view.from_s, TABLE_ROWS - 1, _STEPS_S)
    past = _past(view, step)
    times = [i * step - past for i in range(math.ceil(view.from_s / step), math.floor(view.to_s / step) + 2)]
    rows = tuple(
        (_told(s, view), *(shown(value_at(line, s), view) for line in lines))
        for s in times
        if view.from_s <= s <= view.to_s
    )
    return ("Time", *(line.name for line in lines)), rows


def _past(view: View, step: float) -> float:
    """By how much the zero is past a whole step of the clock that is shown [s]."""
    if view.zero_at is None:
        return 0.0
    offset = datetime.fromtimestamp(view.zero_at, ZoneInfo(view.zone)).utcoffset()
    return (view.zero_at + (offset.total_seconds() if offset else 0.0)) % step


def _told(s: float, view: View) -> str:
    if view.zero_at is None:
        return hours(s)
    return f"{datetime.fromtimestamp(view.zero_at + s, ZoneInfo(view.zone)):%H:%M}"
