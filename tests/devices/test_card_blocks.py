"""Reading a device or image: bounds, errors that say what to do, nothing that hangs."""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from preflight.devices.blocks import BadVolumeError, Blocks, GoneError
from preflight.errors import DeviceError


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "card.img"
    path.write_bytes(bytes(range(256)) * 8)
    return path


def test_reads_exactly_what_is_asked(image: Path):
    with Blocks.open(image) as blocks:
        assert blocks.size == 2048
        assert blocks.read(255, 3) == b"\xff\x00\x01"
        assert blocks.read(2048, 0) == b""
        part = blocks.part(512, 256)
        assert part.read(1, 2) == b"\x01\x02"
        assert part.part(16, 16).read(0, 1) == b"\x10"


@pytest.mark.parametrize(
    ("offset", "length"), [(2047, 2), (2049, 0), (-1, 1), (1 << 70, 1), (0, 1 << 60), (0, -1)]
)
def test_places_outside_are_refused_before_anything_is_allocated(image: Path, offset: int, length: int):
    with Blocks.open(image) as blocks, pytest.raises(BadVolumeError, match="past the end"):
        blocks.read(offset, length)


@pytest.mark.parametrize(("start", "size"), [(1, 2048), (-1, 5), (2049, 0), (0, -1), (1 << 64, 1 << 64)])
def test_parts_outside_are_refused(image: Path, start: int, size: int):
    with Blocks.open(image) as blocks, pytest.raises(BadVolumeError):
        blocks.part(start, size)


def test_a_card_that_ends_early_says_what_to_do(image: Path):
    with Blocks.open(image) as blocks:
        os.truncate(image, 100)
        with pytest.raises(GoneError, match=r"ended at byte 100\..*push it firmly home and run"):
            blocks.read(0, 512)


def test_an_error_of_the_driver_is_kept_as_the_cause(image: Path):
    blocks = Blocks.open(image)
    blocks.close()
    blocks.close()
    with pytest.raises(DeviceError) as caught:
        blocks.read(0, 1)
    assert isinstance(caught.value.__cause__, ValueError)


def test_what_is_no_card_is_refused_without_hanging(tmp_path: Path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    empty = tmp_path / "empty"
    empty.touch()
    link = tmp_path / "loop"
    link.symlink_to(link)
    for path, said in (
        (pipe, "no image file and no block device"),
        (Path("/dev/null"), "no image file and no block device"),
        (tmp_path, "no image file and no block device"),
        (empty, "no card in the reader"),
        (tmp_path / "absent", "put the card in the reader"),
        (empty / "below", "put the card in the reader"),
        (link, r"can't be opened: .*\. Correct \[card\] volume"),
        (tmp_path / "nul\0byte", "can't be read"),
        (tmp_path / ("n" * 300), "can't be opened"),
    ):
        with pytest.raises(DeviceError, match=said):
            Blocks.open(path)


def test_names_are_cleaned_before_they_are_shown(tmp_path: Path):
    with pytest.raises(GoneError) as caught:
        Blocks.open(tmp_path / "a\x1b[31m\u202eb")
    assert "\x1b" not in str(caught.value)
    assert "a␛[31m<202E>b" in str(caught.value)


def test_a_file_that_may_not_be_read_is_told_apart(tmp_path: Path):
    # Root may read everything, so there somebody else has to try, on a file that others can get to.
    code = (
        "import os, sys\n"
        "from pathlib import Path; from preflight.devices.blocks import Blocks, NoRightError\n"
        "if os.geteuid() == 0: os.setgid(65534); os.setuid(65534)\n"
        "try: Blocks.open(Path(sys.argv[1]))\n"
        "except NoRightError as error: print(error)"
    )
    with tempfile.NamedTemporaryFile() as closed:
        os.chmod(closed.name, 0)
        words = [sys.executable, "-c", code, closed.name]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.stdout.strip() == f"no right to open {closed.name}", done.stderr


def test_files_are_opened_for_reading_only(image: Path):
    with Blocks.open(image) as blocks:
        handle = blocks._raw.fileno()
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.write(handle, b"x")
    assert image.read_bytes() == bytes(range(256)) * 8
