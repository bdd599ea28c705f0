"""What the prices mean, in words and as thresholds that follow them. The numbers are worked by hand."""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from structlog.testing import capture_logs

from surpluscharge.cli import main
from surpluscharge.config import parse
from surpluscharge.control import news
from surpluscharge.control.economics import benefit_per_h
from surpluscharge.daemon import status
from surpluscharge.daemon.historian import Historian
from surpluscharge.daemon.ports import Ports
from surpluscharge.daemon.service import Service
from tests.test_status import VirtualClock

ZONE = ZoneInfo("Europe/Lisbon")
CONFIG = """
charger = { name = "carport", draw_w = 2000, current_a = 8.7 }
relay = { topic = "c" }
meter = [{ topic = "m" }]
control = { start_export_w = "auto", stop_import_w = "auto" }
site = { time_zone = "Europe/Lisbon" }

[money]
currency = "EUR"
"""
# Invented prices. Above: 2000 * (0.27 - 0.20) / (0.27 - 0.15) = 2000 * 7 / 12 = 1166.7 W
ABOVE = "tariff = [{ import_price = 0.27, export_price = 0.15, alternative_price = 0.20 }]"
ALWAYS = "tariff = [{ import_price = 0.27, export_price = 0.08, alternative_price = 0.30 }]"
NEVER = "tariff = [{ import_price = 0.27, export_price = 0.10, alternative_price = 0.09 }]"
# From 13:00 to 18:00 what is sold earns more than the alternative costs.
TURNS = (
    "tariff = [{ import_price = 0.27, export_price = 0.00, alternative_price = 0.09, "
    'window = [{ begins = "13:00", ends = "18:00", export_price = 0.12 }] }]'
)


