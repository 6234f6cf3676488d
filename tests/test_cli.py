"""The commands as a person gives them."""

from __future__ import annotations

import json
import os
import re
import socket
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import status_samples as samples
from answering_daemon import AnsweringDaemon
from click.testing import CliRunner, Result
from real_daemon import Process, status_in, write_settings

from probe_agent import words
from probe_agent.agent import Agent, plan_from_settings
from probe_agent.cli import assemble, example_settings, main
from probe_agent.cli.assembly import scheduled
from probe_agent.clock import SimulatedClock
from probe_agent.config import Settings, parse_settings
from probe_agent.status import Status, utc_seconds
from probe_agent.store import Batch, mark_proven


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


def write_recording(folder: Path, rows: int = 40) -> Path:
    """A heat-up of two places, a row a minute, the heater on from the fifth."""
    lines = ["time,cyl-1,case-nose,ambient,heater"]
    for i in range(rows):
        rise = 0.0 if i < 5 else 22.0 * (1 - 0.97 ** (i - 5))
        minute = f"2026-01-10T0{6 + i // 60}:{i % 60:02d}:00Z"
        lines.append(f"{minute},{-10 + rise:.2f},{-10 + 0.8 * rise:.2f},-10.0,{0 if i < 5 else 650}")
    path = folder / "heat-up.csv"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


@pytest.mark.parametrize("command", ["", *main.commands])
def test_help_explains_each_command(command: str) -> None:
    result = invoke(*command.split(), "--help")
    assert result.exit_code == 0
    assert len(result.output.splitlines()) > 4


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "warm", ""])
@pytest.mark.parametrize(
    "typed",
    [
        ["enter", "cyl-3", "{}"],
        ["enter", "cyl-3", "-5", "--ago", "{}"],
        ["weather", "--air-c", "{}"],
        ["weather", "--air-f", "{}"],
        ["weather", "--air-c", "-8", "--wind", "{}"],
        ["compare", "contact", "cyl-1", "--reads-c", "{}"],
        ["compare", "boiling", "cyl-1", "--pressure-hpa", "{}"],
        ["compare", "infrared", "--spot", "cyl-1={}"],
        ["plan", "2026-12-05T09:00", "--travel-min", "{}"],
        ["what-if", "--uncovered-min", "{}"],
        ["identify", "--every", "{}"],
    ],
    ids=" ".join,
)
def test_what_is_no_number_is_refused_before_the_daemon_is_asked(
    tmp_path: Path, typed: list[str], number: str
) -> None:
    """nan passes every comparison with a bound, and float() takes it."""
    where = ["--settings", str(write_settings(tmp_path))]
    result = invoke(*(word.format(number) for word in typed), *where)
    assert (result.exit_code, type(result.exception)) == (2, SystemExit)
    assert "number. Write" in result.output or "write it as" in result.output


@pytest.mark.parametrize("target", ["nan", "inf", "1e308", "-400", "warm"])
def test_a_target_no_engine_has_gives_no_forecast(tmp_path: Path, target: str) -> None:
    """To one that is nan everything would be above target at once."""
    recording = str(write_recording(tmp_path, 8))
    for command in (["replay", recording], ["run", "--recording", recording]):
        result = invoke(*command, "--target-c", target)
        assert result.exit_code == 2
        assert result.stdout == ""


@pytest.mark.parametrize(
    "typed",
    [
        ["flew", "flown-hot", "--outing"],
        ["include"],
        ["exclude"],
        ["timer-set"],
        ["uncorrect"],
        ["unpair"],
        ["enter", "--undo"],
    ],
    ids=" ".join,
)
def test_a_number_too_long_for_the_record_is_refused(tmp_path: Path, typed: list[str]) -> None:
    result = invoke(*typed, "9" * 23, "--settings", str(write_settings(tmp_path)))
    assert result.exit_code == 2
    assert "is not in the range 1<=x<=999999999" in result.output


def test_wind_alone_is_not_passed_over(tmp_path: Path) -> None:
    result = invoke("weather", "--wind", "5", "--settings", str(write_settings(tmp_path)))
    assert result.exit_code == 2
    assert "--wind goes with --air-c" in result.output


