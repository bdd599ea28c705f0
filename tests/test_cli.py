"""The commands: exit status, what goes to which stream, and no traceback."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from importlib.metadata import entry_points
from pathlib import Path

import pytest
from aiomqtt.exceptions import MqttConnectError
from jsonschema import Draft202012Validator
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from surpluscharge import __version__, cli, demo
from surpluscharge.cli import broker, running, talking
from surpluscharge.config import Config, effective, load
from surpluscharge.control.supervisor import FAULT_BY_CODE
from surpluscharge.daemon import status
from surpluscharge.daemon.mqtt import Post
from tests.conftest import free_port
from tests.test_status import House, charging


def written(folder: Path, port: int, *lines: str) -> str:
    """Write a configuration whose broker is on a loopback port; return its path."""
    path = folder / "config.toml"
    text = f"""
    charger.current_a = 6
    relay.topic = "carport/plug/command"
    meter = [{{ topic = "house/meter" }}]
    mqtt.host = "127.0.0.1"
    mqtt.port = {port}
    store.directory = "{folder}"
    """
    path.write_text(text + "\n".join(lines), encoding="utf-8")
    return str(path)


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "surpluscharge", *arguments], capture_output=True, text=True, timeout=60, check=False
    )


def test_the_installed_command_is_this_one() -> None:
    (script,) = entry_points(group="console_scripts", name="surpluscharge")
    assert script.load() is cli.main


def test_without_arguments_it_says_how_it_is_used() -> None:
    done = command()
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("usage: surpluscharge")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["fly"],
        ["run"],
        ["check"],
        ["off"],
        ["ack"],
        ["ack", "socket-hot"],
        ["ack", "socket-hot", "over-current", "--config", "x"],
        ["check", "--config"],
        ["schema", "--config", "x"],
        ["demo", "--hours", "six"],
        ["demo", "--seed", "1.5"],
    ],
)
def test_wrongly_called(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exits:
        cli.main(arguments)
    assert exits.value.code == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("usage: surpluscharge")


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exits:
        cli.main(["--version"])
    assert exits.value.code == 0
    assert capsys.readouterr().out == f"surpluscharge {__version__}\n"


def test_help_names_the_commands_and_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exits:
        cli.main(["--help"])
    assert exits.value.code == 0
    said = " ".join(capsys.readouterr().out.split())
    for word in (
        "run",
        "check",
        "off",
        "ack",
        "schema",
        "demo",
        "can start a fire",
        "licensed electrician",
        "no certified",
    ):
        assert word in said


def test_schema() -> None:
    done = command("schema")
    assert (done.returncode, done.stderr) == (0, "")
    printed = json.loads(done.stdout)
    Draft202012Validator.check_schema(printed)
    assert printed == status.schema()


@pytest.mark.parametrize("name", ["run", "check", "off", "ack", "enable", "disable"])
def test_a_configuration_that_is_not_there(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([name, "--config", "/no/such/file.toml"]) == 1
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("/no/such/file.toml: cannot be read (No such file or directory)")
    assert len(printed.err.splitlines()) == 1


def test_off_without_a_broker_is_one_clear_line(tmp_path: Path) -> None:
    done = command("off", "--config", written(tmp_path, free_port()))
    assert (done.returncode, done.stdout) == (1, "")
    (line,) = done.stderr.splitlines()
    assert line.startswith("the broker did not take the off command: ")
    assert "nothing answers at" in line


def test_off_with_a_broker_that_says_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(talking, "OFF_WITHIN_S", 0.2)
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        assert cli.main(["off", "--config", written(tmp_path, silent.getsockname()[1])]) == 1
    assert capsys.readouterr().err.startswith(
        "the broker did not take the off command: no answer in time (the broker is 127.0.0.1:"
    )


def test_off_sends_the_off_command_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = []

    async def publish(config: Config, post: Post, name: str, within_s: float) -> None:
        sent.append((config.port, post, name, within_s))

    monkeypatch.setattr(talking, "publish_once", publish)
    path = written(tmp_path, 1884, 'relay.off_payload = "out"', "relay.qos = 0")
    assert cli.main(["off", "--config", path]) == 0
    printed = capsys.readouterr()
    assert printed.out.startswith(
        "off sent to carport/plug/command. A daemon that is charging does not know of it, and"
    )
    assert "at the fuse board before you unplug" in printed.out
    assert printed.err == ""
    ((port, post, _, within_s),) = sent
    assert (port, post.topic, post.payload, post.qos, post.retain) == (1884, "carport/plug/command", "out", 1, False)
    assert within_s == talking.OFF_WITHIN_S


def spoken_to(document: status.StatusDocument, monkeypatch: pytest.MonkeyPatch) -> list[Post]:
    """Stand in for the broker: a daemon is there, and its status is this. Returns what is published, as it comes."""
    sent: list[Post] = []

    async def publish(_config: Config, post: Post, _name: str, _within_s: float) -> None:
        sent.append(post)

    async def read(_config: Config, topics: Sequence[str], _name: str, _within_s: float) -> dict[str, bytes]:
        return dict(zip(topics, (document.model_dump_json().encode(), b"ready"), strict=True))

    monkeypatch.setattr(talking, "publish_once", publish)
    monkeypatch.setattr(talking, "read_once", read)
    monkeypatch.setattr(talking, "LOOK_EVERY_S", 0.0)
    return sent


@pytest.mark.parametrize(
    ("lines", "place", "payload", "warns"),
    [
        ((), "own", "off", False),  # what is off by the configuration switches on: a daemon has found that out
        ((), "service", "off", False),  # and that was the service
        (("relay.on_payload = 0",), "own", "off", False),  # what else is not known, it knows
        (("relay.on_payload = 'closed'",), "own", "on", False),  # mended since
        ((), "nowhere", "on", False),
        (("store.directory = 5",), "nowhere", "on", True),  # nobody knows where to look
        (("store.directory = 5",), "service", "off", False),
    ],
)
def test_off_says_what_a_daemon_has_found_to_switch_off(
    lines: tuple[str, ...],
    place: str,
    payload: str,
    warns: bool,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sent = spoken_to(House().document(), monkeypatch)
    monkeypatch.setattr(effective, "SERVICE_DIRECTORY", tmp_path / "service")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    folder = {"own": tmp_path / "home" / "surpluscharge", "service": tmp_path / "service"}.get(place, tmp_path / "no")
    folder.mkdir(parents=True)
    kept = {"body": {"kept": {"exchanged": ["plug", "off", "on"]}}}
    (folder / "charger.json").write_text(json.dumps(kept), encoding="utf-8")
    text = ["charger.current_a = 6", 'meter = [{ topic = "m" }]', 'relay.topic = "plug"', 'relay.off_payload = "on"']
    text += lines if any("on_payload" in line for line in lines) else (*lines, 'relay.on_payload = "off"')
    path = tmp_path / "config.toml"
    path.write_text("\n".join(text), encoding="utf-8")
    assert cli.main(["off", "--config", str(path)]) == 0
    assert [(post.topic, post.payload) for post in sent] == [("plug", payload)]
    assert ("cannot be looked into" in capsys.readouterr().err) is warns


def test_off_says_what_a_daemon_makes_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the plug reports, a daemon that is charging sees it, and leaves it off (see test_faults.py)."""

    async def publish(*_: object) -> None: ...

    monkeypatch.setattr(talking, "publish_once", publish)
    assert cli.main(["off", "--config", written(tmp_path, 1884, 'relay.feedback.topic = "carport/plug/report"')]) == 0
    assert "leaves it off for 15 min: to stop a charge, surpluscharge disable --config " in capsys.readouterr().out


