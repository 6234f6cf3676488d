"""The daemon: one tick from probe to status document, and the loop around it.

`Agent.tick` is the data path of the product, readable top to bottom.
"""

from __future__ import annotations

import json
import logging
import math
import queue
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any, Protocol

import msgspec

from probe_agent import pairing, planning, store, supervisor, telling, words
from probe_agent.archive import Archive, HandValue
from probe_agent.by_hand import Answer, ByHand
from probe_agent.clock import Clock, boot_id
from probe_agent.config import Recipient, Settings
from probe_agent.departures import Departures
from probe_agent.document import Frame, document
from probe_agent.learning import (
    AFTER_OFF_S,
    SIGMA_C,
    Knowledge,
    Learner,
    course_of,
    knowledge_of,
    observed,
)
from probe_agent.logbook import Logbook
from probe_agent.pairing import Pairings
from probe_agent.probes import Source
from probe_agent.readings import (
    Fault,
    Forecast,
    Observation,
    Point,
    ProbeFault,
    Reading,
    Scan,
    Weather,
)
from probe_agent.status import (
    Curve,
    LearnedNow,
    Recent,
    RunTime,
    Status,
    write_status,
)
from probe_agent.store import Batch, Command, CurveRow, Message, Store, StoredReading, TickRow
from probe_agent.supervisor import Announcement, Facts, Rules, Step, Watch
from probe_agent.thermal.ahead import AirKnown
from probe_agent.thermal.described import observation_of, physics_places, prior_of
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.memory import Memory
from probe_agent.thermal.prior import Prior
from probe_agent.weather.heard import Heard, wind_ahead

log = logging.getLogger(__name__)

COMMIT_HEATING_S = 60.0
COMMIT_QUIET_S = 300.0
KEEP_FORECAST_S = 300.0
CURVE_S = 8 * 3600.0
CURVE_STEP_S = 180.0
RELIVE_S = 10 * 3600.0
CLOCK_STEP_S = 2.0
EARLY_SHARE = 8
"""Early in a heat-up forecasts are kept more often: one in an eighth of the time since heater-on."""
CHANGE_VALID_S = 3 * 86_400.0
TEST_VALID_S = 3 * 86_400.0


_WORKED_OUT = frozenset({"what-if", "plan", "move-departure"})
"""Commands whose answer is worked out beside the ticks."""
_TOO_LATE: Answer = (False, "That came too late and was not carried out. Please give it again.")
_TOLD_CHANGE = "told-change"
_OWED = "owed-words"
_FORGOTTEN = (pairing.OFFER, pairing.TRY)
"""Commands whose body isn't needed once they are answered, and is better not kept."""
_ROUNDING_S = 0.001
"""Stored instants are whole milliseconds."""


class Courier(Protocol):
    """Something that carries what the daemon decided, on a thread of its own."""

    @property
    def trouble(self) -> str | None: ...

    def start(self) -> None: ...

    def stop(self) -> None: ...


class StatusCourier(Courier, Protocol):
    """A courier of status documents; publish never blocks."""

    def publish(self, status: Status) -> None: ...


class MessageCourierLike(Courier, Protocol):
    """A courier of messages from the store's outbox."""

    @property
    def recipients(self) -> tuple[Recipient, ...]: ...

    def nudge(self) -> None: ...


class Watchdog(Courier, Protocol):
    """Something outside that wants to hear that the daemon lives; beat never blocks."""

    def beat(self) -> None: ...


class WeatherCourierLike(Courier, Protocol):
    """A courier of weather; news never blocks."""

    def news(self) -> list[Weather]: ...


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run watches: its places and rules, from settings or a recording's header."""

    places: tuple[str, ...]
    required: tuple[str, ...]
    near_heater: frozenset[str]
    rules: Rules
    prior: Prior


def plan_from_settings(settings: Settings) -> Plan:
    """The plan of the described aircraft."""
    places = tuple(p.name for p in settings.places)
    return Plan(
        places=places,
        required=settings.required,
        near_heater=frozenset(p.name for p in settings.places if p.near_heater),
        rules=supervisor.rules_of(settings),
        prior=prior_of(settings, places),
    )


def plan_from_recording(settings: Settings, places: Sequence[str], required: Sequence[str]) -> Plan:
    """The plan of a recording: its columns are the places; the settings give limits and setup."""
    near = frozenset(p.name for p in settings.places if p.near_heater and p.name in places)
    return Plan(
        places=(*places, "ambient") if "ambient" not in places else tuple(places),
        required=tuple(required),
        near_heater=near,
        rules=supervisor.rules_of(settings),
        prior=prior_of(settings, places),
    )


