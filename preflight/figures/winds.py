"""Wind tables: height, direction and speed, read from comma-separated text.

```
# valid_at = 2027-05-16T06:00:00Z
height [ft],direction [deg],speed [kn]
700,250,12
3000,265,18
```

Heights are above mean sea level; a direction is where the wind comes from, degrees from true north.
"""

from __future__ import annotations

import csv
import math
import re
from bisect import bisect_right
from dataclasses import dataclass
from datetime import UTC, datetime

from preflight.clean import clean
from preflight.errors import PreflightError

MAX_BYTES = 1_000_000
MAX_PROBLEMS = 12
_UNITS = {
    "height": {"m": 1.0, "ft": 0.3048, "km": 1000.0},
    "direction": {"deg": 1.0},
    # 1 kn = 1852 m/h exactly (international nautical mile)
    "speed": {"m/s": 1.0, "mps": 1.0, "kn": 1852 / 3600, "km/h": 1 / 3.6},
}
_BOUNDS = {"height": (-500.0, 100_000.0), "direction": (0.0, 360.0), "speed": (0.0, 200.0)}
_HEADING = re.compile(r"^\s*(height|direction|speed|valid_at)\s*(?:[\[(_ ]\s*([a-z/]+)\s*[\])]?)?\s*$", re.I)
_VALID_AT = re.compile(r"^#\s*valid_at\s*[=:]?\s*(\S.*?)\s*$", re.I)
_NUMBER = re.compile(r"^[+-]?(\d+(\.\d*)?|\.\d+)$")


class WindTableError(PreflightError):
    """A wind table that can't be read; the message names file, line, column and remedy, all at once."""

    title = "Wind table"


@dataclass(frozen=True, slots=True)
class WindTable:
    """Heights in m (rising) with the wind's speed towards east and north in m/s at each.

    `valid_at` is UTC, None where the table doesn't say.
    """

    heights: tuple[float, ...]
    east: tuple[float, ...]
    north: tuple[float, ...]
    valid_at: datetime | None = None

    def at(self, height: float) -> tuple[float, float]:
        """East and north speed in m/s at a height in m: each linear between rows, held beyond the ends."""
        heights = self.heights
        above = bisect_right(heights, height)
        if above == 0:
            return self.east[0], self.north[0]
        if above == len(heights):
            return self.east[-1], self.north[-1]
        below = above - 1
        share = (height - heights[below]) / (heights[above] - heights[below])
        return (
            self.east[below] + share * (self.east[above] - self.east[below]),
            self.north[below] + share * (self.north[above] - self.north[below]),
        )


def components(direction: float, speed: float) -> tuple[float, float]:
    """East and north m/s of a wind of `speed` m/s that comes from `direction` degrees from true north."""
    angle = math.radians(direction)
    return -speed * math.sin(angle), -speed * math.cos(angle)


