"""Recorded readings from a CSV file: a stream of blocks, so that memory stays bounded whatever the file's size.

The first row names the columns; their order, and further columns, do not matter:

- ``time``: RFC 3339 with its offset (``2031-05-14T11:20:09+02:00``, ``...Z``), or seconds since 1970 in UTC. A local
  time without offset is refused, because it is ambiguous where clocks change; differing offsets are fine.
- ``grid_w``: watts, positive for import. Without a ``charger_w`` column it must not include the charger.
  Or, in its place, both ``import_w`` and ``export_w``, neither ever negative.
- ``charger_w`` (optional): what the charger drew, which is part of ``grid_w`` then. The surplus is the one less the
  other: what would have been exported with the charger off.

Each may end in ``_kw`` instead, and is in kilowatts then. Comma, semicolon or tab separate the columns; text is UTF-8.
What is written otherwise is declared, never guessed (:class:`Layout`): other names of columns, and decimal commas,
for "1,250" is a thousand to some and one and a quarter to others.

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

from surpluscharge.words import counted, printable

BLOCK_ROWS = 65536
LINE_LIMIT = 65536  # characters: no row of readings is as long
LIMIT_W = 100_000.0  # where no configuration knows better: no house that charges through a socket has so much
JITTER_S = 60.0  # some loggers write two rows in the wrong order
EARLIEST_S, LATEST_S = 946_684_800.0, 4_102_444_800.0  # plain numbers from 2000 to 2100 are taken for a time

_ABSENT = frozenset({"", "nan", "null", "none", "n/a", "-", "inf", "+inf", "-inf", "infinity", "-infinity"})
_WITH_COMMA = re.compile(r"[+-]?\d+,\d+")
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


class Layout(NamedTuple):
    """How a file is written, where that is not as above."""

    decimal_comma: bool = False
    names: tuple[tuple[str, str], ...] = ()  # (what a column is, such as import_kw; how this file calls it)


PLAIN = Layout()
SCALES = {"_w": 1.0, "_kw": 1000.0}
QUANTITIES = ("grid", "import", "export", "charger")
COLUMNS = ("time", *(f"{quantity}{unit}" for quantity in QUANTITIES for unit in SCALES))


class Column(NamedTuple):
    """Where a power stands in a row, and what turns it into watts."""

    place: int
    name: str
    scale: float


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

    def __init__(self, path: str | Path, limit_w: float = LIMIT_W, layout: Layout = PLAIN) -> None:
        """Open the file and look at its columns; no value may be larger than ``limit_w``. Raises ReadingsError."""
        self.path, self._limit_w, self._layout = str(path), limit_w, layout
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
        found = ", ".join(printable(name) or "(nameless)" for name in names[:12])[:300]
        for meaning, name in self._layout.names:
            if name.strip().lower() not in names:
                raise ReadingsError(
                    f"{self.path}, line 1: there is no column {printable(name)}, which was said to be {meaning}; the "
                    f"columns are: {found}. Name one of them"
                )
            names[names.index(name.strip().lower())] = meaning
        for name in COLUMNS:
            if names.count(name) > 1:
                raise ReadingsError(f"{self.path}, line 1: the column {name} is there twice. Rename one of them")

        def column(quantity: str) -> Column | None:
            there = [
                Column(names.index(quantity + unit), quantity + unit, scale)
                for unit, scale in SCALES.items()
                if quantity + unit in names
            ]
            if len(there) > 1:
                raise ReadingsError(
                    f"{self.path}, line 1: there are both {there[0].name} and {there[1].name}. Rename one of them"
                )
            return there[0] if there else None

        grid, bought, sold, self._charger = map(column, QUANTITIES)
        missing = [] if "time" in names else ["time"]
        if grid is None and (bought is None) is not (sold is None):
            missing.append("export_w" if sold is None else "import_w")
        elif grid is None and bought is None:
            missing.append("grid_w")
        if missing:
            raise ReadingsError(
                f"{self.path}, line 1: there is no column {' and none named '.join(missing)}; the columns are: "
                f"{found}. The first line must name them: time, grid_w (watts, positive for import) or both import_w "
                "and export_w, and charger_w if the charger is part of it; with _kw for kilowatts. Or say "
                f"which is which, such as --column {missing[0]}='its name here'"
            )
        self._time = names.index("time")
        # Of two columns the second is taken off the first.
        self._powers = (grid, None) if grid else (bought, sold)
        self.measured = self._charger is not None

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
        grid_column, less_column = self._powers
        assert grid_column is not None
        charger_column, i_time = self._charger, self._time
        powers = [column for column in (grid_column, less_column, charger_column) if column]
        needed = max(i_time, *(column.place for column in powers))
        i_grid, i_charger = grid_column.place, charger_column.place if charger_column else -1
        limit_w, decimal_comma = self._limit_w, self._layout.decimal_comma
        # The usual file takes the short way: a year of ten seconds has three million rows.
        plain = not decimal_comma and less_column is None and all(column.scale == 1.0 for column in powers)
        readings = cut = unknown = repeated = late = 0
        last_s, last_text, charger = -math.inf, "", 0.0
        block = Block(array("d"), array("d"), array("d"))
        add_time, add_grid, add_charger = (column.append for column in block)
        for row in rows:
            if len(row) <= needed:
                cut += bool(row)  # a blank line is nothing
                continue
            try:
                if not plain:
                    raise ValueError
                grid = float(row[i_grid])
                if i_charger >= 0:
                    charger = float(row[i_charger])
            except ValueError:
                line = rows.line_num + 1
                if less_column is None:
                    grid = self._power(line, grid_column, row)
                else:
                    grid = self._one_way(line, grid_column, row) - self._one_way(line, less_column, row)
                if charger_column:
                    charger = self._power(line, charger_column, row)
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
                    self._implausible(rows.line_num + 1, self._powers, row)
                if charger_column and limit_w < abs(charger) < math.inf:
                    self._implausible(rows.line_num + 1, (charger_column, None), row)
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

    def _power(self, line: int, column: Column, row: list[str]) -> float:
        """Return watts, or NaN for what is plainly no value. Raises ReadingsError."""
        text = row[column.place]
        word = text.strip()
        if word.lower() in _ABSENT:
            return math.nan
        decimal_comma = self._layout.decimal_comma
        try:
            if decimal_comma and "." in word:
                raise ValueError
            return column.scale * float(word.replace(",", ".") if decimal_comma else word)
        except ValueError:
            unit, example = ("kilowatts", "-1.3505") if column.scale != 1.0 else ("watts", "-1350.5")
            remedy = f"Write {unit}, such as {example.replace('.', ',') if decimal_comma else example}"
            if not decimal_comma and _WITH_COMMA.fullmatch(word):
                remedy += ", or, if its comma is a decimal one, say so with --decimal-comma"
            elif decimal_comma and "." in word:
                remedy += ", since --decimal-comma was said"
            raise ReadingsError(
                f"{self.path}, line {line}, column {column.name}: {_shown(text)} is not a number. {remedy}; or leave "
                "it empty where nothing is known"
            ) from None

    def _one_way(self, line: int, column: Column, row: list[str]) -> float:
        """Return watts of a column that has one direction only. Raises ReadingsError."""
        power_w = self._power(line, column, row)
        if power_w < 0.0:
            raise ReadingsError(
                f"{self.path}, line {line}, column {column.name}: {_shown(row[column.place])} is negative, but import "
                "and export have a column each. If it is the sum of both, call it grid_w or grid_kw"
            )
        return power_w

    def _implausible(self, line: int, columns: tuple[Column | None, Column | None], row: list[str]) -> None:
        there = [column for column in columns if column]
        value = " less ".join(_shown(row[column.place]) for column in there)
        raise ReadingsError(
            f"{self.path}, line {line}, column {' less '.join(column.name for column in there)}: {value} is beyond "
            f"{self._limit_w:g} W, more than is believed of the meter. Correct it, or leave it empty where nothing is "
            "known; if it is right, raise limit_w of the meter in the configuration"
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
            f"on {self.turned} of {counted(self.days, 'day')} the house exports at night (22:00 to 04:00) and imports "
            "at midday. The sign seems to be wrong: grid_w must be positive for import"
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
