"""The configuration: one TOML file, read into models whose every name carries its unit.

:func:`load` either returns a :class:`Config` that the daemon can run with, or raises :class:`ConfigError` with *all*
that is wrong, each problem naming the file, the key, the value and the remedy.
"""

from __future__ import annotations

import copy
import difflib
import errno
import ipaddress
import json
import math
import os
import re
import stat
import tomllib
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from datetime import time as time_of_day
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    ValidationInfo,
)
from pydantic_core import ErrorDetails, PydanticCustomError

from surpluscharge.clock import zone
from surpluscharge.control.controller import Settings
from surpluscharge.control.economics import BreakEven, Tariff, Tariffs, Window, break_even, thresholds
from surpluscharge.control.machine import Params
from surpluscharge.control.signals import Contact, Measures, Source
from surpluscharge.control.supervisor import Limits
from surpluscharge.control.thermal import ThermalParams
from surpluscharge.history.ledger import Retention

SCALES = {"W": 1.0, "kW": 1000.0}
SERVICE_DIRECTORY = Path("/var/lib/surpluscharge")  # as the units have it
HOLD_MARK = "{hold_s}"
OWN_LEAVES = ("enable", "enable/set", "acknowledge/set", "status", "availability")  # below the base topic

# Currencies of which a kilowatt-hour costs a fraction (common practice).
IN_HUNDREDTHS = frozenset({"EUR", "GBP", "USD", "CHF", "AUD", "NZD", "CAD", "\u20ac", "\u00a3", "$"})

# EN 50160 (and IEC 60038): the supply stays within 230 V +- 10 %, and a lead of fixed current draws that much more or
# less.
VOLTAGE_TOLERANCE = 0.10

# Common practice: above this share of the socket's rating, no lead that is in order draws current. A BS 1362 link of
# 13 A carries 1.6 times its rating for half an hour; this is well below.
INSTANT_SHARE = 1.25
# Such a current must make a BS 1362 link open within half an hour: one reading of it is taken seriously.
FAR_SHARE = 1.9

# --- problems --------------------------------------------------------------------------------------------------------


class Problem(NamedTuple):
    """One thing wrong. ``keys`` are dotted; the first is the one to look at."""

    keys: tuple[str, ...]
    value: str
    message: str
    remedy: str


class ConfigError(Exception):
    """The configuration cannot be used. ``problems`` holds everything found, not only the first."""

    def __init__(self, name: str, problems: list[Problem]) -> None:
        self.name = name
        self.problems = problems
        super().__init__("\n".join(f"{name}: {_line(problem)}" for problem in problems))


def _line(problem: Problem) -> str:
    where = problem.keys[0] if problem.keys else ""
    if problem.value:
        where += f" = {problem.value}"
    return ": ".join(part for part in (where, problem.message) if part) + f". {problem.remedy}"


# --- the types of single values --------------------------------------------------------------------------------------


def _refuse(message: str, remedy: str) -> PydanticCustomError:
    return PydanticCustomError("surpluscharge", "{message}", {"message": message, "remedy": remedy})


_QUANTITY = re.compile(r"\s*([-+]?\d+(?:\.\d+)?)\s*(kWh|Wh|kW|W|A|V|s|sec|min|m|h)\s*")
_UNIT_FACTORS = {
    "_w": {"W": 1, "kW": 1000},
    "_wh": {"Wh": 1, "kWh": 1000},
    "_s": {"s": 1, "sec": 1, "min": 60, "m": 60, "h": 3600},
    "_a": {"A": 1},
    "_v": {"V": 1},
}
_UNIT_NAMES = {"_wh": "watt-hours", "_w": "watts", "_s": "seconds", "_a": "amperes", "_v": "volts"}


def _number_of(unit: str, name: str, text: str) -> tuple[str, str]:
    """Return what to say of text where a number is wanted: the message, and the remedy."""
    remedy = f"Write the {_UNIT_NAMES[unit]} as a plain number"
    quantity = _QUANTITY.fullmatch(text)
    factor = _UNIT_FACTORS[unit].get(quantity[2]) if quantity else None
    if quantity and factor:
        remedy = f"Write {name} = {float(quantity[1]) * factor:g}"
    elif quantity:
        remedy = f"{quantity[2]} is not a unit of this key: it takes {_UNIT_NAMES[unit]}"
    elif unit == "_s":
        remedy += ', or an ISO 8601 duration such as "PT10M"'
    return f"must be a number of {_UNIT_NAMES[unit]}, not text", remedy


_DURATION = TypeAdapter(timedelta)
FILE_LIMIT_BYTES = 262_144  # the example, with all its comments, has a tenth of that
SECRET_LIMIT_BYTES = 65_536
_ISO_DURATION = re.compile(r"P(\d+D)?(T(?=\d)(\d+H)?(\d+M)?(\d+(\.\d+)?S)?)?", re.ASCII)


def _seconds(value: Any) -> Any:
    """Let a person write an ISO 8601 duration where seconds are wanted."""
    if isinstance(value, str) and value != "P" and _ISO_DURATION.fullmatch(value):
        return _DURATION.validate_python(value).total_seconds()
    return value


def _whole_seconds(value: Any) -> Any:
    seconds = _seconds(value)
    return int(seconds) if isinstance(value, str) and isinstance(seconds, float) and seconds.is_integer() else seconds


def _topic(value: str) -> str:
    """Check an MQTT topic *name* (MQTT 5.0, section 4.7): one topic, not a filter over many."""
    if "+" in value or "#" in value:
        raise _refuse("a topic name holds no wildcard", "Name the one topic, without + and #")
    if not value or "\0" in value or len(value.encode()) > 65535:
        raise _refuse("a topic name has 1 to 65535 bytes and no null character", "Name the topic as the sender does")
    if value.startswith("$"):
        raise _refuse("topics that begin with $ belong to the broker", "Use a topic that does not begin with $")
    return value


def _host(value: str) -> str:
    if re.search(r"[/@]|^[^:]*:[^:]*$", value):
        remedy = "Write the name or address alone; port, user name and password have keys of their own"
        raise _refuse("this is more than a host name", remedy)
    try:
        if ":" in value:
            ipaddress.IPv6Address(value)
        elif value.strip() != value or not re.fullmatch(r"[\w.-]*", value):
            raise ValueError
        value.encode("idna")
    except ValueError:  # UnicodeError among them
        raise _refuse("no host can have this name", "Write a name such as broker.lan, or an address") from None
    return value


def _variable(value: str) -> str:
    # POSIX.1-2017, XBD 8.1; a password put here by mistake mostly is no such name, and is not shown.
    if not re.fullmatch("[A-Za-z_][A-Za-z0-9_]*", value):
        remedy = "Write the name alone, such as SURPLUSCHARGE_MQTT_PASSWORD; the secret itself is its value"
        raise _refuse("no environment variable can have this name", remedy)
    return value


