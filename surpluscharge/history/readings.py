"""Recorded readings from a CSV file: a stream of blocks, so that memory stays bounded whatever the file's size.

The first row names the columns; their order, and further columns, do not matter:

- ``time``: RFC 3339 with its offset (``2031-05-14T11:20:09+02:00``, ``...Z``), or seconds since 1970 in UTC. A local
  time without offset is refused, because it is ambiguous where clocks change; differing offsets are fine.
- ``grid_w``: watts, positive for import. Without a ``charger_w`` column it must not include the charger.
- ``charger_w`` (optional): what the charger drew, which is part of ``grid_w`` then. The surplus is the one less the
  other: what would have been exported with the charger off.

Comma, semicolon (then numbers may have decimal commas) or tab separate the columns; text is UTF-8.

What makes no sense stops with a :class:`ReadingsError` that names file, line, column, value and remedy; so does a value
beyond a limit, which the meter would not be believed either. What is merely missing is skipped and counted
(:class:`Counts`): a row cut short, a value that is empty, NaN or infinite, a time that repeats the one before, or goes
back by no more than :data:`JITTER_S`. A skipped row is a hole, like any other gap: whoever uses the readings decides
how long one may be relied on.
"""

from __future__ import annotations

import csv
import math
import os
import re
from array import array
from bisect import bisect_left
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from surpluscharge.words import printable

BLOCK_ROWS = 65536
LINE_LIMIT = 65536  # characters: no row of readings is as long
LIMIT_W = 100_000.0  # where no configuration knows better: no house that charges through a socket has so much
JITTER_S = 60.0  # some loggers write two rows in the wrong order
EARLIEST_S, LATEST_S = 946_684_800.0, 4_102_444_800.0  # plain numbers from 2000 to 2100 are taken for a time

_ABSENT = frozenset({"", "nan", "null", "none", "n/a", "-", "inf", "+inf", "-inf", "infinity", "-infinity"})
_LEAP_SECOND = re.compile(r"(\d\d:\d\d):60(?=[.,Zz+-])")


class ReadingsError(Exception):
    """The file cannot be used; the text says where, why and what to do."""


class Block(NamedTuple):
    """Successive readings: three arrays of equal length, times strictly ascending."""

    at_s: array[float]  # seconds since 1970, UTC
    grid_w: array[float]  # as in the file
    charger_w: array[float]  # zeros where the file has no such column

    def surplus_w(self) -> array[float]:
        """Return what would be exported with the charger off."""
        return array("d", (charger_w - grid_w for grid_w, charger_w in zip(self.grid_w, self.charger_w, strict=True)))


class Counts(NamedTuple):
    """What became of the rows so far."""

    readings: int = 0
    cut: int = 0  # too few columns
    unknown: int = 0  # a value that is empty, NaN or infinite
    repeated: int = 0  # the same time again
    late: int = 0  # a little earlier than the row before

    def skipped(self) -> str:
        """Say what was skipped, for people; empty if nothing was."""
        words = ("cut short", "without a usable value", "repeating a time", "out of order")
        return ", ".join(f"{count} {word}" for count, word in zip(self[1:], words, strict=True) if count)


