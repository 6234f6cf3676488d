"""Probes that others publish on the broker: a number in each message, of a topic and a JSON pointer.

A message is as old as the time since it arrived; where the sender gives its messages an expiry that the
settings know, the broker counts it down and its age is known besides. A retained message of unknown age is
no reading. What can't be understood is a fault until the next message that can.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from probe_agent.clock import awake_and_asleep_s
from probe_agent.config import Broker, Probe
from probe_agent.listening import Listener
from probe_agent.pointers import pointed
from probe_agent.readings import Fault, ProbeFault, Reading, Scan

log = logging.getLogger(__name__)

COLDEST_C, HOTTEST_C = -60.0, 300.0
"""Beyond these is no engine and no air at a field: a wrong unit or pointer, or a sender's sign of failure."""
CONFIRMED_WITHIN_C = 10.0
"""Exactly 85 °C, a chip's power-on content, is believed so near to the value before it."""
MOST_BYTES = 16 * 1024


@dataclass(frozen=True, slots=True)
class Understood:
    """A message's number: as sent, and in °C."""

    raw: float
    c: float


@dataclass(frozen=True, slots=True)
class NotUnderstood:
    """Why a message is no reading."""

    fault: Fault
    detail: str


def understand(payload: bytes, pointer: str, unit: str) -> Understood | NotUnderstood:
    """The temperature in a message. unit: C, F or K of the number. Nothing that isn't a number becomes one:
    no text, no true, no null."""
    if len(payload) > MOST_BYTES:
        return NotUnderstood(Fault.CHECKSUM, f"a message of more than {MOST_BYTES // 1024} KB")
    try:
        found = pointed(msgspec.json.decode(payload), pointer)
    except KeyError as err:
        where = f"the pointer {pointer!r} leads nowhere"
        return NotUnderstood(Fault.CHECKSUM, f"{where}: there is no {err.args[0]!r} in what comes")
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        begin = payload[:40].decode("utf-8", "replace")
        return NotUnderstood(Fault.CHECKSUM, f"what comes is not JSON; it begins with {begin!r}")
    if isinstance(found, bool) or not isinstance(found, int | float) or abs(found) > 1e9:
        return NotUnderstood(Fault.CHECKSUM, f"{str(found)[:40]!r} at {pointer!r} is not a temperature")
    raw = float(found)
    c = {"C": raw, "F": (raw - 32) / 1.8, "K": raw - 273.15}[unit]
    if not (math.isfinite(c) and COLDEST_C <= c <= HOTTEST_C):
        return NotUnderstood(Fault.IMPLAUSIBLE, f"{raw:g} °{unit} can't be")
    return Understood(raw, c)


@dataclass(frozen=True, slots=True)
class _Heard:
    """The newest message of a probe: what it says, and when it was sent or came [s of the clock]."""

    at_s: float
    said: Understood | NotUnderstood


class RemoteProbes:
    """Every probe of the settings that comes by the broker. Its addresses are names of the owner's."""

    name = "mqtt"
    deadline_s = 1.0

    def __init__(
        self,
        broker: Broker,
        probes: Sequence[Probe],
        password: str | None,
        clock: Callable[[], float] = awake_and_asleep_s,
    ) -> None:
        """Nothing is heard until `start`. clock: real seconds, also through sleep."""
        self._probes, self._clock = tuple(probes), clock
        self._heard: dict[str, _Heard] = {}
        topics = dict.fromkeys(p.topic for p in probes if p.topic is not None)
        self._listener = Listener("remote probes", broker, tuple(topics), password, self._hear)
        self.pulses = self._listener.pulses
        self.changed = self._listener.changed

    # -- as something that listens

    def start(self) -> None:
        """Begin to listen, in the background."""
        self._listener.start()

    def stop(self) -> None:
        """End."""
        self._listener.stop()

    @property
    def is_listening(self) -> bool:
        return self._listener.is_listening

    @property
    def trouble(self) -> str | None:
        """Why nothing is heard, in a sentence for the owner."""
        trouble = self._listener.trouble
        return None if trouble is None else f"Probes on the broker can't be heard{trouble}."

    # -- as a source

    @property
    def addresses(self) -> tuple[str, ...]:
        return tuple(p.address for p in self._probes)

    def next_at(self, now_s: float) -> float | None:
        return now_s

    def read(self, now_s: float) -> Scan:
        """The newest message of each, stamped with the second it is of; one too old is STALE, none at all
        NO_ANSWER. Reads what has come; asks nobody."""
        self._listener.look()
        with self.changed:
            clock_s = self._clock()
            return Scan(now_s, tuple(self._sample(p, now_s, clock_s) for p in self._probes))

    def close(self) -> None:
        self.stop()

    def _sample(self, probe: Probe, now_s: float, clock_s: float) -> Reading | ProbeFault:
        heard = self._heard.get(probe.address)
        if heard is None:
            why = self._listener.trouble
            detail = (
                f"nothing has come on {probe.topic} yet" if why is None else f"the broker can't be heard{why}"
            )
            return ProbeFault(probe.address, now_s, Fault.NO_ANSWER, detail)
        age_s = max(0.0, clock_s - heard.at_s)
        if age_s > probe.stale_after_s:
            return ProbeFault(probe.address, now_s, Fault.STALE, f"its last message is {age_s:.0f} s old")
        if isinstance(heard.said, NotUnderstood):
            return ProbeFault(probe.address, now_s, heard.said.fault, heard.said.detail)
        return Reading(probe.address, now_s - age_s, heard.said.raw, heard.said.c)

    # -- on the listener's thread, `changed` held

    def _hear(self, message: Any) -> None:
        payload, topic = bytes(message.payload), message.topic
        for probe in self._probes:
            if probe.topic == topic:
                sent_s, before = self._sent_s(probe, message), self._heard.get(probe.address)
                known = before is not None and message.retain and sent_s is not None and sent_s <= before.at_s
                if sent_s is not None and not known:
                    self._take(probe, payload, sent_s)

    def _sent_s(self, probe: Probe, message: Any) -> float | None:
        """When a message was sent, as far as is known [s of the clock]; None where it may be of any age."""
        left_s: int | None = getattr(message.properties, "MessageExpiryInterval", None)
        if probe.expires_s is not None and left_s is not None and left_s <= probe.expires_s:
            return self._clock() - (probe.expires_s - left_s)
        return None if message.retain else self._clock()

    def _take(self, probe: Probe, payload: bytes, sent_s: float) -> None:
        before = self._heard.get(probe.address)
        said = understand(payload, probe.pointer, probe.unit)
        if isinstance(said, Understood) and round(said.c, 3) == 85.0 and not _confirms(before, said):
            said = NotUnderstood(Fault.UNCONFIRMED, "85 °C may be a chip's power-on content")
        if isinstance(said, NotUnderstood) and not (before and isinstance(before.said, NotUnderstood)):
            log.warning("remote probe %s: %s", probe.address, said.detail)
        self._heard[probe.address] = _Heard(sent_s, said)


def _confirms(before: _Heard | None, now: Understood) -> bool:
    """Whether exactly 85 °C is believed after that."""
    return (
        before is not None
        and isinstance(before.said, Understood)
        and abs(before.said.c - now.c) <= CONFIRMED_WITHIN_C
    )
