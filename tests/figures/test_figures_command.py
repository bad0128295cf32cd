"""`preflight figures`: table, JSON, exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from preflight.cli.main import run

FLIGHT = """
[flight]
name = "Fulmar 3"
release = 2027-05-16T08:30:00Z
power_up = "45 min"
checklist = "latex-flight.toml"
[site]
latitude = -43.93
longitude = 171.62
elevation = "212 m"
timezone = "Pacific/Auckland"
[balloon]
mass = "750 g"
burst_diameter = "6.7 m"
gas = "helium"
neck_lift = "1.70 kg"
[payload]
[[payload.package]]
name = "instrument pack"
mass = "1.02 kg"
[parachute]
mass = "80 g"
area = "0.9 m^2"
[sample]
rate = "2 Hz"
format = "delimited"
length = "64 B"
[[sample.field]]
name = "pressure"
[link]
baud = 38400
[battery]
chemistry = "li-ion"
series = 2
capacity = "3400 mA*h"
cell_temperature = "-10 degC"
rail = "5 V"
dropout = "0.3 V"
[[battery.load]]
name = "flight computer"
current = "95 mA"
[recovery]
search = "4 h"
"""
WIND = '[wind]\ntable = "winds.csv"\n'


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "flight.toml"
    path.write_text(FLIGHT)
    return path


def test_go(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["figures", str(file)]) == 0
    out = capsys.readouterr().out
    lines = out.splitlines()
    assert lines[-1].startswith("GO: ")
    assert max(len(line) for line in lines) <= 80
    for words in ("flight.burst_altitude", "battery.margin", "declared", "computed", "GOVERNS"):
        assert words in out
    row = next(line for line in lines if "flight.burst_altitude" in line)
    assert "≥ 5 000" in row


def test_no_go_says_what_would_mend_it(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text(FLIGHT.replace('"1.70 kg"', '"1.12 kg"').replace('"3400 mA*h"', '"1600 mA*h"'))
    assert run(["figures", str(file)]) == 1
    captured = capsys.readouterr()
    lines = captured.out.splitlines()
    assert lines[-1].startswith("NO-GO: ")
    assert any(
        line.startswith("! ") and line.endswith("NO-GO") and "battery.margin" in line for line in lines
    )
    assert any("flight.ascent_rate: a neck lift between" in line for line in lines)
    assert any("battery.margin: add " in line and "strings of 2 cells" in line for line in lines)
    assert "float away" in captured.out
    assert captured.err == ""


def test_json_is_one_object_with_the_contract_shape(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["figures", str(file), "--json"]) == 0
    data = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert {"flight", "figures", "run_out"} <= set(data)
    assert data["flight"] == "Fulmar 3"
    shape = {"name", "value", "low", "high", "unit", "source", "at_least", "at_most", "margin"}
    assert all(set(figure) == shape for figure in data["figures"])
    assert all({"resource", "after", "margin"} <= set(item) for item in data["run_out"])
    by_name = {figure["name"]: figure for figure in data["figures"]}
    assert by_name["link.margin"]["value"] == 30.0
    assert by_name["link.capacity"]["at_least"] is None
    assert data["run_out"][0]["resource"] == "battery"
    assert data["governing"] == "battery"


def test_wind_table_beside_the_flight_file(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text(FLIGHT + WIND)
    (file.parent / "winds.csv").write_text("height [m],direction,speed [m/s]\n0,270,8\n30000,270,8\n")
    assert run(["figures", str(file)]) == 0
    out = capsys.readouterr().out
    assert "flight.landing_distance" in out
    assert "estimate" in out


@pytest.mark.parametrize(
    ("table", "told"),
    [
        (None, "No such file"),
        ("height [m],direction,speed [m/s]\n1,2,x\n", "winds.csv, line 2, column speed"),
    ],
)
def test_bad_wind_table_is_bad_input(
    file: Path, capsys: pytest.CaptureFixture[str], table: str | None, told: str
) -> None:
    file.write_text(FLIGHT + WIND)
    if table is not None:
        (file.parent / "winds.csv").write_text(table)
    assert run(["figures", str(file), "--json"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert told in captured.err


def test_bad_flight_file_is_bad_input(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text(FLIGHT.replace('"212 m"', '"212 s"'))
    assert run(["figures", str(file)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "site.elevation" in captured.err
    assert run(["figures", str(file.parent / "absent.toml")]) == 2


def test_no_screen_library_is_loaded(file: Path) -> None:
    code = (
        "import sys; from preflight.cli.main import run; run(['figures', sys.argv[1]]);"
        "bad = {'textual', 'serial', 'cryptography', 'jinja2'} & set(sys.modules); sys.exit(bool(bad))"
    )
    done = subprocess.run([sys.executable, "-c", code, str(file)], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
