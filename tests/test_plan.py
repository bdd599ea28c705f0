"""The plan: what it takes, held against HiGHS; what it never does; how it says so."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import scipy  # its parts come when they are asked for
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from surpluscharge.control import plan as planning
from surpluscharge.control.plan import HOUR_S, Car, Future, Lead, Need, Piece, Plan, Run, plan

DRAW_W = 1000.0  # so that an hour is a kWh
PLAIN = Lead(DRAW_W, spare_s=0.0)


def made(
    prices: list[float], shares: list[list[float]] | None = None, sell: float = 0.08, usable: list[bool] | None = None
) -> tuple[list[Piece], list[Future]]:
    """Return hours from 0 on, and futures that are equally likely."""
    hours = range(len(prices))
    pieces = [Piece(n * HOUR_S, (n + 1) * HOUR_S, sell, usable[n] if usable else True) for n in hours]
    suns = shares or [[0.0] * len(prices)]
    return pieces, [Future(1.0 / len(suns), sun, prices) for sun in suns]


def bought(done: Plan, sure: bool = True) -> list[tuple[float, float]]:
    return [(run.begin_s / HOUR_S, run.end_s / HOUR_S) for run in done.runs if run.sure is sure]


def test_the_cheapest_hours_and_of_equal_ones_the_latest() -> None:
    pieces, futures = made([0.3, 0.2, 0.3, 0.1, 0.3, 0.2, 0.3, 0.3])
    done = plan(0.0, [Need(8 * HOUR_S, 1500.0)], Car(), PLAIN, pieces, futures)
    assert bought(done) == [(3.0, 4.0), (5.5, 6.0)]
    assert done.value == 0.2 and done.lacks_wh == 1500.0 and done.short_wh == 0.0 and done.reach_wh == 8000.0
    assert not done.buys_at(0.0) and done.buys_at(3.2 * HOUR_S) and not done.buys_at(4 * HOUR_S)
    # At one price: as late as is safe, half an hour before.
    pieces, futures = made([0.3] * 8)
    done = plan(0.0, [Need(8 * HOUR_S, 2000.0)], Car(), PLAIN._replace(spare_s=1800.0), pieces, futures)
    assert bought(done) == [(5.5, 7.5)]
    # Where the sun may shine then, half of that is spared, but no less than a pause takes and the next thought.
    suns = [[0.0] * 7 + [0.5], [0.0] * 8]
    for min_off_s, spared_s in ((0.0, 900.0), (600.0, 900.0), (900.0, 1200.0), (3600.0, 1800.0)):
        lead = PLAIN._replace(spare_s=1800.0, min_off_s=min_off_s)
        with_sun = made([0.3] * 8, suns)
        done = plan(0.0, [Need(8 * HOUR_S, 2000.0)], Car(), lead, *with_sun)
        assert max(run.end_s for run in done.runs) == pytest.approx(8 * HOUR_S - spared_s)
        # It is thought of again when there is no time to lose any more, though the sun is not up yet.
        assert done.again_s <= 6 * HOUR_S - spared_s
        short = plan(6 * HOUR_S - spared_s + 1.0, [Need(8 * HOUR_S, 2000.0)], Car(), lead, *with_sun)
        assert short.buys_at(6 * HOUR_S - spared_s + 2.0)
    # With a rest on the way that is reckoned with.
    rests = PLAIN._replace(spare_s=1800.0, rest_after_s=HOUR_S, rest_s=1800.0)
    assert bought(plan(0.0, [Need(8 * HOUR_S, 2000.0)], Car(), rests, pieces, futures)) == [(4.5, 6.5)]
    # What it has run already brings the rest nearer: that may take of the time to spare, but for ten minutes.
    ran = rests._replace(rest_after_s=3 * HOUR_S, ran_s=1.5 * HOUR_S)
    [(begin, end)] = bought(plan(0.0, [Need(8 * HOUR_S, 2000.0)], Car(), ran, pieces, futures))
    assert (begin, end) == (pytest.approx(5 + 1 / 3), pytest.approx(7 + 1 / 3))
    [(_, end)] = bought(plan(0.0, [Need(8 * HOUR_S, 2000.0)], Car(), ran._replace(spare_s=0.0), pieces, futures))
    assert end == pytest.approx(7.5)
    # What is in the car already is not bought; a later need is served by what is left over.
    needs = [Need(4 * HOUR_S, 1000.0), Need(8 * HOUR_S, 1000.0)]
    assert bought(plan(0.0, needs, Car(1500.0), PLAIN, pieces, futures)) == [(7.5, 8.0)]
    assert plan(0.0, needs, Car(2000.0), PLAIN, pieces, futures).need is None


def test_what_cannot_be_reached_is_said_and_charged_for_at_once() -> None:
    # 6 A at 230 V for 9 h: 6 * 230 * 9 = 12 420 Wh
    pieces, futures = made([0.3] * 9)
    done = plan(0.0, [Need(9 * HOUR_S, 15000.0)], Car(), Lead(1380.0), pieces, futures)
    assert done.reach_wh == pytest.approx(12420.0) and done.short_wh == pytest.approx(2580.0)
    assert bought(done) == [(0.0, 9.0)] and done.value >= planning.MISSING
    # Ten amperes rest half an hour after each three: of nine hours eight are left.
    high = Lead(2300.0, rest_after_s=3 * HOUR_S, rest_s=1800.0)
    done = plan(0.0, [Need(9 * HOUR_S, 20000.0)], Car(), high, pieces, futures)
    assert done.reach_wh == pytest.approx(2300.0 * 8) and done.buys_at(0.0)
    # Having run for two and a half of them, it rests after half an hour, three and a half, and seven: three times.
    done = plan(0.0, [Need(9 * HOUR_S, 20000.0)], Car(), high._replace(ran_s=9000.0), pieces, futures)
    assert done.reach_wh == pytest.approx(2300.0 * 7.5)
    # No longer than is allowed, nor before it may, nor while the car is away.
    done = plan(0.0, [Need(9 * HOUR_S, 9000.0)], Car(), Lead(1000.0, allowance_s=7200.0), pieces, futures)
    assert done.reach_wh == 2000.0 and sum(run.wh for run in done.runs if run.sure) == pytest.approx(2000.0)
    pieces, futures = made([0.3] * 9, usable=[n not in (4, 5) for n in range(9)])
    done = plan(0.0, [Need(9 * HOUR_S, 9000.0)], Car(), PLAIN._replace(free_from_s=5400.0), pieces, futures)
    assert bought(done) == [(1.5, 4.0), (6.0, 9.0)] and done.reach_wh == 5500.0


def test_what_is_late_begins_at_once_and_not_a_moment_later_each_time_it_is_asked() -> None:
    pieces, futures = made([0.3] * 4)
    late = PLAIN._replace(spare_s=1800.0)
    for now_s in (1000.0, 1234.5, 5400.0):  # three quarters of an hour are needed, and fewer spared than are wanted
        need = [Need(now_s + 3600.0, 750.0)]
        [run] = [run for run in plan(now_s, need, Car(), late, pieces, futures).runs if run.sure]
        assert run.begin_s == now_s and run.end_s == pytest.approx(now_s + 2700.0, abs=1.0)


def test_how_much_is_left_to_the_sun() -> None:
    """A kWh tonight at 0.20, or in the afternoon at 0.40 where the sun does not bring it; sold it would earn 0.08."""
    night, day = [0.2, 0.2], [0.4, 0.4]

    def of(sunny_share: float) -> Plan:
        suns = [[0.0, 0.0, 1.0, 1.0]] * round(10 * sunny_share) + [[0.0] * 4] * round(10 - 10 * sunny_share)
        pieces, futures = made(night + day, suns)
        return plan(0.0, [Need(4 * HOUR_S, 1000.0)], Car(), PLAIN, pieces, futures)

    # Left to a sun that comes with probability p it costs 0.08 p + 0.40 (1 - p), which is 0.20 at p = 0.625.
    assert bought(of(0.6)) == [(1.0, 2.0)]
    assert bought(of(0.7)) == [] and of(0.7).value == pytest.approx(0.08 * 0.7 + 0.4 * 0.3)
    assert of(0.7).sun_wh == pytest.approx(700.0) and of(0.7).low_sun_wh == 0.0 and of(1.0).low_sun_wh == 1000.0
    # Two grades of sun: of 2 kWh, one comes in all futures, the other in half of them: that one is bought.
    pieces, futures = made(night + day, [[0.0, 0.0, 1.0, 1.0], [0.0, 0.0, 1.0, 0.0]])
    assert bought(plan(0.0, [Need(4 * HOUR_S, 2000.0)], Car(), PLAIN, pieces, futures)) == [(1.0, 2.0)]


def test_while_the_sun_is_up_the_value_decides() -> None:
    pieces, futures = made([0.3, 0.3, 0.2], [[0.4, 0.9, 0.0], [0.4, 0.0, 0.0]])
    done = plan(0.0, [Need(3 * HOUR_S, 1000.0)], Car(), PLAIN, pieces, futures)
    # What is spared later: 0.3 - 0.9 * 0.22 = 0.102 in one future, 0.2 in the other.
    assert done.value == pytest.approx((0.102 + 0.2) / 2) and bought(done) == []
    # Where even bought energy is worth its price now, it is bought, sun or none.
    pieces, futures = made([0.1, 0.3, 0.3], [[0.4, 0.0, 0.0], [0.4, 0.1, 0.0]])
    done = plan(0.0, [Need(3 * HOUR_S, 1000.0)], Car(), PLAIN, pieces, futures)
    assert bought(done) == [(0.0, 1.0)] and done.value > 0.1


def test_it_keeps_to_what_it_has_begun_and_to_minimum_times() -> None:
    pieces, futures = made([0.2, 0.199, 0.3])
    need = [Need(3 * HOUR_S, 1000.0)]
    assert bought(plan(0.0, need, Car(), PLAIN, pieces, futures)) == [(1.0, 2.0)]
    assert bought(plan(0.0, need, Car(), PLAIN, pieces, futures, charging=True)) == [(0.0, 1.0)]
    # 100 Wh would be six minutes: the shortest charge is ten, the shortest pause an hour.
    lead = PLAIN._replace(min_on_s=600.0, min_off_s=3601.0)
    pieces, futures = made([0.3] * 3)
    [run] = plan(0.0, [Need(3 * HOUR_S, 100.0)], Car(), lead, pieces, futures).runs
    assert run.end_s == 3 * HOUR_S and run.end_s - run.begin_s == pytest.approx(600.0)
    pieces, futures = made([0.1, 0.3, 0.1])
    assert bought(plan(0.0, [Need(3 * HOUR_S, 2000.0)], Car(), lead, pieces, futures)) == [(0.0, 3.0)]
    pieces, futures = made([0.1, 0.3, 0.1, 0.3, 0.3, 0.1])
    two = plan(0.0, [Need(6 * HOUR_S, 3000.0)], Car(), PLAIN._replace(starts=2), pieces, futures)
    assert bought(two) == [(0.0, 3.0), (5.0, 6.0)]


def test_no_time_is_said_twice() -> None:
    """A run made as long as the shortest charge may reach into what is likely after it, or into the run before it."""
    # Three minutes before the sun is up are made fifteen: the twelve of them after it are not planned again.
    lead = PLAIN._replace(min_on_s=900.0, min_off_s=900.0)
    pieces, futures = made([0.1, 0.2], [[0.0, 0.03], [0.0, 0.04]])
    need = Need(2 * HOUR_S, 1050.0)
    sure, likely = plan(HOUR_S - 180.0, [need], Car(), lead, pieces, futures).runs
    assert (sure.begin_s, sure.end_s, sure.sure) == (HOUR_S - 180.0, HOUR_S + 720.0, True)
    assert (likely.begin_s, likely.end_s, likely.sure) == (HOUR_S + 720.0, 2 * HOUR_S, False)
    assert likely.wh == pytest.approx(800.0)
    # Drawn out to the front, it comes too near to the one before: the two are one.
    quarters = [Piece(900.0 * n, 900.0 * (n + 1), 0.08) for n in range(4)]
    future = Future(1.0, [0.0] * 4, [0.1, 0.3, 0.2, 0.4])
    [run] = plan(0.0, [Need(2700.0, 260.0)], Car(), lead._replace(min_on_s=1500.0), quarters, [future]).runs
    assert (run.begin_s, run.end_s) == (0.0, 2700.0)


def test_hours_that_pay_are_used_as_far_as_the_car_has_room() -> None:
    pieces, futures = made([-0.1, 0.3, -0.1, 0.3])
    needs = [Need(4 * HOUR_S, 500.0)]
    assert bought(plan(0.0, needs, Car(), PLAIN, pieces, futures)) == [(0.0, 1.0), (2.0, 3.0)]
    assert bought(plan(0.0, needs, Car(0.0, 700.0), PLAIN, pieces, futures)) == [(0.8, 1.0), (2.0, 3.0)]


def test_nothing_needed_nothing_planned() -> None:
    pieces, futures = made([0.3] * 3)
    for needs in ([], [Need(0.0, 500.0)], [Need(3 * HOUR_S, 0.0)]):
        done = plan(0.0, needs, Car(), PLAIN, pieces, futures)
        assert done.runs == () and done.need is None and done.value == 0.0
    assert plan(0.0, [Need(3 * HOUR_S, 100.0)], Car(), PLAIN, [], futures).runs == ()


# --- against HiGHS ---------------------------------------------------------------------------------------------------


def least_cost(
    needs: list[Need],
    car: Car,
    lead: Lead,
    pieces: list[Piece],
    futures: list[Future],
    news: int,
    fixed: list[float] | None = None,
) -> float | None:
    """Return the least expected cost of both stages as one linear programme; None: the needs cannot be met.

    x: what is taken of each piece before the news, or given as ``fixed``; y: after it, in each future.
    """
    hours, later = len(pieces), range(news, len(pieces))
    width = news + len(futures) * len(later)
    cost, rows, limits = np.zeros(width), [], []
    for number, future in enumerate(futures):
        column = {at: at if at < news else news + number * len(later) + at - news for at in range(hours)}
        for at in range(hours):
            price = future.buy[at] - future.share[at] * (future.buy[at] - pieces[at].sell)
            cost[column[at]] += future.weight * price / 1000
        used = 0.0
        for need in needs:
            row = np.zeros(width)
            for at in range(hours):
                if pieces[at].end_s <= need.by_s:
                    row[column[at]] = 1.0
            rows += [row, -row]
            limits += [car.keeps_wh - car.got_wh + used + need.wh, car.got_wh - used - need.wh]
            used += need.wh
    top = [lead.draw_w if piece.usable else 0.0 for piece in pieces]
    first = [(wh, wh) for wh in fixed[:news]] if fixed else [(0.0, one) for one in top[:news]]
    bounds = first + [(0.0, top[at]) for _ in futures for at in later]
    kept = [number for number, limit in enumerate(limits) if math.isfinite(limit)]
    found = scipy.optimize.linprog(cost, np.array(rows)[kept], np.array(limits)[kept], bounds=bounds, method="highs")
    return float(found.fun) if found.status == 0 else None


def fixed_wh(done: Plan, lead: Lead, pieces: list[Piece]) -> list[float]:
    """Return what is sure of a plan, piece by piece."""
    over_s = [
        sum(max(0.0, min(run.end_s, one.end_s) - max(run.begin_s, one.begin_s)) for run in done.runs if run.sure)
        for one in pieces
    ]
    return [lead.draw_w * seconds / HOUR_S for seconds in over_s]


SEEK = (Phase.explicit, Phase.generate)  # to make an example small takes minutes, and it says little more then


@st.composite
def situations(draw: Any, least: int = 0) -> tuple[list[Need], Car, list[Piece], list[Future], int]:
    night, day = draw(st.integers(1, 4)), draw(st.integers(0, 6))
    hours = night + day
    cents = st.integers(least, 60).map(lambda cent: cent / 100)
    prices = draw(st.lists(cents, min_size=hours, max_size=hours))
    suns = draw(
        st.lists(
            st.lists(st.integers(1, 10).map(lambda tenth: tenth / 10), min_size=day, max_size=day),
            min_size=1,
            max_size=3,
        )
    )
    usable = draw(st.lists(st.sampled_from([True, True, True, False]), min_size=hours, max_size=hours))
    ends = sorted(draw(st.sets(st.integers(1, hours), min_size=1, max_size=3)) | {hours})
    needs = [Need(end * HOUR_S, draw(st.integers(0, 25)) * 100.0) for end in ends]
    keeps = draw(st.sampled_from([math.inf, 0.0, 700.0, 2000.0]))
    car = Car(draw(st.sampled_from([0.0, 0.0, 700.0])), keeps)
    pieces, futures = made(prices, [[0.0] * night + sun for sun in suns], usable=usable)
    return needs, car, pieces, futures, night


@settings(max_examples=150, phases=SEEK)
@given(situations())
def test_no_plan_costs_less_than_this_one(situation: tuple[list[Need], Car, list[Piece], list[Future], int]) -> None:
    """The expected cost equals the linear programme's (HiGHS), over needs, room, absence, and futures."""
    needs, car, pieces, futures, news = situation
    done = plan(0.0, needs, car, PLAIN, pieces, futures)
    best = least_cost(needs, car, PLAIN, pieces, futures, news)
    if best is None:
        return
    taken_wh = fixed_wh(done, PLAIN, pieces)
    assert sum(taken_wh[news:]) == 0.0  # nothing is settled before the news that could wait for it
    mine = least_cost(needs, car, PLAIN, pieces, futures, news, taken_wh)
    assert mine is not None, "a need that could be met is not"
    assert mine == pytest.approx(best, abs=1e-6)


