"""What reading one file has given so far: typed tables and problems, and the words problems use."""

from __future__ import annotations

import difflib
import functools
from collections.abc import Iterable
from datetime import date, datetime, time
from typing import Any, Final, TypeVar

import msgspec.inspect as mi
from msgspec import Struct

from preflight.clean import clean
from preflight.config.lines import key_lines, line_of
from preflight.config.problems import BadFile, Path, Problem, key_text, quoted

MAX_PROBLEMS = 200
MAX_LISTED = 40
MAX_COMPARED = 1000
S = TypeVar("S", bound=Struct)


class _Marker:
    """The type of `BAD`."""


BAD: Final = _Marker()


class Enough(Exception):  # noqa: N818 (a way out of the walk, not an error)
    """So many problems that listing more helps nobody."""


class Found:
    """What reading one file has given so far.

    `raw` holds the file's values, `built` every table whose own keys are all right, by path.
    """

    def __init__(self, raw: dict[str, Any], where: str, text: str = "") -> None:
        self.raw = raw
        self.where = where
        self.built: dict[Path, Struct] = {}
        self.problems: list[Problem] = []
        self.text = text
        self._lines: dict[Path, int] | None = None

    def add(self, path: Path, message: str, remedy: str) -> None:
        """Note a problem at `path`."""
        if len(self.problems) >= MAX_PROBLEMS:
            raise Enough
        problem = self.problem(path, message, remedy)
        if problem not in self.problems:
            self.problems.append(problem)

    def problem(self, path: Path, message: str, remedy: str) -> Problem:
        """A problem at `path`, with its line in the file."""
        return Problem(
            file=self.where, line=self.line(path), key=key_text(path), message=message, remedy=remedy
        )

    def line(self, path: Path) -> int | None:
        """The line of `path` in the file; None where there is no text (a single replaced value)."""
        if not self.text:
            return None
        if self._lines is None:
            self._lines = key_lines(self.text)
        return line_of(self._lines, path)

    def get(self, cls: type[S], *path: str | int) -> S | None:
        """The table at `path`, where it is there and right."""
        table = self.built.get(path)
        return table if isinstance(table, cls) else None

    def all(self, cls: type[S], *path: str | int) -> list[tuple[Path, S]]:
        """The right tables in the array at `path`, each with its own path."""
        return [
            (place, table)
            for place, table in self.built.items()
            if place[:-1] == path and isinstance(place[-1], int) and isinstance(table, cls)
        ]

    def value(self, *path: str | int) -> Any:
        """The file's own value at `path`; None where there is none."""
        here: Any = self.raw
        for part in path:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                return None
        return here

    def finish(self, cls: type[S]) -> S:
        """The whole file, typed. Raises `BadFile` with every problem, in the order of the file."""
        whole = self.get(cls)
        if self.problems or whole is None:
            raise BadFile(tuple(sorted(self.problems, key=_place)))
        return whole

    def close_off(self) -> None:
        """Say that there are more problems than are listed."""
        last = Problem(
            file=self.where,
            line=None,
            key="",
            message=f"more than {MAX_PROBLEMS} problems, the rest not shown",
            remedy="correct these first",
        )
        raise BadFile((*sorted(self.problems, key=_place), last))


def _place(problem: Problem) -> tuple[str, int]:
    return problem.file, problem.line or 0


@functools.cache
def struct_type(cls: type[Struct]) -> mi.StructType:
    """The fields and bounds of a table's type."""
    info = mi.type_info(cls)
    assert isinstance(info, mi.StructType)
    return info


def unwrap(kind: mi.Type) -> tuple[mi.Type, str | None, str]:
    """A type without its wrapping: the type itself, its kind of quantity and its description."""
    quantity, description = None, ""
    while isinstance(kind, mi.Metadata):
        quantity = quantity or (kind.extra or {}).get("kind")
        description = description or (kind.extra_json_schema or {}).get("description", "")
        kind = kind.type
    return kind, quantity, description


def members(kind: mi.Type) -> tuple[mi.Type, ...]:
    """The types a value may have, None left out."""
    inner = unwrap(kind)[0]
    if isinstance(inner, mi.UnionType):
        return tuple(member for member in inner.types if not isinstance(member, mi.NoneType))
    return (kind,)


def what(raw: object) -> str:
    """A value as a sentence names it."""
    match raw:
        case bool():
            return str(raw).lower()
        case str():
            return f"the text {quoted(raw)}"
        case int() | float():
            return f"the number {clean(str(raw) if not _huge(raw) else 'of many digits', limit=40)}"
        case dict():
            return "a table"
        case list():
            return "a list"
        case datetime() | date() | time():
            return "a date or time"
    return "something else"


def _huge(raw: float) -> bool:
    return isinstance(raw, int) and raw.bit_length() > 256


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word closest to `word`, if any is close."""
    close = difflib.get_close_matches(word[:60], list(known)[:MAX_COMPARED], n=1)
    return close[0] if close else None


def instead(word: str, known: Iterable[str]) -> str:
    """The remedy for an unknown word."""
    names = sorted(known)
    near = nearest(word, names)
    if near is not None:
        return f'did you mean "{near}"?'
    if len(names) > MAX_LISTED:
        return "check the name"
    return f"known here: {', '.join(names)}"


def literal(value: object) -> str:
    """A value as a file writes it."""
    return f'"{value}"' if isinstance(value, str) else str(value)
