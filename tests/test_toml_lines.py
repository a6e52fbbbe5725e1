"""Lines of keys, and of single texts in lists."""

import pytest

from whichcore.toml_lines import TomlLines

TEXT = """\
format = "1"
[actions]
prepare = [
    "A",
    "B {x}",
]
start = "B {x}"
[queries]
interval = { ask = "I?", factor = 2 }
"""


@pytest.mark.parametrize(
    ("keys", "value", "line"),  # all computed: counted in the text above
    [
        (("format",), "", 1),
        (("actions", "prepare"), "", 3),
        (("actions", "prepare"), "B {x}", 5),
        (("actions", "start"), "B {x}", 7),
        (("actions", "prepare"), "C", 3),  # no such text: the line of the key
        (("queries", "interval", "ask"), "I?", 9),
        (("actions", "stop"), "", 2),  # no such key: the line of its table
        (("nothing",), "", None),
    ],
)
def test_lines(keys, value, line):
    assert TomlLines(TEXT).line_of(value, *keys) == line
