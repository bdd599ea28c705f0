"""Charging by plan with the real controller, on a clock of the test's own: an invented house, lead, car and prices."""

from __future__ import annotations

import asyncio
import json
import math
import signal
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, tzinfo
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import structlog

from surpluscharge import cli
from surpluscharge.clock import day_number
from surpluscharge.config import Config, parse
from surpluscharge.config.models import Store
from surpluscharge.control import machine, news, slots, wishes
from surpluscharge.control.controller import Controller, Kept, Moment
from surpluscharge.control.news import News
from surpluscharge.control.plan import Lead
from surpluscharge.control.signals import Rejected
from surpluscharge.control.slots import Slot
from surpluscharge.daemon import planner as planner_module
from surpluscharge.daemon import status, store
from surpluscharge.daemon.commands import COMMANDS
from surpluscharge.daemon.planner import Keeps, Planner
from surpluscharge.history.energy import Sample, hold
from surpluscharge.history.expectation import Day
from surpluscharge.history.ledger import Batch, Due, Ledger, PlanAhead
from tests.bench import planned_kills
from tests.wire import BASE, COMMAND, ENABLE, ENABLE_SET, GRID, SUN_W, Feed, Stage, tables, told, toml, until

broker = pytest.mark.broker
LISBON = ZoneInfo("Europe/Lisbon")
POWER, PRICES = "shed/plug/power", "shed/prices"
NOON, DAWN = datetime(2031, 5, 5, 12, 0, tzinfo=LISBON), datetime(2031, 5, 6, 7, 0, tzinfo=LISBON)
TWO_RATES = {
    "currency": "EUR",
    "tariff": [
        {
            "import_price": 0.30,
            "export_price": 0.06,
            "window": [{"begins": "01:00", "ends": "05:00", "import_price": 0.12}],
        }
    ],
}
EACH_DAY = [{"by": "07:00", "energy_wh": 4000}]


def configured(planned: dict[str, Any] | None = None, **changes: Any) -> Config:
    given = tables(1, Path("/nowhere"), **{"money": TWO_RATES, "site": {"time_zone": "Europe/Lisbon"}} | changes)
    given["planned"] = {"allow": True, "ready_before_s": 600} | ({"need": EACH_DAY} if planned is None else planned)
    given["meter"] = [{"topic": GRID, "fresh_s": 120.0}]
    given["relay"]["power"] = {"topic": POWER, "fresh_s": 120.0}
    given["history"] = {"record": False}
    return parse(toml(given), "shed.toml")


@dataclass
class House:
    """The shell's part, in steps of a minute. ``sun_w``: surplus without the charger."""

    config: Config = field(default_factory=configured)
    start: datetime = NOON
    sun_w: float = -300.0
    car_w: float = 1380.0
    gone_s: float = 0.0
    kept: Kept | None = None
    log: list[dict[str, Any]] = field(default_factory=list)
    on_at: list[tuple[datetime, bool]] = field(default_factory=list)
    metered: bool = True
    keeps: Keeps | None = None

    def __post_init__(self) -> None:
        self.controller = Controller(self.config.settings(self.start), self.at(), self.kept)
        logger: Any = structlog.wrap_logger(None, processors=[self._line], wrapper_class=structlog.stdlib.BoundLogger)
        self.planner = Planner(lambda: self.config, lambda: self, logger, self.tell, lambda: self.keeps)
        for happened in (news.CommandsLink(True), news.RelayLink(True), news.Enable(True)):
            self.controller.tell(happened, self.at())

    def _line(self, _: Any, method: str, event: dict[str, Any]) -> Any:
        self.log.append({**event, "level": method})
        raise structlog.DropEvent

    # The clock.

    def now(self) -> float:
        return 1e6 + self.gone_s

    def wall(self) -> datetime:
        return (self.start.astimezone(UTC) + timedelta(seconds=self.gone_s)).astimezone(LISBON)

    def at(self) -> Moment:
        wall = self.wall()
        noon = datetime(2000, 1, 1, 12, 0, tzinfo=UTC).time()
        return Moment(
            self.now(),
            day_number(wall, self.config.rearm_at),
            wall.date().toordinal(),
            day_number(wall, noon),
            utc_s=wall.timestamp(),
        )

    def tell(self, happened: News) -> None:
        self.controller.tell(happened, self.at())

    def ask(self, payload: bytes, name: str = "plan") -> None:
        command = next(command for command in COMMANDS if command.name == name)
        self.tell(command.heed(payload, "", self.controller, self.wall()))
        self.planner.look(self.controller)

    @property
    def drawn_w(self) -> float:
        return self.car_w if self.controller.wants_on else 0.0

    def run(self, hours: float) -> House:
        end_s = self.gone_s + hours * 3600.0
        while self.gone_s < end_s:
            self.tell(
                news.Message(GRID, f"{self.drawn_w - self.sun_w + 0.7 * (self.gone_s // 60 % 3):.1f}".encode(), False)
            )
            if self.metered:
                self.tell(news.Message(POWER, f"{self.drawn_w:.1f}".encode(), False))
            self.planner.look(self.controller)
            next_s = min(self.gone_s + 60.0, end_s)
            while (due_s := self.controller.deadline_s() - 1e6) < next_s:
                self.gone_s = max(due_s, self.gone_s + 1e-3)
                self.tell(news.Tick())
                self._follow()
            self.gone_s = next_s
            self.tell(news.Tick())
            self._follow()
        return self

    def until(self, when: datetime) -> House:
        return self.run((when - self.wall()).total_seconds() / 3600.0)

    def _follow(self) -> None:
        wanted = self.controller.wants_on
        if self.controller.plug.acknowledged is not wanted:
            self.tell(news.Taken(wanted))
            self.on_at.append((self.wall(), wanted))
        self.controller.take_events()

    # What is asked of it.

    def said(self, name: str) -> list[dict[str, Any]]:
        return [line for line in self.log if line["event"] == name]

    @property
    def came_wh(self) -> float:
        return self.controller.progress.got_wh

    @property
    def charged(self) -> list[tuple[str, str]]:
        """From when until when it was on, as the clock on the wall shows it."""
        ons = [f"{at:%H:%M}" for at, on in self.on_at if on]
        offs = [f"{at:%H:%M}" for at, on in self.on_at if not on and f"{at:%H:%M}" >= "" and at > self.on_at[0][0]]
        return list(zip(ons, offs, strict=False))

    def document(self) -> status.StatusDocument:
        return status.build(
            self.controller, self.config, self.at(), self, None, self.planner if self.config.planned.allow else None
        )


def test_what_the_sun_does_not_bring_is_bought_in_the_cheap_hours_and_no_more() -> None:
    house = House().until(DAWN - timedelta(minutes=5))
    # 4000 Wh at 1380 W are 2 h 54 min, within the four cheap hours.
    assert 4000.0 <= house.came_wh < 4100.0
    assert all(begin >= "01:00" and end <= "05:01" for begin, end in house.charged)
    house.until(DAWN + timedelta(minutes=5))
    (met,) = house.said("need_met")
    assert met["needed_wh"] == 4000 and met["from_sun_wh"] < 30
    assert house.came_wh == 0.0  # counted anew


