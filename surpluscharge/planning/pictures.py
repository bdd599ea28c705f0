"""The pages of a replay and of a tuning, written and drawn by the hand that all pages share.

Needs the ``report`` extra (matplotlib).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date
from itertools import groupby, pairwise
from math import isinf
from typing import Any, NamedTuple

from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from surpluscharge.control.machine import ARMING
from surpluscharge.history.energy import QUARTER_HOUR_MS, Interval, Sample, downsample, gaps, held, time_of, total
from surpluscharge.history.report.drawing import (
    BOUGHT,
    CAUGHT,
    DRAWN,
    HOUSE,
    SPARE,
    UNKNOWN,
    Day,
    Lane,
    Level,
    Picture,
    Sheet,
    axes_below,
    bars,
    draw_day,
    edged,
    hatched,
    in_money,
    ruled,
    shown,
    solid,
    squares,
    under_bars,
)
from surpluscharge.history.report.figures import CURVE_MS, LEAST_MWS, MOST_DAYS_BY_DAY, SHORTEST_GAP_MS, cropped
from surpluscharge.history.report.paper import Cell, Table, Value, count_cell, document, listed, section, words
from surpluscharge.history.report.words import day_name, month_name, period_name, short_day_names
from surpluscharge.planning import comparing, tune
from surpluscharge.planning.comparing import Comparison, Study, configured
from surpluscharge.planning.replay import charging
from surpluscharge.words import counted, duration, number, watts

MOST_LEVELS = 4  # thresholds that move more often than so are named from the least to the most
QUOTED = {"auto": '"auto"', "ahead": '"ahead"'}


# --- cells -----------------------------------------------------------------------------------------------------------


def _cell(value: float | None, digits: int, unit: str = "") -> Value:
    if value is None:
        return ""
    return Cell(repr(value), number(value, digits).replace("-", "\N{MINUS SIGN}") + unit)


def _share_cell(value: float | None) -> Value:
    return "" if value is None else Cell(repr(value), f"{100 * value:.0f} %".replace("-", "\N{MINUS SIGN}"))


def _page(what: str, case: Study, sentences: Sequence[str], parts: Iterable[str]) -> str:
    first, last = (case.date(case.counted[place]) for place in (0, -1))
    name, charger = period_name(first, last), case.config.charger.name
    return document(
        f"{what} of {charger}: {name}",
        f"{what} \N{MIDDLE DOT} {charger} \N{MIDDLE DOT} {case.source}, {counted(len(case.counted), 'day')}",
        name,
        sentences,
        parts,
        "Made",
    )


# --- a replay --------------------------------------------------------------------------------------------------------


def of_replay(found: Comparison, day: date | None = None) -> str:
    """Return the page of a replay. Raises ValueError for a day that is not among those with readings."""
    case = found.case
    index = _costliest(found) if day is None else day.toordinal() - case.days.first
    if index not in case.counted:
        raise ValueError(f"{day} is not among the days with readings: {comparing.period(case)}")
    figures = comparing.as_json(found)
    parts = [section("What each rule would have come to", _rules_table(found, figures).html())]
    if figures["needs"]:
        parts.append(section("How what was needed was seen to", _needs_table(case, figures["needs"]).html()))
    parts.append(_day_section(found, index, day is not None))
    if len(case.counted) > 1:
        parts.append(_days_section(found))
    parts.append(section("How to read the figures", listed(comparing.notes(found))))
    return _page("Replay", case, _gist(found, figures), parts)


def _gist(found: Comparison, figures: dict[str, Any]) -> list[str]:
    case, currency = found.case, found.case.currency
    charged_kwh = figures["solar_kwh"] + figures["grid_kwh"]
    energy = (
        f"The car would have taken {charged_kwh:.1f} kWh, {figures['solar_kwh']:.1f} kWh of it from the sun, with "
        f"{counted(round(figures['starts']), 'start')}."
    )
    if currency is None:
        return [energy, *comparing.warnings(case)]
    verb = "saved" if figures["value"] >= 0 else "lost"
    lede = f"As configured, it would have {verb} {abs(figures['value']):.2f} {currency}"
    if (share := figures["share_of_hindsight"]) is not None:
        lede += f": {100 * share:.0f} % of the best possible, {figures['hindsight_value']:.2f} {currency}"
    others = {"as configured": found.replayed, "fixed thresholds": found.plain}
    others |= {QUOTED["auto"]: found.auto} if found.auto else {}
    others |= {QUOTED["ahead"]: found.ahead} if found.ahead else {}
    name = max(others, key=lambda each: sum(others[each].gain))
    more = sum(others[name].gain) - sum(found.replayed.gain)
    told = [f"{lede}.", energy, *_of_the_plan(case, figures["needs"])]
    if more >= 0.005:
        told.append(f"Of the rules compared, {name} would have earned most: {more:.2f} {currency} more.")
    return [*told, *comparing.warnings(case)]


def _of_the_plan(case: Study, figures: dict[str, Any] | None) -> Iterator[str]:
    if figures:
        plan, night = figures["plan"], figures["from_23"]
        met = f"By plan, {plan['met']} of {counted(figures['due'], 'need')} would have been met, "
        less = night["cost"] - plan["cost"]
        beside = f", {abs(less):.2f} {'less' if less >= 0 else 'more'} than charging from 23:00"
        yield f"{met}for {plan['cost']:.2f} {case.currency}{beside if night['met'] == plan['met'] else ''}."


def _rules_table(found: Comparison, figures: dict[str, Any]) -> Table:
    priced = found.case.currency is not None
    heads = [("rule", ""), ("sun", "kWh"), ("bought", "kWh")]
    heads += [("saved", str(found.case.currency)), ("share", " ")] if priced else []
    heads += [("starts", " ")]
    rows: list[list[Value]] = []
    columns = [("as configured", figures), ("fixed thresholds", figures["plain"])]
    columns += [(QUOTED.get(key, "best plan"), figures[key]) for key in ("auto", "ahead", "hindsight") if figures[key]]
    for name, column in columns:
        row: list[Value] = [name, _cell(column["solar_kwh"], 1), _cell(column["grid_kwh"], 1)]
        if priced:
            row += [_cell(column["value"], 2), _share_cell(column["share_of_hindsight"])]
        rows.append([*row, count_cell(column["starts"])])
    if found.hindsight and found.hindsight.at_most > comparing.APART * max(found.hindsight.gain, 0.0):
        rows.append(["no rule can exceed", "", "", _cell(figures["hindsight_value"], 2), _share_cell(1.0), ""])
    return Table("rules", "What each rule would have come to", heads, rows, quiet=True)


def _needs_table(case: Study, figures: dict[str, Any]) -> Table:
    currency = str(case.currency)
    heads = [("way", ""), ("met", f"of {figures['due']}"), ("missing", "kWh"), ("sun", "kWh"), ("beside", "kWh")]
    heads += [("planned", "kWh"), ("cost", currency), ("above best", currency), ("starts", " ")]
    rows: list[list[Value]] = []
    for way, name in comparing.WAYS.items():
        one = figures[way]
        energies = [_cell(one[key], 1) for key in ("missing_kwh", "solar_kwh", "beside_kwh", "planned_kwh")]
        money = [_cell(one[key], 2) for key in ("cost", "above_best")]
        rows.append([name, count_cell(one["met"]), *energies, *money, count_cell(one["starts"])])
    return Table("needs", "How what was needed was seen to", heads, rows, quiet=True)


def _costliest(found: Comparison) -> int:
    """Return the day that fell furthest short of the best possible, or else the one with the most charging.

    Against what each day alone could bring: beside the plan for all days, a rule would on some stand above "best".
    """
    done, of_all = found.replayed, found.hindsight
    short = [most - gain for most, gain in zip(of_all.by_day, done.gain, strict=True)] if of_all else done.solar_wh
    return max(found.case.counted, key=lambda day: (short[day], -day))


def _why(found: Comparison, index: int, asked: bool) -> str:
    done = found.replayed
    if found.hindsight is None:
        what = f"{done.solar_wh[index] / 1000.0:.1f} kWh from the sun"
        return f"The day that was asked for: {what}." if asked else f"Shown as the day with most: {what}."
    most = found.hindsight.by_day[index]
    lost = f"{most - done.gain[index]:.2f} of at most {most:.2f} {found.case.currency}"
    if asked:
        return f"The day that was asked for. Against the best possible of that day, {lost} were lost."
    return f"Shown because most was lost on it against the best possible of that day: {lost}. --day shows another."


class _Spans(NamedTuple):
    """What was going on when, in milliseconds, within the day that is shown."""

    charging: list[tuple[int, int]]
    waiting: list[tuple[int, int]]
    cap: list[tuple[int, int]]
    budget: list[tuple[int, int]]
    plan: list[tuple[int, int]]


def _spans(found: Comparison, begin_ms: int, end_ms: int) -> _Spans:
    case, moves = found.case, found.replayed.moves

    def within(spans: Iterable[tuple[float, float]]) -> list[tuple[int, int]]:
        clipped = ((max(begin_ms, round(1000 * a)), min(end_ms, round(1000 * b))) for a, b in spans)
        return [(since_ms, until_ms) for since_ms, until_ms in clipped if since_ms < until_ms]

    untils_s = [*(move.at_s for move in moves[1:]), case.readings.end_s]
    waiting = [(move.at_s, until_s) for move, until_s in zip(moves, untils_s, strict=True) if move.mode == ARMING]
    return _Spans(
        within(charging(moves, case.readings.end_s)),
        within(waiting),
        within(comparing.cap_held(case, moves)),
        within(comparing.budget_held(case, moves)),
        within(found.hindsight.runs if found.hindsight else []),
    )


def _day_section(found: Comparison, index: int, asked: bool) -> str:
    case, shown_day = found.case, found.case.date(index)
    ends_s = [case.readings.at_s[0], *case.days.ends_s, case.readings.end_s]
    begin_ms, end_ms = round(1000 * ends_s[index]), round(1000 * ends_s[index + 1])
    spans = _spans(found, begin_ms, end_ms)
    intervals = list(_intervals(case, spans.charging, begin_ms, end_ms))
    curve = list(downsample(intervals, CURVE_MS))
    busy = [
        each.begin_ms for each in downsample(intervals, QUARTER_HOUR_MS) if each.energy.surplus_mws >= LEAST_MWS / 4
    ]
    busy += [at_ms for since, until in (*spans.charging, *spans.plan) for at_ms in range(since, until, QUARTER_HOUR_MS)]
    first_ms, last_ms = cropped([at - at % QUARTER_HOUR_MS for at in busy], *_hours_around(begin_ms, end_ms), case.zone)
    lanes = [
        Lane(name, look, thick, [(*span, "") for span in which])
        for name, look, thick, which in (
            ("charging", solid("ink"), True, spans.charging),
            ("waiting", hatched("muted"), True, spans.waiting),
            ("cap reached", hatched("house-edge"), True, spans.cap),
            ("starts used", hatched("house-edge"), True, spans.budget),
            ("best plan", solid("saved"), True, spans.plan),
        )
        if which
    ]
    missing = list(gaps(intervals, begin_ms, end_ms, SHORTEST_GAP_MS))
    day = Day(first_ms, last_ms, case.zone, curve, False, _levels(case, curve), lanes, missing, spans.cap)
    energy = total(each.energy for each in intervals)
    gist = (
        f"Surplus through the day, and what was decided. {energy.surplus_wh / 1000:.2f} kWh of surplus were there, "
        f"{energy.solar_wh / 1000:.2f} kWh were caught, {energy.grid_wh / 1000:.2f} kWh bought for the car."
    )
    key = [CAUGHT, SPARE, BOUGHT, HOUSE]
    key += [("threshold", "thresholds, as surplus: what would be exported without the charger")] if day.levels else []
    key += [("held", "held back: the session's cap is reached")] if spans.cap else []
    key += [("held", "held back: no start is left (starts used)")] if spans.budget else []
    key += [UNKNOWN] if missing else []
    rows: list[list[Value]] = [
        [f"{time_of(since, case.zone):%H:%M:%S}", f"{time_of(until, case.zone):%H:%M:%S}", lane.name]
        for since, until, lane in sorted(
            ((since, until, lane) for lane in lanes for since, until, _ in lane.spans), key=lambda each: each[:2]
        )
    ]
    heads = [("from", ""), ("to", ""), ("what", "")]
    table = Table("day", "What was decided, and the best plan", heads, rows)
    caption = (
        f"Means over {CURVE_MS // 60_000} minutes, in a narrow window over twice that. The charger is the block across "
        "the line; its height is the draw. Below: what was decided, and when the best plan would have charged. Hours "
        "with neither surplus nor a charge are left out."
    )
    picture = Picture("day", "The day's surplus, and what was decided", gist, lambda sheet: draw_day(day, sheet))
    return section(
        day_name(shown_day), f"<p>{words(_why(found, index, asked))}</p>", shown(picture, key, table, caption)
    )


def _hours_around(begin_ms: int, end_ms: int) -> tuple[int, int]:
    """Return the quarters of an hour around a time: readings seldom begin at a full one."""
    return begin_ms - begin_ms % QUARTER_HOUR_MS, end_ms + -end_ms % QUARTER_HOUR_MS


def _intervals(case: Study, runs: Sequence[tuple[int, int]], begin_ms: int, end_ms: int) -> Iterator[Interval]:
    """Yield what would have flowed between two times, with the charger on in ``runs``."""
    readings, edges = case.readings, sorted({edge for run in runs for edge in run})
    first = max(0, bisect_left(readings.at_s, begin_ms / 1000.0) - 1)
    for k in range(first, len(readings.at_s)):
        since_ms = max(begin_ms, round(1000 * readings.at_s[k]))
        until_ms = min(end_ms, round(1000 * (readings.at_s[k] + readings.hold_s[k])))
        if since_ms >= end_ms:
            return
        cuts = [edge for edge in edges if since_ms < edge < until_ms]
        for at_ms, to_ms in pairwise([since_ms, *cuts, until_ms]):
            on = any(run[0] <= at_ms < run[1] for run in runs)
            charger_w = case.draw_w if on else 0.0
            if at_ms < to_ms:
                yield held(Sample(at_ms, charger_w - readings.surplus_w[k], charger_w, on), to_ms)


def _levels(case: Study, curve: Sequence[Interval]) -> list[Level]:
    """Return the thresholds along a curve, as surplus: what a meter shows with the charger off."""
    found: list[Level] = []
    if configured(case).steered:
        return found  # it is not the power of a moment that decides
    for starts, values in zip((True, False), configured(case)[:2], strict=True):

        def level_w(at_ms: int, values: Sequence[float] = values, starts: bool = starts) -> float:
            place = bisect_left(case.readings.at_s, at_ms / 1000.0 - 1e-3) if len(values) > 1 else 0
            value_w = values[min(place, len(values) - 1)]
            return value_w if starts else case.draw_w - value_w

        spans: list[tuple[int, int, float]] = []
        for each in curve:
            power_w = level_w(each.begin_ms)
            if spans and spans[-1][2] == power_w and spans[-1][1] >= each.begin_ms - 1:
                spans[-1] = (spans[-1][0], each.end_ms, power_w)
            else:
                spans.append((each.begin_ms, each.end_ms, power_w))
        spans = [span for span in spans if not isinf(span[2])]
        powers_w = sorted({span[2] for span in spans})
        what, way = ("start", "above") if starts else ("end", "below")
        if len(powers_w) > MOST_LEVELS:
            least, most = watts(powers_w[0]), watts(powers_w[-1])
            found.append(Level(spans, (f"{what} {way} {least} to {most} of surplus", f"{what} moves"), starts))
            continue
        for power_w in reversed(powers_w):
            own = [span for span in spans if span[2] == power_w]
            found.append(Level(own, (f"{what} {way} {watts(power_w)} of surplus", f"{what} {watts(power_w)}"), starts))
    return found


class _Span(NamedTuple):
    """A day, or a month of a long time: its figures in the order of the table's columns."""

    name: str
    short: str
    value: float | None
    best: float | None
    solar_kwh: float
    grid_kwh: float
    starts: int


