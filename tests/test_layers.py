"""The layering of the rooms: each imports only from those before it, the pure ones touch nothing outside."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

ORDER = (
    "readings",
    "clock",
    "pulse",
    "config",
    "pointers",
    "status",
    "words",
    "chosen",
    "couriers",
    "connecting",
    "connection",
    "listening",
    "service",
    "thermocouple",
    "corrections",
    "engine_sim",
    "probes",
    "thermal",
    "planning",
    "supervisor",
    "outings",
    "spells",
    "why",
    "telling",
    "circuit",
    "switching",
    "identifying",
    "document",
    "store",
    "scribe",
    "season",
    "jumps",
    "harness",
    "finding",
    "pairing",
    "migrations",
    "maintenance",
    "export",
    "recovery",
    "backups",
    "carrying",
    "weakening",
    "archive",
    "sisters",
    "learning",
    "without",
    "checking",
    "taught",
    "previews",
    "physics",
    "by_hand",
    "logbook",
    "ledger",
    "departures",
    "switchman",
    "letters",
    "take_along",
    "broker",
    "history",
    "messages",
    "watchdog",
    "switch",
    "weather",
    "sharing",
    "orders",
    "beside",
    "agent",
    "replay",
    "inspection",
    "cli",
)
"""The rooms of probe_agent, in the order in which they may know of each other."""

INSIDE = {
    "words": (
        "parts",
        "engine",
        "learned",
        "heatups",
        "corrections",
        "bindings",
        "weather",
        "why",
        "outings",
        "planning",
        "season",
        "probes",
        "letters",
        "plug",
        "keeping",
        "alerts",
        "club",
        "messages",
        "by_hand",
        "__init__",
    ),
    "supervisor": ("watch", "points", "seen", "state", "alerts", "announcing", "tick", "__init__"),
    "store": (
        "file",
        "measured",
        "heatups",
        "spells",
        "curves",
        "bindings",
        "corrections",
        "told",
        "access",
        "weather",
        "commands",
        "aside",
        "onwards",
        "daemon",
        "viewer",
        "__init__",
    ),
    "cli": (
        "group",
        "times",
        "assembly",
        "daemon",
        "told",
        "record",
        "season",
        "planning",
        "plug",
        "phones",
        "probes",
        "board",
        "binding",
        "identify",
        "chosen",
        "setups",
        "keeping",
        "__init__",
        "__main__",
    ),
}
"""The files of rooms that have several, in the order in which they may know of each other. From outside
these rooms are known by their names alone, for what __init__ exports."""

PURE = (
    "pointers",
    "chosen",
    "jumps",
    "why",
    "spells",
    "season",
    "readings",
    "corrections",
    "words",
    "weakening",
    "planning",
    "supervisor",
    "circuit",
    "switching",
    "identifying",
    "outings",
    "telling",
    "thermocouple",
    "document",
    "config",
    "status",
)
WITHOUT_IO = {"config": {"load_settings"}, "status": {"write_status", "read_status", "with_age"}}
"""Pure rooms that have a door of their own: the functions that may read or write."""

OUTSIDE = {
    "asyncio",
    "http",
    "io",
    "logging",
    "os",
    "pathlib",
    "random",
    "requests",
    "select",
    "shutil",
    "signal",
    "socket",
    "sqlite3",
    "sqlite_utils",
    "subprocess",
    "sys",
    "tempfile",
    "threading",
    "time",
    "urllib",
}
OUTSIDE_CALLS = {"open", "print", "input", "now", "today", "utcnow", "getLogger"}

WEB_MAY = {"chosen", "readings", "clock", "config", "status", "words", "store", "season", "pairing", "broker"}
CLUB_MAY = WEB_MAY | {"listening"}
"""What hears the broker is the club's page alone."""


class Modules(Mapping[str, ast.Module]):
    """Dotted name without the package → its syntax tree, read when it is first looked at: every worker of
    the suite needs the names, one the trees."""

    def __init__(self, package: str) -> None:
        base = ROOT / package
        self._files = {
            ".".join(f.relative_to(base).with_suffix("").parts): f for f in sorted(base.rglob("*.py"))
        }
        self._trees: dict[str, ast.Module] = {}

    def __getitem__(self, name: str) -> ast.Module:
        if name not in self._trees:
            file = self._files[name]
            self._trees[name] = ast.parse(file.read_text("utf-8"), str(file))
        return self._trees[name]

    def __contains__(self, name: object) -> bool:
        return name in self._files

    def __iter__(self) -> Iterator[str]:
        return iter(self._files)

    def __len__(self) -> int:
        return len(self._files)


def room(name: str) -> str:
    return name.split(".")[0]


