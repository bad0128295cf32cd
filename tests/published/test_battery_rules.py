"""Batteries: regulator arithmetic and the planning bands."""

import dataclasses

import pytest

from preflight.figures import battery

# Nominal, cut-off and full voltage a cell: from memory, as the planning table says of itself.
VOLTAGES = {
    "alkaline": (1.5, 0.9),
    "li-fes2": (1.5, 0.9),
    "nimh": (1.2, 1.0),
    "li-ion": (3.6, 3.0),
    "lifepo4": (3.2, 2.5),
}

# Share of capacity, light to moderate drain: from memory. Chemistry, degC, low, high.
BANDS = [
    ("alkaline", 0, 0.5, 0.75),
    ("alkaline", -20, 0.10, 0.30),
    ("alkaline", -40, 0.0, 0.0),
    ("li-fes2", 0, 0.95, 1.0),
    ("li-fes2", -20, 0.80, 0.95),
    ("li-fes2", -40, 0.40, 0.60),
    ("nimh", 0, 0.80, 0.90),
    ("nimh", -20, 0.30, 0.60),
    ("nimh", -40, 0.0, 0.0),
    ("li-ion", 0, 0.85, 0.95),
    ("li-ion", -20, 0.50, 0.75),
    ("li-ion", -40, 0.0, 0.30),
    ("lifepo4", 0, 0.75, 0.90),
    ("lifepo4", -20, 0.40, 0.60),
    ("lifepo4", -40, 0.0, 0.20),
]


def pack(kind: str = "alkaline", **changes: object) -> battery.Pack:
    table = battery.chemistry(kind)
    base = battery.Pack(
        chemistry=table,
        series=4,
        parallel=1,
        capacity=2.0 * 3600,
        cut_off=table.cut_off,
        derating=(1.0, 1.0),
        resistance=0.0,
        rail=3.3,
        dropout=0.3,
        efficiency=None,
        mean=0.1,
        peak=0.2,
    )
    return dataclasses.replace(base, **changes)  # type: ignore[arg-type]


def test_the_tables_say_that_they_are_from_memory() -> None:
    assert "from memory" in battery.tables_source()
    assert "data sheet" in battery.tables_source()


@pytest.mark.parametrize("kind", VOLTAGES)
def test_voltages_from_memory(kind: str) -> None:
    table = battery.chemistry(kind)
    assert (table.nominal, table.cut_off) == VOLTAGES[kind]
    assert table.cut_off < table.nominal < table.full


@pytest.mark.parametrize(("kind", "celsius", "low", "high"), BANDS)
def test_derating_bands_from_memory(kind: str, celsius: float, low: float, high: float) -> None:
    assert battery.derating_at(battery.chemistry(kind), celsius + 273.15) == pytest.approx((low, high))


def test_a_general_battery_tutorial_agrees_with_the_cold_band() -> None:
    # A battery tutorial (BU-502): of the capacity at 27 degC typically 50 % is left at -18 degC
    low, high = battery.derating_at(battery.chemistry("li-ion"), -18 + 273.15)
    assert low <= 0.55
    assert high >= 0.5


# V_in,min = n V_cut - I_peak (n R); go if V_in,min >= V_out + V_dropout. By arithmetic:
# four cells at 0.9 V just feed 3.3 V with 0.3 V of dropout, three don't, nor does one lithium-ion at 3.0 V.
@pytest.mark.parametrize(
    ("kind", "series", "enough"), [("alkaline", 4, True), ("alkaline", 3, False), ("li-ion", 1, False)]
)
def test_regulator_arithmetic(kind: str, series: int, enough: bool) -> None:
    p = pack(kind, series=series)
    needed = battery.voltage_needed(p)
    assert needed == pytest.approx(3.6)
    assert (battery.loaded_voltage_min(p) >= needed - 1e-9) is enough


def test_the_end_point_is_what_the_rail_needs() -> None:
    # one lithium-ion cell for 3.3 V with 0.3 V of dropout ends at 3.6 V, not at 3.0 V
    assert battery.end_voltage(pack("li-ion", series=1)) == pytest.approx(3.6)
    assert battery.end_voltage(pack("li-ion", series=2)) == 3.0


def test_resistance_takes_its_drop_at_the_peak() -> None:
    # by Ohm's law: 0.2 A through four cells of 0.15 ohm is 0.12 V; two strings side by side halve it
    assert battery.loaded_voltage_min(pack(resistance=0.15)) == pytest.approx(3.6 - 0.12)
    assert battery.loaded_voltage_min(pack(resistance=0.15, parallel=2)) == pytest.approx(3.6 - 0.06)


def test_linear_and_switching_regulators() -> None:
    # A linear regulator passes its current on; a switching one its power, less its losses.
    assert battery.pack_current(pack(), 0.1, 6.0) == 0.1
    assert battery.pack_current(pack(efficiency=0.88), 0.1, 6.0) == pytest.approx(3.3 * 0.1 / (0.88 * 6.0))


@pytest.mark.parametrize("volts", [1.2, 1.5, 1.75, 1.79, 1.82])
def test_open_voltage_of_lithium_iron_disulphide_says_nothing(volts: float) -> None:
    # common practice, no source: the open voltage stays near 1.8 V until the cell is nearly empty
    assert battery.share_left(battery.chemistry("li-fes2"), volts) is None
