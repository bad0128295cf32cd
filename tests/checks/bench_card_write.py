"""What card-write measures of its blocks, against dd with the same flags on the same mount, in one run.

    python tests/checks/bench_card_write.py [RUNS]

Both write 64 blocks of 1 MiB, each confirmed before the next (dd: oflag=dsync). Prints card.write_rate as a
share of dd's rate, the median of several runs taken in turn, on ext4 over a loop device and on FAT16 and a
card of the tests' own over FUSE. Needs root, fusefat and fusermount.
"""

import re
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from card_images import MIB, judge, make_fat, mounted, readings
from fuse_card import fuse_card
from loop_mounts import make_ext4
from loop_mounts import mounted as ext4_mounted

from preflight.checks import card_write


@contextmanager
def ext4(folder: Path) -> Iterator[Path]:
    make_ext4(folder / "ext4.img", 512 * MIB)
    with ext4_mounted(folder / "ext4.img", folder / "mnt") as point:
        yield point


@contextmanager
def fat16(folder: Path) -> Iterator[Path]:
    image = make_fat(folder / "fat.img", 512 * MIB, 16, "-s", 64)
    command = ("fusefat", image, "-o", f"rw+,fsname={image}")
    with mounted(folder / "mnt", *command, unmount=("fusermount", "-u")) as point:
        yield point


@contextmanager
def served(folder: Path) -> Iterator[Path]:
    with fuse_card(folder / "store", folder / "mnt", claimed=512 * MIB):
        yield folder / "mnt"


def dd(point: Path) -> float:
    """Bytes per second by dd's own count of its seconds."""
    target = point / "DD.TMP"
    flags = ("bs=1M", f"count={card_write.BLOCKS}", "oflag=dsync")
    words = ["dd", "if=/dev/zero", f"of={target}", *flags]
    said = subprocess.run(words, capture_output=True, text=True, check=True, env={"LC_ALL": "C"}).stderr
    target.unlink()
    told = re.search(r"(\d+) bytes .*, ([0-9.e-]+) s,", said)
    assert told is not None
    return int(told[1]) / float(told[2])


def ours(point: Path) -> float:
    return float(readings(judge(card_write.check, point))["card.write_rate"].value)


def bench(runs: int) -> None:
    card_write.APPENDS = 20  # only the blocks are compared
    for name, mount in (
        ("ext4, loop device", ext4),
        ("FAT16, fusefat", fat16),
        ("card of the tests", served),
    ):
        with tempfile.TemporaryDirectory() as folder, mount(Path(folder)) as point:
            pairs = [(ours(point), dd(point)) for _ in range(runs)]
        mine, theirs = (statistics.median(rates) for rates in zip(*pairs, strict=True))
        print(
            f"{name:<20} {mine / 1e6:8.1f} MB/s in process, {theirs / 1e6:8.1f} MB/s dd oflag=dsync, "
            f"ratio {mine / theirs:.2f}"
        )


if __name__ == "__main__":
    bench(int(sys.argv[1]) if len(sys.argv) > 1 else 7)
