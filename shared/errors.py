"""What services say when they will not do an action."""

from __future__ import annotations


class Refused(ValueError):
    """
    An action that cannot be done as things stand.

    Pages show the problem beside its field (or among the messages), the API answers 409.

    Parameters
    ----------
    problem
        One sentence a person can act on, with the number and the bound.
    field
        The field it is about, as the form or the API names it; empty when about the whole.
    bound
        The bound that was broken, as text, where there is one.
    """

    def __init__(self, problem: str, *, field: str = "", bound: str = "") -> None:
        super().__init__(problem)
        self.problem, self.field, self.bound = problem, field, bound