def advised(tmp_path: Path, prices: str, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    path = tmp_path / "config.toml"
    path.write_text(CONFIG + prices, encoding="utf-8")
    assert main(["advise", "--config", str(path), *more]) == 0
    return capsys.readouterr().out


def test_a_break_even_inside_the_range(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = advised(tmp_path, ABOVE, capsys)
    assert "Charging pays from a surplus of 1.17 kW on, 58% of the draw." in said
    # At no surplus an hour buys 2 kWh at 0.27 instead of 0.20: -0.14. With 2 kW of it: 2 * (0.20 - 0.15) = +0.10.
    # Half of it: 2 * 0.20 - 0.15 - 0.27 = -0.02.
    rows = [line.split() for line in said.splitlines() if line.rstrip("-+").endswith("|")]
    assert [(row[0], row[2]) for row in rows[::4]] == [("0", "-0.140"), ("1.00", "-0.020"), ("2.00", "+0.100")]
    found = json.loads(advised(tmp_path, ABOVE, capsys, "--json"))
    (period,) = found["periods"]
    assert (period["pays"], period["break_even_surplus_w"], period["ends"]) == ("above", 1166.7, None)
    # What is imported while the lead draws its 2 kW, and what the sun leaves over for it, are one balance.
    stop = re.search(r"stops above ([\d.]+) kW of import, when less than ([\d.]+) W of surplus is left", said)
    assert stop and 1000 * float(stop[1]) + float(stop[2]) == pytest.approx(2000, abs=6) and float(stop[2]) < 1167
    assert (period["import_price"], period["export_price"], period["alternative_price"]) == ("0.27", "0.15", "0.2")


def test_any_surplus_pays(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = advised(tmp_path, ALWAYS, capsys)
    assert "Any surplus pays: even what is bought beside it costs no more (0.27)" in said
    # 2 * 0.30 - 2 * 0.27 = 0.06 with no surplus at all; 2 * (0.30 - 0.08) = 0.44 with all of it.
    assert "+0.060" in said and "+0.440" in said and "---" not in said
    # To stop above the whole draw of import means: without any sun left. That is what has to be said.
    assert '"auto" starts at 25 W of export: any sun is worth it. When there is none left, it ends.' in said
    assert "of import" not in said
    (period,) = json.loads(advised(tmp_path, ALWAYS, capsys, "--json"))["periods"]
    assert (period["pays"], period["break_even_surplus_w"]) == ("always", 0.0)


def test_break_even_has_no_sign(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """2000 * (0.23 - 0.11) / (0.23 - 0.07) = 1500 W: a row of the chart. In binary fractions it comes to -1.4e-17."""
    even = "tariff = [{ import_price = 0.23, export_price = 0.07, alternative_price = 0.11 }]"
    said = advised(tmp_path, even, capsys)
    assert "\n   1.50 kW            +0.000" in said
    assert "-0.000" not in said


def test_a_charge_that_runs_may_last_until_the_sun_is_gone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """100 W break even, and patience over the pause is worth more than that."""
    low = "tariff = [{ import_price = 0.25, export_price = 0.05, alternative_price = 0.24 }]"
    said = advised(tmp_path, low, capsys)
    assert '"auto" starts at 100 W of export. Once it runs, any sun is worth it; when there is none left' in said


def test_never_pays(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = advised(tmp_path, NEVER, capsys)
    assert "Charging from the sun never pays: sold, a kilowatt-hour earns 0.1" in said
    assert "Sell it, and charge the other way." in said
    assert '"auto" starts' not in said and "+0.0" not in said  # 2 * (0.09 - 0.10) = -0.02 at best
    (period,) = json.loads(advised(tmp_path, NEVER, capsys, "--json"))["periods"]
    assert (period["pays"], period["start_export_w"], period["stop_import_w"]) == ("never", None, None)


def test_a_cheapest_hour_that_rules_charging_out_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By "cheapest" nothing is ever charged here: the one who wrote it, or left it out, has to hear of it."""
    night = 'window = [{ begins = "23:00", ends = "05:00", import_price = -0.02 }]'
    for export, what in ((0.06, "charging from the sun never pays"), (0.0, "counts as costing nothing")):
        prices = f"tariff = [{{ import_price = 0.30, export_price = {export}, {night} }}]"
        said = advised(tmp_path, prices, capsys)
        assert said.count('The alternative is "cheapest": the cheapest hour (-0.02)') == 1 and what in said
        assert "give alternative_price as a number" in said
        periods = json.loads(advised(tmp_path, prices, capsys, "--json"))["periods"]
        assert all(what in period["says_of_cheapest"] for period in periods)
        assert ({period["pays"] for period in periods} == {"never"}) is (export > 0)
        assert main(["check", "--config", str(tmp_path / "config.toml")]) == 0
        checked = capsys.readouterr().out
        assert 'warning: money.tariff.0.alternative_price is left out, and so "cheapest": the cheapest hour' in checked
        assert what in checked
    assert json.loads(advised(tmp_path, ABOVE, capsys, "--json"))["periods"][0]["says_of_cheapest"] is None


def test_prices_that_turn_are_shown_once_each(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    periods = json.loads(advised(tmp_path, TURNS, capsys, "--json"))["periods"]
    assert sorted(period["pays"] for period in periods) == ["above", "never"]
    assert all(period["ends"] for period in periods)


def test_without_prices_there_is_nothing_to_advise(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "config.toml"
    path.write_text(CONFIG.split("control =", maxsplit=1)[0], encoding="utf-8")
    assert main(["advise", "--config", str(path)]) == 1
    assert "has no [money] table: add the prices" in capsys.readouterr().err
    path.write_text(CONFIG + ABOVE.replace("{ import", "{ valid_from = 2099-01-01, import"), encoding="utf-8")
    assert main(["advise", "--config", str(path)]) == 1
    assert "no tariff in [money] that is valid within a week" in capsys.readouterr().err


def test_the_thresholds_follow_the_prices(tmp_path: Path) -> None:
    """Over the turn of a window: the daemon's own thresholds, its status, and its log."""
    prices = TURNS + f'\n[store]\ndirectory = "{tmp_path}"'
    clock = VirtualClock(datetime(2031, 6, 3, 12, 59, 50, tzinfo=ZONE))
    config = parse(CONFIG + prices, "test.toml")
    service = Service(config, clock)

    def shown() -> status.StatusDocument:
        return status.build(service.controller, config, service.at(), clock)

    start_w = shown().thresholds.start_export_w
    # 2000 * 0.18 / 0.27 = 1333 W breaks even; it is the least that a start may ask for, and the draw is the most.
    assert start_w is not None and 1333 <= start_w <= 2000 and shown().thresholds.follow_prices
    with capture_logs() as logged:
        service.follow_prices()
        assert not logged
        clock.now_s = 10.0
        service.follow_prices()
    assert [(line["event"], line["start_export_w"]) for line in logged] == [("thresholds_changed", None)]
    service.controller.tell(news.CommandsLink(True), service.at())
    service.controller.tell(news.RelayLink(True), service.at())
    service.controller.tell(news.Enable(True), service.at())
    service.controller.tell(news.Message("m", b"-3000", False), service.at())
    document = shown()
    assert document.thresholds.start_export_w is None and document.state == "idle"
    assert "worth more sold than charged" in document.why
    assert document.waiting_for == "other prices, Tue 18:00" and document.wait_s == 5 * 3600
    clock.now_s += 5 * 3600
    service.follow_prices()
    assert shown().thresholds.start_export_w == start_w


def test_what_charging_at_the_thresholds_gains() -> None:
    """A charge that starts at the threshold and stays there never loses."""
    for prices in (ABOVE, ALWAYS):
        config = parse(CONFIG + prices, "test.toml")
        tariffs = config.tariffs()
        assert tariffs
        found = tariffs.prices_at(datetime(2031, 6, 3, 12, tzinfo=ZONE))
        assert found and benefit_per_h(2000.0, config.band().start_export_w, found) >= -1e-9


# --- looking ahead ---------------------------------------------------------------------------------------------------


class Ahead:
    """A daemon's controller whose thresholds look ahead, with a meter that speaks every ten seconds."""

    def __init__(self, tmp_path: Path, prices: str = ABOVE) -> None:
        text = CONFIG.replace('"auto"', '"ahead"') + prices + f'\n[store]\ndirectory = "{tmp_path}"'
        text += "\n[session]\ntime_cap_s = 36000"  # no hours to ration
        self.text, self.config = text, parse(text, "test.toml")
        self.clock = VirtualClock(datetime(2031, 6, 3, 12, tzinfo=ZONE))
        self.knows_w: float | None = None
        rig = self

        class Knowing(Historian):
            @property
            def learned_w(self) -> float | None:
                return rig.knows_w

        self.service = Service(self.config, self.clock, Ports(historian=Knowing))
        self.controller = self.service.controller
        self.controller.tell(news.CommandsLink(True), self.service.at())
        self.controller.tell(news.RelayLink(True), self.service.at())
        self.controller.tell(news.Enable(True), self.service.at())

    def run(self, surplus_w: list[float]) -> None:
        for value_w in surplus_w:
            self.clock.now_s += 10.0
            grid_w = (2000.0 if self.controller.wants_on else 0.0) - value_w
            self.controller.tell(
                news.Message("m", f"{grid_w + self.clock.now_s % 7:.1f}".encode(), False), self.service.at()
            )
            if not self.controller.plug.confirmed(self.controller.wants_on):
                self.controller.tell(news.Taken(self.controller.wants_on), self.service.at())

    @property
    def shown(self) -> status.StatusDocument:
        return status.build(self.controller, self.config, self.service.at(), self.clock)


def pays_from_w(rig: Ahead) -> float | None:
    return rig.controller.settings.rule.pays_from_w(rig.controller.draw_w)


def test_looking_ahead_waits_where_the_surplus_is_changeable(tmp_path: Path) -> None:
    """Break-even is 1167 W: a steady surplus of 1600 W starts; one that jumps between 300 and 1700 W does not yet."""
    steady, wild = Ahead(tmp_path / "steady"), Ahead(tmp_path / "wild")
    assert (steady.config.start_delay_s, steady.config.stop_delay_s) == (0.0, 0.0)
    steady.run([1600.0] * 60)
    assert steady.shown.state == "charging" and steady.shown.thresholds.look_ahead
    assert "Charging on: " in steady.shown.why
    wild.run([300.0, 300.0, 300.0, 1700.0, 1700.0, 1700.0] * 10)
    assert wild.shown.state == "idle"
    assert "too changeable to start" in wild.shown.why or "too new to count on" in wild.shown.why
    assert wild.shown.waiting_for == "a surplus that has lasted a little longer"
    assert wild.shown.thresholds.start_export_w is None
    wild.run([1700.0] * 180)  # half an hour without a jump
    assert wild.shown.state == "charging"


def test_looking_ahead_says_nothing_of_a_past_it_has_not_seen(tmp_path: Path) -> None:
    """Switched on by the first reading, in full sun: what is expected is what that reading showed."""
    rig = Ahead(tmp_path)
    assert rig.controller.outlook() is None
    rig.run([1900.0])
    assert rig.controller.memory.surplus == pytest.approx(0.95, abs=0.01)
    assert "Worth a start: 189" in (rig.controller.outlook() or "")
    rig.run([1900.0] * 2)
    assert "not expected to come back" not in rig.shown.why


def test_looking_ahead_ends_with_the_sun(tmp_path: Path) -> None:
    rig = Ahead(tmp_path)
    rig.run([1600.0] * 120)
    assert rig.shown.state == "charging"
    rig.run([max(0.0, 1600.0 - 10.0 * step) for step in range(300)])
    assert rig.shown.state == "idle" and "Waiting for more surplus" in rig.shown.why
    seen = rig.controller.memory
    rig.run([0.0] * 1000)
    assert rig.shown.state == "idle" and rig.controller.memory.moves < seen.moves


def test_looking_ahead_follows_the_prices(tmp_path: Path) -> None:
    rig = Ahead(tmp_path)
    assert pays_from_w(rig) == pytest.approx(1166.7, abs=0.1)
    rig.service.follow_prices()
    assert pays_from_w(rig) == pytest.approx(1166.7, abs=0.1)
    text = CONFIG.replace('"auto"', '"ahead"') + TURNS + f'\n[store]\ndirectory = "{tmp_path}"'
    rig.config = rig.service.config = parse(text, "test.toml")
    rig.clock.now_s = 3600.0 + 10.0  # 13:00: what is sold earns more than the alternative costs
    with capture_logs() as logged:
        rig.service.follow_prices()
        rig.service.follow_prices()
    assert [line["event"] for line in logged].count("thresholds_changed") == 1
    rig.run([3000.0] * 10)
    document = rig.shown
    assert document.state == "idle" and document.thresholds.start_export_w is None
    assert document.waiting_for == "other prices, Tue 18:00"


# Break-even: 2000 * (0.30 - 0.20) / (0.30 - 0.06) = 833 W before one, and 2000 * 0.104 / 0.244 = 852 W from then on.
DEARER_FROM_ONE = (
    "tariff = [{ import_price = 0.30, export_price = 0.06, alternative_price = 0.20, "
    'window = [{ begins = "13:00", ends = "18:00", import_price = 0.304 }] }]'
)


@pytest.mark.parametrize("change", ["prices", "reload", "draw"])
def test_looking_ahead_survives_a_change_of_settings(tmp_path: Path, change: str) -> None:
    """A gap in an hour of sun, and in it the prices change: what was expected of the surplus is still expected."""
    rig = Ahead(tmp_path, DEARER_FROM_ONE)
    rig.clock.now_s = 1800.0
    rig.run([1600.0] * 177 + [580.0] * 2)
    before = rig.controller.settings.params
    # "auto" would end the charge at this surplus: below 852 - 250 W. Looking ahead does not.
    assert rig.config.band(datetime(2031, 6, 3, 13, tzinfo=ZONE)).stop_import_w < 1400
    assert before.stop_import_w > 1500
    assert rig.shown.state == "charging"
    rig.clock.now_s = 3600.0 + 5.0
    if change == "prices":
        rig.service.follow_prices()
    elif change == "reload":
        path = tmp_path / "test.toml"
        path.write_text(rig.text, encoding="utf-8")
        rig.service.reload(str(path))
    else:
        rig.knows_w = 2050.0  # it has no steps to learn a draw from
        rig.service.follow_prices()
    assert pays_from_w(rig) == pytest.approx(852.5 * (1.025 if change == "draw" else 1.0), abs=0.1)
    document = rig.shown
    assert document.state == "charging" and "expected to come back" in document.why
    # In force is, at once, what the memory and the new break-even come to; the next reading finds the same.
    assert rig.controller.settings.params != before
    at_once = rig.controller.settings
    rig.controller._heed_rule()
    assert rig.controller.settings == at_once
    rig.run([580.0])
    assert rig.shown.state == "charging"


def test_looking_ahead_begins_with_what_is_remembered_when_it_is_chosen(tmp_path: Path) -> None:
    """A wild hour under "auto", then a configuration that says "ahead": it does not have to begin with one reading."""
    rig = Ahead(tmp_path)
    ahead, rig.config = rig.config, parse(CONFIG + ABOVE + f'\n[store]\ndirectory = "{tmp_path}"', "test.toml")
    rig.service.config = rig.config
    rig.controller.tell(news.Reload(rig.config.settings(rig.clock.wall())), rig.service.at())
    rig.run([0.0, 900.0] * 30)
    assert rig.controller.outlook() is None and rig.shown.thresholds.start_export_w is not None
    rig.controller.tell(news.Reload(ahead.settings(rig.clock.wall())), rig.service.at())
    rig.config = ahead
    assert rig.shown.thresholds.start_export_w is None
    assert "Waiting for more surplus" in (rig.controller.outlook() or "")
