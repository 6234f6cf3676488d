"""The plug's own line: one MQTT connection whose will switches it off, kept alive only by fresh ticks.

`Line` knows what is to be said and what was heard; it has no clock, thread or network. `SwitchCourier` gives
it a connection, on a thread of its own, and a second thread that cuts that one when ticks stay out.

What keeps heat on is a lease: an order of a tick, good for LEASE_S from that tick's begin. It is renewed by
publishing "on" once for each order; published words expire with their lease, so that none waits anywhere.
Nothing is said to be on but for an order given on this connection.
"""

from __future__ import annotations

import json
import logging
import math
import threading
from collections import deque
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt

from probe_agent import pulse
from probe_agent.clock import awake_and_asleep_s
from probe_agent.config import Broker, Settings, Switch
from probe_agent.connecting import Delays, why
from probe_agent.connection import ANSWER_S, Asked, Connection
from probe_agent.couriers import Watched
from probe_agent.pulse import Pulse
from probe_agent.switching import LEASE_S, Order, Plug

log = logging.getLogger(__name__)

KEEPALIVE_S = 15
"""The broker takes us for dead after one and a half of it (MQTT 5, 3.1.2.10) and publishes the will."""
LATE_S = 30.0
"""A tick that is late by so much has the connection cut."""
OFF_AGAIN_S = 15.0
"""Off is said so often while no heat is wanted: a plug that was away hears it when it comes back,"""
CONTRADICTED_S = 3.0
"""and at once, no oftener than this, where it says that it is on all the same."""
ACKNOWLEDGE_S = 10.0
"""A word the broker has not acknowledged for so long may come late: the connection is given up."""
STOP_S = 2.0
FIRST_DELAY_S, LONGEST_DELAY_S = 2.0, 30.0
STILL_S = 120.0
"""A thread that has not moved for so long is said to stand still: longer than any wait it knows."""
STRANGER_S = 300.0
"""How long the owner is told of a second program under the same name after it was last noticed."""
BREAKS, BREAKS_S = 4, 120.0
"""A line that was there and broke so often in so short a time: somebody else may be cutting it off, for not
every broker says so."""
_PUMP_S = 0.25
TIMER = "{timer_s}"


@dataclass(frozen=True, slots=True)
class Wiring:
    """Topics and payloads of one plug. A topic of None isn't used."""

    command: str
    on: bytes
    off: bytes
    timer: str | None
    timer_payload: bytes
    state: str | None
    state_pointer: str
    state_on: str
    state_off: str
    power: str | None
    power_pointer: str
    alive: str | None = None
    """Topic of a Homie device's $state: what it says counts only while that is "ready"."""


@dataclass(frozen=True, slots=True)
class Saying:
    """One message to publish, never retained but to remove what somebody retained. expiry_s: whole s."""

    topic: str
    payload: bytes
    expiry_s: int | None = None
    retain: bool = False


def wiring_of(switch: Switch, domain: str) -> Wiring:
    """The topics and payloads of the settings. Homie 5: domain/5/device/node/property, its /set, $state."""
    if switch.homie is not None:
        base = f"{domain}/5"
        power = None if switch.homie_power is None else f"{base}/{switch.homie_power}"
        device = f"{base}/{switch.homie.split('/')[0]}/$state"
        state = f"{base}/{switch.homie}"
        return Wiring(
            f"{state}/set", b"true", b"false", None, b"", state, "", "true", "false", power, "", device
        )

    def filled(text: str) -> bytes:
        return text.replace(TIMER, str(switch.timer_s)).encode()

    return Wiring(
        switch.command_topic or "",
        filled(switch.on),
        filled(switch.off),
        switch.timer_topic,
        filled(switch.timer),
        switch.state_topic,
        switch.state_pointer,
        switch.state_on,
        switch.state_off,
        switch.power_topic,
        switch.power_pointer,
    )


