"""The physics of a run, and what earlier heat-ups taught it: it relives the record at a start, learns after
each heat-up, and is replaced between two ticks where the memory is another one."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain

import msgspec

from probe_agent import sisters, words
from probe_agent.archive import Archive, HandValue, TickValues, corrected
from probe_agent.clock import Clock
from probe_agent.config import Settings
from probe_agent.learning import AFTER_OFF_S, Course, Knowledge, Learner, course_of, knowledge_of, observed
from probe_agent.readings import Forecast, Observation
from probe_agent.status import LearnedNow
from probe_agent.store import TAUGHT, Store, mc
from probe_agent.supervisor import Rules, Step
from probe_agent.taught import taught
from probe_agent.thermal.answers import Outlook
from probe_agent.thermal.described import physics_places
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.memory import Memory
from probe_agent.thermal.prior import Prior
from probe_agent.thermocouple import ThermocoupleType

RELIVE_S = 10 * 3600.0
_ROUNDING_S = 0.001
"""Stored instants are whole milliseconds."""


class Physics:
    """The estimator at work and what is known of the setup. Instants in run seconds.

    lock: the tick's; offset_s: UTC less run seconds, as it is now; said_on_s: since when the heater is on by
    a person's word, where that is its signal. A learner works on a thread of its own.
    """

    def __init__(
        self,
        settings: Settings,
        places: Sequence[str],
        required: Sequence[str],
        rules: Rules,
        prior: Prior,
        record: Store,
        clock: Clock,
        lock: threading.RLock,
        offset_s: Callable[[], float],
        said_on_s: Callable[[], float | None],
    ) -> None:
        self._places, self._required, self._rules = tuple(places), tuple(required), rules
        self._settings, self._alone = settings, prior
        self._record, self._clock, self._lock, self._offset_s = record, clock, lock, offset_s
        self._said_on_s = said_on_s
        self.knowledge = Knowledge()
        self._thermocouples: dict[str, ThermocoupleType] = {
            p.address: p.thermocouple for p in settings.probes if p.thermocouple != "K"
        }
        self.course = self._course()
        self._learner = None if self.course is None else Learner(record.path, self.course, self._take_up)
        self._lesson_due_s: float | None = None
        self.estimator = self._new_estimator()

    def _course(self) -> Course | None:
        return course_of(self._settings, self._places, self._required, self._record.kept(sisters.KEPT))

    def _new_estimator(self, memory: Memory | None = None) -> Estimator:
        return Estimator(
            places=physics_places(self._places),
            required=self._required,
            target_c=self._rules.target_c,
            need_c=self._rules.need_c,
            prior=self._alone
            if self.course is None or self.course.sister is None
            else self.course.sister.prior,
            memory=memory,
        )

    # -- a tick

    def see(self, obs: Observation) -> Forecast:
        """What is to come, once this tick is seen too."""
        self.estimator.observe(obs)
        return self.estimator.forecast()

    # -- reliving

    def recall(self) -> None:
        """What earlier heat-ups of this setup taught."""
        if self.course is None:
            return
        with Archive(self._record.path, read_only=True) as archive:
            self.knowledge = knowledge_of(archive, self.course)
            self._keep_taught(archive, self.knowledge)
        self.estimator = self._new_estimator(self.knowledge.memory)

    def _keep_taught(self, archive: Archive, knowledge: Knowledge) -> None:
        """For viewers, what the heat-ups taught in figures."""
        assert self.course is not None
        text = msgspec.json.encode(taught(archive, self.course, knowledge)).decode()
        if self._record.kept(TAUGHT) != text:
            self._record.keep(TAUGHT, text)

    def relive(self, now_s: float) -> None:
        """See the stored hours again, so that a restart loses no knowledge."""
        for _ in self._live_through(self.estimator, now_s - RELIVE_S, now_s):
            pass

    def _live_through(self, estimator: Estimator, after_s: float, until_s: float) -> Iterator[float]:
        """Let a physics see what was measured between two run seconds; yields each one's run second."""
        offset_s = self._offset_s()
        after_at = after_s + offset_s + _ROUNDING_S
        taken = self._record.hand_readings(after_at)
        hand = sorted((HandValue(at, place, c, m) for _, place, at, c, m in taken), key=lambda h: h.at)
        rows = self._between(after_at, until_s + offset_s)
        for _, obs in observed(rows, hand, -offset_s, self._places):
            estimator.observe(obs)
            yield obs.t_s

    def _between(self, after_at: float, until_at: float) -> Iterator[TickValues]:
        """Rows after one instant and before another [UTC s], committed and held, time rising, from raw
        readings with today's corrections."""
        now_at = self._clock.monotonic() + self._offset_s()
        with Archive(self._record.path, read_only=True) as archive:
            committed = list(archive.between(after_at, min(until_at, now_at + 1.0), self._thermocouples))
            held = self._held(archive.bound(), archive.offsets_c())
        said_s = self._said_on_s()
        on_at = math.inf if said_s is None else said_s + self._offset_s() - _ROUNDING_S
        for row in chain(committed, held):
            if after_at < row.at < until_at:  # two starts overlap where the clock went back between them
                after_at = row.at
                yield replace(row, heater=1.0) if row.at >= on_at else row

    def _held(self, bound: Mapping[str, str], offsets_c: Mapping[str, float]) -> list[TickValues]:
        """What isn't committed yet, corrected as today."""
        rows = []
        for row in self._record.held:
            values = {}
            for r in row.readings:
                address = bound.get(r.place, r.place)
                kind, raw_mc = self._thermocouples.get(address, "K"), None if r.fault else mc(r.raw_c)
                value_c = None if raw_mc is None else corrected(raw_mc, mc(r.cold_c), kind)
                if value_c is not None:
                    values[r.place] = value_c + offsets_c.get(address, 0.0)
            rows.append(TickValues(row.tick, row.t_s + self._offset_s(), values, row.heater_share))
        return rows

    def correct(self) -> None:
        """Probes are corrected otherwise from now on: the last hours are lived through again as they would
        have been seen so, and all that the heat-ups taught is worked out again."""
        self.teach_again()
        self.look_again()

    def rest_on_sister(self) -> None:
        """Another sister is kept, or none any more: what own heat-ups teach is worked out upon that, and the
        last hours are lived through again with it."""
        self.course = self._course()
        if self._learner is not None and self.course is not None:
            self._learner.go_by(self.course)
        self.correct()

    def aim(self, rules: Rules) -> None:
        """Another target holds from now on."""
        self._rules = rules
        self.look_again()

    def look_again(self) -> None:
        """What the last hours say has changed: they are lived through again, beside the ticks."""
        if self._clock.rate == math.inf:
            self.live_again()
        else:
            threading.Thread(target=self.live_again, name="corrected", daemon=True).start()

    def at_rest(self, c: float, cover: bool, plugs: bool) -> Outlook:
        """The setup as its memory tells of it, evenly cold in air of the same temperature [°C]: nothing of
        this day is in it. cover, plugs: what is on."""
        rested = self._new_estimator(self.knowledge.memory)
        values = dict.fromkeys(rested.places, c)
        rested.observe(Observation(0.0, values, c, 0.0))
        outlook = rested.outlook(cover, plugs)
        assert outlook is not None, "it has just been shown a row"
        return outlook

    # -- learning

    def teach_again(self) -> None:
        """What heat-ups teach may have changed: look with the next tick."""
        self._lesson_due_s = self._clock.monotonic()

    def has_lesson(self, step: Step, t_s: float) -> bool:
        """Whether it is time to learn: once a heat-up's heater-off test has been measured, or when another
        one begins. Said once."""
        if step.closed is not None:
            off_s = step.closed[0].off_s
            self._lesson_due_s = t_s if off_s is None else max(t_s, off_s + AFTER_OFF_S)
        elif step.opened is not None and self._lesson_due_s is not None:
            self._lesson_due_s = t_s
        if self._learner is None or self._lesson_due_s is None or t_s < self._lesson_due_s:
            return False
        self._lesson_due_s = None
        return True

    def learn(self) -> None:
        """Learn from what the record holds: beside the ticks, or at once in a run that jumps."""
        if self._learner is None:
            return
        if self._clock.rate == math.inf:
            self._learner.learn_now()
        else:
            self._learner.wake()

    def learn_all(self) -> None:
        """Learn at once from all heat-ups, for nothing more will be measured."""
        if self._learner is not None:
            self._learner.learn_now(all_ended=True)

    def stop(self) -> None:
        """Learn nothing more."""
        if self._learner is not None:
            self._learner.stop()

    def _take_up(self, knowledge: Knowledge) -> None:
        """Go on with what is now known. Where the memory is another one, a new physics starts from it and
        lives through the last hours again, as after a restart; it takes over between two ticks."""
        grown = self._grown(knowledge.memory) if knowledge.stamp != self.knowledge.stamp else None
        if self._learner is None or self._learner.is_stopped:
            return
        with self._lock:
            self.knowledge = knowledge
            if knowledge.waiting and self._lesson_due_s is None:
                self._lesson_due_s = self._clock.monotonic() + AFTER_OFF_S
            if grown is not None:
                self._replace_by(*grown)
        with Archive(self._record.path, read_only=True) as archive:
            self._keep_taught(archive, knowledge)

    def live_again(self) -> None:
        """Live through the last hours anew, as after a restart: what a person entered late, or undid, then
        counts when it was measured, or not at all. A new physics takes over between two ticks."""
        knowledge = self.knowledge
        grown = self._grown(knowledge.memory)
        with self._lock:
            if knowledge.stamp == self.knowledge.stamp:
                self._replace_by(*grown)

    def _grown(self, memory: Memory | None) -> tuple[Estimator, float]:
        """A new physics that has lived through the last hours, and the run second it has come to."""
        successor, lived_s = self._new_estimator(memory), self._clock.monotonic() - RELIVE_S
        for t_s in self._live_through(successor, lived_s, math.inf):
            lived_s = t_s
            if self._learner is not None and self._learner.is_stopped:
                break
        return successor, lived_s

    def _replace_by(self, successor: Estimator, lived_s: float) -> None:
        """Let it see what came meanwhile and take over. Under the tick's lock."""
        for _ in self._live_through(successor, lived_s, math.inf):
            pass
        self.estimator = successor

    # -- showing

    @property
    def target_c(self) -> float:
        """What the coldest required place must reach [°C]."""
        return self._rules.target_c

    @property
    def heat_ups(self) -> int:
        """On how many heat-ups of the setup its memory rests."""
        return self.knowledge.memory.heat_ups if self.knowledge.memory is not None else 0

    @property
    def sister(self) -> tuple[str, int]:
        """The sister the setup rests on: her name, "" where she has none, and her heat-ups; 0: none."""
        found = None if self.course is None else self.course.sister
        return ("", 0) if found is None else (found.called, found.heat_ups)

    def learned(self) -> LearnedNow | None:
        """What the status document says of it; None where no setup is described."""
        if self.course is None:
            return None
        known = self.knowledge
        record = known.record
        within_s = record.within_s if record else None
        return LearnedNow(
            heat_ups=self.heat_ups,
            judged=record.heat_ups if record else 0,
            within_min=None if within_s is None else round(within_s / 60, 1),
            inside=record.inside if record else 0,
            changed=known.changed[1] if known.changed else "",
            sister=self.sister[1],
            sister_called=self.sister[0],
        )

    @property
    def trouble(self) -> str | None:
        """What is wrong with learning."""
        return self._learner.trouble if self._learner is not None else None

    def relearning(self) -> str | None:
        """Word of a memory that is being worked out again."""
        progress = self._learner.progress if self._learner is not None else None
        if progress is None and not self.knowledge.outdated:
            return None
        return words.relearning(progress, self.knowledge.memory is None)
