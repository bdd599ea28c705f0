"""What the sun is likely to bring: days like these, weighed by season, by the morning, and by forecasts."""

from __future__ import annotations

import math
import random
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.control.plan import Car, Lead, Need, plan
from surpluscharge.history import expectation
from surpluscharge.history.energy import Interval, Sample, held
from surpluscharge.history.expectation import HALF_HOURS, Day, ahead, alike, shares

ZONE = ZoneInfo("Europe/Berlin")
TODAY = date(2031, 6, 20)
NOON = datetime(2031, 6, 20, 12, tzinfo=ZONE)
EVENING = datetime(2031, 6, 20, 22, tzinfo=ZONE)
DARK = (0.0,) * HALF_HOURS


def day(level: float, foretold: float | None = None, price: float = 0.3) -> Day:
    """Return a day with so much of the draw from 8 to 18 o'clock."""
    return Day(tuple(level if 16 <= half < 36 else 0.0 for half in range(HALF_HOURS)), (price,) * HALF_HOURS, foretold)


def days(levels: list[float], last: date = TODAY - timedelta(days=1)) -> dict[date, Day]:
    first = last - timedelta(days=len(levels) - 1)
    return {first + timedelta(days=number): day(level) for number, level in enumerate(levels)}


def price(_: datetime) -> tuple[float | None, float, float]:
    return None, 0.25, 0.08


def test_a_day_of_the_ledger_in_half_hours() -> None:
    begin_ms = int(datetime(2031, 6, 20, tzinfo=ZONE).timestamp() * 1000)
    # 500 W are exported while the charger is off; then it draws 1000 W, half of them from the surplus.
    off = held(Sample(begin_ms, -500.0, 0.0, False), begin_ms + 45 * 60_000)
    on = held(Sample(off.end_ms, 500.0, 1000.0, True), off.end_ms + 30 * 60_000)
    found = shares([off, on], TODAY, ZONE, 1000.0)
    assert found[:3] == (pytest.approx(0.5), pytest.approx(0.5), pytest.approx(0.5)) and found[3:] == (None,) * 45
    # More than the draw is no more than all of it; what is of another day, or not known, does not count.
    much = held(Sample(begin_ms - 3_600_000, -5000.0, 0.0, False), begin_ms + 1_800_000)
    assert shares([much], TODAY, ZONE, 1000.0)[0] == 1.0 and shares([much], TODAY, ZONE, 1000.0)[1] is None
    gap = Interval(begin_ms, begin_ms + 900_000, much.energy._replace(known_ms=0))
    assert shares([gap], TODAY, ZONE, 1000.0) == (None,) * HALF_HOURS


@pytest.mark.parametrize(("day_", "known"), [(date(2031, 3, 30), 46), (date(2031, 10, 26), 48)])
def test_days_of_23_and_25_hours(day_: date, known: int) -> None:
    begin = datetime.combine(day_, datetime.min.time(), ZONE)
    begin_ms, end_ms = (int((begin + timedelta(days=n)).timestamp() * 1000) for n in (0, 1))
    whole = held(Sample(begin_ms, -250.0, 0.0, False), end_ms)
    found = [share for share in shares([whole], day_, ZONE, 1000.0) if share is not None]
    assert len(found) == known and found == [pytest.approx(0.25)] * known


@given(st.integers(0, 2000), st.integers(0, 3000))
def test_seasons_lie_apart_by_half_a_year_at_most(one: int, other: int) -> None:
    first, second = (date(2030, 1, 1) + timedelta(days=number) for number in (one, other))
    apart = expectation.season_apart(first, second)
    assert 0 <= apart <= 182 and apart == expectation.season_apart(second, first)
    assert expectation.season_apart(first, first + timedelta(days=365)) == 0


def test_days_of_this_season_count_of_whatever_year() -> None:
    past = days([0.5] * 3) | days([0.5] * 3, date(2030, 6, 20)) | days([0.5] * 3, date(2031, 1, 10))
    found = alike(past, EVENING, (None,) * HALF_HOURS, {})
    assert sum(weight for weight, _ in found) == pytest.approx(1.0)
    assert {one.year for _, one in found if one} == {2030, 2031} and all(one.month == 6 for _, one in found if one)
    # The young ledger: what is not seen yet weighs much, and less with each day.
    unseen = [
        dict((one, weight) for weight, one in alike(days([0.5] * n), EVENING, (None,) * 48, {}))[None]
        for n in (0, 1, 4, 12)
    ]
    assert unseen == [1.0, *sorted(unseen[1:], reverse=True)] and unseen[-1] < 0.1


def test_a_morning_tells_of_the_afternoon() -> None:
    past = days([0.1, 0.9] * 10)
    grey = tuple(0.1 if 16 <= half < 24 else 0.0 if half < 16 else None for half in range(HALF_HOURS))
    for so_far, level in ((grey, 0.1), (tuple(share and share * 9 for share in grey), 0.9)):
        found = [(weight, past[one]) for weight, one in alike(past, NOON, so_far, {}) if one]
        right = sum(weight for weight, one in found if one.shares[20] == level)
        assert right > 0.95 * sum(weight for weight, _ in found)


