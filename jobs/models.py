"""The job and its calendar: who asked for what, where, and who drives there when."""

from __future__ import annotations

import calendar
import datetime as dt
import uuid
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self, TypeVar
from urllib.parse import quote

from django.conf import settings
from django.core import signing
from django.core.validators import MaxLengthValidator
from django.db import models
from django.db.models import F, Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_noop

from jobs.rules.dates import CAREFUL as CAREFUL_WAITS
from jobs.rules.dates import STEPS, Waits, Way
from jobs.rules.message_languages import LANGUAGES
from jobs.rules.variation import CAREFUL, Variation
from shared.fields import DAYS, LONGEST_NOTE, LengthField, between, held_within
from shared.formats import dates
from shared.formats.distance import ground_text
from shared.formats.money import extra_cost

if TYPE_CHECKING:
    from shared.models import Branch, User


M = TypeVar("M", bound=models.Model)
MESSAGE_LANGUAGES: Final = [("", "as the pages"), *((key, one.name) for key, one in LANGUAGES.items())]


def _moment(when: dt.datetime) -> str:
    here = timezone.localtime(when)
    return f"{dates.month_day(here)} {dates.clock(here)}"


def _stretch(begin: dt.datetime, end: dt.datetime) -> str:
    return f"{_moment(begin)} to {dates.clock(timezone.localtime(end))}"


class Purpose(models.TextChoices):
    """What somebody drives to a site for."""

    MEASURE = "measure", "measure"
    CHECK = "check_measure", "check measure"
    INSTALL = "install", "install"
    RETURN = "return", "return"
    TAKE_DOWN = "take_down", "take-down"
    DELIVERY = "delivery", "delivery"
    SERVICE = "service", "service call"


MEASURING = (Purpose.MEASURE, Purpose.CHECK)
INSTALLING = (Purpose.INSTALL, Purpose.RETURN, Purpose.TAKE_DOWN, Purpose.DELIVERY, Purpose.SERVICE)
ASKED_READY = tuple(purpose for purpose in INSTALLING if purpose != Purpose.SERVICE)
"""Visits before which somebody asks whether the site is ready."""


class BranchQuerySet(models.QuerySet[M]):
    """Rows that belong to one branch and are seen by the office of that branch."""

    branch_path = "branch"

    def in_branch_of(self, user: User) -> Self:
        if user.is_of_whole_firm:
            return self
        return self.filter(**{self.branch_path: user.branch_id}) if user.branch_id else self.none()

    def visible_to(self, user: User) -> Self:
        return self.in_branch_of(user)


# -- who and where ---------------------------------------------------------------


class Customer(models.Model):
    """Who pays."""

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="customers")
    name = models.CharField(max_length=120)
    phone = models.CharField(max_length=40, blank=True)
    email = models.EmailField(blank=True)
    takes_texts = models.BooleanField("agreed to text messages", default=False, db_default=False)
    no_messages = models.BooleanField(
        "wants no messages", default=False, db_default=False, help_text="asked us to stop: nothing is sent"
    )
    language = models.CharField(
        "language of messages", max_length=2, choices=MESSAGE_LANGUAGES, blank=True, default="", db_default=""
    )
    note = models.TextField(blank=True, validators=[MaxLengthValidator(LONGEST_NOTE)])
    erased_at = models.DateTimeField(null=True, blank=True, editable=False, help_text="when their data was erased")

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["name", "pk"]

    def __str__(self) -> str:
        return self.name


def whose(person: User | None) -> str:
    """Whose turn something is: a person's, else the dispatcher's."""
    return str(person) if person is not None and person.is_active else "dispatcher"


class Project(models.Model):
    """Many sites or phases under one customer, such as a building of 200 openings."""

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="projects")
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="projects")
    name = models.CharField(max_length=120)
    note = models.TextField(blank=True, validators=[MaxLengthValidator(LONGEST_NOTE)])

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["name", "pk"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("jobs:project", args=[self.pk])


class Site(models.Model):
    """An address somebody drives to, and what they must know to get in and work there."""

    class PlaceFrom(models.TextChoices):
        STREET = "street", "other sites on its street"
        SERVER = "server", "a search for its address"
        POSTCODE = "postcode", "its postcode"
        TOWN = "town", "other sites in its town"
        BRANCH = "branch", "where the branch is"

    class Access(models.TextChoices):
        MET = "met", "met at the door"
        KEY = "key", "key"
        CODE = "code", "code"
        DESK = "desk", "front desk"

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="sites")
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="sites")
    name = models.CharField(max_length=120, blank=True, help_text="such as: summer house, building B")
    street = models.CharField(max_length=160)
    line2 = models.CharField("unit or floor", max_length=160, blank=True)
    town = models.CharField(max_length=80)
    postcode = models.CharField(max_length=20, blank=True)
    latitude = models.FloatField(null=True, blank=True, validators=between(-90, 90))
    longitude = models.FloatField(null=True, blank=True, validators=between(-180, 180))
    place_from = models.CharField(
        "place taken from", max_length=10, choices=PlaceFrom.choices, blank=True, default="", db_default=""
    )
    place_within_m = models.PositiveIntegerField(
        "meters the place may be off", null=True, blank=True, help_text="none where somebody gave it"
    )
    year_built = models.PositiveSmallIntegerField(null=True, blank=True, validators=between(1600, 2100))
    floor = models.SmallIntegerField(default=0, validators=between(-9, 200), help_text="0 is the ground floor")
    has_lift = models.BooleanField("lift", default=False)
    longest_in_lift = LengthField(null=True, blank=True, help_text="the longest package the lift takes")
    longest_on_stair = LengthField(null=True, blank=True, help_text="the longest package the stair takes")
    children = models.BooleanField(
        "children live or visit here", default=True, help_text="yes unless the customer says no"
    )
    pets = models.CharField(max_length=80, blank=True)
    parking = models.CharField(max_length=160, blank=True)
    access = models.CharField(max_length=8, choices=Access.choices, default=Access.MET)
    access_secret = models.CharField(
        "code, or where the key is",
        max_length=80,
        blank=True,
        help_text="shown to the crew on the day only, never printed",
    )
    access_note = models.CharField(max_length=240, blank=True)
    door_contact = models.CharField("who opens, if not the payer", max_length=120, blank=True)
    door_phone = models.CharField(max_length=40, blank=True)
    notice_needed = models.CharField("notice to a tenant", max_length=120, blank=True)
    hours_from = models.TimeField("building hours from", null=True, blank=True)
    hours_until = models.TimeField("building hours until", null=True, blank=True)
    dock_note = models.CharField("dock or lift slot", max_length=120, blank=True)
    certificate_note = models.CharField("insurance certificate", max_length=120, blank=True)
    certificate_until = models.DateField(
        "certificate valid until",
        null=True,
        blank=True,
        validators=DAYS,
        help_text="a visit after that day asks for a new one",
    )

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["town", "street", "pk"]
        constraints = [
            models.CheckConstraint(
                name="site_coordinates_both_or_none",
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(latitude__isnull=False, longitude__isnull=False),
            )
        ]

    def __str__(self) -> str:
        return self.address

    @property
    def address(self) -> str:
        return ", ".join(part for part in (self.street, self.line2, self.town, self.postcode) if part)

    @property
    def where(self) -> str:
        """The address of whoever goes there, with the floor above the ground they go up to."""
        return f"{self.address} · floor {self.floor}" if self.floor else self.address

    @property
    def directions(self) -> str:
        """The address that a phone's own map opens: the point where there is one, and what it is called."""
        at = "0,0" if self.latitude is None else f"{self.latitude},{self.longitude}"
        return f"geo:{at}?q={quote(self.address)}"

    @property
    def point(self) -> tuple[float, float] | None:
        """Longitude and latitude, in degrees; None until somebody said where it is."""
        if self.latitude is None or self.longitude is None:
            return None
        return self.longitude, self.latitude

    def has_coordinates(self) -> bool:
        return self.point is not None

    @property
    def place_text(self) -> str:
        """How exact the place is; empty where somebody gave it."""
        if not self.has_coordinates():
            return "no coordinates"
        if not self.place_from or self.place_within_m is None:
            return ""
        off = self.place_within_m
        about = ground_text(off / 1000, self.branch.unit)
        return f"place taken from {self.get_place_from_display()}, within about {about}"

    def is_before_1978(self) -> bool:
        """Unknown years count as old: the paint rule asks then (see measuring findings)."""
        return self.year_built is None or self.year_built < 1978

    @property
    def paint_caution(self) -> str:
        """What whoever works on its painted surfaces must know; empty in a newer building."""
        if not self.is_before_1978():
            return ""
        when = f"Built {self.year_built}" if self.year_built else "Nobody knows when it was built"
        return f"{when}: treat painted surfaces as lead paint until tested."


