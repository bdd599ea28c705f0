"""The real daemon from outside: `python -m tests.bench.blackbox [--minutes 60] [--worlds 4] [--seed 1]`.

Each world has a Mosquitto, a daemon as a process of its own, a plug that follows with a lag, and a meter whose grid
power depends on whether the plug is truly on (outside.py). A seeded script lets the sun charge the car for a few
seconds and then does something to it: every kind of death, silence, garbage, floods, retained messages, a hand on the
plug. An oracle that imports nothing of the package hears the broker, sees the plug, the processes and the clock, and
judges the invariants by their numbers (surpluscharge/control/machine.py; 7 to 12 are the shell's, see INVARIANTS).

    python -m tests.bench.blackbox --planted            # first: one bug for each, planted in a copy, must be found
    python -m tests.bench.blackbox --minutes 60         # then the clean run: no violation, exit status 0

Exit status 1 where there was a violation (or a planted bug that was not found); each is printed with its history. The
actions follow from the seed; how they meet does not, since processes and their scheduler have a part in it.

Times are as short as the configuration takes them, and budgets as high, so that an hour sees hundreds of charges. An
hour's budget, and a cooldown, would end a world's exposure: so a world lives for some minutes and is then begun anew,
with a new state directory and other settings. Budgets of a day that bind apart from those of an hour are therefore not
seen here (tests/test_machine.py has them).

Tolerances. SLACK_S: what is under way between two processes and a broker when something is decided, at most a few
milliseconds each, and one turn of the observer's loop. It is the daemon that is to be judged and not the machine's
load: the observer measures how late it is run itself (a timer of 20 ms), and for how long daemon and broker were ready
and had no processor; every bound is widened by the sum of that over the time judged. How much that was, and how many
judgements needed it, is printed. State is kept in memory (/dev/shm) where there is such a place: a disk shared with
others would be judged with it, and a kill -9 does not see the difference.
"""

from __future__ import annotations

import argparse
import asyncio
import collections
import contextlib
import itertools
import json
import math
import multiprocessing
import queue
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
import traceback
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, NamedTuple

from aiomqtt import Message

from tests.bench.outside import (
    ACKNOWLEDGE_SET,
    ASK_SET,
    AVAILABILITY,
    COMMAND,
    ENABLE,
    ENABLE_SET,
    GARBAGE,
    GRID,
    POWER,
    REPORT,
    STATUS,
    Broker,
    Daemon,
    Flood,
    History,
    House,
    Lag,
    Plug,
    Wire,
    now,
)

INVARIANTS = {
    0: "it runs, ends when asked with status 0, starts when nothing forbids it, and ends when import has held",
    1: "never on while disabled, locked-out, stopping or without a fresh reading; off at once",
    2: "minimum-on time",
    3: "minimum-off time",
    4: "start budget",
    5: "caps, of a session and of what is charged by plan",
    6: "off within fresh_s + 1 s of the last good reading",
    7: "told off without the daemon, or as soon as the broker is back",
    8: "on is never retained, and expires",
    9: "a latched fault survives restarts",
    10: "the ledger: nothing lost that was on record, nothing twice, what flowed",
    11: "confirmed is what the plug truly is",
    12: "announced disabled is on the disk",
    13: "on by the sun, or as somebody asked",
}

SLACK_S = 0.5  # in flight; see above
BUSY_S = 2.0  # of waiting for a processor, in eight seconds
AT_ONCE_S = 1.0  # off after a command, a kill (the broker sees the socket closed) or SIGTERM
KEEPALIVE_S = 5  # the shortest there is
# The broker may wait one and a half times the keepalive (MQTT 5.0, 3.1.2.10); Mosquitto looks every few seconds.
HANGING_S = 1.5 * KEEPALIVE_S + 6.0
# A lost connection is tried again after at most 4 s and some chance; an answer may take the time for a handshake.
BACK_S = 8.0
BATCH_S = 10.0  # the shortest there is
RATED_W = 1380.0  # 6 A x 230 V
FLOOD_RATE = 5000
PATIENCE_S = 60.0  # for an interpreter that starts on a busy machine
EPOCH_S, EPOCH_STARTS = 420.0, 55
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None


class Settings(NamedTuple):
    """What differs from epoch to epoch."""

    kind: str  # "plain", "budget", "time-cap", "energy-cap"
    reports: bool  # the plug reports its relay and its power
    pointer: bool
    protocol: str
    fresh_s: float
    start_delay_s: float
    stop_delay_s: float
    min_on_s: float
    min_off_s: float
    starts_per_hour: int
    time_cap_s: float
    energy_cap_wh: float
    rearm: str
    plug_lag_s: float
    plug_report_s: float
    planned_wh: float = 0.0  # that may be charged by plan; 0: nothing may

    def toml(self, port: int, folder: Path) -> str:
        rearm_at = (time.gmtime().tm_hour + 12) % 24  # far away: no session begins by the clock
        day = 96 if self.kind != "budget" else self.starts_per_hour
        text = f"""
[charger]
name = "bench"
current_a = 6
[mqtt]
host = "127.0.0.1"
port = {port}
keepalive_s = {KEEPALIVE_S}
protocol = "{self.protocol}"
[[meter]]
topic = "{GRID}"
fresh_s = {self.fresh_s}
{'pointer = "/net_w"' if self.pointer else ""}
[relay]
topic = "{COMMAND}"
confirm_within_s = 1.0
reassert_s = 5
[control]
start_export_w = {RATED_W}
start_delay_s = {self.start_delay_s}
stop_delay_s = {self.stop_delay_s}
min_on_s = {self.min_on_s}
min_off_s = {self.min_off_s}
starts_per_hour = {self.starts_per_hour}
starts_per_day = {day}
[session]
time_cap_s = {self.time_cap_s}
rearm = "{self.rearm}"
rearm_at = "{rearm_at:02}:00"
[site]
time_zone = "UTC"
[status]
heartbeat_s = 1
[log]
format = "json"
[store]
directory = "{folder / "state"}"
[history]
resolution_s = 1
batch_s = {BATCH_S}
"""
        if self.planned_wh:
            text += f"[planned]\nallow = true\nenergy_cap_wh = {self.planned_wh}\n"
        if math.isfinite(self.energy_cap_wh):
            text = text.replace("[session]", f"[session]\nenergy_cap_wh = {self.energy_cap_wh}")
        if self.reports:
            text += f'[relay.feedback]\ntopic = "{REPORT}"\n[relay.power]\ntopic = "{POWER}"\nfresh_s = 5\n'
        return text


def draw_settings(chance: random.Random, kind: str | None) -> Settings:
    kind = kind or chance.choices(("plain", "budget", "time-cap", "energy-cap"), (70, 10, 10, 10))[0]
    reports = chance.random() < 0.8
    return Settings(
        kind=kind,
        reports=reports,
        pointer=chance.random() < 0.5,
        protocol=chance.choice(("auto", "auto", "5", "3.1.1")),
        fresh_s=chance.choice((1.5, 2.5, 5.0)),
        start_delay_s=chance.choice((0.0, 0.3, 0.8)),
        stop_delay_s=chance.choice((0.3, 0.8)),
        min_on_s=chance.choice((1.5, 3.0, 5.0)),
        min_off_s=chance.choice((1.5, 2.5, 4.0)),
        starts_per_hour=chance.randint(3, 6) if kind == "budget" else 60,
        time_cap_s=60.0 if kind == "time-cap" else 21600.0,
        energy_cap_wh=chance.choice((8.0, 12.0)) if kind == "energy-cap" else math.inf,
        rearm=chance.choice(("daily", "manual")),
        plug_lag_s=chance.choice((0.05, 0.15, 0.3)),
        plug_report_s=chance.choice((0.02, 0.1)),
        planned_wh=chance.choice((0.0, 10.0, 500.0)),
    )


class Violation(NamedTuple):
    invariant: int
    what: str
    after_s: float  # since this world began
    text: str


