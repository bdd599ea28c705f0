"""Reports: the figures against the ledger and an independent reckoning, and how they are written down."""

from __future__ import annotations

import email
import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from email import policy
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from surpluscharge import cli
from surpluscharge.cli import records
from surpluscharge.control import machine
from surpluscharge.control.economics import EVERY_DAY, Tariff, Tariffs, Window
from surpluscharge.control.rule import Band
from surpluscharge.daemon import telling
from surpluscharge.history import exchange
from surpluscharge.history import report as reports
from surpluscharge.history.energy import MWS_PER_KWH, NOTHING, Energy, Sample, day_span, hold, ms_of, time_of, total
from surpluscharge.history.ledger import LOST, Batch, Charge, Ledger, Retention, StateChange
from surpluscharge.history.report import Household, Report, ReportError, as_json, as_text, build, figures, text, words
from surpluscharge.history.report.text import BLOCKS, PLAIN
from tests.histories import DRAW_W, PARAMS, TARIFFS, ZONE, Habit, live
from tests.wire import Postbox

FIRST = date(2031, 5, 14)
LATER = datetime(2031, 6, 1, 12, tzinfo=UTC)
STARTED = StateChange(0, "absent", "idle", "started", None)
ABSENT = {date(2031, 5, 15): (11.0, 13.3)}


def site(tariffs: Tariffs | None = TARIFFS, zone: ZoneInfo = ZONE) -> Household:
    return Household("carport", zone, tariffs, lambda _: Band(PARAMS.start_export_w, PARAMS.stop_import_w))


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    """Three invented days, the daemon absent on the second from 11:00 to 13:18, and a fault in it."""
    with Ledger(tmp_path_factory.mktemp("history") / "history.sqlite") as opened:
        live(opened, FIRST, 3, Habit(every_s=30.0, absent=ABSENT, tripped={date(2031, 5, 15): (14.0, 14.5)}))
        yield opened


def steady(path: Path, day: date, number: int = 1, charger_w: float = 0.0, zone: ZoneInfo = ZONE) -> Ledger:
    """Return a ledger in which every minute of so many days was alike: 500 W exported, or imported for the charger."""
    ledger, grid_w = Ledger(path), 500.0 if charger_w else -500.0
    begin_ms, end_ms = ms_of(day_span(day, zone)[0]), ms_of(day_span(day + timedelta(days=number - 1), zone)[1])
    samples = [Sample(at_ms, grid_w, charger_w, charger_w > 0) for at_ms in range(begin_ms, end_ms + 1, 60_000)]
    ledger.write(Batch(list(hold(samples, 60_000)), states=[STARTED]))
    return ledger


@pytest.mark.parametrize(("batch_s", "silent_min", "missing_min"), [(300.0, 14, 0), (300.0, 16, 16), (3600.0, 65, 0)])
def test_what_waits_for_the_next_batch_is_no_gap(
    tmp_path: Path, batch_s: float, silent_min: int, missing_min: int
) -> None:
    """The daemon may hold back what it has seen for a batch, and ten minutes more while somebody imports."""
    with steady(tmp_path / "history.sqlite", FIRST) as opened:
        midnight = day_span(FIRST, ZONE)[1]
        now = midnight + timedelta(minutes=silent_min)
        made = build(opened, FIRST, now.date(), now, site()._replace(batch_s=batch_s))
    assert made.total.gap_ms == missing_min * 60_000


# --- the figures -----------------------------------------------------------------------------------------------------


def test_sums_are_the_ledgers_to_the_milliwatt_second(ledger: Ledger) -> None:
    made = build(ledger, FIRST, date(2031, 5, 16), LATER, site())
    begin_ms, end_ms = ms_of(day_span(FIRST, ZONE)[0]), ms_of(day_span(date(2031, 5, 16), ZONE)[1])
    assert made.total.energy == ledger.energy(begin_ms, end_ms)
    assert made.total.energy.charger_mws > 5 * MWS_PER_KWH and made.total.energy.bought_mws > 0
    assert total(line.energy for line in made.lines) == made.total.energy
    for line in made.lines:
        assert total(hour.energy for hour in made.hours if hour.first == line.first) == line.energy
        alone = build(ledger, line.first, line.first, LATER, site())
        assert alone.total == line
        assert total(each.energy for each in alone.curve) == line.energy


def test_money_is_what_a_reckoning_interval_by_interval_in_fractions_comes_to(ledger: Ledger) -> None:
    made = build(ledger, FIRST, date(2031, 5, 16), LATER, site())
    paid = forgone = alternative = Fraction(0)
    for each in ledger.intervals(ms_of(made.total.begin), ms_of(made.total.end)):
        clock = time_of(each.begin_ms, ZONE)  # none of these intervals runs across half an hour
        night = clock.hour * 60 + clock.minute >= 23 * 60 + 30 or clock.hour * 60 + clock.minute < 5 * 60 + 30
        paid += Fraction(each.energy.bought_mws) * Fraction("0.17" if night else "0.29")
        forgone += Fraction(each.energy.solar_mws) * Fraction("0.06")
        alternative += Fraction(each.energy.charger_mws) * Fraction("0.21")
    cost = made.total.money
    assert cost is not None
    assert Fraction(cost.paid_units) == paid > 0
    assert Fraction(cost.forgone_units) == forgone > 0
    assert Fraction(cost.alternative_units) == alternative > 0
    assert cost.saved == cost.alternative - cost.paid - cost.forgone


