"""What was changed in the house: nothing of before mixes with what comes after, and it can be taken back."""

from __future__ import annotations

import asyncio
import json
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from surpluscharge import cli
from surpluscharge.config.models import Store
from surpluscharge.control import news
from surpluscharge.control.controller import Controller
from surpluscharge.control.draw import Step
from surpluscharge.control.hidden import Outcome, Tried
from surpluscharge.daemon import planner as planner_module
from surpluscharge.history.energy import Sample, hold, ms_of
from surpluscharge.history.ledger import ANEW, WHAT, Batch, Ledger, LedgerError, epochs
from surpluscharge.history.report import as_json, as_text, build
from surpluscharge.planning import replay
from tests.test_mains import Plug, charges
from tests.test_planner import configured as planned_house
from tests.test_recorder import World, config_from
from tests.test_report import site, steady
from tests.test_steps import Home
from tests.wire import until

LISBON = ZoneInfo("Europe/Lisbon")
DAY = datetime(2031, 5, 14, tzinfo=LISBON)
DAY_MS = ms_of(DAY)
LATER_MS = ms_of(DAY + timedelta(days=30))


def test_the_table_at_the_head_of_the_room_is_the_one_that_holds() -> None:
    """Its columns stand where the heads do."""
    lines = (epochs.__doc__ or "").splitlines()
    (head,) = (line for line in lines if line.startswith("what was learned"))
    rows = {line.split("``")[1]: line for line in lines if line.startswith("``")}
    places = {what: head.index(what) for what in WHAT}
    read = {
        name: tuple(what for what, place in places.items() if "yes" in line[place - 1 : place + 5])
        for name, line in rows.items()
    }
    assert read == ANEW


def test_what_is_asked_for_begins_with_the_last_change_that_matters(tmp_path: Path) -> None:
    steps = [(DAY_MS + number * 3_600_000, Step(1000.0 + number, 10.0)) for number in range(-4, 4)]
    with Ledger(tmp_path / "h.sqlite") as ledger:
        ledger.write(Batch(steps=steps))
        before = ledger.edits()
        assert ledger.anew("draw") is None and len(ledger.steps(99, ledger.anew_ms("draw"))) == 8
        plug = ledger.begin_epoch("plug", DAY_MS + 1, "", LATER_MS)
        assert ledger.anew("draw") is None and ledger.anew("circuit") == plug  # a plug has no part in the draw
        lead = ledger.begin_epoch("lead", DAY_MS, "a longer one", LATER_MS)
        assert [step.step_w for step in ledger.steps(99, ledger.anew_ms("draw"))] == [1000.0, 1001.0, 1002.0, 1003.0]
        assert ledger.anew("circuit") == plug and ledger.anew("circuit", DAY_MS + 1) == lead
        assert ledger.epochs(DAY_MS, DAY_MS + 1) == [lead] and ledger.epochs() == [lead, plug]
        for complaint, what, begin_ms in (
            ("on record already", "lead", DAY_MS),
            ("still to come", "lead", LATER_MS + 1),
        ):
            with pytest.raises(LedgerError, match=complaint):
                ledger.begin_epoch(what, begin_ms, "", LATER_MS)  # type: ignore[arg-type]
        assert ledger.edits() != before
        ledger.take_back_epoch(lead.number, LATER_MS)
        assert len(ledger.steps(99, ledger.anew_ms("draw"))) == 8  # as though nothing had been said
        assert ledger.epochs() == [plug] and [one.undone_ms for one in ledger.all_epochs()] == [None, LATER_MS]
        for number, complaint in ((lead.number, "taken back already"), (7, "no change with the number 7")):
            with pytest.raises(LedgerError, match=complaint):
                ledger.take_back_epoch(number, LATER_MS)
        assert ledger.check(LATER_MS, LISBON) == []