def test_the_sun_of_the_day_counts() -> None:
    house = House(sun_w=3000.0).run(2.0)
    sun_wh = house.came_wh
    assert 2500.0 < sun_wh == pytest.approx(house.controller.progress.sun_wh)
    house.sun_w = -300.0
    house.until(DAWN - timedelta(minutes=5))
    assert 4000.0 <= house.came_wh < 4100.0
    assert house.controller.state.planned_wh == pytest.approx(4000.0 - sun_wh, abs=100.0)
    assert house.controller.state.session_wh < sun_wh + 60.0  # neither counts for the other


def test_a_flat_price_is_bought_as_late_as_is_safe() -> None:
    flat = {"currency": "EUR", "tariff": [{"import_price": 0.30, "export_price": 0.06}]}
    house = House(configured(money=flat)).until(DAWN + timedelta(minutes=2))
    ((begin, end),) = house.charged
    assert "03:40" <= begin <= "04:00" and "06:45" <= end <= "06:52"  # 2 h 54 min until ten minutes before


def test_a_rest_that_draws_near_is_reckoned_with() -> None:
    """The sun charges from one to 13:36; 56 minutes more are due at 15:18, and after an hour it rests for half.

    As late as is safe would be at two, before the pause were long enough to be a rest. So it goes on as soon as it may.
    """
    needs = [{"by": "13:36", "energy_wh": 100}, {"by": "15:18", "energy_wh": 1290}]
    socket = {"rest_after_s": 3600, "rest_s": 1800, "rest_above_share": 0.5}
    flat = {"currency": "EUR", "tariff": [{"import_price": 0.30, "export_price": 0.06}]}
    given = configured({"need": needs, "ready_before_s": 1200}, money=flat, socket=socket)
    house = House(given, start=NOON + timedelta(hours=1), sun_w=3000.0).run(0.6)
    house.sun_w = -300.0
    house.run(0.8)
    resting = house.planner._with_rests(Lead(1380.0), house.controller, house.wall().timestamp())
    assert not house.controller.wants_on and resting.ran_s == 0.0
    free_at = datetime.fromtimestamp(resting.free_from_s, LISBON)
    house.until(NOON + timedelta(hours=3, minutes=20))
    _, met = (*house.said("need_met"), *house.said("need_missed"))
    assert met["event"] == "need_met" and met["came_wh"] >= 1285
    _, second, again, third = house.charged
    # Of the sun something is left in the mean of late: that quarter of an hour is the solar rule's, and it waits.
    assert second[1] == "13:42" and again[0] == "13:45"
    assert second[0] <= "13:50" and third[1] <= "15:18"
    assert f"{free_at:%H:%M}" <= third[0] <= f"{free_at + timedelta(minutes=2):%H:%M}"


def test_without_prices_it_is_the_same() -> None:
    given = configured().model_copy(update={"money": None})
    house = House(given).until(DAWN + timedelta(minutes=2))
    assert house.came_wh == 0.0 or house.came_wh >= 3990.0
    assert house.said("need_met")


def test_now_ends_by_itself_and_the_sun_goes_on() -> None:
    house = House(configured({}))
    house.run(0.5)
    house.ask(b'{"energy_wh": 1000}')
    house.run(0.5)
    plan = house.document().plan
    assert house.controller.wants_on and plan is not None and plan.asked == "now"
    assert plan.text.startswith("1.0 kWh was asked for, to begin at once, and 0.")
    house.run(1.0)
    assert not house.controller.wants_on
    assert 1000.0 <= house.came_wh < 1060.0
    assert house.said("charge_done")[0]["energy_wh"] == pytest.approx(1010, abs=40)
    house.sun_w = 3000.0
    house.run(0.5)
    assert house.controller.wants_on and not house.controller.state.planned


def test_now_is_taken_back_though_something_is_needed_later() -> None:
    """What was begun for the one who asked is no reason to go on for the need of the next morning."""
    flat = {"currency": "EUR", "tariff": [{"import_price": 0.30, "export_price": 0.06}]}
    house = House(configured(money=flat)).run(0.5)
    house.ask(b'{"time_s": 7200}')
    house.run(0.5)
    assert house.controller.wants_on
    house.ask(b'{"energy_wh": 0}')
    house.run(0.1)
    assert not house.controller.wants_on
    house.until(DAWN - timedelta(minutes=5))
    assert 4000.0 <= house.came_wh < 4100.0


def test_nothing_is_bought_ahead_for_what_is_counted_anew() -> None:
    """Dear from the next morning on, and yet no more is bought than is needed by then."""
    house = House(configured({"need": EACH_DAY, "prices": {"topic": PRICES}}))
    begin = NOON.astimezone(UTC)
    slots = [
        {"start": (begin + timedelta(hours=hour)).isoformat(), "minutes": 60, "price": 0.1 if hour < 20 else 0.4}
        for hour in range(60)
    ]
    assert house.planner.take(PRICES, json.dumps(slots).encode())
    house.until(DAWN - timedelta(minutes=5))
    assert 4000.0 <= house.came_wh < 4100.0


def test_now_for_some_time() -> None:
    house = House(configured({}))
    house.ask(b'{"time_s": 1800}')
    house.run(2.0)
    ((begin, end),) = house.charged
    assert begin in ("12:00", "12:01") and end == "12:30"


def test_by_a_time_for_once_stands_in_for_the_standing_need() -> None:
    house = House()
    house.ask(b'{"energy_wh": 1500, "by": "06:00"}')
    house.until(DAWN + timedelta(hours=1))
    assert [line["needed_wh"] for line in house.said("need_met")] == [1500]
    assert house.controller.state.planned_wh == pytest.approx(1500.0, abs=30.0)
    house.until(DAWN + timedelta(days=1, minutes=1))
    assert [line["needed_wh"] for line in house.said("need_met")] == [1500, 4000]


def test_what_cannot_be_reached_is_said_at_once_and_charged_at_any_price() -> None:
    house = House(configured({"need": [{"by": "07:00", "energy_wh": 14000}], "time_cap_s": 14 * 3600}))
    house.until(NOON.replace(hour=22))
    house.config = configured({"need": [{"by": "07:00", "energy_wh": 30000}], "time_cap_s": 14 * 3600})
    house.run(0.1)
    plan = house.document().plan
    assert plan is not None and plan.unreachable_wh > 0.0
    assert "the most that this lead can bring" in plan.text
    assert house.controller.wants_on
    house.until(DAWN + timedelta(minutes=1))
    assert house.said("need_missed")[0]["level"] == "warning"


def test_what_may_be_charged_by_plan_has_its_own_end() -> None:
    house = House(configured({"need": [{"by": "07:00", "energy_wh": 8000}], "time_cap_s": 2 * 3600})).until(
        DAWN + timedelta(minutes=2)
    )
    assert house.controller.state.planned_s == pytest.approx(7200.0, abs=1.0)
    assert house.controller.state.session_s < 60.0
    house.until(DAWN + timedelta(hours=6))  # the next noon: another allowance
    house.ask(b'{"energy_wh": 500}')
    house.run(0.2)
    assert house.controller.wants_on


def test_a_car_that_takes_no_more_ends_it() -> None:
    house = House(configured({}))
    house.ask(b'{"energy_wh": 9000}')
    house.run(0.5)
    house.car_w = 3.0
    house.run(0.5)
    assert house.said("car_full") and not house.controller.wants_on
    house.run(3.0)
    assert len(house.charged) == 1


