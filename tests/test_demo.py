"""The demo runs the real daemon to its end, tells the truth about it, and cleans up after itself."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from surpluscharge import demo, view
from surpluscharge.clock import ScaledClock
from surpluscharge.simulator.devices import Devices
from surpluscharge.simulator.house import GridMeter, House

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
    assert summary["longest_s"]["charging"] > 0
    assert summary["readings"] > 0
    assert {"starting", "ready", "enabled", "state_changed", "relay_confirmed", "stopped"} <= set(events)
    assert "crashed" not in events


def test_ctrl_c_ends_it_with_the_relay_off(tmp_path: Path) -> None:
    with subprocess.Popen(
        [*COMMAND, "--speed", "300"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(tmp_path),
    ) as running:
        assert running.stdout and running.stderr
        assert "invented numbers" in running.stdout.readline()
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
    assert missing in done.stderr and "pip install 'surpluscharge[demo]'" in done.stderr


@pytest.mark.parametrize(("hours", "speed"), [(0.0, None), (-1.0, None), (1000.0, None), (1.0, 0.0), (1.0, 1e9)])
def test_a_run_that_cannot_be_is_refused(hours: float, speed: float | None, capsys: pytest.CaptureFixture[str]) -> None:
    assert demo.run(hours, speed, 1, False) == 2
    assert capsys.readouterr().err.count("\n") == 1


# --- the dashboard and the view --------------------------------------------------------------------------------------


def status(state: str, minute: int, since: int, surplus_w: float = 2000.0) -> dict[str, Any]:
    """Return the parts of a status document that the dashboard reads."""
    on = state in ("charging", "disarming")
    return {
        "time": f"2031-05-12T10:{minute:02}:00+00:00",
        "since": f"2031-05-12T10:{since:02}:00+00:00",
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
def test_the_view_fits_and_says_what_is_going_on(width: int, height: int, state: str | None) -> None:
    house = House(None, 1, demo.START_S)
    clock = ScaledClock(demo.START, 200.0)
    dashboard = demo.Dashboard(house)
    running = Devices(house, GridMeter(1), clock, 1)
    going_on = demo.Demo(6.0, 200.0, 1, clock, house, running, dashboard, 0.0)
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
    if state is None:
        assert "It is starting." in text
    else:
        assert view.LABELS[state][0] in text
        inside = [line.strip("│╭╮╰╯─ ") for line in lines]
        if width < view.WIDE:  # elsewhere other panels stand beside it
            assert WHY in " ".join(inside)
        assert all(word in text for word in WHY.split())  # none is broken, however long
        assert "the rain to stop" in text
        assert "Into the car              0.00 kWh" in text and "Starts; clouds ridden out" in text
        assert "█" in text and ("━" in text) == (state in ("charging", "disarming"))
