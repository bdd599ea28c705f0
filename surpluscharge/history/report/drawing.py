"""How all pages draw, with matplotlib (the ``report`` extra): this and the modules of pages alone import it.

A report's day and a replay's are drawn by one function (:func:`draw_day`): a replay makes the intervals that a ledger
holds.

Drawings are made in colours that stand for roles; in the SVG each becomes a CSS variable, so that one drawing serves
the light and the dark scheme, and print. Each is drawn twice, for a wide window and for a phone, because a drawing that
merely shrinks cannot be read. Behind every drawing stands a table with the same figures, for whoever does not see it.

Upwards is surplus, downwards is what comes from the grid. The charger is the block across the line between them: the
part above is the sun's, the part below is bought, and its height is the draw. No colour speaks alone: bought is
hatched, what was bought by plan is hatched crosswise, what was not caught is pale and has an edge, and everything is
named. No text from the configuration goes into
a drawing: a currency may hold what the font lacks, or `$`, which begins a formula.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import tzinfo
from html import escape
from itertools import groupby
from typing import Any, NamedTuple

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.path import Path as Outline
from matplotlib.ticker import FuncFormatter, MaxNLocator

from surpluscharge.history.energy import HOUR_MS, Energy, Interval, downsample, time_of
from surpluscharge.history.report.figures import CURVE_MS, SHORTEST_GAP_MS
from surpluscharge.history.report.paper import COLOURS, Table, folded, words

WIDE_PX, NARROW_PX = 880, 350
RIGHT_PX = 20
PLACES = 13  # along a threshold, at which its name is tried
HIDDEN = 0.7  # of long words, what may stand upon what was drawn
FURTHEST = 2.0  # a threshold further out than so many times what was measured is named at the edge

# What matplotlib is told to draw with, to be found again in what it has drawn.
DRAWN = {role: f"#{index:02x}fe{index:02x}" for index, role in enumerate(COLOURS, 1)}
CURRENCY = "\N{CURRENCY SIGN}"  # stands for the real one until it is drawn: its letters may be missing from the font

CAUGHT = ("caught", "surplus caught: the sun's part of the charge")
SPARE = ("spare", "surplus not caught")
BOUGHT = ("bought", "bought for the car")
BESIDE = ("bought", "bought beside the sun")
PLANNED = ("planned", "bought by plan")
HOUSE = ("house", "imported by the rest of the house")
UNKNOWN = ("unknown", "not known")


class Sheet(NamedTuple):
    """What a drawing is made on."""

    width_px: int
    narrow: bool

    @property
    def left_px(self) -> int:
        return 66 if self.narrow else 92

    @property
    def room_px(self) -> int:
        """How wide its axes are."""
        return self.width_px - self.left_px - RIGHT_PX

    @property
    def letter_px(self) -> float:
        """How wide an average letter is, or a little less."""
        return 7.4 if self.narrow else 8.0


SHEETS = Sheet(WIDE_PX, False), Sheet(NARROW_PX, True)


class Picture(NamedTuple):
    """A drawing in both sizes, with what it says in words."""

    key: str
    name: str
    gist: str
    draw: Callable[[Sheet], Figure]
    currency: str = ""  # what CURRENCY stands for in it


def shown(picture: Picture, key: Sequence[tuple[str, str]], table: Table | str, caption: str) -> str:
    """Return a drawing for the page, with its key, and its table folded away behind it.

    A table that is on the page anyway is given by its key, and led to.
    """
    swatches = "".join(f'<li><i class="sw {kind}"></i>{escape(what)}</li>' for kind, what in key)
    about = "The figures behind this picture"
    figures = f'<p><a href="#{table}-table">{about}</a></p>' if isinstance(table, str) else folded(about, table.html())
    return (
        f'<figure>{"".join(_svg(picture, sheet) for sheet in SHEETS)}<figcaption><ul class="key">{swatches}</ul>'
        f"<p>{words(caption)}</p></figcaption></figure>{figures}"
    )


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
    for role, drawn in DRAWN.items():
        text = text.replace(drawn, f"var(--{role})")
    text = re.sub(r"(font: [^'\";]*?px) [^\"]*?(?=; |\")", r"\1 var(--face)", text)
    text = re.sub(r' d="[^"]*"', lambda path: re.sub(r"\s+", " ", re.sub(r"(\.\d\d?)\d*", r"\1", path[0])), text)
    text = text.replace(CURRENCY, escape(picture.currency))
    (box,) = re.findall(r'viewBox="([^"]*)"', text[: text.index(">")])
    head = (
        f'<svg class="{"narrow" if sheet.narrow else "wide"}" viewBox="{box}" xmlns="http://www.w3.org/2000/svg" '
        f'xmlns:xlink="http://www.w3.org/1999/xlink" role="img" aria-labelledby="{key}-name {key}-gist">'
        f'<title id="{key}-name">{escape(picture.name)}</title><desc id="{key}-gist">{escape(picture.gist)}</desc>'
    )
    return head + text[text.index(">") + 1 :].strip()


def _style(sheet: Sheet) -> dict[Any, Any]:
    ink, muted, rule = DRAWN["ink"], DRAWN["muted"], DRAWN["rule"]
    return {
        "font.size": 11.5 if sheet.narrow else 12.5,
        "font.family": "DejaVu Sans",
        "svg.fonttype": "none",  # letters stay letters
        "svg.hashsalt": "surpluscharge",  # the same page is the same file
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


# --- what pictures are made of ---------------------------------------------------------------------------------------


def axes_below(sheet: Sheet, heights_px: Sequence[float], gap_px: float = 10) -> tuple[Figure, list[Axes]]:
    """Return a figure with axes below each other, of these heights; one unit of the drawing is a pixel."""
    top_px, bottom_px = 8, 26
    height_px = top_px + bottom_px + sum(heights_px) + gap_px * (len(heights_px) - 1)
    figure = Figure(figsize=(sheet.width_px / 72, height_px / 72), dpi=72)
    axes = []
    below_px = height_px - top_px
    for each_px in heights_px:
        below_px -= each_px
        rectangle = (
            sheet.left_px / sheet.width_px,
            below_px / height_px,
            sheet.room_px / sheet.width_px,
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


def solid(role: str) -> dict[str, Any]:
    """Return the look of an area in the colour of a role."""
    return {"color": DRAWN[role], "linewidth": 0}


def edged(role: str) -> dict[str, Any]:
    """Return the look of a pale area with an edge."""
    return {"facecolor": DRAWN[role], "edgecolor": DRAWN[f"{role}-edge"], "linewidth": 0.8}


def hatched(role: str) -> dict[str, Any]:
    """Return the look of a hatched area with an edge; what is planned is hatched crosswise."""
    hatch = "xxxx" if role == "planned" else "////"
    return {"facecolor": DRAWN["paper"], "edgecolor": DRAWN[role], "hatch": hatch, "linewidth": 0.8}


def unknown() -> dict[str, Any]:
    """Return the look of what is not known."""
    return {"facecolor": "none", "edgecolor": DRAWN["house-edge"], "hatch": "\\\\\\\\", "linewidth": 0, "zorder": 0.6}


def in_kwh(value: float, _: object = None) -> str:
    """Write an energy along an axis."""
    return f"{abs(value):g} kWh"


def in_money(value: float, _: object = None) -> str:
    """Write money along an axis."""
    return f"{round(value, 6) + 0.0:g} {CURRENCY}".replace("-", "\N{MINUS SIGN}")


def _in_kw(value: float, _: object) -> str:
    return f"{abs(value):g} kW"


def ruled(ax: Axes, write: Callable[[float, object], str], most: int = 5) -> None:
    """Give an axis round values with their unit, and rules at them."""
    ax.yaxis.set_major_locator(MaxNLocator(most, steps=[1, 2, 5, 10]))
    ax.yaxis.set_major_formatter(FuncFormatter(write))
    ax.grid(axis="y", linewidth=0.6)
    ax.set_axisbelow(True)


def bars(
    ax: Axes, heights: Sequence[float], look: dict[str, Any], width: float = 0.8, upon: Sequence[float] = ()
) -> None:
    """Draw bars for what is not nought: an edge around nothing would look like something.

    ``upon``: where they begin.
    """
    places = [place for place, height in enumerate(heights) if height]
    ax.bar(
        places, [heights[place] for place in places], width, [upon[place] if upon else 0.0 for place in places], **look
    )


def under_bars(axes: Sequence[Axes], names: Sequence[str], sheet: Sheet) -> None:
    """Give axes of bars their nought, and below them the names there is room for."""
    places = ticks(names, sheet.room_px / max(1, len(names)), sheet)
    for each in axes:
        each.axhline(0, color=DRAWN["ink"], linewidth=0.8)
        each.spines["bottom"].set_visible(False)
        each.set_xlim(-0.6, len(names) - 0.4)
        each.set_xticks([place for place, _ in places], [name for _, name in places])
        each.tick_params(axis="x", pad=7)


def ticks(names: Sequence[str], step_px: float, sheet: Sheet) -> list[tuple[int, str]]:
    """Return the labels along an axis for which there is room; those that name a month come first."""
    letter_px = sheet.letter_px
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


def squares(places: Iterable[tuple[float, float, float, float]]) -> Outline:
    """Return one outline of many boxes (x, y, width, height): one element of the drawing instead of a thousand."""
    vertices, codes = [(0.0, 0.0)], [Outline.MOVETO]
    for x, y, width, height in places:
        across, up = width / 2, height / 2
        vertices += [(x - across, y - up), (x + across, y - up), (x + across, y + up), (x - across, y + up), (x, y)]
        codes += [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY]
    return Outline(vertices, codes)


def stretches(true: Iterable[bool]) -> Iterator[tuple[int, int]]:
    """Yield the first and last place of each unbroken stretch of true ones."""
    for is_true, group in groupby(enumerate(true), key=lambda each: each[1]):
        places = [place for place, _ in group]
        if is_true:
            yield places[0], places[-1]


# --- a day -----------------------------------------------------------------------------------------------------------


class Level(NamedTuple):
    """A threshold through the day: (begin_ms, end_ms, power) of each stretch, upwards where it is export or surplus."""

    spans: Sequence[tuple[int, int, float]]  # in watts
    said: tuple[str, str]  # what it is: in a wide window, and on a phone
    above: bool  # where its name stands


class Lane(NamedTuple):
    """A row below the day's curve: (begin_ms, end_ms, mark) of each bar."""

    name: str
    look: dict[str, Any]
    thick: bool
    spans: Sequence[tuple[int, int, str]]


