"""Named signs of a heat-up in its curve, and of what only looks like one; each with since when.

Fed row by row with what the heater is believed to do; every minute the means of the last minutes are
compared with earlier ones, with what this setup usually shows, and with the air. Where the air isn't
measured, sun and warm air, or door and cover, can't be told apart, and the sign says so.

What rests on structure: a body that cools does so ever more slowly while its surroundings stay the same;
metal is never warmed by air colder than itself; a heater of a known setup warms as it did. The sizes are
judgement, no source; each says what it has to lie above.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from probe_agent.config import CYLINDER
from probe_agent.readings import Observation, Sign, SignKind
from probe_agent.thermal.evidence import Checkpoint
from probe_agent.thermal.network import Array

_CELL_S = 60.0
_CELLS = 130
_MEAN_S = 170.0  # three cells: their mean halves a converter's last digit (a quarter of a degree)
_HOLDS = 3  # cells in a row before a sign begins or ends: a single odd one is none
_QUIET_S = 1800.0  # after a change of the heater warmth still moves between metal, oil and air

_WINDOW_S = 1200.0  # a usual heat-up rises by 3 to 8 K in it, against reading errors of some 0.2 K
_USUAL_FROM_S, _USUAL_TO_S = 600.0, 3600.0
"""Since heater-on: before, its lag counts; later, the day's wind and air count as much as the heater."""
_COLD_FROM_S = 900.0
_WEAK, _WEAK_AT_ALL = 0.72, 0.85
"""Share of the usual rise, and of what would be left of it on a day with twice the losses. A lead that loses
a tenth of the voltage takes 19 % of the watts (its square), and wind and fit scatter a rate by some 5 %:
less than both together is another heater; a gale or a gap in the cover does more, and is no heater."""
_WEAK_SURE_C, _WEAK_LATELY_C = 1.5, 0.8
"""Missing of the whole rise, and of the last window's: several errors of a middle of means."""
_LOSSY = 2.0  # of what the curve with other losses is off: its losses are half as much again
_COLD, _COLD_SURE_C = 0.7, 1.2
"""Of its share, against the middle of the others': cylinders of a known setup keep theirs within a tenth,
one without its band has half; and by several reading errors."""

_PAUSES = 1.5  # as much longer than all before it, a pause is none of a thermostat's
_STEP_C, _STEP_S = 3.0, 600.0
"""Free air hardly changes by that in ten minutes; the air of a hangar, or of another place, does
(judgement)."""
_SETTLED_S = 4200.0  # the two windows after half an hour's settling
_LASTS_S = 3600.0  # so long what happened at an instant is shown
_FASTER_C_PER_H = 0.6  # four errors of a difference of two rates over _WINDOW_S, from the readings' noise
_WARMER_THAN_AIR_C = 3.0
_FAR_APART = 0.4
"""Spread of the places as a share of how much warmer they are than the air, beyond which warmth still
moves between them: after a flight heads give theirs to the case, and then all fall."""
_RISEN_C, _RISEN_S = 1.0, 2400.0
"""So long a heater of any size is recognised; what still rises unrecognised may be anything."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What is believed at a row: heating; heater on since on_s, off since off_s; the last change of the
    heater, as far as known [run s]; places not believed; that the engine itself runs, or ran."""

    heating: bool | None
    on_s: float | None
    off_s: float | None
    changed_s: float
    set_aside: Collection[str]
    run: Sign | None = None


@dataclass(slots=True)
class _Cell:
    """Sums of a minute's rows: start, sums and numbers a place (n,), of the air, of the time."""

    begin_s: float
    total: Array
    number: Array
    air: float = 0.0
    airs: int = 0


@dataclass(slots=True)
class _Held:
    """A condition that was or wasn't so: begun [s], how many cells in a row it has been otherwise."""

    begun_s: float
    shown: bool = False
    cells: int = 0
    against: int = 0


_Key = tuple[SignKind, str | None]


