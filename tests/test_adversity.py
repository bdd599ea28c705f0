"""Troubles that were once found by attacking the daemon, so that they stay mended."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from surpluscharge.clock import SystemClock
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Kept, Moment, Tally
from surpluscharge.control.machine import MODE_NAMES
from surpluscharge.daemon import logs, store
from surpluscharge.daemon.mqtt import Link, Post
from surpluscharge.daemon.ports import Ports
from surpluscharge.daemon.service import Service
from tests.conftest import Mosquitto, config_from
from tests.wire import COMMAND, ENABLE_SET, REPORT, SUN_W, Disk, Feed, Plug, Stage, until


@pytest.fixture
def stage(mosquitto: Mosquitto, tmp_path: Path) -> Stage:
    return Stage(mosquitto.port, tmp_path)


async def test_a_connection_that_is_lost_as_soon_as_it_is_made_is_made_again() -> None:
    """The client library may forget such a loss; the link must not be taken for up, and dead for ever (invariant 7)."""
    accepted = 0

    async def broker(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal accepted
        accepted += 1
        await reader.read(100)
        writer.write(b"\x20\x02\x00\x00")  # MQTT 3.1.1: CONNACK, accepted
        writer.close()

    async with await asyncio.start_server(broker, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        config = config_from(mqtt={"host": "127.0.0.1", "port": port, "protocol": "3.1.1"})
        off = Post("plug/set", "off")
        link = Link("relay", config, logs.logger(), will=off, farewell=off)
        task = asyncio.create_task(link.run())
        await until(lambda: accepted >= 3, "another attempt, and another")
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.mark.broker
async def test_a_plug_that_others_keep_switching_on_starts_no_duel(stage: Stage) -> None:
    """Off is said at once, but then at most once in confirm_within_s: a relay has only so many switchings in it."""
    wire, plug = stage.wire, Plug(stage.wire)
    async with stage.running(relay={"feedback": {"topic": REPORT}, "confirm_within_s": 2.0}) as daemon:
        count, began_s = len(wire.on(COMMAND)), time.monotonic()

        def pressed() -> bool:
            if not plug.on:
                plug.press()
            return len(wire.on(COMMAND)) >= count + 3

        await until(pressed, "off, three times")
        assert time.monotonic() - began_s > 2 * 2.0 - 0.5  # the first may come at once
        assert len(daemon.events("relay_reported")) <= 10


@pytest.mark.broker
async def test_no_disk_holds_up_an_off(stage: Stage) -> None:
    """The off is out while the disk has not answered yet (invariant 6)."""
    wire, disk = stage.wire, Disk()
    async with stage.running(ports=Ports(store=disk)), Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        disk.free.clear()
        try:
            wire.publish(ENABLE_SET, "off")
            await until(lambda: wire.last(COMMAND) == "off", "off")
            assert not disk.free.is_set()
        finally:
            disk.free.set()


@pytest.mark.broker
async def test_a_start_that_cannot_be_written_does_not_happen(stage: Stage) -> None:
    """A crash would forget it, and with it budget, session and image (invariants 4, 5)."""
    wire, disk = stage.wire, Disk()
    async with stage.running(ports=Ports(store=disk), control={"start_delay_s": 1.0}) as daemon, Feed(wire, SUN_W):
        wire.publish(ENABLE_SET, "on")
        await until(lambda: wire.state == "arming", "the surplus being seen")
        disk.full = True
        await until(lambda: daemon.events("fault_raised", code="store-failing"), "the fault")
        await until(lambda: wire.state == "locked-out", "the status")
        assert set(wire.texts(COMMAND)) == {"off"}


async def test_two_daemons_do_not_share_a_store(tmp_path: Path) -> None:
    """Each would overwrite the other's latches (invariant 9)."""
    config = config_from(store={"directory": str(tmp_path)})
    with store.alone(config.state_file), pytest.raises(ValueError, match="another surpluscharge uses"):
        await Service(config, SystemClock()).run()
    with store.alone(config.state_file):
        pass  # it is free again


def test_a_boot_with_an_unset_clock_grants_no_session() -> None:
    """The day of the kept session is far ahead; when the clock is set, that is a jump, and grants nothing (5)."""
    today, unset = 750000, 719163
    settings = config_from(session={"time_cap_s": 3600.0}).settings()
    kept = Kept(1000.0, True, False, 0.0, (), 3600.0, 1380.0, today, Tally(today), 0.1, 0.0, 0.0, ())

    def sunshine(controller: Controller, at: Moment) -> str:
        controller.tell(news.CommandsLink(True), at)
        controller.tell(news.RelayLink(True), at)
        controller.tell(news.Taken(False), at)
        controller.tell(news.Message("house/grid", b"-3000", False), at)
        return MODE_NAMES[controller.state.mode]

    controller = Controller(settings, Moment(1000.0, unset, unset), kept)
    assert sunshine(controller, Moment(1001.0, unset, unset)) == "locked-out"
    controller.tell(news.ClockJumped(), Moment(1010.0, today, today))
    assert sunshine(controller, Moment(1011.0, today, today)) == "locked-out"
    assert sunshine(controller, Moment(1020.0, today + 1, today + 1)) == "arming"