def _pointer(value: str) -> str:
    if value and not value.startswith("/"):
        raise _refuse("a JSON Pointer (RFC 6901) begins with /", f"Write {_as_pointer(value)}")
    if re.search(r"~(?![01])", value):
        remedy = f'Write "{re.sub("~(?![01])", "~0", value)}", if that is what is meant'
        raise _refuse("in a JSON Pointer (RFC 6901) ~ is written ~0 and / within a name ~1", remedy)
    return value


def _as_pointer(path: str) -> str:
    """Return what a path in another way of writing, such as power.kw or phases[0].w, is as a JSON Pointer."""
    if "/" in path:
        return f'"/{path}"'
    steps = [step for step in re.split(r"[.\[\]]+", path.removeprefix("$")) if step]
    written = "".join(f"/{step}" for step in steps)
    return f'"{written}"' + (f', or "/{path}" if one name has all of that' if len(steps) > 1 else "")


def _zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (OSError, ValueError, KeyError):  # ZoneInfoNotFoundError is a KeyError; odd names raise the others
        raise _refuse("this time zone is not known here", 'Write an IANA name such as "Europe/Lisbon"') from None
    return value


def _clock_time(value: str) -> str:
    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        raise _refuse("a time of day is written HH:MM", 'Write for example "04:00"')
    return value


def _existing(value: str) -> str:
    try:
        there = Path(value).is_file()
    except (OSError, ValueError):  # a name too long, a folder that may not be looked into, a null character
        there = False
    if not there:
        raise _refuse("there is no such file", "Name a file that the daemon's user can read")
    return value


def _watts_or_word(low_w: float, high_w: float = 20000) -> Any:
    def check(value: Any, info: ValidationInfo) -> Any:
        if value in ("auto", "ahead"):
            return value
        if isinstance(value, str) and _QUANTITY.fullmatch(value):
            raise _refuse(*_number_of("_w", str(info.field_name), value))
        if isinstance(value, bool) or not isinstance(value, int | float):
            remedy = "Write the watts as a plain number, or one of these words in small letters"
            raise _refuse('must be a number of watts, "auto" or "ahead"', remedy)
        if not math.isfinite(value):
            raise _refuse("must be a finite number", "Write the watts as a plain number")
        if not low_w <= value <= high_w:
            raise _refuse(f'must be {low_w:g} to {high_w:g}, "auto" or "ahead"', "Choose a value within")
        return float(value)

    return BeforeValidator(check)


def _price(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float) or not -1000 <= value <= 1000:
        raise _refuse("a price is a number, for a kWh", "Write it without quotes, with a point: 0.27")
    return Decimal(str(value))  # as it is written in the file


def _price_or_cheapest(value: Any) -> Any:
    return value if value == "cheapest" else _price(value)


def _valid_from(value: Any) -> Any:
    if isinstance(value, datetime) or not isinstance(value, date):
        raise _refuse("must be a day", "Write it without quotes: 2031-01-01")
    if not 2000 <= value.year < 2100:
        raise _refuse("is too far away", "Write a day from 2000-01-01 to 2099-12-31")
    return value


def _currency(value: str) -> str:
    if not re.fullmatch(r"\S{1,8}", value):
        raise _refuse("a currency has 1 to 8 characters, and no spaces", 'Write for example "EUR"')
    return value


def _days(value: Any) -> Any:
    if isinstance(value, list):
        if not value or any(day not in WEEKDAYS for day in value):
            raise _refuse("names a day that is not known", f"Known here: {', '.join(WEEKDAYS)}")
    elif value not in ("all", "weekdays", "weekends"):
        raise _refuse(
            "these days are not known", 'Write "all", "weekdays", "weekends", or a list such as ["mon", "thu"]'
        )
    return value


Seconds = Annotated[float, BeforeValidator(_seconds)]
WholeSeconds = Annotated[int, BeforeValidator(_whole_seconds)]
Topic = Annotated[str, AfterValidator(_topic)]
Pointer = Annotated[str, AfterValidator(_pointer)]
File = Annotated[str, AfterValidator(_existing)]
Payload = Annotated[str, Field(min_length=1, max_length=4096)]
Auto = Literal["auto", "ahead"]
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Price = Annotated[Decimal, BeforeValidator(_price)]


