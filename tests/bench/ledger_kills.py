"""Kill a writing process at random instants, fill its disk, and see what the ledger holds afterwards.

`python -m tests.bench.ledger_kills [--times N]`. A child process writes batches without pause, and says after each
commit how much energy is on record now and which charges have ended. The parent kills it with SIGKILL at a random
instant, opens the ledger, and holds it against what the child said last (invariant 10): at least that much, at most one
batch more, no time twice, every charge that was said to have ended. As root it then does the same on a full disk (a
tmpfs of half a megabyte), where writing fails again and again before the kill; otherwise a limit on the file's size
stands in for it. Before that, with readings of energy registers and a writer that is absent now and then: whenever it
is killed, what flowed in its gaps is on record once, and to the milliwatt-second.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC
from pathlib import Path
from typing import NamedTuple

from surpluscharge.control.slots import Slot
from surpluscharge.history.energy import NOTHING, Energy, Interval, Sample, held, total
from surpluscharge.history.ledger import LOST, Batch, Charge, Due, FaultChange, Ledger, Mark, PlanAhead

EVERY_MS = 10_000
BATCH = 30  # intervals, as the daemon writes them in five minutes
FULL_BYTES = 600_000


ABSENT_OF_TEN = (
    5,
    6,
    7,
)  # batches that nobody writes, of each ten: a gap of a quarter of an hour, which registers fill
NAMES = ("import", "export", "charged")


class Outcome(NamedTuple):
    kills: int
    batches: int  # that were written in all
    refused: int  # for want of room


def interval(number: int) -> Interval:
    """Return the interval of this number: always the same."""
    chance = random.Random(number)
    on = number // BATCH % 3 == 1
    planned = number // BATCH % 2 == 1
    sample = Sample(number * EVERY_MS, chance.uniform(-3000, 3000), 1380.0 * on, on, planned=planned)
    return held(sample, (number + 1) * EVERY_MS)


def batch(first: int) -> Batch:
    """Return the batch that begins with this interval: every third holds a whole charge, and a fault.

    And every third what was published and in force, what was needed, and what is planned.
    """
    intervals = [interval(number) for number in range(first, first + BATCH)]
    begin_ms, end_ms = intervals[0].begin_ms, intervals[-1].end_ms
    if first // BATCH % 3 == 0:
        return Batch(intervals)
    if first // BATCH % 3 == 2:
        slot = Slot(begin_ms // 1000, end_ms // 1000, first / 1000)
        return Batch(
            intervals,
            ahead=[("prices", (slot,))],
            prices=[(slot.begin_s, (slot,))],
            dues=[Due(end_ms, begin_ms, first, first + 1, 0, True, False)],
            plan=PlanAhead(first, f"plan {first}").written(),
        )
    energy = NOTHING
    for one in intervals:
        energy = energy.plus(one.energy)
    return Batch(
        intervals,
        charges=[Charge(begin_ms, begin_ms, end_ms, "import-held", energy)],
        faults=[FaultChange(begin_ms, "draw-low", "raised"), FaultChange(end_ms, "draw-low", "cleared")],
    )


def child(path: Path, limit_bytes: int) -> None:
    """Write on from where the ledger ends, until killed. Each line said is a fact about the disk."""
    if limit_bytes:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))
    with Ledger(path) as ledger:
        ledger.recover(1 << 60)
        bounds = ledger.bounds()
        first = bounds[1] // EVERY_MS if bounds else 0
        while True:
            try:
                ledger.write(batch(first))
                if first % (BATCH * 7) == 0:
                    ledger.write(batch(first))  # as after an outcome that was not known
            except sqlite3.Error as error:
                print(json.dumps({"refused": str(error)}), flush=True)
                time.sleep(0.002)
                continue
            first += BATCH
            print(json.dumps({"intervals": first}), flush=True)


def counted(number: int, before: Energy) -> tuple[Batch, Energy]:
    """Return a batch with readings of energy registers at its end, and what they have counted by then."""
    intervals = [interval(one) for one in range(number * BATCH, (number + 1) * BATCH)]
    so_far = total([before, *(one.energy for one in intervals)])
    shown = (so_far.import_mws, so_far.export_mws, so_far.charger_mws)
    end_ms = intervals[-1].end_ms
    marks = [Mark(name, end_ms, name, 1, mws, mws) for name, mws in zip(NAMES, shown, strict=True)]
    return Batch(intervals, marks=marks), so_far


def counting_child(path: Path) -> None:
    """Write on as a daemon with energy registers that is absent now and then, until killed."""
    with Ledger(path) as ledger:
        mark = ledger.last_mark(NAMES[0])
        number, so_far = 0, NOTHING
        while True:
            batch_, so_far = counted(number, so_far)
            if number % 10 not in ABSENT_OF_TEN and (mark is None or batch_.marks[0].at_ms > mark.at_ms):
                ledger.write(batch_)
                ledger.reckon(NAMES, 1e6, UTC, None)
                print(json.dumps({"batches": number + 1}), flush=True)
            number += 1


def examine_counted(path: Path, said: int) -> int:
    """Open the ledger after a kill; what flowed in gaps must be there once, to the milliwatt-second; return batches."""
    with Ledger(path) as ledger:
        ledger.reckon(NAMES, 1e6, UTC, None)  # as with the next batch
        assert ledger.check(1 << 60, UTC) == [], ledger.check(1 << 60, UTC)
        mark = ledger.last_mark(NAMES[0])
        there = mark.at_ms // (EVERY_MS * BATCH) if mark else 0
        assert said <= there, (said, there)
        truth = NOTHING
        for number in range(there):
            _, truth = counted(number, truth)
        found = ledger.energy(0, 1 << 60)
        names = ("known_ms", "import_mws", "export_mws", "charger_mws")
        assert [getattr(found, name) for name in names] == [getattr(truth, name) for name in names]
    return there


def examine(path: Path, said: int) -> int:
    """Open the ledger after a kill, and hold it against what was said; return the intervals on record."""
    with Ledger(path) as ledger:
        assert ledger.check(1 << 60, UTC) == [], ledger.check(1 << 60, UTC)
        bounds = ledger.bounds()
        there = bounds[1] // EVERY_MS if bounds else 0
        assert said <= there <= said + BATCH, (said, there)
        assert there % BATCH == 0, f"a batch was torn: {there}"
        sums = [0] * len(NOTHING)
        charges: list[Charge] = []
        planned: list[Batch] = []
        for first in range(0, there, BATCH):
            expected = batch(first)
            charges += expected.charges
            planned += [expected] if expected.dues else []
            for one in expected.intervals:
                sums = [so_far + value for so_far, value in zip(sums, one.energy, strict=True)]
        assert list(ledger.energy(0, 1 << 60)) == sums, "the energy on record is not what was written"
        assert ledger.charges(0, 1 << 60) == charges
        assert len(ledger.faults(0, 1 << 60)) == len(charges)
        assert not [charge for charge in charges if charge.cause == LOST]
        assert ledger.dues(0, 1 << 60) == [due for one in planned for due in one.dues]
        assert ledger.moved(0, 1 << 40) == tuple(slot for one in planned for _, book in one.prices for slot in book)
        if planned:
            assert ledger.ahead() == {"prices": [list(slot) for slot in planned[-1].ahead[0][1]]}
            assert ledger.plan() == PlanAhead.read(planned[-1].plan or "")
    return there


def kill_at_random(folder: Path, times: int, seed: int, limit_bytes: int = 0, *, registers: bool = False) -> Outcome:
    """Start a writer, kill it at a random instant, examine; so many times, on one and the same ledger."""
    chance, path = random.Random(seed), folder / "kills.sqlite"
    said = refused = 0
    for _ in range(times):
        command = [sys.executable, "-m", "tests.bench.ledger_kills", "--child", str(path), "--limit", str(limit_bytes)]
        command += ["--registers"] if registers else []
        writer = subprocess.Popen(command, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2])
        assert writer.stdout is not None
        heard = [writer.stdout.readline()]  # it writes; now an instant at random
        assert heard[0], "the writer ended by itself"
        time.sleep(chance.uniform(0, 0.15))
        writer.send_signal(signal.SIGKILL)
        assert writer.wait() == -signal.SIGKILL
        heard += writer.stdout.readlines()
        writer.stdout.close()
        for line in heard:
            if line.endswith(b"\n"):
                fact = json.loads(line)
                said = fact.get("batches" if registers else "intervals", said)
                refused += "refused" in fact
        said = examine_counted(path, said) if registers else examine(path, said)
    return Outcome(times, said if registers else said // BATCH, refused)


@contextlib.contextmanager
def small_disk() -> Iterator[tuple[Path, int]]:
    """Yield a folder on a disk of half a megabyte, or one with a limit on the size of a file."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        mounted = (
            os.geteuid() == 0
            and not subprocess.run(
                ["mount", "-t", "tmpfs", "-o", f"size={FULL_BYTES}", "tmpfs", name], capture_output=True, check=False
            ).returncode
        )
        try:
            yield folder, 0 if mounted else FULL_BYTES // 2
        finally:
            if mounted:
                subprocess.run(["umount", name], check=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", type=Path)
    parser.add_argument("--limit", type=int, default=0)
    parser.add_argument("--registers", action="store_true", help="only with energy registers, and gaps that they fill")
    options = parser.parse_args()
    if options.child and options.registers:
        counting_child(options.child)
        return
    if options.child:
        child(options.child, options.limit)
        return
    with tempfile.TemporaryDirectory() as name:
        outcome = kill_at_random(Path(name), options.times, options.seed, registers=True)
    print(f"{outcome.kills} kills with registers, {outcome.batches} batches: each gap filled once, to the last digit")
    if options.registers:
        return
    with tempfile.TemporaryDirectory() as name:
        outcome = kill_at_random(Path(name), options.times, options.seed)
    print(f"{outcome.kills} kills, {outcome.batches} batches: nothing lost, nothing twice, nothing torn")
    with small_disk() as (folder, limit_bytes):
        outcome = kill_at_random(folder, options.times, options.seed + 1, limit_bytes)
        kind = "a file size limit" if limit_bytes else "a full tmpfs"
    print(
        f"{outcome.kills} kills with {kind}: {outcome.batches} batches written, {outcome.refused} times refused; "
        "nothing lost, nothing twice, nothing torn"
    )


if __name__ == "__main__":
    main()
