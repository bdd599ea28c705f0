"""The simulated house keeps its books, and its devices and broker behave as documented."""

from __future__ import annotations

import asyncio
import json
import math
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import aiomqtt
import pytest

from surpluscharge.clock import ScaledClock
from surpluscharge.control.slots import Feed, read_prices
from surpluscharge.simulator import devices, market
from surpluscharge.simulator.broker import embedded_broker
from surpluscharge.simulator.house import (
    DAY_S,
    Cells,
    GridMeter,
    House,
    HouseTally,
    Phases,
    Plug,
    Scenario,
    Storage,
    clear_sky_w,
    make_day,
)

HOUR_S = 3600.0
MORNING_S = 9.5 * HOUR_S


def test_the_car_leaves_and_is_back_with_less_and_draws_nothing_meanwhile() -> None:
    scenario = Scenario(away_s=(7 * HOUR_S, 17 * HOUR_S), headroom_wh=5000.0, daily_use_wh=3000.0, wake_s=8.0)
    house = House(scenario, 1, 6 * HOUR_S)
    house.plug.command(6 * HOUR_S, True)
    house.advance(7 * HOUR_S - 1.0)
    assert house.charger_w == scenario.lead_w
    house.advance(7 * HOUR_S)
    came_wh = house.tally.charger_ws / 3600
    assert came_wh == pytest.approx(scenario.lead_w, rel=0.01)
    assert house.tally.left_wh == pytest.approx(scenario.battery_wh - 5000.0 + came_wh)
    assert not house.car.home
    for hour in range(8, 17):
        house.advance(hour * HOUR_S)
        assert house.charger_w == 0.0
    assert house.tally.charger_ws / 3600 == came_wh
    house.advance(17 * HOUR_S + 7.0)
    assert house.car.home and house.charger_w == scenario.standby_w  # it takes its time to wake
    assert house.car.held_wh == pytest.approx(scenario.battery_wh - 5000.0 + came_wh - 3000.0, abs=0.1)
    house.advance(17 * HOUR_S + 9.0)
    assert house.charger_w == scenario.lead_w
    house.advance((24 + 6) * HOUR_S)
    assert house.car.full and house.charger_w == scenario.standby_w  # nothing is driven at midnight besides
    assert house.tally.lacked_ws == 0.0


def test_a_car_that_is_away_at_first_and_one_that_uses_more_than_it_holds() -> None:
    scenario = Scenario(away_s=(7 * HOUR_S, 17 * HOUR_S), headroom_wh=0.0, battery_wh=2000.0, daily_use_wh=2500.0)
    house = House(scenario, 1, 12 * HOUR_S)
    house.plug.command(12 * HOUR_S, True)
    house.advance(16 * HOUR_S)
    assert not house.car.home and house.tally.charger_ws == 0.0
    house.advance(17 * HOUR_S)
    assert house.car.home and house.car.held_wh == 0.0
    assert house.tally.lacked_ws == 500.0 * 3600


def test_a_socket_warms_as_a_first_order_body_does() -> None:
    """Newton's law of cooling: 1 - exp(-t/tau) of the way after t, whatever the steps."""
    scenario = Scenario(headroom_wh=50_000.0, battery_wh=60_000.0)
    warmed = []
    for steps in (1, 400):
        house = House(scenario, 1, 0.0, Plug(latency_s=0.0))
        house.plug.command(0.0, True)
        for number in range(1, steps + 1):
            house.advance(scenario.wake_s + scenario.warming_s * number / steps)
        warmed.append(house.socket_c - scenario.ambient_c)
    assert warmed == pytest.approx([scenario.warming_c * (1.0 - math.exp(-1.0))] * 2, rel=1e-3)


