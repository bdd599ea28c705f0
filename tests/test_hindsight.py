"""The hindsight optimum against HiGHS (scipy.optimize.milp) on random small instances, and by hand."""

from __future__ import annotations

import random
from array import array
from bisect import bisect_right
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from surpluscharge.planning import compiling, hindsight
from surpluscharge.planning.replay import Days, Series, series


class Instance:
    """A few readings at odd times, gaps among them, with a gain for each interval."""

    def __init__(self, seed: int) -> None:
        chance = random.Random(seed)
        count = chance.randint(4, 26)
        at_s = [0.0]
        for _ in range(count - 1):
            at_s.append(at_s[-1] + chance.choice([10.0, 10.0, 10.0, 7.0, 13.0, 40.0]))
        self.readings: Series = series(array("d", at_s), array("d", [0.0] * count), chance.choice([20.0, 100.0]))
        self.gains = [float(chance.randint(-9, 9)) for _ in range(count)]
        self.total = array("d", [0.0, *np.cumsum(self.gains)])
        self.min_on_s = chance.choice([0.0, 10.0, 25.0, 60.0])
        self.min_off_s = chance.choice([0.0, 10.0, 25.0, 60.0])
        ends = sorted(chance.sample(range(1, int(self.readings.end_s)), chance.randint(0, 2)))
        self.days = Days(0, array("d", ends))
        self.budget = chance.choice([None, 1, 2, 3])
        self.cap_s = chance.choice([20.0, 50.0, 90.0])

    def by_highs(self, cap: bool = False) -> float:
        """Return the optimum of the same problem, written down as a mixed-integer programme.

        u: on in interval i; s: a start at reading i; z: a stop at reading i. What is on when a reading goes stale is
        off afterwards, and may start again after the minimum-off time.
        """
        at_s, hold_s, count = self.readings.at_s, self.readings.hold_s, len(self.gains)
        edges = [*at_s, self.readings.end_s]
        gaps = [at_s[i] + hold_s[i] < edges[i + 1] for i in range(count)]
        rows, low, high = [], [], []

        def add(terms: dict[int, float], least: float, most: float) -> None:
            row = np.zeros(3 * count)
            for column, factor in terms.items():
                row[column] += factor
            rows.append(row)
            low.append(least)
            high.append(most)

        u, s, z = range(count), range(count, 2 * count), range(2 * count, 3 * count)
        for i in range(count):
            carried = i > 0 and not gaps[i - 1]
            add({u[i]: 1, **({u[i - 1]: -1} if carried else {}), s[i]: -1, z[i]: 1}, 0, 0)
            if not carried:
                add({z[i]: 1}, 0, 0)
            add({s[i]: 1, z[i]: 1}, 0, 1)
            for j in range(i, count):
                if edges[j] < at_s[i] + self.min_on_s and not any(gaps[i:j]):
                    add({u[j]: 1, s[i]: -1}, 0, 1)
                if edges[j] < at_s[i] + self.min_off_s:
                    add({u[j]: 1, z[i]: 1}, 0, 1)
                if gaps[i] and j > i and edges[j] < at_s[i] + hold_s[i] + self.min_off_s:
                    add({u[j]: 1, u[i]: 1}, 0, 1)
        for day in range(len(self.days.ends_s) + 1):
            of_day = [i for i in range(count) if bisect_right(self.days.ends_s, at_s[i]) == day]
            if self.budget is not None:
                add({s[i]: 1 for i in of_day}, 0, self.budget)
            if cap:
                add({u[i]: hold_s[i] for i in of_day}, 0, self.cap_s)
        cost = np.concatenate([-np.array(self.gains), np.zeros(2 * count)])
        found = milp(cost, constraints=LinearConstraint(np.array(rows), low, high), integrality=1, bounds=Bounds(0, 1))
        assert found.success
        return -float(found.fun)

    def earned(self, runs: list[tuple[float, float]]) -> float:
        return sum(hindsight.between(self.readings, self.total, begin_s, end_s) for begin_s, end_s in runs)


@pytest.mark.parametrize("block", range(10))
def test_it_equals_highs(block: int) -> None:
    """300 random instances; the gains are whole numbers, so equal means equal."""
    worth_it = 0
    for seed in range(30 * block, 30 * block + 30):
        case = Instance(seed)
        found = hindsight.best(case.readings, case.total, case.min_on_s, case.min_off_s, case.days, case.budget)
        assert found.gain == round(case.by_highs(), 6), f"seed {seed}"
        assert found.at_most == found.gain
        assert case.earned(found.runs) == pytest.approx(found.gain), f"seed {seed}"
        for (_, end_s), (begin_s, _) in pairwise(found.runs):
            assert begin_s >= end_s + case.min_off_s
        worth_it += len(found.runs) > 1
    assert worth_it > 5


def test_a_days_cap_is_known_from_both_sides() -> None:
    """HiGHS lies between what is shown and what is said to be the most (switching at readings only)."""
    bound = 0
    for seed in range(120):
        case = Instance(seed)
        case.days = Days(0, array("d"))  # a run that crosses into another day counts in both; HiGHS by its readings
        found = hindsight.best_within(
            case.readings, case.total, case.min_on_s, case.min_off_s, case.days, case.cap_s, case.budget
        )
        highs = case.by_highs(cap=True)
        assert found.at_most >= highs - 1e-6, f"seed {seed}"
        assert case.earned(found.runs) == pytest.approx(found.gain)
        assert sum(end_s - begin_s for begin_s, end_s in found.runs) <= case.cap_s + hindsight.SLACK_S
        assert found.gain <= highs + 1e-6
        bound += found.at_most > found.gain
    assert bound > 10


def test_by_hand() -> None:
    # Ten minutes a reading. Gains: -1 5 -2 4 -9 3. With at least 20 min on and 10 off: from 10 to 40 min, and the last
    # reading's run would need the -9 before it or last beyond the end, which only the end cuts short.
    readings = series(array("d", [600.0 * i for i in range(6)]), array("d", [0.0] * 6), 600.0)
    total = array("d", [0.0, *np.cumsum([-1.0, 5.0, -2.0, 4.0, -9.0, 3.0])])
    found = hindsight.best(readings, total, 1200.0, 600.0, Days(0, array("d")))
    assert (found.gain, found.runs) == (10.0, [(600.0, 2400.0), (3000.0, 3600.0)])
    found = hindsight.best(readings, total, 1200.0, 600.0, Days(0, array("d")), starts_per_day=1)
    assert (found.gain, found.runs) == (7.0, [(600.0, 2400.0)])
    # On a day on which every minute is worth the same, a cap of half the day leaves half the gain.
    level = array("d", [float(i) for i in range(7)])
    found = hindsight.best_within(readings, level, 1200.0, 600.0, Days(0, array("d")), 1800.0)
    assert found.gain == pytest.approx(3.0)
    assert found.at_most == pytest.approx(3.0, abs=1e-3)


def test_without_the_compiler_it_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    cases = [Instance(seed) for seed in range(40)]

    def solve() -> list[hindsight.Hindsight]:
        return [
            hindsight.best_within(
                case.readings, case.total, case.min_on_s, case.min_off_s, case.days, case.cap_s, case.budget
            )
            for case in cases
        ]

    first = solve()
    monkeypatch.setattr(compiling, "available", lambda: False)
    assert solve() == first
