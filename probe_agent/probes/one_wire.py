"""1-Wire probes as the Linux kernel shows them: enumeration by w1thermsensor, raw bytes decoded by us.

The package gives numbers for open and shorted thermocouples and one error for several faults, and the
kernel's `temperature` and `t=` hide faults; so only the nine bytes of `w1_slave` are believed. Each bus
is read on a thread of its own, so one that hangs holds up no other.
"""

from __future__ import annotations

import os
import re
import signal
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from probe_agent.readings import Fault, ProbeFault, Reading, Scan
from probe_agent.thermocouple import Failed, Measured, ThermocoupleType, decode_scratchpad

os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"  # else the import loads modules, waits and raises
from w1thermsensor import W1ThermSensor

DEVICES = Path("/sys/bus/w1/devices")

_BYTES = re.compile(r"((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)\s*\Z")
_CONFIRMED_WITHIN_C = 10.0  # exactly 85 °C this near to the reading before is no power-on content
_SETTLE_S = 2.0  # how long a conversion someone else started is waited for
_QUICKEST_CONVERSION_S = 0.05  # the shortest one takes 94 ms; a trigger that returns sooner has failed
_FROZEN_CYCLES, _FROZEN_S, _MOVED_C = 20, 1200.0, 2.0


class OneWireSource:
    """All thermometers on all 1-Wire buses of the board, and the addresses expected there."""

    name = "one-wire"

    def __init__(
        self,
        directory: Path = DEVICES,
        expected: Iterable[str] = (),
        thermocouples: Mapping[str, ThermocoupleType] | None = None,
        deadline_s: float = 10.0,
    ) -> None:
        """Nothing is read yet, and nothing need be there.

        Args:
            directory: where the kernel lists 1-Wire devices.
            expected: addresses, e.g. `3b-0000001921e8`, reported from the start, found or not.
            thermocouples: type of the wire at an address where it isn't K.
            deadline_s: real seconds after which a bus that hasn't answered is given up for this read.
        """
        self.deadline_s = deadline_s
        self._directory = directory
        self._buses: dict[str, str] = dict.fromkeys(expected, "")  # address → directory of its bus
        self._thermocouples = dict(thermocouples or {})
        self._busy: dict[str, threading.Thread] = {}
        self._last: dict[str, Measured | Failed] = {}
        self._freeze = FreezeWatch()
        self._sensors = _sensors_in(directory)

    @property
    def addresses(self) -> tuple[str, ...]:
        """Every address expected or ever seen."""
        return tuple(self._buses)

    def next_at(self, now_s: float) -> float | None:
        return now_s

    def read(self, now_s: float) -> Scan:
        """One sample an address, within deadline_s real seconds. An address that is gone is MISSING,
        one whose bus hangs is NO_ANSWER; both recover by themselves."""
        give_up_at = time.monotonic() + 0.9 * self.deadline_s  # the rest is for what follows
        found, problem = self._enumerate()
        self._buses |= {address: str(path.parent.parent) for address, path in found.items()}
        reads = self._start_reads(found)
        for read in reads.values():
            if read.thread is not None:
                read.thread.join(max(0.0, give_up_at - time.monotonic()))
        decoded: dict[str, Measured | Failed] = {}
        data: dict[str, bytes] = {}
        for address, bus in self._buses.items():
            if address not in found:
                decoded[address] = Failed(Fault.MISSING, problem or "not on any 1-Wire bus")
            else:
                answer = reads[bus].answers.get(address, _no_answer(bus))
                decoded[address] = self._decode(address, answer)
                data |= {} if isinstance(answer, Failed) else {address: answer}
        frozen = self._freeze.update(
            now_s, {a: (data[a], d.value_c) for a, d in decoded.items() if isinstance(d, Measured)}
        )
        return Scan(now_s, tuple(self._sample(a, now_s, d, a in frozen) for a, d in decoded.items()))

    def close(self) -> None:
        """Nothing is held open; a read that hangs is left to its daemon thread."""

    def _enumerate(self) -> tuple[dict[str, Path], str]:
        """The w1_slave file of each thermometer present, and what is wrong where there can be none."""
        try:
            sensors = self._sensors.get_available_sensors()
        except OSError as err:
            return {}, f"{self._directory}: {err.strerror}; is the 1-Wire bus switched on?"
        return {path.parent.name: _bus_path(path) for path in sorted(s.sensorpath for s in sensors)}, ""

    def _start_reads(self, found: Mapping[str, Path]) -> dict[str, _BusRead]:
        """A read for each bus; none is begun where the one before hasn't ended."""
        reads: dict[str, _BusRead] = {}
        for address, path in found.items():
            reads.setdefault(self._buses[address], _BusRead()).paths[address] = path
        self._busy = {bus: thread for bus, thread in self._busy.items() if thread.is_alive()}
        for bus, read in reads.items():
            if bus not in self._busy:
                name = f"1-wire {Path(bus).name}"
                read.thread = threading.Thread(target=read.run, args=(Path(bus),), name=name, daemon=True)
                self._busy[bus] = read.thread
                read.thread.start()
        return reads

    def _decode(self, address: str, answer: bytes | Failed) -> Measured | Failed:
        if isinstance(answer, Failed):
            return answer
        return decode_scratchpad(answer, int(address[:2], 16), self._thermocouples.get(address, "K"))

    def _sample(
        self, address: str, now_s: float, decoded: Measured | Failed, frozen: bool
    ) -> Reading | ProbeFault:
        before, self._last[address] = self._last.get(address), decoded
        if isinstance(decoded, Failed):
            return ProbeFault(address, now_s, decoded.fault, decoded.detail, decoded.cold_c)
        if decoded.may_be_power_on and not _confirms(before, decoded):
            detail = "85 °C may be power-on content"
            return ProbeFault(address, now_s, Fault.UNCONFIRMED, detail, raw_c=decoded.raw_c)
        if frozen:
            detail = "the same nine bytes again and again while others moved"
            return ProbeFault(address, now_s, Fault.STALE, detail, decoded.cold_c, decoded.raw_c)
        return Reading(address, now_s, decoded.raw_c, decoded.value_c, decoded.cold_c)


