"""Heat-ups laid out: rows of the list, lines to draw, what a reader chose of both. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Literal
from urllib.parse import urlencode

from markupsafe import Markup

from probe_agent import words
from probe_agent.status import Recent
from probe_agent.store import CurveRow, HeatupKept, Small
from probe_agent.words import Unit, place_name
from web.overlay import Line, Point, View
from web.svg import element, path_of, slim

MOST_LINES = 6
NEAREST = 3
LEAST_WINDOW_S = 300.0
COLDEST = "coldest"
AMBIENT = "ambient"
SMALL_W, SMALL_H = 132.0, 46.0
LOWEST_C, HIGHEST_C = -60.0, 200.0

Align = Literal["on", "temp"]


# -- what a reader chose


@dataclass(frozen=True, slots=True)
class Chosen:
    """What the address asks for. numbers: heat-ups in their order; align and typed: where they lie over
    one another, the temperature as typed; place: whose curve; from_s, to_s, at_s: window and cursor [s from
    the zero], None for all of it; refusals: the sentence at each field that was refused."""

    numbers: tuple[int, ...] = ()
    align: Align = "on"
    typed: str = ""
    c: float | None = None
    place: str = COLDEST
    from_s: float | None = None
    to_s: float | None = None
    at_s: float | None = None
    refusals: Mapping[str, str] = field(default_factory=dict)

    def pairs(self, **changes: float | None) -> list[tuple[str, str]]:
        """The address's arguments for the same, with another window or cursor [s]."""
        pairs: list[tuple[str, str]] = [("h", str(n)) for n in self.numbers]
        if self.align == "temp":
            pairs += [("align", "temp"), ("c", self.typed)]
        if self.place != COLDEST:
            pairs.append(("place", self.place))
        asked = {"from": self.from_s, "to": self.to_s, "at": self.at_s, **changes}
        return pairs + [(name, _minutes(s)) for name, s in asked.items() if s is not None]

    def query(self, **changes: float | None) -> str:
        """The same as an address's query."""
        return urlencode(self.pairs(**changes))


def _minutes(s: float) -> str:
    return f"{s / 60:.2f}".rstrip("0").rstrip(".")


def read_chosen(args: Mapping[str, str], numbers: Sequence[str], places: Iterable[str], unit: Unit) -> Chosen:
    """What an address asks for; what makes no sense in it is refused at its field or passed over."""
    wrong: dict[str, str] = {}
    named = tuple(dict.fromkeys(int(n) for n in numbers if n.isascii() and n.isdigit() and len(n) < 10))
    align: Align = "temp" if args.get("align") == "temp" else "on"
    typed = args.get("c", "").strip()[:20]
    c = _temperature(typed, unit, wrong) if align == "temp" else None
    place = args.get("place", COLDEST)
    from_s, to_s, at_s = (_seconds(args.get(name)) for name in ("from", "to", "at"))
    place = place if place in set(places) else COLDEST
    return Chosen(named, align, typed, c, place, from_s, to_s, at_s, wrong)


def _temperature(typed: str, unit: Unit, wrong: dict[str, str]) -> float | None:
    plain = re.sub("[−–]", "-", typed).replace(",", ".").replace(" ", "")
    number = float(plain) if re.fullmatch(r"[-+]?\d{1,4}(\.\d{0,3})?", plain) else None
    if number is None:
        wrong["c"] = "Write the temperature as a number, such as −5; a comma is fine."
        return None
    c = (number - 32) / 1.8 if unit == "F" else number
    if not LOWEST_C <= c <= HIGHEST_C:
        wrong["c"] = "No engine metal has that. Write a temperature that these curves pass."
        return None
    return c


def _seconds(minutes: str | None) -> float | None:
    if minutes is None or not re.fullmatch(r"-?\d{1,5}(\.\d{1,3})?", minutes):
        return None
    return float(minutes) * 60


