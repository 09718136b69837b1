"""Crews, their hours, people and absences; holidays and the branch's rules; calendar addresses."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping

from django.contrib import messages
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import OFFICE, crew_for, feed_for
from jobs.forms import (
    AbsenceForm,
    CrewDayForm,
    CrewForm,
    HolidayForm,
    HoursForm,
    MemberForm,
    RulesForm,
    SkillForm,
    WindowsForm,
)
from jobs.ics import feed_file, feed_of_token, feed_token
from jobs.models import Absence, CalendarFeed, CalendarRules, Crew, Holiday
from jobs.schedule.availability import WorkDay, crew_days, holidays_between
from jobs.schedule.learning import drive_factor, visit_factors
from jobs.schedule.offers import usual_windows as usual_windows_of
from jobs.services import crews as crew_services
from jobs.services import feeds as feed_services
from jobs.services import planning
from jobs.views.jobs import csv_answer
from shared import roles
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.formats.dates import clocks, short_day
from shared.forms import PageForm, PageModelForm
from shared.models import Branch, Run
from shared.versions import edits, held


@roles_required(*OFFICE)
@require_GET
def crew_list(request: SignedInRequest) -> HttpResponseBase:
    """Crews with what they drive for, and who is away soon."""
    crews = list(
        Crew.objects.visible_to(request.user).select_related("branch").prefetch_related("skills", "members__user")
    )
    today = timezone.localdate()
    days = [today + dt.timedelta(days=n) for n in range(7)]
    works = crew_days(crews, days) if crews else {}
    if request.GET.get("format") == "csv":
        return _list_csv(crews, days, works)
    absences = Absence.objects.filter(crew__in=crews, ends_at__gte=timezone.now()).select_related("crew", "user")
    context = {
        "skill_form": SkillForm(user=request.user),
        "rows": [(crew, [works[crew.pk, day] for day in days]) for crew in crews],
        "days": days,
        "absences": absences[:30],
    }
    return render(request, "jobs/crew_list.html", context)


def _list_csv(crews: list[Crew], days: list[dt.date], works: dict[tuple[int, dt.date], WorkDay]) -> HttpResponseBase:
    head = ["crew", "people", "skills", *(day.isoformat() for day in days)]
    rows = [
        [
            crew.name,
            ", ".join(str(member.user) for member in crew.members.all()) or str(crew.people),
            ", ".join(skill.name for skill in crew.skills.all()),
            *(_hours(works[crew.pk, day]) for day in days),
        ]
        for crew in crews
    ]
    return csv_answer("crews", head, rows)


def _hours(work: WorkDay) -> str:
    spans = ((timezone.localtime(a), timezone.localtime(b)) for a, b in work.shifts)
    return ", ".join(clocks(a, b) for a, b in spans) or work.why


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def crew_new(request: SignedInRequest) -> HttpResponse:
    """A new crew."""
    branch = request.user.own_branch
    form = CrewForm(request.POST or None, user=request.user, instance=Crew(branch=branch))
    if request.method == "POST" and form.is_valid():
        crew = _save_crew(request, form, None)
        if crew is not None:
            messages.success(request, f"{crew.name} works Monday to Friday, eight to five. Change its hours below.")
            return redirect("jobs:crew", crew.pk)
    return render(request, "jobs/crew_new.html", {"form": form}, status=422 if form.errors else 200)


def _save_crew(request: SignedInRequest, form: CrewForm, crew: Crew | None) -> Crew | None:
    try:
        return crew_services.save_crew(
            branch=crew.branch if crew else request.user.own_branch,
            crew=crew,
            by=request.user,
            skills=form.cleaned_data["skills"],
            **form.values(),
        )
    except Refused as refusal:
        form.refuse(refusal)
        return None


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def crew_edit(request: SignedInRequest, pk: int) -> HttpResponse:
    """One crew: what it can do, its week, its people, absences, days that differ."""
    crew = crew_for(request.user, pk)
    form = CrewForm(request.POST or None, user=request.user, instance=crew)
    if request.method == "POST" and form.is_valid() and _save_crew(request, form, Crew.objects.get(pk=pk)):
        messages.success(request, "The crew is changed.")
        return redirect("jobs:crew", crew.pk)
    return render(request, "jobs/crew.html", crew_context(request, crew, form=form), status=422 if form.errors else 200)


def crew_context(request: SignedInRequest, crew: Crew, **more: object) -> dict[str, object]:
    user, now = request.user, timezone.now()
    return {
        "crew": crew,
        "form": CrewForm(user=user, instance=crew),
        "hours_form": HoursForm(user=user, crew=crew, row=crew),
        "absence_form": AbsenceForm(user=user, crew=crew),
        "member_form": MemberForm(user=user),
        "day_form": CrewDayForm(user=user),
        "members": crew.members.select_related("user"),
        "absences": crew.absences.filter(ends_at__gte=now).select_related("user"),
        "days": crew.days.filter(day__gte=timezone.localdate()),
        "feeds": feeds_shown(request, crew.feeds.filter(revoked_at=None)),
        **more,
    }


def feeds_shown(request: SignedInRequest, feeds: Iterable[CalendarFeed]) -> list[tuple[CalendarFeed, str]]:
    """Feeds with their whole address."""
    from django.urls import reverse

    return [(feed, request.build_absolute_uri(reverse("jobs:feed", args=[feed_token(feed)]))) for feed in feeds]


def _part(
    request: SignedInRequest,
    crew: Crew,
    name: str,
    form: PageForm | PageModelForm,
    words: str,
    do: Callable[[], object],
) -> HttpResponse:
    """One of the crew page's own forms."""
    if form.is_valid():
        with refusals_to(form.refuse):
            do()
            messages.success(request, words)
            return redirect("jobs:crew", crew.pk)
    return render(request, "jobs/crew.html", crew_context(request, crew, **{name: form}), status=422)


