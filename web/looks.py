"""What is drawn of heat-ups: their curves read from the record and laid over one another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from probe_agent import words
from probe_agent.status import Recent
from probe_agent.store import CurveRow, HeatupKept, Reader
from probe_agent.words import Unit, place_name
from web.heatups import (
    AMBIENT,
    COLDEST,
    Chosen,
    HeatupView,
    coldest_points,
    line_of,
    passes,
    place_points,
    points_of,
    present_heatup,
    short_place,
    window,
    with_recent,
)
from web.overlay import Line, View

MOST_ROWS = 240
HEATER_ON = "heater-on"
DASHES = 8
"""Ways of drawing a place's line."""

Told = list[tuple[float, float | None]]
"""(UTC s, °C) of a curve."""


@dataclass(frozen=True, slots=True)
class Eye:
    """Who looks, and what there is besides the record: the document's recent rows, whether it is
    fresh, the places and whether each is required."""

    zone: str
    unit: Unit
    recent: Recent | None
    fresh: bool
    places: Mapping[str, bool]

    @property
    def required(self) -> frozenset[str]:
        return frozenset(p for p, required in self.places.items() if required)


@dataclass(frozen=True, slots=True)
class Look:
    """Lines and how they are looked at.

    sentence: what the picture says; caption: whose curves they are; live: one of them is still being
    measured; missing: a sentence for each heat-up that isn't drawn; shown: how each line is drawn, its
    label, its heat-up in words.
    """

    lines: tuple[Line, ...]
    view: View
    sentence: str
    caption: str
    live: bool
    missing: tuple[str, ...] = ()
    shown: tuple[tuple[str, str, HeatupView], ...] = ()

    @property
    def is_empty(self) -> bool:
        return not any(line.points for line in self.lines)


def _rows(record: Reader, h: HeatupKept, span: tuple[float, float], eye: Eye) -> list[CurveRow]:
    """Rows of a heat-up in a span [UTC s], with what isn't committed yet where it is running."""
    rows = record.heatup_curve(h, *span, MOST_ROWS)
    return with_recent(rows, eye.recent if h.is_open else None, h.last_at)


# -- one


def look_at_one(record: Reader, h: HeatupKept, chosen: Chosen, eye: Eye) -> Look:
    """One heat-up on the field's clock: the coldest point, each place, the air."""
    rows = _rows(record, h, (h.on_at, h.last_at), eye)
    most_s = (rows[-1].at if rows else h.last_at) - h.on_at
    from_s, to_s = window(chosen, 0.0, most_s)
    if to_s - from_s < most_s:
        rows = _rows(record, h, (h.on_at + from_s, h.on_at + to_s), eye)
    lines = _lines_of_places(rows, h, eye)
    first_c = _first_c(coldest_points(rows, eye.required)) if from_s == 0 else None
    shown = present_heatup(h, eye.zone, eye.unit, first_c, eye.fresh)
    view = View(
        from_s,
        to_s,
        0.0,
        max(most_s, to_s),
        _cursor_s(chosen, h, 0.0, (from_s, to_s)),
        HEATER_ON,
        eye.unit,
        h.target_c,
        eye.zone,
        h.on_at,
    )
    sentence = f"Coldest point, each place and the air, {shown.day}: {shown.came}."
    return Look(lines, view, sentence, "Coldest point, each place and the air.", h.is_open)


def _lines_of_places(rows: Sequence[CurveRow], h: HeatupKept, eye: Eye) -> tuple[Line, ...]:
    """The coldest point first, then the places as the record names them, the air last."""
    coldest = line_of(coldest_points(rows, eye.required), h.on_at, COLDEST, "coldest point", "k-cold")
    there = {p for row in rows for p, c in row.values_c.items() if c is not None}
    metal = [p for p in eye.places if p in there and p != AMBIENT]
    lines = [
        line_of(place_points(rows, p), h.on_at, short_place(p), place_name(p), f"k-thin k-p{i % DASHES}")
        for i, p in enumerate(metal)
    ]
    if AMBIENT in there:
        air = place_points(rows, AMBIENT)
        lines.append(line_of(air, h.on_at, short_place(AMBIENT), place_name(AMBIENT), "k-thin k-air"))
    return _with_marks(coldest, h, h.on_at), *lines


# -- several


@dataclass(frozen=True, slots=True)
class _Laid:
    """A heat-up with its zero [UTC s] and its whole curve; shown: how its line is drawn, its label, itself
    in words."""

    heatup: HeatupKept
    zero_at: float
    points: Told
    shown: tuple[str, str, HeatupView]


