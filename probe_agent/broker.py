"""MQTT: the Homie 5 device and the status document, from the latest tick in memory.

The upper half is pure: a status document becomes a tree of topics. The lower half keeps one connection
at a time on a thread of its own and says on it, in the convention's order, what the tree holds.
Nothing is queued across connections: what a broker missed is replaced by what is true now.

Convention: Homie 5 (homieiot/convention, convention.md, v5.0.0). Sections are named beside each rule.
"""

from __future__ import annotations

import hashlib
import json
import logging
import math
import re
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import msgspec
import paho.mqtt.client as mqtt

from probe_agent import pulse, words
from probe_agent.config import Broker
from probe_agent.connecting import Delays, client_id, why
from probe_agent.connection import ACKNOWLEDGE_S, Connection
from probe_agent.couriers import Watched
from probe_agent.pulse import Pulse
from probe_agent.readings import Fault, State
from probe_agent.status import (
    Curve,
    PlugNow,
    ProbeNow,
    Status,
    core_of,
    encode_status,
    stale_after_s,
    utc_seconds,
    utc_text,
)

log = logging.getLogger(__name__)

VALUE_EXPIRY_S = 1200
"""The broker forgets the values of a board that has fallen silent after this time."""
REFRESH_S = VALUE_EXPIRY_S / 2
DOCUMENT_EXPIRY_S = 86_400
DOCUMENT_EVERY_S = 60.0
DOCUMENT_BYTES = 16_000
ROUND_EVERY_S = 1.0
STOP_S = 2.0
FIRST_DELAY_S, LONGEST_DELAY_S = 5.0, 60.0
STILL_S = 180.0
"""A thread that has not moved for so long is said to stand still: longer than any wait it knows."""
REFUSED_RETRY_S = 900.0
STRANGER_S = 300.0
"""How long the owner is told of a second program under the same name after it was last noticed."""
_PUMP_S = 0.5

# -- the tree, pure


STATUSES = ("ok", "by-hand", "stale", "open", "short-gnd", "short-vdd", "missing", "implausible")
_COARSE = {
    Fault.CHECKSUM: "missing",
    Fault.LINE_LOW: "missing",
    Fault.NO_ANSWER: "missing",
    Fault.POWER_ON: "implausible",
    Fault.WEAK_SUPPLY: "implausible",
    Fault.UNCONFIRMED: "implausible",
}


@dataclass(frozen=True, slots=True)
class _Property:
    """A property as $description tells of it. A value of None means: no topic."""

    name: str
    datatype: str
    unit: str | None = None
    format: str | None = None

    def described(self) -> dict[str, str]:
        given = {"name": self.name, "datatype": self.datatype, "unit": self.unit, "format": self.format}
        return {key: value for key, value in given.items() if value is not None}


def _temperature(name: str) -> _Property:
    return _Property(name, "float", "°C")  # U+00B0, as the convention's unit list has it


def _instant(name: str) -> _Property:
    return _Property(name, "datetime")


_ENGINE = {
    "state": _Property("State", "enum", format=",".join(State)),
    "state-since": _instant("State since"),
    "verdict": _Property("In words", "string"),
    "coldest": _Property("Coldest point", "string"),
    "coldest-temperature": _temperature("Temperature of the coldest point"),
    "target": _temperature("Target"),
    "need-limit": _temperature("Heat is needed below"),
    "above-p10": _instant("Above target, 1 morning in 10 earlier"),
    "above-p50": _instant("Above target, most likely"),
    "above-p90": _instant("Above target, 1 morning in 10 later"),
    "p-reach": _Property("Chance to get above target", "float", format="0:1"),
    "announced-at": _instant("Forecast announced"),
    "plateau-low": _temperature("Levels off at, low"),
    "plateau-mid": _temperature("Levels off at, middle"),
    "plateau-high": _temperature("Levels off at, high"),
    "core-low": _temperature("Core, estimated, not measured: low"),
    "core-mid": _temperature("Core, estimated, not measured: middle"),
    "core-high": _temperature("Core, estimated, not measured: high"),
    "ready-at": _instant("Ready to start"),
    "below-p10": _instant("Below target again, 1 morning in 10 earlier"),
    "below-p50": _instant("Below target again, most likely"),
    "below-p90": _instant("Below target again, 1 morning in 10 later"),
    "heating": _Property("Heater warms", "enum", format="yes,no,unknown"),
    "missing": _Property("Required places without a value", "string"),
    "sampled-at": _instant("Time of this tick"),
}