@settings(max_examples=150, phases=SEEK)
@given(situations(-20))
def test_one_need_is_planned_as_it_is_among_others(
    situation: tuple[list[Need], Car, list[Piece], list[Future], int],
) -> None:
    """A second one that asks for nothing, at the same time, changes nothing: the short way comes to the same."""
    needs, car, pieces, futures, _ = situation
    lead = Lead(1000.0, spare_s=0.0)
    alone, among = (
        plan(0.0, [needs[-1], *more], car, lead, pieces, futures) for more in ([], [Need(needs[-1].by_s, 0.0)])
    )
    assert alone == among


@given(situations(-20), st.sampled_from([0.0, 900.0]), st.sampled_from([math.inf, 5400.0]), st.integers(0, 5400))
def test_no_plan_leaves_its_limits(
    situation: tuple[list[Need], Car, list[Piece], list[Future], int], least_s: float, most_s: float, now_s: int
) -> None:
    needs, car, pieces, futures, _ = situation
    lead = Lead(DRAW_W, least_s, least_s, starts=2, allowance_s=most_s, free_from_s=1800.0)
    done = plan(float(now_s), needs, car, lead, pieces, futures)
    sure = [run for run in done.runs if run.sure]
    assert all(run.end_s <= after.begin_s for run, after in pairwise(done.runs))
    assert len(sure) <= 2 and done.again_s > now_s and done.reach_wh >= 0.0
    for run, after in zip(sure, [*sure[1:], None], strict=False):
        assert run.begin_s >= max(now_s, 1800.0) and run.end_s - run.begin_s >= least_s - 1e-6
        assert after is None or after.begin_s - run.end_s >= least_s
        assert run.wh == pytest.approx((run.end_s - run.begin_s) * DRAW_W / HOUR_S)
    if not least_s and len(sure) < 2:  # bridges and shortest charges go beyond what is asked for, as the machine would
        assert sum(run.end_s - run.begin_s for run in sure) <= most_s + 1e-6
        for run in sure:
            for piece in pieces:
                apart = run.end_s <= piece.begin_s + 1e-6 or run.begin_s >= piece.end_s - 1e-6
                assert piece.usable or apart