class SiteKeyQuerySet(BranchQuerySet["SiteKey"]):
    branch_path = "site__branch"

    def out(self) -> SiteKeyQuerySet:
        """Those that somebody has with them."""
        return self.filter(holder__isnull=False)


class SiteKey(models.Model):
    """A key of a site that we keep: in the office, or signed out to somebody. What it opens is never on paper."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="keys")
    label = models.CharField(max_length=60, help_text="as its tag says, such as: 12, front door")
    holder = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="none: we have it",
    )
    out_at = models.DateTimeField(null=True, blank=True)
    due_on = models.DateField(null=True, blank=True, validators=DAYS, help_text="back by")
    given_back_at = models.DateTimeField(null=True, blank=True, help_text="to the customer: it is ours no more")

    objects = SiteKeyQuerySet.as_manager()

    class Meta:
        ordering = ["label", "pk"]

    def __str__(self) -> str:
        return f"key {self.label}"

    def is_late(self, today: dt.date) -> bool:
        """Whether it should be back by now."""
        return self.holder_id is not None and self.due_on is not None and self.due_on < today


class SearchEntryQuerySet(BranchQuerySet["SearchEntry"]):
    def visible_to(self, user: User) -> SearchEntryQuerySet:
        """The office and the workroom look through their branch; a field person through the sites of their jobs."""
        if user.has_role("dispatcher", "owner", "workroom"):
            return self.in_branch_of(user)
        return self.filter(site__in=Job.objects.visible_to(user).values("site"))


class SearchEntry(models.Model):
    """What a customer is found by, once for each of their sites; kept by `jobs.services.search`."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="+")
    customer = models.ForeignKey(Customer, models.CASCADE, related_name="search_entries")
    site = models.OneToOneField(Site, models.CASCADE, null=True, blank=True, related_name="search_entry")
    text = models.TextField(help_text="words between spaces; contact after a bar")

    objects = SearchEntryQuerySet.as_manager()

    def __str__(self) -> str:
        return self.text.strip()


class SearchWord(models.Model):
    """A word of some search entry, which a mistyped one may have meant."""

    word = models.CharField(max_length=80, unique=True)

    def __str__(self) -> str:
        return self.word


# -- the job ---------------------------------------------------------------------


class JobQuerySet(BranchQuerySet["Job"]):
    def visible_to(self, user: User) -> JobQuerySet:
        """The office sees its branch; a field person the jobs of their own crew's days."""
        if user.has_role("dispatcher", "owner", "workroom"):
            return self.in_branch_of(user)
        visits = Appointment.objects.visible_to(user).values("job")
        return self.filter(pk__in=visits)

    def open(self) -> JobQuerySet:
        return self.exclude(stage__in=[Job.Stage.CLOSED, Job.Stage.CANCELLED])


