"""What the commands of hardware.md's bench checks print, run against a simulated bus.

    python -m tests.bench_checks            prints each block as it comes out now
    python -m tests.bench_checks --write    writes them into hardware.md, to be read over before they are kept

Needs some 15 s. A block in hardware.md is fenced as ```console bench NAME```; a line with $ is the command.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from real_broker import free_port
from real_daemon import ROOT, Process, status_in
from sysfs_tree import W1Tree, converter, thermometer
from test_identify import ADDRESSES, Bench, Typist, settings_for

from probe_agent.engine_sim import (
    Day,
    EngineDesign,
    Event,
    Happening,
    ProbeDesign,
    Profile,
    SetupDesign,
    SimulatedEngine,
)
from probe_agent.probes.simulated import SimulatedSource
from probe_agent.readings import Reading
from probe_agent.store import Reader

PROBES = {
    "sump": "3b-0c98000000a1",
    "cyl-1": "3b-0c98000000a2",
    "cyl-2": "3b-0c98000000a3",
    "cyl-3": "3b-0c98000000a4",
    "cyl-4": "3b-0c98000000a5",
    "case-top": "3b-0c98000000a6",
    "case-nose": "3b-0c98000000a7",
    "ambient": "28-0316a2795bff",
}
BENCH_C = 19.25
DEVICES = "/sys/bus/w1/devices"
FENCE = re.compile(r"^```console bench (\S+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LIVE = ("clock", "disk", "record", "daemon", "page", "copy", "backup")
"""Findings whose figures are this machine's."""


def settings_text(folder: Path, port: int, more: str = "") -> str:
    places = "".join(
        f'[[places]]\nname = "{p}"\nrequired = {str(p.startswith(("cyl", "case"))).lower()}\n' for p in PROBES
    )
    probes = "".join(f'[[probes]]\nplace = "{p}"\naddress = "{a}"\n' for p, a in PROBES.items())
    return (
        f'[aircraft]\nname = "Magpie"\nzone = "UTC"\n{places}{probes}'
        f'[one_wire]\ndirectory = "{folder}{DEVICES}"\n[sampling]\ninterval_s = 5\n[page]\nport = {port}\n'
        f'[store]\nfile = "{folder}/probe-agent.db"\nruntime_dir = "{folder}"\n{more}'
    )


class BenchBoard:
    """Context manager: seven converters and an air probe on a bench indoors, daemon and page running."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        folder.mkdir(exist_ok=True)
        self.tree = W1Tree(folder)
        for name in ("wire", "w1_therm"):
            (folder / "sys/module" / name).mkdir(parents=True)
        for address in PROBES.values():
            self.well(address)
            (self.tree.bus() / address / "ext_power").write_text("1\n")
        (self.tree.bus() / "therm_bulk_read").write_text("0\n")
        self.settings = folder / "settings.toml"
        self.settings.write_text(settings_text(folder, self.port), "utf-8")

    def well(self, address: str, value_c: float = BENCH_C, chip_c: float = BENCH_C) -> None:
        """It answers, by the bench's temperature unless told otherwise."""
        self.tree.put(address, thermometer(value_c) if address[:2] == "28" else converter(value_c, chip_c))

    def __enter__(self) -> BenchBoard:
        with contextlib.ExitStack() as stack:
            arguments = ("--settings", str(self.settings))
            self.daemon = daemon = stack.enter_context(
                Process("probe_agent.cli", "run", *arguments, log=self.folder / "log")
            )
            page = stack.enter_context(Process("web.serve", *arguments, log=self.folder / "web"))
            daemon.wait_for(lambda: status_in(self.folder) is not None)
            daemon.wait_for(self._has_stored)
            page.wait_for(lambda: "Page:" in (self.folder / "web").read_text("utf-8"))
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _has_stored(self) -> bool:
        reader = Reader(self.folder / "probe-agent.db")
        try:
            return reader.last_at() is not None
        finally:
            reader.close()

    def prints(self, line: str) -> str:
        """What a command line prints, as it stands in hardware.md."""
        ours = line.replace("sudo ", "").replace(DEVICES, f"{self.folder}{DEVICES}")
        cli = f'{sys.executable} -c "from probe_agent.cli import main; main()"'
        ours = re.sub(r"probe-agent (\S+)", rf"{cli} \1 --settings {self.settings}", ours)
        done = subprocess.run(
            ["sh", "-c", ours], capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)}
        )
        said = done.stdout + done.stderr
        return said.replace(str(self.folder), "").replace(f":{self.port}", ":8088")


# -- what is done to the board before each block


def nothing(board: BenchBoard) -> None:
    pass


def thermocouple_out(board: BenchBoard) -> None:
    board.tree.put(PROBES["cyl-1"], converter(0.0, BENCH_C, faults=1))


def touches_metal(board: BenchBoard) -> None:
    board.tree.put(PROBES["cyl-1"], converter(0.0, BENCH_C, faults=2))


def converter_out(board: BenchBoard) -> None:
    board.tree.remove(PROBES["cyl-1"])


def data_line_out(board: BenchBoard) -> None:
    for address in PROBES.values():
        board.tree.remove(address)


def no_supply_of_its_own(board: BenchBoard) -> None:
    (board.tree.bus() / PROBES["ambient"] / "ext_power").write_text("0\n")


