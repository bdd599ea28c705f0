"""A house that does not exist: sun, clouds, appliances, a battery, a car on a fixed-rate lead, its meter and its plug.

Pure arithmetic: no clock, no I/O, nothing random that does not come from the seed. All power is constant between
events (a cloud's edge, a kettle, the relay), so energy is summed exactly, and a reader who steps by hours gets the
same figures as one who steps by seconds. Weather and appliances depend on the seed and the day only, never on what
was charged, so that two ways of charging can be compared on the same day. What there is not by default: a battery in
the house (:class:`Storage`), three phases (:class:`Phases`), and an inverter that holds sun back
(:class:`Throttle`).

Times are seconds since midnight of the first day by the house's own clock; powers are watts; ``grid_w`` is positive
for import. Energy is kept in watt-seconds (``_ws``).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from dataclasses import dataclass
from itertools import chain
from random import Random
from typing import NamedTuple

DAY_S = 86_400.0
_NEVER_S = math.inf


class Storage(NamedTuple):
    """A battery of the house's, and the inverter that holds the grid at nought with it.

    It looks at the grid every ``every_s`` and then goes a share of the way to where the grid would show ``aims_w``: a
    first-order lag, sampled. Common practice, from memory; so are the figures.
    """

    capacity_wh: float = 7_500.0
    begins_share: float = 0.3  # what is in it at first
    reserve_share: float = 0.1  # what it does not give
    charge_w: float = 3_000.0  # the most it takes,
    give_w: float = 3_000.0  # and the most it gives; both at the house's side
    kept_share: float = 0.9  # of what it takes, what it will give again
    lag_s: float = 4.0  # time constant
    every_s: float = 1.0
    aims_w: float = 0.0  # what it leaves for the grid, positive for import


class Throttle(NamedTuple):
    """An inverter that may not export more than ``limit_w``, and holds back what would be beyond.

    It looks at the grid every ``every_s`` and goes a share of the way to what it may give: a first-order lag, sampled.
    A battery beside it is charged before anything is held back, and gives nothing while something is. Common practice,
    from memory; so are the figures.
    """

    limit_w: float = 0.0
    lag_s: float = 6.0  # time constant
    every_s: float = 1.0


class Phases(NamedTuple):
    """Which of three phases things are on; which appliance is on which, see ``OUTLETS``."""

    lead: int = 1
    sun: tuple[float, float, float] = (1 / 3, 1 / 3, 1 / 3)  # shares
    storage: tuple[float, float, float] = (1 / 3, 1 / 3, 1 / 3)


OUTLETS = {"fridge": 1, "kettle": 2, "washing": 3, "oven": 2, "evening": 1}  # what is always on: a third on each


class Scenario(NamedTuple):
    """An invented household. Every number is made up; none was measured anywhere."""

    # Roof and season.
    latitude_deg: float = 47.0
    day_of_year: int = 132
    noon_s: float = 13.2 * 3600  # when the sun stands highest, by the kitchen clock
    array_w: float = 3_920.0  # what the roof would yield with the sun straight above
    suns: tuple[float, ...] = (1.0,)  # what of that each day has, one after the other, and again

    # Fair-weather clouds, and the one bank that comes by around midday. Through: the share of light they let past.
    cumulus_from_s: float = 9.0 * 3600
    cumulus_until_s: float = 18.5 * 3600
    cumulus_gap_s: float = 680.0
    cumulus_through: tuple[float, float] = (0.18, 0.5)
    bank_at_s: float = 13.0 * 3600
    bank_for_s: float = 34.0 * 60
    bank_through: tuple[float, float] = (0.1, 0.26)

    # Household.
    base_w: float = 165.0
    fridge_w: float = 95.0
    kettle_w: float = 2_150.0
    kettle_at_s: tuple[float, ...] = (7.1 * 3600, 10.4 * 3600, 14.9 * 3600, 17.2 * 3600, 20.6 * 3600)
    washing_heat_w: float = 1_900.0
    washing_at_s: float = 11.1 * 3600
    oven_w: float = 2_100.0
    oven_at_s: float = 12.3 * 3600
    evening_w: float = 280.0
    evening_from_s: float = 18.8 * 3600
    evening_until_s: float = 22.7 * 3600

    # Lead and car. Headroom is what the battery still takes, seen from the socket.
    lead_a: float = 6.0
    mains_v: float = 230.0
    wake_s: float = 8.0  # from power at the lead to the car drawing it
    headroom_wh: float = 5_200.0
    taper_wh: float = 450.0
    standby_w: float = 3.0
    battery_wh: float = 34_000.0
    daily_use_wh: float = 6_400.0  # driven between one midnight and the next, or while it is away
    away_s: tuple[float, float] | None = None  # times of day at which it leaves and is back; None: it is always there

    storage: Storage | None = None
    throttle: Throttle | None = None
    phases: Phases | None = None

    # Socket, where a sensor feels it.
    ambient_c: float = 17.0
    warming_c: float = 11.0  # above that, in the end, with the lead's current
    warming_s: float = 1_500.0  # time constant

    @property
    def lead_w(self) -> float:
        """Power of the lead while the car takes all it gives, W."""
        return self.lead_a * self.mains_v


@dataclass(slots=True)
class HouseTally:
    """The truth, summed up by the model itself: energies in watt-seconds, times in seconds."""

    sun_ws: float = 0.0
    hidden_ws: float = 0.0  # what the roof would have given besides, and an inverter held back
    household_ws: float = 0.0
    imported_ws: float = 0.0
    exported_ws: float = 0.0
    apart_imported_ws: float = 0.0  # what the phases imported, each for itself; where there are phases
    apart_exported_ws: float = 0.0
    stored_ws: float = 0.0  # into the house's battery,
    given_ws: float = 0.0  # and out of it
    charger_ws: float = 0.0
    solar_ws: float = 0.0  # of the charger's energy, what the roof gave,
    fed_ws: float = 0.0  # what the battery gave, beyond what the house alone would have had of it at every moment,
    grid_ws: float = 0.0  # and what was imported for it, which is the rest: without a battery, min(charger, import)
    on_s: float = 0.0
    starts: int = 0
    left_wh: float | None = None  # what the car held when it last left
    lacked_ws: float = 0.0  # of what it used on its ways, what it had not got


class Plug:
    """A switched socket: obeys after a latency, opens by itself when a hold time runs out, meters its own power."""

    def __init__(self, latency_s: float = 1.2, resolution_w: float = 1.0) -> None:
        self.closed = False
        self.obeyed = 0  # commands carried out so far
        self.next_s = _NEVER_S  # when the contact will next move (or be told to stay) by itself
        self._latency_s = latency_s
        self._resolution_w = resolution_w
        self._pending: deque[tuple[float, bool, float | None]] = deque()
        self._open_at_s = _NEVER_S

    def command(self, at_s: float, closed: bool, for_s: float | None = None) -> None:
        """Take a command at a time; ``for_s`` is the hold time in seconds, None for as long as nobody says off."""
        self._pending.append((at_s + self._latency_s, closed, for_s))
        self._plan()

    def advance(self, to_s: float) -> None:
        """Do what is due up to a time, in the order in which it is due."""
        while self.next_s <= to_s:
            if self._open_at_s < (self._pending[0][0] if self._pending else _NEVER_S):
                self.closed, self._open_at_s = False, _NEVER_S
            else:
                at_s, self.closed, for_s = self._pending.popleft()
                self.obeyed += 1
                self._open_at_s = at_s + for_s if self.closed and for_s is not None else _NEVER_S
            self._plan()

    def metered_w(self, true_w: float) -> float:
        """Return the power that it reports for a true one, W."""
        return round(true_w / self._resolution_w) * self._resolution_w

    def _plan(self) -> None:
        self.next_s = min(self._pending[0][0] if self._pending else _NEVER_S, self._open_at_s)


class GridMeter:
    """The meter at the grid connection: what it shows, and how often."""

    def __init__(
        self,
        seed: int,
        first_s: float = 0.0,
        every_s: float = 5.0,
        noise_w: float = 7.0,
        resolution_w: float = 1.0,
    ) -> None:
        self.next_s = first_s
        self.every_s = every_s
        self._noise_w = noise_w
        self._resolution_w = resolution_w
        self._random = Random(f"meter {seed}")

    def read(self, at_s: float, true_w: float) -> float:
        """Return the reading for the true net power at a time, W, and move on to the next one still to come.

        Readings that were missed are not made up for: a real meter does not queue them either.
        """
        self.next_s += self.every_s * max(1.0, math.floor((at_s - self.next_s) / self.every_s) + 1.0)
        noisy_w = true_w + self._random.gauss(0.0, self._noise_w) if self._noise_w else true_w
        return round(noisy_w / self._resolution_w) * self._resolution_w


class Car:
    """A car that starts drawing some seconds after power appears, tapers when nearly full, and then stops.

    While it is away it draws nothing, and is as empty when it is back as the way was long.
    """

    _TAPER_STEP_S = 30.0
    # Below this a remainder counts as nothing. It also keeps every step long enough to move a float.
    _LEAST_WS = 1.0

    def __init__(self, scenario: Scenario) -> None:
        self.draw_w = 0.0
        self.next_s = _NEVER_S
        self.home = True
        self.headroom_ws = scenario.headroom_wh * 3600
        self._battery_ws = scenario.battery_wh * 3600
        self._lead_w = scenario.lead_w
        self._taper_ws = scenario.taper_wh * 3600
        self._standby_w = scenario.standby_w
        self._wake_s = scenario.wake_s
        self._awake_s = _NEVER_S

    @property
    def held_wh(self) -> float:
        """What it holds, Wh."""
        return (self._battery_ws - self.headroom_ws) / 3600

    @property
    def full(self) -> bool:
        """Whether the battery takes no more."""
        return self.headroom_ws < self._LEAST_WS

    @property
    def tapering(self) -> bool:
        """Whether it is so nearly full that it draws less and less."""
        return self._LEAST_WS <= self.headroom_ws <= self._taper_ws

    def power(self, at_s: float, on: bool) -> None:
        """Give or take the lead's power."""
        self._awake_s = at_s + self._wake_s if on else _NEVER_S
        self.settle(at_s)

    def settle(self, at_s: float) -> None:
        """Decide what it draws from now on, and until when that holds."""
        left_ws = self.headroom_ws
        if not self.home:
            self.draw_w, self.next_s = 0.0, _NEVER_S
        elif at_s < self._awake_s or self.full:
            self.draw_w = self._standby_w if self._awake_s < _NEVER_S else 0.0
            self.next_s = self._awake_s if at_s < self._awake_s else _NEVER_S
        elif left_ws > self._taper_ws + self._LEAST_WS:
            self.draw_w = self._lead_w
            self.next_s = at_s + (left_ws - self._taper_ws) / self._lead_w
        else:
            self.draw_w = self._lead_w * max(0.15, min(1.0, left_ws / self._taper_ws))
            self.next_s = at_s + min(self._TAPER_STEP_S, left_ws / self.draw_w)

    def take(self, energy_ws: float) -> None:
        """Book energy that went in."""
        if energy_ws:
            self.headroom_ws = max(0.0, self.headroom_ws - energy_ws)

    def drive(self, used_ws: float) -> float:
        """Use so much on the way; return what of it was not there."""
        wanted_ws = self.headroom_ws + used_ws
        self.headroom_ws = min(self._battery_ws, wanted_ws)
        return wanted_ws - self.headroom_ws