def test_what_is_not_known_is_a_gap_and_in_no_sum(ledger: Ledger) -> None:
    made = build(ledger, date(2031, 5, 15), date(2031, 5, 15), LATER, site())
    ((begin_ms, end_ms),) = made.gaps
    # Absent from 11:00:00; the last reading before, at 10:59:30, is held for 45 s, its limit.
    assert time_of(begin_ms, ZONE).strftime("%H:%M:%S") == "11:00:15"
    assert time_of(end_ms, ZONE).strftime("%H:%M:%S") == "13:18:00"
    assert made.total.gap_ms == end_ms - begin_ms
    assert [hour.hour for hour in made.hours if not hour.energy.known_ms] == [12]
    assert [fault.code for fault in made.faults] == ["draw-high"]
    assert "absent" in {state.state for state in made.states}


@pytest.mark.parametrize(("code", "whose"), [("meter-sign", "meter"), ("battery-sign", "battery")])
def test_what_a_wrong_sign_has_falsified_is_not_told_as_true(ledger: Ledger, code: str, whose: str) -> None:
    made = build(ledger, date(2031, 5, 15), date(2031, 5, 15), LATER, site())
    (fault,) = made.faults
    assert not [sentence for sentence in words.summary(made) if "Do not believe" in sentence]
    first, *_ = words.summary(made._replace(faults=(fault._replace(code=code),)))
    assert first.startswith(f"Do not believe these figures: the {whose}'s sign was found to be wrong (")
    assert time_of(fault.begin_ms, ZONE).strftime("(%H:%M)") in first


