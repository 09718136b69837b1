"""What the office's and the field's pages may send."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Sequence
from decimal import Decimal
from typing import Any, ClassVar, Final

from django import forms
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy, gettext_noop

from jobs.models import (
    INSTALLING,
    MEASURING,
    CalendarRules,
    Crew,
    CrewDay,
    Customer,
    Holiday,
    Job,
    MessageWords,
    Payment,
    Project,
    Purpose,
    ReadinessAnswer,
    ServiceCall,
    Site,
    Skill,
    Wish,
)
from jobs.ports import ports
from jobs.schedule.availability import clock_problem, knows_holidays, local
from jobs.schedule.out import BASE, MINUTES
from shared import roles
from shared.fields import LARGEST_ID
from shared.forms import CoordinatesField, DateInput, NewPersonForm, PageForm, PageModelForm, TimeInput
from shared.models import User

# -- customers, sites, jobs ------------------------------------------------------------


class CustomerForm(PageModelForm):
    class Meta:
        model = Customer
        fields = ["name", "phone", "email", "takes_texts", "no_messages", "language", "note"]
        widgets = {"note": forms.Textarea(attrs={"rows": 2})}

    def prepare(self) -> None:
        if self.prefix:
            del self.fields["no_messages"]  # nobody asks us to stop before they are a customer


class SiteForm(PageModelForm):
    """A site; the key's place or code is never shown again, only written over."""

    SECRET = ("access_secret",)
    instance: Site
    coordinates = CoordinatesField(required=False)

    class Meta:
        model = Site
        fields = [
            "name", "street", "line2", "town", "postcode", "year_built", "floor", "has_lift", "longest_in_lift",
            "longest_on_stair", "children", "pets", "parking", "access", "access_secret", "access_note",
            "door_contact", "door_phone", "notice_needed", "hours_from", "hours_until", "dock_note",
            "certificate_note", "certificate_until",
        ]  # fmt: skip
        widgets = {
            "hours_from": TimeInput(),
            "hours_until": TimeInput(),
            "access_secret": forms.TextInput(attrs={"autocomplete": "off"}),
        }

    def prepare(self) -> None:
        self.has_secret = bool(self.instance.access_secret)
        self.initial["access_secret"] = ""
        self.fields["longest_in_lift"].label = "Longest package in the lift"
        self.fields["longest_on_stair"].label = "Longest package on the stair"
        for name in ("longest_in_lift", "longest_on_stair"):
            self.fields[name].help_text = ""
        if self.has_secret:
            self.fields["access_secret"].help_text = "one is on file and stays unless you write another"
        if self.instance.has_coordinates() and not self.instance.place_from:
            self.initial["coordinates"] = f"{self.instance.latitude}, {self.instance.longitude}"
        if self.prefix:
            self.order_fields(["street", "line2", "town", "postcode", "coordinates"])

    def values(self) -> dict[str, Any]:
        """What to hand to a service."""
        found = {name: value for name, value in self.cleaned_data.items() if name in self.Meta.fields}
        if self.has_secret and not found.get("access_secret"):
            found.pop("access_secret", None)
        point = self.cleaned_data.get("coordinates")
        found["latitude"], found["longitude"] = point if point else (None, None)
        return found


class YourSiteForm(PageModelForm):
    """What only the customer knows of their site."""

    class Meta:
        model = Site
        fields = ["parking", "pets", "children", "door_contact", "door_phone"]
        labels = {
            "parking": gettext_lazy("Where can we park?"),
            "pets": gettext_lazy("Are there pets?"),
            "children": gettext_lazy("Children live here or visit"),
            "door_contact": gettext_lazy("Who opens the door, if not you?"),
            "door_phone": gettext_lazy("Their telephone"),
        }
        help_texts = {"children": gettext_lazy("For safe controls. Leave it ticked if you are not sure.")}


class JobForm(PageModelForm):
    instance: Job

    class Meta:
        model = Job
        fields = [
            "title", "openings_expected", "product_expected", "rooms_expected", "customer_measures", "policy",
            "wanted_by", "project", "phase", "note",
        ]  # fmt: skip
        widgets = {"wanted_by": DateInput(), "note": forms.Textarea(attrs={"rows": 2})}
        labels = {"policy": "Install", "rooms_expected": "Rooms", "openings_expected": "Openings"}

    def prepare(self) -> None:
        job = self.instance
        customer = job.customer if job.customer_id else None
        _offer_families(self)
        self.offer("project", Project.objects.filter(customer=customer) if customer else Project.objects.none())


