"""The circuit that heaters of several boards hang on: what the others ask for is heard on the broker,
and what that means for the plan and the plug here. `circuit` decides; nothing is switched here.

Before the heater goes on its room is claimed: the others are told, the claim has to come back from the
broker, and after a while for what is under way it is looked whether one of them was there before.
"""

from __future__ import annotations

import math
import secrets
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import msgspec

from probe_agent import circuit, words
from probe_agent.circuit import Ask, Claimed, Heat, Schedule, Shared, Slot
from probe_agent.config import Settings
from probe_agent.listening import Listener
from probe_agent.planning import Departure
from probe_agent.status import utc_seconds, utc_text

MOST_BYTES, MOST_BOARDS = 4096, 200
LEAST_EXPIRY_S, MOST_EXPIRY_S = 120, 172_800
"""So long beyond what it says a message holds, and no longer than this [s]."""
CLAIM_EXPIRY_S = 60
"""A claim of which nothing became is forgotten so soon."""
WAITS_S = 3.0
"""So long after a claim has come back the others have time to be heard, over bridges too."""
RETURNS_S = 10.0
"""A claim that doesn't come back for so long reaches nobody: this board stands alone."""


@dataclass(slots=True)
class _Claim:
    """Room claimed on the circuit: its name, when it was made and when it came back from the broker [run s],
    the claims heard before it did, and to whom it was lost."""

    name: str
    made_s: float
    back_s: float | None = None
    earlier: frozenset[str] = frozenset()
    lost_to: tuple[str, ...] = ()


