"""Moisture and heat in the record: followed tick by tick, worked out anew from stored readings where missing.

What settles when is `spells`'; here it is kept, and shown.
"""

from __future__ import annotations

import logging
import math
import sqlite3
import threading
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import msgspec

from probe_agent import spells, store
from probe_agent.archive import Archive
from probe_agent.config import NEVER_COLDEST, Settings
from probe_agent.outings import RUN_C
from probe_agent.readings import Forecast, Point, SignKind
from probe_agent.spells import Spell, SpellFacts, SpellWatch
from probe_agent.status import MoistureNow
from probe_agent.store import HeatupSpan, KeptSpell, Statement, Store
from probe_agent.supervisor import Watch
from probe_agent.thermal.core import AloneCore
from probe_agent.thermal.described import physics_places, prior_of
from probe_agent.thermal.memory import Memory
from probe_agent.thermal.moisture import OIL_PLACES, Three
from probe_agent.thermal.prior import capacity_j_per_k
from probe_agent.thermal.stored_heat import gained_j
from probe_agent.thermocouple import ThermocoupleType

log = logging.getLogger(__name__)

_KEPT = "spells"
_CAUGHT_UP = "spells-caught-up"
_CLOCK_STEP_S = 2.0
KEEP_S = 300.0
"""So often the spell at hand is kept; each time costs a card some 3 KB."""
_PIECE_TICKS = 2000
"""So many ticks are worked out anew between two looks whether to stop."""


