"""Sign-in, home, runs, documents, health: the pages every app leans on."""

from __future__ import annotations

import io
import logging
import sys
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import urlencode
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth import views as auth_views
from django.contrib.auth.decorators import login_required
from django.core.files.storage import default_storage
from django.core.paginator import Paginator
from django.db import transaction
from django.db.models import Model
from django.forms import BaseForm
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from shared import documents, files, finding, firm_data, menu, metrics, runs, services, signins, status
from shared import tokens as api_tokens
from shared.access import SignedInRequest, is_spraying, may_try, roles_required, tried_in_vain
from shared.api import problem
from shared.errors import AWAY, FilesAway, Refused, refusals_shown, refusals_to
from shared.forms import (
    BranchForm,
    CodeForm,
    FirmDataForm,
    ForgottenForm,
    JoinForm,
    NewBranchForm,
    NewPasswordForm,
    NewPersonForm,
    PersonForm,
    SignInForm,
    TokenForm,
    free_username,
)
from shared.models import ApiToken, AuditEntry, Branch, Document, Run, User
from shared.replica import reads_on_replica
from shared.roles import OFFICE, OWNER
from shared.second_factor import door
from shared.setup.services import keep_customers_for, the_firm
from shared.versions import edits

# -- in and out ---------------------------------------------------------------------


class SignIn(auth_views.LoginView):
    """Sign in."""

    template_name = "shared/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if is_spraying(request):
            return sign_in_locked(request)
        return super().post(request, *args, **kwargs)

    def form_valid(self, form: Any) -> HttpResponse:
        return door.let_in(self.request, form.get_user(), then=self.get_success_url())


def sign_in_locked(request: HttpRequest, *args: object, **kwargs: object) -> HttpResponse:
    """Too many wrong passwords for this name from this address."""
    if request.path.startswith("/api/"):
        return _problem(request, 429, LOCKED)
    return render(request, "shared/sign_in.html", {"form": SignInForm(request), "locked": LOCKED}, status=429)


LOCKED = "Too many wrong passwords. Wait a quarter of an hour, or ask whoever runs your site."


class ChangePassword(auth_views.PasswordChangeView):
    """Change one's own password."""

    template_name = "shared/change_password.html"

    def form_valid(self, form: Any) -> HttpResponse:
        person = services.change_password(person=form.user, password=form.cleaned_data["new_password1"])
        before = self.request.session.session_key
        update_session_auth_hash(self.request, person)
        signins.carried_over(self.request, before)
        signins.end_sessions(person, but=self.request.session.session_key)
        return redirect(self.get_success_url())

    def get_success_url(self) -> str:
        messages.success(self.request, "Your password is changed.")
        return reverse("shared:account")


CODE = "a code for signing in"


@never_cache
def join_code(request: HttpRequest) -> HttpResponse:
    """Somebody types the code they were handed."""
    form = CodeForm(request.POST or None)
    if form.is_valid():
        if may_try(request, CODE) and services.invited_by(form.cleaned_data["code"]):
            return redirect("shared:join", form.cleaned_data["code"].strip().replace(" ", "-"))
        _wrong_code(request, form)
    return _open_page(request, "shared/join_code.html", form)


@never_cache
def join(request: HttpRequest, code: str) -> HttpResponse:
    """Somebody opens their account, or chooses a new password, with the code in their link."""
    found = services.invited_by(code) if may_try(request, CODE) else None
    if found is None:
        form = CodeForm({"code": code})
        _wrong_code(request, form)
        return _open_page(request, "shared/join_code.html", form)
    person = found.person
    known = JoinForm(request.POST or None, initial={"username": person.username})
    if person.has_usable_password():
        known.fields["username"].disabled = True
    if known.is_valid():
        with refusals_to(known.refuse):
            joined = services.join(code=code, **known.cleaned_data)
            return door.let_in(request, joined, then=reverse("shared:home"))
    return _open_page(request, "shared/join.html", known, person=person)


def _wrong_code(request: HttpRequest, form: CodeForm) -> None:
    if may_try(request, CODE):
        tried_in_vain(request, CODE)
        form.add_error("code", "This code is used or over, or was mistyped. Ask the owner for another.")
    else:
        form.add_error("code", "Too many wrong codes. Wait a quarter of an hour.")


