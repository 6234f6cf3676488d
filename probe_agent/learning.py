"""What the stored heat-ups of a setup teach, and how their forecasts were borne out.

The daemon after each heat-up and the command `learn` both come through here, so that a memory built
up morning by morning and one rebuilt from the record are the same. One heat-up at a time is in memory.
"""

from __future__ import annotations

import logging
import math
import re
import sqlite3
import statistics
import threading
import time
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol, TypeVar

import msgspec

from probe_agent.archive import (
    Archive,
    HandValue,
    Learned,
    Score,
    StoredFall,
    StoredForecast,
    StoredHeatup,
    StoredLesson,
    StoredMemory,
)
from probe_agent.config import Settings, Setup
from probe_agent.readings import Method, Observation
from probe_agent.sisters import KEPT, Sister, sister_of
from probe_agent.store import StoreError
from probe_agent.thermal.described import observation_of, physics_places, prior_of
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.memory import Fall, Lesson, Memory
from probe_agent.thermal.prior import MODEL_VERSION, Prior
from probe_agent.thermocouple import ThermocoupleType
from probe_agent.weakening import WarmingSeen, weakened

log = logging.getLogger(__name__)

LEAD_S = 2 * 3600.0
"""Rest before a heat-up that is read with it: it tells the probes' offsets and where the core began."""
AFTER_OFF_S = 900.0
"""What follows heater-off belongs to a heat-up for so long: the heater-off test needs ten minutes."""
HAND_VALID_S = 20 * 60.0
SIGMA_C = {Method.INFRARED: 3.0, Method.CONTACT: 1.0}
"""1σ of a reading by hand: infrared 3 °C or worse, contact 1 °C (both from memory)."""

JUDGED_PERCENT = (25, 50, 75)
HALFWAY = 50
_LAST = 10
_TOO_OLD_S, _TOO_OLD_SHARE = 600.0, 0.1
_SAME_START_S = 1800.0
_ROUNDS = 3  # a heat-up may end, or another process write, while the first one runs
_FALLS = 3
_AND = "; "


# -- the setup that learns


@dataclass(frozen=True, slots=True)
class Course:
    """The setup whose heat-ups are learned from, and what the physics is told of it.

    thermocouples: address → type where it isn't K; sister: the one its prior rests on; lone: why one that was
    taken doesn't count.
    """

    setup: Setup
    places: tuple[str, ...]
    required: tuple[str, ...]
    need_c: float
    prior: Prior
    thermocouples: Mapping[str, ThermocoupleType] = field(default_factory=dict)
    sister: Sister | None = None
    lone: str = ""


def course_of(
    settings: Settings, places: Sequence[str], required: Sequence[str], sisters: str | None = None
) -> Course | None:
    """The course of the setup in use; None where none is described, and so nothing can be learned.

    sisters: what is kept of them.
    """
    if settings.setup is None or not required:
        return None
    sister, lone = sister_of(settings, places, sisters)
    return Course(
        settings.setup,
        physics_places(places),
        tuple(required),
        settings.limits.need_below_c,
        prior_of(settings, places) if sister is None else sister.prior,
        {p.address: p.thermocouple for p in settings.probes if p.thermocouple != "K"},
        sister,
        lone,
    )


def course_for(settings: Settings, file: Path) -> tuple[Course, bool]:
    """The course for a command on a store, and whether nothing is being measured on it any more.

    Places the settings don't describe are the record's. Raises StoreError where there is no setup.
    """
    with Archive(file, read_only=True) as archive:
        known, last_at, sisters = archive.places(), archive.last_at(), archive.kept(KEPT)
    places = [p.name for p in settings.places] or list(known)
    required = settings.required or [p for p, is_required in known.items() if is_required]
    course = course_of(settings, places, required, sisters)
    if course is None:
        raise StoreError(
            "The settings describe no setup, so there is nothing to learn for. Add a table [[setups]]."
        )
    return course, last_at is None or last_at < time.time() - AFTER_OFF_S


# -- what is known


