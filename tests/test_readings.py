"""Readings from CSV: what is taken, what is skipped and counted, and what is refused with a remedy."""

from __future__ import annotations

import csv
import itertools
import math
import tracemalloc
from array import array
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.history import readings
from surpluscharge.history.readings import Counts, Readings, ReadingsError, Sides, moment_s, sides

NOON = datetime(2031, 5, 14, 12, 0, tzinfo=UTC)


def file_of(folder: Path, text: str | bytes) -> Path:
    path = folder / "readings.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def taken(path: Path) -> tuple[list[float], list[float], Counts]:
    """Return all times, all surpluses and the counts."""
    reader = Readings(path)
    blocks = list(reader)
    return (
        [at_s for block in blocks for at_s in block.at_s],
        [surplus_w for block in blocks for surplus_w in block.surplus_w()],
        reader.counts,
    )


def refused(path: Path) -> str:
    with pytest.raises(ReadingsError) as caught:
        taken(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    return text.removeprefix(str(path))


# --- what is taken ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "utc"),
    [  # RFC 3339, section 5.8: its examples, with the UTC that it gives for them
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000+00:00"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57+00:00"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00+00:00"),  # the leap second, which computers do not count
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00+00:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000+00:00"),
        ("1985-04-12t23:20:50.52z", "1985-04-12T23:20:50.520000+00:00"),  # section 5.6: lower case is allowed
        ("2031-05-14 12:00:00Z", "2031-05-14T12:00:00+00:00"),  # and so is a space
        ("1936569600", "2031-05-15T00:00:00+00:00"),
        ("1936569600.25", "2031-05-15T00:00:00.250000+00:00"),
    ],
)
def test_times(text: str, utc: str) -> None:
    assert moment_s(text) == pytest.approx(datetime.fromisoformat(utc).timestamp(), abs=1e-6)


def test_surplus_is_what_would_be_exported_with_the_charger_off(tmp_path: Path) -> None:
    rows = "2031-05-14T12:00:00Z,-1500,0\n2031-05-14T12:00:10Z,-120.5,1380\n"
    assert taken(file_of(tmp_path, "time,grid_w,charger_w\n" + rows))[1] == [1500.0, 1500.5]
    assert taken(file_of(tmp_path, "time,grid_w,charger\n" + rows))[1] == [1500.0, 120.5]


@pytest.mark.parametrize(
    "text",
    [
        "time,grid_w\n2031-05-14T12:00:00Z,-1500.5\n",
        "\ufefftime,grid_w\r\n2031-05-14T14:00:00+02:00,-1500.5\r\n",
        ' "Time" , note , GRID_W \n2031-05-14T12:00:00Z,"a, ""b""", -1500.5 \n',
        "grid_w;time\n-1500.5;2031-05-14T12:00:00Z\n",
        "grid_kw;time\n-1.5005;2031-05-14T12:00:00Z\n",
        "import_w,export_w,time\n0,1500.5,2031-05-14T12:00:00Z\n",
        "export_kw,note,time,import_w\n1.8,,2031-05-14T12:00:00Z,299.5\n",
        "time,grid_kw,charger_w\n2031-05-14T12:00:00Z,-1.4,100.5\n",
        "time\tgrid_w\n1936526400\t-1500.5\n",
        "time,grid_w\n\n2031-05-14T12:00:00Z,-1500.5",
        b"time,grid_w,room\n2031-05-14T12:00:00Z,-1500.5,K\xfcche\n",  # Latin-1, where nobody reads it
    ],
)
def test_ways_to_write_it(tmp_path: Path, text: str | bytes) -> None:
    assert taken(file_of(tmp_path, text)) == ([NOON.timestamp()], [1500.5], Counts(readings=1))


DECLARED = readings.Layout(decimal_comma=True, names=(("import_kw", "Bought (kW)"), ("export_kw", "sold")))


def test_what_is_written_otherwise_is_declared(tmp_path: Path) -> None:
    text = "time;bought (kW);Sold\n2031-05-14T14:00:00+02:00;0,0;1,5005\n2031-05-14T12:00:10Z;0,25;0\n"
    reader = Readings(file_of(tmp_path, text), layout=DECLARED)
    (block,) = reader
    assert list(block.surplus_w()) == [1500.5, -250.0]


