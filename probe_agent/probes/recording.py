"""A recording as a source: CSV `time,<place…>,ambient,heater`, read line by line as a stream.

`read_rows` is the one place where such text becomes numbers; the daemon and the pure replay both
use it, so a row means the same to both. Nothing here looks further ahead than the next row.
"""

from __future__ import annotations

import csv
import math
import os
import re
import select
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from probe_agent.readings import Fault, ProbeFault, Reading, Scan

TIME, AMBIENT, HEATER = "time", "ambient", "heater"

COLDEST_C, HOTTEST_C = -200.0, 1400.0
"""The span of a type K thermocouple, about; beyond it a cell holds something else."""
_LONGEST_WORD = 300
"""Of what a refusal says of a line that may be anything."""
_YEARS = range(1900, 2200)
_LONGEST_LINE = 65_536  # what has no line end by then is no recording; handed on to be refused
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z", re.ASCII)


class RecordingError(ValueError):
    """A recording that can't be used; the text says file, line, column and remedy."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a recording.

    t_s: seconds since the first row. time_s: the file's own time, epoch seconds [s] where it is ISO
    8601. utc: the same epoch seconds, None where the file counts seconds of its own. values: °C of
    each place, ambient not among them; None is an empty cell. heater: share 0…1 of the largest value
    seen up to this row, 0 = off (a number below 0 is a meter's noise and counts as off).
    """

    t_s: float
    time_text: str
    is_iso: bool
    time_s: float
    utc: float | None
    values: dict[str, float | None]
    ambient: float | None
    heater: float | None


def read_rows(lines: Iterable[str], name: str, ignore: Iterable[str] = ()) -> Rows:
    """An iterator of the rows in the lines of a recording; the header is read at once.

    Args:
        lines: text lines, taken one at a time and only when the next row is asked for.
        name: how refusals call the file.
        ignore: columns whose cells are not looked at; one that isn't there is no error.

    Raises RecordingError, here for the header, and from the iterator for a row.
    """
    return Rows(lines, name, ignore)


