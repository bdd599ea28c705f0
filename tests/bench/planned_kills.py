"""Kill the daemon around the starts and ends of planned charges, and see what it knows of them afterwards.

`python -m tests.bench.planned_kills [--times N] [--seed S]`. A real broker (Mosquitto), the daemon as a process of its
own, a plug that reports; times of seconds. Each round starts the daemon, asks for a charge (for some seconds, for some
energy, or by a moment; without sun, or while the sun charges already), and kills it with SIGKILL at a random instant
around its begin or its end. What truly flowed is what was said on the wire. Held against it is what the next daemon
says first:

- the relay is off within a moment of the kill;
- the plan's allowance and the session's have both counted what flowed for them, and at most the time besides in which
  nobody was there to know; what is one's is not the other's, but for what came since the last write, if for whom it
  charged changed since then;
- of what had come in, no more is lost than came since the last write, and none is counted twice;
- what was asked for is still asked for where it was on the disk and is not over, and else it is not.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import shutil
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from surpluscharge.control.wishes import LEAST_WH
from tests.conftest import Mosquitto
from tests.wire import AVAILABILITY, BASE, COMMAND, ENABLE, ENABLE_SET, SHADE_W, SUN_W, Daemon, Feed, Plug, Stage, until

ASK = f"{BASE}/plan/set"
REPORT = "shed/plug/report"
DRAW_W = 1380.0
AT_ONCE_S = 1.5  # off after a kill: the broker sees the socket closed at once; with room for a busy machine
SLACK_S = 0.6  # between what the wire shows and what the daemon counts: a command on its way, a turn of its loop
WRITTEN_S = 2.5  # a pause between two writes, and the write; with room for a busy machine
BLOCK = 20  # kills on one state
STARTS_S = 180.0  # for an interpreter that starts on a busy machine
KINDS = ("time, in the sun", "energy", "by", "time")


class Outcome(NamedTuple):
    kills: int
    charging: int  # of them, with the relay on
    moved_s: float  # the most that was counted for the one though it was the other's
    lost_wh: float  # the most that had come in and was forgotten
    still_asked: int  # times something was still asked for afterwards

    def plus(self, other: Outcome) -> Outcome:
        return Outcome(
            self.kills + other.kills,
            self.charging + other.charging,
            max(self.moved_s, other.moved_s),
            max(self.lost_wh, other.lost_wh),
            self.still_asked + other.still_asked,
        )


class Seen(NamedTuple):
    """What a daemon says first."""

    at_s: float
    planned_s: float
    session_s: float
    got_wh: float
    asked: str | None


class Book:
    """What flowed on the wire, and for whom."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage

    def on_s(self, begin_s: float, end_s: float) -> float:
        """Return for how long the relay was on between two moments."""
        total_s, since_s = 0.0, None
        for message in self._stage.wire.on(REPORT):  # the plug itself says what it is
            if message.text == "on" and since_s is None:
                since_s = message.at_s
            elif message.text == "off" and since_s is not None:
                total_s += max(0.0, min(end_s, message.at_s) - max(begin_s, since_s))
                since_s = None
        return total_s if since_s is None else total_s + max(0.0, end_s - max(begin_s, since_s))


def settings(folder: Path) -> dict[str, Any]:
    return {
        "planned": {"allow": True, "ready_before_s": 0, "time_cap_s": 28800},
        "control": {"start_delay_s": 0.0, "stop_delay_s": 0.0, "starts_per_hour": 60, "starts_per_day": 96},
        "relay": {"feedback": {"topic": REPORT}},
        "site": {"time_zone": "UTC"},
        "history": {"record": False},
        "status": {"heartbeat_s": 1.0},
    }


async def first_words(stage: Stage, since_s: float, daemon: Daemon) -> Seen:
    """Return what a daemon that was started says first, once it is ready."""

    def found() -> dict[str, Any] | None:
        texts = [message for message in stage.wire.on(f"{BASE}/status") if message.at_s > since_s]
        documents = [json.loads(message.text) | {"at_s": message.at_s} for message in texts]
        return next((one for one in documents if one.get("plan") and one["relay"]["confirmed"]), None)

    document = await until(found, f"the first word of the daemon ({daemon.text[-300:]})", STARTS_S)
    assert document is not None
    plan = document["plan"]
    return Seen(
        document["at_s"],
        28800.0 - plan["time_left_s"],
        document["session"]["on_time_s"],
        plan["came_wh"],
        plan["asked"],
    )