def imported(tree: ast.AST) -> Iterator[str]:
    """Every module named by an import, wherever it stands, as a dotted name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the layer"
            module = node.module or ""
            yield from (f"{module}.{alias.name}" for alias in node.names)


def known_rooms(tree: ast.AST) -> set[str]:
    """Rooms of probe_agent that a module imports."""
    return {name.split(".")[1] for name in imported(tree) if name.startswith("probe_agent.")}


AGENT = Modules("probe_agent")
WEB = Modules("web")


def test_every_room_has_its_place() -> None:
    assert {room(n) for n in AGENT} - {"__init__"} <= set(ORDER)
    assert AGENT["__init__"].body == []


@pytest.mark.parametrize("name", [n for n in AGENT if n != "__init__"])
def test_a_module_knows_only_rooms_before_its_own(name: str) -> None:
    own = ORDER.index(room(name))
    for other in known_rooms(AGENT[name]):
        assert other in ORDER, f"{name} imports {other}"
        assert other == room(name) or ORDER.index(other) < own, f"{name} imports {other}"


@pytest.mark.parametrize("name", [n for n in AGENT if room(n) in INSIDE])
def test_a_file_of_a_room_knows_only_files_before_its_own(name: str) -> None:
    whole, _, own = name.partition(".")
    order = INSIDE[whole]
    for other in (m.split(".") for m in imported(AGENT[name]) if m.startswith(f"probe_agent.{whole}.")):
        known = other[2] if f"{whole}.{other[2]}" in AGENT else "__init__"
        assert order.index(known) < order.index(own), f"{name} imports {known}"


@pytest.mark.parametrize("package", [AGENT, WEB], ids=["probe_agent", "web"])
def test_a_room_of_several_files_is_known_by_its_name_alone(package: Modules) -> None:
    for name, tree in package.items():
        for module in (m.split(".") for m in imported(tree) if m.startswith("probe_agent.")):
            if module[1] in INSIDE and (package is WEB or room(name) != module[1]):
                assert ".".join(module[1:3]) not in AGENT, f"{name} imports {'.'.join(module)}"


@pytest.mark.parametrize("name", AGENT)
def test_the_daemon_never_imports_the_page(name: str) -> None:
    assert not [m for m in imported(AGENT[name]) if m.split(".")[0] == "web"]


@pytest.mark.parametrize("name", WEB)
def test_the_page_knows_only_what_is_shown_and_stored(name: str) -> None:
    assert known_rooms(WEB[name]) <= (CLUB_MAY if room(name) == "club" else WEB_MAY)
    outside = {m.split(".")[0] for m in imported(WEB[name])}
    assert not outside & {"numpy", "scipy", "sqlite_utils", "apscheduler", "apprise"}


def test_no_files_of_the_page_know_of_each_other_in_a_circle() -> None:
    """Imports for types alone count: who reads one of them has to know the other."""
    known = {
        n: {f for m in imported(t) if m.startswith("web.") for f in WEB if f"{m}.".startswith(f"web.{f}.")}
        for n, t in WEB.items()
    }
    while free := {n for n, others in known.items() if not others}:
        known = {n: others - free for n, others in known.items() if n not in free}
    assert not known


def test_the_layout_of_the_page_is_pure() -> None:
    assert_pure(WEB["present"], "web.present", set())


@pytest.mark.parametrize("name", [n for n in AGENT if room(n) in (*PURE, "thermal")])
def test_a_pure_module_touches_nothing_outside(name: str) -> None:
    assert_pure(AGENT[name], name, WITHOUT_IO.get(name, set()))


def assert_pure(tree: ast.Module, name: str, doors: set[str]) -> None:
    """No I/O, no clock, no log; in a module with doors, only in their functions."""
    inside = [node for node in tree.body if not (isinstance(node, ast.FunctionDef) and node.name in doors)]
    assert len(tree.body) - len(inside) == len(doors), f"{name} has lost a door: {doors}"
    used = {m.split(".")[0] for node in inside for m in imported(node)}
    if doors:
        taken = OUTSIDE & used
        names = {n.id for node in inside for n in ast.walk(node) if isinstance(n, ast.Name)}
        assert not taken & names, f"{name} uses {taken & names} outside {doors}"
    else:
        assert not OUTSIDE & used, f"{name} imports {OUTSIDE & used}"
    for node in inside:
        for call in ast.walk(node):
            if isinstance(call, ast.Call):
                called = (
                    call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
                )
                assert called not in OUTSIDE_CALLS, f"{name} calls {called}"


def test_numerics_live_in_thermal_and_the_simulated_engine() -> None:
    for name, tree in AGENT.items():
        if "numpy" in {m.split(".")[0] for m in imported(tree)}:
            assert room(name) in ("thermal", "engine_sim"), name
        assert "scipy" not in {m.split(".")[0] for m in imported(tree)}


def test_the_simulated_engine_shares_no_code_with_the_model_that_judges_it() -> None:
    assert "thermal" not in known_rooms(AGENT["engine_sim"])
    for name in AGENT:
        if room(name) == "thermal":
            assert "engine_sim" not in known_rooms(AGENT[name])


def test_only_commands_and_the_schema_import_sqlite_utils() -> None:
    users = {n for n, t in AGENT.items() if "sqlite_utils" in {m.split(".")[0] for m in imported(t)}}
    assert users == {"migrations"}
    knowing = {n for n, t in AGENT.items() if "migrations" in known_rooms(t)}
    assert knowing <= {"cli", "maintenance"}


def loaded_after(statement: str) -> set[str]:
    """Top-level modules a fresh interpreter holds after that statement."""
    found = subprocess.run(
        [sys.executable, "-c", f"{statement}; import sys; print(*sys.modules)"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return {m.split(".")[0] for m in found.stdout.split()}


def test_the_page_starts_without_numerics() -> None:
    loaded = loaded_after("import web.app, web.serve")
    assert "flask" in loaded
    assert not loaded & {"numpy", "scipy", "sqlite_utils", "apprise", "apscheduler", "paho"}


def test_the_data_path_starts_without_what_only_some_need() -> None:
    loaded = loaded_after("import probe_agent.agent")
    assert "numpy" in loaded
    assert not loaded & {"scipy", "sqlite_utils", "apprise", "paho", "flask", "metar"}
