"""The daemon end to end, against a real broker: the story of a charge, and everything that may cut it short."""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import pytest
import structlog
from jsonschema import Draft202012Validator

from surpluscharge.clock import Clock, SystemClock
from surpluscharge.config import parse
from surpluscharge.control import machine, news
from surpluscharge.control.controller import Controller, Kept, Moment
from surpluscharge.control.signals import PAYLOAD_LIMIT_BYTES
from surpluscharge.daemon import service as service_module
from surpluscharge.daemon import status
from surpluscharge.daemon.ports import Ports
from surpluscharge.daemon.service import Service
from tests.conftest import Mosquitto
from tests.leaping import LeapingClock, leap
from tests.wire import (
    AVAILABILITY,
    COMMAND,
    ENABLE,
    ENABLE_SET,
    GRID,
    PATIENCE_S,
    POWER,
    REPORT,
    SHADE_W,
    STATUS,
    SUN_W,
    Disk,
    Feed,
    Observer,
    Plug,
    Stage,
    Unplugged,
    tables,
    told,
    toml,
    until,
    usurp,
)

pytestmark = pytest.mark.broker

WALL = datetime(2031, 5, 1, 12, tzinfo=UTC)
KEEPALIVE_S = 5  # of the tests' configuration
WILL_WITHIN_S = 1.5 * KEEPALIVE_S
# Mosquitto looks for clients that have gone silent every so often only, and then gives them the benefit of a second.
BROKER_SLACK_S = 6.0


async def commands_after(wire: Observer, count: int) -> list[str]:
    """Wait for the first command that follows the first ``count``, and return all of those."""
    await until(lambda: len(wire.on(COMMAND)) > count, "another command")
    return wire.texts(COMMAND)[count:]


# --- the start -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("protocol", "spoken"), [("auto", "5"), ("3.1.1", "3.1.1")])
async def test_off_comes_first_and_on_is_never_kept(stage: Stage, protocol: str, spoken: str) -> None:
    """Off at start, disabled or not; "on" is not retained, and expires where the protocol lets it (invariants 1, 8)."""
    daemon = stage.start(mqtt={"host": "127.0.0.1", "port": stage.port, "keepalive_s": 5, "protocol": protocol})
    await stage.ready()
    assert {line["protocol"] for line in daemon.events("connected")} == {spoken}
    assert set(stage.wire.texts(COMMAND)) == {"off"}  # again where the broker is slow to take it
    assert stage.wire.status["enabled"] is False

    async with Feed(stage.wire, SUN_W) as feed:
        # Sun alone moves nothing while the daemon is disabled.
        await until(lambda: stage.wire.status["grid"]["fresh"], "a status with a fresh reading")
        assert set(stage.wire.texts(COMMAND)) == {"off"}  # again where the broker is slow to take it
        await stage.charge(feed)
        on, *_ = [message for message in stage.wire.on(COMMAND) if message.text == "on"]
        assert not on.retain
        # The broker takes the time that it had the message off the interval: 2 s, as long as a confirmation may take.
        assert on.expiry_s in ([1, 2] if spoken == "5" else [None])

        late = stage.observe()
        await until(lambda: late.last(AVAILABILITY) == "ready", "what is retained")
        await until(lambda: late.last(ENABLE) == "true", "what is retained")
        assert "on" not in [message.text for message in late.on(COMMAND) if message.retain]


# --- the story -------------------------------------------------------------------------------------------------------


async def test_the_story_of_a_charge(stage: Stage) -> None:
    """Enable, arm, charge, disarm, idle, by readings published by hand; each is told in the status (invariant 1)."""
    wire = stage.wire
    daemon = stage.start(
        # Where the machine is busy, too, no reading goes stale, nothing is said twice, and what does not last is short.
        meter=[{"topic": GRID, "fresh_s": 60.0}],
        relay={"confirm_within_s": 30.0},
        control={"start_delay_s": 1.0, "stop_delay_s": 4.0},
    )
    await stage.ready()
    wire.publish(ENABLE_SET, "on")
    await until(lambda: wire.last(ENABLE) == "true" and wire.status["enabled"], "the echo")
    assert wire.on(ENABLE)[-1].retain
    await until(
        lambda: wire.status["why"].startswith("There is no fresh reading from the meter ("), "the reason for waiting"
    )

    await wire.measure(SUN_W)
    await until(lambda: wire.state == "charging", "a charge")
    await wire.measure(SHADE_W)
    await until(lambda: wire.state == "disarming", "import being noticed")
    await wire.measure(300)
    await until(lambda: wire.state == "charging", "import that does not last")
    await wire.measure(SHADE_W)
    await until(lambda: wire.state == "idle", "the end of the charge")
    await wire.measure(SUN_W)
    await until(lambda: wire.state == "charging" and wire.last(COMMAND) == "on", "a second charge")
    wire.publish(ENABLE_SET, "off")
    await until(lambda: wire.state == "idle" and wire.last(ENABLE) == "false", "the end by disabling")

    assert daemon.path == [
        *("arming", "charging", "disarming", "charging", "disarming", "idle"),
        *("arming", "charging", "idle"),
    ]
    causes = [line["cause"] for line in daemon.events("state_changed")]
    assert causes[2:6] == ["import-seen", "import-gone", "import-seen", "import-held"]
    assert causes[-1] == "disabled"
    await until(lambda: wire.texts(COMMAND) == ["off", "on", "off", "on", "off"], "the last off")

    shown = [state for state, _ in itertools.groupby(document["state"] for document in wire.statuses)]
    assert {"idle", "arming", "charging", "disarming"} == set(shown)
    (arming,) = [document for document in wire.statuses if document["state"] == "arming"][:1]
    assert arming["waiting_for"].startswith("the export to last")
    assert 0 < arming["wait_s"] <= 1.0
    assert (arming["grid"]["power_w"], arming["surplus_w"]) == (SUN_W, -SUN_W)
    assert wire.status["today"]["starts"] == 2
    assert wire.status["why"] == "Charging is switched off."
    assert daemon.strange == []
    assert daemon.events("reading") == []  # no line per reading at the default level
    # That every document fits the schema: see Stage.close().


