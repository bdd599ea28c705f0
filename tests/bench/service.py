"""The package in a Debian that is really booted: `python -m tests.bench.service --tree FOLDER [--package FILE]`.

As root, with debootstrap, systemd-container and unshare: a Debian is made in FOLDER (once; some minutes, from
Debian's archive), booted with its systemd in a container, and the package installed in it beside a Mosquitto with our
example configuration and access list, by the very commands of README.md, deploy/manual.md and deploy/mosquitto.conf. A
meter and a plug with a load are played over MQTT. Then the daemon is let charge, and each time something happens to it:
stopped, killed, frozen, its broker restarted, its power cut, upgraded from an older version, removed. Printed is how
long after that the plug, as it truly is, was off; exit status 1 where that took longer than is said, or anything else
is not so.

With --here in place of a tree, the Debian is this computer's own, under a layer that is thrown away; and what takes
longest, commissioning and an upgrade that fails, is left out. So .ci/run does it. Exit status 77 (as Automake has it)
where no container goes here.

It all runs in a network of its own, with no way out. The power cut kills all processes of the container at once: what
had been written is then there, so it tells nothing of a disk that loses what it has not been told to keep. Without a
FILE the package is made first. WATCHDOG_S is written over the unit's 30 s, as its owner would, to be quick.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import pty
import re
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from surpluscharge.history.ledger import MIGRATIONS

ROOT = Path(__file__).parent.parent.parent
OLDER = "0.0.9"
PACKAGES = "systemd,systemd-sysv,dbus,python3,mosquitto,mosquitto-clients,ca-certificates,procps,iproute2,tzdata"
NOT_HERE = 77
MONTHLY = "What it came to"  # a chapter of the manual
MIRROR = "http://deb.debian.org/debian"
PASSWORD = "invented, for this bench"
LOAD_W, SUN_W = 1390.0, 2600.0  # what the lead draws, and what is over without it
CONFIG, BASE = "etc/surpluscharge/surpluscharge.toml", "surpluscharge/carport"

# How long after it the plug may be on. At once: what a broker and a plug take on a busy machine.
AT_ONCE_S = 3.0
COMMANDED_S = 10.0  # with systemd-run, and Python's start
KEEPALIVE_S, WATCHDOG_S = 5, 10
HANGING_S = 1.5 * KEEPALIVE_S + 6.0  # MQTT 5.0, 3.1.2.10, and the few seconds between two of Mosquitto's looks
BACK_S = 15.0  # of broker and connections
STARTS_S = 40.0  # of an interpreter, on a small or busy computer, after the computer itself

STATE_OF = "systemctl is-active"
MONTH_NEXT = "systemctl show --property=NextElapseUSecRealtime --value surpluscharge-month.timer"
KILL_BROKER = "kill -9 $(systemctl show --property=MainPID --value mosquitto)"
OFF_KNOWN = {"commanded": "off", "reported": "off", "confirmed": True, "reported_age_s": 0}

now = time.monotonic


def until(said: Callable[[], Any], within_s: float, what: str) -> float:
    """Wait for something; return for how long. Raises AssertionError where it does not come."""
    began_s = now()
    while not said():
        assert now() - began_s < within_s, f"{what}: not within {within_s:g} s"
        time.sleep(0.02)
    return now() - began_s


# --- what the commands are -------------------------------------------------------------------------------------------


def commands(file: Path, heading: str) -> list[str]:
    """Return the commands in the code of a chapter, each as one line."""
    chapter = re.split(r"^## ", file.read_text(encoding="utf-8"), flags=re.MULTILINE)
    (found,) = [text for text in chapter if text.startswith(f"{heading}\n")]
    code = "".join(re.findall(r"```sh\n(.*?)```", found, re.DOTALL)).replace("\\\n", " ")
    prose = [" ".join(each.split()) for each in re.findall(r"`([^`]+)`", found)]
    return [" ".join(line.split()) for line in code.splitlines()] + prose


def command(*words: str) -> str:
    """Return the one command that begins with the first word and has all of them."""
    manual = ROOT / "deploy/manual.md"
    texts = [(ROOT / "README.md", "Install it as a service"), (manual, "Installed"), (manual, MONTHLY)]
    for file, heading in texts:
        for line in commands(file, heading):
            if line.startswith(words[0]) and all(word in line for word in words):
                return line
    raise AssertionError(f"neither README.md nor the manual says how to: {' '.join(words)}")


def broker_commands() -> list[str]:
    """Return those at the head of deploy/mosquitto.conf."""
    found = re.findall(
        r"^#   ((?:install|for|systemctl) .*)$", (ROOT / "deploy/mosquitto.conf").read_text(), re.MULTILINE
    )
    assert len(found) >= 5
    return found


# --- the computer ----------------------------------------------------------------------------------------------------


class Computer:
    """A Debian with a systemd of its own."""

    def __init__(self, tree: Path, clone: Path) -> None:
        self._tree, self._clone = tree, clone
        self._container: subprocess.Popen[bytes] | None = None
        self.first = 0

    def boot(self) -> None:
        with (self._tree.parent / "console").open("ab") as console:
            self._container = subprocess.Popen(
                [
                    *("systemd-nspawn", "--quiet", "--boot", "--register=no", "--keep-unit", "--console=pipe"),
                    *(f"--directory={self._tree}", f"--bind={self._clone}:/clone"),
                ],
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=console,
                env={**os.environ, "SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"},
            )
        until(self._init, 20.0, "the container's first process")
        until(lambda: self.run("systemctl is-system-running", check=False) in ("running", "degraded"), 60.0, "booting")

    def _init(self) -> bool:
        """Whether the container's systemd is there; it is not the first process that systemd-nspawn starts."""
        assert self._container is not None
        if self._container.poll() is not None:
            raise AssertionError(f"systemd-nspawn does not go here: {(self._tree.parent / 'console').read_text()}")
        for child in Path(f"/proc/{self._container.pid}/task/{self._container.pid}/children").read_text().split():
            with contextlib.suppress(OSError):
                status = Path(f"/proc/{child}/status").read_text()
                if re.search(r"^Name:\s+systemd$", status, re.MULTILINE) and re.search(
                    r"^NSpid:\s.*\t1$", status, re.MULTILINE
                ):
                    self.first = int(child)
                    return True
        return False

    def cut(self) -> None:
        """Take the power away."""
        os.kill(self.first, signal.SIGKILL)
        assert self._container is not None
        self._container.kill()
        self._container.wait()

    @property
    def root(self) -> Path:
        return Path(f"/proc/{self.first}/root")

    def _inside(self, line: str) -> list[str]:
        place = "cd /clone && " if "./dist/" in line else "cd /usr/share/doc/surpluscharge 2>/dev/null; "
        return [
            "nsenter",
            "--all",
            f"--target={self.first}",
            "env",
            "PATH=/usr/sbin:/usr/bin:/sbin:/bin",
            "DEBIAN_FRONTEND=noninteractive",
            "sh",
            "-c",
            place + line,
        ]

    def run(self, line: str, check: bool = True) -> str:
        done = subprocess.run(self._inside(line), capture_output=True, text=True, timeout=180, check=False, input="y\n")
        assert done.returncode == 0 or not check, f"{line}: {done.returncode}\n{done.stdout}\n{done.stderr}"
        return (done.stdout + done.stderr).strip()

    def at_terminal(self, line: str, answers: dict[str, str], within_s: float) -> str:
        """Run a command at a terminal, and answer what it asks."""
        ours, theirs = pty.openpty()
        process = subprocess.Popen(
            self._terminal(line), stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
        )
        os.close(theirs)
        text, seen, began_s = "", 0, now()
        try:
            while process.poll() is None:
                assert now() - began_s < within_s, f"{line}: not within {within_s:g} s\n{text}"
                if not select.select([ours], [], [], 0.2)[0]:
                    continue
                with contextlib.suppress(OSError):
                    text += os.read(ours, 65536).decode(errors="replace")
                for question, answer in answers.items():
                    if question in text[seen:]:
                        seen = len(text)
                        os.write(ours, f"{answer}\n".encode())
            with contextlib.suppress(OSError):
                while select.select([ours], [], [], 0.1)[0]:
                    text += os.read(ours, 65536).decode(errors="replace")
        finally:
            if process.poll() is None:
                process.kill()
            os.close(ours)
        assert process.returncode == 0, f"{line}: {process.returncode}\n{text}"
        return text

    def _terminal(self, line: str) -> list[str]:
        # setsid(1) of the container makes the terminal the command's own.
        return ["setsid", "--ctty", "--wait", *self._inside(line)]

    def pid(self) -> int:
        """Return the daemon's process, as we see it."""
        inner = self.run("systemctl show --property=MainPID --value surpluscharge")
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                with contextlib.suppress(OSError):
                    words = re.search(r"^NSpid:\s+(.*)$", (entry / "status").read_text(), re.MULTILINE)
                    if words and words[1].split()[1:] == [inner] and "surpluscharge" in (entry / "cmdline").read_text():
                        return int(entry.name)
        raise AssertionError("the daemon does not run")


