"""`preflight demo --auto`, the whole command: what it prints, leaves, and what stock tools say of that."""

import base64
import hashlib
import json
import os
import re
import shlex
import signal
import struct
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import psutil
import pytest
from ahead import Ahead, Ran
from checklist_text import head
from tools import need_tool

from preflight.config.load import load_checklist, load_flight
from preflight.practice.invented import NOT_IN_PRACTICE

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="the simulated payload needs pseudo-terminals"
)

PREFLIGHT = [sys.executable, "-c", "import sys; from preflight.cli.main import main; main()"]
NAMESPACE = "preflight-drill-entry"
SHORT = (
    head("Short")
    + """[[phase]]
id = "short"
title = "Short"
gate = "release"
[[phase.step]]
id = "samples-read"
challenge = "Tap on"
response = "Samples decode"
check = "sample-record"
signed_by = ["payload"]
[[phase.step]]
id = "flight-computed"
challenge = "Flight as declared"
response = "All inside their limits"
check = "flight-envelope"
signed_by = ["director"]
"""
)
"""A list that is walked in seconds, where not the whole of it is what is looked at."""


def records(ran: Ran) -> list[Path]:
    """The folders of the records that a run of the demo named."""
    return [ran.folder / name for name in re.findall(r"^Record (\S+)$", ran.out, re.M)]


def demo(folder: Path) -> list[str]:
    # A relative folder would not be seen in the payload's command line.
    return [*PREFLIGHT, "demo", "--auto", "--dir", str(folder / "preflight-demo")]


AHEAD = {"demo": demo} if sys.platform != "win32" else {}


