"""Replay: what the daemon would have done with recorded readings, by its own decision function.

:func:`decide` calls :func:`surpluscharge.control.machine.step` as the controller does: at every reading and every
deadline, first with what held until then, then with the new, until the mode rests. It leaves out only calls that
cannot change anything, and needs no knowledge of any mode for it: between two deadlines a reading can move the machine
only through the facts EXPORT, IMPORT and FRESH, and only through those that some row of the transition table asks
about in the present mode. While these stay as they are, the calls are left out; tests/test_replay.py holds it against a
replay that leaves nothing out. Thresholds may be given for each reading, and that is the place for any rule that is a
function of past readings.

What a replay assumes:

- the relay obeys at once, and its off is known at once; nothing is faulty, and charging is enabled throughout;
- the car is there, never full, and always draws the same ``draw_w``;
- a meter would have shown, at each reading, the surplus less what the charger drew at that moment: what an inverter
  held back because export is limited was never recorded, so nothing is tried, and nothing found, of that;
- a session re-armed by hand is re-armed every morning at the re-arm time;
- a reading holds until the next, but no longer than ``fresh_s``.

All functions here that take buffers work as they stand, and compiled (:mod:`surpluscharge.planning.compiling`).
"""

from __future__ import annotations

import csv
import math
from array import array
from collections.abc import Callable, MutableSequence, Sequence
from datetime import UTC, datetime, tzinfo
from datetime import time as time_of_day
from decimal import Decimal
from functools import reduce
from operator import or_
from pathlib import Path
from typing import NamedTuple

from surpluscharge.clock import day_number
from surpluscharge.config import Config
from surpluscharge.control import draw
from surpluscharge.control.economics import Priced, Prices
from surpluscharge.control.machine import (
    CLEAR,
    EXPORT,
    FRESH,
    IMPORT,
    MODE_NAMES,
    TABLE,
    Inputs,
    Params,
    State,
    initial,
    next_deadline,
    step,
    wants_on,
)
from surpluscharge.control.signals import Rejected, value_at
from surpluscharge.control.slots import REASONS, Book, Feed, Moving, Unusable, read_past
from surpluscharge.history.ledger import Epoch, Ledger
from surpluscharge.history.readings import LIMIT_W, PLAIN, Counts, Layout, Readings, ReadingsError
from surpluscharge.planning.compiling import buffer, fast

MOST_READINGS = 20_000_000  # over six years of one every ten seconds; beyond, memory would not stay within 2 GB
FRESH_SPACINGS = 1.5  # readings rarer than fresh_s are held for so many of their usual distances
SAMPLES = 10_001

INFINITE_S = float("inf")

_EVERY = EXPORT | IMPORT | FRESH  # all facts that depend on a reading: a new one belongs here
# By mode: those that any row asks about in it.
CARES = tuple(
    reduce(or_, (row.when | row.unless for row in TABLE if (row.sources >> mode) & 1), 0) & _EVERY
    for mode in range(len(MODE_NAMES))
)


# --- the readings, and what a running charger would have gained from them --------------------------------------------


class Series(NamedTuple):
    """Readings, in order: reading i holds from ``at_s[i]`` for ``hold_s[i]``; all arrays have equal length."""

    at_s: array[float]  # seconds since 1970, UTC
    surplus_w: array[float]  # what would be exported with the charger off
    hold_s: array[float]
    fresh_s: float  # no reading holds longer
    spacing_s: float  # the usual distance of two readings; of means, what most of the time is a mean over
    counts: Counts
    means: bool = False  # from the ledger, where a reading is the mean over its length

    @property
    def end_s(self) -> float:
        """When the last reading no longer holds."""
        return self.at_s[-1] + self.hold_s[-1]


