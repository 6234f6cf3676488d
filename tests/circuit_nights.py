"""A night of several boards whose heaters share a circuit, reading by reading together."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from nights import Night
from real_broker import RealBroker
from test_switch_faults import pass_test

STEP_S = 15.0
SWITCH = """
[switch]
manual_allows_unattended = true
timer_s = 600
command_topic = "plug/{device}/set"
state_topic = "plug/{device}/state"
power_topic = "plug/{device}/power"
power_every_s = 600
[circuit]
name = "hangar-2"
limit_w = {limit_w}
"""


class _Theirs:
    """A broker that somebody else starts and ends."""

    def __init__(self, broker: RealBroker) -> None:
        self.port = broker.port

    def start(self) -> None: ...

    def __exit__(self, *_: object) -> None: ...


class SharedNight(Night):
    """A board's night among others at one broker; step by step, not by itself."""

    script = "circuit_daemon.py"

    def __init__(self, folder: Path, broker: RealBroker, device: str, limit_w: float, **more: Any) -> None:
        folder.mkdir()
        self.device, self.told = device, 0
        self._silent_at = float("inf")
        switch = SWITCH.format(device=device, limit_w=limit_w)
        setup = {"switched_by": '"our-plug"', "watts": f"{more['watts']:g}", **more.pop("setup", {})}
        super().__init__(folder, more=switch, setup=setup, believed=True, **more)
        self.broker = _Theirs(broker)  # type: ignore[assignment]
        self._spec["device"] = device

    def _tables(self) -> str:
        return super()._tables().replace("[broker]\n", f'[broker]\ndevice = "{self.device}"\n')

    def boot(self, at: str) -> None:
        pass_test(self.folder, self.file)
        super().boot(at)

    @property
    def lives(self) -> bool:
        return self._process is not None

    def fall_silent(self, now_at: float) -> None:
        """Power cut at the board alone; its plug goes off by its will, or its own timer."""
        self._silent_at = now_at
        self.power_cut()

    def step(self, seconds: float) -> None:
        """Let the daemon live up to that second of its engine."""
        self._say(f"until {seconds:.0f}")
        at, second, number = self._answer().split()
        assert (at, second) == ("at", f"{seconds:.0f}"), self.log()
        self.told = int(number)
        self._collect()

    def hears(self, others: Sequence[SharedNight]) -> None:
        """Return once what the others said last has arrived."""
        self._say("hears " + " ".join(f"{o.device}={o.told}" for o in others))
        assert self._answer() == "heard", self.log()

    def _answer(self) -> str:
        assert self._process is not None
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def spans(self) -> list[tuple[float, float, float]]:
        """When the plug was on: from, to (UTC), watts; inf where it still is."""
        file, out = self.folder / "plug.txt", []
        on: tuple[float, float] | None = None
        for line in file.read_text().splitlines() if file.exists() else ():
            second, watts = (float(part) for part in line.split())
            if on is not None:
                out.append((on[0], second + self.utc(self.start), on[1]))
            on = (second + self.utc(self.start), watts) if watts > 0 else None
        return [*out, (on[0], self._silent_at, on[1])] if on is not None else out


class CircuitNights:
    """Context manager: boards by name, each with its own record, engine, plug and page, on one circuit."""

    def __init__(self, folder: Path, limit_w: float, boards: dict[str, dict[str, Any]], start: str) -> None:
        self._broker, self._stack = RealBroker(folder), ExitStack()
        self.limit_w, self.start, self._now_s = limit_w, start, 0.0
        self._wanted = {
            device: {"watts": 700.0, "start": start, "interval_s": STEP_S, **more}
            for device, more in boards.items()
        }
        self._folder = folder
        self.boards: dict[str, SharedNight] = {}

    def __enter__(self) -> CircuitNights:
        self._stack.enter_context(self._broker)
        for device, more in self._wanted.items():
            night = SharedNight(self._folder / device, self._broker, device, self.limit_w, **more)
            self.boards[device] = self._stack.enter_context(night)
        self._step()
        return self

    def __exit__(self, *kind: Any) -> None:
        self._stack.__exit__(*kind)

    def __getitem__(self, device: str) -> SharedNight:
        return self.boards[device]

    def until(self, time_: str) -> None:
        """All boards live on to that time, a reading at once, each hearing what the others said."""
        first = next(iter(self.boards.values()))
        until_s = first.utc(time_) - first.utc(self.start)
        while self._now_s < until_s:
            self._now_s += STEP_S
            self._step()

    def _step(self) -> None:
        live = [b for b in self.boards.values() if b.lives]
        for board in live:
            board.step(self._now_s)
        for board in live:
            board.hears([o for o in live if o is not board])

    def most_w(self) -> float:
        """The most that all plugs drew at any instant until now [W]."""
        spans = [s for b in self.boards.values() for s in b.spans()]
        return max((sum(w for s, e, w in spans if s <= at < e) for at, _, _ in spans), default=0.0)
