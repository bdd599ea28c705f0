"""Commissioning: the daemon led by hand, once, to see that meter, relay, lead and car are what the configuration says.

It is the daemon itself (``hand.py``), so what trips it here would trip it later, the will that is tested is the will
that will be needed, and starts, heat and energy are counted. A person is asked for what only a person can do: switch a
kettle on, take the lead out, plug the car in.

What it finds must be earned. The kettle's step has to come and go with the person's word, and twice where it says that
the sign is wrong; an off is the plug's own only while the daemon still wants it on; no load is cut for a trial; a fault
that latches is a finding whatever else was seen. While the relay is on, no answer is waited for without end.

A late meter is waited for, by the kettle and by the lead, as long as the daemon would look for a jump. What shows
nothing in that time ends the part: it would show in the middle of the next switching, and be taken for the opposite
one.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import math
import shutil
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from datetime import timedelta
from statistics import median
from typing import Any, NamedTuple

from surpluscharge.clock import Clock
from surpluscharge.commissioning.hand import (
    FLOWS_W,
    HOUSE_MOST_KW,
    LAMP,
    NOTHING,
    OBEYED_WITHIN_S,
    Failed,
    Hand,
    LeftOut,
    Person,
    listens,
    put,
)
from surpluscharge.config import VOLTAGE_TOLERANCE, Config
from surpluscharge.config.models import BatteryPower, MeterSource
from surpluscharge.control import draw, machine, news
from surpluscharge.control.controller import last_starts
from surpluscharge.control.joint import HIGH_OHM, HOLD_W
from surpluscharge.control.mains import LEAST_ERROR_OHM, Resistance
from surpluscharge.control.steps import EVERY_S, FAR_S, LATEST_S, MOST_LAG_S, STEP_SHARE, Jump, jumps_in
from surpluscharge.control.steps import SETTLES_S as PROMPT_S
from surpluscharge.control.supervisor import DROP_SHARE, HIGH_MEAN_SHARE, LOWEST_MEAN_SHARE
from surpluscharge.daemon.ports import REAL, Ports
from surpluscharge.words import counted, duration, signed, watts

PARTS = {
    "meter": "does the meter speak, and often enough",
    "sign": "does import rise when a kettle is switched on",
    "relay": "does the relay obey, with nothing plugged into it",
    "loss": "does the broker switch off when this program is gone",
    "hold": "does the plug switch off by itself when nothing is heard (relay.hold_s)",
    "draw": "what does the lead draw, with the car",
}
# What makes no sense, or would harm, while that is wrong.
NEEDS = {
    "sign": ("meter",),
    "relay": ("meter",),  # without a fresh reading nothing starts
    "loss": ("meter", "relay"),
    "hold": ("meter", "relay"),
    "draw": ("meter", "sign", "relay", "loss"),
}
UP_WITHIN_S = 20.0
HEARD_WITHIN_S = 12.0  # a plug that speaks every ten seconds, or answers
WATCH_S, WATCH_MOST_S = 30.0, 120.0
WATCHED_READINGS = 7
SLOW_METER_S = 30.0
KETTLE_W = 700.0
KETTLES_MOST_W = 4000.0
KETTLE_TIMES = 3
ALIKE_SHARE = 0.3  # what a kettle's two steps may differ by; the sun and a fridge add to them
SETTLES_S = 5.0  # until meter and readings have followed a kettle, or have shown the step to the end
UNLOADED_S = 5.0
HOLD_MOST_S = 540.0  # without a load; at 600 the supervisor takes the car for full
LOST_FOR_S = 8.0  # how long the broker has to say the will, and the plug to follow
CAR_WITHIN_S = 90.0  # cars that sleep take their time
BEGUN_SETTLES_S = 10.0  # until the house's meter has followed a car that has begun
REST_S = draw.SIDE_S + 6.0  # what is read of it then
ON_S = BEGUN_SETTLES_S + REST_S
OFF_S = draw.OFF_SETTLES_S + draw.SIDE_S + 12.0
ROUNDS_LEAST, ROUNDS_MOST = 2, 4
SLOWEST_STEP_S = 1.3 * draw.BIN_S  # of a meter that shows the lead's steps
CLOSE_SHARE = 0.05  # a draw that far from the configured one is worth writing down
WRONG_SHARE = VOLTAGE_TOLERANCE  # and that far is another current: EN 50160 allows the voltage no more
APART_SHARE = 0.1  # between the plug's meter and the house's
SURE_SHARE = 0.02  # of a current
THOUSAND_SHARE = 0.6  # what is so close to a thousandth of the draw is the draw in kilowatts


class Finding(NamedTuple):
    """What came of one question. ``figures``: what was measured, units in the names."""

    part: str
    verdict: str  # good, doubtful, wrong, not tried
    what: str
    remedy: str = ""
    figures: Mapping[str, float] = NOTHING


class Round(NamedTuple):
    """What the lead was seen to do, switched on and off once."""

    up: draw.Step | None  # in grid power, positive where it rises; None: ambiguous
    down: draw.Step | None  # positive where it falls
    plug_w: float | None  # by the plug's own meter
    lag_s: float | None  # how late the house's meter showed the off; None: it cannot be told
    shown: bool  # whether anything like the lead's on was to be seen in time


class Commissioning(Hand):
    """One sitting. Give it to :func:`run`."""

    def __init__(self, config: Config, clock: Clock, person: Person, ports: Ports = REAL) -> None:
        super().__init__(config, clock, person, ports)
        self.findings: list[Finding] = []
        self.circuit_before = self.controller.lessons.mains.learned  # what was known of it when this sitting began
        self.begun_s: dict[float, float] = {}  # when the car began, by when the relay was switched on

    # --- the frame ----------------------------------------------------------------------------------------------------

    @contextlib.asynccontextmanager
    async def at_work(self) -> AsyncIterator[None]:
        """Run the daemon for as long as the context lasts, then see that the relay is off."""
        self._running = asyncio.create_task(self.led.service.run())
        try:
            yield
        finally:
            self._make_safe()
            self.led.service.stop("commissioning is over")
            await asyncio.wait([self._running])
            self._say_how_it_ended(self._running.exception())
            self._running.result()

    def _say_how_it_ended(self, error: BaseException | None) -> None:
        if isinstance(error, ValueError | OSError):
            return  # it never began
        self._look_for_latched("relay")
        if error:
            self._found("relay", "wrong", "The daemon failed; the broker was left to switch off.", "Go and look.")
        elif not self.controller.plug.confirmed(False) and not self.seen_off:
            self._found("relay", "wrong", "The relay has not confirmed that it is off.", "Go and look, now.")
        elif "relay-stuck-on" not in self.latched_told:
            seen = "is off" if self._reports else "was told off; look whether it is"
            self.person.tell(f"\nThe relay {seen}. Charging is disabled, until somebody enables it.")

    async def go_through(self, parts: Sequence[str]) -> None:
        """Do the given parts, in the order of PARTS; what comes of it is in ``findings``."""
        steps: dict[str, Callable[[], Any]] = {
            "meter": self._meter,
            "sign": self._sign,
            "relay": self._relay,
            "loss": self._loss,
            "hold": self._hold,
            "draw": self._draw,
        }
        if not await self._connected():
            return
        await self._first_off()
        for part in (name for name in PARTS if name in parts):
            self.person.tell(f"\n{part}: {PARTS[part]}?")
            wrong = {finding.part for finding in self.findings if finding.verdict == "wrong"}
            if first := [other for other in (*NEEDS.get(part, ()), part) if other in wrong]:
                self._found(part, "not tried", f"{part}: first put right what is wrong with {first[0]}.")
                continue
            self.lane.clear()
            try:
                await steps[part]()
            except LeftOut as left:
                self._found(part, "not tried", f"{part}: {left}.")
            except Failed as failure:
                self._found(part, "wrong", failure.what, failure.remedy, failure.figures)
            finally:
                self._make_safe()
            self.person.show("")
            if not any(finding.part == "relay" for finding in self.findings):
                await self._see_off()
            self._look_for_latched(part)
            self._look_for_refused()

    def _found(
        self, part: str, verdict: str, what: str, remedy: str = "", figures: Mapping[str, float] = NOTHING
    ) -> None:
        rounded = {name: round(value, 3) for name, value in figures.items()}
        self.findings.append(Finding(part, verdict, what, remedy, rounded))
        self.person.tell(f"  {verdict}: {what}" + (f"\n  {remedy}" if remedy else ""))

    def _look_for_latched(self, part: str) -> None:
        """A fault that latches is a finding, whatever else was found."""
        for record in self.controller.faults:
            fault = record.fault
            if record.latches and not record.acknowledged and fault.code not in self.latched_told:
                self.latched_told.add(fault.code)
                part = "relay" if fault.code == "relay-stuck-on" and part in ("meter", "sign") else part
                if not any(finding.what.startswith(fault.sentence) for finding in self.findings):
                    self._found(part, "wrong", fault.sentence, fault.remedy)

    def _look_for_refused(self) -> None:
        """Say of each table what came for it and cannot be used: all of them, so that all can be put right at once."""
        led = self.led
        for table, refusal in led.refused.items():
            beyond = refusal.reason == "implausible" and put(self._name(table), unit="W") == self._put_right(table)
            if beyond or table not in led.usable:
                self._found_refused(table)

    def _found_refused(self, table: str) -> None:
        if table not in self.refused_told:
            self.refused_told.add(table)
            self._found(table.partition(".")[0], "wrong", self._refused(table), self._put_right(table))

    async def _first_off(self) -> None:
        """See to what is latched from before, and to a plug that is on though it was told off, before all else."""
        with contextlib.suppress(LeftOut):
            for record in self.controller.faults:
                if record.latches and not record.acknowledged:
                    await self._seen_to(record.fault)
        self.off_s = self.clock.now()
        heard = self.controller.settings.contact, self.controller.settings.power
        if any(heard):
            waits_for = [self.reports if heard[0] else self.powers, self.powers if heard[1] else self.reports]
            await self._until(lambda: all(waits_for), HEARD_WITHIN_S, "listening to the plug")
        await self._see_off()

    async def _see_off(self) -> None:
        """Where a plug that has never obeyed may be on though it was told off, find out why, and switch it off."""

        def may_be_on() -> bool:
            return bool(self.controller.plug.reported) or (self._last_w(self.off_s) or 0.0) > FLOWS_W

        if self.starts or self.seen_off or self.controller.wants_on or not may_be_on():
            return
        await self._until(
            lambda: self._contrary() or not may_be_on(), OBEYED_WITHIN_S, "seeing whether the plug goes off"
        )
        if self._contrary():
            failure = await self._why_not_off()
            self._found("relay", "wrong", failure.what, failure.remedy, failure.figures)

    # --- broker, meter, sign ------------------------------------------------------------------------------------------

    async def _connected(self) -> bool:
        led, broker = self.led, self.config.broker
        if not await self._until(lambda: led.connected, UP_WITHIN_S, "connecting"):
            self._found("broker", "wrong", f"There is no connection to the broker ({broker}).", "See whether it runs.")
            return False
        refused = led.service.refused_topics
        if refused:
            self._found(
                "broker",
                "wrong",
                f"The broker does not let this user read {', '.join(refused)}.",
                "Correct its access list; deploy/mosquitto.acl is an example.",
            )
            return False
        self._found("broker", "good", f"Connected to {broker}, as the daemon will be.")
        return True

    def _usual_s(self) -> float:
        """Return the usual interval of the slowest source, as far as it was heard."""
        return max(median(gaps_s) if (gaps_s := _gaps(seen)) else 0.0 for seen in self._watched)

    @property
    def _watched(self) -> list[list[tuple[float, float]]]:
        """What is read of the house: each meter and, where there is one, last of all its battery."""
        return [*self.sources, self.battery] if self.config.battery else self.sources

    async def _meter(self) -> None:
        began_s, battery = self.clock.now(), self.config.battery
        tables: dict[str, tuple[MeterSource | BatteryPower, str]] = {
            f"meter.{number}": (meter, "this [[meter]]") for number, meter in enumerate(self.config.meter)
        }
        if battery:
            tables["battery.power"] = battery.power, "[battery.power]"

        def enough() -> bool:
            counts = [sum(at_s >= began_s for at_s, _ in seen) for seen in self._watched]
            if self.clock.now() < began_s + WATCH_S:
                return False
            useless = [not count and table in self.led.refused for table, count in zip(tables, counts, strict=True)]
            return min(counts) >= WATCHED_READINGS or any(useless)

        await self._until(enough, WATCH_MOST_S, "watching the meter")
        for (table, (source, where)), seen in zip(tables.items(), self._watched, strict=True):
            since = [reading for reading in seen if reading[0] >= began_s]
            if not since and table in self.led.refused:
                self._found_refused(table)
                continue
            if not since:
                what = f"Nothing came on {source.topic} in {duration(WATCH_MOST_S)}."
                self._found("meter", "wrong", what, f"Is topic of {where} the one where it publishes, to the letter?")
                continue
            gaps_s = _gaps(since)
            # The time before the first and since the last one has been a gap, too.
            edge_s = max(since[0][0] - began_s, self.clock.now() - since[-1][0])
            usual_s, longest_s = (median(gaps_s), max(*gaps_s, edge_s)) if gaps_s else (edge_s, edge_s)
            fresh_s = max(10, 5 * math.ceil(max(3 * usual_s, 1.5 * longest_s) / 5))
            what = f"{source.topic} speaks every {usual_s:.1f} s, the longest pause was {longest_s:.1f} s"
            figures = {"interval_s": usual_s, "longest_s": longest_s}
            remedy = f"In {where}: fresh_s = {fresh_s}"
            if longest_s >= source.fresh_s:
                what += f", and after fresh_s ({source.fresh_s:g} s) the relay goes off."
                self._found("meter", "wrong", what, remedy, figures)
            elif 2 * usual_s > source.fresh_s:
                what += f"; one that is late would end a charge (fresh_s is {source.fresh_s:g} s)."
                self._found("meter", "doubtful", what, remedy, figures)
            elif usual_s > SLOW_METER_S:
                what += ": clouds and kettles in between are not seen."
                self._found("meter", "doubtful", what, "A meter that speaks every 10 s or so buys less.", figures)
            else:
                self._found("meter", "good", f"{what}.", figures=figures)
        seen_w = [grid_w for at_s, grid_w in self.readings if at_s >= began_s]
        if seen_w and min(seen_w) == max(seen_w):
            self._found(
                "meter",
                "doubtful",
                f"Grid power was {watts(seen_w[0])} all the time, to the watt.",
                "See whether it moves when a kettle is on: the next part does.",
            )
        if seen_w:
            self.person.tell(f"  Just now: {_flow(seen_w[-1])}, if the sign is right.")

    async def _sign(self) -> None:
        """Ask for a kettle on and off, and see which way grid power goes; again where that is not clear, or wrong."""
        self._say_what_apart_takes()
        await self._ready("Have a kettle at hand, or anything else that takes 1 kW or more. Is it off now?")
        wrong, turned_cells, thousandths, most_w, within_s = 0, 0, 0, 0.0, LATEST_S
        not_moved = Failed(
            f"Grid power did not move by {watts(KETTLE_W)} within {duration(LATEST_S)}.",
            "Was it switched on? Then: is this the meter of the whole house, and are pointer and unit right? Or "
            "does a house battery even it out? Then try when it is full, empty or switched off. A meter that shows it "
            "later than that is too late to judge its sign by.",
        )
        for number in range(1, KETTLE_TIMES + 1):
            before_w = await self._levels()
            self._shows_what_is_switched()
            asked_s = self.clock.now()
            await self._ready("Switch it on, and leave it on. Is it on?")
            on_late_s = await self._followed(asked_s, within_s)
            during_w = await self._levels()
            asked_s = self.clock.now()
            await self._ready("Switch it off. Is it off?")
            off_late_s = await self._followed(asked_s, within_s)
            after_w = await self._levels()
            ups_w = [on_w - off_w for on_w, off_w in zip(during_w, before_w, strict=True)]
            downs_w = [off_w - on_w for on_w, off_w in zip(during_w, after_w, strict=True)]
            cells_w = 0.0, 0.0
            if self.config.battery:
                cells_w = ups_w.pop(), downs_w.pop()
                if min(map(abs, cells_w)) >= KETTLE_W / 2 and cells_w[0] * cells_w[1] < 0.0:
                    turned_cells = turned_cells + 1 if cells_w[0] > 0.0 else 0
                    if turned_cells == 2:  # the sun can do it once
                        raise self._cells_turned_round(*cells_w)
                    if turned_cells:
                        moved_w = signed(cells_w[0], 0)
                        self.person.tell(
                            f"  The battery's power moved by {moved_w} W when it went on: that looks wrong."
                        )
                        continue
            # As it would have been without the battery: that evens out what it can.
            up_w, down_w = sum(ups_w) - cells_w[0], sum(downs_w) - cells_w[1]
            figures = {"on_w": up_w, "off_w": down_w}
            # A meter that speaks once a minute shows levels, and no jump.
            moved = sum(map(abs, ups_w)) + abs(cells_w[0]) >= KETTLE_W
            if on_late_s is None and not moved and within_s > 0.0:
                if off_late_s is not None or not self._all_small():
                    raise not_moved  # what shows later would be taken for the next switching
                within_s = 0.0  # kilowatts taken for watts, perhaps: there is no jump to wait for
            if on_late_s is not None and off_late_s is not None:
                figures["shown_s"] = max(on_late_s, off_late_s)
            larger_w = max(abs(up_w), abs(down_w))
            most_w = max(most_w, larger_w)
            turned = [index for index, one_w in enumerate(ups_w) if one_w < -ALIKE_SHARE * larger_w]
            alike = abs(up_w + down_w) <= ALIKE_SHARE * larger_w
            thousandths += alike and KETTLE_W / 1000 <= larger_w <= KETTLES_MOST_W / 1000
            if min(abs(up_w), abs(down_w)) < KETTLE_W or not alike:
                self.person.tell(f"  Seen: {signed(up_w, 0)} W, then {signed(down_w, 0)} W. That is not clear.")
            elif not turned:
                what = f"Import rose by {watts(up_w)} and fell again: the sign is right."
                if figures.get("shown_s", 0.0) > SETTLES_S:
                    what += f" The meter showed it about {figures['shown_s']:.0f} s after your word."
                if self.config.battery and abs(sum(ups_w)) < ALIKE_SHARE * larger_w:
                    self._say_what_the_battery_did(cells_w[0])
                    self._found(
                        "sign",
                        "not tried",
                        "sign: the battery evened the kettle out, so the meter's own sign is not known.",
                        "Try this part again when the battery is full, empty or switched off, and the house imports.",
                    )
                    return
                self._found("sign", "good", what, figures=figures)
                self.led.service.tell(news.SignShown())
                self._say_what_stood_still(ups_w)
                if self.config.battery:
                    self._say_what_the_battery_did(cells_w[0])
                return
            else:
                wrong += 1
                what = f"Import moved by {signed(up_w, 0)} W when it went on, "
                what += f"and by {signed(down_w, 0)} W when it went off"
                if wrong == 2:  # the sun can do it once
                    raise Failed(f"{what}: the sign is wrong.", self._turned_round(turned), figures)
                self.person.tell(f"  {what}: that looks wrong.")
            if number < KETTLE_TIMES:
                self.person.tell("  Once more, to be sure.")
        if most_w < KETTLE_W and thousandths >= 2 and self._all_small():
            names = [self._name(f"meter.{i}") for i, meter in enumerate(self.config.meter) if meter.unit == "W"]
            raise Failed(
                f"Grid power moved by {most_w:.2f} W only, again and again: a thousandth of what a kettle takes.",
                " ".join(put(name, unit="kW") for name in names),
                {"on_w": most_w},
            )
        if most_w < KETTLE_W:
            raise not_moved
        what = "Something else moved at the same time, so the sign could not be told."
        self._found("sign", "doubtful", what, "Try this part again in the evening, when it is calm.")

    def _cells_turned_round(self, up_w: float, down_w: float) -> Failed:
        """Return what is wrong where the battery's power goes the kettle's way: it would be charged by it."""
        assert self.config.battery is not None
        other = {"charging": "discharging", "discharging": "charging"}[self.config.battery.power.measures]
        return Failed(
            f"The battery's power moved by {signed(up_w, 0)} W when it went on, and by {signed(down_w, 0)} W when it "
            "went off, as though the kettle charged it: its sign is wrong.",
            f"Turn it round. {put('[battery.power]', measures=other)} Then try again.",
            {"battery_on_w": up_w, "battery_off_w": down_w},
        )

    def _say_what_the_battery_did(self, up_w: float) -> None:
        if up_w <= -KETTLE_W / 2:
            what = f"The battery gave {watts(-up_w)} more while it was on: the sign of its power is right."
            self._found("sign", "good", what, figures={"battery_on_w": up_w})
        else:
            self._found(
                "sign",
                "not tried",
                "sign: the battery did not move, so the sign of its power is not known.",
                "Try this part again when it is neither full nor empty; or see that the status has it right by day and "
                "by night.",
            )

    def _say_what_apart_takes(self) -> None:
        """Say beforehand what it takes to see both, where import and export come apart."""
        if {"import-only", "export-only"} <= {meter.measures for meter in self.config.meter}:
            self.person.tell(
                "  Import and export come apart here, and mostly only one of them moves: in the evening the import, in "
                "a sunny hour the export. Both are known after one go in each; or after a single one while the house "
                "exports about half of what the kettle takes, for then both move."
            )

    def _all_small(self) -> bool:
        """Say whether all that the meters showed is as small as only kilowatts that were taken for watts can be."""
        return all(abs(value_w) < HOUSE_MOST_KW for seen in self.sources for _, value_w in seen)

    def _say_what_stood_still(self, ups_w: Sequence[float]) -> None:
        for meter, up_w in zip(self.config.meter, ups_w, strict=True):
            if abs(up_w) < ALIKE_SHARE * sum(ups_w):
                name = f"{meter.topic}{meter.pointer or ''} ({meter.measures})"
                self._found(
                    "sign",
                    "not tried",
                    f"sign: {name} did not move, so its own sign is not known.",
                    "Try this part again when the house imports, when it exports, and on another phase.",
                )

    async def _followed(self, asked_s: float, within_s: float) -> float | None:
        """Wait until a meter has shown the kettle; return how long after the person's word, None: none has.

        Whoever does it before saying so has it shown early: that counts as at once.
        """
        told_s = self.clock.now()
        least_w = KETTLE_W / min(len(self._watched), 2)  # import and export, or meter and battery, may share it

        def shown() -> list[Jump]:
            return [jump for seen in self._watched for jump in _jumps(seen, asked_s, told_s + LATEST_S, least_w)]

        await self._until(shown, within_s, "waiting for the meter to follow")
        return max(0.0, min(jump.at_s for jump in found) - told_s) if (found := shown()) else None

    async def _levels(self) -> list[float]:
        """Wait until things have settled, and return the median of some readings of each source. Raises Failed."""
        usual_s = self._usual_s()
        count = 3 if usual_s < 8 else 2 if usual_s < 20 else 1
        since_s = self.clock.now() + max(SETTLES_S, usual_s)

        def latest() -> list[list[float]]:
            return [[value_w for at_s, value_w in seen if at_s >= since_s] for seen in self._watched]

        within_s = since_s - self.clock.now() + WATCH_MOST_S + count * usual_s
        if not await self._until(lambda: min(map(len, latest())) >= count, within_s, "reading the meter"):
            raise self._nothing_heard()
        return [median(seen_w) for seen_w in latest()]

    def _nothing_heard(self) -> Failed:
        self._look_for_refused()
        return Failed("The meter is silent.", "See whether it publishes.")

    def _turned_round(self, indices: Sequence[int]) -> str:
        other = {"net-import": "net-export", "import-only": "export-only"}
        other |= {new: old for old, new in other.items()}
        ways = [meter.measures for meter in self.config.meter]
        after = {other[way] if index in indices else way for index, way in enumerate(ways)}
        if "import-only" in ways and "export-only" in ways and after in ({"import-only"}, {"export-only"}):
            indices = range(len(ways))  # import and export are exchanged: to turn round one would make two of a kind
        meters = [self.config.meter[index] for index in indices]
        changes = [
            put(f"the [[meter]] of {meter.topic}{meter.pointer or ''}", measures=other[meter.measures])
            for meter in meters
        ]
        return f"Turn it round. {' '.join(changes)} Then try again."

    # --- relay, loss, hold: with nothing plugged in -------------------------------------------------------------------

    async def _relay(self) -> None:
        await self._empty()
        off_took_s = await self._off()
        on_took_s = await self._on()
        seen = await self._seen("Look at this plug, here: did it go on?")
        if seen is False:
            raise await self._went_not_on()
        if seen is None and not self._reports:
            raise LeftOut(f"nobody could tell whether it went on. {LAMP}, and go through this part again")
        await self._stay_empty(UNLOADED_S)
        off_took_s = max(off_took_s, await self._off())
        if not self._reports and not await self._told("Is it off now?"):
            raise Failed(
                "The plug was told to switch off, and did not.",
                f"{listens('off')} Until it obeys, leave nothing in it.",
            )
        figures = {"on_took_s": on_took_s, "off_took_s": off_took_s}
        slowest_s, within_s = max(on_took_s, off_took_s), self.config.relay.confirm_within_s
        who = "plug" if self._reports else "broker"
        what = f"The relay obeys; the {who} said so after {on_took_s:.1f} s (on) and {off_took_s:.1f} s (off)"
        if slowest_s > within_s:
            remedy = f"confirm_within_s = {min(30, math.ceil(1.5 * slowest_s))} in [relay] spares it repetitions."
            what += f", later than confirm_within_s ({within_s:g} s)."
            self._found("relay", "doubtful", what, remedy, figures)
        else:
            self._found("relay", "good", f"{what}.", figures=figures)
        if seen is None:
            what = "The plug says that it obeys; that it is this one, nobody could tell."
            self._found("relay", "doubtful", what, f"{LAMP}, and go through this part again.")
        if not self._reports:
            self._found(
                "relay",
                "doubtful",
                "The plug does not report its relay, so nobody notices when it does not obey.",
                "If it can, configure [relay.feedback].",
            )

    async def _loss(self) -> None:
        await self._empty()
        await self._off()
        await self._on()
        await self._stay_empty(UNLOADED_S)
        self.person.tell("  Look at the plug. The relay's connection is cut, as a crash would.")
        cut_s, within_s = self.clock.now(), max(LOST_FOR_S, 3 * self.slowest_s)
        within_s = min(within_s, (self.config.relay.hold_s or math.inf) / 2)  # later it may be the plug's own hold time
        self.led.service.relay_link.sever()

        def gone() -> list[float]:
            return [at_s for at_s, on in self.reports if at_s >= cut_s and not on]

        off = await self._until(gone, within_s, "waiting for the plug to go off")
        self._make_safe()  # before anybody is asked: here nobody else could switch it off
        if not self._reports:
            off = await self._told(f"Did the plug go off at once, and not only after {duration(within_s)}?")
        await self._off()
        if not off:
            raise Failed(
                f"The plug stayed on for {duration(within_s)} after the connection was cut.",
                "The broker must send relay.off_payload to relay.topic in this program's name (its will): see "
                "its access list, and whether the plug listens to this very broker.",
            )
        figures = {"took_s": gone()[0] - cut_s} if self._reports else {}
        when = f", after {figures['took_s']:.1f} s" if figures else ""
        self._found("loss", "good", f"The broker switched the plug off by itself{when}.", figures=figures)

    async def _hold(self) -> None:
        hold_s = self.config.relay.hold_s
        if hold_s is None:
            self._found(
                "hold",
                "doubtful",
                "No hold time is configured: if broker and computer fail together, nothing ends a charge.",
                "If the plug can switch itself off after a while, use it: relay.hold_s, and {hold_s} in on_payload.",
            )
            return
        if hold_s > HOLD_MOST_S:
            raise LeftOut(
                f"{duration(hold_s)} with nothing plugged in may be taken for a car that is full; try it by hand"
            )
        await self._empty()
        await self._off()
        self.led.service.relay.reasserts_on = False
        await self._on()
        on_s = self.lane[-1][0]
        most_s = min(1.25 * hold_s + 15.0, HOLD_MOST_S + 50.0) if self._reports else hold_s + 5.0
        await self._until(
            lambda: self._dropped_s() or not self.controller.wants_on or self._drawn_w(on_s) > FLOWS_W,
            most_s,
            f"told nothing now, the plug should go off after {duration(hold_s)}",
        )
        held_s = self._dropped_s()
        if held_s is None:
            await self._stay_empty(0.0)  # on still, and not switched off by anybody
        off = held_s is not None or (
            not self._reports
            and await self._told(
                f"Did the plug go off by itself, about {duration(hold_s)} after it went on, and not sooner?"
            )
        )
        self._make_safe()
        await self._off()
        if not off:
            raise Failed(
                f"The plug was told nothing for {duration(most_s)}, and stayed on"
                + ("." if self._reports else ", or went off too early."),
                "See where and in what unit on_payload tells it the time. Until then do not rely on it.",
            )
        figures = {} if held_s is None else {"held_s": held_s}
        what = "The plug switched itself off" + ("" if held_s is None else f" after {duration(held_s)}")
        if held_s is not None and held_s < 0.8 * hold_s:
            least_s = 2 * self.config.relay.reassert_s
            remedy = f"See the unit, or set relay.hold_s to what it really is (at least {least_s:g}: see reassert_s)."
            self._found("hold", "wrong", f"{what}, too early (hold_s is {hold_s}).", remedy, figures)
        else:
            self._found("hold", "good", f"{what}, when nothing was heard.", figures=figures)

    # --- draw: with the car -------------------------------------------------------------------------------------------

    def _shows_what_is_switched(self) -> None:
        """Leave a part out while an inverter holds sun back: it would even out whatever is switched."""
        watch = self.controller.hidden
        if watch is not None and watch.stands:
            limit_w = watch.limit.limit_w
            at = f"the export stands at the limit of {watts(limit_w)}" if limit_w else "nothing may be exported"
            raise LeftOut(
                f"{at}, and the inverter, which holds sun back, evens out what is switched. Go through this part again "
                "in the evening, or under a grey sky"
            )

    async def _draw(self) -> None:
        await self._until(lambda: min(map(len, self.sources)) > 3, WATCH_MOST_S, "watching the meter")
        if not all(self.sources):  # nobody need carry a lead about for that
            raise self._nothing_heard()
        slow, measured = self._usual_s() > SLOWEST_STEP_S, self.controller.settings.power is not None
        if slow and not measured:
            raise LeftOut(f"a meter that speaks every {self._usual_s():.0f} s does not show the lead's steps")
        self._shows_what_is_switched()
        rounds = (1, 1) if slow else (ROUNDS_LEAST, ROUNDS_MOST)
        least_s, most_s = (number * (ON_S + OFF_S + 15.0) + draw.SIDE_S for number in rounds)
        self.person.tell(
            f"  Put the lead, set to {self.config.charger.current_a:g} A, into the plug, and connect a car that is not "
            "full.\n"
            f"  It is switched on and off for {duration(least_s)} or more, {duration(most_s)} at most. Leave kettle "
            "and oven off, and stay by it. A meter that is late is waited for, so with one it takes longer.\n"
            "  Plug, socket and cable must be rated for it. If anything smells or hums: Ctrl-C, then the circuit off "
            "at the fuse board, and only then unplug."
        )
        await self._ready("Is all of that so?")
        self.empty = False
        began_s = self.clock.now()
        await self._off()
        await self._pass(began_s + draw.SIDE_S, "looking at the house")
        steps: list[draw.Step | None] = []
        done: list[Round] = []
        for number in range(1, rounds[1] + 1):
            done.append(await self._round(f"round {number} of {rounds[0]} to {rounds[1]}"))
            steps += [done[-1].up, done[-1].down]
            # What shows nothing in time may show it in the next round, where it would be taken for another switching.
            if not done[-1].shown or (number >= rounds[0] and (slow or _agreed(steps))):
                break
        plug_w = [one.plug_w for one in done if one.plug_w is not None]
        self.person.tell(picture(self.readings, self.lane, began_s, self.clock.now()))
        self._judge_lag([one.lag_s for one in done if one.lag_s is not None])
        self._judge_draw(steps, median(plug_w) if plug_w else None, done[-1].shown or slow)
        self._judge_voltage()

    async def _round(self, name: str) -> Round:
        """Switch on and off once, and see what the meters make of it."""
        measured = self.controller.settings.power is not None
        await self._on()
        on_s = self.lane[-1][0]
        try:
            begun = await self._stay(CAR_WITHIN_S, f"{name}: waiting for the car", lambda: self._draws(on_s))
            begun_s = self.begun_s[on_s] = self.clock.now()
            if not begun and measured:
                raise self._nothing_drawn(on_s)
            until_s = begun_s + LATEST_S
            expected_w = self._drawn_w(on_s) if measured else self.config.draw_w
            shown = await self._stay(
                until_s - self.clock.now(),
                f"{name}: waiting for the meter to follow",
                lambda: self._jumps(on_s, until_s, expected_w),
            )
            shown_s = max((jump.at_s for jump in self._jumps(on_s, until_s, expected_w)), default=begun_s)
            after_s = max(begun_s + BEGUN_SETTLES_S, shown_s + SETTLES_S)
            await self._stay(after_s + REST_S - self.clock.now(), f"{name}: on")
        except Failed as failure:
            raise self._with_power(failure, on_s) from None
        rises = self._jumps(on_s, until_s, expected_w)
        await self._off()
        off_s = self.lane[-1][0]
        until_s = off_s + (LATEST_S if shown else 0.0)
        await self._until(
            lambda: self._jumps(off_s, until_s, expected_w),
            until_s - self.clock.now(),
            f"{name}: off, waiting for the meter to follow",
        )
        shown_s = max((jump.at_s for jump in self._jumps(off_s, until_s, expected_w)), default=off_s)
        gone_s = max(off_s + draw.OFF_SETTLES_S, shown_s + SETTLES_S)
        await self._pass(gone_s + draw.SIDE_S + 12.0, f"{name}: off")
        seen_w = [power_w for at_s, power_w in self.powers if after_s <= at_s <= off_s]
        plug_w = median(seen_w) if seen_w else None
        if not shown:
            return Round(None, None, plug_w, None, False)
        up, down = self._step(on_s, after_s), self._step(off_s, gone_s)
        down = down and down._replace(step_w=-down.step_w)
        return Round(up, down, plug_w, _lag_s(rises, self._jumps(off_s, until_s, expected_w), off_s), True)

    def _step(self, switched_s: float, followed_s: float) -> draw.Step | None:
        """Return the step from before a switching to after the meter has followed."""
        return draw.step_between(
            self._between(switched_s - draw.SIDE_S, switched_s),
            self._between(followed_s, followed_s + draw.SIDE_S),
            self.config.draw_w,
        )

    def _jumps(self, from_s: float, until_s: float, expected_w: float) -> list[Jump]:
        """Return where grid power has moved by what may be the lead."""
        return _jumps(self.readings, from_s, until_s, STEP_SHARE * expected_w)

    def _between(self, from_s: float, to_s: float) -> list[tuple[float, float]]:
        return [reading for reading in self.readings if from_s <= reading[0] <= to_s]

    def _risen_w(self, on_s: float) -> float:
        """Return by how much the last readings lie above those before the switching."""
        before_w = [grid_w for _, grid_w in self._between(on_s - draw.SIDE_S, on_s)]
        since_w = [grid_w for at_s, grid_w in self.readings if at_s > on_s][-3:]
        return median(since_w) - median(before_w) if before_w and len(since_w) == 3 else 0.0

    def _draws(self, on_s: float) -> bool:
        if self.controller.settings.power:
            return self._drawn_w(on_s) > FLOWS_W
        return abs(self._risen_w(on_s)) > 0.5 * self.config.draw_w

    def _nothing_drawn(self, on_s: float) -> Failed:
        drawn_w, risen_w = self._drawn_w(on_s), abs(self._risen_w(on_s))
        what = f"The plug reports {watts(drawn_w)} {duration(CAR_WITHIN_S)} after it went on"
        self._look_for_refused()
        likely_w = risen_w if risen_w > 0.5 * self.config.draw_w else self.config.draw_w
        if abs(1000 * drawn_w - likely_w) < THOUSAND_SHARE * likely_w:
            what = f"The plug reports {drawn_w:.2f} W with the car, a thousandth of what the lead draws."
            return Failed(what, put("[relay.power]", unit="kW"))
        if risen_w > 0.5 * self.config.draw_w:
            return Failed(
                f"{what}, but grid power moved by {signed(self._risen_w(on_s), 0)} W.",
                "Is relay.power of this plug, and its pointer right?",
            )
        return Failed(
            f"Nothing draws: {what[0].lower()}{what[1:]}.",
            "See whether the car is connected, not full, and not waiting for an hour of its own choice.",
        )

    def _with_power(self, failure: Failed, on_s: float) -> Failed:
        """Add what the plug measured to what a charge failed of: the wrong current shows itself like that."""
        if (refusal := self.led.refused.get("relay.power")) and refusal.reason == "implausible":
            self.refused_told.add("relay.power")
            return Failed(self._refused("relay.power"), self._put_right("relay.power"))
        flowed_w = [power_w for at_s, power_w in self.powers if at_s >= on_s and power_w > FLOWS_W]
        if not flowed_w and not self.controller.lessons.steps.high_w:
            return failure
        power_w = median(flowed_w or self.controller.lessons.steps.high_w)
        charger = self.config.charger
        current_a = power_w / (self._volts() or charger.voltage_v)
        whose = "plug" if flowed_w else "house's meter"
        measured = f" The {whose} measured {watts(power_w)}, {current_a:.1f} A; current_a is {charger.current_a:g}."
        remedy = failure.remedy
        if current_a > (1 + WRONG_SHARE) * charger.current_a:
            remedy = self._other_current(current_a)
        return Failed(failure.what + measured, remedy, {"power_w": power_w, "current_a": current_a})

    def _other_current(self, current_a: float) -> str:
        """Return what to do about a lead that draws more than is configured."""
        socket, given_a = self.config.socket, self.config.charger.current_a
        remedy = f"Set the lead to {given_a:g} A."
        if current_a <= (1 + SURE_SHARE) * socket.continuous_a:
            return f"{remedy} Or, if it is meant to draw so much: {put('[charger]', current_a=round(current_a))}"
        return f"{remedy} This socket may carry {socket.continuous_a:g} A for hours, and no more."

    def _volts(self, on: bool = True) -> float | None:
        """Return the voltage under load, or without it, in the draw's rounds; None: it is not measured."""
        seen_v = []
        for (from_s, was_on), (to_s, _) in zip(self.lane, [*self.lane[1:], (self.clock.now(), False)], strict=True):
            if was_on is on:
                settled_s = self.begun_s.get(from_s, from_s) + draw.ON_SETTLES_S
                seen_v += [value for at_s, value in self.volts if settled_s <= at_s <= to_s]
        return median(seen_v) if seen_v else None

    def _judge_lag(self, lags_s: Sequence[float]) -> None:
        """Say how late the meter is, as the daemon will take it: from where the relay goes off."""
        if not lags_s:
            return
        lag_s = median(lags_s)
        bought_wh = self.config.draw_w * lag_s / 3600
        figures = {"lag_s": lag_s, "bought_wh": bought_wh}
        what = f"The meter shows a switching after about {lag_s:.0f} s"
        remedy = (
            "Look for a quicker way to its readings: from the meter itself rather than by way of a far server, or at a "
            "shorter interval."
        )
        if lag_s > MOST_LAG_S:
            what += ": too late to judge its sign by."
            remedy += (
                " Until then the daemon (it will say meter-late) cannot notice a sign that is wrong, which would buy "
                "all night: go through the part sign, with a kettle, after every change to the meter."
            )
            self._found("draw", "wrong", what, remedy, figures)
        elif lag_s > PROMPT_S:
            what += (
                ". It is waited for; but the lead goes off so much later, too, and at each cloud up to "
                f"{bought_wh:.0f} Wh more are bought."
            )
            self._found("draw", "doubtful", what, remedy, figures)
        else:
            self._found("draw", "good", f"{what}.", figures=figures)

    def _judge_draw(self, steps: Sequence[draw.Step | None], plug_w: float | None, shown: bool) -> None:
        charger, unclear = self.config.charger, sum(step is None for step in steps)
        learned = _agreed(steps)
        if learned and learned.draw_w < 0:
            what = f"Grid power falls by {watts(-learned.draw_w)} when the lead starts: the meter's sign is wrong."
            remedy = "Go through the part sign, with a kettle; it says what to turn round."
            raise Failed(what, remedy, {"step_w": learned.draw_w})
        draw_w = learned.draw_w if learned else plug_w
        if draw_w is None:
            raise Failed(
                f"The lead's draw cannot be told: {unclear} of {counted(len(steps), 'switching')} were drowned by the "
                "rest of the house, or nothing was drawn.",
                "See that the car charges, and try again on a calm evening. A house battery hides it, too, and so does "
                f"a meter that is later than {duration(LATEST_S)}.",
            )
        loaded_v = self._volts()
        current_a = draw_w / (loaded_v or charger.voltage_v)
        figures = {"draw_w": draw_w, "current_a": current_a, "steps": float(len(steps) - unclear)}
        figures |= {} if loaded_v is None else {"loaded_v": loaded_v}
        told = (
            [f"{watts(learned.draw_w)}, give or take {watts(learned.error_w)}, by the house's meter"] if learned else []
        )
        told += [f"{watts(plug_w)} by the plug's own"] if plug_w is not None else []
        what = f"The lead draws {', '.join(told)}; {current_a:.1f} A"
        what += f" at {loaded_v:.0f} V" if loaded_v else ""
        what += f". Configured: {watts(self.config.draw_w)}, {charger.current_a:g} A"
        off_share = draw_w / (self.config.draw_w * (loaded_v or charger.voltage_v) / charger.voltage_v) - 1
        # A voltage that is not measured may be a tenth higher (EN 50160), and the current so much lower.
        surely_a = draw_w / (loaded_v or (1 + VOLTAGE_TOLERANCE) * charger.voltage_v)
        socket = self.config.socket
        if surely_a > (1 + SURE_SHARE) * socket.continuous_a and socket.above_continuous_because is None:
            what += f". That is more than the socket may carry for hours ({socket.continuous_a:g} A)."
            self._found("draw", "wrong", what, "Set the lead to a lower current.", figures)
        elif off_share > WRONG_SHARE:
            self._found("draw", "wrong", f"{what}.", self._other_current(current_a), figures)
        elif off_share < -WRONG_SHARE:
            remedy = "See what current the lead is set to. Or the car is nearly full; or it always takes less: then, "
            remedy += f"in [charger], draw_w = {round(draw_w)}."
            self._found("draw", "doubtful", f"{what}.", remedy, figures)
        elif abs(off_share) > CLOSE_SHARE:
            remedy = f"In [charger]: draw_w = {round(draw_w)}; then surpluscharge check."
            self._found("draw", "good", f"{what}.", remedy, figures)
        else:
            self._found("draw", "good", f"{what}.", figures=figures)
        if not shown:
            self._found(
                "draw",
                "doubtful",
                f"The house's meter shows none of the lead's switchings within {duration(LATEST_S)}, so neither the "
                "draw nor its own sign is confirmed.",
                "Is it the meter of the whole house? Then it is too late to judge its sign by, or a house battery "
                "evens the lead out: try this part again when that is full, empty or switched off.",
            )
        elif learned is None:
            self._found(
                "draw",
                "doubtful",
                "The house's meter confirmed neither the draw nor its own sign: it is too slow, or the rest of the "
                "house drowned the lead.",
                "Try this part again on a calm evening.",
            )
        elif plug_w is not None and abs(plug_w - learned.draw_w) > APART_SHARE * learned.draw_w + learned.error_w:
            self._found(
                "draw",
                "doubtful",
                "The two meters do not agree on it.",
                "See the units, and whether the house's meter sees all phases, and the whole house.",
                {"plug_w": plug_w, "house_w": learned.draw_w},
            )
        elif self.config.battery is None:  # which moves instead of the meter
            self._found("draw", "good", "Grid power rises when the lead starts: the meter's sign is right.")

    def _judge_voltage(self) -> None:
        loaded_v, free_v = self._volts(), self._volts(on=False)
        if loaded_v is None or free_v is None:
            return
        share, figures = (free_v - loaded_v) / free_v, {"loaded_v": loaded_v, "free_v": free_v}
        what = f"The voltage at the plug sinks by {free_v - loaded_v:.1f} V under load, {100 * share:.1f} %"
        drawn_w = [power_w for at_s, power_w in self.powers if power_w > FLOWS_W]
        why, grave = "", False
        if drawn_w and (drops := list(self.controller.lessons.mains.ohms)[-len(self.lane) :]):
            found, amps = Way(drops, median(drawn_w) / loaded_v), self.config.charger.current_a
            figures |= {"ohm": found.ohm, "error_ohm": found.error_ohm, "lost_w": found.ohm * amps**2}
            what += f": {found.ohm:.2f} ohm on the way, give or take {found.error_ohm:.2f}, "
            what += f"which take {watts(found.ohm * amps**2)} at {amps:g} A"
            why, grave = found.judged(amps, self.circuit_before)
        high_v, low_v = (
            HIGH_MEAN_SHARE * self.config.charger.voltage_v,
            LOWEST_MEAN_SHARE * self.config.charger.voltage_v,
        )
        if not low_v <= loaded_v <= high_v:
            limits = f"{low_v:.0f} to {high_v:.0f} V, the ten-minute means that EN 50160 allows"
            remedy = "If it stays so, no charge lasts: tell your network operator. Is charger.voltage_v right?"
            self._found("draw", "doubtful", f"{loaded_v:.0f} V under load is outside {limits}.", remedy, figures)
        if why:
            what += f". {why}"
        if share > DROP_SHARE or grave:
            remedy = (
                "A long or thin line, or a bad joint that gets hot. Do not charge: switch the circuit off at the fuse "
            )
            remedy += "board, then unplug, and ask a licensed electrician."
            self._found("draw", "wrong", f"{what}.", remedy, figures)
        elif why:
            remedy = "Feel plug and socket after an hour, and have a licensed electrician measure the circuit."
            self._found("draw", "doubtful", f"{what}.", remedy, figures)
        else:
            self._found("draw", "good", f"{what}.", figures=figures)


