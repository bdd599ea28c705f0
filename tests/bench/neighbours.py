"""Several chargers on one meter: on the virtual clock, and as processes around a real Mosquitto.

``python -m tests.bench.neighbours --days 30 --leads 2`` lives days of clouds on the virtual clock (tests/street.py):
without claims, with them, and with one controller that knows all and does the same. ``--troubles 12`` strikes so often
a day: one is killed, paused or cut off, or the broker dies, mostly in the moment of a start.

``--minutes 10 --leads 3`` runs the real daemon so often around a Mosquitto, with a sun that comes and goes, and says
the same of them; ``--troubles 2`` strikes so often a minute, ``--without`` lets nobody claim. What a killed
daemon had not written is in no record, and one that is paused or cut off holds what it heard last: so shares and one
book of all are shown again for the time that is on record and in which it could hear.

All shares add up to what was imported for all, but for the time that messages are on their way: until a claim or a
reading has come to the last one, two share by what is no longer so. ``--late 0`` lets them take no time, and what is
missing then is rounding: of two leads in one day it was 0.16 Wh of 2,048 with ways of 2 to 30 ms, and 0.01 with none.

An invariant that breaks ends it with a traceback; the figures are for a reader.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import itertools
import json
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Self

from surpluscharge.config import parse
from surpluscharge.history.ledger import Ledger
from tests.conftest import Mosquitto
from tests.street import AllKnowing, Street, lead
from tests.wire import Daemon, Heard, Observer, toml, until

LEADS = (("carport", 1), ("yard", 2), ("shed", 2))
ARRAY_W = {2: 5500.0, 3: 6500.0}
SETTLE_S = 30.0  # of the real ones
HEARS_AGAIN_S = 10.0  # after a strike: connected, and a reading has come


def virtual(leads: int, days: float, seed: int, troubles: float, late: float = 1.0) -> None:
    """Print what came of one street, beside those that it is compared with."""

    def configs(claims: bool = True) -> list[Any]:
        # Where nobody is struck, claims need not be said so often: that is most of what there is to reckon.
        mqtt = {} if troubles else {"keepalive_s": 60}
        return [lead(name, rank, claims=claims, mqtt=mqtt) for name, rank in LEADS[:leads]]

    array_w, began_s = ARRAY_W[leads], time.monotonic()
    if not troubles:
        street = Street(configs(False), array_w, seed, min(days, 3.0))  # by then they have locked each other out
        street.checks = False
        before = street.run()
        print(f"{leads} leads, {days:g} days, seed {seed}")
        print(f"  without claims, {min(days, 3.0):g} days {before}", dict(before.faults), flush=True)
    street = Street(configs(), array_w, seed, days)
    least_s, most_s = street.latency_s
    street.latency_s = late * least_s, late * most_s
    outcome = street.run(troubles)
    off_wh = outcome.sum_of_shares_wh - outcome.meter_share_wh
    print(f"  with claims      {outcome}", dict(outcome.faults))
    print(f"    shares {outcome.sum_of_shares_wh:.2f} Wh, one book of all {outcome.meter_share_wh:.2f}: {off_wh:+.2f}")
    if troubles:
        print("    troubles", dict(outcome.killed))
    best = AllKnowing(configs(), array_w, seed, days).run()
    print(f"  one that knows all {best}")
    for what, ours, its in (
        ("charged", sum(outcome.charged), sum(best.charged)),
        ("bought", outcome.bought, best.bought),
        ("starts", sum(outcome.starts), sum(best.starts)),
    ):
        print(f"    {what}: {100.0 * (ours / its - 1.0):+.1f} %")
    print(f"  took {time.monotonic() - began_s:.0f} s", flush=True)


class House:
    """The meter and the plugs around real daemons; they hear what is commanded, and say what the grid shows."""

    def __init__(self, observer: Observer, leads: int, draw_w: float) -> None:
        self.observer, self.draw_w = observer, draw_w
        self.on = dict.fromkeys((name for name, _ in LEADS[:leads]), False)
        self.starts: list[tuple[float, str]] = []
        self.base_w, self.shown_w = -3000.0, 0.0
        self.drawn_wh = self.share_wh = 0.0
        self.past: list[tuple[int, int, dict[str, float]]] = []  # begin and end by the wall clock, shares in watts
        self._at_s, self._at_ms = time.monotonic(), round(time.time() * 1000)
        self.claims: dict[str, bytes] = {}
        observer.reaction = self.hear

    def hear(self, message: Heard) -> None:
        name = message.topic.split("/")[0]
        if name in self.on and message.topic.endswith("/plug/set"):
            self.book()
            on = message.text == "on"
            if on and not self.on[name]:
                self.starts.append((message.at_s, name))
            self.on[name] = on
        elif message.topic.startswith("surpluscharge/claims/"):
            self.claims[message.topic.rpartition("/")[2]] = message.payload

    def book(self) -> None:
        now_s, now_ms, on = time.monotonic(), round(time.time() * 1000), [name for name in self.on if self.on[name]]
        hours = (now_s - self._at_s) / 3600.0
        share_w = min(self.draw_w * len(on), max(self.shown_w, 0.0))
        self.drawn_wh += self.draw_w * len(on) * hours
        self.share_wh += share_w * hours
        self.past.append((self._at_ms, now_ms, dict.fromkeys(on, share_w / max(len(on), 1))))
        self._at_s, self._at_ms = now_s, now_ms

    def share_within_wh(self, name: str, spans: Sequence[tuple[int, int]]) -> float:
        """Return what of a lead's share fell into these spans of milliseconds."""
        return sum(
            shares.get(name, 0.0) * max(0, min(end, to) - max(begin, since)) / 3.6e6
            for begin, end, shares in self.past
            for since, to in spans
        )

    def show(self, jitter_w: float) -> None:
        self.book()
        self.shown_w = round(self.base_w + self.draw_w * sum(self.on.values()) + jitter_w, 1)
        self.observer.say("house/grid", self.shown_w)


