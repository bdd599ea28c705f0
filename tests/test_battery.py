"""A house battery: what decides, whose the energy is, and what a charge does to it, with one that is simulated."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.config import Config, ConfigError, parse
from surpluscharge.control import ahead, news
from surpluscharge.control.battery import LevelWatch, Rights, decisive_w, shares_w, yields
from surpluscharge.control.controller import Controller, Moment
from surpluscharge.control.machine import MODE_NAMES
from surpluscharge.control.rule import Way
from surpluscharge.control.supervisor import FAULT_BY_CODE
from tests.bench import batteries

POWERS = st.floats(-20000.0, 20000.0)


# --- whose the energy is ---------------------------------------------------------------------------------------------


@given(st.floats(0.0, 8000.0), POWERS, POWERS)
def test_the_shares_are_parts_of_what_the_charger_draws(charger_w: float, grid_w: float, battery_w: float) -> None:
    bought_w, given_w = shares_w(charger_w, grid_w, battery_w)
    assert bought_w >= -1e-9 and given_w >= 0.0
    assert bought_w + given_w <= charger_w + 1e-9
    assert bought_w <= max(grid_w, 0.0) + 1e-9
    assert given_w <= max(-battery_w, 0.0) + 1e-9


@given(st.floats(0.0, 8000.0), POWERS)
def test_without_a_battery_the_grid_s_share_is_what_it_was(charger_w: float, grid_w: float) -> None:
    assert shares_w(charger_w, grid_w, 0.0) == (min(charger_w, max(grid_w, 0.0)), 0.0)


@given(st.floats(0.0, 6000.0), st.floats(0.0, 6000.0), st.floats(0.0, 3000.0), st.floats(0.0, 5000.0))
def test_the_shares_are_the_difference_that_the_charger_makes(
    sun_w: float, house_w: float, charger_w: float, most_w: float
) -> None:
    """Worked twice, with and without the charger, for a battery that holds the grid at nought within its power."""

    def settle(load_w: float) -> tuple[float, float]:
        battery_w = min(most_w, max(-most_w, sun_w - load_w))
        return load_w + battery_w - sun_w, battery_w

    (grid_w, battery_w), (grid_off_w, battery_off_w) = settle(house_w + charger_w), settle(house_w)
    bought_w, given_w = shares_w(charger_w, grid_w, battery_w)
    assert bought_w == pytest.approx(max(grid_w, 0.0) - max(grid_off_w, 0.0), abs=1e-6)
    assert given_w == pytest.approx(max(-battery_w, 0.0) - max(-battery_off_w, 0.0), abs=1e-6)


def test_whose_turn_the_sun_is() -> None:
    first_the_battery = Rights(80.0)
    assert not yields(False, first_the_battery, None)
    assert not yields(False, first_the_battery, 79.9)
    assert yields(False, first_the_battery, 80.0)
    assert yields(True, first_the_battery, 75.1)  # it does not change with every cloud
    assert not yields(True, first_the_battery, 75.0)
    assert not yields(True, first_the_battery, None)
    assert yields(False, Rights(0.0), None)
    assert yields(False, first_the_battery, None, by_time=True)
    until = config(until="14:00")
    hours = [
        until.cars_turn(datetime(2031, 5, 12, *time, tzinfo=UTC)) for time in ((0, 0), (13, 59), (14, 0), (23, 59))
    ]
    assert hours == [False, False, True, True]
    assert not config().cars_turn(datetime(2031, 5, 12, 23, tzinfo=UTC))
    assert decisive_w(0.0, 2000.0, yielding=True) == -2000.0
    assert decisive_w(0.0, 2000.0, yielding=False) == 0.0
    assert decisive_w(0.0, -500.0, yielding=False) == decisive_w(0.0, -500.0, yielding=True) == 500.0


def test_a_sign_turned_round_shows_in_the_level() -> None:
    for sign, contrary in ((1.0, 0), (-1.0, 5)):
        watch, level = LevelWatch(), 20.0
        for minute in range(60):
            watch.flows(sign * 1500.0, minute * 60.0, 90.0)
            level += 25.0 / 150.0  # 25 Wh of 15 kWh
            watch.stands(math.floor(level))
        assert watch.contrary == contrary


# --- with a house around it ------------------------------------------------------------------------------------------

EVERY_S, SPEAKS_EVERY = 5.0, 2  # the house moves on by so much, and of so many steps one is told of


class Home:
    """Sun, a household and a battery that holds the grid at nought, with a lag; meter and battery report every 10 s.

    The battery's level and the plug's power come when they have changed, and every half minute.
    """

    def __init__(self, config: Config, lag_s: float = 5.0, capacity_wh: float = 5000.0, level: float = 50.0) -> None:
        self.now_s, self.sun_w, self.house_w = 1e6, 0.0, 300.0
        self.capacity_wh, self.stored_wh, self.lag_s = capacity_wh, capacity_wh * level / 100.0, lag_s
        self.battery_w, self.most_w = 0.0, 2500.0
        self.sign, self.jitter = 1.0, Random(1)
        self.silent = self.late = False
        self.contact = False
        self.told: bool | None = None
        self.drawn_wh = self.fed_wh = self.exported_wh = self.imported_wh = 0.0
        self.starts = self.steps = 0
        self.seen: list[str] = []
        self.said: dict[str, tuple[float, float]] = {}  # by topic: when, and what
        self.controller = Controller(config.settings(), self.at)
        for happened in (news.CommandsLink(True), news.RelayLink(True), news.Enable(True)):
            self.controller.tell(happened, self.at)

    @property
    def at(self) -> Moment:
        return Moment(self.now_s, 0, 0, cars_turn=self.late)

    @property
    def mode(self) -> str:
        return MODE_NAMES[self.controller.state.mode]

    @property
    def car_w(self) -> float:
        return 1380.0 if self.contact else 0.0

    @property
    def grid_w(self) -> float:
        return self.house_w + self.car_w + self.battery_w - self.sun_w

    def send(self, topic: str, value: float) -> None:
        self.controller.tell(news.Message(topic, f"{value:.1f}".encode(), False), self.at)

    def send_if_new(self, topic: str, value: float) -> None:
        said_s, said = self.said.get(topic, (-math.inf, 0.0))
        if value != said or self.now_s >= said_s + 30.0:
            self.said[topic] = self.now_s, value
            self.send(topic, value)

    def run(self, seconds: float) -> Home:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.step()
        return self

    def step(self) -> None:
        hours = EVERY_S / 3600.0
        # It moves towards what would hold the grid at nought, and is neither overfilled nor emptied.
        wanted_w = self.battery_w - self.grid_w
        room_w, stock_w = (self.capacity_wh - self.stored_wh) / hours, (self.stored_wh - 0.1 * self.capacity_wh) / hours
        wanted_w = max(-min(self.most_w, max(stock_w, 0.0)), min(self.most_w, room_w, wanted_w))
        self.battery_w += (wanted_w - self.battery_w) * min(1.0, EVERY_S / self.lag_s)
        self.stored_wh += self.battery_w * hours
        # What it gives beyond what the house lacks goes into the car.
        self.fed_wh += max(0.0, min(self.car_w, -self.battery_w - max(self.house_w - self.sun_w, 0.0))) * hours
        self.drawn_wh += self.car_w * hours
        self.imported_wh += max(self.grid_w, 0.0) * hours
        self.exported_wh += max(-self.grid_w, 0.0) * hours
        self.now_s += EVERY_S
        self.steps += 1
        if self.steps % SPEAKS_EVERY == 0:
            self.speak()

    def speak(self) -> None:
        """Meter, battery and plug say how things are, and the relay is what the controller makes of it."""
        self.send("grid", self.grid_w + self.jitter.uniform(-4.0, 4.0))
        if not self.silent:
            self.send("cells", self.sign * self.battery_w)
            self.send_if_new("level", round(100.0 * self.stored_wh / self.capacity_wh, 1))
        self.send_if_new("power", self.car_w)
        wanted = self.controller.wants_on
        if wanted is not self.told:
            self.starts += wanted
            self.told = self.contact = wanted
            self.controller.tell(news.Sending(wanted), self.at)
            self.controller.tell(news.Taken(wanted), self.at)
        self.seen += [
            str(event.fields["code"]) for event in self.controller.take_events() if event.name == "fault_raised"
        ]


def config(planned: bool = False, **keys: object) -> Config:
    return Config.model_validate(
        {
            "charger": {"current_a": 6.0},
            "meter": [{"topic": "grid"}],
            "relay": {"topic": "plug/set", "power": {"topic": "power"}},
            "battery": {"power": {"topic": "cells"}, "level": {"topic": "level"}, **keys},
            "planned": {"allow": planned, "time_cap_s": 7200.0},
            "session": {"time_cap_s": 80000.0},
        }
    )


def test_the_battery_comes_first_up_to_its_level_then_the_car() -> None:
    home = Home(config(until_percent=80.0), level=60.0)
    home.sun_w = 2500.0  # 2200 W are left over, all of which the battery takes
    home.run(1200.0)
    assert home.mode == "idle"
    assert abs(home.grid_w) < 1.0  # by the meter there is no surplus at all
    home.run(1200.0)  # 5 kWh: from 60 to 80 % it takes half an hour
    assert home.mode == "charging"
    assert home.fed_wh < 1.0  # for a moment, when the lead goes on
    before = home.stored_wh
    home.run(1800.0)
    assert home.mode == "charging"
    assert home.stored_wh > before  # the rest is the battery's still


def test_from_a_time_on_the_sun_is_the_car_s_at_any_level() -> None:
    home = Home(config(until_percent=80.0, until="14:00"), level=20.0, capacity_wh=20_000.0)
    home.sun_w = 2500.0
    assert home.run(900.0).mode == "idle"
    home.late = True
    assert home.run(900.0).mode == "charging"
    home.late = False  # the next day
    assert home.run(900.0).mode == "idle"


def test_the_car_first_takes_what_the_battery_would() -> None:
    home = Home(config(first="car"), level=20.0)
    home.sun_w = 2500.0
    assert home.run(600.0).mode == "charging"
    assert home.starts == 1
    assert home.run(3600.0).starts == 1
    assert home.battery_w == pytest.approx(2500.0 - 300.0 - 1380.0, abs=1.0)


def test_what_the_battery_gives_ends_the_charge_and_starts_none() -> None:
    home = Home(config(first="car"), level=90.0)
    home.sun_w = 2500.0
    assert home.run(1200.0).mode == "charging"
    home.sun_w = 400.0  # the battery holds the grid at nought: the meter shows nothing of it
    home.run(120.0)
    assert home.mode == "idle"
    assert home.fed_wh < 1280.0 * 90.0 / 3600.0
    assert home.run(7200.0).starts == 1
    today = home.controller.today
    assert today.battery_wh == pytest.approx(home.fed_wh, abs=8.0)  # a reading or two late
    assert today.charger_wh == pytest.approx(home.drawn_wh, abs=4.0)


def test_it_may_go_into_the_car_where_that_is_asked_for() -> None:
    home = Home(config(planned=True, into_car=True), level=90.0)
    home.controller.tell(news.Planned(((home.now_s, home.now_s + 3600.0),)), home.at)
    home.run(900.0)
    assert home.mode == "charging"
    assert home.fed_wh > 100.0
    assert home.controller.today.battery_wh == pytest.approx(home.fed_wh, abs=8.0)
    held = Home(config(planned=True), level=90.0)
    held.controller.tell(news.Planned(((held.now_s, held.now_s + 36000.0),)), held.at)
    held.run(900.0)
    assert (held.mode, held.seen) == ("arming", ["battery-gives"])
    held.stored_wh = 0.1 * held.capacity_wh  # it is empty: now the grid serves both
    held.run(600.0)
    assert held.mode == "charging"
    assert held.fed_wh == 0.0


def test_what_feeds_the_car_beside_the_sun_ends_a_charge_by_plan() -> None:
    home = Home(config(planned=True), level=10.0)
    home.controller.tell(news.Planned(((home.now_s, home.now_s + 36000.0),)), home.at)
    assert home.run(900.0).mode == "charging"
    home.stored_wh = 0.9 * home.capacity_wh  # somebody charged it from the grid
    home.run(900.0)
    assert "battery-feeds-car" in home.seen
    assert home.mode == "locked-out"


def test_a_cloud_over_a_charge_by_plan_locks_out_for_no_longer_than_it_lasts() -> None:
    """It was a quarter of an hour after the first, and an hour after the third, with the sun all there."""
    home = Home(config(planned=True, first="car"), level=60.0, capacity_wh=20_000.0)
    home.controller.tell(news.Planned(((home.now_s, home.now_s + 36000.0),)), home.at)
    home.sun_w = 2500.0
    for _ in range(3):
        assert home.run(600.0).mode == "charging"
        home.sun_w = 500.0
        assert home.run(720.0).mode == "locked-out"
        fed_wh = home.fed_wh
        assert home.run(900.0).mode == "locked-out" and home.fed_wh == fed_wh  # while it lasts, nothing comes of it
        home.sun_w = 2500.0
        assert home.run(60.0).mode == "charging"
    assert home.seen.count("battery-feeds-car") == 3 and home.starts == 4


def test_a_short_cloud_over_a_charge_by_plan_does_not_end_it() -> None:
    """The sun is back before the shortest charge is over."""
    home = Home(config(planned=True, first="car"), level=60.0)
    home.controller.tell(news.Planned(((home.now_s, home.now_s + 36000.0),)), home.at)
    home.sun_w = 2500.0
    assert home.run(360.0).mode == "charging"  # the pause comes first
    home.sun_w = 500.0
    home.run(200.0)
    assert home.seen == ["battery-feeds-car"] and home.mode == "charging"
    home.sun_w = 2500.0
    assert home.run(1800.0).starts == 1 and home.mode == "charging"
    assert home.controller.faults == ()


def test_a_silent_battery_is_a_silent_meter() -> None:
    home = Home(config(first="car"))
    home.sun_w = 4000.0
    assert home.run(600.0).mode == "charging"
    home.silent = True
    assert home.run(85.0).mode == "charging"  # three times as long as many take from one word to the next
    home.run(30.0)
    assert home.mode == "locked-out"
    assert home.seen == ["battery-silent"]


def test_a_battery_s_sign_turned_round_is_found() -> None:
    home = Home(config(first="car"), level=40.0)
    home.sign, home.sun_w = -1.0, 1500.0
    home.run(3600.0)
    assert home.seen.count("battery-sign") == 1
    assert home.mode == "locked-out"
    home.controller.tell(news.Acknowledge("battery-sign"), home.at)
    home.sign = 1.0
    home.run(60.0)
    assert not any(record.code == "battery-sign" for record in home.controller.faults)


# The battery is nearly full, so the sun is the car's whichever of the two comes first: each once, and each lag.
@pytest.mark.parametrize(("first", "lag_s"), [("battery", 5.0), ("car", 20.0)])
def test_battery_and_switch_do_not_swing(first: str, lag_s: float) -> None:
    """Under a steady sun at any height one start is all there is; under clouds there are no more than the budget."""
    for sun_w in (800.0, 1500.0, 1700.0, 1850.0, 2200.0, 3500.0, 4600.0):
        home = Home(config(first=first), lag_s=lag_s, level=85.0)
        home.sun_w = sun_w
        home.run(3600.0)
        assert home.starts <= 1, sun_w
        assert home.fed_wh < 20.0, sun_w
    random, home = Random(5), Home(config(first=first), lag_s=lag_s, level=85.0)
    for _ in range(80):
        home.sun_w = random.choice((500.0, 3000.0))
        home.run(random.uniform(60.0, 600.0))
    assert home.starts <= 16
    assert home.controller.today.battery_wh == pytest.approx(home.fed_wh, rel=0.25)
    # What a charge must last is bridged by the battery: that is the price of a switch.
    control = Config.model_fields["control"].default
    assert home.fed_wh < home.starts * 1380.0 * (control.min_on_s + 60.0) / 3600.0
    assert home.fed_wh < 0.25 * home.drawn_wh


@pytest.mark.parametrize(("sun_w", "house_w"), [(300.0, 300.0), (1200.0, 300.0), (0.0, 0.0)])
def test_a_house_near_balance_is_not_charged_from_its_battery_again_and_again(sun_w: float, house_w: float) -> None:
    """While the lead is off the battery gives nothing, so only what came of the first charge tells."""
    home = Home(config(planned=True), level=60.0, capacity_wh=10_000.0)
    home.sun_w, home.house_w = sun_w, house_w
    home.controller.tell(news.Planned(((home.now_s, home.now_s + 36000.0),)), home.at)
    home.run(4 * 3600.0)
    assert home.starts == 1
    assert home.fed_wh < 1380.0 * 600.0 / 3600.0
    home.sun_w = house_w + 2300.0  # first up to its level, then it is the car's
    home.run(7200.0)
    assert home.mode == "charging"


def test_what_a_battery_takes_for_itself_at_rest_is_no_wrong_sign() -> None:
    watch, level = LevelWatch(), 40.0
    for minute in range(6000):
        watch.flows(10.0, minute * 60.0, 90.0)
        level -= 0.001
        watch.stands(round(level, 1))
    assert watch.contrary == 0


def test_nobody_is_told_of_a_battery_while_no_start_is_near() -> None:
    home = Home(config(first="car"), level=90.0)
    assert home.run(1800.0).battery_w < -200.0
    assert home.seen == []


def test_a_level_that_stands_still_is_not_believed() -> None:
    """Else the sun would be the car's, while the battery that says 85 % is empty."""
    home = Home(config(until_percent=80.0))
    for minute in range(185):  # 1 kW, and of a battery of 150 kWh that would be two percent
        home.now_s += 60.0
        home.send("cells", -1000.0)
        home.send("level", 85.0)
        assert home.controller.battery_yields is (minute <= 180)
    home.send("level", 82.9)  # it moves: one step is enough
    assert home.controller.battery_yields


