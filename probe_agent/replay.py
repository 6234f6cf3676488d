"""Recorded heat-ups through the same physics as the daemon's, as a stream: a row in, a line out.

The pure path: no store, no broker, no clock.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from probe_agent import supervisor
from probe_agent.config import NEVER_COLDEST, Settings, may_be_coldest, with_target
from probe_agent.probes.recording import RecordingError, Row, Rows, open_recording, read_rows, stream_lines
from probe_agent.readings import Fault, Forecast, Point
from probe_agent.thermal.described import observation_of, physics_places, prior_of
from probe_agent.thermal.estimator import Estimator
from probe_agent.thermal.heating import HeaterMode
from probe_agent.thermal.memory import Memory

_SHORTEST_S, _LONGEST_S = 1.0, 600.0

Out = Callable[[str], None]
Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Options:
    """What a replay was asked for.

    required: None for every place of the file. every_s: at most one line in that span of data; None for
    a line a row. learn: the files are successive heat-ups of one setup.
    """

    target_c: float
    required: tuple[str, ...] | None = None
    ignore: tuple[str, ...] = ()
    heater_mode: HeaterMode = "measured"
    every_s: float | None = None
    learn: bool = False
    settings: Settings | None = None

    def __post_init__(self) -> None:
        if self.every_s is not None and not _SHORTEST_S <= self.every_s <= _LONGEST_S:
            raise ValueError(f"every must lie between {_SHORTEST_S:g} and {_LONGEST_S:g} seconds")


def replay(
    paths: Sequence[str | Path], options: Options, out: Out, progress: Progress | None = None
) -> Memory | None:
    """Write one JSON object for each row (or each `every_s`) to `out`, as soon as the row was read.

    Args:
        paths: recordings; `-` is standard input.
        out: takes one line without its end; must not hold it back.
        progress: told each file's name and the run seconds done.

    Returns what was learned, None without `learn`. Raises RecordingError for a file that can't be used.
    """
    memory: Memory | None = None
    for path in paths:
        run = _Run.of(path, options, memory)
        for line in run.lines(progress):
            out(line)
        if options.learn:
            memory = run.estimator.taught()
    return memory


def parse(lines: Iterable[str], name: str, options: Options, memory: Memory | None = None) -> Iterator[str]:
    """The JSON lines of one recording given as text lines."""
    return _Run(read_rows(lines, name, options.ignore), name, options, memory).lines(None)


@dataclass(slots=True)
class _Run:
    """One recording on its way through estimator and supervisor."""

    rows: Rows
    name: str
    options: Options
    memory: Memory | None
    required: tuple[str, ...] = field(init=False)
    estimator: Estimator = field(init=False)
    rules: supervisor.Rules = field(init=False)
    watch: supervisor.Watch = field(init=False, default_factory=supervisor.Watch)
    forecast: Forecast = field(init=False, default_factory=lambda: Forecast(0.0))

    @staticmethod
    def of(path: str | Path, options: Options, memory: Memory | None) -> _Run:
        if str(path) == "-":
            lines, name = stream_lines(0), "standard input"
        else:
            lines, name = _lines_of(Path(path)), Path(path).name
        return _Run(read_rows(lines, name, options.ignore), name, options, memory)

    def __post_init__(self) -> None:
        options = self.options
        wanted = options.required if options.required is not None else self.rows.places
        absent = [p for p in wanted if p not in self.rows.places]
        if absent and options.settings is None:
            raise RecordingError(
                f"{self.name}: no column {absent[0]} among {', '.join(self.rows.places)}. "
                "Require only places the file has."
            )
        self.required = tuple(p for p in wanted if p not in NEVER_COLDEST)
        if not self.required:
            raise RecordingError(f"{self.name}: no place is required that can be coldest. Name one.")
        settings = options.settings if options.settings is not None else Settings()
        self.rules = supervisor.rules_of(with_target(settings, options.target_c))
        self.estimator = Estimator(
            physics_places((*self.rows.places, *self.required)),
            self.required,
            self.rules.target_c,
            self.rules.need_c,
            prior_of(options.settings, self.rows.places),
            self.memory,
            options.heater_mode,
        )

    def lines(self, progress: Progress | None) -> Iterator[str]:
        """A line for each row that is due, as the rows come."""
        said_s: float | None = None
        for row in self.rows:
            heater = None if self.options.heater_mode == "none" else row.heater
            self.estimator.observe(observation_of(row.t_s, row.values, row.ambient, heater))
            every = self.options.every_s
            due = said_s is None or every is None or row.t_s - said_s >= every
            self.forecast = self.estimator.forecast() if due else self.estimator.glance(self.forecast)
            self._supervise(row)
            if due:
                said_s = row.t_s
                yield json.dumps(self._line(row))
            if progress is not None:
                progress(self.name, row.t_s)

    def _supervise(self, row: Row) -> None:
        points = points_of(row.values, self.required, self.forecast)
        facts = supervisor.Facts(row.t_s, supervisor.doubt(points, self.forecast), self.forecast)
        self.watch = supervisor.step(self.watch, facts, self.rules).watch

    def _line(self, row: Row) -> dict[str, Any]:
        forecast = self.forecast

        def instant(t_s: float | None) -> str | float | None:
            return None if t_s is None else _stamp(row, row.time_s + (t_s - row.t_s))

        line: dict[str, Any] = {
            "run": self.name,
            "time": _stamp(row, row.time_s),
            "coldest": forecast.coldest,
            "coldest_c": _rounded(forecast.coldest_c),
            "above_p10": instant(forecast.above_p10),
            "above_p50": instant(forecast.above_p50),
            "above_p90": instant(forecast.above_p90),
            "p_reach": round(forecast.p_reach, 3),
            "core_c": [round(c, 2) for c in forecast.core_c] if forecast.core_c else None,
            "heating": forecast.heating,
            "state": self.watch.state.value if self.watch.state else None,
        }
        if forecast.heater_off_at is not None:
            line["below_p10"] = instant(forecast.below_p10)
            line["below_p50"] = instant(forecast.below_p50)
            line["below_p90"] = instant(forecast.below_p90)
        return line


def points_of(
    values: Mapping[str, float | None], required: Sequence[str], forecast: Forecast
) -> tuple[Point, ...]:
    """The points of a recorded row."""
    trends = forecast.trends_c_per_h
    return tuple(
        Point(
            place,
            "ok" if value is not None else Fault.MISSING.value,
            value,
            0.0 if value is not None else None,
            trends.get(place),
            place in required and may_be_coldest(place, False),
        )
        for place, value in (dict.fromkeys(required) | dict(values)).items()
    )


def _lines_of(path: Path) -> Iterator[str]:
    fd = open_recording(path)
    try:
        yield from stream_lines(fd)
    finally:
        os.close(fd)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _stamp(row: Row, time_s: float) -> str | float:
    """An instant in the file's own manner: UTC in ISO 8601 ending in Z, or seconds."""
    if not row.is_iso:
        return round(time_s, 3)
    stamp = datetime.fromtimestamp(time_s, UTC)
    text = stamp.isoformat(timespec="milliseconds" if stamp.microsecond >= 1000 else "seconds")
    return text.removesuffix("+00:00") + "Z"
