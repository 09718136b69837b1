"""People and branches, the audit trail, runs of long work, documents."""

from __future__ import annotations

import datetime as dt
import re
import uuid
from functools import cached_property
from hashlib import sha256
from typing import TYPE_CHECKING, Any, ClassVar, Final, Self, TypeVar
from zoneinfo import ZoneInfo

from django.contrib.auth.models import AbstractUser, UserManager
from django.contrib.contenttypes.fields import GenericForeignKey
from django.contrib.contenttypes.models import ContentType
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.serializers.json import DjangoJSONEncoder
from django.core.validators import MaxLengthValidator, MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone

from shared import roles
from shared.lengths import LengthUnit

if TYPE_CHECKING:
    from django.contrib.auth.models import AnonymousUser


M = TypeVar("M", bound=models.Model)

NO_BRANCH = "Your account looks over every branch. Open this from an account of one branch."


def check_zone(name: str) -> None:
    """Refuses what the time zone database does not know."""
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise ValidationError(f"{name} is not a time zone such as America/Chicago") from None


class Firm(models.Model):
    """The firm: one row from the first step of its set-up on."""

    name = models.CharField(max_length=80, blank=True)
    code_hash = models.CharField(
        max_length=64, blank=True, help_text="Of the one-time code that opens the set-up; empty once an owner stands."
    )
    keep_months = models.PositiveSmallIntegerField(
        "months customers' data is kept",
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(600)],
        help_text="After the last job is over. Empty: until somebody erases it.",
    )
    second_step_roles = models.JSONField(
        "asked of", default=list, db_default=[], blank=True, help_text="Roles that sign in with a second step."
    )

    class Meta:
        constraints = [models.CheckConstraint(name="one_firm", condition=Q(pk=1))]

    def __str__(self) -> str:
        return self.name


def check_map_address(value: str) -> None:
    """Refuses what no map's address can be made of."""
    bare = value
    for name in ("{address}", "{latitude}", "{longitude}"):
        bare = bare.replace(name, "")
    is_enough = "{address}" in value or ("{latitude}" in value and "{longitude}" in value)
    if not is_enough or not re.fullmatch(r"https://[^\s{}<>\"]+", bare):
        raise ValidationError("An https:// address with {address}, or with {latitude} and {longitude}.")


class BranchQuerySet(models.QuerySet["Branch"]):
    """Branches by who may see them."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """The user's own branch; every branch for somebody of the whole firm."""
        if not user.is_authenticated:
            return self.none()
        return self if user.is_of_whole_firm else self.filter(pk=user.branch_id)


class Branch(models.Model):
    """One place the firm works from: its zone, units, paper and local rules."""

    class Units(models.TextChoices):
        INCH = "in", "inches"
        MM = "mm", "millimetres"

    class Paper(models.TextChoices):
        LETTER = "letter", "Letter"
        A4 = "a4", "A4"

    class Language(models.TextChoices):
        US = "en-US", "English (US)"
        GB = "en-GB", "English (UK)"

    class FirstWeekday(models.IntegerChoices):
        MONDAY = 0, "Monday"
        SATURDAY = 5, "Saturday"
        SUNDAY = 6, "Sunday"

    name = models.CharField(max_length=80, unique=True)
    zone = models.CharField("time zone", max_length=64, default="America/Chicago", validators=[check_zone])
    address = models.TextField(
        blank=True, validators=[MaxLengthValidator(400)], help_text="One line each, as on an envelope."
    )
    latitude = models.FloatField(null=True, blank=True, validators=[MinValueValidator(-90), MaxValueValidator(90)])
    longitude = models.FloatField(null=True, blank=True, validators=[MinValueValidator(-180), MaxValueValidator(180)])
    units = models.CharField(max_length=2, choices=Units.choices, default=Units.INCH)
    paper = models.CharField(max_length=6, choices=Paper.choices, default=Paper.LETTER)
    jurisdiction = models.CharField(
        max_length=20, blank=True, default="US", help_text="Key of the rules for corded coverings, such as US."
    )
    phone = models.CharField(max_length=40, blank=True)
    currency = models.CharField(
        max_length=3,
        default="USD",
        db_default="USD",
        validators=[RegexValidator(r"^[A-Z]{3}$", "Three letters such as USD.")],
        help_text="Three letters, such as USD or CAD.",
    )
    language = models.CharField(max_length=5, choices=Language.choices, default=Language.US, db_default=Language.US)
    first_weekday = models.PositiveSmallIntegerField(
        "a week begins on", choices=FirstWeekday.choices, default=FirstWeekday.SUNDAY, db_default=FirstWeekday.SUNDAY
    )
    map_address = models.CharField(
        max_length=200,
        blank=True,
        default="",
        db_default="",
        validators=[check_map_address],
        help_text="Of a map that you use: https://, with {address}, or with {latitude} and {longitude}, where they go. "
        "Directions open it beside the phone's own map.",
    )

    final_days = models.PositiveSmallIntegerField(
        "measurements are final for",
        default=365,
        db_default=365,
        validators=[MinValueValidator(7), MaxValueValidator(3650)],
        help_text="Days. What was measured longer ago is measured again before anything is made.",
    )
    phone_pin = models.BooleanField(
        "phones ask for a PIN",
        default=False,
        db_default=False,
        help_text="For phones that more than one person picks up: field pages ask for the PIN of whose day is kept, "
        "when opened and after five minutes away. It keeps out who picks the phone up, not who takes it apart: the "
        "phone's own lock does that.",
    )

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ("name",)
        verbose_name_plural = "branches"

    def __str__(self) -> str:
        return self.name

    @property
    def unit(self) -> LengthUnit:
        """The unit lengths are shown and typed in."""
        return LengthUnit(self.units)

    @property
    def tz(self) -> ZoneInfo:
        """The zone as an object."""
        return ZoneInfo(self.zone)


