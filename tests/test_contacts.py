"""How the socket is doing, in figures, in words and as a page. All numbers are invented."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from surpluscharge.control.controller import Moment
from surpluscharge.control.draw import DrawWatch
from surpluscharge.control.joint import HIGH_OHM, HOLD, LATCH
from surpluscharge.control.news import News
from surpluscharge.history.energy import ms_of
from surpluscharge.history.ledger import Batch, Ledger, Look, Shown
from surpluscharge.history.recorder import Recorder
from surpluscharge.history.report.contacts import NO_ALL_CLEAR, Condition, _point, as_json, as_text, build, sentences
from surpluscharge.history.report.contacts_page import as_html
from surpluscharge.history.report.figures import ReportError
from tests.test_faults import MANY_STARTS, switched
from tests.test_faults import Rig as Faulty
from tests.test_wear import RULES, VOLTS, charge

ZONE = ZoneInfo("Europe/Lisbon")
BEGIN = datetime(2031, 1, 6, 11, 0, tzinfo=ZONE)
AMPS = 10.0


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "history.sqlite") as opened:
        yield opened


def live(ledger: Ledger, days: int, ohm: float, worse_day: int, more_ohm: float, looked_day: int | None = None) -> None:
    """Two charges a day, each with its switchings; from a day on a joint is worse, until somebody mends it."""
    rng = random.Random("a socket's year")
    shown, charges = [], []
    for day in range(days):
        bad = more_ohm if day >= worse_day and (looked_day is None or day < looked_day) else 0.0
        for hour in (0, 3):
            begin_ms = ms_of(BEGIN + timedelta(days=day, hours=hour))
            charges.append(charge(begin_ms, 2.0, AMPS))
            for at_ms in (begin_ms + 30_000, begin_ms + 2 * 3_600_000 + 30_000):
                shown.append(Shown(at_ms, "ohms", rng.gauss(ohm + bad, 0.05), 0.04, AMPS))
                shown.append(Shown(at_ms, "wall", rng.gauss(0.1 + bad, 0.3), 0.2, AMPS))
            shown.append(Shown(at_ms + 1, "heat", rng.gauss(0.1 + 0.7 * bad, 0.02), 0.02, AMPS))
    looks = [] if looked_day is None else [Look(ms_of(BEGIN + timedelta(days=looked_day)), "a terminal was <loose>")]
    ledger.write(Batch(charges=charges, shown=shown, looks=looks))


def made(ledger: Ledger, days: int, first: date | None = None, last: date | None = None) -> Condition:
    return build(ledger, first, last, BEGIN + timedelta(days=days), "carport", RULES, VOLTS, AMPS)


def test_a_joint_that_got_worse_is_said_and_dated(ledger: Ledger) -> None:
    live(ledger, 150, 0.4, 90, 0.3)
    found = made(ledger, 150)
    assert (found.by, found.first, len(found.begins)) == ("month", BEGIN.date(), 6)
    assert sum(found.charges) == 300
    assert [course.measure for course in found.courses] == ["ohms", "wall", "heat"]
    for course in (found.courses[0], found.courses[2]):
        assert course.grown is not None and course.grown.grade in (HOLD, LATCH)
        assert abs(course.grown.since_s - (BEGIN + timedelta(days=90)).timestamp()) < 8 * 86400
    ohms = found.courses[0]
    assert ohms.grown and ohms.grown.lost == pytest.approx(30.0, abs=4.0)  # 0.3 ohm at 10 A, by Ohm's law
    assert ohms.points[0].value == pytest.approx(0.4, abs=0.02)
    assert ohms.points[-1].value == pytest.approx(0.7, abs=0.02)
    assert [base.value for base in ohms.bases] == pytest.approx([0.4] * len(ohms.bases), abs=0.02)
    text = as_text(found)
    assert "Ohms have grown since 2031-04" in text and "at 10 A" in text
    assert max(map(len, text.splitlines())) <= 80


def test_the_error_bars_hold_what_they_say() -> None:
    """Twice the standard deviation of a median of normal values: the truth is within them nineteen times in twenty."""
    rng, within = random.Random("error bars"), 0
    for _ in range(400):
        point = _point(0, [Shown(0, "ohms", rng.gauss(0.4, 0.05), 0.04, AMPS) for _ in range(120)])
        within += abs(point.value - 0.4) <= point.error
    assert 0.92 * 400 <= within <= 0.98 * 400


def test_a_look_begins_anew_and_is_no_all_clear(ledger: Ledger) -> None:
    live(ledger, 150, 0.4, 60, 0.3, looked_day=90)
    found = made(ledger, 150)
    assert all(course.grown is None for course in found.courses)
    said = sentences(found)
    assert said[1] == NO_ALL_CLEAR and "not known to have grown" in said[0]
    assert "a terminal was <loose>" in said[-1]
    before = made(ledger, 150, last=(BEGIN + timedelta(days=85)).date())
    assert before.by == "week" and before.courses[0].grown and before.courses[2].grown
    ledger.begin_epoch("lead", ms_of(BEGIN + timedelta(days=70)), "", ms_of(BEGIN + timedelta(days=71)))
    assert not any(course.grown for course in made(ledger, 150, last=(BEGIN + timedelta(days=75)).date()).courses)


def test_high_from_the_first_day_is_said_in_watts(ledger: Ledger) -> None:
    live(ledger, 60, 1.3, 10_000, 0.0)
    found = made(ledger, 60)
    assert found.over_w == pytest.approx((1.3 - HIGH_OHM) * 100, abs=3.0)
    assert "bad from the beginning" in as_text(found)


def test_nothing_on_record_says_what_it_takes(ledger: Ledger) -> None:
    found = made(ledger, 3)
    text = as_text(found, 40)
    assert "It takes a plug that reports voltage" in text.replace("\n", " ")
    assert "no all-clear" in text.replace("\n", " ")
    assert "<svg" not in as_html(found)
    assert as_json(found)["measures"] == []
    with pytest.raises(ReportError, match="give the earlier day first"):
        made(ledger, 3, first=BEGIN.date() + timedelta(days=9))


def test_the_page_draws_each_measure_and_names_what_cannot_be_seen(ledger: Ledger) -> None:
    live(ledger, 150, 0.4, 60, 0.3, looked_day=90)
    page = as_html(made(ledger, 150))
    assert page.count("<svg") == 2 * 4  # three measures and the charges, wide and narrow
    for word in ("Ohms", "Watts in the wall", "Heat", "Switched", "Looks and changes", "What cannot be seen here"):
        assert f"<h2>{word}</h2>" in page
    assert "&lt;loose&gt;" in page and "<loose>" not in page
    assert not re.search(r'(?:href|src)="(?!#)', page)
    assert page == as_html(made(ledger, 150))


def test_what_the_controller_saw_is_what_is_on_record(ledger: Ledger) -> None:
    """Through the recorder, one piece for each switching, at its time; a batch that waits for a disk loses none."""
    rig = Faulty(ohm=0.5, config=MANY_STARTS)
    recorder = Recorder(DrawWatch(1380.0), 10_000)
    wall_ms = ms_of(BEGIN)
    seen = []
    tell = rig.controller.tell

    def told(happened: News, at: Moment) -> None:
        tell(happened, at)
        events = rig.controller.take_events()
        seen.extend(event for event in events if event.name == "joint_shown")
        recorder.observe(rig.controller, events, wall_ms + round(1000 * (rig.now_s - 1e6)))

    rig.controller.tell = told  # type: ignore[method-assign]
    switched(rig, 3)
    batch = recorder.take()
    recorder.put_back(batch)
    ledger.write(recorder.take())
    shown = ledger.shown()
    assert [one[1:] for one in shown] == [tuple(event.fields.values()) for event in seen]
    ohms = [one.value for one in shown if one.measure == "ohms"]
    assert ohms == pytest.approx([0.5] * 6, abs=0.03)  # the rig's current is that of 231 V
    assert [one.measure for one in shown].count("wall") in (5, 6)
    assert shown[0].at_ms == pytest.approx(wall_ms + 60_000, abs=60_000)


def test_programs_get_the_same_figures(ledger: Ledger) -> None:
    live(ledger, 150, 0.4, 90, 0.3)
    found = json.loads(json.dumps(as_json(made(ledger, 150))))
    assert found["operations"] == 300 and found["hours_at"] == {"10": 600.0}
    assert [each["seen"] for each in found["measures"]] == [600, 600, 300]
    assert found["measures"][0]["base"] == pytest.approx(0.4, abs=0.02)
    assert found["measures"][0]["grown"]["lost"] == pytest.approx(30.0, abs=4.0)
