"""The bench's tables: what was measured, and what is asked of it ("Must hold")."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from tests.bench.course import PROGRESS, Course, Mark
from tests.bench.scoring import bootstrap, error_min, is_inside, mean_pinball

EASY_WIDTH = 0.10
"""Easy: the oracle's 10–90 % is narrower than this share of the duration."""
EXPERIENCED = 3
NEVER_P = 0.1
_BACK_ON_MIN = 10.0


@dataclass(frozen=True, slots=True)
class Scored:
    """A mark with the heat-up it belongs to."""

    course: Course
    mark: Mark

    @property
    def cluster(self) -> Hashable:
        return self.course.seed, self.course.setup_number

    @property
    def is_easy(self) -> bool | None:
        """None without an oracle."""
        if self.mark.oracle is None:
            return None
        low, _, high = self.mark.oracle
        if low is None or high is None:
            return False
        return high - low < EASY_WIDTH * self.mark.truth


def scored(courses: Sequence[Course]) -> list[Scored]:
    """Every mark of these courses."""
    return [Scored(course, mark) for course in courses for mark in course.marks]


# -- figures


def median_error(marks: Sequence[Scored], progress: float) -> float:
    """Median absolute error of the 50 % instant [min]."""
    return _median(error_min(s.mark.instants[1], s.mark.truth) for s in marks if s.mark.progress == progress)


def inside(marks: Sequence[Scored]) -> float:
    """Share of truths within 10–90 %."""
    return _mean(is_inside(s.mark.instants, s.mark.truth) for s in marks)


def loss(marks: Sequence[Scored]) -> float:
    """Pinball [min], mean of the three quantiles."""
    return _mean(mean_pinball(s.mark.instants, s.mark.truth) for s in marks)


def line_loss(marks: Sequence[Scored]) -> float:
    return _mean(mean_pinball((s.mark.line,) * 3, s.mark.truth) for s in marks)


def exponential_loss(marks: Sequence[Scored]) -> float:
    return _mean(mean_pinball((s.mark.exponential,) * 3, s.mark.truth) for s in marks)


def oracle_loss(marks: Sequence[Scored]) -> float:
    return _mean(mean_pinball(s.mark.oracle, s.mark.truth) for s in marks if s.mark.oracle is not None)


def oracle_inside(marks: Sequence[Scored]) -> float:
    return _mean(is_inside(s.mark.oracle, s.mark.truth) for s in marks if s.mark.oracle is not None)


def oracle_error(marks: Sequence[Scored], progress: float) -> float:
    return _median(
        error_min(s.mark.oracle[1], s.mark.truth)
        for s in marks
        if s.mark.progress == progress and s.mark.oracle is not None
    )


def error_ratio(marks: Sequence[Scored], progress: float) -> float:
    """Median error as a multiple of the oracle's, which counts as a minute at least."""
    return median_error(marks, progress) / max(1.0, oracle_error(marks, progress))


def false_never(marks: Sequence[Scored]) -> float:
    """Share of forecasts of heat-ups that got there in which that was given less than one in ten."""
    return _mean(s.mark.p_reach < NEVER_P for s in marks)


def core_inside(marks: Sequence[Scored]) -> float:
    """Share in which the core's 10–90 % held the simulated core."""
    return _mean(
        s.mark.core_c[0] <= s.mark.core_true_c <= s.mark.core_c[2] for s in marks if s.mark.core_c is not None
    )


def core_width_c(marks: Sequence[Scored]) -> float:
    return _median(s.mark.core_c[2] - s.mark.core_c[0] for s in marks if s.mark.core_c is not None)


def _mean(values: Iterator[float] | Iterator[bool]) -> float:
    found = [float(v) for v in values]
    return float(np.mean(found)) if found else math.nan


def _median(values: Iterator[float]) -> float:
    return _quantile(values, 0.5)


def _quantile(values: Iterator[float], share: float) -> float:
    """With infinite values among them; never between a finite and an infinite one."""
    found = sorted(values)
    return (
        float(np.quantile(found, share, method="inverted_cdf" if math.inf in found else "linear"))
        if (found)
        else math.nan
    )


