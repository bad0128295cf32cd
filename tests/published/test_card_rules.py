"""The card: ceilings of the file system and rules of thumb."""

import pytest

from preflight.figures import card


def test_file_size_ceiling() -> None:
    # Microsoft FAT specification, 2005-08-30: a file holds at most 0xFFFFFFFF bytes
    assert card.MAX_FAT_FILE == 0xFFFFFFFF == 4_294_967_295


def test_small_samples_take_years_to_fill_a_card() -> None:
    # common practice, no source: 40-byte samples once a second fill 8 GB in about 6.3 years
    years = card.full_after(8e9, 1.0, 40.0) / (365.25 * 86400)
    assert years == pytest.approx(6.3, abs=0.05)


def test_need_counts_whole_clusters_and_files() -> None:
    # Microsoft FAT specification: a file takes whole clusters
    assert card.need(1.0, 1.0, 4096.0, cluster=4096.0, file_limit=None) == 2 * 4096
    assert card.need(1.0, 1.0, 4097.0, cluster=4096.0, file_limit=None) == 3 * 4096
    # past the ceiling a second file begins
    one = card.need(1.0, 1.0, 2.0**32 - 1, cluster=4096.0, file_limit=card.MAX_FAT_FILE)
    two = card.need(1.0, 1.0, 2.0**32, cluster=4096.0, file_limit=card.MAX_FAT_FILE)
    assert two - one == 4096