class ProjectForm(PageModelForm):
    class Meta:
        model = Project
        fields = ["name", "note"]
        widgets = {"note": forms.Textarea(attrs={"rows": 2})}


class LocalTimes(PageForm):
    """
    A form whose times of a day must be one time each: none that the clocks skip or show twice.

    Parameters
    ----------
    tz
        Where the times are; without, where whoever fills it in works.
    """

    CLOCKS: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """The field of each day, and those of its times."""

    def __init__(self, *args: Any, tz: dt.tzinfo | None = None, **kwargs: Any) -> None:
        self._tz = tz
        super().__init__(*args, **kwargs)

    @property
    def tz(self) -> dt.tzinfo:
        return self._tz or self.asker.own_branch.tz

    def zone(self) -> dt.tzinfo | None:
        """Where the times are; None where that is not known yet."""
        return self.tz

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        tz = self.zone()
        for day, names in self.CLOCKS:
            for name in names:
                time = data.get(name)
                if tz is not None and data.get(day) and time and (problem := clock_problem(tz, data[day], time)):
                    self.add_error(name, problem)
        return data


def _offer_families(form: forms.Form | forms.ModelForm[Any]) -> None:
    """The product families a customer may ask for."""
    form.fields["product_expected"] = forms.ChoiceField(
        label="Product", required=False, choices=[("", "not known yet"), *ports.families], help_text="most of them"
    )


class WishFields:
    """Days of the week and hours of a day, as two forms ask for them."""

    DAYS = tuple((str(number), name[:3]) for number, name in enumerate(calendar.day_name))

    @staticmethod
    def days(label: str) -> forms.MultipleChoiceField:
        return forms.MultipleChoiceField(
            label=label, choices=WishFields.DAYS, required=False, widget=forms.CheckboxSelectMultiple()
        )

    @staticmethod
    def read(kind: str, days: Sequence[str], starts: dt.time | None, ends: dt.time | None) -> list[Wish]:
        """One a weekday; one for every day where only hours were given; none where nothing was."""
        if days:
            return [Wish(kind=kind, weekday=int(day), starts=starts, ends=ends) for day in days]
        return [Wish(kind=kind, starts=starts, ends=ends)] if starts or ends else []


class WishForm(PageForm):
    """When the customer can, or can't, be there in any week; beside other forms of times on one page."""

    kind = forms.ChoiceField(choices=Wish.Kind.choices, label="The customer can")
    days = WishFields.days("Weekdays")
    starts = forms.TimeField(label="After", widget=TimeInput(), required=False)
    ends = forms.TimeField(
        label="Until", widget=TimeInput(), required=False, help_text="of any week; kept with the job"
    )

    def prepare(self) -> None:
        self.auto_id = "wish_%s"

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        begin, end = data.get("starts"), data.get("ends")
        if begin and end and end <= begin:
            self.add_error("ends", "It ends before it begins.")
        if not (data.get("days") or begin or end) and not self.errors:
            self.add_error("days", "Say which days, or after or until when.")
        return data

    def wishes(self) -> list[Wish]:
        data = self.cleaned_data
        return WishFields.read(data["kind"], data["days"], data["starts"], data["ends"])


def colleagues(asker: User) -> QuerySet[User]:
    """Who works where this person does, by name."""
    return User.people.filter(branch=asker.branch_id or 0, is_active=True).order_by("name", "username")


class CallForm(PageForm):
    on = forms.DateField(label="Call customer by", widget=DateInput())
    note = forms.CharField(label="Why", max_length=240, required=False, help_text="empty: no time was found")
    owner = forms.ModelChoiceField(User.objects.none(), label="Who calls", required=False, empty_label="me")

    def prepare(self) -> None:
        self.offer("owner", colleagues(self.asker).exclude(pk=self.asker.pk))


class CallAboutForm(PageModelForm):
    """What a service call is about."""

    class Meta:
        model = ServiceCall
        fields = ("product", "fault", "made_by", "years", "parts", "trip_charge")


class ServiceForm(CallAboutForm):
    """The same on a page of its own, with a picture."""

    file = forms.FileField(label="Photo", required=False, widget=forms.FileInput(attrs={"accept": "image/*"}))


