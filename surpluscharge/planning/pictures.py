"""Pictures of a replay and of a tuning: one self-contained HTML file each, light or dark as the reader's screen is.

Needs the ``report`` extra (matplotlib). Every picture is drawn twice, once for each kind of screen.
"""

from __future__ import annotations

import html
import io
from bisect import bisect_left
from collections.abc import Callable
from datetime import date
from itertools import pairwise
from typing import Any, NamedTuple

import matplotlib as mpl
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, DateFormatter, HourLocator
from matplotlib.figure import Figure

from surpluscharge.control.machine import ARMING, LOCKED_OUT
from surpluscharge.planning import comparing, tune
from surpluscharge.planning.comparing import Comparison, charging, configured

MOST_POINTS = 4000  # a line of more is no clearer


class Theme(NamedTuple):
    ink: str
    faint: str
    paper: str
    sun: str
    run: str
    ideal: str
    halt: str


LIGHT = Theme("#24303a", "#c9d1d6", "#fbfaf7", "#c98a12", "#1f7a6c", "#6a5aa8", "#b5483a")
DARK = Theme("#e2e6e4", "#46525a", "#171d21", "#e8b451", "#58c2ae", "#a99be0", "#e58473")

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
:root {{ color-scheme: light dark; --ink: {light.ink}; --paper: {light.paper} }}
body {{ font: 16px/1.5 system-ui, sans-serif; color: var(--ink); background: var(--paper); max-width: 68rem;
  margin: 2rem auto; padding: 0 1rem }}
h1 {{ font-size: 1.5rem; text-wrap: balance }}
svg {{ width: 100%; height: auto }}
pre {{ white-space: pre-wrap; line-height: 1.4 }}
.dark {{ display: none }}
@media (prefers-color-scheme: dark) {{
  :root {{ --ink: {dark.ink}; --paper: {dark.paper} }} .dark {{ display: block }} .light {{ display: none }} }}
