"""The types of single values, as a person may write them, and what to say of those that cannot be."""

from __future__ import annotations

import ipaddress
import math
import re
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, TypeAdapter, ValidationInfo
from pydantic_core import PydanticCustomError


def refuse(message: str, remedy: str) -> PydanticCustomError:
    return PydanticCustomError("surpluscharge", "{message}", {"message": message, "remedy": remedy})


_QUANTITY = re.compile(r"\s*([-+]?\d+(?:\.\d+)?)\s*(kWh|Wh|kW|W|A|V|s|sec|min|m|h)\s*")
_UNIT_FACTORS = {
    "_w": {"W": 1, "kW": 1000},
    "_wh": {"Wh": 1, "kWh": 1000},
    "_s": {"s": 1, "sec": 1, "min": 60, "m": 60, "h": 3600},
    "_a": {"A": 1},
    "_v": {"V": 1},
}
UNIT_NAMES = {"_wh": "watt-hours", "_w": "watts", "_s": "seconds", "_a": "amperes", "_v": "volts"}


def number_of(unit: str, name: str, text: str) -> tuple[str, str]:
    """Return what to say of text where a number is wanted: the message, and the remedy."""
    remedy = f"Write the {UNIT_NAMES[unit]} as a plain number"
    quantity = _QUANTITY.fullmatch(text)
    factor = _UNIT_FACTORS[unit].get(quantity[2]) if quantity else None
    if quantity and factor:
        remedy = f"Write {name} = {float(quantity[1]) * factor:g}"
    elif quantity:
        remedy = f"{quantity[2]} is not a unit of this key: it takes {UNIT_NAMES[unit]}"
    elif unit == "_s":
        remedy += ', or an ISO 8601 duration such as "PT10M"'
    return f"must be a number of {UNIT_NAMES[unit]}, not text", remedy


_DURATION = TypeAdapter(timedelta)
_ISO_DURATION = re.compile(r"P(\d+D)?(T(?=\d)(\d+H)?(\d+M)?(\d+(\.\d+)?S)?)?", re.ASCII)


def in_seconds(value: Any) -> Any:
    """Let a person write an ISO 8601 duration where seconds are wanted."""
    if isinstance(value, str) and value != "P" and _ISO_DURATION.fullmatch(value):
        return _DURATION.validate_python(value).total_seconds()
    return value


def in_whole_seconds(value: Any) -> Any:
    seconds = in_seconds(value)
    return int(seconds) if isinstance(value, str) and isinstance(seconds, float) and seconds.is_integer() else seconds


def _topic(value: str) -> str:
    """Check an MQTT topic *name* (MQTT 5.0, section 4.7): one topic, not a filter over many."""
    if "+" in value or "#" in value:
        raise refuse("a topic name holds no wildcard", "Name the one topic, without + and #")
    if not value or "\0" in value or len(value.encode()) > 65535:
        raise refuse("a topic name has 1 to 65535 bytes and no null character", "Name the topic as the sender does")
    if value.startswith("$"):
        raise refuse("topics that begin with $ belong to the broker", "Use a topic that does not begin with $")
    return value


def host_name(value: str) -> str:
    if re.search(r"[/@]|^[^:]*:[^:]*$", value):
        remedy = "Write the name or address alone; port, user name and password have keys of their own"
        raise refuse("this is more than a host name", remedy)
    try:
        if ":" in value:
            ipaddress.IPv6Address(value)
        elif value.strip() != value or not re.fullmatch(r"[\w.-]*", value):
            raise ValueError
        value.encode("idna")
    except ValueError:  # UnicodeError among them
        raise refuse("no host can have this name", "Write a name such as broker.lan, or an address") from None
    return value


def web_address(value: str) -> str:
    """Check an address for HTTP (RFC 3986): whole, and without a user name and password."""
    try:
        parts = urlsplit(value)
        whole = parts.scheme in ("http", "https") and bool(parts.hostname) and (parts.port is None or parts.port > 0)
    except ValueError:  # a port that is none, half an IPv6 address
        whole = False
    if not whole or not re.fullmatch(r"[!-~]+", value):
        raise refuse("no address for HTTP", 'Write a whole one, such as "https://example.net/house"')
    if parts.username is not None:
        raise refuse("an address with a user name in it", "Leave that out, or have the address read from secret_url")
    return value


def mail_address(value: str) -> str:
    # RFC 5321, section 4.1.2, as far as it matters here: one address, and nothing that could be another header.
    if not re.fullmatch(r"[!-?A-~]+@[A-Za-z0-9.\[\]:-]+", value) or re.search(r"[<>,;\s]", value):
        raise refuse("no mail address", 'Write it alone, such as "house@example.net"')
    return value


TOLD_NAMES = ("title", "text", "about", "count", "charger", "time")


def told_template(value: str) -> str:
    if unknown := [name for name in re.findall(r"\{(\w+)\}", value) if name not in TOLD_NAMES]:
        raise refuse(f"{{{unknown[0]}}} is not known here", f"Known: {', '.join(f'{{{name}}}' for name in TOLD_NAMES)}")
    return value


