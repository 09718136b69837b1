"""What the install day registers: menu, panels, sources, documents, kinds of entries, demo data."""

from __future__ import annotations

from typing import Any

from django.db.models.signals import post_save
from django.dispatch import receiver

from installs import documents  # noqa: F401 - kinds of documents and entries register themselves
from installs.adapters.sources import (
    blockers,
    bring,
    hardware_kits,
    is_recorded,
    obstruction_help,
    outcomes,
    parts_unknown,
    stage_facts,
    unfinished,
)
from installs.adapters.truck import aboard
from installs.api import entries  # noqa: F401
from installs.services.hardware import drop_pulls
from installs.services.returns import follow_visit
from installs.services.visits import name_units
from jobs.models import INSTALLING, Appointment, Purpose
from shared.roles import DISPATCHER, INSTALLER, WORKROOM


def _installs(visit: Appointment) -> bool:
    """A measure has nothing to load, a service call no units."""
    return visit.purpose in INSTALLING and visit.purpose != Purpose.SERVICE


def register() -> None:
    """Called once, when the apps are ready."""
    from installs.adapters.customers import part_of_customer, photos_of_customer
    from installs.adapters.minutes import expected_service_minutes, install_minutes
    from installs.demo import load
    from installs.services.erasing import erase
    from installs.services.starting_data import load_for_range
    from installs.services.visits import pull_again, size_changed, take_in_released
    from jobs.ports import ports as jobs_ports
    from measuring.ports import ports as measuring_ports
    from shared import demo, menu, panels
    from shared.devices import offline
    from shared.roles import OWNER

    menu.add("Load", "installs:my_load", roles=[INSTALLER], position=25)
    menu.add("Loads", "installs:loads", roles=[DISPATCHER, WORKROOM], position=55)
    menu.add("Returns", "installs:returns", roles=[DISPATCHER], position=56)
    menu.add("Figures", "installs:figures", roles=[OWNER], position=10)
    menu.add("Hardware", "installs:rules", roles=[OWNER], position=55)
    panels.add("jobs:job", "Install", "installs:job_panel", position=40)
    panels.add("jobs:project", "Punch list", "installs:punch_list", roles=[DISPATCHER, OWNER], position=10)
    panels.add("jobs:appointment", "Units and hardware", "installs:visit_panel", position=20, shows=_installs)
    demo.add(load, position=40)
    jobs_ports.stage_sources.append(stage_facts)
    jobs_ports.blocker_sources.append(blockers)
    jobs_ports.erase_hooks.append(erase)
    jobs_ports.customers_parts += [photos_of_customer, part_of_customer]
    jobs_ports.bring_sources.append(bring)
    jobs_ports.aboard_sources.append(aboard)
    jobs_ports.parts_unknown_sources.append(parts_unknown)
    jobs_ports.outcome_sources.append(outcomes)
    for purpose in INSTALLING:
        jobs_ports.visit_urls[purpose] = "installs:stop"
        jobs_ports.entry_rooms[purpose] = "installs"
        jobs_ports.minutes_sources[purpose] = install_minutes
        jobs_ports.finish_sources[purpose] = unfinished
        jobs_ports.record_sources[purpose] = is_recorded
    jobs_ports.expected_sources[Purpose.SERVICE] = expected_service_minutes
    offline.add_page(r"^/(|sign-in/|stops/(\d+/)?|load/|loads/\d+/|today/)$", "installs:offline")
    scripts = ("day", "kept", "load", "scan", "sending", "shell", "stop")
    offline.add_files("installs/day.css", "jobs/visit.css", *(f"installs/{name}.js" for name in scripts))
    jobs_ports.day_scripts.append("installs/day.js")
    for kind in ("done", "serviced"):
        jobs_ports.message_documents[kind] = lambda message: ("installs.completion", message.job)
    measuring_ports.range_hooks.append(load_for_range)
    measuring_ports.release_hooks.append(take_in_released)
    measuring_ports.size_change_hooks.append(size_changed)
    measuring_ports.cancel_hooks.append(pull_again)
    measuring_ports.obstruction_help.append(obstruction_help)
    measuring_ports.hardware_kits.append(hardware_kits)


@receiver(post_save, sender=Appointment)
def follow_the_calendar(instance: Appointment, created: bool, raw: bool = False, **kwargs: Any) -> None:
    """A new install names its units; a return is booked when its visit is; a cancelled one gives its stock back."""
    if raw or instance.purpose not in {Purpose.INSTALL, Purpose.RETURN}:
        return
    if created:
        name_units(appointment=instance)
        return
    fields = kwargs.get("update_fields")
    if fields is not None and "state" not in fields:
        return
    follow_visit(instance)
    if instance.state == Appointment.State.CANCELLED:
        drop_pulls(appointment=instance, by=None)
