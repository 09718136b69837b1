"""The comparison: what every place shows of the same fact, and where one says something else."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple


class Seen(NamedTuple):
    """What one place shows of one fact of one thing; an empty value is no comparison."""

    fact: str
    subject: str
    place: str
    value: str


class Difference(NamedTuple):
    """A place that says something else than most."""

    fact: str
    subject: str
    place: str
    value: str
    others: str
    where: tuple[str, ...]

    def __str__(self) -> str:
        return (
            f"{self.fact} of {self.subject}: {self.place} says {self.value!r}, {', '.join(self.where)}: {self.others!r}"
        )


@dataclass
class Comparison:
    """Differences, and how often each fact was compared at each place."""

    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    differences: list[Difference] = field(default_factory=list)
    stories: list[tuple[list[Difference], list[str]]] = field(default_factory=list)

    def add(self, seen: Iterable[Seen]) -> list[Difference]:
        """
        Compares what was seen at one moment; gives the differences of that moment.

        Where places differ, the value that most of them show stands; of two that are shown
        equally often, the one seen first.
        """
        found: list[Difference] = []
        facts: dict[tuple[str, str], list[Seen]] = defaultdict(list)
        for one in seen:
            if one.value:
                facts[one.fact, one.subject].append(one)
        for (fact, subject), several in facts.items():
            if len({one.place for one in several}) < 2:
                continue
            usual = Counter(one.value for one in several).most_common(1)[0][0]
            where = tuple(sorted({one.place for one in several if one.value == usual}))
            for one in several:
                self.counts[fact, one.place] += 1
                if one.value != usual:
                    found.append(Difference(fact, subject, one.place, one.value, usual, where))
        self.differences += found
        return found

    def table(self) -> str:
        """Fact by place, with how often each was compared."""
        return "\n".join(f"{count:6} {fact} @ {place}" for (fact, place), count in sorted(self.counts.items()))
