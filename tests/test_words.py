"""What others wrote, as it is shown to people."""

from __future__ import annotations

import re
import unicodedata
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import surpluscharge
from surpluscharge.words import counted, number, printable, signed, watts


@given(st.text(), st.booleans())
def test_what_is_printed_moves_no_cursor(text: str, lines: bool) -> None:
    """Source: the general categories of Unicode: Cc controls, Cf directions, Zl and Zp lines, Cs half characters."""
    shown = printable(text, lines)
    rest = shown.replace("\n", "") if lines else shown
    assert not {unicodedata.category(char) for char in rest} & {"Cc", "Cf", "Zl", "Zp", "Cs"}
    assert shown.count("\n") == (text.count("\n") if lines else 0)


@given(st.text(st.characters(categories=["L", "N", "P", "S"])))
def test_what_people_read_stays_as_it_is(text: str) -> None:
    assert printable(text) == text


def test_what_is_escaped_can_be_read() -> None:
    assert printable("\x1b[2J\r\n\u202e\x9b") == r"\x1b[2J\r\n\u202e\x9b"


def test_one_is_no_plural() -> None:
    assert [counted(n, "warning") for n in (0, 1, 2)] == ["0 warnings", "1 warning", "2 warnings"]
    assert counted(2, "entry", "entries") == "2 entries"


@given(st.floats(-5000, 5000), st.integers(0, 3))
def test_what_rounds_to_nought_has_no_sign(value: float, digits: int) -> None:
    for text in (watts(value / 1000), number(value / 1000, digits), signed(value / 1000, digits)):
        assert not re.search(r"[-+]0(\.0*)?(?![.\d])", text), text
    assert abs(float(number(value, digits)) - value) <= 0.5 * 10**-digits + 1e-9
    assert float(signed(value, digits)) == float(number(value, digits))


def test_noughts_by_example() -> None:
    assert (watts(-0.4), watts(-0.0), watts(-0.6)) == ("0 W", "0 W", "-1 W")
    assert (number(-0.004, 2), number(Decimal("-0.001"), 2), number(-0.006, 2)) == ("0.00", "0.00", "-0.01")
    assert (signed(-0.4, 0), signed(0.4, 0), signed(0.6, 0), signed(-0.0)) == ("0", "0", "+1", "0.00")


THINGS = (
    "warning gap row reading day charge start session fault interval finding switching rule time hour message meter"
)
FIXED = (
    "MOST_READINGS",
    "60_000",
    "_days[",
    "speed:",
    "a_day[",
    "SPEEDS[",
    "counted(",
    "LEAST_DAYS",
)  # never one, or no count


@pytest.mark.parametrize("path", sorted(Path(surpluscharge.__file__).parent.rglob("*.py")), ids=lambda path: path.name)
def test_no_count_is_written_without_its_plural_being_made(path: Path) -> None:
    """Nor a power or a difference in a way that can say -0 W."""
    for line in path.read_text(encoding="utf-8").splitlines():
        for found in re.findall(rf"\{{[^{{}}]*\}} (?:{THINGS.replace(' ', '|')})s\b", line):
            assert any(each in found for each in FIXED), line.strip()
        assert not re.search(r":\+?\.0f\} W\b", line) or "nominal" in line or "low_w" in line, line.strip()
