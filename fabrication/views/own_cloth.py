"""Cloth customers bring: what is expected, what came, what it measures."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fabrication.access import LOOKS, WORKS, own_cloth_for
from fabrication.forms import CheckClothForm, ExpectClothForm, ReceiveClothForm
from fabrication.models import OwnCloth
from fabrication.services import own_cloth as services
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_shown, refusals_to
from shared.forms import PageForm
from shared.lengths import Length


@roles_required(*LOOKS)
@require_http_methods(["GET", "POST"])
def own_cloths(request: SignedInRequest) -> HttpResponse:
    """All of it, what is expected first; expecting some more."""
    form = ExpectClothForm(request.POST or None, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            cloth = services.expect_cloth(by=request.user, **form.cleaned_data)
            return redirect("fabrication:own_cloth", cloth.pk)
    context = {"cloths": OwnCloth.objects.visible_to(request.user).select_related("job")[:80], "form": form}
    status = 422 if request.method == "POST" else 200
    return render(request, "fabrication/own_cloths.html", context, status=status)


@roles_required(*LOOKS)
@require_GET
def own_cloth(request: SignedInRequest, pk: int) -> HttpResponse:
    """One cloth, with the action that comes next."""
    return _page(request, own_cloth_for(request.user, pk))


def _page(request: SignedInRequest, cloth: OwnCloth, form: PageForm | None = None) -> HttpResponse:
    forms: dict[str, tuple[str, type[PageForm] | None, str]] = {
        OwnCloth.State.EXPECTED: ("own_cloth_receive", ReceiveClothForm, "It is here"),
        OwnCloth.State.RECEIVED: ("own_cloth_check", CheckClothForm, "Record what it measures"),
        OwnCloth.State.REFUSED: ("own_cloth_again", None, "Expect other cloth"),
    }
    name, kind, word = forms.get(cloth.state, ("", None, ""))
    context = {
        "cloth": cloth,
        "flaws": [(Length(start), Length(end)) for start, end in cloth.flaws],
        "action": f"fabrication:{name}" if name and request.user.has_role(*WORKS) else "",
        "word": word,
        "pieces": services.cloth_parts(cloth) if cloth.state == OwnCloth.State.ACCEPTED else (),
        "can_work": request.user.has_role(*WORKS),
        "left": services.left_of([cloth.job_id]).get(cloth.job_id, []),
        "given_back": services.given_back(cloth.job) if cloth.item else [],
        "form": form or (kind(user=request.user) if kind else None),
    }
    return render(request, "fabrication/own_cloth.html", context, status=422 if form else 200)


@roles_required(*WORKS)
@require_POST
def own_cloth_receive(request: SignedInRequest, pk: int) -> HttpResponse:
    """It came."""
    return _act(request, pk, ReceiveClothForm(request.POST, user=request.user), services.receive_cloth)


@roles_required(*WORKS)
@require_POST
def own_cloth_check(request: SignedInRequest, pk: int) -> HttpResponse:
    """What it measures."""
    return _act(request, pk, CheckClothForm(request.POST, user=request.user), services.check_cloth)


@roles_required(*WORKS)
@require_POST
def own_cloth_again(request: SignedInRequest, pk: int) -> HttpResponse:
    """Other cloth will come."""
    with refusals_shown(request):
        services.expect_again(cloth=own_cloth_for(request.user, pk), by=request.user)
    return redirect("fabrication:own_cloth", pk)


@roles_required(*WORKS)
@require_POST
def own_cloth_pieces(request: SignedInRequest, pk: int) -> HttpResponse:
    """What is cut from it."""
    cloth = own_cloth_for(request.user, pk)
    sent = {int(key) for key in request.POST.getlist("parts") if key.isdecimal()}
    with refusals_shown(request):
        sure = bool(request.POST.get("sure"))
        runs = services.cut_from_cloth(cloth=cloth, parts=sent, by=request.user, sure=sure)
        planned = f" and {len(runs)} cut plan{'s' if len(runs) > 1 else ''} made anew" if runs else ""
        messages.success(request, f"{len(sent)} pieces are cut from this cloth{planned}.")
    return redirect("fabrication:own_cloth", pk)


@roles_required(*WORKS)
@require_POST
def own_cloth_back(request: SignedInRequest, pk: int) -> HttpResponse:
    """The customer takes what remains of it."""
    cloth = own_cloth_for(request.user, pk)
    with refusals_shown(request):
        items = services.give_back(job=cloth.job, by=request.user)
        messages.success(request, f"{len(items)} piece{'' if len(items) == 1 else 's'} given back.")
    return redirect("fabrication:own_cloth", pk)


def _act(request: SignedInRequest, pk: int, form: PageForm, action: Callable[..., object]) -> HttpResponse:
    cloth = own_cloth_for(request.user, pk)
    if form.is_valid():
        sent = form.values() if isinstance(form, CheckClothForm) else dict(form.cleaned_data)
        with refusals_to(form.refuse):
            action(cloth=cloth, by=request.user, **sent)
            return redirect("fabrication:own_cloth", pk)
    return _page(request, cloth, form)