class Cells:
    """The house's battery: it holds the grid at nought as well as its lag and its limits let it."""

    _LEAST_WS = 1.0
    _STILL_W = 1.0  # so near to what it would have, it is there

    def __init__(self, storage: Storage) -> None:
        self.power_w = 0.0  # positive while it is charged
        self.next_s = _NEVER_S
        self.held_ws = storage.begins_share * storage.capacity_wh * 3600
        self._storage = storage
        self._capacity_ws = storage.capacity_wh * 3600
        self._reserve_ws = storage.reserve_share * self._capacity_ws
        self._way = -math.expm1(-storage.every_s / storage.lag_s)  # of the rest, in one step
        self._looks_s = _NEVER_S

    @property
    def percent(self) -> float:
        """What is in it, of what can be."""
        return 100.0 * self.held_ws / self._capacity_ws

    @property
    def room_w(self) -> float:
        """What it would take, or leave to others to give, beyond what it does now."""
        full = self.held_ws >= self._capacity_ws - self._LEAST_WS
        return (0.0 if full else self._storage.charge_w) - self.power_w

    def settle(self, at_s: float, grid_w: float) -> None:
        """See what it would have at this grid power, which it is a part of, and go there when the time has come."""
        storage, power_w = self._storage, self.power_w
        most_w = storage.charge_w if self.held_ws < self._capacity_ws - self._LEAST_WS else 0.0
        least_w = -storage.give_w if self.held_ws > self._reserve_ws + self._LEAST_WS else 0.0
        wanted_w = min(most_w, max(least_w, power_w - grid_w + storage.aims_w))
        if not least_w <= power_w <= most_w:  # full or empty: that takes no time
            power_w = min(most_w, max(least_w, power_w))
        elif at_s >= self._looks_s:
            power_w += (wanted_w - power_w) * self._way
            power_w = wanted_w if abs(wanted_w - power_w) < self._STILL_W else power_w
            self._looks_s = _NEVER_S
        self.power_w = power_w
        if abs(wanted_w - power_w) < self._STILL_W:
            self._looks_s = _NEVER_S
        elif self._looks_s == _NEVER_S:
            self._looks_s = (at_s // storage.every_s + 1.0) * storage.every_s
        self.next_s = self._looks_s
        if power_w > 0.0:
            full_s = (self._capacity_ws - self.held_ws) / (power_w * storage.kept_share)
            self.next_s = min(self.next_s, at_s + full_s)
        elif power_w < 0.0:
            self.next_s = min(self.next_s, at_s + (self.held_ws - self._reserve_ws) / -power_w)

    def pass_time(self, for_s: float) -> None:
        """Book what flows for so long."""
        power_w = self.power_w
        self.held_ws += (power_w * self._storage.kept_share if power_w > 0.0 else power_w) * for_s


class Inverter:
    """What stands between the roof and the house: it lets through what is used, stored or may be exported."""

    _STILL_W = 1.0  # so near to what it would give, it is there

    def __init__(self, throttle: Throttle) -> None:
        self.power_w = 0.0
        self.next_s = _NEVER_S
        self._throttle = throttle
        self._way = -math.expm1(-throttle.every_s / throttle.lag_s)  # of the rest, in one step

    def settle(self, at_s: float, roof_w: float, grid_w: float, room_w: float) -> None:
        """Go where the time has come. ``roof_w``: what there is; ``room_w``: what a battery would take besides."""
        throttle = self._throttle
        power_w = min(self.power_w, roof_w)
        grid_w += self.power_w - power_w
        wanted_w = min(roof_w, max(0.0, power_w + grid_w + throttle.limit_w + room_w))
        if at_s >= self.next_s:
            power_w += (wanted_w - power_w) * self._way
            power_w = wanted_w if abs(wanted_w - power_w) < self._STILL_W else power_w
            self.next_s = _NEVER_S
        self.power_w = power_w
        if abs(wanted_w - power_w) < self._STILL_W:
            self.next_s = _NEVER_S
        elif self.next_s == _NEVER_S:
            self.next_s = (at_s // throttle.every_s + 1.0) * throttle.every_s


class House:
    """Everything behind one grid meter, at one moment that ``advance`` moves on.

    Give it a ``Plug`` of your own to have one that misbehaves; the house only asks when it next moves and whether it
    is closed.
    """

    def __init__(
        self, scenario: Scenario | None = None, seed: int = 0, start_s: float = 0.0, plug: Plug | None = None
    ) -> None:
        self.scenario = scenario or Scenario()
        self.plug = plug or Plug()
        self.car = Car(self.scenario)
        self.cells = Cells(self.scenario.storage) if self.scenario.storage else None
        self.inverter = Inverter(self.scenario.throttle) if self.scenario.throttle else None
        self.tally = HouseTally()
        self.t_s = start_s
        self.socket_c = self.scenario.ambient_c
        self._seed = seed
        self._besides_w = 0.0
        self._closed = False
        self._travels_s = _NEVER_S
        if self.scenario.away_s:
            leaves_s, back_s = self.scenario.away_s
            self.car.home = not leaves_s <= start_s % DAY_S < back_s
            self._travels_s = self._next_travel_s()
        self._open_day(int(start_s // DAY_S))
        self._index = bisect_right(self._day.times_s, start_s) - 1
        self._enter_piece()
        self._settle()

    @property
    def next_s(self) -> float:
        """When anything next changes by itself."""
        return min(self._until_s, self.lead_next_s, self._house_next_s)

    @property
    def _house_next_s(self) -> float:
        """When battery or inverter next move."""
        cells_s = self.cells.next_s if self.cells else _NEVER_S
        return min(cells_s, self.inverter.next_s) if self.inverter else cells_s

    @property
    def lead_next_s(self) -> float:
        """When next something changes by itself that a meter at the plug would see."""
        return min(self.plug.next_s, self.car.next_s, self._travels_s)

    @property
    def sun_w(self) -> float:
        """What comes from the roof, W."""
        return self.inverter.power_w if self.inverter else self.roof_w

    @property
    def charger_w(self) -> float:
        """What goes through the lead, W."""
        return self.car.draw_w

    @property
    def grid_w(self) -> float:
        """True net power at the grid connection, W; positive = import."""
        return self.household_w + self.car.draw_w - self.sun_w + self.battery_w

    @property
    def battery_w(self) -> float:
        """What flows into the house's battery, W; below nought: out of it."""
        return self.cells.power_w if self.cells else 0.0

    @property
    def phases_w(self) -> tuple[float, float, float]:
        """The same for each of three phases, W. Raises ``TypeError`` where there are none."""
        phases = self.scenario.phases
        if phases is None:
            raise TypeError("this house has no phases")
        one, two, three = (
            home_w - sun * self.sun_w + storage * self.battery_w + (self.car.draw_w if number == phases.lead else 0.0)
            for number, (home_w, sun, storage) in enumerate(
                zip(self._outlets_w, phases.sun, phases.storage, strict=True), start=1
            )
        )
        return one, two, three

    @property
    def clouded(self) -> bool:
        """Whether a cloud stands before the sun."""
        return self.sky < 1.0

    def use(self, power_w: float) -> None:
        """Use so much besides from now on, on the first phase, as when somebody switches a kettle on; 0: no more."""
        self._besides_w = power_w
        self._enter_piece()
        self._settle()

    def advance(self, to_s: float) -> None:
        """Move on to a time. Raises ``ValueError`` for a time in the past."""
        if to_s < self.t_s:
            raise ValueError(f"the house is at {self.t_s} s and cannot go back to {to_s} s")
        plug, car = self.plug, self.car
        while True:
            until_s = min(to_s, self._until_s, plug.next_s, car.next_s, self._travels_s)
            if self._house_next_s < until_s:
                until_s = max(self._house_next_s, self.t_s)
            if until_s > self.t_s:
                self._sum_up(until_s - self.t_s)
                self.t_s = until_s
            # Whatever is due at this very moment happens before anyone looks.
            now_s, due = self.t_s, False
            if plug.next_s <= now_s:
                due = True
                plug.advance(now_s)
            if plug.closed != self._closed:
                due = True
                self._closed = plug.closed
                self.tally.starts += plug.closed
                car.power(now_s, plug.closed)
            if car.next_s <= now_s:
                due = True
                car.settle(now_s)
            if self._travels_s <= now_s:
                due = True
                self._travel()
            if self._until_s <= now_s:
                due = True
                self._next_piece()
            if due or self._house_next_s <= now_s:
                self._settle()
            if not due and now_s >= to_s:
                return

    def _settle(self) -> None:
        """Let inverter and battery see what has become of the grid."""
        cells, inverter = self.cells, self.inverter
        if inverter:
            inverter.settle(self.t_s, self.roof_w, self.grid_w, cells.room_w if cells else 0.0)
        if cells:
            cells.settle(self.t_s, self.grid_w)

    def _sum_up(self, for_s: float) -> None:
        draw_w = self.car.draw_w
        alone_w = self.household_w - self.sun_w  # what the house alone would lack
        grid_w, given_w = alone_w + draw_w, 0.0
        scenario, tally = self.scenario, self.tally
        if self.cells:
            battery_w = self.cells.power_w
            grid_w += battery_w
            given_w = min(max(-battery_w - max(alone_w, 0.0), 0.0), draw_w, max(alone_w + draw_w, 0.0))
            tally.stored_ws += max(battery_w, 0.0) * for_s
            tally.given_ws += max(-battery_w, 0.0) * for_s
            self.cells.pass_time(for_s)
        if scenario.phases:
            tally.apart_imported_ws += sum(max(one_w, 0.0) for one_w in self.phases_w) * for_s
            tally.apart_exported_ws += sum(max(-one_w, 0.0) for one_w in self.phases_w) * for_s
        warm_c = scenario.ambient_c + scenario.warming_c * (draw_w / scenario.lead_w) ** 2
        self.socket_c += (warm_c - self.socket_c) * -math.expm1(-for_s / scenario.warming_s)
        tally.sun_ws += self.sun_w * for_s
        tally.hidden_ws += (self.roof_w - self.sun_w) * for_s
        tally.household_ws += self.household_w * for_s
        if grid_w > 0.0:
            tally.imported_ws += grid_w * for_s
        else:
            tally.exported_ws -= grid_w * for_s
        if self._closed:
            tally.on_s += for_s
            energy_ws = draw_w * for_s
            grid_ws = (min(draw_w, max(alone_w + draw_w, 0.0)) - given_w) * for_s
            tally.charger_ws += energy_ws
            tally.grid_ws += grid_ws
            tally.fed_ws += given_w * for_s
            tally.solar_ws += energy_ws - grid_ws - given_w * for_s
            self.car.take(energy_ws)

    def _open_day(self, day: int) -> None:
        self._number = day
        self._day = make_day(self.scenario, self._seed, day)

    def _next_piece(self) -> None:
        self._index += 1
        if self._index == len(self._day.times_s):
            self._open_day(self._number + 1)
            self._index = 0
            if self.scenario.away_s is None:
                self._drive()
        self._enter_piece()

    def _enter_piece(self) -> None:
        day, i = self._day, self._index
        self.roof_w, self.household_w, self.sky = day.sun_w[i], day.household_w[i] + self._besides_w, day.sky[i]
        one_w, two_w, three_w = day.outlets_w[i]
        self._outlets_w = (one_w + self._besides_w, two_w, three_w)
        self._until_s = day.times_s[i + 1] if i + 1 < len(day.times_s) else (self._number + 1) * DAY_S

    def _drive(self) -> None:
        self.tally.lacked_ws += self.car.drive(self.scenario.daily_use_wh * 3600)
        self.car.settle(self.t_s)

    def _next_travel_s(self) -> float:
        """Return when the car next leaves, or is back."""
        assert self.scenario.away_s is not None
        at_s = self.scenario.away_s[0 if self.car.home else 1]
        day_s = self.t_s // DAY_S * DAY_S
        return day_s + at_s if day_s + at_s > self.t_s else day_s + DAY_S + at_s

    def _travel(self) -> None:
        if self.car.home:
            self.tally.left_wh = self.car.held_wh
        self.car.home = not self.car.home
        if self.car.home:
            self._drive()
        # Plugged in again, it takes its time to wake, where the lead is on.
        self.car.power(self.t_s, self._closed)
        self._travels_s = self._next_travel_s()


class DayCourse(NamedTuple):
    """One day's weather and appliances as pieces of constant power; piece i lasts from times_s[i] to the next."""

    times_s: list[float]
    sun_w: list[float]
    household_w: list[float]
    sky: list[float]  # the share of the sun's light that comes through, 1 = clear
    outlets_w: list[tuple[float, float, float]]  # of the household, what is on each phase


def clear_sky_w(scenario: Scenario, t_s: float) -> float:
    """Return what the roof yields under a clear sky at a time, W.

    The sun's height follows from latitude, season and hour; the exponent stands for the longer way that light takes
    through the air when the sun is low.
    """
    season = 2 * math.pi * (scenario.day_of_year + t_s // DAY_S + 10) / 365.25
    declination = -math.radians(23.44) * math.cos(season)
    latitude = math.radians(scenario.latitude_deg)
    hour_angle = 2 * math.pi * (t_s % DAY_S - scenario.noon_s) / DAY_S
    height = math.sin(latitude) * math.sin(declination)
    height += math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
    sun = scenario.suns[int(t_s // DAY_S) % len(scenario.suns)]
    return scenario.array_w * sun * height**1.2 if height > 0 else 0.0


def make_day(scenario: Scenario, seed: int, day: int) -> DayCourse:
    """Return a day's weather and appliances; the same arguments always give the same day."""
    # Clear sky, once a minute; each change is (time of day, which of the values, the new value or the step).
    clear = ((minute * 60.0, 0, clear_sky_w(scenario, day * DAY_S + minute * 60.0 + 30.0)) for minute in range(24 * 60))
    cumulus = ((at, 1, through) for at, through in _cumulus(scenario, Random(f"cumulus {seed} {day}")))
    bank = ((at, 2, through) for at, through in _bank(scenario, Random(f"bank {seed} {day}")))
    loads = ((at, 2 + phase, step_w) for at, phase, step_w in _appliances(scenario, Random(f"home {seed} {day}")))
    changes = sorted(change for change in chain(clear, cumulus, bank, loads) if change[0] < DAY_S)

    result = DayCourse([], [], [], [], [])
    now = [0.0, 1.0, 1.0, *(scenario.base_w / 3,) * 3]
    household_w = scenario.base_w
    for i, (at, which, value) in enumerate(changes):
        now[which] = now[which] + value if which >= 3 else value
        household_w += value if which >= 3 else 0.0
        if i + 1 < len(changes) and changes[i + 1][0] == at:
            continue
        sky = min(now[1], now[2])
        piece = (now[0] * sky, household_w, sky)
        if result.times_s and piece == (result.sun_w[-1], result.household_w[-1], result.sky[-1]):
            continue  # the night, mostly
        result.times_s.append(day * DAY_S + at)
        result.sun_w.append(piece[0])
        result.household_w.append(piece[1])
        result.sky.append(piece[2])
        result.outlets_w.append((now[3], now[4], now[5]))
    return result


def _cumulus(scenario: Scenario, random: Random) -> list[tuple[float, float]]:
    """Single clouds with sharp edges, one to eight minutes each, gaps of any length between them."""
    changes = []
    at = scenario.cumulus_from_s
    while (at := at + 60.0 + random.expovariate(1 / scenario.cumulus_gap_s)) < scenario.cumulus_until_s:
        changes.append((at, random.uniform(*scenario.cumulus_through)))
        at += random.triangular(60.0, 480.0, 150.0)
        changes.append((at, 1.0))
    return changes


def _bank(scenario: Scenario, random: Random) -> list[tuple[float, float]]:
    """One long bank of clouds, thicker and thinner in places."""
    at = scenario.bank_at_s + random.gauss(0.0, 600.0)
    end = at + scenario.bank_for_s * random.uniform(0.8, 1.2)
    changes = []
    while at < end:
        changes.append((at, random.uniform(*scenario.bank_through)))
        at += random.uniform(150.0, 420.0)
    changes.append((end, 1.0))
    return changes


def _appliances(scenario: Scenario, random: Random) -> list[tuple[float, int, float]]:
    """What is switched on and off in the house: (time, phase, step in W)."""
    changes: list[tuple[float, int, float]] = []

    def use(what: str, at: float, *steps: tuple[float, float]) -> float:
        """Run through steps of (W, s); return when the last one is over."""
        for power_w, for_s in steps:
            changes.extend(((at, OUTLETS[what], power_w), (at + for_s, OUTLETS[what], -power_w)))
            at += for_s
        return at

    at = 0.0
    while at < DAY_S:
        at = use("fridge", at + random.uniform(1_300, 1_900), (scenario.fridge_w, random.uniform(700, 1_000)))
    for about in scenario.kettle_at_s:
        use("kettle", about + random.uniform(-1_500, 1_500), (scenario.kettle_w, random.uniform(110, 200)))
    heat_w = scenario.washing_heat_w
    washing = ((70.0, 240.0), (heat_w, 780.0), *((190.0, 160.0), (40.0, 60.0)) * 10, (430.0, 420.0))
    use("washing", scenario.washing_at_s + random.uniform(-1_800, 1_800), *washing)
    oven = ((scenario.oven_w, 520.0), *((0.0, 200.0), (scenario.oven_w, 80.0)) * 8)
    use("oven", scenario.oven_at_s + random.uniform(-900, 900), *oven)
    use("evening", scenario.evening_from_s, (scenario.evening_w, scenario.evening_until_s - scenario.evening_from_s))
    return changes