class PeopleQuerySet(models.QuerySet["User"]):
    """People by who may see their accounts."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """The office sees the people of its branch, anybody themselves."""
        if not user.is_authenticated:
            return self.none()
        if user.is_of_whole_firm:
            return self
        if user.branch_id and user.has_role(*roles.OFFICE):
            return self.filter(branch=user.branch_id)
        return self.filter(pk=user.pk)


class User(AbstractUser):
    """Somebody who signs in. What they may do follows from their roles (groups)."""

    first_name = None  # type: ignore[assignment]  # one name, as the person writes it
    last_name = None  # type: ignore[assignment]  # as above
    name = models.CharField(max_length=120, blank=True)
    branch = models.ForeignKey(Branch, null=True, blank=True, on_delete=models.PROTECT, related_name="people")
    phone = models.CharField(max_length=40, blank=True)
    second_step_asked = models.BooleanField(
        default=False, db_default=False, help_text="A role of theirs signs in with a second step."
    )
    second_step_at = models.DateTimeField(null=True, help_text="Since when they have one.")

    objects: ClassVar[UserManager[Self]] = UserManager()
    people = PeopleQuerySet.as_manager()

    class Meta(AbstractUser.Meta):
        ordering = ("name", "username")

    def __str__(self) -> str:
        return self.name or self.username

    def get_full_name(self) -> str:
        return str(self)

    def get_short_name(self) -> str:
        return str(self).split(" ")[0]

    @cached_property
    def role_names(self) -> frozenset[str]:
        """The roles of this person; a superuser also is an owner. One query, then kept."""
        names = set(self.groups.values_list("name", flat=True))
        if self.is_superuser:
            names.add(roles.OWNER)
        return frozenset(names) & frozenset(roles.ALL)

    def has_role(self, *names: str) -> bool:
        """Whether the person has one of these roles."""
        return not self.role_names.isdisjoint(names)

    @property
    def is_of_whole_firm(self) -> bool:
        """Somebody with an owner's role and no branch looks over every branch."""
        return self.branch_id is None and self.has_role(roles.OWNER)

    @property
    def own_branch(self) -> Branch:
        """The branch an action is done for; somebody of the whole firm has none, and is told so with a 403."""
        if self.branch is None:
            raise PermissionDenied(NO_BRANCH)
        return self.branch

    @property
    def unit(self) -> LengthUnit:
        """The unit this person reads lengths in."""
        return self.branch.unit if self.branch else LengthUnit.INCH


class InvitationQuerySet(models.QuerySet["Invitation"]):
    """Invitations by whether they still open an account."""

    def open(self) -> Self:
        """Neither used, nor taken back, nor over."""
        return self.filter(used_at=None, revoked_at=None, ends_at__gt=timezone.now())


class Invitation(models.Model):
    """A code with which somebody chooses their own password, once; kept as a hash only."""

    person = models.ForeignKey(User, on_delete=models.CASCADE, related_name="invitations")
    code_hash = models.CharField(max_length=64, unique=True)
    made_by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    ends_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)

    objects = InvitationQuerySet.as_manager()

    class Meta:
        ordering = ("-made_at",)

    def __str__(self) -> str:
        return f"invitation of {self.person}"


