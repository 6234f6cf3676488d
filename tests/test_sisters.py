"""A setup's memory as a file: what is in it, what of it is refused, and what a sister's is worth here."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from scripted import SETTINGS, START_UTC, ScriptedSource, open_agent, settings_in, tick_until, warming
from test_agent import ask_and_answer
from test_learning import heated
from test_memory import NAMES, after

from probe_agent import learning, sisters
from probe_agent.agent import Agent
from probe_agent.archive import Archive
from probe_agent.cli import main
from probe_agent.config import Settings, parse_settings
from probe_agent.export import Exporter, read_export
from probe_agent.sisters import Refused
from probe_agent.thermal.described import prior_of
from probe_agent.thermal.memory import Memory, setup_prior
from probe_agent.thermal.network import SHARED
from probe_agent.thermal.sister import ALIKE, believing

PLACES = ("cyl-1", "cyl-2", "case-nose")
RATE = SHARED.index("log_rate_c_per_s")
HERE = parse_settings(SETTINGS.encode(), "test.toml")
TAUGHT: Memory = after([0.3, 0.25, 0.28])[0]
FILE = sisters.written(HERE, TAUGHT, "Kestrel", "2026-11-20")
BODY = json.loads(FILE)["setup"]


def changed(**what: Any) -> str:
    """The file with something of its content another, its checksum put right."""
    body = {**BODY, **what}
    return json.dumps({"probe-agent-setup": 1, "sha256": sisters._sum(body), "setup": body})


def fitted(text: str, here: Settings = HERE) -> sisters.Sister:
    return sisters.fitted(*sisters.read(text), here, PLACES)


def test_a_file_holds_the_memory_and_nothing_of_whose_it_is() -> None:
    found, _ = sisters.read(FILE)
    again = sisters.memory_of(found)
    assert again.names == TAUGHT.names
    assert again.heat_ups == 3
    np.testing.assert_allclose(again.mean, TAUGHT.mean, rtol=1e-5)
    np.testing.assert_allclose(again.covariance, TAUGHT.covariance, rtol=1e-5)
    private = HERE.aircraft.name, "recipients", "address", "departure", "winter"
    assert not [word for word in private if word in FILE]
    assert set(BODY) == set(sisters.SetupFile.__struct_fields__)
    assert len(FILE) < 30_000


@settings(max_examples=60)
@given(st.integers(0, len(FILE) - 1), st.characters(min_codepoint=32, max_codepoint=126))
def test_a_changed_character_is_refused_or_changes_nothing(at: int, to: str) -> None:
    try:
        found, _ = sisters.read(FILE[:at] + to + FILE[at + 1 :])
    except Refused:
        return
    assert found == sisters.read(FILE)[0]


@settings(max_examples=40)
@given(st.text(max_size=40) | st.binary(max_size=40).map(lambda b: b.decode("latin-1")))
def test_what_is_no_file_of_ours_is_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(Refused, match="no setup of probe-agent"):
        sisters.read(text)


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ({"model_version": 1}, "another version of the physics"),
        ({"heat_ups": 0}, "don't belong together"),
        ({"heat_ups": True}, "not complete"),
        ({"mean": BODY["mean"][:-1]}, "don't belong together"),
        ({"names": [BODY["names"][0], *BODY["names"][:-1]]}, "don't belong together"),
        ({"called": "<b>"}, "another --as"),
        ({"made_on": "yesterday"}, "can't be"),
        ({"watts": 0.0}, "can't be"),
        ({"more": 1}, "not complete"),
        ({"watts": 1500.0}, "1500 W and the one here 650 W"),
        (
            {"kind": {**BODY["kind"], "heater": "cowl-heater"}},
            "the heater (cowl-heater there, pads-and-bands here)",
        ),
        ({"kind": {**BODY["kind"], "cover": False}}, "the cover (no there, yes here)"),
        ({"kind": {**BODY["kind"], "layout": "radial"}}, "layout"),
        ({"places": {"cyl-1": True, "cyl-2": False, "case-nose": False}}, "Three in four"),
        ({"mean": [m + 9.0 for m in BODY["mean"]]}, "no such engine"),
        ({"covariance": [0.0 for _ in BODY["covariance"]]}, "no such engine"),
        ({"covariance": [9.0 for _ in BODY["covariance"]]}, "no such engine"),
    ],
)
def test_what_does_not_fit_is_refused_with_what_it_is(what: dict[str, Any], said: str) -> None:
    with pytest.raises(Refused) as refused:
        fitted(changed(**what))
    assert said in str(refused.value)
    assert str(refused.value).endswith(".")


def test_a_covariance_that_no_figures_can_have_is_refused() -> None:
    n, skewed = len(BODY["names"]), list(BODY["covariance"])
    i, j = 1, 0
    skewed[i * (i + 1) // 2 + j] = 5 * (skewed[0] * skewed[2]) ** 0.5
    assert n > 2
    with pytest.raises(Refused, match="no spread that can be"):
        fitted(changed(covariance=skewed))


def test_a_sister_draws_the_middle_and_narrows_but_never_to_herself() -> None:
    prior = prior_of(HERE, PLACES)
    alone, _ = setup_prior(prior, None, PLACES)
    hers, sure = setup_prior(prior, TAUGHT, PLACES)
    with_her, spread = setup_prior(fitted(FILE).prior, None, PLACES)
    wide = prior.factor(PLACES, [0.0] * 3) @ prior.factor(PLACES, [0.0] * 3).T
    assert alone[RATE] < with_her[RATE] < hers[RATE]
    assert sure[RATE, RATE] < spread[RATE, RATE] < wide[RATE, RATE]
    assert spread[RATE, RATE] >= (1 - ALIKE**2) * wide[RATE, RATE]
    offset = NAMES.index("offset_c:cyl-1")
    assert (with_her[offset], spread[offset, offset]) == (alone[offset], wide[offset, offset])
    assert np.linalg.eigvalsh(spread).min() > -1e-9


@given(st.lists(st.floats(-0.4, 0.4), min_size=1, max_size=4), st.floats(0.8, 1.25))
@settings(max_examples=20)
def test_whatever_she_was_taught_the_belief_is_one(shifts: list[float], power: float) -> None:
    prior = believing(prior_of(HERE, PLACES), after(shifts)[0], PLACES, power)
    _, spread = setup_prior(prior, None, PLACES)
    wide = prior.factor(PLACES, [0.0] * 3) @ prior.factor(PLACES, [0.0] * 3).T
    assert np.linalg.eigvalsh(spread).min() > -1e-9
    assert (np.diag(spread) <= np.diag(wide) + 1e-9).all()
    assert prior.sister is not None
    least = (1 - ALIKE**2) * np.array([wide[NAMES.index(n), NAMES.index(n)] for n in prior.sister.names])
    assert (np.diag(prior.sister.covariance) >= least - 1e-9).all()


def test_more_watts_here_warm_faster_by_as_much() -> None:
    with_her, with_more = (
        setup_prior(fitted(changed(watts=w)).prior, None, PLACES)[0][RATE] for w in (650.0, 550.0)
    )
    assert with_more - with_her == pytest.approx(ALIKE * np.log(650 / 550))


def test_a_place_she_has_not_keeps_what_was_believed_of_it() -> None:
    text = SETTINGS.replace('[[places]]\nname = "ambient"', '[[places]]\nname = "case-top"\nrequired = true')
    here, places = parse_settings(text.encode(), "test.toml"), (*PLACES, "case-top")
    found = sisters.fitted(*sisters.read(FILE), here, places)
    assert found.lacks == ("case-top",)
    assert found.prior.sister is not None
    assert not [n for n in found.prior.sister.names if n.endswith("case-top")]


# -- what is kept


def test_of_each_setup_the_last_one_holds_until_it_is_undone() -> None:
    first, second = sisters.Taken(1.0, "winter", "a", "A"), sisters.Taken(2.0, "winter", "b", "B")
    other = sisters.Taken(3.0, "spring", "c", "C")
    assert sisters.in_force((first, second, other), "winter") is second
    undone = msgspec.structs.replace(second, undone_at=4.0)
    assert sisters.in_force((first, undone, other), "winter") is None
    kept = sisters.read_taken(sisters.keep_text((first, second, other)))
    assert [t.text for t in kept] == ["", "B", "C"]
    many = [sisters.Taken(float(i), "winter", "x", "X") for i in range(99)]
    assert len(sisters.read_taken(sisters.keep_text([other, *many]))) == sisters.MOST_KEPT + 1
    assert sisters.read_taken("{") == ()


@pytest.fixture(scope="module")
def hers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a sister's store with one heat-up. Not to be written to."""
    folder = tmp_path_factory.mktemp("hers")
    heated(folder)
    (folder / "settings.toml").write_text(
        SETTINGS + f'[store]\nfile = "{folder}/probe-agent.db"\nruntime_dir = "{folder}"\n', "utf-8"
    )
    return folder