def window(chosen: Chosen, least_s: float, most_s: float) -> tuple[float, float]:
    """The window asked for, inside what there is and never narrower than five minutes."""
    most_s = max(most_s, least_s + LEAST_WINDOW_S)
    from_s = least_s if chosen.from_s is None else min(max(chosen.from_s, least_s), most_s - LEAST_WINDOW_S)
    to_s = most_s if chosen.to_s is None else min(max(chosen.to_s, from_s + LEAST_WINDOW_S), most_s)
    return from_s, to_s


def zooms(view: View) -> dict[str, tuple[float | None, float | None]]:
    """Where the buttons lead: their word → window [s], None for all; only those that change something."""
    span, middle = view.to_s - view.from_s, (view.from_s + view.to_s) / 2
    if view.from_s < view.at_s < view.to_s:
        middle = view.at_s
    found: dict[str, tuple[float | None, float | None]] = {}
    if span > LEAST_WINDOW_S:
        half = max(span / 2, LEAST_WINDOW_S)
        start = middle - half * (middle - view.from_s) / span
        found["closer"] = (start, start + half)
    if span < view.most_s - view.least_s:
        start = max(middle - span, view.least_s)
        found["wider"] = (start, min(start + 2 * span, view.most_s))
    if view.from_s > view.least_s:
        start = max(view.from_s - span / 2, view.least_s)
        found["earlier"] = (start, start + span)
    if view.to_s < view.most_s:
        end = min(view.to_s + span / 2, view.most_s)
        found["later"] = (end - span, end)
    if span < view.most_s - view.least_s:
        found["all"] = (None, None)
    return found


# -- lines


def coldest_points(rows: Sequence[CurveRow], required: frozenset[str]) -> list[tuple[float, float | None]]:
    """(UTC s, °C) of the coldest required place of those measured in this heat-up; None where one of them
    has no value: the coldest could be that one."""
    there = required & {place for row in rows for place in row.values_c}
    found = []
    for row in rows:
        values = [row.values_c.get(place) for place in there]
        known = [c for c in values if c is not None]
        found.append((row.at, min(known) if known and len(known) == len(values) else None))
    return found


def place_points(rows: Sequence[CurveRow], place: str) -> list[tuple[float, float | None]]:
    """(UTC s, °C) of one place."""
    return [(row.at, row.values_c.get(place)) for row in rows]


def points_of(
    rows: Sequence[CurveRow], place: str, required: frozenset[str]
) -> list[tuple[float, float | None]]:
    """(UTC s, °C) of a place, or of the coldest."""
    return coldest_points(rows, required) if place == COLDEST else place_points(rows, place)


def passes(points: Sequence[Point], c: float) -> float | None:
    """When a curve rises to a temperature for the first time; None where it never does."""
    before: float | None = None
    for s, value in points:
        if value is not None and value >= c and (before is None or before < c):
            return s if before is not None or value == c else None
        before = value if value is not None else before
    return None


def with_recent(rows: list[CurveRow], recent: Recent | None, after_at: float) -> list[CurveRow]:
    """Committed rows, and what the document has that isn't committed yet."""
    if recent is None:
        return rows
    return rows + [
        CurveRow(row[0], dict(zip(recent.places, row[1:], strict=False)), None)
        for row in recent.rows
        if row[0] is not None and row[0] > after_at
    ]


def line_of(
    points: Sequence[tuple[float, float | None]], zero_at: float, label: str, name: str, cls: str
) -> Line:
    """A line of points in UTC seconds, from its zero on."""
    return Line(label, name, cls, [(at - zero_at, c) for at, c in points])


_SHORT = {
    "case-top": "case top",
    "case-nose": "case nose",
    "accessory-case": "acc. case",
    AMBIENT: "air",
}


def short_place(slug: str) -> str:
    """A place where there is little room."""
    name = _SHORT.get(slug, place_name(slug)).replace("cylinder", "cyl")
    return name if len(name) <= 11 else name[:10].rstrip() + "…"