def test_prices_move_and_are_the_same_again() -> None:
    days = [market.prices(seed, day) for seed in range(5) for day in range(-3, 60)]
    assert all(len(one) == market.SLOTS for one in days)
    assert market.prices(1, 5) == market.prices(1, 5) != market.prices(1, 6) != market.prices(2, 6)
    night, evening = ([sum(one[a:b]) / (b - a) for one in days] for a, b in ((4, 8), (37, 40)))
    assert all(low < high for low, high in zip(night, evening, strict=True))
    assert any(price < 0.0 for one in days for price in one)  # now and then
    assert market.known_days(12.9 * HOUR_S) == 1 and market.known_days(13 * HOUR_S) == 2
    assert market.next_publication_s(13 * HOUR_S) == DAY_S + 13 * HOUR_S
    assert market.next_publication_s(12.9 * HOUR_S) == 13 * HOUR_S


def charging_day(seed: int, step_s: float, scenario: Scenario | None = None) -> House:
    """Return a house that was charged at random-looking times of a day, advanced in equal steps."""
    house = House(scenario, seed, MORNING_S)
    commands = [(MORNING_S + 1000.0 * i, i % 3 != 2, 700.0 if i % 2 else None) for i in range(20)]
    stops = [MORNING_S + i * step_s for i in range(1, math.ceil(8 * HOUR_S / step_s) + 1)]
    for stop_s in sorted({*stops, *(at_s for at_s, _, _ in commands)}):
        house.advance(stop_s)
        for at_s, closed, for_s in commands:
            if at_s == stop_s:
                house.plug.command(at_s, closed, for_s)
    return house


# --- the books -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_energy_balances_to_the_watt_second(seed: int) -> None:
    tally = charging_day(seed, 5.0).tally
    assert tally.starts > 3
    assert tally.solar_ws > 0 and tally.grid_ws > 0
    assert tally.solar_ws + tally.grid_ws == pytest.approx(tally.charger_ws, abs=1.0)
    came_ws, went_ws = tally.sun_ws + tally.imported_ws, tally.household_ws + tally.charger_ws + tally.exported_ws
    assert came_ws == pytest.approx(went_ws, abs=1.0)


def test_the_books_do_not_depend_on_the_step() -> None:
    fine, coarse = asdict(charging_day(3, 1.0).tally), asdict(charging_day(3, 800.0).tally)
    assert fine == pytest.approx(coarse, abs=1.0)


def test_grid_share_is_the_lesser_of_charger_and_import_at_every_moment() -> None:
    house = House(None, 2, MORNING_S)
    house.plug.command(MORNING_S, True)
    grid_ws, before_s = 0.0, MORNING_S
    while house.t_s < MORNING_S + 4 * HOUR_S:
        charger_w, grid_w = house.charger_w, house.grid_w  # constant until the next event
        house.advance(house.next_s)
        grid_ws += min(charger_w, max(grid_w, 0.0)) * (house.t_s - before_s)
        before_s = house.t_s
    assert house.tally.grid_ws > 0
    assert house.tally.grid_ws == pytest.approx(grid_ws, abs=1.0)


def test_a_seed_gives_one_day_and_another_seed_another() -> None:
    assert charging_day(7, 60.0).tally == charging_day(7, 60.0).tally
    assert charging_day(7, 60.0).tally != charging_day(8, 60.0).tally
    assert make_day(Scenario(), 7, 0) != make_day(Scenario(), 7, 1)._replace(times_s=make_day(Scenario(), 7, 0).times_s)


def test_weather_and_household_do_not_depend_on_charging() -> None:
    charged, left_alone = charging_day(4, 60.0), House(None, 4, MORNING_S)
    left_alone.advance(charged.t_s)
    assert charged.tally.charger_ws > 0 == left_alone.tally.charger_ws
    assert charged.tally.sun_ws == pytest.approx(left_alone.tally.sun_ws, abs=1.0)
    assert charged.tally.household_ws == pytest.approx(left_alone.tally.household_ws, abs=1.0)


def test_the_house_does_not_go_back() -> None:
    house = House(start_s=100.0)
    with pytest.raises(ValueError, match="cannot go back"):
        house.advance(99.0)


