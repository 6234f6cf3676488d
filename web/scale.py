"""One line of degrees: where the coldest point and the estimated core stand against the limits. Pure."""

from __future__ import annotations

from probe_agent import words
from probe_agent.status import Status
from probe_agent.words import Unit
from web.svg import element, text

WIDTH, ROW = 300.0, 15.0
LEFT, RIGHT = 4.0, 296.0
MARGIN_C = 3.0
LETTER = 7.3
"""Width of a letter of a label, of the widest usual font."""
LIMIT, TARGET, CORE = "preheat limit", "target", "core"


def draw_scale(status: Status, unit: Unit) -> str:
    """An <svg> with ticks at preheat limit and target, a solid mark for the coldest point, a broken line for
    the core's estimated range; "" where neither is known. Names stand whole inside the picture: where the
    two limits lie too near for one row, the limit's stands above."""
    known = [c for c in (status.coldest_c, *(status.core_c or ())) if c is not None]
    if not known:
        return ""
    low: float = min([*known, status.need_c]) - MARGIN_C
    high: float = max([*known, status.target_c]) + MARGIN_C

    def x(c: float) -> float:
        return round(LEFT + (c - low) / (high - low) * (RIGHT - LEFT))

    limit, target = _span(x(status.need_c), LIMIT), _span(x(status.target_c), TARGET)
    rows = 1 if limit[1] + LETTER <= target[0] or target[1] + LETTER <= limit[0] else 2
    base = 13 + ROW * rows
    parts = [element("path", d=f"M{LEFT:g} {base:g}H{RIGHT:g}", class_="s-base")]
    parts += _tick(x(status.need_c), limit, LIMIT, base, rows)
    parts += _tick(x(status.target_c), target, TARGET, base, 1)
    if status.core_c is not None:
        core_low, core_mid, core_high = (x(c) for c in status.core_c)
        parts += _core(core_low, core_mid, core_high, base + 11)
    if status.coldest_c is not None:
        cx = x(status.coldest_c)
        shape = f"M{cx - 7:g} {base - 12:g}h14l-7 12Z"
        parts.append(element("path", d=shape, class_="s-mark"))
    label = f"{words.coldest(status, unit)} {words.core(status, unit)}"
    return element(
        "svg",
        *parts,
        class_="scale",
        viewBox=f"0 0 {WIDTH:g} {base + 16:g}",
        role="img",
        aria_label=label,
    )


def _span(x: float, name: str) -> tuple[float, float]:
    """From where to where a name reaches, centered on its tick as far as the picture allows."""
    wide = LETTER * len(name)
    left = min(max(x - wide / 2, 0.0), WIDTH - wide)
    return left, left + wide


def _tick(x: float, span: tuple[float, float], name: str, base: float, row: int) -> list[str]:
    """A limit's tick, as high as its name stands, and the name."""
    top = base - 12 - ROW * (row - 1)
    return [
        element("path", d=f"M{x:g} {top:g}V{base + 4:g}", class_="s-tick"),
        text(round((span[0] + span[1]) / 2), top - 4, name, "s-label"),
    ]


def _core(low: float, mid: float, high: float, y: float) -> list[str]:
    left = low > LETTER * len(CORE) + 6
    x, anchor = (low - 4, "end") if left else (high + 4, "start")
    return [
        element("path", d=f"M{low:g} {y:g}H{high:g}", class_="s-core"),
        element("path", d=f"M{mid:g} {y - 4:g}v8", class_="s-tick"),
        text(x, y + 4, CORE, "s-core-name", anchor),
    ]