# --- what is connected -----------------------------------------------------------------------------------------------


class Wire:
    """A connection that comes back by itself."""

    def __init__(self, user: str, topics: list[str], on_message: Callable[[str, bytes, bool], None]) -> None:
        self.client = Client(
            CallbackAPIVersion.VERSION2, client_id=f"{user}-played", protocol=MQTTProtocolVersion.MQTTv5
        )
        self.client.username_pw_set(user, PASSWORD)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = lambda *_: [self.client.subscribe(topic, 1) for topic in topics]

        def heard(_client: Client, _data: object, message: MQTTMessage) -> None:
            on_message(message.topic, bytes(message.payload), message.retain)

        self.client.on_message = heard
        self.client.connect_async("127.0.0.1", 1883, keepalive=10)
        self.client.loop_start()

    def say(self, topic: str, payload: str, retain: bool = False) -> None:
        if self.client.is_connected():
            self.client.publish(topic, payload, 0, retain)


class House:
    """A meter, a plug that obeys and reports, a load behind it, and somebody at a dashboard."""

    def __init__(self) -> None:
        self.on = False
        self.loaded = False  # whether lead and car are in the plug
        self.off_s = -1.0  # when it last went off
        self.known_off_s = -1.0  # when the daemon last said that it is
        self.holds_until_s = 0.0
        self.status: dict[str, Any] = {}
        self.availability = ""
        self._count = 0
        self.plug = Wire("plug", ["carport/plug/relay/set"], self._told)
        self.meter = Wire("meter", [], lambda *_: None)
        self.dashboard = Wire("dashboard", [f"{BASE}/#"], self._heard)
        threading.Thread(target=self._speak, daemon=True).start()

    def _told(self, _topic: str, payload: bytes, _retained: bool) -> None:
        asked = json.loads(payload)
        if asked["contact"] == "closed":
            self.holds_until_s = now() + asked["for_s"]
        self._move(asked["contact"] == "closed")

    def _move(self, on: bool) -> None:
        if self.on and not on:
            self.off_s = now()
        self.on = on
        self._report()

    def _report(self) -> None:
        self.plug.say("carport/plug/relay", json.dumps({"contact": "closed" if self.on else "open"}), retain=True)
        self.plug.say("carport/plug/power", json.dumps({"power_w": LOAD_W if self.on and self.loaded else 0.0}))

    def _heard(self, topic: str, payload: bytes, _retained: bool) -> None:
        if topic == f"{BASE}/status":
            self.status = json.loads(payload)
            if self.status["relay"] | {"reported_age_s": 0} == OFF_KNOWN:
                self.known_off_s = now()
        elif topic == f"{BASE}/availability":
            self.availability = payload.decode()

    def _speak(self) -> None:
        while True:
            self._count += 1
            if self.on and now() > self.holds_until_s:
                self._move(False)
            if self._count % 2 == 0:
                self._report()
            net_w = (LOAD_W if self.on and self.loaded else 0.0) - SUN_W + self._count % 7
            self.meter.say("house/grid", json.dumps({"net_w": net_w}))
            time.sleep(0.5)


