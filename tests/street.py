"""Several chargers on one meter, on a virtual clock: real controllers and recorders around a played broker.

The controllers are driven as the shell drives them: told what comes in, called at their deadlines, their wish carried
to a plug, their claims to a broker and from there to all. The broker hands out what it takes in one order, each way
takes its time, and troubles come: a daemon is killed, paused as by SIGSTOP, or cut off; the broker dies and forgets.

The oracle shares no books with the controllers: it knows when which "on" was taken by the broker, what the meter
showed, and what was truly drawn. :class:`AllKnowing` is one controller for all leads, to compare with.
"""

from __future__ import annotations

import heapq
import itertools
import math
import random
from collections import Counter
from collections.abc import Callable
from typing import Any, NamedTuple

from surpluscharge.config import Config
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Kept, Moment
from surpluscharge.control.draw import DrawWatch
from surpluscharge.control.news import News
from surpluscharge.history.energy import NOTHING, Energy
from surpluscharge.history.recorder import Recorder
from surpluscharge.simulator.house import GridMeter, Scenario
from surpluscharge.simulator.shared import SharedHouse

DAY_S = 86400.0
WALL_S = 1_936_569_600  # 2031-05-14, in seconds since 1970, when the street's time begins
GRID = "house/grid"
SETTLE_S = 60.0
KEEPALIVE_S = 15.0
HEAD_WAKES_S = (0.5, 4.0)  # from a connection lost to the next attempt


class Clash(AssertionError):  # noqa: N818
    """Invariant 14 does not hold."""


def lead(name: str, rank: int, current_a: float = 6.0, claims: bool = True, **tables: Any) -> Config:
    """Return one charger's configuration."""
    data: dict[str, Any] = {
        "charger": {"name": name, "current_a": current_a},
        "relay": {"topic": f"{name}/plug/set"},
        "meter": [{"topic": GRID, "fresh_s": 60.0}],
        "site": {"time_zone": "UTC"},
        "store": {"directory": "/nowhere"},
        "control": {"starts_per_day": 40},  # the budget is not what is looked at here
        **({"neighbours": {"rank": rank, "settle_s": SETTLE_S}} if claims else {}),
    }
    for table, keys in tables.items():
        data[table] = data.get(table, {}) | keys
    return Config.model_validate(data)


def houses(configs: list[Config], array_w: float, seed: int) -> list[Scenario]:
    """Return a scenario for each: cars that take what comes, on a roof of that size."""
    rng = random.Random(f"street {seed}")
    return [
        Scenario(
            array_w=array_w,
            lead_a=config.charger.current_a,
            headroom_wh=rng.uniform(6000, 20000),
            battery_wh=60000.0,
            daily_use_wh=rng.uniform(4000, 9000),
            wake_s=rng.uniform(3.0, 14.0),
        )
        for config in configs
    ]


class Way:
    """One connection of a daemon: what is on it in either direction, in order. ``up``: by the broker's word."""

    def __init__(self) -> None:
        self.up = False
        self.knows = False  # so does the daemon
        self.serial = 0  # of connections
        self.late_s = self.sent_s = 0.0  # nothing arrives before this, at the daemon and at the broker
        self.held: list[tuple[int, Callable[[], None]]] = []  # on its way while the daemon cannot be reached
        self.sending: list[tuple[int, Callable[[], None]]] = []  # from the daemon