def test_a_car_that_was_away_is_tried_again_and_its_need_not_lost() -> None:
    """One that drew nothing at all is not full; nor is one that was away when the sun was tried."""
    house = House(configured({"need": [{"by": "16:00", "energy_wh": 1500}]}), start=NOON.replace(hour=14, minute=40))
    house.car_w = 3.0
    house.run(0.4)
    assert house.charged and not house.controller.wants_on
    house.car_w = 1380.0
    house.run(0.8)
    assert not house.said("car_full") and house.came_wh > 400.0


def test_one_run_across_noon_has_one_allowance() -> None:
    house = House(configured({"time_cap_s": 3600}), start=NOON - timedelta(minutes=30))
    house.ask(b'{"energy_wh": 9000}')
    house.run(2.5)
    assert house.controller.state.planned_s == pytest.approx(3600.0, abs=1.0)
    assert house.controller.today.on_s == pytest.approx(3600.0, abs=60.0)


def test_no_charge_that_ends_before_noon_has_the_next_allowance_after_it() -> None:
    house = House(configured({"time_cap_s": 3600}), start=NOON - timedelta(minutes=65))
    house.ask(b'{"energy_wh": 9000}')
    house.run(3.0)
    assert house.charged == [("10:55", "11:55")]
    house.ask(b'{"energy_wh": 9000}')
    house.run(3.5)
    assert house.charged == [("10:55", "11:55"), ("15:55", "16:55")]


def test_of_the_morning_it_is_not_said_that_the_next_one_cannot_be_met() -> None:
    """What the night has used up is there again at noon."""
    house = House(configured({"need": EACH_DAY, "time_cap_s": 3 * 3600 + 600})).until(DAWN + timedelta(hours=1))
    assert house.controller.state.planned_s > 10000.0
    plan = house.document().plan
    assert plan is not None and plan.needed_wh == 4000.0 and plan.unreachable_wh == 0.0
    assert not house.controller.wants_on
    house.until(DAWN + timedelta(days=1, minutes=1))
    assert len(house.said("need_met")) == 2


def test_a_day_of_prices_is_told_as_it_changes() -> None:
    document = House().run(0.1).document()
    assert document.plan is not None
    told = [(f"{one.begins:%H:%M}", one.price) for one in document.plan.prices]
    assert told == [("12:00", 0.3), ("01:00", 0.12), ("05:00", 0.3)]


def test_cheap_hours_around_noon_have_an_allowance_each_day() -> None:
    """What was used across noon does not stay used until the noon after."""
    flat = {"currency": "EUR", "tariff": [{"import_price": 0.3, "export_price": 0.06}]}
    noon = {"begins": "10:00", "ends": "14:00", "import_price": 0.1}
    flat["tariff"][0]["window"] = [noon]  # type: ignore[index]
    need = [{"by": "18:00", "energy_wh": 5000}]
    house = House(configured({"need": need, "time_cap_s": 5 * 3600}, money=flat), start=NOON.replace(hour=8))
    house.run(4 * 24.0)
    assert [line["needed_wh"] for line in house.said("need_met")] == [5000] * 4


def test_an_hour_is_an_hour_whatever_becomes_of_the_clock_on_the_wall() -> None:
    house = House(configured({}))
    house.ask(b'{"time_s": 1800}')
    house.run(0.3)
    house.start -= timedelta(days=1)
    house.tell(news.ClockJumped())
    house.run(0.1)
    assert house.controller.wants_on
    house.run(0.15)
    assert not house.controller.wants_on and house.controller.progress.request is None


def test_what_was_to_begin_at_once_does_not_come_back_with_on() -> None:
    house = House(configured({}))
    house.ask(b'{"energy_wh": 9000}')
    house.run(0.3)
    house.tell(news.Enable(False))
    house.run(0.1)
    assert house.said("charge_done")
    house.tell(news.Enable(True))
    house.run(0.3)
    assert not house.controller.wants_on


def test_a_clock_that_was_wrong_for_a_while_loses_no_need() -> None:
    house = House(start=NOON).run(0.05)
    house.tell(news.Due(house.wall().timestamp() + 3 * 86400.0))
    house.run(0.05)
    assert house.controller.progress.since_s <= house.wall().timestamp()


def test_a_clock_that_is_not_set_yet_forgets_nothing_and_plans_nothing() -> None:
    """A small computer without a clock of its own wakes up in 1970, until the network tells it the time."""
    house = House(start=NOON, sun_w=2000.0).run(2.0)
    kept = house.controller.kept()._replace(saved_s=1e6)
    assert kept.progress.got_wh > 1000.0
    again = House(start=datetime(1970, 1, 1, 0, 0, 10, tzinfo=UTC), kept=kept).run(0.02)
    assert again.planner.words(again.controller.progress).startswith("the computer's clock is not set")
    assert again.controller.progress == kept.progress
    again.start = house.wall()
    again.tell(news.ClockJumped())
    again.run(0.1)
    assert again.controller.progress.got_wh == kept.progress.got_wh
    assert again.said("need_missed") == []


@pytest.mark.parametrize("over", [True, False])
def test_a_clock_that_was_far_ahead_when_something_was_asked_for_does_not_silence_needs(over: bool) -> None:
    house = House(start=NOON + timedelta(days=20)).run(0.05)
    house.ask(b'{"energy_wh": 1000, "by": "13:00"}')
    if over:  # by that clock; then nothing is due by the configuration until the end of that day
        house.run(1.5)
    house.start = NOON
    house.tell(news.ClockJumped())
    house.run(0.1)
    shown = house.planner.shown
    assert shown is not None and shown.plan.need is not None
    assert shown.plan.need.by_s == DAWN.timestamp()
    assert len(house.said("charge_forgotten")) == (0 if over else 1)


def test_a_need_that_is_new_in_the_file_was_not_missed() -> None:
    house = House(start=NOON).run(0.3)
    house.config = configured({"need": [{"by": "12:10", "energy_wh": 4000}]})
    house.run(0.1)
    assert not any(line["level"] == "warning" for line in house.said("need_missed"))


@pytest.mark.parametrize("wrong", ["disabled", "silent", "hot"])
def test_all_that_protects_stands_above_any_plan(wrong: str) -> None:
    house = House(configured({}))
    house.ask(b'{"energy_wh": 9000}')
    house.run(0.5)
    assert house.controller.wants_on
    if wrong == "disabled":
        house.tell(news.Enable(False))
    elif wrong == "silent":
        house.gone_s += 121.0
        house.tell(news.Tick())
    else:
        house.controller.socket.level = 1.0
        house.tell(news.Tick())
    assert not house.controller.wants_on


def test_it_is_kept_across_a_restart(tmp_path: Path) -> None:
    house = House()
    house.ask(b'{"energy_wh": 6000, "by": "07:00"}')
    house.until(NOON + timedelta(hours=14))
    assert house.controller.wants_on
    before = house.controller
    store.save(tmp_path / "kept.json", before.kept(), _Boot(house))
    kept = store.load(tmp_path / "kept.json", _Boot(house))
    assert kept is not None
    again = House(start=NOON, gone_s=house.gone_s, kept=kept)
    assert again.controller.progress == before.progress
    assert again.controller.state.planned_s == before.state.planned_s
    assert not again.controller.wants_on  # nobody knows yet that the relay is off
    again.until(DAWN + timedelta(minutes=2))
    assert 6000.0 <= again.came_wh < 6100.0 or again.said("need_met")


