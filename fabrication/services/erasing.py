"""What the workroom keeps of a customer by name, taken out when their data is erased."""

from __future__ import annotations

from django.db.models import QuerySet

from fabrication.models import Batch, MadePhoto, OwnCloth, UnitMake
from jobs.models import Job
from jobs.services.erasing import forget_documents_about


def erase(jobs: QuerySet[Job]) -> list[str]:
    """Photos, papers with the customer's name, their own material's words. Names of the files to delete."""
    OwnCloth.objects.filter(job__in=jobs).update(name="own material", units="", verdict="")
    makes = UnitMake.objects.filter(unit__opening__job__in=jobs)
    photos = MadePhoto.objects.filter(make__in=makes)
    files = list(photos.values_list("file", flat=True))
    photos.delete()
    batches = Batch.objects.filter(makes__in=makes).distinct()
    return files + forget_documents_about(makes) + forget_documents_about(batches)
