"""Rows A1 to A13 from the kernel's files to the status document: the daemon's heart on a 1-Wire tree, and the
real daemon where threads and processes matter."""

from __future__ import annotations

import os
import random
import shutil
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import cast

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parent.parent))

from one_wire_board import METAL, PROBES, STEP_S, Bench, Board, evenly, put, why
from real_broker import RealBroker, retained_on
from sysfs_tree import W1Tree, converter, scratchpad, thermometer, w1_slave_text

from probe_agent.cli import main
from probe_agent.config import SettingsError, load_settings, parse_settings
from probe_agent.jumps import Jumps, Standing
from probe_agent.readings import Fault
from probe_agent.status import Status
from probe_agent.store import Reader, ask, await_answer
from probe_agent.words import fault_words
from web.app import create_app
from web.source import FileStatusSource

ROOT = Path(__file__).parents[2]
NOSE = PROBES["case-nose"]
Act = Callable[[W1Tree], None]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """An engine at 12 °C, above the target, for three ticks."""
    bench = Bench(tmp_path)
    put(bench.tree, evenly(12.0))
    bench.tick(4)
    assert bench.is_warm
    return bench


def back_in_three(bench: Bench) -> None:
    """All sound again, it is believed within three ticks."""
    put(bench.tree, evenly(12.0))
    bench.tick(3)
    assert set(bench.statuses().values()) == {"ok"}
    assert bench.is_warm


# -- A1, A2


@pytest.mark.parametrize(("bits", "fault"), [(1, "open"), (2, "short-gnd"), (4, "short-vdd")])
def test_an_open_or_shorted_thermocouple_has_no_value(bench: Bench, bits: int, fault: str) -> None:
    """A1: the checksum is good and the number plausible, such as 12 °C on a warm engine."""
    with bench:
        bench.tree.put(NOSE, converter(12.0, 5.0, faults=bits))
        status = bench.tick()
        assert (why(status, "case-nose"), status.missing) == (fault, ("case-nose",))
        assert not bench.is_warm
        assert all(p.c is None for p in status.probes if p.place == "case-nose")
        assert bench.stored("case-nose")[-1] == (None, None, fault)
        back_in_three(bench)


