"""What can happen to a charger's controller: a value for each, told by one door, :meth:`.controller.Controller.tell`.

Nothing here has a time of its own: it is told together with the moment at which it happened.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from surpluscharge.control.controller import Settings
    from surpluscharge.control.economics import Prices
    from surpluscharge.control.wishes import Away, Request


class Tick(NamedTuple):
    """Nothing but that time has passed."""


class Message(NamedTuple):
    """A message has come from a meter or the plug."""

    topic: str
    payload: bytes
    retained: bool


class Claimed(NamedTuple):
    """Something on the same meter claims, as :mod:`.neighbours` says; ``name``: the last level of the topic."""

    name: str
    payload: bytes
    retained: bool


class ClaimsLink(NamedTuple):
    """The connection for claims is there, by a name that no connection before it had; None: it is gone."""

    life: str | None


class Refused(NamedTuple):
    """A message has come that could not be used. ``reason``: a key of ``slots.REASONS``."""

    topic: str
    reason: str
    payload: bytes


class Enable(NamedTuple):
    """Charging is allowed, or no longer."""

    on: bool


class Acknowledge(NamedTuple):
    """A person has seen a latched fault; None: all of them."""

    code: str | None


class Looked(NamedTuple):
    """Somebody has looked at plug and socket, and may have mended them."""

    note: str  # what was seen


class Worn(NamedTuple):
    """What the ledger says of the contacts; see :class:`.supervisor.Situation`."""

    look_due: bool = False
    relay_worn: bool = False


class SignShown(NamedTuple):
    """A person has shown that the meter's sign is right: one step that goes the other way is no reason to doubt it."""


class Stop(NamedTuple):
    """The daemon is shutting down: off, and no more starts."""


class CommandsLink(NamedTuple):
    """The subscriptions to commands and to the plug's report are there, or gone.

    What the plug reported before a gap is not relied on after it.
    """

    up: bool


class ReadingsLink(NamedTuple):
    """The subscriptions to what brings readings only are there, or gone."""

    up: bool


class RelayLink(NamedTuple):
    """The relay's connection is there, or gone; the plug's reports come by another one."""

    up: bool


class TopicsRefused(NamedTuple):
    """The broker does not let us read all that we must, or does now."""

    refused: bool


class Sending(NamedTuple):
    """A command goes out to the relay: until the broker has taken it, the relay may be either way."""

    on: bool


class Taken(NamedTuple):
    """The broker has taken a command to the relay."""

    on: bool


class Strained(NamedTuple):
    """How much comes, and whether the daemon is late: see :class:`.supervisor.Situation`."""

    told_in_floods: bool = False
    read_in_floods: bool = False
    late: bool = False


class StoreFailing(NamedTuple):
    """What must outlive the process cannot be written, or can again."""

    failing: bool


class HistoryFailing(NamedTuple):
    """The ledger cannot be written, or can again."""

    failing: bool


class ClockJumped(NamedTuple):
    """The wall clock moved by more than time did: it is followed, but no session is granted for it."""


class Reload(NamedTuple):
    """Other settings hold from now on; the topics must be the same."""

    settings: Settings


class Follow(NamedTuple):
    """Other prices are in force from now on; None: none that are known.

    ``planned``: what a kWh is worth by them is what another hour costs by a plan.
    """

    prices: Prices | None
    planned: bool = False


class Ask(NamedTuple):
    """Somebody asks for a charge, once, in place of what was asked for before; None: for none any more."""

    request: Request | None


class Gone(NamedTuple):
    """When nobody is there, in place of what was said before; None: somebody is."""

    away: Away | None


class Due(NamedTuple):
    """Something was due at this moment, in seconds since 1970: from then on it is counted anew what comes."""

    at_s: float


class Netted(NamedTuple):
    """So much is on record of the interval that runs, in which the bill nets: of before this start."""

    credit_wh: float  # exported less imported
    charged_wh: float


class Full(NamedTuple):
    """The car takes no more: what is planned for it is over, until something else is due or asked for."""


class Planned(NamedTuple):
    """From when until when a charge is due, whatever the sun does, in monotonic seconds; in place of what was so."""

    due_s: tuple[tuple[float, float], ...]


class Learn(NamedTuple):
    """The lead is known to draw so much; None: that is not known."""

    draw_w: float | None


class Changed(NamedTuple):
    """Something in the house is another one than before: what was learned of it is dropped. ``said_ms``: see Kept."""

    said_ms: int
    meter: bool  # what switchings have taught of meter and plug,
    circuit: bool  # of the resistance behind the plug,
    sun: bool  # and trials of the sun


News = (
    Tick
    | Message
    | Claimed
    | ClaimsLink
    | Refused
    | Enable
    | Acknowledge
    | Looked
    | Worn
    | SignShown
    | Stop
    | CommandsLink
    | ReadingsLink
    | RelayLink
    | TopicsRefused
    | Sending
    | Taken
    | Strained
    | StoreFailing
    | HistoryFailing
    | ClockJumped
    | Reload
    | Follow
    | Ask
    | Gone
    | Due
    | Netted
    | Full
    | Planned
    | Learn
    | Changed
)
