"""Every address of the site. The apps above are named as strings only."""

from importlib.util import find_spec

from django.conf import settings
from django.urls import include, path
from drf_spectacular.views import SpectacularJSONAPIView

from shared.api import build_router
from shared.schema import ApiOne, WithOldNames

urlpatterns = [
    path("", include("shared.pages")),
    *(path("", include(f"{room}.urls")) for room in settings.ROOMS if find_spec(f"{room}.urls")),
    path("api/schema/", SpectacularJSONAPIView.as_view(generator_class=WithOldNames), name="schema"),
    path("api/1/schema/", SpectacularJSONAPIView.as_view(generator_class=ApiOne), name="schema_1"),
    path("api/", include((build_router().urls, "api"))),
]

handler400 = "shared.views.bad_request"
handler403 = "shared.views.forbidden"
handler404 = "shared.views.not_found"
handler500 = "shared.views.broken"
