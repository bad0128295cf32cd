"""Replacing one value of a flight: the same rules as in the file, and nothing else changes."""

import pytest
from msgspec import structs

from preflight.config.flight import Flight
from preflight.config.keys import find_key, flight_keys, flight_sections, replace_value, value_text
from preflight.config.load import parse_flight
from preflight.config.problems import BadFile


@pytest.fixture(scope="module")
def flight(flight_text: str) -> Flight:
    return parse_flight(flight_text.encode(), "f.toml")


def test_keys_tell_what_they_hold() -> None:
    keys = flight_keys()
    assert keys["balloon.neck_lift"].kind == "mass"
    assert keys["balloon.neck_lift"].bounds == "above 0 kg and of at most 50 kg"
    assert keys["balloon.gas"].choices == ("helium", "hydrogen")
    assert keys["link.baud"].type == "whole number"
    assert keys["sample.header"].type == "yes or no"
    assert keys["flight.release"].type == "date"
    assert keys["beacon.battery.capacity"].kind == "charge"
    assert not any("[" in name for name in keys)
    assert "payload.package" not in keys


def test_keys_in_arrays_are_found_by_position() -> None:
    key = find_key("payload.package[2].mass")
    assert key is not None
    assert key.kind == "mass"
    assert find_key("payload.package[0].mass") is None
    assert find_key("payload.package[].mass") is None
    assert find_key("payload.package.mass") is None


def test_sections() -> None:
    sections = flight_sections()
    assert {"balloon", "port", "port.tap", "port.logger", "beacon.battery", "logger.exchange"} <= sections
    assert "balloon.mass" not in sections


@pytest.mark.parametrize(
    ("key", "text", "value"),
    [
        ("balloon.neck_lift", "1.72 kg", 1.72),
        ("balloon.neck_lift", "1720 g", 1.72),
        ("site.latitude", "-43,5", -43.5),
        ("site.temperature", "-4 degC", 269.15),
        ("link.baud", "9600", 9600),
        ("balloon.gas", "hydrogen", "hydrogen"),
        ("battery.regulator", "linear", "linear"),
        ("sample.header", "true", True),
        ("flight.name", "Fulmar 4", "Fulmar 4"),
        ("balloon.purity", "1", 1.0),
        ("link.clock", "16 MHz", 16e6),
    ],
)
def test_one_value_is_replaced_and_nothing_else(flight: Flight, key: str, text: str, value: object) -> None:
    section, name = key.split(".")
    changed = replace_value(flight, key, text)
    assert getattr(getattr(changed, section), name) == value
    back = structs.replace(getattr(changed, section), **{name: getattr(getattr(flight, section), name)})
    assert structs.replace(changed, **{section: back}) == flight


def test_a_value_in_an_array(flight: Flight) -> None:
    changed = replace_value(flight, "payload.package[1].mass", "900 g")
    assert changed.payload.package[0].mass == 0.9
    assert flight.payload.package[0].mass == 1.02
    deep = replace_value(flight, "wiring.connection[1].from", "other board")
    assert deep.wiring is not None
    assert deep.wiring.connection[0].from_ == "other board"


def test_a_new_release_time(flight: Flight) -> None:
    changed = replace_value(flight, "flight.release", "2027-05-16T21:30:00+12:00")
    assert changed.flight.release.isoformat() == "2027-05-16T09:30:00+00:00"


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("balloon.neck_lift", "1.72 m", "balloon.neck_lift: m is a unit of length, this is a mass"),
        ("balloon.neck_lift", "1.72", "has no unit"),
        ("balloon.neck_lift", "90 kg", "90 kg is out of range; give a value above 0 kg and of at most 50 kg"),
        ("balloon.neck_left", "1 kg", 'unknown key; did you mean "balloon.neck_lift"?'),
        ("site.latitude", "95", "from -90 to 90"),
        ("site.latitude", "north", "a number"),
        ("site.timezone", "Pacific/Aukland", "unknown time zone"),
        ("flight.release", "2027-05-16T08:30:00", "no UTC offset"),
        ("flight.release", "tomorrow", "as in 2027"),
        ("flight.name", "\x1b[2J", "control character"),
        ("link.baud", "9600.5", "whole number"),
        ("link.baud", "9" * 5000, "whole number"),
        ("sample.header", "maybe", "true or false"),
        ("balloon", "1", "holds more than one value"),
        ("payload.package", "1", "holds more than one value"),
        ("payload.package[2].mass", "1 kg", "there are only 1"),
        ("balloon[1].mass", "1 kg", "unknown key"),
        ("beacon.battery.capacity", "1 A*h", "the flight file has no [beacon.battery]"),
        ("sample.checksum.name", "crc-8", "the flight file has no [sample.checksum]"),
        ("battery.regulator.efficiency", "0.9", "battery.regulator is not a table here"),
        ("limits.link.margin", "1", "unknown key"),
        ("", "1", "unknown key"),
        ("a\x1b", "1", "unknown key"),
        ("sample.field[2].role", "counter", "already taken"),
        ("battery.state", "fresh", "recharged"),
    ],
)
def test_what_is_against_the_rules_is_refused(flight: Flight, key: str, text: str, said: str) -> None:
    with pytest.raises(BadFile) as caught:
        replace_value(flight, key, text)
    assert said in str(caught.value)
    assert "\x1b" not in str(caught.value)
    assert all(problem.line is None for problem in caught.value.problems)


def test_a_key_that_the_file_left_out_can_be_set(flight: Flight) -> None:
    assert flight.link is not None
    assert flight.link.clock is None
    changed = replace_value(flight, "link.clock", "8 MHz")
    assert changed.link is not None
    assert changed.link.clock == 8e6


def test_a_value_reads_as_a_file_has_it(flight: Flight) -> None:
    for key, text in (
        ("balloon.neck_lift", "1.72 kg"),
        ("payload.package[1].mass", "0.9 kg"),
        ("link.baud", "9600"),
        ("sample.header", "true"),
        ("balloon.gas", "hydrogen"),
        ("balloon.purity", "0.99"),
        ("flight.release", "2031-03-09T09:00:00+00:00"),
    ):
        assert value_text(replace_value(flight, key, text), key) == text
    for key in ("balloon.necklift", "payload.package[9].mass", "payload.package"):
        with pytest.raises(BadFile):
            value_text(flight, key)