def test_the_example_is_a_settings_file() -> None:
    result = invoke("example")
    assert result.output == example_settings()
    assert parse_settings(result.output.encode(), "example").aircraft.name == "Magpie"


def test_no_settings_file_says_how_to_get_one() -> None:
    result = invoke("run")
    assert result.exit_code != 0
    assert "probe-agent example > settings.toml" in result.output


def test_a_refused_settings_file_is_named_with_its_key(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_text("[limits]\ntarget_c = -20\n", "utf-8")
    result = invoke("run", "--settings", str(path))
    assert result.exit_code == 1
    assert str(path) in result.output
    assert "limits.target" in result.output


def test_a_recording_through_the_daemon_gives_what_replay_gives(tmp_path: Path) -> None:
    recording, store = write_recording(tmp_path), tmp_path / "store.db"
    run = invoke(
        "run", "--recording", str(recording), "--speed", "max", "--target-c", "-4", "--store", str(store)
    )
    assert run.exit_code == 0, run.output
    replayed = invoke("replay", str(recording), "--target-c", "-4")
    lines = {line["time"]: line for line in map(json.loads, replayed.stdout.splitlines())}
    assert len(lines) == 40
    db = sqlite3.connect(store)
    kept = db.execute(
        "SELECT (mono_ms + utc_offset_ms) / 1000.0, p10_ms, p50_ms, p90_ms, p_reach, utc_offset_ms"
        " FROM forecasts JOIN ticks USING (tick) JOIN boots USING (boot)"
    ).fetchall()
    readings = db.execute("SELECT count(*) FROM readings WHERE value_mc IS NOT NULL").fetchone()
    heatups = db.execute("SELECT started, above FROM heatups_utc").fetchall()
    db.close()
    assert readings == (120,)
    assert heatups[0][0] == "2026-01-10T06:05:00Z"
    assert heatups[0][1] is not None
    assert len(kept) >= 5
    for at, *quantiles, p_reach, offset_ms in kept:
        (line,) = (entry for time, entry in lines.items() if utc_seconds(time) == at)
        assert p_reach == pytest.approx(line["p_reach"], abs=0.001)
        for name, stored_ms in zip(("above_p10", "above_p50", "above_p90"), quantiles, strict=True):
            told = line[name]
            assert (stored_ms is None) == (told is None), (name, at)
            if told is not None:
                assert (stored_ms + offset_ms) / 1000 == pytest.approx(utc_seconds(told), abs=1.0)


@pytest.mark.parametrize("command", ["run", "try"])
@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "places: none is described, so there is nothing to watch. Add a [[places]] table"),
        ('[[places]]\nname = "sump"\n', "places: none has required = true, so nothing could ever be called"),
    ],
)
def test_settings_with_no_place_to_wait_for_are_refused_before_anything_is_kept(
    tmp_path: Path, command: str, text: str, said: str
) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(f'{text}[store]\nfile = "{tmp_path}/kept.db"\nruntime_dir = "{tmp_path}/run"\n', "utf-8")
    result = invoke(command, "--settings", str(file))
    assert result.exit_code == 1
    assert result.output.startswith(f"Error: {file}: {said}")
    assert isinstance(result.exception, SystemExit), "a sentence, no traceback"
    assert sorted(f.name for f in tmp_path.iterdir()) == ["settings.toml"]


def test_a_recording_names_its_own_places(tmp_path: Path) -> None:
    """Settings without a required place are no hindrance where the recording's columns are watched."""
    file = tmp_path / "settings.toml"
    file.write_text('[[places]]\nname = "cyl-1"\n', "utf-8")
    where = ("--settings", str(file), "--store", str(tmp_path / "kept.db"))
    result = invoke("run", *where, "--recording", str(write_recording(tmp_path)), "--speed", "max")
    assert result.exit_code == 0, result.output


def test_a_recording_is_read_whatever_probes_the_settings_name(tmp_path: Path) -> None:
    """Its columns are the places; the aircraft's own probes read none of it."""
    file, store = write_settings(tmp_path), tmp_path / "kept.db"
    recording = ("--recording", str(write_recording(tmp_path)), "--speed", "max")
    result = invoke("run", "--settings", str(file), "--store", str(store), *recording)
    assert result.exit_code == 0, result.output
    assert re.search(r": 120 readings, 1 heat-ups, \d+ forecasts", result.output)


