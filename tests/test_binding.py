"""Probes that sit elsewhere from now on: by page and by command, through the daemon, dated, undoable."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from pathlib import Path

import pytest
from click.testing import CliRunner
from scripted import SETTINGS, START_UTC, ScriptedSource, open_agent, tick_until, warming
from test_agent import ask_and_answer

from probe_agent.agent import Agent
from probe_agent.archive import Archive
from probe_agent.cli import main
from probe_agent.readings import Fault, State

ONE, TWO, NOSE, NEW = (f"3b-00000000000{n}" for n in (1, 2, 3, 4))
BOUND = {ONE: "cyl-1", TWO: "cyl-2", NOSE: "case-nose"}
TEXT = SETTINGS + "".join(
    f'[[probes]]\nplace = "{place}"\naddress = "{address}"\nsource = "simulated"\n'
    for address, place in BOUND.items()
)


def wired(t_s: float) -> Mapping[str, float | Fault]:
    """The three probes by their addresses, a fourth in somebody's hand, and the air."""
    return {ONE: -8.0, TWO: -10.0, NOSE: -12.0, NEW: 21.0, "ambient": -10.0}


def heated(folder: Path) -> Agent:
    """Warming fast since the tenth minute, the heater measured."""

    def script(t_s: float) -> Mapping[str, float | Fault]:
        there = warming(120.0)(t_s)
        bound = {address: there[place] for address, place in BOUND.items()}
        return bound | {NEW: 21.0, "ambient": -10.0}

    return open_agent(folder, ScriptedSource(script, lambda t_s: float(t_s >= 600)), text=TEXT)


def at_places(agent: Agent) -> dict[str, float | None]:
    assert agent.status is not None
    return {p.place: p.c for p in agent.status.probes}


@pytest.fixture
def agent(tmp_path: Path) -> Agent:
    found = open_agent(tmp_path, ScriptedSource(wired), text=TEXT)
    tick_until(found, 300)
    return found


def rows(agent: Agent) -> list[tuple[object, ...]]:
    db = sqlite3.connect(agent.store.path)
    try:
        return db.execute("SELECT * FROM readings WHERE tick <= 10 ORDER BY 1, 2").fetchall()
    finally:
        db.close()


def test_probes_change_places_from_now_on_and_what_was_measured_stays(agent: Agent) -> None:
    agent.store.commit()
    before, kept = at_places(agent), rows(agent)
    said = ask_and_answer(agent, "bind-probes", places={ONE: "case-nose", NOSE: "cyl-1"}, seen=BOUND)
    assert said["ok"], said["text"]
    assert "Another probe from now on: crankcase nose and cylinder 1." in str(said["text"])
    agent.store.commit()
    tick_until(agent, 330)
    after = at_places(agent)
    assert after["cyl-1"] == pytest.approx(before["case-nose"])
    assert after["case-nose"] == pytest.approx(before["cyl-1"])
    assert rows(agent) == kept, "raw readings stay where they were taken"
    agent.store.close()


def test_the_physics_sees_of_a_place_only_what_its_present_probe_read(agent: Agent) -> None:
    ask_and_answer(agent, "bind-probes", places={ONE: "case-nose", NOSE: "cyl-1"}, seen=BOUND)
    tick_until(agent, 360)
    agent.store.commit()
    with Archive(agent.store.path, read_only=True) as archive:
        seen = list(archive.between(START_UTC, START_UTC + 360, {}))
    early, late = [r for r in seen if r.at < START_UTC + 300], [r for r in seen if r.at > START_UTC + 305]
    assert early
    assert late
    assert all(set(r.values_c) == {"cyl-2", "ambient"} for r in early)
    assert all(len(r.values_c) == 4 for r in late)
    agent.store.close()


def test_a_probe_without_a_place_is_shown_and_takes_the_place_of_one_that_broke(agent: Agent) -> None:
    assert agent.status is not None
    assert [(u.address, u.c) for u in agent.status.unplaced] == [(NEW, 21.0)]
    assert ask_and_answer(agent, "bind-probes", places={TWO: "", NEW: "cyl-2"}, seen=BOUND)["ok"]
    tick_until(agent, 330)
    assert at_places(agent)["cyl-2"] == 21.0
    assert [u.address for u in agent.status.unplaced] == [TWO]
    assert [c.at for c in agent.store.binding_changes()] == [START_UTC + 300.002, START_UTC]
    agent.store.close()