class Mark(NamedTuple):
    """A moment at which the car was needed, or will be."""

    at_ms: int
    met: bool


class Day(NamedTuple):
    """What is drawn of a day: from the first hour in which there is anything to the last."""

    begin_ms: int
    end_ms: int
    zone: tzinfo | None
    curve: Sequence[Interval]
    metered: bool  # whether the curve is what a meter saw, so that its line means something
    levels: Sequence[Level]
    lanes: Sequence[Lane]
    gaps: Sequence[tuple[int, int]]
    held: Sequence[tuple[int, int]] = ()  # from when to when a cap kept it off
    until_ms: int | None = None  # a day that is not over yet is known until then
    prices: Sequence[tuple[int, int, float]] = ()  # (begin_ms, end_ms, import price), where they move
    needed: Sequence[Mark] = ()


def draw_day(day: Day, sheet: Sheet) -> Figure:
    """Draw the day's powers, and its lanes below them."""
    heights_px = (260.0 if sheet.narrow else 340.0, *((64.0,) if day.prices else ()), max(1, len(day.lanes)) * 17.0)
    figure, (ax, *priced, below) = axes_below(sheet, heights_px)

    def hours(at_ms: float) -> float:
        return (min(max(at_ms, day.begin_ms), day.end_ms) - day.begin_ms) / HOUR_MS

    for each in (ax, *priced, below):
        each.set_xlim(0, hours(day.end_ms))
    curve = [each for each in day.curve if day.begin_ms <= each.begin_ms < day.end_ms]
    if sheet.narrow:  # a phone has too few pixels for each of the points, so it gets means of two
        curve = list(downsample(curve, 2 * CURVE_MS))
    highest_w, lowest_w = _powers(ax, curve, hours, day.metered)
    _levels(ax, day.levels, curve, day.gaps, hours, (highest_w, lowest_w), sheet)
    letter = sheet.letter_px * hours(day.end_ms) / sheet.room_px
    for row, lane in enumerate(day.lanes):
        marked = -1.0  # up to where the lane's marks stand: of two short ones side by side the first has its mark
        for since_ms, until_ms, mark in lane.spans:
            since, until = hours(since_ms), hours(until_ms)
            if until_ms <= day.begin_ms or since_ms >= day.end_ms:
                continue
            below.barh(row, max(until - since, 0.04), left=since, height=0.62 if lane.thick else 0.3, **lane.look)
            at = max(until, since + 0.1) + 0.08
            if mark and at > marked:
                below.text(at, row, mark, va="center", fontsize=11, clip_on=False)
                marked = at + len(mark) * letter
    below.set_ylim(max(1, len(day.lanes)) - 0.5, -0.5)
    below.set_yticks(range(len(day.lanes)), [lane.name for lane in day.lanes])
    below.tick_params(axis="y", labelsize=10.5 if sheet.narrow else 11.5, pad=4)
    for since_ms, until_ms in day.gaps:
        if until_ms > day.begin_ms and since_ms < day.end_ms:
            for each in (ax, *priced, below):
                each.axvspan(hours(since_ms), hours(until_ms), **unknown())
    for since_ms, until_ms in day.held:
        if until_ms > day.begin_ms and since_ms < day.end_ms:
            ax.axvspan(hours(since_ms), hours(until_ms), **held_back())
    for each in priced:
        _prices(each, day, hours)
    for need in day.needed:
        if day.begin_ms <= need.at_ms <= day.end_ms:
            _needed(ax, (*priced, below), hours(need.at_ms), need.met)
    marks = _hour_marks(day, sheet)
    for each in (ax, *priced, below):
        each.set_xticks([hours(at_ms) for at_ms, _ in marks], [text for _, text in marks])
        each.grid(axis="x", linewidth=0.6)
        each.set_axisbelow(True)
    for each in (ax, *priced):
        each.tick_params(axis="x", labelbottom=False)
    if day.until_ms is not None and day.until_ms < day.end_ms:
        ax.axvline(hours(day.until_ms), color=DRAWN["muted"], linewidth=1.0, dashes=(1, 3))
    return figure


