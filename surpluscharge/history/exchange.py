"""The ledger's way out and in: export to CSV or Parquet, and import of readings from elsewhere."""

from __future__ import annotations

import contextlib
import csv
import itertools
import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Iterator
from datetime import date, datetime, timedelta, tzinfo
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple, TextIO

from surpluscharge.control.economics import Tariffs
from surpluscharge.history.energy import (
    MINUTE_MS,
    MWS_PER_WH,
    QUARTER_HOUR_MS,
    Energy,
    Interval,
    Sample,
    hold,
    ms_of,
    time_of,
)
from surpluscharge.history.ledger import Filled, Ledger, Retention
from surpluscharge.history.readings import LIMIT_W, PLAIN, Layout, Readings, ReadingsError, Sides, sides
from surpluscharge.words import counted

WHAT = ("readings", "charges", "days", "joints", "looks")
UNITS = {"heat": "K/A2"}  # of what is shown of the joints; ohms otherwise
ROWS_AT_ONCE = 20_000
USUAL_GAPS = 3  # a reading is held for so many of the file's usual intervals, if nothing else is said
RUNS_W = 100.0  # a charger that draws more is on


# --- out -------------------------------------------------------------------------------------------------------------


def _energies(energy: Energy) -> dict[str, Any]:
    return {
        "known_s": energy.known_ms / 1000,
        "on_s": energy.on_ms / 1000,
        "import_wh": round(energy.import_mws / MWS_PER_WH, 6),
        "export_wh": round(energy.export_mws / MWS_PER_WH, 6),
        "charger_wh": round(energy.charger_mws / MWS_PER_WH, 6),
        "solar_wh": round(energy.solar_mws / MWS_PER_WH, 6),
        "grid_wh": round(energy.grid_mws / MWS_PER_WH, 6),
        "error_wh": round(energy.error_mws / MWS_PER_WH, 6),
        "planned_wh": round(energy.planned_mws / MWS_PER_WH, 6),
        "battery_wh": round(energy.battery_mws / MWS_PER_WH, 6),
    }


def records(
    ledger: Ledger, what: str, begin: datetime, end: datetime, zone: tzinfo | None, *, tariffs: Tariffs | None
) -> Iterator[dict[str, Any]]:
    """Yield what is recorded between two times, a row at a time; ``what`` is one of WHAT. Times are RFC 3339.

    ``known_by`` says of what energy registers counted in a gap that it is a sum, and no reading.

    "joints" has what switchings and charges have shown of them; ``error`` is a standard deviation (control/joint.py).

    "readings" has the columns that an import needs: what was exported can be imported. (But readings tell of no plan:
    what one had it buy counts as bought beside the sun then.)
    """

    def local(at_ms: int) -> str:
        return time_of(at_ms, zone).isoformat(timespec="milliseconds")

    if what == "readings":
        measured = iter(ledger.intervals(ms_of(begin), ms_of(end), measured=True))
        next_ = next(measured, None)
        for interval in ledger.intervals(ms_of(begin), ms_of(end)):
            read = interval == next_
            next_ = next(measured, None) if read else next_
            yield {
                "time": local(interval.begin_ms),
                "until": local(interval.end_ms),
                "grid_w": round(interval.grid_w, 3),
                "charger_w": round(interval.charger_w, 3),
                **_energies(interval.energy),
                "known_by": "readings" if read else "register",
            }
    elif what == "charges":
        for charge in ledger.charges(ms_of(begin), ms_of(end)):
            yield {
                "time": local(charge.begin_ms),
                "until": None if charge.end_ms is None else local(charge.end_ms),
                "session": local(charge.session_ms),
                "ended_by": charge.cause,
                **_energies(charge.energy),
            }
    elif what == "joints":
        for shown in ledger.shown(ms_of(begin), ms_of(end)):
            yield {
                "time": local(shown.at_ms),
                "measure": shown.measure,
                "value": shown.value,
                "error": shown.error,
                "unit": UNITS.get(shown.measure, "ohm"),
                "current_a": shown.amps,
            }
    elif what == "looks":
        for look in ledger.looks():
            if ms_of(begin) <= look.at_ms < ms_of(end):
                yield {"time": local(look.at_ms), "note": look.note}
    else:
        for total in ledger.day_totals(begin.date(), time_of(ms_of(end) - 1, zone).date(), zone, tariffs):
            cost = total.account.money
            yield {
                "day": total.day.isoformat(),
                "starts": None if total.unlisted_ms >= MINUTE_MS else total.starts,  # imported: nobody counted
                **_energies(total.account.energy),
                "unknown_s": total.account.gap_ms / 1000,
                "paid": None if cost is None else str(round(cost.paid, 6)),
                "forgone": None if cost is None else str(round(cost.forgone, 6)),
                "saved": None if cost is None else str(round(cost.saved, 6)),
                "paid_by_plan": None if cost is None else str(round(cost.planned, 6)),
            }


def write_csv(rows: Iterable[dict[str, Any]], file: TextIO) -> int:
    """Write rows as CSV (RFC 4180, but with plain line ends); return how many."""
    writer: csv.DictWriter[str] | None = None
    count = 0
    for row in rows:
        if writer is None:
            writer = csv.DictWriter(file, list(row), lineterminator="\n")
            writer.writeheader()
        writer.writerow(row)
        count += 1
    return count


