"""Ten years of readings in a ledger: how large it is, how quick to ask, how much the daemon writes.

`python -m tests.bench.ledger_years [--years N] [--folder F]`. The years are invented: a reading every ten seconds of a
house with a charger, taken in with :meth:`Ledger.fill`, which sums up by age with the same functions as the daemon's
retention does; a week of the older ones is one day seven times, or it would take hours. Day and month are then asked
for in a process of their own, as a report would, and timed; the daemon's day is written batch by batch, and counted by
the kernel (/proc/self/io).
"""

from __future__ import annotations

import argparse
import math
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

from surpluscharge.control.economics import EVERY_DAY, Tariff, Tariffs, Window
from surpluscharge.control.rule import Band
from surpluscharge.history import report
from surpluscharge.history.energy import MINUTE_MS, NOTHING, Interval, Sample, day_span, downsample, hold, ms_of
from surpluscharge.history.ledger import Batch, Charge, FaultChange, Ledger, Retention, StateChange

EVERY_S = 10
DAY_S = 86_400
ZONE = ZoneInfo("Europe/Lisbon")
NIGHT = Window(EVERY_DAY, 84_120, 19_860, Decimal("0.11"))  # 23:22 to 05:31
TARIFFS = Tariffs("EUR", (Tariff(None, Decimal("0.27"), Decimal("0.08"), Decimal("0.20"), (NIGHT,)),))
END = datetime(2031, 7, 2, 12, tzinfo=ZONE)


def samples(begin_s: int, days: int) -> Iterator[Sample]:
    """Yield the readings of a house: sun by the season, a load with kettles, a charger by thresholds."""
    chance = random.Random(begin_s)
    on, since_s, shade, kettle = False, 0, 1.0, 0
    for at_s in range(begin_s, begin_s + days * DAY_S, EVERY_S):
        season = 0.6 - 0.4 * math.cos(2 * math.pi * (at_s / DAY_S % 365.25) / 365.25)
        sun_w = max(0.0, 4500 * season * math.sin(2 * math.pi * (at_s % DAY_S / DAY_S - 0.25)))
        if chance.random() < 0.01:
            shade = chance.uniform(0.3, 1.0)
        kettle = kettle - 1 if kettle else 18 * (chance.random() < 0.001)
        house_w = 250 + 2000 * (kettle > 0) + chance.gauss(0, 30) - sun_w * shade
        grid_w = house_w + 1380 * on
        if at_s - since_s > 480 and (grid_w > 345 if on else grid_w < -1380):
            on, since_s = not on, at_s
        if chance.random() > 0.0005:  # now and then one is lost
            yield Sample(at_s * 1000, round(house_w + 1380 * on, 1), 1380.0 * on, on)


def years(end_s: int, days: int) -> Iterator[Interval]:
    """Yield the intervals of so many days: the last hundred as they are held, older ones by the minute.

    Older ones are made once for each week of the year, down-sampled as retention does it, and moved to their days.
    """
    whole = end_s // DAY_S * DAY_S
    bank: dict[int, list[Interval]] = {}
    for number in range(days, 100, -1):
        begin_s = whole - number * DAY_S
        week = begin_s // DAY_S % 365 // 7
        if week not in bank:
            bank[week] = list(downsample(hold(samples(begin_s, 1), 30_000), MINUTE_MS))
        shift_ms = begin_s * 1000 - bank[week][0].begin_ms // (DAY_S * 1000) * DAY_S * 1000
        for interval in bank[week]:
            yield Interval(interval.begin_ms + shift_ms, interval.end_ms + shift_ms, interval.energy)
    yield from hold(samples(whole - 100 * DAY_S, 100), 30_000)


def happenings(intervals: Iterator[Interval], into: list[Charge]) -> Iterator[Interval]:
    """Pass the intervals on, and gather the charges in them."""
    energy, begin_ms, end_ms = NOTHING, 0, 0
    for interval in intervals:
        if interval.energy.on_ms:
            begin_ms = begin_ms or interval.begin_ms
            energy, end_ms = energy.plus(interval.energy), interval.end_ms
        elif begin_ms:
            into.append(Charge(begin_ms, begin_ms, end_ms, "import-held", energy))
            energy, begin_ms = NOTHING, 0
        yield interval


def day_batches(intervals: list[Interval], charges: list[Charge]) -> list[Batch]:
    """Return the batches in which the daemon would write a day: one in five minutes, and one at each switching."""
    turns = sorted([c.begin_ms for c in charges] + [c.end_ms or 0 for c in charges])
    edges = sorted({*range(intervals[0].begin_ms, intervals[-1].end_ms, 300_000), *turns, *(at + 800 for at in turns)})
    batches = []
    for low, high in zip(edges, [*edges[1:], intervals[-1].end_ms], strict=True):
        ends = [charge for charge in charges if charge.end_ms is not None and low < charge.end_ms <= high]
        begins = [charge._replace(end_ms=None, cause=None) for charge in charges if low < charge.begin_ms <= high]
        batches.append(
            Batch(
                [interval for interval in intervals if low < interval.end_ms <= high],
                charges=begins + ends,
                states=[
                    StateChange(charge.begin_ms, "arming", "charging", "surplus-held", -1500.0) for charge in begins
                ]
                + [StateChange(charge.end_ms or 0, "disarming", "idle", "import-held", 400.0) for charge in ends],
                faults=[FaultChange(charge.begin_ms, "starts-spent", "raised") for charge in begins[:1]],
            )
        )
    return batches


