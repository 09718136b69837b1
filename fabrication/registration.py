"""What the workroom registers: menu, panels, sources, documents, long work, demo data."""

from __future__ import annotations

from fabrication import documents  # noqa: F401 - kinds of documents and work register themselves
from fabrication.adapters.dates import expected_making, making_of, past_jobs
from fabrication.adapters.finding import found
from fabrication.adapters.rescues import rescues
from fabrication.adapters.sources import blockers, ready_on, stock_standing
from fabrication.services import planning, range_tables  # noqa: F401
from jobs.ports import ports as jobs_ports
from measuring.ports import ports as measuring_ports
from shared import demo, finding, menu, panels
from shared.roles import DISPATCHER, OWNER, WORKROOM
from shared.setup import Step, add

LACKING = "Choices that the recipe does not have"


def register() -> None:
    """Called once, when the apps are ready."""
    from fabrication.adapters.options import fit_as_made, options_of_products, options_of_units
    from fabrication.demo import load, load_recipe_book
    from fabrication.services.erasing import erase
    from fabrication.services.making import (
        cancel_make,
        change_effects,
        make_units,
        release_checks,
        remake_after_change,
        take_back,
    )
    from fabrication.services.starting_data import load_for_range

    menu.add("Batches", "fabrication:batches", roles=[WORKROOM], position=10)
    menu.add("Cutting", "fabrication:cutting", roles=[WORKROOM], position=20)
    menu.add("Checking", "fabrication:checking", roles=[WORKROOM], position=30)
    menu.add("Stock", "fabrication:stock", roles=[WORKROOM], position=40)
    menu.add("Buying", "fabrication:buying", roles=[WORKROOM], position=45)
    menu.add("Recipes", "fabrication:recipes", roles=[WORKROOM, OWNER], position=50)
    panels.add("jobs:job", "Workroom", "fabrication:units_of_job", roles=[DISPATCHER, OWNER, WORKROOM], position=30)
    panels.add("shared:firm", LACKING, "fabrication:lacking_of_firm", roles=[OWNER], position=30)
    panels.add(
        "measuring:product",
        "What can be chosen",
        "fabrication:choices_of_product",
        roles=[OWNER, DISPATCHER],
        position=10,
    )
    finding.add(found)
    demo.add(load_recipe_book, position=15)  # measuring asks what can be chosen
    demo.add(load, position=30)
    jobs_ports.ready_sources.append(ready_on)
    jobs_ports.making_sources.append(making_of)
    jobs_ports.expected_making_sources.append(expected_making)
    jobs_ports.past_sources.append(past_jobs)
    jobs_ports.rescue_sources.append(rescues)
    jobs_ports.blocker_sources.append(blockers)
    jobs_ports.erase_hooks.append(erase)
    measuring_ports.range_hooks.append(load_for_range)
    add(Step("Stock", "fabrication:stock", 70, stock_standing, can_wait=True))
    measuring_ports.made_fit.append(fit_as_made)
    measuring_ports.product_options.append(options_of_products)
    measuring_ports.unit_options.append(options_of_units)
    measuring_ports.release_checks.append(release_checks)
    measuring_ports.release_hooks.append(make_units)
    measuring_ports.change_effects.append(change_effects)
    measuring_ports.size_change_hooks.append(remake_after_change)
    measuring_ports.cancel_hooks.append(cancel_make)
    measuring_ports.take_back_hooks.append(take_back)
