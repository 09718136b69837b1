"""States of visits and openings in templates, in the words and marks of the one table, as on the phone."""

from __future__ import annotations

from typing import Final

from django import template
from django.utils.safestring import SafeString

from measuring.models import MeasureVisit, Opening
from measuring.rules.families import TABLE
from shared.templatetags.jambwise import state

register = template.Library()
VISIT_STATES: Final = TABLE["visit_states"]
OPENING_MARKS: Final = TABLE["opening_marks"]


@register.simple_tag
def visit_state(visit: MeasureVisit | str) -> SafeString:
    """Not begun where there is no visit yet; once it is closed, with what came of it."""
    if not isinstance(visit, MeasureVisit):
        return state(*VISIT_STATES["not_begun"])
    word, mark = VISIT_STATES["closed" if visit.closed_at else "under_way"]
    return state(f"{word}, {visit.get_outcome_display()}" if visit.closed_at else word, mark)


@register.simple_tag
def opening_state(opening: Opening) -> SafeString:
    """How far an opening is."""
    return state(opening.get_state_display(), OPENING_MARKS[opening.state])