class SignIn(models.Model):
    """One time somebody signed in, and when the session was last used."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="sign_ins")
    session_key = models.CharField(max_length=40, unique=True)
    at = models.DateTimeField(default=timezone.now)
    last_seen_at = models.DateTimeField(default=timezone.now, db_index=True)
    ended_at = models.DateTimeField(null=True)
    address = models.GenericIPAddressField(null=True)
    agent = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ("-at",)

    def __str__(self) -> str:
        return f"{self.user} at {self.at}"


class ApiTokenQuerySet(models.QuerySet["ApiToken"]):
    """Tokens of the API that are open, and whose a key is."""

    def open(self) -> Self:
        """Neither ended nor over."""
        return self.filter(ended_at=None, ends_at__gt=timezone.now())

    def of_key(self, key: str) -> ApiToken | None:
        """The open token that this key opens, of somebody who may still sign in."""
        found = self.open().filter(key_hash=sha256(key.strip().encode()).hexdigest(), user__is_active=True)
        return found.select_related("user__branch").first()


class ApiToken(models.Model):
    """A key to the API for one program: with some of its person's roles, until a day; kept as a hash."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="api_tokens")
    name = models.CharField("what it is for", max_length=60)
    key_hash = models.CharField(max_length=64, unique=True)
    role_names = models.JSONField(default=list)
    created_at = models.DateTimeField(default=timezone.now)
    ends_at = models.DateTimeField()
    last_used_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)

    objects = ApiTokenQuerySet.as_manager()

    class Meta:
        ordering = ("-created_at",)

    def __str__(self) -> str:
        return self.name


class SubjectQuerySet(models.QuerySet[M]):
    """Rows about some object, whichever app it is from."""

    def about(self, subject: models.Model) -> Self:
        """Rows whose subject is this object."""
        kind = ContentType.objects.get_for_model(subject)
        return self.filter(subject_type=kind, subject_id=str(subject.pk))


class AuditEntryQuerySet(SubjectQuerySet["AuditEntry"]):
    """Entries by who may read them."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """What people of the same branch did, for its office."""
        if not user.is_authenticated or not user.has_role(*roles.OFFICE):
            return self.none()
        return self if user.is_of_whole_firm else self.filter(by__branch=user.branch_id)


REPORTED_LATER: Final = dt.timedelta(minutes=2)
"""What arrived sooner than this after it was done arrived at once."""


class AuditEntry(models.Model):
    """Who did what to which object when, and what it changed from and to."""

    at = models.DateTimeField(default=timezone.now, db_index=True)
    done_at = models.DateTimeField(null=True, help_text="when the person did it, where that was told later by a phone")
    by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    by_customer = models.BooleanField(
        default=False, db_default=False, help_text="by the job's customer, who has no account"
    )
    action = models.CharField(max_length=80)
    subject_type = models.ForeignKey(ContentType, null=True, on_delete=models.PROTECT, related_name="+")
    subject_id = models.CharField(max_length=40, blank=True)
    subject_text = models.CharField(max_length=200, blank=True)
    job_id = models.BigIntegerField(
        null=True, db_index=True, help_text="A plain number: jobs is an app above this one."
    )
    changes = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    note = models.TextField(blank=True)

    subject = GenericForeignKey("subject_type", "subject_id")
    objects = AuditEntryQuerySet.as_manager()

    class Meta:
        ordering = ("-at", "-id")
        verbose_name_plural = "audit entries"
        indexes = [models.Index(fields=["subject_type", "subject_id"], name="audit_subject")]

    def __str__(self) -> str:
        return f"{self.action}: {self.subject_text}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """An entry is written once."""
        if not self._state.adding:
            raise ValueError("an audit entry is never changed")
        super().save(*args, **kwargs)

    @property
    def who(self) -> str:
        """Who did it: a person, the job's customer, or the program by itself."""
        if self.by is not None:
            return str(self.by)
        return "The customer" if self.by_customer else "Jambwise"

    @property
    def when(self) -> dt.datetime:
        """When it was done, as its person told it."""
        return self.done_at or self.at

    @property
    def arrived_at(self) -> dt.datetime | None:
        """When the office got to know of it, where that was minutes after it was done."""
        return self.at if self.at - self.when >= REPORTED_LATER else None


class RunQuerySet(SubjectQuerySet["Run"]):
    """Runs by state and by who may see them."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """One's own; for the office and the workroom, all of their branch."""
        if not user.is_authenticated:
            return self.none()
        if user.is_of_whole_firm:
            return self
        if user.branch_id and user.has_role(*roles.OFFICE, roles.WORKROOM):
            return self.filter(Q(by=user) | Q(by__branch=user.branch_id))
        return self.filter(by=user)

    def active(self) -> Self:
        """Waiting or under way."""
        return self.filter(state__in=Run.ACTIVE)

    def stale(self, *, now: dt.datetime, sent_before: dt.datetime) -> Self:
        """Under way with a lease that ran out, or waiting and sent too long ago (or never)."""
        lapsed = Q(state=Run.State.UNDER_WAY, lease_until__lt=now)
        unheard = Q(state=Run.State.WAITING) & (Q(sent_at=None) | Q(sent_at__lt=sent_before))
        return self.filter(lapsed | unheard)