# -- the forecasts


def everything(courses: Sequence[Course]) -> Iterator[str]:
    """All tables these courses allow."""
    runs = list(dict.fromkeys((c.signal, c.described) for c in courses))
    for signal, described in runs:
        of_run = [c for c in courses if (c.signal, c.described) == (signal, described)]
        yield from forecasts(of_run, f"signal {signal}" + ("" if described else ", not described"))
        yield ""
    yield from heater([c for c in courses if c.described and c.signal != "hand"])
    shown = [c for c in courses if c.shown is not None]
    if shown:
        yield ""
        yield from shown_text(shown)
    cuts = [cut for c in courses for cut in c.cuts]
    if cuts:
        yield ""
        changed, unasked = (sum(not getattr(c, which) for c in cuts) for which in ("same", "same_unasked"))
        yield (
            f"== causality: {len(cuts)} runs cut short, {changed} with another last forecast; "
            f"{unasked} with another if nobody asked on the way"
        )
    yield ""
    yield from must_hold(courses)


_HEAD = (
    f"{'':26} {'n':>4} {'median |error| 10/25/50/75 %':>29} {'line':>28} {'exponential':>28}  in  "
    f"{'pinball':>7} {'line':>6} {'expon':>6} {'never':>5}  core in (width)"
)


def forecasts(courses: Sequence[Course], title: str) -> Iterator[str]:
    """Errors, coverage and loss, whole and split."""
    marks = scored(courses)
    yield f"== forecasts, {title}: minutes; {len({s.cluster for s in marks})} setups"
    yield _HEAD
    for name, wanted in _splits(marks):
        picked = [s for s in marks if wanted(s)]
        if picked:
            yield _forecast_row(name, picked)
    judged = [s for s in marks if s.mark.oracle is not None]
    if judged:
        yield from _beside_oracle(judged)
    ms = [x for c in courses for x in c.forecast_ms]
    yield (
        f"forecast {np.median(ms):.1f} ms median, {np.quantile(ms, 0.95):.1f} ms at 95 %; "
        f"a row taken in {np.mean([c.observe_ms for c in courses]):.1f} ms mean"
    )


def _splits(marks: Sequence[Scored]) -> Iterator[tuple[str, Callable[[Scored], bool]]]:
    yield "all", _any
    yield "first of a setup", lambda s: s.course.learned == 0
    yield f"{EXPERIENCED} or more learned", _is_experienced
    yield "easy", lambda s: s.is_easy is True
    yield "hard", lambda s: s.is_easy is False
    for kind in sorted({s.course.kind for s in marks}):
        yield f"kind {kind}", lambda s, kind=kind: s.course.kind == kind  # type: ignore[misc]
    for seed, number in sorted({(s.course.seed, s.course.setup_number) for s in marks}):
        name = next(s.course.setup for s in marks if s.cluster == (seed, number))
        yield f"{seed} {name}"[:26], lambda s, key=(seed, number): s.cluster == key  # type: ignore[misc]


def _any(s: Scored) -> bool:
    return True


def _is_experienced(s: Scored) -> bool:
    return s.course.learned >= EXPERIENCED


def _forecast_row(name: str, marks: Sequence[Scored]) -> str:
    def four(of: Callable[[Mark], float | None]) -> str:
        return "/".join(
            f"{_median(error_min(of(s.mark), s.mark.truth) for s in marks if s.mark.progress == p):6.1f}"
            for p in PROGRESS
        )

    return (
        f"{name:26} {len(marks):4d} {four(lambda m: m.instants[1]):>29} {four(lambda m: m.line):>28} "
        f"{four(lambda m: m.exponential):>28} {inside(marks):5.2f} {loss(marks):7.1f} "
        f"{line_loss(marks):6.1f} {exponential_loss(marks):6.1f} {false_never(marks):5.3f} "
        f"{core_inside(marks):5.2f} ({core_width_c(marks):.1f} °C)"
    )


