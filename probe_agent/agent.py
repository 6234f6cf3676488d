"""The daemon: one tick from probe to status document, and the loop around it.

`Agent.tick` is the data path of the product, readable top to bottom.
"""

from __future__ import annotations

import json
import logging
import math
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import starmap
from pathlib import Path

import msgspec

from probe_agent import (
    chosen,
    outings,
    pairing,
    planning,
    pulse,
    store,
    supervisor,
    switching,
    telling,
    words,
)
from probe_agent.beside import WORKED_OUT, Beside
from probe_agent.by_hand import Answer, ByHand
from probe_agent.checking import Bench
from probe_agent.circuit import Heat, Shared, Sharer
from probe_agent.clock import Clock, awake_and_asleep_s, boot_id
from probe_agent.config import NEVER_COLDEST, Settings
from probe_agent.couriers import (
    Courier,
    MessageCourierLike,
    StatusCourier,
    Watchdog,
    Watched,
    WeatherCourierLike,
)
from probe_agent.departures import Departures
from probe_agent.document import Frame, document
from probe_agent.finding import Finding
from probe_agent.harness import Harness, grown_old, standing_in
from probe_agent.learning import SIGMA_C
from probe_agent.ledger import Ledger
from probe_agent.letters import Letters
from probe_agent.logbook import Logbook
from probe_agent.orders import Orders, Standing
from probe_agent.pairing import Pairings
from probe_agent.physics import Physics
from probe_agent.previews import Previews
from probe_agent.probes import Source
from probe_agent.pulse import Pulse
from probe_agent.readings import Forecast, Observation, Point, ProbeFault, Reading
from probe_agent.recovery import REPLACED, Card, read_replaced
from probe_agent.scribe import Scribe
from probe_agent.status import Curve, FrostNow, Recent, RunTime, Status, UnplacedNow, write_status
from probe_agent.store import Batch, Command, Store, StoredReading, TickRow
from probe_agent.supervisor import Announcement, Facts, Rules, Step, Watch
from probe_agent.switching import Plug, SwitchFacts
from probe_agent.switchman import AT_ONCE, Line, Moment, Switched, Switchman
from probe_agent.take_along import TakeAlongs
from probe_agent.thermal.ahead import AirKnown
from probe_agent.thermal.described import observation_of, prior_of
from probe_agent.thermal.prior import Prior
from probe_agent.weather.heard import Heard
from probe_agent.why import why_now

log = logging.getLogger(__name__)

COMMIT_HEATING_S = 60.0
COMMIT_QUIET_S = 300.0
KEEP_FORECAST_S = 300.0
CURVE_S = 8 * 3600.0
CURVE_STEP_S = 180.0
FROST_AHEAD_S = 86_400.0
CLOCK_STEP_S = 2.0
MOST_UNPLACED = 12
UNWRITTEN_TOLD_S = 60.0
BEGIN_ANEW_S = 10.0
"""A damaged record is brought back by a new start, at the earliest so long after the last one [real s]."""
PATIENCE_S, END_PATIENCE_S = 0.5, 10.0
"""For so long a tick waits for the card, and the daemon's end."""
EARLY_SHARE = 8
"""Early in a heat-up forecasts are kept more often: one in an eighth of the time since heater-on."""
CHANGE_VALID_S = 3 * 86_400.0
_TOLD_CHANGE = "told-change"
_FORGOTTEN = (pairing.OFFER, pairing.TRY, "take-sister")
"""Commands whose body isn't needed once they are answered, and is better not kept."""


_SOUND_CARD = Card()


