"""Commands that run the daemon: on probes, on a recording, on a simulated engine."""

from __future__ import annotations

import logging
import os
import signal
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import msgspec

from probe_agent import recovery
from probe_agent.carrying import alone
from probe_agent.cli.assembly import assemble, broker_password, scheduled
from probe_agent.cli.group import (
    CELSIUS,
    Names,
    Speed,
    example_settings,
    main,
    settings_of,
    settings_option,
    store_option,
)
from probe_agent.clock import Clock, SimulatedClock, SystemClock
from probe_agent.config import Settings, parse_settings, with_target
from probe_agent.service import service_of
from probe_agent.store import Reader, StoreError


@main.command()
@settings_option
@store_option
@click.option(
    "--recording",
    type=click.Path(dir_okay=False, allow_dash=True, path_type=Path),
    help="Readings from CSV (time,<place…>,ambient,heater) instead of probes; - is standard input.",
)
@click.option("--required", type=Names(), help="With --recording: required columns (default: every place).")
@click.option("--ignore", type=Names(), default="", help="With --recording: columns to pass over.")
@click.option("--target-c", type=CELSIUS, help="With --recording: target, instead of the settings'.")
@click.option(
    "--speed",
    type=Speed(),
    default="1",
    show_default=True,
    help="With --recording: how many times as fast.",
)
@click.option("-v", "--verbose", is_flag=True, help="Say more on standard error.")
def run(
    settings_file: Path | None,
    store_file: Path | None,
    recording: Path | None,
    required: tuple[str, ...] | None,
    ignore: tuple[str, ...],
    target_c: float | None,
    speed: float,
    verbose: bool,
) -> None:
    """Run the daemon until it is stopped; with --recording until the recording ends."""
    _log(verbose)
    settings = settings_of(settings_file, needed=recording is None, watched=recording is None)
    if recording is None:
        if required or ignore or target_c is not None or speed != 1:
            raise click.UsageError("--required, --ignore, --target-c and --speed go with --recording.")
        _run_probes(_placed(settings, store_file))
        return
    if settings_file is None and store_file is None:
        store_file = Path("probe-agent.db")
    if target_c is not None:
        settings = with_target(settings, target_c)
    settings = _of_a_recording(_placed(settings, store_file), named=settings_file is not None)
    _run_recording(settings, recording, required, ignore, speed)


def _of_a_recording(settings: Settings, named: bool) -> Settings:
    """Settings without what speaks of now: probes that read none of it, watchdog, circuit; and, unless the
    file was named, without whom the board tells, for it is the board's own.

    Raises ClickException where the store is the record of an aircraft with probes.
    """
    file, blank = Path(settings.store.file), Settings()
    if file.exists() and _has_probes(file):
        raise click.ClickException(
            f"{file} is the record of an aircraft with probes; a recording doesn't belong in it. Name "
            f"another file with --store."
        )
    settings = msgspec.structs.replace(settings, probes=(), watchdog=blank.watchdog, circuit=None)
    if named:
        return settings
    return msgspec.structs.replace(settings, recipients=(), broker=blank.broker, weather=blank.weather)


def _has_probes(file: Path) -> bool:
    try:
        reader = Reader(file)
    except StoreError:
        return False  # an older, a newer or a damaged one: opening it to write says which
    try:
        return bool(reader.bindings())
    finally:
        reader.close()


def _placed(settings: Settings, store_file: Path | None) -> Settings:
    """Settings whose store is where the command says, with the status document beside it."""
    if store_file is None:
        return settings
    place = msgspec.structs.replace(settings.store, file=str(store_file), runtime_dir=str(store_file.parent))
    return msgspec.structs.replace(settings, store=place)


def _run_probes(settings: Settings) -> None:
    from probe_agent.agent import plan_from_settings
    from probe_agent.probes.one_wire import OneWireSource

    wires = [p for p in settings.probes if p.source == "one-wire"]
    source = OneWireSource(
        Path(settings.one_wire.directory),
        expected=[p.address for p in wires],
        thermocouples={p.address: p.thermocouple for p in wires},
        deadline_s=settings.one_wire.deadline_s,
    )
    sources: list[Any] = [source]
    if remote := [p for p in settings.probes if p.source == "mqtt"]:
        from probe_agent.probes.remote import RemoteProbes

        sources.append(RemoteProbes(settings.broker, remote, broker_password(settings)))
    _watch(settings, plan_from_settings(settings), SystemClock(), sources)


