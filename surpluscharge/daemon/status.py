"""The status document: what a dashboard reads, and what a householder reads in it.

A pydantic model, so that its JSON Schema (:func:`schema`) is published with it. Energies in Wh, powers in W, times as
RFC 3339. Keys are only ever added while ``schema_version`` stays the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field

from surpluscharge.clock import Clock, until_next_day_s
from surpluscharge.config import Config
from surpluscharge.control import machine
from surpluscharge.control.controller import Controller, Moment, tenths
from surpluscharge.control.joint import MEASURES
from surpluscharge.control.rule import Way
from surpluscharge.control.signals import Meter
from surpluscharge.control.slots import known_until_s as known_until_s_of
from surpluscharge.control.supervisor import FAULT_BY_CODE, SEVERITY_NAMES, Record, flows
from surpluscharge.daemon.historian import Figures
from surpluscharge.history.energy import ms_of, time_of
from surpluscharge.history.wear import Wear, next_look_ms
from surpluscharge.words import counted, duration, number, printable, watts

if TYPE_CHECKING:
    from surpluscharge.daemon.planner import Planner

SCHEMA_VERSION: Literal[1] = 1
GAVE_UP = "The daemon has ended, and the relay never confirmed that it is off.", "somebody to go and look", None
REARM = "enable to be switched off and on again"
BEGINS_S = 60.0  # a car is given so long before it is said not to draw
OLD_S = 60.0  # from so old on, a report's age is worth a word
UNITS = {
    "current_a": "A",
    "power_w": "W",
    "high_w": "W",
    "voltage_v": "V",
    "voltage_mean_v": "V",
    "voltage_drop_v": "V",
    "temperature_c": "°C",
    "joint_lost_w": "W",
}


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", json_schema_serialization_defaults_required=True)


class SourceStatus(Part):
    topic: str
    power_w: float | None = Field(description="its share of grid power, positive for import; null: none yet")
    age_s: float | None
    fresh: bool


class GridStatus(Part):
    power_w: float | None = Field(description="positive: import, negative: export; null: not every source has spoken")
    age_s: float | None = Field(description="age of the oldest reading in the sum")
    fresh: bool
    sources: list[SourceStatus]
    lag_s: float | None = Field(
        None, description="how late it shows the charger's switching, learned from that; null: not learned yet"
    )


class BatteryStatus(Part):
    power_w: float | None = Field(description="positive: it is charged, negative: it gives; null: nothing was said yet")
    age_s: float | None
    fresh: bool
    level_percent: float | None = Field(description="null: no fresh word of it")
    yields: bool = Field(description="the sun is the car's: what it would be charged with counts as left over")


class NeighbourStatus(Part):
    name: str
    rank: int
    stage: Literal["idle", "asks", "starts", "draws"]
    draws_w: float
    heeded: bool = Field(description="false: it has kept this one waiting for so long that it is not, for a while")


class ExportLimitStatus(Part):
    """Where export is limited, and what is tried because of it."""

    limit_w: float
    stands: bool = Field(description="the export stands at the limit: more may be there, and surplus_w is the least")
    trying: bool = Field(description="a charge was begun to see whether it is, and has not shown it yet")
    trials_today: int
    bought_today_wh: float = Field(description="in trials, until they had shown it; from a battery as well")
    next_trial: datetime | None = Field(description="null: not known, or none today")


class ChargerPower(Part):
    power_w: float
    measured: bool = Field(description="false: assumed from the configuration")
    known: bool = Field(
        True, description="false: it may be on, and nobody knows what flows: power_w is 0, and nothing is counted"
    )


class RelayStatus(Part):
    commanded: Literal["on", "off"]
    reported: Literal["on", "off"] | None = Field(description="what the plug says itself; null: nothing")
    confirmed: bool = Field(description="by the plug where it reports, otherwise by the broker only")
    reported_age_s: float | None = Field(
        None, description="how old the plug's report is: one that is too old to rely on confirms nothing; null: none"
    )


class SessionStatus(Part):
    on_time_s: float
    energy_wh: float
    time_left_s: float
    energy_left_wh: float | None = Field(description="null: no cap")


class TodayStatus(Part):
    starts: int
    on_time_s: float
    energy_wh: float
    solar_wh: float
    grid_wh: float
    battery_wh: float = Field(0.0, description="of energy_wh, what the house's battery gave; the rest is solar")
    unknown_s: float = Field(0.0, description="time in which it may have drawn, and nothing of that is counted here")


class LedgerTotal(Part):
    """From the ledger; money where prices are configured, as decimal text in the tariffs' currency."""

    starts: int
    on_time_s: float
    energy_wh: float = Field(description="into the car")
    solar_wh: float
    grid_wh: float
    error_wh: float = Field(description="the energy may be off by so much, where the draw is learned or assumed")
    surplus_wh: float = Field(description="what would have been exported without the charger")
    unknown_s: float = Field(description="of the time so far, how much is not on record")
    paid: str | None = Field(description="for the grid's share")
    forgone: str | None = Field(description="export income that the solar share would have brought")
    saved: str | None = Field(description="against the alternative price; below zero: lost")
    planned_wh: float = Field(0.0, description="of grid_wh, what was bought because a plan said so")


class LedgerStatus(Part):
    as_of: datetime = Field(description="when these figures were made: at each batch")
    currency: str | None
    today: LedgerTotal
    yesterday: LedgerTotal
    month: LedgerTotal = Field(description="this calendar month so far")


class BudgetStatus(Part):
    starts_left_hour: int
    starts_left_day: int


