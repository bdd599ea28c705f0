"""What outlives the process: kept exactly, shifted to another clock, and never trusted when it is damaged."""

from __future__ import annotations

import asyncio
import json
import math
import os
import stat
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surpluscharge.clock import SystemClock
from surpluscharge.config import parse
from surpluscharge.control import news
from surpluscharge.control.controller import Controller, Kept, Moment, Settings, Tally
from surpluscharge.control.hidden import Outcome, Tried
from surpluscharge.control.joint import Kept as KeptJoint
from surpluscharge.control.joint import Track
from surpluscharge.control.supervisor import FAULTS, Record
from surpluscharge.control.thermal import settled_level
from surpluscharge.control.wishes import Away, Progress, Request
from surpluscharge.daemon import store
from surpluscharge.daemon.ports import Patience, Ports
from surpluscharge.daemon.service import Service
from tests.wire import (
    BASE,
    COMMAND,
    ENABLE,
    ENABLE_SET,
    POWER,
    SHADE_W,
    SUN_W,
    Disk,
    Feed,
    Heard,
    Stage,
    tables,
    toml,
    until,
)

WALL = datetime(2031, 5, 1, 12, tzinfo=UTC)
KEPT = Kept(
    saved_s=1000.25,
    enabled=True,
    on=False,
    charger_w=1380.0,
    starts_s=(100.5, 700.125),
    session_s=812.5,
    session_wh=311.4,
    session_day=741000,
    today=Tally(741000, 2, 812.5, 311.4, 20.25),
    level=0.25,
    run_s=812.5,
    run_as=4875.0,
    faults=(Record("socket-hot", 900.0, 2, active=True, acknowledged=False),),
    planned_at_s=400.75,
    tried=Tried(741000, 3, 210.5, 1, 600.5, (Outcome(600.5, 0.7, True, False),)),
    joint=KeptJoint(ohms=Track((0.25, 0.3), last=0.3, last_s=700.5, since_s=100.25, pieces=2, amps=6.0), score=1.5),
)


SHIFTED = ("saved_s", "starts_s", "faults", "planned_at_s", "tried", "joint")  # to another clock


class SetClock:
    """A clock that stands where it is set."""

    def __init__(self, now_s: float, wall: datetime, origin: str) -> None:
        self.now_s, self.origin = now_s, origin
        self._wall = wall

    def now(self) -> float:
        return self.now_s

    def wall(self) -> datetime:
        return self._wall

    def real_s(self, seconds: float) -> float:
        return seconds

    async def sleep(self, seconds: float) -> None:
        raise AssertionError("nothing here sleeps")


BEFORE = SetClock(1000.25, WALL, "one start of the machine")


def later(seconds: float, wall_s: float | None = None) -> SetClock:
    """Return the same clock ``seconds`` later; its wall clock says that ``wall_s`` have passed."""
    wall = WALL + timedelta(seconds=seconds if wall_s is None else wall_s)
    return SetClock(BEFORE.now_s + seconds, wall, BEFORE.origin)


def another(now_s: float, wall_s: float) -> SetClock:
    """Return the clock of another start of the machine, by the wall clock ``wall_s`` after the first."""
    return SetClock(now_s, WALL + timedelta(seconds=wall_s), "another start of the machine")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "state" / "shed.json"


# --- kept ------------------------------------------------------------------------------------------------------------

_times = st.floats(0, 1e8)
_past = st.floats(-1e9, BEFORE.now_s)
_track = st.builds(
    Track,
    early=st.lists(_times, max_size=90).map(tuple),
    base=st.none() | _times,
    scatter=_times,
    first_scatter=_times,
    last=st.none() | _times,
    last_s=_past,
    score=_times,
    since_s=_past,
    weight=_times,
    grown=_times,
    pieces=st.integers(0, 10**6),
    amps=_times,
)
_kept = st.builds(
    Kept,
    saved_s=st.just(BEFORE.now_s),
    enabled=st.booleans(),
    on=st.booleans(),
    charger_w=st.floats(0, 8000),
    starts_s=st.lists(_past, max_size=20).map(sorted).map(tuple),
    session_s=_times,
    session_wh=_times,
    session_day=st.integers(0, 10**6),
    today=st.builds(Tally, st.integers(0, 10**6), st.integers(0, 96), _times, _times, _times, _times, _times),
    level=st.floats(0, 3),
    run_s=_times,
    run_as=_times,
    faults=st.lists(
        st.builds(
            Record,
            st.sampled_from([fault.code for fault in FAULTS]),
            _past,
            st.integers(1, 40),
            st.booleans(),
            st.booleans(),
        ),
        max_size=4,
    ).map(tuple),
    ohms=st.lists(st.floats(-50, 50), max_size=9).map(tuple),
    planned=st.booleans(),
    planned_s=_times,
    planned_wh=_times,
    planned_day=st.integers(0, 10**6),
    progress=st.builds(
        Progress,
        st.none() | st.builds(Request, _times, _times, st.none() | _times, st.none() | _times, _times, _times),
        _times,
        _times,
        _times,
        st.booleans(),
        _times,
        away=st.none() | st.builds(Away, st.floats(0, 2e9), st.none() | st.floats(2.1e9, 4e9), st.booleans()),
    ),
    planned_at_s=_past,
    tried=st.builds(
        Tried,
        st.integers(0, 10**6),
        st.integers(0, 24),
        _times,
        st.integers(0, 24),
        _past,
        st.lists(st.builds(Outcome, _past, st.floats(-1, 1), st.booleans(), st.booleans()), max_size=48).map(tuple),
    ),
    joint=st.none() | st.builds(KeptJoint, _track, _track, _track, _times),
)


