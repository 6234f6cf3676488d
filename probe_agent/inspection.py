"""The board looked over, as `probe-agent check` shows it: one finding a line, each trouble with its remedy.

It reads what the daemon reads, beside it or without it, and changes nothing but a small file that it
writes into the store's folder, reads back and removes.
"""

from __future__ import annotations

import http.client
import os
import sqlite3
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from probe_agent import backups, words
from probe_agent.clock import SystemClock
from probe_agent.config import Probe, Settings
from probe_agent.probes.one_wire import read_attribute, read_slave
from probe_agent.readings import Fault
from probe_agent.status import Status, StatusError, is_stale, read_status
from probe_agent.store import Reader, StoreError, StoreNewerError
from probe_agent.thermocouple import FAMILIES, Failed, Measured, decode_scratchpad

UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
"""What reading a damaged record raises; the second where the error quotes bytes that are no text."""
Level = Literal["ok", "note", "trouble"]

READS = 5
"""How often each probe is read: enough to see one that comes and goes, some seconds in all."""
NOISY_C = 1.5
"""Span of so many reads in a row above which a probe isn't quiet: six steps of a converter, 24 of a
thermometer; metal doesn't move so fast (common practice, no source)."""
FREE_BYTES = 200_000_000
"""Room for more than a year of readings and the nightly copy beside them (figures in README.md)."""
COPY_OLD_S = 36 * 3600.0
BACKUP_OLD_DAYS = 35.0
CHECK_S = 30.0
"""How long SQLite's own check of the record may take here."""
PAGE_S = 5.0


@dataclass(frozen=True, slots=True)
class Finding:
    """What was looked at, how it stands, and what to do about it."""

    subject: str
    level: Level
    text: str
    remedy: str = ""


def ok(subject: str, text: str) -> Finding:
    return Finding(subject, "ok", text)


def note(subject: str, text: str, remedy: str = "") -> Finding:
    return Finding(subject, "note", text, remedy)


def trouble(subject: str, text: str, remedy: str) -> Finding:
    return Finding(subject, "trouble", text, remedy)


def look_over(settings: Settings, reach_broker: Callable[[], str | None]) -> Iterator[Finding]:
    """Every finding, as soon as it is made.

    reach_broker: None where the broker takes us, else why not, in words; asked only where one is named.
    """
    record = _open(settings)
    try:
        for subject, part in _parts(settings, record, reach_broker):
            try:
                yield from part
            except Exception as err:  # whatever one part trips over, the others are told
                yield trouble(
                    subject,
                    f"could not be looked at: {type(err).__name__}: {err}",
                    "An error of this program; perhaps what it was reading is not as it should be.",
                )
    finally:
        if isinstance(record, Reader):
            record.close()


def _parts(
    settings: Settings, record: Reader | Exception, reach_broker: Callable[[], str | None]
) -> Iterator[tuple[str, Iterator[Finding]]]:
    """What is looked at, in order: a name for it where it fails, and its findings."""
    file = Path(settings.store.file)
    status = _status(settings)
    yield "1-Wire bus", _one_wire(settings, record)
    yield "clock", _clock(record)
    yield "disk", _disk(file)
    yield "record", _store(file, record)
    yield "daemon", _daemon(status)
    yield "probes on the broker", _remote_now(settings, record, status)
    if settings.broker.host is not None:
        yield "broker", _broker(settings, reach_broker)
    yield "messages", _channels(settings, record)
    yield "page", _page(settings)
    yield "plug", _switch(settings, status)
    yield "copy", _copy(file)
    yield "backup", _backup(file)


# -- the record, as far as it can be opened


def _open(settings: Settings) -> Reader | Exception:
    try:
        return Reader(Path(settings.store.file))
    except (StoreError, sqlite3.Error, OSError) as err:
        return err


def _last_at(record: Reader | Exception) -> float | None:
    """When the last committed reading was taken [UTC s]; None where that can't be read."""
    try:
        return None if isinstance(record, Exception) else record.last_at()
    except UNREADABLE:
        return None


