"""What lies in deploy/: units the service manager accepts, and a broker whose access list really holds."""

from __future__ import annotations

import asyncio
import email.utils
import getpass
import importlib.metadata
import os
import re
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import aiomqtt
import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from surpluscharge import __version__
from tests.conftest import free_port, tool

DEPLOY = Path(__file__).parent.parent / "deploy"
UNITS = ["surpluscharge.service", "surpluscharge@.service"]  # of the daemon, and
MONTHLY = ["surpluscharge-month.service", "surpluscharge-month@.service"]  # of what a timer starts
PROGRAM = "/usr/bin/surpluscharge"


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def settings(unit: str) -> list[tuple[str, str, str]]:
    """Return (section, key, value) of every line of a unit, in order; a key may come more than once."""
    found, section = [], ""
    for line in (DEPLOY / unit).read_text().splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.append((section, key, value))
    return found


def service(unit: str, key: str) -> str:
    """Return the one value of a key in a unit's [Service]."""
    (value,) = [value for section, name, value in settings(unit) if (section, name) == ("Service", key)]
    return value


# --- units -----------------------------------------------------------------------------------------------------------


def verify(folder: Path, unit: str, old: str = "", new: str = "") -> subprocess.CompletedProcess[str]:
    """Let systemd read a copy of a unit, in which programs that are not installed here are replaced."""
    text = (DEPLOY / unit).read_text()
    assert old in text
    for program in (PROGRAM, "/bin/kill"):
        text = text.replace(program, sys.executable)
    copy = folder / unit
    copy.write_text(text.replace(old, new))
    return run(tool("systemd-analyze"), "verify", "--man=no", "--recursive-errors=no", copy)


@pytest.mark.parametrize("unit", [*UNITS, *MONTHLY])
def test_systemd_accepts_the_unit(tmp_path: Path, unit: str) -> None:
    outcome = verify(tmp_path, unit)
    assert (outcome.returncode, outcome.stderr) == (0, "")


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("WatchdogSec=30s", "WatchdogSec=often", "Failed to parse"),
        ("RestartSec=", "RestartSeconds=", "Unknown key"),
        ("@system-service", "@no-such-group", "Unknown system call group"),
        ("ExecStopPost=/", "ExecStopPost=/no-such-place/", "is not executable"),
    ],
)
def test_a_wrong_unit_would_be_noticed(tmp_path: Path, old: str, new: str, complaint: str) -> None:
    outcome = verify(tmp_path, UNITS[0], old, new)
    assert outcome.returncode != 0
    assert complaint in outcome.stderr


@pytest.mark.parametrize("unit", [*UNITS, *MONTHLY])
def test_exposure_is_at_most_one_and_a_half(unit: str) -> None:
    outcome = run(tool("systemd-analyze"), "security", "--offline=yes", "--no-pager", DEPLOY / unit)
    assert outcome.returncode == 0, outcome.stderr
    exposure = re.search(r"Overall exposure level for \S+: ([0-9.]+)", outcome.stdout)
    assert exposure is not None
    assert float(exposure[1]) <= 1.5


@pytest.mark.parametrize("unit", UNITS)
def test_the_stop_action_is_the_off_command_on_the_same_configuration(unit: str) -> None:
    start, stop = service(unit, "ExecStart"), service(unit, "ExecStopPost")
    assert start.startswith(f"{PROGRAM} run --config /etc/surpluscharge/")
    assert stop == start.replace(" run ", " off ")


@pytest.mark.parametrize("command", ["run", "off"])
def test_the_commands_in_the_units_exist(command: str) -> None:
    outcome = run(sys.executable, "-m", "surpluscharge", command, "--help")
    assert outcome.returncode == 0, outcome.stderr
    assert "--config" in outcome.stdout


@pytest.mark.parametrize("unit", UNITS)
def test_a_daemon_that_hangs_or_keeps_failing_is_started_again(unit: str) -> None:
    assert service(unit, "Type") == "notify"
    assert service(unit, "NotifyAccess") == "main"
    assert service(unit, "WatchdogSec") == "30s"
    assert service(unit, "Restart") == "always"
    assert ("Unit", "StartLimitIntervalSec", "0") in settings(unit)


