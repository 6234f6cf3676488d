"""Readings a person took: entered by command, doubted where a sign or a digit seems wrong, kept in the
record, standing in for twenty minutes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from probe_agent import store, words
from probe_agent.learning import HAND_VALID_S, SIGMA_C
from probe_agent.probes.hand import HandEntries
from probe_agent.readings import Method, Reading, Scan
from probe_agent.store import Batch, Store

UNDO_S = 24 * 3600.0
_BOUNDS_C = (-60.0, 200.0)
"""What a person can have read at an engine: no air is colder, no metal within reach hotter (judgement)."""
_OLDEST_S = 12 * 3600.0
_AHEAD_S = 90.0
"""A clock time may lie ahead by so much: it has whole minutes, and two clocks differ."""
_AT_ONCE_S = 60.0
"""What was measured longer ago is seen by living through the hours since once more."""
_MAY_CHANGE_C_PER_H = 25.0
"""Faster than this no metal of an engine warms or cools unseen (from memory)."""
_LEAST_DOUBTED_C = 8.0

Answer = tuple[bool, str] | tuple[bool, str, str]
"""Whether a command was carried out, what is said about it, and where a field is to blame which one. The
fields "sign" and "jump" are questions: the same reading is taken with sure = true."""

Expected = Callable[[], Mapping[str, tuple[float, float]]]
"""Middle and 1σ of each place's temperature as the physics has it now [°C]."""


@dataclass(frozen=True, slots=True)
class _Said:
    """One reading as a command says it. typed: as typed, in `unit`; t_s: when it was measured [run s]."""

    place: str
    c: float
    method: Method
    unit: words.Unit
    t_s: float

    @property
    def other_sign_c(self) -> float:
        """What it would be with the other sign, in the unit it was typed in [°C]."""
        return -self.c if self.unit == "C" else -self.c - 64 / 1.8


@dataclass(frozen=True, slots=True)
class _Reference:
    """What a reading is held against: value, 1σ and how far it may have moved since [°C]; and in words."""

    c: float
    sd_c: float
    moved_c: float
    text: str


