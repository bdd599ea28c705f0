"""From payloads to watts: anything at all comes in, and either a plausible number comes out or a known refusal."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from surpluscharge.control.signals import (
    LEAST_GAPS,
    PAYLOAD_LIMIT_BYTES,
    RAMP_S,
    REJECTIONS,
    Contact,
    Measures,
    Meter,
    Pulse,
    Reading,
    Rejected,
    Source,
    number,
    truth,
    value_at,
)


def source(
    topic: str = "m",
    pointer: str | None = None,
    *,
    scale: float = 1.0,
    measures: Measures = "net-import",
    fresh_s: float = 30.0,
    limit: float = 20000.0,
) -> Source:
    return Source(topic, pointer, scale, measures, fresh_s, limit)


def reason(call: Any, *arguments: Any) -> str:
    """Return the reason with which a call refuses."""
    with pytest.raises(Rejected) as caught:
        call(*arguments)
    return caught.value.reason


# --- picking the value out -------------------------------------------------------------------------------------------

# RFC 6901, section 5: the example document and its twelve pointers (from memory).
RFC_6901_DOCUMENT = rb"""
   {
      "foo": ["bar", "baz"],
      "": 0,
      "a/b": 1,
      "c%d": 2,
      "e^f": 3,
      "g|h": 4,
      "i\\j": 5,
      "k\"l": 6,
      " ": 7,
      "m~n": 8
   }
