"""ONE table of faults: what qualifies each, what it does, and how it clears.

A row's *evidence* is a question about the :class:`Situation`. When the answer has been yes without a break for
``after_s``, the fault is raised and counts with its severity. It clears when the evidence is gone (or, where the row
has a question of its own for that, when ``clear`` says so) and its cooldown has passed; one that latches waits for a
person's acknowledgement besides. The cooldown doubles each time the same fault is raised again within a day, up to
``cooldown_most_s``. The verdict handed to the machine is the severest of all that count.

Nothing here is a certified protection. It sees what a plug and a meter report, when they report it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from surpluscharge.control.battery import REST_W
from surpluscharge.control.joint import HOLD as JOINT_HOLD
from surpluscharge.control.joint import LATCH as JOINT_LATCH
from surpluscharge.control.joint import NOTE as JOINT_NOTE
from surpluscharge.control.joint import NOTHING
from surpluscharge.control.machine import CLEAR, DAY_S, END, HOLD, TRIP
from surpluscharge.control.steps import LATEST_S, SIDE_S
from surpluscharge.control.thermal import TRIP_LEVEL, ThermalParams

NOTE = CLEAR  # the owner is told; the machine goes on
SEVERITY_NAMES = {NOTE: "note", HOLD: "hold", END: "end", TRIP: "trip"}


class Limits(NamedTuple):
    """What the owner, the socket and the standards allow. Amperes, watts, volts, degrees Celsius, seconds."""

    draw_w: float  # configured or learned
    instant_a: float  # no lead that is in order draws so much, and
    far_a: float  # so much, once measured, is no slip of the plug's
    thermal: ThermalParams
    rest_above_a: float  # a run at this current or more, if it is long, is followed by a rest
    rest_after_s: float
    rest_s: float
    hot_c: float
    nominal_v: float
    fuse_w: float | None = None  # the most import of a phase, or of the house where phases are not apart; None: any


class Situation(NamedTuple):
    """What is known at this moment. None: not known, because nothing reports it or the report is stale."""

    wants_on: bool
    wanted_s: float  # for how long the relay has been wanted as it is
    link_up: bool | None  # of the relay; None: never yet
    hearing: bool | None  # the connection that brings readings and commands is up; None: never yet
    confirmed: bool  # the relay is known to be as wanted
    was_confirmed: bool  # at some time since the wish last changed
    reported: bool | None
    told_off_s: float  # since when the broker has taken an off that is still wanted; 0: it has not
    reported_on_after_off: bool  # the plug has said so since then, and it is still heard
    power_w: float | None  # measured by the plug
    power_after_s: float  # how long after the wish last changed that was measured
    current_a: float | None  # measured, or from the measured power
    over_readings: int  # of it in a row, those without any current left out, that were above ``instant_a``
    level: float  # of the thermal image
    run_a: float  # the highest current of the present run, or of the last one
    run_s: float  # how long it has lasted, or lasted
    temperature_missing: bool  # a sensor is configured, but says nothing fresh
    temperature_c: float | None
    warmed_c: float | None  # by how much, at the most, since the first charge after a rest began; None: not known
    voltage_v: float | None
    voltage_before_v: float | None  # the reading before it
    voltage_free_v: float | None  # mean of ten minutes, as it is or would be without the lead's load
    voltage_mean_v: float | None  # and under it
    voltage_mean_whole: bool  # it is one of ten minutes, not of less
    voltage_drop_v: float | None  # under the lead's current, as the last switching showed it; None: it has not yet
    large_drops: int  # in a row, of more than DROP_SHARE
    meter_fresh: bool
    meter_still_s: float  # for how long the meter's value has not moved at all
    meter_repeats: int  # and how often it has said it again
    meter_finest_w: float  # the smallest change it has ever shown; infinity: it has not changed yet
    contrary_steps: int  # switchings in a row at which grid power went the wrong way
    sign_proven: bool  # it has gone the right way at a switching, since the daemon was started
    plug_silent: bool  # it says nothing any more, for longer than it ever should while it is on
    nothing_flows: bool  # by grid power, which fell by the whole draw, and nobody has measured since
    high_steps: int  # clear steps in a row, at switchings, of far more than the draw
    high_w: float  # and of how much
    high_explained: bool  # the only one of them: what was too much of it has gone off again
    level_if_high: float  # of the thermal image, if the only one of them was the lead
    steps_late: bool  # it shows the switchings too late to judge by, or not at all
    refused_in_row: int  # messages from the meter
    topics_refused: bool  # the broker does not let us read all that we must
    budget_spent: bool  # a start is wanted and none is free
    clock_jumped: bool
    store_failing: bool
    history_failing: bool = False
    told_in_floods: bool = False  # commands or reports of the plug come faster than anybody means them
    read_in_floods: bool = False  # readings come faster than they can be handled
    idle: bool = False  # the plug's last word since the wish last changed, however old, is that nothing flows
    late: bool = False  # what is heard and done comes too late, and has for a while
    battery_silent: bool = False  # there is one, and nothing fresh is known of it
    battery_gives_w: float = 0.0  # what it gives, to whom ever, where a start is near
    battery_contrary: int = 0  # times in a row its level went against its power
    battery_feeds_w: float = 0.0  # and what of that goes into the car, where it is not to
    battery_rests: bool = True  # the house imports beside it, or what is left over carries the lead
    fuse_over_w: float | None = None  # so much more than the main fuse is to carry is taken; below nought: less
    fuse_short_w: float | None = None  # and by how much the lead's phase would with it
    name_shared: bool = False  # another load claims by this charger's name
    payloads_exchanged: bool = False  # told off the plug goes on, and told on it goes off
    step_evened: bool = False  # an inverter that holds sun back may have evened out the relay's last step
    joint_grown: int = NOTHING  # how grave it is what the joints lose more than at first: a grade of joint.py,
    joint_over: int = NOTHING  # and what they lose more than any circuit in order
    joint_lost_w: float | None = None  # how much the larger of the two is; None: nothing, or it is not known in watts
    look_due: bool = False  # nobody has looked at plug and socket for too long
    relay_worn: bool = False  # it has switched its load as often as it is rated for
    beyond_limit: bool = False  # a charge begun as a trial sees more export than is let out
    sun_carries: bool = False  # what is left over carries the lead, be it on or off


Question = Callable[[Situation, Limits], bool]


class Fault(NamedTuple):
    """One row. Seconds for times; sentence and remedy as the owner reads them.

    ``shows`` names the field of a :class:`Situation` whose value, when it was raised, the owner is told.
    """

    code: str
    severity: int  # NOTE, HOLD (no start), END (off, after the minimum-on time), TRIP (off, now)
    evidence: Question
    after_s: float
    sentence: str
    remedy: str
    latches: bool = False
    third_latches: bool = False  # raised for the third time in a row, each within a day of the one before
    cooldown_s: float = 0.0
    cooldown_most_s: float = 0.0
    clear: Question | None = None
    shows: str = ""
    over: Question | None = None  # what shows that it is over, however long it was to last
    on_site: bool = False  # nobody can say from afar that it is over: the socket wants to be looked at
    tried_anew: bool = False  # as soon as somebody enables again, or asks for a charge: a car may have come

    @property
    def may_latch(self) -> bool:
        return self.latches or self.third_latches


OVER_READINGS = 2
# Of the nominal voltage. EN 50160: in 95 % of a week's ten-minute means the supply is within 10 %; none is higher, nor
# lower than 15 %.
HIGH_MEAN_SHARE, LOW_MEAN_SHARE, LOWEST_MEAN_SHARE = 1.10, 0.90, 0.85
BACK_SHARE = 0.005  # so far within, it counts as within again
# Our own: a network in order does not go so high for long, and devices are not made for it. So far above it is, as a
# rule, the neutral that is broken somewhere: the phases then share their voltages out by what is switched on.
TRIP_VOLTS_SHARE, DANGEROUS_VOLTS_SHARE = 1.15, 1.20
DROP_SHARE = 0.05  # on the way to the socket: the most that IEC 60364-5-52 advises (from memory)
LARGE_DROPS = 3  # in a row: one may be somebody's oven
NO_LOAD_SHARE = 0.05  # of the configured draw: below this, nothing charges
HIGH_SHARE, LOW_SHARE = 1.2, 0.7  # EN 50160 explains 10 %; a car near full draws less
STEPS_TO_TEST, STEPS_TO_BELIEVE = 2, 3
JUDGED_S = LATEST_S + 2 * SIDE_S  # a charge must last so long until its own step is judged, or it teaches nothing
# A kettle has long boiled by then, and most clouds have gone, or ended the charge; what 13 A heat in a socket for 10 A
# in that time, and in the second charge that shows it once more, is within what the image allows.
HIGH_WAITS_S = 900.0
REPEATS_TO_BELIEVE = 8
FROZEN_AFTER_S, FROZEN_REPEATS = 720.0, 30  # of a meter that froze in the middle of a charge
FINE_W = 5.0
ALIVE_S, ALIVE_C = 3600.0, 1.0  # a sensor that sits where it should warms by so much in a charge of so long
COOLED_C = 15.0  # below the temperature that trips, a socket counts as cooled
STUCK_AFTER_S = 20.0  # a relay has so long to go off, and its meter to see it
# A motor has started by then. A fuse carries what is a little too much for an hour, and 1.6 times its rating for
# minutes (IEC 60269-1, gG: conventional time and currents, from memory).
FUSE_AFTER_S = 10.0
BATTERY_SHARE = 0.25  # of the draw: the import that ends a charge by default, too
BATTERY_AFTER_S = 120.0  # a cloud has passed by then, or ended the charge
BATTERY_TIMES = 2
FUSE_ROOM_W = 100.0  # so much less than the most counts as room again


def flows(power_w: float, limits: Limits) -> bool:
    """Say whether that is more than a lead and a sleeping car take."""
    return power_w > max(30.0, NO_LOAD_SHARE * limits.draw_w)


def _flows(now: Situation, limits: Limits) -> bool:
    return now.power_w is not None and flows(now.power_w, limits)


def _frozen(now: Situation) -> bool:
    """Say whether a live meter stands still where it ought to move.

    Still since the relay's own step: every meter must have seen that, unless an inverter evened it out. Still for long
    in the middle of a charge: held only against one that has shown that it resolves finely. Sun and household do not
    hold still to a few watts for a quarter of an hour; but a meter that counts in tenths of a kilowatt may well repeat
    itself at noon, and so may one that a house battery holds at nought. One that speaks seldom has the longer time that
    its repetitions take.
    """
    if now.meter_still_s >= now.wanted_s and now.meter_repeats >= REPEATS_TO_BELIEVE and not now.step_evened:
        return True
    fine = now.meter_finest_w < FINE_W
    return fine and now.meter_still_s >= FROZEN_AFTER_S and now.meter_repeats >= FROZEN_REPEATS


def _high_to_be_tested(now: Situation, limits: Limits) -> bool:
    """Say whether a charge has to end because of high steps, so that a further one may show.

    Two are enough. A single one is as a rule a kettle or a cloud in the same moment, some ten times in a house-year
    where the plug does not measure. It is given time to be explained, unless the socket would be too hot by then if it
    is true.
    """
    if not now.wants_on or now.wanted_s < JUDGED_S:
        return False
    waited = now.wanted_s >= HIGH_WAITS_S or now.level_if_high >= TRIP_LEVEL
    return now.high_steps >= STEPS_TO_TEST or (now.high_steps == 1 and not now.high_explained and waited)


def _volts_twice(now: Situation) -> float:
    """Return what the last two readings of the voltage reached, both; nought where there are not two."""
    return min(now.voltage_v or 0.0, now.voltage_before_v or 0.0)


FAULTS = (
    Fault(
        "over-current",
        TRIP,
        # One reading may be the plug's slip, or what a car takes in as it begins; two are not, nor is one far beyond.
        # Those without current do not break the row: a plug that speaks seldom is switched off by `draw-high` before it
        # can say it twice.
        lambda now, limits: (
            now.current_a is not None
            and now.current_a > limits.instant_a
            and (now.over_readings >= OVER_READINGS or now.current_a >= limits.far_a)
        ),
        after_s=0.0,
        latches=True,
        cooldown_s=900.0,
        cooldown_most_s=900.0,
        shows="current_a",
        sentence="The plug measured far more current than the socket is rated for.",
        remedy="Switch the circuit off at the fuse board before you touch anything, then unplug. Look for damage to "
        "lead, plug and socket, and for a wrong current setting, before you go on.",
        on_site=True,
    ),
    Fault(
        "socket-overload",
        TRIP,
        lambda now, limits: now.level >= TRIP_LEVEL,
        after_s=0.0,
        cooldown_s=600.0,
        third_latches=True,
        cooldown_most_s=9600.0,
        clear=lambda now, limits: now.level <= limits.thermal.rearm_level,
        sentence="By its thermal image, the socket has carried too much current for too long.",
        remedy="Set the lead to a lower current. It goes on by itself once the image has cooled; not after the third "
        "time, each within a day of the one before: then first look at plug and socket.",
        on_site=True,
    ),
    Fault(
        "socket-load-high",
        NOTE,
        lambda now, limits: now.level >= limits.thermal.alarm_level,
        after_s=0.0,
        sentence="By its thermal image, the socket is close to what it may carry.",
        remedy="Feel plug and socket: a bad contact is hotter than the image. A lower current is easier on both.",
    ),
    Fault(
        "socket-hot",
        TRIP,
        lambda now, limits: now.temperature_c is not None and now.temperature_c >= limits.hot_c,
        after_s=3.0,
        latches=True,
        cooldown_s=1800.0,
        cooldown_most_s=1800.0,
        clear=lambda now, limits: now.temperature_c is not None and now.temperature_c <= limits.hot_c - COOLED_C,
        shows="temperature_c",
        sentence="The sensor at the socket reports that it is too hot.",
        remedy="Switch the circuit off at the fuse board, touch nothing while it is hot, and unplug once it has "
        "cooled. Have a licensed electrician look at the socket before you go on.",
        on_site=True,
    ),
    Fault(
        "temperature-lost",
        END,
        lambda now, limits: now.temperature_missing,
        after_s=15.0,
        sentence="The temperature sensor at the socket is silent.",
        remedy="See whether it publishes, and whether its topic and pointer are right.",
    ),
    Fault(
        "temperature-doubted",
        NOTE,
        lambda now, limits: (
            now.wants_on
            and now.wanted_s >= ALIVE_S
            and now.warmed_c is not None
            and now.warmed_c < ALIVE_C
            and (now.power_w is None or _flows(now, limits))
        ),
        after_s=0.0,
        clear=lambda now, limits: now.warmed_c is None or now.warmed_c >= ALIVE_C,
        sentence="The sensor at the socket did not warm by one degree in an hour of charging: it may see only the air.",
        remedy="See whether it sits firmly on the plug, close to the pins. As it is, it may not see a hot contact.",
    ),
    Fault(
        "relay-not-on",
        TRIP,
        lambda now, limits: bool(now.link_up) and now.wants_on and not now.confirmed and not now.was_confirmed,
        after_s=30.0,
        cooldown_s=600.0,
        cooldown_most_s=9600.0,
        sentence="The relay was told to switch on, but does not report that it did.",
        remedy="See whether the plug is powered and connected. If it never obeyed: whether relay.topic and "
        "on_payload are right, then topic and values of relay.feedback.",
    ),
    Fault(
        "switched-elsewhere",
        TRIP,
        lambda now, limits: now.wants_on and now.was_confirmed and now.reported is False,
        after_s=2.0,
        cooldown_s=900.0,
        cooldown_most_s=900.0,
        sentence="Somebody, or the plug itself, switched off while a charge ran. It is left off for a while.",
        remedy="Nothing, if it was you. To keep it off, disable charging.",
    ),
    Fault(
        "relay-not-off",
        HOLD,
        lambda now, limits: bool(now.link_up) and not now.wants_on and not now.confirmed,
        after_s=30.0,
        sentence="The relay was told to switch off, but has not confirmed it. It is being told again and again.",
        remedy="See whether the plug is powered and connected. If it never obeyed: whether relay.topic and "
        "off_payload are right, then topic and values of relay.feedback.",
    ),
    Fault(
        "payloads-exchanged",
        TRIP,
        lambda now, limits: now.payloads_exchanged,
        after_s=0.0,
        latches=True,
        sentence="Told off, the plug goes on, and told on it goes off: on_payload and off_payload are exchanged. It is "
        "kept off with what on_payload holds.",
        remedy="See that it is off. Exchange on_payload and off_payload of [relay] in the configuration, restart, and "
        "acknowledge. No relay is welded: a relay-stuck-on from before it was found can be acknowledged as well.",
    ),
    Fault(
        "relay-stuck-on",
        TRIP,
        lambda now, limits: (
            not now.wants_on
            and now.told_off_s >= STUCK_AFTER_S
            and ((now.power_after_s >= STUCK_AFTER_S and _flows(now, limits)) or now.reported_on_after_off)
        ),
        after_s=20.0,
        latches=True,
        sentence="The relay was told to switch off, but current still flows, or it reports to be on.",
        remedy="Go and look, now. If it is on, switch the circuit off at the fuse board before you unplug. One that "
        "obeyed before may be welded: replace it. One that never did: on_payload and off_payload may be exchanged, or "
        "on_value and off_value; `surpluscharge commission` finds out which, with nothing in the plug.",
        on_site=True,
    ),
    Fault(
        "draw-high",
        TRIP,
        lambda now, limits: now.power_w is not None and now.power_w > HIGH_SHARE * limits.draw_w,
        after_s=20.0,
        cooldown_s=900.0,
        cooldown_most_s=14400.0,
        shows="power_w",
        sentence="The charger draws clearly more than configured.",
        remedy="See what current the lead is set to, and correct the lead or the configuration. If plug or socket is "
        "hot, switch the circuit off at the fuse board before you unplug.",
    ),
    Fault(
        "lead-high-tested",
        END,
        _high_to_be_tested,
        after_s=0.0,
        cooldown_s=30.0,
        cooldown_most_s=30.0,
        shows="high_w",
        sentence="Grid power moved by far more than the lead should draw. The charge ends early, to see whether it "
        "does again.",
        remedy="See what current the lead is set to. A kettle at the same moment can do that, too: the next times will "
        "show it.",
    ),
    Fault(
        "lead-high",
        TRIP,
        lambda now, limits: now.high_steps >= STEPS_TO_BELIEVE,
        after_s=0.0,
        latches=True,
        shows="high_w",
        sentence="At several switchings in a row, grid power moved by far more than the lead should draw: it seems to "
        "be set to a higher current.",
        remedy="Feel plug and socket. Set the lead to the configured current; or, where the socket may carry it, "
        "correct `current_a` in the configuration.",
    ),
    Fault(
        "draw-low",
        NOTE,
        lambda now, limits: (
            now.wants_on and _flows(now, limits) and now.power_w is not None and now.power_w < LOW_SHARE * limits.draw_w
        ),
        after_s=600.0,
        shows="power_w",
        sentence="The charger draws clearly less than configured: the car may be nearly full, or the lead set lower.",
        remedy="If the lead was set to another current, put it into the configuration.",
    ),
    Fault(
        "no-load",
        END,
        lambda now, limits: now.wants_on and (now.idle or (now.power_w is not None and not _flows(now, limits))),
        after_s=600.0,
        cooldown_s=1800.0,
        cooldown_most_s=7200.0,
        sentence="Nothing charges: the car is full, asleep or unplugged. It will be tried again later.",
        remedy="Nothing, if that is so. To have it tried at once, disable and enable.",
        tried_anew=True,
    ),
    Fault(
        "plug-silent",
        TRIP,
        lambda now, limits: now.wants_on and now.plug_silent,
        after_s=0.0,
        cooldown_s=300.0,
        cooldown_most_s=4800.0,
        sentence="The plug fell silent while it was on: nobody knows what flows, nor whether it hears an off.",
        remedy="Go and look whether it is off. See whether it has power and a good connection; if it is in order and "
        "only speaks seldom, give `relay.silent_s`.",
    ),
    Fault(
        "no-flow",
        END,
        lambda now, limits: now.wants_on and now.nothing_flows,
        after_s=600.0,  # a cloud that goes for good can look the same; until then it is only not booked
        cooldown_s=1800.0,
        cooldown_most_s=7200.0,
        sentence="Grid power fell by the lead's whole draw and has not come back: nothing seems to flow. It will be "
        "tried again later.",
        remedy="Nothing, if the car is full or unplugged. Otherwise see whether the plug has power and a "
        "connection. To have it tried at once, disable and enable.",
        tried_anew=True,
    ),
    Fault(
        "battery-silent",
        NOTE,  # as with the meter's, the machine does what is needed
        lambda now, limits: now.battery_silent,
        after_s=15.0,
        sentence="There is no fresh reading of the house's battery, so nobody knows what is left over.",
        remedy="See whether it publishes, and whether topic and pointer of [battery.power] are right.",
    ),
    Fault(
        "battery-gives",
        HOLD,
        lambda now, limits: not now.wants_on and now.battery_gives_w > 2 * REST_W,
        after_s=0.0,
        clear=lambda now, limits: now.wants_on or now.battery_gives_w <= REST_W,
        shows="battery_gives_w",
        sentence="The battery serves the house: it would serve the car as well, so no charge is started.",
        remedy="Nothing: a charge by plan waits until it is empty, or is held by a program of its own. Where it may "
        "serve the car, set `into_car` of [battery].",
    ),
    Fault(
        "battery-feeds-car",
        END,
        lambda now, limits: now.wants_on and now.battery_feeds_w > max(REST_W, BATTERY_SHARE * limits.draw_w),
        after_s=BATTERY_AFTER_S,
        cooldown_s=900.0,
        cooldown_most_s=3600.0,
        clear=lambda now, limits: now.battery_rests,  # else the next charge by plan would be fed as well
        shows="battery_feeds_w",
        over=lambda now, limits: now.sun_carries,  # it was a cloud
        sentence="What the car takes comes from the house's battery, where it is not to.",
        remedy="Nothing, if a cloud did it: it is over once the sun carries the lead. Where the battery may serve the "
        "car, set `into_car` of [battery].",
    ),
    Fault(
        "battery-sign",
        TRIP,
        lambda now, limits: now.battery_contrary >= BATTERY_TIMES,
        after_s=0.0,
        latches=True,
        sentence="The battery's level falls while its power says that it is charged, or rises while it gives: its sign "
        "seems to be wrong.",
        remedy="Change `measures` of [battery.power] in the configuration, and restart.",
    ),
    Fault(
        "fuse-overloaded",
        TRIP,
        lambda now, limits: now.wants_on and now.fuse_over_w is not None and now.fuse_over_w > 0.0,
        after_s=FUSE_AFTER_S,
        cooldown_s=300.0,
        cooldown_most_s=4800.0,
        shows="fuse_over_w",
        sentence="The house takes more than its main fuse is to carry, so the charger makes room.",
        remedy="See what else is on. It is tried again later; where it happens often, charge at other hours, or set "
        "the lead to a lower current.",
    ),
    Fault(
        "fuse-full",
        HOLD,
        lambda now, limits: not now.wants_on and now.fuse_short_w is not None and now.fuse_short_w > 0.0,
        after_s=0.0,
        clear=lambda now, limits: now.wants_on or now.fuse_short_w is None or now.fuse_short_w <= -FUSE_ROOM_W,
        shows="fuse_short_w",
        sentence="With the lead the house would take more than its main fuse is to carry: no charge is started.",
        remedy="Nothing, if much else is on. Otherwise see import_limit_w of [main_fuse].",
    ),
    Fault(
        "rest-due",
        END,
        lambda now, limits: now.wants_on and now.run_s >= limits.rest_after_s and now.run_a >= limits.rest_above_a,
        after_s=0.0,
        clear=lambda now, limits: not now.wants_on and now.wanted_s >= limits.rest_s,
        sentence="After a long run at high current the socket has a rest.",
        remedy="Nothing. A lower current setting needs fewer rests.",
    ),
    Fault(
        "meter-silent",
        NOTE,  # the machine itself does what is needed, at once
        lambda now, limits: not now.meter_fresh,
        after_s=15.0,
        sentence="There is no fresh reading from the meter.",
        remedy="See whether the meter publishes, and whether its topic and pointer are right.",
    ),
    Fault(
        "meter-frozen",
        TRIP,
        lambda now, limits: (
            now.wants_on and now.meter_fresh and _frozen(now) and (now.power_w is None or _flows(now, limits))
        ),
        after_s=180.0,
        cooldown_s=1800.0,
        cooldown_most_s=14400.0,
        sentence="The meter sends the same value on and on, across the relay's own switching or for 15 minutes.",
        remedy="Restart the meter or what publishes for it, and see whether the value moves when a kettle is on.",
    ),
    Fault(
        "meter-sign-doubted",
        NOTE,  # a kettle can imitate it, and in simulated years it does; a charge that ends early yields the next step
        lambda now, limits: 0 < now.contrary_steps < STEPS_TO_BELIEVE,
        after_s=0.0,
        sentence="Grid power went the wrong way when the charger was switched.",
        remedy="Nothing yet: a cloud or a kettle can do that. If it is the meter's sign, the next times will show it.",
    ),
    Fault(
        "meter-sign-tested",
        END,
        # A sign that was right once is doubted at the second step only; one that never was, at the first: with a wrong
        # one set at installation, the first charge must not go on through the night.
        lambda now, limits: now.wants_on and now.contrary_steps >= (STEPS_TO_TEST if now.sign_proven else 1),
        after_s=0.0,
        cooldown_s=30.0,
        cooldown_most_s=30.0,
        sentence="Grid power went the wrong way at the switching. The charge ends early, to see whether it does again.",
        remedy="See whether import and export are the right way round in the status: the meter's sign may be wrong.",
    ),
    Fault(
        "meter-sign",
        TRIP,
        lambda now, limits: now.contrary_steps >= STEPS_TO_BELIEVE,
        after_s=0.0,
        latches=True,
        sentence="Import falls when the charger starts and rises when it stops: the meter's sign seems to be wrong.",
        remedy="Change `measures` of the meter in the configuration (net-import to net-export or back), and restart. "
        "Where there is a [battery], see its sign first.",
    ),
    Fault(
        "export-beyond-limit",
        END,
        lambda now, limits: now.wants_on and now.beyond_limit,
        after_s=300.0,  # an inverter may hold its limit on an average of minutes
        cooldown_s=3600.0,
        cooldown_most_s=14400.0,
        sentence="More is exported than limit_w of [export_limit] lets out, beside a charge that was begun to try "
        "whether more sun is there.",
        remedy="See whether the limit is the inverter's, and whether import and export are the right way round in the "
        "status: with the meter's sign turned round, what is bought looks like that.",
    ),
    Fault(
        "meter-late",
        NOTE,
        lambda now, limits: now.steps_late,
        after_s=0.0,
        sentence="The meter shows the charger's switching more than a minute late, or not at all: its sign cannot be "
        "checked, and the draw cannot be learned.",
        remedy="A meter that answers within seconds is safer. If it does: the car may take nothing, or a house battery "
        "may even it out.",
    ),
    Fault(
        "readings-refused",
        NOTE,
        lambda now, limits: now.refused_in_row >= 5,
        after_s=0.0,
        cooldown_s=600.0,
        cooldown_most_s=600.0,
        sentence="The meter sends what cannot be used.",
        remedy="See refused_messages in the status and message_refused in the log, and correct topic, pointer or unit.",
    ),
    Fault(
        "starts-spent",
        NOTE,
        lambda now, limits: now.budget_spent,
        after_s=0.0,
        sentence="There would be enough export, but the starts allowed for this hour or day are used up.",
        remedy="Nothing. If it happens often, higher start thresholds or longer delays help.",
    ),
    Fault(
        "voltage-dangerous",
        TRIP,
        lambda now, limits: now.voltage_v is not None and _volts_twice(now) > DANGEROUS_VOLTS_SHARE * limits.nominal_v,
        after_s=0.0,
        latches=True,
        cooldown_s=900.0,
        cooldown_most_s=900.0,
        shows="voltage_v",
        sentence="The mains voltage is far too high, more than 20 % above nominal: probably a neutral is broken.",
        remedy="Danger. Switch off at the fuse board, and touch neither lead nor car nor plug before. Call the network "
        "operator, or a licensed electrician, at once. Other devices of the house are at risk, too.",
        on_site=True,
    ),
    Fault(
        "voltage-out",
        TRIP,
        lambda now, limits: (
            now.voltage_v is not None
            and _volts_twice(now) <= DANGEROUS_VOLTS_SHARE * limits.nominal_v  # else see above
            and (
                _volts_twice(now) > TRIP_VOLTS_SHARE * limits.nominal_v
                or now.voltage_v > DANGEROUS_VOLTS_SHARE * limits.nominal_v
            )
        ),
        after_s=0.0,
        cooldown_s=300.0,
        cooldown_most_s=2400.0,
        shows="voltage_v",
        sentence="The mains voltage is too high: more than 15 % above nominal twice in a row, or once more than 20 %.",
        remedy="If it happens again, tell your network operator. Where lamps get brighter and dimmer, a neutral may be "
        "working loose: switch off at the fuse board, and call a licensed electrician.",
    ),
    Fault(
        "voltage-high",
        END,
        lambda now, limits: (
            now.voltage_mean_v is not None
            and now.voltage_mean_v > HIGH_MEAN_SHARE * limits.nominal_v
            and (now.voltage_mean_whole or not now.wants_on)
        ),
        after_s=0.0,
        cooldown_s=600.0,
        cooldown_most_s=2400.0,
        clear=lambda now, limits: (
            now.voltage_mean_v is None or now.voltage_mean_v <= (HIGH_MEAN_SHARE - BACK_SHARE) * limits.nominal_v
        ),
        shows="voltage_mean_v",
        sentence="Even under the lead's load the voltage is, or would be, 10 % above nominal over ten minutes.",
        remedy="Nothing, now and then at noon: the sun lifts it. If it lasts, tell your network operator (EN 50160).",
    ),
    Fault(
        "voltage-low",
        HOLD,
        lambda now, limits: (
            not now.wants_on
            and (
                (now.voltage_free_v is not None and now.voltage_free_v < LOW_MEAN_SHARE * limits.nominal_v)
                or (now.voltage_mean_v is not None and now.voltage_mean_v < LOWEST_MEAN_SHARE * limits.nominal_v)
            )
        ),
        after_s=0.0,
        clear=lambda now, limits: (
            (now.voltage_free_v is None or now.voltage_free_v >= (LOW_MEAN_SHARE + BACK_SHARE) * limits.nominal_v)
            and (
                now.voltage_mean_v is None or now.voltage_mean_v >= (LOWEST_MEAN_SHARE + BACK_SHARE) * limits.nominal_v
            )
        ),
        shows="voltage_v",
        sentence="Over ten minutes the voltage is 10 % below nominal, or under the lead's load would be 15 % below.",
        remedy="If it lasts, tell your network operator (EN 50160). Where lamps get brighter and dimmer, a neutral may "
        "be working loose: switch off at the fuse board, and call a licensed electrician.",
    ),
    Fault(
        "voltage-sags",
        END,
        lambda now, limits: (
            now.wants_on
            and (
                (now.voltage_drop_v is not None and now.voltage_drop_v > DROP_SHARE * limits.nominal_v)
                or (
                    now.voltage_mean_whole
                    and now.voltage_mean_v is not None
                    and now.voltage_mean_v < LOWEST_MEAN_SHARE * limits.nominal_v
                )
            )
        ),
        after_s=0.0,
        cooldown_s=1800.0,
        cooldown_most_s=14400.0,
        shows="voltage_drop_v",
        sentence="Under the lead's load the voltage sinks by more than 5 %, or is 15 % below nominal over ten minutes.",
        remedy="Smell and look at plug and socket. It is tried again later; a lower current sinks it less. If it comes "
        "back, switch the circuit off at the fuse board: a joint may be getting hot. Call a licensed electrician.",
    ),
    Fault(
        "circuit-resistance",
        TRIP,
        lambda now, limits: now.large_drops >= LARGE_DROPS,
        after_s=0.0,
        latches=True,
        shows="voltage_drop_v",
        sentence="Three times in a row the voltage sank by more than 5 % under load: something on the way gets hot.",
        remedy="Switch the circuit off at the fuse board, then unplug. Have a licensed electrician look for a bad "
        "joint, or a line too thin or too long, before you go on. Acknowledging forgets what was learned.",
        on_site=True,
    ),
    Fault(
        "joint-high",
        NOTE,
        lambda now, limits: now.joint_over == JOINT_NOTE,
        after_s=0.0,
        shows="joint_lost_w",
        sentence="More is lost on the way to the plug than in a circuit in order: a long or thin line, or a bad joint.",
        remedy="Feel plug and socket after an hour of charging. Have a licensed electrician measure the circuit and "
        "look for a bad joint: what was bad from the beginning cannot be seen to grow.",
    ),
    Fault(
        "joint-grows",
        NOTE,
        lambda now, limits: now.joint_grown == JOINT_NOTE,
        after_s=0.0,
        shows="joint_lost_w",
        sentence="Between house meter and car something has begun to lose more than it did: maybe a joint that ages.",
        remedy="Switch the circuit off at the fuse board, then unplug. Look at pins and socket: brown, dull, soft or "
        "loose means stop, and a licensed electrician. Then say so: surpluscharge looked. It may also be "
        "something else that runs with the lead now.",
    ),
    Fault(
        "joint-lossy",
        HOLD,
        lambda now, limits: now.joint_over == JOINT_HOLD,
        after_s=0.0,
        latches=True,
        shows="joint_lost_w",
        sentence="Far more is lost on the way to the plug than in a circuit in order: a joint may be hot.",
        remedy="Switch the circuit off at the fuse board, then unplug. Have a licensed electrician measure the circuit "
        "and look for a bad joint before you go on. Acknowledging forgets what was learned; what is bad shows again.",
        on_site=True,
    ),
    Fault(
        "joint-grown",
        HOLD,
        lambda now, limits: now.joint_grown == JOINT_HOLD,
        after_s=0.0,
        latches=True,
        shows="joint_lost_w",
        sentence="Between house meter and car clearly more is lost than at first: a joint has got worse.",
        remedy="Switch the circuit off at the fuse board, then unplug. Look at pins and socket: brown, dull, soft or "
        "loose means stop, and a licensed electrician. Once mended, acknowledge it, and say so: surpluscharge looked.",
        on_site=True,
    ),
    Fault(
        "joint-bad",
        TRIP,
        lambda now, limits: (
            now.joint_grown == JOINT_LATCH
            or (now.joint_over == JOINT_LATCH and now.large_drops < LARGE_DROPS)  # else see above
        ),
        after_s=0.0,
        latches=True,
        shows="joint_lost_w",
        sentence="A joint on the way to the car loses so much that it must be hot.",
        remedy="Switch the circuit off at the fuse board, touch nothing while it is hot, and unplug once it has "
        "cooled. Have a licensed electrician find the joint. Once mended, "
        "acknowledge it, and say so: surpluscharge looked.",
        on_site=True,
    ),
    Fault(
        "look-due",
        NOTE,
        lambda now, limits: now.look_due,
        after_s=0.0,
        sentence="It is time that somebody looks at the pins and the socket: nothing here sees what an eye does.",
        remedy="Switch the circuit off at the fuse board, then unplug. Brown, dull, soft or loose means stop, and a "
        "licensed electrician. Then say so: surpluscharge looked.",
    ),
    Fault(
        "relay-worn",
        NOTE,
        lambda now, limits: now.relay_worn,
        after_s=0.0,
        sentence="The relay has switched its load as often as it is rated for: its contacts may get hot, or weld.",
        remedy="Replace it, and say so: surpluscharge changed plug. Or see whether contacts.rated_operations is "
        "what its data sheet says.",
    ),
    Fault(
        "clock-jump",
        NOTE,
        lambda now, limits: now.clock_jumped,
        after_s=0.0,
        cooldown_s=3600.0,
        cooldown_most_s=3600.0,
        sentence="The wall clock jumped. Delays and minimum times do not depend on it; a new session may begin oddly.",
        remedy="See whether the computer's time is synchronised.",
    ),
    Fault(
        "store-failing",
        TRIP,  # latches, budgets and the thermal image would not survive the next crash
        lambda now, limits: now.store_failing,
        after_s=0.0,
        sentence="What must outlive a restart cannot be written to the disk, so nothing is charged; nor would what is "
        "said now outlive it, such as that charging is disabled.",
        remedy="See whether the disk is full, worn out or read-only.",
    ),
    Fault(
        "topics-refused",
        END,
        lambda now, limits: now.topics_refused,
        after_s=0.0,
        sentence="The broker does not let the daemon read all of its topics, so nothing is charged.",
        remedy="See subscription_refused in the log for which ones, and correct the broker's access list.",
    ),
    Fault(
        "history-failing",
        NOTE,
        lambda now, limits: now.history_failing,
        after_s=0.0,
        sentence="What happens cannot be written into the ledger. Charging goes on; it is tried again.",
        remedy="See whether the disk is full, worn out or read-only, and run `surpluscharge history check`.",
    ),
    Fault(
        "commands-flooded",
        TRIP,
        lambda now, limits: now.told_in_floods,
        after_s=0.0,
        latches=True,
        sentence="More commands, or reports of the plug, came than can be heard; an off may have been lost among them.",
        remedy="See what sends so many, and stop it. Then say anew whether charging is allowed, and acknowledge.",
    ),
    Fault(
        "name-shared",
        NOTE,
        lambda now, limits: now.name_shared,
        after_s=0.0,
        sentence="Another load on this meter claims by this charger's name.",
        remedy="See which ones have the same `charger.name`, and give each its own: one may pass for the other.",
    ),
    Fault(
        "readings-flooded",
        NOTE,
        lambda now, limits: now.read_in_floods,
        after_s=0.0,
        cooldown_s=600.0,
        cooldown_most_s=600.0,
        sentence="Readings come faster than they can be handled. Of each topic the newest counts.",
        remedy="See what publishes so often: a reading every second or two is plenty.",
    ),
    Fault(
        "daemon-late",
        TRIP,
        lambda now, limits: now.late,
        after_s=0.0,
        cooldown_s=300.0,
        cooldown_most_s=2400.0,
        sentence="The computer or the broker is too busy: what is commanded or read comes too late.",
        remedy="See what keeps the computer, the broker or the network between them busy.",
    ),
    Fault(
        "broker-unheard",
        HOLD,
        lambda now, limits: now.hearing is False,
        after_s=0.0,
        sentence="The connection that brings readings and commands is lost, so no new charge is started.",
        remedy="Nothing, if it comes back by itself. Otherwise see whether the broker runs and can be reached.",
    ),
    Fault(
        "broker-lost",
        TRIP,  # to go on believing in "charging" would be wrong
        lambda now, limits: now.link_up is False,
        after_s=0.0,
        sentence="The relay's connection to the broker is lost. A broker that still runs switches the relay off in our "
        "name; if it has stopped, nobody can until it is back.",
        remedy="If a charge ran, go and look whether the relay is off. See whether the broker runs and can be reached; "
        "the daemon says off as soon as it is back.",
    ),
)
FAULT_BY_CODE = {fault.code: fault for fault in FAULTS}
_PLACE = {code: number for number, code in enumerate(FAULT_BY_CODE)}


class Record(NamedTuple):
    """What is remembered of one fault, also across restarts. Times in monotonic seconds."""

    code: str
    raised_s: float  # last
    times: int  # raised in a row, each within a day of the one before
    active: bool
    acknowledged: bool

    @property
    def fault(self) -> Fault:
        return FAULT_BY_CODE[self.code]

    @property
    def latches(self) -> bool:
        """Whether this raising waits for a person."""
        return self.fault.latches or (self.fault.third_latches and self.times >= 3)

    @property
    def cooldown_s(self) -> float:
        """How long this raising lasts at least."""
        fault = self.fault
        return min(fault.cooldown_s * 2.0 ** min(self.times - 1, 20), max(fault.cooldown_s, fault.cooldown_most_s))


class Supervisor:
    """Weighs evidence over time."""

    def __init__(self, records: Iterable[Record] = ()) -> None:
        self.records = {record.code: record for record in records if record.code in FAULT_BY_CODE}
        self.shown: dict[str, dict[str, float]] = {}  # by code: what was measured when it was last raised, by name
        self._evident_since_s: dict[str, float] = {}
        self._rows = [(fault.evidence, fault.code, fault) for fault in FAULTS]  # asked at each turn of the controller

    @property
    def active(self) -> tuple[Record, ...]:
        """The faults that count now, in the table's order."""
        active = [record for record in self.records.values() if record.active]
        if len(active) > 1:
            active.sort(key=lambda record: _PLACE.get(record.code, 0))
        return tuple(active)

    def judge(self, now: Situation, limits: Limits, now_s: float) -> int:
        """Return CLEAR, HOLD, END or TRIP."""
        verdict = CLEAR
        weighed = self._evident_since_s.keys() | self.records.keys() if self._evident_since_s else self.records
        for evidence, code, fault in self._rows:
            evident = evidence(now, limits)
            if not evident and code not in weighed:  # as a rule: there is nothing to weigh
                continue
            record = self.records.get(code)
            if evident:
                if record is not None and record.acknowledged and code not in self._evident_since_s:
                    # A look covers what was there at the time, not what comes back after it.
                    record = self.records[code] = record._replace(acknowledged=False)
                since_s = self._evident_since_s.setdefault(code, now_s)
                if (record is None or not record.active) and now_s >= since_s + fault.after_s:
                    again = record is not None and now_s < record.raised_s + DAY_S
                    record = Record(code, now_s, record.times + 1 if record and again else 1, True, False)
                    self.records[code] = record
                    if fault.shows and (value := getattr(now, fault.shows)) is not None:
                        self.shown[code] = {fault.shows: round(value, 1)}
            else:
                self._evident_since_s.pop(code, None)
            if record is not None and record.active:
                gone = not evident and (fault.clear is None or fault.clear(now, limits))
                cooled = now_s >= record.raised_s + record.cooldown_s
                cooled = cooled or (fault.over is not None and fault.over(now, limits))
                if gone and cooled and (record.acknowledged or not record.latches):
                    self.records[code] = record._replace(active=False)
                else:
                    verdict = max(verdict, fault.severity)
        return verdict

    def acknowledge(self, code: str | None) -> list[str]:
        """Note that a person has seen the latched faults (all, or one). Returns the codes this touched."""
        touched = [
            record.code
            for record in self.active
            if record.latches and not record.acknowledged and code in (None, record.code)
        ]
        for name in touched:
            self.records[name] = self.records[name]._replace(acknowledged=True)
        return touched

    def try_anew(self) -> None:
        """End the wait after what only said that nothing flowed: somebody who is there wants it to be tried."""
        for record in self.active:
            if record.fault.tried_anew:
                self.records[record.code] = record._replace(active=False)
                self._evident_since_s.pop(record.code, None)  # the relay may be on still, and a car draw in a moment

    def next_deadline(self, now_s: float) -> float:
        """Return when a verdict may next change by time alone; infinity: not before new evidence."""
        times = [
            since_s + FAULT_BY_CODE[code].after_s
            for code, since_s in self._evident_since_s.items()
            if code not in self.records or not self.records[code].active
        ] + [record.raised_s + record.cooldown_s for record in self.active]
        return min((time_s for time_s in times if time_s > now_s), default=float("inf"))