class HereForm(PageForm):
    """Where a phone is, by itself."""

    latitude = forms.FloatField(min_value=-90, max_value=90)
    longitude = forms.FloatField(min_value=-180, max_value=180)
    accuracy_m = forms.FloatField(min_value=0, max_value=100_000)


class BookForm(LocalTimes):
    """The job's part of a booking, and when the customer can and can't."""

    CLOCKS = (("can_day", ("can_from", "can_until")), ("not_day", ("not_from", "not_until")))

    purpose = forms.ChoiceField(
        label="What for", required=False, initial=Purpose.MEASURE, widget=forms.RadioSelect,
        choices=[(Purpose.MEASURE, "Measure"), (Purpose.SERVICE, "Service call")],
    )  # fmt: skip

    openings_expected = forms.IntegerField(label="Openings", min_value=1, max_value=999, initial=1)
    product_expected = forms.ChoiceField(label="Product", required=False, help_text="most of them")
    rooms_expected = forms.CharField(label="Rooms", max_length=240, required=False)
    people = forms.IntegerField(min_value=1, max_value=20, required=False, initial=1, help_text="at once on site")
    minutes = forms.IntegerField(
        label="Minutes on site", min_value=5, max_value=1440, required=False, help_text="empty: by the openings"
    )
    only_days = WishFields.days("Only on")
    only_from = forms.TimeField(label="Only after", widget=TimeInput(), required=False)
    only_until = forms.TimeField(label="Only until", widget=TimeInput(), required=False)
    never_days = WishFields.days("Never on")
    never_from = forms.TimeField(label="Not after", widget=TimeInput(), required=False)
    never_until = forms.TimeField(label="Not until", widget=TimeInput(), required=False)
    can_day = forms.DateField(label="Only on", widget=DateInput(), required=False)
    can_from = forms.TimeField(label="From", widget=TimeInput(), required=False)
    can_until = forms.TimeField(label="Until", widget=TimeInput(), required=False)
    not_day = forms.DateField(label="Can't be there on", widget=DateInput(), required=False)
    not_from = forms.TimeField(label="From", widget=TimeInput(), required=False)
    not_until = forms.TimeField(label="Until", widget=TimeInput(), required=False)
    project = forms.ModelChoiceField(Project.objects.none(), required=False, empty_label="none")
    phase = forms.CharField(max_length=60, required=False)
    note = forms.CharField(widget=forms.Textarea(attrs={"rows": 2}), required=False)
    window = forms.CharField(required=False, widget=forms.HiddenInput())

    def __init__(self, *args: Any, customer: Customer | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        projects = customer.projects.all() if customer else Project.objects.none()
        self.offer("project", projects)
        _offer_families(self)
        if not projects.exists():
            del self.fields["project"], self.fields["phase"]

    def clean_purpose(self) -> str:
        return self.cleaned_data["purpose"] or Purpose.MEASURE.value

    def job_values(self) -> dict[str, Any]:
        """The job's own fields of what was filled in."""
        names = ("openings_expected", "product_expected", "rooms_expected", "note", "project", "phase")
        return {name: self.cleaned_data[name] for name in names if name in self.fields}

    def possible(self) -> list[tuple[dt.datetime, dt.datetime]]:
        """The window the customer can take, as instants; none is any time."""
        return self._span("can")

    def impossible(self) -> list[tuple[dt.datetime, dt.datetime]]:
        """The stretch the customer can't be there, as instants."""
        return self._span("not")

    def wishes(self) -> list[Wish]:
        """When the customer can be there in any week."""
        data, kinds = self.cleaned_data, (("only", Wish.Kind.ONLY), ("never", Wish.Kind.NOT))
        return [
            wish
            for name, kind in kinds
            for wish in WishFields.read(
                kind, data.get(f"{name}_days") or [], data.get(f"{name}_from"), data.get(f"{name}_until")
            )
        ]

    def _span(self, kind: str) -> list[tuple[dt.datetime, dt.datetime]]:
        data = self.cleaned_data
        if not data.get(f"{kind}_day"):
            return []
        starts, ends = data.get(f"{kind}_from"), data.get(f"{kind}_until")
        return [_stretch(self.tz, data[f"{kind}_day"], starts, ends)]

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        for kind in ("can", "not", "only", "never"):
            begin, end = data.get(f"{kind}_from"), data.get(f"{kind}_until")
            if begin and end and end <= begin:
                self.add_error(f"{kind}_until", "It ends before it begins.")
        return data


class HoldForm(PageForm):
    reason = forms.ChoiceField(choices=Job.Hold.choices, label="Waits for")
    note = forms.CharField(max_length=240, required=False)
    due_on = forms.DateField(label="To settle by", required=False, widget=DateInput(), help_text="empty: in a week")
    owner = forms.ModelChoiceField(User.objects.none(), label="Who settles it", required=False, empty_label="me")

    def prepare(self) -> None:
        self.offer("owner", colleagues(self.asker).exclude(pk=self.asker.pk))


class KeyForm(PageForm):
    label = forms.CharField(label="What its tag says", max_length=60)


class KeyOutForm(PageForm):
    holder = forms.ModelChoiceField(User.objects.none(), label="Who takes it")
    due_on = forms.DateField(label="Back by", required=False, widget=DateInput(), help_text="empty: today")

    def prepare(self) -> None:
        self.offer("holder", colleagues(self.asker))


class OrderForm(PageModelForm):
    """What the order comes to."""

    class Meta:
        model = Job
        fields = ("order_value", "deposit")
        labels = {"order_value": "Order value", "deposit": "Deposit asked"}
        help_texts = {"order_value": "tax and all", "deposit": "paid before it is made; paid, its hold ends"}


class PaymentForm(PageForm):
    amount = forms.DecimalField(max_digits=11, decimal_places=2, min_value=Decimal("0.01"), max_value=100_000_000)
    how = forms.ChoiceField(choices=Payment.How.choices)
    note = forms.CharField(max_length=120, required=False, help_text="such as the check's number")


class ReasonForm(PageForm):
    reason = forms.CharField(max_length=240, label="Why", error_messages={"required": "Say why, in a few words."})


class TellDateForm(PageForm):
    on = forms.DateField(label="Installed by", widget=DateInput())


class CantForm(LocalTimes):
    """A stretch the customer can't be there; without hours, the whole day."""

    CLOCKS = (("not_day", ("not_from", "not_until")),)

    not_day = forms.DateField(label="Can't be there on", widget=DateInput())
    not_from = forms.TimeField(label="From", widget=TimeInput(), required=False)
    not_until = forms.TimeField(label="Until", widget=TimeInput(), required=False)

    def span(self) -> tuple[dt.datetime, dt.datetime]:
        data = self.cleaned_data
        return _stretch(self.tz, data["not_day"], data["not_from"], data["not_until"])


class TimesForm(LocalTimes):
    """One more stretch in which the customer can, or can't, be there; without hours, the whole day."""

    CLOCKS = (("day", ("starts", "ends")),)

    KINDS = (("can", "can, at this time"), ("cant", "can't, at this time"))

    kind = forms.ChoiceField(choices=KINDS, label="The customer")
    day = forms.DateField(widget=DateInput())
    starts = forms.TimeField(label="From", widget=TimeInput(), required=False)
    ends = forms.TimeField(label="Until", widget=TimeInput(), required=False, help_text="both empty: the whole day")

    def span(self) -> tuple[dt.datetime, dt.datetime]:
        data = self.cleaned_data
        return _stretch(self.tz, data["day"], data["starts"], data["ends"])


def _stretch(
    tz: dt.tzinfo, day: dt.date, starts: dt.time | None, ends: dt.time | None
) -> tuple[dt.datetime, dt.datetime]:
    """A stretch of a day as instants; it begins and ends with the day where no hour is given."""
    end = local(tz, day, ends) if ends else local(tz, day + dt.timedelta(days=1), dt.time(0))
    return local(tz, day, starts or dt.time(0)), end


# -- appointments ------------------------------------------------------------------------


class VisitForm(PageForm):
    """A visit to ask for, or to change."""

    purpose = forms.ChoiceField(choices=Purpose.choices)
    duration_min = forms.IntegerField(
        label="Minutes on site",
        min_value=1,
        max_value=1440,
        required=False,
        help_text="empty: by its openings or units",
    )
    people = forms.IntegerField(min_value=1, max_value=20, initial=1)
    priority = forms.IntegerField(min_value=1, max_value=100, initial=1, help_text="1 is ordinary; larger matters more")
    earliest_on = forms.DateField(label="Not before", widget=DateInput(), required=False)
    skills = forms.ModelMultipleChoiceField(
        Skill.objects.none(), required=False, widget=forms.CheckboxSelectMultiple(), label="Skills needed"
    )
    note = forms.CharField(widget=forms.Textarea(attrs={"rows": 2}), required=False)

    def prepare(self) -> None:
        skills = Skill.objects.visible_to(self.asker)
        self.offer("skills", skills)
        if not skills.exists():
            del self.fields["skills"]


class MoveForm(LocalTimes):
    """Where to put an appointment: crew, day, time; or the instant itself, as the board sends it."""

    CLOCKS = (("day", ("time",)),)

    crew = forms.ModelChoiceField(Crew.objects.none())
    day = forms.DateField(widget=DateInput())
    time = forms.TimeField(widget=TimeInput())
    anyway = forms.BooleanField(required=False, label="I have seen what is wrong; do it anyway")
    version = forms.IntegerField(min_value=0, max_value=LARGEST_ID, required=False, widget=forms.HiddenInput())

    def prepare(self) -> None:
        self.offer("crew", Crew.objects.visible_to(self.asker).filter(is_active=True))

    def zone(self) -> dt.tzinfo | None:
        crew = self.cleaned_data.get("crew")
        return crew.branch.tz if crew is not None else None

    @property
    def starts_at(self) -> dt.datetime:
        data = self.cleaned_data
        return local(data["crew"].branch.tz, data["day"], data["time"])


class PromiseForm(PageForm):
    """The window to promise, on the day the visit stands."""

    window_from = forms.TimeField(label="From", widget=TimeInput())
    window_until = forms.TimeField(label="Until", widget=TimeInput())

    def __init__(self, *args: Any, day: dt.date | None = None, tz: dt.tzinfo | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.day, self.tz = day, tz

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        for name in ("window_from", "window_until"):
            if self.day and self.tz and name in data and (problem := clock_problem(self.tz, self.day, data[name])):
                self.add_error(name, problem)
        return data

    def window(self) -> tuple[dt.datetime, dt.datetime]:
        """Its edges as instants."""
        assert self.day is not None
        assert self.tz is not None
        names = ("window_from", "window_until")
        begin, end = (local(self.tz, self.day, self.cleaned_data[name]) for name in names)
        return begin, end


class SplitForm(PageForm):
    first_min = forms.IntegerField(label="Minutes of the first visit", min_value=1, max_value=1440)


class SwapForm(PageForm):
    one = forms.ModelChoiceField(Crew.objects.none(), label="Crew")
    other = forms.ModelChoiceField(Crew.objects.none(), label="With")
    day = forms.DateField(widget=forms.HiddenInput())
    anyway = forms.BooleanField(required=False, label="Even if one lacks a skill or comes late")

    def prepare(self) -> None:
        for name in ("one", "other"):
            crews = Crew.objects.visible_to(self.asker).filter(is_active=True)
            self.offer(name, crews)


class ReadinessForm(PageForm):
    """What was asked about a site before driving there."""

    NOT_SAID: ClassVar[str] = "not asked"
    NOTE: ClassVar[str] = "Note"
    ANSWERS: ClassVar = ReadinessAnswer.Answer.choices

    def __init__(self, *args: Any, answers: dict[str, ReadinessAnswer], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for question, label in ReadinessAnswer.Question.choices:
            known = answers.get(question)
            self.fields[question] = forms.ChoiceField(
                label=gettext(str(label)).capitalize(),
                choices=[("", gettext(self.NOT_SAID)), *((key, gettext(str(word))) for key, word in self.ANSWERS)],
                required=False,
                initial=known.answer if known else "",
            )
        self.fields["note"] = forms.CharField(label=gettext(self.NOTE), max_length=160, required=False)


class YourReadinessForm(ReadinessForm):
    """The same, asked of the customer on their page, in their language."""

    NOT_SAID = gettext_noop("no answer yet")
    NOTE = gettext_noop("Anything else?")


# -- crews -------------------------------------------------------------------------------


class CrewForm(PageModelForm):
    instance: Crew
    purposes = forms.MultipleChoiceField(
        choices=Purpose.choices, widget=forms.CheckboxSelectMultiple(), label="Drives for", required=False,
        help_text="none ticked: for anything",
    )  # fmt: skip
    base = CoordinatesField(required=False, help_text="where its day begins and ends; empty: the branch")
    skills = forms.ModelMultipleChoiceField(Skill.objects.none(), required=False, widget=forms.CheckboxSelectMultiple())

    class Meta:
        model = Crew
        fields = ["name", "purposes", "skills", "people", "overtime_min", "truck_longest", "is_active"]
        labels = {
            "overtime_min": "Overtime, minutes at most",
            "truck_longest": "Longest package in the truck",
            "is_active": "Drives",
        }

    def prepare(self) -> None:
        self.offer("skills", Skill.objects.visible_to(self.asker))
        crew = self.instance
        if crew.latitude is not None:
            self.initial["base"] = f"{crew.latitude}, {crew.longitude}"

    def values(self) -> dict[str, Any]:
        point = self.cleaned_data.get("base")
        found = {name: self.cleaned_data[name] for name in self.Meta.fields if name != "skills"}
        found["latitude"], found["longitude"] = point if point else (None, None)
        return found


class HoursForm(PageForm):
    """A crew's usual week."""

    DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

    def __init__(self, *args: Any, crew: Crew, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = {row.weekday: row for row in crew.hours.all()}
        for day, name in enumerate(self.DAYS):
            row = known.get(day)
            for part in ("starts", "ends", "lunch_from", "lunch_until"):
                self.fields[f"{part}_{day}"] = forms.TimeField(
                    label=f"{name} {part.replace('_', ' ')}",
                    widget=TimeInput(),
                    required=False,
                    initial=getattr(row, part) if row else None,
                )
            self.fields[f"lunch_min_{day}"] = forms.IntegerField(
                label=f"{name} lunch, minutes",
                required=False,
                min_value=0,
                max_value=180,
                initial=row.lunch_min if row else 30,
            )

    def rows(self) -> list[tuple[str, list[forms.BoundField]]]:
        """Name of each weekday and its boxes."""
        parts = ("starts", "ends", "lunch_from", "lunch_until", "lunch_min")
        return [(name, [self[f"{part}_{day}"] for part in parts]) for day, name in enumerate(self.DAYS)]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        for day in range(7):
            begin, end = data.get(f"starts_{day}"), data.get(f"ends_{day}")
            if bool(begin) != bool(end):
                self.add_error(f"ends_{day}" if begin else f"starts_{day}", "Give both hours, or none for no work.")
        return data

    def hours(self) -> list[dict[str, Any]]:
        data = self.cleaned_data
        return [
            {
                "weekday": day,
                "starts": data[f"starts_{day}"],
                "ends": data[f"ends_{day}"],
                "lunch_from": data[f"lunch_from_{day}"],
                "lunch_until": data[f"lunch_until_{day}"],
                "lunch_min": data[f"lunch_min_{day}"] or 0,
            }
            for day in range(7)
            if data.get(f"starts_{day}")
        ]


class WeekForm(PageForm):
    """When crews work, as the set-up asks for all of them at once."""

    days = forms.TypedMultipleChoiceField(
        label="Working days",
        choices=list(enumerate(HoursForm.DAYS)),
        coerce=int,
        initial=[0, 1, 2, 3, 4],
        widget=forms.CheckboxSelectMultiple,
    )
    starts = forms.TimeField(label="From", initial=dt.time(8), widget=TimeInput())
    ends = forms.TimeField(label="Until", initial=dt.time(17), widget=TimeInput())
    holiday_country = forms.CharField(
        label="Public holidays of",
        required=False,
        max_length=2,
        initial="US",
        help_text="Two letters, such as US or CA; empty: none.",
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        if data.get("starts") and data.get("ends") and data["ends"] <= data["starts"]:
            self.add_error("ends", "The day ends before it begins.")
        country = data["holiday_country"] = data.get("holiday_country", "").upper()
        if country and not knows_holidays(country, ""):
            self.add_error("holiday_country", f"No public holidays are known for {country}.")
        return data


class NewCrewForm(PageForm):
    """A crew, as the set-up asks for it."""

    name = forms.CharField(max_length=60, label="Crew", help_text="Such as: Milo's crew.")
    purposes = forms.MultipleChoiceField(
        label="Drives for",
        choices=[("measure", "measuring"), ("install", "installing")],
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="None ticked: for both.",
    )
    people = forms.IntegerField(min_value=1, max_value=20, initial=1, label="People")

    def facts(self) -> dict[str, Any]:
        """What is to be kept: a purpose of the set-up is several of the calendar's."""
        data = self.cleaned_data
        purposes = [purpose for kind in data["purposes"] for purpose in DRIVES_FOR[kind]]
        return {"name": data["name"], "purposes": purposes, "people": data["people"]}


DRIVES_FOR: Final = {"measure": MEASURING, "install": INSTALLING}


class CrewPersonForm(NewPersonForm):
    """A new person, with the crew they drive with."""

    crew = forms.ModelChoiceField(Crew.objects.none(), required=False, label="Drives with", empty_label="no crew")
    field_order = ("name", "role_names", "crew", "phone", "email", "username", "password")

    def prepare(self) -> None:
        super().prepare()
        self.offer("crew", Crew.objects.visible_to(self.asker))
        del self.fields["password"]


class OwnCrewForm(PageForm):
    """The crew that somebody who is there already drives with."""

    user = forms.ModelChoiceField(User.objects.none(), label="Person")
    into = forms.ModelChoiceField(Crew.objects.none(), label="Drives with")

    def prepare(self) -> None:
        people = User.people.visible_to(self.asker).filter(branch=self.asker.branch, is_active=True)
        self.offer("user", people)
        self.offer("into", Crew.objects.visible_to(self.asker))


class CrewDayForm(PageModelForm):
    class Meta:
        model = CrewDay
        fields = ["day", "is_off", "starts", "ends", "people", "note"]
        widgets = {"day": DateInput(), "starts": TimeInput(), "ends": TimeInput()}
        labels = {"is_off": "Off that day"}


class AbsenceForm(LocalTimes):
    CLOCKS = (("from_day", ("from_time",)), ("until_day", ("until_time",)))

    user = forms.ModelChoiceField(User.objects.none(), required=False, label="Who", empty_label="The whole crew")
    from_day = forms.DateField(label="From", widget=DateInput())
    from_time = forms.TimeField(label="At", widget=TimeInput(), required=False)
    until_day = forms.DateField(label="Until", widget=DateInput(), help_text="the last day")
    until_time = forms.TimeField(label="At", widget=TimeInput(), required=False)
    reason = forms.CharField(max_length=120, required=False)

    def __init__(self, *args: Any, crew: Crew, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.crew = crew
        people = User.objects.filter(crew_memberships__crew=crew).distinct()
        self.offer("user", people)

    def zone(self) -> dt.tzinfo | None:
        return self.crew.branch.tz

    def span(self) -> tuple[dt.datetime, dt.datetime]:
        data, tz = self.cleaned_data, self.crew.branch.tz
        begin = local(tz, data["from_day"], data["from_time"] or dt.time(0))
        if data["until_time"]:
            return begin, local(tz, data["until_day"], data["until_time"])
        return begin, local(tz, data["until_day"] + dt.timedelta(days=1), dt.time(0))


class OutForm(LocalTimes):
    """From when a crew can't go on, today or on another day."""

    CLOCKS = (("day", ("time",)),)

    day = forms.DateField(widget=DateInput())
    time = forms.TimeField(label="Out from", widget=TimeInput())
    fetch = forms.ChoiceField(
        label="What is on the van", required=False, choices=[("van", "meet at the van"), (BASE, "go back for it")]
    )
    minutes = forms.IntegerField(label="Minutes there", min_value=1, max_value=240, required=False, initial=MINUTES)
    reason = forms.CharField(max_length=120, required=False, help_text="such as: the van broke down")

    def since(self) -> dt.datetime:
        return local(self.tz, self.cleaned_data["day"], self.cleaned_data["time"])


class DayMoveForm(PageForm):
    """A whole day that can't be driven, and over which days it is moved."""

    day = forms.DateField(widget=forms.HiddenInput())
    until_on = forms.DateField(label="To the days up to", widget=DateInput())
    reason = forms.CharField(max_length=60, help_text="such as: ice storm")


class MemberForm(PageForm):
    user = forms.ModelChoiceField(User.objects.none(), label="Who")
    from_on = forms.DateField(label="From", widget=DateInput())
    until_on = forms.DateField(label="Until", widget=DateInput(), required=False)

    def prepare(self) -> None:
        people = User.objects.filter(branch=self.asker.branch, is_active=True, groups__name__in=roles.FIELD).distinct()
        self.offer("user", people)
        self.initial.setdefault("from_on", timezone.localdate())


class HolidayForm(PageModelForm):
    class Meta:
        model = Holiday
        fields = ["day", "name", "is_worked"]
        widgets = {"day": DateInput()}
        labels = {"is_worked": "We do work on this day"}
        help_texts = {"is_worked": "for a public holiday the branch works on"}


class RulesForm(PageModelForm):
    class Meta:
        model = CalendarRules
        fields = [
            "drive_price", "paid_price", "overtime_price", "moved_price", "wait_price", "overdue_price", "chance_floor",
            "reservation_min", "pack_days", "days_offered", "ask_days", "road_factor", "holiday_country",
            "holiday_region",
        ]  # fmt: skip


class QuietForm(PageModelForm):
    """When no message is sent."""

    class Meta:
        model = CalendarRules
        fields = ["quiet_from", "quiet_until"]
        widgets = {"quiet_from": TimeInput(), "quiet_until": TimeInput()}


class WordsForm(PageModelForm):
    """What one kind of message says in a language; whether it is sent is said once for all of them."""

    instance: MessageWords

    def prepare(self) -> None:
        if self.instance.language:
            del self.fields["is_on"]

    class Meta:
        model = MessageWords
        fields = ["is_on", "subject", "body", "short"]
        labels = {"is_on": "Sent automatically"}
        widgets = {"body": forms.Textarea(attrs={"rows": 8}), "short": forms.Textarea(attrs={"rows": 3})}


class ImportForm(PageForm):
    kind = forms.ChoiceField(label="What it holds")
    file = forms.FileField(label="CSV or XLSX file", help_text="the first line names the columns; any names do")
    source = forms.CharField(
        label="Whose tables these are", required=False, max_length=80,
        help_text="such as a builder's name: which column is which is kept for the next one",
    )  # fmt: skip
    job = forms.CharField(
        label="Job", required=False, max_length=16, help_text="for openings of one job: its number, such as J-1004"
    )


class PlanForm(PageForm):
    """Which days to plan, and how."""

    from_on = forms.DateField(label="From", widget=DateInput())
    until_on = forms.DateField(label="Until", widget=DateInput())
    crews = forms.ModelMultipleChoiceField(
        Crew.objects.none(), required=False, widget=forms.CheckboxSelectMultiple(), help_text="none ticked: all"
    )
    with_unplaced = forms.BooleanField(required=False, label="Schedule what is not scheduled yet, too")
    keep = forms.BooleanField(
        required=False, label="A crew is out: leave the others where they are, move only what lost its crew"
    )
    careful = forms.BooleanField(
        required=False, label="Careful: plan with the minutes that 85 of 100 visits keep, not the mean"
    )
    sure = forms.BooleanField(
        required=False, label="Reliable: every confirmed appointment 95% on time, where that can be had"
    )
    seconds = forms.IntegerField(min_value=1, max_value=600, initial=10, label="Seconds to search")
    reason = forms.CharField(max_length=200, required=False, label="Why")

    def prepare(self) -> None:
        crews = Crew.objects.visible_to(self.asker).filter(is_active=True)
        self.offer("crews", crews)


class SkillForm(PageForm):
    name = forms.CharField(max_length=60, label="New skill")


class WindowsForm(PageForm):
    """Appointment windows offered on the phone, a line each."""

    windows = forms.CharField(
        widget=forms.Textarea(attrs={"rows": 5}),
        label="Appointment windows offered on the phone",
        help_text="a line each: 8:00 to 10:00",
    )

    def clean_windows(self) -> list[tuple[dt.time, dt.time]]:
        found = []
        for line in self.cleaned_data["windows"].splitlines():
            if not line.strip():
                continue
            times = re.fullmatch(r"\s*(\d{1,2}):(\d{2})\s*(?:to|-|–)\s*(\d{1,2}):(\d{2})\s*", line)
            try:
                if times is None:
                    raise ValueError
                begin, end = dt.time(int(times[1]), int(times[2])), dt.time(int(times[3]), int(times[4]))
            except ValueError:
                raise forms.ValidationError(f"{line.strip()} is no window; write 8:00 to 10:00.") from None
            if end <= begin:
                raise forms.ValidationError(f"{line.strip()} ends before it begins.")
            found.append((begin, end))
        if not found or len(found) > 12 or len(set(found)) < len(found):
            raise forms.ValidationError("Give one to twelve windows, each once.")
        return sorted(found)
