"""Two daemons, two plugs and a broker: their heaters share a circuit that carries one of them."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from itertools import accumulate
from pathlib import Path

import msgspec
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "faults"))

from real_broker import MOSQUITTO, RealBroker, retained_on
from real_daemon import status_in
from real_plug import RealPlug
from scripted import SETTINGS
from test_switch_faults import SWITCH, Daemon, pass_test

from probe_agent.circuit import Said
from probe_agent.migrations import migrate

pytestmark = [pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto"), pytest.mark.long]

CIRCUIT = '\n[circuit]\nname = "hangar-2"\nlimit_w = {limit_w}\n'


def written(folder: Path, port: int, device: str, limit_w: int) -> Path:
    """Settings of a board whose plug has its own name."""
    folder.mkdir()
    text = SETTINGS + SWITCH.format(folder=folder, port=port, timer_s=300) + CIRCUIT.format(limit_w=limit_w)
    text = text.replace("[broker]", f'[broker]\ndevice = "{device}"').replace('"plug/', f'"{device}-plug/')
    (folder / "settings.toml").write_text(text, "utf-8")
    migrate(folder / "probe-agent.db")
    pass_test(folder, folder / "settings.toml")
    return folder / "settings.toml"


@contextmanager
def two_boards(folder: Path, port: int) -> Iterator[dict[str, tuple[RealPlug, Daemon]]]:
    with ExitStack() as stack:
        found = {}
        for device, limit_w in (("magpie", 1200), ("kestrel", 1000)):
            settings = written(folder / device, port, device, limit_w)
            plug = stack.enter_context(RealPlug(port, 300, f"{device}-plug"))
            daemon = Daemon(folder / device, settings)
            stack.callback(daemon.end)
            found[device] = (plug, daemon)
        for _, daemon in found.values():
            daemon.wait_for_line()
        yield found


def wait_until_told(port: int, device: str, on: bool) -> Said:
    """Wait until a board's message says that its heater is on, or off."""
    deadline, pause, topic = time.monotonic() + 60, threading.Event(), f"probe-agent/{device}/circuit"
    while True:
        seen = retained_on(port, topic).get(topic)
        said = None if seen is None else msgspec.json.decode(seen.payload, type=Said)
        if said is not None and said.on is on:
            return said
        assert time.monotonic() < deadline, said
        pause.wait(0.2)


def wait_for_ticks(daemon: Daemon) -> None:
    """Wait until a board has decided anew twice: by then it knows what was on the broker before."""
    seen, deadline, pause = [str(status_of(daemon))], time.monotonic() + 60, threading.Event()
    while len(seen) < 3:
        if (now := str(status_of(daemon))) != seen[-1]:
            seen.append(now)
        assert time.monotonic() < deadline, seen
        pause.wait(0.05)


def status_of(daemon: Daemon) -> float | None:
    """When the board's last document was written [host s]."""
    status = status_in(daemon.folder)
    return None if status is None else status.run.mono_s


def press_until(daemon: Daemon, taken: bool) -> str:
    """Press again and again until it is taken, or refused; what was said."""
    deadline, pause = time.monotonic() + 60, threading.Event()
    while True:
        ok, text = daemon.ask("switch-on")
        if ok is taken:
            return text
        assert time.monotonic() < deadline, text
        pause.wait(0.5)


def test_two_heaters_on_one_circuit_are_never_on_together(tmp_path: Path) -> None:
    with RealBroker(tmp_path) as broker, two_boards(tmp_path, broker.port) as boards:
        (magpies, magpie), (kestrels, kestrel) = boards["magpie"], boards["kestrel"]
        wait_until_told(broker.port, "magpie", False)
        press_until(kestrel, True)
        kestrels.wait_for(True, 30)
        said = wait_until_told(broker.port, "kestrel", True)
        assert (said.circuit, said.power_w, said.limit_w) == ("hangar-2", 650.0, 1000.0)
        wait_for_ticks(magpie)
        ok, text = magpie.ask("switch-on")
        assert not ok, text
        assert "leave no room" in text
        assert not magpies.plug.on
        assert kestrel.ask("switch-off")[0]
        kestrels.wait_for(False, 10)
        wait_until_told(broker.port, "kestrel", False)
        press_until(magpie, True)
        magpies.wait_for(True, 30)
        wait_until_told(broker.port, "magpie", True)
        wait_for_ticks(kestrel)
        assert "leave no room" in kestrel.ask("switch-on")[1]
        assert not kestrels.plug.on
        magpie.signal(9)
        magpies.wait_for(False, 60)
        assert "leave no room" in kestrel.ask("switch-on")[1], (
            "a board that fell silent counts as it last said"
        )


def test_two_presses_at_the_same_moment_switch_one_heater_on(tmp_path: Path) -> None:
    """Pressed on both boards at once, again and again: one goes on, the other says why it didn't."""
    with RealBroker(tmp_path) as broker, two_boards(tmp_path, broker.port) as boards:
        for device in boards:
            wait_until_told(broker.port, device, False)
        for _ in range(3):
            began_s = time.monotonic()
            with ThreadPoolExecutor(2) as pool:
                answers = list(pool.map(lambda b: b[1].ask("switch-on"), boards.values()))
            on = wait_for_one(boards)
            took_s = time.monotonic() - began_s
            print(f"on after {took_s:.1f} s: {on}; answers {[ok for ok, _ in answers]}")
            assert took_s <= 30
            assert_told_why(boards, on, answers)
            assert boards[on][1].ask("switch-off")[0]
            boards[on][0].wait_for(False, 10)
            wait_until_told(broker.port, on, False)
            for _, daemon in boards.values():
                wait_for_ticks(daemon)
        assert_never_together(boards)


def wait_for_one(boards: dict[str, tuple[RealPlug, Daemon]]) -> str:
    """Wait until one of the plugs is on: whose."""
    deadline, pause = time.monotonic() + 60, threading.Event()
    while True:
        for device, (plug, _) in boards.items():
            if plug.plug.on:
                return device
        assert time.monotonic() < deadline, [p.commands[-4:] for p, _ in boards.values()]
        pause.wait(0.05)


def assert_told_why(
    boards: dict[str, tuple[RealPlug, Daemon]], on: str, answers: list[tuple[bool, str]]
) -> None:
    """The one that isn't on was refused, or gave way: its page says so."""
    for (device, (_, daemon)), (taken, text) in zip(boards.items(), answers, strict=True):
        if device == on:
            assert taken, text
        elif not taken:
            assert "leave no room" in text
        else:
            wait_for_ticks(daemon)
            status = status_in(daemon.folder)
            assert status is not None
            assert status.plug is not None
            assert (status.plug.wanted, status.plug.ended) == (None, "circuit-taken")


def assert_never_together(boards: dict[str, tuple[RealPlug, Daemon]]) -> None:
    """By each change of the relays: never more than one is on."""
    changes = sorted((at, 1 if on else -1) for plug, _ in boards.values() for at, on in plug.changes)
    counts = list(accumulate(step for _, step in changes))
    assert max(counts) == 1, changes