def ask(path: Path, what: str) -> None:
    """Make a report of the ledger, and print how long it took and how much memory the process has used."""
    began_s, began_cpu_s = time.perf_counter(), time.process_time()
    site = report.Household("carport", ZONE, TARIFFS, lambda _: Band(1380.0, 345.0))
    last = END.date() - timedelta(days=1)
    kind, _, form = what.partition(" ")
    days = {"day": 1, "month": 30, "year": 365, "nothing": 0}[kind]
    with Ledger(path, read_only=True) as ledger:
        size = 0
        if days:
            made = report.build(ledger, last - timedelta(days=days - 1), last, END, site)
            size = len(_page(made) if form == "page" else report.as_text(made))
    took_s, cpu_s = time.perf_counter() - began_s, time.process_time() - began_cpu_s
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines())
    peak_mb = int(status["VmHWM"].split()[0]) / 1024
    print(f"{what}: {took_s:.2f} s ({cpu_s:.2f} s of computing), {peak_mb:.0f} MB at most, {size} characters")


def _page(made: report.Report) -> str:
    from surpluscharge.history.report.page import as_html  # noqa: PLC0415  (its libraries would count in the others' memory)

    return as_html(made)


def written() -> tuple[int, int]:
    """Return bytes and calls that this process has written so far."""
    lines = dict(line.split(": ") for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines())
    return int(lines["wchar"]), int(lines["syscw"])


def daemon_day(folder: Path) -> None:
    """Write a day as the daemon does, with its daily tidying up, into a ledger that holds weeks already."""
    begin = day_span(END.date() - timedelta(days=30), ZONE)[0]
    charges: list[Charge] = []
    intervals = list(happenings(hold(samples(int(begin.timestamp()), 30), 30_000), charges))
    with Ledger(folder / "daemon.sqlite") as ledger:
        last_ms = ms_of(begin) + 29 * DAY_S * 1000
        ledger.write(Batch([interval for interval in intervals if interval.end_ms <= last_ms]))
        ledger.retain(last_ms + 1000, ZONE, Retention(), TARIFFS)
        batches = day_batches(
            [interval for interval in intervals if interval.end_ms > last_ms],
            [charge for charge in charges if charge.begin_ms > last_ms],
        )
        bytes_before, calls_before = written()
        for batch in batches:
            ledger.write(batch)
        batch_bytes = written()[0] - bytes_before
        ledger.retain(last_ms + DAY_S * 1000 + 1000, ZONE, Retention(), TARIFFS)
        ledger._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        bytes_after, calls_after = written()
    print(
        f"the daemon's day: {len(batches)} commits ({sum(bool(batch.charges) for batch in batches)} at switchings), "
        f"{batch_bytes / 1e6:.1f} MB in batches, {(bytes_after - bytes_before) / 1e6:.1f} MB with the daily "
        f"tidying up, in {calls_after - calls_before} writes"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=float, default=10.0)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--ask")
    options = parser.parse_args()
    if options.ask:
        ask(options.folder / "years.sqlite", options.ask)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = options.folder or Path(name)
        folder.mkdir(exist_ok=True)
        daemon_day(folder)
        if not (folder / "years.sqlite").exists():
            began_s, days = time.perf_counter(), round(options.years * 365.25)
            charges: list[Charge] = []
            with Ledger(folder / "years.sqlite") as ledger:
                made = happenings(years(int(END.timestamp()), days), charges)
                filled = ledger.fill(made, ms_of(END) + 3_600_000, ZONE, Retention(), tariffs=TARIFFS, gaps_only=False)
                whole = ledger.energy(0, 1 << 60)
                assert whole == filled.energy
                states = [StateChange(c.begin_ms, "arming", "charging", "surplus-held", -1500.0) for c in charges]
                ledger.write(Batch(charges=charges, states=states))
                troubles = ledger.check(ms_of(END), UTC)
                assert not troubles, troubles
            print(
                f"{options.years:g} years of readings every {EVERY_S} s ({days * DAY_S // EVERY_S} readings, "
                f"{len(charges)} charges): {filled.rows} rows, taken in within {time.perf_counter() - began_s:.0f} s"
            )
        print(f"the ledger is {(folder / 'years.sqlite').stat().st_size / 1e6:.1f} MB")
        for what in ("nothing", "day", "month", "year", "day page", "month page"):
            command = [sys.executable, "-m", "tests.bench.ledger_years", "--ask", what, "--folder", str(folder)]
            print(subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip())


if __name__ == "__main__":
    main()