def write_parquet(rows: Iterable[dict[str, Any]], path: Path) -> int:
    """Write rows as a Parquet file; return how many. Raises ImportError without the ``parquet`` extra."""
    import pyarrow as arrow  # noqa: PLC0415  (large, and needed here only)
    from pyarrow import parquet  # noqa: PLC0415

    count, writer = 0, None
    try:
        source = iter(rows)
        while batch := list(itertools.islice(source, ROWS_AT_ONCE)):
            if writer is None:
                schema = arrow.schema([(name, _kind(name, arrow)) for name in batch[0]])
                writer = parquet.ParquetWriter(path, schema)
            writer.write_table(arrow.Table.from_pylist(batch, schema=schema))
            count += len(batch)
    finally:
        if writer is not None:
            writer.close()
    return count


def _kind(column: str, arrow: Any) -> Any:
    if column == "starts":
        return arrow.int64()
    return arrow.float64() if column.endswith(("_w", "_wh", "_s", "_a", "value", "error")) else arrow.string()


# --- in --------------------------------------------------------------------------------------------------------------


class Imported(NamedTuple):
    filled: Filled
    every_s: float  # the file's usual interval
    fresh_s: float  # for how long a reading was held at most
    skipped: str  # rows of the file that were skipped, in words
    sides: Sides  # whether its sign seems to be right


@contextlib.contextmanager
def rehearsal(path: Path) -> Iterator[Ledger]:
    """Open a copy of the ledger (or an empty one, where there is none yet) that is gone afterwards.

    So a trial goes all the way and yet can change nothing, nor keep the daemon from writing meanwhile.
    """
    with tempfile.TemporaryDirectory(prefix="surpluscharge-") as folder:
        copy = Path(folder) / path.name
        if path.exists():
            with (
                contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as original,
                contextlib.closing(sqlite3.connect(copy)) as twin,
            ):
                original.backup(twin)
        with Ledger(copy) as ledger:
            yield ledger


def import_readings(
    ledger: Ledger,
    path: Path,
    now_ms: int,
    zone: tzinfo | None,
    retention: Retention,
    *,
    tariffs: Tariffs | None,
    fresh_s: float | None,
    gaps_only: bool,
    limit_w: float = LIMIT_W,
    layout: Layout = PLAIN,
    progress: Callable[[float], None] = lambda _: None,
) -> Imported:
    """Take a CSV file of readings into the ledger: all of it, or nothing.

    ``fresh_s``: a reading is held no longer; None: thrice the file's usual interval. ``limit_w``: no value may be
    larger. ``progress`` is told which share of the file has been read. Raises ReadingsError for a file that makes no
    sense or has nothing in it, LedgerError for times that are counted already; then nothing has changed.
    """
    readings = Readings(path, limit_w, layout)
    blocks = iter(readings)
    first = next(blocks, None)
    times = first.at_s[:1001] if first else []
    every_s = median([later - sooner for sooner, later in itertools.pairwise(times)] or [10.0])
    fresh_s = USUAL_GAPS * every_s if fresh_s is None else fresh_s
    seen = Sides()

    def samples() -> Iterator[Sample]:
        nonlocal seen
        for block in itertools.chain([first] if first else [], blocks):
            progress(readings.share)
            seen = seen.plus(sides(block.at_s, block.surplus_w(), zone))
            for at_s, grid_w, charger_w in zip(*block, strict=True):
                drawn_w = max(0.0, charger_w)
                yield Sample(round(at_s * 1000), grid_w, drawn_w, drawn_w > RUNS_W)

    held: Iterator[Interval] = hold(_later(samples()), round(fresh_s * 1000))
    filled = ledger.fill(held, now_ms, zone, retention, tariffs=tariffs, gaps_only=gaps_only, source=path.name)
    if not filled.rows and not filled.again_ms:
        raise ReadingsError(
            f"{path}: nothing could be used, because there is a single reading in it, and only the next one would say "
            "for how long it held"
        )
    return Imported(filled, every_s, fresh_s, readings.counts.skipped(), seen)


def as_kept(done: Imported, zone: tzinfo | None, today: date, retention: Retention) -> str | None:
    """Say how an import was summed up because of its age; None where it was taken as it is."""
    first, last = (time_of(at_ms, zone).date() for at_ms in (done.filled.begin_ms, done.filled.end_ms - 1))
    said: list[str] = []
    for age_days, length_ms, kept in (
        (retention.quarter_hours_days, 0, "kept as daily totals only, from the daemon's next midnight on"),
        (retention.minutes_days, QUARTER_HOUR_MS, "kept as quarter hours"),
        (retention.readings_days, MINUTE_MS, "kept as minutes"),
    ):
        limit = today - timedelta(days=1 + age_days)
        if first > limit or (length_ms and 1000 * done.every_s >= length_ms):
            continue
        if last <= limit:
            return "; ".join(
                [*said, f"{'the rest is ' if said else ''}older than {counted(age_days, 'day')}, so {kept}"]
            )
        said.append(f"what is older than {counted(age_days, 'day')} is {kept}")
    return "; ".join(said) or None


def _later(samples: Iterator[Sample]) -> Iterator[Sample]:
    """Leave out what rounds to the same millisecond as the one before."""
    last_ms = -1 << 62
    for sample in samples:
        if sample.at_ms > last_ms:
            last_ms = sample.at_ms
            yield sample