class Way(NamedTuple):
    """What switchings showed of the circuit up to the plug: drops in ohms, and the current in amperes."""

    drops: Sequence[float]
    amps: float

    @property
    def ohm(self) -> float:
        return max(0.0, median(self.drops))

    @property
    def error_ohm(self) -> float:
        """How far off that may be, at about nine in ten; of a single one nobody knows, so half a volt is taken."""
        if len(self.drops) == 1:
            return 0.5 / self.amps
        strays = max(abs(one - self.ohm) for one in self.drops)
        return max(LEAST_ERROR_OHM, 2 * strays / math.sqrt(len(self.drops)))

    def judged(self, amps: float, before: Resistance | None) -> tuple[str, bool]:
        """Return why it is too much at this current, and whether that is grave; empty: it is not known to be.

        ``before``: what was known of it before this sitting.
        """
        over_w = (self.ohm - self.error_ohm - HIGH_OHM) * amps**2
        if over_w > 0.0:
            why = f"That is high: in a circuit in order there are {HIGH_OHM:.1f} ohm at the most, network and all"
            return why, over_w >= HOLD_W
        if before is not None:
            grown = self.ohm - before.ohm
            if grown > math.hypot(self.error_ohm, before.error_ohm):
                why = f"That has grown since last time, when there were {before.ohm:.2f} ohm"
                return why, grown * amps**2 >= HOLD_W
        return "", False


