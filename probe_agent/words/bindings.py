"""Which probe sits where: what a change is, what it means, and what became of it, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from probe_agent.words.parts import capital, place_list, place_name

HELD_ON = "Raw readings stay with the places they were taken at; the change holds from now on."
STARTS_ANEW = "A place with another probe is forecast by what that one reads, so the range is wider at first."
HEATUP_LEFT_OUT = "The heat-up at hand is left out of what is learned, for a probe was moved during it."
NOT_WHILE_ON = "Switch the heater off first: while our plug heats, no probe is moved."

ROUND_BEGUN = "Begun. Touch no probe for four looks, a minute or so, then look again."
ROUND_ENDED = "No probe is looked for any more. Every probe sits where it did."


class MovedTold(Protocol):
    """One probe that moves; None: nowhere."""

    @property
    def address(self) -> str: ...

    @property
    def before(self) -> str | None: ...

    @property
    def after(self) -> str | None: ...


def probe_moves(moved: MovedTold) -> str:
    """One probe's move: 3b-… from cylinder 3 to cylinder 4."""
    return f"{moved.address}: at {probe_stands(moved.before)}, from now on at {probe_stands(moved.after)}"


def probe_moved(moved: MovedTold) -> str:
    """The same of the past."""
    return f"{moved.address} from {probe_stands(moved.before)} to {probe_stands(moved.after)}"


def probes_moved(moved: Sequence[MovedTold]) -> str:
    """What was done."""
    there = place_list(m.after for m in moved if m.after is not None)
    aside = ", ".join(m.address for m in moved if m.after is None)
    told = (("Another probe from now on", there), ("At no place", aside))
    return " ".join(f"{what}: {which}." for what, which in told if which)


def left_without(places: Iterable[str], required: Iterable[str]) -> str:
    """What it means that places have no probe any more; "" where all have one."""
    bare, needed = list(places), set(required)
    if not bare:
        return ""
    waits = [p for p in bare if p in needed]
    text = f"{capital(place_list(bare))}: no probe any more."
    if waits:
        text += " Readiness waits for it, so nothing is called above target until it is measured again."
    return text


def round_stage(stage: str, named: Sequence[str], look_every_s: float) -> str:
    """How a round of warming one probe by hand stands, and what to do. named: the probes it is about."""
    return {
        "resting": f"At rest: touch no probe. That takes four looks, one every {look_every_s:.0f} s.",
        "waiting": "Warm one probe now, that one alone, and keep hold of it. Then look again.",
        "found": f"{' and '.join(named)} rises. Where does it sit?",
        "several": f"{' and '.join(named)} rise together, so neither is named. Let go of both, keep them "
        "apart, wait until they have cooled, begin again and hold one alone.",
        "none": "None has risen. Hold it longer, or put it into warm water, and begin again. One that isn't "
        "listed doesn't answer.",
    }.get(stage, "")


def bound_twice(place: str) -> str:
    """Refusal of two probes at one place."""
    return f"Two probes at {place_name(place)}. Choose another place for one of them, or none."


def probe_stands(place: str | None) -> str:
    """Where a probe of the history sits."""
    return "no place" if place is None else place_name(place)
