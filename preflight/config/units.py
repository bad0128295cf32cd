"""The units that files may hold, and no more: the library's own list has a thousand, which take long to read.

Each is defined as in that list, step by step, so that every digit comes out the same.
"""

from __future__ import annotations

import functools
from decimal import Decimal
from typing import Any

DEFINITIONS = """
micro- = 1e-6 = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
deci- = 1e-1 = d-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
mega- = 1e6 = M-
giga- = 1e9 = G-
kibi- = 2**10 = Ki-
mebi- = 2**20 = Mi-
gibi- = 2**30 = Gi-
meter = [length] = m
second = [time] = s
ampere = [current] = A
kelvin = [temperature]; offset: 0 = K
gram = [mass] = g
bit = []
percent = 0.01
byte = 8 * bit
minute = 60 * second
hour = 60 * minute
day = 24 * hour
yard = 0.9144 * meter
foot = yard / 3
inch = yard / 36
nautical_mile = 1852 * meter
knot = nautical_mile / hour
liter = decimeter ** 3
grain = 64.79891 * milligram
pound = 7e3 * grain
ounce = pound / 16
standard_gravity = 9.80665 * meter / second ** 2
force_pound = standard_gravity * pound
pound_force_per_square_inch = force_pound / inch ** 2
newton = kilogram * meter / second ** 2
joule = newton * meter
coulomb = ampere * second
volt = joule / coulomb
ohm = volt / ampere
hertz = 1 / second
pascal = newton / meter ** 2
bar = 1e5 * pascal
degree_Celsius = kelvin; offset: 273.15
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9
"""


@functools.cache
def registry() -> Any:
    """Knows these units; exact, in decimals."""
    # Loaded when a quantity is first converted: start-up does not pay for it.
    import pint

    made: Any = pint.UnitRegistry(None, non_int_type=Decimal, on_redefinition="raise")
    made.load_definitions(DEFINITIONS.strip().splitlines())
    return made
