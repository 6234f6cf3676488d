"""Commands that pair phones."""

from __future__ import annotations

import socket
import sqlite3
import time
from pathlib import Path

import click

from probe_agent import pairing, words
from probe_agent.cli.group import (
    Count,
    answer_of,
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
from probe_agent.config import Page
from probe_agent.store import Reader, StoreError


@main.command()
@settings_option
@store_option
@click.option("--viewer", is_flag=True, help="The phone may look, not act.")
def pair(settings_file: Path | None, store_file: Path | None, viewer: bool) -> None:
    """Print a code that pairs one phone, and a link that carries it.

    Open the link on the phone and press Pair, or type the code on the page under "Pair this phone". Opening
    alone uses nothing up. The code holds for 15 minutes and for one phone; one printed before ends. It is
    kept nowhere.
    """
    code, salt = pairing.new_code(), pairing.new_salt()
    role = "viewer" if viewer else "owner"
    body = {"role": role, "salt": salt.hex(), "hash": pairing.seal(code, salt).hex()}
    said = answer_of(settings_file, store_file, pairing.OFFER, body)
    click.echo(f"{'Viewer' if viewer else 'Owner'}'s code: {pairing.shown_code(code)}")
    page = settings_of(settings_file, needed=store_file is None).page
    link, known = pairing.link_of(page, socket.gethostname(), code)
    click.echo(f"Link: {link}")
    click.echo(said)
    for hint in (*([known] if known else []), *_pairing_hints(page, viewer)):
        click.echo(hint)


def _pairing_hints(page: Page, viewer: bool) -> list[str]:
    """What else is needed before a paired phone can do anything."""
    if viewer:
        needless = 'The page is shown to anyone as it is set up (viewing = "anyone" under [page]).'
        return [needless] if page.viewing == "anyone" else []
    if page.proxy is None and not page.plain_acts:
        return [
            "As it is set up, a paired phone can look but not act: the page needs HTTPS, through a proxy "
            "named in the settings. README: Letting a phone act."
        ]
    return []


@main.command()
@settings_option
@store_option
def sessions(settings_file: Path | None, store_file: Path | None) -> None:
    """List the phones that are paired, a row each, and the code that is open."""
    file, now_at = store_of(settings_file, store_file), time.time()
    zone = zone_of(settings_of(settings_file, needed=store_file is None))
    try:
        reader = Reader(file)
        try:
            found, code = reader.sessions(now_at), reader.open_code(now_at)
        finally:
            reader.close()
    except (StoreError, sqlite3.Error) as err:
        raise click.ClickException(str(err)) from err
    rows = [("no", "name", "it", "since", "until")]
    rows += [
        (str(s.number), s.label, words.role(s.role), date_of(s.made_at, zone), date_of(s.expires_at, zone))
        for s in found
    ]
    for line in columns(rows) if found else ["No phone is paired. probe-agent pair prints a code."]:
        click.echo(line)
    if code is not None:
        until = words.moment(code.expires_at, zone, now_at)
        click.echo(f"One {code.role}'s code is open until {until}; wrong tries: {code.tries}.")


@main.command()
@settings_option
@store_option
@click.argument("number", type=Count())
def unpair(settings_file: Path | None, store_file: Path | None, number: int) -> None:
    """End the pairing of one phone; sessions shows the numbers."""
    tell(settings_file, store_file, pairing.END, {"session": number})
