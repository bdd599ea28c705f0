"""Self-description: does a reader who knows only the Homie 5 convention (here: from memory) find and operate it?"""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from surpluscharge.clock import ScaledClock, SystemClock
from surpluscharge.commissioning import hand
from surpluscharge.control import news
from surpluscharge.control.supervisor import FAULTS
from surpluscharge.daemon import homie
from surpluscharge.daemon.logs import LIMITS
from tests.conftest import BrokerMaker, Mosquitto, config_from
from tests.test_relay import START
from tests.test_status import House
from tests.wire import GRID, PATIENCE_S, SUN_W, Feed, Observer, Stage, until

ROOT = "homie/5/surpluscharge-shed"
ENABLED, ACKNOWLEDGE = f"{ROOT}/charging/enabled", f"{ROOT}/charging/acknowledge"

# The convention's own words, Homie 5.0 (from memory).
ID = re.compile(r"[a-z0-9-]+")
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
UNITS = {"°C", "°F", "°", "L", "gal", "V", "W", "kW", "kWh", "A", "Hz", "rpm", "%", "m", "m³", "ft", "Pa", "psi", "#"}
DEVICE = {"homie", "version", "name", "type", "nodes", "children", "root", "parent", "extensions"}
PROPERTY = {"name", "datatype", "format", "unit", "settable", "retained"}
NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?")


def properties(description: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for node, about in description["nodes"].items():
        for name, given in about["properties"].items():
            yield f"{node}/{name}", given


def conforms(payload: str, given: dict[str, Any]) -> bool:
    """Say whether a payload may be a value of the described property."""
    if given["datatype"] == "boolean":
        return payload in ("true", "false")
    if given["datatype"] == "integer":
        return re.fullmatch(r"-?[0-9]+", payload) is not None
    if given["datatype"] == "float":
        return NUMBER.fullmatch(payload) is not None
    if given["datatype"] == "enum":
        return payload in given["format"].split(",")
    return payload != ""  # an empty text is a NUL character: an empty payload says that there is no value


def test_the_description_follows_the_convention() -> None:
    description = homie.description("shed")
    assert description.keys() <= DEVICE and re.fullmatch(r"5\.\d+", description["homie"])
    assert isinstance(description["version"], int)
    assert description["nodes"]
    for topic, given in properties(description):
        assert all(ID.fullmatch(level) for level in topic.split("/")), topic
        assert given.keys() <= PROPERTY and given["datatype"] in DATATYPES, topic
        assert given.get("unit", "#") in UNITS, topic
        if given["datatype"] == "enum":
            choices = given["format"].split(",")
            assert len(choices) == len(set(choices)) and all(choices), topic
        assert isinstance(given["settable"], bool) and isinstance(given["retained"], bool)
    assert all(ID.fullmatch(fault.code) for fault in FAULTS)


def test_a_changed_description_has_a_higher_version() -> None:
    """Whoever changes the table raises DESCRIPTION_VERSION, and puts the new pair here."""
    described = json.dumps({**homie.description("shed"), "version": 0}, sort_keys=True)
    pair = homie.DESCRIPTION_VERSION, hashlib.sha256(described.encode()).hexdigest()[:12]
    assert pair == (6, "4405abd626a8")


def test_the_names_stay_within_the_convention() -> None:
    """The longest and the oddest charger names that the configuration takes."""
    for name in ("a", "0", "x-1", "a" * 32):
        config = config_from(charger={"name": name, "current_a": 6.0})
        domain, major, device = config.homie_topic.split("/")
        assert (domain, major) == ("homie", "5") and ID.fullmatch(device)


def test_values_of_every_kind_of_moment() -> None:
    """Nothing known yet, a charge, a fault: each payload is of its type, and what is not known is taken away."""
    house = House("control.min_off_s = 0")
    documents = [house.document()]
    house.meter(-1500.0)
    house.enable()
    documents.append(house.document())
    house.tell(news.RelayLink(False))
    documents.append(house.document())
    described = dict(properties(homie.description("shed")))
    for document in documents:
        payloads = homie.values(document)
        for topic, payload in payloads.items():
            if not topic.startswith("$alert/"):
                assert payload == "" or conforms(payload, described[topic]), (topic, payload)
        assert {topic for topic in described if described[topic]["retained"]} <= payloads.keys()
    first, charging, lost = map(homie.values, documents)
    assert first["house/grid-power"] == first["house/surplus"] == "" and first["charging/enabled"] == "false"
    assert (charging["charging/enabled"], charging["charging/relay"], charging["house/grid-power"]) == (
        "true",
        "true",
        "-1500.0",
    )
    raised = {topic for topic, payload in lost.items() if topic.startswith("$alert/") and payload}
    assert raised == {"$alert/broker-lost"} and lost["$alert/broker-lost"].startswith("The relay's connection")
    assert not any(payload for topic, payload in charging.items() if topic.startswith("$alert/"))


# --- at a broker -----------------------------------------------------------------------------------------------------


def found(observer: Observer) -> dict[str, str]:
    """Return what a dashboard that has just come finds retained below the device."""
    return {
        message.topic.removeprefix(f"{ROOT}/"): message.text
        for message in observer.heard
        if message.topic.startswith(f"{ROOT}/") and message.retain and message.payload
    }


@pytest.mark.broker
async def test_a_dashboard_that_knows_only_the_convention(stage: Stage) -> None:
    """It comes later, finds the device, reads all values by their description, and switches charging on and off."""
    async with stage.running(homie={"publish": True}), Feed(stage.wire, SUN_W):
        await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
        told = [message.topic for message in stage.wire.heard if message.topic.startswith(f"{ROOT}/")]
        assert stage.wire.texts(f"{ROOT}/$state") == ["init", "ready"]
        told = told[: told.index(f"{ROOT}/$state", 1) + 1]  # a value may change right after it
        assert told[0] == told[-1] == f"{ROOT}/$state" and told[1] == f"{ROOT}/$description"
        assert f"{ROOT}/charging/state" in told
        await until(lambda: "house/grid-power" in found(stage.wire), "a reading")
        dashboard = stage.observe()
        await until(lambda: "$description" in found(dashboard), "the device")
        described = dict(properties(json.loads(found(dashboard)["$description"])))
        promised = {topic for topic, given in described.items() if given["retained"]}
        await until(lambda: promised | {"$state"} <= found(dashboard).keys(), "all that is promised")
        device = found(dashboard)
        for topic in promised:
            assert conforms(device[topic], described[topic]), (topic, device[topic])
        assert all(topic.startswith("$") or topic in promised for topic in device)
        assert device["charging/enabled"] == "false"
        settable = [topic for topic, given in described.items() if given["settable"]]
        assert [f"{ROOT}/{topic}" for topic in settable] == [ENABLED, ACKNOWLEDGE]

        dashboard.publish(f"{ENABLED}/set", "true")
        await until(lambda: dashboard.last(ENABLED) == "true", "enabled")
        await until(lambda: dashboard.last(f"{ROOT}/charging/state") == "charging", "a charge")
        await until(lambda: dashboard.last(f"{ROOT}/charging/relay") == "true", "the relay")
        dashboard.publish(f"{ENABLED}/set", "true")  # once more: answered, though it changes nothing
        await until(lambda: dashboard.texts(ENABLED)[-2:] == ["true", "true"], "the answer")
        dashboard.publish(f"{ENABLED}/set", "false")
        await until(lambda: dashboard.last(f"{ROOT}/charging/state") == "idle", "its end")
        count = len(stage.wire.heard)
        dashboard.publish(f"{ENABLED}/set", "perhaps")
        dashboard.publish(f"{ACKNOWLEDGE}/set", "socket-hot")
        await until(lambda: stage.wire.status["refused_messages"].get("unknown-fault"), "both refused")
        assert stage.wire.status["refused_messages"]["not-a-state"] == 1
        # A refusal is answered too, with what is still in force.
        assert {message.text for message in stage.wire.heard[count:] if message.topic == ENABLED} <= {"false"}
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "disconnected", "disconnected")
    assert set(stage.wire.texts(f"{ROOT}/$state")) <= STATES


