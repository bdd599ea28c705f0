"""What the contacts have switched and carried, and when somebody is told to look at them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from surpluscharge.control import news
from surpluscharge.control.signals import Rejected
from surpluscharge.daemon.commands import NOTE_LIMIT, looked
from surpluscharge.daemon.telling import Reader
from surpluscharge.history.energy import MWS_PER_WH, NOTHING, Interval, ms_of
from surpluscharge.history.ledger import Batch, Charge, Ledger, Look, Retention, Shown
from surpluscharge.history.wear import Wear, WearRules, look_due, next_look_ms, worn
from tests.test_telling import FAULT, document
from tests.wire import Stage, until

ZONE = ZoneInfo("Europe/Lisbon")
BEGIN = datetime(2031, 1, 31, 10, 0, tzinfo=ZONE)
BEGIN_MS, HOUR_MS, DAY_MS = ms_of(BEGIN), 3_600_000, 86_400_000
RULES = WearRules(10_000, 14, 3, 3000.0)
VOLTS = 230.0


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "history.sqlite") as opened:
        yield opened


def charge(begin_ms: int, hours: float, amps: float, known: bool = True) -> Charge:
    lasted_ms = round(hours * HOUR_MS)
    energy = NOTHING
    if known:
        half_mws = round(amps * VOLTS * hours * MWS_PER_WH / 2)
        energy = energy._replace(known_ms=lasted_ms, on_ms=lasted_ms, solar_mws=half_mws, bought_mws=half_mws)
    return Charge(begin_ms, begin_ms, begin_ms + lasted_ms, "import-held", energy)


def test_wear_is_what_the_charges_came_to(ledger: Ledger) -> None:
    charges = [
        charge(BEGIN_MS, 2.0, 10.0),
        charge(BEGIN_MS + DAY_MS, 3.0, 10.2),
        charge(BEGIN_MS + 2 * DAY_MS, 1.5, 6.0),
        charge(BEGIN_MS + 3 * DAY_MS, 1.0, 0.0, known=False),  # nobody knows: it may have switched its load
        charge(BEGIN_MS + 4 * DAY_MS, 1.0, 0.1),  # the car was full
        charge(BEGIN_MS + 5 * DAY_MS, 1.0, 8.0)._replace(end_ms=None),  # it still runs
    ]
    ledger.write(Batch(charges=charges))
    found = ledger.wear(VOLTS)
    assert found == Wear(4, BEGIN_MS, ((6, 1.5), (10, 5.0)), pytest.approx(20 + 30.6 + 9, rel=1e-3), None)
    look = Look(BEGIN_MS + 2 * DAY_MS - 1, "pins bright")
    ledger.write(Batch(looks=[look]))
    assert ledger.wear(VOLTS) == found._replace(ampere_hours=pytest.approx(9.0), look=look)
    new_ms = BEGIN_MS + 2 * DAY_MS + 2 * HOUR_MS
    epoch = ledger.begin_epoch("plug", new_ms, "", new_ms)
    assert ledger.wear(VOLTS)[:3] == (1, BEGIN_MS + 3 * DAY_MS, found.hours_at)
    ledger.take_back_epoch(epoch.number, new_ms)
    ledger.begin_epoch("lead", new_ms, "", new_ms)  # the relay is the same
    assert ledger.wear(VOLTS).operations == 4


def test_nothing_charged_is_no_wear(ledger: Ledger) -> None:
    found = ledger.wear(VOLTS)
    assert found == Wear(0, None, (), 0.0, None)
    assert next_look_ms(found, RULES, ZONE) is None
    assert not look_due(found, RULES, BEGIN_MS + 1000 * DAY_MS, ZONE)


def test_looks_are_due_by_time_and_by_what_has_flowed() -> None:
    wear = Wear(5, BEGIN_MS, ((10, 5.0),), 50.0, None)
    assert next_look_ms(wear, RULES, ZONE) == BEGIN_MS + 14 * DAY_MS
    assert not look_due(wear, RULES, BEGIN_MS + 14 * DAY_MS - 1, ZONE)
    assert look_due(wear, RULES, BEGIN_MS + 14 * DAY_MS, ZONE)
    assert look_due(wear._replace(ampere_hours=3000.0), RULES, BEGIN_MS, ZONE)
    early = wear._replace(look=Look(BEGIN_MS + DAY_MS, ""))  # on the second day: the first weeks are to come
    assert next_look_ms(early, RULES, ZONE) == BEGIN_MS + 14 * DAY_MS
    then = datetime(2031, 11, 30, 18, 0, tzinfo=ZONE)
    looked_at = wear._replace(look=Look(ms_of(then), ""))  # three months later February has 29 days
    assert next_look_ms(looked_at, RULES, ZONE) == ms_of(datetime(2032, 2, 29, 18, 0, tzinfo=ZONE))
    yearly = RULES._replace(look_every_months=12)
    assert next_look_ms(looked_at, yearly, ZONE) == ms_of(datetime(2032, 11, 30, 18, 0, tzinfo=ZONE))
    summer = wear._replace(look=Look(ms_of(datetime(2031, 2, 20, 18, 0, tzinfo=ZONE)), ""))
    assert next_look_ms(summer, RULES, ZONE) == ms_of(datetime(2031, 5, 20, 18, 0, tzinfo=ZONE))  # by the wall clock


def test_a_relay_is_worn_at_its_rated_life() -> None:
    wear = Wear(9_999, BEGIN_MS, (), 0.0, None)
    assert not worn(wear, RULES)
    assert worn(wear._replace(operations=10_000), RULES)


# --- what is kept ----------------------------------------------------------------------------------------------------


def test_what_was_shown_and_looks_are_kept_and_written_once(ledger: Ledger) -> None:
    shown = [Shown(BEGIN_MS + n, measure, 0.4, 0.03, 10.0) for n in range(3) for measure in ("heat", "ohms", "wall")]
    looks = [Look(BEGIN_MS, "it was brown; replaced"), Look(BEGIN_MS + 5, "")]
    for _ in range(2):
        ledger.write(Batch(shown=shown, looks=looks))
    with Ledger(ledger.path, read_only=True) as reader:
        assert reader.shown() == shown
        assert reader.shown(BEGIN_MS + 1, BEGIN_MS + 2) == shown[3:6]
        assert reader.looks() == looks
    assert ledger.check(BEGIN_MS + DAY_MS, ZONE) == []


def test_what_is_old_is_thinned_out_and_looks_stay(ledger: Ledger) -> None:
    """Of two years and less all, then four a day of each measure, and after ten years none."""
    now_ms = BEGIN_MS + 12 * 366 * DAY_MS
    ages_days = {"ten": 3655, "five": 1800, "one": 365}
    shown = []
    for age_days in ages_days.values():
        day_ms = (now_ms - age_days * DAY_MS) // DAY_MS * DAY_MS
        times = [day_ms + quarter * HOUR_MS // 2 for quarter in range(48)]
        shown += [Shown(at_ms, measure, 0.4, 0.0, 10.0) for at_ms in times for measure in ("ohms", "wall")]
    look = Look(BEGIN_MS, "")
    # Retention looks at nothing where there is no reading at all.
    first = charge(now_ms - 3 * DAY_MS, 1.0, 10.0)
    ledger.write(Batch([Interval(first.begin_ms, first.end_ms or 0, first.energy)], [first], shown=shown, looks=[look]))
    for _ in range(2):
        ledger.retain(now_ms, ZONE, Retention(), None)
        left = ledger.shown()
        assert [sum(one.at_ms < now_ms - 3653 * DAY_MS for one in left)] == [0]
        middle = [one for one in left if one.at_ms < now_ms - 731 * DAY_MS]
        assert sorted({one.at_ms % DAY_MS // HOUR_MS for one in middle}) == [0, 6, 12, 18]
        assert len(middle) == 8
        assert len(left) - len(middle) == 96
        assert ledger.looks() == [look]


@pytest.mark.parametrize("spoilt", ["value = 1e9", "error = -1.0", "amps = 0.0"])
def test_what_cannot_have_been_shown_is_found(ledger: Ledger, spoilt: str) -> None:
    ledger.write(Batch(shown=[Shown(BEGIN_MS, "ohms", 0.4, 0.03, 10.0)]))
    ledger._db.execute(f"UPDATE shown SET {spoilt}")
    assert ["joints cannot be" in one.what for one in ledger.check(BEGIN_MS + DAY_MS, ZONE)] == [True]


# --- what is said ----------------------------------------------------------------------------------------------------


def test_a_look_is_read_or_refused() -> None:
    now = datetime.now(UTC)

    def read(payload: object) -> news.Looked:
        text = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        return looked(text, None, now)  # type: ignore[arg-type]

    assert read({}) == news.Looked("")
    assert "\x1b" not in read({"note": "pins bright\x1b[2J"}).note
    for wrong, why in (
        (b"pins bright", "not-json"),
        (b"[" * 100_000, "too-large"),
        (b"[" * 60_000, "not-json"),
        ([], "not-a-look"),
        ({"note": 3}, "not-a-look"),
        ({"remark": "x"}, "not-a-look"),
        ({"note": "x" * (NOTE_LIMIT + 1)}, "not-a-look"),
    ):
        with pytest.raises(Rejected) as refused:
            read(wrong)
        assert refused.value.reason == why


async def test_a_look_ends_the_reminder_and_is_kept(stage: Stage) -> None:
    """From the wire into the ledger, and from there into the status."""
    past_ms = ms_of(datetime.now(UTC)) - 20 * DAY_MS
    config = stage.config(history={"batch_s": 10})
    with Ledger(config.history_file) as ledger:
        ledger.write(Batch(charges=[charge(past_ms, 2.0, 10.0)]))
    async with stage.running(history={"batch_s": 10}) as daemon:
        wire = stage.wire
        daemon.service._history._wake.set()  # a batch is due
        await until(lambda: wire.status["contacts"] is not None, "what is on record of the contacts")
        assert wire.status["contacts"]["operations"] == 1
        assert wire.status["contacts"]["hours_at"] == {"10": 2.0}
        await until(lambda: [one["code"] for one in wire.status["faults"]] == ["look-due"], "the reminder")
        wire.publish("surpluscharge/shed/looked/set", '{"note": "pins bright"}')
        await until(lambda: wire.status["contacts"]["looked"] is not None, "the look, kept")
        await until(lambda: not wire.status["faults"], "no reminder any more")
        assert wire.status["contacts"]["ampere_hours"] == 0.0
    with Ledger(config.history_file, read_only=True) as ledger:
        (look,) = ledger.looks()
        assert look.note == "pins bright"
        assert abs(look.at_ms - ms_of(datetime.now(UTC))) < 60_000
        spans = ledger.faults(0, 1 << 60)
        assert [(span.code, span.end_ms is not None) for span in spans] == [("look-due", True)]


def test_somebody_is_told_once_to_look() -> None:
    due = FAULT | {"code": "look-due", "severity": "note", "latched": False}
    reader = Reader()
    for minute in range(3):
        found = reader.read(document(60.0 * minute, faults=[due]))
        assert [(one.about, one.key) for one in found] == ([("look", "look-due")] if not minute else [])
