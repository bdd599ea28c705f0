"""What surplus is worth: tariffs, the surplus at which running the charger breaks even, and thresholds from it.

Three prices per kWh decide. *Import* is what bought energy costs, *export* what sold surplus earns, and the
*alternative* what the same energy would cost the car otherwise: at night, at work, at a public post. Running the
charger for an hour at a surplus S, with a draw D, takes min(D, S) from the sun, which is then not sold, and buys the
rest:

    benefit = D * alternative - min(D, S) * export - (D - min(D, S)) * import

It grows with S where import costs more than export earns, and is nought at the break-even surplus

    S* = D * (import - alternative) / (import - export)

Standing charges are left out: they are owed whatever the charger does. Money is Decimal, exact; times are aware
datetimes in the site's own zone, because a tariff's hours are those of the clock on the wall.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Literal, NamedTuple, Protocol

from surpluscharge.control.netting import Netting

DAY_S = 86400
EVERY_DAY = frozenset(range(7))
LEAST_SURPLUS_W = 25.0  # less is the meter's noise about nought, not surplus (common practice)


class Prices(NamedTuple):
    """Per kWh, in the tariffs' currency."""

    import_price: Decimal
    export_price: Decimal
    alternative_price: Decimal


class Window(NamedTuple):
    """Hours of the day with a price of their own; ``None``: the tariff's.

    ``days`` are weekdays, 0 is Monday; ``begins_s`` and ``ends_s`` are seconds of the wall clock's day. One that ends
    at or before it begins runs past midnight, and belongs to the day on which it begins.
    """

    days: frozenset[int]
    begins_s: int
    ends_s: int
    import_price: Decimal | None = None
    export_price: Decimal | None = None

    def holds(self, when: datetime) -> bool:
        """Say whether this moment of the wall clock lies in the window."""
        second, weekday = when.hour * 3600 + when.minute * 60 + when.second, when.weekday()
        if self.begins_s < self.ends_s:
            return weekday in self.days and self.begins_s <= second < self.ends_s
        began_today = weekday in self.days and second >= self.begins_s
        return began_today or ((weekday - 1) % 7 in self.days and second < self.ends_s)


class Tariff(NamedTuple):
    """Prices from one day on. Where windows overlap, the first one counts."""

    valid_from: date | None  # None: since ever
    import_price: Decimal
    export_price: Decimal
    alternative_price: Decimal | None  # None: the cheapest import price of this tariff
    windows: tuple[Window, ...] = ()
    netting: Netting = Netting.NONE

    def prices_at(self, when: datetime) -> Prices:
        """Return the prices at this moment of the wall clock."""
        return Prices(*self._traded(when), self.cheapest if self.alternative_price is None else self.alternative_price)

    @property
    def cheapest(self) -> Decimal:
        """The lowest import price of any hour; of hours in which one is paid for taking energy, nought.

        Such hours are used as far as they go whether the sun shines or not, so what they pay is not lost to a charge
        at another time. Counted as they are, they would keep the car from charging even while they last.
        """
        return _cheapest(self)

    def of_cheapest(self) -> str | None:
        """Return, in a sentence, where the cheapest hour as the alternative leads to what one may not expect.

        As the default it is an assumption about the car: right for one that can be charged in that hour, and misleading
        for one that cannot. It is taken at its word all the same, and this says what that comes to.
        """
        if self.alternative_price is not None:
            return None
        lowest, least_sold = (min(prices) for prices in zip(*_week(self), strict=True))
        hour = f"the cheapest hour ({lowest})"
        if self.cheapest < least_sold:
            return (
                f"{hour} costs less than the sun's energy earns at any hour ({least_sold} or more), so as long as the "
                "car can be charged in that hour instead, charging from the sun never pays. If it cannot get there "
                "all that it needs, give alternative_price as a number: what the rest of its energy costs"
            )
        if lowest < 0:
            return (
                f"{hour} pays for taking energy, and counts as costing nothing: it is used as far as it goes in any "
                "case. If the car needs more than that, give alternative_price as a number"
            )
        return None

    def _traded(self, when: datetime) -> tuple[Decimal, Decimal]:
        """Return the import and the export price at this moment of the wall clock."""
        holding = [window for window in self.windows if window.holds(when)]
        bought = next((window.import_price for window in holding if window.import_price is not None), self.import_price)
        sold = next((window.export_price for window in holding if window.export_price is not None), self.export_price)
        return bought, sold


@lru_cache(maxsize=64)
def _week(tariff: Tariff) -> tuple[tuple[Decimal, Decimal], ...]:
    """Return the pairs of import and export price that a week has: not those that others cover at every hour."""
    edges_s = {0} | {edge_s for window in tariff.windows for edge_s in (window.begins_s, window.ends_s)}
    begin = datetime(2001, 1, 1)  # noqa: DTZ001  (any Monday, by the clock on the wall)
    return tuple(
        tariff._traded(begin + timedelta(days=day, seconds=edge_s % DAY_S)) for day in range(7) for edge_s in edges_s
    )


