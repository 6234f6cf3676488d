"""Spells: for how long and how strongly the oil's water settled, and what heat was spent meanwhile. Pure.

`step` follows one tick's facts. A spell is a span in which the engine was in one case: heated and cooling
from it, cooling from a run, cold metal in a warm hangar's air, or at rest. It is kept apart whether a flight
with hot oil cleared it (`season`), so a flight that is told of later clears it too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from probe_agent.thermal import moisture
from probe_agent.thermal.moisture import Three, Wetting

GAP_S = 1800.0
"""What happened in a longer gap between ticks isn't known."""
LONGEST_S = 86_400.0
"""A spell is at most a day, so that what is cleared is cleared by the day."""


class Cause(StrEnum):
    HEAT_UP = "heat-up"
    RUN = "run"
    DAMP_AIR = "damp-air"
    REST = "rest"


@dataclass(frozen=True, slots=True)
class SpellFacts:
    """One tick. values_c: what each measured place of the engine counts as; core_c: the estimated core;
    air_c: the air at the aircraft, None where nobody measures it.

    on_s: since when the open heat-up heats, None where there is none; ran: the engine is warm from having
    run; in_warm_air: it was pushed into a warm hangar. heating: the heater warms, doesn't, or isn't known to.
    power_w: what is measured of the heater's power [W]; plate_w: what it takes by its plate and what is known
    of its being on, None where that isn't known.
    """

    t_s: float
    values_c: Mapping[str, float]
    core_c: Three | None
    air_c: float | None
    on_s: float | None = None
    ran: bool = False
    in_warm_air: bool = False
    heating: bool | None = None
    power_w: float | None = None
    plate_w: float | None = None


@dataclass(frozen=True, slots=True)
class Spell:
    """One of them. Instants in run seconds, ended_s None while it lasts.

    of_heatup: it belongs to the heat-up of its time. low, middle, high: exposure [hPa·h], the excess of
    vapour over time; wet_s: how long water settled by the middle; known_s, unknown_s: how long that could be
    told, and not; under_k: how far the metal lay under the frost point at most. heated_s: how long the heater
    was known to be on; measured_j, plate_j: heat spent by measured power and by the plate; untold_s: how long
    it isn't known what it took.
    """

    number: int
    cause: Cause
    of_heatup: bool
    began_s: float
    ended_s: float | None = None
    low: float = 0.0
    middle: float = 0.0
    high: float = 0.0
    wet_s: float = 0.0
    known_s: float = 0.0
    unknown_s: float = 0.0
    under_k: float = 0.0
    heated_s: float = 0.0
    measured_j: float = 0.0
    plate_j: float = 0.0
    untold_s: float = 0.0
    gained_j: Three | None = None
    """What of it was in the engine at heater-off, more than at heater-on: 10, 50, 90 %."""


@dataclass(frozen=True, slots=True)
class SpellWatch:
    """What is remembered from tick to tick. gives: how much of its vapour the oil still gives off; on_s: the
    heat-up the spell belongs to; start_c, start_core_c: temperatures at its beginning."""

    next_number: int = 1
    t_s: float | None = None
    spell: Spell | None = None
    gives: float = 1.0
    on_s: float | None = None
    start_c: dict[str, float] | None = None
    start_core_c: Three | None = None
    now: Wetting | None = None
    """How strongly water settles at this tick; None where it can't be told."""


@dataclass(frozen=True, slots=True)
class SpellStep:
    """The next watch, and a spell that has ended with this tick."""

    watch: SpellWatch
    ended: Spell | None = None


def step(watch: SpellWatch, facts: SpellFacts, dryer: bool = False) -> SpellStep:
    """One tick. Facts must not go back in time."""
    dt_s = 0.0 if watch.t_s is None else facts.t_s - watch.t_s
    spell, oil = watch.spell, moisture.oil_c(facts.values_c)
    cause = _cause(spell, facts, oil)
    ended: Spell | None = None
    is_over = spell is None or _is_over(spell, cause, watch, facts)
    begins_heat = is_over and cause is Cause.HEAT_UP and not _goes_on(watch, facts)
    if spell is not None and dt_s > 0:
        spell = _grown(spell, watch, facts, oil, dt_s, dryer)
        spell = spell if begins_heat else _spent(spell, facts, dt_s)
    if is_over:
        ended = None if spell is None else replace(spell, ended_s=facts.t_s)
        watch = _begin(watch, cause, facts, dt_s)
        spell = watch.spell
    gives = watch.gives
    if oil is not None and 0 < dt_s <= GAP_S:
        gives = moisture.gives_after(gives, oil, facts.air_c, dt_s)
    now = None if spell is None else _wetting(spell.cause, watch, facts, oil, dryer)
    return SpellStep(replace(watch, t_s=facts.t_s, spell=spell, gives=gives, now=now), ended)


def with_gain(watch: SpellWatch, gained_j: Three) -> SpellWatch:
    """The watch with what was in the engine at heater-off, for the spell at hand."""
    assert watch.spell is not None
    return replace(watch, spell=replace(watch.spell, gained_j=gained_j))