def forgotten(request: HttpRequest) -> HttpResponse:
    """A link by e-mail for somebody who forgot their password; the answer never tells who has an account."""
    form = ForgottenForm(request.POST or None)
    sent = False
    if settings.EMAIL_URL and form.is_valid():
        if may_try(request, "a forgotten password"):
            tried_in_vain(request, "a forgotten password")  # asked for too often it is refused, found or not
            address = request.build_absolute_uri(reverse("shared:join_code"))
            services.send_code(who=form.cleaned_data["username"], address=address)
            sent = True
        else:
            form.add_error("username", "Asked too often. Wait a quarter of an hour.")
    return _open_page(request, "shared/forgotten.html", form, sent=sent, mails=bool(settings.EMAIL_URL))


def _open_page(request: HttpRequest, template: str, form: Any, **context: object) -> HttpResponse:
    refused = form.is_bound and bool(form.errors)
    return render(request, template, {"form": form, **context}, status=422 if refused else 200)


@login_required
@require_GET
def home(request: SignedInRequest) -> HttpResponse:
    """On to the first page of the person's menu."""
    entries = menu.for_user(request.user)
    if entries:
        return redirect(entries[0][1])
    return render(request, "shared/home.html")


@login_required
@require_GET
@reads_on_replica
def find(request: SignedInRequest) -> HttpResponse:
    """What the line in the box names; straight to it where it is one thing and spelled so."""
    asked = request.GET.get("words", "").strip()
    found = finding.find(request.user, asked)
    if len(found) == 1 and not found[0].is_close:
        return redirect(found[0].url)
    is_close = bool(found) and all(one.is_close for one in found)
    return render(request, "shared/find.html", {"asked": asked, "found": found, "is_close": is_close})


@login_required
@require_GET
def account(request: SignedInRequest) -> HttpResponse:
    """Who I am here."""
    open_now = signins.accesses(request.user, here=request.session.session_key)
    return render(request, "shared/account.html", {"accesses": open_now, "person": request.user})


@login_required
@require_POST
def end_access(request: SignedInRequest, person: int, kind: str, key: int) -> HttpResponse:
    """Ends one session, phone or token: one's own, or for an owner those of their people."""
    found = _oneself_or_ones_people(request.user, person)
    signins.end_access(person=found, kind=kind, key=key, by=request.user)
    messages.success(request, "It is ended.")
    if found != request.user:
        return redirect("shared:person", found.pk)
    return redirect("shared:tokens" if kind == "api_token" else "shared:account")


def _oneself_or_ones_people(user: User, pk: int) -> User:
    if pk == user.pk:
        return user
    people = User.people.visible_to(user) if user.has_role(OWNER) else User.people.none()
    return get_object_or_404(people, pk=pk)


@login_required
@require_GET
def sign_ins(request: SignedInRequest, person: int) -> HttpResponse:
    """Who came in by a name of late, and who tried to: one's own, or for an owner those of their people."""
    found = _oneself_or_ones_people(request.user, person)
    return render(request, "shared/sign_ins.html", {"person": found, "history": signins.history(found)})


NEW_KEY = "new_key"
"""Where a session holds the key of a new token until its page was shown, once."""


