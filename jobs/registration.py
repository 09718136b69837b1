"""What jobs registers: menu, documents, long work, demo data."""

from __future__ import annotations


def register() -> None:
    """Called once, when the apps are ready."""
    from jobs import demo as town
    from jobs import (
        documents,  # noqa: F401 - the confirmation registers itself
        setup,
    )
    from jobs.adapters import found
    from jobs.ports import ports
    from jobs.schedule.handovers import fetched
    from jobs.services import import_kinds, messages, planning, search  # noqa: F401 - and so do their runs
    from jobs.services.crews import leave_crews
    from shared import audit, demo, finding, firm_data, menu, panels, roles, services, status
    from shared.devices import offline

    menu.add("Calendar", "jobs:calendar", roles=[roles.DISPATCHER], position=10)
    menu.add("Jobs", "jobs:list", roles=[roles.DISPATCHER], position=11)
    menu.add("Needs attention", "jobs:attention", roles=[roles.DISPATCHER], position=12)
    menu.add("Sites", "jobs:sites", roles=[roles.DISPATCHER], position=13)
    menu.add("Crews", "jobs:crews", roles=[roles.DISPATCHER], position=14)
    menu.add("Today", "jobs:today", roles=roles.FIELD, position=20)
    menu.add("Jobs", "jobs:list", roles=[roles.OWNER], position=60)
    menu.add("Calendar", "jobs:calendar", roles=[roles.OWNER], position=61)
    menu.add("Needs attention", "jobs:attention", roles=[roles.OWNER], position=62)
    panels.add("jobs:job", "Money", "jobs:money", roles=roles.OFFICE, position=50)
    offline.add_files("jobs/next-action.js", "jobs/next-action.json")
    finding.add(found)
    for kind in ("confirmation", "change"):
        ports.message_documents[kind] = lambda message: ("jobs.confirmation", message.appointment)
    ports.bring_sources.append(fetched)
    demo.add(town.load, position=10)
    services.leaving.append(leave_crews)
    firm_data.read_in_hooks.append(search.rebuild)
    status.counts["messages_waiting"] = ("Messages waiting", messages.waiting)
    status.counts["messages_undelivered"] = ("Messages that did not arrive, in a day", messages.undelivered)
    audit.FIELD_WORDS.update(
        duration_min="minutes on site",
        duration_safe_min="minutes that 85 of 100 keep",
        earliest_on="not before",
        handover="fetched at",
        hold="waits for",
        openings_expected="openings",
        policy="install",
        product_expected="product",
        promised_until="promised until",
        rooms_expected="rooms",
        starts_at="start",
        takes_texts="agreed to text messages",
        told_on="installed by, as told",
    )
    import_kinds.register()
    setup.register()