def _beside_oracle(marks: Sequence[Scored]) -> Iterator[str]:
    yield f"-- beside the oracle {'error':>32} {'product/oracle':>24}  in   pinball  product/oracle"
    for name, wanted in list(_splits(marks))[:5]:
        picked = [s for s in marks if wanted(s)]
        if not picked:
            continue
        errors = "/".join(f"{oracle_error(picked, p):6.1f}" for p in PROGRESS)
        ratios = "/".join(f"{error_ratio(picked, p):5.2f}" for p in PROGRESS)
        yield (
            f"{name:26} {errors:>27} {ratios:>24} {oracle_inside(picked):5.2f} {oracle_loss(picked):7.1f} "
            f"{loss(picked) / oracle_loss(picked):7.2f}"
        )


# -- the heater


def heating_at(course: Course, minute: float) -> bool | None:
    """What was thought of the heater then."""
    found = None
    for at, heating in course.heating:
        if at <= minute:
            found = heating
    return found


def stop_noticed_min(course: Course) -> float:
    """Minutes from a real, final stop until the heater counts as off; infinite where it never does."""
    assert course.fails is not None
    if heating_at(course, course.fails) is False:
        return 0.0
    return min(
        (at - course.fails for at, on in course.heating if on is False and at >= course.fails),
        default=math.inf,
    )


def given_up_min(course: Course) -> float:
    """Minutes from a real stop until the chance stays below NEVER_P; infinite where it never does."""
    assert course.fails is not None
    since = math.inf
    for look in course.looks:
        if look.t >= course.fails:
            since = math.inf if look.p_reach >= NEVER_P else min(since, look.t)
    return since - course.fails


def is_dead(course: Course) -> bool:
    return course.kind == "dead" and course.crossing is None and course.fails is not None


def is_short_stop(course: Course) -> bool:
    """An interruption that resumes before the crossing."""
    return (
        course.fails is not None
        and course.mends is not None
        and (course.crossing is None or course.mends < course.crossing)
    )


def called_never_while_stopped(course: Course) -> bool:
    """Whether an interruption that resumes was called never, up to ten minutes after it resumed."""
    assert course.fails is not None
    assert course.mends is not None
    until = course.mends + _BACK_ON_MIN
    return any(course.fails <= look.t <= until and look.p_reach < NEVER_P for look in course.looks)


def false_alarms(course: Course) -> int:
    """How often the heater counted as stopped while it really heated."""
    last = course.crossing if course.crossing is not None else course.end
    return sum(
        on is False and 0.5 < at <= last and not _stands_still(course, at) and before is True
        for (_, before), (at, on) in zip(course.heating, course.heating[1:], strict=False)
    )


def _stands_still(course: Course, minute: float) -> bool:
    if course.fails is None or minute < course.fails:
        return False
    return course.mends is None or minute <= course.mends + _BACK_ON_MIN


def heater(courses: Sequence[Course]) -> Iterator[str]:
    """What was noticed of the heater."""
    yield (
        "== heater: dead ones, noticed and given up (chance stays < 0.1) [min] median / 90 %; start noticed; "
        "false stops a heat-up"
    )
    yield (
        f"{'signal':9} dead  noticed      given up     start noticed  false stops (thermostat)  "
        "short stops: n, noticed, called never   look-alikes: n, called on"
    )
    for signal in dict.fromkeys(c.signal for c in courses):
        yield _heater_row(signal, [c for c in courses if c.signal == signal])
    called = [f"{c.kind} ({c.signal}, {c.seed} {c.setup})" for c in courses if c.alike and _called_on(c)]
    if called:
        yield f"look-alikes called on: {', '.join(called)}"