def series(at_s: array[float], surplus_w: array[float], fresh_s: float, counts: Counts | None = None) -> Series:
    """Return the readings with how long each holds. Readings rarer than ``fresh_s`` raise it to 1.5 of their distance:
    otherwise a daemon that wants one every few seconds could not be replayed on minutes.
    """
    count = len(at_s)
    picks = range(0, count - 1, max(1, count // SAMPLES))
    spacings = sorted(at_s[i + 1] - at_s[i] for i in picks)
    spacing_s = spacings[len(spacings) // 2] if spacings else fresh_s
    fresh_s = max(fresh_s, FRESH_SPACINGS * spacing_s)
    hold_s = array("d", bytes(8 * count))
    fast(_hold)(buffer(at_s), fresh_s, buffer(hold_s))
    hold_s[-1] = min(fresh_s, spacing_s)
    return Series(at_s, surplus_w, hold_s, fresh_s, spacing_s, counts or Counts(readings=count))


def _hold(at_s: Sequence[float], fresh_s: float, hold_s: MutableSequence[float]) -> None:
    for i in range(len(at_s) - 1):
        hold_s[i] = min(at_s[i + 1] - at_s[i], fresh_s)


def load(
    path: str | Path,
    fresh_s: float,
    progress: Callable[[float], None] = lambda _: None,
    limit_w: float = LIMIT_W,
    layout: Layout = PLAIN,
) -> Series:
    """Read a whole CSV file, with no value beyond ``limit_w``; ``progress`` is told the share read.

    Raises ReadingsError.
    """
    reader = Readings(path, limit_w, layout)
    at_s, surplus_w = array("d"), array("d")
    for block in reader:
        at_s.extend(block.at_s)
        surplus_w.extend(block.surplus_w())
        progress(reader.share)
        if len(at_s) > MOST_READINGS:
            raise ReadingsError(f"{path}: more than {MOST_READINGS} readings. Split it, for example by years")
    return series(at_s, surplus_w, fresh_s, reader.counts)


def load_ledger(
    path: Path, fresh_s: float, configured_w: float, progress: Callable[[float], None] = lambda _: None
) -> tuple[Series, float]:
    """Read the daemon's own history; what it summed up over minutes is held piece by piece, but counted once.

    A piece is well shorter than ``fresh_s``: if each went stale at the moment of the next, nothing would ever start.

    Return the readings and the draw: as the daemon has learned it, or else as configured. Of both, nothing from before
    what was changed since (see :func:`since`): thresholds that fitted another meter or house say nothing of this one.

    Raises ReadingsError where there is nothing in it, LedgerError where it cannot be used.
    """
    at_s, surplus_w, lengths_s = array("d"), array("d"), array("d")
    ends: list[tuple[int, float]] = []  # before gaps: the last reading, and when it ends
    until_s = 0.0
    with Ledger(path, read_only=True) as ledger, ledger.snapshot():
        learned = draw.estimate(ledger.steps(draw.MOST_STEPS, ledger.anew_ms("draw")), configured_w)
        begin_ms, end_ms = ledger.bounds() or (0, 0)
        begin_ms = max(begin_ms, ledger.anew_ms("readings"))
        for interval in ledger.intervals(begin_ms, end_ms, measured=True):
            since_s, known_s = interval.begin_ms / 1000.0, interval.energy.known_ms / 1000.0
            if not known_s:
                continue
            if at_s and since_s > until_s + 1e-3:
                ends.append((len(at_s) - 1, until_s))
            until_s = since_s + known_s
            pieces = math.ceil(known_s * FRESH_SPACINGS / fresh_s)
            at_s.extend(since_s + known_s * piece / pieces for piece in range(pieces))
            lengths_s.append((interval.end_ms - interval.begin_ms) / 1000.0)
            surplus_w.extend([interval.charger_w - interval.grid_w] * pieces)
            if len(at_s) % 1000 < pieces:
                progress((interval.end_ms - begin_ms) / (end_ms - begin_ms))
            if len(at_s) > MOST_READINGS:
                raise ReadingsError(f"{path}: more than {MOST_READINGS} readings. Export them, and take a part")
    if not at_s:
        raise ReadingsError(f"{path}: there are no readings in it yet. Let the daemon run for some days")
    hold_s = array("d", bytes(8 * len(at_s)))
    fast(_hold)(buffer(at_s), fresh_s, buffer(hold_s))
    for last, end_s in [*ends, (len(at_s) - 1, until_s)]:
        hold_s[last] = min(fresh_s, end_s - at_s[last])
    readings = Series(at_s, surplus_w, hold_s, fresh_s, _usual(lengths_s), Counts(readings=len(lengths_s)), means=True)
    return readings, learned.draw_w if learned else configured_w


def since(path: Path) -> Epoch | None:
    """Return the change in the house before which :func:`load_ledger` takes no readings; None: there was none."""
    with Ledger(path, read_only=True) as ledger:
        return ledger.anew("readings")


def _usual(lengths_s: array[float]) -> float:
    """Return the length that half of the time is made of, or more: a median by time, not by number."""
    passed_s, half_s = 0.0, sum(lengths_s) / 2.0
    for length_s in sorted(lengths_s):
        passed_s += length_s
        if passed_s >= half_s:
            return length_s
    return lengths_s[-1]


def load_prices(path: str | Path, config: Config) -> Book:
    """Read import prices that moved, as they were published: a JSON list of slots, or CSV with a header.

    Raises ReadingsError.
    """
    if config.tariffs() is None:
        raise ReadingsError(f"{path}: prices that move need those of [money] beside them: add a [money] table")
    try:
        text = Path(path).read_text(encoding="utf-8")
        if text.lstrip()[:1] in ("[", "{"):
            rows = value_at(text.encode(), config.planned.prices.pointer or "" if config.planned.prices else "")
        else:
            rows = [
                {key: value if key in ("start", "end") else float(value) for key, value in row.items()}
                for row in csv.DictReader(text.splitlines())
            ]
        if not isinstance(rows, list) or not rows or not all(isinstance(row, dict) for row in rows):
            raise Unusable("not-slots")
        book = read_past(rows, config.price_feed if config.planned.prices else Feed(None, math.inf))
    except OSError as error:
        raise ReadingsError(f"{path}: {error.strerror}") from None
    except Rejected as error:
        raise ReadingsError(f"{path}: {REASONS.get(error.reason, error.reason)} ({error.reason})") from None
    except (ValueError, TypeError, AttributeError):
        raise ReadingsError(f"{path}: prices are neither a JSON list nor CSV with start, minutes, price") from None
    return tuple(slot._replace(value=config.import_price_of(slot.value)) for slot in book)


def recorded_prices(config: Config, readings: Series) -> Book:
    """Return the import prices that moved while these readings came, as the ledger has them."""
    begin, end = (datetime.fromtimestamp(at_s, UTC) for at_s in (readings.at_s[0], readings.end_s))
    with Ledger(config.recorded_file, read_only=True) as ledger:
        priced = ledger.in_force(config.tariffs(), begin, end)
    return priced.book if isinstance(priced, Moving) else ()


class Rates(NamedTuple):
    """Prices per kWh from ``from_s`` on, each until the next; all have equal length."""

    from_s: array[float]
    import_price: array[float]
    export_price: array[float]
    alternative_price: array[float]
    prices: tuple[Prices | None, ...]  # the same as they are configured; None: no tariff is valid yet


def rates(tariffs: Priced, begin_s: float, end_s: float, zone: tzinfo | None) -> Rates:
    """Return the prices of a stretch of time. Where no tariff is valid yet all are nought, and so is any value."""
    begin, end = (datetime.fromtimestamp(at_s, UTC).astimezone(zone) for at_s in (begin_s, end_s))
    spans = [(since.timestamp(), prices) for since, _, prices in tariffs.spans(begin, end)]
    bought, sold, alternative = zip(*(prices or Prices(*[Decimal()] * 3) for _, prices in spans), strict=True)
    return Rates(
        array("d", (since_s for since_s, _ in spans)),
        array("d", map(float, bought)),
        array("d", map(float, sold)),
        array("d", map(float, alternative)),
        tuple(prices for _, prices in spans),
    )


class Sums(NamedTuple):
    """What a charger that always ran would take up to each reading, and to the end: one longer than the series."""

    solar_wh: array[float]
    grid_wh: array[float]
    gain: array[float]  # in the tariffs' currency


def sums(readings: Series, draw_w: float, prices: Rates) -> Sums:
    """Add up. In each interval the solar share is min(draw, surplus), the grid's is the rest."""
    result = Sums(*(array("d", bytes(8 * (len(readings.at_s) + 1))) for _ in range(3)))
    fast(_add_up)(
        buffer(readings.at_s),
        buffer(readings.surplus_w),
        buffer(readings.hold_s),
        draw_w,
        *map(buffer, prices[:4]),
        *map(buffer, result),
    )
    return result


def _add_up(
    at_s: Sequence[float],
    surplus_w: Sequence[float],
    hold_s: Sequence[float],
    draw_w: float,
    from_s: Sequence[float],
    import_price: Sequence[float],
    export_price: Sequence[float],
    alternative_price: Sequence[float],
    solar_wh: MutableSequence[float],
    grid_wh: MutableSequence[float],
    gain: MutableSequence[float],
) -> None:
    span = 0
    for i in range(len(at_s)):
        while span + 1 < len(from_s) and from_s[span + 1] <= at_s[i]:
            span += 1
        solar_w = min(draw_w, max(surplus_w[i], 0.0))
        hours = hold_s[i] / 3600.0
        solar, grid = solar_w * hours, (draw_w - solar_w) * hours
        solar_wh[i + 1] = solar_wh[i] + solar
        grid_wh[i + 1] = grid_wh[i] + grid
        earned = (solar + grid) * alternative_price[span] - solar * export_price[span] - grid * import_price[span]
        gain[i + 1] = gain[i] + earned / 1000.0


class Days(NamedTuple):
    """The charging days of a series: day ``first`` + i ends at ``ends_s[i]``, and the last one with the series."""

    first: int  # as clock.day_number() counts
    ends_s: array[float]


def charging_days(readings: Series, zone: tzinfo | None, rearm_at: time_of_day) -> Days:
    """Return the local days, which begin at the re-arm time."""
    begin = datetime.fromtimestamp(readings.at_s[0], UTC).astimezone(zone)
    first, ends_s, ahead = day_number(begin, rearm_at), array("d"), 1
    while True:
        day = datetime.fromordinal(first + ahead).date()
        at_s = datetime.combine(day, rearm_at, zone or begin.tzinfo).timestamp()
        if at_s >= readings.end_s:
            return Days(first, ends_s)
        ends_s.append(at_s)
        ahead += 1


# --- the decisions ---------------------------------------------------------------------------------------------------


class Move(NamedTuple):
    """The machine went into a mode."""

    at_s: float
    mode: int
    held: int  # the reading that held
    cause: int  # why, as the machine says: an index into its CAUSES


def charging(moves: list[Move], end_s: float) -> list[tuple[float, float]]:
    """Return when the relay was wanted on: begin and end of each run."""
    runs: list[tuple[float, float]] = []
    begin_s: float | None = None
    for at_s, on in [*((move.at_s, wants_on(move.mode)) for move in moves), (end_s, False)]:
        if on and begin_s is None:
            begin_s = at_s
        elif not on and begin_s is not None:
            runs.append((begin_s, at_s))
            begin_s = None
    return runs


def moves(
    params: Params,
    readings: Series,
    days: Days,
    draw_w: float,
    start_w: array[float] | None = None,
    stop_w: array[float] | None = None,
) -> list[Move]:
    """Return what the machine does with the readings, switched on with the first one.

    ``start_w`` and ``stop_w``: thresholds for each reading, in place of the two in ``params``.
    """
    state = initial(params, readings.at_s[0], days.first)._replace(was_enabled=True)
    return list(
        fast(decide)(
            params._replace(rearm_daily=True),
            state,
            draw_w,
            readings.fresh_s,
            buffer(readings.at_s),
            buffer(readings.surplus_w),
            buffer(array("d", [params.start_export_w]) if start_w is None else start_w),
            buffer(array("d", [params.stop_import_w]) if stop_w is None else stop_w),
            readings.end_s,
            days.first,
            buffer(days.ends_s),
        )
    )


def decide(
    params: Params,
    state: State,
    draw_w: float,
    fresh_s: float,
    at_s: Sequence[float],
    surplus_w: Sequence[float],
    start_w: Sequence[float],
    stop_w: Sequence[float],
    end_s: float,
    day: int,
    days_s: Sequence[float],
) -> list[Move]:
    """Run the machine over readings; return its moves, the first being the mode it begins in.

    ``start_w`` and ``stop_w`` take the place of the thresholds in ``params``: a value for each reading, or one for all.
    ``day`` is the number of the day that ends at ``days_s[0]``.
    """
    count = len(at_s)
    each_start = 0 if len(start_w) == 1 else 1
    each_stop = 0 if len(stop_w) == 1 else 1
    moves = [Move(at_s[0], state.mode, 0, state.cause)]
    held = -1  # the reading that holds; before the first there is none
    grid_w = 0.0  # what the meter showed then: the charger's load less the surplus
    now_s, next_day = at_s[0], 0
    while now_s < end_s:
        # What the machine waits for if no reading comes: its own deadline, or the next day.
        load_w = draw_w if wants_on(state.mode) else 0.0
        k = max(held, 0)
        here = with_thresholds(params, start_w[k * each_start], stop_w[k * each_stop])
        due_s = next_deadline(here, state, inputs_with(grid_w, INFINITE_S, load_w, day, False, 0))
        if next_day < len(days_s):
            due_s = min(due_s, days_s[next_day])

        # Pass over the readings that leave all the facts as they are which matter in this mode.
        cares = CARES[state.mode]
        export, excess = -grid_w >= here.start_export_w, grid_w > here.stop_import_w
        stale = held < 0 or now_s >= at_s[held] + fresh_s
        quiet = held
        while True:
            ahead_s = at_s[quiet + 1] if quiet + 1 < count else end_s
            event_s = due_s
            if not stale and cares & FRESH:
                event_s = min(due_s, at_s[quiet] + fresh_s)
            if event_s <= ahead_s or stale or quiet + 1 >= count:
                break
            seen_w = load_w - surplus_w[quiet + 1]
            if cares & EXPORT and (-seen_w >= start_w[(quiet + 1) * each_start]) != export:
                break
            if cares & IMPORT and (seen_w > stop_w[(quiet + 1) * each_stop]) != excess:
                break
            quiet += 1
        if quiet > held:
            held, grid_w = quiet, load_w - surplus_w[quiet]

        # First what has held until now, then the new.
        now_s = min(event_s, ahead_s)
        if next_day < len(days_s) and days_s[next_day] <= now_s:
            day, next_day = day + 1, next_day + 1
        k = max(held, 0)
        here = with_thresholds(params, start_w[k * each_start], stop_w[k * each_stop])
        fresh_until_s = at_s[held] + fresh_s if held >= 0 else -INFINITE_S
        state = settle(here, state, now_s, grid_w, fresh_until_s, draw_w, day, False, 0, held, moves)
        if event_s > ahead_s and held + 1 < count:
            held += 1
            grid_w = (draw_w if wants_on(state.mode) else 0.0) - surplus_w[held]
            here = with_thresholds(params, start_w[held * each_start], stop_w[held * each_stop])
            state = settle(here, state, now_s, grid_w, now_s + fresh_s, draw_w, day, False, 0, held, moves)
    return moves


def settle(
    params: Params,
    state: State,
    now_s: float,
    grid_w: float,
    fresh_until_s: float,
    draw_w: float,
    day: int,
    planned: bool,
    planned_day: int,
    held: int,
    moves: list[Move],
) -> State:
    while True:
        load_w = draw_w if wants_on(state.mode) else 0.0
        before, state = (
            state.mode,
            step(params, state, now_s, inputs_with(grid_w, fresh_until_s, load_w, day, planned, planned_day)),
        )
        if state.mode == before:
            return state
        moves.append(Move(now_s, state.mode, held, state.cause))


def inputs_with(
    grid_w: float, fresh_until_s: float, load_w: float, day: int, planned: bool, planned_day: int
) -> Inputs:
    off, gives_way, trial = load_w == 0.0, False, False
    return Inputs(grid_w, fresh_until_s, load_w, True, False, CLEAR, off, day, planned, planned_day, gives_way, trial)


def with_thresholds(params: Params, start_w: float, stop_w: float) -> Params:
    return Params(
        start_w,
        stop_w,
        params.start_delay_s,
        params.stop_delay_s,
        params.min_on_s,
        params.min_off_s,
        params.starts_per_hour,
        params.starts_per_day,
        params.time_cap_s,
        params.energy_cap_wh,
        params.rearm_daily,
        params.planned_time_cap_s,
        params.planned_energy_cap_wh,
    )


# --- what came of them -----------------------------------------------------------------------------------------------


def book(
    moves: list[Move],
    at_s: Sequence[float],
    hold_s: Sequence[float],
    total: Sequence[float],
    end_s: float,
    days_s: Sequence[float],
    days: MutableSequence[float],
    starts: MutableSequence[float],
) -> None:
    """Add what the runs took, of one of :class:`Sums`, to ``days``, and their number to ``starts``, day by day."""
    day, on, before, run_mode = 0, False, 0.0, 0
    for index in range(len(moves) + 1):
        if index < len(moves):
            now_s, run_mode, held, _ = moves[index]
        else:
            now_s, held = end_s, len(at_s) - 1
        while day < len(days_s) and days_s[day] <= now_s:
            if on:
                until = total_at(days_s[day], last_at(at_s, days_s[day]), at_s, hold_s, total)
                days[day] += until - before
                before = until
            day += 1
        until = total_at(now_s, held, at_s, hold_s, total)
        if on:
            days[day] += until - before
        before = until
        if index < len(moves):
            if wants_on(run_mode) and not on:
                starts[day] += 1
            on = wants_on(run_mode)


def total_at(now_s: float, held: int, at_s: Sequence[float], hold_s: Sequence[float], total: Sequence[float]) -> float:
    """Return one of :class:`Sums` at a moment while reading ``held`` is the last."""
    if held < 0 or hold_s[held] <= 0.0:
        return total[max(held, 0)]
    return total[held] + (total[held + 1] - total[held]) * min(1.0, (now_s - at_s[held]) / hold_s[held])


def last_at(at_s: Sequence[float], now_s: float) -> int:
    """Return the last reading at or before a moment; -1: none."""
    low, high = 0, len(at_s)
    while low < high:
        middle = (low + high) // 2
        if at_s[middle] <= now_s:
            low = middle + 1
        else:
            high = middle
    return low - 1
