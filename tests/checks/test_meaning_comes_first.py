"""What a check says has its meaning in its first clause, which the one line of the verdict has room for."""

from __future__ import annotations

from pathlib import Path

import pytest
from said_against_go import CLAUSE, MODULES, sentences

MOST = 48
"""Cells that the line has at 80 columns for a reason, beside the verdict, the gate and a step's name."""


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_a_fault_or_gap_says_what_it_means_before_anything_else(path: Path) -> None:
    long = [
        f"{path.name}:{line}: {text}"
        for line, text in sentences(path)
        if len(CLAUSE.split(text, maxsplit=1)[0]) > MOST
    ]
    assert not long


def test_the_sentences_are_found() -> None:
    """What the test above stands on."""
    assert sum(len(sentences(path)) for path in MODULES) > 100