def test_a_cloud_ends_a_charge_and_locks_nothing_out() -> None:
    """To lock out for a quarter of an hour and more, cloud by cloud, cost a third of the sun."""
    home = Home(config(first="car"), level=60.0)
    for _ in range(4):
        home.sun_w = 2500.0
        home.run(2400.0)
        assert home.mode == "charging"
        home.sun_w = 500.0
        home.run(180.0)
        assert home.mode == "idle"
    assert home.starts == 4
    assert not set(home.seen) & {"battery-feeds-car"}


def test_what_the_sun_is_to_give_decides_and_not_this_moment_alone() -> None:
    """The rule of surpluscharge/control/ahead.py, asked for nine tenths of the draw where a battery is spared."""
    settings = config(first="car").settings()
    assert settings.rule.way is Way.SPARING
    assert settings.rule.band(1380.0) == (1.1 * 1380.0, 0.0)  # nothing is known of the sky
    memory = ahead.nothing(settings.rule.pace)
    for minute in range(60):
        memory = ahead.remember(memory, 60.0 * minute, 1.6 if minute % 6 < 3 else 0.3)
    fickle = settings.rule.band(1380.0, memory)
    for minute in range(60, 100):
        memory = ahead.remember(memory, 60.0 * minute, 1.6)
    steady = settings.rule.band(1380.0, memory)
    assert steady.start_export_w < 1380.0 < fickle.start_export_w
    assert fickle.stop_import_w < 0.25 * 1380.0
    for on, surplus, says in (
        (False, 0.6, "the battery is spared from 1242 W"),
        (True, 0.88, "than spares the battery"),
    ):
        assert says in str(settings.rule.outlook(1380.0, memory._replace(surplus=surplus), 6000.0, on))
    assert settings.rule.worthwhile(1380.0)


