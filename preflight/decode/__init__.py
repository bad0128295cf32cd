"""Sample layouts: delimited text, NMEA 0183, JSON lines, packed binary."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from preflight.config.flight import Sample as Layout
    from preflight.decode.samples import Decoder

__all__ = ["decoder_for"]


def decoder_for(layout: Layout, *, joined: bool = False) -> Decoder:
    """A decoder for a flight file's [sample]; `joined` says that the stream is joined in the middle.

    Raises PreflightError, naming the key, for a layout that can't be decoded as it is declared.
    """
    if layout.format == "delimited":
        from preflight.decode.delimited import DelimitedDecoder

        return DelimitedDecoder(layout, joined=joined)
    if layout.format == "nmea":
        from preflight.decode.nmea import NmeaDecoder

        return NmeaDecoder(layout, joined=joined)
    if layout.format == "json":
        from preflight.decode.jsonlines import JsonDecoder

        return JsonDecoder(layout, joined=joined)
    from preflight.decode.packed import PackedDecoder

    return PackedDecoder(layout, joined=joined)