async def test_a_running_daemon_heeds_it_with_what_it_writes_next(tmp_path: Path) -> None:
    world = World(tmp_path)
    draw_w = world.config.limits.draw_w
    wall_ms = ms_of(world.clock.wall())
    with Ledger(world.config.history_file) as ledger:
        ledger.write(Batch(steps=[(wall_ms - 3_600_000 + n, Step(draw_w + n, 5.0)) for n in range(6)]))
    world.historian.open()
    historian = world.historian
    assert historian.learned_w == pytest.approx(draw_w + 2.5, abs=2.0) and historian.changed_ms == 0
    async with world.living():
        with Ledger(world.config.history_file) as other:
            await asyncio.sleep(0.01)
            said = other.begin_epoch("meter", wall_ms - 60_000, "", wall_ms)
            await until(lambda: historian.changed_ms == wall_ms, "the daemon to see what was said")
            await until(lambda: historian.learned_w is None, "the draw to be forgotten")
            assert historian.changed(0) == news.Changed(wall_ms, meter=True, circuit=False, sun=False)
            assert historian.changed(wall_ms) == news.Changed(wall_ms, meter=False, circuit=False, sun=False)
            other.take_back_epoch(said.number, wall_ms)
            await until(lambda: historian.learned_w is not None, "the draw to be known again")
    assert historian.learned_w == pytest.approx(draw_w + 2.5, abs=2.0)
    assert world.failing == []


def test_what_switchings_taught_is_dropped_and_only_that(tmp_path: Path) -> None:
    world = World(tmp_path)
    taught, wired = Home(lag_s=5.0).cycle(4).steps, charges(Plug(0.6), 4).mains
    fresh = Controller(world.config.settings(), world.at())
    for meter, circuit in ((False, False), (True, False), (False, True)):
        controller = Controller(world.config.settings(), world.at(), fresh.kept()._replace(ohms=tuple(wired.ohms)))
        controller.lessons.steps = taught
        assert taught.lag_s is not None and taught.proven and controller.lessons.mains.learned is not None
        controller.tell(news.Changed(LATER_MS, meter, circuit, False), world.at())
        assert (taught.lag_s is None, taught.proven) == (meter, not meter)
        assert (controller.lessons.mains.learned is None) is circuit
        assert controller.kept().changed_ms == LATER_MS  # and so it is heeded once, also across a restart
        assert (controller.kept().ohms == ()) is circuit
        taught = Home(lag_s=5.0).cycle(4).steps


def test_another_house_begins_its_trials_anew_but_not_what_was_bought_today(tmp_path: Path) -> None:
    world = World(tmp_path)
    limit = {"limit_w": 800.0, "latitude_deg": 38.7, "longitude_deg": -9.1}
    tried = Tried(world.at().today, 3, 210.5, 1, 0.0, (Outcome(0.0, 0.7, True, False),))
    config = config_from(export_limit=limit)
    kept = Controller(config.settings(), world.at()).kept()._replace(tried=tried)
    for sun in (False, True):
        controller = Controller(config.settings(), world.at(), kept)
        controller.tell(news.Changed(1, False, False, sun), world.at())
        assert controller.kept().tried == (tried._replace(outcomes=()) if sun else tried)


def test_plans_replay_and_tuning_look_at_their_own_epoch(tmp_path: Path) -> None:
    config = planned_house().model_copy(update={"store": Store(directory=str(tmp_path))})
    noon = DAY + timedelta(days=3, hours=12)
    minutes = range(ms_of(DAY - timedelta(days=3)), ms_of(noon), 60_000)
    samples = [Sample(at_ms, -500.0 if at_ms >= DAY_MS else -900.0, 0.0, False) for at_ms in minutes]
    steps = [(DAY_MS + number * 3_600_000, Step(1380.0, 10.0)) for number in range(-6, 0)]
    with Ledger(config.history_file) as ledger:
        ledger.write(Batch(list(hold(samples, 60_000)), steps=steps))
        edits, before = planner_module._days(config, noon, (), {})
        assert min(before) == (DAY - timedelta(days=3)).date()
        known = len(replay.load_ledger(ledger.path, 120.0, 1300.0)[0].at_s)
        # A day that the change cuts in two is none of the new epoch's; what the planner has in memory goes as well.
        house = ledger.begin_epoch("house", DAY_MS + 3_600_000, "", ms_of(noon))
        _, after = planner_module._days(config, noon, edits, before)
        assert min(after) == date(2031, 5, 15) and after[min(after)] == before[min(after)]
        readings, draw_w = replay.load_ledger(ledger.path, 120.0, 1300.0)
        assert readings.at_s[0] == (DAY_MS + 3_600_000) / 1000 and set(readings.surplus_w) == {500.0}
        assert draw_w == 1380.0  # the lead is the same
        assert replay.since(ledger.path) == house
        ledger.take_back_epoch(house.number, ms_of(noon))
        assert len(replay.load_ledger(ledger.path, 120.0, 1300.0)[0].at_s) == known
        assert planner_module._days(config, noon, ledger.edits(), {})[1] == before
        ledger.begin_epoch("meter", DAY_MS, "", ms_of(noon))
        assert planner_module._days(config, noon, ledger.edits(), {})[1] == before
        readings, draw_w = replay.load_ledger(ledger.path, 120.0, 1300.0)
        assert (readings.at_s[0], draw_w) == (DAY_MS / 1000, 1300.0)


