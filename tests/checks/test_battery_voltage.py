"""Battery voltages, typed and from the tap, against chemistry, cut-off, rail and dropout."""

from __future__ import annotations

import pytest
from serial_ends import make_flight

from preflight.checks.base import Context, run_check
from preflight.checks.battery_voltage import LOADED, OPEN, OPEN_VOLTAGE, check
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.simulate import SimulatedPayload
from preflight.readings import Reading

CELLS = {
    "chemistry": "li-ion",
    "series": 2,
    "capacity": 12240.0,
    "cell_temperature": 263.15,
    "load": [{"name": "all", "current": 0.1}],
}


def flight(*, at=None, fields=None, limits=None, **cells):
    sections = {"battery": CELLS | cells, "limits": limits or {}}
    if at is not None:
        sections |= {
            "link": {"baud": 38400},
            "port": [{"use": "tap", "at": str(at)}],
            "sample": {
                "rate": 20.0,
                "format": "delimited",
                "length": 72.0,
                "field": list(fields or SAMPLE_FIELDS),
            },
        }
    return make_flight(**sections)


def run(flight, folder, *, at_rest=None, loaded=None, measured=None):
    given = {OPEN: at_rest, LOADED: loaded}
    typed = {name: value for name, value in given.items() if value is not None}
    return run_check(check, Context(flight=flight, folder=folder, typed=typed, measured=measured or {}))


def reading(finding, name):
    return next(found for found in finding.readings if found.name == name)


def test_two_good_voltages_are_go_beside_their_limits(tmp_path):
    finding = run(flight(), tmp_path, at_rest=8.36, loaded=8.1)
    assert finding.outcome == "go"
    at_rest = reading(finding, OPEN)
    assert (at_rest.at_least, at_rest.at_most, at_rest.unit) == (8.2, 8.5, "V")
    assert reading(finding, LOADED).at_least == 6.0
    assert "The load takes 0.26 V off the open voltage" in finding.remarks


@pytest.mark.parametrize(
    ("cells", "at_rest", "outcome"),
    [
        ({"chemistry": "alkaline", "series": 4}, 6.3, "go"),
        ({"chemistry": "alkaline", "series": 4}, 6.0, "no-go"),
        ({"chemistry": "alkaline", "series": 4}, 7.2, "no-go"),
        ({"chemistry": "nimh", "series": 6}, 8.4, "go"),
        ({"chemistry": "nimh", "series": 6}, 7.6, "no-go"),
        ({"chemistry": "lifepo4", "series": 2}, 6.7, "go"),
        ({"chemistry": "lifepo4", "series": 2}, 6.4, "no-go"),
        ({"chemistry": "li-ion", "series": 2}, 8.0, "no-go"),
        ({"chemistry": "li-ion", "series": 1}, 8.3, "no-go"),
    ],
)
def test_the_open_voltage_is_judged_by_chemistry_and_series(tmp_path, cells, at_rest, outcome):
    finding = run(flight(**cells), tmp_path, at_rest=at_rest, loaded=at_rest)
    assert reading(finding, OPEN).within is (outcome == "go")
    assert finding.outcome == outcome


def test_every_chemistry_has_bounds_around_its_full_voltage():
    from preflight.figures.battery import chemistry

    for name, (low, high) in OPEN_VOLTAGE.items():
        assert low <= chemistry(name).full <= high


def test_an_open_voltage_of_lithium_iron_disulphide_tells_no_charge(tmp_path):
    """A cell used by half still rests above its nominal voltage: it passes, and the crew is told why."""
    finding = run(flight(chemistry="li-fes2", series=4, state="fresh"), tmp_path, at_rest=6.2, loaded=6.0)
    assert finding.outcome == "go"
    assert any("does not tell the charge left" in remark for remark in finding.remarks)
    dead = run(flight(chemistry="li-fes2", series=4, state="fresh"), tmp_path, at_rest=5.4, loaded=5.2)
    assert dead.outcome == "no-go"


@pytest.mark.parametrize(
    ("cells", "at_least"),
    [
        ({}, 6.0),
        ({"cut_off": 3.3}, 6.6),
        ({"rail": 6.0, "dropout": 0.5}, 6.5),
        ({"rail": 3.3, "dropout": 0.3}, 6.0),
        ({"rail": 9.0, "regulator": {"efficiency": 0.9}}, 6.0),
        ({"chemistry": "alkaline", "series": 4, "rail": 3.3, "dropout": 0.3}, 3.6),
    ],
)
def test_the_loaded_voltage_must_feed_the_rail_and_stay_above_cut_off(tmp_path, cells, at_least):
    finding = run(flight(**cells), tmp_path, at_rest=8.3, loaded=8.0)
    assert reading(finding, LOADED).at_least == pytest.approx(at_least)


