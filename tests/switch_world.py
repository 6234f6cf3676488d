"""A world for the switch: daemon, broker, plug, people and faults, second by second, in memory.

Of the product: `Switchman` (with `switching`'s decisions) and `Line`. Simulated: what runs them (ticks, the
network thread, the watching thread, the process), a broker that keeps to MQTT 5 (will, keepalive, expiry,
retained messages, redelivery), a plug with a timer, and people.

What is judged is the plug's own relay, against a licence that this file keeps by itself: it begins with a
press that was taken or a plan's time, and ends with whatever must end it.
"""

from __future__ import annotations

import itertools
import math
import random
import sqlite3
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import msgspec
from simulated_plug import SimulatedPlug

from probe_agent import switch
from probe_agent.config import Settings, parse_settings
from probe_agent.planning import Departure, Plan, Rests
from probe_agent.readings import Point
from probe_agent.store import Batch, Command
from probe_agent.switch import Line, Saying, wiring_of
from probe_agent.switching import Order, Plug, SwitchFacts
from probe_agent.switchman import LastTest, Moment, Switchman, print_of

TIMER_S = 180
INTERVAL_S = 15.0
UTC = 1_800_000_000.0
SETTLED_S = 40.0
"""A daemon that has worked so long beside a broker and a plug that do has said off again."""
REQUIRED = ("cyl-1", "cyl-2")

SETTINGS = """
[[places]]
name = "cyl-1"
required = true
[[places]]
name = "cyl-2"
required = true
[broker]
host = "127.0.0.1"
[[setups]]
name = "winter"
heater = "pads-and-bands"
watts = 480
switched_by = "our-plug"
[switch]
manual_allows_unattended = true
timer_s = 180
command_topic = "plug/set"
state_topic = "plug/state"
power_topic = "plug/power"
power_pointer = "/meter/w"
power_every_s = 30
most_hours = 0.25
"""


def settings() -> Settings:
    """Settings of the world."""
    return parse_settings(SETTINGS.encode(), "world.toml")


class Memory:
    """What outlives the daemon: small values, and commands that wait. `refuses`: the disk takes nothing."""

    def __init__(self) -> None:
        self.values: dict[str, str] = {}
        self.waiting: list[Command] = []
        self.refuses = False

    def kept(self, name: str) -> str | None:
        return self.values.get(name)

    def keep(self, name: str, value: str) -> None:
        if self.refuses:
            raise sqlite3.OperationalError("database or disk is full")
        self.values[name] = value

    def waiting_commands(self) -> list[Command]:
        return list(self.waiting)

    def take(self, batch: Batch) -> None:
        for _, (name, value, *_) in batch.statements:
            self.values[name] = value


@dataclass
class Packet:
    """A message in the broker, with its last instant."""

    topic: str
    payload: bytes
    until_s: float
    retained: bool = False
    strange: bool = False


class Wire:
    """One TCP connection of the daemon to the broker. Bytes wait in it while the network is down, and arrive
    when it is back, unless either end has given up by then."""

    def __init__(self, now_s: float) -> None:
        self.to_broker: deque[Saying] = deque()
        self.to_daemon: deque[Packet] = deque()
        self.alive_at_broker = True
        self.alive_at_daemon = True
        self.heard_s = now_s