def variable_name(value: str) -> str:
    # POSIX.1-2017, XBD 8.1; a password put here by mistake mostly is no such name, and is not shown.
    if not re.fullmatch("[A-Za-z_][A-Za-z0-9_]*", value):
        remedy = "Write the name alone, such as SURPLUSCHARGE_MQTT_PASSWORD; the secret itself is its value"
        raise refuse("no environment variable can have this name", remedy)
    return value


def _pointer(value: str) -> str:
    if value and not value.startswith("/"):
        raise refuse("a JSON Pointer (RFC 6901) begins with /", f"Write {_as_pointer(value)}")
    if re.search(r"~(?![01])", value):
        remedy = f'Write "{re.sub("~(?![01])", "~0", value)}", if that is what is meant'
        raise refuse("in a JSON Pointer (RFC 6901) ~ is written ~0 and / within a name ~1", remedy)
    return value


def _as_pointer(path: str) -> str:
    """Return what a path in another way of writing, such as power.kw or phases[0].w, is as a JSON Pointer."""
    if "/" in path:
        return f'"/{path}"'
    steps = [step for step in re.split(r"[.\[\]]+", path.removeprefix("$")) if step]
    written = "".join(f"/{step}" for step in steps)
    return f'"{written}"' + (f', or "/{path}" if one name has all of that' if len(steps) > 1 else "")


def zone_name(value: str) -> str:
    try:
        ZoneInfo(value)
    except (OSError, ValueError, KeyError):  # ZoneInfoNotFoundError is a KeyError; odd names raise the others
        raise refuse("this time zone is not known here", 'Write an IANA name such as "Europe/Lisbon"') from None
    return value


def clock_time(value: str) -> str:
    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        raise refuse("a time of day is written HH:MM", 'Write for example "04:00"')
    return value


def _existing(value: str) -> str:
    try:
        there = Path(value).is_file()
    except (OSError, ValueError):  # a name too long, a folder that may not be looked into, a null character
        there = False
    if not there:
        raise refuse("there is no such file", "Name a file that the daemon's user can read")
    return value


def watts_or_word(low_w: float, high_w: float = 20000) -> Any:
    def check(value: Any, info: ValidationInfo) -> Any:
        if value in ("auto", "ahead"):
            return value
        if isinstance(value, str) and _QUANTITY.fullmatch(value):
            raise refuse(*number_of("_w", str(info.field_name), value))
        if isinstance(value, bool) or not isinstance(value, int | float):
            remedy = "Write the watts as a plain number, or one of these words in small letters"
            raise refuse('must be a number of watts, "auto" or "ahead"', remedy)
        if not math.isfinite(value):
            raise refuse("must be a finite number", "Write the watts as a plain number")
        if not low_w <= value <= high_w:
            raise refuse(f'must be {low_w:g} to {high_w:g}, "auto" or "ahead"', "Choose a value within")
        return float(value)

    return BeforeValidator(check)


def _price(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float) or not -1000 <= value <= 1000:
        raise refuse("a price is a number, for a kWh", "Write it without quotes, with a point: 0.27")
    return Decimal(str(value))  # as it is written in the file


def price_factor(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 10:
        raise refuse("a factor is a number above 0, and at most 10", "Write 1.2 for a tax of a fifth")
    return Decimal(str(value))


def price_or_cheapest(value: Any) -> Any:
    return value if value == "cheapest" else _price(value)


def first_day(value: Any) -> Any:
    if isinstance(value, datetime) or not isinstance(value, date):
        raise refuse("must be a day", "Write it without quotes: 2031-01-01")
    if not 2000 <= value.year < 2100:
        raise refuse("is too far away", "Write a day from 2000-01-01 to 2099-12-31")
    return value


def currency_name(value: str) -> str:
    if not re.fullmatch(r"\S{1,8}", value):
        raise refuse("a currency has 1 to 8 characters, and no spaces", 'Write for example "EUR"')
    return value


def days_of_week(value: Any) -> Any:
    if isinstance(value, list):
        if not value or any(day not in WEEKDAYS for day in value):
            raise refuse("names a day that is not known", f"Known here: {', '.join(WEEKDAYS)}")
    elif value not in ("all", "weekdays", "weekends"):
        raise refuse(
            "these days are not known", 'Write "all", "weekdays", "weekends", or a list such as ["mon", "thu"]'
        )
    return value


Seconds = Annotated[float, BeforeValidator(in_seconds)]
WholeSeconds = Annotated[int, BeforeValidator(in_whole_seconds)]
Topic = Annotated[str, AfterValidator(_topic)]
Pointer = Annotated[str, AfterValidator(_pointer)]
File = Annotated[str, AfterValidator(_existing)]
Payload = Annotated[str, Field(min_length=1, max_length=4096)]
Auto = Literal["auto", "ahead"]
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Price = Annotated[Decimal, BeforeValidator(_price)]
