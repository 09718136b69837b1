"""The same actions over HTTP: jobs, visits, sites, crews, plans. Nothing here writes but through a service."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rest_framework.routers import DefaultRouter


def register(router: DefaultRouter) -> None:
    """The routes of this app."""
    # here, not above: whoever takes in a phone's entries needs none of it
    from jobs.api.appointments import AppointmentViewSet
    from jobs.api.asked import KeyViewSet, QuestionViewSet
    from jobs.api.crews import CrewViewSet
    from jobs.api.customers import CustomerViewSet, ProjectViewSet, SiteViewSet
    from jobs.api.feeds import FeedViewSet
    from jobs.api.jobs import JobViewSet
    from jobs.api.messages import MessageViewSet
    from jobs.api.money import PaymentViewSet
    from jobs.api.plans import ProposalViewSet
    from jobs.api.setting_up import register as register_setup

    router.register("jobs", JobViewSet, basename="job")
    router.register("appointments", AppointmentViewSet, basename="appointment")
    router.register("customers", CustomerViewSet, basename="customer")
    router.register("projects", ProjectViewSet, basename="project")
    router.register("sites", SiteViewSet, basename="site")
    router.register("crews", CrewViewSet, basename="crew")
    router.register("proposals", ProposalViewSet, basename="proposal")
    router.register("feeds", FeedViewSet, basename="feed")
    router.register("messages", MessageViewSet, basename="message")
    router.register("payments", PaymentViewSet, basename="payment")
    router.register("keys", KeyViewSet, basename="key")
    router.register("questions", QuestionViewSet, basename="question")
    register_setup(router)
