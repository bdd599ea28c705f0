"""From a register's topic to the ledger: a daemon that was down finds out what flowed meanwhile."""

from __future__ import annotations

import asyncio
import json
import random
import signal
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import structlog

from surpluscharge.config import ConfigError, parse, warnings
from surpluscharge.config.models import EnergyRegister
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Moment
from surpluscharge.daemon.historian import Historian
from surpluscharge.history.energy import MWS_PER_WH, ms_of
from surpluscharge.history.ledger import Ledger
from tests.conftest import config_from
from tests.test_status import VirtualClock
from tests.wire import POWER, SHADE_W, Feed, Stage

LISBON = ZoneInfo("Europe/Lisbon")
METER = [
    {"topic": "house/energy", "pointer": "/in", "counts": "import"},
    {"topic": "house/energy", "pointer": "/out", "counts": "export", "unit": "Wh"},
]
PLUG = {"topic": "plug/energy", "counts": "charged", "unit": "Wh"}


class House:
    """A house whose meter counts on, with a daemon that comes and goes; a virtual clock."""

    def __init__(self, folder: Path, registers: list[dict[str, Any]]) -> None:
        plain = config_from(store={"directory": str(folder)}, site={"time_zone": "Europe/Lisbon"})
        tables = [EnergyRegister.model_validate(one) for one in registers]
        self.config = plain.model_copy(update={"energy_register": tables})
        self.clock = VirtualClock(datetime(2031, 5, 14, 9, tzinfo=LISBON))
        self.import_wh, self.export_wh, self.charged_wh = 12_345_678.0, 54_321.0, 50.0
        self.logged: list[dict[str, Any]] = []
        self.chance = random.Random(3)
        self.grid_w = 0.0
        self.start()

    def start(self) -> None:
        def keep(_: Any, level: str, event: Any) -> Any:
            self.logged.append(dict(event))
            raise structlog.DropEvent

        log = structlog.wrap_logger(None, processors=[keep], wrapper_class=structlog.BoundLogger)
        self.historian = Historian(lambda: self.config, lambda: self.clock, log, lambda _: None, lambda: None)
        self.historian.open()
        self.controller = Controller(self.config.settings(), self.at())
        self.observe()

    def at(self) -> Moment:
        return Moment(self.clock.now(), 0, self.clock.wall().date().toordinal())

    def observe(self) -> None:
        self.historian.observe(self.controller, self.controller.take_events())

    def flow(self, seconds: float) -> None:
        self.clock.now_s += seconds
        self.import_wh += max(self.grid_w, 0.0) * seconds / 3600
        self.export_wh += max(-self.grid_w, 0.0) * seconds / 3600

    def read(self, retained: bool = False) -> None:
        energy = {"in": round(self.import_wh / 1000, 3), "out": round(self.export_wh)}
        self.historian.register("house/energy", json.dumps(energy).encode(), retained)
        self.historian.register("plug/energy", str(round(self.charged_wh)).encode(), retained)

    async def live(self, minutes: float) -> None:
        for step in range(round(minutes * 6)):
            self.flow(10.0)
            self.grid_w = self.chance.uniform(-2500, 2500)
            self.controller.tell(news.Message("house/grid", f"{self.grid_w}".encode(), False), self.at())
            self.observe()
            if step % 6 == 0:
                self.read()
            if step % 30 == 29:
                await self.historian._write_once()

    def away(self, minutes: float, orderly: bool) -> None:
        """Have the daemon be down; the meter goes on."""
        if orderly:
            self.historian.close(self.controller)
        elif self.historian._ledger:
            self.historian._ledger.close()
        for _ in range(round(minutes)):
            self.flow(60.0)
            self.grid_w = self.chance.uniform(-2500, 2500)
        self.start()

    def named(self, name: str) -> list[dict[str, Any]]:
        return [event for event in self.logged if event["event"] == name]


@pytest.mark.parametrize("orderly", [True, False])
async def test_a_daemon_that_was_down_books_what_flowed_meanwhile(tmp_path: Path, orderly: bool) -> None:
    house = House(tmp_path, [*METER, PLUG])
    house.read()
    begin_ms, before = ms_of(house.clock.wall()), (house.import_wh, house.export_wh)
    await house.live(60)
    house.away(240, orderly)
    house.charged_wh += 700.0  # somebody pressed the plug's button
    house.read(retained=True)  # of this morning, maybe: it says nothing
    await house.live(60)
    house.historian.close(house.controller)
    (gap,) = house.named("gap_filled")
    assert gap["charger_wh"] == pytest.approx(700, abs=2)
    with Ledger(house.config.history_file, read_only=True) as ledger:
        found = ledger.energy(begin_ms, ms_of(house.clock.wall()))
        day = house.clock.wall().date()
        (total,) = ledger.day_totals(day, day, LISBON, None)
    # The registers' last digit is a watt-hour; the books have its error once at each end of the gap.
    assert found.import_wh == pytest.approx(house.import_wh - before[0], abs=6)
    assert found.export_wh == pytest.approx(house.export_wh - before[1], abs=6)
    assert found.known_ms == pytest.approx(6 * 3_600_000, abs=30_000)
    assert total.register_ms == pytest.approx(4 * 3_600_000, abs=0 if orderly else 360_000) or orderly
    refused = house.historian._counting
    assert refused is not None and refused.refused("import") == {"retained": 1}
    assert [event["reason"] for event in house.named("register_refused")] == ["retained"] * 3