class Between:
    """The way between one daemon and the broker, which can be cut: then nothing comes through, and nobody is told."""

    def __init__(self, port: int) -> None:
        self._broker = port
        self.open = asyncio.Event()
        self.open.set()
        self.port = 0

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self.open.set()
        self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self.open.wait()
            theirs, ours = await asyncio.open_connection("127.0.0.1", self._broker)
        except OSError:
            writer.close()
            return
        await asyncio.gather(self._pump(reader, ours), self._pump(theirs, writer))

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                await self.open.wait()
                writer.write(data)
                await writer.drain()
        with contextlib.suppress(OSError):
            writer.close()


def tables(name: str, rank: int, port: int, folder: Path, claims: bool) -> dict[str, Any]:
    return {
        "mqtt": {"host": "127.0.0.1", "port": port, "keepalive_s": 5},
        "charger": {"name": name, "current_a": 6.0},
        "meter": [{"topic": "house/grid", "fresh_s": 10.0}],
        "relay": {"topic": f"{name}/plug/set", "reassert_s": 600.0},
        "control": {
            **{"start_delay_s": 2.0, "stop_delay_s": 8.0, "min_on_s": 15.0, "min_off_s": 5.0},
            **{"starts_per_hour": 60, "starts_per_day": 96},
        },
        "log": {"format": "json"},
        "store": {"directory": str(folder / name)},
        **({"neighbours": {"rank": rank, "settle_s": SETTLE_S}} if claims else {}),
    }


