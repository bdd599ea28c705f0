"""Looking over what stands around the daemon: what is found, each with its remedy, and that nothing is switched."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from surpluscharge import cli, examine
from surpluscharge.config import Config, parse
from surpluscharge.daemon import status
from surpluscharge.examine import Finding
from surpluscharge.history.ledger import Ledger
from tests.conftest import BrokerMaker, free_port
from tests.test_view import FAULT, FULL
from tests.wire import AVAILABILITY, BASE, COMMAND, GRID, REPORT, STATUS, Stage, tables, toml

pytestmark = pytest.mark.broker

LISTEN_S = 0.5
FEEDBACK = {"relay": {"feedback": {"topic": REPORT}}}


@pytest.fixture(autouse=True)
def says(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, str | None], None]:
    """Return a function that has a program of the system's say something; unless told, there is none."""
    words: dict[str, str | None] = {}
    monkeypatch.setattr(examine, "_tool", lambda *asked: words.get(asked[0]))
    return words.__setitem__


def found(by: list[Finding], about: str, verdict: str) -> list[str]:
    return [finding.what for finding in by if (finding.about, finding.verdict) == (about, verdict)]


async def looked(config: Config) -> list[Finding]:
    by = await examine.examine(config, "/etc/surpluscharge/surpluscharge.toml", LISTEN_S)
    assert all(finding.remedy for finding in by if finding.verdict in ("wrong", "doubtful"))
    assert examine.in_words(by)
    return by


def of_now(**changes: Any) -> str:
    wall = examine.SystemClock().wall()
    document = FULL | {"time": wall.isoformat(), "since": wall.isoformat()} | changes
    return status.StatusDocument.model_validate(document).model_dump_json()


# --- the broker -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_where_all_is_well_nothing_is_said_against_it(protocol: str, stage: Stage) -> None:
    stage.wire.publish(AVAILABILITY, "ready", retain=True)
    stage.wire.publish(STATUS, of_now(), retain=True)
    stage.wire.reaction = lambda heard: stage.wire.say(GRID, -500.0) if heard.topic.endswith("/examined") else None
    stage.wire.publish(REPORT, "off", retain=True)
    (stage.folder / "state").mkdir()
    mqtt = {"host": "127.0.0.1", "port": stage.port, "protocol": protocol}
    by = await looked(stage.config(mqtt=mqtt, **FEEDBACK))
    assert not [finding for finding in by if finding.verdict == "wrong"]
    spoken = "MQTT 5" if protocol == "5" else "MQTT 3.1.1"
    assert spoken in found(by, "broker", "good")[0] and "mosquitto" in found(by, "broker", "good")[1]
    assert found(by, "rights", "good") == [f"this user may write and read below {BASE}/"]
    assert found(by, "topics", "good") == [
        f"{GRID}: 1 message in 0 s, the last: 500 W of export",
        f"{REPORT}: what the broker had kept; nothing new in 0 s",
    ]
    assert found(by, "daemon", "good") == ["it is charging: There is enough surplus."]
    # It has switched nothing: no command, and nothing on any topic but its own.
    ours = {STATUS, AVAILABILITY, GRID, REPORT}
    assert {heard.topic for heard in stage.wire.heard} - ours == {f"{BASE}/examined"}
    assert not stage.wire.on(COMMAND) and not any(heard.retain for heard in stage.wire.on(f"{BASE}/examined"))


async def test_what_is_next_to_nothing_may_be_in_kilowatts(stage: Stage) -> None:
    stage.wire.reaction = lambda heard: stage.wire.say(GRID, "1.5") if heard.topic.endswith("/examined") else None
    (stage.folder / "state").mkdir()
    (one,) = [each for each in await looked(stage.config()) if each.about == "topics" and each.verdict == "good"]
    assert one.what.endswith(", the last: 2 W of import")
    assert one.remedy == 'If it speaks in kilowatts: unit = "kW" in [[meter]]'


