"""The second source of status documents: what boards leave on the broker, heard on a thread of its own."""

from __future__ import annotations

import time
from pathlib import Path

import msgspec
import paho.mqtt.client as mqtt

from probe_agent.config import Broker, SettingsError
from probe_agent.listening import Listener
from probe_agent.status import Status, StatusError
from web.club.heard import Heard

DOCUMENT, RUN = "probe-agent", "run"
SETTLED_S = 30.0
"""By then a broker has told what it retains."""


def now_s() -> float:
    """Our own clock [s]; it goes on while this machine sleeps, so that nothing looks younger afterwards."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class BoardSource:
    """One board's documents, as every page takes them."""

    def __init__(self, club: ClubSource, device: str) -> None:
        self._club, self._device = club, device

    def read(self) -> Status:
        """As StatusSource, with the curve. Raises StatusError."""
        board = self._club.heard.get(self._device)
        if board is None:
            raise StatusError(f"nothing was heard of {self._device}")
        return msgspec.structs.replace(board.whole(), age_s=board.age_s(now_s()))


class ClubSource:
    """The boards of one broker."""

    def __init__(self, broker: Broker, password: str | None) -> None:
        self.broker, self.heard = broker, Heard()
        topics = (f"{DOCUMENT}/+/status", f"{broker.domain}/5/+/$state", f"{broker.domain}/5/+/$alert/#")
        self.line = Listener("club", broker, topics, password, self._take, self._begin)
        self._begun_s: float | None = None

    def start(self) -> None:
        """Begin to listen, in the background."""
        self.line.start()

    def _begin(self) -> None:
        self.heard.begin()
        self._begun_s = now_s()

    def stop(self) -> None:
        """End."""
        self.line.stop()

    def of(self, device: str) -> BoardSource:
        """One board as a source."""
        return BoardSource(self, device)

    @property
    def trouble(self) -> str | None:
        """What is wrong between us and the broker, in a sentence; None while all is well."""
        where = f"The broker at {self.broker.host}:{self.broker.port}"
        if (told := self.line.trouble) is not None:
            return f"{where} can't be used{told}. All below is what was known then, and grows old."
        if not self.line.is_listening or self._begun_s is None:
            return f"{where} has not answered yet."
        stateless = sum(not b.state for b in self.heard.all())
        if stateless and now_s() - self._begun_s > SETTLED_S:
            boards = "1 board" if stateless == 1 else f"{stateless} boards"
            return (
                f"{where} tells no state of {boards}, so that a lost one is seen by its age alone. Either it "
                f"queues too few messages for one client (max_queued_messages), or its rules refuse us."
            )
        return None

    def _take(self, message: mqtt.MQTTMessage) -> None:
        """A message, with the listener's condition held."""
        parts, payload = message.topic.split("/"), bytes(message.payload)
        if parts[0] == DOCUMENT and len(parts) == 3:
            told = message.properties
            expiry_s = getattr(told, "MessageExpiryInterval", None)
            run = dict(getattr(told, "UserProperty", ())).get(RUN, "")[:80]
            self.heard.document(parts[1], payload, message.retain, expiry_s, run, now_s(), time.time())
        elif parts[3:] == ["$state"]:
            self.heard.state(parts[2], payload, message.retain)
        elif len(parts) > 4:
            self.heard.alert(parts[2], "/".join(parts[4:]), payload)


def password_of(broker: Broker) -> str | None:
    """The password that the settings name a file for. Raises SettingsError."""
    return None if broker.password_file is None else secret_in(broker.password_file, "broker.password_file")


def secret_in(file: str, key: str) -> str:
    """What a file of the settings holds, without blanks at its ends. Raises SettingsError."""
    try:
        return Path(file).read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as err:
        raise SettingsError(f"{key}: {file} can't be read ({getattr(err, 'strerror', err)}).") from err
