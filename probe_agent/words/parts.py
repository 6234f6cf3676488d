"""Parts of sentences: places, temperatures, instants, counts, chances; what a letter is made of."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

from probe_agent.config import CYLINDER, OTHER
from probe_agent.readings import Fault
from probe_agent.status import Status, utc_seconds

Unit = Literal["C", "F"]
Clock = Literal["12", "24"]
_CLOCK: ContextVar[Clock] = ContextVar("clock", default="24")
_PLACES = {
    "sump": "sump",
    "oil-tank": "oil tank",
    "case-top": "crankcase top",
    "case-nose": "crankcase nose",
    "accessory-case": "accessory case",
    "oil-cooler": "oil cooler",
    "coolant": "coolant",
    "heater-outlet": "heater outlet",
    "ambient": "outside air",
    "battery": "battery",
    "cabin": "cabin",
    "cyl": "a cylinder far from the sump",
}
_FAULTS = {
    Fault.OPEN: "its thermocouple is open",
    Fault.SHORT_GND: "its thermocouple touches ground",
    Fault.SHORT_VDD: "its thermocouple touches the supply",
    Fault.MISSING: "nothing answers at its address",
    Fault.STALE: "its last value is too old",
    Fault.IMPLAUSIBLE: "its values can't be those of engine metal",
    Fault.CHECKSUM: "its answers arrive damaged",
    Fault.POWER_ON: "it shows its power-on value, not a temperature",
    Fault.WEAK_SUPPLY: "its supply is too weak to measure",
    Fault.LINE_LOW: "its data line is held low",
    Fault.UNCONFIRMED: "its value jumped, and waits for the next ones to agree",
    Fault.NO_ANSWER: "its bus does not answer in time",
}


def place_name(slug: str) -> str:
    """What a person calls a place: cyl-3 → cylinder 3."""
    if CYLINDER.match(slug):
        return f"cylinder {slug[4:]}"
    if OTHER.match(slug):
        return slug[6:].replace("-", " ")
    return _PLACES.get(slug, slug)


def place_short(slug: str) -> str:
    """A place's name where there is little room, as at the end of a line: cyl 3, case top, air."""
    name = {"ambient": "air"}.get(slug, place_name(slug))
    name = (
        name.replace("cylinder", "cyl").replace("crankcase", "case").replace("accessory case", "accessories")
    )
    return name if len(name) <= 11 else name[:10].rstrip() + "…"


def place_list(slugs: Iterable[str]) -> str:
    """Places in a row: cylinder 2, cylinder 3 and sump."""
    names = [place_name(s) for s in slugs]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1] if names else ""


def few(slugs: Sequence[str]) -> str:
    """Places in a row, short enough for a message: the first two and how many more."""
    if len(slugs) <= 3:
        return place_list(slugs)
    return f"{place_name(slugs[0])}, {place_name(slugs[1])} and {len(slugs) - 2} more"


def first_of(slugs: Sequence[str]) -> str:
    """The first place and how many more."""
    return place_name(slugs[0]) + (f" and {len(slugs) - 1} more" if len(slugs) > 1 else "")


def fault_words(status: str) -> str:
    """Why a place has no value, as a clause."""
    return _FAULTS.get(Fault(status), status) if status in set(Fault) else status


def in_unit(c: float, unit: Unit) -> float:
    """A temperature [°C] in the reader's unit."""
    return c * 1.8 + 32 if unit == "F" else c


def temperature(
    c: float | None, unit: Unit = "C", limits_c: Iterable[float] = (), spoken: bool = False
) -> str:
    """A temperature with its unit: whole degrees, tenths within 1 °C of a limit, never up across one.

    c [°C] or None ("unknown"); spoken writes "minus" as a word, for messages.
    """
    if c is None:
        return "unknown"
    limits = [limit for limit in limits_c if abs(c - limit) <= 1.0]
    digits = 1 if limits else 0
    shown = round(in_unit(c, unit), digits)
    for limit in limits:
        if c < limit and shown >= round(in_unit(limit, unit), digits):
            shown = round(shown - 0.1, 1)
    text = f"{abs(shown):.{digits}f} °{unit}"
    below_zero = shown < 0
    return (("minus " if spoken else "−") if below_zero else "") + text


def difference(k: float, unit: Unit = "C") -> str:
    """A temperature difference [K] in the reader's degrees, without the 32."""
    return f"{round(abs(k) * (1.8 if unit == 'F' else 1.0))}"


def show_clock(clock: Clock) -> None:
    """From here on this context's sentences tell the time by a clock of 12 or 24 hours. Only a page asks for
    12, for each request anew; messages are written with 24."""
    _CLOCK.set(clock)


def hour(local: datetime) -> str:
    """The time of day of a local instant: 08:40, or 8:40 am."""
    if _CLOCK.get() == "24":
        return f"{local:%H:%M}"
    return f"{local.hour % 12 or 12}:{local:%M} {'am' if local.hour < 12 else 'pm'}"


def moment(at: float, zone: str, now_at: float) -> str:
    """An instant [UTC s] on the field's clock: 08:40, Sat 08:40, or Sat 3 Jan 08:40; which of the two where
    the clocks are put back and it comes twice."""
    local = datetime.fromtimestamp(at, ZoneInfo(zone))
    today = datetime.fromtimestamp(now_at, ZoneInfo(zone))
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    clock = hour(local) + (f" (the {'second' if local.fold else 'first'})" if twice else "")
    if local.date() == today.date():
        return clock
    if abs((local.date() - today.date()).days) < 7:
        return f"{local:%a} {clock}"
    return f"{local:%a} {local.day} {local:%b} {clock}"


