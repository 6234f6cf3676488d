"""Commands on the record and on recordings: what heat-ups taught and what became of them."""

from __future__ import annotations

import os
import sqlite3
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click
import msgspec

from probe_agent import words
from probe_agent.cli.group import (
    CELSIUS,
    Count,
    Names,
    Number,
    columns,
    date_of,
    main,
    settings_of,
    settings_option,
    store_of,
    store_option,
    tell,
    zone_of,
)
from probe_agent.clock import SystemClock
from probe_agent.status import utc_text
from probe_agent.store import Reader, StoreError


@main.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE.csv...")
@click.option("--target-c", type=CELSIUS, required=True, help="Target for the coldest required place [°C].")
@click.option("--required", type=Names(), help="Required columns (default: every place of the file).")
@click.option("--ignore", type=Names(), default="", help="Columns to pass over.")
@click.option(
    "--heater",
    "heater_mode",
    type=click.Choice(["measured", "command", "none"]),
    default="measured",
    show_default=True,
    help="The heater column was measured, is what was commanded, or is to be left unread.",
)
@click.option("--every", "every_s", type=Number(1, 600), help="At most one line in so many seconds of data.")
@click.option(
    "--learn", is_flag=True, help="The files are successive heat-ups of one setup; each teaches the next."
)
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Settings that describe the engine and its setup; without them the prior is wide.",
)
def replay(
    files: tuple[str, ...],
    target_c: float,
    required: tuple[str, ...] | None,
    ignore: tuple[str, ...],
    heater_mode: Any,
    every_s: float | None,
    learn: bool,
    settings_file: Path | None,
) -> None:
    """Forecast recorded heat-ups, one JSON object a line, as if each row had just arrived.

    FILE.csv has columns time,<place…>,ambient,heater; - is standard input. time in ISO 8601 or seconds,
    °C, empty = missing, heater 0 = off. It touches no store and asks no daemon.
    """
    from probe_agent import replay as recorded
    from probe_agent.probes.recording import RecordingError

    settings = settings_of(settings_file) if settings_file is not None else None
    options = recorded.Options(target_c, required, ignore, heater_mode, every_s, learn, settings)
    try:
        recorded.replay(files, options, _print_line, _progress())
    except (RecordingError, ValueError) as err:
        raise click.ClickException(str(err)) from err


def _print_line(line: str) -> None:
    """One line at once, also into a pipe; a reader that has gone ends the program quietly."""
    try:
        print(line, flush=True)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None


def _progress() -> Callable[[str, float], None] | None:
    """Progress on standard error where that is a terminal and the lines go elsewhere."""
    if not sys.stderr.isatty() or sys.stdout.isatty():
        return None
    shown = [0.0]

    def say(name: str, t_s: float) -> None:
        now = time.monotonic()
        if now - shown[0] >= 0.5:
            shown[0] = now
            print(f"\r{name}: {t_s / 3600:.1f} h ", end="", file=sys.stderr, flush=True)

    return say


@main.command()
@settings_option
@store_option
@click.option("--note", help="Why, for the record.")
@click.argument("heatup", type=Count())
def exclude(settings_file: Path | None, store_file: Path | None, note: str | None, heatup: int) -> None:
    """Leave a heat-up out of what is learned; nothing of it is deleted. score shows the numbers.

    For one in which somebody opened the cowl, moved a probe, or tried another heater.
    """
    body = {"heatup": heatup, "excluded": True, "note": note}
    tell(settings_file, store_file, "exclude-heatup", body)


@main.command()
@settings_option
@store_option
@click.argument("heatup", type=Count())
def include(settings_file: Path | None, store_file: Path | None, heatup: int) -> None:
    """Take a heat-up in again that was left out of what is learned."""
    tell(settings_file, store_file, "exclude-heatup", {"heatup": heatup, "excluded": False})


