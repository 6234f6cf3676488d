"""The circuit that heaters of several boards hang on: what the others ask for is heard on the broker,
and what that means for the plan and the plug here. `circuit` decides; nothing is switched here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import msgspec

from probe_agent import circuit, words
from probe_agent.circuit import Ask, Schedule, Shared, Slot
from probe_agent.config import Settings
from probe_agent.listening import Listener
from probe_agent.planning import Departure

MOST_BYTES, MOST_BOARDS = 4096, 200
LEAST_EXPIRY_S, MOST_EXPIRY_S = 600, 172_800


class Sharing:
    """What this board and the others ask of their circuit. A board that isn't heard any more counts for as
    long as its last message said."""

    def __init__(self, settings: Settings, device: str, password: str | None, zone: str) -> None:
        assert settings.circuit is not None
        self.name, self._limit_w = settings.circuit.name, settings.circuit.limit_w
        watts = settings.setup.watts if settings.setup is not None else 0.0
        self._power_w, self._device, self._zone = settings.circuit.power_w or watts, device, zone
        self._heard: dict[str, Ask] = {}
        self._end_at: float | None = None
        self._was_on = False
        self._moved: Slot | None = None
        self._listener = Listener("circuit", settings.broker, ["probe-agent/+/circuit"], password, self._hear)
        self.pulses = self._listener.pulses
        self.changed = self._listener.changed
        self.message: tuple[bytes, int] = (b"", LEAST_EXPIRY_S)
        """What is to be told of this board, and for how many seconds it holds."""

    # -- as a courier

    def start(self) -> None:
        """Begin to listen, in the background."""
        self._listener.start()

    def stop(self) -> None:
        """End."""
        self._listener.stop()

    @property
    def trouble(self) -> str | None:
        """Why the others can't be heard, in a sentence for the owner."""
        away = self._listener.trouble
        return None if away is None else words.circuit_unheard(self.name, away, bool(self._heard))

    def _hear(self, message: Any) -> None:
        """On the listener's thread, `changed` held."""
        device, payload = message.topic.split("/")[1], bytes(message.payload)
        if device == self._device:
            return
        found = circuit.heard(device, payload) if 0 < len(payload) <= MOST_BYTES else None
        if found is None or found[0] != self.name:
            self._heard.pop(device, None)
        elif device in self._heard or len(self._heard) < MOST_BOARDS:
            self._heard[device] = found[1]

    # -- a tick

    def look(
        self, now_at: float, coming: Sequence[Departure], on: bool, until_at: float | None, clock_ok: bool
    ) -> Shared:
        """What sharing means now. on: whether the heater here is on; until_at: to when at the latest. Where
        the clock isn't known only who is on can be compared."""
        self._listener.look()
        with self.changed:
            others = [a for a in self._heard.values() if a.on or a.wanted_at is None or a.ends_at > now_at]
        if not clock_ok:
            others, until_at = [Ask(a.device, a.power_w, a.limit_w, a.on) for a in others], None
        planned = _planned(coming) if clock_ok else None
        if on and not self._was_on:
            self._end_at = None if self._moved is None else self._moved.end_at
        self._was_on, self._end_at = on, self._end_at if on else None
        own = self._own(planned, on, until_at)
        asks = [*others, own]
        found = circuit.schedule(asks, now_at)
        slot = found.slots.get(self._device)
        self._moved = slot if slot is not None and slot.earlier_s > 0 and not on else None
        self._keep_message(own, planned, now_at)
        is_over = on and self._end_at is not None and now_at >= self._end_at
        told = (own.device, own.power_w, now_at)
        return Shared(
            tuple(_moved(d, self._moved) if d is planned else d for d in coming),
            self._moved,
            circuit.in_the_way(asks, found, *told) if not on else (),
            circuit.in_the_way(asks, found, *told, pressed=True) if not on else (),
            is_over and self._is_needed(others, now_at),
            self._said(own, planned, found, asks, now_at),
        )

    def _own(self, planned: Departure | None, on: bool, until_at: float | None) -> Ask:
        """What this board asks for."""
        wanted_at = None if planned is None or planned.plan is None else planned.plan.switch_on_at
        off_at = None if planned is None or wanted_at is None else planned.off_at
        if wanted_at is None or off_at is None or not wanted_at < off_at <= wanted_at + circuit.LONGEST_S:
            wanted_at = off_at = None
        ends = [t for t in (off_at, until_at, self._end_at) if t is not None]
        ends_at = min(ends, default=None) if on else None
        return Ask(self._device, self._power_w, self._limit_w, on, wanted_at, off_at, ends_at)

    def _is_needed(self, others: Sequence[Ask], now_at: float) -> bool:
        """Whether others find no room while the heater here goes on, now or as soon as their time comes."""
        soon_at = now_at + circuit.CHANGE_S
        found = circuit.schedule(others, now_at)
        return bool(circuit.in_the_way(others, found, self._device, self._power_w, soon_at, pressed=True))

    def _keep_message(self, own: Ask, planned: Departure | None, now_at: float) -> None:
        start_at = None if planned is None or own.off_at is None else planned.start_at
        ours = planned is not None and planned.by == "our-plug"
        said = circuit.said_of(own, self.name, start_at, ours)
        ends_at = own.ends_at if math.isfinite(own.ends_at) else now_at + MOST_EXPIRY_S
        left_s = min(max(round(ends_at - now_at), 0), MOST_EXPIRY_S)
        self.message = msgspec.json.encode(said), left_s + LEAST_EXPIRY_S

    def _said(
        self, own: Ask, planned: Departure | None, found: Schedule, asks: Sequence[Ask], now_at: float
    ) -> tuple[str, ...]:
        """Sentences for the owner."""
        out = []
        beside = _beside(own, found)
        if self._moved is not None:
            by_plug = planned is not None and planned.by == "our-plug"
            slot = (self._moved.start_at, self._moved.end_at, self._moved.earlier_s)
            out.append(words.circuit_earlier(self.name, *slot, beside, by_plug, self._zone, now_at))
        if found.unfit:
            out.append(words.circuit_unfit(self.name, found.unfit, found.limit_w))
        if found.limits_differ:
            out.append(words.circuit_limits(self.name, found.limit_w))
        return tuple(out)


def _planned(coming: Sequence[Departure]) -> Departure | None:
    """The next departure whose plan wants heat from a time on; one that somebody stays with is left alone."""
    for d in coming:
        made = d.plan
        if made is not None and made.switch_on_at is not None and made.verdict in ("heat", "late"):
            return None if d.attended or d.timer_at is not None else d
    return None


def _moved(departure: Departure, slot: Slot | None) -> Departure:
    """The same, switched on as early as its slot says where our plug does it; never later than planned."""
    made = departure.plan
    if slot is None or departure.by != "our-plug" or made is None or made.switch_on_at is None:
        return departure
    return replace(departure, plan=replace(made, switch_on_at=min(slot.start_at, made.switch_on_at)))


def _beside(own: Ask, found: Schedule) -> tuple[str, ...]:
    """Whose heat falls into the span in which this board wanted its own."""
    if own.wanted_at is None or own.off_at is None:
        return ()
    return tuple(
        sorted(
            device
            for device, slot in found.slots.items()
            if device != own.device and slot.start_at < own.off_at and slot.end_at > own.wanted_at
        )
    )