async def run(sitting: Commissioning, parts: Sequence[str]) -> None:
    """Go through the given parts of PARTS; what was found is in the sitting's ``findings``, also if this raises.

    The relay is off afterwards, and charging disabled. Raises ValueError where a daemon is at work on this charger,
    and EOFError when the person has gone.
    """
    async with sitting.at_work():
        await sitting.go_through(parts)


def summary(sitting: Commissioning) -> str:
    """Return what came of it, and what remains to be done, the worst first."""
    findings, config = sitting.findings, sitting.config
    good = [finding for finding in findings if finding.verdict == "good"]
    lines = [f"\n{len(good)} of {counted(len(findings), 'finding')} {'is' if len(good) == 1 else 'are'} good."]
    for verdict in ("wrong", "doubtful", "not tried"):
        for finding in findings:
            if finding.verdict == verdict:
                lines.append(f"  {verdict}: {finding.what}")
                lines += [f"    {finding.remedy}"] if finding.remedy else []
    lines += [f"  worth writing down: {finding.remedy}" for finding in good if finding.remedy]
    controller, params, now_s = sitting.controller, config.settings().params, sitting.clock.now()
    starts_s = last_starts(controller.starts_s, params.starts_per_day)
    free_s = machine.budget_free_s(params, controller.state._replace(starts_s=starts_s))
    if sitting.starts and free_s > now_s:
        free = sitting.clock.wall() + timedelta(seconds=free_s - now_s)
        lines.append(
            f"Its starts, {sitting.starts} of them, count in the budgets (starts_per_hour, starts_per_day): the next "
            f"charge can begin at {free:%H:%M}{'' if free.date() == sitting.clock.wall().date() else ' tomorrow'}."
        )
    if any(finding.verdict == "wrong" for finding in findings):
        lines.append("First put right what is wrong, and go through that part again.")
    else:
        lines.append(
            "Next: surpluscharge run, or its service; then surpluscharge enable, or your dashboard's switch. At the "
            "first charge, feel plug and socket after an hour: lukewarm is normal, too hot to hold means stop: "
            "off at the fuse board first, then unplug. Look at the pins after two weeks, then each quarter."
        )
    return "\n".join(lines)


