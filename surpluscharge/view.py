"""One status document as a terminal shows it: what the daemon does and why, the surplus of late, and the hours ahead.

It knows what any dashboard knows, and nothing else: the documents on the status topic, one after the other
(:class:`Course`), and the time. What stands at the head, and what is told of powers and energies, may be given by
whoever knows more.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from operator import itemgetter
from typing import Any

from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.layout import Layout
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from surpluscharge.daemon.status import waits_for
from surpluscharge.words import duration, printable, watts

COLUMN_S = 120.0  # of time in one column of the chart, at the most: what is older moves out of it
COLUMNS_S = (10.0, 20.0, 30.0, 60.0, COLUMN_S)  # where the course is finer, the finest in which all of it fits
MARKS_S = (120.0, 300.0, 600.0, 1800.0)  # between two times below the chart
HELD_S = 120.0  # so long a document holds for what comes after it, until there is another
MOST_COLUMNS = 2000  # remembered: more than any terminal shows
WIDE, TALL, BESIDE = 140, 34, 58  # characters and lines from which on the figures stand beside the chart, so wide
MARGIN = 8  # before a chart, for what its lines stand for
BLOCKS = " ▁▂▃▄▅▆▇█"
AHEAD_S = 22 * 3600.0  # that at least is seen of the hours ahead
AHEAD_COLUMNS_S = (300.0, 600.0, 900.0, 1200.0, 1800.0, 3600.0)  # of time in one column of them
AHEAD_LINES, LEAST_LINES = 10, 5  # of their panel, on a tall terminal; and of the lowest panel at the least
SUN_ABOUT_COLUMNS = 15  # so long after the last surplus, a low terminal shows the hours ahead in its place

LABELS = {
    "idle": ("OFF", "grey62"),
    "arming": ("OFF, about to start", "yellow"),
    "charging": ("CHARGING", "bold green"),
    "disarming": ("CHARGING, about to stop", "bold dark_orange"),
    "locked-out": ("LOCKED OUT", "bold red"),
}
ENOUGH_STYLE, GO_ON_STYLE, SHORT_STYLE = "green", "yellow", "dark_orange3"
LEGEND = f"[{ENOUGH_STYLE}]enough to start[/], [{GO_ON_STYLE}]to go on[/], [{SHORT_STYLE}]too little[/]"

Status = Mapping[str, Any]  # a status document, as its JSON was read


@dataclass
class Span:
    """One column of the chart: the mean surplus, and whether the relay was mostly on (above zero)."""

    samples: int = 0
    surplus_w: float = 0.0
    on: int = 0


class Course:
    """What a row of status documents has shown. ``begun``: where the chart begins; default: with the first of them.

    ``draw_w``: what the lead draws, where that is known better than from the documents. ``span_s``: how finely it is
    remembered.
    """

    def __init__(self, begun: datetime | None = None, draw_w: float | None = None, span_s: float = COLUMN_S) -> None:
        self.begun = begun
        self.span_s = span_s
        self.status: Status = {}
        self.spans: dict[int, Span] = {}  # by their number, from the begin on
        self.happened: deque[tuple[datetime, str, str]] = deque(maxlen=60)  # when, state, why
        self._given_w = draw_w
        self._drew_w: float | None = None
        self._last: tuple[datetime, float, int] | None = None  # of the document before: when, surplus_w, on

    def take(self, status: Status) -> str | None:
        """Take in the next document. Returns the state before; None: it is the first."""
        before: str | None = self.status.get("state")
        self.status = status
        when = datetime.fromisoformat(status["time"])
        on = status["relay"]["commanded"] == "on"
        if self.begun is None:
            whole_min = 30 if self.span_s >= COLUMN_S else 2  # so that the times below the chart are round ones
            self.begun = when.replace(minute=when.minute // whole_min * whole_min, second=0, microsecond=0)
        if before != status["state"]:
            self.happened.append((when, status["state"], status["why"]))
        if on and (power_w := status.get("charger_power", {}).get("power_w")):
            self._drew_w = power_w
        if status["surplus_w"] is not None:
            number = self.number(when)
            if self._last and when - self._last[0] <= timedelta(seconds=HELD_S):
                for between in range(self.number(self._last[0]) + 1, number):
                    self.spans.setdefault(between, Span(1, self._last[1], self._last[2]))
            self._last = when, status["surplus_w"], 1 if on else -1
            span = self.spans.setdefault(number, Span())
            span.samples += 1
            span.surplus_w += (status["surplus_w"] - span.surplus_w) / span.samples
            span.on += 1 if on else -1
            while len(self.spans) > MOST_COLUMNS:
                del self.spans[min(self.spans)]
        else:
            self._last = None
        return before

    def number(self, when: datetime) -> int:
        """Return in which column of the chart a time lies."""
        return int((when - self.begun).total_seconds() // self.span_s) if self.begun else 0

    def columns(self, now: datetime, width: int) -> tuple[float, list[datetime], list[Span | None]]:
        """Return what a chart so wide shows up to now: the seconds in a column, when each begins, and what it holds.

        What is remembered finely is drawn as finely as all of it fits, and so soon fills a wide terminal.
        """
        assert self.begun is not None
        last = self.number(now)
        earliest = min(self.spans, default=last)
        steps = sorted({max(1, round(column_s / self.span_s)) for column_s in COLUMNS_S})
        step = next((step for step in steps if last // step - earliest // step < width), steps[-1])
        first = max(0 if step == 1 else earliest // step, last // step + 1 - width)
        shown = range(first, first + width)
        starts = [self.begun + timedelta(seconds=number * step * self.span_s) for number in shown]
        return step * self.span_s, starts, [self._together(number * step, step) for number in shown]

    def _together(self, first: int, many: int) -> Span | None:
        """Return one span for several, one after the other; None: nothing is known of them."""
        spans = [self.spans[number] for number in range(first, first + many) if number in self.spans]
        if not spans:
            return None
        on = sum(1 if span.on > 0 else -1 for span in spans)
        return Span(len(spans), sum(span.surplus_w for span in spans) / len(spans), on)

    def sun_about(self, now: datetime) -> bool:
        """Whether there was any surplus of late; before anything is known, too."""
        last = self.number(now)
        late = [self.spans[number] for number in range(last - SUN_ABOUT_COLUMNS, last + 1) if number in self.spans]
        return not late or any(span.surplus_w > 0.0 for span in late)

    @property
    def draw_w(self) -> float | None:
        """What the lead draws: as given, as learned, or as it last did; None: not known."""
        return self._given_w or self.status.get("learned_draw_w") or self._drew_w


def picture(
    course: Course,
    now: datetime,
    console: Console,
    *,
    head: RenderableType | None = None,
    powers: Table | None = None,
    energies: RenderableType | None = None,
    energies_title: str = "Today",
    full_w: float | None = None,
    said: str = "What the daemon does, in its own words",
) -> Layout:
    """Return the whole picture as it is now. It fits 24 lines of 80 characters; a wide terminal sees more beside it.

    Instead of what the documents say, ``head`` (two lines), ``powers`` (four or five) and ``energies`` (five);
    ``full_w``: the height of the chart; ``said``: what stands above the daemon's words.
    """
    width, height = console.size
    chart = _panel(
        Chart(course, now, full_w), "Surplus: what the sun leaves over after the house has taken its share", LEGEND
    )
    ahead = _ahead(course.status, now)
    powers = powers or _powers(course.status)
    flows = _panel(powers, "Power now")
    sums = _panel(energies or _energies(course.status), energies_title)
    view, body = Layout(), Layout()
    view.split_column(Layout(head or _head(course.status), size=2), body)

    def daemon(width: int) -> Layout:
        """Return what the daemon says, all of it: how many lines it takes depends on what it says."""
        room = height - 15 - LEAST_LINES - 2 if width == BESIDE else height - 9 - LEAST_LINES - 2
        # Where there is no room for all of it, the plan is seen and not told, and then faults are named only.
        for plan, faults in ((True, True), (False, True), (True, False), (False, False)):
            text = _daemon(course.status, now, plan=plan, faults=faults)
            lines = len(text.wrap(console, width - 4))
            if lines <= room:
                break
        return Layout(_panel(text, said), size=max(5, lines + 2))

    if width >= WIDE and height >= TALL:
        beside, right = Layout(size=BESIDE), Layout(chart)
        if ahead:
            right.split_column(Layout(chart), Layout(ahead, size=AHEAD_LINES + 2))
        body.split_row(beside, right)
        beside.split_column(
            daemon(BESIDE),
            Layout(flows, size=2 + max(4, powers.row_count)),
            Layout(sums, size=7),
            Layout(_panel(_happened(course, BESIDE - 4, console), "What happened, the newest first")),
        )
        return view
    figures = Layout(size=7)
    figures.split_row(flows, sums)
    if ahead and height >= TALL:
        body.split_column(daemon(width), figures, Layout(chart), Layout(ahead, size=AHEAD_LINES))
    else:
        body.split_column(daemon(width), figures, Layout(ahead if ahead and not course.sun_about(now) else chart))
    return view


def kwh(energy_wh: float) -> str:
    return f"{energy_wh / 1000:.2f} kWh"


def bar(power_w: float, full_w: float, width: int) -> str:
    """Return a bar of ``width`` characters where the power is full, or more."""
    eighths = round(min(1.0, power_w / full_w) * width * 8)
    return f"{'█' * (eighths // 8)}{' ▏▎▍▌▋▊▉'[eighths % 8]}".ljust(width)[:width]


def labelled(state: str) -> tuple[str, str]:
    return LABELS.get(state, (printable(state).upper(), "bold"))


def _happened(course: Course, width: int, console: Console) -> Text:
    text = Text()
    for when, state, why in reversed(course.happened):
        label, style = labelled(state)
        text.append(f"{when:%H:%M}  ", style="grey62")
        text.append(f"{label}\n", style=style)
        text.append("".join(f"       {line}\n" for line in Text(printable(why)).wrap(console, width - 7)))
    return text


def _panel(content: RenderableType, title: str, subtitle: str | None = None) -> Panel:
    return Panel(
        content, title=title, title_align="left", subtitle=subtitle, subtitle_align="right", border_style="grey50"
    )


def _head(status: Status) -> RenderableType:
    if not status:
        return Text("")
    text = Text(f" {printable(status['charger'])}", style="bold")
    text.append(f"  {datetime.fromisoformat(status['time']):%A %H:%M:%S}, {'' if status['enabled'] else 'not '}enabled")
    return text


def _daemon(status: Status, now: datetime, *, plan: bool, faults: bool) -> Text:
    if not status:
        return Text("It is starting.")
    passed_s = max(0.0, (now - datetime.fromisoformat(status["time"])).total_seconds())
    label, style = labelled(status["state"])
    stay_s = (now - datetime.fromisoformat(status["since"])).total_seconds()
    told = status["relay"]["commanded"]
    text = Text.assemble((label, style), f"   {status['state']} for {duration(stay_s)}; ")
    text.append(f"relay told {told}, {'confirmed' if status['relay']['confirmed'] else 'not confirmed yet'}")
    for fault in () if faults else status["faults"]:
        text.append(f"; {fault['severity']} {printable(fault['code'])}", style="bold red")
    text.append("\nWhy        ", style="grey62")
    text.append(printable(status["why"]))
    text.append("\nWaits for  ", style="grey62")
    text.append(printable(waits_for(status["waiting_for"] or "nothing", status.get("wait_s"), passed_s)))
    for fault in status["faults"] if faults else ():
        text.append("\nFault      ", style="grey62")
        text.append(f"{fault['severity']} {printable(fault['code'])}", style="bold red")
        text.append(f": {printable(fault['sentence'])} {printable(fault['remedy'])}")
    if plan and status.get("plan"):
        text.append("\nPlan       ", style="grey62")
        text.append(printable(status["plan"]["text"]))
    return text


def _ahead(status: Status, now: datetime) -> Panel | None:
    """Return the hours ahead; None: nothing may be charged by plan."""
    plan = status.get("plan")
    if not plan:
        return None
    legend = "[bold green]━[/] buys  [green]╌[/] perhaps"
    if plan["needed_by"]:
        by = datetime.fromisoformat(plan["needed_by"])
        legend += f"  [bold yellow]◆[/] {by:%H:%M}: {kwh(plan['lacks_wh'])} to come"
    return _panel(Ahead(status, now), "The hours ahead: what a kWh costs, and when the plan buys", legend)


def _powers(status: Status) -> Table:
    """Tell what flows, as far as the document knows."""
    rows: list[tuple[str, float | None, str, str]] = []
    if status:
        grid_w, charger = status["grid"]["power_w"], status["charger_power"]
        aside = "" if status["grid"]["fresh"] else "stale"
        way = ("red", "bought") if (grid_w or 0.0) > 0 else ("blue", "sent out")
        known = "measured" if charger["measured"] else "assumed" if charger["known"] else "not known"
        rows = [
            ("Car", charger["power_w"] if charger["known"] else None, "green", known),
            ("Grid", None if grid_w is None else abs(grid_w), way[0], aside or ("" if grid_w is None else way[1])),
            ("Surplus", status["surplus_w"], "yellow", ""),
        ]
        if battery := status.get("battery"):
            into_w = battery["power_w"]
            told = battery_words(into_w, battery["level_percent"])
            rows.append(("Battery", None if into_w is None else abs(into_w), "magenta", told))
    full_w = max([1000.0, *(abs(power_w) for _, power_w, _, _ in rows if power_w is not None)])
    table = Table.grid(padding=(0, 1))
    for name, power_w, style, remark in rows:
        told = "-" if power_w is None else f"{power_w / 1000:.2f} kW"
        table.add_row(name, told, Text(bar(max(0.0, power_w or 0.0), full_w, 9), style=style), Text(remark))
    return table


def battery_words(power_w: float | None, level_percent: float | None) -> str:
    """Say which way a house battery's power flows, positive while it is charged, and how full it is."""
    way = [] if power_w is None else ["out" if power_w < 0 else "in"]
    return ", ".join([*way, *([] if level_percent is None else [f"{level_percent:.0f} %"])])