class Broker:
    """MQTT 5 as far as it matters here."""

    def __init__(self) -> None:
        self.runs = True
        self.stalls = False
        self.wire: Wire | None = None
        self.retained: dict[str, bytes] = {}
        self.for_plug: deque[Packet] = deque()
        self.plug_is_there = True
        self.plug_keeps_session = False
        self._last_to_plug: Packet | None = None
        self._last_s = -math.inf

    def connect(self, now_s: float) -> Wire | None:
        """A new connection; an older one of the same client ends, its will published (3.1.4)."""
        if not self.runs or self.stalls:
            return None
        if self.wire is not None:
            self.end_wire(now_s)
        self.wire = Wire(now_s)
        for topic, payload in self.retained.items():
            self.wire.to_daemon.append(Packet(topic, payload, math.inf, True))
        return self.wire

    def end_wire(self, now_s: float, will: bool = True) -> None:
        """The connection is over for the broker."""
        if self.wire is None:
            return
        self.wire.alive_at_broker = False
        self.wire = None
        if will:
            self.publish(Saying("plug/set", b"off"), now_s)

    def publish(self, said: Saying, now_s: float, strange: bool = False) -> None:
        """Pass on to whoever listens, retain where that is asked for."""
        if said.retain:
            if said.payload:
                self.retained[said.topic] = said.payload
            else:
                self.retained.pop(said.topic, None)
        if said.topic == "plug/set":
            until_s = math.inf if said.expiry_s is None else now_s + said.expiry_s
            self.for_plug.append(Packet(said.topic, said.payload, until_s, strange=strange))
            if not self.plug_is_there and not self.plug_keeps_session:
                self.for_plug.clear()

    def from_plug(self, topic: str, payload: bytes) -> None:
        """What the plug publishes: retained, as most do."""
        self.retained[topic] = payload
        if self.wire is not None:
            self.wire.to_daemon.append(Packet(topic, payload, math.inf))

    def pump(self, now_s: float, network: bool) -> None:
        """A second of the broker's work, keepalive included (3.1.2.10)."""
        if not self.runs or self.stalls:
            return
        wire = self.wire
        if wire is None:
            return
        while network and wire.to_broker:
            wire.heard_s = now_s
            self.publish(wire.to_broker.popleft(), now_s)
        closed = network and not wire.alive_at_daemon  # its end comes after what was sent before it
        if closed or now_s - wire.heard_s > 1.5 * switch.KEEPALIVE_S:
            self.end_wire(now_s)

    def deliver(self, now_s: float, twice: bool) -> list[Packet]:
        """What reaches the plug in this second; what has expired doesn't (3.3.2.3.3)."""
        out: list[Packet] = []
        if not (self.runs and not self.stalls and self.plug_is_there):
            return out
        while self.for_plug:
            packet = self.for_plug.popleft()
            if now_s < packet.until_s:
                out.append(packet)
                self._last_to_plug, self._last_s = packet, now_s
        last = self._last_to_plug
        if twice and last is not None and now_s < last.until_s and now_s - self._last_s < 10.0:
            out.append(last)  # redelivered: its acknowledgement was lost (4.4)
        return out

    def plug_returns(self) -> None:
        """The plug has a session again: retained commands come first."""
        self.plug_is_there = True
        held = self.retained.get("plug/set")
        if held is not None:
            self.for_plug.appendleft(Packet("plug/set", held, math.inf, True, True))

    def die(self) -> None:
        """kill -9: no wills, nothing kept."""
        self.runs = False
        if self.wire is not None:
            self.wire.alive_at_broker = self.wire.alive_at_daemon = False
        self.wire = None
        self.for_plug.clear()
        self.retained.clear()


@dataclass
class Licence:
    """Whether the plug may be on, by what happened alone. until_s: from when on it must not; None: it may."""

    given_s: float = -math.inf
    departure: int | None = None
    until_s: float | None = -math.inf
    strict: bool = True

    def give(self, now_s: float, departure: int | None = None) -> None:
        self.given_s, self.until_s, self.strict, self.departure = now_s, None, False, departure

    def end(self, now_s: float, strict: bool = False) -> None:
        """It ends; strict: by somebody's word, from which on nothing may go on any more."""
        if self.until_s is None or now_s < self.until_s:
            self.until_s = now_s
        self.strict = self.strict or strict


class Violation(AssertionError):
    """The plug's power was on when it must not be."""


