"""Charges steered by the energy of an interval: decisions, the daemon's own controller under them, and its words."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from surpluscharge.cli import main
from surpluscharge.config import Config, parse
from surpluscharge.control import news, steering
from surpluscharge.control.controller import Moment
from surpluscharge.control.rule import Way
from surpluscharge.control.steering import START, STAY, STOP, Lately, Running, decided
from surpluscharge.daemon import status
from surpluscharge.daemon.service import Service, moment
from tests.test_status import VirtualClock

ZONE = ZoneInfo("Asia/Kolkata")  # half an hour off, so that an hour begins where UTC's is half over
NOON = datetime(2031, 6, 3, 12, tzinfo=ZONE)
CONFIG = """
[charger]
current_a = 10.0
voltage_v = 200.0
[[meter]]
topic = "m"
[relay]
topic = "r"
[site]
time_zone = "Asia/Kolkata"
[money]
currency = "EUR"
[[money.tariff]]
import_price = 0.29
export_price = 0.06
alternative_price = 0.21
"""
DRAW_W = 2000.0


def configured(tmp_path: Path, billing: str = "15-minutes", more: str = "") -> Config:
    return parse(f'{CONFIG}billing = "{billing}"\n[store]\ndirectory = "{tmp_path}"\n{more}', "test.toml")


class House:
    """The daemon's controller, a meter that speaks every ten seconds, and a relay that obeys at once."""

    def __init__(self, config: Config, begin: datetime = NOON) -> None:
        self.config, self.clock = config, VirtualClock(begin, ZONE)
        self.service = Service(config, self.clock)
        self.controller = self.service.controller
        for happened in (news.CommandsLink(True), news.RelayLink(True), news.Enable(True)):
            self.tell(happened)
        self.on: list[bool] = []

    def tell(self, happened: news.News) -> None:
        self.controller.tell(happened, self.service.at())
        if not self.controller.plug.confirmed(self.controller.wants_on):
            self.controller.tell(news.Taken(self.controller.wants_on), self.service.at())

    def run(self, surplus_w: float, seconds: float) -> None:
        for _ in range(round(seconds / 10)):
            self.clock.now_s += 10.0
            grid_w = (DRAW_W if self.controller.wants_on else 0.0) - surplus_w
            self.tell(news.Message("m", f"{grid_w + self.clock.now_s % 7 - 3:.1f}".encode(), False))
            self.on.append(self.controller.wants_on)

    @property
    def shown(self) -> status.StatusDocument:
        return status.build(self.controller, self.config, self.service.at(), self.clock)


def steady(share: float) -> Lately:
    return Lately(0.0, share, share, share)


def test_half_a_draw_of_surplus_charges_half_of_the_time(tmp_path: Path) -> None:
    """Never as much surplus as the draw, so that no threshold of power would start without buying half of it."""
    house = House(configured(tmp_path))
    house.run(1000.0, 4 * 3600)
    assert sum(house.on) / len(house.on) == pytest.approx(0.5, abs=0.03)
    starts = sum(now and not before for before, now in zip(house.on, house.on[1:], strict=False))
    assert starts <= 8  # one for every two quarters
    assert house.shown.thresholds.steer and house.shown.thresholds.follow_prices
    quarters = [house.on[k : k + 90] for k in range(90, len(house.on) - 90, 90)]
    assert all(0.4 < sum(quarter) / 90 < 0.6 for quarter in quarters)


def test_the_status_says_what_is_left_of_the_interval(tmp_path: Path) -> None:
    house = House(configured(tmp_path))
    house.run(1000.0, 960)
    said = house.shown.why
    assert house.shown.state in ("idle", "arming", "charging")
    house.run(1000.0, 0)
    left, of = (float(word) for word in (said.split(" of ")[0].split()[-1], said.split(" of ")[1].split()[0]))
    assert said.endswith("kWh of this quarter of an hour are left.")
    assert of == pytest.approx(0.25, abs=0.03) and 0.0 <= left <= of
    house.run(-300.0, 3600)
    assert house.shown.state == "idle"
    assert house.shown.why.endswith(
        "This quarter of an hour is not expected to export anything that the car could take."
    )
    assert house.shown.waiting_for == "what it leaves over to last until its end"


@pytest.mark.parametrize(
    "more",
    [
        "[control]\nstart_export_w = 2000",
        '[battery]\npower = { topic = "b" }',
    ],
)
def test_numbers_and_a_battery_are_not_steered(more: str, tmp_path: Path) -> None:
    config = configured(tmp_path, more=more)
    assert moment(config, VirtualClock(NOON, ZONE)).interval is None


@pytest.mark.parametrize(("billing", "steered"), [("day", False), ("month", False), ("15-minutes", True)])
def test_a_day_that_has_several_prices_is_not_steered(billing: str, steered: bool, tmp_path: Path) -> None:
    """Each price nets by itself: what was sent out at noon evens out nothing of an evening's price."""
    window = '[[money.tariff.window]]\nbegins = "18:00"\nends = "23:00"\nimport_price = 0.45'
    for more, expected in ((window, steered), ("", True)):
        config = configured(tmp_path, billing, more)
        assert config.steers is expected
        assert (moment(config, VirtualClock(NOON, ZONE)).interval is not None) is expected


