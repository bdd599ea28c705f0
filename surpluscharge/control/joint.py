"""Watches the joints on the way to the car: what they lose, and whether it has grown.

What burns houses is a contact that ages. Three measures see it, each in its own way, at switchings that happen anyhow:

- ``ohms``: by how much the voltage at the plug falls for each ampere, once a switching (see control/mains.py);
- ``wall``: what the house's meter gains beyond what the plug says it draws, over the square of the current: watts that
  stay in the wall between the two, in ohms as well;
- ``heat``: by how much the sensor at the socket warms for each square ampere, once a charge (:class:`Warming`).

Each is held against its own past, by one test. The first evidence makes a base, its mean; from then on a cumulative
sum of log-likelihood ratios asks whether the measure has grown by ``grown`` rather than not at all (Page 1954). Where
such a sum alarms at h, it runs e**h pieces of evidence on average before it does so without a cause (Lorden 1971): that
is the one number that everything here is tuned by. So that no single kettle has much of a voice, a piece of evidence
adds so much at the most that five of them are needed, or eight. A fourth sum takes ohms and heat together: a joint that
gets worse shows in both, and what moves both at once by chance is rare. So three pieces are enough there, but both must
have risen. Two charges are the least that can be enough: each shows ohms twice, and heat once.

A dozen pieces make a base, but not a good one: it goes on being the mean of all pieces until there are ninety. Without
that, one new base in twenty cost a false note within half a year, and each look makes a new base.

A sum that alarms never says by itself how bad it is: what has been lost more since it began to rise does, in watts at
the lead's current. What loses little is a note, what loses more holds the next start, what loses much latches. The
meter and the plug together prove less than the others: an appliance that has been made to run with the lead looks just
like heat in the wall. So ``wall`` alone is never more than a note.

That nothing is found is no all-clear. Four kinds of bad joint cannot be seen here:

- one that was bad from the first day: it is in the base. Only the absolute judgement of ``ohms`` sees it, from
  :data:`HIGH_OHM` on;
- one behind the place where the plug measures: its own contacts towards the lead, the lead's plug, the control box, the
  car's inlet. Of these only a sensor that touches them tells;
- one that is bad only now and then, for a switching or two in between many good ones; and an arc, whose mean resistance
  is small;
- one in a branch that the lead's current does not take: another socket of the same circuit, the protective conductor.

Pure: no clock, no I/O. Seconds of a clock that goes on across restarts, ohms, kelvin, amperes, watts.
"""

from __future__ import annotations

import math
from statistics import fmean, median
from typing import Literal, NamedTuple, get_args

Measure = Literal["ohms", "wall", "heat"]
MEASURES: tuple[Measure, ...] = get_args(Measure)
TOGETHER: tuple[Measure, ...] = ("ohms", "heat")  # whose gains make a sum of their own

DAY_S = 86_400.0
# A house of six charges a day gives some 110,000 pieces of evidence in ten years. e**12 is 163,000.
ALARM = 12.0
FEW, MORE = 2.5, 1.5  # what one piece adds at the most: so five of them at the least, or eight
OF_TWO = ALARM / 3  # and to the sum of two measures: so three of them,
AGREES = ALARM / 6  # where each of the two alone has come so far
LEAST_EARLY, MOST_EARLY = 12, 90  # pieces of evidence make the base; it gets better up to so many
BASE_SHARE = 1 / 8  # of ``grown``: as well as that the base is known, if it can be
MOST_SHARE = 0.05  # by which one piece moves a base that follows
SCATTER_MOVES = 0.05  # so fast it follows; and never
SCATTER_LEAST, SCATTER_MOST = 0.5, 4.0  # times beyond the one of the beginning
# The limit of IEC 60364-5-52 for the fall of voltage in an installation, 5 % (from memory), at the 16 A of a socket's
# circuit, and the reference impedance of the network before it (IEC 60725: 0.24 + 0.16 ohm, from memory).
NOMINAL_V = 230.0
HIGH_OHM = 0.05 * NOMINAL_V / 16.0 + 0.40
SAME_A = 0.15  # of the current: by so much another one makes another base, where the meters' errors are in it

NOTHING, NOTE, HOLD, LATCH = range(4)  # grades
# Of what is lost more than at first. Our own: two in a joint of the size of a fingertip are warm, ten are hot to the
# hand, and 20 to 30 are what tests of glowing contacts report at a domestic current (common practice).
HOLD_W, LATCH_W = 10.0, 25.0
HOLD_K, LATCH_K = 12.0, 25.0  # kelvin at the lead's current, beyond those of the beginning


