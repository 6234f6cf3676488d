"""What boards have said of themselves, held against what a club's page shows of them."""

from __future__ import annotations

import json
import sys
import time
from collections import deque
from collections.abc import Iterable, Mapping
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from club_page import Shown
from real_daemon import status_in

from probe_agent import words
from probe_agent.status import Status, decode_status
from web.club.rows import NOT_HEARD

BETWEEN_S = 60.0
"""Between two documents of a board, where its state stays [s]."""
ROOM_S = 25.0
"""A tick, the courier's round, the page's round, a busy machine."""
SOON_S = 8.0
"""Within this a change of state is on the page."""


class Truth:
    """The last documents of each board, as it made them."""

    def __init__(self, devices: Iterable[str], said: Iterable[Path], daemons: Mapping[str, Path]) -> None:
        """devices: all there are; said: files of tests/simulated_fleet.py; daemons: device → folder with its
        status document."""
        self.devices = frozenset(devices)
        self._said = dict.fromkeys(said, 0)
        self._daemons = dict(daemons)
        self.made: dict[str, deque[Status]] = {}

    def refresh(self) -> None:
        """Read what has been made since."""
        for file, at in self._said.items():
            if file.exists():
                with file.open("rb") as lines:
                    lines.seek(at)
                    whole, _, _ = lines.read().rpartition(b"\n")
                self._said[file] = at + len(whole) + 1 if whole else at
                for line in whole.splitlines():
                    device, document = json.loads(line)
                    self._add(device, decode_status(document.encode()))
        for device, folder in self._daemons.items():
            if (status := status_in(folder)) is not None:
                self._add(device, status)

    def _add(self, device: str, status: Status) -> None:
        made = self.made.setdefault(device, deque(maxlen=200))
        if not made or made[-1].run.mono_s < status.run.mono_s:
            made.append(status)

    def differences(
        self, shown: Mapping[str, Shown], dead: Mapping[str, float], forgotten: bool
    ) -> dict[str, str]:
        """Devices of which the page is wrong, with why. dead: device → when it was killed (monotonic s).

        forgotten: broker and page have both been killed, so that a dead board may be known to nobody; the
        settings name it, and the page then has to say that it never heard of it.
        """
        found = dict.fromkeys(shown.keys() - self.made.keys(), "it is shown and there is none")
        found |= dict.fromkeys(self.devices - self.made.keys(), "it has said nothing yet")
        for device, made in self.made.items():
            row = shown.get(device)
            if row is None:
                found[device] = "it isn't shown"
            elif device in dead and forgotten and is_unheard(row):
                continue
            elif device in dead:
                found[device] = _wrong_of_dead(row, list(made), dead[device])
            else:
                found[device] = _wrong_of_living(row, list(made), time.monotonic())
        return {device: why for device, why in found.items() if why}


def is_unheard(row: Shown) -> bool:
    """Whether the page says that it never heard of that board."""
    return NOT_HEARD in row.text and (row.heading, row.value) == ("silent", "")


def _value(status: Status) -> str:
    return (
        "" if status.coldest_c is None else words.temperature(status.coldest_c, "C", words.limits_of(status))
    )


def _wrong_of_living(row: Shown, made: list[Status], now_s: float) -> str:
    """Why the row of a board that lives is wrong; empty where it is right."""
    soon = [s for s in made if now_s - s.run.mono_s < SOON_S]
    telling = {words.club_heading(s, "fresh") for s in (made[-1 - len(soon) :] or made)}
    recent = {_value(s) for s in made if now_s - s.run.mono_s < BETWEEN_S + ROOM_S}
    if row.then or is_unheard(row):
        return f"it lives and is said: {row.then or row.text}"
    if row.heading not in telling:
        return f"it is {telling} and stands under {row.heading}"
    return "" if row.value in recent else f"it was {recent} of late and is shown as {row.value}"


def _wrong_of_dead(row: Shown, made: list[Status], died_s: float) -> str:
    """The same of one that was killed: said to be lost, or not heard, since a time that is right."""
    last = [s for s in made if died_s - BETWEEN_S - ROOM_S < s.run.mono_s]
    pairs = [(s, standing) for s in last for standing in ("lost", "old")]
    told = {words.since_then(s, standing, time.time()) for s, standing in pairs}  # type: ignore[arg-type]
    if not row.then:
        return "it is dead and shown as if it lived"
    if row.then not in told:
        return f"it is said: {row.then}; right were {told}"
    if row.value not in {_value(s) for s in last}:
        return f"it was {[_value(s) for s in last]} at the end and is shown as {row.value}"
    headings = {words.club_heading(s, "lost") for s in last}
    return "" if row.heading in headings else f"it stands under {row.heading}, not {headings}"