DAY = timedelta(days=1)


def test_while_nobody_is_there_nothing_is_bought_and_nothing_is_missed() -> None:
    """From Tuesday noon until Friday noon: what is due on Tuesday and Saturday is had, and nothing in between."""
    house = House()
    house.ask(b'{"leave": "2031-05-06T12:00:00+01:00", "back": "2031-05-09T12:00:00+01:00"}', "away")
    assert house.document().away == status.AwayStatus(leave=NOON + DAY, back=NOON + 4 * DAY, now=False, sun=True)
    house.until(DAWN + 2 * DAY)
    assert [met["needed_wh"] for met in house.said("need_met")] == [4000] and house.came_wh == 0.0
    shown = house.document()
    assert shown.away and shown.away.now and shown.plan and "nobody is there" in shown.plan.text
    assert "Nobody is there until 2031-05-09 12:00: the sun charges" in status.in_words(shown, "x.toml")
    # It is planned for what is due after the return, and only from then on.
    assert shown.plan.needed_by == DAWN + 4 * DAY and all(run.begins >= NOON + 4 * DAY for run in shown.plan.runs)
    house.until(DAWN + 4 * DAY + timedelta(minutes=5))
    assert len(house.said("need_met")) == 2 and not house.said("need_missed")
    assert house.controller.progress.away is None and house.document().away is None
    starts = [at for at, on in house.on_at if on]
    assert not [at for at in starts if NOON + DAY <= at < NOON + 4 * DAY] and starts[-1] > NOON + 4 * DAY


def test_who_comes_back_early_or_stays_longer_has_missed_nothing() -> None:
    house = House()
    house.ask(b'{"back": "2031-05-07T12:00:00+01:00"}', "away")
    house.until(NOON + DAY)
    house.ask(b'{"back": "2031-05-20"}', "away")
    house.until(NOON + 2 * DAY)
    house.ask(b"null", "away")
    house.until(DAWN + 2 * DAY - timedelta(minutes=5))
    assert 4000.0 <= house.came_wh < 4100.0
    house.run(0.2)
    assert len(house.said("need_met")) == 1 and not house.said("need_missed")


def test_the_sun_of_an_absence_counts_after_it_and_what_came_before_does_not() -> None:
    """A car that stays at home is charged by the sun meanwhile; one that leaves is driven."""
    house = House(sun_w=3000.0).run(2.0)  # 2.7 kWh
    house.ask(b'{"back": "2031-05-06T02:00:00+01:00"}', "away")
    house.run(0.1)
    assert house.came_wh < 300.0
    house.run(1.0)
    house.sun_w, sun_wh = -300.0, house.came_wh
    house.until(DAWN - timedelta(minutes=5))
    assert sun_wh > 1300.0 and 4000.0 <= house.came_wh < 4100.0
    assert house.controller.state.planned_wh == pytest.approx(4000.0 - house.controller.progress.sun_wh, abs=100.0)


def test_where_the_sun_is_not_to_charge_it_does_not_and_ends_at_once() -> None:
    house = House(sun_w=3000.0).run(1.0)
    assert house.controller.wants_on
    house.ask(b'{"back": "2031-05-06", "sun": false}', "away")
    assert not house.controller.wants_on and house.controller.enabled
    house.run(0.5)
    shown = house.document()
    assert (shown.state, shown.enabled) == ("idle", True)
    assert shown.why == "Nobody is there, and the sun is not to charge meanwhile."
    assert shown.waiting_for == "the day of return" and shown.wait_s == pytest.approx(10.5 * 3600.0, abs=1.0)
    # What somebody asks for is charged all the same.
    house.ask(b'{"energy_wh": 1000}')
    house.run(0.2)
    assert house.controller.wants_on and house.document().why.startswith("Charging as asked for.")
    house.run(2.0)
    assert not house.controller.wants_on
    house.ask(b"null", "away")
    house.run(0.2)
    assert house.controller.wants_on


def test_without_a_day_of_return_it_lasts_until_somebody_says_so_and_outlives_a_restart(tmp_path: Path) -> None:
    house = House()
    house.ask(b'{"sun": false}', "away")
    house.until(DAWN + 3 * DAY)
    assert not house.on_at or not any(on for _, on in house.on_at)
    boot: Any = _Boot(house)
    store.save(tmp_path / "kept.json", house.controller.kept(), boot)
    kept = store.load(tmp_path / "kept.json", boot)
    assert kept and kept.progress.away == wishes.Away(NOON.timestamp(), None, False)
    again = House(start=house.wall(), kept=kept).run(1.0)
    assert again.document().waiting_for == "somebody to come back, and say so"
    again.ask(b"null", "away")
    again.until(DAWN + 4 * DAY - timedelta(minutes=5))
    assert 4000.0 <= again.came_wh < 4100.0


@pytest.mark.parametrize(("leave_s", "back_s"), [(-1.0, None), (5.0, 4.0), (1e9, 1e300), (1e300, None)])
def test_an_absence_that_no_daemon_can_have_written_is_not_believed(
    leave_s: float, back_s: float | None, tmp_path: Path
) -> None:
    house = House()
    boot: Any = _Boot(house)
    progress = house.controller.progress._replace(away=wishes.Away(leave_s, back_s))
    store.save(tmp_path / "kept.json", house.controller.kept()._replace(progress=progress), boot)
    with pytest.raises(store.Unusable):
        store.load(tmp_path / "kept.json", boot)


class _Boot:
    """The house's clock, as the store asks it."""

    origin = "boot"

    def __init__(self, house: House) -> None:
        self.now, self.wall = house.now, house.wall


def test_it_may_not_unless_the_file_says_so() -> None:
    house = House(configured({"allow": False, "need": EACH_DAY}))
    with pytest.raises(Rejected) as caught:
        house.ask(b'{"energy_wh": 1000}')
    assert caught.value.reason == "not-allowed"
    house.until(DAWN + timedelta(minutes=2))
    assert not house.on_at or not any(on for _, on in house.on_at)
    assert house.document().plan is None


# --- prices that move ------------------------------------------------------------------------------------------------


def slots_of(prices: dict[int, float], zone: tzinfo = LISBON) -> bytes:
    """A day's prices, hour by hour from the noon; 0.4 where nothing is said."""
    return json.dumps(
        [
            {
                "start": (NOON + timedelta(hours=hour)).astimezone(zone).isoformat(),
                "minutes": 60,
                "price": prices.get(hour, 0.4),
            }
            for hour in range(24)
        ]
    ).encode()


def moving(**planned: Any) -> Config:
    return configured({"need": EACH_DAY, "prices": {"topic": PRICES}} | planned)


def test_the_cheapest_hours_of_prices_that_move_are_taken() -> None:
    house = House(moving())
    assert house.planner.take(PRICES, slots_of({4: 0.05, 10: -0.02, 16: 0.06}))
    house.until(DAWN + timedelta(minutes=2))
    assert house.said("need_met")
    begins = [begin for begin, _ in house.charged]
    assert [begin[:2] for begin in begins] == ["16", "22", "04"]


