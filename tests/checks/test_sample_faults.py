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
