"""How a bearing's clearance changes with cold: an aluminium case round a steel shaft. Indicative only."""

from __future__ import annotations

from dataclasses import dataclass

CAST_ALUMINIUM_PER_K = 21.5e-6
CRANK_STEEL_PER_K = 12.3e-6
"""Linear expansion of cast 356.0 and of 4340 at room temperature (Callister, Materials Science and
Engineering, Table B.6). An engine's own alloys may differ."""
BUILT_AT_C = 20.0
"""A clearance is meant at this temperature of both (from memory)."""
BEARING_MM = 60.0
"""Diameter of the bearing where nobody tells it (judgement: some size has to be taken)."""


@dataclass(frozen=True, slots=True)
class ClearanceChange:
    """Change of the diametral clearance [mm] against both at BUILT_AT_C, negative: closer; share of the
    clearance where one is known."""

    mm: float
    share: float | None


def clearance_change_mm(case_c: float, shaft_c: float, diameter_mm: float = BEARING_MM) -> float:
    """Change of the diametral clearance [mm] against both at BUILT_AT_C; negative: closer.

    The case's bore and the shaft are free to expand, each at one temperature; bearing shells, fits and the
    case's stiffness are left out.
    """
    case = CAST_ALUMINIUM_PER_K * (case_c - BUILT_AT_C)
    shaft = CRANK_STEEL_PER_K * (shaft_c - BUILT_AT_C)
    return diameter_mm * (case - shaft)


def clearance_change(
    case_c: float, shaft_c: float, diameter_mm: float = BEARING_MM, clearance_mm: float | None = None
) -> ClearanceChange:
    """The change, and what share of the clearance it is where the owner has told one [mm, > 0]."""
    mm = clearance_change_mm(case_c, shaft_c, diameter_mm)
    return ClearanceChange(mm, None if clearance_mm is None else mm / clearance_mm)
