"""The install day: hardware, loads, packets, what happened, and what is owed."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import TYPE_CHECKING, Self, TypeVar

from django.conf import settings
from django.core.validators import MaxLengthValidator
from django.db import models
from django.db.models import F, Q
from django.urls import reverse
from django.utils import timezone

from fabrication.models import Material
from jobs.models import Appointment, BranchQuerySet, Crew, CrewMember, Job
from measuring.models import JobPartQuerySet, Unit
from shared.fields import LONGEST_NOTE, between
from shared.formats.dates import short_day

if TYPE_CHECKING:
    from shared.models import User


M = TypeVar("M", bound=models.Model)


class VisitPartQuerySet(models.QuerySet[M]):
    """Rows of an appointment: whoever may see the appointment may see them."""

    appointment_path = "appointment"

    def visible_to(self, user: User) -> Self:
        return self.filter(**{f"{self.appointment_path}__in": Appointment.objects.visible_to(user)})


class CrewPartQuerySet(BranchQuerySet[M]):
    """Rows of a crew: the office sees its branch, a field person those of the crews they drive with."""

    branch_path = "crew__branch"

    def visible_to(self, user: User) -> Self:
        rows = self.in_branch_of(user)
        if user.has_role("dispatcher", "owner", "workroom"):
            return rows
        return rows.filter(self._driven_by(user)) if user.has_role("installer") else rows.none()

    def _driven_by(self, user: User) -> models.Exists:
        return models.Exists(CrewMember.objects.filter(user=user, until_on=None, crew=models.OuterRef("crew")))


class LoadQuerySet(CrewPartQuerySet["Load"]):
    def _driven_by(self, user: User) -> models.Exists:
        """On the load's own day, as appointments are."""
        day = models.OuterRef("day")
        mine = CrewMember.objects.filter(user=user, crew=models.OuterRef("crew"), from_on__lte=day)
        return models.Exists(mine.filter(Q(until_on__isnull=True) | Q(until_on__gte=day)))


class HardwareRules(models.Model):
    """Spans, spacers, fixings and the rest, as data with a revision."""

    branch = models.ForeignKey("shared.Branch", models.PROTECT, related_name="hardware_rules")
    revision = models.PositiveIntegerField()
    definition = models.JSONField(help_text="see installs.rules.hardware")
    note = models.CharField(max_length=240, blank=True)
    saved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    saved_at = models.DateTimeField(default=timezone.now)
    is_current = models.BooleanField(default=True)

    objects = BranchQuerySet.as_manager()

    class Meta:
        ordering = ["-revision"]
        constraints = [
            models.UniqueConstraint(fields=["branch", "revision"], name="hardware_rules_revision_once"),
            models.UniqueConstraint(fields=["branch"], condition=Q(is_current=True), name="one_current_hardware_rules"),
        ]

    def __str__(self) -> str:
        return f"hardware rules, revision {self.revision}"


class UnitHardwareQuerySet(JobPartQuerySet["UnitHardware"]):
    job_path = "unit__opening__job"


class UnitHardware(models.Model):
    """What one unit needs on the wall, worked out from the rules of one revision."""

    unit = models.OneToOneField(Unit, models.CASCADE, related_name="hardware")
    rules = models.ForeignKey(HardwareRules, models.PROTECT, related_name="+")
    lines = models.JSONField(default=list, help_text="item, quantity, why, lengths; see installs.rules.hardware")
    brackets_at = models.JSONField(default=list, help_text="ticks from the left end")
    cautions = models.JSONField(default=list)
    cannot = models.JSONField(default=list, help_text="what stops the install, with what to do")
    tools = models.JSONField(default=list)
    inputs_hash = models.CharField(max_length=64)
    computed_at = models.DateTimeField(default=timezone.now)

    objects = UnitHardwareQuerySet.as_manager()

    class Meta:
        ordering = ["unit"]
        verbose_name_plural = "unit hardware"

    def __str__(self) -> str:
        return f"hardware of {self.unit.code}"


def cause_words(key: str) -> str:
    """A cause in words, its kind before it."""
    from installs.rules.causes import cause, top_of

    found, top = cause(key), top_of(key)
    return found.label if found.key == top.key else f"{top.label}: {found.label}"


