"""Rows B1 to B6: a board without a clock of its own, one that jumps by hours or by decades, local times that
come twice or never, certificates that aren't valid yet by a wrong clock."""

from __future__ import annotations

import json
import math
import os
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent.parent))

from club_brokers import ClubHub, make_club, needs_mosquitto
from one_wire_board import Bench, Board, MovedClock, evenly, put
from real_https import Authority, HttpsServer, says
from real_mail import MailReceiver
from scripted import ScriptedSource, open_agent, warming

from probe_agent.agent import Agent
from probe_agent.cli.assembly import scheduled
from probe_agent.clock import SimulatedClock
from probe_agent.config import parse_settings
from probe_agent.readings import Forecast
from probe_agent.status import utc_seconds
from probe_agent.telling import DAYS, is_quiet, last_look_at, next_test_at

DAY_S = 86_400.0
DECADES_S = 18_000 * DAY_S
MOST_CPU = 0.5
"""Share of a processor while the clock is set; a tick each 5 s takes some 0.03 here."""


LATER = partial(pytest.param, marks=pytest.mark.long)


class SetClock(SimulatedClock):
    """Jumps from tick to tick, and its wall clock is set by `ahead_s` when told."""

    def __init__(self, start_utc: float) -> None:
        super().__init__(start_utc, math.inf, 0.0)
        self.ahead_s, self.known = 0.0, True

    def utc_offset_s(self) -> float:
        return super().utc_offset_s() + self.ahead_s

    def utc(self) -> float:
        return self.monotonic() + self.utc_offset_s()

    def utc_is_known(self) -> bool:
        return self.known


# -- B1 to B3


def test_a_wall_clock_that_is_set_by_decades_and_hours_costs_no_tick(tmp_path: Path) -> None:
    """B1: booted in 1970, the real daemon samples at once and its readings stand at their true time once
    the clock is right. B2, B3: set 18,000 days ahead, back, back by an hour and ahead by one, no tick is
    missed or late, the processor stays idle and the memory as it is."""
    clock = MovedClock(tmp_path)
    clock.at("1970-01-01 00:03:00")
    board = Board(tmp_path, clock=clock)
    put(board.tree, evenly(-10.0))
    began_s = time.monotonic()
    with board:
        board.daemon.wait_for(lambda: _sampled(board))
        assert time.monotonic() - began_s < 20.0
        first = board.status()
        assert (first.now[:4], first.clock_ok) == ("1970", False)
        assert {p.status for p in first.probes} == {"ok"}
        board.next()
        rss_kb, cpu_s, real_s = board.rss_kb(), board.cpu_s(), time.monotonic()
        for by_s in (0.0, DECADES_S, 0.0, -3600.0, 3600.0, 0.0):
            clock.off(by_s)
            status = board.next()
            assert abs(utc_seconds(status.now) - (time.time() + by_s)) < 10.0
        share = (board.cpu_s() - cpu_s) / (time.monotonic() - real_s)
        print(f"processor {share:.3f}, memory {rss_kb} to {board.rss_kb()} KB")
        assert share < MOST_CPU
        assert board.rss_kb() - rss_kb < 15_000
    ticks = [cast("int", ms) for (ms,) in board.sql("SELECT mono_ms FROM ticks ORDER BY tick")]
    assert len(ticks) >= 8
    assert all(4_500 < b - a < 6_000 for a, b in pairwise(ticks)), ticks
    kernels = Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    assert board.sql("SELECT boot_id FROM boots") == [(kernels,)]
    assert board.sql("SELECT DISTINCT strftime('%Y', utc) FROM readings_utc") == [
        (f"{datetime.now(UTC):%Y}",)
    ]


def _sampled(board: Board) -> bool:
    try:
        return all(p.status == "ok" for p in board.status().probes)
    except AssertionError:
        return False


def test_readings_of_a_boot_without_a_clock_are_mended_by_one_row(tmp_path: Path) -> None:
    """B1: decades back for ten minutes, then the clock becomes known: all instants of the boot follow, in
    record and status, and the run goes on."""
    clock = SetClock(1_800_000_000.0)
    clock.ahead_s, clock.known = -DECADES_S / 2, False
    with Bench(tmp_path, clock) as bench:
        put(bench.tree, evenly(-10.0))
        bench.tick(40)
        status = bench.agent.status
        assert status is not None
        assert (status.now[:4], status.clock_ok) == ("2002", False)
        clock.ahead_s, clock.known = 0.0, True
        status = bench.tick()
        assert (utc_seconds(status.now), status.clock_ok) == (1_800_000_000.0 + 41 * 15.0, True)
        bench.stored("sump")
        rows = _sql(bench, "SELECT utc, clock_ok FROM readings_utc WHERE place = 'sump' ORDER BY tick")
        begin = datetime.fromtimestamp(1_800_000_000.0, UTC)
        expected = [begin + timedelta(seconds=15.0 * k) for k in range(1, 42)]
        assert [datetime.fromisoformat(str(at)) for at, _ in rows] == expected
        assert {ok for _, ok in rows} == {1}


