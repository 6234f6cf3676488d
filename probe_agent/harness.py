"""Which probe sits at which place, and what the places say in a tick."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from probe_agent.config import NEVER_COLDEST, Probe
from probe_agent.jumps import Jumps, Standing
from probe_agent.readings import Fault, Forecast, Point, ProbeFault, Reading, Scan
from probe_agent.store import Store

Samples = Mapping[str, Reading | ProbeFault]
"""Place → what its probe says, corrected."""


class Harness:
    """The places of a run, with the bindings and corrections of the record."""

    def __init__(
        self, record: Store, places: Sequence[str], required: Sequence[str], near_heater: frozenset[str]
    ) -> None:
        self._record = record
        self._places, self._required, self._near_heater = tuple(places), tuple(required), near_heater
        self._bindings: dict[str, str] = {}
        self._offsets_c: dict[str, float] = {}
        self._unplaced: dict[str, tuple[str, Reading | ProbeFault]] = {}
        self._jumps = Jumps()
        self._tried: frozenset[str] = frozenset()
        """Places whose value the physics sees, but nobody is told yet."""

    def bind_first(self, probes: Iterable[Probe], now_at: float) -> None:
        """First bindings come from the settings; once the store has had any for an address, it rules: a
        probe put aside stays aside."""
        bound, ever = set(self._record.bindings().values()), self._record.ever_bound()
        for probe in probes:
            if probe.place in self._places and probe.place not in bound and probe.address not in ever:
                self._record.bind(probe.place, probe.source, probe.address, now_at)
        self.rebind()

    def rebind(self) -> None:
        """From the next tick on probes sit where the record says now; another one may read what it likes."""
        self._bindings, self._jumps = self._record.bindings(), Jumps()
        self._unplaced = {a: s for a, s in self._unplaced.items() if a not in self._bindings}
        self.correct()

    @property
    def strangers(self) -> tuple[str, ...]:
        """Addresses that answered on the bus and belong to no place."""
        return tuple(address for address, (source, _) in self._unplaced.items() if source == "one-wire")

    @property
    def unplaced(self) -> tuple[tuple[str, Reading | ProbeFault], ...]:
        """Probes of the last tick that sit at no place, each with its source's name."""
        return tuple(self._unplaced.values())

    @property
    def places(self) -> tuple[str, ...]:
        return self._places

    @property
    def required(self) -> tuple[str, ...]:
        return self._required

    def correct(self) -> None:
        """From the next tick on probes are corrected as the record says now."""
        self._offsets_c = self._record.offsets_c()

    def at_places(self, scans: Iterable[tuple[str, Scan]]) -> dict[str, Reading | ProbeFault]:
        """Samples by place, corrections applied; a place no source speaks for is missing, and what no metal
        can do is a fault.

        scans: each with its source's name.
        """
        found: dict[str, Reading | ProbeFault] = {}
        self._unplaced = {}
        for source, scan in scans:
            for sample in scan.samples:
                place = self._place_of(source, sample.address)
                if place is None and not _is_gone(sample):
                    self._unplaced[sample.address] = source, sample
                if place is None or isinstance(found.get(place), Reading):
                    continue
                if isinstance(sample, Reading):
                    sample = replace(
                        sample, value_c=sample.value_c + self._offsets_c.get(sample.address, 0.0)
                    )
                found[place] = sample
        return self._judged(found)

    def _judged(self, found: Samples) -> dict[str, Reading | ProbeFault]:
        """The same samples, those that are not believed as faults."""
        read = {place: s for place, s in found.items() if isinstance(s, Reading)}
        t_s = max((s.t_s for s in read.values()), default=0.0)
        values = {place: s.value_c for place, s in read.items()}
        standings = self._jumps.judge(t_s, values, NEVER_COLDEST)
        self._tried = frozenset(p for p, standing in standings.items() if standing is Standing.TRIED)
        judged = dict(found)
        for place, sample in read.items():
            if standings[place] in (Standing.WITHHELD, Standing.IMPOSSIBLE):
                judged[place] = _not_believed(sample, standings[place])
        return judged

    def _place_of(self, source: str, address: str) -> str | None:
        if address in self._bindings:
            return self._bindings[address]
        free = address in self._places and address not in self._bindings.values()
        return address if source != "one-wire" and free else None

    def points(self, samples: Samples, forecast: Forecast, t_s: float) -> tuple[Point, ...]:
        """Every place of the run as its probe tells it at a tick [run s]."""
        return tuple(self._point(place, samples.get(place), forecast, t_s) for place in self._places)

    def _point(
        self, place: str, sample: Reading | ProbeFault | None, forecast: Forecast, t_s: float
    ) -> Point:
        required, near = place in self._required, place in self._near_heater
        trend = forecast.trends_c_per_h.get(place)
        if isinstance(sample, Reading) and place in self._tried:
            return Point(place, Fault.UNCONFIRMED.value, None, None, None, required, near)
        if isinstance(sample, Reading):
            return Point(place, "ok", sample.value_c, t_s - sample.t_s, trend, required, near)
        fault = sample.fault if sample is not None else Fault.MISSING
        return Point(place, fault.value, None, None, None, required, near)


def _is_gone(sample: Reading | ProbeFault) -> bool:
    return isinstance(sample, ProbeFault) and sample.fault is Fault.MISSING


def _not_believed(sample: Reading, standing: Standing) -> ProbeFault:
    """The fault in a reading's stead; its raw number stays for the record."""
    fault = Fault.IMPLAUSIBLE if standing is Standing.IMPOSSIBLE else Fault.UNCONFIRMED
    detail = f"{sample.value_c:.1f} °C is {standing.value}"
    return ProbeFault(sample.address, sample.t_s, fault, detail, sample.cold_c, sample.raw_c)


def standing_in(points: tuple[Point, ...], hand: Scan, forecast: Forecast) -> tuple[Point, ...]:
    """The same points, with readings by hand where no probe speaks."""
    by_hand = {s.address: s for s in hand.samples if isinstance(s, Reading)}
    if not by_hand:
        return points

    def filled(p: Point) -> Point:
        entry = by_hand.get(p.place)
        if entry is None or p.status == "ok":
            return p
        trend = forecast.trends_c_per_h.get(p.place)
        age_s = hand.t_s - entry.t_s
        return replace(p, status="by-hand", value_c=entry.value_c, age_s=age_s, trend_c_per_h=trend)

    return tuple(filled(p) for p in points)


def grown_old(points: tuple[Point, ...], hand: Scan) -> tuple[Point, ...]:
    """The same points of an aircraft without probes: where somebody has measured, but too long ago to count,
    a place isn't missing but its reading old."""
    old = {s.address for s in hand.samples if isinstance(s, ProbeFault) and s.fault is Fault.STALE}

    def aged(p: Point) -> Point:
        is_old = p.place in old and p.status == Fault.MISSING.value
        return replace(p, status=Fault.STALE.value) if is_old else p

    return tuple(aged(p) for p in points)
