"""The service manager's files in deploy/systemd: what they promise the owner, and how little they may do."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from probe_agent import pulse

SYSTEMD = Path(__file__).resolve().parent.parent / "deploy" / "systemd"
UNITS = ("probe-agent.service", "probe-agent-web.service")
CLUB = "probe-agent-club.service"
"""On a machine of its own, perhaps: neither record nor daemon are there."""
MOST_EXPOSED = 2.0
HARDWARE_S = 15
"""The watchdog of common boards counts to 16 s at most; longer settings have reset boards at once."""

analyze = shutil.which("systemd-analyze")


def keys_of(file: str) -> dict[str, list[str]]:
    """All values of each key, whatever its section."""
    found: dict[str, list[str]] = {}
    for line in (SYSTEMD / file).read_text("utf-8").splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


@pytest.mark.skipif(analyze is None, reason="systemd-analyze is missing")
@pytest.mark.parametrize("unit", [*UNITS, CLUB])
def test_little_is_exposed(unit: str) -> None:
    command = [str(analyze), "security", "--offline=yes", "--no-pager", str(SYSTEMD / unit)]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    level = re.search(r"Overall exposure level for \S+: ([\d.]+)", said)
    assert level is not None, said
    assert float(level.group(1)) <= MOST_EXPOSED, said


@pytest.mark.parametrize("unit", [*UNITS, CLUB])
def test_restarting_never_gives_up(unit: str) -> None:
    keys = keys_of(unit)
    assert keys["Restart"] == ["always"]
    assert keys["StartLimitIntervalSec"] == ["0"]
    text = (SYSTEMD / unit).read_text("utf-8")
    assert text.index("StartLimitIntervalSec") < text.index("[Service]"), "it counts in [Unit] alone"


@pytest.mark.parametrize("unit", [*UNITS, CLUB])
def test_nothing_is_waited_for_that_a_hangar_may_never_have(unit: str) -> None:
    waited = " ".join(v for k in ("After", "Wants", "Requires", "BindsTo") for v in keys_of(unit).get(k, []))
    assert "time-sync" not in waited
    assert "network" not in waited


def test_the_page_outlives_the_daemon() -> None:
    keys = keys_of("probe-agent-web.service")
    assert not {"Requires", "BindsTo", "PartOf", "Requisite"} & keys.keys()
    assert keys_of("probe-agent.service")["RuntimeDirectoryPreserve"] == ["yes"], "its last word stays"


@pytest.mark.parametrize("unit", [*UNITS, CLUB])
def test_memory_is_bounded_within_a_small_board(unit: str) -> None:
    (limit,) = keys_of(unit)["MemoryMax"]
    assert int(limit.removesuffix("M")) <= 256  # both together leave 128 of 512 to the system


def test_the_watchdog_leaves_a_thread_its_time_and_is_shorter_than_a_lease_of_trust() -> None:
    keys = keys_of("probe-agent.service")
    assert keys["Type"] == ["notify"]
    assert 3 * 10 <= int(keys["WatchdogSec"][0]) <= 2 * pulse.TICK_S


def test_the_boards_own_watchdog_keeps_within_its_hardware() -> None:
    assert int(keys_of("probe-agent-watchdog.conf")["RuntimeWatchdogSec"][0]) <= HARDWARE_S


def test_page_and_daemon_are_two_users_of_one_group() -> None:
    daemon, page = (keys_of(unit) for unit in UNITS)
    assert daemon["User"] != page["User"]
    assert daemon["Group"] == page["Group"] == ["probe-agent"]
    assert daemon["UMask"] == page["UMask"] == ["0007"]
    users = (SYSTEMD / "probe-agent.sysusers").read_text("utf-8")
    assert all(re.search(rf"^u {keys['User'][0]} -:probe-agent ", users, re.M) for keys in (daemon, page))


def test_which_boot_it_is_can_be_read() -> None:
    """/proc/sys/kernel/random/boot_id: without it readings can't be told from those before a power cut."""
    assert all("ProcSubset" not in keys_of(unit) for unit in UNITS)
