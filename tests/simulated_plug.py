"""A plug as shops sell them: a relay, a timer of its own, what it says of itself, and the heater behind it.

It knows no network: `command` is what reaches it, `said` what it has to publish since it was last asked.
"""

from __future__ import annotations

import json
import math


class SimulatedPlug:
    """on: its relay. Instants in seconds of any clock that rises.

    timer_s: it goes off so long after the last on it heard, whatever else happens; has_timer: whether it
    does. welded: its contact doesn't open; broken: its heater draws nothing; fed: the mains are there.
    """

    def __init__(self, timer_s: float, watts: float = 480.0) -> None:
        self.timer_s, self.watts = timer_s, watts
        self.on = False
        self.welded = self.broken = False
        self.has_timer = True
        self.fed = True
        self._until_s = math.inf
        self._said: list[tuple[str, bytes]] = []

    @property
    def power_w(self) -> float:
        """What the heater behind it really draws."""
        return self.watts if self.fed and not self.broken and (self.on or self.welded) else 0.0

    def command(self, payload: bytes, now_s: float) -> None:
        """A message at its command topic: on, off, or anything else, which it passes over."""
        if payload == b"on":
            self._until_s = now_s + self.timer_s if self.has_timer else math.inf
            self._switch(True)
        elif payload == b"off":
            self._switch(False)

    def press(self, now_s: float) -> None:
        """Its own button."""
        self._switch(not self.on)
        self._until_s = now_s + self.timer_s

    def pass_time(self, now_s: float) -> None:
        """Its own timer."""
        if self.on and now_s >= self._until_s:
            self._switch(False)

    def _switch(self, on: bool) -> None:
        self.on = on
        self.tell()

    def tell(self) -> None:
        """State and power, as it does at each change and now and then."""
        self._said += [("state", b"on" if self.on else b"off"), ("power", self._power())]

    def _power(self) -> bytes:
        return json.dumps({"meter": {"w": self.power_w}}).encode()

    def said(self) -> list[tuple[str, bytes]]:
        """What it has to publish since it was last asked."""
        out, self._said = self._said, []
        return out
