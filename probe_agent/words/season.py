"""What the engine's record says: heat and its cost, moisture, flights, the sentence for a parked engine."""

from __future__ import annotations

from probe_agent.status import MoistureNow
from probe_agent.words.parts import Unit, difference, span

DEGREES = {
    "none": "hardly any",
    "slight": "slight",
    "clear": "clear",
    "strong": "strong",
    "unknown": "not known",
}
CAUSES = {
    "heat-up": "heating",
    "run": "engine runs",
    "damp-air": "warm damp air on cold metal",
    "rest": "standing",
}
INDICATOR = (
    "An indicator, not a measurement: nobody measures the vapor, how wet the oil is, or the core, which is "
    "estimated. hPa·h is by how much the oil's vapor exceeds what the coldest inner metal holds, times "
    "hours. It compares mornings of one engine; it says nothing of rust."
)
PARKED = (
    "Not flying for a while? Leave it alone: no heat, no ground runs, no turning of the propeller by hand. "
    "Heating or running without a flight adds water that only hot oil in flight clears. If the engine's "
    "manual has steps for storage, or for turning before a start, it comes first. (Common practice, no "
    "source.)"
)
NOTHING_RECORDED = (
    "Nothing is in the record yet. Plug the harness in: the first hours measured begin it, and each heat-up "
    "becomes a row."
)
CLEARED = "cleared by a flight with hot oil"


def working_out_moisture(progress: float | None) -> str | None:
    """Word of moisture that is being worked out from stored readings; None where it isn't. progress: 0…1."""
    if progress is None:
        return None
    return (
        f"The moisture record of earlier readings is being worked out ({100 * progress:.0f} %); until "
        f"then the record shows less than there was."
    )


def degree(name: str) -> str:
    """How strongly water settled, in a word or two."""
    return DEGREES.get(name, name)


def energy(kwh: float | None, rests_on: str, untold_s: float = 0.0) -> str:
    """Heat spent and what that rests on."""
    if kwh is None:
        return "not known: nobody measured the power and the heater's state wasn't told"
    said = f"{kwh:.1f} kWh" + {
        "plate": " by the heater's watts",
        "both": " partly by the heater's watts",
    }.get(rests_on, "")
    return said + (f", {span(untold_s)} not known" if untold_s >= 300 else "")


def cost(amount: float | None, currency: str) -> str:
    """A cost in the owner's currency; "" where there is none."""
    return "" if amount is None else f"{amount:.2f}\u00a0{currency}"


def kept_share(kept: tuple[float, float, float] | None) -> str:
    """How much of the heat spent was in the engine at heater-off."""
    if kept is None:
        return ""
    low, high = (round(100 * min(1.0, max(0.0, share))) for share in (kept[0], kept[2]))
    return f"{low} to {high} %"


def days_since(days: int | None) -> str:
    """Since when no flight has cleared it."""
    if days is None:
        return "No flight with hot oil is in the record."
    if days == 0:
        return "Last flight with hot oil: less than a day ago."
    return f"Last flight with hot oil: {days} day{'' if days == 1 else 's'} ago."


def exposure_sum(middle: float, low: float, high: float, wet_s: float) -> str:
    """Exposure of many spells, which no word fits."""
    if high < 0.5:
        return "hardly any"
    return f"{middle:.0f} hPa·h ({low:.0f} to {high:.0f}), {hours(wet_s)}"


def exposure_short(degree_name: str, middle: float) -> str:
    """Exposure for a narrow column."""
    return degree(degree_name) + ("" if degree_name in ("none", "unknown") else f", {middle:.0f} hPa·h")


def hours(s: float) -> str:
    """A sum of time [s]: 45 min, 2 h 10 min, 130 h."""
    return f"{s / 3600:.0f} h" if s >= 36_000 else span(s)


def moisture_now(now: MoistureNow | None, unit: Unit) -> str:
    """Whether the oil's water settles at this moment."""
    if now is None:
        return "Now: not known, for the oil isn't measured or the core can't be estimated."
    if now.under_k <= 0:
        perhaps = " It may on the coldest of what the core may be." if now.hpa[2] > 0 else ""
        return f"Now: no water settles by the estimate.{perhaps}"
    low, middle, high = now.hpa
    degrees = f"{difference(now.under_k, unit)} °{unit}"
    return (
        f"Now: water settles. The coldest inner metal lies about {degrees} under the frost or dew point of "
        f"the vapor from the oil, an excess of {middle:.1f} hPa ({low:.1f} to {high:.1f})."
    )