class ByHand:
    """The readings by hand of this run and those of an earlier one that still count."""

    def __init__(self, record: Store, places: Iterable[str], zone: str = "UTC") -> None:
        self._record, self._zone = record, zone
        self._entries = HandEntries(HAND_VALID_S, places)
        self._numbers: dict[int, int] = {}  # number in the store → entry of this run
        self._new: list[tuple[int, Reading]] = []  # with their numbers, until a tick has seen them
        self._is_out_of_order = False

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
        return [reading for _, reading in new]

    def came_out_of_order(self) -> bool:
        """Whether since it was last asked something was entered that belongs before what was seen already,
        or something was undone: the physics then has to live through the last hours again."""
        came, self._is_out_of_order = self._is_out_of_order, False
        return came

    # -- commands. Each raises KeyError, TypeError, ValueError where the body is not complete.

    def take(
        self, body: Mapping[str, Any], batch: Batch, now_s: float, offset_s: float, expected: Expected
    ) -> Answer:
        """Carry out hand-reading: place, c, method; when: age_s, or clock (HH:MM at the field) as it was
        said told_ago_s ago; unit it was typed in; sure: it was asked about and is right."""
        place, value_c, method = str(body["place"]), float(body["c"]), Method(body["method"])
        unit: words.Unit = "F" if body.get("unit") == "F" else "C"
        if (refusal := self._refusal(place, value_c)) is not None:
            return refusal
        age_s = self._age_s(body, now_s + offset_s)
        if age_s is None or not 0 <= age_s <= _OLDEST_S:
            return False, words.hand_too_old(_OLDEST_S), "time"
        said = _Said(place, value_c, method, unit, now_s - age_s)
        if body.get("sure") is not True and (doubt := self._doubt(said, now_s, offset_s, expected)):
            return doubt
        self._keep(said, age_s, batch)
        return True, words.hand_kept(place, value_c, unit)

    def _refusal(self, place: str, value_c: float) -> Answer | None:
        known = self._entries.addresses
        if place not in known:
            return False, f"{place} is not a place of this aircraft. Known: {', '.join(known)}.", "place"
        if not _BOUNDS_C[0] <= value_c <= _BOUNDS_C[1]:
            return False, f"{value_c:g} °C can't be right: −60 to 200 °C. Please look again.", "value"
        return None

    def _keep(self, said: _Said, age_s: float, batch: Batch) -> None:
        number = self._record.next_hand_number()
        self._numbers[number] = self._entries.enter(said.place, said.t_s, said.c, said.method)
        if age_s <= _AT_ONCE_S:
            reading = Reading(said.place, said.t_s, said.c, said.c, method=said.method)
            self._new.append((number, reading))
        else:
            self._is_out_of_order = True
        batch.statements.append(
            store.insert_hand_reading(
                number, said.place, self._record.boot, said.t_s, said.c, said.method.value
            )
        )

    def undo(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """Carry out undo-hand-reading: id."""
        number = int(body["id"])
        if number not in {h[0] for h in self._record.hand_readings(now_at - UNDO_S)}:
            return False, f"There is no reading by hand with number {number} that could be undone."
        entry = self._numbers.pop(number, None)
        if entry is not None:
            self._entries.undo(entry)
        self._new = [(n, r) for n, r in self._new if n != number]
        self._is_out_of_order = True
        batch.statements.append(store.undo_hand_reading(number, now_at))
        return True, "Undone; it no longer counts."

    # -- when it was measured

    def _age_s(self, body: Mapping[str, Any], now_at: float) -> float | None:
        """How long ago it was measured [s]; None where the clock never showed that."""
        if body.get("clock") is None:
            return float(body.get("age_s", 0.0))
        told_ago_s = float(body.get("told_ago_s", 0.0))
        if not 0 <= told_ago_s <= _OLDEST_S:
            return None
        told_at = now_at - told_ago_s
        at = last_time_at(str(body["clock"]), self._zone, told_at + _AHEAD_S)
        return None if at is None else max(0.0, now_at - min(at, told_at))

    # -- doubt

    def _doubt(self, said: _Said, now_s: float, offset_s: float, expected: Expected) -> Answer | None:
        """The question a reading raises; None where it is plausible."""
        known = self._references(said, now_s, offset_s, expected)
        if not known:
            return None
        sigma_c = SIGMA_C[said.method]
        by = " ".join(r.text for r in known)
        if any(_is_other_sign(said, r, sigma_c) for r in known):
            return False, words.which_sign(said.c, said.other_sign_c, said.unit, by), "sign"
        if all(_jumps(said.c, r, sigma_c) for r in known):
            return False, words.is_it_right(said.place, said.c, said.unit, by), "jump"
        return None

    def _references(self, said: _Said, now_s: float, offset_s: float, expected: Expected) -> list[_Reference]:
        """The last reading of that place by hand, and what the physics expects of it."""
        out, unit, now_at = [], said.unit, now_s + offset_s
        earlier = [
            h
            for h in self._record.hand_readings(now_at - _OLDEST_S)
            if h[1] == said.place and h[2] <= said.t_s + offset_s
        ]
        if earlier:
            _, _, at, c, method = max(earlier, key=lambda h: h[2])
            moved_c = _MAY_CHANGE_C_PER_H * (said.t_s + offset_s - at) / 3600
            text = words.was_read(said.place, c, unit, at, self._zone, now_at)
            out.append(_Reference(c, SIGMA_C[Method(method)], moved_c, text))
        found = expected().get(said.place)
        if found is not None and math.isfinite(found[0]):
            moved_c = _MAY_CHANGE_C_PER_H * (now_s - said.t_s) / 3600
            out.append(_Reference(found[0], found[1], moved_c, words.is_expected(found[0], unit)))
        return out


def _is_other_sign(said: _Said, known: _Reference, sigma_c: float) -> bool:
    """Whether it fits clearly better with the other sign: as typed it is off by more than two errors, with
    the other one it isn't."""
    error_c = 2 * math.hypot(sigma_c, known.sd_c)
    off_c, other_c = abs(said.c - known.c), abs(said.other_sign_c - known.c)
    return off_c > error_c and other_c < error_c and other_c + 3.0 < off_c


def _jumps(c: float, known: _Reference, sigma_c: float) -> bool:
    """Whether no metal can have come that far, four errors and all."""
    room_c = max(_LEAST_DOUBTED_C, 4 * math.hypot(sigma_c, known.sd_c)) + known.moved_c
    return abs(c - known.c) > room_c


def last_time_at(clock: str, zone: str, until_at: float) -> float | None:
    """The last instant [UTC s] up to another one at which the field's clock showed HH:MM; None where it did
    not within the last two days. Raises ValueError for what is no time of day."""
    hour, _, minute = clock.partition(":")
    wanted, there = time(int(hour), int(minute)), ZoneInfo(zone)
    today = datetime.fromtimestamp(until_at, there).date()
    tried = (
        datetime.combine(today - timedelta(days=back), wanted.replace(fold=fold), there).timestamp()
        for back in (0, 1, 2)
        for fold in (1, 0)
    )
    return next(
        (
            at
            for at in tried
            if at <= until_at and datetime.fromtimestamp(at, there).time().replace(fold=0) == wanted
        ),
        None,
    )