@pytest.mark.parametrize(
    ("day", "hours", "length_h"),
    [(date(2031, 3, 30), 23, 23), (date(2031, 10, 26), 24, 25), (date(2031, 5, 14), 24, 24)],
)
def test_days_on_which_the_clocks_change(tmp_path: Path, day: date, hours: int, length_h: int) -> None:
    """Lisbon: at 01:00 UTC clocks go from 01:00 to 02:00 on the last Sunday of March, from 02:00 back in October."""
    with steady(tmp_path / "h.sqlite", day) as ledger:
        made = build(ledger, day, day, LATER.replace(year=2032), site())
    assert len(made.hours) == hours
    assert sum(hour.length_ms for hour in made.hours) == length_h * 3_600_000
    assert made.total.energy.export_wh == 500 * length_h
    assert made.total.gap_ms == 0 and made.gaps == ()
    if length_h != 24:
        by_hour = {hour.hour: hour.length_ms // 3_600_000 for hour in made.hours}
        assert by_hour.get(1, 0) == (0 if length_h == 23 else 2)


def test_a_zone_whose_clocks_change_by_half_an_hour(tmp_path: Path) -> None:
    """Lord Howe Island: on the first Sunday of April 02:00 becomes 01:30 (the IANA time zone database)."""
    zone, day = ZoneInfo("Australia/Lord_Howe"), date(2031, 4, 6)
    with steady(tmp_path / "h.sqlite", day, zone=zone) as ledger:
        made = build(ledger, day, day, LATER, site(zone=zone))
    lengths = {hour.hour: hour.length_ms for hour in made.hours}
    assert lengths[1] == 5_400_000 and sum(lengths.values()) == 88_200_000


def test_a_long_period_is_shown_by_the_month_from_the_first_that_is_known(tmp_path: Path) -> None:
    with Ledger(tmp_path / "h.sqlite") as ledger:
        for month in (4, 6):
            begin_ms = ms_of(datetime(2031, month, 20, 12, tzinfo=ZONE))
            samples = [Sample(begin_ms, 200.0, 1000.0, True), Sample(begin_ms + 3_600_000, 0.0, 0.0, False)]
            ledger.write(Batch(list(hold(samples, 3_600_000))))
        made = build(ledger, date(2031, 1, 1), date(2031, 6, 30), LATER.replace(month=7), site())
    assert made.by == "month"
    assert [(line.first.month, line.last.day) for line in made.lines] == [(4, 30), (5, 31), (6, 30)]
    assert [line.energy.charger_wh for line in made.lines] == [1000.0, 0.0, 1000.0]
    assert made.total.energy.bought_wh == 400.0
    assert {hour.hour for hour in made.hours if hour.energy.charger_mws} == {12}
    text = as_text(made)
    assert "Apr 2031" in text and "Mar 2031" not in text


def test_a_day_that_is_not_over_ends_now_and_what_is_to_come_is_no_gap(tmp_path: Path) -> None:
    now = datetime(2031, 5, 14, 9, 30, tzinfo=ZONE)
    with Ledger(tmp_path / "h.sqlite") as ledger:
        begin_ms = ms_of(day_span(FIRST, ZONE)[0])
        samples = [Sample(at_ms, -100.0, 0.0, False) for at_ms in range(begin_ms, ms_of(now) + 1, 60_000)]
        ledger.write(Batch(list(hold(samples, 60_000)), states=[STARTED]))
        made = build(ledger, FIRST, FIRST, now, site())
        month = build(ledger, date(2031, 5, 1), date(2031, 5, 31), now, site())
    assert (made.total.end, made.total.gap_ms, made.gaps) == (now, 0, ())
    assert any("figures go to 09:30" in note for note in words.notes(made))
    assert [line.first.day for line in month.lines] == list(range(1, 15))
    assert month.total.gap_ms == 13 * 86_400_000


@pytest.mark.parametrize(
    ("first", "last", "message"),
    [
        (date(2031, 6, 2), date(2031, 6, 2), "still to come: choose a day up to today, 2031-06-01"),
        (date(2031, 5, 16), date(2031, 5, 14), "2031-05-16 is later than 2031-05-14"),
    ],
)
def test_periods_of_which_there_is_no_report(ledger: Ledger, first: date, last: date, message: str) -> None:
    with pytest.raises(ReportError, match=message):
        build(ledger, first, last, LATER, site())


def test_nothing_known_is_said_and_no_sum_is_shown(ledger: Ledger) -> None:
    made = build(ledger, date(2031, 1, 1), date(2031, 1, 1), LATER, site())
    text = as_text(made)
    assert "Nothing is known of this time" in text and "kWh" not in text
    assert as_json(made)["total"]["money"] is None


def test_what_runs_may_not_have_written_anything_yet(tmp_path: Path) -> None:
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(Batch(states=[STARTED]))
        today = LATER.astimezone(ZONE).date()
        for first, last, may_come in (
            (today, today, True),
            (FIRST, today + timedelta(days=3), True),
            (FIRST, FIRST, False),
        ):
            text = " ".join(as_text(build(ledger, first, last, LATER, site())).split())
            assert "Nothing is known of this time" in text
            assert ("what it does now: surpluscharge status." in text) is may_come
        pages = pytest.importorskip("surpluscharge.history.report.page")
        page = pages.as_html(build(ledger, today, today, LATER, site()))
    assert "what it does now" in page and "How to read the figures" not in page


def test_thresholds_are_cut_where_prices_change_them_and_nowhere_else(ledger: Ledger) -> None:
    by_hour = site()._replace(
        thresholds=lambda when: Band(900.0, 300.0) if 5 <= when.hour < 23 else Band(float("inf"), -1.0)
    )
    made = build(ledger, FIRST, FIRST, LATER, by_hour)
    spans = [(f"{time_of(each.begin_ms, ZONE):%H:%M}", each.band.start_export_w) for each in made.thresholds]
    assert spans == [("00:00", float("inf")), ("05:30", 900.0), ("23:30", float("inf"))]
    (one,) = build(ledger, FIRST, FIRST, LATER, site()).thresholds
    assert (one.begin_ms, one.end_ms) == tuple(map(ms_of, day_span(FIRST, ZONE)))
    assert as_json(made)["thresholds"][0]["start_export_w"] is None  # JSON has no infinity


def imported(path: Path, rows: str) -> Ledger:
    """Return a ledger into which rows of time, grid_w and charger_w were imported."""
    (path / "rows.csv").write_text("time,grid_w,charger_w\n" + rows)
    ledger = Ledger(path / "h.sqlite")
    exchange.import_readings(
        ledger,
        path / "rows.csv",
        ms_of(LATER),
        ZONE,
        Retention(),
        tariffs=TARIFFS,
        fresh_s=None,
        gaps_only=False,
    )
    return ledger


def minutes(day: date, hours: range, draws: range) -> str:
    """Return a row for each minute of these hours; between some of them the charger draws 1 kW, and sun is exported."""
    begin = day_span(day, ZONE)[0]
    times = (begin + timedelta(minutes=minute) for hour in hours for minute in range(60 * hour, 60 * hour + 60))
    return "".join(f"{when.isoformat()},-300,{1000 if when.hour in draws else 0}\n" for when in times)


def test_of_imported_charging_starts_are_unknown_and_not_nought(tmp_path: Path) -> None:
    """Nobody has counted them: neither the daemon, nor does the file say."""
    with imported(tmp_path, minutes(FIRST, range(24), range(10, 13))) as ledger:
        day, month = build(ledger, FIRST, FIRST, LATER, site()), build(ledger, FIRST, LATER.date(), LATER, site())
        rows = list(exchange.records(ledger, "days", day.total.begin, day.total.end, ZONE, tariffs=TARIFFS))
    for made in (day, month):
        document = as_json(made)
        assert document["total"]["charger_wh"] == pytest.approx(3000, abs=20)
        assert (document["total"]["starts"], document["sessions"]) == (None, [])
        assert document["total"]["unlisted_s"] == pytest.approx(3 * 3600, abs=60)
        text = " ".join(as_text(made, 100).split())
        assert "For 3 h of charging there is no charge on record, since it was imported." in text
    assert [row for row in as_text(month, 100).splitlines() if row.startswith(("Wed 14", "total")) and " ? " in row]
    assert rows[0]["starts"] is None
    pages = pytest.importorskip("surpluscharge.history.report.page")
    assert "<dt>Starts</dt><dd>not known</dd>" in pages.as_html(day)


def test_what_the_daemon_switched_has_its_starts_counted(ledger: Ledger, tmp_path: Path) -> None:
    for day in (FIRST, date(2031, 5, 15), date(2031, 5, 16)):
        total = as_json(build(ledger, day, day, LATER, site()))["total"]
        assert total["on_s"] > 0 and total["starts"] > 0 and total["unlisted_s"] == 0
    # Imported readings without a charge in them know that there was none.
    with imported(tmp_path, minutes(FIRST, range(24), range(0))) as other:
        assert as_json(build(other, FIRST, FIRST, LATER, site()))["total"]["starts"] == 0


def test_a_charge_over_midnight_is_on_record_in_both_days(tmp_path: Path) -> None:
    begin, end = datetime(2031, 5, 14, 23, tzinfo=ZONE), datetime(2031, 5, 15, 1, 30, tzinfo=ZONE)
    samples = [Sample(at_ms, 1200.0, 1000.0, True) for at_ms in range(ms_of(begin), ms_of(end) + 1, 60_000)]
    with Ledger(tmp_path / "h.sqlite") as opened:
        opened.write(Batch(list(hold(samples, 60_000)), states=[STARTED]))
        energy = opened.energy(ms_of(begin), ms_of(end))
        opened.write(Batch(charges=[Charge(ms_of(begin), ms_of(begin), ms_of(end), "disabled", energy)]))
        starts = [as_json(build(opened, day, day, LATER, site()))["total"]["starts"] for day in (FIRST, end.date())]
    assert starts == [1, 0]


def test_days_without_readings_are_no_noughts(tmp_path: Path) -> None:
    with steady(tmp_path / "h.sqlite", FIRST) as opened:
        made = build(opened, FIRST, date(2031, 5, 16), LATER, site())
    document = as_json(made)
    known, *unknown = document["lines"]
    assert known["export_wh"] == 12_000 and known["starts"] == 0
    for line in unknown:
        assert (line["export_wh"], line["on_s"], line["starts"], line["known_s"]) == (None, None, None, 0)
    assert document["total"]["export_wh"] == 12_000 and document["total"]["starts"] == 0
    pages = pytest.importorskip("surpluscharge.history.report.page")
    table = pages.as_html(made).split('id="lines-table"')[1].split("</table>")[0]
    assert ">Thu 15 May</th><td>?</td>" in table and table.count("<td>?</td>") == 2 * 8


@pytest.mark.parametrize(("missing", "marked"), [(1, False), (10, False), (120, True)])
def test_a_minute_that_is_missing_does_not_mark_a_day(tmp_path: Path, missing: int, marked: bool) -> None:
    rows = minutes(FIRST, range(24), range(10, 13)).splitlines(keepends=True)
    del rows[600 : 600 + missing + 2]  # each is held for three minutes
    whole = minutes(FIRST + timedelta(days=1), range(24), range(10, 13))
    with imported(tmp_path, "".join(rows) + whole) as opened:
        made = build(opened, FIRST, FIRST + timedelta(days=1), LATER, site())
    pages = pytest.importorskip("surpluscharge.history.report.page")
    bars = pages.as_html(made).split("<h2>Day by day</h2>")[1].split("</section>")[0]
    assert ("not all of it is known" in bars) == marked


# --- sessions --------------------------------------------------------------------------------------------------------


def test_a_session_over_midnight_is_whole_in_both_days_and_the_sums_are_not(tmp_path: Path) -> None:
    begin, end = datetime(2031, 5, 14, 23, tzinfo=ZONE), datetime(2031, 5, 15, 1, 30, tzinfo=ZONE)
    samples = [Sample(at_ms, 1200.0, 1000.0, True) for at_ms in range(ms_of(begin), ms_of(end) + 1, 60_000)]
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(Batch(list(hold(samples, 60_000)), states=[STARTED]))
        energy = ledger.energy(ms_of(begin), ms_of(end))
        ledger.write(Batch(charges=[Charge(ms_of(begin), ms_of(begin), ms_of(end), LOST, energy)]))
        made = [build(ledger, day, day, LATER, site()) for day in (FIRST, date(2031, 5, 15))]
    assert [each.total.energy.bought_wh for each in made] == [1000.0, 1500.0]
    for each in made:
        (session,) = each.sessions
        assert (session.begin, session.end, session.energy.charger_wh) == (begin, end, 2500.0)
        assert "nobody saw its end" in session.ended
        assert any("listed whole" in note for note in words.notes(each))
        # Half an hour at 0.29, then two at the night's 0.17: by hand.
        assert session.money is not None
        assert session.money.paid == Decimal("0.29") * Decimal("0.5") + Decimal("0.17") * 2


def test_a_charge_keeps_its_own_energy_where_prices_change_within_a_minute(tmp_path: Path) -> None:
    """Old intervals are sums over minutes: their parts are proportional, the charge's own energy is exact."""
    begin_ms = ms_of(datetime(2031, 5, 14, 5, 29, 45, tzinfo=ZONE))
    whole = list(
        hold([Sample(begin_ms - 45_000, 0.0, 800.0, True), Sample(begin_ms + 75_000, 0.0, 0.0, False)], 120_000)
    )
    energy = Energy(75_000, 75_000, 0, 0, 999_999, 1_000_001, 0)
    flat = Tariffs(
        "EUR", (Tariff(None, Decimal(1), Decimal(1), Decimal(3), (Window(EVERY_DAY, 0, 19_800, Decimal(2)),)),)
    )
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(
            Batch(whole, [Charge(begin_ms, begin_ms, begin_ms + 75_000, "disabled", energy)], states=[STARTED])
        )
        (session,) = build(ledger, FIRST, FIRST, LATER, site(flat)).sessions
    assert session.money is not None
    assert session.money.alternative_units == 3 * energy.charger_mws
    assert session.money.forgone_units == energy.solar_mws


def test_a_charge_that_runs_has_no_end_yet(tmp_path: Path) -> None:
    begin_ms = ms_of(datetime(2031, 5, 14, 12, tzinfo=ZONE))
    now = datetime(2031, 5, 14, 12, 10, tzinfo=ZONE)
    with Ledger(tmp_path / "h.sqlite") as ledger:
        samples = [Sample(at_ms, -100.0, 1000.0, True) for at_ms in range(begin_ms, ms_of(now) + 1, 60_000)]
        ledger.write(
            Batch(list(hold(samples, 60_000)), [Charge(begin_ms, begin_ms, None, None, NOTHING)], states=[STARTED])
        )
        made = build(ledger, FIRST, FIRST, now, site())
    (session,) = made.sessions
    assert (session.end, session.ended) == (None, "still charging")
    assert as_json(made)["sessions"][0]["end"] is None
    assert session.energy.solar_mws == 1000 * 600_000
    assert "still charging" in as_text(made)


def test_a_charge_that_runs_has_cost_what_it_did_where_prices_changed(tmp_path: Path) -> None:
    """From 5:00 to 6:00, 1 kW all bought: half an hour at 2 a kWh, then half an hour at 1."""
    begin_ms = ms_of(datetime(2031, 5, 14, 5, tzinfo=ZONE))
    now = datetime(2031, 5, 14, 6, tzinfo=ZONE)
    night = Window(EVERY_DAY, 0, 19_800, Decimal(2))
    tariffs = Tariffs("EUR", (Tariff(None, Decimal(1), Decimal(0), Decimal(3), (night,)),))
    with Ledger(tmp_path / "h.sqlite") as ledger:
        samples = [Sample(at_ms, 1000.0, 1000.0, True) for at_ms in range(begin_ms, ms_of(now) + 1, 60_000)]
        ledger.write(
            Batch(list(hold(samples, 60_000)), [Charge(begin_ms, begin_ms, None, None, NOTHING)], states=[STARTED])
        )
        (session,) = build(ledger, FIRST, FIRST, now, site(tariffs)).sessions
    assert session.money is not None
    assert (session.money.paid, session.money.saved) == (Decimal("1.5"), Decimal("1.5"))


def test_what_the_house_s_battery_gave_stands_in_the_reckoning(tmp_path: Path) -> None:
    """An hour of 1 kW: 400 W of it from the battery, at 1 a kWh; the rest from the sun, at nothing."""
    begin_ms = ms_of(datetime(2031, 5, 14, 5, tzinfo=ZONE))
    tariffs = Tariffs("EUR", (Tariff(None, Decimal(1), Decimal(0), Decimal(3)),))
    with Ledger(tmp_path / "h.sqlite") as ledger:
        hour = range(begin_ms, begin_ms + 3_600_001, 60_000)
        samples = [Sample(at_ms, 0.0, 1000.0, True, battery_w=-400.0) for at_ms in hour]
        intervals = list(hold(samples, 60_000))
        charge = Charge(
            begin_ms, begin_ms, begin_ms + 3_600_000, "stopping", total(one.energy for one in intervals) or NOTHING
        )
        ledger.write(Batch(intervals, [charge], states=[STARTED]))
        report = build(ledger, FIRST, FIRST, LATER, site(tariffs))
        (exported,) = exchange.records(ledger, "charges", *day_span(FIRST, ZONE), ZONE, tariffs=tariffs)
    assert (exported["battery_wh"], exported["solar_wh"]) == (400.0, 600.0)
    assert (
        "0.60 kWh (60 %) from the sun, 0.00 kWh bought, 0.40 kWh from the house's battery" in words.summary(report)[0]
    )
    rows = {row.what: (row.energy_mws, row.money) for row in words.money_rows(report)}
    assert rows["from the house's battery"] == (400 * 3_600_000, Decimal("0.4"))
    assert rows["from the sun, not sold"] == (600 * 3_600_000, 0)
    assert rows["what it cost"] == (1000 * 3_600_000, Decimal("0.4"))
    assert as_json(report)["total"]["battery_wh"] == 400.0
    (session,) = as_json(report)["sessions"]
    assert (session["battery_wh"], session["solar_wh"], session["charger_wh"]) == (400.0, 600.0, 1000.0)
    lines = [line.split() for line in as_text(report, 100).splitlines()]
    assert ["session", "to", "kWh", "sun", "battery", "EUR", "on"] in [line[:7] for line in lines]
    assert any(" 1.00 60 % 40 % " in " ".join(line) for line in lines), lines
    assert ["hour", "surplus", "caught", "bought", "battery"] in [line[:5] for line in lines]


def test_a_charge_that_has_just_begun(tmp_path: Path) -> None:
    """What the car took of it is not on record yet, and that is not nothing."""
    begin_ms = ms_of(datetime(2031, 5, 14, 12, tzinfo=ZONE))
    with Ledger(tmp_path / "h.sqlite") as ledger:
        samples = [
            Sample(at_ms, -100.0, 0.0, at_ms >= begin_ms)
            for at_ms in range(begin_ms - 600_000, begin_ms + 9_999, 5_000)
        ]
        begun = [Charge(begin_ms, begin_ms, None, None, NOTHING)]
        ledger.write(Batch(list(hold(samples, 60_000)), begun, states=[STARTED]))
        made = build(ledger, FIRST, FIRST, datetime(2031, 5, 14, 12, 2, tzinfo=ZONE), site())
    assert "what it took is not on record yet" in as_text(made)
    assert "took nothing" not in as_text(made)


# --- how sure it is --------------------------------------------------------------------------------------------------


DEAR = Tariffs("EUR", (Tariff(None, Decimal("0.60"), Decimal("0.06"), Decimal("0.21")),))


@pytest.mark.parametrize("off_w", [-45.0, 45.0])
@pytest.mark.parametrize("grid_w", [-900.0, 300.0, 2000.0])
@pytest.mark.parametrize("tariffs", [TARIFFS, DEAR], ids=["windows", "dear"])
def test_the_error_covers_what_another_draw_would_have_come_to(
    tmp_path: Path, off_w: float, grid_w: float, tariffs: Tariffs
) -> None:
    """Were the learned draw 45 W off, energy, cost and saving of the true one lie within what is said."""
    found: list[Report] = []
    for draw_w, error_w in ((DRAW_W, 45.0), (DRAW_W + off_w, 0.0)):
        begin_ms = ms_of(datetime(2031, 5, 14, 4, tzinfo=ZONE))  # on both sides of the night's prices
        ends_ms = begin_ms + 3 * 3_600_000 + 1
        samples = [Sample(at_ms, grid_w, draw_w, True, error_w) for at_ms in range(begin_ms, ends_ms, 60_000)]
        with Ledger(tmp_path / f"{draw_w}.sqlite") as ledger:
            ledger.write(Batch(list(hold(samples, 60_000)), states=[STARTED]))
            found.append(build(ledger, FIRST, FIRST, LATER, site(tariffs)))
    said, true = (each.total for each in found)
    assert said.money is not None and true.money is not None
    assert true.cost_error == true.saved_error == 0
    assert abs(said.energy.charger_mws - true.energy.charger_mws) == said.energy.error_mws > 0
    assert 0 < abs(said.money.cost - true.money.cost) <= said.cost_error
    assert 0 < abs(said.money.saved - true.money.saved) <= said.saved_error
    assert "+- " in as_text(found[0]) and "may be off by 0.14 kWh" in " ".join(as_text(found[0]).split())
    assert "switches together with the charger is taken for part of it" in " ".join(as_text(found[0]).split())
    assert "+- " not in as_text(found[1])


@pytest.mark.parametrize(("error_w", "shown"), [(4.9, False), (5.0, True)])
def test_an_error_that_rounds_to_nothing_is_not_spoken_of(tmp_path: Path, error_w: float, shown: bool) -> None:
    """5 W for an hour is the first that comes to 0.01 kWh. In the figures it is there all the same."""
    begin_ms = ms_of(datetime(2031, 5, 14, 12, tzinfo=ZONE))
    samples = [Sample(begin_ms, 300.0, DRAW_W, True, error_w), Sample(begin_ms + 3_600_000, 300.0, DRAW_W, False)]
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(Batch(list(hold(samples, 3_600_000)), states=[STARTED]))
        made = build(ledger, FIRST, FIRST, LATER, site())
        month = build(ledger, date(2031, 5, 1), date(2031, 5, 31), LATER, site())
    text = " ".join(as_text(made).split())
    assert ("may be off by 0.01 kWh" in text, "+- " in text) == (shown, shown)
    assert as_json(made)["total"]["error_wh"] == error_w
    pages = pytest.importorskip("surpluscharge.history.report.page")
    for each in (made, month):
        assert ("±" in pages.as_html(each)) == shown


def test_energy_without_a_valid_tariff_is_said_to_be_left_out_of_the_money(tmp_path: Path) -> None:
    later = Tariffs("EUR", (Tariff(date(2031, 5, 15), Decimal("0.3"), Decimal("0.1"), Decimal("0.2")),))
    with steady(tmp_path / "h.sqlite", FIRST, 2, 500.0) as ledger:
        made = build(ledger, FIRST, date(2031, 5, 15), LATER, site(later))
        unpriced = build(ledger, FIRST, FIRST, LATER, site(None))
    assert made.total.unpriced_mws == 12 * MWS_PER_KWH
    assert made.total.money is not None and made.total.money.paid == Decimal("3.6")
    assert any("For 12.00 kWh no tariff was valid" in note for note in words.notes(made))
    assert unpriced.total.money is None
    assert any("no prices are configured" in note for note in words.notes(unpriced))


# --- written down ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "shown"),
    [("0.005", "0.01"), ("0.0049999", "0.00"), ("-0.004", "0.00"), ("-0.005", "-0.01"), ("1E+2", "100.00")],
)
def test_rounding_is_that_of_a_shop_and_nought_has_no_sign(value: str, shown: str) -> None:
    assert words.rounded(Decimal(value)) == shown


