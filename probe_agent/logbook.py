"""What became of each heat-up, in the record: followed tick by tick, told by command, counted.

What follows from what is `outings`'; here it is kept and shown.
"""

from __future__ import annotations

import logging
import math
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import msgspec

from probe_agent import outings, store, words
from probe_agent.by_hand import Answer
from probe_agent.outings import Kind, Outing, OutingFacts, OutingWatch, Tally
from probe_agent.planning import Departure
from probe_agent.readings import Point
from probe_agent.status import FlownNow, OutingNow, utc_text
from probe_agent.store import CameOf, KeptOuting, Statement, Store

log = logging.getLogger(__name__)

_KEPT = "outings"
_COUNT_AGAIN_S = 300.0
_CLOCK_STEP_S = 2.0


@dataclass(frozen=True, slots=True)
class _Recalled:
    """When this run began [its s], the offset to UTC that the earlier one had, and its last second."""

    begun_s: float
    offset_s: float
    last_s: float

    def by_s(self, offset_s: float) -> float:
        """From the earlier run's seconds to this one's, whose offset to UTC is given. A clock that went back
        can't have seen the future."""
        return min(self.offset_s - offset_s, self.begun_s - self.last_s)


class Logbook:
    """The outings of this aircraft."""

    def __init__(self, record: Store, zone: str) -> None:
        self._record, self._zone = record, zone
        self._offset_s = 0.0
        self._watch = OutingWatch(next_number=record.next_outing_number())
        self._recalled: _Recalled | None = None
        self._tally: Tally | None = None
        self._count_s = -math.inf
        """When it is counted again [run s]."""

    def recall(self, now_s: float, offset_s: float) -> None:
        """Take up what an earlier run left, in this run's seconds."""
        self._offset_s = offset_s
        text = self._record.kept(_KEPT)
        if text is None:
            return
        try:
            told_offset_s, watch = msgspec.json.decode(text, type=tuple[float, OutingWatch])
        except msgspec.MsgspecError:
            log.warning("the kept outings are of another version; an open one is passed over")
            return
        last_s = now_s if watch.t_s is None else watch.t_s
        self._recalled = _Recalled(now_s, told_offset_s, last_s)
        self._watch = outings.shifted(watch, self._recalled.by_s(offset_s))

    def follow(
        self,
        t_s: float,
        points: tuple[Point, ...],
        in_heatup: bool,
        power: float | None,
        offset_s: float,
        departure: Departure | None,
    ) -> list[Statement]:
        """One tick, its points as the probes alone tell them: what is to be kept of it.

        departure: the one at hand, if there is one: nearest to now of those between `outings.PASSED_LONG_S`
        ago and `outings.NEAR_START_S` ahead.
        """
        kept_anew = self._put_right(offset_s)
        facts = OutingFacts(t_s, points, in_heatup, power, self._at_hand(departure))
        followed = outings.step(self._watch, facts)
        self._watch = followed.watch
        return kept_anew + self._keeping(followed.changed)

    def _put_right(self, offset_s: float) -> list[Statement]:
        """A clock that was put right: what an earlier run saw is so much longer ago, and all is kept anew."""
        stepped = abs(offset_s - self._offset_s) > _CLOCK_STEP_S
        if stepped and (recalled := self._recalled) is not None:
            by_s = recalled.by_s(offset_s) - recalled.by_s(self._offset_s)
            self._watch = outings.shifted(self._watch, by_s, recalled.begun_s)
        self._offset_s = offset_s
        return self._keeping(self._watch.recent) if stepped else []

    def hear_departure(self, said: str, start_at: float, now_s: float) -> list[Statement]:
        """A word on a departure ("started", "did-not-start", "not-flying"), its start in UTC seconds: what
        is to be kept of it here."""
        told = outings.hear_departure(self._watch, said, start_at - self._offset_s, now_s)
        if told is None:
            return []
        self._watch = told.watch
        return self._keeping(told.changed)

    def _at_hand(self, departure: Departure | None) -> tuple[int, float, bool] | None:
        """The departure at hand, its start in run seconds, and whether it is said to have started."""
        if departure is None:
            return None
        return departure.number, departure.start_at - self._offset_s, departure.state == "started"

    def keeping_watch(self) -> Statement:
        """What a restart goes on from, kept with each commit."""
        kept = msgspec.json.encode((self._offset_s, self._watch)).decode()
        return store.keep_value(_KEPT, kept)

    def take_word(self, body: Mapping[str, Any], now_s: float) -> tuple[bool, str, list[Statement]]:
        """Carry out flew: what, and outing where a certain one is meant. Raises KeyError, TypeError,
        ValueError."""
        kind, said = Kind(body["what"]), body.get("outing")
        number = None if said is None else int(said)
        told = outings.tell(self._watch, kind, now_s, number)
        if told is not None:
            self._watch = told.watch
            noted = self._noted(kind, kept_outing(told.changed[0], self._offset_s), now_s)
            return *noted, self._keeping(told.changed)
        kept = None if number is None else self._record.outing(number)
        if kept is None:
            return False, f"There is no outing {number}. probe-agent outings shows their numbers.", []
        self._count_s = -math.inf
        statements = store.tell_outing(kept.number, kind, now_s + self._offset_s, outings.MOST_FIRST)
        return *self._noted(kind, kept, now_s), statements

    def _noted(self, kind: Kind, outing: KeptOuting, now_s: float) -> Answer:
        day = words.moment(outing.unplugged_at or outing.began_at, self._zone, now_s + self._offset_s)
        return True, f"Noted for {day}: {words.outing_kind(kind)}. It can be corrected."

    def _keeping(self, changed: Iterable[Outing]) -> list[Statement]:
        out: list[Statement] = []
        for outing in changed:
            self._count_s = -math.inf
            kept = kept_outing(outing, self._offset_s)
            out += store.keep_outing(kept, outing.heatup, outings.MOST_FIRST)
        return out

    def shown(self, now_s: float) -> FlownNow | None:
        """What viewers see: the count, the outing asked about, else the last that somebody spoke of. None
        where the record can't be read."""
        if (tally := self._counted(now_s)) is None:
            return None
        asked = outings.question(self._watch, now_s)
        last = next((o for o in reversed(self._watch.recent) if o.told_s is not None), None)
        return FlownNow(
            hot=None if tally.hot_at is None else utc_text(tally.hot_at),
            without=tally.without,
            unknown=tally.unknown,
            asked=None if asked is None else self._outing_now(asked),
            told=None if last is None or asked is not None else self._outing_now(last),
        )

    def _counted(self, now_s: float) -> Tally | None:
        if now_s >= self._count_s:
            try:
                self._tally = counted(self._record.came_of_heatups())
            except sqlite3.Error as err:
                log.error("heat-ups can't be counted: %s", err)
            self._count_s = now_s + _COUNT_AGAIN_S
        return self._tally

    def _outing_now(self, outing: Outing) -> OutingNow:
        kept = kept_outing(outing, self._offset_s)

        def text(at: float | None) -> str | None:
            return None if at is None else utc_text(at)

        return OutingNow(
            outing=kept.number,
            kind=kept.kind,
            began=utc_text(kept.began_at),
            unplugged=text(kept.unplugged_at),
            plugged=text(kept.plugged_at),
            told=text(kept.told_at),
        )


def counted(came_of: CameOf) -> Tally:
    """The count of what a store says came of the heat-ups."""
    hot, heatups = came_of
    return outings.tally(hot, [(at, [Kind(k) for k in kinds]) for at, kinds in heatups])


def kept_outing(outing: Outing, offset_s: float) -> KeptOuting:
    """An outing as the record has it, in UTC."""

    def at(instant_s: float | None) -> float | None:
        return None if instant_s is None else instant_s + offset_s

    return KeptOuting(
        number=outing.number,
        heatup=None,
        departure=outing.departure,
        began_at=outing.began_s + offset_s,
        ended_at=at(outing.ended_s),
        kind=outing.kind.value,
        told_by=outing.told_by.value,
        told_at=at(outing.told_s),
        unplugged_at=at(outing.unplugged_s),
        plugged_at=at(outing.plugged_s),
        left_c=outing.left_c,
        found_c=outing.found_c,
        oil_c=outing.oil_c,
        oil_s=outing.oil_s,
    )