def preflight(folder: Path, *words: str | Path) -> Ran:
    done = subprocess.run(
        [*PREFLIGHT, *map(str, words)],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return Ran(folder, done.returncode, done.stdout, done.stderr)


def entries(record: Path) -> list[dict[str, Any]]:
    return [json.loads(line)["entry"] for line in (record / "record.jsonl").read_bytes().splitlines()]


def payloads(folder: Path) -> list[int]:
    """Simulated payloads at work in a folder."""
    found = []
    for process in psutil.process_iter(["cmdline"]):
        words = process.info["cmdline"] or []
        if "preflight.practice.payload" in words and any(str(folder) in word for word in words):
            found.append(process.pid)
    return found


@pytest.fixture(scope="module")
def auto(ahead: Ahead) -> Ran:
    ran = ahead["demo"]
    assert (ran.code, ran.err) == (0, ""), ran.out[-2000:] + ran.err
    return ran


def test_each_step_is_printed_with_value_and_limit(auto: Ran):
    flight = load_flight(auto.folder / "preflight-demo" / "flight.toml")
    told = auto.out.splitlines()
    for phase in load_checklist(auto.folder / "preflight-demo" / "latex-flight.toml").phase:
        steps = [step for step in phase.step if step.unless(flight) is None]
        assert (phase.title in told) is bool(steps)
        for step in steps:
            here = step.check not in NOT_IN_PRACTICE and step.id not in NOT_IN_PRACTICE
            outcome = "go    " if here else "not-applicable"
            at = [index for index, line in enumerate(told) if line.startswith(f"  {outcome} {step.id}: ")]
            assert at, step.id
            if step.check in NOT_IN_PRACTICE:
                # Whoever meets it on the screen is told which key to press.
                assert "press x, give that as the reason and sign" in told[at[0] + 1]
    for record in records(auto):
        for entry in entries(record):
            data = entry["data"]
            for reading in data.get("readings", [data["reading"]] if "reading" in data else []):
                lines = [line.strip() for line in told if line.strip().startswith(reading["name"] + "  ")]
                assert lines, reading["name"]
                if reading["at_least"] is not None:
                    assert any("at least" in line and "within" in line for line in lines), reading["name"]
                if reading["at_most"] is not None:
                    assert any("at most" in line and "within" in line for line in lines), reading["name"]


def test_it_says_that_it_is_a_drill(auto: Ran):
    assert auto.out.startswith("DRILL")
    assert all(entries(record)[0]["data"]["drill"] for record in records(auto))


def test_the_second_record_follows_the_sealed_one_after_release(auto: Ran):
    first, second = map(entries, records(auto))
    assert first[-1]["kind"] == "close"
    assert "release" not in {entry["kind"] for entry in first}
    assert second[0]["data"]["previous"]["rec"] == first[0]["rec"]
    assert second[0]["data"]["previous"]["why"] == "after-release"
    (release,) = [entry["data"] for entry in second if entry["kind"] == "release"]
    assert release["with_go"]
    assert second[-1]["kind"] == "close"


def test_what_was_measured_counts_and_makes_steps_stale(auto: Ran):
    # The neck lift comes out below the declared one, so what was computed from that is done again.
    assert "again: balloon.neck_lift was 2, now 1.94" in auto.out
    done = [entry["data"]["step"] for entry in entries(records(auto)[0]) if entry["kind"] == "check"]
    assert done.count("flight-computed") == 2


def test_every_command_it_offers_works(auto: Ran):
    """Sealed by the folder, sealed by the roster given, anchored by the printed code, and by ssh-keygen."""
    need_tool("ssh-keygen")
    offered = re.findall(r"^  (preflight verify .*|ssh-keygen .*)$", auto.out, re.M)
    assert len(offered) == 8
    states = []
    for line in offered:
        if line.startswith("preflight"):
            ran = preflight(auto.folder, *shlex.split(line)[1:], "--json")
            told = json.loads(ran.out)
            assert ran.code == 0, ran.out
            assert told["verdict"] == "go"
            states.append((told["state"], told["trust"]))
        else:
            command, _, signed = line.partition(" < ")
            data = (auto.folder / shlex.split(signed)[0]).read_bytes()
            told = subprocess.run(
                shlex.split(command), cwd=auto.folder, input=data, capture_output=True, check=False
            )
            assert told.returncode == 0, told.stderr
            assert b'Good "preflight-drill-seal" signature for mika' in told.stdout
    assert states == [("sealed", "folder"), ("sealed", "roster"), ("anchored", "code")] * 2


def test_openssl_verifies_an_entry(auto: Ran, tmp_path: Path):
    need_tool("openssl")
    record = records(auto)[0]
    keys = {
        words[0]: base64.b64decode(words[3])[-32:]
        for words in map(str.split, (record / "allowed_signers").read_text().splitlines())
    }
    line = (record / "record.jsonl").read_bytes().splitlines()[-2]
    body, _, rest = line.removeprefix(b'{"entry":').rpartition(b',"sig":"')

    def string(data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + data

    # To be signed as in OpenSSH's PROTOCOL.sshsig; the key as in RFC 8410, section 4.
    blob = b"SSHSIG" + string(NAMESPACE.encode()) + string(b"") + string(b"sha512")
    (tmp_path / "signed").write_bytes(blob + string(hashlib.sha512(body).digest()))
    (tmp_path / "sig").write_bytes(base64.b64decode(rest.removesuffix(b'"}')))
    public = bytes.fromhex("302a300506032b6570032100") + keys[json.loads(body)["signer"]]
    (tmp_path / "key.der").write_bytes(public)
    verify = "openssl pkeyutl -verify -pubin -keyform DER -inkey key.der -rawin -in signed -sigfile sig"
    told = subprocess.run(verify.split(), cwd=tmp_path, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    (tmp_path / "signed").write_bytes(blob + string(hashlib.sha512(body + b" ").digest()))
    told = subprocess.run(verify.split(), cwd=tmp_path, capture_output=True, text=True, check=False)
    assert told.returncode != 0


def test_no_payload_is_left_behind(auto: Ran):
    assert payloads(auto.folder) == []
    # The simulated card stays: the log it holds is what a test of the log looks at.
    left = {path.name for path in (auto.folder / "preflight-demo" / "payload").iterdir()}
    assert left <= {"faults.json", "card", "beacon.txt"}


def test_a_second_run_works_beside_the_first(auto: Ran):
    checklist = auto.folder / "preflight-demo" / "latex-flight.toml"
    whole = checklist.read_text()
    checklist.write_text(SHORT)
    again = preflight(auto.folder, "demo")  # no terminal: as with --auto
    checklist.write_text(whole)
    assert (again.code, again.err) == (0, "")
    assert len(records(again)) == 2
    assert not set(records(again)) & {record.relative_to(auto.folder) for record in records(auto)}
    assert "taken up as it was" in again.out


def test_a_no_go_stops_it_with_a_hold(tmp_path: Path):
    from preflight.practice import scenario

    demo = scenario.prepare(tmp_path / "preflight-demo", scenario.datetime.now(scenario.UTC))
    text = demo.flight_file.read_text()
    (demo.folder / scenario.CHECKLIST).write_text(SHORT)
    demo.flight_file.write_text(text.replace('burst_diameter = "7.0 m"', 'burst_diameter = "1.8 m"'))
    ran = preflight(tmp_path, "demo", "--auto")
    assert ran.code == 1
    assert ran.err.startswith("preflight: Hold: flight-computed is no-go: flight.burst_altitude")
    assert "OUTSIDE" in ran.out
    (record,) = records(ran)
    last = entries(record)[-1]
    assert last["kind"] == "hold"
    assert last["auth"] == "selected"
    assert payloads(tmp_path) == []


def test_ctrl_c_puts_the_line_back_and_leaves_a_sound_record(tmp_path: Path):
    folder = tmp_path / "preflight-demo"
    # In a group of its own, so that the signal reaches what a terminal's Ctrl-C would reach.
    child = subprocess.Popen(
        [*PREFLIGHT, "demo", "--auto", "--dir", str(folder)],
        cwd=tmp_path,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert child.stdout is not None
    out = ""
    while "logger-replies" not in out:
        line = child.stdout.readline()
        assert line, out
        out += line
    os.killpg(child.pid, signal.SIGINT)
    rest, err = child.communicate(timeout=60)
    assert child.returncode == 130
    assert err == "preflight: stopped\n"
    deadline = time.monotonic() + 10
    while payloads(tmp_path):
        assert time.monotonic() < deadline
        time.sleep(0.05)
    (record,) = records(Ran(tmp_path, 130, out + rest, err))
    told = preflight(tmp_path, "verify", record, "--json")
    assert (told.code, json.loads(told.out)["state"]) == (3, "unsealed")
    assert not (folder / "payload" / "payload.json").exists()


def test_a_folder_that_is_no_demo_is_refused(tmp_path: Path):
    (tmp_path / "preflight-demo").mkdir()
    (tmp_path / "preflight-demo" / "thesis.txt").write_text("mine")
    ran = preflight(tmp_path, "demo", "--auto")
    assert (ran.code, ran.out) == (2, "")
    assert "left alone" in ran.err
    assert [path.name for path in (tmp_path / "preflight-demo").iterdir()] == ["thesis.txt"]


def test_without_pseudo_terminals_it_says_what_else_to_try(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    from click.testing import CliRunner

    from preflight.cli.demo import command
    from preflight.errors import DeviceError

    def none_here() -> None:
        raise DeviceError("The simulated payload needs pseudo-terminals, which this system does not have")

    monkeypatch.setattr("preflight.practice.simulate.require_terminals", none_here)
    done = CliRunner().invoke(command, ["--dir", str(tmp_path / "demo")])
    assert isinstance(done.exception, DeviceError)
    assert "pseudo-terminals" in str(done.exception)
    assert "preflight figures" in str(done.exception)
