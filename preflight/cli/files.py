"""Files and folders that a command line names: how they are taken, and how one is written."""

from __future__ import annotations

import os
from pathlib import Path

import click

from preflight.clean import clean
from preflight.errors import PreflightError

NAMED = click.Path(path_type=Path, readable=False)
"""Any path: who opens it says what is wrong with it, and what to do."""


def write_output(path: Path, data: bytes) -> None:
    """Writes all of a file or leaves what was there: half a report can look like a whole one.

    Raises PreflightError, which names the file.
    """
    from preflight.record.disk import write_file

    try:
        if path.exists() and not path.is_file():
            path.write_bytes(data)  # a pipe or a terminal, such as /dev/stdout
        else:
            # The file that a link leads to is written, not the link replaced.
            write_file(Path(os.path.realpath(path)), data)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise PreflightError(f"{clean(str(path), limit=300)}: can't write there ({why})") from error