@pytest.mark.broker
async def test_an_old_on_is_not_believed_here_either(stage: Stage) -> None:
    """A retained "true" may be days old, whatever the topic."""
    stage.wire.publish(f"{ENABLED}/set", "true", retain=True)
    async with stage.running(homie={"publish": True}), Feed(stage.wire, SUN_W):
        await until(lambda: stage.wire.status.get("refused_messages", {}).get("retained"), "the refusal")
        assert stage.wire.status["enabled"] is False


@pytest.mark.broker
async def test_alerts_come_and_go(stage: Stage) -> None:
    """A fault is an alert, in the status's own words, and is taken away with it; so is one from an earlier life."""
    stage.wire.publish(f"{ROOT}/$alert/socket-hot", "from an earlier life", retain=True)
    meter = [{"topic": GRID, "fresh_s": 20.0}]  # two real seconds
    async with stage.running(ScaledClock(START, 10.0), homie={"publish": True}, meter=meter):
        await until(lambda: stage.wire.last(f"{ROOT}/$alert/socket-hot") == "", "the old alert's end")
        await until(lambda: stage.wire.last(f"{ROOT}/$alert/meter-silent"), "an alert", 40)
        (fault,) = stage.wire.status["faults"]
        assert stage.wire.last(f"{ROOT}/$alert/meter-silent") == f"{fault['sentence']} {fault['remedy']}"
        async with Feed(stage.wire, 300):
            await until(lambda: stage.wire.last(f"{ROOT}/$alert/meter-silent") == "", "its end")
            await until(lambda: stage.wire.last(f"{ROOT}/house/grid-power") == "300.0", "a reading")
        await until(lambda: stage.wire.last(f"{ROOT}/house/grid-power") == "", "its end: old, it would pass for new")


