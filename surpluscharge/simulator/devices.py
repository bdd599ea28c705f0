"""The simulated house's meter, battery and plug as MQTT devices, in topics and payloads of their own.

From the meter, at its cadence, positive for import: ``house/grid`` ``{"net_w": -812.0}``; where there are phases also
``"phases_w": [-1102.0, 145.0, 145.0]``.

From the battery, where there is one, at its own cadence, positive while it is charged: ``house/battery``
``{"power_w": 640.0, "percent": 58}``.

From the plug, at every change and now and then, the relay also after every command:
``carport/plug/relay`` ``{"contact": "closed"}`` or ``{"contact": "open"}``, and
``carport/plug/power`` ``{"power_w": 1380.0, "socket_c": 23.5}``.

From a market, retained, at midday for the next day: ``market/prices``
``[{"start": "2031-05-13T00:00:00+00:00", "minutes": 30, "price": 0.121}, ...]``.

To the plug: ``carport/plug/relay/set`` ``{"contact": "closed", "for_s": 600}`` or ``{"contact": "open"}``.
With ``for_s`` it opens the contact by itself after so many seconds, without it when it is told to.

What meter and plug send is QoS 0 and not retained. Seconds are house seconds.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import socket
from collections.abc import AsyncIterator, Callable, Coroutine
from datetime import date, timedelta
from typing import Any

import aiomqtt

from surpluscharge.clock import Clock
from surpluscharge.simulator import market
from surpluscharge.simulator.house import GridMeter, House

HOST = "127.0.0.1"
METER_TOPIC = "house/grid"
BATTERY_TOPIC = "house/battery"
RELAY_TOPIC = "carport/plug/relay"
POWER_TOPIC = "carport/plug/power"
COMMAND_TOPIC = "carport/plug/relay/set"
PRICES_TOPIC = "market/prices"

# Small packets at once, not when the last one is acknowledged: those 40 real ms are many seconds of a fast house.
_NO_DELAY = (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

REPORT_EVERY_S = 10.0
_RETRY_S = 3.0
# Real seconds: a broker that goes away between taking the connection and answering leaves a client waiting.
_ANSWER_REAL_S = 1.0
_CANCEL_AGAIN_REAL_S = 0.5
_CANCEL_TIMES = 10


@contextlib.asynccontextmanager
async def connected(host: str, port: int, identifier: str) -> AsyncIterator[aiomqtt.Client]:
    """Connect to a broker for as long as the context lasts. Raises ``MqttError`` where there is none."""
    client = aiomqtt.Client(host, port, identifier=identifier, socket_options=[_NO_DELAY], timeout=_ANSWER_REAL_S)
    await client.__aenter__()
    try:
        yield client
    finally:
        # The goodbye may fail too. That must not hide what we leave for, least of all that we were cancelled.
        with contextlib.suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)


async def cancel(*tasks: asyncio.Task[Any]) -> None:
    """Cancel tasks until they are gone, or leave those that will not go.

    Once is not enough: before Python 3.12 ``asyncio.wait_for``, with which the MQTT library waits for everything,
    loses a cancellation that comes at the very moment it is done.
    """
    for _ in range(_CANCEL_TIMES):
        if pending := [task for task in tasks if not task.done()]:
            for task in pending:
                task.cancel()
            await asyncio.wait(pending, timeout=_CANCEL_AGAIN_REAL_S)


async def run_together(*coroutines: Coroutine[None, None, None]) -> None:
    """Run coroutines until the first of them ends or this is cancelled, then end the others. Raises what ended it.

    A task group in all but the way it cancels.
    """
    tasks = [asyncio.create_task(coroutine) for coroutine in coroutines]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        await cancel(*tasks)
    for error in [task.exception() for task in tasks if task.done() and not task.cancelled()]:
        if error:
            raise error


class Devices:
    """Runs a house in a clock's time and lets its meter and plug speak MQTT until ``run`` is cancelled.

    The house is at its ``t_s`` when this is made, and moves on from there with the clock. ``readings`` counts the
    meter readings that were published, ``misunderstood`` the commands the plug could make nothing of. ``prices_seed``:
    whose prices a market publishes; None: there is none.
    """

    def __init__(
        self,
        house: House,
        meter: GridMeter,
        clock: Clock,
        port: int,
        report_every_s: float = REPORT_EVERY_S,
        prices_seed: int | None = None,
        battery_every_s: float = REPORT_EVERY_S,
    ) -> None:
        self.house = house
        self.readings = 0
        self.misunderstood = 0
        self._meter = meter
        self._clock = clock
        self._port = port
        self._report_every_s = report_every_s
        self._prices_seed = prices_seed
        self._battery_every_s = battery_every_s
        self._offset_s = house.t_s - clock.now()
        self._commanded = asyncio.Event()

    async def run(self) -> None:
        """Run all devices, reconnecting for as long as it takes; never returns by itself."""
        them = [("house-meter", self._run_meter), ("carport-plug", self._run_plug)]
        if self.house.cells is not None:
            them.append(("house-battery", self._run_battery))
        if self._prices_seed is not None:
            them.append(("market", self._run_market))
        await run_together(*(self._keep_connected(name, work) for name, work in them))

    def catch_up(self) -> float:
        """Move the house on to the clock's time, and return it: seconds since midnight of the first day."""
        now_s = self._clock.now() + self._offset_s
        if now_s > self.house.t_s:
            self.house.advance(now_s)
        return self.house.t_s

    async def _keep_connected(
        self, identifier: str, work: Callable[[aiomqtt.Client], Coroutine[None, None, None]]
    ) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with connected(HOST, self._port, identifier) as client:
                    await run_together(work(client), self._listen(client))
            await self._clock.sleep(_RETRY_S)

    async def _listen(self, client: aiomqtt.Client) -> None:
        """Take commands; for the meter, which has none, this is what notices a lost connection."""
        async for message in client.messages:
            if message.topic.value != COMMAND_TOPIC:
                continue
            at_s = self.catch_up()
            try:
                command = json.loads(message.payload)
                closed = {"closed": True, "open": False}[command["contact"]]
                for_s = float(command["for_s"]) if closed and "for_s" in command else None
            except (KeyError, TypeError, ValueError):
                self.misunderstood += 1
                continue
            self.house.plug.command(at_s, closed, for_s)
            self._commanded.set()

    async def _run_meter(self, client: aiomqtt.Client) -> None:
        while True:
            await self._clock.sleep(max(0.0, self._meter.next_s - self.catch_up()))
            reading: dict[str, Any] = {"net_w": self._meter.read(self.catch_up(), self.house.grid_w)}
            if self.house.scenario.phases:
                reading["phases_w"] = [round(one_w) for one_w in self.house.phases_w]
            await client.publish(METER_TOPIC, json.dumps(reading))
            self.readings += 1

    async def _run_battery(self, client: aiomqtt.Client) -> None:
        cells = self.house.cells
        assert cells is not None
        while True:
            at_s = self.catch_up()
            report = {"power_w": round(cells.power_w), "percent": math.floor(cells.percent)}
            await client.publish(BATTERY_TOPIC, json.dumps(report))
            await self._clock.sleep(self._battery_every_s - at_s % self._battery_every_s)

    async def _run_market(self, client: aiomqtt.Client) -> None:
        while True:
            now_s, wall = self.catch_up(), self._clock.wall()
            first = (wall - timedelta(seconds=now_s)).date()
            day = market.known_days(now_s) - 1
            known = [slot for one in range(max(0, day - 1), day + 1) for slot in self._slots(first, one)]
            await client.publish(PRICES_TOPIC, json.dumps(known), qos=1, retain=True)
            await self._clock.sleep(max(0.0, market.next_publication_s(now_s) - self.catch_up()))

    def _slots(self, first: date, day: int) -> list[dict[str, Any]]:
        assert self._prices_seed is not None
        return market.slots(self._prices_seed, first, day, self._clock.wall().tzinfo)

    async def _run_plug(self, client: aiomqtt.Client) -> None:
        await client.subscribe(COMMAND_TOPIC, qos=1)
        said: tuple[bool, int] | None = None
        said_w: float | None = None
        again_s = self.house.t_s
        while True:
            now_s = self.catch_up()
            plug = self.house.plug
            relay, power_w = (plug.closed, plug.obeyed), plug.metered_w(self.house.charger_w)
            due = now_s >= again_s
            if due:
                again_s = now_s + self._report_every_s
            if due or relay != said:
                await client.publish(RELAY_TOPIC, json.dumps({"contact": "closed" if relay[0] else "open"}))
            if due or power_w != said_w:
                await client.publish(
                    POWER_TOPIC, json.dumps({"power_w": power_w, "socket_c": round(self.house.socket_c, 1)})
                )
            said, said_w = relay, power_w
            self._commanded.clear()
            until_s = min(again_s, self.house.lead_next_s)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._clock.real_s(max(0.0, until_s - self.catch_up()))):
                    await self._commanded.wait()
