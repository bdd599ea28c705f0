"""Logs: stable names, one line per event, and nothing a stranger sends that a terminal would obey."""

from __future__ import annotations

import ast
import functools
import io
import json
import logging
import re
import subprocess
import sys
import threading
import unicodedata
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, NamedTuple

import pytest
import structlog
from hypothesis import example, given
from hypothesis import strategies as st

import surpluscharge
from surpluscharge.config import parse
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Moment
from surpluscharge.daemon import logs
from surpluscharge.daemon.logs import EVENTS
from tests.conftest import free_port

LEVELS = {"debug", "info", "warning", "error", "critical", "exception"}
HOSTILE = "a\nb\r\x1b[31mred\x07\x00\x7f\x85\u2028\u202e\x9b2J"
HARMLESS = r"a\nb\r\x1b[31mred\x07\x00\x7f\x85\u2028\u202e\x9b2J"  # the same, for people to read


@pytest.fixture(autouse=True)
def _logging_as_it_was() -> Iterator[None]:
    root, own = logging.getLogger(), logging.getLogger("surpluscharge")
    before = (root.handlers[:], root.level, own.level)
    yield
    root.handlers[:] = before[0]
    root.setLevel(before[1])
    own.setLevel(before[2])
    structlog.reset_defaults()


def configured(level: str, form: logs.Format) -> io.StringIO:
    stream = io.StringIO()
    logs.configure(level, form, stream)
    return stream


# --- the list of events ----------------------------------------------------------------------------------------------


class Logged(NamedTuple):
    """One place in the code that logs: the names it may use, and the fields it gives."""

    where: str
    names: frozenset[str]
    fields: frozenset[str]


def is_logging(call: ast.Call) -> bool:
    if isinstance(call.func, ast.Attribute):
        of_logger = call.func.attr in LEVELS and "log" in ast.unparse(call.func.value)
        return of_logger or call.func.attr == "_say"
    return isinstance(call.func, ast.Name) and call.func.id == "level"


@functools.cache
def logged() -> list[Logged]:
    """Return every place in the package that logs an event by name."""
    places = []
    package = Path(surpluscharge.__file__).parent
    for path in sorted(package.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not is_logging(node):
                continue
            first = node.args[0]
            either = (first.body, first.orelse) if isinstance(first, ast.IfExp) else (first,)
            where = f"{path.relative_to(package)}:{node.lineno}"
            names = {part.value for part in either if isinstance(part, ast.Constant) and isinstance(part.value, str)}
            assert len(names) == len(either), f"{where}: an event without a name that stands in the code"
            places.append(Logged(where, frozenset(names), frozenset(word.arg for word in node.keywords if word.arg)))
    return places


def test_the_events_are_those_that_are_logged() -> None:
    names = {name for place in logged() for name in place.names}
    assert names == set(EVENTS)


def test_an_event_has_the_fields_that_its_explanation_names() -> None:
    for place in logged():
        for name in place.names:
            words = set(re.findall(r"\w+", EVENTS[name]))
            assert place.fields <= words, f"{place.where}: {name}"


def promised(name: str) -> set[str]:
    """Return the fields that an event's explanation promises: what stands after the last colon, without brackets."""
    _, colon, listed = EVENTS[name].rpartition(": ")
    return {part.strip() for part in re.sub(r"\(.*?\)", "", listed).split(",")} if colon else set()


BOUND = {"charger", "link", "exception"}  # bound to the logger, or made from the traceback


@pytest.mark.parametrize("name", sorted(EVENTS))
def test_an_explanation_promises_no_field_that_is_not_there(name: str) -> None:
    given_fields = {field for place in logged() if name in place.names for field in place.fields}
    assert promised(name) <= given_fields | BOUND


# --- JSON ------------------------------------------------------------------------------------------------------------


def test_json_is_one_object_per_line() -> None:
    stream = configured("debug", "json")
    log = logs.logger().bind(charger="carport")
    log.info("relay_commanded", on=True, attempt=1)
    log.debug("reading", value=-512.5)
    log.warning("message_refused", topic=HOSTILE, payload=b"\xff\x1b")
    first, second, third = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert list(first) == ["timestamp", "level", "event", "charger", "on", "attempt"]
    assert (first["level"], first["event"], first["on"], first["attempt"]) == ("info", "relay_commanded", True, 1)
    assert datetime.fromisoformat(first["timestamp"]).utcoffset() is not None
    assert (second["level"], second["value"]) == ("debug", -512.5)
    assert third["topic"] == HARMLESS
    assert third["payload"] == repr(b"\xff\x1b")


def test_an_exception_is_one_line_of_json() -> None:
    stream = configured("info", "json")
    try:
        raise RuntimeError(HOSTILE)
    except RuntimeError:
        logs.logger().exception("crashed")
        logging.getLogger("somebody.else").exception("oh: %s", HOSTILE)
    own, foreign = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert own["event"] == "crashed"
    assert foreign["event"] == f"oh: {HARMLESS}"
    for line in (own, foreign):
        assert line["level"] == "error"
        assert "RuntimeError" in line["exception"] and "test_logs.py" in line["exception"]


# --- on the console --------------------------------------------------------------------------------------------------


def test_the_console_line() -> None:
    stream = configured("info", "console")
    logs.logger().info("state_changed", old="idle", new="arming", grid_w=-1500.0)
    assert re.fullmatch(
        r"\d\d:\d\d:\d\d \[info +\] state_changed +old=idle new=arming grid_w=-1500\.0\n", stream.getvalue()
    )


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("form", "stream", "json_expected"),
    [
        ("auto", io.StringIO, True),
        ("auto", Terminal, False),
        ("json", Terminal, True),
        ("console", io.StringIO, False),
    ],
)
def test_the_format_is_the_one_asked_for_or_fits_the_stream(
    form: Literal["auto", "json", "console"], stream: type[io.StringIO], json_expected: bool
) -> None:
    out = stream()
    logs.configure("info", form, out)
    logs.logger().info("ready")
    assert out.getvalue().startswith("{") is json_expected
    assert ("\x1b[" in out.getvalue()) is (stream is Terminal and not json_expected)  # colours