class Signs:
    """The signs of one engine. places (n): order of the rows; is_engine: whether its size is known to be
    an engine's; without that only heater and places are judged."""

    def __init__(self, places: Sequence[str], is_engine: bool) -> None:
        self._places = tuple(places)
        self._is_engine = is_engine
        self._cylinders = np.array([CYLINDER.match(p) is not None for p in self._places])
        self._cells: deque[tuple[float, Array, float]] = deque(maxlen=_CELLS)
        self._open: _Cell | None = None
        self._held: dict[_Key, _Held] = {}
        self._heater: tuple[Sign, ...] = ()
        self._run: tuple[Sign, ...] = ()
        self._aside: dict[str, float] = {}
        self._on_s: float | None = None
        self._stopped = False
        self._off_s: float | None = None
        self._pauses_s: list[float] = []
        self._usual: Checkpoint | None = None
        self._warmed_s = -math.inf

    @property
    def now(self) -> tuple[Sign, ...]:
        """The signs at the last row, the engine's own run and the heater's first."""
        aside = tuple(Sign(SignKind.DETACHED, since_s, place) for place, since_s in self._aside.items())
        held = tuple(Sign(kind, h.begun_s, place) for (kind, place), h in self._held.items() if h.shown)
        return (*self._run, *self._heater, *aside, *held)

    def expect(self, usual: Checkpoint | None) -> None:
        """A heat-up begins, and should rise like this by what earlier ones of the setup taught; None where
        too few have."""
        self._usual = usual

    def take(self, obs: Observation, heard: Heard) -> None:
        """One row and what is believed of the heater at it."""
        self._hear(obs.t_s, heard)
        self._aside = {p: self._aside.get(p, obs.t_s) for p in sorted(heard.set_aside)}
        self._run = () if heard.run is None else (heard.run,)
        if self._run:  # its warmth goes where no other sign can be read from
            self._cells.clear()
            self._held.clear()
            self._open = None
        elif self._collect(obs) and self._is_engine:
            self._judge(heard)

    def _hear(self, t_s: float, heard: Heard) -> None:
        """Heater on, stopped or resumed. Unknown keeps nothing."""
        if heard.on_s != self._on_s:
            self._on_s, self._stopped, self._heater, self._pauses_s = heard.on_s, False, (), []
            self._off_s = None
        if heard.on_s is None or heard.heating is None:
            self._heater = ()
        elif heard.heating:
            self._warms_again(t_s)
            kind = SignKind.HEATER_RESUMED if self._stopped else SignKind.HEATER_ON
            if not self._heater or self._heater[0].kind is not kind:
                since_s = max(heard.changed_s, heard.on_s) if self._stopped else heard.on_s
                self._heater = (Sign(kind, min(since_s, t_s)),)
        else:
            self._off_s = t_s if heard.off_s is None else heard.off_s
            stopped = bool(self._heater) and self._heater[0].kind is SignKind.HEATER_STOPPED
            if not stopped and t_s - self._off_s >= self._usual_pause_s():
                self._stopped, self._heater = True, (Sign(SignKind.HEATER_STOPPED, self._off_s),)

    def _warms_again(self, t_s: float) -> None:
        if self._off_s is not None:
            self._pauses_s.append(t_s - self._off_s)
            self._off_s = None

    def _usual_pause_s(self) -> float:
        """A thermostat's pause that is none other than the ones before; one alone tells of no thermostat."""
        return _PAUSES * max(self._pauses_s) if len(self._pauses_s) > 1 else 0.0

    # -- minutes

    def _collect(self, obs: Observation) -> bool:
        """Add a row to its minute; True where one is complete. Readings by hand are left out."""
        row = np.array(
            [math.nan if p in obs.sigma_c else obs.values_c.get(p, math.nan) for p in self._places]
        )
        done = self._open is not None and obs.t_s - self._open.begin_s >= _CELL_S
        if self._open is None or done:
            if self._open is not None:
                self._close(self._open)
            self._open = _Cell(obs.t_s, np.zeros(len(row)), np.zeros(len(row)))
        read = np.isfinite(row)
        self._open.total += np.where(read, row, 0.0)
        self._open.number += read
        if obs.ambient_c is not None and math.isfinite(obs.ambient_c):
            self._open.air += obs.ambient_c
            self._open.airs += 1
        return done

    def _close(self, cell: _Cell) -> None:
        value = np.where(cell.number > 0, cell.total / np.maximum(cell.number, 1.0), math.nan)
        air_c = cell.air / cell.airs if cell.airs else math.nan
        if self._cells and cell.begin_s - self._cells[-1][0] > 5 * _CELL_S:
            self._cells.clear()  # a gap: what was before tells nothing of rates now
        self._cells.append((cell.begin_s, value, air_c))

    def _mean(self, until_s: float) -> tuple[Array, float] | None:
        """Middle of the places (n,) and of the air [°C] in the last minutes before an instant."""
        found = [c for c in self._cells if until_s - _MEAN_S < c[0] <= until_s]
        if not found:
            return None
        values = np.stack([v for _, v, _ in found])
        return np.asarray(values.sum(0) / len(found)), math.fsum(a for _, _, a in found) / len(found)

    # -- judging

    def _judge(self, heard: Heard) -> None:
        now_s = self._cells[-1][0]
        believed = np.array([p not in heard.set_aside for p in self._places])
        cold, weak = self._cold_and_weak(now_s, heard, believed)
        for i in np.flatnonzero(self._cylinders):
            self._hold((SignKind.ONE_COLD, self._places[i]), now_s, bool(cold[i]))
        self._hold((SignKind.TOO_WEAK, None), now_s, weak)
        found = self._surroundings(now_s, heard, believed)
        for kind in (*_PASSING, *_EVENTS):
            self._hold((kind, None), now_s, kind is found, _LASTS_S if kind in _EVENTS else 0.0)

    def _hold(self, key: _Key, now_s: float, so: bool, lasts_s: float = 0.0) -> None:
        """Begin a sign after _HOLDS cells in a row; end it after as many without, or after lasts_s."""
        held = self._held.get(key)
        if held is None:
            if so:
                self._held[key] = _Held(now_s, cells=1)
            return
        held.cells, held.against = (held.cells + 1, 0) if so else (held.cells, held.against + 1)
        held.shown = held.shown or held.cells >= _HOLDS
        lasts = now_s - held.begun_s < lasts_s
        if held.against and (not held.shown or (held.against >= _HOLDS and not lasts)):
            del self._held[key]

    def _cold_and_weak(self, now_s: float, heard: Heard, believed: Array) -> tuple[Array, bool]:
        """Cylinders behind the others (n,), and whether the whole is, against the rise of this setup.

        Behind is judged by all of the rise, for what came late stays behind; weak by all of it and by the
        last twenty minutes: without a signal it isn't known to the minute when the heater came on.
        """
        usual, nothing = self._usual, (np.zeros(len(self._places), dtype=bool), False)
        if usual is None or heard.on_s is None or heard.heating is not True or self._stopped:
            return nothing
        since_s = now_s - heard.on_s
        if since_s > _USUAL_TO_S:
            return self._as_before()
        whole = self._rises(usual, usual.t_s, now_s, believed) if since_s >= _COLD_FROM_S else None
        if whole is None:
            return self._as_before()
        cold = whole.behind() & self._cylinders | self._as_before()[0]
        if since_s < _USUAL_FROM_S + _WINDOW_S or not whole.is_weak(_WEAK_SURE_C):
            return cold, False
        late = self._rises(usual, now_s - _WINDOW_S, now_s, believed)
        return cold, late is not None and late.is_weak(_WEAK_LATELY_C)

    def _rises(self, usual: Checkpoint, from_s: float, to_s: float, believed: Array) -> _Rises | None:
        """What each place has risen between two instants against what is usual; None where too few tell."""
        now, before = self._mean(to_s), self._mean(from_s)
        if now is None or before is None:
            return None
        # Means lie in the middle of their minutes.
        at_s = np.array([from_s, to_s]) - 0.5 * _MEAN_S + 0.5 * _CELL_S
        should, windy = (np.diff(usual.ahead(c, at_s), axis=0)[0] for c in (usual.on, usual.windy))
        rises = now[0] - before[0]
        used = believed & np.isfinite(rises) & (should > 0)
        return _Rises(rises, should, should + _LOSSY * (windy - should), used) if used.sum() >= 3 else None

    def _as_before(self) -> tuple[Array, bool]:
        """What was found while it could be told stays to the heat-up's end."""
        shown = {key for key, h in self._held.items() if h.shown}
        cold = np.array([(SignKind.ONE_COLD, p) in shown for p in self._places])
        return cold, (SignKind.TOO_WEAK, None) in shown

    def _surroundings(self, now_s: float, heard: Heard, believed: Array) -> SignKind | None:
        """What else than a heater warms or cools it; the air's own step first, for that is seen at once."""
        now = self._mean(now_s)
        if now is None or now_s - heard.changed_s < _QUIET_S:
            return None  # an air probe in a heater's plume steps with the heater
        if (step := self._air_step(now_s, now, believed)) is not None or heard.heating is True:
            return step
        if self._is_shown(_STEPS):
            return None  # the new air explains what follows
        if (warms := self._warms(now_s, now, heard, believed)) is not None:
            self._warmed_s = now_s
            return warms
        # What was warmed falls faster at first than it rose.
        lately = max(heard.changed_s, self._warmed_s)
        return self._cools(now_s, now, believed) if now_s - lately >= _SETTLED_S else None

    def _is_shown(self, kinds: Collection[SignKind]) -> bool:
        return any(h.shown for (kind, _), h in self._held.items() if kind in kinds)

    def _air_step(self, now_s: float, now: tuple[Array, float], believed: Array) -> SignKind | None:
        """A sudden change of the air: warmer than the engine, or colder than it was."""
        lately = self._mean(now_s - _STEP_S)
        by_c = math.nan if lately is None else now[1] - lately[1]
        if by_c >= _STEP_C and now[1] > _middle(now[0], believed):
            return SignKind.WARM_AIR
        return SignKind.COLD_AIR if by_c <= -_STEP_C else None

    def _warms(
        self, now_s: float, now: tuple[Array, float], heard: Heard, believed: Array
    ) -> SignKind | None:
        """A long rise that was never recognised as a heater's. Only where the heater is known to be off, by
        its own signal or since it stopped, can it be named."""
        before, half = self._mean(now_s - _RISEN_S), self._mean(now_s - 0.5 * _RISEN_S)
        if before is None or half is None:
            return None
        late, early = _middle(now[0] - half[0], believed), _middle(half[0] - before[0], believed)
        if not (late + early >= _RISEN_C and late > 0 and early > 0):
            return None
        if heard.heating is None or math.isnan(now[1]):
            return SignKind.WARMED_OTHERWISE
        return SignKind.SUN if _middle(now[0], believed) > now[1] else None

    def _cools(self, now_s: float, now: tuple[Array, float], believed: Array) -> SignKind | None:
        """Cooling that has become faster by itself: by the air's distance it should be as fast, or less."""
        lately, before = self._mean(now_s - _WINDOW_S), self._mean(now_s - 2 * _WINDOW_S)
        if lately is None or before is None:
            return None
        hours = _WINDOW_S / 3600
        # The mean: what moves between the places leaves it nearly alone.
        rate = _mean_of(now[0] - lately[0], believed) / hours
        usual = min(0.0, _mean_of(lately[0] - before[0], believed) / hours)
        if math.isnan(now[1]):
            return SignKind.COOLS_FASTER if rate < usual - _FASTER_C_PER_H else None
        over, was_over = (_mean_of(c[0], believed) - c[1] for c in (now, lately))
        if over < _WARMER_THAN_AIR_C or was_over < _WARMER_THAN_AIR_C:
            return None
        if _spread(lately[0], believed) > _FAR_APART * was_over:
            return None
        return SignKind.COVER_OFF if rate < usual * min(1.0, over / was_over) - _FASTER_C_PER_H else None