class Readings:
    """A file of readings, to be iterated over once; ``counts`` and ``share`` tell how far it has come."""

    def __init__(self, path: str | Path, limit_w: float = LIMIT_W) -> None:
        """Open the file and look at its columns; no value may be larger than ``limit_w``. Raises ReadingsError."""
        self.path, self._limit_w = str(path), limit_w
        self.counts = Counts()
        self.share = 0.0  # of the file that has been read, 0 to 1
        self.measured = False  # there is a charger_w column
        try:
            # A stray byte in a column that nobody needs does no harm; in one that is needed it is no number.
            self._file = Path(path).open(encoding="utf-8", errors="surrogateescape", newline="")  # noqa: SIM115
            self._size = os.fstat(self._file.fileno()).st_size
            header = self._file.readline(LINE_LIMIT)
        except OSError as error:
            raise ReadingsError(f"{self.path}: cannot be read ({error.strerror}). Name a file of readings") from None
        try:
            self._columns(header)
        except ReadingsError:
            self._file.close()
            raise

    def _columns(self, header: str) -> None:
        if header[:1] in ("\udcff", "\udcfe") or "\0" in header:
            raise ReadingsError(f"{self.path}: this is not UTF-8 text. Save it as CSV in UTF-8")
        if not header.strip():
            raise ReadingsError(
                f"{self.path}: the file is empty, or its first line is. It needs the columns time and grid_w"
            )
        header = header.removeprefix("\ufeff")
        self._delimiter = next((mark for mark in ",;\t" if mark in header), ",")
        names = [name.strip().strip('"').strip().lower() for name in header.split(self._delimiter)]
        for name in ("time", "grid_w", "charger_w"):
            if names.count(name) > 1:
                raise ReadingsError(f"{self.path}, line 1: the column {name} is there twice. Rename one of them")
        missing = [name for name in ("time", "grid_w") if name not in names]
        if missing:
            found = ", ".join(printable(name) or "(nameless)" for name in names[:12])
            raise ReadingsError(
                f"{self.path}, line 1: there is no column {' and none named '.join(missing)}; the columns are: "
                f"{found[:300]}. The first line must name them: time, grid_w (watts, positive for import), and "
                "charger_w if the charger is part of grid_w"
            )
        self._time, self._grid = names.index("time"), names.index("grid_w")
        self.measured = "charger_w" in names
        self._charger = names.index("charger_w") if self.measured else -1

    def _lines(self, file: TextIO) -> Iterator[str]:
        number = 1
        while line := file.readline(LINE_LIMIT):
            number += 1
            if len(line) >= LINE_LIMIT:
                raise ReadingsError(
                    f"{self.path}, line {number}: longer than {LINE_LIMIT} characters, so no row of readings. "
                    "Name a CSV file with a row for each reading"
                )
            yield line

    def __iter__(self) -> Iterator[Block]:
        """Yield the readings in blocks of at most BLOCK_ROWS. Raises ReadingsError."""
        with self._file as file:
            rows = csv.reader(self._lines(file), delimiter=self._delimiter)
            try:
                yield from self._blocks(rows, file)
            except csv.Error as error:
                raise ReadingsError(
                    f"{self.path}, line {rows.line_num + 1}: not a CSV row ({error}). Remove or correct it"
                ) from None
            except OSError as error:
                raise ReadingsError(f"{self.path}: cannot be read on ({error.strerror})") from None
        if not self.counts.readings:
            skipped = self.counts.skipped()
            raise ReadingsError(
                f"{self.path}: nothing could be used, because there is no reading in it"
                f"{f' (rows {skipped})' if skipped else ''}. Below the line that names the columns, each row is a "
                "reading: a time, and watts"
            )

    def _blocks(self, rows: Any, file: TextIO) -> Iterator[Block]:
        needed = max(self._time, self._grid, self._charger)
        i_time, i_grid, i_charger = self._time, self._grid, self._charger
        limit_w = self._limit_w
        decimal_comma = self._delimiter == ";"
        readings = cut = unknown = repeated = late = 0
        last_s, last_text, charger = -math.inf, "", 0.0
        block = Block(array("d"), array("d"), array("d"))
        add_time, add_grid, add_charger = (column.append for column in block)
        for row in rows:
            if len(row) <= needed:
                cut += bool(row)  # a blank line is nothing
                continue
            grid_text = row[i_grid]
            try:
                grid = float(grid_text)
                if i_charger >= 0:
                    charger = float(row[i_charger])
            except ValueError:
                grid = self._number(rows.line_num + 1, "grid_w", grid_text, decimal_comma)
                if i_charger >= 0:
                    charger = self._number(rows.line_num + 1, "charger_w", row[i_charger], decimal_comma)
            text = row[i_time]
            try:
                moment = datetime.fromisoformat(text)
                at_s = moment.timestamp() if moment.tzinfo else self._moment(rows.line_num + 1, text, decimal_comma)
            except ValueError:
                at_s = self._moment(rows.line_num + 1, text, decimal_comma)
            if not EARLIEST_S <= at_s <= LATEST_S:
                at_s = self._moment(rows.line_num + 1, text, decimal_comma)
            if not (-limit_w <= grid <= limit_w and -limit_w <= charger <= limit_w):  # not: NaN
                if limit_w < abs(grid) < math.inf:
                    self._implausible(rows.line_num + 1, "grid_w", grid_text)
                if limit_w < abs(charger) < math.inf:
                    self._implausible(rows.line_num + 1, "charger_w", row[i_charger])
                unknown += 1
            elif at_s > last_s:
                add_time(at_s)
                add_grid(grid)
                add_charger(charger)
                last_s, last_text = at_s, text
                readings += 1
                if len(block.at_s) >= BLOCK_ROWS:
                    self.counts = Counts(readings, cut, unknown, repeated, late)
                    self.share = min(1.0, file.buffer.tell() / max(1, self._size))
                    yield block
                    block = Block(array("d"), array("d"), array("d"))
                    add_time, add_grid, add_charger = (column.append for column in block)
            elif at_s == last_s:
                repeated += 1
            elif at_s >= last_s - JITTER_S:
                late += 1
            else:
                raise ReadingsError(
                    f"{self.path}, line {rows.line_num + 1}, column time: {text!r} is earlier than the row before "
                    f"({last_text!r}). Sort the rows by time, the oldest first; where files overlap, rows that repeat "
                    "a time are then skipped"
                )
        self.counts = Counts(readings, cut, unknown, repeated, late)
        self.share = 1.0
        if block.at_s:
            yield block

    def _number(self, line: int, column: str, text: str, decimal_comma: bool) -> float:
        """Return the number, or NaN for what is plainly no value. Raises ReadingsError."""
        word = text.strip()
        if word.lower() in _ABSENT:
            return math.nan
        try:
            return float(word.replace(",", ".") if decimal_comma else word)
        except ValueError:
            raise ReadingsError(
                f"{self.path}, line {line}, column {column}: {_shown(text)} is not a number. Write watts, such as "
                "-1350.5, or leave it empty where nothing is known"
            ) from None

    def _implausible(self, line: int, column: str, text: str) -> None:
        raise ReadingsError(
            f"{self.path}, line {line}, column {column}: {_shown(text)} is beyond {self._limit_w:g} W, more than is "
            "believed of the meter. Correct it, or leave it empty where nothing is known; if it is right, raise "
            "limit_w of the meter in the configuration"
        )

    def _moment(self, line: int, text: str, decimal_comma: bool) -> float:
        """Return seconds since 1970. Raises ReadingsError."""
        where = f"{self.path}, line {line}, column time: {_shown(text)}"
        try:
            at_s = moment_s(text.strip().replace(",", ".") if decimal_comma else text.strip())
        except ValueError as error:
            raise ReadingsError(f"{where} {error}") from None
        if not EARLIEST_S <= at_s <= LATEST_S:
            raise ReadingsError(f"{where} is no time from 2000 to 2100. See what wrote the file, and correct the year")
        return at_s