def _tested(record: Reader | Exception) -> dict[str, tuple[float | None, float | None]]:
    try:
        return {} if isinstance(record, Exception) else record.tested()
    except UNREADABLE:
        return {}


def _bound(settings: Settings, record: Reader | Exception) -> tuple[dict[str, Probe], dict[str, float]]:
    """1-Wire address → probe as bound now, and address → correction in force [°C]."""
    told = {p.address: p for p in settings.probes if p.source == "one-wire"}
    if isinstance(record, Exception):
        return told, {}
    try:
        kinds = {address: probe.thermocouple for address, probe in told.items()}
        now = {
            address: Probe(place=place, address=address, thermocouple=kinds.get(address, "K"))
            for place, source, address in record.bindings()
            if source == "one-wire"
        }
        offsets = {c.address: c.offset_c for c in record.corrections() if c.in_force}
    except UNREADABLE:
        return told, {}
    return now or told, offsets


def _bound_remote(settings: Settings, record: Reader | Exception) -> dict[str, Probe]:
    """Place → probe on the broker, as bound now."""
    told = {p.address: p for p in settings.probes if p.source == "mqtt"}
    now = {p.place: p for p in told.values()}
    if isinstance(record, Exception):
        return now
    try:
        bound = {place: told[a] for place, kind, a in record.bindings() if kind == "mqtt" and a in told}
    except UNREADABLE:
        return now
    return bound or now


# -- 1-Wire


def _one_wire(settings: Settings, record: Reader | Exception) -> Iterator[Finding]:
    bindings, offsets_c = _bound(settings, record)
    directory = Path(settings.one_wire.directory)
    if not bindings:
        if any(p.source == "one-wire" for p in settings.probes) or not settings.probes:
            yield note(
                "probes", "no probe is bound to a place", "Name them under [[probes]] in the settings."
            )
        yield from _unbound(settings, bindings)
        return
    yield from _kernel(directory)
    if not directory.is_dir():
        yield trouble(
            "1-Wire bus",
            f"{directory} is not there: the bus isn't switched on",
            "Enable the kernel's 1-Wire overlay on the pin you wired, and reboot (hardware.md, Wiring).",
        )
        return
    buses = sorted(directory.glob("w1_bus_master*"))
    if not buses:
        yield trouble(
            "1-Wire bus",
            "the kernel has no bus: nothing drives the pin",
            "Enable the overlay w1-gpio on the pin you wired, and reboot (hardware.md, Wiring).",
        )
    present = sorted(p.name for p in directory.iterdir() if _is_thermometer(p.name))
    for bus in buses:
        yield from _bus(bus, [a for a in present if (bus / a).exists()])
    for address, probe in sorted(bindings.items(), key=lambda item: item[1].place):
        yield from _probe(settings, probe, address in present, offsets_c.get(address, 0.0))
    for address in present:
        if address not in bindings:
            yield note(
                f"probe {address}",
                "answers, and no place is bound to it",
                "probe-agent identify finds out which it is and binds it.",
            )
    yield from _unbound(settings, bindings)


def _kernel(directory: Path) -> Iterator[Finding]:
    """Whether the kernel's modules are loaded: /sys/bus/w1/devices lies in the same tree as /sys/module."""
    modules = directory.parents[2] / "module" if len(directory.parts) > 3 else Path("/sys/module")
    missing = [name for name in ("wire", "w1_therm") if not (modules / name).is_dir()]
    if missing:
        yield trouble(
            "kernel",
            f"the module {' and '.join(missing)} isn't loaded",
            "Run modprobe " + " ".join(m.replace("_", "-") for m in missing) + "; with the overlay it loads "
            "by itself at each start.",
        )
    else:
        yield ok("kernel", "wire and w1_therm are loaded")


def _is_thermometer(name: str) -> bool:
    try:
        return name[2:3] == "-" and int(name[:2], 16) in FAMILIES
    except ValueError:
        return False


