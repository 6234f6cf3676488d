"""The engine from above as SVG, each place where it usually sits. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import ceil, cos, pi, sin

from probe_agent.config import CYLINDER
from web.present import ProbeView
from web.svg import element, path_of, text

CELL_W, CELL_H = 96.0, 58.0
COLUMNS = (1.0, 102.0, 203.0)
WIDTH = 300.0
STEP = CELL_H + 8
TOP = 34.0
RADIAL_LEAST = 104.0
LEAST_CYLINDERS = {"opposed-4": 4, "opposed-6": 6, "in-line": 4, "v": 6, "radial": 5}
AROUND = ("ambient", "heater-outlet", "oil-cooler", "oil-tank", "coolant", "battery", "cabin")
NAME_LETTERS = 15


@dataclass(frozen=True, slots=True)
class Plan:
    """Where the places of a layout sit (upper left corners), what is drawn behind, how tall it is."""

    seats: Mapping[str, tuple[float, float]]
    behind: tuple[str, ...]
    height: float
    width: float = WIDTH


def draw_engine(layout: str, probes: Sequence[ProbeView]) -> str:
    """An <svg> with each probe at its place; places without a seat of their own stand in rows below.

    The element carries the same facts as its label; a place without a value is drawn broken and says so.
    """
    plan = plan_of(layout, [p.place for p in probes])
    below = [p for p in probes if p.place not in plan.seats]
    top = plan.height + (24 if below else 0)
    seats = dict(plan.seats) | {
        p.place: ((plan.width - WIDTH) / 2 + COLUMNS[i % 3], top + STEP * (i // 3))
        for i, p in enumerate(below)
    }
    height = top + STEP * ceil(len(below) / 3)
    parts = list(plan.behind)
    measured = {p.place for p in probes}
    parts += [_empty_seat(s, *plan.seats[s]) for s in plan.seats if s not in measured and CYLINDER.match(s)]
    if below:
        parts.append(text((plan.width - WIDTH) / 2 + 2, plan.height + 16, "Beside the engine", "d-head"))
    parts += [_cell(p, *seats[p.place]) for p in probes]
    label = "Engine. " + "; ".join(f"{p.name}: {p.phrase}" for p in probes) + "."
    return element(
        "svg", *parts, class_="engine", viewBox=f"0 0 {plan.width:g} {height:g}", role="img", aria_label=label
    )


def plan_of(layout: str, places: Sequence[str]) -> Plan:
    """The seats of a layout; `places` may name more cylinders than the layout has by itself."""
    numbers = [int(p[4:]) for p in places if CYLINDER.match(p)]
    count = max([LEAST_CYLINDERS.get(layout, 0), *numbers]) if layout in LEAST_CYLINDERS else 0
    if layout in ("opposed-4", "opposed-6", "v"):
        return _plan_two_banks(count)
    if layout == "in-line":
        return _plan_in_line(count)
    if layout == "radial":
        return _plan_radial(count)
    return Plan({}, (), 0.0)


def _plan_two_banks(count: int) -> Plan:
    """Cylinders left and right of the case, front at the top, odd numbers on the right."""
    rows = ceil(count / 2)
    middle = max(rows, 3)
    shift = (middle - rows) * STEP / 2
    seats = {
        f"cyl-{n}": (COLUMNS[2 if n % 2 else 0], TOP + shift + STEP * ((n - 1) // 2))
        for n in range(1, count + 1)
    }
    seats |= _middle_seats(middle)
    links = [
        element("path", d=path_of([(96, y + CELL_H / 2), (204, y + CELL_H / 2)]), class_="d-barrel")
        for y in sorted({y for s, (_, y) in seats.items() if s.startswith("cyl")})
    ]
    case = _case(COLUMNS[1] - 3, TOP - 5, CELL_W + 6, STEP * middle + 2)
    return Plan(seats, (_propeller(150), *links, case), TOP + STEP * (middle + 1))


def _middle_seats(rows: int) -> dict[str, tuple[float, float]]:
    x = COLUMNS[1]
    return {
        "case-nose": (x, TOP),
        "case-top": (x, TOP + STEP),
        "accessory-case": (x, TOP + STEP * (rows - 1)),
        "sump": (x, TOP + STEP * rows),
    }


def _plan_in_line(count: int) -> Plan:
    """Cylinders in the middle one behind the other, the case's places beside them."""
    seats = {f"cyl-{n}": (COLUMNS[1], TOP + STEP * (n - 1)) for n in range(1, count + 1)}
    seats |= {
        "case-nose": (COLUMNS[0], TOP),
        "case-top": (COLUMNS[0], TOP + STEP),
        "sump": (COLUMNS[2], TOP + STEP),
        "accessory-case": (COLUMNS[0], TOP + STEP * (count - 1)),
    }
    case = _case(COLUMNS[1] - 3, TOP - 5, CELL_W + 6, STEP * count + 2)
    return Plan(seats, (_propeller(150), case), TOP + STEP * count)