def _prices(ax: Axes, day: Day, hours: Callable[[float], float]) -> None:
    """Draw the import price as steps, with its nought where it comes near it."""
    x, y = list[float](), list[float]()
    for since_ms, until_ms, price in day.prices:
        if until_ms > day.begin_ms and since_ms < day.end_ms:
            apart = bool(x) and hours(since_ms) > x[-1] + 0.01
            x += [math.nan, hours(since_ms), hours(until_ms)] if apart else [hours(since_ms), hours(until_ms)]
            y += [math.nan, price, price] if apart else [price, price]
    ax.plot(x, y, color=DRAWN["saved"], linewidth=1.4)
    low, high = min(0.0, *(price for *_, price in day.prices)), max(price for *_, price in day.prices)
    ax.set_ylim(low - 0.08 * (high - low), high + 0.12 * (high - low))
    ax.axhline(0, color=DRAWN["ink"], linewidth=0.8)
    ruled(ax, in_money, 3)


def _needed(ax: Axes, others: Iterable[Axes], at: float, met: bool) -> None:
    """Draw a line where the car is needed, with a mark on top: full where it was ready."""
    for each in (ax, *others):
        each.axvline(at, color=DRAWN["ink"], linewidth=1.2, dashes=(7, 2, 1, 2))
    fill = DRAWN["ink"] if met else DRAWN["paper"]
    look: dict[str, Any] = {
        "color": DRAWN["ink"],
        "linestyle": "none",
        "markeredgecolor": DRAWN["ink"],
        "markerfacecolor": fill,
        "clip_on": False,
        "zorder": 5,
    }
    ax.plot([at], [1.0], marker="v", markersize=9, transform=ax.get_xaxis_transform(), **look)


