"""One line of degrees: where the coldest point and the estimated core stand against the limits. Pure."""

from __future__ import annotations

from probe_agent import words
from probe_agent.status import Status
from probe_agent.words import Unit
from web.svg import element, path_of, text

WIDTH, HEIGHT = 300.0, 44.0
LEFT, RIGHT, BASE = 4.0, 296.0, 28.0
MARGIN_C = 3.0


def draw_scale(status: Status, unit: Unit) -> str:
    """An <svg> with ticks at need-limit and target, a solid mark for the coldest point, a broken line for
    the core's estimated range; "" where neither is known."""
    known = [c for c in (status.coldest_c, *(status.core_c or ())) if c is not None]
    if not known:
        return ""
    low: float = min([*known, status.need_c]) - MARGIN_C
    high: float = max([*known, status.target_c]) + MARGIN_C

    def x(c: float) -> float:
        return LEFT + (c - low) / (high - low) * (RIGHT - LEFT)

    parts = [element("path", d=path_of([(LEFT, BASE), (RIGHT, BASE)]), class_="s-base")]
    ends = sorted((x(status.need_c), x(status.target_c)))
    apart = ends[1] - ends[0] > 92
    for c, name in ((status.need_c, "need-limit"), (status.target_c, "target")):
        parts.append(element("path", d=path_of([(x(c), BASE - 12), (x(c), BASE + 4)]), class_="s-tick"))
        side = "start" if name == "target" and not apart else "end" if not apart else _anchor(x(c))
        shift = 0 if apart else 3 if side == "start" else -3
        if side != "end" or x(c) > 70:  # else there is no room for its name
            parts.append(text(x(c) + shift, BASE - 16, name, "s-label", side))
    if status.core_c is not None:
        core_low, core_mid, core_high = (x(c) for c in status.core_c)
        y = BASE + 11
        parts.append(element("path", d=path_of([(core_low, y), (core_high, y)]), class_="s-core"))
        parts.append(element("path", d=path_of([(core_mid, y - 4), (core_mid, y + 4)]), class_="s-tick"))
        left = core_low > 60
        parts.append(
            text(
                core_low - 4 if left else core_high + 4, y + 4, "core", "s-label", "end" if left else "start"
            )
        )
    if status.coldest_c is not None:
        cx = x(status.coldest_c)
        parts.append(
            element(
                "path", d=f"M{cx - 7:.1f} {BASE - 12:.1f}H{cx + 7:.1f}L{cx:.1f} {BASE:.1f}Z", class_="s-mark"
            )
        )
    label = f"{words.coldest(status, unit)} {words.core(status, unit)}"
    return element(
        "svg", *parts, class_="scale", viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img", aria_label=label
    )


def _anchor(x: float) -> str:
    return "start" if x < 60 else "end" if x > WIDTH - 60 else "middle"
