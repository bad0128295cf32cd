"""Where the files that come with this tool are: in the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


def shipped_folder() -> Path:
    """The folder with the checklists and the flight file to start from."""
    installed = _PACKAGE / "checklists"
    return installed if installed.is_dir() else _PACKAGE.parent / "checklists"


def shipped_file(name: str) -> Path:
    """The path of one shipped file, such as "flight.toml" or "latex-flight.toml"."""
    return shipped_folder() / name