class Job(models.Model):
    """Everything for one customer at one site under one number."""

    class Stage(models.TextChoices):
        BOOKING = "booking", "booking"
        TO_MEASURE = "to_measure", "to measure"
        MEASURED = "measured", "measured"
        RELEASED = "released", "released"
        IN_WORKROOM = "in_workroom", "in the workroom"
        MADE = "made", "made"
        TO_INSTALL = "to_install", "to install"
        INSTALLED = "installed", "installed"
        CLOSED = "closed", "closed"
        PAUSED = "paused", "paused"
        CANCELLED = "cancelled", "cancelled"

    class Hold(models.TextChoices):
        DEPOSIT = "deposit", "deposit"
        APPROVAL = "approval", "approval"
        SITE = "site_not_ready", "site not ready"
        CLOTH = "own_cloth", "customer's own cloth"

    class Policy(models.TextChoices):
        TOGETHER = "together", "all together"
        AS_READY = "as_ready", "as ready"

    coming: list[Appointment]
    """Visits still to come, on rows read with `jobs.views.jobs.next_visits`."""
    live_visits: list[Appointment]
    """Visits that are not cancelled, on rows that the page of what needs attention read."""

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="jobs")
    number = models.CharField(max_length=16)
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="jobs")
    site = models.ForeignKey(Site, models.PROTECT, related_name="jobs")
    project = models.ForeignKey(Project, models.PROTECT, null=True, blank=True, related_name="jobs")
    phase = models.CharField(max_length=60, blank=True)
    title = models.CharField(max_length=160, blank=True)
    note = models.TextField(blank=True, validators=[MaxLengthValidator(LONGEST_NOTE)])
    openings_expected = models.PositiveSmallIntegerField(default=1, validators=between(1, 999))
    product_expected = models.CharField(
        max_length=30, blank=True, default="", db_default="", help_text="family most of them ask for"
    )
    rooms_expected = models.CharField(max_length=240, blank=True, help_text="as the customer says them")
    policy = models.CharField(max_length=10, choices=Policy.choices, default=Policy.TOGETHER)
    stage = models.CharField(max_length=12, choices=Stage.choices, default=Stage.BOOKING)
    stage_since = models.DateTimeField(default=timezone.now)
    hold = models.CharField(max_length=16, choices=Hold.choices, blank=True)
    hold_note = models.CharField(max_length=240, blank=True)
    hold_due = models.DateField(null=True, blank=True, help_text="the hold is to be settled by then")
    hold_owner = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+", help_text="who settles it"
    )
    customer_measures = models.BooleanField(
        "the customer measures", default=False, db_default=False,
        help_text="they see the sizes, approve them and answer for them; otherwise the firm does",
    )  # fmt: skip
    cancelled_at = models.DateTimeField(null=True, blank=True)
    wanted_by = models.DateField(null=True, blank=True, help_text="the customer's own date, if any")
    order_value = models.DecimalField(
        null=True, blank=True, max_digits=11, decimal_places=2, validators=between(0, 100_000_000),
        help_text="what the whole order comes to, tax and all",
    )  # fmt: skip
    deposit = models.DecimalField(
        null=True, blank=True, max_digits=11, decimal_places=2, validators=between(0, 100_000_000),
        help_text="what has to be paid before it is made",
    )  # fmt: skip
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    objects = JobQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        constraints = [models.UniqueConstraint(fields=["branch", "number"], name="job_number_once_a_branch")]
        indexes = [models.Index(fields=["branch", "stage", "stage_since"])]

    def __str__(self) -> str:
        return f"{self.number} {self.customer.name}"

    def get_absolute_url(self) -> str:
        return reverse("jobs:job", args=[self.pk])

    @property
    def map_link(self) -> str:
        """The site on the branch's map; empty where it has none, or wants a point that nobody said."""
        point = self.site.point
        if not self.branch.map_address or (point is None and "{address}" not in self.branch.map_address):
            return ""
        latitude, longitude = (str(point[1]), str(point[0])) if point else ("", "")
        values = {"address": quote(self.site.address, safe=""), "latitude": latitude, "longitude": longitude}
        return self.branch.map_address.format(**values)

    @property
    def expected(self) -> str:
        """The openings the customer told of: ``3 openings: Kitchen, Den``."""
        count = f"{self.openings_expected} opening{'' if self.openings_expected == 1 else 's'}"
        return f"{count}: {self.rooms_expected}" if self.rooms_expected else count

    def is_held(self) -> bool:
        return bool(self.hold)

    @property
    def hold_reason(self) -> str:
        """What it is held for: ``deposit: by cheque``; empty when it isn't."""
        return f"{self.get_hold_display()}{': ' + self.hold_note if self.hold_note else ''}"

    @property
    def hold_whose(self) -> str:
        """Who settles the hold: a person, or the dispatcher where nobody is named or whoever was left."""
        return whose(self.hold_owner)

    def is_cancelled(self) -> bool:
        return self.cancelled_at is not None


class OfJobQuerySet(BranchQuerySet[M]):
    branch_path = "job__branch"


class PaymentQuerySet(OfJobQuerySet["Payment"]):
    def standing(self) -> PaymentQuerySet:
        """Those that were not taken back."""
        return self.filter(taken_back_at=None)


class QuestionQuerySet(OfJobQuerySet["Question"]):
    def open(self) -> QuestionQuerySet:
        """Those that nobody answered yet."""
        return self.filter(answered_at=None)


class Payment(models.Model):
    """Money that came for a job; no invoice, only what the work needs to know."""

    class How(models.TextChoices):
        CASH = "cash", "cash"
        CHECK = "check", "check"
        CARD = "card", "card"
        TRANSFER = "transfer", "bank transfer"

    job = models.ForeignKey(Job, models.PROTECT, related_name="payments")
    amount = models.DecimalField(max_digits=11, decimal_places=2, validators=between(0.01, 100_000_000))
    how = models.CharField(max_length=8, choices=How.choices)
    note = models.CharField(max_length=120, blank=True, help_text="such as the check's number")
    appointment = models.ForeignKey(
        "Appointment", models.PROTECT, null=True, blank=True, related_name="+", help_text="the visit it was paid at"
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    taken_back_at = models.DateTimeField(null=True, blank=True)

    objects = PaymentQuerySet.as_manager()

    class Meta:
        ordering = ["at", "pk"]

    def __str__(self) -> str:
        return f"{self.amount} by {self.get_how_display()} for {self.job.number}"


class JobDate(models.Model):
    """The day by which everything hangs: as the customer was told, and as it was last worked out."""

    job = models.OneToOneField(Job, models.CASCADE, related_name="date")
    told_on = models.DateField(null=True, blank=True, help_text="installed by, as the customer was told")
    told_at = models.DateTimeField(null=True, blank=True)
    by = models.DateField(null=True, blank=True, help_text="the day that keeps the branch's least chance")
    chance = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=between(0, 100), help_text="of the day told, of 100"
    )
    decides = models.CharField(max_length=10, choices=STEPS.items(), blank=True, default="", db_default="")
    rescues = models.JSONField(default=list, help_text="what would bring it forward: words, day, chance, price")
    worked_out_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"date of {self.job.number}"

    @property
    def slips(self) -> bool:
        """Whether the day told does not keep the branch's least chance any more."""
        return self.told_on is not None and self.by is not None and self.by > self.told_on

    @property
    def ways(self) -> list[Way]:
        """What would bring it forward, as it was worked out last."""
        return [Way.from_json(row) for row in self.rescues]


class CustomerLink(models.Model):
    """
    The address at which a customer looks at their job without an account.

    It is signed, so nothing is kept of it until somebody ends it: a job without a row has its first one.
    """

    LASTS: Final = dt.timedelta(days=180)
    """After the last visit, or the booking where there is none; chosen, no published source."""

    job = models.OneToOneField(Job, models.CASCADE, related_name="customer_link")
    turn = models.PositiveSmallIntegerField(
        default=1, validators=between(1, 30_000), help_text="of how many; those before it answer nothing any more"
    )
    revoked_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return f"customer's link of {self.job.number}"

    @classmethod
    def of(cls, job: Job) -> CustomerLink:
        """The job's link, or its first one (not saved)."""
        return getattr(job, "customer_link", None) or cls(job=job)

    @classmethod
    def of_token(cls, token: str) -> CustomerLink | None:
        """The link of an address that we signed, whether it is open or not; None for any other."""
        try:
            pk, _, turn = signing.Signer(salt="jobs.customer").unsign(token.replace(".", ":")).partition("-")
        except signing.BadSignature:
            return None
        job = Job.objects.select_related("customer", "site", "branch", "customer_link").filter(pk=pk).first()
        if job is None or cls.of(job).turn == int(turn):
            return cls.of(job) if job is not None else None
        return cls(job=job, turn=int(turn), revoked_at=timezone.now())  # another one took its place

    @property
    def token(self) -> str:
        """The signed part of its address."""
        return signing.Signer(salt="jobs.customer").sign(f"{self.job_id}-{self.turn}").replace(":", ".")

    @property
    def address(self) -> str:
        """As a customer opens it; empty once it is revoked."""
        return "" if self.revoked_at else f"{settings.SITE_URL}{reverse('jobs:your_job', args=[self.token])}"

    @property
    def ends_on(self) -> dt.date:
        """Its last day; another visit of the job moves it."""
        days = self.job.appointments.live().aggregate(last=models.Max("day"))
        booked = self.job.created_at.astimezone(self.job.branch.tz).date()
        return max(booked, days["last"] or booked) + self.LASTS

    def is_open(self) -> bool:
        """Whether it is neither revoked nor over."""
        return self.revoked_at is None and timezone.now().astimezone(self.job.branch.tz).date() <= self.ends_on