# --- a battery, and three phases -------------------------------------------------------------------------------------


@pytest.mark.parametrize("lag_s", [0.5, 4.0, 30.0])
def test_a_battery_s_energy_balances_to_the_watt_second(lag_s: float) -> None:
    """What it took, times what it keeps of it, less what it gave, is the change of the cells; and the house's, too."""
    storage = Storage(lag_s=lag_s, capacity_wh=3000.0)  # it is full and empty now and then
    house, tally = charging_day(2, 30.0, Scenario(storage=storage)), HouseTally()
    for _ in range(2):
        house.advance(house.t_s + DAY_S)
        tally = house.tally
    assert house.cells is not None and tally.fed_ws > 0
    begun_ws = storage.begins_share * storage.capacity_wh * 3600
    assert tally.stored_ws * storage.kept_share - tally.given_ws == pytest.approx(
        house.cells.held_ws - begun_ws, abs=1.0
    )
    came_ws = tally.sun_ws + tally.imported_ws + tally.given_ws
    went_ws = tally.household_ws + tally.charger_ws + tally.exported_ws + tally.stored_ws
    assert came_ws == pytest.approx(went_ws, abs=1.0)
    assert tally.solar_ws + tally.fed_ws + tally.grid_ws == pytest.approx(tally.charger_ws, abs=1.0)


def test_a_battery_s_books_do_not_depend_on_the_step() -> None:
    fine, coarse = (asdict(charging_day(3, step_s, Scenario(storage=Storage())).tally) for step_s in (1.0, 800.0))
    assert fine == pytest.approx(coarse, abs=1.0)


def test_what_the_cells_give_for_the_car_is_what_they_would_not_give_without_it() -> None:
    """Worked twice, with a battery that is quick and never full or empty."""
    scenario = Scenario(storage=Storage(1e6, 0.5, charge_w=20_000.0, give_w=20_000.0, lag_s=0.01, every_s=0.01))
    charged = charging_day(4, 60.0, scenario)
    alone = House(scenario, 4, MORNING_S)
    alone.advance(charged.t_s)
    assert charged.tally.fed_ws > 0
    assert charged.tally.fed_ws == pytest.approx(charged.tally.given_ws - alone.tally.given_ws, rel=1e-3)
    assert charged.tally.solar_ws == pytest.approx(alone.tally.stored_ws - charged.tally.stored_ws, rel=1e-3)
    assert charged.tally.imported_ws < 1e-3 * charged.tally.fed_ws  # the grid stands at nought


def test_a_battery_follows_with_its_lag_and_within_its_limits() -> None:
    """First order: 1 - exp(-t/lag) of the way after t, at each look; textbook, as the socket's warming."""
    cells, at_s, load_w = Cells(Storage(lag_s=10.0, give_w=2000.0)), 100.0, 1000.0
    shares = []
    for _ in range(3):
        cells.settle(at_s, load_w + cells.power_w)
        assert cells.next_s == at_s + 1.0
        shares.append(-cells.power_w / load_w)
        at_s = cells.next_s
    assert shares == pytest.approx([0.0, *(1.0 - math.exp(-seconds / 10.0) for seconds in (1.0, 2.0))])
    for load_w, power_w in ((9000.0, -2000.0), (-9000.0, 3000.0)):
        for _ in range(200):
            at_s = min(cells.next_s, at_s + 1.0)
            cells.settle(at_s, load_w + cells.power_w)
        assert cells.power_w == power_w
    assert cells.next_s == at_s + (7500.0 * 3600 - cells.held_ws) / (3000.0 * 0.9)  # then it is full