class _Sort(NamedTuple):
    """How a measure is judged. ``grown``: what is looked for; ``drift_s``: its base follows it so slowly, or not.

    ``of_power``: and no less than what this share of the power comes to; ``most_gain``: what one piece adds at most.
    """

    grown: float
    least_error: float
    drift_s: float
    most_gain: float = FEW
    of_power: float = 0.0


SORTS: dict[Measure, _Sort] = {
    # 20 W at 10 A. The copper's own summer and winter is a fifth of that.
    "ohms": _Sort(0.2, 0.03, math.inf),
    # IEC 62053-21 allows class 1 a twentieth of a percent for each kelvin, and class 2 a tenth (from memory): between
    # winter and summer two meters may come apart by more than what is looked for, so the base follows.
    "wall": _Sort(0.3, 0.1, 30 * DAY_S, MORE, 0.015),
    # 20 W warm a plug's contacts by 10 K and more; the surroundings' own course is some kelvin.
    "heat": _Sort(0.1, 0.02, math.inf),
}


class Evidence(NamedTuple):
    """What one switching, or one charge, has shown. ``value`` and ``error`` (a standard deviation): ohm, or K/A2."""

    measure: Measure
    at_s: float
    value: float
    error: float
    amps: float


class Finding(NamedTuple):
    """What has grown. ``value``, ``base`` and ``error`` (a standard deviation) as in :class:`Evidence`.

    ``lost``: watts at the lead's current more than at first; with ``heat``, kelvin.
    """

    measure: Measure
    value: float
    base: float
    error: float
    lost: float
    since_s: float
    grade: int


class Track(NamedTuple):
    """What is kept of one measure."""

    early: tuple[float, ...] = ()
    base: float | None = None
    scatter: float = 0.0  # of the evidence, a standard deviation
    first_scatter: float = 0.0
    last: float | None = None
    last_s: float = 0.0
    score: float = 0.0
    since_s: float = 0.0  # when the score left nought
    weight: float = 0.0  # of the evidence since then: its inverse variances, summed
    grown: float = 0.0  # and by how much it is beyond the base
    pieces: int = 0
    amps: float = 0.0


class Kept(NamedTuple):
    """What must outlive the process. JSON, and lists for tuples, will do."""

    ohms: Track = Track()
    wall: Track = Track()
    heat: Track = Track()
    score: float = 0.0  # of ohms and heat together

    def shifted(self, by_s: float) -> Kept:
        """Return it for a clock that shows so much more."""
        ohms, wall, heat = (
            track._replace(last_s=track.last_s + by_s, since_s=track.since_s + by_s)
            for track in (self.ohms, self.wall, self.heat)
        )
        return Kept(ohms, wall, heat, self.score)


class Joint:
    """Takes evidence in, in the order of time, and says what it has found."""

    def __init__(self, kept: Kept | None = None) -> None:
        self._tracks: dict[Measure, Track] = dict(zip(MEASURES, kept[:3] if kept else (Track(),) * 3, strict=True))
        self.score = kept.score if kept else 0.0  # of ohms and heat together

    @property
    def kept(self) -> Kept:
        """What must outlive the process."""
        return Kept(self._tracks["ohms"], self._tracks["wall"], self._tracks["heat"], self.score)

    def track(self, measure: Measure) -> Track:
        """Return what is known of a measure."""
        return self._tracks[measure]

    def looked(self) -> None:
        """Somebody has looked at plug and socket.

        Where something was found, they know of it, and may have mended it: another base is made. Where nothing was, the
        base stays, or a look every three months would hide what creeps from one to the next.
        """
        if self.findings(1.0):
            self.begins_anew()

    def begins_anew(self) -> None:
        """It is another joint, or what sees it is another: another base is made."""
        self._tracks, self.score = dict.fromkeys(MEASURES, Track()), 0.0

    def take(self, evidence: Evidence) -> None:
        """Weigh one more piece of evidence."""
        name = evidence.measure
        self._tracks[name], gain = _taken(SORTS[name], self._tracks[name], evidence, name == "wall")
        if name in TOGETHER:
            self.score = max(0.0, self.score + gain)

    def findings(self, amps: float) -> tuple[Finding, ...]:
        """Return what has grown, at ``amps`` of the lead; the gravest first. Empty: nothing is known to have."""
        together = self.score >= ALARM and all(self._tracks[name].score >= AGREES for name in TOGETHER)
        found = [
            finding
            for name in MEASURES
            if (track := self._tracks[name]).score >= (AGREES if together and name in TOGETHER else ALARM)
            and (finding := _finding(name, track, amps))
        ]
        others = any(finding.measure != "wall" for finding in found)
        graded = [
            finding._replace(grade=NOTE if finding.measure == "wall" and not others else finding.grade)
            for finding in found
        ]
        return tuple(sorted(graded, key=lambda finding: -finding.grade))