class Question(models.Model):
    """Something the customer asked on their page; the office answers by phone or mail and ticks it."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="questions")
    about = models.CharField(max_length=160, blank=True, help_text="which covering, as the page names it")
    text = models.CharField(max_length=600)
    at = models.DateTimeField(default=timezone.now)
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")

    objects = QuestionQuerySet.as_manager()

    class Meta:
        ordering = ["at", "pk"]
        indexes = [models.Index(fields=["job"], name="question_open", condition=Q(answered_at=None))]

    def __str__(self) -> str:
        return f"{self.about}: {self.text}" if self.about else self.text


class ImpossibleTime(models.Model):
    """A stretch the customer said they can't be there."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="impossible_times")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()

    class Meta:
        ordering = ["starts_at"]
        constraints = [models.CheckConstraint(name="impossible_time_forwards", condition=Q(ends_at__gt=F("starts_at")))]

    def __str__(self) -> str:
        return f"not {_stretch(self.starts_at, self.ends_at)}"


class Wish(models.Model):
    """When the customer can, or can't, be there in any week; every later visit of the job is offered accordingly."""

    class Kind(models.TextChoices):
        ONLY = "only", "only"
        NOT = "not", "not"

    job = models.ForeignKey(Job, models.CASCADE, related_name="wishes")
    kind = models.CharField(max_length=4, choices=Kind.choices, default=Kind.ONLY)
    weekday = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=between(0, 6), help_text="0 is Monday; none is every day"
    )
    starts = models.TimeField("from", null=True, blank=True)
    ends = models.TimeField("until", null=True, blank=True)

    class Meta:
        ordering = ["kind", "weekday", "starts", "pk"]
        constraints = [
            models.CheckConstraint(
                name="wish_forwards", condition=Q(starts__isnull=True) | Q(ends__isnull=True) | Q(ends__gt=F("starts"))
            )
        ]

    def __str__(self) -> str:
        day = calendar.day_name[self.weekday] + "s" if self.weekday is not None else ""
        if self.starts and self.ends:
            hours = f"{dates.clock(self.starts)} to {dates.clock(self.ends)}"
        elif self.starts:
            hours = f"after {dates.clock(self.starts)}"
        else:
            hours = f"until {dates.clock(self.ends)}" if self.ends else ""
        return " ".join(part for part in (self.kind, day, hours) if part)


# -- crews -----------------------------------------------------------------------


class Skill(models.Model):
    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="skills")
    key = models.SlugField(max_length=30)
    name = models.CharField(max_length=60)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint(fields=["branch", "key"], name="skill_once_a_branch")]

    def __str__(self) -> str:
        return self.name


class Crew(models.Model):
    """People who drive together; its hours, base and skills."""

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="crews")
    name = models.CharField(max_length=60)
    purposes = models.JSONField(default=list, help_text="what this crew drives for")
    skills = models.ManyToManyField(Skill, blank=True, related_name="crews")
    people = models.PositiveSmallIntegerField(default=1, validators=between(1, 20))
    latitude = models.FloatField(null=True, blank=True, validators=between(-90, 90))
    longitude = models.FloatField(null=True, blank=True, validators=between(-180, 180))
    overtime_min = models.PositiveSmallIntegerField(
        default=0, validators=between(0, 600), help_text="paid minutes past the shift, at most"
    )
    truck_longest = LengthField(null=True, blank=True, help_text="the longest package the truck takes")
    is_active = models.BooleanField(default=True)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint(fields=["branch", "name"], name="crew_name_once_a_branch")]

    def __str__(self) -> str:
        return self.name

    def drives_for(self, purpose: str) -> bool:
        """Whether it drives for a purpose; one without any named drives for all."""
        return not self.purposes or purpose in self.purposes


class CrewMember(models.Model):
    crew = models.ForeignKey(Crew, models.CASCADE, related_name="members")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="crew_memberships")
    from_on = models.DateField(default=dt.date(2020, 1, 1))
    until_on = models.DateField(null=True, blank=True, help_text="last day, if known")

    class Meta:
        ordering = ["crew", "user"]

    def __str__(self) -> str:
        return f"{self.user} in {self.crew}"


class WorkingHours(models.Model):
    """A crew's usual hours on one weekday; no row means no work that day."""

    crew = models.ForeignKey(Crew, models.CASCADE, related_name="hours")
    weekday = models.PositiveSmallIntegerField(validators=between(0, 6), help_text="0 is Monday")
    starts = models.TimeField(default=dt.time(8))
    ends = models.TimeField(default=dt.time(17))
    lunch_from = models.TimeField(null=True, blank=True, default=dt.time(11, 30))
    lunch_until = models.TimeField(null=True, blank=True, default=dt.time(13, 30))
    lunch_min = models.PositiveSmallIntegerField(default=30, validators=between(0, 180))

    class Meta:
        ordering = ["crew", "weekday"]
        constraints = [
            models.UniqueConstraint(fields=["crew", "weekday"], name="hours_once_a_weekday"),
            models.CheckConstraint(name="hours_forwards", condition=Q(ends__gt=F("starts"))),
        ]

    def __str__(self) -> str:
        return f"{self.crew}, weekday {self.weekday}: {dates.clocks(self.starts, self.ends)}"


class CrewDay(models.Model):
    """What is different for a crew on one day: other hours, other people, or off."""

    crew = models.ForeignKey(Crew, models.CASCADE, related_name="days")
    day = models.DateField()
    is_off = models.BooleanField(default=False)
    starts = models.TimeField(null=True, blank=True)
    ends = models.TimeField(null=True, blank=True)
    people = models.PositiveSmallIntegerField(null=True, blank=True, validators=between(1, 20))
    note = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["day", "crew"]
        constraints = [models.UniqueConstraint(fields=["crew", "day"], name="crew_day_once")]

    def __str__(self) -> str:
        return f"{self.crew} on {self.day}"


class Absence(models.Model):
    """A crew, or one of its people, is not there."""

    crew = models.ForeignKey(Crew, models.CASCADE, related_name="absences")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, null=True, blank=True, related_name="+")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    reason = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["starts_at"]
        constraints = [models.CheckConstraint(name="absence_forwards", condition=Q(ends_at__gt=F("starts_at")))]

    def __str__(self) -> str:
        return f"{self.user or self.crew} away from {_moment(self.starts_at)}"


