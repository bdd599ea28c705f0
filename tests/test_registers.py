"""Energy registers: against meters that are made up, of which all that flowed is known."""

from __future__ import annotations

import json
import random
import re
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from surpluscharge import cli
from surpluscharge.control.rule import Band
from surpluscharge.history.energy import MWS_PER_KWH, Energy, Interval, Sample, held, ms_of, total
from surpluscharge.history.exchange import records
from surpluscharge.history.ledger import Batch, Ledger, Mark, Retention
from surpluscharge.history.registers import (
    CLASSES,
    REASONS,
    Follower,
    Register,
    class_of,
    statement,
)
from surpluscharge.history.report import Household, as_json, as_text, build
from tests.bench import ledger_kills

KWH, MINUTE_MS, HOUR_MS, DAY_MS = MWS_PER_KWH, 60_000, 3_600_000, 86_400_000
LIMIT_W = 30_000.0
DAY = date(2024, 5, 14)
BEGIN_MS = ms_of(datetime(2024, 5, 14, tzinfo=UTC))


def follower(rolls_over_mws: int | None = None, last: Mark | None = None) -> Follower:
    return Follower(Register("import", "import", LIMIT_W, rolls_over_mws), last)


def fed(one: Follower, values: list[float], every_ms: int = MINUTE_MS) -> list[str | None]:
    """Have it take values in kWh, evenly spaced, from where it is on."""
    since_ms = max(one.last.at_ms if one.last else 0, BEGIN_MS)
    return [one.take(since_ms + every_ms * (n + 1), round(value * KWH)) for n, value in enumerate(values)]


def counted(one: Follower) -> float:
    assert one.last is not None
    return one.last.total_mws / KWH


def test_what_rises_counts_and_what_repeats_counts_nothing() -> None:
    one = follower()
    assert fed(one, [812.4, 812.4, 812.5, 812.5, 812.9]) == [None] * 5
    assert counted(one) == pytest.approx(0.5, abs=1e-9) and one.last and one.last.base == 1


@pytest.mark.parametrize(
    ("before", "after", "rolls_over", "rise"),
    [
        (99_999.9, 0.0, None, 0.1),  # as registers of five digits and a tenth do
        (99_999.9, 0.2, None, 0.3),
        (999_999.0, 0.0, None, 1.0),
        (9_999.9, 0.4, 10_000.0, 0.5),
        (4_294.9, 0.1, 4_294.967295, 0.167295),  # 2^32 mWh
        (9_999.9, 0.1, 100_000.0, None),  # put back, for it has another digit
        (50_000.0, 0.0, None, None),
        (999.9, 0.0, None, None),  # a plug's: it may as well have been put back
    ],
)
def test_it_rolls_over_where_it_may_and_nowhere_else(
    before: float, after: float, rolls_over: float | None, rise: float | None
) -> None:
    one = follower(None if rolls_over is None else round(rolls_over * KWH))
    assert fed(one, [before, after]) == [None, None if rise is not None else "back"]
    assert counted(one) == pytest.approx(rise or 0.0, abs=1e-6)


def test_what_is_put_back_near_a_power_of_ten_has_not_rolled_over() -> None:
    one = follower()
    assert fed(one, [9_980.0]) == [None]
    assert fed(one, [0.0], HOUR_MS) == ["back"]  # though 20 kWh may flow in an hour
    assert counted(one) == 0.0


def test_one_that_is_put_back_to_nought_begins_anew_once_it_rises() -> None:
    one = follower()
    assert fed(one, [812.4, 0.0, 0.0, 0.0, 0.0]) == [None, "back", "back", "back", "back"]  # a meter that starts up
    assert fed(one, [812.4, 812.5], 10 * MINUTE_MS) == [None, None]
    assert counted(one) == pytest.approx(0.1)
    assert fed(one, [0.0, 0.0, 0.1, 0.3]) == ["back", "back", None, None]
    assert counted(one) == pytest.approx(0.3)
    assert one.last and one.last.base == 2 and one.refused == {"back": 6}


def test_an_exchanged_meter_is_believed_after_a_day_and_at_once_where_the_owner_says_so() -> None:
    for new in (300.0, 912.4, 64_000.0):  # 100 kWh more could have flowed in three hours and a half, and have not
        one = follower()
        fed(one, [812.4])
        said = fed(one, [new + 0.1 * hour for hour in range(30)], HOUR_MS)
        assert [reason is None for reason in said] == [False] * 24 + [True] * 6
        assert counted(one) == pytest.approx(0.5) and one.last and one.last.base == 2
        told = follower()
        fed(told, [812.4])
        told.begin_anew()
        assert fed(told, [new, new + 0.1]) == [None, None]
        assert counted(told) == pytest.approx(0.1) and told.last and told.last.base == 2


