"""A whole night in a few lines: settings, what befalls the engine, and what people do.

The real daemon runs as a process on a jumping clock; its mail arrives at a real receiver, its topics at a
real mosquitto. Every text that arrives is held against word_rules.
"""

from __future__ import annotations

import json
import os
import queue
import re
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import word_rules
from flask.testing import FlaskClient
from real_broker import RealBroker, retained_on
from real_daemon import ROOT, status_in, write_settings
from real_mail import Mail, MailReceiver

from probe_agent.config import load_settings
from probe_agent.engine_sim import Happening
from probe_agent.migrations import migrate
from probe_agent.status import Status
from probe_agent.store import ask, await_answer, link_hash
from web.app import create_app
from web.source import FileStatusSource

ZONE = ZoneInfo("Europe/Oslo")
DAYS = ("Fri", "Sat", "Sun", "Mon")
JANUARY = date(2027, 1, 15)
"""A Friday."""
Course = float | Sequence[tuple[str, float]]
"""A value, or values at times with straight lines between."""


class Night:
    """Context manager. Times are like "Sat 05:50", on the field's clock, of the days from `friday` on;
    Saturday where no day is named.

    events: (time, what, place) for the engine; people: [[recipients]] by name, with further keys as TOML;
    departure: time of a planned start; setup: keys of the setup as TOML; flown_h: hours since a flight;
    wrong: (time, seconds), until when the clock is wrong and by how much; it isn't known until then, unless
    it is believed: then it jumps at that time.
    """

    script = "night_daemon.py"

    def __init__(
        self,
        folder: Path,
        start: str = "05:30",
        events: Sequence[tuple[str, Happening, str]] = (),
        *,
        people: Sequence[tuple[str, str]] = (("pilot", ""),),
        messages: str = "",
        more: str = "",
        departure: str | None = None,
        air_c: Course = -4.0,
        wind_m_s: Course = 1.5,
        sun_w: Course = 0.0,
        watts: float = 700.0,
        setup: Mapping[str, str] | None = None,
        flown_h: float | None = None,
        wrong: tuple[str, float] | None = None,
        believed: bool = False,
        friday: date = JANUARY,
        measured: bool = False,
        interval_s: float = 60.0,
        most: int = word_rules.SCENARIO,
    ) -> None:
        self.folder, self.start, self.departure, self.most = folder, start, departure, most
        self.friday, self._setup = friday, dict(setup or {})
        self.broker, self.post = RealBroker(folder), MailReceiver()
        self.mails: list[Mail] = []
        self._people, self._messages, self._more = people, messages, more
        self._interval_s = interval_s
        self._spec = {
            "events": [(self._after(at), what.value, place) for at, what, place in events],
            "air_c": self._course(air_c),
            "wind_m_s": self._course(wind_m_s),
            "sun_w": self._course(sun_w),
            "watts": watts,
            "measured": measured,
            "setup": self._design(),
            "flown_h": flown_h,
            "wrong": None if wrong is None else (self._after(wrong[0]), wrong[1]),
            "believed": believed,
            "seed": 5,
        }
        self._process: subprocess.Popen[str] | None = None

    # -- time

    def utc(self, time: str) -> float:
        """UTC seconds of a time."""
        day, _, clock = time.rpartition(" ")
        that_day = self.friday + timedelta(days=DAYS.index(day or "Sat"))
        return datetime.fromisoformat(f"{that_day}T{clock}").replace(tzinfo=ZONE).timestamp()

    def _after(self, time: str) -> float:
        return self.utc(time) - self.utc(self.start)

    def _course(self, course: Course) -> list[tuple[float, float]]:
        if isinstance(course, (int, float)):
            return [(0.0, course)]
        return [(self._after(time), value) for time, value in course]

    def written(self, time: str) -> str:
        """A time as a person writes it on the page."""
        return datetime.fromtimestamp(self.utc(time), ZONE).strftime("%Y-%m-%dT%H:%M")

    # -- beginning and end

    def _design(self) -> dict[str, object]:
        """The setup as the simulated engine has it, the same as in the settings."""
        known = {key: json.loads(value) for key, value in self._setup.items()}
        names = {"cowl_plugs": "plugs", "stands": "hangar", "heater": "heater", "cover": "cover"}
        return {names[key]: value for key, value in known.items() if key in names}

    def __enter__(self) -> Night:
        self.broker.start()
        self.post.__enter__()
        self.file = write_settings(self.folder, self._tables(), interval_s=self._interval_s)
        text = self.file.read_text("utf-8")
        for table in ("page", "planning"):
            if f"[{table}]" in self._more:
                text = re.sub(rf"^\[{table}\]\n(?:(?!\[).*\n)*", "", text, count=1, flags=re.MULTILINE)
        for key, value in self._setup.items():
            text = re.sub(rf"^{key} = \S+", f"{key} = {value}", text, count=1, flags=re.MULTILINE)
        text = text.replace("[aircraft]", '[aircraft]\nzone = "Europe/Oslo"', 1)
        self.file.write_text(text, "utf-8")
        self.store = self.folder / "probe-agent.db"
        migrate(self.store)
        self.boot(self.start)
        if self.departure is not None:
            self.until(self.start)
            self.plan(self.departure)
        return self

    def _tables(self) -> str:
        people = "".join(
            f'[[recipients]]\nname = "{name}"\naddress = "{self.post.address(name + "@example.org")}"\n'
            f"{keys}\n"
            for name, keys in self._people
        )
        broker = f'[broker]\nhost = "127.0.0.1"\nport = {self.broker.port}\n'
        return f"{broker}[messages]\nretry_s = 0.2\ntimeout_s = 5\n{self._messages}\n{people}{self._more}"

    def __exit__(self, kind: object, *_: object) -> None:
        try:
            if self._process is not None and kind is None:
                self.end()
        finally:
            if self._process is not None:
                self.power_cut()
            self.post.__exit__()
            self.broker.__exit__()
        if kind is None:
            self.check()
        else:
            self._collect()
            print(self.sql("SELECT mono_ms / 60000, new, reason FROM transitions"))
            print(*(f"{m.to[0]}: {m.subject} | {m.text}" for m in self.mails), sep="\n")

    def boot(self, at: str) -> None:
        """The board is powered up at that time, its monotonic clock at nought."""
        spec = {**self._spec, "settings": str(self.file), "start_utc": self.utc(at)}
        file = self.folder / "night.json"
        file.write_text(json.dumps({**spec, "engine_s": self._after(at)}), "utf-8")
        env = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}", "OPENBLAS_NUM_THREADS": "1"}
        self._log = (self.folder / "daemon.log").open("a")
        self._process = subprocess.Popen(
            [sys.executable, str(ROOT / "tests" / self.script), str(file)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._log,
            text=True,
            env=env,
        )

    def power_cut(self) -> None:
        """kill -9: nothing is said or committed any more."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(10)
        self._close_pipes()
        self._process = None

    def end(self) -> None:
        """A planned stop."""
        assert self._process is not None
        self._say("end")
        assert self._process.wait(30) == 0, self.log()
        self._close_pipes()
        self._collect()
        self._process = None

    def _close_pipes(self) -> None:
        assert self._process is not None
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
        self._log.close()

    def log(self) -> str:
        return (self.folder / "daemon.log").read_text("utf-8")

    # -- living

    def until(self, time: str) -> None:
        """Let the daemon live up to that time."""
        seconds = round(self._after(time))
        self._say(f"until {seconds}")
        assert self._process is not None
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == f"at {seconds}\n", self.log()
        self._collect()

    def _say(self, line: str) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n")
        self._process.stdin.flush()

    def _collect(self) -> None:
        while True:
            try:
                self.mails.append(self.post.mails.get_nowait())
            except queue.Empty:
                return

    # -- people

    def plan(self, departure: str, **wishes: object) -> str:
        """Somebody plans to start the engine at that time: the answer."""
        return self.tell("plan", start=self.written(departure), **wishes)

    def tell(self, kind: str, **body: object) -> str:
        """A tap on the page: its answer."""
        answer = await_answer(self.store, ask(self.store, kind, body), 20.0)
        assert answer is not None, self.log()
        told: dict[str, str] = json.loads(answer)
        return told["text"]

    def answer(self, kind: str, answer: str) -> str:
        """Somebody answers the open alert of that kind on the page."""
        alert = next(a for a in self.status().alerts if a.kind == kind)
        return self.tell("answer-alert", alert=alert.id, answer=answer)

    def received(self, code: str) -> str:
        """Somebody types the code of a test message at the board."""
        return self.tell("answer-link", hash=link_hash(code).hex())

    def page(self) -> FlaskClient:
        """The page, as a browser that keeps nothing sees it."""
        source = FileStatusSource(self.folder / "status.json")
        return create_app(source, self.store, load_settings(self.file)).test_client(use_cookies=False)

    # -- seeing

    def wait_for(self, true: Callable[[], bool], timeout_s: float = 20.0) -> None:
        """Return once `true` holds. Raises AssertionError."""
        deadline, pause = time.monotonic() + timeout_s, threading.Event()
        while not true():
            assert time.monotonic() < deadline, f"{self.status()} {self.log()}"
            pause.wait(0.05)

    def settled(self) -> None:
        """Return once nothing waits in the outbox."""
        waiting = "SELECT 1 FROM outbox WHERE delivered_at IS NULL AND dropped_reason IS NULL"
        self.wait_for(lambda: not self.sql(waiting))
        self._collect()

    def status(self) -> Status:
        status = status_in(self.folder)
        assert status is not None, self.log()
        return status

    def retained(self, topic: str) -> str | None:
        """What the broker holds under a topic of the device, such as engine/state."""
        found = retained_on(self.broker.port, f"homie/5/magpie/{topic}")
        seen = found.get(f"homie/5/magpie/{topic}")
        return None if seen is None else seen.payload.decode()

    def wait_retained(self, topic: str, value: str) -> None:
        """Return once the broker holds that value. Raises AssertionError."""
        self.wait_for(lambda: self.retained(topic) == value)

    def subjects(self, who: str = "pilot") -> list[str]:
        """What one recipient read, tests apart, without the aircraft's name."""
        mine = [m for m in self.mails if m.to == (f"{who}@example.org",)]
        return [m.subject.partition(": ")[2] for m in mine if "test message" not in m.subject]

    def body(self, part: str, who: str = "pilot") -> str:
        """The text of the first mail with that in its subject."""
        found = [m for m in self.mails if part in m.subject and m.to == (f"{who}@example.org",)]
        assert found, self.subjects(who)
        return re.sub(r"\r?\n\Z", "", found[0].text.replace("\r\n", "\n"))

    def times(self, part: str, who: str = "pilot") -> list[str]:
        """When the mails with that in their subject were measured, by their own head."""
        mine = [m for m in self.mails if part in m.subject and m.to == (f"{who}@example.org",)]
        return [m.text[4:9] for m in mine]

    def minutes(self, part: str, who: str = "pilot") -> list[int]:
        """Minutes of those mails after the first of them."""
        instants = [self.utc(time) for time in self.times(part, who)]
        return [round((at - instants[0]) / 60) for at in instants]

    def sql(self, text: str, *values: object) -> list[tuple[object, ...]]:
        db = sqlite3.connect(self.store, timeout=10)
        try:
            with db:
                return db.execute(text, values).fetchall()
        finally:
            db.close()

    def check(self) -> None:
        """Every text keeps to the rules, and nobody got more than the budget."""
        wrong = [c for m in self.mails for c in word_rules.complaints(m.subject, _plain(m.text))]
        assert wrong == []
        for who, _ in self._people:
            mine = [m for m in self.mails if m.to == (f"{who}@example.org",)]
            repeats = sum(int(n) for n in self._repeats(who))
            subjects = [m.subject for m in mine]
            assert word_rules.budget_complaints(subjects, repeats, self.most) == []

    def _repeats(self, who: str) -> list[object]:
        """1 for each delivered repeat of an alert for harm, or question anew whether somebody is there."""
        rows = self.sql(
            "SELECT 1 FROM outbox o JOIN alerts a ON o.dedupe_key LIKE a.alert || ':%' WHERE a.harm"
            " AND channel = ? AND delivered_at IS NOT NULL AND (o.dedupe_key NOT LIKE '%:0'"
            " OR a.kind = 'attended' AND a.rowid > (SELECT min(rowid) FROM alerts WHERE kind = 'attended'))",
            who,
        )
        return [n for (n,) in rows]


def _plain(text: str) -> str:
    return text.replace("\r\n", "\n").rstrip("\n")