class Section(BaseModel):
    """A table of the file: unknown keys are refused, and text is not taken for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, hide_input_in_errors=True)


# --- the tables of the file ------------------------------------------------------------------------------------------


class Secret(Section):
    """Where a secret is to be found: exactly one of the three.

    Who mistakes it for the place of the secret itself is not to see it on a screen: until something was found there,
    only what cannot well be a password is shown, a path or a name in capitals.
    """

    file: str | None = Field(None, description="a file that holds it")
    env: Annotated[str, AfterValidator(_variable)] | None = Field(
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
    host: Annotated[str, AfterValidator(_host)] = Field(
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
    base_topic: Topic | None = Field(
        None, description='what the daemon publishes begins so; default: "surpluscharge/" and the charger\'s name'
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


class Charger(Section):
    name: str = Field("charger", pattern=r"^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$", description="a short name")
    current_a: float = Field(gt=0, le=32, description="the current that the lead is set to")
    voltage_v: float = Field(230.0, ge=100, le=260, description="the mains voltage here")
    draw_w: float | None = Field(
        None, gt=0, le=8000, description="what it really draws, once measured; default: current times voltage"
    )


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


class Voltage(Section):
    topic: Topic = Field(description="where the plug reports the mains voltage")
    pointer: Pointer | None = Field(None, description="RFC 6901 pointer into a JSON payload; default: a plain number")
    fresh_s: Seconds = Field(180.0, ge=1, le=3600, description="after this the nominal voltage is used")


class Relay(Section):
    command_topic: Topic = Field(description="where the plug listens")
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
    voltage: Voltage | None = Field(None, description="the mains voltage, if the plug reports it")


class Control(Section):
    start_export_w: Annotated[float | Auto, _watts_or_word(0)] | None = Field(
        None, description='export that starts a charge, in watts, or "auto" or "ahead"; default: the whole draw'
    )
    stop_import_w: Annotated[float | Auto, _watts_or_word(-20000)] | None = Field(
        None, description='import that ends it, in watts, or "auto" or "ahead"; default: a quarter of the draw'
    )
    start_delay_s: Annotated[float, BeforeValidator(_seconds), Field(ge=0, le=3600)] | None = Field(
        None, description='how long the export must hold; default: 45, and none with "auto" and "ahead"'
    )
    stop_delay_s: Annotated[float, BeforeValidator(_seconds), Field(ge=0, le=3600)] | None = Field(
        None, description='how long the import must hold; default: 120, and none with "auto" and "ahead"'
    )
    min_on_s: Seconds = Field(480.0, ge=0, le=7200, description="shortest charge: cars and relays dislike haste")
    min_off_s: Seconds = Field(300.0, ge=0, le=7200, description="shortest pause")
    starts_per_hour: int = Field(4, ge=1, le=60, description="most starts in any 60 minutes")
    starts_per_day: int = Field(16, ge=1, le=96, description="most starts in any 24 hours")


class Session(Section):
    time_cap_s: Seconds = Field(
        21600.0, ge=60, le=86400, description="most charging time in a session; sockets need rest, default 6 hours"
    )
    energy_cap_wh: float | None = Field(None, gt=0, description="most energy in a session; default: no cap")
    rearm: Literal["daily", "manual"] = Field(
        "daily", description="a new session begins daily, or (manual) when enable is switched off and on"
    )
    rearm_at: Annotated[str, AfterValidator(_clock_time)] = Field("04:00", description="local time of the daily one")


class PriceWindow(Section):
    days: Annotated[str | list[str], BeforeValidator(_days)] = Field(
        "all", description='"all", "weekdays", "weekends", or a list such as ["mon", "thu"]'
    )
    begins: Annotated[str, AfterValidator(_clock_time)] = Field(description="local time, HH:MM")
    ends: Annotated[str, AfterValidator(_clock_time)] = Field(
        description="local time, HH:MM; at or before begins: on the next day"
    )
    import_price: Price | None = Field(None, description="per kWh; default: the tariff's")
    export_price: Price | None = Field(None, description="per kWh; default: the tariff's")


class TariffPrices(Section):
    valid_from: Annotated[date, BeforeValidator(_valid_from)] | None = Field(
        None, description="the first day, such as 2031-01-01 without quotes; default: ever"
    )
    import_price: Price = Field(description="what a kWh from the grid costs")
    export_price: Price = Field(description="what a kWh sent to the grid earns")
    alternative_price: Annotated[Decimal | Literal["cheapest"], BeforeValidator(_price_or_cheapest)] = Field(
        "cheapest",
        description='what a kWh would cost the car otherwise, or "cheapest": the lowest import price of this tariff',
    )
    window: list[PriceWindow] = Field(default=[], description="hours with a price of their own; the first that fits")


class Money(Section):
    currency: Annotated[str, AfterValidator(_currency)] = Field(
        description='how the currency is written, such as "EUR"'
    )
    tariff: list[TariffPrices] = Field(min_length=1, description="one, or one for each change of prices")


class Site(Section):
    time_zone: Annotated[str, AfterValidator(_zone)] | None = Field(
        None, description="IANA name; default: the computer's own"
    )


class Status(Section):
    heartbeat_s: Seconds = Field(30.0, ge=1, le=3600, description="the status is published at least this often")


class Homie(Section):
    publish: bool = Field(
        False, description="whether it describes itself by the Homie 5 convention, on a connection of its own"
    )
    domain: str = Field(
        "homie",
        pattern=r"^[a-z0-9]([a-z0-9-]{0,58}[a-z0-9])?$",
        description="the convention's first level, where dashboards look",
    )


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


class Config(Section):
    """The whole file."""

    charger: Charger
    relay: Relay
    meter: list[MeterSource] = Field(min_length=1)
    mqtt: Mqtt = Mqtt()
    socket: Socket = Socket()
    control: Control = Control()
    session: Session = Session()
    money: Money | None = None
    site: Site = Site()
    status: Status = Status()
    homie: Homie = Homie()
    log: Log = Log()
    store: Store = Store()
    history: History = History()

    # What a key left out comes to. `surpluscharge check` shows these as derived.

    @property
    def draw_w(self) -> float:
        return self.charger.draw_w or self.charger.current_a * self.charger.voltage_v

    @property
    def auto(self) -> bool:
        """Whether the thresholds follow the prices."""
        return isinstance(self.control.start_export_w, str)

    @property
    def ahead(self) -> bool:
        """Whether they look ahead as well (:mod:`surpluscharge.control.ahead`)."""
        return self.control.start_export_w == "ahead"

    @property
    def start_export_w(self) -> float:
        """What is given, or else its default; with "auto", see :meth:`thresholds`."""
        given = self.control.start_export_w
        return self.draw_w if given is None or isinstance(given, str) else given

    @property
    def stop_import_w(self) -> float:
        given = self.control.stop_import_w
        return 0.25 * self.draw_w if given is None or isinstance(given, str) else given

    def delays(self, follow: bool) -> tuple[float, float]:
        """Return (start_delay_s, stop_delay_s), with thresholds that ``follow`` the prices or with fixed ones.

        Thresholds that know what a start binds need no delay on top; it would only cost.
        """
        start_s, stop_s = self.control.start_delay_s, self.control.stop_delay_s
        defaults = (0.0, 0.0) if follow else (45.0, 120.0)
        return (defaults[0] if start_s is None else start_s, defaults[1] if stop_s is None else stop_s)

    @property
    def start_delay_s(self) -> float:
        return self.delays(self.auto)[0]

    @property
    def stop_delay_s(self) -> float:
        return self.delays(self.auto)[1]

    def break_even(self, when: datetime, draw_w: float | None = None) -> BreakEven | None:
        """Return from which surplus on charging pays at a moment; None where no prices are known then.

        Arguments as for :meth:`thresholds`.
        """
        tariffs = self.tariffs()
        prices = tariffs.prices_at(when) if tariffs else None
        return break_even(draw_w or self.draw_w, prices) if prices else None

    def thresholds(self, when: datetime | None = None, draw_w: float | None = None) -> tuple[float, float]:
        """Return (start_export_w, stop_import_w) as they are at a moment; with "auto", they follow the prices then.

        With "ahead" these are what holds until there is a past to look back on.

        ``when`` is aware, in the site's zone (default: now); ``draw_w`` is what the lead is known to draw (default: as
        configured). Where no tariff is valid yet, the defaults hold.
        """
        tariffs = self.tariffs() if self.auto else None
        prices = tariffs.prices_at(when or datetime.now(UTC).astimezone(zone(self.site.time_zone))) if tariffs else None
        if prices is None:
            return self.start_export_w, self.stop_import_w
        return thresholds(draw_w or self.draw_w, prices, self.control.min_on_s, self.control.min_off_s)

    def tariffs(self) -> Tariffs | None:
        """Return the prices of [money]; None where there is none."""
        if self.money is None:
            return None
        return Tariffs(self.money.currency, tuple(_tariff(given) for given in self.money.tariff))

    @property
    def base_topic(self) -> str:
        return self.mqtt.base_topic or f"surpluscharge/{self.charger.name}"

    @property
    def homie_topic(self) -> str:
        """The device's own topic by the Homie convention."""
        return f"{self.homie.domain}/5/surpluscharge-{self.charger.name}"

    @property
    def client_id(self) -> str:
        return self.mqtt.client_id or f"surpluscharge-{self.charger.name}"

    @property
    def port(self) -> int:
        return self.mqtt.port or (8883 if self.mqtt.tls else 1883)

    @property
    def broker(self) -> str:
        """Where the broker is looked for, for people."""
        return self.mqtt.unix_socket or f"{self.mqtt.host}:{self.port}"

    @property
    def state_file(self) -> Path:
        if self.store.directory:
            directory = Path(self.store.directory)
        elif "STATE_DIRECTORY" in os.environ:  # set by the service manager; the first of a list
            directory = Path(os.environ["STATE_DIRECTORY"].split(":")[0])
        else:
            state_home = os.environ.get("XDG_STATE_HOME") or "~/.local/state"
            directory = Path(state_home).expanduser() / "surpluscharge"
        return directory / f"{self.charger.name}.json"

    @property
    def history_file(self) -> Path:
        return self.state_file.with_name(f"history-{self.charger.name}.sqlite")

    @property
    def recorded_file(self) -> Path:
        """The ledger to read: the one of a service on this machine, where nothing else is said and it is there."""
        own, service = self.history_file, SERVICE_DIRECTORY / self.history_file.name
        found = self.store.directory is None and not own.exists() and service.exists()
        return service if found else own

    @property
    def rearm_at(self) -> time_of_day:
        return time_of_day.fromisoformat(self.session.rearm_at)

    @property
    def on_payload(self) -> str:
        return self.relay.on_payload.replace(HOLD_MARK, str(self.relay.hold_s))

    def derived(self) -> dict[str, object]:
        """Return the effective value of each key that was left out and follows from others."""
        values = {
            "charger.draw_w": (self.charger.draw_w, self.draw_w),
            "control.start_export_w": (self.control.start_export_w, self.start_export_w),
            "control.stop_import_w": (self.control.stop_import_w, self.stop_import_w),
            "control.start_delay_s": (self.control.start_delay_s, self.start_delay_s),
            "control.stop_delay_s": (self.control.stop_delay_s, self.stop_delay_s),
            "mqtt.base_topic": (self.mqtt.base_topic, self.base_topic),
            "mqtt.client_id": (self.mqtt.client_id, self.client_id),
            "mqtt.port": (self.mqtt.port, self.port),
            "store.directory": (self.store.directory, str(self.state_file.parent)),
        }
        return {key: effective for key, (given, effective) in values.items() if given is None}

    def settings(self, when: datetime | None = None, draw_w: float | None = None) -> Settings:
        """Return what the controller needs, in its own terms; the arguments are those of :meth:`thresholds`."""
        when = when or datetime.now(UTC).astimezone(zone(self.site.time_zone))
        start_export_w, stop_import_w = self.thresholds(when, draw_w)
        point = self.break_even(when, draw_w) if self.ahead else None
        control, session, power, feedback = self.control, self.session, self.relay.power, self.relay.feedback
        heat, mains = self.relay.temperature, self.relay.voltage
        return Settings(
            params=Params(
                start_export_w=start_export_w,
                stop_import_w=stop_import_w,
                start_delay_s=self.start_delay_s,
                stop_delay_s=self.stop_delay_s,
                min_on_s=control.min_on_s,
                min_off_s=control.min_off_s,
                starts_per_hour=control.starts_per_hour,
                starts_per_day=control.starts_per_day,
                time_cap_s=session.time_cap_s,
                energy_cap_wh=float("inf") if session.energy_cap_wh is None else session.energy_cap_wh,
                rearm_daily=session.rearm == "daily",
            ),
            ahead_from_w=point.surplus_w if point else None,
            silent_s=self.relay.silent_s,
            limits=self.limits,
            draw_a=self.charger.current_a,
            mains_v=self.charger.voltage_v,
            grid=tuple(
                Source(
                    source.topic,
                    source.pointer,
                    SCALES[source.unit],
                    source.measures,
                    source.fresh_s,
                    source.limit_w,
                )
                for source in self.meter
            ),
            power=Source(power.topic, power.pointer, SCALES[power.unit], "import-only", power.fresh_s, power.limit_w)
            if power
            else None,
            contact=Contact(feedback.topic, feedback.pointer, feedback.on_value, feedback.off_value)
            if feedback
            else None,
            temperature=Source(heat.topic, heat.pointer, 1.0, "net-import", heat.fresh_s, 200.0) if heat else None,
            voltage=Source(mains.topic, mains.pointer, 1.0, "import-only", mains.fresh_s, 500.0) if mains else None,
        )

    @property
    def limits(self) -> Limits:
        """What the supervisor holds the charger to."""
        socket = self.socket
        return Limits(
            draw_w=self.draw_w,
            instant_a=INSTANT_SHARE * socket.rated_a,
            far_a=FAR_SHARE * socket.rated_a,
            thermal=ThermalParams(
                basic_a=socket.continuous_a,
                k=socket.margin,
                heating_s=socket.heating_s,
                cooling_s=socket.cooling_s,
                alarm_level=socket.alarm_level,
                rearm_level=socket.rearm_level,
            ),
            rest_above_a=socket.rest_above_share * socket.continuous_a,
            rest_after_s=socket.rest_after_s,
            rest_s=socket.rest_s,
            hot_c=socket.hot_c,
            nominal_v=self.charger.voltage_v,
        )

    def warnings(self) -> list[str]:
        """Return what is allowed, but worth a second thought."""
        return list(_doubts(self))