def _sql(bench: Bench, text: str) -> list[tuple[object, ...]]:
    import sqlite3

    db = sqlite3.connect(bench.agent.store.path)
    try:
        return db.execute(text).fetchall()
    finally:
        db.close()


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[tuple[Any, Any]]:
    """The real scheduler of the daemon's housekeeping, and the agent it is for."""
    text = '[messages]\nweekly_test = "Sun 18:00"\n[[recipients]]\nname = "pilot"\naddress = "json://127.0.0.1:9/"\n'
    found = parse_settings(f'[store]\nfile = "{tmp_path}/x.db"\n{text}'.encode(), "test.toml")
    agent = SimpleNamespace(send_tests=lambda: None, when_set=[])
    scheduler = scheduled(found, agent)
    yield scheduler, agent
    scheduler.shutdown(wait=False)


def test_housekeeping_passes_decades_in_one_step(kept: tuple[Any, Any]) -> None:
    """B2: each job is due once after 18,000 days, not once for each day that never was."""
    scheduler, _ = kept
    later = datetime.now(UTC) + timedelta(seconds=DECADES_S)
    assert [len(job._get_run_times(later)) for job in scheduler.get_jobs()] == [1, 1]


def test_housekeeping_waits_for_no_clock_to_catch_up(kept: tuple[Any, Any]) -> None:
    """B3: planned by a clock that was decades ahead, it is due within a day and a week once that is set."""
    scheduler, agent = kept
    for job in scheduler.get_jobs():
        scheduler.modify_job(job.id, next_run_time=datetime.now(UTC) + timedelta(seconds=DECADES_S))
    for act in agent.when_set:
        act()
    due_s = {job.id: job.next_run_time.timestamp() - time.time() for job in scheduler.get_jobs()}
    assert 0 < due_s["nightly-copy"] <= DAY_S
    assert 0 < due_s["test"] <= 7 * DAY_S + 3600


def test_whoever_plans_by_the_wall_hears_that_it_was_set(tmp_path: Path) -> None:
    """B2, B3: at the next tick, for steps of more than 2 s, and when it becomes known."""
    clock, heard = SetClock(1_800_000_000.0), []
    with Bench(tmp_path, clock) as bench:
        put(bench.tree, evenly(-10.0))
        bench.agent.when_set.append(lambda: heard.append(clock.monotonic()))
        for ahead_s in (0.0, 1.0, 3600.0, 3600.0, -3600.0, 0.0):
            clock.ahead_s = ahead_s
            bench.tick()
    assert heard == [45.0, 75.0, 90.0]


# -- B4

ZONES = ("Europe/Oslo", "America/Anchorage", "Australia/Lord_Howe", "America/Havana", "UTC")
"""Two continents, half an hour, and one whose clocks change at midnight."""
TIMES = st.builds("{:02d}:{:02d}".format, st.integers(0, 23), st.integers(0, 59))
YEAR_AT = datetime(2027, 1, 1, tzinfo=UTC).timestamp()


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(ZONES), st.sampled_from(DAYS), TIMES)
def test_a_weekly_time_comes_once_a_week_all_year(zone: str, day: str, time_of_day: str) -> None:
    """B4: also on the Sundays on which its local time comes twice, or doesn't come."""
    at, found = YEAR_AT, []
    while (at := cast("float", next_test_at(f"{day} {time_of_day}", at, zone))) < YEAR_AT + 365 * DAY_S:
        found.append(at)
        assert next_test_at(f"{day} {time_of_day}", at + 3600, zone) != at
    assert len(found) in (52, 53)
    assert all(6.9 * DAY_S < b - a < 7.1 * DAY_S for a, b in pairwise(found))
    wanted = (DAYS.index(day), time_of_day)
    shown = [datetime.fromtimestamp(at, ZoneInfo(zone)) for at in found]
    assert sum((d.weekday(), f"{d:%H:%M}") != wanted for d in shown) <= 1, "but for a time that doesn't exist"


