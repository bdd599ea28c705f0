"""Pictures of a replay and of a tuning: one self-contained HTML file each, light or dark as the reader's screen is.

Needs the ``report`` extra (matplotlib). Every picture is drawn twice, once for each kind of screen.
"""

from __future__ import annotations

import html
import io
from collections.abc import Callable
from datetime import date, timedelta
from itertools import pairwise
from typing import Any, NamedTuple

import matplotlib as mpl
from matplotlib.dates import DateFormatter, HourLocator
from matplotlib.figure import Figure

from surpluscharge.control.machine import ARMING, LOCKED_OUT
from surpluscharge.planning import tune
from surpluscharge.planning.comparing import Comparison, as_text, charging, configured

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
    """Return the page of a replay. Raises ValueError for a day that is not among the readings."""
    index = _costliest(found) if day is None else day.toordinal() - found.case.days.first
    if not 0 <= index <= len(found.case.days.ends_s):
        first, last = (date.fromordinal(found.case.days.first + i) for i in (0, len(found.case.days.ends_s)))
        raise ValueError(f"{day} is not among the readings, which go from {first} to {last}")
    shown = date.fromordinal(found.case.days.first + index)
    parts = [
        f"<h2>{shown:%A} {shown.day} {shown:%B %Y}</h2>",
        _drawn("The day: surplus, what was decided, and the best in hindsight", lambda t: _day(found, index, t)),
    ]
    if found.ideal and len(found.case.days.ends_s) > 1:
        parts += ["<h2>All days</h2>", _drawn("Value by day, beside hindsight", lambda theme: _days(found, theme))]
    parts.append(f"<pre>{html.escape(as_text(found))}</pre>")
    return page("Replay", parts)


def of_tuning(found: tune.Tuning) -> str:
    """Return the page of a tuning."""
    parts = [
        _drawn("Value against starts: every rule tried, and the best for each number", lambda t: _frontier(found, t)),
        f"<pre>{html.escape(tune.as_text(found))}</pre>",
    ]
    return page("Tuning", parts)


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
    done = found.replayed
    if found.ideal:
        lost = [ideal - gain for ideal, gain in zip(found.ideal.gain, done.gain, strict=True)]
    else:
        lost = list(done.solar_wh)
    return lost.index(max(lost))


def _day(found: Comparison, index: int, theme: Theme) -> Figure:
    case = found.case
    ends_s = [case.readings.at_s[0], *case.days.ends_s, case.readings.end_s]
    begin_s, end_s = ends_s[index], ends_s[index + 1]
    held = [i for i, at_s in enumerate(case.readings.at_s) if begin_s <= at_s < end_s]
    held = held[:: max(1, len(held) // MOST_POINTS)]
    when = [case.moment(case.readings.at_s[i]) for i in held]
    surplus_w = [case.readings.surplus_w[i] for i in held]
    start_w, stop_w = configured(case)

    figure = Figure(figsize=(10.5, 5.6), layout="constrained")
    panels: Any = figure.subplots(2, 1, sharex=True, height_ratios=[4, 1.3])
    above, below = panels
    above.fill_between(when, [max(0.0, w) for w in surplus_w], step="post", color=theme.sun, alpha=0.28, linewidth=0)
    above.step(when, surplus_w, where="post", color=theme.sun, linewidth=0.9, label="surplus")
    several = len(start_w) > 1
    for name, levels, style in (
        ("start", [start_w[i if several else 0] for i in held], "--"),
        ("stop", [case.draw_w - stop_w[i if several else 0] for i in held], ":"),
    ):
        finite = [level if abs(level) < 1e6 else float("nan") for level in levels]
        above.step(
            when, finite, where="post", color=theme.ink, linewidth=1.1, linestyle=style, label=f"{name} threshold"
        )
    above.axhline(case.draw_w, color=theme.run, linewidth=1.1, label="the charger's draw")
    above.set_ylabel("W")
    above.grid(axis="y")
    above.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=4, fontsize="small")

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
    first = date.fromordinal(found.case.days.first)
    days = [first + timedelta(days=i) for i in range(len(found.replayed.gain))]
    ideal = list(found.ideal.gain) if found.ideal else []
    axes.step(days, ideal, where="mid", color=theme.ideal, linewidth=1.2, label="hindsight")
    axes.bar(days, list(found.replayed.gain), color=theme.run, width=0.9, label="decided")
    axes.set_ylabel(f"{found.case.currency} a day")
    axes.grid(axis="y")
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=2, fontsize="small")
    axes.margins(x=0)
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
