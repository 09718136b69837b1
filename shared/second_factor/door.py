"""Between the password and the session: who must take a second step, and who did."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from functools import wraps
from typing import Any, Final
from urllib.parse import urlencode

from axes.models import AccessAttempt
from axes.utils import reset as forget_tries
from django.conf import settings
from django.contrib.auth import login, logout
from django.contrib.auth.decorators import login_required
from django.db.models import Sum
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from rest_framework.exceptions import AuthenticationFailed

from shared import signins
from shared.access import SPRAYED, SignedInRequest, View, may_try, tried_in_vain
from shared.models import User
from shared.second_factor import services

WAITS: Final = "waits_for_second_step"
"""Who proved a password in this session and has a second step to take."""

PASSED: Final = "second_step"
"""That this session took it."""

NEWCOMER: Final = "made_the_firm"
"""That this session made the firm: its owner sets a second step up at the next sign-in."""

WAITS_FOR: Final = 600
"""Seconds within which the second step is taken, or the password is asked again."""

PROVED_FOR: Final = 900
"""Seconds for which a sign-in is fresh enough to change second steps."""

BACKEND: Final = "shared.access.Accounts"
NEEDED: Final = "Set up a second step first: your firm asks it of you. It is on your account's page."


def let_in(request: HttpRequest, person: User, *, then: str) -> HttpResponse:
    """Signs somebody in whose password is proved: at once, or once they took their second step."""
    if not services.has_one(person):
        login(request, person, backend=BACKEND)
        return redirect(then)
    request.session.cycle_key()
    request.session[WAITS] = {
        "person": person.pk, "proof": person.get_session_auth_hash(), "at": time.time(), "then": then,
    }  # fmt: skip
    return redirect("shared:second_step")


def who_waits(request: HttpRequest) -> User | None:
    """Who proved their password in this session lately and takes the second step now."""
    waits = request.session.get(WAITS)
    if not waits or time.time() - waits["at"] > WAITS_FOR:
        return None
    person = User.objects.select_related("branch").filter(pk=waits["person"], is_active=True).first()
    return person if person is not None and person.get_session_auth_hash() == waits["proof"] else None


def passed(request: HttpRequest, person: User) -> HttpResponse:
    """The second step is taken: signed in."""
    then = request.session.pop(WAITS)["then"]
    forget_tries(username=signins.second_step_of(person))
    login(request, person, backend=BACKEND)
    request.session[PASSED] = True
    return redirect(then)


def may_step(request: HttpRequest, person: User) -> bool:
    """Whether another code may be typed: by this address, and of this person from anywhere."""
    what = signins.second_step_of(person)
    since = timezone.now() - dt.timedelta(hours=settings.AXES_COOLOFF_TIME)
    tries = AccessAttempt.objects.filter(username=what, attempt_time__gte=since)
    times: int = tries.aggregate(times=Sum("failures_since_start"))["times"] or 0
    return times < SPRAYED and may_try(request, what)


def stepped_in_vain(request: HttpRequest, person: User) -> None:
    """A wrong code, or a passkey that is none of theirs."""
    tried_in_vain(request, signins.second_step_of(person))


def lacks(person: User) -> bool:
    """Whether a second step is asked of somebody who has none."""
    return person.second_step_asked and person.second_step_at is None


def demand_second_step(person: User) -> None:
    """No token or phone is a way around: it waits until its person has the second step that is asked of them."""
    if lacks(person):
        raise AuthenticationFailed(NEEDED)


class SecondStepMiddleware:
    """
    A session without the second step of a person who has one is ended, wherever it comes from.

    Who has none and is asked for it sets it up before anything else.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        person = request.user
        if isinstance(person, User):
            if person.second_step_at is not None and not request.session.get(PASSED):
                logout(request)
            elif lacks(person) and not request.session.get(NEWCOMER) and not request.path.startswith(_open()):
                return _asked(request)
        return self.get_response(request)


def _open() -> tuple[str, ...]:
    """What somebody reaches who has to set a second step up."""
    names = ("second_steps", "sign_out", "prove", "healthz", "readyz", "worker")
    return tuple(reverse(f"shared:{name}") for name in names)


def _asked(request: HttpRequest) -> HttpResponse:
    if request.path.startswith("/api/"):
        said = {"type": "about:blank", "title": "Forbidden", "status": 403, "detail": NEEDED, "errors": []}
        return JsonResponse(said, status=403, content_type="application/problem+json")
    return redirect("shared:second_steps")


def freshly_signed_in(view: View) -> View:
    """A page for whoever signed in, or gave the password again, within a quarter of an hour."""

    @wraps(view)
    def inner(request: SignedInRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if time.time() - request.session.get(signins.PROVED, 0) > PROVED_FOR:
            back = request.get_full_path() if request.method == "GET" else reverse("shared:second_steps")
            return redirect(f"{reverse('shared:prove')}?{urlencode({'next': back})}")
        return view(request, *args, **kwargs)

    return login_required(inner)


def login_again(request: SignedInRequest) -> None:
    """Goes on after a second step was set up, which ended every other session: under a new key, as one that took it."""
    person = User.objects.select_related("branch").get(pk=request.user.pk)
    proved = request.session.get(signins.PROVED)
    request.session.cycle_key()  # its row is gone, and Django makes none anew for the same person
    login(request, person, backend=BACKEND)
    request.session[PASSED] = True
    request.session[signins.PROVED] = proved