class RecordDamagedError(Exception):
    """The store was found damaged while in use: the daemon has ended, its next start brings it back."""


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
        line: Line | None = None,
        listeners: Sequence[Courier] = (),
        sharing: Sharer | None = None,
        *,
        build: str = "",
        zone: str = "UTC",
        demo: bool = False,
        card: Card = _SOUND_CARD,
        then: Callable[[], object] = lambda: None,
    ) -> None:
        """listeners: couriers that are handed nothing, as of sources with a line of their own; card: what the
        start found of it; then: done after each commit, on the thread that writes."""
        self._file, self.clock, self.store = settings, clock, record
        settings = chosen.with_kept(settings, record.kept(chosen.KEPT))
        if settings != self._file:
            plan = replace(plan, rules=supervisor.rules_of(settings))
        self.settings, self.plan = settings, plan
        self._sources = tuple(sources)
        self._broker, self._messages = broker, messages
        self._weather, self._watchdog = weather, watchdog
        self._line, self._listeners, self._sharing = line, tuple(listeners), sharing
        self._shared = Shared(())
        self._build, self._zone, self._demo = build, zone, demo
        self.card, self.stopping = card, threading.Event()
        self._replaced = read_replaced(record.kept(REPLACED))
        self.jobs: list[Job] = []
        self.when_set: list[Callable[[], None]] = []
        """Done when the wall's clock was set."""
        self._lock = threading.RLock()
        self._status_file = Path(settings.store.runtime_dir) / "status.json"
        self._heard = Heard(settings, zone)
        self._hand = ByHand(record, [p for p in plan.places if p != "ambient"], zone)
        self._pairings = Pairings(record, settings.page, zone)
        self._logbook = Logbook(record, zone)
        self._ledger = Ledger(record, settings, plan.places)
        self._offset_s = clock.utc_offset_s()
        self._clock_ok = clock.utc_is_known()
        self._physics = Physics(
            settings,
            plan.places,
            plan.required,
            plan.rules,
            plan.prior,
            record,
            clock,
            self._lock,
            lambda: self._offset_s,
            lambda: self._watch.said_on_s if self._unprobed else None,
        )
        self._harness = Harness(record, plan.places, plan.required, plan.near_heater)
        self._finding = Finding()
        self._curve: deque[tuple[float | None, ...]] = deque(maxlen=round(CURVE_S / CURVE_STEP_S))
        self._before_s: float | None = None
        self._last_commit_s = self._last_forecast_s = self._curve_at = -math.inf
        self._ticks, self._looks = Pulse("sampling"), Pulse("commands")
        self._store_trouble: str | None = None
        self._unwritten_since_s: float | None = None
        self._poller: Watched | None = None
        self._deaf: str | None = None
        """Why commands can't be read."""
        self._lesson: tuple[float | None, float | None] | None = None
        """The newest lesson this run knows of."""
        self._polled_s: float | None = None
        """When it was last looked for commands: off must be heard while heat is on."""
        self._unwritten = Batch()
        self._in_flight: _Flight | None = None
        self._scribe = Scribe(record, at_once=clock.rate == math.inf, then=then)
        self._answered: set[str] = set()
        """Commands carried out whose answers aren't written yet."""
        self._with_next: list[store.Statement] = []
        """Written with the next commit and worth none of their own."""
        self._last: tuple[Facts, float | None] | None = None
        self._watch = Watch()
        self._unprobed = False
        """Whether there is no probe at all: what is known people have entered."""
        self.status: Status | None = None
        self._begin()

    # -- start and restart

    def _begin(self) -> None:
        """Register this run in the store, take up what an earlier run left, relive the last hours."""
        now_s = self.clock.monotonic()
        plan = self.plan
        self.store.describe_places({p: (p in plan.required, p in plan.near_heater) for p in plan.places})
        self._setup_id = self._keep_setup()
        self._departures = Departures(self.store, self.settings, self._zone, self._setup_id)
        self._departures.recall(self._utc(now_s))
        self._harness.bind_first(self.settings.probes, self._utc(now_s))
        self._letters = Letters(
            self.settings, self._messages, self.store, self._departures, self._zone, self.clock.standing
        )
        self._switchman: Switchman | None = None
        if self.settings.switch is not None and self._line is not None:
            began = Moment(now_s, self._utc(now_s))
            self._switchman = Switchman(self.settings, self.settings.switch, self.store, self._line, began)
        self._previews = Previews(self.store, lambda: self._physics.course, self.clock.rate == math.inf)
        take_alongs = TakeAlongs(self.store, self.settings, self._physics)
        self._orders = Orders(
            self.store,
            self._hand,
            self._pairings,
            self._heard,
            self._logbook,
            self._departures,
            self._letters,
            self._physics,
            self._previews,
            self._harness,
            self._finding,
            self._bench,
            take_alongs,
            self._file,
            self._choose,
            self._switchman,
        )
        self._beside = Beside(
            self.settings.setup,
            self._departures,
            self._heard,
            self._physics,
            take_alongs,
            self._lock,
            at_once=self.clock.rate == math.inf,
        )
        watch, told_offset = self._kept_watch()
        boot = self.store.begin_boot(boot_id(), self._offset_s, self._clock_ok)
        if watch is None:
            self._watch = Watch(born=boot)
        else:
            by_s = told_offset - self._offset_s
            if watch.t_s is not None:
                by_s = min(by_s, now_s - watch.t_s)  # a clock that went back can't have seen the future
            self._watch = supervisor.shifted(watch, by_s)
        self._told_change = self.store.kept(_TOLD_CHANGE)
        self._logbook.recall(now_s, self._offset_s)
        self._ledger.recall(now_s, self._offset_s)
        self._ledger.catch_up(now_s, at_once=self.clock.rate == math.inf)
        self._physics.recall()
        self._heard.recall(self.store, self._utc(now_s))
        self._physics.teach_again()
        self._physics.relive(now_s)
        for row in self.store.curve(self._utc(now_s - CURVE_S), self._utc(now_s)):
            self._keep_curve(row.at, row.values_c, row.heater)
        self._hand.enter_again(self._utc(now_s), self._offset_s)

    def _bench(self) -> Bench:
        """What checks of probes need to know of this run."""
        setup, known = self.settings.setup, self.air_known()
        return Bench(
            tuple(p for p in self.plan.places if p not in NEVER_COLDEST),
            {p.address: p.thermocouple for p in self.settings.probes if p.thermocouple != "K"},
            known.sun_h if setup is None or setup.stands == "outside" else None,
            self._physics.course,
            self._physics.knowledge.reads_heater_c,
        )

    def _choose(self) -> None:
        """What people chose has changed: it holds from now on."""
        changes = chosen.read_changes(self.store.kept(chosen.KEPT))
        settings = chosen.with_chosen(self._file, changes)
        rules = supervisor.rules_of(settings)
        aims_anew = rules.target_c != self.plan.rules.target_c
        self.settings, self.plan = settings, replace(self.plan, rules=rules)
        self._letters.go_by(settings)
        self._departures.go_by(settings)
        if aims_anew:
            self._physics.aim(rules)

    def _keep_setup(self) -> int | None:
        setup = self.settings.setup
        if setup is None:
            return None
        return self.store.keep_setup(
            setup.name, msgspec.json.encode(setup).decode(), self._utc(self.clock.monotonic())
        )

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

    # -- the loop

    def run(self, stop: threading.Event) -> None:
        """Tick until `stop` is set or every source has ended; then commit what is held.

        Raises RecordDamagedError where the store turned out to be damaged and has to be brought back.
        """
        began_s = awake_and_asleep_s()
        self._poller = Watched("commands", lambda: self._poll_commands(stop), stop)
        self._looks.expect(pulse.STORE_S)
        self._poller.start()
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
                    self._tick_whatever()
                    self._run_jobs()
                if self.store.damaged and awake_and_asleep_s() - began_s > BEGIN_ANEW_S:
                    raise RecordDamagedError(self.store.damaged)
        finally:
            self._finish()

    def _tick_whatever(self) -> None:
        """A tick that a record which can't be read ends early is not the daemon's end."""
        try:
            self.tick()
        except sqlite3.Error as err:
            self._doubt_card(awake_and_asleep_s(), words.unwritten(str(err), self.store.lost_ticks))

    @property
    def pulses(self) -> tuple[Pulse, ...]:
        """The rounds of the daemon's threads, the ticks' first. Those of work that ends are none of them."""
        own = (self._ticks, self._looks, self._scribe.pulse)
        return (*own, *(p for c in self._couriers for p in c.pulses))

    @property
    def _couriers(self) -> list[Courier]:
        couriers = (self._line, self._messages, self._broker, self._weather, self._watchdog)
        more = (*self._listeners, *([] if self._sharing is None else [self._sharing]))
        return [*(c for c in couriers if c is not None), *more]

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
            self._watch = msgspec.structs.replace(self._watch, heatup=None)
            closing = store.close_heatup(self._tick, reason)
            self._write(Batch(statements=[closing]), self.clock.monotonic())

    def _end_recording(self) -> None:
        """Nothing more will be measured: the heat-up ends, and teaches what it can."""
        self._close_heatup("the recording ended")
        self._write(Batch(), self.clock.monotonic(), force=True)
        self._physics.learn_all()

    def _finish(self) -> None:
        if self._line is not None:
            self._line.stop()  # off before anything else
        self.stopping.set()
        self._physics.stop()
        self._ledger.stop()
        self._previews.stop()
        self._beside.stop()
        with self._lock:
            self._write(Batch(), self.clock.monotonic(), force=True)
        self._scribe.stop()
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
            now_s, tick_s = self.clock.monotonic(), awake_and_asleep_s()
            plug = self._plug(now_s - tick_s)
            self._keep_time()
            scans = [source.read(now_s) for source in self._sources]
            t_s = max((s.t_s for s in scans), default=now_s)
            self._finding.follow(scans, t_s)
            hand = self._hand.read(t_s)
            samples = self._harness.at_places(zip((s.name for s in self._sources), scans, strict=True))
            self._hear(samples.get("ambient"))
            power_w = self._power_w(plug, now_s)
            heater = next((s.heater for s in scans if s.heater is not None), self._share(power_w))
            self._unprobed = not any(s.samples for s in scans)
            signal = heater if heater is not None else self._heater_as_told()
            forecast = self._physics.see(self._observation(t_s, samples, signal))
            measured = self._harness.points(samples, forecast, t_s)
            points = supervisor.doubt(standing_in(measured, hand, forecast), forecast)
            points = self._less_heater(grown_old(points, hand) if self._unprobed else points, forecast)
            facts = self._facts(t_s, points, forecast, heater)
            facts, switched = self._switch(facts, measured, plug, tick_s)
            step = supervisor.step(self._watch, facts, self.plan.rules)
            self._watch, self._last = step.watch, (facts, heater)
            became = self._follow_outings(measured, heater, t_s)
            self._beside.plan_when_due(facts, self._watch, self._offset_s, self._keep_with_next)
            self.status = self._document(facts, heater)
            self._hold(facts, samples, signal, step)
            batch = self._batch(step, t_s, switched)
            batch.statements += became + self._follow_ledger(facts, heater, power_w)
            self._write(batch, t_s)
            if self._switchman is not None:
                self._switchman.say()
            self._show()
            if self._physics.has_lesson(step, t_s):
                self._write(Batch(after=[self._physics.learn]), t_s, now=True)
            if self._watchdog is not None:
                self._watchdog.beat()
            if self._poller is not None:
                self._poller.look()
            self._ticks.beat(max(pulse.TICK_S, 3 * self.settings.sampling.interval_s / self.clock.rate))

    def _heater_as_told(self) -> float | None:
        """The heater's share as somebody said, where no probe could tell; whoever measures sees it."""
        if not self._unprobed or (self._watch.said_on_s is None and self._watch.said_off_s is None):
            return None
        return 0.0 if self._watch.said_on_s is None else 1.0

    def _facts(
        self, t_s: float, points: tuple[Point, ...], forecast: Forecast, heater: float | None
    ) -> Facts:
        found = self._departures.unsettled(self._utc(t_s) - supervisor.START_FORGOTTEN_S)
        expected_at = None if found is None else self._departures.expected_at(found)
        departure_at = None if expected_at is None else expected_at - self._offset_s
        look_s = self._look_s(t_s, departure_at)
        facts = Facts(
            t_s,
            points,
            forecast,
            departure_at,
            look_s,
            self._clock_ok,
            heater,
            unprobed=self._unprobed,
            record=self._troubles_of_record(t_s),
        )
        if found is None:
            return facts
        return replace(facts, prepare_s=found.uncovered_s, told_late_s=found.told.late_s)

    def _troubles_of_record(self, t_s: float) -> tuple[tuple[str, float], ...]:
        """What is wrong with the record, and since when [run s]."""
        found = []
        for_s = 0.0 if self._unwritten_since_s is None else awake_and_asleep_s() - self._unwritten_since_s
        if self.card.stand_in is not None or for_s >= UNWRITTEN_TOLD_S:
            found.append(("record-unwritten", t_s - for_s))
        if self.card.forgets:
            found.append(("card-forgets", t_s))
        if any(a.kind == "record-damaged" and a.answered for a in self._watch.alerts):
            self._replaced = None
            self._unwritten.statements.append(store.keep_value(REPLACED, "null"))
        if self._replaced is not None:
            found.append(("record-damaged", min(self._replaced.at - self._offset_s, t_s)))
        return tuple(found)

    def _look_s(self, t_s: float, departure_at: float | None) -> float | None:
        """The last instant at which a morning look was due [run s]; None where none is wanted that day."""
        said = self.settings.messages
        if said.morning_look is None:
            return None
        look_at = telling.last_look_at(said.morning_look, self._utc(t_s), self._zone)
        flies = departure_at is not None and telling.is_same_day(self._utc(departure_at), look_at, self._zone)
        return look_at - self._offset_s if flies or said.morning_look_daily else None

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
        heats, now_at = self._watch.heatup is not None, self._utc(t_s)
        first_at, last_at = now_at - outings.PASSED_LONG_S, now_at + outings.NEAR_START_S
        departure = self._departures.nearest(first_at, last_at, now_at)
        return self._logbook.follow(t_s, measured, heats, heater, self._offset_s, departure)

    def _follow_ledger(
        self, facts: Facts, heater: float | None, power_w: float | None
    ) -> list[store.Statement]:
        """What settled and what was spent with this tick. power_w: measured [W], None where nobody does."""
        memory = self._physics.knowledge.memory
        return self._ledger.follow(
            facts.t_s,
            facts.points,
            facts.forecast,
            self._watch,
            heater,
            power_w,
            memory,
            self._offset_s,
        )

    def air_known(self) -> AirKnown:
        """All that is known of the air now; `thermal.ahead.air_ahead` tells from it what comes."""
        with self._lock:
            return self._heard.known(self.clock.monotonic(), self._offset_s)

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

    def _less_heater(self, points: tuple[Point, ...], forecast: Forecast) -> tuple[Point, ...]:
        reads_heater_c = self._physics.knowledge.reads_heater_c
        return supervisor.less_heater(self._watch, points, reads_heater_c, forecast)

    # -- the plug

    def _now(self) -> Moment:
        now_s = self.clock.monotonic()
        return Moment(now_s, self._utc(now_s))

    def _plug(self, by_s: float) -> Plug:
        """What is known of the plug, in run seconds. by_s: run seconds less the line's."""
        return switching.in_run_seconds(self._line.seen(), by_s) if self._line is not None else Plug()

    def _power_w(self, plug: Plug, now_s: float) -> float | None:
        """What the heater draws by the plug's measurement [W]; None where nobody measures."""
        return self._switchman.power_w(plug, now_s) if self._switchman is not None else None

    def _share(self, power_w: float | None) -> float | None:
        """Measured power as a share of the heater's full power."""
        setup = self.settings.setup
        return None if power_w is None or setup is None else min(power_w / setup.watts, 1.0)

    def _switch(
        self, facts: Facts, measured: tuple[Point, ...], plug: Plug, tick_s: float
    ) -> tuple[Facts, Switched]:
        """What this tick means for the plug. Off goes out at once, on at the tick's end."""
        man, watch = self._switchman, self._watch
        shared = self._share_circuit(facts.t_s, man)
        if man is None:
            return facts, Switched()
        seen = self._switch_facts(facts, measured, plug, tick_s, shared)
        coming = shared.coming
        switched = man.decide(seen, coming if self._clock_ok else (), self._now(), tick_s)
        self._follow_claim()
        if switched.went_on is not None:
            self._watch = supervisor.say_heater(watch, switched.went_on, facts.t_s)
        self._departures.plug_acts = man.acts
        return replace(facts, alarms=tuple((a.kind, a.since_s) for a in man.alarms)), switched

    def _switch_facts(
        self, facts: Facts, measured: tuple[Point, ...], plug: Plug, tick_s: float, shared: Shared
    ) -> SwitchFacts:
        """What the switch has to know of this tick."""
        watch = self._watch
        broke_s = min((s for s in (self._unwritten_since_s, self._polled_s) if s is not None), default=None)
        return SwitchFacts(
            facts.t_s,
            facts.points,
            measured,
            plug,
            oil_out=watch.oil_out_s is not None,
            ready_s=watch.heatup.ready_s if watch.heatup is not None else None,
            start_s=facts.departure_at,
            planned=frozenset(d.number for d in shared.coming),
            trends=facts.forecast.trends_c_per_h,
            signs=frozenset(s.kind for s in watch.signs),
            heating=facts.forecast.heating,
            unwritten_s=0.0 if broke_s is None else tick_s - broke_s,
            circuit_full=bool(shared.full),
            pressed_full=bool(shared.pressed_full),
            circuit_over=shared.over,
            circuit_beyond=shared.beyond,
            circuit_claim=shared.claim,
        )

    def _share_circuit(self, t_s: float, man: Switchman | None) -> Shared:
        """What this tick means on a circuit that others share, and what they are told of it."""
        coming = self._departures.coming
        if self._sharing is None:
            return Shared(coming)
        heat = Heat(self._watch.heating is True) if man is None else man.heat(coming, self._offset_s)
        self._shared = self._sharing.look(self._utc(t_s), coming, heat, self._clock_ok)
        self._departures.earlier = {
            d.number: d for d, was in zip(self._shared.coming, coming, strict=True) if d is not was
        }
        return self._shared

    def _follow_claim(self) -> None:
        """The others on a circuit hear at once that the plug is about to go on, or isn't any more."""
        man = self._switchman
        if self._sharing is not None and man is not None:
            heat = man.heat(self._departures.coming, self._offset_s)
            self._sharing.follow(heat, self._utc(self.clock.monotonic()))

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

    def _batch(self, step: Step, t_s: float, switched: Switched) -> Batch:
        """Everything that must be acknowledged with this tick."""
        batch = Batch(transitions=list(step.transitions), statements=list(switched.statements))
        batch.withdrawn += [(kind, None) for kind in step.withdrawn]
        words_now = [
            *step.announcements,
            *switched.said,
            *self._words_of_departures(t_s, batch),
            *self._change(batch),
            *self._letters.due_tests(batch, self._utc(t_s), self._clock_ok),
        ]
        assert self.status is not None
        self._letters.tell(words_now, batch, self._utc(t_s), self._watch, self.status)
        batch.statements += self._heatup_statements(step)
        batch.statements += self._alert_statements(step, t_s)
        return batch

    def send_tests(self) -> None:
        """Send each recipient the weekly test message. Called by the scheduler, or by the loop where the
        run's time is not the wall's."""
        with self._lock:
            if self._messages is None or self.status is None:
                return
            batch, t_s = Batch(), self.clock.monotonic()
            tests = self._letters.tests(batch, self._utc(t_s))
            self._letters.tell(tests, batch, self._utc(t_s), self._watch, self.status)
            self._write(batch, t_s)

    def _change(self, batch: Batch) -> list[Announcement]:
        """Word, once, of what the last heat-up showed to be changed for good."""
        if (changed := self._physics.knowledge.changed) is None:
            return []
        key = f"setup-changed:{changed[0]}"
        if self._told_change == key:
            return []
        self._told_change = key
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

    def _write(self, batch: Batch, t_s: float, now: bool = False, force: bool = False) -> None:
        """Commit at once what must be acknowledged, readings when their time has come.

        What a refusing disk didn't take stays, and is tried again with the next tick. A slow one is waited
        for a moment; then its commit goes on beside the ticks.
        """
        self._unwritten.add(batch)
        harm = any(a.harm and a.answered is None for a in self._watch.alerts)
        warming = self._watch.heatup is not None and self._watch.heating is not False
        span_s = COMMIT_HEATING_S if warming or harm else COMMIT_QUIET_S
        if not (self._unwritten or now or force or t_s - self._last_commit_s >= span_s):
            return
        if not self._has_settled(END_PATIENCE_S if force else 0.0):
            return
        watch = msgspec.json.encode((self._offset_s, self._watch)).decode()
        kept = [
            store.keep_value("watch", watch),
            self._logbook.keeping_watch(),
            *self._ledger.keeping(t_s, now or force),
        ]
        self._begin_commit(Batch(statements=kept), t_s)
        self._has_settled(END_PATIENCE_S if force else PATIENCE_S)

    def _begin_commit(self, kept: Batch, t_s: float) -> None:
        # What could wait first: what is written at once may be of the same departure, and later.
        whole = Batch(statements=list(self._with_next)).add(self._unwritten).add(kept)
        self._in_flight = _Flight(self._unwritten, self._with_next, whole, t_s, awake_and_asleep_s())
        self._unwritten, self._with_next = Batch(), []
        self._scribe.begin(whole)

    def _has_settled(self, patience_s: float = 0.0) -> bool:
        """Whether no commit is under way, after waiting so long at most for the one that is [real s]."""
        flight = self._in_flight
        if flight is None:
            return True
        if not self._scribe.is_done(patience_s):
            if patience_s or self._store_trouble is None:
                self._doubt_card(flight.begun_s, words.CARD_IS_SLOW)
            return False
        self._in_flight = None
        if (err := self._scribe.outcome()) is None:
            self._having_written(flight)
        else:
            flight.batch.shift(flight.set_by_s)
            self._unwritten = flight.batch.add(self._unwritten)
            self._with_next = [*flight.with_next, *self._with_next]
            self._doubt_card(flight.begun_s, words.unwritten(str(err), self.store.lost_ticks))
            self._nudge(flight.whole)
        return True

    def _doubt_card(self, since_s: float, trouble: str) -> None:
        if trouble != self._store_trouble:
            log.error("%s", trouble)
        self._store_trouble = trouble
        if self._unwritten_since_s is None:
            self._unwritten_since_s = since_s

    def _having_written(self, flight: _Flight) -> None:
        self._store_trouble = self._unwritten_since_s = None
        self._last_commit_s = flight.t_s
        if not self._unwritten:
            self._answered.clear()
        for do in flight.whole.after:
            do()
        self._nudge(flight.whole)

    def _nudge(self, batch: Batch) -> None:
        if batch.messages and self._messages is not None:
            self._messages.nudge()

    def _keep_time(self) -> None:
        """Follow the wall clock: a step, or its becoming known, changes this boot's one row."""
        offset_s, known = self.clock.utc_offset_s(), self.clock.utc_is_known()
        if abs(offset_s - self._offset_s) > CLOCK_STEP_S or known != self._clock_ok:
            by_s, self._offset_s, self._clock_ok = offset_s - self._offset_s, offset_s, known
            self._letters.shift(by_s)
            self.store.shift_aside(by_s)
            self._unwritten.shift(by_s)
            if self._in_flight is not None:
                self._in_flight.set_by_s += by_s
            for act in self.when_set:
                act()
            mending = self.store.clock_was_set(offset_s, known, self.clock.standing().base, by_s)
            self._unwritten.add(mending).after.append(self._hear_again)

    def _hear_again(self) -> None:
        self._heard.recall(self.store, self._utc(self.clock.monotonic()))

    # -- showing

    def _show(self) -> None:
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
            self._physics.learned(),
            self._departures.shown(self._utc(facts.t_s)),
            self._heard.shown(self._utc(facts.t_s)),
            self._logbook.shown(self.clock.monotonic()),
            None if self._switchman is None else self._switchman.shown(self._now()),
            why_now(facts.points, facts.forecast.core_c, self.settings.engine),
            self._ledger.shown(),
            self._frost(self._utc(facts.t_s)),
            self._beside.hold_when_due(facts, self._watch, self._offset_s),
            unprobed=self._unprobed,
            circuit=self._shared.said,
            unplaced=tuple(starmap(_unplaced, self._harness.unplaced[:MOST_UNPLACED])),
            identify=self._finding.shown,
        )
        return document(frame, run, self._offset_s, self._watch, facts, heater, self._notes())

    def _notes(self) -> tuple[str, ...]:
        troubles = [*(c.trouble for c in self._couriers), self._physics.trouble]
        own = (
            words.strangers(self._harness.strangers),
            self._of_card(),
            self._air_missing(),
            self._physics.relearning(),
            words.working_out_moisture(self._ledger.progress),
            words.unproven(self._letters.unproven),
        )
        return tuple(
            t for t in (self._store_trouble, self._deaf, *troubles, *own, *self._shared.troubles) if t
        )

    def _of_card(self) -> str | None:
        """What became of the record, while somebody has to know."""
        if self.card.stand_in is not None:
            return words.in_memory(self.card.stand_in)
        if (told := self._replaced) is None:
            return None
        now_at = self._utc(self.clock.monotonic())
        return words.brought_back(told.at, told.copy_at, told.exported, told.aside, self._zone, now_at)

    def _frost(self, now_at: float) -> FrostNow:
        """Frost on the aircraft within a day, or until a start that is planned within two."""
        starts = [d.start_at for d in self._departures.coming]
        soon = [at for at in starts if now_at < at <= now_at + 2 * FROST_AHEAD_S]
        return self._heard.frost(now_at, max([now_at + FROST_AHEAD_S, *soon]))

    def _air_missing(self) -> str | None:
        now_at = self._utc(self.clock.monotonic())
        return words.air_missing(self._heard.shown(now_at), self._zone, now_at)

    def _utc(self, t_s: float) -> float:
        return t_s + self._offset_s

    # -- planning

    def _snapshot(self, facts: Facts) -> planning.Snapshot:
        return self._beside.freeze(facts, self._watch, self._offset_s)

    def _keep_with_next(self, statements: list[store.Statement]) -> None:
        """Keep a plan with the next commit: lost with the power, it is worked out again."""
        self._with_next += statements

    def _words_of_departures(self, t_s: float, batch: Batch) -> list[Announcement]:
        """What becomes of the departures with this tick, and what is to be said of them; nothing while the
        clock isn't known: their times would be wrong."""
        if not self._clock_ok:
            return []
        watch = self._watch
        said = self._departures.follow(self._utc(t_s), watch.heating, watch.heatup is not None, batch)
        return [self._letters.of_plan(word) for word in said]

    # -- commands

    def _poll_commands(self, stop: threading.Event) -> None:
        """Look once a real second whether somebody else has written, whatever befalls the record."""
        while not stop.is_set():
            self._looks.beat(pulse.STORE_S)
            try:
                with closing(store.connect(self.store.path, read_only=True)) as watcher:
                    self._watch_commands(watcher, stop)
            except Exception as err:  # a thread that ends would hear nobody any more
                if self._deaf is None:
                    log.error("commands can't be read: %s: %s", type(err).__name__, err)
                self._deaf = f"What people ask for can't be read ({err}). It is tried again each second."
                stop.wait(1.0)

    def _watch_commands(self, watcher: sqlite3.Connection, stop: threading.Event) -> None:
        """Answer what waits, and whenever somebody has written. Raises sqlite3.Error."""
        seen: int | None = None
        if self._lesson is None:
            self._lesson = store.newest_lesson(watcher)
        while not stop.wait(1.0):
            self._looks.beat(pulse.STORE_S)
            version = watcher.execute("PRAGMA data_version").fetchone()[0]
            if version == seen or self.answer_commands():
                self._polled_s, self._deaf = awake_and_asleep_s(), None
                seen = version
            if (newest := store.newest_lesson(watcher)) != self._lesson:
                self._lesson = newest
                self._physics.teach_again()

    def answer_commands(self) -> bool:
        """Carry out and answer what waits; a command past its time is refused. False where a commit is under
        way that has to end first."""
        for command in self.store.waiting_commands():
            if command.id in self._answered:
                continue
            if command.kind in WORKED_OUT:
                self._answer_beside(command)
                continue
            man = self._switchman if command.kind in AT_ONCE else None
            if man is not None:
                man.veto()
            with self._lock:
                if not self._has_settled():
                    return False
                self._carry_out(command)
                if man is not None:
                    man.heed()
                self._follow_claim()
        if self._hand.came_out_of_order():
            self._beside.live_again()
        return True

    def _carry_out(self, command: Command) -> None:
        """Do what a command says, and answer it. Under the tick's lock. Raises sqlite3.Error."""
        batch = Batch()
        now_s = self.clock.monotonic()
        at = Standing(self._watch, now_s, self._utc(now_s), self._clock_ok)
        self._see_circuit()
        try:
            answer = self._orders.carry_out(command, batch, at)
            self._watch = at.watch
        except sqlite3.Error:
            raise
        except Exception as err:  # else it would stand in the way of all later ones
            log.exception("command %s failed", command.kind)
            batch, answer = Batch(), _failed(err)
        self._answer(command, answer, batch)

    def _see_circuit(self) -> None:
        """A press goes by what was heard of the circuit until now, not until the last tick."""
        if self._sharing is not None and self._switchman is not None:
            self._switchman.see_circuit(self._sharing.is_full(self._utc(self.clock.monotonic())))

    def _answer(self, command: Command, answer: Answer, batch: Batch) -> None:
        """Keep what was carried out together with its answer, and show it. Under the tick's lock."""
        done, text, *field = answer
        said = {"ok": done, "text": text, **({"field": field[0]} if field else {})}
        batch.statements.append(store.answer_command(command.id, json.dumps(said)))
        if command.kind in _FORGOTTEN:
            batch.statements.append(store.forget_body(command.id))
        self._answered.add(command.id)
        self._write(batch, self.clock.monotonic())
        if done and self._last is not None:
            self.status = self._document(*self._last)
            self._show()

    def _answer_beside(self, command: Command) -> None:
        """Have a question answered from the last tick, frozen; what it plans is kept with the answer."""

        def freeze() -> planning.Snapshot | None:
            with self._lock:
                return None if self._last is None else self._snapshot(self._last[0])

        def done(departure: planning.Departure | None, answer: Answer) -> None:
            with self._lock:
                batch, now_at = Batch(), self._utc(self.clock.monotonic())
                if departure is not None and not self._departures.enter(departure, now_at, batch):
                    answer = False, "That departure isn't planned any more. The page shows which are."
                if answer[0] and not self._clock_ok:
                    answer = True, f"{words.CLOCK_NOT_SET} {answer[1]}"
                self._answer(command, answer, batch)

        self._beside.answer(command, freeze, done)


@dataclass(slots=True)
class _Flight:
    """A commit under way: what was wanted at once and with the next one, all that is written, the tick's
    instant, and since when [s of the clock that goes on in sleep]."""

    batch: Batch
    with_next: list[store.Statement]
    whole: Batch
    t_s: float
    begun_s: float
    set_by_s: float = 0.0
    """By how much the clock was set meanwhile."""


@dataclass(slots=True)
class Job:
    """Housekeeping of a run: what, how often [run s], when next [run s]."""

    work: Callable[[], object]
    every_s: float
    due_s: float


def _unplaced(source: str, sample: Reading | ProbeFault) -> UnplacedNow:
    if isinstance(sample, Reading):
        return UnplacedNow(source, sample.address, round(sample.value_c, 2))
    return UnplacedNow(source, sample.address, fault=sample.fault.value)


def _failed(err: Exception) -> Answer:
    return False, f"That could not be carried out ({type(err).__name__}); the daemon's log says more."


def _stored(place: str, sample: Reading | ProbeFault) -> StoredReading:
    if isinstance(sample, Reading):
        return StoredReading(place, sample.raw_c, sample.cold_c, sample.value_c, None)
    return StoredReading(place, sample.raw_c, sample.cold_c, None, sample.fault.value)
