"""Counting a card's free clusters in process, against `fsck.fat -n` on the same image in the same run.

    python tests/devices/bench_free_clusters.py [GiB ...]

Prints the ratio of the best of several runs each (below 1 is faster than fsck.fat) for an empty card, one
with a large file, and one used in patches all over. The images are sparse.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from card_images import drain, fat_places, fsck_counts, make_fat, patch, run

from preflight.devices.blocks import Blocks
from preflight.devices.fat import FatVolume
from preflight.devices.partition import read_partitions

RUNS = 7


def count(image: Path) -> int:
    """Everything the check reads of a card: partition table, boot sector, root folder, both FATs."""
    with Blocks.open(image) as blocks:
        found = read_partitions(blocks).volumes[0]
        return drain(FatVolume(blocks.part(found.start, found.size)).scan()).free


def best(work: Callable[[], object]) -> float:
    times = []
    for _ in range(RUNS):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return min(times)


def compare(name: str, image: Path) -> None:
    fsck = best(lambda: subprocess.run(["fsck.fat", "-n", image], capture_output=True, check=False))
    ours = best(lambda: count(image))
    _, clusters = fsck_counts(image)
    free = count(image)
    print(
        f"{name:<28} {clusters:>9} clusters, {free:>9} free: {ours * 1e3:7.1f} ms in process, "
        f"{fsck * 1e3:7.1f} ms fsck.fat -n, ratio {ours / fsck:.2f}"
    )


def bench(folder: Path, gib: int) -> None:
    image = make_fat(folder / "card.img", gib << 30, 32)
    compare(f"{gib} GiB FAT32, empty", image)
    large = folder / "large.bin"
    with large.open("wb") as file:
        file.truncate(1 << 30)
    run("mcopy", "-i", image, large, "::LOG001.BIN")
    compare(f"{gib} GiB FAT32, a 1 GiB file", image)
    assert count(image) == fsck_counts(image)[0]
    clusters = fsck_counts(image)[1]
    # Every other eight clusters belong to a chain of their own that no name points to.
    patches = (b"\xff\xff\xff\x0f" * 8 + bytes(32)) * (clusters // 16 // 4)
    for place in fat_places(image):
        patch(image, place + 4 * (clusters // 2), patches)
    compare(f"{gib} GiB FAT32, in patches", image)
    image.unlink()


if __name__ == "__main__":
    for size in [int(word) for word in sys.argv[1:]] or [4]:
        with tempfile.TemporaryDirectory() as name:
            bench(Path(name), size)