async def test_the_first_reading_is_shown_at_once(stage: Stage) -> None:
    """After a start of the daemon, and after each switching, nobody waits a heartbeat for what the meter says."""
    wire = stage.wire
    stage.start(
        meter=[{"topic": GRID, "fresh_s": 120.0}],
        relay={"confirm_within_s": 30.0},
        status={"heartbeat_s": 600.0},
    )
    await stage.ready()
    assert wire.status["grid"]["power_w"] is None
    await wire.measure(SUN_W)
    wire.publish(ENABLE_SET, "on")
    await until(lambda: wire.state == "charging" and wire.status["relay"]["confirmed"], "a charge")
    assert (wire.status["grid"]["power_w"], wire.status["surplus_w"]) == (SUN_W, None)
    await wire.measure(SUN_W + 1380)
    assert wire.status["surplus_w"] is not None


def test_the_schema_is_printed() -> None:
    """The command prints the very schema that every other test here holds the documents against."""
    command = [sys.executable, "-m", "surpluscharge", "schema"]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert json.loads(printed) == status.schema()
    Draft202012Validator.check_schema(json.loads(printed))


async def test_enabling_in_full_sun_skips_the_start_delay_only(stage: Stage) -> None:
    """The enable edge skips the start delay, not the pause between two charges (invariant 3)."""
    wire = stage.wire
    async with stage.running(control={"start_delay_s": 600.0, "min_off_s": 2.0}), Feed(wire, SUN_W):
        off_s = (await until(lambda: wire.on(COMMAND), "the first off"))[0].at_s
        await until(lambda: wire.status.get("grid", {}).get("fresh"), "a fresh reading")
        wire.publish(ENABLE_SET, "on")
        await until(lambda: wire.last(COMMAND) == "on", "the charge")
        assert wire.on(COMMAND)[-1].at_s - off_s > 1.5  # 2 s, less what the first message may have been late


# --- the daemon's loops, without a broker ----------------------------------------------------------------------------


class Said:
    """Stands in for the log: the names of the events."""

    def __init__(self) -> None:
        self.names: list[str] = []

    def bind(self, **_: Any) -> Said:
        return self

    def __getattr__(self, level: str) -> Callable[..., None]:
        return lambda name, **_: self.names.append(name)


def a_service(folder: Path, **ports: Any) -> Service:
    """Return one that reaches no broker, on the leaping clock."""
    return Service(parse(toml(tables(1, folder)), "shed.toml"), LeapingClock(WALL), Ports(link=Unplugged, **ports))


def test_ready_is_logged_once_it_is_off_and_the_watchdog_fed_in_good_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Long before its time is over, but not at each turn of the loop."""
    fed_s: list[float] = []
    said = Said()

    def notify(*words: str) -> bool:
        if words == ("WATCHDOG=1",):
            fed_s.append(asyncio.get_running_loop().time())
        return True

    monkeypatch.setattr("surpluscharge.daemon.systemd.watchdog_interval_s", lambda: 8.0)
    monkeypatch.setattr("surpluscharge.daemon.systemd.notify", notify)

    async def play() -> None:
        service = a_service(tmp_path, log=said)
        control = asyncio.create_task(service._control())
        await asyncio.sleep(30.0)
        assert "ready" not in said.names
        service.tell(news.RelayLink(True))
        service.relay_acknowledged(False)
        await asyncio.sleep(30.0)
        service.stop()
        await control

    leap(play())
    assert said.names.count("ready") == 1
    gaps_s = [later_s - earlier_s for earlier_s, later_s in itertools.pairwise(fed_s)]
    assert 2.0 < min(gaps_s) <= max(gaps_s) <= 4.0


class Noted(Disk):
    """When it was written, by the running loop's clock."""

    def __init__(self) -> None:
        super().__init__()
        self.at_s: list[float] = []

    def save(self, path: Path, kept: Kept, clock: Clock) -> None:
        self.at_s.append(clock.now())


def test_the_pause_between_two_writes_is_left_out_once_for_each_fault_that_latches(tmp_path: Path) -> None:
    disk = Noted()

    async def play() -> None:
        service = a_service(tmp_path, store=disk)
        saving = asyncio.create_task(service.saving.run())
        for happened in (
            news.Enable(True),
            news.Strained(True, False, False),  # commands-flooded latches
            news.Enable(False),
            news.Enable(True),
        ):
            service.tell(happened)
            await asyncio.sleep(0.25)
        await asyncio.sleep(5.0)
        saving.cancel()

    leap(play())
    assert [round(at_s, 2) for at_s in disk.at_s] == [0.0, 0.25, 1.25]  # what came meanwhile is written together


def test_a_disk_that_does_not_answer_is_found_once(tmp_path: Path) -> None:
    said = Said()

    async def play() -> None:
        loop = asyncio.get_running_loop()
        loop.run_in_executor = lambda *_: loop.create_future()  # type: ignore[method-assign,assignment]
        service = a_service(tmp_path, log=said)
        saving = asyncio.create_task(service.saving.run())
        service.tell(news.Enable(True))
        await asyncio.sleep(4.9)
        assert not service.saving.failing
        await asyncio.sleep(0.2)
        assert "store-failing" in [record.code for record in service.controller.faults]
        await asyncio.sleep(60.0)
        saving.cancel()

    leap(play())
    assert said.names.count("store_failed") == 1


def test_what_is_promised_is_waited_for_from_the_beginning(tmp_path: Path) -> None:
    """Until it is on the disk, or is known not to get there; a disk that was never tried is not known to fail."""
    disk = Disk()

    async def play() -> None:
        service = a_service(tmp_path, store=disk)
        for disk.full in (False, True):
            service.tell(news.Enable(True))
            service.tell(news.Enable(False))
            waiting = asyncio.create_task(service.saving.promise_kept_or_failing())
            await asyncio.sleep(60.0)
            assert not waiting.done()
            saving = asyncio.create_task(service.saving.run())
            await asyncio.wait_for(waiting, 1.0)
            saving.cancel()
            assert service.saving.promise_kept is not disk.full

    leap(play())