def _energies(status: Status) -> Table:
    """Tell what today came to so far."""
    table = Table.grid(padding=(0, 1))
    table.add_column()
    table.add_column(justify="right")
    if status:
        today, budget = status["today"], status["budget"]
        table.add_row("Into the car", Text(kwh(today["energy_wh"]), style="bold green"))
        table.add_row("  from the sun", kwh(today["solar_wh"]))
        if status.get("battery"):
            table.add_row("  bought; battery", f"{today['grid_wh'] / 1000:.2f}; {kwh(today['battery_wh'])}")
        else:
            table.add_row("  bought of it", kwh(today["grid_wh"]))
        table.add_row("On for", duration(today["on_time_s"]))
        left = f"{budget['starts_left_hour']}, {budget['starts_left_day']}"
        table.add_row("Starts; left now, today", f"{today['starts']}; {left}")
    return table


def _seconds(written: str) -> float:
    """Return a document's time in seconds since 1970."""
    return datetime.fromisoformat(written).timestamp()


def _row(label: str, cells: Iterable[tuple[str, str]], end: str = "\n") -> Text:
    """Return a line of a chart: its label, and cells of (character, style).

    Those alike are one piece, for it is drawn eight times a second.
    """
    line = Text(f"{label:>{MARGIN - 1}} ", style="grey62", no_wrap=True, end=end)
    for style, alike in itertools.groupby(cells, itemgetter(1)):
        line.append("".join(character for character, _ in alike), style=style)
    return line


