"""The demo runs the real daemon to its end, tells the truth about it, and cleans up after itself."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from surpluscharge import demo, view
from surpluscharge.clock import ScaledClock
from surpluscharge.history.energy import Energy, Interval, ms_of
from surpluscharge.history.ledger import Batch, Due, Ledger
from surpluscharge.simulator import market
from surpluscharge.simulator.devices import Devices
from surpluscharge.simulator.house import DAY_S, GridMeter, House, Scenario, Storage

COMMAND = [sys.executable, "-m", "surpluscharge", "demo"]


def environment(directory: Path) -> dict[str, str]:
    return os.environ | {"TMPDIR": str(directory), "PYTHONUNBUFFERED": "1", "COLUMNS": "80"}


def test_half_an_hour_of_the_demo(tmp_path: Path) -> None:
    for speed in ("200", "60", "20"):  # a computer that is busy with other things is asked for less
        done = subprocess.run(
            [*COMMAND, "--hours", "0.5", "--speed", speed, "--seed", "1", "--json"],
            capture_output=True,
            text=True,
            timeout=240,
            check=False,
            env=environment(tmp_path),
        )
        assert done.returncode == 0, done.stderr
        summary = json.loads(done.stdout)
        events = [json.loads(line)["event"] for line in Path(summary["log"]).read_text().splitlines()]
        if summary["readings"] >= 0.95 * summary["readings_due"] and "relay_unconfirmed" not in events:
            break
    assert summary["note"] == "simulated house, invented numbers"
    assert "invented numbers" in done.stderr  # the view, which must leave standard output to the JSON
    assert "Traceback" not in done.stderr
    assert summary["relay_off"] and not summary["interrupted"] and summary["failure"] is None
    assert summary["hours"] >= 0.5
    assert summary["starts"] >= 1
    assert summary["charger_wh"] > 50
    assert summary["solar_wh"] + summary["grid_wh"] == pytest.approx(summary["charger_wh"], abs=0.2)
    # The daemon only knows what the devices reported, a little late and in steps.
    assert summary["daemon_charger_wh"] == pytest.approx(summary["charger_wh"], rel=0.15)
    assert summary["daemon_solar_wh"] + summary["daemon_grid_wh"] == pytest.approx(
        summary["daemon_charger_wh"], abs=0.2
    )
    came_wh = summary["sun_wh"] + summary["imported_wh"]
    assert came_wh == pytest.approx(summary["household_wh"] + summary["charger_wh"] + summary["exported_wh"], abs=0.3)
    assert summary["daemon_planned_wh"] + summary["daemon_beside_wh"] == pytest.approx(
        summary["daemon_grid_wh"], abs=0.2
    )
    assert summary["need_met"] is None  # it is not seven yet
    assert summary["longest_s"]["charging"] > 0
    assert summary["readings"] > 0
    assert {"starting", "ready", "enabled", "state_changed", "relay_confirmed", "stopped"} <= set(events)
    assert "crashed" not in events


def test_ctrl_c_ends_it_with_the_relay_off(tmp_path: Path) -> None:
    with subprocess.Popen(
        [*COMMAND, "--speed", "300", "--battery"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(tmp_path),
    ) as running:
        assert running.stdout and running.stderr
        first = running.stdout.readline()
        assert "invented numbers" in first and "A battery in the house comes first" in first
        assert re.match(r"\d\d:\d\d  ", running.stdout.readline())
        running.send_signal(signal.SIGINT)
        told, complaints = running.communicate(timeout=60)
    assert running.returncode == 0, complaints
    assert "Traceback" not in complaints
    assert "the relay is off" in told and "ended early" in told


@pytest.mark.parametrize("missing", ["amqtt", "rich"])
def test_without_the_extra_one_line_says_how_to_get_it(missing: str) -> None:
    script = (
        f"import sys; sys.modules[{missing!r}] = None; from surpluscharge import demo; sys.exit(demo.run(1, 1, 1, 0))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1 and done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert missing in done.stderr and "pip install -e '.[demo]', in the clone" in done.stderr


@pytest.mark.parametrize(("hours", "speed"), [(0.0, None), (-1.0, None), (1000.0, None), (1.0, 0.0), (1.0, 1e9)])
def test_a_run_that_cannot_be_is_refused(hours: float, speed: float | None, capsys: pytest.CaptureFixture[str]) -> None:
    assert demo.run(hours, speed, 1, False) == 2
    assert capsys.readouterr().err.count("\n") == 1


# --- the night -------------------------------------------------------------------------------------------------------


def test_what_the_ledger_has_of_the_night_is_told(tmp_path: Path) -> None:
    """An hour of sun, one with some bought beside it, and two by plan, at the prices of their half hours."""
    path, midnight = tmp_path / "carport.sqlite", demo.START.replace(hour=0, minute=0)
    assert demo.read_books(path, 1) is None
    hour_ms, kwh_mws = 3_600_000, 3_600_000_000
    flows = {14: (1.0, 0.0, 0.0), 15: (0.5, 0.5, 0.0), 26: (0.0, 0.0, 1.0), 27: (0.0, 0.0, 1.0)}
    with Ledger(path) as ledger:
        begin_ms = ms_of(midnight)
        intervals = [
            Interval(
                begin_ms + hour * hour_ms + half * hour_ms // 2,
                begin_ms + hour * hour_ms + (half + 1) * hour_ms // 2,
                Energy(
                    hour_ms // 2,
                    hour_ms // 2,
                    0,
                    0,
                    *(round(kwh * kwh_mws / 2) for kwh in kwhs[:2]),
                    0,
                    round(kwhs[2] * kwh_mws / 2),
                ),
            )
            for hour, kwhs in flows.items()
            for half in (0, 1)
        ]
        due = Due(
            begin_ms + 31 * hour_ms, begin_ms + 13 * hour_ms, 4 * kwh_mws, 4 * kwh_mws, 3 * kwh_mws // 2, True, False
        )
        ledger.write(Batch(intervals, dues=[due]))
    books = demo.read_books(path, 1)
    assert books is not None and books.need == due
    assert books[:3] == (1500.0, 500.0, 2000.0) and books.charger_wh == 4000.0
    assert books.planned_price == pytest.approx(sum(market.prices(1, 1)[4:8]) / 4)
    summary = {"needed_wh": 4000.0, "need_met": True, "came_wh": 4000.0, "planned_price": 0.09, "left_with_wh": 30000.0}
    told = dict(demo._need(summary | {"seed": 1}))
    assert told["  had come by then"] == "4.00 kWh: met" and told["The car left with"] == "30.00 kWh"
    assert told["  by plan, a kWh cost"].startswith("0.090 EUR on average (prices went from ")
    assert "NOT MET" in dict(demo._need(summary | {"seed": 1, "need_met": False}))["  had come by then"]


def test_the_days_before_are_such_that_the_daemon_knows_the_sun(tmp_path: Path) -> None:
    """As much as the same house has with nothing charged."""
    path = tmp_path / "carport.sqlite"
    demo._invent_days(path, demo.SCENARIO, 1)
    house = House(demo.SCENARIO, 1, -demo.KNOWN_DAYS * DAY_S)
    house.advance(0.0)
    with Ledger(path, read_only=True) as ledger:
        known = ledger.energy(0, ms_of(demo.START))
    assert known.known_ms == demo.KNOWN_DAYS * DAY_S * 1000
    assert known.import_mws == pytest.approx(house.tally.imported_ws * 1000, rel=1e-6)
    assert known.export_mws == pytest.approx(house.tally.exported_ws * 1000, rel=1e-6)


def test_time_runs_slower_around_a_switching_and_as_was_asked(tmp_path: Path) -> None:
    clock = ScaledClock(demo.START, 1e-6)
    house = House(demo.SCENARIO, 1, 0.0)  # midnight
    dashboard = demo.Dashboard(house)
    going_on = demo.Demo(6.0, None, 1, clock, house, Devices(house, GridMeter(1), clock, 1), dashboard, 0.0, tmp_path)
    around, sunny, quiet = demo.SPEEDS

    def seen(
        state: str, since_s: float, wait_s: float | None = None, run_s: float = 9e3, confirmed: bool = True
    ) -> float:
        at = [
            (demo.START + timedelta(seconds=offset_s)).isoformat() for offset_s in (0.0, -since_s, run_s, run_s + 9e3)
        ]
        dashboard.course.status = {
            "time": at[0],
            "since": at[1],
            "state": state,
            "wait_s": wait_s,
            "relay": {"confirmed": confirmed},
            "plan": {"runs": [{"begins": at[2], "ends": at[3]}]},
        }
        return going_on.pace()

    assert going_on.pace() == around  # nothing is known yet
    assert seen("idle", 900.0) == seen("charging", 900.0) == seen("charging", 900.0, 20000.0) == quiet
    assert seen("idle", 900.0, run_s=200.0) == seen("disarming", 100.0, 120.0) == sunny
    assert seen("locked-out", 900.0, 30.0) == seen("idle", 10.0) == seen("disarming", 100.0, 30.0) == around
    assert seen("idle", 900.0, run_s=30.0) == seen("idle", 900.0, confirmed=False) == around
    assert seen("idle", 900.0, run_s=-8970.0) == around  # its end
    house.advance(12 * 3600.0)
    assert seen("idle", 900.0) == (sunny if house.sun_w > 1100.0 else quiet)
    going_on.speed = 60.0
    assert going_on.pace() == 60.0


# --- the dashboard and the view --------------------------------------------------------------------------------------


def status(state: str, minute: int, since: int, surplus_w: float = 2000.0) -> dict[str, Any]:
    """Return the parts of a status document that the dashboard reads."""
    on = state in ("charging", "disarming")
    return {
        "time": f"2031-05-12T13:{minute:02}:00+00:00",
        "since": f"2031-05-12T13:{since:02}:00+00:00",
        "state": state,
        "why": WHY,
        "waiting_for": "the rain to stop",
        "surplus_w": surplus_w,
        "relay": {"commanded": "on" if on else "off", "confirmed": True},
        "thresholds": {"start_export_w": 1450.0, "stop_import_w": 260.0, "follow_prices": False, "look_ahead": False},
        "today": {"energy_wh": 321.0},
        "faults": [],
    }


def clear_and_clouded() -> tuple[House, House]:
    """Return a house in the sun and one under a cloud."""
    house = House(None, 1, demo.START_S)
    while house.clouded:
        house.advance(house.next_s)
    other = House(None, 1, house.t_s)
    while not other.clouded:
        other.advance(other.next_s)
    return house, other


@pytest.mark.parametrize("cloud", [False, True])
def test_what_counts_as_ridden_out(cloud: bool) -> None:
    dashboard = demo.Dashboard(clear_and_clouded()[cloud])
    for state, minute, since in (
        ("charging", 0, 0),
        ("disarming", 5, 5),
        ("disarming", 7, 5),
        ("charging", 8, 8),
        ("disarming", 20, 20),
        ("idle", 24, 24),  # this one was not ridden out
    ):
        dashboard.take(status(state, minute, since))
    assert (dashboard.clouds_ridden_out, dashboard.others_ridden_out) == ((1, 0) if cloud else (0, 1))
    assert dashboard.longest_s == {"charging": 0.0, "disarming": 120.0, "idle": 0.0}


WHY = (
    "A sentence that only the daemon can have written, and one that takes its time to come to an end: it tells of "
    "unmistakably long words, and of all that is waited for besides, until there are three lines of it at the least."
)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (132, 43), (200, 60)])
@pytest.mark.parametrize("state", [None, "idle", "arming", "charging", "disarming", "locked-out"])
@pytest.mark.parametrize("storage", [None, demo.STORAGE])
def test_the_view_fits_and_says_what_is_going_on(
    width: int, height: int, state: str | None, storage: Storage | None
) -> None:
    house = House(Scenario(storage=storage), 1, demo.START_S)
    clock = ScaledClock(demo.START, 200.0)
    dashboard = demo.Dashboard(house)
    running = Devices(house, GridMeter(1), clock, 1)
    going_on = demo.Demo(6.0, 200.0, 1, clock, house, running, dashboard, 0.0, Path("none.sqlite"))
    if state:
        for minute in range(60):
            dashboard.take(status(state, minute, 0, 60.0 * minute))
    console = Console(file=io.StringIO(), width=width, height=height, force_terminal=True, record=True)
    console.print(demo._view(going_on, console), height=height)
    lines = console.export_text().rstrip("\n").splitlines()
    assert len(lines) <= height and max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert "SIMULATED HOUSE, INVENTED NUMBERS" in text
    assert "Ctrl-C ends the demo." in text
    assert ("in, 62 %" in text) == (storage is not None)
    assert ("house's battery" in text) == (storage is not None)
    if state is None:
        assert "It is starting." in text
    else:
        assert view.LABELS[state][0] in text
        inside = [line.strip("│╭╮╰╯─ ") for line in lines]
        if width < view.WIDE:  # elsewhere other panels stand beside it
            assert WHY in " ".join(inside)
        assert all(word in text for word in WHY.split())  # none is broken, however long
        assert "the rain to stop" in text
        assert re.search("Into the car +0.00 kWh", text) and "Starts; clouds ridden out" in text
        assert "█" in text and ("━" in text) == (state in ("charging", "disarming"))