def test_that_it_is_there_is_announced_once_for_each_connection(tmp_path: Path) -> None:
    async def play() -> tuple[list[str], list[str]]:
        service = a_service(tmp_path)
        link = cast(Unplugged, service.main_link)
        showing = asyncio.create_task(service._speak())
        await asyncio.sleep(100.0)
        before = [post.topic for post in link.said]
        link.up = True
        await asyncio.sleep(300.0)
        showing.cancel()
        return before, [post.topic for post in link.said]

    before, said = leap(play())
    assert STATUS in before and AVAILABILITY not in before
    assert said.count(AVAILABILITY) == 1 and said.count(STATUS) > before.count(STATUS) + 1


def test_the_enable_value_is_answered_once_it_is_on_the_disk(tmp_path: Path) -> None:
    disk = Disk()
    disk.full = True

    async def play() -> list[list[str]]:
        service = a_service(tmp_path, store=disk)
        link = cast(Unplugged, service.main_link)
        tasks = [asyncio.create_task(service.saving.run()), asyncio.create_task(service._speak())]
        service.tell(news.Enable(True))
        service.tell(news.Enable(False))
        seen = []
        for disk.full in (True, False, False):
            service.tell(news.Tick())
            await asyncio.sleep(100.0)
            seen.append(sorted({post.topic for post in link.said}))
            link.said.clear()
        for task in tasks:
            task.cancel()
        return seen

    assert leap(play()) == [[STATUS], [ENABLE, STATUS], [STATUS]]


async def test_enable_is_remembered(stage: Stage) -> None:
    """What was enabled before a restart is enabled after it, and the echo says so."""
    daemon = stage.start()
    await stage.ready()
    stage.wire.publish(ENABLE_SET, "on")
    await until(lambda: stage.wire.last(ENABLE) == "true", "the echo")
    daemon.signal(signal.SIGTERM)
    assert await daemon.ended() == 0

    again = stage.start()
    wire = stage.observe()
    await stage.ready()
    (restored,) = again.events("restored")
    assert restored["enabled"] is True
    await until(lambda: wire.status["enabled"], "the status of the second daemon")
    assert wire.last(ENABLE) == "true"


async def test_the_words_for_enable(stage: Stage) -> None:
    """true/false, on/off, 1/0 in any case; anything else is refused, logged and changes nothing."""
    wire = stage.wire
    async with stage.running() as daemon:
        await until(lambda: wire.last(ENABLE) == "false", "the first echo")
        for word, effect in [
            *((word, "true") for word in ("True", "on", "1", "TRUE", "On", " on\n")),
            *((word, "false") for word in ("OFF", "0", "False", "false", "Off")),
        ]:
            count = len(wire.on(ENABLE))
            wire.publish(ENABLE_SET, word)
            await until(lambda: len(wire.on(ENABLE)) > count, f"the answer to {word!r}")  # noqa: B023
            assert wire.last(ENABLE) == effect, word
        assert all(message.retain for message in wire.on(ENABLE))

        count = len(wire.on(ENABLE))
        refused: list[str | bytes] = ["maybe", "", "2", '{"on": true}', b"\xff\xfe", "on off", "tru\u0435"]
        for payload in (*refused, "off"):
            wire.publish(ENABLE_SET, payload)
        await until(lambda: len(wire.on(ENABLE)) > count, "the answer to the last one")
        assert wire.texts(ENABLE)[count:] == ["false"]
        assert {line["reason"] for line in daemon.events("message_refused", topic=ENABLE_SET)} == {
            "not-a-state",
            "not-utf8",
        }
        assert len(daemon.events("enabled")) == 1


@pytest.mark.parametrize(("kept", "before"), [("on", False), ("off", True)])
async def test_a_retained_enable_command(stage: Stage, kept: str, before: bool) -> None:
    """Met at subscribe time, an "on" that may be days old is ignored, an "off" is obeyed (invariants 1, 8)."""
    wire = stage.wire
    if before:
        async with stage.running():
            wire.publish(ENABLE_SET, "on")
            await until(lambda: wire.last(ENABLE) == "true", "the echo")
    wire.publish(ENABLE_SET, kept, retain=True)
    async with stage.running() as daemon:
        if kept == "on":
            await until(lambda: daemon.events("message_refused", topic=ENABLE_SET, reason="retained"), "the refusal")
        else:
            await until(lambda: daemon.events("disabled"), "obedience")
        await until(lambda: wire.last(ENABLE) == "false" and not wire.status["enabled"], "the echo")


# --- sudden ends -----------------------------------------------------------------------------------------------------


async def ask(stage: Stage, command: str = "status", *more: str) -> tuple[int, str, str]:
    """Run a command beside the daemon; return its exit status, and what it printed on both streams."""
    return await told(command, "--config", str(stage.config_file), *more)


async def ask_from_outside(stage: Stage) -> int | None:
    """Ask for the status in a process of its own; return its exit status."""
    words = [sys.executable, "-m", "surpluscharge", "status", "--config", str(stage.config_file)]
    asked = await asyncio.create_subprocess_exec(*words, stdout=subprocess.DEVNULL)
    return await asked.wait()


async def test_asking_for_the_status(stage: Stage) -> None:
    """A few lines for a person: why, and what it waits for; and, of a daemon that is gone, what it said last."""
    stage.write()
    status, out, err = await ask(stage)
    assert (status, out) == (1, "") and "the daemon has not run with this broker" in err
    daemon = stage.start()
    async with Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        status, out, err = await ask(stage)
        assert (status, err) == (0, "")
        assert re.match(r"shed: charging since [\d:]{5}, enabled; said \d+ (s|min .*) ago\n", out)
        assert "Charging. The house exports" in out
        assert "It waits for import above" in out and "relay told on" in out
        assert json.loads((await ask(stage, "status", "--json"))[1])["state"] == "charging"
        # Several at once, from dashboards and terminals: none takes the connection away from another.
        assert await asyncio.gather(*(ask_from_outside(stage) for _ in range(3))) == [0, 0, 0]
        count = len(stage.wire.on(COMMAND))
        daemon.kill()
        assert await commands_after(stage.wire, count) == ["off"]
        await until(lambda: stage.wire.last(AVAILABILITY) == "lost", "availability")
        status, out, _ = await ask(stage)
        assert status == 1
        assert re.match(r"The daemon is not there \(lost\); this is the last that it said, .* ago by the clock", out)
        assert (await ask(stage, "status", "--json"))[0] == 1