def _bus(bus: Path, addresses: list[str]) -> Iterator[Finding]:
    subject = f"bus {bus.name}"
    if not addresses:
        yield trouble(
            subject,
            "no probe answers on it",
            "Look at ground, 3.3 V and the data line, at the pull-up from data to 3.3 V, and at the pin.",
        )
        return
    trigger = bus / "therm_bulk_read"
    count = f"{len(addresses)} {'probe' if len(addresses) == 1 else 'probes'}"
    if not trigger.exists():
        yield note(
            subject, f"{count}; they convert one after the other (the kernel offers no other way here)"
        )
    elif not os.access(trigger, os.W_OK):
        yield note(
            subject,
            f"{count}; they convert one after the other, for {trigger} may not be written",
            "deploy/install.sh sets a udev rule that allows it; then reboot.",
        )
    else:
        yield ok(subject, f"{count}, converting all at once")


def _probe(settings: Settings, probe: Probe, present: bool, offset_c: float) -> Iterator[Finding]:
    subject = words.place_name(probe.place)
    if not _is_thermometer(probe.address):
        yield trouble(
            subject,
            f"{probe.address} is no address of a thermometer",
            "Addresses look like 3b-0c98000000a1; probe-agent bind or identify gives it the right one.",
        )
        return
    if not present:
        yield trouble(
            subject,
            f"{probe.address} is on no bus",
            "Look at its plug and its address straps; ls /sys/bus/w1/devices shows who answers.",
        )
        return
    folder = Path(settings.one_wire.directory) / probe.address
    answers = _answers(folder, probe, settings.one_wire.deadline_s)
    good = [a for a in answers if isinstance(a, Measured)]
    failed = [a for a in answers if isinstance(a, Failed)]
    yield _read_finding(subject, good, failed, offset_c)
    if (power := _power(folder)) is not None:
        yield Finding(subject, *power)


def _answers(folder: Path, probe: Probe, deadline_s: float) -> list[Measured | Failed]:
    """So many reads of a probe, each for deadline_s at most; one that hangs is the last."""
    answers: list[Measured | Failed] = []
    for _ in range(READS):
        got: list[Measured | Failed] = []
        thread = threading.Thread(target=lambda box=got: box.append(_read(folder, probe)), daemon=True)
        thread.start()
        thread.join(deadline_s)
        if not got:
            return [*answers, Failed(Fault.NO_ANSWER, f"no answer within {deadline_s:g} s: the bus hangs")]
        answers += got
    return answers


def _read(folder: Path, probe: Probe) -> Measured | Failed:
    data = read_slave(folder / "w1_slave")
    if isinstance(data, Failed):
        return data
    return decode_scratchpad(data, int(probe.address[:2], 16), probe.thermocouple)


def _read_finding(subject: str, good: list[Measured], failed: list[Failed], offset_c: float) -> Finding:
    """How a probe reads: its values, or the fault, or that it comes and goes, or wanders."""
    if failed:
        fault = failed[-1].fault
        how = f"{len(failed)} of {len(good) + len(failed)} reads failed: " if good else ""
        detail = f" ({failed[-1].detail})" if failed[-1].detail else ""
        return trouble(subject, f"{how}{words.fault_words(fault)}{detail}", REMEDIES.get(fault, _BAD_LINE))
    raws = [m.raw_c for m in good]
    span_c = max(raws) - min(raws)
    last = good[-1]
    cold = f", its converter {last.cold_c:.1f} °C" if last.cold_c is not None else ""
    said = (
        f"raw {last.raw_c:.2f} °C, corrected {last.value_c + offset_c:.2f} °C{cold}, spread {span_c:.2f} °C"
    )
    if last.may_be_power_on and all(m.raw_c == last.raw_c for m in good):
        return trouble(
            subject, f"{said}: exactly 85 °C each time is what a chip shows that never converts", _NO_POWER
        )
    if span_c > NOISY_C:
        return trouble(
            subject,
            f"{said}: it wanders too much",
            "Lead its wires away from mains and ignition, put 10 nF across the thermocouple, and see whether "
            "a grounded junction touches the engine.",
        )
    return ok(subject, said)


