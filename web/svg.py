"""SVG as text: elements with escaped attributes and no styles of their own, so a strict policy holds."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from itertools import pairwise
from math import copysign, inf

Point = tuple[float, float]
SLACK = 0.5
"""How far a left-out point may lie from the line drawn [units of the picture]."""


def element(tag: str, *children: str, **attributes: object) -> str:
    """One element; children are markup already (see `text`), attributes are escaped. `_` at the end of a
    name is dropped, inside it becomes a hyphen; None leaves the attribute out."""
    told = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{escape(_short(value))}"'
        for name, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{told}>{''.join(children)}</{tag}>" if children else f"<{tag}{told}/>"


def text(x: float, y: float, words: str, cls: str = "", anchor: str | None = None) -> str:
    """Words at a point; anchor: start (default), middle, end."""
    return element("text", escape(words), x=x, y=y, class_=cls or None, text_anchor=anchor)


def path_of(points: Sequence[Point]) -> str:
    """The path data of a polyline, absolute, one digit after the point."""
    return "M" + "L".join(f"{_short(x)} {_short(y)}" for x, y in points)


def steps_of(points: Sequence[Point]) -> str:
    """The path data of a long polyline, in whole tenths from point to point: shorter, and nothing adds up."""
    tenths = [(round(10 * x), round(10 * y)) for x, y in points]
    steps = (f"{_tenths(u - x)} {_tenths(v - y)}" for (x, y), (u, v) in pairwise(tenths))
    return f"M{_tenths(tenths[0][0])} {_tenths(tenths[0][1])}l{' '.join(steps)}".replace(" -", "-")


def _tenths(n: int) -> str:
    """n tenths as a number, as short as it goes: -3 is -.3."""
    text = f"{n / 10:g}"
    return text.replace("0.", ".", 1) if abs(n) < 10 and n else text


def slim(points: Sequence[Point], tolerance: float = SLACK) -> list[Point]:
    """Fewer points of a line whose x rises, ends kept, each left-out one within the tolerance of the line.

    One pass with a cone of slopes from the last kept point (the swing filter; Elmeleegy and others,
    Online piece-wise linear approximation of numerical streams, VLDB 2009).
    """
    if len(points) < 3:
        return list(points)
    kept = [points[0]]
    low, high = -inf, inf
    for before, point in pairwise(points[1:]):
        low, high = _narrowed(low, high, kept[-1], before, tolerance)
        slope = _slope(kept[-1], point)
        if not low <= slope <= high:
            kept.append(before)
            low, high = -inf, inf
    return [*kept, points[-1]]


def _narrowed(low: float, high: float, start: Point, point: Point, tolerance: float) -> tuple[float, float]:
    """The slopes from `start` that pass the point within the tolerance as well."""
    x, y = point
    return (
        max(low, _slope(start, (x, y - tolerance))),
        min(high, _slope(start, (x, y + tolerance))),
    )


def _slope(start: Point, end: Point) -> float:
    """Rise over run; straight up or down where both stand on one x."""
    run, rise = end[0] - start[0], end[1] - start[1]
    return rise / run if run > 0 else copysign(inf, rise) if rise else 0.0


def _short(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.1f}".rstrip("0").rstrip(".")
    return str(value)