async def test_acknowledging(stage: Stage) -> None:
    """The status names the command and what was measured; the command says what came of it."""
    daemon = stage.start(relay={"power": {"topic": POWER}})
    async with Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        code, _, err = await ask(stage, "ack")
        assert code == 1 and err.startswith("nothing is waiting to be acknowledged")
        for _ in range(2):  # one odd reading would not do
            stage.wire.publish(POWER, 5100)
        await until(lambda: stage.wire.state == "locked-out", "the trip")
    (raised,) = daemon.events("fault_raised", code="over-current")
    assert raised["current_a"] == 22.2  # 5100 W / 230 V
    code, out, _ = await ask(stage)
    (line,) = [line for line in out.splitlines() if "over-current:" in line]
    assert "Measured: 22.2 A." in line and line.endswith(
        f"Then: surpluscharge ack --config {stage.config_file} over-current"
    )
    code, out, err = await ask(stage, "ack", "over-current")
    assert (code, err) == (0, "")
    assert out.startswith("acknowledging over-current\n") and " Acknowledged.\n" in out
    assert "the cooldown to be over" in out
    daemon.signal(signal.SIGTERM)
    assert await daemon.ended() == 0
    code, _, err = await ask(stage, "ack")
    assert code == 1 and "the daemon is not there (disconnected)" in err


async def test_enabling_and_disabling(stage: Stage) -> None:
    """By a command, for whoever has no dashboard; done is what the daemon says, and of off what the plug does."""
    stage.write()
    code, _, err = await ask(stage, "enable")
    assert code == 1 and "the daemon has not run with this broker" in err
    code, _, err = await ask(stage, "disable")  # under another name, for one, than that of the daemon that charges
    assert code == 1 and "surpluscharge off --config" in err
    daemon = stage.start(control={"start_delay_s": 0.0})
    async with Feed(stage.wire, SUN_W):
        await until(lambda: stage.wire.last(STATUS), "its first status")
        code, out, err = await ask(stage, "enable")
        assert (code, err) == (0, "")
        assert out.startswith("saying that charging is enabled\n") and ", enabled" in out
        await until(lambda: stage.wire.state == "charging", "a charge")
        code, out, err = await ask(stage, "disable")
        assert (code, err) == (0, "")
        assert ", disabled" in out and "relay told off;" in out and "not confirmed" not in out
        assert stage.wire.state == "idle" and stage.wire.texts(COMMAND)[-1] == "off"
        assert (await ask(stage, "disable"))[0] == 0  # it is so already
        daemon.signal(signal.SIGTERM)
        assert await daemon.ended() == 0
    code, _, err = await ask(stage, "enable")
    assert code == 1 and "not there (disconnected), and would not hear it: start it first" in err
    code, _, err = await ask(stage, "disable")
    assert code == 1 and "surpluscharge off --config" in err


async def test_killed_while_charging(stage: Stage) -> None:
    """The broker says off for a killed daemon; the next one starts with off, and forgets nothing (3, 4, 5, 7)."""
    wire = stage.wire
    daemon = stage.start(control={"start_delay_s": 0.0, "min_off_s": 3.0, "starts_per_hour": 2})
    async with Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        await until(lambda: wire.status["session"]["on_time_s"] > 0, "some charging time")
        charged_s = wire.status["session"]["on_time_s"]
        count = len(wire.on(COMMAND))
        killed_s = time.monotonic()
        daemon.kill()
        assert await commands_after(wire, count) == ["off"]
        assert wire.on(COMMAND)[-1].at_s - killed_s < WILL_WITHIN_S
        await until(lambda: wire.last(AVAILABILITY) == "lost", "availability")
        assert wire.on(AVAILABILITY)[-1].retain

        count += 1
        again = stage.start()
        assert await commands_after(wire, count) == ["off"]
        off_s = wire.on(COMMAND)[-1].at_s
        await until(lambda: wire.last(AVAILABILITY) == "ready", "availability")
        (restored,) = again.events("restored")
        assert restored["starts_kept"] == 1
        await until(lambda: wire.last(COMMAND) == "on", "the second charge")
        assert wire.on(COMMAND)[-1].at_s - off_s > 2.5  # 3 s, less what the off may have been late

        await until(lambda: wire.state == "charging", "the status of the second charge")
        assert wire.status["session"]["on_time_s"] >= charged_s
        assert wire.status["budget"]["starts_left_hour"] == 0
        assert wire.status["today"]["starts"] == 2
        feed.power_w = SHADE_W
        await until(lambda: wire.state == "idle", "the end of the second charge")
        feed.power_w = SUN_W
        await until(lambda: "a start to be free again" in str(wire.status["waiting_for"]), "the budget to bite")
        assert 3000 < wire.status["wait_s"] <= 3600


