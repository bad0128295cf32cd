"""Samples against site, weather, battery and clock: what is wrong is named, what may well be so is not."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from serial_ends import PAYLOAD_SITE, make_flight

from preflight.checks.columns import table_of
from preflight.checks.cross_checks import columns_of, cross_checks
from preflight.checks.cross_site import distance
from preflight.checks.judging import clock_faults, judge_samples
from preflight.checks.tap import Capture
from preflight.config.flight import SampleField
from preflight.decode.samples import Sample

UNITS = {
    "pressure": "hPa", "altitude": "m", "temperature": "degC", "latitude": "deg", "longitude": "deg",
    "battery": "V",
}  # fmt: skip
GROUND = {
    "pressure": 992.6, "altitude": 214.0, "temperature": 9.4, "latitude": -43.93002, "longitude": 171.62003,
    "battery": 8.1,
}  # fmt: skip
BATTERY = {
    "chemistry": "li-ion", "series": 2, "capacity": 12240.0, "cell_temperature": 263.15,
    "load": [{"name": "all", "current": 0.3}],
}  # fmt: skip


def rows(units=UNITS, count=8, **changes):
    fields = [SampleField(name=f"the {role}", role=role, unit=unit) for role, unit in units.items()]
    samples = []
    for n in range(count):
        row = GROUND | changes
        values = {
            field.name: (value(n) if callable(value) else value)
            for field in fields
            if (value := row[field.role]) is not ...
        }
        samples.append(Sample(60 * n, b"x" * 60, values))
    return fields, samples


def judge(*, site=PAYLOAD_SITE, cells=BATTERY, units=UNITS, count=8, skip=(), **changes):
    flight = make_flight(site=site, **({"battery": cells} if cells else {}))
    fields, samples = rows(units, count, **changes)
    return cross_checks(flight, fields, table_of(fields, samples), skip=skip)


def without(key):
    return {name: value for name, value in PAYLOAD_SITE.items() if name != key}


def test_what_fits_has_nothing_to_say():
    assert judge() == ([], [])
    assert judge(site=without("qnh"), cells=None) == ([], [])
    assert judge(units={}) == ([], [])


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        # pressure
        (
            {"pressure": 1008.0},
            "the pressure is 1008 hPa; at 212 m the declared QNH gives about 993 hPa: check",
        ),
        ({"pressure": 99260.0}, "it fits Pa where hPa are declared. Correct the field's unit or scale"),
        ({"pressure": 99.26}, "it fits kPa where hPa are declared"),
        ({"pressure": 29.31}, "it fits inches of mercury"),
        ({"pressure": 744.5}, "it fits millimetres of mercury"),
        ({"pressure": 1018.0}, "it fits the pressure reduced to sea level"),
        ({"pressure": -4.0}, "check the sensor, its calibration"),
        # altitude
        ({"altitude": 695.0}, "it would fit feet where metres are declared"),
        ({"altitude": 64.6}, ""),
        ({"altitude": 420.0}, "the altitude is 420 m, the site is at 212 m: wait for a better fix"),
        ({"altitude": 0.0}, "wait for a better fix under open sky, or correct elevation in [site]"),
        # position
        ({"latitude": 43.93}, "the signs fit if the latitude's is turned: north is positive"),
        ({"longitude": -171.62}, "the signs fit if the longitude's is turned: east is positive"),
        ({"latitude": 43.93, "longitude": -171.62}, "the signs fit if both are turned"),
        ({"latitude": -4355.8, "longitude": 17137.2}, "degrees and minutes run together (ddmm.mmmm)"),
        ({"latitude": -43.558, "longitude": 171.372}, "minutes written behind the point (dd.mmmm)"),
        ({"latitude": -439300200.0, "longitude": 1716200300.0}, "degrees times ten million"),
        ({"latitude": -43930020.0, "longitude": 171620030.0}, "degrees times a million"),
        ({"latitude": 0.0, "longitude": 0.0}, "are 0 and 0: a receiver without a fix"),
        ({"latitude": -43.0}, "171.62003: run this at the site, correct [site], or wait"),
        ({"latitude": 91.0}, "no place on earth"),
        # temperature
        ({"temperature": 282.5}, "it fits kelvin. Correct the field's unit or scale"),
        ({"temperature": 94.0}, "it fits tenths of a degree"),
        ({"temperature": 940.0}, "it fits hundredths of a degree"),
        ({"temperature": 5000.0}, "the temperature is 5000.0 degC on the ground: check the sensor"),
        # battery
        (
            {"battery": 4.05},
            "the battery is 4.05 V, 2.02 V a cell: 2 li-ion cells in series have 5.0 to 8.5 V",
        ),
        ({"battery": 12.3}, "Check the divider, the field's scale, and [battery]"),
    ],
)
def test_what_cannot_be_is_named_and_looked_into(changes, told):
    faults, _ = judge(**changes)
    assert ([told in fault for fault in faults] == [True]) is bool(told), faults


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"pressure": 1000.5}, "is the QNH that of now, and the sensor calibrated?"),
        ({"altitude": 300.0}, "see whether it counts from the ellipsoid"),
        ({"latitude": -43.95}, "2.2 km from the site, at -43.95000, 171.62003: is the"),
        ({"temperature": 48.9}, "It would fit degrees Fahrenheit as well."),
        ({"temperature": 40.0}, "warm from a room, in the sun, or wrong?"),
    ],
)
def test_what_is_odd_is_a_remark(changes, told):
    faults, remarks = judge(**changes)
    assert faults == []
    assert [told in remark for remark in remarks] == [True], remarks


@pytest.mark.parametrize("sea_level", [950.0, 980.0, 1013.25, 1040.0, 1060.0])
def test_any_weather_is_fine_where_no_qnh_is_declared(sea_level):
    from preflight.figures.atmosphere import pressure_at

    at_site = pressure_at(sea_level * 100, 212.0) / 100
    assert judge(site=without("qnh"), pressure=at_site)[0] == []


def test_where_no_qnh_is_declared_kpa_still_shows():
    assert "it fits kPa" in judge(site=without("qnh"), pressure=99.3)[0][0]
    assert "any weather gives about 988 hPa" in judge(site=without("qnh"), pressure=880.0)[0][0]


def test_units_are_converted_before_anything_is_compared():
    units = {"pressure": "Pa", "altitude": "ft", "temperature": "degF", "battery": "mV"}
    changes = {"pressure": 99260.0, "altitude": 702.0, "temperature": 49.0, "battery": 8100.0}
    assert judge(units=units, **changes) == ([], [])
    fields, samples = rows(units, 1, **changes)
    found = columns_of(fields, table_of(fields, samples))
    assert found.numbers("temperature")[0] == pytest.approx(9.44, abs=0.01)
    assert found.numbers("altitude")[0] == pytest.approx(213.97, abs=0.01)


def test_single_spikes_and_holes_are_left_to_the_ranges():
    odd = {
        "pressure": lambda n: 500.0 if n == 3 else 992.6,
        "altitude": lambda n: None if n % 2 else 214.0,
        "temperature": lambda n: "x" if n == 0 else 9.0,
    }
    assert judge(**odd) == ([], [])
    assert judge(pressure=..., battery=...) == ([], [])


def test_placeholders_are_not_told_twice():
    assert judge(pressure=0.0, skip={"the pressure"}) == ([], [])
    flight = make_flight(site=PAYLOAD_SITE, sample={
        "rate": 2.0, "format": "delimited", "length": 64.0,
        "field": [{"name": "the pressure", "role": "pressure", "unit": "hPa"}],
    })  # fmt: skip
    _, samples = rows({"pressure": "hPa"}, pressure=0.0)
    assert judge_samples(flight, samples, 10.0)[0] == [
        "the pressure is 0 in every one of 8 samples: a placeholder, not a value. Check the sensor and its "
        "wiring"
    ]


def climbing(n):
    return 214.0 + 60.0 * max(0, n - 20)


def pressure_of(altitude):
    from preflight.figures.atmosphere import geopotential, standard

    return standard().at(geopotential(altitude)).pressure / 100


def test_a_flight_is_judged_on_the_ground_before_it_moves_and_by_itself_aloft():
    rising = {"altitude": climbing, "pressure": lambda n: pressure_of(climbing(n))}
    site = {**PAYLOAD_SITE, "qnh": 101325.0}
    assert judge(site=site, count=300, **rising) == ([], [])
    elsewhere = judge(site={**site, "elevation": 1400.0}, count=300, **rising)
    assert elsewhere[0] == []
    assert elsewhere[1] == ["The samples begin at 214 m, not at the site: they were not compared with it"]
    blocked = rising | {"pressure": lambda n: pressure_of(climbing(n) * 0.7)}
    (fault,) = judge(site=site, count=300, **blocked)[0]
    assert fault.startswith(
        "the pressure and the altitude contradict each other aloft: the pressure is that of"
    )
    hot = judge(site=site, count=300, **rising, temperature=lambda n: 9.0 if n < 30 else 120.0)[0]
    assert hot == [
        "the temperature is 120.0 degC aloft, in 270 of 278 samples: no air has that. Check the sensor, its "
        "wiring and the field's unit"
    ]


def test_one_of_two_that_moves_alone_is_judged_on_the_ground():
    (fault,) = judge(count=300, altitude=lambda n: 214.0 + 20 * n)[0]
    assert fault.startswith("the altitude is ")


def test_distances_are_those_of_the_ellipsoid():
    # One minute of latitude is a nautical mile of old, 1852 m, within its own spread over latitudes.
    assert distance(45.0, 7.0, 45.0 + 1 / 60, 7.0) == pytest.approx(1852, abs=1)
    assert distance(0, 0, 91, 0) is None


TIME = {"rate": 2.0, "format": "delimited", "length": 64.0, "field": [{"name": "clock", "role": "time"}]}


@pytest.mark.parametrize(
    ("values", "fault", "remark"),
    [
        (["08:00:00", "08:00:01", "08:00:02"], "", ""),
        (["08:00:10", "08:00:11", "08:00:12"], "", "clock is 11 s ahead of this laptop's clock: see which"),
        (["08:01:35", "08:01:36", "08:01:37"], "clock is 1 min 36 s ahead of this laptop's clock: see", ""),
        (["07:58:25", "07:58:26", "07:58:27"], "clock is 1 min 34 s behind this laptop's clock", ""),
        (["08:00:18", "08:00:19", "08:00:20"], "", "the receiver has not heard of the leap seconds yet"),
        (["21:00:00", "21:00:01", "21:00:02"], "one of the two runs on local time", ""),
        ([1.0, 2.0, 3.0], "", ""),
        ([None, None, None], "", ""),
    ],
)
def test_the_samples_clock_against_the_laptops(values, fault, remark):
    samples = [Sample(0, b"x" * 20, {"clock": value}) for value in values]
    began = datetime(2031, 3, 9, 8, 0, tzinfo=UTC)
    heard = Capture(samples=samples, times=[0.0, 1.0, 2.0], began=began)
    found = clock_faults(make_flight(sample=TIME), heard)
    for told, wanted in zip(found, (fault, remark), strict=True):
        assert [wanted in sentence for sentence in told] == ([True] if wanted else []), found