def test_the_scheduler_keeps_to_it_where_a_time_comes_twice(tmp_path: Path) -> None:
    """B4: a weekly test at 02:30 on the Sunday in October on which that comes twice; as a cron job it was
    sent twice."""
    text = '[aircraft]\nname = "Magpie"\nzone = "Europe/Oslo"\n[messages]\nweekly_test = "Sun 02:30"\n'
    who = '[[recipients]]\nname = "pilot"\naddress = "json://127.0.0.1:9/"\n'
    found = parse_settings(f'[store]\nfile = "{tmp_path}/x.db"\n{text}{who}'.encode(), "test.toml")
    scheduler = scheduled(found, SimpleNamespace(send_tests=lambda: None, when_set=[]))
    try:
        trigger = scheduler.get_job("test").trigger
        before = datetime(2027, 10, 30, 12, tzinfo=UTC)
        first = trigger.get_next_fire_time(None, before)
        second = trigger.get_next_fire_time(first, first)
    finally:
        scheduler.shutdown(wait=False)
    assert f"{first.astimezone(ZoneInfo('Europe/Oslo')):%a %d %H:%M}" == "Sun 31 02:30"
    assert second - first in (timedelta(days=7), timedelta(days=7, hours=1))


@pytest.mark.parametrize("around", ["2027-03-28", "2027-10-31"])
@pytest.mark.parametrize("look", ["05:30", "02:30"])
def test_a_morning_look_comes_once_a_day(around: str, look: str) -> None:
    """B4: on the nights in which the clocks change, minute by minute."""
    zone = "Europe/Oslo"
    noon_at = datetime.fromisoformat(f"{around}T12:00").replace(tzinfo=ZoneInfo(zone)).timestamp()
    looks = {last_look_at(look, noon_at + 60.0 * k, zone) for k in range(-2 * 24 * 60, 24 * 60)}
    assert len(looks) == 4
    days = [datetime.fromtimestamp(at, ZoneInfo(zone)).date() for at in sorted(looks)]
    assert all((b - a).days == 1 for a, b in pairwise(days))


@pytest.mark.parametrize(("night", "hours"), [("2027-03-28", 6.5), ("2027-10-31", 8.5), ("2027-11-14", 7.5)])
def test_quiet_hours_end_by_the_fields_clock(night: str, hours: float) -> None:
    """B4: from 22:00 to 05:30 is an hour shorter or longer when the clocks change, and one span."""
    zone = ZoneInfo("Europe/Oslo")
    noon_at = datetime.fromisoformat(f"{night}T12:00").replace(tzinfo=zone).timestamp() - DAY_S
    quiet = [
        is_quiet("22:00-05:30", datetime.fromtimestamp(noon_at + 60.0 * k, zone)) for k in range(25 * 60)
    ]
    assert sum(quiet) == hours * 60
    assert sum(a != b for a, b in pairwise(quiet)) == 2


# -- B5


def forecasts(folder: Path, jumps: Sequence[tuple[int, float]]) -> list[tuple[Forecast, object]]:
    """What is expected of a heat-up, and announced, at each of 40 ticks, the clock being set at some."""
    source = ScriptedSource(warming(rate_c_per_h=20), lambda t_s: 1.0 if t_s >= 600 else 0.0)
    folder.mkdir()
    agent = open_agent(folder, source)
    clock = SetClock(1_800_000_000.0)
    agent.clock = clock
    out = []
    ahead = dict(jumps)
    for k in range(40):
        clock.ahead_s = ahead.get(k, clock.ahead_s)
        clock.wait_until(clock.monotonic() + 90.0, threading.Event())
        agent.tick()
        assert agent._last is not None
        out.append((agent._last[0].forecast, agent._watch.announced))
    _close(agent)
    return out


def _close(agent: Agent) -> None:
    agent._finish()
    agent.store.close()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Forecast, object]]:
    return forecasts(tmp_path_factory.mktemp("clock") / "still", ())


@settings(max_examples=3, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 39), st.sampled_from([-DECADES_S, -7200.0, -40.0, 40.0, 7200.0, DECADES_S])),
        min_size=1,
        max_size=4,
    )
)
def test_a_forecast_knows_nothing_of_the_wall_clock(
    tmp_path_factory: pytest.TempPathFactory,
    undisturbed: list[tuple[Forecast, object]],
    jumps: list[tuple[int, float]],
) -> None:
    """B5: whenever and by whatever the wall clock is set, every forecast and what is announced of it is the
    same to the last digit, in run seconds."""
    assert undisturbed[-1][0].above_p50 is not None
    assert forecasts(tmp_path_factory.mktemp("clock") / "set", jumps) == undisturbed


# -- B6


