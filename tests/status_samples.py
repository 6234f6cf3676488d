"""Status documents as the daemon writes them, one for each state a viewer can meet."""

from __future__ import annotations

import time
from typing import Any

import msgspec

from probe_agent.clock import boot_id
from probe_agent.readings import State
from probe_agent.status import (
    STATUS_VERSION,
    AirNow,
    AlertNow,
    FanNow,
    FlownNow,
    FlownThenNow,
    HeaterNow,
    HelpNow,
    OutingNow,
    PlanNow,
    PlugNow,
    ProbeNow,
    RunTime,
    Status,
    utc_seconds,
    utc_text,
)

NOW = "2027-01-16T05:50:00Z"
"""Saturday; in the samples' zone (Europe/Oslo) it is 06:50."""

CYLINDERS = ("cyl-1", "cyl-2", "cyl-3", "cyl-4")


def minutes_after(minutes: float, start: str = NOW) -> str:
    return utc_text(utc_seconds(start) + 60 * minutes)


def probe(place: str, c: float | None = None, **changes: Any) -> ProbeNow:
    """A required probe with that value; without a value an open thermocouple."""
    base = ProbeNow(
        place=place,
        c=c,
        status="open" if c is None else "ok",
        trend_c_per_h=None if c is None else 9.0,
        required=True,
        near_heater=False,
        age_s=4.0,
        counts=True,
    )
    return msgspec.structs.replace(base, **changes)


def probes(coldest_c: float) -> tuple[ProbeNow, ...]:
    """Eight places of an opposed four; cylinder 3 is the coldest."""
    return (
        probe("sump", coldest_c + 12, required=False, near_heater=True, counts=False, trend_c_per_h=14.0),
        probe("cyl-1", coldest_c + 2.5),
        probe("cyl-2", coldest_c + 3.25),
        probe("cyl-3", coldest_c),
        probe("cyl-4", coldest_c + 1.0),
        probe("case-top", coldest_c + 4.0, trend_c_per_h=7.0),
        probe("case-nose", coldest_c + 0.5, trend_c_per_h=6.0),
        probe("ambient", -11.5, required=False, counts=False, trend_c_per_h=-0.2),
    )


def sample(state: State = State.HEATING, coldest_c: float = -6.0, **changes: Any) -> Status:
    """A document written this moment by a daemon on this host; `changes` replace fields."""
    base = Status(
        v=STATUS_VERSION,
        build="0.1.0",
        now=NOW,
        age_s=None,
        run=RunTime(t_s=30_000.0, rate=1.0, interval_s=15.0, mono_s=time.monotonic(), boot=boot_id()),
        aircraft="Magpie",
        layout="opposed-4",
        setup="winter",
        state=state.value,
        state_since=minutes_after(-90),
        state_reason="heat seen",
        verdict="",
        coldest="cyl-3",
        coldest_c=coldest_c,
        target_c=(45 - 32) / 1.8,
        need_c=(30 - 32) / 1.8,
        too_hot_c=60.0,
        above_p10=minutes_after(91),
        above_p50=minutes_after(105),
        above_p90=minutes_after(125),
        p_reach=0.97,
        announced_at=NOW,
        plateau_c=(14.0, 18.0, 24.0),
        core_c=_core(coldest_c),
        core_above_p=0.02,
        ready_rule="soak",
        ready_at=None,
        soak_from=None,
        above_until=None,
        probes=probes(coldest_c),
        unmeasured_far=(),
        missing=(),
        heater=HeaterNow(True, "curve", None, minutes_after(-90), "pads-and-bands", "timer"),
        alerts=(),
        clock_ok=True,
        first_of_setup=False,
        demo=False,
        zone="Europe/Oslo",
        fan=_fan(coldest_c),
        plan=plan(),
    )
    return msgspec.structs.replace(base, **changes)


def perhaps_flown(kind: str = "flown") -> Status:
    """The harness came off on a morning and is on again; nobody has said what was flown."""
    asked = OutingNow(
        outing=4,
        kind=kind,
        began=minutes_after(-420),
        unplugged=minutes_after(-240),
        plugged=minutes_after(-75),
    )
    flown = FlownNow(hot="2027-01-02T14:10:00Z", without=2, unknown=1, asked=asked)
    return msgspec.structs.replace(
        flown_cooling(),
        coldest_c=31.0,
        probes=probes(31.0),
        core_c=_core(31.0),
        flown=flown,
        hold_min=(150, 85),
    )


def flown_told() -> Status:
    """Somebody has said what was flown; it can be corrected."""
    told = OutingNow(
        outing=4,
        kind="flown-short",
        began=minutes_after(-420),
        unplugged=minutes_after(-240),
        plugged=minutes_after(-75),
        told=minutes_after(-10),
    )
    return msgspec.structs.replace(flown_cooling(), flown=FlownNow(without=1, told=told))