def _days_section(found: Comparison) -> str:
    case, figures = found.case, comparing.as_json(found)["by_day"]
    by_day = len(figures) <= MOST_DAYS_BY_DAY
    dates = [date.fromisoformat(each["day"]) for each in figures]
    shorts = short_day_names(dates) if by_day else [f"{day:%b} {day.year}" for day in dates]
    groups = [[index] for index in range(len(dates))]
    if not by_day:
        months = groupby(range(len(dates)), key=lambda at: (dates[at].year, dates[at].month))
        groups = [list(group) for _, group in months]

    def of(group: Sequence[int]) -> _Span:
        first = dates[group[0]]

        def summed(key: str) -> float | None:
            known = [figures[index][key] for index in group]
            return None if None in known else round(sum(known), 4)

        name = f"{first:%a} {first.day} {first:%b}" if by_day else month_name(first)
        return _Span(
            name,
            shorts[group[0]],
            summed("value"),
            summed("hindsight_at_most"),
            summed("solar_kwh") or 0.0,
            summed("grid_kwh") or 0.0,
            sum(figures[index]["starts"] for index in group),
        )

    spans = [of(group) for group in groups]
    priced, what = case.currency is not None, "day" if by_day else "month"
    heads = [(what, "")]
    heads += [("saved", str(case.currency)), ("best", str(case.currency))] if priced else []
    heads += [("sun", "kWh"), ("bought", "kWh"), ("starts", " ")]
    rows: list[list[Value]] = [
        [
            each.name,
            *([_cell(each.value, 2), _cell(each.best, 2)] if priced else []),
            _cell(each.solar_kwh, 2),
            _cell(each.grid_kwh, 2),
            count_cell(each.starts),
        ]
        for each in spans
    ]
    table = Table("days", f"Each {what}", heads, rows)
    if not priced:
        return section(f"{what.capitalize()} by {what}, in figures", table.html())
    best = max(spans, key=lambda each: each.value or 0.0)
    gist = (
        f"What each {what} would have saved, beside the best possible. Most on {best.name}: {best.value:.2f} "
        f"{case.currency}, with {best.solar_kwh:.2f} kWh from the sun."
    )
    picture = Picture(
        "days", f"{what.capitalize()} by {what}", gist, lambda sheet: _draw_days(spans, sheet), case.currency or ""
    )
    key = [("saved", "saved as configured")]
    key += [("lost", "lost as configured")] if any((each.value or 0.0) < 0 for each in spans) else []
    key += [("best", "best possible in hindsight")]
    caption = (
        f"Money in {case.currency}. The best possible is that of each day taken alone, however it began: no rule "
        "exceeds it. Of all days together a little less may be had, as by the best plan."
    )
    return section(f"{what.capitalize()} by {what}", shown(picture, key, table, caption))


