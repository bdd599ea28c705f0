"""A plug that stays on though it was told off: exchanged, welded, slow, deaf, or only reporting the reverse.

Each case plays the plug itself (what is on, what is said of it, and when) around the real controller. What counts is
where the contact is in the end, and that a plug which is off is never switched on to find something out.
"""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field

import pytest

from surpluscharge import cli
from surpluscharge.control import news, reversal
from surpluscharge.control.controller import Controller
from surpluscharge.control.machine import MODE_NAMES
from surpluscharge.control.reversal import SETTLED_S, TRY_AFTER_S
from surpluscharge.daemon import store
from tests.test_faults import CONFIG, Rig
from tests.wire import COMMAND, POWER, REPORT, Heard, Plug, Stage, running, until

OTHER = CONFIG.model_copy(update={"relay": CONFIG.relay.model_copy(update={"off_payload": "aus"})})


@dataclass
class Odd(Rig):
    """A rig whose plug takes what is really sent. ``tells`` False: nothing sent reaches it."""

    exchanged: bool = False
    values_exchanged: bool = False
    welded: bool = False
    tells: bool = True
    latency_s: float = 0.5
    report_lag_s: float = 0.0
    elsewhere_w: float | None = None  # the "plug's meter" is that of another device
    on_way: deque[tuple[float, bool]] = field(default_factory=deque)
    words: deque[tuple[float, str]] = field(default_factory=deque)
    said: tuple[bool, bool] | None = None  # the last command: (on, with the other payload)
    switched_on: int = 0  # how often the contact closed
    sent_on: int = 0  # how often the payload that is configured for on was sent

    def __post_init__(self) -> None:
        super().__post_init__()
        self.contact = self.welded

    @property
    def drawn_w(self) -> float:
        return super().drawn_w if self.elsewhere_w is None else self.elsewhere_w

    def follow(self) -> None:
        controller, wanted = self.controller, self.controller.wants_on
        command = wanted, controller.plug.exchanged
        # As the relay task does: at a change, and every 30 s while it is not confirmed.
        due = command != self.said or (not controller.plug.confirmed(wanted) and self.now_s >= self.again_s)
        if controller.plug.link_up and due:
            self.said, self.again_s = command, self.now_s + 30.0
            controller.tell(news.Sending(wanted), self.at())
            payload_on = wanted is not controller.plug.exchanged
            self.sent_on += payload_on
            if self.tells:
                self.on_way.append((self.now_s + self.latency_s, payload_on is not self.exchanged))
            controller.tell(news.Taken(wanted), self.at())
        while self.on_way and self.on_way[0][0] <= self.now_s:
            self.move(self.on_way.popleft()[1])
        while self.words and self.words[0][0] <= self.now_s:
            self.send("report", self.words.popleft()[1])
        self.seen += [str(event.fields["code"]) for event in controller.take_events() if event.name == "fault_raised"]

    again_s = 0.0

    def move(self, on: bool) -> None:
        self.switched_on += on and not self.contact
        self.contact = on or self.welded
        self.report()

    def report(self) -> None:
        word = "on" if self.contact is not self.values_exchanged else "off"
        self.words.append((self.now_s + self.report_lag_s, word))

    def send_readings(self) -> None:
        self.report()
        super().send_readings()

    def run(self, seconds: float, until=lambda: False) -> Odd:  # type: ignore[no-untyped-def,override]
        """In steps of a second: commands and words are under way."""
        end_s = self.now_s + seconds
        while self.now_s < end_s and not until():
            if int(self.now_s) % 5 == 0:
                self.send_readings()
            self.now_s += 1.0
            self.controller.tell(news.Tick(), self.at())
            self.follow()
        return self

    def again(self, config=CONFIG) -> Odd:  # type: ignore[no-untyped-def]
        """The daemon starts anew, from what it had kept."""
        self.controller = Controller(config.settings(), self.at(), self.controller.kept())
        self.said = None
        self.controller.tell(news.CommandsLink(True), self.at())
        self.controller.tell(news.RelayLink(True), self.at())
        return self


