"""Readings a person took: entered by command, kept in the record, standing in for twenty minutes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from probe_agent import store, words
from probe_agent.learning import HAND_VALID_S
from probe_agent.probes.hand import HandEntries
from probe_agent.readings import Method, Reading, Scan
from probe_agent.store import Batch, Store

UNDO_S = 24 * 3600.0
_BOUNDS_C = (-60.0, 200.0)
_OLDEST_S = 3600.0

Answer = tuple[bool, str]
"""Whether a command was carried out, and what is said about it."""


class ByHand:
    """The readings by hand of this run and those of an earlier one that still count."""

    def __init__(self, record: Store, places: Iterable[str]) -> None:
        self._record = record
        self._entries = HandEntries(HAND_VALID_S, places)
        self._numbers: dict[int, int] = {}  # number in the store → entry of this run
        self._new: list[Reading] = []

    def enter_again(self, now_at: float, offset_s: float) -> None:
        """Readings by hand that still count go on counting after a restart."""
        for number, place, at, value_c, method in self._record.hand_readings(now_at - HAND_VALID_S):
            if place in self._entries.addresses:
                self._numbers[number] = self._entries.enter(place, at - offset_s, value_c, Method(method))

    def read(self, t_s: float) -> Scan:
        """What stands in at t_s."""
        return self._entries.read(t_s)

    def news(self) -> list[Reading]:
        """What was entered since it was last asked."""
        new, self._new = self._new, []
        return new

    def take(self, body: Mapping[str, Any], batch: Batch, now_s: float) -> Answer:
        """Carry out hand-reading: place, c, method, age_s. Raises KeyError, TypeError, ValueError."""
        place, value_c = str(body["place"]), float(body["c"])
        method, age_s = Method(body["method"]), float(body.get("age_s", 0.0))
        known = self._entries.addresses
        if place not in known:
            return False, f"{place} is not a place of this aircraft. Known: {', '.join(known)}."
        if not _BOUNDS_C[0] <= value_c <= _BOUNDS_C[1]:
            return False, f"{value_c:g} °C can't be right: −60 to 200 °C. Please look again."
        if not 0 <= age_s <= _OLDEST_S:
            return False, "The measurement must be at most one hour old and not in the future."
        t_s, number = now_s - age_s, self._record.next_hand_number()
        self._numbers[number] = self._entries.enter(place, t_s, value_c, method)
        if age_s <= HAND_VALID_S:
            self._new.append(Reading(place, t_s, value_c, value_c, method=method))
        kept = store.insert_hand_reading(number, place, self._record.boot, t_s, value_c, method.value)
        batch.statements.append(kept)
        shown = words.temperature(value_c, limits_c=(value_c,))  # tenths, as typed
        return True, f"Kept: {words.place_name(place)} {shown}, by hand."

    def undo(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """Carry out undo-hand-reading: id. Raises KeyError, TypeError, ValueError."""
        number = int(body["id"])
        if number not in {h[0] for h in self._record.hand_readings(now_at - UNDO_S)}:
            return False, f"There is no reading by hand with number {number} that could be undone."
        if (entry := self._numbers.pop(number, None)) is not None:
            self._entries.undo(entry)
        batch.statements.append(store.undo_hand_reading(number, now_at))
        return True, "Undone; it no longer counts."
