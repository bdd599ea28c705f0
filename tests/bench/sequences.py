"""Run many random event sequences against the invariants: `python -m tests.bench.sequences --count 100000`.

Prints the first seed, the count and what happened in them. A failing seed replays alone: `--seed S --count 1`.
`--searches 20` lets Hypothesis choose the events besides, that many times afresh; it shortens what fails.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections import Counter

from hypothesis import settings
from hypothesis.stateful import run_state_machine_as_test

from surpluscharge.control.machine import MODE_NAMES
from tests.test_invariants import Sequences
from tests.world import Broken, random_sequence

BLOCK = 250


def run_block(first: int) -> tuple[Counter[str], list[tuple[int, str]]]:
    """Run BLOCK seeds; return what was counted and the seeds that failed."""
    counts: Counter[str] = Counter()
    failed = []
    for seed in range(first, first + BLOCK):
        try:
            world = random_sequence(seed)
        except Broken as error:
            failed.append((seed, str(error)))
        else:
            counts["starts"] += len(world.starts_s)
            counts["house seconds"] += int(world.now_s)
            counts[f"ended {MODE_NAMES[world.controller.state.mode]}"] += 1
    return counts, failed


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=10000)
    parser.add_argument("--minutes", type=float, default=600.0, help="stop after so long, wherever it is")
    parser.add_argument("--searches", type=int, default=0)
    options = parser.parse_args()
    for number in range(1, options.searches + 1):
        run_state_machine_as_test(
            Sequences,
            settings=settings(Sequences.TestCase.settings, derandomize=False, database=None, print_blob=True),
        )
        print(f"search {number} of {options.searches}: no invariant broken", flush=True)
    if options.count == 1:
        random_sequence(options.seed)
        print(f"seed {options.seed} holds")
        return 0
    began_s, done, counts, failed = time.monotonic(), 0, Counter[str](), []
    firsts = range(options.seed, options.seed + options.count, BLOCK)
    with multiprocessing.Pool() as pool:
        for block_counts, block_failed in pool.imap(run_block, firsts):
            done += BLOCK
            counts += block_counts
            failed += block_failed
            took_s = time.monotonic() - began_s
            print(
                f"\r{done} of {options.count} sequences, {took_s:.0f} s, {len(failed)} broken", end="", file=sys.stderr
            )
            if took_s > 60 * options.minutes:
                pool.terminate()
                break
    print(file=sys.stderr)
    print(
        f"seeds {options.seed} to {options.seed + done - 1}: {done} sequences, {len(failed)} with an invariant broken"
    )
    print(", ".join(f"{name}: {count}" for name, count in sorted(counts.items())))
    for seed, what in failed[:20]:
        print(f"seed {seed}: {what}")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