def held_back() -> dict[str, Any]:
    """Return the look of the time in which a cap kept it off."""
    return {**unknown(), "hatch": "-", "alpha": 0.6}


def _powers(ax: Axes, curve: Sequence[Interval], hours: Callable[[float], float], metered: bool) -> tuple[float, float]:
    """Draw what flowed, and return how far it went up and down, in watts."""
    highest_w, lowest_w = 1000.0, 500.0
    for run in _runs(curve):
        x = [hours(each.begin_ms) for each in run] + [hours(run[-1].end_ms)]

        def kw(value: Callable[[Energy], int], run: list[Interval] = run) -> list[float]:
            means = [value(each.energy) / max(1, each.energy.known_ms) / 1000 for each in run]
            return [*means, means[-1]]

        solar, surplus = kw(lambda e: e.solar_mws), kw(lambda e: e.surplus_mws)
        bought, imported = [-y for y in kw(lambda e: e.bought_mws)], [-y for y in kw(lambda e: e.import_mws)]
        both = [-y for y in kw(lambda e: e.grid_mws)]
        highest_w, lowest_w = (
            max(highest_w, *(1000 * y for y in surplus)),
            max(lowest_w, *(-1000 * y for y in imported)),
        )
        ax.fill_between(x, surplus, solar, step="post", **solid("spare"))
        ax.fill_between(x, imported, both, step="post", **solid("house"))
        ax.step(x, surplus, where="post", color=DRAWN["spare-edge"], linewidth=0.7)
        ax.fill_between(x, solar, 0, step="post", **solid("caught"))
        # Only where something was bought: its edge would else be drawn along the whole day.
        for first, last in stretches(y < 0 for y in bought[:-1]):
            part = [*bought[first : last + 1], bought[last]]
            ax.fill_between(x[first : last + 2], part, 0, step="post", **hatched("bought"))
        for first, last in stretches(low < high for low, high in zip(both[:-1], bought[:-1], strict=True)):
            foot, top = ([*found[first : last + 1], found[last]] for found in (both, bought))
            ax.fill_between(x[first : last + 2], foot, top, step="post", **hatched("planned"))
        if not metered:
            continue
        meter = kw(lambda e: e.export_mws - e.import_mws)
        drawing = [each.energy.charger_mws > 0 for each in run]
        for on in (False, True):
            # Over the charge the meter's line fades: there it only repeats what the block says.
            look: dict[str, Any] = {"linewidth": 0.7, "alpha": 0.3} if on else {"linewidth": 0.9}
            for first, last in stretches(each == on for each in drawing):
                part = [*meter[first : last + 1], meter[last + 1] if not on else meter[last]]
                ax.step(x[first : last + 2], part, where="post", color=DRAWN["ink"], **look)
    ax.axhline(0, color=DRAWN["ink"], linewidth=0.8)
    return highest_w, lowest_w


