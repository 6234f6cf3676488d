"""Three mornings of one aircraft: what they teach, kept, used by the next, rebuilt from the record."""

from __future__ import annotations

import json
import shutil
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parent.parent))

import mornings
from mornings import DAY_S, ON_S, close, live_until
from real_daemon import Process, status_in, write_settings

from probe_agent.agent import Agent
from probe_agent.cli import main
from probe_agent.engine_sim import Event, Happening, ProbeDesign
from probe_agent.learning import Course, catch_up, course_of
from probe_agent.previews import Previews
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.status import Status
from probe_agent.store import PREVIEW, Preview, Reader, Store, ask, read_preview
from probe_agent.thermal.memory import Memory
from probe_agent.thermal.prior import MODEL_VERSION
from probe_agent.without import difference

STOPPED_S = 2 * DAY_S + ON_S + 2400.0
"""On the third morning the heat stops long before the target."""
BESIDE_A_BAND = ProbeDesign("cyl-2", near_heat=0.1)


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an aircraft with three mornings behind it. Copy it, don't write to it."""
    folder = tmp_path_factory.mktemp("winter")
    stop = Event(STOPPED_S, Happening.HEATER_OFF)
    engine = mornings.engine(3, [stop], [BESIDE_A_BAND])
    agent = mornings.open_agent(folder, SimulatedSource(engine, start_s=0.0))
    mornings.live_mornings(agent, range(3))
    close(agent)
    return folder


@pytest.fixture
def folder(lived: Path, tmp_path: Path) -> Path:
    """A copy of those three mornings."""
    shutil.copy(lived / "probe-agent.db", tmp_path / "probe-agent.db")
    return tmp_path


