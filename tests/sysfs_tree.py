"""A 1-Wire sysfs tree as the Linux kernel lays it out, and a model of its bulk conversion.

Layout and texts: Linux documentation w1_therm.rst, ABI sysfs-driver-w1_therm, and drivers/w1/slaves/
w1_therm.c (6.1, 6.12).
"""

from __future__ import annotations

import os
import shutil
import threading
from pathlib import Path


def crc8_by_division(data: bytes) -> int:
    """CRC-8 x^8+x^5+x^4+1 by long division of the bit string, least significant bit first: written apart
    from the product's, from the definition in application note 27."""
    bits = [byte >> i & 1 for byte in data for i in range(8)] + [0] * 8
    for i in range(len(bits) - 8):
        if bits[i]:
            for power in (0, 3, 4, 8):  # x^8, x^5, x^4, x^0
                bits[i + power] ^= 1
    return sum(bit << i for i, bit in enumerate(bits[-8:]))


def scratchpad(first_eight: str) -> bytes:
    """Nine bytes: eight in hex, and their checksum."""
    data = bytes.fromhex(first_eight)
    assert len(data) == 8
    return data + bytes((crc8_by_division(data),))


def thermometer(value_c: float, byte_6: int = 0x10) -> bytes:
    """Scratchpad of a 12-bit thermometer (families 28, 22, 42)."""
    word = round(value_c * 16).to_bytes(2, "little", signed=True)
    return scratchpad((word + bytes((0x4B, 0x46, 0x7F, 0xFF, byte_6, 0x10))).hex())


def converter(reported_c: float, cold_c: float, faults: int = 0) -> bytes:
    """Scratchpad of a thermocouple converter (family 3b). faults: 1 open, 2 to ground, 4 to supply."""
    hot = (round(reported_c * 4) << 2 | bool(faults)).to_bytes(2, "little", signed=True)
    cold = (round(cold_c * 16) << 4 | faults).to_bytes(2, "little", signed=True)
    return scratchpad((hot + cold + bytes.fromhex("f0ffffff")).hex())


def kernel_millidegrees(data: bytes, family: int) -> int:
    """t= as w1_therm.c computes it: fault bits cleared, 16ths truncated toward zero."""
    if family == 0x10:
        halves = data[0] if data[1] == 0 else -(0x100 - data[0])
        per = data[7] or 1
        return int((halves >> 1) * 1000 - 250 + 1000 * (per - data[6]) / per)
    word = int.from_bytes(data[:2], "little", signed=True)
    if family == 0x3B and data[4] & 0x80:
        word &= ~3
    return int(word * 1000 / 16)


def w1_slave_text(data: bytes, family: int, verdict: str = "YES") -> str:
    line = data.hex(" ")
    crc = crc8_by_division(data[:8])
    return f"{line} : crc={crc:02x} {verdict}\n{line} t={kernel_millidegrees(data, family)}\n"


class W1Tree:
    """`directory` is what /sys/bus/w1/devices is on a board."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self.directory = root / "sys/bus/w1/devices"
        self.directory.mkdir(parents=True)

    def bus(self, number: int = 1) -> Path:
        """Directory of a bus master, made on first use."""
        name = f"w1_bus_master{number}"
        path = self._root / "sys/devices" / name
        if not path.exists():
            path.mkdir(parents=True)
            (self.directory / name).symlink_to(Path("../../../devices") / name)
        return path

    def put(self, address: str, data: bytes, bus: int = 1, verdict: str = "YES") -> None:
        """The probe is there and gives these bytes."""
        self.put_text(address, w1_slave_text(data, int(address[:2], 16), verdict), bus)

    def put_text(self, address: str, text: str, bus: int = 1) -> None:
        folder = self._slave(address, bus)
        new = folder / "w1_slave.new"
        new.write_text(text, "ascii")
        new.replace(folder / "w1_slave")  # as in sysfs, no reader ever sees half of it

    def fail(self, address: str, bus: int = 1) -> None:
        """What the kernel gives on a bus error, a wrong checksum and a failed conversion: nothing."""
        self.put_text(address, "", bus)

    def hang(self, address: str, bus: int = 1) -> None:
        """A read of the probe doesn't come back."""
        slave_file = self._slave(address, bus) / "w1_slave"
        slave_file.unlink(missing_ok=True)
        os.mkfifo(slave_file)

    def release(self, address: str, data: bytes, bus: int = 1) -> None:
        """Answer the read that hangs, and those that follow."""
        slave_file = self._slave(address, bus) / "w1_slave"
        fd = os.open(slave_file, os.O_WRONLY)
        text = w1_slave_text(data, int(address[:2], 16))
        self.put(address, data, bus)
        os.write(fd, text.encode())
        os.close(fd)

    def remove(self, address: str, bus: int = 1, leave_link: bool = False) -> None:
        """The kernel has forgotten the probe. leave_link: seen between the two steps of that."""
        shutil.rmtree(self.bus(bus) / address)
        if not leave_link:
            (self.directory / address).unlink()

    def _slave(self, address: str, bus: int) -> Path:
        folder = self.bus(bus) / address
        if not folder.exists():
            folder.mkdir()
            link = self.directory / address
            link.unlink(missing_ok=True)
            link.symlink_to(Path("../../../devices") / folder.parent.name / address)
        return folder


class BulkBus:
    """Reads and writes of one bus that offers therm_bulk_read, as w1_therm.c answers them.

    Replaces reads and writes of attributes, because the state of a plain file doesn't change by being
    read. `metal_c` is what a conversion started now finds; a probe holds its last conversion.
    """

    def __init__(self, tree: W1Tree, metal_c: dict[str, float], conversion_s: float = 0.1) -> None:
        self.bus = tree.bus()
        (self.bus / "therm_bulk_read").write_text("0\n")
        self.metal_c = metal_c
        self.conversion_s = conversion_s
        self.present = True  # answers the reset pulse
        self.writable = True
        self.held_c = dict.fromkeys(metal_c, 85.0)
        self.unread: set[str] = set()
        self.single_conversions = 0
        self.bulk_conversions = 0
        for address in metal_c:
            tree.put(address, thermometer(85.0))

    def read_attribute(self, path: Path) -> str:
        if path.name == "therm_bulk_read":
            return "1\n" if self.unread else "0\n"
        address = path.parent.name
        if address not in self.unread:
            self.single_conversions += 1
            self.held_c[address] = self.metal_c[address]
        self.unread.discard(address)
        return w1_slave_text(thermometer(self.held_c[address]), int(address[:2], 16))

    def write_attribute(self, path: Path, data: bytes) -> None:
        assert path == self.bus / "therm_bulk_read"
        if not self.writable:
            raise PermissionError(13, "Permission denied")
        if data != b"trigger\n":
            return  # accepted and ignored
        if self.present:
            self.bulk_conversions += 1
            self.held_c = dict(self.metal_c)
            threading.Event().wait(self.conversion_s)
        self.unread = set(self.metal_c)  # marked even where the reset failed and nothing was converted