async def test_hung_while_charging(stage: Stage) -> None:
    """A daemon that hangs is told off by the broker, in 1.5 x keepalive; when it wakes, off goes first (7)."""
    wire = stage.wire
    daemon = stage.start()
    async with Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        count = len(wire.on(COMMAND))
        stopped_s = time.monotonic()
        daemon.signal(signal.SIGSTOP)
        await until(lambda: len(wire.on(COMMAND)) > count, "the will", WILL_WITHIN_S + BROKER_SLACK_S + PATIENCE_S)
        will = wire.on(COMMAND)[count]
        assert (will.text, will.retain) == ("off", False)
        assert will.at_s - stopped_s < WILL_WITHIN_S + BROKER_SLACK_S
        await until(lambda: wire.last(AVAILABILITY) == "lost", "availability", WILL_WITHIN_S + BROKER_SLACK_S)

        count = len(wire.on(COMMAND))
        daemon.signal(signal.SIGCONT)
        assert (await commands_after(wire, count))[0] == "off"
        await until(lambda: daemon.events("connection_lost", link="relay"), "the loss being noticed")
        await until(lambda: wire.texts(COMMAND)[-2:] == ["off", "on"], "charging to go on")
        await until(lambda: wire.last(AVAILABILITY) == "ready", "availability")


async def test_availability_after_a_short_loss(stage: Stage, mosquitto: Mosquitto) -> None:
    """However short the connection was lost, and whatever was under way, the daemon says that it is there again."""
    async with stage.running() as daemon:
        mosquitto.signal(signal.SIGSTOP)
        daemon.service.main_link.on_message(
            ENABLE_SET, b"on", False
        )  # the last that the broker let through; the echo hangs
        await asyncio.sleep(0.1)
        mosquitto.signal(signal.SIGKILL)
        mosquitto.kill()
        mosquitto.start()
        wire = stage.observe()
        await until(lambda: len(daemon.events("connected", link="main")) == 2, "another connection")
        await until(lambda: wire.last(AVAILABILITY) == "ready" and wire.last(ENABLE) == "true", "availability")


async def test_broker_killed_while_charging(stage: Stage, mosquitto: Mosquitto) -> None:
    """At reconnecting to a broker that knows nothing, off is said before anything else; the status explains (7)."""
    daemon = stage.start(meter=[{"topic": GRID, "fresh_s": 2.0}])
    async with Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
    mosquitto.kill()
    await until(
        lambda: {line["link"] for line in daemon.events("connection_lost")} == {"main", "readings", "relay"}, "the loss"
    )
    await until(lambda: daemon.events("connect_failed"), "an attempt to connect")
    assert daemon.events("connection_lost", link="relay")[0]["reason"]
    assert daemon.path[-1] == "locked-out"
    # The daemon sleeps until the observer is there to hear its first words.
    daemon.signal(signal.SIGSTOP)
    mosquitto.start()
    wire = stage.observe()
    assert wire.heard == []
    await asyncio.sleep(2.0)  # and until what it heard before has gone stale
    daemon.signal(signal.SIGCONT)

    await until(lambda: wire.on(COMMAND), "the first command", 60.0)
    assert wire.texts(COMMAND)[0] == "off"
    await until(lambda: len(daemon.events("connected")) == 6, "all connections", 60.0)
    await until(lambda: wire.last(AVAILABILITY) == "ready" and wire.last(ENABLE) == "true", "what is retained")
    await until(lambda: wire.statuses, "a status")
    (raised,) = daemon.events("fault_raised", code="broker-lost")
    assert "connection to the broker is lost" in raised["sentence"]
    assert {document["state"] for document in wire.statuses} <= {"locked-out", "idle"}
    assert "on" not in wire.texts(COMMAND)
    assert wire.statuses[0]["relay"]["commanded"] == "off"
    assert wire.statuses[0]["why"]
    async with Feed(wire, SUN_W):
        await until(lambda: wire.state == "charging", "charging to go on when readings return")


async def test_broker_hangs_while_charging(stage: Stage, mosquitto: Mosquitto) -> None:
    """A broker that hangs is noticed within two keepalives; once it wakes, off is delivered, then all goes on (7)."""
    wire = stage.wire
    daemon = stage.start()
    async with Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        count = len(wire.on(COMMAND))
        mosquitto.signal(signal.SIGSTOP)
        try:
            await until(lambda: daemon.events("connection_lost", link="relay"), "the silence being noticed", 40.0)
            assert daemon.path[-1] == "locked-out"
            assert not daemon.events("fault_raised", code="daemon-late")
        finally:
            mosquitto.signal(signal.SIGCONT)
        assert (await commands_after(wire, count))[0] == "off"
        await until(lambda: wire.state == "charging" and wire.last(AVAILABILITY) == "ready", "recovery", 60.0)


async def test_only_the_other_connection_is_lost(stage: Stage) -> None:
    """Without readings, off comes in time although only the relay's connection is left; then all comes back (6)."""
    wire = stage.wire
    async with stage.running(meter=[{"topic": GRID, "fresh_s": 2.0}]) as daemon:
        async with Feed(wire, SUN_W) as feed:
            await stage.charge(feed)
        usurp(stage.port, "surpluscharge-shed-main")
        await until(lambda: wire.last(AVAILABILITY) == "lost", "the will")
        await until(lambda: wire.last(COMMAND) == "off", "off")
        assert wire.on(COMMAND)[-1].at_s - feed.last_s < 2.0 + 1.0
        await until(lambda: wire.last(AVAILABILITY) == "ready", "availability")
        async with Feed(wire, SUN_W):
            await until(lambda: wire.state == "charging", "charging to go on")
        assert not daemon.events("connection_lost", link="relay")


def test_no_start_while_nothing_can_be_heard() -> None:
    """A charge does not begin on a reading from before the connection was lost (1)."""
    config = parse(toml(tables(1, Path("/nowhere"))), "shed.toml")
    controller = Controller(config.settings(), Moment(0.0, 1, 1))
    controller.tell(news.CommandsLink(True), Moment(0.0, 1, 1))
    controller.tell(news.RelayLink(True), Moment(0.0, 1, 1))
    controller.tell(news.Taken(False), Moment(0.0, 1, 1))
    controller.tell(news.Enable(True), Moment(0.1, 1, 1))
    controller.tell(news.Message(GRID, str(SUN_W).encode(), False), Moment(1.0, 1, 1))
    assert controller.state.mode == machine.ARMING
    controller.tell(news.CommandsLink(False), Moment(1.1, 1, 1))
    for tenth in range(12, 60):
        controller.tell(news.Tick(), Moment(tenth / 10, 1, 1))
        assert not controller.wants_on


