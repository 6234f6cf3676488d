"""Probes as such: how they answered, which belong to no place, which place one was given."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from probe_agent.words.parts import capital, fault_words, place_name


def strangers(addresses: Sequence[str]) -> str | None:
    """Word of probes that answer and belong to no place; None where there are none."""
    if not addresses:
        return None
    one = len(addresses) == 1
    return (
        f"{'A probe answers' if one else f'{len(addresses)} probes answer'} that no place has: "
        f"{', '.join(addresses)}. Nothing counts what {'it measures' if one else 'they measure'}. Is a probe "
        f"new, or of another aircraft? probe-agent bind gives {'it' if one else 'one'} a place."
    )


def bound(place: str, address: str, before: str | None) -> str:
    """Word that a place is measured by another probe from now on."""
    instead = "" if before is None else f" instead of {before}"
    return (
        f"{capital(place_name(place))} is measured by {address} from now on{instead}. Warm that probe in "
        "your hand and look whether this place rises."
    )


def answered(place: str, rows: int, faults: Iterable[tuple[str, int]]) -> str:
    """How often a place gave a value in so many readings, and what was wrong else, most frequent first."""
    wrong = [(fault, times) for fault, times in faults if times]
    good = rows - sum(times for _, times in wrong)
    said = "; ".join(f"{times} × {fault_words(fault)}" for fault, times in wrong)
    return f"{capital(place_name(place))}: {good} of {rows} readings." + (f" Else: {said}." if said else "")
