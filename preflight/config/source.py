"""From a path to TOML values: reads only ordinary files of a sensible size, and says what fails."""

from __future__ import annotations

import errno
import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from preflight.clean import clean
from preflight.config.problems import BadFile, Problem

MAX_BYTES = 1 << 20


def _bad(where: str, message: str, remedy: str, line: int | None = None) -> BadFile:
    return BadFile((Problem(file=where, line=line, key="", message=message, remedy=remedy),))


_NOT_FILES = (
    (stat.S_ISDIR, "is a folder", "name the file inside it"),
    (stat.S_ISFIFO, "is a pipe, not a file", "name an ordinary file"),
    (stat.S_ISSOCK, "is a socket, not a file", "name an ordinary file"),
    (stat.S_ISCHR, "is a device, not a file", "name an ordinary file"),
    (stat.S_ISBLK, "is a device, not a file", "name an ordinary file"),
)

_OS_ERRORS = {
    errno.ENOENT: ("there is no such file", "check the name and the folder"),
    errno.ENOTDIR: ("there is no such file", "check the name and the folder"),
    errno.EACCES: ("may not be read", "give yourself the right to read it"),
    errno.EPERM: ("may not be read", "give yourself the right to read it"),
    errno.ENAMETOOLONG: ("the name is too long", "check the name"),
    errno.ELOOP: ("the link points to itself", "name the file the link was meant for"),
}


def read_bytes(path: Path | str) -> bytes:
    """The bytes of an ordinary file of at most `MAX_BYTES`. Raises `BadFile`."""
    where = str(path)
    if "\0" in where:
        raise _bad(where, "is not a file name", "check the name")
    try:
        # Looked at before opening: opening a serial device can restart what is on its line.
        _refuse_special(os.stat(path).st_mode, where)
        # Not blocking, should a pipe have taken its place since.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        try:
            _refuse_special(os.fstat(handle).st_mode, where)
            with open(handle, "rb", closefd=False) as file:
                data = file.read(MAX_BYTES + 1)
        finally:
            os.close(handle)
    except OSError as error:
        message, remedy = _OS_ERRORS.get(
            error.errno or 0, (f"can't be read ({error.strerror})", "check the file and its disk")
        )
        raise _bad(where, message, remedy) from error
    if len(data) > MAX_BYTES:
        raise _too_large(where)
    return data


def _refuse_special(mode: int, where: str) -> None:
    for is_kind, message, remedy in _NOT_FILES:
        if is_kind(mode):
            raise _bad(where, message, remedy)


def _too_large(where: str) -> BadFile:
    return _bad(where, f"is larger than {MAX_BYTES // 1024} KiB", "name a flight file or checklist")


def decode_text(data: bytes, where: str) -> str:
    """The text of a file, which must be UTF-8 (a leading mark is dropped). Raises `BadFile`."""
    if len(data) > MAX_BYTES:
        raise _too_large(where)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise _bad(where, "is UTF-16 text", "save it as UTF-8 in the editor's Save As")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        message = f"is not UTF-8 text: byte {data[error.start]:02X} in this line"
        raise _bad(where, message, "save the file as UTF-8", line) from error
    if not text.strip():
        raise _bad(where, "is empty", 'start from a file that "preflight new" writes')
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise _bad(where, "holds a NUL character: not a text file", "name a text file", line)
    return text


_TOO_LONG = re.compile(r"[0-9][0-9_]{4000}")
"""An integer that Python refuses to read."""
_AT = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")

# How the parser's complaints begin, and what a person should look at.
_SYNTAX = (
    ("Expected '=' after a key", "a key without '='", "write key = value"),
    ("Invalid initial character for a key", "a key that can't start like this", "write key = value"),
    ("Invalid statement", "not a table, a key or a comment", "write key = value or [table]"),
    ("Invalid value", "a value that is not TOML", "put text and quantities in quotes"),
    ("Expected newline or end of document", "something after the value", "write one key = value to a line"),
    ("Cannot overwrite a value", "a key given twice", "keep one of the two"),
    ("Cannot declare", "a table given twice", "keep one of the two, or [[...]] for one of several"),
    ("Cannot redefine namespace", "a table given twice", "keep one of the two"),
    ("Cannot mutate immutable namespace", "a table extended after { }", "write it in one place"),
    ("Duplicate inline table key", "a key given twice", "keep one of the two"),
    ("Unterminated string", "a text without its closing quote", "close the quote"),
    ("Illegal character '\\n'", "a text without its closing quote", "close the quote on the same line"),
    ("Illegal character", "a control character", "remove it, or write it as \\uXXXX"),
    ("Found invalid character", "a control character", "remove it, or write it as \\uXXXX"),
    ("Unescaped '\\' in a string", "a lone backslash in quotes", "double it, or use 'single quotes'"),
    ("Unclosed array", "an array without ]", "close the bracket"),
    ("Unclosed inline table", "a table without }", "close the brace, on the same line"),
    ("Expected ']' at the end of a table", "a table name without ]", "write [table]"),
    ("Expected ']]' at the end of an array", "a table name without ]]", "write [[table]]"),
    ("Invalid date or datetime", "a date that does not exist", "write 2027-05-16T08:30:00Z"),
    ("Invalid hex value", "a bad \\u escape", "give the code four hex digits"),
    ("Escaped character is not a Unicode", "a bad \\u escape", "use a valid character code"),
    ('Expected "\'"', "a text without its closing quote", "close the quote"),
    ("Expected '\"'", "a text without its closing quote", "close the quote"),
    ('Expected \'"""\'', "a text without its closing quotes", 'close it with """'),
    ("Expected \"'''\"", "a text without its closing quotes", "close it with '''"),
)


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """The values of TOML text. Raises `BadFile` with the line and plain words for what is wrong there."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax(str(error), text, where) from error
    except RecursionError as error:
        raise _bad(where, "brackets nested too deep", "write plain tables and lists") from error
    except (ValueError, OverflowError) as error:
        digits = _TOO_LONG.search(text)
        line = text.count("\n", 0, digits.start()) + 1 if digits is not None else None
        raise _bad(where, "a number out of all bounds", "write a shorter one", line) from error


def _syntax(complaint: str, text: str, where: str) -> BadFile:
    at = _AT.search(complaint)
    line = int(at.group(1)) if at is not None and at.group(1) else text.rstrip("\n").count("\n") + 1
    plain = complaint[: at.start()] if at is not None else complaint
    if plain.startswith("Cannot overwrite a value") and text.split("\n")[line - 1].lstrip().startswith("[["):
        message = "not valid TOML: both [table] and [[table]] of one name"
        return _bad(where, message, "write each of them as [[table]]", line)
    for start, message, remedy in _SYNTAX:
        if plain.startswith(start):
            return _bad(where, f"not valid TOML: {message}", remedy, line)
    message = f"not valid TOML: {clean(plain, limit=120)}"
    return _bad(where, message, "correct this line or the one above it", line)
