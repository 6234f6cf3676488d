"""The pages Record and Why, and the commands, on a real store and a real status file."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
from html import unescape
from pathlib import Path

import msgspec
import pytest
import status_samples as samples
from click.testing import CliRunner
from flask.testing import FlaskClient

from probe_agent.cli import main
from probe_agent.config import Engine, Settings, parse_settings
from probe_agent.migrations import migrate
from probe_agent.readings import Point, WeatherHour
from probe_agent.status import FrostNow, MoistureNow, Status, utc_seconds, write_status
from probe_agent.store import (
    Batch,
    KeptOuting,
    KeptSpell,
    Store,
    StoredReading,
    TickRow,
    close_heatup,
    keep_outing,
    keep_spell,
    open_heatup,
)
from probe_agent.thermal.moisture import frost_ahead
from probe_agent.why import why_now
from web.app import create_app
from web.source import FileStatusSource

EXAMPLE = (Path(__file__).parents[1] / "deploy" / "example.toml").read_text("utf-8")
NOW_AT = utc_seconds(samples.NOW)
DAY = 86_400.0
LOCAL = {"REMOTE_ADDR": "127.0.0.1", "HTTP_HOST": "localhost"}
COLD = [Point(p, "ok", -12.0, 1.0) for p in ("case-top", "case-nose", "sump")]
SHEET = Engine(clearance_mm=0.06, oil_40_mm2_s=140.0, oil_100_mm2_s=15.0, oil_pour_point_c=-20.0)


def settings_in(folder: Path) -> Settings:
    text = EXAMPLE.replace("/var/lib/probe-agent/probe-agent.db", str(folder / "store.db"))
    text = text.replace("/run/probe-agent", str(folder)).replace("# price_per_kwh", "price_per_kwh")
    (folder / "settings.toml").write_text(text, "utf-8")
    return parse_settings(text.encode(), "settings.toml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    settings_in(tmp_path)
    migrate(tmp_path / "store.db")
    return tmp_path


@pytest.fixture
def client(folder: Path) -> FlaskClient:
    app = create_app(FileStatusSource(folder / "status.json"), folder / "store.db", settings_in(folder), 1.0)
    found = app.test_client()
    found.environ_base.update(LOCAL)
    return found


def keep_two_heat_ups(folder: Path) -> None:
    """One yesterday, flown with hot oil; one today, not flown, its power partly unknown."""
    store = Store(folder / "store.db")
    store.describe_places({"sump": (False, True)})
    boot = store.begin_boot("boot", NOW_AT, True)
    for number, days in ((1, -1.0), (2, -0.1)):
        tick = store.new_tick()
        store.hold(TickRow(tick, days * DAY, 1.0, (StoredReading("sump", 1.0, None, 1.0, None),), None))
        began_at = NOW_AT + days * DAY
        spell = KeptSpell(
            number, None, "heat-up", began_at, began_at + 7200.0, 15.0, 20.0, 25.0, 5400.0, 7200.0, 0.0, 12.0,
            4800.0, 0.0, 3.6e6, 0.0 if number == 1 else 1800.0, 1.8e6, 2.0e6, 2.2e6,
        )  # fmt: skip
        opened = open_heatup(boot, tick, None, 7.2, days * DAY)
        store.commit(Batch(statements=[opened, keep_spell(spell, True), close_heatup(tick, "off")]))
    flown = KeptOuting(
        1, None, None, NOW_AT - 0.9 * DAY, NOW_AT - 0.8 * DAY, "flown-hot", "tap", NOW_AT, NOW_AT - 0.9 * DAY,
        NOW_AT - 0.8 * DAY, None, None, None, None,
    )  # fmt: skip
    store.commit(Batch(statements=keep_outing(flown, False, ("flown-hot",))))
    store.close()
    with sqlite3.connect(folder / "store.db") as db:
        db.execute("UPDATE outings SET heatup = 1")


def plain(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def text(client: FlaskClient, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return plain(answer.get_data(as_text=True))


def fresh(**changes: object) -> Status:
    return msgspec.structs.replace(samples.heating(), **changes)


# -- record


def test_the_record_says_what_was_spent_flown_and_left(client: FlaskClient, folder: Path) -> None:
    keep_two_heat_ups(folder)
    write_status(folder / "status.json", fresh(moisture=MoistureNow((6.0, 9.3, 11.0), 15.0)))
    said = text(client, "/record?unit=C")
    for part in (
        "Record, season 2026/27",
        "Last flight with hot oil: less than a day ago.",
        "about 15 °C under the frost or dew point",
        "an excess of 9.3 hPa (6.0 to 11.0)",
        "Gathered this season 40 hPa·h (30 to 50)",
        "Not cleared 20 hPa·h (15 to 25)",
        "Energy 2.0 kWh by the heater's watts, 30 min not known",
        "Cost 0.64 EUR",
        "Flown, oil hot long enough; cleared by a flight with hot oil",
        "50 to 61 % kept",
        "An indicator, not a measurement",
        "Leave it alone",
    ):
        assert part in said, part


def test_an_empty_record_says_what_begins_it(client: FlaskClient, folder: Path) -> None:
    write_status(folder / "status.json", fresh())
    assert "Nothing is in the record yet" in text(client, "/record")


def test_without_a_fresh_document_nothing_is_said_of_now(client: FlaskClient, folder: Path) -> None:
    keep_two_heat_ups(folder)
    said = text(client, "/record")
    assert "Trouble." in said
    assert "Now: not known" in said
    assert "Gathered this season" in said
    assert "Not known: nothing fresh is measured." in text(client, "/why")


def test_the_csv_is_offered_and_reads_as_csv(client: FlaskClient, folder: Path) -> None:
    keep_two_heat_ups(folder)
    write_status(folder / "status.json", fresh())
    answer = client.get("/record.csv")
    assert answer.mimetype == "text/csv"
    rows = list(csv.DictReader(io.StringIO(answer.get_data(as_text=True))))
    assert [r["cleared"] for r in rows] == ["yes", "no"]
    assert float(rows[0]["cost"]) == pytest.approx(0.32)
    link = re.search(r'href="(/record\.csv[^"]*)"', client.get("/record").get_data(as_text=True))
    assert link is not None
    assert client.get(unescape(link[1])).get_data() == answer.get_data()


@pytest.mark.parametrize("asked", ["x", "-1", "99999999999", "0", "1e9", "%C2%B2"])
def test_an_odd_season_is_no_error(client: FlaskClient, folder: Path, asked: str) -> None:
    keep_two_heat_ups(folder)
    write_status(folder / "status.json", fresh())
    assert client.get(f"/record?season={asked}").status_code == 200
    assert client.get(f"/record.csv?season={asked}").status_code == 200


@pytest.mark.parametrize("path", ["/record", "/why", "/plan"])
def test_no_style_or_script_in_the_markup(client: FlaskClient, folder: Path, path: str) -> None:
    keep_two_heat_ups(folder)
    write_status(folder / "status.json", fresh())
    html = client.get(path).get_data(as_text=True)
    assert not re.search(r"<script(?! src)|<style| style=| on\w+=", html)


# -- why


def test_why_names_figures_ranges_and_sources(client: FlaskClient, folder: Path) -> None:
    write_status(folder / "status.json", fresh(why=why_now(COLD, (-16.0, -14.0, -12.0), SHEET)))
    said = text(client, "/why?unit=C")
    for part in ("Crankcase −12 °C, measured", "Shaft −16 °C to −12 °C, estimated", "closer", "Callister"):
        assert part in said, part
    assert "ASTM D341" in said
    assert "Indicative only" in said


def test_why_takes_the_range_of_the_shaft() -> None:
    """Case -20, shaft -20 °C: 0.0221 mm closer (computed from Callister, Table B.6, 60 mm)."""
    points = [Point(p, "ok", -20.0, 1.0) for p in ("case-top", "case-nose")]
    found = why_now(points, (-22.0, -20.0, -18.0), SHEET)
    assert found.change_mm is not None
    low, middle, high = found.change_mm
    assert middle == pytest.approx(-0.0221, abs=0.0001)
    assert low < middle < high


def test_oil_below_its_pour_point_is_unknown() -> None:
    points = [Point("sump", "ok", -25.0, 1.0)]
    found = why_now(points, None, SHEET)
    assert found.oil_c == -25.0
    assert found.oil_mm2_s is None
    assert why_now([Point("sump", "ok", 0.0, 1.0)], None, SHEET).oil_mm2_s is not None


def test_what_is_not_measured_has_no_figure() -> None:
    found = why_now(
        [Point("cyl-1", "ok", 3.0, 1.0), Point("sump", "open", None, None)], (1.0, 2.0, 3.0), Engine()
    )
    assert (found.case_c, found.change_mm, found.oil_c, found.oil_mm2_s) == (None, None, None, None)


# -- frost


def test_frost_stands_on_the_plan(client: FlaskClient, folder: Path) -> None:
    frost = FrostNow("frost", True, samples.minutes_after(600), samples.minutes_after(1440), -9.0, -8.5)
    write_status(folder / "status.json", fresh(frost=frost))
    assert "Frost on the aircraft likely from Sat 16:50" in text(client, "/plan?unit=C").replace(
        "from 16:50", "from Sat 16:50"
    )
    write_status(folder / "status.json", fresh(frost=FrostNow("unknown")))
    assert "no weather with a dew point is heard" in text(client, "/plan")
    assert frost_ahead([WeatherHour(0.0, -5.0)], 0.0, 1.0, True).kind == "unknown"


# -- commands


def run(folder: Path, *arguments: str) -> str:
    result = CliRunner().invoke(
        main, [arguments[0], "--settings", str(folder / "settings.toml"), *arguments[1:]]
    )
    assert result.exit_code == 0, result.output
    return result.output


def test_the_command_says_the_same_as_the_page(folder: Path) -> None:
    assert "Nothing is in the record yet" in run(folder, "record")
    keep_two_heat_ups(folder)
    said = run(folder, "record")
    for part in ("Season 2026/27", "1.0 kWh", "50 to 61 %", "Not cleared: 20 hPa·h", "Leave it alone"):
        assert part in said, part
    assert run(folder, "record", "--csv").startswith("heatup,began,ended")
    assert "Nothing is in the record yet" in run(folder, "record", "--season", "2019")


def test_why_on_the_command_line(folder: Path) -> None:
    write_status(folder / "status.json", fresh(why=why_now(COLD, (-16.0, -14.0, -12.0), SHEET)))
    assert "Crankcase" in run(folder, "why")
    (folder / "status.json").unlink()
    result = CliRunner().invoke(main, ["why", "--settings", str(folder / "settings.toml")])
    assert result.exit_code == 1
    assert "systemctl status probe-agent says whether it runs" in result.output
