"""Walk through far more states than the tests do: `python -m tests.bench.explore --minutes 10`.

Prints, for each set of parameters, the states and transitions, whether that was all there is, and the rows of the
table that decided; then the same for the weighing of faults; then, with `--bugs`, each planted bug and which check
finds it, in the walk and in the random sequences.
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
import time
from collections.abc import Sequence
from typing import Any

from surpluscharge.control import machine
from surpluscharge.control.machine import CLEAR, END, HOLD, TABLE, TRIP
from tests import test_invariants
from tests.explore import KINDS, LARGE, PLANTED, FaultReport, Kind, Report, caught, planted, walk, walk_faults
from tests.world import Broken, random_sequence


def walk_case(job: tuple[str, float]) -> tuple[str, Report, float]:
    name, seconds = job
    began_s = time.monotonic()
    report = walk(LARGE[name], proceed=lambda: time.monotonic() < began_s + seconds)
    return name, report, time.monotonic() - began_s


def machine_walks(minutes: float, processes: int) -> int:
    each_s = 60 * minutes * processes / len(LARGE)
    states = transitions = violations = 0
    rows: set[int] = set()
    print(f"{'parameters':32} {'inputs':>6} {'states':>8} {'transitions':>12} {'all':>4} {'rows':>4} {'seconds':>7}")
    with multiprocessing.Pool(processes) as pool:
        for name, report, took_s in pool.imap_unordered(walk_case, [(name, each_s) for name in LARGE]):
            print(
                f"{name:32} {len(LARGE[name].alphabet()):6} {report.states:8} {report.transitions:12} "
                f"{'yes' if report.complete else 'no':>4} {len(report.rows):4} {took_s:7.0f}",
                flush=True,
            )
            if report.violation:
                violations += 1
                print(f"  {report.violation.path} leads to {report.violation}")
            states, transitions, rows = states + report.states, transitions + report.transitions, rows | report.rows
    missed = sorted(set(range(len(TABLE))) - rows)
    print(f"machine: {states} states, {transitions} transitions, {violations} violations, rows not reached: {missed}")
    return violations + len(missed)


def fault_walks() -> int:
    reports: list[tuple[str, FaultReport]] = [(str(kind), walk_faults([kind])) for kind in KINDS]
    # Several at a time: one of each severity, latching, clearing by its own condition, held or not.
    trip, hold = Kind(TRIP, 0, True, 0, 0, False), Kind(HOLD, 0, False, 0, 0, True)
    end, note = Kind(END, 2, False, 0, 0, False), Kind(CLEAR, 0, False, 0, 0, False)
    for several in ([trip, hold, end, note], [trip._replace(after=2), hold, end], [trip, trip, hold]):
        reports.append((f"{len(several)} rows together", walk_faults(several, day=1)))
    for first, second in itertools.combinations(KINDS, 2):
        if first.cooldown == second.cooldown == 0:
            reports.append(("two rows together", walk_faults([first, second], day=3)))
    broken = [(name, report.violation) for name, report in reports if report.violation]
    for name, violation in broken:
        print(f"  {name}: {violation}")
    print(
        f"weighing of faults: {len(KINDS)} kinds of row, {len(reports)} walks, "
        f"{sum(report.states for _, report in reports)} states, "
        f"{sum(report.transitions for _, report in reports)} transitions, {len(broken)} violations"
    )
    return len(broken)


FACTS = [
    "ENABLED",
    "STOPPING",
    "FRESH",
    "EXPORT",
    "IMPORT",
    "DELAY_OVER",
    "MIN_ON_OVER",
    "MIN_OFF_OVER",
    "BUDGET_LEFT",
    "TIME_SPENT",
    "ENERGY_SPENT",
    "HELD",
    "TRIPPED",
    "ENDING",
    "PLANNED",
]


def table_bugs() -> dict[str, tuple[Any, ...]]:
    """Return every table with one row dropped, and every one with one fact of one row no longer looked at."""
    bugs: dict[str, tuple[Any, ...]] = {}
    for index, row in enumerate(TABLE):
        before, after = TABLE[:index], TABLE[index + 1 :]
        label = f"row {index} ({machine.CAUSES[row.cause]})"
        bugs[f"{label} dropped"] = ("TABLE", (*before, *after))
        for fact in FACTS:
            bit = getattr(machine, fact)
            for field, bits in (("when", row.when), ("unless", row.unless)):
                if bits & bit:
                    bugs[f"{label} without {field} {fact}"] = (
                        "TABLE",
                        (*before, row._replace(**{field: bits & ~bit}), *after),
                    )
    return bugs


def find_bug(job: tuple[str, Sequence[Any], int]) -> tuple[str, tuple[str, str] | None, str]:
    name, change, seeds = job
    by_walk = None if change[0].startswith("Controller.") else caught(change)  # the walk is the machine's
    by_sequence = f"not in {seeds} sequences"
    with planted(*change):
        for seed in range(seeds):
            try:
                random_sequence(seed)
            except Broken as broken:
                by_sequence = f"seed {seed}, {str(broken).split(':')[0]}"
                break
    return name, by_walk, by_sequence


def bugs(seeds: int, processes: int) -> int:
    jobs: list[tuple[str, Sequence[Any], int]] = [(name, tuple(bug)[2:], seeds) for name, bug in PLANTED.items()]
    jobs += [(name, change, seeds) for name, change in (test_invariants.PLANTED | table_bugs()).items()]
    found_by_walk = found_by_sequence = found = 0
    with multiprocessing.Pool(processes) as pool:
        for name, by_walk, by_sequence in pool.imap(find_bug, jobs):
            walk_says = f"check {by_walk[0]}, in {by_walk[1]}" if by_walk else "not in the walk"
            print(f"{name:70} {walk_says:52} {by_sequence}", flush=True)
            in_sequence = by_sequence.startswith("seed")
            found_by_walk += by_walk is not None
            found_by_sequence += in_sequence
            found += by_walk is not None or in_sequence
    print(
        f"planted bugs: {len(jobs)}, found {found}: in the walk {found_by_walk}, in {seeds} random sequences "
        f"{found_by_sequence}"
    )
    return len(jobs) - found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="for the walk through the machine")
    parser.add_argument("--processes", type=int, default=multiprocessing.cpu_count())
    parser.add_argument("--bugs", action="store_true", help="plant bugs as well")
    parser.add_argument("--sequences", type=int, default=200, help="random sequences for each planted bug")
    options = parser.parse_args()
    bad = machine_walks(options.minutes, options.processes) + fault_walks()
    if options.bugs:
        bad += bugs(options.sequences, options.processes)
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