def test_a_report_has_a_line_where_it_lies_and_says_that_its_sums_go_across(tmp_path: Path) -> None:
    first, now = date(2031, 5, 12), datetime(2031, 6, 1, 12, tzinfo=LISBON)
    with steady(tmp_path / "h.sqlite", first, 4) as ledger:
        plain = as_text(build(ledger, first, date(2031, 5, 15), now, site(zone=LISBON)))
        ledger.begin_epoch("meter", DAY_MS, "after the storm\x1b[2J", ms_of(now))
        made = build(ledger, first, date(2031, 5, 15), now, site(zone=LISBON))
        text = as_text(made)
        lines = [line for line in text.splitlines() if line]
        place = next(number for number, line in enumerate(lines) if line.startswith("-- new meter from 14 May"))
        assert lines[place - 1].split()[:2] != lines[place + 1].split()[:2]
        assert "13" in lines[place - 1] and "14" in lines[place + 1]
        assert "the sums go across it" in " ".join(text.split()) and "\x1b" not in text
        assert [line for line in plain.splitlines() if line.startswith("--")] == []
        (change,) = json.loads(json.dumps(as_json(made)))["changes"]
        assert (change["what"], change["begin"]) == ("meter", "2031-05-14T00:00:00+01:00")
        since = as_text(build(ledger, date(2031, 5, 14), date(2031, 5, 15), now, site(zone=LISBON)))
        assert "New meter from 14 May, 00:00" in " ".join(since.split()) and "across" not in since
        assert as_json(build(ledger, first, date(2031, 5, 13), now, site(zone=LISBON)))["changes"] == []


def test_it_is_said_listed_and_taken_back_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "shed.toml"
    path.write_text(
        '[charger]\ncurrent_a = 6.0\n[[meter]]\ntopic = "house/grid"\n[relay]\ntopic = "plug/set"\n'
        f'[site]\ntime_zone = "Europe/Lisbon"\n[store]\ndirectory = "{tmp_path}"\n',
        encoding="utf-8",
    )

    def run(*words: object) -> tuple[int, str, str]:
        code = cli.main(["changed", "--config", str(path), *(str(word) for word in words)])
        return code, *capsys.readouterr()

    code, _, complaint = run("meter", "--yes")
    assert (code, "no history yet" in complaint) == (1, True)
    with Ledger(tmp_path / "history-charger.sqlite") as ledger:
        ledger.write(Batch(list(hold([Sample(1_700_000_000_000 + n * 10_000, 5.0, 0.0, False) for n in range(9)], 99))))
    for words in ((), ("meter", "--list")):
        code, _, complaint = run(*words)
        assert (code, "one of the three" in complaint) == (1, True)
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    code, _, complaint = run("meter")
    assert (code, "say --yes" in complaint) == (1, True)
    code, _, complaint = run("meter", "--from", "2199-01-01", "--yes")
    assert (code, "still to come" in complaint) == (1, True)
    code, said, _ = run("meter", "--from", "2024-03-05", "--note", "storm", "--yes")
    assert code == 0 and "Kept, as number 1: --undo 1 takes it back. A running daemon heeds it" in said
    assert "1: new meter from 2024-03-05 00:00 on (storm); said 20" in run("--list")[1]
    code = cli.main(["replay", "--config", str(path), "--readings", "ledger"])
    assert (code, "no readings" in capsys.readouterr().err) == (1, True)  # there are none since
    code, _, complaint = run("--undo", 1)
    assert (code, "say --yes" in complaint) == (1, True)
    code, said, _ = run("--undo", 1, "--yes")
    assert code == 0 and "Taken back" in said
    code, _, complaint = run("--undo", 1, "--yes")
    assert (code, "taken back already" in complaint) == (1, True)
    assert ", taken back 20" in run("--list")[1]