async def test_an_error_nobody_foresaw(stage: Stage) -> None:
    """Whatever goes wrong inside, the relay is told off on the way out, and the error is logged and raised (7)."""
    wire = stage.wire
    with pytest.raises(ExceptionGroup) as raised:
        async with stage.running() as daemon, Feed(wire, SUN_W) as feed:
            await stage.charge(feed)
            count = len(wire.on(COMMAND))

            def fail(*_: object) -> None:
                raise ZeroDivisionError("made up")

            daemon.service.controller.tell = fail  # type: ignore[method-assign,assignment]
            await until(daemon.task.done, "the end")
            assert await commands_after(wire, count) == ["off"]
            await until(lambda: wire.last(AVAILABILITY) == "disconnected", "the goodbye")
    assert raised.group_contains(ZeroDivisionError)
    (line,) = daemon.events("crashed")
    assert "made up" in line["exception"]


# --- silence ---------------------------------------------------------------------------------------------------------


async def test_the_meter_falls_silent(stage: Stage) -> None:
    """After the last good reading the relay goes off within the freshness limit plus one second (6)."""
    wire = stage.wire
    async with stage.running(meter=[{"topic": GRID, "fresh_s": 2.0}]) as daemon, Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        await feed.silence()
        # Words that mean nothing do not count as a sign of life.
        for word in ("unavailable", "", "null"):
            wire.publish(GRID, word)
        await until(lambda: wire.last(COMMAND) == "off", "off")
        assert wire.on(COMMAND)[-1].at_s - feed.last_s < 2.0 + 1.0
        await until(lambda: wire.state == "locked-out", "the status")
        assert daemon.events("state_changed", new="locked-out", cause="meter-silent")
        assert wire.status["why"].startswith(f"There is no fresh reading from the meter ({GRID}). The last one is ")
        assert wire.status["grid"]["fresh"] is False


async def test_one_of_two_sources_falls_silent(stage: Stage) -> None:
    """A sum is as fresh as its oldest part (6)."""
    wire = stage.wire
    sources = [
        {"topic": "house/import", "measures": "import-only", "fresh_s": 2.0},
        {"topic": "house/export", "measures": "export-only", "fresh_s": 2.0},
    ]
    async with (
        stage.running(meter=sources),
        Feed(wire, 0, "house/import") as silent,
        Feed(wire, -SUN_W, "house/export"),
    ):
        wire.publish(ENABLE_SET, "on")
        await until(lambda: wire.state == "charging", "a charge")
        assert wire.status["grid"]["power_w"] == SUN_W
        await silent.silence()
        await until(lambda: wire.last(COMMAND) == "off", "off")
        assert wire.on(COMMAND)[-1].at_s - silent.last_s < 2.0 + 1.0
        await until(lambda: wire.state == "locked-out", "the status")
        assert [source["fresh"] for source in wire.status["grid"]["sources"]] == [False, True]


async def test_a_retained_reading_is_no_reading(stage: Stage) -> None:
    """What the broker kept says what was: it starts nothing until a live reading follows (1)."""
    wire = stage.wire
    wire.publish(GRID, SUN_W, retain=True)
    async with stage.running() as daemon:
        wire.publish(ENABLE_SET, "on")
        await until(lambda: "retained" in wire.status.get("refused_messages", {}), "the refusal being counted")
        assert daemon.events("message_refused", topic=GRID, reason="retained", level="info")
        assert wire.status["grid"] == {
            **{"power_w": None, "age_s": None, "fresh": False, "lag_s": None},
            "sources": [{"topic": GRID, "power_w": None, "age_s": None, "fresh": False}],
        }
        assert wire.state == "idle"
        # Live, but published with the retain flag, as many meters do: these count.
        async with Feed(wire, SUN_W, retain=True):
            await until(lambda: wire.state == "charging", "a charge")


# --- signals ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_stopped_while_charging(stage: Stage, number: signal.Signals) -> None:
    """A stop ends with the relay known to be off, goodbyes said, and exit status 0 (1, 7)."""
    wire = stage.wire
    daemon = stage.start()
    async with Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        count = len(wire.on(COMMAND))
        daemon.signal(number)
        assert await daemon.ended() == 0
        (stopping,) = daemon.events("stopping")
        assert stopping["reason"] == number.name
        (stopped,) = daemon.events("stopped")
        assert stopped["relay_confirmed_off"] is True
        await until(lambda: wire.last(AVAILABILITY) == "disconnected", "the goodbye")
        assert wire.on(AVAILABILITY)[-1].retain
        assert set(wire.texts(COMMAND)[count:]) == {"off"}
        assert wire.status["why"] == "The daemon is shutting down, and the relay is off."
        off = {"commanded": "off", "reported": None, "reported_age_s": None, "confirmed": True}
        assert wire.status["relay"] == off


async def test_stopped_while_the_broker_is_away(stage: Stage, mosquitto: Mosquitto) -> None:
    """A stop that cannot confirm the off says so, and still ends."""
    daemon = stage.start()
    await stage.ready()
    mosquitto.kill()
    await until(lambda: daemon.events("connect_failed"), "an attempt to connect")
    daemon.signal(signal.SIGTERM)
    assert await daemon.ended() == 0
    (stopped,) = daemon.events("stopped")
    assert stopped["relay_confirmed_off"] is False
    assert not daemon.events("crashed")


async def test_stopped_with_a_plug_that_does_not_answer(stage: Stage) -> None:
    """What is said last does not go on promising that it is being told again."""
    daemon = stage.start(relay={"feedback": {"topic": REPORT}})
    await until(lambda: stage.wire.last(AVAILABILITY) == "ready", "availability")
    daemon.signal(signal.SIGTERM)
    assert await daemon.ended() == 0
    (stopped,) = daemon.events("stopped")
    assert stopped["relay_confirmed_off"] is False
    gave_up = "The daemon has ended, and the relay never confirmed that it is off."
    await until(lambda: stage.wire.status["why"] == gave_up, "the last status")
    last = stage.wire.status
    assert last["waiting_for"] == "somebody to go and look"