class Tally:
    """What was seen, in numbers."""

    def __init__(self) -> None:
        self.charges = self.epochs = self.restarts = self.ledgers = self.heard = 0
        self.on_s = self.own_late_s = self.their_late_s = self.latest_s = 0.0
        self.offs: dict[str, list[float]] = collections.defaultdict(list)  # by kind, how long each took
        self.forgiven: collections.Counter[str] = collections.Counter()
        self.events: collections.Counter[str] = collections.Counter()
        self.faults: collections.Counter[str] = collections.Counter()
        self.stalls: collections.Counter[str] = collections.Counter()
        self.violations: list[Violation] = []

    def add(self, other: Tally) -> None:
        for name in ("charges", "epochs", "restarts", "ledgers", "heard", "on_s", "own_late_s", "their_late_s"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.latest_s = max(self.latest_s, other.latest_s)
        for kind, took in other.offs.items():
            self.offs[kind] += took
        for name in ("forgiven", "events", "faults", "stalls"):
            getattr(self, name).update(getattr(other, name))
        self.violations += other.violations


# --- the oracle ------------------------------------------------------------------------------------------------------


class Oracle:
    """Judges one epoch by what can be seen from outside. Times are time.monotonic()."""

    def __init__(self, settings: Settings, plug: Plug, house: House, lag: Lag, history: History, tally: Tally) -> None:
        self.settings, self.plug, self.house = settings, plug, house
        self.lag, self.history, self.tally = lag, history, tally
        self.on_violation: Callable[[int, str], None] = lambda *_: None
        self.on = False  # the last command on the wire
        self.blind = False  # commands may have been missed since
        self.on_since_s = self.off_since_s = self.last_off_s = -math.inf
        self.starts_s: list[float] = []
        self.disabled_s = now()  # since when it is certainly disabled: an empty state directory is
        self.stopping_s = math.inf  # since SIGTERM
        self.entitled_s = -math.inf  # when something last gave reason to end a charge before its time
        self.disturbed_until_s = math.inf  # deaths and what follows them: the daemon cannot keep its caps
        self.locks: dict[str, tuple[float, float]] = {}  # by fault: heard when, and locked out until when
        self.session_since_s = now()
        self.cap_judged = False
        self.status: dict[str, Any] = {}
        self.status_s = self.available_s = -math.inf
        self.enabled: str | None = None  # as it was last announced
        self.enabled_s = -math.inf
        self.wrong_since_s = math.inf  # confirmed is not what the plug is
        self.unknown: list[tuple[float, float]] = []  # when the ledger need not know, or may be mistaken
        self._shown: Any = None
        self.sunny_s = -math.inf  # when the sun last shone
        self.asked: list[list[float]] = []  # from when until when something was asked for
        self.by_plan_judged = False

    def ask(self) -> None:
        self.asked.append([now(), math.inf])

    def asked_over(self, slack_s: float = 0.0) -> None:
        """What was asked for is over, or taken back."""
        for span in self.asked:
            span[1] = min(span[1], now() + slack_s)

    def asked_s(self, since_s: float, until_s: float) -> float:
        """Return for how long it was on between two times while something was asked for."""
        return sum(
            self.plug.on_s(max(since_s, begin_s), min(until_s, end_s))
            for begin_s, end_s in self.asked
            if begin_s < until_s and end_s > since_s
        )

    def violated(self, invariant: int, what: str) -> None:
        self.history.note(f"*** violation of {invariant}: {what}")
        self.on_violation(invariant, what)

    def late_s(self, since_s: float, at_s: float) -> float:
        """Return by how much a bound is widened that was judged between two times; of a long time, its end counts."""
        return self.lag.between(max(since_s, at_s - 3.0), at_s)

    def period_late_s(self, since_s: float, at_s: float) -> float:
        """Return the same of a period that is judged by the commands heard: the first may have come late, too."""
        return self.lag.between(since_s - 1.0, since_s + 0.1) + self.lag.between(at_s - 0.2, at_s)

    def entitle(self, _why: str) -> None:
        self.entitled_s = now()

    def says_disabled(self, since_s: float) -> bool:
        """Say whether it has said since then that it is disabled, on its own topic or in its status."""
        said = self.enabled == "false" and self.enabled_s >= since_s
        return said or (self.status_s >= since_s and self.status.get("enabled") is False)

    def rearmed(self) -> None:
        if self.settings.rearm == "manual":
            self.session_since_s, self.cap_judged = now(), False

    # --- what is heard ---

    def hear(self, message: Message) -> None:
        at_s, topic = now(), str(message.topic)
        payload = bytes(message.payload) if isinstance(message.payload, bytes | bytearray) else b""
        self.tally.heard += 1
        if topic == COMMAND:
            expiry = getattr(message.properties, "MessageExpiryInterval", None)
            self._command(at_s, payload.decode(), bool(message.retain), expiry)
        elif topic == ENABLE:
            self._enabled(at_s, payload.decode())
        elif topic == AVAILABILITY:
            self.history.note(f"availability: {payload.decode()}")
            if payload == b"ready":
                self.available_s = at_s
        elif topic == STATUS:
            self._document(at_s, json.loads(payload))

    def heard_again(self) -> None:
        """The observer is back at a broker that was away: what was said meanwhile it has not heard."""
        if self.blind:
            self.blind, self.on = False, False

    def _command(self, at_s: float, word: str, retained: bool, expiry_s: int | None) -> None:
        self.history.note(f"command: {word}{' (retained)' if retained else ''}")
        if retained:
            self.violated(8, f"{word} was published as a retained message")
        if word == "off":
            self._off(at_s)
            return
        if self.settings.protocol != "3.1.1" and expiry_s is None:
            self.violated(8, "on has no expiry, though the protocol knows one")
        slack_s = SLACK_S + self.late_s(-math.inf, at_s)
        if at_s > self.disabled_s + slack_s:
            self.violated(1, f"on, {at_s - self.disabled_s:.2f} s after it was disabled")
        if at_s > self.stopping_s + slack_s:
            self.violated(1, f"on, {at_s - self.stopping_s:.2f} s after SIGTERM")
        age_s = at_s - self.house.last_good_s
        # What it had no processor for since then it took for later than it was, and so for fresh for longer.
        # Up to a second it may have been under way, which invariant 6 grants.
        if age_s > self.settings.fresh_s + 1.0 + self.lag.between(self.house.last_good_s, at_s):
            self.violated(1, f"on, and the last good reading is {age_s:.2f} s old")
        for code, (since_s, until_s) in self.locks.items():
            if since_s + slack_s < at_s < until_s - slack_s:
                latched = math.isinf(until_s)
                self.violated(9 if latched else 1, f"on, locked out by {code}{', latched' if latched else ''}")
        asked_until_s = max((end_s for _, end_s in self.asked), default=-math.inf)
        if at_s > max(self.sunny_s + self.settings.fresh_s, asked_until_s) + slack_s + 1.0:
            self.violated(13, f"on, {at_s - self.sunny_s:.2f} s after the sun, and nothing was asked for")
        if not self.on:
            self._start(at_s)

    def _start(self, at_s: float) -> None:
        self.on, self.on_since_s = True, at_s
        self.tally.charges += 1
        truly_off_s = self.plug.moves[-1].at_s - (0.0 if self.settings.reports else self.plug.lag_s)
        off_s = max(self.off_since_s, -math.inf if self.plug.on else truly_off_s)
        pause_s = at_s - off_s
        if pause_s < self.settings.min_off_s - 0.1 - self.period_late_s(off_s, at_s):
            self.violated(3, f"on, {pause_s:.2f} s after it was off ({self.settings.min_off_s} s are the least)")
        self.starts_s.append(at_s)
        hour = sum(start_s > at_s - 3600 for start_s in self.starts_s)
        if hour > self.settings.starts_per_hour:
            self.violated(4, f"the {hour}th start within an hour ({self.settings.starts_per_hour} are the most)")
        self._judge_caps(at_s)

    def _off(self, at_s: float) -> None:
        if self.on:
            lasted_s = at_s - self.on_since_s
            least_s = self.settings.min_on_s - 0.1 - self.period_late_s(self.on_since_s, at_s)
            if lasted_s < least_s and self.lag.between(at_s - 8.0, at_s) > BUSY_S:
                # It may call itself late, and its word on that may come after the off.
                self.tally.forgiven["minimum-on time: the machine was too busy"] += 1
            elif lasted_s < least_s and self.entitled_s < self.on_since_s - SLACK_S:
                self.violated(
                    2, f"off after {lasted_s:.2f} s ({self.settings.min_on_s} s are the least), without cause"
                )
            self.off_since_s = at_s
            self.tally.on_s += lasted_s
        self.on, self.last_off_s = False, at_s

    def _enabled(self, at_s: float, word: str) -> None:
        self.history.note(f"enable: {word}")
        self.enabled, self.enabled_s = word, at_s
        if word == "true" and at_s > self.disabled_s + SLACK_S + self.late_s(-math.inf, at_s):
            self.violated(12, f"announced as enabled {at_s - self.disabled_s:.2f} s after it was disabled for good")

    def _document(self, at_s: float, document: dict[str, Any]) -> None:
        self.status, self.status_s = document, at_s
        relay, faults = document["relay"], document["faults"]
        codes = sorted(fault["code"] for fault in faults)
        shown = (document["state"], document["enabled"], relay, codes)
        if shown != self._shown:
            news = {fault["code"] for fault in faults} - set(self._shown[3] if self._shown else ())
            self.tally.faults.update(news)
            self._shown = shown
            self.history.note(
                f"status: {document['state']}, enabled {document['enabled']}, told {relay['commanded']}, reported "
                f"{relay['reported']}, confirmed {relay['confirmed']}, faults {codes}"
            )
        session, least_wh = document["session"], 3 * self.plug.draw_w / 3600
        if session["time_left_s"] < 3 or (session["energy_left_wh"] or math.inf) < least_wh:
            self.entitled_s = at_s  # a kill counts against the caps for as long as nobody knows
        on_allowed = document["state"] in ("charging", "disarming") and document["enabled"]
        if relay["commanded"] == "on" and not on_allowed:
            self.violated(1, f"says that the relay is told on in state {document['state']}")
        for fault in faults:
            if fault["latched"]:
                self.locks.setdefault(fault["code"], (at_s, math.inf))
            elif fault["severity"] == "trip" and fault["cooldown_left_s"] > 1:
                since_s = self.locks.get(fault["code"], (at_s, 0.0))[0]
                self.locks[fault["code"]] = since_s, at_s + fault["cooldown_left_s"]
        if "daemon-late" in codes:
            self.tally.forgiven["minimum-on time: the machine was too busy"] += self.on
            self.provocations |= {"daemon-late"}
        if faults and any(fault["severity"] in ("trip", "end") for fault in faults):
            self.entitled_s = at_s if any(self.provoked(fault["code"]) for fault in faults) else self.entitled_s
        wrong = relay["confirmed"] and (relay["commanded"] == "on") is not self.plug.on and self.settings.reports
        if not wrong or at_s < self.disturbed_until_s:
            self.wrong_since_s = math.inf
        else:
            self.wrong_since_s = min(self.wrong_since_s, at_s)
            # One status a second: with two in a row it is no matter of a report under way.
            if at_s > self.wrong_since_s + 1.5 + self.late_s(self.wrong_since_s, at_s) and self.plug.wire.up:
                self.violated(11, f"says {relay['commanded']}, confirmed; the plug is the other way, and says so")

    provocations: frozenset[str] = frozenset()

    def provoked(self, code: str) -> bool:
        return code in self.provocations

    # --- what is judged all the time ---

    async def watch(self) -> None:
        while True:
            await asyncio.sleep(0.05)
            at_s = now()
            if self.house.surplus_w > 0.0:
                self.sunny_s = at_s
            if at_s - self.house.last_good_s > self.settings.fresh_s - SLACK_S - self.late_s(-math.inf, at_s):
                self.entitled_s = at_s  # the meter was silent, or this process was not run for as long
            if self.settings.fresh_s - 0.3 < at_s - self.house.last_good_s < math.inf:
                self.unknown.append((self.house.last_good_s, at_s + 0.5))
            if self.on and at_s > self.disturbed_until_s:
                self._judge_caps(at_s)

    def _judge_caps(self, at_s: float) -> None:
        on_s = self.plug.on_s(self.session_since_s, at_s) - self.asked_s(self.session_since_s, at_s)
        on_wh = on_s * self.plug.draw_w / 3600
        slack_s = 1.0 + self.plug.lag_s + self.plug.report_s + self.late_s(-math.inf, at_s)
        settings = self.settings
        cap_s = min(settings.time_cap_s, settings.energy_cap_wh * 3600 / self.plug.draw_w)
        if on_s > cap_s - 3.0:
            self.entitled_s = at_s
        if on_s > cap_s + slack_s and not self.cap_judged:
            self.cap_judged = True
            self.violated(5, f"on after {on_s:.1f} s and {on_wh:.2f} Wh of this session (cap: {cap_s:.1f} s)")

        # What is charged without sun, long after it, was asked for, and comes to its own cap.
        by_plan_wh = self.asked_s(-math.inf, at_s) * self.plug.draw_w / 3600
        dark_s = settings.stop_delay_s + settings.min_on_s + settings.fresh_s + slack_s
        if by_plan_wh > settings.planned_wh - 3.0 * self.plug.draw_w / 3600:
            self.entitled_s = at_s
        most_wh = settings.planned_wh + (settings.min_on_s + slack_s) * self.plug.draw_w / 3600
        if by_plan_wh > most_wh and at_s > self.sunny_s + dark_s and not self.by_plan_judged:
            self.by_plan_judged = True
            self.violated(5, f"on after {by_plan_wh:.2f} Wh by plan (cap: {settings.planned_wh} Wh)")

    async def off_within(
        self, kind: str, invariant: int, since_s: float, bound_s: float, even_off: bool = False
    ) -> None:
        """Judge that the relay is told off in time; nothing to judge where it was not told on."""
        if not self.on and not even_off:
            return
        allowed_s = math.inf  # once it is past
        while True:
            at_s = now()
            told = [off_s for off_s in (self.last_off_s, self.plug.told_off_s) if off_s >= since_s - 0.02]
            took_s = max(0.0, min(told) - since_s) if told else at_s - since_s
            if took_s > bound_s and allowed_s == math.inf:
                late_s = self.lag.between(since_s, at_s)
                allowed_s = bound_s + late_s if took_s > bound_s + late_s else math.inf
            if told and allowed_s == math.inf:
                self.tally.offs[kind].append(took_s)
                if took_s > bound_s:
                    self.tally.forgiven[f"{kind}: off"] += 1
                return
            if told or took_s > bound_s + 20.0:
                late = f"{bound_s:.1f} s, and {allowed_s - bound_s:.2f} s that this machine was late"
                came = f"told off after {took_s:.2f} s" if told else f"not told off within {took_s:.0f} s"
                self.violated(invariant, f"{kind}: {came} (allowed: {late})")
                return
            await asyncio.sleep(0.01)


# --- the script ------------------------------------------------------------------------------------------------------


class Stalled(Exception):  # noqa: N818
    """The epoch cannot go on, for a reason that is no violation by itself."""


class World:
    """One broker, daemon, plug and meter after another, and what is done to them."""

    def __init__(
        self,
        number: int,
        seed: int,
        package: Path,
        report: Callable[[Violation], None],
        focus: tuple[str, ...] = (),
        without: str = "",
        **fixed: Any,
    ) -> None:
        """``focus``: what alone is done; ``without``: what is not, by a part of its name; ``fixed``: settings."""
        self.number, self.package, self.report = number, package, report
        self.focus, self.fixed = focus, fixed
        self.actions = [one for one in ACTIONS if not without or without not in one[0]]
        self.epoch_s = 60.0 if focus else EPOCH_S
        self.seed, self.chance = seed, random.Random(f"{seed} {number}")
        self.tally, self.began_s = Tally(), now()
        self.over_s = math.inf

    async def live(self, seconds: float) -> None:
        """Live through epochs until the time is over; the last one may be cut short, and is judged all the same."""
        self.over_s = now() + seconds
        while now() < self.over_s - 20.0:
            with contextlib.suppress(Stalled):
                await self._epoch()
            self.tally.epochs += 1

    async def _epoch(self) -> None:
        chance = self.chance
        settings = draw_settings(chance, self.fixed.get("kind"))._replace(**self.fixed)
        with tempfile.TemporaryDirectory(dir=MEMORY, prefix="blackbox-") as name:
            epoch = Epoch(self, settings, Path(name), chance.randrange(1 << 30))
            await epoch.run()


class Epoch:
    def __init__(self, world: World, settings: Settings, folder: Path, seed: int) -> None:
        self.world, self.settings, self.folder = world, settings, folder
        self.chance, self.tally = random.Random(seed), world.tally
        self.lag, self.history = Lag(self._pids), History()
        self.broker = Broker(folder)
        port = self.broker.port
        draw_w = RATED_W + (20.0 if settings.reports else 0.0)  # what is not measured can only be assumed
        self.plug = Plug(port, draw_w, settings.plug_lag_s, settings.plug_report_s, settings.reports, self.history.note)
        self.house = House(port, self.plug, seed, settings.pointer)
        self.oracle = Oracle(settings, self.plug, self.house, self.lag, self.history, self.tally)
        self.oracle.on_violation = self._violated
        topics = [COMMAND, ENABLE, STATUS, AVAILABILITY]
        self.ear = Wire(port, "ear", topics, self.oracle.hear, self.oracle.heard_again)
        self.config = folder / "bench.toml"
        self.config.write_text(settings.toml(port, folder), encoding="utf-8")
        self.daemon: Daemon | None = None
        self.killed = 0
        self.troubles = 0
        self.unknown = self.oracle.unknown
        self.on_record: dict[int, tuple[int, ...]] = {}
        self.broken = False  # a violation was found: what follows from it is no other one
        self.history.note(f"epoch: {settings}")

    def _pids(self) -> list[int]:
        processes = (self.daemon and self.daemon.process, self.broker.process)
        return [process.pid for process in processes if process]

    def _violated(self, invariant: int, what: str) -> None:
        if self.broken and not self.world.focus:
            return
        self.broken = True
        log = self.daemon.log.read_text(encoding="utf-8").splitlines()[-25:] if self.daemon else []
        text = (
            self.history.text()
            + "\n    --- the daemon's own last words\n"
            + "\n".join(f"    {one[:400]}" for one in log)
        )
        violation = Violation(invariant, what, now() - self.world.began_s, text)
        self.tally.violations.append(violation)
        self.world.report(violation)

    # --- one life ---

    async def run(self) -> None:
        await self.broker.start()
        tasks = [asyncio.create_task(one.run()) for one in (self.lag, self.plug, self.house, self.ear)] + [
            asyncio.create_task(self.oracle.watch())
        ]
        try:
            await self._until(lambda: self.ear.up and self.plug.wire.up and self.house.wire.up, 10.0, "clients")
            await self._begin()
            await self._enable()
            began_s = now()
            going = True
            ends_s = min(self.world.over_s - 15.0, began_s + self.world.epoch_s)
            if self.world.focus and set(self.world.focus) <= set(FINALES):
                ends_s = began_s
            while going and not self.broken and now() < ends_s:
                going = await self._cycle()
            if not self.broken:
                await self._finale(going)
            if not self.broken:
                await self._close_books()
        finally:
            if self.daemon:
                self.daemon.kill()
            self.broker.kill()
            while pending := [task for task in tasks if not task.done()]:
                for task in pending:
                    task.cancel()  # again: libraries that use asyncio.wait_for may swallow a cancellation
                await asyncio.wait(pending, timeout=2.0)
            outcomes = [None if task.cancelled() else task.exception() for task in tasks]
            self.tally.own_late_s += self.lag.own_s
            self.tally.their_late_s += self.lag.theirs_s
            self.tally.latest_s = max(self.tally.latest_s, self.lag.worst_s)
            for outcome in outcomes:
                if outcome is not None:
                    raise outcome

    async def _cycle(self) -> bool:
        """Let it charge, then do something. Say whether to go on."""
        self.house.surplus_w = self.house.SUN_W
        oracle, kind = self.oracle, self.settings.kind
        spent = len(oracle.starts_s) >= min(self.settings.starts_per_hour, EPOCH_STARTS)
        if spent or not await self._sees(lambda: oracle.on, 15.0 + self.settings.min_off_s):
            if not spent and not self._capped():
                self._stalled("no start")
            return False
        long = kind in ("time-cap", "energy-cap")
        await asyncio.sleep(self.chance.uniform(3.0, 9.0) if long else self.chance.choice((0.2, 1.0, 2.0, 4.0)))
        if self._capped():
            return False
        names, weights, _ = zip(*self.world.actions, strict=True)
        name = self.chance.choice(self.world.focus) if self.world.focus else self.chance.choices(names, weights)[0]
        action = next(action for other, _, action in ACTIONS if other == name)
        needless = name.startswith("asked") and not self.settings.planned_wh
        if needless or (name in NEEDS_REPORTS and not self.settings.reports):
            name, action = "shade", Epoch.shade
        self.tally.events[name] += 1
        self.history.note(f"--- {name}")
        await action(self)
        return not self.oracle.locks or all(until_s < now() for _, until_s in self.oracle.locks.values())

    def _capped(self) -> bool:
        session = self.oracle.status.get("session", {})
        return session.get("time_left_s", 1.0) <= 0 or session.get("energy_left_wh") == 0

    def _stalled(self, what: str) -> None:
        why = self.oracle.status.get("why", "no status")
        codes = [fault["code"] for fault in self.oracle.status.get("faults", ())]
        self.history.note(f"stalled: {what}: {why} {codes}")
        self.tally.stalls[f"{what}: {' '.join(codes) or why[:70]}"] += 1

    # --- help for the actions ---

    async def _sees(self, condition: Callable[[], object], within_s: float) -> bool:
        deadline_s = now() + within_s
        while not condition():
            if now() > deadline_s:
                return False
            if self.daemon and self.daemon.ended and self.oracle.stopping_s == math.inf:
                self.oracle.violated(0, f"the daemon ended by itself, with {self.daemon.process.returncode}")
                raise Stalled
            await asyncio.sleep(0.01)
        return True

    async def _until(self, condition: Callable[[], object], within_s: float, what: str) -> None:
        if not await self._sees(condition, within_s):
            self._stalled(what)
            raise Stalled(what)

    async def _begin(self) -> None:
        """Start the daemon, and wait until it is there and the relay is off."""
        oracle = self.oracle
        self.daemon = Daemon(self.config, self.folder / "daemon.log", self.world.package)
        began_s = self.daemon.began_s
        oracle.stopping_s = math.inf
        self.history.note("daemon started")
        self.tally.restarts += 1
        await self._until(lambda: oracle.available_s > began_s, PATIENCE_S, "ready")
        await self._until(lambda: oracle.last_off_s > began_s or oracle.on, 10.0, "first off")
        await self._until(lambda: oracle.enabled_s > began_s and oracle.status_s > began_s, 10.0, "status")
        missing = [code for code, (_, until_s) in oracle.locks.items() if math.isinf(until_s)]
        for fault in oracle.status["faults"]:
            if fault["code"] in missing and fault["latched"]:
                missing.remove(fault["code"])
        if missing:
            oracle.violated(9, f"latched before the restart, not after it: {missing}")
        self._settled()

    def _disturbed(self) -> None:
        self.oracle.disturbed_until_s = math.inf
        self.oracle.entitle("disturbed")

    def _settled(self) -> None:
        self.oracle.disturbed_until_s = now() + 5.0
        self.oracle.entitle("settled")

    async def _enable(self) -> None:
        oracle = self.oracle
        if oracle.enabled != "true" or oracle.disabled_s < math.inf:
            oracle.rearmed()
        oracle.disabled_s = math.inf
        self.history.note("enable/set: on")
        since_s = now()
        await self.ear.say(ENABLE_SET, "on", 1)
        await self._until(lambda: oracle.enabled == "true" and oracle.enabled_s >= since_s, 10.0, "enabled")

    async def _disable(self, kind: str = "disable", bound_s: float = AT_ONCE_S) -> None:
        oracle, since_s = self.oracle, now()
        oracle.entitle("disabled")
        self.history.note("enable/set: off")
        await self.ear.say(ENABLE_SET, "off", 1)
        oracle.disabled_s = now()
        await oracle.off_within(kind, 1, since_s, bound_s)

    async def _kill(self) -> None:
        assert self.daemon is not None
        since_s = now()
        self._look_into_ledger()
        self._disturbed()
        self.oracle.stopping_s = since_s
        self.history.note("daemon: kill -9")
        self.daemon.kill()
        self.killed += 1
        await self.oracle.off_within("daemon kill -9", 7, since_s, AT_ONCE_S)

    async def _revive(self, since_s: float, wait_s: float | None = None) -> None:
        """Start it again, and hold the ledger against what was in it. A kill may take the last batch with it."""
        assert self.daemon is not None
        lost_s = BATCH_S + 3.0 if self.daemon.process.returncode else 0.0
        self.oracle.disturbed_until_s = math.inf
        await asyncio.sleep(self.chance.choice((0.0, 0.3, 2.0)) if wait_s is None else wait_s)
        await self._begin()
        self.unknown.append((since_s - lost_s, now() + 1.0))
        self._compare_ledger()

    async def _stay_off(self, seconds: float) -> None:
        """Let the sun shine where nothing may start; the oracle judges by itself."""
        self.house.surplus_w = self.house.SUN_W
        await asyncio.sleep(seconds)
        self.tally.offs["stays off"].append(0.0)

    # --- the actions ---

    async def shade(self) -> None:
        oracle, settings = self.oracle, self.settings
        since_s = now()
        self.house.surplus_w = self.house.SHADE_W
        # The meter speaks every quarter of a second, and the machine looks once more when the delay is over.
        due_s = max(since_s + 0.3 + settings.stop_delay_s, oracle.on_since_s + settings.min_on_s)
        await oracle.off_within("import has held", 0, since_s, due_s - since_s + 1.0)
        await asyncio.sleep(self.chance.choice((0.0, 0.5, 1.5)))

    async def disable(self) -> None:
        await self._disable()
        await self._stay_off(self.chance.choice((0.0, 1.0, 3.0)))
        await self._enable()

    async def toggles(self) -> None:
        oracle = self.oracle
        for _ in range(self.chance.randint(3, 8)):
            oracle.entitle("toggles")
            oracle.disabled_s = math.inf
            await self.ear.say(ENABLE_SET, "off", 1)
            await asyncio.sleep(self.chance.choice((0.0, 0.05, 0.3)))
            oracle.rearmed()
            await self.ear.say(ENABLE_SET, "on", 1)
            await asyncio.sleep(self.chance.choice((0.0, 0.05, 0.3)))
        oracle.entitle("toggles")
        await self._disable("toggles")
        await self._enable()

    async def announced(self) -> None:
        """Kill it in the instant in which it says that it is disabled."""
        oracle, daemon = self.oracle, self.daemon
        assert daemon is not None
        self._look_into_ledger()
        if self.chance.random() < 0.7:  # the end of a charge is written: what comes right after it may have to wait
            self.house.surplus_w = self.house.SHADE_W
            await self._sees(lambda: not oracle.on and not self.plug.on, 12.0)
            await asyncio.sleep(self.plug.report_s + self.chance.choice((0.1, 0.3, 0.6)))
        since_s = now()
        oracle.entitle("disabled")
        sent = asyncio.create_task(self.ear.say(ENABLE_SET, "off", 1))
        await self._until(lambda: oracle.says_disabled(since_s), 10.0, "announced")
        died_s = now()
        self._disturbed()
        oracle.stopping_s = oracle.disabled_s = died_s
        daemon.kill()
        self.history.note("daemon: kill -9, since it said that it is disabled")
        self.killed += 1
        await sent
        await oracle.off_within("disabled and killed", 1, since_s, AT_ONCE_S)
        await self._revive(died_s)
        await self._stay_off(2.0)
        await self._enable()

    async def silence(self) -> None:
        self.house.silent = True
        await asyncio.sleep(0.02)
        since_s = self.house.last_good_s
        self.history.note("meter silent")
        await self.oracle.off_within("meter silent", 6, since_s, self.settings.fresh_s + 1.0)
        await asyncio.sleep(self.chance.choice((0.0, 2.0)))
        self.house.silent = False
        self.unknown.append((since_s, now() + 0.5))
        self.troubles += 1

    async def garbage(self) -> None:
        self.house.garbage = self.chance.sample(GARBAGE, 6)
        await asyncio.sleep(0.02)
        since_s = self.house.last_good_s
        self.history.note("meter sends garbage only")
        await self.oracle.off_within("garbage only", 6, since_s, self.settings.fresh_s + 1.0)
        self.house.garbage = []
        self.unknown.append((since_s, now() + 0.5))

    async def mixed_garbage(self) -> None:
        """Garbage on every topic, besides good readings: nothing may come of it."""
        self.house.garbage, self.house.mixed = self.chance.sample(GARBAGE, 4), True
        for topic in (ENABLE_SET, ACKNOWLEDGE_SET, REPORT, POWER):
            for payload in self.chance.sample([one for one in GARBAGE if one not in (b"on", b"true")], 4):
                await self.ear.say(topic, payload, self.chance.choice((0, 1)))
        await asyncio.sleep(1.0)
        self.house.garbage, self.house.mixed = [], False
        await self.shade()

    async def kill_daemon(self) -> None:
        since_s = now()
        await self._kill()
        await self._revive(since_s)
        if self.oracle.enabled != "true":
            await self._enable()

    async def kill_after_start(self) -> None:
        """Kill it the sooner after a start, the better: what a crash must not forget."""
        await self.shade()
        self.house.surplus_w = self.house.SUN_W
        before = len(self.oracle.starts_s)
        if await self._sees(lambda: len(self.oracle.starts_s) > before, 15.0):
            await self.kill_daemon()

    async def term_daemon(self) -> None:
        assert self.daemon is not None
        since_s = now()
        await self._term()
        await self._revive(since_s)

    async def _term(self) -> None:
        assert self.daemon is not None
        daemon, since_s = self.daemon, now()
        self._disturbed()
        self.oracle.stopping_s = since_s
        self.history.note("daemon: SIGTERM")
        daemon.signal(signal.SIGTERM)
        await self.oracle.off_within("SIGTERM", 1, since_s, AT_ONCE_S)
        if not await self._sees(lambda: daemon.ended, 25.0):
            self.oracle.violated(0, "SIGTERM: it does not end within 25 s")
        elif daemon.process.returncode != 0:
            self.oracle.violated(0, f"SIGTERM: it ended with {daemon.process.returncode}")

    async def stop_daemon(self) -> None:
        """Stopped for a while, short of what the broker has patience for, or for longer."""
        assert self.daemon is not None
        hangs = self.chance.random() < 0.4
        since_s = now()
        self._disturbed()
        self.history.note(f"daemon: SIGSTOP, {'for long' if hangs else 'shortly'}")
        self.daemon.signal(signal.SIGSTOP)
        if hangs:
            await self.oracle.off_within("daemon SIGSTOP", 7, since_s, HANGING_S)
        else:
            await asyncio.sleep(self.chance.uniform(0.5, 4.0))
        self.daemon.signal(signal.SIGCONT)
        self.history.note("daemon: SIGCONT")
        self.house.last_good_s = now()  # what waited for it reaches it now
        self._settled()
        if hangs:
            await self._until(lambda: self.oracle.status_s > now() - 0.5, 20.0, "back after SIGSTOP")
        else:
            # Where readings went stale meanwhile, it may go off; it has to be able to go on either way.
            await asyncio.sleep(0.5)
        self._settled()
        self.unknown.append((since_s - 0.5, now() + 2.0))
        self.troubles += 1
        await self.shade()

    async def kill_broker(self) -> None:
        oracle = self.oracle
        since_s = now()
        self._disturbed()
        oracle.blind = oracle.on
        was_on = oracle.on
        self.history.note("broker: kill -9")
        self.broker.kill()
        await asyncio.sleep(self.chance.choice((0.1, 1.0, 4.0)))
        await self.broker.start()
        back_s = now()
        self.house.last_good_s = max(self.house.last_good_s, since_s)
        self.history.note("broker is back")
        if was_on:
            oracle.on = True
            await oracle.off_within("broker kill -9, back", 7, back_s, BACK_S)
        await self._until(lambda: self.ear.up and oracle.available_s > back_s, 20.0, "back after the broker")
        oracle.blind = False
        self._settled()
        self.unknown.append((since_s - 1.0, now() + 2.0))
        self.troubles += 1

    async def stop_broker(self) -> None:
        oracle, since_s = self.oracle, now()
        long = self.chance.random() < 0.4
        self._disturbed()
        self.history.note("broker: SIGSTOP")
        self.broker.signal(signal.SIGSTOP)
        await asyncio.sleep(9.0 if long else self.chance.uniform(0.3, 2.5))
        self.broker.signal(signal.SIGCONT)
        back_s = now()
        self.history.note("broker: SIGCONT")
        self.house.last_good_s = back_s
        self._settled()
        if long:  # by then it knows: nothing was fresh, and nothing was answered
            await oracle.off_within("broker SIGSTOP, back", 7, back_s, BACK_S)
        await self._until(lambda: oracle.status_s > back_s, 20.0, "back after the broker's stop")
        self._settled()
        self.unknown.append((since_s - 1.0, now() + 3.0))
        self.troubles += 1
        await self.shade()

    async def retained_enable(self) -> None:
        """A retained on waits at the broker for every restart; it must not enable anything."""
        oracle = self.oracle
        await self._disable()
        oracle.disabled_s = math.inf
        oracle.rearmed()
        since_s = now()
        await self.ear.say(ENABLE_SET, "on", 1, retain=True)  # to those who are there it is a live one
        await self._until(lambda: oracle.enabled == "true" and oracle.enabled_s >= since_s, 10.0, "enabled")
        since_s = now()
        await self._disable("disable")
        await self._until(lambda: oracle.enabled == "false" and oracle.enabled_s >= since_s, 10.0, "disabled")
        await asyncio.sleep(1.5)  # to be on the disk in any case: what is looked at here is the retained one
        since_s = now()
        await self._kill()
        await self._revive(since_s)
        await self._stay_off(3.0)
        await self.ear.say(ENABLE_SET, b"", 1, retain=True)
        await self._enable()

    async def retained_reading(self) -> None:
        """A retained reading waits at the broker; it tells what was, and must start nothing."""
        self.house.silent = True
        await asyncio.sleep(0.02)
        quiet_s = self.house.last_good_s
        await self.oracle.off_within("meter silent", 6, quiet_s, self.settings.fresh_s + 1.0)
        sunny = json.dumps({"net_w": -3000}) if self.settings.pointer else "-3000"
        await self.ear.say(GRID, sunny, 1, retain=True)
        self.house.last_good_s = now()
        since_s = now()
        await self._kill()
        self.house.last_good_s = quiet_s  # to the next daemon nobody has said anything yet
        await self._revive(since_s, 0.0)
        await asyncio.sleep(self.settings.fresh_s + self.settings.min_off_s + 1.5)
        self.tally.offs["stays off"].append(0.0)
        await self.ear.say(GRID, b"", 1, retain=True)
        self.house.silent = False
        self.unknown.append((quiet_s, now() + 0.5))

    async def flood(self) -> None:
        """Thousands of readings a second, and then it is disabled: off in time."""
        flood = Flood(self.broker.port, self.house.payload, FLOOD_RATE, 4.0)
        running, since_s = asyncio.create_task(flood.run()), now()
        self._provoke("daemon-late")
        await asyncio.sleep(self.chance.uniform(0.8, 2.5))
        await self._disable("disable in a flood")
        await running
        self._flooded(flood, since_s)
        await asyncio.sleep(1.0)
        await self._enable()

    async def flood_then_silence(self) -> None:
        flood, since_s = Flood(self.broker.port, self.house.payload, FLOOD_RATE, 4.0), now()
        self.house.silent = True
        running = asyncio.create_task(flood.run())
        self._provoke("daemon-late")
        while not running.done():
            self.house.last_good_s = max(self.house.last_good_s, flood.last_s)
            await asyncio.sleep(0.05)
        await running
        self.house.last_good_s = flood.last_s
        self._flooded(flood, since_s)
        await self.oracle.off_within("flood, then silence", 6, flood.last_s, self.settings.fresh_s + 1.0)
        self.house.silent = False
        self.unknown.append((since_s, now() + 0.5))

    def _flooded(self, flood: Flood, since_s: float) -> None:
        self.tally.events["flooded messages"] += flood.sent
        self.unknown.append((since_s, now() + 2.0))
        self.history.note(f"flood is over: {flood.sent} messages")

    async def plug_out_of_reach(self) -> None:
        """The plug does not hear for a few seconds, in which the charge ends; then it has to be told again."""
        since_s = now()
        self.history.note("plug out of reach")
        self.oracle.entitle("plug")
        self.plug.wire.cut()
        self._disturbed()
        await self.shade()
        await asyncio.sleep(self.chance.uniform(0.5, 3.0))
        self.plug.wire.join()
        back_s = now()
        await self._until(lambda: self.plug.wire.up, 10.0, "plug back")
        if self.plug.on and not await self._sees(lambda: not self.plug.on, 12.0 + self.lag.between(back_s, now())):
            self.oracle.violated(7, "a plug that was out of reach while it was told off is not told again")
        self._settled()
        self.unknown.append((since_s - 1.0, now() + 2.0))
        self.troubles += 1

    async def switched_on_by_hand(self) -> None:
        """Somebody presses the button of a plug that is to be off: it is told off again, at once."""
        await self._disable()
        await self._until(lambda: not self.plug.on, 10.0, "plug off")
        await asyncio.sleep(1.2)
        since_s = now()
        self.history.note("plug switched on by hand")
        self.plug.press(True)
        await self.oracle.off_within(
            "switched on by hand", 1, since_s, self.plug.report_s + 1.0 + AT_ONCE_S, even_off=True
        )
        self.unknown.append((since_s - 0.5, now() + 2.0))
        await self._until(lambda: not self.plug.on, 10.0, "plug off again")
        await self._enable()

    async def _ask(self, request: dict[str, float]) -> bool:
        """Ask for a charge, without sun; say whether it began."""
        oracle, settings = self.oracle, self.settings
        if not settings.planned_wh or len(oracle.starts_s) >= settings.starts_per_hour:
            return False
        self.house.surplus_w = self.house.SHADE_W
        oracle.asked_over()
        await self._sees(lambda: not oracle.on and not self.plug.on, settings.stop_delay_s + settings.min_on_s + 5.0)
        plan = oracle.status.get("plan") or {}
        left = plan.get("energy_left_wh") or 0.0
        await asyncio.sleep(0.5)
        oracle.ask()
        self.history.note(f"plan/set: {request}, {left} Wh left")
        await self.ear.say(ASK_SET, json.dumps(request), 1)
        began = await self._sees(lambda: oracle.on, 5.0 + settings.min_off_s if left > 1.0 else 1.0)
        if not began and left > 1.0 and not oracle.status.get("faults"):
            self._stalled("asked for, and no start")
        return began

    async def asked_for_some_time(self) -> None:
        """It ends by itself, and not before the minimum-on time."""
        oracle, settings = self.oracle, self.settings
        long_s = settings.min_off_s + self.chance.uniform(1.0, 6.0)  # the pause before it counts, too
        asked_s = now()
        if not await self._ask({"time_s": long_s}):
            await self._take_back()
            return
        over_s = max(asked_s + long_s + 8.0, oracle.on_since_s + settings.min_on_s)
        self.oracle.entitle("what was asked for is over")
        await asyncio.sleep(max(0.0, asked_s + long_s - now()))
        await self.oracle.off_within("what was asked for is over", 13, now(), over_s - now() + 1.0)
        oracle.asked_over()

    async def _take_back(self) -> None:
        since_s = now()
        self.history.note("plan/set: nothing")
        await self.ear.say(ASK_SET, json.dumps({"energy_wh": 0}), 1)
        self.oracle.asked_over(0.5)
        if self.house.surplus_w > 0.0:
            return  # it goes on by the sun
        due_s = max(since_s, self.oracle.on_since_s + self.settings.min_on_s)
        await self.oracle.off_within("taken back", 13, since_s, due_s - since_s + 1.0)

    async def asked_and_taken_back(self) -> None:
        if await self._ask({"energy_wh": 200.0}):
            await asyncio.sleep(self.chance.choice((0.0, 1.0, 3.0)))
        await self._take_back()

    async def asked_to_the_end(self) -> None:
        """More than may be charged by plan; the oracle judges where that ends."""
        if await self._ask({"energy_wh": 2000.0}) and self.settings.planned_wh < 100.0:
            await self._sees(lambda: not self.oracle.on, self.settings.planned_wh * 3600 / RATED_W + 20.0)
        await self._take_back()

    async def asked_and_disabled(self) -> None:
        """What was asked for is gone with the switch."""
        await self._ask({"energy_wh": 200.0})
        await self._disable()
        self.oracle.asked_over(0.5)
        await asyncio.sleep(1.0)
        await self._enable()
        await asyncio.sleep(self.settings.min_off_s + 3.0)

    async def asked_and_silence(self) -> None:
        if await self._ask({"energy_wh": 200.0}):
            await self.silence()
        await self._take_back()

    async def asked_and_killed(self) -> None:
        """It goes on afterwards, and comes to its cap: what was charged before is not forgotten."""
        planned_s = self.settings.planned_wh * 3600 / RATED_W
        await self._ask({"energy_wh": 200.0})
        await asyncio.sleep(self.chance.choice((0.1, 1.0, 0.6 * min(20.0, planned_s))))
        await self.kill_daemon()
        await self._sees(lambda: self.oracle.on, self.settings.min_off_s + 3.0)
        await self._sees(lambda: not self.oracle.on, planned_s + 5.0 if planned_s < 60.0 else 2.0)
        await self._take_back()

    async def reload(self) -> None:
        """Read the same configuration again: nothing changes."""
        assert self.daemon is not None
        self.daemon.signal(signal.SIGHUP)
        await asyncio.sleep(0.5)
        await self.shade()

    # --- how an epoch ends ---

    async def _finale(self, charging: bool) -> None:
        """End it with what locks out for long."""
        settings, oracle = self.settings, self.oracle
        if now() > self.world.over_s - 15.0:
            return
        if self._capped() or len(oracle.starts_s) >= settings.starts_per_hour:
            name = "caps spent" if self._capped() else "budget spent"
            self.tally.events[name] += 1
            self.history.note(f"--- {name}")
            await self._stay_off(3.0)
            since_s = now()
            await (self._kill if self.chance.random() < 0.5 else self._term)()
            await self._revive(since_s)
            await self._stay_off(settings.min_off_s + 4.0)
            return
        if not charging or not settings.reports:
            return
        name = self.chance.choice(self.world.focus or tuple(FINALES))
        finale = FINALES.get(name)
        self.house.surplus_w = self.house.SUN_W
        if finale and await self._sees(lambda: oracle.on and self.plug.on, 15.0 + settings.min_off_s):
            self.tally.events[name] += 1
            self.history.note(f"--- {name}")
            self._provoke("over-current", "draw-high", "switched-elsewhere", "relay-stuck-on", "relay-not-off")
            await finale(self)

    def _provoke(self, *codes: str) -> None:
        self.oracle.provocations |= set(codes)
        self.oracle.entitle("provoked")

    async def _over_current(self) -> None:
        since_s = now()
        self.plug.says_w = 12_000.0
        for _ in range(3):
            self.plug._report()
            await asyncio.sleep(0.3)
        await self.oracle.off_within("over-current", 1, since_s, 1.0 + AT_ONCE_S)
        self.plug.says_w = None
        self.unknown.append((since_s - 0.5, now() + 3.0))
        await self._latched("over-current", self.chance.choice((0.0, 0.5, 1.5)))

    async def _latched(self, code: str, wait_s: float) -> None:
        """It stays over a restart, and until somebody acknowledges it."""
        oracle = self.oracle
        await self._until(lambda: code in oracle.locks, 60.0, f"{code} shown as latched")
        await asyncio.sleep(wait_s)
        for _ in range(2):
            since_s = now()
            await (self._kill if self.chance.random() < 0.7 else self._term)()
            await self._revive(since_s)
            await self._stay_off(self.settings.min_off_s + 3.0)
        self.tally.offs["latched, stays off"].append(0.0)
        self.house.surplus_w = self.house.SHADE_W
        self.history.note(f"acknowledged: {code}")
        oracle.locks.pop(code)
        await self.ear.say(ACKNOWLEDGE_SET, code, 1)
        await asyncio.sleep(1.0)

    async def _switched_off_by_hand(self) -> None:
        since_s = now()
        self.plug.press(False)
        self.unknown.append((since_s - 1.0, now() + 5.0))
        await self.oracle.off_within("switched off by hand", 1, since_s, 2.0 + self.plug.report_s + AT_ONCE_S)
        await self._until(lambda: "switched-elsewhere" in self.oracle.locks, 10.0, "switched-elsewhere shown")
        await asyncio.sleep(1.5)
        since_s = now()
        await (self._kill if self.chance.random() < 0.5 else self._term)()
        await self._revive(since_s)
        await self._stay_off(self.settings.min_off_s + 5.0)

    async def _stuck(self) -> None:
        """Contacts that are welded: told off again and again, a latched fault, and never on again."""
        self.plug.sticks = True
        since_s = now()
        before = self.oracle.last_off_s
        await self._disable("stuck relay")
        offs = 0
        while now() < since_s + 12.0:
            await asyncio.sleep(0.05)
            if self.oracle.last_off_s != before:
                before, offs = self.oracle.last_off_s, offs + 1
        if offs < 3:
            self.oracle.violated(7, f"a relay that does not follow was told off {offs} times in 12 s")
        await self._enable()
        await self._latched("relay-stuck-on", 0.5)
        self.plug.sticks = False
        self.plug.press(False)
        self.unknown.append((since_s - 1.0, now() + 3.0))

    # --- the ledger ---

    def _rows(self) -> dict[int, tuple[int, ...]]:
        path = self.folder / "state" / "history-bench.sqlite"
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=5.0)) as db:
            rows = db.execute(
                "SELECT begin_ms, end_ms, known_ms, on_ms, solar_mws, bought_mws + planned_mws "
                "FROM interval ORDER BY begin_ms"
            ).fetchall()
        return {row[0]: tuple(row) for row in rows}

    def _look_into_ledger(self) -> None:
        self.on_record = self._rows()

    def _compare_ledger(self) -> None:
        there = self._rows()
        lost = [row for begin_ms, row in self.on_record.items() if there.get(begin_ms) != row]
        if lost:
            self.oracle.violated(10, f"{len(lost)} intervals on record before the kill are not there now: {lost[:3]}")

    async def _close_books(self) -> None:
        """End the epoch in good order, and hold the ledger against what truly flowed."""
        if self.daemon is None or self.daemon.ended:
            return
        self.house.surplus_w = self.house.SHADE_W
        await self._disable("disable")
        await self._sees(lambda: not self.plug.on, 5.0)
        await asyncio.sleep(0.5)
        await self._term()
        self._compare_ledger()
        self.tally.ledgers += 1
        rows = list(self._rows().values())
        for before, after in itertools.pairwise(rows):
            if before[1] > after[0]:
                self.oracle.violated(10, f"two intervals of the ledger overlap: {before} {after}")
                return
        spans = _merged(self.unknown)
        missing_s = (rows[-1][1] - rows[0][0] - sum(row[2] for row in rows)) / 1000 if rows else 0.0
        may_miss_s = 1.0 + sum(end_s - begin_s for begin_s, end_s in spans)
        if missing_s > may_miss_s:
            self.oracle.violated(10, f"the ledger does not know {missing_s:.1f} s (at most {may_miss_s:.1f} s are due)")
            return
        booked_wh = sum(row[4] + row[5] for row in rows) / 3.6e6
        plug, since_s, until_s = self.plug, self.plug.moves[0].at_s, now()
        flowed_s = plug.on_s(since_s, until_s)
        unknown_on_s = sum(plug.on_s(begin_s, end_s) for begin_s, end_s in spans)
        wh = plug.draw_w / 3600
        # At each start the draw is assumed from the command until the plug, having followed, reports; after each end,
        # from when it follows until it reports that.
        starts = len(self.oracle.starts_s)
        over_s, short_s = plug.lag_s + 2 * plug.report_s + 0.15, plug.report_s + 0.15
        late_s = sum(
            self.lag.between(move.at_s - plug.lag_s - 0.05, move.at_s + plug.report_s + 0.1) for move in plug.moves
        )
        least_wh = (flowed_s - unknown_on_s - starts * short_s - late_s) * wh
        may_be_assumed_s = sum(end_s - begin_s for begin_s, end_s in spans)
        most_wh = (flowed_s + may_be_assumed_s - unknown_on_s + starts * over_s + late_s) * wh
        self.history.note(
            f"ledger {booked_wh:.2f} Wh, flowed {flowed_s * wh:.2f} Wh, of which {unknown_on_s * wh:.2f} in unknown "
            f"times; to be {least_wh:.2f} to {most_wh:.2f} Wh; {missing_s:.1f} s not known ({may_miss_s:.1f} s may be)"
        )
        if not least_wh <= booked_wh <= most_wh:
            self.oracle.violated(10, f"the ledger has {booked_wh:.2f} Wh, not {least_wh:.2f} to {most_wh:.2f} Wh")
        self._judge_charges()

    def _judge_charges(self) -> None:
        path = self.folder / "state" / "history-bench.sqlite"
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=5.0)) as db:
            charges, still_open = db.execute("SELECT COUNT(*), SUM(end_ms IS NULL) FROM charge").fetchone()
        starts = len(self.oracle.starts_s)
        if not starts - self.killed <= charges <= starts + self.troubles + self.killed:
            self.oracle.violated(10, f"{charges} charges in the ledger, {starts} on the wire")
        if still_open:
            self.oracle.violated(10, f"{still_open} charges are still open after the end")