def _plan_radial(count: int) -> Plan:
    """Cylinders around the case, number one at the top; beyond nine in two rings."""
    radius = RADIAL_LEAST
    while _overlapping(centers := _radial_centers(count, radius)):
        radius += 4
    half_w, half_h = radius + CELL_W / 2 + 2, radius + CELL_H / 2 + 2
    seats = {place: (half_w + x - CELL_W / 2, half_h + y - CELL_H / 2) for place, (x, y) in centers.items()}
    ring = element("circle", cx=half_w, cy=half_h, r=radius - 8, class_="d-ring")
    return Plan(seats, (ring,), 2 * half_h + 8, max(WIDTH, 2 * half_w))


def _radial_centers(count: int, radius: float) -> dict[str, tuple[float, float]]:
    """Middles of the places around (0, 0), seen from the front, clockwise."""
    centers = {"case-nose": (0.0, 0.0)}
    for n in range(1, count + 1):
        angle = 2 * pi * (n - 1) / count
        reach = radius if count <= 9 or n % 2 else radius - CELL_H - 24
        centers[f"cyl-{n}"] = (reach * sin(angle), -reach * cos(angle))
    return centers


def _overlapping(centers: Mapping[str, tuple[float, float]]) -> bool:
    return any(
        abs(x - u) < CELL_W and abs(y - v) < CELL_H for (x, y), (u, v) in combinations(centers.values(), 2)
    )


def _propeller(x: float) -> str:
    blades = element("path", d=f"M{x - 70} 12H{x + 70}", class_="d-blade")
    spinner = element("path", d=f"M{x - 15} 28Q{x} -12 {x + 15} 28Z", class_="d-spinner")
    return blades + spinner + text(x + 78, 16, "front", "d-head")


def _case(x: float, y: float, width: float, height: float) -> str:
    return element("rect", x=x, y=y, width=width, height=height, rx=14, class_="d-case")


def _cell(p: ProbeView, x: float, y: float) -> str:
    kind = "d-cell" + (" d-coldest" if p.coldest else "") + (" d-missing" if p.value is None else "")
    middle = x + CELL_W / 2
    parts = [element("rect", x=x, y=y, width=CELL_W, height=CELL_H, rx=7, class_=kind)]
    if p.value is None:
        parts.append(element("path", d=f"M{x + 8:g} {y + CELL_H - 6:g}H{x + CELL_W - 8:g}", class_="d-void"))
    parts.append(text(middle, y + 16, _cut(p.name), "d-name", "middle"))
    parts.append(text(middle, y + 37, p.value or "no value", "d-value" if p.value else "d-novalue", "middle"))
    parts.append(text(middle, y + 52, p.mark, "d-mark", "middle"))
    return element("g", *parts, class_="d-on" if p.coldest else None)


def _empty_seat(place: str, x: float, y: float) -> str:
    rect = element("rect", x=x, y=y, width=CELL_W, height=CELL_H, rx=7, class_="d-cell d-empty")
    name = text(x + CELL_W / 2, y + 26, f"cylinder {place[4:]}", "d-name", "middle")
    return rect + name + text(x + CELL_W / 2, y + 43, "no probe", "d-mark", "middle")


def _cut(name: str) -> str:
    return name if len(name) <= NAME_LETTERS else name[: NAME_LETTERS - 1].rstrip() + "…"
