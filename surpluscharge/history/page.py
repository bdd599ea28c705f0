"""A report as one HTML page that needs nothing else: no network, no script, no file beside it.

The drawings are made with matplotlib (the ``report`` extra), in colours that stand for roles; in the SVG each becomes
a CSS variable, so that one drawing serves the light and the dark scheme, and print. Each is drawn twice, for a wide
window and for a phone, because a drawing that merely shrinks cannot be read. Behind every drawing stands a table with
the same figures, for whoever does not see it.

Upwards is surplus, downwards is what comes from the grid. The charger is the block across the line between them: the
part above is the sun's, the part below is bought, and its height is the draw. No colour speaks alone: bought is
hatched, what was not caught is pale and has an edge, and everything is named.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from html import escape
from itertools import groupby
from typing import Any, NamedTuple

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from matplotlib.ticker import FuncFormatter, MaxNLocator

from surpluscharge import __version__
from surpluscharge.control.machine import MODE_NAMES
from surpluscharge.history.energy import Energy, Interval, Money, day_span, downsample, ms_of, time_of
from surpluscharge.history.ledger import ABSENT
from surpluscharge.history.report import (
    CURVE_MS,
    FAULT_SENTENCES,
    SHORTEST_GAP_MS,
    Hour,
    Line,
    Report,
    clock,
    day_name,
    kwh,
    line_name,
    moment,
    money_rows,
    notes,
    percent,
    rounded,
    summary,
    title,
    uncertain,
)
from surpluscharge.words import duration, watts

WIDE_PX, NARROW_PX = 880, 350
HOUR_MS = 3_600_000

# What a colour stands for: (light, dark). The hues of the series keep apart for colour-blind eyes (after
# a palette common in publications, from memory), darkened or lightened until they stand out from the paper.
COLOURS = {
    "paper": ("#fbfaf6", "#14181c"),
    "ink": ("#1c2329", "#ece9e1"),
    "muted": ("#57616a", "#a9b2b9"),
    "rule": ("#d8d5ca", "#394149"),
    "caught": ("#00825e", "#2bbd92"),
    "spare": ("#f6ecb4", "#4a4420"),
    "spare-edge": ("#8d7500", "#d9c545"),
    "bought": ("#c24e00", "#ff9350"),
    "house": ("#dfe2e4", "#2d353c"),
    "house-edge": ("#7b858d", "#87929b"),
    "saved": ("#0069a6", "#62b6ea"),
    "fault": ("#9b2f7c", "#e58acb"),
}
# What matplotlib is told to draw with, to be found again in what it has drawn.
_DRAWN = {role: f"#{index:02x}fe{index:02x}" for index, role in enumerate(COLOURS, 1)}
STATE_NAMES = {ABSENT: "not running"}


# --- drawing ---------------------------------------------------------------------------------------------------------


class Sheet(NamedTuple):
    """What a drawing is made on."""

    width_px: int
    narrow: bool

    @property
    def left_px(self) -> int:
        return 66 if self.narrow else 92


class Picture(NamedTuple):
    """A drawing in both sizes, with what it says in words."""

    key: str
    name: str
    gist: str
    draw: Callable[[Sheet], Figure]


def _figure(sheet: Sheet, heights_px: Sequence[float], gap_px: float = 10) -> tuple[Figure, list[Axes]]:
    """Return a figure with axes below each other, of these heights; one unit of the drawing is a pixel."""
    top_px, bottom_px, right_px = 8, 26, 20
    height_px = top_px + bottom_px + sum(heights_px) + gap_px * (len(heights_px) - 1)
    figure = Figure(figsize=(sheet.width_px / 72, height_px / 72), dpi=72)
    axes = []
    below_px = height_px - top_px
    for each_px in heights_px:
        below_px -= each_px
        rectangle = (
            sheet.left_px / sheet.width_px,
            below_px / height_px,
            (sheet.width_px - sheet.left_px - right_px) / sheet.width_px,
            each_px / height_px,
        )
        ax = figure.add_axes(rectangle)
        ax.patch.set_visible(False)
        for side in ("top", "right", "left"):
            ax.spines[side].set_visible(False)
        ax.tick_params(length=0)
        axes.append(ax)
        below_px -= gap_px
    return figure, axes


def _style(sheet: Sheet) -> dict[Any, Any]:
    ink, muted, rule = _DRAWN["ink"], _DRAWN["muted"], _DRAWN["rule"]
    return {
        "font.size": 11.5 if sheet.narrow else 12.5,
        "font.family": "DejaVu Sans",
        "svg.fonttype": "none",  # letters stay letters
        "svg.hashsalt": "surpluscharge",  # the same report is the same file
        "text.parse_math": False,
        "text.color": ink,
        "axes.edgecolor": rule,
        "axes.labelcolor": muted,
        "xtick.color": muted,
        "ytick.color": muted,
        "xtick.labelcolor": muted,
        "ytick.labelcolor": muted,
        "grid.color": rule,
        "hatch.linewidth": 1.0,
        "path.simplify": True,
    }


def _svg(picture: Picture, sheet: Sheet) -> str:
    with mpl.rc_context(_style(sheet)):
        buffer = io.StringIO()
        figure = picture.draw(sheet)
        nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
        figure.savefig(buffer, format="svg", transparent=True, metadata=nothing)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<style[^>]*>.*?</style>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    # Several drawings share the page, so their names must not meet.
    key = f"{picture.key}-{'n' if sheet.narrow else 'w'}"
    text = re.sub(r'\bid="', f'id="{key}-', text)
    text = re.sub(r'(url\(|href=")#', rf"\1#{key}-", text)
    for role, drawn in _DRAWN.items():
        text = text.replace(drawn, f"var(--{role})")
    text = re.sub(r"(font: [^'\";]*?px) [^\"]*?(?=; |\")", r"\1 var(--face)", text)
    text = re.sub(r' d="[^"]*"', lambda path: re.sub(r"\s+", " ", re.sub(r"(\.\d\d?)\d*", r"\1", path[0])), text)
    (box,) = re.findall(r'viewBox="([^"]*)"', text[: text.index(">")])
    head = (
        f'<svg class="{"narrow" if sheet.narrow else "wide"}" viewBox="{box}" xmlns="http://www.w3.org/2000/svg" '
        f'xmlns:xlink="http://www.w3.org/1999/xlink" role="img" aria-labelledby="{key}-name {key}-gist">'
        f'<title id="{key}-name">{escape(picture.name)}</title><desc id="{key}-gist">{escape(picture.gist)}</desc>'
    )
    return head + text[text.index(">") + 1 :].strip()


def _hatched(role: str) -> dict[str, Any]:
    return {"facecolor": _DRAWN["paper"], "edgecolor": _DRAWN[role], "hatch": "////", "linewidth": 0.8}


def _unknown() -> dict[str, Any]:
    return {"facecolor": "none", "edgecolor": _DRAWN["house-edge"], "hatch": "\\\\\\\\", "linewidth": 0, "zorder": 0.6}


def _kw_tick(value: float, _: object) -> str:
    return f"{abs(value):g} kW"


def _kwh_tick(value: float, _: object) -> str:
    return f"{abs(value):g} kWh"


def _plain_tick(value: float, _: object) -> str:
    return f"{value:g}".replace("-", "\N{MINUS SIGN}")


def _bar(ax: Axes, heights: Sequence[float], look: dict[str, Any]) -> None:
    """Draw bars for what is not nought: an edge around nothing would look like something."""
    places = [place for place, height in enumerate(heights) if height]
    ax.bar(places, [heights[place] for place in places], 0.8, **look)


def _runs(curve: Sequence[Interval]) -> list[list[Interval]]:
    """Split the curve where nothing is known in between."""
    runs: list[list[Interval]] = []
    for each in curve:
        if not runs or each.begin_ms - runs[-1][-1].end_ms >= SHORTEST_GAP_MS:
            runs.append([])
        runs[-1].append(each)
    return runs


def _stretches(true: Iterable[bool]) -> Iterator[tuple[int, int]]:
    """Yield the first and last place of each unbroken stretch of true ones."""
    for is_true, group in groupby(enumerate(true), key=lambda each: each[1]):
        places = [place for place, _ in group]
        if is_true:
            yield places[0], places[-1]


def _draw_day(report: Report, sheet: Sheet) -> Figure:
    begin_ms, line = ms_of(report.total.begin), report.total
    day_hours = (ms_of(_midnight_after(report)) - begin_ms) / HOUR_MS

    def hours(at_ms: int) -> float:
        return (at_ms - begin_ms) / HOUR_MS

    lanes = _lanes(report)
    lane_px = 17
    figure, (ax, below) = _figure(sheet, (260 if sheet.narrow else 340, max(1, len(lanes)) * lane_px))

    highest_kw, lowest_kw = 1.0, 0.5
    # A phone has too few pixels for each of the points, so it gets means of two.
    curve = list(downsample(report.curve, 2 * CURVE_MS)) if sheet.narrow else report.curve
    for run in _runs(curve):
        x = [hours(each.begin_ms) for each in run] + [hours(run[-1].end_ms)]

        def kw(value: Callable[[Energy], int], run: list[Interval] = run) -> list[float]:
            means = [value(each.energy) / max(1, each.energy.known_ms) / 1000 for each in run]
            return [*means, means[-1]]

        solar, surplus = kw(lambda e: e.solar_mws), kw(lambda e: e.surplus_mws)
        bought, imported = [-y for y in kw(lambda e: e.bought_mws)], [-y for y in kw(lambda e: e.import_mws)]
        meter = kw(lambda e: e.export_mws - e.import_mws)
        highest_kw, lowest_kw = max(highest_kw, *surplus), max(lowest_kw, *(-y for y in imported))
        ax.fill_between(x, surplus, solar, step="post", color=_DRAWN["spare"], linewidth=0)
        ax.fill_between(x, imported, bought, step="post", color=_DRAWN["house"], linewidth=0)
        ax.step(x, surplus, where="post", color=_DRAWN["spare-edge"], linewidth=0.7)
        ax.fill_between(x, solar, 0, step="post", color=_DRAWN["caught"], linewidth=0)
        # Only where something was bought: its edge would else be drawn along the whole day.
        for first, last in _stretches([y < 0 for y in bought[:-1]]):
            part = [*bought[first : last + 1], bought[last]]
            ax.fill_between(x[first : last + 2], part, 0, step="post", **_hatched("bought"))
        ax.step(x, meter, where="post", color=_DRAWN["ink"], linewidth=0.9)
    for index, span in enumerate(report.thresholds):
        ends = [hours(span.begin_ms), hours(span.end_ms)]
        for y_w, words, flow, up in (
            (span.start_export_w, "start", "export", True),
            (-span.stop_import_w, "end", "import", False),
        ):
            if math.isinf(y_w):
                continue
            ax.plot(ends, [y_w / 1000] * 2, color=_DRAWN["fault"], linewidth=1.2, dashes=(5, 3))
            if index == 0:
                ax.text(
                    0.1,
                    y_w / 1000 + (0.03 if up else -0.04) * highest_kw,
                    f"{words} {watts(abs(y_w))}" if sheet.narrow else f"{words} above {watts(abs(y_w))} of {flow}",
                    color=_DRAWN["fault"],
                    va="bottom" if up else "top",
                    fontsize=10.5 if sheet.narrow else 11.5,
                )
    ax.axhline(0, color=_DRAWN["ink"], linewidth=0.8)
    ax.set_ylim(-1.12 * lowest_kw, 1.08 * highest_kw)
    ax.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    ax.yaxis.set_major_formatter(FuncFormatter(_kw_tick))
    ax.grid(axis="y", linewidth=0.6)
    ax.set_axisbelow(True)
    for y, va, words in ((1.0, "top", "surplus"), (0.0, "bottom", "from the grid")):
        ax.text(0.005, y, words, transform=ax.transAxes, va=va, color=_DRAWN["muted"], style="italic")

    for row, lane in enumerate(lanes):
        for since_ms, until_ms, mark in lane.spans:
            since, until = hours(since_ms), hours(until_ms)
            below.barh(
                row, max(until - since, 0.04), left=since, height=0.62 if lane.strong else 0.3, **_lane_look(lane)
            )
            if mark:
                below.text(max(until, since + 0.1) + 0.08, row, mark, va="center", fontsize=11)
    below.set_ylim(max(1, len(lanes)) - 0.5, -0.5)
    below.set_yticks(range(len(lanes)), [lane.name for lane in lanes])
    below.tick_params(axis="y", labelsize=10.5 if sheet.narrow else 11.5, pad=4)
    for since_ms, until_ms in report.gaps:
        for each in (ax, below):
            each.axvspan(hours(since_ms), hours(until_ms), **_unknown())
    ticks = [(hours(at_ms), text) for at_ms, text in _hour_ticks(report, 6 if sheet.narrow else 3)]
    for each in (ax, below):
        each.set_xlim(0, day_hours)
        each.set_xticks([x for x, _ in ticks], [text for _, text in ticks])
        each.grid(axis="x", linewidth=0.6)
        each.set_axisbelow(True)
    ax.tick_params(axis="x", labelbottom=False)
    if ms_of(line.end) < begin_ms + day_hours * HOUR_MS:
        ax.axvline(hours(ms_of(line.end)), color=_DRAWN["muted"], linewidth=1.0, dashes=(1, 3))
    return figure


class Lane(NamedTuple):
    """A row below the day's curve: (begin_ms, end_ms, mark) of each bar."""

    name: str
    kind: str
    strong: bool
    spans: list[tuple[int, int, str]]