@dataclass(frozen=True, slots=True)
class Record:
    """How the forecasts of the last heat-ups were borne out halfway: off by within_s or less in half of
    them (None: half of them said never), `inside` of them with the truth in the range."""

    heat_ups: int
    within_s: float | None
    inside: int


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What the record knows of a setup.

    stamp: tells this memory from another. outdated: there are heat-ups whose teaching is missing or of
    another model version. reads_heater_c: places that read the heater, and by how much. changed: number
    of the last heat-up and what, in words, it showed to be changed for good, where that is news.
    waiting: the last heat-up's cooling is still being measured.
    """

    memory: Memory | None = None
    stamp: tuple[int, float] | None = None
    outdated: bool = False
    reads_heater_c: Mapping[str, float] = field(default_factory=dict)
    record: Record | None = None
    changed: tuple[int, str] | None = None
    waiting: bool = False


def knowledge_of(archive: Archive, course: Course) -> Knowledge:
    """What is known now, nothing learned."""
    setups = archive.alike(course.setup)
    heatups, lessons, stored = archive.heatups(setups), archive.lessons(setups), archive.memory(setups)
    excluded = {h.heatup for h in heatups if h.excluded}
    return Knowledge(
        memory=memory_of(stored),
        stamp=stored.stamp if stored else None,
        outdated=_is_outdated(heatups, lessons, stored) or _rests_elsewhere(archive, course, setups, lessons),
        reads_heater_c=reading_heater(archive.falls(setups)),
        record=record_of([s for h, s in archive.scores(setups).items() if h not in excluded]),
        changed=_news({h: lesson for h, lesson in lessons.items() if h not in excluded}),
        waiting=any(h.heatup not in lessons and not h.excluded for h in heatups),
    )


def memory_of(stored: StoredMemory | None) -> Memory | None:
    """A stored memory; None where there is none or another model wrote it."""
    if stored is None or stored.model_version != MODEL_VERSION:
        return None
    try:
        return msgspec.json.decode(stored.parameters, type=Memory)
    except msgspec.MsgspecError:
        log.warning("the stored memory can't be read and is passed over")
        return None


def reading_heater(falls: Iterable[StoredFall]) -> dict[str, float]:
    """Places that read the heater and by how much [K]: at least half of a place's last three heater-off
    tests say so; the median of those three."""
    last: dict[str, list[StoredFall]] = {}
    for fall in falls:
        last[fall.place] = [*last.get(fall.place, [])[1 - _FALLS :], fall]
    return {
        place: statistics.median(f.fall_c for f in tests)
        for place, tests in last.items()
        if 2 * sum(f.reads_heater for f in tests) >= len(tests)
    }


def record_of(scores: Sequence[Sequence[Score]]) -> Record | None:
    """The record of the last ten heat-ups that have a score halfway; None where none has."""
    halfway = [s for scored in scores for s in scored if s.percent == HALFWAY][-_LAST:]
    if not halfway:
        return None
    within_s = statistics.median_high(math.inf if s.error_s is None else abs(s.error_s) for s in halfway)
    inside = sum(s.inside for s in halfway)
    return Record(len(halfway), within_s if math.isfinite(within_s) else None, inside)


def _news(lessons: Mapping[int, StoredLesson]) -> tuple[int, str] | None:
    """What the last heat-up showed to be changed, unless one of the ten before said the same but for
    its numbers."""
    if not lessons:
        return None
    *before, last = list(lessons)[-_LAST - 1 :]
    said = {_wording(part) for h in before for part in lessons[h].changed.split(_AND)}
    fresh = [part for part in lessons[last].changed.split(_AND) if part and _wording(part) not in said]
    return (last, _AND.join(fresh)) if fresh else None


def _wording(text: str) -> str:
    return re.sub(r"[\d.,]+", "#", text)


def _is_outdated(
    heatups: Sequence[StoredHeatup], lessons: Mapping[int, StoredLesson], memory: StoredMemory | None
) -> bool:
    """Whether what is stored isn't what these heat-ups teach in this order by this model."""
    last = max(lessons, default=0)
    if any(h.excluded == (h.heatup in lessons) for h in heatups if h.heatup <= last):
        return True
    if any(lesson.model_version != MODEL_VERSION for lesson in lessons.values()):
        return True
    clean = tuple(h for h, lesson in lessons.items() if lesson.clean)
    if memory is None:
        return bool(clean)
    known = memory_of(memory)
    if known is None or known.powers is None:  # learned before the heater's power was kept
        return True
    return memory.learned_from != clean


