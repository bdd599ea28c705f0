"""What outlives the process: one small file, replaced as a whole, with a checksum.

Written at every start and stop, at every flip of the enable switch, when a fault is raised, cleared or acknowledged,
and once a minute while charging; so a few dozen to a few hundred small writes a day. A file that cannot be trusted is
set aside, and the safe side is taken: disabled, the whole pause, and a socket taken to be hot.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn

from pydantic import TypeAdapter, ValidationError

from surpluscharge.clock import Clock
from surpluscharge.control.controller import Kept

FORMAT = 2
UNKNOWABLE_S = 86400.0  # counted as on where nobody can know: more than any cap

_KEPT = TypeAdapter(Kept)


class Unusable(Exception):  # noqa: N818
    """The file is there, but cannot be trusted; it was renamed to ``kept_as``."""

    def __init__(self, reason: str, kept_as: str) -> None:
        super().__init__(reason)
        self.kept_as = kept_as


@contextlib.contextmanager
def alone(path: Path) -> Iterator[None]:
    """Hold the store for this process. Raises ValueError where another one does."""
    with contextlib.ExitStack() as stack:
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            lock = stack.enter_context(path.with_suffix(".lock").open("w"))
        except OSError:
            lock = None  # saving will fail too, and says so
        if lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise ValueError(
                    f"another surpluscharge uses {path}: stop it, or give each charger its own charger.name"
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
            "faults": [record._asdict() for record in kept.faults],
        },
    }
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    beside = path.with_suffix(".new")
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as file:
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
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except UnicodeDecodeError:
        raise _set_aside(path, "not text") from None
    try:
        document = json.loads(text, parse_constant=_no_number)
        body = document["body"]
        if document["crc32"] != _checksum(body):
            raise ValueError("checksum does not match")
        if body["format"] != FORMAT:
            raise ValueError(f"format {body['format']!r} is not known here")
        kept = _KEPT.validate_python(body["kept"])
        saved_wall = datetime.fromisoformat(body["wall"])
        if body["origin"] == clock.origin and kept.saved_s <= clock.now():
            return kept  # the same clock still runs
        elapsed_s = (clock.wall() - saved_wall).total_seconds()
    except (ValueError, KeyError, TypeError, RecursionError, ValidationError) as error:
        raise _set_aside(path, str(error).splitlines()[0]) from None
    return _shifted(kept, elapsed_s, clock.now())


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
        faults=tuple(record._replace(raised_s=record.raised_s + shift_s) for record in kept.faults),
    )


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number to go on with")


def _checksum(body: Any) -> int:
    return zlib.crc32(json.dumps(body, sort_keys=True).encode())


def _set_aside(path: Path, reason: str) -> Unusable:
    aside = path.with_suffix(".unusable")
    path.replace(aside)
    return Unusable(reason, str(aside))