def nearest(of: HeatupKept, others: Iterable[HeatupKept]) -> list[HeatupKept]:
    """The heat-ups of the same setup that began in an outside air nearest to this one's; the newer of two
    that are as near. None of them where this one's wasn't measured."""
    air_c = of.air_c
    if air_c is None:
        return []
    alike = [
        (abs(h.air_c - air_c), -h.heatup, h)
        for h in others
        if h.air_c is not None and h.alike == of.alike and h.heatup != of.heatup and not h.is_open
    ]
    return [h for _, _, h in sorted(alike, key=lambda found: found[:2])[:NEAREST]]


# -- rows


@dataclass(frozen=True, slots=True)
class HeatupView:
    """One heat-up in words. running: that it isn't over, "" where it is; small: its curve, None where nothing
    of it is measured."""

    number: int
    day: str
    began: str
    came: str
    taught: str
    note: str
    excluded: bool
    is_open: bool
    running: str
    setup: str
    small: Markup | None = None


def present_heatup(h: HeatupKept, zone: str, unit: Unit, coldest_c: float | None, fresh: bool) -> HeatupView:
    """A heat-up in words. coldest_c: at heater-on; fresh: the daemon was heard of just now."""
    running = "running now" if fresh else "not over when last heard of"
    return HeatupView(
        h.heatup,
        words.heatup_day(h.on_at, zone),
        words.began_at(h.air_c, coldest_c, unit),
        words.came_of_heatup(h, zone),
        _taught(h),
        h.note,
        h.excluded,
        h.is_open,
        running if h.is_open else "",
        h.setup or "no setup described",
    )


def _taught(h: HeatupKept) -> str:
    if h.is_open:
        return "not over yet"
    if h.excluded:
        return "left out of what is learned"
    if not h.is_learned:
        return "not yet learned from"
    return "learned from" if h.clean else f"not learned from: {words.spelled(h.why or 'not clean')}"


@dataclass(frozen=True, slots=True)
class _Scale:
    """What small curves have in common, so that they compare: longest [s], coldest and warmest [°C]."""

    most_s: float
    low_c: float
    high_c: float

    def on(self, s: float, c: float) -> tuple[float, float]:
        y = SMALL_H - 3 - (c - self.low_c) / (self.high_c - self.low_c) * (SMALL_H - 6)
        return 2 + min(s / self.most_s, 1.0) * (SMALL_W - 4), y


def draw_small(heatups: Sequence[HeatupKept], curves: Mapping[int, Small]) -> dict[int, Markup]:
    """Small curves of the coldest point on one scale: target as a line, a ring where it was passed. They
    say nothing that the row's words don't."""
    known = [c for small in curves.values() for _, c in small.points if c is not None]
    if not known:
        return {}
    spans = sorted(h.last_at - h.on_at for h in heatups)
    targets = [h.target_c for h in heatups]
    longest = max(min(spans[-1], 2 * spans[len(spans) // 2]), LEAST_WINDOW_S)
    scale = _Scale(longest, min(*known, *targets), max(*known, *targets) + 0.1)
    return {h.heatup: _small(h, curves[h.heatup], scale) for h in heatups if h.heatup in curves}


def _small(h: HeatupKept, small: Small, scale: _Scale) -> Markup:
    inside = [point for point in small.points if point[0] <= scale.most_s]
    target_y = scale.on(0.0, h.target_c)[1]
    parts = [element("path", d=path_of([(0.0, target_y), (SMALL_W, target_y)]), class_="c-target")]
    for known, stretch in groupby(inside, lambda point: point[1] is not None):
        run = [scale.on(s, c) for s, c in stretch if c is not None]
        if known and len(run) > 1:
            parts.append(element("path", d=path_of(slim(run, 0.4)), class_="k-small-line"))
    if h.above_at is not None and h.above_at - h.on_at <= scale.most_s:
        x, y = scale.on(h.above_at - h.on_at, h.target_c)
        parts.append(element("circle", cx=x, cy=y, r=3, class_="k-ring"))
    box = f"0 0 {SMALL_W:g} {SMALL_H:g}"
    return Markup(element("svg", *parts, class_="k-small", viewBox=box, aria_hidden="true"))
