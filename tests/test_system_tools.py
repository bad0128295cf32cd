"""The system tools that tests ask for are those that the script for every change installs."""

from __future__ import annotations

import re
from pathlib import Path

from tools import PACKAGES

HERE = Path(__file__).parent
EVERYWHERE = {"sha256sum", "sed"}


def test_every_tool_that_is_asked_for_is_installed_and_named_to_contributors():
    """Where CI=true a missing tool fails the test, so a machine with nothing of ours must get it."""
    asked = {
        name
        for path in HERE.rglob("*.py")
        for call in re.findall(r"need_tool\(([^)]*)\)", path.read_text("utf-8"))
        for name in re.findall(r'"([^"]+)"', call)
    }
    assert "pdftotext" in asked
    assert asked - EVERYWHERE <= PACKAGES.keys()
    root = HERE.parent
    told = re.search(r'^tools="([^"]*)"', (root / ".ci" / "run").read_text("utf-8"), re.M)
    assert told is not None
    packages = set(PACKAGES.values())
    assert packages <= set(told[1].split())
    contributors = (root / "DEVELOPERS.md").read_text("utf-8")
    assert [package for package in sorted(packages) if package not in contributors] == []