class Daemon:
    """One charger: a controller, its recorder, and what the shell does between them and the broker."""

    def __init__(self, street: Street, number: int, config: Config) -> None:
        self.street, self.number, self.config, self.name = street, number, config, config.charger.name
        self.order = (config.place.rank if config.place else 0, self.name)
        self.boot_s = random.Random(f"boot {self.name}").uniform(0.0, 1e6)  # no two clocks agree
        self.ways = {which: Way() for which in ("readings", "relay", "claims")}
        self.alive = self.paused = self.cut = False
        self.gone_s = math.inf  # since when it is not there, or cannot be reached,
        self.back_s = 0.0  # and since when it is again
        self.lives = 0
        self.kept: Kept | None = None
        self.told: bool | None = None
        self.energy = NOTHING  # as the ledger has it
        self.commanded = 0  # commands, so that an older one does not overtake
        self.faults: Counter[str] = Counter()
        self.tick_s = math.inf
        self.draw = DrawWatch(config.limits.draw_w)

    # --- the daemon ---------------------------------------------------------------------------------------------------

    def at(self) -> Moment:
        now_s = self.street.t
        day = int((now_s - 4 * 3600.0) // DAY_S)
        return Moment(now_s + self.boot_s, day, int(now_s // DAY_S), int((now_s - DAY_S / 2) // DAY_S))

    def start(self) -> None:
        self.alive, self.paused, self.gone_s, self.back_s = True, False, math.inf, self.street.t
        self.lives += 1
        self.told = None
        self.controller = Controller(self.config.settings(), self.at(), self.kept)
        self.controller.tell(news.CommandsLink(True), self.at())
        self.recorder = Recorder(self.draw, 10_000)
        self.tell(news.Enable(True))
        for which in self.ways:
            self.street.after(self.street.rng.uniform(0.05, 0.5), self.connect, which, self.lives)

    def kill(self) -> None:
        self.kept = self.controller.kept()
        self.collect()
        self.alive, self.gone_s = False, self.street.t
        for which in self.ways:
            self.lose(which, will=True)

    def collect(self) -> None:
        self.energy = sum_of(self.energy, *(one.energy for one in self.recorder.take().intervals))

    def tell(self, happened: News) -> None:
        if not self.alive or self.paused:
            return
        at = self.at()
        self.controller.tell(happened, at)
        events = self.controller.take_events()
        for event in events:
            if event.name == "fault_raised":
                self.faults[event.fields["code"]] += 1
        self.recorder.observe(self.controller, events, round((self.street.t + WALL_S) * 1000))
        if self.recorder.draw.learned and self.controller.lessons.learned_w != self.recorder.draw.learned.draw_w:
            self.controller.tell(news.Learn(self.recorder.draw.learned.draw_w), at)
        self._relay()
        if (claim := self.controller.take_claim()) is not None:
            self.publish("claims", lambda: self.street.claimed(self.name, claim, self.config))
        self.plan()

    def plan(self) -> None:
        due_s = min(self.controller.deadline_s() - self.boot_s, self.street.t + 20.0)
        if not self.street.t < self.tick_s <= due_s:
            self.tick_s = due_s
            self.street.at(max(due_s, self.street.t), self._tick, due_s)

    def _tick(self, due_s: float) -> None:
        if self.tick_s == due_s:
            self.tick_s = math.inf
            if self.paused:
                self.tick_s = self.street.t + 1.0
                self.street.after(1.0, self._tick, self.tick_s)
            else:
                self.tell(news.Tick())

    def _relay(self) -> None:
        """Do the relay task's work; an "on" waits until the start is on the disk."""
        wanted = self.controller.wants_on
        if not self.ways["relay"].knows:
            self.told = None
        elif wanted is not self.told:
            self.told = wanted
            self.commanded += 1
            wait_s = self.street.rng.uniform(0.005, 0.08) if wanted else 0.0
            self.street.after(wait_s, self._send, wanted, self.commanded, self.lives)

    def _send(self, on: bool, number: int, life: int) -> None:
        if not self.alive or life != self.lives:
            return
        if self.paused:
            self.street.after(0.5, self._send, on, number, life)
            return
        if number != self.commanded or self.controller.wants_on is not on or not self.ways["relay"].knows:
            return  # overtaken
        self.controller.tell(news.Sending(on), self.at())
        self.publish("relay", lambda: self.street.commanded(self, on, number))

    # --- its connections ----------------------------------------------------------------------------------------------

    def publish(self, which: str, take: Callable[[], None]) -> None:
        """Send something to the broker, where it arrives in order, or not at all."""
        way, street = self.ways[which], self.street
        if not way.knows:
            return
        serial = way.serial
        if self.cut:
            way.sending.append((serial, take))
            return
        way.sent_s = max(way.sent_s, street.t + street.latency())
        street.at(way.sent_s, lambda: take() if way.up and way.serial == serial else None)

    def deliver(self, which: str, happened: News) -> None:
        """The broker sends something on one of the connections."""
        way, street = self.ways[which], self.street
        if not way.up:
            return
        serial = way.serial

        def arrive() -> None:
            if way.serial == serial and self.alive:
                if self.paused or self.cut or way.held:
                    way.held.append((serial, lambda: self.tell(happened)))
                else:
                    self.tell(happened)

        way.late_s = max(way.late_s, street.t + street.latency())
        street.at(way.late_s, arrive)

    def connect(self, which: str, life: int) -> None:
        way, street = self.ways[which], self.street
        if not self.alive or life != self.lives or way.knows:
            return
        if self.paused or self.cut or not street.broker_up:
            street.after(street.rng.uniform(*HEAD_WAKES_S), self.connect, which, life)
            return
        way.serial += 1
        way.up = way.knows = True
        way.held, way.sending = [], []
        link = {"readings": news.ReadingsLink(True), "relay": news.RelayLink(True)}
        self.tell(link[which] if which in link else news.ClaimsLink(f"{self.name}{self.lives}{way.serial}"))
        if which == "claims":
            for name, payload in street.retained().items():
                self.deliver("claims", news.Claimed(name, payload.encode(), True))

    def lose(self, which: str, will: bool) -> None:
        """The broker gives a connection up, and says its will."""
        way = self.ways[which]
        if not way.up:
            return
        way.up = False
        if will and which == "relay":
            self.commanded += 1
            self.street.contact(self, False)
        elif will and which == "claims":
            self.street.claimed(self.name, "", self.config)
        if not self.alive:
            way.knows = False
        elif not self.paused and not self.cut:
            self.notice(which)

    def notice(self, which: str) -> None:
        """The daemon sees that a connection is gone."""
        way = self.ways[which]
        if way.knows and not way.up and self.alive and not self.paused:
            way.knows = False
            way.serial += 1
            link = {"readings": news.ReadingsLink(False), "relay": news.RelayLink(False)}
            self.tell(link.get(which, news.ClaimsLink(None)))
            self.street.after(self.street.rng.uniform(*HEAD_WAKES_S), self.connect, which, self.lives)

    def unreachable(self, paused: bool) -> None:
        """From now on nothing comes through: it is paused, or cut off. The broker gives up within 1.5 keepalives."""
        self.paused, self.cut = self.paused or paused, self.cut or not paused
        self.gone_s = self.street.t
        life = self.lives
        for which, way in self.ways.items():
            waits_s = self.street.rng.uniform(0.5, 1.5) * KEEPALIVE_S
            self.street.after(waits_s, self._given_up, which, way.serial, life)
            if not paused:  # it notices by its own pings
                self.street.after(waits_s + self.street.rng.uniform(0.0, 10.0), self._gives_up, which, way.serial, life)

    def _given_up(self, which: str, serial: int, life: int) -> None:
        if (self.paused or self.cut) and life == self.lives and self.ways[which].serial == serial:
            self.lose(which, will=True)

    def _gives_up(self, which: str, serial: int, life: int) -> None:
        way = self.ways[which]
        if self.cut and life == self.lives and way.serial == serial and not self.paused:
            if way.up:  # the broker takes a little longer
                self.street.after(1.0, self._gives_up, which, serial, life)
            else:
                self.notice(which)

    def reachable(self) -> None:
        """It goes on, or is heard again: first what was on its way, then what was lost is seen."""
        self.paused, self.cut, self.gone_s, self.back_s = False, False, math.inf, self.street.t
        order = list(self.ways)
        self.street.rng.shuffle(order)
        for which in order:
            way = self.ways[which]
            held, way.held = way.held, []
            for serial, arrive in held:
                if serial == way.serial and self.alive:
                    arrive()
            sending, way.sending = way.sending, []
            for serial, take in sending:
                if way.up and serial == way.serial:
                    take()
        for which in order:
            self.notice(which)
        self.tell(news.Tick())


def sum_of(*energies: Energy) -> Energy:
    result = NOTHING
    for energy in energies:
        result = result.plus(energy)
    return result


class Outcome(NamedTuple):
    """What a run came to; kWh."""

    charged: list[float]
    bought: float  # of all, as the one meter has it
    starts: list[int]
    exported: float
    sum_of_shares_wh: float  # of all ledgers
    meter_share_wh: float  # what one book that sees all has
    closest_s: float  # two starts of different chargers
    faults: Counter[str]
    killed: Counter[str]

    def __str__(self) -> str:
        charged = "+".join(f"{kwh:.1f}" for kwh in self.charged)
        return (
            f"charged {sum(self.charged):.1f} kWh ({charged}), bought {self.bought:.2f}, "
            f"starts {sum(self.starts)} ({'+'.join(map(str, self.starts))}), closest {self.closest_s:.0f} s"
        )


class Street:
    """The broker, the meter and the house; everything happens in the order of its time."""

    def __init__(self, configs: list[Config], array_w: float, seed: int, days: float, begin_s: float = 0.0) -> None:
        self.rng = random.Random(f"street {seed}")
        self.house = SharedHouse(houses(configs, array_w, seed), seed, begin_s)
        self.meter = GridMeter(seed, first_s=begin_s, every_s=8.0)
        self.t, self.end_s = begin_s, begin_s + days * DAY_S
        self.daemons = [Daemon(self, number, config) for number, config in enumerate(configs)]
        self.heap: list[tuple[float, int, Callable[..., None], tuple[Any, ...]]] = []
        self._serial = itertools.count()
        self.broker_up, self.back_s = True, 0.0
        self._claims: dict[str, tuple[str, float]] = {}  # retained: payload, and when it expires
        self.starts: list[tuple[float, str]] = []
        self.on = [False] * len(configs)
        self.shown_w = 0.0
        # one book that sees all
        self.booked_s = begin_s
        self.together_ws = 0.0
        self.troubles: Counter[str] = Counter()
        self.checks = True
        self.latency_s = (0.002, 0.03)

    def latency(self) -> float:
        return self.rng.uniform(*self.latency_s)

    def at(self, at_s: float, do: Callable[..., None], *arguments: Any) -> None:
        heapq.heappush(self.heap, (at_s, next(self._serial), do, arguments))

    def after(self, seconds: float, do: Callable[..., None], *arguments: Any) -> None:
        self.at(self.t + seconds, do, *arguments)

    # --- the broker ---------------------------------------------------------------------------------------------------

    def retained(self) -> dict[str, str]:
        return {name: payload for name, (payload, ends_s) in self._claims.items() if payload and self.t < ends_s}

    def claimed(self, name: str, payload: str, config: Config) -> None:
        place = config.place
        if not self.broker_up:
            return
        self._claims[name] = (payload, self.t + (place.lasts_s if place else 0.0))
        for daemon in self.daemons:
            daemon.deliver("claims", news.Claimed(name, payload.encode(), False))

    def commanded(self, daemon: Daemon, on: bool, number: int) -> None:
        """A command has reached the broker."""
        if not self.broker_up:
            return
        self.contact(daemon, on)
        way, serial = daemon.ways["relay"], daemon.ways["relay"].serial

        def taken() -> None:
            if way.serial == serial and number == daemon.commanded:
                daemon.tell(news.Taken(on))

        def arrive() -> None:
            if daemon.paused or daemon.cut:
                way.held.append((serial, taken))
            else:
                taken()

        self.after(self.latency(), arrive)

    def contact(self, daemon: Daemon, on: bool) -> None:
        if on and not self.on[daemon.number]:
            self.began(daemon.name)
        self.on[daemon.number] = on
        self.house.advance(self.t)
        self.house.leads[daemon.number].plug.command(self.t, on)

    def began(self, name: str) -> None:
        """The oracle: no two of different chargers within the settling time."""
        for at_s, other in reversed(self.starts):
            if at_s <= self.t - SETTLE_S:
                break
            if other != name and self.checks:
                raise Clash(f"{name} starts at {self.t:.1f} s, {self.t - at_s:.1f} s after {other}")
        self.starts.append((self.t, name))

    def break_down(self, for_s: float, forgets: bool) -> None:
        """The broker is gone, and comes back. It says no wills."""
        self.troubles["broker"] += 1
        self.broker_up = False
        if forgets:
            self._claims.clear()
        for daemon in self.daemons:
            for which in daemon.ways:
                daemon.lose(which, will=False)
        self.after(for_s, self._back)

    def _back(self) -> None:
        self.broker_up, self.back_s = True, self.t

    # --- time ---------------------------------------------------------------------------------------------------------

    def run(self, troubles_a_day: float = 0.0) -> Outcome:
        for daemon in self.daemons:
            self.after(self.rng.uniform(0.0, 3.0), daemon.start)
        self.at(self.meter.next_s, self._read)
        if troubles_a_day:
            self._plan_troubles(troubles_a_day)
        while self.heap and self.heap[0][0] <= self.end_s:
            at_s, _, do, arguments = heapq.heappop(self.heap)
            self._book(at_s)
            self.t = at_s
            do(*arguments)
        self._book(self.end_s)
        self.t = self.end_s
        self.house.advance(self.end_s)
        for daemon in self.daemons:
            if daemon.alive:
                daemon.tell(news.Tick())
                daemon.collect()
        gaps = [later - earlier for (earlier, one), (later, other) in itertools.pairwise(self.starts) if one != other]
        mws = sum_of(*(daemon.energy for daemon in self.daemons))
        return Outcome(
            [one.tally.charger_ws / 3.6e6 for one in self.house.leads],
            self.house.tally.grid_ws / 3.6e6,
            [sum(name == daemon.name for _, name in self.starts) for daemon in self.daemons],
            self.house.tally.exported_ws / 3.6e6,
            mws.grid_wh,
            self.together_ws / 3600,
            min(gaps, default=math.inf),
            Counter(itertools.chain.from_iterable(daemon.faults.elements() for daemon in self.daemons)),
            self.troubles,
        )

    def _book(self, until_s: float) -> None:
        """Keep one book of all: what the meter's last word says is imported, whoever comes last bears first.

        What one does not know of itself is in no book, and so not in this.
        """
        for_s = until_s - self.booked_s
        self.booked_s = until_s
        there = [daemon for daemon in self.daemons if daemon.alive]
        left_w = max(there[0].controller.grid_w, 0.0) if there else 0.0
        if left_w:
            for daemon in sorted(there, key=lambda one: one.order, reverse=True):
                controller = daemon.controller
                share_w = min(left_w, controller.plug.may_draw_w(controller.draw_w))
                left_w -= share_w
                self.together_ws += share_w * for_s * controller.known

    def _read(self) -> None:
        self.house.advance(self.t)
        self.shown_w = self.meter.read(self.t, self.house.grid_w)
        if self.broker_up:
            payload = str(self.shown_w).encode()
            for daemon in self.daemons:
                daemon.deliver("readings", news.Message(GRID, payload, False))
        self._look_for_the_dead()
        # At night nothing happens: the meter may as well speak seldom.
        dark = self.house.leads[0].sun_w <= 0.0
        self.at(self.t + 50.0 if dark else self.meter.next_s, self._read)

    def _look_for_the_dead(self) -> None:
        """The oracle: nobody goes on heeding the claim of one that is not there.

        The broker gives it up within 1.5 keepalives; what it had kept, or what lay in somebody's socket, counts once
        more from when it is heard.
        """
        for one, other in itertools.permutations(self.daemons, 2):
            place, since_s = one.config.place, max(one.gone_s, other.back_s, self.back_s)
            if not (place and other.alive and other.gone_s == math.inf and other.controller.neighbours):
                continue
            late = self.t > since_s + 1.5 * KEEPALIVE_S + 2.0 * place.lasts_s + 5.0
            if late and one.name in [neighbour.name for neighbour in other.controller.neighbours.live]:
                raise Clash(f"{other.name} heeds {one.name} at {self.t:.0f} s, gone at {one.gone_s:.0f} s")

    # --- troubles -----------------------------------------------------------------------------------------------------

    def _plan_troubles(self, a_day: float) -> None:
        """By day, and often in the very moment of a start."""
        for day in range(int((self.end_s - self.t) // DAY_S) + 1):
            for _ in range(round(a_day)):
                at_s = day * DAY_S + self.rng.uniform(6.0, 20.0) * 3600
                self.at(at_s, self._trouble, self.rng.choice(["", "asks", "starts", "starts", "draws"]), at_s + 7200.0)

    def _trouble(self, stage: str, until_s: float) -> None:
        """Strike one that is at this stage, as soon as one is."""
        ripe = [
            daemon
            for daemon in self.daemons
            if daemon.alive
            and not (daemon.paused or daemon.cut)
            and (not stage or (daemon.controller.neighbours and daemon.controller.neighbours.stage == stage))
        ]
        if not ripe and self.t < until_s:
            self.after(0.004 if stage == "starts" and self._about_to() else 0.9, self._trouble, stage, until_s)
            return
        if not ripe:
            return
        daemon, kind = self.rng.choice(ripe), self.rng.choice(["kill", "pause", "pause", "cut", "broker"])
        self.after(self.rng.choice([0.0, 0.01, 0.03, 0.3, 20.0]) * self.rng.random(), self._strike, daemon, kind)

    def _about_to(self) -> bool:
        return any(
            d.alive and d.controller.neighbours and d.controller.neighbours.stage == "asks" for d in self.daemons
        )

    def _strike(self, daemon: Daemon, kind: str) -> None:
        if not daemon.alive or daemon.paused or daemon.cut:
            return
        self.troubles[kind] += 1
        if kind == "kill":
            daemon.kill()
            self.after(self.rng.uniform(2.0, 90.0), daemon.start)
        elif kind == "broker":
            self.break_down(self.rng.uniform(1.0, 40.0), self.rng.random() < 0.5)
        else:
            daemon.unreachable(kind == "pause")
            self.after(self.rng.choice([3.0, 20.0, 60.0, 400.0]) * self.rng.random(), daemon.reachable)


# --- one controller that knows all -----------------------------------------------------------------------------------


class AllKnowing:
    """One controller for all leads, with the same thresholds, delays and minimum times: it knows who draws what."""

    def __init__(self, configs: list[Config], array_w: float, seed: int, days: float, begin_s: float = 0.0) -> None:
        self.configs = configs
        self.house = SharedHouse(houses(configs, array_w, seed), seed, begin_s)
        self.meter = GridMeter(seed, first_s=begin_s, every_s=8.0)
        self.end_s = begin_s + days * DAY_S
        self.starts: list[tuple[float, int]] = []

    def run(self) -> Outcome:
        count = len(self.configs)
        order = sorted(range(count), key=lambda k: (self.configs[k].place.rank, self.configs[k].charger.name))  # type: ignore[union-attr]
        on, since_s = [False] * count, [-math.inf] * count
        enough_s: list[float | None] = [None] * count  # since when there would be enough for it
        much_s: float | None = None  # since when too much is imported
        moved_s, session_s, day = -math.inf, [0.0] * count, -1
        last_s = self.meter.next_s
        while self.meter.next_s <= self.end_s:
            now_s = self.meter.next_s
            self.house.advance(now_s)
            grid_w = self.meter.read(now_s, self.house.grid_w)
            for k in range(count):
                session_s[k] += (now_s - last_s) * on[k]
            last_s = now_s
            if (today := int((now_s - 4 * 3600.0) // DAY_S)) != day:
                day, session_s = today, [0.0] * count
            settled = now_s >= moved_s + SETTLE_S
            for k in order:
                config = self.configs[k]
                capped = session_s[k] >= config.session.time_cap_s
                if on[k]:
                    if capped:
                        on[k] = self._switch(k, False, now_s)
                        since_s[k] = now_s
                    continue
                starts = [at_s for at_s, number in self.starts if number == k]
                budget = (
                    sum(at_s > now_s - 3600.0 for at_s in starts) < config.control.starts_per_hour
                    and sum(at_s > now_s - DAY_S for at_s in starts) < config.control.starts_per_day
                )
                rank = config.place.rank  # type: ignore[union-attr]
                later = [
                    j
                    for j in reversed(order)
                    if on[j]
                    and self.configs[j].place.rank > rank  # type: ignore[union-attr]
                    and now_s >= since_s[j] + self.configs[j].control.min_on_s
                ]
                free_w, gives = -grid_w, []
                for j in later:
                    if free_w < config.start_export_w:
                        free_w += self.configs[j].draw_w
                        gives.append(j)
                able = budget and not capped and now_s >= since_s[k] + config.control.min_off_s
                if not able or free_w < config.start_export_w:
                    enough_s[k] = None
                    continue
                enough_s[k] = now_s if enough_s[k] is None else enough_s[k]
                if settled and now_s >= (enough_s[k] or 0.0) + config.start_delay_s:
                    for j in gives:
                        on[j] = self._switch(j, False, now_s)
                        since_s[j] = now_s
                    on[k] = self._switch(k, True, now_s)
                    since_s[k] = moved_s = now_s
                    settled, enough_s, much_s = False, [None] * count, None
                    break
            stop_w = max((self.configs[k].stop_import_w for k in range(count) if on[k]), default=math.inf)
            much_s = None if grid_w <= stop_w else now_s if much_s is None else much_s
            if much_s is not None:
                for k in reversed(order):
                    config = self.configs[k]
                    if on[k] and now_s >= max(much_s + config.stop_delay_s, since_s[k] + config.control.min_on_s):
                        on[k] = self._switch(k, False, now_s)
                        since_s[k], much_s = now_s, now_s - config.stop_delay_s + 20.0  # the meter has to show it
                        break
        self.house.advance(self.end_s)
        times = [at_s for at_s, _ in self.starts]
        return Outcome(
            [one.tally.charger_ws / 3.6e6 for one in self.house.leads],
            self.house.tally.grid_ws / 3.6e6,
            [sum(number == k for _, number in self.starts) for k in range(count)],
            self.house.tally.exported_ws / 3.6e6,
            0.0,
            0.0,
            min((b - a for a, b in itertools.pairwise(times)), default=math.inf),
            Counter(),
            Counter(),
        )

    def _switch(self, k: int, on: bool, now_s: float) -> bool:
        if on:
            self.starts.append((now_s, k))
        self.house.leads[k].plug.command(now_s, on)
        return on
