"""Runs of samples: counters, clocks, placeholders, values that stand still."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.checks.sample_faults import counter_faults, run_faults
from preflight.config.flight import SampleField, Site
from preflight.decode.samples import Sample

SITE = Site(latitude=-41.5, longitude=12.25, elevation=212.0, timezone="UTC", qnh=101800.0)


def judge(field, values, *, seconds=10.0, site=SITE, faulty=()):
    samples = [
        Sample(
            at_offset=n,
            raw=b"x",
            values={field.name: value},
            faults=tuple("x" for _ in faulty),
            faulty=tuple(faulty),
        )
        for n, value in enumerate(values)
    ]
    return run_faults([field], samples, seconds, site)


@given(
    start=st.integers(0, 10**6), step=st.integers(1, 1000), count=st.integers(2, 40), gap=st.integers(1, 50)
)
def test_a_counter_that_counts_has_no_fault_and_one_with_a_gap_has_its_size(start, step, count, gap):
    values = [float(start + n * step) for n in range(count)]
    assert counter_faults("n", values) == []
    if count >= 3:
        (fault,) = counter_faults("n", [*values, values[-1] + step * (gap + 1)])
        assert fault.startswith(f"n: {gap} sample")


@pytest.mark.parametrize("size", [256, 65536, 2**32, 100, 10000])
def test_a_wrap_to_zero_is_no_fault(size):
    assert counter_faults("n", [size - 3.0, size - 2.0, size - 1.0, 0.0, 1.0]) == []


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ([1, 2, 3, 3, 4], "n: 1 sample sent twice"),
        ([1, 2, 2, 3, 3, 4], "n: 2 samples sent twice"),
        ([1, 2, 3, 6, 7, 9], "n: 3 samples missing, first between 3 and 6"),
        ([120, 121, 122, 1, 2], "n went from 122 back to 1: did the flight computer restart?"),
        ([5, 5, 5, 5], "n stands still at 5"),
    ],
)
def test_what_is_wrong_with_a_counter(values, fault):
    assert counter_faults("n", list(map(float, values))) == [fault]


def test_a_counter_of_milliseconds_may_jitter():
    assert counter_faults("n", [0.0, 500.0, 1001.0, 1500.0, 2002.0, 2500.0]) == []


def test_a_counter_without_numbers_has_nothing_to_judge():
    assert counter_faults("n", [None, "x", 3.0]) == []


@pytest.mark.parametrize(
    ("role", "unit", "value"),
    [
        *((role, "", 0.0) for role in ("pressure", "temperature", "latitude", "altitude", "battery")),
        *((None, "m/s", value) for value in (999.0, -9999.0, 65535.0)),
        *(("temperature", "degC", value) for value in (85.0, -127.0, 999.9)),
        ("pressure", "hPa", 999.0),
    ],
)
def test_a_placeholder_in_every_sample_is_a_fault(role, unit, value):
    faults, _ = judge(SampleField(name="it", role=role, unit=unit), [value] * 5)
    assert faults == [
        f"it is {value:g} in every one of 5 samples: a placeholder, not a value. "
        "Check the sensor and its wiring"
    ]


@pytest.mark.parametrize(
    ("role", "unit", "value"),
    [
        (None, "m/s", 0.0),
        (None, "", 999.0),
        ("satellites", "", 0.0),
        ("fix", "", 0.0),
        ("altitude", "m", 85.0),
    ],
)
def test_what_may_well_be_so_is_no_fault(role, unit, value):
    assert judge(SampleField(name="it", role=role, unit=unit), [value] * 5)[0] == []


@pytest.mark.parametrize(
    ("role", "unit", "place"),
    [
        ("altitude", "m", {"elevation": 2.0}),
        ("latitude", "deg", {"latitude": 0.001}),
        ("longitude", "deg", {"longitude": -0.02}),
        ("temperature", "degC", {"temperature": 272.15}),
    ],
)
def test_zero_is_a_placeholder_only_where_it_cannot_be_true(role, unit, place):
    field = SampleField(name="it", role=role, unit=unit)
    elsewhere = {"latitude": 10.0, "longitude": 10.0, "elevation": 800.0, "timezone": "UTC"}
    assert len(judge(field, [0.0] * 5, site=Site(**elsewhere))[0]) == 1
    assert judge(field, [0.0] * 5, site=Site(**elsewhere | place))[0] == []


def placeholders(role, values, unit=""):
    return judge(SampleField(name="it", role=role, unit=unit), list(map(float, values)))[0]


def test_a_placeholder_among_values_is_a_fault_unless_they_pass_there():
    assert placeholders("pressure", [992.4, 992.6, 999.0, 992.5, 999.0], "hPa") == [
        "it is 999 in 2 of 5 samples: a placeholder, not a value. Check the sensor and its wiring"
    ]
    assert placeholders("pressure", [1003, 1001, 999, 997, 995], "hPa") == []
    assert "it is 85 in 1 of 5" in placeholders("temperature", [9.1, 9.2, 85, 9.1, 9.0], "degC")[0]
    assert "it is 0 in 1 of 5" in placeholders("latitude", [-41.5, -41.5, 0, -41.5, -41.5])[0]
    assert placeholders("temperature", [0.2, 0.1, 0.0, -0.1, 0.0], "degC") == []
    assert placeholders("satellites", [9, 9, 0, 9]) == []
    assert placeholders("pressure", [999, 992.5], "hPa") == []


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        (["23:59:58", "23:59:59", "00:00:00", "00:00:01"], ""),
        (["08:00:00", "08:00:01", "07:00:02", "07:00:03"], "it went from 08:00:01 back to 07:00:02: did the"),
        (["08:00:00", "08:61:00", "08:00:02"], "it: “08:61:00” is no time"),
        (["soon", "later", "now"], "it: “soon” is no time"),
        (
            [10.0, 10.5, 0.5, 1.0],
            "it went from 10.5 back to 0.5: did the flight computer restart, or was",
        ),
        ([235958.0, 235959.0, 0.0, 1.0], ""),
        ([1.0, 1.0, 2.0, 2.0], ""),
        (
            ["2031-03-09T23:59:59Z", "2031-03-10T00:00:00Z", "2031-03-09T23:59:58Z"],
            "it went from 2031-03-10",
        ),
    ],
)
def test_a_clock_that_goes_back_is_told_from_midnight(values, fault):
    faults, _ = judge(SampleField(name="it", role="time"), values, seconds=2.0)
    assert [fault in found for found in faults] == ([True] if fault else []), faults


def test_a_clock_that_goes_ahead_at_once_is_a_remark():
    times = [f"08:00:{n:02}" for n in range(10)] + [f"08:05:{n:02}" for n in range(10)]
    assert judge(SampleField(name="it", role="time"), times) == (
        [],
        ["it went from 08:00:09 to 08:05:00 at once: a pause, or its clock was set"],
    )


def test_times_of_a_long_run_are_judged_quickly_and_the_same():
    field = SampleField(name="it", role="time")
    times = [f"{n // 3600 % 24:02}:{n // 60 % 60:02}:{n % 60:02}" for n in range(80_000, 170_000)]
    assert judge(field, times) == ([], [])
    times[50_000] = times[10]
    assert "did the flight computer restart" in judge(field, times)[0][0]


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ([253, 254, 255, 1, 2], "n: 1 sample missing, first between 255 and 1"),
        ([65533, 65534, 2, 3], "n: 3 samples missing, first between 65534 and 2"),
        ([9997, 9999, 1, 3], ""),
    ],
)
def test_a_wrap_with_samples_missing_is_no_restart(values, fault):
    assert counter_faults("n", list(map(float, values))) == ([fault] if fault else [])


def test_999_hpa_is_a_placeholder_only_where_the_air_cannot_have_it():
    field = SampleField(name="it", role="pressure", unit="hPa")
    low = Site(latitude=0, longitude=0, elevation=10.0, timezone="UTC")
    assert judge(field, [999.0] * 5, site=low)[0] == [], "no QNH: a common day's pressure near the sea"
    fits = Site(latitude=0, longitude=0, elevation=10.0, timezone="UTC", qnh=100000.0)
    assert judge(field, [999.0] * 5, site=fits)[0] == []
    other = Site(latitude=0, longitude=0, elevation=10.0, timezone="UTC", qnh=102500.0)
    assert len(judge(field, [999.0] * 5, site=other)[0]) == 1
    high = Site(latitude=0, longitude=0, elevation=1500.0, timezone="UTC")
    assert len(judge(field, [999.0] * 5, site=high)[0]) == 1
    odd = SampleField(name="it", role="pressure", unit="inHg")
    assert len(judge(odd, [999.0] * 5, site=low)[0]) == 1


def test_a_value_that_stands_still_is_a_remark():
    field = SampleField(name="box temperature", role="temperature", unit="degC")
    faults, remarks = judge(field, [18.2] * 5)
    assert faults == []
    assert remarks == ["box temperature is 18.2 in every one of 5 samples: see that it moves when it should"]
    assert judge(field, [18.2] * 5, faulty=["box temperature"]) == ([], []), "its range is named already"
    assert judge(field, [18.2, 18.2, 18.3, 18.2, 18.2]) == ([], [])


def test_a_clock_must_move_within_whole_seconds():
    field = SampleField(name="time", role="time")
    assert judge(field, ["08:00:00"] * 5, seconds=2.0)[0] == []
    assert judge(field, ["08:00:00"] * 5, seconds=4.0)[0] == [
        "time stands still at 08:00:00: the flight computer's clock does not run"
    ]


def test_two_samples_tell_nothing_of_a_run():
    assert judge(SampleField(name="it", role="pressure"), [0.0, 0.0]) == ([], [])
