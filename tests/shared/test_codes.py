"""Short codes for labels."""

from itertools import combinations

import pytest

from shared.codes import ALPHABET, check_symbol, new_code, read_code


def test_a_new_code_reads_back_as_typed_with_gloves():
    code = new_code()

    assert read_code(f" {code[:3]}-{code[3:].lower()} ") == code


def test_every_single_wrong_symbol_is_caught():
    code = "7K3QXD" + check_symbol("7K3QXD")

    wrong = [code[:i] + other + code[i + 1 :] for i in range(7) for other in ALPHABET if other != code[i]]

    assert len(wrong) == 7 * 30
    assert not any(read_code(text) for text in wrong)


def test_every_swap_of_two_symbols_is_caught():
    code = "7K3QXD" + check_symbol("7K3QXD")

    for i, j in combinations(range(7), 2):
        swapped = list(code)
        swapped[i], swapped[j] = swapped[j], swapped[i]
        assert code[i] == code[j] or read_code("".join(swapped)) is None


@pytest.mark.parametrize("typed", ["", "7K3", "7K3QXDO", "7K3QXDDD", "7K3QX!D"])
def test_what_is_no_code_reads_as_none(typed):
    assert read_code(typed) is None
