"""The command probe-agent-web: the page behind waitress."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Any

import click
import msgspec
from flask import Flask
from waitress import create_server  # type: ignore[import-untyped]

from probe_agent.config import Settings, SettingsError, load_settings
from web.app import create_app
from web.source import FileStatusSource

STATUS_FILE = "status.json"
THREADS = 3
MOST_HEADER_BYTES, MOST_BODY_BYTES = 16_384, 65_536
"""Of a request, before the page sees it: what is longer is refused unread."""
SILENT_S = 30
"""A connection on which nothing moves for so long is closed; while a page is worked out it stays."""


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    help="The daemon's settings file (TOML). Without it the defaults hold.",
)
@click.option("--listen", help="Address to listen on; default from [page] listen, else 127.0.0.1.")
@click.option(
    "--port", type=click.IntRange(0, 65535), help="Port; default from [page] port, else 8088; 0: any free."
)
def main(settings_file: Path | None, listen: str | None, port: int | None) -> None:
    """Show the engine on a page: what the daemon measures, expects and advises.

    The page reads the daemon's status document and its record; it decides nothing itself. Answers and
    readings by hand are taken from this machine (http://localhost:PORT/) and, over HTTPS, from phones
    paired with probe-agent pair, whatever --listen says.

    With [club] in the settings it shows many aircraft instead, from the broker alone, and takes nothing.

    Example: probe-agent-web --settings /etc/probe-agent/settings.toml
    """
    settings = _read(settings_file)
    if settings.club is not None:
        app = _club(settings, listen)
    else:
        source = FileStatusSource(Path(settings.store.runtime_dir) / STATUS_FILE)
        app = create_app(source, Path(settings.store.file), settings)
    server = _listening(app, listen or settings.page.listen, settings.page.port if port is None else port)
    host = "localhost" if server.effective_host in ("127.0.0.1", "::1", "0.0.0.0") else server.effective_host
    click.echo(f"Page: http://{host}:{server.effective_port}/")
    server.run()


def _listening(app: Flask, host: str, port: int) -> Any:
    """A server that listens already. Raises ClickException with what to do where it can't."""
    try:
        return server_of(app, host, port)
    except ValueError:  # waitress: the name leads nowhere
        said = "there is no such address. Write 127.0.0.1, or an address of this machine"
    except OSError as err:
        said = f"{err.strerror}. {_REMEDIES.get(err.errno or 0, 'Choose another --port or end what uses it')}"
    raise click.ClickException(f"Can't listen on {host} port {port}: {said}.")


_REMEDIES = {
    errno.EADDRNOTAVAIL: "This machine hasn't that address: ip address shows those it has",
    errno.EACCES: "Ports below 1024 are kept for the system: choose another --port, with a proxy before it",
}


def _club(settings: Settings, listen: str | None) -> Flask:
    """The page of many aircraft, its source begun; what it needs is loaded for it alone."""
    from web.club.app import create_club_app
    from web.club.source import ClubSource, password_of

    page = msgspec.structs.replace(settings.page, listen=listen or settings.page.listen)
    try:
        source = ClubSource(settings.broker, password_of(settings.broker))
        app = create_club_app(source, msgspec.structs.replace(settings, page=page))
    except SettingsError as err:
        raise click.ClickException(str(err)) from err
    source.start()
    return app


def server_of(app: Flask, host: str, port: int, silent_s: int = SILENT_S) -> Any:
    """A waitress server that listens already; its threads take whole requests, so that a slow client holds
    up none. silent_s: as SILENT_S [s]. Raises OSError."""
    return create_server(
        app,
        host=host,
        port=port,
        threads=THREADS,
        ident=None,
        clear_untrusted_proxy_headers=False,  # a forwarding header must stay visible: it forbids acting
        max_request_header_size=MOST_HEADER_BYTES,
        max_request_body_size=MOST_BODY_BYTES,
        channel_timeout=silent_s,
        cleanup_interval=max(1, silent_s // 3),
    )


def _read(file: Path | None) -> Settings:
    if file is None:
        return Settings()
    try:
        return load_settings(file)
    except SettingsError as err:
        raise click.ClickException(str(err)) from err