class FaultStatus(Part):
    code: str
    severity: Literal["note", "hold", "end", "trip"]
    since: datetime
    latched: bool = Field(description="true: it stays until somebody acknowledges it")
    cooldown_left_s: float
    sentence: str
    remedy: str
    measured: dict[str, float] = Field(
        {}, description="what was measured when it was raised, where that is what is wrong; empty after a restart"
    )


class SocketStatus(Part):
    level: float = Field(description="of the thermal image: 0 cold, 1 trips")
    current_a: float | None = Field(description="measured; null: not known")
    temperature_c: float | None
    voltage_v: float | None
    voltage_mean_v: float | None = Field(
        None, description="mean of ten minutes under the lead's load, foretold while it is off; null: not known"
    )
    circuit_ohm: float | None = Field(
        None, description="of the circuit up to the plug, learned at the switchings; null: not known yet"
    )
    circuit_error_ohm: float | None = Field(None, description="how far off that may be, at about nine in ten")


class JointStatus(Part):
    """What one measure says of the joints on the way to the car. Whatever it says, it is no all-clear."""

    measure: Literal["ohms", "wall", "heat"]
    value: float | None = Field(description="what was last shown: ohms, with heat kelvin per square ampere")
    base: float | None = Field(description="what it was at first; null: not known yet")
    seen: int = Field(description="how often it was shown since then")
    grown: float | None = Field(description="by how much it seems to have grown; null: it is not known to have")
    grown_error: float | None = Field(description="a standard deviation")
    lost: float | None = Field(description="what that is at the lead's current: watts, with heat kelvin")
    since: datetime | None = Field(description="since when")


class ContactsStatus(Part):
    """How worn the contacts are, by what is on record. Whatever it says, it is no all-clear."""

    operations: int = Field(description="of the relay, under load: on and off once each")
    rated_operations: int
    hours: float = Field(description="that socket and pins have carried a load")
    hours_at: dict[str, float] = Field(description="of these, by the current in amperes, to the nearest")
    ampere_hours: float = Field(description="since the last look, or ever")
    looked: datetime | None = Field(description="when somebody last said that they had looked; null: never")
    next_look: datetime | None = Field(
        description="when the next look is due by time, or was; null: nothing has been charged yet"
    )


class Thresholds(Part):
    start_export_w: float | None = Field(
        description="null: no export is enough, at these prices or with a sky like this; or see steer"
    )
    stop_import_w: float | None = Field(description="null: at the present prices, a charge ends at once; or see steer")
    follow_prices: bool = Field(description='true: they are "auto" or "ahead"')
    look_ahead: bool = Field(description='true: they are "ahead", and move with what the surplus was of late')
    steer: bool = Field(
        False, description="true: the bill nets, and the energy of the interval decides in place of both"
    )


class RunStatus(Part):
    begins: datetime
    ends: datetime
    energy_wh: float
    price: float | None = Field(description="mean of a kWh, the sun's part counted as sold; null: no prices are known")
    sure: bool = Field(description="false: only if the sun brings no more than it does on average")


class PriceStatus(Part):
    begins: datetime
    price: float = Field(description="of a kWh from the grid, from then on")


class AwayStatus(Part):
    """Nobody is there, or will not be: nothing is due by the configuration then."""

    leave: datetime
    back: datetime | None = Field(description="null: until somebody says so")
    now: bool
    sun: bool = Field(description="whether the sun may charge meanwhile")


class PlanStatus(Part):
    """Charging by plan. What came is counted from the last time at which something was needed."""

    text: str = Field(description="the plan in a sentence; its wording may change")
    needed_by: datetime | None = Field(description="of the next need that is not met; null: there is none")
    needed_wh: float | None
    came_wh: float
    came_from_sun_wh: float
    lacks_wh: float = Field(description="of the next need, what is to come yet")
    unreachable_wh: float = Field(description="of that, what this lead cannot bring in time")
    runs: list[RunStatus]
    asked: Literal["now", "by"] | None = Field(description="what somebody asked for once; null: nothing")
    car_full: bool = Field(description="it drew nothing for ten minutes though it could; until the next need")
    time_left_s: float = Field(description="of what may be charged by plan until noon")
    energy_left_wh: float | None = Field(description="null: no cap")
    prices_known_until: datetime | None = Field(description="of prices that move; null: those of the file hold")
    prices: list[PriceStatus] = Field(
        [], description="from when a kWh costs what, for a day ahead, as published or as the file has it"
    )
    left_to_sun: str | None = Field(
        None, description="how much of what is needed is left to the sun, and why, in a sentence; null: nothing is"
    )
    prices_lack: Literal["late", "missing"] | None = Field(
        None, description="late: those ahead have not come; missing: those of now, so those of the file hold"
    )
    forecast_lack: Literal["late", "missing"] | None = Field(None, description="the same of the forecast")


class StatusDocument(Part):
    """What surpluscharge publishes on its status topic, retained."""

    schema_version: Literal[1] = SCHEMA_VERSION
    time: datetime
    charger: str
    state: Literal["idle", "arming", "charging", "disarming", "locked-out"]
    since: datetime = Field(description="when this state began")
    why: str = Field(description="a sentence for people; its wording may change")
    waiting_for: str | None = Field(description="and what is waited for; null: nothing")
    wait_s: float | None = Field(description="seconds left of that, where it is known")
    enabled: bool
    grid: GridStatus
    battery: BatteryStatus | None = Field(None, description="of the house; null: none is configured")
    neighbours: list[NeighbourStatus] | None = Field(
        None, description="others on the same meter that claim now, in their order; null: none are configured"
    )
    export_limit: ExportLimitStatus | None = Field(None, description="null: none is configured")
    surplus_w: float | None = Field(
        description="what would be exported or stored if the charger were off; null: no fresh reading, none yet since "
        "the relay was switched, or its draw is not known"
    )
    charger_power: ChargerPower
    thresholds: Thresholds
    relay: RelayStatus
    socket: SocketStatus
    session: SessionStatus
    today: TodayStatus
    ledger: LedgerStatus | None = Field(None, description="null: nothing is kept, or nothing yet")
    joints: list[JointStatus] | None = Field(
        None, description="what switchings have shown of the joints; null: nothing yet"
    )
    contacts: ContactsStatus | None = Field(None, description="null: nothing is kept, or nothing yet")
    learned_draw_w: float | None = Field(None, description="from the relay's steps in grid power; null: not learned")
    plan: PlanStatus | None = Field(None, description="null: it may not charge by plan")
    away: AwayStatus | None = Field(None, description="null: somebody is there, as far as is known")
    budget: BudgetStatus
    faults: list[FaultStatus]
    refused_messages: dict[str, int] = Field(description="messages that could not be used, by reason")
    heartbeat_s: float | None = Field(None, description="it is said again within so long; null: not known")