DONE: Mapping[str, Callable[[BenchBoard], None]] = {
    "devices": nothing,
    "bytes": nothing,
    "check": nothing,
    "places": nothing,
    "open": thermocouple_out,
    "metal": touches_metal,
    "converter": converter_out,
    "parasite": no_supply_of_its_own,
    "data": data_line_out,
    "near-before": lambda board: put_engine(board, near_heat()[0]),
    "near-after": lambda board: put_engine(board, near_heat()[1]),
}
"""Block of hardware.md → what has been done to the board before its command."""


def restored(board: BenchBoard) -> None:
    for address in PROBES.values():
        board.well(address)
        (board.tree.bus() / address / "ext_power").write_text("1\n")


def bench_blocks(board: BenchBoard, wanted: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """(name, block as it comes out now) of those with a command on the bus."""
    for name, do in DONE.items():
        if name not in wanted:
            continue
        do(board)
        said = _printed(board, wanted[name])
        restored(board)
        yield name, said


def _printed(board: BenchBoard, block: str) -> str:
    commands = re.findall(r"^\$ (.*)$", block, re.MULTILINE)
    return "".join(f"$ {command}\n{board.prints(command)}" for command in commands)


# -- three minutes of heat, on the simulated engine

NEAR_PLACES = ("cyl-1", "cyl-2", "cyl-3", "case-nose", "ambient")
NEAR_ON_S, NEAR_FOR_S = 3600.0, 180.0


def near_heat() -> tuple[dict[str, float], dict[str, float]]:
    """What each place's probe reads before the heat and three minutes into it [°C]: cylinder 2's lies beside
    its band, cylinder 3's hangs in the cowl's air."""
    weather = Day(ambient_c=Profile.constant(-12.0), wind_m_s=Profile.constant(2.0))
    probes = tuple(ProbeDesign(p, near_heat=0.15 if p == "cyl-2" else 0.0) for p in NEAR_PLACES)
    events = (Event(60.0, Happening.PROBE_DETACHED, "cyl-3"), Event(NEAR_ON_S, Happening.HEATER_ON))
    setup = SetupDesign("pads-and-bands", 600.0, cover=True, plugs=True)
    source = SimulatedSource(SimulatedEngine(EngineDesign.nominal(), setup, weather, probes, events, seed=3))

    def read(at_s: float) -> dict[str, float]:
        samples = source.read(at_s).samples
        return {s.address: s.value_c for s in samples if isinstance(s, Reading)}

    for t_s in range(0, int(NEAR_ON_S), 60):
        source.read(float(t_s))
    return read(NEAR_ON_S), read(NEAR_ON_S + NEAR_FOR_S)


def put_engine(board: BenchBoard, values_c: Mapping[str, float]) -> None:
    for place, address in PROBES.items():
        if place in values_c:
            board.well(address, values_c[place], -10.0)
        else:
            board.tree.remove(address)


# -- warmed by hand


def two_by_hand(folder: Path) -> str:
    """What identify prints until it has seen two probes rise together."""
    with Bench(folder) as bench:
        file = settings_for(folder, bench.tree)
        with Process("probe_agent.cli", "run", "--settings", str(file), log=folder / "log") as daemon:
            daemon.wait_for(lambda: status_in(folder) is not None)
            with Typist(file) as typist:
                typist.hear("Warm one probe now")
                bench.held = (ADDRESSES[1], ADDRESSES[5])
                typist.hear("begins the round again; q and Enter ends.")
                return typist.said


# -- the document


def written() -> dict[str, str]:
    """Blocks of hardware.md by name."""
    return dict(FENCE.findall((ROOT / "hardware.md").read_text("utf-8")))


def plain(block: str) -> list[str]:
    """Lines to compare: without the clock, which is this machine's, and with its figures taken out."""
    lines, subject = [], ""
    for line in block.splitlines():
        if (head := re.match(r"(?:ok|note|TROUBLE) +(\S+)", line)) is not None:
            subject = head[1]
        elif line.endswith(" found.") or line.startswith("$"):
            subject = ""
        if subject != "clock" and not line.endswith(" found."):
            lines.append(re.sub(r"[\d.]+", "#", line) if subject in LIVE else line)
    names = [re.sub(r"3b-\w+ \(.*?\) and 3b-\w+ \(.*?\) rise", "two rise", line) for line in lines]
    return [re.sub(r"\d+ of \d+ readings", "# readings", line) for line in names]


def all_blocks(folder: Path, wanted: Mapping[str, str]) -> dict[str, str]:
    """Each block as it comes out now."""
    with BenchBoard(folder) as board:
        found = dict(bench_blocks(board, wanted))
    (folder / "by-hand").mkdir()
    return {**found, "two": "$ sudo probe-agent identify\n" + two_by_hand(folder / "by-hand").rstrip() + "\n"}


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        found = all_blocks(Path(name), written())
    for block, text in found.items():
        print(f"-- {block}\n{text}")
    if "--write" in sys.argv:
        file = ROOT / "hardware.md"
        text = FENCE.sub(
            lambda m: f"```console bench {m[1]}\n{found.get(m[1], m[2])}```", file.read_text("utf-8")
        )
        file.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
