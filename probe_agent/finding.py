"""A round of finding out which probe is warmed by hand, begun on the page and fed by the ticks."""

from __future__ import annotations

from collections.abc import Iterable

from probe_agent.identifying import Outcome, Round
from probe_agent.readings import Reading, Scan
from probe_agent.status import IdentifyNow

LASTS_S = 1800.0
"""A round that nobody ends is forgotten so long after it began [run s]."""


class Finding:
    """The round at hand, if any. Pure but for what it remembers."""

    def __init__(self) -> None:
        self._round: Round | None = None
        self._outcome = Outcome("resting")
        self._began_s = 0.0
        self._found: frozenset[str] = frozenset()
        """Those named in rounds since somebody began with it."""

    def begin(self, now_s: float, bound: Iterable[str]) -> None:
        """A new round. bound: addresses with a place; one that an earlier round named is done."""
        if self._outcome.kind == "found":
            self._found |= set(self._outcome.addresses)
        self._round = Round(self._found & frozenset(bound))
        self._outcome, self._began_s = Outcome("resting"), now_s

    def end(self) -> None:
        """No round any more; what earlier ones named is forgotten."""
        self._round, self._outcome, self._found = None, Outcome("resting"), frozenset()

    def follow(self, scans: Iterable[Scan], now_s: float) -> None:
        """What the sources said at a tick [run s], before any correction."""
        if self._round is None:
            return
        if now_s - self._began_s > LASTS_S:
            self.end()
            return
        if self._outcome.kind in ("resting", "waiting"):
            samples = (s for scan in scans for s in scan.samples)
            self._outcome = self._round.take(
                {s.address: s.value_c for s in samples if isinstance(s, Reading)}
            )

    @property
    def shown(self) -> IdentifyNow | None:
        """As the status document tells it; None while there is no round."""
        if self._round is None:
            return None
        rises = {a: round(k, 2) for a, k in self._outcome.rises_c.items()}
        return IdentifyNow(self._outcome.kind, self._outcome.addresses, rises)
