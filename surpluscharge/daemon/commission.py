"""Commissioning: the daemon led by hand, once, to see that meter, relay, lead and car are what the configuration says.

It is the daemon itself, with its supervisor, its wills and its store, but it charges when it is told to and whatever
the sun does. So what trips it here would trip it later, and starts, heat and energy are counted. A person is asked for
what only a person can do: switch a kettle on, take the lead out, plug the car in.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import math
import shutil
import sys
import textwrap
import threading
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from statistics import median
from types import MappingProxyType
from typing import Any, NamedTuple, Protocol

from surpluscharge.clock import Clock
from surpluscharge.config import Config
from surpluscharge.control import draw, machine
from surpluscharge.control.controller import Kept
from surpluscharge.control.signals import REJECTIONS, Rejected, text_of, truth
from surpluscharge.control.supervisor import Fault
from surpluscharge.daemon.service import Service
from surpluscharge.daemon.status import explain
from surpluscharge.words import duration, watts

PARTS = {
    "meter": "does the meter speak, and often enough",
    "sign": "does import rise when a kettle is switched on",
    "relay": "does the relay obey, with nothing plugged into it",
    "loss": "does the broker switch off when this program is gone",
    "hold": "does the plug switch off by itself when nothing is heard (relay.hold_s)",
    "draw": "what does the lead draw, with the car",
}
NOTHING: Mapping[str, float] = MappingProxyType({})
ANY_W = 1e9  # thresholds that every reading fulfils
PAUSE_S = 10.0  # between two switchings with nothing plugged in; with the car they are a minute apart
STARTS = 20  # in an hour; they count for the daemon's own budgets afterwards
LOOK_EVERY_S = 0.25
UP_WITHIN_S = 20.0
OBEYED_WITHIN_S = 40.0  # the supervisor's own patience is 30
START_WITHIN_S = 900.0  # a cooldown or an earlier charge's pause may have to end first
WATCH_S, WATCH_MOST_S = 30.0, 120.0
WATCHED_READINGS = 7
SLOW_METER_S = 30.0
KETTLE_W = 700.0
KETTLE_WITHIN_S = 240.0
LOST_FOR_S = 8.0  # how long the broker has to say the will
ON_S = draw.ON_SETTLES_S + draw.SIDE_S + 6.0
OFF_S = draw.OFF_SETTLES_S + draw.SIDE_S + 12.0
ROUNDS_LEAST, ROUNDS_MOST = 2, 4
CLOSE_SHARE = 0.05  # a draw that far from the configured one is worth writing down
WRONG_SHARE = 0.2  # and that far is another current (EN 50160 explains 10 %)
APART_SHARE = 0.1  # between the plug's meter and the house's
DROP_SHARE = (
    0.05  # of voltage on the way to the socket: IEC 60364-5-52 has 5 % as the most for other uses than lighting
)


class Person(Protocol):
    """Who sits before it."""

    def tell(self, text: str) -> None:
        """Say something that stays to be read."""

    def show(self, text: str) -> None:
        """Say how it goes, in the place of what was said so last; an empty text takes it away."""

    async def ask(self, question: str) -> str:
        """Return the answer, without blanks around it. Raises EOFError when nobody is there any more."""


class Finding(NamedTuple):
    """What came of one question. ``figures``: what was measured, units in the names."""

    part: str
    verdict: str  # good, doubtful, wrong, not tried
    what: str
    remedy: str = ""
    figures: Mapping[str, float] = NOTHING


class _LeftOut(Exception):  # noqa: N818
    """The person leaves a part out."""


class _Failed(Exception):  # noqa: N818
    """A part cannot go on; the finding says why."""

    def __init__(self, what: str, remedy: str = "", figures: Mapping[str, float] = NOTHING) -> None:
        super().__init__(what)
        self.what, self.remedy, self.figures = what, remedy, figures


class _ByHand(Service):
    """The daemon, charging when told and whatever the sun does. Others may switch it off, and not on."""

    def __init__(self, config: Config, clock: Clock, heard: Callable[[str], None]) -> None:
        control = config.control.model_copy(
            update={
                "start_export_w": -ANY_W,
                "stop_import_w": ANY_W,
                "start_delay_s": 0.0,
                "stop_delay_s": 0.0,
                "min_on_s": 0.0,
                "min_off_s": PAUSE_S,
                "starts_per_hour": STARTS,
                "starts_per_day": 2 * STARTS,
            }
        )
        self._heard = heard
        self.sent_s: dict[bool, float] = {}  # when "on" and "off" were last said for the first time
        self.taken_s: dict[bool, float] = {}  # and when the broker had them
        super().__init__(config.model_copy(update={"control": control}), clock)

    @property
    def main_link(self) -> Any:
        return self._main_link

    @property
    def relay_link(self) -> Any:
        return self._relay_link

    @property
    def relay(self) -> Any:
        return self._relay

    def allow(self, on: bool) -> None:
        """Switch charging on or off."""
        self.sent_s.pop(on, None)
        self.taken_s.pop(on, None)
        self._tell(self.controller.enable, on)

    def explain(self) -> tuple[str, str | None]:
        """Return why it does what it does, and what it waits for."""
        why, waiting_for, _ = explain(self.controller, self.config, self._at(), self.clock.wall())
        return why, waiting_for

    def relay_sending(self, on: bool) -> None:
        self.sent_s.setdefault(on, self.clock.now())
        super().relay_sending(on)

    def relay_acknowledged(self, on: bool) -> None:
        self.taken_s.setdefault(on, self.clock.now())
        super().relay_acknowledged(on)

    def _restore(self) -> Kept | None:
        kept = super()._restore()
        return kept and kept._replace(enabled=False)  # nothing starts before it is asked for

    def _on_enable(self, payload: bytes, retained: bool) -> None:
        with contextlib.suppress(Rejected):
            if truth(text_of(payload)):
                self._tell(self.controller.refuse, self._set_topic, "commissioning", payload)
                return
        super()._on_enable(payload, retained)

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        super()._on_message(topic, payload, retained)
        self._heard(topic)


class Commissioning:
    """One sitting. Give it to :func:`run`."""

    def __init__(self, config: Config, clock: Clock, person: Person) -> None:
        """Raises ValueError or OSError where a secret or certificate cannot be read."""
        self.config, self.clock, self.person = config, clock, person
        self.findings: list[Finding] = []
        self.starts = 0
        self.readings: list[tuple[float, float]] = []  # (time, grid power)
        self.arrivals: list[list[float]] = [[] for _ in config.meter]  # of each source
        self.powers: list[tuple[float, float]] = []  # (time, the plug's own power)
        self.volts: list[tuple[float, float]] = []
        self.reports: list[tuple[float, bool]] = []  # (time, the plug's word)
        self.lane: list[tuple[float, bool]] = []  # (time, switched on or off), for the picture
        self._running: asyncio.Task[None] | None = None
        self.service = _ByHand(config, clock, self._heard)
        self.controller = self.service.controller

    # --- the frame ----------------------------------------------------------------------------------------------------

    @contextlib.asynccontextmanager
    async def at_work(self) -> AsyncIterator[None]:
        """Run the daemon for as long as the context lasts, then see that the relay is off."""
        self._running = asyncio.create_task(self.service.run())
        try:
            yield
        finally:
            self.service.allow(False)
            self.service.stop("commissioning is over")
            await asyncio.wait([self._running])
            self._running.result()
            if self.controller.confirmed(False):
                self.person.tell("\nThe relay is off, and charging is disabled until somebody enables it.")
            else:
                self.person.tell("\nThe relay has NOT confirmed that it is off. Go and look.")

    async def go_through(self, parts: Sequence[str]) -> None:
        """Do the given parts, in the order of PARTS; what comes of it is in ``findings``."""
        steps: dict[str, Callable[[], Any]] = {
            "meter": self._meter,
            "sign": self._sign,
            "relay": self._relay,
            "loss": self._loss,
            "hold": self._hold,
            "draw": self._draw,
        }
        if not await self._connected():
            return
        for part in (name for name in PARTS if name in parts):
            self.person.tell(f"\n{part}: {PARTS[part]}?")
            try:
                await steps[part]()
            except _LeftOut:
                self._found(part, "not tried", f"{PARTS[part][0].upper()}{PARTS[part][1:]}?")
            except _Failed as failure:
                self._found(part, "wrong", failure.what, failure.remedy, failure.figures)
            finally:
                self.person.show("")
                self.service.relay.reasserts_on = True
                self.service.relay_link.rejoin()
                self.service.allow(False)

    def _found(
        self, part: str, verdict: str, what: str, remedy: str = "", figures: Mapping[str, float] = NOTHING
    ) -> None:
        rounded = {name: round(value, 3) for name, value in figures.items()}
        self.findings.append(Finding(part, verdict, what, remedy, rounded))
        self.person.tell(f"  {verdict}: {what}" + (f"\n  {remedy}" if remedy else ""))

    def _heard(self, topic: str) -> None:
        controller, now_s = self.controller, self.clock.now()
        grid = controller.grid
        news = False
        for index, times_s in enumerate(self.arrivals):
            reading = grid.reading(index)
            if reading and (not times_s or reading.at_s > times_s[-1]):
                times_s.append(reading.at_s)
                news = True
        if news and grid.value is not None:
            self.readings.append((now_s, grid.value))
        for meter, seen in ((controller.power, self.powers), (controller.voltage, self.volts)):
            if topic in meter.topics and meter.value is not None and meter.at_s != (seen[-1][0] if seen else None):
                seen.append((meter.at_s or now_s, meter.value))
        contact = controller.settings.contact
        if contact and topic == contact.topic and controller.reported is not None:
            self.reports.append((now_s, controller.reported))

    async def _until(self, condition: Callable[[], object], within_s: float, doing: str = "") -> bool:
        """Wait, and say how it goes. False: it did not come to it in time."""
        began_s = self.clock.now()
        while not condition():
            if self._running is None or self._running.done():
                raise _Failed("The daemon has ended.", "Its log says why.")
            left_s = began_s + within_s - self.clock.now()
            if left_s <= 0:
                return False
            if doing:
                self.person.show(f"  {doing} ({duration(left_s)} at most)")
            await self.clock.sleep(LOOK_EVERY_S)
        self.person.show("")
        return True

    async def _pass(self, until_s: float, doing: str = "") -> None:
        """Let time pass."""
        await self._until(lambda: self.clock.now() >= until_s, until_s + 1.0 - self.clock.now(), doing)

    async def _ready(self, question: str) -> None:
        """Wait until the person says that it is so: nothing else will do. Raises _LeftOut."""
        while (answer := (await self.person.ask(f"  {question} [yes, or skip]")).lower()) not in ("yes", "y"):
            if answer in ("skip", "s"):
                raise _LeftOut
            self.person.tell("  Take your time. When it is so: yes; to leave this out: skip.")

    async def _yes(self, question: str) -> bool:
        while True:
            answer = (await self.person.ask(f"  {question} [yes, no, or skip]")).lower()
            if answer in ("skip", "s"):
                raise _LeftOut
            if answer in ("yes", "y", "no", "n"):
                return answer.startswith("y")

    # --- switching ----------------------------------------------------------------------------------------------------

    async def _on(self) -> float:
        """Switch on; return the seconds until it was confirmed. Raises _Failed."""
        controller, service = self.controller, self.service
        service.allow(True)
        began_s = self.clock.now()
        while not controller.wants_on:
            latched = [record.fault for record in controller.faults if record.fault.latches and not record.acknowledged]
            if latched:
                raise _failed_by(latched[0], f" When it is mended: surpluscharge ack {latched[0].code}")
            why, waiting_for = service.explain()
            if not controller.enabled or self.clock.now() > began_s + START_WITHIN_S:
                raise _Failed(
                    f"It did not come to a start: {why}" + (f" It waits for {waiting_for}." if waiting_for else "")
                )
            self.person.show(f"  {why}" + (f" Waiting for {waiting_for}." if waiting_for else ""))
            await self._until(lambda: controller.wants_on, 1.0)
        self.starts += 1
        self.lane.append((self.clock.now(), True))
        await self._until(
            lambda: controller.confirmed(True) or not controller.wants_on, OBEYED_WITHIN_S, "switching on"
        )
        self._still_on()
        return self._took_s(True)

    async def _off(self) -> float:
        """Switch off; return the seconds until it was confirmed. Raises _Failed."""
        self.service.allow(False)
        self.lane.append((self.clock.now(), False))
        if not await self._until(lambda: self.controller.confirmed(False), OBEYED_WITHIN_S, "switching off"):
            raise _Failed(
                "The plug was told to switch off and has not said that it did.",
                "See with your own eyes that it is off. Then: is it powered and connected, and are topic, pointer and "
                "values of relay.feedback right?",
            )
        return self._took_s(False)

    def _still_on(self) -> None:
        """Raises _Failed where the charge has ended by itself."""
        controller = self.controller
        if controller.wants_on:
            return
        grave = [record.fault for record in controller.faults if record.fault.severity >= machine.END]
        if grave:
            raise _failed_by(max(grave, key=lambda fault: fault.severity))
        raise _Failed(f"It went off by itself: {self.service.explain()[0]}")

    async def _stay(self, seconds: float, doing: str) -> None:
        """Stay switched on for a while. Raises _Failed."""
        end_s = self.clock.now() + seconds
        await self._until(lambda: self.clock.now() >= end_s or not self.controller.wants_on, seconds + 1, doing)
        self._still_on()

    def _took_s(self, on: bool) -> float:
        sent_s = self.service.sent_s.get(on, self.clock.now())
        said = [at_s for at_s, reported in self.reports if at_s >= sent_s and reported is on]
        return max(0.0, min([*said, self.clock.now()] if said else [self.service.taken_s.get(on, sent_s)]) - sent_s)

    @property
    def _reports(self) -> bool:
        return self.controller.settings.contact is not None

    # --- the parts ----------------------------------------------------------------------------------------------------

    async def _connected(self) -> bool:
        service, broker = self.service, self.config.broker
        if not await self._until(lambda: service.main_link.up and service.relay_link.up, UP_WITHIN_S, "connecting"):
            self._found("broker", "wrong", f"There is no connection to the broker ({broker}).", "See whether it runs.")
            return False
        refused = service.main_link.refused_topics
        if refused:
            self._found(
                "broker",
                "wrong",
                f"The broker does not let this user read {', '.join(refused)}.",
                "Correct its access list; deploy/mosquitto.acl is an example.",
            )
            return False
        self._found("broker", "good", f"Connected to {broker}, as the daemon will be.")
        return True

    async def _meter(self) -> None:
        began_s = self.clock.now()

        def enough() -> bool:
            counts = [sum(at_s >= began_s for at_s in times_s) for times_s in self.arrivals]
            return min(counts) >= WATCHED_READINGS and self.clock.now() >= began_s + WATCH_S

        await self._until(enough, WATCH_MOST_S, "watching the meter")
        for source, all_s in zip(self.config.meter, self.arrivals, strict=True):
            times_s = [at_s for at_s in all_s if at_s >= began_s]
            if not times_s:
                reasons = {reason for topic, reason in self.controller.rejected if topic == source.topic}
                what = f"Nothing that can be used came on {source.topic} in {duration(WATCH_MOST_S)}"
                raise _Failed(
                    what + "".join(f"; {REJECTIONS.get(reason, reason)}" for reason in sorted(reasons)) + ".",
                    "See what is published there, and correct topic, pointer or unit of this [[meter]].",
                )
            gaps_s = [later_s - sooner_s for sooner_s, later_s in itertools.pairwise(times_s)]
            # The time before the first and since the last one has been a gap, too.
            edge_s = max(times_s[0] - began_s, self.clock.now() - times_s[-1])
            usual_s, longest_s = (median(gaps_s), max(*gaps_s, edge_s)) if gaps_s else (edge_s, edge_s)
            fresh_s = max(10, 5 * math.ceil(max(3 * usual_s, 1.5 * longest_s) / 5))
            what = f"{source.topic} speaks every {usual_s:.1f} s, the longest pause was {longest_s:.1f} s"
            figures = {"interval_s": usual_s, "longest_s": longest_s}
            remedy = f"In this [[meter]]: fresh_s = {fresh_s}"
            if longest_s >= source.fresh_s:
                what += f", and after fresh_s ({source.fresh_s:g} s) the relay goes off."
                self._found("meter", "wrong", what, remedy, figures)
            elif 2 * usual_s > source.fresh_s:
                what += f"; one that is late would end a charge (fresh_s is {source.fresh_s:g} s)."
                self._found("meter", "doubtful", what, remedy, figures)
            elif usual_s > SLOW_METER_S:
                what += ": clouds and kettles in between are not seen."
                self._found("meter", "doubtful", what, "A meter that speaks every 10 s or so buys less.", figures)
            else:
                self._found("meter", "good", f"{what}.", figures=figures)
        seen_w = [grid_w for at_s, grid_w in self.readings if at_s >= began_s]
        if seen_w and min(seen_w) == max(seen_w):
            self._found(
                "meter",
                "doubtful",
                f"Grid power was {watts(seen_w[0])} all the time, to the watt.",
                "See whether it moves when a kettle is on: the next part does.",
            )
        if seen_w:
            self.person.tell(f"  Just now: {_flow(seen_w[-1])}, if the sign is right.")

    async def _sign(self) -> None:
        """Ask for a kettle, and see which way grid power goes: up, with a right sign. And back again."""
        await self._ready("Make a kettle ready, or anything else that takes 1 kW or more. It is off?")
        before_w = await self._level()
        self.person.tell("  Switch it on now, and leave it on.")
        up_w = await self._moved(before_w, None)
        if up_w is None:
            raise _Failed(
                f"Grid power did not move by {watts(KETTLE_W)} in {duration(KETTLE_WITHIN_S)}.",
                "Is this the meter of the whole house, and are pointer and unit right?",
            )
        self.person.tell(f"  Seen: {up_w:+.0f} W. Switch it off now.")
        down_w = await self._moved(before_w + up_w, -up_w)
        figures = {"on_w": up_w, **({} if down_w is None else {"off_w": down_w})}
        if down_w is None:
            what = f"Grid power moved by {up_w:+.0f} W, and did not move back. That may have been something else."
            self._found("sign", "doubtful", what, "Try again: surpluscharge commission ... sign", figures)
        elif up_w > 0:
            what = f"Import rose by {watts(up_w)} and fell again: the sign is right."
            self._found("sign", "good", what, figures=figures)
        else:
            what = f"Import seemed to fall by {watts(-up_w)} when it was switched on: the sign is wrong."
            self._found("sign", "wrong", what, _turned_round(self.config), figures)

    async def _level(self) -> float:
        """Wait for some readings from now on, and return their median. Raises _Failed."""
        count, since_s = self._few, self.clock.now()

        def levels_w() -> list[float]:
            return [grid_w for at_s, grid_w in self.readings if at_s >= since_s]

        if not await self._until(lambda: len(levels_w()) >= count, WATCH_MOST_S, "reading the meter"):
            raise _Failed("The meter is silent.", "See whether it publishes.")
        return median(levels_w())

    async def _moved(self, from_w: float, by_w: float | None) -> float | None:
        """Wait until some readings together have moved by KETTLE_W, or by most of ``by_w``; return by how much."""
        count, since_s = self._few, self.clock.now()
        moved_w = 0.0

        def moved() -> bool:
            nonlocal moved_w
            last_w = [grid_w for at_s, grid_w in self.readings if at_s >= since_s][-count:]
            if len(last_w) < count:
                return False
            moved_w = median(last_w) - from_w
            if by_w is not None:
                return moved_w / by_w >= 0.6
            return min(abs(one_w - from_w) for one_w in last_w) >= KETTLE_W

        return moved_w if await self._until(moved, KETTLE_WITHIN_S, "waiting to see it") else None

    @property
    def _few(self) -> int:
        """How many readings make sure of a step: three of a quick meter, one of a slow one."""
        times_s = self.arrivals[0]
        gaps_s = [later_s - sooner_s for sooner_s, later_s in itertools.pairwise(times_s)]
        return 3 if not gaps_s or median(gaps_s) < 8 else 2 if median(gaps_s) < 20 else 1

    async def _relay(self) -> None:
        await self._ready("Take the charge lead out of the plug: it is switched with nothing in it. It is out?")
        off_took_s = await self._off()
        on_took_s = await self._on()
        if not self._reports and not await self._yes("Is the plug on now?"):
            raise _Failed(
                "The plug was told to switch on, and did not.", "See relay.command_topic, and relay.on_payload."
            )
        await self._stay(5.0, "looking whether anything draws")
        drawn_w = [power_w for at_s, power_w in self.powers if at_s >= self.lane[-1][0]]
        off_took_s = max(off_took_s, await self._off())
        if not self._reports and not await self._yes("Is it off now?"):
            raise _Failed(
                "The plug was told to switch off, and did not.", "See relay.off_payload. Until it obeys, use no plug."
            )
        figures = {"on_took_s": on_took_s, "off_took_s": off_took_s}
        slowest_s, within_s = max(on_took_s, off_took_s), self.config.relay.confirm_within_s
        who = "plug" if self._reports else "broker"
        what = f"The relay obeys; the {who} said so after {on_took_s:.1f} s (on) and {off_took_s:.1f} s (off)"
        if slowest_s > within_s:
            remedy = f"confirm_within_s = {math.ceil(2 * slowest_s)} in [relay] spares it repetitions."
            what += f", later than confirm_within_s ({within_s:g} s)."
            self._found("relay", "doubtful", what, remedy, figures)
        else:
            self._found("relay", "good", f"{what}.", figures=figures)
        if drawn_w and drawn_w[-1] > 30.0:
            what = f"The plug reports {watts(drawn_w[-1])} with nothing plugged into it."
            self._found(
                "relay", "doubtful", what, "See relay.power's topic, pointer and unit.", {"power_w": drawn_w[-1]}
            )
        if not self._reports:
            self._found(
                "relay",
                "doubtful",
                "The plug does not report its relay, so nobody notices when it does not obey.",
                "If it can, configure [relay.feedback].",
            )

    async def _loss(self) -> None:
        await self._ready("The lead is out of the plug, still? It is switched on, then the connection is cut.")
        await self._off()
        await self._on()
        await self._stay(3.0, "switched on")
        self.person.tell("  Cutting the relay's connection, as a crash would.")
        cut_s = self.clock.now()
        self.service.relay_link.sever()

        def gone() -> list[float]:
            return [at_s for at_s, on in self.reports if at_s >= cut_s and not on]

        if self._reports:
            off = await self._until(gone, LOST_FOR_S, "waiting for the plug to go off")
        else:
            await self._pass(cut_s + 2.0)
            off = await self._yes("Did the plug go off?")
        took_s = gone()[0] - cut_s if off and self._reports else 0.0
        self.service.allow(False)
        self.service.relay_link.rejoin()
        await self._off()
        if not off:
            raise _Failed(
                f"The plug stayed on for {duration(LOST_FOR_S)} after the connection was cut.",
                "The broker must send relay.off_payload to relay.command_topic in this program's name (its will): see "
                "its access list, and whether the plug listens to this very broker.",
            )
        when = f", after {took_s:.1f} s" if self._reports else ""
        self._found("loss", "good", f"The broker switched the plug off by itself{when}.", figures={"took_s": took_s})

    async def _hold(self) -> None:
        hold_s = self.config.relay.hold_s
        if hold_s is None:
            self._found(
                "hold",
                "doubtful",
                "No hold time is configured: if broker and computer fail together, nothing ends a charge.",
                "If the plug can switch itself off after a while, use it: relay.hold_s, and {hold_s} in on_payload.",
            )
            return
        await self._ready(f"The lead is out of the plug? It is switched on once, and waited for: {duration(hold_s)}.")
        await self._off()
        self.service.relay.reasserts_on = False
        await self._on()
        on_s = self.service.sent_s[True]

        def gone() -> list[float]:
            return [at_s for at_s, on in self.reports if at_s > on_s and not on]

        most_s = 1.25 * hold_s + 15.0
        if self._reports:
            doing = f"nothing is said to the plug now; it should go off after {duration(hold_s)}"
            off = await self._until(gone, most_s, doing)
        else:
            await self._pass(on_s + hold_s + 5.0, "nothing is said to the plug now")
            off = await self._yes("Did the plug go off by itself?")
        held_s = gone()[0] - on_s if off and self._reports else float(hold_s)
        self.service.allow(False)  # before the supervisor takes it for somebody else's switching
        self.service.relay.reasserts_on = True
        await self._off()
        if not off:
            raise _Failed(
                f"The plug was not told anything for {duration(most_s if self._reports else hold_s)}, and stayed on.",
                "See where and in what unit on_payload tells it the time. Until then do not rely on it.",
            )
        early = held_s < 0.8 * hold_s
        what = f"The plug switched itself off after {duration(held_s)}"
        if early:
            remedy = (
                f"See the unit, or set relay.hold_s to what it really is; above {2 * self.config.relay.reassert_s:g}."
            )
            self._found("hold", "wrong", f"{what}, too early (hold_s is {hold_s}).", remedy, {"held_s": held_s})
        else:
            self._found("hold", "good", f"{what}, when nothing was heard.", figures={"held_s": held_s})

    async def _draw(self) -> None:
        about = duration(ROUNDS_LEAST * (ON_S + OFF_S))
        self.person.tell(
            f"  The lead, set to {self.config.charger.current_a:g} A, is plugged in, and a car that takes a charge is "
            f"connected to it.\n  It is switched on and off for {about} or somewhat longer. Leave kettle and oven off "
            "until then, and stay with it.\n  Plug, socket and cable are rated for it? If anything smells or hums: "
            "Ctrl-C, and pull nothing under load."
        )
        await self._ready("Is all of that so?")
        began_s = self.clock.now()
        await self._off()
        await self._pass(began_s + draw.SIDE_S, "looking at the house")
        steps: list[draw.Step] = []
        unclear = 0
        for number in range(1, ROUNDS_MOST + 1):
            await self._on()
            on_s = self.lane[-1][0]
            try:
                await self._stay(ON_S, f"round {number}: on")
            except _Failed as failure:
                raise self._with_power(failure, on_s) from None
            power_w = self._power_w(on_s)
            if power_w is not None and power_w < 30.0:
                raise _Failed(
                    f"Nothing draws: the plug reports {watts(power_w)} after {duration(ON_S)}.",
                    "See whether the car is connected, not full, and not waiting for an hour of its own choice.",
                )
            await self._off()
            off_s = self.lane[-1][0]
            await self._pass(off_s + OFF_S, f"round {number}: off")
            for at_s, settles_s, sign in ((on_s, draw.ON_SETTLES_S, 1.0), (off_s, draw.OFF_SETTLES_S, -1.0)):
                step = draw.step_between(
                    self._between(at_s - draw.SIDE_S, at_s),
                    self._between(at_s + settles_s, at_s + settles_s + draw.SIDE_S),
                    self.config.draw_w,
                )
                if step is None:
                    unclear += 1
                else:
                    steps.append(step._replace(step_w=sign * step.step_w))
            if number >= ROUNDS_LEAST and _agreed(steps):
                break
        self.person.tell(picture(self.readings, self.lane, began_s, self.clock.now()))
        self._judge_draw(steps, unclear)

    def _between(self, from_s: float, to_s: float) -> list[tuple[float, float]]:
        return [reading for reading in self.readings if from_s <= reading[0] <= to_s]

    def _power_w(self, on_s: float) -> float | None:
        """Return what the plug measured from when the car had begun until it was switched off; None: nothing."""
        off_s = next((at_s for at_s, on in self.lane if at_s > on_s and not on), math.inf)
        seen_w = [power_w for at_s, power_w in self.powers if on_s + draw.ON_SETTLES_S <= at_s <= off_s]
        return median(seen_w) if seen_w else None

    def _with_power(self, failure: _Failed, on_s: float) -> _Failed:
        """Add what the plug measured to what a charge failed of: the wrong current shows itself like that."""
        flowed_w = [power_w for at_s, power_w in self.powers if at_s >= on_s and power_w > 30.0]
        if not flowed_w:
            return failure
        power_w = median(flowed_w)
        current_a = power_w / (self._volts() or self.config.charger.voltage_v)
        measured = (
            f" The plug measured {watts(power_w)}, {current_a:.1f} A; current_a is {self.config.charger.current_a:g}."
        )
        return _Failed(failure.what + measured, failure.remedy, {"power_w": power_w, "current_a": current_a})

    def _volts(self, on: bool = True) -> float | None:
        """Return the voltage under load, or without it, in the draw's rounds; None: it is not measured."""
        seen_v = []
        for (from_s, was_on), (to_s, _) in zip(self.lane, [*self.lane[1:], (self.clock.now(), False)], strict=True):
            if was_on is on:
                seen_v += [value for at_s, value in self.volts if from_s + draw.ON_SETTLES_S <= at_s <= to_s]
        return median(seen_v) if seen_v else None

    def _judge_draw(self, steps: list[draw.Step], unclear: int) -> None:
        configured_w, current_a = self.config.draw_w, self.config.charger.current_a
        learned = _agreed(steps)
        plug_w = self._power_w(self.lane[-2][0])
        if learned and learned.draw_w < 0:
            what = f"Grid power falls by {watts(-learned.draw_w)} when the lead starts: the meter's sign is wrong."
            raise _Failed(what, _turned_round(self.config), {"step_w": learned.draw_w})
        if learned is None and plug_w is None:
            raise _Failed(
                f"The lead's draw cannot be told: {unclear} of {unclear + len(steps)} switchings were drowned by the "
                "rest of the house, or nothing was drawn.",
                "Try again on a calmer day, or in the evening, and see that the car charges.",
            )
        draw_w = learned.draw_w if learned else plug_w
        assert draw_w is not None
        volts = self._volts() or self.config.charger.voltage_v
        figures = {"draw_w": draw_w, "current_a": draw_w / volts, "volts": volts, "steps": float(len(steps))}
        told = [f"{watts(learned.draw_w)} +- {watts(learned.error_w)} by the house's meter"] if learned else []
        told += [f"{watts(plug_w)} by the plug's own"] if plug_w is not None else []
        what = f"The lead draws {', '.join(told)}; {draw_w / volts:.1f} A. "
        what += f"Configured: {watts(configured_w)}, {current_a:g} A"
        share = abs(draw_w / configured_w - 1)
        if share > WRONG_SHARE:
            remedy = "See what current the lead is set to, and correct the lead or current_a."
            self._found("draw", "wrong", f"{what}.", remedy, figures)
        elif share > CLOSE_SHARE:
            self._found("draw", "good", f"{what}.", f"In [charger]: draw_w = {round(draw_w)}", figures)
        else:
            self._found("draw", "good", f"{what}.", figures=figures)
        if (
            learned
            and plug_w is not None
            and abs(plug_w - learned.draw_w) > APART_SHARE * learned.draw_w + learned.error_w
        ):
            self._found(
                "draw",
                "doubtful",
                "The two meters do not agree on it.",
                "See the units, and whether the house's meter sees all phases, and the whole house.",
                {"plug_w": plug_w, "house_w": learned.draw_w},
            )
        elif learned:
            self._found("draw", "good", "Grid power rises when the lead starts: the meter's sign is right.")
        self._judge_voltage()

    def _judge_voltage(self) -> None:
        loaded_v, free_v = self._volts(), self._volts(on=False)
        if loaded_v is None or free_v is None:
            return
        share = (free_v - loaded_v) / free_v
        what = f"The voltage at the plug sinks by {free_v - loaded_v:.1f} V under load, {100 * share:.1f} %"
        figures = {"loaded_v": loaded_v, "free_v": free_v}
        if share > DROP_SHARE:
            remedy = "A long or thin line, or a bad joint that gets hot. Do not charge; ask a licensed electrician."
            self._found("draw", "wrong", f"{what}.", remedy, figures)
        else:
            self._found("draw", "good", f"{what}.", figures=figures)


