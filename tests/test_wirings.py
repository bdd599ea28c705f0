"""Wirings gone wrong, and a person who does to the letter what commissioning says: in the end all is right.

The person knows the house (:data:`RIGHT`) only as far as one who reads a device's label does: where a remedy names a
key without a value, the first key that it names is put right. All else is written as the remedy has it. The house, its
numbers and its people are invented.
"""

from __future__ import annotations

import asyncio
import re
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

import pytest

from surpluscharge import config as configuration
from surpluscharge.commissioning import commission
from surpluscharge.config import ConfigError
from surpluscharge.simulator import devices
from surpluscharge.simulator.broker import embedded_broker
from surpluscharge.simulator.house import House, Plug
from tests.leaping import SELDOM, LeapingClock, leap
from tests.test_commission import QUIET, START, START_S, HouseMeter, KiloWatts, Owner
from tests.test_config import toml

NOTHING: Mapping[str, Any] = MappingProxyType({})
PARTS = "meter sign relay loss draw"
SITTINGS_MOST = 4

RIGHT = tomllib.loads("""
[charger]
name = "carport"
current_a = 6

[[meter]]
topic = "house/grid"
pointer = "/net_w"

[relay]
topic = "carport/plug/relay/set"
on_payload = '{"contact": "closed"}'
off_payload = '{"contact": "open"}'
reassert_s = 20
confirm_within_s = 6

[relay.feedback]
topic = "carport/plug/relay"
pointer = "/contact"
on_value = "closed"
off_value = "open"

[relay.power]
topic = "carport/plug/power"
pointer = "/power_w"

[control]
min_off_s = 600
""")


class InKilowatts(HouseMeter):
    def read(self, at_s: float, true_w: float) -> float:
        return super().read(at_s, true_w) / 1000


class Apart(HouseMeter):
    """Two counters, neither of which goes below zero, and a sun that a kettle outweighs half."""

    def read(self, at_s: float, true_w: float) -> Any:
        net_w = super().read(at_s, true_w - 1000.0)
        return {"in": max(net_w, 0.0), "out": max(-net_w, 0.0)}


class Watched(Owner):
    """Looks at the plug, and says what it does."""

    hidden = False  # a plug without a light that makes no sound

    async def ask(self, question: str) -> str:
        answer = await super().ask(question)
        if "is nothing in it now" in question.lower():
            self.house.car.headroom_ws = 0.0
        if "kettle" in question or "Switch it" in question:
            return answer
        looks = {"did it go on": True, "is it on": True, "is it off": False, "go off at once": False}
        for words, closed in looks.items():
            if words in question.lower():
                await asyncio.sleep(2.0)
                return "cannot tell" if self.hidden else "yes" if self.house.plug.closed is closed else "no"
        return answer


class Wiring(NamedTuple):
    """What is wrong in the configuration, and what kind of house it is in."""

    wrong: dict[str, Any]  # by dotted key; None: left out
    says: tuple[str, ...]  # what the first sitting's remedies have to say
    right: Mapping[str, Any] = NOTHING  # where the house is another one
    meter: type[HouseMeter] = HouseMeter
    plug: Callable[[], Plug] = lambda: Plug(0.7)
    lead_a: float = 6.0
    lead_in: bool = True  # the lead is in the plug as the person sits down, and the car would charge