async def test_what_comes_and_cannot_be_used_is_wrong(stage: Stage) -> None:
    """A pointer that misses: something comes, and none of it is a reading."""
    stage.wire.reaction = lambda heard: stage.wire.say(GRID, "{}") if heard.topic.endswith("/examined") else None
    (stage.folder / "state").mkdir()
    by = await looked(stage.config(meter=[{"topic": GRID, "pointer": "/net_w"}]))
    assert found(by, "topics", "wrong") == [
        f"{GRID}: the last of 1 message cannot be used: the JSON payload has nothing at the configured pointer"
    ]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_right_that_lacks_is_found(protocol: str, with_broker: BrokerMaker, tmp_path: Path) -> None:
    """MQTT 5.0, section 3.4.2.1: 0x87 in PUBACK. Before that version nothing is said, and nothing comes back."""
    acl = tmp_path / "acl"
    acl.write_text(f"topic read {GRID}\ntopic read {BASE}/#\n", encoding="utf-8")
    stage = with_broker(f"acl_file {acl}\n")
    mqtt = {"host": "127.0.0.1", "port": stage.port, "protocol": protocol}
    by = await looked(stage.config(mqtt=mqtt))
    (wrong,) = found(by, "rights", "wrong")
    assert f"{BASE}/examined" in wrong and (("Not authorized" in wrong) if protocol == "5" else ("come back" in wrong))
    assert found(by, "topics", "doubtful") == [f"{GRID}: nothing came in 0 s"]
    assert found(by, "daemon", "doubtful") == ["it is not there (it has not said anything)"]


def config_at(port: int, folder: Path, **changes: Any) -> Path:
    path = folder / "house.toml"
    path.write_text(toml(tables(port, folder, **changes)), encoding="utf-8")
    return path


def test_without_a_broker_it_says_so_and_the_exit_status_is_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = config_at(free_port(), tmp_path)
    assert cli.main(["examine", "--config", str(path), "--listen", "1"]) == 1
    printed = capsys.readouterr()
    assert "broker        wrong: nothing answers at 127.0.0.1:" in printed.out and printed.err == ""
    assert printed.out.rstrip().endswith("doubtful.") and "1 wrong, " in printed.out
    assert cli.main(["examine", "--config", str(path), "--json"]) == 1
    rows = json.loads(capsys.readouterr().out)
    assert {"about", "verdict", "what", "remedy"} == set(rows[0])
    with pytest.raises(SystemExit):
        cli.main(["examine", "--config", str(path), "--listen", "0"])


@pytest.mark.parametrize(
    ("word", "document", "about", "verdict", "what"),
    [
        ("lost", of_now(), "daemon", "doubtful", "it is not there (lost)"),
        ("ready", "{}", "daemon", "wrong", "its status is none of this version"),
        ("ready", of_now(time="2001-01-01T00:00:00+00:00"), "daemon", "wrong", "its last status is "),
        ("ready", of_now(time="2101-01-01T00:00:00+00:00"), "clock", "wrong", "the daemon's is "),
        ("ready", of_now(faults=[FAULT]), "daemon", "wrong", "draw-high: Too much."),
        ("ready", of_now(refused_messages={"not-json": 3}), "daemon", "doubtful", "not-json 3"),
    ],
)
def test_what_the_daemon_says(word: str, document: str, about: str, verdict: str, what: str, tmp_path: Path) -> None:
    config, heard = parse(config_at(1883, tmp_path).read_text(), "x"), examine.Heard()
    heard.last = {AVAILABILITY: word.encode(), STATUS: document.encode()}
    by = list(examine._daemon(config, heard))
    assert any(what in said for said in found(by, about, verdict)) and all(
        one.remedy for one in by if one.verdict != "good"
    )


# --- the computer -----------------------------------------------------------------------------------------------------


def at(folder: Path, more: str = "") -> Config:
    return parse(toml(tables(1883, folder)) + more, "house.toml")


