"""How quantities are written for people, and how what others wrote is shown to them."""

from __future__ import annotations

from decimal import Decimal


def printable(text: str, lines: bool = False) -> str:
    """Return text from elsewhere (the network, a file) with all escaped that could move a terminal's cursor.

    ``lines``: it may have several.
    """
    return "".join(
        char if char.isprintable() or (lines and char == "\n") else char.encode("unicode_escape").decode()
        for char in text
    )


def watts(power_w: float) -> str:
    """Return a power as people read it: 350 W, 1.38 kW."""
    return f"{round(power_w)} W" if abs(power_w) < 999.5 else f"{power_w / 1000:.2f} kW"


def duration(seconds: float) -> str:
    """Return a duration as people read it: 45 s, 2 min 10 s, 5 h 10 min."""
    whole_s = max(0, round(seconds))
    if whole_s < 60:
        return f"{whole_s} s"
    if whole_s < 3600:
        return f"{whole_s // 60} min" + (f" {whole_s % 60} s" if whole_s % 60 else "")
    minutes = round(whole_s / 60)
    return f"{minutes // 60} h" + (f" {minutes % 60} min" if minutes % 60 else "")


def to_install(extra: str) -> str:
    """Return how the libraries of an extra are installed. By its path: the name on an index may be somebody else's."""
    return f"pip install -e '.[{extra}]', in the clone"


def counted(number: int, one: str, many: str = "") -> str:
    """Return a number of things: 1 warning, 2 warnings; ``many`` where an s does not make it."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def number(value: float | Decimal, digits: int) -> str:
    """Return a number with so many digits; what rounds to nought has no sign."""
    text = f"{value:.{digits}f}"
    return text if float(text) else text.lstrip("-")


def signed(value: float, digits: int = 2) -> str:
    """Return a difference with its sign; what rounds to nought has none."""
    return f"{value:+.{digits}f}" if round(value, digits) else f"{0:.{digits}f}"
