"""Hostile payloads on every subscribed topic; the promises are in tests/bench/fuzz.py, which throws a million."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st

from surpluscharge.control.signals import PAYLOAD_LIMIT_BYTES, REJECTIONS
from surpluscharge.control.slots import REASONS
from surpluscharge.daemon import logs
from tests.bench.fuzz import TOPICS, Bench, Spoilt, Topic, check_lines, run


@pytest.fixture(autouse=True, scope="module")
def _logging_as_it_was() -> Iterator[None]:
    root, own = logging.getLogger(), logging.getLogger("surpluscharge")
    before = (root.handlers[:], root.level, own.level)
    yield
    root.handlers[:] = before[0]
    root.setLevel(before[1])
    own.setLevel(before[2])
    structlog.reset_defaults()


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("store"))


def test_spoiled_payloads_do_no_harm() -> None:
    """Nothing raised, all counted with a known reason, memory bounded, the log printable and at a bounded rate."""
    result = run(seed=2, count=6000)
    assert result.sent.total() == 6000
    assert set(result.sent) == {topic.name for topic in TOPICS}
    assert all(0 < result.taken[topic.name] < result.sent[topic.name] for topic in TOPICS)
    claims = {"not-a-claim", "too-many-claims"}  # which come by a connection of their own: tests/test_neighbours.py
    led_to = set(REJECTIONS) - {"commissioning", "late", "not-allowed", "told-in-floods"} - claims  # by payloads
    assert set(result.reasons) >= led_to
    assert set(result.reasons) <= set(REASONS)
    assert result.lines > 250
    assert result.traced_bytes < 300_000  # by fewer messages than in a long run, which allows more


ANY_TOPIC = st.sampled_from(TOPICS)


@settings(max_examples=300)
@given(topic=ANY_TOPIC, payload=st.binary(max_size=200) | st.text(max_size=80).map(str.encode), retained=st.booleans())
def test_any_payload_does_no_harm(bench: Bench, topic: Topic, payload: bytes, retained: bool) -> None:
    bench.clock.now_s += 1.0
    check_lines(bench.take(topic, payload, retained))
    bench.check()


@settings(max_examples=200)
@given(
    topic=ANY_TOPIC,
    document=st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats().map(str) | st.text(max_size=10),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.sampled_from(["sensors", "0", "power", "load", "w", "u", "-"]), inner, max_size=3)
        ),
    ),
)
def test_any_document_does_no_harm(bench: Bench, topic: Topic, document: object) -> None:
    bench.clock.now_s += 1.0
    check_lines(bench.take(topic, repr(document).replace("'", '"').encode(), False))
    bench.check()


@pytest.mark.parametrize("topic", TOPICS, ids=[topic.name for topic in TOPICS])
@pytest.mark.parametrize(
    "payload",
    [
        b"[" * PAYLOAD_LIMIT_BYTES,
        b'{"sensors":' * 5000,
        b"[" * 30000 + b"]" * 30000,
        b"9" * PAYLOAD_LIMIT_BYTES,
        b'{"u":' + b"9" * 60000 + b"}",
        b"\x00" * PAYLOAD_LIMIT_BYTES,
        b"x" * 10**6,
    ],
    ids=["deep", "deep objects", "deep and closed", "digits", "digits in JSON", "zeros", "a megabyte"],
)
def test_monstrous_payloads_do_no_harm(bench: Bench, topic: Topic, payload: bytes) -> None:
    bench.clock.now_s += 1.0
    before = bench.taken[topic.name]
    check_lines(bench.take(topic, payload, False))
    assert bench.taken[topic.name] == before


def test_the_checks_can_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A broken promise is noticed: a refusal not counted, a log without limit, a line that is not printable."""
    silent = Bench(tmp_path)
    monkeypatch.setattr(silent.service.controller, "_refuse", lambda *_: None)
    with pytest.raises(Spoilt, match="refused 0 times"):
        silent.take(TOPICS[0], b"{", False)
    talkative = Bench(tmp_path)
    talkative.take(TOPICS[0], b"{", False)
    talkative.service.controller.refusals._told.clear()
    with pytest.raises(Spoilt, match="twice within a minute"):
        talkative.take(TOPICS[0], b"{", False)
    monkeypatch.setattr(logs, "_printable", lambda _logger, _method, event: event)
    with pytest.raises(Spoilt, match="console"):
        check_lines([("info", "reading", {"of": "\x1b[2J", "value": 1})])
