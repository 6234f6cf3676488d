"""How the probes of the places answered."""

from __future__ import annotations

from collections.abc import Iterable

from probe_agent.words.parts import capital, fault_words, place_name


def answered(place: str, rows: int, faults: Iterable[tuple[str, int]]) -> str:
    """How often a place gave a value in so many readings, and what was wrong else, most frequent first."""
    wrong = [(fault, times) for fault, times in faults if times]
    good = rows - sum(times for _, times in wrong)
    said = "; ".join(f"{times} × {fault_words(fault)}" for fault, times in wrong)
    return f"{capital(place_name(place))}: {good} of {rows} readings." + (f" Else: {said}." if said else "")
