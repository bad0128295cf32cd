"""Units against published definitions.

NIST Special Publication 811 (2008), appendix B.8, and the SI brochure (BIPM), table 8 (non-SI units accepted
for use) and chapter 3 (prefixes); IEC 80000-13 for binary prefixes. All from memory; each factor written here
is exact by definition, none comes from the library that converts.
"""

from fractions import Fraction

import pytest

from preflight.config.quantities import convert, to_si

POUND = Fraction("0.45359237")  # kg, exactly: international pound, 1959
FOOT = Fraction("0.3048")  # m, exactly
INCH = Fraction("0.0254")  # m, exactly
GRAVITY = Fraction("9.80665")  # m/s^2, standard acceleration of free fall

FACTORS = [
    ("lb", "mass", POUND),
    ("oz", "mass", POUND / 16),
    ("ft", "length", FOOT),
    ("nmi", "length", Fraction(1852)),
    ("in^2", "area", INCH**2),
    ("ft^2", "area", FOOT**2),
    ("ft^3", "volume", FOOT**3),
    ("L", "volume", Fraction(1, 1000)),
    ("lbf", "force", POUND * GRAVITY),
    ("psi", "pressure", POUND * GRAVITY / INCH**2),
    ("bar", "pressure", Fraction(100_000)),
    ("mbar", "pressure", Fraction(100)),
    ("hPa", "pressure", Fraction(100)),
    ("kn", "speed", Fraction(1852, 3600)),
    ("km/h", "speed", Fraction(1000, 3600)),
    ("ft/min", "speed", FOOT / 60),
    ("A*h", "charge", Fraction(3600)),
    ("mA*h", "charge", Fraction(36, 10)),
    ("min", "duration", Fraction(60)),
    ("h", "duration", Fraction(3600)),
    ("day", "duration", Fraction(86400)),
    ("kB", "bytes", Fraction(1000)),
    ("KiB", "bytes", Fraction(1024)),
    ("MB", "bytes", Fraction(1000**2)),
    ("MiB", "bytes", Fraction(1024**2)),
    ("GB", "bytes", Fraction(1000**3)),
    ("GiB", "bytes", Fraction(1024**3)),
]


@pytest.mark.parametrize(("unit", "kind", "factor"), FACTORS)
def test_factors_are_the_defined_ones(unit: str, kind: str, factor: Fraction) -> None:
    assert to_si(f"1 {unit}", kind) == float(factor)
    assert to_si(f"250 {unit}", kind) == pytest.approx(float(250 * factor), rel=1e-15)


@pytest.mark.parametrize(
    ("celsius", "kelvin", "fahrenheit"),
    [(0.0, 273.15, 32.0), (100.0, 373.15, 212.0), (-40.0, 233.15, -40.0), (15.0, 288.15, 59.0)],
)
def test_temperature_scales_have_their_offsets(celsius: float, kelvin: float, fahrenheit: float) -> None:
    # T/K = t/degC + 273.15 and t/degC = (t/degF - 32)/1.8 (SP 811, B.8, temperature).
    assert convert(celsius, "degC", "K") == kelvin
    assert convert(celsius, "degC", "degF") == pytest.approx(fahrenheit, abs=1e-12)
    assert convert(fahrenheit, "degF", "degC") == pytest.approx(celsius, abs=1e-12)
