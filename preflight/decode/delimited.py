"""Delimited text: one line a sample, columns in the order of the flight file's fields."""

from __future__ import annotations

import csv
import itertools

from preflight.clean import clean
from preflight.config.flight import Sample as Layout
from preflight.decode.samples import TEXT_LIMIT, LineDecoder, Raw, Readers, Sample, Value, text_of
from preflight.errors import PreflightError

# Printable ASCII without the quote: lines of these alone need no parser.
_PLAIN = bytes(byte for byte in range(0x20, 0x7F) if byte != 0x22) + b"\r\n"


class DelimitedDecoder(LineDecoder):
    """Decodes delimited lines; columns may be quoted by double quotes.

    A line with too few or too many columns is a sample with faults; one that holds control characters, a
    single column of several, or no number where numbers are declared is undecoded. With `header` declared a
    line of the fields' names is passed over and compared.
    """

    def __init__(self, layout: Layout, *, joined: bool = False) -> None:
        super().__init__(limit=max(1024, 4 * int(layout.length)), joined=joined)
        if layout.delimiter in '\r\n"':
            raise PreflightError(
                f"sample.delimiter: {clean(layout.delimiter)!r} can't part columns: give a comma, a "
                'semicolon, a space or a tab, as "\\t"'
            )
        self._delimiter = layout.delimiter
        self._sign = layout.delimiter.encode()
        self._plain = _PLAIN + self._sign
        self._header = layout.header
        self._names = [field.name for field in layout.field]
        self._row: dict[str, Value] = dict.fromkeys(self._names)
        self._readers = Readers(layout.field)
        # A header among fields of which none is a number looks like any other line.
        self._in_blocks = layout.delimiter.isascii() and (
            not layout.header or any(reader.numeric for reader in self._readers.readers)
        )

    def decode_block(self, lines: list[bytes], at: int) -> list[Sample] | None:
        """Samples of many whole lines at once; None unless all of them are plain and without fault."""
        columns = self._block(lines)
        if columns is None:
            return None
        if len(max(lines, key=len)) > TEXT_LIMIT < max(len(text) for texts in columns for text in texts):
            return None
        read = []
        for reader, texts in zip(self._readers.readers, columns, strict=True):
            values = reader.read_all(texts)
            if values is None:
                return None
            read.append(values)
        # Field by field into copies of a row: much faster than each row by itself.
        rows = [self._row.copy() for _ in lines]
        for name, values in zip(self._names, read, strict=True):
            for row, value in zip(rows, values, strict=True):
                row[name] = value
        return list(map(Sample, itertools.accumulate(map(len, lines), initial=at), lines, rows))

    def _block(self, lines: list[bytes]) -> list[list[str]] | None:
        """The columns of lines that are all plain and have as many as declared."""
        block = b"".join(lines)
        if not self._in_blocks or block.translate(None, self._plain):
            return None
        if self._delimiter == " ":
            # Spaces may stand together, in front and behind.
            block = b"\n".join(b" ".join(line.split()) for line in lines) + b"\n"
        if block.count(b"\r\n") < len(lines):
            block = block.replace(b"\r\n", b"\n").replace(b"\r", b"\n").replace(b"\n", b"\r\n")
        if block.startswith(b"\r\n") or b"\r\n\r\n" in block:
            return None
        count = len(self._names)
        if block.count(self._sign) != (count - 1) * len(lines):
            return None
        # With the line ends as a column of their own, columns too many or too few show.
        ends = block.replace(b"\r\n", b"%b\n%b" % (self._sign, self._sign))
        flat = ends[: -len(self._sign)].decode().split(self._delimiter)
        if set(flat[count :: count + 1]) != {"\n"}:
            return None
        return [flat[number :: count + 1] for number in range(count)]

    def part(self, lines: list[bytes]) -> list[list[bytes]]:
        """Lines that could not be decoded together, parted where the number of columns changes."""
        counts = list(map(bytes.count, lines, itertools.repeat(self._sign)))
        if self._delimiter == " " or len(set(counts)) == 1:
            return super().part(lines)
        ends = [n for n, (count, then) in enumerate(itertools.pairwise(counts), 1) if then != count]
        return [lines[begin:end] for begin, end in itertools.pairwise([0, *ends, len(lines)])]

    def decode_line(self, raw: bytes, at: int, whole: tuple[str, ...]) -> list[Sample]:
        """The sample in the line `raw`, if it is one."""
        columns = self._columns(raw)
        if columns is None:
            self.count_undecoded(raw)
            return []
        if self._is_header(columns):
            return []
        count = len(self._names)
        # A delimiter behind the last column is a common habit and harms nobody.
        if len(columns) == count + 1 and not columns[-1].strip():
            columns.pop()
        extra = len(columns) - count
        if extra > 0:
            whole = (*whole, f"{extra} column{'s' if extra > 1 else ''} more than declared")
        fields: list[Raw] = [*columns[:count], *[None] * -extra]
        sample = self._readers.sample(at, raw, fields, whole=whole)
        if not self._plausible(columns, sample):
            self.count_undecoded(raw)
            return []
        return [sample]

    def _columns(self, raw: bytes) -> list[str] | None:
        text = text_of(raw)
        if text is None:
            return None
        spaced = self._delimiter == " "
        try:
            rows = list(csv.reader([text], delimiter=self._delimiter, skipinitialspace=not spaced))
        except csv.Error:
            return None
        columns = rows[0] if rows else []
        return [column for column in columns if column] if spaced else columns

    def _plausible(self, columns: list[str], sample: Sample) -> bool:
        if len(columns) < 2 <= len(self._names):
            return False
        numeric = [
            (column, sample.values[reader.field.name])
            for column, reader in zip(columns, self._readers.readers, strict=False)
            if reader.numeric
        ]
        if not numeric or any(value is not None for _, value in numeric):
            return True
        return len(columns) == len(self._names) and not any(column.strip() for column, _ in numeric)

    def _is_header(self, columns: list[str]) -> bool:
        if not self._header:
            return False
        names = [column.strip().casefold() for column in columns]
        declared = [name.casefold() for name in self._names]
        if 2 * len(set(names) & set(declared)) < len(declared):
            return False
        for number, name in enumerate(self._names):
            found = columns[number].strip() if number < len(columns) else None
            if found is None:
                self.note(f"The header has no column {number + 1}, {name}")
            elif found.casefold() != name.casefold():
                self.note(
                    f"Column {number + 1} is {clean(found, limit=80)} in the header, {name} in [sample]"
                )
        return True