def test_the_phases_are_the_house() -> None:
    phases = Phases(lead=2, sun=(0.0, 0.0, 1.0), storage=(1.0, 0.0, 0.0))
    house = House(Scenario(storage=Storage(), phases=phases), 1, MORNING_S)
    house.plug.command(MORNING_S, True)
    for minute in range(600):
        house.advance(MORNING_S + 60.0 * minute)
        assert sum(house.phases_w) == pytest.approx(house.grid_w)
    one_w, two_w, three_w = house.phases_w
    assert two_w >= house.charger_w and three_w <= 200.0 - house.sun_w + 1900.0 and one_w != two_w
    tally = house.tally
    assert tally.apart_imported_ws > tally.imported_ws
    assert tally.apart_imported_ws - tally.apart_exported_ws == pytest.approx(
        tally.imported_ws - tally.exported_ws, abs=1.0
    )
    with pytest.raises(TypeError, match="no phases"):
        _ = House().phases_w


# --- sun and clouds --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("latitude_deg", "day_of_year"), [(47.0, 132), (55.0, 1), (0.0, 200), (40.0, 80)])
def test_the_day_is_as_long_as_the_sunrise_equation_says(latitude_deg: float, day_of_year: int) -> None:
    """cos(w0) = -tan(latitude) tan(declination): the sunrise equation of any textbook (from memory)."""
    scenario = Scenario(latitude_deg=latitude_deg, day_of_year=day_of_year)
    shining = sum(clear_sky_w(scenario, 60.0 * minute) > 0 for minute in range(1440))
    declination = -math.radians(23.44) * math.cos(2 * math.pi * (day_of_year + 10) / 365.25)
    half_day = math.acos(-math.tan(math.radians(latitude_deg)) * math.tan(declination))
    assert shining == pytest.approx(half_day / math.pi * 1440, abs=6)


def test_the_peak_of_the_invented_roof() -> None:
    scenario = Scenario()
    by_minute = [clear_sky_w(scenario, 60.0 * minute) for minute in range(1440)]
    assert max(by_minute) == pytest.approx(3300, abs=50)
    assert by_minute.index(max(by_minute)) * 60.0 == pytest.approx(scenario.noon_s, abs=120)


def test_single_clouds_have_sharp_edges_and_last_one_to_eight_minutes() -> None:
    scenario = Scenario(bank_for_s=0.0)
    lengths_s = []
    for day in range(20):
        pieces = make_day(scenario, 1, day)
        began_s = None
        for at_s, sky in zip(pieces.times_s, pieces.sky, strict=True):
            if sky < 1.0:
                assert scenario.cumulus_through[0] <= sky <= scenario.cumulus_through[1]
                began_s = at_s if began_s is None else began_s
            elif began_s is not None:
                lengths_s.append(at_s - began_s)
                began_s = None
    assert len(lengths_s) > 20 * 15
    assert 59.9 < min(lengths_s) < 120 and 300 < max(lengths_s) < 480.1


def test_one_cloud_bank_stands_around_midday() -> None:
    for seed in range(10):
        house = House(Scenario(cumulus_until_s=0.0), seed)
        clouded = []
        for minute in range(1440):
            house.advance(minute * 60.0)
            if house.clouded:
                clouded.append(minute)
        assert clouded == list(range(clouded[0], clouded[-1] + 1))
        assert 25 <= len(clouded) <= 43
        assert 12 * 60 < clouded[0] < 14 * 60


# --- car -------------------------------------------------------------------------------------------------------------