def test_the_status_counts_down_while_nothing_new_is_said() -> None:
    house = charging()
    house.meter(2000.0)
    document = house.document()
    assert document.state == "disarming" and document.wait_s
    said = status.in_words(document, "my.toml")
    assert f"{status.duration(document.wait_s)} more, then the charge ends." in said and "old" in said
    now = status.in_words(document, "my.toml", 40.0)
    assert f"{status.duration(document.wait_s - 40)} more, then the charge ends." in now
    assert "; said 40 s ago" in now and ", 0 s old then;" in now
    long_after = status.in_words(document, "my.toml", 1e4)
    assert ", 0 s more, then the charge ends." in long_after


def test_what_is_only_told_or_assumed_is_not_said_to_be_so() -> None:
    """Nobody may be listening there: without a report the relay is told, without a measurement the draw assumed."""
    document = charging().document()
    relay = document.relay.model_copy(update={"reported": "on"})
    assert "; relay on; charger 1.38 kW, assumed\n" in status.in_words(
        document.model_copy(update={"relay": relay}), "x"
    )
    relay = document.relay.model_copy(update={"reported": None})
    power = document.charger_power.model_copy(update={"measured": True})
    told = document.model_copy(update={"relay": relay, "charger_power": power, "refused_messages": {"not-json": 3}})
    said = status.in_words(told, "x")
    assert "; relay told on; charger 1.38 kW\n" in said
    assert "\nMessages that could not be used, by reason: not-json 3" in said