def _tariff(given: TariffPrices) -> Tariff:
    alternative = None if given.alternative_price == "cheapest" else given.alternative_price
    windows = tuple(_window(window) for window in given.window)
    return Tariff(given.valid_from, given.import_price, given.export_price, alternative, windows)


def _window(given: PriceWindow) -> Window:
    groups = {"all": range(7), "weekdays": range(5), "weekends": range(5, 7)}
    days = groups[given.days] if isinstance(given.days, str) else [WEEKDAYS.index(day) for day in given.days]
    begins, ends = time_of_day.fromisoformat(given.begins), time_of_day.fromisoformat(given.ends)
    return Window(
        frozenset(days),
        begins.hour * 3600 + begins.minute * 60,
        ends.hour * 3600 + ends.minute * 60,
        given.import_price,
        given.export_price,
    )


# --- contradictions between values that are fine by themselves -------------------------------------------------------


def _contradictions(config: Config) -> Iterator[Problem]:
    charger, socket, relay, control, session = (
        config.charger,
        config.socket,
        config.relay,
        config.control,
        config.session,
    )

    def problem(key: str, value: object, message: str, remedy: str, *others: str) -> Problem:
        return Problem((key, *others), _show(value), message, remedy)

    if charger.current_a > socket.rated_a:
        yield problem(
            "charger.current_a",
            charger.current_a,
            f"the lead's current is above the socket's rating ({socket.rated_a:g} A)",
            "Set the lead to a lower current, or have a licensed electrician fit a suitable socket",
            "socket.rated_a",
        )
    elif charger.current_a > socket.continuous_a and socket.above_continuous_because is None:
        yield problem(
            "charger.current_a",
            charger.current_a,
            f"the lead's current is above what the socket may carry for hours ({socket.continuous_a:g} A)",
            "Set the lead to a lower current, or have a licensed electrician fit a suitable socket; if one has, say so "
            "in socket.above_continuous_because",
            "socket.continuous_a",
            "socket.above_continuous_because",
        )
    if socket.continuous_a > socket.rated_a:
        yield problem(
            "socket.continuous_a",
            socket.continuous_a,
            f"the continuous rating is above the socket's rating ({socket.rated_a:g} A)",
            "It can at most equal it",
            "socket.rated_a",
        )
    if socket.rearm_level >= socket.alarm_level:
        yield problem(
            "socket.rearm_level",
            socket.rearm_level,
            f"the image would count as cooled while it still alarms (alarm_level {socket.alarm_level:g})",
            "Make it lower than socket.alarm_level",
            "socket.alarm_level",
        )
    yield from _price_contradictions(config, problem)
    stop_undoes_start = not config.auto and config.draw_w - config.start_export_w >= config.stop_import_w
    if stop_undoes_start:
        least_w = config.draw_w - config.start_export_w
        yield problem(
            "control.stop_import_w",
            config.stop_import_w,
            f"this would undo the start at once: a charge that starts at {config.start_export_w:g} W of export and "
            f"draws {config.draw_w:g} W imports {least_w:g} W from its first minute",
            f"Raise it well above {least_w:g}, or raise control.start_export_w",
            "control.start_export_w",
            "charger.draw_w",
            "charger.current_a",
            "charger.voltage_v",
        )
    if control.min_on_s > session.time_cap_s:
        yield problem(
            "control.min_on_s",
            control.min_on_s,
            f"the shortest charge is longer than the session's time cap ({session.time_cap_s:g} s)",
            "Lower it, or raise session.time_cap_s",
            "session.time_cap_s",
        )
    least_wh = config.draw_w * control.min_on_s / 3600
    if session.energy_cap_wh is not None and least_wh > session.energy_cap_wh:
        yield problem(
            "session.energy_cap_wh",
            session.energy_cap_wh,
            f"the shortest charge takes more ({least_wh:.0f} Wh)",
            "Raise it, or lower control.min_on_s",
            "control.min_on_s",
            "charger.draw_w",
            "charger.current_a",
            "charger.voltage_v",
        )
    if control.starts_per_hour > control.starts_per_day:
        yield problem(
            "control.starts_per_hour",
            control.starts_per_hour,
            f"more starts in an hour than in a day ({control.starts_per_day})",
            "Lower it, or raise control.starts_per_day",
            "control.starts_per_day",
        )
    history = config.history
    for longer, shorter in (("minutes_days", "readings_days"), ("quarter_hours_days", "minutes_days")):
        if getattr(history, longer) < getattr(history, shorter):
            yield problem(
                f"history.{longer}",
                getattr(history, longer),
                f"what is coarser would be dropped before what is finer ({shorter} is {getattr(history, shorter)})",
                f"Make it at least history.{shorter}",
                f"history.{shorter}",
            )
    yield from _relay_contradictions(relay, problem)
    yield from _meter_contradictions(config, problem)
    yield from _topic_contradictions(config, problem)
    yield from _connection_contradictions(config.mqtt, problem)