# --- what is done ----------------------------------------------------------------------------------------------------


class Run:
    def __init__(self, computer: Computer, clone: Path, newer: Path, older: Path) -> None:
        self.computer, self.clone, self.newer, self.older = computer, clone, newer, older
        self.house = House()
        self.began_s = now()
        self.worst: list[str] = []

    def say(self, what: str, figure: str = "") -> None:
        print(f"{now() - self.began_s:6.1f} s  {what:<58} {figure}", flush=True)

    def off(self, what: str, since_s: float, within_s: float) -> None:
        """Say how long after a moment the plug was off."""
        try:
            # Off by now, or on again since: what was waited for may have taken longer than the pause.
            until(lambda: self.house.off_s >= since_s or not self.house.on, within_s + 30.0, what)
        except AssertionError as error:
            self.worst.append(str(error))
            self.say(f"{what}: STILL ON")
            return
        took_s = max(0.0, self.house.off_s - since_s)
        figure = f"off after {took_s:5.2f} s   (at most {within_s:g})"
        if took_s > within_s:
            self.worst.append(f"{what}: {figure}")
            figure += "   TOO LATE"
        self.say(what, figure)

    def charging(self) -> None:
        """Wait until it charges, and the daemon knows it."""
        house = self.house
        try:
            until(
                lambda: house.on and house.status.get("state") == "charging" and house.status["relay"]["confirmed"],
                60.0,
                "a charge",
            )
        except AssertionError:
            raise AssertionError(f"no charge: {json.dumps(house.status)}\n{self.journal(40)}") from None

    def journal(self, count: int = 400) -> str:
        return self.computer.run(
            f"journalctl --unit=surpluscharge --output=short-iso --no-pager --lines={count}", check=False
        )

    def install(self, package: Path) -> str:
        """By README.md's line, with one package in dist/."""
        for old in (self.clone / "dist").iterdir():
            old.unlink()
        shutil.copy(package, self.clone / "dist")
        return self.computer.run(command("apt-get install ./dist"))

    def configure(self) -> None:
        """What one does with an editor: who it is at the broker; and all times so short that this is quick."""
        file = self.computer.root / CONFIG
        text = file.read_text()
        for key, value in (
            ("username", '"surpluscharge"'),
            ("password", '{ credential = "mqtt-password" }'),
            ("keepalive_s", f"{KEEPALIVE_S}"),
            ("start_export_w", "1000"),
            ("stop_import_w", "500"),
            ("start_delay_s", "0"),
            ("min_on_s", "2"),
            ("min_off_s", "2"),
            ("starts_per_hour", "60"),
            ("starts_per_day", "96"),
            ("rearm", '"manual"'),
            ("heartbeat_s", "1"),
            ("batch_s", "10"),
        ):
            text, count = re.subn(
                rf"^#? ?(?:e\.g\. )?{key} = .*$", f"{key} = {value}", text, count=1, flags=re.MULTILINE
            )
            assert count == 1, key
        file.write_text(text)

    def all(self, brief: bool) -> None:
        self.prepare()
        if not brief:
            self.commission()
        self.house.loaded = True
        self.start()
        self.monthly()
        self.mishaps()
        self.month_made_up()
        self.reload()
        self.power_cut()
        self.upgrade()
        self.renew_ledger()
        if not brief:
            self.upgrade_without_broker()
        self.remove()

    def prepare(self) -> None:
        computer = self.computer
        self.install(self.older)
        assert computer.run("surpluscharge --version") == f"surpluscharge {OLDER}"
        assert computer.run(
            "systemctl is-enabled surpluscharge; systemctl is-active surpluscharge", check=False
        ).split() == [
            "disabled",
            "inactive",
        ]
        self.say(f"{OLDER} is installed, and does nothing by itself")
        for line in broker_commands():
            computer.at_terminal(line, {"Password: ": PASSWORD, "Reenter password: ": PASSWORD}, 30.0)
        self.say("the broker has our access list")
        self.configure()
        computer.at_terminal(command("(umask 077"), {"MQTT password:": PASSWORD}, 30.0)
        secret = computer.root / "etc/credstore/surpluscharge-mqtt-password"
        assert (secret.read_text(), secret.stat().st_mode & 0o777) == (PASSWORD, 0o600)
        said = computer.run(command("systemd-run", "surpluscharge check"))
        assert "can be used" in said, said
        self.say("the password is in the credential store, and the configuration is checked")

    def commission(self) -> None:
        line = command("systemd-run", "surpluscharge commission") + " relay"
        text = self.computer.at_terminal(
            line,
            {"to go on:": "yes", "[yes, or skip]": "yes", "[yes, no, cannot tell, or skip; within 1 min]": "yes"},
            150.0,
        )
        assert "good" in text and "wrong" not in text, text
        self.say("commissioned, at a terminal, by systemd-run: the relay obeys")
        assert not self.house.on

    def start(self) -> None:
        computer, began_s = self.computer, now()
        dropin = computer.root / "etc/systemd/system/surpluscharge.service.d"
        dropin.mkdir()
        (dropin / "override.conf").write_text(f"[Service]\nWatchdogSec={WATCHDOG_S}s\n")
        computer.run("systemctl daemon-reload")
        computer.run(command("systemctl enable"))
        self.say("enabled and started by systemd", f"ready after {now() - began_s:.1f} s")
        until(lambda: self.house.availability == "ready" and self.house.status, 10.0, "ready")
        assert self.house.status["enabled"] is False and not self.house.on
        began_s = now()
        self.house.dashboard.client.publish(f"{BASE}/enable/set", "on", 1)
        self.charging()
        self.say("enabled by its topic", f"charges after {now() - began_s:.1f} s")

    def monthly(self) -> None:
        """Enable the timer; then let a first of the month go by while it does not run."""
        computer = self.computer
        dropin = computer.root / "etc/systemd/system/surpluscharge-month.timer.d"
        dropin.mkdir()
        (dropin / "override.conf").write_text("[Timer]\nRandomizedDelaySec=0\n")  # to be quick
        computer.run("systemctl daemon-reload")
        computer.run(command("systemctl enable", "surpluscharge-month.timer"))
        self.say("the monthly timer is enabled, and waits", computer.run(MONTH_NEXT))
        assert computer.run(f"{STATE_OF} surpluscharge-month.service", check=False) == "inactive"
        # systemd.timer(5), Persistent=: by this file's time it knows when it ran last. 40 days have a first in them.
        stamp = "/var/lib/systemd/timers/stamp-surpluscharge-month.timer"
        computer.run(f"systemctl stop surpluscharge-month.timer; touch --date='40 days ago' {stamp}")
        computer.run("systemctl start surpluscharge-month.timer")
        assert computer.run(f"{STATE_OF} surpluscharge-month.service", check=False) == "activating"

    def month_made_up(self) -> None:
        computer = self.computer
        until(
            lambda: computer.run(f"{STATE_OF} surpluscharge-month.service", check=False) != "activating",
            120.0,
            "the month's report",
        )
        journal = computer.run("journalctl --unit=surpluscharge-month --no-pager", check=False)
        assert self.reports(), journal
        assert computer.run(f"{STATE_OF} surpluscharge-month.service", check=False) == "inactive", journal
        self.say("the timer has made up for the month that it missed", " ".join(self.reports()))

    def reports(self) -> list[str]:
        folder = self.computer.root / "var/lib/surpluscharge/reports"
        return sorted(each.name for each in folder.iterdir()) if folder.exists() else []

    def mishaps(self) -> None:
        computer, house = self.computer, self.house
        began_s = now()
        house.dashboard.client.publish(f"{BASE}/enable/set", "off", 1)
        self.off("disabled by its topic", began_s, AT_ONCE_S)
        line = command("systemd-run", "surpluscharge check")
        assert ", enabled" in computer.run(line.replace("surpluscharge check", "surpluscharge enable"))
        self.charging()
        began_s = now()
        assert ", disabled" in computer.run(line.replace("surpluscharge check", "surpluscharge disable"))
        self.off("disabled by the command, with its start", began_s, COMMANDED_S)
        house.dashboard.client.publish(f"{BASE}/enable/set", "on", 1)

        self.charging()
        began_s = now()
        computer.run("systemctl stop surpluscharge")
        self.off("systemctl stop", began_s, AT_ONCE_S)
        assert house.availability == "disconnected"
        computer.run("systemctl start surpluscharge")

        self.charging()
        pid, began_s = computer.pid(), now()
        os.kill(pid, signal.SIGKILL)
        self.off("kill -9", began_s, AT_ONCE_S)
        self.charging()
        self.say("  systemd has started it again", f"charges after {now() - began_s:.1f} s")

        pid, began_s = computer.pid(), now()
        os.kill(pid, signal.SIGSTOP)
        self.off("the loop frozen (SIGSTOP)", began_s, HANGING_S)
        until(lambda: not Path(f"/proc/{pid}").exists(), WATCHDOG_S + 20.0, "the watchdog")
        self.say("  systemd's watchdog has killed it", f"after {now() - began_s:.1f} s")
        self.charging()
        self.say("  and started it again", f"charges after {now() - began_s:.1f} s")

        began_s = now()
        computer.run("systemctl restart mosquitto")
        self.off("the broker restarted", began_s, BACK_S)
        self.charging()

        began_s = now()
        computer.run(KILL_BROKER)
        self.off("the broker killed; systemd starts it again", began_s, BACK_S)
        self.charging()

    def reload(self) -> None:
        file = self.computer.root / CONFIG
        file.write_text(file.read_text().replace("stop_import_w = 500", "stop_import_w = 700"))
        self.computer.run("systemctl reload surpluscharge")
        until(lambda: self.house.status["thresholds"]["stop_import_w"] == 700.0, 10.0, "the reload")
        assert self.house.on
        self.say("reloaded in mid-charge: the new threshold is in force, the charge goes on")

    def power_cut(self) -> None:
        self.charging()
        starts = self.house.status["today"]["starts"]
        self.computer.cut()
        self.house.availability = ""
        time.sleep(2.0)
        assert self.house.on, "nobody can have told it"
        began_s = now()
        self.computer.boot()
        self.say("the power was cut in mid-charge, and the computer has booted", f"{now() - began_s:.1f} s")
        self.off("told off after that, from the power being back on", began_s, STARTS_S)
        until(lambda: self.house.known_off_s >= began_s, STARTS_S, "that it is off")
        assert self.house.status["enabled"] is True
        if self.house.status["state"] == "locked-out":
            # What this computer's clock and the last one's have in common nobody knows: it may have been on for days.
            self.say("  taken to have been on longer than any cap", f"{self.house.status['waiting_for']}")
            for word in ("off", "on"):
                self.house.dashboard.client.publish(f"{BASE}/enable/set", word, 1)
        self.charging()
        assert self.house.status["today"]["starts"] > starts, "the starts of before are counted"
        self.say("  it is still enabled", f"charges after {now() - began_s:.1f} s")

    def upgrade(self) -> None:
        computer, house, began_s = self.computer, self.house, now()
        mine = (computer.root / CONFIG).read_bytes()
        said = self.install(self.newer)
        self.off(f"upgraded from {OLDER} in mid-charge", began_s, STARTS_S)
        assert "its relay confirmed off" in said and "starting surpluscharge.service again" in said, said
        assert computer.run("surpluscharge --version") != f"surpluscharge {OLDER}"
        assert (computer.root / CONFIG).read_bytes() == mine
        assert "WatchdogUSec=10s" in computer.run("systemctl show --property=WatchdogUSec surpluscharge")
        until(lambda: house.availability == "ready", STARTS_S, "ready after the upgrade")
        self.charging()
        self.say("  configuration and the owner's changes are as they were", f"charges after {now() - began_s:.1f} s")
        assert computer.run(f"{STATE_OF} surpluscharge-month.timer") == "active"
        assert computer.run("dpkg --verify surpluscharge") == ""

    def renew_ledger(self) -> None:
        """Lay an empty ledger of the first version in the ledger's place, and start the daemon."""
        computer, folder = self.computer, self.computer.root / "var/lib/surpluscharge"
        began_s = now()
        computer.run("systemctl stop surpluscharge")
        self.off("systemctl stop, once more", began_s, AT_ONCE_S)
        ledger, copy = folder / "history-carport.sqlite", folder / "history-carport.version-1.sqlite"
        owner = ledger.stat()
        first = self.clone / "first.sqlite"  # made here: SQLite follows /proc/PID/root out of the container
        with contextlib.closing(sqlite3.connect(first)) as db:
            db.executescript(f"{MIGRATIONS[0]}; PRAGMA user_version = 1")
        ledger.unlink()
        shutil.copy(first, ledger)
        os.chown(ledger, owner.st_uid, owner.st_gid)
        computer.run("systemctl start surpluscharge")
        until(copy.exists, 20.0, "the copy of the ledger")
        assert copy.stat().st_mode & 0o777 == 0o600
        self.charging()
        said = computer.run(command("runuser", "surpluscharge report"))
        self.say("a ledger of the first version is renewed, and a copy kept", f"reported: {said.splitlines()[0]}")

    def upgrade_without_broker(self) -> None:
        """As dpkg calls its scripts for an upgrade that fails; while there is no broker, nobody can tell it off."""
        computer, scripts = self.computer, "/var/lib/dpkg/info/surpluscharge"
        # Killed: one that is stopped in good order says the will first.
        computer.run(f"{KILL_BROKER}; systemctl stop mosquitto")
        said = computer.run(f"{scripts}.prerm upgrade 99")
        assert "could NOT be told off. GO AND LOOK" in said, said
        assert self.house.on, "nobody can have told it"
        self.say("stopped for an upgrade without a broker: still on, and it says so", said.splitlines()[-1])
        began_s = now()
        computer.run(f"systemctl start mosquitto; {scripts}.postinst abort-upgrade 99")
        self.off("the broker is back, and the upgrade given up", began_s, STARTS_S)
        self.charging()

    def remove(self) -> None:
        computer, began_s = self.computer, now()
        said = computer.run(command("apt-get remove"))
        self.off("removed in mid-charge", began_s, STARTS_S)
        assert "its relay confirmed off" in said, said
        self.say("  and says so", re.findall(r"surpluscharge: (surpluscharge.service .*)", said)[0])
        left = [
            each
            for each in (
                "usr/bin/surpluscharge",
                "usr/lib/surpluscharge",
                CONFIG,
                "var/lib/surpluscharge/history-carport.sqlite",
            )
            if (computer.root / each).exists()
        ]
        assert left == [CONFIG, "var/lib/surpluscharge/history-carport.sqlite"], left
        links = computer.root / "etc/systemd/system/multi-user.target.wants"
        assert not os.path.lexists(links / "surpluscharge.service")
        assert not os.path.lexists(links.with_name("timers.target.wants") / "surpluscharge-month.timer")
        said = computer.run(command("apt-get purge"))
        assert "is kept in /var/lib/surpluscharge" in said, said
        assert not (computer.root / "etc/surpluscharge").exists()
        assert not (computer.root / "etc/credstore/surpluscharge-mqtt-password").exists()
        assert (computer.root / "var/lib/surpluscharge/history-carport.sqlite").exists()
        self.say("  configuration and ledger stayed; purged, the ledger alone")


