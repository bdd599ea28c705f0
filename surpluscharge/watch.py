"""Chargers as a terminal shows them, by MQTT, from any machine: what their daemons do, why, and keys to tell them.

It knows what any dashboard knows, by the topics that the manual names, and may what any dashboard may. It needs no
configuration of a daemon's, only the broker and a base topic, or a pattern of them. Several may watch at once.

Times are the daemon's own: a clock that is wrong here moves nothing on the screen but how old a status is that the
broker had kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import os
import secrets
import signal
import sys
import termios
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import structlog
from aiomqtt import MqttError
from pydantic import ValidationError

from surpluscharge.clock import SystemClock
from surpluscharge.config import Config
from surpluscharge.control.supervisor import FAULT_BY_CODE
from surpluscharge.daemon.mqtt import Link, Post
from surpluscharge.daemon.status import StatusDocument
from surpluscharge.words import counted, duration, printable, to_install, watts

try:
    from rich.console import Console, Group, RenderableType
    from rich.live import Live
    from rich.table import Table
    from rich.text import Text

    from surpluscharge import view
except ModuleNotFoundError as error:
    if error.name is None or error.name.partition(".")[0] != "rich":
        raise
    _missing: str | None = error.name
else:
    _missing = None

SPAN_S = 10.0  # how finely the surplus is remembered
DRAWN_EVERY_S = 1.0  # at the least; what counts down changes once a second
SILENT_S, HEARTBEATS, HEARTBEAT_S = 30.0, 3, 30.0  # so many missed, of so long where the daemon does not say
TAKEN_WITHIN_S = 8.0  # what is asked for shows in the status, or was not taken
EXPIRES_S = 5.0  # by MQTT 5: an "on" that is late must not come at all
LINE_EVERY_S = 60.0  # in a row of lines, also where nothing has changed
MOST_CHARGERS = 40  # anybody may publish below a pattern
NOTICE_S = 15.0  # so long what came of a key stays to be read
MOST_KWH = 100.0
MOST_BYTES, MOST_LETTERS = 100_000, 4000  # of a status, of a text in it: drawn many times a second

# These are acknowledged by whoever is there (surpluscharge ack, on the daemon's computer).
AT_THE_SOCKET = frozenset(code for code, fault in FAULT_BY_CODE.items() if fault.on_site)


_now_s = SystemClock().now  # counts while the computer sleeps


class Charger:
    """One that is watched: what came from it, and when."""

    def __init__(self, own_topic: str) -> None:
        self.own_topic = own_topic
        self.course = view.Course(span_s=SPAN_S)
        self.word: str | None = None  # on its availability
        self.word_since: datetime | None = None  # None: since before this began
        self.unreadable = False
        self._said_s = 0.0  # when the last status was said

    @property
    def status(self) -> view.Status:
        return self.course.status

    @property
    def name(self) -> str:
        return printable(self.status.get("charger") or self.own_topic)

    def take(self, leaf: str, payload: bytes, retained: bool) -> bool:
        """Take in a message. Returns whether something is new that is worth a line."""
        if leaf == "availability":
            word = printable(payload.decode("utf-8", "replace"))[:20]
            if word == self.word:
                return False
            self.word, self.word_since = word, None if retained else datetime.now(UTC).astimezone()
            return True
        status = _read(payload)
        self.unreadable = status is None
        if status is None or (retained and status["time"] == self.status.get("time")):
            return status is None
        wall_s, said_s = time.time(), datetime.fromisoformat(status["time"]).timestamp()
        self._said_s = _now_s() - (max(0.0, wall_s - said_s) if retained else 0.0)
        before = _facts(self.status)
        self.course.take(status)
        return bool(before != _facts(status))

    @property
    def age_s(self) -> float:
        """How long ago the status was said."""
        return _now_s() - self._said_s

    def now(self) -> datetime:
        """Return the time as the daemon has it."""
        return datetime.fromisoformat(self.status["time"]) + timedelta(seconds=self.age_s)

    @property
    def trouble(self) -> str | None:
        """What makes the status not what it was, in a few words; None: nothing does."""
        if self.unreadable:
            return "its status is none that this version can read: have the same version here"
        if self.word in ("lost", "disconnected") or self.word is None:
            since = f" since {self.word_since:%H:%M:%S}" if self.word_since else ""
            if self.word == "lost":
                return f"THE DAEMON IS GONE, OR CUT OFF{since}. See that the relay is off"
            return f"the daemon {'was stopped' if self.word else 'has not said that it is there'}{since}"
        if self.status and self.age_s > max(SILENT_S, HEARTBEATS * (self.status.get("heartbeat_s") or HEARTBEAT_S)):
            return f"NO WORD for {duration(self.age_s)}: what is shown is old. See that the relay is off"
        return None

    @property
    def hears(self) -> bool:
        return self.word == "ready" and bool(self.status)


def _facts(status: view.Status) -> Any:
    """Return of a status what is worth a line when it changes."""
    return status and (
        status["state"],
        status["enabled"],
        [(fault["code"], fault["latched"]) for fault in status["faults"]],
    )


def _read(payload: bytes) -> view.Status | None:
    """Return a status document, without what a later version has beside what is known here. None: it is none."""
    if len(payload) > MOST_BYTES:
        return None
    try:
        document = json.loads(payload)
        for _ in range(2):
            try:
                read = StatusDocument.model_validate_json(json.dumps(document))
                return read.model_dump(mode="json") if _sound(read.model_dump()) else None
            except ValidationError as error:
                if any(details["type"] != "extra_forbidden" for details in error.errors()):
                    return None
                for details in error.errors():
                    part = document
                    for step in details["loc"][:-1]:
                        part = part[step]
                    del part[details["loc"][-1]]
    except (ValueError, KeyError, TypeError, RecursionError):
        pass
    return None


def _sound(value: Any) -> bool:
    """Say whether all that a document holds can be reckoned with and drawn: anybody may have written it."""
    match value:
        case dict():
            return all(map(_sound, value.values()))
        case list() | tuple():
            return all(map(_sound, value))
        case datetime():
            return value.tzinfo is not None and 1 < value.year < 9999
        case float():
            return math.isfinite(value)
        case str():
            return len(value) <= MOST_LETTERS
    return True


class Question(NamedTuple):
    """What somebody has to say yes to, or to give a number of, before anything is sent."""

    text: str
    answer: Callable[[str], None]  # what is done with y, or with the number
    number: bool = False


@dataclass
class Awaited:
    """What was sent, and what shows that it was taken."""

    charger: Charger
    what: str
    taken: Callable[[view.Status], bool]
    until_s: float


class Watch:
    """All that is watched, and what the keys do. It draws nothing and reads no terminal."""

    def __init__(self, config: Config, patterns: list[str]) -> None:
        """Raises ValueError or OSError where a secret or certificate cannot be read."""
        self.config = config
        self.chargers: dict[str, Charger] = {}
        self.shown: str | None = None  # the base topic of the one that is looked at; None: all of them
        self.question: Question | None = None
        self.typed = ""
        self.over = asyncio.Event()
        self.changed = asyncio.Event()
        self.lines: asyncio.Queue[str] = asyncio.Queue(maxsize=1000)
        self.reason = "no answer yet"  # why the broker is not there
        self.down_since: datetime | None = datetime.now(UTC).astimezone()
        self._begun: datetime | None = self.down_since  # until there was something to say of the broker
        self._several = len(patterns) > 1 or "+" in patterns[0]
        self._notice, self._notice_until_s = "", 0.0
        self._awaited: Awaited | None = None
        self._sending: set[asyncio.Task[None]] = set()
        for pattern in patterns:
            if "+" not in pattern:
                self.chargers[pattern] = Charger(pattern)
        self.shown = None if self._several else patterns[0]
        self.link = Link(
            f"watch-{secrets.token_hex(4)}",  # several may watch: of two with one name the broker closes the older
            config,
            structlog.wrap_logger(structlog.PrintLogger(), [self._note], wrapper_class=structlog.stdlib.BoundLogger),
            will=None,
            farewell=None,
            topics=[(f"{pattern}/{leaf}", 1) for pattern in patterns for leaf in ("availability", "status")],
            on_message=self._take,
            on_up=self._up,
            on_down=self._down,
        )

    async def run(self) -> None:
        await self.link.run()

    # --- what comes ---------------------------------------------------------------------------------------------------

    def _note(self, _logger: Any, _method: str, event: Any) -> Any:
        if event["event"] in ("connect_failed", "connection_lost"):
            self.reason = printable(str(event.get("reason") or "no answer"))
            if event["event"] == "connect_failed" and self.down_since == self._begun:
                self._begun = None
                self._line(f"THE BROKER IS NOT THERE ({self.reason}); it is tried again and again")
            self.changed.set()
        raise structlog.DropEvent

    def _up(self) -> None:
        if self.down_since:
            self._line(f"connected to the broker at {self.config.broker}")
        self.down_since = None
        if self.link.refused_topics:
            self.say(f"the broker does not let this user read {', '.join(self.link.refused_topics)}")
        self.changed.set()

    def _down(self) -> None:
        self.down_since = datetime.now(UTC).astimezone()
        self._line(f"THE BROKER IS GONE ({self.reason}); it is tried again and again")
        self.changed.set()

    def _take(self, topic: str, payload: bytes, retained: bool) -> None:
        own_topic, _, leaf = topic.rpartition("/")
        if own_topic not in self.chargers:
            if len(self.chargers) >= MOST_CHARGERS or not payload:
                return
            self.chargers[own_topic] = Charger(own_topic)
            self.chargers = dict(sorted(self.chargers.items()))
        charger = self.chargers[own_topic]
        new = charger.take(leaf, payload, retained)
        asked = self._awaited if leaf == "status" and charger.status else None
        if asked and asked.charger is charger and asked.taken(charger.status):
            self.say(f"{charger.name}: {asked.what}: taken")
            self._awaited = None
        if new:
            self.tell(charger)
        self.changed.set()

    def tell(self, charger: Charger) -> None:
        """Say in a line how a charger stands."""
        status, trouble = charger.status, charger.trouble
        if not status:
            if trouble:
                self._line(f"{charger.name}: {trouble}; nothing more is known of it")
            return
        faults = "".join(f"; {fault['severity']} {fault['code']}" for fault in status["faults"])
        drawn = status["charger_power"]
        self._line(
            f"{charger.name}: {trouble + '; last: ' if trouble else ''}{status['state']}"
            f"{'' if status['enabled'] else ', not enabled'}{faults}; car"
            f" {watts(drawn['power_w']) if drawn['known'] else 'not known'},"
            f" today {status['today']['energy_wh'] / 1000:.2f} kWh; {status['why']}"
        )

    def _line(self, text: str) -> None:
        with contextlib.suppress(asyncio.QueueFull):  # whoever reads them is stuck
            self.lines.put_nowait(f"{datetime.now(UTC).astimezone():%Y-%m-%d %H:%M:%S}  {printable(text)}")

    # --- what is told -------------------------------------------------------------------------------------------------

    @property
    def looked_at(self) -> Charger | None:
        if self.shown is None and len(self.chargers) == 1:
            return next(iter(self.chargers.values()))
        return self.chargers.get(self.shown) if self.shown else None

    def say(self, text: str) -> None:
        """Say what came of a key."""
        self._notice, self._notice_until_s = text, _now_s() + NOTICE_S

    @property
    def notice(self) -> str:
        """What came of a key, for as long as it is of interest."""
        if self._awaited and _now_s() > self._awaited.until_s:
            name = self._awaited.charger.name
            self.say(f"{name} HAS NOT TAKEN IT: see its log (message_refused), and the access list")
            self._awaited = None
        return self._notice if _now_s() < self._notice_until_s else ""

    def press(self, key: str) -> None:
        """Do what a key stands for."""
        self.changed.set()
        if self.question:
            self._answer(key)
        elif key in ("q", "\x03", "\x04"):
            self.over.set()
        elif key.isdecimal() and len(self.chargers) > 1:
            bases = [None, *self.chargers]
            if int(key) < len(bases):
                self.shown = bases[int(key)]
        elif key == "n" and len(self.chargers) > 1:
            bases = list(self.chargers)
            self.shown = bases[(bases.index(self.shown) + 1) % len(bases)] if self.shown in bases else bases[0]
        elif key in "edac" and (charger := self.looked_at):
            if self.down_since:
                self.say("the broker is gone: nothing can be sent")
            elif not charger.hears:
                self.say("the daemon is not there, and would not hear it")
            else:
                {"e": self._enable, "d": self._disable, "a": self._acknowledge, "c": self._charge}[key](charger)
        elif key in "edac":
            self.say("which one? Press its number first")

    def _answer(self, key: str) -> None:
        question = self.question
        assert question is not None
        if question.number and (key.isdecimal() or key in ".,"):
            self.typed = (self.typed + key.replace(",", "."))[:8]
        elif question.number and key in ("\x7f", "\b"):
            self.typed = self.typed[:-1]
        else:
            typed, self.question, self.typed = self.typed, None, ""
            if (key in "\r\n" and typed) if question.number else key == "y":
                question.answer(typed)
            elif key not in ("\x03", "\x04"):
                self.say("nothing was sent")
            else:
                self.over.set()

    def _enable(self, charger: Charger) -> None:
        if charger.status["enabled"]:
            self.say("it is enabled")
            return
        self.question = Question(
            "ENABLE? It charges whenever there is enough. y for yes:",
            lambda _: self._send(charger, "enable/set", "on", "enabling", lambda status: status["enabled"]),
        )

    def _disable(self, charger: Charger) -> None:
        # Not asked for twice: an off is never wrong.
        self._send(charger, "enable/set", "off", "disabling, off at once", lambda status: not status["enabled"])

    def _acknowledge(self, charger: Charger) -> None:
        latched = [fault["code"] for fault in charger.status["faults"] if fault["latched"]]
        here = [code for code in latched if code in FAULT_BY_CODE and code not in AT_THE_SOCKET]
        if not here:
            self.say(
                f"{' and '.join(latched)}: only by whoever stands at the socket (surpluscharge ack)"
                if latched
                else "nothing is waiting to be acknowledged"
            )
            return
        code = here[0]  # one by one: each has a cause of its own
        self.question = Question(
            f"Has somebody put right what caused {code}? y for yes:",
            lambda _: self._send(
                charger,
                "acknowledge/set",
                code,
                f"acknowledging {code}",
                lambda status: code not in [fault["code"] for fault in status["faults"] if fault["latched"]],
            ),
        )

    def _charge(self, charger: Charger) -> None:
        plan = charger.status.get("plan")
        if plan is None:
            self.say("planned.allow is false there: nothing is charged on request")
        elif not charger.status["enabled"]:
            self.say("charging is switched off: enable it first (e)")
        else:
            self.question = Question(
                "How many kWh, whatever the sun does? (0 takes it back) Enter:",
                lambda typed: self._charge_now(charger, typed),
                number=True,
            )

    def _charge_now(self, charger: Charger, typed: str) -> None:
        try:
            energy_kwh = float(typed)
        except ValueError:
            energy_kwh = -1.0
        if not 0.0 <= energy_kwh <= MOST_KWH:
            self.say(f"{typed}: it takes 0 to {MOST_KWH:g} kWh; nothing was sent")
            return

        def ask() -> None:
            wanted = json.dumps({"energy_wh": round(energy_kwh * 1000.0, 3)})
            self._send(
                charger,
                "plan/set",
                wanted,
                f"asking for {energy_kwh:g} kWh" if energy_kwh else "taking back what was asked for",
                lambda status: (status.get("plan") or {}).get("asked") == ("now" if energy_kwh else None),
            )

        if not energy_kwh:
            ask()
            return
        felt = charger.status["socket"]["temperature_c"] is not None
        caution = "" if felt else " Nothing feels the heat: feel the plug after an hour."
        self.question = Question(f"{energy_kwh:g} kWh now?{caution} y for yes:", lambda _: ask())

    def _send(self, charger: Charger, leaf: str, payload: str, what: str, taken: Callable[[view.Status], bool]) -> None:
        async def send() -> None:
            try:
                await self.link.publish(Post(f"{charger.own_topic}/{leaf}", payload, expiry_s=EXPIRES_S))
            except MqttError as error:
                self._awaited = None
                self.say(f"not sent: {printable(str(error))}")
            self.changed.set()

        self._awaited = Awaited(charger, what, taken, _now_s() + TAKEN_WITHIN_S)
        self.say(f"{charger.name}: {what} ...")
        task = asyncio.get_running_loop().create_task(send())
        self._sending.add(task)
        task.add_done_callback(self._sending.discard)


# --- showing it ------------------------------------------------------------------------------------------------------


def picture(watch: Watch, console: Console) -> RenderableType:
    """Return the whole picture as it is now."""
    charger, head = watch.looked_at, _head(watch, console.width)
    if charger is None:
        return Group(head, _all(watch, console.height - 2))
    trouble = watch.down_since is not None or charger.trouble is not None
    said = "What the daemon does, in its own words"
    if trouble and charger.status:
        said = f"What the daemon said last, {duration(charger.age_s)} ago"
    if not charger.status:
        return Group(head, Text(f"\n Nothing is on {charger.own_topic}/status yet."))
    return view.picture(charger.course, charger.now(), console, head=head, said=said)


def _head(watch: Watch, width: int) -> Group:
    """Return two lines: who and when, or what is wrong; and what can be pressed, or what came of it."""
    charger = watch.looked_at
    line = Text(no_wrap=True, overflow="ellipsis")
    if watch.down_since:
        away_s = (datetime.now(UTC) - watch.down_since).total_seconds()
        line.append(
            f" THE BROKER IS GONE since {watch.down_since:%H:%M:%S}, for {duration(away_s)} ({watch.reason})",
            style="bold white on red",
        )
    elif charger and charger.trouble:
        line.append(f" {charger.name}: {charger.trouble}", style="bold white on red")
    elif charger and charger.status:
        line.append(f" {charger.name}", style="bold")
        line.append(f"  {charger.now():%A %H:%M:%S}, {'' if charger.status['enabled'] else 'not '}enabled")
        if width >= 110:
            line.append(f"   by the broker at {watch.config.broker}", style="grey62")
    else:
        line.append(f" {counted(len(watch.chargers), 'charger')}", style="bold")
        line.append(f" by the broker at {watch.config.broker}")
    below = Text(no_wrap=True, overflow="ellipsis")
    if watch.question:
        below.append(f" {watch.question.text} ", style="bold black on yellow")
        below.append(f"{watch.typed}▁" if watch.question.number else "▁")
    elif notice := watch.notice:
        below.append(f" {notice}", style="bold")
    else:
        keys = [("e", "enable"), ("d", "disable"), ("a", "acknowledge"), ("c", "charge")] if charger else []
        if len(watch.chargers) > 1:
            keys += [("1-9", "one"), ("0", "all"), ("n", "next")]
        for key, what in [*keys, ("q", "end")]:
            below.append(f" {key}", style="bold cyan").append(f" {what} ", style="grey62")
    return Group(line, below)


def _all(watch: Watch, lines: int) -> Table:
    """Return a line for each charger, or more where there is room."""
    table = Table(expand=True, box=None, padding=(0, 1), header_style="grey62")
    table.add_column("")
    table.add_column("Charger", no_wrap=True)
    table.add_column("State", no_wrap=True)
    table.add_column("Car", justify="right", no_wrap=True)
    table.add_column("Surplus", justify="right", no_wrap=True)
    table.add_column("Today", justify="right", no_wrap=True)
    many = 3 * len(watch.chargers) > lines - 1
    table.add_column("Why", ratio=1, no_wrap=many, overflow="ellipsis" if many else "fold")
    room = lines - 1 if len(watch.chargers) <= lines - 1 else lines - 2
    for number, charger in enumerate(list(watch.chargers.values())[:room], 1):
        status, key = charger.status, str(number) if number < 10 else ""
        if not status:
            nothing = charger.trouble or "nothing is known of it yet"
            table.add_row(key, Text(charger.name), "", "", "", "", Text(nothing))
            continue
        label, style = view.labelled(status["state"])
        drawn, why = status["charger_power"], Text(printable(status["why"]))
        if charger.trouble:
            why, style = Text(charger.trouble, style="bold red"), "grey50"
        elif status["faults"]:
            why = Text(", ".join(printable(fault["code"]) for fault in status["faults"]), style="bold red")
        table.add_row(
            key,
            Text(charger.name),  # as text it would be taken for markup
            Text(label.partition(",")[0] if status["enabled"] else "not enabled", style=style),
            watts(drawn["power_w"]) if drawn["known"] else "-",
            "-" if status["surplus_w"] is None else watts(status["surplus_w"]),
            view.kwh(status["today"]["energy_wh"]),
            why,
        )
    if len(watch.chargers) > room:
        table.add_row("", f"and {len(watch.chargers) - room} more", "", "", "", "", "")
    return table


class Screen:
    """The terminal, as long as it is ours: another screen, and keys that come one by one. It is given back clean."""

    def __init__(self, watch: Watch, console: Console) -> None:
        self._watch, self._console = watch, console
        self._live: Live | None = None
        self._before: list[Any] | None = None
        self._keys = sys.stdin.fileno() if sys.stdin.isatty() else None

    def take(self) -> None:
        if self._keys is not None:
            self._before = termios.tcgetattr(self._keys)
            tty.setcbreak(self._keys)
            asyncio.get_running_loop().add_reader(self._keys, self._read)
        self._live = Live(console=self._console, screen=True, auto_refresh=False, redirect_stderr=False)
        self._live.start()
        self.draw()

    def give_back(self) -> None:
        if self._live:
            with contextlib.suppress(OSError, ValueError):  # nobody is there any more
                self._live.stop()
            self._live = None
        if self._keys is not None:
            asyncio.get_running_loop().remove_reader(self._keys)
            if self._before:
                with contextlib.suppress(OSError, termios.error):
                    termios.tcsetattr(self._keys, termios.TCSADRAIN, self._before)

    def draw(self) -> None:
        if self._live:
            self._live.update(picture(self._watch, self._console), refresh=True)

    def pause(self) -> None:
        """Stop, as Ctrl-Z asks for, with the terminal given back; and take it again when that is over."""
        self.give_back()
        os.kill(os.getpid(), signal.SIGSTOP)
        self.take()

    def _read(self) -> None:
        assert self._keys is not None
        try:
            typed = os.read(self._keys, 1024)
        except OSError:
            typed = b""
        if not typed:  # hung up
            self._watch.over.set()
        elif typed == b"\x1b" or not typed.startswith(b"\x1b"):  # not an arrow, nor whatever else begins so
            for key in typed.decode("utf-8", "ignore"):
                self._watch.press(key)


def run(config: Config, patterns: list[str], plain: bool = False) -> int:
    """Show what is watched until somebody has seen enough. Returns 0, or 128 and the signal's number.

    ``plain``: as lines, also on a terminal. Raises ValueError or OSError where a secret or certificate cannot be read,
    or where nobody reads the lines any more.
    """
    if _missing:
        print(
            f"This needs rich, which is not installed: {to_install('watch')}",
            file=sys.stderr,
        )
        return 1
    return asyncio.run(_run(config, patterns, plain))


async def _run(config: Config, patterns: list[str], plain: bool) -> int:
    watch, loop, ended_by = Watch(config, patterns), asyncio.get_running_loop(), 0

    def end(number: int) -> None:
        nonlocal ended_by
        ended_by = number
        watch.over.set()

    console = Console(highlight=False)
    plain = plain or not console.is_terminal
    if not plain:  # a row of lines has nothing to put in order, and may hang at a reader that has stopped
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            loop.add_signal_handler(number, end, number)
    listening = asyncio.create_task(watch.run())
    showing = asyncio.create_task(_print_lines(watch) if plain else _draw(watch, console))
    over = asyncio.create_task(watch.over.wait())
    try:
        await asyncio.wait({listening, showing, over}, return_when=asyncio.FIRST_COMPLETED)
        for ended in (showing, listening):
            if ended.done() and (error := ended.exception()):
                raise error
    finally:
        for task in (showing, over, listening):
            task.cancel()
        await asyncio.wait({showing, over, listening}, timeout=2.0)
    return 128 + ended_by if ended_by else 0


async def _draw(watch: Watch, console: Console) -> None:
    """Draw whatever is new, and what counts down once a second, until cancelled."""
    screen, loop = Screen(watch, console), asyncio.get_running_loop()
    loop.add_signal_handler(signal.SIGTSTP, screen.pause)
    loop.add_signal_handler(signal.SIGWINCH, watch.changed.set)
    screen.take()
    try:
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(DRAWN_EVERY_S):
                    await watch.changed.wait()
            watch.changed.clear()
            screen.draw()
            await asyncio.sleep(0.05)  # a flood of documents is drawn twenty times a second at the most
    except OSError:
        watch.over.set()  # the terminal is gone
    finally:
        screen.give_back()


async def _print_lines(watch: Watch) -> None:
    """Print a line for what changes, and now and then one for each charger, until cancelled."""
    troubled: dict[str, bool] = {}
    due_s = _now_s() + LINE_EVERY_S
    while True:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(1.0):
                print(await watch.lines.get(), flush=True)
                continue
        for own_topic, charger in watch.chargers.items():
            bad = charger.trouble is not None
            if troubled.setdefault(own_topic, bad) is not bad or (_now_s() >= due_s and not watch.down_since):
                troubled[own_topic] = bad
                watch.tell(charger)
        if _now_s() >= due_s:
            if watch.down_since:
                print(f"{datetime.now(UTC).astimezone():%Y-%m-%d %H:%M:%S}  THE BROKER IS GONE: {watch.reason}")
            due_s = _now_s() + LINE_EVERY_S


def wanted(topics: list[str]) -> Iterator[str]:
    """Yield the patterns of base topics. Raises ValueError."""
    for topic in topics:
        levels = topic.removesuffix("/").split("/")
        if not all(levels) or any(("+" in level and level != "+") or "#" in level for level in levels):
            raise ValueError(
                f"{topic}: a base topic is such as surpluscharge/carport; + stands for any one level of it"
            )
        if levels[0].startswith("$"):
            raise ValueError(f"{topic}: topics that begin with $ belong to the broker")
        yield "/".join(levels)
