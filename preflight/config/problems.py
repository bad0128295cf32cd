"""What is wrong with a file: every problem at once, each with its line, its key and a remedy."""

from __future__ import annotations

from dataclasses import dataclass

from preflight.clean import clean
from preflight.errors import PreflightError

Path = tuple[str | int, ...]
"""A place in a file: table and key names, and positions in arrays counted from 0."""


def quoted(text: str) -> str:
    """A file's own text as messages show it: cleaned, shortened, in quotes."""
    return f'"{clean(text, limit=40)}"'


def key_text(path: Path) -> str:
    """A path as people read it, positions counted from 1: `sample.field[2].unit`."""
    out = ""
    for part in path:
        if isinstance(part, int):
            out += f"[{part + 1}]"
        else:
            bare = part.replace("-", "").replace("_", "").isalnum() and part.isascii()
            shown = part if bare else f'"{clean(part, limit=60)}"'
            out += f".{shown}" if out else shown
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong in `file` at `line` (from 1; None where there is none, as for a whole file).

    `key` is the key's path, its positions in arrays counted from 1; "" for the file itself.
    """

    file: str
    line: int | None
    key: str
    message: str
    remedy: str

    def __str__(self) -> str:
        place = clean(self.file, limit=1000)
        if self.line is not None:
            place = f"{place}:{self.line}"
        parts = [part for part in (place, self.key) if part]
        return ": ".join([*parts, f"{self.message}; {self.remedy}"])


class BadFile(PreflightError):  # noqa: N818 (the family's names are words for people)
    """A file that can't be used; `problems` holds everything found, in the order of the file."""

    title = "The file has problems"

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems
