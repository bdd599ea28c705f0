"""Watching by MQTT: what is shown when nothing comes any more, what a key may send, and how the terminal is left."""

from __future__ import annotations

import asyncio
import io
import json
import math
import os
import pty
import select
import signal
import sys
import termios
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import structlog
from aiomqtt import MqttError
from rich.console import Console

from surpluscharge import cli, view, watch
from surpluscharge.config import ConfigError, for_broker
from surpluscharge.control.supervisor import FAULT_BY_CODE, FAULTS
from surpluscharge.daemon.commands import COMMANDS
from surpluscharge.daemon.mqtt import Post
from tests.conftest import Mosquitto, free_port
from tests.test_view import FAULT, NOON, document, planned
from tests.wire import PATIENCE_S, Observer, until

BASE = "surpluscharge/carport"


def message(**changes: Any) -> bytes:
    return json.dumps(document(**changes)).encode()


class Played(watch.Watch):
    """A watch without a broker: what it sends is kept, and a test says what comes."""

    def __init__(self, *patterns: str) -> None:
        super().__init__(for_broker({}, "test"), list(patterns or (BASE,)))
        self.sent: list[Post] = []
        self.down_since = None

        async def publish(post: Post, within_s: float = 0.0) -> None:
            self.sent.append(post)

        self.link.publish = publish  # type: ignore[method-assign]

    def comes(self, leaf: str, payload: bytes, retained: bool = False, own_topic: str = BASE) -> None:
        self._take(f"{own_topic}/{leaf}", payload, retained)

    def there(self, **changes: Any) -> watch.Charger:
        self.comes("availability", b"ready", retained=True)
        self.comes("status", message(**changes))
        return self.chargers[BASE]

    def text(self, width: int = 80, height: int = 24) -> str:
        console = Console(file=io.StringIO(), width=width, height=height, force_terminal=True, record=True)
        console.print(watch.picture(self, console), height=height)
        text = console.export_text()
        assert max(map(len, text.splitlines())) <= width and len(text.rstrip("\n").splitlines()) <= height
        return text

    def said_lines(self) -> list[str]:
        return [self.lines.get_nowait() for _ in range(self.lines.qsize())]


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Time that a test moves."""
    now = [1000.0]
    monkeypatch.setattr(watch, "_now_s", lambda: now[0])
    return now


# --- what is shown ----------------------------------------------------------------------------------------------------


def test_what_counts_down_counts_between_two_documents(clock: list[float]) -> None:
    shown = Played()
    shown.there(state="arming", waiting_for="the export to last, 45 s more", wait_s=45.0)
    assert "45 s more" in shown.text() and "arming for 9 min;" in shown.text() and "12:00:00" in shown.text()
    clock[0] += 12.0
    assert "33 s more" in shown.text() and "arming for 9 min 12 s;" in shown.text() and "12:00:12" in shown.text()
    clock[0] += 60.0
    assert ", 0 s more" in shown.text()


@pytest.mark.parametrize("heartbeat_s", [None, 5.0, 120.0])
def test_a_status_that_is_not_said_again_is_stale(heartbeat_s: float | None, clock: list[float]) -> None:
    shown = Played()
    charger = shown.there(heartbeat_s=heartbeat_s)
    patience_s = max(watch.SILENT_S, 3 * (heartbeat_s or 30.0))
    clock[0] += patience_s - 1
    assert charger.trouble is None
    clock[0] += 2
    assert (
        f"NO WORD for {view.duration(patience_s + 1)}" in shown.text() and "What the daemon said last" in shown.text()
    )
    shown.comes("status", message())
    assert charger.trouble is None


def test_a_status_that_the_broker_had_kept_is_as_old_as_it_says(
    clock: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = Played()
    shown.comes("availability", b"ready", retained=True)
    monkeypatch.setattr(time, "time", lambda: NOON.timestamp() + 4000.0)
    shown.comes("status", message(), retained=True)
    assert shown.chargers[BASE].age_s == pytest.approx(4000.0) and "NO WORD" in shown.text()
    clock[0] += 5.0
    shown.comes("status", message(), retained=True)  # again, after a reconnection
    assert shown.chargers[BASE].age_s == pytest.approx(4005.0)
    # A clock here that is behind, or ahead, says nothing of a document that has just come.
    shown.comes("status", message(time=(NOON + timedelta(seconds=30)).isoformat()))
    assert shown.chargers[BASE].age_s == 0.0 and shown.chargers[BASE].now() == NOON + timedelta(seconds=30)


@pytest.mark.parametrize(
    ("word", "says"),
    [
        (b"lost", "THE DAEMON IS GONE, OR CUT OFF since"),
        (b"disconnected", "the daemon was stopped since"),
        (b"ready", "enabled"),
    ],
)
async def test_a_daemon_that_is_gone(word: bytes, says: str, clock: list[float]) -> None:
    shown = Played()
    shown.there()
    shown.said_lines()
    shown.comes("availability", word)
    assert says in shown.text()
    assert [says in line for line in shown.said_lines()] == ([] if word == b"ready" else [True])
    assert bool(await pressed(shown, "ed")) is (word == b"ready")


def test_a_broker_that_is_gone_is_said_since_when_and_why(clock: list[float]) -> None:
    shown = Played()
    shown.there(heartbeat_s=3600.0)
    shown.reason = "it broke"
    shown._down()
    text = shown.text()
    assert "THE BROKER IS GONE since " in text and "(it broke)" in text and "What the daemon said last" in text
    shown.press("d")
    assert "nothing can be sent" in shown.text()
    shown._up()
    assert "BROKER IS GONE" not in shown.text()
    assert sum("BROKER IS GONE" in line for line in shown.said_lines()) == 1


def test_a_broker_that_is_not_there_is_one_line(clock: list[float]) -> None:
    shown = watch.Watch(for_broker({}, "test"), [BASE])
    for _ in range(5):
        with pytest.raises(structlog.DropEvent):
            shown._note(None, "warning", {"event": "connect_failed", "reason": "refused\x1b[2J"})
    (line,) = [shown.lines.get_nowait() for _ in range(shown.lines.qsize())]
    assert "THE BROKER IS NOT THERE (refused\\x1b[2J)" in line
    console = Console(file=io.StringIO(), width=80, height=24)
    console.print(watch.picture(shown, console))
    assert isinstance(console.file, io.StringIO) and "THE BROKER IS GONE since" in console.file.getvalue()


@pytest.mark.parametrize("payload", [b"", b"{}", b"[]", b"nonsense", b"null", b'{"schema_version": 2}', b"[" * 9999])
def test_what_is_no_status_is_said_and_does_no_harm(payload: bytes, clock: list[float]) -> None:
    shown = Played()
    shown.there()
    shown.comes("status", payload)
    assert "can read" in shown.text()
    shown.comes("status", message())
    assert "can read" not in shown.text()


@pytest.mark.parametrize(
    "hostile",
    [
        {"time": "2031-06-03T12:00:00"},  # of no zone
        {"time": "9999-12-31T23:59:59Z"},
        {"since": "0001-01-01T00:00:00Z"},
        {"wait_s": math.nan},
        {"wait_s": math.inf},
        {"why": "x" * 50_000},
        {"why": "x" * 200_000},
        {"charger": "[/b] \x1b]0;x\x07"},
    ],
)
def test_whatever_anybody_says_is_drawn_or_refused(hostile: dict[str, Any]) -> None:
    """Each of these ended the watch, or held up its keys for seconds; a pattern brings what anybody publishes."""
    shown = Played(BASE, "+/+")
    shown.comes("availability", b"ready")
    shown.comes("status", json.dumps({**json.loads(message()), **hostile}).encode())
    shown.comes("status", b"{}", own_topic="other/[/b]")
    for shown.shown in (None, BASE):
        assert not {"\x1b", "\x07"} & set(shown.text(30, 9) + shown.text())
    charger = shown.chargers[BASE]
    assert charger.unreadable is not charger.name.startswith("[/b]")


def test_what_a_later_version_says_beside_is_left_out(clock: list[float]) -> None:
    shown, said = Played(), document()
    said["moon"] = "full"
    said["grid"]["phases_w"] = [1.0, 2.0]
    said["faults"] = [FAULT | {"colour": "red"}, FAULT | {"colour": "red"}]
    shown.comes("availability", b"ready")
    shown.comes("status", json.dumps(said).encode())
    assert "draw-high" in shown.text() and "can read" not in shown.text()


def test_faults_are_told_with_what_to_do_where_there_is_room(clock: list[float]) -> None:
    shown = Played()
    shown.there(faults=[FAULT])
    assert "Fault      trip draw-high: Too much. Look." in shown.text()


def test_several_are_a_list_and_each_has_a_number(clock: list[float]) -> None:
    shown = Played("surpluscharge/+")
    shown.comes("availability", b"ready", own_topic="surpluscharge/shed")
    assert "Nothing is on surpluscharge/shed/status yet" in shown.text()  # the only one is shown at once
    shown.comes("status", message(charger="shed", state="idle"), own_topic="surpluscharge/shed")
    shown.there()
    text = shown.text()
    assert "2 chargers" in text and "1  carport" in text and "2  shed" in text and "CHARGING" in text
    shown.press("e")
    assert "Press its number first" in shown.text() and shown.question is None
    shown.press("2")
    assert shown.looked_at is shown.chargers["surpluscharge/shed"] and " shed " in shown.text()
    shown.press("n")
    assert shown.looked_at is shown.chargers[BASE]
    shown.press("0")
    assert shown.looked_at is None
    for number in range(100):  # whoever may publish below the pattern
        shown.comes("status", message(charger=f"c{number}"), own_topic=f"surpluscharge/c{number}")
    assert len(shown.chargers) == watch.MOST_CHARGERS
    for height in (24, 60):
        assert ("and 20 more" in shown.text(height=height)) is (height == 24)


@pytest.mark.parametrize("width", [80, 200])
def test_a_course_fills_the_chart_soon_and_keeps_hours(width: int) -> None:
    """With a document every half minute: every column has a value, and all of it is in view up to four hours."""
    course, columns = view.Course(span_s=watch.SPAN_S), width - view.MARGIN - 4
    if width >= view.WIDE:
        columns -= view.BESIDE
    for minutes in (5, 30, 60, 120):
        begun = len(course.spans)
        for half in range(begun // 3, minutes * 2):
            course.take(document(time=(NOON + timedelta(seconds=30 * half)).isoformat()))
        last = NOON + timedelta(minutes=minutes, seconds=-30)
        column_s, starts, spans = course.columns(last, columns)
        known = [start for start, span in zip(starts, spans, strict=True) if span]
        assert len(known) == sum(NOON <= start <= last for start in starts), "no holes"
        assert known[0] <= NOON + timedelta(seconds=column_s) and len(known) * column_s >= 60 * minutes - 30
        assert len(known) > columns / 3 or column_s == watch.SPAN_S


# --- what is told -----------------------------------------------------------------------------------------------------


async def pressed(shown: Played, keys: str) -> list[tuple[str, str]]:
    for key in keys:
        shown.press(key)
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    sent = [(post.topic.removeprefix(f"{BASE}/"), post.payload) for post in shown.sent]
    assert all(post.qos == 1 and not post.retain and post.expiry_s for post in shown.sent)
    assert {topic for topic, _ in sent} <= {f"{command.name}/set" for command in COMMANDS}
    return sent


@pytest.mark.parametrize(
    ("changes", "keys", "sent"),
    [
        ({"enabled": False}, "ey", [("enable/set", "on")]),
        ({"enabled": False}, "en", []),
        ({"enabled": False}, "e\x1b", []),
        ({"enabled": False}, "ee", []),
        ({"enabled": True}, "ey", []),
        ({}, "d", [("enable/set", "off")]),  # off is not asked twice
        ({"faults": [FAULT | {"code": "meter-sign"}]}, "ay", [("acknowledge/set", "meter-sign")]),
        ({"faults": [FAULT | {"code": "meter-sign"}]}, "a\r", []),
        ({"faults": [FAULT | {"code": "meter-sign", "latched": False}]}, "ay", []),
        ({"faults": [FAULT | {"code": "all"}]}, "ay", []),  # of a daemon that means ill
        ({"plan": planned()}, "c3\ry", [("plan/set", '{"energy_wh": 3000.0}')]),
        ({"plan": planned()}, "c12\x7f.5\ry", [("plan/set", '{"energy_wh": 1500.0}')]),
        ({"plan": planned()}, "c3\rn", []),
        ({"plan": planned()}, "c\ry", []),
        ({"plan": planned()}, "c101\ry", []),
        ({"plan": planned()}, "c1.2.3\ry", []),
        ({"plan": planned()}, "c0\r", [("plan/set", '{"energy_wh": 0.0}')]),
        ({"plan": planned(), "enabled": False}, "c3\ry", []),
        ({"plan": None}, "c3\ry", []),
    ],
)
async def test_a_key_asks_where_it_matters(
    changes: dict[str, Any], keys: str, sent: list[tuple[str, str]], clock: list[float]
) -> None:
    shown = Played()
    shown.there(**changes)
    assert await pressed(shown, keys) == sent
    shown.text()


@pytest.mark.parametrize("code", sorted(watch.AT_THE_SOCKET))
async def test_heat_and_danger_are_not_acknowledged_from_afar(code: str, clock: list[float]) -> None:
    assert FAULT_BY_CODE[code].may_latch
    shown = Played()
    shown.there(faults=[FAULT | {"code": code}, FAULT | {"code": "meter-sign"}])
    assert await pressed(shown, "ay") == [("acknowledge/set", "meter-sign")]  # and never "all"
    shown.there(faults=[FAULT | {"code": code}])
    shown.sent.clear()
    assert await pressed(shown, "ay") == []
    assert "only by whoever stands at the socket" in shown.text()


def test_whatever_sends_to_the_fuse_board_is_kept_for_those_who_are_there() -> None:
    danger = {fault.code for fault in FAULTS if fault.may_latch and "fuse board" in fault.remedy}
    assert danger <= watch.AT_THE_SOCKET


async def test_what_is_taken_is_said_and_what_is_not(clock: list[float]) -> None:
    shown = Played()
    shown.there(enabled=False)
    await pressed(shown, "ey")
    assert "carport: enabling ..." in shown.text()
    shown.comes("status", message(enabled=True))
    assert "carport: enabling: taken" in shown.text()
    await pressed(shown, "d")
    clock[0] += watch.TAKEN_WITHIN_S + 1
    shown.comes("status", message(enabled=True))
    assert "carport HAS NOT TAKEN IT" in shown.text()
    clock[0] += watch.NOTICE_S + 1
    shown.comes("status", message())
    assert "charge  q end" in shown.text()

    async def refuse(*_: Any) -> None:
        raise MqttError("not authorised")

    shown.link.publish = refuse  # type: ignore[method-assign]
    await pressed(shown, "d")
    assert "not sent: not authorised" in shown.text()


# --- called -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "mqtt", "patterns"),
    [
        ([], {"host": "localhost", "tls": None, "password": None}, ["surpluscharge/+"]),
        (["a/b", "c/"], {"host": "localhost"}, ["a/b", "c"]),
        (["--host", "broker.lan", "--port", "1884", "--user", "me"], {"host": "broker.lan", "port": 1884}, None),
        (["--user", "me", "--password-env", "MQTT_WORD"], {"password": {"env": "MQTT_WORD"}, "username": "me"}, None),
        (["--user", "me", "--password-credential", "word"], {"password": {"credential": "word"}}, None),
        (["--tls"], {"tls": {}}, None),
    ],
)
def test_it_takes_a_broker_and_base_topics(
    arguments: list[str],
    mqtt: dict[str, Any],
    patterns: list[str] | None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    (tmp_path / "word").write_text("hush\n", encoding="utf-8")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    monkeypatch.setenv("MQTT_WORD", "hush")
    given: list[Any] = []
    monkeypatch.setattr(watch, "run", lambda *what: given.append(what) or 0)
    assert cli.main(["watch", *arguments]) == 0
    ((config, shown, plain),) = given
    assert shown == (patterns or ["surpluscharge/+"]) and plain is False
    set_ = config.mqtt.model_dump(exclude_none=True)
    assert {key: set_.get(key) for key in mqtt} == mqtt


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["a/#"], "a base topic is such as"),
        (["a/b+"], "a base topic is such as"),
        (["/a"], "a base topic is such as"),
        (["$SYS/x"], "belong to the broker"),
        (["--host", "a:1883"], "this is more than a host name"),
        (["--port", "99999"], "mqtt.port = 99999"),
        (["--password-file", "/no/such/file", "--user", "me"], "cannot read /no/such/file"),
        (["--config", "x", "--host", "y"], "not both"),
    ],
)
def test_wrongly_asked(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["watch", *arguments]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert says in line


def test_no_password_is_taken_on_the_command_line(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["watch", "--password", "hush"])
    assert "hush" not in capsys.readouterr().err.replace("--password hush", "")
    with pytest.raises(ConfigError) as refused:
        for_broker({"username": "me", "password": "hush"}, "the broker")
    assert "hush" not in str(refused.value)


# --- with a broker, and a terminal ------------------------------------------------------------------------------------


async def test_three_watch_through_a_restart_of_the_broker(mosquitto: Mosquitto) -> None:
    observer = Observer(mosquitto.port)
    config = for_broker({"host": "127.0.0.1", "port": mosquitto.port}, "test")
    watchers = [watch.Watch(config, ["surpluscharge/+"]) for _ in range(3)]
    tasks = [asyncio.create_task(watcher.run()) for watcher in watchers]

    def all_of(what: Callable[[watch.Watch], Any]) -> Callable[[], bool]:
        return lambda: all(what(watcher) for watcher in watchers)

    def say(**changes: Any) -> None:
        observer.publish(f"{BASE}/availability", "ready", retain=True)
        observer.publish(f"{BASE}/status", message(time=datetime.now().astimezone().isoformat(), **changes), True)

    try:
        say()
        await until(all_of(lambda one: one.chargers and one.chargers[BASE].hears and not one.down_since), "all hear")
        mosquitto.kill()
        await until(all_of(lambda one: one.down_since), "all know that the broker is gone")
        mosquitto.start()
        await until(all_of(lambda one: not one.down_since), "all are back")
        await until(observer._client.is_connected, "so is the one who speaks")
        say(state="idle")
        await until(all_of(lambda one: one.chargers[BASE].status["state"] == "idle"), "all hear the news")
        watchers[0].press("d")
        await until(lambda: observer.texts(f"{BASE}/enable/set") == ["off"], "it is told off")
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
        observer.close()


@pytest.mark.parametrize("end", ["\x03", signal.SIGTERM])
def test_the_terminal_is_given_back(end: str | signal.Signals) -> None:
    """Without a broker, too. ECMA-48 and xterm's control sequences: 1049 is the other screen, 25 the cursor."""
    child, terminal = pty.fork()
    if child == 0:
        os.environ |= {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}
        os.execv(sys.executable, [sys.executable, "-m", "surpluscharge", "watch", "--port", str(free_port())])
    before, seen, deadline_s = termios.tcgetattr(terminal), b"", time.monotonic() + PATIENCE_S
    told = False
    while time.monotonic() < deadline_s and not (told and b"\x1b[?1049l" in seen):
        if select.select([terminal], [], [], 0.1)[0]:
            seen += os.read(terminal, 65536)
        if not told and b"THE BROKER IS GONE" in seen:
            told = True
            assert termios.tcgetattr(terminal) != before and b"\x1b[?1049h" in seen
            os.write(terminal, end.encode()) if isinstance(end, str) else os.kill(child, end)
    _, code = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(code) == (130 if isinstance(end, str) else 143)
    assert b"\x1b[?1049l" in seen and seen.rindex(b"\x1b[?25h") > seen.rindex(b"\x1b[?25l")
    assert termios.tcgetattr(terminal) == before
    os.close(terminal)


async def test_not_on_a_terminal_it_is_lines(
    mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    observer = Observer(mosquitto.port)
    observer.publish(f"{BASE}/availability", "ready", retain=True)
    observer.publish(f"{BASE}/status", message(why="\x1b[2J"), retain=True)
    config = for_broker({"host": "127.0.0.1", "port": mosquitto.port}, "test")
    running = asyncio.create_task(watch._run(config, [BASE], plain=False))
    said = ""

    def lines() -> int:
        nonlocal said
        said += capsys.readouterr().out
        return len(said.splitlines())

    await until(lambda: lines() >= 2, "it says that it is connected, and how the charger stands")
    observer.publish(f"{BASE}/availability", "lost", retain=True)
    await until(lambda: lines() >= 3, "it says that the daemon is gone")
    running.cancel()
    await asyncio.wait([running])
    observer.close()
    assert said.isascii() and "\x1b" not in said and "\\x1b[2J" in said
    assert "connected to the broker" in said and "carport: " in said and "THE DAEMON IS GONE" in said