</style></head><body>
<h1>{title}</h1>
{body}
</body></html>
"""


def of_replay(found: Comparison, day: date | None = None) -> str:
    """Return the page of a replay. Raises ValueError for a day that is not among those with readings."""
    case, counted = found.case, found.case.counted
    index = _costliest(found) if day is None else day.toordinal() - case.days.first
    if index not in counted:
        raise ValueError(f"{day} is not among the days with readings: {comparing.period(case)}")
    shown = case.date(index)
    parts = [
        f"<h2>{shown:%A} {shown.day} {shown:%B %Y}</h2>",
        f"<p>{html.escape(_why(found, index, day is not None))}</p>",
        _drawn("The day: surplus, what was decided, and the best in hindsight", lambda t: _day(found, index, t)),
    ]
    if found.ideal and len(counted) > 1:
        parts += ["<h2>All days</h2>", _drawn("Value by day, beside hindsight", lambda theme: _days(found, theme))]
    parts.append(f"<pre>{html.escape(comparing.as_text(found))}</pre>")
    return page(_title("Replay", case), parts)


def _why(found: Comparison, index: int, asked: bool) -> str:
    done, ideal = found.replayed, found.ideal
    if ideal is None:
        what = f"{done.solar_wh[index] / 1000.0:.1f} kWh from the sun"
        return f"The day that was asked for: {what}." if asked else f"Shown as the day with most: {what}."
    lost = f"{ideal.gain[index] - done.gain[index]:.2f} of {ideal.gain[index]:.2f} {found.case.currency}"
    if asked:
        return f"The day that was asked for. Against hindsight {lost} were lost on it."
    return f"Shown because it is the day on which most was lost against hindsight: {lost}. --day shows another."


def of_tuning(found: tune.Tuning) -> str:
    """Return the page of a tuning."""
    parts = [
        _drawn("Value against starts: every rule tried, and the best for each number", lambda t: _frontier(found, t)),
        "<p>Each dot is a pair of thresholds and delays that was tried: how often it starts, and what a day with it is "
        "worth. None earns more with fewer starts than those on the line. Further up is more worth, further left is "
        "kinder to relay and car; where the line is nearly level, more starts gain little. Rules that are far worse "
        "lie below the picture.</p>",
        f"<pre>{html.escape(tune.as_text(found))}</pre>",
    ]
    return page(_title("Tuning", found.case), parts)


def _title(what: str, case: comparing.Study) -> str:
    return f"{what} of {case.config.charger.name}: {case.source}, {comparing.period(case)}"


def page(title: str, parts: list[str]) -> str:
    """Return a whole page."""
    return _PAGE.format(title=html.escape(title), body="\n".join(parts), light=LIGHT, dark=DARK)


def _drawn(label: str, draw: Callable[[Theme], Figure]) -> str:
    """Return a picture for both kinds of screens."""
    parts = []
    for name, theme in (("light", LIGHT), ("dark", DARK)):
        settings: Any = {
            "svg.fonttype": "none",
            "svg.hashsalt": label + name,
            "font.family": "sans-serif",
            "text.color": theme.ink,
            "axes.labelcolor": theme.ink,
            "axes.edgecolor": theme.faint,
            "axes.facecolor": "none",
            "axes.axisbelow": True,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "xtick.color": theme.ink,
            "ytick.color": theme.ink,
            "legend.frameon": False,
            "grid.color": theme.faint,
            "grid.linewidth": 0.6,
        }
        with mpl.rc_context(settings):
            figure = draw(theme)
            figure.patch.set_alpha(0.0)
            text = io.StringIO()
            figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
        svg = text.getvalue()
        svg = svg[svg.index("<svg") :].replace("<svg", f'<svg role="img" aria-label="{html.escape(label)}"', 1)
        parts.append(f'<div class="{name}">{svg}</div>')
    return "\n".join(parts)


def _costliest(found: Comparison) -> int:
    """Return the day on which the most was lost against hindsight, or else the one with the most charging."""
    done, ideal = found.replayed, found.ideal
    lost = [best - gain for best, gain in zip(ideal.gain, done.gain, strict=True)] if ideal else list(done.solar_wh)
    return max(found.case.counted, key=lambda day: (lost[day], -day))


def _levels(levels_w: list[float]) -> str:
    low_w, high_w = round(min(levels_w)), round(max(levels_w))
    return f"{low_w} W" if low_w == high_w else f"{low_w} to {high_w} W"


def _labels(case: comparing.Study, start_w: list[float], stop_w: list[float]) -> tuple[str, str]:
    """Return what the lines of the thresholds are, in both ways to see them where they differ."""
    starts, stops = ([w for w in levels if abs(w) < 1e6] for levels in (start_w, stop_w))
    surplus = _levels([case.draw_w - w for w in stops]) if stops else ""
    return (
        f"start: {_levels(starts)} export" if starts else "start: never",
        f"stop: {_levels(stops)} import = {surplus} surplus" if stops else "stop: at once",
    )


def _day(found: Comparison, index: int, theme: Theme) -> Figure:
    case = found.case
    ends_s = [case.readings.at_s[0], *case.days.ends_s, case.readings.end_s]
    begin_s, end_s = ends_s[index], ends_s[index + 1]
    at_s, hold_s = case.readings.at_s, case.readings.hold_s
    first, last = bisect_left(at_s, begin_s), bisect_left(at_s, end_s)
    every = max(1, (last - first) // MOST_POINTS)
    # Beyond a reading that holds no longer, the line breaks off.
    stale = [i for i in range(first, last) if i + 1 == len(at_s) or at_s[i] + hold_s[i] < at_s[i + 1] - 1e-3]
    held = sorted({*range(first, last, every), *stale})
    gaps = set(stale)
    when = [case.moment(s) for i in held for s in ([at_s[i], at_s[i] + hold_s[i]] if i in gaps else [at_s[i]])]

    def drawn(values: Callable[[int], float]) -> list[float]:
        return [w for i in held for w in ([values(i), float("nan")] if i in gaps else [values(i)])]

    surplus_w = drawn(lambda i: case.readings.surplus_w[i])
    start_w, stop_w = configured(case)
    several = len(start_w) > 1
    starts_w = [start_w[i if several else 0] for i in held]
    stops_w = [stop_w[i if several else 0] for i in held]

    figure = Figure(figsize=(10.5, 5.6), layout="constrained")
    panels: Any = figure.subplots(2, 1, sharex=True, height_ratios=[4, 1.3])
    above, below = panels
    above.fill_between(when, [max(0.0, w) for w in surplus_w], step="post", color=theme.sun, alpha=0.28, linewidth=0)
    above.step(when, surplus_w, where="post", color=theme.sun, linewidth=0.9, label="surplus")
    levels = (starts_w, [case.draw_w - w for w in stops_w])
    for label, values, style in zip(_labels(case, starts_w, stops_w), levels, ("--", ":"), strict=True):
        finite = [level if abs(level) < 1e6 else float("nan") for level in values]
        at = [case.moment(at_s[i]) for i in held]
        above.step(at, finite, where="post", color=theme.ink, linewidth=1.1, linestyle=style, label=label)
    above.axhline(case.draw_w, color=theme.run, linewidth=1.1, label=f"the charger's draw: {round(case.draw_w)} W")
    moves = found.replayed.moves
    for label, colour, alpha, spans in (
        ("held back: the session's cap is reached", theme.halt, 0.13, comparing.cap_held(case, moves)),
        ("held back: no start is left", theme.ideal, 0.4, comparing.budget_held(case, moves)),
    ):
        for since_s, until_s in spans:
            since, until = max(since_s, begin_s), min(until_s, end_s)
            if since < until:
                above.axvspan(
                    case.moment(since), case.moment(until), color=colour, alpha=alpha, linewidth=0, label=label
                )
                label = ""  # noqa: PLW2901  (once is enough in the legend)
    above.set_ylabel("W")
    above.grid(axis="y")
    above.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=3, fontsize="small")

    def lane(row: float, spans: list[tuple[float, float]], colour: str) -> None:
        for since_s, until_s in spans:
            since, until = max(since_s, begin_s), min(until_s, end_s)
            if since < until:
                left, right = case.moment(since), case.moment(until)
                below.barh(row, right - left, left=left, height=0.7, color=colour)

    def modes(mode: int) -> list[tuple[float, float]]:
        moves = [*found.replayed.moves, (case.readings.end_s, -1, 0)]
        return [(a[0], b[0]) for a, b in pairwise(moves) if a[1] == mode]

    lane(1, charging(found.replayed.moves, case.readings.end_s), theme.run)
    lane(1, modes(ARMING), theme.faint)
    lane(1, modes(LOCKED_OUT), theme.halt)
    if found.hindsight:
        lane(0, found.hindsight.runs, theme.ideal)
    below.set_yticks([0, 1], ["hindsight", "decided"])
    below.set_ylim(-0.5, 1.5)
    below.set_xlim(case.moment(begin_s), case.moment(end_s))
    below.tick_params(left=False)
    below.spines["left"].set_visible(False)
    below.xaxis.set_major_locator(HourLocator(byhour=range(0, 24, 2), tz=case.zone))
    below.xaxis.set_major_formatter(DateFormatter("%H:%M", tz=case.zone))
    below.set_xlabel("decided: charging; pale: waiting to start; red: locked out", fontsize="small")
    return figure


def _days(found: Comparison, theme: Theme) -> Figure:
    figure = Figure(figsize=(10.5, 3.2), layout="constrained")
    axes: Any = figure.subplots()
    counted = found.case.counted
    days = [found.case.date(day) for day in counted]
    if found.ideal:
        ideal = [found.ideal.gain[day] for day in counted]
        axes.bar(days, ideal, color=theme.ideal, alpha=0.35, width=0.9, label="hindsight")
    axes.bar(days, [found.replayed.gain[day] for day in counted], color=theme.run, width=0.6, label="decided")
    axes.set_ylabel(f"{found.case.currency} a day")
    axes.grid(axis="y")
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=2, fontsize="small")
    axes.margins(x=0.01)
    locator = AutoDateLocator(minticks=1)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    return figure


def _frontier(found: tune.Tuning, theme: Theme) -> Figure:
    figure = Figure(figsize=(10.5, 5.0), layout="constrained")
    axes: Any = figure.subplots()
    days = len(found.scores[0].worth)
    starts = [sum(score.starts) / days for score in found.scores]
    worth = [sum(score.worth) / days for score in found.scores]
    edge = tune.frontier(found)
    axes.plot(starts, worth, "o", color=theme.faint, markersize=3, label="tried")
    axes.plot(
        [starts[i] for i in edge], [worth[i] for i in edge], "o-", color=theme.run, markersize=4, label="frontier"
    )
    for index, name, colour in ((0, "as configured", theme.halt), (found.best, "best", theme.ideal)):
        axes.plot(starts[index], worth[index], "D", color=colour, markersize=8, label=name)
    axes.set_xlabel("starts a day")
    axes.set_ylabel(f"{found.unit} a day")
    axes.grid()
    axes.legend(loc="lower right", fontsize="small")
    # Rules that lose far more than doing nothing would squeeze the interesting ones into a corner.
    best = max(worth)
    axes.set_ylim(min(worth[0], 0.0) - 0.1 * abs(best), best + 0.1 * abs(best))
    return figure
