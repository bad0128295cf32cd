"""Regular expressions from files: they must compile, and must not take for ever on a hostile reply."""

from __future__ import annotations

import re
import warnings

MAX_REPEAT = 1000
_REPEAT = re.compile(r"\{(\d*)(,?)(\d*)\}")


def trouble(pattern: str) -> str | None:
    """What is wrong with `pattern`; None where nothing is.

    Beside what does not compile, repeats and alternatives inside repeats are refused, since a reply made for
    it could keep such a pattern busy for hours, and counted repeats beyond `MAX_REPEAT`.
    """
    for found in _REPEAT.finditer(pattern):
        if any(digits and (len(digits) > 5 or int(digits) > MAX_REPEAT) for digits in found.group(1, 3)):
            return f"repeats more than {MAX_REPEAT} times"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            re.compile(pattern)
    except (re.error, OverflowError, RecursionError) as error:
        return f"is not a regular expression ({error})"
    return "repeats what may already match in several ways, as in (a+)+" if _nested(pattern) else None


def _nested(pattern: str) -> bool:
    """Whether a group that holds a repeat or alternatives is itself repeated."""
    open_groups = [False]  # for each group around here: whether it holds one so far
    at = 0
    closed = False  # whether a group with one ended right before
    while at < len(pattern):
        char = pattern[at]
        if char == "\\":
            at += 2
            closed = False
            continue
        if char == "[":
            at = _class_end(pattern, at)
            closed = False
            continue
        if char == "(":
            open_groups.append(False)
            at += 2 if pattern.startswith("(?", at) else 1  # the ? of (?: repeats nothing
            closed = False
            continue
        if char == ")":
            closed = open_groups.pop()
            open_groups[-1] = open_groups[-1] or closed
        elif length := _repeats(pattern, at):
            if closed:
                return True
            open_groups[-1] = True
            at += length
            continue
        else:
            closed = False
            open_groups[-1] = open_groups[-1] or char == "|"
        at += 1
    return False


def _repeats(pattern: str, at: int) -> int:
    """The length of a repeat of more than once here, 0 where there is none."""
    if pattern[at] in "*+":
        return 1
    found = _REPEAT.match(pattern, at)
    if found is None or not (found.group(1) or found.group(3)):
        return 0
    low, comma, high = found.groups()
    most = (int(high) if high else MAX_REPEAT) if comma else int(low)
    return found.end() - at if most > 1 else 0


def _class_end(pattern: str, at: int) -> int:
    """The place after the character class that starts here."""
    at += 1
    if pattern.startswith("^", at):
        at += 1
    if pattern.startswith("]", at):
        at += 1
    while at < len(pattern) and pattern[at] != "]":
        at += 2 if pattern[at] == "\\" else 1
    return at + 1