def _price_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    control, money = config.control, config.money
    words = [given if isinstance(given, str) else None for given in (control.start_export_w, control.stop_import_w)]
    if words[0] != words[1]:
        key, other = "control.start_export_w", "control.stop_import_w"
        if words[0] is None:
            key, other = other, key
        word = words[0] or words[1]
        yield problem(
            key, word, f'{other} is not "{word}" too', f'Set both to "{word}", or neither: {other} = "{word}"', other
        )
    if any(words) and money is None:
        key = "control.start_export_w" if words[0] else "control.stop_import_w"
        yield problem(
            key,
            words[0] or words[1],
            "the thresholds are to follow the prices, and there are none",
            "Add a [money] table, or give the thresholds in watts",
            "money",
        )
    begins: dict[date | None, int] = {}
    for index, tariff in enumerate(money.tariff if money else ()):
        first = begins.setdefault(tariff.valid_from, index)
        if first != index:
            yield problem(
                f"money.tariff.{index}.valid_from",
                tariff.valid_from,
                "two tariffs begin on the same day",
                "Give each its own first day",
                f"money.tariff.{first}.valid_from",
            )
        for number, window in enumerate(tariff.window):
            if window.import_price is None and window.export_price is None:
                yield problem(
                    f"money.tariff.{index}.window.{number}",
                    "",
                    "a window without a price of its own",
                    "Set its import_price or export_price, or remove it",
                )


def _relay_contradictions(relay: Relay, problem: Any) -> Iterator[Problem]:
    if relay.on_payload == relay.off_payload:
        yield problem(
            "relay.off_payload",
            relay.off_payload,
            "on and off are told with the same payload",
            "Give them different payloads",
            "relay.on_payload",
        )
    if relay.hold_s is not None and HOLD_MARK not in relay.on_payload:
        yield problem(
            "relay.hold_s",
            relay.hold_s,
            "the hold time is never told to the plug",
            f"Write {HOLD_MARK} into relay.on_payload where the plug expects the seconds",
            "relay.on_payload",
        )
    if relay.hold_s is None and HOLD_MARK in relay.on_payload:
        yield problem(
            "relay.on_payload",
            relay.on_payload,
            "the payload asks for a hold time that is not set",
            "Set relay.hold_s to the seconds after which the plug switches itself off",
            "relay.hold_s",
        )
    if relay.hold_s is not None and relay.hold_s < 2 * relay.reassert_s:
        yield problem(
            "relay.hold_s",
            relay.hold_s,
            f"the plug would switch itself off between two re-assertions ({relay.reassert_s:g} s apart)",
            "Make it at least twice relay.reassert_s",
            "relay.reassert_s",
        )
    for key in ("on_payload", "off_payload"):
        text = getattr(relay, key).replace(HOLD_MARK, "0")
        if text[0] in "{[":
            try:
                json.loads(text)
            except (ValueError, RecursionError) as error:
                yield problem(
                    f"relay.{key}", getattr(relay, key), f"looks like JSON, but is not ({error})", "Correct the JSON"
                )
    if relay.feedback:
        if relay.feedback.on_value.lower() == relay.feedback.off_value.lower():
            yield problem(
                "relay.feedback.off_value",
                relay.feedback.off_value,
                "on and off are reported with the same value",
                "Give the two values that the plug reports",
                "relay.feedback.on_value",
            )
        if relay.feedback.topic == relay.command_topic:
            yield problem(
                "relay.feedback.topic",
                relay.feedback.topic,
                "this is the command topic: the daemon would take its own command for the plug's report",
                "Name the topic where the plug itself reports, or leave relay.feedback out",
                "relay.command_topic",
            )