@roles_required(*OFFICE)
@require_POST
@edits
def crew_hours(request: SignedInRequest, pk: int) -> HttpResponse:
    """The crew's usual week."""
    crew = crew_for(request.user, pk)
    form = HoursForm(request.POST, user=request.user, crew=crew, row=crew)
    return _part(
        request, crew, "hours_form", form, "The hours are changed.",
        lambda: crew_services.set_hours(crew=crew, hours=form.hours(), by=request.user),
    )  # fmt: skip


@roles_required(*OFFICE)
@require_POST
def crew_absence(request: SignedInRequest, pk: int) -> HttpResponse:
    """Somebody, or the whole crew, is away; the visits that stand there are named, or spread at once."""
    crew = crew_for(request.user, pk)
    form = AbsenceForm(request.POST, user=request.user, crew=crew)
    started: list[Run] = []

    def add() -> None:
        begin, end = form.span()
        data = form.cleaned_data
        absence, hit = crew_services.add_absence(
            crew=crew, starts_at=begin, ends_at=end, user=data["user"], reason=data["reason"], by=request.user
        )
        if hit and "spread" in request.POST:
            started.append(planning.spread_absence(absence=absence, by=request.user))
        elif hit:
            names = ", ".join(row.job.number for row in hit)
            messages.warning(request, f"{len(hit)} visits stand in that time: {names}. Plan that day to spread them.")

    answer = _part(request, crew, "absence_form", form, "The absence is noted.", add)
    return redirect("jobs:plan_run", started[0].pk) if started else answer


@roles_required(*OFFICE)
@require_POST
def absence_remove(request: SignedInRequest, pk: int) -> HttpResponse:
    """They are back."""
    absence = get_object_or_404(Absence.objects.filter(crew__in=Crew.objects.visible_to(request.user)), pk=pk)
    crew_services.remove_absence(absence=absence, by=request.user)
    messages.success(request, "The absence is taken back.")
    return redirect("jobs:crew", absence.crew_id)


