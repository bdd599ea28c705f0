"""Run years of simulated houses with troubles against the invariants: `python -m tests.bench.house_years --years 30`.

Prints the first seed, the house-days, the time taken, and a table of what was made to go wrong and what came of it. A
failing seed replays alone, and is shrunk to the troubles it needs: `--seed S --days D`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections.abc import Iterator

from tests.simulation import KINDS, Broken, Result, plan, run_house, shrink, simulate

DAYS = 7  # of one house
DAYS_PER_YEAR = 365.25


def run_one(task: tuple[int, int, bool]) -> tuple[int, Result | None, str]:
    """Run one seed; return its result, or why there is none."""
    seed, days, faults = task
    try:
        return seed, run_house(seed, days, faults), ""
    except Broken as error:
        return seed, None, str(error)


def replay(seed: int, days: int, faults: bool) -> int:
    """Run one seed again; if it fails, say how, and with how little."""
    schedule = plan(seed, days) if faults else []
    try:
        result = simulate(seed, days, schedule).result
    except Broken as error:
        print(error)
        print("\n".join(f"  {line}" for note in error.__notes__ for line in note.splitlines()[-25:]))
        print("the least that must go wrong for this:")
        for episode in shrink(seed, days, schedule):
            print(f"  {episode}")
        return 1
    print(f"seed {seed} holds for {days} days")
    for episode in schedule:
        print(f"  {episode}{', showed' * episode.shown}{', detected' * episode.detected}")
    print("\n".join(table(result)))
    return 0


def table(total: Result) -> Iterator[str]:
    """Say what went wrong how often, and what came of it."""
    yield f"{'trouble':24}{'injected':>9}{'could show':>12}{'detected':>10}{'missed':>8}"
    for name, kind in KINDS.items():
        row = f"{name:24}{total.injected[name]:9}"
        if kind.codes:
            row += f"{total.shown[name]:12}{total.detected[name]:10}{total.missed[name]:8}"
        yield row
    years = total.fault_free_days / DAYS_PER_YEAR
    yield f"contact closed with the relay wanted off (on its way, stuck, out of reach): {total.unwished_s / 3600:.1f} h"
    yield f"faults raised: {', '.join(f'{code} {count}' for code, count in sorted(total.raised.items())) or 'none'}"
    yield f"raised without a cause: {', '.join(f'{c} {n}' for c, n in sorted(total.false.items())) or 'none'}"
    yield (
        f"of {total.fault_free_days} days without any trouble ({years:.2f} years), "
        f"{total.false_on_fault_free_days} had a fault raised without a cause"
    )
    for what, count in sorted(total.expected.items()):
        yield f"known weakness, seen {count} times: {what}"
    yield from (f"missed: {line}" for line in total.missed_seeds[:20])
    yield from (f"without a cause: {line}" for line in total.doubts[:20])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=float, default=1.0, help="of all houses together")
    parser.add_argument("--minutes", type=float, default=600.0, help="stop after so long, wherever it is")
    parser.add_argument("--seed", type=int, help="the first seed; with --days: replay this one")
    parser.add_argument("--days", type=int, help="of the one house that is replayed")
    parser.add_argument("--fault-free", action="store_true", help="nothing goes wrong")
    options = parser.parse_args()
    faults = not options.fault_free
    first = options.seed or 0
    if options.days:
        return replay(first, options.days, faults)
    houses = max(1, round(options.years * DAYS_PER_YEAR / DAYS))
    tasks = [(seed, DAYS, faults) for seed in range(first, first + houses)]
    began_s, done, total, failed = time.monotonic(), 0, Result(first, 0), []
    with multiprocessing.Pool() as pool:
        for seed, result, why in pool.imap_unordered(run_one, tasks):
            done += 1
            if result is None:
                failed.append((seed, why))
            else:
                total += result
            took_s = time.monotonic() - began_s
            if sys.stderr.isatty() or done % 50 == 0:
                print(f"\r{done} of {houses} houses, {took_s:.0f} s, {len(failed)} broken", end="", file=sys.stderr)
            if took_s > 60 * options.minutes:
                pool.terminate()
                break
    print(file=sys.stderr)
    print(
        f"from seed {first}: {done} houses of {DAYS} days, {total.days} house-days "
        f"({total.days / DAYS_PER_YEAR:.2f} house-years) in {took_s:.0f} s; {total.starts} charges, "
        f"{total.energy_wh / 1000:.0f} kWh, {total.checks} moments looked at"
    )
    print("\n".join(table(total)))
    print(f"{len(failed)} houses with an invariant broken")
    for _, why in sorted(failed)[:40]:
        print(why)
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