def _meter_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    """Find what no reading can ever show: then a charge never begins, or never ends."""
    ways = {source.measures for source in config.meter}
    keys = [f"meter.{index}.measures" for index in range(len(config.meter))]
    all_of_them = "of all of them" if len(keys) > 1 else "of the only one"
    if ways == {"import-only"}:
        yield problem(
            keys[0],
            "import-only",
            f"{all_of_them}: no reading can ever show an export, so no surplus is ever seen",
            'Write "export-only" for the meter that counts what is sent to the grid (where import and export were '
            'exchanged, both are wrong: exchange both), or "net-import" for one that goes below zero',
            *keys,
        )
    elif ways == {"export-only"} and (config.auto or config.stop_import_w >= 0):
        yield problem(
            keys[0],
            "export-only",
            f"{all_of_them}: no reading can ever show an import, so none ever ends a charge",
            'Write "import-only" for the meter that counts what is taken from the grid (where import and export were '
            'exchanged, both are wrong: exchange both), or "net-export" for one that goes below zero; or end a charge '
            "while there still is export, with a control.stop_import_w below 0",
            *keys,
            "control.stop_import_w",
        )


def _topic_contradictions(config: Config, problem: Any) -> Iterator[Problem]:
    base = config.base_topic
    own = {f"{base}/{leaf}": "mqtt.base_topic" for leaf in OWN_LEAVES}
    own[config.relay.command_topic] = "relay.command_topic"
    read = [(f"meter.{index}.topic", source.topic) for index, source in enumerate(config.meter)]
    for name in ("power", "temperature", "voltage"):
        part = getattr(config.relay, name)
        if part:
            read.append((f"relay.{name}.topic", part.topic))
    if config.relay.feedback and config.relay.feedback.topic != config.relay.command_topic:
        read.append(("relay.feedback.topic", config.relay.feedback.topic))
    seen: dict[tuple[str, str | None], int] = {}
    for index, source in enumerate(config.meter):
        first = seen.setdefault((source.topic, source.pointer), index)
        if first != index:
            yield problem(
                f"meter.{index}.topic",
                source.topic,
                "the same value is listed twice, and would be counted twice",
                "Remove one, or give it another pointer",
                *(f"meter.{number}.{key}" for number in (first, index) for key in ("topic", "pointer")),
            )
    for key, topic in read:
        if topic in own:
            yield problem(
                key, topic, "the daemon itself publishes there", "Name the topic of the device", key, own[topic]
            )
    if config.homie.publish:
        for key, topic in [*read, ("relay.command_topic", config.relay.command_topic)]:
            if topic.startswith(f"{config.homie_topic}/"):
                yield problem(
                    key,
                    topic,
                    f"the daemon describes itself there ({config.homie_topic}/...)",
                    "Name the topic of the device, or change homie.domain",
                    key,
                    "homie.domain",
                )
    if own[config.relay.command_topic] and config.relay.command_topic.startswith(f"{base}/"):
        yield problem(
            "relay.command_topic",
            config.relay.command_topic,
            f"this lies under the daemon's own topics ({base}/...)",
            "Change mqtt.base_topic, or name the plug's own topic",
            "mqtt.base_topic",
        )


def _connection_contradictions(mqtt: Mqtt, problem: Any) -> Iterator[Problem]:
    if mqtt.unix_socket is not None:
        for key in ("host", "port", "tls"):
            if key in mqtt.model_fields_set:
                yield problem(
                    "mqtt.unix_socket",
                    mqtt.unix_socket,
                    f"a local socket has no {key}",
                    f"Leave out either mqtt.unix_socket or mqtt.{key}",
                    f"mqtt.{key}",
                )
    if mqtt.password is not None and mqtt.username is None:
        yield problem("mqtt.password", "", "a password without a user name", "Set mqtt.username", "mqtt.username")
    if mqtt.tls and (mqtt.tls.cert_file is None) is not (mqtt.tls.key_file is None):
        yield problem("mqtt.tls", "", "a client certificate needs its key", "Give both cert_file and key_file")
    secrets = {"mqtt.password": mqtt.password, "mqtt.tls.key_password": mqtt.tls.key_password if mqtt.tls else None}
    for key, secret in secrets.items():
        if secret is None:
            continue
        if len(secret.model_fields_set) != 1:
            yield problem(key, "", "a secret is found in one place", "Give exactly one of file, env and credential")
            continue
        try:
            secret.reveal()
        except ValueError as error:
            shown = str(secret) if secret.telling else ""
            yield problem(key, shown, str(error), "Provide it there, readable by the daemon's user")


def _open_to_others(config: Config) -> Iterator[str]:
    """Say which files and folders every user of this computer may read or change, and should not."""
    tls, folder = config.mqtt.tls, config.state_file.parent
    if tls:
        password = tls.key_password.path if tls.key_password and tls.key_password.file else None
        for place in (Path(tls.key_file) if tls.key_file else None, password):
            if place and _mode(place) & stat.S_IROTH:
                yield f"{place} can be read by every user of this computer: chmod o-rwx."
    if _mode(folder) & stat.S_IWOTH:
        yield (
            f"{folder} can be changed by every user of this computer, and what must outlive a restart be lost: "
            "chmod o-rwx."
        )


def _mode(path: Path) -> int:
    try:
        return path.stat().st_mode
    except (OSError, ValueError):
        return 0


def _doubts(config: Config) -> Iterator[str]:
    relay, control, mqtt = config.relay, config.control, config.mqtt
    nominal_w = config.charger.current_a * config.charger.voltage_v
    if abs(config.draw_w / nominal_w - 1) > VOLTAGE_TOLERANCE:
        low_w, high_w = nominal_w * (1 - VOLTAGE_TOLERANCE), nominal_w * (1 + VOLTAGE_TOLERANCE)
        yield (
            f"charger.draw_w = {config.draw_w:g} does not fit {config.charger.current_a:g} A: within the voltage that "
            f"EN 50160 allows, that is {low_w:.0f} to {high_w:.0f} W. Is the current setting right?"
        )
    margin_w = config.stop_import_w - (config.draw_w - config.start_export_w)
    if not config.auto and margin_w < 0.1 * config.draw_w:
        yield (
            f"only {margin_w:g} W lie between what a fresh start imports and control.stop_import_w: "
            "small loads will end charges early."
        )
    if config.charger.current_a > config.socket.continuous_a:
        yield (
            f"the lead's {config.charger.current_a:g} A are above the {config.socket.continuous_a:g} A that the socket "
            f"may carry for hours, allowed because: {config.socket.above_continuous_because}; the thermal image will "
            "interrupt long charges."
        )
    if relay.feedback is None:
        yield "relay.feedback is not set: whether the plug obeys is not known; the broker's word is taken for it."
    if relay.power is None:
        yield "relay.power is not set: the charger's draw is assumed, not measured, and so is its energy."
    if relay.hold_s is None:
        yield (
            "relay.hold_s is not set: if both the computer and the broker fail while charging, the plug stays on. "
            "A plug that can switch itself off after a time is worth having."
        )
    yield from _open_to_others(config)
    if relay.qos == 0:
        yield "relay.qos is 0: a command may be lost without anyone noticing; 1 is better."
    if control.min_on_s < 60 or control.min_off_s < 60:
        yield "control.min_on_s or control.min_off_s is below a minute: hard on the relay, the lead and the car."
    if max(source.fresh_s for source in config.meter) > 120:
        yield "meter.fresh_s is above two minutes: for so long the relay stays on after the meter fell silent."
    yield from _price_doubts(config)
    local = mqtt.unix_socket is not None or mqtt.host in ("localhost", "127.0.0.1", "::1")
    if not local and mqtt.tls is None:
        yield "mqtt.tls is not set: anyone on the network can read, and perhaps change, what is sent to the broker."
    if not local and mqtt.username is None and not (mqtt.tls and mqtt.tls.cert_file):
        yield "mqtt.username is not set: a broker that lets anyone in lets anyone switch the relay."
    if mqtt.password and mqtt.password.file and Path(mqtt.password.file).stat().st_mode & stat.S_IROTH:
        yield f"{mqtt.password.file} can be read by every user of this computer."


