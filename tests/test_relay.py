"""Commanding the relay: repeated until it is known, overtaken by a newer wish, off above all."""

from __future__ import annotations

import asyncio
import itertools
import json
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import paho.mqtt.client as paho
import pytest
import structlog
from aiomqtt import MqttError
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from surpluscharge.clock import ScaledClock
from surpluscharge.config import Config, parse
from surpluscharge.daemon import logs
from surpluscharge.daemon.mqtt import Link, Post
from surpluscharge.daemon.relay import Relay, off_post, on_post
from tests.conftest import Mosquitto, free_port
from tests.wire import (
    AVAILABILITY,
    COMMAND,
    ENABLE_SET,
    GRID,
    REPORT,
    SUN_W,
    Feed,
    Plug,
    Stage,
    running,
    tables,
    toml,
    until,
    usurp,
)

FEEDBACK = {"topic": REPORT}
START = datetime(2031, 5, 1, 12, tzinfo=UTC)


def relay(**changes: Any) -> dict[str, Any]:
    return {"feedback": FEEDBACK, "confirm_within_s": 0.5, **changes}


# --- with a plug that reports ----------------------------------------------------------------------------------------


def relay_shown(stage: Stage) -> dict[str, Any]:
    """Return what the status says of the relay, but for the age of the plug's report, which must be there."""
    shown = dict(stage.wire.status["relay"])
    assert shown.pop("reported_age_s") >= 0.0
    return shown


@pytest.mark.broker
async def test_what_is_not_confirmed_is_repeated(stage: Stage) -> None:
    """On is sent again until the plug reports that it followed; then no more."""
    plug = Plug(stage.wire)
    plug.obeys = {"off"}
    async with stage.running(relay=relay()) as daemon, Feed(stage.wire, SUN_W):
        stage.wire.publish(ENABLE_SET, "on")
        await until(lambda: stage.wire.texts(COMMAND).count("on") >= 3, "repetition")
        assert not daemon.events("relay_confirmed", on=True)
        assert relay_shown(stage) == {"commanded": "on", "reported": "off", "confirmed": False}
        plug.obeys = {"on", "off"}
        await until(lambda: daemon.events("relay_confirmed", on=True), "confirmation")
        commanded = daemon.events("relay_commanded", on=True)
        assert [line["attempt"] for line in commanded] == list(range(1, len(commanded) + 1))
        assert len(daemon.events("relay_unconfirmed", on=True)) == len(commanded) - 1
        await until(lambda: stage.wire.status["relay"]["confirmed"], "the status")
        assert relay_shown(stage) == {"commanded": "on", "reported": "on", "confirmed": True}


@pytest.mark.broker
async def test_somebody_switches_it_on(stage: Stage) -> None:
    """What is not wanted on does not stay on: off is sent at once, not at the next re-assertion (invariant 1)."""
    wire, plug = stage.wire, Plug(stage.wire)
    async with stage.running(relay=relay()) as daemon:
        for times in (1, 2):
            plug.press()
            await until(lambda: len(daemon.events("relay_reported", on=True)) == times, "the report")  # noqa: B023
            await until(lambda: not plug.on, "off")
            await until(lambda: wire.status["relay"]["reported"] == "off", "the status")
        assert wire.texts(COMMAND) == ["off", "off", "off"]
        assert daemon.path == []


