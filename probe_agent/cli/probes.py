"""Commands on probes: which sits where and how it answered, checks against what they should read,
corrections, and undoing them."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from probe_agent import words
from probe_agent.cli.group import (
    CELSIUS,
    Count,
    Number,
    columns,
    date_of,
    main,
    number_of,
    settings_of,
    settings_option,
    store_of,
    store_option,
    tell,
    zone_of,
)
from probe_agent.corrections import CHECKS
from probe_agent.store import Check, Reader, StoreError

WAIT_S = 120.0
ANSWERED_S = 86_400.0


@main.command(name="probes")
@settings_option
@store_option
def probes_(settings_file: Path | None, store_file: Path | None) -> None:
    """Which probe sits at which place, and how each answered in the last 24 hours."""
    try:
        reader = Reader(store_of(settings_file, store_file))
        try:
            bindings, found = reader.bindings(), reader.answered(time.time() - ANSWERED_S)
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    for line in columns([("place", "probe"), *((place, address) for place, _, address in bindings)]):
        click.echo(line)
    for told in found:
        click.echo(words.answered(told.place, told.rows, told.faults))


@main.command()
@settings_option
@store_option
@click.option("--reads-c", type=CELSIUS, help="What the thermometer read [°C]: contact, flange.")
@click.option(
    "--spot", "spots", multiple=True, metavar="PLACE=C", help="A spot [°C]: infrared, at least three."
)
@click.option("--pressure-hpa", type=Number(0, 2000), help="Pressure at the field [hPa]: boiling.")
@click.argument("kind", metavar="KIND", type=click.Choice(CHECKS))
@click.argument("place", required=False, default="")
def compare(
    settings_file: Path | None,
    store_file: Path | None,
    reads_c: float | None,
    spots: tuple[str, ...],
    pressure_hpa: float | None,
    kind: str,
    place: str,
) -> None:
    """Compare probes with what they should read; nothing is changed by it. correct accepts what it proposes.

    KIND is cold-soak, ice, boiling, contact, infrared or flange; PLACE the probe in the bath or beside the
    thermometer. Raw readings are never changed.
    """
    body: dict[str, Any] = {"kind": kind, "place": place, "c": reads_c, "pressure_hpa": pressure_hpa}
    body["spots_c"] = dict(map(_spot, spots))
    before = _last(settings_file, store_file)
    tell(settings_file, store_file, "check-probes", body)
    found = _finished(settings_file, store_file, before)
    if found is None:
        raise click.ClickException("It is not done yet. The page shows when it is.")
    settings = settings_of(settings_file, needed=store_file is None)
    for line in _lines(found, zone_of(settings), settings.messages.unit):
        click.echo(line)


def _spot(text: str) -> tuple[str, float]:
    place, _, value = text.partition("=")
    number = number_of(value)
    if number is None:
        raise click.BadParameter(f"{text}: write it as cyl-1=-4.5", param_hint="--spot")
    return place, number


def _last(settings_file: Path | None, store_file: Path | None) -> Check | None:
    try:
        reader = Reader(store_of(settings_file, store_file))
        try:
            return reader.check()
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err


def _finished(settings_file: Path | None, store_file: Path | None, before: Check | None) -> Check | None:
    """The check once it has come to an end; None where it takes too long."""
    pause, give_up_at = threading.Event(), time.monotonic() + WAIT_S
    while time.monotonic() < give_up_at:
        found = _last(settings_file, store_file)
        if found is not None and found != before and found.state != "working":
            return found
        pause.wait(0.3)
    return None


def _lines(found: Check, zone: str, unit: words.Unit) -> Iterator[str]:
    """What a check says, line by line."""
    if found.why:
        yield f"It can't be said: {found.why}."
    yield from (words.why_no_check(why, zone, found.asked_at, unit) for why in found.reasons)
    if found.beyond:
        yield words.beyond_limit(found.beyond, found.limit_c, unit)
    if found.core_c is not None and found.said_c is not None:
        yield words.flange_sentence(found.said_c, found.core_c, unit)
    if found.found:
        rows = [("probe", "reads", "should", "correct by")]
        for c in found.found:
            change = words.degrees(c.wanted_c - c.offset_c, unit) if c.wanted_c != c.offset_c else "stays"
            reads, should = words.tenths(c.reads_c, unit), words.tenths(c.should_c, unit)
            rows.append((words.place_name(c.place), reads, should, change))
        yield from columns(rows)
    if found.shifted is not None:
        yield words.shift_sentence(found.shifted)
    if found.state == "done" and found.changing:
        yield "Nothing is changed yet. probe-agent correct accepts it."
    elif found.state == "done" and found.found:
        yield words.nothing_to_correct(found.kind)


@main.command()
@settings_option
@store_option
def correct(settings_file: Path | None, store_file: Path | None) -> None:
    """Correct probes as the last check proposes. uncorrect takes it back."""
    found = _last(settings_file, store_file)
    if found is None:
        raise click.ClickException(
            "No check is kept, or corrections have changed since. probe-agent compare makes one."
        )
    if found.state == "working":
        raise click.ClickException("The last check is being worked out. Wait until it is done.")
    if found.state != "done":
        raise click.ClickException(
            "The last check came to nothing that could be accepted. probe-agent compare makes another."
        )
    tell(settings_file, store_file, "accept-correction", {"asked_at": found.asked_at})


@main.command()
@settings_option
@store_option
@click.argument("correction", type=Count())
def uncorrect(settings_file: Path | None, store_file: Path | None, correction: int) -> None:
    """Undo a correction and those accepted together with it. corrections shows the numbers."""
    tell(settings_file, store_file, "undo-correction", {"correction": correction})


@main.command()
@settings_option
@store_option
def corrections(settings_file: Path | None, store_file: Path | None) -> None:
    """Every correction of a probe: since when, by how much, what it rests on; newest first."""
    settings = settings_of(settings_file, needed=store_file is None)
    zone, unit = zone_of(settings), settings.messages.unit
    try:
        reader = Reader(store_of(settings_file, store_file))
        try:
            found = reader.corrections()
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    if not found:
        click.echo("No probe is corrected. probe-agent compare cold-soak compares them after a cold night.")
        return
    for line in columns(
        [
            (
                str(c.number),
                date_of(c.from_at, zone),
                words.place_name(c.place) if c.place else c.address,
                words.degrees(c.offset_c, unit),
                c.reason,
                "in force" if c.in_force else "undone" if c.undone_at is not None else "replaced",
            )
            for c in found
        ]
    ):
        click.echo(line)
