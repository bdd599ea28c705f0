"""The daemon on a disk that fails: `python -m tests.bench.disks [--kind full ...] [--times 5]`.

As root, with mount(8), fsfreeze(8) and e2fsck(8): the real daemon at a real Mosquitto, with what it keeps on
an ext4 of its own, in a file. In mid-charge the disk becomes

- `full`: a file takes all there is,
- `frozen`: nobody who writes comes back (fsfreeze), as on a card that hangs,
- `broken`: its file system has found an error, and is read-only until it is repaired (what errors=remount-ro is for),

and, from the start on,

- `read-only`, and writable later (mount -o remount),
- `slow`: it stands still for a second and a half, again and again (fsfreeze, as above),

and then comes back. Held against it: whatever ends a charge ends it as soon as on a sound disk (disabled by its topic,
the meter silent, SIGTERM, kill -9); the daemon goes on and says what is wrong, in status and log; that it is disabled
is said by its topic only once that is on the disk (a kill -9 right then must not undo it); and when the disk is back,
all that waited is in the ledger, without a gap. Printed are the times; exit status 1 where anything is not so.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import shutil
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from aiomqtt import Message

from tests.bench.outside import (
    ENABLE,
    ENABLE_SET,
    GRID,
    POWER,
    REPORT,
    STATUS,
    Broker,
    Daemon,
    House,
    Plug,
    Wire,
    now,
)
from tests.bench.plain import plain

ROOT = Path(__file__).parents[2]
KINDS = ("full", "frozen", "broken", "read-only", "slow")
SIZE_BYTES = 24_000_000
FRESH_S, BATCH_S, HEARTBEAT_S, KEEPALIVE_S = 3.0, 10.0, 1.0, 5
STANDS_S, GOES_S = 1.5, 0.1  # of a slow disk
SAVED_WITHIN_S = 60.0 + 5.0  # it writes once a minute, and a write that takes more than five seconds counts as failing
HANGING_S = 1.5 * KEEPALIVE_S + 6.0  # MQTT 5.0, 3.1.2.10, and the few seconds between two of Mosquitto's looks
# Common practice, for a busy machine: at once; later than on the sound disk, in the median; a start.
AT_ONCE_S, LATER_S, STARTS_S = 1.0, 0.25, 40.0
SILENT_S = 5.0 + 2 * HEARTBEAT_S  # what it says waits five seconds for a disk (invariant 12), and no longer
SETTLES_S = 2.5  # until what a start has to be on the disk for is there, after the pause between two writes


class Disk:
    """An ext4 in a file, and what may become of it."""

    def __init__(self, folder: Path) -> None:
        self.place = folder / "disk"
        self._image = folder / "image"
        self.place.mkdir()
        with self._image.open("wb") as file:
            file.truncate(SIZE_BYTES)
        _run("mkfs.ext4", "-q", "-F", self._image)
        self.mount()

    def mount(self) -> None:
        _run("mount", "-o", "loop,errors=remount-ro", self._image, self.place)

    def unmount(self) -> None:
        _run("umount", self.place)

    def fail(self, kind: str) -> None:
        if kind == "full":
            with contextlib.suppress(OSError), (self.place / "filler").open("wb", buffering=0) as file:
                for size in (65536, 512):
                    with contextlib.suppress(OSError):
                        while True:
                            file.write(bytes(size))
                raise OSError
        elif kind == "frozen":
            _run("fsfreeze", "--freeze", self.place)
        elif kind == "broken":
            device = subprocess.run(
                ["findmnt", "--noheadings", "--output=SOURCE", self.place], capture_output=True, text=True, check=True
            ).stdout.strip()
            Path(f"/sys/fs/ext4/{Path(device).name}/trigger_fs_error").write_text("1")

    def mend(self, kind: str) -> None:
        if kind == "full":
            (self.place / "filler").unlink()
        elif kind == "frozen":
            _run("fsfreeze", "--unfreeze", self.place)
        elif kind == "broken":  # nobody can have a file open in it
            self.unmount()
            assert subprocess.run(["e2fsck", "-p", "-f", self._image], check=False, capture_output=True).returncode < 4
            self.mount()
        elif kind == "read-only":
            _run("mount", "-o", "remount,rw", self.place)


def _run(*command: str | Path) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: {done.stderr}"


class Recorded(NamedTuple):
    begin_ms: int
    end_ms: int
    known_ms: int
    charges: int


class Trial:
    """One kind of disk, and all that is seen of the daemon on it."""

    def __init__(self, kind: str, folder: Path, times: int) -> None:
        self.kind, self.times = kind, times
        self.disk = Disk(folder)
        self.broker = Broker(folder)
        self.log, self.config = folder / "daemon.log", folder / "bench.toml"
        self.state = self.disk.place / "state"
        self.config.write_text(
            plain(
                self.broker.port,
                self.state,
                mqtt={"keepalive_s": KEEPALIVE_S},
                meter=[{"topic": GRID, "pointer": "/net_w", "fresh_s": FRESH_S}],
                relay={"feedback": {"topic": REPORT}, "power": {"topic": POWER, "fresh_s": 5}},
                site={"time_zone": "UTC"},
                status={"heartbeat_s": HEARTBEAT_S},
                history={"resolution_s": 1, "batch_s": BATCH_S},
            )
        )
        self.plug = Plug(self.broker.port, 1380.0, 0.0, 0.0, True, lambda _: None)
        self.house = House(self.broker.port, self.plug, 1, True)
        self.watch = Wire(self.broker.port, "watch", [ENABLE, STATUS], self._heard)
        self.status: dict[str, Any] = {}
        self.enable = ""
        self.status_s = 0.0
        self.began_s = self.silent_s = 0.0
        self.longest = 0.0, ""  # between two status documents of one daemon, and after what
        self.doing = ""
        self.stalls = True
        self.offs: dict[str, list[float]] = {}
        self.wrong: list[str] = []
        self.process: subprocess.Popen[bytes] | None = None

    def _heard(self, message: Message) -> None:
        topic, text = message.topic.value, bytes(message.payload).decode()  # type: ignore[arg-type]
        if topic == STATUS:
            if self.status_s:
                self.longest = max(self.longest, (now() - self.status_s, self.doing))
            self.status, self.status_s = json.loads(text), now()
        elif topic == ENABLE:
            self.enable = text

    # --- the daemon ---------------------------------------------------------------------------------------------------

    def start(self) -> None:
        self.process = Daemon(self.config, self.log, ROOT).process

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    async def ended(self, within_s: float) -> int:
        process = self.process
        assert process is not None
        await self.until(lambda: process.poll() is not None, within_s, "the daemon's end")
        await asyncio.sleep(0.5)  # what it said last has come
        self.status, self.status_s = {}, 0.0
        return process.returncode

    def events(self, name: str) -> list[dict[str, Any]]:
        lines = self.log.read_text(encoding="utf-8", errors="replace").splitlines()
        return [event for line in lines if line.startswith("{") and (event := json.loads(line))["event"] == name]

    def faults(self) -> set[str]:
        return {fault["code"] for fault in self.status.get("faults", [])}

    async def until(self, said: Callable[[], Any], within_s: float, what: str) -> float:
        began_s = now()
        while not said():
            if now() - began_s > within_s:
                raise AssertionError(f"{what}: not within {within_s:g} s; {self.status.get('why')}; {self.faults()}")
            await asyncio.sleep(0.005)
        return now() - began_s

    # --- what is done -------------------------------------------------------------------------------------------------

    async def charge(self, within_s: float = 90.0) -> float:
        """Let it charge; return how long that took."""
        began_s = now()
        if self.house.silent:
            self.silent_s += max(0.0, began_s - self.house.last_good_s - FRESH_S)
        self.house.silent, self.house.surplus_w = False, House.SUN_W
        await self.watch.say(ENABLE_SET, "on", qos=1)
        await self.until(
            lambda: self.plug.on and self.status["state"] == "charging" and self.status["relay"]["confirmed"],
            within_s,
            "a charge",
        )
        return now() - began_s

    async def off(self, name: str, does: Callable[[], Any], within_s: float) -> None:
        """Let something end the charge, and note how long that took."""
        assert self.plug.on, f"{name}: it does not charge"
        self.doing, began_s, done = name, now(), does()
        if asyncio.iscoroutine(done):
            await done
        try:
            await self.until(lambda: not self.plug.on, within_s + 20.0, name)
        except AssertionError as error:
            self.wrong.append(str(error))
            return
        took_s = self.plug.moves[-1].at_s - began_s
        self.offs.setdefault(name, []).append(took_s)
        if took_s > within_s:
            self.wrong.append(f"{name}: off after {took_s:.2f} s, at most {within_s:g}")

    def disable(self) -> Any:
        return self.watch.say(ENABLE_SET, "off", qos=1)

    def hush(self) -> None:
        self.house.silent = True

    def hold(self, true: object, what: str) -> None:
        if not true:
            self.wrong.append(what)

    async def settled(self) -> None:
        """Let it charge, and write what is due with a start."""
        await self.charge()
        await self.until(lambda: self.enable == "true", 10.0, "the word that it is enabled")
        await asyncio.sleep(SETTLES_S)

    async def sound(self) -> None:
        """Measure, on a sound disk or one that is always slow, what the others are held against."""
        how = "slow" if self.kind == "slow" else "sound"
        for turn in range(self.times):
            took_s = await self.charge()
            if turn == 0:
                self.say(f"a start, {how}", f"after {took_s:.2f} s")
            await self.off(f"disabled, {how}", self.disable, AT_ONCE_S)
            said_s = await self.until(lambda: self.enable == "false", 10.0, "the word that it is disabled")
            if turn == 0:
                self.say("and the word about it", f"after {said_s:.2f} s")
        await self.charge()
        await self.off(f"meter silent, {how}", self.hush, FRESH_S + AT_ONCE_S)

    async def stall(self) -> None:
        """Let the disk stand still again and again, as long as it is to."""
        while self.stalls:
            await asyncio.to_thread(self.disk.fail, "frozen")
            await asyncio.sleep(STANDS_S)
            self.disk.mend("frozen")
            await asyncio.sleep(GOES_S)

    def recorded(self) -> Recorded:
        """Return what the ledger has, to whoever opens it now."""
        (file,) = (each for each in self.state.glob("history-*.sqlite") if ".version-" not in each.name)
        with contextlib.closing(sqlite3.connect(file)) as db:
            spans = db.execute("SELECT MIN(begin_ms), MAX(end_ms), SUM(known_ms) FROM interval").fetchone()
            charges = db.execute("SELECT COUNT(*) FROM charge").fetchone()[0]
        return Recorded(*(value or 0 for value in spans), charges)

    async def failing(self) -> None:
        """In mid-charge: the disk fails, and charging is disabled; or nobody does anything; or the meter is silent."""
        for turn in range(self.times):
            await self.settled()
            before = self.recorded()
            self.disk.fail(self.kind)
            await self.off("disabled, failing", self.disable, AT_ONCE_S)
            await self.until(lambda: "store-failing" in self.faults(), 20.0, "the fault in the status")
            self.hold(self.enable == "true", "it said that it is disabled, and that was not on the disk")
            if turn == 0:
                if self.kind != "frozen":  # there it is still at its first try
                    await self.until(lambda: "history-failing" in self.faults(), 3 * BATCH_S, "the ledger's fault")
                await asyncio.sleep(BATCH_S)
            back_s = await self.mend()
            if turn == 0:
                self.say("the disk is back; that is seen", f"after {back_s:.1f} s")
            if self.kind != "broken":  # there it has begun anew
                await self.until(lambda: self.enable == "false", 5.0, "the word that it is disabled")
            after = self.recorded()
            self.hold(
                after.charges >= before.charges and after.end_ms >= before.end_ms,
                f"what was in the ledger is not any more: {before}, then {after}",
            )
        await self.settled()
        self.disk.fail(self.kind)
        await self.off("nobody does anything, failing", lambda: None, SAVED_WITHIN_S + AT_ONCE_S)
        await self.mend()
        await self.settled()
        self.disk.fail(self.kind)
        await self.off("meter silent, failing", self.hush, FRESH_S + AT_ONCE_S)
        await self.mend()

    async def read_only(self) -> None:
        """From the start on."""
        await self.watch.say(ENABLE_SET, "on", qos=1)
        self.house.surplus_w = House.SUN_W
        for code in ("store-failing", "history-failing"):
            await self.until(lambda code=code: code in self.faults(), 3 * BATCH_S, f"{code} in the status")  # type: ignore[misc]
        await asyncio.sleep(BATCH_S)
        self.hold(len(self.plug.moves) == 1, "it charged, and could not have remembered it")
        await self.mend()
        self.say("the disk is back", f"charges after {await self.charge():.1f} s")

    async def mend(self) -> float:
        """Let the disk come back, and the daemon see it; return how long that took it."""
        if self.kind == "broken":  # as whoever repairs it: stop, check, start
            await self.ends("SIGTERM", signal.SIGTERM)
            self.disk.mend(self.kind)
            self.start()
            return await self.until(lambda: self.status_s and not self.faults(), STARTS_S, "the start after the repair")
        self.disk.mend(self.kind)
        return await self.until(
            lambda: not self.faults() & {"store-failing", "history-failing"}, SAVED_WITHIN_S + AT_ONCE_S, "it is back"
        )

    async def ends(self, name: str, number: int) -> None:
        os.kill(self.pid, number)
        status = await self.ended(20.0)
        self.hold(status in (0, -number, 128 + number), f"{name}: it ended with {status}")

    async def ending(self) -> None:
        """The daemon is stopped, and killed, in a charge, and the disk does not answer."""
        for name, number, within_s in (("SIGTERM", signal.SIGTERM, AT_ONCE_S), ("kill -9", signal.SIGKILL, HANGING_S)):
            await self.settled()
            self.disk.fail(self.kind)
            await self.off(f"{name}, failing", lambda number=number: os.kill(self.pid, number), within_s)  # type: ignore[misc]
            if self.kind == "frozen":
                self.disk.mend(self.kind)
            status = await self.ended(20.0)
            self.hold(status in (0, -signal.SIGKILL), f"{name}, failing: it ended with {status}")
            if self.kind != "frozen":
                self.disk.mend(self.kind)
            self.start()
            await self.until(lambda: self.status_s and not self.faults(), STARTS_S, "the start after it")

    async def whole(self) -> None:
        """See that all that waited is in the ledger, up to now."""
        await asyncio.sleep(2 * BATCH_S)
        found, ons = self.recorded(), sum(move.on for move in self.plug.moves)
        gap_s = (found.end_ms - found.begin_ms - found.known_ms) / 1000 - self.silent_s
        covered_s = (found.end_ms - found.begin_ms) / 1000
        self.say("of the time since its first reading the ledger lacks", f"{gap_s:.2f} s of {covered_s:.0f} s")
        self.hold(abs(gap_s) <= 0.5, f"the ledger lacks {gap_s:.2f} s")
        self.hold(now() - self.began_s - covered_s < 2 * BATCH_S, "the ledger does not reach to where it should")
        self.hold(found.charges == ons, f"the ledger has {found.charges} charges, and there were {ons}")

    async def killed_once_said(self) -> None:
        """Disable; kill -9 the moment that is said; it must be so in the next life."""
        await self.charge()
        await self.off("disabled, back", self.disable, AT_ONCE_S)
        await self.until(lambda: self.enable == "false", 20.0, "the word that it is disabled")
        os.kill(self.pid, signal.SIGKILL)
        await self.ended(10.0)
        self.start()
        await self.until(lambda: self.status_s, STARTS_S, "the next life")
        self.hold(self.status["enabled"] is False, "killed after it had said that it is disabled, it was enabled again")
        call = [sys.executable, "-m", "surpluscharge", "history", "check", "--config", str(self.config)]
        checking = await asyncio.create_subprocess_exec(
            *call, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        said, _ = await checking.communicate()
        self.hold(checking.returncode == 0, f"history check: {said.decode()}")

    async def run(self) -> None:
        await self.broker.start()
        played = [asyncio.create_task(each.run()) for each in (self.plug, self.house, self.watch)]
        self.state.mkdir()
        if self.kind == "read-only":
            _run("mount", "-o", "remount,ro", self.disk.place)
        self.start()
        try:
            await self.until(lambda: self.status_s, STARTS_S, "the daemon")
            self.began_s = now()
            if self.kind == "read-only":
                await self.read_only()
            elif self.kind == "slow":
                stalling = asyncio.create_task(self.stall())
                await self.sound()
                await self.settled()
                self.stalls = False
                await stalling
            else:
                await self.sound()
            if self.kind in ("full", "frozen", "broken"):
                await self.failing()
            if self.kind != "broken":  # there its end takes with it what could not be written
                await self.settled()
                await self.whole()
            if self.kind in ("full", "frozen"):
                await self.ending()
            await self.killed_once_said()
            await self.ends("SIGTERM at the end", signal.SIGTERM)
        except AssertionError as error:
            self.wrong.append(str(error))
        finally:
            if self.kind in ("frozen", "slow"):
                with contextlib.suppress(AssertionError):  # it is not frozen, as a rule
                    self.disk.mend("frozen")
            if self.process is not None and self.process.poll() is None:
                with contextlib.suppress(OSError, IndexError):
                    os.kill(self.pid, signal.SIGKILL)
                self.process.wait()
            for each in played:
                each.cancel()
            await asyncio.gather(*played, return_exceptions=True)
            self.broker.kill()
            self.disk.unmount()
        self.judge()

    def judge(self) -> None:
        for name, took_s in self.offs.items():
            self.say(
                f"off: {name}",
                f"{1000 * statistics.median(took_s):7.1f} ms, at worst {1000 * max(took_s):.1f}  ({len(took_s)})",
            )
        sound, failing = (self.offs.get(f"disabled, {how}") for how in ("sound", "failing"))
        if sound and failing:
            later_s = statistics.median(failing) - statistics.median(sound)
            self.hold(later_s <= LATER_S, f"an off is {later_s:.2f} s later for it")
        self.say("longest between two status documents", f"{self.longest[0]:.2f} s, after: {self.longest[1]}")
        self.hold(self.longest[0] < SILENT_S, f"for {self.longest[0]:.1f} s it said nothing")
        for name in ("store_failed", "history_failed"):
            count = len(self.events(name))
            self.say(f"said in its log: {name}", f"{count}")
            if self.kind not in ("slow", "frozen") or (self.kind == "frozen" and name == "store_failed"):
                self.hold(count, f"the log has no {name}")
        for line in self.log.read_text(encoding="utf-8", errors="replace").splitlines():
            if not line.startswith("{") or '"event": "crashed"' in line:
                self.wrong.append(f"in the log: {line[:300]}")
        for trouble in self.wrong:
            print(f"  WRONG: {trouble}", flush=True)

    def say(self, what: str, figure: str) -> None:
        print(f"  {what:<52} {figure}", flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", nargs="*", choices=KINDS, default=KINDS, help="which disks (default: all of them)")
    parser.add_argument("--times", type=int, default=5, help="how often it is disabled, on each disk")
    options = parser.parse_args()
    missing = [each for each in ("mkfs.ext4", "e2fsck", "fsfreeze", "findmnt") if not shutil.which(each)]
    if os.geteuid() != 0 or missing:
        raise SystemExit(f"needs root, and {' '.join(missing)}: apt-get install e2fsprogs util-linux")
    wrong = 0
    for kind in options.kind:
        print(f"{kind}:", flush=True)
        began_s = now()
        with tempfile.TemporaryDirectory(prefix="surpluscharge-disks-") as name:
            trial = Trial(kind, Path(name), options.times)
            asyncio.run(trial.run())
            wrong += len(trial.wrong)
        print(f"  (in {now() - began_s:.0f} s)", flush=True)
    print("all as it should be" if not wrong else f"FAILED: {wrong} things are not so")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
