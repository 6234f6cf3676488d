"""Checks of probes on the record: what each should have read, and what earlier heat-ups would have been.

Everything is worked out from raw readings; nothing is written.
"""

from __future__ import annotations

import statistics
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from probe_agent import corrections, words
from probe_agent.archive import Archive, StoredHeatup, TickValues
from probe_agent.corrections import Compared, Passing, Seen, Soak
from probe_agent.learning import Course, Stopped
from probe_agent.store import Check, ComparedNow, Shifted, WhyNot
from probe_agent.thermocouple import ThermocoupleType

LAST = 10
AMBIENT = "ambient"


class Asked(msgspec.Struct, frozen=True):
    """What is to be checked. place, c: of a bath or a reading; spots_c: of a round of infrared spots;
    pressure_hpa: of a boiling point, at the field; with elevation_m it is the altimeter setting there."""

    kind: corrections.CheckKind
    place: str = ""
    c: float | None = None
    spots_c: Mapping[str, float] = {}
    pressure_hpa: float | None = None
    elevation_m: float | None = None

    @property
    def field_hpa(self) -> float:
        """Pressure at the field; 0 where none is told."""
        told = self.pressure_hpa or 0.0
        return told if self.elevation_m is None else corrections.field_pressure_hpa(told, self.elevation_m)


@dataclass(frozen=True, slots=True)
class Bench:
    """What a check needs besides the record.

    places: of the engine; thermocouples: address → type where it isn't K; sun_h: as in `Soak`; course: None
    where no setup is described; reads_heater_c: places that read the heater.
    """

    places: tuple[str, ...]
    thermocouples: Mapping[str, ThermocoupleType]
    sun_h: float | None
    course: Course | None
    reads_heater_c: Mapping[str, float]


def check(
    file: Path,
    bench: Bench,
    asked: Asked,
    now_at: float,
    begun: Check,
    tell: Callable[[int, int], None] = lambda done, of: None,
    stop: threading.Event | None = None,
) -> Check:
    """The check as it comes out, upon what of it is kept already (begun).

    tell: told of steps done and to do. Raises Stopped, StoreError, sqlite3.Error.
    """
    with Archive(file, read_only=True) as archive:
        at_hand = _AtHand(archive, bench, now_at)
        begun = msgspec.structs.replace(begun, basis=archive.corrections_basis())
        found = _FINDING[asked.kind](at_hand, asked, begun)
        if found.state != "working":
            return found
        found = _judged(found)
        if found.state != "working" or not found.changing or bench.course is None:
            return msgspec.structs.replace(found, state="done" if found.state == "working" else found.state)
        offsets_c = archive.offsets_c() | {c.address: c.wanted_c for c in found.found}
        shifted = shift_of(archive, bench, bench.course, offsets_c, tell, stop or threading.Event())
        return msgspec.structs.replace(found, state="done", shifted=shifted)


@dataclass(slots=True)
class _AtHand:
    """The record at an instant, place by place."""

    archive: Archive
    bench: Bench
    now_at: float

    def rows(self, last_s: float) -> list[TickValues]:
        return list(self.archive.between(self.now_at - last_s, self.now_at + 1.0, self.bench.thermocouples))

    def address(self, place: str) -> str:
        return self.archive.bound().get(place, place)

    def offset_c(self, place: str) -> float:
        return self.archive.offsets_c().get(self.address(place), 0.0)

    def fresh(self, place: str) -> list[float]:
        """What a probe read in the last minutes, corrected."""
        return [r.values_c[place] for r in self.rows(corrections.FRESH_S) if place in r.values_c]

    def kept(self, found: Sequence[Compared]) -> tuple[ComparedNow, ...]:
        return tuple(
            ComparedNow(
                c.place,
                self.address(c.place),
                round(c.reads_c, 3),
                round(c.should_c, 3),
                c.offset_c,
                round(c.wanted_c, 3) if c.change_c else c.offset_c,
            )
            for c in found
        )


_Finding = Callable[[_AtHand, Asked, Check], Check]


def _refused(begun: Check, *kinds: str, place: str | None = None) -> Check:
    reasons = tuple(WhyNot(kind, place=place) for kind in kinds)
    return msgspec.structs.replace(begun, state="refused", reasons=reasons)


def _judged(found: Check) -> Check:
    """Refused as a whole where one of its corrections would be beyond the limit."""
    limit_c = corrections.SOAK_LIMIT_C if found.kind == "cold-soak" else corrections.LIMIT_C
    beyond = tuple(c.place for c in found.changing if abs(c.wanted_c) > limit_c)
    state = "refused" if beyond else found.state
    return msgspec.structs.replace(found, beyond=beyond, limit_c=limit_c, state=state)


# -- the kinds


def _cold_soak(at: _AtHand, asked: Asked, begun: Check) -> Check:
    soak = _soak(at)
    if reasons := corrections.why_no_soak(soak):
        kept = tuple(WhyNot(r.kind, r.at, r.c, r.place) for r in reasons)
        return msgspec.structs.replace(begun, state="refused", reasons=kept)
    offsets_c = {p: at.offset_c(p) for p in at.bench.places}
    found = corrections.agreement(soak, offsets_c, _anchored(at))
    return msgspec.structs.replace(begun, found=at.kept(found))


