"""The daemon: wires connections, relay, controller and store together, and keeps them going until it is stopped.

All of it runs in one event loop. Whatever happens (a message, a deadline, a connection made or lost) is handed to the
controller at once and in order, and :meth:`Service._settled` then carries out what follows from it.

In the event loop a write took 20 ms as a rule, 200 ms at worst on a busy machine, and without end on a disk that hangs,
with "disable" unheard and the watchdog unfed. So a thread writes; the wish may change meanwhile, and a start that is
taken back before it is written is never said, though it counts. What allows charging is said without waiting: a crash
that forgets it is on the safe side.

Availability has the values of ``$state`` in the open Homie convention (ready, disconnected, lost): they tell a stop in
good order from a death, which "there or not" does not. The word is the trade's (IEC 60050-192, from memory).
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import math
import signal
import threading
import time
from typing import Any

from aiomqtt import MqttError

from surpluscharge import __version__
from surpluscharge.clock import Clock, SystemClock, day_number, wait_until_set, zone
from surpluscharge.config import Config, ConfigError, load
from surpluscharge.config import warnings as config_warnings
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Kept, Moment, Settings
from surpluscharge.control.news import News
from surpluscharge.control.rule import Way
from surpluscharge.control.signals import Rejected, text_of, truth
from surpluscharge.daemon import logs, status, store, systemd
from surpluscharge.daemon.historian import Historian
from surpluscharge.daemon.homie import Homie
from surpluscharge.daemon.mqtt import Link, Post
from surpluscharge.daemon.relay import Relay, off_post

TICK_S = 1.0  # the longest the control loop sleeps
SAVE_EVERY_S = 60.0  # while charging
SAVE_PAUSE_S = 1.0  # real seconds between two writes in the background
SLOW_DISK_S = 5.0  # real seconds; one that takes longer to write counts as failing
CLOCK_JUMP_S = 30.0  # of the wall clock against the other, between two turns of the loop
LOOK_EVERY_S = 0.25  # real seconds; whether the daemon keeps up
LATE_S, LATE_FOR_S = 1.0, 5.0  # real seconds; being late by so much, for so long, is more than a hiccup
OFF_WITHIN_S = 10.0  # real seconds, at shutdown, for the off to be confirmed
CANCEL_AGAIN_S = 3.0  # real seconds; longer than a farewell takes
RELOADABLE = frozenset({"control", "session", "charger", "socket", "money", "site", "status", "log"})


def moment(config: Config, clock: Clock) -> Moment:
    """Return the present moment, with the days counted in local time."""
    wall = clock.wall()
    return Moment(clock.now(), day_number(wall, config.rearm_at), wall.date().toordinal())


class Service:
    def __init__(self, config: Config, clock: Clock, *, by_hand: bool = False) -> None:
        """``by_hand``: somebody switches, whatever the sun does.

        Raises ValueError or OSError where a secret or certificate cannot be read.
        """
        self.config = config
        self.clock = clock
        self._by_hand = by_hand
        self._log = logs.logger().bind(ration=logs.Ration(clock.now), charger=config.charger.name)
        self._stop = asyncio.Event()
        self._stop_reason = ""
        self._poke = asyncio.Event()  # wakes the control loop
        self._show = asyncio.Event()  # wakes the status publisher
        base = config.base_topic
        self._set_topic, self._enable_topic = f"{base}/enable/set", f"{base}/enable"
        self._acknowledge_topic = f"{base}/acknowledge/set"
        self._status_topic, self._availability_topic = f"{base}/status", f"{base}/availability"
        self._ready_said = False  # READY=1, to the service manager
        self._trusted = True  # what should have been remembered could be read
        kept = self._restore()
        self.controller = Controller(self._settings(config), self._at(), kept, trusted=self._trusted)
        self._saved: Any = None
        self._saved_starts_s = self.controller.starts_s
        self._saved_s = float("-inf")
        self._save_soon = asyncio.Event()
        self._save_now = asyncio.Event()  # without the pause that may be due before it
        self._latched: tuple[str, ...] = ()
        self._serials = itertools.count(1)
        self._written = 0
        self._write_lock = threading.Lock()
        self._write_error = ""
        self._store_failing = False
        # What a crash must not undo once it is said: that charging is forbidden, and what somebody has looked at.
        self._disabled, self._seen = not self.controller.enabled, self._acknowledged()
        self._promises = self._promises_kept = 0  # how many of these there were, and how many are on the disk
        self._starts = self._starts_kept = 0  # how many there were, and how many are on the disk
        self._disk_news = asyncio.Event()
        self._writing_since_s = math.inf  # in the background; time.monotonic()
        self._history = Historian(
            lambda: self.config,
            lambda: self.clock,
            self._log,
            on_failing=lambda failing: self.tell(news.HistoryFailing(failing)),
            on_figures=self._show.set,
        )
        self._wall_offset_s: float | None = None
        self._shown: Any = None
        self._answer = True  # the effective enable value is to be published, and
        self._announce = True  # that the daemon is there
        self._relay_facts: Any = None
        self._main_link = Link(
            "main",
            config,
            self._log,
            will=Post(self._availability_topic, "lost", retain=True),
            farewell=Post(self._availability_topic, "disconnected", retain=True),
            topics=self._topics(),
            on_message=self._on_message,
            on_up=lambda: self._on_main_link(True),
            on_down=lambda: self._on_main_link(False),
        )
        self._readings_link = Link(
            "readings",
            config,
            self._log,
            will=None,
            farewell=None,
            topics=self._reading_topics(),
            on_message=self._on_reading,
            on_up=lambda: self._on_readings_link(True),
            on_down=lambda: self._on_readings_link(False),
            readings=True,
        )
        self._relay_link = Link(
            "relay",
            config,
            self._log,
            will=off_post(config),
            farewell=off_post(config),
            on_up=lambda: self.tell(news.RelayLink(True)),
            on_down=lambda: self.tell(news.RelayLink(False)),
        )
        self._relay = Relay(config, self._relay_link, self, clock, self._log)
        self._exchanged = self._certain = False  # off is said, and promised, with the payload for on
        self._reword()
        setters = {"charging/enabled": self._on_enable, "charging/acknowledge": self._on_acknowledge}
        self._homie = Homie(config, self._log, setters) if config.homie.publish else None

    # --- running ------------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Run until :meth:`stop` is called, then switch off, see that it is off, and return.

        An error that nobody foresaw ends it too, with the relay told off on the way out.
        """
        self._log.info("starting", version=__version__)
        self._warn()
        with store.alone(self.config.state_file):
            self._history.open()
            await self._run()

    def _warn(self) -> None:
        socket, current_a = self.config.socket, self.config.charger.current_a
        if current_a > socket.continuous_a:
            self._log.warning("above_continuous", current_a=current_a, because=socket.above_continuous_because)
        for warning in config_warnings(self.config):
            self._log.warning("config_warning", warning=warning)

    async def _run(self) -> None:
        try:
            async with asyncio.TaskGroup() as tasks:
                running = [
                    tasks.create_task(coroutine)
                    for coroutine in (
                        self._main_link.run(),
                        self._readings_link.run(),
                        self._relay_link.run(),
                        self._relay.run(),
                        self._watch_strain(),
                        self._publish_status(),
                        self._save_in_the_background(),
                        self._history.run(),
                        *((self._homie.link.run(), self._homie.run()) if self._homie else ()),
                    )
                ]
                try:
                    await self._control()
                    await self._shut_down()
                finally:
                    await _end(running)
        except* Exception:
            self._log.exception("crashed")
            raise
        finally:
            self._write(next(self._serials), self.controller.kept())
            self._history.close(self.controller)

    def stop(self, reason: str = "asked") -> None:
        """Ask the daemon to stop. Call it in the event loop."""
        self._stop_reason = self._stop_reason or reason
        self._stop.set()
        self._poke.set()

    async def _control(self) -> None:
        """Call the controller at its deadlines. The watchdog is fed here and nowhere else: a stuck loop starves it."""
        watchdog_s = systemd.watchdog_interval_s()
        fed_s, ready = float("-inf"), False
        while not self._stop.is_set():
            # A broker that is away must not make the service manager give up on us. It may be too busy to take this.
            self._ready_said = self._ready_said or systemd.notify("READY=1")
            self._follow_prices()
            self.tell(news.Tick())
            if not ready and self.controller.plug.confirmed(False):
                ready = True
                self._log.info("ready")
            now_s = self.clock.now()
            if watchdog_s and now_s - fed_s > watchdog_s / 4 and systemd.notify("WATCHDOG=1"):
                fed_s = now_s
            self._poke.clear()
            sleep_s = min(TICK_S, (watchdog_s or TICK_S * 4) / 4, self.controller.deadline_s() - now_s)
            await wait_until_set(self._poke, self.clock, sleep_s)

    def _settings(self, config: Config) -> Settings:
        settings = config.settings(self.clock.wall())
        return settings._replace(rule=settings.rule._replace(way=Way.HAND)) if self._by_hand else settings

    def _follow_prices(self) -> None:
        """Tell the controller of the prices that are in force now."""
        prices = self.config.prices_at(self.clock.wall())
        if prices != self.controller.settings.rule.prices:
            self.tell(news.Follow(prices))
            self._show.set()

    def _watch_wall_clock(self, at: Moment) -> None:
        offset_s = self.clock.wall().timestamp() - at.now_s
        if self._wall_offset_s is not None and abs(offset_s - self._wall_offset_s) > CLOCK_JUMP_S:
            self.controller.tell(news.ClockJumped(), at)
        self._wall_offset_s = offset_s

    async def _watch_strain(self) -> None:
        """See how much comes, and whether the daemon keeps up: with its connections, and with itself.

        A broker that says nothing at all is not late but, if that goes on, lost: no cooldown need follow from it.
        """
        telling = [self._main_link, *([self._homie.link] if self._homie else [])]
        asking = [*telling, self._readings_link]
        told = False, False, False
        late_since_s: float | None = None
        while True:
            due_s = time.monotonic() + LOOK_EVERY_S
            await asyncio.sleep(LOOK_EVERY_S)
            now_s = time.monotonic()
            heard_s = max(link.heard_s for link in asking)
            lag_s = max(now_s - due_s, *(link.late_s(heard_s) for link in asking))
            # A hang that is over is only as long as this moment.
            late_since_s = None if lag_s < LATE_S else now_s if late_since_s is None else late_since_s
            late = late_since_s is not None and now_s >= late_since_s + LATE_FOR_S
            if now_s > self._writing_since_s + SLOW_DISK_S and not self._store_failing:
                self._write_error = f"the disk has not answered for {SLOW_DISK_S:g} s"
                self._after_write(None)
            strain = any(link.flooded for link in telling), self._readings_link.flooded, late
            if strain != told:
                told = strain
                self.tell(news.Strained(*strain))

    async def _shut_down(self) -> None:
        self._log.info("stopping", reason=self._stop_reason)
        systemd.notify("STOPPING=1", "STATUS=switching the relay off")
        self.tell(news.Stop())
        if not self.controller.plug.confirmed(False):
            self._log.info("awaiting_off", at_most_s=OFF_WITHIN_S)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(OFF_WITHIN_S):
                while not self.controller.plug.confirmed(False):
                    self._poke.clear()
                    await self._poke.wait()
        confirmed = self.controller.plug.confirmed(False)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SLOW_DISK_S):
                await self._promise_kept()
        await self._publish_document(gave_up=not confirmed)
        if self._homie:
            await self._homie.say_last()
        if confirmed:
            self._log.info("stopped", relay_confirmed_off=True)
        else:
            self._log.warning("stopped", relay_confirmed_off=False)

    # --- what happens, and what follows from it -----------------------------------------------------------------------

    def _at(self) -> Moment:
        return moment(self.config, self.clock)

    def tell(self, happened: News) -> None:
        """Tell the controller what has happened, now, and carry out what follows."""
        at = self._at()
        self._watch_wall_clock(at)
        self.controller.tell(happened, at)
        self._settled()
        if self._history.learned_w != self.controller.lessons.learned_w:
            self.tell(news.Learn(self._history.learned_w))

    def _settled(self) -> None:
        controller = self.controller
        events = controller.take_events()
        for event in events:
            getattr(self._log, event.level)(event.name, **event.fields)
        self._history.observe(controller, events)
        self._keep()
        relay_facts = (
            controller.wants_on,
            controller.plug.link_up,
            controller.plug.acknowledged,
            controller.plug.reported,
        )
        if relay_facts != self._relay_facts:
            self._relay_facts = relay_facts
            self._relay.news(controller.wants_on)
        self._reword()
        shown = (
            controller.state.mode,
            controller.enabled,
            relay_facts,
            tuple(record.code for record in controller.faults),
            controller.inputs.grid_w is None,
        )
        if shown != self._shown:
            self._shown = shown
            self._show.set()
        self._poke.set()

    def _reword(self) -> None:
        """Say off with the payload that switches off; have the broker say it in our name once that is certain."""
        exchanged, certain = self.controller.plug.exchanged, self.controller.plug.reversal.found
        if exchanged is not self._exchanged:
            self._exchanged = exchanged
            self._relay.exchange(exchanged)
        if certain is not self._certain:
            self._certain = certain
            self._relay_link.promise(off_post(self.config, certain))
            self._relay_link.renew()

    def _on_main_link(self, up: bool) -> None:
        self.tell(news.TopicsRefused(bool(self.refused_topics)))
        self.tell(news.CommandsLink(up))
        self._answer = self._announce = True  # whatever was published may be gone with the broker, or overwritten
        self._show.set()

    def _on_readings_link(self, up: bool) -> None:
        self.tell(news.TopicsRefused(bool(self.refused_topics)))
        self.tell(news.ReadingsLink(up))

    def _on_reading(self, topic: str, payload: bytes, retained: bool) -> None:
        # Whoever cannot be told to stop lets the readings grow old, and so stops as without a meter.
        if not self._main_link.up:
            return
        # After a flood, or from a broker that hung, come readings of seconds ago: taken for new, they would keep it on
        # for as much longer.
        if self._readings_link.lag_s < LATE_S:
            self._on_message(topic, payload, retained)
        else:
            self.tell(news.Refused(topic, "late", payload))

    @property
    def refused_topics(self) -> tuple[str, ...]:
        """Which topics the broker does not let us read."""
        return self._main_link.refused_topics + self._readings_link.refused_topics

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        if topic == self._set_topic:
            self._on_enable(topic, payload, retained)
        elif topic == self._acknowledge_topic:
            self._on_acknowledge(topic, payload, retained)
        else:
            self.tell(news.Message(topic, payload, retained))

    def _on_enable(self, topic: str, payload: bytes, retained: bool) -> None:
        try:
            on = truth(text_of(payload))
        except Rejected as refusal:
            self.tell(news.Refused(topic, refusal.reason, payload))
            return
        if retained and on:
            # It may be days old. An "off" that comes late does no harm; an "on" might.
            self.tell(news.Refused(topic, "retained", payload))
            return
        self.tell(news.Enable(on))
        self._answer = True  # to each command, also one that changes nothing
        self._show.set()

    def _on_acknowledge(self, topic: str, payload: bytes, retained: bool) -> None:
        latched = {record.code for record in self.controller.faults if record.latches}
        try:
            if retained:
                raise Rejected("retained")
            word = text_of(payload).lower()
            if word not in latched | {"all"}:
                raise Rejected("unknown-fault")
        except Rejected as refusal:
            self.tell(news.Refused(topic, refusal.reason, payload))
            return
        self.tell(news.Acknowledge(None if word == "all" else word))

    def _topics(self) -> list[tuple[str, int]]:
        """Return what it is told by, and the plug's word: none of these may be lost, so the broker repeats them."""
        contact = self.controller.settings.contact
        return [
            (topic, 1) for topic in (self._set_topic, self._acknowledge_topic, *((contact.topic,) if contact else ()))
        ]

    def _reading_topics(self) -> list[tuple[str, int]]:
        """Return what brings readings, and nothing else: another one always follows."""
        settings = self.controller.settings
        sources = (*settings.grid, settings.power, settings.temperature, settings.voltage)
        told = dict(self._topics())
        return [
            (topic, 0) for topic in dict.fromkeys(source.topic for source in sources if source) if topic not in told
        ]

    # --- what the relay asks and tells (surpluscharge.daemon.relay.Brain) ---------------------------------------------

    def relay_sending(self, on: bool) -> None:
        self.tell(news.Sending(on))

    def relay_acknowledged(self, on: bool) -> None:
        self.tell(news.Taken(on))

    def relay_confirmed(self, on: bool) -> bool:
        return self.controller.plug.confirmed(on)

    def relay_may_go_on(self) -> bool:
        return self._starts_kept == self._starts

    # --- telling the world --------------------------------------------------------------------------------------------

    async def _publish_status(self) -> None:
        while True:
            self._show.clear()
            if self._announce and self._main_link.up:
                self._announce = False
                with contextlib.suppress(MqttError):
                    await self._main_link.publish(Post(self._availability_topic, "ready", retain=True))
            await self._promise_kept()
            await self._publish_document()
            await wait_until_set(self._show, self.clock, self.config.status.heartbeat_s)

    def _acknowledged(self) -> frozenset[str]:
        return frozenset(record.code for record in self.controller.faults if record.acknowledged)

    async def _promise_kept(self) -> None:
        """Wait until what is about to be said is on the disk, or is known not to get there (invariant 12).

        Only what is said waits: an "off" to the relay has gone out by then.
        """
        while self._promises_kept < self._promises and not self._store_failing:
            self._disk_news.clear()
            await self._disk_news.wait()

    async def _publish_document(self, *, gave_up: bool = False) -> None:
        figures = self._history.figures
        document = status.build(self.controller, self.config, self._at(), self.clock, figures, gave_up=gave_up)
        systemd.notify(f"STATUS={document.state}: {document.why}")
        if self._homie:
            self._homie.show(document)
        enabled = "true" if document.enabled else "false"
        with contextlib.suppress(MqttError):
            if self._answer and self._promises_kept == self._promises:
                self._answer = False
                await self._main_link.publish(Post(self._enable_topic, enabled, retain=True))
            await self._main_link.publish(Post(self._status_topic, document.model_dump_json(), qos=0, retain=True))

    # --- what outlives the process ------------------------------------------------------------------------------------

    def _restore(self) -> Kept | None:
        path = self.config.state_file
        try:
            kept = store.load(path, self.clock)
        except store.Unusable as error:
            self._log.error("store_unusable", reason=str(error), kept_as=error.kept_as)
            self._trusted = False
            return None
        except OSError as error:
            self._log.error("store_unusable", reason=str(error), kept_as=str(path))
            self._trusted = False
            return None
        if kept:
            self._log.info(
                "restored", enabled=kept.enabled, starts_kept=len(kept.starts_s), session_s=round(kept.session_s)
            )
        return kept

    def _keep(self) -> None:
        """See that what must outlive the process gets to the disk.

        All of it is written in the background, so that no slow disk ever holds up an "off", nor anything else that the
        daemon has to hear. A start and a fault that latches at once, the rest with a pause after each write, so that a
        switch that flips without end does not wear the disk. A start that a crash could forget must not happen: so the
        relay's "on" waits until it is written (:meth:`relay_may_go_on`).
        """
        controller, faults = self.controller, self.controller.faults
        disabled, seen = not controller.enabled, self._acknowledged()
        if disabled > self._disabled or seen - self._seen:
            self._promises += 1
            self._save_soon.set()
        self._disabled, self._seen = disabled, seen
        kept = (
            controller.enabled,
            controller.starts_s,
            controller.plug.may_be_on,
            controller.state.session_day,
            tuple(record for record in faults if record.fault.severity),
        )
        if controller.starts_s != self._saved_starts_s:
            self._saved_starts_s, self._saved = controller.starts_s, kept
            self._starts += 1
            self._save_soon.set()
            self._save_now.set()
        elif kept != self._saved or (
            (controller.plug.may_be_on or self._store_failing) and self.clock.now() >= self._saved_s + SAVE_EVERY_S
        ):
            self._saved, self._saved_s = kept, self.clock.now()
            self._save_soon.set()
        latched = tuple(record.code for record in faults if record.latches and not record.acknowledged)
        if latched != self._latched:
            self._latched = latched
            self._save_now.set()

    async def _save_in_the_background(self) -> None:
        while True:
            await self._save_soon.wait()
            self._save_soon.clear()
            self._save_now.clear()
            promises, starts, self._writing_since_s = self._promises, self._starts, time.monotonic()
            await asyncio.to_thread(self._write, next(self._serials), self.controller.kept())
            self._writing_since_s = math.inf
            if not self._write_error:
                self._starts_kept = starts
                self._relay.news(self.controller.wants_on)
            self._after_write(promises)
            await self._pause_after_write()

    async def _pause_after_write(self) -> None:
        await wait_until_set(self._save_now, SystemClock(), SAVE_PAUSE_S)

    def _write(self, serial: int, kept: Kept) -> None:
        """Write, unless something newer has been written meanwhile. May run in a thread."""
        with self._write_lock:
            if serial < self._written:
                return
            self._written = serial
            try:
                store.save(self.config.state_file, kept, self.clock)
                self._write_error = ""
            except OSError as error:
                self._write_error = str(error) or type(error).__name__

    def _after_write(self, promises: int | None) -> None:
        """Take the outcome to the controller, in the event loop. ``promises``: as of when it was written, if it was."""
        self._saved_s = self.clock.now()
        failing = bool(self._write_error)
        if promises is not None and not failing:
            self._promises_kept = max(self._promises_kept, promises)
            if self._answer:
                self._show.set()
        self._disk_news.set()
        if failing is not self._store_failing:
            self._store_failing = failing
            if failing:
                self._log.error("store_failed", reason=self._write_error)
            self.controller.tell(news.StoreFailing(failing), self._at())
            self._poke.set()

    # --- reloading ----------------------------------------------------------------------------------------------------

    def reload(self, path: str) -> None:
        """Read the configuration again and use it, or say in the log why not."""
        systemd.reloading()
        try:
            new = load(path)
            changed = _differences(self.config, new)
            fixed = sorted(key for key in changed if key.split(".")[0] not in RELOADABLE or key == "charger.name")
            if fixed:
                raise ValueError(f"only a restart can change {', '.join(fixed)}")
        except (ConfigError, ValueError) as error:
            self._log.error("reload_refused", reason=str(error))
        else:
            if isinstance(self.clock, SystemClock):
                self.clock = SystemClock(zone(new.site.time_zone))
            self.config = new
            logs.configure(new.log.level, new.log.format)
            self.tell(news.Reload(self._settings(new)))
            self._log.info("config_reloaded", changed=changed)
            self._warn()
            self._show.set()
        finally:
            self._ready_said = systemd.notify("READY=1")