def _heater_row(signal: str, courses: Sequence[Course]) -> str:
    dead = [c for c in courses if is_dead(c)]
    short = [c for c in courses if is_short_stop(c) and not c.alike]
    alike = [c for c in courses if c.alike]
    plain = [c for c in courses if not c.alike]

    def two(values: list[float]) -> str:
        return f"{_quantile(iter(values), 0.5):5.1f}/{_quantile(iter(values), 0.9):5.1f}"

    steady = _mean(false_alarms(c) for c in plain if not c.thermostat)
    cycling = _mean(false_alarms(c) for c in plain if c.thermostat)
    noticed = sum(
        any(on is False and c.fails <= at <= c.mends for at, on in c.heating)
        for c in short
        if c.fails is not None and c.mends is not None
    )
    return (
        f"{signal:9} {len(dead):4d} {two([stop_noticed_min(c) for c in dead])} "
        f"{two([given_up_min(c) for c in dead])}   {two([_start_noticed(c) for c in plain]):14} "
        f"{steady:8.3f} ({cycling:.3f})"
        f"{'':14}{len(short):3d} {noticed:4d} {sum(map(called_never_while_stopped, short)):4d}"
        f"{'':22}{len(alike):3d} {sum(_called_on(c) for c in alike):4d}"
    )


def _start_noticed(course: Course) -> float:
    """Minutes from heater-on until it counts as heating."""
    if heating_at(course, 0.0) is True:
        return 0.0
    return min((at for at, on in course.heating if on is True and at >= 0), default=math.inf)


def _called_on(course: Course) -> bool:
    return any(on is True for _, on in course.heating)


# -- what is shown


def shown_text(courses: Sequence[Course]) -> Iterator[str]:
    """The announced text until the crossing."""
    yield (
        "== shown text: changes a heat-up median / 90 %; back and forth (A, B, A within 15 min) median / 90 %"
        ", share of heat-ups with more; share of shown ranges that held the truth, each heat-up alike"
    )
    for signal in dict.fromkeys(c.signal for c in courses):
        of_signal = [c for c in courses if c.signal == signal]
        changes = [float(c.shown.changes) for c in of_signal if c.shown is not None]
        back = [float(c.shown.back_and_forth) for c in of_signal if c.shown is not None]
        yield (
            f"{signal:9} {_quantile(iter(changes), 0.5):4.0f} /{_quantile(iter(changes), 0.9):4.0f}   "
            f"{_quantile(iter(back), 0.5):4.0f} /{_quantile(iter(back), 0.9):4.0f} /"
            f"{_mean(b > 1 for b in back):5.2f}"
            f"   {shown_held(of_signal):5.2f}"
        )


def shown_held(courses: Sequence[Course]) -> float:
    """Mean over heat-ups of the share of shown ranges that held the truth."""
    return _mean(c.shown.held / c.shown.ranges for c in courses if c.shown is not None and c.shown.ranges)


# -- must hold


@dataclass(frozen=True, slots=True)
class Demand:
    """One figure of the list. wanted: its bounds."""

    name: str
    wanted: tuple[float, float]
    of: Callable[[Sequence[Course]], float]
    pick: Callable[[Course], bool]


