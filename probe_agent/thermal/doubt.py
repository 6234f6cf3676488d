"""Which places the physics does not believe: one that leaves what is expected of it, the others not."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

_MOVED_C = 2.0  # a probe off its metal hangs in air that is some degrees warmer or colder
_BACK_C = 0.7
_OTHERS = 0.35  # share of it by which the others may have moved, in the middle
_PLUME = 1.3  # the heater's own warmth, which a stopped heater takes away at once, and a little more
_LONG_S, _LONG_ROWS = 45.0, 3
_BACK_S = 120.0
_FALLS_S = 420.0  # within that the curve tells a heater's end


class Doubt:
    """Follows how far each reading is from what the network expects.

    set_aside: the places not believed at present.
    """

    def __init__(self) -> None:
        self.set_aside: set[str] = set()
        self._usual_c: dict[str, float] = {}
        self._since: dict[str, tuple[float, int]] = {}

    def settle(self, gaps_c: Mapping[str, float]) -> None:
        """The network was fitted anew: from now on these gaps are the usual ones."""
        doubted = self.set_aside | self._since.keys()
        self._usual_c |= {p: gap for p, gap in gaps_c.items() if p not in doubted}

    def take(
        self,
        t_s: float,
        gaps_c: Mapping[str, float],
        plume_c: Mapping[str, float],
        may_have_stopped: bool = False,
    ) -> bool:
        """One row of readings less what was expected [°C]; True where a place was set aside or is
        believed again.

        plume_c: how much of a reading is the heater's warmth; may_have_stopped: nobody measures whether the
        heater warms, so that one place falling first may be the heater's end. A place read too cold holds
        nothing above the target meanwhile.
        """
        moved = {p: gap - self._usual_c.get(p, gap) for p, gap in gaps_c.items()}
        changed = False
        for place, by in moved.items():
            others = [abs(c) for p, c in moved.items() if p != place and p not in self.set_aside]
            if len(others) < 2:
                continue
            if place in self.set_aside:
                odd = abs(by) > _BACK_C
                wanted = _BACK_S
            else:
                limit = _MOVED_C + _PLUME * max(0.0, plume_c.get(place, 0.0))
                odd = abs(by) > limit and float(np.median(others)) < _OTHERS * abs(by)
                wanted = _FALLS_S if may_have_stopped and by < 0 else _LONG_S
            if odd == (place in self.set_aside):
                self._since.pop(place, None)
                continue
            begun, rows = self._since.get(place, (t_s, 0))
            self._since[place] = begun, rows + 1
            if rows + 1 >= _LONG_ROWS and t_s - begun >= wanted:
                self.set_aside ^= {place}
                self._since.pop(place)
                changed = True
        return changed
