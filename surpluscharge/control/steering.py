"""Steering the energy of an interval, where the bill nets import against export in it (:mod:`.netting`).

There a lead that is either on or off is as fine as one that follows the sun: on for a part of each interval. What the
interval would export is its *credit*: charging costs what export earns for as long as it lasts, and the import price
beyond. So far it is known; for the rest it is expected, from the surplus of the last minutes, as
:mod:`surpluscharge.control.ahead` does. Hence:

    start where the credit that is left would last for all the time that is left: as late as it can be used up, when
          most of it is certain; at once where the surplus carries the lead anyway
    stop  where the credit is used up, and going on to the end of the interval would cost more than another start, or
          the next one brings nothing

So a charge begins towards the end of one interval and goes on into the next until that one's credit is used: a start
for every two. A start binds for the minimum-on time, and counts as costing :data:`START_S` of charging: both have to be
earned back. All is told to the machine as thresholds that any reading fulfils or none does, so that its minimum times,
budgets and caps stay as they are.

Of a day or a month no more than the next :data:`LOOKS_S` are reckoned with: a charge starts once there is credit for so
long, or for what is left. What the house will take in the night, or on later days of the month, is not expected; a
credit that is used by day may be lacking then.

Like the machine, plain functions of plain numbers, for the daemon, replay and a compiler alike. The constants were
fitted on days made for that alone; tests/bench/netted.py judges them on others.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from surpluscharge.control.ahead import kept

SHORT_S, LONG_S = 300.0, 1200.0  # the means over the past, and
NEW_LASTS_S, RECENT_LASTS_S = 600.0, 3000.0  # how long what they do not have yet will last (to a share of 1/e)
LEAST_SHARE, MOST_SHARE = -1.0, 2.5  # a surplus beyond says no more of the minutes to come
START_S = 250.0  # of charging on credit: what a start has to bring, on top of what it costs
EARLY = 0.95  # of the time that is left is enough for a start
LOOKS_S = 21600.0  # ahead at the most: what a session holds by default
LEAST_COST = 0.1  # of what credit is worth, is what charging beyond it costs at least
FORGETS_S = 900.0  # a longer gap in the readings, and the past says nothing

START, STOP, STAY = 1, 2, 0


class Lately(NamedTuple):
    """The surplus of late, in shares of the draw."""

    at_s: float
    surplus: float
    short: float
    long: float


class Running(NamedTuple):
    """The interval that runs. Times by any one clock, in seconds; the credit in watt-hours, below nought: a debt."""

    begin_s: float
    end_s: float
    credit_wh: float  # exported less imported so far, the charger included, as far as known
    charged_wh: float  # of the charger so far


def nothing() -> Lately:
    """Return what is known before the first reading."""
    return Lately(float("-inf"), 0.0, 0.0, 0.0)


def remember(lately: Lately, now_s: float, share: float) -> Lately:
    """Take a reading in; the last one held until now."""
    now = min(max(share, LEAST_SHARE), MOST_SHARE)
    elapsed_s = now_s - lately.at_s
    if not elapsed_s <= FORGETS_S:
        return Lately(now_s, now, now, now)
    held, elapsed_s = lately.surplus, max(0.0, elapsed_s)
    short = held + (lately.short - held) * math.exp(-elapsed_s / SHORT_S)
    long = held + (lately.long - held) * math.exp(-elapsed_s / LONG_S)
    return Lately(now_s, now, short, long)


def expected(lately: Lately, over_s: float) -> float:
    """Return the mean surplus to be expected over the next seconds, as a share of the draw."""
    return (
        lately.long
        + kept(over_s, RECENT_LASTS_S) * (lately.short - lately.long)
        + kept(over_s, NEW_LASTS_S) * (lately.surplus - lately.short)
    )


def left(running: Running, lately: Lately, draw_w: float, now_s: float) -> tuple[float, float]:
    """Return how much time of the interval is left, and for how long its credit would last: seconds, both."""
    left_s = min(max(running.end_s - now_s, 0.0), LOOKS_S)
    return left_s, running.credit_wh * 3600.0 / draw_w + expected(lately, left_s) * left_s


def decided(
    running: Running,
    lately: Lately,
    draw_w: float,
    worth: float,
    cost: float,
    min_on_s: float,
    on: bool,
    now_s: float,
) -> int:
    """Return START, STOP or STAY at a reading.

    ``worth`` is what a kilowatt-hour on credit brings, the alternative less the export price; ``cost`` what one beyond
    it loses, import less alternative.
    """
    if worth <= 0.0:
        return STOP if on else STAY
    cost = max(cost, LEAST_COST * worth)
    left_s, credit_s = left(running, lately, draw_w, now_s)
    # In the next interval there is credit, too, as far as can be seen.
    length_s = min(running.end_s - running.begin_s, LOOKS_S)
    next_s = max(expected(lately, left_s + length_s), 0.0) * length_s
    if on:
        dear = next_s == 0.0 or cost * left_s > 0.5 * START_S * worth
        return STOP if credit_s <= 0.0 and dear else STAY
    if credit_s < EARLY * left_s:
        return STAY
    goes_on_s = max(min_on_s - left_s, next_s)
    gain = worth * (min(left_s, max(credit_s, 0.0)) + min(goes_on_s, next_s)) - cost * max(goes_on_s - next_s, 0.0)
    return START if gain >= START_S * worth else STAY


def same(running: Running, begin_s: float, end_s: float) -> bool:
    """Say whether this is the interval that runs, its clock put right by a little at the most."""
    return abs(begin_s - running.begin_s) < 0.5 * min(running.end_s - running.begin_s, end_s - begin_s)


def passed(running: Running, since_s: float, until_s: float, grid_w: float, charger_w: float) -> Running:
    """Count what flowed between two times, as far as they lie in the interval."""
    hours = max(0.0, min(until_s, running.end_s) - max(since_s, running.begin_s)) / 3600.0
    return Running(
        running.begin_s, running.end_s, running.credit_wh - grid_w * hours, running.charged_wh + charger_w * hours
    )