_BAD_LINE = (
    "Look at its plug and leads; a shorter bus, a stronger pull-up or another supply helps where many fail."
)
_NO_POWER = "Give its VDD pin 3.3 V of its own and look at ground; a chip without supply doesn't convert."
REMEDIES = {
    Fault.OPEN: "Plug its thermocouple in, or replace it: a wire is broken or loose.",
    Fault.SHORT_GND: "Its thermocouple touches ground: use an ungrounded junction, look for bare wire.",
    Fault.SHORT_VDD: "Its thermocouple touches the supply: look for a crossed wire at its converter.",
    Fault.POWER_ON: _NO_POWER,
    Fault.WEAK_SUPPLY: _NO_POWER,
    Fault.LINE_LOW: "The data line is held low: look for a short between data and ground.",
}


def _power(folder: Path) -> tuple[Level, str, str] | None:
    """What the kernel says of its supply: 1 of its own, 0 from the data line (ABI sysfs-driver-w1_therm)."""
    try:
        said = read_attribute(folder / "ext_power").strip()
    except OSError:
        return None  # older kernels don't tell
    if said == "1":
        return None
    if said != "0":
        return "note", f"whether it has a supply of its own isn't known: the kernel says {said[:20]!r}", ""
    return "trouble", "it is fed from the data line (parasite power), too weak on a long bus", _NO_POWER


def _unbound(settings: Settings, bindings: dict[str, Probe]) -> Iterator[Finding]:
    bound = {p.place for p in bindings.values()}
    others = {p.place for p in settings.probes if p.source != "one-wire"}
    for place in settings.places:
        if place.required and place.name not in bound | others:
            yield trouble(
                words.place_name(place.name),
                "is required, and no probe is bound to it: nothing will ever say above target",
                "probe-agent identify binds one; or take required = true from the place.",
            )


# -- probes on the broker


def _remote_now(settings: Settings, record: Reader | Exception, status: Status | None) -> Iterator[Finding]:
    yield from _remote(_bound_remote(settings, record), status)


def _remote(bound: dict[str, Probe], status: Status | None) -> Iterator[Finding]:
    """What the daemon hears of each; whoever asks the broker once may come between two messages."""
    heard = {} if status is None or is_stale(status) else {p.place: p for p in status.probes}
    for place, probe in sorted(bound.items()):
        subject, where = words.place_name(place), f"{probe.address}, topic {probe.topic}"
        now = heard.get(place)
        if now is None:
            yield note(subject, f"{where}: what comes of it isn't known without the daemon")
        elif now.status == "ok" and now.c is not None:
            age = "" if now.age_s is None else f", {now.age_s:.0f} s old"
            yield ok(subject, f"{where}: corrected {now.c:.2f} °C{age}")
        else:
            yield trouble(
                subject,
                f"{where}: {words.fault_words(now.status)}",
                f"Look at its sender, and at topic, pointer and unit in the settings; mosquitto_sub -v -t "
                f"'{probe.topic}' shows what comes. A value older than {probe.stale_after_s:.0f} s is none.",
            )


# -- clock, disk, record, daemon


def _clock(record: Reader | Exception) -> Iterator[Finding]:
    known = SystemClock().utc_is_known()
    last_at = _last_at(record)
    if last_at is not None and last_at > time.time() + 120.0:
        yield trouble(
            "clock",
            f"it says {_utc(time.time())}, and the record goes to {_utc(last_at)}: it is behind",
            "Let the network set it (timedatectl), or set it by hand: date -u -s.",
        )
    elif not known:
        yield trouble(
            "clock",
            f"it says {_utc(time.time())}; nothing has set it since the start, and none here runs unpowered",
            "Let the network set it (timedatectl), or fit a clock chip with a battery. Plans wait for it.",
        )
    else:
        yield ok("clock", _utc(time.time()))


def _utc(at: float) -> str:
    try:
        return time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(at))
    except (ValueError, OverflowError, OSError):
        return f"no date there is ({at:g} s)"


