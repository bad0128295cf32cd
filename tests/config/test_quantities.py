"""The splitter, conversions, and that no text whatever makes them hang or raise anything unforeseen."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.config.quantities import (
    KINDS,
    BadQuantity,
    convert,
    difference,
    from_si,
    kind_of_unit,
    shown,
    split_quantity,
    to_si,
    typed_number,
)

UNITS = [(kind.name, unit) for kind in KINDS.values() for unit in kind.units]


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("1.1 kg", "mass", 1.1),
        ("750 g", "mass", 0.75),
        ("9 degC", "temperature", 282.15),
        ("-10 degC", "temperature", 263.15),
        ("50 degF", "temperature", 283.15),
        ("282.15 K", "temperature", 282.15),
        ("1018 hPa", "pressure", 101800.0),
        ("3400 mA*h", "charge", 12240.0),
        ("60 mohm", "resistance", 0.06),
        ("180 cm^2", "area", 0.018),
        ("50 L", "volume", 0.05),
        ("45 min", "duration", 2700.0),
        ("5V", "voltage", 5.0),
        ("  +5\tV ", "voltage", 5.0),
        (".5 m", "length", 0.5),
        ("1 kB", "bytes", 1000.0),
        ("1 KiB", "bytes", 1024.0),
        ("2 GB", "bytes", 2e9),
        ("2 GiB", "bytes", 2.0**31),
        ("5 %", "ratio", 0.05),
        ("12 deg", "angle", 12.0),
    ],
)
def test_good_quantities_come_out_in_si(text: str, kind: str, value: float) -> None:
    assert to_si(text, kind) == value


@pytest.mark.parametrize(
    ("text", "kind", "said", "remedy"),
    [
        ("1,5 kg", "mass", '"1,5 kg"', '"1.5 kg"'),
        ("9**9**9 kg", "mass", "not a plain number", "digits"),
        ("9*9 kg", "mass", "not a plain number", "digits"),
        ("64 rad", "bytes", "unknown unit", "KiB"),
        ("nan kg", "mass", "not a number", "finite"),
        ("inf kg", "mass", "not a number", "finite"),
        ("-Infinity kg", "mass", "not a number", "finite"),
        ("1e999 kg", "mass", "not a number", "without an exponent"),
        ("1e3 kg", "mass", "not a number", "without an exponent"),
        ("9 degC", "mass", "degC is a unit of temperature", "kg, g, lb, oz"),
        ("9 °C", "temperature", "unknown unit", '"degC"'),
        ("180 cm²", "area", "unknown unit", '"cm^2"'),
        ("3400 mAh", "charge", "unknown unit", '"mA*h"'),
        ("5 KG", "mass", "unknown unit", '"kg"'),
        ("5 kilograms", "mass", "unknown unit", "kg"),
        ("1.2.3 kg", "mass", "not a plain number", "one decimal point"),
        ("1 000 kg", "mass", "not a plain number", "digits"),
        ("5. kg", "mass", "not a plain number", "digits"),
        ("−5 degC", "temperature", "not a number", "plain hyphen"),
        ("٣ kg", "mass", "not a number", "digits"),
        ("0x10 kg", "mass", "unknown unit", "kg"),
        ("5", "voltage", "no unit", "V, mV"),
        ("kg", "mass", "not a number", "digits"),
        ("", "mass", "not a number", "number and a unit"),
        ("1" * 65 + " kg", "mass", "68 characters", "number and a unit"),
        ("5 \x1b[2Jkg", "mass", "␛", "kg"),
    ],
)
def test_bad_quantities_say_what_to_write(text: str, kind: str, said: str, remedy: str) -> None:
    with pytest.raises(BadQuantity) as caught:
        to_si(text, kind)
    assert said in caught.value.message
    assert remedy in caught.value.remedy
    assert "\x1b" not in str(caught.value)


@given(st.text(max_size=80) | st.from_regex(r"[-+0-9.,eE*_ ]{0,20}[a-zA-Z^*%/]{0,6}"))
def test_any_text_splits_or_is_refused(text: str) -> None:
    try:
        number, unit = split_quantity(text)
    except BadQuantity:
        return
    assert math.isfinite(float(number))
    assert text.strip(" \t").endswith(unit)


@given(st.text(max_size=40))
def test_any_typed_text_is_a_finite_number_or_refused(text: str) -> None:
    try:
        value = typed_number(text)
    except BadQuantity:
        return
    assert math.isfinite(value)


@pytest.mark.parametrize(
    ("text", "value"),
    [("1,7", 1.7), ("1.7", 1.7), ("-43,93", -43.93), (" 12 ", 12.0), (",5", 0.5), ("1,700", 1.7)],
)
def test_typed_numbers_may_have_a_decimal_comma(text: str, value: float) -> None:
    assert typed_number(text) == value


@pytest.mark.parametrize("text", ["", "nan", "inf", "1e5", "1,000,000", "1.000,5", "1 kg", "--1", "9" * 65])
def test_other_typed_text_is_refused(text: str) -> None:
    with pytest.raises(BadQuantity):
        typed_number(text)


@pytest.mark.parametrize(("kind", "unit"), UNITS)
@given(value=st.floats(min_value=-1e6, max_value=1e6))
def test_every_unit_converts_there_and_back(kind: str, unit: str, value: float) -> None:
    there = from_si(value, kind, unit)
    si = KINDS[kind].si
    back = convert(there, unit, si) if si in KINDS[kind].units else to_si(f"{there:f} {unit}", kind)
    assert back == pytest.approx(value, rel=1e-9, abs=2e-3)


def test_each_unit_belongs_to_one_kind() -> None:
    assert len({unit for _, unit in UNITS}) == len(UNITS)
    for kind, unit in UNITS:
        assert kind_of_unit(unit) == kind
    assert kind_of_unit("rad") is None
    assert kind_of_unit("") is None


def test_converting_across_kinds_is_refused() -> None:
    assert convert(2.0, "", "") == 2.0
    for pair in (("kg", "m"), ("kg", ""), ("", "kg"), ("furlong", "m")):
        with pytest.raises(BadQuantity):
            convert(1.0, *pair)


def test_a_difference_of_temperatures_has_no_offset() -> None:
    assert difference("2 degC", "K") == 2.0
    assert difference("9 degF", "degC") == pytest.approx(5.0)
    assert difference("50 g", "kg") == 0.05
    assert difference("0.5", "") == 0.5
    for text, unit in (("2 kg", "degC"), ("2", "kg"), ("2 kg", "")):
        with pytest.raises(BadQuantity):
            difference(text, unit)


def test_values_are_shown_in_the_unit_of_the_example() -> None:
    assert shown(85000.0, "pressure") == "850 hPa"
    assert shown(85000.0, "pressure", "bar") == "0.85 bar"
    assert shown(203.15, "temperature") == "-70 degC"
