"""The real controller in a simulated house, on a clock of its own: what speaks when, and what is made of it."""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush

from surpluscharge.config import Config
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Event, Moment, Tally
from surpluscharge.simulator.house import DAY_S, GridMeter, House

HOUR_S = 3600.0
SUNS = (1.0, 0.95, 0.55, 1.0, 0.25, 0.8, 0.35, 1.0, 0.7, 0.9)  # good days and bad ones
SELDOM_S = 25.0  # without any sun nothing can begin, and all speak as seldom as may be


class ClosedLoop:
    """A house and its controller. Each round: :meth:`advance`, see what the house came to, :meth:`hear`."""

    def __init__(
        self,
        house: House,
        meter: GridMeter,
        config: Config,
        *,
        battery_every_s: float = 10.0,
        battery_late_s: float = 0.0,
        silent_h: tuple[float, float] = (0.0, 0.0),
        level_each_time: bool = True,
        power_every_s: float = 10.0,
        plug_measures: bool = True,
        sign: float = 1.0,
        utc_s: Callable[[float], float] = lambda now_s: 0.0,
    ) -> None:
        """``silent_h``: hours of each day at which nothing comes of the battery; ``level_each_time``: with its power,

        else as it moves; ``power_every_s``: the plug, while it is on; ``sign``: of the meter, -1 is the wrong one.
        """
        self.house, self.meter = house, meter
        self._meter_every_s, self._sign, self._utc_s = meter.every_s, sign, utc_s
        self._battery_every_s, self._battery_late_s, self._silent_h = battery_every_s, battery_late_s, silent_h
        self._level_each_time, self._power_every_s, self._plug_measures = level_each_time, power_every_s, plug_measures
        self.now_s = self._power_s = 0.0
        self._battery_s = 0.0 if house.cells else float("inf")
        self._on_its_way: list[tuple[float, str, float]] = []
        self._said_w, self._said_percent, self._told = 0.0, -1.0, False
        self._before: list[Tally] = []  # of the days that are over
        self.tells = 0
        self.controller = Controller(config.settings(), self.at())
        links = (news.CommandsLink(True), news.RelayLink(True), news.Sending(False), news.Taken(False))
        for happened in (*links, news.Enable(True)):
            self.controller.tell(happened, self.at())

    def at(self) -> Moment:
        day = int(self.now_s // DAY_S)
        return Moment(self.now_s, day, day, day, utc_s=self._utc_s(self.now_s))

    @property
    def booked_wh(self) -> tuple[float, float, float]:
        """By the controller: drawn, of it from the grid, and from the battery."""
        days = [*self._before, self.controller.today]
        sums = (sum(getattr(day, key) for day in days) for key in ("charger_wh", "grid_wh", "battery_wh"))
        drawn_wh, grid_wh, given_wh = sums
        return drawn_wh, grid_wh, given_wh

    def advance(self, *wakes_s: float) -> None:
        """Let time pass in the house until something is due, or one of these moments has come."""
        now_s, house = self.now_s, self.house
        self.now_s = min(
            self.meter.next_s,
            self._battery_s,
            self._power_s,
            max(now_s, self.controller.deadline_s()),
            max(now_s, house.lead_next_s),
            *(due_s for due_s, _, _ in self._on_its_way[:1]),
            *wakes_s,
        )
        house.advance(self.now_s)

    def hear(self) -> list[Event]:
        """Let the house's things say what is due, and the controller hear it and switch; return what it says."""
        self._speak()
        now_s, controller = self.now_s, self.controller
        today, dead_s = controller.today, controller.deadline_s()
        while self._on_its_way and self._on_its_way[0][0] <= now_s:
            _, topic, value = heappop(self._on_its_way)
            controller.tell(news.Message(topic, f"{value:.0f}".encode(), False), self.at())
            self.tells += 1
        if now_s >= dead_s:
            controller.tell(news.Tick(), self.at())
        if controller.today.day != today.day:
            self._before.append(today)
        if controller.wants_on is not self._told:
            self._told = controller.wants_on
            self.house.plug.command(now_s, self._told)
            controller.tell(news.Sending(self._told), self.at())
            controller.tell(news.Taken(self._told), self.at())
        return controller.take_events()

    def _speak(self) -> None:
        now_s, house = self.now_s, self.house
        if now_s >= self.meter.next_s:
            self.meter.every_s = self._meter_every_s if house.roof_w else SELDOM_S
            heappush(self._on_its_way, (now_s, "grid", self._sign * self.meter.read(now_s, house.grid_w)))
        if house.cells and now_s >= self._battery_s:
            self._battery_s = now_s + (self._battery_every_s if house.roof_w else SELDOM_S)
            from_h, until_h = self._silent_h
            if not from_h <= now_s % DAY_S / HOUR_S < until_h:
                due_s, percent = now_s + self._battery_late_s, house.cells.percent // 1.0
                heappush(self._on_its_way, (due_s, "cells", round(house.battery_w)))
                if self._level_each_time or percent != self._said_percent:
                    self._said_percent = percent
                    heappush(self._on_its_way, (due_s, "level", percent))
        power_w = house.plug.metered_w(house.charger_w)
        if now_s >= self._power_s or power_w != self._said_w:
            self._power_s, self._said_w = now_s + (self._power_every_s if house.plug.closed else 300.0), power_w
            if self._plug_measures:
                heappush(self._on_its_way, (now_s, "power", power_w))
