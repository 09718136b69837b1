"""Customers, their sites and projects over HTTP."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.api.base import OFFICE, QuietSerializer, mine
from jobs.models import Customer, Project, Site
from jobs.services import booking as services
from jobs.services.stages import by_phase
from shared.api import ActionViewSet, Filled


class CustomerSerializer(QuietSerializer[Customer]):
    """Who pays."""

    phones = ("phone", "email")

    class Meta:
        model = Customer
        fields = ["id", "name", "phone", "email", "takes_texts", "no_messages", "language", "note"]


class SiteSerializer(QuietSerializer[Site]):
    """Where somebody drives to. The key's place or code goes in and never comes out here."""

    phones = ("door_phone",)
    has_secret = serializers.SerializerMethodField()

    class Meta:
        model = Site
        fields = [
            "id", "customer", "name", "street", "line2", "town", "postcode", "latitude", "longitude", "year_built",
            "floor", "has_lift", "longest_in_lift", "longest_on_stair", "children", "pets", "parking", "access",
            "access_secret", "has_secret", "access_note", "door_contact", "door_phone", "notice_needed", "hours_from",
            "hours_until", "dock_note", "certificate_note", "certificate_until", "place_from", "place_within_m",
        ]  # fmt: skip
        read_only_fields = ["place_from", "place_within_m"]
        extra_kwargs = {"access_secret": {"write_only": True}}

    @extend_schema_field(OpenApiTypes.BOOL)
    def get_has_secret(self, site: Site) -> bool:
        return bool(site.access_secret)

    def validate_customer(self, customer: Customer) -> Customer:
        return mine(self, Customer, customer)


class CustomerViewSet(ActionViewSet[Customer]):
    """Customers of the branch."""

    roles = OFFICE
    queryset = Customer.objects.all()
    serializer_class = CustomerSerializer
    filterset_fields = ["name"]

    def perform_create(self, serializer: Filled) -> None:
        user = self.person
        serializer.instance = services.new_customer(branch=user.own_branch, by=user, **serializer.validated_data)

    def perform_update(self, serializer: Any) -> None:
        services.edit_customer(customer=serializer.instance, by=self.person, **serializer.validated_data)


class SiteViewSet(ActionViewSet[Site]):
    """Sites of the branch."""

    roles = OFFICE
    queryset = Site.objects.all()
    serializer_class = SiteSerializer
    filterset_fields = ["customer", "town", "postcode"]

    def perform_create(self, serializer: Filled) -> None:
        serializer.instance = services.new_site(by=self.person, **serializer.validated_data)

    def perform_update(self, serializer: Any) -> None:
        values = {name: value for name, value in serializer.validated_data.items() if name != "customer"}
        services.edit_site(site=serializer.instance, by=self.person, **values)


class ProjectSerializer(serializers.ModelSerializer[Project]):
    """Many sites and phases of one customer, each phase with its jobs and how far they are."""

    phases = serializers.SerializerMethodField()

    class Meta:
        model = Project
        fields = ["id", "customer", "name", "note", "phases"]

    @extend_schema_field({"type": "array", "items": {"type": "object"}})
    def get_phases(self, project: Project) -> list[dict[str, Any]]:
        return project_of(project)

    def validate_customer(self, customer: Customer) -> Customer:
        return mine(self, Customer, customer)


class ProjectViewSet(ActionViewSet[Project]):
    """Projects: opened, changed, and looked at phase by phase; a job joins one by its `project` and `phase`."""

    roles = OFFICE
    queryset = Project.objects.select_related("customer")
    serializer_class = ProjectSerializer
    filterset_fields = ["customer"]

    def perform_create(self, serializer: Filled) -> None:
        serializer.instance = services.new_project(by=self.person, **serializer.validated_data)

    def perform_update(self, serializer: Any) -> None:
        values = {name: value for name, value in serializer.validated_data.items() if name != "customer"}
        services.edit_project(project=serializer.instance, by=self.person, **values)


def project_of(project: Project) -> list[dict[str, Any]]:
    """The same in plain values, as the API gives it."""
    return [
        {
            "phase": phase["name"],
            "openings_expected": phase["openings"],
            "stages": {str(label): count for label, count in phase["stages"]},
            "jobs": [job.pk for job in phase["jobs"]],
        }
        for phase in by_phase(project.jobs.order_by("phase", "pk"))
    ]