class Line:
    """What is to be said to the plug, and what it said. Instants: seconds of a clock that never stops."""

    def __init__(self, wiring: Wiring, interval_s: float, now_s: float) -> None:
        self.wiring = wiring
        self._late_s = interval_s + LATE_S
        self._order: Order = "off"
        self._tick_s = now_s
        self._ordered_s = now_s
        self._is_said = False
        self._opened_s: float | None = None
        self._off_said_s = float("-inf")
        self._owes_off = True
        self._clears = False
        self.cleared_s: float | None = None
        """When a retained command was last found and removed."""
        self._is_ready = wiring.alive is None
        self._on: bool | None = None
        self._began_s = float("inf")
        self._on_s = self._off_s = self._power_s = float("-inf")
        self._live = False
        self._power_w: float | None = None

    # -- the tick's side

    def order(self, what: Order, tick_s: float, now_s: float) -> None:
        """The order of a tick that began at tick_s; off at once where that is what it says."""
        if what == "off" and self._order != "off":
            self._owes_off = True
        if what == "on" and self._order == "off":
            self._began_s = float("inf")
        self._order, self._tick_s, self._ordered_s, self._is_said = what, tick_s, now_s, False

    def off(self, now_s: float) -> None:
        """Off at once, between ticks; says nothing of how fresh the ticks are."""
        self._order, self._ordered_s, self._owes_off = "off", now_s, True

    def seen(self) -> Plug:
        """What is known of the plug, instants of this line's clock."""
        on = self._on if self._is_ready else None
        return Plug(
            self._opened_s,
            on,
            self._on_s,
            self._live,
            self._off_s,
            self._began_s,
            self._power_w,
            self._power_s,
        )

    # -- the connection's side

    def opened(self, now_s: float) -> None:
        """A connection has begun: nothing of before holds, and off is said first."""
        self._opened_s, self._owes_off, self._live, self._clears = now_s, True, False, False
        self._is_ready = self.wiring.alive is None

    def closed(self) -> None:
        """The connection is over."""
        self._opened_s, self._live = None, False

    def is_late(self, now_s: float) -> bool:
        """Whether ticks have stayed out so long that the connection is to be cut."""
        return now_s - self._tick_s >= self._late_s

    def holds(self, now_s: float) -> bool:
        """Whether a lease is live: the plug may be on."""
        return self._order != "off" and now_s < self._tick_s + LEASE_S

    def to_say(self, now_s: float) -> list[Saying]:
        """What is to be published now, and counts as said."""
        if self._opened_s is None:
            return []
        out: list[Saying] = []
        if self._clears:
            out.append(Saying(self.wiring.command, b"", retain=True))
            self._clears = False
        if self._order != "off" and not self.holds(now_s):
            self._order, self._owes_off = "off", True  # the lease has run out
        if self._owes_off or (self._order == "off" and now_s - self._off_said_s >= OFF_AGAIN_S):
            out.append(Saying(self.wiring.command, self.wiring.off))
            self._owes_off, self._off_said_s = False, now_s
        if self._order == "on" and not self._is_said and self._ordered_s >= self._opened_s:
            left_s = max(int(self._tick_s + LEASE_S - now_s), 1)
            if self.wiring.timer is not None:
                out.append(Saying(self.wiring.timer, self.wiring.timer_payload, left_s))
            out.append(Saying(self.wiring.command, self.wiring.on, left_s))
            self._is_said = True
        return out

    def hear(self, topic: str, payload: bytes, retained: bool, now_s: float) -> None:
        """A message of the broker. Raises nothing: what can't be read is passed over."""
        wiring = self.wiring
        if topic == wiring.command:
            self._hear_command(payload, retained, now_s)
        elif topic == wiring.alive:
            self._is_ready = payload == b"ready"
        if topic == wiring.state:
            self._hear_state(_at(payload, wiring.state_pointer), retained, now_s)
        if topic == wiring.power:
            watts = _number(_at(payload, wiring.power_pointer))
            if watts is not None and not retained:
                self._power_w, self._power_s = watts, now_s

    def _hear_command(self, payload: bytes, retained: bool, now_s: float) -> None:
        """A command that isn't ours: a retained one would switch the plug on each time it comes back."""
        if not payload:
            return
        if retained:
            self._clears, self.cleared_s = True, now_s
        if payload != self.wiring.off and not self.holds(now_s):
            self._owes_off = True

    def _hear_state(self, word: str | None, retained: bool, now_s: float) -> None:
        on = {self.wiring.state_on: True, self.wiring.state_off: False}.get(word or "")
        if on is None:
            return
        self._on, self._live = on, not retained
        if not retained:
            self._on_s, self._off_s = (now_s, self._off_s) if on else (self._on_s, now_s)
        if on and not retained:
            self._began_s = min(self._began_s, now_s)
        if on and not self.holds(now_s) and now_s - self._off_said_s >= CONTRADICTED_S:
            self._owes_off = True


