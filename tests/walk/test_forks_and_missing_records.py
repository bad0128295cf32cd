"""What verify and report say, in plain sight, of a fork and of a record whose earlier one is not there."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from small_flight import PASSPHRASE, Crew

from preflight.cli.main import run
from preflight.walk.opening import follow


def words(capsys: pytest.CaptureFixture[str], *args: object) -> str:
    run([str(arg) for arg in args])
    return capsys.readouterr().out


@pytest.fixture
def sealed(crew: Crew) -> Path:
    walk = crew.ready_to_release(crew.begin())
    walk.close("ines", PASSPHRASE, reason="release decided")
    walk.recorder.seal(crew.keyring.signer("ines"))
    walk.recorder.close()
    return walk.recorder.folder


@pytest.fixture
def forked(crew: Crew, sealed: Path) -> tuple[Path, list[Path]]:
    """A sealed record that two others go on from."""
    followers = []
    for _ in range(2):
        walk = follow(sealed, keyring=crew.keyring, person="ines", clock=crew.clock, why="after-release")
        walk.recorder.close()
        followers.append(walk.recorder.folder)
    return sealed, sorted(followers)


def test_a_fork_stands_in_the_state_line_of_each_record_in_it(forked, capsys) -> None:
    before, followers = forked
    for folder, state in ((before, "sealed"), (followers[0], "unsealed"), (followers[1], "unsealed")):
        first, *rest = words(capsys, "verify", folder).splitlines()
        assert first == f"{folder.name}: {state}, FORK, in {folder}"
        names = ", ".join(path.name for path in followers)
        assert f"  note: FORK: {names} all follow {before.name}" in rest
        told = json.loads(words(capsys, "verify", folder, "--json"))
        assert (told["fork"], told["state"]) == (True, state)


def test_a_record_without_a_fork_has_none(sealed, capsys) -> None:
    assert "FORK" not in words(capsys, "verify", sealed)
    assert json.loads(words(capsys, "verify", sealed, "--json"))["fork"] is False


@pytest.mark.parametrize("form", ["html", "csv", "pdf"])
def test_a_fork_stands_in_the_report(forked, tmp_path, capfd, form) -> None:
    out = tmp_path / f"report.{form}"
    run(["report", str(forked[1][0]), "-o", str(out)])
    told = capfd.readouterr().err
    assert "FORK: " in told
    assert "only one of them can be the walk that happened" in told
    if form != "pdf":
        assert "FORK" in out.read_text("utf-8")


def test_what_cannot_be_judged_without_the_earlier_record_is_said_plainly(
    crew, sealed, capsys, tmp_path
) -> None:
    walk = follow(sealed, keyring=crew.keyring, person="ines", clock=crew.clock, why="after-release")
    walk.recorder.close()
    shutil.move(sealed, tmp_path / "elsewhere")
    text = words(capsys, "verify", walk.recorder.folder)
    assert "  verdict not judged: see the note below" in text
    assert (
        f"follows {sealed.name}, which does not lie beside it. NOT JUDGED, as all of it stands on that "
        "record: whether each act was allowed, every outcome, the verdict. Judged: this record's own lines, "
        "signatures, files and seals. To judge the rest, put that record beside this one"
    ) in text
    out = tmp_path / "report.html"
    run(["report", str(walk.recorder.folder), "-o", str(out)])
    assert "NOT JUDGED" in out.read_text("utf-8")