@pytest.mark.broker
async def test_a_plug_that_never_follows_on(stage: Stage) -> None:
    """After 30 s a trip, with off commanded; it is tried again once the cool-down is over."""
    wire, plug = stage.wire, Plug(stage.wire)
    plug.obeys = {"off"}
    speed = 200
    changes = {"relay": relay(confirm_within_s=5.0), "meter": [{"topic": GRID, "fresh_s": 600.0}]}
    async with stage.running(ScaledClock(START, speed), **changes) as daemon, Feed(wire, SUN_W):
        wire.publish(ENABLE_SET, "on")
        (raised,) = await until(lambda: daemon.events("fault_raised", code="relay-not-on"), "the fault")
        (begun,) = daemon.events("state_changed", new="charging")
        assert _between_s(begun, raised) > 29.0 / speed
        assert daemon.events("state_changed", new="locked-out", cause="tripped")
        # On a busy machine the cool-down may be over before we look, so look at what was, not at what is.
        locked = await until(lambda: [seen for seen in wire.statuses if seen["state"] == "locked-out"], "the status")
        (fault,) = locked[0]["faults"]
        assert (fault["code"], fault["severity"]) == ("relay-not-on", "trip")
        assert (locked[0]["why"], locked[0]["relay"]["commanded"]) == (fault["sentence"], "off")
        await until(lambda: _changes(wire.texts(COMMAND))[:3] == ["off", "on", "off"], "off")
        plug.obeys = {"on", "off"}
        (cleared,) = await until(lambda: daemon.events("fault_cleared", code="relay-not-on"), "the end of the fault")
        assert _between_s(raised, cleared) > 590.0 / speed
        await until(lambda: plug.on, "another attempt")


def _changes(texts: list[str]) -> list[str]:
    """Return the commands without their repetitions."""
    return [text for text, _ in itertools.groupby(texts)]


def _between_s(earlier: dict[str, Any], later: dict[str, Any]) -> float:
    """Return the real seconds between two log lines."""
    first, second = (datetime.fromisoformat(line["timestamp"]) for line in (earlier, later))
    return (second - first).total_seconds()


@pytest.mark.broker
async def test_a_plug_that_never_follows_off(stage: Stage) -> None:
    """Off is repeated without end, the owner is told, and nothing starts, until the plug follows (invariants 1, 3)."""
    wire, plug = stage.wire, Plug(stage.wire)
    changes = {
        "relay": relay(confirm_within_s=5.0),
        "meter": [{"topic": GRID, "fresh_s": 600.0}],
        "control": {"start_delay_s": 1.0, "stop_delay_s": 1.0, "min_on_s": 0.0, "min_off_s": 100.0},
    }
    speed = 100
    async with stage.running(ScaledClock(START, speed), **changes) as daemon, Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        plug.obeys = {"on"}
        wire.publish(ENABLE_SET, "off")
        await until(lambda: daemon.events("fault_raised", code="relay-not-off"), "the fault")
        wire.publish(ENABLE_SET, "on")
        count = len(wire.on(COMMAND))
        await until(lambda: len(wire.on(COMMAND)) >= count + 3, "repetition")
        assert set(wire.texts(COMMAND)[count:]) == {"off"}
        await until(lambda: daemon.events("fault_raised", code="relay-stuck-on"), "the graver fault")
        await until(lambda: wire.state == "locked-out", "the status")
        assert "acknowledge relay-stuck-on" in wire.status["waiting_for"]
        plug.obeys = {"on", "off"}
        await until(lambda: daemon.events("fault_cleared", code="relay-not-off"), "the end of the fault")
        (cleared,) = daemon.events("fault_cleared", code="relay-not-off")
        wire.publish("surpluscharge/shed/acknowledge/set", "relay-stuck-on")
        await until(lambda: plug.on, "the next charge")
        began = daemon.events("state_changed", new="charging")[-1]
        assert _between_s(cleared, began) > 95.0 / speed  # the pause begins when the relay is known to be off


@pytest.mark.broker
@pytest.mark.parametrize("state", ["idle", "charging"])
async def test_only_the_relays_connection_is_lost(stage: Stage, state: str) -> None:
    """The will switches off; the daemon reconnects, says off first, and goes on (invariant 7)."""
    wire, plug = stage.wire, Plug(stage.wire)
    async with stage.running(relay=relay()) as daemon, Feed(wire, 0) as feed:
        if state == "charging":
            await stage.charge(feed)
        count = len(wire.on(COMMAND))
        usurp(stage.port, "surpluscharge-shed-relay")
        await until(lambda: daemon.events("connection_lost", link="relay"), "the loss being noticed")
        await until(lambda: len(daemon.events("connected", link="relay")) == 2, "another connection")
        await until(lambda: len(wire.on(COMMAND)) >= count + 2, "will and first words")
        assert wire.texts(COMMAND)[count : count + 2] == ["off", "off"]
        assert not daemon.events("connection_lost", link="main")
        await stage.charge(feed)
        assert plug.on


