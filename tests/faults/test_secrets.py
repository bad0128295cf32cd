"""No passphrase and no private key gets out: not into files, words, tracebacks, nor the list of processes."""

from __future__ import annotations

import base64
import logging
import os
import stat
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import load_ssh_private_key
from fault_walk import Following, not_sealed
from small_flight import PASSPHRASE

from preflight.errors import PreflightError
from preflight.record import disk
from preflight.record.keys import load_private
from preflight.walk import opening
from preflight.walk.acts import Walk

posix = pytest.mark.skipif(os.name != "posix", reason="modes and processes of POSIX")
WRONG = "not what it is at all"
PREFLIGHT = [sys.executable, "-c", "import sys; from preflight.cli.main import main; main()"]


def secrets_of(place) -> dict[str, bytes]:
    """The passphrases, and every private key in the forms it could be written in."""
    found = {"passphrase": PASSPHRASE.encode(), "wrong passphrase": WRONG.encode()}
    for path in place.keys.iterdir():
        lines = path.read_bytes().splitlines()
        found[f"{path.name}'s key file"] = lines[-3]
        secret = None if path.name == "laptop" else PASSPHRASE.encode()
        seed = load_ssh_private_key(path.read_bytes(), secret).private_bytes_raw()
        found[f"{path.name}'s seed"] = seed
        found[f"{path.name}'s seed in hex"] = seed.hex().encode()
        found[f"{path.name}'s seed in base64"] = base64.b64encode(seed).rstrip(b"=")
        found[f"{path.name}'s seed as a literal"] = repr(seed)[2:-1].encode()
    return found


def leaks(place, where: str, data: bytes) -> list[str]:
    return [f"{what} in {where}" for what, secret in secrets_of(place).items() if secret in data]


def leaks_in(place, folder: Path) -> tuple[int, list[str]]:
    """Files looked at, and what was found in them."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    return len(files), [leak for path in files for leak in leaks(place, path.name, path.read_bytes())]


def test_the_look_for_secrets_finds_them(place, tmp_path):
    for what, secret in secrets_of(place).items():
        (tmp_path / "file").write_bytes(b"x" + secret + b"x")
        assert any(leak.startswith(what) for leak in leaks_in(place, tmp_path)[1])


def every_error(walk: Walk) -> Iterator[BaseException]:
    """Errors with a passphrase at hand, expected ones and a defect."""
    tries = (
        lambda: walk.keyring.unlock("ines", WRONG),
        lambda: walk.keyring.check("ines", WRONG),
        lambda: walk.keyring.unlock("nobody", PASSPHRASE),
        lambda: walk.keyring.unlock("laptop", PASSPHRASE),
        lambda: walk.authorise("fill", "ines", WRONG),
        lambda: walk.authorise("fill", "ines", PASSPHRASE),
        lambda: walk.authorise("fill", "omar", PASSPHRASE),
        lambda: walk.close("omar", PASSPHRASE, reason="x"),
        lambda: walk.close("ines", PASSPHRASE, reason=""),
        lambda: walk.close("ines", PASSPHRASE, reason="x", sealers=("zoe",)),
        lambda: load_private(walk.keyring.folder / "laptop", PASSPHRASE),
        lambda: load_private(walk.keyring.folder / "none", PASSPHRASE),
    )
    for attempt in tries:
        with pytest.raises(PreflightError) as error:
            attempt()
        yield error.value


def test_no_error_log_record_or_evidence_holds_a_secret(place, tmp_path, monkeypatch, caplog, capfd, ran):
    caplog.set_level(logging.DEBUG)
    following = Following(place, tmp_path / "logs", told=lambda *_: None)
    acts = following.acts()
    next(acts)
    walk = following.walk
    told = [
        "".join(traceback.format_exception(error)) + repr(error) + str(error.args)
        for error in every_error(walk)
    ]
    found = [leak for text in told for leak in leaks(place, text, text.encode())]

    def broken(_fd: int) -> None:
        raise RuntimeError("a defect with a key at hand")

    with monkeypatch.context() as patch:
        patch.setattr(disk, "sync", broken)
        with pytest.raises(RuntimeError) as defect:
            walk.hold("gusts", "ines")
    text = "".join(traceback.format_exception(defect.value)) + walk.recorder.failed
    found += leaks(place, "the traceback of a defect", text.encode())
    walk.recorder.close()
    opening.follow(
        walk.recorder.folder,
        why="storage",
        keyring=following.keyring,
        person="ines",
        clock=following.clock,
        head=walk.recorder.head,
    ).recorder.close()
    following.run()
    assert [line for line in not_sealed(tmp_path / "logs") if "not closed" not in line] == []
    files, more = leaks_in(place, tmp_path / "logs")
    out, err = capfd.readouterr()
    found += more + leaks(place, "output", (out + err).encode()) + leaks(place, "logs", caplog.text.encode())
    ran(
        f"{len(secrets_of(place))} secrets looked for in {len(told) + 1} errors with tracebacks "
        f"and {files} files"
    )
    assert found == []


def test_reports_hold_no_secret(place, flown, tmp_path, capsys):
    from preflight.cli.main import run

    record = max(flown.iterdir())
    for ending in ("html", "pdf", "csv"):
        run(["report", str(record), "-o", str(tmp_path / f"report.{ending}")])
    run(["verify", str(record), "--json"])
    run(["audit", str(flown), "--json", "--csv", str(tmp_path / "all.csv")])
    told = capsys.readouterr()
    assert leaks(place, "output", (told.out + told.err).encode()) == []
    files, found = leaks_in(place, tmp_path)
    assert files == 4
    assert found == []


def crew_add(folder: Path, *words: str, **more) -> subprocess.Popen[str]:
    env = os.environ | {"XDG_DATA_HOME": str(folder / "data"), "XDG_STATE_HOME": str(folder / "state")}
    return subprocess.Popen(
        [*PREFLIGHT, "crew", "add", *words, "--roster", str(folder / "roster")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=env,
        **more,
    )


class Watch(threading.Thread):
    """Reads the command line and environment of every process it can, again and again."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.over = threading.Event()
        self.looks = 0
        self.seen: dict[str, str] = {}
        self.of: set[str] = set()

    def run(self) -> None:
        while not self.over.is_set():
            for path in Path("/proc").glob("[0-9]*"):
                for name in ("cmdline", "environ"):
                    try:
                        data = (path / name).read_bytes()
                    except OSError:
                        continue
                    self.of.add(path.name)
                    self.looks += 1
                    for secret in (PASSPHRASE, WRONG):
                        if secret.encode() in data:
                            self.seen[f"{path.name}/{name}"] = secret
            time.sleep(0.002)