@pytest.mark.parametrize(
    ("rest", "way"),
    [
        ({}, Way.SPARING),
        ({"battery": {"power": {"topic": "cells"}, "into_car": True}}, Way.FIXED),
        ({"control": {"start_export_w": 1600.0}}, Way.FIXED),
        ({"money": {"currency": "EUR", "tariff": [{"import_price": 0.3, "export_price": 0.1}]}}, Way.AHEAD),
    ],
)
def test_what_the_thresholds_follow_beside_a_battery(rest: dict[str, object], way: Way) -> None:
    found = Config.model_validate({**config().model_dump(exclude_unset=True), **rest})
    assert found.way is way
    if way is Way.AHEAD:
        prices = found.prices_at(datetime(2031, 5, 12, 12, tzinfo=UTC))
        rule = found.rule(prices)
        assert prices is not None and rule.pays_from_w(1380.0) == pytest.approx(0.9 * 1380.0)


def test_while_it_is_the_battery_s_turn_the_sky_says_nothing_of_what_it_leaves() -> None:
    """It takes 2.5 kW at the most: of what it leaves, none may be less than the draw."""
    home = Home(config(until_percent=99.0), level=30.0, capacity_wh=50_000.0)
    home.sun_w = 300.0 + 2500.0 + 0.9 * 1380.0
    home.run(3600.0)
    assert home.starts == 0 and home.controller.memory.long > 0.9
    assert home.controller.outlook() is None
    home.sun_w = 300.0 + 2500.0 + 1.2 * 1380.0
    assert home.run(300.0).mode == "charging"