@pytest.mark.parametrize("width", [40, 60, 80, 120])
@pytest.mark.parametrize("last", [FIRST, date(2031, 5, 16)])
def test_no_line_is_wider_than_the_terminal(ledger: Ledger, width: int, last: date) -> None:
    made = build(ledger, FIRST, last, LATER, site())
    lines = as_text(made, width).splitlines()
    assert max(map(len, lines)) <= width
    assert any("█" in line for line in lines if not line.startswith("Bars")) == (width > 40 or made.single)
    assert as_text(made, width, PLAIN).isascii()


def test_bars_are_as_long_as_what_they_show() -> None:
    energy = Energy(solar_mws=30 * MWS_PER_KWH, export_mws=20 * MWS_PER_KWH, bought_mws=10 * MWS_PER_KWH)
    assert text._bar(energy, 60 * MWS_PER_KWH, 12, BLOCKS) == "██████░░░░▒▒"
    assert text._bar(energy, 120 * MWS_PER_KWH, 12, PLAIN) == "###..+"
    assert text._bar(NOTHING, 0, 12, BLOCKS) == ""
    stored = energy._replace(export_mws=5 * MWS_PER_KWH, stored_mws=15 * MWS_PER_KWH)  # into the house's battery
    assert text._bar(stored, 60 * MWS_PER_KWH, 12, BLOCKS) == "██████░░░░▒▒"