async def test_a_stop_is_never_overheard(stage: Stage) -> None:
    """However closely the end follows on other news, it is an end: nothing inside swallows its cancellation."""
    for steps in range(12):
        async with stage.running() as daemon:
            daemon.service.relay._news.set()
            for _ in range(steps):
                await asyncio.sleep(0)
            daemon.service.stop("closely")
            done, _ = await asyncio.wait([daemon.task], timeout=PATIENCE_S)
            assert done, f"a stop {steps} steps after other news"


async def test_what_a_library_s_callback_raises_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is logged as an event with fields, in place of the event loop's own traceback, and the daemon goes on."""

    def callback() -> None:
        raise KeyError("mid")

    async def body(_: Service) -> None:
        asyncio.get_running_loop().call_soon(callback)
        await asyncio.sleep(0.01)

    monkeypatch.setattr(Service, "run", body)
    loop = asyncio.get_running_loop()
    handler = loop.get_exception_handler()
    try:
        with structlog.testing.capture_logs() as lines:
            await service_module.run(parse(toml(tables(1, tmp_path)), "shed.toml"), "shed.toml")
    finally:
        loop.set_exception_handler(handler)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            loop.remove_signal_handler(number)
    (line,) = [line for line in lines if line["event"] == "library_failed"]
    assert (line["log_level"], line["reason"]) == ("error", "KeyError('mid')")
    assert "callback" in line["what"]