def test_a_recording_goes_into_no_record_of_an_aircraft_with_probes(tmp_path: Path) -> None:
    file, store = write_settings(tmp_path), tmp_path / "kept.db"
    recording = ["--recording", str(write_recording(tmp_path)), "--speed", "max"]
    settings = ["--settings", str(file), "--store", str(store)]
    assert invoke("run", *settings, *recording).exit_code == 0
    db = sqlite3.connect(store)
    (place,) = db.execute("SELECT place FROM places WHERE name = 'cyl-1'").fetchone()
    db.execute(
        "INSERT INTO bindings(place, source, address, from_at) VALUES (?, 'one-wire', ?, 1.0)",
        (place, "3b-0c98000000a2"),
    )
    db.commit()
    before = list(db.iterdump())
    result = invoke("run", *settings, *recording)
    assert result.exit_code == 1
    assert "the record of an aircraft with probes; a recording doesn't belong in it" in result.output
    assert list(db.iterdump()) == before
    db.close()


def test_a_folder_is_no_recording(tmp_path: Path) -> None:
    result = invoke("replay", str(tmp_path), "--target-c", "7")
    assert result.exit_code == 1
    assert result.output == f"Error: {tmp_path} is a folder. Name the file in it.\n"


def test_a_folder_that_is_no_backup_is_told_so_with_what_to_do(tmp_path: Path) -> None:
    where = ["--settings", str(write_settings(tmp_path)), "--store", str(tmp_path / "kept.db")]
    result = invoke("restore", str(tmp_path), *where)
    assert result.exit_code == 1
    assert result.output == (
        f"Error: Nothing was restored: {tmp_path} is no backup that can be read: {tmp_path}/backup.json: "
        "No such file or directory. Name the folder that probe-agent backup made.\n"
    )


@pytest.mark.parametrize(
    ("command", "closed"),
    [("plans", "files"), ("check", "files"), ("plans", "folder"), ("identify", "folder"), ("run", "folder")],
)
def test_whoever_forgets_sudo_is_told_that_and_nothing_of_the_board(
    tmp_path: Path, command: str, closed: str
) -> None:
    """Neither a traceback, nor the advice to move the record away, nor a daemon said to be gone."""
    of_the_daemon = tmp_path / "of-the-daemon"
    of_the_daemon.mkdir()
    settings = write_settings(of_the_daemon).rename(tmp_path / "settings.toml")
    for name in ("probe-agent.db", "status.json", "daemon.lock"):
        (of_the_daemon / name).touch()
        (of_the_daemon / name).chmod(0 if closed == "files" else 0o644)
    of_the_daemon.chmod(0 if closed == "folder" else 0o755)
    as_anybody = ["setpriv", "--bounding-set=-all", "--inh-caps=-all"] if os.geteuid() == 0 else []
    typed = ["-c", "from probe_agent.cli import main; main()", command, "--settings", str(settings)]
    result = subprocess.run([*as_anybody, sys.executable, *typed], capture_output=True, text=True, timeout=60)
    of_the_daemon.chmod(0o755)
    assert result.returncode == 1
    assert re.fullmatch(
        rf"Error: {of_the_daemon}/\S+ is closed to this user.*Put sudo before the command.*\n", result.stderr
    ), result.stderr
    assert result.stdout == ""


def test_a_sister_s_file_is_asked_for_with_the_settings_named_on_either_side(tmp_path: Path) -> None:
    settings, store = str(write_settings(tmp_path)), str(tmp_path / "none.db")
    before = invoke("setups", "--settings", settings, "--store", store, "undo")
    behind = invoke("setups", "undo", "--settings", settings, "--store", store)
    assert before.output == behind.output == f"Error: {store} is not there yet. Start the daemon first.\n"


