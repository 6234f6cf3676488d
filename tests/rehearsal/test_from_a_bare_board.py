"""From Debian's bare root to readings in the record and a page that answers, with the commands the README
prints, copied literally; then the upgrade from the oldest record, the way back, and off again.

    pytest -m long tests/rehearsal -s          REHEARSAL_SUITE=trixie: Debian 13 instead of 12
                                               REHEARSAL_BASE=FOLDER: a root that debootstrap has made before
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from bare_board import ROOT, SOURCE, BareBoard, Steps, bare_root, fenced, wait_for
from old_record import contents, filled
from sysfs_tree import W1Tree, converter, thermometer

from probe_agent.config import load_settings
from probe_agent.store import SCHEMA_TEXT

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(os.geteuid() != 0, reason="a root of its own needs root"),
    pytest.mark.skipif(shutil.which("debootstrap") is None, reason="debootstrap is missing"),
]

DAEMON, PAGE = "probe-agent.service", "probe-agent-web.service"
STATE = "/var/lib/probe-agent"
CONFIG = "# the board's own\n[cm4]\notg_mode=1\n"
STORED = f"""
import sqlite3
db = sqlite3.connect("file:{STATE}/probe-agent.db?mode=ro", uri=True)
print(db.execute("SELECT count(*) FROM readings WHERE value_mc IS NOT NULL").fetchone()[0])
"""
GET = """
import sys, urllib.request
with urllib.request.urlopen("http://127.0.0.1:8088{path}", timeout=10) as answer:
    print(answer.status, answer.read().decode())
"""


@pytest.fixture(scope="module")
def steps() -> Steps:
    return Steps()


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory, steps: Steps) -> Iterator[BareBoard]:
    """The bare root, a boot configuration as the boards' own flavour has it, and the unpacked archive."""
    folder = tmp_path_factory.mktemp("board")
    bare_root(folder / "root")
    steps.done("Debian's bare root")
    (folder / "root/boot/firmware").mkdir(parents=True)
    (folder / "root/boot/firmware/config.txt").write_text(CONFIG, "utf-8")
    unpack(folder / "root" / SOURCE)
    steps.done("archive made and unpacked")
    with BareBoard(folder / "root") as opened:
        yield opened