# --- days of it, and the best that could have been -------------------------------------------------------------------


@pytest.mark.parametrize("first", ["battery", "car"])
def test_a_day_beside_the_best_that_could_have_been(first: str) -> None:
    """HiGHS knows the day (see tests/bench/batteries.py, which takes sixty of three houses): from the sun at most that.

    What the cells gave for the car is bounded by what starts bind: the shortest charge, at the lead's draw.
    """
    scenario = batteries.HOUSES["middle"]
    scenario = scenario._replace(cumulus_gap_s=2400.0)
    given = batteries.config_of(scenario, first)
    lived = batteries.live(scenario, given, batteries.Wiring(10.0), 1.0)
    best, whole = batteries.bounds_of(lived, first, 80.0)
    tally = lived.house.tally
    assert tally.solar_ws <= best.charged_ws + 3600.0
    assert tally.solar_ws >= 0.7 * whole.charged_ws > 0.0
    assert lived.missed_ws <= 0.35 * whole.charged_ws
    assert tally.grid_ws < 0.02 * tally.charger_ws
    binds_ws = given.control.min_on_s + given.stop_delay_s + 60.0
    assert 0.0 < tally.fed_ws < 0.12 * tally.charger_ws
    assert tally.fed_ws < tally.starts * scenario.lead_w * binds_ws
    assert lived.booked_wh[2] * 3600.0 == pytest.approx(tally.fed_ws, rel=0.3)
    assert set(lived.faults) <= {"battery-gives", "draw-low", "no-load"}  # it is full in the end
    assert tally.starts <= given.control.starts_per_day


