"""A computed range is rounded outwards: the value never lies beside the range it may lie in."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from preflight.readings import Reading
from preflight.report.words import band_of


@given(low=st.floats(0.001, 1e6), more=st.floats(0.01, 1e6))
def test_the_printed_range_holds_the_real_one_in_two_digits(low: float, more: float) -> None:
    high = low + more
    shown = band_of(
        Reading(name="battery.endurance", unit="h", value=low, low=low, high=high, source="computed")
    )
    first, last = (float(part) for part in shown.removesuffix(" h").split(" to "))
    assert first <= low * (1 + 1e-9)
    assert last >= high * (1 - 1e-9)
    for end in (first, last):
        assert math.isclose(end, float(f"{end:.2g}"), rel_tol=1e-12)
