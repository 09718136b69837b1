"""Template tags of every page and document; loaded as builtins."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Mapping
from typing import Any

from django import template
from django.db import models
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from shared import documents
from shared import panels as panel_registry
from shared.audit import changes_in_words
from shared.formats import dates, spoken
from shared.formats import mass as masses
from shared.formats.durations import minutes_text, more_or_less
from shared.formats.money import cents, money_text
from shared.lengths import Length, LengthUnit
from shared.models import AuditEntry, Run
from shared.qr import qr_svg

register = template.Library()

NO_LENGTH = SafeString('<span class="none" role="img" aria-label="none">–</span>')

MARKS = {
    "booking": "hollow",
    "to measure": "hollow",
    "measured": "half",
    "released": "half",
    "in the workroom": "half",
    "made": "half",
    "to install": "half",
    "installed": "full",
    "closed": "full",
    "paused": "crossed",
    "cancelled": "crossed",
    "waiting": "hollow",
    "under way": "half",
    "done": "full",
    "cutting": "half",
    "cut": "full",
    "pulled": "full",
    "failed": "crossed",
    "stopped": "crossed",
    "fresh": "full",
    "stale": "hollow",
}
"""State words to how their mark is drawn: hollow not begun, half under way, full done, crossed stopped."""


# -- lengths --------------------------------------------------------------------------


def stacked(value: Length, unit: LengthUnit = LengthUnit.INCH) -> SafeString:
    """
    A length as ``35`` with a small stacked ``3/8``; its plain text stays ``35 3/8``.

    Screen readers hear "35 and 3 eighths inches".
    """
    text = value.text(unit)
    whole, _, fraction = text.rpartition(" ") if "/" in text else (text, "", "")
    if not fraction:
        return format_html('<span class="len" role="img" aria-label="{}">{}</span>', value.spoken(unit), whole)
    sign, fraction = ("−\u2009", fraction[1:]) if fraction.startswith("-") else ("", fraction)
    numerator, denominator = fraction.split("/")
    return format_html(
        '<span class="len" role="img" aria-label="{}">{}{}{}<span class="frac"><sup>{}</sup>'
        "<i>/</i><sub>{}</sub></span></span>",
        value.spoken(unit),
        sign,
        whole,
        " " if whole else "",
        numerator,
        denominator,
    )


def _unit(context: template.Context, unit: Any) -> LengthUnit:
    """The tag's own, else the template's ``unit``, else that of the user's branch."""
    chosen = unit or context.get("unit")
    if chosen:
        return LengthUnit(chosen)
    user = getattr(context.get("request"), "user", None)
    return user.unit if user is not None and user.is_authenticated else LengthUnit.INCH


@register.simple_tag(takes_context=True)
def length(context: template.Context, value: Length | str | None, unit: str = "", symbol: bool = False) -> SafeString:
    """
    ``{% length opening.width %}``; ``symbol=True`` adds in or mm; a dash for none.

    Under ``{% with plain_lengths=True %}`` it stands in one line as large as its inches, for sheets of many lengths.
    """
    if not isinstance(value, Length):
        return NO_LENGTH
    chosen = _unit(context, unit)
    plain = value.text(chosen).replace(" ", "\u00a0")
    shown = format_html("{}", plain) if context.get("plain_lengths") else stacked(value, chosen)
    return format_html("{} {}", shown, chosen.value) if symbol else shown


@register.simple_tag(takes_context=True)
def tape(context: template.Context, value: Length | None, symbol: bool = False) -> SafeString:
    """``{% tape cut.left %}``: as `length`, down to a mark that a tape has; for what is left, never for an order."""
    return length(context, _on_tape(context, value), symbol=symbol)


@register.simple_tag(takes_context=True)
def tape_size(context: template.Context, width: Length, height: Length | None, symbol: bool = False) -> SafeString:
    """As `size`, both down to marks that a tape has."""
    return size(context, _on_tape(context, width), _on_tape(context, height), symbol=symbol)