@pytest.mark.broker
async def test_a_plug_that_reports_changes_only(stage: Stage) -> None:
    """What the plug has reported, retained, stays known when only the relay's connection is made anew."""
    wire = stage.wire
    Plug(wire, only_changes=True)
    async with stage.running(relay=relay()) as daemon, Feed(wire, 0):
        usurp(stage.port, "surpluscharge-shed-relay")
        await until(lambda: len(daemon.events("connected", link="relay")) == 2, "another connection")
        # Three attempts take two seconds and more; one answer of the broker would do.
        attempts = len(daemon.events("relay_commanded")) + 3
        await until(
            lambda: (
                daemon.service.controller.plug.confirmed(False) or len(daemon.events("relay_commanded")) >= attempts
            ),
            "an outcome",
        )
        assert daemon.service.controller.plug.confirmed(False)


# --- what goes over the wire -----------------------------------------------------------------------------------------


@pytest.mark.broker
@pytest.mark.parametrize("qos", [0, 1, 2])
async def test_quality_of_service(stage: Stage, qos: int) -> None:
    """On goes at the configured QoS, off at 1 at least, and neither is ever retained (invariant 8)."""
    wire = stage.wire
    async with stage.running(relay={"qos": qos}), Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        wire.publish(ENABLE_SET, "off")
        await until(lambda: len(wire.on(COMMAND)) == 3, "off")
        commands = [(message.text, message.qos, message.retain) for message in wire.on(COMMAND)]
        off = ("off", max(1, qos), False)
        assert commands == [off, ("on", qos, False), off]


@pytest.mark.broker
async def test_an_on_that_comes_late_does_not_come(stage: Stage) -> None:
    """A plug that was away while the broker kept its messages finds no "on" that is older than its expiry (8)."""
    wire, heard = stage.wire, queue.SimpleQueue[str]()
    plug = paho.Client(CallbackAPIVersion.VERSION2, client_id="plug", protocol=MQTTProtocolVersion.MQTTv5)
    plug.on_message = lambda _client, _userdata, message: heard.put(message.payload.decode())
    kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    kept.SessionExpiryInterval = 600
    plug.connect("127.0.0.1", stage.port, clean_start=False, properties=kept)
    subscribed = threading.Event()
    plug.on_subscribe = lambda *_: subscribed.set()
    plug.on_connect = lambda *_: plug.subscribe([(COMMAND, 1), ("test/end", 1)]) and None
    plug.loop_start()
    assert await asyncio.to_thread(subscribed.wait, 20.0)
    plug.disconnect()
    plug.loop_stop()

    async with stage.running(), Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        (on,) = [message for message in wire.on(COMMAND) if message.text == "on"]
        await asyncio.sleep(max(0.0, on.at_s + 3.5 - time.monotonic()))  # it expires 2 s after it was sent
        wire.publish("test/end", "end")
        plug.on_connect = None
        plug.connect("127.0.0.1", stage.port, clean_start=False, properties=kept)
        plug.loop_start()
        found = [await asyncio.to_thread(heard.get, timeout=20.0)]
        while found[-1] != "end":
            found.append(await asyncio.to_thread(heard.get, timeout=20.0))
        plug.disconnect()
        plug.loop_stop()
        assert found == ["off", "end"]