def _price_doubts(config: Config) -> Iterator[str]:
    for index, tariff in enumerate(config.money.tariff if config.money else ()):
        key = f"money.tariff.{index}"
        if config.money and config.money.currency in IN_HUNDREDTHS and tariff.import_price >= 3:
            yield (
                f"{key}.import_price = {tariff.import_price} {config.money.currency} for a kilowatt-hour: are these "
                f"hundredths? Then write {tariff.import_price / 100}."
            )
        if tariff.export_price > tariff.import_price:
            yield f"{key}.export_price is above import_price: what is sold would earn more than what is bought costs."
        elif said := _tariff(tariff).of_cheapest():
            given = "is" if "alternative_price" in tariff.model_fields_set else "is left out, and so"
            yield f'{key}.alternative_price {given} "cheapest": {said}.'
        for number, window in enumerate(tariff.window):
            if window.begins == window.ends:
                yield f"{key}.window.{number} begins and ends at {window.begins}: it covers the whole day."


# --- reading the file ------------------------------------------------------------------------------------------------


def read_bounded(path: str | Path, most_bytes: int, *, links: bool = True) -> bytes:
    """Read a file that is to be small, and without any wait: no pipe, no device. Raises OSError, ValueError.

    ``links``: a symbolic link is followed; otherwise it is an OSError.
    """
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | (0 if links else os.O_NOFOLLOW)
    with os.fdopen(os.open(path, flags), "rb") as file:
        kind = os.fstat(file.fileno()).st_mode
        if stat.S_ISDIR(kind):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        if not stat.S_ISREG(kind):
            raise ValueError("is not a regular file")
        data = file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise ValueError(f"is larger than {most_bytes} bytes, and so no such file")
    return data


def _text(path: str | Path) -> str:
    """Return the text of a configuration file. Raises ConfigError."""
    try:
        return read_bounded(path, FILE_LIMIT_BYTES).decode("utf-8")
    except OSError as error:
        problem = Problem((), "", f"cannot be read ({error.strerror})", "Name a file that this user can read")
        raise ConfigError(str(path), [problem]) from None
    except UnicodeDecodeError as error:
        problem = Problem((), "", f"is not UTF-8 text (byte {error.start})", "Save it as UTF-8")
        raise ConfigError(str(path), [problem]) from None
    except ValueError as error:
        problem = Problem((), "", str(error), "Name the configuration file: a few hundred lines of text")
        raise ConfigError(str(path), [problem]) from None


def load(path: str | Path) -> Config:
    """Read a configuration file. Raises ConfigError with everything that is wrong with it."""
    return parse(_text(path), str(path))


def load_for_off(path: str | Path) -> Config:
    """Read what switching off needs, and forgive all else: a slip in a threshold must not keep a relay on.

    Raises ConfigError where the broker or the off command cannot be told.
    """
    try:
        return load(path)
    except ConfigError as error:
        if any(_needed_for_off(problem) for problem in error.problems):
            raise
        data = tomllib.loads(_text(path))
        for problem in error.problems:
            _mend(
                data, tuple(int(part) if re.fullmatch("[0-9]+", part) else part for part in problem.keys[0].split("."))
            )
        try:
            return Config.model_validate(data)
        except ValidationError:
            raise error from None


def load_offline(path: str | Path) -> Config:
    """Read what needs no broker: whoever asks for a report need not be able to read the broker's password.

    Raises ConfigError with what else is wrong.
    """
    try:
        return load(path)
    except ConfigError as error:
        if any(not problem.keys or problem.keys[0].split(".")[0] != "mqtt" for problem in error.problems):
            raise
        data = tomllib.loads(_text(path))
        return Config.model_validate({key: value for key, value in data.items() if key != "mqtt"})


def _needed_for_off(problem: Problem) -> bool:
    key = problem.keys[0] if problem.keys else ""  # no key: the file as a whole
    needed = ("", "relay", "relay.command_topic", "relay.off_payload", "relay.qos", "charger.name")
    return key in needed or key.split(".")[0] == "mqtt"