def test_what_cannot_be_is_refused_and_counted_with_its_reason() -> None:
    one = follower()
    fed(one, [812.4])
    assert one.last is not None
    at_ms = one.last.at_ms
    for shift_ms, value, reason in (
        (MINUTE_MS, 813.0 + 30 / 60 + 1.0, "jump"),
        (MINUTE_MS, 812.3, "back"),
        (MINUTE_MS, -1.0, "negative"),
        (-1, 812.5, "earlier"),
    ):
        assert one.take(at_ms + shift_ms, round(value * KWH)) == reason
    assert set(one.refused) == set(REASONS) and counted(one) == 0.0


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_nothing_is_negative_nothing_counts_twice_and_what_is_sound_counts_all(data: st.DataObject) -> None:
    """Against the energy that flowed: a register shows it in whole digits, from somewhere on, and rolls over."""
    digit = data.draw(st.sampled_from((KWH, KWH // 10, KWH // 1000)))
    full = 100_000 * KWH
    offset = data.draw(st.sampled_from((0, 812 * KWH, full - 20 * KWH, full - digit)))
    wild = data.draw(st.booleans())  # values that nobody can tell from right ones
    faults = ("old", "nought", "put back", "exchanged") + (("nonsense",) * 4 if wild else ())
    at_ms = flowed_mws = begun_mws = 0  # begun: what had flowed when this register was put there
    one, sound, shown_before = follower(), True, [offset]
    one.take(0, offset)
    for _ in range(data.draw(st.integers(1, 40))):
        gap_ms = data.draw(st.sampled_from((10_000, MINUTE_MS, HOUR_MS, 5 * HOUR_MS)))
        at_ms += gap_ms
        flowed_mws += data.draw(st.sampled_from((0, 250, 2300, 9000))) * gap_ms
        event = data.draw(st.sampled_from(("sound",) * 12 + faults))
        if event in ("put back", "exchanged"):
            sound, begun_mws = False, flowed_mws
            offset = 0 if event == "put back" else data.draw(st.sampled_from((3 * KWH, 40_000 * KWH, 70_000 * KWH)))
            # Another register that goes on about where the old one ended, nobody could tell from it.
            ahead_mws = (offset - one.last.shown_mws) % full  # type: ignore[union-attr]
            assume(wild or ahead_mws > LIMIT_W * at_ms + KWH)
        shown = (offset + (flowed_mws - begun_mws) // digit * digit) % full
        if event == "old":
            one.take(at_ms, data.draw(st.sampled_from(shown_before[-3:])))
        elif event == "nonsense":
            one.take(at_ms, data.draw(st.integers(0, full)) // digit * digit)
        elif event == "nought":
            one.take(at_ms, 0)
        sound = sound and event == "sound"
        before = one.last
        one.take(at_ms, shown)
        shown_before.append(shown)
        assert before is not None and one.last is not None
        assert one.last.total_mws >= before.total_mws and one.last.base >= before.base
        if sound:
            assert 0 <= flowed_mws - one.last.total_mws < digit
        if not wild:  # what counts twice comes to more than has flowed
            assert one.last.total_mws <= flowed_mws + digit
    assert one.last is not None and one.last.total_mws <= LIMIT_W * at_ms + 41 * KWH


# --- in the ledger ---------------------------------------------------------------------------------------------------


class Street:
    """A house by the minute, of which all is known: what its registers show, and what a daemon records."""

    def __init__(self, minutes: int, seed: int, digit: int = KWH // 1000) -> None:
        chance = random.Random(seed)
        self.digit = digit
        self.flows: list[Energy] = []
        grid_w, charger_w = 0.0, 0.0
        for minute in range(minutes):
            if minute % 7 == 0:
                grid_w, charger_w = chance.uniform(-3000, 3000), chance.choice((0.0, 0.0, 1380.0))
            at_ms = BEGIN_MS + minute * MINUTE_MS
            self.flows.append(held(Sample(at_ms, grid_w, charger_w, charger_w > 0), at_ms + MINUTE_MS).energy)

    def recorded(self, minutes: range) -> list[Interval]:
        return [Interval(BEGIN_MS + n * MINUTE_MS, BEGIN_MS + (n + 1) * MINUTE_MS, self.flows[n]) for n in minutes]

    def marks(self, minute: int, base: int = 1) -> list[Mark]:
        so_far = total(self.flows[:minute])
        shown = {"import": so_far.import_mws, "export": so_far.export_mws, "charged": so_far.charger_mws}
        return [
            Mark(name, BEGIN_MS + minute * MINUTE_MS, name, base, *([mws // self.digit * self.digit] * 2))
            for name, mws in shown.items()
        ]


NAMES = ("import", "export", "charged")


def reckon(ledger: Ledger) -> list[Interval]:
    return ledger.reckon(NAMES, LIMIT_W, UTC, None)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6))
def test_the_books_of_a_day_with_gaps_come_to_what_flowed(seed: int) -> None:
    """Whenever registers are read; each gap has what flowed in all gaps between two readings, by its length."""
    street, chance = Street(1440, seed % 5), random.Random(seed)
    with tempfile.TemporaryDirectory() as folder, Ledger(Path(folder) / "h.sqlite") as ledger:
        minute, there, filled = 0, 0, []
        ledger.write(Batch(marks=street.marks(0)))
        while minute < 1440:
            length = min(chance.randint(1, 200), 1440 - minute)
            absent = chance.random() < 0.5
            marks = street.marks(minute + length) if chance.random() < 0.5 or minute + length == 1440 else []
            minutes = range(minute, minute + length)
            ledger.write(Batch([] if absent else street.recorded(minutes), marks=marks))
            there += 0 if absent else length
            filled += reckon(ledger)
            assert reckon(ledger) == []  # what is filled is no gap
            minute += length
        found, truth = ledger.energy(0, 1 << 60), total(street.flows)
        short_ms = DAY_MS - found.known_ms  # gaps too short to be filled; what flowed in them went to longer ones
        assert short_ms == 60_000 * (1440 - there) - sum(one.end_ms - one.begin_ms for one in filled)
        for name, digits in (("import_mws", 1440), ("export_mws", 1440), ("charger_mws", 1440)):
            known, flowed = getattr(found, name), getattr(truth, name)
            assert known <= flowed + digits * street.digit
            if not short_ms:
                assert known >= flowed - digits * street.digit
        assert ledger.register_ms(0, 1 << 60) == sum(one.end_ms - one.begin_ms for one in filled)
        measured = total(one.energy for one in ledger.intervals(0, 1 << 60, measured=True))
        assert measured.known_ms == 60_000 * there and measured.plus(total(one.energy for one in filled)) == found
        assert ledger.check(BEGIN_MS + 2 * DAY_MS, UTC) == []


def test_a_gap_is_filled_with_what_the_registers_counted_and_says_so(tmp_path: Path) -> None:
    street, absent = Street(1440, 5), range(600, 840)
    truth = total(street.flows[minute] for minute in absent)
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(Batch(street.recorded(range(600)), marks=[*street.marks(0), *street.marks(595)]))
        assert reckon(ledger) == []
        ledger.write(Batch(street.recorded(range(840, 860)), marks=street.marks(845)))
        (filled,) = reckon(ledger)
        assert (filled.begin_ms, filled.end_ms) == (BEGIN_MS + 600 * MINUTE_MS, BEGIN_MS + 840 * MINUTE_MS)
        for name in ("import_mws", "export_mws", "charger_mws"):
            assert getattr(filled.energy, name) == pytest.approx(getattr(truth, name), abs=2 * street.digit)
        # Nobody knows how much of it was sun: as much as was imported counts as bought.
        assert filled.energy.bought_mws == min(filled.energy.charger_mws, filled.energy.import_mws)
        assert filled.energy.on_ms == 0
        day = ledger.day_totals(DAY, DAY, UTC, None)[0]
        assert (day.register_ms, day.account.energy.known_ms) == (240 * MINUTE_MS, 860 * MINUTE_MS)
        assert list(ledger.surplus(filled.begin_ms, filled.end_ms, 1380.0)) == []  # no sun to be expected again
        times = [datetime.fromtimestamp(at_ms / 1000, UTC) for at_ms in (filled.begin_ms - HOUR_MS, BEGIN_MS + DAY_MS)]
        rows = list(records(ledger, "readings", *times, UTC, tariffs=None))
        assert [row["time"] for row in rows if row["known_by"] == "register"] == ["2024-05-14T10:00:00.000+00:00"]
        assert {row["known_by"] for row in rows} == {"readings", "register"}
        # However old it is, it is known for what it is.
        later_ms = BEGIN_MS + 40 * DAY_MS
        for kept in (Retention(2, 90, 365), Retention(2, 3, 365), Retention(2, 3, 10)):
            ledger.retain(later_ms, UTC, kept, None)
            (again,) = ledger.day_totals(DAY, DAY, UTC, None)
            assert (again.register_ms, again.account.energy) == (day.register_ms, day.account.energy)
        assert ledger.bounds() is None
        assert [mark.at_ms for mark in ledger.marks(0, 1 << 60, "import")] == [
            BEGIN_MS + minute * MINUTE_MS for minute in (0, 845)
        ]


@pytest.mark.parametrize("what", ["one lacks", "another base", "short", "absurd", "none before"])
def test_a_gap_that_registers_do_not_tell_of_stays_one(what: str, tmp_path: Path) -> None:
    street = Street(300, 5)
    before, after = street.marks(100), street.marks(205)
    until = 110 if what == "short" else 200
    if what == "one lacks":
        before, after = before[:1], after[:1]
    elif what == "another base":
        after = [*after[:1], after[1]._replace(base=2), *after[2:]]
    elif what == "absurd":
        after = [after[0]._replace(total_mws=after[0].total_mws + 100 * KWH), *after[1:]]
    elif what == "none before":
        before = []
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(Batch(street.recorded(range(100)), marks=before))
        reckon(ledger)
        ledger.write(Batch(street.recorded(range(until, 210)), marks=after))
        assert reckon(ledger) == []
        assert ledger.energy(0, 1 << 60).known_ms == (100 + 210 - until) * MINUTE_MS


def test_readings_that_are_imported_later_displace_it_and_it_is_back_when_that_is_undone(tmp_path: Path) -> None:
    street, truth = Street(1440, 5), ("import_mws", "export_mws", "charger_mws")
    later_ms, retention = BEGIN_MS + 3 * DAY_MS, Retention()
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(Batch(street.recorded(range(600)), marks=[*street.marks(0), *street.marks(600)]))
        ledger.write(Batch(street.recorded(range(840, 1440)), marks=[*street.marks(840), *street.marks(1440)]))
        (filled,) = reckon(ledger)
        ledger.retain(later_ms, UTC, retention, None)
        before, total_before = list(ledger.intervals(0, 1 << 60)), ledger.day_totals(DAY, DAY, UTC, None)
        for part_of_it in (range(700, 780), range(600, 840), range(590, 610)):
            done = ledger.fill(
                street.recorded(part_of_it), later_ms, UTC, retention, tariffs=None, gaps_only=part_of_it.start < 600
            )
            assert ledger.check(later_ms, UTC) == []
            inside = range(max(600, part_of_it.start), part_of_it.stop)
            assert done.energy == total(street.flows[minute] for minute in inside)
            found, all_of_it = ledger.energy(0, 1 << 60), total(street.flows)
            short_ms = MINUTE_MS * sum(length for length in (inside.start - 600, 840 - inside.stop) if length < 15)
            assert found.known_ms == DAY_MS - short_ms  # what is left of the gap still is known as a sum
            assert ledger.register_ms(0, 1 << 60) == (240 - len(inside)) * MINUTE_MS - short_ms
            for name in truth:
                assert getattr(found, name) == pytest.approx(getattr(all_of_it, name), abs=4 * street.digit)
            assert done.number is not None
            ledger.unfill(done.number, later_ms, UTC, tariffs=None)
            assert list(ledger.intervals(0, 1 << 60)) == before
            assert ledger.day_totals(DAY, DAY, UTC, None) == total_before
            assert ledger.check(later_ms, UTC) == []
        assert filled in before


# --- what is said of it ----------------------------------------------------------------------------------------------


def test_months_follow_one_another_in_a_statement_and_bases_stand_apart() -> None:
    def mark(at_ms: int, shown: float, base: int = 1, total_kwh: float | None = None) -> Mark:
        return Mark("import", at_ms, "import", base, round(shown * KWH), round((total_kwh or shown) * KWH))

    month_ms = 30 * DAY_MS
    marks = [mark(-2 * DAY_MS, 1), mark(-HOUR_MS, 5), mark(DAY_MS, 7), mark(month_ms, 50)]
    marks += [mark(month_ms + DAY_MS, 52), mark(month_ms + 2 * DAY_MS, 0, 2, 52), mark(2 * month_ms - 9, 8, 2, 60)]
    first, second = (statement(marks, n * month_ms, (n + 1) * month_ms, DAY_MS) for n in range(2))
    assert [(one.first.shown_mws / KWH, one.last.shown_mws / KWH, one.counted_mws / KWH) for one in first] == [
        (5, 50, 45)
    ]
    assert [(one.first.shown_mws / KWH, one.last.shown_mws / KWH, one.counted_mws / KWH) for one in second] == [
        (50, 52, 2), (0, 8, 8)
    ]  # fmt: skip
    assert statement(marks, -9 * DAY_MS, -5 * DAY_MS, DAY_MS) == []
    assert [one.first.at_ms for one in statement(marks, 0, month_ms, 1)] == [DAY_MS]  # the one before is too old


def test_how_far_two_meters_are_apart_is_said_by_the_classes_of_iec_62053() -> None:
    """Limits of error at the usual currents, power factor 1: IEC 62053-22, table for 0.2 S and 0.5 S; -21 for 1 and 2
    (both from memory).
    """
    assert CLASSES == {"0.2 S": 0.2, "0.5 S": 0.5, "1": 1.0, "2": 2.0}
    for percent, name in ((0.0, "0.2 S"), (-0.2, "0.2 S"), (0.4, "0.5 S"), (-1.0, "1"), (1.5, "2"), (2.1, None)):
        off, found = class_of(1_000_000, round(1_000_000 * (1 + percent / 100)))
        assert (off, found) == (pytest.approx(percent), name)


def test_a_month_is_stated_compared_and_its_gap_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "shed.toml"
    path.write_text(
        '[charger]\ncurrent_a = 6.0\n[[meter]]\ntopic = "house/grid"\n[relay]\ntopic = "plug/set"\n'
        f'[site]\ntime_zone = "UTC"\n[store]\ndirectory = "{tmp_path}"\n',
        encoding="utf-8",
    )

    def run(*words: str) -> tuple[int, str, str]:
        code = cli.main(["registers", "--config", str(path), *words])
        return code, *capsys.readouterr()

    street = Street(1440, 5)
    off = [  # by 0.4 %: within class 0.5 S, and no better
        one._replace(energy=one.energy._replace(import_mws=one.energy.import_mws * 1004 // 1000))
        for one in street.recorded(range(1440))
    ]
    with Ledger(tmp_path / "history-charger.sqlite") as ledger:
        assert run("--month", "2024-05")[0] == 1
        for first in range(0, 1440, 30):
            if first not in (600, 630):  # an hour's gap
                ledger.write(Batch(off[first : first + 30], marks=street.marks(first + 25)))
                reckon(ledger)
        counted = [mark.total_mws for mark in (street.marks(25)[0], street.marks(1435)[0])]
        code, said, _ = run("--month", "2024-05")
        assert code == 0
        flat = " ".join(said.split())
        assert f"{(counted[1] - counted[0]) / KWH:.3f}" in said and "(2024-05-14 00:25)" in said
        # To the last digit of the readings at the edges of the gap.
        assert re.search(r"0\.4[01] % more: a meter of class 0\.5 S may be as far off \(IEC 62053\)\.", flat)
        assert "For 1 h the books have nothing but what the registers counted." in flat
        assert said.rstrip().splitlines()[-1].startswith("Not for billing")
        made = json.loads(run("--month", "2024-05", "--json")[1])
        assert [one["name"] for one in made["registers"]] == ["charged", "export", "import"]
        assert made["registers"][2]["counted_wh"] == (counted[1] - counted[0]) * 1000 / KWH
        judged = {one["counts"]: (round(one["percent"], 1), one["class"]) for one in made["compared"]}
        assert judged["import"] == (0.4, "0.5 S") and judged["export"][1] == judged["charged"][1] == "0.2 S"
        assert made["filled_s"] == 3600.0
        site = Household("carport", UTC, None, lambda _: Band(1000.0, 200.0))
        report = build(ledger, DAY, DAY, datetime(2024, 6, 1, tzinfo=UTC), site)
        assert report.total.register_ms == 3_600_000 and report.gaps == ()
        assert "For 1 h nothing was recorded" in " ".join(as_text(report).split())
        assert as_json(report)["total"]["register_s"] == 3600.0
        # A picture shows no power of what nobody saw.
        assert not [
            one for one in report.curve if BEGIN_MS + 601 * MINUTE_MS < one.begin_ms < BEGIN_MS + 659 * MINUTE_MS
        ]
    code, _, complaint = run("--month", "2024-02")
    assert code == 1 and "there are no two readings of an energy register in 2024-02: add an [[energy" in complaint
    code, _, complaint = run("--month", "2199-01")
    assert (code, "still to come" in complaint) == (1, True)


def test_kill_9_loses_no_gap_and_fills_none_twice(tmp_path: Path) -> None:
    assert ledger_kills.kill_at_random(tmp_path, 2, 7, registers=True).kills == 2
