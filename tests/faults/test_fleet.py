"""Many boards, and everything around them killed at random: afterwards the club's page is right about each,
and each stored reading has arrived.

Broker, page, boards are real processes, killed with -9. Most boards are simulated (tests/simulated_fleet.py:
the daemon's own courier on the simulated engine's nights), those with a record are the real daemon.
"""

from __future__ import annotations

import heapq
import os
import random
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from club_page import ClubPage
from fleet_tools import Boards, HubBroker
from fleet_truth import Truth, is_unheard
from history_arrived import Held, hold_against
from history_receiver import Receiver
from real_broker import MOSQUITTO, retained_on
from real_daemon import Process, write_settings
from simulated_fleet import device_name

pytestmark = pytest.mark.skipif(not MOSQUITTO, reason="needs mosquitto")

LOOK_S = 2.0
SETTLED_S = 240.0
"""By when everything is right again at the latest: the longest wait for the broker, and a document then."""
STAYS_S = 120.0
"""For how long it then has to be right at each look: longer than a last document and the longest wait for the
broker together can hide that a board isn't back."""


@dataclass(frozen=True)
class Club:
    """How many there are. mortal: groups of `each` boards that get killed; daemons: real, with records."""

    steady: int
    processes: int
    mortal: int
    each: int
    daemons: int
    interval_s: float


class Daemon:
    """Context manager: a real daemon on the simulated engine, its readings going onwards."""

    def __init__(self, folder: Path, port: int, device: str, interval_s: float) -> None:
        folder.mkdir()
        self.folder, self.device = folder, device
        broker = f'[broker]\nhost = "127.0.0.1"\nport = {port}\ndevice = "{device}"\nhistory = true\n'
        self._settings = write_settings(folder, broker, interval_s)

    def __enter__(self) -> Daemon:
        self.start()
        return self

    def start(self) -> None:
        """Begin, or begin anew after a kill."""
        arguments = ("try", "--settings", str(self._settings), "--speed", "1")
        self._life = Process("probe_agent.cli", *arguments, log=self.folder / "daemon.log")

    def kill(self) -> None:
        """kill -9."""
        self._life.process.kill()
        self._life.process.wait(20)

    def __exit__(self, *_: object) -> None:
        self._life.end()


