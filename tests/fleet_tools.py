"""What benches and fault runs of many boards share: a broker with the shipped limits, a bare subscriber that
measures delays, processes of boards, what a process costs."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

sys.path.insert(0, str(Path(__file__).parent))
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions
from real_broker import RealBroker

ROOT = Path(__file__).parents[1]
SHIPPED = ROOT / "deploy" / "broker" / "mosquitto.conf"
LIMITS = ("message_size_limit", "max_queued_messages", "max_connections")
PING_TOPIC = "bench/ping"
PING_S = 0.1
_TICKS_IN_A_S = os.sysconf("SC_CLK_TCK")


def shipped_limits(**instead: object) -> str:
    """The lines of the shipped mosquitto.conf that bound what it takes; `instead` replaces values."""
    lines = [line for line in SHIPPED.read_text("utf-8").splitlines() if line.startswith(LIMITS)]
    pairs = dict(line.split() for line in lines) | {key: str(value) for key, value in instead.items()}
    return "\n".join(f"{key} {value}" for key, value in pairs.items()) + "\nsys_interval 1\n"


class HubBroker(RealBroker):
    """A real mosquitto with the shipped limits, plain on loopback. kept: what is retained is saved to the
    folder each `autosave_s` seconds, as the shipped settings do each five minutes."""

    def __init__(self, folder: Path, autosave_s: int | None = None, **instead: object) -> None:
        super().__init__(folder, shipped_limits(**instead))
        if autosave_s is not None:
            kept = f"persistence true\npersistence_location {folder}/\nautosave_interval {autosave_s}\n"
            self._config.write_text(
                self._config.read_text("utf-8").replace("persistence false\n", kept), "utf-8"
            )

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid


@dataclass(frozen=True)
class Cost:
    """What a process has used: processor time [s], resident memory now and at most [MB]."""

    cpu_s: float
    rss_mb: float
    most_mb: float


def cost_of(pid: int) -> Cost:
    """Of a running process. Raises OSError where it has ended."""
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    status = Path(f"/proc/{pid}/status").read_text("utf-8")
    kb = {key: int(v) for key, v in re.findall(r"^(VmRSS|VmHWM):\s+(\d+) kB", status, re.MULTILINE)}
    used_s = (int(fields[11]) + int(fields[12])) / _TICKS_IN_A_S
    return Cost(used_s, kb["VmRSS"] / 1024, kb["VmHWM"] / 1024)


def quantile(values: list[float], share: float) -> float:
    """Of a list; nan where it is empty."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))] if values else float("nan")


class Watcher:
    """Context manager: a bare subscriber to what a hub's page hears. It keeps each board's $state, the delay
    of each document since its tick, the round trip of a small message, and the broker's own counts."""

    def __init__(self, port: int) -> None:
        self.changed = threading.Condition()
        self.states: dict[str, str] = {}
        self.document_s: list[float] = []
        self.ping_s: list[float] = []
        self.sys: dict[str, float] = {}
        self.documents = 0
        self._port = port
        self._over = threading.Event()
        self._client = self._make()
        self._thread = threading.Thread(target=self._ping)

    def _make(self) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.reconnect_delay_set(1, 1)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        return client

    def _on_connect(self, client: mqtt.Client, *_: object) -> None:
        topics = ("probe-agent/+/status", "homie/5/+/$state", PING_TOPIC, "$SYS/broker/#")
        client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in topics])

    def _on_message(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        now_s, topic = time.monotonic(), message.topic
        with self.changed:
            if topic.endswith("/$state"):
                self.states[topic.split("/")[2]] = message.payload.decode()
            elif topic == PING_TOPIC:
                self.ping_s.append(now_s - float(message.payload))
            elif topic.startswith("$SYS"):
                self._count(topic, message.payload)
            elif not message.retain and (said := re.search(rb'"mono_s":([0-9.]+)', message.payload)):
                self.documents += 1
                self.document_s.append(now_s - float(said[1]))
            self.changed.notify_all()

    def _count(self, topic: str, payload: bytes) -> None:
        try:
            self.sys[topic.removeprefix("$SYS/broker/")] = float(payload)
        except ValueError:
            return

    def _ping(self) -> None:
        while not self._over.wait(PING_S):
            if self._client.is_connected():
                self._client.publish(PING_TOPIC, repr(time.monotonic()).encode(), qos=1)

    def __enter__(self) -> Self:
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def forget(self) -> None:
        """Begin to measure anew; what boards have said stays known."""
        with self.changed:
            self.document_s, self.ping_s, self.documents = [], [], 0

    def ready(self) -> int:
        """How many boards are there."""
        return sum(state == "ready" for state in self.states.values())

    def wait_for(self, true: Callable[[], bool], timeout_s: float) -> bool:
        """Whether it came true in time, looked at after each message."""
        with self.changed:
            return self.changed.wait_for(true, timeout_s)


@dataclass
class Boards:
    """Context manager: a process of simulated boards. said: the last line it printed."""

    port: int
    first: int
    count: int
    seconds: float
    interval_s: float = 15.0
    log: Path | None = None
    said_file: Path | None = None
    said: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])

    def __enter__(self) -> Self:
        self.start()
        return self

    def start(self) -> None:
        """Begin, or begin anew after a kill."""
        pairs = {
            "--port": self.port,
            "--first": self.first,
            "--boards": self.count,
            "--seconds": self.seconds,
        }
        pairs |= {"--interval": self.interval_s} | ({"--said": self.said_file} if self.said_file else {})
        command = [sys.executable, "-m", "tests.simulated_fleet", *(str(w) for p in pairs.items() for w in p)]
        with (self.log or Path(os.devnull)).open("ab") as log:
            self.process: subprocess.Popen[bytes] = subprocess.Popen(
                command,
                cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
            )
        self._reader = threading.Thread(target=self._read, args=(self.process,))
        self._reader.start()

    def _read(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            self.said = json.loads(line)

    def kill(self) -> None:
        """kill -9."""
        self.process.kill()
        self._close()

    def _close(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(60)
        self._reader.join()
        self.process.stdout.close()

    def __exit__(self, *_: Any) -> None:
        if self.process.stdin is not None and not self.process.stdin.closed:
            self._close()
