"""Whether the plug does the reverse of what it is told, so that it must be told "on" to go off.

That is so where the two payloads are exchanged in the configuration. By its reports alone it cannot be told from a plug
that obeys and *reports* the reverse: to try "on" on that one would switch on what is off. So nothing is tried unless
two witnesses agree that it is on though it was told off: its own report, given anew, and its own meter, by which
current flows. Then "on" can make nothing worse, and one trial is made:

- not before :data:`TRY_AFTER_S`, for a slow plug may yet obey;
- once, by a daemon that has never seen this plug go on when told so, for such a one is not exchanged but stuck;
- off is said with the usual payload again as soon as current flows a while after it, as with a welded relay, and
- it is believed only if it is off for :data:`SETTLED_S`, by both witnesses. That is longer than the wait before it: a
  plug so slow that it obeyed the off only meanwhile has by then gone on at the trial's word, and is not taken for one.

Even then it can be refuted: where current flows on in spite of it, off is said with the usual payload again.

Grid power is no witness: a single step may be a kettle's, and with exchanged payloads there never is a second. The
price is a plug slower than TRY_AFTER_S, which is on once more for as long as it is slow. What would be switched on
wrongly is a plug that is off and whose *both* topics, report and meter, are those of another one that is on: for 20 s.

What was found goes into the store: so the broker in our name (whose will takes a new connection), the stop action and
the next daemon say off so, too, until the configuration has other payloads or somebody has acknowledged. During the
trial the will stays as configured.
"""

from __future__ import annotations

from typing import NamedTuple

TRY_AFTER_S = 90.0  # with an off taken by the broker, and the plug on
SETTLED_S = 120.0  # so long off, to be believed; longer than TRY_AFTER_S
FOLLOWS_WITHIN_S = 20.0  # a relay has so long to follow, and its meter to see it
ANSWER_S = 5.0  # a plug's word may come before the broker's
TAKEN_WITHIN_S = 30.0  # the broker has so long to take the trial's command
REFUTED_AFTER_S = 60.0  # of current, in spite of what was found


class Sight(NamedTuple):
    """What is seen of the plug at a moment. Times in monotonic seconds."""

    now_s: float
    reachable: bool  # commands go out and words come in, and nobody is shutting down
    wants_on: bool
    wanted_since_s: float
    told_off_s: float | None  # since when the broker has taken an off that is still wanted; None: it has not
    flows: bool | None  # by the plug's last measurement; None: there is none that is fresh
    measured_s: float  # when that came
    reported: bool | None
    reported_s: float  # when it last said so


class Reversal:
    """``found``: the payloads are exchanged. ``trying``: that is being tried. ``spent``: it will not be tried again."""

    def __init__(self) -> None:
        self.found = self.trying = self.spent = False
        self._began_s = 0.0
        self._against_s: float | None = None  # since when current flows in spite of what was found

    @property
    def exchanged(self) -> bool:
        """Whether off is to be said with what the configuration has for on."""
        return self.found or self.trying

    @property
    def settled(self) -> bool:
        """Whether nothing that is seen can make it judge otherwise any more."""
        return self.spent and not self.found and not self.trying

    def look(self, seen: Sight) -> None:
        """Judge anew, with every news and at :meth:`deadline_s`."""
        if seen.wants_on:
            # It went on when it was told so, and current flows. One that does the reverse is off now.
            follows_s = seen.wanted_since_s + FOLLOWS_WITHIN_S
            self.spent = self.spent or bool(seen.flows and seen.measured_s >= follows_s)
            self.trying = False
        elif not seen.reachable:
            self.trying = False
        elif seen.told_off_s is None:
            self.trying = self.trying and seen.now_s < self._began_s + TAKEN_WITHIN_S
        elif self.found:
            self._doubt(seen)
        elif self.trying:
            self._judge(seen, seen.told_off_s)
        elif not self.spent and self._on_in_spite(seen, seen.told_off_s):
            self.trying, self._began_s = True, seen.now_s

    def deadline_s(self, told_off_s: float) -> tuple[float, float]:
        """Return when it may next judge otherwise though nothing was heard."""
        return told_off_s + TRY_AFTER_S, told_off_s + SETTLED_S

    @staticmethod
    def _on_in_spite(seen: Sight, told_off_s: float) -> bool:
        waited = min(seen.now_s, seen.measured_s + FOLLOWS_WITHIN_S) >= told_off_s + TRY_AFTER_S
        anew = seen.reported is True and seen.reported_s >= told_off_s - ANSWER_S
        return waited and bool(seen.flows) and anew

    def _judge(self, seen: Sight, told_off_s: float) -> None:
        since = seen.measured_s >= told_off_s
        if since and seen.flows and seen.measured_s >= told_off_s + FOLLOWS_WITHIN_S:
            self.trying, self.spent = False, True  # whatever it is told, it is on; or it was slow
        elif seen.now_s >= told_off_s + SETTLED_S:
            self.trying, self.spent = False, True
            self.found = since and seen.flows is False and seen.reported is False  # it reported on when this began

    def _doubt(self, seen: Sight) -> None:
        if not seen.flows:
            self._against_s = None
        elif self._against_s is None:
            self._against_s = seen.now_s
        elif seen.now_s >= self._against_s + REFUTED_AFTER_S:
            self.found, self.spent = False, True