def test_blocks_only_where_the_encoding_has_them() -> None:
    assert reports.marks_for("utf-8") is BLOCKS
    assert reports.marks_for("ascii") is PLAIN
    assert reports.marks_for("latin-1") is PLAIN
    assert reports.marks_for(None) is PLAIN
    assert reports.marks_for("no such encoding") is PLAIN


def test_an_hour_that_is_partly_unknown_is_marked(ledger: Ledger) -> None:
    rows = as_text(build(ledger, date(2031, 5, 15), date(2031, 5, 15), LATER, site()), 80, PLAIN).splitlines()
    (twelve,) = [row for row in rows if row.startswith("12 ")]
    assert twelve.split() == ["12", "?", "?", "?", "???"]
    (thirteen,) = [row for row in rows if row.startswith("13 ")]
    assert thirteen.endswith("???") and thirteen.split()[1] != "?"
    assert any(row.startswith("Not known: 11:00 to 13:18.") for row in rows)


def test_json_says_the_same_exactly(ledger: Ledger) -> None:
    made = build(ledger, FIRST, date(2031, 5, 16), LATER, site())
    document = json.loads(json.dumps(as_json(made), allow_nan=False))
    cost = made.total.money
    assert cost is not None
    assert Decimal(document["total"]["money"]["saved"]) == cost.saved
    assert document["total"]["solar_wh"] * 3_600_000 == pytest.approx(made.total.energy.solar_mws, abs=1)
    assert sum(line["charger_wh"] for line in document["lines"]) == pytest.approx(document["total"]["charger_wh"])
    assert len(document["hours"]) == 72
    assert datetime.fromisoformat(document["total"]["begin"]) == made.total.begin
    assert document["currency"] == "EUR" and document["report_version"] == 2
    for line, energy in zip(document["lines"], [line.energy for line in made.lines], strict=True):
        assert (line["on_s"], line["known_s"]) == (energy.on_ms / 1000, energy.known_ms / 1000)
    ends = [session.end.isoformat() for session in made.sessions if session.end]
    assert [session["end"] for session in document["sessions"]] == ends != []


