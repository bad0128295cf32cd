"""A check of a team's own, installed as a distribution by itself: a bench voltmeter feeds battery-voltage.

The meter is simulated on a pseudo-terminal and speaks SCPI; the 60 s of load pass on a clock that is told.
"""

from __future__ import annotations

import base64
import hashlib
import importlib.util
import json
import os
import subprocess
import sys
import tomllib
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from serial_ends import FarEnd, make_flight

from preflight.checks import table
from preflight.checks.base import Context, run_check
from preflight.checks.battery_voltage import check as battery_check
from preflight.clock import Moment

SOURCE = Path(__file__).parents[1] / "plugin_voltmeter"
IDENTITY = b"Example Instruments,Bench 5,00017,2.1"
NAMED = "preflight_example_bench_voltmeter"

FLIGHT = """
[flight]
name = "Whimbrel 1"
release = 2031-03-09T09:00:00Z
power_up = "45 min"
checklist = "checklist.toml"
[site]
latitude = -41.5
longitude = 12.25
elevation = "40 m"
timezone = "UTC"
[balloon]
mass = "600 g"
burst_diameter = "6.0 m"
gas = "helium"
neck_lift = "1.60 kg"
[payload]
[[payload.package]]
name = "instrument pack"
mass = "0.9 kg"
[[port]]
use = "meter"
at = "AT"
baud = 9600
[battery]
chemistry = "li-ion"
series = 2
capacity = "3400 mA*h"
cell_temperature = "-10 degC"
[[battery.load]]
name = "flight computer"
current = "95 mA"
[recovery]
search = "3 h"
"""


class SteppingClock:
    """Goes on by `step` seconds each time it is looked at."""

    def __init__(self, step: float = 3.0) -> None:
        self.step, self.passed = step, 0.0

    def now(self) -> Moment:
        self.passed += self.step
        at = datetime(2031, 3, 9, 7, 0, tzinfo=UTC) + timedelta(seconds=self.passed)
        return Moment(at=at, boot="told", boot_ns=int(self.passed * 1e9), source="told")


class SimulatedMeter:
    """Answers one query a line; `volts` maps how often it has measured to what it reads."""

    def __init__(self, volts, identity=IDENTITY):
        self.volts, self.identity, self.measured = volts, identity, 0
        self._line = bytearray()

    def __call__(self, end, data):
        self._line += data
        while b"\n" in self._line:
            query, _, rest = bytes(self._line).partition(b"\n")
            self._line = bytearray(rest)
            if query == b"*IDN?":
                end.send(self.identity + b"\n")
            elif query == b"MEAS:VOLT:DC?":
                self.measured += 1
                said = self.volts(self.measured)
                end.send(said if isinstance(said, bytes) else b"%+.8E\n" % said)


def pack(number, *, load_from=8):
    """Two cells: 8.31 V at rest, some 0.2 V less under load, and sinking slowly."""
    return 8.31 if number < load_from else 8.11 - 0.001 * (number - load_from)


def wheel(folder: Path) -> Path:
    """The distribution built by hand from its pyproject, so that no build tool and no network is needed."""
    project = tomllib.loads((SOURCE / "pyproject.toml").read_text())["project"]
    name, version = project["name"].replace("-", "_"), project["version"]
    info = f"{name}-{version}.dist-info"
    points = "\n".join(f"{key} = {value}" for key, value in project["entry-points"][table.GROUP].items())
    files = {
        "bench_voltmeter.py": (SOURCE / "bench_voltmeter.py").read_text(),
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {version}\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: by hand\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": f"[{table.GROUP}]\n{points}\n",
    }
    record = [
        f"{path},sha256={base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).decode().rstrip('=')},{len(text.encode())}"
        for path, text in files.items()
    ]
    files[f"{info}/RECORD"] = "\n".join([*record, f"{info}/RECORD,,", ""])
    path = folder / f"{name}-{version}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for member, text in files.items():
            archive.writestr(member, text)
    return path


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """A folder into which pip has installed the distribution, and nothing else."""
    if importlib.util.find_spec("pip") is None:
        pytest.skip("needs pip in this environment: python -m ensurepip")
    target = tmp_path_factory.mktemp("installed")
    built = wheel(tmp_path_factory.mktemp("wheel"))
    words = ["-m", "pip", "install", "-q", "--no-deps", "--no-index", "--disable-pip-version-check"]
    subprocess.run([sys.executable, *words, "--target", str(target), str(built)], check=True, timeout=120)
    return target