def _draw_days(spans: Sequence[_Span], sheet: Sheet) -> Figure:
    figure, (ax,) = axes_below(sheet, (190.0,))
    value, best = [each.value or 0.0 for each in spans], [each.best or 0.0 for each in spans]
    bars(ax, best, edged("house"), 0.86)
    bars(ax, [max(each, 0.0) for each in value], solid("saved"), 0.5)
    bars(ax, [min(each, 0.0) for each in value], hatched("saved"), 0.5)
    most = max(0.01, *value, *best)
    ax.set_ylim(min(1.15 * min(*value, *best), -0.02 * most), 1.1 * most)
    ruled(ax, in_money)
    under_bars([ax], [each.short for each in spans], sheet)
    return figure


# --- a tuning --------------------------------------------------------------------------------------------------------


def of_tuning(found: tune.Tuning) -> str:
    """Return the page of a tuning: what is recommended first."""
    _, unit = tune.scaled(found)
    figures = tune.as_json(found)
    edge = tune.frontier(found)
    told, *more = tune.verdict(found)
    outside = sum(not each for each in _inside(found))
    worth = [_worth_a_day(found, index) for index in range(len(found.rules))]
    gist = (
        "What a day is worth against how often it starts, of every rule tried. The best is worth "
        f"{worth[found.best]:.2f} {unit} a day, the configuration {worth[0]:.2f} {unit}. Each dot is a rule."
    )
    key = [("dots", "a rule that was tried"), ("edge", "none is worth more with fewer starts")]
    key += [(_MARKS[name].swatch, name) for name, _ in tune.named(found)]
    caption = (
        "Further up is worth more, further left is kinder to relay and car; where the line is nearly level, more "
        f"starts gain little. The axes are cropped: they do not begin at nought. {_left_out(outside, len(found.rules))}"
    )
    picture = Picture("frontier", "Worth against starts", gist, lambda sheet: _draw_frontier(found, sheet), unit)
    return _page(
        "Tuning",
        found.case,
        [told, *more, *comparing.warnings(found.case)],
        [
            section("Side by side", _side_by_side(found, figures).html()),
            section("Worth against starts", shown(picture, key, _edge_table(found, figures, edge), caption)),
            section("How to read the figures", listed(tune.notes(found))),
        ],
    )


