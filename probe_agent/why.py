"""Why warmth matters, in figures of this engine now: clearance and oil. Pure; indicative only."""

from __future__ import annotations

import statistics
from collections.abc import Iterable

from probe_agent.config import Engine
from probe_agent.readings import Point
from probe_agent.status import WhyNow
from probe_agent.thermal.clearance import clearance_change
from probe_agent.thermal.moisture import OIL_PLACES, Three
from probe_agent.thermal.viscosity import Oil, viscosity_mm2_s

CASE_PLACES = ("case-top", "case-nose", "accessory-case")


def why_now(points: Iterable[Point], core_c: Three | None, engine: Engine) -> WhyNow:
    """What follows from the temperatures of this tick; None for whatever one is missing for."""
    values = {p.place: p.counted_c for p in points if p.counted_c is not None}
    case = [values[p] for p in CASE_PLACES if p in values]
    case_c = statistics.fmean(case) if case else None
    oil_c = next((values[p] for p in OIL_PLACES if p in values), None)
    change = None
    if case_c is not None and core_c is not None:
        changes = sorted(_change_mm(case_c, shaft_c, engine) for shaft_c in core_c)
        change = (changes[0], _change_mm(case_c, core_c[1], engine), changes[2])
    return WhyNow(
        bearing_mm=engine.bearing_mm,
        case_c=_rounded(case_c, 1),
        shaft_c=None if core_c is None else (round(core_c[0], 1), round(core_c[1], 1), round(core_c[2], 1)),
        change_mm=None if change is None else (round(change[0], 4), round(change[1], 4), round(change[2], 4)),
        clearance_mm=engine.clearance_mm,
        oil_c=_rounded(oil_c, 1),
        oil_mm2_s=None if oil_c is None else _viscosity(oil_c, engine),
        oil_40_mm2_s=engine.oil_40_mm2_s,
        pour_point_c=engine.oil_pour_point_c,
    )


def _change_mm(case_c: float, shaft_c: float, engine: Engine) -> float:
    return clearance_change(case_c, shaft_c, engine.bearing_mm).mm


def _viscosity(oil_c: float, engine: Engine) -> float | None:
    """Two figures of it are all that a data sheet gives so far from its own."""
    at_40, at_100, pour_c = engine.oil_40_mm2_s, engine.oil_100_mm2_s, engine.oil_pour_point_c
    if at_40 is None or at_100 is None or pour_c is None:
        return None
    found = viscosity_mm2_s(Oil(at_40, at_100, pour_c), oil_c)
    return None if found is None else float(f"{found:.2g}")


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
