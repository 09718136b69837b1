"""The hardware rules: read, edited with a revision, tried on the branch's own units."""

from __future__ import annotations

import json
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from installs import services
from installs.access import rules_for
from installs.forms import RulesForm
from installs.models import HardwareRules
from installs.reading import rules_at
from installs.starting_data import load_rules
from installs.views.figures import branch_of
from shared.access import roles_required
from shared.errors import Refused
from shared.roles import DISPATCHER, OWNER, WORKROOM

LOOKS = (OWNER, WORKROOM, DISPATCHER)
WORKS = (OWNER, WORKROOM)


@login_required
@roles_required(*LOOKS)
@require_http_methods(["GET", "POST"])
def rules(request: HttpRequest) -> HttpResponse:
    """The rules in use as tables, and the whole of them to edit."""
    branch = branch_of(request)
    if branch is None:
        return render(request, "installs/rules.html", {"row": None})
    row = load_rules(branch)
    may_edit = request.user.has_role(*WORKS)  # type: ignore[union-attr]
    form = RulesForm(request.POST or None, user=request.user, initial={"definition": row.definition})
    if request.method == "POST":
        if not may_edit:
            from django.core.exceptions import PermissionDenied

            raise PermissionDenied
        if form.is_valid() and isinstance(form.cleaned_data["definition"], dict):
            try:
                made = services.save_rules(branch=branch, by=request.user, **form.cleaned_data)
            except Refused as refusal:
                bound = f" ({refusal.bound})" if refusal.bound else ""
                form.add_error("definition", f"{refusal.field}: {refusal.problem}{bound}")
            else:
                messages.success(request, f"Revision {made.revision} is in use from now on.")
                return redirect("installs:rules")
    context = _tables(row) | {
        "row": row,
        "form": form,
        "may_edit": may_edit,
        "revisions": HardwareRules.objects.filter(branch=branch).select_related("saved_by"),
        "text": json.dumps(row.definition, indent=1) if request.method == "GET" else "",
    }
    return render(request, "installs/rules.html", context, status=422 if form.errors else 200)


def _tables(row: HardwareRules) -> dict[str, Any]:
    found = rules_at(row)
    return {
        "rules": found,
        "brackets": [(name, rule) for name, rule in found.brackets.items()],
        "substrates": [(wall, [found.fasteners[key] for key in wall.kits]) for wall in found.substrates.values()],
        "items": found.items,
    }


@login_required
@roles_required(*LOOKS)
@require_GET
def rules_revision(request: HttpRequest, pk: int) -> HttpResponse:
    """An older revision, as it was."""
    row = rules_for(request.user, pk)
    context = _tables(row) | {"row": row, "form": None, "may_edit": False, "revisions": [row]}
    return render(request, "installs/rules.html", context)
