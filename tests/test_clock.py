"""Local days: their numbers, when the next one begins, and whose zone it is, also when clocks change."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo
from datetime import time as time_of_day
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge import clock
from surpluscharge.clock import ScaledClock, SystemClock, day_number, until_next_day_s, zone

LISBON = ZoneInfo("Europe/Lisbon")
AT_FOUR = time_of_day(4)

# The clock changes of 2025 in Lisbon: forward on 30 March, when 01:00 to 02:00 is skipped, and back on 26 October, when
# 01:00 to 02:00 comes twice.
SPRING = datetime(2025, 3, 29, 0, 0, tzinfo=LISBON)
AUTUMN = datetime(2025, 10, 25, 0, 0, tzinfo=LISBON)


def later(wall: datetime, seconds: float) -> datetime:
    """Return the wall time after some seconds, as a clock on the wall would show it."""
    return (wall.astimezone(UTC) + timedelta(seconds=seconds)).astimezone(wall.tzinfo)


# --- the number of a day ---------------------------------------------------------------------------------------------


def test_a_day_begins_at_its_time() -> None:
    number = day_number(datetime(2025, 6, 10, 12, 0, tzinfo=LISBON), AT_FOUR)
    for wall, days in (
        (datetime(2025, 6, 10, 4, 0, tzinfo=LISBON), 0),
        (datetime(2025, 6, 10, 3, 59, 59, tzinfo=LISBON), -1),
        (datetime(2025, 6, 11, 3, 59, 59, 999999, tzinfo=LISBON), 0),
        (datetime(2025, 6, 11, 4, 0, tzinfo=LISBON), 1),
        (datetime(2025, 7, 10, 4, 0, tzinfo=LISBON), 30),
    ):
        assert day_number(wall, AT_FOUR) == number + days
    midnight = time_of_day(0)
    assert day_number(datetime(2025, 6, 10, 23, 59, tzinfo=LISBON), midnight) == number
    assert day_number(datetime(2025, 6, 10, 0, 0, tzinfo=LISBON), midnight) == number


# --- until the next --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wall", "hours"),
    [
        (datetime(2025, 6, 10, 4, 0, tzinfo=LISBON), 24.0),  # that very moment: the next one
        (datetime(2025, 6, 10, 3, 59, tzinfo=LISBON), 1 / 60),
        (datetime(2025, 6, 10, 3, 59, 30, tzinfo=LISBON), 0.5 / 60),
        (datetime(2025, 6, 10, 12, 0, tzinfo=LISBON), 16.0),
        (datetime(2025, 6, 10, 12, 0, 59, 500000, tzinfo=LISBON), 16.0 - 59.5 / 3600),
        (datetime(2025, 12, 31, 12, 0, tzinfo=LISBON), 16.0),
        (datetime(2025, 3, 29, 4, 0, tzinfo=LISBON), 23.0),  # clocks go forward: a day of 23 hours
        (datetime(2025, 3, 30, 0, 0, tzinfo=LISBON), 3.0),
        (datetime(2025, 10, 25, 4, 0, tzinfo=LISBON), 25.0),  # and back: a day of 25 hours
        (datetime(2025, 10, 26, 0, 0, tzinfo=LISBON), 5.0),
        (datetime(2025, 10, 26, 1, 30, fold=1, tzinfo=LISBON), 2.5),
    ],
)
def test_until_the_next_day(wall: datetime, hours: float) -> None:
    assert until_next_day_s(wall, AT_FOUR) == pytest.approx(hours * 3600, abs=1e-6)


@pytest.mark.parametrize(
    ("wall", "begins", "hours"),
    [
        # 01:30 is skipped: clocks show 02:00 where they would have shown 01:00, and that is past it.
        (datetime(2025, 3, 29, 1, 30, tzinfo=LISBON), time_of_day(1, 30), 23.5),
        (datetime(2025, 3, 30, 0, 30, tzinfo=LISBON), time_of_day(1, 30), 0.5),
        (datetime(2025, 3, 30, 2, 0, tzinfo=LISBON), time_of_day(1, 30), 23.5),
        # 01:30 comes twice: the first one counts, and the second grants nothing.
        (datetime(2025, 10, 25, 1, 30, tzinfo=LISBON), time_of_day(1, 30), 24.0),
        (datetime(2025, 10, 26, 1, 29, tzinfo=LISBON), time_of_day(1, 30), 1 / 60),
        (datetime(2025, 10, 26, 1, 30, tzinfo=LISBON), time_of_day(1, 30), 25.0),
        (datetime(2025, 10, 26, 1, 30, fold=1, tzinfo=LISBON), time_of_day(1, 30), 24.0),
    ],
)
def test_until_a_day_that_begins_within_the_hour_that_is_skipped_or_repeated(
    wall: datetime, begins: time_of_day, hours: float
) -> None:
    assert until_next_day_s(wall, begins) == hours * 3600


def comes_true(start: datetime, begins: time_of_day, every_min: int = 30) -> None:
    """Check the wait again and again over two days: what happens is what the day's number does, minute by minute.

    What counts is the first minute with a number that was never there before.
    """
    minutes = [later(start, 60.0 * minute) for minute in range(3 * 1440 + 90)]
    numbers = [day_number(wall, begins) for wall in minutes]
    happens = list(range(1, len(minutes) + 1))  # for each minute the first one after it with a larger number
    for index in reversed(range(len(minutes))):
        while happens[index] < len(minutes) and numbers[happens[index]] <= numbers[index]:
            happens[index] = happens[happens[index]]
    for index in range(0, 2 * 1440, every_min):
        assert until_next_day_s(minutes[index], begins) == (happens[index] - index) * 60.0, minutes[index]


@pytest.mark.parametrize("start", [SPRING, AUTUMN, datetime(2025, 6, 10, 0, 0, tzinfo=LISBON)])
@pytest.mark.parametrize("begins", [AT_FOUR, time_of_day(0), time_of_day(23, 59), time_of_day(1, 30), time_of_day(2)])
def test_the_wait_comes_true_when_clocks_change(start: datetime, begins: time_of_day) -> None:
    comes_true(start, begins)


@pytest.mark.parametrize(
    "name",
    [
        "Australia/Lord_Howe",  # half an hour
        "Pacific/Apia",  # left out the 30th of December 2011
        "America/New_York",
        "Asia/Kathmandu",  # a quarter of an hour off, and no changes
        "UTC",
    ],
)
def test_the_wait_comes_true_in_odd_zones(name: str) -> None:
    for year, month, day in ((2011, 12, 28), (2025, 3, 8), (2025, 4, 5), (2025, 10, 4), (2025, 11, 1)):
        comes_true(datetime(year, month, day, tzinfo=ZoneInfo(name)), AT_FOUR, every_min=171)


@given(
    st.integers(0, 6 * 366 * 86400).map(lambda seconds: datetime(2024, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)),
    st.times().map(lambda begins: begins.replace(second=0, microsecond=0)),
)
def test_the_wait_is_never_more_than_a_day_and_an_hour_and_never_short(at: datetime, begins: time_of_day) -> None:
    wall = at.astimezone(LISBON)
    wait_s = until_next_day_s(wall, begins)
    assert 0 < wait_s <= 25 * 3600
    # A timer may come a microsecond early, as what is added here is rounded.
    assert day_number(later(wall, wait_s + 1e-6), begins) > day_number(wall, begins)


# --- whose zone ------------------------------------------------------------------------------------------------------


@pytest.fixture
def environment(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    monkeypatch.delenv("TZ", raising=False)
    yield monkeypatch
    monkeypatch.undo()
    time.tzset()


def follows_lisbon(tz: tzinfo | None) -> None:
    """Check that a zone has Lisbon's rules, not only its offset of today."""
    assert tz is not None
    for start in (SPRING, AUTUMN):
        for hour in range(48):
            moment = start.astimezone(UTC) + timedelta(hours=hour)
            assert moment.astimezone(tz).utcoffset() == moment.astimezone(LISBON).utcoffset()


