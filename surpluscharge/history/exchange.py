"""The ledger's way out and in: export to CSV or Parquet, and import of readings from elsewhere."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Iterable, Iterator
from datetime import datetime, tzinfo
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple, TextIO

from surpluscharge.control.economics import Tariffs
from surpluscharge.history.energy import MWS_PER_WH, Energy, Interval, Sample, hold, ms_of, time_of
from surpluscharge.history.ledger import Filled, Ledger, Retention
from surpluscharge.history.readings import Readings

WHAT = ("readings", "charges", "days")
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
        "grid_wh": round(energy.bought_mws / MWS_PER_WH, 6),
        "error_wh": round(energy.error_mws / MWS_PER_WH, 6),
    }


def records(
    ledger: Ledger, what: str, begin: datetime, end: datetime, zone: tzinfo | None, *, tariffs: Tariffs | None
) -> Iterator[dict[str, Any]]:
    """Yield what is recorded between two times, a row at a time; ``what`` is one of WHAT. Times are RFC 3339.

    "readings" has the columns that an import needs: what was exported can be imported.
    """

    def local(at_ms: int) -> str:
        return time_of(at_ms, zone).isoformat(timespec="milliseconds")

    if what == "readings":
        for interval in ledger.intervals(ms_of(begin), ms_of(end)):
            yield {
                "time": local(interval.begin_ms),
                "until": local(interval.end_ms),
                "grid_w": round(interval.grid_w, 3),
                "charger_w": round(interval.charger_w, 3),
                **_energies(interval.energy),
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
    else:
        for total in ledger.day_totals(begin.date(), time_of(ms_of(end) - 1, zone).date(), zone, tariffs):
            cost = total.account.money
            yield {
                "day": total.day.isoformat(),
                "starts": total.starts,
                **_energies(total.account.energy),
                "unknown_s": total.account.gap_ms / 1000,
                "paid": None if cost is None else str(round(cost.paid, 6)),
                "forgone": None if cost is None else str(round(cost.forgone, 6)),
                "saved": None if cost is None else str(round(cost.saved, 6)),
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
    return arrow.float64() if column.endswith(("_w", "_wh", "_s")) else arrow.string()


# --- in --------------------------------------------------------------------------------------------------------------


class Imported(NamedTuple):
    filled: Filled
    fresh_s: float  # for how long a reading was held at most
    skipped: str  # rows of the file that were skipped, in words


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
) -> Imported:
    """Take a CSV file of readings into the ledger: all of it, or nothing.

    ``fresh_s``: a reading is held no longer; None: thrice the file's usual interval. Raises ReadingsError for a file
    that makes no sense, LedgerError for times that are counted already; then nothing has changed.
    """
    readings = Readings(path)
    blocks = iter(readings)
    first = next(blocks, None)
    if fresh_s is None:
        times = first.at_s[:1001] if first else []
        fresh_s = USUAL_GAPS * median([later - sooner for sooner, later in itertools.pairwise(times)] or [10.0])

    def samples() -> Iterator[Sample]:
        for block in itertools.chain([first] if first else [], blocks):
            for at_s, grid_w, charger_w in zip(*block, strict=True):
                drawn_w = max(0.0, charger_w)
                yield Sample(round(at_s * 1000), grid_w, drawn_w, drawn_w > RUNS_W)

    held: Iterator[Interval] = hold(_later(samples()), round(fresh_s * 1000))
    filled = ledger.fill(held, now_ms, zone, retention, tariffs=tariffs, gaps_only=gaps_only)
    return Imported(filled, fresh_s, readings.counts.skipped())


def _later(samples: Iterator[Sample]) -> Iterator[Sample]:
    """Leave out what rounds to the same millisecond as the one before."""
    last_ms = -1
    for sample in samples:
        if sample.at_ms > last_ms:
            last_ms = sample.at_ms
            yield sample