MOTOR_TICKS = {"limits": "limits set", "charged": "charged"}
"""What is ticked of a motor as it is left."""


class VisitUnit(models.Model):
    """A unit that an install appointment is for, and what became of it."""

    class Outcome(models.TextChoices):
        TO_DO = "to_do", "to do"
        INSTALLED = "installed", "installed"
        NOT_INSTALLED = "not_installed", "not installed"

    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="visit_units")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="visit_units")
    outcome = models.CharField(max_length=14, choices=Outcome.choices, default=Outcome.TO_DO)
    cause = models.CharField(max_length=30, blank=True, help_text="key of installs.rules.causes")
    note = models.CharField(max_length=240, blank=True)
    marked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    marked_at = models.DateTimeField(null=True, blank=True)
    as_left = models.JSONField(
        default=dict, db_default={}, help_text="of a motor: limits, charged, channel, remote's label, hub"
    )

    objects = VisitPartQuerySet.as_manager()

    class Meta:
        ordering = ["appointment", "unit__opening__room__order", "unit__opening__order", "unit__number"]
        constraints = [
            models.UniqueConstraint(fields=["appointment", "unit"], name="unit_once_an_appointment"),
            models.CheckConstraint(
                name="not_installed_has_a_cause", condition=~Q(outcome="not_installed") | ~Q(cause="")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit.code}: {self.get_outcome_display()}"

    @property
    def left_ticks(self) -> list[str]:
        """What is ticked of its motor."""
        return [name for name in MOTOR_TICKS if self.as_left.get(name)]

    @property
    def motor_text(self) -> str:
        """How its motor was left, in words; empty where nobody said."""
        left = self.as_left
        named = [f"{name} {left[name]}" for name in ("channel", "remote", "hub") if left.get(name)]
        ticked = [word if left.get(name) else f"not {word}" for name, word in MOTOR_TICKS.items()]
        return ", ".join([*ticked, *named]) if left else ""

    @property
    def cause_text(self) -> str:
        """Why it did not go up, in words; empty where it did."""
        return cause_words(self.cause) if self.cause else ""


class Stop(models.Model):
    """The install visit as it went: times, signature, who was there."""

    class Check(models.TextChoices):
        CORDS = "cords", "cords held, tension devices tried"
        SHOWN = "shown", "shown how it works"
        CLEAN = "clean", "site left clean"

    OF_UNITS = (Check.CORDS, Check.SHOWN)
    """What is ticked once a stop and may not hold for every unit."""

    appointment = models.OneToOneField(Appointment, models.PROTECT, related_name="stop")
    signed_name = models.CharField(max_length=120, blank=True)
    signature = models.JSONField(default=list, help_text="strokes of [x, y] in thousandths of the pad")
    left_with = models.CharField(max_length=120, blank=True, help_text="nobody home: left with whom")
    signed_at = models.DateTimeField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    note = models.TextField(blank=True, validators=[MaxLengthValidator(LONGEST_NOTE)])
    checked = models.CharField(
        max_length=60, blank=True, default="", db_default="", help_text="once a stop: which checks were ticked"
    )
    excepted = models.JSONField(
        default=dict, db_default={}, help_text="by check: the codes of the units that what was ticked does not hold for"
    )

    objects = VisitPartQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return f"stop at {self.appointment.job.number}"

    def is_closed(self) -> bool:
        return self.closed_at is not None

    @property
    def checks(self) -> list[tuple[str, str, bool, list[str]]]:
        """Every check of a stop: its key, what is ticked, whether it is, and the units that it does not hold for."""
        ticked = self.checked.split()
        return [
            (value, label, value in ticked, self.excepted.get(value, []) if value in ticked else [])
            for value, label in self.Check.choices
        ]


class StopPhoto(models.Model):
    """A picture taken at an install: of the work, or of what kept it from going up."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="a device may name it")
    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="install_photos")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="install_photos")
    file = models.ImageField(upload_to="installs/%Y/%m/")
    caption = models.CharField(max_length=160, blank=True)
    for_customer = models.BooleanField("the customer sees it", default=False, db_default=False)
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    taken_at = models.DateTimeField(default=timezone.now)
    removed_at = models.DateTimeField(null=True, blank=True)

    objects = VisitPartQuerySet.as_manager()

    class Meta:
        ordering = ["taken_at", "pk"]

    def __str__(self) -> str:
        return self.caption or f"photo of {self.appointment}"


class HardwareUsed(models.Model):
    """Hardware used otherwise than the list said: more, less, or something else."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False, help_text="a device may name it")
    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="hardware_used")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="+")
    material = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="+")
    change = models.IntegerField(help_text="pieces more than listed; below 0: fewer")
    note = models.CharField(max_length=240, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    undone_at = models.DateTimeField(null=True, blank=True)

    objects = VisitPartQuerySet.as_manager()

    class Meta:
        ordering = ["at", "pk"]

    def __str__(self) -> str:
        return f"{self.change:+d} {self.material or self.note}"

    @property
    def text(self) -> str:
        """What was used otherwise, in words, and of which unit."""
        item = f"{self.change:+d} {self.material.name}" if self.material else ""
        unit = self.unit.code if self.unit else ""
        return ", ".join(word for word in (unit, item, self.note) if word)


class Pull(models.Model):
    """Hardware of one material reserved in stock for one appointment."""

    class State(models.TextChoices):
        RESERVED = "reserved", "reserved"
        TAKEN = "taken", "on the truck"
        DROPPED = "dropped", "given back"

    appointment = models.ForeignKey(Appointment, models.CASCADE, related_name="pulls")
    material = models.ForeignKey(Material, models.PROTECT, related_name="+")
    needed = models.PositiveIntegerField(help_text="pieces, or whole stock lengths")
    held = models.PositiveIntegerField(default=0)
    items = models.JSONField(default=list, help_text="[stock item, pieces] reserved there")
    why = models.TextField(blank=True)
    state = models.CharField(max_length=8, choices=State.choices, default=State.RESERVED)
    at = models.DateTimeField(default=timezone.now)

    objects = VisitPartQuerySet.as_manager()

    class Meta:
        ordering = ["material__name", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["appointment", "material"], name="pulled_once_an_appointment"),
            models.CheckConstraint(name="pull_held_within", condition=Q(held__lte=F("needed"))),
        ]

    def __str__(self) -> str:
        return f"{self.held} of {self.needed} {self.material.name}"

    @property
    def short(self) -> int:
        """How many are missing on the shelf."""
        return self.needed - self.held if self.state == self.State.RESERVED else 0