@settings(max_examples=60, phases=SEEK)
@given(situations(-20), st.integers(1, 20))
def test_dearer_hours_make_no_plan_cheaper(
    situation: tuple[list[Need], Car, list[Piece], list[Future], int], cent: int
) -> None:
    needs, car, pieces, futures, _ = situation
    dearer = [future._replace(buy=[price + cent / 100 for price in future.buy]) for future in futures]
    before, after = (plan(0.0, needs, car, PLAIN, pieces, these) for these in (futures, dearer))
    assert after.value >= before.value - 1e-9 or before.value >= planning.MISSING


# --- words -----------------------------------------------------------------------------------------------------------


def test_the_plan_in_words() -> None:
    at = datetime(2031, 5, 1, 1, 10, tzinfo=UTC).timestamp()
    need = Need(at + 6 * HOUR_S, 7000.0)
    run = Run(at, at + 8400.0, 3220.0, 0.2, True)
    done = Plan((run,), 0.2, at, need, 4900.0, 8000.0, 1700.0, 900.0)
    assert planning.in_words(done, 2100.0, 0.0, UTC) == (
        "01:10 to 03:30, 3.2 kWh, so that 7.0 kWh are in by 07:10 on Thursday; "
        "so far 2.1 came from the sun, and 0.0 from the grid"
    )
    assert "unless the sun does better" in planning.in_words(
        done._replace(runs=(run._replace(sure=False),)), 0.0, 0.0, UTC
    )
    after = run._replace(begin_s=run.end_s, end_s=run.end_s + 3600.0, wh=1380.0, sure=False)
    assert planning.in_words(done._replace(runs=(run, after)), 2100.0, 0.0, UTC).startswith(
        "01:10 to 04:30, 4.6 kWh, unless the sun does better"
    )
    assert "are left to the sun" in planning.in_words(done._replace(runs=()), 2100.0, 0.0, UTC)
    assert "4.0 kWh is the most that this lead can bring" in planning.in_words(
        done._replace(reach_wh=4000.0), 2100.0, 0.0, UTC
    )
    assert planning.in_words(done._replace(need=None), 0.0, 0.0, UTC).startswith("nothing is needed")
    assert planning.left_in_words(done, 0.25) == (
        "the sun is likely to bring 1.7 kWh of the next 4.9, and 0.9 in nine cases of ten at least: "
        "a kWh is worth 0.200 now, and costs 0.250 bought"
    )
    assert "worth any price" in planning.left_in_words(done._replace(value=planning.MISSING), 0.25)