def _gaps(readings: Sequence[tuple[float, float]]) -> list[float]:
    return [later_s - sooner_s for (sooner_s, _), (later_s, _) in itertools.pairwise(readings)]


def picture(
    readings: Sequence[tuple[float, float]],
    lane: Sequence[tuple[float, bool]],
    from_s: float,
    to_s: float,
    width: int = 0,
) -> str:
    """Draw grid power over time, and below it when the relay was on, in two lines of text; 0: as wide as fits."""
    width = width or max(20, min(72, shutil.get_terminal_size().columns - 3))
    blocks = "▁▂▃▄▅▆▇█"
    column_s = (to_s - from_s) / width
    means: list[float | None] = []
    for index in range(width):
        held = [grid_w for at_s, grid_w in readings if 0 <= at_s - from_s - index * column_s < column_s]
        means.append(sum(held) / len(held) if held else means[-1] if means else None)
    known = [value for value in means if value is not None]
    if not known:
        return ""
    low_w, high_w = min(known), max(known)
    span_w = max(high_w - low_w, 1.0)
    heights = "".join(" " if value is None else blocks[round(7 * (value - low_w) / span_w)] for value in means)
    ons = ""
    for index in range(width):
        at_s = from_s + (index + 0.5) * column_s
        before = [on for switched_s, on in lane if switched_s <= at_s]
        ons += "━" if before and before[-1] else " "
    return (
        f"  grid power, from {watts(low_w)} to {watts(high_w)}, over {duration(to_s - from_s)}\n  {heights}\n  {ons}\n"
        "  the line: the lead is on"
    )


