"""What is wrong with a field of an entry, in words: the decoder would show a regular expression."""

from __future__ import annotations

import re

import msgspec

from preflight.clean import clean

_PATTERN = re.compile(r"Expected `str` matching regex (['\"])(?P<pattern>.*)\1", re.DOTALL)
_PLACE = re.compile(r" - at `(?:key in )?\$\.?(?P<place>[^`]*)`\Z")

# A piece of each pattern that entries are held to, and what it asks for. The pieces are looked for in this
# order.
_ASKS = (
    ("{64}", "SHA-256 is written as 64 digits of 0-9 and a-f"),
    ("T[0-9]{2}:", "a time is written as 2031-03-09T07:00:00.000Z"),
    ("(?!-0", "a number is written plainly, as 1.5 or -20: no sign +, no exponent, no needless zero"),
    ("{0,99}", "a record's id has letters, digits and . _ - and begins with a letter or digit"),
    ("@+-", "a person's id has a-z, 0-9 and . _ @ + - and begins with a letter or digit"),
    ("{0,19}", "the running clock is written as whole nanoseconds"),
)


def fault_in_words(error: msgspec.ValidationError) -> str:
    """The field that is not as it must be, and how it is written; no regular expression."""
    text = str(error)
    place = _PLACE.search(text)
    where = f"{clean(place['place'], limit=80)}: " if place is not None and place["place"] else ""
    text = _PLACE.sub("", text)
    found = _PATTERN.search(text)
    if found is not None:
        pattern = found["pattern"]
        asked = next((said for piece, said in _ASKS if piece in pattern), "is not in its form")
        return f"{where}{asked}"
    return f"{where}{clean(text.replace('`', ''), limit=200)}"