def _lane_look(lane: Lane) -> dict[str, Any]:
    if lane.kind in ("disarming", "arming"):
        return _hatched("ink" if lane.kind == "disarming" else "muted")
    role = {"session": "ink", "charging": "ink", "idle": "house-edge", "fault": "fault", "locked-out": "fault"}
    return {"color": _DRAWN[role.get(lane.kind, "muted")], "linewidth": 0}


def _lanes(report: Report) -> list[Lane]:
    line = report.total
    begin_ms, end_ms = ms_of(line.begin), ms_of(line.end)

    def clipped(since_ms: int, until_ms: int | None) -> tuple[int, int]:
        return max(begin_ms, since_ms), min(end_ms, until_ms if until_ms is not None else end_ms)

    lanes = []
    sessions = [
        (*clipped(ms_of(each.begin), ms_of(each.end) if each.end else None), str(number))
        for number, each in enumerate(report.sessions, 1)
    ]
    if sessions:
        lanes.append(Lane("session", "session", False, sessions))
    for state in (*MODE_NAMES, ABSENT):
        spans = [(each.begin_ms, each.end_ms, "") for each in report.states if each.state == state]
        if spans:
            lanes.append(Lane(STATE_NAMES.get(state, state), state, state != "idle", spans))
    faults = [(*clipped(fault.begin_ms, fault.end_ms), _letter(number)) for number, fault in enumerate(report.faults)]
    if faults:
        lanes.append(Lane("fault", "fault", True, faults))
    return lanes