def test_the_clock(tmp_path: Path, says: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    for said, verdict in (("yes", "good"), ("no", "doubtful"), (None, "not tried")):
        says("timedatectl", said)
        assert [one.verdict for one in examine._clock(at(tmp_path))] == [verdict]
    monkeypatch.setattr(examine, "UNSET_S", 1e11)
    assert [one.verdict for one in examine._clock(at(tmp_path))] == ["wrong"]


def test_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config, place = at(tmp_path), tmp_path / "state"

    def said() -> list[str]:
        return [one.verdict for one in examine._disk(config)]

    assert said() == ["doubtful"]  # not there yet
    place.mkdir()
    assert said() == ["good"] and not list(place.iterdir())
    usage = type(shutil.disk_usage(place))
    for free_bytes, verdict in ((10**8, "doubtful"), (10**6, "wrong")):
        monkeypatch.setattr(shutil, "disk_usage", lambda _, free_bytes=free_bytes: usage(10**9, 0, free_bytes))
        assert said() == [verdict]
    place.rmdir()
    place.write_text("no folder")
    assert said() == ["wrong"]


UNIT = (
    "LoadState=loaded\nActiveState={active}\nUnitFileState=enabled\nNRestarts={restarts}\nWatchdogUSec=30s\nExecStart=x"
)


@pytest.mark.parametrize(
    ("said", "verdict", "what"),
    [
        (None, "not tried", "no systemd answers here"),
        ("LoadState=not-found", "doubtful", "is not installed"),
        (UNIT.format(active="active", restarts=0) + " /a.toml", "good", "surpluscharge@a.service runs"),
        (UNIT.format(active="active", restarts=2) + " /a.toml", "doubtful", "started again 2 times"),
        (UNIT.format(active="failed", restarts=0) + " /a.toml", "wrong", "is failed"),
        (UNIT.format(active="active", restarts=0) + " /b.toml", "doubtful", "runs with another configuration"),
    ],
)
def test_the_unit(said: str | None, verdict: str, what: str, tmp_path: Path, says: Any) -> None:
    says("systemctl", said)
    assert any(what in one for one in found(list(examine._unit(at(tmp_path), "/a.toml")), "unit", verdict))


def test_what_the_units_walls_shut_out(tmp_path: Path) -> None:
    """The addresses of RFC 5737 and RFC 3849 are for examples, and nobody's."""
    config = at(
        tmp_path,
        '\n[ping]\nurl = "https://203.0.113.7/x"\n[[tell]]\npost = { url = "http://[2001:db8::7]/" }\n'
        '[[tell]]\npost = { url = "http://10.1.2.3/" }\n',
    )
    shut = list(examine.walls(config, "127.0.0.0/8 ::1/128 10.0.0.0/8", "x.service"))
    assert [one.what.partition(":")[0] for one in shut] == ["ping", "tell.0.post"]
    assert shut[0].remedy == "systemctl edit x.service: [Service] IPAddressAllow=203.0.113.7"
    assert not list(examine.walls(config, "", "x.service"))
    secret = tmp_path / "where"
    secret.write_text("https://203.0.113.9/unsaid\n")
    config = at(tmp_path, f'\n[ping]\nsecret_url = {{ file = "{secret}" }}\n')
    (shut_out,) = examine.walls(config, "127.0.0.0/8 ::1/128", "x.service")
    assert shut_out.what == "ping: x.service does not let the daemon reach its host (203.0.113.9)"
    assert "unsaid" not in repr(shut_out)
    secret.unlink()
    assert not list(examine.walls(config, "127.0.0.0/8 ::1/128", "x.service"))
    config = at(tmp_path, '\n[ping]\nurl = "https://203.0.113.7/x"\n')
    assert not list(examine.walls(config, "0.0.0.0/0 ::/0", "x.service"))


def test_the_ledger(tmp_path: Path) -> None:
    config = at(tmp_path)
    assert [one.verdict for one in examine._ledger(config)] == ["not tried"]
    config.history_file.parent.mkdir()
    Ledger(config.history_file).close()
    (good,) = examine._ledger(config)
    assert good.verdict == "good" and "nothing is in it yet" in good.what
    config.history_file.write_bytes(b"no ledger at all" * 100)
    (ruined,) = examine._ledger(config)
    assert ruined.verdict == "wrong" and ruined.remedy
