"""The command that finds out which probe is which: one is warmed by hand, the one that rises is named and
gets its place."""

from __future__ import annotations

import os
import select
import sqlite3
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import click

from probe_agent import words
from probe_agent.cli.group import (
    Number,
    answer_of,
    columns,
    main,
    settings_of,
    settings_option,
    status_of,
    store_of,
)
from probe_agent.config import Settings
from probe_agent.identifying import MOST_TICKS, Outcome, Round
from probe_agent.probes.one_wire import OneWireSource
from probe_agent.readings import ProbeFault, Reading
from probe_agent.status import is_stale
from probe_agent.store import Reader, StoreError

EVERY_S = 1.5
"""Between two looks at the bus [s]: a hand has a minute to be seen."""
BAR_K, BAR_SIGNS = 10.0, 24
"""A rise of so many kelvins fills the bar."""
QUIT = "q"
_UNTIL_QUIT = "q and Enter ends."
CAUTION = (
    "Heater off and unplugged while you reach into the cowl; stay clear of the propeller, treat it as live. "
    "Warm with your hand or warm water, never with a flame or a hot-air gun near fuel."
)


class _Ended(Exception):  # not an error: the person wants no more
    """Whoever sits at the terminal has typed q, or its input has ended."""


@main.command()
@settings_option
@click.option(
    "--every",
    "every_s",
    type=Number(0.05, 10.0),
    default=EVERY_S,
    show_default=True,
    help="Seconds between two looks at the bus.",
)
def identify(settings_file: Path | None, every_s: float) -> None:
    """Find out which probe is which: warm one by hand, it sees which rises and asks for its place.

    A round for each probe. It reads the 1-Wire bus itself, beside the daemon, and the daemon binds. Probes
    on the broker are known by their topics; the page's Set up finds any kind of probe.
    """
    settings = settings_of(settings_file)
    _refuse_without_daemon(settings)
    source = OneWireSource(
        Path(settings.one_wire.directory),
        expected=[address for _, kind, address in _bindings(settings_file) if kind == "one-wire"],
        thermocouples={p.address: p.thermocouple for p in settings.probes if p.source == "one-wire"},
        deadline_s=settings.one_wire.deadline_s,
    )
    try:
        _Session(settings_file, settings, source, every_s).go()
    except _Ended:
        click.echo("Ended. Where each probe sits: probe-agent bind")


def _refuse_without_daemon(settings: Settings) -> None:
    """Before anything is warmed: whoever binds has to be there, and the heater off. Raises ClickException."""
    status = status_of(settings)
    if status is None or is_stale(status):
        raise click.ClickException(
            "The daemon isn't running, and it is the one that binds. Warm nothing yet: start it "
            "(systemctl start probe-agent), then begin again."
        )
    if status.plug is not None and status.plug.wanted is not None:
        raise click.ClickException(f"{words.NOT_WHILE_ON} Warm nothing yet.")


def _bindings(settings_file: Path | None) -> list[tuple[str, str, str]]:
    """Place, source and address of each probe bound now. Raises ClickException."""
    try:
        reader = Reader(store_of(settings_file, None))
        try:
            return list(reader.bindings())
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err


class _Typed:
    """Lines that somebody types, waited for with a deadline; nothing typed early is lost."""

    def __init__(self, fd: int) -> None:
        self._fd, self._rest, self._ended = fd, b"", False

    def line(self, within_s: float | None) -> str | None:
        """The next line, stripped; None where none comes within that time [s], without one it waits.

        Raises _Ended for q, and where the input has ended.
        """
        give_up_at = None if within_s is None else time.monotonic() + within_s
        while b"\n" not in self._rest:
            if self._ended:
                raise _Ended
            left_s = None if give_up_at is None else max(0.0, give_up_at - time.monotonic())
            if not select.select([self._fd], [], [], left_s)[0]:
                return None
            got = os.read(self._fd, 1024)
            self._ended, self._rest = not got, self._rest + got
        line, _, self._rest = self._rest.partition(b"\n")
        text = line.decode("utf-8", "replace").strip()
        if text.lower() == QUIT:
            raise _Ended
        return text