def test_a_bad_recording_is_refused_by_line(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("time,cyl-1\n0,1\n60,warm\n", "utf-8")
    for command in (
        ["replay", str(path), "--target-c", "5"],
        ["run", "--recording", str(path), "--speed", "max"],
    ):
        result = CliRunner().invoke(
            main, [*command, *(["--store", str(tmp_path / "x.db")] * (command[0] == "run"))]
        )
        assert result.exit_code == 1
        assert "line 3" in result.output
        assert "Traceback" not in result.output


def test_replay_prints_a_line_as_soon_as_its_row_came(tmp_path: Path) -> None:
    """On a pipe: the line of a row is there before the next row is written."""
    rows = write_recording(tmp_path, 8).read_text("utf-8").splitlines(keepends=True)
    command = [
        sys.executable,
        "-c",
        "from probe_agent.cli import main; main()",
        "replay",
        "-",
        "--target-c",
        "5",
    ]
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=env, text=True
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(rows[0])
        for row in rows[1:]:
            process.stdin.write(row)
            process.stdin.flush()
            line = json.loads(process.stdout.readline())
            assert line["time"] == row.split(",")[0]
        process.stdin.close()
        assert process.wait(20) == 0


def test_enter_and_heater_reach_a_running_daemon(tmp_path: Path) -> None:
    settings = str(write_settings(tmp_path))
    with Process(
        "probe_agent.cli", "try", "--settings", settings, "--speed", "60", log=tmp_path / "log"
    ) as daemon:
        daemon.wait_for(lambda: status_in(tmp_path) is not None)
        entered = invoke("enter", "--settings", settings, "cyl-3", "-5,5")
        assert entered.exit_code == 0, entered.output
        assert "cylinder 3 −5.5 °C, by hand" in entered.output
        assert invoke("enter", "--settings", settings, "--undo", "1").exit_code == 0
        refused = invoke("enter", "--settings", settings, "wing", "3")
        assert refused.exit_code == 1
        assert "not a place of this aircraft" in refused.output
        told = invoke("heater", "--settings", settings, "off")
        assert told.exit_code == 0, told.output
        assert daemon.end() == 0


def test_what_is_sure_and_since_when_is_told_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, dict[str, object]]] = []
    monkeypatch.setattr("probe_agent.cli.told.tell", lambda s, f, kind, body: asked.append((kind, body)))
    assert invoke("enter", "cyl-3", "23", "-f", "--sure").exit_code == 0
    assert invoke("heater", "on", "--since", "05:10").exit_code == 0
    assert invoke("heater", "on").exit_code == 0
    reading = {"place": "cyl-3", "c": -5.0, "method": "infrared", "age_s": 0.0, "unit": "F", "sure": True}
    assert asked == [
        ("hand-reading", reading),
        ("heater-said", {"on": True, "clock": "05:10"}),
        ("heater-said", {"on": True}),
    ]


def test_a_code_is_printed_listed_and_told_what_it_is_good_for(tmp_path: Path) -> None:
    path = write_settings(tmp_path)
    settings = str(path)
    with Process(
        "probe_agent.cli", "try", "--settings", settings, "--speed", "1", log=tmp_path / "log"
    ) as daemon:
        daemon.wait_for(lambda: status_in(tmp_path) is not None)
        assert "No phone is paired." in invoke("sessions", "--settings", settings).output
        owner = invoke("pair", "--settings", settings)
        assert owner.exit_code == 0, owner.output
        assert re.search(r"^Owner's code: [B-Z]{4}-[B-Z]{4}$", owner.output, re.M)
        assert "a paired phone can look but not act" in owner.output
        code = re.findall(r"code: (\S+)$", owner.output, re.M)[0]
        assert f"Link: http://{socket.gethostname()}:8088/pair#{code}\n" in owner.output
        assert "only the board itself reaches the page (listen under [page])" in owner.output
        assert "One owner's code is open until" in invoke("sessions", "--settings", settings).output
        viewer = invoke("pair", "--viewer", "--settings", settings)
        assert re.search(r"^Viewer's code: ", viewer.output, re.M)
        assert 'viewing = "anyone"' in viewer.output
        listed = invoke("sessions", "--settings", settings).output
        assert "One viewer's code is open until" in listed
        assert "wrong tries: 0" in listed
        refused = invoke("unpair", "--settings", settings, "7")
        assert refused.exit_code == 1
        assert "There is no session 7" in refused.output
        path.write_text(path.read_text("utf-8").replace("plain_acts = false", "plain_acts = true"), "utf-8")
        path.write_text(path.read_text("utf-8").replace("# public_url =", "public_url ="), "utf-8")
        printed = invoke("pair", "--settings", settings).output
        assert "can look but not act" not in printed
        assert re.search(r"^Link: https://magpie\.example\.org/pair#[B-Z]{4}-[B-Z]{4}$", printed, re.M)
        assert "host name" not in printed


