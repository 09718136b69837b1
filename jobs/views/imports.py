"""Tables from other programs: a file, which column is which, what would become of each line, then yes; and undone."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import OFFICE
from jobs.forms import ImportForm
from jobs.models import ImportedLine, ImportMapping, Job
from jobs.services import imports as services
from jobs.services.imports import KIND, Kind, fates_of, kinds, summary
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.models import Run

SHOWN = 200
"""Lines of a preview that are shown although nothing is wrong with them."""


def _kinds_for(request: SignedInRequest) -> list[Kind]:
    return [kind for kind in kinds.values() if request.user.has_role(*kind.roles)]


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def import_jobs(request: SignedInRequest) -> HttpResponse:
    """Choose a file; the first look writes nothing."""
    offered = _kinds_for(request)
    branch = request.user.own_branch
    form = ImportForm(
        request.POST or None, request.FILES or None, user=request.user,
        initial={"kind": request.GET.get("kind", "jobs"), "job": request.GET.get("job", "")},
    )  # fmt: skip
    form.choose("kind", [(kind.key, kind.title) for kind in offered])
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            asked = form.cleaned_data
            kind, source = kinds[asked["kind"]], asked["source"].strip()
            text = services.text_of(asked["file"])
            kept = services.mapping_of(branch, kind, source) if source else None
            sheet = services.read_sheet(kind, text, kept=kept)
            run = services.ask_for_import(
                branch=branch, text=text, by=request.user, dry=True, kind=kind.key, columns=sheet.columns,
                source=source, job=_job(request, asked["job"]),
            )  # fmt: skip
            return redirect("jobs:import_run", run.pk)
    sources = ImportMapping.objects.filter(branch=branch).values_list("source", flat=True).distinct()
    context = {"form": form, "kinds": offered, "sources": sorted(set(sources))}
    return render(request, "jobs/import.html", context, status=422 if form.errors else 200)


def _job(request: SignedInRequest, number: str) -> Job | None:
    if not number.strip():
        return None
    job = Job.objects.visible_to(request.user).filter(number__iexact=number.strip()).first()
    if job is None:
        raise Refused(f"there is no job {number.strip()}", field="job")
    return job


def _run_for(request: SignedInRequest, pk: UUID, kind: str = KIND) -> Run:
    run = Run.objects.visible_to(request.user).filter(pk=pk, kind=kind).first()
    if run is None:
        raise Http404
    return run


@roles_required(*OFFICE)
@require_GET
def import_run(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """Which column is which, and each line's fate."""
    run = _run_for(request, pk)
    result = run.result
    if run.state in {Run.State.STOPPED, Run.State.FAILED} and not run.params["dry"]:  # what was booked by then stays
        result = summary(fates_of(run), dry=False)
    kind = kinds.get(run.params.get("kind", "jobs"))
    context: dict[str, object] = {"run": run, "result": result, "kind": kind}
    if result and kind is not None and run.params["text"]:
        context |= _looked(run, kind, result)
    if result and not result["dry"]:
        lines = ImportedLine.objects.filter(run=run)
        undo = Run.objects.filter(kind=services.UNDO, params__of=str(run.pk)).order_by("-created_at").first()
        context |= {
            "undo": undo,
            "may_undo": lines.filter(is_wrong=False, undone_at=None).exists() and not (undo and undo.is_active()),
            "undone": {line.line: line for line in lines.exclude(undone_at=None, kept_because="")},
        }
    return render(request, "jobs/import_run.html", context)


def _looked(run: Run, kind: Kind, result: dict[str, list[dict[str, object]]]) -> dict[str, object]:
    """The columns with what they were read as, and the lines with their cells: all that are wrong, and the first."""
    sheet = services.read_sheet(kind, run.params["text"], run.params.get("columns"))
    columns = [(at, head, sheet.examples(at), sheet.columns.get(head, "")) for at, head in enumerate(sheet.headings)]
    used = [one for one in kind.columns if one.name in sheet.columns.values()]
    names = {one.name for one in used}
    cells = dict(sheet.lines)
    fates = {int(str(fate["line"])): fate for fate in result["fates"]}
    wrong = {line for line, fate in fates.items() if fate["is_wrong"]}
    shown = sorted({*wrong, *list(fates)[:SHOWN]})
    rows = []
    for line in shown[:2000]:
        values, problems = sheet.values(cells.get(line, [])), fates[line].get("cells") or {}
        assert isinstance(problems, dict)
        row = [(one.name, values.get(one.name, ""), problems.get(one.name, "")) for one in used]
        rest = [f"{name}: {said}" if name else said for name, said in problems.items() if name not in names]
        rows.append((fates[line], row, rest))
    return {
        "columns": columns, "used": used, "rows": rows, "left_out": len(fates) - len(rows),
        "lacking": services.lacking(kind, sheet),
    }  # fmt: skip


@roles_required(*OFFICE)
@require_POST
def import_again(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """Look again, with other columns."""
    run = _run_for(request, pk)
    kind = kinds.get(run.params.get("kind", "jobs"))
    if not run.params["dry"] or kind is None:
        raise Http404
    sheet = services.read_sheet(kind, run.params["text"], run.params.get("columns"))
    known = {one.name for one in kind.columns}
    chosen = {head: request.POST.get(f"column-{at}", "") for at, head in enumerate(sheet.headings)}
    chosen = {head: name for head, name in chosen.items() if name in known}
    if len(set(chosen.values())) < len(chosen):
        messages.error(request, "Two columns are read as the same. Choose each once.")
        return redirect("jobs:import_run", run.pk)
    with refusals_shown(request):
        job = Job.objects.visible_to(request.user).filter(pk=run.params.get("job")).first()
        run = services.ask_for_import(
            branch=request.user.own_branch, text=run.params["text"], by=request.user, dry=True, kind=kind.key,
            columns=chosen, source=run.params.get("source", ""), job=job,
        )  # fmt: skip
    return redirect("jobs:import_run", run.pk)


@roles_required(*OFFICE)
@require_POST
def import_confirm(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """Take in the lines that can be."""
    run = _run_for(request, pk)
    if not run.result or not run.result.get("dry"):
        raise Http404
    params = run.params
    with refusals_shown(request):
        run = services.ask_for_import(
            branch=request.user.own_branch, text=params["text"], by=request.user, dry=False, look=run,
            kind=params.get("kind", "jobs"), columns=params.get("columns"), source=params.get("source", ""),
            job=Job.objects.visible_to(request.user).filter(pk=params.get("job")).first(),
        )  # fmt: skip
    return redirect("jobs:import_run", run.pk)


@roles_required(*OFFICE)
@require_POST
def import_undo(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """Take back what an import made, where nothing hangs on it."""
    run = _run_for(request, pk)
    with refusals_shown(request):
        services.ask_to_undo(run=run, by=request.user)
    return redirect("jobs:import_run", run.pk)
