"""What jobs adds to the set-up of a firm: crews and people, as steps and in the firm's file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils import timezone

from jobs.forms import NewCrewForm, WeekForm
from jobs.models import CalendarRules, Crew
from jobs.services import crews as services
from shared.forms import free_username
from shared.models import Branch, User
from shared.services import add_person, invite
from shared.setup import Problem, Section, Step, add, add_section, leads_to
from shared.setup.document import PERSON, form_problems, many_problems, person_form, table_of


def register() -> None:
    """Called once, when the apps are ready."""
    add(Step("Working days and crews", "jobs:setup_crews", 40, crews_standing))
    add(Step("People", "jobs:setup_people", 50, people_standing, can_wait=True))
    leads_to.append("jobs:book")
    add_section(Section("working_days", 10, week_problems, keep_week))
    add_section(Section("crews", 20, crew_problems, keep_crews))
    add_section(Section("people", 30, people_problems, keep_people))


def crews_standing(branch: Branch | None) -> str:
    """The crews there are."""
    return ", ".join(map(str, Crew.objects.filter(branch=branch, is_active=True))) if branch else ""


def people_standing(branch: Branch | None) -> str:
    """How many people there are beside the one who sets up."""
    count = User.objects.filter(branch=branch, is_active=True).count() if branch else 0
    return f"{count} people" if count > 1 else ""


# -- in the file -----------------------------------------------------------------------


def _week(table: Mapping[str, object]) -> WeekForm:
    form = WeekForm()
    first = {name: form.get_initial_for_field(field, name) for name, field in form.fields.items()}
    return WeekForm({**first, **table_of(table.get("working_days"))})


def _crew(row: object) -> NewCrewForm:
    return NewCrewForm({"people": 1, **table_of(row)})


def week_problems(table: Mapping[str, object]) -> list[Problem]:
    return form_problems(_week(table), table["working_days"])


def crew_problems(table: Mapping[str, object]) -> list[Problem]:
    return many_problems(table["crews"], lambda row: form_problems(_crew(row), row))


def people_problems(table: Mapping[str, object]) -> list[Problem]:
    rows = table.get("crews")
    crews = [str(row.get("name")) for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []

    def wrong(row: object) -> list[Problem]:
        found = form_problems(person_form(row), row, {*PERSON, "crew"})
        crew = table_of(row).get("crew")
        if crew is not None and crew not in crews:
            found.append(("crew", f"{crew} is no crew of this branch; there are: {', '.join(crews) or 'none'}"))
        return found

    return many_problems(table["people"], wrong)


def keep_week(table: Mapping[str, object], branch: Branch, by: User) -> list[str]:
    """Public holidays; the days and hours are those of crews that are made."""
    form = _week(table)
    form.full_clean()
    country = form.cleaned_data["holiday_country"]
    if CalendarRules.of(branch).holiday_country != country:
        services.set_rules(branch=branch, by=by, holiday_country=country)
    return []


def keep_crews(table: Mapping[str, Any], branch: Branch, by: User) -> list[str]:
    """Crews there are not yet."""
    week, done = _week(table), []
    week.full_clean()
    hours = {name: week.cleaned_data[name] for name in ("days", "starts", "ends")}
    there = set(Crew.objects.filter(branch=branch).values_list("name", flat=True))
    for row in table["crews"]:
        form = _crew(row)
        form.full_clean()
        facts = form.facts()
        if facts["name"] not in there:
            done.append(f"{services.set_up_crew(branch=branch, by=by, **facts, **hours)} is set up")
    return done


def keep_people(table: Mapping[str, Any], branch: Branch, by: User) -> list[str]:
    """People there are not yet, each with a code to hand over."""
    done = []
    for row in table["people"]:
        named = {"username__iexact": row["username"]} if row.get("username") else {"name": row["name"]}
        if branch.people.filter(**named).exists():
            continue
        facts = {name: row[name] for name in ("name", "email", "phone") if name in row}
        person = add_person(
            by=by, branch=branch, username=row.get("username") or free_username(row["name"]),
            role_names=row.get("roles", []), **facts,
        )  # fmt: skip
        if "crew" in row:
            crew = Crew.objects.get(branch=branch, name=row["crew"])
            today = timezone.now().astimezone(branch.tz).date()
            services.add_member(crew=crew, user=person, by=by, from_on=today)
        done.append(f"{person}: username {person.username}, code {invite(person=person, by=by)}")
    return done
