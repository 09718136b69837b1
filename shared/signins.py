"""Where somebody is signed in, with which phones and tokens, since when and last used; each ended by itself."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from axes.models import AccessFailureLog
from django.contrib.auth.signals import user_logged_in
from django.contrib.sessions.models import Session
from django.db import transaction
from django.dispatch import receiver
from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from rest_framework.authtoken.models import Token

from shared import audit
from shared.access import address_of
from shared.errors import AWAY
from shared.models import ApiToken, SignIn, User

SEEN: Final = "seen_at"
PROVED: Final = "proved_at"
"""Where a session keeps when its password was last given."""

NOTED_EVERY: Final = 300
"""Seconds between two notes that a session is in use."""

KEPT_FOR: Final = dt.timedelta(days=90)
MOST_SHOWN: Final = 100


@dataclass(frozen=True, slots=True)
class Access:
    """One way in that somebody has: a session, a phone, a token of the API."""

    kind: str
    key: str
    what: str
    since: dt.datetime
    used_at: dt.datetime | None
    is_here: bool = False


class SignInMiddleware:
    """Notes now and then that a session is in use; stands inside of sign-in."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if SEEN in request.session and request.user.is_authenticated:
            now = timezone.now()
            if now.timestamp() - request.session[SEEN] > NOTED_EVERY:
                with suppress(*AWAY):  # a page that is only looked at opens on a full disk too
                    _note(request, request.user)
                    request.session[SEEN] = now.timestamp()
                    request.session.save()
        return response


@receiver(user_logged_in)
def signed_in(request: HttpRequest, user: User, **kwargs: object) -> None:
    """A row of its own for every sign-in."""
    if not hasattr(request, "session"):
        return
    request.session[SEEN] = request.session[PROVED] = timezone.now().timestamp()
    if request.session.session_key is None:
        request.session.save()
    _note(request, user)


def _note(request: HttpRequest, user: User) -> None:
    now, key = timezone.now(), request.session.session_key or ""
    if not SignIn.objects.filter(session_key=key).update(last_seen_at=now):
        agent = request.headers.get("User-Agent", "")[:200]
        SignIn.objects.create(user=user, session_key=key, address=address_of(request), agent=agent, last_seen_at=now)


def carried_over(request: HttpRequest, before: str | None) -> None:
    """A session that got another key, with a new password, is the same sign-in."""
    SignIn.objects.filter(session_key=before).update(session_key=request.session.session_key)


def accesses(person: User, *, here: str | None = None) -> list[Access]:
    """What is open to somebody now, last used first."""
    rows = SignIn.objects.filter(user=person, ended_at=None)
    alive = set(
        Session.objects.filter(
            session_key__in=[row.session_key for row in rows], expire_date__gt=timezone.now()
        ).values_list("session_key", flat=True)
    )
    found = [
        Access(
            "session", str(row.pk), _where(row.agent, row.address), row.at, row.last_seen_at, row.session_key == here
        )
        for row in rows
        if row.session_key in alive
    ]
    found += [
        Access("phone", str(one.pk), f"phone {one.name}".strip(), one.created_at, one.last_seen_at)
        for one in person.devices.filter(revoked_at=None)
    ]
    found += [
        Access("api_token", str(one.pk), f"token of the API: {one}", one.created_at, one.last_used_at)
        for one in ApiToken.objects.open().filter(user=person)
    ]
    found += [
        Access("token", str(person.pk), "token of the API", one.created, None)
        for one in Token.objects.filter(user=person)
    ]
    return sorted(found, key=lambda one: one.used_at or one.since, reverse=True)


def _where(agent: str, address: str | None) -> str:
    known = ("Firefox", "Edg", "Chrome", "Safari")
    browser = next((name for name in known if name in agent), "a browser").replace("Edg", "Edge")
    systems = ("iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux")
    system = next((f"on {name}" for name in systems if name in agent), "").replace("Macintosh", "Mac")
    return " ".join(filter(None, [browser, system, address or ""]))


def end_sessions(person: User, *, but: str | None = None) -> None:
    """Ends every session of somebody, or all but one."""
    rows = SignIn.objects.filter(user=person, ended_at=None).exclude(session_key=but or "")
    Session.objects.filter(session_key__in=list(rows.values_list("session_key", flat=True))).delete()
    rows.update(ended_at=timezone.now())


def end_tokens(person: User) -> None:
    """The API's and the phones' tokens: a phone asks to sign in again, and keeps what it has not sent."""
    Token.objects.filter(user=person).delete()
    person.api_tokens.open().update(ended_at=timezone.now())
    person.devices.filter(revoked_at=None).update(revoked_at=timezone.now())


@transaction.atomic
def end_access(*, person: User, kind: str, key: int, by: User) -> None:
    """Ends one session, phone or token of somebody; a 404 where it is none of theirs."""
    now, gone = timezone.now(), 0
    if kind == "session":
        row = SignIn.objects.filter(user=person, pk=key, ended_at=None).first()
        if row is not None:
            Session.objects.filter(session_key=row.session_key).delete()
            row.ended_at, gone = now, 1
            row.save(update_fields=["ended_at"])
    elif kind == "phone":
        gone = person.devices.filter(pk=key, revoked_at=None).update(revoked_at=now)
    elif kind == "api_token":
        gone = ApiToken.objects.open().filter(user=person, pk=key).update(ended_at=now)
    elif kind == "token":
        gone = Token.objects.filter(user=person).delete()[0]
    if not gone:
        raise Http404
    audit.record(by=by, action=f"ended a {kind}", subject=person)


@dataclass(frozen=True, slots=True)
class Trial:
    """One time somebody signed in, or tried to."""

    at: dt.datetime
    where: str
    what: str


def second_step_of(person: User) -> str:
    """What tries at somebody's second step are counted under; no username has a space."""
    return f"second step of {person.pk}"


def history(person: User) -> list[Trial]:
    """Who came in by this name in the last three months, and who tried with a wrong password; newest first."""
    since = timezone.now() - KEPT_FOR
    came = SignIn.objects.filter(user=person, at__gte=since)[:MOST_SHOWN]
    failed = AccessFailureLog.objects.filter(username__iexact=person.username, attempt_time__gte=since)[:MOST_SHOWN]
    half = AccessFailureLog.objects.filter(username=second_step_of(person), attempt_time__gte=since)[:MOST_SHOWN]
    found = [Trial(row.at, _where(row.agent, row.address), "signed in") for row in came]
    found += [Trial(row.attempt_time, _where(row.user_agent, row.ip_address), "wrong password") for row in failed]
    found += [Trial(row.attempt_time, _where(row.user_agent, row.ip_address), "wrong second step") for row in half]
    return sorted(found, key=lambda one: one.at, reverse=True)[:MOST_SHOWN]


def forget_old() -> int:
    """Deletes sign-ins of sessions that nobody used for three months, and tries in vain as old; how many."""
    since = timezone.now() - KEPT_FOR
    tried: int = AccessFailureLog.objects.filter(attempt_time__lt=since).delete()[0]
    return tried + SignIn.objects.filter(last_seen_at__lt=since).delete()[0]
