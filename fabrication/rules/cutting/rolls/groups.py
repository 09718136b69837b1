"""One dye lot a room: every group of panels is given a stock before lays are planned."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import replace

from fabrication.rules.cutting.bars.greedy import OutOfStock
from fabrication.rules.cutting.columns.column import loading_cost
from fabrication.rules.cutting.problem import RollProblem
from fabrication.rules.cutting.rolls.greedy import best_shelves, cheapest_order
from fabrication.rules.cutting.rolls.model import RollModel, Way, group_of
from fabrication.rules.cutting.watch import Watch

ROUNDS = 3

AMPLE = 1.3
"""A stock with so many times the area of a group left will most likely hold it."""

Homes = dict[str, str]


def housed(
    problem: RollProblem, model: RollModel, watch: Watch, before: Homes | None = None
) -> list[tuple[RollModel, Homes]]:
    """
    The model with every group barred from all stock but the one chosen for it, and these choices, the best first.

    Groups choose one after the other, the largest first; then each may think again. At
    first each looks at one stock at a time and at what shelves cost there, which is
    quick; while the watch allows they choose once more, by the shelves for everything.
    Choices made `before` for some more panels count as well. Once time is out there is
    one answer only.
    """
    kinds = _kinds(problem, model)
    names = sorted({stock.id for stock in model.stocks})
    if not kinds or len(names) < 2:
        return [(model, {})]
    houses = _Houses(problem, model, kinds)
    choices = [{group: home for group, home in before.items() if group in kinds}] if before else []
    if not before or not watch.out():
        choices.append(houses.quick(watch))
    if not watch.out():
        choices.append(houses.thorough(choices[-1], names, watch))
    different = [homes for position, homes in enumerate(choices) if homes not in choices[:position]]
    if len(different) > 1:
        different.sort(key=lambda homes: _worth(houses.barred(homes), watch))
    return [(houses.barred(homes), homes) for homes in (different[:1] if watch.out() else different)]


def _kinds(problem: RollProblem, model: RollModel) -> dict[str, list[int]]:
    """The types of each group."""
    groups = group_of(problem)
    kinds: dict[str, list[int]] = {}
    for kind, members in enumerate(model.members):
        group = groups.get(members[0][0])
        if group is not None:
            kinds.setdefault(group, []).append(kind)
    return kinds


class _Houses:
    """The groups, largest first, and the stocks that they may choose."""

    def __init__(self, problem: RollProblem, model: RollModel, kinds: Mapping[str, list[int]]) -> None:
        self.model = model
        self.kinds = kinds
        self.ways: dict[int, list[Way]] = {}
        for way in model.ways:
            self.ways.setdefault(way.kind, []).append(way)
        self.areas = {group: sum(map(self._area, positions)) for group, positions in kinds.items()}
        self.order = sorted(kinds, key=lambda group: (-self.areas[group], group))
        self.rates = {stock.id: stock.price / stock.room for stock in model.stocks}
        self.known: dict[tuple[str, tuple[int, ...]], tuple[int, int]] = {}
        self.looks: dict[str, Hashable] = {stock.id: replace(stock, id="") for stock in problem.stock}

    def _area(self, kind: int) -> int:
        way = self.ways[kind][0]
        return way.width * way.drop * self.model.demand[kind]

    def different(self, names: Iterable[str], homes: Homes, group: str) -> list[str]:
        """The stocks worth a try: of those alike that no other group is on, one is as good as the next."""
        taken = {name for other, name in homes.items() if other != group}
        seen: set[Hashable] = set()
        out = []
        for name in sorted(names, key=lambda name: name != homes.get(group)):
            if name not in taken:
                if self.looks[name] in seen:
                    continue
                seen.add(self.looks[name])
            out.append(name)
        return out

    def quick(self, watch: Watch) -> Homes:
        """Homes by what shelves cost on each stock alone; once time is out, the first that holds a group."""
        names = list(dict.fromkeys(self.model.stocks[t].id for t in cheapest_order(self.model)))
        homes: Homes = {}
        for turn in range(ROUNDS):
            before = dict(homes)
            for group in self.order:
                if turn and watch.out():
                    break
                homes[group] = self._choice(group, names, homes, watch)
            if homes == before:
                break
        return homes

    def _choice(self, group: str, names: list[str], homes: Homes, watch: Watch) -> str:
        free = self._free(homes, group)
        wide = [name for name in names if free[name] >= self.areas[group]]
        if not wide:
            return max(names, key=lambda name: free[name])
        if watch.out():
            ample = AMPLE * self.areas[group]
            wide.sort(key=lambda name: (free[name] < ample, self.rates[name], free[name]))
            if watch.late():
                return wide[0]
        best: tuple[tuple[int, int], str] | None = None
        for name in self.different(wide, homes, group):
            others = [
                kind for other, home in homes.items() if home == name and other != group for kind in self.kinds[other]
            ]
            without = self._alone(others, name, watch)
            full = self._alone(others + self.kinds[group], name, watch)
            more = full[0] - without[0], full[1] - without[1]
            if best is None or more < best[0]:
                best = more, name
            if more[0] <= 0 and watch.out():
                return name
        assert best is not None
        return best[1]

    def _free(self, homes: Homes, group: str) -> dict[str, float]:
        """Area of each stock that the other groups leave."""
        free = dict.fromkeys(self.rates, 0.0)
        for stock in self.model.stocks:
            free[stock.id] += float("inf") if stock.limit is None else stock.room * stock.limit
        for other, name in homes.items():
            if other != group:
                free[name] -= self.areas[other]
        return free

    def _alone(self, kinds: list[int], name: str, watch: Watch) -> tuple[int, int]:
        """(panels missed, cost) of these types on one stock, by plain shelves."""
        if not kinds:
            return 0, 0
        key = (name, tuple(sorted(kinds)))
        if key not in self.known:
            self.known[key] = _worth(self._part(key[1], name), watch)
        return self.known[key]

    def _part(self, kinds: tuple[int, ...], name: str) -> RollModel:
        model = self.model
        ways = [replace(way, kind=position) for position, kind in enumerate(kinds) for way in self.ways[kind]]
        return replace(
            model,
            ways=tuple(sorted(ways, key=lambda way: way.drop)),
            demand=tuple(model.demand[kind] for kind in kinds),
            members=tuple(model.members[kind] for kind in kinds),
            stocks=tuple(stock for stock in model.stocks if stock.id == name),
        )

    def thorough(self, quick: Homes, names: list[str], watch: Watch) -> Homes:
        """Homes by the fewest panels missed, then the cost, of shelves for everything; `quick` for want of time."""
        homes: Homes = {}
        for _ in range(ROUNDS):
            before = dict(homes)
            for group in self.order:
                ways = []
                for name in self.different(names, homes, group):
                    if watch.out():
                        return {**quick, **homes}
                    ways.append((_worth(self.barred({**homes, group: name}), watch), name))
                homes[group] = min(ways)[1]
            if homes == before:
                break
        return homes

    def barred(self, homes: Homes) -> RollModel:
        """The model in which these groups have their homes."""
        stocks = list(enumerate(self.model.stocks))
        barred = frozenset(
            (kind, t)
            for group, name in homes.items()
            for t, stock in stocks
            if stock.id != name
            for kind in self.kinds[group]
        )
        return replace(self.model, barred=barred)


def _worth(model: RollModel, watch: Watch) -> tuple[int, int]:
    """(panels missed, cost) of plain shelves."""
    try:
        return 0, loading_cost(best_shelves(model, watch))
    except OutOfStock as error:
        return sum(error.missing), 0
