"""The rules field by field: every field is shown once, what is put back unchanged changes nothing."""

from __future__ import annotations

import pytest

from installs.rules.data import HardwareRules, starting_definition, starting_rules
from installs.rules.editing import Group, changed, copied, groups_of, part_at, parts_of
from shared.contracts import ContractError

RULES = starting_rules()
STORED = RULES.to_json()


def groups(path: str) -> list[Group]:
    return groups_of(STORED, part_at(STORED, path))


def test_every_part_put_back_as_it_is_shown_changes_nothing():
    typed = {
        one.path: one.value
        for part in parts_of(STORED)
        for group in groups_of(STORED, part)
        if not group.is_new
        for one in group.fields
    }

    assert HardwareRules.from_json(changed(STORED, typed)) == RULES
    assert len(typed) > 1000


def test_every_value_of_the_rules_stands_on_one_page():
    shown = [
        one.path
        for part in parts_of(STORED)
        for group in groups_of(STORED, part)
        if not group.is_new
        for one in group.fields
    ]

    assert len(shown) == len(set(shown))
    assert set(leaves(STORED)) - set(shown) == {"revision", "basis"}


def leaves(value: object, path: str = "") -> list[str]:
    """Paths of all values that are no object and no list of objects."""
    if isinstance(value, dict):
        return [leaf for key, entry in value.items() for leaf in leaves(entry, f"{path}.{key}" if path else key)]
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return [leaf for position, entry in enumerate(value) for leaf in leaves(entry, f"{path}[{position}]")]
    return [] if isinstance(value, list) and path.endswith((".spans", ".one_a_day", ".install_instead")) else [path]


def test_a_field_says_its_bound_and_its_choices():
    fields = {one.path: one for group in groups("placing") for one in group.fields}
    words = {one.path: one for group in groups("choices") for one in group.fields}

    assert fields["placing.keep_off"].bound == "0 to 6 in"
    assert fields["placing.interior_share"].bound == "1 to 2"
    assert "chain" in words["choices.controls.chain.control"].choices
    assert words["choices.controls.chain.two_way"].kind == "truth"


@pytest.mark.parametrize(
    ("path", "text", "field", "bound"),
    [
        ("placing.keep_off", "9", "placing.keep_off", "0 to 6"),
        ("placing.keep_off", "", "placing.keep_off", "required"),
        ("brackets.slat.sizes[0].screws", "many", "brackets.slat.sizes[0].screws", "1 to 8"),
        ("brackets.slat.sizes[0].end", "nothing", "brackets.slat.sizes[0].end", "a key of items"),
        ("withdrawal.diameters.8", "2", "withdrawal.diameters.8", "0.05 to 1"),
        ("fasteners.hollow.screws", "end-cap", "fasteners.hollow.screws", "more than 0"),
    ],
)
def test_what_cannot_be_is_named_by_its_field_and_bound(path, text, field, bound):
    with pytest.raises(ContractError) as refused:
        HardwareRules.from_json(changed(STORED, {path: text}))

    assert (refused.value.field, refused.value.bound) == (field, bound)


@pytest.mark.parametrize("path", ["colour", "placing", "placing.depth", "placing.keep_off[0]", "revision", "a..b", ""])
def test_a_path_that_is_none_is_refused(path):
    with pytest.raises(ContractError):
        HardwareRules.from_json(changed(STORED, {path: "1"}))


def test_rows_are_added_and_taken_out():
    more = changed(
        STORED,
        {"brackets.slat.spans[2].span": "36", "brackets.slat.spans[1].up_to_lb_per_ft": "9"},
        remove=["brackets.slat.spans[0]"],
    )

    spans = HardwareRules.from_json(more).brackets["slat"].spans
    assert [str(one.span) for one in spans] == ["40 in", "36 in"]


def test_the_new_row_of_a_list_stands_one_past_its_end():
    (new,) = [group for group in groups("spares") if group.is_new]

    assert new.fields[0].path == f"spares.one_a_day[{len(RULES.spares.one_a_day)}].item"


def test_an_entry_is_copied_under_a_key_of_its_own():
    made = HardwareRules.from_json(copied(STORED, "fasteners.hollow", "hollow-ours"))

    assert made.fasteners["hollow-ours"] == RULES.fasteners["hollow"]
    for key in ("hollow", "Hollow ours", ""):
        with pytest.raises(ContractError):
            copied(STORED, "fasteners.hollow", key)


@pytest.mark.parametrize("path", ["Django.x", "fasteners", "fasteners.unknown", "weights.roller", ""])
def test_only_an_entry_is_copied(path: str) -> None:
    with pytest.raises(ContractError, match="no entry of the rules"):
        copied(STORED, path, "ours")


def test_the_starting_values_can_be_edited_too():
    assert part_at(starting_definition(), "people").title == "people"