@dataclass
class World:
    """One history. `step` is a second."""

    seed: int
    t_s: float = 1000.0
    events: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        self.settings = settings()
        assert self.settings.switch is not None
        self.memory = Memory()
        tested = LastTest(UTC, print_of(self.settings), True, float(TIMER_S))
        self.memory.values["plug-timer-tested"] = _json(tested)
        self.broker, self.plug = Broker(), SimulatedPlug(TIMER_S)
        self.network = True
        self.lost: set[str] = set()
        self.lost_s: dict[str, float] = {}
        self.hot = self.oil = False
        self.departures: list[Departure] = []
        self.switched: set[int] = set()
        self.licence = Licence()
        self.path_broken_s = -math.inf
        self.foreign_s = -math.inf
        self.was_on = False
        self.locked = False
        self.numbers = itertools.count(1)
        self.stopped_until = self.hung_until = -math.inf
        self.dead_until = -math.inf
        self.running = True
        self.seconds_on = 0
        self.start_daemon()

    # -- the daemon

    def start_daemon(self) -> None:
        """A new process: nothing of an old one but what the record kept."""
        assert self.settings.switch is not None
        self.running = True
        self.born_s = self.t_s
        self.line = Line(wiring_of(self.settings.switch, "homie"), INTERVAL_S, self.t_s)
        self.man = Switchman(
            self.settings,
            self.settings.switch,
            self.memory,  # type: ignore[arg-type]
            LineHere(self),
            Moment(self.t_s, UTC + self.t_s),
        )
        self.memory.waiting.clear()
        self.wire: Wire | None = None
        self.next_tick_s = self.t_s
        self.retry_s = self.t_s
        self.in_tick = False

    def kill_daemon(self) -> None:
        """kill -9: the kernel closes the socket, which the broker sees where the network is there."""
        self.running = False
        if self.wire is not None:
            self.wire.alive_at_daemon = False
            if self.network and self.wire.alive_at_broker and not self.broker.stalls:
                self.broker.end_wire(self.t_s)
        self.wire = None

    def facts(self) -> SwitchFacts:
        points = tuple(
            Point(p, "open" if p in self.lost else "ok", None if p in self.lost else 5.0, 0.0)
            for p in REQUIRED
        )
        if self.hot:
            points = (*points, Point("sump", "ok", 75.0, 0.0, None, False, True))
        plug = self.line.seen()
        starts = [d.start_at - UTC for d in self.departures if d.is_open]
        return SwitchFacts(
            self.t_s,
            points,
            points,
            plug,
            oil_out=self.oil,
            start_s=min(starts, default=None),
            planned=frozenset(d.number for d in self.departures if d.is_open),
        )

    def tick(self) -> None:
        """One tick; where it hangs, the order goes out when it ends."""
        if self.t_s < self.hung_until:
            return
        if self.in_tick:  # it had hung after it had decided
            self.in_tick = False
            self.man.say()
            self.next_tick_s = self.t_s + self.chance.choice((0.0, INTERVAL_S))
            return
        if self.t_s < self.next_tick_s:
            return
        batch = Batch()
        done = self.man.decide(self.facts(), self.departures, self.moment, self.t_s)
        batch.statements += done.statements
        self.memory.take(batch)
        if self.chance.random() < 0.02:
            self.hang()
            self.in_tick = True
            return
        self.man.say()
        self.next_tick_s = self.t_s + INTERVAL_S

    @property
    def moment(self) -> Moment:
        return Moment(self.t_s, UTC + self.t_s)

    def network_thread(self) -> None:
        """A second of it: connect, say, listen, ping."""
        wire = self.wire
        if wire is not None and not wire.alive_at_daemon:
            self.lose_wire()
            wire = None
        if wire is None:
            if self.t_s >= self.retry_s and self.network and not self.line.is_late(self.t_s):
                self.wire = wire = self.broker.connect(self.t_s)
                if wire is not None:
                    self.line.opened(self.t_s)
            if wire is None:
                return
        if not wire.alive_at_broker and self.network:
            self.lose_wire()
            return
        for said in self.line.to_say(self.t_s):
            wire.to_broker.append(said)
            self.oldest_s = self.t_s
        if not wire.to_broker and self.network and not self.broker.stalls:
            wire.heard_s = self.t_s  # PINGREQ
        if wire.to_broker and self.t_s - self.oldest_s > switch.ACKNOWLEDGE_S:
            self.drop()
            return
        while self.network and wire.to_daemon:
            packet = wire.to_daemon.popleft()
            self.line.hear(packet.topic, packet.payload, packet.retained, self.t_s)

    def lose_wire(self) -> None:
        self.wire = None
        self.line.closed()
        self.retry_s = self.t_s + self.chance.randint(1, 5)

    def drop(self) -> None:
        """The daemon ends the connection without a farewell; the broker hears of it where there is a way."""
        wire = self.wire
        if wire is None:
            return
        wire.alive_at_daemon = False
        if self.network and wire.alive_at_broker and not self.broker.stalls:
            self.broker.pump(self.t_s, True)  # what was sent before the end arrives before it
            if self.broker.wire is wire:
                self.broker.end_wire(self.t_s)
        self.lose_wire()

    def watch_thread(self) -> None:
        if self.line.is_late(self.t_s):
            self.drop()

    def command(self, command: Command) -> bool:
        """Carry out a command as the daemon does; whether it was done."""
        batch = Batch()
        done, _ = self.man.carry_out(command, batch, self.moment)
        self.memory.take(batch)
        return done

    def make(self, kind: str, age_s: float = 0.0, **body: Any) -> Command:
        made_at = time.time() - age_s
        return Command(f"c{next(self.numbers)}", kind, body, made_at, made_at + 15)

    # -- a second

    def step(self) -> None:
        self.t_s += 1.0
        if not self.running and self.t_s >= self.dead_until:
            self.start_daemon()
        elif self.running and self.t_s >= self.stopped_until:
            work = [self.tick, self.network_thread, self.watch_thread]
            self.chance.shuffle(work)
            for part in work:
                part()
        self.broker.pump(self.t_s, self.network)
        for packet in self.broker.deliver(self.t_s, self.chance.random() < 0.02):
            self.plug.command(packet.payload, self.t_s)
            if packet.strange and self.plug.on:
                self.foreign_s = self.t_s
        self.plug.pass_time(self.t_s)
        if int(self.t_s) % 30 == 0:
            self.plug.tell()
        for what, payload in self.plug.said():
            if self.broker.runs and self.broker.plug_is_there and not self.broker.stalls:
                self.broker.from_plug(f"plug/{what}", payload)
        self.watch_plans()
        self.judge()

    # -- what must hold

    def judge(self) -> None:
        """The plug's own relay against the licence."""
        self.end_by_time()
        broken = not (self.broker.runs and self.broker.plug_is_there and not self.broker.stalls)
        self.healthy_s = self.healthy_s + 1.0 if self.is_healthy and not broken else 0.0
        if broken:
            self.unsettled, self.path_broken_s = True, self.t_s
        elif self.healthy_s >= SETTLED_S:
            self.unsettled = False  # a plug that had missed a word has heard another one
        on, until_s = self.plug.on, self.licence.until_s
        self.seconds_on += on
        if on and until_s is not None and not self.foreign():
            whole = not self.unsettled
            limit_s = 60.0 if whole else TIMER_S + 62.0
            if self.t_s - until_s > limit_s:
                raise Violation(f"on {self.t_s - until_s:.0f} s after it had to end")
            if not self.was_on and self.t_s - until_s > (2.0 if self.licence.strict and whole else 32.0):
                raise Violation(f"went on {self.t_s - until_s:.0f} s after it had to end")
        if on and self.foreign() and until_s is not None:
            since_s = max(self.foreign_s, self.path_broken_s, until_s)
            if self.t_s - since_s > 60.0 and self.healthy_s >= 60.0:
                raise Violation("on for more than a minute by a stranger's word")
        if not on:
            self.foreign_s = -math.inf
        self.was_on = on

    healthy_s = 0.0
    unsettled = False

    @property
    def is_healthy(self) -> bool:
        return (
            self.running and self.t_s >= self.stopped_until and self.t_s >= self.hung_until and self.network
        )

    def foreign(self) -> bool:
        """Whether somebody else than the daemon switched it on."""
        return self.foreign_s > -math.inf

    def end_by_time(self) -> None:
        """What ends a licence by itself."""
        licence = self.licence
        if licence.until_s is not None:
            return
        if self.t_s - licence.given_s >= 900.0 + INTERVAL_S:
            licence.end(self.t_s)
        for place in self.lost:
            if self.t_s - self.lost_s[place] >= 30.0:
                licence.end(self.lost_s[place] + 30.0)
        if self.running and max(self.hung_until, self.stopped_until) - self.t_s > 30.0:
            licence.end(self.t_s + 30.0)
        for d in self.departures:
            # One moved or cancelled before the next tick has not passed.
            if d.is_open and licence.given_s < d.start_at - UTC <= self.t_s - INTERVAL_S:
                licence.end(d.start_at - UTC)

    # -- what happens

    def press_on(self) -> None:
        """A press: a licence where it was taken and nothing forbids it. One sent again is no second press."""
        if not self.can_command:
            return
        done = self.command(self.make("switch-on"))
        if done and not (self.locked or self.hot or self.oil):
            self.licence.give(self.t_s)

    @property
    def can_command(self) -> bool:
        """Commands wait for the tick at hand."""
        return self.running and self.t_s >= self.stopped_until and self.t_s >= self.hung_until

    def press_off(self) -> None:
        if self.can_command:
            self.command(self.make("switch-off"))
            self.spend_due()
            self.licence.end(self.t_s, strict=True)

    def press_lock(self) -> None:
        if self.can_command:
            self.command(self.make("switch-lock"))
            self.locked = True
            if self.licence.until_s is None:
                self.spend_due()
            self.licence.end(self.t_s, strict=True)

    def release(self) -> None:
        if self.can_command and self.command(self.make("switch-unlock", nobody_there=True)):
            self.locked = False

    def old_press(self) -> None:
        """A press that waited too long, or under another clock: never carried out."""
        if self.can_command:
            self.command(self.make("switch-on", self.chance.choice((61.0, 600.0, 90_000.0, -30.0))))

    def left_over(self) -> None:
        """A press given to a daemon that died before it was carried out, and found by the next one."""
        if not self.running:
            return
        command = self.make("switch-on")
        self.memory.waiting.append(command)
        self.kill()
        self.dead_until = self.t_s
        self.licence.end(self.t_s)
        self.start_daemon()
        self.command(command)

    def plan(self) -> None:
        start_at = UTC + self.t_s + self.chance.choice((120.0, 300.0, 500.0))
        number = next(self.numbers)
        made = Plan(
            UTC + self.t_s,
            "yes",
            1.0,
            Rests(),
            "heat",
            switch_on_at=UTC + self.t_s + self.chance.randint(0, 60),
        )
        self.departures = [
            Departure(number, start_at, UTC + self.t_s, uncovered_s=30.0, by="our-plug", plan=made)
        ]
        if self.licence.departure is not None:
            self.licence.end(self.t_s)  # that departure is planned no more

    def spend_due(self) -> None:
        """Somebody wants no heat: a plan whose time has come gives no licence any more."""
        for d in self.departures:
            made = d.plan
            if made is not None and made.switch_on_at is not None and made.switch_on_at <= UTC + self.t_s:
                self.switched.add(d.number)

    def watch_plans(self) -> None:
        """A plan's time has come: a licence from then on, once, where nothing forbids it then."""
        for d in self.departures:
            if d.number in self.switched or d.plan is None or d.plan.switch_on_at is None:
                continue
            want = self.man._watch.want
            began = self.running and want is not None and want.departure == d.number
            due = UTC + self.t_s >= d.plan.switch_on_at and d.plan.made_at >= UTC + self.born_s
            if began and due and not self.locked:
                self.switched.add(d.number)
                self.licence.give(self.t_s, d.number)

    def kill(self) -> None:
        if self.running:
            self.kill_daemon()
            self.dead_until = self.t_s + self.chance.choice((1.0, 5.0, 40.0, 300.0))
            self.licence.end(self.t_s)

    def sigstop(self) -> None:
        if self.running:
            seconds = self.chance.choice((5.0, 20.0, 35.0, 90.0, 400.0))
            self.stopped_until = max(self.stopped_until, self.t_s + seconds)

    def hang(self) -> None:
        if self.running:
            seconds = self.chance.choice((5.0, 20.0, 35.0, 50.0, 90.0, 400.0))
            self.hung_until = max(self.hung_until, self.t_s + seconds)

    def lose_place(self) -> None:
        place = self.chance.choice(REQUIRED)
        if place not in self.lost:
            self.lost.add(place)
            self.lost_s[place] = self.t_s

    def find_places(self) -> None:
        self.lost.clear()

    def heat(self) -> None:
        if not self.hot:
            self.hot, self.hot_s = True, self.t_s
            self.licence.end(self.t_s)

    def cool(self) -> None:
        if self.t_s - self.hot_s > 60.0:  # no metal cools between two readings
            self.hot = False

    hot_s = 0.0

    def oil_out(self) -> None:
        """Said by a person; the switchman hears of it at once, besides what the tick sees."""
        if self.can_command:
            self.oil = True
            self.man.off("oil-out", self.moment)
            self.spend_due()
            self.licence.end(self.t_s)

    def oil_back(self) -> None:
        self.oil = False

    def broker_dies(self) -> None:
        if self.broker.runs:
            self.broker.die()
            self.licence.end(self.t_s + INTERVAL_S)

    def broker_starts(self) -> None:
        self.broker.runs = True

    def broker_stalls(self) -> None:
        self.broker.stalls = True

    def broker_goes_on(self) -> None:
        self.broker.stalls = False

    def network_fails(self) -> None:
        self.network = False

    def network_is_back(self) -> None:
        self.network = True

    def plug_leaves(self) -> None:
        self.broker.plug_is_there = False
        self.broker.plug_keeps_session = self.chance.random() < 0.5

    def plug_returns(self) -> None:
        if self.broker.runs and not self.broker.stalls and not self.broker.plug_is_there:
            self.broker.plug_returns()

    def retained_on(self) -> None:
        """Another program retains "on" at the command topic."""
        if self.broker.runs and not self.broker.stalls:
            self.stranger(Saying("plug/set", b"on", retain=True))

    def foreign_on(self) -> None:
        if self.broker.runs and not self.broker.stalls:
            self.stranger(Saying("plug/set", b"on"))

    def stranger(self, said: Saying) -> None:
        if self.broker.wire is not None:
            self.broker.wire.to_daemon.append(Packet(said.topic, said.payload, math.inf))
        self.broker.publish(said, self.t_s, strange=True)

    def button(self) -> None:
        before = self.plug.on
        self.plug.press(self.t_s)
        if before:
            if self.broker.plug_is_there and self.broker.runs and not self.broker.stalls:
                if self.licence.until_s is None:
                    self.spend_due()
                self.licence.end(self.t_s)  # out of reach, nobody can know of it
        else:
            self.foreign_s = self.t_s

    def cancel(self) -> None:
        self.departures = []
        if self.licence.departure is not None:
            self.licence.end(self.t_s)


