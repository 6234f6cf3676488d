"""What is worked out beside the ticks, each from one tick, frozen: plans that are due, and questions."""

from __future__ import annotations

import logging
import math
import queue
import threading
import time
from collections.abc import Callable

from probe_agent import planning, supervisor
from probe_agent.by_hand import Answer
from probe_agent.config import Setup
from probe_agent.departures import Departures
from probe_agent.orders import TOO_LATE
from probe_agent.physics import Physics
from probe_agent.store import Batch, Command, Statement
from probe_agent.supervisor import Facts, Watch
from probe_agent.take_along import TakeAlongs
from probe_agent.thermal.answers import LONGEST_HOLD_S, Outlook, holds
from probe_agent.weather.heard import Heard, wind_ahead

log = logging.getLogger(__name__)

HOLD_EVERY_S = 300.0
"""How long an answer to "how long does it stay above target" stands."""

WORKED_OUT = frozenset({"what-if", "plan", "move-departure", "take-along"})
"""Commands whose answer is worked out beside the ticks."""


class Beside:
    """Plans and answers in the making. at_once: in a run that jumps from tick to tick everything is done at
    once, so that it is always the same."""

    def __init__(
        self,
        setup: Setup | None,
        departures: Departures,
        heard: Heard,
        physics: Physics,
        take_alongs: TakeAlongs,
        lock: threading.RLock,
        at_once: bool,
    ) -> None:
        self._setup, self._departures, self._heard, self._physics = setup, departures, heard, physics
        self._take_alongs, self._lock, self._at_once = take_alongs, lock, at_once
        self._slow = Worker("planning")
        self._being_answered: set[str] = set()
        self._is_planning = False
        self._hold: tuple[float, float | None] | None = None
        """Until when it stays above target as it stands, and uncovered [run s]."""
        self._hold_at = -math.inf

    def stop(self) -> None:
        """End after what is at hand."""
        self._slow.stop()

    def _do(self, work: Callable[[], None]) -> None:
        if self._at_once:
            work()
        else:
            self._slow.do(work)

    # -- the tick, frozen

    def freeze(self, facts: Facts, watch: Watch, offset_s: float) -> planning.Snapshot:
        """The last tick, for what is worked out beside it. Under the tick's lock."""
        coldest, now_at = supervisor.coldest_of(facts.points), facts.t_s + offset_s
        outlook = self._physics.estimator.outlook(*self._comes_off(), self._wind_at_start(now_at))
        return planning.Snapshot(
            now_at=now_at,
            offset_s=offset_s,
            outlook=outlook,
            air=self._heard.known(facts.t_s, offset_s),
            air_now_c=next((p.value_c for p in facts.points if p.place == "ambient"), None),
            coldest=coldest.place if coldest is not None else None,
            coldest_c=coldest.counted_c if coldest is not None else None,
            missing=supervisor.missing_places(facts.points),
            heating=watch.heating,
            flown=watch.flown,
            heat_ups=self._physics.heat_ups,
            sister=self._physics.sister[1],
            basis=self._basis(facts, watch, now_at),
        )

    def _basis(self, facts: Facts, watch: Watch, now_at: float) -> str:
        """What plans rest on besides the curve and the clock."""
        missing = ",".join(supervisor.missing_places(facts.points))
        weather = self._heard.in_use(now_at)
        said = (weather.source, weather.issued_at) if weather is not None else None
        learned = f"{self._physics.knowledge.stamp}|{self._physics.sister}"
        return f"{learned}|{watch.heating}|{missing}|{watch.flown}|{said}"

    def _wind_at_start(self, now_at: float) -> float | None:
        """The wind told for the next planned start [m/s], when the engine stands uncovered; None where it is
        not known. In a hangar a station's wind tells nothing."""
        setup, coming = self._setup, self._departures.coming
        if setup is None or setup.stands != "outside" or not coming:
            return None
        return wind_ahead(self._heard.in_use(now_at), coming[0].start_at)

    # -- plans

    def plan_when_due(
        self, facts: Facts, watch: Watch, offset_s: float, keep: Callable[[list[Statement]], None]
    ) -> None:
        """Have plans worked out that are due; no tick waits for them. keep: takes what is to be written
        with the next commit, under the tick's lock."""
        if self._is_planning or not self._departures.coming:
            return
        now_at, coldest = facts.t_s + offset_s, supervisor.coldest_of(facts.points)
        coldest_c = coldest.counted_c if coldest is not None else None
        due = self._departures.due(now_at, coldest_c, self._basis(facts, watch, now_at))
        if not due:
            return
        self._is_planning = True
        snapshot = self.freeze(facts, watch, offset_s)
        self._do(lambda: self._work_out(due, snapshot, keep))

    def _work_out(
        self,
        numbers: tuple[int, ...],
        snapshot: planning.Snapshot,
        keep: Callable[[list[Statement]], None],
    ) -> None:
        try:
            plans = self._departures.work_out(numbers, snapshot)
        finally:
            self._is_planning = False
        with self._lock:
            batch = Batch()
            self._departures.take(plans, snapshot.now_at, batch)
            keep(batch.statements)

    def _step_table(self) -> None:
        """The next row of the table to take along; a question that waits meanwhile comes between."""
        if self._take_alongs.step():
            self._do(self._step_table)

    def live_again(self) -> None:
        """Have the physics live through the last hours anew: some seconds, that no tick waits for."""
        self._do(self._physics.live_again)

    # -- how long it holds

    def hold_when_due(self, facts: Facts, watch: Watch, offset_s: float) -> tuple[int, int | None] | None:
        """For how long it stays above target if heat goes off, as last worked out, as Status.hold_min has it;
        None while it isn't above."""
        if watch.above_since_s is None:
            self._hold, self._hold_at = None, -math.inf
        elif facts.t_s - self._hold_at >= HOLD_EVERY_S:
            self._hold_at = facts.t_s
            outlook = self._outlook_now(facts.t_s + offset_s)
            if outlook is not None:
                self._do(lambda: self._work_out_hold(outlook))
        if self._hold is None:
            return None
        standing, bare = (None if t is None else max(0, int((t - facts.t_s) / 60)) for t in self._hold)
        return standing or 0, bare

    def _outlook_now(self, now_at: float) -> Outlook | None:
        setup = self._setup
        outside = setup is not None and setup.stands == "outside"
        wind_m_s = wind_ahead(self._heard.in_use(now_at), now_at) if outside else None
        return self._physics.estimator.outlook(*self._comes_off(), wind_m_s)

    def _comes_off(self) -> tuple[bool, bool]:
        """Whether there is a cover, and whether there are plugs."""
        setup = self._setup
        return setup is not None and setup.cover, setup is not None and setup.cowl_plugs

    def _work_out_hold(self, outlook: Outlook) -> None:
        standing = outlook.t_s + min(holds(outlook, cover_on=True)[0], LONGEST_HOLD_S)
        bare = None
        if any(self._comes_off()):
            bare = outlook.t_s + min(holds(outlook, cover_on=False)[0], LONGEST_HOLD_S)
        with self._lock:
            if self._hold_at > -math.inf:
                self._hold = standing, bare

    # -- questions

    def answer(
        self,
        command: Command,
        freeze: Callable[[], planning.Snapshot | None],
        done: Callable[[planning.Departure | None, Answer], None],
    ) -> None:
        """Have a question answered, once. freeze: the last tick when its turn comes; done: takes what was
        planned, if anything, and the answer."""
        if command.id in self._being_answered:
            return
        self._being_answered.add(command.id)
        self._do(lambda: self._work_out_answer(command, freeze, done))

    def _work_out_answer(
        self,
        command: Command,
        freeze: Callable[[], planning.Snapshot | None],
        done: Callable[[planning.Departure | None, Answer], None],
    ) -> None:
        try:
            done(*self._answer_to(command, freeze()))
        finally:
            self._being_answered.discard(command.id)

    def _answer_to(
        self, command: Command, snapshot: planning.Snapshot | None
    ) -> tuple[planning.Departure | None, Answer]:
        if time.time() > command.expires_at:
            return None, TOO_LATE
        if command.kind == "take-along":
            begun = self._take_alongs.begin(time.time() if snapshot is None else snapshot.now_at)
            self._do(self._step_table)
            return None, begun
        if snapshot is None:
            return None, (False, "Nothing has been measured yet. Ask again in a minute.")
        try:
            if command.kind == "what-if":
                return None, self._departures.what_if(command.body, snapshot)
            ask = self._departures.plan if command.kind == "plan" else self._departures.move
            return ask(command.body, snapshot)
        except planning.NoSuchTime as err:
            return None, (False, str(err))
        except (KeyError, TypeError, ValueError, ArithmeticError) as err:
            return None, (False, f"The command is not complete ({err}). Nothing was changed.")


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