@roles_required(*OFFICE)
@require_POST
def crew_member(request: SignedInRequest, pk: int) -> HttpResponse:
    """Somebody drives with the crew from a day on."""
    crew = crew_for(request.user, pk)
    form = MemberForm(request.POST, user=request.user)
    return _part(
        request, crew, "member_form", form, "They drive with this crew.",
        lambda: crew_services.add_member(crew=crew, by=request.user, **form.cleaned_data),
    )  # fmt: skip


@roles_required(*OFFICE)
@require_POST
def member_end(request: SignedInRequest, pk: int) -> HttpResponse:
    """Today is their last day with the crew."""
    from jobs.models import CrewMember

    member = get_object_or_404(CrewMember.objects.filter(crew__in=Crew.objects.visible_to(request.user)), pk=pk)
    crew_services.end_member(member=member, until_on=timezone.localdate(), by=request.user)
    messages.success(request, f"{member.user} drives with {member.crew} until today.")
    return redirect("jobs:crew", member.crew_id)


@roles_required(*OFFICE)
@require_POST
def crew_day(request: SignedInRequest, pk: int) -> HttpResponse:
    """What is different on one day."""
    crew = crew_for(request.user, pk)
    form = CrewDayForm(request.POST, user=request.user)

    def change() -> None:
        values = dict(form.cleaned_data)
        crew_services.set_crew_day(crew=crew, day=values.pop("day"), by=request.user, **values)

    return _part(request, crew, "day_form", form, "That day is changed.", change)


@roles_required(*OFFICE)
@require_POST
def skill_new(request: SignedInRequest) -> HttpResponse:
    """Something only some crews can do."""
    form = SkillForm(request.POST, user=request.user)
    if form.is_valid():
        name = form.cleaned_data["name"]
        with refusals_shown(request):
            crew_services.add_skill(branch=request.user.own_branch, key=slugify(name)[:30], name=name, by=request.user)
            messages.success(request, f"{name} can be ticked at crews and visits now.")
    else:
        messages.error(request, "Name the skill, such as: tall ladder.")
    return redirect("jobs:crews")


# -- holidays and rules ----------------------------------------------------------------------


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def holidays(request: SignedInRequest) -> HttpResponse:
    """Days off within a year, the branch's own days, and its calendar rules."""
    branch = request.user.branch
    if branch is None and request.method == "GET":
        return render(request, "jobs/holidays.html", {"branch": None})
    branch = held(request.user.own_branch)
    rules = CalendarRules.of(branch)
    form = HolidayForm(request.POST if "day" in request.POST else None, user=request.user)
    sent = request.POST if "drive_price" in request.POST else None
    rules_form = RulesForm(sent, user=request.user, instance=rules, row=branch)
    if request.method == "POST" and (_took_holiday(request, form) or _took_rules(request, rules_form)):
        return redirect("jobs:holidays")
    today = timezone.localdate()
    context = {
        "branch": branch,
        "form": form,
        "windows_form": _windows_form(request, branch),
        "rules_form": rules_form,
        "off": sorted(holidays_between(branch, today, today + dt.timedelta(days=365)).items()),
        "visits_taught": visit_factors(branch),
        "drives_taught": drive_factor(branch),
        "learned": rules.variation if rules.learned_at else None,
        "learned_on": short_day(rules.learned_at.astimezone(branch.tz).date()) if rules.learned_at else "",
        "own": Holiday.objects.filter(branch=branch, day__gte=today),
    }
    wrong = form.errors or rules_form.errors
    return render(request, "jobs/holidays.html", context, status=422 if wrong else 200)


def _took_holiday(request: SignedInRequest, form: HolidayForm) -> bool:
    if not form.is_bound or not form.is_valid():
        return False
    crew_services.set_holiday(branch=request.user.own_branch, by=request.user, **form.cleaned_data)
    messages.success(request, "The day is noted.")
    return True