@pytest.mark.parametrize("unit", UNITS)
def test_a_missing_password_file_does_not_keep_the_service_from_starting(unit: str) -> None:
    # systemd.exec(5): an absolute path that does not exist is an error; a bare name is looked up in /etc/credstore.
    name, _, source = service(unit, "LoadCredential").partition(":")
    assert name == "mqtt-password"
    assert "/" not in source


@pytest.mark.parametrize("unit", UNITS)
def test_the_stop_action_can_read_the_password_too(unit: str) -> None:
    # systemd 252 hides /run/credentials from all but the start command, unless its content is shown elsewhere.
    place = service(unit, "BindReadOnlyPaths").partition(":")[2]
    assert ("Service", "Environment", f"CREDENTIALS_DIRECTORY={place}") in settings(unit)


@pytest.mark.parametrize("unit", ["surpluscharge.service", *MONTHLY[:1], "surpluscharge-month.timer"])
def test_the_unit_for_several_chargers_is_the_same_but_for_the_name(unit: str) -> None:
    plain = [
        (
            section,
            key,
            value.replace("surpluscharge.toml", "%i.toml").replace("%S/surpluscharge/", "%S/surpluscharge/%i/"),
        )
        for section, key, value in settings(unit)
    ]
    named: dict[str, Callable[[str], str]] = {
        "Description": lambda value: re.sub("(surplus)(,|$)", r"\1 (%i)\2", value),
        "StateDirectory": lambda value: f"{value}/%i",
        "LoadCredential": lambda value: value.replace(":surpluscharge-", ":surpluscharge-%i-"),
    }
    expected = [(section, key, named.get(key, str)(value)) for section, key, value in plain]
    assert settings(unit.replace(".", "@.")) == expected


# --- once a month ----------------------------------------------------------------------------------------------------


def test_the_month_is_walled_in_as_the_daemon_is() -> None:
    """All that systemd keeps from it, it keeps from the report too; only what it may use up is another thing."""
    resources = {"MemoryHigh", "MemoryMax", "TasksMax", "OOMScoreAdjust", "Nice", "CPUWeight"}
    lines = settings(UNITS[0])
    walls = lines[lines.index(("Service", "RestrictAddressFamilies", "AF_INET AF_INET6 AF_UNIX")) :]
    wanted = {line for line in walls if line[0] == "Service"} - {line for line in walls if line[1] in resources}
    assert len(wanted) > 25 and wanted <= set(settings(MONTHLY[0]))


def test_the_timer_comes_each_month_and_makes_up_for_what_was_missed() -> None:
    """systemd.timer(5): Persistent= starts at once what would have been started while the machine was off."""
    timer = dict(line[1:] for line in settings("surpluscharge-month.timer"))
    assert timer["Persistent"] == "yes" and timer["WantedBy"] == "timers.target"
    outcome = run(
        tool("systemd-analyze"),
        *("calendar", "--iterations=3", "--base-time=2031-01-01 08:00:00 UTC", f"{timer['OnCalendar']} UTC"),
    )
    assert re.findall(r"20\d\d-\d\d-\d\d \d\d:\d\d", outcome.stdout) == [
        f"2031-0{month}-01 07:00" for month in (2, 3, 4)
    ], outcome.stdout


@pytest.mark.parametrize("timer", ["surpluscharge-month.timer", "surpluscharge-month@.timer"])
def test_systemd_accepts_the_timer(tmp_path: Path, timer: str) -> None:
    """Beside the unit that it starts."""
    verify(tmp_path, timer.replace(".timer", ".service"))
    copy = tmp_path / timer.replace("@.", "@carport.")
    (tmp_path / timer.replace(".timer", ".service")).rename(copy.with_suffix(".service"))
    copy.write_text((DEPLOY / timer).read_text())
    outcome = run(tool("systemd-analyze"), "verify", "--man=no", "--recursive-errors=no", copy)
    assert (outcome.returncode, outcome.stderr) == (0, "")


# --- what is handed out: that it works is shown by tests/bench/service.py ---------------------------------------------

SCRIPT = (DEPLOY / "package.sh").read_text()


def names(variable: str) -> list[str]:
    """Return the words of a variable at the head of deploy/package.sh."""
    found = re.search(rf"^{variable}='(.*)'$", SCRIPT, re.MULTILINE)
    assert found is not None
    return found[1].replace(",", " ").split()