def _on_tape(context: template.Context, value: Length | None) -> Length | None:
    return None if value is None else value.on_tape(_unit(context, ""))


@register.simple_tag(takes_context=True)
def fine(context: template.Context, value: Length) -> str:
    """``{% fine material.kerf %}``: 1/8 in, or 0.1 mm where inches can't write it."""
    return value.fine_text(_unit(context, ""))


@register.simple_tag(takes_context=True)
def size(
    context: template.Context, width: Length | None, height: Length | None, unit: str = "", symbol: bool = False
) -> SafeString:
    """Width × height, always in that order."""
    chosen = _unit(context, unit)
    tail = f" {chosen.value}" if symbol else ""
    if context.get("plain_lengths"):
        return format_html("{} × {}{}", length(context, width, chosen), length(context, height, chosen), tail)
    return format_html(
        '<span class="size">{} × {}{}</span>',
        length(context, width, chosen),
        length(context, height, chosen),
        tail,
    )


@register.simple_tag(takes_context=True)
def length_text(context: template.Context, value: Length | None, unit: str = "", symbol: bool = False) -> str:
    """The plain text, for attributes and boxes."""
    return "" if value is None else value.text(_unit(context, unit), symbol=symbol)


@register.simple_tag(takes_context=True)
def unit_name(context: template.Context, unit: str = "") -> str:
    """``in`` or ``mm``: once per table or drawing."""
    return _unit(context, unit).value


@register.simple_tag(takes_context=True)
def mass(context: template.Context, grams: Any, unit: str = "", places: int = 1) -> str:
    """``{% mass unit.weight_g %}``: pounds or kilograms; ``places=0`` for a whole load."""
    return masses.mass(grams, _unit(context, unit), places=places)


register.filter("pounds", masses.pounds_text)


# -- words ----------------------------------------------------------------------------


@register.simple_tag
def state(word: object, mark: str = "") -> SafeString:
    """A state as its word with its mark; `mark` (hollow, half, full, crossed) for words not in `MARKS`."""
    text = str(getattr(word, "label", word))
    return format_html('<span class="state {}">{}</span>', mark or MARKS.get(text.lower(), "hollow"), text)


@register.simple_tag
def severity(word: object) -> SafeString:
    """note, check or stop, as a word."""
    text = str(getattr(word, "value", word))
    return format_html('<span class="severity {0}">{0}</span>', text if text in {"note", "check", "stop"} else "note")


@register.simple_tag
def stage_line(stages: Iterable[object], here: object, label: str = "Stage") -> SafeString:
    """
    The whole way with where it stands.

    `stages` are words, or (key, word) pairs such as a TextChoices' ``choices``; `here` is one of
    the words or keys. One that is not on the way (paused, cancelled) marks none as here.
    """
    pairs = [(str(one[0]), str(one[1])) if isinstance(one, list | tuple) else (str(one), str(one)) for one in stages]
    now = next((position for position, pair in enumerate(pairs) if str(here) in pair), None)

    def looks(position: int) -> tuple[str, str]:
        if now is None or position > now:
            return "ahead", ""
        return ("here", ' aria-current="step"') if position == now else ("done", "")

    items = format_html_join(
        "",
        '<li class="{}"{}>{}</li>',
        ((looks(position)[0], SafeString(looks(position)[1]), word) for position, (_, word) in enumerate(pairs)),
    )
    return format_html('<ol class="stages" aria-label="{}">{}</ol>', label, items)


for _shown in (
    dates.short_day,
    dates.long_day,
    dates.month_day,
    dates.short_day_year,
    dates.long_day_year,
    dates.month_day_year,
    dates.month_year,
    dates.short_weekday,
    dates.weekday_day,
):
    register.filter(_shown.__name__, _shown, expects_localtime=True)


@register.filter
def money(value: Any, currency: str = "") -> Any:
    """A sum to the cent, with its currency where that is said; nothing where there is none."""
    if value in (None, ""):
        return ""
    return money_text(cents(value), currency) if currency else cents(value)