_PLACE = {
    # In the order in which they are said: a number that comes back follows its status.
    "status": _Property("Status", "enum", format=",".join(STATUSES)),
    "temperature": _temperature("Temperature"),
    "fault": _Property("Fault", "string"),
    "trend": _Property("Trend", "float", "°C/h"),
    "required": _Property("Readiness waits for it", "boolean"),
    "sampled-at": _instant("Time of the measurement"),
}

_BOARD = {
    "clock-ok": _Property("Clock can be believed", "boolean"),
    "simulated": _Property("Simulated engine", "boolean"),
    "build": _Property("Program version", "string"),
}


_PLUG = {
    "wanted": _Property("Heat is wanted by", "enum", format="nobody,owner,plan,test"),
    "state": _Property("What the plug says of itself", "enum", format="on,off,unknown"),
    "power": _Property("Power", "float", "W"),
    "locked": _Property("Someone is at the aircraft", "boolean"),
    "timer-tested": _Property("Its own timer has passed its test", "boolean"),
    "ended": _Property("Why the last heat ended", "string"),
    "ended-at": _instant("When the last heat ended"),
}
"""Nothing of it is settable: on comes from a paired press, the board itself, or a plan alone."""


@dataclass(frozen=True, slots=True)
class Tree:
    """What a device has to say: its description without `version`, its values and its alerts.

    values: "node/property" → payload; alerts: "$alert/id" → payload. A topic not here is to be gone.
    """

    description: Mapping[str, Any]
    values: Mapping[str, bytes]
    alerts: Mapping[str, bytes]

    @property
    def content(self) -> str:
        """A hash that changes whenever the description does."""
        text = json.dumps(self.description, sort_keys=True, ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()


def homie_tree(status: Status, build: str) -> Tree:
    """The Homie tree of a status document. `build`: the program's version."""
    ids = dict(zip((p.place for p in status.probes), _ids(p.place for p in status.probes), strict=True))
    nodes = {"engine": _node("Engine", _ENGINE)}
    values = dict(_payloads("engine", _ENGINE, _engine_values(status)))
    for probe in status.probes:
        node = ids[probe.place]
        nodes[node] = _node(words.place_name(probe.place).capitalize(), _PLACE)
        values |= _payloads(node, _PLACE, _place_values(probe, status))
    nodes["board"] = _node("Board", _BOARD)
    board = {"clock-ok": _boolean(status.clock_ok), "simulated": _boolean(status.demo), "build": build}
    values |= _payloads("board", _BOARD, board)
    if status.plug is not None:
        nodes["plug"] = _node("Plug", _PLUG)
        values |= _payloads("plug", _PLUG, _plug_values(status.plug))
    description = {"homie": "5.0", "name": status.aircraft, "nodes": nodes}
    return Tree(description, values, _alerts(status, ids))


def _node(name: str, properties: Mapping[str, _Property]) -> dict[str, Any]:
    return {"name": name, "properties": {key: p.described() for key, p in properties.items()}}


def _engine_values(s: Status) -> dict[str, str | None]:
    plateau, core = s.plateau_c or (None,) * 3, s.core_c or (None,) * 3
    below = s.above_until or (None,) * 3
    return {
        "state": s.state,
        "state-since": s.state_since,
        "verdict": s.verdict,
        "coldest": s.coldest,
        "coldest-temperature": _number(s.coldest_c),
        "target": _number(s.target_c),
        "need-limit": _number(s.need_c),
        "above-p10": s.above_p10,
        "above-p50": s.above_p50,
        "above-p90": s.above_p90,
        "p-reach": _number(s.p_reach, 3),
        "announced-at": s.announced_at,
        **{f"plateau-{k}": _number(c, 1) for k, c in zip(("low", "mid", "high"), plateau, strict=True)},
        **{f"core-{k}": _number(c, 1) for k, c in zip(("low", "mid", "high"), core, strict=True)},
        "ready-at": s.ready_at,
        **{f"below-p{k}": at for k, at in zip((10, 50, 90), below, strict=True)},
        "heating": {True: "yes", False: "no", None: "unknown"}[s.heater.heating],
        "missing": ",".join(s.missing),
        "sampled-at": s.now,
    }


def _plug_values(p: PlugNow) -> dict[str, str | None]:
    return {
        "wanted": p.wanted or "nobody",
        "state": p.says if p.says in ("on", "off") else "unknown",
        "power": _number(p.power_w, 0),
        "locked": _boolean(p.locked is not None),
        "timer-tested": _boolean(p.tested),
        "ended": p.ended,
        "ended-at": p.ended_at,
    }


def _place_values(p: ProbeNow, s: Status) -> dict[str, str | None]:
    """A place without a usable value has no temperature topic: never a number in its stead."""
    usable = p.c is not None and p.status in ("ok", "by-hand")
    status = p.status if p.status in STATUSES else _COARSE.get(p.status, "missing")  # type: ignore[call-overload]
    if not usable and status in ("ok", "by-hand"):
        status = "missing"
    return {
        "temperature": _number(p.c) if usable else None,
        "status": status,
        "fault": None if usable else p.status,
        "trend": _number(p.trend_c_per_h, 1) if usable else None,
        "required": _boolean(p.required),
        "sampled-at": None if p.age_s is None else utc_text(utc_seconds(s.now) - p.age_s),
    }


def _alerts(status: Status, ids: Mapping[str, str]) -> dict[str, bytes]:
    out = {
        f"$alert/probe-{ids[p.place]}": f"{words.place_name(p.place).capitalize()} is not measured: "
        f"{words.fault_words(p.status)}. Not known how warm it is."
        for p in status.probes
        if p.required and _place_values(p, status)["temperature"] is None
    }
    names = _ids(a.id for a in status.alerts)
    out |= {f"$alert/{n}": words.alert(a, status) for n, a in zip(names, status.alerts, strict=True)}
    return {topic: text.encode() for topic, text in out.items()}


def _ids(names: Iterator[str] | Any) -> list[str]:
    """An ID for each name: a-z, 0-9 and inner hyphens (Topic IDs), different for different names."""
    out: list[str] = []
    for name in names:
        stem = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "x"
        candidate, n = stem, 1
        while candidate in out or candidate in ("engine", "board", "plug"):
            n += 1
            candidate = f"{stem}-{n}"
        out.append(candidate)
    return out


def _payloads(
    node: str, properties: Mapping[str, _Property], values: Mapping[str, str | None]
) -> Iterator[tuple[str, bytes]]:
    for key in properties:
        value = values[key]
        if value is not None:
            # An empty string travels as one zero byte, since an empty payload deletes (Payload, String).
            yield f"{node}/{key}", value.encode() or b"\0"


def _number(value: float | None, digits: int = 2) -> str | None:
    """A float payload; None for what is no number."""
    if value is None or not math.isfinite(value):
        return None
    return f"{round(value, digits) + 0.0:.{digits}f}"  # + 0.0 turns −0.0 into 0.0


def _boolean(value: bool) -> str:
    return "true" if value else "false"


def document_payload(status: Status) -> bytes:
    """The retained status document: core and curve, at most DOCUMENT_BYTES.

    A curve that doesn't fit loses every other row, the last one kept, until it does or is gone.
    """
    core = core_of(status)
    curve = status.curve
    while curve is not None and curve.rows:
        whole = encode_status(msgspec.structs.replace(core, curve=curve))
        if len(whole) <= DOCUMENT_BYTES:
            return whole
        curve = Curve(curve.places, curve.rows[::-1][::2][::-1]) if len(curve.rows) > 1 else None
    return encode_status(core)


# -- one connection


@dataclass(slots=True)
class _Sent:
    payload: bytes
    at_s: float


class _Connection(Connection):
    """One that says and hears what there is of our device."""

    def __init__(
        self, settings: Broker, name: str, password: str | None, root: str, document_topic: str, run: str
    ) -> None:
        # Last will (Last Will): the root device's $state, retained; it never expires.
        will = (f"{root}/$state", b"lost", True)
        super().__init__(
            settings, name, password, "broker", self.hear, will=will, acknowledge_s=ACKNOWLEDGE_S
        )
        self.root = root
        self._document_topic = document_topic
        self._run = run
        self.retained: dict[str, bytes] = {}
        """What the broker held under our root when this connection began."""
        self.strangers: list[tuple[bool, bytes]] = []
        """Status documents of this device not written by this run: whether retained, and payload."""
        self._echo_of: bytes | None = None
        self._echoed = False

    def open(self) -> None:
        """Connect, and listen for strangers. Raises OSError."""
        super().open()
        self.subscribe([self._document_topic], qos=0)

    def say(self, topic: str, payload: bytes, expiry_s: int | None = None, ts: str | None = None) -> None:
        """Publish retained, unless the broker has refused this topic on this connection."""
        if topic in self.refused:
            return
        user = [("ts", ts)] if ts is not None and payload else []
        if topic == self._document_topic:
            user.append(("run", self._run))
        self.publish(topic, payload, True, expiry_s if payload else None, user)

    def begin(self, payload: bytes) -> None:
        """Publish a first $state and learn what the broker retains of ours from earlier runs.

        A subscription brings the retained messages first; the echo of our own message, which comes
        back without the retain flag, says that there are no more. Where reading isn't allowed, old
        topics can't be known and stay.
        """
        everything, state = f"{self.root}/#", f"{self.root}/$state"
        self.retained.clear()
        self._echoed, self._echo_of = False, payload
        asked = self.subscribe([everything], qos=0)
        allowed = self.answered(asked) and not asked.refused
        self.say(state, payload)
        if allowed:
            self.until(lambda: self._echoed or state in self.refused)
            self.unsubscribe(everything)
        self._echo_of = None

    def hear(self, message: mqtt.MQTTMessage) -> None:
        """Keep what earlier runs left, and what others write as us."""
        if message.topic == self._document_topic:
            if ("run", self._run) not in getattr(message.properties, "UserProperty", ()):
                self.strangers.append((message.retain, bytes(message.payload)))
        elif self._echo_of is None:
            return
        elif message.retain:
            self.retained[message.topic] = bytes(message.payload)
        elif message.topic == f"{self.root}/$state" and message.payload == self._echo_of:
            self._echoed = True


# -- the courier


class BrokerCourier:
    """Brings the latest status document to an MQTT broker for as long as the daemon runs.

    version_of: content hash of $description → its version, higher for each new content.
    first_delay_s: span of the first wait before another try.
    """

    def __init__(
        self,
        settings: Broker,
        device: str,
        version_of: Callable[[str], int],
        password: str | None,
        build: str,
        first_delay_s: float = FIRST_DELAY_S,
    ) -> None:
        self.root = f"{settings.domain}/5/{device}"
        self.document_topic = f"probe-agent/{device}/status"
        self._settings = settings
        self._device = device
        self._version_of = version_of
        self._password = password
        self._build = build
        self._delays = Delays(first_delay_s, LONGEST_DELAY_S)
        self._latest: tuple[Status, float] | None = None
        self._shared: tuple[bytes, int] | None = None
        self._stopping = threading.Event()
        self._thread = Watched("broker", self._run, self._stopping)
        self._pulse = Pulse("broker")
        self.pulses = (self._pulse,)
        self._away: tuple[float, str] | None = None
        self._refused: dict[str, str] = {}
        self._run_id = uuid.uuid4().hex
        self._brought = False
        self._inherited: bytes | None = None
        self._stranger_s = -math.inf
        self._forget_session()

    def _forget_session(self) -> None:
        """What the broker has of ours is unknown."""
        self._announced: str | None = None
        self._announced_s = 0.0
        self._ready_s = 0.0
        self._told: dict[str, _Sent] = {}
        self._round_s = -math.inf
        self._round_of: Status | None = None
        self._document: tuple[float, str] | None = None
        self._shared_told: tuple[bytes, float] | None = None

    def start(self) -> None:
        """Begin to connect, in the background."""
        self._pulse.expect(pulse.NETWORK_S)
        self._thread.start()

    def publish(self, status: Status) -> None:
        """Make this the document to bring; earlier ones not yet brought are passed over."""
        self._latest = (status, time.monotonic())
        self._thread.look()

    def share(self, payload: bytes, expiry_s: int) -> None:
        """Bring this to those who share a circuit, retained for so long, as soon as may be."""
        self._shared = (payload, expiry_s)

    def stop(self) -> None:
        """Say `disconnected`, wait a moment for the broker to acknowledge it, and end."""
        self._stopping.set()
        self._thread.join(STOP_S + 2 * _PUMP_S)

    @property
    def still_s(self) -> float:
        """For how long its thread has not moved [real s]."""
        return self._pulse.still_s

    @property
    def trouble(self) -> str | None:
        """What is wrong between us and the broker, in a sentence for the owner."""
        where = f"The broker at {self._settings.host}:{self._settings.port}"
        if self.still_s > STILL_S:
            minutes = int(self.still_s / 60)
            return f"{where} can't be used: the line to it has stood still for {minutes} min."
        if time.monotonic() - self._stranger_s < STRANGER_S:
            return (
                f"Another board or program writes as {self._device} on the broker. "
                f"Give each its own broker.device."
            )
        if (away := self._away) is not None:
            minutes = int((time.monotonic() - away[0]) / 60)
            since = f" for {minutes} min" if minutes else ""
            return f"{where} can't be used{since}: {away[1]}."
        if refused := dict(self._refused):
            topic, reason = next(iter(refused.items()))
            more = f" and {len(refused) - 1} more" if len(refused) > 1 else ""
            return f"{where} refuses the topic {topic}{more}: {reason}. Its access rules must allow it."
        return None

    # -- on the thread

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._pulse.beat(pulse.NETWORK_S)
            try:
                self._serve()
            except OSError as err:
                self._lost(why(err))
            except Exception as err:  # whatever it is, the next connection starts afresh
                log.exception("broker: connection given up")
                self._lost(f"{type(err).__name__}: {err}")
            self._stopping.wait(self._delays.next_s())

    def _lost(self, reason: str) -> None:
        if self._stopping.is_set():
            return
        if self._away is None:
            self._away = (time.monotonic(), reason)
            log.warning("broker %s:%s: %s", self._settings.host, self._settings.port, reason)
        else:
            self._away = (self._away[0], reason)

    def _serve(self) -> None:
        """One connection, from its first packet to its end. Raises OSError when it is lost."""
        self._forget_session()
        connection = _Connection(
            self._settings,
            client_id(self._device),
            self._password,
            self.root,
            self.document_topic,
            self._run_id,
        )
        politely = False
        try:
            connection.open()
            while not self._stopping.is_set():
                self._pulse.beat(pulse.NETWORK_S)
                self._step(connection)
                connection.pump(_PUMP_S if connection.idle else 0.05)
                self._notice_strangers(connection)
            politely = True
            if self._announced is not None:
                connection.say(f"{self.root}/$state", b"disconnected")
                connection.flush(STOP_S)
        finally:
            self._notice_strangers(connection)
            connection.close(politely)

    def _notice_strangers(self, connection: _Connection) -> None:
        """Whether somebody else writes our document. One that was retained before this run brought its
        first, and stays the same, is only our own past."""
        for retained, payload in connection.strangers:
            if self._inherited is None and retained:
                self._inherited = payload
            if self._brought or not retained or payload != self._inherited:
                self._notice_stranger()
        connection.strangers.clear()
        if connection.taken_over:
            self._notice_stranger()

    def _notice_stranger(self) -> None:
        if time.monotonic() - self._stranger_s > STRANGER_S:
            log.error("broker: another board or program writes as %s", self._device)
        self._stranger_s = time.monotonic()

    def _step(self, connection: _Connection) -> None:
        """Say what the latest document has that the broker lacks."""
        if self._latest is None or not connection.idle:
            return
        (status, written_s), now_s = self._latest, time.monotonic()
        self._refused = connection.refused
        if now_s - written_s > stale_after_s(status):
            self._say_lost(connection)
            return
        if connection.refused and now_s - self._announced_s > REFUSED_RETRY_S:
            connection.refused.clear()
            self._announced = None
        news = status is not self._round_of and now_s - self._round_s >= ROUND_EVERY_S
        if self._announced is not None and not news:
            self._tell_shared(connection, status, now_s)
            return
        tree = homie_tree(status, self._build)
        if self._announced != tree.content:
            self._announce(connection, tree, status)
        else:
            self._tell(connection, tree, status)
            self._tell_ready(connection)
            self._tell_document(connection, status)
            self._round_s, self._round_of = now_s, status

    def _say_lost(self, connection: _Connection) -> None:
        """No new document for too long: measuring has stopped, and the tree must not look alive."""
        if self._announced is not None:
            log.error("broker: no new status document, $state is set to lost")
            connection.say(f"{self.root}/$state", b"lost")
            self._announced = None

    def _announce(self, connection: _Connection, tree: Tree, status: Status) -> None:
        """The whole device: init, $description, (nothing is settable), values, alerts, old topics, ready."""
        connection.begin(b"init")
        self._notice_strangers(connection)  # what was retained, before ours replaces it
        version = self._version(tree, connection.retained.get(f"{self.root}/$description"))
        description = {**tree.description, "version": version}
        connection.say(f"{self.root}/$description", json.dumps(description, ensure_ascii=False).encode())
        old = {*connection.retained, *self._told} - {f"{self.root}/$state", f"{self.root}/$description"}
        self._told.clear()
        self._tell(connection, tree, status)
        for topic in sorted(old - set(self._told)):
            connection.say(topic, b"")
        connection.say(f"{self.root}/$state", b"ready")
        self._ready_s = time.monotonic()
        self._tell_document(connection, status)
        connection.flush(math.inf)
        self._brought = self.document_topic not in connection.refused
        self._announced, self._announced_s = tree.content, time.monotonic()
        self._round_s, self._round_of = self._announced_s, status
        self._arrived()

    def _arrived(self) -> None:
        self._delays.begin_again()
        if self._away is not None:
            log.warning("broker %s:%s: there again", self._settings.host, self._settings.port)
            self._away = None

    def _version(self, tree: Tree, retained: bytes | None) -> int:
        """The description's version; above the broker's where that holds another content, so that a
        lost store can't make it fall."""
        version = self._version_of(tree.content)
        try:
            held = json.loads(retained or b"null")
            held_version = int(held.pop("version"))
        except (ValueError, TypeError, AttributeError, KeyError, OverflowError, RecursionError):
            return version  # whatever somebody left there keeps nothing from being said
        return max(version, held_version if held == tree.description else held_version + 1)

    def _tell(self, connection: _Connection, tree: Tree, status: Status) -> None:
        """What changed since it was last said, and values about to expire: deletions first."""
        wanted = {f"{self.root}/{key}": value for key, value in (*tree.values.items(), *tree.alerts.items())}
        for topic in [t for t in self._told if t not in wanted]:
            connection.say(topic, b"")
            del self._told[topic]
        now_s = time.monotonic()
        for topic, payload in wanted.items():
            told = self._told.get(topic)
            if told is not None and told.payload == payload and now_s - told.at_s < REFRESH_S:
                continue
            expiry_s = None if topic.startswith(f"{self.root}/$") else VALUE_EXPIRY_S
            connection.say(topic, payload, expiry_s, status.now)
            self._told[topic] = _Sent(payload, now_s)

    def _tell_ready(self, connection: _Connection) -> None:
        """Our state, now and then, in place of a `lost` that a hub or a will said of us too late."""
        now_s = time.monotonic()
        if now_s - self._ready_s >= REFRESH_S:
            connection.say(f"{self.root}/$state", b"ready")
            self._ready_s = now_s

    def _tell_document(self, connection: _Connection, status: Status) -> None:
        """The status document, at each change of state, else once a minute; what is shared as it changes."""
        now_s = time.monotonic()
        self._tell_shared(connection, status, now_s)
        if self._document is not None:
            said_s, state = self._document
            if state == status.state and now_s - said_s < DOCUMENT_EVERY_S:
                return
        connection.say(self.document_topic, document_payload(status), DOCUMENT_EXPIRY_S, status.now)
        self._document = (now_s, status.state)

    def _tell_shared(self, connection: _Connection, status: Status, now_s: float) -> None:
        """What others on the circuit are to know, anew before the broker forgets it."""
        if self._shared is None:
            return
        payload, expiry_s = self._shared
        told = self._shared_told
        if told is not None and told[0] == payload and now_s - told[1] < min(expiry_s, VALUE_EXPIRY_S) / 2:
            return
        connection.say(f"probe-agent/{self._device}/circuit", payload, expiry_s, status.now)
        self._shared_told = (payload, now_s)


def reach(settings: Broker, device: str, password: str | None) -> str | None:
    """Connect once under a name of its own and leave: None where the broker takes us, else why not."""
    topic = f"probe-agent/{device}/status"
    name = client_id(f"check-{device}")
    connection = _Connection(settings, name, password, f"{settings.domain}/5/{device}-check", topic, "check")
    try:
        connection.open()
    except (OSError, ValueError) as err:
        connection.close(False)
        return why(err)
    connection.close(True)
    return None