class Ledger:
    """The spells of this aircraft."""

    def __init__(self, record: Store, settings: Settings, places: Sequence[str]) -> None:
        self._record, self._settings, self._places = record, settings, tuple(places)
        self._prior = prior_of(settings, places)
        self._dryer = settings.setup is not None and settings.setup.dryer
        self._watch = SpellWatch(next_number=record.next_spell_number())
        self._first = self._watch.next_number
        """Spells from this number on lie by this run's clock alone."""
        self._offset_s = 0.0
        self._kept_s = -math.inf
        self._was_heating = False
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.progress: float | None = None
        """Share of the stored readings that has been worked out anew, while that lasts."""

    # -- start and restart

    def recall(self, now_s: float, offset_s: float) -> None:
        """Take up what an earlier run left, in this run's seconds."""
        self._offset_s = offset_s
        text = self._record.kept(_KEPT)
        if text is None:
            return
        try:
            told_offset_s, watch = msgspec.json.decode(text, type=tuple[float, SpellWatch])
        except msgspec.MsgspecError:
            log.warning("the kept spell is of another version and is passed over")
            return
        last_s = now_s if watch.t_s is None else watch.t_s
        watch = spells.shifted(watch, min(told_offset_s - offset_s, now_s - last_s))
        self._watch = replace(watch, next_number=max(watch.next_number, self._watch.next_number))
        self._first = self._watch.next_number

    # -- a tick

    def follow(
        self,
        t_s: float,
        points: Sequence[Point],
        forecast: Forecast,
        watch: Watch,
        heater_share: float | None,
        power_w: float | None,
        memory: Memory | None,
        offset_s: float,
    ) -> list[Statement]:
        """One tick: what is to be kept of it at once. power_w: measured power of the heater [W]."""
        kept_anew = self._put_right(offset_s)
        facts = _facts_of(t_s, points, forecast, watch, heater_share, power_w, self._watts)
        followed = spells.step(self._watch, facts, self._dryer)
        self._watch = followed.watch
        self._note_gain(facts, memory)
        if followed.ended is None:
            return kept_anew
        begun = self._keeping_spell()
        return [*kept_anew, self._keeping(followed.ended), *begun]

    def shown(self) -> MoistureNow | None:
        """What viewers see of the moment; None where it can't be told."""
        now = self._watch.now
        if now is None:
            return None
        low, middle, high = (round(hpa, 2) for hpa in now.hpa)
        return MoistureNow((low, middle, high), round(now.under_k, 1))

    @property
    def _watts(self) -> float | None:
        """The electrical power on the heater's plate; None where there is none."""
        setup = self._settings.setup
        return None if setup is None or setup.heater == "combustion" else setup.watts

    def _note_gain(self, facts: SpellFacts, memory: Memory | None) -> None:
        """At heater-off: how much of the heat is in the engine."""
        stopped, self._was_heating = self._was_heating and facts.heating is False, facts.heating is True
        start_c, start_core_c, core_c = self._watch.start_c, self._watch.start_core_c, facts.core_c
        if not stopped or not start_c or start_core_c is None or core_c is None or self._watch.spell is None:
            return
        rises = {p: c - start_c[p] for p, c in facts.values_c.items() if p in start_c}
        spread_k = math.hypot(core_c[2] - core_c[0], start_core_c[2] - start_core_c[0]) / 2
        middle_k = core_c[1] - start_core_c[1]
        aircraft = self._settings.aircraft
        gained = gained_j(
            self._prior,
            memory,
            physics_places(self._places),
            capacity_j_per_k(aircraft.layout, aircraft.cooling),
            rises,
            (middle_k - spread_k, middle_k, middle_k + spread_k),
        )
        if gained is not None:
            self._watch = spells.with_gain(self._watch, gained)

    def _put_right(self, offset_s: float) -> list[Statement]:
        """A clock that was put right: the spells of this run lie elsewhere."""
        by_s, self._offset_s = offset_s - self._offset_s, offset_s
        return [store.move_spells(self._first, by_s)] if abs(by_s) > _CLOCK_STEP_S else []

    def keeping(self, t_s: float, force: bool = False) -> list[Statement]:
        """What a restart goes on from and the spell at hand as it is, for a commit at t_s: some of them, for
        what is lost in between is made up by the next tick."""
        if not force and t_s - self._kept_s < KEEP_S:
            return []
        self._kept_s = t_s
        kept = msgspec.json.encode((self._offset_s, self._watch)).decode()
        return [store.keep_value(_KEPT, kept), *self._keeping_spell()]

    def _keeping_spell(self) -> list[Statement]:
        return [] if self._watch.spell is None else [self._keeping(self._watch.spell)]

    def _keeping(self, spell: Spell) -> Statement:
        return store.keep_spell(kept_spell(spell, self._offset_s), spell.of_heatup)

    # -- what was measured before spells were kept

    def catch_up(self, now_s: float, at_once: bool) -> None:
        """Work out anew, beside the ticks, what was measured before the first spell that is kept."""
        if self._record.kept(_CAUGHT_UP) is not None:
            return
        begin_at = self._record.spells_begin()
        until_at = now_s + self._offset_s if begin_at is None else begin_at
        if at_once:
            self._work_out(until_at)
            return
        self._thread = threading.Thread(target=self._work_out, args=(until_at,), name="ledger", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End working out; it begins anew at the next start."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(10.0)

    def _work_out(self, until_at: float) -> None:
        try:
            found = spells_from_readings(
                self._record.path, self._settings, self._places, until_at, self._tell
            )
            if not self._stop.is_set():
                self._record.keep_spells(found, _CAUGHT_UP)
        except (store.StoreError, sqlite3.Error, ValueError) as err:
            log.error("moisture of earlier heat-ups can't be worked out: %s", err)
        finally:
            self.progress = None

    def _tell(self, share: float) -> bool:
        self.progress = share
        return not self._stop.is_set()


def _facts_of(
    t_s: float,
    points: Sequence[Point],
    forecast: Forecast,
    watch: Watch,
    heater_share: float | None,
    power_w: float | None,
    watts: float | None,
) -> SpellFacts:
    heating = watch.heating if heater_share is None else heater_share > 0
    share = heater_share if heater_share is not None else None if heating is None else float(heating)
    without = {*NEVER_COLDEST, *(OIL_PLACES if watch.oil_out_s is not None else ())}
    return SpellFacts(
        t_s,
        {p.place: p.counted_c for p in points if p.counted_c is not None and p.place not in without},
        forecast.core_c,
        next((p.value_c for p in points if p.place == "ambient"), None),
        watch.heatup.on_s if watch.heatup is not None else None,
        watch.flown,
        any(s.kind is SignKind.WARM_AIR for s in watch.signs),
        heating,
        power_w,
        0.0 if share == 0 else None if watts is None or share is None else watts * share,
    )


def kept_spell(spell: Spell, offset_s: float) -> KeptSpell:
    """A spell as the record has it, in UTC."""
    low_j, gained, high_j = spell.gained_j or (None, None, None)
    return KeptSpell(
        number=spell.number,
        heatup=None,
        cause=spell.cause.value,
        began_at=spell.began_s + offset_s,
        ended_at=None if spell.ended_s is None else spell.ended_s + offset_s,
        low=spell.low,
        middle=spell.middle,
        high=spell.high,
        wet_s=spell.wet_s,
        known_s=spell.known_s,
        unknown_s=spell.unknown_s,
        under_k=spell.under_k,
        heated_s=spell.heated_s,
        measured_j=spell.measured_j,
        plate_j=spell.plate_j,
        untold_s=spell.untold_s,
        gained_low_j=low_j,
        gained_j=gained,
        gained_high_j=high_j,
    )


# -- from stored readings


def spells_from_readings(
    file: Path,
    settings: Settings,
    places: Sequence[str],
    until_at: float = math.inf,
    tell: Callable[[float], bool] = lambda share: True,
) -> list[KeptSpell]:
    """The spells that the stored readings before an instant [UTC s] tell of, in order, numbered below 1.

    The core is estimated from them alone; damp air and a plug's power are not in them. tell: told the share
    done; it says whether to go on. Raises StoreError, sqlite3.Error.
    """
    setup = settings.setup
    watts = None if setup is None or setup.heater == "combustion" else setup.watts
    reader = store.Reader(file)
    try:
        heatups = reader.heatup_spans()
    finally:
        reader.close()
    watch, found = SpellWatch(), list[tuple[Spell, int | None]]()
    with Archive(file, read_only=True) as archive:
        for facts in _stored_facts(archive, heatups, settings, places, watts, tell):
            if facts.t_s >= until_at:
                break
            followed = spells.step(watch, facts, setup is not None and setup.dryer)
            if followed.ended is not None:
                found.append((followed.ended, _heatup_of(followed.ended, heatups)))
            watch = followed.watch
    if watch.spell is not None:
        last = replace(watch.spell, ended_s=watch.t_s)
        found.append((last, _heatup_of(last, heatups)))
    first = -len(found)
    return [
        replace(kept_spell(spell, 0.0), number=first + n, heatup=heatup)
        for n, (spell, heatup) in enumerate(found)
    ]


def _heatup_of(spell: Spell, heatups: Sequence[HeatupSpan]) -> int | None:
    if not spell.of_heatup:
        return None
    begun = [h.began_at for h in heatups]
    return heatups[max(0, bisect_right(begun, spell.began_s + 1.0) - 1)].number


def _stored_facts(
    archive: Archive,
    heatups: Sequence[HeatupSpan],
    settings: Settings,
    places: Sequence[str],
    watts: float | None,
    tell: Callable[[float], bool],
) -> Iterator[SpellFacts]:
    """The facts of each stored tick, UTC being run seconds."""
    thermocouples: dict[str, ThermocoupleType] = {
        p.address: p.thermocouple for p in settings.probes if p.thermocouple != "K"
    }
    core = AloneCore(physics_places(places), prior_of(settings, places))
    last = archive.last_tick()
    ran, begun = False, [h.began_at for h in heatups]
    near = {p.name for p in settings.places if p.near_heater}
    for row in archive.curve(1, last, thermocouples):
        if row.tick % _PIECE_TICKS == 0 and not tell(row.tick / max(last, 1)):
            return
        values = {p: c for p, c in row.values_c.items() if p not in NEVER_COLDEST}
        air_c = row.values_c.get("ambient")
        hottest_c = max((c for p, c in values.items() if p not in near), default=-math.inf)
        ran = hottest_c >= RUN_C or (ran and hottest_c >= RUN_C - 10.0)
        index = bisect_right(begun, row.at) - 1
        heatup = heatups[index] if index >= 0 else None
        is_open = heatup is not None and (heatup.ended_at is None or row.at <= heatup.ended_at)
        heating = is_open if row.heater is None else row.heater > 0
        share = float(heating) if row.heater is None else row.heater
        core_c: Three | None = core.follow(row.at, values, air_c)
        yield SpellFacts(
            row.at,
            values,
            core_c,
            air_c,
            on_s=heatup.began_at if heatup is not None and is_open else None,
            ran=ran,
            heating=heating,
            plate_w=0.0 if share == 0 else None if watts is None else watts * share,
        )