def _soak(at: _AtHand) -> Soak:
    seen = [
        Seen(
            r.at,
            {p: c for p, c in r.values_c.items() if p in at.bench.places and p != AMBIENT},
            r.values_c.get(AMBIENT),
            r.heater,
        )
        for r in at.rows(corrections.UNHEATED_S)
    ]
    heated_at, ran_at = at.archive.last_warmth(at.now_at)
    return Soak(at.now_at, seen, heated_at, ran_at, at.bench.sun_h)


def _anchored(at: _AtHand) -> frozenset[str]:
    """Places whose correction in force is of an ice point."""
    of_ice = at.archive.corrected_by(words.correction_reason("ice"))
    return frozenset(p for p in at.bench.places if at.address(p) in of_ice)


def _bath(at: _AtHand, asked: Asked, begun: Check, true_c: float) -> Check:
    found = corrections.fixed_point(asked.place, at.fresh(asked.place), true_c, at.offset_c(asked.place))
    begun = msgspec.structs.replace(begun, true_c=round(true_c, 2))
    if isinstance(found, str):
        return _refused(begun, found, place=asked.place)
    return msgspec.structs.replace(begun, found=at.kept([found]))


def _ice(at: _AtHand, asked: Asked, begun: Check) -> Check:
    return _bath(at, asked, begun, 0.0)


def _boiling(at: _AtHand, asked: Asked, begun: Check) -> Check:
    """Far above the temperatures that matter, so it never takes an ice point's place."""
    begun = msgspec.structs.replace(begun, pressure_hpa=round(asked.field_hpa, 1))
    found = _bath(at, asked, begun, corrections.boiling_c(asked.field_hpa))
    if found.state == "working" and asked.place in _anchored(at):
        same = tuple(msgspec.structs.replace(c, wanted_c=c.offset_c) for c in found.found)
        return msgspec.structs.replace(found, found=same, state="done", reasons=(WhyNot("has-ice"),))
    return found


def _contact(at: _AtHand, asked: Asked, begun: Check) -> Check:
    assert asked.c is not None
    begun = msgspec.structs.replace(begun, said_c=asked.c)
    values = at.fresh(asked.place)
    if len(values) < corrections.LEAST_FRESH:
        return _refused(begun, "few", place=asked.place)
    reads_c, offset_c = statistics.fmean(values), at.offset_c(asked.place)
    one = Compared(asked.place, reads_c, asked.c, offset_c, corrections.CONTACT_SD_C)
    return msgspec.structs.replace(begun, found=at.kept([one]))


def _infrared(at: _AtHand, asked: Asked, begun: Check) -> Check:
    reads = {}
    for place in asked.spots_c:
        if len(values := at.fresh(place)) >= corrections.LEAST_FRESH:
            reads[place] = (statistics.fmean(values), at.offset_c(place))
    if len(reads) < corrections.LEAST_SPOTS:
        return _refused(begun, "few-spots")
    return msgspec.structs.replace(begun, found=at.kept(corrections.by_spots(reads, asked.spots_c)))


def _flange(at: _AtHand, asked: Asked, begun: Check) -> Check:
    """A reading of the propeller flange beside the core as it was estimated; it corrects no probe."""
    begun = msgspec.structs.replace(begun, said_c=asked.c)
    core_c = at.archive.core_near(at.now_at)
    if core_c is None:
        return _refused(begun, "no-core")
    return msgspec.structs.replace(begun, core_c=core_c, state="done")


_FINDING: Mapping[str, _Finding] = {
    "cold-soak": _cold_soak,
    "ice": _ice,
    "boiling": _boiling,
    "contact": _contact,
    "infrared": _infrared,
    "flange": _flange,
}


# -- what earlier heat-ups would have been


def shift_of(
    archive: Archive,
    bench: Bench,
    course: Course,
    offsets_c: Mapping[str, float],
    tell: Callable[[int, int], None],
    stop: threading.Event,
) -> Shifted:
    """By how much later the last ten heat-ups that got above target would have done so with these corrections
    (address → °C) instead of today's. Both ways it is read anew from the raw readings."""
    setups = archive.alike(course.setup)
    heatups = [h for h in (archive.heatups(setups) if setups else []) if h.above_at is not None][-LAST:]
    pairs = []
    for done, heatup in enumerate(heatups, 1):
        pairs.append(tuple(_above_at(archive, bench, course, heatup, o, stop) for o in (None, offsets_c)))
        tell(done, len(heatups))
    shifts = sorted(then - now for now, then in pairs if now is not None and then is not None)
    never = sum(now is not None and then is None for now, then in pairs)
    too = sum(now is None and then is not None for now, then in pairs)
    if not shifts:
        return Shifted(never=never, too=too)
    return Shifted(len(shifts), statistics.median(shifts), shifts[0], shifts[-1], never, too)


def _above_at(
    archive: Archive,
    bench: Bench,
    course: Course,
    heatup: StoredHeatup,
    offsets_c: Mapping[str, float] | None,
    stop: threading.Event,
) -> float | None:
    passing = Passing(course.required, heatup.target_c, bench.reads_heater_c)
    for row in archive.curve(heatup.started_tick, heatup.ended_tick, bench.thermocouples, offsets_c):
        if stop.is_set():
            raise Stopped
        passing.add(row.at, row.values_c)
        if passing.above_at is not None:
            break
    return passing.above_at
