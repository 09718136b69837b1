"""Sites: the list, one site."""

from __future__ import annotations

from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, Q
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import OFFICE, customer_for, site_for
from jobs.drawings import picking_map
from jobs.forms import KeyForm, KeyOutForm, SiteForm
from jobs.models import Appointment, Site, SiteKey
from jobs.services import booking as services
from jobs.services import keys
from jobs.views.jobs import PER_PAGE, csv_answer
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.versions import edits


@roles_required(*OFFICE)
@require_GET
def site_list(request: SignedInRequest) -> HttpResponseBase:
    """Where the branch drives to; those without coordinates can't be routed and say so."""
    rows = Site.objects.visible_to(request.user).select_related("customer", "branch").annotate(job_count=Count("jobs"))
    rows = rows.order_by("town", "street", "pk")
    words = request.GET.get("q", "").strip()
    for word in words.split()[:6]:
        rows = rows.filter(
            Q(street__icontains=word) | Q(town__icontains=word) | Q(name__icontains=word)
            | Q(postcode__startswith=word) | Q(customer__name__icontains=word)
        )  # fmt: skip
    if request.GET.get("without") == "coordinates":
        rows = rows.filter(Q(latitude__isnull=True) | ~Q(place_from=""))
    if request.GET.get("format") == "csv":
        head = ["customer", "site", "street", "line2", "town", "postcode", "latitude", "longitude", "year_built"]
        return csv_answer(
            "sites",
            head,
            (
                [s.customer.name, s.name, s.street, s.line2, s.town, s.postcode, s.latitude, s.longitude, s.year_built]
                for s in rows.iterator(chunk_size=2000)
            ),
        )
    rest = {key: value for key, value in request.GET.items() if key in {"q", "without"} and value}
    context = {
        "page": Paginator(rows, PER_PAGE).get_page(request.GET.get("page")),
        "q": words,
        "without": request.GET.get("without", ""),
        "rest": urlencode(rest),
    }
    return render(request, "jobs/site_list.html", context)


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def site_edit(request: SignedInRequest, pk: int) -> HttpResponse:
    """A site with what a crew must know to get in and work there, and the jobs it had."""
    site = site_for(request.user, pk)
    form = SiteForm(request.POST or None, user=request.user, instance=site)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            services.edit_site(site=Site.objects.get(pk=site.pk), by=request.user, **form.values())
            messages.success(request, "The site is changed.")
            return redirect("jobs:site", site.pk)
    coming = Appointment.objects.live().filter(job__site=site, day__gte=timezone.localdate()).order_by("day")
    context = {
        "site": site,
        "form": form,
        "jobs": site.jobs.select_related("customer").order_by("-pk")[:20],
        "coming": coming.select_related("job", "crew")[:10],
        "sketch": picking_map(site.branch, site),
        "keys": site.keys.filter(given_back_at=None).select_related("holder"),
        "key_form": KeyForm(user=request.user),
        "out_form": KeyOutForm(user=request.user),
        "today": timezone.localdate(),
    }
    return render(request, "jobs/site_edit.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_POST
def key_new(request: SignedInRequest, pk: int) -> HttpResponse:
    """A key came in."""
    site = site_for(request.user, pk)
    form = KeyForm(request.POST, user=request.user)
    with refusals_shown(request):
        if not form.is_valid():
            raise Refused("say what the key's tag says", field="label")
        keys.take_in(site=site, label=form.cleaned_data["label"], by=request.user)
    return redirect(f"{reverse('jobs:site', args=[pk])}#keys")


@roles_required(*OFFICE)
@require_POST
def key_act(request: SignedInRequest, pk: int) -> HttpResponse:
    """Sign a key out or back, or give it back to the customer."""
    rows = SiteKey.objects.visible_to(request.user).select_related("site")
    key = get_object_or_404(rows, pk=pk)
    with refusals_shown(request):
        if "back" in request.POST:
            keys.sign_back(key=key, by=request.user)
        elif "give" in request.POST:
            keys.give_back(key=key, by=request.user)
        else:
            form = KeyOutForm(request.POST, user=request.user)
            if not form.is_valid():
                raise Refused("choose who takes the key, and a day that is not over", field="holder")
            keys.sign_out(key=key, by=request.user, **form.cleaned_data)
    return redirect(f"{reverse('jobs:site', args=[key.site_id])}#keys")


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def site_new(request: SignedInRequest, pk: int) -> HttpResponse:
    """Another site of a customer."""
    customer = customer_for(request.user, pk)
    form = SiteForm(request.POST or None, user=request.user, instance=Site(branch=customer.branch, customer=customer))
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            site = services.new_site(customer=customer, by=request.user, **form.values())
            messages.success(request, "The site is there.")
            return redirect("jobs:site", site.pk)
    context = {"form": form, "customer": customer, "sketch": picking_map(customer.branch)}
    return render(request, "jobs/site_edit.html", context, status=422 if form.errors else 200)
