"""The engine's record: heat-ups of a season with what they took, what settled, and what became of it. Pure.

It adds up what the daemon stored, for page and command alike, and decides nothing anew. Exposure is cleared
by flights with hot oil alone; which those are is the record's, so a flight told of later clears what lay
before. No numerics here: the page uses it too.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from probe_agent.outings import FLEW, MOST_FIRST, WITHOUT, Kind
from probe_agent.status import utc_text
from probe_agent.store import HeatupSpan, KeptOuting, KeptSpell

KWH_J = 3.6e6
_NEAR_S = 6 * 3600.0
"""A cooling from a run belongs to the outing that ended at most so long before it was seen."""
_SLIGHT, _CLEAR, _STRONG = 2.0, 10.0, 40.0
"""From how many hPa·h on exposure counts as slight, clear, strong (judgement: an hour with the core 10 °C
under oil of 15 °C is some 5)."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Sum of spells. low, middle, high [hPa·h]; wet_s: how long water settled; unknown_s: how long it can't
    be told; under_k: how far the metal lay under the frost point at most."""

    low: float = 0.0
    middle: float = 0.0
    high: float = 0.0
    wet_s: float = 0.0
    known_s: float = 0.0
    unknown_s: float = 0.0
    under_k: float = 0.0

    @property
    def degree(self) -> str:
        """none, slight, clear, strong; unknown where most of the time can't be told."""
        if self.unknown_s > self.known_s:
            return "unknown"
        for least, name in ((_STRONG, "strong"), (_CLEAR, "clear"), (_SLIGHT, "slight")):
            if self.middle >= least:
                return name
        return "none"


@dataclass(frozen=True, slots=True)
class Spent:
    """Heat spent. heated_s: how long the heater was known to be on; measured_j: by measured power, plate_j:
    by the plate's watts and time; untold_s: how long it isn't known what it took."""

    heated_s: float = 0.0
    measured_j: float = 0.0
    plate_j: float = 0.0
    untold_s: float = 0.0

    @property
    def joules(self) -> float:
        return self.measured_j + self.plate_j

    @property
    def kwh(self) -> float | None:
        """None where nothing is known of what was spent."""
        return None if self.rests_on == "nothing" else self.joules / KWH_J

    @property
    def rests_on(self) -> str:
        """measured, plate, both, or nothing."""
        if not self.joules:
            return "nothing" if self.untold_s > 0 else "plate"
        both = self.measured_j > 0 and self.plate_j > 0
        return "both" if both else "measured" if self.measured_j > 0 else "plate"

    def cost(self, price_per_kwh: float | None) -> float | None:
        """None without a price, or where nothing is known."""
        return None if price_per_kwh is None or self.kwh is None else self.kwh * price_per_kwh