_STEPS = (SignKind.WARM_AIR, SignKind.COLD_AIR)
_PASSING = (SignKind.SUN, SignKind.WARMED_OTHERWISE)
_EVENTS = (*_STEPS, SignKind.COVER_OFF, SignKind.COOLS_FASTER)


@dataclass(frozen=True, slots=True)
class _Rises:
    """What each place has risen, what is usual, also with twice the losses [K] (n,); which of them count."""

    rises: Array
    should: Array
    lossy: Array
    used: Array

    def behind(self) -> Array:
        """Places whose share of their usual rise is far less than the middle share of the others: (n,)."""
        share = np.where(self.used, self.rises / np.where(self.used, self.should, 1.0), math.nan)
        found = np.zeros(len(share), dtype=bool)
        for i in np.flatnonzero(self.used):
            others = float(np.nanmedian(np.delete(share, i)))
            short_c = others * self.should[i] - self.rises[i]
            found[i] = share[i] < _COLD * others and short_c > _COLD_SURE_C
        return found

    def is_weak(self, sure_c: float) -> bool:
        """Whether the whole rises clearly less than usual, so that neither losses nor readings can do it."""
        rises, should, lossy = self.rises[self.used], self.should[self.used], self.lossy[self.used]
        share, missing_c = float(np.median(rises / should)), float(np.median(should - rises))
        return share < _WEAK and missing_c > sure_c and float(np.median(_WEAK_AT_ALL * lossy - rises)) > 0


def _mean_of(values: Array, believed: Array) -> float:
    """Mean of what is believed and read; nan where nothing is."""
    kept = values[believed & np.isfinite(values)]
    return float(kept.mean()) if len(kept) else math.nan


def _spread(values: Array, believed: Array) -> float:
    """From the coldest to the hottest of what is believed and read; 0 where nothing is."""
    kept = values[believed & np.isfinite(values)]
    return float(np.ptp(kept)) if len(kept) else 0.0


def _middle(values: Array, believed: Array) -> float:
    """Median of what is believed and read; nan where nothing is."""
    kept = values[believed & np.isfinite(values)]
    return float(np.median(kept)) if len(kept) else math.nan
