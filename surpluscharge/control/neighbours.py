"""Several loads on one meter: who may start, who gives way, and what the others draw. They agree by claims.

Each publishes one claim, retained, on a topic of its own below a common one, and hears those of all, its own included.
There is no leader and no server, and no clock is compared: a claim lasts for so many seconds from when it is heard.

====================  ============================  =============================================================
message               written by                    what a reader does
====================  ============================  =============================================================
``idle``              whoever neither draws nor     nothing
                      wants to
``asks``              whoever would start but for   one that comes behind (by rank, then name) does not start; where
                      the others                    it ``lacks_w`` and the reader draws, is of a later rank and not
                      (start delay under way, or    ``firm``, the last of them gives way: as though it imported too
                      what it lacks is drawn by     much, after its shortest time, with its stop delay
                      those of a later rank)
``starts``            whoever is about to switch    nobody else starts
                      on, or has not been heard to
``draws``             whoever draws                 nobody else starts until ``settle_s`` after it began; ``draws_w``
                                                    is what it draws
(empty)               the broker, as the will;      the claim has ended; one that was starting counts as a start
                      or whoever takes it back      for as long as it would have lasted
====================  ============================  =============================================================

All are retained, ask for a message expiry of ``lasts_s`` where there is MQTT 5, are said again after a third of it,
and end ``lasts_s`` after they were heard. To start: say ``asks``; when that has come back and stood for ASKED_S, nobody
who comes first asks and nobody settles, say ``starts``; when *that* has come back, and nobody else's has come before
it, switch on. A broker that is one process hands everybody the messages in one order (common practice; MQTT 5.0, 4.6,
promises it for those of one client only), so of two at the same instant one hears the other's first, and steps back,
however slow the network is.

What is lost, and what becomes of it:

- the broker: nothing comes back, so nobody starts. What it kept is taken for new when it is heard, and ends like new.
- a daemon that dies or is cut off: its will ends the claim; without a will, the time does. It cannot start meanwhile.
- one that hangs: the same; what has come back later than ECHO_WITHIN_S is not believed.
- a clock that is wrong: none is asked. Two of one name: both are heard of, as any two; and it is said.
- nonsense: is refused and counted. Whoever keeps this one waiting for PATIENCE_S, little by little or at a stretch, is
  not heeded for half as long. Nobody's claim is ever a reason to be on: at worst it holds a start, or ends a charge
  early.

What is drawn is shared out by the same order: the sun goes to the first, what is imported is of the last; whoever
charges by plan buys, so it comes last. Each leaves to those behind it what they draw, so all shares add up to what was
imported for all.

Pure: no clock, no I/O. Watts, monotonic seconds.
"""

from __future__ import annotations

import json
import math
import re
from collections import deque
from typing import Any, NamedTuple

from surpluscharge.control.signals import Rejected, text_of

ASKED_S = 2.0  # an ask must have stood so long: those who come first may be asking at the same instant
ECHO_WITHIN_S = 5.0  # a start that has come back later is said anew: nobody knows what has happened meanwhile
LISTENS_S = 5.0  # after a connection, besides the time in which all who are there say it again
PATIENCE_S = 1800.0  # whoever keeps this one waiting for so long is not heeded until half of it is made up for
LACKS_FOR_S = 30.0  # what lacks must do so at least so long, and is asked for so long after it did
TELLS_W = 0.05  # a change of the draw by so much is worth a message,
TELLS_EVERY_S = 1.0  # of which there is one in so long
MOST_NEIGHBOURS = 16
MOST_LIVES = 8  # so many of its own connections are remembered
MOST_W, MOST_LASTS_S, LEAST_LASTS_S, MOST_RANK = 30_000.0, 600.0, 5.0, 99
MOST_BYTES = 1024

IDLE, ASKS, STARTS, DRAWS = STAGES = ("idle", "asks", "starts", "draws")
NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?")


class Place(NamedTuple):
    """This charger's place among the others. ``rank`` 1 comes first."""

    name: str
    rank: int
    settle_s: float  # after a start
    lasts_s: float  # a claim that nobody renews

    def among(self, now_s: float) -> Neighbours:
        """Return what keeps account of the others, of whom nothing is known yet."""
        return Neighbours(self, now_s)