def test_without_a_daemon_no_code_is_printed(tmp_path: Path) -> None:
    result = invoke("pair", "--settings", str(write_settings(tmp_path)))
    assert result.exit_code == 1
    assert "code:" not in result.output


def test_enter_without_a_daemon_says_so(tmp_path: Path) -> None:
    result = invoke("enter", "--settings", str(write_settings(tmp_path)), "cyl-3", "5")
    assert result.exit_code == 1
    assert "Start the daemon" in result.output


def test_a_departure_is_planned_moved_asked_of_and_ended_by_command(tmp_path: Path) -> None:
    """A daemon on the simulated engine, sixty times as fast as life; the start is told on the run's clock."""
    settings = write_settings(tmp_path)
    named = ("--settings", str(settings))
    with Process("probe_agent.cli", "try", *named, "--speed", "60", log=tmp_path / "log") as daemon:
        daemon.wait_for(lambda: (s := status_in(tmp_path)) is not None and s.coldest is not None)
        status = status_in(tmp_path)
        assert status is not None
        zone = ZoneInfo(status.zone)
        start = datetime.fromtimestamp(utc_seconds(status.now) + 12 * 3600, zone).strftime("%Y-%m-%dT%H:%M")
        asked = invoke("what-if", start, "--certainty", "19/20", *named)
        assert asked.exit_code == 0, asked.output
        assert "Engine start" in asked.output
        assert invoke("plans", *named).output.startswith("No departure is planned.")
        planned = invoke("plan", start, *named)
        assert planned.exit_code == 0, planned.output
        listed = invoke("plans", *named).output
        assert listed.startswith("1  Engine start")
        past = invoke("plan", "2020-01-01T09:00", *named)
        assert past.exit_code == 1
        assert "lies in the past" in past.output
        moved = invoke("move", "1", start[:-2] + ("10" if start[-2:] != "10" else "20"), *named)
        assert moved.exit_code == 0, moved.output
        ended = invoke("departure", "1", "not-flying", *named)
        assert ended.exit_code == 0, ended.output
        assert invoke("plans", *named).output.startswith("No departure is planned.")


# -- who is told


def told_settings(folder: Path, address: str = "json://127.0.0.1:9/a", more: str = "") -> Settings:
    text = '[[places]]\nname = "cyl-1"\nrequired = true\n'
    text += f'[[recipients]]\nname = "pilot"\naddress = "{address}"\n{more}'
    text += f'[store]\nfile = "{folder}/probe-agent.db"\nruntime_dir = "{folder}"'
    return parse_settings(text.encode(), "test.toml")


def assembled(settings: Settings, start_utc: float = 1_800_000_000.0) -> Agent:
    made = assemble(settings, plan_from_settings(settings), SimulatedClock(start_utc), [])
    assert isinstance(made, Agent)
    return made


def test_mail_that_failed_by_a_wrong_clock_is_tried_when_it_is_set(tmp_path: Path) -> None:
    made = assembled(told_settings(tmp_path))
    assert made._messages.ask_again in made.when_set
    made.store.close()


def test_a_recipient_whose_address_changed_has_yet_to_be_proven(tmp_path: Path) -> None:
    first = assembled(told_settings(tmp_path))
    first.store.commit(Batch(statements=[mark_proven("pilot", 1.0)]))
    first.store.close()
    same = assembled(told_settings(tmp_path))
    assert same.store.tested() == {"pilot": (None, 1.0)}
    same.store.close()
    moved = assembled(told_settings(tmp_path, "json://127.0.0.1:9/other"))
    assert moved.store.tested() == {}
    kept = moved.store.kept("address-of pilot")
    assert kept is not None
    assert "127" not in kept, "a print, not the address"
    moved.store.close()


