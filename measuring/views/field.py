"""What the phone needs to work without signal: the service worker and the page it shows then; devices."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from shared.access import SignedInRequest, roles_required
from shared.devices import receiver
from shared.devices.models import FieldDevice
from shared.roles import ALL, FIELD, OFFICE, OWNER


@roles_required(*ALL)  # whoever's phone holds one page that works without signal fetches every stand-in
@require_GET
def shell(request: SignedInRequest) -> HttpResponse:
    """The page that stands in for a visit without signal: no data, only the script."""
    return render(request, "measuring/field.html")


@roles_required(*FIELD, *OFFICE)
@require_http_methods(["GET", "POST"])
def devices(request: SignedInRequest) -> HttpResponse:
    """One's own phones (the owner: every phone of the branch), each revocable alone."""
    user = request.user
    rows = FieldDevice.objects.select_related("user").order_by("revoked_at", "-last_seen_at", "-pk")
    rows = rows.filter(user__branch=user.branch_id) if user.has_role(OWNER) else rows.filter(user=user)
    if request.method == "POST":
        pk = request.POST.get("device", "")
        device = rows.filter(pk=int(pk)).first() if pk.isdigit() else None
        if device is None:
            raise Http404
        receiver.revoke_device(device=device, by=user)
        messages.success(request, "Revoked: nothing this phone sends is taken any more.")
        return redirect("measuring:devices")
    return render(request, "measuring/devices.html", {"devices": rows[:100]})
