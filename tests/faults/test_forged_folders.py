"""A folder made whole with other keys under the names of the crew: good by itself, bad from outside."""

from __future__ import annotations

import json
import re
import subprocess

import pytest
from fault_walk import Following, first_of
from tools import need_tool

from preflight.cli.main import run
from preflight.record.seal import seal_code

CLAIM = "names are as this folder claims"


@pytest.fixture
def forged(strangers, tmp_path):
    """The records of a whole walk by strangers who call themselves as the crew does."""
    logs = tmp_path / "logs"
    Following(strangers, logs, told=lambda *_: None).run()
    return logs


@pytest.fixture
def command(capsys):
    def call(*words):
        code = run([str(word) for word in words])
        told = capsys.readouterr()
        assert "Traceback" not in told.err + told.out
        return code, told.out, told.err

    return call


def test_by_itself_it_is_sealed_and_says_whose_word_the_names_are(forged, command, ran):
    looked = 0
    for record in sorted(forged.iterdir()):
        code, out, _ = command("verify", record)
        assert code == 0
        assert "Ines Example" in out
        assert out.index(CLAIM) < out.index("Ines Example")
        told = json.loads(command("verify", record, "--json")[1])
        assert (told["state"], told["trust"]) == ("sealed", "folder")
        looked += 1
    assert looked == 2
    ran(f"{looked} forged records verified without anything from outside: each says whose word the names are")


@pytest.mark.parametrize("ending", ["html", "pdf", "csv"])
def test_every_form_of_report_says_so(forged, command, tmp_path, ending):
    output = tmp_path / f"report.{ending}"
    code, out, _ = command("report", first_of(forged), "-o", output)
    assert code == 0
    assert CLAIM in out
    if ending == "pdf":
        need_tool("pdftotext")
        told = subprocess.run(["pdftotext", output, "-"], check=True, capture_output=True, text=True)
        text = told.stdout
    else:
        text = output.read_text()
    assert CLAIM in re.sub(r"\s+", " ", text)


def test_an_audit_says_so(forged, command):
    _, out, _ = command("audit", forged)
    assert "names are as these folders claim" in out
    told = json.loads(command("audit", forged, "--json")[1])
    assert {record["trust"] for record in told["records"]} == {"folder"}


def test_the_crews_roster_or_code_makes_it_bad(forged, flown, place, command, ran):
    tried = 0
    roster = place.root / "allowed_signers"
    true = first_of(flown)
    read_out = seal_code((true / "record.jsonl").read_bytes(), true.name)
    for record in sorted(forged.iterdir()):
        for known in (("--roster", roster), ("--code", read_out), ("--roster", roster, "--code", read_out)):
            exit_code, out, _ = command("verify", record, *known)
            assert exit_code == 1, known
            assert ": bad" in out
            # A code that does not match vouches for nobody: the names are the folder's claim then.
            assert (CLAIM in out) is ("--roster" not in known)
            tried += 1
    assert command("audit", forged, "--roster", roster)[0] == 1
    code, out, _ = command("audit", flown, "--roster", roster)
    assert code == 0
    assert "names are those of the roster given" in out
    assert command("verify", true, "--roster", roster)[0] == 0
    assert command("verify", true, "--code", read_out)[0] == 0
    ran(f"forged records under --roster, --code or both: 0 of {tried} not bad")