def beside(installed, code, *words):
    """Run code in a fresh process that sees the installed distribution."""
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(installed), str(Path(__file__).parent)])},
        capture_output=True,
        text=True,
        timeout=120,
    )


WALKED = """
import json, sys
from pathlib import Path
sys.path.insert(0, str(Path(sys.argv[1])))
from test_voltmeter_plugin import SteppingClock
from preflight.checks import table
from preflight.checks.base import Context, run_check
from preflight.config.load import load_flight

file = Path(sys.argv[2])
flight, steps, found, measured = load_flight(file), [], [], {}
for name in ("bench-voltmeter", "battery-voltage"):
    context = Context(flight=flight, folder=file.parent, clock=SteppingClock(), measured=measured)
    finding = run_check(table.get(name), context, lambda step: steps.append(step.text))
    measured.update({reading.name: reading for reading in finding.readings if reading.value is not None})
    found.append(
        {
            "outcome": finding.outcome,
            "readings": {reading.name: reading.to_json() for reading in finding.readings},
            "remarks": finding.remarks,
            "evidence": [item.data.decode() for item in finding.evidence],
        }
    )
print(json.dumps({"found": found, "steps": steps, "from": table.get("bench-voltmeter")._check.__module__,
    "file": sys.modules["bench_voltmeter"].__file__}))
"""


def test_an_installed_voltmeter_feeds_battery_voltage_open_and_after_60_s_of_load(installed, tmp_path):
    with FarEnd(SimulatedMeter(pack)) as far:
        (tmp_path / "flight.toml").write_text(FLIGHT.replace("AT", far.path))
        done = beside(installed, WALKED, Path(__file__).parents[1], tmp_path / "flight.toml")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert Path(told["file"]).parent == installed
    meter, battery = told["found"]
    assert meter["outcome"] == "go", meter["remarks"]
    assert meter["remarks"] == [f"Measured by {IDENTITY.decode()}"]
    assert meter["readings"]["meter.open_voltage"]["value"] == pytest.approx(8.31)
    loaded = meter["readings"]["meter.loaded_voltage"]
    # 60 s at 3 s a look: the voltage after the twentieth look, the highest is the first under load.
    assert loaded["value"] == pytest.approx(8.11 - 0.020)
    assert (loaded["low"], loaded["high"]) == (pytest.approx(8.09), pytest.approx(8.11))
    assert meter["evidence"][0].startswith(
        f"> *IDN?\n{IDENTITY.decode()}\n> MEAS:VOLT:DC?\n+8.31000000E+00\n"
    )
    assert "Switch the payload on now" in told["steps"]
    assert "Load on: 57 of 60 s" in told["steps"]
    assert battery["outcome"] == "go", battery["remarks"]
    assert battery["readings"]["battery.open_voltage"]["value"] == pytest.approx(8.31)
    assert battery["readings"]["battery.loaded_voltage"]["value"] == pytest.approx(8.09)
    assert "The open voltage is the meter's: 8.31 V" in battery["remarks"]


def test_the_command_finds_it_by_its_entry_point(installed, tmp_path):
    (tmp_path / "flight.toml").write_text(FLIGHT.replace("AT", "nowhere"))
    code = "from preflight.cli.main import main; main()"
    done = beside(installed, code, "check", tmp_path / "flight.toml", "--only", "bench-voltmeter", "--json")
    assert done.returncode == 3, done.stderr
    only = json.loads(done.stdout)["checks"][0]
    assert only["check"] == "bench-voltmeter"
    assert only["outcome"] == "open"
    assert "There is no port nowhere" in only["remarks"][0]


# -- what can go wrong on the bench, in this process ---------------------------------------------------