def _left_out(outside: int, tried: int) -> str:
    if not outside:
        return "All that was tried is in the picture."
    return f"Of {counted(tried, 'rule')}, what is clearly worse ({outside}) lies outside of the picture."


def _worth_a_day(found: tune.Tuning, index: int) -> float:
    score, (scale, _) = found.scores[index], tune.scaled(found)
    return scale * sum(score.worth) / len(score.worth)


def _starts_a_day(found: tune.Tuning, index: int) -> float:
    score = found.scores[index]
    return sum(score.starts) / len(score.starts)


_SETTINGS: tuple[tuple[str, str, Callable[[float], str]], ...] = (
    ("start_export_w", "Start: export above", watts),
    ("start_delay_s", "Start: after", duration),
    ("stop_import_w", "End: import above", watts),
    ("stop_delay_s", "End: after", duration),
)


def _side_by_side(found: tune.Tuning, figures: dict[str, Any]) -> Table:
    """Return a table with a column for each rule that matters, so that a phone holds it."""
    scale, unit = tune.scaled(found)
    named = tune.named(found)
    of = {0: figures["configured"], found.best: figures["best"], found.calm: figures["far_fewer_starts"]}
    columns = [of[index] for _, index in named]
    rows: list[list[Value]] = [
        [what, *(tune.shown(column[key], show) for column in columns)] for key, what, show in _SETTINGS
    ]
    rows.append(
        [
            f"Worth a day, {unit}",
            *(Cell(repr(each["worth_a_day"]), f"{scale * each['worth_a_day']:.2f}") for each in columns),
        ]
    )
    rows.append(["Starts a day", *(_cell(each["starts_a_day"], 1) for each in columns)])
    heads = [("", ""), *((name, " ") for name, _ in named)]
    return Table("choices", "What is recommended, beside the configuration", heads, rows, quiet=True)


