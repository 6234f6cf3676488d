"""A club's page under a real systemd in its sandbox, from the files of deploy/ as they stand: unit, user,
settings, certificates, and a real mosquitto with the hub's."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from club_brokers import make_club, needs_mosquitto
from club_under_systemd_check import PASSWORD
from real_daemon import ROOT
from test_under_systemd import INTERPRETER, MODULES, PYTHON, needs_namespaces, under_systemd, write

pytestmark = [*needs_namespaces, needs_mosquitto]

UNIT = "probe-agent-club"
HUB = """\
persistence true
persistence_location /var/lib/mosquitto/
user root
include_dir /etc/mosquitto/conf.d
"""
"""As Debian's own says, but for the user, whom this root lacks."""
CHECK = f"{PYTHON} /opt/src/tests/club_under_systemd_check.py"
HERE = f"[Service]\nEnvironment=PYTHONPATH={MODULES}:/opt/src/tests {INTERPRETER}\n"


def all_in_use(text: str) -> str:
    """Settings with every line that is offered as a comment."""
    return re.sub(r"^# (\w+ = )", r"\1", text, flags=re.M)


def machine(root: Path, made: Path) -> None:
    """A hub that shows the page too, and a board's own beside it."""
    write(root / "etc/passwd", "root:x:0:0::/root:/bin/sh\nnobody:x:65534:65534::/:/usr/sbin/nologin\n")
    write(root / "etc/group", "root:x:0:\nnogroup:x:65534:\n")
    for name in ("probe-agent", UNIT):
        users = ROOT / "deploy" / "systemd" / f"{name}.sysusers"
        subprocess.run(["systemd-sysusers", f"--root={root}", str(users)], check=True)
    write(root / "etc/hosts", "127.0.0.1 localhost hub.example.org\n")
    write(root / "etc/machine-id", "0123456789abcdef0123456789abcdef\n")
    write(root / "etc/mosquitto/mosquitto.conf", HUB)
    write(root / "etc/mosquitto/conf.d/hub.conf", (made / "hub/mosquitto.conf").read_text("utf-8"))
    shutil.copytree(made / "hub/certs", root / "etc/mosquitto/certs")
    shutil.copy(made / "hub/acl", root / "etc/mosquitto/acl")
    (root / "var/lib/mosquitto").mkdir(parents=True)
    shutil.copytree(made, root / "home/made")
    write(root / "home/club.toml", all_in_use((ROOT / "deploy/club.toml").read_text("utf-8")))
    write(root / "home/password", f"{PASSWORD}\n")
    start = f"#!{PYTHON}\nfrom web.serve import main\n\nmain()\n"
    write(root / "opt/probe-agent/bin/probe-agent-web", start, 0o755)
    (root / "sys").mkdir()
    units(root / "etc/systemd/system")


def units(folder: Path) -> None:
    """The one of deploy, preceded by a look around in its sandbox; the broker; one that looks at them."""
    write(folder / f"{UNIT}.service", (ROOT / "deploy/systemd" / f"{UNIT}.service").read_text("utf-8"))
    here = f"{HERE}StandardOutput=append:/out/{UNIT}.log\nStandardError=append:/out/{UNIT}.log\n"
    write(folder / f"{UNIT}.service.d/here.conf", f"{here}ExecStartPre={CHECK} --everywhere\n")
    plain = "[Unit]\nDefaultDependencies=no\n[Service]\n"
    broker = f"{plain}ExecStart=/usr/sbin/mosquitto -c /etc/mosquitto/mosquitto.conf\n"
    write(folder / "mosquitto.service", f"{broker}StandardError=append:/out/mosquitto.log\n")
    ends = "[Unit]\nDefaultDependencies=no\nFailureAction=exit-force\n"
    check = f"{ends}[Service]\nType=oneshot\nExecStart={CHECK} /out/seen.json\nTimeoutStartSec=infinity\n"
    write(folder / "check.service", f"{check}{HERE}StandardError=append:/out/check.log\n")
    wants = "mosquitto.service check.service"
    write(folder / "test.target", f"[Unit]\nDefaultDependencies=no\nWants={wants}\n")


PRIVATE = {"/tmp", "/var/tmp", "/dev/shm", "/dev/mqueue"}
"""In memory or a folder of the unit's own, and gone with it; answers above a megabyte pass through there."""


def test_the_clubs_page_has_all_it_needs_and_no_more(tmp_path: Path) -> None:
    made = make_club(tmp_path / "made", "hub.example.org,127.0.0.1", "magpie", "kestrel")
    assert made.returncode == 0, made.stderr
    machine(tmp_path / "root", tmp_path / "made")
    seen, logs = under_systemd(tmp_path)
    written = [set(json.loads(found)) for found in re.findall(r"^written: (.*)$", logs, re.M)]
    assert len(written) >= 2, logs
    assert all(w <= PRIVATE for w in written), written
    files = ["ca.pem", "club.toml", "hub.key", "hub.pem", "password"]
    others = {user: [user] for user in ("probe-agent", "probe-agent-web")}
    assert seen["read"] == {UNIT: [UNIT, *files, "all"], **others}
    assert seen["page after s"] is not None
    assert seen["refused"] == ["401", "401"]
    assert seen["shown after s"] is not None
    assert seen["user"] == UNIT
    assert seen["process"] == {"CapBnd": "0" * 16, "NoNewPrivs": "1", "Seccomp": "2"}
    assert seen["restarts before"] == "0"
    assert seen["broker's end said after s"] is not None
    assert seen["shown again after s"] is not None
    assert seen["same process"] is True
    assert seen["new process after s"] is not None
    assert seen["shown anew after s"] is not None
    assert seen["up"] is True


def test_the_settings_that_are_tried_are_those_that_are_offered() -> None:
    text = all_in_use((ROOT / "deploy/club.toml").read_text("utf-8"))
    for key in ("boards", "password_file", "port", "tls", "ca_file", "cert_file", "key_file", "proxy"):
        assert re.search(rf"^{key} = ", text, re.M), key
