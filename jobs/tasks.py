"""Celery tasks: thin shells, safe to run twice."""

from __future__ import annotations

import time

from celery import shared_task
from django.conf import settings

from jobs.services import appointments, booking, dates, erasing, learning, messages, places, quiet
from shared.models import Branch


@shared_task(name="jobs.tasks.learn_times")
def learn_times() -> None:
    """Learn how times vary from the taps of the last weeks, and how long jobs take, for every branch."""
    for branch in Branch.objects.all():
        learning.learn_times(branch=branch)
        learning.learn_waits(branch=branch)


@shared_task(name="jobs.tasks.work_out_dates")
def work_out_dates() -> None:
    """Work the install dates out anew that customers were told."""
    for branch in Branch.objects.all():
        dates.work_out_dates(branch=branch)


@shared_task(name="jobs.tasks.ask_quiet_crews")
def ask_quiet_crews() -> None:
    """Ask the crews of which nothing is heard where they are."""
    for branch in Branch.objects.all():
        quiet.ask_quiet_crews(branch=branch)


@shared_task(name="jobs.tasks.remind_customers")
def remind_customers() -> None:
    """Write the reminders of the next working day."""
    for branch in Branch.objects.all():
        messages.remind(branch=branch)


@shared_task(name="jobs.tasks.send_due_messages")
def send_due_messages() -> int:
    """Send the messages whose quiet hours are over or whose next try is due."""
    return messages.send_due()


@shared_task(name="jobs.tasks.find_places")
def find_places() -> None:
    """Ask the address search, where there is one, of sites whose place is only about right; one a second."""
    for site in places.to_ask() if settings.PLACES_URL else ():
        places.ask(site)
        booking.place_again(site=site)
        time.sleep(1)


@shared_task(name="jobs.tasks.let_go_lapsed")
def let_go_lapsed() -> int:
    """Give back the reserved windows that ran out, so that every page says so and not the calendar alone."""
    return sum(appointments.let_go_lapsed(branch=branch) for branch in Branch.objects.all())


@shared_task(name="jobs.tasks.erase_old_customers")
def erase_old_customers() -> int:
    """Erase the data of customers that the firm's rule no longer keeps."""
    return erasing.erase_old()