@pytest.mark.parametrize("wiring", [batteries.Wiring(5.0, 10.0, 0.0, 12.0), batteries.Wiring(10.0, 30.0, 20.0, 30.0)])
@pytest.mark.parametrize(("sun_w", "starts"), [(1450.0, 0), (1650.0, 1), (1700.0, 1), (2300.0, 1)])
def test_under_a_sun_that_stands_still_all_comes_to_rest(wiring: batteries.Wiring, sun_w: float, starts: int) -> None:
    came = batteries.still(wiring, "car", sun_w)
    assert (came.starts, came.ends) == (starts, 0)
    assert came.line_w < 5.0


def test_a_level_that_comes_with_the_power_is_no_news_when_it_was_kept() -> None:
    together = config(level={"topic": "cells", "pointer": "/level"}, power={"topic": "cells", "pointer": "/w"})
    for settings, yields_now in ((together, False), (config(), True)):
        home = Home(settings)
        for topic, payload in (("cells", b'{"w": 0, "level": 95}'), ("level", b"95")):
            home.controller.tell(news.Message(topic, payload, True), home.at)
        home.controller.tell(news.Tick(), home.at)
        assert home.controller.battery_yields is yields_now


# --- attacked --------------------------------------------------------------------------------------------------------


def test_a_battery_that_is_gone_for_a_day_and_back_with_a_kept_value_is_waited_for() -> None:
    home = Home(config(first="car"), level=60.0)
    home.sun_w = 2500.0
    assert home.run(1200.0).mode == "charging"
    home.silent = True
    assert home.run(300.0).mode == "locked-out"
    home.now_s += 86_400.0
    for topic, payload in (("cells", b"2200"), ("level", b"95")):
        home.controller.tell(news.Message(topic, payload, True), home.at)
    assert home.run(600.0).mode == "locked-out"  # what was kept says nothing of what flows now
    home.silent = False
    assert home.run(900.0).mode == "charging"
    assert home.fed_wh < 1.0