def test_a_name_comes_first(environment: pytest.MonkeyPatch) -> None:
    environment.setenv("TZ", "Asia/Tokyo")
    follows_lisbon(zone("Europe/Lisbon"))


@pytest.mark.parametrize("written", ["Europe/Lisbon", ":Europe/Lisbon"])  # POSIX: after a colon it is up to the system
def test_then_the_environment(environment: pytest.MonkeyPatch, written: str) -> None:
    environment.setenv("TZ", written)
    follows_lisbon(zone(None))
    follows_lisbon(zone(""))


@pytest.mark.parametrize("value", [None, "", ":"])
def test_then_the_machines_own(environment: pytest.MonkeyPatch, tmp_path: Path, value: str | None) -> None:
    """With its rules, read from /etc/localtime: an offset alone would be wrong after the next change."""
    if value is not None:
        environment.setenv("TZ", value)
    environment.setattr(clock, "Path", lambda path: pretend(tmp_path, path))
    follows_lisbon(zone(None))


def pretend(folder: Path, path: str) -> Path:
    """Stand in for this machine's /etc/localtime: the zone's file, wherever the system or the package has it."""
    assert path == "/etc/localtime"
    copy = folder / "localtime"
    if not copy.exists():
        copy.write_bytes(zone_file("Europe/Lisbon"))
    return copy


def zone_file(name: str) -> bytes:
    for folder in ("/usr/share/zoneinfo", "/usr/lib/zoneinfo", "/etc/zoneinfo"):
        file = Path(folder, name)
        if file.is_file():
            return file.read_bytes()
    return (Path(pytest.importorskip("tzdata").__file__).parent / "zoneinfo" / name).read_bytes()


@pytest.mark.parametrize("content", [None, b"", b"no zone"])
def test_a_machine_that_cannot_tell_has_none(
    environment: pytest.MonkeyPatch, tmp_path: Path, content: bytes | None
) -> None:
    if content is not None:
        (tmp_path / "localtime").write_bytes(content)
    environment.setattr(clock, "Path", lambda _: tmp_path / "localtime")
    assert zone(None) is None
    assert SystemClock(None).wall().utcoffset() is not None  # and then the offset of now is used


def test_an_unknown_name_is_an_error() -> None:
    with pytest.raises(ZoneInfoNotFoundError):
        zone("Europe/Atlantis")


def test_the_wall_clock_is_in_the_zone_it_was_given() -> None:
    wall = SystemClock(LISBON).wall()
    assert wall.tzinfo is LISBON
    assert abs((wall - datetime.now(UTC)).total_seconds()) < 60


@pytest.mark.parametrize("start", [SPRING, AUTUMN])
def test_the_wait_comes_true_in_the_machines_own_zone(environment: pytest.MonkeyPatch, start: datetime) -> None:
    environment.setenv("TZ", "Europe/Lisbon")
    time.tzset()
    comes_true(start.astimezone(zone(None)), AT_FOUR)


def test_a_scaled_clock_shows_the_change_of_clocks_too(monkeypatch: pytest.MonkeyPatch) -> None:
    seconds = iter([100.0, 101.0])
    monkeypatch.setattr(time, "monotonic", lambda: next(seconds))
    scaled = ScaledClock(datetime(2025, 3, 30, 0, 30, tzinfo=LISBON), 7200.0)
    assert scaled.wall().astimezone(UTC) == datetime(2025, 3, 30, 2, 30, tzinfo=UTC)
