"""hardware.md prints what its commands print, names no command that isn't there, and forgets no part."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from bench_checks import DONE, all_blocks, plain, written
from click.testing import CliRunner

from probe_agent.cli import main
from probe_agent.config import Setup

TEXT = (Path(__file__).parent.parent / "hardware.md").read_text("utf-8")


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Each block as it comes out of its command on the simulated bus."""
    return all_blocks(tmp_path_factory.mktemp("bench"), written())


def test_the_blocks_of_the_document_are_those_that_are_run() -> None:
    assert set(written()) == set(DONE) | {"two"}


@pytest.mark.long
@pytest.mark.parametrize("name", [*DONE, "two"])
def test_a_bench_check_prints_what_the_document_says(name: str, printed: dict[str, str]) -> None:
    assert plain(written()[name]) == plain(printed[name])


def test_three_minutes_of_heat_tell_the_probes_apart() -> None:
    raws = [
        dict(re.findall(r"^ok +(.*?) +raw (-?[\d.]+)", written()[name], re.MULTILINE))
        for name in ("near-before", "near-after")
    ]
    rose = {place: float(raws[1][place]) - float(raws[0][place]) for place in raws[0]}
    assert rose["cylinder 2"] > 2
    assert rose["cylinder 3"] > 2
    assert rose["cylinder 1"] < 1
    assert rose["crankcase nose"] < 1
    assert rose["outside air"] == 0


def test_every_command_it_names_is_there() -> None:
    named = set(re.findall(r"probe-agent ([a-z][a-z-]+)", TEXT))
    assert named
    assert named <= set(main.commands) | {"is"}
    for name in named & set(main.commands):
        assert CliRunner().invoke(main, [name, "--help"]).exit_code == 0


def test_every_kind_of_heater_has_its_far_places() -> None:
    kinds = Setup.__annotations__["heater"]
    rows = TEXT.partition("heat arrives last at")[2].partition("\n\n")[0]
    for kind in re.findall(r"[a-z]+-[a-z-]+|combustion", str(kinds)):
        assert f"`{kind}`" in rows, kind


def test_bench_checks_are_a_list_to_tick() -> None:
    checks = TEXT.partition("## Bench checks")[2]
    assert checks.count("- [ ] ") >= 18
    assert not re.search(r"- \[x\]", checks)
    for line in re.findall(r"^- \[ \] .*(?:\n  .*)*", checks, re.MULTILINE):
        following = checks.partition(line)[2][:30]
        assert "`" in line or "```console" in following or "breaker" in line, line
