"""What the install day does when the calendar changes below it, in the calendar's own transaction."""

from __future__ import annotations

from typing import Any

from django.db.models.signals import post_save
from django.dispatch import receiver

from installs.services.hardware import drop_pulls
from installs.services.returns import follow_visit
from installs.services.visits import name_units
from jobs.models import Appointment, Purpose


@receiver(post_save, sender=Appointment)
def follow_the_calendar(sender: Any, instance: Appointment, created: bool, raw: bool = False, **kwargs: Any) -> None:
    """A new install names its units; a return is booked when its visit is; a cancelled one gives its stock back."""
    if raw or instance.purpose not in {Purpose.INSTALL, Purpose.RETURN}:
        return
    if created:
        name_units(appointment=instance)
        return
    fields = kwargs.get("update_fields")
    if fields is not None and "state" not in fields:
        return
    follow_visit(instance)
    if instance.state == Appointment.State.CANCELLED:
        drop_pulls(appointment=instance, by=None)