@pytest.mark.parametrize(
    ("word", "age_s", "code", "begins"),
    [
        (b"ready", 5.0, 0, "carport: idle since "),
        (b"ready", 1e3, 1, "The daemon has fallen silent, though it did not take leave; this is the last"),
        (b"ready", -1e3, 0, "carport: idle since "),  # the clock here is behind
        (b"lost", 5.0, 1, "The daemon is not there (lost); this is the last that it said, 5 s ago"),
        (b"disconnected", 9e4, 1, "The daemon is not there (disconnected); this is the last that it said, 25 h ago"),
    ],
)
def test_the_status_says_how_old_it_is(
    word: bytes,
    age_s: float,
    code: int,
    begins: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async def read(_config: Config, topics: Sequence[str], _name: str, _within_s: float) -> dict[str, bytes]:
        document = House().document()
        document.time = datetime.now(UTC) - timedelta(seconds=age_s)
        return dict(zip(topics, (document.model_dump_json().encode(), word), strict=True))

    monkeypatch.setattr(talking, "read_once", read)
    path = written(tmp_path, 1884)
    assert cli.main(["status", "--config", path]) == code
    printed = capsys.readouterr().out
    assert printed.startswith(begins)
    assert ("go and look whether it is off" in printed) is (code == 1 and word != b"disconnected")
    assert cli.main(["status", "--config", path, "--json"]) == code


@pytest.mark.parametrize(
    ("arguments", "payload"),
    [([], "all"), (["all"], "all"), (["socket-hot"], "socket-hot"), (["meter-sign"], "meter-sign")],
)
def test_ack_sends_what_is_acknowledged_once(
    arguments: list[str],
    payload: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sent, word, taken = [], b"ready", True

    async def publish(config: Config, post: Post, name: str, within_s: float) -> None:
        sent.append((config.port, post, name, within_s))

    async def read(_config: Config, topics: Sequence[str], _name: str, _within_s: float) -> dict[str, bytes]:
        document = House().document()
        for code in ("socket-hot", "meter-sign"):
            fault = FAULT_BY_CODE[code]
            document.faults.append(
                status.FaultStatus(
                    code=code,
                    severity="trip",
                    since=document.time,
                    latched=not (sent and taken),
                    cooldown_left_s=0.0,
                    sentence=fault.sentence,
                    remedy=fault.remedy,
                )
            )
        return dict(zip(topics, (document.model_dump_json().encode(), word), strict=True))

    monkeypatch.setattr(talking, "publish_once", publish)
    monkeypatch.setattr(talking, "read_once", read)
    monkeypatch.setattr(talking, "LOOK_EVERY_S", 0.0)
    path = written(tmp_path, 1884, 'charger.name = "barn"')
    assert cli.main(["ack", *arguments, "--config", path]) == 0
    printed = capsys.readouterr()
    assert printed.err == ""
    acknowledged = "meter-sign, socket-hot" if payload == "all" else payload
    assert printed.out.startswith(f"acknowledging {acknowledged}\n") and printed.out.endswith(" Acknowledged.\n")

    # Not sent where nobody would hear it, or where there is nothing of the kind; and not called done where it is not.
    assert cli.main(["ack", "over-current", "--config", path]) == 1
    assert "nothing is waiting to be acknowledged" in capsys.readouterr().err
    word = b"disconnected"
    assert cli.main(["ack", *arguments, "--config", path]) == 1
    assert "the daemon is not there (disconnected)" in capsys.readouterr().err
    ((port, post, name, within_s),) = sent
    assert (port, post.topic, post.payload) == (1884, "surpluscharge/barn/acknowledge/set", payload)
    assert not post.retain  # an acknowledgement is of today's fault, not of tomorrow's
    assert (name, within_s) == ("ack", talking.OFF_WITHIN_S)
    word, taken = b"ready", False
    assert cli.main(["ack", *arguments, "--config", path]) == 1
    assert "the daemon has not taken it" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "enabled", "relay", "says"),
    [
        ("enable", True, {}, ""),
        ("enable", False, {}, "the daemon has not taken it"),
        ("disable", False, {}, ""),
        ("disable", True, {}, "the daemon has not taken it"),
        ("disable", False, {"confirmed": False}, "the relay has not confirmed that it is off: go and look."),
        ("disable", False, {"commanded": "on"}, "the relay has not confirmed that it is off: go and look."),
    ],
)
def test_enabled_is_what_the_daemon_says_and_off_what_the_relay_does(
    name: str,
    enabled: bool,
    relay: dict[str, object],
    says: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    document = House().document()
    known = {"enabled": enabled, "relay": document.relay.model_copy(update=relay)}
    sent = spoken_to(document.model_copy(update=known), monkeypatch)
    path = written(tmp_path, 1884, 'charger.name = "barn"')
    assert cli.main([name, "--config", path]) == bool(says)
    ((topic, payload, _, retain, *_),) = sent
    word = {"enable": "on", "disable": "off"}[name]
    assert (topic, payload, retain) == ("surpluscharge/barn/enable/set", word, False)
    assert says in capsys.readouterr().err


def test_what_is_wrong_elsewhere_in_the_file_keeps_nobody_from_disabling(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = spoken_to(House().document(), monkeypatch)
    path = written(tmp_path, 1884, "control.min_on_s = -3")
    assert cli.main(["enable", "--config", path]) == 1
    assert "control.min_on_s" in capsys.readouterr().err and not sent
    assert cli.main(["disable", "--config", path]) == 0
    assert [post.payload for post in sent] == ["off"]


def test_what_the_broker_says_moves_no_terminal_s_cursor(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever may publish to the broker may have written the document, and the word on availability."""
    hostile = "\x1b]0;owned\x07\x1b[2J\x9b2J\u202e"

    async def read(_config: Config, topics: Sequence[str], _name: str, _within_s: float) -> dict[str, bytes]:
        document = House().document()
        fault = status.FaultStatus(
            code=hostile,
            severity="note",
            since=document.time,
            latched=False,
            cooldown_left_s=0.0,
            sentence=hostile,
            remedy=hostile,
            measured={hostile: 1.0},
        )
        changed = document.model_copy(update={"why": hostile, "charger": hostile, "faults": [fault]})
        return dict(zip(topics, (changed.model_dump_json().encode(), hostile.encode()), strict=True))

    monkeypatch.setattr(talking, "read_once", read)
    path = written(tmp_path, 1884)
    for arguments in (["status"], ["status", "--json"], ["ack"]):
        cli.main([*arguments, "--config", path])
        printed = capsys.readouterr()
        said = printed.out + printed.err
        assert "owned" in said and "".join(said.split("\n")).isprintable()
    said = json.loads((cli.main(["status", "--json", "--config", path]), capsys.readouterr().out)[1])["why"]
    assert said == hostile  # the document itself stays what it is


def test_an_error_moves_no_terminal_s_cursor(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Files may come from elsewhere, too."""
    config = written(tmp_path, 1884)
    for head, row in (("time,\x1b[2J,grid", ""), ("time,grid_w", "2031-05-14T10:00:00Z,\x1b[2J"), ("time,\x9b2J", "")):
        file = tmp_path / "readings.csv"
        file.write_text(f"{head}\n{row}\n", encoding="utf-8")
        for command in (["replay", "--readings", str(file)], ["import", str(file)]):
            assert cli.main([*command, "--config", config]) == 1
            said = capsys.readouterr().err
            assert "2j" in said.lower() and "".join(said.split("\n")).isprintable()
    odd = written(tmp_path, 1884, '"\\u001b[2J" = 3')
    assert cli.main(["check", "--config", odd]) == 1
    said = capsys.readouterr().err
    assert "2j" in said.lower() and "".join(said.split("\n")).isprintable()


def test_ack_of_what_never_latches_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["ack", "nonsense", "--config", written(tmp_path, free_port())]) == 1
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "nonsense is not a fault that latches" in printed.err
    assert "socket-hot" in printed.err


def test_ack_without_a_broker_is_one_clear_line(tmp_path: Path) -> None:
    done = command("ack", "--config", written(tmp_path, free_port()))
    assert (done.returncode, done.stdout) == (1, "")
    (line,) = done.stderr.splitlines()
    assert line.startswith("the broker gives no answer: ")
    assert "nothing answers at" in line


def test_run_runs_the_daemon_with_the_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ran = []

    async def run(config: Config, path: str) -> None:
        ran.append((config.log.level, config.log.format, path))

    monkeypatch.setattr(running.service, "run", run)
    monkeypatch.setattr(running.logs, "configure", lambda *arguments: ran.append(arguments))
    path = written(tmp_path, 1884, 'log.level = "debug"', 'log.format = "json"')
    assert cli.main(["run", "--config", path]) == 0
    assert ran == [("debug", "json"), ("debug", "json", path)]


@pytest.mark.parametrize(
    ("arguments", "passed"),
    [
        ([], (18.5, None, 1, False, False)),
        (["--hours", "2.5", "--speed", "900", "--seed", "7", "--json"], (2.5, 900.0, 7, True, False)),
        (["--battery"], (18.5, None, 1, False, True)),
    ],
)
def test_demo_passes_on_what_is_asked(
    arguments: list[str], passed: tuple[object, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    given = []
    monkeypatch.setattr(demo, "run", lambda *what: given.append(what) or 5)
    assert cli.main(["demo", *arguments]) == 5
    assert given == [passed]


@pytest.mark.parametrize("name", ["run", "off", "ack"])
def test_a_certificate_that_is_none_is_one_clear_line(name: str, tmp_path: Path) -> None:
    no_certificate = tmp_path / "ca.crt"
    no_certificate.write_text("nothing of the kind", encoding="utf-8")
    path = written(tmp_path, free_port(), f'mqtt.tls.ca_file = "{no_certificate}"')
    done = command(name, "--config", path)
    assert (done.returncode, done.stdout) == (1, "")
    (line,) = done.stderr.splitlines()
    begins = {"run": f"{path}: ", "off": "the broker did not take the off command: "}
    assert line.startswith(begins.get(name, "the broker gives no answer: "))
    assert "certificate" in line.lower()


def test_an_interrupt_is_no_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(running, "load", interrupted)
    assert cli.main(["check", "--config", "any"]) == 130


def test_status_without_a_broker_and_without_a_daemon(tmp_path: Path) -> None:
    done = command("status", "--config", written(tmp_path, free_port()))
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("the broker gives no answer") and "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (MqttConnectError(5), "refuses this user: see mqtt.username and mqtt.password"),  # MQTT 3.1.1, section 3.2.2.3
        (MqttConnectError(ReasonCode(PacketTypes.CONNACK, "Not authorized")), "refuses this user"),  # MQTT 5: 0x87
        (ConnectionRefusedError(111, "Connection refused"), "nothing answers at 127.0.0.1:1883"),
        (TimeoutError(), "no answer in time (the broker is 127.0.0.1:1883)"),
    ],
)
def test_what_is_wrong_with_the_broker(tmp_path: Path, error: Exception, says: str) -> None:
    assert says in broker.trouble(error, load(written(tmp_path, 1883)))