def plan(**changes: Any) -> PlanNow:
    """A start at 09:00 on the field's clock for which heat goes on at 05:20; late and with all that can be
    said where `changes` say so."""
    base = PlanNow(
        departure=3,
        start=minutes_after(130),
        state="planned",
        verdict="heat",
        need="yes",
        chance=0.97,
        certainty=0.9,
        by="timer",
        attended=False,
        uncovered_min=20.0,
        travel_min=0.0,
        made=NOW,
        limit_c=(30 - 32) / 1.8,
        cold_c=(-12.6, -11.0, -9.2),
        coldest_now="cyl-3",
        coldest_now_c=-6.0,
        heat_ups=4,
        air="forecast",
        air_age_min=140,
        switch_on=minutes_after(-90),
        kept=0.91,
        above=(minutes_after(50), minutes_after(62), minutes_after(80)),
    )
    return msgspec.structs.replace(base, **changes)


def late_plan() -> PlanNow:
    """A plan with everything a plan can say."""
    return plan(
        verdict="late",
        need="unclear",
        by="person",
        travel_min=30.0,
        missing=("cyl-1", "case-nose"),
        heated_hangar=True,
        flown=True,
        after_another=True,
        flight=minutes_after(-50),
        if_flown=FlownThenNow("yes", 0.96, minutes_after(60)),
        earliest=minutes_after(155),
        late_min=25.0,
        helps=(
            HelpNow("cover", minutes_after(131)),
            HelpNow("certainty", minutes_after(140)),
            HelpNow("earlier", None, 25.0),
        ),
        next_word=minutes_after(20),
        contact="the club house by the long valley, 555"[:40],
    )


def _core(coldest_c: float) -> tuple[float, float, float]:
    return coldest_c - 6, coldest_c - 4, coldest_c - 2


def _fan(coldest_c: float) -> FanNow:
    minutes = tuple(float(m) for m in range(0, 241, 15))
    mid = tuple(coldest_c + (18 - coldest_c) * (1 - 2.718281828 ** (-m / 140)) for m in minutes)
    width = tuple(m / 60 for m in minutes)
    return FanNow(
        min=minutes,
        low=tuple(round(c - w, 2) for c, w in zip(mid, width, strict=True)),
        mid=tuple(round(c, 2) for c in mid),
        high=tuple(round(c + w, 2) for c, w in zip(mid, width, strict=True)),
    )


def heating() -> Status:
    return sample(ready_at=minutes_after(135))


def with_weather() -> Status:
    air = AirNow("forecast", "hourly", minutes_after(-140), minutes_after(600), False, True, 3.4)
    return sample(air=air)


def cold() -> Status:
    return sample(
        State.COLD, -9.0, **_NO_FORECAST, heater=_heater(False), plan=plan(switch_on=minutes_after(20))
    )


def above_target() -> Status:
    return sample(
        State.ABOVE_TARGET,
        7.4,
        soak_from=minutes_after(-8),
        ready_at=minutes_after(22),
        core_c=(1.0, 3.0, 5.0),
        core_above_p=0.99,
        hold_min=(11, 6),
    )


def ready() -> Status:
    return sample(
        State.READY,
        14.0,
        ready_at=minutes_after(-35),
        core_c=(4.0, 6.0, 8.0),
        core_above_p=0.99,
        hold_min=(46, 24),
        alerts=(alert("switch-off", -5, harm=True),),
    )


def levelling_off() -> Status:
    return sample(
        State.LEVELLING_OFF,
        3.8,
        above_p10=None,
        above_p50=None,
        above_p90=None,
        p_reach=0.06,
        plateau_c=(3.0, 4.0, 5.0),
        alerts=(alert("levelling-off", -3, answers=("seen",)),),
    )


def heater_stopped() -> Status:
    return sample(
        State.HEATER_STOPPED,
        2.0,
        p_reach=0.3,
        above_p90=None,
        heater=_heater(False, minutes=-30),
        alerts=(alert("heater-stopped", -20, answers=("it-is-off", "seen")),),
    )


def too_hot() -> Status:
    hot = tuple(
        msgspec.structs.replace(p, c=63.0) if p.place == "cyl-2" else p for p in sample(coldest_c=12).probes
    )
    return sample(State.TOO_HOT, 12.0, probes=hot, alerts=(alert("too-hot", -2, harm=True, place="cyl-2"),))


def probe_missing() -> Status:
    gone = tuple(probe(p.place) if p.place == "cyl-1" else p for p in sample().probes)
    return sample(
        State.PROBE_MISSING,
        -6.0,
        probes=gone,
        missing=("cyl-1",),
        alerts=(alert("probe-missing", -38, place="cyl-1", answers=("seen",)),),
    )