def test_a_battery_s_power_that_jumps_ends_no_charge_and_begins_none() -> None:
    home, random = Home(config(first="car"), level=60.0), Random(3)
    honest = home.send

    def send(topic: str, value: float) -> None:
        wild = topic == "cells" and random.random() < 0.05
        honest(topic, value + (random.choice((-8000.0, 8000.0)) if wild else 0.0))

    home.send = send  # type: ignore[method-assign]
    home.sun_w = 1200.0  # not enough, ever
    assert home.run(1800.0).starts == 0
    home.sun_w = 2500.0
    assert home.run(3600.0).starts == 1
    assert home.mode == "charging" and home.fed_wh < 1.0


@pytest.mark.parametrize("measures", ["charging", "discharging"])
def test_sun_and_battery_in_one_number_charge_nothing_or_are_found_at_the_first_dusk(measures: str) -> None:
    """A hybrid inverter's output, taken for the battery's power: it gives by day as well."""
    home = Home(config(first="car", power={"topic": "cells", "measures": measures}), level=60.0)
    honest = home.send

    def send(topic: str, value: float) -> None:
        honest(topic, home.sun_w - home.battery_w if topic == "cells" else value)

    home.send = send  # type: ignore[method-assign]
    home.sun_w = 3000.0
    home.run(3600.0)
    home.sun_w, home.house_w = 0.0, 900.0
    home.run(2 * 3600.0)
    # One way it is never enough; the other way it is found when the sun is gone, by two steps of the level.
    found = measures == "charging"
    assert ("battery-sign" in home.seen) is found and (home.mode == "locked-out") is found
    assert home.starts == found and home.fed_wh < (250.0 if found else 1.0)


