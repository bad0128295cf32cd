"""On a terminal the demo opens the screen on its own files, the payload running meanwhile and ended after."""

import io
import json
import sys
import types
from pathlib import Path
from typing import Any

import pytest

from preflight.cli.demo import command
from preflight.cli.main import run
from preflight.practice.faults import FAULTS
from preflight.practice.payload import STATUS

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="the simulated payload needs pseudo-terminals"
)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """Stands in for the screen: keeps what it was opened on, and leaves a record's folder."""
    opened: list[dict[str, Any]] = []

    def run_walk(flight_file: Path, **more: Any) -> None:
        payload = flight_file.parent / "payload"
        faults = json.loads((payload / STATUS).read_bytes())["faults"]
        opened.append({"flight": flight_file, "faults": faults, **more})
        (more["logs"] / "REC").mkdir()
        if len(opened) > 1:
            raise RuntimeError("the screen failed")

    module = types.ModuleType("preflight.cli.walk")
    module.run_walk = run_walk  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "preflight.cli.walk", module)
    return opened


def test_the_screen_is_opened_on_the_demo_and_the_payload_ended(
    tmp_path: Path, screen: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch
):
    folder = tmp_path / "demo"
    monkeypatch.setattr(sys, "stdin", Terminal("\n\n"))
    monkeypatch.setattr(sys, "stdout", Terminal())
    assert command.callback is not None
    planted = ("late=3", "no-fix")
    assert command.callback(auto=False, folder=folder, faults=planted) == 0
    assert screen == [
        {
            "flight": folder / "flight.toml",
            "faults": {"late": "3", "no-fix": ""},
            "logs": folder / "logs",
            "drill": True,
            "keys": folder / "keys",
        }
    ]
    assert not (folder / "payload" / STATUS).exists()
    said = sys.stdout.getvalue()  # type: ignore[attr-defined]
    assert 'passphrase is "demo"' in said
    assert "Planted fault: the logger answers late (3 seconds)." in said
    assert f"What to type at which step is in {folder / 'DEMO.txt'}." in " ".join(said.split())
    assert f"preflight verify {folder / 'logs' / 'REC'}" in said
    (folder / "logs" / "REC").rmdir()
    with pytest.raises(RuntimeError):
        command.callback(auto=False, folder=folder, faults=())
    assert not (folder / "payload" / STATUS).exists()


def test_a_fault_is_planted_by_its_name_and_the_names_are_in_the_help(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    assert run(["demo", "--dir", str(tmp_path / "demo"), "--fault", "sillent"]) == 2
    assert "the nearest is 'silent'" in capsys.readouterr().err
    assert not (tmp_path / "demo").exists()
    assert run(["demo", "--help"]) == 0
    told = capsys.readouterr().out
    assert all(f"  {name}" in told for name in FAULTS)