class Claim(NamedTuple):
    """What one says of itself. ``mark`` tells its messages from any others."""

    rank: int
    stage: str
    draws_w: float
    lacks_w: float  # so much more would have to be exported
    firm: bool  # it gives way to nobody: it charges by plan, or by hand
    lasts_s: float
    mark: str = ""

    def written(self) -> str:
        return json.dumps(self._asdict())


class Wish(NamedTuple):
    """What this charger is about."""

    on: bool = False  # wanted on,
    told: bool = False  # and the broker has taken that;
    lingers: bool = False  # no longer, and not known to be off yet
    ready: bool = False  # nothing but the others is in the way of a start
    arms: bool = False  # nor will be, after the start delay
    lacks_w: float = 0.0  # so much more export is needed for that; 0: none, or it cannot start in any case
    delay_s: float = 0.0  # for how long it has to lack
    draws_w: float = 0.0
    firm: bool = False


def read(payload: bytes) -> Claim | None:
    """Return the claim in a message; None: it is taken back. Raises Rejected."""
    if not payload:
        return None
    try:
        if len(payload) > MOST_BYTES:
            raise Rejected("too-large")
        told = json.loads(text_of(payload))
        claim = Claim(
            _number(told["rank"], 1, MOST_RANK),
            told["stage"],
            float(_number(told.get("draws_w", 0.0), 0.0, MOST_W)),
            float(_number(told.get("lacks_w", 0.0), 0.0, MOST_W)),
            told.get("firm", False),
            float(_number(told["lasts_s"], LEAST_LASTS_S, MOST_LASTS_S)),
            told.get("mark", ""),
        )
    except Rejected:
        raise
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise Rejected("not-a-claim") from None
    sound = type(claim.rank) is int and claim.stage in STAGES and type(claim.firm) is bool
    if not sound or type(claim.mark) is not str or len(claim.mark) > 64:
        raise Rejected("not-a-claim")
    return claim


def _number(value: Any, least: float, most: float) -> Any:
    if type(value) not in (int, float) or not least <= value <= most:
        raise ValueError
    return value


class Patience:
    """For how long another one has kept this one waiting, less what is made up for; and whether it is heeded."""

    def __init__(self) -> None:
        self.waited_s = 0.0
        self.heeds = True

    def advance(self, elapsed_s: float, waits: bool) -> None:
        self.waited_s = max(0.0, self.waited_s + (elapsed_s if waits and self.heeds else -elapsed_s))
        if self.waited_s >= PATIENCE_S:
            self.heeds = False
        elif self.waited_s <= PATIENCE_S / 2:
            self.heeds = True

    @property
    def turns_in_s(self) -> float:
        return PATIENCE_S - self.waited_s if self.heeds else self.waited_s - PATIENCE_S / 2