NO_REPORTS = {"relay.feedback": None}
APART = {
    "meter": [
        {"topic": "house/grid", "pointer": "/net_w/in", "measures": "import-only"},
        {"topic": "house/grid", "pointer": "/net_w/out", "measures": "export-only"},
    ]
}
EXCHANGED = {"relay.on_payload": '{"contact": "open"}', "relay.off_payload": '{"contact": "closed"}'}
WIRINGS = {
    "payloads exchanged, with reports": Wiring(EXCHANGED, ("on_payload = ", "off_payload = ")),
    "payloads exchanged, nothing in the plug": Wiring(EXCHANGED, ("on_payload = ", "off_payload = "), lead_in=False),
    "payloads exchanged, neither reports nor lead": Wiring(
        EXCHANGED, ("on_payload = ", "off_payload = "), right=NO_REPORTS, lead_in=False
    ),
    "payloads exchanged, without reports": Wiring(EXCHANGED, ("on_payload = ", "off_payload = "), right=NO_REPORTS),
    "reported values exchanged": Wiring(
        {"relay.feedback.on_value": "open", "relay.feedback.off_value": "closed"}, ("on_value = ", "off_value = ")
    ),
    "payloads and reported values exchanged": Wiring(
        EXCHANGED | {"relay.feedback.on_value": "open", "relay.feedback.off_value": "closed"},
        ("on_payload = ", "off_payload = ", "on_value = ", "off_value = "),
    ),
    "command topic": Wiring({"relay.topic": "carport/plug/relay"[:-1] + "/set"}, ("relay.topic",)),
    "command topic, without reports": Wiring(
        {"relay.topic": "carport/plug/command"}, ("relay.topic",), right=NO_REPORTS
    ),
    "sign turned round": Wiring({"meter.0.measures": "net-export"}, ('measures = "net-import"',)),
    "import and export exchanged": Wiring(
        {"meter.0.measures": "export-only", "meter.1.measures": "import-only"},
        ('/net_w/in: measures = "import-only"', '/net_w/out: measures = "export-only"'),
        right=APART,
        meter=Apart,
    ),
    "W taken for kW": Wiring({"meter.0.unit": "kW"}, ('unit = "W"',)),
    "kW taken for W": Wiring({"meter.0.unit": "W"}, ('unit = "kW"',), {"meter.0.unit": "kW"}, InKilowatts),
    "a pointer": Wiring({"meter.0.pointer": "/power"}, ('pointer = "/net_w"',)),
    "two pointers": Wiring(
        {"meter.0.pointer": "/power", "relay.power.pointer": "/watts"},
        ('pointer = "/net_w"', 'pointer is one of these: "/power_w" (0.0), "/socket_c"'),
    ),
    "the plug's W taken for kW": Wiring({"relay.power.unit": "kW"}, ('[relay.power]: unit = "W"',)),
    "the plug's kW taken for W": Wiring(
        {"relay.power.unit": "W"},
        ('[relay.power]: unit = "kW"',),
        {"relay.power.unit": "kW"},
        plug=lambda: KiloWatts(0.7),
    ),
    "another current": Wiring({}, ("current_a = 9",), {"charger.current_a": 9}, lead_a=9.0),
}
WIRINGS["another current"].wrong["charger.current_a"] = 6


class Story(NamedTuple):
    """What came of it."""

    sittings: list[commission.Commissioning]
    tree: dict[str, Any]
    right: dict[str, Any]
    house: House


def changed(tree: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return a configuration with other values at some dotted keys."""
    tree = {key: value for key, value in tomllib.loads(written(tree)).items()}
    for key, value in changes.items():
        parent: Any = tree
        *way, last = key.split(".")
        for part in way:
            parent = parent[int(part)] if isinstance(parent, list) else parent[part]
        if value is None:
            parent.pop(last, None)
        else:
            parent[last] = value
    return tree


def written(tree: dict[str, Any]) -> str:
    return "\n".join(f"{toml(key)} = {toml(value)}" for key, value in tree.items())


PUT = re.compile(r"(\[\[meter\]\] of [^\s:;]+|\[[\w.]+\])(?=[:,])")
SET = re.compile(r"""\b(\w+) = ("[^"]*"|'[^']*'|-?[\d.]*\d)""")
NAMED = re.compile(r"\b(relay|meter|charger)((?:\.\w+)+)")


def obey(tree: dict[str, Any], right: dict[str, Any], remedy: str) -> dict[str, Any]:
    """Do what a remedy says, to the letter."""
    tree = changed(tree, {})
    parts, done = PUT.split(remedy), False
    for name, words in zip(parts[1::2], parts[2::2], strict=True):
        if name.startswith("[[meter]]"):
            of = name.removeprefix("[[meter]] of ")
            (table,) = [source for source in tree["meter"] if source["topic"] + source.get("pointer", "") == of]
        else:
            table = tree
            for part in name.strip("[]").split("."):
                table = table[part]
        for key, value in SET.findall(words):
            table[key] = tomllib.loads(f"x = {value}")["x"]
            done = True
    if not done and (named := NAMED.search(remedy)):
        found: Any = right
        for part in named[0].split("."):
            found = found[part]
        tree = changed(tree, {named[0]: found})
    return tree