def test_the_car_wakes_tapers_and_is_full() -> None:
    scenario = Scenario(headroom_wh=1000.0, taper_wh=400.0)
    house = House(scenario, 1, MORNING_S, Plug(latency_s=0.0))
    house.plug.command(MORNING_S, True)
    drawn_w = []
    for second in range(3 * 3600):
        house.advance(MORNING_S + second)
        drawn_w.append(house.charger_w)
    assert set(drawn_w[: int(scenario.wake_s)]) == {scenario.standby_w}
    assert drawn_w[int(scenario.wake_s)] == scenario.lead_w == pytest.approx(1380.0)
    # 600 Wh at full power, then the taper, which only ever goes down.
    tapers_at = int(scenario.wake_s) + 600 * 3600 / scenario.lead_w
    assert drawn_w.count(scenario.lead_w) == pytest.approx(tapers_at - scenario.wake_s, abs=35)
    taper_w = drawn_w[math.ceil(tapers_at) :]
    assert taper_w == sorted(taper_w, reverse=True)
    assert len(set(taper_w)) > 20
    assert house.car.full and drawn_w[-1] == scenario.standby_w
    full_s = drawn_w.index(scenario.standby_w, int(scenario.wake_s) + 1)
    standby_ws = scenario.standby_w * (3 * 3600 - 1 - full_s)  # once it is full; before, it counts as charge
    assert house.tally.charger_ws - standby_ws == pytest.approx(1000.0 * 3600, abs=2 * scenario.standby_w + 1)


def test_the_car_is_driven_overnight() -> None:
    scenario = Scenario(headroom_wh=100.0, daily_use_wh=700.0, battery_wh=1000.0)
    house = House(scenario, 1)
    for day, headroom_wh in ((1, 800.0), (2, 1000.0), (3, 1000.0)):
        house.advance(day * DAY_S)
        assert house.car.headroom_ws == pytest.approx(headroom_wh * 3600)


# --- plug ------------------------------------------------------------------------------------------------------------


def test_the_plug_obeys_after_its_latency() -> None:
    plug = Plug(latency_s=2.0)
    plug.command(10.0, True)
    plug.advance(11.9)
    assert not plug.closed and plug.next_s == 12.0
    plug.advance(12.0)
    assert plug.closed and plug.next_s == math.inf


def test_a_hold_time_runs_out_by_itself_and_is_renewed_by_another_command() -> None:
    house = House(None, 1, MORNING_S, Plug(latency_s=1.0))
    house.plug.command(MORNING_S, True, for_s=300.0)
    house.advance(MORNING_S + 250.0)
    house.plug.command(MORNING_S + 250.0, True, for_s=300.0)
    house.advance(MORNING_S + 550.0)
    assert house.plug.closed
    house.advance(MORNING_S + 552.0)
    assert not house.plug.closed
    assert (house.tally.on_s, house.tally.starts) == (550.0, 1)
    assert house.charger_w == 0.0


def test_off_ends_a_hold_and_on_without_a_hold_outlasts_an_older_one() -> None:
    plug = Plug(latency_s=0.0)
    plug.command(0.0, True, for_s=10.0)
    plug.command(5.0, True)
    plug.advance(1000.0)
    assert plug.closed
    plug.command(1000.0, True, for_s=10.0)
    plug.command(1001.0, False)
    plug.command(1002.0, True)
    plug.advance(5000.0)
    assert plug.closed and plug.next_s == math.inf


def test_the_plug_meters_in_steps() -> None:
    assert Plug(resolution_w=5.0).metered_w(1382.0) == 1380.0


# --- meter -----------------------------------------------------------------------------------------------------------


def test_the_meter_keeps_its_cadence_and_skips_what_it_missed() -> None:
    meter = GridMeter(1, first_s=100.0, every_s=5.0)
    times_s = []
    for at_s in (100.0, 105.2, 118.0, 120.0):
        times_s.append(meter.next_s)
        meter.read(at_s, 0.0)
    assert times_s == [100.0, 105.0, 110.0, 120.0]
    assert meter.next_s == 125.0


def test_the_meter_is_noisy_but_honest_and_shows_whole_steps() -> None:
    def readings(seed: int) -> list[float]:
        meter = GridMeter(seed, noise_w=20.0, resolution_w=10.0)
        return [meter.read(meter.next_s, -812.0) for _ in range(2000)]

    values = readings(1)
    assert values == readings(1) != readings(2)
    assert all(value % 10.0 == 0 for value in values)
    assert sum(values) / len(values) == pytest.approx(-812.0, abs=2.0)  # 20 W / sqrt(2000) is 0.45 W
    assert GridMeter(1, noise_w=0.0, resolution_w=1.0).read(0.0, -811.6) == -812.0


