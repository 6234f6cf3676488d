"""The status document: what a viewer needs now, the one thing every screen and message shows.

Core: version 1, additive changes only. Times are UTC text ending in Z, in the run's time; `run` says
how the run's clock relates to the host's, so that a viewer can tell the document's age itself.
"""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from probe_agent.clock import boot_id

STATUS_VERSION = 1


class StatusError(ValueError):
    """A status document that can't be read, and why."""


class _Part(msgspec.Struct, frozen=True, omit_defaults=False):
    """A part of the document."""


class RunTime(_Part, frozen=True):
    """How the run's clock stood when the document was written. mono_s, boot: the host's."""

    t_s: float
    rate: float
    interval_s: float
    mono_s: float
    boot: str


class ProbeNow(_Part, frozen=True, omit_defaults=True):
    """One place. c is None unless status is "ok" or "by-hand"; age_s counts from the measurement to `now`."""

    place: str
    c: float | None
    status: str
    trend_c_per_h: float | None
    required: bool
    near_heater: bool
    age_s: float | None
    counts: bool
    """Whether the place can be the coldest point."""
    counted_c: float | None = None
    """What it counts as, where it reads the heater and less than c counts."""
    reads_heater_c: float | None = None
    """By how much it read the heater at the last heater-off tests, where that is why."""


class HeaterNow(_Part, frozen=True, omit_defaults=True):
    """heating: it warms, it does not, None unknown. known_by: measured, said by a person, curve, nothing."""

    heating: bool | None
    known_by: str
    share: float | None
    since: str | None
    kind: str | None
    switched_by: str | None


class AlertNow(_Part, frozen=True, omit_defaults=True):
    """An open alert. kind: words.py has a sentence for each; harm: somebody or something can be hurt."""

    id: str
    kind: str
    since: str
    harm: bool
    place: str | None
    answers: tuple[str, ...]
    answered: str | None = None
    asks_at: str | None = None
    """When it is asked again if nobody answers."""
    denied_at: str | None = None
    """When somebody had said that the heater is off, which the curve has contradicted."""


class StartNow(_Part, frozen=True):
    """The planned start of the engine. late_min: by how much it can't be kept, most likely; negative:
    time to spare; None: open. start_at: the start that can most likely be kept, where late."""

    planned_at: str
    late_min: float | None = None
    start_at: str | None = None


class MissedNow(_Part, frozen=True):
    """A span in which nothing was measured, for an hour after it, and what was known before it."""

    since: str
    until: str
    state: str | None
    coldest: str | None
    coldest_c: float | None


class LearnedNow(_Part, frozen=True):
    """What the record knows of the setup in use.

    heat_ups: those the forecast rests on. judged: how many of the last ten heat-ups were judged halfway:
    half of them off by within_min or less (None: half of them said never), `inside` of them with the
    truth in the range. changed: in words, what the last heat-up showed to be changed for good. sister: on how
    many heat-ups of a sister it rests besides, 0: on none; sister_called: her name, where she has one.
    """

    heat_ups: int = 0
    judged: int = 0
    within_min: float | None = None
    inside: int = 0
    changed: str = ""
    sister: int = 0
    sister_called: str = ""


class OutingNow(_Part, frozen=True, omit_defaults=True):
    """What became of a heat-up or an absence of the harness; kind as in outings.Kind. unplugged, plugged:
    when the harness came off and on again; told: when somebody said what it was."""

    outing: int
    kind: str
    began: str
    unplugged: str | None = None
    plugged: str | None = None
    told: str | None = None


class FlownNow(_Part, frozen=True):
    """Heat-ups since the last flight with hot oil long enough. hot: when that was; without: heat-ups known
    to have had none since; unknown: those of which it isn't known. asked: the outing that somebody should
    say something of; told: else the last of which somebody has."""

    hot: str | None = None
    without: int = 0
    unknown: int = 0
    asked: OutingNow | None = None
    told: OutingNow | None = None


class HelpNow(_Part, frozen=True, omit_defaults=True):
    """What would help a start that can't be kept: "cover", "certainty" (8 mornings in 10 are enough) with the
    start it allows, or "earlier" heat next time, by so many minutes."""

    kind: str
    start: str | None = None
    by_min: float | None = None


