"""The errors this tool raises on purpose.

Each carries a sentence for people: what is wrong, where, and what to do. `cli` alone turns them into
text on stderr and an exit code; screens show `title` and the message. Anything else that escapes is a
defect of this tool.
"""

from __future__ import annotations


class PreflightError(Exception):
    """Base of the family: `title` heads a dialogue, `str(error)` is the sentence."""

    title = "Cannot go on"
    exit_code = 2


class Refused(PreflightError):  # noqa: N818 - what happened to the act, in the walk's own word
    """An act that the rules of the walk do not allow now, by this person, on this step."""

    title = "Not allowed"


class DeviceError(PreflightError):
    """A port, card or file that could not be opened, read or written; the driver's error is the cause."""

    title = "Device trouble"


class RecordError(PreflightError):
    """A record, key or roster that is missing, damaged, locked by another writer or read-only."""

    title = "Record trouble"
