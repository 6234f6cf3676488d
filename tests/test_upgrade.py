"""A record of each earlier version, rows in every table: brought to this one, nothing lost, and back."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from old_record import FIRST_WRITTEN, STEPS, contents, filled

from probe_agent import carrying
from probe_agent.migrations import migrate
from probe_agent.store import SCHEMA_TEXT, SCHEMA_VERSION

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