def summary(findings: Sequence[Finding], starts: int) -> str:
    """Return what came of it, and what remains to be done."""
    left = [finding for finding in findings if finding.verdict != "good"]
    good = len(findings) - len(left)
    lines = [f"\n{good} of {len(findings)} findings are good." + (" What remains:" if left else "")]
    for finding in left:
        lines.append(f"  {finding.verdict}: {finding.what}")
        lines += [f"    {finding.remedy}"] if finding.remedy else []
    if starts:
        lines.append(
            f"It took {starts} starts; they count in the budgets, so the next charge may have to wait for an hour."
        )
    lines.append(
        "At the first charge: feel plug and socket after an hour. Lukewarm is normal; too hot to hold means stop."
    )
    return "\n".join(lines)


class Terminal:
    """A person at a terminal; or at a pipe, a script that answers line by line."""

    def __init__(self) -> None:
        self._lines: asyncio.Queue[str] = asyncio.Queue()
        self._reading = False
        self._shown = False

    def tell(self, text: str) -> None:
        self.show("")
        width = shutil.get_terminal_size().columns
        for line in text.splitlines():
            indent = " " * (len(line) - len(line.lstrip()))
            print(textwrap.fill(line, max(width, 40), subsequent_indent=indent) if len(line) > width else line)

    def show(self, text: str) -> None:
        if sys.stdout.isatty() and (text or self._shown):
            self._shown = bool(text)
            print(f"\r\033[K{text[: shutil.get_terminal_size().columns - 1]}", end="", flush=True)

    async def ask(self, question: str) -> str:
        self.show("")
        if sys.stdin.isatty():
            while not self._lines.empty():  # typed before there was a question: no answer to it
                self._lines.get_nowait()
        print(question, end=" ", flush=True)
        if not self._reading:
            # Not in asyncio's own threads: it would wait for this one at the end, until somebody presses Enter.
            self._reading = True
            threading.Thread(target=self._read, args=(asyncio.get_running_loop(),), daemon=True).start()
        line = await self._lines.get()
        if not line:
            raise EOFError
        if not sys.stdin.isatty():
            print(line.strip())
        return line.strip()

    def _read(self, loop: asyncio.AbstractEventLoop) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed
            while line := sys.stdin.readline():
                loop.call_soon_threadsafe(self._lines.put_nowait, line)
            loop.call_soon_threadsafe(self._lines.put_nowait, "")


