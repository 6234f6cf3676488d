"""Hold locks against a folder of advisories, without a network: what deploy/audit.sh --database runs.

    python deploy/advisories.py FOLDER LOCK...

FOLDER: advisories in the OSV form, as JSON or YAML, at any depth, such as a checkout of the Python packaging
advisory database or an unpacked export of OSV's. Ends with 1 where a pin is inside an affected range, where
an advisory that names a pin can't be judged, and where the folder has nothing or nothing recent: what could
not be looked up is not called clean.

Form: ossf.github.io/osv-schema, "affected", "versions", "ranges" and its evaluation, "withdrawn".
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import yaml  # type: ignore[import-untyped]
from packaging.utils import canonicalize_name
from packaging.version import InvalidVersion, Version

OLD_DAYS = 30
"""A folder whose newest advisory is older doesn't know what has come since."""
_PIN = re.compile(r"([A-Za-z0-9][A-Za-z0-9._-]*)==([^\s;\\]+)")
_EVENTS = ("introduced", "fixed", "last_affected", "limit")
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(frozen=True, slots=True, order=True)
class Pin:
    """A package in a lock, by its normalized name."""

    name: str
    version: Version


@dataclass(slots=True)
class Found:
    """What a folder of advisories says of some pins.

    read: advisories of the folder; of_pins: those that name a pinned package; newest: when the latest of all
    was last changed; affected, unjudged: sentences, one each.
    """

    read: int = 0
    of_pins: set[tuple[str, str]] = field(default_factory=set)
    newest: date | None = None
    affected: list[str] = field(default_factory=list)
    unjudged: list[str] = field(default_factory=list)


def pins_of(lock: Path) -> Iterator[Pin]:
    """A requirements file's pins; one under a marker counts too. Raises OSError, ValueError."""
    for line in lock.read_text("utf-8").splitlines():
        if found := _PIN.match(line):
            yield Pin(canonicalize_name(found[1]), Version(found[2]))


def look(folder: Path, pins: Iterable[Pin]) -> Found:
    """Everything that the advisories in the folder say of these pins. Raises OSError."""
    found = Found()
    by_name: dict[str, list[Pin]] = {}
    for pin in sorted(set(pins)):
        by_name.setdefault(pin.name, []).append(pin)
    for file in sorted(
        p for p in folder.rglob("*") if p.suffix in (".json", ".yaml", ".yml") and p.is_file()
    ):
        try:
            advisory = _parsed(file)
        except ValueError as err:
            found.unjudged.append(f"{file.relative_to(folder)} can't be read: {str(err).splitlines()[0]}")
            continue
        if advisory is not None:
            try:
                _add(found, advisory, by_name)
            except (AttributeError, TypeError) as err:
                found.unjudged.append(f"{advisory['id']}: its form is not understood: {err}")
    return found


def _parsed(file: Path) -> Mapping[str, Any] | None:
    """The advisory in that file; None where it holds something else. Raises OSError, ValueError."""
    text = file.read_text("utf-8")
    try:
        told = json.loads(text) if file.suffix == ".json" else yaml.load(text, Loader=_LOADER)
    except (yaml.YAMLError, RecursionError) as err:
        raise ValueError(str(err) or "nested too deep") from err
    if isinstance(told, dict) and "id" in told and ("affected" in told or "modified" in told):
        return told
    return None


def _add(found: Found, advisory: Mapping[str, Any], by_name: Mapping[str, Sequence[Pin]]) -> None:
    found.read += 1
    changed = _day(advisory.get("modified"))
    if changed is not None and (found.newest is None or changed > found.newest):
        found.newest = changed
    if advisory.get("withdrawn"):
        return
    if "affected" not in advisory:
        found.unjudged.append(f"{advisory['id']}: it doesn't say what is affected")
        return
    for of in advisory["affected"] or ():
        package = of.get("package") or {}
        if str(package.get("ecosystem", "")).split(":")[0].lower() != "pypi":
            continue
        for pin in by_name.get(canonicalize_name(str(package.get("name"))), ()):
            found.of_pins.add((pin.name, str(advisory["id"])))
            _judge(found, str(advisory["id"]), of, pin)


