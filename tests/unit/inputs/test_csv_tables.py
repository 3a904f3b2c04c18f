"""Tables that people write by hand: cells as typed, lines as in an editor, one message for each fault."""

import pytest

from allocator.core.errors import SettingsError
from allocator.inputs.csv_tables import table_rows

HEAD = "item,price,source\n"


def messages(text: str) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        table_rows(text, "t.csv", ("item", "price"))
    return caught.value.messages


@pytest.mark.parametrize("words", ["two\nlines", "two\r\nlines", "a\u2028b", "a\x0bb", "a\x85b", 'a "b", c'])
def test_a_cell_is_kept_as_typed(words):
    quoted = '"' + words.replace('"', '""') + '"'
    assert table_rows(f"{HEAD}post,1,{quoted}\ntie,2,q\n", "t.csv", ("item",)) == [
        (2, {"item": "post", "price": "1", "source": words}),
        (3 + words.count("\n"), {"item": "tie", "price": "2", "source": "q"}),
    ]


def test_empty_lines_count_but_are_left_out():
    assert [line for line, _ in table_rows(f"{HEAD}\npost,1,q\n,,\ntie,2,q", "t.csv", ("item",))] == [3, 5]


def test_commas_at_the_end_are_no_values():
    (row,) = table_rows("item,price,,\npost,1,,,,\n", "t.csv", ("item", "price"))
    assert row == (2, {"item": "post", "price": "1"})


def test_lines_with_too_many_values_come_together_or_to_the_caller():
    text = f"{HEAD}post,12,50,q\ntie,1,q\nsign,1,q,x\n"
    first, second = messages(text)
    assert first == (
        "t.csv, line 2: 4 values for 3 columns. Put quotes around text that holds a comma; a number takes a point, "
        "such as 12.50."
    )
    assert second.startswith("t.csv, line 4: 4 values")
    problems: list[str] = []
    assert [row["item"] for _, row in table_rows(text, "t.csv", ("item",), problems)] == ["tie"]
    assert problems == [first, second]


def test_a_column_that_stands_twice():
    assert messages("item,price,Price \npost,1,2\n") == (
        "t.csv: column price stands more than once in the header line. Leave one.",
    )


@pytest.mark.parametrize("line", ['post,"1,q', 'post,1,"a" b', f"post,1,{'x' * 200_000}"])
def test_what_cannot_be_split_into_cells(line):
    (message,) = messages(f"{HEAD}tie,1,q\n{line}\nsign,1,q\n")
    assert message.startswith("t.csv, line 3: it cannot be read as CSV (") and len(message) < 300


@pytest.mark.parametrize("text", ["", "\n", ",,\n"])
def test_nothing(text):
    assert "the header line holds: nothing" in messages(text)[0]
