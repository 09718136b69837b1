"""One opening: readings, facts, what is in the way, photos, options."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import job_for
from measuring.access import (
    ASKS,
    MEASURES,
    NOTES_TEMPLATES,
    SEES_SIZES,
    bay_for,
    conflict_for,
    group_for,
    obstruction_for,
    opening_for,
    photo_for,
    reading_for,
    tape_for,
    template_for,
    unit_for,
)
from measuring.adapters.evaluation import alternatives_for
from measuring.adapters.facts import About, clean_facts
from measuring.adapters.options import offers_of_units
from measuring.adapters.summaries import OpeningSummary, drawing_of_bay, opening_summary, openings_of_job, walls_of
from measuring.forms import (
    BayForm,
    FactsForm,
    GroupForm,
    ObstructionForm,
    OptionsForm,
    PhotoForm,
    ReasonForm,
    TemplateForm,
)
from measuring.models import Opening, Reading, Spot, Unit
from measuring.rules.shapes import RECTANGLE
from measuring.services import bays, openings, sizes, templates
from measuring.services import readings as reading_services
from measuring.services.changes import CHANGEABLE
from measuring.services.visits import visit_at
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.models import User
from shared.pictures import picture_answer, refuse_large
from shared.versions import edits


def _option_forms(units: list[Unit], user: User) -> list[tuple[Unit, OptionsForm]]:
    offered = offers_of_units(units)
    return [(one, OptionsForm(one, offered[one.pk], user=user)) for one in units]


def _page(
    request: SignedInRequest,
    opening: Opening,
    *,
    summary: OpeningSummary | None = None,
    status: int = 200,
    **forms: object,
) -> HttpResponse:
    summary = summary or opening_summary(opening, exaggerate=request.GET.get("taper") == "10")
    visit = visit_at(opening)
    user = request.user
    siblings = [one.pk for one in openings_of_job(opening.job)] if opening.state != Opening.State.DROPPED else []
    at = siblings.index(opening.pk) if opening.pk in siblings else -1
    context = {
        "opening": opening,
        "job": opening.job,
        "unit": opening.job.branch.unit,
        "summary": summary,
        "visit": visit,
        "tapes": user.tapes.filter(is_retired=False),
        "tape": (visit.tape if visit and visit.measurer_id == user.pk else None)
        or user.tapes.filter(is_retired=False).first(),
        "facts_form": FactsForm(opening, user=user),
        "option_forms": _option_forms(summary.units, user),
        "obstruction_form": ObstructionForm(user=user, unit=opening.job.branch.unit),
        "photo_form": PhotoForm(user=user),
        "reason_form": ReasonForm(user=user),
        "conflicts": opening.fact_conflicts.filter(settled_at=None).select_related("offered_by"),
        "before": siblings[at - 1] if at > 0 else None,
        "after": siblings[at + 1] if 0 <= at < len(siblings) - 1 else None,
        "templates": list(opening.templates.select_related("job", "made_by")) if opening.shape != RECTANGLE else [],
        "template_form": TemplateForm(user=user) if opening.shape != RECTANGLE else None,
        "may_note_templates": user.has_role(*NOTES_TEMPLATES),
        "may_write": user.has_role(*MEASURES),
        "may_ask": user.has_role(*ASKS),
        "changeable": CHANGEABLE,
        "spots": Spot.choices,
    }
    return render(request, "measuring/opening.html", context | forms, status=status)


@roles_required(*SEES_SIZES)
@require_GET
def opening(request: SignedInRequest, pk: int) -> HttpResponse:
    """An opening with everything known of it."""
    return _page(request, opening_for(request.user, pk))


@roles_required(*MEASURES)
@require_POST
def readings(request: SignedInRequest, pk: int) -> HttpResponse:
    """Every box that says something new; what is refused stands beside its box, the rest is kept."""
    now = opening_for(request.user, pk)
    visit, user = visit_at(now), request.user
    tape = tape_for(user, int(request.POST["tape"])) if request.POST.get("tape", "").isdigit() else None
    grade = Reading.Grade.ROUGH if request.POST.get("rough") else Reading.Grade.FINAL
    problems: dict[str, str] = {}
    typed: dict[str, str] = {}
    kept = 0
    for box in opening_summary(now).boxes:
        sent = request.POST.get(box.name, "").strip()[:80]
        with_case = bool(request.POST.get(f"case:{box.name}"))
        regrade = box.reading is not None and box.reading.grade != grade and bool(request.POST.get("regrade"))
        if not sent or (sent == box.typed and not with_case and not regrade):
            continue
        try:
            reading_services.record_reading(
                opening=now,
                spot=box.ask.spot,
                turn=box.ask.turn,
                typed=sent,
                by=user,
                visit=visit,
                tape=tape,
                with_case=with_case,
                grade=grade,
            )
            kept += 1
        except Refused as refusal:
            problems[box.name], typed[box.name] = refusal.problem, sent
    if not problems:
        if kept:
            messages.success(request, f"{kept} reading{'s' if kept != 1 else ''} kept.")
        return redirect("measuring:opening", pk)
    now = opening_for(user, pk)
    summary = opening_summary(now, typed=typed)
    for box in summary.boxes:
        box.error = problems.get(box.name, "")
    return _page(request, now, summary=summary, status=422)


@roles_required(*MEASURES)
@require_POST
def add_reading(request: SignedInRequest, pk: int) -> HttpResponse:
    """One reading at any spot, such as a diagonal nobody asked for."""
    now = opening_for(request.user, pk)
    return _done(
        request,
        now,
        lambda: reading_services.record_reading(
            opening=now,
            spot=request.POST.get("spot", ""),
            typed=request.POST.get("typed", ""),
            by=request.user,
            visit=visit_at(now),
        ),
    )


@roles_required(*MEASURES)
@require_POST
def reading_action(request: SignedInRequest, pk: int, action: str) -> HttpResponse:
    """Confirm it, keep it against another, or take it back."""
    one = reading_for(request.user, pk)
    actions: dict[str, Callable[..., object]] = {
        "same": reading_services.confirm_reading,
        "keep": reading_services.keep_reading,
        "back": reading_services.withdraw_reading,
    }
    return _done(request, one.opening, lambda: actions[action](reading=one, by=request.user))


@roles_required(*MEASURES)
@require_http_methods(["POST"])
def facts(request: SignedInRequest, pk: int) -> HttpResponse:
    """Product, mount, substrate and the rest."""
    now = opening_for(request.user, pk)
    form = FactsForm(now, request.POST, user=request.user)
    if form.is_valid():
        sent = form.facts()
        about = About(now.job.branch.unit, now.job_id, now.job.branch_id, now)
        clean, problems = clean_facts(sent, about)
        fit = {name: value for name, value in sent.items() if name in clean}
        try:
            openings.change_opening(opening=now, by=request.user, facts=fit)
        except Refused as refusal:
            problems[refusal.field] = refusal.problem
        for name, problem in problems.items():
            form.problem(name, problem)
        if not problems:
            messages.success(request, "Kept.")
            return redirect("measuring:opening", pk)
    return _page(request, opening_for(request.user, pk), status=422, facts_form=form)


@roles_required(*MEASURES)
@require_POST
def obstruction(request: SignedInRequest, pk: int) -> HttpResponse:
    """Something in the way."""
    now = opening_for(request.user, pk)
    form = ObstructionForm(request.POST, user=request.user)
    if form.is_valid():
        data = form.cleaned_data
        with refusals_to(form.refuse):
            reading_services.add_obstruction(opening=now, by=request.user, **data)
            return redirect("measuring:opening", pk)
    return _page(request, now, status=422, obstruction_form=form)


@roles_required(*MEASURES)
@require_POST
def remove_obstruction(request: SignedInRequest, pk: int) -> HttpResponse:
    """It is not there."""
    thing = obstruction_for(request.user, pk)
    return _done(
        request, thing.opening, lambda: reading_services.remove_obstruction(obstruction=thing, by=request.user)
    )


@roles_required(*MEASURES)
@require_POST
def add_photo(request: SignedInRequest, pk: int) -> HttpResponse:
    """A photo."""
    now = opening_for(request.user, pk)
    form = PhotoForm(request.POST, request.FILES, user=request.user)
    if form.is_valid():
        sent = form.cleaned_data["photo"]
        with refusals_to(form.refuse):
            refuse_large(sent.size)
            reading_services.add_photo(
                opening=now, data=sent.read(), caption=form.cleaned_data["caption"], by=request.user
            )
            messages.success(request, "Photo kept.")
            return redirect("measuring:opening", pk)
    return _page(request, now, status=422, photo_form=form)


@roles_required(*SEES_SIZES)
@require_GET
def photo(request: SignedInRequest, pk: int) -> HttpResponse:
    """The picture itself, for who may see the opening."""
    return picture_answer(photo_for(request.user, pk).file)


@roles_required(*MEASURES)
@require_POST
def show_photo(request: SignedInRequest, pk: int) -> HttpResponse:
    """On the customer's page, or not any more."""
    one, is_shown = photo_for(request.user, pk), "show" in request.POST
    return _done(
        request, one.opening, lambda: reading_services.show_photo(photo=one, is_shown=is_shown, by=request.user)
    )