@pytest.mark.broker
async def test_json_with_a_hold_time(stage: Stage) -> None:
    """The hold time stands in the payload, and on is said again well before it runs out; so is off (invariant 7)."""
    wire = stage.wire
    changes = {
        "relay": {
            "on_payload": '{"contact": "closed", "for_s": {hold_s}}',
            "off_payload": '{"contact": "open"}',
            "hold_s": 40,
            "reassert_s": 20.0,
            "confirm_within_s": 50.0,  # one second on this clock
        },
        "meter": [{"topic": GRID, "fresh_s": 600.0}],
    }
    on, off = {"contact": "closed", "for_s": 40}, {"contact": "open"}

    def commands() -> list[dict[str, Any]]:
        return [json.loads(text) for text in wire.texts(COMMAND)]

    async with running(stage.config(**changes), ScaledClock(START, 50)) as daemon, Feed(wire, SUN_W):
        await until(lambda: len(commands()) >= 2, "off, and off again")
        assert commands() == [off] * len(commands())
        await until(lambda: wire.last(AVAILABILITY) == "ready", "readiness")
        wire.publish(ENABLE_SET, "on")
        await until(lambda: commands().count(on) >= 4, "on, again and again")
        # One info line for the change; that it is said again is nobody's business.
        assert len(daemon.events("relay_commanded", on=True)) == 1
        assert daemon.events("relay_commanded", on=True, again=True) == []
        wire.publish(ENABLE_SET, "off")
        await until(lambda: commands()[-1] == off, "off")


# --- the commander by itself -----------------------------------------------------------------------------------------


class Wire:
    """Stands in for the connection: keeps what is published, and answers when the test says so."""

    def __init__(self) -> None:
        self.up = True
        self.posts: list[str] = []
        self.answers = asyncio.Event()
        self.answers.set()

    async def publish(self, post: Post) -> None:
        self.posts.append(post.payload)
        await self.answers.wait()
        if not self.up:
            raise MqttError("not connected")


class Mind:
    """Stands in for the service: knows what was acknowledged, and may change its mind when it is asked."""

    def __init__(self) -> None:
        self.acknowledged: list[bool] = []
        self.deaf = False
        self.on_sending: Callable[[bool], None] = lambda _: None

    def relay_sending(self, on: bool) -> None:
        self.on_sending(on)

    def relay_acknowledged(self, on: bool) -> None:
        if not self.deaf:
            self.acknowledged.append(on)

    def relay_confirmed(self, on: bool) -> bool:
        return self.acknowledged[-1:] == [on]

    def relay_may_go_on(self) -> bool:
        return True


@pytest.fixture
def config(tmp_path: Path) -> Config:
    return parse(toml(tables(1, tmp_path)), "shed.toml")


class Commander:
    """The relay's commander at work, with stand-ins at both ends."""

    def __init__(self, config: Config, speed: float = 100.0) -> None:
        self.wire, self.mind = Wire(), Mind()
        self.lines: list[dict[str, Any]] = []
        log: structlog.stdlib.BoundLogger = structlog.wrap_logger(
            structlog.PrintLogger(),
            processors=[logs.rationed, self._take],
            wrapper_class=structlog.stdlib.BoundLogger,
        )
        clock = ScaledClock(START, speed)
        log = log.bind(ration=logs.Ration(clock.now))
        self.relay = Relay(config, cast(Link, self.wire), self.mind, clock, log)

    def _take(self, _logger: Any, method: str, line: Any) -> Any:
        self.lines.append({"level": method} | line)
        raise structlog.DropEvent

    async def __aenter__(self) -> Commander:
        self.task = asyncio.create_task(self.relay.run())
        await until(lambda: self.mind.acknowledged, "the first off")  # and perhaps its repetition, at a high speed
        return self

    async def __aexit__(self, *_: object) -> None:
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)


async def test_off_overtakes_an_on_without_answer(config: Config) -> None:
    """An "on" that the broker has not answered holds up no "off", and its late answer says nothing any more."""
    async with Commander(config) as commander:
        wire, mind = commander.wire, commander.mind
        answered = list(mind.acknowledged)
        wire.answers.clear()
        commander.relay.news(True)
        await until(lambda: wire.posts == ["off", "on"], "on")
        commander.relay.news(False)
        await until(lambda: wire.posts[:3] == ["off", "on", "off"], "off")
        assert mind.acknowledged == answered
        wire.answers.set()
        await until(lambda: len(mind.acknowledged) >= 2, "the answers")
        assert mind.acknowledged == [False] * len(mind.acknowledged)