def demands() -> Iterator[Demand]:
    """What is asked, as in the issue; each figure with the bounds it must keep."""

    def measured(c: Course) -> bool:
        return c.signal == "measured" and c.described and not c.alike

    def of_marks(
        figure: Callable[[Sequence[Scored]], float], wanted: Callable[[Scored], bool]
    ) -> Callable[[Sequence[Course]], float]:
        return lambda courses: figure([s for s in scored(courses) if wanted(s)])

    def ratio_at(progress: float) -> Callable[[Sequence[Scored]], float]:
        return lambda marks: error_ratio([s for s in marks if s.mark.oracle is not None], progress)

    for p in PROGRESS:
        most = 1.5 if p <= 0.25 else 1.25
        name = f"error at {p:.0%}, of the oracle's, {EXPERIENCED} or more learned"
        yield Demand(name, (0, most), of_marks(ratio_at(p), _is_experienced), measured)
    yield Demand(
        f"pinball, of the oracle's, {EXPERIENCED} or more learned",
        (0, 1.25),
        of_marks(
            lambda m: loss(m) / oracle_loss(m), lambda s: _is_experienced(s) and s.mark.oracle is not None
        ),
        measured,
    )
    for name, low, high, wanted in (
        ("overall", 0.76, 0.86, _is_experienced),
        ("easy", 0.70, 0.92, lambda s: _is_experienced(s) and s.is_easy is True),
        ("hard", 0.65, 0.90, lambda s: _is_experienced(s) and s.is_easy is False),
    ):
        yield Demand(
            f"inside 10–90 %, {name}, {EXPERIENCED} or more learned",
            (low, high),
            of_marks(inside, wanted),
            measured,
        )
    yield Demand(
        "pinball of a setup's first, of the line's",
        (0, 0.5),
        of_marks(lambda m: loss(m) / line_loss(m), lambda s: s.course.learned == 0),
        measured,
    )
    yield Demand("never of those that get there", (0, 0.01), of_marks(false_never, _any), measured)
    yield Demand("core inside its range", (0.8, 1), of_marks(core_inside, _any), measured)
    for p, most in zip(PROGRESS, (8, 5.5, 3.8, 2.6), strict=True):
        yield Demand(
            f"aim: error at {p:.0%} [min], all",
            (0, most),
            of_marks(partial(median_error, progress=p), _any),
            measured,
        )
    yield Demand("aim: pinball [min], all", (0, 6.5), of_marks(loss, _any), measured)
    yield Demand("aim: inside, all", (0.75, 0.87), of_marks(inside, _any), measured)
    for p, most in zip(PROGRESS, (14, 8.5, 5.5, 3), strict=True):
        yield Demand(
            f"aim: no signal, error at {p:.0%} [min]",
            (0, most),
            of_marks(partial(median_error, progress=p), _any),
            _has("none"),
        )
    yield Demand("inside, read by hand", (0.75, 0.90), of_marks(inside, _any), _has("hand"))
    stops: tuple[tuple[str, float | None, float], ...] = (
        ("measured", 1, 1),
        ("command", 5, 15),
        ("none", None, 20),
    )
    for signal, median, ninety in stops:
        for share, at_most in ((0.5, median), (0.9, ninety)):
            if at_most is not None:
                yield Demand(
                    f"stop noticed, {signal}, {share:.0%} [min]",
                    (0, at_most),
                    lambda cs, share=share: _quantile(  # type: ignore[misc]
                        (stop_noticed_min(c) for c in cs if is_dead(c)), share
                    ),
                    _has(signal),
                )
    for signal in ("measured", "command", "none"):
        yield Demand(
            f"given up, {signal}, 50 % [min]",
            (0, 30),
            lambda cs: _median(given_up_min(c) for c in cs if is_dead(c)),
            _has(signal),
        )
        yield Demand(
            f"short stops not called never, {signal}",
            (0.98, 1),
            lambda cs: _mean(not called_never_while_stopped(c) for c in cs if is_short_stop(c)),
            _has(signal),
        )
        yield Demand(
            f"look-alikes called heater on, {signal}",
            (0, 0),
            lambda cs: _mean(_called_on(c) for c in cs),
            lambda c, signal=signal: c.signal == signal and c.described and c.alike,  # type: ignore[misc]
        )
    yield Demand(
        "text changes, median", (0, 8), lambda cs: _median(c.shown.changes for c in cs if c.shown), measured
    )
    yield Demand(
        "text back and forth, median",
        (0, 1),
        lambda cs: _median(c.shown.back_and_forth for c in cs if c.shown),
        measured,
    )
    yield Demand("shown range holds the truth", (0.78, 1), shown_held, measured)


def _has(signal: str) -> Callable[[Course], bool]:
    return lambda c: c.signal == signal and c.described and not c.alike


def must_hold(courses: Sequence[Course], rounds: int = 400) -> Iterator[str]:
    """Each figure asked for, with its 90 % interval over setups drawn anew."""
    yield "== must hold: figure, 90 % interval over setups (bootstrap), what is asked"
    for demand in demands():
        picked = [c for c in courses if demand.pick(c)]
        figure = demand.of(picked) if picked else math.nan
        if math.isnan(figure):
            continue
        low, high = bootstrap(picked, lambda c: (c.seed, c.setup_number), demand.of, rounds)
        least, most = demand.wanted
        kept = "" if least <= figure <= most else "  <-- not held"
        yield f"{demand.name:52} {figure:8.3f}  ({low:7.3f} … {high:7.3f})  {least:g} … {most:g}{kept}"
