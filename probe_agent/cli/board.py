"""The command that looks the board over."""

from __future__ import annotations

import errno
import json
import os
import textwrap
from collections.abc import Callable
from pathlib import Path

import click
import msgspec

from probe_agent.cli.assembly import broker_password, device_of
from probe_agent.cli.group import main, settings_of, settings_option, status_of
from probe_agent.config import Settings
from probe_agent.inspection import Finding, look_over

MARKS = {"ok": "ok     ", "note": "note   ", "trouble": "TROUBLE"}
SUBJECT = 22


@main.command()
@settings_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def check(settings_file: Path | None, as_json: bool) -> None:
    """Look the board over: kernel, bus, each probe, clock, disk, record, broker, messages, page, plug.

    A line a finding, with what to do about each trouble. Ends with 1 where there is trouble, else 0.
    Beside a running daemon it disturbs nothing; each probe is read five times, which takes some seconds.
    """
    settings = settings_of(settings_file)
    _refuse_blind(settings)
    troubles = 0
    for finding in look_over(settings, reach_of(settings)):
        troubles += finding.level == "trouble"
        click.echo(_json(finding) if as_json else _line(finding))
    if not as_json:
        count = "1 trouble" if troubles == 1 else f"{troubles} troubles"
        click.echo(f"{count} found." if troubles else "No trouble found.")
    raise SystemExit(1 if troubles else 0)


def _refuse_blind(settings: Settings) -> None:
    """What is closed to this user is no trouble of the board's. Raises PermissionError."""
    status_of(settings)
    file = Path(settings.store.file)
    if file.exists() and not os.access(file, os.R_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(file))


def reach_of(settings: Settings) -> Callable[[], str | None]:
    """Asks the broker once whether it takes us: None, or why not."""

    def reach_broker() -> str | None:
        from probe_agent.broker import reach

        try:
            password = broker_password(settings)
        except click.ClickException as err:
            return err.message
        return reach(settings.broker, device_of(settings), password)

    return reach_broker


def _json(finding: Finding) -> str:
    return json.dumps(msgspec.to_builtins(finding), ensure_ascii=False)


def _line(finding: Finding) -> str:
    head = f"{MARKS[finding.level]}  {finding.subject.ljust(SUBJECT)}"
    text = textwrap.fill(
        finding.text, 110, initial_indent=head + " ", subsequent_indent=" " * (len(head) + 1)
    )
    if not finding.remedy:
        return text
    return f"{text}\n" + textwrap.fill(
        finding.remedy, 110, initial_indent=" " * 9 + "→ ", subsequent_indent=" " * 11
    )
