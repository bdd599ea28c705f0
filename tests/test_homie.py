"""Self-description: does a reader who knows only the Homie 5 convention find and operate it, clause by clause?"""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from structlog.testing import capture_logs

from surpluscharge.clock import ScaledClock, SystemClock
from surpluscharge.commissioning import hand
from surpluscharge.control import news
from surpluscharge.control.supervisor import FAULTS
from surpluscharge.daemon import homie
from surpluscharge.daemon.logs import LIMITS, logger
from tests.conftest import BrokerMaker, Mosquitto, config_from, tool
from tests.test_relay import START
from tests.test_status import House
from tests.wire import GRID, PATIENCE_S, SUN_W, Feed, Heard, Observer, Stage, running, until

ROOT = "homie/5/surpluscharge-shed"
ENABLED, ACKNOWLEDGE = f"{ROOT}/charging/enabled", f"{ROOT}/charging/acknowledge"

# Homie 5.0, convention.md in the repository homieiot/convention at 063301d: the words that it uses.
ID = re.compile(r"[a-z0-9-]+")
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
UNITS = {"°C", "°F", "°", "L", "gal", "V", "W", "kW", "kWh", "A", "Hz", "rpm", "%", "m", "m³", "ft", "m/s", "kn", "Pa"}
UNITS |= {"psi", "ppm", "s", "min", "h", "lx", "K", "MK⁻¹", "#"}
DEVICE = {"homie", "version", "name", "type", "nodes", "children", "root", "parent", "extensions"}
PROPERTY = {"name", "datatype", "format", "unit", "settable", "retained"}
NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?([eE]-?[0-9]+)?")  # no "+"


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
    assert pair == (7, "a8e3eaffbb81")


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
    task = asyncio.create_task(led.service.run())
    await stage.ready()
    led.service.stop()
    await asyncio.wait_for(task, PATIENCE_S)
    assert not [message.topic for message in stage.wire.heard if message.topic.startswith("homie/")]


def below(stage: Stage, device: str) -> dict[str, str]:
    """Return what somebody who comes now finds retained below a device, once all of it has come."""
    late = stage.observe()
    late.publish("test/after", "all that is retained")
    deadline_s = time.monotonic() + PATIENCE_S
    while not late.on("test/after") and time.monotonic() < deadline_s:
        time.sleep(0.01)
    return {heard.topic: heard.text for heard in late.heard if heard.topic.startswith(f"{device}/") and heard.payload}


@pytest.mark.broker
async def test_a_device_that_moves(stage: Stage) -> None:
    """In another domain it is there, and here no more."""
    async with stage.running(homie={"publish": True}):
        await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
    moved = ROOT.replace("homie/", "elsewhere/")
    async with stage.running(homie={"publish": True, "domain": "elsewhere"}) as daemon:
        await until(lambda: stage.wire.last(f"{moved}/$state") == "ready", "ready there")
        assert daemon.events("homie_withdrawn", device=ROOT)
    assert not below(stage, ROOT)
    assert below(stage, moved)[f"{moved}/$state"] == "disconnected"
    async with stage.running(homie={"publish": True, "domain": "elsewhere"}) as daemon:
        await until(lambda: stage.wire.last(f"{moved}/$state") == "ready", "ready again")
        assert not daemon.events("homie_withdrawn")


@pytest.mark.broker
async def test_what_an_earlier_version_said_is_taken_away(stage: Stage) -> None:
    """A value that there is no more; and nothing that cannot be ours, whatever is in the file."""
    old, others = f"{ROOT}/charging/of-old", ("homie/5/kettle/$state", "surpluscharge/shed/enable", f"{ROOT}/+/#")
    for topic in (old, *others[:2]):
        stage.wire.publish(topic, "true", retain=True)
    traces = stage.config().state_file.with_suffix(".homie")
    traces.parent.mkdir(parents=True, exist_ok=True)
    traces.write_text("\n".join((old, *others)))
    async with stage.running(homie={"publish": True}):
        await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
        assert stage.wire.last(old) == ""
        assert old not in traces.read_text().split() and f"{ROOT}/$state" in traces.read_text().split()
    assert below(stage, "homie/5/kettle")


