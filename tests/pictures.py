"""Pictures of every screen and dialogue, drawn by the application itself while it is walked by key presses.

Run: python tests/pictures.py [FOLDER]. Without a folder they go into .pictures/, where the README shows some
of them and a test compares all.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from screen_driving import Driver
from tour import TOURS, run_walk

SIZES = {"": (80, 24), "-wide": (160, 45)}
IN_EACH_THEME = ("confirm", "sign", "no-go", "gate", "measure", "held", "seal")
FOLDER = Path(__file__).parent.parent / ".pictures"


def small(svg: str) -> str:
    """The same picture in fewer bytes: short names, no comments, blanks as they are."""
    found = re.search(r"terminal-[0-9]+", svg)
    if found is not None:
        svg = svg.replace(found[0], "t")
    svg = re.sub(r"<!--.*?-->|@font-face \{.*?\}", "", svg, flags=re.DOTALL).replace("&#160;", "\u00a0")
    svg = re.sub(r'<clipPath id="t-line-\d+">.*?</clipPath>', "", svg, flags=re.DOTALL)
    svg = re.sub(r' clip-path="url\(#t-line-\d+\)"', "", svg)
    svg = re.sub(r"<text [^>]*>[\s\u00a0]*</text>", "", svg).replace("Fira Code", "DejaVu Sans Mono")
    svg = svg.replace("<svg ", '<svg xml:space="preserve" ', 1)  # blanks at a text's start stay
    return "\n".join(line.strip() for line in svg.splitlines() if line.strip()) + "\n"


def draw() -> dict[str, str]:
    """Every picture by its file's name: both sizes on a desk, some of the walk in each other theme."""
    made: dict[str, str] = {}

    def taking(suffix: str, only: tuple[str, ...] | None = None):
        def take(driver: Driver, name: str) -> None:
            if only is None or name in only:
                made[f"{name}{suffix}.svg"] = small(driver.app.export_screenshot(title="preflight"))

        return take

    for tour in TOURS:
        for suffix, size in SIZES.items():
            with tempfile.TemporaryDirectory() as root:
                tour(Path(root), taking(suffix), size, "desk")
    for theme in ("sun", "night"):
        with tempfile.TemporaryDirectory() as root:
            run_walk(Path(root), taking(f"-{theme}", IN_EACH_THEME), SIZES[""], theme)
    return made


def main(folder: Path) -> list[Path]:
    """Write them all, and take away what is no longer drawn."""
    folder.mkdir(parents=True, exist_ok=True)
    made = draw()
    for path in folder.glob("*.svg"):
        if path.name not in made:
            path.unlink()
    for name, svg in made.items():
        (folder / name).write_text(svg, "utf-8")
    return sorted(folder / name for name in made)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