async def test_an_on_that_is_forbidden_before_its_turn_is_not_said(config: Config) -> None:
    """Between the decision and the sending, other news may have its turn: an "on" is not sent after it (1)."""
    async with Commander(config) as commander:
        wire, relay = commander.wire, commander.relay
        send = relay._send

        def sends_and_hears(on: bool) -> None:
            send(on)
            if on:
                relay.news(False)  # before the task that sends has begun

        relay._send = sends_and_hears  # type: ignore[method-assign]
        relay.news(True)
        await until(lambda: wire.posts[1:] == ["off"], "off, again")
        assert "on" not in wire.posts


async def test_ons_do_not_queue_up(config: Config) -> None:
    """While the broker has not answered one, there is no other, but a wish that changed meanwhile is said anew (8)."""
    async with Commander(config) as commander:
        wire, lines = commander.wire, commander.lines
        wire.answers.clear()
        commander.relay.news(True)
        await until(lambda: [line["event"] for line in lines].count("relay_unconfirmed") >= 4, "some attempts")
        assert wire.posts == ["off", "on"]
        commander.relay.news(False)
        await until(lambda: "off" in wire.posts[2:], "off")
        commander.relay.news(True)
        await until(lambda: wire.posts[-1] == "on", "on again")
        assert wire.posts[2:].count("on") == 1


async def test_the_broker_s_answer_is_noticed_as_it_comes(config: Config) -> None:
    """Without feedback it is the confirmation. Here no wait ever runs out, so only the news itself can be noticed."""
    async with Commander(config, speed=1e-6) as commander:
        for on in (True, False, True):
            count = len(commander.lines)
            commander.relay.news(on)
            await until(
                lambda: ("relay_confirmed", on) in [(line["event"], line["on"]) for line in commander.lines[count:]],  # noqa: B023
                "confirmation",
            )


async def test_an_off_under_way_when_the_connection_was_lost_is_said_at_once_at_the_next(config: Config) -> None:
    """A killed broker says no will. Here no wait ever runs out: what was under way must not be waited for (1, 3)."""
    async with Commander(config, speed=1e-6) as commander:
        wire, relay = commander.wire, commander.relay
        relay.news(True)
        await until(lambda: wire.posts == ["off", "on"], "on")
        wire.answers.clear()
        relay.news(False)
        await until(lambda: wire.posts == ["off", "on", "off"], "off")
        wire.up = False
        wire.answers.set()
        relay.news(False)
        await until(lambda: not relay._under_way, "the end of it")
        await asyncio.sleep(0.05)
        assert wire.posts == ["off", "on", "off"]
        wire.up = True
        relay.news(False)
        await until(lambda: wire.posts == ["off", "on", "off", "off"], "off, at the new connection")


@pytest.mark.parametrize("feedback", [False, True])
async def test_a_repetition_is_told_where_it_was_needed(tmp_path: Path, feedback: bool) -> None:
    """Saying the same again, once, is no news; that it took more than that is, and who confirmed it."""
    changes: dict[str, Any] = {"relay": {"reassert_s": 5.0, **({"feedback": FEEDBACK} if feedback else {})}}
    async with Commander(parse(toml(tables(1, tmp_path, **changes)), "shed.toml")) as commander:
        mind, lines = commander.mind, commander.lines

        def told(begin: int) -> list[tuple[str, str]]:
            return [(line["event"], line["level"]) for line in lines[begin:]]

        commander.relay.news(True)
        await until(lambda: ("relay_commanded", "debug") in told(0), "the first repetition")
        confirmed = [line for line in lines if line["event"] == "relay_confirmed"]
        assert [(line["on"], line["by"]) for line in confirmed] == [
            (False, "plug" if feedback else "broker"),
            (True, "plug" if feedback else "broker"),
        ]
        mind.deaf = True
        mind.acknowledged.clear()
        await until(lambda: ("relay_unconfirmed", "warning") in told(0), "a repetition that came to nothing")
        begin = next(number for number, line in enumerate(lines) if line["event"] == "relay_unconfirmed")
        mind.deaf = False
        await until(lambda: ("relay_confirmed", "info") in told(begin), "the confirmation")
        assert ("relay_commanded", "info") in told(begin)


