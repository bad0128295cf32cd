"""Delimited text: quotes, missing and extra columns, headers, ranges, and what is no sample."""

from __future__ import annotations

import pytest

from preflight.config.flight import SampleField
from preflight.decode import decoder_for
from preflight.errors import PreflightError


def one(layout, line):
    found = decoder_for(layout).feed(line)
    assert len(found) == 1, found
    return found[0]


def test_a_plain_line(layouts):
    sample = one(layouts["delimited"], b"7,idle,990.5,-4.5\r\n")
    assert sample.values == {"counter": 7.0, "state": "idle", "pressure": 990.5, "temperature": -4.5}
    assert (sample.faults, sample.at_offset, sample.length) == ((), 0, 19)


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_every_line_end_counts_into_the_length(layouts, end):
    decoder = decoder_for(layouts["delimited"])
    found = decoder.feed((b"7,idle,990.5,-4.5" + end) * 2) + decoder.flush()
    assert [(s.at_offset, s.length) for s in found] == [(0, 17 + len(end)), (17 + len(end), 17 + len(end))]


@pytest.mark.parametrize(
    ("line", "state"),
    [
        (b'7,"a, b",990.5,1\n', "a, b"),
        (b'7,"say ""hi""",990.5,1\n', 'say "hi"'),
        (b"7, idle ,990.5, 1\n", "idle"),
        ("7,grün,990.5,1\n".encode(), "grün"),
        (b"7,,990.5,1\n", None),
        (b"7,\t,990.5,1\n", None),
    ],
)
def test_columns_may_be_quoted_padded_or_empty(layouts, line, state):
    sample = one(layouts["delimited"], line)
    assert (sample.values["state"], sample.values["pressure"], sample.faults) == (state, 990.5, ())


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (b"7,idle,990.5\n", ("temperature", "temperature: missing")),
        (b"7,idle,990.5,1,2\n", ("", "1 column more than declared")),
        (b"7,idle,990.5,1,2,3\n", ("", "2 columns more than declared")),
        (b"7,idle,1100.04,1\n", ("pressure", "pressure: 1100.04 hPa is above 1100 hPa")),
        (b"7,idle,0.5,1\n", ("pressure", "pressure: 0.5 hPa is below 1 hPa")),
        (b"7,idle,NaN,1\n", ("pressure", "pressure: 'NaN' is not a number")),
        (b"7,idle,-inf,1\n", ("pressure", "pressure: '-inf' is not a number")),
        (b"7,idle,1e999,1\n", ("pressure", "pressure: inf is not a number")),
        (b"7,idle,9_9,1\n", ("pressure", "pressure: '9_9' is not a number")),
        (b"7,nan,990,1\n", ("state", "state: 'nan' is not a number")),
        (b"7,idle,,1\n", ("pressure", "pressure: empty")),
        (b"-1,idle,990,1\n", ("counter", "counter: -1 is below 0")),
    ],
)
def test_faults_name_the_field_the_value_and_the_limit(layouts, line, fault):
    sample = one(layouts["delimited"], line)
    assert (sample.faulty, sample.faults) == ((fault[0],), (fault[1],))


def test_a_delimiter_behind_the_last_column_is_no_fault(layouts):
    assert one(layouts["delimited"], b"7,idle,990.5,1,\r\n").faults == ()


@pytest.mark.parametrize(
    "line",
    [
        b"starting up\n",
        b"ready, waiting, for, fix\n",
        b"7,idle,990.5\x07,1\n",
        b"7,idle,990.5,\xff\n",
        b"\xfe\x80\x91\n",
        b",,\n",
    ],
)
def test_what_is_no_sample_is_counted_and_shown(layouts, line):
    decoder = decoder_for(layouts["delimited"])
    assert decoder.feed(line + b"7,idle,990.5,1\n")[0].values["counter"] == 7
    assert (decoder.undecoded, decoder.undecoded_bytes, decoder.look) == (1, len(line), line)


def test_empty_lines_are_nothing(layouts):
    decoder = decoder_for(layouts["delimited"])
    assert decoder.feed(b"\r\n\n\n") == []
    assert decoder.undecoded == 0


def test_hostile_text_is_cleaned(layouts):
    sample = one(layouts["delimited"], "7,a\u202eb,990,1\n".encode())
    assert sample.values["state"] == "a<202E>b"


def test_a_header_is_passed_over_and_compared(layouts):
    decoder = decoder_for(layouts["headed"])
    found = decoder.feed(b"Counter;state;temp;temperature\r\n7;idle;990;1\r\ncounter;state;pressure\r\n")
    assert [sample.values["counter"] for sample in found] == [7.0]
    assert decoder.undecoded == 0
    assert decoder.notes == [
        "Column 3 is temp in the header, pressure in [sample]",
        "The header has no column 4, temperature",
    ]


def test_a_stream_joined_in_the_middle_begins_with_the_next_line(layouts):
    decoder = decoder_for(layouts["delimited"], joined=True)
    found = decoder.feed(b"dle,990,1\r\n8,idle,990,1\r\n")
    assert [sample.values["counter"] for sample in found] == [8.0]
    assert (decoder.undecoded, found[0].at_offset) == (0, 11)


def test_a_last_line_without_its_end_says_so(layouts):
    decoder = decoder_for(layouts["delimited"])
    assert decoder.feed(b"8,idle,990,1") == []
    (sample,) = decoder.flush()
    assert sample.faults == ("it has no line end",)


def test_an_endless_line_is_cut_and_what_follows_decoded(layouts):
    decoder = decoder_for(layouts["delimited"])
    found = decoder.feed(b"1,x" * 9000 + b"\r\n8,idle,990,1\r\n")
    assert [sample.values["counter"] for sample in found] == [8.0]
    assert (decoder.undecoded, decoder.undecoded_bytes) == (1, 27002)
    assert decoder.notes == ["A line of 27002 bytes was cut"]


def test_scale_and_offset_give_the_fields_own_unit(make_layout):
    fields = [SampleField(name="n"), SampleField(name="t", unit="degC", scale=0.1, offset=-40, at_least=-39)]
    sample = one(make_layout("delimited", fields), b"1,5\n")
    assert sample.values["t"] == pytest.approx(-39.5)
    assert sample.faults == ("t: -39.5 degC is below -39 degC",)


def test_one_column_alone_can_be_a_sample(make_layout):
    layout = make_layout("delimited", [SampleField(name="pressure", unit="hPa")])
    assert one(layout, b"990.5\n").values == {"pressure": 990.5}
    assert decoder_for(layout).feed(b"hello\n") == []


@pytest.mark.parametrize("delimiter", ["\n", "\r", '"'])
def test_a_delimiter_that_cannot_part_columns_is_refused(make_layout, delimiter):
    with pytest.raises(PreflightError, match=r"sample\.delimiter: .* give a comma"):
        decoder_for(make_layout("delimited", delimiter=delimiter))
