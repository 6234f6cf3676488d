"""install.sh before it does anything: on which systems it goes on in silence, with a word, or not at all."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="another system's name is mounted over this one's")

TWELVE = """PRETTY_NAME="Debian GNU/Linux 12 (bookworm)"
NAME="Debian GNU/Linux"
VERSION_ID="12"
ID=debian
"""
THIRTEEN = TWELVE.replace("12", "13").replace("bookworm", "trixie")
FLAVOUR = """# a board's own
PRETTY_NAME='Board OS 12'
ID=board-os
ID_LIKE=debian
VERSION_ID="12"
"""
POINT = THIRTEEN.replace('VERSION_ID="13"', "VERSION_ID=13.2")
ELEVEN = TWELVE.replace("12", "11")
NEXT = """PRETTY_NAME="Debian GNU/Linux forky/sid"
ID=debian
"""
DERIVED = """PRETTY_NAME="Other 24.04"
ID=other
ID_LIKE="another debian"
VERSION_ID="24.04"
"""
STRANGER = """PRETTY_NAME="Stranger 12"
ID=stranger
VERSION_ID=12
"""
WORD = "Tried on Debian 12 and 13 and what is made from them; this is {}. Going on.\n"


def said_on(os_release: str, folder: Path, tools: str = "") -> str:
    """What it says there, ended by a flag that is refused before anything is done."""
    (folder / "os-release").write_text(os_release, "utf-8")
    mounts = f"mount -t tmpfs tmpfs /opt && mount -t tmpfs tmpfs /var/log && mount --bind {folder}/os-release"
    line = f"{mounts} $(readlink -f /etc/os-release) && {tools}"
    done = subprocess.run(
        [
            "unshare",
            "-m",
            "sh",
            "-c",
            f"{line} exec sh {ROOT}/deploy/install.sh --no-start --yes --heater stove",
        ],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 1
    return done.stdout + done.stderr


REFUSED = "--heater stove: One of: fixed-pad pads-and-bands cowl-heater ducted-air combustion.\n"


@pytest.mark.parametrize("known", [TWELVE, THIRTEEN, FLAVOUR, POINT])
def test_on_a_system_it_was_tried_on_it_says_nothing(known: str, tmp_path: Path) -> None:
    assert said_on(known, tmp_path) == REFUSED


@pytest.mark.parametrize(
    ("other", "name"),
    [
        (ELEVEN, "Debian GNU/Linux 11 (bookworm)"),
        (NEXT, "Debian GNU/Linux forky/sid"),
        (DERIVED, "Other 24.04"),
        (STRANGER, "Stranger 12"),
        ("", "an unnamed system"),
    ],
)
def test_on_another_it_says_so_and_goes_on(other: str, name: str, tmp_path: Path) -> None:
    assert said_on(other, tmp_path) == WORD.format(name) + REFUSED


def test_a_32_bit_system_is_refused(tmp_path: Path) -> None:
    (tmp_path / "getconf").write_text("#!/bin/sh\necho 32\n")
    (tmp_path / "getconf").chmod(0o755)
    said = said_on(TWELVE, tmp_path, f"mount --bind {tmp_path}/getconf $(command -v getconf) &&")
    assert "Write the 64-bit image onto the card." in said