@main.command()
@settings_option
@store_option
def learn(settings_file: Path | None, store_file: Path | None) -> None:
    """Work out anew what the kept heat-ups of this setup teach, from their raw readings.

    A daemon may be running on the same store; it goes on with the new memory by itself.
    """
    from probe_agent import learning

    settings, file = settings_of(settings_file), store_of(settings_file, store_file)
    zone = zone_of(settings)
    try:
        course, all_ended = learning.course_for(settings, file)
        known = learning.catch_up(
            file,
            course,
            lambda progress: click.echo(_progress_line(progress, zone)),
            afresh=True,
            all_ended=all_ended,
        )
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    heat_ups = known.memory.heat_ups if known.memory else 0
    click.echo(f"The range of setup {course.setup.name} rests on {words.heat_ups(heat_ups)}.")


def _progress_line(progress: Any, zone: str) -> str:
    heatup = progress.heatup
    said = words.taught(progress.lesson, heatup.excluded)
    day = date_of(heatup.started_at, zone)
    return f"{progress.done} of {progress.of}: heat-up {heatup.heatup}, {day}: {said}."


@main.command()
@settings_option
@store_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the table.")
def score(settings_file: Path | None, store_file: Path | None, as_json: bool) -> None:
    """How the forecasts of this setup's heat-ups were borne out, a heat-up a row.

    25, 50, 75 %: of the time from heater-on to above target; by how many minutes the forecast that stood
    then was late (+) or early (-), with * where the truth lay outside its range.
    """
    from probe_agent import learning

    settings, file = settings_of(settings_file), store_of(settings_file, store_file)
    try:
        course, _ = learning.course_for(settings, file)
        rows, known = learning.scored(file, course)
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    record = known.record
    within_min = None if record is None or record.within_s is None else record.within_s / 60
    sentence = words.borne_out(record.heat_ups, within_min, record.inside) if record else None
    if as_json:
        table = [{"started": utc_text(row.started_at), **msgspec.to_builtins(row)} for row in rows]
        summary = {"setup": course.setup.name, "sentence": sentence, "record": record, "heat_ups": table}
        click.echo(msgspec.json.encode(summary).decode())
        return
    if not rows:
        click.echo("No heat-up of this setup has ended yet. Each one that does gets a row here.")
        return
    for line in _score_table(rows, zone_of(settings)):
        click.echo(line)
    click.echo(sentence or "None of them reached its target with a forecast to judge.")


@main.command()
@settings_option
@store_option
@click.option("--last", type=click.IntRange(1, 1000), default=30, show_default=True, help="How many.")
def outings(settings_file: Path | None, store_file: Path | None, last: int) -> None:
    """What became of each heat-up and absence of the harness, and what that rests on; newest first."""
    from probe_agent import logbook

    file, now_at = store_of(settings_file, store_file), SystemClock().utc()
    settings = settings_of(settings_file, needed=store_file is None)
    zone, unit = zone_of(settings), settings.messages.unit
    try:
        reader = Reader(file)
        try:
            found, counted = reader.outings(last), logbook.counted(reader.came_of_heatups())
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    if not found:
        click.echo(
            "Nothing is kept yet. A heat-up begins a row, and so does the harness when it is unplugged."
        )
        return
    for o in found:
        of = "" if o.heatup is None else f", heat-up {o.heatup}"
        of += "" if o.departure is None else f", departure {o.departure}"
        click.echo(f"{o.number}  {date_of(o.began_at, zone)}{of}: {words.outing_kind(o.kind)}")
        click.echo(f"   rests on: {words.outing_rests_on(o, zone, now_at, unit)}")
    click.echo(words.since_flight(counted.hot_at, counted.without, counted.unknown, now_at))


def _score_table(rows: Sequence[Any], zone: str) -> list[str]:
    head = ("no", "started", "warm-up", *(f"{p} %" for p in (25, 50, 75)), "lesson")
    table = [head]
    for row in rows:
        judged = {s.percent: s for s in row.scores}
        warm_up = "-" if row.warm_up_min is None else f"{row.warm_up_min:.0f} min"
        cells = (_score_cell(judged.get(p)) for p in (25, 50, 75))
        learned = words.taught(row.lesson, row.excluded)
        table.append((str(row.heatup), date_of(row.started_at, zone), warm_up, *cells, learned))
    return columns(table)


def _score_cell(judged: Any) -> str:
    if judged is None:
        return "-"
    error = "never" if judged.error_s is None else f"{judged.error_s / 60:+.0f}"
    return error + ("" if judged.inside else " *")
