"""The daemon led by hand: switched on when told and whatever the sun does, watched, and waited for.

It is the daemon itself, with its supervisor, its wills and its store. What commissioning asks of it is in
``commission.py``.

From the daemon's usual life it differs in this: any reading is good enough to start; others may switch it off and not
on; no dashboard hears of it; its pause is short (with the car a minute passes anyway) and its start budget its own; and
to see what plug and broker do then, the relay may be left alone (``Relay.reasserts_on``) or its connection be cut
(``Link.sever``).

A remedy is written so that it can be obeyed to the letter (:func:`put`): the table, the key and, where it is known, the
value. tests/test_wirings.py plays a person who does no more and no less.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple, Protocol

from aiomqtt import MqttError

from surpluscharge.clock import Clock
from surpluscharge.config import Config
from surpluscharge.control import machine, news
from surpluscharge.control.controller import Controller, Kept
from surpluscharge.control.signals import REJECTIONS, Contact, Rejected, Source, number, text_of, value_at
from surpluscharge.control.supervisor import Fault
from surpluscharge.daemon import commands
from surpluscharge.daemon.ports import REAL, Ports, Store
from surpluscharge.daemon.relay import off_post
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
CONTRARY_AFTER_S = 20.0  # a plug has so long to follow; the supervisor gives it twice that
TURNS_WITHIN_S = 15.0  # and so long to answer to the other payload
HOUSE_MOST_KW = 100.0  # no house has a connection for so much: these are watts
PATHS_MOST = 12  # of a payload, to choose from


LAMP = "Put a small lamp, and nothing else, into the plug"


class Person(Protocol):
    """Who sits before it; see :class:`surpluscharge.commissioning.terminal.Terminal`."""

    def tell(self, text: str) -> None: ...
    def show(self, text: str) -> None: ...
    async def ask(self, question: str) -> str: ...


class Refusal(NamedTuple):
    """A message that could not be used, for the table of the configuration that it was for."""

    reason: str  # a key of REJECTIONS
    payload: bytes


class LeftOut(Exception):  # noqa: N818
    """A part is left out, for this reason."""


class Failed(Exception):  # noqa: N818
    """A part cannot go on; the finding says why."""

    def __init__(self, what: str, remedy: str = "", figures: Mapping[str, float] = NOTHING) -> None:
        super().__init__(what)
        self.what, self.remedy, self.figures = what, remedy, figures


class _Unattended:
    """A store in which nothing is enabled.

    Nothing starts before it is asked for, nor later in the daemon's name, however this ends; and what is exchanged is
    found anew.
    """

    def __init__(self, store: Store) -> None:
        self._store, self.alone = store, store.alone

    def load(self, path: Path, clock: Clock) -> Kept | None:
        kept = self._store.load(path, clock)
        return kept and kept._replace(enabled=False, exchanged=())

    def save(self, path: Path, kept: Kept, clock: Clock) -> None:
        self._store.save(path, kept._replace(enabled=False), clock)


def _enable(payload: bytes, controller: Controller, wall: datetime) -> news.Enable:
    """Others may switch it off, and not on."""
    if (enable := commands.enable(payload, controller, wall)).on:
        raise Rejected("commissioning")
    return enable


# Of what the daemon can be told otherwise; to charge by plan is not for now.
COMMANDS = tuple(
    row._replace(read=_enable) if row.name == "enable" else row for row in commands.COMMANDS if row.name != "plan"
)


class ByHand:
    """The daemon, charging when told and whatever the sun does. Others may switch it off, and not on."""

    def __init__(self, config: Config, clock: Clock, heard: Callable[[str], None], ports: Ports = REAL) -> None:
        control = config.control.model_copy(
            update={
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
        self.refused: dict[str, Refusal] = {}  # the last of each table's that could not be used
        self.usable: set[str] = set()  # the tables for which something came that could
        # No dashboard is offered a switch that does nothing now.
        homie = config.homie.model_copy(update={"publish": False})
        config = config.model_copy(update={"control": control, "homie": homie})
        ports = ports._replace(store=_Unattended(ports.store), told=self._told)
        self.service = Service(config, clock, ports, commands=COMMANDS, by_hand=True)
        self.controller = self.service.controller

    def _told(self, happened: news.News) -> None:
        """Note what commissioning wants to know of what the daemon was told."""
        match happened:
            case news.Sending(on):
                self.sent_s.setdefault(on, self.service.clock.now())
            case news.Taken(on):
                self.taken_s.setdefault(on, self.service.clock.now())
            case news.Message(topic, payload, retained):
                self._read(topic, payload, retained)
                self._heard(topic)

    def _read(self, topic: str, payload: bytes, retained: bool) -> None:
        for table, source in self.sources().items():
            if source.topic == topic and not retained:  # what the broker had retained says nothing of what is to come
                try:
                    source.read(payload)
                    self.usable.add(table)
                except Rejected as refusal:
                    self.refused[table] = Refusal(refusal.reason, payload)

    @property
    def connected(self) -> bool:
        """Whether all its connections are up."""
        return self.service.main_link.up and self.service.readings_link.up and self.service.relay_link.up

    def allow(self, on: bool) -> None:
        """Switch charging on or off."""
        self.sent_s.pop(on, None)
        self.taken_s.pop(on, None)
        self.service.tell(news.Enable(on))

    async def exchange(self, exchanged: bool) -> None:
        """Take what on_payload holds for "off", and off_payload for "on", from now on or no longer; say off so."""
        service = self.service
        service.relay.exchanged = exchanged
        off = off_post(service.config, exchanged)
        service.relay_link.promise(off)
        with contextlib.suppress(MqttError):  # the relay says it again
            await service.relay_link.publish(off)

    def explain(self) -> tuple[str, str | None, float | None]:
        """Return why it does what it does, what it waits for, and for how many more seconds, where that is known."""
        service = self.service
        return explain(self.controller, service.config, service.at(), service.clock.wall())

    def acknowledge(self, code: str) -> None:
        """A person has seen to a latched fault."""
        self.service.tell(news.Acknowledge(code))

    def sources(self) -> dict[str, Source | Contact]:
        """Return what is read, by its table in the configuration; the meters by their number."""
        settings = self.controller.settings
        found: dict[str, Source | Contact | None] = {f"meter.{i}": source for i, source in enumerate(settings.grid)}
        found |= {
            "relay.feedback": settings.contact,
            "relay.power": settings.power,
            "relay.temperature": settings.temperature,
            "relay.voltage": settings.voltage,
            "battery.power": settings.battery and settings.battery.power,
            "battery.level": settings.battery and settings.battery.charge,
        }
        return {table: source for table, source in found.items() if source}


class Hand:
    """What a person at the plug may have done, and what is seen of it."""

    def __init__(self, config: Config, clock: Clock, person: Person, ports: Ports = REAL) -> None:
        """Raises ValueError or OSError where a secret or certificate cannot be read."""
        self.config, self.clock, self.person = config, clock, person
        self.starts = 0
        self.readings: list[tuple[float, float]] = []  # (time, grid power); what it would be without a house battery
        self.battery: list[tuple[float, float]] = []  # (time, its power, positive while it is charged)
        self.sources: list[list[tuple[float, float]]] = [[] for _ in config.meter]  # the same of each, import positive
        self.powers: list[tuple[float, float]] = []  # (time, the plug's own power)
        self.volts: list[tuple[float, float]] = []
        self.reports: list[tuple[float, bool]] = []  # (time, the plug's word)
        self.lane: list[tuple[float, bool]] = []  # (time, switched on or off) in the present part
        self.slowest_s = 0.0  # the plug's longest delay so far
        self.latched_told: set[str] = set()  # latched faults that the person has been told of
        self.refused_told: set[str] = set()  # tables of which the person was told that what came could not be used
        self.off_s = 0.0  # since when it is to be off
        self.obeyed = False  # it was switched on and off again, by its own word or the broker's
        self.seen_off = False  # whatever it reports
        self.empty = False  # nothing is plugged into the plug, by the person's word
        self._running: asyncio.Task[None] | None = None
        self.led = ByHand(config, clock, self._heard, ports)
        self.controller = self.led.controller

    def _make_safe(self) -> None:
        self.led.allow(False)
        self.led.service.relay_link.rejoin()
        self.led.service.relay.reasserts_on = True

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
            self.readings.append((now_s, grid.value - (controller.battery.value or 0.0)))
        for meter, seen in (
            (controller.plug.power, self.powers),
            (controller.plug.voltage, self.volts),
            (controller.battery, self.battery),
        ):
            if topic in meter.topics and meter.value is not None and meter.at_s != (seen[-1][0] if seen else None):
                seen.append((meter.at_s or now_s, meter.value))
        contact = controller.settings.contact
        if contact and topic == contact.topic and controller.plug.reported is not None:
            self.reports.append((now_s, controller.plug.reported))

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

    async def _seen(self, question: str) -> bool | None:
        """Ask, for as long as the relay may stay as it is for an answer; None: the person cannot tell. Raises LeftOut.

        Many plugs show no light, and some make no sound.
        """
        try:
            async with asyncio.timeout(self.clock.real_s(ANSWER_WITHIN_S)):
                while True:
                    within = duration(ANSWER_WITHIN_S)
                    asked = f"  {question} [yes, no, cannot tell, or skip; within {within}]"
                    answer = (await self.person.ask(asked)).lower()
                    if answer in ("skip", "s"):
                        raise LeftOut("left out by you")
                    if answer in ("cannot tell", "cannot", "c", "?"):
                        return None
                    if answer in ("yes", "y", "no", "n"):
                        return answer.startswith("y")
        except TimeoutError:
            raise LeftOut(f"nobody answered within {duration(ANSWER_WITHIN_S)}") from None

    async def _told(self, question: str) -> bool:
        """Ask what nothing but the person's eyes can tell. Raises LeftOut."""
        if (seen := await self._seen(question)) is None:
            raise LeftOut(f"nobody could tell. {LAMP}, and go through this part again")
        return seen

    # --- switching ----------------------------------------------------------------------------------------------------

    @property
    def _reports(self) -> bool:
        return self.controller.settings.contact is not None

    async def _on(self) -> float:
        """Switch on; return the seconds until it was confirmed. Raises Failed, LeftOut."""
        controller, led = self.controller, self.led
        led.allow(True)
        began_s = known_s = self.clock.now()
        while not controller.wants_on:
            for record in controller.faults:
                if record.code == "meter-sign-tested" and self.starts:  # it would end each start at once
                    self._still_on()
                if record.latches and not record.acknowledged:
                    await self._seen_to(record.fault)
                    led.allow(True)
            if not controller.enabled:
                raise Failed("Charging was switched off meanwhile, by its enable topic.", "Try this part again.")
            why, waiting_for, wait_s = led.explain()
            waited_s = self.clock.now() - began_s
            if wait_s is not None and waited_s + wait_s > START_WITHIN_S:
                raise LeftOut(f"{why} It waits for {waiting_for}; try again then")
            known_s = known_s if wait_s is None else self.clock.now()
            if self.clock.now() > known_s + HELD_UP_S:
                raise Failed(
                    f"It did not come to a start: {why}" + (f" It waits for {waiting_for}." if waiting_for else "")
                )
            self.person.show(f"  waiting for {waiting_for}" if waiting_for else f"  {why}")
            await self._until(lambda: controller.wants_on, 1.0)
        self.starts += 1
        self.lane.append((self.clock.now(), True))
        await self._until(
            lambda: controller.plug.confirmed(True) or not controller.wants_on or self._dropped_s() is not None,
            OBEYED_WITHIN_S,
            "switching on",
        )
        self._still_on()
        return self._took_s(True)

    async def _off(self) -> float:
        """Switch off; return the seconds until it was confirmed. Raises Failed."""
        self.led.allow(False)
        self.off_s = self.clock.now()
        self.lane.append((self.off_s, False))
        confirmed = self.controller.plug.confirmed
        await self._until(lambda: confirmed(False) or self._contrary(), OBEYED_WITHIN_S, "switching off")
        if not confirmed(False):
            raise await self._why_not_off()
        self.obeyed = self.obeyed or self.starts > 0
        return self._took_s(False)

    def _contrary(self) -> bool:
        """Say whether the plug reports that it is on, or current flows, though it was told off long ago."""
        since_s = self.off_s + CONTRARY_AFTER_S
        since = [on for at_s, on in self.reports if at_s >= since_s]
        return bool(since and since[-1]) or (self._last_w(since_s) or 0.0) > FLOWS_W

    async def _why_not_off(self) -> Failed:
        """Find out why the plug was told off and is not known to be; if it can be, switch it off."""
        refused = self._refused("relay.feedback")
        if not self._contrary():
            self.refused_told |= {"relay.feedback"} if refused else set()
            eyes = "See with your own eyes that it is off. "
            if refused:
                eyes += self._other_words()
            else:
                eyes += f"Then: is it powered and connected? {listens('off')} Are topic, pointer and values of "
                eyes += "relay.feedback right? One that only reports changes: press its own button, on and off."
            return Failed(f"The plug was told to switch off and has not said that it did. {refused}".strip(), eyes)
        flows = (self._last_w(self.off_s) or 0.0) > FLOWS_W
        if self.obeyed or self.starts:  # told on it went on, or would have failed: nothing is exchanged
            return await self._deaf(flows)
        if not flows and not self.empty:
            self.empty = bool(
                await self._seen_or_not(
                    "The plug was told off, and says that it is on. Take out what is in it. Is nothing in it now?"
                )
            )
        if not flows and not self.empty:
            return Failed(
                "The plug was told to switch off, and says that it is on.",
                "Switch it off by its own button, and take out what is in it. Then go through this again: with nothing "
                "in it can be found out whether two payloads or values are exchanged.",
            )
        # Where current flows, to tell it on cannot make it worse; and where nothing is in it, there is nothing to draw.
        told_s = self.clock.now()
        await self.led.exchange(True)
        if flows:
            off: bool | None = await self._until(
                lambda: (now_w := self._last_w(told_s)) is not None and now_w <= FLOWS_W,
                OBEYED_WITHIN_S,
                "telling it on, to see whether that means off",
            )
        else:
            off = await self._until(
                lambda: any(at_s >= told_s and not on for at_s, on in self.reports), TURNS_WITHIN_S, "telling it on"
            )
        if not off:
            await self.led.exchange(False)
            return await self._deaf(flows)
        if not flows:
            off = await self._seen_or_not(
                "Told off, it said that it is on; told on, it says that it is off. Is it off?"
            )
        if off:
            said = [on for at_s, on in self.reports if at_s >= told_s]
            return await self._exchanged(bool(said and said[-1]))
        await self.led.exchange(False)
        self.latched_told.add("relay-stuck-on")  # it is not stuck
        if off is None:
            return Failed(
                "Told off, the plug says that it is on, and told on that it is off: on_payload and off_payload are "
                "exchanged, or on_value and off_value are.",
                f"{LAMP}: then it can be seen which. Go through this part again. Until then, leave no lead in it.",
            )
        self._settled_by_hand()
        return Failed(
            "The plug does what it is told, and reports the opposite: on_value and off_value are exchanged.",
            self._values_exchanged(),
        )

    def _last_w(self, since_s: float) -> float | None:
        """Return the last of the plug's powers since a time; None: it has not measured since then."""
        since = [power_w for at_s, power_w in self.powers if at_s >= since_s]
        return since[-1] if since else None

    def _values_exchanged(self) -> str:
        feedback = self.config.relay.feedback
        assert feedback
        return put("[relay.feedback]", on_value=feedback.off_value, off_value=feedback.on_value)

    async def _seen_or_not(self, question: str) -> bool | None:
        try:
            return await self._seen(question)
        except LeftOut:  # here it matters more to end in a known way
            return None

    async def _exchanged(self, values_too: bool) -> Failed:
        """The two payloads are exchanged: from now on off is said with the one that does it, also by the broker."""
        relay = self.config.relay
        if not self.led.service.relay.exchanged:
            await self.led.exchange(True)
        self.led.service.relay_link.renew()
        remedy = put("[relay]", on_payload=relay.off_payload, off_payload=relay.on_payload)
        remedy += " Leave the hold time in on_payload." if relay.hold_s else ""
        remedy += f" The values that it reports are exchanged, too. {self._values_exchanged()}" if values_too else ""
        self._settled_by_hand()
        return Failed(
            "Told off, the plug goes on, and told on it goes off: on_payload and off_payload are exchanged. It has "
            "just been told off with what on_payload holds: see that it is off.",
            f"{remedy} Until that is done, leave nothing in the plug: the off of this program, and of the broker when "
            "it is gone, switch it on.",
        )

    async def _deaf(self, flows: bool) -> Failed:
        """The plug says that it is on whatever it is told."""
        if flows:
            return Failed(
                "The plug was told to switch off, and current still flows.",
                "Switch the circuit off at the fuse board, now; only then take out what is in the plug. Its relay may "
                f"be welded: then replace the plug. If it has never obeyed: {listens('off')}",
            )
        on = await self._seen_or_not("Whatever it is told, it says that it is on. Is it on?")
        if on is False:
            self._settled_by_hand()
            return Failed(
                "The plug is off, and reports that it is on, whatever it is told.",
                "Is relay.feedback of this plug, and not of another one? Are its topic and pointer right?",
            )
        return Failed(
            "The plug was told to switch off, and stays on, whatever it is told.",
            f"Switch it off by its own button, and leave nothing in it. {listens('off')} If both are right and its "
            "button does not switch it off either, its relay is welded: replace the plug.",
        )

    async def _went_not_on(self) -> Failed:
        """Find out why the plug did not go on, by the person's word."""
        feedback = self.config.relay.feedback
        await self._off()
        if await self._seen_or_not("It has been told off now. Is it on?"):
            return await self._exchanged(feedback is not None)
        return Failed(
            "The plug was told to switch on, and this one did not.",
            listens("on") + (" Or is relay.feedback, and all the rest, of another plug?" if feedback else ""),
        )

    def _settled_by_hand(self) -> None:
        """A person or the plug's meter saw that it is off, and the cause is known: nobody need look for a weld."""
        self.seen_off = True
        self.latched_told.add("relay-stuck-on")
        self.led.acknowledge("relay-stuck-on")

    async def _seen_to(self, fault: Fault) -> None:
        """Ask whether somebody has looked at a latched fault, and acknowledge it. Raises LeftOut."""
        self.person.tell(f"  {fault.code}: {fault.sentence}\n  {fault.remedy}")
        self.led.allow(False)
        await self._ready("Has somebody looked, and is it mended?")
        self.latched_told.discard(fault.code)
        self.led.acknowledge(fault.code)

    def _dropped_s(self) -> float | None:
        """Say for how long the plug was on, by its own reports, before it went off by itself; None: it did not."""
        on_s = self.led.sent_s.get(True, math.inf)
        ons = [at_s for at_s, on in self.reports if on and at_s >= on_s]
        offs = [at_s for at_s, on in self.reports if ons and not on and at_s > ons[0]]
        return offs[0] - on_s if offs and self.controller.wants_on else None

    def _still_on(self) -> None:
        """Raises Failed where the relay is on no longer."""
        controller = self.controller
        if (held_s := self._dropped_s()) is not None:
            self.led.allow(False)  # before the supervisor takes it for somebody else's switching
            raise Failed(
                f"The plug went off by itself, {held_s:.1f} s after it had been told on.",
                "If nobody switched it: is the time in on_payload in the plug's own unit"
                + (f" (hold_s is {self.config.relay.hold_s}, in seconds)?" if self.config.relay.hold_s else "?"),
            )
        if controller.wants_on:
            return
        codes = {record.code for record in controller.faults}
        since = [on for at_s, on in self.reports if at_s >= self.led.sent_s.get(True, math.inf)]
        if "relay-not-on" in codes and since and not any(since):
            raise Failed(
                "The relay was told to switch on, and the plug still reports that it is off.",
                f"{listens('on')} Then relay.feedback: is that of this plug?",
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
        raise Failed(f"It went off by itself: {self.led.explain()[0]}")

    async def _stay(self, seconds: float, doing: str, enough: Callable[[], object] = lambda: False) -> bool:
        """Stay on for a while, or until it is enough; say whether it was. Raises Failed."""
        await self._until(
            lambda: enough() or not self.controller.wants_on or self._dropped_s() is not None, seconds, doing
        )
        self._still_on()
        return bool(enough())

    async def _empty(self) -> None:
        await self._ready("The relay is switched with nothing in it. Is nothing plugged into the plug?")
        self.empty = True

    async def _stay_empty(self, seconds: float) -> None:
        """Stay on, and see that nothing draws: no load is to be cut for a trial. Raises Failed."""
        on_s = self.lane[-1][0]
        if await self._stay(seconds, "on, with nothing in it", lambda: self._drawn_w(on_s) > FLOWS_W):
            drawn_w = self._drawn_w(on_s)
            await self._off()
            raise Failed(
                f"{watts(drawn_w)} flows through the plug: something is still plugged in.",
                "Take it out, and try again. If nothing is: "
                + (
                    put("[relay.power]", unit="W")
                    if self.config.relay.power and self.config.relay.power.unit == "kW"
                    else "see topic, pointer and unit of relay.power."
                ),
                {"power_w": drawn_w},
            )

    def _took_s(self, on: bool) -> float:
        sent_s = self.led.sent_s.get(on, self.clock.now())
        said = [at_s for at_s, reported in self.reports if at_s >= sent_s and reported is on]
        took_s = max(0.0, (said[0] if said else self.led.taken_s.get(on, sent_s)) - sent_s)
        self.slowest_s = max(self.slowest_s, took_s)
        return took_s

    def _drawn_w(self, since_s: float) -> float:
        return max((power_w for at_s, power_w in self.powers if at_s >= since_s), default=0.0)

    def _refused(self, table: str) -> str:
        """Say what came for a table and could not be used, and why; nothing, where all could be."""
        refusal = self.led.refused.get(table)
        if not refusal:
            return ""
        payload = printable(refusal.payload[:60].decode("utf-8", "backslashreplace"))
        return f"On {self.led.sources()[table].topic} came {payload}: {REJECTIONS[refusal.reason]}."

    def _name(self, table: str) -> str:
        """Name a table of the configuration as a person finds it."""
        source = self.led.sources()[table]
        return f"the [[meter]] of {source.topic}{source.pointer or ''}" if table.startswith("meter") else f"[{table}]"

    def _put_right(self, table: str) -> str:
        """Return what to change so that what came for a table can be used: the key, and its value where one is sure."""
        source, refusal = self.led.sources()[table], self.led.refused[table]
        name, reason, payload = self._name(table), refusal.reason, refusal.payload
        if isinstance(source, Source) and reason == "implausible":
            raw = abs(number(value_at(payload, source.pointer)))
            if source.scale > 1 and raw >= HOUSE_MOST_KW:
                return put(name, unit="W")
            return f"If that is so, raise limit_w in {name}. If not: see its pointer and unit."
        if isinstance(source, Source) and reason == "negative" and table.startswith("meter"):
            net = "net-import" if source.measures == "import-only" else "net-export"
            return f"It goes below zero, so it measures both ways. {put(name, measures=net)}"
        if reason in ("pointer-misses", "not-json", "not-a-number", "not-a-state"):
            there = _paths(payload, source)
            if there == [None]:
                return f"The payload is the value itself: leave pointer out of {name}."
            if len(there) == 1:
                return put(name, pointer=there[0])
            if there:
                listed = ", ".join(f'"{path}" ({value_at(payload, path)})' for path in there[:PATHS_MOST])
                return f"In {name}, pointer is one of these: {listed}."
        if isinstance(source, Contact) and reason == "not-a-state":
            return self._other_words()
        return f"See what is published on {source.topic}, and correct topic and pointer of {name}."

    def _other_words(self) -> str:
        """Return what to do about a plug that reports in words which mean neither on nor off."""
        source, refusal = self.led.sources()["relay.feedback"], self.led.refused["relay.feedback"]
        if refusal.reason != "not-a-state" or _paths(refusal.payload, source):
            return self._put_right("relay.feedback")
        value = value_at(refusal.payload, source.pointer)
        word = value if isinstance(value, str) else json.dumps(value)
        if len(word) > 30:
            return "See what the plug reports, and correct pointer, on_value and off_value of [relay.feedback]."
        key = "on_value" if self.controller.wants_on else "off_value"
        return f"If it means that, write it. {put('[relay.feedback]', **{key: word})}"


def listens(command: str) -> str:
    """Return what to look at where a plug does not obey: the likeliest first."""
    return (
        "Is relay.topic the topic where it listens, letter by letter? Then: is what relay."
        f"{command}_payload holds what it takes for {command}?"
    )


def put(table: str, **values: Any) -> str:
    """Return what to write into a table of the configuration, as it is to be written."""
    written = [f"{key} = {_toml(value)}" for key, value in values.items()]
    return f"In {table}: {', '.join(written)}."


def _toml(value: object) -> str:
    literal = isinstance(value, str) and '"' in value and "'" not in value
    return f"'{value}'" if literal and str(value).isprintable() else json.dumps(value, ensure_ascii=False)


def _paths(payload: bytes, source: Source | Contact) -> list[str | None]:
    """Return the pointers at which a payload holds what a source could use; None: the payload is it."""
    try:
        tree = json.loads(text_of(payload))
    except (Rejected, ValueError, RecursionError):
        tree = None

    def leaves(value: Any, path: str) -> list[str | None]:
        if isinstance(value, dict):
            steps = [(str(key).replace("~", "~0").replace("/", "~1"), inner) for key, inner in value.items()]
        elif isinstance(value, list):
            steps = [(str(index), inner) for index, inner in enumerate(value)]
        else:
            return [path]
        return [leaf for step, inner in steps for leaf in leaves(inner, f"{path}/{step}")]

    found: list[str | None] = []
    with contextlib.suppress(RecursionError):
        for path in leaves(tree, "")[:1000] if isinstance(tree, dict | list) else [None]:
            with contextlib.suppress(Rejected):
                source._replace(pointer=path).read(payload)
                found.append(path)
    return found