class _Reader:
    def __init__(self, name: str) -> None:
        self.name = clean(name, limit=200)
        self.problems: list[str] = []
        self.columns: dict[str, int] = {}
        self.factors: dict[str, float] = {}
        self.valid_at: datetime | None = None
        self.rows: list[tuple[float, float, float, int]] = []

    def problem(self, line: int, column: str, what: str) -> None:
        where = f"{self.name}, line {line}" + (f", column {column}" if column else "")
        self.problems.append(f"{where}: {what}")

    def heading(self, line: int, cells: list[str]) -> None:
        for index, cell in enumerate(cells):
            match = _HEADING.match(cell)
            if match is None:
                continue
            word, unit = match[1].lower(), (match[2] or "").lower()
            if word in self.columns:
                self.problem(line, word, "named twice; keep one")
            self.columns[word] = index
            if word == "valid_at":
                continue
            known = _UNITS[word]
            if word == "direction" and not unit:
                unit = "deg"
            if unit not in known:
                shown = f"unit “{clean(unit, limit=20)}” is not known" if unit else "has no unit"
                self.problem(line, word, f"{shown}; write {word} [{'] or ['.join(known)}]")
                continue
            self.factors[word] = known[unit]
        for word, known in _UNITS.items():
            if word not in self.columns:
                self.problem(
                    line,
                    word,
                    f"is missing; the first row names the columns, as in {word} [{next(iter(known))}]",
                )

    def number(self, line: int, word: str, text: str) -> float | None:
        text = text.strip()
        if not _NUMBER.match(text):
            self.problem(
                line, word, f"“{clean(text, limit=30)}” is not a number; use digits and a decimal point"
            )
            return None
        value = float(text) * self.factors[word]
        low, high = _BOUNDS[word]
        if not low <= value <= high:
            unit = next(iter(_UNITS[word]))
            self.problem(
                line, word, f"{clean(text, limit=30)} is outside {low:g} to {high:g} {unit}; check its unit"
            )
            return None
        return value

    def row(self, line: int, cells: list[str], width: int) -> None:
        if len(cells) != width:
            self.problem(
                line,
                "",
                f"has {len(cells)} columns, the first row {width}; write a decimal point, not a comma",
            )
            return
        values = [self.number(line, word, cells[self.columns[word]]) for word in _UNITS]
        if "valid_at" in self.columns:
            self.stamp(line, cells[self.columns["valid_at"]])
        height, direction, speed = values
        if height is not None and direction is not None and speed is not None:
            self.rows.append((height, direction, speed, line))

    def stamp(self, line: int, text: str) -> None:
        remedy = "write it with its UTC offset, as in 2027-05-16T06:00:00Z"
        try:
            moment = datetime.fromisoformat(text.strip())
        except ValueError:
            self.problem(line, "valid_at", f"“{clean(text, limit=40)}” is not a time; {remedy}")
            return
        if moment.tzinfo is None:
            self.problem(line, "valid_at", f"has no UTC offset; {remedy}")
            return
        moment = moment.astimezone(UTC)
        if self.valid_at is not None and moment != self.valid_at:
            self.problem(line, "valid_at", "differs from an earlier one; one table holds one time")
            return
        self.valid_at = moment

    def table(self) -> WindTable:
        self.rows.sort(key=lambda row: row[0])
        for lower, upper in zip(self.rows, self.rows[1:], strict=False):
            if lower[0] == upper[0]:
                self.problem(upper[3], "height", f"is the same as in line {lower[3]}; keep one")
        if not self.rows and not self.problems:
            self.problem(1, "", "has no rows; write at least one height with direction and speed")
        if self.problems:
            shown = self.problems[:MAX_PROBLEMS]
            if len(self.problems) > MAX_PROBLEMS:
                shown.append(f"… and {len(self.problems) - MAX_PROBLEMS} more like these")
            raise WindTableError("\n".join(shown))
        winds = [components(direction, speed) for _, direction, speed, _ in self.rows]
        return WindTable(
            heights=tuple(row[0] for row in self.rows),
            east=tuple(wind[0] for wind in winds),
            north=tuple(wind[1] for wind in winds),
            valid_at=self.valid_at,
        )


def read(data: bytes, *, name: str) -> WindTable:
    """The wind table in `data`; `name` is the file's, for messages.

    Raises WindTableError with every problem found.
    """
    reader = _Reader(name)
    if len(data) > MAX_BYTES:
        raise WindTableError(f"{reader.name}: is larger than {MAX_BYTES} bytes; a wind table is a short one")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise WindTableError(f"{reader.name}, line {line}: is not UTF-8 text; save it as UTF-8") from error
    width = 0
    for line, raw in enumerate(text.splitlines(), start=1):
        if stamp := _VALID_AT.match(raw):
            reader.stamp(line, stamp[1])
        if not raw.strip() or raw.lstrip().startswith("#"):
            continue
        cells = next(csv.reader([raw]))
        if not reader.columns and not width:
            reader.heading(line, cells)
            width = len(cells)
            if reader.problems:
                break
            continue
        reader.row(line, cells, width)
    return reader.table()
