"""How worn the contacts are: what they have switched and carried, and when somebody last looked at them.

It is read off the ledger's charges, which are kept for ever. What is reckoned here is no all-clear: a contact that was
never overdone may be loose, and one that has just been looked at may be bad where nobody can look.
"""

from __future__ import annotations

import calendar
from datetime import tzinfo
from typing import NamedTuple

from surpluscharge.history.energy import ms_of, time_of
from surpluscharge.history.ledger.records import DAY_MS, Look


class Wear(NamedTuple):
    """What the contacts have done, as far as it is on record."""

    operations: int  # of the relay, since it was last said to be a new one: on and off under load, once each
    first_ms: int | None  # when the first charge since then began; None: there was none
    hours_at: tuple[tuple[int, float], ...]  # of socket and pins: (amperes to the nearest, hours), by current
    ampere_hours: float  # since the last look, or ever
    look: Look | None  # the last one


class WearRules(NamedTuple):
    """When somebody is told; see ``[contacts]`` in the configuration."""

    rated_operations: int
    first_look_days: int
    look_every_months: int
    look_every_ah: float


def next_look_ms(wear: Wear, rules: WearRules, zone: tzinfo | None) -> int | None:
    """Return when the next look is due, by time alone; None: nothing has been charged yet.

    A look in the first half of the first weeks does not stand for the one at their end: a clamp settles by then.
    """
    if wear.first_ms is None:
        return None
    first_ms = rules.first_look_days * DAY_MS
    if wear.look is None or wear.look.at_ms < wear.first_ms + first_ms // 2:
        return wear.first_ms + first_ms
    looked = time_of(wear.look.at_ms, zone)
    years, month = divmod(looked.month - 1 + rules.look_every_months, 12)
    year = looked.year + years
    day = min(looked.day, calendar.monthrange(year, month + 1)[1])
    return ms_of(looked.replace(year=year, month=month + 1, day=day))


def look_due(wear: Wear, rules: WearRules, now_ms: int, zone: tzinfo | None) -> bool:
    """Say whether somebody should look now."""
    next_ms = next_look_ms(wear, rules, zone)
    return next_ms is not None and (now_ms >= next_ms or wear.ampere_hours >= rules.look_every_ah)


def worn(wear: Wear, rules: WearRules) -> bool:
    """Say whether the relay has switched its load as often as it is rated for."""
    return wear.operations >= rules.rated_operations