class Holiday(models.Model):
    """A day on which the branch does not work, added by hand (public ones come from settings)."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="own_holidays")
    day = models.DateField()
    name = models.CharField(max_length=80)
    is_worked = models.BooleanField(default=False, help_text="a public holiday on which we do work")

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["day"]
        constraints = [models.UniqueConstraint(fields=["branch", "day"], name="holiday_once_a_branch")]

    def __str__(self) -> str:
        return f"{self.name} {self.day}"


# -- appointments ----------------------------------------------------------------


class AppointmentQuerySet(BranchQuerySet["Appointment"]):
    branch_path = "job__branch"

    def visible_to(self, user: User) -> AppointmentQuerySet:
        """The office sees its branch; a field person only their own crew's days."""
        if user.has_role("dispatcher", "owner", "workroom"):
            return self.in_branch_of(user)
        if not user.has_role("measurer", "installer"):
            return self.none()
        mine = CrewMember.objects.filter(user=user)
        return self.in_branch_of(user).filter(
            models.Exists(
                mine.filter(
                    Q(until_on__isnull=True) | Q(until_on__gte=models.OuterRef("day")),
                    crew=models.OuterRef("crew"),
                    from_on__lte=models.OuterRef("day"),
                )
            )
        )

    def live(self) -> AppointmentQuerySet:
        return self.exclude(state=Appointment.State.CANCELLED)

    def unplaced(self) -> AppointmentQuerySet:
        return self.filter(state=Appointment.State.UNPLACED)

    def on(self, day: dt.date) -> AppointmentQuerySet:
        return self.live().filter(day=day).order_by("crew", "starts_at", "pk")


class DaySheetQuerySet(BranchQuerySet["DaySheet"]):
    branch_path = "crew__branch"

    def visible_to(self, user: User) -> DaySheetQuerySet:
        """The office sees its branch's; a field person those of the days they drive with the crew."""
        if user.has_role("dispatcher", "owner"):
            return self.in_branch_of(user)
        if not user.has_role("measurer", "installer"):
            return self.none()
        day = models.OuterRef("day")
        mine = CrewMember.objects.filter(user=user, crew=models.OuterRef("crew"), from_on__lte=day)
        still = Q(until_on__isnull=True) | Q(until_on__gte=day)
        return self.in_branch_of(user).filter(models.Exists(mine.filter(still)))


class DaySheet(models.Model):
    """What the sheet of a crew's day is about; the sheet itself is a document, made anew when the day changes."""

    crew = models.ForeignKey(Crew, models.CASCADE, related_name="sheets")
    day = models.DateField()

    objects = DaySheetQuerySet.as_manager()

    class Meta:
        ordering = ["day", "crew"]
        constraints = [models.UniqueConstraint(fields=["crew", "day"], name="day_sheet_once")]

    def __str__(self) -> str:
        return f"{self.crew}, {dates.short_day(self.day)}"


class Handover(models.Model):
    """Where, on a day, others take over what is on the van of a crew that is out: at the van, or at its base."""

    crew = models.ForeignKey(Crew, models.CASCADE, related_name="handovers", help_text="whose van it is on")
    day = models.DateField()
    site = models.ForeignKey(
        Site, models.CASCADE, null=True, blank=True, related_name="+", help_text="where the van stands; none: its base"
    )
    longitude = models.FloatField(validators=between(-180, 180))
    latitude = models.FloatField(validators=between(-90, 90))
    minutes = models.PositiveSmallIntegerField(validators=between(1, 240))
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.crew}'s van" if self.site_id else "our base"

    @property
    def where(self) -> str:
        """With its address."""
        address = self.site.address if self.site is not None else self.crew.branch.address
        return ", ".join(filter(None, (str(self), " ".join(address.split()))))


class Place(NamedTuple):
    """Where an appointment stands in the calendar."""

    crew_id: int
    day: dt.date


class Appointment(models.Model):
    """A visit somebody drives to."""

    class State(models.TextChoices):
        UNPLACED = "unplaced", "not placed"
        RESERVED = "held", "held"
        PLANNED = "planned", "planned"
        PROMISED = "promised", "promised"
        ON_THE_WAY = "on_the_way", "on the way"
        ARRIVED = "arrived", "arrived"
        DONE = "done", "done"
        CANCELLED = "cancelled", "cancelled"

    job = models.ForeignKey(Job, models.PROTECT, related_name="appointments")
    purpose = models.CharField(max_length=14, choices=Purpose.choices)
    state = models.CharField(max_length=12, choices=State.choices, default=State.UNPLACED)
    crew = models.ForeignKey(Crew, models.PROTECT, null=True, blank=True, related_name="appointments")
    day = models.DateField(null=True, blank=True)
    starts_at = models.DateTimeField(null=True, blank=True, help_text="planned start of the work")
    duration_min = models.PositiveSmallIntegerField(
        default=60, validators=between(1, 1440), help_text="planned minutes on site (mean)"
    )
    duration_safe_min = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="minutes that 85 % of such visits keep"
    )
    promised_from = models.DateTimeField(null=True, blank=True)
    promised_until = models.DateTimeField(null=True, blank=True)
    earliest_on = models.DateField(null=True, blank=True, help_text="not before: the parts are made then")
    skills = models.ManyToManyField(Skill, blank=True, related_name="+")
    people = models.PositiveSmallIntegerField(default=1, validators=between(1, 20))
    priority = models.PositiveSmallIntegerField(default=1, validators=between(1, 100))
    is_locked = models.BooleanField(default=False, help_text="the planner leaves it where it is")
    reserved_until = models.DateTimeField(null=True, blank=True, db_column="held_until")
    reserved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+", db_column="held_by_id"
    )
    with_crew_of = models.ForeignKey(
        "self",
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="followers",
        help_text="work of two days keeps its crew",
    )
    handover = models.ForeignKey(
        Handover, models.SET_NULL, null=True, blank=True, related_name="appointments",
        help_text="where another crew than the handover's fetches on its day what is for this visit",
    )  # fmt: skip
    call_on = models.DateField(null=True, blank=True, help_text="the customer is called by then: no time was found")
    call_note = models.CharField("why", max_length=240, blank=True, default="", db_default="")
    call_owner = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+", help_text="who calls"
    )
    note = models.TextField(blank=True, validators=[MaxLengthValidator(LONGEST_NOTE)])
    on_the_way_at = models.DateTimeField(null=True, blank=True)
    arrived_at = models.DateTimeField(null=True, blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    asked_at = models.DateTimeField(null=True, blank=True, help_text="the crew was asked where it is: no tap came")
    told_at = models.DateTimeField(null=True, blank=True, help_text="the customer was told that it is late")
    told_time = models.DateTimeField(null=True, blank=True, help_text="and when to expect the crew")
    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    sequence = models.PositiveIntegerField(default=0, help_text="grows when the calendar entry changes")
    version = models.PositiveIntegerField(default=0, help_text="grows with every move, so two boards can't cross")
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    objects = AppointmentQuerySet.as_manager()

    class Meta:
        ordering = ["day", "starts_at", "pk"]
        indexes = [models.Index(fields=["crew", "day"]), models.Index(fields=["state", "day"])]
        constraints = [
            models.CheckConstraint(
                name="appointment_promise_forwards",
                condition=Q(promised_from__isnull=True, promised_until__isnull=True)
                | Q(promised_until__gt=F("promised_from")),
            ),
            models.CheckConstraint(
                name="appointment_placed_whole",
                condition=Q(state__in=["unplaced", "cancelled"])
                | Q(crew__isnull=False, day__isnull=False, starts_at__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_purpose_display()} for {self.job.number}"

    def get_absolute_url(self) -> str:
        return reverse("jobs:appointment", args=[self.pk])

    @property
    def ends_at(self) -> dt.datetime | None:
        return self.starts_at + dt.timedelta(minutes=self.duration_min) if self.starts_at else None

    def place(self) -> Place:
        """Where it stands, for who knows that it does; ValueError where it stands nowhere."""
        if self.crew_id is None or self.day is None:
            raise ValueError(f"{self} stands nowhere in the calendar")
        return Place(self.crew_id, self.day)

    def begin(self) -> dt.datetime:
        """When it is to begin, for who knows that it does; ValueError where it has no time."""
        if self.starts_at is None:
            raise ValueError(f"{self} has no time in the calendar")
        return self.starts_at

    @property
    def call_whose(self) -> str:
        """Who calls the customer: a person, or the dispatcher where nobody is named or whoever was left."""
        return whose(self.call_owner)

    def call_no_more(self) -> None:
        """It has a time: nobody has to call for one."""
        self.call_on = self.call_owner = None
        self.call_note = ""

    def is_placed(self) -> bool:
        return self.crew_id is not None and self.state not in {self.State.UNPLACED, self.State.CANCELLED}

    def is_measuring(self) -> bool:
        return self.purpose in MEASURING

    def is_asked(self) -> bool:
        """Whether the crew was asked where it is, and has tapped nothing here since."""
        taps = (self.on_the_way_at, self.arrived_at, self.done_at)
        return self.asked_at is not None and not any(tap is not None and tap >= self.asked_at for tap in taps)

    def is_promised(self) -> bool:
        return self.promised_from is not None


class ServiceCallQuerySet(BranchQuerySet["ServiceCall"]):
    branch_path = "appointment__job__branch"

    def visible_to(self, user: User) -> ServiceCallQuerySet:
        """Whoever may see the visit."""
        return self.filter(appointment__in=Appointment.objects.visible_to(user))


class ServiceCall(models.Model):
    """What a service call is about, as the customer told it, and what was done; what hangs there may be anybody's."""

    class MadeBy(models.TextChoices):
        OURS = "ours", "ours"
        OTHER = "other", "another firm's"
        UNKNOWN = "unknown", "nobody knows whose"

    class Result(models.TextChoices):
        FIXED = "fixed", gettext_noop("fixed")
        PARTS = "parts", gettext_noop("parts to come")
        NOT_FIXED = "not_fixed", gettext_noop("can't be repaired")

    appointment = models.OneToOneField(Appointment, models.CASCADE, related_name="service")
    product = models.CharField("what hangs there", max_length=160, help_text="such as: roller shade, kitchen")
    fault = models.CharField("what is wrong", max_length=240)
    made_by = models.CharField("whose", max_length=8, choices=MadeBy.choices, default=MadeBy.UNKNOWN)
    years = models.PositiveSmallIntegerField(
        "about how many years old", null=True, blank=True, validators=between(0, 100)
    )
    parts = models.CharField("parts to bring", max_length=240, blank=True)
    trip_charge = models.DecimalField(
        null=True, blank=True, max_digits=8, decimal_places=2, validators=between(0, 100_000)
    )
    photo = models.ImageField(upload_to="service/%Y/%m/", blank=True)
    result = models.CharField(max_length=10, choices=Result.choices, blank=True)
    done = models.CharField("what was done", max_length=600, blank=True)
    follow_up = models.ForeignKey(
        Appointment, models.SET_NULL, null=True, blank=True, related_name="+", help_text="the visit that brings parts"
    )

    objects = ServiceCallQuerySet.as_manager()

    def __str__(self) -> str:
        age = "" if self.years is None else f", about {self.years} year{'' if self.years == 1 else 's'} old"
        return f"{self.product}, {self.get_made_by_display()}{age}"


class AppointmentMove(models.Model):
    """One change of place in the calendar, kept so that it can be undone."""

    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="moves")
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", help_text="none: the customer"
    )
    at = models.DateTimeField(default=timezone.now)
    before = models.JSONField(help_text="where it stood: state, crew, day, starts_at, promised window, lock")
    version = models.PositiveIntegerField(help_text="the appointment's version after this move")
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return f"move of {self.appointment}"


class Proposal(models.Model):
    """A plan of some days that a run found; nothing of it moves without a yes."""

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="proposals")
    from_on = models.DateField()
    until_on = models.DateField()
    reason = models.CharField(max_length=200, blank=True)
    run = models.ForeignKey("shared.Run", models.SET_NULL, null=True, blank=True, related_name="+")
    summary = models.JSONField(default=dict, help_text="drive, paid time, cost and unplaced: as it stands and proposed")
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"plan of {self.from_on} to {self.until_on}"

    def get_absolute_url(self) -> str:
        return reverse("jobs:proposal", args=[self.pk])


class ProposedMove(models.Model):
    """One difference between today's plan and a proposal."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        ACCEPTED = "accepted", "accepted"
        DECLINED = "declined", "declined"
        PASSED = "passed", "overtaken"

    proposal = models.ForeignKey(Proposal, models.CASCADE, related_name="moves")
    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="+")
    version = models.PositiveIntegerField(help_text="the appointment's version it was planned from")
    crew = models.ForeignKey(Crew, models.CASCADE, null=True, blank=True, related_name="+")
    day = models.DateField(null=True, blank=True)
    starts_at = models.DateTimeField(null=True, blank=True)
    price = models.DecimalField(
        max_digits=9, decimal_places=2, null=True, blank=True, help_text="what this move alone costs more"
    )
    chance_before = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="of its promise, of 100, where it stood"
    )
    chance_after = models.PositiveSmallIntegerField(null=True, blank=True, help_text="and where it is to stand")
    why = models.CharField(max_length=240, blank=True, help_text="why it is left unplaced")
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    state_note = models.CharField(max_length=240, blank=True)
    accepted_at = models.DateTimeField(null=True, blank=True, help_text="what was accepted together is undone together")

    class Meta:
        ordering = ["day", "crew", "starts_at", "pk"]
        constraints = [models.UniqueConstraint(fields=["proposal", "appointment"], name="proposed_once")]

    def __str__(self) -> str:
        return f"{self.appointment} in {self.proposal}"

    @property
    def cost_text(self) -> str:
        """What this move alone costs the firm more; empty where that is not known."""
        return extra_cost(self.price, self.proposal.branch.currency) if self.price is not None else ""


class ReadinessAnswer(models.Model):
    """One thing asked about a site before a crew drives there, and what was answered."""

    class Question(models.TextChoices):
        PAINTED = "painted", gettext_noop("walls and frames painted, and dry")
        SILL = "sill", gettext_noop("sills and casings fitted")
        FLOOR = "floor", gettext_noop("floor laid to its finished height")
        POWER = "power", gettext_noop("power at the window, where a motor goes")
        CLEAR = "clear", gettext_noop("area in front of the windows clear")
        OLD_DOWN = "old_down", gettext_noop("old coverings down, or we take them")
        ACCESS = "access", gettext_noop("access, notice and parking settled")

    class Answer(models.TextChoices):
        YES = "yes", gettext_noop("yes")
        NO = "no", gettext_noop("not yet")
        NOT_NEEDED = "not_needed", gettext_noop("not needed")

    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="readiness")
    question = models.CharField(max_length=10, choices=Question.choices)
    answer = models.CharField(max_length=10, choices=Answer.choices)
    note = models.CharField(max_length=160, blank=True)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", null=True, help_text="none: the customer"
    )
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["appointment", "question"], name="asked_once_a_visit")]

    def __str__(self) -> str:
        return f"{self.get_question_display()}: {self.get_answer_display()}"

    @property
    def who(self) -> str:
        """Who answered."""
        return str(self.by or "the customer")


class MessageKind(models.TextChoices):
    """What a customer is told; `jobs.rules.messages` has the words of each."""

    CONFIRMATION = "confirmation", "confirmation"
    CHANGE = "change", "change"
    CANCELLATION = "cancellation", "cancellation"
    REMINDER = "reminder", "reminder"
    LEAVING = "leaving", "leaving now"
    DONE = "done", "work done"
    SERVICED = "serviced", "service call done"
    RETURN = "return_trip", "return trip"
    APPROVAL = "approval", "approval wanted"
    DEPOSIT = "deposit", "deposit wanted"


class MessageWords(models.Model):
    """A branch's own words for a kind of message in a language; those of the pages' say if it is sent by itself."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="+")
    kind = models.CharField(max_length=14, choices=MessageKind.choices)
    language = models.CharField(max_length=2, choices=MESSAGE_LANGUAGES, blank=True, default="", db_default="")
    is_on = models.BooleanField("sent by itself", default=True)
    subject = models.CharField("e-mail subject", max_length=120)
    body = models.TextField("e-mail", validators=[MaxLengthValidator(LONGEST_NOTE)])
    short = models.TextField("text message", validators=[MaxLengthValidator(480)])

    objects = BranchQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["branch", "kind", "language"], name="message_words_once_a_language")
        ]

    def __str__(self) -> str:
        return f"words of the {self.get_kind_display()} message"


class MessageQuerySet(BranchQuerySet["Message"]):
    branch_path = "job__branch"

    def undelivered(self) -> MessageQuerySet:
        """Those that somebody has to see to: they did not go, or may not have."""
        return self.filter(state__in=[Message.State.REFUSED, Message.State.FAILED, Message.State.UNSURE])


class Message(models.Model):
    """One message to a customer: what, when, to whom, by whose action, and what became of it."""

    class Channel(models.TextChoices):
        EMAIL = "email", "e-mail"
        TEXT = "text", "text message"
        HAND = "by_hand", "somebody"

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        SENDING = "sending", "being sent"
        SENT = "sent", "sent"
        REFUSED = "refused", "refused"
        FAILED = "failed", "given up"
        UNSURE = "unsure", "may have gone"
        DROPPED = "dropped", "not sent"
        TOLD = "told", "told"

    job = models.ForeignKey(Job, models.PROTECT, related_name="messages")
    appointment = models.ForeignKey(Appointment, models.PROTECT, null=True, blank=True, related_name="messages")
    kind = models.CharField(max_length=14, choices=MessageKind.choices)
    occasion = models.CharField(max_length=80, help_text="what it is sent for, once")
    channel = models.CharField(max_length=8, choices=Channel.choices)
    to = models.CharField(max_length=254, blank=True)
    subject = models.CharField(max_length=400, blank=True)
    body = models.TextField(blank=True, validators=[MaxLengthValidator(10_000)])
    state = models.CharField(max_length=8, choices=State.choices, default=State.WAITING)
    answer = models.CharField(max_length=240, blank=True, help_text="what the server said, or why it was not sent")
    send_from = models.DateTimeField(default=timezone.now, help_text="not before: quiet hours, or another try")
    expected_at = models.DateTimeField(null=True, blank=True, help_text="when a crew that left was said to be there")
    tries = models.PositiveSmallIntegerField(default=0)
    key = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="the same for every try")
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    settled_at = models.DateTimeField(null=True, help_text="when its state became what it is")

    objects = MessageQuerySet.as_manager()

    class Meta:
        ordering = ["-created_at", "-pk"]
        constraints = [models.UniqueConstraint(fields=["job", "kind", "occasion"], name="message_once")]
        indexes = [
            models.Index(fields=["send_from"], name="message_due", condition=Q(state__in=["waiting", "sending"])),
            models.Index(
                fields=["job"], name="message_undelivered", condition=Q(state__in=["refused", "failed", "unsure"])
            ),
        ]

    def __str__(self) -> str:
        by = f"by {self.get_channel_display()}"
        return f"{self.get_kind_display()} {by}{' to ' + self.to if self.to else ''}"

    def is_undelivered(self) -> bool:
        return self.state in {self.State.REFUSED, self.State.FAILED, self.State.UNSURE}

    def may_be_dropped(self) -> bool:
        return self.state == self.State.WAITING


class CalendarFeed(models.Model):
    """A calendar address for one crew or one person; revoked, it answers nothing any more."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="feeds")
    crew = models.ForeignKey(Crew, models.CASCADE, null=True, blank=True, related_name="feeds")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, null=True, blank=True, related_name="feeds")
    key = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="signed into the address")
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    revoked_at = models.DateTimeField(null=True, blank=True)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["-created_at"]
        constraints = [
            models.CheckConstraint(name="feed_of_one", condition=Q(crew__isnull=True) ^ Q(user__isnull=True))
        ]

    def __str__(self) -> str:
        return f"calendar of {self.crew or self.user}"


class ImportedLine(models.Model):
    """What became of one line of an import: written with the job it made, so that a line is done once."""

    run = models.ForeignKey("shared.Run", models.CASCADE, related_name="+")
    line = models.PositiveIntegerField()
    customer = models.CharField(max_length=120, blank=True)
    fate = models.CharField(max_length=400)
    is_wrong = models.BooleanField(default=False)
    cells = models.JSONField(default=dict, null=True, blank=True, help_text="column to what is wrong with its cell")
    job = models.ForeignKey(Job, models.SET_NULL, null=True, blank=True, related_name="+")
    made = models.JSONField(default=list, null=True, blank=True, help_text="table and key of each row")
    undone_at = models.DateTimeField(null=True, blank=True)
    kept_because = models.CharField(max_length=240, blank=True, default="", db_default="", help_text="why not undone")

    class Meta:
        ordering = ["run", "line"]
        constraints = [models.UniqueConstraint(fields=["run", "line"], name="import_line_once")]

    def __str__(self) -> str:
        return f"line {self.line}: {self.fate}"


class ImportMapping(models.Model):
    """Which heading is which column in the tables of one source, as somebody chose it last."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="+")
    kind = models.CharField(max_length=20)
    source = models.CharField(max_length=80)
    columns = models.JSONField(default=dict, help_text="heading to column; empty: none of ours")

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["source", "kind"]
        constraints = [models.UniqueConstraint(fields=["branch", "kind", "source"], name="import_mapping_once")]

    def __str__(self) -> str:
        return f"columns of {self.source}"