def _confirms(before: Measured | Failed | None, now: Measured) -> bool:
    """Whether exactly 85 °C is believed: the reading before was near it, or the same 85 °C."""
    return isinstance(before, Measured) and abs(before.value_c - now.value_c) <= _CONFIRMED_WITHIN_C


def _sensors_in(directory: Path) -> type[W1ThermSensor]:
    """The package's sensor class for that directory."""

    class Sensors(W1ThermSensor):  # type: ignore[misc]  # the package has no types
        BASE_DIRECTORY = directory

        def exists(self) -> bool:
            # A device whose directory vanishes meanwhile, or has no w1_slave, is listed too: the
            # package would raise, and one bad probe would hide all others.
            return True

    return Sensors


def _bus_path(slave_file: Path) -> Path:
    """The same file by way of its bus: devices are links to …/w1_bus_masterN/<address>."""
    return Path(os.path.realpath(slave_file.parent)) / slave_file.name


def _no_answer(bus: str) -> Failed:
    return Failed(Fault.NO_ANSWER, f"{Path(bus).name}: no answer in time")


@dataclass(slots=True)
class _BusRead:
    """One read of one bus. Answers come in one by one; those after the deadline are not looked at."""

    paths: dict[str, Path] = field(default_factory=dict)
    answers: dict[str, bytes | Failed] = field(default_factory=dict)
    thread: threading.Thread | None = None

    def run(self, bus: Path) -> None:
        """Convert all at once where the kernel offers it, then ask each probe."""
        # A signal would end the kernel's wait for a conversion early, and old content pass as new.
        signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
        convert_all(bus / "therm_bulk_read", self._discard)
        for address, path in self.paths.items():
            self.answers[address] = read_slave(path)

    def _discard(self) -> None:
        for path in self.paths.values():
            read_slave(path)


def read_slave(path: Path) -> bytes | Failed:
    """The nine bytes in a w1_slave file, or why there are none. Asks the probe once; never raises."""
    try:
        text = read_attribute(path)
    except (FileNotFoundError, NotADirectoryError):
        return Failed(Fault.MISSING, f"{path} is gone")
    except OSError as err:
        return Failed(Fault.NO_ANSWER, f"{path}: {err.strerror}")
    if not text.strip():
        return Failed(Fault.NO_ANSWER, "empty answer: bus error, or the conversion failed")
    first = text.splitlines()[0]
    match = _BYTES.match(first)
    if match is None:
        return Failed(Fault.CHECKSUM, f"not nine bytes: {first[:60]!r}")
    data = bytes.fromhex(match[1])
    if match[2] == "NO":
        return Failed(Fault.CHECKSUM, f"wrong checksum, says the kernel: {data.hex(' ')}")
    return data