def _disk(store: Path) -> Iterator[Finding]:
    folder = store.parent
    trial = folder / ".probe-agent-check"
    token = os.urandom(16)
    try:
        free = os.statvfs(folder)
        with trial.open("wb") as file:
            file.write(token)
            file.flush()
            os.fsync(file.fileno())
        held = trial.read_bytes()
        trial.unlink()
    except OSError as err:
        yield trouble(
            "disk",
            f"{folder}: {(err.strerror or str(err)).lower()}",
            "Nothing can be kept there. Look at the owner of the folder, at the card (dmesg), and at mount.",
        )
        return
    if held != token:
        yield trouble("disk", f"{folder} doesn't give back what was written", "Replace the card.")
        return
    left = free.f_bavail * free.f_frsize
    if left < FREE_BYTES:
        yield trouble(
            "disk",
            f"{left / 1e6:.0f} MB are free in {folder}",
            f"Make room: below {FREE_BYTES / 1e6:.0f} MB the nightly copy may not fit.",
        )
    else:
        yield ok("disk", f"{left / 1e9:.1f} GB are free, writing and reading back works")


def _store(file: Path, record: Reader | Exception) -> Iterator[Finding]:
    if isinstance(record, Exception):
        if not file.exists():
            yield note("record", f"{file} is not there yet", "The daemon makes it at its first start.")
        elif isinstance(record, StoreNewerError):
            yield trouble("record", str(record), "Install the version that wrote it.")
        else:
            yield trouble(
                "record", f"damaged, perhaps: {record}", "Restart the daemon; it sets a damaged record aside."
            )
        return
    found = record.checked(CHECK_S)
    if found is None:
        yield note(
            "record", f"too large to be checked in {CHECK_S:.0f} s", "The nightly copy is checked whole."
        )
    elif found != "ok":
        yield trouble(
            "record",
            f"{file} is damaged ({found})",
            "Restart the daemon: it sets it aside and takes the copy.",
        )
    else:
        last_at = _last_at(record)
        until = "no reading yet" if last_at is None else f"readings until {_utc(last_at)}"
        yield ok("record", f"{file.stat().st_size / 1e6:.1f} MB, checked, {until}")


def _status(settings: Settings) -> Status | None:
    try:
        return read_status(Path(settings.store.runtime_dir) / "status.json")
    except StatusError:
        return None


def _daemon(status: Status | None) -> Iterator[Finding]:
    start = "systemctl status probe-agent says why; journalctl -u probe-agent shows its last words."
    if status is None:
        yield trouble("daemon", "has written no status document: it isn't running", start)
        return
    if is_stale(status):
        yield trouble("daemon", f"its last status document is from {status.now}: it has stopped", start)
        return
    yield ok("daemon", f"runs, {status.verdict}")
    for text in status.notes:
        yield note("daemon", text)


# -- what leads outside


def _broker(settings: Settings, reach: Callable[[], str | None]) -> Iterator[Finding]:
    where = f"{settings.broker.host}:{settings.broker.port}"
    why = reach()
    if why is None:
        yield ok("broker", f"{where} takes us")
    else:
        yield trouble(
            "broker",
            f"{where} can't be used: {why}",
            "Look at host, port, tls, user and password under [broker], and whether it runs.",
        )


def _channels(settings: Settings, record: Reader | Exception) -> Iterator[Finding]:
    from probe_agent.messages import AddressError, address_of

    if not settings.recipients:
        yield note("messages", "nobody is told anything", "Name people under [[recipients]] in the settings.")
    tested = _tested(record)
    for recipient in settings.recipients:
        subject = f"messages to {recipient.name}"
        try:
            address_of(recipient)
        except AddressError as err:
            yield trouble(subject, str(err), "Write the channel into that file, readable by the daemon.")
            continue
        if tested.get(recipient.name, (None, None))[1] is None:
            yield trouble(
                subject,
                "has not answered a test message: nobody knows whether words arrive",
                "Let them answer it by its link, or probe-agent received CODE at the board.",
            )
        else:
            yield ok(subject, "has answered a test message")
    if settings.watchdog.url_file is not None and not os.access(settings.watchdog.url_file, os.R_OK):
        yield trouble(
            "watchdog",
            f"{settings.watchdog.url_file} can't be read",
            "Write the address into it, alone, readable by the daemon.",
        )