"""
RFC_6901_POINTERS = [
    ("", json.loads(RFC_6901_DOCUMENT)),
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]


@pytest.mark.parametrize(("pointer", "value"), RFC_6901_POINTERS)
def test_the_pointers_of_rfc_6901(pointer: str, value: object) -> None:
    assert value_at(RFC_6901_DOCUMENT, pointer) == value


@pytest.mark.parametrize("pointer", ["/bar", "/foo/2", "/foo/-1", "/foo/00", "/foo/bar", "/foo/0/0", "/a~1b/x", "//"])
def test_a_pointer_that_misses(pointer: str) -> None:
    assert reason(value_at, RFC_6901_DOCUMENT, pointer) == "pointer-misses"


def test_the_element_after_the_last_is_no_value() -> None:
    # RFC 6901, section 4: "-" names the (nonexistent) member after the last array element.
    assert reason(source(pointer="/foo/-").read, RFC_6901_DOCUMENT) in ("pointer-misses", "not-a-number")


def test_the_element_after_the_last_is_no_state() -> None:
    contact = Contact("t", "/foo/-", "on", "off")
    assert reason(contact.read, RFC_6901_DOCUMENT) in ("pointer-misses", "not-a-state")


# --- numbers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"512", 512.0),
        (b"-512.25", -512.25),
        (b"+512", 512.0),
        (b"0", 0.0),
        (b"007", 7.0),
        (b"1.5e3", 1500.0),
        (b"15E-1", 1.5),
        (b" \t512\r\n", 512.0),
        ("\u2003512\u00a0".encode(), 512.0),
    ],
)
def test_a_plain_number(payload: bytes, value: float) -> None:
    assert source().read(payload) == value


@pytest.mark.parametrize(
    ("payload", "refusal"),
    [
        (b"", "not-a-number"),
        (b"  ", "not-a-number"),
        (b"on", "not-a-number"),
        (b"true", "not-a-number"),
        (b"null", "not-a-number"),
        (b"512 W", "not-a-number"),
        (b"1,5", "not-a-number"),
        (b"1_000", "not-a-number"),
        (b"0x1F", "not-a-number"),
        (b"1.", "not-a-number"),
        (b".5", "not-a-number"),
        (b"--5", "not-a-number"),
        (b"5\0", "not-a-number"),
        (b'"512"', "not-a-number"),
        (b"[512]", "not-a-number"),
        ("\u0665".encode(), "not-a-number"),  # a digit of another script
        ("\ufeff512".encode(), "not-a-number"),  # a byte order mark
        (b"nan", "not-finite"),
        (b"NaN", "not-finite"),
        (b"-inf", "not-finite"),
        (b"Infinity", "not-finite"),
        (b"1e999", "not-finite"),
        (b"9" * 400, "not-finite"),
        (b"\xff512", "not-utf8"),
        (b"512\xc3", "not-utf8"),
        (b"20000.1", "implausible"),
        (b"-20000.1", "implausible"),
        (b"1e300", "implausible"),
        (b"1" + b" " * PAYLOAD_LIMIT_BYTES, "too-large"),
    ],
)
def test_no_plain_number(payload: bytes, refusal: str) -> None:
    assert reason(source().read, payload) == refusal


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b'{"w": 512}', 512.0),
        (b'{"w": -0.5e2}', -50.0),
        (b'{"w": "512"}', 512.0),
        (b'{"w": " +5.5 "}', 5.5),
        (b' {"w": 1, "w": 2} ', 2.0),
        (b'{"x": ' + b"[" * 200 + b"]" * 200 + b', "w": 5}', 5.0),
        (b'{"w": 20000}', 20000.0),
        (b'{"w": -20000}', -20000.0),
    ],
)
def test_a_number_in_json(payload: bytes, value: float) -> None:
    assert source(pointer="/w").read(payload) == value


@pytest.mark.parametrize(
    ("payload", "refusal"),
    [
        (b"", "not-json"),
        (b"512", "pointer-misses"),
        (b"null", "pointer-misses"),
        (b"{", "not-json"),
        (b"{'w': 1}", "not-json"),
        (b'{"w": 1}{"w": 2}', "not-json"),
        (b'{"w": 01}', "not-json"),
        (b'{"w": +1}', "not-json"),
        (b'\xef\xbb\xbf{"w": 1}', "not-json"),
        (b'{"w": ' + b"[" * 30000 + b"]" * 30000 + b"}", "not-json"),
        (b"[" * PAYLOAD_LIMIT_BYTES, "not-json"),
        (b"{}", "pointer-misses"),
        (b"[512]", "pointer-misses"),
        (b'"w"', "pointer-misses"),
        (b'{"W": 512}', "pointer-misses"),
        (b'{"w": null}', "not-a-number"),
        (b'{"w": true}', "not-a-number"),
        (b'{"w": ""}', "not-a-number"),
        (b'{"w": {}}', "not-a-number"),
        (b'{"w": [1]}', "not-a-number"),
        (b'{"w": NaN}', "not-finite"),
        (b'{"w": -Infinity}', "not-finite"),
        (b'{"w": 1, "other": NaN}', "not-finite"),
        (b'{"w": "inf"}', "not-finite"),
        (b'{"w": 1e999}', "not-finite"),
        (b'{"w": ' + b"9" * 400 + b"}", "not-finite"),
        (b'{"w": "\xff"}', "not-utf8"),
        (b'{"w": 20001}', "implausible"),
        (b'{"w": 1, "x": "' + b"x" * PAYLOAD_LIMIT_BYTES + b'"}', "too-large"),
    ],
)
def test_no_number_in_json(payload: bytes, refusal: str) -> None:
    assert reason(source(pointer="/w").read, payload) == refusal


def test_an_integer_too_long_to_convert_is_refused() -> None:
    """Python converts at most 4300 digits; what then is wrong with the number is a matter of taste."""
    payload = b'{"w": ' + b"9" * 5000 + b"}"
    assert reason(source(pointer="/w").read, payload) in ("not-json", "not-finite")


def test_the_size_limit_is_inclusive() -> None:
    assert PAYLOAD_LIMIT_BYTES == 64 * 1024
    assert source().read(b"1".ljust(PAYLOAD_LIMIT_BYTES)) == 1.0
    assert reason(source().read, b"1".ljust(PAYLOAD_LIMIT_BYTES + 1)) == "too-large"


@pytest.mark.parametrize("value", [True, False, None, [], {}, b"1", 1j])
def test_what_is_no_number_in_python_either(value: object) -> None:
    assert reason(number, value) == "not-a-number"


def test_kilowatts() -> None:
    assert source(scale=1000.0).read(b"1.5") == 1500.0
    assert source(scale=1000.0).read(b"-20") == -20000.0
    assert reason(source(scale=1000.0).read, b"20.001") == "implausible"  # the limit is in watts
    assert reason(source(scale=1000.0).read, b"1e308") == "implausible"  # and the scale may overflow


@pytest.mark.parametrize(
    ("measures", "positive", "negative"),
    [
        ("net-import", 700.0, -700.0),
        ("net-export", -700.0, 700.0),
        ("import-only", 700.0, None),
        ("export-only", -700.0, None),
    ],
)
def test_what_a_source_measures(measures: Measures, positive: float, negative: float | None) -> None:
    one = source(measures=measures)
    assert one.read(b"700") == positive
    assert one.read(b"0") == one.read(b"-0") == 0.0
    if negative is None:
        assert reason(one.read, b"-700") == "negative"
        assert reason(one.read, b"-0.001") == "negative"
        assert reason(one.read, b"-20001") == "implausible"
    else:
        assert one.read(b"-700") == negative


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.floats().map(repr),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["w", "a", ""]), inner, max_size=3),
    max_leaves=10,
)
PAYLOADS = (
    st.binary(max_size=60)
    | st.text(max_size=30).map(lambda text: text.encode("utf-8", "surrogatepass"))
    | JSON.map(lambda value: json.dumps(value).encode())
    | st.floats().map(lambda value: repr(value).encode())
)
POINTERS = st.sampled_from([None, "", "/w", "/w/a", "/0", "/w/0", "/", "/a~1b", "//"])


@given(
    payload=PAYLOADS,
    pointer=POINTERS | st.just("/w/-"),
    scale=st.sampled_from([1.0, 1000.0]),
    measures=st.sampled_from(["net-import", "net-export", "import-only", "export-only"]),
    limit=st.floats(1.0, 1e6),
)
def test_any_bytes_become_a_plausible_number_or_a_known_refusal(
    payload: bytes, pointer: str | None, scale: float, measures: Measures, limit: float
) -> None:
    try:
        value_w = source(pointer=pointer, scale=scale, measures=measures, limit=limit).read(payload)
    except Rejected as refusal:
        assert refusal.reason in REJECTIONS
        assert str(refusal) == REJECTIONS[refusal.reason]
        return
    assert isinstance(value_w, float)
    assert abs(value_w) <= limit
    if measures == "import-only":
        assert value_w >= 0
    if measures == "export-only":
        assert value_w <= 0


@given(st.floats(-20000, 20000))
@example(-0.0)
def test_every_number_arrives_as_it_was_sent(value: float) -> None:
    """Both ways: as text and in JSON, a plausible number is never refused and never changed."""
    assert source().read(repr(value).encode()) == value
    assert source(pointer="/0").read(json.dumps([value]).encode()) == value
    assert source(measures="net-export").read(repr(value).encode()) == -value


# --- the meter -------------------------------------------------------------------------------------------------------


def test_sources_are_summed_each_with_its_own_freshness() -> None:
    meter = Meter((source("a", fresh_s=10), source("b", measures="net-export", fresh_s=60), source("c")))
    assert (meter.value, meter.at_s, meter.fresh_until_s) == (None, None, -math.inf)
    meter.take("a", b"100", False, 1.0)
    meter.take("b", b"30", False, 2.0)
    assert (meter.value, meter.at_s, meter.fresh_until_s) == (None, None, -math.inf)
    meter.take("c", b"5", False, 3.0)
    assert (meter.value, meter.at_s, meter.fresh_until_s) == (75.0, 1.0, 11.0)
    meter.take("a", b"200", False, 30.0)
    assert (meter.value, meter.at_s, meter.fresh_until_s) == (175.0, 2.0, 33.0)
    meter.take("c", b"6", False, 31.0)
    assert (meter.value, meter.at_s, meter.fresh_until_s) == (176.0, 2.0, 40.0)
    assert [meter.reading(index) for index in range(3)] == [Reading(200, 30), Reading(-30, 2), Reading(6, 31)]


def test_one_message_feeds_two_sources() -> None:
    both = (source("m", "/in", measures="import-only"), source("m", "/out", measures="export-only"))
    meter = Meter(both)
    meter.take("m", b'{"in": 0, "out": 900}', False, 1.0)
    assert (meter.value, meter.at_s) == (-900.0, 1.0)


@pytest.mark.parametrize(
    "payload", [b'{"in": 50}', b'{"out": 50}', b'{"in": 50, "out": -1}', b'{"in": NaN, "out": 1}', b'{"in": 50, "out":']
)
def test_a_message_is_taken_whole_or_not_at_all(payload: bytes) -> None:
    meter = Meter((source("m", "/in", measures="import-only"), source("m", "/out", measures="export-only")))
    meter.take("m", b'{"in": 0, "out": 900}', False, 1.0)
    reason(meter.take, "m", payload, False, 2.0)
    assert (meter.value, meter.at_s, meter.fresh_until_s) == (-900.0, 1.0, 31.0)


def test_a_retained_message_is_refused_whatever_it_says() -> None:
    meter = Meter((source(),))
    assert reason(meter.take, "m", b"5", True, 1.0) == "retained"
    assert reason(meter.take, "m", b"\xff", True, 1.0) == "retained"
    assert meter.value is None
    meter.take("m", b"7", False, 2.0)
    assert reason(meter.take, "m", b"5", True, 3.0) == "retained"
    assert (meter.value, meter.at_s) == (7.0, 2.0)


def test_the_same_message_again_is_fresh_again() -> None:
    meter = Meter((source(fresh_s=10),))
    meter.take("m", b"7", False, 2.0)
    meter.take("m", b"7", False, 8.0)
    assert (meter.value, meter.fresh_until_s) == (7.0, 18.0)


def test_forgetting() -> None:
    meter = Meter((source("a"), source("b")))
    meter.take("a", b"1", False, 1.0)
    meter.take("b", b"2", False, 1.0)
    meter.forget()
    assert (meter.value, meter.fresh_until_s, meter.reading(0)) == (None, -math.inf, None)
    meter.take("a", b"1", False, 2.0)
    assert meter.value is None


def test_a_meter_without_sources_is_never_known() -> None:
    meter = Meter(())
    meter.take("m", b"1", False, 1.0)
    assert (meter.value, meter.at_s, meter.fresh_until_s, meter.topics) == (None, None, -math.inf, frozenset())


def test_a_topic_of_somebody_else_changes_nothing() -> None:
    meter = Meter((source("m"),))
    meter.take("m", b"7", False, 1.0)
    meter.take("n", b"9", False, 2.0)
    assert (meter.value, meter.at_s) == (7.0, 1.0)


@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(-9, 9), st.integers(0, 40)), max_size=12))
def test_a_meter_is_known_by_the_last_of_each_source(messages: list[tuple[str, int, int]]) -> None:
    meter = Meter((source("a", fresh_s=10), source("b", fresh_s=25, measures="net-export")))
    last: dict[str, tuple[float, int]] = {}
    now_s = 0
    for topic, value, gap_s in messages:
        now_s += gap_s
        meter.take(topic, str(value).encode(), False, now_s)
        last[topic] = (value if topic == "a" else -value, now_s)
        if len(last) < 2:
            assert meter.value is None
        else:
            assert meter.value == last["a"][0] + last["b"][0]
            assert meter.at_s == min(last["a"][1], last["b"][1])
            assert meter.fresh_until_s == min(last["a"][1] + 10, last["b"][1] + 25)


# --- the plug's report, and the enable switch ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pointer", "payload", "state"),
    [
        (None, b"on", True),
        (None, b" ON\n", True),
        (None, b"Off", False),
        ("/s", b'{"s": "on"}', True),
        ("/s", b'{"s": " oFF "}', False),
    ],
)
def test_what_the_plug_reports(pointer: str | None, payload: bytes, state: bool) -> None:
    assert Contact("t", pointer, "On", "oFF").read(payload) is state


@pytest.mark.parametrize(
    ("payload", "on_value", "off_value", "state"),
    [
        (b'{"s": true}', "true", "false", True),
        (b'{"s": false}', "true", "false", False),
        (b'{"s": 1}', "1", "0", True),
        (b'{"s": 0}', "1", "0", False),
        (b'{"s": "1"}', "1", "0", True),
        (b'{"s": null}', "ready", "null", False),
    ],
)
def test_a_report_need_not_be_text(payload: bytes, on_value: str, off_value: str, state: bool) -> None:
    assert Contact("t", "/s", on_value, off_value).read(payload) is state


@pytest.mark.parametrize(
    ("pointer", "payload", "refusal"),
    [
        (None, b"", "not-a-state"),
        (None, b"onn", "not-a-state"),
        (None, b"1", "not-a-state"),
        (None, b'"on"', "not-a-state"),
        (None, b"\xff", "not-utf8"),
        (None, b" " * (PAYLOAD_LIMIT_BYTES + 1), "too-large"),
        ("/s", b"on", "not-json"),
        ("/s", b"{}", "pointer-misses"),
        ("/s", b'{"s": ["on"]}', "not-a-state"),
        ("/s", b'{"s": true}', "not-a-state"),
        ("/s", b'{"s": NaN}', "not-finite"),
    ],
)
def test_what_is_no_report(pointer: str | None, payload: bytes, refusal: str) -> None:
    assert reason(Contact("t", pointer, "on", "off").read, payload) == refusal


@given(PAYLOADS, POINTERS)
def test_any_bytes_become_a_state_or_a_known_refusal(payload: bytes, pointer: str | None) -> None:
    try:
        assert Contact("t", pointer, "0", "null").read(payload) in (True, False)
    except Rejected as refusal:
        assert refusal.reason in REJECTIONS


@pytest.mark.parametrize("depth", [*range(100, 1000, 100), *range(940, 1000), 2000, 32000])
def test_a_deep_report_is_refused_at_any_depth(depth: int) -> None:
    """Reading and writing JSON have limits of their own; neither may surface."""
    payload = b"[" * depth + b"]" * depth
    assert reason(Contact("t", "", "on", "off").read, payload) in ("not-json", "not-a-state")


def test_truth() -> None:
    for word in ("true", "on", "1", "TRUE", "On", " 1 "):
        assert truth(word) is True
    for word in ("false", "off", "0", "FALSE", "oFF", "\t0\n"):
        assert truth(word) is False
    for word in ("", "yes", "no", "2", "01", "1.0", "enable", "truefalse", "on off"):
        assert reason(truth, word) == "not-a-state"


def test_every_reason_is_explained() -> None:
    assert all(explanation and explanation[0].islower() for explanation in REJECTIONS.values())
    with pytest.raises(KeyError):
        Rejected("no-such-reason")


# --- a plug's pulse --------------------------------------------------------------------------------------------------


def spoken(gaps_s: list[float]) -> tuple[Pulse, float]:
    """Return the pulse of a plug that is on and speaks after these pauses, and the time of its last word."""
    pulse, now_s = Pulse(), 1000.0
    pulse.listen(True, now_s)
    pulse.heard(now_s := now_s + RAMP_S)
    for gap_s in gaps_s:
        pulse.heard(now_s := now_s + gap_s)
    return pulse, now_s


@pytest.mark.parametrize(("every_s", "silent_s"), [(1.0, 45.0), (10.0, 45.0), (30.0, 120.0), (200.0, 800.0)])
def test_a_plug_that_speaks_regularly_is_silent_after_some_of_its_pauses(every_s: float, silent_s: float) -> None:
    pulse, now_s = spoken([every_s] * LEAST_GAPS)
    assert (pulse.since_s, pulse.silent_after_s(None)) == (now_s, silent_s)
    assert spoken([every_s] * (LEAST_GAPS - 1))[0].silent_after_s(None) == math.inf
    assert pulse.silent_after_s(77.0) == 77.0
    pulse.listen(False, now_s)
    pulse.heard(now_s + 5.0)  # while it is off nothing is expected of it, and nothing learned
    assert pulse.since_s == math.inf


def test_one_long_pause_is_an_accident_and_words_that_come_together_are_one() -> None:
    pulse, _ = spoken([10.0] * 15 + [70.0])
    assert pulse.silent_after_s(None) == 45.0
    pulse, _ = spoken([20.0, 0.1, 0.1] * LEAST_GAPS)
    assert pulse.silent_after_s(None) == pytest.approx(80.0)


@pytest.mark.parametrize("gaps_s", [[300.0] * 20, [1.0] * 15 + [400.0, 200.0], [5.0, 60.0, 3.0, 250.0, 4.0] * 4])
def test_a_plug_that_speaks_seldom_or_when_it_has_something_to_say_is_never_silent(gaps_s: list[float]) -> None:
    assert spoken(gaps_s)[0].silent_after_s(None) == math.inf


def test_what_is_said_in_one_charge_or_while_current_flows_teaches_nothing_of_another() -> None:
    pulse, now_s = spoken([5.0] * LEAST_GAPS)
    pulse.heard(now_s := now_s + 5.0, flows=True)
    assert pulse.silent_after_s(None) == math.inf
    for flows in [True] * 6 + [True] * LEAST_GAPS:
        pulse.heard(now_s := now_s + 5.0, flows)
    assert pulse.silent_after_s(None) == 45.0
    for _ in range(LEAST_GAPS + 8):
        pulse.heard(now_s := now_s + 5.0, flows=False)
        assert pulse.silent_after_s(None) == math.inf
    pulse, now_s = spoken([5.0] * LEAST_GAPS)
    pulse.listen(False, now_s)
    pulse.listen(True, now_s + 60.0)
    assert pulse.silent_after_s(None) == math.inf


def test_what_is_said_while_the_car_begins_teaches_nothing() -> None:
    pulse = Pulse()
    pulse.listen(True, 0.0)
    for second in range(1, 26):
        pulse.heard(second)
    assert pulse.silent_after_s(None) == math.inf