def _merged(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    merged: list[tuple[float, float]] = []
    for begin_s, end_s in sorted(spans):
        if merged and begin_s <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(merged[-1][1], end_s)
        else:
            merged.append((begin_s, end_s))
    return merged


Action = Callable[[Epoch], Awaitable[None]]
ACTIONS: tuple[tuple[str, int, Action], ...] = (
    ("shade", 24, Epoch.shade),
    ("disable", 10, Epoch.disable),
    ("toggles", 5, Epoch.toggles),
    ("disabled, killed at the word", 4, Epoch.announced),
    ("meter silent", 7, Epoch.silence),
    ("garbage only", 5, Epoch.garbage),
    ("garbage beside readings", 6, Epoch.mixed_garbage),
    ("daemon kill -9", 6, Epoch.kill_daemon),
    ("daemon kill -9 after a start", 3, Epoch.kill_after_start),
    ("daemon SIGTERM", 4, Epoch.term_daemon),
    ("daemon SIGSTOP", 4, Epoch.stop_daemon),
    ("broker kill -9", 4, Epoch.kill_broker),
    ("broker SIGSTOP", 4, Epoch.stop_broker),
    ("retained on", 2, Epoch.retained_enable),
    ("retained reading", 2, Epoch.retained_reading),
    ("flood, disabled", 3, Epoch.flood),
    ("flood, then silence", 2, Epoch.flood_then_silence),
    ("plug out of reach", 4, Epoch.plug_out_of_reach),
    ("switched on by hand", 4, Epoch.switched_on_by_hand),
    ("reload", 3, Epoch.reload),
    ("asked for some time", 8, Epoch.asked_for_some_time),
    ("asked for, taken back", 6, Epoch.asked_and_taken_back),
    ("asked for more than may be", 6, Epoch.asked_to_the_end),
    ("asked for, disabled", 6, Epoch.asked_and_disabled),
    ("asked for, meter silent", 5, Epoch.asked_and_silence),
    ("asked for, daemon kill -9", 6, Epoch.asked_and_killed),
)
FINALES: dict[str, Action] = {
    "over-current": Epoch._over_current,
    "switched off by hand": Epoch._switched_off_by_hand,
    "stuck relay": Epoch._stuck,
}
NEEDS_REPORTS = ("switched on by hand", "plug out of reach")


# --- planted bugs ----------------------------------------------------------------------------------------------------


class Bug(NamedTuple):
    """A change of one place in a copy of the package that the oracle must find."""

    invariant: int
    what: str
    file: str
    old: str
    new: str
    focus: tuple[str, ...]  # what is done to it, so that the time goes there
    fixed: dict[str, Any] = {}  # noqa: RUF012  (settings besides, so that it can show)


PLANTED = (
    Bug(
        1,
        "disabling does not end a charge",
        "control/machine.py",
        "Row(_ANY, IDLE, 0, ENABLED, C_DISABLED)",
        "Row(_IDLE | _ARMING | _LOCKED_OUT, IDLE, 0, ENABLED, C_DISABLED)",
        ("disable",),
    ),
    Bug(
        1,
        "a retained reading is taken for a live one",
        "control/signals.py",
        'if retained:\n            raise Rejected("retained")',
        "",
        ("retained reading",),
        {"fresh_s": 5.0, "min_off_s": 1.5},
    ),
    Bug(
        2,
        "a charge ends before its minimum-on time",
        "control/machine.py",
        "Row(_DISARMING, IDLE, DELAY_OVER | MIN_ON_OVER, 0, C_IMPORT_HELD)",
        "Row(_DISARMING, IDLE, DELAY_OVER, 0, C_IMPORT_HELD)",
        ("shade",),
        {"min_on_s": 5.0, "stop_delay_s": 0.3},
    ),
    Bug(
        3,
        "a charge starts before the minimum-off time",
        "control/machine.py",
        "Row(_ARMING, CHARGING, DELAY_OVER | MIN_OFF_OVER | BUDGET_LEFT, HELD, C_SURPLUS_HELD)",
        "Row(_ARMING, CHARGING, DELAY_OVER | BUDGET_LEFT, HELD, C_SURPLUS_HELD)",
        ("disable", "toggles"),
    ),
    Bug(
        4,
        "starts are forgotten over a restart",
        "control/controller.py",
        "starts_s=last_starts(kept.starts_s, self.settings.params.starts_per_day),",
        "",
        ("daemon kill -9",),
        {"kind": "budget"},
    ),
    Bug(
        5,
        "a session's time and energy are forgotten over a restart",
        "control/controller.py",
        "session_s=kept.session_s,\n            session_wh=kept.session_wh,",
        "",
        ("daemon SIGTERM", "daemon kill -9"),
        {"kind": "energy-cap", "energy_cap_wh": 4.0, "min_on_s": 1.5, "min_off_s": 1.5},
    ),
    Bug(
        6,
        "a charge goes on without readings",
        "control/machine.py",
        "Row(_ON, LOCKED_OUT, 0, FRESH, C_METER_SILENT),",
        "",
        ("meter silent", "garbage only"),
    ),
    Bug(
        5,
        "what was charged by plan is forgotten over a restart",
        "control/controller.py",
        "planned_s=kept.planned_s,\n            planned_wh=kept.planned_wh,",
        "",
        ("asked for, daemon kill -9", "asked for more than may be"),
        {"planned_wh": 10.0, "min_on_s": 1.5, "min_off_s": 1.5},
    ),
    Bug(
        6,
        "what was asked for goes on without readings",
        "control/machine.py",
        "Row(_ON, LOCKED_OUT, 0, FRESH, C_METER_SILENT),",
        "Row(_ON, LOCKED_OUT, 0, FRESH | PLANNED, C_METER_SILENT),",
        ("asked for, meter silent",),
        {"planned_wh": 500.0},
    ),
    Bug(
        13,
        "what was asked for outlasts the switch",
        "daemon/planner.py",
        "forgotten = not controller.enabled or ",
        "forgotten = ",
        ("asked for, disabled",),
        {"planned_wh": 500.0},
    ),
    Bug(
        7,
        "the relay's connection has no will",
        "daemon/service.py",
        "will=off_post(config),",
        "will=None,",
        ("daemon kill -9",),
    ),
    Bug(
        8,
        "on is retained",
        "daemon/relay.py",
        "relay.qos, expiry_s=relay.confirm_within_s)",
        "relay.qos, retain=True, expiry_s=relay.confirm_within_s)",
        ("shade",),
    ),
    Bug(
        9,
        "latched faults are forgotten over a restart",
        "control/controller.py",
        "self.supervisor = Supervisor(kept.faults)",
        "self.supervisor = Supervisor()",
        ("over-current",),
    ),
    Bug(
        10,
        "the last interval of each batch is not written",
        "daemon/historian.py",
        "self._write, batch, now_ms)",
        "self._write, batch._replace(intervals=batch.intervals[:-1]), now_ms)",
        ("shade",),
        {"plug_lag_s": 0.05, "plug_report_s": 0.02, "fresh_s": 5.0},
    ),
    Bug(
        10,
        "what is bought is counted as solar too",
        "history/energy.py",
        "solar_mws=round(charger_w * length_ms) - bought_mws - given_mws,",
        "solar_mws=round(charger_w * length_ms) - given_mws,",
        ("shade",),
        {"plug_lag_s": 0.05, "plug_report_s": 0.02, "fresh_s": 5.0},
    ),
    Bug(
        11,
        "the broker's word is taken for the plug's",
        "control/plug.py",
        "return told and self.reported is on and not (on and self._report_is_old)",
        "return told",
        ("stuck relay",),
    ),
    Bug(
        12,
        "disabled is said before it is written",
        "daemon/saving.py",
        "while not self.promise_kept and not self.failing:",
        "while False:",
        ("disabled, killed at the word",),
    ),
    Bug(
        12,
        "a retained on enables",
        "daemon/commands.py",
        "if stale and self.late and not self.late(happened):",
        "if False:",
        ("retained on",),
    ),
)


def plant(bug: Bug, source: Path, folder: Path) -> Path:
    """Copy the package and plant a bug in it; raises ValueError where the text is not there exactly once."""
    package = folder / "surpluscharge"
    shutil.copytree(source / "surpluscharge", package, ignore=shutil.ignore_patterns("__pycache__"))
    path = package / bug.file
    text = path.read_text(encoding="utf-8")
    if text.count(bug.old) != 1:
        raise ValueError(f"{bug.file}: the text to be replaced is there {text.count(bug.old)} times: {bug.old!r}")
    path.write_text(text.replace(bug.old, bug.new), encoding="utf-8")
    return folder


# --- running ---------------------------------------------------------------------------------------------------------

ROOT = Path(__file__).parents[2]


def _live(number: int, seed: int, package: Path, seconds: float, reports: Any, bug: Bug | None, without: str) -> None:
    """One world, in a process of its own."""
    focus, fixed = (bug.focus, {"kind": "plain", "reports": True} | bug.fixed) if bug else ((), {})

    async def main() -> Tally:
        world = World(number, seed, package, lambda found: reports.put((number, found)), focus, without, **fixed)
        life = asyncio.create_task(world.live(seconds))
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGTERM, life.cancel)
        loop.set_exception_handler(lambda *_: None)  # the MQTT library's, when a connection breaks as it is made
        with contextlib.suppress(asyncio.CancelledError):
            await life
        return world.tally

    try:
        reports.put((number, asyncio.run(main())))
    except BaseException:
        reports.put((number, traceback.format_exc()))