class Chaos:
    """Context manager: broker, page, boards, receivers; what is down and what is dead for good."""

    def __init__(self, folder: Path, club: Club, seed: int) -> None:
        self._folder, self._club, self._chance = folder, club, random.Random(seed)
        self._life = ExitStack()
        self.kills: Counter[str] = Counter()
        self.dead: dict[str, float] = {}

    def __enter__(self) -> Chaos:
        club, enter, folder = self._club, self._life.enter_context, self._folder
        total = club.steady + club.mortal * club.each + club.daemons
        self.broker = enter(HubBroker(folder, autosave_s=300, max_connections=2 * total + 100))
        port, share = self.broker.port, club.steady // club.processes
        first, names = share * club.processes, [f"daemon-{i}" for i in range(club.daemons)]
        devices = {device_name(n) for n in range(first + club.mortal * club.each)} | set(names)
        self.page = enter(ClubPage(folder, port, sorted(devices)))
        self.steady = [enter(self._boards(i * share, share)) for i in range(club.processes)]
        self.mortal = [enter(self._boards(first + i * club.each, club.each)) for i in range(club.mortal)]
        self.receivers = {name: enter(Receiver(port, name)) for name in names}
        self.daemons = [enter(Daemon(folder / name, port, name, club.interval_s)) for name in names]
        said = [b.said_file for b in (*self.steady, *self.mortal) if b.said_file is not None]
        self.truth = Truth(devices, said, {d.device: d.folder for d in self.daemons})
        return self

    def __exit__(self, *_: object) -> None:
        self._life.close()

    def _boards(self, first: int, count: int) -> Boards:
        file = self._folder / f"said-{first}"
        log = self._folder / "boards.log"
        return Boards(self.broker.port, first, count, 1800.0, self._club.interval_s, log, file)

    # -- killing

    def kill_broker(self) -> Callable[[], None]:
        self.kills["broker"] += 1
        self.broker.kill()
        return self.broker.start

    def kill_page(self) -> Callable[[], None]:
        self.kills["page"] += 1
        self.page.kill()
        return self.page.start

    def kill_group(self, group: Boards) -> Callable[[], None]:
        self.kills["boards"] += group.count
        group.kill()
        numbers = range(group.first, group.first + group.count)
        self.dead |= {device_name(n): time.monotonic() for n in numbers}

        def again() -> None:
            for n in numbers:
                self.dead.pop(device_name(n))
            group.start()

        return again

    def kill_daemon(self, daemon: Daemon) -> Callable[[], None]:
        self.kills["daemons"] += 1
        daemon.kill()
        self.dead[daemon.device] = time.monotonic()

        def again() -> None:
            self.dead.pop(daemon.device)
            daemon.start()

        return again

    def rage(self, seconds: float) -> None:
        """Kill at random for so long. Whatever is down comes back by the end, but for one group of boards
        that is killed in the middle and stays so."""
        until_s, due = time.monotonic() + seconds, list[tuple[float, int, Callable[[], None]]]()
        up = [*self.mortal[1:], *self.daemons, "broker", "page"]
        middle_s = time.monotonic() + seconds / 2
        for n in range(10_000):
            self.wait(self._chance.expovariate(1 / 6.0), lambda: bool(due) and due[0][0] < time.monotonic())
            if time.monotonic() > middle_s and device_name(self.mortal[0].first) not in self.dead:
                self.kill_group(self.mortal[0])
            while due and (due[0][0] < time.monotonic() or time.monotonic() > until_s):
                heapq.heappop(due)[2]()
            if time.monotonic() > until_s:
                return
            what = self._chance.choice(up)
            up.remove(what)
            again, longest_s = self._kill(what)

            def back(what: object = what, again: Callable[[], None] = again) -> None:
                again()
                up.append(what)  # type: ignore[arg-type]

            heapq.heappush(due, (time.monotonic() + self._chance.uniform(0, longest_s), n, back))

    def _kill(self, what: object) -> tuple[Callable[[], None], float]:
        """How it comes back, and after how long at most [s]."""
        if isinstance(what, Boards):
            return self.kill_group(what), 60.0
        if isinstance(what, Daemon):
            return self.kill_daemon(what), 20.0
        return (self.kill_broker(), 8.0) if what == "broker" else (self.kill_page(), 5.0)

    # -- looking

    def wait(self, seconds: float, true: Callable[[], bool] = lambda: False, every_s: float = 0.5) -> bool:
        """Whether it came true in time; the truth is kept up meanwhile."""
        deadline, pause = time.monotonic() + seconds, threading.Event()
        while not true():
            if (left_s := deadline - time.monotonic()) < 0:
                return False
            self.truth.refresh()
            pause.wait(min(every_s, left_s))
        return True

    def all_are_there(self) -> bool:
        """Whether the broker has heard from each board that lives, so that it keeps its will."""
        states = retained_on(self.broker.port, "homie/5/+/$state")
        ready = {topic.split("/")[2] for topic, seen in states.items() if seen.payload == b"ready"}
        return ready >= self.truth.devices - self.dead.keys()

    def wrong(self) -> dict[str, str]:
        """Of which boards the page is wrong, and why."""
        try:
            shown = self.page.shown()
        except (OSError, HTTPException) as err:
            return {"page": f"it doesn't answer ({err})"}
        self.truth.refresh()
        forgotten = self.kills["broker"] > 0 and self.kills["page"] > 0
        return self.truth.differences(shown, self.dead, forgotten)

    def settle(self, within_s: float = SETTLED_S, stays_s: float = 0.0) -> float:
        """Seconds until the page is right about each board and stays so. Raises AssertionError.

        A board still waiting for its next try at the broker is right for a while yet: its last document is.
        """
        began_s = time.monotonic()
        found: dict[str, str] = {}
        right_s: float | None = None

        def right() -> bool:
            nonlocal found, right_s
            if now := self.wrong():
                found, right_s = now, None
                return False
            right_s = time.monotonic() if right_s is None else right_s
            return time.monotonic() - right_s >= stays_s

        assert self.wait(within_s + stays_s, right, LOOK_S), (len(found), dict(list(found.items())[:8]))
        assert right_s is not None
        return right_s - began_s

    def arrived(self, within_s: float = SETTLED_S) -> Held:
        """How all records stand beside what came, once nothing is missing or time is up; all added up."""
        whole = Held()

        def add() -> bool:
            nonlocal whole
            whole = Held()
            for daemon in self.daemons:
                with self.receivers[daemon.device].changed:
                    payloads = list(self.receivers[daemon.device].payloads)
                held = hold_against(daemon.folder / "probe-agent.db", payloads, daemon.device)
                whole.stored, whole.readings = whole.stored + held.stored, whole.readings + held.readings
                whole.missing += held.missing
                whole.different += held.different
                whole.strange += held.strange
                whole.clocks += held.clocks
                whole.twice |= held.twice
            return whole.is_whole

        self.wait(within_s, add)
        return whole