@given(kept=_kept)
def test_round_trip(tmp_path_factory: pytest.TempPathFactory, kept: Kept) -> None:
    """While the same clock runs, what is loaded is what was saved, to the bit."""
    path = tmp_path_factory.getbasetemp() / "round" / "shed.json"
    store.save(path, kept, BEFORE)
    assert store.load(path, BEFORE) == kept
    assert store.load(path, later(86400.0)) == kept


def test_nothing_kept(file: Path) -> None:
    assert store.load(file, BEFORE) is None


def test_the_file_is_replaced_as_a_whole(file: Path) -> None:
    """The new file has its name only once it is complete: no half of it is ever met under that name."""
    store.save(file, KEPT, BEFORE)
    first = file.stat().st_ino
    store.save(file, KEPT._replace(enabled=False), BEFORE)
    assert file.stat().st_ino != first
    assert [path.name for path in file.parent.iterdir()] == ["shed.json"]


@pytest.mark.parametrize("folder_exists", [False, True])
def test_others_cannot_read_it(file: Path, folder_exists: bool) -> None:
    """When somebody is at home can be read from it, so other users of the computer cannot, whatever the umask."""
    if folder_exists:
        file.parent.mkdir(mode=0o755)
    umask = os.umask(0o022)
    try:
        store.save(file, KEPT, BEFORE)
    finally:
        os.umask(umask)
    modes = [stat.S_IMODE(path.stat().st_mode) for path in (file, file.parent)]
    assert any(mode & 0o077 == 0 for mode in modes), [oct(mode) for mode in modes]


# --- another clock ---------------------------------------------------------------------------------------------------


def test_the_wall_clock_does_not_matter_while_the_same_clock_runs(file: Path) -> None:
    """A wall clock that is set right in between changes nothing."""
    store.save(file, KEPT, BEFORE)
    for wall_s in (-1e6, 0.0, 1e6):
        assert store.load(file, later(60.0, wall_s)) == KEPT


def test_another_origin_shifts_by_the_wall_clock(file: Path) -> None:
    """After a restart of the machine, the wall clock says how long ago everything was."""
    store.save(file, KEPT, BEFORE)
    found = store.load(file, another(now_s=30.0, wall_s=3600.0))
    assert found is not None
    # An hour has passed: what was saved 0 s ago is now 3600 s ago, and every start as much older than that.
    assert found.saved_s == pytest.approx(30.0 - 3600.0)
    assert found.starts_s == pytest.approx([30.0 - 3600.0 - age_s for age_s in (899.75, 300.125)])
    assert [record.raised_s for record in found.faults] == pytest.approx([30.0 - 3600.0 - 100.25])
    assert found.planned_at_s == pytest.approx(30.0 - 3600.0 - 599.5)
    assert found.tried.failed_s == found.tried.outcomes[0].at_s == pytest.approx(30.0 - 3600.0 - 399.75)
    assert found.joint and KEPT.joint
    assert found.joint.ohms.last_s == pytest.approx(30.0 - 3600.0 - 299.75)
    assert found.joint.ohms.since_s == pytest.approx(30.0 - 3600.0 - 900.0)
    assert found.joint.ohms._replace(last_s=700.5, since_s=100.25) == KEPT.joint.ohms
    assert found.tried._replace(failed_s=600.5, outcomes=KEPT.tried.outcomes) == KEPT.tried
    assert found._replace(**{name: getattr(KEPT, name) for name in SHIFTED}) == KEPT


