"""Phones in the field, what they sent, and what of it is not taken yet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone

if TYPE_CHECKING:
    from shared.models import User


class FieldDevice(models.Model):
    """A phone that may send entries made without signal; its token can be revoked alone."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="devices")
    name = models.CharField(max_length=80, blank=True)
    token_hash = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField(default=timezone.now)
    last_seen_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        db_table = "jobs_fielddevice"
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"{self.name or 'device'} of {self.user}"


class DeviceEntry(models.Model):
    """One entry as a device sent it, with the reply it got: a repeat gets the same reply."""

    PARKED = 202
    """The reply's status while it is not taken yet."""

    device = models.ForeignKey(FieldDevice, models.CASCADE, related_name="entries")
    entry_id = models.UUIDField()
    position = models.PositiveIntegerField(db_column="place", help_text="in the device's order")
    kind = models.CharField(max_length=40)
    body_hash = models.CharField(max_length=64)
    done_at = models.DateTimeField(help_text="when the person did it, by the device's clock")
    received_at = models.DateTimeField(default=timezone.now)
    reply_status = models.PositiveSmallIntegerField()
    reply = models.JSONField(default=dict)

    class Meta:
        db_table = "jobs_devicedeed"
        ordering = ["device", "position"]
        constraints = [models.UniqueConstraint(fields=["device", "entry_id"], name="entry_once_a_device")]

    def __str__(self) -> str:
        return f"{self.kind} {self.entry_id}"


class ParkedQuerySet(models.QuerySet["ParkedEntry"]):
    """Parked entries, seen by the office of the sender's branch."""

    def visible_to(self, user: User) -> Self:
        if user.is_of_whole_firm:
            return self
        return self.filter(entry__device__user__branch=user.branch_id) if user.branch_id else self.none()

    def unsettled(self) -> ParkedQuerySet:
        """Those that are still to be taken, in the order they came."""
        return self.filter(settled_at=None).order_by("pk")


class ParkedEntry(models.Model):
    """
    An entry that a fault of ours kept from being taken, or that waits behind one.

    Its place in the device's order is used up and its body kept; the program runs it again by
    itself (`shared.devices.entries`) until it is taken or refused, or the office drops it.
    """

    entry = models.OneToOneField(DeviceEntry, models.CASCADE, related_name="parked")
    body = models.JSONField(help_text="as it was sent; emptied once it is taken")
    waits = models.JSONField(default=list, help_text="subjects whose earlier entries come first")
    holds = models.JSONField(default=list, help_text="subjects whose later entries wait for this one")
    job_id = models.BigIntegerField(null=True, blank=True, help_text="A plain number: jobs is an app above this one.")
    where = models.CharField(max_length=200, blank=True, help_text="which opening, stop or load, in words")
    parked_at = models.DateTimeField(default=timezone.now)
    needs_yes = models.BooleanField(
        default=False, db_default=False, help_text="made too long ago to be taken before the office says so"
    )
    tries = models.PositiveIntegerField(default=0)
    failed = models.CharField(max_length=200, blank=True, help_text="what failed last; empty while it only waits")
    failed_at = models.DateTimeField(null=True, blank=True)
    next_at = models.DateTimeField(null=True, blank=True, help_text="not run again before; empty: as soon as it may")
    settled_at = models.DateTimeField(null=True, blank=True)
    dropped_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="dropped_entries"
    )
    dropped_why = models.CharField(max_length=240, blank=True)

    objects = ParkedQuerySet.as_manager()

    class Meta:
        db_table = "jobs_parkedentry"
        ordering = ["pk"]
        indexes = [models.Index(fields=["parked_at"], name="parked_unsettled", condition=Q(settled_at=None))]

    def __str__(self) -> str:
        return f"{self.entry}, parked"