def _at(payload: bytes, pointer: str) -> str | None:
    """The value at a JSON pointer (RFC 6901) in a payload, as text; the payload itself for ""."""
    try:
        if not pointer:
            return payload.decode("utf-8").strip()
        found: Any = json.loads(payload)
        for part in pointer.split("/")[1:]:
            key = part.replace("~1", "/").replace("~0", "~")
            found = found[int(key)] if isinstance(found, list) else found[key]
    except (ValueError, KeyError, IndexError, TypeError, RecursionError):
        return None
    if isinstance(found, bool):
        return "true" if found else "false"
    return found if isinstance(found, str) else json.dumps(found)


def _number(text: str | None) -> float | None:
    """A plausible power [W]; None where it is none."""
    try:
        watts = float(text or "")
    except ValueError:
        return None
    return watts if 0 <= watts < 1e5 else None


class SwitchCourier:
    """Keeps the line to the plug for as long as the daemon runs."""

    def __init__(self, settings: Settings, switch: Switch, client_id: str, password: str | None) -> None:
        self._broker: Broker = settings.broker
        self._client_id, self._password = client_id, password
        self._line = Line(
            wiring_of(switch, settings.broker.domain), settings.sampling.interval_s, awake_and_asleep_s()
        )
        self._lock = threading.Lock()
        self._connection: Connection | None = None
        self._stopping = threading.Event()
        self._thread = Watched("switch", self._run, self._stopping)
        self._guard = Watched("switch-watch", self._watch, self._stopping)
        self._away: tuple[float, str] | None = (awake_and_asleep_s(), "not connected yet")
        self._refused: str | None = None
        self._stranger_s = -math.inf
        self._broke_s: deque[float] = deque(maxlen=BREAKS)
        self._delays = Delays(FIRST_DELAY_S, LONGEST_DELAY_S)
        self._pulse, self._guard_pulse = Pulse("plug"), Pulse("plug's watch")
        self.pulses = (self._pulse, self._guard_pulse)

    # -- the daemon's side

    def start(self) -> None:
        """Begin to connect, in the background; the first word to the plug is off."""
        self._pulse.expect(pulse.NETWORK_S)
        self._thread.start()
        self._guard.start()

    def order(self, what: Order, tick_s: float) -> None:
        """The order of a tick that began at tick_s (clock.awake_and_asleep_s). Never blocks."""
        with self._lock:
            self._line.order(what, tick_s, awake_and_asleep_s())
        self._thread.look()
        self._guard.look()

    def off(self) -> None:
        """Off at once. Never blocks."""
        with self._lock:
            self._line.off(awake_and_asleep_s())

    def seen(self) -> Plug:
        """What is known of the plug; instants in seconds of clock.awake_and_asleep_s()."""
        with self._lock:
            return self._line.seen()

    def stop(self) -> None:
        """Say off, wait a moment for the broker to acknowledge it, and end."""
        self.off()
        self._stopping.set()
        self._thread.join(STOP_S + 2.0)

    @property
    def still_s(self) -> float:
        """For how long one of its threads has not moved [real s]."""
        return max(self._pulse.still_s, self._guard_pulse.still_s)

    @property
    def trouble(self) -> str | None:
        """What is wrong between us, the broker and the plug, in a sentence for the owner."""
        where = f"The plug's line to the broker at {self._broker.host}:{self._broker.port}"
        if self.still_s > STILL_S:
            return f"{where} has stood still for {int(self.still_s / 60)} min. Nothing can be switched."
        if awake_and_asleep_s() - self._stranger_s < STRANGER_S:
            return (
                f"{where} breaks again and again. If another board or program uses its name there, each cuts "
                f"the other off: give each its own broker.device."
            )
        if (away := self._away) is not None and awake_and_asleep_s() - away[0] > ANSWER_S:
            return f"{where} is broken: {away[1]}. Nothing can be switched."
        if (refused := self._refused) is not None:
            return f"{where}: {refused} Its access rules must allow it."
        cleared_s = self._line.cleared_s
        if cleared_s is not None and awake_and_asleep_s() - cleared_s < 86_400:
            return (
                f"A retained command was found at {self._line.wiring.command} and removed: it would have "
                f"switched the heater by itself. See that no other program retains commands there."
            )
        return None

    # -- on the threads

    def _watch(self) -> None:
        """Cut the connection when ticks stay out, whatever the other threads do."""
        while not self._stopping.wait(1.0):
            self._guard_pulse.beat(pulse.NETWORK_S)
            if self._line.is_late(awake_and_asleep_s()):  # without the lock, which whoever hangs may hold
                self._cut()

    def _cut(self) -> None:
        """End the connection without a farewell, so that the broker publishes the will."""
        connection = self._connection
        if connection is not None and connection.cut():
            log.error("plug: no fresh tick, the connection is cut so that the plug goes off")

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._pulse.beat(pulse.NETWORK_S)
            try:
                self._serve()
            except OSError as err:
                self._lost(why(err))
            except Exception as err:  # whatever it is, the next connection starts afresh
                log.exception("plug: connection given up")
                self._lost(type(err).__name__)
            finally:
                with self._lock:
                    self._line.closed()
                self._connection = None
            self._stopping.wait(self._delays.next_s())

    def _lost(self, reason: str) -> None:
        if self._stopping.is_set():
            return
        since_s = awake_and_asleep_s() if self._away is None else self._away[0]
        if self._away is None:
            log.warning("plug: the line to the broker broke: %s", reason)
        self._away = (since_s, reason)

    def _serve(self) -> None:
        """One connection, from its first packet to its end. Raises OSError when it is lost."""
        if self._line.is_late(awake_and_asleep_s()):
            return  # nothing is connected that has no fresh ticks
        connection = self._connection = self._make_connection()
        politely = False
        try:
            connection.open()
            asked = self._listen(connection)
            with self._lock:
                self._line.opened(awake_and_asleep_s())
            self._away, self._refused = None, None
            self._delays.begin_again()
            while not self._stopping.is_set():
                self._pulse.beat(pulse.NETWORK_S)
                self._say(connection)
                connection.pump(_PUMP_S)
                self._note_refusals(connection, asked)
            self._say(connection)
            politely = connection.flush(STOP_S)
        finally:
            if connection.was_open and not politely:
                self._note_break(connection.taken_over)
            connection.close(politely)

    def _make_connection(self) -> Connection:
        """Its will says off; whatever fails in hearing ends it, and with it the heat."""
        wiring = self._line.wiring
        return Connection(
            self._broker,
            self._client_id,
            self._password,
            "plug",
            self._hear,
            will=(wiring.command, wiring.off, False),
            keepalive_s=KEEPALIVE_S,
            acknowledge_s=ACKNOWLEDGE_S,
            strict=True,
            broke="the connection broke ({})",
        )

    def _listen(self, connection: Connection) -> Asked:
        wiring = self._line.wiring
        topics = {t for t in (wiring.command, wiring.state, wiring.power, wiring.alive) if t is not None}
        # Our own commands don't come back, so what comes at their topic is somebody else's.
        return connection.subscribe(sorted(topics), qos=1, no_local=True)

    def _say(self, connection: Connection) -> None:
        """Publish what is due."""
        with self._lock:
            sayings = self._line.to_say(awake_and_asleep_s())
        for saying in sayings:
            connection.publish(saying.topic, saying.payload, saying.retain, saying.expiry_s)

    def _hear(self, message: mqtt.MQTTMessage) -> None:
        with self._lock:
            self._line.hear(message.topic, bytes(message.payload), message.retain, awake_and_asleep_s())

    def _note_refusals(self, connection: Connection, asked: Asked) -> None:
        if connection.refused:
            self._refused = f"it refuses the topic {list(connection.refused)[-1]}."
        elif asked.refused:
            self._refused = "it doesn't let us hear the plug."

    def _note_break(self, taken_over: bool) -> None:
        """Whether somebody else uses our name: the broker says so, or it looks like that."""
        now_s = awake_and_asleep_s()
        self._broke_s.append(now_s)
        often = len(self._broke_s) == BREAKS and now_s - self._broke_s[0] < BREAKS_S
        if not (taken_over or often):
            return
        if now_s - self._stranger_s > STRANGER_S:
            log.error("plug: another board or program seems to use our name on the broker")
        self._stranger_s = now_s
