"""deploy/advisories.py on made-up packages: what is affected, what isn't, what can't be known."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from packaging.version import Version

from deploy.advisories import Pin, look, pins_of, report

ROOT = Path(__file__).parents[1]
TODAY = date(2027, 1, 16)
LOCK = """\
# sh deploy/lock.sh
hangar-door==2.4.1 \\
    --hash=sha256:00
Wind.Sock==1.0.post1 ; python_full_version < '3.12' \\
    --hash=sha256:11
wind-sock==1.2 ; python_full_version >= '3.12' \\
    --hash=sha256:22
"""


def pins() -> list[Pin]:
    return [
        Pin("hangar-door", Version("2.4.1")),
        Pin("wind-sock", Version("1.0.post1")),
        Pin("wind-sock", Version("1.2")),
    ]


def advisory(*events: dict[str, str], name: str = "hangar-door", **more: Any) -> dict[str, Any]:
    of: dict[str, Any] = {"package": {"ecosystem": "PyPI", "name": name}}
    if events:
        of["ranges"] = [{"type": "ECOSYSTEM", "events": list(events)}]
    for key in ("versions", "ranges"):
        if key in more:
            of[key] = more.pop(key)
    return {"id": "MADE-UP-1", "modified": "2027-01-10T08:00:00Z", "affected": [of], **more}


def asked(folder: Path, *advisories: object) -> tuple[list[str], bool]:
    for n, one in enumerate(advisories):
        (folder / f"{n}.json").write_text(json.dumps(one), "utf-8")
    return report(look(folder, pins()), pins(), TODAY)


INSIDE = {
    "from the beginning": [{"introduced": "0"}, {"fixed": "2.4.2"}],
    "never mended": [{"introduced": "2.0"}],
    "in the second span": [{"introduced": "1.0"}, {"fixed": "1.5"}, {"introduced": "2.4"}, {"fixed": "2.5"}],
    "told in any order": [
        {"introduced": "2.0.0"},
        {"fixed": "2.5"},
        {"introduced": "0"},
        {"fixed": "1.26.1"},
    ],
    "begins with it": [{"introduced": "2.4.1"}, {"fixed": "3"}],
    "the last affected": [{"introduced": "0"}, {"last_affected": "2.4.1"}],
    "written longer": [{"introduced": "0"}, {"last_affected": "2.4.1.0"}],
    "two keys in one": [{"introduced": "0", "fixed": "2.5"}],
    "an event that says nothing": [{"introduced": "0"}, {}],
}
OUTSIDE = {
    "mended in it": [{"introduced": "0"}, {"fixed": "2.4.1"}],
    "mended before, by number and not by letter": [{"introduced": "0"}, {"fixed": "2.4.1rc10"}],
    "between two spans": [{"introduced": "0"}, {"fixed": "2.4"}, {"introduced": "2.10"}, {"fixed": "2.11"}],
    "later": [{"introduced": "2.10"}],
    "the last affected is earlier": [{"introduced": "0"}, {"last_affected": "2.4.0"}],
    "beyond its limit": [{"introduced": "0"}, {"limit": "2.4"}],
}


@pytest.mark.parametrize("case", INSIDE)
def test_a_pin_inside_a_range_is_affected(case: str, tmp_path: Path) -> None:
    lines, clean = asked(tmp_path, advisory(*INSIDE[case]))
    assert not clean
    assert lines[0] == "AFFECTED hangar-door 2.4.1: MADE-UP-1"


@pytest.mark.parametrize("case", OUTSIDE)
def test_a_pin_outside_is_not(case: str, tmp_path: Path) -> None:
    lines, clean = asked(tmp_path, advisory(*OUTSIDE[case]))
    assert clean
    assert lines == [
        "3 pins held against 1 advisories; 1 of them are of 1 pinned packages.",
        "The newest is of 2027-01-10: of what was published later this says nothing.",
        "No pin is inside an affected range.",
    ]


def test_a_name_is_one_however_it_is_written_and_each_of_two_pins_counts(tmp_path: Path) -> None:
    lines, clean = asked(tmp_path, advisory({"introduced": "0"}, {"fixed": "1.1"}, name="Wind_Sock"))
    assert not clean
    assert lines[:2] == [
        "AFFECTED wind-sock 1.0.post1: MADE-UP-1",
        "3 pins held against 1 advisories; 1 of them are of 1 pinned packages.",
    ]


def test_listed_versions_count_beside_ranges_and_old_ones_do_not_disturb(tmp_path: Path) -> None:
    odd = advisory({"introduced": "0"}, {"fixed": "1"}, versions=["2004d", "2.4.1.0"])
    assert not asked(tmp_path, odd)[1]
    assert asked(tmp_path, advisory(versions=["2004d", "2.4.0"]))[1]


def test_who_is_withdrawn_or_of_elsewhere_or_not_pinned_says_nothing(tmp_path: Path) -> None:
    all_of_it = {"introduced": "0"}
    elsewhere = advisory(all_of_it)
    elsewhere["affected"][0]["package"]["ecosystem"] = "npm"
    withdrawn = advisory(all_of_it, withdrawn="2027-01-02T00:00:00Z")
    lines, clean = asked(tmp_path, elsewhere, withdrawn, advisory(all_of_it, name="hangar"))
    assert clean
    assert lines[0] == "3 pins held against 3 advisories; 0 of them are of 0 pinned packages."


@pytest.mark.parametrize(
    "wrong",
    [
        advisory(),
        advisory(ranges=[{"type": "GIT", "events": [{"introduced": "0"}, {"fixed": "abc"}]}]),
        advisory({"introduced": "0"}, {"fixed": "third of May"}),
        advisory({"introduced": "0"}, {"mended": "2.0"}),
        advisory(ranges=[{"type": "ECOSYSTEM"}]),
        {"id": "MADE-UP-1", "modified": "2027-01-10T08:00:00Z", "package": {"name": "hangar-door"}},
        {"id": "MADE-UP-1", "modified": "2027-01-10T08:00:00Z", "affected": ["hangar-door"]},
        advisory(ranges=["all"]),
    ],
)
def test_what_cannot_be_judged_is_not_clean(wrong: object, tmp_path: Path) -> None:
    lines, clean = asked(tmp_path, wrong)
    assert not clean
    assert "MADE-UP-1" in lines[0]
    assert lines[-1] == "Not clean."


@pytest.mark.parametrize("text", ["{", "[" * 100_000, "a: b: c", "\x00"])
def test_a_file_that_cannot_be_read_is_not_clean(text: str, tmp_path: Path) -> None:
    (tmp_path / "broken.yaml").write_text(text, "utf-8")
    lines, clean = asked(tmp_path, advisory(*OUTSIDE["later"]))
    assert not clean
    assert lines[0].startswith("broken.yaml can't be read: ")


def test_yaml_with_dates_and_numbers_unquoted_reads_the_same(tmp_path: Path) -> None:
    (tmp_path / "vulns").mkdir()
    (tmp_path / "vulns" / "one.yaml").write_text(
        "id: MADE-UP-7\nmodified: 2027-01-12T17:21:37.216928Z\naffected:\n- package:\n    ecosystem: PyPI\n"
        "    name: wind-sock\n  ranges:\n  - type: ECOSYSTEM\n    events:\n    - introduced: 1.1\n"
        "    - fixed: 1.3\n  versions:\n  - 1.2\n",
        "utf-8",
    )
    (tmp_path / "settings.yml").write_text("steps: [one, two]\n", "utf-8")
    lines, clean = report(look(tmp_path, pins()), pins(), TODAY)
    assert not clean
    assert lines[0] == "AFFECTED wind-sock 1.2: MADE-UP-7"
    assert "2027-01-12" in lines[2]


def test_an_empty_or_old_folder_is_no_answer(tmp_path: Path) -> None:
    assert asked(tmp_path) == (
        [
            "3 pins held against 0 advisories; 0 of them are of 0 pinned packages.",
            "Nothing was looked up: there is no advisory with a date in this folder.",
        ],
        False,
    )
    lines, clean = asked(tmp_path, advisory(*OUTSIDE["later"], modified=str(TODAY - timedelta(days=31))))
    assert not clean
    assert lines[-2:] == [
        "No pin is inside an affected range.",
        "It is older than 30 days, which is no answer for today: fetch the folder anew.",
    ]


def test_a_locks_pins_are_read(tmp_path: Path) -> None:
    (tmp_path / "lock.txt").write_text(LOCK, "utf-8")
    assert list(pins_of(tmp_path / "lock.txt")) == pins()
    for lock in ROOT.glob("deploy/lock*.txt"):
        lines = lock.read_text("utf-8").splitlines()
        assert len(list(pins_of(lock))) == len([one for one in lines if one[0] not in "# "]), lock


def test_the_command_says_it_and_ends_with_it(tmp_path: Path) -> None:
    (tmp_path / "lock.txt").write_text(LOCK, "utf-8")
    (tmp_path / "made").mkdir()
    recent = advisory({"introduced": "0"}, modified=f"{date.today() - timedelta(days=1)}T00:00:00Z")  # noqa: DTZ011
    (tmp_path / "made" / "1.json").write_text(json.dumps(recent), "utf-8")
    command = [sys.executable, str(ROOT / "deploy" / "advisories.py")]
    said = subprocess.run([*command, "made", "lock.txt"], cwd=tmp_path, capture_output=True, text=True)
    assert said.returncode == 1
    assert said.stdout.startswith("AFFECTED hangar-door 2.4.1: MADE-UP-1\n")
    for wrong in ([], ["made"], ["not-there", "lock.txt"]):
        refused = subprocess.run([*command, *wrong], cwd=tmp_path, capture_output=True, text=True)
        assert refused.returncode == 2
        assert refused.stderr.startswith("usage: ")
