"""Run simulated houses with troubles against the invariants, on all cores: `python -m tests.bench.house_years`.

`--minutes 30` says for how long; the houses go on from one seed to the next. Every fourth has no troubles at all, so
that what is raised without a cause can be counted per fault-free year. Printed are the house-years, what was made to go
wrong and what came of it, and each broken invariant with the command that replays it and finds the troubles it needs.
"""

from __future__ import annotations

import argparse
import itertools
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait

from tests.simulation import KINDS, Broken, Result, plan, run_house, shrink, simulate

DAYS = 7  # of one house
DAYS_PER_YEAR = 365.25
FAULT_FREE_EVERY = 4  # houses
TELL_EVERY_S = 10.0


def has_faults(seed: int) -> bool:
    """Say whether things go wrong in the house of this seed."""
    return seed % FAULT_FREE_EVERY != FAULT_FREE_EVERY - 1


def run_one(seed: int, days: int) -> tuple[int, Result | None, str]:
    """Run one seed; return its result, or why there is none."""
    try:
        return seed, run_house(seed, days, has_faults(seed)), ""
    except Broken as error:
        return seed, None, str(error)
    except Exception as error:  # whatever it is, the seed is worth more than all other results
        return seed, None, f"seed {seed}: {error!r}"


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
    injected, could, detected, missed = (
        sum(counts.values()) for counts in (total.injected, total.shown, total.detected, total.missed)
    )
    yield f"{'all':24}{injected:9}{could:12}{detected:10}{missed:8}"
    years = total.fault_free_days / DAYS_PER_YEAR
    yield f"contact closed with the relay wanted off (on its way, stuck, out of reach): {total.unwished_s / 3600:.1f} h"
    yield f"faults raised: {', '.join(f'{code} {count}' for code, count in sorted(total.raised.items())) or 'none'}"
    yield f"raised without a cause: {', '.join(f'{c} {n}' for c, n in sorted(total.false.items())) or 'none'}"
    rate = total.false_on_fault_free_days / years if years else 0.0
    yield (
        f"of {total.fault_free_days} days without any trouble ({years:.2f} years), {total.false_on_fault_free_days} "
        f"had a fault raised without a cause: {rate:.2f} per fault-free year"
    )
    faulty = sum(total.feed_faults.values())
    yield (
        f"needed by a morning, and met: {total.needs['need_met']}; missed: {total.needs['need_missed']}, of them "
        f"{len(total.missed_needs)} with nothing wrong but the prices; {faulty} messages of prices spoilt in "
        f"{len(total.feed_faults)} ways, {total.named} lines of the log name one"
    )
    yield from (f"missed: {line}" for line in total.missed_needs[:20])
    for what, count in sorted(total.expected.items()):
        yield f"known weakness, seen {count} times: {what}"
    yield from (f"missed: {line}" for line in total.missed_seeds[:20])
    yield from (f"without a cause: {line}" for line in total.doubts[:20])


def run(first: int, houses: int | None, minutes: float) -> tuple[Result, list[tuple[int, str]], int, float]:
    """Run houses from a first seed on, until there are so many or the time is over."""
    total, failed, done, began_s = Result(first, 0), list[tuple[int, str]](), 0, time.monotonic()
    seeds = itertools.count(first) if houses is None else iter(range(first, first + houses))
    told_s = began_s
    with ProcessPoolExecutor() as pool:
        running = {pool.submit(run_one, seed, DAYS) for seed in itertools.islice(seeds, 2 * (os.cpu_count() or 1))}
        while running:
            finished, running = wait(running, TELL_EVERY_S, FIRST_COMPLETED)
            for future in finished:
                seed, result, why = future.result()
                done += 1
                if result is None:
                    failed.append((seed, why))
                    print(f"\n{why}", file=sys.stderr, flush=True)  # at once: there is something to look into
                else:
                    total += result
                if time.monotonic() < began_s + 60 * minutes:
                    running |= {pool.submit(run_one, seed, DAYS) for seed in itertools.islice(seeds, 1)}
            if time.monotonic() >= told_s + TELL_EVERY_S:
                told_s = time.monotonic()
                print(
                    f"{told_s - began_s:.0f} s: {done} houses, {total.days / DAYS_PER_YEAR:.2f} house-years, "
                    f"{len(failed)} broken, {sum(total.missed.values())} missed, {sum(total.false.values())} false",
                    end="\r" if sys.stderr.isatty() else "\n",
                    file=sys.stderr,
                    flush=True,
                )
    return total, failed, done, time.monotonic() - began_s


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=30.0, help="stop after so long (default: 30)")
    parser.add_argument("--years", type=float, help="or after so many, of all houses together")
    parser.add_argument("--seed", type=int, default=0, help="the first seed; with --days: replay this one")
    parser.add_argument("--days", type=int, help="of the one house that is replayed")
    options = parser.parse_args()
    if options.days:
        return replay(options.seed, options.days, has_faults(options.seed))
    houses = None if options.years is None else max(1, round(options.years * DAYS_PER_YEAR / DAYS))
    total, failed, done, took_s = run(options.seed, houses, options.minutes)
    print(
        f"seeds {options.seed} to {options.seed + done - 1}: {done} houses of {DAYS} days, {total.days} house-days "
        f"({total.days / DAYS_PER_YEAR:.2f} house-years) in {took_s:.0f} s on {os.cpu_count()} cores; "
        f"{total.starts} charges, {total.energy_wh / 1000:.0f} kWh, {total.checks} moments looked at"
    )
    print("\n".join(table(total)))
    print(f"{len(failed)} houses with an invariant broken")
    for seed, why in sorted(failed)[:40]:
        print(f"{why}\n  replay: python -m tests.bench.house_years --seed {seed} --days {DAYS}")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