async def real(leads: int, minutes: float, seed: int, troubles: float, claims: bool = True) -> None:
    """Run real daemons, and print what came of them."""
    rng, kinds = random.Random(seed), Counter[str]()
    binary = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    assert binary, "no mosquitto is installed"
    async with contextlib.AsyncExitStack() as stack:
        place = stack.enter_context(tempfile.TemporaryDirectory())
        folder = Path(place)
        broker = Mosquitto(binary, folder)
        broker.start()
        observer = Observer(broker.port)
        house = House(observer, leads, 1380.0)
        files: dict[str, Path] = {}
        daemons: dict[str, Daemon] = {}
        lives: Counter[str] = Counter()
        deaf: dict[str, list[tuple[int, int]]] = {name: [] for name, _ in LEADS[:leads]}
        ways = {name: await stack.enter_async_context(Between(broker.port)) for name, _ in LEADS[:leads]}

        def launch(name: str) -> None:
            lives[name] += 1
            daemons[name] = Daemon(files[name], folder / f"{name}-{lives[name]}.log")

        def hears_nothing(*names: str, for_s: float) -> None:
            for name in names:
                deaf[name].append((round(time.time() * 1000), round((time.time() + for_s + HEARS_AGAIN_S) * 1000)))

        for name, rank in LEADS[:leads]:
            files[name] = folder / f"{name}.toml"
            files[name].write_text(toml(tables(name, rank, ways[name].port, folder, claims)))
            launch(name)
        try:
            for name in daemons:
                place = f"surpluscharge/{name}/availability"
                await until(lambda place=place: observer.last(place) == "ready", f"{name} to be there")
                observer.publish(f"surpluscharge/{name}/enable/set", "on")
            end_s = time.monotonic() + 60.0 * minutes
            cloud_s = time.monotonic() + 100.0
            strike_s = time.monotonic() + (rng.uniform(30.0, 40.0) if troubles else 1e9)
            back: list[tuple[float, str, str]] = []
            struck = 0
            while (now_s := time.monotonic()) < end_s:
                house.show(rng.uniform(-6.0, 6.0))
                if now_s >= cloud_s:
                    house.base_w = rng.choice([-4600.0, -3000.0, -1600.0, -300.0])
                    cloud_s = now_s + rng.uniform(20.0, 80.0)
                if now_s >= strike_s:
                    struck += 1
                    kind, name = rng.choice(["kill", "pause", "cut", "broker"]), rng.choice(list(daemons))
                    strike_s = now_s + rng.expovariate(troubles / 60.0) + 5.0
                    daemon = daemons[name]
                    if kind == "broker":
                        kinds[kind] += 1
                        hears_nothing(*daemons, for_s=4.0)
                        broker.kill()
                        await asyncio.sleep(rng.choice([0.5, 4.0]))
                        broker.start()
                    elif all(other != name for _, _, other in back):
                        kinds[kind] += 1
                        if kind == "cut":
                            ways[name].open.clear()
                        else:
                            daemon.signal(signal.SIGKILL if kind == "kill" else signal.SIGSTOP)
                        back.append((now_s + rng.choice([2.0, 6.0, 25.0]), kind, name))
                        hears_nothing(name, for_s=back[-1][0] - now_s)
                        if kind == "kill":
                            for _ in range(300):
                                if not house.claims.get(name):
                                    break
                                await asyncio.sleep(0.01)
                            assert not claims or not house.claims.get(name), f"the claim of {name} outlives it"
                for due in [one for one in back if now_s >= one[0]]:
                    back.remove(due)
                    if due[1] == "pause":
                        daemons[due[2]].signal(signal.SIGCONT)
                    elif due[1] == "cut":
                        ways[due[2]].open.set()
                    else:
                        daemons[due[2]].process.wait()
                        launch(due[2])
                for earlier, later in itertools.combinations(house.starts[-4:], 2):
                    gap_s = later[0] - earlier[0]
                    assert not claims or earlier[1] == later[1] or gap_s > SETTLE_S - 0.2, (earlier, later)
                await asyncio.sleep(1.0)
            for _, kind, name in back:
                ways[name].open.set()
                if kind == "pause":
                    daemons[name].signal(signal.SIGCONT)
            await asyncio.sleep(15.0 if back else 0.0)
            for daemon in daemons.values():
                if daemon.process.poll() is None:
                    daemon.signal(signal.SIGTERM)
            for name, daemon in daemons.items():
                if daemon.process.poll() is None:
                    await daemon.ended()
                assert not claims or not house.claims.get(name), f"the claim of {name} outlives it"
            house.book()
            shares_wh = charged_wh = heard_wh = could_be_heard_wh = 0.0
            faults: Counter[str] = Counter()
            for name in daemons:
                config = parse(files[name].read_text(), name)
                with Ledger(config.history_file) as ledger:
                    ends_ms = int(time.time() * 1000) + 1000
                    energy = ledger.energy(0, ends_ms)
                    spans = [
                        (one.begin_ms, one.end_ms)
                        for one in ledger.intervals(0, ends_ms)
                        if one.energy.known_ms
                        and not any(one.begin_ms < to and since < one.end_ms for since, to in deaf[name])
                    ]
                    heard_wh += sum(ledger.energy(*span).grid_wh for span in spans)
                shares_wh, charged_wh = shares_wh + energy.grid_wh, charged_wh + energy.charger_wh
                could_be_heard_wh += house.share_within_wh(name, spans)
                logs = [(folder / f"{name}-{life}.log").read_text() for life in range(1, lives[name] + 1)]
                said = [json.loads(line) for line in "".join(logs).splitlines() if line.startswith("{")]
                faults.update(line["code"] for line in said if line["event"] == "fault_raised")
            gaps = [b[0] - a[0] for a, b in itertools.pairwise(house.starts) if a[1] != b[1]]
            print(
                f"{leads} real daemons, {minutes:g} min, {'with' if claims else 'without'} claims: "
                f"charged {charged_wh:.0f} of {house.drawn_wh:.0f} Wh, starts {len(house.starts)}, closest "
                f"{min(gaps, default=0.0):.1f} s, shares {shares_wh:.2f} Wh, one book of all {house.share_wh:.2f} Wh; "
                f"on record, and while it could hear: {heard_wh:.2f}, {could_be_heard_wh:.2f} Wh; {dict(kinds)} "
                f"{dict(faults)}",
                flush=True,
            )
        finally:
            for daemon in daemons.values():
                if daemon.process.poll() is None:
                    daemon.kill()
            observer.close()
            broker.kill()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--leads", type=int, choices=ARRAY_W, default=2)
    parser.add_argument("--days", type=float, default=2.0)
    parser.add_argument("--minutes", type=float, default=0.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--troubles", type=float, default=0.0)
    parser.add_argument("--late", type=float, default=1.0, help="so many times as long messages are on their way")
    parser.add_argument("--without", action="store_true", help="real daemons that do not claim")
    options = parser.parse_args()
    if options.minutes:
        asyncio.run(real(options.leads, options.minutes, options.seed, options.troubles, not options.without))
    else:
        virtual(options.leads, options.days, options.seed, options.troubles, options.late)
    return 0


if __name__ == "__main__":
    sys.exit(main())
