"""The table of checks: listed without importing, plug-ins found, broken ones named and survived."""

import logging
import subprocess
import sys
import textwrap

import pytest

from preflight.checks import table
from preflight.checks.base import Context, run_check
from preflight.errors import PreflightError


@pytest.fixture
def plug_in(tmp_path, monkeypatch):
    """Installs a throw-away distribution that adds checks: `plug_in({"name": "module:attr"}, source)`."""

    def install(points: dict[str, str], source: str, package: str = "outside_checks") -> None:
        (tmp_path / f"{package}.py").write_text(textwrap.dedent(source))
        info = tmp_path / f"{package}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
        lines = "\n".join(f"{name} = {value}" for name, value in points.items())
        (info / "entry_points.txt").write_text(f"[{table.GROUP}]\n{lines}\n")
        monkeypatch.syspath_prepend(str(tmp_path))
        monkeypatch.delitem(sys.modules, package, raising=False)

    return install


GOOD = """
    from preflight.readings import Finding

    class Tether:
        name = "tether"
        title = "Tether on"
        needs = ()
        leads = ""
        put_back = ""

        def run(self, context):
            yield from ()
            return Finding(check="tether", outcome="go")

    class Faulty(Tether):
        name = "faulty"

        def run(self, context):
            yield from ()
            raise ZeroDivisionError("by the plug-in\\x1b[31m")

    tether = Tether()
    faulty = Faulty()
    number = 7
"""


def test_built_in_names_are_listed_without_importing_a_check():
    code = (
        "import sys; from preflight.checks import table; listed = table.names();"
        "assert set(table.BUILT_IN) <= set(listed);"
        "print([m for m in sys.modules if m.startswith('preflight.checks.')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['preflight.checks.base', 'preflight.checks.table']"


def test_a_plug_in_runs_before_the_checks_that_it_may_feed(plug_in):
    plug_in({"tether": "outside_checks:tether"}, GOOD)
    order = table.names()
    assert tuple(name for name in order if name != "tether") == tuple(table.BUILT_IN)
    # What it reads may feed battery-voltage, and what battery-voltage reads feeds battery-endurance.
    assert order.index("sample-record") < order.index("tether") < order.index("battery-voltage")
    check = table.get("tether")
    assert check.title == "Tether on"
    assert run_check(check, Context(flight=None, folder=None)).outcome == "go"


def test_a_missing_name_lists_what_is_there(plug_in):
    plug_in({"tether": "outside_checks:tether"}, GOOD)
    with pytest.raises(
        PreflightError, match=r'no check "card-fromat".*card-format.*, tether, .*flight-envelope'
    ):
        table.get("card-fromat")


@pytest.mark.parametrize(
    ("target", "source", "said"),
    [
        ("outside_checks:check", "import no_such_library_at_all", "no_such_library_at_all"),
        ("outside_checks:check", "raise RuntimeError('broken at import')", "broken at import"),
        ("outside_checks:absent", GOOD, "absent"),
        ("outside_checks:number", GOOD, "is not a check named broken"),
        ("outside_checks:tether", GOOD, "is not a check named broken"),
    ],
)
def test_a_broken_plug_in_warns_with_its_error_and_is_open(plug_in, caplog, target, source, said):
    plug_in({"broken": target}, source)
    with caplog.at_level(logging.WARNING):
        check = table.get("broken")
    assert said in caplog.text
    finding = run_check(check, Context(flight=None, folder=None))
    assert finding.outcome == "open"
    assert finding.remarks[0].startswith("Not checked: the plug-in outside_checks:")
    assert said in finding.remarks[0]


def test_a_plug_in_that_raises_while_it_runs_is_open_and_its_text_is_cleaned(plug_in):
    plug_in({"faulty": "outside_checks:faulty"}, GOOD)
    finding = run_check(table.get("faulty"), Context(flight=None, folder=None))
    assert finding.outcome == "open"
    assert "ZeroDivisionError: by the plug-in\u241b[31m" in finding.remarks[0]


def test_a_plug_in_cannot_replace_a_built_in_check(plug_in, caplog):
    plug_in({"card-format": "outside_checks:tether"}, GOOD)
    with caplog.at_level(logging.WARNING):
        assert table.names().count("card-format") == 1
    assert "card-format is built in" in caplog.text