class Run(models.Model):
    """
    One piece of long work. The row is the truth, the broker only a nudge.

    A worker takes the run by compare-and-swap, leaving its `token` and a lease; it
    renews the lease as it goes, and only the holder of the token may write the result.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        UNDER_WAY = "under way", "under way"
        DONE = "done", "done"
        FAILED = "failed", "failed"
        STOPPED = "stopped", "stopped"

    ACTIVE = (State.WAITING, State.UNDER_WAY)

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    kind = models.CharField(max_length=60, db_index=True)
    title = models.CharField(max_length=200, blank=True)
    subject_type = models.ForeignKey(ContentType, null=True, on_delete=models.PROTECT, related_name="+")
    subject_id = models.CharField(max_length=40, blank=True)
    key = models.CharField(
        max_length=200, blank=True, help_text="Two active runs never share one; empty: no such limit."
    )
    params = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    state = models.CharField(max_length=9, choices=State.choices, default=State.WAITING)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    message = models.CharField(max_length=200, blank=True)
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    error = models.TextField(blank=True)
    by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")
    request_id = models.CharField(max_length=64, blank=True, db_default="", help_text="as the log has it")
    stop_asked = models.BooleanField(default=False)
    created_at = models.DateTimeField(default=timezone.now, db_index=True)
    sent_at = models.DateTimeField(null=True)
    started_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    token = models.UUIDField(null=True)
    lease_until = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)

    subject = GenericForeignKey("subject_type", "subject_id")
    objects = RunQuerySet.as_manager()

    class Meta:
        ordering = ("-created_at",)
        indexes = [
            models.Index(fields=["subject_type", "subject_id"], name="run_subject"),
            models.Index(fields=["lease_until"], name="run_active", condition=Q(state__in=["waiting", "under way"])),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["key"],
                name="run_key_once_while_active",
                condition=Q(state__in=["waiting", "under way"]) & ~Q(key=""),
            ),
        ]

    def __str__(self) -> str:
        return self.title or self.kind

    def is_active(self) -> bool:
        """Whether it waits or is under way."""
        return self.state in self.ACTIVE

    @property
    def percent(self) -> int | None:
        """Whole percent done, none while the total is unknown."""
        return min(100, self.done * 100 // self.total) if self.total else None


class DocumentQuerySet(SubjectQuerySet["Document"]):
    """Documents by kind and age."""

    def latest_of(self, kind: str, subject: models.Model) -> Document | None:
        """The one that is not superseded, if there is one."""
        return self.about(subject).filter(kind=kind, superseded=False).order_by("-revision").first()


class Document(models.Model):
    """One PDF that was rendered, kept with the hash of what it was made from."""

    kind = models.CharField(max_length=60)
    subject_type = models.ForeignKey(ContentType, on_delete=models.PROTECT, related_name="+")
    subject_id = models.CharField(max_length=40)
    title = models.CharField(max_length=200)
    revision = models.PositiveIntegerField()
    content_hash = models.CharField(max_length=64)
    file = models.FileField(upload_to="documents/")
    pages = models.PositiveIntegerField(default=0)
    superseded = models.BooleanField(default=False)
    created_at = models.DateTimeField(default=timezone.now)
    run = models.ForeignKey(Run, null=True, on_delete=models.SET_NULL, related_name="documents")
    by = models.ForeignKey(User, null=True, on_delete=models.PROTECT, related_name="+")

    subject = GenericForeignKey("subject_type", "subject_id")
    objects = DocumentQuerySet.as_manager()

    class Meta:
        ordering = ("-created_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "subject_type", "subject_id", "content_hash"], name="document_once_per_content"
            ),
            models.UniqueConstraint(
                fields=["kind", "subject_type", "subject_id", "revision"], name="document_revision_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.title} rev. {self.revision}"


class AnsweredRequest(models.Model):
    """What a POST of the API with an ``Idempotency-Key`` was answered; without a status it is at work."""

    by = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=200)
    fingerprint = models.CharField(max_length=64)
    at = models.DateTimeField(default=timezone.now, db_index=True)
    status = models.PositiveSmallIntegerField(null=True)
    headers = models.JSONField(default=dict)
    body = models.BinaryField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["by", "key"], name="answered_once_per_key")]

    def __str__(self) -> str:
        return self.key


# The tables of the phones in the field stand beside what works on them.
from shared.devices.models import DeviceEntry, FieldDevice, ParkedEntry  # noqa: E402, F401