def _jumps(readings: Sequence[tuple[float, float]], from_s: float, until_s: float, least_w: float) -> list[Jump]:
    """Return where the readings jump, as the daemon sees it: of a quick meter's, not all are looked at."""
    thinned: list[tuple[float, float]] = []
    for at_s, value_w in readings:
        if at_s >= from_s - FAR_S and (not thinned or at_s >= thinned[-1][0] + EVERY_S):
            thinned.append((at_s, value_w))
    return jumps_in(thinned, from_s, until_s, least_w)


def _lag_s(on: Sequence[Jump], off: Sequence[Jump], off_s: float) -> float | None:
    """Return how late an off showed; None where it is not the one jump then, and undoes the one jump before."""
    if len(on) != 1 or len(off) != 1 or abs(on[0].step_w + off[0].step_w) > ALIKE_SHARE * abs(on[0].step_w):
        return None
    return off[0].at_s - off_s


def _agreed(all_steps: Sequence[draw.Step | None]) -> draw.Estimate | None:
    """Return what the steps agree on, whatever is configured; negative where grid power goes the wrong way."""
    steps = [step for step in all_steps if step is not None]
    if not steps:
        return None
    middle_w = median(step.step_w for step in steps)
    if middle_w >= 0:
        return draw.estimate(steps, max(middle_w, 1.0))
    found = draw.estimate([step._replace(step_w=-step.step_w) for step in steps], -middle_w)
    return found and found._replace(draw_w=-found.draw_w)


def _flow(grid_w: float) -> str:
    return f"the house {'imports' if grid_w > 0 else 'exports'} {watts(abs(grid_w))}"