# --- broker ----------------------------------------------------------------------------------------------------------

BROKER_SCRIPT = """
import asyncio, socket
import aiomqtt
from surpluscharge.simulator.broker import embedded_broker

async def main():
    asyncio.get_running_loop().slow_callback_duration = 60.0  # a busy machine is none of what is looked for here
    async with embedded_broker() as port:
        def client(name, **more):
            return aiomqtt.Client("127.0.0.1", port, identifier=name, **more)
        async with client("watcher") as watcher:
            await watcher.subscribe("gone", qos=1)
            dying = client("dying", will=aiomqtt.Will("gone", b"off", qos=1, retain=True))
            await dying.__aenter__()
            dying._client.socket().shutdown(socket.SHUT_RDWR)
            async for message in watcher.messages:
                print("will", message.payload.decode(), message.retain)
                break
            dying._disconnected.exception() if dying._disconnected.done() else None
        async with client("late") as late:
            await late.subscribe("gone", qos=1)
            async for message in late.messages:
                print("retained", message.payload.decode(), message.retain)
                break
        # One that is still there when the broker goes, and one that never says who it is.
        staying = client("staying")
        await staying.__aenter__()
        _, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        await asyncio.wait_for(staying._disconnected, 30)
    except aiomqtt.MqttError:
        print("hung up")
    writer.close()
    me = asyncio.current_task()
    print("left", [task for task in asyncio.all_tasks() if task is not me])

asyncio.run(main())
"""


