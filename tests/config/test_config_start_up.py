"""What reading the types costs at start-up, and where the shipped files are."""

import subprocess
import sys
from pathlib import Path

import pytest

from preflight.config import shipped


def test_the_quantities_library_is_loaded_when_a_file_is_read() -> None:
    code = (
        "import sys, preflight.config.load, preflight.config.keys, preflight.cli.lint, preflight.cli.new;"
        "assert 'pint' not in sys.modules;"
        "from preflight.config.quantities import to_si; to_si('1 g', 'mass'); assert 'pint' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_shipped_files_are_found_in_a_checkout_and_in_an_installed_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert shipped.shipped_file("flight.toml").is_file()
    package = tmp_path / "site-packages" / "preflight"
    (package / "checklists").mkdir(parents=True)
    monkeypatch.setattr(shipped, "_PACKAGE", package)
    assert shipped.shipped_folder() == package / "checklists"
    (package / "checklists").rmdir()
    assert shipped.shipped_folder() == tmp_path / "site-packages" / "checklists"