async def run(config: Config, clock: Clock, person: Person, parts: Sequence[str]) -> tuple[list[Finding], int]:
    """Go through the given parts of PARTS; return what was found, and how many starts it took.

    The relay is off afterwards, and charging disabled. Raises ValueError where a daemon is at work on this charger,
    OSError or ValueError where a secret cannot be read, and EOFError when the person has gone.
    """
    sitting = Commissioning(config, clock, person)
    async with sitting.at_work():
        await sitting.go_through(parts)
    return sitting.findings, sitting.starts


def picture(
    readings: Sequence[tuple[float, float]],
    lane: Sequence[tuple[float, bool]],
    from_s: float,
    to_s: float,
    width: int = 72,
) -> str:
    """Draw grid power over time, and below it when the relay was on, in two lines of text."""
    blocks = "▁▂▃▄▅▆▇█"
    column_s = (to_s - from_s) / width
    means: list[float | None] = []
    for index in range(width):
        held = [grid_w for at_s, grid_w in readings if 0 <= at_s - from_s - index * column_s < column_s]
        means.append(sum(held) / len(held) if held else means[-1] if means else None)
    known = [value for value in means if value is not None]
    if not known:
        return ""
    low_w, high_w = min(known), max(known)
    span_w = max(high_w - low_w, 1.0)
    heights = "".join(" " if value is None else blocks[round(7 * (value - low_w) / span_w)] for value in means)
    ons = ""
    for index in range(width):
        at_s = from_s + (index + 0.5) * column_s
        before = [on for switched_s, on in lane if switched_s <= at_s]
        ons += "━" if before and before[-1] else " "
    return (
        f"  grid power, from {low_w:.0f} to {high_w:.0f} W, over {duration(to_s - from_s)}\n  {heights}\n  {ons}\n"
        "  the line: the lead is on"
    )


def _agreed(steps: Sequence[draw.Step]) -> draw.Estimate | None:
    """Return what the steps agree on, whatever is configured; negative where grid power goes the wrong way."""
    if not steps:
        return None
    middle_w = median(step.step_w for step in steps)
    if middle_w >= 0:
        return draw.estimate(steps, max(middle_w, 1.0))
    found = draw.estimate([step._replace(step_w=-step.step_w) for step in steps], -middle_w)
    return found and found._replace(draw_w=-found.draw_w)


def _failed_by(fault: Fault, then: str = "") -> _Failed:
    return _Failed(fault.sentence, fault.remedy + then)


def _flow(grid_w: float) -> str:
    return f"the house {'imports' if grid_w > 0 else 'exports'} {watts(abs(grid_w))}"


def _turned_round(config: Config) -> str:
    other = {
        "net-import": "net-export",
        "net-export": "net-import",
        "import-only": "export-only",
        "export-only": "import-only",
    }
    changes = [f'{meter.topic}: measures = "{other[meter.measures]}"' for meter in config.meter]
    return f"Turn it round, in [[meter]] of {'; of '.join(changes)}. Then try again."