def _edge_table(found: tune.Tuning, figures: dict[str, Any], edge: Sequence[int]) -> Table:
    scale, unit = tune.scaled(found)
    heads = [("starts a day", ""), ("worth a day", unit), ("start: export above", " "), ("after", " ")]
    heads += [("end: import above", " "), ("after", " ")]
    rows: list[list[Value]] = [
        [
            f"{each['starts_a_day']:.1f}",
            Cell(repr(each["worth_a_day"]), f"{scale * each['worth_a_day']:.3f}"),
            *(tune.shown(each[key], show) for key, _, show in _SETTINGS),
        ]
        for each in figures["frontier"]
    ]
    return Table("frontier", f"On the line: {counted(len(edge), 'rule')}, from few starts to many", heads, rows)


class _Mark(NamedTuple):
    swatch: str
    shape: str
    role: str


_MARKS = {
    "recommended": _Mark("mark-best", "D", "saved"),
    "best here": _Mark("mark-best", "D", "saved"),
    "far fewer starts": _Mark("mark-calm", "o", "bought"),
    "as configured": _Mark("mark-now", "s", "ink"),
}


def _frame(found: tune.Tuning) -> tuple[float, float, float, float]:
    """Return (left, right, low, high) around what is worth a look: the line, and the rules that are named."""
    own = [*tune.frontier(found), *(index for _, index in tune.named(found))]
    x, y = [_starts_a_day(found, each) for each in own], [_worth_a_day(found, each) for each in own]
    across, up = max(max(x) - min(x), 1.0), max(max(y) - min(y), 0.02 * abs(max(y)), 1e-3)
    return max(0.0, min(x) - 0.08 * across), max(x) + 0.12 * across, min(y) - 0.18 * up, max(y) + 0.14 * up