def _end(process: Any, reports: Any) -> None:
    """End a world, which cleans up after itself; a library may swallow the first request, and the queue fill up."""
    while process.is_alive():
        process.terminate()
        deadline_s = now() + 3.0
        while process.is_alive() and now() < deadline_s:
            with contextlib.suppress(queue.Empty):
                reports.get(timeout=0.1)
    process.join()


def clean(minutes: float, worlds: int, seed: int, without: str) -> int:
    reports: Any = multiprocessing.Queue()
    processes = [
        multiprocessing.Process(target=_live, args=(number, seed, ROOT, minutes * 60, reports, None, without))
        for number in range(worlds)
    ]
    began_s = now()
    for process in processes:
        process.start()
    total, left, broken = Tally(), worlds, 0
    try:
        while left:
            number, found = reports.get()
            if isinstance(found, Violation):
                print(f"VIOLATION of {found.invariant} in world {number}: {found.what}\n{found.text}", flush=True)
            elif isinstance(found, Tally):
                total.add(found)
                left -= 1
            else:
                print(f"world {number} broke:\n{found}", flush=True)
                left, broken = left - 1, broken + 1
    finally:
        for process in processes:
            _end(process, reports)
    _print(total, (now() - began_s) / 60, worlds, seed)
    return 1 if total.violations or broken else 0