async def _end(tasks: list[asyncio.Task[None]]) -> None:
    """Cancel tasks until they have ended: libraries that use asyncio.wait_for may swallow a cancellation."""
    while pending := [task for task in tasks if not task.done()]:
        for task in pending:
            task.cancel()
        await asyncio.wait(pending, timeout=CANCEL_AGAIN_S)


def _differences(old: Config, new: Config) -> list[str]:
    old_flat, new_flat = _flat(old.model_dump(mode="json")), _flat(new.model_dump(mode="json"))
    return sorted(key for key in old_flat | new_flat if old_flat.get(key) != new_flat.get(key))


def _flat(value: Any, prefix: str = "") -> dict[str, str]:
    if isinstance(value, dict):
        parts = [_flat(part, f"{prefix}.{key}" if prefix else key) for key, part in value.items()]
        return {key: text for part in parts for key, text in part.items()}
    return {prefix: json.dumps(value)}


def library_failed(_: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Log what a library's callback raised, or left unlooked at, as one line."""
    logs.logger().error("library_failed", what=context["message"], reason=repr(context.get("exception")))


async def run(config: Config, path: str) -> None:
    """Run the daemon on the machine's clock until SIGTERM or SIGINT; SIGHUP reloads ``path``."""
    service = Service(config, SystemClock(zone(config.site.time_zone)))
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(library_failed)
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, service.stop, number.name)
    loop.add_signal_handler(signal.SIGHUP, service.reload, path)
    await service.run()
