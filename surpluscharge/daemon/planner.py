"""Charging by plan: what is needed, what it will cost, and from when until when the controller is to charge.

The plan itself is made by :mod:`surpluscharge.control.plan`, from what the controller has counted
(:mod:`surpluscharge.control.wishes`), the prices that are known (:mod:`surpluscharge.control.slots`), and the days that
the ledger remembers (:mod:`surpluscharge.history.expectation`). Here all of that is brought together, anew whenever
something changed that matters, and every five minutes. The controller is told of moments only, and holds to its caps,
the minimum times and every protection whatever they are; and nothing that goes wrong here keeps it from switching off.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta, tzinfo
from typing import Any, Literal, NamedTuple, Protocol

import structlog

from surpluscharge.clock import Clock, day_number
from surpluscharge.config import Config
from surpluscharge.control import news, slots, wishes
from surpluscharge.control.controller import Controller
from surpluscharge.control.economics import Prices
from surpluscharge.control.news import News
from surpluscharge.control.plan import Lead, Plan, competes, competing, in_words, lead_of, left_in_words
from surpluscharge.control.wishes import Need
from surpluscharge.history.energy import MWS_PER_WH, day_span, ms_of
from surpluscharge.history.expectation import NOT_KNOWN, Day, Shares, half_hour, plan_for, prices_of, shares
from surpluscharge.history.ledger import Due, Ledger, PlanAhead, RunAhead
from surpluscharge.words import duration

THINK_EVERY_S = 300.0
DAY_S = 86400.0
HOUR_S = 3600.0
LEARN_EVERY_S = HOUR_S / 2  # how often the ledger is asked what the sun brought of late
LEARN_DAYS = 45  # so far back, and as far before and after this day in the years before
LEARN_YEARS = 2
NOTHING_NEEDED = "nothing is needed that is not in the car already"
UNSET = "the computer's clock is not set, so nothing is planned until it is"
FAILED = "it could not be made, so nothing is bought: plan_failed in the log says why"
AWAY = "nobody is there, so what is due meanwhile by the configuration is not needed"
FULL = "the car takes no more, so nothing is bought until something else is due or asked for"
JUST_S = 10.0  # what was raised so long ago at most is new
NOTED_S = 900.0  # a run that ends so much sooner or later is another plan, for people
ROUND_WH = 50.0  # a difference that is not worth a line of log
PRICES, FORECAST = "prices", "forecast"  # the feeds
LACKS_S = 600.0  # so long a feed may lack what is ahead before it is said: after a start it has to come first
INSTEAD = {  # what is done where a feed has nothing
    PRICES: "the prices of the file hold where none are known",
    FORECAST: "only days like these say what the sun will bring",
}


class Shown(NamedTuple):
    """A plan, and in sentences without their full stops. Times are seconds since 1970."""

    plan: Plan
    words: str
    left: str | None  # how much of it is left to the sun, and why; None: nothing is


class Keeps(Protocol):
    """Keeps what is published across restarts, as the historian does."""

    @property
    def ahead(self) -> Mapping[str, Sequence[Sequence[Any]]]: ...
    def published(self, feed: str, book: slots.Book) -> None: ...
    def foretold(self, day: date, mean_w: float) -> None: ...
    def in_force(self, book: slots.Book) -> None: ...
    def due(self, due: Due) -> None: ...
    def planned(self, plan: PlanAhead) -> None: ...


class Planner:
    """Keeps the controller's plan. ``tell`` takes news to the controller; ``keeps`` is asked for when it is needed."""

    def __init__(
        self,
        config: Callable[[], Config],
        clock: Callable[[], Clock],
        log: structlog.stdlib.BoundLogger,
        tell: Callable[[News], None],
        keeps: Callable[[], Keeps | None] = lambda: None,
    ) -> None:
        self._config, self._clock, self._log, self._tell, self._keeps = config, clock, log, tell, keeps
        self._published: dict[str, slots.Book] = {}  # by feed, as it was published
        self._read_by: Config | None = None  # the configuration that made of it what follows
        self._lacking: dict[str, tuple[str, float]] = {}  # by feed: what is lacking, and since when
        self.lacking: dict[str, Literal["late", "missing"]] = {}  # of that, what has been said
        self._in_force: slots.Book | None = None  # what is on record of it; None: that is not known
        self.prices: slots.Book = ()
        self.forecast: slots.Book = ()
        self.past: Mapping[date, Day] = {}
        self._edits: tuple[int, ...] = ()  # of the ledger, when that was asked
        self.shown: Shown | None = None
        self._ahead: tuple[tuple[float, float], ...] = ()  # the prices of a day from now on, and
        self._ahead_of: tuple[float, slots.Book, Config] | None = None  # of which quarter, and by what they are so
        self._kept: PlanAhead | None = None  # as it is on record
        self._again_s = -math.inf
        self._learned_by: Config | None = None  # the configuration that it was learned by
        self._basis: object = None  # what the last plan was made for
        self._request: wishes.Request | None = None  # as it was told of last
        self._told: tuple[tuple[float, float], ...] = ()
        self._failed = ""
        self._ends_s = math.inf  # when the time that was asked for is over, by the clock that does not jump
        self._dues: list[Need] = []  # what is due from the last time on that something was, and
        self._dues_of: tuple[object, ...] = ()  # what they were found for
        self._before_wh = 0.0  # what had come before this run

    def words(self, progress: wishes.Progress) -> str:
        """Return the plan in a sentence without its full stop."""
        said = FAILED if self._failed else FULL if progress.full else self.shown.words if self.shown else ""
        now_s = self._clock().wall().timestamp()
        if progress.away_at(now_s):
            said = f"{AWAY}{'; ' if said else ''}{said}"
        if now_s < wishes.UNSET_S:
            said = UNSET
        if request := progress.at_once:
            what = f"{request.wh / 1000:.1f} kWh" if request.lasts_s is None else duration(request.lasts_s)
            asked = f"{what} was asked for, to begin at once, and {progress.asked_wh / 1000:.1f} kWh came since"
            said = f"{asked}{'; ' if said else ''}{said}"
        return said or NOTHING_NEEDED

    @property
    def lacks_in_words(self) -> list[str]:
        """What the feeds lack, each with what is done instead, without a full stop."""
        what = {"late": "for the time ahead", "missing": "for now"}
        are = {PRICES: "no prices that move are known", FORECAST: "no forecast is known"}
        return [f"{are[name]} {what[lack]}: {INSTEAD[name]}" for name, lack in sorted(self.lacking.items())]

    def prices_at(self, wall: datetime) -> Prices | None:
        """Return the prices that the thresholds follow now, as the configuration has them or as they move.

        "cheapest" is then what this lead can have until the next need: by the plan, which knows how much of it there
        is and what the sun may bring; where nothing is planned for, as far as prices are known.
        """
        config, now_s = self._config(), wall.timestamp()
        self._read(config)
        tariffs = config.tariffs() if config.way.follows_prices else None
        made = self.shown.plan if self.shown and self.shown.plan.need else None
        if tariffs is None or (made is None and not self.prices):
            return config.prices_at(wall)
        return competing(made, tariffs, self.prices, now_s).prices_at(wall)

    def competes_at(self, wall: datetime) -> bool:
        """Whether what a kWh is worth by those prices is what another hour costs by the plan."""
        config = self._config()
        tariffs = config.tariffs() if config.way.follows_prices else None
        return tariffs is not None and self.shown is not None and competes(self.shown.plan, tariffs, wall)

    # --- what comes ---------------------------------------------------------------------------------------------------

    @property
    def topics(self) -> list[str]:
        """Where prices and forecasts are published."""
        planned = self._config().planned
        return [table.topic for table in (planned.prices, planned.forecast) if table]

    def take(self, topic: str, payload: bytes) -> bool:
        """Take a message of prices or of a forecast; False: it is neither. Raises Rejected."""
        config, now_s = self._config(), self._clock().wall().timestamp()
        found = False
        for name, (at, feed) in _feeds(config).items():
            if topic == at:
                read = slots.read_prices if name == PRICES else slots.read_powers
                self._know(name, slots.merge(self._published.get(name, ()), read(payload, feed, now_s), now_s))
                self._say_known(name, now_s, kept=False)
                found = True
        return found

    def recall(self) -> None:
        """Take up what was kept of the time before this start. It is judged as what comes is, by this configuration."""
        config, keeps, now_s = self._config(), self._keeps(), self._clock().wall().timestamp()
        for name, (_, feed) in _feeds(config).items():
            book = slots.restored(keeps.ahead.get(name, ()), feed.limit) if keeps else ()
            book = slots.merge((), book, now_s)
            if book and now_s < book[-1].end_s <= now_s + slots.MOST_AHEAD_S:
                self._published[name] = book
                self._read_by = self._basis = None
                self._read(config)
                self._say_known(name, now_s, kept=True)
        self._keep_prices()

    def _keep_prices(self) -> None:
        """Have the ledger know of prices that are in force from now on, so that money is what it was."""
        keeps, now_s = self._keeps(), self._clock().wall().timestamp()
        if keeps and self._in_force is not self.prices:
            known, before = (
                tuple(slots.between(book, now_s, math.inf)) for book in (self.prices, self._in_force or ())
            )
            if known != before or self._in_force is None:
                keeps.in_force(self.prices)
            self._in_force = self.prices

    def _know(self, name: str, book: slots.Book) -> None:
        keeps, changed = self._keeps(), book != self._published.get(name, ())
        self._published[name] = book
        self._read_by = self._basis = None
        self._read(self._config())
        self._keep_prices()
        if changed and keeps:
            keeps.published(name, book)
            if name == FORECAST:
                draw_w, wall = self._config().draw_w, self._clock().wall()
                for day, share in self._foretold(draw_w, wall).items():
                    if day > wall.date():  # what is said of a day that has begun is no foretelling
                        keeps.foretold(day, share * draw_w)

    def _read(self, config: Config) -> None:
        """Make of what was published what it means by this configuration."""
        if config is self._read_by:
            return
        self._read_by, feeds = config, _feeds(config)
        read: dict[str, slots.Book] = {}
        for name, (_, feed) in feeds.items():
            read[name] = tuple(slot for slot in self._published.get(name, ()) if abs(slot.value) <= feed.limit)
        self.prices = tuple(slot._replace(value=config.price_of(slot.value)) for slot in read.get(PRICES, ()))
        self.forecast = tuple(slot._replace(value=config.power_of(slot.value)) for slot in read.get(FORECAST, ()))

    def _book(self, name: str) -> slots.Book:
        return self.prices if name == PRICES else self.forecast

    def _say_known(self, name: str, now_s: float, *, kept: bool) -> None:
        until = _minute(slots.known_until_s(self._book(name), now_s), self._clock().wall().tzinfo)
        if name == PRICES:
            self._log.info("prices_known", until=until, kept=kept)
        else:
            self._log.info("forecast_known", until=until, kept=kept)

    def _look_for_lack(self, config: Config, now_s: float) -> None:
        """Say once, after a while, that a feed is late or has nothing for now, and what is done instead."""
        for name in _feeds(config):
            lack, before = slots.lacking(self._book(name), now_s), self._lacking.get(name)
            if lack is None:
                self._lacking.pop(name, None)
                self.lacking.pop(name, None)
            elif before is None:
                self._lacking[name] = lack, now_s
            elif not 0.0 <= now_s - before[1] < LACKS_S and self.lacking.get(name) != lack:
                self._lacking[name] = lack, before[1]
                self.lacking[name] = lack
                self._log.warning("feed_lacking", feed=name, lack=lack, instead=INSTEAD[name])

    # --- what follows -------------------------------------------------------------------------------------------------

    def look(self, controller: Controller) -> None:
        """Think again, if it is time to. Called after each turn of the controller; what it tells makes another."""
        try:
            self._look(controller)
        except Exception as error:  # it may be no reason to charge, nor one to end the daemon
            reason = f"{type(error).__name__}: {error}"
            if reason != self._failed:
                self._log.exception("plan_failed")
            self._failed = reason
            self.shown = None
            self._again_s = self._clock().wall().timestamp() + THINK_EVERY_S
            self._charge(())

    def _look(self, controller: Controller) -> None:
        config, wall = self._config(), self._clock().wall()
        now_s = wall.timestamp()
        self._read(config)
        if now_s < wishes.UNSET_S:  # what has been counted stays, and nothing can be planned
            self.shown = None
            self._charge((), now_s)
            return
        self._keep_prices()
        if self._over(controller, now_s, wall):
            return
        self._look_for_full(controller)
        progress = controller.progress
        shift_s = round((self._clock().now() - now_s) / 30.0)  # the wall clock may be put right
        said = progress.away, progress.request, progress.full, progress.since_s
        basis = (*said, id(config), controller.lessons.learned_w, shift_s)
        if now_s < self._again_s and basis == self._basis:
            return
        self._basis = basis
        self._again_s = now_s + THINK_EVERY_S
        self._look_for_lack(config, now_s)
        windows: list[tuple[float, float]] = []
        request = progress.request
        if _asked(request) != self._request:
            self._request, self._ends_s = _asked(request), math.inf
            if request is not None and request.until_s is not None and request.lasts_s is not None:
                # Two hours are two hours, whatever becomes of the clock on the wall.
                self._ends_s = self._clock().now() + min(request.until_s - now_s, request.lasts_s)
            if request is not None:
                self._log.info(
                    "charge_asked",
                    energy_wh=request.wh if request.lasts_s is None else None,
                    time_s=None if request.lasts_s is None else round(request.lasts_s),
                    by=None if request.by_s is None else _minute(request.by_s, wall.tzinfo),
                )
        if request := progress.at_once:
            left_s = (request.wh - progress.asked_wh) / controller.draw_w * HOUR_S
            until_s = now_s + min(left_s, self._ends_s - self._clock().now())
            windows.append((now_s, until_s))
            self._again_s = min(self._again_s, max(until_s, now_s + 10.0))
        made = self._make(controller, wall)
        if made is not None:
            self._again_s = min(self._again_s, max(made.plan.again_s, now_s + 1.0))
            windows += made.plan.windows
        self._show(made)
        self._charge(tuple(windows), now_s)
        self._failed = ""

    def _over(self, controller: Controller, now_s: float, wall: datetime) -> bool:
        """See whether something that was due is over; then the count begins anew."""
        progress, config = controller.progress, self._config()
        if not progress.since_s or progress.since_s > now_s + JUST_S:  # the clock was wrong then
            self._tell(news.Due(now_s))
            return True
        request = progress.request
        if request and request.by_s and request.by_s > now_s + wishes.MOST_AHEAD_S + DAY_S:  # and when this was asked
            self._log.warning("charge_forgotten", by=_minute(request.by_s, wall.tzinfo))
            self._tell(news.Ask(None))
            return True
        if request := progress.at_once:
            got = progress.asked_wh >= request.wh - wishes.LEAST_WH
            late = _asked(request) == self._request and self._clock().now() >= self._ends_s
            # Nobody who switches off wants it to begin by itself when it is switched on again, perhaps days later.
            forgotten = not controller.enabled or now_s > request.asked_s + wishes.MOST_AHEAD_S
            if got or progress.full or late or forgotten:
                self._log.info("charge_done", energy_wh=round(progress.asked_wh), car_full=progress.full)
                self._tell(news.Ask(None))
                return True
        dues_of = (id(config), progress.request, progress.since_s, progress.instead_s, progress.away)
        reloaded = bool(self._dues_of) and dues_of[0] != self._dues_of[0]
        if dues_of != self._dues_of:  # it is asked for at each reading
            self._dues = wishes.upcoming(config.standing, progress, progress.since_s, wall.tzinfo)
            self._dues_of = dues_of
        due = self._dues
        if due and due[0].by_s <= now_s:
            met = progress.got_wh >= due[0].wh - ROUND_WH
            level = self._log.info if met or progress.full else self._log.warning
            if reloaded:  # what is new in the file was never promised for a time that is past
                level = self._log.debug
            level(
                "need_met" if met else "need_missed",
                needed_wh=round(due[0].wh),
                came_wh=round(progress.got_wh),
                from_sun_wh=round(progress.sun_wh),
                car_full=progress.full,
            )
            keeps = self._keeps()
            if keeps and not reloaded:
                by_ms, since_ms = round(due[0].by_s * 1000), round(progress.since_s * 1000)
                needed, came, solar = (round(wh * MWS_PER_WH) for wh in (due[0].wh, progress.got_wh, progress.sun_wh))
                keeps.due(Due(by_ms, since_ms, needed, came, solar, met, progress.full))
            last_s = max(need.by_s for need in due if need.by_s <= now_s)
            # Away for days: what was due meanwhile is past, and one line about it is enough.
            self._tell(news.Due(last_s if now_s - last_s < 2 * DAY_S else now_s))
            return True
        if away := progress.away:
            if away.ends_s <= now_s:
                self._tell(news.Gone(None))
                return True
            # What came before is driven off by the return; what the sun brings a car that stays is not.
            if progress.since_s < away.leave_s <= now_s:
                self._tell(news.Due(away.leave_s))
                return True
        return False

    def _look_for_full(self, controller: Controller) -> None:
        """A car that draws nothing any more though it could, so that the supervisor ends the charge, is full.

        One that drew nothing from the beginning may be away, or have been when the sun was tried: what is due for it is
        tried again, as seldom as the supervisor allows.
        """
        progress, now_s = controller.progress, self._clock().now()
        ended = any(record.code == "no-load" and now_s - record.raised_s < JUST_S for record in controller.faults)
        if ended and controller.inputs.planned and not progress.full:
            drew = progress.got_wh - self._before_wh > controller.draw_w / 60.0
            if drew or progress.at_once:
                self._log.info("car_full", came_wh=round(progress.got_wh))
                self._tell(news.Full())
        if not controller.wants_on or progress.got_wh < self._before_wh:
            self._before_wh = min(progress.got_wh, controller.progress.got_wh)

    @property
    def prices_ahead(self) -> tuple[tuple[float, float], ...]:
        """From when a kWh costs what, for a day from now on, in quarters of an hour; empty without prices."""
        config, wall = self._config(), self._clock().wall()
        if wall.timestamp() < wishes.UNSET_S:
            return ()
        from_s = wall.timestamp() // slots.QUARTER_S * slots.QUARTER_S
        of = self._ahead_of
        if of is None or of[0] != from_s or of[1] is not self.prices or of[2] is not config:
            self._ahead_of = from_s, self.prices, config
            self._ahead = tuple(self._prices_from(from_s, config, wall.tzinfo))
        return self._ahead

    def _prices_from(self, from_s: float, config: Config, zone: tzinfo | None) -> Iterator[tuple[float, float]]:
        tariffs, before = config.tariffs(), None
        for number in range(round(DAY_S / slots.QUARTER_S) if tariffs else 0):
            at_s = from_s + number * slots.QUARTER_S
            slot, prices = slots.at(self.prices, at_s), None
            if slot is None and tariffs:
                prices = tariffs.prices_at(datetime.fromtimestamp(at_s, zone))
            price = slot.value if slot else float(prices.import_price) if prices else None
            if price is not None and price != before:
                before = price
                yield at_s, price

    def _make(self, controller: Controller, wall: datetime) -> Shown | None:
        config, progress, now_s = self._config(), controller.progress, wall.timestamp()
        need = next(iter(wishes.upcoming(config.standing, progress, now_s, wall.tzinfo)), None)
        if need is None or progress.full:
            return None
        tariffs, state = config.tariffs(), controller.state
        due_day = day_number(datetime.fromtimestamp(need.by_s, wall.tzinfo), config.planned_from)
        lead = lead_of(controller.settings.params, state, controller.draw_w, config.planned.ready_before_s, due_day)
        lead = self._with_rests(lead, controller, now_s)
        if progress.away and now_s < progress.away.ends_s <= need.by_s:  # what is needed after it is bought after it
            lead = lead._replace(free_from_s=max(lead.free_from_s, progress.away.ends_s))
        # What the plan began goes on for a little more; what somebody asked for, and has had or took back, does not.
        begun = self.shown is not None and self.shown.plan.buys_at(now_s)
        made = plan_for(
            need,
            progress.got_wh,
            lead,
            state.planned and controller.wants_on and begun,
            self.past,
            wall,
            tariffs,
            self.prices,
            self._so_far(wall),
            self._foretold(controller.draw_w, wall),
            self._share_now(controller),
        )
        words = in_words(made, progress.sun_wh, progress.got_wh - progress.sun_wh, wall.tzinfo)
        bought_wh = sum(run.wh for run in made.runs if run.sure)
        if made.need is None or made.short_wh > ROUND_WH or made.lacks_wh - bought_wh <= ROUND_WH:
            return Shown(made, words, None)
        prices = slots.Moving(tariffs, self.prices).prices_at(wall) if tariffs else None
        return Shown(made, words, left_in_words(made, float(prices.import_price) if prices else None))

    def _with_rests(self, lead: Lead, controller: Controller, now_s: float) -> Lead:
        """Return it with the rests that a high current takes, what has run towards the next, or is left of this one.

        A pause as long as a rest is one.
        """
        limits, run_s = controller.settings.limits, controller.socket.run_s
        if controller.settings.draw_a < limits.rest_above_a:
            return lead
        lead = lead._replace(rest_after_s=limits.rest_after_s, rest_s=limits.rest_s)
        left_s = limits.rest_s - (self._clock().now() - controller.plug.wanted_since_s)
        if controller.wants_on or (left_s > 0.0 and run_s < limits.rest_after_s):
            return lead._replace(ran_s=run_s)
        return lead._replace(free_from_s=now_s + left_s) if left_s > 0.0 else lead

    def _so_far(self, wall: datetime) -> Shares:
        """Return what the sun brought today, up to the last half hour that is over and on record."""
        today = self.past.get(wall.date())
        gone = half_hour(wall)
        return (*(today.shares if today else NOT_KNOWN)[:gone], *NOT_KNOWN[gone:])

    def _share_now(self, controller: Controller) -> float | None:
        """Return the surplus of the last minutes as a share of the draw; None: there is no fresh reading."""
        fresh, share = controller.memory.at_s > self._clock().now() - THINK_EVERY_S, controller.memory.short
        if self._config().spares_battery and share < 1.0:  # the rest would come out of the battery
            share = 0.0
        return min(max(share, 0.0), 1.0) if fresh else None

    def _foretold(self, draw_w: float, wall: datetime) -> dict[date, float]:
        """Return the forecast's mean share of the draw for each day that it covers for the most part."""
        found: dict[date, float] = {}
        for days in range(8):
            day = wall.date() + timedelta(days=days)
            begin_s, end_s = (edge.timestamp() for edge in day_span(day, wall.tzinfo))
            known = list(slots.between(self.forecast, begin_s, end_s))
            if sum(slot.end_s - slot.begin_s for slot in known) > 0.6 * (end_s - begin_s):
                caught_s = sum((slot.end_s - slot.begin_s) * min(1.0, slot.value / draw_w) for slot in known)
                found[day] = caught_s / (end_s - begin_s)
        return found

    def _show(self, made: Shown | None) -> None:
        before, self.shown = self.shown, made
        if made is not None and (before is None or _other(before.plan, made.plan)):
            self._log.info("plan_made", plan=made.words, left=made.left)
        runs = tuple(
            RunAhead(round(run.begin_s), round(run.end_s), round(run.wh), round(run.price, 5), run.sure)
            for run in (made.plan.runs if made else ())
        )
        ahead_of = PlanAhead(round(self._clock().wall().timestamp()), made.words if made else "", runs)
        if (keeps := self._keeps()) and (self._kept is None or ahead_of[1:] != self._kept[1:]):
            self._kept = ahead_of
            keeps.planned(ahead_of)

    def _charge(self, windows: tuple[tuple[float, float], ...], now_s: float = math.inf) -> None:
        """Tell the controller when to charge, by its own clock.

        What is due now has begun for good: two clocks differ by a little, and by more where one is put right, and a
        begin that is still ahead by a microsecond would end what goes on.
        """
        clock = self._clock()
        shift_s = clock.now() - clock.wall().timestamp()
        told = tuple(
            (begin_s + shift_s if begin_s > now_s else -math.inf, end_s + shift_s)
            for begin_s, end_s in windows
            if end_s > begin_s
        )
        if _apart(told, self._told):
            self._told = told
            self._tell(news.Planned(told))

    # --- what the sun brings ------------------------------------------------------------------------------------------

    async def learn(self) -> None:
        """Ask the ledger, now and then, what the sun brought on days like these. Never returns."""
        while True:
            config = self._config()
            if config.history.record:
                try:
                    # What is over stays as it is, unless it is counted in another draw.
                    before = (self._edits, self.past) if config is self._learned_by else ((), {})
                    self._edits, self.past = await asyncio.to_thread(_days, config, self._clock().wall(), *before)
                    self._learned_by, self._basis = config, None
                except Exception as error:
                    self._log.info("nothing_learned", reason=f"{type(error).__name__}: {error}")
            await self._clock().sleep(LEARN_EVERY_S)