def test_in_simulated_time_the_loop_runs_the_weekly_test_when_it_is_due(tmp_path: Path) -> None:
    agent = assembled(told_settings(tmp_path, more='[messages]\nweekly_test = "Fri 08:30"\n'))
    due = [job for job in agent.jobs if job.work == agent.send_tests]
    assert [(job.due_s, job.every_s) for job in due] == [(1800.0, 7 * 86_400.0)], "begun on a Friday at 08:00"
    agent.store.close()
    never = assembled(told_settings(tmp_path, more='[messages]\nweekly_test = "never"\n'))
    assert [job for job in never.jobs if job.work == never.send_tests] == []
    never.store.close()


def test_in_real_time_the_scheduler_runs_the_same_function_on_the_fields_clock(tmp_path: Path) -> None:
    settings = told_settings(tmp_path, more='[aircraft]\nzone = "America/Anchorage"\n')
    agent = assembled(settings)
    scheduler = scheduled(settings, agent)
    try:
        job = scheduler.get_job("test")
        assert job.func == agent.send_tests
        local = job.next_run_time.astimezone(ZoneInfo("America/Anchorage"))
        assert f"{local:%a %H:%M}" == "Sun 18:00"
    finally:
        scheduler.shutdown(wait=False)
        agent.store.close()


def test_a_daily_test_is_daily_for_loop_and_scheduler(tmp_path: Path) -> None:
    settings = told_settings(tmp_path, more='[messages]\nweekly_test = "daily 18:00"\n')
    agent = assembled(settings)
    scheduler = scheduled(settings, agent)
    try:
        assert [job.every_s for job in agent.jobs if job.work == agent.send_tests] == [86_400.0]
        trigger = scheduler.get_job("test").trigger
        first = trigger.get_next_fire_time(None, datetime(2027, 1, 15, 19, tzinfo=UTC))
        assert trigger.get_next_fire_time(first, first) - first == timedelta(days=1)
    finally:
        scheduler.shutdown(wait=False)
        agent.store.close()


@pytest.mark.parametrize(
    ("arguments", "kind", "body"),
    [
        (("switch", "on"), "switch-on", {}),
        (("switch", "off"), "switch-off", {}),
        (("lock",), "switch-lock", {}),
        (("unlock", "--nobody-there"), "switch-unlock", {"nobody_there": True}),
    ],
)
def test_the_plug_is_switched_and_locked_at_the_board(
    tmp_path: Path, arguments: tuple[str, ...], kind: str, body: dict[str, object]
) -> None:
    with AnsweringDaemon(tmp_path / "plug.db") as daemon:
        result = invoke(*arguments, "--store", str(tmp_path / "plug.db"))
        assert result.exit_code == 0, result.output
        assert [(c.kind, c.body) for c in daemon.asked] == [(kind, body)]
        assert (words.PLUG_CAUTION in result.stderr) == (arguments == ("switch", "on"))


@pytest.mark.parametrize("passes", [True, False])
def test_the_plugs_timer_is_tested_at_the_board_until_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, passes: bool
) -> None:
    settings = tmp_path / "settings.toml"
    settings.write_text(f'[store]\nfile = "{tmp_path}/plug.db"\nruntime_dir = "{tmp_path}"\n', "utf-8")
    ended = samples.plug_off(tested=passes, test_failed=None if passes else "stays-on")
    seen = [samples.plug_off(), samples.plugged(wanted="test", tested=False), ended]

    def read(path: Path) -> Status:
        return seen.pop(0)

    monkeypatch.setattr("probe_agent.cli.plug.read_status", read)
    with AnsweringDaemon(tmp_path / "plug.db") as daemon:
        result = invoke("test-plug-timer", "--at-the-plug", "--settings", str(settings))
    assert [(c.kind, c.body) for c in daemon.asked] == [("test-plug-timer", {"at_the_plug": True})]
    assert seen == []
    assert (result.exit_code == 0) is passes
    assert ("has passed its test" if passes else "did not go off by itself in time") in result.output
