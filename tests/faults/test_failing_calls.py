"""Any write or sync that fails, at any place: nothing is shown as signed, and the walk goes on elsewhere."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from fault_walk import LONG, Place, lost_of
from tools import need_tool

from preflight.record.links import check_link
from preflight.walk.proof import prove

SCRIPT = Path(__file__).parent / "starved_walk.py"
FEW = 6

CALL = re.compile(r"^\d+ +(?P<name>write|fsync)\(\d+<(?P<path>[^>]*)>.*?(?P<injected>\(INJECTED\))?$")
FAULTS = {
    "write": ["error=EIO", "error=ENOSPC", "retval=0", "retval=7"],
    "fsync": ["error=EIO", "error=ENOSPC"],
}
"""`retval` is a short count: so many bytes are said to be written, and none is."""


@dataclass(frozen=True)
class Call:
    """One write or sync as the system saw it."""

    name: str
    path: str
    injected: bool


@dataclass
class Ran:
    """One walk under strace: what it told, and its calls on files in `root`."""

    root: Path
    told: dict[str, Any]
    calls: list[Call]

    @property
    def logs(self) -> Path:
        return self.root / "one" / "logs"

    @property
    def other(self) -> Path:
        return self.root / "two" / "logs"


def traced(place: Place, root: Path, fault: str | None = None) -> Ran:
    """Walks under strace, with one call made to fail."""
    for device in ("one", "two"):
        (root / device).mkdir(parents=True)
    trace = root / "trace"
    words = ["strace", "-f", "--seccomp-bpf", "-y", "-qq", "-o", str(trace), "-e", "trace=write,fsync"]
    if fault is not None:
        words += ["-e", f"inject={fault}"]
    run = [
        sys.executable,
        "-B",
        str(SCRIPT),
        str(place.root),
        str(root / "one" / "logs"),
        str(root / "two" / "logs"),
    ]
    done = subprocess.run([*words, *run], capture_output=True, text=True, check=False, timeout=120)
    if "ptrace" in done.stderr and "not permitted" in done.stderr:
        pytest.skip("this system lets nobody trace a process")
    assert done.returncode == 0, f"{fault}: {done.stderr}"
    assert "Traceback" not in done.stderr
    matches = [CALL.match(line) for line in trace.read_text(errors="replace").splitlines()]
    calls = [Call(m["name"], m["path"], m["injected"] is not None) for m in matches if m]
    return Ran(root, json.loads(done.stdout), calls)


@pytest.fixture(scope="module")
def whole(place: Place, tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The walk with nothing failing."""
    need_tool("strace")
    ran = traced(place, tmp_path_factory.mktemp("whole") / "run")
    assert ran.told["failure"] == ""
    return ran


def chosen(whole: Ran) -> list[tuple[str, int, str]]:
    """Call, its number among its like, and the fault: every one of them, or a few of different kinds."""
    every = []
    for name, faults in FAULTS.items():
        calls = [call for call in whole.calls if call.name == name]
        for number, call in enumerate(calls, 1):
            if call.path.startswith(str(whole.root)):
                every += [(name, number, fault) for fault in faults]
    if LONG:
        return every
    return [every[at * len(every) // FEW] for at in range(FEW)]


def judge(ran: Ran, what: str) -> None:
    """Everything that must hold after one fault."""
    told = ran.told
    failed = next((n for n, call in enumerate(ran.calls) if call.injected), None)
    assert failed is not None, f"{what}: nothing was made to fail"
    path = ran.calls[failed].path
    if "retval=7" in what:
        failed += 1  # after a short count the rest is written; that some is missing is seen then
    assert told["failure"] in ("RecordError", "WriterStoppedError"), f"{what}: {told}"
    assert told["sentence"], what
    later = [call for call in ran.calls[failed + 1 :] if call.path == path]
    assert later == [], f"{what}: {path} was tried again"
    if told["stopped"] is not None:
        assert told["stopped"] == told["sentence"], what
        assert "nothing more goes into it" in told["stopped"]
        assert "Go on in a new record" in told["stopped"]
        assert told["unchanged"], f"{what}: something looked as signed"
        assert told["refused_again"], what
        touched = [call.path for call in ran.calls[failed + 1 :] if str(ran.logs) in call.path]
        assert touched == [], f"{what}: written to after it stopped: {touched}"
    end = ran.other if ran.other.exists() else ran.logs
    # A record that failed at its open entry was never acknowledged and is gone.
    assert lost_of(end, told["acknowledged"]) == [], what
    proofs = [prove(path) for path in end.iterdir() if (path / "record.jsonl").exists()]
    states = {proof.folder.name: (proof.found.state, proof.found.why) for proof in proofs}
    stopped = followed_for_storage(end)
    assert len(stopped) == (told["stopped"] is not None and bool(told["acknowledged"])), f"{what}: {states}"
    for name, (state, why) in states.items():
        # Whatever the failing device kept of a refused line, what was acknowledged verifies.
        assert state == ("unsealed" if name in stopped else "sealed"), f"{what}: {name} {state} {why}"
        assert check_link(end / name).state in ("first", "follows"), what
    assert len(states) == 2 + len(stopped), f"{what}: {states}"


def followed_for_storage(logs: Path) -> set[str]:
    """Records that another one follows after storage trouble."""
    links = [check_link(path).previous for path in logs.iterdir() if (path / "record.jsonl").exists()]
    return {link.rec for link in links if link is not None and link.why == "storage"}


def test_every_failing_call_is_told_and_survived(place, whole, tmp_path, ran):
    assert whole.calls
    counts: dict[str, int] = {}
    for at, (name, number, fault) in enumerate(chosen(whole)):
        what = f"{name} number {number}, {fault}"
        run = traced(place, tmp_path / str(at), f"{name}:{fault}:when={number}")
        judge(run, what)
        counts[f"{name} {fault}"] = counts.get(f"{name} {fault}", 0) + 1
    listed = ", ".join(f"{name} {count}" for name, count in counts.items())
    ran(f"calls made to fail one at a time under strace: {listed}: told, survived, never tried again")