class Sharing:
    """What this board and the others ask of their circuit. A board that isn't heard any more counts for as
    long as its last message said."""

    def __init__(
        self,
        settings: Settings,
        device: str,
        password: str | None,
        zone: str,
        tell: Callable[[bytes, int], None] = lambda payload, expiry_s: None,
        seconds: Callable[[], float] = time.monotonic,
    ) -> None:
        """tell: brings a message to the others, retained for so many seconds, and never blocks; seconds: of
        the run."""
        assert settings.circuit is not None
        self.name, self._limit_w = settings.circuit.name, settings.circuit.limit_w
        watts = settings.setup.watts if settings.setup is not None else 0.0
        self._power_w, self._device, self._zone = settings.circuit.power_w or watts, device, zone
        self._tell, self._seconds = tell, seconds
        self._heard: dict[str, tuple[Ask, float]] = {}
        """What a board asks for, and when that doesn't hold any more [run s]."""
        self._own = Ask(device, self._power_w, self._limit_w)
        self._planned: Departure | None = None
        self._claim: _Claim | None = None
        self._clock_ok, self._now_at = False, 0.0
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
        found = circuit.heard(device, payload) if 0 < len(payload) <= MOST_BYTES else None
        if device == self._device:
            self._hear_own(None if found is None else found[1])
        elif found is None or found[0] != self.name:
            self._heard.pop(device, None)
        elif device in self._heard or len(self._heard) < MOST_BOARDS:
            expiry_s = getattr(getattr(message, "properties", None), "MessageExpiryInterval", MOST_EXPIRY_S)
            self._heard[device] = found[1], self._seconds() + expiry_s

    def _hear_own(self, ask: Ask | None) -> None:
        """A claim has come back: whoever claimed before is known by now, and is given way to at once, so that
        it needn't give way to us."""
        claim = self._claim
        if claim is None or claim.back_s is not None or ask is None or ask.claim != claim.name:
            return
        claim.back_s = self._seconds()
        others = self._others()
        claim.earlier = frozenset(a.claim for a in others if a.claim is not None)
        claim.lost_to = circuit.gives_way([*others, self._own], self._device, claim.earlier)
        if claim.lost_to:
            self._own = replace(self._own, on=False, claim=None)
            self._say(self._own)

    def _others(self) -> list[Ask]:
        """What the others ask for, as long as that holds. With `changed` held."""
        now_s = self._seconds()
        return [ask for ask, ends_s in self._heard.values() if now_s < ends_s]

    # -- a tick

    def look(self, now_at: float, coming: Sequence[Departure], heat: Heat, clock_ok: bool) -> Shared:
        """What sharing means now. Where the clock isn't known only who is on can be compared."""
        self._listener.look()
        with self.changed:
            return self._look(now_at, coming, heat, clock_ok)

    def _look(self, now_at: float, coming: Sequence[Departure], heat: Heat, clock_ok: bool) -> Shared:
        self._clock_ok, self._now_at = clock_ok, now_at
        if self._claim is not None and self._claim.lost_to:
            heat = replace(heat, on=False)
        others = self._asks_of_others(now_at)
        planned = _planned(coming, heat.spent) if clock_ok else None
        on = heat.on
        self._keep_end(on)
        own = self._own_ask(planned, heat)
        asks = [*others, own]
        found = circuit.schedule(asks, now_at)
        slot = found.slots.get(self._device)
        self._moved = slot if slot is not None and slot.earlier_s > 0 and not on else None
        self._own, self._planned = own, planned
        self._say(own)
        is_over = on and self._end_at is not None and now_at >= self._end_at
        told = (own.device, own.power_w, now_at)
        pressed = circuit.in_the_way(asks, found, *told, pressed=True) if not on else ()
        return Shared(
            tuple(_moved(d, self._moved) if d is planned else d for d in coming),
            circuit.in_the_way(asks, found, *told) if not on else (),
            pressed,
            is_over and self._is_needed(others, now_at),
            self._device in circuit.beyond(asks),
            self._claimed(asks),
            self._said(found, asks, pressed, now_at),
            self._troubles(found, asks),
        )

    def _asks_of_others(self, now_at: float) -> list[Ask]:
        """What counts of the others: what is on, and what is still to come."""
        others = [a for a in self._others() if a.on or a.wanted_at is None or a.ends_at > now_at]
        if self._clock_ok:
            return others
        return [Ask(a.device, a.power_w, a.limit_w, a.on, claim=a.claim) for a in others]

    def is_full(self, now_at: float) -> bool:
        """Whether others leave no room for a press, by what was heard until this moment."""
        with self.changed:
            asks = [*self._asks_of_others(now_at), self._own]
            found = circuit.schedule(asks, now_at)
            return bool(circuit.in_the_way(asks, found, self._device, self._power_w, now_at, pressed=True))

    def _own_ask(self, planned: Departure | None, heat: Heat) -> Ask:
        """What this board asks for."""
        wanted_at = None if planned is None or planned.plan is None else planned.plan.switch_on_at
        off_at = None if planned is None or wanted_at is None else planned.off_at
        if wanted_at is None or off_at is None or not wanted_at < off_at <= wanted_at + circuit.LONGEST_S:
            wanted_at = off_at = None
        until_at = heat.until_at if self._clock_ok else None
        ends = [t for t in (off_at, until_at, self._end_at) if t is not None]
        ends_at = min(ends, default=None) if heat.on else None
        claim = self._claim.name if heat.on and heat.claims and self._claim is not None else None
        since_at = None
        if self._clock_ok and heat.since_at is not None:
            since_at = utc_seconds(utc_text(heat.since_at))  # as the others read it
        asked = (self._device, self._power_w, self._limit_w, heat.on, wanted_at, off_at, ends_at)
        return Ask(*asked, claim, since_at)

    def _keep_end(self, on: bool) -> None:
        """Heat that goes on in a slot is to end with it, from the first word of it on."""
        if on and not self._was_on:
            self._end_at = None if self._moved is None else self._moved.end_at
        self._was_on, self._end_at = on, self._end_at if on else None

    def _is_needed(self, others: Sequence[Ask], now_at: float) -> bool:
        """Whether others find no room while the heater here goes on, now or as soon as their time comes."""
        soon_at = now_at + circuit.CHANGE_S
        found = circuit.schedule(others, now_at)
        return bool(circuit.in_the_way(others, found, self._device, self._power_w, soon_at, pressed=True))

    def _say(self, own: Ask) -> None:
        """Tell the others what is asked for here."""
        planned, now_at = self._planned, self._now_at
        start_at = None if planned is None or own.off_at is None else planned.start_at
        ours = planned is not None and planned.by == "our-plug"
        said = circuit.said_of(own, self.name, start_at, ours)
        ends_at = own.ends_at if math.isfinite(own.ends_at) else now_at + MOST_EXPIRY_S
        left_s = min(max(round(ends_at - now_at), 0), MOST_EXPIRY_S) + LEAST_EXPIRY_S
        self.message = msgspec.json.encode(said), left_s if own.claim is None else CLAIM_EXPIRY_S
        self._tell(*self.message)

    # -- a claim

    def follow(self, heat: Heat, now_at: float) -> None:
        """Tell the others at once that heat is about to go on here, has begun, or isn't wanted any more."""
        with self.changed:
            self._now_at = now_at
            if not heat.claims:
                self._claim = None
            elif self._claim is None:
                self._claim = _Claim(secrets.token_hex(8), self._seconds())
            is_lost = self._claim is not None and bool(self._claim.lost_to)
            heat = replace(heat, on=heat.on and not is_lost)
            self._keep_end(heat.on)
            own = self._own_ask(self._planned, heat)
            if (own.on, own.claim) != (self._own.on, self._own.claim):
                self._own = own
                self._say(own)

    def _claimed(self, asks: Sequence[Ask]) -> Claimed:
        """How the claim stands. One that doesn't come back gives way to whoever was heard meanwhile."""
        claim = self._claim
        if claim is None:
            return "waits"
        if claim.lost_to:
            return "lost"
        now_s, earlier = self._seconds(), claim.earlier
        if claim.back_s is None:
            if now_s - claim.made_s < RETURNS_S:
                return "waits"
            earlier = frozenset(a.claim for a in asks if a.claim is not None)
        elif now_s - claim.back_s < WAITS_S:
            return "waits"
        claim.lost_to = circuit.gives_way(asks, self._device, earlier)
        return "lost" if claim.lost_to else "free"

    def _said(
        self, found: Schedule, asks: Sequence[Ask], full: tuple[str, ...], now_at: float
    ) -> tuple[str, ...]:
        """Sentences for the owner."""
        own, out, beside = self._own, [], _beside(self._own, found)
        if self._moved is not None:
            by_plug = self._planned is not None and self._planned.by == "our-plug"
            slot = (self._moved.start_at, self._moved.end_at, self._moved.earlier_s)
            out.append(words.circuit_earlier(self.name, *slot, beside, by_plug, self._zone, now_at))
        if own.on and self._end_at is not None:
            out.append(words.circuit_ends(self.name, self._end_at, beside, self._zone, now_at))
        if own.on and own.claim is not None:
            out.append(words.circuit_asks(self.name))
        if full:
            room_at = circuit.room_at(asks, found, self._device, full)
            out.append(words.circuit_waits(self.name, full, room_at, self._zone, now_at))
        if found.unfit and self._device not in found.unfit:
            out.append(words.circuit_unfit(self.name, found.unfit, found.limit_w))
        return tuple(out)

    def _troubles(self, found: Schedule, asks: Sequence[Ask]) -> tuple[str, ...]:
        """Sentences for the owner of what somebody has to do something about."""
        on, on_w, limit_w = circuit.on_now(asks)
        out = [words.circuit_beyond(self.name, on, on_w, limit_w)] if on_w > limit_w else []
        if self._device in found.unfit:
            out.append(words.circuit_unfit(self.name, found.unfit, found.limit_w))
        if found.limits_differ:
            out.append(words.circuit_limits(self.name, found.limit_w))
        return tuple(out)


def _planned(coming: Sequence[Departure], spent: frozenset[int]) -> Departure | None:
    """The next departure whose plan wants heat from a time on; one that somebody stays with is left alone.
    spent: those that are not switched on for any more."""
    for d in coming:
        made = d.plan
        if (
            d.number not in spent
            and made is not None
            and made.switch_on_at is not None
            and made.verdict in ("heat", "late")
        ):
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