def parse(text: str, name: str) -> Config:
    """Read a configuration from TOML text; ``name`` stands for it in errors. Raises ConfigError."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # besides TOMLDecodeError: a number of thousands of digits
        raise ConfigError(name, [Problem((), "", f"is not TOML: {error}", _mend_line(text, error))]) from None
    try:
        config = Config.model_validate(data)
    except ValidationError as error:
        problems = [_explain(details) for details in error.errors()]
        raise ConfigError(name, problems + _contradictions_of_the_rest(data, error, problems)) from None
    found = list(_contradictions(config))
    if found:
        raise ConfigError(name, found)
    return config


# The keys that are true or false.
_SWITCHES = {
    name for table in Section.__subclasses__() for name, field in table.model_fields.items() if field.annotation is bool
}


def _mend_line(text: str, error: Exception) -> str:
    """Return the remedy for a line that TOML cannot read, for the slips that people make most."""
    number = re.search(r"at line (\d+)", str(error))
    lines = text.splitlines()
    line = lines[int(number[1]) - 1] if number and int(number[1]) <= len(lines) else ""
    if re.search(r"=\s*[-+]?\d+,\d", line):
        return "Write the number with a point, not a comma"
    table = re.match(r"\s*\[+\s*([\w.-]+)", line)
    if table and re.search("twice|overwrite|immutable", str(error)):
        if table[1] in ("meter", "money.tariff", "money.tariff.window"):
            return f"This table is there already: each of several begins with [[{table[1]}]], in double brackets"
        return f"This table is there already: put the keys into the first [{table[1]}]"
    if "overwrite" in str(error):
        return "Something is set twice: remove one"
    bare = re.search(r"([\w-]*)\s*=\s*(?!(?:true|false)\b)[A-Za-z/]", line)
    if bare and bare[1] in _SWITCHES:
        return "Write true or false, in small letters, without quotes"
    if bare:
        return "Put text in quotes; a number goes without"
    return "Correct the line"


# What stands in for a required value that is missing or wrong, so that the others can still be held together.
_STAND_INS: dict[str, Any] = {
    "topic": "-",
    "command_topic": "-",
    "current_a": 1.0,
    "charger": {"current_a": 1.0},
    "relay": {"command_topic": "-"},
    "meter": [{"topic": "-"}],
    "currency": "-",
    "import_price": 0.0,
    "export_price": 0.0,
    "tariff": [{"import_price": 0.0, "export_price": 0.0}],
    "begins": "00:00",
    "ends": "00:00",
    "window": [{"begins": "00:00", "ends": "00:00", "import_price": 0.0}],
}


def _contradictions_of_the_rest(data: dict[str, Any], error: ValidationError, known: list[Problem]) -> list[Problem]:
    """Say the contradictions too, in one go with the wrong values: those that no wrong value has a part in."""
    try:
        rest = copy.deepcopy(data)
        for details in error.errors():
            _mend(rest, details["loc"])
        config = Config.model_validate(rest)
    except (ValidationError, RecursionError):
        return []
    wrong = {problem.keys[0] for problem in known}
    return [problem for problem in _contradictions(config) if not any(_within(key, wrong) for key in problem.keys)]


def _mend(data: Any, location: tuple[int | str, ...]) -> None:
    """Put a stand-in where something is wrong, or take it out where it may be left out."""
    for part in location[:-1]:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return
    leaf = location[-1]
    if isinstance(data, dict):
        if leaf in _STAND_INS:
            data[leaf] = copy.deepcopy(_STAND_INS[str(leaf)])
        else:
            data.pop(leaf, None)
    elif isinstance(data, list) and isinstance(leaf, int) and location[-2:-1]:
        data[leaf] = copy.deepcopy(_STAND_INS[str(location[-2])][0])


def _within(key: str, wrong: set[str]) -> bool:
    return any(key == other or key.startswith(f"{other}.") or other.startswith(f"{key}.") for other in wrong)


def _show(value: object) -> str:
    """Return a value as TOML would write it, shortened."""
    if value == "":
        return ""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    try:
        text = json.dumps(value, default=str, ensure_ascii=True)
    except (ValueError, RecursionError):  # a number or a table of absurd size
        return "..."
    return text if len(text) <= 60 else text[:57] + "..."


# --- turning the validator's words into ours -------------------------------------------------------------------------


# Keys of [mqtt] into which a password may slip by mistake.
_NOT_SHOWN = frozenset({"host", "username", "client_id", "env"})


def _explain(details: ErrorDetails) -> Problem:
    location, kind, value = details["loc"], details["type"], details["input"]
    key = ".".join(str(part) for part in location)
    leaf = str(location[-1])
    if kind == "missing":
        about = _field_description(location)
        table = "[[meter]]" if key == "meter" else f"[{key}]"
        return Problem((key,), "", "is missing", f"Set it: {about}" if about else f"Add a {table} table")
    if kind == "extra_forbidden" and not any("password" in str(part) for part in location[:-1]):
        # What nobody knows may be a secret under a mistyped name: show numbers only, and not those of a key like it.
        secretive = difflib.get_close_matches(leaf.lower(), ("password", "passwd", "passphrase", "secret"))
        shown = _show(value) if isinstance(value, bool | int | float) and not secretive else ""
        return Problem((key,), shown, "is not a known key", _nearest(location))
    if any("password" in str(part) for part in location) and kind != "surpluscharge":
        return Problem(
            (key,), "", "a secret is never written into this file", 'Write where it is: { file = "/path/to/it" }'
        )
    shown = "" if location[0] == "mqtt" and leaf in _NOT_SHOWN else _show(value)
    context = details.get("ctx", {})
    if kind == "surpluscharge":
        return Problem((key,), shown, context["message"], context["remedy"])
    message = details["msg"].replace("Input should be", "must be").replace("Input", "It")
    remedy = "See config.example.toml"
    if kind == "finite_number":
        remedy = "Write a plain number"
    elif kind in ("int_type", "int_from_float") and isinstance(value, float):
        message, remedy = "must be a whole number", "Write it without a fraction"
    elif kind in ("float_type", "int_type", "int_from_float") and isinstance(value, str):
        remedy = "Write it without quotes"
    unit = next((suffix for suffix in _UNIT_NAMES if leaf.endswith(suffix)), None)
    if unit and isinstance(value, str):
        message, remedy = _number_of(unit, leaf, value)
    elif kind in ("model_type", "model_attributes_type", "list_type"):
        listed = kind == "list_type"
        message = "must be a list of tables" if listed else "must be a table"
        remedy = f"Write it as {f'[[{key}]]' if listed else f'[{key}]'}, with its keys below"
    elif kind == "too_short" and isinstance(value, list):
        message, remedy = "needs at least one entry", f"Add a [[{key}]] table"
    elif kind == "literal_error":
        message = f"must be one of {context['expected']}"
        remedy = "Choose one of them"
    elif kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        about = _field_description(location) or "choose a value within"
        remedy = about[0].upper() + about[1:] + (f", in {_UNIT_NAMES[unit]}" if unit else "")
    elif kind == "string_pattern_mismatch":
        message = "has characters that are not allowed, or is too long" if value else "is empty"
        others = "letters, digits, hyphens, dots and underscores, 60 at most"
        remedy = f"Use {others}" if leaf == "client_id" else "Use small letters, digits and hyphens"
    elif kind == "string_type":
        message, remedy = "must be text", "Put it in quotes"
    return Problem((key,), shown, message, remedy)


def _model_at(location: tuple[int | str, ...]) -> type[BaseModel] | None:
    model: Any = Config
    for part in location:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        if field is None:
            return None
        model = next((kind for kind in _models_in(field.annotation)), None)
        if model is None:
            return None
    return model if isinstance(model, type) and issubclass(model, BaseModel) else None


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in getattr(annotation, "__args__", ()):
        yield from _models_in(argument)


def _field_description(location: tuple[int | str, ...]) -> str | None:
    model = _model_at(location[:-1])
    field = model.model_fields.get(str(location[-1])) if model else None
    return field.description if field else None


def _nearest(location: tuple[int | str, ...]) -> str:
    model = _model_at(location[:-1])
    known = list(model.model_fields) if model else []
    longer = [name for name in known if name.endswith(f"_{location[-1]}")]
    if len(longer) == 1:  # relay.topic is meant for command_topic, though meters have a topic, too
        return f"Did you mean {longer[0]}?"
    near = difflib.get_close_matches(str(location[-1]), known, n=1)
    elsewhere = [
        name for name in Config.model_fields if location[-1] in getattr(_model_at((name,)), "model_fields", ())
    ]
    if elsewhere:
        return (
            f"It belongs under {' or '.join(f'[[{name}]]' if name == 'meter' else f'[{name}]' for name in elsewhere)}"
        )
    return f"Did you mean {near[0]}?" if near else f"Known here: {', '.join(known)}"
