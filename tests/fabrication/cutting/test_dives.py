"""What the search of plans is made of, each on a problem small enough to see through."""

from __future__ import annotations

from collections import Counter
from random import Random

import numpy as np
import pytest

from fabrication.rules.cutting import BarPiece, BarProblem, BarStock
from fabrication.rules.cutting.bars.bounds import area_duals, certified, whole_bars
from fabrication.rules.cutting.bars.enumerate import patterns_within
from fabrication.rules.cutting.bars.instance import BarInstance
from fabrication.rules.cutting.bars.model import BarModel, bar_model
from fabrication.rules.cutting.bars.pricing import BarPricing
from fabrication.rules.cutting.columns import rescue
from fabrication.rules.cutting.columns import search as searching
from fabrication.rules.cutting.columns.column import Loading, loading_cost
from fabrication.rules.cutting.columns.dive import _fix, dive
from fabrication.rules.cutting.columns.generation import relax
from fabrication.rules.cutting.columns.master import Master
from fabrication.rules.cutting.columns.pool import Pool, TooMany
from fabrication.rules.cutting.columns.rescue import rescued
from fabrication.rules.cutting.columns.search import Search
from fabrication.rules.cutting.columns.sharpen import Sharpened, sharpened
from fabrication.rules.cutting.columns.state import State
from fabrication.rules.cutting.watch import Watch
from shared.lengths import Length


def model_of(pieces: dict[int, int], *bars: tuple[int, int | None], keep: int | None = None) -> BarModel:
    """Pieces by length and quantity, from bars of a length and quantity, sawn without loss."""
    stock = tuple(BarStock(f"s{place}", Length(length), count) for place, (length, count) in enumerate(bars))
    wanted = tuple(BarPiece(f"p{length}", Length(length), count) for length, count in pieces.items())
    return bar_model(BarProblem(stock, wanted, Length(0), keep=None if keep is None else Length(keep)))


def made(loading: Loading) -> Counter[int]:
    """Pieces of each type."""
    out: Counter[int] = Counter()
    for column, times in loading.items():
        for kind, count in column.rows:
            out[kind] += count * times
    return out


def test_a_dive_makes_every_piece_once():
    model = model_of({50: 3, 30: 5, 20: 4}, (100, None))
    instance = BarInstance(model)
    master, pricing = Master(instance.demand, instance.limits, instance.unit), instance.pricing()
    relaxed = relax(master, pricing, Watch(30))
    assert relaxed is not None

    found = dive(master, pricing, instance.demand, instance.limits, relaxed, 1e18, Watch(30))

    assert found is not None
    assert made(found) == Counter(dict(enumerate(instance.demand)))
    below = loading_cost(found) // 2  # less than its material
    assert dive(master, pricing, instance.demand, instance.limits, relaxed, below, Watch(30)) is None


def test_of_patterns_that_are_used_in_part_the_surest_is_fixed():
    columns = [(model := model_of({50: 1, 30: 1}, (100, None))).column(0, ((kind, 1),)) for kind in (0, 1)]
    need = list(model.demand)

    fixed = _fix(columns, np.array([0.7, 0.4]), need, [None], None, 0.0)

    assert (fixed, need) == (Counter({columns[0]: 1}), [0, 1])


def test_the_best_pattern_is_read_back_with_every_piece_it_is_priced_for():
    """Three pieces fill a bar of 100 and are worth 120."""
    model = model_of({50: 1, 30: 1, 20: 1}, (100, None))

    columns, least = BarPricing(model, model.demand).best(np.array([60.0, 35.0, 25.0]) * model.scale, {}, 1, 1e-9)

    assert columns == [model.column(0, ((0, 1), (1, 1), (2, 1)))]
    assert least == pytest.approx([-20 * model.scale])


