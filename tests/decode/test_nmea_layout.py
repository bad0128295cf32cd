"""NMEA 0183: talkers, checksums, fix quality, samples of several sentences."""

from __future__ import annotations

import functools
import operator

import pytest

from preflight.config.flight import SampleField
from preflight.decode import decoder_for
from preflight.decode.nmea import PENDING_LIMIT
from preflight.errors import PreflightError


def sentence(body):
    checksum = functools.reduce(operator.xor, body.encode(), 0)
    return f"${body}*{checksum:02X}\r\n".encode()


def gga(at="123519", talker="GP", quality=1, lat="4807.038,N"):
    return sentence(f"{talker}GGA,{at},{lat},01131.000,E,{quality},08,0.9,545.4,M,46.9,M,,")


def rmc(at="123519", status="A"):
    return sentence(f"GPRMC,{at},{status},4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W")


@pytest.fixture(scope="module")
def by_role(make_layout):
    roles = ("time", "latitude", "longitude", "altitude", "satellites", "fix")
    return make_layout("nmea", [SampleField(name=role, role=role) for role in roles])


@pytest.fixture(scope="module")
def two(make_layout):
    fields = [SampleField(name="alt", key="GGA.alt"), SampleField(name="speed", unit="kn", key="RMC.spd")]
    return make_layout("nmea", fields)


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "BD"])
def test_any_talker_by_role(by_role, talker):
    (sample,) = decoder_for(by_role).feed(gga(talker=talker))
    assert sample.values == {
        "time": "12:35:19",
        "latitude": pytest.approx(48.1173),
        "longitude": pytest.approx(11.516667, abs=1e-6),
        "altitude": 545.4,
        "satellites": 8.0,
        "fix": 1.0,
    }
    assert sample.faults == ()


def test_one_talker_can_be_asked_for(make_layout):
    layout = make_layout("nmea", [SampleField(name="alt", key="GNGGA.alt")])
    decoder = decoder_for(layout)
    assert len(decoder.feed(gga(talker="GP") + gga(talker="GN"))) == 1
    assert decoder.undecoded == 0


def test_south_and_west_are_negative(by_role):
    (sample,) = decoder_for(by_role).feed(
        sentence("GPGGA,000003.071,7900.56904,S,16607.52019,W,1,09,0.8,4.64,M,,,,")
    )
    assert sample.values["latitude"] == pytest.approx(-79.0094840)
    assert sample.values["longitude"] == pytest.approx(-166.1253365)


@pytest.mark.parametrize(
    "line",
    [
        gga().replace(b"4807", b"4806"),
        gga().replace(b"*", b""),
        gga()[:-5] + b"\r\n",
        gga()[1:],
        gga().replace(b"08", b"\x808"),
        b"$\r\n",
        b"$*00\r\n",
        sentence("") + b"",
    ],
)
def test_a_broken_sentence_is_undecoded(by_role, line):
    decoder = decoder_for(by_role)
    assert decoder.feed(line) == []
    assert decoder.undecoded == 1
    assert len(decoder.feed(gga())) == 1


def test_noise_in_front_of_a_sentence_is_parted_from_it(by_role):
    decoder = decoder_for(by_role)
    (sample,) = decoder.feed(b"\xfe$\x00x" + gga())
    assert (sample.raw, sample.at_offset) == (gga(), 4)
    assert (decoder.undecoded, decoder.undecoded_bytes) == (1, 4)


def test_a_receiver_without_a_fix_is_a_fault(by_role, two):
    (sample,) = decoder_for(by_role).feed(sentence("GPGGA,123519,,,,,0,00,99.9,,M,,M,,"))
    assert sample.faults[0] == "no fix: GGA quality is 0"
    assert {"latitude", "longitude", "altitude"} <= set(sample.faulty)
    (sample,) = decoder_for(two).feed(gga() + rmc(status="V"))
    assert sample.faults == ("no fix: RMC status is V",)


def test_a_sample_of_two_sentences_has_the_bytes_of_all_between(two):
    other = sentence("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K")
    decoder = decoder_for(two)
    found = decoder.feed((other + gga("1") + rmc("1")) + (other + gga("2") + rmc("2")))
    assert [sample.values for sample in found] == [{"alt": 545.4, "speed": 22.4}] * 2
    assert {sample.length for sample in found} == {len(other) + len(gga("1")) + len(rmc("1"))}


def test_sentences_of_different_times_are_different_samples(two):
    decoder = decoder_for(two)
    found = decoder.feed(gga("120000") + rmc("120001") + gga("120001") + rmc("120002"))
    assert [sample.faults for sample in found] == [("no RMC sentence", "speed: missing"), ()]
    (last,) = decoder.flush()
    assert last.faults == ("no GGA sentence", "alt: missing")


def test_joined_in_the_middle_of_a_sample_its_rest_is_left_out(two):
    decoder = decoder_for(two, joined=True)
    stream = (
        gga("120000")[20:] + rmc("120000") + gga("120001") + rmc("120001") + gga("120002") + rmc("120002")
    )
    found = decoder.feed(stream)
    assert [sample.faults for sample in found] == [(), ()]
    assert decoder.undecoded == 0


def test_fields_of_an_unknown_sentence_are_counted(make_layout):
    layout = make_layout(
        "nmea", [SampleField(name="t", unit="degC", key="PFLT.2"), SampleField(name="x", key="PFLT.9")]
    )
    (sample,) = decoder_for(layout).feed(sentence("PFLT,7,-4.5,ok"))
    assert sample.values == {"t": -4.5, "x": None}
    assert sample.faults == ("x: missing",)


def test_sentences_without_end_are_given_up(two):
    decoder = decoder_for(two)
    other = sentence("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K")
    decoder.feed(other * (PENDING_LIMIT // len(other) + 2))
    assert decoder.undecoded == 1
    assert len(decoder.feed(gga() + rmc())) == 1


@pytest.mark.parametrize(
    ("field", "message"),
    [
        ({"name": "speed"}, 'give key as "sentence.field"'),
        ({"name": "speed", "key": "RMC."}, 'give key as "sentence.field"'),
        ({"name": "height", "key": "GGA.alti"}, "GGA has no field 'alti': the nearest is 'alt'"),
        ({"name": "height", "key": "GGA.zzz"}, "GGA has no field 'zzz': there are time, lat"),
        ({"name": "x", "key": "PFLT.speed"}, 'the sentence PFLT is not known: count its fields .*"PFLT.1"'),
    ],
)
def test_a_key_that_names_nothing_is_refused(make_layout, field, message):
    with pytest.raises(PreflightError, match=message):
        decoder_for(make_layout("nmea", [SampleField(**field)]))