def test_exchanged_payloads_are_found_said_and_the_plug_goes_off() -> None:
    rig = Odd(exchanged=True).run(60.0)
    assert rig.contact  # told off, it has gone on
    assert "relay-stuck-on" in rig.codes
    rig.run(TRY_AFTER_S)
    assert not rig.contact
    rig.run(SETTLED_S)
    assert rig.codes[0] == "payloads-exchanged"
    assert rig.controller.plug.exchanged
    switched_on = rig.switched_on
    rig.acknowledge().run(7200.0)
    assert not rig.contact
    assert rig.switched_on == switched_on  # never again, sun or no sun
    assert "payloads-exchanged" in rig.codes  # nobody can have changed the configuration of a running daemon


def test_what_was_found_outlives_a_restart_but_not_the_configuration_it_was_found_for() -> None:
    rig = Odd(exchanged=True).run(300.0)
    assert rig.controller.kept().exchanged == CONFIG.settings().command
    switched_on = rig.switched_on
    rig.again().run(60.0)
    assert not rig.contact
    assert rig.switched_on == switched_on
    mended = rig.again(OTHER)
    assert not mended.controller.plug.exchanged
    mended.exchanged = False
    mended.run(30.0).acknowledge().run(60.0)
    assert "payloads-exchanged" not in mended.codes


def test_somebody_who_acknowledges_and_starts_anew_has_the_payloads_as_configured() -> None:
    rig = Odd(exchanged=True).run(300.0)
    rig.acknowledge().run(5.0).again().run(1.0)
    assert not rig.controller.plug.exchanged


def test_a_welded_relay_is_not_taken_for_it_and_is_told_off_again() -> None:
    rig = Odd(welded=True).run(600.0)
    assert rig.codes == ["relay-not-off", "relay-stuck-on"]
    assert rig.sent_on == 1  # the one trial, which changes nothing
    assert not rig.controller.plug.exchanged
    assert rig.said == (False, False)
    rig.run(7200.0)
    assert rig.sent_on == 1


def test_a_plug_that_was_seen_to_go_on_when_told_is_not_tried() -> None:
    rig = Odd()
    rig.run(300.0, lambda: rig.mode == "charging" and rig.contact)
    rig.run(60.0)
    sent_on = rig.sent_on
    rig.welded = True
    rig.controller.tell(news.Enable(False), rig.at())
    rig.run(600.0)
    assert "relay-stuck-on" in rig.codes
    assert rig.sent_on == sent_on


@pytest.mark.parametrize("latency_s", [8.0, 40.0, 80.0, 100.0, 115.0])
def test_a_slow_plug_is_not_taken_for_it_and_ends_off(latency_s: float) -> None:
    """It was on when the daemon began, and obeys late; one slower than the wait goes on for a moment, and off again."""
    rig = Odd(latency_s=latency_s, sun_w=-500.0)
    rig.contact = True
    rig.run(1200.0)
    assert "payloads-exchanged" not in rig.seen
    assert not rig.controller.plug.exchanged
    assert rig.sent_on == rig.switched_on == (latency_s > TRY_AFTER_S)
    assert not rig.contact


def test_a_deaf_plug_that_is_on_gets_one_trial() -> None:
    rig = Odd(tells=False)
    rig.contact = True
    rig.run(1200.0)
    assert rig.codes == ["relay-not-off", "relay-stuck-on"]
    assert rig.sent_on == 1
    assert rig.said == (False, False)


