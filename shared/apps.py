"""The common app."""

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate, pre_migrate


class SharedConfig(AppConfig):
    """What every other app stands on."""

    name = "shared"
    verbose_name = "Shared"

    def ready(self) -> None:
        pre_migrate.connect(take_time, sender=self)
        post_migrate.connect(keep_roles, sender=self)
        from shared import checks, documents, menu, roles, status  # noqa: F401 - checks and kinds register themselves
        from shared.setup import standing

        menu.add("Firm", "shared:firm", roles=[roles.OWNER], position=90)
        standing.register()


def take_time(using: str, **kwargs: object) -> None:
    """A migration of a large table may take as long as it needs; a page may not (settings: ``statement_timeout``)."""
    connection = connections[using]
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET statement_timeout = 0")


def keep_roles(using: str, **kwargs: object) -> None:
    """After every migrate (and every flush in tests) each role has its group."""
    from django.contrib.auth.models import Group

    from shared import roles

    for name in roles.ALL:
        Group.objects.using(using).get_or_create(name=name)
