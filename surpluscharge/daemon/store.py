"""What outlives the process: one small file, replaced as a whole, with a checksum.

Written at every start and stop, at every flip of the enable switch, when a fault is raised, cleared or acknowledged,
and once a minute while charging; so a few dozen to a few hundred small writes a day. A file that cannot be trusted is
set aside, and the safe side is taken: disabled, the whole pause, and a socket taken to be hot.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import math
import os
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn

from pydantic import TypeAdapter, ValidationError

from surpluscharge.clock import Clock
from surpluscharge.config import read_bounded
from surpluscharge.control.controller import Kept
from surpluscharge.control.mains import MOST_OHM

FORMAT = 2
MOST = 1e12  # seconds, watt-hours, ampere-seconds: beyond any life of a socket
FAR_S = 4e9  # 2096, in seconds since 1970: no absence lasts so long
MOST_BYTES = 1_000_000  # a file of ours has a few thousand
UNKNOWABLE_S = 86400.0  # counted as on where nobody can know: more than any cap

_KEPT = TypeAdapter(Kept)


class Unusable(Exception):  # noqa: N818
    """The file is there, but cannot be trusted; it was renamed to ``kept_as``."""

    def __init__(self, reason: str, kept_as: str) -> None:
        super().__init__(reason)
        self.kept_as = kept_as


@contextlib.contextmanager
def alone(path: Path) -> Iterator[None]:
    """Hold the store for this process. Raises ValueError where another one does, or a link leads elsewhere."""
    place = path.with_suffix(".lock")
    with contextlib.ExitStack() as stack:
        if place.is_symlink():
            raise ValueError(f"{place} is a symbolic link, and may lead to somebody else's file: remove it")
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            # Nothing is written to it, so nothing can be lost in what it might lead to.
            lock = os.open(place, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, 0o600)
            stack.callback(os.close, lock)
        except OSError:
            lock = None  # saving will fail too, and says so
        if lock is not None:
            with contextlib.suppress(OSError):
                os.fchmod(lock, 0o600)  # one that an earlier version left open to others
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise ValueError(
                    f"another surpluscharge uses {path}: stop that one first. A charger.name of its own is for another "
                    "charger, with another relay: no two may switch the same"
                ) from None
        yield


def save(path: Path, kept: Kept, clock: Clock) -> None:
    """Write, flush to the disk, then replace: a power cut leaves the old file or the new one. Raises OSError."""
    body = {
        "format": FORMAT,
        "origin": clock.origin,
        "wall": clock.wall().astimezone(UTC).isoformat(),
        "kept": {
            **kept._asdict(),
            "today": kept.today._asdict(),
            "progress": kept.progress._asdict()
            | {
                "request": kept.progress.request and kept.progress.request._asdict(),
                "away": kept.progress.away and kept.progress.away._asdict(),
            },
            "tried": kept.tried._asdict() | {"outcomes": [outcome._asdict() for outcome in kept.tried.outcomes]},
            "joint": kept.joint,
            "faults": [record._asdict() for record in kept.faults],
        },
    }
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    beside = path.with_suffix(".new")
    beside.unlink(missing_ok=True)  # what a crash left, or a link that leads elsewhere
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        json.dump({"crc32": _checksum(body), "body": body}, file)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
    directory = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(directory)  # the renaming itself
    finally:
        os.close(directory)


def load(path: Path, clock: Clock) -> Kept | None:
    """Return what was kept, its times shifted to this clock; None where nothing was. Raises Unusable, OSError."""
    try:
        text = read_bounded(path, MOST_BYTES, links=False).decode("utf-8")
    except FileNotFoundError:
        return None
    except ValueError as error:  # UnicodeDecodeError too
        reason = "not text" if isinstance(error, UnicodeDecodeError) else str(error)
        raise _set_aside(path, reason) from None
    try:
        document = json.loads(text, parse_constant=_no_number)
        body = document["body"]
        if document["crc32"] != _checksum(body):
            raise ValueError("checksum does not match")
        if body["format"] != FORMAT:
            raise ValueError(f"format {body['format']!r} is not known here")
        kept = _KEPT.validate_python(body["kept"])
        _examine(kept)
        saved_wall = datetime.fromisoformat(body["wall"])
        if body["origin"] == clock.origin and kept.saved_s <= clock.now():
            return kept  # the same clock still runs
        elapsed_s = (clock.wall() - saved_wall).total_seconds()
    except (ValueError, KeyError, TypeError, RecursionError, ValidationError) as error:
        raise _set_aside(path, str(error).splitlines()[0]) from None
    return _shifted(kept, elapsed_s, clock.now())


def exchanged(path: Path, topic: str, on: str | None, off: str) -> str | None:
    """Return with which payload off is said where a daemon has found the two exchanged: for who says off and is none.

    ``on`` None: it is not known, and that of the daemon holds. None: nothing of the kind is kept for this command.
    Whatever cannot be read says nothing: it must not keep anybody from switching off.
    """
    try:
        body = json.loads(read_bounded(path, MOST_BYTES, links=False))["body"]
        kept_topic, kept_on, kept_off = body["kept"]["exchanged"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    same = (kept_topic, kept_off) == (topic, off) and on in (None, kept_on)
    return kept_on if same and isinstance(kept_on, str) else None


def _examine(kept: Kept) -> None:
    """Raises ValueError where a value is one that no daemon can have written.

    A checksum says that a file is whole, not that it makes sense; a sum of minus infinity would never come to a cap.
    """
    today = kept.today
    sums = {
        "charger_w": kept.charger_w,
        "session_s": kept.session_s,
        "session_wh": kept.session_wh,
        "level": kept.level,
        "run_s": kept.run_s,
        "run_as": kept.run_as,
        "today.starts": today.starts,
        "today.on_s": today.on_s,
        "today.charger_wh": today.charger_wh,
        "today.grid_wh": today.grid_wh,
        "today.unknown_s": today.unknown_s,
        "today.battery_wh": today.battery_wh,
        "planned_s": kept.planned_s,
        "planned_wh": kept.planned_wh,
        "progress.got_wh": kept.progress.got_wh,
        "progress.sun_wh": kept.progress.sun_wh,
        "tried.trials": kept.tried.trials,
        "tried.bought_wh": kept.tried.bought_wh,
        "tried.failed": kept.tried.failed,
    }
    for name, value in sums.items():
        if not 0.0 <= value < MOST:
            raise ValueError(f"{name} = {value:g} cannot be")
    for ohm in kept.ohms:  # a drop may look negative: an oven went off at that moment
        if not abs(ohm) <= MOST_OHM:
            raise ValueError(f"ohms has {ohm:g}, which cannot be")
    if not all(abs(outcome.height) <= 1.0 for outcome in kept.tried.outcomes):
        raise ValueError("tried.outcomes has a height of the sun that cannot be")
    for name, known in (kept.joint._asdict() if kept.joint else {}).items():
        if not all(abs(value) < MOST for value in _numbers(known)):  # nor NaN
            raise ValueError(f"joint.{name} has a value that cannot be")
    times = {
        "starts_s": kept.starts_s,
        "faults": tuple(record.raised_s for record in kept.faults),
        "tried": (kept.tried.failed_s, *(outcome.at_s for outcome in kept.tried.outcomes)),
    }
    for name, values in times.items():
        if not all(math.isfinite(value) and value <= kept.saved_s for value in values):
            raise ValueError(f"{name} has a time that cannot be")
    if not (math.isfinite(kept.planned_at_s) and kept.planned_at_s <= kept.saved_s):
        raise ValueError(f"planned_at_s = {kept.planned_at_s:g} cannot be")
    away = kept.progress.away
    if away and not 0.0 <= away.leave_s < (FAR_S if away.back_s is None else away.back_s) <= FAR_S:
        raise ValueError("progress.away has a time that cannot be")
    if not math.isfinite(kept.saved_s):
        raise ValueError(f"saved_s = {kept.saved_s:g} cannot be")
    if list(kept.starts_s) != sorted(kept.starts_s):
        raise ValueError("starts_s is out of order")
    if any(record.times < 1 for record in kept.faults):
        raise ValueError("a fault was raised less than once")


def _shifted(kept: Kept, elapsed_s: float, now_s: float) -> Kept:
    """Move the kept times to a clock with another origin, ``elapsed_s`` of wall time later.

    The machine has started anew, and until the network tells the time its wall clock may be unset, or stand where it
    stood. So for what waits, as much time has passed as it says, or none; and a relay that may have been on is taken to
    have been on for longer than any cap.
    """
    elapsed_s = max(0.0, elapsed_s)
    shift_s = now_s - elapsed_s - kept.saved_s
    return kept._replace(
        saved_s=now_s - max(elapsed_s, UNKNOWABLE_S) if kept.on else now_s - elapsed_s,
        starts_s=tuple(start_s + shift_s for start_s in kept.starts_s),
        planned_at_s=kept.planned_at_s + shift_s,
        tried=kept.tried._replace(
            failed_s=kept.tried.failed_s + shift_s,
            outcomes=tuple(one._replace(at_s=one.at_s + shift_s) for one in kept.tried.outcomes),
        ),
        joint=kept.joint and kept.joint.shifted(shift_s),
        faults=tuple(record._replace(raised_s=record.raised_s + shift_s) for record in kept.faults),
    )


def _numbers(known: Any) -> list[float]:
    """Return all the numbers in nested tuples."""
    if isinstance(known, tuple):
        return [value for one in known for value in _numbers(one)]
    return [] if known is None else [known]


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number to go on with")


def _checksum(body: Any) -> int:
    return zlib.crc32(json.dumps(body, sort_keys=True).encode())


def _set_aside(path: Path, reason: str) -> Unusable:
    aside = path.with_suffix(".unusable")
    path.replace(aside)
    return Unusable(reason, str(aside))