class FlownThenNow(_Part, frozen=True):
    """What holds for a later departure where the earlier one flies."""

    need: str
    chance: float
    switch_on: str | None = None


class PlanNow(_Part, frozen=True, omit_defaults=True):
    """The plan of one departure, the next one in a core document.

    start: the wished engine start. need: yes, no, unclear; chance: that the engine is below the limit then
    without heat. verdict: none, heat, late, never, unknown, or making while it is worked out. switch_on: when
    heat goes on, final where timer says what a timer was set to. kept: chance that the start is kept;
    earliest: the start that is kept where this one isn't, late_min later. above: 10/50/90 % instants of above
    target. coldest_now … flight: as planning.Rests has them; if_flown: as planning.Plan has it. next_word:
    when the next one comes.
    """

    departure: int
    start: str
    state: str
    verdict: str
    need: str
    chance: float | None
    certainty: float
    by: str
    attended: bool
    uncovered_min: float
    travel_min: float
    made: str | None
    limit_c: float
    by_air: bool = False
    cold_c: tuple[float, float, float] | None = None
    coldest_now: str | None = None
    coldest_now_c: float | None = None
    missing: tuple[str, ...] = ()
    heat_ups: int = 0
    air: str = "nothing"
    air_age_min: float | None = None
    heated_hangar: bool = False
    flown: bool = False
    after_another: bool = False
    flight: str | None = None
    if_flown: FlownThenNow | None = None
    switch_on: str | None = None
    timer: str | None = None
    at_best: float | None = None
    """The certainty the plan is for, where the wished one can't be had however early heat goes on."""
    kept: float | None = None
    earliest: str | None = None
    late_min: float | None = None
    above: tuple[str | None, str | None, str | None] | None = None
    helps: tuple[HelpNow, ...] = ()
    next_word: str | None = None
    contact: str | None = None
    plug: bool = False
    """Whether our plug switches it on by itself."""
    sister: int = 0
    """On how many heat-ups of a sister it rests, besides own ones."""
    more: int = 0
    """How many other departures are planned."""


class PlugNow(_Part, frozen=True, omit_defaults=True):
    """The plug that switches the heater. wanted: on for whom ("owner", "plan", "test"), ordered since
    on_at and until at the latest; confirmed: the plug has said so. says: its own last word, "on" or
    "off", or "away" while there is no line to it; power_w: what it draws, None where that isn't known
    now. locked: since when someone is at the aircraft. tested: its timer was, with success; test_failed:
    what was wrong; test_old: the settings have changed since. ended: why the last heat ended
    (switching.Why) at ended_at; or refused: why a plan whose time had come was not switched on
    (switching.Refusal). place: of either.
    """

    wanted: str | None = None
    on_at: str | None = None
    until: str | None = None
    confirmed: bool = False
    says: str | None = None
    power_w: float | None = None
    locked: str | None = None
    tested: bool = False
    test_failed: str | None = None
    test_old: bool = False
    ended: str | None = None
    ended_at: str | None = None
    refused: str | None = None
    place: str | None = None


Band = tuple[float | None, float | None, float | None]
"""10/50/90 % of a span [s]; None for never."""


class TakeAlong(_Part, frozen=True):
    """How long heat takes from an evenly cold start, to take along. rows: one of each start, with a band for
    each air; fewer while it is being worked out. heat_ups: those it rests on, sister: those of a sister;
    covered: whether cover or plugs are on."""

    made: str
    setup: str | None
    heat_ups: int
    target_c: float
    covered: bool
    starts_c: tuple[float, ...]
    airs_c: tuple[float, ...]
    rows: tuple[tuple[Band, ...], ...] = ()
    sister: int = 0

    @property
    def is_whole(self) -> bool:
        return len(self.rows) == len(self.starts_c)


class AirNow(_Part, frozen=True, omit_defaults=True):
    """What the air to come rests on.

    rests_on: forecast, observed (at a station), own-air (measured here, going on), nothing. source: the
    weather source heard (hourly, metar, topic, typed), used or not, with when it was made and until when it
    reaches. old: made longer ago than 12 h. wanted: the settings name a source.
    """

    rests_on: str
    source: str | None = None
    issued: str | None = None
    reaches: str | None = None
    old: bool = False
    wanted: bool = False
    wind_m_s: float | None = None
    """Told for now, at the station."""


