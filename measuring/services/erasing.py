"""What measuring keeps of a customer's home and words, taken out when their data is erased."""

from __future__ import annotations

from django.db.models import QuerySet

from jobs.models import Job
from measuring.models import Approval, MeasureVisit, Obstruction, Opening, Photo, ShapeTemplate


def erase(jobs: QuerySet[Job]) -> list[str]:
    """Photos, who approved, what somebody wrote; sizes and readings stay. Names of the files to delete."""
    openings = Opening.objects.filter(job__in=jobs)
    openings.update(note="", access_note="", reason="", goes_on="")
    Obstruction.objects.filter(opening__in=openings).update(note="")
    MeasureVisit.objects.filter(appointment__job__in=jobs).update(note="")
    Approval.objects.filter(job__in=jobs).update(approved_by="the customer")
    ShapeTemplate.objects.filter(job__in=jobs).update(reason="")
    photos = Photo.objects.filter(opening__in=openings)
    files = list(photos.values_list("file", flat=True))
    photos.delete()
    return files