@login_required
@never_cache
def tokens(request: SignedInRequest) -> HttpResponse:
    """The tokens of the API that one's programs have, and another one."""
    form = TokenForm(request.POST or None, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            request.session[NEW_KEY] = api_tokens.give_token(person=request.user, **form.cleaned_data)
            return redirect("shared:tokens")
    rows = ApiToken.objects.open().filter(user=request.user)
    context = {"tokens": rows, "most": api_tokens.ASKS_A_MINUTE, "key": request.session.pop(NEW_KEY, "")}
    return _form_page(request, "shared/tokens.html", form, **context)


@login_required
@require_POST
def rotate_token(request: SignedInRequest, pk: int) -> HttpResponse:
    """Another key in the place of one of one's own."""
    try:
        request.session[NEW_KEY] = api_tokens.rotate_token(person=request.user, pk=pk)
    except Refused as refusal:
        messages.error(request, refusal.problem)
    return redirect("shared:tokens")


# -- long work ------------------------------------------------------------------------


def run_for(request: SignedInRequest, pk: UUID) -> Run:
    """The run, when this person may see it."""
    return get_object_or_404(Run.objects.visible_to(request.user), pk=pk)


def safe_next(request: HttpRequest, fallback: str) -> str:
    """Where the form came from, if that is a page of ours."""
    wanted = request.POST.get("next", "")
    ok = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return wanted if wanted and ok else fallback


@login_required
@require_GET
def run(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """One run on a page of its own."""
    return render(request, "shared/run.html", {"run": run_for(request, pk)})


@login_required
@require_GET
@never_cache
def run_bar(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """The bar alone, for htmx."""
    found, then = run_for(request, pk), request.GET.get("then", "")
    if not url_has_allowed_host_and_scheme(then, {request.get_host()}):  # "reload" passes as a relative one
        then = ""
    response = render(request, "shared/_run.html", {"run": found, "then": then})
    if then == "reload" and not found.is_active():
        response["HX-Refresh"] = "true"
    return response


@login_required
@require_POST
def stop_run(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """Ask a run to stop."""
    stopped = runs.ask_to_stop(run=run_for(request, pk), by=request.user)
    if request.htmx:
        return render(request, "shared/_run.html", {"run": stopped, "then": request.POST.get("then", "")})
    return redirect(safe_next(request, reverse("shared:run", args=[stopped.pk])))


# -- documents ----------------------------------------------------------------------------


@login_required
@require_GET
def document(request: SignedInRequest, pk: int) -> HttpResponse | FileResponse:
    """The PDF itself, for those who may have it; where its file is gone, a way to print it again."""
    found = documents.document_for(request.user, pk)
    try:
        pdf = files.read(found.file.name)
    except files.FileGone:
        return render(request, "shared/document_gone.html", {"document": found}, status=404)
    name = f"{found.title} rev {found.revision}.pdf".replace("/", "-").replace(":", "")
    response = FileResponse(io.BytesIO(pdf), filename=name, content_type="application/pdf")
    response["Cache-Control"] = "private, no-cache"
    return response


@login_required
@require_POST
def request_document(request: SignedInRequest, kind: str, subject: str) -> HttpResponse:
    """Print a document: at once the fresh one, else the run that makes it."""
    about = documents.subject_of(request.user, kind, subject)
    try:
        found = documents.request_document(kind=kind, subject=about, by=request.user)
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect(safe_next(request, reverse("shared:home")))
    if request.htmx:
        return _document_part(request, kind, about)
    if isinstance(found, Document):
        return redirect("shared:document", pk=found.pk)
    return redirect("shared:run", pk=found.pk)


@login_required
@require_GET
@never_cache
def document_part(request: SignedInRequest, kind: str, subject: str) -> HttpResponse:
    """Where a document stands, for htmx."""
    return _document_part(request, kind, documents.subject_of(request.user, kind, subject))


def _document_part(request: SignedInRequest, kind: str, about: Model) -> HttpResponse:
    return render(request, "shared/_document.html", {"standing": documents.standing(kind, about)})


# -- the firm -----------------------------------------------------------------------------------


@roles_required(OWNER)
@require_GET
def firm(request: SignedInRequest) -> HttpResponse:
    """The branches this owner looks over, and their people."""
    people = User.people.visible_to(request.user).select_related("branch").prefetch_related("groups")
    context = {
        "firm": the_firm(),
        "branches": Branch.objects.visible_to(request.user),
        "people": people.order_by("-is_active", "name"),
    }
    return render(request, "shared/firm.html", context)


@roles_required(OWNER)
@require_http_methods(["GET", "POST"])
@edits
def data(request: SignedInRequest) -> HttpResponse:
    """All data of the firm in one ZIP, and how long customers' data is kept."""
    form = FirmDataForm(request.POST or None, instance=the_firm())
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            keep_customers_for(by=request.user, months=form.cleaned_data["keep_months"])
            messages.success(request, "The rule is kept.")
            return redirect("shared:data")
    may = firm_data.may_take_out(request.user)
    run = firm_data.latest() if may else None
    ready = run is not None and run.state == Run.State.DONE and default_storage.exists(firm_data.zip_of(run))
    context = {"form": form, "may": may, "run": run, "ready": ready}
    return render(request, "shared/firm_data.html", context, status=422 if form.errors else 200)


@roles_required(OWNER)
@require_POST
def data_out(request: SignedInRequest) -> HttpResponse:
    """Write the ZIP."""
    with refusals_shown(request):
        firm_data.take_out(by=request.user)
    return redirect("shared:data")


@roles_required(OWNER)
@require_GET
def data_file(request: SignedInRequest, pk: UUID) -> FileResponse:
    """The ZIP itself, while it is kept."""
    run = Run.objects.filter(pk=pk, kind=firm_data.KIND, state=Run.State.DONE).first()
    if run is None or not firm_data.may_take_out(request.user):
        raise Http404
    try:
        file = default_storage.open(firm_data.zip_of(run), "rb")
    except FileNotFoundError:
        raise Http404("the ZIP is kept for a day; make it again") from None
    name = f"firm-{run.created_at:%Y-%m-%d}.zip"
    response = FileResponse(file, filename=name, as_attachment=True, content_type="application/zip")
    response["Cache-Control"] = "private, no-store"
    return response


@roles_required(OWNER)
@edits
def branch(request: SignedInRequest, pk: int) -> HttpResponse:
    """Change a branch's facts."""
    found = get_object_or_404(Branch.objects.visible_to(request.user), pk=pk)
    form = BranchForm(request.POST or None, instance=found, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            stored = Branch.objects.get(pk=pk)  # the form has written on the one it was given
            services.change_branch(branch=stored, by=request.user, **form.facts())
            messages.success(request, f"{found} is kept.")
            return redirect("shared:firm")
    return _form_page(request, "shared/branch.html", form, branch=found)


@roles_required(OWNER)
def new_branch(request: SignedInRequest) -> HttpResponse:
    """Another branch, and a code for the person who runs it: they set up its crews, people and range."""
    form = NewBranchForm(request.POST or None, user=request.user, instance=Branch())
    if request.method == "POST" and form.is_valid():
        facts = form.facts()
        name = facts.pop("owner_name")
        with refusals_to(form.refuse):
            with transaction.atomic():
                made = services.add_branch(by=request.user, **facts)
                person = services.add_person(
                    by=request.user, branch=made, name=name, username=free_username(name), role_names=[OWNER]
                )
            return code_page(request, person)
    return _form_page(request, "shared/branch.html", form)


@roles_required(OWNER)
def new_person(request: SignedInRequest, branch: int) -> HttpResponse:
    """Give somebody an account."""
    place = get_object_or_404(Branch.objects.visible_to(request.user), pk=branch)
    form = NewPersonForm(request.POST or None, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            person = services.add_person(by=request.user, branch=place, **form.facts())
            if not person.has_usable_password():
                return code_page(request, person)
            messages.success(request, f"{person} can sign in now as {person.username}.")
            return redirect("shared:firm")
    return _form_page(request, "shared/person.html", form, branch=place)


def code_page(request: SignedInRequest, person: User, *, then: str = "shared:firm") -> HttpResponse:
    """A fresh code for somebody, to hand over or print; it is shown this once."""
    code = services.invite(person=person, by=request.user)
    address = request.build_absolute_uri(reverse("shared:join", args=[code]))
    context = {"person": person, "code": code, "address": address, "days": services.INVITED_FOR.days, "then": then}
    response = render(request, "shared/new_code.html", context)
    response["Cache-Control"] = "no-store"
    return response


@roles_required(OWNER)
@require_POST
def new_code(request: SignedInRequest, pk: int) -> HttpResponse:
    """A code for somebody who has no password yet, or forgot theirs."""
    found = get_object_or_404(User.people.visible_to(request.user), pk=pk)
    try:
        return code_page(request, found)
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("shared:person", pk=pk)


@roles_required(OWNER)
@edits
def person(request: SignedInRequest, pk: int) -> HttpResponse:
    """Change somebody's account."""
    found = get_object_or_404(User.people.visible_to(request.user), pk=pk)
    form = PersonForm(request.POST or None, instance=found, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            services.change_person(person=found, by=request.user, **form.cleaned_data)
            messages.success(request, f"{found} is kept.")
            return redirect("shared:firm")
    return _form_page(
        request, "shared/person.html", form, person=found, password_form=NewPasswordForm(),
        accesses=signins.accesses(found),
    )  # fmt: skip


@roles_required(OWNER)
@require_POST
def new_password(request: SignedInRequest, pk: int) -> HttpResponse:
    """Set somebody's password anew."""
    found = get_object_or_404(User.people.visible_to(request.user), pk=pk)
    form = NewPasswordForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            services.give_new_password(person=found, by=request.user, password=form.cleaned_data["password"])
            messages.success(request, f"{found} has a new password; tell them.")
            return redirect("shared:person", pk=pk)
    about, open_now = PersonForm(instance=found, user=request.user), signins.accesses(found)
    return _form_page(
        request, "shared/person.html", about, failed=True, person=found, password_form=form, accesses=open_now
    )


def _form_page(
    request: SignedInRequest, template: str, form: BaseForm, *, failed: bool = False, **context: object
) -> HttpResponse:
    """A form's page: 422 when what was sent is refused, so that htmx and tests can tell."""
    refused = failed or (form.is_bound and bool(form.errors))
    return render(request, template, {"form": form, **context}, status=422 if refused else 200)


# -- the trail and the machine ------------------------------------------------------------


@roles_required(*OFFICE)
@require_GET
def trail(request: SignedInRequest) -> HttpResponse:
    """Everything that was done in the branch, newest first."""
    entries = AuditEntry.objects.visible_to(request.user).select_related("by")
    job = request.GET.get("job", "")
    if job.isdecimal() and len(job) < 18:
        entries = entries.filter(job_id=int(job))
    page = Paginator(entries, 50).get_page(request.GET.get("page"))
    return render(request, "shared/trail.html", {"page": page, "rest": urlencode({"job": job}) if job else ""})


@require_GET
@never_cache
def healthz(request: HttpRequest) -> HttpResponse:
    """200 while the process answers; whether it can work is `readyz`."""
    return JsonResponse({"ok": True})


@require_GET
@never_cache
def readyz(request: HttpRequest) -> HttpResponse:
    """200 when all that the site needs is there, else 503; which part is not, and nothing more for strangers."""
    parts = status.readiness()
    whole = all(parts.values())
    return JsonResponse({"ok": whole, "parts": parts}, status=200 if whole else 503)


@require_GET
@never_cache
def read_metrics(request: HttpRequest) -> HttpResponse:
    """Numbers for a Prometheus server, with the token or from this machine; for anybody else there is no such page."""
    if not metrics.may_read(request):
        raise Http404
    return HttpResponse(metrics.exposition(), content_type=metrics.CONTENT_TYPE)


@roles_required(OWNER)
@require_GET
@never_cache
def machine(request: SignedInRequest) -> HttpResponse:
    """What this site runs on and whether its parts answer."""
    return render(
        request, "shared/machine.html", {"facts": status.facts(), "work": status.work(), "kept": status.kept()}
    )


@roles_required(OWNER)
@require_POST
def ask_worker(request: SignedInRequest) -> HttpResponse:
    """Ask for a small piece of long work, to see it done."""
    runs.start("shared.answer", by=request.user, key="shared.answer")
    return redirect("shared:machine")


log = logging.getLogger("jambwise")


# -- what went wrong --------------------------------------------------------------------------


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """400."""
    return _said(request, "400.html", 400)


def forbidden(request: HttpRequest, exception: Exception | None = None, reason: str = "") -> HttpResponse:
    """403, also for a form that came from elsewhere; what refused may say why."""
    return _said(request, "403.html", 403, {"reason": reason, "why": str(exception or "")})


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """404."""
    return _said(request, "404.html", 404)


def _said(request: HttpRequest, template: str, code: int, context: dict[str, object] | None = None) -> HttpResponse:
    """The page in its frame; in a few plain lines where what the frame needs is not there. To a program, a problem."""
    if request.path.startswith("/api/"):
        return _problem(request, code)
    try:
        return render(request, template, context, status=code)
    except Exception:  # the database, or a table of static files: whatever it is, the answer stays what it is
        log.exception("the page %s can't be drawn", template)
        told = {"title": HTTPStatus(code).phrase, "code": code}
        return HttpResponse(render_to_string("plain.html", told), status=code)


def _problem(request: HttpRequest, code: int, detail: str = "") -> HttpResponse:
    """The same as problem details, for the API."""
    status = HTTPStatus(code)
    said = problem(status, detail or f"{status.description or status.phrase}.", [], request.path)
    return JsonResponse(said, status=code, content_type="application/problem+json")


AWAY_SECONDS: Final = 30
"""After which the same may be tried again."""


def away(request: HttpRequest, error: Exception) -> HttpResponse:
    """503: files or rows can't be kept just now, which is said in words."""
    log.error("%s %s: away", request.method, request.path, exc_info=error)
    answer = _said(request, "503.html", 503, {"files": isinstance(error, FilesAway)})
    answer["Retry-After"] = str(AWAY_SECONDS)
    return answer


def broken(request: HttpRequest | None) -> HttpResponse:
    """500, without the frame: what broke may be what the frame needs, or the request itself."""
    error = sys.exc_info()[1]
    if request is not None and isinstance(error, AWAY):  # outside of any view: session, sign-in
        return away(request, error)
    if request is not None and request.path.startswith("/api/"):
        return _problem(request, 500)
    return HttpResponse(render_to_string("500.html"), status=500)