@pytest.mark.parametrize(
    ("busy", "first", "last"),
    [((10.25,), 4, 11), ((2.0,), 0, 6), ((23.75,), 18, 24), ((8.25, 17.5), 8, 18), ((), 0, 24)],
)
def test_of_a_day_whole_hours_are_drawn_around_what_is_worth_a_look(
    busy: tuple[float, ...], first: int, last: int
) -> None:
    """Six of them at least."""
    begin_ms = ms_of(day_span(FIRST, ZONE)[0])
    hour_ms = 3_600_000
    drawn = figures.cropped([begin_ms + round(one * hour_ms) for one in busy], begin_ms, begin_ms + 24 * hour_ms, ZONE)
    assert [(at_ms - begin_ms) / hour_ms for at_ms in drawn] == [first, last]


def test_months() -> None:
    assert reports.month_of("2028-02") == (date(2028, 2, 1), date(2028, 2, 29))
    with pytest.raises(ValueError):
        reports.month_of("2028-13")


@pytest.mark.parametrize(
    ("first", "last", "name"),
    [
        (date(2031, 5, 14), date(2031, 5, 14), "Wednesday, 14 May 2031"),
        (date(2028, 2, 1), date(2028, 2, 29), "February 2028"),
        (date(2031, 5, 1), date(2031, 5, 30), "1 to 30 May 2031"),
        (date(2031, 4, 30), date(2031, 5, 2), "30 April to 2 May 2031"),
        (date(2030, 12, 31), date(2031, 1, 1), "31 December 2030 to 1 January 2031"),
    ],
)
def test_what_a_period_is_called(ledger: Ledger, first: date, last: date, name: str) -> None:
    made = build(ledger, FIRST, FIRST, LATER, site())
    assert words.title(made._replace(first=first, last=last)) == name