def essence(journal: str) -> Iterator[str]:
    """Yield what happened, in a line each: events of ours by name, systemd's words, and neither twice in a row."""
    dull = ("config_warning", "connect_failed", "relay_reported", "restored", "  File", "Thread", "Current thread")
    last = ""
    for line in journal.splitlines():
        found = re.match(r"(\S+)T(\S+)[+-][\d:]+ \S+ (\w+)\S*: (.*)", line)
        if not found:
            continue
        _, at, who, what = found.groups()
        if what.startswith("{"):
            event = json.loads(what)
            keep = (
                "reason",
                "state",
                "new",
                "code",
                "on",
                "by",
                "link",
                "relay_confirmed_off",
                "cause",
                "kept_as",
                "version",
            )
            what = " ".join([event.pop("event"), *(f"{key}={event[key]}" for key in keep if key in event)])
        if what != last and not what.startswith(dull) and "CPU time" not in what:
            yield f"  {at}  {who[:12]:<12}  {what[:110]}"
        last = what


# --- what it takes ---------------------------------------------------------------------------------------------------


def debian(folder: Path, suite: str) -> Path:
    """Return a tree of Debian, made if it is not there yet."""
    tree, done = folder / suite, folder / f"{suite}.done"
    if not done.exists():
        print(f"making a Debian in {tree}: some minutes, once", flush=True)
        shutil.rmtree(tree, ignore_errors=True)
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / "debootstrap.log").open("wb") as log:
            call = ["debootstrap", "--variant=minbase", f"--include={PACKAGES}", suite, str(tree), MIRROR]
            if subprocess.run(call, stdout=log, stderr=log, check=False).returncode:
                raise SystemExit(f"debootstrap failed: see {log.name}")
        # Debian's installer writes the one. The other: no disk need be waited for, the tree is thrown away.
        (tree / "etc/hosts").write_text("127.0.0.1 localhost\n::1 localhost\n")
        (tree / "etc/dpkg/dpkg.cfg.d/bench").write_text("force-unsafe-io\n")
        done.touch()
    return tree


