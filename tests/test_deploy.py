"""The two commands, the locks and the package: what a person with a bare checkout relies on."""

from __future__ import annotations

import json
import os
import queue
import re
import shutil
import signal
import smtplib
import subprocess
import sys
import tarfile
import threading
import time
import tomllib
import urllib.request
import zipfile
from collections.abc import Iterator
from configparser import ConfigParser
from contextlib import suppress
from email.message import EmailMessage
from pathlib import Path

import psutil
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from deploy.demo import Ports, as_toml, demo_settings
from probe_agent.config import load_settings, parse_settings
from probe_agent.store import SCHEMA_VERSION

ROOT = Path(__file__).resolve().parent.parent
DEPLOY = ROOT / "deploy"
LOCKS = ("lock.txt", "lock-demo.txt", "lock-build.txt", "lock-test.txt", "lock-audit.txt")
PINNED = re.compile(
    r"^([a-z0-9-]+)==([^ ;\\]+)(?: ; ([^\\]+))? \\\n((?:    --hash=sha256:[0-9a-f]{64}.*\n)+)", re.M
)


# -- settings


def test_the_example_settings_load_and_name_no_person_or_brand_but_magpie() -> None:
    settings = load_settings(DEPLOY / "example.toml")
    assert settings.aircraft.name == "Magpie"
    assert settings.required
    assert settings.setup is not None


def test_the_demonstration_differs_from_the_example_only_in_where_things_are(tmp_path: Path) -> None:
    example = tomllib.loads((DEPLOY / "example.toml").read_text("utf-8"))
    text = as_toml(demo_settings(example, tmp_path, Ports(broker=20001, page=20002), 20003))
    demo = parse_settings(text.encode(), "demo.toml")
    plain = load_settings(DEPLOY / "example.toml")
    assert (demo.aircraft, demo.places, demo.setups, demo.limits, demo.sampling) == (
        plain.aircraft,
        plain.places,
        plain.setups,
        plain.limits,
        plain.sampling,
    )
    assert {p.source for p in demo.probes} == {"simulated"}
    assert [p.place for p in demo.probes] == [p.place for p in plain.probes]
    assert (demo.broker.host, demo.broker.port) == ("127.0.0.1", 20001)
    assert (demo.page.listen, demo.page.port) == ("127.0.0.1", 20002)
    assert (demo.recipients[0].address or "").startswith("mailto://127.0.0.1:20003/")
    assert Path(demo.store.file).is_relative_to(tmp_path)
    assert Path(demo.store.runtime_dir).is_relative_to(tmp_path)


KEY = st.sampled_from(["name", "too_hot_c", "file", "watts", "near_heater"])
SCALAR = st.one_of(
    st.booleans(),
    st.integers(-(2**40), 2**40),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(st.sampled_from("a Z9_.-/\\\"'#=[]{}\n\t\0\x1féß−°漢😀")),
)
TABLE = st.dictionaries(KEY, SCALAR)


@settings(deadline=None)
@given(st.dictionaries(KEY, st.one_of(TABLE, st.lists(TABLE, min_size=1))))
def test_toml_written_is_toml_read(table: dict[str, object]) -> None:
    assert tomllib.loads(as_toml(table)) == table


# -- scripts