def _run_recording(
    settings: Settings,
    recording: Path,
    required: tuple[str, ...] | None,
    ignore: tuple[str, ...],
    speed: float,
) -> None:
    from probe_agent.agent import plan_from_recording
    from probe_agent.probes.recording import RecordingError, RecordingSource

    try:
        source = RecordingSource(recording, ignore)
        places = [p for p in source.addresses if p != "ambient"]
        if unknown := [p for p in required or () if p not in places]:
            raise click.UsageError(
                f"--required: no column {', '.join(unknown)}. There are: {', '.join(places)}."
            )
        start_utc = source.start_utc
        clock = SimulatedClock(SystemClock().utc() if start_utc is None else start_utc, speed)
        plan = plan_from_recording(settings, places, required or places)
        _watch(settings, plan, clock, [source])
    except RecordingError as err:
        raise click.ClickException(str(err)) from err
    click.echo(f"Kept in {settings.store.file}: " + _summary(Path(settings.store.file)), err=True)


def _summary(store: Path) -> str:
    from probe_agent.store import connect

    db = connect(store, read_only=True)
    try:
        counts = [
            db.execute(f"SELECT count(*) FROM {t}").fetchone()[0]
            for t in ("readings", "heatups", "forecasts")
        ]
    finally:
        db.close()
    return "{} readings, {} heat-ups, {} forecasts.".format(*counts)


@main.command(name="try")
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help='Settings with probes of source = "simulated" (default: a built-in aircraft in a temporary folder).',
)
@click.option("--speed", type=Speed(), default="60", show_default=True, help="Times as fast as life.")
@click.option("-v", "--verbose", is_flag=True, help="Say more on standard error.")
def try_(settings_file: Path | None, speed: float, verbose: bool) -> None:
    """Run the daemon on a simulated engine at minus 12 °C whose heater is switched on soon.

    Nothing of the daemon is different; the simulated engine stands where the probes would be.
    """
    _log(verbose)
    if settings_file is not None:
        _run_simulated(settings_of(settings_file, watched=True), speed)
        return
    with tempfile.TemporaryDirectory(prefix="probe-agent-try-") as folder:
        settings = demo_settings(Path(folder))
        click.echo(
            f"Simulated engine, {speed:g} times as fast as life. Data in {folder}, removed at the end.",
            err=True,
        )
        _run_simulated(settings, speed)


def demo_settings(folder: Path) -> Settings:
    """Settings of the simulated aircraft with its data in a folder."""
    settings = parse_settings(example_settings().encode(), "the built-in example")
    probes = tuple(msgspec.structs.replace(p, source="simulated", address=p.place) for p in settings.probes)
    place = msgspec.structs.replace(
        settings.store, file=str(folder / "probe-agent.db"), runtime_dir=str(folder)
    )
    return msgspec.structs.replace(settings, probes=probes, store=place)


def _run_simulated(settings: Settings, speed: float) -> None:
    from probe_agent.agent import plan_from_settings
    from probe_agent.engine_sim import magpie_demo
    from probe_agent.probes.simulated import SimulatedSource

    clock = SimulatedClock(SystemClock().utc(), speed)
    source = SimulatedSource(magpie_demo())
    _watch(settings, plan_from_settings(settings), clock, [source], demo=True)


def _watch(settings: Settings, plan: Any, clock: Clock, sources: Sequence[Any], demo: bool = False) -> None:
    """Open the store, start couriers and housekeeping, tick until a signal comes or the sources end."""
    from probe_agent.agent import RecordDamagedError

    stop = threading.Event()

    def end(*_: object) -> None:
        stop.set()
        for source in sources:
            if source.name == "recording":
                source.close()  # it may be waiting for a pipe's next row

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
    try:
        with alone(Path(settings.store.runtime_dir)):
            _run(assemble(settings, plan, clock, sources, demo), settings, clock, stop)
    except StoreError as err:
        raise click.ClickException(str(err)) from err
    except RecordDamagedError:
        os.execv(sys.executable, sys.orig_argv)  # begin anew: the start brings the record back


def _run(agent: Any, settings: Settings, clock: Clock, stop: threading.Event) -> None:
    from probe_agent.agent import RecordDamagedError

    service = service_of(os.environ, agent.pulses, lambda: agent.status.verdict if agent.status else "")
    if service is not None:
        service.start()
    scheduler = scheduled(settings, agent) if isinstance(clock, SystemClock) else None
    try:
        agent.run(stop)
    except RecordDamagedError as err:
        recovery.suspect(agent.store.path, str(err))
        if service is not None:
            service.begin_anew()
        raise
    finally:
        if service is not None:
            service.stop()
        if scheduler is not None:
            scheduler.shutdown(wait=False)
        agent.store.close()


def _log(verbose: bool) -> None:
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING,
        stream=sys.stderr,
        format="%(levelname)s %(name)s: %(message)s",
    )