def made() -> Path:
    """Make the package of this checkout."""
    print("making the package", flush=True)
    architecture = subprocess.run(
        ["dpkg", "--print-architecture"], capture_output=True, text=True, check=True
    ).stdout.strip()
    subprocess.run(
        ["sh", ROOT / "deploy/package.sh"],
        check=True,
        env={**os.environ, "ARCHITECTURES": architecture},
        stdout=subprocess.DEVNULL,
    )
    (package,) = (ROOT / "dist").glob(f"surpluscharge_*_{architecture}.deb")
    return package


def with_older_number(package: Path, folder: Path) -> Path:
    """Return the same package under the number of an older version: what the upgrade is made from."""
    tree = folder / "older"
    subprocess.run(["dpkg-deb", "--raw-extract", package, tree], check=True)
    version = re.search(r"^Version: (.*)$", (tree / "DEBIAN/control").read_text(), re.MULTILINE)
    assert version is not None
    for file in (tree / "DEBIAN/control", tree / "usr/lib/surpluscharge/surpluscharge/__init__.py"):
        text = file.read_text()
        assert version[1] in text
        file.write_text(text.replace(version[1], OLDER))
    (tree / "DEBIAN/md5sums").unlink()
    older = folder / f"surpluscharge_{OLDER}_{package.stem.rpartition('_')[2]}.deb"
    subprocess.run(["dpkg-deb", "-Zgzip", "-z1", "--build", tree, older], check=True, stdout=subprocess.DEVNULL)
    return older