def test_too_low_too_high_and_swapped_are_told_with_a_remedy(tmp_path):
    finding = run(flight(), tmp_path, at_rest=7.0, loaded=5.0)
    assert finding.outcome == "no-go"
    assert (
        "3.50 V a cell, is below 8.2 V for 2 li-ion cells in series: charge or replace" in finding.remarks[0]
    )
    assert "below the 6 V that the payload needs" in finding.remarks[1]
    finding = run(flight(), tmp_path, at_rest=12.5, loaded=12.6)
    assert "more than 2 li-ion cells in series can have (8.5 V)" in finding.remarks[0]
    assert any("are the two swapped?" in remark.lower() for remark in finding.remarks)


def test_what_is_missing_is_open_and_says_what_to_type(tmp_path):
    finding = run(flight(), tmp_path)
    assert finding.outcome == "open"
    assert [r.value for r in finding.readings] == [None, None]
    assert "type battery.open_voltage in volts" in finding.remarks[0]
    assert "type battery.loaded_voltage in volts" in finding.remarks[1]
    assert run(flight(), tmp_path, at_rest=8.3).outcome == "open"
    assert run(flight(), tmp_path, at_rest=7.0).outcome == "no-go", "a no-go counts at once"


def test_an_open_voltage_measured_before_still_counts_a_loaded_one_does_not(tmp_path):
    earlier = {
        name: Reading(name=name, value=value, unit="V") for name, value in ((OPEN, 8.31), (LOADED, 8.2))
    }
    finding = run(flight(), tmp_path, measured=earlier)
    assert reading(finding, OPEN).value == 8.31
    assert finding.outcome == "open"
    finding = run(flight(), tmp_path, measured=earlier, loaded=8.1)
    assert finding.outcome == "go"
    assert any("measured before: 8.31 V" in remark for remark in finding.remarks)


def test_the_flight_files_limits_count(tmp_path):
    limits = {OPEN: {"at_least": 7.9}, LOADED: {"at_least": 8.05}}
    finding = run(flight(limits=limits), tmp_path, at_rest=8.0, loaded=8.0)
    assert (reading(finding, OPEN).within, reading(finding, LOADED).within) == (True, False)


def test_the_loaded_voltage_is_the_lowest_that_the_tap_reads(tmp_path):
    with SimulatedPayload(tmp_path, rate=20, faults=["low-battery=7.5"]) as payload:
        finding = run(flight(at=payload.tap), tmp_path, at_rest=8.3)
        assert finding.outcome == "go", finding.remarks
        assert reading(finding, LOADED).value == pytest.approx(7.48, abs=0.03)
        assert finding.evidence[0].name == "tap capture"
        payload.plant(["low-battery=5.1"])
        assert run(flight(at=payload.tap), tmp_path, at_rest=8.3).outcome == "no-go"
        typed = run(flight(at=payload.tap), tmp_path, at_rest=8.3, loaded=8.0)
        assert reading(typed, LOADED).value == 8.0, "what a person typed comes first"


def test_a_field_in_millivolts_is_converted_and_another_unit_refused(tmp_path):
    with SimulatedPayload(tmp_path, rate=20) as payload:
        for unit, outcome in (("mV", "no-go"), ("%", "open")):
            fields = [{"name": f.name} for f in SAMPLE_FIELDS[:-1]]
            fields.append({"name": "battery", "unit": unit, "role": "battery"})
            finding = run(flight(at=payload.tap, fields=fields), tmp_path, at_rest=8.3)
            assert finding.outcome == outcome
        assert "has no unit V or mV" in finding.remarks[0]


@pytest.mark.parametrize("faults", [["no-samples"], ["garbled"]])
def test_a_tap_that_tells_nothing_leaves_the_loaded_voltage_open(tmp_path, faults, monkeypatch):
    from preflight.checks import tap

    monkeypatch.setattr(tap, "SILENCE", 0.5)
    with SimulatedPayload(tmp_path, rate=20, faults=faults) as payload:
        finding = run(flight(at=payload.tap), tmp_path, at_rest=8.3)
    assert finding.outcome == "open"
    assert finding.remarks[0].startswith("Not checked: the loaded voltage: ")
    assert "or measure it at the terminals" in finding.remarks[0]


def test_a_missing_tap_leaves_the_loaded_voltage_open(tmp_path):
    finding = run(flight(at="nowhere"), tmp_path, at_rest=8.3)
    assert finding.outcome == "open"
    assert "There is no port nowhere" in finding.remarks[0]


def test_it_says_what_a_person_may_type():
    assert check.asks == (OPEN, LOADED)
