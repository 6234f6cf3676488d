"""A record of each earlier version, rows in every table, and one that the first version's own daemon left:
brought to this one, nothing lost, and back."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from old_record import FIRST_WRITTEN, STEPS, contents, filled, from_version_0_1_0
from real_daemon import Process, write_settings

from probe_agent import carrying
from probe_agent.migrations import migrate
from probe_agent.recovery import damage_of
from probe_agent.store import SCHEMA_TEXT, SCHEMA_VERSION, Reader

NOW_AT = 1_800_000_000.0


def silent(what: str, done: int, of: int) -> None:
    pass


@pytest.fixture(params=range(1, SCHEMA_VERSION + 1))
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return filled(tmp_path / "probe-agent.db", request.param)


def test_every_step_has_its_name() -> None:
    assert len(STEPS) == SCHEMA_VERSION


def test_no_row_is_lost_or_changed(old: Path) -> None:
    before = contents(old)
    assert {name for name, rows in before.items() if not rows} <= FIRST_WRITTEN.keys()
    migrate(old)
    after = contents(old)
    after["kept"] = [row for row in after["kept"] if row[0] != SCHEMA_TEXT]  # the schema's mark is new
    assert {name: after[name] for name in before} == before


def test_what_was_backed_up_before_comes_back_as_it_was(old: Path, tmp_path: Path) -> None:
    before, version = contents(old), schema(old)
    carrying.back_up_to(old, None, tmp_path / "before", NOW_AT, silent)
    migrate(old)
    kept = carrying.restore(tmp_path / "before", old, NOW_AT, silent)
    assert contents(old) == before
    assert schema(old) == version
    assert kept is not None
    assert schema(tmp_path / kept) == SCHEMA_VERSION, "what came since is kept beside it"


def schema(path: Path) -> int:
    db = sqlite3.connect(path)
    try:
        return int(db.execute("PRAGMA user_version").fetchone()[0])
    finally:
        db.close()


# -- the record that version 0.1.0's own daemon left


@pytest.fixture
def first(tmp_path: Path) -> Path:
    return from_version_0_1_0(tmp_path / "probe-agent.db")


def test_the_first_version_s_record_has_its_schema_and_a_lived_night(first: Path) -> None:
    assert schema(first) == 1
    plain = filled(first.with_name("plain.db"), 1)
    assert parts(first) == parts(plain)
    rows = {name: len(found) for name, found in contents(first).items()}
    assert (rows["readings"], rows["ticks"], rows["forecasts"]) == (3984, 498, 91)
    assert {
        "heatups": 2,
        "hand_readings": 2,
        "commands": 4,
        "transitions": 7,
        "boots": 2,
    }.items() <= rows.items()


def parts(path: Path) -> list[tuple[object, ...]]:
    """The tables, indexes and views of a store, each as it was made."""
    db = sqlite3.connect(path)
    try:
        found = db.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
        return sorted(
            (t, n, " ".join(sql.split())) for t, n, sql in found if not n.startswith(("_", "sqlite_"))
        )
    finally:
        db.close()


def test_nothing_of_the_first_version_s_record_is_lost_and_it_is_read_on(first: Path) -> None:
    before = contents(first)
    migrate(first)
    after = contents(first)
    after["kept"] = [row for row in after["kept"] if row[0] != SCHEMA_TEXT]
    assert {name: after[name] for name in before} == before
    migrate(first)
    assert damage_of(first) is None
    reader = Reader(first)
    shown = reader.curve(0.0, 4e9)
    last_at, heatups = reader.last_at(), reader.heatups()
    reader.close()
    assert sum(len(row.values_c) for row in shown) == 3984
    assert last_at is not None
    assert len(heatups) == 2


def test_a_daemon_goes_on_with_the_first_version_s_record_and_the_way_back_finds_it(
    first: Path, tmp_path: Path
) -> None:
    before = contents(first)
    carrying.back_up_to(first, None, tmp_path / "before", NOW_AT, silent)
    settings = write_settings(tmp_path, "", 5.0)
    arguments = ("try", "--settings", str(settings), "--speed", "60")
    with Process("probe_agent.cli", *arguments, log=tmp_path / "log") as daemon:
        daemon.wait_for(lambda: rows_of(first, "readings") > len(before["readings"]))
    after = contents(first)
    for name in ("readings", "ticks", "forecasts", "hand_readings", "transitions", "commands", "boots"):
        assert set(before[name]) <= set(after[name]), name
    assert len(after["heatups"]) >= 2
    carrying.restore(tmp_path / "before", first, NOW_AT, silent)
    assert contents(first) == before
    assert schema(first) == 1


def rows_of(path: Path, table: str) -> int:
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=30)
    try:
        return int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
    finally:
        db.close()
