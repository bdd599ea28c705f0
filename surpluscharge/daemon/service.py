"""The daemon: wires connections, relay, controller and store together, and keeps them going until it is stopped.

All of it runs in one event loop. Whatever happens (a message, a deadline, a connection made or lost) is handed to the
controller at once and in order, and :meth:`Service._settled` then carries out what follows from it.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import time
from collections.abc import Coroutine, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from surpluscharge import __version__
from surpluscharge.clock import Clock, SystemClock, day_number, give_way, wait_until_set, zone
from surpluscharge.config import Config, ConfigError, load
from surpluscharge.config import warnings as config_warnings
from surpluscharge.control import news, steering
from surpluscharge.control.controller import Controller, Moment, Settings
from surpluscharge.control.economics import Prices
from surpluscharge.control.news import News
from surpluscharge.control.rule import Way
from surpluscharge.control.signals import Rejected
from surpluscharge.daemon import logs, status, strain, systemd
from surpluscharge.daemon.commands import COMMANDS, Command
from surpluscharge.daemon.homie import Homie, Traces, withdraw
from surpluscharge.daemon.ports import REAL, Ports
from surpluscharge.daemon.relay import Relay, off_post
from surpluscharge.daemon.saving import Saving, restore
from surpluscharge.daemon.voice import Voice, availability
from surpluscharge.history import wear

if TYPE_CHECKING:
    from surpluscharge.daemon.claims import Claims
    from surpluscharge.daemon.metrics import Metrics
    from surpluscharge.daemon.outside import Ping
    from surpluscharge.daemon.planner import Planner
    from surpluscharge.daemon.telling import Telling

TICK_S = 1.0  # the longest the control loop sleeps
ALIVE_S = 5.0  # real seconds; what has not turned, or not answered, for so long is stuck
CLOCK_JUMP_S = 30.0  # of the wall clock against the other, between two turns of the loop
TOLD_WITHIN_S = 10.0  # real seconds; whoever said it has given up by then, and a computer may have stood still
OFF_WITHIN_S = 10.0  # real seconds, at shutdown, for the off to be confirmed
CANCEL_AGAIN_S = 3.0  # real seconds; longer than a farewell takes
RELOADABLE = frozenset(
    {"control", "session", "planned", "charger", "socket", "contacts", "main_fuse", "export_limit"}
    | {"money", "site", "status", "log"}
)
FIXED = (
    "charger.name",
    "charger.phase",
    "site.phases",
    "planned.allow",
    "planned.prices.topic",
    "planned.forecast.topic",
    "planned.prices",
    "planned.forecast",
)


def moment(config: Config, clock: Clock) -> Moment:
    """Return the present moment, with the days counted in local time."""
    wall, now_s = clock.wall(), clock.now()
    days = day_number(wall, config.rearm_at), wall.date().toordinal(), day_number(wall, config.planned_from)
    interval_s, wall_s = config.interval_s(wall), wall.timestamp()
    interval = interval_s and (now_s + interval_s[0] - wall_s, now_s + interval_s[1] - wall_s)
    return Moment(now_s, *days, interval, wall_s, config.cars_turn(wall))


class Service:
    def __init__(
        self,
        config: Config,
        clock: Clock,
        ports: Ports = REAL,
        *,
        commands: Sequence[Command] = COMMANDS,
        by_hand: bool = False,
    ) -> None:
        """``commands`` are what it can be told; ``by_hand``: somebody switches, whatever the sun does.

        Raises ValueError or OSError where a secret or certificate cannot be read.
        """
        self.config = config
        self.clock = clock
        self._by_hand = by_hand
        self._ports = ports
        log = ports.log or logs.logger()
        self._log = log.bind(ration=logs.Ration(clock.now), charger=config.charger.name)
        self._stop = asyncio.Event()
        self._stop_reason = ""
        self._poke = asyncio.Event()  # wakes the control loop
        base = config.own_topic
        self._commands = {f"{base}/{command.name}/set": command for command in commands}
        self._turned_s = float("-inf")  # when the control loop turned last; time.monotonic()
        self._ready_said = False  # READY=1, to the service manager
        self._planner = None if by_hand else self._with_planner()
        self._planning = False  # on the way already
        kept, trusted = restore(ports.store, config.state_file, clock, self._log)
        self.controller = Controller(self._settings(config), self.at(), kept, trusted=trusted)
        self.saving = Saving(
            ports.store,
            config.state_file,
            clock,
            self.controller,
            self._log,
            ports.patience,
            on_failing=self._on_store_failing,
            on_saved=self._on_saved,
        )
        self._wall_offset_s: float | None = None
        self._register_topics = frozenset(one.topic for one in config.energy_register)
        self._shown: Any = None
        self._relay_facts: Any = None
        self.main_link = ports.link(
            "main",
            config,
            self._log,
            will=availability(base, "lost"),
            farewell=availability(base, "disconnected"),
            topics=self._topics(),
            on_message=self._on_told,
            on_up=lambda: self._on_main_link(True),
            on_down=lambda: self._on_main_link(False),
        )
        self.readings_link = ports.link(
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
        self.relay_link = ports.link(
            "relay",
            config,
            self._log,
            will=off_post(config),
            farewell=off_post(config),
            on_up=lambda: self.tell(news.RelayLink(True)),
            on_down=lambda: self.tell(news.RelayLink(False)),
        )
        self.relay = Relay(config, self.relay_link, self, clock, self._log)
        self._exchanged = self._certain = False  # off is said, and promised, with the payload for on
        self._reword()
        setters = {
            command.property: partial(self._on_command, command) for command in commands if command.property is not None
        }
        self._traces = Traces(config, self._log)
        publish = config.homie.publish
        self.homie = Homie(config, self._log, setters, self._traces, ports.link) if publish else None
        self.telling = self._with_telling()
        self._ping = self._with_ping()
        self._claims = self._with_neighbours()
        self._metrics = self._with_metrics()
        listeners = [one.show for one in (self.telling, self._metrics) if one]
        self.voice = Voice(base, commands, self.main_link, self.homie, self.saving, listeners)
        self._history = ports.historian(
            lambda: self.config,
            lambda: self.clock,
            self._log,
            on_failing=lambda failing: self.tell(news.HistoryFailing(failing)),
            on_figures=self._on_figures,
        )

    # --- running ------------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Run until :meth:`stop` is called, then switch off, see that it is off, and return.

        An error that nobody foresaw ends it too, with the relay told off on the way out.
        """
        self._log.info("starting", version=__version__)
        self._warn()
        with self._ports.store.alone(self.config.state_file):
            self._history.open()
            if self._planner:
                self._planner.recall()
            else:  # what an earlier configuration knew of prices ahead is not in force
                self._history.in_force(())
            self._recall_interval()
            self._traces.keep()
            await self._run()

    def _recall_interval(self) -> None:
        """Tell the controller what is on record of the interval that runs; of nothing on record, it counts nothing."""
        interval_s = self.config.interval_s(self.clock.wall())
        if interval_s and (found := self._history.since(round(1000 * interval_s[0]))):
            self.tell(news.Netted(found.export_wh - found.import_wh, found.charger_wh))

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
                        self.main_link.run(),
                        self.readings_link.run(),
                        self.relay_link.run(),
                        self.relay.run(),
                        self._watch_strain(),
                        self._speak(),
                        self.saving.run(),
                        self._history.run(),
                        *((self._claims.link.run(), self._claims.run()) if self._claims else ()),
                        *((self._planner.learn(),) if self._planner else ()),
                        *((self.homie.link.run(), self.homie.run()) if self.homie else self._withdrawing()),
                        *(teller.run() for teller in (self.telling.tellers if self.telling else ())),
                        *((self._ping.run(),) if self._ping else ()),
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
            self.saving.save_last()
            if self._metrics:
                self._metrics.close()
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
            self.follow_prices()
            self.tell(news.Tick())
            if not ready and self.controller.plug.confirmed(False):
                ready = True
                self._log.info(
                    "ready", enabled=self.controller.enabled, enable_on=f"{self.config.own_topic}/enable/set"
                )
            self._turned_s = time.monotonic()
            now_s = self.clock.now()
            if watchdog_s and now_s - fed_s > watchdog_s / 4 and systemd.notify("WATCHDOG=1"):
                fed_s = now_s
            self._poke.clear()
            sleep_s = min(TICK_S, (watchdog_s or TICK_S * 4) / 4, self.controller.deadline_s() - now_s)
            await wait_until_set(self._poke, self.clock, sleep_s)
            await give_way()

    def _withdrawing(self) -> list[Coroutine[Any, Any, None]]:
        """Return what takes away how an earlier configuration had it describe itself; by hand it is the same device."""
        if self._by_hand or not self._traces.stale:
            return []
        return [withdraw(self.config, self._log, self._traces, self._ports.link)]

    def _with_planner(self) -> Planner | None:
        """Return what plans, where that is allowed; where it is not, nothing of it is in memory."""
        if not self.config.planned.allow:
            return None
        from surpluscharge.daemon.planner import Planner  # noqa: PLC0415

        return Planner(lambda: self.config, lambda: self.clock, self._log, self.tell, lambda: self._history)

    def _with_neighbours(self) -> Claims | None:
        """Return what agrees with others on the same meter; where there are none, nothing of it is in memory."""
        if self.config.neighbours is None:
            return None
        from surpluscharge.daemon.claims import Claims  # noqa: PLC0415

        return Claims(self.config, self._log, self._on_claims, self._ports.link)

    def _on_claims(self, happened: News) -> None:
        if type(happened) is news.ClaimsLink:
            self.tell(news.TopicsRefused(bool(self.refused_topics)))
        self.tell(happened)

    def _with_telling(self) -> Telling | None:
        if not self.config.tell or self._by_hand:
            return None
        from surpluscharge.daemon.telling import Telling  # noqa: PLC0415

        return Telling(self.config, lambda: self.clock, self._log)

    def _with_ping(self) -> Ping | None:
        if self.config.ping is None or self._by_hand:
            return None
        from surpluscharge.daemon.outside import Ping  # noqa: PLC0415

        return Ping(self.config.ping, self.alive, lambda: self.clock, self._log)

    def _with_metrics(self) -> Metrics | None:
        if self.config.metrics is None or self._by_hand:
            return None
        from surpluscharge.daemon.metrics import Metrics  # noqa: PLC0415

        return Metrics(self.config.metrics.port, self._log)

    def alive(self) -> bool:
        """Whether the control loop turns, as for the service manager's watchdog, and the broker answers."""
        links = (self.main_link, self.relay_link, self.readings_link)
        heard_s = max(link.heard_s for link in links)  # one that hangs is up until the keepalive has run out
        return all(link.up for link in links) and time.monotonic() < min(self._turned_s, heard_s) + ALIVE_S

    def _settings(self, config: Config) -> Settings:
        settings = config.settings(self.clock.wall())
        rule = settings.rule._replace(prices=self._prices(), planned=self._planned())
        return settings._replace(rule=rule._replace(way=Way.HAND) if self._by_hand else rule)

    def _prices(self) -> Prices | None:
        """Return the prices that the thresholds follow now."""
        wall = self.clock.wall()
        return self._planner.prices_at(wall) if self._planner else self.config.prices_at(wall)

    def _planned(self) -> bool:
        return self._planner is not None and self._planner.competes_at(self.clock.wall())

    def follow_prices(self) -> None:
        """Tell the controller of the prices that are in force now."""
        prices, planned, rule = self._prices(), self._planned(), self.controller.settings.rule
        if (prices, planned) != (rule.prices, rule.planned):
            self.tell(news.Follow(prices, planned))
            self.voice.news()

    def _watch_wall_clock(self, at: Moment) -> None:
        offset_s = self.clock.wall().timestamp() - at.now_s
        before_s, self._wall_offset_s = self._wall_offset_s, offset_s
        if before_s is not None and abs(offset_s - before_s) > CLOCK_JUMP_S:
            self.controller.tell(news.ClockJumped(), at)
            self._recall_interval()  # what was recalled by the wrong clock is of another day, maybe

    async def _speak(self) -> None:
        await self.voice.run(self._document, self.clock, lambda: self.config.status.heartbeat_s)

    async def _watch_strain(self) -> None:
        telling = [self.main_link, *([self.homie.link] if self.homie else [])]
        await strain.watch(telling, self.readings_link, self._ports.patience, self.tell)

    async def _shut_down(self) -> None:
        self._log.info("stopping", reason=self._stop_reason)
        systemd.notify("STOPPING=1", "STATUS=switching the relay off")
        self.tell(news.Stop())
        if not self.controller.plug.witnessed(False):
            self._log.info("awaiting_off", at_most_s=OFF_WITHIN_S)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(OFF_WITHIN_S):
                while not self.controller.plug.witnessed(False):
                    self._poke.clear()
                    await self._poke.wait()
        confirmed = self.controller.plug.witnessed(False)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self._ports.patience.slow_disk_s):
                await self.saving.promise_kept_or_failing()
        await self.voice.say(self._document(gave_up=not confirmed))
        if self.homie:
            await self.homie.say_last()
        if self.telling and not confirmed:
            await self.telling.say_last()
        if confirmed:
            self._log.info("stopped", relay_confirmed_off=True)
        else:
            self._log.warning("stopped", relay_confirmed_off=False)

    def _on_figures(self) -> None:
        """The ledger has said something new: what of it the controller is to know, it is told."""
        if figures := self._history.figures:
            wall, rules = self.clock.wall(), self.config.contacts.rules
            due = wear.look_due(figures.wear, rules, round(1000 * wall.timestamp()), wall.tzinfo)
            worn = news.Worn(due, wear.worn(figures.wear, rules))
            if worn != self.controller.worn:
                self.tell(worn)
        self.voice.news()

    # --- what happens, and what follows from it -----------------------------------------------------------------------

    def at(self) -> Moment:
        return moment(self.config, self.clock)

    def tell(self, happened: News) -> None:
        """Tell the controller what has happened, now, and carry out what follows."""
        at = self.at()
        self._watch_wall_clock(at)
        self.controller.tell(happened, at)
        self._settled()
        if self._history.learned_w != self.controller.lessons.learned_w:
            self.tell(news.Learn(self._history.learned_w))
        if self._history.changed_ms > self.controller.changed_ms:
            self.tell(self._history.changed(self.controller.changed_ms))
        self._plan()
        self._ports.told(happened)

    def _plan(self) -> None:
        """Think about what is planned, if it is time to; what follows from that is told, and leads here again."""
        if self._planner and not self._planning:
            self._planning = True
            try:
                self._planner.look(self.controller)
            finally:
                self._planning = False

    def _settled(self) -> None:
        controller = self.controller
        events = controller.take_events()
        for event in events:
            getattr(self._log, event.level)(event.name, **event.fields)
        self._history.observe(controller, events)
        if self._claims:
            self._claims.look(controller)
        self.saving.look()
        relay_facts = (
            controller.wants_on,
            controller.plug.link_up,
            controller.plug.acknowledged,
            controller.plug.reported,
        )
        if relay_facts != self._relay_facts:
            self._relay_facts = relay_facts
            self.relay.news(controller.wants_on)
        self._reword()
        shown = (
            controller.state.mode,
            controller.enabled,
            relay_facts,
            tuple(record.code for record in controller.faults),
            controller.decisive_w is None or not controller.read_since_switching,
            controller.progress.request,
            controller.progress.away,
            self._planner and self._planner.shown,
        )
        if shown != self._shown:
            self._shown = shown
            self.voice.news()
        self._poke.set()

    def _document(self, *, gave_up: bool = False) -> status.StatusDocument:
        return status.build(
            self.controller,
            self.config,
            self.at(),
            self.clock,
            self._history.figures,
            self._planner,
            gave_up=gave_up,
        )

    def _reword(self) -> None:
        """Say off with the payload that switches off; have the broker say it in our name once that is certain."""
        exchanged, certain = self.controller.plug.exchanged, self.controller.plug.reversal.found
        if exchanged is not self._exchanged:
            self._exchanged = exchanged
            self.relay.exchange(exchanged)
        if certain is not self._certain:
            self._certain = certain
            self.relay_link.promise(off_post(self.config, certain))
            self.relay_link.renew()

    def _on_main_link(self, up: bool) -> None:
        self.tell(news.TopicsRefused(bool(self.refused_topics)))
        self.tell(news.CommandsLink(up))
        self.voice.begin_anew()

    def _on_readings_link(self, up: bool) -> None:
        self.tell(news.TopicsRefused(bool(self.refused_topics)))
        self.tell(news.ReadingsLink(up))

    def _on_reading(self, topic: str, payload: bytes, retained: bool) -> None:
        # Whoever cannot be told to stop lets the readings grow old, and so stops as without a meter.
        if not self.main_link.up:
            return
        # After a flood, or from a broker that hung, come readings of seconds ago: taken for new, they would keep it on
        # for as much longer.
        if self.readings_link.lag_s < self._ports.patience.late_s:
            self._on_message(topic, payload, retained)
        else:
            self.tell(news.Refused(topic, "late", payload))

    @property
    def refused_topics(self) -> tuple[str, ...]:
        """Which topics the broker does not let us read."""
        links = [self.main_link, self.readings_link, *([self._claims.link] if self._claims else [])]
        return tuple(topic for link in links for topic in link.refused_topics)

    def _on_told(self, topic: str, payload: bytes, retained: bool) -> None:
        self._on_message(topic, payload, retained, self.main_link.lag_s >= TOLD_WITHIN_S)

    def _on_message(self, topic: str, payload: bytes, retained: bool, late: bool = False) -> None:
        if topic in self._register_topics:  # it may be the meter's or the plug's, too
            self._history.register(topic, payload, retained)
        if command := self._commands.get(topic):
            self._on_command(command, topic, payload, retained, late)
        elif self._planner and topic in self._planner.topics:
            self._on_feed(self._planner, topic, payload)
        else:
            self.tell(news.Message(topic, payload, retained))

    def _on_command(self, command: Command, topic: str, payload: bytes, retained: bool, late: bool = False) -> None:
        stale = "retained" if retained else "late" if late else ""
        try:
            happened = command.heed(payload, stale, self.controller, self.clock.wall())
        except Rejected as refusal:
            self.tell(news.Refused(topic, refusal.reason, payload))
        else:
            self.tell(happened)
            self.voice.answer(command)

    def _on_feed(self, planner: Planner, topic: str, payload: bytes) -> None:
        try:
            planner.take(topic, payload)
        except Rejected as refusal:
            self.tell(news.Refused(topic, refusal.reason, payload))
        else:
            self._plan()

    def _topics(self) -> list[tuple[str, int]]:
        """Return what it is told by, the plug's word, and what comes once a day: what may not be lost is repeated."""
        contact = self.controller.settings.contact
        commands = [(topic, command.qos) for topic, command in self._commands.items()]
        feeds = [(topic, 1) for topic in self._planner.topics] if self._planner else []
        return [*commands, *([(contact.topic, 1)] if contact else []), *feeds]

    def _reading_topics(self) -> list[tuple[str, int]]:
        """Return what brings readings, and nothing else: another one always follows."""
        settings = self.controller.settings
        house = settings.battery
        sources = (*settings.grid, settings.power, settings.temperature, settings.surroundings, settings.voltage)
        sources = (*sources, house.power, house.charge) if house else sources
        told, listed = dict(self._topics()), [source.topic for source in sources if source]
        listed += [one.topic for one in self.config.energy_register]
        return [(topic, 0) for topic in dict.fromkeys(listed) if topic not in told]

    # --- what the relay asks and tells (surpluscharge.daemon.relay.Brain) ---------------------------------------------

    def relay_sending(self, on: bool) -> None:
        self.tell(news.Sending(on))

    def relay_acknowledged(self, on: bool) -> None:
        self.tell(news.Taken(on))

    def relay_confirmed(self, on: bool) -> bool:
        return self.controller.plug.witnessed(on)

    def relay_may_go_on(self) -> bool:
        return self.saving.start_kept

    # --- what the disk tells ------------------------------------------------------------------------------------------

    def _on_saved(self) -> None:
        self.relay.news(self.controller.wants_on)  # a start may have waited for it, and
        self.voice.saved()  # an answer

    def _on_store_failing(self, failing: bool) -> None:
        self.controller.tell(news.StoreFailing(failing), self.at())
        self._poke.set()

    # --- reloading ----------------------------------------------------------------------------------------------------

    def reload(self, path: str) -> None:
        """Read the configuration again and use it, or say in the log why not."""
        systemd.reloading()
        try:
            new = load(path)
            changed = self.config.differences(new)
            fixed = sorted(key for key in changed if key.split(".")[0] not in RELOADABLE or key in FIXED)
            if fixed:
                raise ValueError(f"only a restart can change {', '.join(fixed)}")
        except (ConfigError, ValueError) as error:
            self._log.error("reload_refused", reason=str(error))
        else:
            if isinstance(self.clock, SystemClock):
                self.clock = SystemClock(zone(new.site.time_zone))
            self.config = new
            logs.configure(new.log.level, new.log.format)
            before = self.controller.running
            self.tell(news.Reload(self._settings(new)))
            now = self.controller.running
            if now and not (before and steering.same(before, now.begin_s, now.end_s)):
                self._recall_interval()
            self._log.info("config_reloaded", changed=changed)
            self._warn()
            self.voice.news()
        finally:
            self._ready_said = systemd.notify("READY=1")


async def _end(tasks: list[asyncio.Task[None]]) -> None:
    """Cancel tasks until they have ended: libraries that use asyncio.wait_for may swallow a cancellation."""
    while pending := [task for task in tasks if not task.done()]:
        for task in pending:
            task.cancel()
        await asyncio.wait(pending, timeout=CANCEL_AGAIN_S)


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