class VanStock(models.Model):
    """What a crew's van carries of one material, and between which bounds."""

    crew = models.ForeignKey(Crew, models.CASCADE, related_name="van_stock")
    material = models.ForeignKey(Material, models.PROTECT, related_name="+")
    quantity = models.PositiveIntegerField(default=0, validators=between(0, 100_000))
    least = models.PositiveIntegerField(default=0, validators=between(0, 100_000))
    most = models.PositiveIntegerField(default=0, validators=between(0, 100_000))

    objects = CrewPartQuerySet.as_manager()

    class Meta:
        ordering = ["crew", "material__name"]
        constraints = [
            models.UniqueConstraint(fields=["crew", "material"], name="van_stock_once"),
            models.CheckConstraint(name="van_stock_bounds", condition=Q(most__gte=F("least"))),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} {self.material.name} in {self.crew}"

    @property
    def to_take(self) -> int:
        """What tops it up: under its least, up to its most."""
        return self.most - self.quantity if self.quantity < self.least else 0


class Load(models.Model):
    """What goes on one crew's truck for one day."""

    class State(models.TextChoices):
        OPEN = "open", "to check"
        CHECKED = "checked", "checked"
        LEFT = "left", "left the yard"
        BACK = "back", "back"

    crew = models.ForeignKey(Crew, models.PROTECT, related_name="loads")
    day = models.DateField()
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    left_at = models.DateTimeField(null=True, blank=True)
    gap_reason = models.CharField(max_length=240, blank=True, help_text="why it left with something missing")
    checked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    back_at = models.DateTimeField(null=True, blank=True)
    findings = models.JSONField(default=list, help_text="what the rules say of the load: too long, weight")
    weight_g = models.PositiveIntegerField(default=0)

    objects = LoadQuerySet.as_manager()

    class Meta:
        ordering = ["-day", "crew"]
        constraints = [models.UniqueConstraint(fields=["crew", "day"], name="load_once_a_crew_day")]

    def __str__(self) -> str:
        return f"{self.crew}, {short_day(self.day)}"

    def get_absolute_url(self) -> str:
        return reverse("installs:load", args=[self.pk])

    def is_in_the_yard(self) -> bool:
        return self.state in {self.State.OPEN, self.State.CHECKED}


