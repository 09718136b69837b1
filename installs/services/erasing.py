"""What the install day keeps of a customer's home and words, taken out when their data is erased."""

from __future__ import annotations

from django.db.models import QuerySet

from installs.models import HardwareUsed, Load, ReturnOwed, Stop, StopPhoto, VisitUnit
from jobs.models import Job
from jobs.services.erasing import forget_documents_about


def erase(jobs: QuerySet[Job]) -> list[str]:
    """Photos, signatures, papers, what somebody wrote; outcomes and causes stay. Names of the files to delete."""
    Stop.objects.filter(appointment__job__in=jobs).update(signed_name="", signature=[], left_with="", note="")
    VisitUnit.objects.filter(appointment__job__in=jobs).update(note="")
    HardwareUsed.objects.filter(appointment__job__in=jobs).update(note="")
    returns = ReturnOwed.objects.filter(job__in=jobs)
    returns.update(note="")
    photos = StopPhoto.objects.filter(appointment__job__in=jobs)
    files = list(photos.values_list("file", flat=True))
    photos.delete()
    loads = Load.objects.filter(lines__appointment__job__in=jobs).distinct()
    return files + forget_documents_about(loads) + forget_documents_about(returns)
