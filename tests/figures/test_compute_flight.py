"""A whole flight: what is there, what is absent, and that names and units keep their contract."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import msgspec
import pytest

from preflight.config.flight import Efficiency, Flight, Limit, Link, Load
from preflight.figures.compute import FlightFigures, compute
from preflight.figures.shown import lasts_text
from preflight.names import UNITS
from preflight.readings import Reading

Change = Callable[..., Flight]


def number(figures: FlightFigures, name: str) -> float:
    reading = figures.figure(name)
    assert reading is not None, name
    assert isinstance(reading.value, (int, float)), name
    return float(reading.value)


def measured(**values: tuple[float | str, str]) -> dict[str, Reading]:
    """Readings by name, dots written as double underscores."""
    return {
        name.replace("__", "."): Reading(name=name.replace("__", "."), value=value, unit=unit)
        for name, (value, unit) in values.items()
    }


def test_every_figure_of_the_contract_is_there(flight: Flight) -> None:
    names = {reading.name for reading in compute(flight, measured(card__free=(4e9, "B"))).figures}
    wanted = [
        "link.capacity",
        "link.load",
        "link.margin",
        "link.stall_bytes",
        "link.stall_margin",
        "link.clock_error",
        "card.free",
        "card.need",
        "card.margin",
        "card.full_after",
        "card.file_limit_after",
        "battery.load",
        "battery.usable",
        "battery.endurance",
        "battery.margin",
        "battery.loaded_voltage_min",
        "beacon.endurance",
        "flight.gas_volume",
        "flight.free_lift",
        "flight.ascent_rate",
        "flight.mean_ascent_rate",
        "flight.burst_altitude",
        "flight.ascent_time",
        "flight.descent_time",
        "flight.duration",
        "flight.landing_speed",
        "flight.landing_speed_fouled",
        "sample.length",
        "sample.rate",
    ]
    assert set(wanted) <= names


def test_names_keep_their_units(flight: Flight) -> None:
    figures = compute(flight)
    for reading in (*figures.figures, *figures.inputs):
        assert reading.unit == UNITS[reading.name]


def test_the_flight_adds_up(flight: Flight) -> None:
    figures = compute(flight)
    assert figures.go
    assert number(figures, "flight.free_lift") == pytest.approx(1.70 - 1.02 - 0.08)
    assert number(figures, "flight.duration") == pytest.approx(
        number(figures, "flight.ascent_time") + number(figures, "flight.descent_time")
    )
    up = number(figures, "flight.burst_altitude") - 212.0
    assert number(figures, "flight.ascent_time") * 60 * number(
        figures, "flight.mean_ascent_rate"
    ) == pytest.approx(up)
    # whole balloon on the line: speed goes with the root of the mass
    ratio = number(figures, "flight.landing_speed_fouled") / number(figures, "flight.landing_speed")
    assert ratio == pytest.approx((1.85 / 1.10) ** 0.5)
    times = number(figures, "flight.descent_time") / number(figures, "flight.descent_time_fouled")
    assert times == pytest.approx(ratio)
    # half the mass times the square of the speed
    energy = number(figures, "flight.landing_energy_fouled")
    assert energy == pytest.approx(0.5 * 1.85 * number(figures, "flight.landing_speed_fouled") ** 2)


def test_gas_of_the_site(change: Change) -> None:
    # thinner air at a high site: more volume for the same lift
    low = number(compute(change(site={"elevation": 0.0, "qnh": None})), "flight.gas_volume")
    high = number(compute(change(site={"elevation": 3000.0, "qnh": None})), "flight.gas_volume")
    assert high > 1.2 * low


@pytest.mark.parametrize(
    ("section", "prefix"),
    [("link", "link."), ("battery", "battery."), ("beacon", "beacon."), ("sample", "card.")],
)
def test_absent_sections_have_no_figures(change: Change, section: str, prefix: str) -> None:
    figures = compute(change(**{section: None}))
    assert not [reading for reading in figures.figures if reading.name.startswith(prefix)]


def test_without_a_parachute_there_is_no_descent_but_still_an_axis(change: Change) -> None:
    figures = compute(change(parachute=None))
    assert figures.figure("flight.landing_speed") is None
    assert figures.figure("flight.duration") is None
    assert figures.axis.landing > figures.axis.burst
    assert any("No [parachute]" in remark for remark in figures.remarks)


def test_ascent_models(change: Change) -> None:
    constant = compute(change(balloon={"ascent_model": "constant-rate"}))
    drag = compute(change(balloon={"ascent_model": "constant-drag"}))
    assert number(constant, "flight.mean_ascent_rate") == pytest.approx(
        number(constant, "flight.ascent_rate")
    )
    assert number(drag, "flight.mean_ascent_rate") > 1.2 * number(drag, "flight.ascent_rate")
    # the model chooses the value; the range spans both
    for name in ("flight.ascent_time", "flight.duration", "flight.burst_altitude"):
        one, other = constant.figure(name), drag.figure(name)
        assert one is not None
        assert other is not None
        assert (one.low, one.high) == pytest.approx((other.low, other.high))


def test_burst_band_is_that_of_the_declared_diameter(change: Change) -> None:
    middle = compute(change())
    reading = middle.figure("flight.burst_altitude")
    assert reading is not None
    low = number(compute(change(balloon={"burst_diameter": 6.7 * 0.85})), "flight.burst_altitude")
    high = number(compute(change(balloon={"burst_diameter": 6.7 * 1.05})), "flight.burst_altitude")
    assert (reading.low, reading.high) == pytest.approx((low, high))


def test_drag_band_widens_to_what_is_declared(change: Change) -> None:
    reading = compute(change(balloon={"drag_coefficient": 0.6})).figure("flight.ascent_rate")
    assert reading is not None
    assert reading.low == reading.value


def test_need_counts_the_long_end(flight: Flight) -> None:
    figures = compute(flight)
    duration = figures.figure("flight.duration")
    assert duration is not None
    assert duration.high is not None
    assert figures.axis.landing - figures.axis.release == pytest.approx(duration.high * 60)
    assert figures.axis.end_of_search - figures.axis.landing == 4 * 3600
    assert figures.expected.landing < figures.axis.landing


def test_a_beacon_of_its_own_takes_the_search_off_the_pack(change: Change) -> None:
    own = compute(change())
    fed = compute(change(beacon={"battery": None}))
    need = {item.resource: item.need for item in own.run_out}
    assert need["battery"] == own.axis.landing
    assert need["beacon battery"] == own.axis.end_of_search
    assert {item.resource: item.need for item in fed.run_out}["battery"] == fed.axis.end_of_search
    assert fed.figure("beacon.endurance") is None


def test_card_free_feeds_its_margin_and_run_out(flight: Flight) -> None:
    figures = compute(flight, measured(card__free=(2e6, "B"), card__cluster_size=(4096, "B")))
    assert number(figures, "card.full_after") == pytest.approx(2e6 / 128 / 3600)
    assert number(figures, "card.margin") < 1
    assert not figures.go
    assert "more free" in figures.mends["card.margin"]
    assert figures.run_out[0].resource == "card"
    assert figures.governing is figures.run_out[0]
    assert figures.run_out[0].at_phase == "in the search"


def test_a_full_card_is_a_no_go(flight: Flight) -> None:
    figures = compute(flight, measured(card__free=(0, "B")))
    assert number(figures, "card.margin") == 0
    assert not figures.go


def test_exfat_has_no_such_file_ceiling(flight: Flight) -> None:
    figures = compute(flight, measured(card__type=("exFAT", "")))
    assert figures.figure("card.file_limit_after") is None


def test_run_out_is_in_order_and_names_the_governing_one(change: Change) -> None:
    short = change(battery={"capacity": 0.6 * 3600}, beacon={"battery": None})
    figures = compute(short)
    times = [item.after for item in figures.run_out]
    assert times == sorted(times)
    assert figures.governing is not None
    assert figures.governing.resource == "battery"
    assert figures.governing.margin is not None
    assert figures.governing.margin < 1.5
    assert figures.governing.mend.startswith("add ")
    assert figures.mends["battery.margin"] == figures.governing.mend


def test_what_mends_the_battery_mends_it(change: Change) -> None:
    cells = {"capacity": 1.5 * 3600, "series": 2}
    before = compute(change(battery=cells, beacon={"battery": None}))
    assert before.mends["battery.margin"].startswith("add one parallel string of 2 cells: ")
    after = compute(change(battery={**cells, "parallel": 2}, beacon={"battery": None}))
    assert "battery.margin" not in after.mends
    hours = number(after, "battery.endurance")
    assert before.mends["battery.margin"].endswith(f": {lasts_text(hours * 3600)}")


def test_time_since_fitting_is_taken_off(change: Change) -> None:
    fresh = compute(change())
    # power-up is 07:45; fitted ten hours before
    fitted = compute(change(battery={"fitted_at": datetime(2027, 5, 15, 21, 45, tzinfo=UTC)}))
    used = number(fresh, "battery.usable") - number(fitted, "battery.usable")
    assert used == pytest.approx(10 * number(fresh, "battery.load"))
    later = compute(change(battery={"fitted_at": datetime(2027, 5, 16, 8, 0, tzinfo=UTC)}))
    assert number(later, "battery.usable") == number(fresh, "battery.usable")


def test_own_derating_and_cut_off_replace_the_tables(change: Change) -> None:
    figures = compute(change(battery={"derating": (0.9, 0.95), "cut_off": 3.0}))
    usable = figures.figure("battery.usable")
    assert usable is not None
    assert (usable.low, usable.high) == pytest.approx((0.9 * 3400, 0.95 * 3400))
    assert not any(remark.startswith("The battery's cells are counted by") for remark in figures.remarks)


def test_switching_regulator_draws_by_power(change: Change) -> None:
    cells = {
        "regulator": Efficiency(efficiency=0.88),
        "load": (Load(name="all", current=0.1),),
        "cut_off": 3.0,
    }
    figures = compute(change(battery=cells))
    # midway between nominal and cut-off: 2 x 3.3 V
    assert number(figures, "battery.load") == pytest.approx(5.0 * 100 / (0.88 * 6.6))


def test_limits_of_the_flight_file_count(change: Change) -> None:
    figures = compute(
        change(limits={"link.margin": Limit(at_least=40.0), "flight.ascent_rate": Limit(at_least=3.5)})
    )
    margin = figures.figure("link.margin")
    assert margin is not None
    assert margin.within is False
    assert "baud" in figures.mends["link.margin"]
    rate = figures.figure("flight.ascent_rate")
    assert rate is not None
    assert (rate.at_least, rate.at_most) == (3.5, 6.0)


def test_neck_lift_limits_lead_back_to_the_rates(change: Change) -> None:
    figures = compute(change())
    for name, wanted in (("flight.neck_lift_low", 3.0), ("flight.neck_lift_high", 6.0)):
        again = compute(change(balloon={"neck_lift": number(figures, name)}))
        assert number(again, "flight.ascent_rate") == pytest.approx(wanted, rel=1e-9)


def test_no_false_alarm_from_the_line_rate_alone(change: Change) -> None:
    # 57600 baud could bring 2880 B in 500 ms; two short samples a second bring 128 B
    figures = compute(change(link={"baud": 57600, "clock": None}))
    assert number(figures, "link.stall_bytes") == 128.0
    assert number(figures, "link.stall_margin") == 4.0
    busy = compute(change(link={"baud": 57600, "clock": None}, sample={"rate": 80.0}))
    assert number(busy, "link.stall_bytes") == 41 * 64.0
    assert "buffer of 2624 B" in busy.mends["link.stall_margin"]


@pytest.mark.parametrize(("baud", "go"), [(38400, True), (57600, False), (115200, False)])
def test_clock_error(change: Change, baud: int, go: bool) -> None:
    figures = compute(change(link={"baud": baud, "clock": 16e6}))
    reading = figures.figure("link.clock_error")
    assert reading is not None
    assert reading.within is go
    if baud == 57600:
        assert figures.mends["link.clock_error"].startswith("57600 baud with 8 samples a bit (-0.79%)")


def test_cylinder_share_grows_past_one(change: Change) -> None:
    figures = compute(change(cylinder={"pressure": 4e6}))
    assert number(figures, "flight.cylinder_share") > 100
    assert any("cylinder" in remark for remark in figures.remarks)


def test_trajectory_goes_up_and_down(flight: Flight) -> None:
    figures = compute(flight)
    times = [point.after for point in figures.trajectory]
    assert times == sorted(times)
    heights = [point.altitude for point in figures.trajectory]
    top = heights.index(max(heights))
    assert heights[0] == 212.0
    assert heights[-1] == 300.0
    assert heights[: top + 1] == sorted(heights[: top + 1])
    assert heights[top:] == sorted(heights[top:], reverse=True)
    assert times[-1] == pytest.approx(number(figures, "flight.duration") * 60)


def test_a_link_without_samples_has_only_its_own_figures(change: Change) -> None:
    figures = compute(msgspec.structs.replace(change(), sample=None, link=Link(baud=9600, clock=16e6)))
    assert {r.name for r in figures.figures if r.name.startswith("link.")} == {
        "link.capacity",
        "link.clock_error",
    }