class Leaping(ScaledClock):
    """A clock for whom every wait is over at once, and was as long as it should be."""

    leapt_s = 0.0

    def now(self) -> float:
        return self.leapt_s

    def real_s(self, seconds: float) -> float:
        self.leapt_s += max(0.0, seconds)
        return 0.0


async def test_off_is_repeated_at_least_every_half_minute(config: Config) -> None:
    """However often it came to nothing: 30 s after each time that it was not confirmed in."""
    commander = Commander(config)
    clock = commander.relay._clock = Leaping(START, 1.0)
    commander.mind.deaf = True
    said_s: list[float] = []
    commander.mind.on_sending = lambda _: said_s.append(clock.now())
    commander.task = asyncio.create_task(commander.relay.run())
    await until(lambda: len(said_s) >= 200, "many attempts")
    await commander.__aexit__()
    gaps_s = [later_s - earlier_s for earlier_s, later_s in itertools.pairwise(said_s)]
    assert set(commander.wire.posts) == {"off"}
    assert gaps_s[0] < config.relay.confirm_within_s + 2.0  # the first come quickly
    assert max(gaps_s) == pytest.approx(config.relay.confirm_within_s + 30.0)


async def test_off_is_not_confirmed_while_an_on_has_no_answer(config: Config) -> None:
    """The broker has the "off", but an "on" is still under way and may come after it: off, again (invariant 8)."""
    async with Commander(config) as commander:
        wire, lines = commander.wire, commander.lines
        on_answered = asyncio.Event()
        publish = wire.publish

        async def slow_to_answer_on(post: Post) -> None:
            await publish(post)
            if post.payload == "on":
                await on_answered.wait()

        wire.publish = slow_to_answer_on  # type: ignore[method-assign]
        commander.relay.news(True)
        await until(lambda: "on" in wire.posts, "on")
        begin, offs = len(lines), wire.posts.count("off")
        commander.relay.news(False)
        await until(lambda: wire.posts.count("off") >= offs + 3, "off, again and again")
        assert not [line for line in lines[begin:] if line["event"] == "relay_confirmed"]
        on_answered.set()
        await until(lambda: [line for line in lines[begin:] if line["event"] == "relay_confirmed"], "the confirmation")
        assert commander.mind.acknowledged[-1] is False and True not in commander.mind.acknowledged


async def test_a_relay_that_never_follows_does_not_fill_the_log(config: Config) -> None:
    """It is told again and again; the lines about it are rationed, and say how many were left out."""
    async with Commander(config, speed=20000) as commander:
        commander.mind.deaf = True
        commander.mind.acknowledged.clear()
        commander.relay.news(True)
        commander.relay.news(False)
        for _ in range(3):
            count = len(commander.wire.posts)
            await until(lambda: len(commander.wire.posts) >= count + 20, "many attempts")  # noqa: B023
        loud = [line for line in commander.lines if line["level"] != "debug" and line["event"] == "relay_commanded"]
        hours = commander.relay._clock.now() / 3600.0 + 1.0
        assert len(loud) <= logs.LIMITS["relay_commanded"].lines * (hours + 1.0)
        quiet = [line for line in commander.lines if line["level"] == "debug" and line["event"] == "relay_commanded"]
        assert len(loud) + len(quiet) >= 60