def _inside(found: tune.Tuning) -> list[bool]:
    left, right, low, high = _frame(found)
    return [
        left <= _starts_a_day(found, index) <= right and low <= _worth_a_day(found, index) <= high
        for index in range(len(found.rules))
    ]


def _draw_frontier(found: tune.Tuning, sheet: Sheet) -> Figure:
    height_px = 280.0 if sheet.narrow else 340.0
    figure, (ax,) = axes_below(sheet, (height_px,))
    left, right, low, high = _frame(found)
    ax.set_xlim(left, right)
    ax.set_ylim(low, high)
    per_px = (right - left) / sheet.room_px, (high - low) / height_px
    dot = 3.0 if sheet.narrow else 4.0
    points = [(_starts_a_day(found, index), _worth_a_day(found, index)) for index in range(len(found.rules))]
    dots = [
        (x, y, dot * per_px[0], dot * per_px[1]) for (x, y), here in zip(points, _inside(found), strict=True) if here
    ]
    ax.add_patch(PathPatch(squares(dots), **solid("house-edge")))
    edge = [points[index] for index in tune.frontier(found)]
    ax.plot([x for x, _ in edge], [y for _, y in edge], color=DRAWN["caught"], linewidth=1.6)
    knots = [(x, y, 1.4 * dot * per_px[0], 1.4 * dot * per_px[1]) for x, y in edge]
    ax.add_patch(PathPatch(squares(knots), zorder=2.5, **solid("caught")))
    ruled(ax, in_money)
    ax.xaxis.set_major_locator(MaxNLocator(5 if sheet.narrow else 9, steps=[1, 2, 5, 10]))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.grid(axis="x", linewidth=0.6)
    size = 10.5 if sheet.narrow else 11.5
    ax.text(left + 3 * per_px[0], high, "worth a day", va="top", color=DRAWN["muted"], style="italic")
    ax.text(right, low + 3 * per_px[1], "starts a day", va="bottom", ha="right", color=DRAWN["muted"], style="italic")
    taken = [(0.0, sheet.room_px - 0.0, -20.0, 20.0), (0.0, 90.0, height_px - 20.0, height_px)]
    for name, index in tune.named(found):
        x, y = points[index]
        mark = _MARKS[name]
        ax.plot([x], [y], mark.shape, color=DRAWN[mark.role], markersize=9, markeredgecolor=DRAWN["paper"], zorder=4)
        at = (x - left) / per_px[0], (y - low) / per_px[1]
        wide, tall = 0.58 * size * len(name) + 4, size + 4
        sides = [(9.0, -tall - 6), (9.0, 6.0), (-wide - 9, -tall - 6), (-wide - 9, 6.0), (-wide / 2, -tall - 12)]
        for right_px, up_px in sides:
            box = (at[0] + right_px, at[0] + right_px + wide, at[1] + up_px, at[1] + up_px + tall)
            within = box[0] >= 0 and box[1] <= sheet.room_px and box[2] >= 0 and box[3] <= height_px
            apart = all(box[0] >= b[1] or box[1] <= b[0] or box[2] >= b[3] or box[3] <= b[2] for b in taken)
            if within and apart:
                taken.append(box)
                ax.text(left + box[0] * per_px[0], low + box[2] * per_px[1], name, fontsize=size, va="bottom", zorder=5)
                break
    return figure
