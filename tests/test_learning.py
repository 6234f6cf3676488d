"""What the record teaches: rows as the physics sees them, scores, places that read the heater, news."""

from __future__ import annotations

import json
import math
import sqlite3
import threading
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from scripted import START_UTC, ScriptedSource, open_agent, settings_in, tick_until, warming

from probe_agent import learning
from probe_agent.archive import (
    Archive,
    HandValue,
    Learned,
    Score,
    StoredFall,
    StoredForecast,
    StoredHeatup,
    StoredLesson,
    StoredMemory,
)
from probe_agent.cli import main
from probe_agent.config import Setup
from probe_agent.learning import Record, observed, reading_heater, record_of, score_forecasts
from probe_agent.readings import Fault
from probe_agent.status import utc_seconds
from probe_agent.store import CurveRow
from probe_agent.thermocouple import linearise
from probe_agent.weakening import Warming


def heatup(above_at: float | None = 7200.0, number: int = 1, excluded: bool = False) -> StoredHeatup:
    """On at 0 s, over at 10 000 s."""
    return StoredHeatup(number, 10, 100, 7.0, 0.0, above_at, 9000.0, 10_000.0, "cooled", excluded, "")


# -- scores


def forecast(at: float, p10: float | None, p50: float | None, p90: float | None) -> StoredForecast:
    return StoredForecast(round(at), at, p10, p50, p90)


def test_the_forecast_that_stood_is_judged_against_what_happened() -> None:
    told = [forecast(300.0 * i, 6000.0, 7800.0 - i * 100, None if i < 10 else 7100.0) for i in range(1, 30)]
    assert score_forecasts(heatup(), told) == (
        Score(25, 1800, 7200.0 - 7200.0, True),  # open end
        Score(50, 3600, 6600.0 - 7200.0, False),
        Score(75, 5400, 6000.0 - 7200.0, False),
    )


def test_one_that_said_never_is_outside_and_has_no_error() -> None:
    told = [forecast(300.0 * i, None, None, None) for i in range(1, 30)]
    assert [(s.error_s, s.inside) for s in score_forecasts(heatup(), told)] == [(None, False)] * 3


def test_no_forecast_near_enough_is_no_score_and_no_target_no_judgement() -> None:
    assert score_forecasts(heatup(), [forecast(100.0, 1.0, 2.0, 3.0)]) == ()
    assert score_forecasts(heatup(None), [forecast(1800.0, 1.0, 2.0, 3.0)]) == ()