# --- strangers -------------------------------------------------------------------------------------------------------


def obeyed(line: str) -> list[str]:
    """Return the characters that a terminal or a viewer might obey instead of showing."""
    return [character for character in line if unicodedata.category(character) in ("Cc", "Cf", "Zl", "Zp", "Cs")]


VALUES = st.text() | st.text().map(str.encode) | st.lists(st.text()) | st.builds(OSError, st.text())


@pytest.mark.parametrize("form", ["json", "console"])
@given(VALUES)
@example(HOSTILE)
@example("without\x1b[31mspaces")
def test_no_field_reaches_the_terminal_raw(form: logs.Format, value: Any) -> None:
    stream = configured("info", form)
    logs.logger().warning("connect_failed", reason=value, attempt=1)
    (line,) = stream.getvalue().removesuffix("\n").split("\n")
    assert obeyed(line) == []


@pytest.mark.parametrize("form", ["json", "console"])
def test_no_line_of_another_library_reaches_the_terminal_raw(form: logs.Format) -> None:
    stream = configured("info", form)
    logging.getLogger("somebody.else").warning("the broker says: %s", HOSTILE)
    (line,) = stream.getvalue().removesuffix("\n").split("\n")
    assert "the broker says" in line
    assert obeyed(line) == []


# --- levels ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", ["debug", "info", "warning", "error"])
def test_the_level_is_the_least_that_is_worth_a_line(level: str) -> None:
    stream = configured(level, "json")
    order = ["debug", "info", "warning", "error"]
    for name in order:
        getattr(logs.logger(), name)("ready")
    assert [json.loads(line)["level"] for line in stream.getvalue().splitlines()] == order[order.index(level) :]


def test_others_are_heard_from_warnings_on() -> None:
    logging.getLogger().setLevel(logging.DEBUG)  # as a test runner may have left it
    stream = configured("debug", "json")
    logging.getLogger("somebody.else").info("chatter")
    logging.getLogger("somebody.else").warning("trouble")
    assert [json.loads(line)["event"] for line in stream.getvalue().splitlines()] == ["trouble"]


def test_configuring_again_replaces_what_was() -> None:
    old = configured("info", "json")
    new = configured("error", "json")
    logs.logger().info("ready")
    logs.logger().error("crashed")
    assert old.getvalue() == ""
    assert [json.loads(line)["event"] for line in new.getvalue().splitlines()] == ["crashed"]


@pytest.mark.parametrize(("level", "lines"), [("info", 0), ("debug", 100)])
def test_a_reading_is_a_line_at_the_debug_level_only(level: str, lines: int) -> None:
    config = parse('charger.current_a = 6\nrelay.topic = "plug/command"\nmeter = [{ topic = "m" }]', "test.toml")
    stream = configured(level, "json")
    controller = Controller(config.settings(), Moment(0.0, 1, 1))
    for second in range(100):
        controller.tell(news.Message("m", b"300", False), Moment(float(second), 1, 1))
    for event in controller.take_events():  # as the service does it
        getattr(logs.logger(), event.level)(event.name, **event.fields)
    events = [json.loads(line)["event"] for line in stream.getvalue().splitlines()]
    assert events == ["reading"] * lines


# --- floods ----------------------------------------------------------------------------------------------------------


