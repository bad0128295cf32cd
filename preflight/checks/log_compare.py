"""A recording of the tap against what is on the card: which samples are missing, where, in which pattern."""

from __future__ import annotations

import bisect
import itertools
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

Pattern = Literal["none", "beacon interval", "regular", "single", "scattered"]

OFTEN = 8
"""Times that a sample may come up in recording or card and still show where the two lie on each other."""
NEAR_MULTIPLE = 0.08
"""Share of the beacon's interval by which losses may be off its multiples. Common practice, no source."""
MOST_INTERVALS = 0.6
"""Share of the intervals between the first and last loss that must have one, for the beacon to be named."""
REGULAR = 0.15
"""Share by which the pauses between losses may differ and still be called regular."""
BURST = 5.0
"""Seconds, a quarter of the beacon's interval at most, within which losses are of one cause."""


@dataclass(frozen=True, slots=True)
class Loss:
    """Samples lost one after another: seconds of the first and last on the recording's clock, how many."""

    start: float
    end: float
    count: int


@dataclass(frozen=True, slots=True)
class Compared:
    """What became of the samples recorded on the tap. Times are seconds.

    `found` counts those on the card, `lost` those missing between the first and the last that are there
    (`losses` in runs), apart from what a power cut explains: `at_cut` is how long before the cut, and
    `at_end` how long before the recording's end, the card ends. `resumed` says whether anything after the
    cut is there, `after` how long after the power came back; both None without a cut. `longest_gap` is the
    longest time without a sample on the card while samples were sent.
    """

    recorded: int
    found: int
    lost: int
    losses: tuple[Loss, ...]
    longest_gap: float
    at_cut: float | None
    at_end: float
    resumed: bool | None
    after: float | None
    pattern: Pattern
    every: float | None


def align(recorded: Sequence[bytes], places: Mapping[bytes, Sequence[int]]) -> list[int | None]:
    """For each recorded sample its place on the card, None where it is missing; places only go up.

    `places` are those of each sample on the card, rising. As many as possible are found, by the longest
    rising run of places over samples that seldom come up; the others are fitted in between.
    """
    counts: dict[bytes, int] = defaultdict(int)
    for key in recorded:
        counts[key] += 1
    tails: list[int] = []  # the lowest place that a run of each length can end at
    tail_of: list[int] = []  # the same as nodes
    before: list[tuple[int, int, int]] = []  # nodes: recorded, place, node before
    for number, key in enumerate(recorded):
        spots = places.get(key, ())
        if not spots or counts[key] > OFTEN or len(spots) > OFTEN:
            continue
        # From the last place to the first, so that no two of one sample stand in one run.
        for place in reversed(spots):
            length = bisect.bisect_left(tails, place)
            before.append((number, place, tail_of[length - 1] if length else -1))
            if length == len(tails):
                tails.append(place)
                tail_of.append(len(before) - 1)
            else:
                tails[length] = place
                tail_of[length] = len(before) - 1
    found: list[int | None] = [None] * len(recorded)
    node = tail_of[-1] if tail_of else -1
    while node >= 0:
        number, place, node = before[node]
        found[number] = place
    _fit_in(recorded, places, found)
    return found


def _fit_in(
    recorded: Sequence[bytes], places: Mapping[bytes, Sequence[int]], found: list[int | None]
) -> None:
    """Give samples that come up often the first place that is free between those around them."""
    bounds: list[float] = []
    upper = float("inf")
    for place in reversed(found):
        bounds.append(upper)
        upper = upper if place is None else place
    bounds.reverse()
    low: int | None = None
    for number, key in enumerate(recorded):
        if (here := found[number]) is not None:
            low = here
        elif low is not None:
            # Before the first that is known anything on the card may be of an earlier day.
            spots = places.get(key, ())
            at = bisect.bisect_right(spots, low)
            if at < len(spots) and spots[at] < bounds[number]:
                found[number] = low = spots[at]


def measure(
    times: Sequence[float],
    found: Sequence[int | None],
    *,
    cut: tuple[float, float] | None,
    interval: float | None,
) -> Compared:
    """What is missing, from the time of each recorded sample and its place on the card.

    `cut` is when the last sample came before the power was pulled and the first after it was back;
    `interval` is the beacon's.
    """
    split = len(times) if cut is None else bisect.bisect_left(times, cut[1])
    there = [number for number, place in enumerate(found) if place is not None]
    early = [number for number in there if number < split]
    late = [number for number in there if number >= split]
    losses: list[Loss] = []
    if early:
        losses += _losses(times, found, 0, early[-1])
    elif split:
        losses.append(Loss(times[0], times[split - 1], split))
    if late:
        losses += _losses(times, found, late[0], late[-1])
    end = times[-1] - times[there[-1]] if there else 0.0
    at_cut = times[split - 1] - times[early[-1]] if cut is not None and early else None
    steps = sorted(after - before for before, after in itertools.pairwise(times))
    pattern, every = _pattern(losses, interval, steps[len(steps) // 2] if steps else 0.0)
    return Compared(
        recorded=len(times),
        found=len(there),
        lost=sum(loss.count for loss in losses),
        losses=tuple(losses),
        longest_gap=max((_gap(times, part) for part in (early, late)), default=0.0),
        at_cut=at_cut,
        at_end=end if late or cut is None else 0.0,
        resumed=None if cut is None else bool(late),
        after=times[late[0]] - cut[1] if cut is not None and late else None,
        pattern=pattern,
        every=every,
    )


def _losses(times: Sequence[float], found: Sequence[int | None], first: int, last: int) -> list[Loss]:
    losses = []
    missing = (number for number in range(first, last + 1) if found[number] is None)
    for _, run in itertools.groupby(enumerate(missing), key=lambda pair: pair[1] - pair[0]):
        numbers = [number for _, number in run]
        losses.append(Loss(times[numbers[0]], times[numbers[-1]], len(numbers)))
    return losses


def _gap(times: Sequence[float], numbers: Sequence[int]) -> float:
    gaps = (times[after] - times[before] for before, after in itertools.pairwise(numbers))
    return max(gaps, default=0.0)


def _pattern(losses: Sequence[Loss], interval: float | None, step: float) -> tuple[Pattern, float | None]:
    """The pattern of losses and, where they are regular, the seconds between them.

    A loss's time is known to about `step`, the usual time between samples.
    """
    if not losses:
        return "none", None
    apart = BURST if interval is None else min(BURST, interval / 4)
    begins = [losses[0].start]
    until = losses[0].end
    for loss in losses[1:]:
        if loss.start - until > apart:
            begins.append(loss.start)
        until = loss.end
    pauses = [after - before for before, after in itertools.pairwise(begins)]
    if not pauses:
        return "single", None
    near = max(NEAR_MULTIPLE, min(0.2, 1.5 * step / interval)) if interval is not None else 0.0
    if interval is not None and len(begins) >= 3 and _at_multiples(pauses, interval, near):
        return "beacon interval", interval
    mean = sum(pauses) / len(pauses)
    if len(begins) >= 4 and max(abs(pause - mean) for pause in pauses) <= REGULAR * mean:
        return "regular", mean
    return "scattered", None


def _at_multiples(pauses: Sequence[float], interval: float, room: float) -> bool:
    multiples = [round(pause / interval) for pause in pauses]
    near = all(
        count >= 1 and abs(pause / interval - count) <= room
        for pause, count in zip(pauses, multiples, strict=True)
    )
    return near and len(pauses) >= MOST_INTERVALS * sum(multiples)