async def test_reloading(stage: Stage) -> None:
    """SIGHUP: a good change is used at once, a bad file and what needs a restart are refused with the reason."""
    wire = stage.wire
    daemon = stage.start()
    await stage.ready()

    # Good: thresholds, and they decide.
    stage.write(control={"start_export_w": 2500.0, "stop_import_w": 500.0, "start_delay_s": 0.0, "stop_delay_s": 0.3})
    daemon.signal(signal.SIGHUP)
    (reloaded,) = await until(lambda: daemon.events("config_reloaded"), "the reload")
    assert "control.start_export_w" in reloaded["changed"]
    new = {
        "start_export_w": 2500.0,
        "stop_import_w": 500.0,
        "follow_prices": False,
        "look_ahead": False,
        "steer": False,
    }
    await until(lambda: wire.status["thresholds"] == new, "the new thresholds in the status")
    wire.publish(ENABLE_SET, "on")
    await wire.measure(-2400)
    assert wire.state == "idle"

    # Allowed, but worth a warning: as at the start. This configuration has some.
    warned = [line["warning"] for line in daemon.events("config_warning")]
    assert warned[: len(warned) // 2] == warned[len(warned) // 2 :]
    assert warned

    # Broken: nothing changes.
    good = stage.config_file.read_text(encoding="utf-8")
    for text, complaint in [
        (good.replace("stop_import_w", "stop_inport_w"), "stop_import_w"),
        ("[control", "TOML"),
        (good.replace("current_a = 6.0", "current_a = 11.0"), "socket"),
        # Fine, but these are built into the connections and the relay.
        (good.replace(f'"{COMMAND}"', '"shed/plug/other"'), "only a restart can change relay.topic"),
        (good.replace(f'"{GRID}"', '"house/other"'), "only a restart can change meter"),
        (good.replace('"shed"', '"barn"'), "only a restart can change charger.name"),
    ]:
        assert text != good
        stage.config_file.write_text(text, encoding="utf-8")
        count = len(daemon.events("reload_refused"))
        daemon.signal(signal.SIGHUP)
        await until(lambda: len(daemon.events("reload_refused")) > count, f"the refusal: {complaint}")  # noqa: B023
        assert complaint in daemon.events("reload_refused")[-1]["reason"]
    # What cannot be read to its end is not waited for: a stop must still be heard, and a relay be watched.
    stage.config_file.unlink()
    os.mkfifo(stage.config_file)
    count = len(daemon.events("reload_refused"))
    daemon.signal(signal.SIGHUP)
    await until(lambda: len(daemon.events("reload_refused")) > count, "the refusal of a pipe")
    assert "not a regular file" in daemon.events("reload_refused")[-1]["reason"]
    stage.config_file.unlink()
    count = len(daemon.events("reload_refused"))
    daemon.signal(signal.SIGHUP)
    await until(lambda: len(daemon.events("reload_refused")) > count, "the refusal of a missing file")
    assert len(daemon.events("config_reloaded")) == 1

    # And the daemon works on, with the settings it had.
    await wire.measure(-2600)
    await until(lambda: wire.state == "charging", "a charge at the new threshold")
    assert wire.status["thresholds"] == new


# --- strangers -------------------------------------------------------------------------------------------------------

HOSTILE = {
    "a megabyte": (b"7" * 1_000_000, "too-large"),
    "a megabyte of JSON": (b'{"w": ' + b" " * 1_000_000 + b"1}", "too-large"),
    "brackets without end": (b"[" * 100_000, "too-large"),
    "as many brackets as are read": (b"[" * PAYLOAD_LIMIT_BYTES, "not-json"),
    "closed ones": (b"[" * 30_000 + b"]" * 30_000, "not-json"),
    "invalid UTF-8": (b"\xff\xfe\x80", "not-utf8"),
    "not a number": (b'{"w": NaN}', "not-finite"),
    "infinity": (b'{"w": -Infinity}', "not-finite"),
    "a number too long": (b'{"w": 1' + b"0" * 60_000 + b"}", "not-json"),
    "a number too large": (b'{"w": 1e999}', "not-finite"),
    "an escape sequence": (b'\x1b[2J\x1b]0;owned\x07{"w": 1}\r\n\x00', "not-json"),
    "one in a string": (b'{"w": "\x1b[31m"}', "not-json"),
    "one in an escape": (b'{"w": "\\u001b[31m"}', "not-a-number"),
    "a number as a word": (b'{"w": "1e3 W"}', "not-a-number"),
    "a list": (b'{"w": [1]}', "not-a-number"),
    "nothing": (b"", "not-json"),
    "elsewhere": (b'{"v": 1}', "pointer-misses"),
    "no object": (b"7", "pointer-misses"),
    "nonsense": (b'{"w": 1e9}', "implausible"),
}


@pytest.mark.parametrize("form", ["json", "console"])
async def test_hostile_payloads(stage: Stage, form: str) -> None:
    """Whatever comes on any subscribed topic is refused, counted, and logged in bounded and harmless lines."""
    wire = stage.wire
    changes: dict[str, Any] = dict(
        # Under MQTT 5 the broker keeps what is too large to itself: see below.
        mqtt={"protocol": "3.1.1"},
        meter=[{"topic": GRID, "pointer": "/w"}, {"topic": "house/plain", "fresh_s": 5.0}],
        relay={"power": {"topic": POWER, "pointer": "/w"}, "feedback": {"topic": REPORT, "pointer": "/w"}},
        log={"format": form},
    )
    Plug(wire, '{"w": "{}"}')
    async with stage.running(**changes) as daemon:
        for payload, _ in HOSTILE.values():
            for topic in (GRID, "house/plain", POWER, REPORT, ENABLE_SET):
                wire.publish(topic, payload)
        rejected = daemon.service.controller.refusals.counts
        plain_ok = 1  # "7" is a reading for the plain source
        expected = 4 * len(HOSTILE) - plain_ok

        def counted() -> int:
            return sum(count for (topic, _), count in rejected.items() if topic != ENABLE_SET)

        await until(lambda: counted() == expected, "all of them being counted", 60.0)
        for (topic, reason), count in rejected.items():
            if topic in (GRID, POWER):
                assert count == sum(reason == expect for _, expect in HOSTILE.values()), (topic, reason)
        await until(
            lambda: sum(wire.status["refused_messages"].values()) == rejected.total(), "the count in the status"
        )

        # Alive, and all ears.
        wire.publish(ENABLE_SET, "on")
        async with Feed(wire, 0, "house/plain"):
            wire.publish(GRID, json.dumps({"w": SUN_W}))
            await until(lambda: wire.state == "charging", "a charge")
        assert not daemon.task.done()

    assert ENABLE_SET in daemon.text
    assert "message_refused" in daemon.text
    for line in daemon.text.splitlines():
        assert len(line) < 1000
        assert line.isprintable(), ascii(line)


async def test_what_is_too_large_does_not_reach_us_under_mqtt_5(stage: Stage) -> None:
    """The broker is told the largest packet we take (MQTT 5.0, section 3.1.2.11.4), and the connection survives."""
    wire = stage.wire
    async with stage.running() as daemon:
        await until(lambda: wire.last(AVAILABILITY) == "ready", "readiness")
        wire.publish(GRID, b"7" * 1_000_000)
        wire.publish(GRID, b"7" * (PAYLOAD_LIMIT_BYTES + 1))
        wire.publish(GRID, 123)
        await until(lambda: daemon.service.controller.grid.value == 123.0, "the reading")
        assert daemon.service.controller.refusals.counts == {(GRID, "too-large"): 1}
        assert len(daemon.events("connected")) == 3


async def test_a_flood_of_refused_enable_messages(stage: Stage) -> None:
    """They are counted, and logged at a bounded rate, as those from the meter are."""
    wire = stage.wire
    async with stage.running() as daemon:
        for number in range(100):
            wire.publish(ENABLE_SET, f"nonsense {number}", qos=0)
        wire.publish(ENABLE_SET, "on")
        await until(lambda: wire.last(ENABLE) == "true", "the echo")
        assert 1 <= len(daemon.events("message_refused", topic=ENABLE_SET)) < 10
        await until(lambda: sum(wire.status["refused_messages"].values()) == 100, "the count in the status")


async def test_a_pointer_past_the_end_of_an_array(stage: Stage) -> None:
    """A name that an array understands otherwise than an object does is a miss like any other."""
    wire = stage.wire
    Plug(wire, '{"-": "{}"}')
    async with stage.running(relay={"feedback": {"topic": REPORT, "pointer": "/-"}}) as daemon:
        wire.publish(REPORT, "[1, 2]")
        await until(lambda: daemon.service.controller.refusals.counts.total() == 1 or daemon.task.done(), "the refusal")
        assert not daemon.task.done()


def lagging(folder: Path) -> tuple[Service, dict[str, float]]:
    """Return a service, and under ``lag_s`` how long what comes to it has been under way."""
    now = {"lag_s": 0.0}

    class Late(Unplugged):
        up = True
        lag_s = property(lambda _: now["lag_s"])  # type: ignore[assignment]

    return Service(parse(toml(tables(1, folder)), "shed.toml"), SystemClock(UTC), Ports(link=Late)), now


def test_readings_that_were_long_under_way_are_not_taken_for_new(tmp_path: Path) -> None:
    """After a flood, or from a broker that hung: else they would keep the charger on for as much longer (6)."""
    service, now = lagging(tmp_path)
    seen_w = []
    for now["lag_s"], value in ((0.9, b"100"), (1.0, b"200"), (7.0, b"300"), (0.1, b"400")):
        service.readings_link.on_message(GRID, value, False)
        seen_w.append(service.controller.grid.value)
    assert seen_w == [100.0, 100.0, 100.0, 400.0]
    assert service.controller.refusals.counts == {(GRID, "late"): 2}


def test_a_command_that_was_long_under_way_is_not_heeded_but_an_off(tmp_path: Path) -> None:
    """A computer that stood still hears it when it goes on, long after whoever said it has given it up."""
    service, now = lagging(tmp_path)
    enabled = []
    for now["lag_s"], word in ((9.9, b"on"), (11.0, b"off"), (11.0, b"on"), (0.3, b"on")):
        service.main_link.on_message(ENABLE_SET, word, False)
        enabled.append(service.controller.enabled)
    assert enabled == [True, False, False, True]
    assert service.controller.refusals.counts == {(ENABLE_SET, "late"): 1}