def test_a_certificate_not_valid_yet_by_a_wrong_clock_is_waited_for(tmp_path: Path) -> None:
    """B6: the real daemon boots ten years back, its weather at a real HTTPS server. Nothing is asked of a
    server that can't be verified, the reason is said and names the clock, and once the clock is right it is
    asked without anybody's doing."""
    clock, authority = MovedClock(tmp_path), Authority(tmp_path)
    then = datetime.now(UTC) - timedelta(days=3652)
    clock.at(f"{then:%Y-%m-%d %H:%M:%S}")
    observed = f"ENXX {datetime.now(UTC):%d%H%M}Z 00000KT 9999 M10/M12 Q1013\n"
    with HttpsServer(authority.certificate(), says(observed.encode())) as server:
        more = f'[weather.metar]\naddress = "{server.address}"\nca_file = "{authority.file}"\n'
        with Board(tmp_path, more, clock) as board:
            put(board.tree, evenly(-10.0))
            board.daemon.wait_for(lambda: any("not valid yet" in note for note in _notes(board)))
            assert any("this board's clock is wrong" in note for note in _notes(board))
            assert server.asked == []
            clock.right()
            board.daemon.wait_for(lambda: board.status().air.source == "metar", 30.0)
            assert len(server.asked) == 1
            assert not any("certificate" in note for note in _notes(board))
            assert board.log().count("can't be had") == 1, "told quietly: once"


@needs_mosquitto
@pytest.mark.parametrize(("years", "said"), [(-10, "it is not valid yet"), LATER(20, "it has expired")])
def test_a_broker_over_tls_is_waited_for_by_a_wrong_clock(tmp_path: Path, years: int, said: str) -> None:
    """B6: the real daemon by a clock that is years off, a real mosquitto with a certificate of ten years."""
    assert make_club(tmp_path / "made", "127.0.0.1", "magpie").returncode == 0
    (tmp_path / "board").mkdir()
    clock = MovedClock(tmp_path)
    clock.off(years * 365.25 * DAY_S)
    with ClubHub(tmp_path / "made", tmp_path / "hub") as hub:
        table = msgspec.structs.asdict(hub.direct("magpie"))
        lines = [f"{key} = {json.dumps(value)}\n" for key, value in table.items() if value is not None]
        with Board(tmp_path / "board", f"[broker]\n{''.join(lines)}", clock) as board:
            put(board.tree, evenly(-10.0))
            expected = f"its certificate is not accepted: {said}, or this board's clock is wrong."
            board.daemon.wait_for(lambda: any(expected in note for note in _notes(board)))
            clock.right()
            board.daemon.wait_for(lambda: "there again" in board.log(), 90.0)
            board.daemon.wait_for(lambda: not any("certificate" in note for note in _notes(board)))
            assert board.log().count("not accepted") == 1, "told quietly: once"


@pytest.mark.parametrize(("years", "said"), [(-10, "is not valid yet"), LATER(20, "has expired")])
def test_mail_over_tls_is_waited_for_by_a_wrong_clock(tmp_path: Path, years: int, said: str) -> None:
    """B6: nothing of a message reaches a server that can't be verified; the owner is told of the clock, and
    once it is set the message leaves at once, whatever wait its failures had earned."""
    clock, authority = MovedClock(tmp_path), Authority(tmp_path)
    clock.off(years * 365.25 * DAY_S)
    with MailReceiver(certificate=authority.certificate()) as receiver:
        command = [sys.executable, str(Path(__file__).parents[1] / "mail_by_clock.py")]
        command += [str(tmp_path / "probe-agent.db"), receiver.address()]
        env = {**os.environ, **clock.environment, "SSL_CERT_FILE": str(authority.file)}
        with subprocess.Popen(
            command, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as courier:
            assert courier.stdout is not None
            trouble = courier.stdout.readline().strip()
            assert trouble == (
                "Messages to pilot have not got through: no encrypted connection comes about: "
                f"its certificate {said}, or this board's clock is wrong."
            )
            assert receiver.seen.empty()
            clock.right()
            assert courier.stdin is not None
            courier.stdin.write("set\n")
            courier.stdin.flush()
            assert "It is cold." in receiver.next_mail(30.0).text
            assert courier.wait(30) == 0


def _notes(board: Board) -> Sequence[str]:
    try:
        return board.status().notes
    except AssertionError:
        return ()


def test_nobody_can_switch_verification_off() -> None:
    """B6: there is no such setting, and contexts verify."""
    for table in ("weather.metar", "watchdog", "broker"):
        with pytest.raises(ValueError, match="verify"):
            parse_settings(f"[{table}]\nverify = false\n".encode(), "test.toml")
    for file in (Path(__file__).parents[2] / "probe_agent").rglob("*.py"):
        source = file.read_text("utf-8")
        for word in ("CERT_NONE", "_create_unverified_context", "check_hostname = False", "tls_insecure_set"):
            assert word not in source, file
    assert ssl.create_default_context().verify_mode is ssl.CERT_REQUIRED