def test_what_the_sky_is_like_now_counts_beside_the_whole_morning() -> None:
    # Both mornings brought as much; one cleared up, and stayed so, and the other did not.
    clears = tuple(0.0 if half < 20 else 0.8 if half < 36 else 0.0 for half in range(HALF_HOURS))
    clouds = tuple(0.8 if 16 <= half < 20 else 0.0 for half in range(HALF_HOURS))
    suns = {clears: 0.8, clouds: 0.0}
    past = {TODAY - timedelta(days=1 + n): Day((clears, clouds)[n % 2], (0.3,) * HALF_HOURS) for n in range(20)}
    for today, level in suns.items():
        so_far = tuple(share if half < 24 else None for half, share in enumerate(today))
        found = [(weight, past[one]) for weight, one in alike(past, NOON, so_far, {}) if one]
        right = sum(weight for weight, one in found if one.shares[30] == level)
        assert right > 0.8 * sum(weight for weight, _ in found)


def test_yesterday_tells_of_today() -> None:
    levels = [0.1, 0.1, 0.1, 0.9, 0.9, 0.9] * 6  # weather that lasts for days
    for past, level in ((days(levels[:-3]), 0.1), (days(levels), 0.9)):
        early = NOON.replace(hour=4)
        found = [(weight, past[one]) for weight, one in alike(past, early, (0.0,) * HALF_HOURS, {}) if one]
        right = sum(weight for weight, one in found if one.shares[20] == level)
        assert 0.55 < right / sum(weight for weight, _ in found) < 0.85


@given(st.lists(st.floats(0, 1), min_size=1, max_size=60))
def test_a_few_days_stand_for_all(levels: list[float]) -> None:
    past = days(levels)
    until = EVENING + timedelta(hours=21)
    every = alike(past, EVENING, (None,) * HALF_HOURS, {})
    found = ahead(past, EVENING, until, price)
    assert 1 <= len(found.futures) - 1 <= expectation.MOST_FUTURES
    assert sum(future.weight for future in found.futures) == pytest.approx(1.0)
    # Of what follows each, what they expect is what all expect, as near as parts of a twelfth are narrow.
    tomorrow = {one: past.get(one + timedelta(days=1), past[one]).mean or 0.0 for _, one in every if one}
    wanted = sum(weight * tomorrow[one] for weight, one in every if one)
    first = next((n for n, piece in enumerate(found.pieces) if piece.begin_s > NOON.timestamp() + 16 * 3600), None)
    noon = [n for n, piece in enumerate(found.pieces) if piece.begin_s == (NOON + timedelta(days=1)).timestamp()]
    if noon and first is not None:
        mean = sum(future.weight * future.share[noon[0]] for future in found.futures) * 20 / HALF_HOURS
        spread = max(tomorrow.values()) - min(tomorrow.values())
        assert abs(mean - wanted) <= spread / 4 + 1e-9


def test_a_forecast_counts_as_much_as_it_has_been_right() -> None:
    levels = random.Random(3).sample([0.1, 0.9] * 16, 32)  # in no order, so that the day before says nothing
    means = {level: day(level).mean or 0.0 for level in levels}
    for right in (True, False):
        past = days(levels)
        for number, (when, one) in enumerate(sorted(past.items())):
            told = means[levels[number]] if right else means[0.9 if number % 3 else 0.1]
            past[when] = one._replace(foretold=told)
        found = alike(past, EVENING, (None,) * HALF_HOURS, {TODAY + timedelta(days=1): means[0.9]})
        told_so = sum(weight for weight, one in found if one and past[one + timedelta(days=1)].shares[20] == 0.9)
        assert (told_so > 0.85) if right else (0.4 < told_so < 0.85)
    # Too few are known to be believed.
    few = days(levels[-6:])
    few = {when: one._replace(foretold=one.mean) for when, one in few.items()}
    assert alike(few, EVENING, (None,) * 48, {TODAY: 0.0}) == alike(few, EVENING, (None,) * 48, {})


def test_what_is_now_holds_for_ten_minutes() -> None:
    """Not until the quarter of an hour is over; and no longer than that, where less of it is left."""
    past = days([0.5] * 10)
    for minute, ends in ((2, [12, 15, 30, 45, 60]), (5, [15, 30, 45, 60]), (20, [30, 45, 60]), (25, [30, 45, 60])):
        now = NOON + timedelta(minutes=minute)
        found = ahead(past, now, NOON + timedelta(hours=1), price, share_now=0.9)
        assert [(piece.end_s - NOON.timestamp()) / 60 for piece in found.pieces] == ends
        seen = found.futures[1].share  # the first stands for what has not been seen yet
        assert seen[0] == 0.9 and set(seen[1:]) == {0.5}