class SignNow(_Part, frozen=True):
    """What is seen of a heat-up, or looks like one: readings.SignKind, since when, of which place."""

    kind: str
    since: str
    place: str | None = None


class WhyNow(_Part, frozen=True, omit_defaults=True):
    """Clearance and oil of this engine now, indicative. case_c: mean of the crankcase's places; shaft_c: the
    estimated core; change_mm: of the bearing's clearance against both at 20 °C, negative: closer; each 10,
    50, 90 %. oil_mm2_s: None where oil or data sheet isn't known, and below the pour point."""

    bearing_mm: float
    case_c: float | None = None
    shaft_c: tuple[float, float, float] | None = None
    change_mm: tuple[float, float, float] | None = None
    clearance_mm: float | None = None
    oil_c: float | None = None
    oil_mm2_s: float | None = None
    oil_40_mm2_s: float | None = None
    pour_point_c: float | None = None


class MoistureNow(_Part, frozen=True, omit_defaults=True):
    """How strongly the oil's water settles on the coldest inner metal now: an indicator. hpa: excess of
    vapour, 10, 50, 90 % of what the metal may be; under_k: how far the metal lies under the frost point."""

    hpa: tuple[float, float, float]
    under_k: float = 0.0


class FrostNow(_Part, frozen=True, omit_defaults=True):
    """Frost or dew on the aircraft in the day to come. kind: frost, dew, none, unknown (no humidity is told),
    roof (it doesn't stand outside). sure: already at the air's temperature, not only under a clear sky."""

    kind: str
    sure: bool = False
    at: str | None = None
    until: str | None = None
    skin_c: float | None = None
    point_c: float | None = None


class FanNow(_Part, frozen=True):
    """Futures of the coldest required point: minutes after `now`, °C."""

    min: tuple[float, ...] = ()
    low: tuple[float, ...] = ()
    mid: tuple[float, ...] = ()
    high: tuple[float, ...] = ()


class Recent(_Part, frozen=True):
    """Readings not yet committed, at most five minutes: rows of [UTC s, value or null a place…]."""

    places: tuple[str, ...] = ()
    rows: tuple[tuple[float | None, ...], ...] = ()


class Curve(_Part, frozen=True):
    """The last hours, thinned: rows as in Recent, heater share last in each row."""

    places: tuple[str, ...] = ()
    rows: tuple[tuple[float | None, ...], ...] = ()


class UnplacedNow(_Part, frozen=True, omit_defaults=True):
    """A probe that sits at no place: what it reads, or its fault."""

    source: str
    address: str
    c: float | None = None
    fault: str | None = None


class IdentifyNow(_Part, frozen=True, omit_defaults=True):
    """A round of finding out which probe is warmed by hand. stage: resting (touch none), waiting (warm one),
    found, several (these rise together, none is named), none (no one rose). addresses: of found and several;
    rises_k: by how much each has risen more than the others [K]."""

    stage: str
    addresses: tuple[str, ...] = ()
    rises_k: dict[str, float] = {}


