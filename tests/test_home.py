"""What a phone keeps of the page: files for good, an icon and a window; who gets which."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from flask.testing import FlaskClient

from probe_agent.config import parse_settings
from probe_agent.status import write_status
from web.app import create_app
from web.source import FileStatusSource

EXAMPLE = Path(__file__).parent.parent / "deploy" / "example.toml"
FAR = {"REMOTE_ADDR": "10.0.0.7", "HTTP_HOST": "board.example"}


def client_of(folder: Path, viewing: str = "anyone") -> FlaskClient:
    settings = parse_settings(EXAMPLE.read_bytes(), EXAMPLE.name)
    page = msgspec.structs.replace(settings.page, viewing=viewing)
    with AnsweringDaemon(folder / "store.db"):
        pass
    write_status(folder / "status.json", samples.heating())
    settings = msgspec.structs.replace(settings, page=page)
    return create_app(FileStatusSource(folder / "status.json"), folder / "store.db", settings).test_client()


@pytest.fixture
def client(tmp_path: Path) -> FlaskClient:
    return client_of(tmp_path)


def test_a_file_named_by_its_content_is_kept_for_good_and_any_other_asked_for(client: FlaskClient) -> None:
    html = client.get("/").get_data(as_text=True)
    named = re.findall(r'"(/static/[^"]+\?v=\w{8})"', html)
    assert len(named) >= 4
    for address in named:
        answer = client.get(buffered=True, path=address)
        assert answer.status_code == 200
        assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
    for address in (
        "/static/page.css",
        "/static/page.css?v=00000000",
        "/static/..%2fapp.py?v=1",
        "/static/no.css?v=1",
    ):
        assert "immutable" not in client.get(buffered=True, path=address).headers["Cache-Control"]


def test_files_are_sent_short(client: FlaskClient) -> None:
    answer = client.get(buffered=True, path="/static/page.css", headers={"Accept-Encoding": "gzip"})
    assert answer.headers["Content-Encoding"] == "gzip"
    assert len(answer.get_data()) < 4500


def test_the_worker_is_shown_to_anybody_and_never_kept_unasked(tmp_path: Path) -> None:
    client = client_of(tmp_path, "paired")
    answer = client.get(buffered=True, path="/worker.js", environ_base=FAR)
    assert answer.status_code == 200
    assert answer.mimetype == "text/javascript"
    assert answer.headers["Cache-Control"] == "no-cache"
    assert "Content-Security-Policy" in answer.headers


def test_the_aircrafts_name_stays_with_who_may_look(tmp_path: Path) -> None:
    client = client_of(tmp_path, "paired")
    assert client.get(buffered=True, path="/manifest.webmanifest", environ_base=FAR).status_code == 403
    assert "Magpie" not in client.get("/", environ_base=FAR).get_data(as_text=True)


def test_a_window_of_its_own_begins_at_now(client: FlaskClient) -> None:
    told = client.get(buffered=True, path="/manifest.webmanifest").get_json()
    assert told["display"] == "standalone"
    assert told["start_url"] == "/"
    for icon in told["icons"]:
        assert client.get(buffered=True, path=icon["src"]).status_code == 200


@pytest.mark.parametrize(
    ("language", "query", "shown"),
    [
        ("en-US,en;q=0.8", "", "8:35 am"),
        ("en-GB", "", "08:35"),
        ("en-US", "?clock=24", "08:35"),
        ("de-DE", "?clock=12", "8:35 am"),
    ],
)
def test_the_clock_follows_the_browser_and_is_one_tap_away(
    client: FlaskClient, language: str, query: str, shown: str
) -> None:
    html = client.get(f"/{query}", headers={"Accept-Language": language}).get_data(as_text=True)
    assert f"Above target most likely about {shown}." in html
    again = client.get("/", headers={"Accept-Language": language}).get_data(as_text=True)
    assert f"most likely about {shown}" in again  # it is kept


def test_one_readers_clock_is_not_anothers(client: FlaskClient) -> None:
    client.get("/?clock=12")
    client.delete_cookie("clock")
    assert "most likely about 08:35" in client.get("/", headers={"Accept-Language": "en-GB"}).get_data(
        as_text=True
    )