def _eighths(share: float) -> int:
    """Return how many eighths of a cell are filled."""
    return round(min(1.0, max(0.0, share)) * 8)


def _hours(starts: Sequence[datetime], every_s: float) -> Text:
    """Return the line below a chart: the time, where a column begins at a whole multiple of so many seconds."""
    hours = [" "] * (len(starts) + 5)
    for offset, at in enumerate(starts):
        if (at.hour * 3600 + at.minute * 60 + at.second) % every_s == 0 and offset + 5 <= len(starts):
            hours[offset : offset + 5] = f"{at:%H:%M}"
    return Text(" " * MARGIN + "".join(hours).rstrip(), style="grey62", no_wrap=True)


class Ahead:
    """The hours ahead: what a kWh costs in each, below it when the plan buys, and when the car is needed."""

    def __init__(self, status: Status, now: datetime) -> None:
        plan, self._now = status["plan"], now.astimezone(datetime.fromisoformat(status["time"]).tzinfo)
        self._by_s = _seconds(plan["needed_by"]) if plan["needed_by"] else math.inf
        self._turns = [(_seconds(one["begins"]), one["price"]) for one in plan.get("prices", ())]
        self._runs = [(_seconds(run["begins"]), _seconds(run["ends"]), run["sure"]) for run in plan["runs"]]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        rows, width = max(1, (options.height or AHEAD_LINES) - 2), options.max_width - MARGIN
        column_s = next((long_s for long_s in AHEAD_COLUMNS_S if long_s * width >= AHEAD_S), AHEAD_COLUMNS_S[-1])
        first_s = self._now.timestamp() // column_s * column_s
        starts_s = [first_s + number * column_s for number in range(width)]
        prices = [self._price(start_s + column_s / 2) for start_s in starts_s]
        known = [price for price in prices if price is not None]
        low, high = min([0.0, *known]), max(known, default=0.0)
        bought = [self._bought(start_s, column_s) for start_s in starts_s]

        def cell(price: float | None, how: str, row: int) -> tuple[str, str]:
            share = 0.0 if price is None else (price - low) / (high - low or 1.0)
            eighths = max(_eighths(share * rows - row), int(row == 0 and price is not None))
            if how == " ":
                return BLOCKS[eighths], "cyan" if (price or 0.0) < 0.0 else "grey50"
            return BLOCKS[eighths], "green" if how == "╌" else "bold green"

        for row in reversed(range(rows if known else 0)):
            label = f"{high:.2f}" if row == rows - 1 else f"{low:.2f}" if row == 0 else ""
            yield _row(label, [cell(price, how, row) for price, how in zip(prices, bought, strict=True)])
        yield _row(
            "buys",
            [
                ("◆", "bold yellow")
                if start_s <= self._by_s < start_s + column_s
                else (how, "bold green" if how == "━" else "green")
                for start_s, how in zip(starts_s, bought, strict=True)
            ],
        )
        every_s = next(hours * 3600 for hours in (1, 2, 3, 6, 12, 24) if hours * 3600 >= 8 * column_s or hours == 24)
        yield _hours([datetime.fromtimestamp(start_s, self._now.tzinfo) for start_s in starts_s], every_s)

    def _price(self, at_s: float) -> float | None:
        """Return what a kWh costs at a moment; None: that is not known."""
        return next((price for from_s, price in reversed(self._turns) if from_s <= at_s), None)

    def _bought(self, start_s: float, column_s: float) -> str:
        """Return the mark of a column: whether for the most part of it something is to be bought, surely or perhaps."""
        sums_s = {True: 0.0, False: 0.0}
        for begin_s, end_s, sure in self._runs:
            sums_s[sure] += max(0.0, min(end_s, start_s + column_s) - max(begin_s, start_s))
        return "━" if sums_s[True] > column_s / 2 else "╌" if sum(sums_s.values()) > column_s / 2 else " "