def _rests_elsewhere(
    archive: Archive, course: Course, setups: Sequence[int], lessons: Mapping[int, StoredLesson]
) -> bool:
    """Whether probes were corrected, or another sister was taken, or either undone, since these lessons."""
    return bool(lessons) and archive.learned_with(setups) != _basis(archive, course)


def _basis(archive: Archive, course: Course) -> str:
    """What lessons rest on besides their heat-ups."""
    sister = "" if course.sister is None else f"|sister {course.sister.checksum}"
    return archive.corrections_basis() + sister


@dataclass(frozen=True, slots=True)
class ScoredHeatup:
    """A heat-up, how its forecasts were borne out, and what it taught. started_at in UTC seconds."""

    heatup: int
    started_at: float
    target_c: float
    warm_up_min: float | None
    end_reason: str
    excluded: bool
    note: str
    scores: tuple[Score, ...]
    lesson: StoredLesson | None


def scored(file: Path, course: Course) -> tuple[list[ScoredHeatup], Knowledge]:
    """Every heat-up of a setup that has ended, in order, and what is known. Raises StoreError."""
    with Archive(file, read_only=True) as archive:
        setups = archive.alike(course.setup)
        scores, lessons = archive.scores(setups), archive.lessons(setups)
        rows = [
            ScoredHeatup(
                h.heatup,
                h.started_at,
                h.target_c,
                None if h.above_at is None else round((h.above_at - h.started_at) / 60, 1),
                h.end_reason,
                h.excluded,
                h.note,
                scores.get(h.heatup, ()),
                lessons.get(h.heatup),
            )
            for h in archive.heatups(setups)
        ]
        return rows, knowledge_of(archive, course)


# -- learning


@dataclass(frozen=True, slots=True)
class Progress:
    """One heat-up dealt with. lesson: None where it is excluded."""

    done: int
    of: int
    heatup: StoredHeatup
    lesson: StoredLesson | None


class Stopped(Exception):
    """Learning was told to end; nothing of the heat-up at hand was written."""


def catch_up(
    file: Path,
    course: Course,
    tell: Callable[[Progress], None] = lambda progress: None,
    *,
    afresh: bool = False,
    all_ended: bool = False,
    stop: threading.Event | None = None,
) -> Knowledge:
    """Learn from what has not yet been learned from, all of it anew where the stored memory isn't what
    the heat-ups teach, and return what is then known.

    Args:
        file: the store; another process may have it open.
        tell: told of each heat-up.
        afresh: from the first heat-up on, whatever is stored.
        all_ended: also from a heat-up whose cooling may still be measured.
        stop: set to end it.

    Raises StoreError, sqlite3.Error, Stopped.
    """
    stop = stop or threading.Event()
    with Archive(file) as archive:
        setups = archive.alike(course.setup)
        for _ in range(_ROUNDS):
            due = _due(archive, course, setups, afresh, all_ended) if setups else None
            if due is None:
                break
            _learn(archive, course, setups, due, tell, stop)
            afresh = False
        return knowledge_of(archive, course)


@dataclass(frozen=True, slots=True)
class _Due:
    """Heat-ups to go through in this order, upon what is known before them; anew: from nothing."""

    heatups: tuple[StoredHeatup, ...]
    before: StoredMemory | None
    anew: bool


def _due(
    archive: Archive, course: Course, setups: Sequence[int], afresh: bool, all_ended: bool
) -> _Due | None:
    heatups, lessons, stored = archive.heatups(setups), archive.lessons(setups), archive.memory(setups)
    outdated = _is_outdated(heatups, lessons, stored) or _rests_elsewhere(archive, course, setups, lessons)
    anew = afresh or outdated
    due = tuple(
        h
        for h in heatups
        if (anew or (h.heatup not in lessons and not h.excluded)) and (all_ended or _has_cooled(archive, h))
    )
    return _Due(due, None if anew else stored, anew) if due or anew else None


def _has_cooled(archive: Archive, heatup: StoredHeatup) -> bool:
    return archive.span(heatup, 0.0, _until_at(heatup))[2]


def _until_at(heatup: StoredHeatup) -> float:
    """To when a heat-up is learned from [UTC s]."""
    off_at = heatup.ended_at if heatup.off_at is None else heatup.off_at + AFTER_OFF_S
    return max(heatup.ended_at, off_at)


