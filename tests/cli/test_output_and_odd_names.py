"""Where output goes no further, and names that lead nowhere: a sentence and its exit code, no defect."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from small_flight import CHECKLIST

from preflight.cli.main import run

MAIN = (sys.executable, "-c", "from preflight.cli.main import main; main()")


def test_a_reader_that_goes_away_is_no_no_go():
    """`| head -1` ends as any program does whose reader left (128 + SIGPIPE): 1 would say no-go, or bad."""
    for words in (("ports",), ("lint", "--help"), ("--help",)):
        reading, writing = os.pipe()
        os.close(reading)
        done = subprocess.run([*MAIN, *words], stdout=writing, stderr=subprocess.PIPE, text=True, check=False)
        os.close(writing)
        assert (done.returncode, done.stderr) == (141, ""), words


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, which Linux has")
def test_a_full_disk_for_what_is_printed_is_a_sentence():
    with open("/dev/full", "w") as full:
        done = subprocess.run([*MAIN, "ports"], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr == (
        "preflight: can't write any more (No space left on device): free some space or write elsewhere, "
        "and run this again\n"
    )


@pytest.mark.parametrize(
    "words",
    [
        ("verify", "round.html"),
        ("verify", "record", "--roster", "round.html"),
        ("audit", "round.html"),
        ("report", "list.toml", "-o", "round.html"),
        ("report", "round.html", "-o", "list.html"),
        ("figures", "round.html"),
        ("check", "round.html"),
        ("lint", "round.html"),
        ("walk", "round.html"),
        ("new", "round.html"),
        ("new", "folder", "--from", "round.html"),
        ("demo", "--auto", "--dir", "round.html"),
        ("crew", "list", "--roster", "round.html"),
        ("crew", "add", "jo", "--name", "Jo", "--role", "payload", "--key", "round.html"),
    ],
)
def test_a_link_that_leads_back_to_itself_is_a_sentence(words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("round.html").symlink_to("round.html")
    Path("list.toml").write_text(CHECKLIST)
    assert run(list(words)) == 2
    assert "defect" not in capsys.readouterr().err


def test_without_a_terminal_a_passphrase_is_not_asked_for(tmp_path):
    """Where it could be read but not hidden, the command says how to give it instead."""
    asked = subprocess.run(
        [*MAIN, "crew", "add", "jo", "--name", "Jo", "--role", "payload", "--keys", "keys"],
        cwd=tmp_path,
        input="tall grass\ntall grass\n",
        capture_output=True,
        text=True,
        check=False,
        start_new_session=True,
    )
    assert asked.returncode == 2
    assert asked.stderr == (
        "preflight: there is no terminal to ask for a passphrase at: give it as a line with "
        "--passphrase-stdin\n"
    )
    assert not list(tmp_path.iterdir())