def shifted(watch: SpellWatch, by_s: float) -> SpellWatch:
    """The same watch in another run's seconds, `by_s` later: for a restart of the daemon."""

    def move(instant: float | None) -> float | None:
        return None if instant is None else instant + by_s

    spell = watch.spell and replace(watch.spell, began_s=watch.spell.began_s + by_s)
    return replace(watch, t_s=move(watch.t_s), on_s=move(watch.on_s), spell=spell)


def _cause(spell: Spell | None, facts: SpellFacts, oil: float | None) -> Cause:
    """The case the engine is in. What a heat-up or a run warmed belongs to it until the oil is cold again."""
    if facts.ran:
        return Cause.RUN
    if facts.on_s is not None:
        return Cause.HEAT_UP
    cold = oil is None or facts.air_c is None or oil <= facts.air_c + moisture.COLD_AGAIN_K
    if spell is not None and spell.cause in (Cause.HEAT_UP, Cause.RUN) and not cold:
        return spell.cause
    return Cause.DAMP_AIR if facts.in_warm_air else Cause.REST


def _is_over(spell: Spell, cause: Cause, watch: SpellWatch, facts: SpellFacts) -> bool:
    another = facts.on_s is not None and watch.on_s is not None and facts.on_s > watch.on_s + 1.0
    is_its_own = cause is Cause.HEAT_UP and spell.cause is Cause.HEAT_UP and another
    return cause is not spell.cause or is_its_own or facts.t_s - spell.began_s >= LONGEST_S


def _begin(watch: SpellWatch, cause: Cause, facts: SpellFacts, dt_s: float) -> SpellWatch:
    """The watch with a new spell. What was spent since the last tick, or since a heater-on that is known of
    only now, is a heat-up's own."""
    heats = cause is Cause.HEAT_UP
    fresh = Spell(watch.next_number, cause, heats, facts.t_s)
    if not heats:
        return replace(watch, next_number=watch.next_number + 1, spell=fresh, on_s=None, start_c=None)
    if _goes_on(watch, facts):
        return replace(watch, next_number=watch.next_number + 1, spell=fresh)
    missed_s = dt_s if facts.on_s is None else max(dt_s, facts.t_s - facts.on_s)
    return replace(
        watch,
        next_number=watch.next_number + 1,
        spell=_spent(fresh, facts, missed_s) if missed_s <= GAP_S else fresh,
        on_s=facts.on_s,
        start_c=dict(facts.values_c),
        start_core_c=facts.core_c,
    )


def _goes_on(watch: SpellWatch, facts: SpellFacts) -> bool:
    """Whether the heat-up is the one that the spell before belongs to."""
    return watch.on_s is not None and (facts.on_s is None or abs(facts.on_s - watch.on_s) <= 1.0)


def _grown(
    spell: Spell, watch: SpellWatch, facts: SpellFacts, oil: float | None, dt_s: float, dryer: bool
) -> Spell:
    """The spell with the exposure since the last tick."""
    now = None if dt_s > GAP_S else _wetting(spell.cause, watch, facts, oil, dryer)
    if now is None:
        return replace(spell, unknown_s=spell.unknown_s + dt_s)
    hours = dt_s / 3600.0
    return replace(
        spell,
        low=spell.low + now.hpa[0] * hours,
        middle=spell.middle + now.hpa[1] * hours,
        high=spell.high + now.hpa[2] * hours,
        wet_s=spell.wet_s + (dt_s if now.under_k > 0 else 0.0),
        known_s=spell.known_s + dt_s,
        under_k=max(spell.under_k, now.under_k),
    )


def _wetting(
    cause: Cause, watch: SpellWatch, facts: SpellFacts, oil: float | None, dryer: bool
) -> Wetting | None:
    """How strongly water settles now; None where it can't be told."""
    if cause is Cause.DAMP_AIR:
        if facts.air_c is None or not facts.values_c:
            return None
        core_c = facts.core_c[1] if facts.core_c is not None else math.inf
        return moisture.damp_air_wetting(facts.air_c, min(core_c, *facts.values_c.values()))
    inner_c = moisture.coldest_inner_c(facts.values_c, facts.core_c, facts.air_c)
    if oil is None or inner_c is None:
        return None
    return moisture.wetting(oil, inner_c, watch.gives, dryer)


def _spent(spell: Spell, facts: SpellFacts, dt_s: float) -> Spell:
    """The spell with the heat spent since the last tick, by what is known of the heater now."""
    if dt_s > GAP_S:
        return spell if facts.heating is False else replace(spell, untold_s=spell.untold_s + dt_s)
    on_s = dt_s if facts.heating or (facts.power_w or 0.0) > 0 else 0.0
    spell = replace(spell, heated_s=spell.heated_s + on_s)
    if facts.power_w is not None:
        return replace(spell, measured_j=spell.measured_j + facts.power_w * dt_s)
    if facts.plate_w is not None:
        return replace(spell, plate_j=spell.plate_j + facts.plate_w * dt_s)
    return replace(spell, untold_s=spell.untold_s + dt_s)