class PossibleWindow(models.Model):
    """A window the customer can take; none at all means any time."""

    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="possible_windows")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()

    class Meta:
        ordering = ["starts_at"]
        constraints = [models.CheckConstraint(name="window_forwards", condition=Q(ends_at__gt=F("starts_at")))]

    def __str__(self) -> str:
        return _stretch(self.starts_at, self.ends_at)


# -- how a branch dispatches -----------------------------------------------------


def _price(words: str, usual: str) -> models.DecimalField[Any, Any]:
    return models.DecimalField(
        words, max_digits=8, decimal_places=2, default=Decimal(usual), validators=between(0, 10_000)
    )


class CalendarRules(models.Model):
    """How a branch prices and promises; a branch without a row has the starting values."""

    branch = models.OneToOneField("shared.Branch", models.CASCADE, related_name="calendar_rules")
    drive_price = _price("an hour of driving, truck and fuel", "30")
    paid_price = _price("a paid hour of a crew", "36")
    overtime_price = _price("an overtime hour, on top", "18")
    moved_price = _price("moving what a crew or a customer was told", "15")
    wait_price = models.DecimalField(
        "a day that a visit waits, in plans", max_digits=5, decimal_places=2, default=Decimal(2), db_default=Decimal(2),
        validators=between(0, 100), help_text="as much again for each week it has waited; 0: plans look at cost only",
    )  # fmt: skip
    overdue_price = models.DecimalField(
        "a day after its due day, on top", max_digits=6, decimal_places=2, default=Decimal(10), db_default=Decimal(10),
        validators=between(0, 1000), help_text="the customer's own date, or the one they were told",
    )  # fmt: skip
    chance_floor = models.PositiveSmallIntegerField(
        "least chance of a confirmed appointment, of 100",
        default=90,
        db_default=90,
        validators=between(0, 99),
        help_text="what brings another appointment under it is shown as risky",
    )
    reservation_min = models.PositiveSmallIntegerField(
        "minutes a window is held", default=10, db_column="hold_min", validators=between(1, 1440)
    )
    pack_days = models.PositiveSmallIntegerField(
        "working days from made to install", default=1, validators=between(0, 60)
    )
    days_offered = models.PositiveSmallIntegerField(
        "days ahead that are offered", default=10, validators=between(1, 60)
    )
    ask_days = models.PositiveSmallIntegerField(
        "days ahead that readiness is asked", default=3, validators=between(0, 60)
    )
    road_factor = models.FloatField("road length over straight line", default=1.3, validators=between(1, 5))
    quiet_from = models.TimeField("no messages from", default=dt.time(20), db_default=dt.time(20))
    quiet_until = models.TimeField(
        "no messages until", default=dt.time(8), db_default=dt.time(8), help_text="both the same: any time"
    )
    holiday_country = models.CharField(
        "public holidays of", max_length=2, blank=True, default="US", help_text="two letters; empty: none"
    )
    holiday_region = models.CharField("state or province", max_length=10, blank=True)
    learned = models.JSONField(null=True, blank=True, editable=False, help_text="how times vary, from the crews' taps")
    learned_at = models.DateTimeField(null=True, blank=True, editable=False)
    learned_waits = models.JSONField(
        null=True, blank=True, editable=False, help_text="how long a job's steps take, from installed jobs"
    )

    def __str__(self) -> str:
        return f"calendar rules of {self.branch}"

    @property
    def variation(self) -> Variation:
        """How times vary about the plan: the firm's own once it has learned them."""
        return Variation.from_json(self.learned) if self.learned else CAREFUL

    @property
    def waits(self) -> Waits:
        """How long the steps of a job take: the firm's own once it has learned them."""
        return Waits.from_json(self.learned_waits) if self.learned_waits else CAREFUL_WAITS

    @classmethod
    def of(cls, branch: Branch) -> CalendarRules:
        """The branch's rules, or the starting ones (not saved); what an older release let through is held in bounds."""
        return held_within(cls.objects.filter(branch=branch).first() or cls(branch=branch))


class UsualWindow(models.Model):
    """A part of the day that is promised on the phone; a branch without any has the starting ones."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="usual_windows")
    starts = models.TimeField()
    ends = models.TimeField()

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["starts", "ends"]
        constraints = [
            models.UniqueConstraint(fields=["branch", "starts", "ends"], name="usual_window_once"),
            models.CheckConstraint(name="usual_window_forwards", condition=Q(ends__gt=F("starts"))),
        ]

    def __str__(self) -> str:
        return f"{dates.clocks(self.starts, self.ends)}"


class TravelLeg(models.Model):
    """Seconds on the road between two places, as the travel service told them."""

    from_at = models.CharField(max_length=24, help_text="longitude,latitude to five decimals")
    to_at = models.CharField(max_length=24)
    seconds = models.PositiveIntegerField()
    asked_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["from_at", "to_at"], name="travel_leg_once")]

    def __str__(self) -> str:
        return f"{self.from_at} to {self.to_at}: {self.seconds} s"


class PostcodePlace(models.Model):
    """The middle of a postcode, or of its first part, from a table that the firm loaded."""

    branch = models.ForeignKey("shared.Branch", models.CASCADE, related_name="postcodes")
    code = models.CharField(max_length=20, help_text="capitals, no spaces")
    latitude = models.FloatField(validators=between(-90, 90))
    longitude = models.FloatField(validators=between(-180, 180))

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["code"]
        constraints = [models.UniqueConstraint(fields=["branch", "code"], name="postcode_once_a_branch")]

    def __str__(self) -> str:
        return self.code


class FoundPlace(models.Model):
    """Where an address is, as the server of the settings said; without coordinates: it knows none."""

    asked = models.CharField(max_length=300, unique=True, help_text="the address, lower case")
    latitude = models.FloatField(null=True, validators=between(-90, 90))
    longitude = models.FloatField(null=True, validators=between(-180, 180))
    within_m = models.PositiveIntegerField(default=0, validators=between(0, 100_000))
    asked_at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return self.asked
