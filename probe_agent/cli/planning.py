"""Commands for planned engine starts."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from probe_agent import words
from probe_agent.cli.group import (
    Count,
    Number,
    main,
    settings_of,
    settings_option,
    store_of,
    store_option,
    tell,
    zone_of,
)
from probe_agent.config import CERTAINTIES
from probe_agent.store import StoreError


def plan_options(command: Callable[..., None]) -> Callable[..., None]:
    """What a plan may say beside its start."""
    for option in (
        click.option("--uncovered-min", type=Number(0, 180), help="Heater off to engine start [min]."),
        click.option("--travel-min", type=Number(0, 600), help="Way of whoever switches it on [min]."),
        click.option(
            "--certainty",
            type=click.Choice(list(CERTAINTIES)),
            help="On how many mornings the start is to be kept (default: the settings').",
        ),
        store_option,
        settings_option,
    ):
        command = option(command)
    return command


def _wishes(**said: Any) -> dict[str, Any]:
    """A command's body: what was said, nothing for what wasn't."""
    return {name: value for name, value in said.items() if value is not None}


@main.command()
@plan_options
@click.argument("start", metavar="YYYY-MM-DDTHH:MM")
def plan(settings_file: Path | None, store_file: Path | None, start: str, **wishes: Any) -> None:
    """Plan an engine start, on the field's clock: probe-agent plan 2026-12-05T09:00

    One plan belongs to one departure; nothing repeats by itself. It answers whether heat is needed, when it
    must go on at the latest, and what that rests on.
    """
    tell(settings_file, store_file, "plan", _wishes(start=start, **wishes))


@main.command(name="what-if")
@plan_options
@click.argument("start", metavar="[YYYY-MM-DDTHH:MM]", required=False)
def what_if(settings_file: Path | None, store_file: Path | None, start: str | None, **wishes: Any) -> None:
    """Ask what a plan would say; without a start, for the earliest one. Plans nothing."""
    tell(settings_file, store_file, "what-if", _wishes(start=start, **wishes))


@main.command()
@settings_option
@store_option
def plans(settings_file: Path | None, store_file: Path | None) -> None:
    """The planned departures, the next one first."""
    from probe_agent.departures import kept_departures

    settings, file = settings_of(settings_file), store_of(settings_file, store_file)
    zone, now_at = zone_of(settings), time.time()
    try:
        found = kept_departures(file, now_at)
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    for shown in found:
        click.echo(f"{shown.departure}  {words.plan_line(shown, zone, now_at)}")
    if not found:
        click.echo("No departure is planned. probe-agent plan 2026-12-05T09:00 plans one.")


@main.command()
@settings_option
@store_option
@click.argument("number", type=Count())
@click.argument("start", metavar="YYYY-MM-DDTHH:MM")
def move(settings_file: Path | None, store_file: Path | None, number: int, start: str) -> None:
    """Give a planned departure another start; plans shows the numbers."""
    tell(settings_file, store_file, "move-departure", {"departure": number, "start": start})


@main.command(name="timer-set")
@settings_option
@store_option
@click.option("--at", metavar="YYYY-MM-DDTHH:MM", help="What it is set to, if not what was planned.")
@click.argument("number", type=Count())
def timer_set(settings_file: Path | None, store_file: Path | None, at: str | None, number: int) -> None:
    """The timer is set and you leave: from then on only the start moves."""
    tell(settings_file, store_file, "timer-set", _wishes(departure=number, at=at))


@main.command()
@settings_option
@store_option
@click.argument("number", type=Count())
@click.argument("outcome", metavar="OUTCOME", type=click.Choice(["started", "did-not-start", "not-flying"]))
def departure(settings_file: Path | None, store_file: Path | None, number: int, outcome: str) -> None:
    """Say what came of a planned departure: started, did-not-start (heat again) or not-flying.

    plans shows the numbers.
    """
    kind = "cancel-departure" if outcome == "not-flying" else outcome
    tell(settings_file, store_file, kind, {"departure": number})
