"""The pictures in .pictures/ are what the application draws now."""

from __future__ import annotations

from pictures import FOLDER, draw


def test_the_pictures_are_what_is_drawn() -> None:
    made = draw()
    kept = {path.name: path.read_bytes().decode() for path in FOLDER.glob("*.svg")}
    # A seal code is another whenever any byte of its record is, so these are only there.
    same = [name for name in made.keys() & kept.keys() if not name.startswith("seal")]
    other = sorted(name for name in same if made[name] != kept[name])
    assert (sorted(made.keys() - kept.keys()), sorted(kept.keys() - made.keys()), other) == ([], [], []), (
        "Missing, left over and changed pictures. If the screen is meant to look so, draw them anew with "
        "`python tests/pictures.py`, look at them, and commit .pictures/."
    )
    assert sum(len(svg.encode()) for svg in made.values()) < 6e6
    for name, svg in made.items():
        assert "/tmp" not in svg, name
        assert "Traceback" not in svg, name
