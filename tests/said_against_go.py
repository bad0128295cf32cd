"""What checks and devices may say against go, read from their source."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import preflight

ROOT = Path(preflight.__file__).parent
MODULES = sorted([*ROOT.glob("checks/*.py"), *ROOT.glob("devices/*.py")])
HOLE = "123456"
"""Stands for what is only known when a check runs."""
CLAUSE = re.compile(r"[:;.?] |, | \(")
"""Where the first clause of a sentence, which is its meaning, ends."""
FAULTS = re.compile(
    r"(\w+\.)*_?(faults|gaps|_judgement\.faults)\.append$|_?finding$|Unanswered$|\w*Error$|\w+\._finding$"
)


def text_of(node: ast.expr) -> str | None:
    """A sentence as it is written, with `HOLE` for each value; None for what is no text."""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else None
    if isinstance(node, ast.JoinedStr):
        parts = (part.value if isinstance(part, ast.Constant) else HOLE for part in node.values)
        return "".join(str(part) for part in parts)
    return None


def sentences(path: Path) -> list[tuple[int, str]]:
    """Faults and gaps of a module, and what its errors say; with the lines that they stand on."""
    tree = ast.parse(path.read_text("utf-8"))
    found = []
    for node in ast.walk(tree):
        given: list[ast.expr] = []
        if isinstance(node, ast.Call) and FAULTS.match(ast.unparse(node.func)):
            given = [each for each in node.args if not isinstance(each, ast.List)]
            given += [item for each in node.args if isinstance(each, ast.List) for item in each.elts]
        elif isinstance(node, ast.Return) and node.value is not None:
            given = [node.value]
        for each in given:
            text = text_of(each)
            if text is not None and " " in text.strip():
                found.append((each.lineno, text.removeprefix("Not checked: ")))
    return found
