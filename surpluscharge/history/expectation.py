"""What the sun and prices that move are likely to do: as they did on days like these.

A past day is kept as 48 half hours by the clock on the wall: the surplus as a share of the lead's draw, and the price.
The days ahead are expected to be as one of the past was, with the days that followed it; so what belongs together stays
together, as a dark noon and a dear one, or two grey days in a row. A past day weighs more

- the nearer it lies in the season, of whatever year;
- the more alike its surplus was up to the hour that it is now: a grey morning is seldom followed by much;
- where a forecast is given, the better it and its next day came out as is foretold now, measured by how wrong forecasts
  have been. One that is mostly wrong fits nearly all days alike, and so counts for nothing.

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
from typing import NamedTuple

from surpluscharge.control import slots
from surpluscharge.control.economics import Tariffs
from surpluscharge.control.plan import SUN_SHARE, Car, Future, Lead, Piece, Plan, plan
from surpluscharge.control.slots import Slot
from surpluscharge.control.wishes import Need
from surpluscharge.history.energy import QUARTER_HOUR_MS, Interval, time_of

HALF_HOUR_S = 1800
HALF_HOURS = 48
SEASON_DAYS = 14.0  # so far apart in the year, two days are still alike
MOST_APART_DAYS = 45  # and none further apart are
YEAR_DAYS = 365
ALIKE_SHARE = 0.25  # days whose surplus so far differs by so much of its usual spread are alike
UNSEEN_DAYS = 1.0  # weight, in days of this very season, of what has not been seen yet
MOST_FUTURES = 12
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
) -> Ahead:
    """Return the time from now on, in half hours, and how it may turn out.

    ``now`` and ``until`` are aware, in the site's zone. ``price_at``: of a moment, the import price as published (None:
    not known yet, then it is as on the past day), as in the file, and the export price. ``so_far``: today's shares up
    to now. ``foretold``: the forecast of today and the days after, as mean shares. ``share_now``: of this very moment.
    """
    starts = _starts(now, until)
    today, found = now.date(), alike(past, now, so_far, foretold or {})
    count = (until.date() - today).days + 1
    paths = [(weight, _path(past, first, count, today)) for weight, first in found]
    days = [_halves([path[day] for _, path in paths]) for day in range(count)]
    pieces: list[Piece] = []
    rows: list[tuple[list[float], list[float]]] = []  # of each piece: share and price in each future
    before: object = None  # what the last piece was, where another one like it joins it
    ends_s = [*(one.timestamp() for one in starts[1:]), until.timestamp()]
    for begin, end_s in zip(starts, ends_s, strict=True):
        published, filed, sell = price_at(begin)
        sun, then = days[(begin.date() - today).days][half_hour(begin)]
        if share_now is not None and begin is now:
            sun = [share_now] * len(paths)
        free = usable(begin)
        dark = not free or max(sun) <= SUN_SHARE
        this = (free, sell, published, published is None and (filed, then)) if dark else None
        if this is not None and this == before:  # what is alike is one piece
            pieces[-1] = pieces[-1]._replace(end_s=end_s)
            continue
        before = this
        if published is not None:
            buy = [published] * len(paths)
        else:
            buy = [filed if price is None else price for price in then]
        pieces.append(Piece(begin.timestamp(), end_s, sell, free))
        rows.append((sun, buy))
    futures = (
        Future(weight, [sun[index] for sun, _ in rows], [buy[index] for _, buy in rows])
        for index, (weight, _) in enumerate(paths)
    )
    return Ahead(tuple(pieces), tuple(futures))


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
    """Return this moment and every half hour after it, in the zone of ``now``."""
    zone, begin_s, end_s = now.tzinfo, now.timestamp(), until.timestamp()
    first_s = int(begin_s // HALF_HOUR_S + 1) * HALF_HOUR_S
    return [now] + [datetime.fromtimestamp(at_s, zone) for at_s in range(first_s, math.ceil(end_s), HALF_HOUR_S)]


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
    sums = {}
    for day, one in past.items():
        apart = season_apart(day, today)
        if day >= today or apart > MOST_APART_DAYS:
            continue
        sums[day] = sum(share or 0.0 for share in one.shares[:until])
        found.append((math.exp(-0.5 * (apart / SEASON_DAYS) ** 2), day))
    if so_far_sum is not None and len(found) > 2:
        spread = max(0.5, _spread(list(sums.values())))
        found = [
            (weight * _near(so_far_sum - sums[day], max(ALIKE_SHARE * spread, 0.25)), day) for weight, day in found
        ]
    if error is not None:
        for ahead_days in (0, 1):
            wanted = foretold.get(today + timedelta(days=ahead_days))
            if wanted is not None:
                found = [
                    (weight * _near(wanted - told, error), day)
                    for weight, day in found
                    if (other := past.get(day + timedelta(days=ahead_days))) is not None
                    and (told := other.mean) is not None
                ]
    found = sorted(found, reverse=True)[:MOST_FUTURES]
    whole = sum(weight for weight, _ in found)
    # What is unseen weighs as a day of this season among those that there are, the fewer the more.
    unseen = UNSEEN_DAYS / (UNSEEN_DAYS + len(found))
    if not found or whole <= 0.0:
        return [(1.0, None)]
    return [(unseen, None), *((weight / whole * (1.0 - unseen), day) for weight, day in found)]


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