# --- is the sign right? ----------------------------------------------------------------------------------------------

NIGHT, MIDDAY = (time(22), timedelta(hours=6)), (time(11), timedelta(hours=3))
LEAST_DAYS = 2  # a single one may be odd


class Sides(NamedTuple):
    """On how many days there was a surplus at night and none at midday, and on how many both are known."""

    turned: int = 0
    days: int = 0

    def plus(self, other: Sides) -> Sides:
        """Return the sum of both."""
        return Sides(self.turned + other.turned, self.days + other.days)

    def warning(self) -> str | None:
        """Say that import and export seem to be the wrong way round, if so on most days."""
        if self.days < LEAST_DAYS or 2 * self.turned <= self.days:
            return None
        return (
            f"on {self.turned} of {self.days} days the house exports at night (22:00 to 04:00) and imports at midday. "
            "The sign seems to be wrong: grid_w must be positive for import"
        )


def sides(at_s: array[float], surplus_w: array[float], zone: tzinfo | None) -> Sides:
    """Compare nights and middays by the clocks of the house. Cheap: a look at the hours of night and midday only."""
    turned = judged = 0
    if at_s:
        first, last = (datetime.fromtimestamp(s, zone).date().toordinal() for s in (at_s[0], at_s[-1]))
        for number in range(first, last + 1):
            day = date.fromordinal(number)
            night_w = _mean(at_s, surplus_w, datetime.combine(day - timedelta(days=1), NIGHT[0], zone), NIGHT[1])
            noon_w = _mean(at_s, surplus_w, datetime.combine(day, MIDDAY[0], zone), MIDDAY[1])
            if night_w is not None and noon_w is not None:
                judged += 1
                turned += night_w > 0.0 > noon_w
    return Sides(turned, judged)


def _mean(at_s: array[float], values: array[float], begin: datetime, length: timedelta) -> float | None:
    low = bisect_left(at_s, begin.timestamp())
    high = bisect_left(at_s, begin.timestamp() + length.total_seconds(), low)
    return sum(values[low:high]) / (high - low) if high > low else None


# --- times -----------------------------------------------------------------------------------------------------------


def moment_s(text: str) -> float:
    """Return the seconds since 1970 of an RFC 3339 time with offset, or of a number that is them already.

    Raises ValueError with what is wrong and the remedy.
    """
    try:
        seconds = float(text)
    except ValueError:
        pass
    else:
        if EARLIEST_S <= seconds <= LATEST_S:
            return seconds
        if EARLIEST_S * 1e3 <= seconds <= LATEST_S * 1e3:
            raise ValueError("looks like milliseconds. Write seconds since 1970, or RFC 3339 times") from None
        raise ValueError(
            "is no time from 2000 to 2100. Write seconds since 1970, or RFC 3339 such as 2031-05-14T11:20:09+02:00"
        )
    whole, leap = _LEAP_SECOND.subn(r"\1:59", text.upper())
    try:
        moment = datetime.fromisoformat(whole) + timedelta(seconds=leap)
    except (ValueError, OverflowError):
        raise ValueError("is not a time. Write RFC 3339, such as 2031-05-14T11:20:09+02:00") from None
    if moment.tzinfo is None:
        raise ValueError(
            "has no offset from UTC, and local times are ambiguous where clocks change. Add it: Z, or such as +02:00"
        )
    return moment.timestamp()


def _shown(text: str) -> str:
    """Return a value as it may be printed: on one line, not too long, whatever bytes it was made of."""
    short = text if len(text) <= 60 else text[:57] + "..."
    return repr(short.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace"))