def stamp(at: float, zone: str) -> str:
    """An instant with its weekday, for the head of a message."""
    local = datetime.fromtimestamp(at, ZoneInfo(zone))
    return f"{local:%a} {hour(local)}"


def day(at: float, zone: str) -> str:
    """The date of an instant, where a year matters: 25 May 2027."""
    local = datetime.fromtimestamp(at, ZoneInfo(zone))
    return f"{local.day} {local:%b %Y}"


def role(name: str) -> str:
    """What a session's role lets a phone do, after its name."""
    return {
        "owner": "may act",
        "answers": "may answer alerts and enter readings by hand",
        "viewer": "may look, not act",
    }[name]


def tries(left: int) -> str:
    """How many tries of a code are left."""
    return "One try is" if left == 1 else f"{capital(count(left))} tries are"


def outward(low: float, mid: float, high: float | None) -> tuple[float, float, float | None]:
    """A range of instants [s] rounded outward: 1 min steps below 20 min of width, 5 to 90, 15 above."""
    width_min = ((high if high is not None else mid + (mid - low)) - low) / 60
    step = 60.0 * (1 if width_min < 20 else 5 if width_min <= 90 else 15)
    late = None if high is None else math.ceil(high / step) * step
    return math.floor(low / step) * step, round(mid / step) * step, late


def limits_of(status: Status) -> tuple[float, ...]:
    """The limits near which a temperature shows tenths."""
    return status.target_c, status.need_c


def now_of(status: Status) -> float:
    """The document's own instant [UTC s]."""
    return utc_seconds(status.now)


def span(s: float) -> str:
    """A span of time [s]: 45 min, 2 h 10 min, 3 days."""
    minutes = round(s / 60)
    if minutes >= 48 * 60:
        return f"{minutes // 1440} days"
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def heat_ups(n: int) -> str:
    """So many heat-ups: three heat-ups."""
    return "no heat-up" if n == 0 else f"{count(n)} heat-up{plural(n)}"


def of_sister(n: int, called: str) -> str:
    """So many heat-ups of a sister: a sister's six heat-ups, six heat-ups of Kestrel, a sister ship."""
    return f"{heat_ups(n)} of {called}, a sister ship" if called else f"a sister ship's {heat_ups(n)}"


def rests_on_sister(own: int, sister: int, called: str) -> str:
    """What a range rests on where a setup began from a sister's heat-ups."""
    if not own:
        hers = f"{of_sister(sister, called)}{',' if called else ''}"
        return f"The range rests on {hers} and none of its own: it is wide on purpose."
    return (
        f"The range rests on {heat_ups(own)} of this setup, and before them on {of_sister(sister, called)}."
    )


def spelled(text: str) -> str:
    """The same text with places as a person calls them: cyl-3 → cylinder 3."""
    return re.sub(r"\b[a-z]+(?:-[a-z0-9]+)+\b", lambda found: place_name(found[0]), text)


_COUNTS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def count(n: int) -> str:
    return _COUNTS[n] if 0 <= n < len(_COUNTS) else str(n)


def plural(n: int) -> str:
    return "" if n == 1 else "s"


def mornings(certainty: float) -> str:
    """A certainty in mornings: 9 mornings in 10."""
    twentieths = round(certainty * 20)
    return f"{twentieths} mornings in 20" if twentieths % 2 else f"{twentieths // 2} mornings in 10"


def chances(chance: float) -> str:
    """A chance as so many in ten: 4 in 10."""
    if chance < 0.05:
        return "fewer than 1 in 20"
    if chance > 0.95:
        return "more than 19 in 20"
    return f"{min(max(round(chance * 10), 1), 9)} in 10"


@dataclass(frozen=True, slots=True)
class About:
    """What a message knows besides the status: the place it is about, how often it was asked before, whom
    to call and how, and how it is answered.

    link: the line with the answer's link that ends the body, at its full length. code: a word to type at
    the board in a link's stead. next_at: when the next test comes [UTC s].
    """

    place: str | None = None
    asked: int = 0
    call: str = ""
    link: str = ""
    code: str = ""
    next_at: float | None = None


Part = tuple[int, str]
"""How soon a sentence goes when there is no room (1 stays, the highest goes first), and the sentence."""
Letter = tuple[tuple[str, ...], list[Part]]
"""Subjects from the fullest to the shortest, and the sentences of the body in their order."""
ELSE_COLD = "if none comes, count the engine as cold."


def aloud(text: str) -> str:
    return text.replace("−", "minus ")


def delay(minutes: float) -> str:
    """A delay, in steps of five minutes, rounded up: 25 min, 1 h 20 min."""
    steps = max(math.ceil(minutes / 5) * 5, 5)
    hours, rest = divmod(steps, 60)
    return f"{rest} min" if not hours else f"{hours} h {rest} min" if rest else f"{hours} h"


def value_of(status: Status, unit: Unit) -> str:
    return temperature(status.coldest_c, unit, limits_of(status), spoken=True)


def moment_of(status: Status, text: str) -> str:
    return moment(utc_seconds(text), status.zone, now_of(status))


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]