@pytest.mark.parametrize(
    "script",
    [
        "deploy/try.sh",
        "deploy/test.sh",
        "deploy/venv.sh",
        "deploy/lock.sh",
        "deploy/install.sh",
        "deploy/history/install.sh",
        ".ci/run",
    ],
)
def test_scripts_are_sound_shell(script: str) -> None:
    shell = "bash" if script == ".ci/run" else "sh"
    done = subprocess.run([shell, "-n", ROOT / script], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


# -- locks


def pins(lock: str) -> dict[tuple[str, str], str]:
    """(package, marker) → version."""
    found = PINNED.findall((DEPLOY / lock).read_text("utf-8"))
    return {(name, marker.strip()): version for name, version, marker, _ in found}


@pytest.mark.parametrize("lock", LOCKS)
def test_every_line_of_a_lock_is_a_pin_with_hashes_and_names_no_place(lock: str) -> None:
    text = (DEPLOY / lock).read_text("utf-8")
    rest = PINNED.sub("", text)
    assert [line for line in rest.splitlines() if not line.startswith("#")] == []
    assert not re.search(r"://|--index|--extra|--find|--trusted|@ |/(root|home|opt|tmp|work)/", text)


def direct_requirements() -> Iterator[tuple[str, str]]:
    """(lock, requirement) for all that is asked for by hand."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    runtime = list(project["project"]["dependencies"])
    build = list(project["build-system"]["requires"])
    demo = _requirements("demo-requirements.in")
    test = _requirements("test-requirements.in")
    audit = _requirements("audit-requirements.in")
    yield from (("lock.txt", r) for r in runtime)
    yield from (("lock-demo.txt", r) for r in runtime + build + demo)
    yield from (("lock-build.txt", r) for r in build)
    yield from (("lock-test.txt", r) for r in runtime + build + demo + test)
    yield from (("lock-audit.txt", r) for r in audit)


def _requirements(name: str) -> list[str]:
    lines = (DEPLOY / name).read_text("utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]


@pytest.mark.parametrize(("lock", "requirement"), list(direct_requirements()))
def test_locks_hold_what_is_required(lock: str, requirement: str) -> None:
    wanted = Requirement(requirement)
    versions = [v for (name, _), v in pins(lock).items() if name == canonicalize_name(wanted.name)]
    assert versions
    assert all(wanted.specifier.contains(Version(v)) for v in versions)


def test_every_lock_is_audited() -> None:
    loop = re.search(r"^for lock in (.*); do$", (DEPLOY / "audit.sh").read_text("utf-8"), re.MULTILINE)
    assert loop is not None
    assert sorted(loop[1].split()) == sorted(file.name for file in DEPLOY.glob("lock*.txt"))


def test_the_tools_that_make_the_package_are_those_of_the_tests() -> None:
    assert pins("lock-build.txt").items() <= pins("lock-demo.txt").items()


@pytest.mark.parametrize("lock", ["lock-demo.txt", "lock-test.txt"])
def test_demonstration_and_tests_run_on_the_locked_runtime(lock: str) -> None:
    assert pins("lock.txt").items() <= pins(lock).items()


# -- the package


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return next(folder.glob("*.whl"))


def test_the_wheel_holds_all_code_page_files_and_the_example(wheel: Path) -> None:
    source = {
        str(path.relative_to(ROOT))
        for package in ("probe_agent", "web")
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    with zipfile.ZipFile(wheel) as archive:
        names = {n for n in archive.namelist() if ".dist-info/" not in n}
        assert names == source | {"probe_agent/example.toml"}
        assert archive.read("probe_agent/example.toml") == (DEPLOY / "example.toml").read_bytes()
    assert any(n.startswith("web/templates/") for n in names)
    assert any(n.startswith("web/static/") for n in names)


def test_the_wheel_installs_both_commands(wheel: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        inside = next(n for n in archive.namelist() if n.endswith("entry_points.txt"))
        entries = ConfigParser()
        entries.read_string(archive.read(inside).decode())
        archive.extractall(tmp_path)
    assert dict(entries["console_scripts"]) == {
        "probe-agent": "probe_agent.cli:main",
        "probe-agent-web": "web.serve:main",
    }
    for target in entries["console_scripts"].values():
        module, function = target.split(":")
        code = f"import sys, {module} as m; print(m.__file__); sys.argv[1:] = ['--help']; m.{function}()"
        done = subprocess.run(
            [sys.executable, "-P", "-c", code],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(tmp_path)},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout.startswith(str(tmp_path))
        assert "Usage:" in done.stdout


def test_wheel_and_version_go_with_the_records_schema_and_the_list_of_changes(wheel: Path) -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["version"]
    assert wheel.name == f"probe_agent-{version}-py3-none-any.whl"
    assert Version(version).minor == SCHEMA_VERSION
    changes = (ROOT / "README.md").read_text("utf-8").partition("## Changes to settings and record")[2]
    dated = re.findall(r"^\| (\d{4}-\d\d-\d\d) \| (\d+\.\d+\.\d+) \|.*schema (\d+)", changes, re.MULTILINE)
    assert sorted({int(schema) for _, _, schema in dated}) == list(range(1, SCHEMA_VERSION + 1))
    assert dated[0][1] == version, "the newest first"
    assert [date for date, _, _ in dated] == sorted((date for date, _, _ in dated), reverse=True)


def test_the_archive_of_the_source_holds_all_that_installing_needs(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", str(tmp_path)]
    subprocess.run(command, cwd=ROOT, capture_output=True, timeout=120, check=True)
    (archive,) = tmp_path.glob("probe_agent-*.tar.gz")
    with tarfile.open(archive) as opened:
        names = {name.partition("/")[2] for name in opened.getnames()}
    needed = {"pyproject.toml", "README.md", "hardware.md", "deploy/install.sh", "deploy/venv.sh"}
    needed |= {"deploy/lock.txt", "deploy/lock-build.txt", "deploy/example.toml"}
    needed |= {f"deploy/systemd/{file.name}" for file in (DEPLOY / "systemd").iterdir()}
    assert needed <= names


@pytest.mark.long
def test_pip_install_from_a_plain_checkout(tmp_path: Path) -> None:
    venv = tmp_path / "venv"
    subprocess.run([sys.executable, "-m", "venv", venv], check=True)
    subprocess.run([venv / "bin/pip", "install", "--quiet", ROOT], check=True, timeout=600)
    for command in ("probe-agent", "probe-agent-web"):
        done = subprocess.run([venv / "bin" / command, "--help"], capture_output=True, text=True, check=True)
        assert "Usage:" in done.stdout


# -- running programs


class Program:
    """A process in a session of its own whose lines are waited for, never slept for."""

    def __init__(self, command: list[str], tmp: Path) -> None:
        self.popen = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "TMPDIR": str(tmp)},
            start_new_session=True,
        )
        self.said: list[str] = []
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.popen.stdout is not None
        with self.popen.stdout as lines:
            for line in lines:
                self._lines.put(line)
        self._lines.put(None)

    def line_with(self, pattern: str, timeout_s: float) -> re.Match[str]:
        """The first line not yet looked at that matches."""
        deadline = time.monotonic() + timeout_s
        while (line := self._lines.get(timeout=max(0.0, deadline - time.monotonic()))) is not None:
            self.said.append(line)
            if match := re.search(pattern, line):
                return match
        raise AssertionError(f"ended without {pattern}: {''.join(self.said)}")

    def rest(self, timeout_s: float) -> str:
        """What it says until it ends."""
        deadline = time.monotonic() + timeout_s
        lines: list[str] = []
        while (line := self._lines.get(timeout=max(0.0, deadline - time.monotonic()))) is not None:
            lines.append(line)
        return "".join(lines)

    def family(self) -> list[psutil.Process]:
        return list(psutil.Process(self.popen.pid).children(recursive=True))

    def close(self) -> None:
        with suppress(ProcessLookupError):
            os.killpg(self.popen.pid, signal.SIGKILL)
        self.popen.wait(10)
        self._reader.join(10)


@pytest.fixture
def tmp(tmp_path: Path) -> Path:
    """A folder for temporary files that the broker's own user may pass through."""
    for folder in (tmp_path, *tmp_path.parents):
        if folder.stat().st_uid == os.getuid() and not folder.stat().st_mode & 0o001:
            folder.chmod(folder.stat().st_mode | 0o011)
    return tmp_path


def test_the_mail_receiver_keeps_and_tells_a_mail(tmp_path: Path) -> None:
    receiver = Program(
        [sys.executable, str(DEPLOY / "mail_receiver.py"), "--directory", str(tmp_path)], tmp_path
    )
    try:
        port = json.loads(receiver.line_with("port", 20).string)["port"]
        mail = EmailMessage()
        mail["From"], mail["To"] = "probe-agent@example.org", "pilot@example.org"
        mail["Subject"] = "Magpie: −12 °C"
        mail.set_content("first line\nsecond line\n")
        with smtplib.SMTP("127.0.0.1", port, timeout=10) as smtp:
            smtp.send_message(mail)
            assert json.loads(receiver.line_with("subject", 10).string) == {
                "from": "probe-agent@example.org",
                "to": ["pilot@example.org"],
                "subject": "Magpie: −12 °C",
                "text": "first line\nsecond line",
            }
            assert b"first line" in (tmp_path / "0001.eml").read_bytes()
        receiver.popen.terminate()
        assert receiver.popen.wait(10) == 0
    finally:
        receiver.close()


@pytest.fixture
def demo(tmp: Path) -> Iterator[Program]:
    """The demonstration, its page answering."""
    program = Program([sys.executable, str(DEPLOY / "demo.py")], tmp)
    try:
        yield program
    finally:
        program.close()


def page_of(program: Program, timeout_s: float = 60) -> str:
    return program.line_with(r"https?://\S+", timeout_s).group()


def assert_all_gone(processes: list[psutil.Process]) -> None:
    _, alive = psutil.wait_procs(processes, timeout=15)
    assert alive == []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_demonstration_shows_a_cold_engine_and_ends_whole(
    demo: Program, tmp: Path, number: signal.Signals
) -> None:
    page = page_of(demo)
    with urllib.request.urlopen(page, timeout=10) as answer:
        assert answer.status == 200
    demo.line_with(r"\[(cold|heating)\]", 30)
    with urllib.request.urlopen(page + "api/status", timeout=10) as answer:
        assert -14 < json.load(answer)["coldest_c"] < -6
    family = demo.family()
    assert len(family) == 4
    assert {os.getpgid(p.pid) for p in family} == {demo.popen.pid}
    demo.popen.send_signal(number)
    assert demo.popen.wait(20) == 0
    assert_all_gone(family)
    assert list(tmp.iterdir()) == []


@pytest.mark.parametrize("which", ["mosquitto", "mail_receiver", "probe-agent try", "probe-agent-web"])
def test_a_dead_child_ends_the_demonstration_and_is_named(demo: Program, tmp: Path, which: str) -> None:
    page_of(demo)
    family = demo.family()
    victim = next(p for p in family if which in " ".join(p.cmdline()))
    victim.kill()
    said = demo.rest(30)
    assert demo.popen.wait(10) == 1
    name = {"mosquitto": "broker", "mail_receiver": "mail receiver", "probe-agent-web": "page"}.get(
        which, "daemon"
    )
    assert f"The {name} has ended by itself (killed by SIGKILL)" in said
    assert_all_gone(family)
    assert list(tmp.iterdir()) == []


def test_no_child_outlives_a_killed_demonstration(demo: Program) -> None:
    page_of(demo)
    family = demo.family()
    assert len(family) == 4
    demo.popen.kill()
    assert_all_gone(family)


# -- the whole promise


@pytest.mark.long
def test_try_from_a_fresh_clone_reaches_ready_and_reminds(tmp: Path) -> None:
    clone = tmp / "clone"
    subprocess.run(["git", "clone", "--quiet", ROOT, clone], check=True)
    (tmp / "t").mkdir()
    sh = shutil.which("sh") or "/bin/sh"
    program = Program([sh, str(clone / "deploy/try.sh")], tmp / "t")
    started = time.monotonic()
    try:
        page = page_of(program, 240)
        assert page.startswith("http://127.0.0.1:")
        program.line_with(r"\[heating\]", 60)
        program.line_with(r"\[above-target\]", 240)
        program.line_with(r"mail to pilot@example.org: .*above target", 30)
        program.line_with(r"\[ready\]", 240)
        assert time.monotonic() - started < 240
        ready_since = time.monotonic()
        program.line_with(r"mail to pilot@example.org: .*switch", 120)
        while time.monotonic() - ready_since < 20:
            with urllib.request.urlopen(page + "api/status", timeout=10) as answer:
                assert json.load(answer)["state"] == "ready"
            threading.Event().wait(0.5)
        family = program.family()
        program.popen.terminate()
        assert program.popen.wait(20) == 0
        assert_all_gone(family)
    finally:
        program.close()
