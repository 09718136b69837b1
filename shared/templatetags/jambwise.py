"""Template tags of every page and sheet; loaded as builtins."""

from django import template

register = template.Library()
