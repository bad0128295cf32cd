"""Files beside records that an auditor's `logs/*` names along with them."""

from __future__ import annotations

import stat
from pathlib import Path

from preflight.record.folder import PINNED
from preflight.record.scan import RECORD

MOST = 1 << 20
"""Bytes: notes are shorter."""
ENTRY = '"entry"'
"""Stands in every line of a record."""


def clearly_no_record(path: Path) -> bool:
    """Whether `path` is a plain text file that no record, nor a part of one, can be.

    Anything that is not read to its end, such as an archive, a link, an empty or a long file, may be one.
    """
    try:
        status = path.lstat()
        if not stat.S_ISREG(status.st_mode) or not 0 < status.st_size <= MOST:
            return False
        text = path.read_bytes().decode("utf-8")
    except (OSError, ValueError):
        return False
    if path.name == RECORD or path.name in PINNED or (path.parent / RECORD).exists():
        return False
    return ENTRY not in text and all(char.isprintable() or char in "\n\r\t\ufeff" for char in text)
