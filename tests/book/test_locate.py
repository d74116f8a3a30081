"""Lines of keys, against what the standard library's parser finds in the same text (TOML 1.0, toml.io/en/v1.0.0)."""

import tomllib

import tomlkit
from hypothesis import given, reject
from hypothesis import strategies as st

from brickbook.book._locate import key_text, line_of, locate

TEXT = '''\
# a comment with [brackets] and a = 1
title = "x # not a comment"
a.b."c d" = 1
long = """
not = a key
\\""" still inside
"""
literal = \'\'\'
[nor] this\'\'\'
quotes = """two at the end"""""
when = 1979-05-27 07:32:00Z

[[ports]]   # first
id = "C1"
outputs = [ # list
  { kind = "fixed", voltage_v = 5 },

  # between
  { kind = "pps", range = [3.3,
    11] },
]
[ports.size]
w = 1
[[ports]]
id = 'C2'
  [[ports.marks]]
  text = "\\"]"
  [[ports.marks]]
  text = 'b\\'

[ "q.r" . s ]
t = {}
empty = []
'''


def paths_of(data, path=()):
    if path:
        yield path
    if isinstance(data, dict):
        for key, value in data.items():
            yield from paths_of(value, (*path, key))
    elif isinstance(data, list):
        for index, value in enumerate(data):
            yield from paths_of(value, (*path, index))


def test_every_key_of_a_written_text():
    lines = locate(TEXT)
    assert set(lines) == set(paths_of(tomllib.loads(TEXT)))
    shown = TEXT.splitlines()
    expected = {
        ("title",): 2,
        ("a", "b", "c d"): 3,
        ("long",): 4,
        ("literal",): 8,
        ("quotes",): 10,
        ("when",): 11,
        ("ports", 0): 13,
        ("ports", 0, "outputs"): 15,
        ("ports", 0, "outputs", 0, "voltage_v"): 16,
        ("ports", 0, "outputs", 1, "range", 0): 19,
        ("ports", 0, "outputs", 1, "range", 1): 20,
        ("ports", 0, "size", "w"): 23,
        ("ports", 1): 24,
        ("ports", 1, "marks", 0, "text"): 27,
        ("ports", 1, "marks", 1, "text"): 29,
        ("q.r", "s", "t"): 32,
    }
    for path, line in expected.items():
        assert lines[path] == line, path
        assert str(path[-1]).strip('"') in shown[line - 1] or isinstance(path[-1], int)


def test_line_ends_and_byte_order_mark_do_not_matter():
    assert locate("\ufeff" + TEXT.replace("\n", "\r\n")) == locate(TEXT)


def test_a_key_that_is_not_there_gets_the_line_of_its_table():
    lines = locate(TEXT)
    assert line_of(lines, ("ports", 1, "power_w")) == 24
    assert line_of(lines, ("nothing",)) is None


def test_key_text():
    assert key_text(("ports", 1, "outputs", 0, "current_a")) == "ports[1].outputs[0].current_a"
    assert key_text(("a b", 0)) == '"a b"[0]'


keys = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=6)
leaves = st.one_of(
    st.integers(-(2**62), 2**62), st.booleans(), st.text("ab\"'\\\n\t#]}=", max_size=8), st.floats(allow_nan=False)
)
values = st.recursive(leaves, lambda v: st.lists(v, max_size=3) | st.dictionaries(keys, v, max_size=3), max_leaves=12)


@given(st.dictionaries(keys, values, max_size=4))
def test_the_same_keys_as_the_parser_finds(data):
    text = tomlkit.dumps(data)
    try:
        parsed = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        reject()  # the writer made something that is not TOML
    lines = locate(text)
    assert set(lines) == set(paths_of(parsed))
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
