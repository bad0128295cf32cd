"""One pass up the air column: the integrals over height from which times and drifts follow.

Both ascent models and the descent have speeds of the form (a number) x (a function of the air's density
alone), so that three integrals over height serve every drag coefficient, burst altitude and mass. They are
summed once, by Simpson's rule, on heights that hold every kink: site, landing, burst, layers of the air,
heights of the wind table.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable
from typing import NamedTuple

from preflight.figures.atmosphere import Column

STEP = 1000.0
"""m between the heights of the pass; halving it moves no figure by 0.1 %."""

_SAME = 1e-6
"""m: heights closer than this are one."""


class Sums(NamedTuple):
    """Integrals from the lowest height to this one.

    `drag` is of (rho / rho0)^(1/6), `fall` of rho^(1/2), over height in m. The others have the wind's
    east or north speed in m/s under the integral as well: `east` and `north` alone, `_drag` and `_fall`
    times those two functions.
    """

    drag: float = 0.0
    fall: float = 0.0
    east: float = 0.0
    north: float = 0.0
    east_drag: float = 0.0
    north_drag: float = 0.0
    east_fall: float = 0.0
    north_fall: float = 0.0


Wind = Callable[[float], tuple[float, float]]
"""East and north speed in m/s at a height in m."""


class Profile:
    """Heights in m, rising, and the integrals up to each."""

    __slots__ = ("_sums", "heights")

    def __init__(
        self,
        column: Column,
        *,
        reference_density: float,
        nodes: Iterable[float],
        bottom: float,
        top: float,
        wind: Wind | None = None,
        step: float = STEP,
    ) -> None:
        """`reference_density` is rho0 in kg/m^3; every one of `nodes` between the ends becomes a height."""
        self.heights = _heights(bottom, top, step, (*nodes, *column.boundaries))
        self._sums = [Sums()]
        below = _integrand(column, reference_density, wind, self.heights[0])
        total = tuple(0.0 for _ in below)
        for lower, upper in zip(self.heights, self.heights[1:], strict=False):
            middle = _integrand(column, reference_density, wind, (lower + upper) / 2)
            above = _integrand(column, reference_density, wind, upper)
            sixth = (upper - lower) / 6
            total = tuple(
                t + sixth * (a + 4 * m + b) for t, a, m, b in zip(total, below, middle, above, strict=True)
            )
            self._sums.append(Sums(*total))
            below = above

    def upto(self, height: float) -> Sums:
        """The integrals up to one of the heights this pass was made with."""
        index = bisect_left(self.heights, height - _SAME)
        return self._sums[min(index, len(self._sums) - 1)]

    def between(self, low: float, high: float) -> list[float]:
        """The heights of the pass from `low` to `high`, both included."""
        start = bisect_left(self.heights, low - _SAME)
        return self.heights[start : bisect_right(self.heights, high + _SAME)]


def _heights(bottom: float, top: float, step: float, nodes: Iterable[float]) -> list[float]:
    wanted = [bottom, top, *(n for n in nodes if bottom < n < top)]
    count = int((top - bottom) // step)
    wanted += [bottom + step * i for i in range(1, count + 1) if bottom + step * i < top]
    heights: list[float] = []
    for height in sorted(wanted):
        if not heights or height - heights[-1] > _SAME:
            heights.append(height)
    return heights


def _integrand(column: Column, reference: float, wind: Wind | None, height: float) -> tuple[float, ...]:
    density = column.density(height)
    drag = (density / reference) ** (1.0 / 6.0)
    fall = density**0.5
    if wind is None:
        return (drag, fall)
    east, north = wind(height)
    return (drag, fall, east, north, east * drag, north * drag, east * fall, north * fall)
