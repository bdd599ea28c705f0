"""The hindsight optimum against HiGHS (scipy.optimize.milp) on random small instances, and by hand."""

from __future__ import annotations

import random
from array import array
from bisect import bisect_right
from itertools import pairwise

import numpy as np
import pytest
import scipy  # its parts come when they are asked for

from surpluscharge.control.rule import Band
from surpluscharge.planning import comparing, compiling, hindsight, tune
from surpluscharge.planning.comparing import Study
from surpluscharge.planning.replay import Days, Series, series
from tests.conftest import config_from


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

    @classmethod
    def with_windows(cls, seed: int) -> Instance:
        """Return one whose readings are whole ticks apart; every other has hours that are all worth the same."""
        case, chance = cls(seed), random.Random(1000 + seed)
        count = len(case.gains)
        at_s = np.cumsum([0.0, *(chance.choice([10.0] * 6 + [40.0]) for _ in range(count - 1))])
        case.readings = series(array("d", at_s), array("d", [0.0] * count), chance.choice([20.0, 100.0]))
        if seed % 2:
            windows = [[float(chance.randint(-9, 9))] * chance.randint(1, 12) for _ in range(count)]
            case.gains = [gain for window in windows for gain in window][:count]
            case.total = array("d", [0.0, *np.cumsum(case.gains)])
        ends = sorted(chance.sample(range(1, int(case.readings.end_s)), chance.randint(0, 2)))
        case.days = Days(0, array("d", ends))
        case.cap_s = max(case.min_on_s, chance.choice([20.0, 50.0, 90.0]))
        return case

    def by_highs(self, cap: bool = False, cut: bool = True) -> float:
        """Return the optimum of the same problem, written down as a mixed-integer programme.

        For each session (a day's, which a run under way at its end goes on belonging to): u, on in interval i; s, a
        start at reading i, and c, one that the cap may end before its time; z, a stop at reading i. What is on when a
        reading goes stale is off afterwards, and may start again after the minimum-off time.
        """
        at_s, hold_s, count = self.readings.at_s, self.readings.hold_s, len(self.gains)
        edges = [*at_s, self.readings.end_s]
        gaps = [at_s[i] + hold_s[i] < edges[i + 1] for i in range(count)]
        day_of = [bisect_right(self.days.ends_s, moment_s) for moment_s in at_s]
        sessions = len(self.days.ends_s) + 1
        width = (2 * sessions + 2) * count
        rows, low, high = [], [], []

        def add(terms: dict[int, float], least: float, most: float) -> None:
            row = np.zeros(width)
            for column, factor in terms.items():
                row[column] += factor
            rows.append(row)
            low.append(least)
            high.append(most)

        s, c = range(count), range(count, 2 * count)
        u, z = (
            [range(n * count, (n + 1) * count) for n in range(first, first + sessions)] for first in (2, 2 + sessions)
        )
        for i in range(count):
            carried = i > 0 and not gaps[i - 1]
            for day in range(sessions):
                begun = {s[i]: -1.0, c[i]: -1.0} if day == day_of[i] else {}
                add({u[day][i]: 1, **({u[day][i - 1]: -1} if carried else {}), **begun, z[day][i]: 1}, 0, 0)
                if not carried:
                    add({z[day][i]: 1}, 0, 0)
            on = [u[day][i] for day in range(sessions)]
            add({**dict.fromkeys(on, 1.0)}, 0, 1)
            add({s[i]: 1, c[i]: 1, z[day_of[i]][i]: 1}, 0, 1)
            if not cap or not cut:
                add({c[i]: 1}, 0, 0)
            for j in range(i, count):
                of_all = dict.fromkeys((u[day][j] for day in range(sessions)), 1.0)
                if j > i and day_of[j] == day_of[i]:
                    add({c[i]: 1, s[j]: 1, c[j]: 1}, 0, 1)  # what the cap has ended was the last one
                if edges[j] < at_s[i] + self.min_on_s and not any(gaps[i:j]):
                    add({u[day_of[i]][j]: 1, s[i]: -1}, 0, 1)
                for day in range(sessions):
                    if edges[j] < at_s[i] + self.min_off_s:
                        add({**of_all, z[day][i]: 1}, 0, 1)
                    if cap and j > i and day == day_of[i]:
                        # What the cap has ended at reading j could not have gone on, or the cap would be exceeded.
                        spent = {column: hold_s[n] for n, column in enumerate(u[day])}
                        big = self.cap_s + hold_s[j] + 1.0
                        same = {c[i]: -big, z[day][j]: -big}
                        for n in range(i + 1, j):  # no other run between
                            same[z[day][n]] = big
                        add({**spent, **same}, self.cap_s - hold_s[j] + 0.5 - 2 * big, np.inf)
                if gaps[i] and j > i and edges[j] < at_s[i] + hold_s[i] + self.min_off_s:
                    add({**of_all, **dict.fromkeys((u[day][i] for day in range(sessions)), 1.0)}, 0, 1)
        for day in range(sessions):
            if self.budget is not None:
                add({column: 1 for i in range(count) if day_of[i] == day for column in (s[i], c[i])}, 0, self.budget)
            if cap:
                add({u[day][i]: hold_s[i] for i in range(count)}, 0, self.cap_s)
        cost = np.concatenate([np.zeros(2 * count), *[-np.array(self.gains)] * sessions, np.zeros(sessions * count)])
        optimize = scipy.optimize
        found = optimize.milp(
            cost,
            constraints=optimize.LinearConstraint(np.array(rows), low, high),
            integrality=1,
            bounds=optimize.Bounds(0, 1),
        )
        assert found.success
        return -float(found.fun)

    def earned(self, runs: list[tuple[float, float]]) -> float:
        return sum(hindsight.between(self.readings, self.total, begin_s, end_s) for begin_s, end_s in runs)

    def within(self) -> hindsight.Hindsight:
        return hindsight.best_within(
            self.readings, self.total, self.min_on_s, self.min_off_s, self.days, self.cap_s, self.budget
        )

    def must_hold(self, runs: list[tuple[float, float]]) -> None:
        """Check what holds of any plan: caps, budgets, pauses, and times that only cap, gap and end cut short."""
        used_s, starts = hindsight.sessions(runs, self.days)
        assert max(used_s) <= self.cap_s + hindsight.SLACK_S
        assert self.budget is None or max(starts) <= self.budget
        at_s, hold_s = self.readings.at_s, self.readings.hold_s
        for (_, end_s), (begin_s, _) in pairwise(runs):
            assert begin_s >= end_s + self.min_off_s - 1e-6
        for begin_s, end_s in runs:
            held = bisect_right(at_s, end_s - 1e-6) - 1
            stale = end_s >= at_s[held] + hold_s[held] - 1e-6 and (held + 1 == len(at_s) or end_s < at_s[held + 1])
            last = bisect_right(self.days.ends_s, begin_s) not in [
                bisect_right(self.days.ends_s, later_s) for later_s, _ in runs if later_s > begin_s
            ]
            assert end_s - begin_s >= self.min_on_s - 1e-6 or stale or last