@pytest.fixture(scope="module")
def voltmeter():
    spec = importlib.util.spec_from_file_location(NAMED, SOURCE / "bench_voltmeter.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.ANSWER_WITHIN, module.PAUSE = 0.5, 0.0
    return module


def run(voltmeter, meter, tmp_path, **more):
    with FarEnd(meter) as far:
        flight = make_flight(
            port=[{"use": "meter", "at": far.path, "baud": 9600}],
            battery={
                "chemistry": "li-ion",
                "series": 2,
                "capacity": 12240.0,
                "cell_temperature": 263.15,
                "load": [{"name": "all", "current": 0.1}],
            },
        )
        context = Context(flight=flight, folder=tmp_path, clock=SteppingClock(), **more)
        return run_check(voltmeter.check, context)


def after_rest(then):
    return lambda number: 8.31 if number <= 5 else then(number)


@pytest.mark.parametrize(
    ("meter", "told"),
    [
        (lambda *_: None, "The meter does not answer *IDN?: check that it is on"),
        (SimulatedMeter(pack, b"hello"), "says 'hello' to *IDN?: no SCPI instrument"),
        (SimulatedMeter(lambda _: 9.9e37), "range is exceeded"),
        (SimulatedMeter(lambda _: b"+9.91E+37\n"), "range is exceeded"),
        (SimulatedMeter(lambda _: b"NAN\n"), "range is exceeded"),
        (SimulatedMeter(lambda _: -8.3), "its two leads are swapped"),
        (SimulatedMeter(lambda _: b"8,31 V\n"), "says '8,31 V', which is no number"),
        (SimulatedMeter(lambda number: 8.0 + 0.1 * number), "not at rest, 8.1 to 8.5 V: take every load off"),
        (SimulatedMeter(lambda _: 8.31), "No load was seen"),
        (
            SimulatedMeter(after_rest(lambda number: 8.1 if number < 12 else 8.31)),
            "The load went off after 18 s: look for a poor contact",
        ),
        (SimulatedMeter(after_rest(lambda _: b"")), "does not answer MEAS:VOLT:DC?"),
    ],
)
def test_what_goes_wrong_on_the_bench_is_open_and_says_what_to_do(voltmeter, tmp_path, meter, told):
    finding = run(voltmeter, meter, tmp_path)
    assert finding.outcome == "open"
    assert finding.remarks[0].startswith("Not checked: ")
    assert told in finding.remarks[0]


def test_a_stop_ends_it(voltmeter, tmp_path):
    finding = run(voltmeter, SimulatedMeter(pack), tmp_path, stopped=lambda: True)
    assert finding.outcome == "open"
    assert finding.remarks[0] == "Not checked: stopped before all was measured"


def test_a_lead_pulled_is_told(voltmeter, tmp_path):
    def unplug(end, _):
        end.unplug()

    finding = run(voltmeter, unplug, tmp_path)
    assert finding.outcome == "open"
    assert "was lost" in finding.remarks[0]


def test_the_meters_voltages_count_before_the_taps_and_after_typed_ones(voltmeter, tmp_path):
    metered = {reading.name: reading for reading in run(voltmeter, SimulatedMeter(pack), tmp_path).readings}
    flight = make_flight(
        battery={
            "chemistry": "li-ion",
            "series": 2,
            "capacity": 12240.0,
            "cell_temperature": 263.15,
            "load": [{"name": "all", "current": 0.1}],
        }
    )
    context = Context(flight=flight, folder=tmp_path, measured=metered)
    finding = run_check(battery_check, context)
    assert [reading.value for reading in finding.readings] == [pytest.approx(8.31), pytest.approx(8.09)]
    assert {"meter.open_voltage", "meter.loaded_voltage"} <= set(finding.reads)
    typed = {"battery.open_voltage": 8.25, "battery.loaded_voltage": 8.0}
    finding = run_check(battery_check, Context(flight=flight, folder=tmp_path, measured=metered, typed=typed))
    assert [reading.value for reading in finding.readings] == [8.25, 8.0]


# -- the developers' page ------------------------------------------------------------------------------


def test_the_example_in_the_developers_page_is_the_one_that_is_tested():
    page = (SOURCE.parents[1] / "DEVELOPERS.md").read_text()
    section = page.split("## A check of your own, worked through")[1].split("\n## ")[0]
    blocks = [block.partition("\n")[::2] for block in section.split("```")[1::2]]
    steps = [text for _, text in blocks if text.startswith("[[phase.step]]")]
    shown = [text for kind, text in blocks if kind in ("python", "toml") and text not in steps]
    files = (SOURCE / "bench_voltmeter.py").read_text() + (SOURCE / "pyproject.toml").read_text()
    known = {
        line.strip() for line in [*files.splitlines(), *FLIGHT.replace("AT", "/dev/ttyUSB2").splitlines()]
    }
    lines = [line.strip() for text in shown for line in text.splitlines()]
    assert len(lines) > 40
    assert [line for line in lines if line not in known | {"", "..."}] == []
    listed = [step["check"] for text in steps for step in tomllib.loads(text)["phase"]["step"]]
    assert listed == ["bench-voltmeter", "battery-voltage"]