@pytest.mark.broker
async def test_by_hand_it_stays_the_device_it_is(stage: Stage) -> None:
    async with stage.running(homie={"publish": True}):
        await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
    led = hand.ByHand(stage.config(homie={"publish": True}), SystemClock(), lambda _: None)
    task = asyncio.create_task(led.service.run())
    await stage.ready()
    led.service.stop()
    await asyncio.wait_for(task, PATIENCE_S)
    assert below(stage, ROOT)[f"{ROOT}/$state"] == "disconnected"


@pytest.mark.broker
async def test_a_broker_that_is_away_when_it_ends(stage: Stage, mosquitto: Mosquitto) -> None:
    """It is gone once the broker is back, and nothing else waits for that."""
    async with stage.running(homie={"publish": True}):
        await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
    mosquitto.kill()
    traces = stage.config().state_file.with_suffix(".homie")
    async with running(stage.config()):
        await asyncio.sleep(0.5)
        assert traces.exists()
        mosquitto.start()
        await until(lambda: not traces.exists(), "the broker's answer", 40)


@pytest.mark.parametrize("spoilt", [b"\xff", b"x" * 200_000, None], ids=["not text", "endless", "a folder"])
def test_traces_that_cannot_be_read(spoilt: bytes | None, tmp_path: Path) -> None:
    """It is said, and nothing is taken away; what is said anew is known anew where it can be written."""
    config = config_from(store={"directory": str(tmp_path)}, homie={"publish": True})
    place = config.state_file.with_suffix(".homie")
    if spoilt is None:
        place.mkdir()
    else:
        place.write_bytes(spoilt)
    with capture_logs() as said:
        traces = homie.Traces(config, logger())
        traces.keep()
    assert not traces.stale
    assert {line["event"] for line in said} == {"homie_not_kept"}
    assert place.is_dir() or f"{config.homie_topic}/$state" in place.read_text().split()


# --- the convention, clause by clause --------------------------------------------------------------------------------


class Life(NamedTuple):
    """What a daemon published as a device, from its first start until it was to describe itself no more."""

    said: list[Heard]
    enabled_after: list[str]  # what it said of "enabled" once it was set, right after "ready"
    left: list[Heard]  # what was retained at the end

    def on(self, pattern: str) -> list[Heard]:
        """Return what was said on the topics below the device that fit."""
        return [heard for heard in self.said if re.fullmatch(f"{ROOT}/{pattern}", heard.topic)]

    @property
    def described(self) -> dict[str, Any]:
        document: dict[str, Any] = json.loads(next(heard.text for heard in self.on(r"\$description") if heard.payload))
        return document

    def values(self, datatype: str) -> list[str]:
        """Return every value of that type; a topic that is deleted has none."""
        topics = {topic for topic, given in properties(self.described) if given["datatype"] == datatype}
        found = [heard.text for topic in topics for heard in self.on(topic) if heard.payload]
        assert found, f"no {datatype} was ever said"
        return found

    def state_at(self) -> Iterator[tuple[str, Heard]]:
        """Yield each message with the $state that was in force before it."""
        state = ""
        for heard in self.said:
            yield state, heard
            if heard.topic == f"{ROOT}/$state":
                state = heard.text


async def lived(stage: Stage) -> Life:
    """A charge, a fault and its end, a stop; a start and a sudden death; and a start without describing itself."""
    meter = [{"topic": GRID, "fresh_s": 20.0}]  # two real seconds
    async with stage.running(ScaledClock(START, 10.0), homie={"publish": True}, meter=meter):
        await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready")
        count = len(stage.wire.on(ENABLED))
        stage.wire.publish(f"{ENABLED}/set", "true")
        await until(lambda: len(stage.wire.on(ENABLED)) > count, "an answer")
        answers = stage.wire.texts(ENABLED)[count:]
        async with Feed(stage.wire, SUN_W):
            await until(lambda: stage.wire.last(f"{ROOT}/charging/relay") == "true", "a charge", 40)
        await until(lambda: stage.wire.last(f"{ROOT}/$alert/meter-silent"), "an alert", 40)
        async with Feed(stage.wire, 300):
            await until(lambda: stage.wire.last(f"{ROOT}/$alert/meter-silent") == "", "its end", 40)
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "disconnected", "disconnected")
    daemon = stage.start(homie={"publish": True})
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "ready", "ready again", 40)
    daemon.kill()
    await until(lambda: stage.wire.last(f"{ROOT}/$state") == "lost", "lost")
    async with stage.running() as last:
        await until(lambda: last.events("homie_withdrawn"), "its end as a device")
    late = stage.observe()
    await until(lambda: late.on("surpluscharge/shed/availability"), "what is retained")
    said = [heard for heard in stage.observers[0].heard if heard.topic.startswith("homie/")]
    left = [heard for heard in late.heard if heard.topic.startswith("homie/")]
    return Life([heard for heard in said if not heard.topic.endswith("/set")], answers, left)


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> Life:
    folder = tmp_path_factory.mktemp("life")
    broker = Mosquitto(tool("mosquitto"), folder)
    broker.start()
    stage = Stage(broker.port, folder)
    try:
        return asyncio.run(lived(stage))
    finally:
        stage.close()
        broker.kill()