class Neighbour:
    """What is known of another one."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.claim: Claim | None = None  # None: it has ended
        self.ends_s = -math.inf
        self.began_s = -math.inf  # when it started last, or may have
        self.ended_s = -math.inf  # when it drew last
        self.asking, self.starting = Patience(), Patience()

    @property
    def asks(self) -> bool:
        return self.claim is not None and self.claim.stage == ASKS and self.asking.heeds

    @property
    def draws_w(self) -> float:
        return self.claim.draws_w if self.claim else 0.0

    @property
    def draws(self) -> bool:
        """Whether it draws, or is about to."""
        return self.claim is not None and self.claim.stage in (STARTS, DRAWS)

    def settles_s(self, settle_s: float, now_s: float) -> float:
        """Return for how much longer nobody else may start because of it; infinity: until it goes on."""
        if self.claim is not None and self.claim.stage == STARTS:
            return math.inf
        return max(0.0, self.began_s + settle_s - now_s)

    def hears(self, claim: Claim | None, now_s: float) -> None:
        """It claims this from now on; None: nothing."""
        drew, stage = self.draws, self.claim.stage if self.claim else IDLE
        if claim is None or claim.stage not in (STARTS, DRAWS):
            if stage == STARTS and claim is None:  # nobody knows what it may still do
                self.began_s = now_s + (self.claim.lasts_s if self.claim else 0.0)
            if drew:
                self.ended_s = now_s
        elif claim.stage == STARTS or stage != DRAWS:
            self.began_s = now_s
        self.claim = claim
        self.ends_s = now_s + claim.lasts_s if claim else -math.inf


class _Said(NamedTuple):
    number: int
    stage: str
    at_s: float


class Neighbours:
    """Hears the others, and says what this one claims."""

    def __init__(self, place: Place, now_s: float) -> None:
        self.place = place
        self.known: dict[str, Neighbour] = {}
        self.doubled_s = -math.inf  # when somebody else was last heard to claim by this name
        self.stage = IDLE
        self.open = False  # it may start at this moment
        self._wish = Wish()
        self._at_s = now_s
        self._life: str | None = None  # of the connection; None: there is none
        self._past: deque[str] = deque(maxlen=MOST_LIVES)  # of those before it
        self._up_s = -math.inf
        self._number = 0  # of its messages
        self._said: Claim | None = None  # the last of them
        self._said_s = -math.inf
        self._all_said: deque[_Said] = deque(maxlen=100)
        self._unsaid = False  # what the broker has is not what was said
        self._heard: _Said | None = None  # the last that has come back
        self._asked_s = math.inf  # since when it asks, as everybody has heard
        self._began_s: float | None = None  # since when it says that it starts; None: it does not
        self._lacks_since_s: float | None = None
        self._lacked_s = -math.inf

    # --- what is told -------------------------------------------------------------------------------------------------

    def link(self, life: str | None, now_s: float) -> None:
        """There is a connection to claim by, with a name that no other ever had; None: it is gone."""
        if self._life is not None:
            self._past.append(self._life)
        self._life, self._up_s = life, now_s
        self._said, self._said_s = None, -math.inf
        self._all_said.clear()
        self._number, self._heard = 0, None
        self._asked_s, self._began_s = math.inf, None

    def take(self, name: str, payload: bytes, retained: bool, now_s: float) -> float:
        """Hear a claim; return by how much what another one draws has changed. Raises Rejected."""
        if not NAME.fullmatch(name):
            raise Rejected("not-a-claim")
        claim = read(payload)
        if name == self.place.name:
            if claim is None:  # the will of a connection before this one, or somebody's hand
                self._unsaid = True
                return 0.0
            life, _, number = claim.mark.rpartition("-")
            if life == self._life:
                self._came_back(number, now_s)
                return 0.0
            if retained or life in self._past:  # of an earlier life; what it said last may come after its will
                return 0.0
            self.doubled_s = now_s
        neighbour = self.known.get(name)
        if neighbour is None:
            if claim is None:
                return 0.0
            if len(self.known) >= MOST_NEIGHBOURS:
                raise Rejected("too-many-claims")
            neighbour = self.known[name] = Neighbour(name)
        before_w = neighbour.draws_w
        neighbour.hears(claim, now_s)
        return abs(neighbour.draws_w - before_w)

    def _came_back(self, text: str, now_s: float) -> None:
        number = int(text) if text.isdecimal() and len(text) < 12 else 0
        said = next((said for said in self._all_said if said.number == number), None)
        if said and (self._heard is None or number > self._heard.number):
            self._heard = said
            self._asked_s = min(self._asked_s, now_s) if said.stage == ASKS else math.inf

    def advance(self, now_s: float) -> float:
        """Time has passed; return by how much what others draw has changed with it."""
        elapsed_s, self._at_s = max(0.0, now_s - self._at_s), now_s
        changed_w, settle_s = 0.0, self.place.settle_s
        for neighbour in [*self.known.values()]:
            neighbour.asking.advance(elapsed_s, neighbour.asks and self._first(neighbour))
            neighbour.starting.advance(elapsed_s, neighbour.settles_s(settle_s, now_s - elapsed_s) > 0.0)
            if neighbour.claim is not None and now_s >= neighbour.ends_s:
                changed_w += neighbour.draws_w
                neighbour.hears(None, now_s)
            over = now_s >= max(neighbour.began_s, neighbour.ended_s) + settle_s
            if neighbour.claim is None and over and not neighbour.asking.waited_s + neighbour.starting.waited_s:
                del self.known[neighbour.name]
        return changed_w

    def look(self, now_s: float, **wish_: Any) -> None:
        """See what may be done for a wish (the fields of :class:`Wish`), and what is to be claimed."""
        wish = self._wish = Wish(**wish_)
        lacks = self._lacks(wish, now_s)
        self.open = False
        if wish.on:
            self.stage = DRAWS if wish.told or self.stage == DRAWS else STARTS
        elif wish.ready:
            self.stage = self._starting(now_s)
        elif wish.lingers:
            self.stage = DRAWS
        else:
            self.stage = ASKS if wish.arms or lacks else IDLE
        if self.stage != STARTS:
            self._began_s = None

    def _starting(self, now_s: float) -> str:
        """Return how far a start has come that nothing but the others is in the way of."""
        if self.waits_for(now_s) is not None:
            return ASKS
        if self._began_s is None:
            self._began_s = now_s
        heard = self._heard
        if heard and heard.stage == STARTS and heard.at_s >= self._began_s:
            self.open = True
        return STARTS

    def _lacks(self, wish: Wish, now_s: float) -> bool:
        """Say whether those of a later rank should give way: for what they draw, this one could start."""
        if 0.0 < wish.lacks_w <= self.given_w:
            self._lacked_s = now_s
            if self._lacks_since_s is None:
                self._lacks_since_s = now_s
        elif now_s > self._lacked_s + LACKS_FOR_S or wish.on:
            self._lacks_since_s = None
        since_s = self._lacks_since_s
        return since_s is not None and now_s >= since_s + max(LACKS_FOR_S, wish.delay_s)

    # --- what is asked ------------------------------------------------------------------------------------------------

    @property
    def live(self) -> list[Neighbour]:
        """Those whose claims stand, in their order."""
        claiming = [neighbour for neighbour in self.known.values() if neighbour.claim]
        return sorted(claiming, key=self._key)

    def _key(self, neighbour: Neighbour) -> tuple[bool, int, str, str]:
        claim = neighbour.claim
        return (claim.firm, claim.rank, neighbour.name, claim.mark) if claim else (True, MOST_RANK, "", "")

    def _mine(self, firm: bool) -> tuple[bool, int, str, str]:
        return firm, self.place.rank, self.place.name, self._life or ""

    @property
    def name_shared(self) -> bool:
        """Whether somebody else was heard to claim by this name of late."""
        return self._at_s < self.doubled_s + MOST_LASTS_S

    @property
    def given_w(self) -> float:
        """What those of a later rank draw, and would give up."""
        return sum(
            neighbour.draws_w
            for neighbour in self.known.values()
            if neighbour.claim and neighbour.claim.rank > self.place.rank and not neighbour.claim.firm
        )

    @property
    def after_w(self) -> float:
        """What those draw who come behind this one: of what is imported, that much is theirs."""
        mine = self._mine(self._wish.firm)
        return sum(n.draws_w for n in self.known.values() if n.claim and self._key(n) > mine)

    def _first(self, neighbour: Neighbour) -> bool:
        """Say whether another one comes first, where both want to start."""
        return self._key(neighbour)[1:] < self._mine(False)[1:]

    def waits_for(self, now_s: float) -> tuple[str, float | None] | None:
        """Return what a start waits for, and for how many more seconds where that is known; None: nothing."""
        if self._life is None:
            return "a connection to say its claim by", None
        left_s = self._up_s + self.place.lasts_s / 3 + LISTENS_S - now_s
        if left_s > 0.0:
            return "those on the same meter to be heard", left_s
        settling = [
            (neighbour.settles_s(self.place.settle_s, now_s), neighbour.name)
            for neighbour in self.known.values()
            if neighbour.starting.heeds
        ]
        left_s, name = max(settling, default=(0.0, ""))
        if left_s > 0.0:
            return f"the start of {name} to settle", None if left_s == math.inf else left_s
        first = [neighbour.name for neighbour in self.known.values() if neighbour.asks and self._first(neighbour)]
        if first:
            return f"{first[0]}, which comes first, to start", None
        back_s = self._asked_s + ASKED_S - now_s
        late = self._began_s is not None and now_s > self._began_s + ECHO_WITHIN_S
        if late or (self._began_s is None and back_s > 0.0):
            return "its own claim to come back from the broker", None if late or back_s == math.inf else back_s
        return None

    @property
    def gives_way(self) -> bool:
        """Whether somebody of an earlier rank asks for what this one draws, and it is its turn to give that up."""
        now_s, wish = self._at_s, self._wish
        if not wish.on or wish.firm or wish.draws_w <= 0.0:
            return False
        asked = any(
            n.asks and n.claim and n.claim.lacks_w > 0.0 and n.claim.rank < self.place.rank for n in self.known.values()
        )
        if not asked:
            return False
        mine, settle_s = self._mine(False), self.place.settle_s
        later = any(n.draws and n.claim and not n.claim.firm and self._key(n) > mine for n in self.known.values())
        return not later and all(now_s >= n.ended_s + settle_s for n in self.known.values())

    def stop_delay_s(self, usual_s: float, seen_s: float) -> float:
        """Return the stop delay that holds for this one: whoever comes last stops first.

        Those who come before have their ``usual_s``; each behind them so much less that the meter shows its end, which
        takes ``seen_s``, before the next one would end as well.
        """
        if self._wish.firm:
            return usual_s
        mine = self._mine(False)
        drawing = [self._key(n) for n in self.known.values() if n.draws and n.claim and not n.claim.firm]
        return usual_s - sum(key < mine for key in drawing) * min(seen_s, usual_s / (len(drawing) + 1))

    def deadlines_s(self) -> list[float]:
        """Return when any of this may become otherwise though nothing is heard, in monotonic seconds."""
        settle_s, place = self.place.settle_s, self.place
        times = [self._up_s + place.lasts_s / 3 + LISTENS_S, self._asked_s + ASKED_S, self._renews_s]
        times += [self._tells_s] if self._differs else []
        times.append(self.doubled_s + MOST_LASTS_S)
        times += [] if self._began_s is None else [self._began_s + ECHO_WITHIN_S + 1e-3]
        if self._lacks_since_s is not None:
            times += [self._lacks_since_s + max(LACKS_FOR_S, self._wish.delay_s), self._lacked_s + LACKS_FOR_S + 1e-3]
        for neighbour in self.known.values():
            times += [neighbour.ends_s, neighbour.began_s + settle_s, neighbour.ended_s + settle_s]
            times += [self._at_s + part.turns_in_s + 1e-3 for part in (neighbour.asking, neighbour.starting)]
        return times

    # --- what it says -------------------------------------------------------------------------------------------------

    @property
    def _renews_s(self) -> float:
        return self._said_s + self.place.lasts_s / 3

    @property
    def _tells_s(self) -> float:
        return self._said_s + TELLS_EVERY_S

    @property
    def _differs(self) -> bool:
        said, now = self._said, self._claim
        return (
            said is None
            or abs(now.draws_w - said.draws_w) >= TELLS_W
            or now._replace(draws_w=said.draws_w, lacks_w=said.lacks_w) != said
            or (now.lacks_w > 0.0) is not (said.lacks_w > 0.0)
        )

    @property
    def _claim(self) -> Claim:
        wish, place = self._wish, self.place
        lacks_w = wish.lacks_w if self.stage == ASKS and not wish.arms else 0.0
        mark = self._said.mark if self._said else ""
        return Claim(place.rank, self.stage, round(wish.draws_w, 1), round(lacks_w, 1), wish.firm, place.lasts_s, mark)

    def take_claim(self, now_s: float) -> str | None:
        """Return the message to be published now; None: there is nothing to say."""
        if self._life is None:
            return None
        said = self._said
        urgent = said is None or said.stage != self.stage
        if not (urgent or now_s >= self._renews_s or (now_s >= self._tells_s and (self._unsaid or self._differs))):
            return None
        number = self._number = self._number + 1
        self._said = self._claim._replace(mark=f"{self._life}-{number}")
        self._said_s, self._unsaid = now_s, False
        self._all_said.append(_Said(number, self.stage, now_s))
        return self._said.written()