def _print(total: Tally, minutes: float, worlds: int, seed: int) -> None:
    print(
        f"{minutes:.1f} min, {worlds} worlds, seed {seed}: {total.charges} charges ({total.on_s:.0f} s on) in "
        f"{total.epochs} epochs, {total.restarts} starts of the daemon, {total.heard} messages heard, "
        f"{total.ledgers} ledgers held against the plug"
    )
    print(f"off-judgements: {sum(map(len, total.offs.values()))}")
    for kind, took in sorted(total.offs.items()):
        print(f"    {kind}: {len(took)}, median {sorted(took)[len(took) // 2]:.2f} s, longest {max(took):.2f} s")
    print("events: " + ", ".join(f"{name} {count}" for name, count in total.events.most_common()))
    print("faults shown: " + (", ".join(f"{code} {count}" for code, count in total.faults.most_common()) or "none"))
    print("stalled: " + (", ".join(f"{what} ({count})" for what, count in total.stalls.most_common()) or "never"))
    print(
        f"this machine ran the observers late by {total.own_late_s:.1f} s in all, and let daemons and brokers wait for "
        f"a processor for {total.their_late_s:.1f} s; at most {total.latest_s:.2f} s at once. Bounds met only because "
        f"they were widened by that: {sum(total.forgiven.values())} {dict(total.forgiven) or ''}"
    )
    by_number = collections.Counter(violation.invariant for violation in total.violations)
    print(f"violations: {len(total.violations)}")
    for number, count in sorted(by_number.items()):
        print(f"    {number} ({INVARIANTS[number]}): {count}")


