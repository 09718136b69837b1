"""What measuring registers: sources, kinds of entries and documents, menu, panels, demo data."""

from __future__ import annotations


def register() -> None:
    """Called once, when the apps are ready."""
    from jobs.models import MEASURING
    from jobs.ports import ports
    from measuring import demo as rooms
    from measuring import documents, setup
    from measuring.adapters import minutes, sources
    from measuring.adapters.customers import part_of_customer, photos_of_customer
    from measuring.adapters.finding import found
    from measuring.adapters.prices import value_of_job
    from measuring.api import entries
    from measuring.models import Family
    from measuring.services import import_kinds
    from measuring.services.erasing import erase
    from shared import audit, demo, finding, menu, panels, roles
    from shared.devices import offline

    ports.stage_sources.append(sources.stage_facts)
    ports.blocker_sources.append(sources.blockers)
    ports.another_visit_sources.append(sources.another_visit)
    ports.bring_sources.append(sources.bring)
    ports.outcome_sources.append(sources.outcomes)
    ports.families += Family.choices
    for purpose in MEASURING:
        ports.minutes_sources[purpose] = minutes.measure_minutes
        ports.expected_sources[purpose] = minutes.expected_minutes
        ports.visit_urls[purpose] = "measuring:visit"
        ports.entry_rooms[purpose] = "measuring"
        ports.finish_sources[purpose] = sources.unfinished
        ports.record_sources[purpose] = sources.is_recorded
    offline.add_page(r"^/measure/(\d+/)?$", "measuring:offline")
    offline.add_files(
        "measuring/measuring.css",
        "measuring/rules.js",
        "measuring/shapes.js",
        "measuring/rules-table.json",
        "measuring/field/visit.js",
        "measuring/field/model.js",
        "measuring/field/measure.js",
        "measuring/field/facts.js",
        "measuring/field/news.js",
        "measuring/field/drawings.js",
    )
    finding.add(found)
    assert documents  # registers the document kinds
    assert entries  # registers the kinds of entries
    menu.add("Visits", "measuring:day", roles=[roles.MEASURER], position=20)
    menu.add("Tapes", "measuring:tapes", roles=[roles.MEASURER], position=60)
    menu.add("Range", "measuring:range", roles=[roles.OWNER], position=30)
    panels.add("jobs:job", "Openings", "measuring:job_openings", position=20)
    panels.add("jobs:job", "Sizes and units", "measuring:job_units", position=30)
    demo.add(rooms.load, position=20)
    setup.register()
    ports.erase_hooks.append(erase)
    ports.value_sources.append(value_of_job)
    ports.customers_parts += [photos_of_customer, part_of_customer]
    import_kinds.register()
    audit.FIELD_WORDS.update(
        access_note="access",
        label="name",
        lapping="how they meet",
        mullions="mullion centers",
        past="at the corners",
        room_between="between units at a corner",
        sill="ends on",
        size_is="what was traced",
        split="their widths",
        stands_off="stands off the wall",
        unit_gap="between units",
        units_wanted="units side by side",
    )
