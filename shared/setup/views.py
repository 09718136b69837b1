"""The set-up's pages: the list of its steps, and the steps that come before anybody has an account."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth import login
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from shared import roles, setup
from shared.access import may_try, tried_in_vain
from shared.codes import secret_hash
from shared.errors import Refused
from shared.forms import BranchForm, CodeForm, OwnerForm, PageForm, PageModelForm
from shared.models import Branch, User
from shared.second_factor import door
from shared.setup import services
from shared.setup.forms import FirmForm

OPENED = "setup_code"
"""Where a session keeps the hash of the code it was opened with."""
TRIES = "the set-up's code"


def person_of(request: HttpRequest) -> User | None:
    """Who is signed in, if anybody."""
    return request.user if isinstance(request.user, User) else None


def may_set_up(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """For an owner; while nobody has an account, for whoever typed the code from the terminal."""

    @wraps(view)
    def inner(request: HttpRequest) -> HttpResponse:
        person = person_of(request)
        if person is not None:
            if not person.has_role(roles.OWNER):
                raise PermissionDenied
        elif services.stands():
            return redirect_to_login(request.get_full_path())
        elif not services.opens_setup(request.session.get(OPENED, "")):
            return _ask_code(request)
        return view(request)

    return inner


def _ask_code(request: HttpRequest) -> HttpResponse:
    """The code's page, in place of whatever was asked for."""
    form = CodeForm(request.POST if "code" in request.POST else None)
    if form.is_bound and not may_try(request, TRIES):
        form.add_error("code", "Too many wrong codes. Wait a quarter of an hour.")
    elif form.is_valid():
        hashed = secret_hash(form.cleaned_data["code"])
        if services.opens_setup(hashed):
            request.session.cycle_key()
            request.session[OPENED] = hashed
            return redirect("shared:setup")
        tried_in_vain(request, TRIES)
        form.add_error("code", "This is not the code. The newest one stands in the terminal.")
    return render(request, "shared/setup/code.html", {"form": form}, status=422 if form.errors else 200)


@may_set_up
def steps(request: HttpRequest) -> HttpResponse:
    """Every step, what stands of it, and the next one to do."""
    if person_of(request) is None and not any(standing for _, standing, _ in steps_shown(request)):
        return redirect("shared:setup_firm")
    context = step_context(request, "", first_job=next(iter(setup.leads_to), ""))
    return render(request, "shared/setup/steps.html", context)


def steps_shown(request: HttpRequest) -> list[tuple[setup.Step, str, bool]]:
    """Each step, what stands of it, and whether it can be opened now."""
    person = person_of(request)
    branch = person.branch if person else None
    found, reached = [], True
    for step in setup.steps():
        standing = step.standing(branch)
        found.append((step, standing, reached if step.position <= OWNER else person is not None and branch is not None))
        reached = reached and bool(standing)
    return found


OWNER = 30
"""The position of the last step that comes before the first account."""


def step_context(request: HttpRequest, here: str, **more: object) -> dict[str, Any]:
    """What the page of a step needs beside its own."""
    rows = steps_shown(request)
    left = [step for step, standing, opens in rows if not standing and opens and step.url_name != here]
    return {
        "steps": rows,
        "here": here,
        "next": next((step for step in left if not step.can_wait), None),
        "ready": person_of(request) is not None and all(standing or step.can_wait for step, standing, _ in rows),
        **more,
    }


def next_step(request: HttpRequest, here: str) -> HttpResponse:
    """On to the first step that lacks something after this one, else to the list."""
    rows = steps_shown(request)
    after = [step for step, standing, _ in rows if not standing and not step.can_wait and step.url_name != here]
    return redirect(after[0].url_name if after else "shared:setup")


def step_page(
    request: HttpRequest, here: str, form: PageForm | Any, template: str = "", **more: object
) -> HttpResponse:
    """A step's page: 422 when what was sent is refused."""
    context = step_context(request, here, form=form, **more)
    title = next(step.title for step in setup.steps() if step.url_name == here)
    refused = bool(form.is_bound and form.errors)
    return render(
        request, template or "shared/setup/step.html", {**context, "title": title}, status=422 if refused else 200
    )


def taken(form: PageForm | PageModelForm, keep: Callable[[], object]) -> bool:
    """Whether a form was right and its service kept it; what the service refused stands beside its field."""
    if not (form.is_bound and form.is_valid()):
        return False
    try:
        keep()
    except Refused as refusal:
        form.refuse(refusal)
        return False
    return True


@may_set_up
def firm(request: HttpRequest) -> HttpResponse:
    """The firm's name."""
    form = FirmForm(request.POST if "name" in request.POST else None, initial={"name": services.the_firm().name})
    if taken(form, lambda: services.name_firm(by=person_of(request), **form.cleaned_data)):
        return next_step(request, "shared:setup_firm")
    return step_page(request, "shared:setup_firm", form)


@may_set_up
def branch(request: HttpRequest) -> HttpResponse:
    """The first branch; once somebody has an account it is changed on the firm's page."""
    person, found = person_of(request), Branch.objects.first()
    if person is not None and found is not None:
        return redirect("shared:branch", person.branch_id or found.pk)
    if not services.the_firm().name:
        return redirect("shared:setup_firm")
    begun = found or Branch(name=services.the_firm().name)
    form = BranchForm(request.POST if "name" in request.POST else None, instance=begun)

    def keep() -> None:
        if found is None:
            services.open_first_branch(by=person, **form.facts())
        else:
            services.change_first_branch(branch=Branch.objects.get(pk=found.pk), **form.facts())

    if taken(form, keep):
        return next_step(request, "shared:setup_branch")
    return step_page(request, "shared:setup_branch", form)


@may_set_up
def owner(request: HttpRequest) -> HttpResponse:
    """The first account, which is signed in at once."""
    found = Branch.objects.first()
    if person_of(request) is not None:
        return redirect("shared:account")
    if found is None:
        return redirect("shared:setup_branch")
    form = OwnerForm(request.POST if "username" in request.POST else None)
    made: list[User] = []
    if taken(form, lambda: made.append(services.give_first_owner(branch=found, **form.facts()))):
        login(request, made[0], backend=door.BACKEND)
        request.session[door.NEWCOMER] = True
        return next_step(request, "shared:setup_owner")
    return step_page(request, "shared:setup_owner", form)
