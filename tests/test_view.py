"""The view of a status document: whatever a document may hold, it fits the terminal and tells what matters."""

from __future__ import annotations

import copy
import io
import math
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from surpluscharge import view
from surpluscharge.daemon.status import StatusDocument

NOON = datetime.fromisoformat("2031-05-12T12:00:00+01:00")
FULL: dict[str, Any] = {
    "time": NOON.isoformat(),
    "charger": "carport",
    "state": "charging",
    "since": (NOON - timedelta(minutes=9)).isoformat(),
    "why": "There is enough surplus.",
    "waiting_for": "nothing in particular",
    "wait_s": 12.0,
    "enabled": True,
    "grid": {"power_w": -410.0, "age_s": 2.0, "fresh": True, "sources": []},
    "surplus_w": 2210.0,
    "charger_power": {"power_w": 1800.0, "measured": True},
    "thresholds": {"start_export_w": 1500.0, "stop_import_w": 300.0, "follow_prices": False, "look_ahead": False},
    "relay": {"commanded": "on", "reported": "on", "confirmed": True},
    "socket": {"level": 0.3, "current_a": 7.8, "temperature_c": None, "voltage_v": None},
    "session": {"on_time_s": 540.0, "energy_wh": 270.0, "time_left_s": 20000.0, "energy_left_wh": None},
    "today": {"starts": 3, "on_time_s": 5400.0, "energy_wh": 2700.0, "solar_wh": 2500.0, "grid_wh": 200.0},
    "budget": {"starts_left_hour": 2, "starts_left_day": 13},
    "faults": [],
    "refused_messages": {},
}
FAULT = {
    "code": "draw-high",
    "severity": "trip",
    "since": NOON.isoformat(),
    "latched": True,
    "cooldown_left_s": 60.0,
    "sentence": "Too much.",
    "remedy": "Look.",
}
EMPTY = {  # what a daemon says that knows nothing yet, or is at prices at which nothing pays
    "grid": {"power_w": None, "age_s": None, "fresh": False, "sources": []},
    "surplus_w": None,
    "charger_power": {"power_w": 0.0, "measured": False, "known": False},
    "thresholds": {"start_export_w": None, "stop_import_w": None, "follow_prices": True, "look_ahead": True},
    "waiting_for": None,
    "wait_s": None,
    "enabled": False,
}


def document(**changes: Any) -> dict[str, Any]:
    """Return a document as it is read off the topic; it is one of the schema."""
    return StatusDocument.model_validate(copy.deepcopy(FULL) | changes).model_dump(mode="json")


def drawn(course: view.Course, now: datetime = NOON, width: int = 80, height: int = 24) -> list[str]:
    console = Console(file=io.StringIO(), width=width, height=height, force_terminal=True, record=True)
    console.print(view.picture(course, now, console), height=height)
    return console.export_text().rstrip("\n").splitlines()


@pytest.mark.parametrize(("width", "height"), [(80, 24), (132, 43), (200, 60)])
@pytest.mark.parametrize("changes", [{}, EMPTY, {"faults": [FAULT] * 3}], ids=["full", "empty", "faults"])
@pytest.mark.parametrize("state", list(view.LABELS))
def test_any_document_fits_and_is_told(state: str, changes: dict[str, Any], width: int, height: int) -> None:
    course = view.Course()
    assert drawn(course, width=width, height=height)  # before the first document, too
    assert course.take(document(state=state, **changes)) is None
    lines = drawn(course, width=width, height=height)
    assert len(lines) <= height and max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert view.LABELS[state][0] in text and "carport" in text and "There is enough surplus." in text
    assert ("draw-high" in text) is ("faults" in changes)
    assert ("not enabled" in text) is (changes is EMPTY)
    assert "2.70 kWh" in text and "3; 2, 13" in text
    if changes is EMPTY:
        assert "not known" in text and "stale" in text and "nan" not in text and "inf" not in text
    else:
        assert "0.41 kW" in text and "sent out" in text and "2.21 kW" in text and "start" in text


def test_a_state_of_a_later_version_is_shown_as_it_is_called() -> None:
    course = view.Course()
    course.take(document() | {"state": "planned"})
    assert any("PLANNED" in line for line in drawn(course))


@settings(max_examples=40)  # each of hundreds of characters
@given(st.text(max_size=300), st.text(max_size=40))
def test_whatever_a_text_holds_it_moves_no_cursor(why: str, code: str) -> None:
    """Whoever may publish to the broker may have written the document."""
    course = view.Course()
    course.take(document(why=why, waiting_for=why, faults=[FAULT | {"code": code}]))
    console = Console(file=io.StringIO(), width=160, height=40, color_system=None, legacy_windows=False)
    console.print(view.picture(course, NOON, console), height=40)
    assert isinstance(console.file, io.StringIO)
    assert console.file.getvalue().replace("\n", "").isprintable()


