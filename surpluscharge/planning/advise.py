"""What the prices mean for this lead, in plain words: from which surplus on charging pays, and how much."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from surpluscharge.control.economics import (
    LEAST_SURPLUS_W,
    BreakEven,
    Prices,
    Tariffs,
    benefit_per_h,
    break_even,
)
from surpluscharge.control.rule import OPEN, Band, Rule, Way
from surpluscharge.words import watts

AHEAD = timedelta(days=8)  # the windows of a tariff repeat weekly
BAR = 24  # characters for the longest bar
ROWS = 9


class Advice(NamedTuple):
    """For one set of prices: when it begins and ends (None: it stays), and what follows from it."""

    begins: datetime
    ends: datetime | None
    prices: Prices
    point: BreakEven
    band: Band  # what "auto" comes to
    of_cheapest: str | None = None  # what the cheapest hour as the alternative leads to, where that is worth saying


def advise(draw_w: float, tariffs: Tariffs, now: datetime, min_on_s: float, min_off_s: float) -> list[Advice]:
    """Return what holds now, and at each other set of prices within the next week, once each.

    ``now`` is aware, in the site's zone. Empty where no tariff is valid within that time.
    """
    found: dict[Prices, Advice] = {}
    for begins, ends, prices in tariffs.spans(now, now + AHEAD):
        if prices is not None and prices not in found:
            last = tariffs.next_change(begins)
            band = Rule(Way.PRICES, OPEN, min_on_s, min_off_s, prices).band(draw_w)
            point = break_even(draw_w, prices)
            valid = tariffs.valid_at(begins)
            said = valid.of_cheapest() if valid else None
            found[prices] = Advice(begins, None if last is None else ends, prices, point, band, said)
    return list(found.values())


def in_words(advice: Advice, draw_w: float) -> str:
    """Return what a householder should know of these prices, in a sentence or two."""
    prices, point = advice.prices, advice.point
    if point.kind == "never" and prices.alternative_price < prices.export_price:
        return (
            f"Charging from the sun never pays: sold, a kilowatt-hour earns {prices.export_price}, and otherwise it "
            f"costs the car {prices.alternative_price}. Sell it, and charge the other way."
        )
    if point.kind == "never":
        return (
            "Charging from the sun never pays: a kilowatt-hour earns more sold than one costs that is bought. Sell "
            "what the sun gives."
        )
    if point.kind == "always":
        return (
            f"Any surplus pays: even what is bought beside it costs no more ({prices.import_price}) than the car's "
            f"energy otherwise does ({prices.alternative_price})."
        )
    share = point.surplus_w / draw_w
    return (
        f"Charging pays from a surplus of {watts(point.surplus_w)} on, {share:.0%} of the draw. Below it, what has to "
        f"be bought at {prices.import_price} costs more than the sun's part saves."
    )


def as_text(advices: list[Advice], draw_w: float, currency: str) -> str:
    """Return the advice for a terminal, with a small chart of the benefit against the surplus."""
    lines = [
        f"The lead draws {watts(draw_w)}. Prices are in {currency} for a kilowatt-hour; standing charges are left out."
    ]
    for index, advice in enumerate(advices):
        prices = advice.prices
        when = "Now" if index == 0 else f"From {advice.begins:%a %d %b %H:%M}"
        until = "" if advice.ends is None else f" until {advice.ends:%a %d %b %H:%M}"
        lines += [
            "",
            f"{when}{until}: import {prices.import_price}, export {prices.export_price}, "
            f"alternative {prices.alternative_price}",
            f"  {in_words(advice, draw_w)}",
        ]
        if advice.point.kind != "never":
            lines.append(f"  {_rule(advice, draw_w)}")
        lines += ["", *(f"  {line}" for line in _chart(draw_w, prices, currency))]
    if said := next((advice.of_cheapest for advice in advices if advice.of_cheapest), None):
        lines += ["", f'The alternative is "cheapest": {said}.']
    return "\n".join(lines)


def _rule(advice: Advice, draw_w: float) -> str:
    """Return what "auto" does. An import of the whole draw would frighten; it only means: until the sun is gone."""
    starts = f'"auto" starts at {watts(advice.band.start_export_w)} of export'
    if draw_w - advice.band.stop_import_w > LEAST_SURPLUS_W:
        left = watts(draw_w - advice.band.stop_import_w)
        return (
            f"{starts}, and stops above {watts(advice.band.stop_import_w)} of import, when less than {left} of surplus "
            "is left: a little apart from break-even, as each start and each pause binds for a while."
        )
    if advice.band.start_export_w <= LEAST_SURPLUS_W:
        return f"{starts}: any sun is worth it. When there is none left, it ends."
    return f"{starts}. Once it runs, any sun is worth it; when there is none left, it ends."


def _chart(draw_w: float, prices: Prices, currency: str) -> Iterator[str]:
    """Yield a line per surplus: what an hour of charging gains (+) or loses (-) against the alternative."""
    rows = [(draw_w * step / (ROWS - 1)) for step in range(ROWS)]
    # Where it breaks even, what is left of it by rounding has no sign worth showing.
    benefits = [round(benefit_per_h(draw_w, surplus_w, prices), 3) + 0.0 for surplus_w in rows]
    most = max(1e-9, *map(abs, benefits))
    yield f"{'surplus':>8}  {f'{currency} an hour':>16}"
    for surplus_w, benefit in zip(rows, benefits, strict=True):
        size = round(abs(benefit) / most * BAR)
        bar = f"{'-' * size:>{BAR}}|" if benefit < 0 else f"{'':>{BAR}}|{'+' * size}"
        yield f"{watts(surplus_w):>8}  {benefit:>+16.3f}  {bar}".rstrip()


def as_json(advices: list[Advice], draw_w: float, currency: str) -> dict[str, Any]:
    """Return the advice as plain values; what is infinite (never) is None. Prices are text, exact."""

    def finite(value_w: float) -> float | None:
        return round(value_w, 1) if abs(value_w) != float("inf") else None

    return {
        "draw_w": draw_w,
        "currency": currency,
        "periods": [
            {
                "begins": advice.begins.isoformat(timespec="seconds"),
                "ends": None if advice.ends is None else advice.ends.isoformat(timespec="seconds"),
                **{name: str(price) for name, price in advice.prices._asdict().items()},
                "pays": advice.point.kind,
                "break_even_surplus_w": finite(advice.point.surplus_w),
                "start_export_w": finite(advice.band.start_export_w),
                "stop_import_w": finite(advice.band.stop_import_w),
                "says": in_words(advice, draw_w),
                "says_of_cheapest": advice.of_cheapest,
            }
            for advice in advices
        ],
    }
