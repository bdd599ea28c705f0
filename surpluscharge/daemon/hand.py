"""The daemon led by hand: switched on when told and whatever the sun does, watched, and waited for.

It is the daemon itself, with its supervisor, its wills and its store. What commissioning asks of it is in
``commission.py``.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Protocol

from surpluscharge.clock import Clock
from surpluscharge.config import Config
from surpluscharge.control import machine
from surpluscharge.control.controller import Kept
from surpluscharge.control.signals import REJECTIONS, Rejected, text_of, truth
from surpluscharge.control.supervisor import Fault
from surpluscharge.daemon.mqtt import Link
from surpluscharge.daemon.relay import Relay
from surpluscharge.daemon.service import Service
from surpluscharge.daemon.status import explain
from surpluscharge.words import duration, printable, watts

NOTHING: Mapping[str, float] = MappingProxyType({})
PAUSE_S = 10.0  # between two switchings with nothing plugged in; with the car they are a minute apart
STARTS = 20  # in an hour; they count for the daemon's own budgets afterwards
LOOK_EVERY_S = 0.25
OBEYED_WITHIN_S = 40.0  # the supervisor's own patience is 30
START_WITHIN_S = 900.0  # a cooldown or an earlier charge's pause may have to end first
HELD_UP_S = 60.0  # by something whose end is not known
ANSWER_WITHIN_S = 60.0  # while the relay is on
FLOWS_W = 30.0  # more than a lead takes without a car


class Person(Protocol):
    """Who sits before it; see :class:`surpluscharge.daemon.terminal.Terminal`."""

    def tell(self, text: str) -> None: ...
    def show(self, text: str) -> None: ...
    async def ask(self, question: str) -> str: ...


class LeftOut(Exception):  # noqa: N818
    """A part is left out, for this reason."""


class Failed(Exception):  # noqa: N818
    """A part cannot go on; the finding says why."""

    def __init__(self, what: str, remedy: str = "", figures: Mapping[str, float] = NOTHING) -> None:
        super().__init__(what)
        self.what, self.remedy, self.figures = what, remedy, figures


class ByHand(Service):
    """The daemon, charging when told and whatever the sun does. Others may switch it off, and not on."""

    def __init__(self, config: Config, clock: Clock, heard: Callable[[str], None]) -> None:
        control = config.control.model_copy(
            update={
                "start_export_w": -math.inf,  # every reading will do
                "stop_import_w": math.inf,
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
        self.came: dict[str, bytes] = {}  # the last that came on each topic
        # No dashboard is offered a switch that does nothing now.
        homie = config.homie.model_copy(update={"publish": False})
        super().__init__(config.model_copy(update={"control": control, "homie": homie}), clock)

    @property
    def connected(self) -> bool:
        """Whether all its connections are up."""
        return self._main_link.up and self._readings_link.up and self._relay_link.up

    @property
    def relay_link(self) -> Link:
        return self._relay_link

    @property
    def relay(self) -> Relay:
        return self._relay

    def allow(self, on: bool) -> None:
        """Switch charging on or off."""
        self.sent_s.pop(on, None)
        self.taken_s.pop(on, None)
        self._tell(self.controller.enable, on)

    def explain(self) -> tuple[str, str | None, float | None]:
        """Return why it does what it does, what it waits for, and for how many more seconds, where that is known."""
        return explain(self.controller, self.config, self._at(), self.clock.wall())

    def acknowledge(self, code: str) -> None:
        """A person has seen to a latched fault."""
        self._tell(self.controller.acknowledge, code)

    def relay_sending(self, on: bool) -> None:
        self.sent_s.setdefault(on, self.clock.now())
        super().relay_sending(on)

    def relay_acknowledged(self, on: bool) -> None:
        self.taken_s.setdefault(on, self.clock.now())
        super().relay_acknowledged(on)

    def _restore(self) -> Kept | None:
        kept = super()._restore()
        return kept and kept._replace(enabled=False)  # nothing starts before it is asked for

    def _write(self, serial: int, kept: Kept) -> None:
        super()._write(serial, kept._replace(enabled=False))  # nor in the daemon's name, however this ends

    def _on_enable(self, topic: str, payload: bytes, retained: bool) -> None:
        with contextlib.suppress(Rejected):
            if truth(text_of(payload)):
                self._tell(self.controller.refuse, topic, "commissioning", payload)
                return
        super()._on_enable(topic, payload, retained)

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        self.came[topic] = payload
        super()._on_message(topic, payload, retained)
        self._heard(topic)


class Hand:
    """What a person at the plug may have done, and what is seen of it."""

    def __init__(self, config: Config, clock: Clock, person: Person) -> None:
        """Raises ValueError or OSError where a secret or certificate cannot be read."""
        self.config, self.clock, self.person = config, clock, person
        self.starts = 0
        self.readings: list[tuple[float, float]] = []  # (time, grid power)
        self.sources: list[list[tuple[float, float]]] = [[] for _ in config.meter]  # the same of each, import positive
        self.powers: list[tuple[float, float]] = []  # (time, the plug's own power)
        self.volts: list[tuple[float, float]] = []
        self.reports: list[tuple[float, bool]] = []  # (time, the plug's word)
        self.lane: list[tuple[float, bool]] = []  # (time, switched on or off) in the present part
        self.slowest_s = 0.0  # the plug's longest delay so far
        self.latched_told: set[str] = set()  # latched faults that the person has been told of
        self._running: asyncio.Task[None] | None = None
        self.service = ByHand(config, clock, self._heard)
        self.controller = self.service.controller

    def _make_safe(self) -> None:
        self.service.allow(False)
        self.service.relay_link.rejoin()
        self.service.relay.reasserts_on = True

    def _heard(self, topic: str) -> None:
        controller, now_s = self.controller, self.clock.now()
        grid = controller.grid
        news = False
        for index, seen in enumerate(self.sources):
            reading = grid.reading(index)
            if reading and (not seen or reading.at_s > seen[-1][0]):
                seen.append((reading.at_s, reading.value))
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
                raise Failed("The daemon has ended.", "What it said last stands above.")
            left_s = began_s + within_s - self.clock.now()
            if left_s <= 0:
                return False
            if doing:
                self.person.show(f"  {doing} ({duration(left_s)} left at most)")
            await self.clock.sleep(LOOK_EVERY_S)
        self.person.show("")
        return True

    async def _pass(self, until_s: float, doing: str = "") -> None:
        """Let time pass."""
        await self._until(lambda: self.clock.now() >= until_s, until_s + 1.0 - self.clock.now(), doing)

    async def _ready(self, question: str) -> None:
        """Wait until the person says that it is so: nothing else will do. Raises LeftOut."""
        while (answer := (await self.person.ask(f"  {question} [yes, or skip]")).lower()) not in ("yes", "y"):
            if answer in ("skip", "s"):
                raise LeftOut("left out by you")
            self.person.tell("  Take your time. When it is so: yes; to leave this out: skip.")

    async def _yes(self, question: str) -> bool:
        """Ask, for as long as the relay may stay as it is for an answer. Raises LeftOut."""
        try:
            async with asyncio.timeout(self.clock.real_s(ANSWER_WITHIN_S)):
                while True:
                    answer = (await self.person.ask(f"  {question} [yes, no, or skip]")).lower()
                    if answer in ("skip", "s"):
                        raise LeftOut("left out by you")
                    if answer in ("yes", "y", "no", "n"):
                        return answer.startswith("y")
        except TimeoutError:
            raise LeftOut(f"nobody answered within {duration(ANSWER_WITHIN_S)}") from None

    # --- switching ----------------------------------------------------------------------------------------------------

    @property
    def _reports(self) -> bool:
        return self.controller.settings.contact is not None

    async def _on(self) -> float:
        """Switch on; return the seconds until it was confirmed. Raises Failed, LeftOut."""
        controller, service = self.controller, self.service
        service.allow(True)
        began_s = self.clock.now()
        while not controller.wants_on:
            for record in controller.faults:
                if record.latches and not record.acknowledged:
                    await self._seen_to(record.fault)
            if not controller.enabled:
                raise Failed("Charging was switched off meanwhile, by its enable topic.", "Try this part again.")
            why, waiting_for, wait_s = service.explain()
            waited_s = self.clock.now() - began_s
            if wait_s is not None and waited_s + wait_s > START_WITHIN_S:
                raise LeftOut(f"{why} It waits for {waiting_for}; try again then")
            if wait_s is None and waited_s > HELD_UP_S:
                raise Failed(
                    f"It did not come to a start: {why}" + (f" It waits for {waiting_for}." if waiting_for else "")
                )
            self.person.show(f"  waiting for {waiting_for}" if waiting_for else f"  {why}")
            await self._until(lambda: controller.wants_on, 1.0)
        self.starts += 1
        self.lane.append((self.clock.now(), True))
        await self._until(
            lambda: controller.confirmed(True) or not controller.wants_on or self._dropped_s() is not None,
            OBEYED_WITHIN_S,
            "switching on",
        )
        self._still_on()
        return self._took_s(True)

    async def _off(self) -> float:
        """Switch off; return the seconds until it was confirmed. Raises Failed."""
        self.service.allow(False)
        self.lane.append((self.clock.now(), False))
        if not await self._until(lambda: self.controller.confirmed(False), OBEYED_WITHIN_S, "switching off"):
            feedback = self.config.relay.feedback
            refused = self._refused(feedback.topic) if feedback else ""
            raise Failed(
                "The plug was told to switch off and has not said that it did." + (f" {refused}" if refused else ""),
                "See with your own eyes that it is off. Then: is it powered and connected, and are topic, pointer and "
                "values of relay.feedback right? One that only reports changes: press its own button, on and off.",
            )
        return self._took_s(False)

    async def _seen_to(self, fault: Fault) -> None:
        """Ask whether somebody has looked at a latched fault, and acknowledge it. Raises LeftOut."""
        self.person.tell(f"  {fault.code}: {fault.sentence}\n  {fault.remedy}")
        self.service.allow(False)
        await self._ready("Has somebody looked, and is it mended?")
        self.latched_told.discard(fault.code)
        self.service.acknowledge(fault.code)
        self.service.allow(True)

    def _dropped_s(self) -> float | None:
        """Say for how long the plug was on, by its own reports, before it went off by itself; None: it did not."""
        on_s = self.service.sent_s.get(True, math.inf)
        ons = [at_s for at_s, on in self.reports if on and at_s >= on_s]
        offs = [at_s for at_s, on in self.reports if ons and not on and at_s > ons[0]]
        return offs[0] - on_s if offs and self.controller.wants_on else None

    def _still_on(self) -> None:
        """Raises Failed where the relay is on no longer."""
        controller = self.controller
        if (held_s := self._dropped_s()) is not None:
            self.service.allow(False)  # before the supervisor takes it for somebody else's switching
            raise Failed(
                f"The plug went off by itself, {held_s:.1f} s after it had been told on.",
                "If nobody switched it: is the time in on_payload in the plug's own unit"
                + (f" (hold_s is {self.config.relay.hold_s} seconds)?" if self.config.relay.hold_s else "?"),
            )
        if controller.wants_on:
            return
        codes = {record.code for record in controller.faults}
        since = [on for at_s, on in self.reports if at_s >= self.service.sent_s.get(True, math.inf)]
        if "relay-not-on" in codes and since and not any(since):
            raise Failed(
                "The relay was told to switch on, and the plug still reports that it is off.",
                "See relay.command_topic and relay.on_payload first, then relay.feedback.",
            )
        if "meter-sign-tested" in codes:
            raise Failed(
                "Grid power went the wrong way when the lead began to draw.",
                "Are import and export the right way round? The part sign, with a kettle, tells.",
            )
        grave = [record.fault for record in controller.faults if record.fault.severity >= machine.END]
        if grave:
            worst = max(grave, key=lambda fault: fault.severity)
            raise Failed(worst.sentence, worst.remedy)
        raise Failed(f"It went off by itself: {self.service.explain()[0]}")

    async def _stay(self, seconds: float, doing: str, enough: Callable[[], object] = lambda: False) -> bool:
        """Stay on for a while, or until it is enough; say whether it was. Raises Failed."""
        await self._until(
            lambda: enough() or not self.controller.wants_on or self._dropped_s() is not None, seconds, doing
        )
        self._still_on()
        return bool(enough())

    async def _empty(self) -> None:
        await self._ready("The relay is switched with nothing in it. Is nothing plugged into the plug?")

    async def _stay_empty(self, seconds: float) -> None:
        """Stay on, and see that nothing draws: no load is to be cut for a trial. Raises Failed."""
        on_s = self.lane[-1][0]
        if await self._stay(seconds, "on, with nothing in it", lambda: self._drawn_w(on_s) > FLOWS_W):
            drawn_w = self._drawn_w(on_s)
            await self._off()
            raise Failed(
                f"{watts(drawn_w)} flows through the plug: something is still plugged in.",
                "Take it out, and try again. If nothing is: see topic, pointer and unit of relay.power.",
                {"power_w": drawn_w},
            )

    def _took_s(self, on: bool) -> float:
        sent_s = self.service.sent_s.get(on, self.clock.now())
        said = [at_s for at_s, reported in self.reports if at_s >= sent_s and reported is on]
        took_s = max(0.0, (said[0] if said else self.service.taken_s.get(on, sent_s)) - sent_s)
        self.slowest_s = max(self.slowest_s, took_s)
        return took_s

    def _drawn_w(self, since_s: float) -> float:
        return max((power_w for at_s, power_w in self.powers if at_s >= since_s), default=0.0)

    def _refused(self, topic: str) -> str:
        """Say what came on a topic and could not be used, and why; nothing, where all could be."""
        # What the broker had retained says nothing of what is still to come.
        rejected = self.controller.rejected
        reasons = sorted(reason for where, reason in rejected if where == topic and reason != "retained")
        if not reasons:
            return ""
        payload = self.service.came.get(topic, b"")[:60].decode("utf-8", "backslashreplace")
        return f"On {topic} came {printable(payload)}: {'; '.join(REJECTIONS[reason] for reason in reasons)}."
