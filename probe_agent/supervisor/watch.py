"""What the supervisor takes, remembers and returns: rules, facts, the watch with its alerts, a step."""

from __future__ import annotations

from dataclasses import dataclass, replace

from msgspec import Struct, structs

from probe_agent.config import Settings
from probe_agent.readings import Forecast, Point, Sign, State, Transition

PREPARE_S = 1200.0
"""From heater and cover off to the start of the engine (20 min: common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Rules:
    """The owner's limits and rules for one setup, in °C and seconds."""

    target_c: float
    need_c: float
    too_hot_c: float = 60.0
    ready_rule: str = "soak"
    soak_s: float = 1800.0
    core_certainty: float = 0.9
    switch_off_after_s: float = 1800.0
    interval_s: float = 15.0
    attended: bool = False
    """A combustion heater: somebody must be with it while it warms."""


@dataclass(frozen=True, slots=True)
class Facts:
    """One tick as the supervisor sees it.

    departure_at: planned start of the engine [run s], ahead or past and not yet settled; None: none.
    prepare_s: from heater and cover off to that start [s]. told_late_s: by how much its plan said that it
    is late [s]. look_s: the last morning look due by now [run s]; None where none is wanted today.
    clock_ok: whether the wall clock can be believed. alarms: of the plug, kind and since when. power:
    measured heater power as a share of full power; None where nobody measures it. unprobed: there is no
    probe, whoever measures does so by hand. record: troubles of the record, kind and since when.
    """

    t_s: float
    points: tuple[Point, ...]
    forecast: Forecast
    departure_at: float | None = None
    look_s: float | None = None
    clock_ok: bool = True
    power: float | None = None
    prepare_s: float = PREPARE_S
    told_late_s: float | None = None
    alarms: tuple[tuple[str, float], ...] = ()
    unprobed: bool = False
    record: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Announced:
    """The forecast shown to people, and when it was announced. Instants in run seconds."""

    t_s: float
    above_p10: float | None
    above_p50: float | None
    above_p90: float | None
    p_reach: float


@dataclass(frozen=True, slots=True)
class Alert:
    """Something a person must know until it is answered or has gone by itself."""

    kind: str
    opened_s: float
    place: str | None = None
    harm: bool = False
    answers: tuple[str, ...] = ("seen",)
    answered: str | None = None
    answered_s: float | None = None
    told: int = 0
    told_s: float | None = None
    number: str = "0-0"
    denied_s: float | None = None
    """When somebody had said that the heater is off, which the curve has contradicted."""

    @property
    def id(self) -> str:
        """Unlike any other in the store, in any run: run seconds come again after a reboot."""
        return f"{self.kind}:{self.place or 'all'}:{self.number}"


@dataclass(frozen=True, slots=True)
class Heatup:
    """One warming, from heater on to off. Instants in run seconds."""

    on_s: float
    above_s: float | None = None
    ready_s: float | None = None
    off_s: float | None = None


@dataclass(frozen=True, slots=True)
class Announcement:
    """A message to send: kind as words.message knows it; it is out of date after valid_s.

    alert: id of the alert it is about; harm: whether that is one for harm; asked: how often its alert was
    told before. overtakes: first parts of the keys of undelivered messages that this one replaces. to: the
    recipients meant, by name; empty: as the rules of telling say. departure: which one it is about; at_once:
    whether it goes out in quiet hours too.
    """

    kind: str
    key: str
    valid_s: float
    place: str | None = None
    alert: str | None = None
    harm: bool = False
    asked: int = 0
    overtakes: tuple[str, ...] = ()
    to: tuple[str, ...] = ()
    departure: int | None = None
    at_once: bool = False


@dataclass(frozen=True, slots=True)
class Missed:
    """A span in which nothing was measured, and what was known before it. Instants in run seconds."""

    since_s: float
    until_s: float
    state: State | None
    coldest: str | None = None
    coldest_c: float | None = None


