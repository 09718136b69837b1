"""
Whether the version before a migration still runs on its tables: ``python -m tests.backwards``.

A firm of several processes migrates once and restarts them one after the other, so for some minutes old code
meets new tables. A migration that it can't meet is split over two releases (add and fill, then drop), or stands
in `KNOWN` with why it may break: the firm then stops every process while it updates. Read on SQLite's SQL, which
needs no server: it names what drops, renames, requires or alters as PostgreSQL's does.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Collection
from typing import Final

from tests.test_layers import ORDER

FIRST: Final = "before 0.1.0: nobody had anything to update"
STOPPED: Final = "0.2.0 says that every process is stopped while it updates"
DEFAULTED: Final = "its columns have defaults in the database; only SQLite's new table looks as if they had not"
KNOWN: Final[dict[tuple[str, str], str]] = {
    ("fabrication", "0003_reserved_length"): FIRST,
    ("fabrication", "0005_purchases"): FIRST,
    ("fabrication", "0007_the_day_itself"): FIRST,
    ("fabrication", "0013_who_takes_the_clearance"): DEFAULTED,
    ("fabrication", "0014_a_firms_own_goods"): DEFAULTED,
    ("fabrication", "0018_what_a_supplier_says_of_dates"): DEFAULTED,
    ("fabrication", "0020_what_a_purchase_goes_through"): DEFAULTED,
    (
        "fabrication",
        "0021_a_change_is_asked_of_the_supplier",
    ): "a line is of nothing once it is cancelled, as no old code makes it",
    ("fabrication", "0023_where_a_sheet_of_labels_begins"): DEFAULTED,
    ("installs", "0004_the_day_itself"): FIRST,
    ("installs", "0005_a_return_is_owed"): STOPPED,
    ("installs", "0008_checks_of_a_stop"): DEFAULTED,
    ("installs", "0011_photos_the_customer_sees"): DEFAULTED,
    ("installs", "0012_how_a_motor_was_left"): DEFAULTED,
    ("installs", "0013_units_a_check_does_not_hold_for"): DEFAULTED,
    ("jobs", "0005_expected_is_worked_out"): STOPPED,
    ("jobs", "0007_a_parked_entry_keeps_its_jobs_number"): STOPPED,
    ("jobs", "0010_offers_and_wishes"): DEFAULTED,
    ("jobs", "0021_how_exact_a_place_is"): DEFAULTED,
    ("jobs", "0022_messages_to_customers"): DEFAULTED,
    ("jobs", "0025_a_customer_moves_a_visit"): "a column that may be empty from now on, and that no old page reads",
    ("jobs", "0028_tables_of_any_source"): DEFAULTED,
    ("jobs", "0031_a_day_of_waiting_has_a_price"): DEFAULTED,
    ("jobs", "0034_messages_in_the_customers_language"): DEFAULTED,
    ("jobs", "0036_customers_answer_for_their_site"): "who answered may be empty: then the page says None",
    ("jobs", "0037_who_settles_and_who_measures"): DEFAULTED,
    ("measuring", "0002_visit_rows_named_by_devices"): FIRST,
    ("measuring", "0004_remove_product_options"): STOPPED,
    ("measuring", "0009_why_it_goes_on"): DEFAULTED,
    ("measuring", "0011_a_unit_changes_after_its_release"): DEFAULTED,
    ("measuring", "0012_what_products_are_sold_for_and_with"): "who recorded may be empty: then the page says None",
    ("measuring", "0013_openings_that_are_no_rectangles"): DEFAULTED,
    ("measuring", "0014_openings_of_a_bay"): DEFAULTED,
    ("measuring", "0015_photos_the_customer_sees"): DEFAULTED,
    ("measuring", "0017_what_is_to_come"): DEFAULTED,
    ("shared", "0006_entries_of_devices"): STOPPED,
    ("shared", "0007_what_was_done_is_an_action"): STOPPED,
    ("shared", "0009_the_firm_and_its_invitations"): "its new columns have defaults in the database",
    ("shared", "0012_by_the_customer"): DEFAULTED,
    ("shared", "0013_the_request_of_a_run"): DEFAULTED,
    ("shared", "0016_an_old_entry_waits_for_the_office"): DEFAULTED,
    ("shared", "0017_map_address_and_final_days"): DEFAULTED,
    ("shared", "0018_a_second_step_at_sign_in"): DEFAULTED,
    ("shared", "0019_phones_ask_for_a_pin"): DEFAULTED,
}
"""Migrations that break the version before them, or look like it: (app, name) and why they may."""


def breaking(known: Collection[tuple[str, str]], apps: Collection[str] = ORDER) -> list[tuple[str, str]]:
    """Migrations that old code can't meet, none of them known; what is wrong with each is printed."""
    from django_migration_linter import MigrationLinter

    linter = MigrationLinter(
        no_cache=True,
        quiet=["ok", "ignore", "warning"],
        ignore_initial_migrations=True,
    )
    found = []
    for (app, name), migration in sorted(linter.migration_loader.disk_migrations.items()):
        if app in apps and (app, name) not in known:
            before = linter.nb_erroneous
            linter.lint_migration(migration)
            found += [(app, name)] * (linter.nb_erroneous - before)
    gone = [key for key in known if key not in linter.migration_loader.disk_migrations]
    assert gone == [], f"no longer there: take it out of KNOWN: {gone}"
    return found


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    import django

    django.setup()
    if breaking(KNOWN):
        sys.exit("Split what breaks the version before it over two releases, or say in tests/backwards.py why it may.")


if __name__ == "__main__":
    main()
