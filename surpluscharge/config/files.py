"""Reading files that somebody else may have made: small, regular, and without any wait."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path


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