def _json(value: Any) -> str:
    return msgspec.json.encode(value).decode()


class LineHere:
    """The courier's side that the switchman sees, in the world's time."""

    trouble = None

    def __init__(self, world: World) -> None:
        self._world, self._line = world, world.line

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def order(self, what: Order, tick_s: float) -> None:
        self._line.order(what, tick_s, self._world.t_s)

    def off(self) -> None:
        self._line.off(self._world.t_s)

    def seen(self) -> Plug:
        return self._line.seen()


GOOD: tuple[tuple[Callable[[World], None], int], ...] = (
    (World.press_on, 30),
    (World.plan, 12),
    (World.release, 8),
    (World.find_places, 8),
    (World.cool, 5),
    (World.oil_back, 5),
    (World.broker_starts, 10),
    (World.broker_goes_on, 8),
    (World.network_is_back, 10),
    (World.plug_returns, 10),
)
BAD: tuple[tuple[Callable[[World], None], int], ...] = (
    (World.press_off, 6),
    (World.press_lock, 3),
    (World.old_press, 4),
    (World.left_over, 3),
    (World.kill, 6),
    (World.sigstop, 6),
    (World.hang, 6),
    (World.lose_place, 6),
    (World.heat, 3),
    (World.oil_out, 3),
    (World.broker_dies, 5),
    (World.broker_stalls, 4),
    (World.network_fails, 6),
    (World.plug_leaves, 6),
    (World.retained_on, 4),
    (World.foreign_on, 4),
    (World.button, 3),
    (World.cancel, 3),
)
_ALL = (*GOOD, *BAD)
_ACTS = [act for act, _ in _ALL]
_WEIGHTS = [weight for _, weight in _ALL]


def live(seed: int, seconds: int = 900) -> World:
    """One random history. Raises Violation, with what had happened."""
    world = World(seed)
    next_s = world.t_s
    try:
        for _ in range(seconds):
            if world.t_s >= next_s:
                act = world.chance.choices(_ACTS, _WEIGHTS)[0]
                world.events.append(f"{world.t_s:.0f} {act.__name__}")
                act(world)
                next_s = world.t_s + world.chance.choice((1, 3, 10, 30, 60))
            world.step()
    except Violation as err:
        tail = "; ".join(world.events[-15:])
        raise Violation(f"history {seed} at {world.t_s:.0f}: {err}: {tail}") from None
    return world
