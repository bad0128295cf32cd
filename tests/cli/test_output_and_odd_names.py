"""Where output goes no further, and names that lead nowhere: a sentence and its exit code, no defect."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from pathlib import Path

import pytest
from small_flight import CHECKLIST
from tools import need_tool

from preflight.cli.main import run

if sys.platform != "win32":
    import resource

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


@contextlib.contextmanager
def no_file_longer_than(size):
    """As on a full disk, from that many bytes on."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.skipif(sys.platform == "win32", reason="needs setrlimit")
def test_a_file_is_written_whole_or_left_as_it_was(tmp_path, monkeypatch, capsys):
    """Half a checklist can be one with fewer steps, half a report one with fewer rows."""
    monkeypatch.chdir(tmp_path)
    Path("list.toml").write_text(CHECKLIST)
    Path("list.html").write_text("the one before")
    Path("link.html").symlink_to("list.html")
    Path("round.html").symlink_to("round.html")
    with no_file_longer_than(9000):
        assert run(["new", "flight"]) == 2
    assert run(["report", "list.toml", "-o", "link.html"]) == 0
    with no_file_longer_than(1000):
        assert run(["report", "list.toml", "-o", "list.html"]) == 2
    assert capsys.readouterr().err.count("File too large") == 2
    assert not list(Path("flight").iterdir())
    assert run(["report", "list.toml", "-o", "round.html"]) == 0
    assert Path("link.html").is_symlink()
    assert Path("list.html").read_text().rstrip().endswith("</html>")
    assert {path.name for path in tmp_path.iterdir()} == {
        *("flight", "list.toml", "list.html", "link.html", "round.html")
    }


def test_what_may_not_be_looked_at_is_a_sentence_and_no_verdict_on_a_record(tmp_path):
    """A record that this user may not read is not bad: nobody changed it."""
    shut, record = tmp_path / "shut", tmp_path / "record"
    shut.mkdir()
    record.mkdir()
    (record / "record.jsonl").write_text("{}\n")
    as_user = []
    if os.access(shut, os.R_OK) and os.geteuid() == 0:
        need_tool("setpriv")
        rights = "-dac_override,-dac_read_search"
        as_user = ["setpriv", f"--inh-caps={rights}", f"--bounding-set={rights}"]
    shut.chmod(0)
    (record / "record.jsonl").chmod(0)
    try:
        for words in (
            ("verify", "shut", "record", "shut/deeper"),
            ("report", "shut", "-o", "r.html"),
            ("report", "shut/record.jsonl", "-o", "r.html"),
            ("walk", "shut/flight.toml"),
            ("crew", "list", "--roster", "shut/allowed_signers"),
            ("new", "shut/flight"),
            ("demo", "--auto", "--dir", "shut/demo"),
        ):
            command = [*as_user, *MAIN, *words]
            done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
            assert (done.returncode, done.stdout) == (2, ""), words
            assert "shut" in done.stderr
            assert "give yourself the right" in done.stderr, done.stderr
            assert "defect" not in done.stderr
            if "record" in words:
                assert done.stderr.count("may not be") == 2
    finally:
        shut.chmod(0o700)


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        (["fi"], {"figures"}),
        (["check", "flight.toml", "--only", "card-f"], {"card-format"}),
        (["demo", "--fault", "log-j"], {"log-jammed"}),
        (["report", "--pa"], {"--paper"}),
    ],
)
def test_a_shell_completes_commands_checks_and_faults(typed, offered, monkeypatch, capsys):
    monkeypatch.setenv("_PREFLIGHT_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", " ".join(["preflight", *typed]))
    monkeypatch.setenv("COMP_CWORD", str(len(typed)))
    with pytest.raises(SystemExit):
        run([])
    assert {line.partition(",")[2] for line in capsys.readouterr().out.splitlines()} == offered