def test_every_way_a_charge_can_end_has_words() -> None:
    """The causes with which the machine's table leaves the states that are on."""
    on = 1 << machine.CHARGING | 1 << machine.DISARMING
    ends = {machine.CAUSES[row.cause] for row in machine.TABLE if row.sources & on and not machine.wants_on(row.target)}
    assert ends and ends <= set(figures.ENDS)


# --- the command -----------------------------------------------------------------------------------------------------

PAST = date(2024, 5, 14)  # the command asks the real clock, so its history lies in the past


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("command")
    path = folder / "config.toml"
    path.write_text(
        f"""
        charger = {{ name = "carport", current_a = 6 }}
        relay.topic = "carport/plug/command"
        meter = [{{ topic = "house/meter" }}]
        site.time_zone = "Europe/Lisbon"
        store.directory = "{folder}"
        [money]
        currency = "€"
        tariff = [{{ import_price = 0.29, export_price = 0.06, alternative_price = 0.21 }}]
        """,
        encoding="utf-8",
    )
    with Ledger(folder / "history-carport.sqlite") as ledger:
        live(ledger, PAST, 2, Habit(seed=6, every_s=30.0))
    return path


def run(*arguments: str, encoding: str = "utf-8", before: str = "") -> subprocess.CompletedProcess[bytes]:
    program = f"import sys; {before or 'pass'}; from surpluscharge import cli; sys.exit(cli.main(sys.argv[1:]))"
    return subprocess.run(
        [sys.executable, "-c", program, "report", *arguments],
        capture_output=True,
        check=False,
        timeout=120,
        env={"PYTHONIOENCODING": encoding, "PATH": "/usr/bin:/bin", "COLUMNS": "70"},
    )


def test_the_text_comes_without_the_drawing_library(config: Path) -> None:
    done = run("--config", str(config), "--day", "2024-05-14", before="sys.modules['matplotlib'] = None")
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode()
    assert "carport: Tuesday, 14 May 2024" in text and "█" in text and "€" in text
    assert max(map(len, text.splitlines())) <= 70


def test_the_page_without_the_drawing_library_says_what_to_install(config: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    arguments = ("--config", str(config), "--day", "2024-05-14", "--html", str(page))
    done = run(*arguments, before="sys.modules['matplotlib'] = None")
    assert done.returncode == 1 and b"-e '.[report]'" in done.stderr and b"Traceback" not in done.stderr
    assert not page.exists()


def test_a_terminal_that_knows_only_ascii_gets_ascii(config: Path) -> None:
    done = run("--config", str(config), "--month", "2024-05", encoding="ascii")
    assert done.returncode == 0, done.stderr
    assert done.stdout.isascii() and b"###" in done.stdout


def test_json_and_page_in_one_go(config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "page.html"
    arguments = ["report", "--config", str(config), "--from", "2024-05-14", "--to", "2024-05-15"]
    assert cli.main([*arguments, "--json", "--html", str(page)]) == 0
    out, err = capsys.readouterr()
    document = json.loads(out)
    assert [line["first"] for line in document["lines"]] == ["2024-05-14", "2024-05-15"]
    assert document["total"]["money"] is not None
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>") and "written" in err


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        (["--day", "14.5.2024"], 2, "write it as 2031-05-14"),
        (["--month", "2024-13"], 2, "write it as 2031-05"),
        (["--day", "2024-05-14", "--month", "2024-05"], 1, "exclude one another"),
        (["--to", "2024-05-14"], 1, "--to needs --from"),
        (["--from", "2024-05-15", "--to", "2024-05-14"], 1, "2024-05-15 is later than 2024-05-14"),
        (["--day", "9999-01-01"], 1, "still to come"),
        (["--month", "last", "--day", "today"], 1, "exclude one another"),
        (["--day", "2024-05-14", "--into", "/dev/null/reports"], 1, "cannot be written"),
        (["--day", "2024-05-14", "--html", "/nowhere/page.html"], 1, "/nowhere/page.html cannot be written"),
    ],
)
def test_wrong_arguments_are_explained(
    config: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], status: int, message: str
) -> None:
    try:
        got = cli.main(["report", "--config", str(config), *arguments])
    except SystemExit as stop:
        got = int(str(stop.code))
    out, err = capsys.readouterr()
    assert (got, out) == (status, "")
    assert message in err