@dataclass(slots=True)
class _Screen:
    """Lines that are drawn over one another on a terminal; elsewhere each drawing that matters stays."""

    lively: bool
    _drawn: int = 0

    def say(self, text: str) -> None:
        """What stays."""
        self._drawn = 0
        click.echo(text)

    def draw(self, lines: list[str]) -> None:
        """In place of what was drawn last; where nothing can be drawn over, nothing."""
        if not self.lively:
            return
        above = f"\x1b[{self._drawn}A\x1b[J" if self._drawn else ""
        click.echo(above + "\n".join(lines))
        self._drawn = len(lines)


@dataclass(slots=True)
class _Session:
    """Rounds, one a probe, until q is typed or all are placed."""

    settings_file: Path | None
    settings: Settings
    source: OneWireSource
    every_s: float
    placed: set[str] = field(default_factory=set)
    typed: _Typed = field(default_factory=lambda: _Typed(sys.stdin.fileno()))
    screen: _Screen = field(default_factory=lambda: _Screen(sys.stdout.isatty()))

    def go(self) -> None:
        """Raises _Ended where somebody wants no more, ClickException where there is nothing to find."""
        self.screen.say(CAUTION)
        while True:
            values_c, faults = self._look()
            left = sorted(set(values_c) - self.placed)
            if not left:
                break
            self.screen.say(f"\n{_to_place(len(left))} {_UNTIL_QUIT}\nAt rest: touch no probe.")
            outcome = self._round()
            if outcome.kind == "found":
                self._place(outcome.addresses[0])
            else:
                self._say_why_none(outcome)
                self.typed.line(None)
        if not self.placed:
            raise click.ClickException("No probe answers on the 1-Wire bus. probe-agent check says why.")
        for address, fault in sorted(faults.items()):
            self.screen.say(f"{address} can't be found by warming: {words.fault_words(fault.fault)}.")
        self.screen.say("\nEvery probe that can be read has been found. Where each sits: probe-agent bind")

    def _look(self) -> tuple[dict[str, float], dict[str, ProbeFault]]:
        """The bus now: address → °C, and address → why there is no value."""
        scan = self.source.read(time.monotonic())
        values_c = {s.address: s.value_c for s in scan.samples if isinstance(s, Reading)}
        return values_c, {s.address: s for s in scan.samples if isinstance(s, ProbeFault)}

    def _round(self) -> Outcome:
        """One probe warmed, or why none is named."""
        round_, warm = Round(frozenset(self.placed)), False
        bound = {address: place for place, _, address in _bindings(self.settings_file)}
        while True:
            began_s = time.monotonic()
            values_c, faults = self._look()
            outcome = round_.take(values_c)
            if outcome.kind not in ("resting", "waiting"):
                self.screen.draw(self._table(values_c, faults, outcome, bound))
                return outcome
            if outcome.kind == "waiting" and not warm:
                warm = True
                self.screen.say("Warm one probe now, that one alone, and keep hold of it.")
            self.screen.draw(self._table(values_c, faults, outcome, bound))
            self.typed.line(max(0.0, began_s + self.every_s - time.monotonic()))

    def _table(
        self,
        values_c: Mapping[str, float],
        faults: Mapping[str, ProbeFault],
        outcome: Outcome,
        bound: Mapping[str, str],
    ) -> list[str]:
        """A line a probe: where it sits, what it reads, by how much it has risen more than the others."""
        unit = self.settings.messages.unit
        rows = []
        for address in sorted({*values_c, *faults}):
            place = words.place_name(bound[address]) if address in bound else "no place"
            if address in faults:
                rows.append((address, place, words.fault_words(faults[address].fault), "", ""))
                continue
            rise_c = outcome.rises_c.get(address)
            rise = "found" if address in self.placed else ""
            rise = words.degrees(rise_c, unit) if rise_c is not None else rise
            rows.append((address, place, words.tenths(values_c[address], unit), rise, _bar(rise_c)))
        return columns(rows)

    def _say_why_none(self, outcome: Outcome) -> None:
        if outcome.kind == "several":
            bound = {address: place for place, _, address in _bindings(self.settings_file)}
            named = " and ".join(_named(a, bound) for a in outcome.addresses)
            self.screen.say(
                f"{named} rise together, so neither is named. Let go of both, keep them apart, wait until "
                f"they have cooled, and hold one alone. Enter begins the round again; {_UNTIL_QUIT}"
            )
            return
        self.screen.say(
            f"None has risen within {MOST_TICKS * self.every_s:.0f} s. Hold it longer, or put it into warm "
            f"water; one that isn't listed doesn't answer: probe-agent check says why. Enter begins the "
            f"round again; {_UNTIL_QUIT}"
        )

    # -- its place

    def _place(self, address: str) -> None:
        """Ask for the place of the probe that rose, and have the daemon bind it."""
        while True:
            bound = {a: place for place, _, a in _bindings(self.settings_file)}
            self.screen.say(f"\n{_named(address, bound)} rises. Where does it sit?")
            for line in self._choices(bound):
                self.screen.say(line)
            self.screen.say(f"Number or name of its place; Enter leaves it where it is. {_UNTIL_QUIT}")
            answer = self.typed.line(None) or ""
            if not answer:
                self.placed.add(address)
                return
            place = self._chosen(answer)
            if place is None:
                self.screen.say(f"{answer} is none of them.")
            elif self._may_take(place, address, bound) and self._bind(address, place, bound):
                self.placed.add(address)
                return

    def _choices(self, bound: Mapping[str, str]) -> list[str]:
        by_place = {place: address for address, place in bound.items()}
        rows = []
        for number, place in enumerate(self.settings.places, 1):
            sits = by_place.get(place.name, "")
            found = ", found" if sits in self.placed else ""
            rows.append((f"{number:2d}", words.place_name(place.name), f"{sits}{found}"))
        return columns(rows)

    def _chosen(self, answer: str) -> str | None:
        """The place of that number or name; None where there is none."""
        names = [p.name for p in self.settings.places]
        if answer.isascii() and answer.isdigit() and 1 <= int(answer[:6]) <= len(names):
            return names[int(answer[:6]) - 1]
        return next((n for n in names if answer.lower() in (n, words.place_name(n).lower())), None)

    def _may_take(self, place: str, address: str, bound: Mapping[str, str]) -> bool:
        """Whether the place is free, or whoever types takes it from the probe that has it."""
        other = next((a for a, p in bound.items() if p == place and a != address), None)
        if other is None:
            return True
        self.screen.say(
            f"{words.place_name(place).capitalize()} has {other} until now; that one then has no place. "
            f"y and Enter: so it is."
        )
        return (self.typed.line(None) or "").lower() in ("y", "yes")

    def _bind(self, address: str, place: str, bound: Mapping[str, str]) -> bool:
        """Whether the daemon has bound it; where not, what it says stands on the screen."""
        places = {a: "" for a, p in bound.items() if p == place} | {address: place}
        try:
            said = answer_of(self.settings_file, None, "bind-probes", {"places": places, "seen": dict(bound)})
        except click.ClickException as err:
            self.screen.say(err.message)
            return False
        self.screen.say(said)
        return True


def _to_place(count: int) -> str:
    return "One probe is left to find." if count == 1 else f"{count} probes to find."


def _named(address: str, bound: Mapping[str, str]) -> str:
    place = bound.get(address)
    return f"{address} ({words.place_name(place) if place else 'no place yet'})"


def _bar(rise_c: float | None) -> str:
    """A rise [K] as a bar of signs that every console has."""
    return "" if rise_c is None else "=" * round(max(0.0, min(rise_c / BAR_K, 1.0)) * BAR_SIGNS)