@lru_cache(maxsize=64)
def _cheapest(tariff: Tariff) -> Decimal:
    return max(Decimal(0), min(bought for bought, _ in _week(tariff)))


class Priced(Protocol):
    """What knows the prices of each moment (aware, in the site's zone)."""

    def prices_at(self, when: datetime) -> Prices | None: ...
    def next_change(self, when: datetime) -> datetime | None: ...
    def spans(self, begin: datetime, end: datetime) -> Iterator[tuple[datetime, datetime, Prices | None]]: ...
    def netting_at(self, when: datetime) -> Netting: ...
    def interval_s(self, when: datetime) -> tuple[float, float]: ...
    @property
    def nets(self) -> bool: ...


def spans(priced: Priced, begin: datetime, end: datetime) -> Iterator[tuple[datetime, datetime, Prices | None]]:
    """Cut the time between two moments wherever the prices change."""
    while begin.timestamp() < end.timestamp():
        change = priced.next_change(begin)
        until = change if change is not None and change.timestamp() < end.timestamp() else end
        yield begin, until, priced.prices_at(begin)
        begin = until


class Tariffs(NamedTuple):
    """All tariffs of a house, in any order."""

    currency: str
    tariffs: tuple[Tariff, ...]

    def valid_at(self, when: datetime) -> Tariff | None:
        """Return the tariff that is valid at a moment (aware, in the site's zone); None before the first is."""
        valid = [tariff for tariff in self.tariffs if tariff.valid_from is None or tariff.valid_from <= when.date()]
        return max(valid, key=lambda tariff: tariff.valid_from or date.min) if valid else None

    def prices_at(self, when: datetime) -> Prices | None:
        """Return the prices at a moment (aware, in the site's zone); None before the first tariff is valid."""
        valid = self.valid_at(when)
        return valid.prices_at(when) if valid else None

    def netting_at(self, when: datetime) -> Netting:
        """Return how the bill nets at a moment (aware, in the site's zone)."""
        valid = self.valid_at(when)
        return valid.netting if valid else Netting.NONE

    def interval_s(self, when: datetime) -> tuple[float, float]:
        """Return begin and end, in seconds since 1970, of the interval of a moment (aware, in the site's zone).

        It ends early, or begins late, where a tariff begins that nets over another: the meter is read on that day.
        """
        netting = self.netting_at(when)
        begin_s, end_s = netting.span_s(when)
        for day in {tariff.valid_from for tariff in self.tariffs if tariff.valid_from}:
            midnight = datetime.combine(day, time(), when.tzinfo)
            before, at_s = midnight - timedelta(seconds=1), midnight.timestamp()
            if begin_s < at_s < end_s and self.netting_at(before) is not self.netting_at(midnight):
                begin_s, end_s = (at_s, end_s) if at_s <= when.timestamp() else (begin_s, at_s)
        return begin_s, end_s

    @property
    def nets(self) -> bool:
        """Whether any of the tariffs nets."""
        return any(tariff.netting.nets for tariff in self.tariffs)

    def next_change(self, when: datetime) -> datetime | None:
        """Return the next moment with other prices (aware, in the zone of ``when``); None: they stay as they are."""
        now = self.prices_at(when)
        begins = {tariff.valid_from for tariff in self.tariffs if tariff.valid_from and tariff.valid_from > when.date()}
        week = {when.date() + timedelta(days=ahead) for ahead in range(-1, 9)}  # windows repeat weekly
        for day in sorted(week | begins):
            for moment in self._turns(day, when):
                if moment.timestamp() > when.timestamp() and self.prices_at(moment) != now:
                    return moment
        return None

    def spans(self, begin: datetime, end: datetime) -> Iterator[tuple[datetime, datetime, Prices | None]]:
        """Cut the time between two moments wherever the prices change."""
        return spans(self, begin, end)

    def _turns(self, day: date, when: datetime) -> list[datetime]:
        """Return every moment of a local day at which prices may change, in order.

        The clocks' own change counts too: a window that begins in the hour that is left out begins when it is over,
        and one in the hour that comes twice begins twice.
        """
        zone = when.tzinfo
        edges_s = {0} | {
            edge_s % DAY_S
            for tariff in self.tariffs
            for window in tariff.windows
            for edge_s in (window.begins_s, window.ends_s)
        }
        # As stamps: two times of the wall clock that differ in their fold alone compare as equal.
        walls = [
            datetime.combine(day, time(edge_s // 3600, edge_s // 60 % 60, edge_s % 60), zone) for edge_s in edges_s
        ]
        stamps = {int(wall.replace(fold=fold).timestamp()) for wall in walls for fold in (0, 1)}
        low = int(datetime.combine(day, time(), zone).timestamp())
        high = int(datetime.combine(day + timedelta(days=1), time(), zone).timestamp())
        if high - low != DAY_S:
            before = datetime.fromtimestamp(low, zone).utcoffset()
            while high - low > 1:
                middle = (low + high) // 2
                if datetime.fromtimestamp(middle, zone).utcoffset() == before:
                    low = middle
                else:
                    high = middle
            stamps.add(high)
        return [datetime.fromtimestamp(stamp, UTC).astimezone(zone) for stamp in sorted(stamps)]


# --- what pays -------------------------------------------------------------------------------------------------------


class BreakEven(NamedTuple):
    """From which surplus on running the charger pays.

    ``always``: at any surplus, and ``surplus_w`` is 0. ``above``: from ``surplus_w`` on. ``never``: at none, and it is
    infinite.
    """

    kind: Literal["always", "above", "never"]
    surplus_w: float


def benefit_per_h(draw_w: float, surplus_w: float, prices: Prices) -> float:
    """Return what an hour of running the charger at this surplus gains (below zero: loses), in the currency."""
    solar_w = min(draw_w, max(surplus_w, 0.0))
    bought, sold, alternative = (float(price) for price in prices)
    return (draw_w * alternative - solar_w * sold - (draw_w - solar_w) * bought) / 1000.0


@lru_cache(maxsize=64)  # asked with each reading
def break_even(draw_w: float, prices: Prices) -> BreakEven:
    """Return the surplus, in watts, above which running the charger pays.

    - alternative at or above import: any surplus pays, for even bought energy costs no more than the alternative;
    - alternative below export: charging from the sun never pays; sell it, and charge the other way;
    - import at or below export (an odd tariff): more surplus does not make it better. Where the sun alone does not pay,
      it is "never" as well.
    """
    if prices.alternative_price >= prices.import_price:
        # With export above the alternative too, even this would lose on what could have been sold.
        kind: Literal["always", "never"] = "always" if prices.alternative_price >= prices.export_price else "never"
        return BreakEven(kind, 0.0 if kind == "always" else float("inf"))
    if prices.alternative_price < prices.export_price:
        return BreakEven("never", float("inf"))
    # Here export <= alternative < import, so the quotient lies above 0, and is at most 1.
    share = (prices.import_price - prices.alternative_price) / (prices.import_price - prices.export_price)
    return BreakEven("above", draw_w * float(share))


# How surplus behaves, in shares of the draw. With these, thresholds without any history come within a hundredth of the
# best two that can be found for a house afterwards (tests/bench/share_of_hindsight.py).
FORGETS_S = 1800.0  # the longer a start binds, the less the surplus of its moment says: after this, no more
USUAL_SHARE = 0.15  # of the draw, is what the surplus tends to while it is forgotten
REVIVES_SHARE = 0.125  # by so much of the draw it may rise again in
REVIVES_S = 300.0  # five minutes; in four times that by twice as much, as a random walk does
PLANNED_PATIENCE = 1 / 7  # of break-even, is how far below it a charge for a need goes on at most


def thresholds(
    draw_w: float, prices: Prices, min_on_s: float, min_off_s: float, planned: bool = False
) -> tuple[float, float]:
    """Return the export that starts and the import that ends a charge: what ``"auto"`` means in the configuration.

    Break-even alone would be right if one could stop and start at any time. But a start is a bet over the minimum-on
    time, in which the surplus falls back towards its usual level; so the higher break-even lies above that, and the
    longer the bet, the more is asked for. And a stop gives up the minimum-off time, in which the surplus may come back;
    so it is put off until the surplus is that much below break-even. Never below none at all: that would run all night.

    ``planned``: the alternative price is what another hour costs by a plan. Then a stop gives nothing up that cannot be
    had later at that price, and is put off by little.

    While the charger runs, the surplus is its draw less the import, hence stop_import = draw - surplus.
    """
    point = break_even(draw_w, prices)
    if point.kind == "never":
        return float("inf"), float("-inf")
    surplus_w = max(point.surplus_w, LEAST_SURPLUS_W)
    caution = min(1.0, min_on_s / FORGETS_S)
    patience_w = REVIVES_SHARE * draw_w * (max(min_off_s, 1.0) / REVIVES_S) ** 0.5
    if planned:
        patience_w = min(patience_w, PLANNED_PATIENCE * surplus_w)
    start_w = surplus_w + caution * max(0.0, surplus_w - USUAL_SHARE * draw_w)
    stop_w = max(0.0, surplus_w - patience_w)
    return start_w, draw_w - stop_w