# --- sent, and kept by itself ----------------------------------------------------------------------------------------


def told(folder: Path, config: Path, port: int, about: str = '["month", "latched"]') -> Path:
    """Return the configuration, with somebody who is told by mail, and one whom only faults concern."""
    path = folder / "told.toml"
    mail = f'host = "127.0.0.1", port = {port}, security = "none", sender = "house@example.net"'
    path.write_text(
        config.read_text(encoding="utf-8")
        + f'\n[[tell]]\nabout = {about}\nmail = {{ {mail}, to = ["me@example.net"] }}\n'
        + f'[[tell]]\nabout = ["latched"]\nmail = {{ {mail}, to = ["other@example.net"] }}\n',
        encoding="utf-8",
    )
    return path


def test_a_month_is_sent_and_kept(config: Path, tmp_path: Path, postbox: tuple[Postbox, int]) -> None:
    """As the timer's unit does: the text, with the page attached; the same page stays in the folder."""
    box, port = postbox
    folder = tmp_path / "state" / "reports"
    arguments = ["report", "--config", str(told(tmp_path, config, port)), "--month", "2024-05"]
    assert cli.main([*arguments, "--into", str(folder), "--tell"]) == 0
    (content,) = box.got
    mail = email.message_from_bytes(content, policy=policy.default)
    assert mail["Subject"] == "surpluscharge carport: what May 2024 came to" and mail["To"] == "me@example.net"
    text, page = mail.iter_parts()
    assert "kWh" in text.get_content() and "unplug" not in text.get_content()
    (kept,) = folder.iterdir()
    assert kept.name == "report-2024-05.html"
    assert page.get_content().split() == kept.read_text(encoding="utf-8").split()


def test_a_month_without_the_drawing_library_is_text(config: Path, tmp_path: Path) -> None:
    done = run(
        *("--config", str(config), "--month", "2024-05", "--into", str(tmp_path)),
        before="sys.modules['matplotlib'] = None",
    )
    assert done.returncode == 0, done.stderr
    assert "kWh" in (tmp_path / "report-2024-05.txt").read_text(encoding="utf-8")


def test_who_is_not_told_in_time_is_named(
    config: Path,
    tmp_path: Path,
    postbox: tuple[Postbox, int],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    box, port = postbox
    box.refuses = True
    monkeypatch.setattr(records, "TELL_WITHIN_S", 1.0)
    assert cli.main(["report", "--config", str(told(tmp_path, config, port)), "--month", "2024-05", "--tell"]) == 1
    err = capsys.readouterr().err
    assert "tell_failed" in err and "tell.0 (mail) could not be told in 1 s" in err and "tell.1" not in err


def test_what_cannot_be_sent_at_first_is_sent_later(
    config: Path, tmp_path: Path, postbox: tuple[Postbox, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    box, port = postbox
    box.refuses = True
    monkeypatch.setattr(telling, "RETRY_FIRST_S", 0.5)
    timer = threading.Timer(0.3, lambda: setattr(box, "refuses", False))
    timer.start()
    assert cli.main(["report", "--config", str(told(tmp_path, config, port)), "--month", "2024-05", "--tell"]) == 0
    timer.join()
    assert len(box.got) == 1


def test_nobody_to_tell_is_explained(config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = told(tmp_path, config, 25, about='["day"]')
    assert cli.main(["report", "--config", str(path), "--month", "last", "--tell"]) == 1
    assert 'a [[tell]] with "month" in its about is needed' in capsys.readouterr().err


def test_a_month_is_kept_where_nobody_is_told(config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The timer's unit asks for both: the page in its folder is no failure of the unit."""
    folder = tmp_path / "reports"
    arguments = ["report", "--config", str(config), "--month", "2024-05", "--into", str(folder), "--tell"]
    assert cli.main(arguments) == 0
    assert [each.name for each in folder.iterdir()] == ["report-2024-05.html"]
    assert "nobody is told of months" in capsys.readouterr().err


def test_the_last_month_is_that_before_today(config: Path, tmp_path: Path) -> None:
    today = datetime.now(ZONE).date()
    before = today.replace(day=1) - timedelta(days=1)
    assert cli.main(["report", "--config", str(config), "--month", "last", "--into", str(tmp_path)]) == 0
    assert [path.name for path in tmp_path.iterdir()] == [f"report-{before:%Y-%m}.html"]


def test_days_can_be_named(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    today = datetime.now(ZONE).date()
    for name, day in (("today", today), ("yesterday", today - timedelta(days=1))):
        assert cli.main(["report", "--config", str(config), "--day", name, "--json"]) == 0
        shown = json.loads(capsys.readouterr().out)["first"]
        if datetime.now(ZONE).date() == today:  # it may be midnight just now
            assert shown == day.isoformat()


def test_where_there_is_no_history_yet(tmp_path: Path, capsys: pytest.CaptureFixture[str], config: Path) -> None:
    text = config.read_text(encoding="utf-8").replace(str(config.parent), str(tmp_path))
    (tmp_path / "config.toml").write_text(text, encoding="utf-8")
    assert cli.main(["report", "--config", str(tmp_path / "config.toml")]) == 1
    assert "there is no history yet" in capsys.readouterr().err


def test_the_daemon_may_write_meanwhile(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Ledger(config.parent / "history-carport.sqlite") as writer, writer._transaction():
        writer._db.execute("INSERT INTO fault VALUES (0, 'draw-high', 'raised')")
        assert cli.main(["report", "--config", str(config), "--day", "2024-05-14"]) == 0
        writer._db.execute("DELETE FROM fault")
    assert "carport: Tuesday" in capsys.readouterr().out