def test_the_broker_delivers_wills_and_retained_messages_and_leaves_nothing_behind() -> None:
    done = subprocess.run(
        [sys.executable, "-X", "dev", "-W", "error", "-c", BROKER_SCRIPT],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stderr == ""
    assert done.stdout.splitlines() == ["will off False", "retained off True", "hung up", "left []"]


# --- devices ---------------------------------------------------------------------------------------------------------


class Fixture:
    """A house with its devices running, and a client that hears everything they say."""

    def __init__(self, house: House, running: devices.Devices, client: aiomqtt.Client) -> None:
        self.house = house
        self.devices = running
        self.client = client

    async def command(self, text: str) -> None:
        await self.client.publish(devices.COMMAND_TOPIC, text, qos=1)

    async def heard(self, topic: str, key: str, value: object = None) -> None:
        """Wait for a message with this value, or with any."""
        async with asyncio.timeout(60):
            async for message in self.client.messages:
                assert isinstance(message.payload, bytes)
                if message.topic.value == topic and value in (None, json.loads(message.payload)[key]):
                    return


@asynccontextmanager
async def running_house(port: int, scenario: Scenario | None = None) -> AsyncIterator[Fixture]:
    clock = ScaledClock(datetime(2031, 5, 12, 9, 30, tzinfo=UTC), 100.0)
    house = House(scenario, 1, MORNING_S)
    running = devices.Devices(house, GridMeter(1, MORNING_S), clock, port)
    task = asyncio.create_task(running.run())
    try:
        async with devices.connected("127.0.0.1", port, "listener") as client:
            await client.subscribe("#")
            fixture = Fixture(house, running, client)
            # The plug reports only after it has subscribed, so from here on no command is missed.
            await fixture.heard(devices.RELAY_TOPIC, "contact", "open")
            yield fixture
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_the_devices_speak_and_obey() -> None:
    async with embedded_broker() as port, running_house(port) as it:
        await it.command('{"contact": "closed"}')
        await it.heard(devices.RELAY_TOPIC, "contact", "closed")
        await it.heard(devices.POWER_TOPIC, "power_w", 1380.0)
        await it.command('{"contact": "open"}')
        await it.heard(devices.RELAY_TOPIC, "contact", "open")
        await it.heard(devices.POWER_TOPIC, "power_w", 0.0)
        assert it.house.tally.starts == 1
        assert it.devices.readings > 0 == it.devices.misunderstood


async def test_battery_and_phases_speak_where_there_are_any() -> None:
    async with embedded_broker() as port, running_house(port, Scenario(storage=Storage(), phases=Phases())) as it:
        said: dict[str, dict[str, Any]] = {}
        async with asyncio.timeout(60):
            async for message in it.client.messages:
                assert isinstance(message.payload, bytes)
                said[message.topic.value] = json.loads(message.payload)
                if devices.BATTERY_TOPIC in said and devices.METER_TOPIC in said:
                    break
        battery, meter = said[devices.BATTERY_TOPIC], said[devices.METER_TOPIC]
        assert battery["power_w"] > 100.0 and 30 <= battery["percent"] < 100
        assert sum(meter["phases_w"]) == pytest.approx(meter["net_w"], abs=50.0)  # a sum with noise


async def test_the_plug_lets_go_when_its_hold_time_is_over() -> None:
    async with embedded_broker() as port, running_house(port) as it:
        await it.command('{"contact": "closed", "for_s": 40}')
        await it.heard(devices.RELAY_TOPIC, "contact", "closed")
        await it.heard(devices.RELAY_TOPIC, "contact", "open")
        assert it.house.tally.on_s == pytest.approx(40.0)


@pytest.mark.parametrize(
    "text",
    ["", "on", "[]", "{}", "null", '{"contact": "ajar"}', '{"contact": []}', '{"contact": "closed", "for_s": "x"}'],
)
async def test_a_command_that_makes_no_sense_is_counted_and_ignored(text: str) -> None:
    async with embedded_broker() as port, running_house(port) as it:
        await it.command(text)
        await it.command('{"contact": "closed"}')
        await it.heard(devices.RELAY_TOPIC, "contact", "closed")
        assert it.devices.misunderstood == 1


async def test_prices_are_published_retained_and_at_midday_for_the_next_day() -> None:
    """Whoever comes later hears of them, too; each time as the daemon reads them."""
    at = datetime(2031, 5, 12, 12, 50, tzinfo=UTC)
    async with embedded_broker() as port:
        clock = ScaledClock(at, 600.0)
        house = House(None, 1, (at.hour * 60 + at.minute) * 60.0)
        running = devices.Devices(house, GridMeter(1, house.t_s), clock, port, prices_seed=3)
        task = asyncio.create_task(running.run())
        try:
            until: list[datetime] = []
            async with asyncio.timeout(30), devices.connected("127.0.0.1", port, "listener") as client:
                await client.subscribe(devices.PRICES_TOPIC)
                async for message in client.messages:
                    assert isinstance(message.payload, bytes)
                    book = read_prices(message.payload, Feed(None, 5.0, zone=UTC), clock.wall().timestamp())
                    until.append(datetime.fromtimestamp(book[-1].end_s, UTC))
                    if len(set(until)) == 2:
                        break
            assert clock.wall() >= at.replace(hour=13, minute=0)
            assert set(until) == {datetime(2031, 5, day, tzinfo=UTC) for day in (13, 14)}
        finally:
            await devices.cancel(task)


async def test_the_devices_come_back_with_the_broker() -> None:
    async with AsyncExitStack() as first:
        port = await first.enter_async_context(embedded_broker())
        async with running_house(port) as it:
            await it.heard(devices.METER_TOPIC, "net_w")
            await first.aclose()
            with pytest.raises(aiomqtt.MqttError):
                await it.heard("no such topic", "nothing")
            async with embedded_broker(port), devices.connected("127.0.0.1", port, "second listener") as client:
                await client.subscribe("#")
                again = Fixture(it.house, it.devices, client)
                await again.heard(devices.RELAY_TOPIC, "contact", "open")
                await again.heard(devices.METER_TOPIC, "net_w")
                await again.command('{"contact": "closed"}')
                await again.heard(devices.RELAY_TOPIC, "contact", "closed")
