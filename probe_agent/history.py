"""History onwards: the record's committed readings to whoever keeps them elsewhere, by the broker.

The upper half is pure: a piece of the record becomes a message, a receipt says how far all has arrived. The
lower half sends on a thread and a connection of its own, one message at a time, at a pace that no backlog
hurries, and reads the record by a connection of its own. Nothing waits for it.

At least once, to the far end: where a receipt is to be had it alone counts, since a broker that is killed may
lose what it has acknowledged. Where none ever was, the broker's acknowledgement counts. What comes twice is
known by its run and tick, which never change (`store.onwards`). Messages are described by
deploy/broker/history.schema.json.
"""

from __future__ import annotations

import logging
import math
import sqlite3
import threading
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import msgspec
import paho.mqtt.client as mqtt

from probe_agent import pulse
from probe_agent.config import Broker
from probe_agent.connecting import Delays, client_id, why
from probe_agent.connection import Connection
from probe_agent.couriers import Watched
from probe_agent.pulse import Pulse
from probe_agent.store import Going, GoneTo, Piece, RunClock, SentTick, Store, StoreError

log = logging.getLogger(__name__)

VERSION = 1
MOST_TICK = 2**53
MOST_TICKS = 120
MOST_BYTES = 32_000
"""What a message holds at most: half an hour of ticks each 15 s, well below what brokers take."""
FIRST_DELAY_S, LONGEST_DELAY_S = 5.0, 120.0
NOBODY_S = 900.0
"""The longest wait after the broker has said that nobody listens [s]."""
SAVE_S = 3600.0
"""How often at most the place is written on its own [s]: what a restart repeats costs less than commits."""
STOP_S = 4.0
_NO_SUBSCRIBER = 0x10
"""MQTT 5, 3.4.2.1: taken, and there is nobody to have it."""


@dataclass(frozen=True, slots=True)
class Pace:
    """between_s: from one message to the next; poll_s: between looks for new ticks; nobody_s: after the
    broker has first said that nobody listens, doubled each time; grace_s: for a retained receipt after it
    has taken our subscription; patience_s, longest_s: without progress in receipts until everything after
    the last one is sent again, doubled each time [s].
    """

    between_s: float = 2.0
    poll_s: float = 10.0
    nobody_s: float = 10.0
    grace_s: float = 2.0
    patience_s: float = 120.0
    longest_s: float = 21_600.0


# -- messages and receipts, pure


def topic_of(device: str) -> str:
    """The topic of a board's history; receipts come on the one below it, `arrived`."""
    return f"probe-agent/{device}/history"


def message_of(device: str, piece: Piece, sent_at: float, simulated: bool) -> bytes:
    """A piece as JSON. sent_at: now, as the board has it [UTC s]."""
    return msgspec.json.encode(
        {
            "version": VERSION,
            "device": device,
            "boot": piece.boot,
            "run": piece.run,
            "sequence": piece.ticks[0].tick if piece.ticks else piece.upto,
            "upto": piece.upto,
            "after": None
            if piece.after is None
            else {"run": piece.after[0], "tick": piece.after[1], "clock": _clock(piece.after[2])},
            "clock": _clock(piece.clock),
            "simulated": simulated,
            "sent_at": _utc(round(sent_at * 1000)),
            "ticks": [_tick(tick, piece.clock.offset_ms) for tick in piece.ticks],
        }
    )


def _clock(clock: RunClock) -> dict[str, Any]:
    return {"ok": clock.ok, "offset_ms": clock.offset_ms, "as_of": clock.as_of}


def _tick(tick: SentTick, offset_ms: int) -> dict[str, Any]:
    return {
        "tick": tick.tick,
        "at": _utc(tick.mono_ms + offset_ms),
        "mono_ms": tick.mono_ms,
        "heater": tick.heater_share,
        "places": tick.places,
    }


