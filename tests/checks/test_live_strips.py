"""Numbers over time in few points, and what of a plug-in's payload is let through."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from serial_ends import make_flight

from preflight.checks.base import Context
from preflight.checks.live_strip import Strip
from preflight.checks.live_tap import Pace
from preflight.checks.live_trend import Trend
from preflight.figures.serial_line import longest_stall, stall_bytes
from preflight.live import (
    LONGEST,
    MOST_LINES,
    MOST_PARTS,
    MOST_POINTS,
    MOST_RECEPTIONS,
    Bad,
    Line,
    Reception,
    Receptions,
    Stream,
    Trace,
    bounded,
)
from preflight.readings import Progress, Reading


@given(st.lists(st.floats(allow_infinity=False), max_size=300), st.sampled_from(["least", "most"]))
def test_a_strip_never_loses_what_matters_most_and_never_grows(values: list[float], fold) -> None:
    strip = Strip(fold, room=10)
    for value in values:
        strip.add(value)
    points = strip.points
    assert len(points) <= 11
    there = [value for value in values if not math.isnan(value)]
    kept = [value for value in points if not math.isnan(value)]
    if there:
        best = min if fold == "least" else max
        assert best(kept) == best(there)
    else:
        assert kept == []


def test_a_post_stays_at_its_place_when_points_are_folded() -> None:
    strip = Strip("least", room=8)
    for n in range(40):
        if n == 20:
            strip.post("loaded")
        strip.add(8.4 if n < 20 else 7.9)
    ((at, word),) = strip.posts
    assert word == "loaded"
    assert set(strip.points[:at]) == {8.4}
    assert set(strip.points[at:]) == {7.9}


def test_the_pace_is_steady_where_samples_are() -> None:
    pace = Pace(2.0)
    for n in range(40):
        pace.took(1, 0.5 * n)
    rates, jitters = pace.points(19.6)
    assert rates[-1] == pytest.approx(2.0)
    assert all(math.isnan(rate) or rate == pytest.approx(2.0) for rate in rates)
    assert all(math.isnan(each) or each == pytest.approx(0.0, abs=1e-6) for each in jitters)
    assert pace.rate_told() == "2 Hz, 2 Hz declared"


def test_a_pause_is_no_rate_while_it_lasts_and_afterwards() -> None:
    pace = Pace(10.0)
    for n in range(30):
        pace.took(1, 0.1 * n)
    assert pace.points(6.0)[0][-1] == 0.0
    for n in range(60, 90):
        pace.took(1, 0.1 * n)
    rates, jitters = pace.points(9.0)
    # In plain digits, and not in the words of a limit.
    told = pace.jitter_told()
    assert re.fullmatch(r"largest so far \d{4} ms", told), told
    assert min(rate for rate in rates if not math.isnan(rate)) < 0.5
    assert max(each for each in jitters if not math.isnan(each)) > 2500
    assert rates[-1] == pytest.approx(10.0, rel=0.1)


@given(
    st.lists(st.tuples(st.integers(1, 50), st.floats(0.0, 600.0)), max_size=200),
    st.floats(0.01, 1000.0),
)
def test_a_pace_is_bounded_whatever_comes(came: list[tuple[int, float]], declared: float) -> None:
    pace = Pace(declared)
    second = 0.0
    for count, gap in came:
        second += gap
        pace.took(count, second)
    rates, jitters = pace.points(second + 5.0)
    assert len(rates) == len(jitters) <= MOST_POINTS
    assert all(math.isnan(rate) or (math.isfinite(rate) and rate >= 0) for rate in rates)


def test_many_lines_at_once_are_one_interval_each() -> None:
    pace = Pace(1000.0)
    for n in range(100):
        pace.took(20, 0.02 * (n + 1))
    rates, _ = pace.points(2.0)
    assert rates[-1] == pytest.approx(1000.0)


@given(st.floats(10, 1e5), st.floats(1, 1e5), st.floats(0.05, 1000), st.floats(1, 500), st.floats(1.001, 3.0))
def test_the_longest_stall_is_what_the_buffer_lasts_for(
    capacity: float, buffer: float, rate: float, length: float, more: float
) -> None:
    stall = longest_stall(capacity, buffer, rate, length)
    assert stall_bytes(capacity, stall * (1 - 1e-9), rate, length) <= buffer * (1 + 1e-6)
    beyond = stall * more + 1e-6 + 1e-6 / rate
    assert stall_bytes(capacity, beyond, rate, length) > buffer * (1 - 1e-6)


def voltage(name: str, value: float) -> Progress:
    return Progress("measuring", None, Reading(name=name, value=value, unit="V"))


def test_a_meters_readings_are_a_trend_with_the_batterys_limit() -> None:
    flight = make_flight(
        battery={
            "chemistry": "li-ion",
            "series": 2,
            "capacity": 3.4,
            "state": "charged",
            "cell_temperature": 263.15,
            "rail": 5.0,
            "dropout": 0.3,
            "regulator": "linear",
            "load": [{"name": "all", "current": 0.1}],
        }
    )
    trend = Trend(Context(flight=flight, folder=None))
    for n in range(600):
        name = "meter.open_voltage" if n < 10 else "meter.loaded_voltage"
        latest = voltage(name, 8.3 if n < 10 else 7.6 - 0.0001 * n)
        trend.took(latest)
    shown = trend.shown(latest)
    (trace,) = shown.live
    assert trace.name == "loaded voltage"
    assert len(trace.points) <= MOST_POINTS + 1
    assert [word for _, word in trace.posts] == ["open", "loaded"]
    assert shown.reading.at_least == trace.at_least == 6.0
    assert min(trace.points) == pytest.approx(7.6 - 0.0001 * 599)
    assert "lowest 7.54 V" in trace.told


def test_a_check_that_draws_for_itself_is_left_alone() -> None:
    trend = Trend(Context(flight=make_flight(), folder=None))
    own = Progress("x", 0.1, live=(Trace(name="own", points=(1.0,)),))
    trend.took(own)
    assert trend.shown(own).live == own.live
    assert trend.shown(Progress("no reading")).live == ()


def test_what_a_plugin_gives_is_cut_and_cleaned() -> None:
    hostile = "\x1b[2J\u202e" + "x" * 10_000
    parts = bounded(
        [
            Trace(
                name=hostile, points=tuple(float(n) for n in range(5000)), posts=((4999, hostile), (1, "a"))
            ),
            Stream(name="s", lines=tuple(Line(hostile, (Bad(0, 5, hostile),)) for _ in range(1000))),
            Receptions(name="r", reports=tuple(Reception(ago=1.0, text=hostile) for _ in range(99))),
            Trace(name="a"),
            Trace(name="b"),
            Trace(name="c"),
        ]
    )
    assert len(parts) == MOST_PARTS
    trace, stream, heard = parts[:3]
    assert len(trace.points) == MOST_POINTS
    assert trace.points[-1] == 4999.0
    assert [at for at, _ in trace.posts] == [MOST_POINTS - 1]
    assert len(stream.lines) == MOST_LINES
    assert len(heard.reports) == MOST_RECEPTIONS
    texts = [trace.name, trace.posts[0][1], stream.lines[0].text, heard.reports[0].text]
    assert all("\x1b" not in text and "\u202e" not in text and len(text) < LONGEST + 40 for text in texts)
    assert stream.lines[0].bad == ()


def test_what_is_within_bounds_goes_through_as_it_is() -> None:
    stream = Stream(name="tap", lines=(Line("1,2,3", (Bad(2, 3, "b: 2 is above 1"),)),), seen=1)
    assert bounded([stream]) == (stream,)