def test_a_price_per_mwh_with_taxes() -> None:
    house = House(moving(prices={"topic": PRICES, "per": "MWh", "factor": 1.2, "plus": 0.1}))
    house.planner.take(PRICES, slots_of({4: 50.0}))
    assert house.planner.prices[4].value == pytest.approx(0.16)


SPOILT = [
    (b"", "not-json"),
    (b"on", "not-json"),
    (b"[]", "not-slots"),
    (b'[{"start": "2031-05-05T12:00:00", "minutes": 60, "price": 0.1}]', "slot-without-offset"),
    (b'[{"start": "2031-05-05T12:00:00+07:00", "minutes": 60, "price": 0.1}]', "slot-wrong-zone"),
    (b'[{"start": "2031-05-05T12:00:00+01:00", "minutes": 60, "price": Infinity}]', "not-finite"),
    (b'[{"start": "2031-05-05T12:00:00+01:00", "minutes": 60, "price": 1e9}]', "implausible"),
    (b'[{"start": "2030-05-05T12:00:00+01:00", "minutes": 60, "price": 0.1}]', "slots-stale"),
    (
        json.dumps([{"start": "2031-05-05T12:00:00+01:00", "minutes": 60, "price": 0}] * 10_000).encode(),
        "too-large",
    ),
    (json.dumps([{"start": "2031-05-05T12:00:00+01:00", "minutes": 60}] * 401).encode(), "too-many-slots"),
    (json.dumps([{"start": "2031-05-05T12:00:00+01:00", "minutes": 60, "price": 0}] * 2).encode(), "slots-doubled"),
    (
        json.dumps(
            [{"start": f"2031-05-05T{hour}:00:00+01:00", "minutes": 60, "price": -0.1} for hour in (12, 14)]
        ).encode(),
        "slots-gap",
    ),
]


@pytest.mark.parametrize(("payload", "reason"), SPOILT)
def test_each_fault_of_a_feed_is_named_and_changes_nothing(payload: bytes, reason: str) -> None:
    planner = House(moving()).planner
    with pytest.raises(Rejected) as caught:
        planner.take(PRICES, payload)
    assert caught.value.reason == reason
    assert planner.prices == ()


def test_no_fault_of_a_feed_switches_on() -> None:
    """The file's prices hold, and the need is met by them."""
    house = House(moving())

    def all_of_them() -> None:
        for payload, _ in SPOILT:
            with pytest.raises(Rejected):
                house.planner.take(PRICES, payload)

    all_of_them()
    house.run(1.0)
    assert not house.controller.wants_on
    all_of_them()
    assert house.said("feed_lacking")[0]["lack"] == "missing"
    house.until(DAWN + timedelta(minutes=2))
    assert house.said("need_met")
    assert all(begin >= "01:00" and end <= "05:01" for begin, end in house.charged)


@dataclass
class Keeping:
    """What the historian does for the planner."""

    ahead: dict[str, Any] = field(default_factory=dict)
    told: dict[date, float] = field(default_factory=dict)
    writes: int = 0
    prices: list[tuple[Slot, ...]] = field(default_factory=list)
    dues: list[Due] = field(default_factory=list)
    plans: list[PlanAhead] = field(default_factory=list)

    def published(self, feed: str, book: slots.Book) -> None:
        self.ahead[feed] = json.loads(json.dumps(slots.kept(book)))
        self.writes += 1

    def foretold(self, day: date, mean_w: float) -> None:
        self.told[day] = mean_w

    def in_force(self, book: slots.Book) -> None:
        self.prices.append(book)

    def due(self, due: Due) -> None:
        self.dues.append(due)

    def planned(self, plan: PlanAhead) -> None:
        self.plans.append(plan)


def test_what_was_published_outlives_a_restart_and_is_judged_by_the_file_of_then() -> None:
    keeps = Keeping()
    house = House(moving(prices={"topic": PRICES, "per": "MWh"}), keeps=keeps)
    for _ in range(2):  # the same word twice is kept once
        house.planner.take(PRICES, slots_of({4: 50.0, 5: 90.0, 6: 400.0}))
    assert keeps.writes == 1
    assert keeps.ahead["prices"][4][2] == 50.0  # as it was published
    again = House(moving(prices={"topic": PRICES, "per": "MWh", "plus": 0.1}), start=NOON, gone_s=3600.0, keeps=keeps)
    again.planner.recall()
    assert [round(slot.value, 3) for slot in again.planner.prices[4:7]] == [0.15, 0.19, 0.5]
    assert again.said("prices_known") == [
        {"event": "prices_known", "level": "info", "until": "2031-05-06T12:00+01:00", "kept": True}
    ]
    again.until(DAWN + timedelta(minutes=2))
    assert [begin[:2] for begin, _ in again.charged] == ["16", "17", "21"] or again.said("need_met")
    # By this file 400 for a kWh is not to be believed: what is beyond belief is none, whenever it came.
    other = House(moving(prices={"topic": PRICES}), keeps=keeps)
    other.planner.recall()
    assert other.planner.prices == ()
    # Nor what is over, nor what only a wrong clock can have known.
    for gone_s in (3 * 86400.0, -20 * 86400.0):
        late = House(moving(prices={"topic": PRICES, "per": "MWh"}), gone_s=gone_s, keeps=keeps)
        late.planner.recall()
        assert late.planner.prices == () and not late.said("prices_known")
    none = House(configured(), keeps=keeps)
    none.planner.recall()
    assert none.planner.prices == ()


def test_prices_in_force_and_what_was_needed_go_to_the_ledger() -> None:
    """The prices with all that the file adds, once for each change of them, and none once it has no feed any more."""
    keeps = Keeping()
    house = House(moving(prices={"topic": PRICES, "factor": 1.2, "plus": 0.1}), keeps=keeps)
    house.planner.recall()
    assert keeps.prices == [()]
    for _ in range(3):
        house.planner.take(PRICES, slots_of({4: 0.05}))
        house.run(0.2)
    assert [len(book) for book in keeps.prices] == [0, 24]
    assert [slot.value for slot in keeps.prices[1][3:6]] == [0.58, 0.16, 0.58]  # to the digit
    house.config = moving(prices={"topic": PRICES, "factor": 1.2, "plus": 0.2})
    house.run(0.1)
    assert [slot.value for slot in keeps.prices[2][3:6]] == [0.68, 0.26, 0.68]
    house.until(DAWN + timedelta(minutes=2))
    (due,) = keeps.dues
    assert due.by_ms == DAWN.timestamp() * 1000 and due.since_ms == house.start.timestamp() * 1000
    assert due.met and not due.car_full and due.needed_mws == 4000 * 3_600_000
    assert due.came_mws == pytest.approx(house.said("need_met")[0]["came_wh"] * 3_600_000, rel=1e-3)
    assert due.solar_mws < 30 * 3_600_000
    # And what is planned, as it changes: first a run ahead, at last nothing for what is due only tomorrow.
    assert keeps.plans[0].runs[0].begin_s > house.start.timestamp() and "are in by 07:00" in keeps.plans[0].text
    assert all(one[1:] != other[1:] for one, other in pairwise(keeps.plans))
    again = House(configured(), start=DAWN, keeps=keeps)
    again.planner.recall()
    assert keeps.prices[-1] == ()