def unpack(place: Path) -> None:
    """The archive of the source, as it is handed out."""
    place.parent.mkdir(parents=True)
    command = [sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(place.parent)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    (archive,) = place.parent.glob("*.tar.gz")
    place.mkdir()
    subprocess.run(["tar", "xf", archive, "-C", place, "--strip-components=1"], check=True)


def put_probes(root: Path, pairs: dict[str, str]) -> None:
    """The bus, with the probes the README names: metal at −12 °C and a little more."""
    shutil.rmtree(root / "sys/bus", ignore_errors=True)
    tree = W1Tree(root)
    for n, address in enumerate(pairs):
        cold = address.startswith("28-")
        tree.put(address, thermometer(-12.5) if cold else converter(-12.0 + n / 2, -10.0))


def pairs_of(line: str) -> dict[str, str]:
    return dict(re.findall(r"(\S+-[0-9a-f]{12})=(\S+)", line))


def test_from_a_bare_root_to_a_stored_reading_and_a_page(board: BareBoard, steps: Steps) -> None:
    (install,) = fenced("README.md", "install")
    said = board.run(install, said="\n" * 6, network=True, limit_s=1800)
    print(said)
    steps.done(install)
    release = board.run("cat /etc/debian_version").strip()
    steps.done(f"(Debian {release}, {board.python('import sys; print(sys.version)').split()[0]} in use)")
    config = (board.root / "boot/firmware/config.txt").read_text("utf-8")
    assert config.startswith(CONFIG)
    assert "\n[all]\ndtoverlay=w1-gpio,gpiopin=4\n" in config
    assert board.run("systemctl is-enabled probe-agent probe-agent-web").split() == ["enabled"] * 2
    assert_rights(board)

    look, bind = fenced("README.md", "probes")
    put_probes(board.root, pairs_of(bind))
    assert set(pairs_of(bind)) <= set(board.run(look).split())
    daemon, page = start_both(board, steps)
    said = board.run(bind)
    print(said)
    steps.done(bind[:30] + " …")
    wait_for(lambda: int(board.python(STORED)) > 0, daemon, 60)
    steps.done("a reading stored")
    assert_page_shows(board)
    steps.done("the page shows the coldest point")
    (check,) = fenced("README.md", "check")
    found = board.run(check, may_fail=True)
    print(found)
    steps.done(check)
    assert_each_probe_is_found_well(found, pairs_of(bind))
    (pair,) = fenced("README.md", "pair")
    assert re.search(r"Owner's code: [A-Z]{4}-[A-Z]{4}", board.run(pair))
    steps.done(pair)
    end_both(daemon, page)
    stored = int(board.python(STORED))
    steps.done("(ended)")
    daemon = board.start(DAEMON)
    wait_for(lambda: int(board.python(STORED)) > stored, daemon, 60)
    steps.done("from the daemon's start to the first reading stored, the look at the record included")
    end_both(daemon)


def assert_rights(board: BareBoard) -> None:
    """Settings and record are the daemon's and the page's, secrets the daemon's alone."""
    files = f"/etc/probe-agent/settings.toml /etc/probe-agent/secrets {STATE}"
    seen = board.run(f"stat -c '%U:%G %a' {files}").splitlines()
    assert seen == ["root:probe-agent 640", "probe-agent:probe-agent 700", "probe-agent:probe-agent 770"]


def assert_each_probe_is_found_well(found: str, pairs: dict[str, str]) -> None:
    well = re.findall(r"^ok .* raw -?[\d.]+ °C, corrected -?[\d.]+ °C", found, re.MULTILINE)
    assert len(well) == len(pairs), found


def start_both(board: BareBoard, steps: Steps) -> tuple[subprocess.Popen[bytes], subprocess.Popen[bytes]]:
    board.run("install -d -o probe-agent -g probe-agent -m 770 /run/probe-agent")
    board.run("rm -f /run/probe-agent/status.json")
    daemon = board.start(DAEMON)
    seen = "import os; print(os.path.exists('/run/probe-agent/status.json'))"
    wait_for(lambda: board.python(seen).strip() == "True", daemon, 60)
    steps.done(f"daemon as {DAEMON} starts it, first status document")
    page = board.start(PAGE)
    wait_for(lambda: board.run(f"python3 -c '{GET.format(path='/')}'", may_fail=True)[:3] == "200", page, 60)
    steps.done(f"page as {PAGE} starts it, first answer")
    return daemon, page


def assert_page_shows(board: BareBoard) -> None:
    code, _, status = board.python(GET.format(path="/api/status")).partition(" ")
    assert code == "200"
    assert -13 < json.loads(status)["coldest_c"] < -6, status
    assert "Cold" in board.python(GET.format(path="/"))


def end_both(*programs: subprocess.Popen[bytes]) -> None:
    for program in programs:
        (inside,) = psutil.Process(program.pid).children()  # what entered the namespaces waits for it
        inside.terminate()
        program.wait(30)


def test_an_upgrade_from_the_oldest_record_loses_nothing_and_goes_back(
    board: BareBoard, steps: Steps
) -> None:
    before = filled(board.root.parent / "old.db", 1)
    put_record(board, before)
    again, back = fenced("README.md", "upgrade")
    print(board.run(again, network=True, limit_s=1800))
    steps.done(again + " (the upgrade)")
    record = board.root / "var/lib/probe-agent/probe-agent.db"
    was, now = contents(before), contents(record)
    now["kept"] = [row for row in now["kept"] if row[0] != SCHEMA_TEXT]  # the schema's mark is new
    assert {name: now[name] for name in was} == was
    assert schema(record) > 1
    assert os.readlink(board.root / "opt/probe-agent") == "/opt/probe-agent.d/2"
    daemon, page = start_both(board, steps)
    end_both(daemon, page)
    print(board.run(back))
    steps.done(back)
    assert os.readlink(board.root / "opt/probe-agent") == "/opt/probe-agent.d/1"
    assert schema(record) == 1
    assert contents(record) == was
    assert record.stat().st_uid == record.parent.stat().st_uid != 0
    assert list(record.parent.glob("*before-restore*")), "what came since is kept"


def test_no_upgrade_beside_a_daemon_that_systemd_does_not_know(board: BareBoard, steps: Steps) -> None:
    daemon, page = start_both(board, steps)
    link = os.readlink(board.root / "opt/probe-agent")
    said = board.run(fenced("README.md", "upgrade")[0], network=True, may_fail=True, limit_s=1800)
    end_both(daemon, page)
    assert "A daemon is running on this record. Stop it first." in said
    assert os.readlink(board.root / "opt/probe-agent") == link


def test_a_way_back_without_a_new_schema_keeps_the_record_as_it_is(board: BareBoard, steps: Steps) -> None:
    again, back = fenced("README.md", "upgrade")
    daemon, page = start_both(board, steps)  # brings the record to this version
    end_both(daemon, page)
    board.run(again, network=True, limit_s=1800)
    record = board.root / "var/lib/probe-agent/probe-agent.db"
    with_more = sqlite3.connect(record)
    with with_more:
        with_more.execute("UPDATE heatups SET note = 'after the upgrade' WHERE heatup = 1")
    with_more.close()
    since = contents(record)
    board.run(back)
    steps.done("upgrade and back without a new schema")
    assert contents(record) == since


def test_a_version_that_refuses_the_settings_changes_nothing(board: BareBoard) -> None:
    settings = board.root / "etc/probe-agent/settings.toml"
    kept = settings.read_text("utf-8")
    link = os.readlink(board.root / "opt/probe-agent")
    settings.write_text(kept + "\n[nonsense]\nkey = 1\n", "utf-8")
    (again, _) = fenced("README.md", "upgrade")
    said = board.run(again, network=True, may_fail=True, limit_s=1800)
    settings.write_text(kept, "utf-8")
    assert "nonsense" in said, said
    assert os.readlink(board.root / "opt/probe-agent") == link


def test_it_comes_off_again_and_leaves_the_data(board: BareBoard, steps: Steps) -> None:
    (remove,) = fenced("README.md", "remove")
    print(board.run(remove))
    steps.done(remove)
    gone = (
        "opt/probe-agent",
        "opt/probe-agent.d",
        "etc/systemd/system/probe-agent.service",
        "usr/local/bin/probe-agent",
    )
    assert not [p for p in gone if os.path.lexists(board.root / p)]
    assert (board.root / "boot/firmware/config.txt").read_text("utf-8") == CONFIG
    assert (board.root / "var/lib/probe-agent/probe-agent.db").exists()
    assert (board.root / "etc/probe-agent/settings.toml").exists()


def test_a_mounted_card_is_installed_by_flags_alone(board: BareBoard, steps: Steps) -> None:
    board.run("sudo sh deploy/install.sh --remove --with-data")
    shutil.rmtree(board.root / "sys/bus", ignore_errors=True)
    assert not (board.root / "etc/probe-agent").exists()
    assert "probe-agent" not in (board.root / "etc/passwd").read_text("utf-8")
    flags = "--yes --name 'Mag\"pie' --unit F --heater ducted-air --watts 1500 --stands unheated"
    flags += " --page lan --cylinders 6 --gpio 17"
    print(board.outside(f"sh {board.root}/{SOURCE}/deploy/install.sh --root {board.root} {flags}", 1800))
    steps.done("install.sh --root, by flags")
    settings = load_settings(board.root / "etc/probe-agent/settings.toml")
    assert (settings.aircraft.name, settings.aircraft.layout) == ('Mag"pie', "opposed-6")
    assert settings.setup is not None
    assert (settings.setup.heater, settings.setup.watts, settings.setup.stands) == (
        "ducted-air",
        1500,
        "unheated",
    )
    assert (settings.messages.unit, settings.page.listen) == ("F", "0.0.0.0")
    assert "sump" in {p.name for p in settings.places if p.required}, "hot air reaches it last"
    assert "gpiopin=17" in (board.root / "boot/firmware/config.txt").read_text("utf-8")
    assert not (board.root / "var/tmp/probe-agent-source").exists()


def test_under_systemd_it_starts_prints_a_code_upgrades_and_goes_back(board: BareBoard, steps: Steps) -> None:
    put_probes(board.root, pairs_of(fenced("README.md", "probes")[1]))
    again, back = fenced("README.md", "upgrade")
    steps.done("(looking on)")
    with BareBoard(board.root, booted=True) as running:
        wait_for(lambda: is_up(running), running.holder, 120)
        steps.done("systemd is up in there")
        assert states(running) == ["active"] * 2, "it was installed before the first start"
        running.run("sudo sh deploy/install.sh --remove --with-data")
        assert states(running) == ["inactive"] * 2
        said = running.run("sudo sh deploy/install.sh --yes", network=True, limit_s=1800)
        print(said)
        steps.done("install.sh --yes under systemd")
        assert re.search(r"Owner's code: [A-Z]{4}-[A-Z]{4}", said)
        assert states(running) == ["active"] * 2
        running.run(again, network=True, limit_s=1800)
        steps.done("the upgrade under systemd")
        assert states(running) == ["active"] * 2
        assert version_that_runs(running) == "/opt/probe-agent.d/2"
        print(running.run(back))
        assert version_that_runs(running) == "/opt/probe-agent.d/1"
        assert_page_answers(running)


def test_a_version_that_can_not_start_goes_back_by_itself(board: BareBoard, steps: Steps) -> None:
    again, back = fenced("README.md", "upgrade")
    daemon = board.root / SOURCE / "probe_agent/cli/daemon.py"
    whole = daemon.read_text("utf-8")
    record = board.root / "var/lib/probe-agent/probe-agent.db"
    before = filled(board.root.parent / "older.db", 1)
    steps.done("(looking on)")
    with BareBoard(board.root, booted=True) as running:
        wait_for(lambda: is_up(running), running.holder, 120)
        link = version_that_runs(running)
        earlier = (board.root / "opt/probe-agent.d/previous").read_text("utf-8").strip()
        running.run(f"systemctl stop {DAEMON} {PAGE}")
        put_record(board, before)
        daemon.write_text(
            whole + '\n\ndef _watch(*_, **__):\n    raise SystemExit("a version that can\'t")\n', "utf-8"
        )
        steps.done("a version is broken")
        said = running.run(again, network=True, may_fail=True, limit_s=1800)
        daemon.write_text(whole, "utf-8")
        print(said)
        steps.done("an upgrade that can't start, and back by itself")
        assert "This version did not start; going back." in said
        assert "The record is the one from before the upgrade." in said
        assert "The upgrade was given up." in said
        assert "a version that can't" in said, "why it did not start is shown"
        assert states(running) == ["active"] * 2
        assert version_that_runs(running) == link
        assert_page_answers(running)
        assert (board.root / "opt/probe-agent.d/previous").read_text("utf-8").strip() == earlier
        was, now = contents(before), contents(record)
        measured = ("readings", "hand_readings", "heatups", "forecasts", "corrections", "transitions")
        assert all(set(was[name]) <= set(now[name]) for name in measured), "nothing of the record is lost"
        running.run(again, network=True, limit_s=1800)
        steps.done("the next upgrade, whole")
        assert states(running) == ["active"] * 2
        assert version_that_runs(running) != link
        running.run(back)
        assert version_that_runs(running) == link


def is_up(board: BareBoard) -> bool:
    return board.run("systemctl is-system-running", may_fail=True).strip() in ("running", "degraded")


def states(board: BareBoard) -> list[str]:
    return board.run(f"systemctl is-active {DAEMON} {PAGE}", may_fail=True).split()


def version_that_runs(board: BareBoard) -> str:
    pid = board.run(f"systemctl show --value -p MainPID {DAEMON}").strip()
    return board.run(f"tr '\\0' '\\n' </proc/{pid}/cmdline | head -n 1").partition("/bin/")[0]


def assert_page_answers(board: BareBoard) -> None:
    code = GET.format(path="/")
    deadline = time.monotonic() + 60
    while "200" not in board.run(f"python3 -c '{code}'", may_fail=True)[:3]:
        assert time.monotonic() < deadline, "the page doesn't answer"


@pytest.mark.parametrize(
    ("flags", "why"),
    [
        ("--heater stove", "One of: fixed-pad pads-and-bands"),
        ("--watts 500W", "A whole number above 0"),
        ("--name", "needs a word after it"),
        ("--wats 500", "isn't known here"),
    ],
)
def test_a_wrong_flag_is_refused_before_anything_is_done(flags: str, why: str) -> None:
    done = subprocess.run(
        [
            "unshare",
            "-m",
            "sh",
            "-c",
            f"mount -t tmpfs tmpfs /opt && mount -t tmpfs tmpfs /var/log && "
            f"exec sh {ROOT}/deploy/install.sh --no-start --yes {flags}",
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 1
    assert why in done.stderr


def put_record(board: BareBoard, file: Path) -> None:
    """The record of an older version in the place of the one that is there."""
    folder = board.root / "var/lib/probe-agent"
    for old in folder.iterdir():
        old.unlink() if not old.is_dir() else shutil.rmtree(old)
    shutil.copyfile(file, folder / "probe-agent.db")
    owner = folder.stat()
    os.chown(folder / "probe-agent.db", owner.st_uid, owner.st_gid)


def schema(file: Path) -> int:
    db = sqlite3.connect(file)
    try:
        return int(db.execute("PRAGMA user_version").fetchone()[0])
    finally:
        db.close()