def _utc(at_ms: int) -> str:
    at = datetime.fromtimestamp(at_ms // 1000, UTC)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"


def fitting(device: str, piece: Piece, sent_at: float, simulated: bool) -> tuple[Piece, bytes]:
    """The piece, or as much of its beginning as a message holds, and the message."""
    while len(payload := message_of(device, piece, sent_at, simulated)) > MOST_BYTES and len(piece.ticks) > 1:
        few = piece.ticks[: max(1, min(len(piece.ticks) - 1, len(piece.ticks) * MOST_BYTES // len(payload)))]
        piece = replace(piece, ticks=few, upto=few[-1].tick)
    return piece, payload


class Arrived(msgspec.Struct, frozen=True):
    """That of this run, and of all before it, everything up to a tick has arrived; and what is known there of
    its clock."""

    run: str
    tick: int
    offset_ms: int | None = None
    clock_ok: bool | None = None


class Receipt(msgspec.Struct, frozen=True):
    """What the receiver says: the newest runs it knows of this board, the newest first."""

    version: int
    arrived: tuple[Arrived, ...]


def read_receipt(payload: bytes) -> Receipt | None:
    """None for what is no receipt of ours."""
    try:
        found = msgspec.json.decode(payload, type=Receipt)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None
    sound = found.version == VERSION and all(0 <= a.tick <= MOST_TICK for a in found.arrived)
    return found if sound else None


# -- the courier


class RefusedError(ConnectionError):
    """The broker's access rules don't allow what history needs; the text says which topic."""


class HistoryCourier:
    """Brings committed readings onwards for as long as the daemon runs.

    simulated: whether the engine or its time is not a real one.
    """

    def __init__(
        self,
        settings: Broker,
        device: str,
        record: Store,
        password: str | None,
        simulated: bool = False,
        pace: Pace | None = None,
        first_delay_s: float = FIRST_DELAY_S,
    ) -> None:
        self.topic = topic_of(device)
        self._settings, self._device, self._password = settings, device, password
        self._record, self._simulated, self._pace = record, simulated, pace or Pace()
        self._going = Going(record.path)
        self._delays = Delays(first_delay_s, LONGEST_DELAY_S)
        self._stopping = threading.Event()
        self._thread = Watched("history", self._run, self._stopping)
        self._pulse = Pulse("history")
        self.pulses = (self._pulse,)
        self._trouble: str | None = None
        self._sent: GoneTo | None = None
        """The last that was acknowledged, or said by a receipt on connecting."""
        self._arrived: GoneTo | None = None
        """The last receipt's place in this record; None where there never was one."""
        self._saved: tuple[GoneTo, bool] | None = None
        self._saved_s = -math.inf
        self._receipts: list[bytes] = []
        self._progress_s = 0.0
        self._patience_s = self._pace.patience_s
        self._alone = False
        """Whether the broker has said that nobody listens; then one tick is tried now and then."""
        self._tries = Delays(self._pace.nobody_s, NOBODY_S)

    def start(self) -> None:
        """Begin, in the background."""
        self._pulse.expect(pulse.NETWORK_S)
        self._thread.start()

    def stop(self) -> None:
        """Keep the place, and end."""
        self._stopping.set()
        self._thread.join(STOP_S)

    @property
    def trouble(self) -> str | None:
        """What keeps readings from going onwards, in a sentence; a broker out of reach is the other courier's
        to tell. Asked with each tick, so here its thread is seen to live."""
        self._thread.look()
        return self._trouble

    # -- on the thread

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._pulse.beat(pulse.NETWORK_S)
            try:
                self._serve()
            except (sqlite3.Error, StoreError) as err:
                self._trouble = f"Readings don't go onwards: the record does not answer ({err})."
                self._going.close()
            except RefusedError as err:
                self._trouble = f"Readings don't go onwards: {err}."
            except OSError as err:
                log.info("history: %s", why(err))
            except Exception:  # whatever it is, the next connection starts afresh
                log.exception("history: connection given up")
            self._stopping.wait(self._delays.next_s())
        self._going.close()

    def _serve(self) -> None:
        """One connection from its first packet to its end. Raises OSError, sqlite3.Error."""
        self._name_run()
        line = Connection(
            self._settings,
            client_id(f"history-{self._device}"),
            self._password,
            "history",
            self._hear,
            stopping=self._stopping,
            broke="the connection ended ({})",
        )
        try:
            line.open()
            self._begin(line)
            self._delays.begin_again()
            next_s = time.monotonic()
            while not self._stopping.is_set():
                self._pulse.beat(pulse.NETWORK_S)
                self._take_receipts()
                if time.monotonic() >= next_s:
                    next_s = time.monotonic() + self._go_on(line)
                self._wait(line, next_s - time.monotonic())
        finally:
            line.close(politely=True)
            self._save(at_once=self._stopping.is_set())

    def _name_run(self) -> None:
        name = self._going.run_name(self._record.boot)
        if self._record.kept(name) is None:
            self._record.keep(name, uuid4().hex[:16])

    def _begin(self, line: Connection) -> None:
        """From where: after the last receipt where there is one, else after what is kept."""
        receipts = f"{self.topic}/arrived"
        asked = line.subscribe([receipts], qos=1)
        if not line.answered(asked) or asked.refused:
            raise RefusedError(f"the broker refuses topic {receipts}; its access rules must allow it")
        if self._arrived is None:
            kept, by_receipt = self._going.kept()
            self._sent = self._sent or kept
            if by_receipt:
                self._arrived = kept
        self._wait(line, self._pace.grace_s)
        self._take_receipts()
        if self._arrived is not None:
            self._sent = self._arrived
        self._progress_s = time.monotonic()

    def _wait(self, line: Connection, wait_s: float) -> None:
        line.until(lambda: bool(self._receipts), wait_s)

    def _hear(self, message: mqtt.MQTTMessage) -> None:
        self._receipts.append(bytes(message.payload))

    def _take_receipts(self) -> None:
        """The newest receipt counts, also where it says less than the one before: the receiver may have lost
        what it had."""
        while self._receipts:
            receipt = read_receipt(self._receipts.pop(0))
            if receipt is None:
                log.warning("history: a message on %s/arrived is no receipt", self.topic)
                continue
            place = self._going.place_of([(a.run, a.tick, a.offset_ms, a.clock_ok) for a in receipt.arrived])
            if place != self._arrived:
                if self._arrived is None or place.tick > self._arrived.tick:
                    self._patience_s = self._pace.patience_s
                self._arrived, self._progress_s = place, time.monotonic()

    def _go_on(self, line: Connection) -> float:
        """Send what is to go next, and wait for its acknowledgement; how long to wait then [s]."""
        self._save()
        assert self._sent is not None
        now_s = time.monotonic()
        if self._arrived == self._sent:
            self._progress_s = now_s
        elif self._arrived is not None and self._is_stalled(now_s):
            log.info("history: sent again from tick %d on", self._arrived.tick)
            self._sent, self._progress_s = self._arrived, now_s
        piece = self._going.piece_after(self._sent, 1 if self._alone else MOST_TICKS)
        if piece is None:
            self._trouble = None
            return self._pace.poll_s
        piece, payload = fitting(self._device, piece, time.time(), self._simulated)
        code = self._send(line, payload)
        if code is None:
            return 0.0  # told to stop meanwhile
        self._trouble = None
        self._alone = code == _NO_SUBSCRIBER
        if self._alone:
            return self._tries.next_s()
        self._tries.begin_again()
        self._sent = GoneTo(piece.upto, piece.clock.offset_ms, piece.clock.ok)
        return self._pace.between_s

    def _send(self, line: Connection, payload: bytes) -> int | None:
        """The broker's reason code; None where we are to stop. Raises OSError."""
        sent = line.publish(self.topic, payload, content_type="application/json")
        line.answered(sent, math.inf)
        if sent.refused:
            raise RefusedError(f"the broker refuses topic {self.topic}; its access rules must allow it")
        return None if sent.codes is None else sent.codes[0]

    def _is_stalled(self, now_s: float) -> bool:
        """Whether receipts have stood still for too long; the next time they may for twice as long."""
        if now_s - self._progress_s < self._patience_s:
            return False
        self._patience_s = min(2 * self._patience_s, self._pace.longest_s)
        return True

    def _save(self, at_once: bool = False) -> None:
        """Keep the place where it has moved: by receipts, where there are any."""
        place = (self._arrived, True) if self._arrived is not None else (self._sent, False)
        now_s = time.monotonic()
        if place[0] is None or place == self._saved or (not at_once and now_s - self._saved_s < SAVE_S):
            return
        found = (place[0], place[1])
        try:
            self._record.keep(*self._going.as_kept(*found))
            self._saved, self._saved_s = found, now_s
        except sqlite3.Error as err:
            log.warning("history: the place can't be kept (%s)", err)
            self._saved_s = now_s