def _letter(number: int) -> str:
    """Return A, B, ... Z, AA, AB, ... for 0, 1, ..."""
    return (_letter(number // 26 - 1) if number >= 26 else "") + chr(ord("A") + number % 26)


def _midnight_after(report: Report) -> datetime:
    return day_span(report.last, report.zone)[1]


def _hour_ticks(report: Report, every: int) -> list[tuple[int, str]]:
    """Return where the wall clock shows every so many hours, and what it shows."""
    at_ms, end_ms, found = ms_of(report.total.begin), ms_of(_midnight_after(report)), []
    while at_ms < end_ms:
        when = time_of(at_ms, report.zone)
        if when.hour % every == 0 and when.minute == 0:
            found.append((at_ms, f"{when:%H:%M}"))
        at_ms += HOUR_MS // 2
    return [*found, (end_ms, "24:00")]


class Bar(NamedTuple):
    name: str
    energy: Energy
    gap_ms: int
    money: Money | None = None


def _draw_bars(bars: Sequence[Bar], priced: bool, sheet: Sheet) -> Figure:
    heights_px = (210.0 if sheet.narrow else 240.0, *((110.0,) if priced else ()))
    figure, axes = _figure(sheet, heights_px, gap_px=26)
    ax = axes[0]
    per_kwh = 3.6e9
    solar = [bar.energy.solar_mws / per_kwh for bar in bars]
    surplus = [bar.energy.surplus_mws / per_kwh for bar in bars]
    bought = [bar.energy.bought_mws / per_kwh for bar in bars]
    _bar(ax, surplus, {"facecolor": _DRAWN["spare"], "edgecolor": _DRAWN["spare-edge"], "linewidth": 0.8})
    _bar(ax, solar, {"color": _DRAWN["caught"], "linewidth": 0})
    _bar(ax, [-y for y in bought], _hatched("bought"))
    for place, bar in enumerate(bars):
        error = bar.energy.error_mws / per_kwh
        if uncertain(bar.energy):
            ax.plot([place] * 2, [solar[place] - error, solar[place] + error], color=_DRAWN["ink"], linewidth=1.6)
        if bar.gap_ms >= SHORTEST_GAP_MS:
            ax.axvspan(place - 0.4, place + 0.4, **_unknown())
    high, low = max(surplus, default=0.0) or 1.0, max(bought, default=0.0)
    ax.set_ylim(-max(1.15 * low, 0.06 * high), 1.12 * high)
    if priced:
        lower = axes[1]
        saved = [float(bar.money.saved) if bar.money else 0.0 for bar in bars]
        cost = [float(bar.money.cost) if bar.money else 0.0 for bar in bars]
        _bar(lower, [max(y, 0.0) for y in saved], {"color": _DRAWN["saved"], "linewidth": 0})
        _bar(lower, [min(y, 0.0) for y in saved], _hatched("saved"))
        for place, bar in enumerate(bars):
            if bar.money and bar.energy.charger_mws:
                lower.plot([place - 0.4, place + 0.4], [cost[place]] * 2, color=_DRAWN["ink"], linewidth=2.0)
        lower.set_ylim(1.2 * min(0.0, *saved, *cost), 1.15 * max(0.01, *saved, *cost))
    step_px = (sheet.width_px - sheet.left_px - 20) / max(1, len(bars))
    ticks = _ticks([bar.name for bar in bars], step_px, sheet)
    for each in axes:
        each.axhline(0, color=_DRAWN["ink"], linewidth=0.8)
        each.spines["bottom"].set_visible(False)
        each.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
        each.yaxis.set_major_formatter(FuncFormatter(_kwh_tick if each is ax else _plain_tick))
        each.grid(axis="y", linewidth=0.6)
        each.set_axisbelow(True)
        each.set_xlim(-0.6, len(bars) - 0.4)
        each.set_xticks([place for place, _ in ticks], [name for _, name in ticks])
        each.tick_params(axis="x", pad=7)
    return figure


def _draw_squares(report: Report, sheet: Sheet) -> Figure:
    """Draw a square for each hour: its area is the surplus, the filled part of it what was caught."""
    lines, hours = report.lines, _sunny(report.hours)
    place = {line.first: index for index, line in enumerate(lines)}
    span = (max(hours) - min(hours) + 1) if hours else 1
    first_hour = min(hours, default=0)
    names = [_short_name(report, line) for line in lines]
    room_px = sheet.width_px - sheet.left_px - 20
    columns, rows = (span, len(lines)) if sheet.narrow else (len(lines), span)
    cell_px = min(30.0, room_px / columns)
    figure, (ax,) = _figure(sheet, (cell_px * rows,))
    most_mws = max((hour.energy.surplus_mws for hour in report.hours), default=0) or 1
    outer: list[tuple[float, float, float]] = []
    inner: list[tuple[float, float, float]] = []
    unknown: list[tuple[float, float, float]] = []
    for hour in report.hours:
        across, along = place[hour.first], hour.hour - first_hour
        x, y = (along, across) if sheet.narrow else (across, along)
        if hour.length_ms - hour.energy.known_ms >= SHORTEST_GAP_MS and hour.hour in hours:
            unknown.append((x, y, 1.0))
        for energy_mws, found in ((hour.energy.surplus_mws, outer), (hour.energy.solar_mws, inner)):
            side = 0.92 * math.sqrt(energy_mws / most_mws)
            if side > 0.05:
                found.append((x, y, side))
    ax.add_patch(PathPatch(_squares(unknown), **_unknown()))
    ax.add_patch(PathPatch(_squares(outer), facecolor=_DRAWN["spare"], edgecolor=_DRAWN["spare-edge"], linewidth=0.8))
    ax.add_patch(PathPatch(_squares(inner), facecolor=_DRAWN["caught"], linewidth=0))
    ax.set_xlim(-0.5, room_px / cell_px - 0.5)
    ax.set_ylim(rows - 0.5, -0.5)
    clock_names = [f"{first_hour + index:02d}" for index in range(span)]
    across_names, down_names = (clock_names, names) if sheet.narrow else (names, [f"{name}:00" for name in clock_names])
    ticks = _ticks(across_names, cell_px, sheet)
    ax.set_xticks([place for place, _ in ticks], [name for _, name in ticks])
    ax.set_yticks(range(rows), down_names)
    ax.spines["bottom"].set_visible(False)
    ax.grid(linewidth=0.5)
    ax.set_axisbelow(True)
    return figure


def _squares(places: Iterable[tuple[float, float, float]]) -> Outline:
    """Return one outline of many squares (x, y, side): one element of the drawing instead of a thousand."""
    vertices, codes = [(0.0, 0.0)], [Outline.MOVETO]
    for x, y, side in places:
        half = side / 2
        vertices += [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half), (x, y)]
        codes += [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY]
    return Outline(vertices, codes)


def _sunny(hours: Iterable[Hour]) -> set[int]:
    """Return the hours of the clock in which there ever was surplus, or a charge."""
    found = {hour.hour for hour in hours if hour.energy.surplus_mws or hour.energy.charger_mws}
    return set(range(min(found), max(found) + 1)) if found else set()


def _short_name(report: Report, line: Line) -> str:
    """Return what a line is called along an axis: the day, and the month with it where it begins."""
    if report.by == "month":
        return line_name(report, line)
    one_month = (report.first.year, report.first.month) == (report.last.year, report.last.month)
    if one_month or (line.first.day != 1 and line is not report.lines[0]):
        return str(line.first.day)
    return " ".join(line_name(report, line).split()[1:])


def _ticks(names: Sequence[str], step_px: float, sheet: Sheet) -> list[tuple[int, str]]:
    """Return the labels along an axis for which there is room; those that name a month come first."""
    letter_px = 7.4 if sheet.narrow else 8.0
    named = [place for place, name in enumerate(names) if " " in name]
    named = [] if len(named) == len(names) else named  # where all of them do, none is special
    plain = [name for name in names if " " not in name] or names
    every = max(1, math.ceil((letter_px * max(map(len, plain), default=1) + 6) / step_px))
    places: list[int] = []
    # The first one may stand close to the first of a month, which is worth more.
    for place in [*named[1:], *named[:1], *range(0, len(names), every)]:
        if all(
            abs(place - other) * step_px >= letter_px * (len(names[place]) + len(names[other])) / 2 + 6
            for other in places
        ):
            places.append(place)
    return [(place, names[place]) for place in sorted(places)]


# --- the page --------------------------------------------------------------------------------------------------------


class Cell(NamedTuple):
    """A number in a table: as it is known, and as it is shown."""

    value: str
    shown: str


def _energy_cell(mws: int) -> Cell:
    return Cell(repr(mws / 3_600_000), kwh(mws))


def _money_cell(value: Decimal) -> Cell:
    return Cell(format(value, "f"), rounded(value).replace("-", "\N{MINUS SIGN}"))


def _count(value: int) -> Cell:
    return Cell(str(value), str(value))


def _time_cell(length_ms: int) -> Cell:
    return Cell(repr(length_ms / 1000), clock(length_ms))


Value = Cell | str


def _cell(value: Value, tag: str = "td", scope: str = "") -> str:
    attributes = f' scope="{scope}"' if scope else ""
    if isinstance(value, Cell):
        kind = "n" if Decimal(value.value) else "n nought"
        number = f'<data value="{escape(value.value)}">{escape(value.shown)}</data>'
        return f'<{tag} class="{kind}"{attributes}>{number}</{tag}>'
    return f"<{tag}{attributes}>{escape(value)}</{tag}>"


def _head(words: str, unit: str) -> str:
    if not words and not unit:
        return "<td></td>"
    parts = [escape(words), f'<span class="unit">{escape(unit)}</span>' if unit.strip() else ""]
    shown = " ".join(part for part in parts if part)
    return f'<th scope="col" class="n">{shown}</th>' if unit else f'<th scope="col">{shown}</th>'


class Table(NamedTuple):
    """A table: the first column names the row; a head is (words, unit), with a unit for numbers only."""

    key: str
    caption: str
    heads: Sequence[tuple[str, str]]
    rows: Sequence[Sequence[Value]]
    total: Sequence[Value] = ()
    quiet: bool = False  # its caption repeats the heading above it: for screen readers only

    def html(self) -> str:
        heads = "".join(_head(words, unit) for words, unit in self.heads)
        body = "".join(self._row(row) for row in self.rows)
        foot = f"<tfoot>{self._row(self.total)}</tfoot>" if self.total else ""
        quiet = ' class="unseen"' if self.quiet else ""
        return (
            f'<div class="scroll" role="region" tabindex="0" aria-labelledby="{self.key}-caption">'
            f'<table id="{self.key}-table"><caption id="{self.key}-caption"><span{quiet}>{escape(self.caption)}</span>'
            f"</caption><thead><tr>{heads}</tr></thead><tbody>{body}</tbody>{foot}</table></div>"
        )

    @staticmethod
    def _row(row: Sequence[Value]) -> str:
        return f"<tr>{_cell(row[0], 'th', 'row')}{''.join(_cell(value) for value in row[1:])}</tr>"


def as_html(report: Report) -> str:
    """Return the report as a page of its own."""
    name = title(report)
    sentences = summary(report)
    parts = [
        "<header>",
        f'<p class="kicker">Charge report &middot; {escape(report.charger)}</p>',
        f"<h1>{escape(name)}</h1>",
        f'<p class="lede">{_words(sentences[0])}</p>',
        *(f"<p>{_words(sentence)}</p>" for sentence in sentences[1:]),
        "</header>",
    ]
    if report.total.energy.known_ms:
        first, *more = _day_sections(report) if report.single else _period_sections(report)
        parts += [first, _totals(report), *more]
    parts += [_sessions(report), _faults(report), _reading(report)]
    parts.append(
        f"<footer><p>Made on {escape(day_name(report.now.date()))}, at {report.now:%H:%M}, by surpluscharge "
        f"{escape(__version__)}. Times are local.</p></footer>"
    )
    light = "".join(f"--{role}:{pair[0]};" for role, pair in COLOURS.items())
    dark = "".join(f"--{role}:{pair[1]};" for role, pair in COLOURS.items())
    style = STYLE.replace("/*light*/", light).replace("/*dark*/", dark)
    body = "\n".join(part for part in parts if part)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        # Nothing is fetched, and nothing runs, whatever a name or a currency may hold.
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{escape(name)}: {escape(report.charger)}</title>\n<style>{style}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def _section(heading: str, *content: str) -> str:
    return f"<section><h2>{escape(heading)}</h2>{''.join(content)}</section>"


def _picture(picture: Picture, key: Sequence[tuple[str, str]], table: Table | None, caption: str) -> str:
    """Return a drawing with its key, and its table folded away behind it; None: the table is on the page anyway."""
    swatches = "".join(f'<li><i class="sw {kind}"></i>{escape(words)}</li>' for kind, words in key)
    drawings = _svg(picture, Sheet(WIDE_PX, False)) + _svg(picture, Sheet(NARROW_PX, True))
    figures = (
        f"<details><summary>The figures behind this picture</summary>{table.html()}</details>"
        if table
        else f'<p><a href="#{picture.key}-table">The figures behind this picture</a></p>'
    )
    return (
        f'<figure>{drawings}<figcaption><ul class="key">{swatches}</ul><p>{_words(caption)}</p></figcaption></figure>'
        f"{figures}"
    )


def _words(text: str) -> str:
    """Return a text for the page; a number stays with its unit."""
    return escape(re.sub(r"(?<=\d) (?!to |and )", "\N{NO-BREAK SPACE}", text))


def _totals(report: Report) -> str:
    line, energy = report.total, report.total.energy
    tables = []
    if report.priced:
        rows: list[list[Value]] = []
        for row in money_rows(report):
            energy_cell = "" if row.energy_mws is None else _energy_cell(row.energy_mws)
            rows.append([row.what.capitalize(), energy_cell, _money_cell(row.money)])
            if uncertain(energy):
                rows[-1].append("" if row.error is None else _money_cell(row.error))
        heads = [("", ""), ("", "kWh"), ("", report.currency)]
        heads += [("±", report.currency)] if uncertain(energy) else []
        table = Table("money", "The charger's energy, and what it cost", heads, rows[:-1], rows[-1], quiet=True)
        tables.append(f"<div><h2>The reckoning</h2>{table.html()}</div>")
    missed = energy.surplus_mws - energy.solar_mws
    rows = [
        ["Surplus caught", _energy_cell(energy.solar_mws)],
        ["Surplus not caught", _energy_cell(missed)],
        ["Bought for the car", _energy_cell(energy.bought_mws)],
        ["The car in all", _energy_cell(energy.charger_mws)],
    ]
    if uncertain(energy):
        rows.append(["± of the car", _energy_cell(energy.error_mws)])
    rows.append(["Imported by the whole house", _energy_cell(energy.import_mws)])
    table = Table("energy", "Energies of the whole period", [("", ""), ("", "kWh")], rows, quiet=True)
    facts = [("Charging", duration(energy.on_ms / 1000)), ("Starts", str(line.starts))]
    if line.gap_ms >= SHORTEST_GAP_MS:
        facts.append(("Not known", duration(line.gap_ms / 1000)))
    listed = "".join(f"<div><dt>{escape(what)}</dt><dd>{escape(value)}</dd></div>" for what, value in facts)
    tables.append(f"<div><h2>The energy</h2>{table.html()}<dl>{listed}</dl></div>")
    return f'<section class="pair">{"".join(tables)}</section>'


CAUGHT = ("caught", "surplus caught: the sun's part of the charge")
SPARE = ("spare", "surplus not caught")
BOUGHT = ("bought", "bought for the car")
UNKNOWN = ("unknown", "not known")


def _day_sections(report: Report) -> list[str]:
    energy = report.total.energy
    charged = f"The charger took {kwh(energy.charger_mws)} kWh" + (
        f", {percent(energy.solar_mws, energy.charger_mws)} of it from the sun." if energy.charger_mws else "."
    )
    peak = max(report.curve, key=lambda each: each.energy.surplus_mws / max(1, each.energy.known_ms))
    peak_w = peak.energy.surplus_mws / max(1, peak.energy.known_ms)
    gist = (
        f"Grid power through the day, with surplus upwards and import downwards. Surplus was highest at "
        f"{moment(report, peak.begin_ms)}, with {watts(peak_w)}. {charged}"
    )
    states = Table(
        "states",
        "States of the charger",
        [("from", ""), ("to", ""), ("state", "")],
        [
            [moment(report, each.begin_ms), moment(report, each.end_ms), STATE_NAMES.get(each.state, each.state)]
            for each in report.states
        ],
    )
    key = [CAUGHT, SPARE, BOUGHT, ("house", "imported by the rest of the house"), ("line", "what the meter saw")]
    if report.thresholds:
        key.append(("threshold", "thresholds, as they are configured now"))
    if report.gaps:
        key.append(UNKNOWN)
    caption = (
        f"Means over {CURVE_MS // 60_000} minutes, in a narrow window over twice that. The charger is the block "
        "across the line: what stands above it came from the sun, what hangs below was bought; its height is the draw."
    )
    day = Picture("day", "The day's power", gist, lambda sheet: _draw_day(report, sheet))
    bars = [Bar(f"{hour.hour:02d}", hour.energy, hour.length_ms - hour.energy.known_ms) for hour in report.hours]
    best = max(report.hours, key=lambda hour: hour.energy.surplus_mws)
    hours_gist = (
        f"Surplus of each hour, and what was caught of it. Most surplus came from {best.hour:02d}:00 on, with "
        f"{kwh(best.energy.surplus_mws)} kWh, of which {kwh(best.energy.solar_mws)} kWh was caught."
    )
    picture = Picture("hours", "Hour by hour", hours_gist, lambda sheet: _draw_bars(bars, False, sheet))
    return [
        _section("Through the day", _picture(day, key, states, caption)),
        _section(
            "Hour by hour",
            _picture(
                picture, _bars_key(bars, False), _hours_table(report), "Surplus upwards, bought downwards, in kWh."
            ),
        ),
    ]


def _bars_key(bars: Sequence[Bar], priced: bool) -> list[tuple[str, str]]:
    key = [CAUGHT, SPARE, BOUGHT]
    if priced:
        key += [("saved", "money saved")]
        key += [("lost", "money lost")] if any(bar.money and bar.money.saved < 0 for bar in bars) else []
        key += [("line", "what it cost")]
    if any(uncertain(bar.energy) for bar in bars):
        key.append(("error", "±, where the draw is learned or assumed"))
    if any(bar.gap_ms >= SHORTEST_GAP_MS for bar in bars):
        key.append(("unknown", "not all of it is known"))
    return key


def _hours_table(report: Report) -> Table:
    def cells(energy: Energy) -> list[Value]:
        flows = (energy.surplus_mws, energy.solar_mws, energy.bought_mws, energy.export_mws, energy.import_mws)
        return [*(_energy_cell(each) for each in flows), _time_cell(energy.known_ms)]

    heads = [("hour", ""), *((words, "kWh") for words in ("surplus", "caught", "bought", "exported", "imported"))]
    rows = [[f"{hour.hour:02d}:00", *cells(hour.energy)] for hour in report.hours]
    total = ["Total", *cells(report.total.energy)]
    return Table("hours", "Each hour of the day, for the whole house", [*heads, ("known", "h:min")], rows, total)


def _period_sections(report: Report) -> list[str]:
    bars = [Bar(_short_name(report, line), line.energy, line.gap_ms, line.money) for line in report.lines]
    best = max(report.lines, key=lambda line: line.energy.solar_mws)
    gist = (
        f"Surplus, what was caught of it, and what was bought, for each {report.by}. Most was caught on "
        f"{line_name(report, best)}: {kwh(best.energy.solar_mws)} kWh."
    )
    key = _bars_key(bars, report.priced)
    caption = "Above, energy in kWh: surplus upwards, bought downwards."
    if report.priced:
        cost = report.total.money
        assert cost is not None
        gist += f" In all {rounded(abs(cost.saved))} {report.currency} was {'saved' if cost.saved >= 0 else 'lost'}."
        caption += f" Below, money in {report.currency}."
    picture = Picture(
        "lines",
        f"{report.by.capitalize()} by {report.by}",
        gist,
        lambda sheet: _draw_bars(bars, report.priced, sheet),
    )
    sections = [_section(f"{report.by.capitalize()} by {report.by}", _picture(picture, key, None, caption))]
    if _sunny(report.hours):
        caught_first = f"{percent(report.total.energy.solar_mws, report.total.energy.surplus_mws)} of it was caught"
        by_hour: dict[int, int] = {}
        for hour in report.hours:
            by_hour[hour.hour] = by_hour.get(hour.hour, 0) + hour.energy.surplus_mws - hour.energy.solar_mws
        missed = max(by_hour, key=lambda hour: by_hour[hour])
        squares = Picture(
            "squares",
            "When surplus was there, and when it was caught",
            f"A square for each hour of each {report.by}: its area is the surplus, the filled part what was caught. "
            f"In all {caught_first}; most was missed from {missed:02d}:00 on, {kwh(by_hour[missed])} kWh.",
            lambda sheet: _draw_squares(report, sheet),
        )
        caption = (
            f"A square for each hour of each {report.by}. Its area is the surplus that was there, the filled part what "
            f"was caught; the largest is {kwh(max(hour.energy.surplus_mws for hour in report.hours))} kWh."
        )
        key = [("caught", "caught"), ("spare", "not caught")]
        if any(hour.length_ms - hour.energy.known_ms >= SHORTEST_GAP_MS for hour in report.hours):
            key.append(("unknown", "not all of it is known"))
        sections.append(_section("When the surplus was there", _picture(squares, key, _squares_table(report), caption)))
    figures = _section(f"{report.by.capitalize()} by {report.by}, in figures", _lines_table(report).html())
    return [*sections, figures]


def _lines_table(report: Report) -> Table:
    unsure = uncertain(report.total.energy)
    heads = [(report.by, ""), ("surplus", "kWh"), ("caught", "kWh"), ("bought", "kWh"), ("charged", "kWh")]
    heads += [("±", "kWh")] if unsure else []
    heads += [("cost", report.currency), ("saved", report.currency)] if report.priced else []
    heads += [("on", "h:min"), ("starts", " "), ("not known", "h:min")]

    def row(name: str, line: Line) -> list[Value]:
        energy = line.energy
        cells: list[Value] = [name]
        cells += [_energy_cell(each) for each in (energy.surplus_mws, energy.solar_mws)]
        cells += [_energy_cell(each) for each in (energy.bought_mws, energy.charger_mws)]
        cells += [_energy_cell(energy.error_mws)] if unsure else []
        if report.priced and line.money:
            cells += [_money_cell(line.money.cost), _money_cell(line.money.saved)]
        elif report.priced:
            cells += ["", ""]
        return [*cells, _time_cell(energy.on_ms), _count(line.starts), _time_cell(line.gap_ms)]

    rows = [row(line_name(report, line), line) for line in report.lines]
    return Table("lines", f"Each {report.by}", heads, rows, row("Total", report.total), quiet=True)


def _squares_table(report: Report) -> Table:
    hours = sorted(_sunny(report.hours))
    found = {(hour.first, hour.hour): hour.energy for hour in report.hours}
    rows: list[list[Value]] = []
    for line in report.lines:
        row: list[Value] = [line_name(report, line)]
        for hour in hours:
            energy = found.get((line.first, hour))
            known = energy is not None and energy.known_ms
            row.append(f"{kwh(energy.solar_mws)} / {kwh(energy.surplus_mws)}" if energy and known else "?")
        rows.append(row)
    heads = [(report.by, ""), *((f"{hour:02d}:00", " ") for hour in hours)]
    return Table("squares", f"Caught / surplus of each hour of each {report.by}, kWh", heads, rows)


def _sessions(report: Report) -> str:
    if not report.sessions:
        return ""
    heads = [("no.", ""), ("from", ""), ("to", ""), ("charged", "kWh"), ("sun", "kWh"), ("bought", "kWh")]
    heads += [("cost", report.currency), ("saved", report.currency)] if report.priced else []
    heads += [("on", "h:min"), ("charges", " "), ("how it ended", "")]
    rows: list[list[Value]] = []
    for number, session in enumerate(report.sessions, 1):
        energy = session.energy
        row: list[Value] = [str(number), moment(report, ms_of(session.begin))]
        row.append(moment(report, ms_of(session.end) if session.end else None, "now"))
        row += [_energy_cell(each) for each in (energy.charger_mws, energy.solar_mws, energy.bought_mws)]
        if report.priced:
            row += [_money_cell(session.money.cost), _money_cell(session.money.saved)] if session.money else ["", ""]
        rows.append([*row, _time_cell(energy.on_ms), _count(session.charges), session.ended])
    table = Table("sessions", "Sessions, each with all of its charges", heads, rows, quiet=True)
    if report.single:
        return _section("Sessions", table.html())
    number = len(rows)
    return (
        f'<section class="folded"><h2>Sessions</h2><details><summary>{number} session{"s" if number > 1 else ""}, one '
        f"by one</summary>{table.html()}</details></section>"
    )


def _faults(report: Report) -> str:
    if not report.faults:
        return ""
    rows = [
        [
            _letter(number),
            fault.code,
            moment(report, fault.begin_ms),
            moment(report, fault.end_ms),
            FAULT_SENTENCES.get(fault.code, ""),
        ]
        for number, fault in enumerate(report.faults)
    ]
    heads = [("letter", ""), ("fault", ""), ("from", ""), ("to", ""), ("what it means", "")]
    return _section("Faults", Table("faults", "Faults of this time", heads, rows, quiet=True).html())


def _reading(report: Report) -> str:
    items = list(notes(report))
    if report.gaps and report.total.energy.known_ms:
        spans = ", ".join(f"{moment(report, begin)} to {moment(report, end)}" for begin, end in report.gaps)
        items.insert(0, f"Not known: {spans}.")
    for span in report.thresholds:
        if math.isinf(span.start_export_w):
            items.append(
                f"From {moment(report, span.begin_ms)} to {moment(report, span.end_ms)} no charge starts at these "
                "prices: surplus is worth more sold."
            )
    if not items:
        return ""
    listed = "".join(f"<li>{_words(item)}</li>" for item in items)
    return _section("How to read the figures", f'<ul class="notes">{listed}</ul>')


STYLE = """
:root{color-scheme:light dark;--face:system-ui,'Segoe UI','DejaVu Sans',sans-serif;
--print:'Iowan Old Style',Charter,Georgia,'DejaVu Serif',serif;/*light*/}
@media screen and (prefers-color-scheme:dark){:root{/*dark*/}}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);font:1rem/1.5 var(--face)}
main{max-width:60rem;margin:0 auto;padding:2.2rem 1.25rem 3rem}
header{border-bottom:2px solid var(--ink);padding-bottom:1rem;margin-bottom:1.8rem}
.kicker{margin:0;color:var(--muted);letter-spacing:.04em}
h1{font:700 clamp(1.7rem,5.5vw,2.6rem)/1.15 var(--print);margin:.2rem 0 .7rem;text-wrap:balance}
.lede{font:1.2rem/1.45 var(--print);margin:0 0 .5rem}
header p:last-child{margin-bottom:0}header p{max-width:52rem;margin:.25rem 0;text-wrap:pretty}
h2{font:700 1.3rem/1.25 var(--print);margin:0 0 .6rem}
section{margin:0 0 2.4rem}
.pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(19rem,100%),1fr));gap:1.8rem 3rem}
.pair>div{min-width:0}
figure{margin:0}
svg{display:block;width:100%;height:auto;font-variant-numeric:tabular-nums;overflow:visible}
svg *{stroke-linejoin:round;stroke-linecap:butt}
svg.narrow{display:none}
figcaption{color:var(--muted);font-size:.9rem;margin-top:.5rem}
figcaption p{margin:.4rem 0 0;max-width:48rem}
.key{list-style:none;display:flex;flex-wrap:wrap;gap:.25rem 1.3rem;margin:0;padding:0;color:var(--ink)}
.key li{display:flex;align-items:center;gap:.45rem}
.sw{flex:none;width:1.25rem;height:.8rem;border:1px solid transparent;print-color-adjust:exact;
-webkit-print-color-adjust:exact}
.sw.caught{background:var(--caught)}
.sw.spare{background:var(--spare);border-color:var(--spare-edge)}
.sw.bought{border-color:var(--bought);
background:repeating-linear-gradient(135deg,var(--bought) 0 1px,transparent 1px 4px)}
.sw.saved{background:var(--saved)}
.sw.lost{border-color:var(--saved);
background:repeating-linear-gradient(135deg,var(--saved) 0 1px,transparent 1px 4px)}
.sw.house{background:var(--house)}
.sw.line{height:0;border:0;border-top:2px solid var(--ink)}
.sw.threshold{height:0;border:0;border-top:2px dashed var(--fault)}
.sw.error{width:0;height:1rem;border:0;border-left:2px solid var(--ink);margin:0 .6rem}
.sw.unknown{background:repeating-linear-gradient(45deg,var(--house-edge) 0 1px,transparent 1px 4px)}
.scroll{overflow-x:auto;background:
linear-gradient(to right,var(--paper) 30%,transparent) left/2rem 100% local no-repeat,
linear-gradient(to left,var(--paper) 30%,transparent) right/2rem 100% local no-repeat,
linear-gradient(to right,var(--rule),transparent) left/.8rem 100% scroll no-repeat,
linear-gradient(to left,var(--rule),transparent) right/.8rem 100% scroll no-repeat,var(--paper)}
.scroll:focus-visible,summary:focus-visible{outline:2px solid var(--caught);outline-offset:2px}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums lining-nums;font-size:.95rem}
caption{text-align:left;color:var(--muted);font-size:.9rem;padding-bottom:.3rem}
caption:has(.unseen){padding:0}
.unseen{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%);white-space:nowrap}
th,td{padding:.28rem .7rem .28rem 0;text-align:left;vertical-align:top;border-bottom:1px solid var(--rule)}
th:last-child,td:last-child{padding-right:0}
th.n,td.n{text-align:right;white-space:nowrap}
thead :is(th,td){font-weight:400;color:var(--muted);vertical-align:bottom;border-bottom-color:var(--ink);
white-space:nowrap}
td.nought{color:var(--muted)}
a{color:inherit;text-underline-offset:.2em}
tbody th{font-weight:400;white-space:nowrap}#money-table th,#energy-table th{white-space:normal}
tfoot th,tfoot td{font-weight:700;border-bottom:0;border-top:2px solid var(--ink)}
.unit{font-size:.85em}
#lines-table tbody th,#squares-table tbody th,#lines-table tfoot th{position:sticky;left:0;background:var(--paper)}
#squares-table td{white-space:nowrap}
#sessions-table td:last-child{min-width:9rem}#faults-table td:last-child{min-width:8.5rem}
#money-table tbody tr:nth-child(3) :is(th,td){border-top:1px solid var(--ink);font-weight:700}
dl{display:flex;flex-wrap:wrap;gap:.4rem 2.2rem;margin:.9rem 0 0}
dt{color:var(--muted);font-size:.9rem}dd{margin:0;font-weight:700;font-variant-numeric:tabular-nums}
details{margin-top:.9rem}
summary{cursor:pointer;padding:.35rem 0;color:var(--ink);text-decoration:underline;text-underline-offset:.2em}
.notes{margin:0;padding-left:1.1rem;max-width:44rem}.notes li{margin:.25rem 0}
footer{border-top:1px solid var(--rule);color:var(--muted);font-size:.9rem}footer p{margin:.7rem 0 0}
@media (max-width:44rem){main{padding:1.3rem 1rem 2rem}svg.wide{display:none}svg.narrow{display:block;max-width:34rem}
section{margin-bottom:2rem}table{font-size:.9rem}th,td{padding-right:.55rem}thead .unit{display:block}
.lede{font-size:1.1rem}}
@media print{@page{margin:14mm}html{font-size:10pt}main{padding:0;max-width:none}svg.wide{display:block}
svg.narrow{display:none}figure,tr,.pair{break-inside:avoid}h2{break-after:avoid}section{margin-bottom:1.1rem}
details:not([open]),section.folded:not(:has([open])){display:none}
tfoot{display:table-row-group}.scroll{overflow:visible}}
"""