def alone(tree: Path, package: Path) -> int:
    """All of it, in a network and a view of the file system that are our own."""
    here = tree == Path("/")
    with tempfile.TemporaryDirectory(prefix="surpluscharge-bench-") as name:
        folder = Path(name)
        computer = Computer(folder / "root", folder / "clone")
        began_s = now()
        try:
            subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
            # The upper layer may not lie within the lower one.
            subprocess.run(["mount", "-t", "tmpfs", "tmpfs", folder], check=True)
            for each in ("upper", "work", "root", "clone/dist"):
                (folder / each).mkdir(parents=True)
            layers = f"lowerdir={tree},upperdir={folder / 'upper'},workdir={folder / 'work'}"
            subprocess.run(["mount", "-t", "overlay", "overlay", "-o", layers, folder / "root"], check=True)
            # An image of Debian may forbid its packages to start anything (invoke-rc.d(8)); a computer does not. And
            # a catalogue that wants to hear of each package takes more time than all the rest.
            for each in ("usr/sbin/policy-rc.d", "etc/apt/apt.conf.d/20packagekit"):
                (folder / "root" / each).unlink(missing_ok=True)
            computer.boot()
        except (AssertionError, OSError, subprocess.CalledProcessError) as error:
            print(f"no container goes here: {error}")
            with contextlib.suppress(Exception):
                computer.cut()
            subprocess.run(["umount", "--lazy", "--recursive", folder], check=False)
            return NOT_HERE
        print(f"booted after {now() - began_s:.1f} s", flush=True)
        run = Run(computer, folder / "clone", package, with_older_number(package, folder))
        journal = ""
        try:
            run.all(brief=here)
        except AssertionError as error:
            run.worst.append(str(error))
        finally:
            with contextlib.suppress(Exception):
                journal = run.journal()
            with contextlib.suppress(Exception):
                computer.cut()
            subprocess.run(["umount", "--lazy", "--recursive", folder], check=False)
    print("\nthe journal, in short:")
    print("\n".join(essence(journal)))
    verdict = "\n".join(["FAILED:", *run.worst]) if run.worst else "all as it should be"
    print(f"\n{verdict}\n(in {now() - run.began_s:.0f} s)")
    return 1 if run.worst else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    debians = parser.add_mutually_exclusive_group(required=True)
    debians.add_argument("--tree", type=Path, help="folder in which the Debian is kept from run to run")
    debians.add_argument("--here", action="store_true", help="this computer's own Debian, and the short run")
    parser.add_argument("--suite", default="bookworm", help="bookworm (Debian 12, the default) or trixie (13)")
    parser.add_argument("--package", type=Path, help="the package to try (default: that of this checkout is made)")
    parser.add_argument("--alone", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.alone:
        return alone(options.tree, options.package)
    needed = [*(() if options.here else ("debootstrap",)), "systemd-nspawn", "unshare", "nsenter", "dpkg-deb"]
    missing = [tool for tool in needed if not shutil.which(tool)]
    if os.geteuid() != 0 or missing:
        print(f"needs root, and {', '.join(missing or needed)}: apt-get install debootstrap systemd-container")
        return NOT_HERE
    apart = ["unshare", "--net", "--mount"]
    if subprocess.run([*apart, "true"], check=False).returncode:
        print("no container goes here: unshare is not permitted")
        return NOT_HERE
    tree = Path("/") if options.here else debian(options.tree.absolute(), options.suite)
    package = (options.package or made()).absolute()
    again = [sys.executable, "-m", "tests.bench.service", "--alone", "--tree", str(tree), "--package", str(package)]
    return subprocess.run([*apart, *again], check=False).returncode


if __name__ == "__main__":
    raise SystemExit(main())