class Agent:
    """The daemon's heart. `tick` is called by `run`, commands are answered between ticks."""

    def __init__(
        self,
        settings: Settings,
        plan: Plan,
        clock: Clock,
        sources: Sequence[Source],
        record: Store,
        broker: StatusCourier | None = None,
        messages: MessageCourierLike | None = None,
        weather: WeatherCourierLike | None = None,
        watchdog: Watchdog | None = None,
        *,
        build: str = "",
        zone: str = "UTC",
        demo: bool = False,
    ) -> None:
        self.settings, self.plan, self.clock, self.store = settings, plan, clock, record
        self._sources = tuple(sources)
        self._broker, self._messages = broker, messages
        self._weather, self._watchdog = weather, watchdog
        self._build, self._zone, self._demo = build, zone, demo
        self.jobs: list[Job] = []
        self._lock = threading.RLock()
        self._status_file = Path(settings.store.runtime_dir) / "status.json"
        self._heard = Heard(settings, zone)
        self._hand = ByHand(record, [p for p in plan.places if p != "ambient"])
        self._pairings = Pairings(record, settings.page, zone)
        self._logbook = Logbook(record, zone)
        self._offset_s = clock.utc_offset_s()
        self._clock_ok = clock.utc_is_known()
        self._knowledge = Knowledge()
        self._course = course_of(settings, plan.places, plan.required)
        self._learner = None if self._course is None else Learner(record.path, self._course, self._take_up)
        self._lesson_due_s: float | None = None
        self._slow = Worker("planning")
        self._being_answered: set[str] = set()
        self._is_planning = False
        self._estimator = self._new_estimator()
        self._curve: deque[tuple[float | None, ...]] = deque(maxlen=round(CURVE_S / CURVE_STEP_S))
        self._before_s: float | None = None
        self._last_commit_s = self._last_forecast_s = self._curve_at = -math.inf
        self._store_trouble: str | None = None
        self._unwritten = Batch()
        self._with_next: list[store.Statement] = []
        """Written with the next commit and worth none of their own."""
        self._last: tuple[Facts, float | None] | None = None
        self._watch = Watch()
        self._owed: telling.Owed = {}
        self._tested = record.tested()
        self._shall_test = True
        self.status: Status | None = None
        self._begin()

    def _new_estimator(self, memory: Memory | None = None) -> Estimator:
        plan = self.plan
        return Estimator(
            places=physics_places(plan.places),
            required=plan.required,
            target_c=plan.rules.target_c,
            need_c=plan.rules.need_c,
            prior=plan.prior,
            memory=memory,
        )

    # -- start and restart

    def _begin(self) -> None:
        """Register this run in the store, take up what an earlier run left, relive the last hours."""
        now_s = self.clock.monotonic()
        plan = self.plan
        self.store.describe_places({p: (p in plan.required, p in plan.near_heater) for p in plan.places})
        self._setup_id = self._keep_setup()
        self._departures = Departures(self.store, self.settings, self._zone, self._setup_id)
        self._departures.recall(self._utc(now_s))
        self._bind_first_probes()
        watch, told_offset = self._kept_watch()
        self._owed = self._kept_owed()
        boot = self.store.begin_boot(boot_id(), self._offset_s, self._clock_ok)
        if watch is None:
            self._watch = Watch(born=boot)
        else:
            by_s = told_offset - self._offset_s
            if watch.t_s is not None:
                by_s = min(by_s, now_s - watch.t_s)  # a clock that went back can't have seen the future
            self._watch = supervisor.shifted(watch, by_s)
        self._logbook.recall(now_s, self._offset_s)
        self._recall()
        self._heard.recall(self.store, self._utc(now_s))
        self._lesson_due_s = now_s
        self._relive(now_s)

    def _keep_setup(self) -> int | None:
        setup = self.settings.setup
        if setup is None:
            return None
        return self.store.keep_setup(
            setup.name, msgspec.json.encode(setup).decode(), self._utc(self.clock.monotonic())
        )

    def _bind_first_probes(self) -> None:
        """First bindings come from the settings; once the store has any for an address, it rules."""
        self._bindings = self.store.bindings()
        bound = set(self._bindings.values())
        now_at = self._utc(self.clock.monotonic())
        for probe in self.settings.probes:
            if (
                probe.place in self.plan.places
                and probe.place not in bound
                and probe.address not in self._bindings
            ):
                self.store.bind(probe.place, probe.source, probe.address, now_at)
        self._bindings = self.store.bindings()
        self._offsets_c = self.store.offsets_c()

    def _kept_watch(self) -> tuple[Watch | None, float]:
        text = self.store.kept("watch")
        if text is None:
            return None, 0.0
        try:
            kept = msgspec.json.decode(text, type=tuple[float, Watch])
        except msgspec.MsgspecError:
            log.warning("the kept watch is of another version and is passed over")
            return None, 0.0
        return kept[1], kept[0]

    def _kept_owed(self) -> telling.Owed:
        """Words that waited for the end of quiet hours when the daemon ended."""
        try:
            return msgspec.json.decode(
                self.store.kept(_OWED) or "{}", type=dict[str, tuple[tuple[float, Announcement], ...]]
            )
        except msgspec.MsgspecError:
            return {}

    def _recall(self) -> None:
        """What earlier heat-ups of this setup taught."""
        if self._course is None:
            return
        with Archive(self.store.path, read_only=True) as archive:
            self._knowledge = knowledge_of(archive, self._course)
        self._estimator = self._new_estimator(self._knowledge.memory)

    def _relive(self, now_s: float) -> None:
        """Let the physics see the stored hours again, so that a restart loses no knowledge."""
        for row, _ in self._live_through(self._estimator, now_s - RELIVE_S, now_s):
            self._keep_curve(row.at, row.values_c, row.heater)
        self._hand.enter_again(self._utc(now_s), self._offset_s)

    def _live_through(
        self, estimator: Estimator, after_s: float, until_s: float
    ) -> Iterator[tuple[CurveRow, float]]:
        """Let a physics see what was measured between two run seconds; yields row and run second."""
        offset_s = self._offset_s
        after_at = after_s + offset_s + _ROUNDING_S
        taken = self.store.hand_readings(after_at)
        hand = sorted((HandValue(at, place, c, m) for _, place, at, c, m in taken), key=lambda h: h.at)
        rows = self._between(after_at, until_s + offset_s)
        for row, obs in observed(rows, hand, -offset_s, self.plan.places):
            estimator.observe(obs)
            yield row, obs.t_s

    def _between(self, after_at: float, until_at: float) -> Iterator[CurveRow]:
        """Rows after one instant and before another, committed and held, time rising."""
        committed = self.store.curve(after_at, min(until_at, self._utc(self.clock.monotonic()) + 1.0))
        held = (
            CurveRow(self._utc(row.t_s), {r.place: r.value_c for r in row.readings}, row.heater_share)
            for row in self.store.held
        )
        for row in chain(committed, held):
            if after_at < row.at < until_at:  # two starts overlap where the clock went back between them
                after_at = row.at
                yield row

    # -- the loop

    def run(self, stop: threading.Event) -> None:
        """Tick until `stop` is set or every source has ended; then commit what is held."""
        poller = threading.Thread(target=self._poll_commands, args=(stop,), name="commands", daemon=True)
        poller.start()
        for courier in self._couriers:
            courier.start()
        try:
            due_s: float | None = self.clock.monotonic()
            while due_s is not None and not stop.is_set():
                due_s = self._next_due(due_s)
                if due_s is None:
                    self._end_recording()
                    break
                if self.clock.rate == math.inf:
                    self.answer_commands()
                self.clock.wait_until(due_s, stop)
                if not stop.is_set():
                    self.tick()
                    self._run_jobs()
        finally:
            self._finish()

    @property
    def _couriers(self) -> list[Courier]:
        couriers = (self._messages, self._broker, self._weather, self._watchdog)
        return [c for c in couriers if c is not None]

    def _next_due(self, last_s: float) -> float | None:
        """The next tick's instant: a recording's next row, else one interval on; None at the end."""
        now_s = self.clock.monotonic()
        nexts = {source.name: source.next_at(now_s) for source in self._sources}
        if nexts and all(n is None for n in nexts.values()):
            return None
        if (row_s := nexts.get("recording")) is not None:
            return row_s
        return now_s if self._last is None else max(last_s + self.settings.sampling.interval_s, now_s)

    def _close_heatup(self, reason: str) -> None:
        """End a heat-up that nothing can end any more."""
        if self._watch.heatup is not None:
            self._watch = replace(self._watch, heatup=None)
            closing = store.close_heatup(self._tick, reason)
            self._write(Batch(statements=[closing]), self.clock.monotonic())

    def _end_recording(self) -> None:
        """Nothing more will be measured: the heat-up ends, and teaches what it can."""
        self._close_heatup("the recording ended")
        if self._learner is not None:
            self._write(Batch(), self.clock.monotonic(), force=True)
            self._learner.learn_now(all_ended=True)

    def _finish(self) -> None:
        if self._learner is not None:
            self._learner.stop()
        self._slow.stop()
        self._write(Batch(), self.clock.monotonic(), force=True)
        for courier in self._couriers:
            courier.stop()
        for source in self._sources:
            source.close()

    def _run_jobs(self) -> None:
        """Housekeeping of a simulated run; a real one has a scheduler for it."""
        now_s = self.clock.monotonic()
        for job in self.jobs:
            if now_s >= job.due_s:
                job.due_s = now_s + job.every_s
                try:
                    job.work()
                except store.StoreError as err:
                    log.error("housekeeping: %s", err)

    # -- the data path

    def tick(self) -> None:
        """One instant: read, think, decide, keep, show."""
        with self._lock:
            now_s = self.clock.monotonic()
            self._keep_time()
            scans = [source.read(now_s) for source in self._sources]
            t_s = max((s.t_s for s in scans), default=now_s)
            hand = self._hand.read(t_s)
            samples = self._at_places(scans)
            self._hear(samples.get("ambient"))
            heater = next((s.heater for s in scans if s.heater is not None), None)
            self._estimator.observe(self._observation(t_s, samples, heater))
            forecast = self._estimator.forecast()
            measured = self._points(samples, Scan(t_s, ()), forecast, t_s)
            points = supervisor.doubt(self._points(samples, hand, forecast, t_s), forecast)
            points = supervisor.less_heater(self._watch, points, self._knowledge.reads_heater_c, forecast)
            facts = self._facts(t_s, points, forecast, heater)
            step = supervisor.step(self._watch, facts, self.plan.rules)
            self._watch, self._last = step.watch, (facts, heater)
            became = self._follow_outings(measured, heater, t_s)
            self._plan_when_due(facts)
            self.status = self._document(facts, heater)
            self._hold(facts, samples, heater, step)
            batch = self._batch(step, t_s)
            batch.statements += became
            self._write(batch, t_s)
            self._show(facts)
            self._learn_when_due(step, t_s)
            if self._watchdog is not None:
                self._watchdog.beat()

    def _facts(
        self, t_s: float, points: tuple[Point, ...], forecast: Forecast, heater: float | None
    ) -> Facts:
        found = self._departures.unsettled(self._utc(t_s) - supervisor.START_FORGOTTEN_S)
        departure_at = None if found is None else found.start_at - self._offset_s
        look_s = self._look_s(t_s, departure_at)
        facts = Facts(t_s, points, forecast, departure_at, look_s, self._clock_ok, heater)
        if found is None:
            return facts
        return replace(facts, prepare_s=found.uncovered_s, told_late_s=found.told.late_s)

    def _look_s(self, t_s: float, departure_at: float | None) -> float | None:
        """The last instant at which a morning look was due [run s]; None where none is wanted that day."""
        said = self.settings.messages
        if said.morning_look is None:
            return None
        look_at = telling.last_look_at(said.morning_look, self._utc(t_s), self._zone)
        flies = departure_at is not None and telling.is_same_day(self._utc(departure_at), look_at, self._zone)
        return look_at - self._offset_s if flies or said.morning_look_daily else None

    def _at_places(self, scans: Iterable[Scan]) -> dict[str, Reading | ProbeFault]:
        """Samples by place, corrections applied; a place no source speaks for is missing."""
        found: dict[str, Reading | ProbeFault] = {}
        for source, scan in zip(self._sources, scans, strict=True):
            for sample in scan.samples:
                place = self._place_of(source.name, sample.address)
                if place is None or isinstance(found.get(place), Reading):
                    continue
                if isinstance(sample, Reading):
                    sample = replace(
                        sample, value_c=sample.value_c + self._offsets_c.get(sample.address, 0.0)
                    )
                found[place] = sample
        return found

    def _hear(self, ambient: Reading | ProbeFault | None) -> None:
        """What there is to know of the air: measured here, and brought by the weather's courier."""
        if isinstance(ambient, Reading):
            self._heard.measured(self._utc(ambient.t_s), ambient.value_c)
        for weather in self._weather.news() if self._weather is not None else ():
            self._with_next += self._heard.hear(weather)

    def _follow_outings(
        self, measured: tuple[Point, ...], heater: float | None, t_s: float
    ) -> list[store.Statement]:
        """What became of the heat-ups, by what the probes alone say."""
        heats = self._watch.heatup is not None
        return self._logbook.follow(t_s, measured, heats, heater, self._offset_s)

    def air_known(self) -> AirKnown:
        """All that is known of the air now; `thermal.ahead.air_ahead` tells from it what comes."""
        with self._lock:
            return self._heard.known(self.clock.monotonic(), self._offset_s)

    def _place_of(self, source: str, address: str) -> str | None:
        if address in self._bindings:
            return self._bindings[address]
        return address if source != "one-wire" and address in self.plan.places else None

    def _observation(
        self, t_s: float, samples: Mapping[str, Reading | ProbeFault], heater: float | None
    ) -> Observation:
        """What the physics sees: each value once; a reading by hand only at the tick after its entry."""
        values = {p: s.value_c for p, s in samples.items() if isinstance(s, Reading)}
        ambient = values.pop("ambient", None)
        sigma: dict[str, float] = {}
        for entry in self._hand.news():
            if entry.address not in values:
                values[entry.address] = entry.value_c
                sigma[entry.address] = SIGMA_C[entry.method]
        return observation_of(t_s, values, ambient, heater, sigma)

    def _points(
        self, samples: Mapping[str, Reading | ProbeFault], hand: Scan, forecast: Forecast, t_s: float
    ) -> tuple[Point, ...]:
        by_hand = {s.address: s for s in hand.samples if isinstance(s, Reading)}
        return tuple(
            self._point(place, samples.get(place), by_hand.get(place), forecast, t_s)
            for place in self.plan.places
        )

    def _point(
        self,
        place: str,
        sample: Reading | ProbeFault | None,
        entry: Reading | None,
        forecast: Forecast,
        t_s: float,
    ) -> Point:
        required, near = place in self.plan.required, place in self.plan.near_heater
        trend = forecast.trends_c_per_h.get(place)
        if isinstance(sample, Reading):
            return Point(place, "ok", sample.value_c, t_s - sample.t_s, trend, required, near)
        if entry is not None:
            return Point(place, "by-hand", entry.value_c, t_s - entry.t_s, trend, required, near)
        fault = sample.fault if sample is not None else Fault.MISSING
        return Point(place, fault.value, None, None, None, required, near)

    # -- keeping

    def _hold(
        self,
        facts: Facts,
        samples: Mapping[str, Reading | ProbeFault],
        heater: float | None,
        step: Step,
    ) -> None:
        """Hold the tick for the next commit."""
        rows = tuple(_stored(place, s) for place, s in samples.items() if place in self.plan.places)
        keep = step.newly_announced or self._forecast_is_due(facts)
        if keep:
            self._last_forecast_s = facts.t_s
        self._tick = self.store.new_tick()
        self.store.hold(
            TickRow(
                self._tick, facts.t_s, heater, rows, facts.forecast if keep else None, step.newly_announced
            )
        )
        values = {p: s.value_c for p, s in samples.items() if isinstance(s, Reading)}
        self._keep_curve(self._utc(facts.t_s), values, heater)

    def _forecast_is_due(self, facts: Facts) -> bool:
        """One forecast in five minutes, or in twenty rows where rows come faster, and more often early in
        a heat-up; none that says nothing."""
        forecast, before = facts.forecast, self._before_s
        self._before_s = facts.t_s
        if forecast.above_p50 is None and forecast.below_p50 is None and self._watch.heatup is None:
            return False
        span_s = KEEP_FORECAST_S if before is None else min(KEEP_FORECAST_S, 20 * (facts.t_s - before))
        if (heatup := self._watch.heatup) is not None:
            span_s = min(span_s, (facts.t_s - heatup.on_s) / EARLY_SHARE)
        return facts.t_s - self._last_forecast_s >= span_s

    def _keep_curve(self, at: float, values: Mapping[str, float | None], heater: float | None) -> None:
        if at - self._curve_at < CURVE_STEP_S:
            return
        self._curve_at = at
        row = (round(at), *(values.get(p) for p in self.plan.places), heater)
        self._curve.append(tuple(v if v is None else round(v, 2) for v in row))

    def _batch(self, step: Step, t_s: float) -> Batch:
        """Everything that must be acknowledged with this tick."""
        batch = Batch(transitions=list(step.transitions))
        batch.withdrawn += [(kind, None) for kind in step.withdrawn]
        words_now = [
            *step.announcements,
            *self._words_of_departures(t_s, batch),
            *self._change(batch),
            *self._first_tests(batch, t_s),
        ]
        self._tell(words_now, batch, t_s)
        batch.statements += self._heatup_statements(step)
        batch.statements += self._alert_statements(step, t_s)
        return batch

    def _tell(self, said: Sequence[Announcement], batch: Batch, t_s: float) -> None:
        """Address what is said now, and what was owed since quiet hours, and write the letters."""
        if self._messages is None or not (said or self._owed):
            return
        now_at = self._utc(t_s)
        true = [
            word.key
            for owed in self._owed.values()
            for at, word in owed
            if supervisor.holds(self._watch, word) and self._departures.still_wants(word, at, now_at)
        ]
        who = self._messages.recipients
        delivery = telling.deliver(who, self.settings.messages, said, self._owed, true, now_at, self._zone)
        batch.withdrawn += [(head, r.name) for r, word in delivery.now for head in word.overtakes]
        batch.messages += [self._letter(r, word, now_at) for r, word in delivery.now]
        if delivery.owed != self._owed:
            self._owed = delivery.owed
            batch.statements.append(store.keep_value(_OWED, msgspec.json.encode(self._owed).decode()))

    def _letter(self, recipient: Recipient, word: Announcement, now_at: float) -> Message:
        """One message to one recipient, from the status as it is now."""
        assert self.status is not None
        alert = f"{store.TEST}:{recipient.name}" if word.kind == "test" else word.alert
        url = self.settings.page.public_url
        about = words.About(
            place=word.place,
            asked=word.asked,
            call=telling.who_to_call(self._messages.recipients if self._messages else (), recipient),
            link=f"{url}/answer/{store.ANSWER}" if url is not None and alert is not None else "",
            code=store.CODE if url is None and word.kind == "test" else "",
            next_at=telling.next_test_at(self.settings.messages.weekly_test, now_at, self._zone),
        )
        shown = self.status
        if word.departure is not None:
            shown = msgspec.structs.replace(shown, plan=self._departures.shown(now_at, word.departure))
        subject, body = words.message(word.kind, shown, self.settings.messages.unit, about)
        return Message(recipient.name, word.key, subject, body, now_at, now_at + word.valid_s, alert=alert)

    def _first_tests(self, batch: Batch, t_s: float) -> list[Announcement]:
        """A test for recipients who never had one, once after the start."""
        if not self._shall_test or self._messages is None or not self._clock_ok:
            return []
        self._shall_test = False
        new = [r.name for r in self._messages.recipients if self._tested.get(r.name, (None,))[0] is None]
        return self._tests(new, batch, t_s)

    def _tests(self, names: Sequence[str], batch: Batch, t_s: float) -> list[Announcement]:
        if not names:
            return []
        now_at = self._utc(t_s)
        batch.statements += [store.mark_tested(name, now_at) for name in names]
        self._tested |= {name: (now_at, self._tested.get(name, (None, None))[1]) for name in names}
        key = f"{store.TEST}:{self.store.boot}-{round(now_at)}"
        return [Announcement("test", key, TEST_VALID_S, overtakes=(store.TEST,), to=tuple(names))]

    def send_tests(self) -> None:
        """Send each recipient the weekly test message. Called by the scheduler, or by the loop where the
        run's time is not the wall's."""
        with self._lock:
            if self._messages is None or self.status is None:
                return
            batch, t_s = Batch(), self.clock.monotonic()
            self._tell(self._tests([r.name for r in self._messages.recipients], batch, t_s), batch, t_s)
            self._write(batch, t_s)

    @property
    def _unproven(self) -> tuple[str, ...]:
        """Recipients who have not answered a test."""
        who = self._messages.recipients if self._messages is not None else ()
        return tuple(r.name for r in who if self._tested.get(r.name, (None, None))[1] is None)

    def _change(self, batch: Batch) -> list[Announcement]:
        """Word, once, of what the last heat-up showed to be changed for good."""
        if self._knowledge.changed is None:
            return []
        key = f"setup-changed:{self._knowledge.changed[0]}"
        if self.store.kept(_TOLD_CHANGE) == key:
            return []
        batch.statements.append(store.keep_value(_TOLD_CHANGE, key))
        return [Announcement("setup-changed", key, CHANGE_VALID_S)]

    def _heatup_statements(self, step: Step) -> list[store.Statement]:
        """The heat-up's row follows the watch: opened, marked, closed."""
        boot, tick, target_c = self.store.boot, self._tick, self.plan.rules.target_c
        out = []
        if step.opened is not None:
            out.append(store.open_heatup(boot, tick, self._setup_id, target_c, step.opened.on_s))
        heatup = step.closed[0] if step.closed else step.watch.heatup
        if heatup is not None and (step.transitions or step.opened or step.closed):
            out += store.mark_heatup(boot, tick, heatup.above_s, heatup.ready_s, heatup.off_s)
        if step.closed is not None:
            out.append(store.close_heatup(tick, step.closed[1]))
        return out

    def _alert_statements(self, step: Step, t_s: float) -> list[store.Statement]:
        now_at = self._utc(t_s)
        told = [a for a in step.watch.alerts if a.told_s == t_s and a.told == 1]
        return [
            *(store.open_alert(a.id, a.kind, a.place, a.harm, self._utc(a.opened_s)) for a in told),
            *(store.close_alert(a.id, now_at, by) for a, by in step.gone),
            *(store.revoke_links(a.id, now_at) for a, _ in step.gone),
        ]

    def _write(self, batch: Batch, t_s: float, force: bool = False) -> None:
        """Commit at once what must be acknowledged, readings when their time has come.

        What a refusing disk didn't take stays, and is tried again with the next tick.
        """
        self._unwritten.add(batch)
        harm = any(a.harm and a.answered is None for a in self._watch.alerts)
        warming = self._watch.heatup is not None and self._watch.heating is not False
        span_s = COMMIT_HEATING_S if warming or harm else COMMIT_QUIET_S
        if not (self._unwritten or force or t_s - self._last_commit_s >= span_s):
            return
        watch = msgspec.json.encode((self._offset_s, self._watch)).decode()
        kept = [store.keep_value("watch", watch), self._logbook.keeping_watch()]
        # What could wait first: what is written at once may be of the same departure, and later.
        whole = Batch(statements=list(self._with_next)).add(self._unwritten)
        whole.add(Batch(statements=kept))
        try:
            self.store.commit(whole)
        except sqlite3.Error as err:
            self._store_trouble = (
                f"The record can't be written ({err}). Readings are kept in memory meanwhile."
            )
            log.error("%s", self._store_trouble)
            return
        self._unwritten, self._with_next = Batch(), []
        self._store_trouble = None
        self._last_commit_s = t_s
        if whole.messages and self._messages is not None:
            self._messages.nudge()

    def _keep_time(self) -> None:
        """Follow the wall clock: a step, or its becoming known, changes this boot's one row."""
        offset_s, known = self.clock.utc_offset_s(), self.clock.utc_is_known()
        if abs(offset_s - self._offset_s) > CLOCK_STEP_S or known != self._clock_ok:
            self._offset_s, self._clock_ok = offset_s, known
            try:
                self.store.mend_boot(offset_s, known)
                self._heard.recall(self.store, self._utc(self.clock.monotonic()))
            except sqlite3.Error as err:
                self._store_trouble = f"The record can't be written ({err})."

    # -- learning

    def _learn_when_due(self, step: Step, t_s: float) -> None:
        """A heat-up teaches once its heater-off test has been measured, or when another one begins."""
        if step.closed is not None:
            off_s = step.closed[0].off_s
            self._lesson_due_s = t_s if off_s is None else max(t_s, off_s + AFTER_OFF_S)
        elif step.opened is not None and self._lesson_due_s is not None:
            self._lesson_due_s = t_s
        if self._learner is None or self._lesson_due_s is None or t_s < self._lesson_due_s:
            return
        self._lesson_due_s = None
        self._write(Batch(), t_s, force=True)
        if self.clock.rate == math.inf:
            self._learner.learn_now()
        else:
            self._learner.wake()

    def _take_up(self, knowledge: Knowledge) -> None:
        """Go on with what is now known. Where the memory is another one, a new physics starts from it and
        lives through the last hours again, as after a restart; it takes over between two ticks."""
        successor: Estimator | None = None
        lived_s = self.clock.monotonic() - RELIVE_S
        if knowledge.stamp != self._knowledge.stamp:
            successor = self._new_estimator(knowledge.memory)
            for _, t_s in self._live_through(successor, lived_s, math.inf):
                lived_s = t_s
                if self._learner is None or self._learner.is_stopped:
                    return
        with self._lock:
            self._knowledge = knowledge
            if knowledge.waiting and self._lesson_due_s is None:
                self._lesson_due_s = self.clock.monotonic() + AFTER_OFF_S
            if successor is not None:
                for _ in self._live_through(successor, lived_s, math.inf):
                    pass
                self._estimator = successor

    # -- showing

    def _show(self, facts: Facts) -> None:
        """Hand the document to the file and the broker; neither holds up a tick."""
        if self.status is None:
            return
        try:
            write_status(self._status_file, msgspec.structs.replace(self.status, recent=self._recent()))
        except OSError as err:
            log.error("status file %s: %s", self._status_file, err)
        if self._broker is not None:
            self._broker.publish(msgspec.structs.replace(self.status, curve=self._thinned()))

    def _recent(self) -> Recent:
        places = self.plan.places
        rows = []
        for row in self.store.held[-20:]:
            values = {r.place: r.value_c for r in row.readings}
            rows.append((round(self._utc(row.t_s), 1), *(values.get(p) for p in places), row.heater_share))
        return Recent(places, tuple(rows))

    def _thinned(self) -> Curve:
        return Curve(self.plan.places, tuple(self._curve))

    def _document(self, facts: Facts, heater: float | None) -> Status:
        run = RunTime(
            t_s=round(facts.t_s, 3),
            rate=self.clock.rate if math.isfinite(self.clock.rate) else 0.0,
            interval_s=self.settings.sampling.interval_s,
            mono_s=time.monotonic(),
            boot=boot_id(),
        )
        frame = Frame(
            self.settings,
            self.plan.rules,
            self._build,
            self._zone,
            self._demo,
            self._clock_ok,
            self._learned(),
            self._departures.shown(self._utc(facts.t_s)),
            self._heard.shown(self._utc(facts.t_s)),
            self._logbook.shown(self.clock.monotonic()),
        )
        return document(frame, run, self._offset_s, self._watch, facts, heater, self._notes())

    def _learned(self) -> LearnedNow | None:
        if self._course is None:
            return None
        known = self._knowledge
        record = known.record
        within_s = record.within_s if record else None
        return LearnedNow(
            heat_ups=known.memory.heat_ups if known.memory else 0,
            judged=record.heat_ups if record else 0,
            within_min=None if within_s is None else round(within_s / 60, 1),
            inside=record.inside if record else 0,
            changed=known.changed[1] if known.changed else "",
        )

    def _notes(self) -> tuple[str, ...]:
        troubles = [c.trouble for c in (*self._couriers, self._learner) if c is not None]
        own = (self._air_missing(), self._relearning(), words.unproven(self._unproven))
        return tuple(t for t in (self._store_trouble, *troubles, *own) if t)

    def _air_missing(self) -> str | None:
        now_at = self._utc(self.clock.monotonic())
        return words.air_missing(self._heard.shown(now_at), self._zone, now_at)

    def _relearning(self) -> str | None:
        """Word of a memory that is being worked out again."""
        progress = self._learner.progress if self._learner is not None else None
        if progress is None and not self._knowledge.outdated:
            return None
        return words.relearning(progress, self._knowledge.memory is None)

    def _utc(self, t_s: float) -> float:
        return t_s + self._offset_s

    # -- planning

    def _plan_when_due(self, facts: Facts) -> None:
        """Have plans worked out that are due; no tick waits for them but in a run that jumps."""
        now_at = self._utc(facts.t_s)
        if self._is_planning or not self._departures.coming:
            return
        coldest = supervisor.coldest_of(facts.points)
        coldest_c = coldest.counted_c if coldest is not None else None
        due = self._departures.due(now_at, coldest_c, self._plan_basis(facts))
        if not due:
            return
        self._is_planning = True
        snapshot = self._snapshot(facts)
        self._in_background(lambda: self._work_out(due, snapshot))

    def _work_out(self, numbers: tuple[int, ...], snapshot: planning.Snapshot) -> None:
        try:
            plans = self._departures.work_out(numbers, snapshot)
        finally:
            self._is_planning = False
        with self._lock:
            batch = Batch()
            self._departures.take(plans, snapshot.now_at, batch)
            self._with_next += batch.statements  # lost with the power, it is worked out again

    def _plan_basis(self, facts: Facts) -> str:
        """What plans rest on besides the curve and the clock."""
        missing = ",".join(supervisor.missing_places(facts.points))
        weather = self._heard.in_use(self._utc(facts.t_s))
        said = (weather.source, weather.issued_at) if weather is not None else None
        return f"{self._knowledge.stamp}|{self._watch.heating}|{missing}|{self._watch.flown}|{said}"

    def _snapshot(self, facts: Facts) -> planning.Snapshot:
        """The last tick, frozen, for what is worked out beside it. Under the tick's lock."""
        setup, coldest = self.settings.setup, supervisor.coldest_of(facts.points)
        outlook = self._estimator.outlook(
            setup is not None and setup.cover,
            setup is not None and setup.cowl_plugs,
            self._wind_at_start(self._utc(facts.t_s)),
        )
        air_c = next((p.value_c for p in facts.points if p.place == "ambient"), None)
        memory = self._knowledge.memory
        return planning.Snapshot(
            now_at=self._utc(facts.t_s),
            offset_s=self._offset_s,
            outlook=outlook if coldest is not None else None,
            air=self._heard.known(facts.t_s, self._offset_s),
            air_now_c=air_c,
            coldest=coldest.place if coldest is not None else None,
            coldest_c=coldest.counted_c if coldest is not None else None,
            missing=supervisor.missing_places(facts.points),
            heating=self._watch.heating,
            flown=self._watch.flown,
            heat_ups=memory.heat_ups if memory is not None else 0,
            basis=self._plan_basis(facts),
        )

    def _wind_at_start(self, now_at: float) -> float | None:
        """The wind told for the next planned start [m/s], when the engine stands uncovered; None where it is
        not known. In a hangar a station's wind tells nothing."""
        setup, coming = self.settings.setup, self._departures.coming
        if setup is None or setup.stands != "outside" or not coming:
            return None
        return wind_ahead(self._heard.in_use(now_at), coming[0].start_at)

    def _in_background(self, work: Callable[[], None]) -> None:
        """Beside the ticks; at once in a run that jumps from tick to tick, which is then always the same."""
        if self.clock.rate == math.inf:
            work()
        else:
            self._slow.do(work)

    def _words_of_departures(self, t_s: float, batch: Batch) -> list[Announcement]:
        """What becomes of the departures with this tick, and what is to be said of them; nothing while the
        clock isn't known: their times would be wrong."""
        if not self._clock_ok:
            return []
        watch = self._watch
        said = self._departures.follow(self._utc(t_s), watch.heating, watch.heatup is not None, batch)
        return [self._announcement(word) for word in said]

    def _announcement(self, word: planning.Word) -> Announcement:
        """A word of a plan as one of the supervisor's: whoever is at the field is spoken to alone where it
        is meant for them, and a switch-on waits for nobody's quiet hours."""
        person = self.settings.planning.person
        known = self._messages.recipients if self._messages is not None else ()
        alone = word.to == "person" and person is not None and any(r.name == person for r in known)
        return Announcement(
            word.kind,
            word.key,
            word.valid_s,
            to=(person,) if alone and person is not None else (),
            overtakes=(f"plan-{word.departure}",),
            departure=word.departure,
            at_once=word.kind == "switch-on",
        )

    # -- commands

    def _poll_commands(self, stop: threading.Event) -> None:
        """Look once a real second whether somebody else has written."""
        watcher = store.connect(self.store.path, read_only=True)
        seen: int | None = None
        learned = store.newest_lesson(watcher)
        try:
            while not stop.wait(1.0):
                version = watcher.execute("PRAGMA data_version").fetchone()[0]
                if version != seen:
                    seen = version
                    self.answer_commands()
                    if (newest := store.newest_lesson(watcher)) != learned:
                        learned = newest
                        self._lesson_due_s = self.clock.monotonic()
        except sqlite3.Error as err:
            log.error("commands can't be read: %s", err)
        finally:
            watcher.close()

    def answer_commands(self) -> None:
        """Carry out and answer what waits; a command past its time is refused."""
        for command in self.store.waiting_commands():
            if command.kind in _WORKED_OUT:
                self._answer_beside(command)
                continue
            with self._lock:
                batch = Batch()
                self._answer(command, self._carry_out(command, batch), batch)

    def _answer(self, command: Command, answer: Answer, batch: Batch) -> None:
        """Keep what was carried out together with its answer, and show it. Under the tick's lock."""
        done, text = answer
        batch.statements.append(store.answer_command(command.id, json.dumps({"ok": done, "text": text})))
        if command.kind in _FORGOTTEN:
            batch.statements.append(store.forget_body(command.id))
        self._write(batch, self.clock.monotonic())
        if done and self._last is not None:
            self.status = self._document(*self._last)
            self._show(self._last[0])

    def _answer_beside(self, command: Command) -> None:
        """Have a question answered beside the ticks, once."""
        if command.id in self._being_answered:
            return
        self._being_answered.add(command.id)
        self._in_background(lambda: self._work_out_answer(command))

    def _work_out_answer(self, command: Command) -> None:
        """Answer a question from the last tick, frozen; what it plans is kept with the answer."""
        try:
            with self._lock:
                snapshot = None if self._last is None else self._snapshot(self._last[0])
            departure, answer = self._answer_to(command, snapshot)
            with self._lock:
                batch = Batch()
                if departure is not None and not self._departures.enter(
                    departure, self._utc(self.clock.monotonic()), batch
                ):
                    answer = False, "That departure isn't planned any more. The page shows which are."
                if answer[0] and not self._clock_ok:
                    answer = True, f"{words.CLOCK_NOT_SET} {answer[1]}"
                self._answer(command, answer, batch)
        finally:
            self._being_answered.discard(command.id)

    def _answer_to(
        self, command: Command, snapshot: planning.Snapshot | None
    ) -> tuple[planning.Departure | None, Answer]:
        if time.time() > command.expires_at:
            return None, _TOO_LATE
        if snapshot is None:
            return None, (False, "Nothing has been measured yet. Ask again in a minute.")
        try:
            if command.kind == "what-if":
                return None, self._departures.what_if(command.body, snapshot)
            ask = self._departures.plan if command.kind == "plan" else self._departures.move
            return ask(command.body, snapshot)
        except planning.NoSuchTime as err:
            return None, (False, str(err))
        except (KeyError, TypeError, ValueError) as err:
            return None, (False, f"The command is not complete ({err}). Nothing was changed.")

    def _carry_out(self, command: Command, batch: Batch) -> Answer:
        if time.time() > command.expires_at:
            return _TOO_LATE
        act = {
            "hand-reading": self._take_hand_reading,
            "undo-hand-reading": self._undo_hand_reading,
            "answer-alert": self._take_answer,
            "heater-said": self._take_heater_word,
            "oil-out": self._take_oil_out,
            "oil-back": self._take_oil_back,
            "exclude-heatup": self._exclude_heatup,
            "cancel-departure": self._told(Departures.cancel, "not-flying"),
            "started": self._told(Departures.started, "started"),
            "did-not-start": self._told(Departures.did_not_start, "did-not-start"),
            "timer-set": self._told(Departures.timer_set),
            "answer-link": self._take_link,
            pairing.OFFER: self._offer_code,
            pairing.TRY: self._try_code,
            pairing.END: self._end_session,
            "weather-said": self._take_weather_word,
            "flew": self._take_flew_word,
        }.get(command.kind)
        if act is None:
            return False, f"This version knows no command {command.kind}."
        try:
            return act(command.body, batch)
        except planning.NoSuchTime as err:
            return False, str(err)
        except (KeyError, TypeError, ValueError) as err:
            return False, f"The command is not complete ({err}). Nothing was changed."

    def _told(
        self, act: Callable[[Departures, Mapping[str, Any], Batch, float], Answer], said: str | None = None
    ) -> Callable[[Mapping[str, Any], Batch], Answer]:
        """What is told of a departure, carried out at this instant; the outing at hand hears of it too."""

        def carry_out(body: Mapping[str, Any], batch: Batch) -> Answer:
            now_s = self.clock.monotonic()
            start_at = self._departures.start_of(body)
            answer = act(self._departures, body, batch, self._utc(now_s))
            if answer[0] and start_at is not None and said is not None:
                batch.statements += self._logbook.hear_departure(said, start_at, now_s)
            return answer

        return carry_out

    def _take_hand_reading(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        return self._hand.take(body, batch, self.clock.monotonic())

    def _undo_hand_reading(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        return self._hand.undo(body, batch, self._utc(self.clock.monotonic()))

    def _offer_code(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        done, text = self._pairings.offer(body, batch, time.time())
        if done and not self._clock_ok:
            text += " The board's clock is not set: a pairing made before it is may then have run out."
        return done, text

    def _try_code(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        return self._pairings.try_code(body, batch, time.time())

    def _end_session(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        return self._pairings.end(body, batch, time.time())

    def _take_weather_word(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        done, text, statements = self._heard.take_word(body, self._utc(self.clock.monotonic()))
        batch.statements += statements
        return done, text

    def _take_flew_word(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        done, text, statements = self._logbook.take_word(body, self.clock.monotonic())
        batch.statements += statements
        return done, text

    def _exclude_heatup(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        """A heat-up teaches nothing any more, or teaches again; nothing of it is forgotten."""
        heatup, excluded, note = int(body["heatup"]), body["excluded"], body.get("note")
        if not isinstance(excluded, bool):
            return False, "Say whether it is to be left out."
        was = self.store.is_excluded(heatup)
        if was is None:
            return False, f"There is no heat-up {heatup}. probe-agent score shows their numbers."
        batch.statements.append(store.exclude_heatup(heatup, excluded, None if note is None else str(note)))
        if was != excluded:
            self._lesson_due_s = self.clock.monotonic()
        return True, words.exclusion(heatup, excluded, was)

    def _take_answer(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        alert, answer = str(body["alert"]), str(body["answer"])
        now_s = self.clock.monotonic()
        watch = supervisor.answer_alert(self._watch, alert, answer, now_s)
        if watch is None:
            return False, "That alert is no longer open."
        self._watch = watch
        batch.statements.append(store.answer_alert(alert, answer, self._utc(now_s)))
        return True, f"Noted: {words.answer_words(answer)}. If the curve contradicts it, I ask again."

    def _take_link(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        """An answer by a link, or by the code of a test message: each works once."""
        token, now_at = bytes.fromhex(str(body["hash"])), self._utc(self.clock.monotonic())
        link = self.store.link(token)
        if link is None:
            return False, "Nothing was done: no message of ours had that in it."
        if link.used_at is not None:
            return True, "Noted already."
        if now_at > link.expires_at:
            return False, "Nothing was done: this is over, or too old. The page says how things stand."
        name = link.alert.removeprefix(f"{store.TEST}:")
        if name != link.alert:
            batch.statements += [store.mark_proven(name, now_at), store.use_link(token, now_at)]
            self._tested[name] = (self._tested.get(name, (now_at, None))[0], now_at)
            return True, f"Noted: messages reach {name}."
        answer = words.link_answer(link.alert.partition(":")[0], link.harm)
        done, text = self._take_answer({"alert": link.alert, "answer": answer}, batch)
        if done:
            batch.statements.append(store.use_link(token, now_at))
        return done, text

    def _take_heater_word(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        on = body["on"]
        if not isinstance(on, bool):
            return False, "Say on or off."
        self._watch = supervisor.say_heater(self._watch, on, self.clock.monotonic())
        return True, f"Noted: the heater is {'on' if on else 'off'}."

    def _take_oil_out(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        self._watch = supervisor.say_oil(self._watch, True, self.clock.monotonic())
        return True, words.OIL_IS_OUT

    def _take_oil_back(self, body: Mapping[str, Any], batch: Batch) -> Answer:
        """Only with the level checked, for nothing here measures it."""
        if self._watch.oil_out_s is None:
            return False, "Nobody has said that the oil is out."
        if body.get("level_checked") is not True:
            return False, "Check the oil's level first; then say back in, level checked."
        self._watch = supervisor.say_oil(self._watch, False, self.clock.monotonic())
        return True, words.OIL_IS_BACK


class Worker:
    """A thread that works through what it is given, one after the other; it begins with the first of it."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._waiting: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def do(self, work: Callable[[], None]) -> None:
        """Have that done soon. Never blocks."""
        self._waiting.put(work)
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """End after what is at hand."""
        if self._thread is not None:
            self._waiting.put(None)
            self._thread.join(10.0)

    def _run(self) -> None:
        while (work := self._waiting.get()) is not None:
            try:
                work()
            except Exception:  # the next plan or question may well be answered
                log.exception("%s failed", self._name)


@dataclass(slots=True)
class Job:
    """Housekeeping of a run: what, how often [run s], when next [run s]."""

    work: Callable[[], object]
    every_s: float
    due_s: float


def _stored(place: str, sample: Reading | ProbeFault) -> StoredReading:
    if isinstance(sample, Reading):
        return StoredReading(place, sample.raw_c, sample.cold_c, sample.value_c, None)
    return StoredReading(place, None, sample.cold_c, None, sample.fault.value)