def run(folder: Path, club: Club, seconds: float, seed: int) -> Iterator[str]:
    """The whole of it, told line by line. Raises AssertionError."""
    with Chaos(folder, club, seed) as chaos:
        total = club.steady + club.mortal * club.each + club.daemons
        yield f"{total} boards, right about each after {chaos.settle():.0f} s"
        chaos.rage(seconds)
        yield f"killed: {dict(chaos.kills)}; {len(chaos.dead)} boards stay dead"
        chaos.kill_group(chaos.mortal[1])
        chaos.kill_daemon(chaos.daemons[0])
        yield f"right about each board {chaos.settle(stays_s=STAYS_S):.0f} s after the last kill, and"
        rows = chaos.page.shown().values()
        said = Counter(" ".join(row.then.split(" ")[:2]) for row in rows if row.then)
        said["never heard of"] = sum(is_unheard(row) for row in rows)
        yield f"at each look of the {STAYS_S:.0f} s after that; {len(chaos.dead)} dead, said as: {dict(said)}"
        chaos.daemons[0].start()  # its record goes onwards when it is back
        held = chaos.arrived()
        yield f"history: {held}"
        assert held.is_whole, held
        assert held.stored > 0


@pytest.mark.long  # pytest -m long tests/faults/test_fleet.py -s
def test_ten_minutes_of_killing_leave_the_page_right_about_each_board(tmp_path: Path) -> None:
    """Broker, page, a tenth of the boards and ten real daemons; CHAOS_SEED, CHAOS_S, CHAOS_BOARDS to vary."""
    boards = int(os.environ.get("CHAOS_BOARDS", "400"))
    seconds, seed = float(os.environ.get("CHAOS_S", "600")), int(os.environ.get("CHAOS_SEED", "1"))
    mortal = max(boards // 50, 3)
    club = Club(boards - 5 * mortal - 10, 1 + boards // 300, mortal, 5, 10, 15.0)
    print()
    for line in run(tmp_path, club, seconds, seed):
        print(line, flush=True)


@pytest.mark.long
def test_broker_page_and_boards_killed_once_leave_the_page_right(tmp_path: Path) -> None:
    """Twenty boards; the broker comes back knowing nothing, the page too, and five boards don't."""
    with Chaos(tmp_path, Club(10, 1, 2, 5, 0, 3.0), seed=1) as chaos:
        chaos.settle()
        chaos.kill_broker()()
        assert chaos.wait(90.0, chaos.all_are_there)
        chaos.settle()
        chaos.kill_group(chaos.mortal[0])
        chaos.settle()
        revived, back = chaos.kill_group(chaos.mortal[1]), chaos.kill_page()
        back()
        chaos.settle()
        revived()
        assert len(chaos.wrong()) == 5  # they live again, and nobody can know yet: the check sees it
        chaos.settle()
        assert len(chaos.dead) == 5
        assert sum(row.then.startswith("Board lost") for row in chaos.page.shown().values()) == 5