def test_nothing_is_steered_where_the_bill_does_not_net(tmp_path: Path) -> None:
    """Neither decisions nor what is remembered: all is as if there were no such key."""
    house = House(configured(tmp_path, "none"))
    house.run(1900.0, 1800)
    assert house.controller.running is None and house.controller.lately == steering.nothing()
    assert house.service.at().interval is None and not house.shown.thresholds.steer
    assert house.controller.band == house.controller.settings.rule.band(house.controller.draw_w)


def test_the_interval_is_that_of_the_clock_on_the_wall(tmp_path: Path) -> None:
    clock = VirtualClock(NOON + timedelta(minutes=20), ZONE)
    begin_s, end_s = moment(configured(tmp_path, "60-minutes"), clock).interval or (0.0, 0.0)
    assert (begin_s - clock.now(), end_s - clock.now()) == (-1200.0, 2400.0)


@pytest.mark.parametrize(("surplus_w", "charges"), [(2200.0, True), (-500.0, False)])
def test_where_the_bill_ceases_to_net_no_reading_is_taken_for_enough_any_longer(
    surplus_w: float, charges: bool, tmp_path: Path
) -> None:
    """Another tariff at the same prices: what was decided by the interval held on, and it charged through the night."""
    after = CONFIG[CONFIG.index("[[money.tariff]]") :] + "valid_from = 2031-06-04"
    house = House(configured(tmp_path, "day", after), NOON.replace(hour=22))
    house.run(surplus_w, 2 * 3600)
    assert house.controller.wants_on is charges and house.controller.running is None
    house.run(-500.0, 1800)
    assert not house.controller.wants_on
    house.run(2200.0, 1800)
    assert house.controller.wants_on


def test_a_restart_counts_what_is_on_record_and_else_nothing(tmp_path: Path) -> None:
    """With a credit of the quarter so far on record, the charge goes on at once; with none, it has to come first."""
    config = configured(tmp_path)
    late = NOON + timedelta(minutes=4)
    known, unknown = (House(config, late) for _ in range(2))
    for house, credit_wh in ((known, 150.0), (unknown, None)):
        house.run(0.0, 300)  # the relay was switched off as the daemon started, and pauses
        if credit_wh is not None:
            house.tell(news.Netted(credit_wh, 0.0))
        house.run(1000.0, 30)
    assert known.on[-1] and not any(unknown.on)


def test_the_ledger_is_asked_for_the_interval_that_runs(tmp_path: Path) -> None:
    house = House(configured(tmp_path))
    house.run(1000.0, 200)
    asked: list[int] = []

    class Found:
        export_wh, import_wh, charger_wh = 90.0, 20.0, 40.0

    house.service._history.since = lambda begin_ms: asked.append(begin_ms) or Found()  # type: ignore[assignment,method-assign,func-returns-value]
    house.service._recall_interval()
    running = house.controller.running
    assert asked == [round(1000 * NOON.timestamp())]
    assert running is not None and (running.credit_wh, running.charged_wh) == (70.0, 40.0)


def test_what_was_recalled_by_a_wrong_clock_is_asked_for_again(tmp_path: Path) -> None:
    """A computer whose clock stood still while it was off for 23 hours: yesterday's credit was taken for today's."""
    house = House(configured(tmp_path, "day"))

    class Found:
        import_wh, charger_wh = 0.0, 0.0

        def __init__(self, begin_ms: int) -> None:
            self.export_wh = 9000.0 if begin_ms < 1000 * NOON.timestamp() else 70.0

    house.service._history.since = Found  # type: ignore[assignment,method-assign]
    house.service._recall_interval()
    house.clock._start_s += 23 * 3600.0
    house.service.tell(news.Tick())
    running = house.controller.running
    assert running is not None and running.credit_wh == pytest.approx(70.0, abs=1.0)


def test_a_reload_that_makes_the_bill_net_counts_what_is_on_record(tmp_path: Path) -> None:
    house = House(configured(tmp_path, "none"))

    class Found:
        export_wh, import_wh, charger_wh = 90.0, 20.0, 40.0

    house.service._history.since = lambda _: Found()  # type: ignore[assignment,method-assign,return-value]
    path = tmp_path / "house.toml"
    path.write_text(f'{CONFIG}billing = "month"\n[store]\ndirectory = "{tmp_path}"\n', encoding="utf-8")
    house.service.reload(str(path))
    running = house.controller.running
    assert running is not None and running.credit_wh == pytest.approx(70.0)


def test_what_is_not_known_counts_on_neither_side(tmp_path: Path) -> None:
    """A meter that is silent for minutes: its last value is not taken to go on."""
    house = House(configured(tmp_path))
    house.run(1000.0, 60)
    before = house.controller.running
    house.clock.now_s += 300.0
    house.tell(news.Tick())
    after = house.controller.running
    assert before is not None and after is not None
    assert after.credit_wh - before.credit_wh == pytest.approx(1000.0 * 30.0 / 3600.0, abs=0.1)  # fresh_s is 30


