"""What a line typed into the box may mean in measuring: the number of a template."""

from __future__ import annotations

import re
from collections.abc import Iterator

from django.urls import reverse

from jobs.rules.search_text import number_spellings
from measuring.access import SEES_SIZES
from measuring.models import ShapeTemplate
from shared.finding import Found
from shared.models import User


def found(user: User, text: str) -> Iterator[Found]:
    """The templates of this number; ``j1004 t2`` is one too."""
    parted = re.fullmatch(r"(.*\d)[\s-]*[Tt][\s-]?(\d{1,4})", text)
    if not parted or not user.has_role(*SEES_SIZES):
        return
    rows = ShapeTemplate.objects.visible_to(user).filter(
        job__number__in=number_spellings(parted[1], "J"), position=int(parted[2])
    )
    for one in rows.select_related("job__customer", "opening__room"):
        line = f"{one.opening}, {one.job.customer.name}, {one.where}"
        yield Found("template", one.number, line, f"{reverse('measuring:opening', args=[one.opening_id])}#templates")