def _runs(curve: Sequence[Interval]) -> list[list[Interval]]:
    """Split the curve where nothing is known in between."""
    runs: list[list[Interval]] = []
    for each in curve:
        if not runs or each.begin_ms - runs[-1][-1].end_ms >= SHORTEST_GAP_MS:
            runs.append([])
        runs[-1].append(each)
    return runs


class _Box(NamedTuple):
    """A place for words in axes: in hours across and kilowatts up."""

    left: float
    right: float
    low: float
    high: float

    def meets(self, other: _Box) -> bool:
        across = min(self.right, other.right) - max(self.left, other.left)
        return across > 0 and min(self.high, other.high) > max(self.low, other.low)


def _levels(
    ax: Axes,
    levels: Sequence[Level],
    curve: Sequence[Interval],
    gaps: Sequence[tuple[int, int]],
    hours: Callable[[float], float],
    reach_w: tuple[float, float],
    sheet: Sheet,
) -> None:
    """Draw thresholds and name each once, at the place (of some that are tried) where its name hides least.

    None is outside of the picture; what is far out is drawn along its edge.
    """
    upwards_w, downwards_w = reach_w
    powers_w = [power_w for level in levels for *_, power_w in level.spans]
    upwards_w = max([upwards_w, *(each_w for each_w in powers_w if each_w <= FURTHEST * upwards_w)])
    downwards_w = max([downwards_w, *(-each_w for each_w in powers_w if -each_w <= FURTHEST * max(reach_w))])
    low, high = -1.15 * downwards_w / 1000, 1.1 * upwards_w / 1000
    ax.set_ylim(low, high)
    ruled(ax, _in_kw, 6)
    size = 10.5 if sheet.narrow else 11.5
    height_px = ax.bbox.height
    per_px, tall = ax.get_xlim()[1] / sheet.room_px, (size + 5) * (high - low) / height_px
    taken = []
    for y, va, said in ((high, "top", "surplus"), (low, "bottom", "from the grid")):
        ax.text(3 * per_px, y, said, va=va, color=DRAWN["muted"], style="italic")
        edge = high - tall if va == "top" else low
        taken.append(_Box(0, len(said) * sheet.letter_px * per_px, edge, edge + tall))

    def hidden(box: _Box) -> float:
        """Return how much of what flowed such words would stand upon."""
        found = 0.0
        for each in curve:
            if box.left < hours(each.end_ms) and hours(each.begin_ms) < box.right:
                known_ms = max(1, each.energy.known_ms) * 1000
                top, foot = each.energy.surplus_mws / known_ms, -each.energy.import_mws / known_ms
                found += hours(each.end_ms) - hours(each.begin_ms) if box.low < top and foot < box.high else 0.0
        for since_ms, until_ms in gaps:
            found += max(0.0, min(box.right, hours(until_ms)) - max(box.left, hours(since_ms)))
        return found

    for level in levels:
        spans = [(hours(since_ms), hours(until_ms), power_w / 1000) for since_ms, until_ms, power_w in level.spans]
        edge_low, edge_high = low + 0.02 * (high - low), high - 0.02 * (high - low)
        drawn = [(since, until, min(max(y, edge_low), edge_high), y) for since, until, y in spans if until > since]
        x: list[float] = []
        path: list[float] = []
        for since, until, y, _ in drawn:
            apart = bool(x) and since > x[-1] + 0.01
            x += [math.nan, since, until] if apart else [since, until]
            path += [math.nan, y, y] if apart else [y, y]
        ax.plot(x, path, color=DRAWN["fault"], linewidth=1.2, dashes=(5, 3))
        drawn = sorted(drawn, key=lambda each: each[0] - each[1])[:6]
        for said in level.said:
            places = []
            for since, until, y, true in drawn:
                text = said if y == true else f"{said}, further {'up' if true > y else 'down'}"
                wide = (len(text) * 0.56 * size + 4) * per_px
                for step in range(PLACES):
                    left = since + (until - since - wide) * step / (PLACES - 1)
                    left = min(max(left, 3 * per_px), ax.get_xlim()[1] - wide)
                    for up in (level.above, not level.above):
                        box = _Box(left, left + wide, y if up else y - tall, y + tall if up else y)
                        fits = left >= 0 and low <= box.low and box.high <= high + 0.01
                        if fits and not any(box.meets(other) for other in taken):
                            places.append((hidden(box), until - since < wide, up != level.above, box, up, text, y))
            # Shorter words, if there are any, where long ones would stand upon much.
            best = min(places, default=None)
            if best and (said == level.said[-1] or best[0] <= HIDDEN * (best[3].right - best[3].left)):
                *_, box, up, text, y = best
                offset = 3 * (high - low) / height_px
                ax.text(
                    box.left,
                    y + (offset if up else -offset),
                    text,
                    color=DRAWN["fault"],
                    va="bottom" if up else "top",
                    fontsize=size,
                )
                taken.append(box)
                break


def _hour_marks(day: Day, sheet: Sheet) -> list[tuple[int, str]]:
    """Return where the wall clock shows every so many hours, and what it shows."""
    room = max(2, sheet.room_px // (48 if sheet.narrow else 64))
    length = (day.end_ms - day.begin_ms) / HOUR_MS
    every = next(each for each in (1, 2, 3, 4, 6, 12) if length / each <= room or each == 12)
    at_ms, found = day.begin_ms, []
    while at_ms <= day.end_ms:
        when = time_of(at_ms, day.zone)
        if when.hour % every == 0 and when.minute == 0:
            found.append((at_ms, f"{when:%H:%M}"))
        at_ms += HOUR_MS // 2
    if found and found[-1][0] == day.end_ms and found[-1][1] == "00:00":
        found[-1] = day.end_ms, "24:00"
    return found