def _learn(
    archive: Archive,
    course: Course,
    setups: Sequence[int],
    due: _Due,
    tell: Callable[[Progress], None],
    stop: threading.Event,
) -> None:
    """Go through the heat-ups that are due; written at the end, so that until then the old memory holds."""
    memory, learned, basis = memory_of(due.before), [], _basis(archive, course)
    warmings = {} if due.anew else archive.warmings(setups)
    learned_from = list(due.before.learned_from) if due.before else []
    for done, heatup in enumerate(due.heatups, 1):
        one = None
        if not heatup.excluded:
            one, memory = learn_heatup(archive, course, heatup, memory, stop)
            if one.warming is not None:
                warmings[heatup.heatup] = one.warming
                one = _with_changes(one, weakened(list(warmings.values())))
            learned.append(one)
            learned_from += [heatup.heatup] if one.lesson.clean else []
        tell(Progress(done, len(due.heatups), heatup, one.lesson if one else None))
    kept = None
    if memory is not None and any(one.lesson.clean for one in learned):
        parameters = msgspec.json.encode(memory, enc_hook=float).decode()
        kept = (memory.model_version, learned_from, parameters)
    archive.keep(setups, learned, kept, due.anew, basis)


def _with_changes(one: Learned, more: Sequence[str]) -> Learned:
    changed = _AND.join(part for part in (one.lesson.changed, *more) if part)
    return replace(one, lesson=replace(one.lesson, changed=changed))


def learn_heatup(
    archive: Archive,
    course: Course,
    heatup: StoredHeatup,
    memory: Memory | None,
    stop: threading.Event,
) -> tuple[Learned, Memory | None]:
    """What one stored heat-up teaches upon a memory, and the memory after it. Raises Stopped."""
    first, last, _ = archive.span(heatup, LEAD_S, _until_at(heatup))
    estimator = Estimator(
        course.places, course.required, heatup.target_c, course.need_c, course.prior, memory
    )
    hand = archive.hand_values(heatup.started_at - LEAD_S, _until_at(heatup))
    warming = WarmingSeen(heatup.started_at, course.places)
    ticks: list[int] = []
    times: list[float] = []
    try:
        for row, obs in observed(
            archive.curve(first, last, course.thermocouples), hand, -heatup.started_at, course.places
        ):
            if stop.is_set():
                raise Stopped
            ticks.append(row.tick)
            times.append(obs.t_s)
            estimator.observe(obs)
            warming.add(row)
        lesson = _lesson(estimator, memory)
    except (ValueError, ArithmeticError) as err:
        log.warning("heat-up %d can't be worked out: %s", heatup.heatup, err)
        lesson = Lesson(memory, False, "its curve can't be worked out")
    falls = tuple(_stored_fall(f, ticks, times) for f in lesson.falls if f.off_s > 0)
    censored = lesson.censored and heatup.above_at is None
    taught = StoredLesson(MODEL_VERSION, lesson.clean, censored, lesson.why, lesson.changed)
    scores = score_forecasts(heatup, archive.forecasts(heatup, heatup.ended_at))
    began = warming.result() if lesson.clean else None
    return Learned(heatup.heatup, taught, falls, scores, began), lesson.memory if lesson.clean else memory


def _lesson(estimator: Estimator, memory: Memory | None) -> Lesson:
    """The lesson of the heat-up that began at 0 s; of none where the physics saw another or none."""
    on_s = estimator.forecast().heater_on_at
    if on_s is None or abs(on_s) > _SAME_START_S:
        return Lesson(memory, False, "its beginning was not seen")
    return estimator.lesson()


def _stored_fall(fall: Fall, ticks: Sequence[int], times: Sequence[float]) -> StoredFall:
    off_tick = ticks[max(bisect_right(times, fall.off_s) - 1, 0)]
    return StoredFall(fall.place, off_tick, fall.fall_c, fall.neighbours_c, fall.reads_heater)


# -- rows as the physics sees them


class Row(Protocol):
    """One stored instant."""

    @property
    def at(self) -> float: ...

    @property
    def values_c(self) -> Mapping[str, float | None]: ...

    @property
    def heater(self) -> float | None: ...


AnyRow = TypeVar("AnyRow", bound=Row)