@pytest.mark.parametrize("lag_s", [5.0, 40.0])
def test_a_lagging_report_neither_hides_it_nor_imitates_it(lag_s: float) -> None:
    rig = Odd(exchanged=True, report_lag_s=lag_s).run(400.0)
    assert "payloads-exchanged" in rig.codes
    assert not rig.contact
    sound = Odd(report_lag_s=lag_s)
    sound.contact = True
    sound.controller.tell(news.Enable(False), sound.at())
    sound.run(600.0)
    assert sound.sent_on == 0
    assert not sound.contact


def test_exchanged_values_are_not_tried_for_that_would_switch_on_what_is_off() -> None:
    rig = Odd(values_exchanged=True).run(1200.0)
    assert rig.codes == ["relay-not-off", "relay-stuck-on"]
    assert rig.sent_on == rig.switched_on == 0
    record = rig.controller.faults[-1]
    assert "on_value and off_value" in record.fault.remedy
    assert "on_payload and off_payload" in record.fault.remedy


def test_the_meter_of_another_device_alone_is_no_reason_to_try() -> None:
    rig = Odd(elsewhere_w=1380.0).run(1200.0)
    assert "relay-stuck-on" in rig.codes
    assert rig.sent_on == rig.switched_on == 0


def test_without_current_nothing_is_tried_until_some_flows() -> None:
    """A car that is full, then wakes: reports alone are no reason."""
    rig = Odd(exchanged=True, car_w=0.0).run(1200.0)
    assert rig.sent_on == 0
    rig.car_w = 1380.0
    rig.run(300.0)
    assert rig.codes[0] == "payloads-exchanged"
    assert not rig.contact


def test_what_was_found_is_given_up_where_current_flows_on_in_spite_of_it() -> None:
    rig = Odd(exchanged=True).run(300.0)
    assert rig.controller.plug.exchanged
    rig.exchanged = False  # somebody has set the plug itself right, meanwhile
    rig.controller.tell(news.RelayLink(False), rig.at())  # and the next off is said as it was found
    rig.controller.tell(news.RelayLink(True), rig.at())
    rig.said = None
    rig.run(30.0)
    assert rig.contact
    rig.run(120.0)
    assert not rig.contact
    assert not rig.controller.plug.exchanged


def test_a_lost_connection_ends_a_trial_without_a_verdict() -> None:
    rig = Odd(welded=True)
    rig.run(120.0, lambda: rig.controller.plug.exchanged)
    assert rig.controller.plug.exchanged
    rig.controller.tell(news.RelayLink(False), rig.at())
    assert not rig.controller.plug.exchanged
    rig.controller.tell(news.RelayLink(True), rig.at())
    rig.said = None
    rig.run(120.0, lambda: rig.controller.plug.exchanged)
    assert rig.controller.plug.exchanged  # later


def test_a_shutdown_ends_a_trial_with_the_off_as_configured() -> None:
    rig = Odd(welded=True)
    rig.run(120.0, lambda: rig.controller.plug.exchanged)
    rig.controller.tell(news.Stop(), rig.at())
    assert not rig.controller.plug.exchanged
    rig.run(5.0)
    assert rig.said == (False, False)


def test_the_state_machine_never_wants_on_while_it_is_tried_or_found() -> None:
    rig = Odd(exchanged=True)
    for _ in range(900):
        rig.run(1.0)
        if rig.controller.plug.exchanged:
            assert MODE_NAMES[rig.controller.state.mode] == "locked-out"


# --- on the wire -----------------------------------------------------------------------------------------------------

RELAY = {"feedback": {"topic": REPORT}, "power": {"topic": POWER}, "confirm_within_s": 1.0}


class Wired(Plug):
    """A plug with a lead in it that draws, and a meter that says so."""

    welded = False

    def _take(self, message: Heard) -> None:
        if message.topic == COMMAND and message.text in ("on", "off"):
            self.on = self.welded or message.text == "off"
            self.report()

    async def measure(self) -> None:
        while True:
            self._observer.say(POWER, 1380 if self.on else 0)
            await asyncio.sleep(0.1)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, seconds in {"TRY_AFTER_S": 2.0, "SETTLED_S": 3.0, "FOLLOWS_WITHIN_S": 0.5}.items():
        monkeypatch.setattr(reversal, name, seconds)


