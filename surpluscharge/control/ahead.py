"""Thresholds that look ahead a little: what the surplus of the next minutes will be worth, judged by the last ones.

Two fixed thresholds ask for the surplus of this moment. But a start binds for the minimum-on time and a stop for the
minimum-off time, so what counts is the mean over that time. Three things are known of it beforehand. What has come in
the last minutes tends to be gone in minutes: a kettle ends, a gap closes. What has lasted for a while tends to last for
a while. And where the surplus has been changeable, it is worth keeping both choices open a little longer. Hence:

    expected = long mean + what is left of (short mean - long mean) + what is left of (now - short mean)
    start where   expected over the minimum-on time  >= break-even + caution
    stop where    expected over the minimum-off time <  break-even - caution

Both parts fade, each with a time of its own; the caution is in proportion to how much the surplus moved lately.
Everything is a share of the draw, and of surplus only what the lead can use counts, so neither tariff nor house comes
in but by break-even. Solved for the surplus of this moment, that gives the two thresholds that the machine takes: its
times, its budgets and caps, and all that must always hold stay as they are. Its delays are best nought here.

The constants were fitted once, on days made for that alone, and then all four times made longer by a half: made skies
flicker more than measured ones, and under a measured month, single days of five other stations and in houses that no
fit has seen longer ones earn more (tests/bench/left_out.py; tests/bench/share_of_hindsight.py has the made ones, too).
Where a house's battery is to be spared they stand as they were fitted: it gives the least for the car then.
Like the machine, all of this is plain functions of plain numbers, for the daemon, replay and a compiler alike.

They are the same for every house: those fitted to one of its own earned hardly more, so nothing is learned or stored.
Where it is weak: under a sky that flickers all day without a pattern, around a usable surplus just at break-even, it
earns up to a sixth less than fixed thresholds; with minimum times of three minutes it is no better, and with a cap that
binds on most days it earned least, until it was held to the stricter thresholds there (``Rule.rationed``). So it is not
said to be the better rule. Tried, and not here: boosted trees on 23
features of the past (9 to 34 % of the distance from tuned thresholds to hindsight, in each of five cases less than the
formula), the time of day, kettles told from clouds by their steepness, delays (they cost 3 points).
"""

from __future__ import annotations

import math
from typing import NamedTuple

LEAST_SHARE = 0.01  # of the draw: less is the meter's noise about nought, not surplus, and starts nothing

# The two means over the past, and how long what they do not have yet will last (to a share of 1/e).
SHORT_S = 450.0
LONG_S = 1800.0
NEW_LASTS_S = 450.0
RECENT_LASTS_S = 2250.0
SPARING = 2 / 3  # all of these are so many times as long where a house's battery is spared: it gives the least then

# A surplus above the draw, or an import, says a little more than one just at the edge of what can be used.
BEYOND_WEIGHT = 0.2
BEYOND_SHARE = 1.0  # farther out by so much of the draw, it says no more

MOVES_S = 600.0  # over which the movement of the surplus is averaged
CAUTION_S = 36.0  # as much as it usually moves in so many seconds is asked for on top
SAMPLE_S = 10.0  # movement is looked at this often: a faster meter must not look like a wilder sky

GONE_SHARE = 0.05  # where the short mean is below, there is no surplus to wait for: it must be evening
FORGETS_S = 900.0  # a longer gap in the readings, and the past says nothing


class Memory(NamedTuple):
    """The recent surplus, in shares of the draw. Replaced, never changed."""

    at_s: float  # of the last reading
    surplus: float  # the last reading
    short: float  # the usable share, averaged over the last minutes, and
    long: float  # over longer
    moves: float  # how far the usable share goes per second, up and down alike
    sampled_s: float  # when that was looked at last, and
    sampled: float  # what the usable share was then
    pace: float  # so many times as long as they stand above are the times of this one


def usable(share: float) -> float:
    """Return what the lead can use of a surplus, both in shares of the draw: 0 to 1."""
    return min(max(share, 0.0), 1.0)


def nothing(pace: float = 1.0) -> Memory:
    """Return a memory of nothing: the first reading stands for all of the past."""
    return Memory(float("-inf"), 0.0, 0.0, 0.0, 0.0, float("-inf"), 0.0, pace)


def remember(memory: Memory, now_s: float, share: float) -> Memory:
    """Take a reading in: the surplus as a share of the draw, at a monotonic time. The last one held until now.

    Leave out readings of the seconds after a switching: while meter and plug disagree about whether the charger runs,
    the surplus seems to jump by the whole draw, and that would pass for a wild sky.
    """
    now = usable(share)
    elapsed_s = now_s - memory.at_s
    if not elapsed_s <= FORGETS_S:
        return Memory(now_s, share, now, now, 0.0, now_s, now, memory.pace)
    held, elapsed_s = usable(memory.surplus), max(0.0, elapsed_s)
    short = held + (memory.short - held) * math.exp(-elapsed_s / (SHORT_S * memory.pace))
    long = held + (memory.long - held) * math.exp(-elapsed_s / (LONG_S * memory.pace))
    moves = memory.moves * math.exp(-elapsed_s / MOVES_S)
    sampled_s, sampled = memory.sampled_s, memory.sampled
    if now_s - sampled_s >= SAMPLE_S - 0.5:
        moves += abs(now - sampled) / MOVES_S
        sampled_s, sampled = now_s, now
    return Memory(now_s, share, short, long, moves, sampled_s, sampled, memory.pace)


