"""Figures as people read them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.figures import shown
from preflight.readings import Reading


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (29877.2, "29 900"),
        (0.16026, "0.160"),
        (9.996, "10.0"),
        (-2.0, "−2.00"),
        (0.0, "0"),
        (1e-9, "0"),
        (999.9, "1 000"),
        (3.2e9, "3.20e+09"),
    ],
)
def test_three_digits(value: float, text: str) -> None:
    assert shown.number(value) == text


def test_range_has_two_digits_and_holds_its_ends() -> None:
    assert shown.range_text(Reading(name="x", value=29877.0, low=26732.1, high=30830.6)) == "26 000–31 000"
    assert shown.range_text(Reading(name="x", value=1.0, low=1.0, high=1.0)) == "1.0"
    assert shown.range_text(Reading(name="x", value=1.0)) == ""
    assert shown.range_text(Reading(name="x", value=-3.0, low=-10.4, high=-2.71)) == "−11–−2.7"


@given(value=st.floats(1e-4, 1e5), spread=st.floats(1, 10))
def test_range_is_rounded_outwards(value: float, spread: float) -> None:
    text = shown.range_text(Reading(name="x", value=value, low=value / spread, high=value * spread))
    low, high = (float(part.replace(" ", "")) for part in (text.split("–") * 2)[:2])
    assert low <= value / spread * (1 + 1e-6)
    assert high >= value * spread * (1 - 1e-6)
    for part in text.split("–"):
        digits = part.replace(" ", "").replace(".", "").strip("0")
        assert len(digits) <= 2


def test_value_does_not_look_to_be_within_when_it_is_not() -> None:
    assert shown.value_text(Reading(name="x", value=6.0004, unit="m/s", at_most=6.0)) == "6.0004 m/s"
    assert shown.value_text(Reading(name="x", value=5.9, unit="m/s", at_most=6.0)) == "5.9 m/s"


def test_bytes_are_scaled() -> None:
    assert (
        shown.value_text(Reading(name="card.need", value=3801088.0, unit="B", source="computed")) == "3.80 MB"
    )
    assert shown.value_text(Reading(name="link.stall_bytes", value=128.0, unit="B")) == "128 B"


def test_words_and_nothing() -> None:
    assert shown.value_text(Reading(name="card.type", value="FAT32")) == "FAT32"
    assert shown.value_text(Reading(name="x", value=None)) == "—"


def test_limits_and_margins() -> None:
    assert shown.limit_text(Reading(name="x", value=1.0, at_least=1.5)) == "≥ 1.5"
    assert shown.limit_text(Reading(name="x", value=1.0, at_most=5000.0)) == "≤ 5 000"
    assert shown.limit_text(Reading(name="x", value=1.0, at_least=3.0, at_most=6.0)) == "3–6"
    assert shown.limit_text(Reading(name="x", value=1.0)) == ""
    # never rounded up to enough
    assert shown.margin_cell(0.9999) == "0.999"
    assert shown.margin_cell(12.48) == "12.4"
    assert shown.margin_cell(500.0) == "500"
    assert shown.margin_cell(5000.0) == "> 1000"
    assert shown.margin_cell(None) == ""


@pytest.mark.parametrize(
    ("seconds", "lasts", "needs"),
    [
        (2520, "42 min", "42 min"),
        (2579, "42 min", "43 min"),
        (15000, "4.1 h", "4.2 h"),
        (0.1 * 3600 * 36, "3.6 h", "3.6 h"),
        (15.69 * 3600, "15.6 h", "15.7 h"),
        (12.9 * 86400, "12 days", "13 days"),
        (6.34 * 365.25 * 86400, "6.3 years", "6.4 years"),
    ],
)
def test_what_lasts_is_rounded_down_and_what_is_needed_up(seconds: float, lasts: str, needs: str) -> None:
    assert shown.lasts_text(seconds) == lasts
    assert shown.needs_text(seconds) == needs


@pytest.mark.parametrize(
    ("name", "unit", "value", "text"),
    [
        ("battery.endurance", "h", 15.577, "15.5 h"),
        ("beacon.endurance", "h", 21.9999, "21.9 h"),
        ("card.full_after", "h", 113.9, "113 h"),
        ("flight.duration", "min", 164.1, "165 min"),
    ],
)
def test_every_room_tells_a_duration_in_the_same_words(name: str, unit: str, value: float, text: str) -> None:
    from preflight.cli import told
    from preflight.report.words import value_of
    from preflight.tui import words

    reading = Reading(name=name, value=value, unit=unit, source="computed")
    assert {shown.value_text(reading), value_of(reading), words.value_of(reading)} == {text}
    assert told.reading_text(reading).endswith(f"  {text}")
    # Never onto the other side of its limit.
    short = Reading(name=name, value=value, unit=unit, source="computed", at_least=value - 1e-3)
    assert float(shown.value_text(short).split()[0]) >= value - 1e-3


@pytest.mark.parametrize(
    ("name", "unit", "value", "text"),
    [("flight.ascent_rate", "m/s", 4.2438, "4.24 m/s"), ("link.margin", "", 2.4999, "2.4")],
)
def test_screen_and_command_line_tell_a_figure_in_the_same_words(
    name: str, unit: str, value: float, text: str
) -> None:
    from preflight.cli import told
    from preflight.tui import words

    figure = Reading(name=name, value=value, unit=unit, source="computed")
    assert shown.duration_text(figure) == ""
    assert shown.value_text(figure) == words.value_of(figure) == text
    assert told.reading_text(figure).endswith(f"  {text}")
    # What was measured is told in full.
    measured = Reading(name=name, value=value, unit=unit)
    assert words.value_of(measured).startswith(f"{value:.4g}")


def test_moments() -> None:
    assert shown.clock_text(12348) == "3:26"
    assert shown.clock_text(30 * 3600) == "30:00"