async def story(folder: Path, wiring: Wiring, hidden: bool = False, most: int = SITTINGS_MOST) -> Story:
    """Sit as often as it takes, and do in between what was said."""
    async with embedded_broker() as port:
        frame = {"mqtt": {"host": "127.0.0.1", "port": port, "protocol": "3.1.1"}, "store": {"directory": str(folder)}}
        right = changed(RIGHT | frame, wiring.right)
        tree = changed(right, wiring.wrong)
        clock = LeapingClock(START)
        house = House(QUIET._replace(lead_a=wiring.lead_a), 1, START_S, wiring.plug())
        meter = wiring.meter(1, START_S, 3.0)
        headroom_ws = house.car.headroom_ws
        house.car.headroom_ws = headroom_ws if wiring.lead_in else 0.0
        simulated = asyncio.create_task(devices.Devices(house, meter, clock, port).run())
        sittings: list[commission.Commissioning] = []
        try:
            await asyncio.sleep(0.1)
            while len(sittings) < most:
                owner = Watched(meter, house, {})
                owner.hidden, owner.headroom_ws = hidden, headroom_ws
                sitting = commission.Commissioning(
                    configuration.parse(written(tree), "carport.toml"), clock, owner, SELDOM
                )
                await commission.run(sitting, PARTS.split())
                sittings.append(sitting)
                wrong = [finding for finding in sitting.findings if finding.verdict == "wrong"]
                if not wrong:
                    break
                for finding in wrong:
                    tree = obey(tree, right, finding.remedy)
        finally:
            await devices.cancel(simulated)
        return Story(sittings, tree, right, house)


UNSEEN = {
    "exchanged, unseen": WIRINGS["payloads exchanged, nothing in the plug"],
    "in order, unseen": Wiring({}, ()),
    "in order, unseen, without reports": Wiring({}, (), right=NO_REPORTS),
}


@pytest.fixture
def tell(tmp_path: Path) -> Callable[[str], Story]:
    """Tell a story by its name."""

    def one(name: str) -> Story:
        told = story(tmp_path, UNSEEN[name], True, 1) if name in UNSEEN else story(tmp_path, WIRINGS[name])
        return leap(told)

    return one


Tell = Callable[[str], Story]


@pytest.mark.parametrize("name", WIRINGS)
def test_to_the_letter(tell: Tell, name: str) -> None:
    told = tell(name)
    first, last = told.sittings[0], told.sittings[-1]
    found = [finding for sitting in told.sittings for finding in sitting.findings]
    remedies = " ".join(finding.remedy for finding in first.findings if finding.verdict == "wrong")
    assert all(words in remedies for words in WIRINGS[name].says), first.findings
    assert len(told.sittings) == 2, [finding for finding in found if finding.verdict == "wrong"]
    assert not [finding for finding in last.findings if finding.verdict in ("wrong", "not tried")], last.findings
    assert {finding.part for finding in last.findings if finding.verdict == "good"} >= set(PARTS.split())
    done, right = (configuration.parse(written(tree), "x").model_dump() for tree in (told.tree, told.right))
    assert done == right
    # A plug that only took the wrong word for off was never called broken, and it was not left on.
    assert not [finding for finding in found if "may be welded" in f"{finding.what} {finding.remedy}"]
    assert not told.house.plug.closed
    if name in BESIDES:
        BESIDES[name](told)


def exchanged_payloads_are_found_before_the_supervisor_latches(told: Story) -> None:
    (wrong,) = [finding for finding in told.sittings[0].findings if finding.verdict == "wrong"]
    assert "exchanged" in wrong.what and "told off with what on_payload holds" in wrong.what
    assert "leave nothing in the plug" in wrong.remedy


def what_two_counters_take_is_said_beforehand(told: Story) -> None:
    person = told.sittings[0].person
    assert isinstance(person, Watched)
    assert any("sunny hour" in text for text in person.told)


# What else is seen of a story, which takes long to tell.
BESIDES = {
    "payloads exchanged, with reports": exchanged_payloads_are_found_before_the_supervisor_latches,
    "import and export exchanged": what_two_counters_take_is_said_beforehand,
}


def test_whoever_cannot_tell_is_told_how_to_see_it(tell: Tell) -> None:
    exchanged = tell("exchanged, unseen")
    wrong, still_on = [finding for finding in exchanged.sittings[0].findings if finding.verdict == "wrong"]
    assert "Go and look, now" in still_on.remedy
    assert "on_payload and off_payload are exchanged, or on_value and off_value are" in wrong.what
    assert "lamp" in wrong.remedy


def test_the_plug_s_own_word_is_enough_with_a_doubt(tell: Tell) -> None:
    fine = tell("in order, unseen").sittings[0].findings
    assert [finding.verdict for finding in fine if finding.part == "relay"] == ["good", "doubtful"]


def test_without_reports_nobody_s_guess_will_do(tell: Tell) -> None:
    blind = tell("in order, unseen, without reports").sittings[0].findings
    (relay,) = [finding for finding in blind if finding.part == "relay"]
    assert relay.verdict == "not tried" and "lamp" in relay.what


def test_turning_round_one_of_two_counters_is_no_way_out() -> None:
    """So it was before both were named: and then nothing could ever be charged."""
    tree = changed(RIGHT, APART | {"meter.1.measures": "import-only"})
    with pytest.raises(ConfigError, match="no reading can ever show an export"):
        configuration.parse(written(tree), "x")
