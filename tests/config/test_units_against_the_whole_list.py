"""Every unit that files may hold converts exactly as with the library's own list of units."""

from __future__ import annotations

from decimal import Decimal

import pint

from preflight.config import quantities

VALUES = [Decimal(text) for text in ("1", "0.1", "3.7", "-40", "1013.25", "299.999", "123456.789")]


def test_every_conversion_is_that_of_the_whole_list_to_the_last_digit() -> None:
    whole = pint.UnitRegistry(non_int_type=Decimal, on_redefinition="raise")
    pairs = [
        pair
        for kind in quantities.KINDS.values()
        for unit in kind.units
        for pair in ((unit, kind.si), (kind.si, unit))
        if unit != kind.si
    ]
    assert len(pairs) > 80
    for unit, to in pairs:
        of, wanted = (whole.Unit(quantities._PINT_NAMES[each]) for each in (unit, to))
        for value in VALUES:
            expected = whole.Quantity(value, of).to(wanted).magnitude
            assert quantities._converted(value, unit, to) == expected, (value, unit, to)