@pytest.mark.broker
async def test_a_broker_that_refuses_some_of_it(with_broker: BrokerMaker, tmp_path: Path) -> None:
    """What may be said is said, and each refusal is not worth a line for ever; the relay knows nothing of it."""
    (tmp_path / "access").write_text(f"topic readwrite #\ntopic deny {ROOT}/house/#\ntopic deny {ROOT}/charging/why\n")
    stage = with_broker(f"acl_file {tmp_path}/access")
    async with stage.running(homie={"publish": True}) as daemon, Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        await until(lambda: stage.wire.last(f"{ROOT}/charging/relay") == "true", "what may be said")
        assert stage.wire.texts(f"{ROOT}/$state") == ["init", "ready"]
        homie_link = daemon.service.homie and daemon.service.homie.link
        await until(lambda: homie_link and homie_link._refusals > LIMITS["publish_refused"].lines, "many a refusal")
        assert len(daemon.events("publish_refused", link="homie")) == LIMITS["publish_refused"].lines
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "disconnected", "disconnected")


@pytest.mark.broker
async def test_what_is_said_last(stage: Stage) -> None:
    """After a stop in the middle of a charge nothing is left at the broker that says otherwise."""
    async with stage.running(homie={"publish": True}), Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        await until(lambda: stage.wire.last(f"{ROOT}/charging/relay") == "true", "the relay")
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "disconnected", "disconnected")
    assert stage.wire.last(f"{ROOT}/charging/relay") == "false"
    assert stage.wire.last(f"{ROOT}/charging/why") == stage.wire.status["why"]
    assert [message.topic for message in stage.wire.heard if message.topic.startswith(ROOT)][-1] == f"{ROOT}/$state"


@pytest.mark.broker
async def test_while_the_main_connection_is_down(stage: Stage) -> None:
    """It says what has become of the charge, and does not go on as ready with what was true before."""
    meter = [{"topic": GRID, "fresh_s": 2.0}]
    async with stage.running(homie={"publish": True}, meter=meter) as daemon, Feed(stage.wire, SUN_W) as feed:
        await stage.charge(feed)
        await until(lambda: stage.wire.last(f"{ROOT}/charging/relay") == "true", "the relay")
        daemon.service.main_link.sever()
        await until(lambda: stage.wire.last(f"{ROOT}/charging/state") == "locked-out", "the charge's end")
        await until(lambda: stage.wire.last(f"{ROOT}/charging/relay") == "false", "the relay's")
        assert not daemon.service.main_link.up


@pytest.mark.broker
async def test_a_slow_dashboard_is_not_flooded(stage: Stage) -> None:
    """A broker keeps few acknowledged messages for it (deploy/mosquitto.conf: 30): it must hear the last, "ready"."""
    async with stage.running(homie={"publish": True}) as daemon:
        await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
        told = [message for message in stage.wire.heard if message.topic.startswith(f"{ROOT}/")]
        assert sum(message.qos > 0 for message in told) <= 15 and all(
            message.qos for message in told if message.payload
        )
        assert daemon.service.homie is not None
        daemon.service.homie.link.on_message("not/asked/for", b"true", False)  # as some brokers would


@pytest.mark.broker
async def test_a_daemon_that_dies_is_lost(stage: Stage) -> None:
    daemon = stage.start(homie={"publish": True})
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
    daemon.kill()
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "lost", "lost")
    daemon = stage.start()
    await until(lambda: stage.wire.texts(f"{ROOT}/$state")[-2:] == ["init", "ready"], "ready again")
    daemon.signal(signal.SIGTERM)
    assert await daemon.ended() == 0
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "disconnected", "disconnected")


@pytest.mark.broker
async def test_a_broker_that_forgets(stage: Stage, mosquitto: Mosquitto) -> None:
    """Started anew and empty, it is told all of it again."""
    async with stage.running(homie={"publish": True}):
        await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
        mosquitto.kill()
        mosquitto.start()
        dashboard = stage.observe()
        await until(lambda: found(dashboard).get("$state") == "ready", "the device again", 40)
        assert {"$description", "charging/enabled", "charging/state"} <= found(dashboard).keys()


@pytest.mark.broker
async def test_when_it_says_nothing(stage: Stage) -> None:
    """Without being asked, and while a person leads it by hand: no dashboard is to offer a switch that does nothing."""
    async with stage.running():
        pass
    led = hand.ByHand(stage.config(homie={"publish": True}), SystemClock(), lambda _: None)
    running = asyncio.create_task(led.service.run())
    await stage.ready()
    led.service.stop()
    await asyncio.wait_for(running, PATIENCE_S)
    assert not [message.topic for message in stage.wire.heard if message.topic.startswith("homie/")]