class Chart:
    """The last hours' surplus against the thresholds, and below it when the relay was on."""

    def __init__(self, course: Course, now: datetime, full_w: float | None = None) -> None:
        self._course, self._now, self._full_w = course, now, full_w

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        course, status = self._course, self._course.status
        if not status or course.begun is None:
            return
        start_w, stop_import_w = status["thresholds"]["start_export_w"], status["thresholds"]["stop_import_w"]
        start_w = math.inf if start_w is None else start_w
        # While charging, import above the stop threshold is the same as surplus below this.
        stop_w = math.inf if stop_import_w is None or course.draw_w is None else course.draw_w - stop_import_w
        rows = max(3, (options.height or 10) - 2)
        width = options.max_width - MARGIN
        column_s, starts, spans = course.columns(self._now, width)
        surpluses_w = [span.surplus_w if span else 0.0 for span in spans]
        full_w = self._full_w or _fitting_w([start_w, stop_w, *surpluses_w])
        for row in reversed(range(rows)):
            low_w, high_w = row * full_w / rows, (row + 1) * full_w / rows
            start_here, stop_here = low_w <= start_w < high_w, low_w <= stop_w < high_w
            label = (
                "start"
                if start_here and not stop_here
                else "stop"
                if stop_here and not start_here
                else "on/off"
                if start_here
                else watts(high_w)
                if row == rows - 1
                else ""
            )
            empty = ("┄" if start_here or stop_here else " "), "grey42"
            cells = []
            for surplus_w in surpluses_w:
                eighths = _eighths((surplus_w - low_w) / (high_w - low_w))
                style = ENOUGH_STYLE if surplus_w >= start_w else GO_ON_STYLE if surplus_w >= stop_w else SHORT_STYLE
                cells.append((BLOCKS[eighths], style) if eighths else empty)
            yield _row(label, cells, end="")
            yield Text("")
        yield _row("car on", [("━" if span and span.on > 0 else " ", "bold green") for span in spans])
        yield _hours(starts, next(every_s for every_s in MARKS_S if every_s >= 8 * column_s))


def _fitting_w(levels_w: list[float]) -> float:
    """Return a height that all of it fits under."""
    most_w = max((level_w for level_w in levels_w if math.isfinite(level_w)), default=0.0)
    return max(1000.0, 500.0 * math.ceil(1.1 * most_w / 500.0))
