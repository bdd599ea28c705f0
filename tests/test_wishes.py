"""What is needed by when: the standing needs of a week, and what is asked for once."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from surpluscharge.control.signals import Rejected
from surpluscharge.control.wishes import (
    MOST_WH,
    Away,
    Need,
    Progress,
    Request,
    Standing,
    next_time_s,
    read,
    read_away,
    upcoming,
)

LISBON = ZoneInfo("Europe/Lisbon")
ALL = frozenset(range(7))
EVENING = datetime(2031, 5, 5, 21, 30, tzinfo=LISBON)  # a Monday


def at_s(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=LISBON).timestamp()


def test_what_can_be_asked_for() -> None:
    now_s = EVENING.timestamp()
    assert read(b'{"energy_wh": 3000}', EVENING) == Request(now_s, 3000.0)
    assert read(b'{"energy_wh": "3000"}', EVENING) == Request(now_s, 3000.0)
    assert read(b'{"time_s": 7200}', EVENING) == Request(now_s, MOST_WH, None, now_s + 7200.0)
    assert read(b'{"energy_wh": 5000, "by": "07:00"}', EVENING) == Request(
        now_s, 5000.0, at_s("2031-05-06T07:00"), None, at_s("2031-05-07T00:00") - 1.0
    )
    assert read(b'{"energy_wh": 5000, "by": "22:00"}', EVENING) == Request(
        now_s, 5000.0, at_s("2031-05-05T22:00"), None, at_s("2031-05-06T00:00") - 1.0
    )
    away = b'{"energy_wh": 5000, "by": "2031-05-07T08:00:00+02:00"}'
    assert read(away, EVENING) == Request(now_s, 5000.0, at_s("2031-05-07T07:00"), None, at_s("2031-05-08T00:00") - 1.0)
    assert read(b'{"energy_wh": 0}', EVENING) is None
    assert read(b'{"time_s": 0}', EVENING) is None


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"now", "not-json"),
        (b"[]", "not-a-request"),
        (b"{}", "not-a-request"),
        (b'{"energy_wh": 3000, "time_s": 7200}', "not-a-request"),
        (b'{"time_s": 7200, "by": "07:00"}', "not-a-request"),
        (b'{"energy_kwh": 3}', "not-a-request"),
        (b'{"energy_wh": -1}', "implausible"),
        (b'{"energy_wh": 1e9}', "implausible"),
        (b'{"energy_wh": NaN}', "not-finite"),
        (b'{"energy_wh": true}', "not-a-number"),
        (b'{"energy_wh": 1e999}', "not-finite"),
        (b'{"time_s": 90000}', "implausible"),
        (b'{"energy_wh": 1, "by": "7:00"}', "slot-time"),
        (b'{"energy_wh": 1, "by": 7}', "slot-time"),
        (b'{"energy_wh": 1, "by": "2031-05-06T07:00:00"}', "slot-without-offset"),
        (b'{"energy_wh": 1, "by": "2031-05-05T20:00:00Z"}', "implausible"),
        (b'{"energy_wh": 1, "by": "2041-05-05T20:00:00Z"}', "implausible"),
        (b"\xff", "not-utf8"),
    ],
)
def test_what_cannot(payload: bytes, reason: str) -> None:
    with pytest.raises(Rejected) as caught:
        read(payload, EVENING)
    assert caught.value.reason == reason


def test_times_of_day_when_clocks_change() -> None:
    """In Lisbon 2031-03-30 has no hour from 01:00 on, and 2031-10-26 has the one from 01:00 twice."""
    spring = datetime(2031, 3, 29, 12, 0, tzinfo=LISBON)
    assert next_time_s(spring, 7 * 60) - spring.timestamp() == 18 * 3600.0
    assert next_time_s(spring, 90) == at_s("2031-03-30T00:30") + 3600.0
    autumn = datetime(2031, 10, 25, 12, 0, tzinfo=LISBON)
    assert next_time_s(autumn, 7 * 60) - autumn.timestamp() == 20 * 3600.0
    assert next_time_s(autumn, 90) == autumn.timestamp() + 13.5 * 3600.0


def test_the_needs_of_a_week() -> None:
    standing = (Standing(frozenset(range(5)), 7 * 60, 5000.0), Standing(frozenset({5}), 9 * 60, 8000.0))
    friday = datetime(2031, 5, 9, 8, 0, tzinfo=LISBON)
    assert upcoming(standing, Progress(), friday.timestamp(), LISBON) == [
        Need(at_s("2031-05-10T09:00"), 8000.0),
        Need(at_s("2031-05-12T07:00"), 5000.0),
        Need(at_s("2031-05-13T07:00"), 5000.0),
    ]
    assert upcoming((), Progress(), friday.timestamp(), LISBON) == []


def test_two_needs_at_one_time_are_the_larger_one() -> None:
    standing = (Standing(ALL, 420, 5000.0), Standing(frozenset({1}), 420, 7000.0))
    assert [need.wh for need in upcoming(standing, Progress(), EVENING.timestamp(), LISBON)] == [7000.0, 5000.0, 5000.0]


def test_a_request_stands_in_for_what_is_due_until_then_and_on_that_day() -> None:
    standing = (Standing(ALL, 7 * 60, 5000.0), Standing(ALL, 18 * 60, 1000.0))
    request = read(b'{"energy_wh": 9000, "by": "06:00"}', EVENING)
    progress = Progress(request, EVENING.timestamp())
    after = [Need(at_s("2031-05-07T07:00"), 5000.0), Need(at_s("2031-05-07T18:00"), 1000.0)]
    assert upcoming(standing, progress, EVENING.timestamp(), LISBON) == [Need(at_s("2031-05-06T06:00"), 9000.0), *after]
    over = progress.after(at_s("2031-05-06T06:00"))
    assert over.request is None
    assert upcoming(standing, over, at_s("2031-05-06T06:00"), LISBON)[:2] == after
    now = Progress(Request(EVENING.timestamp(), 9000.0))
    assert upcoming(standing, now, EVENING.timestamp(), LISBON)[0].by_s == at_s("2031-05-06T07:00")


def test_what_is_asked_for_now_is_counted_on_when_something_was_due() -> None:
    progress = Progress(Request(0.0, 3000.0, from_wh=500.0), 0.0, 1500.0, 200.0)
    after = progress.grown(100.0, 0.0).after(60.0)
    assert after.request is not None
    assert after.got_wh - after.request.from_wh == 1100.0


# --- nobody is there -------------------------------------------------------------------------------------------------


def test_what_can_be_said_of_an_absence() -> None:
    """A day is its first moment, by the clock on the wall there, summer time included."""
    now_s = EVENING.timestamp()
    assert read_away(b"{}", EVENING) == Away(now_s)
    assert read_away(b"null", EVENING) is None
    assert read_away(b'{"leave": "2031-07-01", "back": "2031-07-14", "sun": false}', EVENING) == Away(
        at_s("2031-07-01T00:00"), at_s("2031-07-14T00:00"), False
    )
    assert read_away(b'{"back": "2031-12-01"}', EVENING) == Away(now_s, at_s("2031-12-01T00:00"))
    assert read_away(b'{"back": "2031-05-06T18:00:00+01:00"}', EVENING) == Away(now_s, at_s("2031-05-06T18:00"))
    assert read_away(b'{"leave": "2031-05-01"}', EVENING) == Away(now_s)  # what is past is as it was


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"on", "not-json"),
        (b"", "not-json"),
        (b"true", "not-an-absence"),
        (b"[]", "not-an-absence"),
        (b'{"until": "2031-07-01"}', "not-an-absence"),
        (b'{"sun": 1}', "not-an-absence"),
        (b'{"sun": null}', "not-an-absence"),
        (b'{"back": "2031-02-30"}', "slot-time"),
        (b'{"back": 7}', "slot-time"),
        (b'{"back": "0001-01-01"}', "implausible"),
        (b'{"back": "9999-12-31"}', "implausible"),
        (b'{"back": "2031-05-05"}', "implausible"),
        (b'{"back": "2031-07-01T12:00:00"}', "slot-without-offset"),
        (b'{"leave": "2031-07-01", "back": "2031-07-01"}', "implausible"),
        (b'{"leave": "2033-07-01"}', "implausible"),
    ],
)
def test_what_is_no_absence(payload: bytes, reason: str) -> None:
    with pytest.raises(Rejected) as refused:
        read_away(payload, EVENING)
    assert refused.value.reason == reason


def test_what_is_due_while_nobody_is_there_is_not() -> None:
    """At the very moment of return it is; what was asked for is in any case."""
    standing = [Standing(ALL, 7 * 60, 4000.0)]

    def dues(away: Away, request: Request | None = None) -> list[str]:
        needs = upcoming(standing, Progress(request, away=away), EVENING.timestamp(), LISBON)
        return [datetime.fromtimestamp(need.by_s, LISBON).strftime("%d %H:%M") for need in needs]

    leave_s, back_s = at_s("2031-05-07T06:00"), at_s("2031-05-12T07:00")
    assert dues(Away(leave_s, back_s)) == ["06 07:00", "12 07:00", "13 07:00"]
    assert dues(Away(leave_s, back_s + 1.0)) == ["06 07:00", "13 07:00", "14 07:00"]
    assert dues(Away(leave_s, back_s - 0.5)) == ["06 07:00", "12 07:00", "13 07:00"]
    assert dues(Away(leave_s)) == ["06 07:00"] and dues(Away(EVENING.timestamp())) == []
    asked = Request(EVENING.timestamp(), 5000.0, at_s("2031-05-08T10:00"), None, at_s("2031-05-09T00:00") - 1.0)
    assert dues(Away(leave_s, back_s), asked) == ["08 10:00", "12 07:00", "13 07:00"]