def locked() -> dict[str, tuple[str, int]]:
    """Return version, and number of files, of each library that is packed."""
    lines = [line.split() for line in (DEPLOY / "locked.txt").read_text().splitlines() if not line.startswith("#")]
    return {line[0].partition("==")[0]: (line[0].partition("==")[2], len(line) - 1) for line in lines}


def requirements(extra: str = "") -> list[Requirement]:
    project = tomllib.loads((DEPLOY.parent / "pyproject.toml").read_text())["project"]
    listed = project["optional-dependencies"][extra] if extra else project["dependencies"]
    return [Requirement(each) for each in listed]


def test_the_version_stands_in_one_place_and_the_changelog_begins_with_it() -> None:
    project = tomllib.loads((DEPLOY.parent / "pyproject.toml").read_text())
    assert project["project"]["dynamic"] == ["version"]
    assert project["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "surpluscharge.__version__"}
    text = (DEPLOY / "changelog").read_text()
    # deb-changelog(5): the entry's first line, its last one, and a date by RFC 5322.
    entry = re.match(r"surpluscharge \((\S+)\) stable; urgency=\w+\n\n(?:  .*\n|\n)+ -- .+ <.+>  (.+)\n", text)
    assert entry is not None
    assert entry[1] == __version__
    assert email.utils.parsedate_to_datetime(entry[2]).utcoffset() is not None


def test_what_is_packed_is_what_the_project_allows() -> None:
    found = locked()
    wanted = [one for extra in ("", *names("EXTRAS")) for one in requirements(extra)]
    for one in wanted:
        version, _ = found[canonicalize_name(one.name)]
        assert one.specifier.contains(version), (one, version)
    # What they need in their turn; the installed ones are asked, which are of about the same versions.
    reached, waiting = set(), {canonicalize_name(one.name) for one in wanted}
    while waiting:
        name = waiting.pop()
        reached.add(name)
        needed = [Requirement(each) for each in importlib.metadata.requires(name) or ()]
        waiting |= (
            {canonicalize_name(one.name) for one in needed if one.marker is None or one.marker.evaluate({"extra": ""})}
            - reached
            - set(names("OMITTED"))
        )
    assert reached - {"typing-extensions"} == set(found) - {"setuptools", "typing-extensions"}


def test_what_is_left_out_is_not_missed() -> None:
    modules = {"markdown-it-py": "markdown_it"}
    missing = [modules.get(name, name) for name in names("OMITTED")]
    drawn = (
        "import sys; sys.modules.update(dict.fromkeys(sys.argv[1:]))\n"  # None: importing it fails
        "from rich.console import Console\nfrom rich.panel import Panel\nfrom rich.live import Live\n"
        "import surpluscharge.view, surpluscharge.watch\n"
        "with Live(Panel('here'), console=Console(force_terminal=True), screen=True): pass\n"
    )
    outcome = run(sys.executable, "-c", drawn, *missing)
    assert (outcome.returncode, outcome.stderr) == (0, "")
    assert "here" in outcome.stdout
    outcome = run(sys.executable, "-c", drawn, "rich.panel")
    assert "ModuleNotFoundError" in outcome.stderr or "ImportError" in outcome.stderr


def test_a_compiled_library_is_there_for_each_python_and_architecture() -> None:
    pythons, platforms = names("PYTHONS"), names("PLATFORMS")
    counts = {name: files for name, (_, files) in locked().items() if files > 1}
    assert counts == {"pydantic-core": len(pythons) * len(platforms)}
    control = (DEPLOY / "debian" / "control").read_text()
    allowed = [tuple(map(int, version.split("."))) for version in pythons]
    assert allowed == [(3, 11), (3, 13)]
    assert "python3 (>= 3.11), python3 (<< 3.12) | python3 (>= 3.13), python3 (<< 3.14)" in control


@pytest.mark.parametrize("script", ["package.sh", "try.sh", "debian/postinst", "debian/prerm", "debian/postrm"])
def test_the_shell_understands_the_script(script: str) -> None:
    outcome = run("sh", "-n", DEPLOY / script)
    assert (outcome.returncode, outcome.stderr) == (0, "")


# --- user and folders ------------------------------------------------------------------------------------------------


def test_user_and_folders_are_made(tmp_path: Path) -> None:
    sysusers, tmpfiles = tool("systemd-sysusers"), tool("systemd-tmpfiles")
    if os.geteuid() != 0:
        pytest.skip("only root can give files to another user")
    config = tmp_path / "etc/surpluscharge"
    config.mkdir(parents=True)
    (config / "carport.toml").touch(mode=0o644)
    for command in (
        (sysusers, f"--root={tmp_path}", DEPLOY / "sysusers.conf"),
        (tmpfiles, f"--root={tmp_path}", "--create", DEPLOY / "tmpfiles.conf"),
    ):
        outcome = run(*command)
        assert outcome.returncode == 0, outcome.stderr
    (line,) = [line for line in (tmp_path / "etc/passwd").read_text().splitlines() if "surpluscharge" in line]
    name, _, _, group, _, home, shell = line.split(":")
    assert (name, home, shell) == (service(UNITS[0], "User"), "/var/lib/surpluscharge", "/usr/sbin/nologin")
    for path, mode, owning_group in (
        (config, 0o750, int(group)),
        (config / "carport.toml", 0o640, int(group)),
        (tmp_path / "etc/credstore", 0o700, 0),
    ):
        found = path.stat()
        assert (found.st_mode & 0o7777, found.st_uid, found.st_gid) == (mode, 0, owning_group), path
    assert service(UNITS[0], "ConfigurationDirectoryMode") == "0750"


# --- broker ----------------------------------------------------------------------------------------------------------

BASE, COMMAND = "surpluscharge/carport", "carport/plug/relay/set"
STATUS, ENABLE_SET = f"{BASE}/status", f"{BASE}/enable/set"
METER, RELAY, POWER, OTHER = "house/grid", "carport/plug/relay", "carport/plug/power", "somebody/else"
CLAIM, OTHERS_CLAIM = "surpluscharge/claims/carport", "surpluscharge/claims/boiler"
TOPICS = {STATUS, ENABLE_SET, COMMAND, METER, RELAY, POWER, OTHER, CLAIM, OTHERS_CLAIM}

MAY_PUBLISH = {
    "surpluscharge": {STATUS, ENABLE_SET, COMMAND, CLAIM},
    "meter": {METER},
    "plug": {RELAY, POWER},
    "dashboard": {ENABLE_SET},
}
MAY_RECEIVE = {
    "surpluscharge": {STATUS, ENABLE_SET, METER, RELAY, POWER, CLAIM, OTHERS_CLAIM},
    "meter": set(),
    "plug": {COMMAND},
    "dashboard": {STATUS, ENABLE_SET},
}
# Known to these tests only: one who hears and says everything, and a last message that everyone hears.
TESTER, END = "tester", "test/end"


def test_broker_and_daemon_are_shown_with_the_same_topics() -> None:
    example = tomllib.loads((DEPLOY.parent / "config.example.toml").read_text())
    relay = example["relay"]
    assert f"surpluscharge/{example['charger']['name']}" == BASE
    assert relay["topic"] == COMMAND
    assert relay["feedback"]["topic"] == RELAY
    assert relay["power"]["topic"] == POWER
    assert [meter["topic"] for meter in example["meter"]] == [METER]


class Broker:
    """The example broker, moved to a free loopback port and a folder of its own."""

    def __init__(self, port: int) -> None:
        self.port = port

    def client(
        self,
        user: str | None,
        password: str | None = None,
        identifier: str | None = None,
        will: aiomqtt.Will | None = None,
    ) -> aiomqtt.Client:
        return aiomqtt.Client(
            "127.0.0.1",
            self.port,
            username=user,
            password=password or (f"password of {user}" if user else None),
            identifier=identifier,
            will=will,
            protocol=aiomqtt.ProtocolVersion.V5,
            timeout=60,
        )


async def heard(listener: aiomqtt.Client) -> set[tuple[str, str]]:
    """Return (topic, payload) of all messages up to the last one."""
    found: set[tuple[str, str]] = set()
    async with asyncio.timeout(60):
        async for message in listener.messages:
            if message.topic.value == END:
                return found
            assert isinstance(message.payload, bytes)
            found.add((message.topic.value, message.payload.decode()))
    raise AssertionError("the broker closed the connection")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    mosquitto, mosquitto_passwd = tool("mosquitto"), tool("mosquitto_passwd")
    port = free_port()
    passwords, access, log = tmp_path / "passwords", tmp_path / "access", tmp_path / "log"
    passwords.touch(mode=0o600)
    for user in (*MAY_PUBLISH, TESTER):
        outcome = run(mosquitto_passwd, "-b", passwords, user, f"password of {user}")
        assert outcome.returncode == 0, outcome.stderr
    rules = (DEPLOY / "mosquitto.acl").read_text()
    access.write_text(f"pattern read {END}\n{rules}\nuser {TESTER}\ntopic readwrite #\n")
    config = (DEPLOY / "mosquitto.conf").read_text()
    for old, new in (
        ("\nlistener 1883\n", f"\nlistener {port} 127.0.0.1\n"),
        ("/etc/mosquitto/surpluscharge.passwd\n", f"{passwords}\n"),
        ("/etc/mosquitto/surpluscharge.acl\n", f"{access}\n"),
    ):
        assert old in config
        config = config.replace(old, new)
    # Started by root it would become another user, who may not look into this folder.
    config += f"\npersistence_location {tmp_path}/\nuser {getpass.getuser()}\n"
    (tmp_path / "broker.conf").write_text(config)

    with log.open("w") as output:
        process = subprocess.Popen([mosquitto, "-c", tmp_path / "broker.conf"], stdout=output, stderr=output)
    try:
        for _ in range(200):
            assert process.poll() is None, log.read_text()
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        else:
            pytest.fail(f"the broker does not listen: {log.read_text()}")
        yield Broker(port)
    finally:
        process.terminate()
        process.wait(10)


@pytest.mark.broker
async def test_only_the_right_ones_may_publish(broker: Broker) -> None:
    async with broker.client(TESTER) as tester:
        await tester.subscribe("#")
        for user in MAY_PUBLISH:
            async with broker.client(user) as client:
                for topic in TOPICS:
                    await client.publish(topic, user, qos=1)
        await tester.publish(END)
        assert await heard(tester) == {(topic, user) for user, topics in MAY_PUBLISH.items() for topic in topics}


@pytest.mark.broker
@pytest.mark.parametrize("user", MAY_RECEIVE)
async def test_each_hears_its_own_topics_only(broker: Broker, user: str) -> None:
    async with broker.client(TESTER) as tester, broker.client(user) as listener:
        await listener.subscribe("#")
        for topic in (*TOPICS, END):
            await tester.publish(topic, "x", qos=1)
        assert await heard(listener) == {(topic, "x") for topic in MAY_RECEIVE[user]}


@pytest.mark.broker
@pytest.mark.parametrize(("user", "password"), [(None, None), ("surpluscharge", "guessed"), ("nobody", "guessed")])
async def test_strangers_are_refused(broker: Broker, user: str | None, password: str | None) -> None:
    with pytest.raises(aiomqtt.MqttError, match=r"[Nn]ot authori[sz]ed"):
        async with broker.client(user, password):
            pass


@pytest.mark.broker
async def test_a_will_is_no_way_round_the_access_list(broker: Broker) -> None:
    """The daemon's will switches the relay off; nobody else's will on that topic gets through."""
    async with broker.client(TESTER) as tester:
        await tester.subscribe("#")
        for user in MAY_PUBLISH:
            # One more of the same name ends the first connection without a good-bye: its will is due.
            will = aiomqtt.Will(COMMAND, user, qos=1)
            async with broker.client(user, identifier=user, will=will) as first, broker.client(user, identifier=user):
                with pytest.raises(aiomqtt.MqttError):
                    await anext(aiter(first.messages))
        await tester.publish(END)
        assert await heard(tester) == {(COMMAND, "surpluscharge")}


@pytest.mark.broker
async def test_who_takes_the_daemons_client_id_can_switch_off_only(broker: Broker) -> None:
    """The broker lets any user do that. It cuts the daemon off, and so says its will; nothing is gained by it."""
    async with broker.client(TESTER) as tester:
        await tester.subscribe("#")
        identifier = "surpluscharge-carport-relay"
        will = aiomqtt.Will(COMMAND, "off", qos=1)
        async with (
            broker.client("surpluscharge", identifier=identifier, will=will) as daemon,
            broker.client("dashboard", identifier=identifier) as taker,
        ):
            with pytest.raises(aiomqtt.MqttError):
                await anext(aiter(daemon.messages))
            await taker.subscribe("#")
            await taker.publish(COMMAND, "on", qos=1)
        await tester.publish(END)
        assert await heard(tester) == {(COMMAND, "off")}
