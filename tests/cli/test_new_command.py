"""`preflight new`: what it writes loads, and what is there stays."""

from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from preflight.cli.main import run
from preflight.config.load import flattened_checklist, load_checklist, load_flight
from preflight.figures.compute import compute
from preflight.record.roster import Roster


def new(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    code = run(["new", *args])
    shown = capsys.readouterr()
    assert "Traceback" not in shown.out + shown.err
    return code, shown.out, shown.err


def tree(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_new_folder_has_everything_to_start_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "flights" / "one"
    code, out, err = new(capsys, str(folder))
    assert (code, err) == (0, "")
    assert sorted(tree(folder)) == ["allowed_signers", "flight.toml", "latex-flight.toml", "winds.csv"]
    flight = load_flight(folder / "flight.toml")
    assert load_checklist(folder / flight.flight.checklist).phase
    roster = Roster.parse((folder / "allowed_signers").read_bytes())
    assert roster.everyone == ()
    assert "preflight crew add" in (folder / "allowed_signers").read_text(encoding="utf-8")
    assert f"Then: preflight lint {folder / 'flight.toml'}" in out
    assert run(["lint", *map(str, folder.glob("*.toml"))]) == 0
    # Its figures are whole, by day, and its notification sheet asks for nothing but who calls.
    figures = compute(flight, folder=folder, now=flight.flight.release - timedelta(hours=20))
    assert (figures.go, figures.faults, figures.no_go) == (True, (), {})
    assert figures.figure("flight.keep_out_clearance") is not None
    assert not [remark for remark in figures.remarks if "wind" in str(remark).lower()]
    capsys.readouterr()
    assert run(["check", str(folder / "flight.toml"), "--only", "flight-envelope", "--only", "airspace"]) == 0
    assert 8 <= flight.flight.release.astimezone(ZoneInfo(flight.site.timezone)).hour <= 16
    assert run(["report", str(folder / "flight.toml"), "-o", str(tmp_path / "notice.txt")]) == 0
    sheet = (tmp_path / "notice.txt").read_text("utf-8")
    assert sheet.split("MISSING: ")[1].splitlines()[1:3] == [
        "  Operator: add operator to [airspace]",
        "  Operator's telephone: add telephone to [airspace]",
    ]
    assert "MISSING: 2 OF" in sheet
    # No other country's authority is named to be told.
    assert "FAA" not in sheet
    assert "of the State of launch" in sheet


@pytest.mark.parametrize("name", ["flight.toml", "latex-flight.toml", "winds.csv", "allowed_signers"])
def test_nothing_is_overwritten_and_then_nothing_is_written(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / name).write_text("mine", encoding="utf-8")
    code, out, err = new(capsys, str(tmp_path))
    assert (code, out) == (2, "")
    assert f"{tmp_path / name} is there already; nothing was written" in err
    assert tree(tmp_path) == {name: b"mine"}


def test_a_link_to_nowhere_is_not_followed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "flight.toml").symlink_to(tmp_path / "elsewhere")
    assert new(capsys, str(tmp_path))[0] == 2
    assert tree(tmp_path) == {}


def test_a_folder_that_cannot_be_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    for folder in (tmp_path / "file", tmp_path / "file" / "under", Path("/proc/none")):
        code, _, err = new(capsys, str(folder))
        assert code == 2
        assert "can't write there" in err


def record(folder: Path, tmp_path: Path, **changes: str) -> Path:
    """A folder with the three files as a record holds them."""
    run(["new", str(tmp_path / "source")])
    folder.mkdir()
    text = (tmp_path / "source" / "flight.toml").read_text(encoding="utf-8")
    for old, new_text in changes.items():
        text = text.replace(old, new_text)
    text = text.replace('"latex-flight.toml"', '"lists/ours.toml"')
    (folder / "flight.toml").write_text(text, encoding="utf-8")
    (folder / "checklist.toml").write_bytes(flattened_checklist(tmp_path / "source" / "latex-flight.toml"))
    (folder / "allowed_signers").write_text("# crew\n", encoding="utf-8")
    (folder / "record.jsonl").write_text("", encoding="utf-8")
    return folder


def test_from_a_record_the_flight_file_still_finds_its_checklist(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = record(tmp_path / "rec", tmp_path, **{"[wind]": "", 'table = "winds.csv"': ""})
    folder = tmp_path / "next"
    capsys.readouterr()
    code, out, err = new(capsys, str(folder), "--from", str(source))
    assert (code, err) == (0, "")
    written = tree(folder)
    assert sorted(written) == ["allowed_signers", "flight.toml", "lists/ours.toml"]
    assert written["allowed_signers"] == b"# crew\n"
    assert written["flight.toml"] == (source / "flight.toml").read_bytes()
    assert written["lists/ours.toml"] == (source / "checklist.toml").read_bytes()
    assert "Set flight.release" in out
    assert run(["lint", str(folder / "flight.toml")]) == 0


def test_a_wind_table_is_not_in_a_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = record(tmp_path / "rec", tmp_path)
    code, out, _ = new(capsys, str(tmp_path / "next"), "--from", str(source))
    assert code == 0
    assert "put a new winds.csv beside flight.toml" in out


@pytest.mark.parametrize("name", ["flight.toml", "checklist.toml", "allowed_signers"])
def test_a_record_that_lacks_a_file(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = record(tmp_path / "rec", tmp_path)
    (source / name).unlink()
    code, _, err = new(capsys, str(tmp_path / "next"), "--from", str(source))
    assert code == 2
    assert f"{source / name}: there is no such file" in err
    assert not (tmp_path / "next").exists()


def test_a_checklist_named_as_another_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = record(tmp_path / "rec", tmp_path, **{'"latex-flight.toml"': '"Flight.toml"'})
    code, _, err = new(capsys, str(tmp_path / "next"), "--from", str(source))
    assert code == 2
    assert "give it a name of its own" in err
    assert not (tmp_path / "next").exists()
