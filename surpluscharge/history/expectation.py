"""What the sun and prices that move are likely to do: as they did on days like these.

A past day is kept as 48 half hours by the clock on the wall: the surplus as a share of the lead's draw, and the price.
The days ahead are expected to be as one of the past was, with the days that followed it; so what belongs together stays
together, as a dark noon and a dear one, or two grey days in a row. A past day weighs more

- the nearer it lies in the season, of whatever year;
- the more alike its surplus was up to the hour that it is now, and in the last half hour: a grey morning is seldom
  followed by much, and what the sky is like now it tends to be for a while;
- the more alike the day before it was to yesterday: weather lasts for days;
- where a forecast is given, the better it and its next day came out as is foretold now, measured by how wrong forecasts
  have been. One that is mostly wrong fits nearly all days alike, and so counts for nothing.

All of them together are as wide as what may come, and many; a few of them stand for all, each for as much weight: the
middle ones of so many parts, by what the sun brings until the need is due.

Where export is limited, the surplus on record is the least that there was: what an inverter held back is in no reading,
so less is expected than would be there, and a plan rather buys too much than too little.

Days of another house (moved, or with other panels) are none like these: whoever asks gives none from before
(:mod:`surpluscharge.history.ledger.epochs`).

Days on which nothing is known stand for what has not been seen yet: a few without sun, so that a young ledger does not
build its hope on two fine days. Pure; no I/O, no clock.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta, tzinfo
from itertools import accumulate
from typing import NamedTuple

from surpluscharge.control import slots
from surpluscharge.control.economics import Tariffs
from surpluscharge.control.plan import SUN_SHARE, Car, Future, Lead, Piece, Plan, plan
from surpluscharge.control.slots import Slot
from surpluscharge.control.wishes import Need
from surpluscharge.history.energy import QUARTER_HOUR_MS, Interval, time_of

HALF_HOUR_S = 1800
HALF_HOURS = 48
# With these, what the sun brings until two or four o'clock is expected better by 3 % at night, and by 5 to 16 % as the
# day goes on, than by narrower ones without the last two (continuous ranked probability score, seven invented houses).
SEASON_DAYS = 30.0  # so far apart in the year, two days are still alike
MOST_APART_DAYS = 45  # and none further apart are
YEAR_DAYS = 365
ALIKE_SPREADS = 1.0  # days whose surplus so far differs by so much of its usual spread are alike,
LAST_SPREADS = 0.5  # so are those whose last half hour does,
BEFORE_SPREADS = 1.2  # and those with a day before that does
UNSEEN_DAYS = 1.0  # weight, in days of this very season, of what has not been seen yet
NOW_S = 600.0  # for so long what the surplus is now holds; after it, it is as on days that were alike
SOON_S = 3600.0  # for so long hours are cut in four, and not in two: some quarters are better than their neighbours
MOST_FUTURES = 12  # about so many stand for all
SLIGHT = 1e-4  # of the greatest weight: less is none
DAY = timedelta(days=1)
LEAST_FORETOLD = 7  # so many forecasts are compared with what came before any counts

Shares = tuple[float | None, ...]  # of 48 half hours; None: not known
NOT_KNOWN: Shares = (None,) * HALF_HOURS


class Day(NamedTuple):
    """A past day. Surplus as a share of the draw (0 to 1), the import price in force, what was foretold the day before.

    ``foretold`` is the forecast's sum over the day, as a mean share; None: there was none.
    """

    shares: Shares
    prices: Shares
    foretold: float | None = None

    @property
    def mean(self) -> float | None:
        """The mean share over what is known of the day; None: less than half of it is."""
        known = [share for share in self.shares if share is not None]
        return sum(known) / HALF_HOURS if len(known) >= HALF_HOURS / 2 else None


def by_half_hour(spans: Iterable[tuple[int, int, float, float]], zone: tzinfo | None) -> dict[date, Shares]:
    """Return the mean of each half hour of each local day; None: nothing is known of it.

    ``spans``: begin and end in milliseconds, what holds between, and of how much of it that is known (0 to 1). The hour
    that comes twice in autumn is taken together.
    """
    sums: dict[date, list[float]] = defaultdict(lambda: [0.0] * HALF_HOURS)
    known: dict[date, list[float]] = defaultdict(lambda: [0.0] * HALF_HOURS)
    for begin_ms, end_ms, value, share in spans:
        at_ms = begin_ms
        while at_ms < end_ms:  # cut at half hours, which every zone shares with UTC, or with a quarter of an hour
            until_ms = min(end_ms, (at_ms // QUARTER_HOUR_MS + 1) * QUARTER_HOUR_MS)
            local = time_of(at_ms, zone)
            day, half, part = local.date(), half_hour(local), (until_ms - at_ms) * share
            sums[day][half] += value * part
            known[day][half] += part
            at_ms = until_ms
    return {
        day: tuple(sum_ / part if part else None for sum_, part in zip(sums[day], parts, strict=True))
        for day, parts in known.items()
    }


def shares(intervals: Iterable[Interval], day: date, zone: tzinfo | None, draw_w: float) -> Shares:
    """Return how much of the draw the surplus of a local day would have covered, half hour by half hour.

    From what the ledger has. Of an interval longer than a few minutes only the mean is known, and it is taken as held:
    a little more than could be caught.
    """
    spans = (
        (
            begin_ms,
            end_ms,
            min(1.0, energy.surplus_mws / energy.known_ms / draw_w),
            energy.known_ms / (end_ms - begin_ms),
        )
        for begin_ms, end_ms, energy in intervals
        if energy.known_ms > 0
    )
    return by_half_hour(spans, zone).get(day, NOT_KNOWN)


def prices_of(slots: Iterable[Slot], day: date, zone: tzinfo | None) -> Shares:
    """Return the mean price of each half hour of a local day; None: there is none."""
    return by_half_hour(((1000 * begin_s, 1000 * end_s, price, 1.0) for begin_s, end_s, price in slots), zone).get(
        day, NOT_KNOWN
    )


def half_hour(local: datetime) -> int:
    """Return in which half hour of its day a local time lies."""
    return local.hour * 2 + local.minute // 30


class Ahead(NamedTuple):
    """What is expected, as :func:`surpluscharge.control.plan.plan` takes it."""

    pieces: tuple[Piece, ...]
    futures: tuple[Future, ...]


def ahead(
    past: Mapping[date, Day],
    now: datetime,
    until: datetime,
    price_at: Callable[[datetime], tuple[float | None, float, float]],
    so_far: Shares = NOT_KNOWN,
    foretold: Mapping[date, float] | None = None,
    usable: Callable[[datetime], bool] = lambda _: True,
    share_now: float | None = None,
    found: Sequence[tuple[float, date | None]] | None = None,
) -> Ahead:
    """Return the time from now on, in half hours, the next hour in quarters, and how it may turn out.

    ``now`` and ``until`` are aware, in the site's zone. ``price_at``: of a moment, the import price as published (None:
    not known yet, then it is as on the past day), as in the file, and the export price. ``so_far``: today's shares up
    to now. ``foretold``: the forecast of today and the days after, as mean shares. ``share_now``: of this very moment.
    ``found``: the days that stand for all, by :func:`typical`, where they are known already.
    """
    starts = _starts(now, until)
    today = now.date()
    found = typical(past, now, until, so_far, foretold) if found is None else found
    count = (until.date() - today).days + 1
    paths = [(weight, _path(past, first, count, today)) for weight, first in found]
    days = [_halves([path[day] for _, path in paths]) for day in range(count)]
    pieces: list[tuple[float, float, bool]] = []  # when it begins, what is earned, whether it can be used
    rows: list[tuple[list[float], list[float]]] = []  # of each piece: share and price in each future
    before: object = None  # what the last piece was, where another one like it joins it
    for begin in starts:
        published, filed, sell = price_at(begin)
        halves, half = days[(begin.date() - today).days], half_hour(begin)
        sun, then = halves[half]
        if share_now is not None and begin is now:
            sun = [share_now] * len(paths)
        elif begin.timestamp() < now.timestamp() + SOON_S:
            sun = _quarter(halves, half, begin)
        free = usable(begin)
        dark = not free or max(sun) <= SUN_SHARE
        this = (free, sell, published, published is None and (filed, then)) if dark else None
        if this is not None and this == before:  # what is alike is one piece
            continue
        before = this
        if published is not None:
            buy = [published] * len(paths)
        else:
            buy = [filed if price is None else price for price in then]
        pieces.append((begin.timestamp(), sell, free))
        rows.append((sun, buy))
    futures = (
        Future(weight, [sun[index] for sun, _ in rows], [buy[index] for _, buy in rows])
        for index, (weight, _) in enumerate(paths)
    )
    ends_s = [*(begin_s for begin_s, _, _ in pieces[1:]), until.timestamp()]
    cut = (Piece(one[0], end_s, *one[1:]) for one, end_s in zip(pieces, ends_s, strict=True))
    return Ahead(tuple(cut), tuple(futures))


def plan_for(
    need: Need,
    got_wh: float,
    lead: Lead,
    charging: bool,
    past: Mapping[date, Day],
    now: datetime,
    tariffs: Tariffs | None,
    book: slots.Book,
    so_far: Shares = NOT_KNOWN,
    foretold: Mapping[date, float] | None = None,
    share_now: float | None = None,
) -> Plan:
    """Return the plan for what is due next, of which ``got_wh`` is in. ``now`` is aware, in the site's zone.

    For that one alone: what comes in for it does not count for the one after, so nothing is bought ahead. It would cost
    less to count on what is in the car beyond a need; but nobody tells the daemon what is: more may have been driven
    than was needed, or the car charged elsewhere, and a need that was thought to be in would be missed.
    """

    def price_at(when: datetime) -> tuple[float | None, float, float]:
        prices = tariffs.prices_at(when) if tariffs else None
        filed, sell = (float(prices.import_price), float(prices.export_price)) if prices else (1.0, 0.0)
        slot = slots.at(book, when.timestamp())
        return None if slot is None else slot.value, filed, sell

    until = datetime.fromtimestamp(need.by_s, now.tzinfo)
    expected = ahead(past, now, until, price_at, so_far, foretold, share_now=share_now)
    return plan(now.timestamp(), [need], Car(got_wh), lead, expected.pieces, expected.futures, charging)


def _halves(days: Sequence[Day | None]) -> list[tuple[list[float], Shares]]:
    """Return, of each half hour, what these days had: the surplus, and the price."""
    suns = zip(*(one.shares if one else NOT_KNOWN for one in days), strict=True)
    prices = zip(*(one.prices if one else NOT_KNOWN for one in days), strict=True)
    return [([share or 0.0 for share in sun], price) for sun, price in zip(suns, prices, strict=True)]


def _path(past: Mapping[date, Day], first: date | None, count: int, today: date) -> list[Day | None]:
    """Return a past day and those that followed it; where one is not known, or not over, the one before goes on."""
    path: list[Day | None] = []
    for number in range(count):
        day = first and first + timedelta(days=number)
        one = past.get(day) if day and day < today else None
        path.append(path[-1] if one is None and path else one)
    return path


def _starts(now: datetime, until: datetime) -> list[datetime]:
    """Return this moment, when it is no longer what it is, then quarters of an hour, and then halves, in its zone."""
    begin_s, end_s = now.timestamp(), until.timestamp()
    starts, at_s = [now], _next_s(begin_s, slots.QUARTER_S)
    if begin_s + NOW_S < min(at_s, end_s):
        at_s = begin_s + NOW_S
    while at_s < end_s:
        starts.append(datetime.fromtimestamp(at_s, now.tzinfo))
        at_s = _next_s(at_s, slots.QUARTER_S if at_s < begin_s + SOON_S else HALF_HOUR_S)
    return starts


def _next_s(at_s: float, step_s: int) -> float:
    return (at_s // step_s + 1) * step_s


def _quarter(halves: Sequence[tuple[list[float], Shares]], half: int, begin: datetime) -> list[float]:
    """Return what a quarter of an hour is expected to have: on its way from the middle of a half hour to the next."""
    beside = half + 1 if begin.minute % 30 >= 15 else half - 1
    sun = halves[half][0]
    if not 0 <= beside < HALF_HOURS:  # midnight
        return sun
    return [0.75 * own + 0.25 * other for own, other in zip(sun, halves[beside][0], strict=True)]


def alike(
    past: Mapping[date, Day], now: datetime, so_far: Shares, foretold: Mapping[date, float]
) -> list[tuple[float, date | None]]:
    """Return the past days that the days from today on may be like, with weights that add up to 1.

    None stands for what has not been seen yet: no sun.
    """
    today, until = now.date(), half_hour(now)
    seen = [share for share in so_far[:until] if share is not None]
    so_far_sum = sum(seen) if len(seen) > until / 2 else None
    error = _error(past)
    found: list[tuple[float, date]] = []
    for day in past:
        apart = season_apart(day, today)
        if day < today and apart <= MOST_APART_DAYS:
            found.append((math.exp(-0.5 * (apart / SEASON_DAYS) ** 2), day))
    if so_far_sum is not None and len(found) > 2:
        sums = {day: _sum(past[day].shares[:until]) for _, day in found}
        found = _weighed(found, sums, so_far_sum, ALIKE_SPREADS, 0.25)
        if until and (last := so_far[until - 1]) is not None:
            lasts = {day: past[day].shares[until - 1] or 0.0 for _, day in found}
            found = _weighed(found, lasts, last, LAST_SPREADS, 0.2)
    if (yesterday := past.get(today - DAY)) is not None and yesterday.mean is not None:
        befores = {day: _sum(one.shares) for _, day in found if (one := past.get(day - DAY))}
        if len(befores) > 2:  # of the others nobody knows: they are as those are on average
            usual = sum(befores.values()) / len(befores)
            befores |= {day: usual for _, day in found if day not in befores}
            found = _weighed(found, befores, _sum(yesterday.shares), BEFORE_SPREADS, 0.5)
    if error is not None:
        for ahead_days in (0, 1):
            wanted = foretold.get(today + ahead_days * DAY)
            if wanted is not None:
                found = [
                    (weight * _near(wanted - told, error), day)
                    for weight, day in found
                    if (other := past.get(day + ahead_days * DAY)) is not None and (told := other.mean) is not None
                ]
    found.sort(reverse=True)
    whole = sum(weight for weight, _ in found)
    # What is unseen weighs as a day of this season among those that there are, the fewer the more.
    unseen = UNSEEN_DAYS / (UNSEEN_DAYS + len(found))
    if not found or whole <= 0.0:
        return [(1.0, None)]
    return [(unseen, None), *((weight / whole * (1.0 - unseen), day) for weight, day in found)]


def typical(
    past: Mapping[date, Day],
    now: datetime,
    until: datetime,
    so_far: Shares = NOT_KNOWN,
    foretold: Mapping[date, float] | None = None,
) -> list[tuple[float, date | None]]:
    """Return a few days that stand for all alike: the middle one of each part, by what the sun brings until then."""
    found = alike(past, now, so_far, foretold or {})
    today, first, last = now.date(), half_hour(now), half_hour(until)
    count = (until.date() - today).days + 1
    unseen = [one for one in found if one[1] is None]
    most = max((weight for weight, day in found if day), default=0.0)
    brings: list[tuple[float, float, date]] = []
    for weight, day in found:
        if day is None or weight <= SLIGHT * most:
            continue
        one, sun = past[day], 0.0
        for number in range(count):
            if number and (other := past.get(day + number * DAY)) is not None and day + number * DAY < today:
                one = other
            sun += _sum(one.shares[first if number == 0 else 0 : last if number == count - 1 else HALF_HOURS])
        brings.append((sun, weight, day))
    brings.sort()
    whole = sum(weight for _, weight, _ in brings)
    typical: list[tuple[float, date | None]] = []
    part: list[tuple[float, date]] = []
    before = 0.0
    for number, (_, weight, day) in enumerate(brings):
        part.append((weight, day))
        before += weight
        if before >= whole * (len(typical) + 1) / MOST_FUTURES - 1e-12 or number == len(brings) - 1:
            typical.append((sum(weight for weight, _ in part), _middle(part)))
            part = []
    share = (1.0 - sum(weight for weight, _ in unseen)) / whole if whole else 0.0
    return [*unseen, *((weight * share, day) for weight, day in typical)]


def _middle(part: list[tuple[float, date]]) -> date:
    """Return the weighted median."""
    whole, before = sum(weight for weight, _ in part), accumulate(weight for weight, _ in part)
    return next(day for (_, day), until in zip(part, before, strict=True) if until >= whole / 2 - 1e-12)


def _weighed(
    found: list[tuple[float, date]], had: Mapping[date, float], wanted: float, spreads: float, least: float
) -> list[tuple[float, date]]:
    """Weigh days by how near what they had comes to what is: nearer than the usual spread is alike."""
    spread = max(least, spreads * _spread(list(had.values())))
    return [(weight * _near(wanted - had[day], spread), day) for weight, day in found]


def _sum(of: Shares) -> float:
    return sum(filter(None, of))


def _near(apart: float, spread: float) -> float:
    return math.exp(-0.5 * min(6.0, abs(apart) / spread) ** 2)


def _error(past: Mapping[date, Day]) -> float | None:
    """Return how wrong forecasts have been, as a mean share (root mean square); None: too few are known."""
    wrong = [
        one.foretold - mean for one in past.values() if one.foretold is not None and (mean := one.mean) is not None
    ]
    if len(wrong) < LEAST_FORETOLD:
        return None
    return max(0.01, math.sqrt(sum(error * error for error in wrong) / len(wrong)))


def _spread(values: Sequence[float]) -> float:
    mean = sum(values) / len(values)
    return math.sqrt(sum((value - mean) ** 2 for value in values) / len(values))


def season_apart(one: date, other: date) -> int:
    """Return by how many days of the year two days lie apart."""
    apart = abs((other - one).days) % YEAR_DAYS
    return min(apart, YEAR_DAYS - apart)


__all__ = [
    "HALF_HOURS", "Ahead", "Day", "Shares", "ahead", "alike", "by_half_hour", "half_hour", "plan_for", "prices_of",
    "shares",
]  # fmt: skip