def test_shorts_that_come_and_go_are_told_apart_and_said_once(bench: Bench) -> None:
    """A2: a grounded junction shorts now and then, as other loads come on. Nobody can switch that off."""
    with bench:
        seen, alerts, states, warm = set(), set(), [], set()
        for k in range(60):
            put(bench.tree, evenly(12.0))
            if k % 2 == 0:
                bench.tree.put(NOSE, converter(12.0, 5.0, faults=(2, 2, 1, 4)[k // 2 % 4]))
            status = bench.tick()
            seen.add(why(status, "case-nose"))
            alerts |= {a.id for a in status.alerts if a.kind == "probe-missing"}
            states.append(status.state)
            warm.add(bench.is_warm)
        assert seen == {"ok", "open", "short-gnd", "short-vdd"}
        assert len({fault_words(s) for s in seen}) == 4
        assert len(alerts) == 1
        assert warm == {False}
        assert sum(a != b for a, b in pairwise(states)) <= 1, states
    with pytest.raises(SettingsError, match="ignore_faults"):
        parse_settings(b"[one_wire]\nignore_faults = true\n", "test.toml")
    assert "**ungrounded** junction" in (ROOT / "hardware.md").read_text("utf-8")


# -- A3 to A6: what each fault of chip, wire and bus is called, and that it hides nothing else

ZEROS = "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"
FAULTS: Mapping[str, tuple[str, Act, Fault]] = {
    "A1 open": ("cyl-1", lambda t: t.put(PROBES["cyl-1"], converter(12.0, 5.0, 1)), Fault.OPEN),
    "A1 to ground": ("cyl-1", lambda t: t.put(PROBES["cyl-1"], converter(12.0, 5.0, 2)), Fault.SHORT_GND),
    "A1 to the supply": ("cyl-1", lambda t: t.put(PROBES["cyl-1"], converter(12.0, 5.0, 4)), Fault.SHORT_VDD),
    "A3 power-on": ("sump", lambda t: t.put(PROBES["sump"], thermometer(85.0, 0x0C)), Fault.POWER_ON),
    "A4 weak supply": (
        "sump",
        lambda t: t.put(PROBES["sump"], scratchpad("ff074b467fff0c10")),
        Fault.WEAK_SUPPLY,
    ),
    "A5 line low": ("cyl-2", lambda t: t.put_text(PROBES["cyl-2"], ZEROS), Fault.LINE_LOW),
    "A6 checksum": (
        "sump",
        lambda t: t.put_text(PROBES["sump"], w1_slave_text(thermometer(12.0), 0x28, "NO")),
        Fault.CHECKSUM,
    ),
    "A6 empty": ("cyl-1", lambda t: t.fail(PROBES["cyl-1"]), Fault.NO_ANSWER),
    "A6 vanished": ("cyl-1", lambda t: t.remove(PROBES["cyl-1"]), Fault.MISSING),
    "A6 vanishing": ("cyl-1", lambda t: t.remove(PROBES["cyl-1"], leave_link=True), Fault.MISSING),
    "A8 beyond metal": ("cyl-1", lambda t: t.put(PROBES["cyl-1"], converter(-110.0, 5.0)), Fault.IMPLAUSIBLE),
    "A8 a jump": ("cyl-1", lambda t: t.put(PROBES["cyl-1"], converter(60.0, 5.0)), Fault.UNCONFIRMED),
}


@pytest.mark.parametrize("row", FAULTS)
def test_a_fault_hides_no_neighbour_ends_warmth_at_once_and_recovers(bench: Bench, row: str) -> None:
    """A1, A3, A4, A5, A6, A8, A13: named; never a number; nothing is above target from that tick on; the
    others go on; sound again, it is believed in three ticks by itself."""
    place, act, fault = FAULTS[row]
    with bench:
        act(bench.tree)
        for _ in range(2):
            status = bench.tick()
            assert {p: s for p, s in bench.statuses().items() if s != "ok"} == {place: fault}
            assert status.missing == (place,)
            assert not bench.is_warm
            assert status.coldest_c is not None
            assert status.coldest_c > 11.0
        back_in_three(bench)


def test_a_line_held_low_is_no_frost(tmp_path: Path) -> None:
    """A5: nine zero bytes from all probes, and a file `temperature` that says 0: never opened, for opening it
    would hang."""
    with Bench(tmp_path) as bench:
        put(bench.tree, evenly(12.0))
        bench.tick(3)
        for address in PROBES.values():
            bench.tree.put_text(address, ZEROS)
            os.mkfifo(bench.tree.bus() / address / "temperature")
        status = bench.tick()
        assert set(bench.statuses().values()) == {"line-low"}
        assert (status.coldest, status.coldest_c) == (None, None)
        assert all(bench.stored(p)[-1] == (None, None, "line-low") for p in PROBES)


def test_a_cooling_engine_passes_85_degrees(tmp_path: Path) -> None:
    """A3: after a flight sump and cylinders cool through exactly 85 °C; every value of the way is read."""
    with Bench(tmp_path) as bench:
        seen = []
        for c in (85.5, 85.25, 85.0, 84.75):
            put(bench.tree, evenly(c))
            status = bench.tick()
            assert set(bench.statuses().values()) == {"ok"}
            seen.append(next(p.c for p in status.probes if p.place == "sump"))
        assert seen == [85.5, 85.25, 85.0, 84.75]


def test_the_loop_outlives_whatever_befalls_a_bus(tmp_path: Path) -> None:
    """A6: probes that fail and return at random for 60 ticks: each tick comes, each place says what its own
    probe gives and no other; then all are back within three ticks."""
    chance, may_repeat = random.Random(6), sorted({*FAULTS} - {"A8 a jump"})
    with Bench(tmp_path) as bench:
        put(bench.tree, evenly(12.0))
        bench.tick()
        for _ in range(60):
            put(bench.tree, evenly(12.0))
            wrong = {FAULTS[row][0]: FAULTS[row] for row in chance.sample(may_repeat, 3)}
            for _, act, _ in wrong.values():
                act(bench.tree)
            bench.tick()
            named = {place: fault.value for place, (_, _, fault) in wrong.items()}
            said = {p: s for p, s in bench.statuses().items() if s != "ok" or p in named}
            assert said == named
            assert not bench.is_warm
        back_in_three(bench)


# -- A8


@pytest.mark.parametrize(("rows", "c"), [(1, 30.0), (4, -110.0), (4, -40.0), (10, 30.0)])
def test_a_half_detached_wire_makes_nothing_warm_and_is_kept_raw(tmp_path: Path, rows: int, c: float) -> None:
    """A8: the coldest place, 2 °C on an engine at 12, gives plausible nonsense for some rows. It is in the
    record as the chip gave it, with the fault where it wasn't believed."""
    with Bench(tmp_path, thinks=True) as bench:
        sound = {**evenly(12.0), "case-nose": 2.0}
        put(bench.tree, sound)
        bench.tick(3)
        for k in range(rows):
            put(bench.tree, {**sound, "case-nose": c})
            status = bench.tick()
            assert status.coldest_c is not None
            if k < 6:  # an engine of which nobody knows more believes what has stood for longer
                assert why(status, "case-nose") in ("unconfirmed", "implausible")
                assert not bench.is_warm
        raw = [r for r, _, _ in bench.stored("case-nose")[-rows:]]
        assert raw == [c] * rows
        assert bench.stored("case-nose")[-rows][1:] == (
            None,
            "implausible" if c < -60 else "unconfirmed",
        )


def test_a_jump_all_places_share_is_believed_at_once() -> None:
    """A8: an engine that is started warms faster than any heater; its cylinders speak for each other, and no
    less does a place that was unplugged for an hour."""
    jumps, cylinders = Jumps(), ("cyl-1", "cyl-2")
    for k in range(10):
        values = {"cyl-1": 10.0 + 7 * k, "cyl-2": 10.0 + 6 * k, "sump": 10.0 + 0.3 * k}
        found = jumps.judge(STEP_S * k, values)
        assert [found[p] for p in cylinders] == [Standing.BELIEVED] * 2
    assert jumps.judge(4000.0, {"cyl-1": 20.0}) == {"cyl-1": Standing.BELIEVED}


# -- A9


@pytest.mark.parametrize(("gone", "there"), [(1, 1), (2, 1), (1, 5), (5, 1)])
def test_a_flapping_bus_neither_flickers_nor_is_forgotten(tmp_path: Path, gone: int, there: int) -> None:
    """A9: a probe vanishes and returns over and over. The state changes twice at most, one alert is opened at
    most, and the record counts for each probe how often it gave none."""
    with Bench(tmp_path) as bench:
        put(bench.tree, evenly(2.0))
        bench.tick(4)
        states, alerts = [], set()
        for k in range(60):
            is_gone = k % (gone + there) < gone
            if is_gone and (bench.tree.directory / NOSE).exists():
                bench.tree.remove(NOSE)
            elif not is_gone:
                put(bench.tree, {"case-nose": 2.0})
            status = bench.tick()
            states.append(status.state)
            alerts |= {a.id for a in status.alerts}
        assert sum(a != b for a, b in pairwise(states)) <= 2, states
        assert len(alerts) <= 1
        bench.stored("case-nose")
        found = {a.place: a for a in _answered(bench)}
    times = sum(k % (gone + there) < gone for k in range(60))
    assert (found["case-nose"].rows, found["case-nose"].faults) == (64, (("missing", times),))
    assert (found["sump"].rows, found["sump"].faults) == (64, ())


def _answered(bench: Bench) -> Sequence[object]:
    reader = Reader(bench.agent.store.path)
    try:
        return reader.answered(0.0)
    finally:
        reader.close()


def test_how_each_probe_answered_is_shown(tmp_path: Path) -> None:
    """A9: on the page where probes are calibrated, and by a command."""
    with Bench(tmp_path) as bench:
        put(bench.tree, evenly(2.0))
        bench.tick(3)
        bench.tree.fail(NOSE)
        bench.tick(2)
        bench.stored("case-nose")
        source = FileStatusSource(tmp_path / "status.json")
        page = create_app(source, bench.agent.store.path, bench.settings).test_client()
        text = page.get("/calibrate", base_url="http://127.0.0.1").get_data(as_text=True)
        assert "Crankcase nose: 3 of 5 readings. Else: 2 × its bus does not answer in time." in text
    said = CliRunner().invoke(
        main, ["probes", "--store", str(bench.agent.store.path)], catch_exceptions=False
    )
    assert NOSE in said.output


# -- A10 to A12


def test_a_bus_that_hangs_holds_up_neither_ticks_nor_page_nor_broker(tmp_path: Path) -> None:
    """A10: a read on one of two buses never comes back. The real daemon ticks on, page and broker show it, it
    recovers when the read ends, and TERM ends it while one hangs."""
    with RealBroker(tmp_path) as broker:
        more = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        with Board(tmp_path, more) as board:
            put(board.tree, evenly(-10.0))
            put(board.tree, {"ambient": -10.0}, bus=1)
            hung = "22-00000c000009"
            board.tree.hang(hung, bus=2)
            board.daemon.wait_for(lambda: "case-nose" in _ok(board))
            first = board.status().run.t_s
            status = board.next(2)
            assert _ok(board) == set(PROBES)
            assert status.run.t_s - first < 2 * 5.0 + 2.0
            source = FileStatusSource(tmp_path / "status.json")
            page = create_app(source, tmp_path / "probe-agent.db", load_settings(board.file)).test_client()
            began = time.monotonic()
            assert page.get("/", base_url="http://127.0.0.1").status_code == 200
            assert time.monotonic() - began < 2.0
            topic = "homie/5/magpie/sump/status"
            board.daemon.wait_for(lambda: topic in retained_on(broker.port, topic))
            rows = board.sql("SELECT mono_ms FROM ticks ORDER BY mono_ms")
            assert all(0 < b - a < 7_100 for (a,), (b,) in pairwise(rows))  # type: ignore[operator]
            board.tree.release(hung, thermometer(-9.0), bus=2)
            board.daemon.wait_for(lambda: any(hung in note for note in board.status().notes))
            board.tree.hang(hung, bus=2)
            board.next()
            assert board.daemon.end() == 0


def _ok(board: Board) -> set[str]:
    try:
        return {p.place for p in board.status().probes if p.status == "ok"}
    except AssertionError:
        return set()


def test_a_probe_is_known_by_its_address_wherever_it_is_plugged_in(bench: Bench) -> None:
    """A11: moved to another bus it stays the same place."""
    with bench:
        bench.tree.remove(NOSE)
        put(bench.tree, {"case-nose": 11.0}, bus=2)
        status = bench.tick()
        assert set(bench.statuses().values()) == {"ok"}
        assert (status.coldest, status.coldest_c) == ("case-nose", pytest.approx(11.0, abs=0.3))


def test_a_stranger_on_the_bus_is_told_of_and_counts_nowhere_until_it_has_a_place(bench: Bench) -> None:
    """A11: a probe nobody named; then it takes the place of one that is gone, by a person's word."""
    new, store = "3b-00000b0000ff", bench.agent.store.path
    with bench:
        bench.tree.remove(NOSE)
        bench.tree.put(new, converter(3.0, 5.0))
        status = bench.tick()
        assert any(new in note and "no place" in note for note in status.notes)
        assert (why(status, "case-nose"), status.coldest_c) == ("missing", pytest.approx(12.0, abs=0.2))
        assert _said(bench, {"place": "nowhere", "address": new})["ok"] is False
        assert _said(bench, {"place": "case-nose", "address": "28-"})["ok"] is False
        assert "crankcase nose" in str(_said(bench, {"place": "case-nose", "address": new})["text"])
        status = bench.tick(3)
        assert not any(new in note for note in status.notes)
        assert why(status, "case-nose") == "ok"
        assert status.coldest_c == pytest.approx(3.0, abs=0.2)
        reader = Reader(store)
        assert ("case-nose", "one-wire", new) in reader.bindings()
        reader.close()
        bench.tree.put(NOSE, converter(12.0, 5.0))
        assert any(NOSE in note for note in bench.tick().notes), "the one replaced is the stranger now"


def _said(bench: Bench, body: dict[str, str]) -> dict[str, object]:
    import json

    reader = Reader(bench.agent.store.path)
    seen = {address: place for place, _, address in reader.bindings()}
    reader.close()
    wanted = {a: "" for a, place in seen.items() if place == body["place"]} | {body["address"]: body["place"]}
    asked = ask(bench.agent.store.path, "bind-probes", {"places": wanted, "seen": seen})
    bench.agent.answer_commands()
    answer = await_answer(bench.agent.store.path, asked, 5.0)
    assert answer is not None
    return cast("dict[str, object]", json.loads(answer))


def test_without_a_bus_the_daemon_runs_says_so_and_recovers(tmp_path: Path) -> None:
    """A12: no /sys/bus/w1 at the start of the real daemon; the modules are loaded later."""
    board = Board(tmp_path)
    hidden = tmp_path / "not-yet"
    board.tree.directory.rename(hidden)
    with board:
        began = time.monotonic()
        board.daemon.wait_for(lambda: _status(board) is not None)
        assert time.monotonic() - began < 10.0
        status = board.status()
        assert {p.status for p in status.probes} == {"missing"}
        assert set(status.missing) == set(METAL)
        hidden.rename(board.tree.directory)
        put(board.tree, evenly(-10.0))
        board.daemon.wait_for(lambda: _ok(board) == set(PROBES))


def _status(board: Board) -> Status | None:
    from real_daemon import status_in

    return status_in(board.folder)


# -- A13


@pytest.mark.parametrize("place", METAL)
def test_the_coldest_place_that_is_missing_makes_no_engine_warm(tmp_path: Path, place: str) -> None:
    """A13: the only place below the target is lost; the others are far above it. It is said which."""
    with Bench(tmp_path) as bench:
        put(bench.tree, {**evenly(20.0), place: 2.0})
        assert not (bench.tick(3), bench.is_warm)[1]
        bench.tree.remove(PROBES[place])
        for _ in range(12):
            status = bench.tick()
            assert not bench.is_warm
            assert status.missing == (place,)
        assert status.state == "probe-missing"
        assert place in {a.place for a in status.alerts}
        shutil.rmtree(bench.tree.bus())
