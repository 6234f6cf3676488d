"""Commands for the plug that switches the heater."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import click

from probe_agent import words
from probe_agent.cli.group import answer_of, main, settings_of, settings_option, store_option, tell
from probe_agent.status import Status, StatusError, read_status

TEST_WAITS_S = 300.0


@main.command()
@settings_option
@store_option
@click.argument("state", type=click.Choice(["on", "off"]))
def switch(settings_file: Path | None, store_file: Path | None, state: str) -> None:
    """Switch the heater by the plug. Off works always; on is refused where anything speaks against it.

    On only where nobody is at the aircraft: before anyone touches heater, cover or cowl, switch off, unplug
    and lock. Heater, cord and cover as the manual says, nothing that burns near.
    """
    tell(settings_file, store_file, f"switch-{state}", {})
    if state == "on":
        click.echo(words.PLUG_CAUTION, err=True)


@main.command()
@settings_option
@store_option
def lock(settings_file: Path | None, store_file: Path | None) -> None:
    """Someone is at the aircraft: the heater goes off, and nothing switches it on until unlock."""
    tell(settings_file, store_file, "switch-lock", {})


@main.command()
@settings_option
@store_option
@click.option("--nobody-there", is_flag=True, help="Nobody is at the aircraft; without it nothing changes.")
def unlock(settings_file: Path | None, store_file: Path | None, nobody_there: bool) -> None:
    """Nobody is at the aircraft any more. Switches nothing on."""
    tell(settings_file, store_file, "switch-unlock", {"nobody_there": nobody_there})


@main.command(name="test-plug-timer")
@settings_option
@store_option
@click.option("--at-the-plug", is_flag=True, help="You see plug and heater; without it nothing is tested.")
def test_plug_timer(settings_file: Path | None, store_file: Path | None, at_the_plug: bool) -> None:
    """Test that the plug goes off by itself when nothing is heard from here.

    \b
    Before it: heater in place as in use, cover and cowl plugs as its manual says, nothing that burns
    near, extinguisher at hand, propeller treated as live. Mains outdoors: residual-current protection,
    dry connectors. The heater is switched on, then nothing more is said to the plug, and its own timer
    must end the heat. Stay until it has. Until it is passed, and after each change of [switch], nothing
    is switched on.
    """
    settings = settings_of(settings_file, needed=True)
    body = {"at_the_plug": at_the_plug}
    click.echo(answer_of(settings_file, store_file, "test-plug-timer", body))
    status_file = Path(settings.store.runtime_dir) / "status.json"
    timer_s = settings.switch.timer_s if settings.switch is not None else 0
    status = _await_end(status_file, timer_s + TEST_WAITS_S)
    if status is None or status.plug is None:
        raise click.ClickException("The test has not ended in time. Switch off by hand and look at the page.")
    text = " ".join(words.plug_words(status))
    if not status.plug.tested:
        raise click.ClickException(text)
    click.echo(text)


def _await_end(status_file: Path, timeout_s: float) -> Status | None:
    """The status document once the test is over; None where time ran out."""
    deadline, pause, began = time.monotonic() + timeout_s, threading.Event(), False
    while time.monotonic() < deadline:
        try:
            status = read_status(status_file)
        except StatusError:
            status = None
        plug = status.plug if status is not None else None
        if plug is not None:
            began = began or plug.wanted == "test"
            if began and plug.wanted != "test":
                return status
        pause.wait(1.0)
    return None