@pytest.mark.parametrize(
    ("text", "layout", "message"),
    [
        # One and a half to some, fifteen hundred to others.
        (
            "time;grid_w\n2031-05-14T12:00:00Z;-1,500\n",
            readings.PLAIN,
            "line 2, column grid_w: '-1,500' is not a number. Write watts, such as -1350.5, or, if its comma is a "
            "decimal one, say so with --decimal-comma; or leave it empty",
        ),
        (
            "time;bought (kw);sold\n2031-05-14T12:00:00Z;1.500;0\n",
            DECLARED,
            "column import_kw: '1.500' is not a number. Write kilowatts, such as -1,3505, since --decimal-comma",
        ),
        (
            "time;bought (kw);sold\n2031-05-14T12:00:00Z;-1,5;0\n",
            DECLARED,
            "line 2, column import_kw: '-1,5' is negative, but import and export have a column each",
        ),
        (
            "time,bought\n",
            DECLARED,
            "no column Bought (kW), which was said to be import_kw; the columns are: time, bou",
        ),
        ("time,import_w\n", readings.PLAIN, "no column export_w; the columns are: time, import_w. "),
        ("time,export_kw\n", readings.PLAIN, "no column import_w; the columns are: time, export_kw. "),
        ("time,grid_w,grid_kw\n", readings.PLAIN, "line 1: there are both grid_w and grid_kw"),
        ("time,grid_kw\n1936526400,100.5\n", readings.PLAIN, "column grid_kw: '100.5' is beyond 100000 W"),
        ("time,import_kw,export_w\n1936526400,1,1e6\n", readings.PLAIN, "'1' less '1e6' is beyond 100000 W"),
    ],
)
def test_nothing_is_guessed(tmp_path: Path, text: str, layout: readings.Layout, message: str) -> None:
    with pytest.raises(ReadingsError) as caught:
        list(Readings(file_of(tmp_path, text), layout=layout))
    assert message in str(caught.value)


def test_offsets_may_differ_where_clocks_change(tmp_path: Path) -> None:
    # Europe/Lisbon goes from +01:00 to +00:00 at 01:00 UTC on 26 October 2031: 01:30 comes twice.
    zone = ZoneInfo("Europe/Lisbon")
    begin = datetime(2031, 10, 26, 0, 0, tzinfo=UTC)
    local = [(begin + timedelta(minutes=30 * i)).astimezone(zone) for i in range(5)]
    assert len({moment.replace(tzinfo=None) for moment in local}) < 5
    text = "time,grid_w\n" + "".join(f"{moment.isoformat()},-{i}\n" for i, moment in enumerate(local))
    at_s, surplus_w, counts = taken(file_of(tmp_path, text))
    assert at_s == [begin.timestamp() + 1800.0 * i for i in range(5)]
    assert surplus_w == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert counts == Counts(readings=5)


# --- what is skipped, and counted ------------------------------------------------------------------------------------


def test_what_is_missing_is_skipped_and_counted(tmp_path: Path) -> None:
    path = file_of(
        tmp_path,
        "time,grid_w\n"
        "2031-05-14T12:00:00Z,-1\n"
        "2031-05-14T12:00:00Z,-2\n"  # the same time: the first stays
        "2031-05-14T12:00:10Z,NaN\n"
        "2031-05-14T12:00:20Z,\n"
        "2031-05-14T12:00:30Z,inf\n"
        "2031-05-14T12:00:40Z,\n"
        "2031-05-14T12:00:50Z,-3\n"
        "2031-05-14T12:00:45Z,-4\n"  # two rows in the wrong order
        "2031-05-14T15:00:00Z,-5\n"  # a gap is no matter of the file
        "2031-05-14T15:0",  # the power went
    )
    at_s, surplus_w, counts = taken(path)
    assert [at - NOON.timestamp() for at in at_s] == [0.0, 50.0, 10800.0]
    assert surplus_w == [1.0, 3.0, 5.0]
    assert counts == Counts(readings=3, cut=1, unknown=4, repeated=1, late=1)
    assert counts.skipped() == "1 cut short, 4 without a usable value, 1 repeating a time, 1 out of order"


def test_without_the_chargers_power_the_surplus_is_not_known(tmp_path: Path) -> None:
    path = file_of(tmp_path, "time,grid_w,charger_w\n2031-05-14T12:00:00Z,-1,\n2031-05-14T12:00:10Z,-1,2\n")
    assert taken(path)[1:] == ([3.0], Counts(readings=1, unknown=1))