def run(folder: Path, *arguments: str) -> str:
    return (
        CliRunner().invoke(main, ["setups", "--settings", str(folder / "settings.toml"), *arguments]).output
    )


def settle(agent: Agent, until_s: float) -> None:
    tick_until(agent, until_s, 60.0)
    assert agent.status is not None


def test_from_board_to_board_taken_said_and_undone(hers: Path, tmp_path: Path) -> None:
    file = tmp_path / "kestrel.json"
    assert "one heat-up taught" in run(hers, "export", str(file), "--as", "Kestrel")
    assert "is there already" in run(hers, "export", str(file))
    (tmp_path / "settings.toml").write_text(
        SETTINGS + f'[store]\nfile = "{tmp_path}/probe-agent.db"\nruntime_dir = "{tmp_path}"\n', "utf-8"
    )
    agent = open_agent(tmp_path, ScriptedSource(warming(on_s=600.0)))
    settle(agent, 300.0)
    agent.store.commit()
    said = run(tmp_path, "import", str(file), "--preview")
    assert "It fits: exported" in said
    assert "Nothing is changed yet." in said
    assert agent.store.kept(sisters.KEPT) is None
    wide = agent._physics.estimator._covariance.diagonal().copy()
    answer = ask_and_answer(agent, "take-sister", file=file.read_text("utf-8"))
    assert "one heat-up of Kestrel, a sister ship" in str(answer["text"])
    assert agent._physics.estimator._covariance.diagonal()[RATE] < wide[RATE]
    settle(agent, 2400.0)
    assert agent.status is not None
    assert agent.status.learned is not None
    assert (agent.status.learned.heat_ups, agent.status.learned.sister) == (0, 1)
    assert agent.status.first_of_setup, "hers are never counted as its own"
    assert "and none of its own" in run(tmp_path)
    exported(agent)
    assert ask_and_answer(agent, "take-sister", file=file.read_text("utf-8"))["text"] == (
        "It rests on that file already."
    )
    assert ask_and_answer(agent, "undo-sister")["ok"]
    settle(agent, 2460.0)
    np.testing.assert_allclose(agent._physics.estimator._covariance.diagonal(), wide)
    assert agent.status.learned.sister == 0
    assert "undone" in run(tmp_path)
    assert not ask_and_answer(agent, "undo-sister")["ok"]
    agent.store.close()


