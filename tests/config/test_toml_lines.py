"""The key-to-line scan: every spelling of a key finds its line, and no text whatever makes it fail."""

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from preflight.config.lines import key_lines, line_of
from preflight.config.shipped import shipped_folder

TEXT = '''\
# comment with [table] = "x"
top = 1
"quoted.key" = 'a # b'
a.b = { c = 1, "d" = [ { e = 2 }, { e = 3 } ] }

[table] # [not.this]
text = """
[[fake]]
key = 1
"""
raw = \'\'\'
fake = 2\'\'\'
list = [
    1, # one
    "two ]",
    [ 3,
      4 ],
]
[ table . inner ]
k = 2027-05-16T08:30:00Z
[[rows]]
n = 1
[rows.sub]
m = 1
[[rows.deep]]
x = 1
[[rows.deep]]
x = 2
[[rows]]
n = 2
[[rows.deep]]
"x\\u0041" = "\\"]"
y = 1
'''

EXPECTED = {
    ("top",): 2,
    ("quoted.key",): 3,
    ("a", "b"): 4,
    ("a", "b", "c"): 4,
    ("a", "b", "d", 1, "e"): 4,
    ("table",): 6,
    ("table", "text"): 7,
    ("table", "raw"): 11,
    ("table", "list"): 13,
    ("table", "list", 0): 14,
    ("table", "list", 1): 15,
    ("table", "list", 2): 16,
    ("table", "list", 2, 1): 17,
    ("table", "inner"): 19,
    ("table", "inner", "k"): 20,
    ("rows",): 21,
    ("rows", 0, "n"): 22,
    ("rows", 0, "sub", "m"): 24,
    ("rows", 0, "deep", 0, "x"): 26,
    ("rows", 0, "deep", 1): 27,
    ("rows", 0, "deep", 1, "x"): 28,
    ("rows", 1): 29,
    ("rows", 1, "n"): 30,
    ("rows", 1, "deep", 0, "xA"): 32,
    ("rows", 1, "deep", 0, "y"): 33,
}


def test_every_key_has_its_line() -> None:
    tomllib.loads(TEXT)
    lines = key_lines(TEXT)
    assert {path: lines.get(path) for path in EXPECTED} == EXPECTED
    assert ("fake",) not in lines
    assert ("table", "key") not in lines


def test_windows_line_ends_count_once() -> None:
    lines = key_lines(TEXT.replace("\n", "\r\n"))
    assert {path: lines.get(path) for path in EXPECTED} == EXPECTED


def test_a_key_that_is_not_there_stands_at_its_table() -> None:
    lines = key_lines(TEXT)
    assert line_of(lines, ("rows", 1, "deep", 0, "missing")) == 31
    assert line_of(lines, ("nowhere",)) is None


def paths(value: object, before: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner: list[tuple[str | int, object]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    return [before, *(path for key, part in inner for path in paths(part, (*before, key)))]


def test_every_path_of_the_shipped_files_has_a_line() -> None:
    files = [*shipped_folder().glob("*.toml"), *shipped_folder().glob("airspace/*.toml")]
    assert len(files) >= 7
    for text in (file.read_text(encoding="utf-8") for file in files):
        lines = key_lines(text)
        for path in paths(tomllib.loads(text))[1:]:
            assert path in lines
            key = next(part for part in reversed(path) if isinstance(part, str))
            assert key in text.splitlines()[lines[path] - 1]


@given(st.text(alphabet="ab.=[]{}\"'\\\n #,1u", max_size=60))
def test_any_text_is_scanned_to_its_end(text: str) -> None:
    lines = key_lines(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
