"""What a service call is about, with a picture of it."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from jobs.access import LOOKS, OFFICE, appointment_for
from jobs.forms import ServiceForm
from jobs.models import Purpose, ServiceCall
from jobs.services import service_calls as services
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_to
from shared.pictures import picture_answer
from shared.versions import edits


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def service(request: SignedInRequest, pk: int) -> HttpResponse:
    """What hangs there, what is wrong with it, whose it is, what to bring, what the trip costs."""
    visit = appointment_for(request.user, pk)
    if visit.purpose != Purpose.SERVICE:
        raise Http404
    row = ServiceCall.objects.filter(appointment=visit).first() or ServiceCall(appointment=visit)
    form = ServiceForm(request.POST or None, request.FILES or None, user=request.user, instance=row)
    if request.method == "POST" and form.is_valid():
        values = {name: form.cleaned_data[name] for name in services.FIELDS}
        photo = form.cleaned_data["file"]
        with refusals_to(form.refuse):
            services.note_call(appointment=visit, by=request.user, **values)
            if photo is not None:
                services.add_photo(appointment=visit, data=photo.read(), by=request.user)
            messages.success(request, "The service call is noted.")
            return redirect(visit)
    context = {"form": form, "job": visit.job, "heading": "What the service call is about"}
    return render(request, "jobs/job_form.html", context, status=422 if form.errors else 200)


@roles_required(*LOOKS)
@require_GET
def photo(request: SignedInRequest, pk: int) -> HttpResponse:
    """The picture of what is wrong, for whoever may see the visit."""
    row = get_object_or_404(ServiceCall.objects.visible_to(request.user).exclude(photo=""), appointment=pk)
    return picture_answer(row.photo)