@given(st.lists(st.tuples(st.integers(0, 60), st.floats(-5000, 5000) | st.just(math.nan)), min_size=1, max_size=60))
def test_whatever_comes_times_ascend_and_every_row_is_accounted_for(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, float]]
) -> None:
    text = "time,grid_w\n" + "".join(f"{1936526400 + offset},{value!r}\n" for offset, value in rows)
    path = file_of(tmp_path_factory.mktemp("rows"), text)
    if all(math.isnan(value) for _, value in rows):
        assert "no reading" in refused(path)
        return
    at_s, surplus_w, counts = taken(path)
    assert all(before < after for before, after in itertools.pairwise(at_s))
    assert sum(counts) == len(rows)
    assert counts.readings == len(at_s) == len(surplus_w)
    assert counts.unknown == sum(math.isnan(value) for _, value in rows)


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty, or its first line is"),
        ("\n2031-05-14T12:00:00Z,1\n", "the file is empty, or its first line is"),
        ("time,grid_w\n", "nothing could be used, because there is no reading in it. Below the line"),
        ("time,grid_w\n1936526400,-1\n1936526410,-99999999\n", "line 3, column grid_w: '-99999999' is beyond 100000 W"),
        ("time,grid_w,charger_w\n1936526400,-99999999,\n", "line 2, column grid_w: '-99999999' is beyond 100000 W"),
        ("time,grid_w,charger_w\n1936526400,-1,2e6\n", "line 2, column charger_w: '2e6' is beyond 100000 W"),
        ("time,grid_w\n2031-05-14T12:00:00Z,\n", "no reading in it (rows 1 without a usable value)"),
        ("when,grid_w\n", "line 1: there is no column time; the columns are: when, grid_w"),
        ("when,power\n", "no column time and none named grid_w; the columns are: when, power"),
        ("2031-05-14T12:00:00Z,-1\n", "the columns are: 2031-05-14t12:00:00z, -1"),
        ("time,grid_w,grid_w\n", "line 1: the column grid_w is there twice"),
        ("time,grid_w\n2031-05-14T12:00:00,1\n", "line 2, column time: '2031-05-14T12:00:00' has no offset"),
        ("time,grid_w\n2031-05-14T12:00:00Z,1\n2031-05-14T12:00:10,1\n", "line 3, column time: '2031-05-14T12:00:10'"),
        ("time,grid_w\n1936526400000,1\n", "line 2, column time: '1936526400000' looks like milliseconds"),
        ("time,grid_w\n900000000,1\n", "line 2, column time: '900000000' is no time from 2000 to 2100"),  # of 1998
        ("time,grid_w\n12,1\n", "line 2, column time: '12' is no time from 2000 to 2100"),
        (
            "time,grid_w\n0001-01-01T00:00:00Z,1\n",
            "'0001-01-01T00:00:00Z' is no time from 2000 to 2100. See what wrote",
        ),
        ("time,grid_w\n9999-12-31T23:00:00Z,1\n", "line 2, column time: '9999-12-31T23:00:00Z' is no time from 2000"),
        ("time,grid_w\n14.05.2031 12:00,1\n", "line 2, column time: '14.05.2031 12:00' is not a time"),
        ("time,grid_w\n2031-05-14T12:00:00Z,1 kW\n", "line 2, column grid_w: '1 kW' is not a number. Write watts"),
        ("time,grid_w,charger_w\n2031-05-14T12:00:00Z,1,on\n", "line 2, column charger_w: 'on' is not a number"),
        (b"time,grid_w\n2031-05-14T12:00:00Z,\xff1\n", r"line 2, column grid_w: '\\xff1' is not a number"),
        ("time,grid_w\n2031-05-14T12:00:00Z,1\n".encode("utf-16"), "this is not UTF-8 text"),
        (b"time,grid_w\n" + b"\0" * 200_000, "line 2: longer than 65536 characters"),
        ('time,grid_w\n"' + "2031-05-14T12:00:00Z,1\n" * 9000, "line 5700: not a CSV row (field larger than"),
    ],
)
def test_what_makes_no_sense_is_refused(tmp_path: Path, text: str | bytes, message: str) -> None:
    assert message in refused(file_of(tmp_path, text))


def test_the_limit_is_the_meters(tmp_path: Path) -> None:
    path = file_of(tmp_path, "time,grid_w,charger_w\n1936526400,-17250,0\n1936526410,17250.5,0\n1936526420,3,nan\n")
    with pytest.raises(ReadingsError) as caught:
        list(Readings(path, 17250.0))
    assert str(caught.value) == (
        f"{path}, line 3, column grid_w: '17250.5' is beyond 17250 W, more than is believed of the meter. Correct it, "
        "or leave it empty where nothing is known; if it is right, raise limit_w of the meter in the configuration"
    )
    assert taken(path)[2] == Counts(readings=2, unknown=1)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert "No such file" in refused(tmp_path / "none.csv")
    assert "cannot be read" in refused(tmp_path)


