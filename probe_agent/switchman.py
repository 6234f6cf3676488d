"""Who may have the plug on: orders of people and plans, what the record keeps of them, the tick's order.

`switching` decides; here it is asked, kept and passed on. Off goes to the plug at once, on with a tick alone.
"""

from __future__ import annotations

import hashlib
import json
import logging
import sqlite3
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol

import msgspec

from probe_agent import store, switching, words
from probe_agent.by_hand import Answer
from probe_agent.circuit import Heat
from probe_agent.config import Settings, Switch
from probe_agent.couriers import Courier
from probe_agent.planning import Departure
from probe_agent.status import PlugNow, utc_text
from probe_agent.store import Batch, Command, Store
from probe_agent.supervisor import Announcement
from probe_agent.switching import Alarm, Ended, Order, Plug, SwitchFacts, SwitchWatch, Want, Why

log = logging.getLogger(__name__)

SWITCH_ON, SWITCH_OFF = "switch-on", "switch-off"
LOCK, UNLOCK, TEST = "switch-lock", "switch-unlock", "test-plug-timer"
AT_ONCE = frozenset({SWITCH_OFF, LOCK})
ORDERS = frozenset({SWITCH_ON, SWITCH_OFF, LOCK, UNLOCK, TEST})
"""The kinds of commands that are the switchman's."""
_NEVER_LATE = frozenset({SWITCH_ON, UNLOCK, TEST})
"""Commands that are not carried out after a restart, or under another clock than they were given under."""
OLDEST_S = 60.0
WAITS_S = 30.0
"""A plan waits for its time while that is so far ahead."""
_LOCKED, _TESTED, _SWITCHED = "switch-locked", "plug-timer-tested", "plans-switched"
KEPT_PLANS = 50
VALID_S = 7200.0

_TOO_LATE: Answer = (False, "That came too late and was not carried out. Please give it again.")


class Line(Courier, Protocol):
    """The plug's line, as the daemon sees it; none of these blocks. tick_s: of its own clock."""

    def order(self, what: Order, tick_s: float) -> None: ...

    def off(self) -> None: ...

    def seen(self) -> Plug: ...


class LastTest(msgspec.Struct, frozen=True):
    """What the last test of the plug's timer showed. print: of the settings it was made under."""

    at: float
    print: str
    passed: bool
    off_after_s: float | None = None
    why: str | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant: of the run [s], and in UTC [s]."""

    run_s: float
    at: float


@dataclass(frozen=True, slots=True)
class Switched:
    """What a tick did at the plug: words to say, what is to be kept with it, and whether the heater went on
    (True) or off (False) by it."""

    said: tuple[Announcement, ...] = ()
    statements: tuple[store.Statement, ...] = ()
    went_on: bool | None = None


def print_of(settings: Settings) -> str:
    """A print of all that a test of the plug's timer depends on."""
    setup, broker = settings.setup, settings.broker
    of = (settings.switch, broker.host, broker.port, setup and (setup.name, setup.heater, setup.watts))
    return hashlib.sha256(msgspec.json.encode(of)).hexdigest()[:16]