def test_the_chart_shows_means_against_the_thresholds() -> None:
    """Two minutes make a column: its mean, above which threshold it lies, and whether the relay was on."""
    course, begun = view.Course(draw_w=1400.0), NOON
    for second in range(0, 3600, 30):
        surplus_w, on = (2000.0 if second < 1800 else 500.0), second < 1800
        course.take(
            document(
                time=(begun + timedelta(seconds=second)).isoformat(),
                surplus_w=surplus_w + (100.0 if second % 60 else -100.0),
                relay={"commanded": "on" if on else "off", "reported": None, "confirmed": True},
            )
        )
    assert len(course.spans) == 30
    assert [course.spans[number].surplus_w for number in (0, 29)] == pytest.approx([2000.0, 500.0])
    lines = drawn(course, begun + timedelta(hours=1), 100, 40)
    labels = [line.strip("│ ").split(" ")[0] for line in lines]
    assert 0 < labels.index("start") < labels.index("stop")  # 1500 W of surplus, and 1400 - 300
    (band,) = [line for line in lines if "car on" in line]
    assert band.count("━") == 15
    (hours,) = [line for line in lines if "12:00" in line and "12:30" in line]
    assert hours.index("12:30") - hours.index("12:00") == 15


def planned(**changes: Any) -> dict[str, Any]:
    """Return a plan as a document tells of it: a kWh costs 0.3, from midnight to three 0.1, then -0.02 for an hour."""
    at = [(0, 0.3), (12, 0.1), (15, -0.02), (16, 0.3)]
    plan = {
        "text": "00:00 to 02:00 and 03:00 to 04:00, 4.1 kWh, so that 5.0 kWh are in by 07:00 on Tuesday",
        "needed_by": (NOON + timedelta(hours=19)).isoformat(),
        "needed_wh": 5000.0,
        "came_wh": 900.0,
        "came_from_sun_wh": 800.0,
        "lacks_wh": 4100.0,
        "unreachable_wh": 0.0,
        "runs": [
            {
                "begins": (NOON + timedelta(hours=begin)).isoformat(),
                "ends": (NOON + timedelta(hours=end)).isoformat(),
                "energy_wh": 1400.0 * (end - begin),
                "price": 0.1,
                "sure": sure,
            }
            for begin, end, sure in ((12, 14, True), (15, 16, False))
        ],
        "asked": None,
        "car_full": False,
        "time_left_s": 28800.0,
        "energy_left_wh": None,
        "prices_known_until": None,
        "prices": [{"begins": (NOON + timedelta(hours=hour)).isoformat(), "price": price} for hour, price in at],
    }
    return document(plan=plan | changes)["plan"]


@pytest.mark.parametrize(("width", "height"), [(80, 24), (80, 40), (132, 43), (160, 50), (200, 60)])
@pytest.mark.parametrize("changes", [{}, {"prices": []}, {"runs": [], "needed_by": None, "text": "nothing"}])
def test_the_hours_ahead_are_drawn_where_there_is_no_sun(changes: dict[str, Any], width: int, height: int) -> None:
    """A low terminal shows them in place of a chart that is empty; a tall one always."""
    course = view.Course()
    course.take(document(surplus_w=-300.0, plan=planned(**changes)))
    lines = drawn(course, width=width, height=height)
    assert len(lines) <= height and max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert "The hours ahead" in text and "18:00" in text
    (buys,) = [line[line.index("   buys ") :] for line in lines if "   buys " in line]
    columns = 60 * 22 / (width - 12 if width < view.WIDE else width - view.BESIDE - 12)
    minutes = next(one for one in (5, 10, 15, 20, 30, 60) if one >= columns)
    if "runs" in changes:
        assert "━" not in buys and "◆" not in buys
    else:
        assert (buys.count("━"), buys.count("╌"), buys.count("◆")) == (120 / minutes, 60 / minutes, 1)
        assert buys.index("◆") - buys.index("━") == 7 * 60 / minutes
        assert "◆ 07:00: 4.10 kWh to come" in text
    assert ("0.30" in text and "-0.02" in text) is ("prices" not in changes)
    assert ("Surplus: what the sun" in text) is (height >= view.TALL)


def test_by_day_a_low_terminal_shows_the_sun_and_tells_the_plan() -> None:
    course = view.Course()
    course.take(document(surplus_w=300.0, plan=planned()))
    text = "\n".join(drawn(course))
    assert "Surplus: what the sun" in text and "The hours ahead" not in text
    assert "Plan       00:00 to 02:00" in text
    course.take(document(surplus_w=300.0, plan=planned(text="word " * 150), why="why " * 60))
    lines = drawn(course)
    assert len(lines) <= 24 and "why why" in "\n".join(lines) and "word word" not in "\n".join(lines)


def test_the_draw_is_as_given_or_learned_or_last_seen() -> None:
    course = view.Course()
    course.take(document(charger_power={"power_w": 0.0, "measured": False}))
    assert course.draw_w is None
    course.take(document())
    assert course.draw_w == 1800.0
    off = {"commanded": "off", "reported": None, "confirmed": True}
    course.take(document(relay=off, charger_power={"power_w": 5.0, "measured": True}))
    assert course.draw_w == 1800.0
    course.take(document(learned_draw_w=1750.0))
    assert course.draw_w == 1750.0
    given_w = view.Course(draw_w=1900.0)
    given_w.take(document(learned_draw_w=1750.0))
    assert given_w.draw_w == 1900.0


def test_what_is_remembered_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(view, "MOST_COLUMNS", 50)
    course = view.Course()
    for minute in range(0, 600, 2):
        course.take(
            document(time=(NOON + timedelta(minutes=minute)).isoformat(), state=("idle", "arming")[minute // 2 % 2])
        )
    assert len(course.spans) == 50 and min(course.spans) == 250
    assert len(course.happened) == 60
    assert not math.isnan(course.spans[299].surplus_w)
