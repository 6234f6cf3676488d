"""Settings changed at the field: what may be, what is refused in a sentence, what holds, and the way back."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import example, given
from hypothesis import strategies as st
from scripted import START_UTC, ScriptedSource, open_agent, settings_in, tick_until, warming
from test_agent import ask_and_answer
from test_binding import heated

from probe_agent import chosen
from probe_agent.agent import Agent
from probe_agent.chosen import CHOICES, Change, Refused, choice_of, judged
from probe_agent.cli import main
from probe_agent.config import Settings, parse_settings
from probe_agent.export import Exporter, read_export


@pytest.fixture
def agent(tmp_path: Path) -> Agent:
    found = open_agent(tmp_path, ScriptedSource(warming()))
    tick_until(found, 60)
    return found


def choose(agent: Agent, name: str, text: str, unit: str = "C") -> dict[str, object]:
    return ask_and_answer(agent, "choose-setting", name=name, text=text, unit=unit)


def test_a_target_holds_from_the_next_tick_in_document_and_physics_and_after_a_restart(
    agent: Agent, tmp_path: Path
) -> None:
    said = choose(agent, "target_c", "50", "F")
    assert said["text"] == (
        "Target of the coldest point: 50.0 °F from now on, the settings file says 44.6 °F."
    ), said["text"]
    tick_until(agent, 90)
    assert agent.status is not None
    assert (agent.status.target_c, agent._physics.target_c) == (10.0, 10.0)
    assert agent._physics.estimator.target_c == 10.0
    agent.store.close()
    again = open_agent(tmp_path, ScriptedSource(warming()), START_UTC + 120)
    tick_until(again, 15)
    assert again.status is not None
    assert (again.status.target_c, again.settings.limits.target_c) == (10.0, 10.0)
    again.store.close()


@pytest.mark.parametrize(
    ("name", "text", "what"),
    [
        ("target_c", "-5", "Write a temperature from minus 1"),
        ("target_c", "60", "to less than 60"),
        ("target_c", "seven", "Write a temperature"),
        ("travel_min", "700", "Write minutes, 0 to 600."),
        ("certainty", "10/10", "Write 8/10, 9/10 or 19/20."),
        ("evening", "25:00", "Write a time like 19:30."),
        ("morning_look", "", "or none"),
        ("quiet", "22-5", "Write hours like 22:00-05:30, or none."),
        ("unit", "K", "Write C or F."),
    ],
)
def test_what_cannot_be_is_refused_at_its_field_and_nothing_changes(
    agent: Agent, name: str, text: str, what: str
) -> None:
    said = choose(agent, name, text)
    assert not said["ok"]
    assert what.replace("minus ", "−") in str(said["text"]).replace("minus ", "−")
    assert said["field"] == name
    assert agent.store.kept(chosen.KEPT) is None
    agent.store.close()


@pytest.mark.parametrize(
    "name", ["too_hot_c", "need_below_c", "manual_allows_unattended", "listen", "plain_acts", "watts"]
)
def test_limits_of_harm_network_access_and_plug_are_the_files_alone(agent: Agent, name: str) -> None:
    said = choose(agent, name, "1")
    assert not said["ok"]
    assert "settings file alone" in str(said["text"])
    agent.store.close()


def test_a_heat_up_at_hand_keeps_its_target(tmp_path: Path) -> None:
    agent = heated(tmp_path)
    tick_until(agent, 900)
    said = choose(agent, "target_c", "12")
    assert "it keeps its target" in str(said["text"])
    assert choose(agent, "quiet", "22:00-05:30")["ok"], "what doesn't touch it may be changed"
    agent.store.close()


def test_undone_the_change_before_holds_again_and_all_of_them_stay_in_the_record(agent: Agent) -> None:
    choose(agent, "uncovered_min", "30")
    tick_until(agent, 75)
    choose(agent, "uncovered_min", "45")
    changes = chosen.read_changes(agent.store.kept(chosen.KEPT))
    assert not ask_and_answer(agent, "undo-choice", at=changes[0].at)["ok"], "it holds no longer"
    assert "30 min from now on" in str(ask_and_answer(agent, "undo-choice", at=changes[1].at)["text"])
    assert agent.settings.planning.uncovered_min == 30
    assert agent._departures._settings.planning.uncovered_min == 30
    assert ask_and_answer(agent, "choose-setting", name="uncovered_min", as_file=True)["ok"]
    assert agent.settings.planning.uncovered_min == 20
    assert len(chosen.read_changes(agent.store.kept(chosen.KEPT))) == 3
    agent.store.close()


def test_what_was_chosen_is_in_the_export(agent: Agent) -> None:
    choose(agent, "target_c", "9,5")
    choose(agent, "quiet", "22:00-05:30")
    agent.store.commit()
    Exporter(agent.store.path).follow()
    found = read_export(agent.store.path)
    assert found is not None
    told = {row["name"]: row["value"] for row in found.tables["kept"]}
    changes = chosen.read_changes(told[chosen.KEPT])
    assert {c.name: c.value for c in changes} == {"target_c": 9.5, "quiet": "22:00-05:30"}
    agent.store.close()


def test_a_choice_that_no_longer_fits_the_file_is_passed_over() -> None:
    change = Change(0.0, "target_c", 9.0)
    raised = parse_settings(b"[limits]\nneed_below_c = 10.0\ntarget_c = 12.0\n", "test.toml")
    assert chosen.with_chosen(Settings(), [change]).limits.target_c == 9.0
    assert chosen.with_chosen(raised, [change]) == raised


def test_no_morning_look_ends_the_daily_one_too() -> None:
    file = parse_settings(b'[messages]\nmorning_look = "05:50"\nmorning_look_daily = true\n', "test.toml")
    said = chosen.with_chosen(file, [Change(0.0, "morning_look", "none")]).messages
    assert (said.morning_look, said.morning_look_daily) == (None, False)


def test_old_changes_are_forgotten_but_never_what_holds() -> None:
    many = [Change(0.0, "target_c", 9.0), *(Change(float(i), "evening", "19:30") for i in range(300))]
    kept = chosen.read_changes(chosen.keep_text(many))
    assert len(kept) == chosen.MOST_KEPT + 1
    assert chosen.in_force(kept)["target_c"].value == 9.0


_CLOCK = st.times().map(lambda t: t.strftime("%H:%M"))
_TYPED = (
    st.text(max_size=12)
    | st.floats(-100, 300).map(lambda x: f"{x:.2f}")
    | _CLOCK
    | st.builds("{}-{}".format, _CLOCK, _CLOCK)
    | st.sampled_from(["none", "C", "F", "8/10", "9/10", "19/20"])
)


@pytest.mark.parametrize("choice", CHOICES, ids=lambda c: c.name)
def test_whatever_is_typed_gives_settings_the_file_could_hold_or_a_sentence(choice: chosen.Choice) -> None:
    taken: set[bool] = set()

    @given(_TYPED, st.sampled_from(["C", "F"]))
    @example("10", "C")
    @example("19:30", "C")
    @example("22:00-05:30", "C")
    @example("9/10", "C")
    @example("F", "F")
    def look(text: str, unit: chosen.Unit) -> None:
        try:
            value = judged(choice, text, unit, Settings())
        except Refused:
            taken.add(False)
            return
        taken.add(True)
        found = chosen.with_chosen(Settings(), [Change(0.0, choice.name, value)])
        assert msgspec.convert(msgspec.to_builtins(found), Settings) == found
        assert chosen.value_of(found, choice) == value, "what is taken holds"

    look()
    assert taken == {True, False}, "both came up"


def test_the_command_lists_changes_and_asks_the_daemon(
    agent: Agent, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    choose(agent, "evening", "20:15")
    file = tmp_path / "settings.toml"
    file.write_text('[aircraft]\nzone = "UTC"\n')
    asked: list[tuple[str, object]] = []
    monkeypatch.setattr("probe_agent.cli.chosen.tell", lambda s, f, kind, body: asked.append((kind, body)))

    def run(*arguments: str) -> str:
        done = CliRunner().invoke(
            main, ["set", "--store", str(agent.store.path), "--settings", str(file), *arguments]
        )
        return done.output

    assert "20:15" in run()
    assert "file: 19:30" in run()
    run("target_c", "-f", "50")
    run("evening", "--undo")
    assert "Give a value" in run("evening")
    assert "Nothing was changed of quiet." in run("quiet", "--undo")
    assert asked == [
        ("choose-setting", {"name": "target_c", "text": "50", "unit": "F", "as_file": False}),
        ("undo-choice", {"at": START_UTC + 60, "unit": "C"}),
    ]
    agent.store.close()


def test_every_choice_is_a_setting_of_the_file() -> None:
    for choice in CHOICES:
        assert choice_of(choice.name) is choice
        assert hasattr(getattr(settings_in(Path(".")), choice.table), choice.name)
