"""Which line of a TOML file a key stands on.

A scanner beside the parser, which gives values without places. It runs on text that has parsed, keeps to
the grammar's outline and never fails: what it does not understand it steps over.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from preflight.config.problems import Path

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"[ \t]*")
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def key_lines(text: str) -> dict[Path, int]:
    """The line (from 1) of every key, table and array element of TOML `text`."""
    scan = _Scan(text.replace("\r\n", "\n"))
    try:
        scan.document()
    except (IndexError, RecursionError, ValueError):
        # A file that ends early or nests beyond reason: the lines found so far still help.
        return scan.lines
    return scan.lines


def line_of(lines: Mapping[Path, int], path: Path) -> int | None:
    """The line of `path`, or of the nearest table around it that stands in the file."""
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return None


class _Scan:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.lines: dict[Path, int] = {}
        self._last: dict[Path, int] = {}  # position of the newest element of each array of tables

    def document(self) -> None:
        table: Path = ()
        while self._skip():
            if self.text.startswith("[[", self.at):
                table = self._header(2)
            elif self.text[self.at] == "[":
                table = self._header(1)
            elif not self._pair(table):
                self._to_end_of_line()

    def _header(self, brackets: int) -> Path:
        self.at += brackets
        names = self._key()
        self._to_end_of_line()
        path: Path = ()
        for name in names[:-1]:
            self.lines.setdefault((*path, name), self.line)  # a table may be there by those inside it alone
            path = self._inside((*path, name))
        path = (*path, *names[-1:])
        if brackets == 2:
            self.lines.setdefault(path, self.line)
            self._last[path] = self._last.get(path, -1) + 1
            path = (*path, self._last[path])
        self.lines.setdefault(path, self.line)
        return path

    def _inside(self, path: Path) -> Path:
        return (*path, self._last[path]) if path in self._last else path

    def _pair(self, table: Path) -> bool:
        """One key = value; False where there is none."""
        names = self._key()
        self._blank()
        if not names or self.text[self.at : self.at + 1] != "=":
            return False
        self.at += 1
        for end in range(1, len(names) + 1):
            self.lines.setdefault((*table, *names[:end]), self.line)
        self._value((*table, *names))
        return True

    def _key(self) -> tuple[str, ...]:
        names: list[str] = []
        while True:
            self._blank()
            here = self.text[self.at : self.at + 1]
            if here in ('"', "'"):
                names.append(self._string())
            elif found := _BARE.match(self.text, self.at):
                names.append(found.group())
                self.at = found.end()
            else:
                return tuple(names)
            self._blank()
            if self.text[self.at : self.at + 1] != ".":
                return tuple(names)
            self.at += 1

    def _value(self, path: Path) -> None:
        self._blank()
        here = self.text[self.at]
        if here in ('"', "'"):
            self._string()
        elif here == "[":
            self._array(path)
        elif here == "{":
            self._inline_table(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def _array(self, path: Path) -> None:
        self.at += 1
        position = 0
        while self._skip() and self.text[self.at] != "]":
            before = self.at
            self.lines.setdefault((*path, position), self.line)
            self._value((*path, position))
            position += 1
            if self._skip() and self.text[self.at] == ",":
                self.at += 1
            if self.at == before:
                self.at += 1
        self.at += 1

    def _inline_table(self, path: Path) -> None:
        self.at += 1
        while self._skip() and self.text[self.at] != "}":
            before = self.at
            self._pair(path)
            if self._skip() and self.text[self.at] == ",":
                self.at += 1
            if self.at == before:
                self.at += 1
        self.at += 1

    def _string(self) -> str:
        """The text of the string here; multi-line ones count their lines."""
        quote = self.text[self.at]
        fence = quote * 3 if self.text.startswith(quote * 3, self.at) else quote
        self.at += len(fence)
        out: list[str] = []
        while not self.text.startswith(fence, self.at):
            char = self.text[self.at]
            if char == "\n":
                self.line += 1
                if len(fence) == 1:  # no string goes on here
                    self.at += 1
                    return "".join(out)
            if char == "\\" and quote == '"':
                char = self._escape()
            out.append(char)
            self.at += 1
        self.at += len(fence)
        # A quote or two may stand right before the closing fence.
        while len(fence) == 3 and self.text.startswith(quote, self.at):
            self.at += 1
        return "".join(out)

    def _escape(self) -> str:
        """The character an escape stands for; leaves the place at its last character."""
        self.at += 1
        char = self.text[self.at]
        digits = {"u": 4, "U": 8}.get(char)
        if digits is not None:
            code = self.text[self.at + 1 : self.at + 1 + digits]
            self.at += digits
            return chr(int(code, 16)) if re.fullmatch(r"[0-9A-Fa-f]+", code) else ""
        if char == "\n":
            self.line += 1
        return _ESCAPES.get(char, "")

    def _blank(self) -> None:
        found = _SPACE.match(self.text, self.at)
        if found is not None:
            self.at = found.end()

    def _skip(self) -> bool:
        """Past blanks, comments and line ends; False at the end of the text."""
        while self.at < len(self.text):
            char = self.text[self.at]
            if char == "#":
                self._to_end_of_line()
            elif char == "\n":
                self.line += 1
                self.at += 1
            elif char in " \t":
                self.at += 1
            else:
                return True
        return False

    def _to_end_of_line(self) -> None:
        end = self.text.find("\n", self.at)
        self.at = len(self.text) if end < 0 else end
