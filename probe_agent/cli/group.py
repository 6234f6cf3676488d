"""The group of commands, what many of them take, and how they ask the daemon."""

from __future__ import annotations

import importlib.metadata
import importlib.resources
import json
import math
import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from probe_agent.config import Settings, SettingsError, load_settings, refuse_unwatched
from probe_agent.status import Status, StatusError, read_status
from probe_agent.store import StoreError, ask, await_answer

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
"""Before numpy is imported: with more threads its small matrices cost several times the processor time."""

DEFAULT_SETTINGS = Path("/etc/probe-agent/settings.toml")


def build() -> str:
    """The installed version."""
    try:
        return importlib.metadata.version("probe-agent")
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


def example_settings() -> str:
    """The commented example settings as text."""
    packaged = importlib.resources.files("probe_agent") / "example.toml"
    if packaged.is_file():
        return packaged.read_text("utf-8")
    return (Path(__file__).parents[2] / "deploy" / "example.toml").read_text("utf-8")


def settings_of(path: Path | None, needed: bool = True, watched: bool = False) -> Settings:
    """Settings of a file; without --settings those of the usual place, or none where they aren't needed.

    watched: the daemon is to watch by them. Raises ClickException with the refusal.
    """
    if path is None and not DEFAULT_SETTINGS.exists():
        if needed:
            raise click.ClickException(
                f"{DEFAULT_SETTINGS} is not there. Write one (probe-agent example > settings.toml shows "
                f"every key) and name it with --settings."
            )
        return Settings()
    try:
        file = path or DEFAULT_SETTINGS
        settings = load_settings(file)
        if watched:
            refuse_unwatched(settings, str(file))
        return settings
    except SettingsError as err:
        raise click.ClickException(str(err)) from err


settings_option = click.option(
    "--settings",
    "settings_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help=f"Settings file (default: {DEFAULT_SETTINGS}).",
)
store_option = click.option(
    "--store",
    "store_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Store, instead of the settings'.",
)


class Number(click.FloatRange):
    """A number within bounds; nan and inf are none, though float() takes them."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number = number_of(str(value))
        if number is None:
            self.fail(f"'{value}' is no number. Write one like -5.5", param, ctx)
        return float(super().convert(number, param, ctx))


class Count(click.IntRange):
    """The number of something kept: 1 to nine digits, as in the page's forms."""

    name = "whole number"

    def __init__(self) -> None:
        super().__init__(1, 999_999_999)


CELSIUS = Number(-200.0, 1400.0)
"""[°C], as far as a recording's cells may go."""


def number_of(text: str) -> float | None:
    """A number as people type it, with a comma or a typographic minus too; None where it is none."""
    try:
        number = float(text.replace(",", ".").replace("−", "-"))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


class Speed(click.ParamType[float]):
    """How many times as fast as life: a number above 0, or max."""

    name = "N|max"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if value == "max":
            return math.inf
        try:
            speed = float(value)
        except (TypeError, ValueError):
            speed = math.nan
        if not 0 < speed < math.inf:
            self.fail(f"{value} is not a speed. Give a number above 0, or max.", param, ctx)
        return speed


class Names(click.ParamType[tuple[str, ...]]):
    """Names separated by commas."""

    name = "a,b"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, ...]:
        if isinstance(value, tuple):
            return value
        return tuple(n.strip() for n in str(value).split(",") if n.strip())


class Commands(click.Group):
    """The commands. A file that is closed to whoever gives one is told with the way to it, whichever came
    upon it: on a board settings and record are the daemon's."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except PermissionError as err:
            raise click.ClickException(reason_of(err)) from err


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(build(), prog_name="probe-agent")
def main() -> None:
    """Watch a cold engine being preheated: read probes, forecast, keep the record, tell the pilot.

    \b
    probe-agent example > settings.toml     settings to start from, each line explained
    probe-agent run --settings FILE         the daemon
    probe-agent try                         the daemon on a simulated engine, many times as fast
    probe-agent enter cyl-3 -5.5            a temperature read by hand
    probe-agent received 482913             answers a test message
    probe-agent replay FILE.csv --target-c 7.2   forecasts for a recorded heat-up
    probe-agent score                       how earlier forecasts were borne out
    probe-agent weather                     the weather heard, and the air expected at the aircraft
    probe-agent exclude 7                   leave a heat-up out of what is learned; include takes it in again
    probe-agent learn                       work out anew what the kept heat-ups teach
    probe-agent check                       looks the board over: bus, probes, clock, disk, broker, messages
    probe-agent identify                    which probe is which: warm one by hand, it asks for its place
    probe-agent compare cold-soak           probes compared after a cold night; correct accepts it
    probe-agent bind                        which probe sits where; bind ADDRESS=PLACE changes it
    probe-agent setups                      what a sister ship's heat-ups taught: export, import, undo
    probe-agent set                         settings that may be changed without the file; set NAME VALUE
    probe-agent outings                     what became of each heat-up; flew flown-hot says it
    probe-agent record                      heat, cost, water from the oil and flights of a season; --csv
    probe-agent why                         bearing clearance and oil of this engine now
    probe-agent plan 2026-12-05T09:00       plan an engine start; plans lists them, what-if only asks
    probe-agent switch on                   the heater, by the plug; off, lock, unlock, test-plug-timer
    probe-agent pair                        a code that lets one phone act; --viewer: only look
    probe-agent sessions                    which phones are paired; unpair 3 ends one
    probe-agent backup TO                   record and settings into a folder; restore FROM brings them back
    probe-agent-web                         the page for the phone

    It watches and tells; it does not replace looking at the engine. Engine and heater manuals, local
    codes and licensed people come first.
    """


@main.command()
def example() -> None:
    """Print example settings, each line explained."""
    click.echo(example_settings(), nl=False)


def status_of(settings: Settings) -> Status | None:
    """The daemon's status document; None where there is none, or none that can be used.

    Raises PermissionError where it is closed to this user: that says nothing of the daemon.
    """
    try:
        return read_status(Path(settings.store.runtime_dir) / "status.json")
    except StatusError as err:
        if isinstance(err.__cause__, PermissionError):
            raise err.__cause__ from None
        return None


def zone_of(settings: Settings) -> str:
    if settings.aircraft.zone is not None:
        return settings.aircraft.zone
    from tzlocal import get_localzone_name

    return get_localzone_name() or "UTC"


def date_of(at: float, zone: str) -> str:
    return datetime.fromtimestamp(at, ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M")


def columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows with their columns below one another."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(cell.ljust(w) for cell, w in zip(r, widths, strict=True)).rstrip() for r in rows]


def store_of(settings_file: Path | None, store_file: Path | None) -> Path:
    file = store_file or Path(settings_of(settings_file).store.file)
    if not file.exists():
        raise click.ClickException(f"{file} is not there yet. Start the daemon first.")
    return file


def reason_of(err: Exception) -> str:
    """Why something on the disk failed, as an owner reads it: the file and what the system says of it."""
    if isinstance(err, PermissionError):
        return f"{err.filename or 'A file'} is closed to this user. Put sudo before the command."
    if isinstance(err, OSError) and err.strerror is not None:
        return f"{err.filename}: {err.strerror}." if err.filename is not None else f"{err.strerror}."
    return str(err)


def tell(settings_file: Path | None, store_file: Path | None, kind: str, body: dict[str, Any]) -> None:
    """Leave a command for the daemon and print its answer."""
    click.echo(answer_of(settings_file, store_file, kind, body))


def answer_of(settings_file: Path | None, store_file: Path | None, kind: str, body: dict[str, Any]) -> str:
    """What the daemon answers to a command. Raises ClickException where it doesn't carry it out."""
    file = store_of(settings_file, store_file)
    try:
        answer = await_answer(file, ask(file, kind, body))
    except StoreError as err:
        raise click.ClickException(str(err)) from err
    if answer is None:
        raise click.ClickException(
            "The daemon did not answer within 10 s, and nothing was changed so far. "
            "systemctl status probe-agent says whether it runs."
        )
    said = json.loads(answer)
    if not said["ok"]:
        raise click.ClickException(said["text"])
    return str(said["text"])