def on_disk(stage: Stage) -> dict[str, Any]:
    """Return what was written last, and how long ago, in seconds."""
    body = json.loads((stage.folder / "state" / "shed.json").read_text(encoding="utf-8"))["body"]
    age_s = (datetime.now(UTC) - datetime.fromisoformat(body["wall"])).total_seconds()
    return {**body["kept"], "age_s": age_s}


async def kill_around(stage: Stage, times: int, seed: int) -> Outcome:
    """Kill so many daemons, one after the other on the same state. Raises AssertionError."""
    chance, wire, book = random.Random(seed), stage.wire, Book(stage)
    Plug(wire)
    stage.write(**settings(stage.folder))
    charging = still = 0
    moved_s = lost_wh = 0.0
    daemon = stage.start()
    async with Feed(wire, SHADE_W) as feed:
        await until(lambda: wire.last(AVAILABILITY) == "ready", "readiness", STARTS_S)
        wire.publish(ENABLE_SET, "on")
        await until(lambda: wire.last(ENABLE) == "true", "the echo")
        await until(lambda: on_disk(stage)["enabled"], "that on the disk")
        before = await first_words(stage, 0.0, daemon)
        for number in range(times):
            kind = KINDS[number % len(KINDS)]
            sunny = kind.endswith("sun")
            if sunny:
                feed.power_w = SUN_W
                await until(lambda: wire.last(REPORT) == "on", "a charge by the sun")
                await asyncio.sleep(chance.uniform(0.0, 2.5))
            long_s = chance.uniform(2.0, 4.0)
            asked_s, over_at = time.monotonic(), datetime.now(UTC) + timedelta(seconds=long_s)
            if kind.startswith("time"):
                payload: dict[str, Any] = {"time_s": long_s}
            elif kind == "energy":
                payload = {"energy_wh": DRAW_W * long_s / 3600 + LEAST_WH}
            else:
                over_at = (over_at + timedelta(seconds=1)).replace(microsecond=0)
                long_s = (over_at - datetime.now(UTC)).total_seconds()
                payload = {"energy_wh": 50.0, "by": over_at.isoformat()}  # more than can be had until then
            wire.publish(ASK, json.dumps(payload))
            around_s = chance.choice([0.0, long_s]) + chance.gauss(0.0, 0.4)
            await asyncio.sleep(max(0.0, asked_s + around_s - time.monotonic()))
            if sunny:
                assert wire.last(REPORT) == "on"
            # --- the kill
            charging += wire.last(REPORT) == "on"
            daemon.kill()
            killed_s, disk = time.monotonic(), on_disk(stage)
            feed.power_w = SHADE_W
            await until(lambda: wire.last(REPORT) == "off", "the off after the kill")
            off_s = wire.on(REPORT)[-1].at_s
            assert off_s <= killed_s + AT_ONCE_S, f"round {number}: off {off_s - killed_s:.2f} s after the kill"
            # --- what the next one knows
            daemon, started_s = stage.start(), time.monotonic()
            after = await first_words(stage, started_s, daemon)
            what = f"round {number} ({kind}, killed {killed_s - asked_s:.2f} s after {long_s:.2f} s were asked for)"
            flowed_s = book.on_s(before.at_s, off_s)
            sun_s = book.on_s(before.at_s, asked_s) if sunny else 0.0
            dead_s = after.at_s - killed_s + SLACK_S
            planned_s, session_s = after.planned_s - before.planned_s, after.session_s - before.session_s
            both = (
                f"{what}: {flowed_s:.2f} s flowed, {sun_s:.2f} of them by the sun; {planned_s:.2f} s were counted by "
            )
            both += f"plan, {session_s:.2f} s for the session; last written {disk['age_s']:.2f} s before"
            assert planned_s + session_s >= flowed_s - SLACK_S, both
            assert planned_s + session_s <= flowed_s + dead_s + SLACK_S, both
            moved = max(0.0, (flowed_s - sun_s) - planned_s - SLACK_S, sun_s - session_s - SLACK_S)
            assert moved <= min(60.0, WRITTEN_S), both
            moved_s = max(moved_s, moved)
            since_s = datetime.now(UTC).timestamp() - disk["progress"]["since_s"]
            counted_from_s = max(before.at_s, time.monotonic() - since_s)
            came_wh = book.on_s(counted_from_s, off_s) * DRAW_W / 3600
            got_wh = after.got_wh - (before.got_wh if counted_from_s == before.at_s else 0.0)
            lost = came_wh - got_wh
            slack_wh, most_wh = SLACK_S * DRAW_W / 3600, DRAW_W * (disk["age_s"] + SLACK_S) / 3600
            ended = [line for name in ("need_met", "need_missed") for line in daemon.events(name)]
            if ended and counted_from_s == before.at_s:  # it was due meanwhile: said to the watt-hour, and counted anew
                lost = came_wh - (ended[0]["came_wh"] - before.got_wh) - after.got_wh
                slack_wh, most_wh = slack_wh + 0.5, most_wh + 0.5
            assert -slack_wh <= lost <= most_wh, f"{both}; {came_wh} Wh, {got_wh} Wh"
            lost_wh = max(lost_wh, lost)
            # --- what was asked for
            request, now = disk["progress"]["request"], datetime.now(UTC)
            over = request is None or (kind != "energy" and now >= over_at)
            if killed_s - asked_s > WRITTEN_S and kind == "energy" and flowed_s < long_s - 2 * SLACK_S:
                assert request is not None, f"{both}: what was asked for is not on the disk"
            if over:
                await until(lambda: wire.status["plan"]["asked"] is None, f"{what}: over, and still asked for")
            elif kind == "energy":
                assert after.asked == "now", f"{what}: {after.asked} is asked for"
                still += 1
            # What is still to come is charged; then all is over, and the relay off.
            await until(lambda: wire.status["plan"]["asked"] is None, f"{what}: the end of what was asked for")
            await until(lambda: wire.last(REPORT) == "off" and wire.last(COMMAND) == "off", f"{what}: the off")
            if kind == "energy" and request is not None:
                whole_wh = book.on_s(asked_s, time.monotonic()) * DRAW_W / 3600
                assert whole_wh >= DRAW_W * long_s / 3600 - slack_wh, f"{what}: {whole_wh:.2f} Wh in all"
                assert whole_wh <= DRAW_W * long_s / 3600 + max(lost, 0.0) + 2 * slack_wh, f"{what}: {whole_wh:.2f} Wh"
            count = len(wire.statuses)
            await until(lambda c=count: len(wire.statuses) > c + 1, "a word after that")  # type: ignore[misc]
            document = wire.status
            at_s = wire.on(f"{BASE}/status")[-1].at_s
            plan = document["plan"]
            before = Seen(
                at_s, 28800.0 - plan["time_left_s"], document["session"]["on_time_s"], plan["came_wh"], plan["asked"]
            )
        daemon.kill()
    return Outcome(times, charging, moved_s, lost_wh, still)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    assert binary, "needs mosquitto"
    began_s = time.monotonic()
    outcome = Outcome(0, 0, 0.0, 0.0, 0)
    while outcome.kills < options.times:  # a day has so many starts, and no more
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            broker = Mosquitto(binary, folder)
            broker.start()
            stage = Stage(broker.port, folder)
            times = min(BLOCK, options.times - outcome.kills)
            try:
                outcome = outcome.plus(asyncio.run(kill_around(stage, times, options.seed + outcome.kills)))
            finally:
                stage.close()
                broker.kill()
        print(f"\r{outcome.kills} of {options.times} kills", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print(
        f"{outcome.kills} kills in {time.monotonic() - began_s:.0f} s, {outcome.charging} of them with the relay on: "
        f"off at once, need, plan and shares right; at most {outcome.moved_s:.2f} s counted for the other, at most "
        f"{outcome.lost_wh:.2f} Wh of what had come forgotten; {outcome.still_asked} times the rest was charged later"
    )


if __name__ == "__main__":
    main()