@pytest.mark.broker
@pytest.mark.usefixtures("quick")
async def test_the_wire_carries_what_switches_off_and_so_does_the_will(stage: Stage) -> None:
    """Invariant 7 with payloads exchanged: the daemon, the broker, the farewell and the stop action all switch off."""
    plug, wire, config = Wired(stage.wire), stage.wire, stage.config(relay=RELAY)
    stage.write(relay=RELAY)
    measuring = asyncio.create_task(plug.measure())

    def found() -> bool:
        return "payloads-exchanged" in [fault["code"] for fault in wire.status.get("faults", ())]

    async with running(config) as daemon:
        await until(lambda: plug.on, "what is meant for off switching on")
        await until(found, "the fault")
        await until(lambda: not plug.on, "what switches off")  # the status may be there first
        (trial, *_) = [message for message in wire.on(COMMAND) if message.text == "on"]
        assert trial.expiry_s is not None  # should it mean "on" after all, it must not come late
        link = daemon.service.relay_link
        await until(lambda: len(daemon.events("connected", link="relay")) == 2, "a new connection, with another will")
        await until(lambda: daemon.service.controller.plug.confirmed(False), "its off")
        said = len(wire.on(COMMAND))
        link.sever()
        await until(lambda: len(wire.on(COMMAND)) > said, "the will")
        assert wire.texts(COMMAND)[said:] == ["on"]
        link.rejoin()
        await until(lambda: len(daemon.events("connected", link="relay")) == 3, "the next connection")
        await until(lambda: daemon.service.controller.plug.confirmed(False), "its off")
        said = len(wire.on(COMMAND))
    await until(lambda: len(wire.on(COMMAND)) > said, "the farewell")
    assert set(wire.texts(COMMAND)[said:]) == {"on"}
    assert store.exchanged(config.state_file, *config.command) == "on"
    assert store.exchanged(config.state_file, COMMAND, None, "on") is None  # of another command
    assert await asyncio.to_thread(cli.main, ["off", "--config", str(stage.config_file)]) == 0
    await asyncio.sleep(0.2)
    assert not plug.on
    said = len(wire.on(COMMAND))
    async with running(config):  # and from its first word on
        await until(lambda: len(wire.on(COMMAND)) > said, "its first word")
    await asyncio.sleep(0.2)
    assert set(wire.texts(COMMAND)[said:]) == {"on"}
    measuring.cancel()


@pytest.mark.broker
@pytest.mark.usefixtures("quick")
async def test_on_the_wire_a_welded_relay_gets_one_trial_and_off_again(stage: Stage) -> None:
    plug, wire = Wired(stage.wire), stage.wire
    plug.welded = True
    measuring = asyncio.create_task(plug.measure())
    async with running(stage.config(relay=RELAY)) as daemon:
        await until(lambda: daemon.events("off_reworded", exchanged=False), "the end of the trial")
        await until(lambda: wire.last(COMMAND) == "off", "off as configured")
        said = len(wire.on(COMMAND))
        await asyncio.sleep(4.0)
    assert wire.texts(COMMAND)[0] == "off"
    assert "on" in wire.texts(COMMAND)[:said]
    assert set(wire.texts(COMMAND)[said:]) == {"off"}  # never again, nor as the farewell
    measuring.cancel()


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"body": {"kept": {"exchanged": 3}}}', '{"body": null}'])
def test_a_store_that_says_nothing_of_it_keeps_nobody_from_switching_off(text: str, tmp_path) -> None:  # type: ignore[no-untyped-def]
    file = tmp_path / "charger.json"
    assert store.exchanged(file, "a", "on", "off") is None
    file.write_text(text)
    assert store.exchanged(file, "a", "on", "off") is None