@posix
@pytest.mark.skipif(not Path("/proc/self/cmdline").exists(), reason="reads /proc")
def test_the_list_of_processes_shows_no_passphrase(tmp_path, ran):
    watch = Watch()
    watch.start()
    process = crew_add(tmp_path, "ines", "--name", "Ines Example", "--role", "director", "--passphrase-stdin")
    out, _ = process.communicate(PASSPHRASE + "\n", timeout=60)
    assert process.returncode == 0, out
    watch.over.set()
    watch.join()
    assert str(process.pid) in watch.of
    assert watch.seen == {}
    assert PASSPHRASE not in out
    ran(
        f"command lines and environments of processes read {watch.looks} times during crew add: no passphrase"
    )


@posix
def test_keys_are_made_closed_whatever_the_umask_and_refused_when_open(tmp_path):
    process = crew_add(tmp_path, "ines", "--name", "I", "--role", "director", "--passphrase-stdin", umask=0)
    process.communicate(PASSPHRASE + "\n", timeout=60)
    process = crew_add(tmp_path, "--instrument", umask=0)
    process.communicate(timeout=60)
    folder = tmp_path / "data" / "preflight" / "keys"
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (folder, *folder.iterdir())}
    assert modes == {"keys": 0o700, "ines": 0o600, "instrument": 0o600}
    for path, closed in ((folder / "ines", 0o600), (folder, 0o700)):
        for bit in (0o040, 0o020, 0o010, 0o004, 0o002, 0o001):
            path.chmod(closed | bit)
            with pytest.raises(PreflightError, match="is open to others"):
                load_private(folder / "ines", PASSPHRASE)
        path.chmod(closed)
    load_private(folder / "ines", PASSPHRASE)


def test_a_defect_of_a_command_is_one_line_and_its_traceback_holds_no_variable(tmp_path):
    """The command breaks with the passphrase in a local variable of the frame that breaks."""
    code = """
import sys
from preflight.record import keys
def broken(folder, person_id, passphrase, **more):
    here = passphrase + person_id
    raise RuntimeError("broken")
keys.make_key = broken
from preflight.cli.main import main
main()
"""
    env = os.environ | {"XDG_STATE_HOME": str(tmp_path / "state"), "XDG_DATA_HOME": str(tmp_path / "data")}
    words = ["crew", "add", "ines", "--name", "I", "--role", "director", "--passphrase-stdin"]
    done = subprocess.run(
        [sys.executable, "-c", code, *words, "--roster", str(tmp_path / "roster")],
        input=PASSPHRASE + "\n",
        capture_output=True,
        text=True,
        env=env,
        check=False,
    )
    assert done.returncode == 70
    assert "a defect of this tool: RuntimeError" in done.stderr
    assert "Traceback" not in done.stderr
    (log,) = (tmp_path / "state").rglob("defects.log")
    assert "RuntimeError: broken" in log.read_text()
    for text in (done.stdout, done.stderr, log.read_text()):
        assert PASSPHRASE not in text
