"""The tables of the file, key by key: the name carries the unit; default, range and meaning stand beside it."""

from __future__ import annotations

import os
import re
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, AliasChoices, BaseModel, BeforeValidator, ConfigDict, Field

from surpluscharge.config.files import read_bounded
from surpluscharge.config.values import (
    Auto,
    File,
    Payload,
    Pointer,
    Price,
    Seconds,
    Topic,
    WholeSeconds,
    clock_time,
    currency_name,
    days_of_week,
    first_day,
    host_name,
    in_seconds,
    mail_address,
    price_factor,
    price_or_cheapest,
    told_template,
    variable_name,
    watts_or_word,
    web_address,
    zone_name,
)
from surpluscharge.control.signals import Measures
from surpluscharge.history.ledger import Retention
from surpluscharge.history.wear import WearRules

SECRET_LIMIT_BYTES = 65_536


# Keys that had another name once. A file that still uses it means the same.
EARLIER_NAMES = {"base_topic": "own_topic", "command_topic": "topic"}


def _named(name: str) -> AliasChoices:
    return AliasChoices(name, *(earlier for earlier, now in EARLIER_NAMES.items() if now == name))


class Section(BaseModel):
    """A table of the file: unknown keys are refused, and text is not taken for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, hide_input_in_errors=True)


class Secret(Section):
    """Where a secret is to be found: exactly one of the three.

    Who mistakes it for the place of the secret itself is not to see it on a screen: until something was found there,
    only what cannot well be a password is shown, a path or a name in capitals.
    """

    file: str | None = Field(None, description="a file that holds it")
    env: Annotated[str, AfterValidator(variable_name)] | None = Field(
        None, description="an environment variable that holds it"
    )
    credential: str | None = Field(None, description="a credential of the service manager (LoadCredential=)")

    def reveal(self) -> str:
        """Return the secret. Raises ValueError, saying what is wrong without showing it."""
        if self.env is not None:
            secret = os.environ.get(self.env, "")
            if not secret:
                name = self.env if self.telling else "of this name"
                raise ValueError(f"the environment has no variable {name}, or it is empty")
            return secret
        place = str(self.path) if self.telling else "the file of this name"
        try:
            secret = read_bounded(self.path, SECRET_LIMIT_BYTES).decode("utf-8").rstrip("\r\n")
        except UnicodeDecodeError:
            raise ValueError(f"cannot read {place}: not UTF-8 text") from None
        except (OSError, ValueError) as error:  # ValueError: a null character
            reason = getattr(error, "strerror", None) or (str(error) if "file" in str(error) else "no file")
            raise ValueError(f"cannot read {place}: {reason}") from None
        if not secret:
            raise ValueError(f"{place} is empty")
        return secret

    @property
    def telling(self) -> bool:
        """Whether this is a place beyond doubt, and no secret put in the place of one."""
        if self.env is not None:
            return re.fullmatch("[A-Z][A-Z0-9]*(_[A-Z0-9]+)+", self.env) is not None
        return self.path.is_file() or (self.file is not None and "/" in self.file)

    @property
    def path(self) -> Path:
        if self.file is not None:
            return Path(self.file)
        return Path(os.environ.get("CREDENTIALS_DIRECTORY", "/run/credentials"), self.credential or "")

    def __str__(self) -> str:
        return next(f"({kind}: {value})" for kind, value in self.model_dump().items() if value is not None)


class Tls(Section):
    ca_file: File | None = Field(None, description="certificate authority; default: those of the system")
    cert_file: File | None = Field(None, description="this client's certificate, if the broker asks for one")
    key_file: File | None = Field(None, description="and its private key")
    key_password: Secret | None = Field(None, description="and the key's pass phrase, if it has one")


class Mqtt(Section):
    host: Annotated[str, AfterValidator(host_name)] = Field(
        "localhost", min_length=1, description="the broker's name or address"
    )
    port: int | None = Field(None, ge=1, le=65535, description="default: 1883, with TLS 8883")
    unix_socket: str | None = Field(None, description="path of the broker's local socket, instead of host and port")
    tls: Tls | None = Field(None, description="present: the connection is encrypted")
    username: str | None = Field(None, description="default: none")
    password: Secret | None = Field(None, description="where the password is found; never the password itself")
    client_id: str | None = Field(
        None,
        pattern=r"^[0-9A-Za-z_.-]{1,60}$",
        description='must be unique at the broker; default: "surpluscharge-" and the charger\'s name',
    )
    keepalive_s: WholeSeconds = Field(
        15, ge=5, le=60, description="a dead connection is noticed, and the relay told off, within 1.5 times this"
    )
    protocol: Literal["auto", "5", "3.1.1"] = Field("auto", description="auto: MQTT 5, and 3.1.1 where it is refused")
    own_topic: Topic | None = Field(
        None,
        validation_alias=_named("own_topic"),
        description='what the daemon publishes begins so; default: "surpluscharge/" and the charger\'s name',
    )


class MeterSource(Section):
    topic: Topic = Field(description="where the meter publishes")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    unit: Literal["W", "kW"] = Field("W", description="the unit of the value")
    measures: Measures = Field("net-import", description="which way a positive value flows; several are summed")
    fresh_s: Seconds = Field(
        30.0, ge=1, le=600, description="a reading older than this is not relied on: the relay goes off"
    )
    limit_w: float = Field(30000.0, gt=0, description="a value beyond this is taken for nonsense")
    phase: int | None = Field(
        None, ge=1, le=3, description="the phase it is of; default: of all, or it does not matter"
    )


class EnergyRegister(Section):
    topic: Topic = Field(description="where meter or plug publishes what its energy register shows")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    counts: Literal["import", "export", "charged"] = Field(
        description="what it counts: of the house, or what the charger has taken by its plug"
    )
    unit: Literal["Wh", "kWh", "MWh"] = Field("kWh", description="the unit of the value")
    name: str | None = Field(
        None, pattern=r"^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$", description="default: what it counts"
    )
    limit_w: float = Field(30000.0, gt=0, description="what rises faster than this is taken for nonsense")
    rolls_over_at: float | None = Field(
        None, gt=0, description="in its unit; default: at a power of ten, from 10 000 kWh on"
    )

    @property
    def called(self) -> str:
        return self.name or self.counts


class BatteryPower(Section):
    topic: Topic = Field(description="where the battery's power is published")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    unit: Literal["W", "kW"] = Field("W", description="the unit of the value")
    measures: Literal["charging", "discharging"] = Field(
        "charging", description="what a positive value means: that it is charged, or that it gives"
    )
    fresh_s: Seconds = Field(
        90.0, ge=1, le=600, description="a reading older than this is not relied on: the relay goes off"
    )
    limit_w: float = Field(30000.0, gt=0, description="a value beyond this is taken for nonsense")


class BatteryLevel(Section):
    topic: Topic = Field(description="where its state of charge is published, in percent")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    fresh_s: Seconds = Field(
        900.0, ge=1, le=3600, description="after this the level is not known, and the sun the battery's"
    )


class BatteryTable(Section):
    power: BatteryPower = Field(description="what flows into it or out of it")
    level: BatteryLevel | None = Field(None, description="without it the battery comes first at any level")
    first: Literal["battery", "car"] = Field("battery", description="whose the sun is first")
    until_percent: float = Field(
        80.0, gt=0, le=100, description="up to this level, where the battery is first; then it is the car's"
    )
    until: Annotated[str, AfterValidator(clock_time)] | None = Field(
        None, description="local time, HH:MM, from which on it is the car's at any level; default: no time"
    )
    into_car: bool = Field(False, description="whether what is in it may go into the car")


class NeighboursTable(Section):
    topic: Topic = Field(
        "surpluscharge/claims", description="below it each load on this meter claims, on a topic with its own name"
    )
    rank: int = Field(
        5, ge=1, le=99, description="1 comes first; a later one gives up the sun that an earlier asks for"
    )
    settle_s: Seconds = Field(
        60.0, ge=30, le=600, description="after any start nobody else starts for so long: the meter has to show it"
    )


class MainFuse(Section):
    import_limit_w: float = Field(
        gt=0, le=100000, description="the most import of any phase, or of the house where no meter is named for a phase"
    )


class ExportLimitTable(Section):
    limit_w: float = Field(
        ge=0, le=100000, description="the most that the inverter lets out to the grid; it holds back what is beyond"
    )
    latitude_deg: float = Field(ge=-90, le=90, description="where the house is, north positive; tells day from night")
    longitude_deg: float = Field(ge=-180, le=180, description="and east positive")
    trials_per_day: int = Field(12, ge=1, le=24, description="most charges a day that are begun to see whether")
    bought_wh_per_day: float = Field(
        800.0, gt=0, le=10000, description="most energy a day that such trials may buy, or take from a battery"
    )


class Charger(Section):
    name: str = Field("charger", pattern=r"^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$", description="a short name")
    current_a: float = Field(gt=0, le=32, description="the current that the lead is set to")
    voltage_v: float = Field(230.0, ge=100, le=260, description="the mains voltage here")
    draw_w: float | None = Field(
        None, gt=0, le=8000, description="what it really draws, once measured; default: current times voltage"
    )
    phase: int | None = Field(None, ge=1, le=3, description="the phase of its socket, as the meters are named")


class Socket(Section):
    rated_a: float = Field(13.0, gt=0, le=63, description="what is printed on the socket and plug")
    continuous_a: float = Field(
        10.0, gt=0, le=63, description="what it may carry for hours: common guidance for a domestic socket is 10 A"
    )
    above_continuous_because: str | None = Field(
        None,
        min_length=10,
        description="allows a lead above continuous_a, for the reason given, which is logged at every start",
    )
    margin: float = Field(
        1.1, ge=1, le=1.3, description="the image trips at a steady current this far above the rating"
    )
    heating_s: Seconds = Field(1200.0, ge=60, le=7200, description="time constant of the contacts while current flows")
    cooling_s: Seconds = Field(1800.0, ge=60, le=14400, description="and while none does")
    alarm_level: float = Field(0.9, gt=0, lt=1, description="share of the trip level at which the owner is told")
    rearm_level: float = Field(0.5, gt=0, lt=1, description="after a trip, no start until the image has cooled to this")
    rest_after_s: Seconds = Field(
        10800.0, ge=600, le=86400, description="charging so long at high current is followed by a rest"
    )
    rest_s: Seconds = Field(1800.0, ge=60, le=14400, description="how long the rest is")
    rest_above_share: float = Field(0.8, gt=0, le=1, description="high current: above this share of continuous_a")
    hot_c: float = Field(55.0, ge=40, le=70, description="with a temperature sensor: off at this temperature")


class ContactsTable(Section):
    rated_operations: int = Field(
        10_000,
        ge=100,
        le=10_000_000,
        description="how often the relay may switch its load, by its data sheet; then the owner is told",
    )
    first_look_days: int = Field(
        14, ge=1, le=92, description="somebody should look at pins and socket so long after the first charge"
    )
    look_every_months: int = Field(3, ge=1, le=12, description="and again so long after each look")
    look_every_ah: float = Field(
        3000.0,
        gt=0,
        le=1_000_000,
        description="or once they have carried so many ampere-hours, if that is sooner",
    )

    @property
    def rules(self) -> WearRules:
        return WearRules(self.rated_operations, self.first_look_days, self.look_every_months, self.look_every_ah)


class Feedback(Section):
    topic: Topic = Field(description="where the plug reports its relay")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: plain text")
    on_value: str = Field("on", min_length=1, description="the value that means on, in any case")
    off_value: str = Field("off", min_length=1, description="the value that means off, in any case")


class Power(Section):
    topic: Topic = Field(description="where the plug reports the charger's power")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    unit: Literal["W", "kW"] = Field("W", description="the unit of the value")
    fresh_s: Seconds = Field(90.0, ge=1, le=3600, description="after this the draw is assumed, not measured")
    # High enough for the current that a fault may drive: what is refused as nonsense trips nothing.
    limit_w: float = Field(30000.0, gt=0, description="a value beyond this is taken for nonsense")


class Temperature(Section):
    topic: Topic = Field(description="where a sensor at the socket reports degrees Celsius")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    fresh_s: Seconds = Field(
        180.0, ge=1, le=3600, description="after this the sensor counts as lost, and a charge ends"
    )


class Surroundings(Section):
    topic: Topic = Field(description="where a sensor of the air near the socket reports degrees Celsius")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    fresh_s: Seconds = Field(3600.0, ge=1, le=21600, description="after this the surroundings count as not known")


class Voltage(Section):
    topic: Topic = Field(description="where the plug reports the mains voltage")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    fresh_s: Seconds = Field(180.0, ge=1, le=3600, description="after this the nominal voltage is used")


class RelayTable(Section):
    topic: Topic = Field(validation_alias=_named("topic"), description="where the plug listens")
    on_payload: Payload = Field("on", description="sent to switch on; {hold_s} in it becomes the hold time")
    off_payload: Payload = Field("off", description="sent to switch off")
    qos: int = Field(1, ge=0, le=2, description="MQTT quality of service of the commands: 0, 1 or 2")
    hold_s: WholeSeconds | None = Field(
        None, ge=30, le=3600, description="for a plug that can switch itself off: after how long, unless told on again"
    )
    confirm_within_s: Seconds = Field(5.0, ge=0.5, le=60, description="a command not confirmed by then is sent again")
    reassert_s: Seconds = Field(60.0, ge=5, le=600, description="the wanted state is sent again this often")
    silent_s: Seconds | None = Field(
        None,
        ge=10,
        le=3600,
        description="a plug that says nothing for so long while it is on ends the charge; default: learned from how "
        "often it speaks, and never where it reports changes only",
    )
    feedback: Feedback | None = Field(None, description="without it, the broker's word is taken for the plug's")
    power: Power | None = Field(None, description="without it, the draw is assumed")
    temperature: Temperature | None = Field(None, description="a sensor at the socket, if there is one")
    surroundings: Surroundings | None = Field(
        None, description="how warm the air near the socket is; taken off the socket's warmth when joints are watched"
    )
    voltage: Voltage | None = Field(None, description="the mains voltage, if the plug reports it")


class Control(Section):
    start_export_w: Annotated[float | Auto, watts_or_word(0)] | None = Field(
        None,
        description='export that starts a charge, in watts, or "auto" or "ahead"; default: "auto" where [money] has '
        "prices, else the whole draw",
    )
    stop_import_w: Annotated[float | Auto, watts_or_word(-20000)] | None = Field(
        None,
        description='import that ends it, in watts, or "auto" or "ahead"; default: "auto" where [money] has prices, '
        "else a quarter of the draw",
    )
    start_delay_s: Annotated[float, BeforeValidator(in_seconds), Field(ge=0, le=3600)] | None = Field(
        None, description='how long the export must hold; default: 45, and none with "auto" and "ahead"'
    )
    stop_delay_s: Annotated[float, BeforeValidator(in_seconds), Field(ge=0, le=3600)] | None = Field(
        None, description='how long the import must hold; default: 120, and none with "auto" and "ahead"'
    )
    min_on_s: Seconds = Field(480.0, ge=0, le=7200, description="shortest charge: cars and relays dislike haste")
    min_off_s: Seconds = Field(300.0, ge=0, le=7200, description="shortest pause")
    starts_per_hour: int = Field(4, ge=1, le=60, description="most starts in any 60 minutes")
    starts_per_day: int = Field(16, ge=1, le=96, description="most starts in any 24 hours")


class SessionTable(Section):
    time_cap_s: Seconds = Field(
        21600.0, ge=60, le=86400, description="most charging time in a session; sockets need rest, default 6 hours"
    )
    energy_cap_wh: float | None = Field(None, gt=0, description="most energy in a session; default: no cap")
    rearm: Literal["daily", "manual"] = Field(
        "daily", description="a new session begins daily, or (manual) when enable is switched off and on"
    )
    rearm_at: Annotated[str, AfterValidator(clock_time)] = Field("04:00", description="local time of the daily one")


class PriceWindow(Section):
    days: Annotated[str | list[str], BeforeValidator(days_of_week)] = Field(
        "all", description='"all", "weekdays", "weekends", or a list such as ["mon", "thu"]'
    )
    begins: Annotated[str, AfterValidator(clock_time)] = Field(description="local time, HH:MM")
    ends: Annotated[str, AfterValidator(clock_time)] = Field(
        description="local time, HH:MM; at or before begins: on the next day"
    )
    import_price: Price | None = Field(None, description="per kWh; default: the tariff's")
    export_price: Price | None = Field(None, description="per kWh; default: the tariff's")


class TariffPrices(Section):
    valid_from: Annotated[date, BeforeValidator(first_day)] | None = Field(
        None, description="the first day, such as 2031-01-01 without quotes; default: ever"
    )
    import_price: Price = Field(description="what a kWh from the grid costs")
    export_price: Price = Field(description="what a kWh sent to the grid earns")
    alternative_price: Annotated[Decimal | Literal["cheapest"], BeforeValidator(price_or_cheapest)] = Field(
        "cheapest",
        description='what a kWh would cost the car otherwise, or "cheapest": the lowest import price of this tariff',
    )
    billing: Literal["none", "15-minutes", "30-minutes", "60-minutes", "day", "month"] = Field(
        "none", description="over what the bill nets import against export, by the clock: none: each moment by itself"
    )
    window: list[PriceWindow] = Field(default=[], description="hours with a price of their own; the first that fits")


class NeedTable(Section):
    days: Annotated[str | list[str], BeforeValidator(days_of_week)] = Field(
        "all", description='the days on which it is needed: "all", "weekdays", "weekends", or a list'
    )
    by: Annotated[str, AfterValidator(clock_time)] = Field(description="local time, HH:MM, at which the car is needed")
    energy_wh: float = Field(gt=0, le=100000, description="at least so much since the last such time, sun and all")


class MovingPrices(Section):
    topic: Topic = Field(description="where dated import prices are published")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer to the list; default: the payload is the list")
    per: Literal["kWh", "MWh"] = Field("kWh", description="what the published price is for")
    factor: Annotated[Decimal, BeforeValidator(price_factor)] = Field(
        Decimal(1), description="the published price times this, such as 1.2 for a tax of a fifth,"
    )
    plus: Price = Field(Decimal(0), description="and this added, per kWh, is what a kWh from the grid costs")


class ForecastTable(Section):
    topic: Topic = Field(description="where a forecast of the sun's power is published, in dated slots")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer to the list; default: the payload is the list")
    unit: Literal["W", "kW"] = Field("W", description="the unit of its powers; energies are in Wh or kWh")


class PlannedTable(Section):
    allow: bool = Field(False, description="whether it may charge by plan: without sun, and while people sleep")
    time_cap_s: Seconds | None = Field(
        None,
        ge=60,
        le=50400,
        description="most charging time by plan, noon to noon; default: 8 hours, and 4 where nothing feels the heat",
    )
    energy_cap_wh: float | None = Field(None, gt=0, description="most energy by plan; default: no cap")
    unwatched_because: str | None = Field(
        None,
        min_length=10,
        description="allows more than 4 hours, or a higher current, without a temperature sensor, for the reason given",
    )
    ready_before_s: Seconds = Field(
        1800.0,
        ge=0,
        le=14400,
        description="the plan is done so long before the car is needed, in case of delays; half as long while the sun "
        "may shine, but no less than min_off_s and five minutes",
    )
    need: list[NeedTable] = Field(default=[], description="what is needed on each of some days")
    prices: MovingPrices | None = Field(None, description="import prices that move; default: those of [money] hold")
    forecast: ForecastTable | None = Field(None, description="default: what the sun brings is known from the ledger")


class MoneyTable(Section):
    currency: Annotated[str, AfterValidator(currency_name)] = Field(
        description='how the currency is written, such as "EUR"'
    )
    tariff: list[TariffPrices] = Field(min_length=1, description="one, or one for each change of prices")


class SiteTable(Section):
    time_zone: Annotated[str, AfterValidator(zone_name)] | None = Field(
        None, description="IANA name; default: the computer's own"
    )
    phases: Literal["summed", "apart"] = Field(
        "summed", description="how they are billed; apart: only the surplus on the lead's own phase counts"
    )


class Status(Section):
    heartbeat_s: Seconds = Field(30.0, ge=1, le=3600, description="the status is published at least this often")


class HomieTable(Section):
    publish: bool = Field(
        False, description="whether it describes itself by the Homie 5 convention, on a connection of its own"
    )
    domain: str = Field(
        "homie",
        pattern=r"^[a-z0-9]([a-z0-9-]{0,58}[a-z0-9])?$",
        description="the convention's first level, where dashboards look",
    )


class TellMail(Section):
    host: Annotated[str, AfterValidator(host_name)] = Field(min_length=1, description="the mail server that takes it")
    port: int | None = Field(None, ge=1, le=65535, description="default: 465 with tls, 587 with starttls, 25 with none")
    security: Literal["tls", "starttls", "none"] = Field("tls", description="how the connection is encrypted")
    ca_file: File | None = Field(None, description="certificate authority; default: those of the system")
    username: str | None = Field(None, description="default: none")
    password: Secret | None = Field(None, description="where the password is found; never the password itself")
    sender: Annotated[str, AfterValidator(mail_address)] = Field(description="the address that it comes from")
    to: list[Annotated[str, AfterValidator(mail_address)]] = Field(
        min_length=1, max_length=10, description="the addresses that it goes to"
    )


class TellPost(Section):
    url: Annotated[str, AfterValidator(web_address)] | None = Field(
        None, description="the address that takes it by HTTP POST"
    )
    secret_url: Secret | None = Field(None, description="or where that is found, if it is a secret itself")
    bearer_token: Secret | None = Field(None, description="where a token is found that is sent along (RFC 6750)")
    ca_file: File | None = Field(None, description="certificate authority; default: those of the system")
    body: dict[str, Annotated[str, AfterValidator(told_template)]] | None = Field(
        None, min_length=1, description="the JSON object that is sent: names and text; default: title and text"
    )


class TellTable(Section):
    about: list[Literal["latched", "ended", "look", "unmet", "day", "month"]] | None = Field(
        None, min_length=1, description="what is told; default: all of these"
    )
    pause_s: Seconds = Field(
        900.0, ge=60, le=86400, description="after a message, what else happens is gathered for so long"
    )
    mail: TellMail | None = Field(None, description="by e-mail")
    post: TellPost | None = Field(None, description="by HTTP POST")
    command: list[str] | None = Field(
        None, min_length=1, description="by a command, which finds it on its standard input"
    )


class PingTable(Section):
    url: Annotated[str, AfterValidator(web_address)] | None = Field(
        None, description="the address that is asked for, by HTTP GET"
    )
    secret_url: Secret | None = Field(None, description="or where that is found, if it is a secret itself")
    ca_file: File | None = Field(None, description="certificate authority; default: those of the system")
    every_s: Seconds = Field(300.0, ge=10, le=86400, description="how often")


def address_of(table: TellPost | PingTable) -> str:
    """Return where it goes. Raises ValueError, without showing it, where it is a secret that cannot be read."""
    return table.secret_url.reveal() if table.secret_url else table.url or ""


class MetricsTable(Section):
    port: int = Field(ge=1, le=65535, description="where OpenMetrics is served, on the loopback interface only")


class Log(Section):
    level: Literal["debug", "info", "warning", "error"] = Field("info", description="debug adds a line per reading")
    format: Literal["auto", "json", "console"] = Field("auto", description="auto: console in a terminal, else JSON")


class Store(Section):
    directory: str | None = Field(
        None, description="what outlives a restart; default: the service's own, else ~/.local/state/surpluscharge"
    )


class History(Section):
    record: bool = Field(True, description="whether what happens is kept in the ledger, beside the store")
    resolution_s: WholeSeconds = Field(10, ge=1, le=60, description="readings are summed up to intervals so long")
    batch_s: Seconds = Field(
        300.0, ge=10, le=3600, description="and written so often; a crash loses so much of them at most"
    )
    readings_days: int = Field(14, ge=1, le=3653, description="intervals are kept so long, then minutes")
    minutes_days: int = Field(92, ge=2, le=3653, description="minutes are kept so long, then quarters of an hour")
    quarter_hours_days: int = Field(3653, ge=31, description="and these so long; daily totals are kept for ever")

    @property
    def retention(self) -> Retention:
        return Retention(self.readings_days, self.minutes_days, self.quarter_hours_days)