def test_an_interval_begins_anew_and_a_clock_put_right_by_seconds_does_not_begin_one() -> None:
    running = Running(0.0, 900.0, 120.0, 30.0)
    assert steering.same(running, 3.0, 903.0) and steering.same(running, -2.0, 898.0)
    assert not steering.same(running, 900.0, 1800.0)
    over = steering.passed(running, 895.0, 915.0, -3600.0, 0.0)  # five seconds of it are the interval's
    assert over.credit_wh == pytest.approx(125.0)


def test_what_flows_across_the_end_of_an_interval_is_cut_there(tmp_path: Path) -> None:
    house = House(configured(tmp_path))
    house.run(1000.0, 900 + 60)
    running = house.controller.running
    assert running is not None and house.clock.now() - running.begin_s == 60.0
    drawn = sum(house.on[-7:-1]) * DRAW_W * 10 / 3600
    assert running.credit_wh == pytest.approx(1000.0 * 60 / 3600 - drawn, abs=0.2)


# --- decisions -------------------------------------------------------------------------------------------------------


def test_a_charge_starts_once_its_credit_lasts_for_all_that_is_left() -> None:
    def at(left_s: float, credit_wh: float, share: float, on: bool = False) -> int:
        running = Running(0.0, 900.0, credit_wh, 0.0)
        return decided(running, steady(share), DRAW_W, 0.15, 0.08, 480.0, on, 900.0 - left_s)

    assert at(450.0, 125.0, 0.5) == START  # half of it is exported, and half is to come
    assert at(600.0, 83.0, 0.5) == STAY
    assert at(890.0, 5.0, 1.2) == START  # the surplus carries the lead
    assert at(890.0, 5.0, -0.2) == STAY
    assert at(60.0, 100.0, -0.2) == STAY  # a minute is not worth a start
    assert at(450.0, -130.0, 0.5, on=True) == STOP
    assert at(450.0, 10.0, 0.5, on=True) == STAY
    assert at(20.0, -10.0, 0.3, on=True) == STAY  # the next interval is near


def test_what_never_pays_never_starts_and_what_always_does_does_not_run_all_night() -> None:
    running = Running(0.0, 900.0, 400.0, 0.0)
    assert decided(running, steady(1.0), DRAW_W, 0.0, 0.1, 480.0, False, 300.0) == STAY
    assert decided(running, steady(1.0), DRAW_W, -0.1, 0.1, 480.0, True, 300.0) == STOP
    dark = Running(0.0, 900.0, -100.0, 0.0)
    for now_s in (100.0, 700.0):
        assert decided(dark, steady(-0.2), DRAW_W, 0.2, -0.05, 480.0, True, now_s) == STOP


def test_of_a_day_no_more_than_the_next_hours_are_reckoned_with() -> None:
    """At two in the afternoon with 8 kWh sent out since midnight, and a house that takes 200 W from now on."""
    day = Running(0.0, 86400.0, 8000.0, 0.0)
    assert decided(day, steady(-0.1), DRAW_W, 0.15, 0.08, 480.0, False, 50400.0) == STAY
    day = day._replace(credit_wh=14000.0)
    assert decided(day, steady(-0.1), DRAW_W, 0.15, 0.08, 480.0, False, 50400.0) == START
    assert decided(day, steady(-0.1), DRAW_W, 0.15, 0.08, 480.0, False, 86400.0 - 3600.0) == START


def test_the_mean_forgets_and_a_long_gap_is_the_end_of_it() -> None:
    lately = steering.remember(steering.nothing(), 0.0, 0.5)
    assert lately == Lately(0.0, 0.5, 0.5, 0.5)
    lately = steering.remember(lately, 10.0, 9.0)
    assert lately == Lately(10.0, steering.MOST_SHARE, 0.5, 0.5)
    lately = steering.remember(lately, 310.0, 0.5)
    assert lately.short == pytest.approx(2.5 - 2.0 / math.e)
    assert steering.remember(lately, 310.0 + 901.0, 0.1).long == 0.1


def test_by_hand_nothing_is_steered(tmp_path: Path) -> None:
    config = configured(tmp_path)
    service = Service(config, VirtualClock(NOON, ZONE), by_hand=True)
    assert service.controller.settings.rule.way is Way.HAND and not service.controller.settings.rule.steers
    assert Moment(0.0, 1, 1).interval is None


def test_check_and_advise_say_what_a_bill_that_nets_means(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "house.toml"
    text = f'{CONFIG}billing = "60-minutes"\n[store]\ndirectory = "{tmp_path}"\n'
    path.write_text(text, encoding="utf-8")
    assert main(["check", "--config", str(path), "--brief"]) == 0
    assert "The bill nets over each hour: its energy decides, and these only where" in capsys.readouterr().out
    path.write_text(f"{text}[control]\nstart_export_w = 2000\n", encoding="utf-8")
    assert main(["check", "--config", str(path), "--brief"]) == 0
    assert "money is counted so, and these thresholds decide." in capsys.readouterr().out
    assert main(["advise", "--config", str(path)]) == 0
    assert "The bill nets over each hour: read surplus as its mean over one." in capsys.readouterr().out