def rows(folder: Path, sql: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(folder / "probe-agent.db")
    try:
        with db:
            return db.execute(sql).fetchall()
    finally:
        db.close()


def memory_in(folder: Path) -> Memory:
    ((parameters,),) = rows(folder, "SELECT parameters FROM memory")
    assert isinstance(parameters, str)
    return msgspec.json.decode(parameters, type=Memory)


def settings_file(folder: Path) -> Path:
    """The example's aircraft, whose setup is the one of these mornings, on that folder's store."""
    return write_settings(folder)


def fourth_morning(folder: Path, **more: object) -> Agent:
    """The daemon started again ten minutes before the heater is switched on, three days later."""
    start_s = 3 * DAY_S + ON_S - 600.0
    engine = mornings.engine(1, probes=[BESIDE_A_BAND], off_s=ON_S + 1200.0)
    source = SimulatedSource(engine, start_s=3 * DAY_S)
    return mornings.open_agent(folder, source, start_s, **more)


def shown(agent: Agent) -> Status:
    assert agent.status is not None
    return agent.status


def test_each_heat_up_teaches_and_is_scored(lived: Path) -> None:
    assert rows(lived, "SELECT heatup, model_version, clean, censored, why FROM lessons") == [
        (1, MODEL_VERSION, 1, 0, ""),
        (2, MODEL_VERSION, 1, 0, ""),
        (3, MODEL_VERSION, 1, 1, ""),
    ]
    assert rows(lived, "SELECT model_version, learned_from FROM memory") == [(MODEL_VERSION, "[1, 2, 3]")]
    assert memory_in(lived).heat_ups == 3
    assert rows(lived, "SELECT heatup, percent FROM scores") == [(h, p) for h in (1, 2) for p in (25, 50, 75)]
    for heatup, percent, late_s, share in rows(
        lived,
        "SELECT heatup, percent, error_s, (t.mono_ms - s.mono_ms) * 100.0 / (a.mono_ms - s.mono_ms)"
        " FROM scores JOIN heatups USING (heatup) JOIN ticks t USING (tick)"
        " JOIN ticks s ON s.tick = started_tick JOIN ticks a ON a.tick = above_tick",
    ):
        assert isinstance(share, float)
        assert isinstance(percent, int)
        assert percent - 9 <= share <= percent, "the forecast judged is one that stood then"
        assert isinstance(late_s, float), heatup
        assert abs(late_s) < 1800


def test_the_second_morning_knows_more_than_the_first(lived: Path) -> None:
    def width_s(heatup: int) -> float:
        """Of the first range after heater-on."""
        ((found,),) = rows(
            lived,
            "SELECT (p90_ms - p10_ms) / 1000.0 FROM forecasts f JOIN heatups h ON tick >= started_tick"
            f" WHERE h.heatup = {heatup} AND p90_ms IS NOT NULL ORDER BY tick LIMIT 1",
        )
        assert isinstance(found, float)
        return found

    assert width_s(2) < 0.5 * width_s(1)


def test_a_restart_starts_from_the_memory_and_says_on_how_much_it_rests(folder: Path) -> None:
    agent = fourth_morning(folder)
    assert agent._physics.estimator.memory == memory_in(folder)
    live_until(agent, 3 * DAY_S + ON_S + 300.0, 60.0)
    status = shown(agent)
    assert status.state == "heating"
    assert not status.first_of_setup
    assert status.learned is not None
    assert (status.learned.heat_ups, status.learned.judged) == (3, 2)
    close(agent)


def test_the_memory_is_no_only_copy(lived: Path, folder: Path) -> None:
    assert rows(lived, "SELECT DISTINCT heatup FROM warmings") == [(1,), (2,), (3,)]
    for table in ("memory", "lessons", "falls", "scores", "warmings"):
        rows(folder, f"DELETE FROM {table}")
    settings = str(settings_file(folder))
    result = CliRunner().invoke(main, ["learn", "--settings", settings])
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert [line.split(": ")[0] for line in lines[:3]] == ["1 of 3", "2 of 3", "3 of 3"]
    assert lines[0].endswith(": learned.")
    assert lines[2].endswith(": learned, up to where it was stopped.")
    assert lines[3] == "The range of setup winter rests on three heat-ups."
    assert memory_in(folder) == memory_in(lived)
    for table in ("lessons", "falls", "scores", "warmings"):
        wanted = f"SELECT * FROM {table}" if table != "lessons" else "SELECT heatup, clean, why FROM lessons"
        assert rows(folder, wanted) == rows(lived, wanted)


def carry_out(agent: Agent, kind: str, **body: object) -> dict[str, object]:
    command = ask(agent.store.path, kind, body)
    agent.answer_commands()
    reader = Reader(agent.store.path)
    try:
        said = json.loads(reader.answer(command) or "null")
    finally:
        reader.close()
    assert isinstance(said, dict)
    return said


def test_a_heat_up_left_out_teaches_nothing_and_can_be_taken_in_again(lived: Path, folder: Path) -> None:
    agent = fourth_morning(folder)
    live_until(agent, 3 * DAY_S + ON_S - 540.0)
    said = carry_out(agent, "exclude-heatup", heatup=2, excluded=True, note="cowl was open")
    assert said["ok"], said
    live_until(agent, 3 * DAY_S + ON_S - 480.0)
    assert rows(folder, "SELECT learned_from FROM memory") == [("[1, 3]",)]
    assert memory_in(folder) != memory_in(lived)
    assert agent._physics.estimator.memory == memory_in(folder)
    live_until(agent, 3 * DAY_S + ON_S - 420.0)
    status = shown(agent)
    assert status.learned is not None
    assert (status.learned.heat_ups, status.learned.judged) == (2, 1)
    assert rows(folder, "SELECT excluded, note FROM heatups WHERE heatup = 2") == [(1, "cowl was open")]
    assert carry_out(agent, "exclude-heatup", heatup=2, excluded=False)["ok"]
    assert not carry_out(agent, "exclude-heatup", heatup=9, excluded=True)["ok"]
    assert not carry_out(agent, "exclude-heatup", heatup=2, excluded="yes")["ok"]
    live_until(agent, 3 * DAY_S + ON_S - 360.0)
    assert memory_in(folder) == memory_in(lived)
    assert agent._physics.estimator.memory == memory_in(lived)
    close(agent)
    again = mornings.open_agent(folder, agent._sources[0], 3 * DAY_S + ON_S - 300.0)  # type: ignore[arg-type]
    went_on, relived = agent._physics.estimator.forecast(), again._physics.estimator.forecast()
    assert relived.t_s == went_on.t_s
    assert relived.core_c == pytest.approx(went_on.core_c)
    assert relived.trends_c_per_h == pytest.approx(went_on.trends_c_per_h)
    close(again)


def test_a_memory_of_another_model_is_not_used_and_worked_out_again(lived: Path, folder: Path) -> None:
    rows(folder, "UPDATE memory SET model_version = 0")
    agent = fourth_morning(folder)
    assert agent._physics.estimator.memory is None, "the prior meanwhile"
    live_until(agent, 3 * DAY_S + ON_S - 540.0)
    assert any("worked out again" in note for note in shown(agent).notes)
    live_until(agent, 3 * DAY_S + ON_S - 480.0)
    assert not shown(agent).notes
    assert memory_in(folder) == memory_in(lived)
    assert agent._physics.estimator.memory == memory_in(lived)
    close(agent)


def test_a_probe_that_read_the_heater_counts_for_less_until_ten_minutes_after_heater_off(
    folder: Path,
) -> None:
    """Cylinder 2's probe lies beside its band: the heater-off test of each of the three mornings says so."""
    judged = rows(
        folder,
        "SELECT heatup, fall_mc / 1000.0 FROM falls JOIN places USING (place)"
        " WHERE reads_heater AND name = 'cyl-2' ORDER BY heatup",
    )
    assert [heatup for heatup, _ in judged] == [1, 2, 3]
    others = "reads_heater AND name NOT IN ('cyl-2', 'sump')"  # sump: the oil over its pad
    assert rows(folder, f"SELECT name FROM falls JOIN places USING (place) WHERE {others}") == []
    fall_c = sorted(c for _, c in judged if isinstance(c, float))[1]
    assert fall_c > 1.0
    agent = fourth_morning(folder)

    def cylinder_2() -> tuple[float | None, float | None]:
        found = shown(agent).probes[2]
        assert found.place == "cyl-2"
        return found.c, found.counted_c

    live_until(agent, 3 * DAY_S + ON_S - 60.0)
    assert cylinder_2()[1] is None, "at rest it reads metal"
    live_until(agent, 3 * DAY_S + ON_S + 1140.0)
    c, counted_c = cylinder_2()
    assert c is not None
    assert counted_c == pytest.approx(c - fall_c, abs=0.011)
    status = shown(agent)
    colder = {
        p.place: p.c - (fall_c if p.place == "cyl-2" else 0) for p in status.probes if p.required and p.c
    }
    assert status.coldest == min(colder, key=lambda p: colder[p])
    assert status.coldest_c == pytest.approx(min(colder.values()), abs=0.01)
    while shown(agent).heater.heating is not False:
        held_c = shown(agent).probes[2].counted_c
        live_until(agent, agent.clock.monotonic() + 60.0)
    assert held_c is not None
    for _ in range(9):
        c, counted_c = cylinder_2()
        assert c is not None
        counts_c = c if counted_c is None else counted_c
        assert counts_c == pytest.approx(min(c, max(held_c, c - fall_c)), abs=0.021), (
            "nothing taken off twice"
        )
        live_until(agent, agent.clock.monotonic() + 60.0)
    live_until(agent, 3 * DAY_S + ON_S + 1200.0 + 720.0)
    assert cylinder_2()[1] is None
    close(agent)


def test_score_prints_a_row_a_heat_up_and_how_they_were_borne_out(folder: Path) -> None:
    rows(folder, "UPDATE heatups SET excluded = 1 WHERE heatup = 3")
    settings = str(settings_file(folder))
    table = CliRunner().invoke(main, ["score", "--settings", settings])
    assert table.exit_code == 0, table.output
    head, *lines, sentence = table.output.splitlines()
    assert head.split()[:3] == ["no", "started", "warm-up"]
    assert [line.split()[0] for line in lines] == ["1", "2", "3"]
    assert lines[1].rstrip().endswith("learned")
    assert lines[2].rstrip().endswith("left out")
    assert sentence.startswith("In the last two heat-ups, halfway: within ")
    said = json.loads(CliRunner().invoke(main, ["score", "--settings", settings, "--json"]).output)
    assert said["sentence"] == sentence
    assert [h["heatup"] for h in said["heat_ups"]] == [1, 2, 3]
    assert said["heat_ups"][0]["started"].startswith("2027-01-15T0")
    assert [s["percent"] for s in said["heat_ups"][0]["scores"]] == [25, 50, 75]
    assert said["heat_ups"][2]["excluded"] is True


def test_learning_beside_a_running_daemon_which_goes_on_with_it(folder: Path) -> None:
    """Two processes on one store: the daemon started without a memory is seen to rest on three heat-ups."""
    rows(folder, "DELETE FROM memory")
    rows(folder, "DELETE FROM lessons")
    rows(folder, "UPDATE heatups SET excluded = 1")  # so that the daemon itself has nothing to learn
    settings = str(settings_file(folder))

    def rests_on(heat_ups: int) -> Callable[[], bool]:
        def true() -> bool:
            status = status_in(folder)
            return status is not None and status.learned is not None and status.learned.heat_ups == heat_ups

        return true

    with Process(
        "probe_agent.cli", "try", "--settings", settings, "--speed", "60", log=folder / "log"
    ) as daemon:
        daemon.wait_for(rests_on(0))
        rows(folder, "UPDATE heatups SET excluded = 0")
        result = CliRunner().invoke(main, ["learn", "--settings", settings])
        assert result.exit_code == 0, result.output
        daemon.wait_for(rests_on(3))
        assert daemon.end() == 0


def test_the_background_thread_learns_while_the_daemon_ticks(folder: Path) -> None:
    """A real clock's daemon: nothing learned yet; the memory is there some time later, ticks went on."""
    rows(folder, "DELETE FROM memory")
    rows(folder, "DELETE FROM lessons")
    settings = str(settings_file(folder))
    with Process(
        "probe_agent.cli", "try", "--settings", settings, "--speed", "60", log=folder / "log"
    ) as daemon:
        daemon.wait_for(lambda: bool(rows(folder, "SELECT 1 FROM memory")))
        daemon.wait_for(
            lambda: (s := status_in(folder)) is not None and s.learned is not None and s.learned.heat_ups == 3
        )
        assert daemon.end() == 0
    assert rows(folder, "SELECT learned_from FROM memory") == [("[1, 2, 3]",)]


# -- one left out, previewed


def course_in(folder: Path) -> Course:
    settings = mornings.settings_in(folder)
    found = course_of(settings, [p.name for p in settings.places], settings.required)
    assert found is not None
    return found


def test_a_preview_says_what_leaving_out_would_do_and_does_none_of_it(folder: Path) -> None:
    file, course = folder / "probe-agent.db", course_in(folder)
    before = file.read_bytes()
    told: list[tuple[int, int]] = []
    found = difference(file, course, 1, True, lambda done, of: told.append((done, of)))
    assert file.read_bytes() == before
    assert told == [(i, 3) for i in range(1, 4)], "two heat-ups teach, one is compared"
    assert (found.heat_ups_now, found.heat_ups_then) == (3, 2)
    ((heatup, now_s, then_s),) = found.said
    assert heatup == 2
    assert now_s is not None
    assert then_s is not None
    assert now_s != then_s
    assert found.shift_s == (then_s - now_s,) * 3

    rows(folder, "UPDATE heatups SET excluded = 1 WHERE heatup = 1")
    catch_up(file, course, all_ended=True)
    back = difference(file, course, 1, False)
    assert (back.heat_ups_now, back.heat_ups_then) == (2, 3)
    ((_, now_again_s, then_again_s),) = back.said
    assert now_again_s == pytest.approx(then_s, abs=0.001), "what was previewed is what came"
    assert then_again_s == pytest.approx(now_s, abs=0.001)


@pytest.mark.parametrize(
    ("sql", "heatup", "why"),
    [
        ("SELECT 1", 9, "isn't over yet, or is of another setup"),
        ("DELETE FROM lessons WHERE heatup = 3", 1, "is being worked out at this moment"),
    ],
)
def test_what_can_not_be_previewed_says_why(folder: Path, sql: str, heatup: int, why: str) -> None:
    rows(folder, sql)
    with pytest.raises(LookupError, match=why):
        difference(folder / "probe-agent.db", course_in(folder), heatup, True)


def kept_preview(record: Store) -> Preview:
    found = read_preview(record.kept(PREVIEW))
    assert found is not None
    return found


def test_a_preview_is_worked_out_beside_and_a_newer_one_takes_its_place(folder: Path) -> None:
    record = Store(folder / "probe-agent.db")
    previews = Previews(record, lambda: course_in(folder), at_once=False)
    try:
        assert previews.ask(1, True)[0]
        assert kept_preview(record).state == "working"
        assert previews.ask(2, True)[0]
        assert previews._thread is not None
        previews._thread.join(120)
        done = kept_preview(record)
        assert (done.heatup, done.state, done.judged) == (2, "done", 1)
        assert done.basis == record.newest_lesson()
        reader = Reader(folder / "probe-agent.db")
        assert reader.preview() == done
        rows(folder, "UPDATE lessons SET learned_at = learned_at + 1")
        assert reader.preview() is None, "what the heat-ups teach is another now"
        reader.close()
        previews.ask(9, True)
        previews._thread.join(120)
        assert kept_preview(record).state == "failed"
    finally:
        previews.stop()
        record.close()


def test_a_preview_cut_off_by_a_restart_says_so(folder: Path) -> None:
    record = Store(folder / "probe-agent.db")
    record.keep(PREVIEW, msgspec.json.encode(Preview(1, True, 0.0)).decode())
    Previews(record, lambda: course_in(folder), at_once=False)
    cut = kept_preview(record)
    assert (cut.state, cut.why) == ("failed", "the daemon was started anew meanwhile; ask again")
    record.close()


def test_notes_and_previews_are_commands(folder: Path) -> None:
    agent = fourth_morning(folder)
    asked = [
        ("note-heatup", {"heatup": 1, "note": " Cowl opened. "}, True, "The note is kept."),
        ("note-heatup", {"heatup": 1, "note": "x" * 501}, False, "at most 500 letters"),
        ("note-heatup", {"heatup": 77, "note": "x"}, False, "There is no heat-up 77."),
        ("preview-heatup", {"heatup": 77, "excluded": True}, False, "There is no heat-up 77."),
        ("preview-heatup", {"heatup": 1, "excluded": False}, False, "counts already"),
        ("preview-heatup", {"heatup": 1, "excluded": "x"}, False, "Say whether"),
        ("preview-heatup", {"heatup": 2, "excluded": True}, True, "Nothing is changed"),
    ]
    numbers = [ask(folder / "probe-agent.db", kind, body) for kind, body, _, _ in asked]
    agent.answer_commands()
    reader = Reader(folder / "probe-agent.db")
    for number, (_, _, ok, text) in zip(numbers, asked, strict=True):
        answer = json.loads(reader.answer(number) or "{}")
        assert answer["ok"] is ok
        assert text in answer["text"]
    preview = reader.preview()
    assert preview is not None
    assert (preview.heatup, preview.state) == (2, "done")
    assert [h.note for h in reader.heatups_named([1])] == ["Cowl opened."]
    reader.close()
    close(agent)