@dataclass(frozen=True, slots=True)
class HeatupRow:
    """One heat-up. Instants in UTC seconds. kind: what became of it; cleared: a flight with hot oil followed;
    kept: shares of the heat spent that were in the engine at heater-off, 10, 50, 90 %, None if not known."""

    number: int
    began_at: float
    ended_at: float | None
    kind: Kind
    spent: Spent
    exposure: Exposure
    cleared: bool
    kept: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class Season:
    """One season. began_at, ended_at [UTC s]; rows oldest first.

    flown, without, unknown: heat-ups followed by a flight, known to have none, and those of which it isn't
    known; hot_flights: flights with hot oil long enough; ground_runs. gathered: exposure of the season;
    standing: what no flight has cleared, since hot_at, through heat-ups, runs, damp air and rest;
    unsettled: of coolings from runs of which it isn't known whether the oil was hot: not in standing.
    """

    name: str
    began_at: float
    ended_at: float
    rows: tuple[HeatupRow, ...]
    flown: int
    without: int
    unknown: int
    hot_flights: int
    ground_runs: int
    spent: Spent
    gathered: Exposure
    standing: Exposure
    standing_by: tuple[tuple[str, Exposure], ...]
    unsettled: Exposure
    hot_at: float | None

    def days_since_hot(self, now_at: float) -> int | None:
        """Whole days since the last flight with hot oil; None where none is in the record."""
        return None if self.hot_at is None else max(0, int((now_at - self.hot_at) // 86_400))


def season_span(at: float, zone: str, month: int) -> tuple[float, float]:
    """Begin and end [UTC s] of the season an instant lies in; it begins on the first of that month there."""
    local = datetime.fromtimestamp(at, ZoneInfo(zone))
    year = local.year if local.month >= month else local.year - 1
    begin, end = (datetime(y, month, 1, tzinfo=ZoneInfo(zone)) for y in (year, year + 1))
    return begin.timestamp(), end.timestamp()


def season_name(began_at: float, zone: str, month: int) -> str:
    """2026 where it is a calendar year, else 2026/27."""
    year = datetime.fromtimestamp(began_at, ZoneInfo(zone)).year
    return str(year) if month == 1 else f"{year}/{(year + 1) % 100:02d}"


def seasons_in(
    spells: Sequence[KeptSpell], heatups: Sequence[HeatupSpan], zone: str, month: int
) -> list[float]:
    """Begins [UTC s] of the seasons the record knows of, newest first."""
    known = [*(s.began_at for s in spells), *(h.began_at for h in heatups)]
    begins = {season_span(at, zone, month)[0] for at in known}
    return sorted(begins, reverse=True)


def season(
    spells: Sequence[KeptSpell],
    heatups: Sequence[HeatupSpan],
    outings: Sequence[KeptOuting],
    at: float,
    zone: str,
    month: int,
) -> Season:
    """The season an instant [UTC s] lies in. Nothing needs to be in order."""
    began_at, ended_at = season_span(at, zone, month)
    spells = sorted(spells, key=lambda s: s.began_at)
    runs = [o for o in outings if o.kind in FLEW or o.kind in (Kind.GROUND, Kind.PERHAPS, Kind.UNKNOWN)]
    hot = sorted(_end_of(o) for o in outings if o.kind == Kind.HOT)
    hot_at = max((h for h in hot if h < ended_at), default=None)
    mine = [s for s in spells if began_at <= s.began_at < ended_at]
    unsettled = [s for s in mine if s.cause == "run" and _is_unsettled(s, runs)]
    counted = [s for s in mine if s not in unsettled]
    standing = [s for s in counted if not _is_cleared(s, hot, runs)]
    rows = tuple(_row(h, mine, outings, hot, runs) for h in heatups if began_at <= h.began_at < ended_at)
    causes = ("heat-up", "run", "damp-air", "rest")
    return Season(
        name=season_name(began_at, zone, month),
        began_at=began_at,
        ended_at=ended_at,
        rows=rows,
        flown=sum(r.kind in FLEW and r.kind is not Kind.SHORT for r in rows),
        without=sum(r.kind in WITHOUT for r in rows),
        unknown=sum(r.kind in (Kind.UNKNOWN, Kind.PERHAPS) for r in rows),
        hot_flights=sum(began_at <= h < ended_at for h in hot),
        ground_runs=sum(o.kind == Kind.GROUND and began_at <= o.began_at < ended_at for o in outings),
        spent=_spent(mine),
        gathered=_exposure(counted),
        standing=_exposure(standing),
        standing_by=tuple((c, _exposure([s for s in standing if s.cause == c])) for c in causes),
        unsettled=_exposure(unsettled),
        hot_at=hot_at,
    )


CSV_HEAD = (
    "heatup,began,ended,became,cleared,heated_h,energy_kwh,energy_rests_on,cost,kept_low,kept_high,"
    "exposure_low_hpa_h,exposure_hpa_h,exposure_high_hpa_h,wet_h,not_known_h,most_under_frost_point_k"
)


def csv_of(found: Season, price_per_kwh: float | None) -> str:
    """The heat-ups of a season as CSV, a heat-up a row, times in UTC; empty where something isn't known."""
    return "\n".join([CSV_HEAD, *(_csv_row(row, price_per_kwh) for row in found.rows)]) + "\n"


def _csv_row(row: HeatupRow, price_per_kwh: float | None) -> str:
    spent, moist = row.spent, row.exposure
    low, high = (None, None) if row.kept is None else (row.kept[0], row.kept[2])
    fields: tuple[str | float | None, ...] = (
        str(row.number),
        utc_text(row.began_at),
        None if row.ended_at is None else utc_text(row.ended_at),
        row.kind.value,
        "yes" if row.cleared else "no",
        spent.heated_s / 3600,
        spent.kwh,
        spent.rests_on,
        spent.cost(price_per_kwh),
        low,
        high,
        *(None if moist.known_s == 0 else x for x in (moist.low, moist.middle, moist.high)),
        moist.wet_s / 3600,
        moist.unknown_s / 3600,
        moist.under_k,
    )
    return ",".join("" if f is None else f if isinstance(f, str) else f"{f:.3f}" for f in fields)


def _row(
    heatup: HeatupSpan,
    spells: Iterable[KeptSpell],
    outings: Iterable[KeptOuting],
    hot: Sequence[float],
    runs: Sequence[KeptOuting],
) -> HeatupRow:
    own = [s for s in spells if s.heatup == heatup.number]
    kinds = [Kind(o.kind) for o in outings if o.heatup == heatup.number]
    spent = _spent(own)
    return HeatupRow(
        heatup.number,
        heatup.began_at,
        heatup.ended_at,
        next((k for k in MOST_FIRST if k in kinds), Kind.OPEN if kinds else Kind.UNKNOWN),
        spent,
        _exposure(own),
        all(_is_cleared(s, hot, runs) for s in own) and bool(own),
        _kept_shares(own, spent),
    )


def _kept_shares(own: Sequence[KeptSpell], spent: Spent) -> tuple[float, float, float] | None:
    """Of a heat-up with one stretch of heat all of whose power is known."""
    gains = [s for s in own if s.gained_j is not None]
    if len(gains) != 1 or spent.untold_s > 60.0 or spent.joules <= 0:
        return None
    one = gains[0]
    assert one.gained_low_j is not None
    assert one.gained_j is not None
    assert one.gained_high_j is not None
    return one.gained_low_j / spent.joules, one.gained_j / spent.joules, one.gained_high_j / spent.joules


def _exposure(spells: Iterable[KeptSpell]) -> Exposure:
    found = list(spells)
    return Exposure(
        math.fsum(s.low for s in found),
        math.fsum(s.middle for s in found),
        math.fsum(s.high for s in found),
        math.fsum(s.wet_s for s in found),
        math.fsum(s.known_s for s in found),
        math.fsum(s.unknown_s for s in found),
        max((s.under_k for s in found), default=0.0),
    )


def _spent(spells: Iterable[KeptSpell]) -> Spent:
    found = list(spells)
    return Spent(
        math.fsum(s.heated_s for s in found),
        math.fsum(s.measured_j for s in found),
        math.fsum(s.plate_j for s in found),
        math.fsum(s.untold_s for s in found),
    )


def _end_of(outing: KeptOuting) -> float:
    """When a flight ended, as far as it is known."""
    ends = (outing.plugged_at, outing.unplugged_at, outing.began_at)
    return next(at for at in ends if at is not None)


def _run_before(spell: KeptSpell, runs: Sequence[KeptOuting]) -> KeptOuting | None:
    """The outing an engine seen cooling from a run comes from."""
    near = [o for o in runs if -1800.0 <= spell.began_at - _end_of(o) <= _NEAR_S]
    return max(near, key=_end_of, default=None)


def _is_unsettled(spell: KeptSpell, runs: Sequence[KeptOuting]) -> bool:
    run = _run_before(spell, runs)
    return run is None or run.kind not in (Kind.HOT, Kind.SHORT, Kind.GROUND)


def _is_cleared(spell: KeptSpell, hot: Sequence[float], runs: Sequence[KeptOuting]) -> bool:
    """A flight with hot oil came after it began, or it is the cooling from that flight."""
    if bisect_right(hot, spell.began_at) < len(hot):
        return True
    run = _run_before(spell, runs) if spell.cause == "run" else None
    return run is not None and run.kind == Kind.HOT
