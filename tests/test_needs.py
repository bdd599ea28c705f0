"""Needs in a replay: the best possible against HiGHS, the machine lived through, and what every rule has to stand."""

from __future__ import annotations

import math
import random
from array import array
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from surpluscharge.control.wishes import Need
from surpluscharge.planning import needs, replay
from surpluscharge.planning.replay import Days, Series, series
from tests.test_replay import BEGIN_S, DRAW_W, random_params, random_series

STEP_S = needs.STEP_S


# --- the machine, lived through --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(40))
def test_with_nothing_needed_it_is_the_replay(seed: int) -> None:
    chance = random.Random(seed)
    params, readings = random_params(chance), random_series(chance, 400)
    days = Days(0, array("d", [BEGIN_S + 1500.0, BEGIN_S + 3777.7]))
    decide = needs.by_sun(params.start_export_w, params.stop_import_w)
    found = needs.follow(params, readings, days, Days(0, array("d")), DRAW_W, (), decide)
    assert found.moves == replay.moves(params, readings, days, DRAW_W)
    assert found.planned == [] and found.came_wh == ()


# --- the best possible -----------------------------------------------------------------------------------------------


class Instance:
    """A few minutes with a gain each, some of them unknown, and one, two or three needs."""

    def __init__(self, seed: int) -> None:
        chance = random.Random(seed)
        self.count = chance.randint(6, 26)
        self.known = [chance.random() > 0.06 for _ in range(self.count)]
        self.known[0] = self.known[-1] = True
        at_s = [STEP_S * n for n in range(self.count) if self.known[n]]
        self.readings: Series = series(array("d", at_s), array("d", [0.0] * len(at_s)), STEP_S)
        # Held for as long as it takes to the next, and no longer than a minute.
        self.readings = self.readings._replace(hold_s=array("d", [STEP_S] * len(at_s)))
        self.gains = [float(chance.randint(-9, 9)) if known else 0.0 for known in self.known]
        self.total = array(
            "d", [0.0, *np.cumsum([g for g, known in zip(self.gains, self.known, strict=True) if known])]
        )
        self.min_on, self.min_off = chance.choice([1, 2, 4]), chance.choice([1, 2, 4])
        ends = sorted(chance.sample(range(1, self.count + 1), chance.randint(0, 3)))
        self.needs = [(end, chance.randint(0, 8)) for end in ends]

    @property
    def dues(self) -> list[Need]:
        return [Need(end * STEP_S, (steps + 0.4) * DRAW_W * STEP_S / 3600.0) for end, steps in self.needs]

    def by_highs(self) -> tuple[float, float]:
        """Return the gain and the missing steps of the same problem as a mixed-integer programme.

        Columns: on in minute t, a start at t, a stop at t, what is missing of need k.
        """
        count, width = self.count, 3 * self.count + 1 + len(self.needs)
        on, start, stop, missing = 0, count, 2 * count, 3 * count + 1
        rows, low = [], []

        def least(terms: dict[int, float], bound: float) -> None:
            row = np.zeros(width)
            for column, factor in terms.items():
                row[column] += factor
            rows.append(row)
            low.append(bound)

        for t in range(count):
            before = {on + t - 1: -1.0} if t else {}
            change = {on + t: 1.0, start + t: -1.0, stop + t: 1.0} | before
            least(change, 0.0)
            least({column: -factor for column, factor in change.items()}, 0.0)
            least({start + t: -1.0, stop + t: -1.0}, -1.0)
            stale = next((k for k in range(t, count) if not self.known[k]), count)
            for k in range(t, min(t + self.min_on, stale)):
                least({on + k: 1.0, start + t: -1.0}, 0.0)
            for k in range(t, min(t + self.min_off, count)):
                least({on + k: -1.0, stop + t: -1.0}, -1.0)
        begin = 0
        for k, (end, steps) in enumerate(self.needs):
            least({on + t: 1.0 for t in range(begin, end)} | {missing + k: 1.0}, float(steps))
            begin = end
        cost = np.zeros(width)
        cost[:count] = [-gain for gain in self.gains]
        cost[missing:] = 1000.0
        top = np.ones(width)
        top[:count] = self.known
        top[missing:] = 100.0
        found = milp(cost, constraints=LinearConstraint(np.array(rows), np.array(low)), bounds=Bounds(0.0, top),
                     integrality=np.ones(width))  # fmt: skip
        assert found.status == 0, found.message
        missed = float(found.x[missing:].sum())
        return 1000.0 * missed - float(found.fun), missed


@pytest.mark.parametrize("seed", range(120))
def test_nothing_earns_more_that_lacks_no_more(seed: int) -> None:
    """HiGHS (scipy.optimize.milp) finds neither less that is missing, nor more that is earned."""
    case = Instance(seed)
    found = needs.best(case.readings, case.total, case.min_on * STEP_S, case.min_off * STEP_S, DRAW_W, case.dues)
    gain, missed = case.by_highs()
    assert found.lacks_wh == pytest.approx(missed * DRAW_W * STEP_S / 3600.0)
    assert found.gain == pytest.approx(gain, abs=1e-9)
    for (begin_s, end_s), (after_s, _) in pairwise([*found.runs, (math.inf, math.inf)]):
        assert end_s > begin_s and after_s - end_s >= case.min_off * STEP_S
    for (end, steps), began in zip(case.needs, [0, *(end for end, _ in case.needs)], strict=False):
        took = sum(max(0.0, min(e, end * STEP_S) - max(b, began * STEP_S)) for b, e in found.runs) / STEP_S
        assert took >= steps - missed - 1e-9