def _taken(sort: _Sort, track: Track, evidence: Evidence, by_current: bool) -> tuple[Track, float]:
    """Return the track with this in it, and what it adds to a sum of two measures."""
    value = evidence.value
    if by_current and track.pieces and abs(evidence.amps / track.amps - 1.0) > SAME_A:
        track = Track()
    track = track._replace(pieces=track.pieces + 1, amps=track.amps or evidence.amps)
    if track.base is None:
        return _begun(sort, track, evidence), 0.0
    # The scatter by the steps from one piece to the next: half of them are below 0.954 of it, wherever the level is.
    assert track.last is not None
    way = 1.0 if abs(value - track.last) > 0.954 * track.scatter else -1.0
    scatter = track.scatter * (1.0 + way * SCATTER_MOVES)
    first = track.first_scatter
    scatter = max(sort.least_error, first * SCATTER_LEAST, min(scatter, first * SCATTER_MOST))
    error = max(evidence.error, scatter)
    grown = max(sort.grown, sort.of_power * NOMINAL_V / evidence.amps)
    beyond = value - track.base
    gain = grown / error**2 * (beyond - grown / 2)
    score = max(0.0, track.score + max(-2 * sort.most_gain, min(gain, sort.most_gain)))
    base = track.base
    if score < ALARM / 2:
        share = min(MOST_SHARE, max(0.0, evidence.at_s - track.last_s) / sort.drift_s)
        if track.pieces <= MOST_EARLY:
            share = max(share, 1.0 / track.pieces)
        base += share * max(-2 * error, min(beyond, 2 * error))
    if not score:
        track = track._replace(weight=0.0, grown=0.0)
    else:
        # The mean of what came since, each piece kept from moving it by more than what is looked for and its own error.
        weight = track.weight + error**-2
        most = grown + 4 * error
        moves = max(-most, min(beyond - track.grown, most)) / (weight * error**2)
        since_s = track.since_s if track.score else evidence.at_s
        track = track._replace(weight=weight, grown=track.grown + moves, since_s=since_s)
    track = track._replace(base=base, scatter=scatter, score=score, last=value, last_s=evidence.at_s)
    return track, max(-2 * FEW, min(gain, OF_TWO))


def _begun(sort: _Sort, track: Track, evidence: Evidence) -> Track:
    """Return the track with one more piece of its beginning: the base stands once it is known well enough."""
    early = (*track.early, evidence.value)
    count = len(early)
    own = track.scatter + (evidence.error - track.scatter) / count  # the mean of what the pieces say of themselves
    track = track._replace(early=early, last=evidence.value, last_s=evidence.at_s, scatter=own)
    if count < LEAST_EARLY:
        return track
    centre = median(early)
    scatter = max(sort.least_error, own, 1.4826 * median(abs(one - centre) for one in early))
    if scatter / math.sqrt(count) > BASE_SHARE * sort.grown and count < MOST_EARLY:
        return track
    # Not the median: of a plug that says whole volts it is one of two values, which are as far apart as what is sought.
    base = fmean(max(centre - 2 * scatter, min(one, centre + 2 * scatter)) for one in early)
    return track._replace(early=(), base=base, scatter=scatter, first_scatter=scatter)


def _finding(name: Measure, track: Track, amps: float) -> Finding | None:
    if track.base is None or not track.weight:
        return None
    grown, error = track.grown, track.weight**-0.5
    if grown <= 0.0:
        return None
    lost = grown * amps**2
    hold, latch = (HOLD_K, LATCH_K) if name == "heat" else (HOLD_W, LATCH_W)
    grade = LATCH if lost >= latch else HOLD if lost >= hold else NOTE
    return Finding(name, track.base + grown, track.base, error, lost, track.since_s, grade)


TAUS_S = 300.0, 600.0, 1200.0, 2400.0, 4800.0
LEAST_WARM_S = 1200.0  # a shorter charge tells little of how warm it would become
LEAST_READINGS = 8
HELD_S = 300.0  # a reading counts for so long at the most
LEAST_A = 3.0