class Switchman:
    """Keeps the plug off unless somebody may have it on."""

    def __init__(self, settings: Settings, switch: Switch, record: Store, line: Line, began: Moment) -> None:
        self.rules = switching.switch_rules(settings, switch)
        self.alarms: tuple[Alarm, ...] = ()
        self._record, self.line = record, line
        self._shares = settings.circuit is not None
        self._print = print_of(settings)
        self._began_at = began.at
        self._left_over = {c.id for c in record.waiting_commands()}
        self._tick_s: float | None = None
        self._coming: tuple[Departure, ...] = ()
        self._waited: set[str] = set()
        """Plans seen to wait for their time since heat last ended."""
        self._ended_at: float | None = None
        self._order: Order = "off"
        self._vetoed = False
        self._facts: SwitchFacts | None = None
        self._refused: dict[str, str] = {}
        self._last_refusal: tuple[str, str | None, float] | None = None
        self._switched_on: Want | None = None
        self._test = self._kept(_TESTED, LastTest)
        self._watch = SwitchWatch(
            locked_s=self._kept_lock(began),
            tested=self._is_tested(),
            off_s=began.run_s,
        )
        self._switched: list[str] = self._kept(_SWITCHED, list[str]) or []

    def _kept(self, name: str, kind: Any) -> Any:
        """A kept value; None where there is none, or one of another version."""
        try:
            return msgspec.json.decode(self._record.kept(name) or "null", type=kind | None)
        except msgspec.MsgspecError:
            return None

    def _kept_lock(self, began: Moment) -> float | None:
        """Since when it is locked [run s]; a lock that can't be read holds all the same."""
        if self._record.kept(_LOCKED) in (None, "null"):
            return None
        locked_at = self._kept(_LOCKED, float)
        return began.run_s if locked_at is None else min(locked_at - began.at + began.run_s, began.run_s)

    def _is_tested(self) -> bool:
        return self._test is not None and self._test.passed and self._test.print == self._print

    # -- a tick

    def power_w(self, plug: Plug, now_s: float) -> float | None:
        """What the plug draws, measured [W]; None where it hasn't said so lately."""
        return plug.power_w if now_s - plug.power_s <= 3 * self.rules.power_every_s else None

    def decide(
        self,
        facts: SwitchFacts,
        departures: Iterable[Departure],
        moment: Moment,
        tick_s: float,
    ) -> Switched:
        """What this tick means for the plug. Off goes out here, on only with `say`. tick_s: the tick's begin
        by the line's clock."""
        since_s = 0.0 if self._tick_s is None else tick_s - self._tick_s
        facts = replace(facts, since_s=since_s)
        self._tick_s, self._facts, self._coming = tick_s, facts, tuple(departures)
        said = [w for d in self._coming if (w := self._follow_plan(d, facts, moment)) is not None]
        step = switching.step(self._watch, facts, self.rules)
        self._watch, self._order, self.alarms = step.watch, step.order, step.alarms
        if step.order == "off":
            self.line.order("off", tick_s)
        kept = [] if step.test is None else [self._keep_test(step.test, moment)]
        said += self._words(step, facts, moment)
        if step.ended is not None and step.ended.why == "circuit-taken":
            kept.append(self._let_wait(step.ended))
            return Switched((*said, *self._give_way(step.ended, moment)), tuple(kept))
        if step.ended is not None:
            self._forgo(moment.at)
            log.warning("plug: off (%s %s)", step.ended.why, step.ended.place or "")
            return Switched(tuple(said), tuple(kept), False)
        return Switched(tuple(said), tuple(kept), True if step.confirmed is not None else None)

    def say(self) -> None:
        """Pass the tick's order on, now that all else of the tick is done."""
        if self._order != "off" and self._tick_s is not None and not self._vetoed:
            self.line.order(self._order, self._tick_s)

    def veto(self) -> None:
        """Somebody wants it off: the plug hears that before the tick at hand ends, however long that takes.
        The command itself follows; `heed` ends the veto then. Of any thread."""
        self._vetoed = True
        self.line.off()

    def heed(self) -> None:
        """The command that was vetoed for is answered."""
        self._vetoed = False

    def _follow_plan(self, departure: Departure, facts: SwitchFacts, moment: Moment) -> Announcement | None:
        """Switch on for a plan whose time has come, once; word of why not, once."""
        key, may = _key(departure), self._may_follow(departure, moment.at)
        if key in self._switched or not switching.plan_is_due(departure, moment.at, self._began_at):
            return None
        if not may:
            return self._refuse(departure, "restarted", None, facts) if self._ended_at is None else None
        refused = switching.refusal(self._watch, facts, self.rules, "plan", facts.t_s)
        if refused is not None and refused[0] == "on-already":
            return None
        if refused is None and self._keep_switched(key):
            self._watch = switching.ask(self._watch, "plan", facts.t_s, departure.number)
            log.warning("plug: on for departure %d", departure.number)
            return None
        why, place = refused or ("record", None)
        return self._refuse(departure, why, place, facts)

    def _refuse(
        self, departure: Departure, why: str, place: str | None, facts: SwitchFacts
    ) -> Announcement | None:
        """Word of why a plan is not switched on, once for each reason."""
        key = _key(departure)
        if self._refused.get(key) == why:
            return None
        self._refused[key] = why
        self._last_refusal = (why, place, facts.t_s)
        return _word("not-switched", f"not-switched-{key}:{why}", departure.number, place)

    def _keep_switched(self, key: str) -> bool:
        """Keep, before it is switched, that this plan has been: no crash makes it switch twice."""
        kept = [*(k for k in self._switched if k != key), key][-KEPT_PLANS:]
        try:
            self._record.keep(_SWITCHED, json.dumps(kept))
        except sqlite3.Error as err:
            log.error("plug: not switched on, the record can't be written (%s)", err)
            return False
        self._switched = kept
        return True

    def _let_wait(self, ended: Ended) -> store.Statement:
        """Another board on the circuit was first and heat didn't begin: its plan goes on waiting for room."""
        log.warning("plug: not on, another board on the circuit was first")
        keys = {_key(d) for d in self._coming if d.number == ended.departure}
        self._switched = [k for k in self._switched if k not in keys]
        return store.keep_value(_SWITCHED, json.dumps(self._switched))

    def _give_way(self, ended: Ended, moment: Moment) -> Iterable[Announcement]:
        """Word of it to whoever pressed; a plan says why it waits."""
        if ended.by == "owner":
            self._last_refusal = None
            yield _word("not-switched", f"not-switched:{moment.at:.0f}", None)

    def _forgo(self, now_at: float) -> None:
        """Heat has ended, or somebody wants none: a plan whose time has come by now switches nothing on. One
        that waits for a later time, or that somebody makes or moves after this, still does."""
        self._ended_at = now_at
        self._waited.clear()

    def _may_follow(self, departure: Departure, now_at: float) -> bool:
        """Whether a plan was seen to wait for its time since heat last ended, or was made or moved since."""
        key, made = _key(departure), departure.plan
        if made is not None and made.switch_on_at is not None and made.switch_on_at >= now_at + WAITS_S:
            self._waited.add(key)
        since_at = self._began_at if self._ended_at is None else self._ended_at
        is_moved = departure.state == "delayed" and (departure.changed_at or 0.0) > since_at
        return key in self._waited or departure.made_at > since_at or is_moved

    def _keep_test(self, test: switching.TimerTest, moment: Moment) -> store.Statement:
        self._test = LastTest(moment.at, self._print, test.passed, test.off_after_s, test.why)
        self._watch = replace(self._watch, tested=self._is_tested())
        return store.keep_value(_TESTED, msgspec.json.encode(self._test).decode())

    def _words(
        self, step: switching.SwitchStep, facts: SwitchFacts, moment: Moment
    ) -> Iterable[Announcement]:
        """That heat went on, once its power is known, or that it ended and nobody had wanted that."""
        ended, want = step.ended, step.watch.want
        if step.confirmed is not None:
            self._switched_on = step.confirmed
        if ended is not None:
            self._switched_on = None
            told = ended.why in switching.NOBODYS_WISH and ended.why not in switching.ASKED_ABOUT
            if told and ended.by != "test":
                yield _word("switched-off", f"switched-off:{moment.at:.0f}", ended.departure, ended.place)
        if (on := self._switched_on) is None or want is None or want.by == "test":
            return
        assert want.on_s is not None
        knows = not self.rules.tells_power or facts.plug.power_s >= want.on_s + switching.SETTLES_S
        if knows or facts.t_s - want.on_s >= 2 * self.rules.power_every_s:
            self._switched_on = None
            yield _word("switched-on", f"switched-on:{moment.at:.0f}", on.departure)

    # -- commands

    def carry_out(self, command: Command, batch: Batch, moment: Moment) -> Answer:
        """Do what a command says, or say why not. Raises KeyError, TypeError, ValueError."""
        if command.kind in _NEVER_LATE and self._is_old(command):
            return _TOO_LATE
        acts: Mapping[str, Callable[[Mapping[str, Any], Batch, Moment], Answer]] = {
            SWITCH_ON: self._switch_on,
            SWITCH_OFF: self._switch_off,
            LOCK: self._lock,
            UNLOCK: self._unlock,
            TEST: self._begin_test,
        }
        return acts[command.kind](command.body, batch, moment)

    def _is_old(self, command: Command) -> bool:
        """Given to an earlier run, or, by the clock as it stands, not just now."""
        return command.id in self._left_over or not -1.0 <= time.time() - command.made_at <= OLDEST_S

    def _switch_on(self, body: Mapping[str, Any], batch: Batch, moment: Moment) -> Answer:
        refused = switching.refusal(self._watch, self._facts, self.rules, "owner", moment.run_s)
        if refused is not None:
            return False, words.not_switched(*refused)
        self._watch = switching.ask(self._watch, "owner", moment.run_s)
        log.warning("plug: on, by a person's command")
        hours = f"{self.rules.most_s / 3600:g}"
        when = "the next reading"
        if self._shares:
            when = "the next reading or the one after, unless another board on its circuit was first"
        return True, (
            f"Noted: it is switched on with {when}. Nobody's hands may be at heater, cowl or "
            f"propeller. It goes off by itself after {hours} hours at the latest."
        )

    def _switch_off(self, body: Mapping[str, Any], batch: Batch, moment: Moment) -> Answer:
        self.off("owner", moment)
        text = (
            "Off was said to the plug. Unplug it before anyone touches heater or cowl; until then treat it "
            "as live."
        )
        later = any(d.by == "our-plug" and _key(d) not in self._switched for d in self._coming)
        return (
            True,
            f"{text} What is planned goes on at its time: say not flying, or lock." if later else text,
        )

    def off(self, why: Why, moment: Moment) -> bool:
        """No heat is wanted from now on, and the plug hears it at once; whether any was."""
        if why == "oil-out" and self._facts is not None:
            self._facts = replace(self._facts, oil_out=True)  # so that no press before the next tick is taken
        self._watch, ended = switching.end(self._watch, why, moment.run_s)
        self._forgo(moment.at)
        self._order, self._switched_on = "off", None
        self.line.off()
        return ended is not None

    def _lock(self, body: Mapping[str, Any], batch: Batch, moment: Moment) -> Answer:
        self._watch, ended = switching.lock(self._watch, moment.run_s)
        if ended is not None:
            self._forgo(moment.at)
        self._order, self._switched_on = "off", None
        self.line.off()
        batch.statements.append(store.keep_value(_LOCKED, json.dumps(moment.at)))
        return True, (
            "Locked: someone is at the aircraft, so nothing switches the heater on until it is released "
            "here. Unplug it all the same."
        )

    def _unlock(self, body: Mapping[str, Any], batch: Batch, moment: Moment) -> Answer:
        if self._watch.locked_s is None:
            return False, "Nothing is locked."
        if body.get("nobody_there") is not True:
            return False, "Say that nobody is at the aircraft any more."
        self._watch = switching.unlock(self._watch)
        batch.statements.append(store.keep_value(_LOCKED, "null"))
        return True, "Released. Nothing is switched on by that."

    def _begin_test(self, body: Mapping[str, Any], batch: Batch, moment: Moment) -> Answer:
        if body.get("at_the_plug") is not True:
            return False, "Test it only where you see plug and heater, and say so."
        refused = switching.refusal(self._watch, self._facts, self.rules, "test", moment.run_s)
        if refused is not None:
            return False, words.not_switched(*refused)
        self._test = None
        self._watch = replace(switching.ask(self._watch, "test", moment.run_s), tested=False)
        batch.statements.append(store.keep_value(_TESTED, "null"))
        return True, (
            f"The test begins with the next reading: the heater goes on, nothing more is said to the plug, "
            f"and its own timer must end the heat within {self.rules.timer_s:g} s. Stay where you see it."
        )

    # -- seeing

    @property
    def is_on(self) -> bool:
        """Whether heat is wanted."""
        return self._watch.want is not None

    def heat(self, coming: Iterable[Departure], offset_s: float) -> Heat:
        """The heater as those who share its circuit have to know it. offset_s: UTC less run seconds."""
        want = self._watch.want
        if want is None:
            return Heat(spent=frozenset(d.number for d in coming if _key(d) in self._switched))
        until_at = (want.asked_s if want.on_s is None else want.on_s) + self.rules.most_s + offset_s
        since_at = None if want.on_s is None else want.on_s + offset_s
        return Heat(True, until_at, since_at, claims=want.on_s is None)

    def see_circuit(self, full: bool) -> None:
        """Whether others on the circuit leave no room for a press, as was heard since the last tick."""
        if self._facts is not None:
            self._facts = replace(self._facts, pressed_full=full)

    @property
    def acts(self) -> bool:
        """Whether plans can have it switched on."""
        return self._watch.tested

    def shown(self, moment: Moment) -> PlugNow:
        """The plug as viewers see it."""
        watch, rules = self._watch, self.rules
        by_s = moment.at - moment.run_s
        plug = self._facts.plug if self._facts is not None else Plug()
        want = watch.want
        test, refused = self._test, self._last_refusal
        if refused is not None and (want is not None or moment.run_s - refused[2] > switching.SHOWN_S):
            refused = None
        ended = watch.ended if refused is None and switching.has_ended(watch, moment.run_s) else None

        def text(run_s: float | None) -> str | None:
            return None if run_s is None else utc_text(run_s + by_s)

        power_w = self.power_w(plug, moment.run_s)
        return PlugNow(
            wanted=want.by if want else None,
            on_at=text(want.on_s) if want else None,
            until=text(want.on_s + rules.most_s) if want and want.on_s is not None else None,
            confirmed=want is not None and want.confirmed_s is not None,
            says="away" if plug.connected_s is None else _SAYS[plug.on],
            power_w=None if power_w is None else round(power_w),
            locked=text(watch.locked_s),
            tested=self._is_tested(),
            test_failed=None if test is None or test.passed else test.why,
            test_old=test is not None and test.print != self._print,
            ended=ended.why if ended else None,
            ended_at=text(ended.at_s) if ended else None,
            refused=refused[0] if refused else None,
            place=refused[1] if refused else ended.place if ended else None,
        )


_SAYS = {True: "on", False: "off", None: None}


def _key(departure: Departure) -> str:
    """Which switch-on of which departure: one that is moved is another."""
    return f"{departure.number}:{departure.start_at:.0f}"


def _word(kind: str, key: str, departure: int | None, place: str | None = None) -> Announcement:
    return Announcement(kind, key, VALID_S, place, overtakes=(kind,), departure=departure, at_once=True)
