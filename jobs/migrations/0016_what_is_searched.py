import django.db.models.deletion
from django.db import migrations, models
from django.db.migrations.state import StateApps
from django.db.backends.base.schema import BaseDatabaseSchemaEditor

TABLES = (("jobs_searchentry", "text"), ("jobs_searchword", "word"))


def index_threes(apps: StateApps, editor: BaseDatabaseSchemaEditor) -> None:
    """Threes of letters: FTS5 tables beside the two on SQLite, pg_trgm (which an owner may add from 13 on) elsewhere."""
    if editor.connection.vendor == "sqlite":
        for table, _column in TABLES:
            editor.execute(f"CREATE VIRTUAL TABLE {table}_fts USING fts5(text, tokenize='trigram')")
    else:
        editor.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
        for table, column in TABLES:
            editor.execute(f"CREATE INDEX {table}_threes ON {table} USING gin ({column} gin_trgm_ops)")


def drop_threes(apps: StateApps, editor: BaseDatabaseSchemaEditor) -> None:
    if editor.connection.vendor == "sqlite":
        for table, _column in TABLES:
            editor.execute(f"DROP TABLE {table}_fts")


def fill(apps: StateApps, editor: BaseDatabaseSchemaEditor) -> None:
    from jobs.services.search import rebuild

    rebuild(apps.get_model)


class Migration(migrations.Migration):
    """
    Customers and sites are found through entries of their own.

    What the version before writes meanwhile is found from its next change on, or after `manage.py index_search`.
    """

    dependencies = [
        ("jobs", "0015_a_proposed_move_has_its_chances"),
        ("shared", "0009_the_firm_and_its_invitations"),
    ]

    operations = [
        migrations.CreateModel(
            name="SearchWord",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("word", models.CharField(max_length=80, unique=True)),
            ],
        ),
        migrations.CreateModel(
            name="SearchEntry",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("text", models.TextField(help_text="words between spaces; contact after a bar")),
                (
                    "branch",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="+", to="shared.branch"
                    ),
                ),
                (
                    "customer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="search_entries",
                        to="jobs.customer",
                    ),
                ),
                (
                    "site",
                    models.OneToOneField(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="search_entry",
                        to="jobs.site",
                    ),
                ),
            ],
        ),
        migrations.RunPython(index_threes, drop_threes),
        migrations.RunPython(fill, migrations.RunPython.noop),
    ]