@roles_required(*MEASURES)
@require_POST
def remove_photo(request: SignedInRequest, pk: int) -> HttpResponse:
    """Not shown any more."""
    one = photo_for(request.user, pk)
    return _done(request, one.opening, lambda: reading_services.remove_photo(photo=one, by=request.user))


@roles_required(*MEASURES)
@require_POST
def make_template(request: SignedInRequest, pk: int) -> HttpResponse:
    """A template was traced and marked."""
    now = opening_for(request.user, pk)
    form = TemplateForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            made = templates.make_template(opening=now, by=request.user, **form.cleaned_data)
            messages.success(request, f"Write {made.number} on it.")
            return redirect("measuring:opening", pk)
    return _page(request, now, status=422, template_form=form)


@roles_required(*NOTES_TEMPLATES)
@require_POST
def template_action(request: SignedInRequest, pk: int, action: str) -> HttpResponse:
    """Where a template is: sent, returned, kept, discarded; or the last of these taken back."""
    one, said = template_for(request.user, pk), request.POST.get("said", "")[:240]
    return _done(
        request, one.opening, lambda: templates.note_where(template=one, to=action, said=said, by=request.user)
    )


@roles_required(*MEASURES)
@require_POST
def options(request: SignedInRequest, pk: int) -> HttpResponse:
    """What one unit is made with, or every unit of its opening."""
    unit = unit_for(request.user, pk)
    now = opening_for(request.user, unit.opening_id)
    form = OptionsForm(unit, offers_of_units([unit])[unit.pk], request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            if request.POST.get("all"):
                sizes.set_options_of_opening(opening=now, options=form.cleaned_data, by=request.user)
            else:
                sizes.set_options(unit=unit, options=form.cleaned_data, by=request.user)
            messages.success(request, "Options kept.")
            if request.POST.get("from") == "sizes":
                return redirect("measuring:sizes", now.job_id)
            return redirect("measuring:opening", now.pk)
    summary = opening_summary(now)
    forms = [(one, form if one.pk == unit.pk else other) for one, other in _option_forms(summary.units, request.user)]
    return _page(request, now, summary=summary, status=422, option_forms=forms)


@roles_required(*MEASURES)
@require_POST
def opening_action(request: SignedInRequest, pk: int, action: str) -> HttpResponse:
    """Copy it, take it up again, or say why it can't be covered, wasn't reached, is dropped."""
    now = opening_for(request.user, pk)
    user = request.user
    if action == "copy":
        made: list[Opening] = []
        answer = _done(
            request, now, lambda: made.append(openings.copy_opening(opening=now, by=user, visit=visit_at(now)))
        )
        return redirect("measuring:opening", made[0].pk) if made else answer
    if action == "again":
        return _done(request, now, lambda: openings.take_up_again(opening=now, by=user))
    actions: dict[str, Callable[..., object]] = {
        "cannot": openings.mark_cannot,
        "not_reached": openings.mark_not_reached,
        "drop": openings.drop_opening,
    }
    form = ReasonForm(request.POST, user=user)
    if form.is_valid() or action == "drop":
        with refusals_to(form.refuse):
            actions[action](opening=now, by=user, reason=request.POST.get("reason", ""))
            return redirect("measuring:opening", pk)
    return _page(request, now, status=422, reason_form=form, reason_for=action)


@roles_required(*MEASURES)
@require_POST
def settle(request: SignedInRequest, pk: int) -> HttpResponse:
    """Which of two answers stands."""
    one = conflict_for(request.user, pk)
    take = request.POST.get("take") == "offered"
    return _done(request, one.opening, lambda: openings.settle_fact(conflict=one, take_offered=take, by=request.user))


@roles_required(*MEASURES)
@require_GET
def alternatives(request: SignedInRequest, pk: int) -> HttpResponse:
    """Every product of the range tried on this opening, loaded when asked."""
    now = opening_for(request.user, pk)
    return render(
        request,
        "measuring/_alternatives.html",
        {"opening": now, "tried": alternatives_for(now), "unit": now.job.branch.unit},
    )


@roles_required(*MEASURES)
@require_http_methods(["GET", "POST"])
def groups(request: SignedInRequest, job_pk: int) -> HttpResponse:
    """The job's groups: bays, corners, pairs, line-ups, layers."""
    job = job_for(request.user, job_pk)
    rows = openings_of_job(job)
    form = GroupForm(rows, request.POST if request.method == "POST" else None, user=request.user)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        chosen = [one for one in rows if str(one.pk) in data["openings"]]
        with refusals_to(form.refuse):
            made = openings.make_group(
                job=job,
                kind=data["kind"],
                name=data["name"],
                openings=chosen,
                bottoms_level=data["bottoms_level"],
                by=request.user,
            )
            return redirect("measuring:bay", made.pk) if made.is_bay() else redirect("measuring:groups", job_pk)
    context = {"job": job, "form": form, "groups": job.groups.prefetch_related("openings__room")}
    return render(request, "measuring/groups.html", context, status=422 if form.errors else 200)


@roles_required(*MEASURES)
@require_http_methods(["GET", "POST"])
@edits
def bay(request: SignedInRequest, pk: int) -> HttpResponse:
    """A bay or corner: its walls and angles, who runs past, and the sizes that follow."""
    group = bay_for(request.user, pk)
    form = BayForm(group, walls_of(group), request.POST if request.method == "POST" else None, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            bays.set_bay(
                group=group,
                corners=form.corners(),
                walls=form.by_opening("wall"),
                stands_off=form.by_opening("off"),
                room_between=form.cleaned_data["room_between"],
                by=request.user,
            )
            messages.success(request, "Bay saved.")
            return redirect("measuring:bay", pk)
    context = {"job": group.job, "group": group, "form": form, "drawing": drawing_of_bay(group)}
    return render(
        request, "measuring/bay.html", context | {"unit": group.job.branch.unit}, status=422 if form.errors else 200
    )


@roles_required(*MEASURES)
@require_POST
def ungroup(request: SignedInRequest, pk: int) -> HttpResponse:
    """Openings on their own again."""
    group = group_for(request.user, pk)
    openings.ungroup(group=group, by=request.user)
    return redirect("measuring:groups", group.job_id)


def _done(request: SignedInRequest, opening: Opening, action: Callable[[], object]) -> HttpResponse:
    """Do it and go back to the opening; what was refused stands among the messages."""
    with refusals_shown(request):
        action()
    return redirect("measuring:opening", opening.pk)