def schema() -> dict[str, Any]:
    """Return the document's JSON Schema (draft 2020-12)."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:surpluscharge:status:{SCHEMA_VERSION}",
        **StatusDocument.model_json_schema(mode="serialization"),
    }


def build(
    controller: Controller,
    config: Config,
    at: Moment,
    clock: Clock,
    figures: Figures | None = None,
    planner: Planner | None = None,
    *,
    gave_up: bool = False,
) -> StatusDocument:
    """Return the document for this moment; ``gave_up``: it is the last, and the relay is not known to be off."""
    state, params = controller.state, controller.settings.params
    now_s, wall, circuit = at.now_s, clock.wall(), controller.lessons.mains.learned

    def when(then_s: float) -> datetime:
        then = wall.astimezone(UTC) - timedelta(seconds=now_s - then_s)
        return then.astimezone(wall.tzinfo).replace(microsecond=0)

    grid_w, fresh = controller.grid.value, now_s < controller.grid.fresh_until_s
    decisive_w = controller.decisive_w
    why, waiting_for, wait_s = GAVE_UP if gave_up else explain(controller, config, at, wall)
    refused: dict[str, int] = {}
    for (_, reason), count in controller.refusals.counts.items():
        refused[reason] = refused.get(reason, 0) + count
    starts_hour = sum(start_s > now_s - machine.HOUR_S for start_s in state.starts_s)
    starts_day = sum(start_s > now_s - machine.DAY_S for start_s in state.starts_s)
    energy_left_wh = params.energy_cap_wh - state.session_wh
    return StatusDocument(
        time=wall.replace(microsecond=0),
        charger=config.charger.name,
        state=machine.MODE_NAMES[state.mode],
        since=when(state.since_s),
        why=why,
        waiting_for=waiting_for,
        wait_s=None if wait_s is None else round(wait_s, 1),
        enabled=controller.enabled,
        grid=GridStatus(
            power_w=tenths(grid_w),
            age_s=tenths(None if controller.grid.at_s is None else now_s - controller.grid.at_s),
            fresh=fresh,
            sources=_sources(controller, now_s),
            lag_s=tenths(controller.lessons.steps.lag_s),
        ),
        battery=_battery(controller, now_s),
        neighbours=_neighbours(controller),
        export_limit=_limit(controller, now_s, when),
        surplus_w=tenths(_surplus_w(controller, decisive_w, now_s)),
        charger_power=ChargerPower(
            power_w=round(controller.charger_w, 1), measured=controller.plug.measured, known=controller.known
        ),
        thresholds=_thresholds(controller),
        relay=RelayStatus(
            commanded="on" if controller.wants_on else "off",
            reported=None if controller.plug.reported is None else "on" if controller.plug.reported else "off",
            confirmed=controller.plug.witnessed(controller.wants_on),
            reported_age_s=tenths(controller.plug.reported_age_s),
        ),
        socket=SocketStatus(
            level=round(controller.socket.level, 3),
            current_a=None if controller.current_a is None else round(controller.current_a, 2),
            temperature_c=_fresh(controller.temperature, now_s),
            voltage_v=_fresh(controller.plug.voltage, now_s),
            voltage_mean_v=tenths(controller.voltage_mean_v),
            circuit_ohm=None if circuit is None else round(circuit.ohm, 2),
            circuit_error_ohm=None if circuit is None else round(circuit.error_ohm, 2),
        ),
        session=SessionStatus(
            on_time_s=round(state.session_s, 1),
            energy_wh=round(state.session_wh, 1),
            time_left_s=round(max(0.0, params.time_cap_s - state.session_s), 1),
            energy_left_wh=None if config.session.energy_cap_wh is None else round(max(0.0, energy_left_wh), 1),
        ),
        today=TodayStatus(
            starts=controller.today.starts,
            on_time_s=round(controller.today.on_s, 1),
            energy_wh=round(controller.today.charger_wh, 1),
            solar_wh=round(controller.today.solar_wh, 1),
            grid_wh=round(controller.today.grid_wh, 1),
            battery_wh=round(controller.today.battery_wh, 1),
            unknown_s=round(controller.today.unknown_s, 1),
        ),
        ledger=None if figures is None else _ledger(figures, config, wall.tzinfo),
        joints=_joints(controller, when),
        contacts=None if figures is None else _contacts(figures.wear, config, wall.tzinfo),
        learned_draw_w=tenths(controller.lessons.learned_w),
        plan=_plan(controller, config, planner, wall) if planner else None,
        away=_away(controller, wall),
        budget=BudgetStatus(
            starts_left_hour=max(0, params.starts_per_hour - starts_hour),
            starts_left_day=max(0, params.starts_per_day - starts_day),
        ),
        faults=[
            FaultStatus(
                code=record.code,
                severity=SEVERITY_NAMES[record.fault.severity],
                since=when(record.raised_s),
                latched=record.latches and not record.acknowledged,
                cooldown_left_s=round(max(0.0, record.raised_s + record.cooldown_s - now_s), 1),
                sentence=record.fault.sentence,
                remedy=record.fault.remedy,
                measured=controller.supervisor.shown.get(record.code, {}),
            )
            for record in controller.faults
        ],
        refused_messages=refused,
        heartbeat_s=config.status.heartbeat_s,
    )


def _away(controller: Controller, wall: datetime) -> AwayStatus | None:
    away, now_s = controller.progress.away, wall.timestamp()
    if away is None or away.ends_s <= now_s:
        return None
    leave, back = (at_s and datetime.fromtimestamp(round(at_s), wall.tzinfo) for at_s in away[:2])
    return AwayStatus(leave=leave, back=back, now=away.at(now_s), sun=away.sun)


def _plan(controller: Controller, config: Config, planner: Planner, wall: datetime) -> PlanStatus:
    progress, state, params = controller.progress, controller.state, controller.settings.params
    made = planner.shown.plan if planner.shown else None
    energy_left_wh = params.planned_energy_cap_wh - state.planned_wh
    known_until_s = known_until_s_of(planner.prices, wall.timestamp())

    def when(at_s: float) -> datetime:
        return datetime.fromtimestamp(round(at_s), wall.tzinfo)

    return PlanStatus(
        text="; ".join([planner.words(progress), *planner.lacks_in_words]),
        needed_by=when(made.need.by_s) if made and made.need else None,
        needed_wh=round(made.need.wh, 1) if made and made.need else None,
        came_wh=round(progress.got_wh, 1),
        came_from_sun_wh=round(progress.sun_wh, 1),
        lacks_wh=round(made.lacks_wh, 1) if made else 0.0,
        unreachable_wh=round(made.short_wh, 1) if made else 0.0,
        runs=[
            RunStatus(
                begins=when(run.begin_s),
                ends=when(run.end_s),
                energy_wh=round(run.wh, 1),
                price=round(run.price, 4) if config.money else None,
                sure=run.sure,
            )
            for run in (made.runs if made else ())
        ],
        asked=None if progress.request is None else "now" if progress.at_once else "by",
        car_full=progress.full,
        time_left_s=round(max(0.0, params.planned_time_cap_s - state.planned_s), 1),
        energy_left_wh=None if config.planned.energy_cap_wh is None else round(max(0.0, energy_left_wh), 1),
        prices_known_until=when(known_until_s) if known_until_s > wall.timestamp() else None,
        prices=[PriceStatus(begins=when(at_s), price=round(price, 4)) for at_s, price in planner.prices_ahead],
        left_to_sun=planner.shown.left if planner.shown else None,
        prices_lack=planner.lacking.get("prices"),
        forecast_lack=planner.lacking.get("forecast"),
    )


def _thresholds(controller: Controller) -> Thresholds:
    """Return the thresholds in force; where none is finite, null."""
    band, rule = controller.band, controller.settings.rule
    return Thresholds(
        start_export_w=tenths(band.start_w),
        stop_import_w=tenths(band.stop_w),
        follow_prices=rule.way.follows_prices,
        look_ahead=rule.looks_ahead and not controller.steers,
        steer=controller.steers,
    )


def _ledger(figures: Figures, config: Config, zone: tzinfo | None) -> LedgerStatus:
    tariffs = config.tariffs()
    totals = []
    accounts = (figures.today, figures.yesterday, figures.month)
    for accounted, starts in zip(accounts, figures.starts, strict=True):
        energy, cost = accounted.energy, accounted.money
        lasted_ms = min(figures.as_of_ms, ms_of(accounted.end)) - ms_of(accounted.begin)
        totals.append(
            LedgerTotal(
                starts=starts,
                on_time_s=round(energy.on_ms / 1000, 1),
                energy_wh=round(energy.charger_wh, 1),
                solar_wh=round(energy.solar_wh, 1),
                grid_wh=round(energy.grid_wh, 1),
                planned_wh=round(energy.planned_wh, 1),
                error_wh=round(energy.error_wh, 1),
                surplus_wh=round(energy.surplus_wh, 1),
                unknown_s=round(max(0, lasted_ms - energy.known_ms) / 1000, 1),
                paid=None if cost is None else number(cost.paid, 2),
                forgone=None if cost is None else number(cost.forgone, 2),
                saved=None if cost is None else number(cost.saved, 2),
            )
        )
    return LedgerStatus(
        as_of=time_of(figures.as_of_ms, zone).replace(microsecond=0),
        currency=tariffs.currency if tariffs else None,
        today=totals[0],
        yesterday=totals[1],
        month=totals[2],
    )


def _joints(controller: Controller, when: Callable[[float], datetime]) -> list[JointStatus] | None:
    joint = controller.lessons.joint
    if joint is None:
        return None
    found = {finding.measure: finding for finding in controller.lessons.grown(controller.settings.draw_a)}
    result = []
    for measure in MEASURES:
        track, finding = joint.track(measure), found.get(measure)
        if track.pieces:
            result.append(
                JointStatus(
                    measure=measure,
                    value=_ohm(track.last),
                    base=_ohm(track.base),
                    seen=track.pieces,
                    grown=finding and _ohm(finding.value - finding.base),
                    grown_error=finding and _ohm(finding.error),
                    lost=finding and round(finding.lost, 1),
                    since=finding and when(finding.since_s),
                )
            )
    return result


def _ohm(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _contacts(wear: Wear, config: Config, zone: tzinfo | None) -> ContactsStatus:
    rules = config.contacts.rules
    next_ms = next_look_ms(wear, rules, zone)
    return ContactsStatus(
        operations=wear.operations,
        rated_operations=rules.rated_operations,
        hours=round(sum(hours for _, hours in wear.hours_at), 1),
        hours_at={f"{amps}": round(hours, 1) for amps, hours in wear.hours_at},
        ampere_hours=round(wear.ampere_hours, 1),
        looked=time_of(wear.look.at_ms, zone).replace(microsecond=0) if wear.look else None,
        next_look=None if next_ms is None else time_of(next_ms, zone).replace(microsecond=0),
    )


def _sources(controller: Controller, now_s: float) -> list[SourceStatus]:
    result = []
    for index, source in enumerate(controller.grid.sources):
        reading = controller.grid.reading(index)
        result.append(
            SourceStatus(
                topic=source.topic,
                power_w=tenths(reading and reading.value),
                age_s=tenths(reading and now_s - reading.at_s),
                fresh=reading is not None and now_s < reading.at_s + source.fresh_s,
            )
        )
    return result


def _surplus_w(controller: Controller, decisive_w: float | None, now_s: float) -> float | None:
    """Return it where meter and relay are known, and are known of the same moment."""
    known = now_s < controller.fresh_until_s and controller.known and controller.read_since_switching
    return controller.charger_w - decisive_w if decisive_w is not None and known else None


def _battery(controller: Controller, now_s: float) -> BatteryStatus | None:
    meter = controller.battery
    if controller.settings.battery is None:
        return None
    return BatteryStatus(
        power_w=tenths(meter.value),
        age_s=tenths(None if meter.at_s is None else now_s - meter.at_s),
        fresh=now_s < meter.fresh_until_s,
        level_percent=_fresh(controller.battery_level, now_s),
        yields=controller.battery_yields,
    )


def _neighbours(controller: Controller) -> list[NeighbourStatus] | None:
    if controller.neighbours is None:
        return None
    return [
        NeighbourStatus(
            name=neighbour.name,
            rank=neighbour.claim.rank,
            stage=neighbour.claim.stage,
            draws_w=round(neighbour.claim.draws_w, 1),
            heeded=neighbour.asking.heeds and neighbour.starting.heeds,
        )
        for neighbour in controller.neighbours.live
        if neighbour.claim
    ]


def _limit(controller: Controller, now_s: float, when: Callable[[float], datetime]) -> ExportLimitStatus | None:
    watch = controller.hidden
    if watch is None:
        return None
    wait = controller.trial_waits(now_s)
    known = watch.stands and not controller.wants_on and wait is not None and math.isfinite(wait.until_s)
    return ExportLimitStatus(
        limit_w=watch.limit.limit_w,
        stands=watch.stands,
        trying=watch.began_s is not None,
        trials_today=watch.tried.trials,
        bought_today_wh=round(watch.tried.bought_wh, 1),
        next_trial=when(wait.until_s) if known and wait is not None else None,
    )


def _fresh(meter: Meter, now_s: float) -> float | None:
    return tenths(meter.value) if now_s < meter.fresh_until_s else None


def waits_for(waiting_for: str, wait_s: float | None, passed_s: float) -> str:
    """Return what is waited for as it is after so much time in which nothing new was said."""
    if wait_s is None:
        return waiting_for
    left = duration(max(0.0, wait_s - passed_s))
    return waiting_for.replace(f"{duration(wait_s)} more", f"{left} more")


def in_words(document: StatusDocument, config_path: str, age_s: float | None = None) -> str:
    """Return the document for a person: a few lines.

    ``age_s``: it was made so long ago, and what it waits for has come nearer since; None: it is shown as it was said.
    """
    waits, said = document.waiting_for or "", ""
    planned = "Plan" if document.enabled else "Plan, once it is enabled"
    if age_s is not None:
        passed_s = max(0.0, age_s)
        said = f"; said {duration(passed_s)} ago"
        waits = waits_for(waits, document.wait_s, passed_s)
    grid_w, relay, today = document.grid.power_w, document.relay, document.today
    flow = "unknown" if grid_w is None else f"{watts(abs(grid_w))} {'import' if grid_w > 0 else 'export'}"
    # As it was when it was said: with the time since added, a meter in order would look late.
    age = "" if document.grid.age_s is None else f", {duration(document.grid.age_s)} old{' then' if said else ''}"
    word = f"told {relay.commanded}" if relay.reported is None else relay.commanded  # else nobody has said that it is
    told = "" if relay.confirmed else ", not confirmed"
    if relay.reported_age_s is not None and (not relay.confirmed or relay.reported_age_s >= OLD_S):
        told += f", heard {duration(relay.reported_age_s)} ago"
    charger = document.charger_power
    drawn = watts(charger.power_w) if charger.known else "not known"
    drawn += ", assumed" if charger.known and charger.power_w and not charger.measured else ""
    allowed = "enabled" if document.enabled else "disabled"
    lines = [
        f"{document.charger}: {document.state} since {document.since:%H:%M}, {allowed}{said}",
        document.why,
        *([f"It waits for {waits}."] if waits else []),
        f"Grid {flow}{age}; relay {word}{told}; charger {drawn}",
        *([f"{planned}: {document.plan.text}."] if document.plan else []),
        *([f"Left to the sun: {document.plan.left_to_sun}."] if document.plan and document.plan.left_to_sun else []),
        f"Today {today.energy_wh / 1000:.2f} kWh, {today.solar_wh / 1000:.2f} from the sun; "
        f"{counted(today.starts, 'start')}",
    ]
    if away := document.away:
        until = f" until {away.back:%Y-%m-%d %H:%M}" if away.back else ""
        begins = "Nobody is there" if away.now else f"Nobody is there from {away.leave:%Y-%m-%d %H:%M}"
        meanwhile = "the sun charges" if away.sun else "the sun does not charge"
        lines.append(f"{begins}{until}: {meanwhile}, and what is asked for counts, but nothing else that is needed")
    if contacts := document.contacts:
        seen = f"last looked at {contacts.looked:%Y-%m-%d}" if contacts.looked else "not looked at yet"
        next_ = f", due by {contacts.next_look:%Y-%m-%d}" if contacts.next_look else ""
        lines.append(
            f"Contacts: switched under load {counted(contacts.operations, 'time')} of {contacts.rated_operations}, "
            f"{contacts.hours:.1f} h of current; {seen}{next_}"
        )
    if document.refused_messages:
        lines.append(f"Messages that could not be used, by reason: {refused_in_words(document)}")
    for fault in document.faults:
        done = fault_in_words(fault, f"surpluscharge ack --config {config_path} {fault.code}")
        lines.append(f"{fault.severity} {fault.code}: {done}")
    return printable("\n".join(lines), lines=True)  # it came from the broker, and whoever may publish there wrote it


def refused_in_words(document: StatusDocument) -> str:
    return ", ".join(f"{reason} {count}" for reason, count in document.refused_messages.items())


def fault_in_words(fault: FaultStatus, acknowledging: str) -> str:
    """Return what is wrong and what to do about it; ``acknowledging`` is how to, where that belongs to it."""
    measured = "".join(f" Measured: {value:g} {UNITS.get(name, name)}." for name, value in fault.measured.items())
    rest = fault.remedy.removeprefix("Nothing")  # behind a sentence of what is wrong, that word would be none
    text = f"{fault.sentence}{measured} {fault.remedy if rest == fault.remedy else f'What to do: nothing{rest}'}"
    if fault.latched:
        return f"{text} Then: {acknowledging}"
    known = FAULT_BY_CODE.get(fault.code)  # the document may be of another version
    return f"{text} Acknowledged." if known and known.latches else text


# --- in words --------------------------------------------------------------------------------------------------------


Said = tuple[str, str | None, float | None]  # why, what it waits for, and for how many more seconds


class Scene(NamedTuple):
    """What there is to be said something about."""

    controller: Controller
    config: Config
    at: Moment
    wall: datetime
    facts: int

    @property
    def flow(self) -> str:
        """What the house takes or gives."""
        grid_w = self.controller.inputs.grid_w
        if self.controller.settings.battery:
            yields = self.controller.battery_yields
            beside = "Without its battery" if yields else "Beside its battery"
            return f"{beside} the house {'would export' if grid_w <= 0 else 'would import'} {watts(abs(grid_w))}"
        return f"The house exports {watts(-grid_w)}" if grid_w <= 0 else f"The house imports {watts(grid_w)}"

    @property
    def outlook(self) -> str:
        """What is expected of the surplus, to be put behind a sentence; empty: nothing looks ahead."""
        return f" {sentence}" if (sentence := self.controller.outlook()) else ""


def explain(controller: Controller, config: Config, at: Moment, wall: datetime) -> Said:
    """Return why the charger does what it does, what it waits for, and for how many more seconds.

    The reason is the transition table's own.
    """
    facts = machine.conditions(controller.settings.params, controller.state, at.now_s, controller.inputs)
    scene, reason = Scene(controller, config, at, wall, facts), machine.reason(controller.state.mode, facts)
    if reason != machine.C_STOPPING and (first := _first_of_all(scene)):
        return first
    if reason in BY_SURPLUS and controller.settings.rule.way is Way.HAND:
        return _by_hand(scene, reason)
    return (WHATEVER_THE_SUN_DOES | BY_SURPLUS)[reason](scene)


def _first_of_all(scene: Scene) -> Said | None:
    """Return what somebody has to know before any reason of the table."""
    controller = scene.controller
    if any(record.code == "relay-stuck-on" for record in controller.faults):  # the one that cannot wait
        return FAULT_BY_CODE["relay-stuck-on"].sentence, "somebody to look, and to acknowledge relay-stuck-on", None
    if not controller.plug.hearing and not controller.plug.link_up:
        off = "" if scene.facts & machine.ENABLED else ", and charging is switched off"
        return f"The broker cannot be reached{off}.", "a connection to the broker", None
    return None


def _stopping(scene: Scene) -> Said:
    if scene.controller.inputs.off_confirmed:
        return "The daemon is shutting down, and the relay is off.", None, None
    return "The daemon is shutting down.", f"the {_witness(scene.controller)} to confirm that the relay is off", None


def _time_spent(scene: Scene) -> Said:
    return _spent(scene, f"{duration(scene.controller.settings.params.time_cap_s)} of charging")


def _energy_spent(scene: Scene) -> Said:
    return _spent(scene, f"{scene.controller.settings.params.energy_cap_wh / 1000:.1f} kWh")


def _spent(scene: Scene, what: str) -> Said:
    if scene.facts & machine.ENDING:  # it will be there still when the next session has begun
        return _fault_wait(scene, machine.END)
    why = f"The session's {what} are used up."
    if not scene.controller.settings.params.rearm_daily:
        return why, REARM, None
    rearm = scene.config.session.rearm_at
    return why, f"{rearm}, when a new session begins", until_next_day_s(scene.wall, scene.config.rearm_at)


def _meter_silent(scene: Scene) -> Said:
    if scene.at.now_s < scene.controller.grid.fresh_until_s:
        return FAULT_BY_CODE["battery-silent"].sentence, "a reading of the battery", None
    grid, now_s = scene.controller.grid, scene.at.now_s
    last_s = grid.at_s
    age = "" if last_s is None else f" The last one is {duration(now_s - last_s)} old."
    silent = [
        source.topic
        for index, source in enumerate(grid.sources)
        if (reading := grid.reading(index)) is None or now_s >= reading.at_s + source.fresh_s
    ]
    topics = ", ".join(dict.fromkeys(silent))
    return f"There is no fresh reading from the meter{f' ({topics})' if topics else ''}.{age}", "a reading", None


def _by_hand(scene: Scene, reason: int) -> Said:
    arms = reason == machine.C_SURPLUS_HELD
    waits = _arming_wait(scene) if arms else ("somebody to switch it off", None)
    return "It is being commissioned: switched by hand, whatever the sun does.", *waits


TRIAL_WAITS = {
    "night": "the sun to stand higher",
    "odds": "the sun to stand as high as it takes, by the trials of late, or else a trial past noon",
    "trials": "tomorrow: today's trials are used up",
    "bought": "tomorrow: another trial might buy more than is left of what trials may buy in a day",
    "stands": "the export to stand there for a while",
}


def _at_limit(scene: Scene) -> Said:
    controller, watch = scene.controller, scene.controller.hidden
    assert watch is not None
    limit_w = watch.limit.limit_w
    stands = f"The export stands at the limit of {watts(limit_w)}" if limit_w else "Nothing may be exported"
    why, wait = f"{stands}: more may be there.", controller.trial_waits(scene.at.now_s)
    if wait is None:
        return why, *_arming_wait(scene)
    if math.isfinite(wait.until_s):
        wait_s = wait.until_s - scene.at.now_s
        return why, f"a trial at {scene.wall + timedelta(seconds=wait_s):%H:%M}", wait_s
    return why, TRIAL_WAITS[wait.why], None


def _too_little(scene: Scene) -> Said:
    band, rule = scene.controller.band, scene.controller.settings.rule
    neighbours = scene.controller.neighbours
    if neighbours and neighbours.stage == "asks":
        return f"{scene.flow}, and others draw what would be enough.", "those of a later rank to give way", None
    watch = scene.controller.hidden
    if watch is not None and watch.stands and rule.worthwhile(scene.controller.draw_w):
        return _at_limit(scene)
    if band.start_w is not None:
        return f"{scene.flow}.{scene.outlook}", f"an export of {watts(band.start_w)}", None
    if rule.worthwhile(scene.controller.draw_w) and scene.controller.steers:
        return f"{scene.flow}.{scene.outlook}", "what it leaves over to last until its end", None
    if rule.worthwhile(scene.controller.draw_w):
        return f"{scene.flow}.{scene.outlook}", "a surplus that has lasted a little longer", None
    why = f"{scene.flow}. At the present prices it is worth more sold than charged."
    return why, *_price_wait(scene.config, scene.wall)


def _by_plan(scene: Scene) -> Said:
    controller, asked = scene.controller, scene.controller.progress.at_once
    if not controller.wants_on:
        due = "A charge was asked for" if asked else "A charge is due by plan"
        return f"{due}. {scene.flow}.", *_arming_wait(scene)
    if not _followed(controller):
        return _told_on(scene)
    why = f"{'Charging as asked for' if asked else 'Charging by plan'}. {scene.flow}."
    until_s = controller.due_until_s
    params, state, charger_w = controller.settings.params, controller.state, controller.inputs.charger_w
    left_s = params.planned_time_cap_s - state.planned_s
    if charger_w > 0:
        left_s = min(left_s, (params.planned_energy_cap_wh - state.planned_wh) * 3600 / charger_w)
    if until_s is not None and until_s - scene.at.now_s < left_s:
        wait_s = until_s - scene.at.now_s
        return why, f"{'what was asked for' if asked else 'the plan'} to be over, {duration(wait_s)} more", wait_s
    return why, f"what may be charged by plan to be used up, {duration(left_s)} more", left_s


def _enough(scene: Scene) -> Said:
    if scene.controller.inputs.trial:
        return _at_limit(scene)
    return f"{scene.flow}, enough for a charge.{scene.outlook}", *_arming_wait(scene)


def _followed(controller: Controller) -> bool:
    """Say whether a plug that reports its relay has said, since it is wanted on, that it is; others are believed."""
    return controller.plug.contact is None or controller.plug.was_confirmed


def _told_on(scene: Scene) -> Said:
    return f"The relay is told to be on; the plug has not reported yet that it is. {scene.flow}.", "that report", None


def _charges(scene: Scene) -> Said:
    controller, flow = scene.controller, scene.flow
    if not _followed(controller):
        return _told_on(scene)
    if controller.plug.never_began:
        why = f"The relay is told to be on, but grid power did not rise: no car seems to draw. {flow}."
        return why, "a draw to show; until then nothing counts as charged", None
    if controller.plug.fell_s is not None:
        why = f"The relay is told to be on, but nothing seems to flow: grid power fell by the whole draw. {flow}."
        return why, "a draw to show again, or else the charge ends after ten minutes of it", None
    idles, begun_s = controller.plug.measured_w, scene.at.now_s - controller.plug.wanted_since_s
    if begun_s >= BEGINS_S and idles is not None and not flows(idles, controller.settings.limits):
        why = (
            f"The relay is on, but next to nothing flows, {watts(idles)} by the plug: the car is full, asleep or away."
        )
        return f"{why} {flow}.", "a draw, or else the charge ends after ten minutes without", None
    state, params, charger_w = controller.state, controller.settings.params, controller.inputs.charger_w
    if scene.facts & machine.ENDING:
        wait_s = max(0.0, state.on_since_s + params.min_on_s - scene.at.now_s)
        why = f"Charging, but a fault ends it. {flow}."
        return why, f"the shortest charging time to be over, {duration(wait_s)} more, then the charge ends", wait_s
    left_s = params.time_cap_s - state.session_s
    if charger_w > 0:
        left_s = min(left_s, (params.energy_cap_wh - state.session_wh) * 3600 / charger_w)
    stop_w = controller.band.stop_import_w
    if controller.steers:
        while_w = "that to be used up"
    else:
        while_w = f"import above {watts(stop_w)}" if stop_w >= 0 else "too little export"
    outlook = scene.outlook
    if controller.hidden and controller.hidden.began_s is not None:
        return f"Trying whether more sun is there than the meter shows. {flow}.", "that to show", None
    why = f"{flow} while it charges.{outlook}" if outlook else f"Charging. {flow}."
    return why, f"{while_w}, or the session's cap, in {duration(left_s)}", None


def _too_much_import(scene: Scene) -> Said:
    if not _followed(scene.controller):
        return _told_on(scene)
    state, params = scene.controller.state, scene.controller.settings.params
    delay_s, minimum_s = state.due_s - scene.at.now_s, state.on_since_s + params.min_on_s - scene.at.now_s
    wait_s = max(delay_s, minimum_s, 0.0)
    lasts = "the shortest charging time to be over" if minimum_s > delay_s else "this to last"
    stop_w = scene.controller.band.stop_import_w
    limit = f"more than {watts(stop_w)}" if 0 <= stop_w < float("inf") else "no longer enough"
    if scene.controller.inputs.gives_way:
        limit = "which another load asks for that comes first"
    outlook = scene.outlook
    why = f"{scene.flow} while it charges.{outlook}" if outlook else f"{scene.flow} while it charges, {limit}."
    return why, f"{lasts}, {duration(wait_s)} more, then the charge ends", wait_s


def _disabled(scene: Scene) -> Said:
    away = scene.controller.progress.away
    if not scene.controller.enabled or away is None:
        return "Charging is switched off.", "somebody to enable it", None
    why = "Nobody is there, and the sun is not to charge meanwhile."
    if away.back_s is None:
        return why, "somebody to come back, and say so", None
    return why, "the day of return", max(0.0, away.back_s - scene.wall.timestamp())


# A sentence for each cause that the table's rows have: a row without one would be a row that nobody understands.
WHATEVER_THE_SUN_DOES: dict[int, Callable[[Scene], Said]] = {
    machine.C_STOPPING: _stopping,
    machine.C_DISABLED: _disabled,
    machine.C_TRIPPED: lambda scene: _fault_wait(scene, machine.TRIP),
    machine.C_ENDED: lambda scene: _fault_wait(scene, machine.END),
    machine.C_TIME_CAP: _time_spent,
    machine.C_ENERGY_CAP: _energy_spent,
    machine.C_METER_SILENT: _meter_silent,
    machine.C_PLAN_DUE: _by_plan,
    machine.C_PLAN_HELD: _by_plan,
}
BY_SURPLUS: dict[int, Callable[[Scene], Said]] = {
    machine.C_SURPLUS_SEEN: _too_little,  # that it is seen is what is waited for; and so on
    machine.C_SURPLUS_LOST: _too_little,
    machine.C_CLEARED: _too_little,
    machine.C_SURPLUS_HELD: _enough,
    machine.C_IMPORT_SEEN: _charges,
    machine.C_IMPORT_GONE: _charges,
    machine.C_IMPORT_HELD: _too_much_import,
}


def _price_wait(config: Config, wall: datetime) -> tuple[str, float | None]:
    tariffs = None if config.planned.prices else config.tariffs()  # those of the file need not be what comes
    change = tariffs.next_change(wall) if tariffs else None
    if change is None:
        return "other prices", None
    return f"other prices, {change:%a %H:%M}", change.timestamp() - wall.timestamp()


def _fault_wait(scene: Scene, severity: int) -> Said:
    """Return the sentence of the first fault of this severity, and what all of them wait for."""
    records: list[Record] = [record for record in scene.controller.faults if record.fault.severity == severity]
    why = records[0].fault.sentence
    latched = [record.code for record in records if record.latches and not record.acknowledged]
    if latched:
        return why, f"somebody to look, and to acknowledge {' and '.join(latched)}", None
    left_s = max(record.raised_s + record.cooldown_s - scene.at.now_s for record in records)
    if left_s > 0:
        return why, f"the cooldown to be over, {duration(left_s)} more", left_s
    return why, "that to be over", None


def _witness(controller: Controller) -> str:
    return "plug" if controller.settings.contact else "broker"


def _arming_wait(scene: Scene) -> tuple[str, float | None]:
    """Return what an arming charger waits for: of several things, the one that takes longest."""
    controller, now_s = scene.controller, scene.at.now_s
    state, params = controller.state, controller.settings.params
    holding = [record for record in controller.faults if record.fault.severity == controller.inputs.guard]
    if controller.inputs.guard in (machine.HOLD, machine.END) and holding:  # or else it is the others who hold it
        return f"this to be over: {holding[0].fault.sentence}", None
    if not controller.inputs.off_confirmed:
        return f"the {_witness(controller)} to confirm that the relay is off", None
    waits = [
        (0.0 if state.planned else state.due_s - now_s, "the export to last"),
        (state.off_since_s + params.min_off_s - now_s, "the relay to have been off long enough"),
        (machine.budget_free_s(params, state) - now_s, "a start to be free again in the budget"),
    ]
    wait_s, what = max(waits)
    if wait_s <= 0.0 and controller.neighbours and (others := controller.neighbours.waits_for(now_s)):
        what, left_s = others
        return (what, None) if left_s is None else (f"{what}, {duration(left_s)} more", left_s)
    wait_s = max(wait_s, 0.0)
    return f"{what}, {duration(wait_s)} more", wait_s
