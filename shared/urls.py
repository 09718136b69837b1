"""Every address of the site. The apps above are named as strings only."""

from importlib.util import find_spec

from django.conf import settings
from django.urls import include, path

rooms = [path("", include(f"{room}.urls")) for room in settings.ROOMS if find_spec(f"{room}.urls")]

urlpatterns = [
    *rooms,
]