def test_a_flood_of_events_is_not_a_flood_of_lines() -> None:
    """A switch that flips for a minute: ten lines of each kind, the rest at the level debug, and counted."""
    config = parse('charger.current_a = 6\nrelay.topic = "plug/command"\nmeter = [{ topic = "m" }]', "test.toml")
    now_s, stream = 0.0, configured("debug", "json")
    controller = Controller(config.settings(), Moment(now_s, 1, 1))
    log = logs.logger().bind(ration=logs.Ration(lambda: now_s))

    def lines() -> list[dict[str, Any]]:
        for event in controller.take_events():  # as the service does it
            getattr(log, event.level)(event.name, **event.fields)
        found = [json.loads(line) for line in stream.getvalue().splitlines()]
        stream.seek(0)
        stream.truncate()
        return found

    controller.tell(news.Message("m", b"-3000", False), Moment(now_s, 1, 1))
    lines()
    for number in range(1000):
        now_s += 0.05
        controller.tell(news.Enable(bool(number % 2)), Moment(now_s, 1, 1))
    found = lines()
    for name in ("enabled", "disabled"):
        levels = [line["level"] for line in found if line["event"] == name]
        assert levels == ["info"] * 10 + ["debug"] * (len(levels) - 10) and len(levels) in (499, 500)
    assert not [line for line in found if "left_out" in line]
    now_s += 60.0
    controller.tell(news.Enable(False), Moment(now_s, 1, 1))
    (last,) = [line for line in lines() if line["event"] == "disabled"]
    assert list(last) == ["timestamp", "level", "event", "left_out"]
    assert (last["level"], last["left_out"]) == ("info", len(levels) - 10)


def test_each_fault_and_each_connection_has_a_ration_of_its_own() -> None:
    now_s, stream = 0.0, configured("info", "json")
    log = logs.logger().bind(ration=logs.Ration(lambda: now_s))
    limit = logs.LIMITS["connect_failed"]
    for second in range(3 * int(limit.per_s)):
        now_s = float(second)
        for link in ("main", "relay"):
            log.bind(link=link).warning("connect_failed", attempt=second)
        log.info("ready")
    found = [json.loads(line) for line in stream.getvalue().splitlines()]
    for link in ("main", "relay"):
        seen = [(line["attempt"], line.get("left_out", 0)) for line in found if line.get("link") == link]
        assert seen == [(0, 0), (1, 0), (60, 58), (61, 0), (120, 58), (121, 0)]
    assert sum(line["event"] == "ready" for line in found) == 180  # what comes once needs no limit
    for _ in range(20):
        for code in ("draw-high", "meter-stale"):
            log.warning("fault_raised", code=code)
    found = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert [sum(line.get("code") == code for line in found) for code in ("draw-high", "meter-stale")] == [10, 10]


def test_whatever_the_controller_says_has_a_limit() -> None:
    said = {name for place in logged() if place.where.startswith("control/") for name in place.names}
    assert said - {"reading"} <= set(logs.LIMITS) <= set(EVENTS)  # a reading is a line at the level debug only


# --- what the owner has taken upon himself ---------------------------------------------------------------------------


def first_events(folder: Path, current_a: int) -> list[dict[str, Any]]:
    """Start the daemon, without a broker; return what it logs until it has tried to connect."""
    path = folder / "config.toml"
    path.write_text(
        f"""
        charger.current_a = {current_a}
        socket.above_continuous_because = "An electrician fitted an industrial socket."
        relay.topic = "plug/command"
        meter = [{{ topic = "m" }}]
        mqtt = {{ host = "127.0.0.1", port = {free_port()} }}
        log.format = "json"
        store.directory = "{folder}"
        """,
        encoding="utf-8",
    )
    command = [sys.executable, "-m", "surpluscharge", "run", "--config", str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as daemon:
        assert daemon.stdout is not None
        stopper = threading.Timer(60.0, daemon.kill)  # should it never say so
        stopper.start()
        found = []
        try:
            for line in daemon.stdout:
                found.append(json.loads(line))
                if found[-1]["event"] == "connect_failed":
                    return found
        finally:
            stopper.cancel()
            daemon.kill()
    raise AssertionError(f"it ended: {found}")


@pytest.mark.parametrize(("current_a", "above"), [(10, False), (12, True)])
def test_a_lead_above_the_continuous_rating_is_logged_at_every_start(
    tmp_path: Path, *, current_a: int, above: bool
) -> None:
    for _ in range(2):
        told = [event for event in first_events(tmp_path, current_a) if event["event"] == "above_continuous"]
        assert len(told) == above
        for event in told:
            assert event["level"] == "warning"
            assert event["current_a"] == 12
            assert event["because"] == "An electrician fitted an industrial socket."
