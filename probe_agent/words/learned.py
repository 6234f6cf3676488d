"""What earlier heat-ups taught, and how their forecasts were borne out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

from probe_agent.words.parts import count, heat_ups, of_sister, place_list, spelled


def borne_out(judged: int, within_min: float | None, inside: int) -> str | None:
    """How the forecasts of the last heat-ups were borne out halfway; None where none was judged.

    within_min: half of them were off by that or less [min], None where half said never; inside: how many
    had the truth in the range.
    """
    if judged == 0:
        return None
    of = "In the last heat-up" if judged == 1 else f"In the last {count(judged)} heat-ups"
    if judged == 1:
        off = "the forecast said never" if within_min is None else f"off by {math.ceil(within_min)} min"
        return f"{of}, halfway: {off}, the truth {'inside' if inside else 'outside'} the range."
    within = "off more than can be said" if within_min is None else f"within {math.ceil(within_min)} min"
    return f"{of}, halfway: {within} in half of them, {count(inside)} inside the range."


def relearning(progress: tuple[int, int] | None, nothing_known: bool) -> str:
    """Word of a memory that is being worked out again. progress: heat-ups done and to do."""
    how_far = f" ({progress[0]} of {progress[1]})" if progress else ""
    meanwhile = (
        "until then the range is as wide as for a first one" if nothing_known else "until then the old holds"
    )
    return f"What earlier heat-ups taught is being worked out again{how_far}; {meanwhile}."


def exclusion(heatup: int, excluded: bool, was: bool) -> str:
    """Answer to leaving a heat-up out, or taking it in again."""
    if excluded == was:
        return f"Heat-up {heatup} {'is left out already' if excluded else 'counts already'}."
    again = "What the heat-ups teach is worked out again with the next reading."
    return f"Heat-up {heatup} {'no longer counts' if excluded else 'counts again'}. {again}"


class Taught(Protocol):
    """What one heat-up taught."""

    @property
    def clean(self) -> bool: ...

    @property
    def censored(self) -> bool: ...

    @property
    def why(self) -> str: ...

    @property
    def changed(self) -> str: ...


def taught(lesson: Taught | None, excluded: bool) -> str:
    """What a heat-up taught, or why nothing: left out, not yet gone through, not clean."""
    if excluded:
        return "left out"
    if lesson is None:
        return "not yet"
    if not lesson.clean:
        return f"not learned from: {spelled(lesson.why)}" if lesson.why else "not learned from"
    text = "learned, up to where it was stopped" if lesson.censored else "learned"
    return f"{text}; {spelled(lesson.changed)}" if lesson.changed else text


# -- a sister's heat-ups


_KIND = {
    "layout": "the engine's layout",
    "cooling": "its cooling",
    "heater": "the heater",
    "cover": "the cover",
    "cowl_plugs": "the plugs in the inlets",
    "stands": "where it stands",
}


def sister_unlike(found: Sequence[tuple[str, object, object]]) -> str:
    """Why a sister can't be rested on: what, hers, here."""
    said = [f"{_KIND[key]} ({_plainly(hers)} there, {_plainly(here)} here)" for key, hers, here in found]
    return f"It is of another kind of setup, so it tells nothing of this one: {', '.join(said)}."


def _plainly(value: object) -> str:
    return {True: "yes", False: "no"}.get(value, str(value)) if isinstance(value, bool) else f"{value!s:.40}"


def sister_watts(hers: float, here: float) -> str:
    return (
        f"Her heater has {hers:.0f} W and the one here {here:.0f} W. That is too far apart to tell "
        "anything; at most a quarter more or less can be allowed for."
    )


def sister_places(hers: Sequence[str], here: Sequence[str]) -> str:
    return (
        f"Her probes sit at {place_list(hers[:12])}, those here at {place_list(here[:12])}. Three in four of "
        "the places have to be the same, and read near the heater or not alike."
    )


def sister_previewed(n: int, called: str, lacks: Sequence[str], own: int) -> str:
    """What resting on a sister would do."""
    if own:
        said = (
            f"What {heat_ups(own)} of this setup taught would be worked out anew upon {of_sister(n, called)}."
        )
    else:
        hers = f"{of_sister(n, called)}{',' if called else ''}"
        said = f"The range would rest on {hers} until this setup has heat-ups of its own."
    if lacks:
        said += f" Of {place_list(lacks)} she tells nothing."
    return said


def sister_taken(n: int, called: str) -> str:
    return (
        f"From now on the range rests on {of_sister(n, called)}, widened by what sisters differ. "
        "Heat-ups of its own count above that."
    )


SISTER_UNDONE = "Undone: nothing rests on a sister any more. What own heat-ups teach is worked out again."
NO_SISTER = "This setup rests on no sister."
