"""Why warmth matters: clearance and oil now, with what the figures rest on."""

from __future__ import annotations

from probe_agent.status import WhyNow
from probe_agent.words.parts import Unit, temperature

CLEARANCE_SOURCE = (
    "Linear expansion of cast aluminum 356.0 (21.5) and of 4340 steel (12.3 millionths a kelvin): Callister, "
    "Materials Science and Engineering, Table B.6. Your engine's alloys, fits and shells may differ."
)
VISCOSITY_SOURCE = (
    "ASTM D341, from the two figures of your oil's data sheet. Below the pour point the equation does not "
    "hold, so nothing is said there."
)
NO_CLAIM = (
    "Indicative only. Two temperatures stand for a whole crankcase and shaft, and the shaft's is estimated. "
    "This page decides nothing and says nothing of whether an engine may be started: its manual does."
)
NOT_NOW = "Not known: nothing fresh is measured. Plug the harness in, or enter a round by hand."
BOTH = (
    "Aluminum shrinks more than steel. A case and a shaft that are both cold run closer than warm. A "
    "cold shaft in a warm case is not pinched, but it chills the oil film, and water settles on it."
)


def clearance(why: WhyNow, unit: Unit) -> list[str]:
    """How the bearing's clearance has changed, in sentences."""
    if why.case_c is None:
        return ["Not known: no place of the crankcase (top, nose, accessory case) is measured now."]
    if why.shaft_c is None or why.change_mm is None:
        return ["Not known: the shaft's temperature can't be estimated yet."]
    low, middle, high = why.change_mm
    case = temperature(why.case_c, unit)
    shaft = f"{temperature(why.shaft_c[0], unit)} to {temperature(why.shaft_c[2], unit)}"
    said = [
        f"Crankcase {case}, measured. Shaft {shaft}, estimated.",
        f"A bearing of {why.bearing_mm:g} mm: {_change(low, middle, high)}, "
        f"against both at {temperature(20.0, unit)}.",
    ]
    if why.clearance_mm is None:
        return [
            *said,
            "Enter the clearance of your manual (clearance_mm under [engine]) to see it as a share.",
        ]
    lost, won = -100 * low / why.clearance_mm, -100 * high / why.clearance_mm
    share = (
        f"{abs(won):.0f} to {abs(lost):.0f} %"
        if low * high > 0
        else f"{lost:.0f} % less to {-won:.0f} % more"
    )
    return [*said, f"Of a clearance of {why.clearance_mm:g} mm that is {share}."]


def oil(why: WhyNow, unit: Unit) -> list[str]:
    """How thick the oil is, in sentences."""
    if why.oil_40_mm2_s is None or why.pour_point_c is None:
        return [
            "Enter the three figures of your oil's data sheet: oil_40_mm2_s, oil_100_mm2_s and "
            "oil_pour_point_c under [engine]."
        ]
    if why.oil_c is None:
        return ["Not known: the oil's temperature isn't measured now."]
    at = temperature(why.oil_c, unit)
    if why.oil_mm2_s is None:
        pour = temperature(why.pour_point_c, unit)
        return [f"Oil {at}: unknown. That is below its pour point ({pour}), where it may not flow at all."]
    times = why.oil_mm2_s / why.oil_40_mm2_s
    thick = f", {times:.0f} times as thick as at {temperature(40.0, unit)}" if times >= 1.5 else ""
    return [f"Oil {at}: about {why.oil_mm2_s:.0f} mm²/s{thick}."]


def _change(low: float, middle: float, high: float) -> str:
    """0.0138 mm less with its range as: about 14 µm closer (12 to 16)."""
    if low < 0 < high:
        return f"between {abs(1000 * low):.0f} µm closer and {1000 * high:.0f} µm wider"
    ends = sorted((abs(1000 * low), abs(1000 * high)))
    way = "closer" if middle < 0 else "wider"
    return f"about {abs(1000 * middle):.0f} µm {way} ({ends[0]:.0f} to {ends[1]:.0f})"