class Status(_Part, frozen=True, omit_defaults=True):
    """The document. above_*, below_*, ready_at are the announced forecast, not the live one."""

    v: int
    build: str
    now: str
    age_s: float | None
    """None as written; a viewer sets it."""
    run: RunTime
    aircraft: str
    layout: str
    setup: str | None
    state: str
    state_since: str | None
    state_reason: str
    verdict: str
    coldest: str | None
    coldest_c: float | None
    target_c: float
    need_c: float
    too_hot_c: float
    above_p10: str | None
    above_p50: str | None
    above_p90: str | None
    p_reach: float
    announced_at: str | None
    plateau_c: tuple[float, float, float] | None
    core_c: tuple[float, float, float] | None
    core_above_p: float
    ready_rule: str
    ready_at: str | None
    """When it will be, or was, ready by the rule, most likely; while it warms, soak and core counted in."""
    soak_from: str | None
    above_until: tuple[str | None, str | None, str | None] | None
    """After heater-off: 10/50/90 % instants at which the coldest point falls under the target."""
    probes: tuple[ProbeNow, ...]
    unmeasured_far: tuple[str, ...]
    missing: tuple[str, ...]
    """Required places without a value."""
    heater: HeaterNow
    alerts: tuple[AlertNow, ...]
    clock_ok: bool
    first_of_setup: bool
    demo: bool
    zone: str
    """IANA name of the field's time zone."""
    fan: FanNow = FanNow()
    notes: tuple[str, ...] = ()
    """What the owner should know besides: store trouble, broker away, unknown probe on the bus."""
    learned: LearnedNow | None = None
    """None where no setup is described."""
    plan: PlanNow | None = None
    """Of the next departure; None where none is planned."""
    start: StartNow | None = None
    """None where no start is planned."""
    missed: MissedNow | None = None
    air: AirNow | None = None
    signs: tuple[SignNow, ...] = ()
    oil_out: bool = False
    """Taken out for warming elsewhere, as said: nothing is ready until it is back in, its level checked."""
    flown: FlownNow | None = None
    plug: PlugNow | None = None
    why: WhyNow | None = None
    """An optional member, like recent and curve."""
    moisture: MoistureNow | None = None
    """None where it can't be told."""
    frost: FrostNow | None = None
    unprobed: bool = False
    """There is no probe at all: what is known people have entered."""
    hold_min: tuple[int, int | None] | None = None
    """Minutes from now for which it stays above target on 9 mornings in 10 if heat goes off: as it stands;
    with cover and plugs off, None where there is neither. Two days at most; None while it is not above."""
    unplaced: tuple[UnplacedNow, ...] = ()
    """An optional member too: the first few of them."""
    identify: IdentifyNow | None = None
    """Another one; None while nobody looks for a probe."""
    field: str = ""
    """What the field is called, where the settings say it."""
    circuit: tuple[str, ...] = ()
    """What it means at present that others share the heater's circuit, in sentences; trouble is in notes."""
    recent: Recent | None = None
    curve: Curve | None = None


_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(Status).decode


def utc_text(utc_s: float) -> str:
    """ISO 8601 with whole seconds, ending in Z. Argument: seconds since 1970 [s]."""
    return datetime.fromtimestamp(round(utc_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def utc_seconds(text: str) -> float:
    """Seconds since 1970 of a text as utc_text makes it. Raises ValueError."""
    return datetime.fromisoformat(text).timestamp()


def encode_status(status: Status) -> bytes:
    """The document as UTF-8 JSON."""
    return _encode(status)


def decode_status(data: bytes) -> Status:
    """The document from JSON; keys of later versions are passed over. Raises StatusError."""
    try:
        return _decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as err:
        raise StatusError(f"not a status document: {err}") from err


def core_of(status: Status) -> Status:
    """The document without its optional members."""
    return msgspec.structs.replace(status, recent=None, curve=None, why=None, unplaced=(), identify=None)


def write_status(path: Path, status: Status) -> None:
    """Replace the file in one step, so that a reader sees the old document or the new one."""
    draft = path.with_name(path.name + ".new")
    draft.write_bytes(encode_status(status))
    os.replace(draft, path)


def read_status(path: Path) -> Status:
    """The document in a file, its age filled in from the host's monotonic clock.

    age_s is in real seconds; None where the document comes from another boot of this machine, or a
    clock that can't be compared. Raises StatusError if there is none.
    """
    try:
        status = decode_status(path.read_bytes())
    except OSError as err:
        raise StatusError(f"{path.name}: {err.strerror}") from err
    return with_age(status)


def with_age(status: Status) -> Status:
    """The same document with age_s as the host's monotonic clock tells it."""
    age_s = time.monotonic() - status.run.mono_s
    known = status.run.boot == boot_id() and age_s >= 0
    return msgspec.structs.replace(status, age_s=round(age_s, 1) if known else None)


def stale_after_s(status: Status) -> float:
    """The age [real s] beyond which the daemon counts as silent: max(60 s, 3 × interval)."""
    return max(60.0, 3 * status.run.interval_s / max(status.run.rate, 1.0))


def is_stale(status: Status) -> bool:
    """Whether the daemon has been silent for longer than stale_after_s; an unknown age is stale."""
    return status.age_s is None or status.age_s > stale_after_s(status)