class Watch(Struct, frozen=True):
    """All the supervisor remembers from tick to tick; a Struct, for a tick replaces it a dozen times.

    missing_since_s: required places without a value, or back for fewer than TRUST_ROWS rows (back_rows).
    born, count: a number no earlier watch of the store had, and a counter; together they number alerts
    and messages.
    """

    born: int = 0
    count: int = 0
    state: State | None = None
    since_s: float = 0.0
    reason: str = ""
    t_s: float | None = None
    heating: bool | None = None
    said_off_s: float | None = None
    said_on_s: float | None = None
    told_off_s: float | None = None
    """When somebody last said off; said_off_s goes on with the ticks while nothing is measured."""
    """Since when somebody says that the heater is on, unless they said that it is off."""
    with_it_s: float | None = None
    """When somebody said last that they are with the combustion heater."""
    above: bool = False
    above_rows: int = 0
    below_rows: int = 0
    above_since_s: float | None = None
    above_from_s: float | None = None
    """Since when the coldest point is at or above the target, trusted or not."""
    doubted_since_s: float | None = None
    """Since when a soak waits for its readings to come back."""
    left_above_s: float | None = None
    told_above_s: float | None = None
    told_ready_s: float | None = None
    was_above: bool = False
    missing_since_s: dict[str, float] = {}
    back_rows: dict[str, int] = {}
    flown: bool = False
    never_since_s: float | None = None
    heatup: Heatup | None = None
    announced: Announced | None = None
    alerts: tuple[Alert, ...] = ()
    counted_c: dict[str, float] = {}
    """What places that read the heater counted as while it last warmed."""
    oil_out_s: float | None = None
    """Since when the oil is out for warming elsewhere, as said."""
    signs: tuple[Sign, ...] = ()
    """What is seen of the heat-up, or looks like one, at this tick."""
    coldest: str | None = None
    coldest_c: float | None = None
    missed: Missed | None = None
    """The last gap in measuring, for as long as it is news; owes_back: it has not been said yet."""
    owes_back: bool = False
    denied_s: float | None = None
    """When "it is off" was said that the curve contradicted later in this heat-up."""
    once: tuple[str, ...] = ()
    """Kinds said in this heat-up that are said only once in one."""
    spoke_s: tuple[float, ...] = ()
    """When messages other than repeats were sent, in the last WORDS_SPAN_S."""
    trusted: bool = False
    """Whether the last of them said that the engine is above target."""
    look_s: float | None = None
    late_since_s: float | None = None
    told_late_min: float | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """The next watch and what happened in this tick.

    opened/closed: the heat-up that began or ended, closed with its reason; gone: alerts that ended,
    with what ended them; withdrawn: first parts of the keys of messages (a kind, or an alert's id) that
    are no longer true if still undelivered.
    """

    watch: Watch
    transitions: tuple[Transition, ...] = ()
    announcements: tuple[Announcement, ...] = ()
    opened: Heatup | None = None
    closed: tuple[Heatup, str] | None = None
    gone: tuple[tuple[Alert, str], ...] = ()
    withdrawn: tuple[str, ...] = ()
    newly_announced: bool = False


def rules_of(settings: Settings) -> Rules:
    """The owner's limits as the supervisor takes them."""
    limits = settings.limits
    return Rules(
        target_c=limits.target_c,
        need_c=limits.need_below_c,
        too_hot_c=limits.too_hot_c,
        ready_rule=limits.ready_rule,
        soak_s=limits.soak_min * 60,
        core_certainty=limits.core_certainty,
        switch_off_after_s=limits.switch_off_after_ready_min * 60,
        interval_s=settings.sampling.interval_s,
        attended=settings.setup is not None and settings.setup.heater == "combustion",
    )


def shifted(watch: Watch, by_s: float) -> Watch:
    """The same watch in another run's seconds, `by_s` later: for a restart of the daemon."""

    def move(instant: float | None) -> float | None:
        return None if instant is None else instant + by_s

    heatup, shown, missed = watch.heatup, watch.announced, watch.missed
    return structs.replace(
        watch,
        since_s=watch.since_s + by_s,
        t_s=move(watch.t_s),
        said_off_s=move(watch.said_off_s),
        said_on_s=move(watch.said_on_s),
        told_off_s=move(watch.told_off_s),
        oil_out_s=move(watch.oil_out_s),
        signs=tuple(replace(s, since_s=s.since_s + by_s) for s in watch.signs),
        with_it_s=move(watch.with_it_s),
        above_since_s=move(watch.above_since_s),
        above_from_s=move(watch.above_from_s),
        doubted_since_s=move(watch.doubted_since_s),
        left_above_s=move(watch.left_above_s),
        told_above_s=move(watch.told_above_s),
        told_ready_s=move(watch.told_ready_s),
        missing_since_s={p: s + by_s for p, s in watch.missing_since_s.items()},
        never_since_s=move(watch.never_since_s),
        missed=missed and replace(missed, since_s=missed.since_s + by_s, until_s=missed.until_s + by_s),
        denied_s=move(watch.denied_s),
        spoke_s=tuple(t_s + by_s for t_s in watch.spoke_s),
        look_s=move(watch.look_s),
        late_since_s=move(watch.late_since_s),
        heatup=heatup
        and replace(
            heatup,
            on_s=heatup.on_s + by_s,
            above_s=move(heatup.above_s),
            ready_s=move(heatup.ready_s),
            off_s=move(heatup.off_s),
        ),
        announced=shown
        and Announced(
            shown.t_s + by_s,
            move(shown.above_p10),
            move(shown.above_p50),
            move(shown.above_p90),
            shown.p_reach,
        ),
        alerts=tuple(
            replace(
                a,
                opened_s=a.opened_s + by_s,
                answered_s=move(a.answered_s),
                told_s=move(a.told_s),
                denied_s=move(a.denied_s),
            )
            for a in watch.alerts
        ),
    )


def numbered(watch: Watch) -> tuple[Watch, str]:
    """The watch with its counter one further, and the number that was next."""
    return structs.replace(watch, count=watch.count + 1), f"{watch.born}-{watch.count}"