class Warming:
    """How much a sensor warms for each square ampere: a first-order answer (IEC 60255-149) fitted to each charge.

    The squared current through a first-order lag of each of :data:`TAUS_S` is what the temperature should follow, less
    that of the surroundings where it is known; a line is fitted to each by running sums, so no reading is kept, and the
    best one is taken.
    """

    def __init__(self) -> None:
        self._lags = [0.0] * len(TAUS_S)  # square amperes
        self._at_s, self._amps = -math.inf, 0.0
        self._begun_s: float | None = None
        self._most_a = 0.0
        self._read_s = -math.inf
        self._clear()

    def _clear(self) -> None:
        self._readings, self._known = 0, False  # whether the surroundings are
        self._time_s = self._y = self._yy = 0.0
        self._sums = [[0.0, 0.0, 0.0] for _ in TAUS_S]  # of x, xx, xy, each for as long as it held

    @property
    def amps(self) -> float:
        """The current that flows, as far as was said."""
        return self._amps

    def flows(self, now_s: float, amps: float) -> None:
        """From now on it is this current."""
        past_s, square = now_s - self._at_s, self._amps**2
        if past_s > 0.0:
            for index, tau_s in enumerate(TAUS_S):
                self._lags[index] = square + (self._lags[index] - square) * math.exp(-past_s / tau_s)
        self._at_s, self._amps = now_s, amps
        if self._begun_s is not None:
            self._most_a = max(self._most_a, amps)

    def begins(self, now_s: float) -> None:
        """A charge begins."""
        self.flows(now_s, self._amps)
        self._clear()
        self._begun_s, self._read_s, self._most_a = now_s, now_s, 0.0

    def feels(self, now_s: float, temperature_c: float, surroundings_c: float | None = None) -> None:
        """The sensor says so; ``surroundings_c``: and so does one of the air, None: none does."""
        if self._begun_s is None:
            return
        self.flows(now_s, self._amps)
        held_s = min(now_s - self._read_s, HELD_S)
        self._read_s = now_s
        if held_s <= 0.0:
            return
        if (surroundings_c is not None) is not self._known:  # what came before does not go with what comes
            self._clear()
            self._known = surroundings_c is not None
        y = temperature_c - (surroundings_c or 0.0)
        self._readings += 1
        self._time_s += held_s
        self._y += y * held_s
        self._yy += y * y * held_s
        for x, sums in zip(self._lags, self._sums, strict=True):
            sums[0] += x * held_s
            sums[1] += x * x * held_s
            sums[2] += x * y * held_s

    def ends(self, now_s: float) -> Evidence | None:
        """The charge is over: return what it has shown; None: it was too short, or nobody felt it."""
        begun_s, self._begun_s = self._begun_s, None
        if begun_s is None or now_s - begun_s < LEAST_WARM_S or self._readings < LEAST_READINGS:
            return None
        if self._most_a < LEAST_A:
            return None
        whole_s = self._time_s
        mean_y = self._y / whole_s
        of_y = max(0.0, self._yy / whole_s - mean_y**2)
        best: tuple[float, float, float, float] | None = None
        for (sum_x, sum_xx, sum_xy), tau_s in zip(self._sums, TAUS_S, strict=True):
            mean_x = sum_x / whole_s
            of_x = sum_xx / whole_s - mean_x**2
            if of_x <= 1e-6 * max(1.0, mean_x**2):
                continue
            slope = (sum_xy / whole_s - mean_x * mean_y) / of_x
            left = max(0.0, of_y - slope**2 * of_x)
            if slope > 0.0 and (best is None or left < best[0]):
                best = left, slope, of_x, tau_s
        if best is None:
            return None
        left, slope, of_x, tau_s = best
        # What is left over is the surroundings' own course, slow as the socket: so many of its points are apart.
        apart = max(2.0, min(self._readings, whole_s / tau_s))
        return Evidence("heat", now_s, slope, math.sqrt(left / of_x / apart), self._most_a)


def lost_in_wall(at_s: float, step_w: float, strays_w: float, drawn_w: float, amps: float) -> Evidence | None:
    """Return what one switching shows of the watts between house meter and plug; None: it shows none.

    ``step_w``: by how much grid power moved, ``strays_w``: how far its readings stray around their levels, ``drawn_w``:
    by how much the plug's own meter did; all positive. Where other things moved as well, it is no evidence.
    """
    if amps < LEAST_A or abs(step_w - drawn_w) > 0.3 * drawn_w:
        return None
    return Evidence("wall", at_s, (step_w - drawn_w) / amps**2, 1.25 * strays_w / amps**2, amps)


def fall(
    at_s: float, ohm: float, amps: float, before_v: list[float], after_v: list[float], finest_v: float
) -> Evidence:
    """Return what one switching shows of the circuit's resistance: ``ohm``, by voltages before it and after it.

    ``finest_v``: the plug's resolution. Each side is off by any part of it, which no number of equal readings betrays.
    """
    spread = math.hypot(*(_error_v(side) for side in (before_v, after_v)), finest_v / math.sqrt(6.0))
    return Evidence("ohms", at_s, ohm, spread / abs(amps), abs(amps))


def _error_v(volts: list[float]) -> float:
    """Return how far off the median of readings may be, a standard deviation; a single one is given half a volt."""
    if len(volts) < 2:
        return 0.5
    centre = median(volts)
    return 1.5 * fmean(abs(one - centre) for one in volts) / math.sqrt(len(volts))