@register.filter
def clock(when: Any) -> str:
    """A time of day in the branch's zone: ``8:30 am``."""
    if not when:
        return ""
    if hasattr(when, "tzinfo") and hasattr(when, "date") and when.tzinfo is not None:
        when = timezone.localtime(when)
    return dates.clock(when)


@register.filter
def kept(value: Any) -> Any:
    """
    A value of the trail: a moment, kept in UTC, as ``24 Nov, 9:17 pm`` in the branch's zone.

    The year is said where it is not this one; whatever is no moment stays as it is.
    """
    if not isinstance(value, str) or "T" not in value:
        return value
    try:
        when = dt.datetime.fromisoformat(value)
    except ValueError:
        return value
    if when.tzinfo is None:
        return value
    when = timezone.localtime(when)
    year = "" if when.year == timezone.localtime().year else f" {when.year}"
    return f"{dates.month_day(when)}{year}, {clock(when)}"


register.filter("said_day", spoken.said_day)
register.filter("said_date", spoken.said_date)
register.filter("said_money", spoken.said_money)
register.filter("changes_in_words", changes_in_words)
register.filter("minutes", minutes_text)
register.filter("more_or_less", more_or_less)


# -- runs, documents, panels, audit ----------------------------------------------------


@register.inclusion_tag("shared/_run.html", takes_context=True)
def run_bar(context: template.Context, run: Run | None, then: str = "") -> dict[str, Any]:
    """
    The bar of a run, which keeps itself up to date.

    ``then="reload"`` loads the page anew when the run ends; an address makes a link to it.
    """
    return {"run": run, "then": then, "request": context.get("request"), "csrf_token": context.get("csrf_token")}


@register.inclusion_tag("shared/_document.html", takes_context=True)
def document(context: template.Context, kind: str, subject: models.Model) -> dict[str, Any]:
    """One kind of document of a subject: open it, whether it is fresh, make a new one."""
    user = context["request"].user
    found = documents.standing(kind, subject) if documents.kind_of(kind).allows(user, subject) else None
    return {"standing": found, "request": context["request"], "csrf_token": context.get("csrf_token")}


@register.inclusion_tag("shared/_panels.html", takes_context=True)
def panels(context: template.Context, page: str, subject: models.Model) -> dict[str, object]:
    """The panels higher apps registered for this page, each loaded by itself."""
    return {"panels": panel_registry.for_page(page, subject, context["request"].user)}


@register.inclusion_tag("shared/_audit.html")
def audit_of_job(job_id: int, most: int = 50) -> dict[str, object]:
    """The trail of one job, newest first. It names what changed: only for pages of the office."""
    return {"entries": AuditEntry.objects.filter(job_id=job_id).select_related("by")[:most]}


@register.inclusion_tag("shared/_audit.html")
def audit_of(subject: models.Model, most: int = 20) -> dict[str, object]:
    """The trail of one object, newest first."""
    return {"entries": AuditEntry.objects.about(subject).select_related("by")[:most]}


@register.simple_tag
def last_change(subject: models.Model | None = None, job: int | None = None) -> SafeString:
    """Who changed it last, for the foot of a page: ``last: released · Ann Lee · 3 Mar, 14:05``."""
    rows = AuditEntry.objects.select_related("by")
    found = rows.filter(job_id=job).first() if job is not None else rows.about(subject).first() if subject else None
    if found is None:
        return SafeString("")
    when = timezone.localtime(found.when)
    return format_html(
        '<span class="last-change">last: {} · {} · <time datetime="{}">{}</time></span>',
        found.action,
        found.who,
        found.when.isoformat(timespec="seconds"),
        f"{dates.short_day(when)}, {clock(found.when)}",
    )


@register.simple_tag
def qr(text: str, title: str = "") -> SafeString:
    """A QR code as inline SVG."""
    return qr_svg(text, title=title)


@register.simple_tag(takes_context=True)
def session_mark(context: Mapping[str, Any]) -> str:
    """Which sign-in a page belongs to, without saying its key."""
    return hashlib.sha256(str(context["request"].session.session_key).encode()).hexdigest()[:16]
