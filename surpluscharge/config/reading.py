"""From the file to a :class:`Config`, or to *all* that is wrong with it: each file, key, value and remedy."""

from __future__ import annotations

import copy
import difflib
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from surpluscharge.config.checks import Problem, contradictions, shown_as
from surpluscharge.config.effective import Config
from surpluscharge.config.files import read_bounded
from surpluscharge.config.models import EARLIER_NAMES, Section
from surpluscharge.config.values import UNIT_NAMES, number_of


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


UNKNOWN = "is not a known key"
FILE_LIMIT_BYTES = 262_144  # the example, with all its comments, has a tenth of that


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
        unknown = [problem.keys[0] for problem in error.problems if problem.message == UNKNOWN]
        if "off_payload" not in data["relay"] and any(key.rpartition(".")[0] == "relay" for key in unknown):
            raise  # it may be meant to say what switches off
        try:
            Config.model_validate(data)
        except ValidationError as invalid:
            for details in invalid.errors():
                _mend(data, details["loc"])
        try:
            return Config.model_validate(data)  # what contradicts itself elsewhere is no matter here
        except ValidationError:
            raise error from None


def for_broker(mqtt: dict[str, Any], name: str) -> Config:
    """Return a configuration of which only [mqtt] is meant, for whoever only listens; ``name`` stands for it in errors.

    Raises ConfigError.
    """
    house = {key: copy.deepcopy(_STAND_INS[key]) for key in ("charger", "relay", "meter")}
    try:
        config = Config.model_validate({**house, "mqtt": mqtt})
    except ValidationError as error:
        raise ConfigError(name, [_explain(details) for details in error.errors()]) from None
    if found := [problem for problem in contradictions(config) if problem.keys[0].split(".")[0] == "mqtt"]:
        raise ConfigError(name, found)
    return config


_OUTSIDE = ("mqtt", "tell", "ping")  # what there are secrets for


def load_offline(path: str | Path) -> Config:
    """Read what needs no broker: whoever asks for a report need not be able to read the broker's password.

    Raises ConfigError with what else is wrong.
    """
    try:
        return load(path)
    except ConfigError as error:
        if any(not problem.keys or problem.keys[0].split(".")[0] not in _OUTSIDE for problem in error.problems):
            raise
        data = tomllib.loads(_text(path))
        return Config.model_validate({key: value for key, value in data.items() if key not in _OUTSIDE})


def _needed_for_off(problem: Problem) -> bool:
    key = problem.keys[0] if problem.keys else ""  # no key: the file as a whole
    needed = ("", "relay", "relay.topic", "relay.command_topic", "relay.off_payload", "relay.qos", "charger.name")
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
    found = list(contradictions(config))
    if found:
        as_written = [problem._replace(keys=tuple(_as_written(key, data) for key in problem.keys)) for problem in found]
        raise ConfigError(name, as_written)
    return config


def _as_written(key: str, data: dict[str, Any]) -> str:
    """Return a key as the file calls it, where that is by an earlier name."""
    table, _, leaf = key.rpartition(".")
    written = data.get(table)
    earlier = [
        name for name, now in EARLIER_NAMES.items() if now == leaf and isinstance(written, dict) and name in written
    ]
    return f"{table}.{earlier[0]}" if earlier else key


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
        if table[1] in ("meter", "money.tariff", "money.tariff.window", "tell", "energy_register"):
            return f"This table is there already: each of several begins with [[{table[1]}]], in double brackets"
        return f"This table is there already: put the keys into the first [{table[1]}]"
    if "overwrite" in str(error):
        return "Something is set twice: remove one"
    bare = re.search(r"([\w-]*)\s*=\s*(?!(?:true|false)\b)[A-Za-z/]", line)
    if bare and bare[1] in _SWITCHES:
        return "Write true or false, in small letters, without quotes"
    if bare:
        return "Put text in quotes; a number goes without"
    if len(re.findall("[\"']", line.split("#")[0])) % 2:
        return "Close the quotes"
    return "Correct the line"