def levels(topic: str) -> list[str]:
    return [level for level in topic.split("/") if not level.startswith("$")]


def formats(life: Life, datatype: str) -> list[str]:
    return [given.get("format", "") for _, given in properties(life.described) if given["datatype"] == datatype]


def removed_in_order(life: Life) -> bool:
    """$state first, and after it nothing but the rest of what was there."""
    states = [at for at, heard in enumerate(life.said) if heard.topic == f"{ROOT}/$state"]
    end = life.said[states[-1] :]
    there = {heard.topic for heard in life.said if heard.payload}
    return not any(heard.payload for heard in end) and there <= {heard.topic for heard in end} and not life.left


CLAUSES: list[tuple[str, Callable[[Life], bool]]] = [
    (
        "A topic level ID MAY ONLY contain lowercase letters from a to z, numbers from 0 to 9 as well as the hyphen",
        lambda life: all(ID.fullmatch(level) for heard in life.said for level in levels(heard.topic)),
    ),
    (
        "The special character $ is used and reserved for Homie attributes",
        lambda life: (
            {re.findall(r"\$\w+", heard.topic)[0] for heard in life.said if "$" in heard.topic}
            == {"$state", "$description", "$alert"}
        ),
    ),
    ("All messages MUST be sent as retained, UNLESS stated otherwise", lambda life: all(h.retain for h in life.said)),
    (
        "Devices publishing values for their non-retained properties must use non-retained messages",
        lambda life: (  # ours has no value, it can only be set
            [topic for topic, given in properties(life.described) if not given["retained"]] == ["charging/acknowledge"]
            and not life.on("charging/acknowledge")
        ),
    ),
    (
        "Homie requires the last will (LWT) to set the homie / 5 / [device ID] / $state attribute to the value lost",
        lambda life: "lost" in [heard.text for heard in life.on(r"\$state")],
    ),
    (
        "an empty string value is represented by a 1-character string containing a single byte value 0",
        lambda life: b"\0" in [heard.payload for heard in life.on("charging/waiting-for")],
    ),
    (
        "Every MQTT message payload MUST be sent as a UTF-8 encoded string",
        lambda life: all(h.text is not None for h in life.said),
    ),
    (
        "The message MUST NOT include the UTF-8 BOM",
        lambda life: not any(heard.payload.startswith(b"\xef\xbb\xbf") for heard in life.said),
    ),
    (
        "String types are limited to 268,435,456 characters",
        lambda life: max(map(len, life.values("string"))) <= 268_435_456,
    ),
    (
        "Integer types are string literal representations of 64-bit signed whole numbers",
        lambda life: all(re.fullmatch("-?[0-9]+", text) and abs(int(text)) < 2**63 for text in life.values("integer")),
    ),
    (
        "[Float:] whole numbers, the negation character, the exponent character e or E and the decimal separator",
        lambda life: all(NUMBER.fullmatch(text) for text in life.values("float")),
    ),
    (
        "Booleans must be converted to the string literals true or false",
        lambda life: set(life.values("boolean")) == {"true", "false"},
    ),
    (
        "Enum payloads must be one of the values specified in the format definition of the property",
        lambda life: set(life.values("enum")) <= set(",".join(formats(life, "enum")).split(",")),
    ),
    (
        "The second segment, containing the version, may not be customized",
        lambda life: all(heard.topic.split("/")[:2] == ["homie", "5"] for heard in life.said),
    ),
    (
        "this value [$description] may only change when the device $state is either init, disconnected, or lost",
        lambda life: all(
            state in ("init", "disconnected", "lost", "")
            for state, heard in life.state_at()
            if heard in life.on(r"\$description")
        ),
    ),
    (
        "The implemented Homie convention version, without the patch level. So the format is 5.x",
        lambda life: re.fullmatch(r"5\.[0-9]+", life.described["homie"]) is not None,
    ),
    (
        "[version] integer, required. Whenever the document changes, a new higher version must be assigned",
        lambda life: (
            type(life.described["version"]) is int
            and len({heard.text for heard in life.on(r"\$description") if heard.payload}) == 1
        ),
    ),
    (
        "[root] Required if the device is NOT the root device, MUST be omitted otherwise",
        lambda life: life.described.keys() <= DEVICE - {"root", "parent", "children"},
    ),
    (
        "There are 5 possible state values",
        lambda life: {heard.text for heard in life.on(r"\$state") if heard.payload} == STATES - {"sleeping"},
    ),
    (
        "ready: ... has sent all Homie messages describing the device attributes, nodes, properties, and their values",
        lambda life: (
            {f"{ROOT}/{topic}" for topic, given in properties(life.described) if given["retained"]}
            - {f"{ROOT}/house/grid-power", f"{ROOT}/house/surplus"}  # of which nothing is known yet
            <= {heard.topic for state, heard in life.state_at() if state == "init"}
        ),
    ),
    (
        "The device has subscribed to all appropriate /set topics and is ready to receive messages",
        lambda life: life.enabled_after == ["true"],
    ),
    (
        "You must send this message [disconnected] before cleanly disconnecting",
        lambda life: [heard.text for heard in life.on(r"\$state")][:3] == ["init", "ready", "disconnected"],
    ),
    (
        "In order to permanently remove a device ... 1. remove the retained $state attribute ... 2. any other retained",
        removed_in_order,
    ),
    (
        "Each node, property must have a unique ID which adheres to the ID format",
        lambda life: all(ID.fullmatch(level) for topic, _ in properties(life.described) for level in topic.split("/")),
    ),
    (
        "[datatype] required. Any of the following values",
        lambda life: all(given["datatype"] in DATATYPES for _, given in properties(life.described)),
    ),
    (
        "The Property object has the following fields",
        lambda life: all(
            given.keys() <= PROPERTY and all(type(given[key]) is bool for key in ("settable", "retained"))
            for _, given in properties(life.described)
        ),
    ),
    (
        "[enum] Individual values can not be an empty string. Duplicates are not allowed",
        lambda life: all(
            all(choices) and len(choices) == len(set(choices))
            for choices in (text.split(",") for text in formats(life, "enum"))
        ),
    ),
    (
        "Recommended unit strings",
        lambda life: {given.get("unit", "#") for _, given in properties(life.described)} <= UNITS,
    ),
    (
        "The $target attribute must either be used for every value update, or it must never be used",
        lambda life: not life.on(r".*\$target"),
    ),
    (
        "The assigned and processed payload must be reflected by the Homie device in the property topic",
        lambda life: "true" in [heard.text for heard in life.on("charging/enabled")],
    ),
    (
        "[an alert] can be removed by deleting the topic. Alerts must be send as retained messages",
        lambda life: (
            [(bool(heard.payload), heard.retain) for heard in life.on(r"\$alert/meter-silent")][:3]
            in ([(False, True), (True, True), (False, True)], [(True, True), (False, True), (False, True)])
        ),
    ),
    ("All log messages send should be non-retained", lambda life: not life.on(r"\$log/.*")),  # it sends none
]


@pytest.mark.broker
@pytest.mark.parametrize(("words", "holds"), CLAUSES, ids=[words[:40] for words, _ in CLAUSES])
def test_a_clause(life: Life, words: str, holds: Callable[[Life], bool]) -> None:
    """Of the convention's text (063301d), which binds who publishes a device."""
    assert holds(life), words
