"""Words about a visit, for templates."""

from collections.abc import Mapping

from django import template

from jobs.models import Appointment
from jobs.schedule.words import promise_text, state_text

register = template.Library()
register.filter("promise", promise_text)


@register.filter
def outcome(row: Appointment, outcomes: Mapping[int, str]) -> str:
    """What became of it, out of `jobs.ports.Ports.outcomes`; empty while it is not done."""
    return outcomes.get(row.pk, "")


@register.filter
def stands(row: Appointment, outcomes: Mapping[int, str]) -> str:
    """Its state with what became of it, in one line."""
    return state_text(row, outcome(row, outcomes))