def look_over(record: Reader, found: Sequence[HeatupKept], chosen: Chosen, eye: Eye) -> Look:
    """Several heat-ups, one over the other from a common zero."""
    whole = {h.heatup: _told(record, h, chosen, (h.on_at, h.last_at), eye) for h in found}
    shown = _shown(found, whole, eye)
    laid, missing = [], []
    for h, told in zip(found, shown, strict=True):
        zero_at = _zero_at(h, whole[h.heatup], chosen)
        if zero_at is None:
            missing.append(_missing(h, whole[h.heatup], chosen, eye))
        else:
            laid.append(_Laid(h, zero_at, whole[h.heatup], told))
    view = _over_view(laid, found[0], chosen, eye)
    lines = tuple(_over_line(record, one, chosen, view, eye) for one in laid)
    whose = "coldest point" if chosen.place == COLDEST else place_name(chosen.place)
    caption = f"{words.heat_ups(len(found)).capitalize()}, {whose}, from {view.zero} on."
    sentence = " ".join([caption, *(f"{row.day}: {row.came}." for _, _, row in shown)])
    live = any(h.is_open for h in found)
    return Look(lines, view, sentence, caption, live, tuple(missing), shown)


def _over_view(laid: Sequence[_Laid], first: HeatupKept, chosen: Chosen, eye: Eye) -> View:
    least_s = min((one.points[0][0] - one.zero_at for one in laid), default=0.0)
    most_s = max((one.points[-1][0] - one.zero_at for one in laid), default=3600.0)
    from_s, to_s = window(chosen, least_s, most_s)
    lead, zero_s = (laid[0].heatup, laid[0].zero_at - laid[0].heatup.on_at) if laid else (first, 0.0)
    zero = HEATER_ON if chosen.c is None else f"passing {words.temperature(chosen.c, eye.unit)}"
    at_s = _cursor_s(chosen, lead, zero_s, (from_s, to_s))
    return View(from_s, to_s, least_s, max(most_s, to_s), at_s, zero, eye.unit, lead.target_c, eye.zone)


def _over_line(record: Reader, one: _Laid, chosen: Chosen, view: View, eye: Eye) -> Line:
    """A line, read anew and finer where the window is narrower than all."""
    points = one.points
    if view.to_s - view.from_s < view.most_s - view.least_s:
        span = (one.zero_at + view.from_s, one.zero_at + view.to_s)
        points = _told(record, one.heatup, chosen, span, eye)
    cls, label, row = one.shown
    line = line_of(points, one.zero_at, label, row.day, cls)
    return _with_marks(line, one.heatup, one.zero_at) if chosen.place == COLDEST else line


def _told(record: Reader, h: HeatupKept, chosen: Chosen, span: tuple[float, float], eye: Eye) -> Told:
    return points_of(_rows(record, h, span, eye), chosen.place, eye.required)


def _zero_at(h: HeatupKept, points: Told, chosen: Chosen) -> float | None:
    """Where this heat-up has its zero [UTC s]; None where it has none and isn't drawn."""
    if not any(c is not None for _, c in points):
        return None
    return h.on_at if chosen.c is None else passes(points, chosen.c)


def _missing(h: HeatupKept, points: Told, chosen: Chosen, eye: Eye) -> str:
    day, first_c = words.heatup_day(h.on_at, eye.zone), _first_c(points)
    if chosen.c is None or first_c is None:
        return f"{day} isn't drawn: nothing was measured there."
    why = "it began warmer than" if first_c > chosen.c else "it doesn't reach"
    return f"{day} isn't drawn: {why} {words.temperature(chosen.c, eye.unit)}."


def _shown(
    found: Sequence[HeatupKept], whole: Mapping[int, Told], eye: Eye
) -> tuple[tuple[str, str, HeatupView], ...]:
    days = [words.short_day(h.on_at, eye.zone) for h in found]
    out = []
    for i, h in enumerate(found):
        label = (
            "now"
            if h.is_open and eye.fresh
            else days[i]
            if days.count(days[i]) == 1
            else f"{days[i]} ({h.heatup})"
        )
        view = present_heatup(h, eye.zone, eye.unit, _first_c(whole[h.heatup]), eye.fresh)
        out.append((f"k-{i + 1}", label, view))
    return tuple(out)


# -- parts


def _with_marks(line: Line, h: HeatupKept, zero_at: float) -> Line:
    above_s = None if h.above_at is None else h.above_at - zero_at
    return replace(line, above_s=above_s, off_s=None if h.off_at is None else h.off_at - zero_at)


def _first_c(points: Told) -> float | None:
    return next((c for _, c in points if c is not None), None)


def _cursor_s(chosen: Chosen, first: HeatupKept, zero_s: float, span: tuple[float, float]) -> float:
    """Where the cursor stands: as asked, else where the first heat-up got above target, else midway."""
    from_s, to_s = span
    at_s = chosen.at_s
    if at_s is None and first.above_at is not None:
        at_s = first.above_at - first.on_at - zero_s
    if at_s is None or not from_s <= at_s <= to_s:
        at_s = (from_s + to_s) / 2
    return round(at_s / 60) * 60.0 if from_s <= round(at_s / 60) * 60.0 <= to_s else at_s