class Rows(Iterator[Row]):
    """The rows of one recording, in order; `places`, `has_ambient` and `has_heater` from its header."""

    def __init__(self, lines: Iterable[str], name: str, ignore: Iterable[str] = ()) -> None:
        self._lines = iter(lines)
        self._name = name
        self._line_no = 0
        self._largest_heater = 0.0
        self._first_s: float | None = None
        self._last: Row | None = None
        ignored = frozenset(ignore)
        self._columns = self._read_header()
        if TIME in ignored:
            raise self._refuse("the time column can't be ignored", "Leave time out of the ignored columns")
        self._kept = [c if c and c not in ignored else None for c in self._columns]
        names = [c for c in self._kept if c is not None]
        self.has_ambient = AMBIENT in names
        self.has_heater = HEATER in names
        self.places = tuple(c for c in names if c not in (TIME, AMBIENT, HEATER))
        if not self.places:
            raise self._refuse(
                "no column with temperatures is left",
                "Name at least one place in the header and ignore fewer",
            )

    def __next__(self) -> Row:
        text = self._next_line()
        if text is None:
            if self._last is None:
                raise self._refuse("there are no rows below the header", "Check that the file is whole")
            raise StopIteration
        row = self._parse_row(self._cells(text))
        self._last = row
        return row

    def _read_header(self) -> list[str]:
        text = self._next_line()
        if text is None:
            raise self._refuse("the file is empty", f"The first line names the columns: {TIME},<place…>")
        columns = [c.strip() for c in self._cells(text.removeprefix("\ufeff"))]
        if TIME not in columns:
            raise self._refuse(
                f"there is no column named {TIME} among {', '.join(map(repr, columns))}",
                "Name the columns in the first line, separated by commas, in small letters",
            )
        for i, column in enumerate(columns):
            if not column and i < len(columns) - 1:
                raise self._refuse(f"column {i + 1} has no name", "Give it one, or remove the doubled comma")
            if column in columns[:i]:
                raise self._refuse(f"column {column} is there twice", "Rename or remove one of the two")
        return columns

    def _parse_row(self, cells: list[str]) -> Row:
        cells = self._check_width(cells)
        numbers: dict[str, float | None] = {}
        time_text = ""
        for column, cell in zip(self._kept, cells, strict=True):
            if column == TIME:
                time_text = cell
            elif column is not None:
                numbers[column] = self._number(column, cell)
        time_s, is_iso = self._time(time_text)
        if self._first_s is None:
            self._first_s = time_s
        return Row(
            t_s=time_s - self._first_s,
            time_text=time_text,
            is_iso=is_iso,
            time_s=time_s,
            utc=time_s if is_iso else None,
            values={place: numbers[place] for place in self.places},
            ambient=numbers.get(AMBIENT),
            heater=self._share(numbers.get(HEATER)),
        )

    def _check_width(self, cells: list[str]) -> list[str]:
        """The cells, one for each column; an empty one after a comma that ends the row is dropped."""
        width = len(self._columns)
        if len(cells) == width + 1 and not cells[-1].strip():
            cells = cells[:-1]
        if len(cells) != width:
            raise self._refuse(
                f"{len(cells)} cells for {width} columns ({', '.join(self._columns)})",
                "Give each column one cell, an empty one where the value is missing; a last row cut short "
                "must go",
            )
        cells = [c.strip() for c in cells]
        if not self._columns[-1] and cells[-1]:
            raise self._refuse(f"column {width} has a value and no name", "Name it in the header")
        return cells

    def _number(self, column: str, cell: str) -> float | None:
        if not cell:
            return None
        value = float(cell) if _NUMBER.match(cell) else math.nan
        if not math.isfinite(value):
            raise self._refuse(
                f"column {column}: {cell[:40]!r} is not a number",
                "Write it with a decimal point, leave the cell empty if the value is missing, "
                "or ignore the column",
            )
        if column != HEATER and not COLDEST_C <= value <= HOTTEST_C:
            raise self._refuse(
                f"column {column}: {value:g} is no temperature in °C of an engine or of air",
                f"Write {COLDEST_C:g} to {HOTTEST_C:g}, leave the cell empty, or ignore the column",
            )
        return value

    def _time(self, cell: str) -> tuple[float, bool]:
        """The row's time [s] and whether it is ISO 8601; without a zone ISO 8601 is taken as UTC."""
        is_iso = False
        if _NUMBER.match(cell):
            time_s = float(cell)
        else:
            try:
                stamp = datetime.fromisoformat(cell)
                time_s = (stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).timestamp()
                is_iso = True
                if stamp.year not in _YEARS:
                    time_s = math.nan
            except (ValueError, OverflowError):
                time_s = math.nan
        if not abs(time_s) < 1e12:
            raise self._refuse(
                f"column {TIME}: {cell[:40]!r} is no time",
                "Write seconds, or ISO 8601 such as 2026-01-31T06:15:00Z",
            )
        self._check_order(time_s, is_iso, cell)
        return time_s, is_iso

    def _check_order(self, time_s: float, is_iso: bool, cell: str) -> None:
        if (last := self._last) is None:
            return
        if is_iso != last.is_iso:
            raise self._refuse(
                f"column {TIME}: {cell!r} after {last.time_text!r}", "Use seconds or ISO 8601 all through"
            )
        if time_s <= last.time_s:
            raise self._refuse(
                f"column {TIME}: {cell} is not later than the row before ({last.time_text})",
                "Sort the rows by time and remove doubled ones",
            )

    def _share(self, heater: float | None) -> float | None:
        if heater is None:
            return None
        self._largest_heater = max(self._largest_heater, heater)
        return max(heater, 0.0) / self._largest_heater if self._largest_heater > 0 else 0.0

    def _next_line(self) -> str | None:
        """The next line that isn't blank; None at the end."""
        try:
            for line in self._lines:
                self._line_no += 1
                if line.strip("\ufeff \t\r\n"):
                    return line
        except UnicodeDecodeError as err:
            self._line_no += 1
            raise self._refuse("the text is not UTF-8", "Save the file as UTF-8") from err
        except OSError as err:
            raise self._refuse(f"reading fails ({err.strerror})", "Check the name and the medium") from err
        return None

    def _cells(self, line: str) -> list[str]:
        # One line a row: a quote left open is refused here instead of swallowing the rows that follow.
        try:
            return next(csv.reader([line], strict=True))
        except csv.Error as err:
            raise self._refuse(f"the line is not CSV ({err})", "Check its quotes and line ends") from err

    def _refuse(self, what: str, remedy: str) -> RecordingError:
        short = what if len(what) <= _LONGEST_WORD else f"{what[:_LONGEST_WORD]}…"
        return RecordingError(f"{self._name}: line {max(self._line_no, 1)}: {short}. {remedy}.")


def open_recording(path: Path) -> int:
    """A descriptor of a recording, for the caller to close. Raises RecordingError."""
    try:
        if path.is_dir():
            raise RecordingError(f"{path} is a folder. Name the file in it.")
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError as err:
        raise RecordingError(
            f"{path}: can't be read ({err.strerror}). Check the name and who may read it."
        ) from err