def _page(settings: Settings) -> Iterator[Finding]:
    yield _page_finding(settings)


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """The page leads nowhere else; whoever does is another program."""

    def http_error_302(self, req: Any, fp: Any, code: int, msg: str, headers: Any) -> None:
        return None

    http_error_301 = http_error_303 = http_error_307 = http_error_308 = http_error_302


def _page_finding(settings: Settings) -> Finding:
    host = settings.page.listen
    host = "127.0.0.1" if host in ("0.0.0.0", "::", "") else host
    address = f"http://[{host}]" if ":" in host else f"http://{host}"
    address += f":{settings.page.port}/api/status"
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}), _NoRedirect)
    try:
        with opener.open(address, timeout=PAGE_S) as answer:
            answer.read(1)
    except urllib.error.HTTPError as err:
        err.close()
        if err.code in (401, 403, 503):  # it answers: for paired phones alone, or without a daemon
            return ok("page", f"{address.removesuffix('/api/status')}/ answers")
        return trouble(
            "page", f"it answers with status {err.code}", "journalctl -u probe-agent-web says why."
        )
    except http.client.HTTPException as err:
        return trouble(
            "page",
            f"what answers at {address.removesuffix('/api/status')}/ isn't the page ({type(err).__name__})",
            "Another program has that port: choose another under [page] port, then restart the page.",
        )
    except (OSError, ValueError) as err:
        reason = getattr(err, "reason", err)
        why = getattr(reason, "strerror", None) or str(reason)
        return trouble(
            "page",
            f"nothing answers at {address.removesuffix('/api/status')}/ ({str(why).lower()})",
            "systemctl status probe-agent-web says why; without the unit: probe-agent-web --settings FILE.",
        )
    return ok("page", f"{address.removesuffix('/api/status')}/ answers")


def _switch(settings: Settings, status: Status | None) -> Iterator[Finding]:
    if settings.switch is None:
        return
    plug = None if status is None else status.plug
    if plug is None:
        yield note("plug", "what the plug says isn't known without the daemon")
    elif not plug.tested:
        yield trouble(
            "plug",
            "its own timer has not passed the test: nothing is switched on",
            "At the aircraft: probe-agent test-plug-timer --at-the-plug.",
        )
    else:
        yield ok("plug", "its own timer has passed the test")


def _copy(store: Path) -> Iterator[Finding]:
    copy = store.with_name(store.name + ".copy")
    try:
        age_s = time.time() - copy.stat().st_mtime
    except OSError:
        yield note("copy", "there is no nightly copy yet", "The daemon makes one each night.")
        return
    if age_s > COPY_OLD_S:
        yield trouble(
            "copy",
            f"the last nightly copy is {age_s / 86400:.1f} days old",
            "Look at disk space and at journalctl -u probe-agent around three in the morning UTC.",
        )
    else:
        yield ok("copy", f"made {age_s / 3600:.0f} h ago, checked then")


def _backup(store: Path) -> Iterator[Finding]:
    """Backups a person made: the nightly copy lies on the record's own card and dies with it."""
    do = "probe-agent backup /media/stick/magpie-2026-11-27, onto a stick or another disk."
    try:
        known = backups.known(store)
    except StoreError as err:
        yield note("backup", str(err), do)
        return
    if (last := known.elsewhere) is not None and last.days(time.time()) <= BACKUP_OLD_DAYS:
        yield ok("backup", f"by hand {last.ago(time.time())} into {last.folder}, checked then")
    elif last is not None:
        yield note("backup", f"the last by hand is of {last.ago(time.time())}, into {last.folder}", do)
    elif (near := known.same_card) is not None:
        where = f"by hand {near.ago(time.time())} into {near.folder}"
        yield note("backup", f"{where}: on the record's own card, and lost with it", f"Carry it off, or {do}")
    else:
        yield note("backup", "none by hand is known: a dead card takes record and nightly copy along", do)