def _days(
    config: Config, wall: datetime, edits: tuple[int, ...], before: Mapping[date, Day]
) -> tuple[tuple[int, ...], dict[date, Day]]:
    """Return the days on record near this one in the year, today as far as it goes; in a thread.

    ``before``: as it was half an hour ago, when the ledger's ``edits`` were these. With what they are now.
    """
    today, found = wall.date(), dict[date, Day]()
    if not config.history_file.exists():
        return (), found
    with Ledger(config.history_file, read_only=True) as ledger:
        bounds = ledger.bounds()
        if bounds is None:
            return (), found
        now_edited = ledger.edits()
        if now_edited != edits:
            before = {}
        told, house_ms = ledger.foretold(), ledger.anew_ms("days")
        for year in range(LEARN_YEARS + 1):
            middle = today - timedelta(days=365 * year)
            for apart in range(-LEARN_DAYS, 1 if year == 0 else LEARN_DAYS + 1):
                day = middle + timedelta(days=apart)
                if day in before and day < today - timedelta(days=1):
                    found[day] = before[day]
                    continue
                begin, end = day_span(day, wall.tzinfo)
                if day > today or ms_of(end) <= bounds[0] or ms_of(begin) >= bounds[1] or ms_of(begin) < house_ms:
                    continue
                intervals = ledger.surplus(
                    ms_of(begin), ms_of(end), config.draw_w, stored=config.sun_is_the_cars, whole=config.spares_battery
                )
                foretold = min(1.0, told[day] / config.draw_w) if day in told else None
                sun = shares(intervals, day, wall.tzinfo, config.draw_w)
                moved = ledger.moved(round(begin.timestamp()), round(end.timestamp())) if config.planned.prices else ()
                found[day] = Day(sun, prices_of(moved, day, wall.tzinfo), foretold)
    return now_edited, found