async def test_no_command_without_a_connection(config: Config) -> None:
    """What cannot be sent is not stored up: a new connection hears the latest wish only (invariant 8)."""
    async with Commander(config) as commander:
        commander.wire.up = False
        for wish in (True, False, True, False):
            commander.relay.news(wish)
            await asyncio.sleep(0.02)
        assert "on" not in commander.wire.posts
        commander.wire.up = True
        commander.mind.acknowledged.clear()
        commander.relay.news(False)
        await until(lambda: commander.mind.acknowledged, "off")
        assert set(commander.wire.posts) == {"off"}


async def test_a_wish_that_ends_at_the_last_moment(config: Config) -> None:
    """If telling the controller that on is about to go out shows that it is not wanted any more, it is not sent (1)."""
    async with Commander(config) as commander:
        commander.mind.on_sending = lambda _: commander.relay.news(False)
        commander.relay.news(True)
        await until(lambda: len(commander.wire.posts) >= 2, "a command")
        assert "on" not in commander.wire.posts


def test_the_two_commands(tmp_path: Path) -> None:
    """On is not retained and expires; off is not retained, needs no expiry, and is never sent at QoS 0 (8)."""
    for qos in (0, 1, 2):
        config = parse(toml(tables(1, tmp_path, relay={"qos": qos})), "shed.toml")
        assert on_post(config) == Post(COMMAND, "on", qos, retain=False, expiry_s=2.0)
        assert off_post(config) == Post(COMMAND, "off", max(1, qos), retain=False, expiry_s=None)


# --- the stop action -------------------------------------------------------------------------------------------------


def off_command(config: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "surpluscharge", "off", "--config", str(config)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.broker
async def test_the_off_command(stage: Stage) -> None:
    """It publishes off, says so, and leaves a daemon that runs on the same broker undisturbed (invariant 7)."""
    wire = stage.wire
    async with stage.running() as daemon:
        count = len(wire.on(COMMAND))
        outcome = await asyncio.to_thread(off_command, stage.write())
        assert (outcome.returncode, outcome.stdout, outcome.stderr) == (0, outcome.stdout, "")
        assert outcome.stdout.startswith(f"off sent to {COMMAND}. ")
        await until(lambda: len(wire.on(COMMAND)) > count, "off")
        (off,) = wire.on(COMMAND)[count:]
        assert (off.text, off.qos, off.retain) == ("off", 1, False)
        assert not daemon.events("connection_lost")


def test_the_off_command_without_a_broker(tmp_path: Path) -> None:
    """One line that says what is wrong, exit status 1, and no traceback."""
    file = tmp_path / "shed.toml"
    file.write_text(toml(tables(free_port(), tmp_path)), encoding="utf-8")
    outcome = off_command(file)
    assert (outcome.returncode, outcome.stdout) == (1, "")
    assert outcome.stderr.startswith("the broker did not take the off command: ")
    assert "nothing answers at" in outcome.stderr
    assert outcome.stderr.count("\n") == 1


@pytest.mark.broker
def test_the_off_command_and_a_broker_that_hangs(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """It gives up by itself, well within the time that a service manager gives a stop action."""
    file = tmp_path / "shed.toml"
    file.write_text(toml(tables(mosquitto.port, tmp_path)), encoding="utf-8")
    mosquitto.signal(signal.SIGSTOP)
    outcome = off_command(file)
    assert (outcome.returncode, outcome.stdout) == (1, "")
    assert outcome.stderr.startswith(
        "the broker did not take the off command: no answer in time (the broker is 127.0.0.1:"
    )


def test_the_off_command_with_a_broken_configuration(tmp_path: Path) -> None:
    """The configuration's own message, exit status 1."""
    file = tmp_path / "shed.toml"
    file.write_text(toml(tables(1, tmp_path, relay={"topic": "shed/#"})), encoding="utf-8")
    outcome = off_command(file)
    assert (outcome.returncode, outcome.stdout) == (1, "")
    assert "relay.topic" in outcome.stderr
    assert "Traceback" not in outcome.stderr
