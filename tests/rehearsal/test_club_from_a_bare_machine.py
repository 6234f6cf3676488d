"""A club's page from Debian's bare root with the command README prints, under systemd: installed, its
settings taken, its upgrade and the way back, a board's own installed beside it, and off again.

    pytest -m long tests/rehearsal/test_club_from_a_bare_machine.py -s      as test_from_a_bare_board.py
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from bare_board import SOURCE, BareBoard, Steps, bare_root, fenced, wait_for
from test_from_a_bare_board import is_up, unpack

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(os.geteuid() != 0, reason="a root of its own needs root"),
    pytest.mark.skipif(shutil.which("debootstrap") is None, reason="debootstrap is missing"),
]

CLUB = "probe-agent-club"
FOLDER = "/etc/probe-agent-club"
GET = """
import urllib.request
with urllib.request.urlopen("http://127.0.0.1:8090/", timeout=10) as answer:
    print(answer.read().decode())
"""


@pytest.fixture(scope="module")
def steps() -> Steps:
    return Steps()


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory, steps: Steps) -> Iterator[BareBoard]:
    """The bare root with systemd up in it, and the unpacked archive."""
    folder = tmp_path_factory.mktemp("machine")
    bare_root(folder / "root")
    steps.done("Debian's bare root")
    unpack(folder / "root" / SOURCE)
    (folder / "root/sys").mkdir(exist_ok=True)
    with BareBoard(folder / "root", booted=True) as opened:
        wait_for(lambda: is_up(opened), opened.holder, 120)
        steps.done("systemd is up in there")
        yield opened


def page(machine: BareBoard) -> str:
    """What the page says, once it answers."""
    deadline = time.monotonic() + 60
    while not (said := machine.run(f"python3 -c '{GET}' 2>/dev/null", may_fail=True)):
        assert time.monotonic() < deadline, "the page doesn't answer"
    return said


def states(machine: BareBoard, *units: str) -> list[str]:
    return machine.run(f"systemctl is-active {' '.join(units)}", may_fail=True).split()


def version(machine: BareBoard) -> str:
    pid = machine.run(f"systemctl show --value -p MainPID {CLUB}").strip()
    return machine.run(f"tr '\\0' '\\n' </proc/{pid}/cmdline | head -n 1").partition("/bin/")[0]


def test_readmes_command_installs_a_page_and_nothing_of_a_board(machine: BareBoard, steps: Steps) -> None:
    (install,) = fenced("README.md", "club")
    said = machine.run(install, network=True, limit_s=1800)
    print(said)
    steps.done(install)
    assert f"Name its broker in {FOLDER}/club.toml" in said
    assert "http://localhost:8090/" in said
    assert "The broker at hub.example.org:" in page(machine)
    seen = machine.run(f"stat -c '%U:%G %a' {FOLDER} {FOLDER}/club.toml").splitlines()
    assert seen == [f"root:{CLUB} 750", f"root:{CLUB} 640"]
    pid = machine.run(f"systemctl show --value -p MainPID {CLUB}").strip()
    assert machine.run(f"stat -c %U /proc/{pid}").strip() == CLUB
    assert machine.run(f"systemctl is-enabled {CLUB}").strip() == "enabled"
    for absent in ("/etc/probe-agent", "/var/lib/probe-agent", "/etc/udev/rules.d/60-probe-agent.rules"):
        assert not os.path.lexists(f"{machine.root}{absent}"), absent
    assert "probe-agent:" not in machine.run("cat /etc/passwd")


def test_settings_are_taken_and_refused_ones_stop_an_upgrade(machine: BareBoard, steps: Steps) -> None:
    (again,) = fenced("README.md", "club")
    settings = machine.root / FOLDER[1:] / "club.toml"
    kept = settings.read_text("utf-8")
    settings.write_text(kept.replace("hub.example.org", "127.0.0.1"), "utf-8")
    machine.run(f"systemctl restart {CLUB}")
    assert "127.0.0.1:" in page(machine)
    before = version(machine)
    for wrong, said in (("[nonsense]\nkey = 1\n", "nonsense"), ("", "this is no club's page")):
        text = kept + wrong if wrong else kept.replace("[club]\n", "")
        settings.write_text(text, "utf-8")
        assert said in machine.run(again, network=True, may_fail=True, limit_s=1800)
    settings.write_text(kept.replace("hub.example.org", "127.0.0.1"), "utf-8")
    steps.done("two upgrades with settings that are refused")
    assert states(machine, CLUB) == ["active"]
    assert version(machine) == before


def test_upgrade_and_way_back(machine: BareBoard, steps: Steps) -> None:
    """The commands for a board: which parts are here, the machine tells."""
    again, back = fenced("README.md", "upgrade")
    print(machine.run(again, network=True, limit_s=1800))
    steps.done(again)
    assert (version(machine), "127.0.0.1:" in page(machine)) == ("/opt/probe-agent.d/2", True)
    print(machine.run(back))
    assert (version(machine), "127.0.0.1:" in page(machine)) == ("/opt/probe-agent.d/1", True)
    steps.done(back)


def test_off_again_settings_stay_until_they_are_to_go(machine: BareBoard, steps: Steps) -> None:
    (remove,) = fenced("README.md", "remove")
    assert FOLDER in machine.run(remove)
    assert states(machine, CLUB) == ["inactive"]
    assert (machine.root / FOLDER[1:] / "club.toml").exists()
    assert not os.path.lexists(machine.root / "opt/probe-agent.d")
    assert not (machine.root / f"etc/systemd/system/{CLUB}.service").exists()
    steps.done(remove)


def test_beside_a_board_both_go_on_and_neither_reads_the_others(machine: BareBoard, steps: Steps) -> None:
    units = ("probe-agent", "probe-agent-web", CLUB)
    machine.run("sudo sh deploy/install.sh --yes --gpio none", network=True, limit_s=1800)
    assert states(machine, *units) == ["active", "active", "inactive"]
    print(machine.run("sudo sh deploy/install.sh --club", network=True, limit_s=1800))
    steps.done("a board, then --club beside it")
    assert states(machine, *units) == ["active"] * 3
    machine.run(f"sh -c 'echo secret >{FOLDER}/password; chown {CLUB} {FOLDER}/password'")
    machine.run(f"chmod 600 {FOLDER}/password")
    for user, file in (
        (CLUB, "/etc/probe-agent/settings.toml"),
        (CLUB, "/var/lib/probe-agent/probe-agent.db"),
        (CLUB, "/run/probe-agent/status.json"),
        ("probe-agent", f"{FOLDER}/club.toml"),
        ("probe-agent-web", f"{FOLDER}/password"),
    ):
        refused = machine.run(f"runuser -u {user} -- cat {file}", may_fail=True)
        assert "Permission denied" in refused, (user, file, refused)
    machine.run("sudo sh deploy/install.sh --remove --with-data")
    assert states(machine, *units) == ["inactive"] * 3
    assert not os.path.lexists(machine.root / FOLDER[1:])
    assert CLUB not in machine.run("cat /etc/passwd /etc/group")