@given(
    above=st.floats(120, 36_000),
    every=st.floats(15, 300),
    p50=st.floats(0, 50_000),
    half=st.floats(0, 5000),
)
def test_what_is_judged_stood_at_that_instant(above: float, every: float, p50: float, half: float) -> None:
    told = [forecast(every * i, p50 - half, p50, p50 + half) for i in range(1, int(above // every) + 1)]
    for score in score_forecasts(heatup(above), told):
        assert score.tick <= score.percent / 100 * above + 0.5
        assert score.error_s == p50 - above
        assert score.inside == (abs(p50 - above) <= half) or math.isclose(abs(p50 - above), half)


def test_the_record_is_of_the_last_ten_judged_halfway() -> None:
    def scored(error_s: float | None, inside: bool) -> tuple[Score, ...]:
        return Score(25, 1, 9e9, False), Score(50, 2, error_s, inside)

    assert record_of([]) is None
    assert record_of([(Score(25, 1, 1.0, True),)]) is None
    old = [scored(1e6, False)] * 5
    last = [scored(60.0 * i, i < 8) for i in range(10)]
    assert record_of([*old, *last]) == Record(10, 300.0, 8)
    assert record_of([scored(None, False), scored(None, False), scored(5.0, True)]) == Record(3, None, 1)


# -- heater-off tests


def fall(place: str, c: float, reads: bool, tick: int = 1) -> StoredFall:
    return StoredFall(place, tick, c, 0.3, reads)


def test_a_place_reads_the_heater_by_the_median_of_its_last_three_tests() -> None:
    falls = [
        fall("sump", 9.0, True),
        fall("sump", 3.0, True),
        fall("cyl-1", 2.0, True),
        fall("sump", 2.0, False),
        fall("sump", 2.5, True),
        fall("cyl-1", 1.0, False),
        fall("cyl-2", 2.0, True),
        fall("cyl-2", 0.4, False),
        fall("cyl-2", 0.3, False),
        fall("cyl-3", 0.3, False),
    ]
    assert reading_heater(falls) == {"sump": 2.5, "cyl-1": 1.5}
    assert reading_heater([]) == {}


# -- news of a change


def lessons(*changed: str) -> dict[int, StoredLesson]:
    return {i + 1: StoredLesson(2, True, False, "", text) for i, text in enumerate(changed)}


@pytest.mark.parametrize(
    ("changed", "news"),
    [
        ((), None),
        (("",), None),
        (("", "it gives 14 % less"), (2, "it gives 14 % less")),
        (("it gives 14 % less", "it gives 16.5 % less"), None),
        (("it gives 14 % less", ""), None),
        (("it gives 14 % less", "cylinder 3 gets less"), (2, "cylinder 3 gets less")),
        (("less heat; a band", "a band; less heat"), None),
        (("less heat 3", "less heat 4; a band"), (2, "a band")),
        (("it gives 14 % less", *[""] * 10, "it gives 20 % less"), (12, "it gives 20 % less")),
    ],
)
def test_a_change_is_news_once(changed: tuple[str, ...], news: tuple[int, str] | None) -> None:
    assert learning._news(lessons(*changed)) == news


# -- what fits together


def stored(
    version: int = learning.MODEL_VERSION, learned_from: tuple[int, ...] = (1,), text: str = ""
) -> StoredMemory:
    known = '{"names": ["a"], "mean": [1.0], "covariance": [[1.0]], "heat_ups": 1, "powers": [], "later": 2}'
    return StoredMemory((1, 1.0), version, learned_from, text or known)


def test_a_memory_is_read_with_fields_it_may_gain_and_never_one_of_another_model() -> None:
    memory = learning.memory_of(stored())
    assert memory is not None
    assert (memory.names, memory.heat_ups) == (("a",), 1)
    assert learning.memory_of(stored(version=0)) is None
    assert learning.memory_of(stored(text='{"names": 3}')) is None
    assert learning.memory_of(stored(text="{half")) is None
    assert learning.memory_of(None) is None


def test_what_is_stored_is_outdated_where_it_is_not_what_the_heat_ups_teach() -> None:
    clean = StoredLesson(learning.MODEL_VERSION, True, False, "", "")
    unclean = StoredLesson(learning.MODEL_VERSION, False, False, "no rise", "")
    one, two = heatup(number=1), heatup(number=2)
    left_out = heatup(number=1, excluded=True)
    outdated = learning._is_outdated
    assert not outdated([], {}, None)
    assert not outdated([one], {}, None), "not learned from yet"
    assert not outdated([one], {1: clean}, stored())
    assert not outdated([one, two], {1: clean}, stored()), "the second is due, not the first again"
    assert not outdated([one], {1: unclean}, None)
    assert outdated([one], {1: clean}, None)
    assert outdated([one], {1: clean}, stored(version=0))
    assert outdated([one], {1: clean}, stored(text="{half"))
    before_powers = '{"names": ["a"], "mean": [1.0], "covariance": [[1.0]], "heat_ups": 1}'
    assert outdated([one], {1: clean}, stored(text=before_powers)), "with what power was not kept then"
    assert outdated([one], {1: StoredLesson(0, True, False, "", "")}, stored())
    assert outdated([one, two], {1: clean, 2: clean}, stored())
    assert outdated([left_out], {1: clean}, stored()), "left out since"
    assert outdated([one, two], {2: clean}, stored(learned_from=(2,))), "taken in again"
    assert not outdated([left_out, two], {2: clean}, stored(learned_from=(2,)))


# -- rows


def test_a_reading_by_hand_is_seen_with_the_next_row_and_never_beside_a_probe() -> None:
    rows = [
        CurveRow(100.0, {"cyl-1": -5.0, "cyl-2": None, "ambient": -9.0}, 1.0),
        CurveRow(160.0, {"cyl-1": -4.9, "sump": 1.0}, 1.0),
        CurveRow(3000.0, {"cyl-1": -2.0}, 0.0),
    ]
    hand = [
        HandValue(90.0, "cyl-2", -6.0, "infrared"),
        HandValue(120.0, "cyl-2", -5.5, "contact"),
        HandValue(130.0, "cyl-1", 9.0, "contact"),
        HandValue(200.0, "cyl-2", -5.0, "contact"),
    ]
    seen = [obs for _, obs in observed(rows, hand, -100.0, ("cyl-1", "cyl-2"))]
    assert [o.t_s for o in seen] == [0.0, 60.0, 2900.0]
    assert [dict(o.values_c) for o in seen] == [
        {"cyl-1": -5.0, "cyl-2": -6.0},
        {"cyl-1": -4.9, "cyl-2": -5.5},
        {"cyl-1": -2.0},  # taken too long before
    ]
    assert [o.sigma_c for o in seen] == [{"cyl-2": 3.0}, {"cyl-2": 1.0}, {}]
    assert [o.ambient_c for o in seen] == [-9.0, None, None]
    assert [o.heater for o in seen] == [1.0, 1.0, 0.0]


# -- the archive


def write(folder: Path, *statements: str) -> None:
    db = sqlite3.connect(folder / "probe-agent.db")
    with db:
        for statement in statements:
            db.execute(statement)
    db.close()


def heated(folder: Path, until_s: float = 4 * 3600.0, off_s: float = 5400.0, **more: object) -> None:
    """A store with one heat-up that stopped and did not come back."""

    def script(t_s: float) -> dict[str, float | Fault]:
        values = dict(warming(9.0)(min(t_s, off_s)))
        cooled = 6.0 * (1 - math.exp(-max(t_s - off_s, 0) / 7200))
        return {p: v - cooled if p != "ambient" and isinstance(v, float) else v for p, v in values.items()}

    agent = open_agent(folder, ScriptedSource(script, lambda t_s: float(600 <= t_s < off_s)), **more)
    tick_until(agent, until_s, 120.0)
    agent._finish()
    agent.store.close()


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a store with one heat-up. Not to be written to."""
    folder = tmp_path_factory.mktemp("one")
    heated(folder)
    return folder


SETUP = Setup(name="winter", heater="pads-and-bands", watts=650, cover=True, cowl_plugs=True)


def test_a_heat_up_is_read_with_the_rest_before_it_and_the_cooling_after(one: Path) -> None:
    with Archive(one / "probe-agent.db", read_only=True) as archive:
        (found,) = archive.heatups(archive.alike(SETUP))
        assert found.off_at is not None
        first, last, complete = archive.span(found, 300.0, found.ended_at + 900.0)
        assert complete
        rows = list(archive.curve(first, last, {}))
        assert rows[0].at == pytest.approx(found.started_at - 240.0, abs=60.0)
        assert rows[-1].at == pytest.approx(found.ended_at + 840.0, abs=60.0)
        assert all(a.at < b.at for a, b in pairwise(rows))
        assert set(rows[0].values_c) == {"cyl-1", "cyl-2", "case-nose", "ambient"}
        assert not archive.span(found, 300.0, found.ended_at + 1e6)[2], "not all of that was measured"


def test_a_curve_is_of_the_last_probe_alone_by_todays_corrections(one: Path, tmp_path: Path) -> None:
    (tmp_path / "probe-agent.db").write_bytes((one / "probe-agent.db").read_bytes())
    write(
        tmp_path,
        f"INSERT INTO bindings (place, source, address, from_at, to_at) SELECT place, 'one-wire', '3b-1', 0,"
        f" {START_UTC + 3000} FROM places WHERE name = 'cyl-1'",
        f"INSERT INTO bindings (place, source, address, from_at) SELECT place, 'one-wire', '3b-2',"
        f" {START_UTC + 3000} FROM places WHERE name = 'cyl-1'",
        "INSERT INTO corrections (address, offset_mc, from_at, reason) VALUES ('3b-1', 700, 0, 'ice')",
        "INSERT INTO corrections (address, offset_mc, from_at, reason) VALUES ('3b-2', -500, 0, 'ice')",
        "INSERT INTO corrections (address, offset_mc, from_at, reason, undone_at)"
        " VALUES ('3b-2', 9000, 0, 'x', 1)",
        "INSERT INTO corrections (address, offset_mc, from_at, reason) VALUES ('case-nose', 250, 9e9, 'ice')",
        "UPDATE readings SET cold_mc = -12000 WHERE place = (SELECT place FROM places WHERE name = 'cyl-2')",
    )
    with Archive(one / "probe-agent.db", read_only=True) as archive:
        plain = list(archive.curve(1, 60, {}))
    with Archive(tmp_path / "probe-agent.db", read_only=True) as archive:
        rows = list(archive.curve(1, 60, {}))
    for was, now in zip(plain, rows, strict=True):
        if now.at < START_UTC + 3000:
            assert "cyl-1" not in now.values_c
        else:
            assert now.values_c["cyl-1"] == pytest.approx(was.values_c["cyl-1"] - 0.5)
        assert now.values_c["case-nose"] == pytest.approx(was.values_c["case-nose"] + 0.25)
        assert now.values_c["cyl-2"] == linearise(was.values_c["cyl-2"], -12.0, "K")


@pytest.mark.parametrize(
    ("change", "same"),
    [
        ({"switched_by": "timer"}, True),
        ({"dryer": True}, True),
        ({"watts": 400.0}, False),
        ({"cover": False}, False),
    ],
)
def test_a_setup_is_the_same_while_what_warms_the_engine_is(
    one: Path, change: dict[str, object], same: bool
) -> None:
    setup = Setup(**{**{f: getattr(SETUP, f) for f in SETUP.__struct_fields__}, **change})
    with Archive(one / "probe-agent.db", read_only=True) as archive:
        assert bool(archive.alike(setup)) == same


def test_what_is_kept_of_a_heat_up_is_read_back(one: Path, tmp_path: Path) -> None:
    (tmp_path / "probe-agent.db").write_bytes((one / "probe-agent.db").read_bytes())
    with Archive(tmp_path / "probe-agent.db") as archive:
        setups = archive.alike(SETUP)
        lesson = StoredLesson(3, True, False, "", "it gives less")
        tests, scores = (
            (fall("cyl-1", 2.125, True, 50),),
            (Score(50, 40, None, False), Score(75, 60, -3.5, True)),
        )
        archive.keep(setups, [Learned(1, lesson, tests, scores)], (3, [1], '{"a": 1}'))
        for _ in range(2):
            assert archive.lessons(setups) == {1: lesson}
            assert archive.falls(setups) == list(tests)
            assert archive.scores(setups) == {1: scores}
            memory = archive.memory(setups)
            assert memory is not None
            assert (memory.model_version, memory.learned_from, memory.parameters) == (3, (1,), '{"a": 1}')
            archive.keep(setups, [Learned(1, lesson, tests, scores)], (3, [1], '{"a": 1}'))
        archive.keep(setups, [], None, anew=True)
        assert (archive.lessons(setups), archive.falls(setups), archive.memory(setups)) == ({}, [], None)


# -- the daemon


def test_a_heat_up_is_learned_from_only_once_its_cooling_has_been_measured(tmp_path: Path) -> None:
    """Closed at once because somebody said so, it still waits for the heater-off test."""
    agent = open_agent(tmp_path, ScriptedSource(warming(), lambda t_s: float(600 <= t_s < 2400)))
    tick_until(agent, 2400.0, 60.0)
    agent._watch = learning_says_off(agent)
    tick_until(agent, 3000.0, 60.0)
    db = sqlite3.connect(tmp_path / "probe-agent.db")
    assert db.execute("SELECT end_reason FROM heatups").fetchall() == [("switched off, as said",)]
    assert db.execute("SELECT count(*) FROM lessons").fetchone() == (0,)
    tick_until(agent, 2400.0 + learning.AFTER_OFF_S + 120.0, 60.0)
    assert db.execute("SELECT count(*) FROM lessons").fetchone() == (1,)
    db.close()
    agent.store.close()


def learning_says_off(agent: object) -> object:
    from probe_agent import supervisor

    return supervisor.say_heater(agent._watch, False, agent.clock.monotonic())  # type: ignore[attr-defined]


def write_heat_up(path: Path, day: int, plateau_c: float) -> Path:
    """A morning of two places, a row a minute, warming exponentially towards a plateau."""
    lines = ["time,cyl-1,case-nose,ambient,heater"]
    for i in range(110):
        rise = 0.0 if i < 5 else plateau_c * (1 - 0.985 ** (i - 5))
        heater = 0 if i < 5 else 650
        minute = f"2026-01-{day:02d}T0{6 + i // 60}:{i % 60:02d}:00Z"
        lines.append(f"{minute},{-10 + rise:.2f},{-10 + 0.8 * rise:.2f},-10.0,{heater}")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


@pytest.mark.long
def test_successive_recordings_through_the_daemon_give_what_replay_gives(tmp_path: Path) -> None:
    """The second morning's forecasts rest on the first one's lesson, in both."""
    from scripted import SETTINGS

    settings = tmp_path / "settings.toml"
    settings.write_text(SETTINGS, "utf-8")
    store = tmp_path / "store.db"
    files = [str(write_heat_up(tmp_path / f"{day}.csv", day, 30.0)) for day in (10, 11)]
    common = ["--settings", str(settings), "--target-c", "4"]
    for file in files:
        run = CliRunner().invoke(
            main, ["run", "--recording", file, "--speed", "max", *common, "--store", str(store)]
        )
        assert run.exit_code == 0, run.output
    replayed = CliRunner().invoke(main, ["replay", *files, *common, "--learn"])
    lines = [json.loads(line) for line in replayed.stdout.splitlines()]
    db = sqlite3.connect(store)
    kept = db.execute(
        "SELECT (mono_ms + utc_offset_ms) / 1000.0, (p50_ms + utc_offset_ms) / 1000.0"
        " FROM forecasts JOIN ticks USING (tick) JOIN boots USING (boot)"
        " WHERE p50_ms IS NOT NULL AND boot = 2"
    ).fetchall()
    learned = db.execute("SELECT heatup, clean FROM lessons").fetchall()
    db.close()
    assert learned == [(1, 1), (2, 1)]
    told = {utc_seconds(line["time"]): line for line in lines}
    assert len(kept) >= 8
    for at, p50_at in kept:
        assert p50_at == pytest.approx(utc_seconds(told[at]["above_p50"]), abs=5.0)


def test_a_change_is_told_once_and_stays_on_the_page(one: Path, tmp_path: Path) -> None:
    from test_agent import Post

    (tmp_path / "probe-agent.db").write_bytes((one / "probe-agent.db").read_bytes())
    write(tmp_path, "UPDATE lessons SET changed = 'the heater gives 14 % less than a month ago'")
    for start_s in (86_400.0, 90_000.0):
        agent = open_agent(
            tmp_path, ScriptedSource(warming(on_s=1e9)), START_UTC + start_s, start_s, messages=Post()
        )
        tick_until(agent, start_s + 120.0, 60.0)
        assert agent.status is not None
        assert agent.status.learned is not None
        assert agent.status.learned.changed == "the heater gives 14 % less than a month ago"
        due = [m for m in agent.store.due_messages(["pilot"]) if not m.dedupe_key.startswith("test:")]
        assert [m.dedupe_key for m in due] == ["setup-changed:1"]
        assert due[0].subject == "Magpie: this setup heats unlike before"
        assert "the heater gives 14 percent less than a month ago." in due[0].body
        agent._finish()
        agent.store.close()


def test_what_has_weakened_is_kept_with_the_lesson_that_showed_it(
    one: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "probe-agent.db").write_bytes((one / "probe-agent.db").read_bytes())
    shown: list[int] = []

    def weaker(warmings: Sequence[Warming]) -> tuple[str, ...]:
        shown.append(len(warmings))
        return "cylinder 1 gets 30 % less of the heat than before", "everything warms slower"

    monkeypatch.setattr(learning, "weakened", weaker)
    course = learning.course_of(settings_in(tmp_path), ("cyl-1", "cyl-2", "case-nose"), ("cyl-1",))
    assert course is not None
    known = learning.catch_up(tmp_path / "probe-agent.db", course, afresh=True)
    assert shown == [1]
    told = "cylinder 1 gets 30 % less of the heat than before; everything warms slower"
    assert known.changed == (1, told)
    with Archive(tmp_path / "probe-agent.db", read_only=True) as archive:
        assert archive.lessons(archive.alike(SETUP))[1].changed == told
        (warming,) = archive.warmings(archive.alike(SETUP)).values()
        assert 5 < warming.rates_c_per_h["cyl-1"] < 10


def test_learning_that_is_told_to_stop_writes_nothing(one: Path, tmp_path: Path) -> None:
    (tmp_path / "probe-agent.db").write_bytes((one / "probe-agent.db").read_bytes())
    before = (one / "probe-agent.db").read_bytes()
    course = learning.course_of(settings_in(tmp_path), ("cyl-1", "cyl-2", "case-nose"), ("cyl-1",))
    assert course is not None
    stop = threading.Event()
    stop.set()
    with pytest.raises(learning.Stopped):
        learning.catch_up(tmp_path / "probe-agent.db", course, afresh=True, stop=stop)
    assert (tmp_path / "probe-agent.db").read_bytes() == before


def test_without_a_setup_there_is_nothing_to_learn_for(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(f'[store]\nfile = "{tmp_path}/x.db"\n', "utf-8")
    from probe_agent.migrations import migrate

    migrate(tmp_path / "x.db")
    for command in ("learn", "score"):
        result = CliRunner().invoke(main, [command, "--settings", str(tmp_path / "s.toml")])
        assert result.exit_code == 1
        assert "describe no setup" in result.output
    missing = CliRunner().invoke(
        main, ["learn", "--settings", str(tmp_path / "s.toml"), "--store", str(tmp_path / "no.db")]
    )
    assert "Start the daemon first" in missing.output
    assert settings_in(tmp_path).setup is not None