async def test_an_exchanged_meter_that_is_said_to_be_one_is_a_new_base_at_once(tmp_path: Path) -> None:
    house = House(tmp_path, METER)
    await house.live(20)
    house.import_wh, house.export_wh = 4_000.0, 0.0
    with Ledger(house.config.history_file) as other:
        now_ms = ms_of(house.clock.wall())
        other.begin_epoch("meter", now_ms, "", now_ms)
    await house.live(40)
    house.historian.close(house.controller)
    with Ledger(house.config.history_file, read_only=True) as ledger:
        marks = ledger.marks(0, 1 << 60, "import")
    assert [mark.base for mark in marks] == sorted(mark.base for mark in marks)
    assert {mark.base for mark in marks} == {1, 2}
    assert marks[-1].total_mws / MWS_PER_WH < 2500  # and nothing of 12 MWh less


async def test_what_is_no_reading_is_counted_and_logged_once_a_minute(tmp_path: Path) -> None:
    house = House(tmp_path, [PLUG])
    payloads = [b"", b"twelve", b"NaN", b"-3", b"1e300", b"\xff", b"[]", b"1" * 70_000]
    for payload in payloads * 50:
        house.clock.now_s += 0.1
        house.historian.register("plug/energy", payload, False)
    counting = house.historian._counting
    assert counting is not None and sum(counting.refused("charged").values()) == 400
    assert len(house.named("register_refused")) <= 8
    assert counting.marks(now=True) == []


async def test_without_registers_nothing_of_it_is_there(tmp_path: Path) -> None:
    house = House(tmp_path, [])
    await house.live(10)
    assert house.historian._counting is None
    house.historian.close(house.controller)
    with Ledger(house.config.history_file, read_only=True) as ledger:
        assert ledger.marks(0, 1 << 60) == []


BARE = '[charger]\ncurrent_a = 6.0\n[[meter]]\ntopic = "house/grid"\n[relay]\ntopic = "plug/set"\n'


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ('[[energy_register]]\ntopic = "a"\ncounts = "import"\n' * 2, "the same value is listed twice"),
        (
            "".join(f'[[energy_register]]\ntopic = "{topic}"\ncounts = "import"\n' for topic in "ab"),
            "two registers have this name",
        ),
        ('[[energy_register]]\ntopic = "plug/set"\ncounts = "import"\n', "the daemon itself publishes there"),
        ('[[energy_register]]\ntopic = "a"\ncounts = "import"\n[history]\nrecord = false\n', "nothing is kept there"),
        ('[energy_register]\ntopic = "a"\ncounts = "import"\n', "energy_register"),
        ('[[energy_register]]\ntopic = "a"\n', "counts"),
    ],
)
def test_a_configuration_that_cannot_be_says_why(text: str, complaint: str) -> None:
    with pytest.raises(ConfigError, match=complaint):
        parse(BARE + text, "test.toml")


def test_one_register_alone_is_warned_of() -> None:
    alone = parse(BARE + '[[energy_register]]\ntopic = "a"\ncounts = "import"\n', "test.toml")
    both = parse(
        BARE + "".join(f'[[energy_register]]\ntopic = "a{one}"\ncounts = "{one}"\n' for one in ("import", "export")), ""
    )
    found = [[text for text in warnings(config) if "energy_register" in text] for config in (alone, both)]
    assert [len(texts) for texts in found] == [1, 0]


@pytest.mark.broker
async def test_over_a_real_broker_a_register_comes_to_the_ledger_and_what_is_retained_does_not(stage: Stage) -> None:
    """One that shares the topic of the plug's power, and one with a topic of its own."""
    registers = [
        {"topic": POWER, "counts": "charged", "unit": "Wh"},  # of this plug the number means both
        {"topic": "house/energy", "pointer": "/in", "counts": "import"},
    ]

    async def lived(*shown: float) -> None:
        daemon = stage.start(energy_register=registers)
        await stage.ready()
        for value in shown:
            async with Feed(stage.wire, SHADE_W):
                stage.wire.publish("house/energy", json.dumps({"in": value}))
                stage.wire.publish(POWER, 10 * value)
                await asyncio.sleep(0.3)
        daemon.signal(signal.SIGTERM)
        await daemon.ended()

    stage.wire.publish("house/energy", json.dumps({"in": 7.0}), retain=True)
    await lived(100.0, 100.25)
    await lived(100.5)
    with Ledger(stage.config().history_file, read_only=True) as ledger:
        marks = ledger.marks(0, 1 << 60, "import")
        charged = ledger.marks(0, 1 << 60, "charged")
    assert [mark.shown_mws / 3.6e9 for mark in marks] == [100.25, 100.5]
    assert {mark.base for mark in marks} == {1} and marks[-1].total_mws - marks[0].total_mws == 0.25 * 3.6e9
    assert [mark.shown_mws / 3.6e6 for mark in charged] == [1002.5, 1005.0]