def test_a_required_place_without_a_probe_is_missing_and_nothing_is_called_above_target(
    tmp_path: Path,
) -> None:
    agent = heated(tmp_path)
    tick_until(agent, 1900, 30)
    assert agent.status is not None
    assert agent.status.state in (State.ABOVE_TARGET.value, State.READY.value)
    said = ask_and_answer(agent, "bind-probes", places={TWO: ""}, seen=BOUND)
    assert "Cylinder 2: no probe any more. Readiness waits for it" in str(said["text"])
    tick_until(agent, 1960)
    assert agent.status.missing == ("cyl-2",)
    assert agent.status.state not in (State.ABOVE_TARGET.value, State.READY.value)
    agent.store.close()


@pytest.mark.parametrize(
    ("places", "seen", "text"),
    [
        ({ONE: "cyl-2"}, BOUND, "Two probes at cylinder 2."),
        ({ONE: "spinner"}, BOUND, "spinner is not a place of this aircraft."),
        ({"28-": "cyl-1"}, BOUND, "28- is neither a probe that is known nor an address"),
        ({ONE: ""}, BOUND | {ONE: "cyl-9"}, "Somebody has moved a probe since you looked."),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_moves(
    agent: Agent, places: dict[str, str], seen: dict[str, str], text: str
) -> None:
    said = ask_and_answer(agent, "bind-probes", places=places, seen=seen)
    assert not said["ok"]
    assert text in str(said["text"])
    assert agent.store.bindings() == BOUND
    agent.store.close()


def test_the_last_change_is_undone_by_another_dated_one(agent: Agent) -> None:
    ask_and_answer(agent, "bind-probes", places={TWO: "", NEW: "cyl-2"}, seen=BOUND)
    tick_until(agent, 330)
    changes = agent.store.binding_changes()
    assert not ask_and_answer(agent, "undo-binding", at=changes[1].at)["ok"], "only the last one"
    assert ask_and_answer(agent, "undo-binding", at=changes[0].at)["ok"]
    assert agent.store.bindings() == BOUND
    assert len(agent.store.binding_changes()) == 3, "nothing is erased"
    agent.store.close()


def test_a_restart_goes_by_the_record_also_where_a_probe_was_put_aside(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(wired), text=TEXT)
    tick_until(agent, 60)
    assert ask_and_answer(agent, "bind-probes", places={TWO: ""}, seen=BOUND)["ok"]
    agent.store.close()
    again = open_agent(tmp_path, ScriptedSource(wired), START_UTC + 90, text=TEXT)
    assert again.store.bindings() == {ONE: "cyl-1", NOSE: "case-nose"}
    again.store.close()


def test_a_heat_up_during_which_a_probe_moved_is_left_out(tmp_path: Path) -> None:
    agent = heated(tmp_path)
    tick_until(agent, 900)
    heatup = agent.store.open_heatup()
    assert heatup is not None
    said = ask_and_answer(agent, "bind-probes", places={TWO: "", NEW: "cyl-2"}, seen=BOUND)
    assert "left out of what is learned" in str(said["text"])
    assert agent.store.is_excluded(heatup)
    agent.store.close()


def command(agent: Agent, *arguments: str, code: int = 0) -> str:
    done = CliRunner().invoke(main, ["bind", "--store", str(agent.store.path), *arguments])
    assert done.exit_code == code, done.output
    return done.output


def test_the_command_shows_and_previews_and_refuses_what_is_no_pair(agent: Agent) -> None:
    listed = command(agent)
    assert f"crankcase nose  simulated  {NOSE}" in listed
    assert f"{ONE} from no place to cylinder 1" in listed
    told = command(agent, f"{ONE}=none", f"{NOSE}=cyl-1", "--preview")
    assert f"{ONE}: at cylinder 1, from now on at no place" in told
    assert "Crankcase nose: no probe any more." in told
    assert "Nothing is changed yet." in told
    assert "write it as" in command(agent, "cyl-3", code=2)
    assert agent.store.bindings() == BOUND
    agent.store.close()


def test_the_command_asks_the_daemon(agent: Agent, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, object]] = []
    monkeypatch.setattr("probe_agent.cli.binding.tell", lambda s, f, kind, body: asked.append((kind, body)))
    command(agent, f"{TWO}=none")
    command(agent, "--undo")
    assert asked == [
        ("bind-probes", {"places": {TWO: ""}, "seen": BOUND}),
        ("undo-binding", {"at": START_UTC}),
    ]
    agent.store.close()