@pytest.mark.parametrize("dives", [5, 0])
def test_a_plan_that_leaves_a_piece_out_is_made_whole_where_the_stock_allows_it(monkeypatch, dives):
    """60 + 40 and 50 + 50 from two bars; 60 and 50 on one each leave the others out. With no dive it is enumerated."""
    monkeypatch.setattr(rescue, "DIVES", dives)
    instance = BarInstance(model := model_of({60: 1, 50: 2, 40: 1}, (100, 2)))
    partial = Counter({model.column(0, ((0, 1),)): 1, model.column(0, ((1, 1),)): 1})

    whole = rescued(instance, partial, Watch(30), 0)

    assert whole == Counter({model.column(0, ((0, 1), (2, 1))): 1, model.column(0, ((1, 2),)): 1})


def test_no_plan_is_said_where_the_stock_holds_not_all():
    instance = BarInstance(model := model_of({60: 1, 50: 2, 40: 1}, (100, 1)))

    assert rescued(instance, Counter({model.column(0, ((0, 1),)): 1}), Watch(30), 0) is None


def test_patterns_of_all_stocks_count_together_towards_the_most():
    """Three patterns on each of two bars: a; b; a and b."""
    model = model_of({50: 1, 30: 1}, (100, None), (90, None))

    def patterns(most: int) -> Pool:
        return patterns_within(model, [0, 0], [0, 0], 1, 10**12, most)

    assert len(patterns(7)) == 6  # and one that is empty, while it is filled
    with pytest.raises(TooMany):
        patterns(5)


def test_two_bars_are_proved_where_the_linear_program_says_one_and_a_half():
    """A bar holds any two of three pieces, or one; half a bar of each pair would do, and the cut says no."""
    pairs, single = [0, 1, 0, 2, 1, 2], [0, 1, 2]
    pool = Pool(
        stock=np.zeros(6, dtype=np.int64),
        cost=np.full(6, 10, dtype=np.int64),
        use=np.ones(6, dtype=np.int64),
        starts=np.array([0, 2, 4, 6, 7, 8, 9]),
        kinds=np.array(pairs + single),
        counts=np.ones(9, dtype=np.int64),
        turned=np.zeros(9, dtype=bool),
    )

    found = sharpened(Sharpened.unsharpened(pool, 0), [1, 1, 1], [None], 1000, 1, 10.0, Watch(30), enough=0)

    assert found.least == 20


def test_bars_that_are_worth_their_price_uncut_are_not_opened_without_end():
    """An uncut bar that is kept is worth its whole length: no more are opened than there are pieces."""
    plain, kept = model_of({50: 3}, (100, None)), model_of({50: 3}, (100, None), keep=10)

    assert BarInstance(plain).limits == (None,)
    assert certified(kept, area_duals(kept)).units <= kept.stocks[0].price * 3


def test_pieces_from_much_little_stock_cost_what_all_that_is_left_would_be_worth():
    """Pieces from offcuts that hold them all: bars of which there are few count as free, kept ticks 3/5."""
    model = model_of({10: 1200}, *((100 + 5 * more, 5) for more in range(20)), keep=10)

    assert (model.quantum, model.worth) == (5, 3)
    assert whole_bars(model) == 3 * 1200 * 10


@pytest.mark.parametrize(("has_time", "bars"), [(True, 2), (False, 6)])
def test_the_best_of_the_patterns_is_chosen_where_there_is_time(monkeypatch, has_time, bars):
    if not has_time:
        monkeypatch.setattr(searching, "chosen", lambda *asked: Counter())  # as it answers then
    model = model_of({50: 2, 30: 2, 20: 2}, (100, None))
    instance = BarInstance(model)
    master, pricing = Master(instance.demand, instance.limits, instance.unit), instance.pricing()
    relaxed = relax(master, pricing, Watch(30))
    assert relaxed is not None
    single = Counter({model.column(0, ((kind, 1),)): 2 for kind in range(3)})
    state = State(model.scale, model.quantum, single, Watch(30), certified(model, area_duals(model)))

    Search(instance, state, master, pricing, relaxed, Random(0)).choose(0)

    assert state.cost == bars * model.stocks[0].price