@pytest.mark.parametrize("block", range(5))
def test_it_equals_highs(block: int) -> None:
    """150 random instances; the gains are whole numbers, so equal means equal."""
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


@pytest.mark.parametrize("block", range(4))
def test_under_a_cap_it_equals_highs(block: int) -> None:
    """120 random instances with caps, budgets, gaps, days that change in the middle of a run, and level price windows.

    That the cap may end a last run before its time is made use of on days only on which it binds anyway.
    """
    bound = crossing = 0
    for seed in range(30 * block, 30 * block + 30):
        case = Instance.with_windows(seed)
        found = case.within()
        case.must_hold(found.runs)
        assert case.earned(found.runs) == pytest.approx(found.gain), f"seed {seed}"
        assert found.at_most == found.gain
        most = case.by_highs(cap=True, cut=True)
        assert found.gain <= most + 1e-6, f"seed {seed}"
        if found.gain < most - 1e-6:  # without cutting, HiGHS finds no more than with it
            assert case.by_highs(cap=True, cut=False) - 1e-6 <= found.gain, f"seed {seed}"
        bound += max(hindsight.sessions(found.runs, case.days)[0]) > 0.8 * case.cap_s
        crossing += any(begin_s < day_s < end_s for begin_s, end_s in found.runs for day_s in case.days.ends_s)
    assert bound > 5 and crossing > 1