def test_days_like_these_have_their_sun_their_prices_and_what_was_foretold_of_them(tmp_path: Path) -> None:
    """A day of 25 hours among them: the hour that comes twice counts together."""
    config = moving().model_copy(update={"store": Store(directory=str(tmp_path))})
    first, now = date(2031, 10, 25), datetime(2031, 10, 27, 12, tzinfo=LISBON)
    begin_s = int(datetime(2031, 10, 25, tzinfo=LISBON).timestamp())
    hours = [Slot(begin_s + n * 3600, begin_s + (n + 1) * 3600, n / 100) for n in range(50)]
    samples = [Sample(1000 * (begin_s + n * 60), -690.0 * (600 <= n < 720), 0.0, False) for n in range(49 * 60 + 1)]
    with Ledger(config.history_file) as ledger:
        batch = Batch(list(hold(samples, 60_000)), prices=[(begin_s, tuple(hours))], foretold=[("2031-10-26", 138.0)])
        ledger.write(batch)
    _, days = planner_module._days(config, now, (), {})
    assert sorted(days) == [first, date(2031, 10, 26)]
    plain, long = days[first], days[date(2031, 10, 26)]
    assert plain.shares == (*(0.0,) * 20, *(0.5,) * 4, *(0.0,) * 24)  # 690 of 1380 W from ten to twelve
    assert plain.prices == pytest.approx([n // 2 / 100 for n in range(48)])
    assert long.prices[:6] == pytest.approx([0.24, 0.24, 0.255, 0.255, 0.27, 0.27])  # one o'clock: 25 and 26
    assert (plain.foretold, long.foretold) == (None, pytest.approx(0.1))
    flat = configured().model_copy(update={"store": Store(directory=str(tmp_path))})
    assert planner_module._days(flat, now, (), {})[1][first].prices == (None,) * 48
    assert (
        planner_module._days(config.model_copy(update={"store": Store(directory=str(tmp_path / "no"))}), now, (), {})[1]
        == {}
    )


@pytest.mark.parametrize(
    ("first", "into_car", "shares"),
    [("battery", False, (0.0, 0.0, 1.0)), ("battery", True, (0.0, 0.5, 1.0)), ("car", False, (1.0, 0.0, 1.0)),
     ("car", True, (1.0, 0.5, 1.0))],
)  # fmt: skip
def test_the_sun_of_days_like_these_is_what_the_car_may_get_beside_a_battery(
    first: str, into_car: bool, shares: tuple[float, ...], tmp_path: Path
) -> None:
    """An hour each: all of it into the battery; half the draw exported; twice the draw exported."""
    battery = {"power": {"topic": "house/battery"}, "first": first, "into_car": into_car}
    config = configured(battery=battery).model_copy(update={"store": Store(directory=str(tmp_path))})
    begin_ms = int(datetime(2031, 5, 4, 10, tzinfo=LISBON).timestamp() * 1000)
    powers = [(0.0, 2000.0), (-690.0, 0.0), (-2760.0, 0.0), (0.0, 0.0)]
    samples = [
        Sample(begin_ms + n * 60_000, powers[n // 60][0], 0.0, False, battery_w=powers[n // 60][1]) for n in range(181)
    ]
    with Ledger(config.history_file) as ledger:
        ledger.write(Batch(list(hold(samples, 60_000))))
    found = planner_module._days(config, NOON, (), {})[1][date(2031, 5, 4)]
    assert found.shares[20:26] == tuple(share for share in shares for _ in range(2))
    # And so it is for this moment: what the battery would have to give is no sun.
    house = House(config, sun_w=690.0)
    house.controller.memory = house.controller.memory._replace(at_s=house.now(), short=0.5)
    assert house.planner._share_now(house.controller) == (0.5 if into_car else 0.0)


def test_other_taxes_in_the_file_change_prices_that_are_known_already() -> None:
    house = House(moving())
    house.planner.take(PRICES, slots_of({4: 0.05}))
    house.config = moving(prices={"topic": PRICES, "plus": 0.1})
    house.run(0.1)
    assert house.planner.prices[4].value == pytest.approx(0.15)


def test_what_was_foretold_of_a_day_before_it_began_is_kept() -> None:
    keeps = Keeping()
    house = House(configured({"need": EACH_DAY, "forecast": {"topic": "shed/sun", "unit": "kW"}}), keeps=keeps)
    midnight = datetime(2031, 5, 5, tzinfo=LISBON)
    told = [
        {
            "start": (midnight + timedelta(hours=hour)).isoformat(),
            "minutes": 60,
            "w": 3.0 if 10 <= hour % 24 < 16 else 0.0,
        }
        for hour in range(48)
    ]
    house.planner.take("shed/sun", json.dumps(told).encode())
    # Six hours of more than the lead draws, of 24; of the day that has begun nothing is foretold any more.
    assert keeps.told == {date(2031, 5, 6): pytest.approx(1380.0 / 4)}
    assert house.planner.forecast[10].value == 3000.0


def test_a_feed_that_is_late_or_has_nothing_is_said_once_with_what_is_done_instead() -> None:
    house = House(moving(forecast={"topic": "shed/sun"})).run(0.1)
    assert not house.said("feed_lacking")  # it may come yet
    house.run(3.0)
    assert [(line["feed"], line["lack"]) for line in house.said("feed_lacking")] == [
        ("prices", "missing"),
        ("forecast", "missing"),
    ]
    plan = house.document().plan
    assert plan is not None and (plan.prices_lack, plan.forecast_lack) == ("missing", "missing")
    assert "no prices that move are known for now: the prices of the file hold where none are known" in plan.text
    assert all(line["level"] == "warning" for line in house.said("feed_lacking"))
    house.planner.take(PRICES, slots_of({}))
    house.run(0.1)
    plan = house.document().plan
    assert plan is not None and (plan.prices_lack, plan.forecast_lack) == (None, "missing")
    house.until(NOON + timedelta(hours=15.5))  # they end at noon: fewer than eight hours are left from four on
    assert len(house.said("feed_lacking")) == 2
    house.until(NOON + timedelta(hours=17))
    assert [line["lack"] for line in house.said("feed_lacking")] == ["missing", "missing", "late"]
    house.until(NOON + timedelta(hours=25))
    assert [line["lack"] for line in house.said("feed_lacking")] == ["missing", "missing", "late", "missing"]
    plain = House(configured()).run(2.0)
    assert not plain.said("feed_lacking")


def test_how_much_is_left_to_the_sun_is_said_and_why() -> None:
    """By six; on all days like these the sun brought the whole draw from ten to five. (One of 20 parts of the weight
    is for what was not seen yet: no sun.)"""
    house = House(configured({"need": [{"by": "18:00", "energy_wh": 4000}]}), start=NOON - timedelta(hours=6))
    sunny = tuple(1.0 if 20 <= half < 34 else 0.0 for half in range(48))
    house.planner.past = {NOON.date() - timedelta(days=days): Day(sunny, (None,) * 48) for days in range(1, 20)}
    house.run(0.1)
    plan = house.document().plan
    assert plan is not None and plan.left_to_sun is not None
    assert plan.left_to_sun.startswith("the sun is likely to bring 3.8 kWh of the next 4.0, and 4.0 in nine ")
    assert plan.left_to_sun.endswith("now, and costs 0.300 bought")
    assert house.said("plan_made")[0]["left"] == plan.left_to_sun
    assert f"Left to the sun: {plan.left_to_sun}." in status.in_words(house.document(), "shed.toml")
    night = House().until(NOON.replace(hour=20))
    assert night.document().plan.left_to_sun is None  # type: ignore[union-attr]  # all of it is bought


def test_the_morning_counts_as_far_as_it_is_on_record() -> None:
    """Half of the days like these were grey from the morning on, half sunny, two by two, so that the day before says
    nothing: by noon one knows which this is."""
    sunny = tuple(1.0 if 16 <= half < 36 else 0.0 for half in range(48))
    grey = tuple(0.1 * share for share in sunny)
    said = {}
    for name, today in (("nothing", None), ("grey", grey), ("sunny", sunny)):
        house = House(configured({"need": [{"by": "18:00", "energy_wh": 4000}]}))
        past = {NOON.date() - timedelta(days=n): Day(sunny if n % 4 < 2 else grey, (None,) * 48) for n in range(1, 21)}
        if today:
            past[NOON.date()] = Day((*today[:24], *((None,) * 24)), (None,) * 48)
        house.planner.past = past
        house.sun_w = 0.0 if today is not sunny else 1380.0
        house.run(0.2)
        assert house.planner.shown is not None
        said[name] = house.planner.shown.plan.sun_wh
    assert said["grey"] < 0.3 * said["nothing"] and said["sunny"] > 1.3 * said["nothing"]


def test_a_grey_day_does_not_chop_a_charge_into_half_hours() -> None:
    """While the sun is up no more is settled than the half hour that it is; what goes on after it is one charge."""
    house = House(configured({"need": [{"by": "18:00", "energy_wh": 4000}]}), sun_w=60.0)
    hoped = tuple(0.3 if 16 <= half < 36 else 0.0 for half in range(48))
    house.planner.past = {NOON.date() - timedelta(days=n): Day(hoped, (None,) * 48) for n in range(1, 20)}
    house.until(NOON.replace(hour=18))
    assert house.said("need_met") or house.came_wh >= 3950.0
    assert len([at for at, on in house.on_at if on]) <= 2


def test_what_the_plan_expects_a_kwh_to_cost_is_what_the_sun_competes_with() -> None:
    """The night's rate is 0.12; where tomorrow's sun is likely to bring all of it before the need, it is less."""
    auto = {"start_export_w": "auto", "stop_import_w": "auto"}
    given = configured({"need": [{"by": "06:30", "energy_wh": 4000}]}, control=auto)
    night = House(given).run(0.2).planner.prices_at(NOON)
    assert night is not None and float(night.alternative_price) == pytest.approx(0.12)
    # More than its cheap hours hold is needed: some of it would have to be bought at 0.30.
    much = House(configured({"need": [{"by": "06:30", "energy_wh": 7000}]}, control=auto)).run(0.2)
    dear = much.planner.prices_at(NOON)
    assert dear is not None and float(dear.alternative_price) == pytest.approx(0.30)
    sunny = tuple(1.0 if 20 <= half < 34 else 0.0 for half in range(48))
    later = House(configured({"need": [{"by": "18:00", "energy_wh": 2000}]}, control=auto), start=NOON.replace(hour=2))
    later.planner.past = {NOON.date() - timedelta(days=n): Day(sunny, (None,) * 48) for n in range(1, 20)}
    hoped = later.run(0.2).planner.prices_at(later.wall())
    assert hoped is not None and 0.06 < float(hoped.alternative_price) < 0.12
    # Then a stop gives up nothing that another hour does not have; where no plan says what that costs, it may.
    assert later.planner.competes_at(later.wall())
    assert not House(configured({"need": []}, control=auto)).run(0.2).planner.competes_at(NOON)
    fixed = {"start_export_w": 1380.0, "stop_import_w": 200.0}
    numbers = House(configured({"need": [{"by": "18:00", "energy_wh": 2000}]}, control=fixed)).run(0.2)
    assert not numbers.planner.competes_at(NOON)


def test_thresholds_follow_prices_that_move() -> None:
    """From four on a kWh costs 0.05: the cheapest until the need, and so what the sun has to compete with."""
    auto = {"start_export_w": "auto", "stop_import_w": "auto"}
    house = House(moving().model_copy(update={"control": moving().control.model_copy(update=auto)}))
    before = house.planner.prices_at(NOON)
    assert before is not None and (float(before.import_price), float(before.alternative_price)) == (0.30, 0.12)
    house.planner.take(PRICES, slots_of({4: 0.05}))
    after = house.planner.prices_at(NOON)
    assert after is not None and (float(after.import_price), float(after.alternative_price)) == (0.4, 0.05)
    numbers = {"start_export_w": 1380.0}
    fixed = House(moving().model_copy(update={"control": moving().control.model_copy(update=numbers)}))
    fixed.planner.take(PRICES, slots_of({4: 0.05}))
    assert fixed.planner.prices_at(NOON) is None  # two numbers follow none


# --- what is said ----------------------------------------------------------------------------------------------------


def test_the_plan_is_shown_ahead_and_explained_while_it_runs() -> None:
    house = House().until(NOON.replace(hour=20))
    document = house.document()
    plan = document.plan
    assert plan is not None and plan.needed_wh == 4000.0 and plan.lacks_wh == pytest.approx(4000.0)
    assert plan.needed_by == DAWN
    run = plan.runs[0]
    assert (
        run.sure
        and run.price == 0.12
        and run.ends - run.begins == pytest.approx(timedelta(hours=2.9), abs=timedelta(minutes=9))
    )
    assert f"{run.begins:%H:%M} to {run.ends:%H:%M}" in plan.text and "so that 4.0 kWh are in by 07:00" in plan.text
    house.until(run.begins + timedelta(hours=1))
    document = house.document()
    assert document.state == "charging" and document.why.startswith("Charging by plan.")
    assert document.waiting_for and "the plan to be over" in document.waiting_for
    assert "Plan: " in status.in_words(document, "shed.toml")
    assert (
        machine.reason(house.controller.state.mode, machine.PLANNED | machine.FRESH | machine.ENABLED)
        == machine.C_PLAN_DUE
    )


def test_an_error_in_planning_is_said_once_and_charges_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    house = House()
    house.ask(b'{"energy_wh": 9000}')
    house.run(0.2)
    assert house.controller.wants_on

    def breaks(*_: Any) -> Any:
        raise ArithmeticError("planted")

    monkeypatch.setattr(Planner, "_make", breaks)
    house.run(2.0)
    assert not house.controller.wants_on
    assert len(house.said("plan_failed")) == 1
    assert "could not be made" in house.document().plan.text  # type: ignore[union-attr]
    assert math.isfinite(house.controller.progress.got_wh)


# --- over the wire ---------------------------------------------------------------------------------------------------

ASK = f"{BASE}/plan/set"


@broker
async def test_a_charge_is_asked_for_by_topic_and_taken_back(stage: Stage) -> None:
    """Without sun, and now. What is garbled, or was retained, is refused."""
    wire = stage.wire
    async with stage.running(planned={"allow": True}) as daemon, Feed(wire, 900.0):
        wire.publish(ENABLE_SET, "on")
        await until(lambda: wire.state == "idle" and wire.last(ENABLE) == "true", "readiness")
        wire.publish(ASK, '{"energy_wh": 3000}')
        await until(lambda: wire.state == "charging" and wire.last(COMMAND) == "on", "the charge")
        await until(lambda: wire.status["why"].startswith("Charging as asked for."), "the reason")
        assert wire.status["plan"]["asked"] == "now"
        wire.publish(ASK, '{"energy_wh": 0}')
        await until(lambda: wire.last(COMMAND) == "off" and wire.status["plan"]["asked"] is None, "its end")
        wire.publish(ASK, "on")
        await until(lambda: daemon.events("message_refused", topic=ASK, reason="not-json"), "the refusal")
        assert wire.state == "idle"
    wire.publish(ASK, '{"energy_wh": 3000}', retain=True)
    async with stage.running(planned={"allow": True}) as daemon, Feed(wire, 900.0):
        await until(lambda: daemon.events("message_refused", topic=ASK, reason="retained"), "the refusal")
        assert daemon.service.controller.progress.request is None
    wire.publish(ASK, "", retain=True)


@broker
async def test_an_absence_is_said_by_topic_and_kept(stage: Stage, capsys: pytest.CaptureFixture[str]) -> None:
    """Charging ends, whatever the sun does; a daemon that is killed then knows of it; the command takes it back."""
    wire, said = stage.wire, f"{BASE}/away/set"
    daemon = stage.start()
    await stage.ready()
    async with Feed(wire, SUN_W):
        wire.publish(ENABLE_SET, "on")
        await until(lambda: wire.state == "charging", "a charge", 40)
        wire.publish(said, '{"sun": false}')
        await until(lambda: wire.status["away"] and wire.last(COMMAND) == "off", "its end")
        daemon.kill()
        await until(lambda: wire.last(f"{BASE}/availability") == "lost", "lost")
        count, daemon = len(wire.statuses), stage.start()
        await until(lambda: wire.last(f"{BASE}/availability") == "ready", "ready again", 40)
        await until(
            lambda: any(one["away"] and not one["away"]["sun"] for one in wire.statuses[count:]), "what is kept"
        )
        await until(lambda: wire.status["why"].startswith("Nobody is there"), "the reason", 40)
        wire.publish(said, "away")
        await until(lambda: wire.status["refused_messages"].get("not-json"), "the refusal")
        arguments = ["away", "--config", str(stage.config_file)]
        done = await asyncio.to_thread(cli.main, [*arguments, "--back", "2001-01-01"])
        assert done == 1 and "this is no absence" in capsys.readouterr().err
        assert await asyncio.to_thread(cli.main, [*arguments, "--over"]) == 0
        assert wire.status["away"] is None
        await until(lambda: wire.state == "charging", "a charge", 40)
        assert await asyncio.to_thread(cli.main, arguments) == 0
        assert "Nobody is there: the sun charges" in capsys.readouterr().out
    daemon.signal(signal.SIGTERM)
    assert await daemon.ended() == 0


@broker
async def test_kill_9_around_the_begin_and_end_of_a_planned_charge(stage: Stage) -> None:
    """Need, plan and shares afterwards: tests/bench/planned_kills.py does it two hundred times."""
    outcome = await planned_kills.kill_around(stage, times=2, seed=3)
    assert outcome.kills == 2


@broker
async def test_prices_come_by_topic_and_what_is_wrong_with_them_is_said(stage: Stage) -> None:
    """A retained message counts: its slots say when they are."""
    wire = stage.wire
    hour = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    good = [{"start": (hour + timedelta(hours=n)).isoformat(), "minutes": 60, "price": 0.2} for n in range(20)]
    wire.publish(PRICES, json.dumps(good), retain=True)
    planned = {"allow": True, "prices": {"topic": PRICES}}
    async with stage.running(planned=planned, money=TWO_RATES) as daemon, Feed(wire, 900.0):
        await until(lambda: daemon.events("prices_known"), "the prices")
        await until(lambda: wire.status["plan"]["prices_known_until"] is not None, "the status")
        wire.publish(PRICES, json.dumps(good[:2] + good[3:]))
        await until(lambda: daemon.events("message_refused", topic=PRICES, reason="slots-gap"), "the refusal")
        assert not daemon.service.controller.wants_on
    wire.publish(PRICES, "", retain=True)


@broker
async def test_prices_outlive_a_restart_though_nobody_publishes_them_again(stage: Stage) -> None:
    """And the ledger has what was in force, what was needed by when, and what is planned."""
    wire = stage.wire
    hour = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    good = [{"start": (hour + timedelta(hours=n)).isoformat(), "minutes": 60, "price": 0.2} for n in range(20)]
    planned = {"allow": True, "prices": {"topic": PRICES}}
    async with stage.running(planned=planned, money=TWO_RATES) as daemon, Feed(wire, 900.0):
        await until(lambda: wire.status.get("plan"), "the status")
        wire.publish(PRICES, json.dumps(good))
        await until(lambda: daemon.events("prices_known"), "the prices")
    async with stage.running(planned=planned, money=TWO_RATES) as daemon, Feed(wire, 900.0):
        await until(lambda: daemon.events("prices_known", kept=True), "what was kept")
        await until(lambda: wire.status["plan"]["prices_known_until"] is not None, "the status")
        await until(lambda: daemon.events("connected", link="main"), "somebody who hears what is asked for")
        by = datetime.now(UTC) + timedelta(seconds=5)
        wire.publish(ASK, json.dumps({"energy_wh": 3000, "by": by.isoformat(timespec="seconds")}))
        await until(lambda: daemon.events("plan_made"), "a plan")
        await until(lambda: daemon.events("need_missed", needed_wh=3000), "the time it was needed")
        path = daemon.service.config.history_file
    with Ledger(path, read_only=True) as ledger:
        now_s = round(datetime.now(UTC).timestamp())
        moved = ledger.moved(now_s, now_s + 3600)
        assert [slot.value for slot in moved] == [0.2] * len(moved) and moved
        (due,) = ledger.dues(0, 1 << 60)
        assert due.needed_mws == 3000 * 3_600_000 and not due.met and abs(due.by_ms / 1000 - by.timestamp()) <= 1.0
        plan = ledger.plan()
        assert plan is not None and plan.text == ""  # it is past, and nothing else is needed


@broker
async def test_the_command_asks_and_takes_back(stage: Stage) -> None:
    wire = stage.wire
    path = stage.write(planned={"allow": True})

    async def charge(line: str) -> tuple[int, str, str]:
        return await told("charge", "--config", str(path), *line.split())

    async with stage.running(planned={"allow": True}), Feed(wire, 900.0):
        _, _, error = await charge("--kwh 2")
        assert "charging is switched off" in error
        wire.publish(ENABLE_SET, "on")
        await until(lambda: wire.status["enabled"], "readiness")
        code, said, _ = await charge("--kwh 2 --by 07:00")
        assert code == 0 and "2.0 kWh" in said
        code, said, _ = await charge("--nothing")
        assert code == 0 and "nothing is needed" in said
        code, _, error = await charge("--hours 99")
        assert code == 1 and "cannot be asked for" in error
        _, _, error = await charge("--hours 1 --by 07:00")
        assert "--by goes with --kwh" in error
    stage.write()
    _, _, error = await charge("--kwh 2")
    assert "planned.allow is false" in error