def observed(
    rows: Iterable[AnyRow], hand: Sequence[HandValue], offset_s: float, places: Sequence[str]
) -> Iterator[tuple[AnyRow, Observation]]:
    """Stored rows as the physics saw them, readings by hand with the next row after them.

    Args:
        rows: time rising.
        hand: in time order.
        offset_s: UTC + offset = seconds of the observation.
        places: those the physics uses.
    """
    entries = deque(hand)
    for row in rows:
        values = {p: v for p, v in row.values_c.items() if v is not None and p in places}
        sigma: dict[str, float] = {}
        while entries and entries[0].at <= row.at:
            entry = entries.popleft()
            if (
                row.at - entry.at <= HAND_VALID_S
                and entry.place in places
                and (entry.place not in values or entry.place in sigma)
            ):
                values[entry.place] = entry.value_c
                sigma[entry.place] = SIGMA_C[Method(entry.method)]
        ambient = row.values_c.get("ambient")
        yield row, observation_of(row.at + offset_s, values, ambient, row.heater, sigma)


# -- how forecasts were borne out


def score_forecasts(heatup: StoredHeatup, forecasts: Sequence[StoredForecast]) -> tuple[Score, ...]:
    """The forecasts that stood at 25, 50 and 75 % of the warm-up against the instant at which the coldest
    point passed the target; none where it never did."""
    if heatup.above_at is None or heatup.above_at <= heatup.started_at:
        return ()
    found = []
    for percent in JUDGED_PERCENT:
        score = _score_at(percent, heatup.started_at, heatup.above_at, forecasts)
        found += [score] if score is not None else []
    return tuple(found)


def _score_at(
    percent: int, on_at: float, truth_at: float, forecasts: Sequence[StoredForecast]
) -> Score | None:
    """The last forecast before that instant; None where none is near enough to it."""
    at = on_at + percent / 100 * (truth_at - on_at)
    oldest_at = at - max(_TOO_OLD_S, _TOO_OLD_SHARE * (truth_at - on_at))
    standing = [f for f in forecasts if max(oldest_at, on_at) <= f.at <= at]
    if not standing:
        return None
    f = standing[-1]
    inside = f.p10_at is not None and f.p10_at <= truth_at and (f.p90_at is None or truth_at <= f.p90_at)
    return Score(percent, f.tick, None if f.p50_at is None else f.p50_at - truth_at, inside)


# -- in the background


class Learner:
    """Learns on a thread of its own whenever it is woken, so that no tick waits for it.

    taken: handed the knowledge after each time, on that thread.
    """

    def __init__(self, file: Path, course: Course, taken: Callable[[Knowledge], None]) -> None:
        self._file, self._course, self._taken = file, course, taken
        self._stop, self._wake = threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None
        self.progress: tuple[int, int] | None = None
        """Heat-ups done and to do, while it learns more than one."""
        self.trouble: str | None = None

    def go_by(self, course: Course) -> None:
        """Another course holds from the next time on."""
        self._course = course

    def wake(self) -> None:
        """Look whether there is something to learn, soon."""
        self._wake.set()
        if self._thread is None and not self._stop.is_set():
            self._thread = threading.Thread(target=self._run, name="learning", daemon=True)
            self._thread.start()

    def learn_now(self, all_ended: bool = False) -> None:
        """Learn what there is to learn, on this thread."""
        try:
            knowledge = catch_up(self._file, self._course, self._note, all_ended=all_ended, stop=self._stop)
            self.trouble = None
        except (StoreError, sqlite3.Error) as err:
            self.trouble = f"What the heat-ups teach can't be kept ({err})."
            log.error("%s", self.trouble)
            return
        except Stopped:
            return
        finally:
            self.progress = None
        self._taken(knowledge)

    @property
    def is_stopped(self) -> bool:
        """Whether it was told to end."""
        return self._stop.is_set()

    def stop(self) -> None:
        """End the thread; what is being learned is learned at the next start."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(10.0)

    def _note(self, progress: Progress) -> None:
        self.progress = (progress.done, progress.of) if progress.of > 1 else None

    def _run(self) -> None:
        while not self._stop.is_set():
            self._wake.wait()
            self._wake.clear()
            if not self._stop.is_set():
                self._try()

    def _try(self) -> None:
        """Learn; what goes wrong is said, and the watch over the engine goes on without it."""
        try:
            self.learn_now()
        except Exception:
            log.exception("learning failed")
            self.trouble = "What the heat-ups teach could not be worked out; the daemon's log says why."
