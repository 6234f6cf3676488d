"""Whether a rise is a heater's: what air, sun or a warmer part of the engine can do, it need not be.

Without a signal a rise is only called a heater's when nothing else explains it: a place far ahead of the
others while they follow, with no warmer metal to feed it; or places rising faster than the air can warm
them. Until then it is unknown. Judgement on the rates, no source; the physics is a lumped mass in warmer
air (e.g. Incropera et al., ch. 5).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from probe_agent.readings import Observation
from probe_agent.thermal.network import Array

_BEFORE_S = 400.0
_LOCAL_C, _LOCAL_TIMES = 2.5, 4.0  # a place heated itself, against the middle of the others
_FOLLOW_C = 0.3
_FED_C = 0.2
_AIR_S = 5400.0  # shortest time constant of a covered place in the air around it
_SUN_C_PER_H = 10.0
_WARMEST_AIR_C = 27.0  # how much warmer than the engine a hangar may be, where nobody measures it
_FALL_S = 1500.0
_SHORTEST_S, _LONGEST_S = 360.0, 3600.0


def is_heaters(rows: Sequence[Observation], on_s: float, on_sd_s: float, reading_sd_c: float) -> bool:
    """Whether the rise since about on_s is a heater's beyond reasonable doubt."""
    now_s = rows[-1].t_s
    begun_s = on_s - on_sd_s
    before = [r for r in rows if begun_s - _BEFORE_S <= r.t_s <= begun_s] or list(rows[:3])
    lately = list(rows[-3:])
    places = [p for p in lately[-1].values_c if all(p in r.values_c for r in (*before[-1:], *lately))]
    if len(places) < 2 or now_s - on_s > _LONGEST_S or before[-1].t_s >= lately[0].t_s:
        return False
    base, now = _middle(before, places), _middle(lately, places)
    risen = np.sort(now - base)[::-1]
    middle = float(np.median(risen[1:]))
    if now[np.argmax(base)] < base.max() - _FED_C:
        return False  # something warmer feeds the others
    follow_c = max(_FOLLOW_C, 2 * reading_sd_c)
    foremost = int(np.argmax(now - base))
    ahead = risen[0] > max(_LOCAL_C, _LOCAL_TIMES * middle) and now[foremost] > base.max() + _FED_C
    if len(places) > 2 and ahead and middle > follow_c:
        return True
    since_s = now_s - (on_s + on_sd_s)
    if since_s < _SHORTEST_S:
        return False
    # The second of them: a single one may stand in the sun or hang in the air.
    noise_c = 2 * reading_sd_c
    # Warmth from inside may raise what the cold drew down, no faster than it fell.
    feeds = _fell_c_per_h([r for r in rows if begun_s - _FALL_S <= r.t_s <= begun_s], places)
    rate = 3600.0 * (risen[1] - noise_c) / (now_s - begun_s)
    return bool(rate > _by_air(lately, float(base.min())) + feeds)


def _fell_c_per_h(rows: Sequence[Observation], places: Sequence[str]) -> float:
    """How fast the fastest place fell before [°C/h]."""
    if len(rows) < 6:
        return 0.0
    third = len(rows) // 3
    lasted_s = rows[-1 - third // 2].t_s - rows[third // 2].t_s
    fell = _middle(rows[:third], places) - _middle(rows[-third:], places)
    return float(max(0.0, 3600.0 * fell.max() / lasted_s)) if lasted_s > 0 else 0.0


def _middle(rows: Sequence[Observation], places: Sequence[str]) -> Array:
    return np.array([np.median([r.values_c[p] for r in rows if p in r.values_c]) for p in places])


def _by_air(rows: Sequence[Observation], coldest_c: float) -> float:
    """How fast a place may warm without a heater [°C/h]."""
    known = [r.ambient_c for r in rows if r.ambient_c is not None]
    if not known:
        return 3600.0 * _WARMEST_AIR_C / _AIR_S
    return _SUN_C_PER_H + 3600.0 * max(0.0, float(np.median(known)) - coldest_c) / _AIR_S
