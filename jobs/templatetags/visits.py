"""Words about a visit, for templates."""

from django import template

from jobs.words import promise_text

register = template.Library()
register.filter("promise", promise_text)
