"""Real radiosonde soundings as streams: good on the ground at their site, and no wolf cried aloft.

Each sounding of tests/data/soundings (see its LICENCE.txt) is made into what a flight computer would send
that stood at its lowest level for a while, then rose through all of them: one sample every two seconds,
heights between levels as a balloon passes them at 5 m/s, pressure and temperature between them as in the air.
"""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import pytest
from serial_ends import make_flight

from preflight.checks.judging import judge_samples
from preflight.decode import decoder_for
from preflight.figures.atmosphere import geometric, pressure_altitude, qnh_of

FOLDER = Path(__file__).parents[1] / "data" / "soundings"
SOUNDINGS = sorted(path.stem for path in FOLDER.glob("*.csv"))
STANDING = 30
FIELDS = [
    {"name": "n", "role": "counter", "at_least": 0},
    {"name": "clock", "role": "time"},
    {"name": "pressure", "unit": "hPa", "role": "pressure", "at_least": 1, "at_most": 1100},
    {"name": "altitude", "unit": "m", "role": "altitude", "at_least": -500, "at_most": 45000},
    {"name": "temperature", "unit": "degC", "role": "temperature", "at_least": -100, "at_most": 60},
]


def levels(name):
    with (FOLDER / f"{name}.csv").open(newline="") as file:
        rows = [tuple(map(float, row)) for row in list(csv.reader(file))[1:]]
    assert len(rows) >= 60
    assert rows[-1][1] > 27_000
    return rows


def between(rows, height):
    """Pressure and temperature at a height: the logarithm of pressure and the temperature are linear."""
    for (p, h, t), (p2, h2, t2) in itertools.pairwise(rows):
        if height <= h2:
            share = (height - h) / (h2 - h)
            return p * (p2 / p) ** share, t + (t2 - t) * share
    return rows[-1][0], rows[-1][2]


def stream(rows, *, wrong=lambda p, h, t: (p, h, t), start=82_000):
    """The lines of a flight; the clock passes midnight on the way."""
    lines = []
    heights = [rows[0][1]] * STANDING
    while heights[-1] < rows[-1][1]:
        heights.append(heights[-1] + 10)
    for n, height in enumerate(heights):
        p, t = between(rows, height)
        p, told, t = wrong(p, height, t)
        second = start + 2 * n
        clock = f"{second // 3600 % 24:02}:{second // 60 % 60:02}:{second % 60:02}"
        lines.append(f"{n},{clock},{p:.1f},{told:.0f},{t:.1f}\r\n")
    return "".join(lines).encode()


def flight(rows, *, qnh=True, **site):
    pressure, height, temperature = rows[0]
    known = {"qnh": qnh_of(pressure * 100, height), "temperature": temperature + 273.15} if qnh else {}
    return make_flight(
        site={"latitude": 0.0, "longitude": 0.0, "elevation": height, "timezone": "UTC", **known, **site},
        sample={"rate": 0.5, "format": "delimited", "length": 48.0, "field": FIELDS},
    )


def judge(flight, data, first=None):
    samples = decoder_for(flight.sample).feed(data)[:first]
    assert samples
    return judge_samples(flight, samples, 2.0 * len(samples))


@pytest.mark.parametrize("name", SOUNDINGS)
@pytest.mark.parametrize("qnh", [True, False])
def test_a_real_flight_is_good_on_the_ground_and_aloft(name, qnh):
    rows = levels(name)
    flown = flight(rows, qnh=qnh)
    data = stream(rows)
    faults, remarks = judge(flown, data, STANDING)
    assert faults == []
    assert all("see that it moves when it should" in remark for remark in remarks)
    assert judge(flown, data) == ([], [])


@pytest.mark.parametrize("name", SOUNDINGS)
def test_on_the_ground_a_spoilt_sensor_is_found(name):
    rows = levels(name)
    spoilt = {
        "pressure": lambda p, h, t: (p - 25, h, t),
        "kPa": lambda p, h, t: (p / 10, h, t),
        "altitude": lambda p, h, t: (p, h + 400, t),
        "temperature": lambda p, h, t: (p, h, t + 273.15 if t < 50 else t),
    }
    for what, wrong in spoilt.items():
        faults, _ = judge(flight(rows), stream(rows, wrong=wrong), STANDING)
        named = what if what != "kPa" else "pressure"
        assert any(fault.startswith(f"{named} is") for fault in faults), (what, faults)


@pytest.mark.parametrize("name", SOUNDINGS)
def test_aloft_a_closed_port_a_wrong_scale_and_a_frozen_height_are_found(name):
    rows = levels(name)
    ground = rows[0][0]
    for wrong in (
        lambda p, h, t: (ground - (ground - p) * 0.7, h, t),
        lambda p, h, t: (p, h if h < 6000 else 6000 + (h - 6000) * 0.5, t),
    ):
        faults, _ = judge(flight(rows), stream(rows, wrong=wrong))
        assert any("contradict each other aloft" in fault for fault in faults), faults


@pytest.mark.parametrize("name", SOUNDINGS)
def test_the_day_of_a_sounding_is_not_that_of_the_standard_atmosphere(name):
    """That limits of a few per cent would cry wolf: by how much these days differ from the standard."""
    worst = max(
        abs(geometric(pressure_altitude(p * 100)) - h) / h for p, h, _ in levels(name) if h > 3000 and p >= 20
    )
    assert 0.02 < worst < 0.09