def _took_rules(request: SignedInRequest, form: RulesForm) -> bool:
    if not form.is_bound or not form.is_valid():
        return False
    try:
        crew_services.set_rules(branch=request.user.own_branch, by=request.user, **form.cleaned_data)
    except Refused as refusal:
        form.refuse(refusal)
        return False
    messages.success(request, "The rules are changed.")
    return True


def _windows_form(request: SignedInRequest, branch: Branch, sent: Mapping[str, object] | None = None) -> WindowsForm:
    return WindowsForm(sent, user=request.user, row=branch, initial={"windows": windows_written(branch)})


def windows_written(branch: Branch) -> str:
    """The usual windows as they are typed, a line each."""
    return "\n".join(f"{begin:%H:%M} to {end:%H:%M}" for begin, end in usual_windows_of(branch))


@roles_required(*OFFICE)
@require_POST
@edits
def usual_windows(request: SignedInRequest) -> HttpResponse:
    """The parts of a day that are promised on the phone."""
    form = _windows_form(request, held(request.user.own_branch), request.POST)
    if form.is_valid():
        windows = form.cleaned_data["windows"]
        crew_services.set_usual_windows(branch=request.user.own_branch, windows=windows, by=request.user)
        messages.success(request, "The windows are changed.")
    else:
        problems = " ".join(map(str, form.errors.get("windows", [])))
        messages.error(request, problems or "Write a window a line: 8:00 to 10:00.")
    return redirect("jobs:holidays")


@roles_required(*OFFICE)
@require_POST
def holiday_remove(request: SignedInRequest, pk: int) -> HttpResponse:
    """The day is as public holidays have it again."""
    holiday = get_object_or_404(Holiday.objects.visible_to(request.user), pk=pk)
    crew_services.remove_holiday(holiday=holiday, by=request.user)
    return redirect("jobs:holidays")


# -- calendar addresses --------------------------------------------------------------------------


@roles_required(*OFFICE)
@require_POST
def feed_open(request: SignedInRequest, pk: int) -> HttpResponse:
    """A calendar address for a crew."""
    crew = crew_for(request.user, pk)
    feed_services.open_feed(branch=crew.branch, crew=crew, by=request.user)
    messages.success(request, "The address is below. Whoever has it sees the crew's visits: give it to the crew only.")
    return redirect("jobs:crew", crew.pk)


@roles_required(*OFFICE)
@require_POST
def feed_revoke(request: SignedInRequest, pk: int) -> HttpResponse:
    """The address answers nothing any more."""
    feed = feed_for(request.user, pk)
    feed_services.revoke_feed(feed=feed, by=request.user)
    messages.success(request, "The address is revoked.")
    return redirect("jobs:crew", feed.crew_id) if feed.crew_id else redirect("jobs:my_calendar")


@roles_required(*roles.FIELD)
@require_http_methods(["GET", "POST"])
def my_calendar(request: SignedInRequest) -> HttpResponse:
    """A person's own calendar address: open one, revoke it."""
    feeds = CalendarFeed.objects.filter(user=request.user, revoked_at=None)
    if request.method == "POST":
        if request.POST.get("revoke", "").isdigit():
            feed_services.revoke_feed(feed=get_object_or_404(feeds, pk=request.POST["revoke"]), by=request.user)
        elif not feeds.exists():
            feed_services.open_feed(branch=request.user.own_branch, user=request.user, by=request.user)
        return redirect("jobs:my_calendar")
    return render(request, "jobs/my_calendar.html", {"feeds": feeds_shown(request, feeds)})


@require_GET
@never_cache
def feed(request: SignedInRequest, token: str) -> HttpResponse:
    """The calendar behind a signed address, for calendar programs that can't sign in."""
    found = feed_of_token(token)
    if found is None:
        return HttpResponse("This calendar is not there any more.", status=404, content_type="text/plain")
    return HttpResponse(feed_file(found), content_type="text/calendar; charset=utf-8")