# What stands in for a required value that is missing or wrong, so that the others can still be held together.
_STAND_INS: dict[str, Any] = {
    "topic": "-",
    "current_a": 1.0,
    "charger": {"current_a": 1.0},
    "relay": {"topic": "-"},
    "meter": [{"topic": "-"}],
    "currency": "-",
    "import_price": 0.0,
    "export_price": 0.0,
    "tariff": [{"import_price": 0.0, "export_price": 0.0}],
    "begins": "00:00",
    "ends": "00:00",
    "import_limit_w": 100000.0,
    "limit_w": 30000.0,
    "latitude_deg": 0.0,
    "longitude_deg": 0.0,
    "power": {"topic": "-"},
    "by": "00:00",
    "energy_wh": 1.0,
    "need": [{"by": "00:00", "energy_wh": 1.0}],
    "window": [{"begins": "00:00", "ends": "00:00", "import_price": 0.0}],
    "host": "localhost",
    "port": 1,
    "sender": "a@b",
    "to": ["a@b"],
    "body": {"text": "-"},
    "about": ["latched"],
    "command": ["-"],
    "tell": [{"command": ["-"]}],
    "counts": "import",
    "energy_register": [{"topic": "-", "counts": "import"}],
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
    return [problem for problem in contradictions(config) if not any(_within(key, wrong) for key in problem.keys)]


def _mend(data: Any, location: tuple[int | str, ...]) -> None:
    """Put a stand-in where something is wrong, or take it out where it may be left out."""
    for part in location[:-1]:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return
    leaf = location[-1]
    if isinstance(data, dict):
        data.pop(leaf, None)
        model, name = _model_at(location[:-1]), _now_named(location) or str(leaf)
        known = model is not None and name in model.model_fields  # else it is nothing that anybody waits for
        if known and name not in data and name in _STAND_INS:
            data[name] = copy.deepcopy(_STAND_INS[name])
    elif isinstance(data, list) and isinstance(leaf, int) and location[-2:-1]:
        data[leaf] = copy.deepcopy(_STAND_INS[str(location[-2])][0])


def _within(key: str, wrong: set[str]) -> bool:
    return any(key == other or key.startswith(f"{other}.") or other.startswith(f"{key}.") for other in wrong)


# Keys into which a password may slip by mistake.
_NOT_SHOWN = frozenset({"host", "username", "client_id", "env", "url", "sender"})


def _secret(location: tuple[int | str, ...]) -> bool:
    return any("password" in str(part) or part in ("secret_url", "bearer_token") for part in location)


def _explain(details: ErrorDetails) -> Problem:
    location, kind, value = details["loc"], details["type"], details["input"]
    key = ".".join(str(part) for part in location)
    leaf = str(location[-1])
    if kind == "missing":
        about = _field_description(location)
        table = "[[meter]]" if key == "meter" else f"[{key}]"
        return Problem((key,), "", "is missing", f"Set it: {about}" if about else f"Add a {table} table")
    if kind == "extra_forbidden" and not _secret(location[:-1]):
        # What nobody knows may be a secret under a mistyped name: show numbers only, and not those of a key like it.
        secretive = difflib.get_close_matches(leaf.lower(), ("password", "passwd", "passphrase", "secret", "token"))
        shown = shown_as(value) if isinstance(value, bool | int | float) and not secretive else ""
        if now := _now_named(location):
            return Problem((key,), shown, f"is the earlier name of {now}, and both are there", "Remove this one")
        return Problem((key,), shown, UNKNOWN, _nearest(location))
    if _secret(location) and kind != "surpluscharge":
        return Problem(
            (key,), "", "a secret is never written into this file", 'Write where it is: { file = "/path/to/it" }'
        )
    shown = "" if location[0] in _OUTSIDE and leaf in _NOT_SHOWN else shown_as(value)
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
    unit = next((suffix for suffix in UNIT_NAMES if leaf.endswith(suffix)), None)
    if unit and isinstance(value, str):
        message, remedy = number_of(unit, leaf, value)
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
        remedy = about[0].upper() + about[1:] + (f", in {UNIT_NAMES[unit]}" if unit else "")
    elif kind == "string_pattern_mismatch":
        message = "has characters that are not allowed, or is too long" if value else "is empty"
        others = "letters, digits, hyphens, dots and underscores, 60 at most"
        remedy = f"Use {others}" if leaf == "client_id" else "Use small letters, digits and hyphens"
    elif kind == "string_too_short":
        message = f"must have at least {context['min_length']} characters"
        remedy = f"Say more: it {about}" if (about := _field_description(location)) else "Say more"
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
    leaf = str(location[-1])
    field = model.model_fields.get(EARLIER_NAMES.get(leaf, leaf)) if model else None
    return field.description if field else None


def _now_named(location: tuple[int | str, ...]) -> str | None:
    """Return what a key under an earlier name is called now; None: that key never had another name."""
    model, now = _model_at(location[:-1]), EARLIER_NAMES.get(str(location[-1]))
    field = model.model_fields.get(now) if model and now else None
    return now if field and field.validation_alias else None


def _nearest(location: tuple[int | str, ...]) -> str:
    model = _model_at(location[:-1])
    known = list(model.model_fields) if model else []
    longer = [name for name in known if name.endswith(f"_{location[-1]}")]
    if len(longer) == 1:  # mqtt.topic is meant for own_topic, though others have a topic, too
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