def by_hand() -> Status:
    mixed = tuple(
        msgspec.structs.replace(p, status="by-hand", trend_c_per_h=None, age_s=240.0)
        if p.place == "cyl-2"
        else p
        for p in sample().probes
    )
    return sample(probes=mixed)


def cooling() -> Status:
    """After a heat-up, below the target again."""
    return sample(
        State.COOLING,
        5.4,
        **_NO_FORECAST,
        heater=_heater(False, minutes=-85),
        core_c=(3.0, 5.0, 7.0),
        plan=plan(switch_on=minutes_after(25)),
    )


def cooling_above() -> Status:
    """Above the target and falling, without a heat-up that would be called ready."""
    return sample(
        State.COOLING,
        9.0,
        **_NO_FORECAST,
        heater=_heater(False, minutes=-25),
        above_until=(minutes_after(12), minutes_after(18), minutes_after(30)),
        hold_min=(12, 6),
        plan=None,
    )


def flown_cooling() -> Status:
    return sample(
        State.FLOWN_COOLING,
        48.0,
        **_NO_FORECAST,
        heater=_heater(False),
        hold_min=(245, 140),
        plan=no_heat_planned(),
    )


def no_heat_planned() -> PlanNow:
    """The same start for which the warmth at hand is enough."""
    return plan(verdict="none", need="no", chance=0.03, switch_on=None, kept=None, above=None)


def oil_out() -> Status:
    return sample(State.OIL_OUT, 4.0, **_NO_FORECAST, heater=_heater(False), oil_out=True)


def engine_runs() -> Status:
    return sample(State.ENGINE_RUNS, 12.0, **_NO_FORECAST, heater=_heater(False, minutes=-25))


def engine_ran() -> Status:
    return sample(
        State.ENGINE_RAN,
        24.0,
        **_NO_FORECAST,
        heater=_heater(False, minutes=-45),
        hold_min=(95, 55),
        plan=None,
    )


def off() -> Status:
    return sample(
        State.OFF, 4.0, **_NO_FORECAST, heater=_heater(None), plan=plan(switch_on=minutes_after(40))
    )


def demo(rate: float = 60.0) -> Status:
    base = sample()
    return msgspec.structs.replace(base, demo=True, run=msgspec.structs.replace(base.run, rate=rate))


def aged(status: Status, seconds: float) -> Status:
    """The same document, written that many real seconds ago."""
    run = msgspec.structs.replace(status.run, mono_s=time.monotonic() - seconds)
    return msgspec.structs.replace(status, run=run)


def alert(
    kind: str,
    minutes: float,
    *,
    harm: bool = False,
    place: str | None = None,
    answers: tuple[str, ...] = ("it-is-off",),
) -> AlertNow:
    return AlertNow(f"{kind}-1", kind, minutes_after(minutes), harm, place, answers)


def _heater(heating: bool | None, minutes: float = -200) -> HeaterNow:
    known = "nothing" if heating is None else "curve"
    since = None if heating is None else minutes_after(minutes)
    return HeaterNow(heating, known, None, since, "pads-and-bands", "timer")


_NO_FORECAST: dict[str, Any] = {
    "above_p10": None,
    "above_p50": None,
    "above_p90": None,
    "p_reach": 0.0,
    "fan": FanNow(),
}


def plugged(**changes: Any) -> Status:
    """Heating by the plug, as somebody pressed; `changes` replace fields of the plug."""
    plug = PlugNow(
        wanted="owner",
        on_at=minutes_after(-90),
        until=minutes_after(270),
        confirmed=True,
        says="on",
        power_w=480.0,
        tested=True,
    )
    return msgspec.structs.replace(heating(), plug=msgspec.structs.replace(plug, **changes))


def plug_off(**changes: Any) -> Status:
    """Off at the plug, a place lost."""
    ended = {"ended": "place-lost", "ended_at": minutes_after(-3), "place": "cyl-3"}
    off = {"wanted": None, "on_at": None, "until": None, "says": "off", "power_w": 0.0, "confirmed": False}
    return plugged(**(off | ended | changes))


STATES = {
    "cold": cold,
    "heating": heating,
    "above-target": above_target,
    "ready": ready,
    "levelling-off": levelling_off,
    "heater-stopped": heater_stopped,
    "too-hot": too_hot,
    "probe-missing": probe_missing,
    "cooling": cooling,
    "flown-cooling": flown_cooling,
    "oil-out": oil_out,
    "engine-runs": engine_runs,
    "engine-ran": engine_ran,
    "off": off,
}