@pytest.mark.parametrize("cells", [60, 2000])
def test_where_a_table_would_be_too_large_it_is_known_from_both_sides(
    cells: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With room for a few ticks only the plan is fitted to the second, and HiGHS lies between it and the bound."""
    for name in ("EXACT_CELLS", "CELLS", "CELLS_INTERPRETED"):
        monkeypatch.setattr(hindsight, name, cells)
    monkeypatch.setattr(hindsight, "LOOK_PAST_S", 30.0)
    apart, equal = 0, 0
    for seed in range(60):
        case = Instance(seed)
        case.cap_s = max(case.min_on_s, case.cap_s)
        found = case.within()
        case.must_hold(found.runs)
        assert case.earned(found.runs) == pytest.approx(found.gain, abs=1e-9)
        assert found.at_most >= case.by_highs(cap=True, cut=False) - 1e-6, f"seed {seed}"
        apart += found.at_most > found.gain
        equal += found.at_most == found.gain
    assert apart > 5 and equal > 5


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
    # A day that begins and ends between two readings: a charge that runs through it earns a third of the reading.
    within = hindsight.best(readings, level, 0.0, 0.0, Days(0, array("d", [1900.0, 2100.0])))
    assert within.by_day[1] >= hindsight.between(readings, level, 1900.0, 2100.0) == pytest.approx(1 / 3)


def test_without_the_compiler_it_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    cases = [Instance(seed) for seed in range(40)]

    def solve() -> list[hindsight.Hindsight]:
        return [case.within() for case in cases]

    first = solve()
    monkeypatch.setattr(compiling, "available", lambda: False)
    assert solve() == first


# --- with prices, caps, and the rules --------------------------------------------------------------------------------

BEGIN_S = 1935360000.0  # 1 May 2031, midnight UTC
NIGHT = {"begins": "23:00", "ends": "06:00", "import_price": 0.17}  # every hour of it is worth the same
DEAR = {"begins": "11:00", "ends": "13:00", "days": "weekdays", "import_price": 0.41, "export_price": 0.01}
SUNDAY = {"begins": "10:00", "ends": "15:00", "days": ["sun"], "import_price": 0.05}
TARIFF = {"import_price": 0.30, "export_price": 0.06, "alternative_price": 0.21}
FLEXIBLE: list[dict[str, object]] = [{}, {"window": [NIGHT]}, {"window": [NIGHT, DEAR]}, {"window": [SUNDAY, DEAR]}]


def week(seed: int, days: int = 5, spacing_s: float = 60.0) -> Series:
    """Return invented days of a reading a minute: a sun under clouds, above a house."""
    chance = np.random.default_rng(seed)
    at_s = BEGIN_S + spacing_s * np.arange(int(days * 86400 / spacing_s))
    hours = (at_s - BEGIN_S) / 3600.0 % 24.0
    clouds = chance.choice([1.0, 1.0, 0.6, 0.2], size=len(at_s) // 12 + 1).repeat(12)[: len(at_s)]
    surplus_w = np.maximum(0.0, np.sin((hours - 6.0) / 12.0 * np.pi)) * 2600.0 * clouds - 250.0
    surplus_w -= 1500.0 * (chance.random(len(at_s)) < 0.02)
    return series(array("d", at_s), array("d", surplus_w), 90.0)


def study_of(
    seed: int, cap_h: float, readings: Series | None = None, rearm_at: str = "04:00", **tariff: object
) -> Study:
    config = config_from(
        # Times of whole readings: between two the machine could switch, and hindsight not.
        control={"start_delay_s": 60.0, "stop_delay_s": 120.0, "min_on_s": 480.0, "min_off_s": 300.0},
        session={"time_cap_s": cap_h * 3600.0, "rearm_at": rearm_at},
        money={"currency": "EUR", "tariff": [{**TARIFF, **tariff}]},
        site={"time_zone": "UTC"},
    )
    return comparing.study(config, readings or week(seed))


def outcomes(case: Study) -> list[comparing.Outcome]:
    """Return what each rule does: plain, auto, ahead, tuned, and others that start in the night as well."""
    auto, ahead = comparing.following_prices(case), comparing.looking_ahead(case)
    assert auto and ahead
    at_night = comparing.fixed(Band(-2000.0, 3400.0))
    rules = [
        tune.Candidate(case.params, thresholds, {}) for thresholds in (comparing.plain(case), auto, ahead, at_night)
    ]
    rules += tune.candidates(case)[1::7]
    found = [comparing.run(case, rule.thresholds, rule.params) for rule in rules]
    return [*found, max(found, key=lambda done: sum(done.gain))]


@pytest.mark.parametrize("windows", FLEXIBLE, ids=["flat", "night", "dear", "sunday"])
@pytest.mark.parametrize("cap_h", [0.5, 2.0, 6.0])
def test_no_rule_earns_more_than_hindsight(windows: dict[str, object], cap_h: float) -> None:
    """Over the whole none earns more than the plan, and on no day more than what is said to be the most of that day."""
    for seed, rearm_at in ((1, "04:00"), (2, "00:00"), (3, "12:00")):
        case = study_of(seed, cap_h, rearm_at=rearm_at, **windows)
        found, ideal = comparing.best(case)
        assert sum(ideal.gain) == pytest.approx(found.gain, abs=1e-9)
        assert found.at_most == found.gain  # minutes are whole ticks
        for done in [*outcomes(case), ideal]:
            assert sum(done.gain) <= found.gain + 1e-9
            assert all(gain <= most + 1e-9 for gain, most in zip(done.gain, found.by_day, strict=True))
        assert found.at_most <= sum(found.by_day) + 1e-9


def test_on_no_day_of_the_page_a_rule_stands_above_the_best_possible(monkeypatch: pytest.MonkeyPatch) -> None:
    """The plan is made for all days together: on a day of its own a rule may earn more than it, here with a cap."""
    pictures = pytest.importorskip("surpluscharge.planning.pictures")
    drawn: list[list[float]] = []
    bars = pictures.bars

    def listening(ax: object, heights: list[float], *arguments: object) -> None:
        drawn.append(heights)
        bars(ax, heights, *arguments)

    monkeypatch.setattr(pictures, "bars", listening)
    drawing = pytest.importorskip("surpluscharge.history.report.drawing")
    monkeypatch.setattr(drawing, "SHEETS", drawing.SHEETS[:1])  # a phone's has the same bars
    above_the_plan = 0
    for seed, cap_h, rearm_at in ((1, 6.0, "04:00"), (3, 2.0, "12:00")):
        case = study_of(seed, cap_h, rearm_at=rearm_at, window=[NIGHT, DEAR])
        compared = comparing.compare(case)
        assert compared.hindsight is not None and compared.ideal is not None
        of_all = outcomes(case)
        for done in (*of_all[:4], of_all[-1]):
            drawn.clear()
            page = pictures.of_replay(compared._replace(replayed=done))
            best, saved = drawn[:2]  # what is lost is drawn apart
            earned = [done.gain[day] for day in case.counted]
            assert best == pytest.approx([compared.hindsight.by_day[day] for day in case.counted], abs=1e-4)
            assert saved == pytest.approx([max(0.0, gain) for gain in earned], abs=1e-4)
            assert all(mine <= most for mine, most in zip(saved, best, strict=True))
            short = [compared.hindsight.by_day[day] - done.gain[day] for day in case.counted]
            costliest = case.date(case.counted[short.index(max(short))])
            assert f"<h2>{costliest:%A}, {costliest.day} {costliest:%B} {costliest.year}</h2>" in page
            planned = [compared.ideal.gain[day] for day in case.counted]
            above_the_plan += any(mine > most + 1e-4 for mine, most in zip(earned, planned, strict=True))
    assert above_the_plan


@pytest.mark.parametrize("cap_h", [2.0, 6.0])
def test_prices_that_fall_never_make_it_worse(cap_h: float) -> None:
    """Of what is bought, at the hours of a window or at all; and of what is sold."""

    def most(**tariff: object) -> float:
        found, _ = comparing.best(study_of(4, cap_h, readings, **tariff))
        return found.gain

    readings = week(4, days=3)
    nights = [most(window=[{**NIGHT, "import_price": price}]) for price in (0.30, 0.24, 0.21, 0.17, 0.10, 0.0, -0.05)]
    bought = [most(import_price=price, window=[NIGHT]) for price in (0.45, 0.30, 0.22, 0.18)]
    sold = [most(export_price=price) for price in (0.25, 0.20, 0.12, 0.06, 0.0, -0.02)]
    for values in (nights, bought, sold):
        assert all(later >= earlier - 1e-9 for earlier, later in pairwise(values))
    assert nights[-1] > nights[0] and sold[-1] > sold[0]
    # A longer session is never worth less.
    caps = [
        comparing.best(study_of(4, cap_h, readings, window=[NIGHT]))[0].gain for cap_h in (0.5, 1.0, 3.0, 6.0, 10.0)
    ]
    assert all(longer >= shorter - 1e-9 for shorter, longer in pairwise(caps))


def test_a_night_of_equal_hours_is_filled_up() -> None:
    """By hand: no sun at all, a night of seven hours at 0.04 below the alternative, and a cap of six hours a session.

    The sessions begin at four. The first one runs from midnight to six; the next three have nights enough for their six
    hours each; the last one has from four to six, and the hour of the last evening.
    """
    readings = week(1, days=4)._replace(surplus_w=array("d", bytes(8 * 4 * 1440)))
    case = study_of(1, 6.0, readings, window=[NIGHT])
    found, _ = comparing.best(case)
    assert found.gain == found.at_most
    used_s, _ = hindsight.sessions(found.runs, case.days)
    hours = sum(used_s) / 3600.0
    assert found.gain == pytest.approx(hours * 1.380 * 0.04)
    assert hours == pytest.approx(4 * 6.0 + 3.0)


def test_uneven_readings_cost_little() -> None:
    """Ticks that do not fit: the plan is fitted to the second, and lies close below what nothing can exceed."""
    chance = np.random.default_rng(5)
    even = week(5)
    at_s = array("d", np.array(even.at_s) + chance.uniform(0.0, 20.0, len(even.at_s)))
    readings = series(at_s, even.surplus_w, 120.0)
    for windows in FLEXIBLE[:2]:
        case = study_of(5, 3.0, readings, **windows)
        found, ideal = comparing.best(case)
        exact = comparing.best(study_of(5, 3.0, even, **windows))[0].gain
        used_s, _ = hindsight.sessions(found.runs, case.days)
        assert max(used_s) <= 3.0 * 3600.0 + hindsight.SLACK_S
        assert sum(ideal.gain) == pytest.approx(found.gain, abs=1e-9)
        assert found.gain <= found.at_most <= found.gain * 1.01
        assert found.gain == pytest.approx(exact, rel=0.02)
        for done in outcomes(case):
            assert sum(done.gain) <= found.at_most


def test_both_figures_are_shown_where_they_differ(monkeypatch: pytest.MonkeyPatch) -> None:
    case = study_of(6, 2.0, week(6, days=2))
    found = comparing.compare(case)
    assert found.hindsight is not None
    assert "known within bounds" not in comparing.as_text(found)
    apart = found._replace(hindsight=found.hindsight._replace(at_most=found.hindsight.gain * 1.0015))
    assert f"{found.hindsight.gain:.2f} can be had, and no more than" in comparing.as_text(apart)
    assert comparing.as_json(apart)["hindsight"]["share_of_hindsight"] == pytest.approx(1 / 1.0015, abs=1e-4)
