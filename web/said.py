"""What a heat-up's forecasts said, beside what came: one row each, as SVG and as a table. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from markupsafe import Markup

from probe_agent import words
from probe_agent.store import Announced, HeatupKept
from web.chart import time_ticks
from web.svg import element, path_of, text

WIDTH = 300.0
LEFT, RIGHT, TOP, STEP = 40.0, 292.0, 18.0, 15.0
MOST_DRAWN = 12

_Scale = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class SaidView:
    """svg: None where nothing was announced; sentence: what it shows; rows: said at, most likely, range,
    by how much it was off."""

    svg: Markup | None
    sentence: str
    rows: tuple[tuple[str, str, str, str], ...] = ()


def present_said(heatup: HeatupKept, announced: Sequence[Announced], zone: str) -> SaidView:
    """The announced forecasts of a heat-up against the instant it got above target."""
    if not announced:
        return SaidView(None, "No time was announced in this heat-up.")
    sentence = _sentence(heatup, announced, zone)
    rows = tuple(_row(f, heatup.above_at, zone, heatup.on_at) for f in announced)
    return SaidView(Markup(_draw(heatup, _drawn(announced), zone, sentence)), sentence, rows)


def _drawn(announced: Sequence[Announced]) -> list[Announced]:
    """So many of them that the picture stays readable, the first and the last among them."""
    if len(announced) <= MOST_DRAWN:
        return list(announced)
    last = len(announced) - 1
    return [announced[round(i * last / (MOST_DRAWN - 1))] for i in range(MOST_DRAWN)]


def _sentence(heatup: HeatupKept, announced: Sequence[Announced], zone: str) -> str:
    if heatup.above_at is None:
        return f"Announced {_times(len(announced))}; it has not got above target."
    on_at, above_at = heatup.on_at, heatup.above_at
    halfway = [f for f in announced if f.at <= (on_at + above_at) / 2]
    told = f"Above target at {words.moment(above_at, zone, on_at)}."
    if not halfway:
        return told
    f = halfway[-1]
    when = words.moment(f.at, zone, on_at)
    if f.p50_at is None:
        return f"{told} Halfway, at {when}, no time was said."
    _, middle, _ = _range(f)
    error = words.off_by(f.p50_at - above_at)
    return f"{told} Halfway the word of {when} held, about {words.moment(middle, zone, on_at)}: {error}."


def _times(n: int) -> str:
    return "once" if n == 1 else f"{n} times"


def _range(f: Announced) -> tuple[float, float, float | None]:
    """Early, middle, late as they were shown."""
    assert f.p50_at is not None
    early = f.p10_at if f.p10_at is not None else f.p50_at
    return words.said_range(early, f.p50_at, f.p90_at)


def _row(f: Announced, truth_at: float | None, zone: str, on_at: float) -> tuple[str, str, str, str]:
    said = words.moment(f.at, zone, on_at)
    if f.p50_at is None:
        return said, "no time", "", ""
    early, middle, late = _range(f)
    told = "open" if late is None else words.moment(late, zone, on_at)
    off = "" if truth_at is None else words.off_by(f.p50_at - truth_at)
    between = f"{words.moment(early, zone, on_at)} to {told}"
    return said, f"about {words.moment(middle, zone, on_at)}", between, off


def _draw(heatup: HeatupKept, announced: Sequence[Announced], zone: str, sentence: str) -> str:
    ends = [heatup.last_at if heatup.above_at is None else heatup.above_at]
    ends += [f.p90_at or f.p50_at or f.at for f in announced]
    from_at = heatup.on_at
    to_at = min(max(ends), from_at + 2 * (ends[0] - from_at) + 1800) + 600
    height = TOP + STEP * len(announced) + 22

    def x(at: float) -> float:
        return LEFT + min(max((at - from_at) / (to_at - from_at), 0.0), 1.0) * (RIGHT - LEFT)

    parts = [*_clock(from_at, to_at, zone, height, x), *_truth(heatup.above_at, height, x)]
    for i, f in enumerate(announced):
        parts += _bar(f, TOP + STEP * (i + 0.6), x, zone)
    return element(
        "svg", *parts, class_="k-said", viewBox=f"0 0 {WIDTH:g} {height:g}", role="img", aria_label=sentence
    )


def _clock(from_at: float, to_at: float, zone: str, height: float, x: _Scale) -> Iterator[str]:
    yield text(2, 11, "said at", "k-tick")
    for at in time_ticks(from_at, to_at, ZoneInfo(zone)):
        yield element("path", d=path_of([(x(at), TOP - 2), (x(at), height - 18)]), class_="c-grid")
        told = f"{datetime.fromtimestamp(at, ZoneInfo(zone)):%H:%M}"
        if LEFT - 2 < x(at) < RIGHT - 8:
            yield text(x(at), height - 5, told, "k-tick", "middle")


def _truth(above_at: float | None, height: float, x: _Scale) -> Iterator[str]:
    if above_at is None:
        return
    yield element("path", d=path_of([(x(above_at), TOP - 4), (x(above_at), height - 18)]), class_="k-truth")
    yield text(x(above_at), TOP - 7, "above target", "k-label", "end" if x(above_at) > 220 else "middle")


def _bar(f: Announced, y: float, x: _Scale, zone: str) -> Iterator[str]:
    """A dot where it was said, a bar from early to late with a tick at the middle; an open end stays open."""
    yield text(2, y + 4, f"{datetime.fromtimestamp(f.at, ZoneInfo(zone)):%H:%M}", "k-tick")
    yield element("circle", cx=x(f.at), cy=y, r=2, class_="k-dot")
    if f.p50_at is None:
        yield text(x(f.at) + 6, y + 4, "no time said", "k-tick")
        return
    early, late = x(f.p10_at or f.p50_at), RIGHT if f.p90_at is None else x(f.p90_at)
    yield element("path", d=path_of([(early, y), (late, y)]), class_="k-range")
    yield element("path", d=path_of([(x(f.p50_at), y - 5), (x(f.p50_at), y + 5)]), class_="k-middle")
