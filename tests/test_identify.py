"""`probe-agent identify` as typed at the board: real processes, a 1-Wire tree whose probes warm."""

from __future__ import annotations

import codecs
import contextlib
import os
import pty
import random
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from real_daemon import ROOT, Process, status_in
from sysfs_tree import W1Tree, converter

from probe_agent.cli import main
from probe_agent.store import Reader

ADDRESSES = tuple(f"3b-0c98000000a{n}" for n in range(1, 9))
PLACES = ("sump", "cyl-1", "cyl-2", "cyl-3", "cyl-4", "case-top", "case-nose", "ambient")
IN_SETTINGS = {"sump": ADDRESSES[3], "cyl-1": ADDRESSES[0]}
EVERY_S = 0.1


class Bench:
    """Eight converters on the bench, noisy and quantised; a held one goes toward a hand some 14 °C warmer,
    a tick of the command at a time, and falls back slowly."""

    def __init__(self, folder: Path) -> None:
        self.tree = W1Tree(folder)
        self.held: tuple[str, ...] = ()
        self._random = random.Random(8)
        self._base_c = {a: 18.0 + self._random.uniform(-1.5, 1.5) for a in ADDRESSES}
        self._excess_c = dict.fromkeys(ADDRESSES, 0.0)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._go)
        self._put()

    def __enter__(self) -> Bench:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(10)

    def _go(self) -> None:
        while not self._stop.wait(EVERY_S / 2):
            for a in ADDRESSES:
                target_c, share = (14.0, 0.08) if a in self.held else (0.0, 0.03)
                self._excess_c[a] += (target_c - self._excess_c[a]) * share
            self._put()

    def _put(self) -> None:
        for a in ADDRESSES:
            read_c = self._base_c[a] + self._excess_c[a] + self._random.gauss(0.0, 0.2)
            self.tree.put(a, converter(read_c, 19.0))


class Typist:
    """Context manager: the command in a process; what it says is waited for, with a deadline."""

    def __init__(self, settings: Path, terminal: tuple[int, int] | None = None) -> None:
        """terminal: our end and its own, where it is to have one instead of pipes."""
        ours, its = terminal or (-1, subprocess.PIPE)
        start = "from probe_agent.cli import main; main()"
        arguments = ["identify", "--settings", str(settings), "--every", str(EVERY_S)]
        self.process = subprocess.Popen(
            [sys.executable, "-c", start, *arguments],
            stdin=its,
            stdout=its,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
        )
        self.said, self._heard = "", threading.Condition()
        self._from = 0
        if terminal is not None:
            os.close(its)
        self._ours = ours if self.process.stdout is None else self.process.stdout.fileno()

    def __enter__(self) -> Typist:
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait(10)
        self._listener.join(10)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()

    def _listen(self) -> None:
        decode = codecs.getincrementaldecoder("utf-8")().decode
        with contextlib.suppress(OSError):  # a terminal whose other end is gone
            while got := os.read(self._ours, 4096):
                with self._heard:
                    self.said += decode(got)
                    self._heard.notify_all()

    def hear(self, pattern: str, timeout_s: float = 30.0) -> re.Match[str]:
        """The first match after the one heard before."""

        def found() -> re.Match[str] | None:
            return re.compile(pattern).search(self.said, self._from)

        with self._heard:
            assert self._heard.wait_for(lambda: found() is not None, timeout_s), self.said
            match = found()
        assert match is not None
        self._from = match.end()
        return match

    def type(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line.encode() + b"\n")
        self.process.stdin.flush()


def settings_for(folder: Path, tree: W1Tree) -> Path:
    text = '[aircraft]\nname = "Magpie"\n'
    text += "".join(f'[[places]]\nname = "{p}"\nrequired = {str(p == "cyl-1").lower()}\n' for p in PLACES)
    text += "".join(f'[[probes]]\nplace = "{p}"\naddress = "{a}"\n' for p, a in IN_SETTINGS.items())
    text += f'[one_wire]\ndirectory = "{tree.directory}"\n[sampling]\ninterval_s = 5\n'
    text += f'[store]\nfile = "{folder}/probe-agent.db"\nruntime_dir = "{folder}"\n'
    file = folder / "settings.toml"
    file.write_text(text, "utf-8")
    return file


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Bench(tmp_path) as made:
        yield made


