"""Daemon and page under a real systemd in their sandboxes: everything they need is left to them."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from real_daemon import ROOT
from sysfs_tree import W1Tree, converter, thermometer

SYSTEMD = Path("/usr/lib/systemd/systemd")
GROUP = 901
PYTHON = Path("/opt/base") / Path(os.path.realpath(sys.executable)).relative_to(
    Path(sys.base_prefix).resolve()
)
MODULES = f"/opt/src:/opt/venv/lib/python{sys.version_info.major}.{sys.version_info.minor}/site-packages"
INTERPRETER = "PYTHONDONTWRITEBYTECODE=1 LD_LIBRARY_PATH=/opt/base/lib"
"""Where this one's own library is bound, not the machine's."""
COMMANDS = {"probe-agent": "probe_agent.cli", "probe-agent-web": "web.serve"}
HURRY = "WatchdogSec=6\nTimeoutAbortSec=4\n"
PASSWD = """\
root:x:0:0::/root:/bin/sh
probe-agent:x:901:901::/var/lib/probe-agent:/usr/sbin/nologin
probe-agent-web:x:902:901::/:/usr/sbin/nologin
nobody:x:65534:65534::/:/usr/sbin/nologin
"""


def write(file: Path, text: str, mode: int = 0o644) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, "utf-8")
    file.chmod(mode)


def board(root: Path) -> None:
    """What a board has beside its programs: users, settings, probes, units."""
    write(root / "etc/passwd", PASSWD)
    write(root / "etc/group", "root:x:0:\nprobe-agent:x:901:\nnogroup:x:65534:\n")
    write(root / "etc/machine-id", "0123456789abcdef0123456789abcdef\n")
    settings = (
        (ROOT / "deploy" / "example.toml").read_text("utf-8").replace("interval_s = 15", "interval_s = 5")
    )
    write(root / "etc/probe-agent/settings.toml", settings, 0o640)
    os.chown(root / "etc/probe-agent/settings.toml", 0, GROUP)
    tree = W1Tree(root)
    for n in range(1, 8):
        tree.put(f"3b-0c98000000a{n}", converter(-12.0 + n, -10.0))
    tree.put("28-0316a2795bff", thermometer(-12.5))
    write(tree.bus(1) / "therm_bulk_read", "0\n", 0o664)
    os.chown(tree.bus(1) / "therm_bulk_read", 0, GROUP)
    for name, module in COMMANDS.items():
        start = f"#!{PYTHON}\nfrom {module} import main\n\nmain()\n"
        write(root / "opt/probe-agent/bin" / name, start, 0o755)
    units(root / "etc/systemd/system")


def units(folder: Path) -> None:
    """The two of deploy, their watchdog in a hurry, and one that looks at them."""
    for name in COMMANDS:
        unit = (ROOT / "deploy" / "systemd" / f"{name}.service").read_text("utf-8")
        write(folder / f"{name}.service", unit)
        here = f"[Service]\nEnvironment=PYTHONPATH={MODULES} {INTERPRETER}\n"
        here += f"StandardOutput=append:/out/{name}.log\nStandardError=append:/out/{name}.log\n"
        write(folder / f"{name}.service.d/here.conf", here + (HURRY if name == "probe-agent" else ""))
    look = f"{PYTHON} /opt/src/tests/under_systemd_check.py /out/seen.json"
    check = f"[Unit]\nDefaultDependencies=no\n[Service]\nType=oneshot\nExecStart={look}\n"
    write(folder / "check.service", f"{check}StandardError=append:/out/check.log\nTimeoutStartSec=infinity\n")
    wants = " ".join(f"{name}.service" for name in (*COMMANDS, "check"))
    write(folder / "test.target", f"[Unit]\nDefaultDependencies=no\nWants={wants}\n")


def under_systemd(folder: Path) -> tuple[dict[str, Any], str]:
    """What the look in there saw of folder/root, and what its programs logged. Raises AssertionError."""
    (folder / "out").mkdir(mode=0o777)
    env = {**os.environ, "BASE": sys.base_prefix, "VENV": sys.prefix, "SOURCE": str(ROOT)}
    script = ["sh", str(ROOT / "tests" / "under_systemd.sh"), str(folder), "200"]
    done = subprocess.run(script, env=env, capture_output=True, text=True, timeout=240)
    logs = "".join(f.read_text("utf-8") for f in sorted((folder / "out").glob("*.log")))
    assert (folder / "out" / "seen.json").exists(), done.stderr + logs
    seen = json.loads((folder / "out" / "seen.json").read_text("utf-8"))
    print(seen, logs)
    return seen, logs


needs_namespaces = [
    pytest.mark.long,
    pytest.mark.skipif(os.geteuid() != 0, reason="namespaces need root"),
    pytest.mark.skipif(not SYSTEMD.exists(), reason="systemd is missing"),
]
pytestmark = needs_namespaces


def test_daemon_and_page_have_all_they_need_and_no_more(tmp_path: Path) -> None:
    board(tmp_path / "root")
    seen, logs = under_systemd(tmp_path)
    for name, uid in (("probe-agent", "901"), ("probe-agent-web", "902")):
        assert seen[name] == {
            "Uid": uid,
            "Gid": "901",
            "CapBnd": "0" * 16,
            "NoNewPrivs": "1",
            "Seccomp": "2",
        }, logs
    assert re.match("Cold", seen["said"])
    assert seen["bulk"] == "trigger", "it may have all probes convert at once"
    assert seen["kept"] is True, "the page may write to the store"
    assert seen["new process after s"] < 30
    assert seen["up again after s"] is not None
    assert seen["stopped after s"] < 10
    assert seen["last word stays"] is True
    assert seen["old after s"] is not None, "the page says so by itself"