def exported(agent: Agent) -> None:
    agent.store.commit()
    Exporter(agent.store.path).follow()
    found = read_export(agent.store.path)
    assert found is not None
    assert sisters.KEPT in {row["name"] for row in found.tables["kept"]}


def test_own_heat_ups_count_above_hers_and_are_worked_out_anew_upon_her(hers: Path, tmp_path: Path) -> None:
    (tmp_path / "probe-agent.db").write_bytes((hers / "probe-agent.db").read_bytes())
    file = tmp_path / "probe-agent.db"
    here, required = settings_in(tmp_path), PLACES
    alone = learning.course_of(here, PLACES, required)
    kept = sisters.keep_text([sisters.Taken(START_UTC, "winter", "x", FILE)])
    course = learning.course_of(here, PLACES, required, kept)
    assert alone is not None
    assert course is not None
    with Archive(file, read_only=True) as archive:
        before = learning.knowledge_of(archive, alone)
        assert learning.knowledge_of(archive, course).outdated
    known = learning.catch_up(file, course, all_ended=True)
    assert not known.outdated
    assert known.memory is not None
    assert before.memory is not None
    assert (known.memory.heat_ups, before.memory.heat_ups) == (1, 1)
    assert known.memory.mean != before.memory.mean
    again = learning.catch_up(file, alone, all_ended=True)
    assert again.memory is not None
    np.testing.assert_allclose(again.memory.mean, before.memory.mean, rtol=1e-9)


def test_one_that_no_longer_fits_the_settings_says_so_and_counts_no_more(tmp_path: Path) -> None:
    kept = sisters.keep_text([sisters.Taken(START_UTC, "winter", "x", FILE)])
    text = SETTINGS.replace("cover = true", "cover = false")
    course = learning.course_of(settings_in(tmp_path, text), PLACES, PLACES, kept)
    assert course is not None
    assert course.sister is None
    assert "the cover (yes there, no here)" in course.lone
    assert course.prior.sister is None


def test_a_broken_file_is_refused_by_the_daemon_and_nothing_is_kept(tmp_path: Path) -> None:
    agent = open_agent(tmp_path, ScriptedSource(warming(on_s=1e9)))
    settle(agent, 60.0)
    for body in (
        {},
        {"file": "x"},
        {"file": changed(model_version=1)},
        {"file": FILE.replace("2026", "2025")},
    ):
        assert not ask_and_answer(agent, "take-sister", **body)["ok"]
    assert agent.store.kept(sisters.KEPT) is None
    agent.store.close()