@pytest.fixture
def settings(tmp_path: Path, bench: Bench) -> Iterator[Path]:
    """Of a running daemon."""
    file = settings_for(tmp_path, bench.tree)
    with Process("probe_agent.cli", "run", "--settings", str(file), log=tmp_path / "log") as daemon:
        daemon.wait_for(lambda: status_in(tmp_path) is not None)
        yield file


def bindings(folder: Path) -> dict[str, str]:
    reader = Reader(folder / "probe-agent.db")
    try:
        return {place: address for place, _, address in reader.bindings()}
    finally:
        reader.close()


def test_eight_probes_get_their_places_a_round_each(tmp_path: Path, bench: Bench, settings: Path) -> None:
    order = list(zip(PLACES, random.Random(5).sample(ADDRESSES, 8), strict=True))
    began_at = time.time()
    with Typist(settings) as typist:
        typist.hear("Heater off and unplugged.*propeller")
        for place, address in order:
            typist.hear("At rest")
            typist.hear("Warm one probe now")
            bench.held = (address,)
            rises = typist.hear(r"(3b-\w+) \(.*\) rises")[1]
            assert rises == address
            bench.held = ()
            typist.hear("Enter leaves it")
            typist.type(place)
            if typist.hear("so it is|from now on")[0] == "so it is":
                typist.type("y")
                typist.hear("from now on|no probe any more")
        typist.hear("Every probe that can be read has been found")
        assert typist.process.wait(10) == 0
        assert typist.said.count("At rest") == 8
    assert bindings(tmp_path) == dict(order)
    reader = Reader(tmp_path / "probe-agent.db")
    try:
        changes = [c for c in reader.binding_changes() if c.at > began_at]
    finally:
        reader.close()
    assert len(changes) >= 7
    assert all(began_at < c.at <= time.time() for c in changes)


def test_two_that_rise_together_are_refused_and_the_round_begins_again(
    tmp_path: Path, bench: Bench, settings: Path
) -> None:
    with Typist(settings) as typist:
        typist.hear("Warm one probe now")
        bench.held = (ADDRESSES[1], ADDRESSES[5])
        said = typist.hear(r"(3b-\w+) \(.*\) and (3b-\w+) \(.*\) rise together, so neither is named")
        assert {said[1], said[2]} == set(bench.held)
        typist.hear("keep them apart")
        bench.held = ()
        typist.type("")
        typist.hear("At rest")
        typist.type("q")
        typist.hear("Ended")
        assert typist.process.wait(10) == 0
    assert bindings(tmp_path) == IN_SETTINGS


def test_a_place_is_taken_by_its_number_and_nothing_from_another_probe_unasked(
    tmp_path: Path, bench: Bench, settings: Path
) -> None:
    with Typist(settings) as typist:
        typist.hear("Warm one probe now")
        bench.held = (ADDRESSES[6],)
        typist.hear(rf"{ADDRESSES[6]} \(no place yet\) rises")
        typist.hear(rf"1 +sump +{IN_SETTINGS['sump']}")
        typist.type("1")
        typist.hear(rf"Sump has {IN_SETTINGS['sump']} until now; that one then has no place")
        typist.type("no")
        typist.hear("Where does it sit")
        typist.type("tail")
        typist.hear("tail is none of them")
        typist.type("3")
        typist.hear("from now on")
    assert bindings(tmp_path) == {**IN_SETTINGS, "cyl-2": ADDRESSES[6]}


def test_without_a_daemon_it_says_so_before_anything_is_warmed(tmp_path: Path, bench: Bench) -> None:
    file = settings_for(tmp_path, bench.tree)
    (tmp_path / "probe-agent.db").touch()
    done = CliRunner().invoke(main, ["identify", "--settings", str(file)])
    assert done.exit_code == 1
    assert "The daemon isn't running" in done.output
    assert "Warm nothing yet" in done.output
    assert "At rest" not in done.output


def test_a_terminal_shows_each_rise_drawn(tmp_path: Path, bench: Bench, settings: Path) -> None:
    ours, theirs = pty.openpty()
    with Typist(settings, (ours, theirs)) as typist:
        typist.hear("Warm one probe now")
        bench.held = (ADDRESSES[2],)
        typist.hear(rf"{ADDRESSES[2]}  no place +\d+\.\d °C  \+\d+\.\d °C  ={{5,24}}\r")
        typist.hear(rf"{ADDRESSES[2]} .*rises")
        os.write(ours, b"q\n")
        typist.hear("Ended")
        assert "\x1b[8A" in typist.said
    os.close(ours)