def test_the_newest_first_is_refused_with_the_line(tmp_path: Path) -> None:
    text = "time,grid_w\n" + "".join(f"{1936526400 - 60 * i},1\n" for i in range(5))
    message = refused(file_of(tmp_path, text))
    assert "line 4, column time: '1936526280' is earlier than the row before ('1936526400')" in message
    assert "Sort the rows by time" in message


def test_a_day_of_29_hours(tmp_path: Path) -> None:
    """Two files joined that overlap by five hours: refused as they are; sorted, the overlap is skipped."""
    hours = [f"2031-05-14T{hour:02}:00:00Z,{hour}\n" for hour in range(24)]
    joined = hours + hours[19:]
    assert len(joined) == 29
    assert "line 26, column time: '2031-05-14T19:00:00Z' is earlier" in refused(
        file_of(tmp_path, "time,grid_w\n" + "".join(joined))
    )
    _, surplus_w, counts = taken(file_of(tmp_path, "time,grid_w\n" + "".join(sorted(joined))))
    assert surplus_w == [-float(hour) for hour in range(24)]
    assert counts == Counts(readings=24, repeated=5)


# --- is the sign right? ----------------------------------------------------------------------------------------------


def two_weeks(zone: ZoneInfo, flip: Callable[[int], float]) -> tuple[array[float], array[float]]:
    """Return readings every ten minutes over a change of clocks: 240 W of house, and sun from seven to seven."""
    begin = datetime(2031, 3, 23, tzinfo=zone).timestamp()
    at_s = array("d", [begin + 600.0 * i for i in range(14 * 144)])
    hours = [(when := datetime.fromtimestamp(s, zone)).hour + when.minute / 60 for s in at_s]
    sun_w = [2200.0 * max(0.0, math.sin((hour - 7.0) / 12.0 * math.pi)) for hour in hours]
    return at_s, array("d", (flip(i // 144) * (w - 240.0) for i, w in enumerate(sun_w)))


@pytest.mark.parametrize("name", ["Europe/Lisbon", "Pacific/Auckland", "America/Denver"])
def test_a_wrong_sign_is_seen_by_night_and_midday(name: str) -> None:
    zone = ZoneInfo(name)
    right, wrong = (sides(*two_weeks(zone, lambda _, sign=sign: sign), zone) for sign in (1.0, -1.0))
    assert (right, right.warning()) == (Sides(0, 14), None)
    assert wrong == Sides(14, 14)
    assert str(wrong.warning()).startswith("on 14 of 14 days the house exports at night (22:00 to 04:00) and imports")
    some = sides(*two_weeks(zone, lambda day: -1.0 if day % 2 else 1.0), zone)
    assert some.warning() is None and 0 < some.turned < 14
    assert Sides(1, 1).warning() is None


def test_the_clocks_are_those_of_the_house() -> None:
    """Twelve hours away, its nights are middays: what is right here would look wrong there."""
    readings = two_weeks(ZoneInfo("Europe/Lisbon"), lambda _: 1.0)
    assert sides(*readings, ZoneInfo("Pacific/Auckland")).warning() is not None


def test_nights_or_middays_alone_say_nothing_of_the_sign() -> None:
    zone = ZoneInfo("Europe/Lisbon")
    at_s, surplus_w = two_weeks(zone, lambda _: -1.0)
    by_day = [i for i, s in enumerate(at_s) if 5 <= datetime.fromtimestamp(s, zone).hour < 21]
    assert sides(array("d", (at_s[i] for i in by_day)), array("d", (surplus_w[i] for i in by_day)), zone) == Sides()
    assert sides(array("d"), array("d"), zone) == Sides()


# --- size ------------------------------------------------------------------------------------------------------------


def test_memory_does_not_grow_with_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readings, "BLOCK_ROWS", 1000)
    peaks = []
    for rows in (8_000, 32_000):
        path = tmp_path / f"{rows}.csv"
        with path.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(["time", "grid_w"])
            writer.writerows((1936526400 + 10 * i, -i) for i in range(rows))
        tracemalloc.start()
        reader = Readings(path)
        shares = [reader.share for _ in reader]
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert reader.counts.readings == rows
        assert shares == sorted(shares)
        assert 0.0 < shares[0] < 0.2
    assert peaks[1] < 1.5 * peaks[0]
