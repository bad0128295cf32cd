"""Times in samples: their forms, midnight, and how far they are from a laptop's clock."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.checks.times import DAY, Offset, offset_from, read_times, span, why_apart
from preflight.config.flight import SampleField

TIME = SampleField(name="t", role="time")


def clock(second):
    return f"{second // 3600 % 24:02}:{second // 60 % 60:02}:{second % 60:02}"


@pytest.mark.parametrize(
    ("values", "kind", "first"),
    [
        (["08:00:00", "08:00:01"], "day", 28800),
        (["08:00:00.5Z", "08:00:01.5Z"], "day", 28800.5),
        (["080000", "080001"], "day", 28800),
        ([80000.0, 80001.25], "day", 28800),
        (["2031-03-09T08:00:00Z"], "date", 1930809600),
        (["2031-03-09 08:00:00"], "date", 1930809600),
        (["2031-03-09T21:00:00+13:00"], "date", 1930809600),
        (["20310309T080000-0130"], "date", 1930809600 + 5400),
        ([1.9e9, 1.9e9 + 1], "date", 1.9e9),
        ([0.25, 0.5, 99.75], "running", 0.25),
        ([61.0, 75.5, 2461.0, 99999.0], "running", 61.0),
    ],
)
def test_forms_are_read(values, kind, first):
    times = read_times(TIME, values)
    assert times is not None
    assert (times.kind, times.seconds[0]) == (kind, pytest.approx(first))
    assert times.wrong is None


def test_units_of_numbers_count():
    up = read_times(SampleField(name="t", role="time", unit="ms"), [80000.0, 80500.0])
    assert (up.kind, up.seconds) == ("running", (80.0, 80.5))
    since = read_times(SampleField(name="t", role="time", unit="ms"), [1.9e12, 1.9e12 + 250])
    assert (since.kind, since.seconds[1]) == ("date", pytest.approx(1.9e9 + 0.25))


@pytest.mark.parametrize("text", ["24:00:00", "08:60:00", "soon", "2031-02-30T08:00:00Z", "8:0:0", "1e9999"])
def test_what_is_no_time_is_kept_to_be_told(text):
    assert read_times(TIME, [text]) is None
    times = read_times(TIME, ["08:00:00", text, None, "08:00:02"])
    assert times.wrong == text
    assert times.seconds[1] is None
    assert times.seconds[2] is None


def test_nothing_has_no_times():
    assert read_times(TIME, []) is None
    assert read_times(TIME, [None, None]) is None


@given(start=st.integers(0, 86399), step=st.integers(1, 3000), count=st.integers(2, 60))
def test_times_of_day_go_on_over_midnight(start, step, count):
    seconds = [start + n * step for n in range(count)]
    for form in (clock, lambda second: clock(second).replace(":", "")):
        times = read_times(TIME, [form(second) for second in seconds])
        assert times.seconds == tuple(map(float, seconds))
        assert times.resolution == step


def test_one_that_comes_late_over_midnight_is_of_the_day_before():
    times = read_times(TIME, ["23:59:58", "00:00:01", "23:59:59", "00:00:02"])
    assert times.seconds == (86398.0, 86401.0, 86399.0, 86402.0)


BEGAN = datetime(2031, 3, 9, 8, 0, 0, 250000, tzinfo=UTC)


@given(
    off=st.floats(-40000, 40000),
    rate=st.sampled_from([0.5, 1.0, 5.0, 20.0]),
    latency=st.floats(0, 1),
    digits=st.integers(0, 2),
    updates=st.sampled_from([0.05, 0.2, 1.0]),
)
def test_the_true_offset_lies_within_the_uncertainty(off, rate, latency, digits, updates):
    arrivals = [n / rate for n in range(max(3, int(4 * rate)))]
    values = []
    for arrival in arrivals:
        true = BEGAN.timestamp() + arrival - latency + off
        shown = true - true % max(updates, 10.0**-digits) + 1e-9
        at = datetime.fromtimestamp(shown, UTC)
        values.append(f"{at:%H:%M:%S}" + (f".{at.microsecond:06}"[: digits + 1] if digits else ""))
    found = offset_from(read_times(TIME, values), arrivals, BEGAN)
    room = found.uncertainty + 0.02
    assert abs((found.value - off + DAY / 2) % DAY - DAY / 2) <= room
    assert found.uncertainty <= 1.6 + 1 / rate


def test_sending_takes_time_and_a_running_clock_tells_none():
    times = read_times(TIME, ["08:00:10.00", "08:00:10.50"])
    slow = offset_from(times, [10.0, 10.5], BEGAN, sending=0.5, latency=0.0)
    fast = offset_from(times, [10.0, 10.5], BEGAN, latency=0.0)
    assert slow.value - fast.value == pytest.approx(0.5)
    assert offset_from(read_times(TIME, [0.5, 1.5]), [0.0, 1.0], BEGAN) is None
    assert offset_from(read_times(TIME, ["x", "08:00:00"]), [0.0, 1.0], BEGAN) is not None


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (18.2, "GPS time against UTC"),
        (-17.5, "GPS time against UTC"),
        (22.0, ""),
        (3600.3, "time zone"),
        (-34199.5, "time zone"),
        (95.0, ""),
        (0.0, ""),
    ],
)
def test_offsets_of_known_kinds(value, told):
    found = why_apart(Offset(value, 0.6))
    assert told in found
    assert bool(found) is bool(told)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.4781, "0.478 s"), (-20, "20 s"), (95, "1 min 35 s"), (3600, "1 h 0 min"),
        (-43170, "11 h 59 min"), (400000, "5 days"),
    ],
)  # fmt: skip
def test_spans_as_people_say_them(seconds, text):
    assert span(seconds) == text