def test_the_next_hour_is_cut_in_quarters() -> None:
    """A half hour is on record by its mean alone: of a sky that clears, the second quarter has more than the first."""
    rising = Day(tuple(half / HALF_HOURS for half in range(HALF_HOURS)), (0.3,) * HALF_HOURS)
    past = {day_: rising for day_ in days([0.0] * 10)}
    found = ahead(past, NOON + timedelta(minutes=20), NOON + timedelta(hours=3), price, share_now=0.9)
    ends = [(piece.end_s - NOON.timestamp()) / 60 for piece in found.pieces]
    assert ends == [30, 45, 60, 75, 90, 120, 150, 180]
    middles = [(begin + end) / 60 for begin, end in pairwise(ends[:5])]  # in half hours
    seen = [share * HALF_HOURS for share in found.futures[1].share]
    assert seen[1:5] == pytest.approx([24 + middle - 0.5 for middle in middles]) and seen[5:] == [27.0, 28.0, 29.0]
    for begin, until in ((0, 15), (23 * 60 + 45, 24 * 60)):  # no day before or after it is looked at
        at = NOON.replace(hour=0) + timedelta(minutes=begin)
        one = ahead(past, at, at + timedelta(minutes=until - begin), price)
        assert one.futures[1].share[0] * HALF_HOURS == pytest.approx(begin // 30)


def test_the_time_ahead_is_cut_where_something_changes() -> None:
    past = days([0.2, 0.8, 0.5])
    until = EVENING + timedelta(hours=21)

    def known(when: datetime) -> tuple[float | None, float, float]:
        return (0.2 if when.date() == TODAY else None), 0.25, 0.08

    found = ahead(past, EVENING, until, known, usable=lambda when: when.hour != 3)
    assert found.pieces[0].begin_s == EVENING.timestamp() and found.pieces[-1].end_s == until.timestamp()
    assert all(one.end_s == other.begin_s for one, other in zip(found.pieces, found.pieces[1:], strict=False))
    hours = [(datetime.fromtimestamp(piece.begin_s, ZONE).hour, piece.usable) for piece in found.pieces[:5]]
    # Today at the published price, then at that of the past days; away from 3 to 4; the sun from 8 on.
    assert hours == [(22, True), (0, True), (3, False), (4, True), (8, True)]
    for future in found.futures:
        assert len(future.share) == len(future.buy) == len(found.pieces) and future.buy[0] == 0.2
    assert sum(future.weight for future in found.futures) == pytest.approx(1.0)
    assert {round(future.share[5], 6) for future in found.futures} <= {0.8, 0.5, 0.2, 0.0}
    # This very moment is as it is.
    here = ahead(past, NOON, until, known, share_now=0.7).futures
    assert [one.share[0] for one in here] == [pytest.approx(0.7)] * len(here)


def test_a_day_that_is_not_over_is_no_dark_one() -> None:
    """After yesterday came today, of which the ledger has the morning alone: it says nothing of an afternoon."""
    past = days([0.6] * 5)
    morning = {TODAY: Day(tuple(0.6 if 16 <= half < 24 else None for half in range(HALF_HOURS)), (0.3,) * HALF_HOURS)}
    until = NOON + timedelta(days=1, hours=8)
    without, with_it = (ahead(known, NOON, until, price) for known in (past, past | morning))
    assert without == with_it
    evening = [piece.begin_s == (NOON + timedelta(days=1, hours=2)).timestamp() for piece in with_it.pieces].index(True)
    assert sum(future.weight * future.share[evening] for future in with_it.futures) > 0.4


def test_without_a_past_there_is_no_hope() -> None:
    found = ahead({}, EVENING, EVENING + timedelta(hours=20), price)
    assert all(share == 0.0 for future in found.futures for share in future.share)
    done = plan(
        EVENING.timestamp(),
        [Need((EVENING + timedelta(hours=20)).timestamp(), 3000.0)],
        Car(),
        Lead(1000.0),
        found.pieces,
        found.futures,
    )
    assert done.sun_wh == 0.0 and sum(run.wh for run in done.runs) == pytest.approx(3000.0)


@given(st.lists(st.floats(0, 1), max_size=12), st.integers(0, 47), st.booleans())
def test_whatever_is_known_the_weights_add_up(levels: list[float], half: int, told: bool) -> None:
    now = datetime(2031, 6, 20, half // 2, 30 * (half % 2), tzinfo=UTC)
    past = {when: one._replace(foretold=0.3) for when, one in days(levels).items()}
    so_far = tuple(0.5 if before < half else None for before in range(HALF_HOURS))
    found = alike(past, now, so_far, {TODAY: 1.0} if told else {})
    assert sum(weight for weight, _ in found) == pytest.approx(1.0) and all(weight >= 0.0 for weight, _ in found)
    assert not math.isnan(sum(weight for weight, _ in found))
