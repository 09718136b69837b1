"""The pages of the second step: at sign-in, on one's own account, of the firm."""

from __future__ import annotations

import json
import time
from typing import Any

from allauth.mfa.adapter import get_adapter
from allauth.mfa.totp.internal.auth import clear_totp_secret, get_totp_secret
from allauth.mfa.webauthn.internal import auth as webauthn
from django.contrib import messages
from django.contrib.auth import authenticate
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from shared import signins
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_shown, refusals_to
from shared.models import User
from shared.roles import OWNER
from shared.second_factor import door, services
from shared.second_factor.forms import AppForm, AskForm, PasskeyForm, ProveForm, StepForm, UsedPasskeyForm
from shared.setup.services import the_firm
from shared.versions import edits

TOO_OFTEN = "Too many wrong codes. Wait a quarter of an hour."


def _page(request: HttpRequest, name: str, form: BaseForm, **context: object) -> HttpResponse:
    refused = form.is_bound and bool(form.errors)
    answer = render(
        request, f"shared/second_step/{name}.html", {"form": form, **context}, status=422 if refused else 200
    )
    answer["Cache-Control"] = "no-store"
    return answer


# -- at sign-in -----------------------------------------------------------------------------------


@never_cache
def second_step(request: HttpRequest) -> HttpResponse:
    """A code or a passkey, after the password."""
    person = door.who_waits(request)
    if person is None:
        return redirect("shared:sign_in")
    by_passkey = "credential" in request.POST
    form = StepForm(request.POST if request.method == "POST" and not by_passkey else None)
    refused = ""
    if request.method == "POST" and not door.may_step(request, person):
        refused = TOO_OFTEN
    elif by_passkey:
        if _passkey_fits(request, person):
            return door.passed(request, person)
        door.stepped_in_vain(request, person)
        refused = "This passkey is none of yours here, or took too long. Try again, or type a code."
    elif form.is_valid():
        if services.takes_code(person=person, code=form.cleaned_data["code"]):
            return door.passed(request, person)
        door.stepped_in_vain(request, person)
        form.add_error("code", "Wrong code, or one that was used. Wait for the next one.")
    has_passkey = services.steps_of(person).filter(type=services.Type.WEBAUTHN).exists()
    options = json.dumps(webauthn.begin_authentication(person)) if has_passkey else ""
    has_app = services.steps_of(person).filter(type=services.Type.TOTP).exists()
    answer = _page(request, "sign_in", form, person=person, options=options, refused=refused, has_app=has_app)
    if refused:
        answer.status_code = 429 if refused == TOO_OFTEN else 422
    return answer


def _passkey_fits(request: HttpRequest, person: User) -> bool:
    form = UsedPasskeyForm(request.POST)
    if not form.is_valid() or not isinstance(form.cleaned_data["credential"], dict):
        return False
    try:
        webauthn.parse_authentication_response(form.cleaned_data["credential"])
        used = webauthn.complete_authentication(person, form.cleaned_data["credential"])
    except (ValidationError, ValueError, TypeError, KeyError):
        return False
    return services.takes_passkey(person=person, used=used)


# -- one's own ----------------------------------------------------------------------------------


@login_required
@require_GET
@never_cache
def second_steps(request: SignedInRequest) -> HttpResponse:
    """What somebody signs in with beside the password."""
    context = {
        "rows": list(services.steps_of(request.user)),
        "has_app": services.steps_of(request.user).filter(type=services.Type.TOTP).exists(),
        "left": services.codes_left(request.user),
        "lacks": door.lacks(request.user),
    }
    return render(request, "shared/second_step/mine.html", context)


@login_required
@never_cache
def prove(request: SignedInRequest) -> HttpResponse:
    """The password again, before second steps are changed."""
    form = ProveForm(request.POST or None)
    wanted = request.POST.get("next") or request.GET.get("next", "")
    if not url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure()):
        wanted = reverse("shared:second_steps")
    if form.is_valid():
        if authenticate(request, username=request.user.username, password=form.cleaned_data["password"]) is not None:
            request.session[signins.PROVED] = time.time()
            return redirect(wanted)
        form.add_error("password", "Wrong password.")
    return _page(request, "prove", form, next=wanted)


