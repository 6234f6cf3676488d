"""The curve of the last hours and the forecast as SVG, with a sentence and a table of the same. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

from markupsafe import Markup

from probe_agent import words
from probe_agent.status import Status, utc_seconds
from probe_agent.words import Unit
from web.present import run_now
from web.record import CurveView, Row, Told
from web.svg import element, path_of, slim, steps_of, text

WIDTH, HEIGHT = 300.0, 250.0
LEFT, RIGHT, TOP, BOTTOM = 32.0, 298.0, 22.0, 204.0
HEATER_Y = 210.0
FORMS = ("ahead", "places", "past")
"""What a chart shows besides the coldest point: its futures, each place, forecasts as announced."""
GUTTER = 66.0
"""Room for names at the right of the lines of all places."""
DASHES = 8
PAST_ROW = 13.0
CLOSE, CLOSE_THIN = 0.9, 1.4
"""How near the coldest line and the others keep to what was measured [units of the picture]: the noise of a
thermocouple is of that size."""
LEAST_GAP_S = 180.0
TABLE_ROWS = 9
HOUR_S = 3600.0

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Chart:
    """svg: the picture, None where there is nothing to draw; sentence: what it says; head, rows: the same
    as a table; reason: why something is lacking."""

    svg: Markup | None
    sentence: str
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Axes:
    """From instants and degrees Celsius to places on the picture."""

    from_at: float
    to_at: float
    low_c: float
    high_c: float
    right: float = RIGHT

    def x(self, at: float) -> float:
        share = (at - self.from_at) / (self.to_at - self.from_at)
        return LEFT + min(max(share, 0.0), 1.0) * (self.right - LEFT)

    def y(self, c: float) -> float:
        share = (c - self.low_c) / (self.high_c - self.low_c)
        return BOTTOM - min(max(share, 0.0), 1.0) * (BOTTOM - TOP)


def draw_curve(
    curve: CurveView, status: Status, unit: Unit, form: str = FORMS[0], told: Sequence[Told] = ()
) -> Chart:
    """The chart of a curve and the document it belongs to, in the reader's unit and the field's time. form:
    one of FORMS; told: the ranges announced in these hours, for the last of them."""
    if not curve.rows:
        said = curve.reason or "Nothing is recorded yet; the first point comes with the next reading."
        return Chart(None, said)
    now_at = utc_seconds(status.now)
    axes = _axes(curve, status, now_at, unit, form)
    coldest = coldest_line(curve, status)
    drawn = {"ahead": _ahead, "places": _places, "past": _past}[form]
    parts = [
        *_grid(axes, status, unit),
        *(_fan(axes, status, now_at) if form == "ahead" else ()),
        *_target(axes, status, unit),
        *(element("path", d=steps_of(_on(axes, run, CLOSE)), class_="c-coldest") for run in runs(coldest)),
        *_now(axes, coldest, status, now_at),
        *drawn(axes, curve, coldest, status, told),
        *_heater(axes, curve),
    ]
    sentence = _sentence(coldest, status, unit) + _past_sentence(form, told, status)
    height = HEIGHT + (PAST_ROW * len(told) + 6 if told else 0)
    svg = element(
        "svg", *parts, class_="curve", viewBox=f"0 0 {WIDTH:g} {height:g}", role="img", aria_label=sentence
    )
    head, rows = _table(curve, status, unit)
    return Chart(Markup(svg), sentence, head, rows, curve.reason)


Line = Sequence[tuple[float, float | None]]


def _ahead(axes: _Axes, curve: CurveView, coldest: Line, status: Status, _: Sequence[Told]) -> Iterator[str]:
    """What is to come, beside the warmest place and the air."""
    lines = (
        ("coldest point", coldest),
        ("warmest", _warmest(curve, status)),
        ("air", _line(curve, "ambient")),
    )
    for name, line in lines[1:]:
        for run in runs(line):
            yield element("path", d=steps_of(_on(axes, run)), class_="c-air" if name == "air" else "c-other")
    yield from _bar(axes, status)
    yield from _names(axes, lines, status)


def _places(axes: _Axes, curve: CurveView, _: Line, status: Status, __: Sequence[Told]) -> Iterator[str]:
    """Each place, its dashes its own, its name at its end."""
    ends: list[tuple[float, float, str]] = []
    for i, place in enumerate(curve.places):
        line = _line(curve, place)
        for run in runs(line):
            yield element("path", d=steps_of(_on(axes, run)), class_=f"c-place c-d{i % DASHES}")
        last = next(((at, c) for at, c in reversed(line) if c is not None), None)
        if last is not None:
            ends.append((axes.y(last[1]), axes.x(last[0]), words.place_short(place)))
    for (y, x, name), place_y in zip(sorted(ends), _apart([e[0] for e in sorted(ends)]), strict=True):
        yield element("path", d=path_of([(x + 1, y), (axes.right + 7, place_y)]), class_="c-leader")
        yield text(axes.right + 9, place_y + 4, name, "c-label c-halo")


def _apart(heights: Sequence[float], least: float = 12.5) -> list[float]:
    """Rising heights moved apart to that distance, and kept inside the picture."""
    out: list[float] = []
    for y in heights:
        out.append(max(y, out[-1] + least) if out else max(y, TOP))
    over = (out[-1] - BOTTOM) if out else 0.0
    for i in range(len(out) - 1, -1, -1):
        limit = out[i + 1] - least if i + 1 < len(out) else BOTTOM
        out[i] = min(out[i], limit) if over > 0 else out[i]
    return out


def _past(
    axes: _Axes, curve: CurveView, coldest: Line, status: Status, told: Sequence[Told]
) -> Iterator[str]:
    """Ranges as they were announced, one a row, each with when that was; the present one on the target."""
    yield from _bar(axes, status)
    yield from _names(axes, (("coldest point", coldest),), status)
    for i, (at, low, mid, high) in enumerate(told):
        y = HEIGHT + 2 + PAST_ROW * i
        left, right = axes.x(low if low is not None else mid), RIGHT if high is None else axes.x(high)
        yield element("path", d=path_of([(left, y), (right, y)]), class_="c-told")
        yield element("path", d=path_of([(axes.x(mid), y - 4), (axes.x(mid), y + 4)]), class_="c-middle")
        yield element("circle", cx=axes.x(at), cy=y, r=1.8, class_="c-dot")
        yield text(2, y + 4, _hour(at, status), "c-tick")


def _past_sentence(form: str, told: Sequence[Told], status: Status) -> str:
    if form != "past":
        return ""
    if not told:
        return " No forecast was announced in these hours."
    now_at = utc_seconds(status.now)
    said = (
        f"at {words.moment(at, status.zone, now_at)} about {words.moment(mid, status.zone, now_at)}"
        for at, _, mid, _ in told
    )
    return f" Above target as announced: {', '.join(said)}."


def _hour(at: float, status: Status) -> str:
    return words.hour(datetime.fromtimestamp(at, ZoneInfo(status.zone)))


def _line(curve: CurveView, place: str) -> list[tuple[float, float | None]]:
    column = 1 + curve.places.index(place) if place in curve.places else None
    return [] if column is None else [(_at(r), r[column]) for r in curve.rows]


def _warmest(curve: CurveView, status: Status) -> list[tuple[float, float | None]]:
    """(UTC s, °C) of the maximum over the places that count; None where none has a value."""
    counted = {p.place for p in status.probes if p.counts}
    columns = [i for i, place in enumerate(curve.places, 1) if place in counted]
    if len(columns) < 2:
        return []
    return [(_at(r), max((v for i in columns if (v := r[i]) is not None), default=None)) for r in curve.rows]


def coldest_line(curve: CurveView, status: Status) -> list[tuple[float, float | None]]:
    """(UTC s, °C) of the minimum over the required places; None where one of them has no value, for the
    coldest could be that one."""
    required = {p.place for p in status.probes if p.required} or {p.place for p in status.probes if p.counts}
    columns = [i for i, place in enumerate(curve.places, 1) if place in required]
    out: list[tuple[float, float | None]] = []
    for row in curve.rows:
        values = [row[i] for i in columns]
        known = [v for v in values if v is not None]
        out.append((_at(row), min(known) if known and len(known) == len(values) else None))
    return out


def runs(line: Sequence[tuple[float, float | None]]) -> Iterator[list[tuple[float, float]]]:
    """The stretches of a line between its gaps: a missing value, or a silence of more than three of the
    usual spans (at least three minutes)."""
    longest = _longest_span([at for at, _ in line])
    run: list[tuple[float, float]] = []
    for at, c in line:
        if run and (c is None or at - run[-1][0] > longest):
            yield run
            run = []
        if c is not None:
            run.append((at, c))
    if run:
        yield run


def nice_step(span: float, most: int, steps: Sequence[float]) -> float:
    """The smallest of `steps` that parts a span into at most so many."""
    return next((s for s in steps if span / s <= most), steps[-1])


def _longest_span(times: Sequence[float]) -> float:
    spans = [b - a for a, b in pairwise(times)]
    return max(LEAST_GAP_S, 3 * sorted(spans)[len(spans) // 2]) if spans else math.inf


def _at(row: Row) -> float:
    return row[0] if row[0] is not None else math.nan


def _axes(curve: CurveView, status: Status, now_at: float, unit: Unit, form: str) -> _Axes:
    """Axes that hold the curve, the target and the announced time, and change in whole steps."""
    inside = [_at(r) for r in curve.rows]
    ahead = [utc_seconds(t) for t in (status.above_p10, status.above_p50, status.above_p90) if t]
    shown_for = max(now_at - inside[0], HOUR_S)
    until = max([now_at + 0.5 * shown_for, *(t + 600 for t in ahead if t - now_at < 10 * HOUR_S)])
    if form == "places":
        until = now_at
    step_s = nice_step(until - inside[0], 8, (900.0, 1800.0, HOUR_S, 2 * HOUR_S))
    values = [v for r in curve.rows for v in r[1:-1] if v is not None]
    values += [status.target_c, status.need_c]
    values += [c for m, c in zip(status.fan.min, status.fan.high, strict=False) if now_at + 60 * m <= until]
    step_c = 5.0 if unit == "C" else 10 / 1.8
    origin = 0.0 if unit == "C" else -32 / 1.8
    return _Axes(
        math.floor(inside[0] / step_s) * step_s,
        until if form == "places" else math.ceil(until / step_s) * step_s,
        math.floor((min(values) - 0.5 - origin) / step_c) * step_c + origin,
        math.ceil((max(values) + 0.5 - origin) / step_c) * step_c + origin,
        RIGHT - GUTTER if form == "places" else RIGHT,
    )


def _grid(axes: _Axes, status: Status, unit: Unit) -> Iterator[str]:
    low, high = words.in_unit(axes.low_c, unit), words.in_unit(axes.high_c, unit)
    step = nice_step(high - low, 6, (5.0, 10.0, 20.0, 50.0))
    for i in range(math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6) + 1):
        c = (i * step - 32) / 1.8 if unit == "F" else i * step
        yield element("path", d=path_of([(LEFT, axes.y(c)), (axes.right, axes.y(c))]), class_="c-grid")
        yield text(LEFT - 4, axes.y(c) + 4, f"{i * step:g}".replace("-", "−"), "c-tick", "end")
    yield text(2, 12, f"°{unit}", "c-tick")
    zone = ZoneInfo(status.zone)
    for at in time_ticks(axes.from_at, axes.to_at, zone, 6 if axes.right == RIGHT else 4):
        x = axes.x(at)
        yield element("path", d=path_of([(x, TOP), (x, BOTTOM)]), class_="c-grid")
        if LEFT + 8 < x < axes.right - 12:
            yield text(x, HEIGHT - 14, _tick(at, status), "c-tick", "middle")


def _tick(at: float, status: Status) -> str:
    """The time of day at an axis; the minutes left out of a full hour by the clock of 12."""
    return _hour(at, status).replace(":00 ", " ")


def time_ticks(from_at: float, to_at: float, zone: ZoneInfo, most: int = 6) -> list[float]:
    """Instants on whole steps of the field's clock, at most one more than `most`."""
    step = nice_step(
        to_at - from_at, most, (600.0, 900.0, 1800.0, HOUR_S, 2 * HOUR_S, 3 * HOUR_S, 6 * HOUR_S)
    )
    shift = datetime.fromtimestamp(from_at, zone).utcoffset()
    offset = shift.total_seconds() if shift else 0.0
    first = math.ceil((from_at + offset) / step) * step - offset
    return [first + i * step for i in range(int((to_at - first) // step) + 1)]


def _fan(axes: _Axes, status: Status, now_at: float) -> Iterator[str]:
    """The live futures, as far as the picture goes."""
    points = [
        (now_at + 60 * m, low, mid, high)
        for m, low, mid, high in zip(
            status.fan.min, status.fan.low, status.fan.mid, status.fan.high, strict=False
        )
        if now_at + 60 * m <= axes.to_at
    ]
    if len(points) < 2:
        return
    upper = [(axes.x(at), axes.y(high)) for at, _, _, high in points]
    lower = [(axes.x(at), axes.y(low)) for at, low, _, _ in reversed(points)]
    yield element("path", d=path_of(upper + lower) + "Z", class_="c-fan")
    yield element("path", d=path_of([(axes.x(at), axes.y(mid)) for at, _, mid, _ in points]), class_="c-mid")


def _target(axes: _Axes, status: Status, unit: Unit) -> Iterator[str]:
    for c, name, cls in ((status.target_c, "target", "c-target"), (status.need_c, "preheat limit", "c-need")):
        y = axes.y(c)
        yield element("path", d=path_of([(LEFT, y), (axes.right, y)]), class_=cls)
        label = f"{name} {words.temperature(c, unit, (c,))}"
        yield text(LEFT + 4, y - 4, label, "c-label c-halo")


def _now(
    axes: _Axes, coldest: Sequence[tuple[float, float | None]], status: Status, now_at: float
) -> Iterator[str]:
    x = axes.x(now_at)
    yield element("path", d=path_of([(x, TOP - 4), (x, BOTTOM)]), class_="c-now")
    told = words.moment(now_at, status.zone, run_now(status))
    yield text(x, TOP - 8, f"measured {told}", "c-label", "end" if x > WIDTH / 2 else "middle")
    if coldest and coldest[-1][1] is not None:
        at, c = coldest[-1]
        yield element("circle", cx=axes.x(at), cy=axes.y(c or 0.0), r=4, class_="c-dot")


LIMIT_NAME = 140.0
"""How far the longest name of a limit reaches."""


def _names(axes: _Axes, lines: Sequence[tuple[str, Line]], status: Status) -> Iterator[str]:
    """The names of lines at their ends, on the side the forecast leaves free."""
    falling = len(status.fan.mid) > 1 and status.fan.mid[-1] < status.fan.mid[0]
    heights: list[float] = []
    for name, line in lines:
        last = next(((at, c) for at, c in reversed(line) if c is not None), None)
        if last is None:
            continue
        x, y = axes.x(last[0]), axes.y(last[1])
        y += -8 if falling or name == "warmest" else 15
        room = axes.right - x > 84
        limits = [axes.y(c) - 4 for c in (status.target_c, status.need_c)]  # their names stand at the left
        taken = heights if room and x > LIMIT_NAME else heights + limits
        y = next((y + d for d in (0, 13, -13, 26, -26) if all(abs(y + d - h) >= 12 for h in taken)), y)
        heights.append(y)
        cls = "c-label c-strong c-halo" if name == "coldest point" else "c-label c-halo"
        shown = min(max(y, TOP + 8), BOTTOM - 3)
        yield text(x + 6 if room else x - 6, shown, name, cls, "start" if room else "end")


def _bar(axes: _Axes, status: Status) -> Iterator[str]:
    """The announced range on the target line: early to late, a tick at the middle; an open end stays open."""
    if status.above_p10 is None or status.above_p50 is None or words.announced(status) is None:
        return
    early, middle = axes.x(utc_seconds(status.above_p10)), axes.x(utc_seconds(status.above_p50))
    late = RIGHT if status.above_p90 is None else axes.x(utc_seconds(status.above_p90))
    y = axes.y(status.target_c)
    yield element("path", d=path_of([(early, y), (late, y)]), class_="c-bar")
    yield element("path", d=path_of([(early, y - 5), (early, y + 5)]), class_="c-end")
    if status.above_p90 is not None:
        yield element("path", d=path_of([(late, y - 5), (late, y + 5)]), class_="c-end")
    yield element("path", d=path_of([(middle, y - 10), (middle, y + 10)]), class_="c-middle")


def _heater(axes: _Axes, curve: CurveView) -> Iterator[str]:
    """A strip under the curve: filled where heat was on, empty where it was off, nothing where unknown."""
    spans = list(heater_spans(curve))
    for (start, end), on in spans:
        x = axes.x(start)
        yield element(
            "rect",
            x=x,
            y=HEATER_Y,
            width=max(axes.x(end) - x, 1.0),
            height=7,
            class_="c-heat-on" if on else "c-heat-off",
        )
    if spans:
        yield text(2, HEATER_Y + 8, "heat", "c-tick")


def heater_spans(curve: CurveView) -> Iterator[tuple[Span, bool]]:
    """Stretches (from, to) [UTC s] with heat on or off; a row without knowledge, or a silence, ends one."""
    longest = _longest_span([_at(r) for r in curve.rows])
    start: float | None = None
    last, on = math.nan, False
    for row in curve.rows:
        at, share = _at(row), row[-1]
        if start is not None and (share is None or (share > 0) != on or at - last > longest):
            yield (start, at if share is not None and at - last <= longest else last), on
            start = None
        if start is None and share is not None:
            start, on = at, share > 0
        last = at
    if start is not None:
        yield (start, last), on


def _on(
    axes: _Axes, run: Sequence[tuple[float, float]], close: float = CLOSE_THIN
) -> list[tuple[float, float]]:
    points = slim([(axes.x(at), axes.y(c)) for at, c in run], close)
    return points if len(points) > 1 else [points[0], (points[0][0] + 1.0, points[0][1])]


def _sentence(coldest: Sequence[tuple[float, float | None]], status: Status, unit: Unit) -> str:
    known = [(at, c) for at, c in coldest if c is not None]
    now_at = utc_seconds(status.now)
    if not known:
        return "No instant yet at which every required place had a value."

    def told(point: tuple[float, float]) -> str:
        shown = words.temperature(point[1], unit, words.limits_of(status))
        return f"{shown} at {words.moment(point[0], status.zone, now_at)}"

    said = f"Coldest point: {told(known[0])}, {told(known[-1])}."
    gaps = sum(1 for _ in runs(coldest)) - 1
    if gaps:
        said += f" {gaps} {'gap' if gaps == 1 else 'gaps'} in between."
    others = [p for p in status.probes if p.c is not None and p.counts and p.place != status.coldest]
    if others:
        warmest = max(others, key=lambda p: p.c or -math.inf)
        said += f" Warmest now {words.place_name(warmest.place)}, {words.temperature(warmest.c, unit)}."
    return said


def _table(
    curve: CurveView, status: Status, unit: Unit
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Newest first, at most so many rows, evenly spaced."""
    stride = max(1, math.ceil(len(curve.rows) / TABLE_ROWS))
    now_at = utc_seconds(status.now)
    head = ("Time", *(words.place_name(p) for p in curve.places), "heat")
    rows = []
    for row in curve.rows[::-1][::stride]:
        cells = [words.moment(_at(row), status.zone, now_at)]
        cells += ["no value" if v is None else words.temperature(v, unit) for v in row[1:-1]]
        cells.append("unknown" if row[-1] is None else "on" if row[-1] > 0 else "off")
        rows.append(tuple(cells))
    return head, tuple(rows)