class LoadLine(models.Model):
    """One thing to put on the truck: a package of a unit, or hardware summed over the day."""

    load = models.ForeignKey(Load, models.CASCADE, related_name="lines")
    key = models.CharField(max_length=90, default="", help_text="what it is, whatever its place in the list")
    order = models.PositiveIntegerField()
    appointment = models.ForeignKey(Appointment, models.SET_NULL, null=True, blank=True, related_name="+")
    section = models.CharField(max_length=30, help_text="long rack, stop 3, hardware, tools")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="load_lines")
    package = models.CharField(max_length=40, blank=True, help_text="1 of 2: head")
    material = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="+")
    text = models.CharField(max_length=160)
    why = models.TextField(blank=True)
    quantity = models.PositiveIntegerField(default=1)
    checked = models.PositiveIntegerField(default=0)
    returned = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["load", "order"]
        constraints = [
            models.UniqueConstraint(fields=["load", "key"], name="load_line_once"),
            models.CheckConstraint(name="load_checked_within", condition=Q(checked__lte=F("quantity"))),
            models.CheckConstraint(name="load_returned_within", condition=Q(returned__lte=F("checked"))),
        ]

    def __str__(self) -> str:
        return self.text

    @property
    def missing(self) -> int:
        return self.quantity - self.checked

    @property
    def is_left_behind(self) -> bool:
        """The truck left without all of it."""
        return self.missing > 0 and not self.load.is_in_the_yard()


class LoadCheck(models.Model):
    """One tap at the load check, kept so that it can be taken back."""

    load = models.ForeignKey(Load, models.CASCADE, related_name="checks")
    text = models.CharField(max_length=160)
    before = models.JSONField(help_text="line to how many were checked before")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-at", "-pk"]

    def __str__(self) -> str:
        return self.text


class ReturnOwed(models.Model):
    """Something still to be done at a site, and what it waits for."""

    class State(models.TextChoices):
        OWED = "owed", "owed"
        BOOKED = "booked", "booked"
        DONE = "done", "done"
        DROPPED = "dropped", "dropped"

    job = models.ForeignKey(Job, models.CASCADE, related_name="returns_owed")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="returns_owed")
    cause = models.CharField(max_length=30)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OWED)
    remake = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="+")
    remeasure = models.BooleanField(default=False)
    note = models.CharField(max_length=240, blank=True)
    parts_ready_on = models.DateField(null=True, blank=True, help_text="when what it waits for is there")
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    decided_at = models.DateTimeField(null=True, blank=True)
    happened_at = models.ForeignKey(
        Appointment, models.SET_NULL, null=True, blank=True, related_name="returns_from", help_text="the visit it is of"
    )
    appointment = models.ForeignKey(Appointment, models.SET_NULL, null=True, blank=True, related_name="returns")
    opened_at = models.DateTimeField(default=timezone.now)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    objects = JobPartQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.unit.code}: {self.cause_text}"

    def get_absolute_url(self) -> str:
        return reverse("installs:return", args=[self.pk])

    @property
    def cause_text(self) -> str:
        """The cause in words, its kind after it."""
        return cause_words(self.cause)

    @property
    def waits_for(self) -> Unit:
        """The unit that goes up at the return: the remake where there is one."""
        return self.remake or self.unit

    def is_live(self) -> bool:
        return self.state in {self.State.OWED, self.State.BOOKED}

    def ready_on(self) -> dt.date | None:
        """The day its parts are there: the remake's due date, or what was entered."""
        return (self.remake.due_on if self.remake else None) or self.parts_ready_on


class PrintedPacket(models.Model):
    """What a printed packet said, line by line, so that the next one can say what changed."""

    document = models.OneToOneField("shared.Document", models.CASCADE, related_name="packet")
    lines = models.JSONField(default=dict, help_text="what to what it said")

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return f"content of {self.document}"
