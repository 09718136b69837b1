"""The hardware rules: read as tables, edited part by part, each change a revision."""

from __future__ import annotations

from collections.abc import Mapping

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from installs.access import branch_of, rules_for
from installs.adapters.evaluation import rules_at
from installs.models import HardwareRules
from installs.rules.editing import Field, Group, Part, groups_of, part_at, parts_of
from installs.services import hardware as services
from installs.services.starting_data import load_rules
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused
from shared.roles import DISPATCHER, OWNER, WORKROOM

LOOKS = (OWNER, WORKROOM, DISPATCHER)
WORKS = (OWNER, WORKROOM)


@roles_required(*LOOKS)
@require_GET
def rules(request: SignedInRequest) -> HttpResponse:
    """The rules in use as tables, and the way to each part of them."""
    branch = branch_of(request.user, request.GET.get("branch", ""))
    if branch is None:
        return render(request, "installs/rules.html", {"row": None})
    row = load_rules(branch)
    context = _tables(row) | {
        "row": row,
        "parts": _by_kind(parts_of(row.definition)),
        "may_edit": request.user.has_role(*WORKS),
        "revisions": HardwareRules.objects.filter(branch=branch).select_related("saved_by"),
    }
    return render(request, "installs/rules.html", context)


def _by_kind(parts: list[Part]) -> list[tuple[str, list[tuple[Part, str]]]]:
    """Parts under the words before their colon, each with the words after it; single ones under ``other``."""
    found: dict[str, list[tuple[Part, str]]] = {}
    for part in parts:
        kind, _, name = part.title.partition(": ")
        found.setdefault(kind if name else "other", []).append((part, name or kind))
    return sorted(found.items(), key=lambda kind: kind[0] == "other")


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
def rules_edit(request: SignedInRequest) -> HttpResponse:
    """One part of the rules, field by field; what is kept is the next revision."""
    branch = branch_of(request.user, request.GET.get("branch", ""))
    if branch is None:
        return redirect("installs:rules")
    row = load_rules(branch)
    try:
        part = part_at(row.definition, request.GET.get("part", "confirmed"))
    except KeyError:
        raise Http404 from None
    groups = groups_of(row.definition, part)
    problem: Refused | None = None
    if request.method == "POST":
        try:
            made = _keep(request, row, part, groups)
        except Refused as refusal:
            problem = refusal
        else:
            messages.success(request, f"Revision {made.revision} is in use from now on.")
            return redirect("installs:rules")
    posted = request.POST if request.method == "POST" else None
    context = {
        "row": row,
        "part": part,
        "groups": [_shown(group, posted, problem) for group in groups],
        "problem": problem,
        "is_placed": problem is not None and any(_is_about(problem, one) for group in groups for one in group.fields),
        "note": request.POST.get("note", ""),
        "new_key": request.POST.get("copy", ""),
        "seen": request.POST.get("seen", row.revision),
    }
    return render(request, "installs/rules_edit.html", context, status=422 if problem else 200)


def _keep(request: SignedInRequest, row: HardwareRules, part: Part, groups: list[Group]) -> HardwareRules:
    sent = request.POST
    seen = sent.get("seen", "")
    gone = [group.path for group in groups if group.path and f"remove {group.path}" in sent]
    key = sent.get("copy", "").strip()
    if part.may_go and "remove" in sent:
        gone = [part.path]
    return services.change_rules(
        branch=row.branch,
        changes=_changes(sent, groups),
        remove=gone,
        copy=(part.path, key) if part.may_go and key else None,
        seen=int(seen) if seen.isdigit() else row.revision,
        by=request.user,
        note=sent.get("note", "")[:240],
    )


def _changes(sent: Mapping[str, str], groups: list[Group]) -> dict[str, str]:
    """What was typed differs from what stands; of a new row all of it, once anything of it was typed."""
    found: dict[str, str] = {}
    for group in groups:
        typed = {one.path: sent.get(one.path, "").strip() for one in group.fields}
        differs = {one.path for one in group.fields if typed[one.path] != " ".join(one.value.split())}
        if group.is_new and not differs:
            continue
        found |= {path: text for path, text in typed.items() if path in differs or (group.is_new and text)}
    return found


def _is_about(problem: Refused, one: Field) -> bool:
    return problem.field == one.path or problem.field.startswith((f"{one.path}[", f"{one.path}."))


def _shown(group: Group, posted: Mapping[str, str] | None, problem: Refused | None) -> dict[str, object]:
    """A group with what was typed, and the refusal beside its field."""
    rows = [
        {
            "field": one,
            "value": posted.get(one.path, "") if posted is not None else one.value,
            "problem": problem if problem is not None and _is_about(problem, one) else None,
        }
        for one in group.fields
    ]
    return {"group": group, "rows": rows, "is_going": posted is not None and f"remove {group.path}" in posted}


def _tables(row: HardwareRules) -> dict[str, object]:
    found = rules_at(row)
    return {
        "rules": found,
        "brackets": [(name, rule) for name, rule in found.brackets.items()],
        "substrates": [(wall, [found.fasteners[key] for key in wall.kits]) for wall in found.substrates.values()],
        "items": found.items,
    }


@roles_required(*LOOKS)
@require_GET
def rules_revision(request: SignedInRequest, pk: int) -> HttpResponse:
    """An older revision, as it was."""
    row = rules_for(request.user, pk)
    context = _tables(row) | {"row": row, "may_edit": False, "revisions": [row]}
    return render(request, "installs/rules.html", context)
