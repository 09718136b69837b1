"""Strict reading: what can't be used is refused by its path, in a message that can be printed."""

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from shared.contracts import ContractError, parse_json
from shared.records import DOCUMENTS

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ('{"pieces": [{"id": "a"}, {"id": "\\ud800"}]}', "pieces[1].id"),  # half of a character
        ('{"pieces": [{"id": "\\udc00\\ud800"}]}', "pieces[0].id"),  # two halves the wrong way round
        ('{"pieces": [{"\\ud800": 1}]}', "pieces[0].\\ud800"),  # in a name
        ('{"pieces": [{"id": "a", "id": "b"}]}', "pieces[0].id"),  # twice
        ('{"stock": [1], "pieces": [{"length": NaN}]}', "pieces[0].length"),
        ('{"pieces": [[], [2, -Infinity]]}', "pieces[1][1]"),
        ('{"travel": {"scale": 1e400}}', "travel.scale"),
        ('{"travel": {"scale": 1e99999999999999999999}}', "travel.scale"),  # no decimal number either
        ('{"travel": {"matrix": [[0, 1' + "0" * 5000 + "]]}}", "travel.matrix[0][1]"),  # longer than Python reads
        ('{"": {"": NaN}}', '"".""'),  # names that are none
        ("NaN", "document"),
        ('"\\ud800"', "document"),
        (b'{"id": "\xed\xa0\x80"}', "document"),  # half of a character as bytes is no UTF-8
    ],
)
def test_a_value_that_cannot_be_used_is_refused_by_its_path(text, field):
    with pytest.raises(ContractError) as caught:
        parse_json(text)

    assert caught.value.field == field
    json.dumps(caught.value.as_json(), ensure_ascii=False).encode()


def test_what_is_wrong_in_a_line_is_named_with_its_line():
    with pytest.raises(ContractError) as caught:
        parse_json('{"widths": {"top": NaN}}', "line 7")

    assert caught.value.field == "line 7.widths.top"


def test_whole_characters_beyond_the_first_plane_are_text():
    assert parse_json('{"id": "\\ud83d\\ude00"}') == {"id": "😀"}


@dataclass(frozen=True)
class Asked:
    a: int


def test_an_unknown_field_without_a_name_is_named_all_the_same():
    with pytest.raises(ContractError) as caught:
        DOCUMENTS["1"].read(Asked, {"a": 1, "": 2}, "pieces[3]")

    assert caught.value.field == 'pieces[3].""'


@pytest.mark.parametrize(
    ("command", "document", "field"),
    [
        (
            "cut",
            '{"kind": "bar", "unit": "1", "stock": [{"id": "\\ud800", "length": "9"}], "pieces": []}',
            "stock[0].id",
        ),
        (
            "route",
            '{"crews": [], "stops": [{"id": "\\ud800", "at": 0}], "travel": {"matrix": [[0]]}}',
            "stops[0].id",
        ),
    ],
)
def test_half_a_character_in_an_id_is_an_error_of_the_contract_and_no_traceback(command, document, field):
    done = subprocess.run(
        [sys.executable, "manage.py", command], input=document, capture_output=True, text=True, cwd=ROOT, timeout=60
    )

    assert (done.returncode, done.stdout) == (2, "")
    assert json.loads(done.stderr)["error"]["field"] == field