def _feeds(config: Config) -> dict[str, tuple[str, slots.Feed]]:
    """Return topic and reading of each feed, in the units in which it is published."""
    planned, found = config.planned, {}
    if planned.prices:
        found[PRICES] = planned.prices.topic, config.price_feed
    if planned.forecast:
        found[FORECAST] = planned.forecast.topic, config.forecast_feed
    return {
        name: (topic, feed._replace(limit=feed.limit / feed.scale, scale=1.0)) for name, (topic, feed) in found.items()
    }


def _other(before: Plan, after: Plan) -> bool:
    """Whether a plan is another one for people: not one that was only begun, or moved by a little."""
    old, new = ([run for run in one.runs if one.need and run.begin_s < one.need.by_s] for one in (before, after))
    return (
        before.need != after.need
        or len(old) != len(new)
        or (before.short_wh > ROUND_WH) is not (after.short_wh > ROUND_WH)
        or any(abs(a.end_s - b.end_s) > NOTED_S for a, b in zip(old, new, strict=True))
    )


def _apart(one: tuple[tuple[float, float], ...], other: tuple[tuple[float, float], ...]) -> bool:
    """Whether two sets of moments differ by more than the clocks do between two looks."""
    return len(one) != len(other) or any(
        abs(a - b) > 1.0 for first, second in zip(one, other, strict=True) for a, b in zip(first, second, strict=True)
    )


def _asked(request: wishes.Request | None) -> wishes.Request | None:
    """Return it as it was asked for, whatever has been counted since."""
    return request and request._replace(from_wh=0.0)


def _minute(at_s: float, zone: tzinfo | None) -> str:
    return datetime.fromtimestamp(at_s, zone).isoformat(timespec="minutes")
