"""Files that are no text, no TOML or no files: a sentence each, from any byte they may be cut at."""

import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.cli.main import run
from preflight.config.load import load_flight, parse_checklist, parse_flight
from preflight.config.problems import BadFile, Problem
from preflight.config.source import MAX_BYTES


def problems_of(parse: Callable[[bytes, str], object], data: bytes) -> tuple[Problem, ...] | None:
    """What is wrong with a file; None where it loads. Anything but `BadFile` goes through."""
    try:
        parse(data, "f.toml")
    except BadFile as bad:
        return bad.problems
    return None


def said_of(data: bytes) -> str:
    with pytest.raises(BadFile) as caught:
        parse_flight(data, "f.toml")
    return str(caught.value)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "f.toml: is empty; start from a file"),
        (b" \n\t\n", "f.toml: is empty"),
        (b"\xef\xbb\xbf", "f.toml: is empty"),
        ("[flight]\n".encode("utf-16"), "f.toml: is UTF-16 text; save it as UTF-8"),
        ("[flight]\n".encode("utf-16-be"), "NUL character"),
        (b'[flight]\nname = "\xe9"\n', "f.toml:2: is not UTF-8 text: byte E9"),
        (b"[flight]\n\x00\n", "f.toml:2: holds a NUL character"),
        (b"#" * (MAX_BYTES + 1), "f.toml: is larger than 1024 KiB"),
        (b"[flight]\nname\n", "f.toml:2: not valid TOML: a key without '='; write key = value"),
        (b"[flight]\nname = Fulmar\n", "f.toml:2: not valid TOML: a value that is not TOML; put text"),
        (b'[flight]\nname = "Fulmar\n', "f.toml:2: not valid TOML: a text without its closing quote"),
        (b'[flight]\nname = "a"\nname = "b"\n', "f.toml:3: not valid TOML: a key given twice"),
        (b"[flight]\n[site]\n[flight]\n", "f.toml:3: not valid TOML: a table given twice"),
        (b"[flight\n", "f.toml:1: not valid TOML: a table name without ]"),
        (b"[[port\n", "f.toml:1: not valid TOML: a table name without ]]"),
        (b"[logger]\nformats = [1, 2\n", "f.toml:2: not valid TOML: an array without ]"),
        (b"a = { b = 1\n", "f.toml:1: not valid TOML: a table without }"),
        (b'a = "C:\\Users"\n', "f.toml:1: not valid TOML: a"),
        (b'a = "\\q"\n', "f.toml:1: not valid TOML: a lone backslash"),
        (b'a = "x" b = 1\n', "f.toml:1: not valid TOML: something after the value"),
        (b"a = 2027-02-30T00:00:00Z\n", "f.toml:1: not valid TOML: a date that does not exist"),
        (b"a = " + b"[" * 100_000, "f.toml: brackets nested too deep"),
        (b"a = " + b"{a=" * 5_000, "f.toml: brackets nested too deep"),
        (b"b = 1\na = 1" + b"0" * 5_000, "f.toml:2: a number out of all bounds; write a shorter one"),
        (b"[port]\na = 1\n[[port]]\na = 2\n", "f.toml:3: not valid TOML: both [table] and [[table]] of"),
        (b"[flight]\rname = 1\r", "f.toml:1: not valid TOML"),
        (b"[spam]\neggs = 1\n", "f.toml:1: spam: unknown section; "),
    ],
)
def test_contents_that_cannot_be_read(data: bytes, said: str) -> None:
    assert said in said_of(data)


def test_a_mark_at_the_start_and_windows_line_ends_are_taken(flight_text: str) -> None:
    data = b"\xef\xbb\xbf" + flight_text.replace("\n", "\r\n").encode()
    assert parse_flight(data, "f.toml").flight.name == "Fulmar 3"


def test_every_cut_of_a_good_file_loads_or_is_refused(flight_text: str) -> None:
    data = flight_text.encode()
    for place in range(len(data)):
        assert problems_of(parse_flight, data[:place]) != ()


def test_every_cut_of_a_good_checklist_loads_or_is_refused(checklist_text: str) -> None:
    data = checklist_text.encode()
    for place in [*range(1200), *range(1200, len(data), 97)]:
        assert problems_of(parse_checklist, data[:place]) != ()


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_spoiled_bytes_load_or_are_refused(flight_text: str, data: st.DataObject) -> None:
    spoiled = bytearray(flight_text.encode())
    for _ in range(data.draw(st.integers(1, 4))):
        spoiled[data.draw(st.integers(0, len(spoiled) - 1))] = data.draw(st.integers(0, 255))
    assert problems_of(parse_flight, bytes(spoiled)) != ()


SCALARS = (
    st.none().map(lambda _: "nan")
    | st.booleans().map(lambda b: str(b).lower())
    | st.integers().map(str)
    | st.sampled_from(
        ['""', '"1 kg"', '"5"', "[]", "{}", "[1, 2]", "2027-05-16", "08:30:00", "1e999", "-inf"]
    )
)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_any_value_at_any_key_loads_or_is_refused(flight_text: str, data: st.DataObject) -> None:
    lines = flight_text.splitlines()
    keys = [place for place, line in enumerate(lines) if " = " in line and not line.startswith("#")]
    place = data.draw(st.sampled_from(keys))
    lines[place] = f"{lines[place].split(' = ')[0]} = {data.draw(SCALARS)}"
    problems = problems_of(parse_flight, "\n".join(lines).encode())
    assert problems != ()
    assert all(problem.line is not None for problem in problems or ())


def test_paths_that_are_no_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fifo, plug, loop = tmp_path / "fifo", tmp_path / "plug", tmp_path / "loop"
    os.mkfifo(fifo)
    loop.symlink_to(loop)
    named = [
        (tmp_path, "is a folder"),
        (fifo, "is a pipe"),
        (Path("/dev/null"), "is a device"),
        (loop, "points to itself"),
        (tmp_path / "none", "no such file"),
        (tmp_path / ("x" * 300), "too long"),
        (fifo / "under", "no such file"),
    ]
    with socket.socket(socket.AF_UNIX) as server:
        folder = os.getcwd()
        os.chdir(tmp_path)  # a socket's own path must be short
        try:
            server.bind("plug")
        finally:
            os.chdir(folder)
        for path, said in [*named, (plug, "is a socket")]:
            assert run(["lint", str(path)]) == 2
            shown = capsys.readouterr()
            assert f"{path}: " in shown.err
            assert said in shown.err
            assert "Traceback" not in shown.err


def test_a_name_with_a_nul_or_without_rights(tmp_path: Path) -> None:
    with pytest.raises(BadFile, match="is not a file name"):
        load_flight("a\0b")
    locked = tmp_path / "locked.toml"
    locked.write_text("[flight]\n", encoding="utf-8")
    locked.chmod(0)
    if os.access(locked, os.R_OK):  # a superuser reads everything
        locked.chmod(0o600)
        return
    with pytest.raises(BadFile, match="may not be read"):
        load_flight(locked)


def test_a_file_over_the_cap_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "large.toml"
    with path.open("wb") as file:
        file.truncate(1 << 34)  # sparse
    with pytest.raises(BadFile, match="is larger than"):
        load_flight(path)