@pytest.mark.parametrize("saved_h", [-8.0, 0.0, 5.75])
@pytest.mark.parametrize("loaded_h", [-8.0, 0.0, 5.75])
def test_the_wall_clock_s_zone_does_not_matter(file: Path, saved_h: float, loaded_h: float) -> None:
    """West or east, before and after a restart of the machine: a moment is a moment, and starts age by what passed."""

    def seen_from(clock: SetClock, hours: float) -> SetClock:
        return SetClock(clock.now_s, clock.wall().astimezone(timezone(timedelta(hours=hours))), clock.origin)

    store.save(file, KEPT, seen_from(BEFORE, saved_h))
    found = store.load(file, seen_from(another(now_s=30.0, wall_s=600.0), loaded_h))
    assert found is not None
    assert found.saved_s == pytest.approx(30.0 - 600.0)
    assert found.starts_s == pytest.approx([30.0 - 600.0 - age_s for age_s in (899.75, 300.125)])
    assert [record.raised_s for record in found.faults] == pytest.approx([30.0 - 600.0 - 100.25])


def test_it_is_on_the_disk_before_it_replaces_what_was_there(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A power cut leaves the old file or the new one: the file is flushed before it is renamed, the folder after.

    What the disk has of a file without the first, and of its name without the second, nobody knows (fsync(2)).
    """
    store.save(file, KEPT, BEFORE)
    flushed: list[tuple[str, bool]] = []  # what, and whether the new state had taken the old one's place by then
    real = os.fsync

    def fsync(number: int) -> None:
        path = Path(f"/proc/self/fd/{number}").readlink()
        if path.is_file():
            assert json.loads(path.read_bytes())["body"]["kept"]["level"] == 0.123  # all of it
        in_place = json.loads(file.read_bytes())["body"]["kept"]["level"] == 0.123
        flushed.append(("folder" if path == file.parent else "file", in_place))
        real(number)

    monkeypatch.setattr(os, "fsync", fsync)
    store.save(file, KEPT._replace(level=0.123), BEFORE)
    assert flushed == [("file", False), ("folder", True)]


def test_time_that_went_on_counts_as_charged(file: Path) -> None:
    """If it was on when it was last heard of, the gap counts in full against the session's cap (invariant 5)."""
    store.save(file, KEPT._replace(on=True), BEFORE)
    clock = later(3600.0)
    found = store.load(file, clock)
    state = Controller(_settings(), Moment(clock.now(), 741000, 741000), found).state
    assert state.session_s == pytest.approx(812.5 + 3600.0)
    assert state.session_wh == pytest.approx(311.4 + 1380.0)


@pytest.mark.parametrize("on", [False, True])
@pytest.mark.parametrize("wall_s", [-86400.0 * 365, 0.0, 20.0])
def test_a_wall_clock_that_was_put_back_or_stood_still(file: Path, wall_s: float, on: bool) -> None:
    """Nobody knows how long it was: starts hardly age, and a charge that ran on counts as beyond any cap (4, 5)."""
    store.save(file, KEPT._replace(on=on), BEFORE)
    found = store.load(file, another(now_s=30.0, wall_s=wall_s))
    assert found is not None
    passed_s = max(0.0, wall_s)
    assert found.starts_s == pytest.approx([30.0 - passed_s - age_s for age_s in (899.75, 300.125)])
    controller = Controller(_settings(), Moment(30.0, 741000, 741000), found)
    assert controller.state.session_s == pytest.approx(812.5 + (store.UNKNOWABLE_S if on else 0.0))
    assert controller.state.session_s >= 86400.0 or not on  # session.time_cap_s is at most that
    heated = settled_level(_settings().limits.thermal, _settings().draw_a)
    if on:  # the socket, too, is as warm as the lead can have made it
        assert controller.socket.level >= heated * 0.999
    else:
        assert found.saved_s == pytest.approx(30.0 - passed_s)


def test_the_same_origin_but_an_earlier_time(file: Path) -> None:
    """A clock that seems to have gone back is another one, whatever its name says."""
    store.save(file, KEPT, BEFORE)
    found = store.load(file, SetClock(5.0, WALL + timedelta(seconds=60), BEFORE.origin))
    assert found is not None
    assert found.saved_s == pytest.approx(5.0 - 60.0)


def _settings() -> Settings:
    return parse(toml(tables(1, Path("/nowhere"))), "shed.toml").settings()


# --- damage ----------------------------------------------------------------------------------------------------------


@given(data=st.data())
def test_flipped_bits(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """A damaged file is set aside, unless the damage says the same in other letters (1e5 as 1E5)."""
    path = tmp_path_factory.getbasetemp() / "bits" / "shed.json"
    store.save(path, KEPT, BEFORE)
    good = path.read_bytes()
    bits = data.draw(st.sets(st.integers(0, 8 * len(good) - 1), min_size=1, max_size=8))
    bad = bytearray(good)
    for bit in bits:
        bad[bit // 8] ^= 1 << bit % 8
    path.write_bytes(bad)
    try:
        found = store.load(path, BEFORE)
    except store.Unusable as error:
        assert not path.exists()
        assert Path(error.kept_as).read_bytes() == bytes(bad)
        assert str(error).isprintable()
    else:
        assert found == KEPT


@given(length=st.integers(0, 10_000))
def test_a_file_cut_short(tmp_path_factory: pytest.TempPathFactory, length: int) -> None:
    """However little of it is left, it is not trusted."""
    path = tmp_path_factory.getbasetemp() / "cut" / "shed.json"
    store.save(path, KEPT, BEFORE)
    good = path.read_bytes()
    path.write_bytes(good[: length % len(good)])
    with pytest.raises(store.Unusable):
        store.load(path, BEFORE)


def _document(**changes: Any) -> bytes:
    """Return a file with a good checksum, and changes laid over its body."""
    kept = {**KEPT._asdict(), "today": KEPT.today._asdict()}
    body = {"format": store.FORMAT, "origin": BEFORE.origin, "wall": WALL.isoformat(), "kept": kept} | changes
    return json.dumps({"crc32": store._checksum(body), "body": body}).encode()


BAD_FILES = {
    "empty": b"",
    "not JSON": b"enabled = true",
    "not text": b"\xff\xfe\x00",
    "another document": b'{"on": true}',
    "a list": b"[1, 2]",
    "a number": b"1",
    "nothing": b"null",
    "nested without end": b"[" * 100_000,
    "no body": b'{"crc32": 0, "body": null}',
    "a wrong checksum": _document().replace(b'"enabled": true', b'"enabled": false'),
    "a format to come": _document(format=store.FORMAT + 1),
    "no format": _document(format=None),
    "no wall time": _document(wall=None),
    "a wall time without a zone": _document(wall="2031-05-01T12:00:00", origin="x"),
    "no such time": _document(wall="2031-13-01T12:00:00+00:00"),
    "something missing": _document(kept={"enabled": True}),
    "a wrong type": _document(kept={**KEPT._asdict(), "today": KEPT.today._asdict(), "starts_s": "often"}),
}


def test_the_good_file_that_the_bad_ones_are_made_of(file: Path) -> None:
    file.parent.mkdir()
    file.write_bytes(_document())
    assert store.load(file, BEFORE) == KEPT


@pytest.mark.parametrize("content", BAD_FILES.values(), ids=BAD_FILES)
def test_a_file_that_cannot_be_trusted(file: Path, content: bytes) -> None:
    """It is set aside, whole, and the next start finds none."""
    file.parent.mkdir()
    file.write_bytes(content)
    with pytest.raises(store.Unusable) as raised:
        store.load(file, BEFORE)
    assert Path(raised.value.kept_as).read_bytes() == content
    assert len(str(raised.value)) < 500
    assert store.load(file, BEFORE) is None


@pytest.mark.parametrize("key", ["session_s", "session_wh", "starts_s", "ohms", "unknown_s"])
def test_numbers_that_are_none(file: Path, key: str) -> None:
    """NaN compares with no cap and no budget: a file that holds it is not trusted (4, 5)."""
    kept: dict[str, Any] = {**KEPT._asdict(), "today": KEPT.today._asdict()}
    (kept["today"] if key == "unknown_s" else kept)[key] = [math.nan] if key in ("starts_s", "ohms") else math.nan
    file.parent.mkdir()
    file.write_bytes(_document(kept=kept))
    with pytest.raises(store.Unusable):
        store.load(file, BEFORE)


# --- the daemon on top of it -----------------------------------------------------------------------------------------


@pytest.mark.broker
async def test_the_daemon_with_a_damaged_file(stage: Stage) -> None:
    """The safe side: disabled, a line in the log that says where the file went, and it runs on."""
    state = stage.folder / "state" / "shed.json"
    async with stage.running():
        stage.wire.publish(ENABLE_SET, "on")
        await until(lambda: stage.wire.last(ENABLE) == "true", "the echo")
    state.write_bytes(state.read_bytes().replace(b"true", b"True"))
    async with stage.running() as daemon:
        (line,) = daemon.events("store_unusable", level="error")
        assert line["kept_as"] == str(state.with_suffix(".unusable"))
        assert line["reason"]
        await until(lambda: stage.wire.last(ENABLE) == "false", "the echo")
        async with Feed(stage.wire, SUN_W) as feed:
            await stage.charge(feed)
    assert json.loads(state.read_text(encoding="utf-8"))["body"]["kept"]["enabled"] is True


@pytest.mark.broker
@pytest.mark.parametrize("obstacle", ["no folder can be made", "a folder in the file's place"])
async def test_the_daemon_cannot_write(stage: Stage, obstacle: str) -> None:
    """It says so once, and starts no charge: latches, budgets and the image would not outlive the next crash."""
    state = stage.folder / "state"
    if obstacle == "no folder can be made":
        state.write_text("a file where the folder should be", encoding="utf-8")
    else:
        (state / "shed.json").mkdir(parents=True)
    async with stage.running() as daemon, Feed(stage.wire, SUN_W):
        stage.wire.publish(ENABLE_SET, "on")
        await until(lambda: stage.wire.state == "locked-out", "the refusal")
        (line,) = daemon.events("store_failed", level="error")
        assert line["reason"]
        await until(lambda: "cannot be written" in stage.wire.status["why"], "the reason in the status")
        assert not daemon.events("state_changed", new="charging")
        assert not daemon.events("crashed")


@pytest.mark.broker
async def test_a_damaged_file_that_cannot_be_set_aside(stage: Stage) -> None:
    """It says so, takes the safe side, runs on, and writes a good file over the bad one."""
    state = stage.folder / "state"
    (state / "shed.unusable").mkdir(parents=True)
    (state / "shed.json").write_bytes(b"damaged")
    async with stage.running() as daemon:
        (line,) = daemon.events("store_unusable", level="error")
        assert line["kept_as"] == str(state / "shed.json")
        assert daemon.service.controller.enabled is False
    assert store.load(state / "shed.json", BEFORE) is not None


@pytest.mark.broker
async def test_what_must_outlive_a_crash_is_written_before_on(stage: Stage) -> None:
    """When "on" is on the wire, the start is on the disk already (invariants 4, 5, 10)."""
    state = stage.folder / "state" / "shed.json"
    seen: list[dict[str, Any]] = []

    def look(message: Any) -> None:
        if message.text == "on" and message.topic == "shed/plug/command":
            seen.append(json.loads(state.read_text(encoding="utf-8"))["body"]["kept"])

    async with stage.running(), Feed(stage.wire, SUN_W) as feed:
        stage.wire.reaction = look
        await stage.charge(feed)
    (kept,) = seen
    assert kept["on"] is True
    assert len(kept["starts_s"]) == 1
    assert kept["today"]["starts"] == 1


@pytest.mark.broker
async def test_a_latched_fault_is_written_without_waiting(stage: Stage) -> None:
    """Between other writes there is a pause, here without end; a fault that latches does not wait for it (9)."""
    state = stage.folder / "state" / "shed.json"

    def kept() -> dict[str, Any]:
        document: dict[str, Any] = json.loads(state.read_text(encoding="utf-8"))
        return document["body"]["kept"]

    async with stage.running(ports=Ports(patience=Patience(save_pause_s=1e6)), relay={"power": {"topic": POWER}}):
        await until(state.exists, "the first write, and so the pause")
        stage.wire.publish(ENABLE_SET, "on")
        await until(lambda: stage.wire.last(ENABLE) == "true", "the echo")
        assert not kept()["enabled"]  # this one waits
        stage.wire.publish(POWER, 23 * 230)
        stage.wire.publish(POWER, 23 * 230)  # one reading alone is not believed
        await until(lambda: [fault["code"] for fault in kept()["faults"] if fault["active"]] == ["over-current"], "it")


# --- said only once it is there --------------------------------------------------------------------------------------


def said(stage: Stage) -> dict[str, Any]:
    """Return what is in the daemon's file."""
    document: dict[str, Any] = json.loads((stage.folder / "state" / "shed.json").read_text(encoding="utf-8"))
    kept: dict[str, Any] = document["body"]["kept"]
    return kept


@pytest.mark.broker
async def test_disabled_is_on_the_disk_before_it_is_said(stage: Stage) -> None:
    """Killed in the very moment in which it is said, the daemon comes back disabled (invariant 12)."""
    daemon = stage.start()
    await stage.ready()
    wire = stage.wire
    wire.publish(ENABLE_SET, "on")
    await until(lambda: wire.last(ENABLE) == "true", "the echo")
    await until(lambda: said(stage)["enabled"], "a write, and so the pause before the next")

    def kill(message: Heard) -> None:
        if message.topic == ENABLE and message.text == "false":
            daemon.process.kill()

    wire.reaction = kill
    wire.publish(ENABLE_SET, "off")
    await daemon.ended()
    assert said(stage)["enabled"] is False


@pytest.mark.broker
async def test_a_slow_disk_holds_up_what_is_said_and_no_off(stage: Stage) -> None:
    """The relay is off at once; the word about it waits (invariant 12)."""
    disk, wire = Disk(), stage.wire
    async with stage.running(ports=Ports(store=disk)) as daemon, Feed(wire, SUN_W) as feed:
        await stage.charge(feed)
        await until(lambda: said(stage)["enabled"] and said(stage)["on"], "the writes")
        disk.free.clear()
        wire.publish(ENABLE_SET, "off")
        await until(lambda: daemon.events("relay_confirmed", on=False)[1:], "off")
        await until(lambda: wire.last(COMMAND) == "off", "that it is heard: the broker confirms it first")
        await asyncio.sleep(0.5)
        assert wire.last(ENABLE) == "true"
        assert wire.status["enabled"] is True
        disk.free.set()
        await until(lambda: wire.last(ENABLE) == "false", "the word about it")
        assert said(stage)["enabled"] is False
        await until(lambda: wire.status["enabled"] is False, "the status")


async def sun_on_a_slow_disk(disk: Disk, stage: Stage, feed: Feed) -> None:
    """Let the sun come out once charging is allowed, that is on the disk, and the disk answers no more."""
    stage.wire.publish(ENABLE_SET, "on")
    await until(lambda: stage.wire.last(ENABLE) == "true", "the echo")
    await until(lambda: (stage.folder / "state" / "shed.json").exists() and said(stage)["enabled"], "the write")
    disk.free.clear()
    feed.power_w = SUN_W


@pytest.mark.broker
async def test_a_start_waits_for_a_slow_disk_and_nothing_else_does(stage: Stage) -> None:
    """On is said once the start cannot be forgotten any more (4); meanwhile the daemon hears and does all else."""
    disk, wire = Disk(), stage.wire
    async with (
        stage.running(ports=Ports(store=disk, patience=Patience(slow_disk_s=60.0))) as daemon,
        Feed(wire, SHADE_W) as feed,
    ):
        await sun_on_a_slow_disk(disk, stage, feed)
        await until(lambda: daemon.events("state_changed", new="charging"), "the start")
        await asyncio.sleep(0.5)
        assert "on" not in wire.texts(COMMAND)
        wire.publish(ENABLE_SET, "off")
        await until(lambda: daemon.events("state_changed", new="idle", cause="disabled"), "an off in the meantime")
        wire.publish(ENABLE_SET, "on")
        await until(lambda: len(daemon.events("state_changed", new="charging")) == 2, "another start")
        known: list[int] = []

        def look(message: Heard) -> None:
            if message.topic == COMMAND and message.text == "on":
                known.append(len(said(stage)["starts_s"]))

        wire.reaction = look
        assert said(stage)["starts_s"] == []
        disk.free.set()
        await until(lambda: known, "on")
        assert known == [2]  # the one that was taken back counts as well: nobody knows what had gone out
        assert wire.texts(COMMAND).count("on") == 1


@pytest.mark.broker
async def test_a_start_taken_back_while_the_disk_is_slow_is_never_said(stage: Stage) -> None:
    disk, wire = Disk(), stage.wire
    async with (
        stage.running(ports=Ports(store=disk, patience=Patience(slow_disk_s=60.0))) as daemon,
        Feed(wire, SHADE_W) as feed,
    ):
        await sun_on_a_slow_disk(disk, stage, feed)
        await until(lambda: daemon.events("state_changed", new="charging"), "the start")
        wire.publish(ENABLE_SET, "off")
        await until(lambda: daemon.events("state_changed", new="idle", cause="disabled"), "the end of it")
        await until(lambda: wire.texts(COMMAND) == ["off", "off"], "off, which waits for no disk")
        disk.free.set()
        await until(lambda: said(stage)["starts_s"], "the writes")
        await asyncio.sleep(0.3)
        assert "on" not in wire.texts(COMMAND)


@pytest.mark.broker
async def test_a_disk_that_does_not_answer_ends_a_start_before_it_is_said(stage: Stage) -> None:
    disk, wire = Disk(), stage.wire
    async with (
        stage.running(ports=Ports(store=disk, patience=Patience(slow_disk_s=0.5))) as daemon,
        Feed(wire, SHADE_W) as feed,
    ):
        await sun_on_a_slow_disk(disk, stage, feed)
        await until(lambda: daemon.events("fault_raised", code="store-failing"), "the failure")
        await until(lambda: daemon.path[-1] == "locked-out", "the end of the start")
        assert "on" not in wire.texts(COMMAND)
        disk.free.set()


@pytest.mark.broker
async def test_what_somebody_has_looked_at_is_on_the_disk_before_it_is_said(stage: Stage) -> None:
    """A latched fault stays in the status until its acknowledgement would survive a crash (invariants 9, 12)."""
    disk, wire = Disk(), stage.wire
    async with stage.running(ports=Ports(store=disk, patience=Patience(slow_disk_s=60.0))) as daemon:
        daemon.service.tell(news.Strained(True, False, False))

        def latched() -> list[bool]:
            return [fault["latched"] for fault in wire.status["faults"] if fault["code"] == "commands-flooded"]

        await until(lambda: latched() == [True], "the fault")
        await until(lambda: [fault["active"] for fault in said(stage)["faults"]] == [True], "the fault on the disk")
        daemon.service.tell(news.Strained())
        disk.free.clear()
        wire.publish(f"{BASE}/acknowledge/set", "all")
        await until(lambda: daemon.events("fault_acknowledged"), "the acknowledgement")
        await asyncio.sleep(0.5)
        assert latched() == [True]
        disk.free.set()
        await until(lambda: not any(latched()), "the word about it")
        assert [fault["acknowledged"] for fault in said(stage)["faults"]] == [True]


@pytest.mark.broker
async def test_a_disk_that_does_not_answer(stage: Stage) -> None:
    """It counts as failing: off, and the status says why."""
    disk, wire = Disk(), stage.wire
    async with stage.running(ports=Ports(store=disk, patience=Patience(slow_disk_s=0.5))) as daemon:
        disk.free.clear()
        wire.publish(ENABLE_SET, "on")
        await until(lambda: daemon.events("store_failed"), "the failure")
        await until(lambda: "cannot be written" in wire.status["why"], "the reason in the status")
        disk.free.set()
        await until(lambda: daemon.events("fault_cleared", code="store-failing"), "the end of it")


# --- what others may have put there ----------------------------------------------------------------------------------


def test_a_lock_that_is_a_link_is_refused_and_what_it_leads_to_untouched(file: Path, tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("somebody's work", encoding="utf-8")
    file.parent.mkdir()
    file.with_suffix(".lock").symlink_to(precious)
    with pytest.raises(ValueError, match="symbolic link"), store.alone(file):
        pass
    assert precious.read_text(encoding="utf-8") == "somebody's work"


def test_saving_follows_no_link(file: Path, tmp_path: Path) -> None:
    """Neither where the new file is written first, nor where it goes."""
    precious = tmp_path / "precious"
    precious.write_text("somebody's work", encoding="utf-8")
    file.parent.mkdir()
    file.with_suffix(".new").symlink_to(precious)
    file.symlink_to(precious)
    store.save(file, KEPT, BEFORE)
    assert precious.read_text(encoding="utf-8") == "somebody's work"
    assert store.load(file, BEFORE) == KEPT


def test_loading_follows_no_link_and_waits_for_nothing(file: Path, tmp_path: Path) -> None:
    """A link is not read, nor a pipe that nobody writes to, nor what is far too large."""
    store.save(tmp_path / "other" / "shed.json", KEPT, BEFORE)
    file.parent.mkdir()
    file.symlink_to(tmp_path / "other" / "shed.json")
    with pytest.raises(OSError, match="symbolic links"):
        store.load(file, BEFORE)
    file.unlink()
    os.mkfifo(file)
    with pytest.raises(store.Unusable, match="regular"):
        store.load(file, BEFORE)
    file.write_bytes(b" " * 2_000_000)
    with pytest.raises(store.Unusable, match="larger"):
        store.load(file, BEFORE)


def test_the_files_are_the_owners_alone(file: Path) -> None:
    file.parent.mkdir()
    file.with_suffix(".lock").touch(mode=0o644)
    with store.alone(file):
        store.save(file, KEPT, BEFORE)
        assert {stat.S_IMODE(one.stat().st_mode) for one in file.parent.iterdir()} == {0o600}
    deeper = file.parent / "deeper"
    with store.alone(deeper / "shed.json"):
        assert stat.S_IMODE(deeper.stat().st_mode) == 0o700


@pytest.mark.parametrize(
    "change",
    [
        {"session_s": "-1e999"},
        {"session_s": "-1.0"},
        {"session_wh": "-1e999"},
        {"session_wh": "-5000.0"},
        {"level": "-1e999"},
        {"level": "-0.5"},
        {"level": "1e999"},
        {"run_s": "-1e300"},
        {"run_as": "1e999"},
        {"run_as": "1e12"},
        {"charger_w": "-1380.0"},
        {"saved_s": "1e999"},
        {"starts_s": "[100.5, 2000.0]"},
        {"starts_s": "[700.125, 100.5]"},
        {"starts_s": "[-1e999, 100.5]"},
        {"today": '{"day": 741000, "starts": -2, "on_s": 0.0, "charger_wh": 0.0, "grid_wh": 0.0}'},
        {"today": '{"day": 741000, "starts": 2, "on_s": 0.0, "charger_wh": 0.0, "grid_wh": -1e999}'},
        {"today": '{"day": 741000, "unknown_s": -1.0}'},
        {"today": '{"day": 741000, "unknown_s": 1e999}'},
        {"planned_at_s": "1e999"},
        {"planned_at_s": "-1e999"},
        {"planned_at_s": "2000.0"},
        {"ohms": "[0.4, 1e999]"},
        {"ohms": "[-1e999]"},
        {"ohms": "[50.1]"},
        {"ohms": "[-50.1]"},
        {
            "faults": '[{"code": "socket-hot", "raised_s": 1e999, "times": 2, "active": true, "acknowledged": false}]',
        },
        {"faults": '[{"code": "socket-hot", "raised_s": 9.0, "times": 0, "active": true, "acknowledged": false}]'},
    ],
    ids=lambda change: " ".join(f"{key}={value}" for key, value in change.items()),
)
def test_a_whole_file_with_values_that_cannot_be(file: Path, change: dict[str, str]) -> None:
    """Its checksum is right; but a sum of minus infinity would never come to a cap (invariant 5)."""
    store.save(file, KEPT, BEFORE)
    body = json.loads(file.read_text(encoding="utf-8"))["body"]
    for key, value in change.items():
        body["kept"][key] = json.loads(value)
    text = json.dumps({"crc32": store._checksum(body), "body": body})
    file.write_text(text.replace("-Infinity", "-1e999").replace("Infinity", "1e999"), encoding="utf-8")
    with pytest.raises(store.Unusable, match=r"cannot be|out of order|less than once"):
        store.load(file, BEFORE)


@pytest.mark.broker
async def test_a_latched_fault_of_an_idle_daemon_outlives_kill_9(stage: Stage) -> None:
    """Nobody has enabled it, nothing is written every minute: but what the status says, a crash does not unsay (9)."""
    overload = {"relay": {"power": {"topic": POWER, "fresh_s": 600.0}}}
    daemon = stage.start(**overload)
    await stage.ready()
    stage.wire.publish(POWER, 23 * 230)
    stage.wire.publish(POWER, 23 * 230)  # one reading alone is not believed
    state = stage.folder / "state" / "shed.json"
    await until(lambda: b'"over-current"' in state.read_bytes(), "it on the disk")
    daemon.kill()
    daemon = stage.start()
    await stage.ready()
    await until(lambda: "over-current" in [fault["code"] for fault in stage.wire.status["faults"]], "it again")


@pytest.mark.broker
async def test_an_acknowledgement_that_was_retained_is_none(stage: Stage) -> None:
    """It was meant for another day's fault: neither one's own name nor "all" works when it comes by itself (9)."""
    acknowledge = "surpluscharge/shed/acknowledge/set"
    state = stage.folder / "state" / "shed.json"
    latched = Record("over-current", SystemClock().now() - 5000.0, 1, active=True, acknowledged=False)
    store.save(state, KEPT._replace(saved_s=SystemClock().now(), starts_s=(), faults=(latched,)), SystemClock())
    for word in ("all", "over-current"):
        stage.wire.publish(acknowledge, word, retain=True)
        async with stage.running(relay={"power": {"topic": POWER}}) as daemon:
            await until(lambda: daemon.events("message_refused", topic=acknowledge, reason="retained"), "the refusal")
            assert [record.code for record in daemon.service.controller.faults if not record.acknowledged] == [
                "over-current"
            ]
            if word == "over-current":  # live it works
                stage.wire.publish(acknowledge, "all")
                await until(lambda: daemon.events("fault_acknowledged"), "the acknowledgement")


def test_an_older_state_does_not_replace_a_newer_one(file: Path) -> None:
    """A save in the background is slow, a start overtakes it: the start must not be forgotten (4)."""
    text = toml(tables(1, file.parent))
    config = parse(text, "shed.toml")
    saving = Service(config, SystemClock()).saving
    before = KEPT._replace(starts_s=())
    saving._write(2, before._replace(starts_s=(1.0,)))
    saving._write(1, before)  # begun earlier, and late
    found = store.load(config.state_file, SystemClock())
    assert found is not None and len(found.starts_s) == 1