def kept(over_s: float, lasts_s: float) -> float:
    """Return the mean share of something, over the next ``over_s``, that fades with the time constant ``lasts_s``."""
    ratio = max(over_s, 1.0) / lasts_s
    return (1.0 - math.exp(-ratio)) / ratio


def expected(memory: Memory, over_s: float) -> float:
    """Return the usable share of the draw to be expected on average over the next seconds, roughly 0 to 1."""
    beyond = min(max(memory.surplus - 1.0, 0.0), BEYOND_SHARE) + max(min(memory.surplus, 0.0), -BEYOND_SHARE)
    now = usable(memory.surplus) + BEYOND_WEIGHT * beyond
    return _base(memory, over_s) + kept(over_s, NEW_LASTS_S * memory.pace) * now


def _base(memory: Memory, over_s: float) -> float:
    """Return what is to be expected apart from the surplus of this moment."""
    return (
        memory.long
        + kept(over_s, RECENT_LASTS_S * memory.pace) * (memory.short - memory.long)
        - kept(over_s, NEW_LASTS_S * memory.pace) * memory.short
    )


def _needed(memory: Memory, over_s: float, goal: float) -> float:
    """Return the surplus of this moment from which on ``goal`` is to be expected; infinite where none can do it."""
    now = (goal - _base(memory, over_s)) / kept(over_s, NEW_LASTS_S * memory.pace)
    share = now
    if now > 1.0:
        share = 1.0 + (now - 1.0) / BEYOND_WEIGHT
    elif now < 0.0:
        share = now / BEYOND_WEIGHT
    if share > 1.0 + BEYOND_SHARE:
        return float("inf")
    return share if share >= -BEYOND_SHARE else float("-inf")


def caution(memory: Memory) -> float:
    """Return what is asked for on top of break-even, as a share of the draw."""
    return CAUTION_S * memory.moves


def thresholds(
    memory: Memory, draw_w: float, break_even_w: float, min_on_s: float, min_off_s: float
) -> tuple[float, float]:
    """Return the export that starts a charge now, and the import that ends one, as :class:`machine.Params` has them.

    ``break_even_w`` is the surplus from which on running the charger pays: 0 where any does, infinity where none does.
    A start is infinite where no surplus of this moment could make it pay.
    """
    if break_even_w == float("inf"):
        return float("inf"), float("-inf")
    pays = max(break_even_w / draw_w, LEAST_SHARE)
    start = max(_needed(memory, min_on_s, pays + caution(memory)), LEAST_SHARE)
    stop = min(_needed(memory, min_off_s, pays - caution(memory)), start)
    # What was never there will not come back: without this, a small break-even would charge on through the night.
    if memory.short < GONE_SHARE:
        stop = max(stop, LEAST_SHARE)
    return start * draw_w, (1.0 - stop) * draw_w


def why(
    memory: Memory,
    draw_w: float,
    break_even_w: float,
    min_on_s: float,
    min_off_s: float,
    on: bool,
    spares: bool = False,
    within: tuple[float, float] = (float("-inf"), float("inf")),
) -> str:
    """Return one sentence for the status: what is expected, and what that means for the next start or stop.

    ``spares``: what is below break-even would not be lost, but come from a house's battery. ``within``: no start below
    the first, and no import above the second, because a session's hours are few.
    """
    pays = "spares the battery" if spares else "pays"
    it_pays = "the battery is spared" if spares else "it pays"
    start_w, stop_w = thresholds(memory, draw_w, break_even_w, min_on_s, min_off_s)
    enough = memory.surplus * draw_w >= start_w
    start_w, stop_w = max(start_w, within[0]), min(stop_w, within[1])
    over_s = min_off_s if on else min_on_s
    outlook_w = min(max(expected(memory, over_s), 0.0), 1.0) * draw_w
    outlook = f"{round(outlook_w)} W of usable surplus expected over the next {max(1, round(over_s / 60.0))} min"
    surplus_w = memory.surplus * draw_w
    if break_even_w == float("inf"):
        return "At these prices charging from surplus does not pay."
    if on:
        if surplus_w < draw_w - stop_w:
            return f"The surplus is not expected to come back soon: {outlook}."
        if surplus_w < break_even_w:
            return f"Charging on: there is less surplus than {pays}, but it is expected to come back, {outlook}."
        return f"Charging on: {outlook}."
    if surplus_w >= start_w:
        return f"Worth a start: {outlook}."
    if enough:
        return f"Waiting for more surplus, since a session's hours are few: {outlook}."
    if surplus_w >= break_even_w > outlook_w:
        return f"Waiting: the surplus is too new to count on, {outlook}, and {it_pays} from {round(break_even_w)} W."
    if surplus_w >= break_even_w:
        return f"Waiting: the last ten minutes were too changeable to start, {outlook}."
    return f"Waiting for more surplus: {outlook}, and {it_pays} from {round(break_even_w)} W."