@door.freshly_signed_in
@never_cache
def add_app(request: SignedInRequest) -> HttpResponse:
    """An app that shows codes."""
    form = AppForm(request.POST or None)
    secret = get_totp_secret()
    if form.is_valid():
        with refusals_to(form.refuse):
            services.add_app(person=request.user, secret=secret, code=form.cleaned_data["code"])
            clear_totp_secret(request)
            return _set_up(request)
    address = get_adapter().build_totp_url(request.user, secret)
    spaced = " ".join(secret[at : at + 4] for at in range(0, len(secret), 4))
    return _page(request, "app", form, secret=spaced, address=address)


@door.freshly_signed_in
@never_cache
def add_passkey(request: SignedInRequest) -> HttpResponse:
    """A passkey: of this device, a phone, or a key to plug in."""
    form = PasskeyForm(request.POST or None)
    if form.is_valid() and _is_new_passkey(form):
        with refusals_to(form.refuse):
            services.add_passkey(person=request.user, **form.cleaned_data)
            return _set_up(request)
    options = json.dumps(webauthn.begin_registration(request.user, passwordless=False))
    return _page(request, "passkey", form, options=options)


def _is_new_passkey(form: PasskeyForm) -> bool:
    try:
        webauthn.parse_registration_response(form.cleaned_data["credential"])
        webauthn.complete_registration(form.cleaned_data["credential"])
    except (ValidationError, ValueError, TypeError, KeyError):
        form.add_error(None, "The browser's answer does not fit this page, or took too long. Try again.")
        return False
    return True


def _set_up(request: SignedInRequest) -> HttpResponse:
    """This session goes on, by itself where it was the first step; then the recovery codes, while nobody saw them."""
    kept = services.recovery_of(request.user)
    door.login_again(request)
    if kept is not None and not kept.did_view:
        return redirect("shared:recovery_codes")
    messages.success(request, "It is set up.")
    return redirect("shared:second_steps")


@door.freshly_signed_in
@never_cache
def recovery_codes(request: SignedInRequest) -> HttpResponse:
    """The recovery codes, once; a POST makes others."""
    if request.method == "POST":
        with refusals_shown(request):
            services.new_recovery_codes(person=request.user)
            return redirect("shared:recovery_codes")
        return redirect("shared:second_steps")
    kept = services.recovery_of(request.user)
    if kept is None or kept.did_view:
        messages.info(request, "Recovery codes are shown once. Make new ones where you lost them.")
        return redirect("shared:second_steps")
    codes = [f"{code[:4]} {code[4:8]} {code[8:]}" for code in kept.get_unused_codes()]
    kept.mark_as_viewed()
    answer = render(request, "shared/second_step/codes.html", {"codes": codes})
    answer["Cache-Control"] = "no-store"
    return answer


@door.freshly_signed_in
@require_POST
def remove_step(request: SignedInRequest, pk: int) -> HttpResponse:
    """Takes an app or passkey away."""
    with refusals_shown(request):
        services.remove(person=request.user, pk=pk)
        messages.success(request, "It is removed.")
    return redirect("shared:second_steps")


# -- the firm's -----------------------------------------------------------------------------------


@roles_required(OWNER)
@edits
def firm_second_step(request: SignedInRequest) -> HttpResponse:
    """The roles that a second step is asked of."""
    form = AskForm(request.POST or None, instance=the_firm())
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            services.ask_of(by=request.user, **form.facts())
            messages.success(request, "The rule is kept.")
            return redirect("shared:firm")
    people: Any = User.people.visible_to(request.user).filter(is_active=True, second_step_asked=True)
    missing = people.filter(second_step_at=None)
    return _page(request, "firm", form, missing=missing)


@roles_required(OWNER)
@require_POST
def reset_second_step(request: SignedInRequest, pk: int) -> HttpResponse:
    """Takes the second steps of somebody who lost theirs."""
    found = get_object_or_404(User.people.visible_to(request.user), pk=pk)
    with refusals_shown(request):
        services.reset(person=found, by=request.user)
        messages.success(request, f"{found} signs in by password alone, until they set another second step up.")
    if found == request.user:
        return redirect("shared:sign_in")
    return redirect("shared:person", pk=pk)