def _judge(found: Found, name: str, of: Mapping[str, Any], pin: Pin) -> None:
    what = f"{pin.name} {pin.version}: {name}"
    ranges = [r for r in of.get("ranges") or () if r.get("type") in ("ECOSYSTEM", "SEMVER")]
    versions = of.get("versions") or ()
    try:
        inside = _listed(pin.version, versions) or any(_inside(pin.version, r["events"]) for r in ranges)
    except (InvalidVersion, KeyError, TypeError, AttributeError) as err:
        found.unjudged.append(f"{what} can't be judged: {err}")
        return
    if inside:
        found.affected.append(what)
    elif not ranges and not versions:
        found.unjudged.append(f"{what} can't be judged: it names no versions")


def _listed(version: Version, versions: Iterable[object]) -> bool:
    """Whether a version is in a list, some of which may be no versions by today's rules."""
    for one in versions:
        try:
            if Version(str(one)) == version:
                return True
        except InvalidVersion:
            continue
    return False


def _inside(version: Version, events: Iterable[Mapping[str, object]]) -> bool:
    """OSV's evaluation: events in the order of their versions, the last one at or below ours decides.

    Raises InvalidVersion, KeyError for an event of another kind.
    """
    steps: list[tuple[Version, int, bool]] = []
    for event in events:
        for kind, at in event.items():
            if kind not in _EVENTS:
                raise KeyError(kind)
            edge = Version("0.dev0") if str(at) == "0" else Version(str(at))
            # What is last affected is still inside: it ends right behind its version.
            steps.append((edge, 1 if kind == "last_affected" else 0, kind == "introduced"))
    inside = False
    for edge, behind, begins in sorted(steps):
        if edge < version or (edge == version and not behind):
            inside = begins
    return inside


def _day(value: object) -> date | None:
    """The day of an instant: text, or what YAML makes of one that isn't quoted."""
    if isinstance(value, datetime | date):
        return date(value.year, value.month, value.day)
    try:
        return date.fromisoformat(str(value)[:10])
    except ValueError:
        return None


def report(found: Found, pins: Sequence[Pin], today: date) -> tuple[list[str], bool]:
    """Sentences for whoever asked, and whether the pins may be called clean as far as the folder knows."""
    lines = sorted({f"AFFECTED {one}" for one in found.affected} | set(found.unjudged))
    named = len({name for name, _ in found.of_pins})
    lines.append(
        f"{len(set(pins))} pins held against {found.read} advisories; {len(found.of_pins)} of them are of "
        f"{named} pinned packages."
    )
    if found.newest is None:
        return [*lines, "Nothing was looked up: there is no advisory with a date in this folder."], False
    lines.append(f"The newest is of {found.newest}: of what was published later this says nothing.")
    clean = not found.affected and not found.unjudged
    lines.append("No pin is inside an affected range." if clean else "Not clean.")
    if today - found.newest > timedelta(days=OLD_DAYS):
        lines.append(
            f"It is older than {OLD_DAYS} days, which is no answer for today: fetch the folder anew."
        )
        clean = False
    return lines, clean


def main(arguments: Sequence[str]) -> int:
    """Command: FOLDER LOCK...; 0 clean, 1 not clean or not looked up, 2 not understood."""
    if len(arguments) < 2 or not Path(arguments[0]).is_dir():
        print("usage: advisories.py FOLDER LOCK... (FOLDER: advisories in the OSV form)", file=sys.stderr)
        return 2
    pins = [pin for lock in arguments[1:] for pin in pins_of(Path(lock))]
    lines, clean = report(look(Path(arguments[0]), pins), pins, datetime.now(UTC).date())
    print("\n".join(lines))
    return 0 if clean else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
