"""Every test that the contributors' guide names is there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent


def test_named_tests_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = set(re.findall(r"`(?:python )?(tests/[a-z_/]+\.py)", text))
    assert len(named) > 20
    assert sorted(name for name in named if not (ROOT / name).is_file()) == []


def test_all_fifteen_guidelines_are_in_the_table() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    rows = re.findall(r"^\| (\d+)\. .*$", text, re.MULTILINE)
    assert rows == [str(n) for n in range(1, 16)]
    assert all("tests/" in line for line in re.findall(r"^\| \d+\. .*$", text, re.MULTILINE))
