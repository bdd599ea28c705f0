"""The service manager's notification protocol, sd_notify(3): a datagram to the socket it names."""

from __future__ import annotations

import os
import socket
import time


def notify(*assignments: str) -> bool:
    """Send assignments such as ``READY=1``. Returns False where no service manager takes them; never raises."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):  # an abstract socket
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            # One that is stuck must not hold up an "off". It may hold ten messages only: what counts is said again.
            sender.setblocking(False)
            sender.sendto("\n".join(assignments).encode(), address)
    except OSError:
        return False
    return True


def reloading() -> bool:
    """Say that the configuration is being read again; READY=1 ends it."""
    return notify("RELOADING=1", f"MONOTONIC_USEC={time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000}")


def watchdog_interval_s() -> float | None:
    """Return how often WATCHDOG=1 is due at the least, in seconds; None: nobody waits for it."""
    try:
        interval_s = int(os.environ["WATCHDOG_USEC"]) / 1e6
        meant_for = int(os.environ.get("WATCHDOG_PID", os.getpid()))
    except (KeyError, ValueError):
        return None
    return interval_s if interval_s > 0 and meant_for == os.getpid() else None