def stream_lines(fd: int, stop_fd: int | None = None) -> Iterator[str]:
    """The lines of an open file or pipe, each as soon as its end is there; ends when stop_fd is readable.

    Args:
        fd: open for reading; not closed here.
        stop_fd: a descriptor that becomes readable when nobody wants further lines, so that a pipe
            that says nothing can't hold up the end of the program.

    Raises UnicodeDecodeError for a line that isn't UTF-8.
    """
    poll = select.poll()
    poll.register(fd, select.POLLIN)
    if stop_fd is not None:
        poll.register(stop_fd, select.POLLIN)
    rest = b""
    while True:
        if any(ready == stop_fd for ready, _ in poll.poll()):
            return
        chunk = os.read(fd, 65536)
        if not chunk:
            break
        *lines, rest = (rest + chunk).split(b"\n")
        if len(rest) > _LONGEST_LINE:
            lines, rest = [*lines, rest], b""
        for line in lines:
            yield line.decode("utf-8")
    if rest:
        yield rest.decode("utf-8")


class RecordingSource:
    """A recording read in the run's time: one Scan a row, its addresses the places and `ambient`.

    `next_at` waits where a pipe has no row yet: a recorded run's time stands still until then.
    A recording that can't be used raises RecordingError, from the constructor for its header and from
    `next_at` or `read` for a row; that is no probe's fault and ends the run.
    """

    name = "recording"
    deadline_s = 1.0

    def __init__(self, path: Path, ignore: Iterable[str] = (), start_s: float = 0.0) -> None:
        """Open a recording.

        Args:
            path: the file; `-` is standard input.
            ignore: columns not to be looked at.
            start_s: run second of the first row [s].
        """
        self._start_s = start_s
        self._row: Row | None = None
        self._ended = False
        self._lock = threading.RLock()  # re-entered where a signal handler closes a waiting source
        self._stop_read, self._stop_write = os.pipe()
        self._open_fds = [self._stop_read]
        try:
            self._rows = read_rows(
                stream_lines(self._open(path), self._stop_read),
                "standard input" if str(path) == "-" else str(path),
                ignore,
            )
        except BaseException:
            self.close()
            raise
        self.addresses = (*self._rows.places, *((AMBIENT,) if self._rows.has_ambient else ()))

    def _open(self, path: Path) -> int:
        if str(path) == "-":
            return 0
        fd = open_recording(path)
        self._open_fds.append(fd)
        return fd

    @property
    def start_utc(self) -> float | None:
        """UTC [s since 1970] of the next row not yet read; None where the file has no UTC or ended."""
        row = self._peek()
        return row.utc if row else None

    def next_at(self, now_s: float) -> float | None:
        row = self._peek()
        return None if row is None else self._start_s + row.t_s

    def read(self, now_s: float) -> Scan:
        """The next row, stamped with its own run second. Asked before it is due, or after the end,
        every address is a fault: a row already given is never given again as if it were new."""
        row = self._peek()
        if row is None:
            return self._all(now_s, Fault.MISSING, "the recording has ended")
        t_s = self._start_s + row.t_s
        if now_s < t_s:
            return self._all(now_s, Fault.STALE, f"the next row is due at {t_s:.3f} s")
        self._row = None
        cells = {**row.values, AMBIENT: row.ambient}
        return Scan(t_s, tuple(_sample(a, t_s, cells[a]) for a in self.addresses), row.heater)

    def close(self) -> None:
        """Give the file back; a thread waiting in `next_at` gets None."""
        stop_fd, self._stop_write = self._stop_write, -1
        if stop_fd >= 0:
            os.close(stop_fd)  # stream_lines sees the hang-up and ends
        with self._lock:
            self._ended = True
            while self._open_fds:
                os.close(self._open_fds.pop())

    def _peek(self) -> Row | None:
        with self._lock:
            if self._row is None and not self._ended:
                try:
                    self._row = next(self._rows, None)
                finally:
                    if self._row is None:
                        self.close()
            return None if self._ended else self._row

    def _all(self, now_s: float, fault: Fault, detail: str) -> Scan:
        return Scan(now_s, tuple(ProbeFault(a, now_s, fault, detail) for a in self.addresses))


def _sample(address: str, t_s: float, value_c: float | None) -> Reading | ProbeFault:
    if value_c is None:
        return ProbeFault(address, t_s, Fault.MISSING, "empty cell")
    return Reading(address, t_s, raw_c=value_c, value_c=value_c)
