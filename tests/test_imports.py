"""What is imported when: the core runs without the screen library, help without anything heavy."""

from __future__ import annotations

import subprocess
import sys

import pytest

CORE = (
    "preflight.config.load",
    "preflight.figures.compute",
    "preflight.decode",
    "preflight.devices.volume",
    "preflight.checks.table",
    "preflight.record.verify",
    "preflight.walk.audit",
    "preflight.walk.opening",
    "preflight.practice.crew",
)
HEAVY = ("textual", "rich", "pint", "cryptography", "serial", "jinja2", "fpdf", "msgspec", "segno")


def imported_after(code: str) -> set[str]:
    """Top-level modules in a fresh interpreter after running `code`."""
    told = f"{code}\nimport sys\nprint('=====', *{{name.split('.')[0] for name in sys.modules}})"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    return set(done.stdout.rsplit("=====", 1)[1].split())


@pytest.mark.parametrize("module", CORE)
def test_the_core_imports_without_the_screen_library(module: str) -> None:
    assert not imported_after(f"import {module}") & {"textual", "rich"}


def test_help_imports_nothing_heavy() -> None:
    code = "from preflight.cli.main import run\nrun(['--help'])"
    assert not imported_after(code) & set(HEAVY)


@pytest.mark.parametrize("module", ["preflight.tui.app", "preflight.tui.opening"])
def test_the_first_screen_stands_before_the_walk_and_its_units_are_loaded(module: str) -> None:
    assert not imported_after(f"import {module}") & (set(HEAVY) - {"textual", "rich"})
