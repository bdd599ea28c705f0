"""What the commands share: refusals, files that are written, a progress bar."""

from __future__ import annotations

import argparse
import contextlib
import functools
import importlib
import sys
import time
from collections.abc import Callable
from datetime import date, datetime, tzinfo
from pathlib import Path
from types import ModuleType

from surpluscharge.clock import SystemClock, zone
from surpluscharge.config import Config
from surpluscharge.history.energy import day_span
from surpluscharge.words import to_install

CAUTION = (
    "caution: hours of current through a household socket can start a fire. Use a socket, plug, cable and relay that\n"
    "are rated for it continuously, behind a residual-current device of type A; a plug-in relay is an adapter\n"
    "itself, so let there be no other. Feel them after an hour, look at the pins after two weeks; where something is\n"
    "hot, switch the circuit off at the fuse board before you unplug. Follow local codes, and ask a licensed\n"
    "electrician. This is no certified safety device."
)


class CannotError(Exception):
    """What was asked for cannot be done; the text says why, and what to do."""


Handler = Callable[[argparse.Namespace], int]


def refusing(*errors: type[Exception]) -> Callable[[Handler], Handler]:
    """Let a command's own errors, whose text says why and what to do, be what :class:`CannotError` is."""

    def wrap(command: Handler) -> Handler:
        @functools.wraps(command)
        def wrapped(options: argparse.Namespace) -> int:
            try:
                return command(options)
            except errors as error:
                raise CannotError(str(error)) from None

        return wrapped

    return wrap


def extra(module: str) -> ModuleType:
    """Import a module whose libraries come with the report extra only."""
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise CannotError(
            f"--html needs {error.name}: {to_install('report')}; with the Debian package "
            "apt-get install python3-matplotlib"
        ) from None


def date_of(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no day: write it as 2031-05-14") from None


def moment_of(text: str, site: tzinfo | None, included: bool = False) -> datetime:
    """Read a day (its end where it is ``included``) or an RFC 3339 time; one without offset is local."""
    try:
        moment, day = datetime.fromisoformat(text), None
        with contextlib.suppress(ValueError):
            day = date.fromisoformat(text)
    except ValueError:
        raise CannotError(f"{text} is neither a day (2031-05-14) nor a time (2031-05-14T11:20:09+02:00)") from None
    if not 1970 <= moment.year < 3000:
        raise CannotError(f"{text} is no time from 1970 to 2999. Leave it out to take all that is on record")
    if day:
        return day_span(day, site)[included]
    return moment.replace(tzinfo=site) if moment.tzinfo is None else moment.astimezone(site)


def write(path: str, text: str) -> None:
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise unwritable(path, error) from None


def there_already(path: object) -> CannotError:
    return CannotError(f"{path} is there already, and is not overwritten. Name a new file")


def unwritable(path: object, error: OSError) -> CannotError:
    return CannotError(f"{path} cannot be written ({error.strerror}). Name a file in a folder of yours")


def sure(question: str, yes: bool) -> None:
    """Go on where ``--yes`` was said, or somebody at the terminal types yes. Raises CannotError otherwise."""
    if yes:
        return
    if not sys.stdin.isatty():
        raise CannotError(f"{question} Nobody is there to ask: say --yes if so. Nothing was changed")
    try:
        answer = input(f"{question} Type yes to go on: ")
    except EOFError:
        answer = ""
    if answer.strip().lower() != "yes":
        raise CannotError("Nothing was changed")


class Progress:
    """A progress bar on standard error, where that is a terminal and it takes long enough to be worth one."""

    def __init__(self, title: str) -> None:
        self._title, self._began_s, self._shown = title, time.monotonic(), -1

    def __call__(self, share: float) -> None:
        percent = int(100 * share)
        if sys.stderr.isatty() and percent != self._shown and time.monotonic() > self._began_s + 0.5:
            self._shown = percent
            print(f"\r{self._title} [{'#' * (percent // 4):<25}] {percent} %", end="", file=sys.stderr, flush=True)

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown >= 0:
            print("\r" + " " * 60 + "\r", end="", file=sys.stderr, flush=True)


def now_of(config: Config) -> datetime:
    return SystemClock(zone(config.site.time_zone)).wall()
