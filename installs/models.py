"""The install day: hardware, loads, packets, what happened, and what is owed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from fabrication.models import Material
from jobs.models import Appointment, BranchQuerySet, Crew, Job
from measuring.models import JobPartQuerySet, Unit

if TYPE_CHECKING:
    pass


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

    class Meta:
        ordering = ["unit"]
        verbose_name_plural = "unit hardware"

    def __str__(self) -> str:
        return f"hardware of {self.unit.code}"


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


class Stop(models.Model):
    """The install visit as it went: times, signature, who was there."""

    appointment = models.OneToOneField(Appointment, models.PROTECT, related_name="stop")
    signed_name = models.CharField(max_length=120, blank=True)
    signature = models.JSONField(default=list, help_text="strokes of [x, y] in thousandths of the pad")
    left_with = models.CharField(max_length=120, blank=True, help_text="nobody home: left with whom")
    signed_at = models.DateTimeField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+")
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return f"stop at {self.appointment.job.number}"


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

    class Meta:
        ordering = ["-day", "crew"]
        constraints = [models.UniqueConstraint(fields=["crew", "day"], name="load_once_a_crew_day")]

    def __str__(self) -> str:
        return f"load of {self.crew}, {self.day}"


class LoadLine(models.Model):
    """One thing to put on the truck: a package of a unit, or hardware summed over the day."""

    load = models.ForeignKey(Load, models.CASCADE, related_name="lines")
    order = models.PositiveIntegerField()
    section = models.CharField(max_length=30, help_text="long rack, stop 3, hardware, tools")
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="load_lines")
    package = models.CharField(max_length=40, blank=True, help_text="1 of 2: head")
    material = models.ForeignKey(Material, models.PROTECT, null=True, blank=True, related_name="+")
    text = models.CharField(max_length=160)
    quantity = models.PositiveIntegerField(default=1)
    checked = models.PositiveIntegerField(default=0)
    returned = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["load", "order"]
        constraints = [
            models.UniqueConstraint(fields=["load", "order"], name="load_line_order_once"),
            models.CheckConstraint(name="load_checked_within", condition=Q(checked__lte=F("quantity"))),
        ]

    def __str__(self) -> str:
        return self.text


class ReturnOwed(models.Model):
    """Something still to be done at a site, and what it waits for."""

    class State(models.TextChoices):
        OPEN = "open", "owed"
        BOOKED = "booked", "booked"
        DONE = "done", "done"
        DROPPED = "dropped", "dropped"

    job = models.ForeignKey(Job, models.CASCADE, related_name="returns_owed")
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="returns_owed")
    cause = models.CharField(max_length=30)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    remake = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="+")
    remeasure = models.BooleanField(default=False)
    appointment = models.ForeignKey(Appointment, models.SET_NULL, null=True, blank=True, related_name="returns")
    opened_at = models.DateTimeField(default=timezone.now)
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    objects = JobPartQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at"]

    def __str__(self) -> str:
        return f"{self.unit.code}: {self.cause}"