def convert_all(trigger: Path, discard: Callable[[], None]) -> bool:
    """Whether all probes of a bus hold a conversion made now, by the kernel's therm_bulk_read.

    Where it is not offered, not permitted or fails, each probe converts when it is read. What a probe
    holds unread is what its next read returns, however old; so that is read and thrown away first, and
    again where the trigger fails: a bus that doesn't answer it is marked as converted all the same, and
    only the quick return tells. Source: Linux ABI sysfs-driver-w1_therm, w1_therm.c (state 0: nothing
    unread, −1: converting, 1: unread conversions).

    Args:
        trigger: the bus's therm_bulk_read.
        discard: reads each probe of the bus once.
    """
    if _bulk_state(trigger) == "1":
        discard()
    if _bulk_state(trigger) != "0":
        return False
    started = time.monotonic()
    try:
        write_attribute(trigger, b"trigger\n")
    except OSError:
        return False
    if time.monotonic() - started >= _QUICKEST_CONVERSION_S:
        return _bulk_state(trigger) == "1"
    if _bulk_state(trigger) == "1":
        discard()
    return False


def _bulk_state(trigger: Path) -> str:
    """What therm_bulk_read says once no conversion runs; "" where it isn't there."""
    give_up_at = time.monotonic() + _SETTLE_S
    pause = threading.Event()
    while True:
        try:
            state = read_attribute(trigger).strip()
        except OSError:
            return ""
        if state != "-1" or time.monotonic() > give_up_at:
            return state
        pause.wait(0.02)


def read_attribute(path: Path) -> str:
    """What one read of a sysfs attribute gives. It holds all of it, and for a probe each further read
    could cost a conversion. Raises OSError."""
    fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.read(fd, 4096).decode("ascii", "replace")
    finally:
        os.close(fd)


def write_attribute(path: Path, data: bytes) -> None:
    """Write a sysfs attribute in one piece. Raises OSError."""
    fd = os.open(path, os.O_WRONLY | os.O_CLOEXEC)
    try:
        os.write(fd, data)
    finally:
        os.close(fd)


@dataclass(slots=True)
class _Unchanged:
    """Since when an address gives the same bytes, and what all showed then."""

    data: bytes
    since_s: float
    values_c: dict[str, float]
    cycles: int = 0

    def is_frozen(self, address: str, now_s: float, values_c: Mapping[str, float]) -> bool:
        moved = [
            abs(value_c - self.values_c[other]) >= _MOVED_C
            for other, value_c in values_c.items()
            if other != address and other in self.values_c
        ]
        long_enough = self.cycles >= _FROZEN_CYCLES and now_s - self.since_s >= _FROZEN_S
        return long_enough and sum(moved) >= 2 and 2 * sum(moved) > len(moved)


class FreezeWatch:
    """Which addresses give the very same bytes for long while most others moved.

    The kernel's driver now and then hands back the sample before (a lost conversion, which no checksum
    shows); a chip or bus that does so for good looks like metal that never warms or never cools. Frozen
    is: bit-identical for 20 cycles and 20 minutes, in which most of the others, two at least, moved by
    2 °C (common practice, no source).
    """

    def __init__(self) -> None:
        self._unchanged: dict[str, _Unchanged] = {}

    def update(self, now_s: float, seen: Mapping[str, tuple[bytes, float]]) -> frozenset[str]:
        """The frozen addresses, given what each showed now: nine bytes and °C."""
        values_c = {address: value_c for address, (_, value_c) in seen.items()}
        unchanged: dict[str, _Unchanged] = {}
        for address, (data, _) in seen.items():
            entry = self._unchanged.get(address)
            if entry is None or entry.data != data:
                entry = _Unchanged(data, now_s, values_c)
            else:
                entry.cycles += 1
            unchanged[address] = entry
        self._unchanged = unchanged
        return frozenset(a for a, entry in unchanged.items() if entry.is_frozen(a, now_s, values_c))