def planted(minutes: float, worlds: int, seed: int, only: str) -> int:
    """Find each planted bug, within so many minutes each; several at a time, each in a world of its own."""
    with tempfile.TemporaryDirectory(prefix="planted-") as name:
        waiting = []
        for number, bug in enumerate(PLANTED):
            if only in f"{bug.invariant}: {bug.what}":
                waiting.append((bug, plant(bug, ROOT, Path(name) / str(number))))
        if not waiting:
            raise SystemExit(f"no planted bug says {only!r}")
        running: dict[int, tuple[Bug, Any, float]] = {}
        reports: Any = multiprocessing.Queue()
        missed, number = 0, 0
        ending: list[Any] = []
        while waiting or running or ending:
            while waiting and len(running) < worlds:
                bug, package = waiting.pop(0)
                arguments = (number, seed, package, minutes * 60, reports, bug, "")
                process = multiprocessing.Process(target=_live, args=arguments)
                process.start()
                running[number] = bug, process, now()
                number += 1
            with contextlib.suppress(queue.Empty):
                which, found = reports.get(timeout=1.0)
                if which not in running:
                    continue
                bug, process, began_s = running[which]
                head = f"{bug.invariant}: {bug.what}"
                if isinstance(found, Violation) and found.invariant == bug.invariant:
                    print(f"found   {head}: after {now() - began_s:.0f} s: {found.what}", flush=True)
                elif isinstance(found, Violation):
                    print(f"        {head}: also {found.invariant}: {found.what}", flush=True)
                    continue
                else:
                    missed += 1
                    print(f"MISSED  {head}: not within {now() - began_s:.0f} s", flush=True)
                    if isinstance(found, str):
                        print(found, flush=True)
                del running[which]
                ending.append(process)
            for process in [one for one in ending if not one.is_alive()]:
                process.join()
                ending.remove(process)
            for process in ending:
                process.terminate()
    print(f"{missed} planted bugs missed")
    return 1 if missed else 0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument(
        "--minutes", type=float, default=10.0, help="of the clean run; with --planted, at most, of each"
    )
    parser.add_argument("--worlds", type=int, default=4, help="so many at once, each in a process of its own")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--planted", nargs="?", const="", metavar="TEXT", help="the planted bugs (that say TEXT)")
    parser.add_argument("--without", default="", metavar="TEXT", help="leave out the actions that say TEXT")
    options = parser.parse_args()
    if options.planted is not None:
        sys.exit(planted(options.minutes, options.worlds, options.seed, options.planted))
    sys.exit(clean(options.minutes, options.worlds, options.seed, options.without))


if __name__ == "__main__":
    main()
