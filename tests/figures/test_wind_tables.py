"""Wind tables: what is read, and what a bad one is told."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.figures import winds

GOOD = b"""# valid_at = 2027-05-16T06:00:00Z
height [m],direction [deg],speed [m/s]
200,270,10
1200,360,20
"""


def errors(data: bytes) -> list[str]:
    with pytest.raises(winds.WindTableError) as caught:
        winds.read(data, name="winds.csv")
    return str(caught.value).splitlines()


def test_good_table() -> None:
    table = winds.read(GOOD, name="winds.csv")
    assert table.valid_at == datetime(2027, 5, 16, 6, tzinfo=UTC)
    # from the west at 10 m/s blows east; from the north blows south
    assert table.at(200.0) == pytest.approx((10.0, 0.0))
    assert table.at(1200.0) == pytest.approx((0.0, -20.0))
    assert table.at(700.0) == pytest.approx((5.0, -10.0))
    # held beyond its ends
    assert table.at(-100.0) == table.at(200.0)
    assert table.at(30_000.0) == table.at(1200.0)


@pytest.mark.parametrize(
    "heading",
    [
        "height_m,direction_deg,speed_kn",
        "Height (m), Direction, Speed (kn)",
        "height m,direction deg,speed kn",
    ],
)
def test_headings(heading: str) -> None:
    table = winds.read(f"{heading}\n100,90,10\n".encode(), name="t")
    assert table.at(100.0)[0] == pytest.approx(-10 * 1852 / 3600)


def test_columns_in_any_order_with_others_between() -> None:
    table = winds.read(b"speed [m/s],note,height [km],direction\n5,gusty,1,180\n3,,0.5,180\n", name="t")
    assert table.heights == (500.0, 1000.0)
    assert table.at(1000.0)[1] == pytest.approx(5.0)


def test_valid_at_as_a_column() -> None:
    text = b"height [m],direction,speed [m/s],valid_at\n100,90,5,2027-05-16T18:00:00+12:00\n"
    assert winds.read(text, name="t").valid_at == datetime(2027, 5, 16, 6, tzinfo=UTC)


def test_byte_order_mark_and_carriage_returns() -> None:
    assert winds.read(b"\xef\xbb\xbf" + GOOD.replace(b"\n", b"\r\n"), name="t").heights == (200.0, 1200.0)


def test_errors_name_file_line_column_and_remedy_all_at_once() -> None:
    found = errors(
        b"height [m],direction,speed [m/s]\nlow,270,10\n500,270 deg,10\n900,400,3\n900,10,3\n900,10,4\n"
    )
    assert found[0] == (
        "winds.csv, line 2, column height: “low” is not a number; use digits and a decimal point"
    )
    assert found[1].startswith("winds.csv, line 3, column direction: “270 deg” is not a number")
    assert found[2] == "winds.csv, line 4, column direction: 400 is outside 0 to 360 deg; check its unit"
    assert found[3] == "winds.csv, line 6, column height: is the same as in line 5; keep one"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (b"height,direction,speed [kn]\n", "line 1, column height: has no unit; write height [m] or [ft]"),
        (b"height [yd],direction,speed [kn]\n", "unit “yd” is not known"),
        (b"height [m],direction\n", "line 1, column speed: is missing"),
        (b"200,270,10\n", "the first row names the columns"),
        (b"height [m],direction,speed [m/s]\n", "has no rows"),
        (b"height [m],direction,speed [m/s]\n1,5,270,10\n", "line 2: has 4 columns, the first row 3"),
        (b"height [m],direction,speed [m/s]\n1,270,1e99\n", "is not a number"),
        (b"height [m],direction,speed [m/s]\n1,270,nan\n", "is not a number"),
        (b"height [m],height [ft],direction,speed [m/s]\n", "named twice"),
        (b"# valid_at = yesterday\nheight [m],direction,speed [m/s]\n1,2,3\n", "is not a time"),
        (b"# valid_at = 2027-05-16T06:00\nheight [m],direction,speed [m/s]\n1,2,3\n", "has no UTC offset"),
        (b"height [m],direction,speed [m/s]\n\xff,2,3\n", "line 2: is not UTF-8 text"),
        (b"", "has no rows"),
    ],
)
def test_bad_tables(text: bytes, told: str) -> None:
    assert any(told in line for line in errors(text))


def test_control_characters_are_shown() -> None:
    found = errors(b"height [m],direction,speed [m/s]\n\x1b[31m,2,3\n")
    assert "\x1b" not in found[0]
    assert "␛[31m" in found[0]


def test_many_errors_are_cut() -> None:
    found = errors(b"height [m],direction,speed [m/s]\n" + b"x,2,3\n" * 500)
    assert len(found) == winds.MAX_PROBLEMS + 1
    assert found[-1] == "… and 488 more like these"


def test_too_large() -> None:
    assert "is larger than" in errors(b"#" * (winds.MAX_BYTES + 1))[0]


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        table = winds.read(data, name="t")
    except winds.WindTableError:
        return
    assert table.heights


@given(
    st.lists(
        st.tuples(st.integers(0, 40_000), st.floats(0, 360), st.floats(0, 100)),
        min_size=1,
        max_size=8,
        unique_by=lambda row: row[0],
    ),
    st.floats(-1000, 50_000),
)
def test_interpolation_stays_within_the_rows(rows: list[tuple[int, float, float]], height: float) -> None:
    text = "height [m],direction,speed [m/s]\n" + "".join(f"{h},{d:f},{s:f}\n" for h, d, s in rows)
    table = winds.read(text.encode(), name="t")
    east, north = table.at(height)
    assert min(table.east) - 1e-9 <= east <= max(table.east) + 1e-9
    assert min(table.north) - 1e-9 <= north <= max(table.north) + 1e-9