def test_a_wrong_sign_beside_a_level_that_nobody_tells_ends_by_the_lead_s_own_steps() -> None:
    """Without a level the battery serves the car for two charges; then what switching shows is the wrong way round."""
    given = config(first="car").model_dump(exclude_unset=True)
    del given["battery"]["level"]
    home = Home(Config.model_validate(given), level=90.0, capacity_wh=20_000.0)
    home.most_w, home.sign, home.sun_w, home.house_w = 6000.0, -1.0, 0.0, 1700.0
    assert home.run(2400.0).mode == "locked-out"
    assert "meter-sign" in home.seen
    assert home.starts <= 2 and home.fed_wh < 300.0
    assert "battery" in FAULT_BY_CODE["meter-sign"].remedy


@pytest.mark.parametrize(
    ("charger", "meter", "rest", "refusal"),
    [
        # Phases billed apart say nothing beside a battery, and one that is to be spared allows no import.
        (", phase = 1", ", phase = 1", 'site = { phases = "apart" }', "works on all phases or on one of them"),
        ("", "", "control = { stop_import_w = 300 }", "would come from the house's battery"),
    ],
)
def test_what_cannot_be_beside_a_battery(charger: str, meter: str, rest: str, refusal: str) -> None:
    with pytest.raises(ConfigError, match=refusal):
        parse(
            f'charger = {{ current_a = 6{charger} }}\nmeter = [{{ topic = "a"{meter} }}]\n'
            f'relay = {{ topic = "c" }}\nbattery = {{ power = {{ topic = "b" }} }}\n{rest}',
            "test.toml",
        )
