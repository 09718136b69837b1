"""
Where today's answers and rows differ from a kept release's, and why.

Add an entry with the commit that makes the difference; a failing test prints the places to name. Take it out
when the difference is gone: an entry that meets none fails too. A ``*`` stands for anything.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Change:
    """
    Answers that differ.

    Parameters
    ----------
    where
        As a failing test names it, such as ``offers * body.offers.*.price``.
    why
        Which answer changed, and why the new one is right.
    is_new
        Only where there was nothing before: a new field, say.
    said
        Words, and what is said instead: only where the answer is the kept one but for them.
    """

    where: str
    why: str
    is_new: bool = False
    said: tuple[str, str] = ("", "")


@dataclass(frozen=True, slots=True)
class RowChange:
    """
    A table or column that is not as it was.

    Parameters
    ----------
    where
        The kept name: ``jobs_devicedeed`` or ``jobs_devicedeed.place``.
    to
        What it is called now; the same name where a migration changes values; None where it is gone.
    why
        What became of it, and where a gone fact lives now.
    """

    where: str
    to: str | None
    why: str


RECIPES = "A product's options are its recipe's, by the recipe's names; a colour no recipe asks for is not asked."
UNRESOLVED = "Options are resolved against the recipe before a release, which names option, value and what to do."

CALL = ("call_on", "call_note", "call_owner")
MINUTES = "Drives are whole minutes, rounded up, so that the minutes shown add up and what is typed is what was meant."

STARTS = "A start is on the full minute that pages showed of it."

FLOOR = "A covering to the floor is ordered short of it, and a door's handle is cleared: one opening ends there."

WHERE = "The floor stands beside the address for who drives there, as on the visit's page."

LENGTHS = "A unit's order size is a length as in its own answer, under the same names, not a bare number of ticks."

GAPS = "The light gap of what hangs on a tube is its recipe's: hardware at the side and half the clearance."

PHONE = "The phone does an entry as the office will: it must know what the office knows."

SLIPS = "The job's other openings are as crooked: half an inch of taper is no slip in such a house."

UNCHOSEN = "A control that nobody chose was taken for the first one; what each would bring is said."

LAPSED = "A held window that ran out is given back by the clock, where only reading the calendar did it."
OFFERS = (
    "An offer costs what the board says of the same crew and start: the others keep their planned starts and are "
    "pushed only when the crew can't reach them in time. So other windows are the cheapest."
)
GIVEN_BACK = (
    *("crew", "day", "held_until", "promised_from", "promised_until"),
    *("sequence", "starts_at", "state", "version"),
)

UNREAD = "Nothing read them: minutes of measuring are measuring's, and a pack's count asked nobody."

CORDS = "One table of cord rules: it says more, and a place's hardware rules hold no second one."

NEW_KINDS: dict[str, set[str]] = {
    "2026-11-29": {
        *(f"measuring.{kind}" for kind in ("not_measured", "on_the_way", "arrived", "taken_back", "bay")),
        *("measuring.template", "measuring.no_template", "installs.motor", "installs.taken_back"),
    }
}
"""Entries that no phone of a release could send yet."""

CHANGES: dict[str, list[Change]] = {
    "2026-11-29": [
        # service calls, messages in the customer's language
        Change("GET /api/crews/* body.*purposes.4", "Who drives for returns drives for service calls.", is_new=True),
        Change("GET /api/customers/* body.*language", "Of the messages a customer gets.", is_new=True),
        # the one date of a job
        *[
            Change(f"{when}GET /api/jobs/* body.*installed_by", "The day the customer was told.", is_new=True)
            for when in ("", "afterwards ")
        ],
        *(
            Change(f"GET /api/purchase*body.*{name}", "Deliveries in parts, differences answered, a note.", is_new=True)
            for name in ("answers", "pieces_received", "note")
        ),
        Change("GET /api/label-sizes/* body.*start", "The first free label of a started sheet.", is_new=True),
        Change("GET /api/purchases/* body.*ships_on", "The day its supplier acknowledged to ship.", is_new=True),
        Change(
            "GET /stuck/?format=csv * body",
            "A time is chosen; a window is what gets covered.",
            said=("choose a window for", "choose a time for"),
        ),
        # entries whose body can't be read
        Change("entry installer 17 installs.arrived reply.*", "A body without its visit says which field is missing."),
        Change("entry measurer 34 measuring.begin reply.*", "A body without its visit says which field is missing."),
        Change(
            "entry measurer 30 measuring.reading *",
            "A spot that is none is a body nobody can read (400), not a refusal (409): it is typed before it is done.",
        ),
        # what is missing of an opening
        Change("GET /api/openings/* body.missing.*.code", "Each gap has its code beside its words.", is_new=True),
        Change(
            "afterwards GET /api/openings/* body.missing.*.code", "Each gap has its code beside its words.", is_new=True
        ),
        # openings that are no rectangles
        *[
            Change(f"{when}GET {what}", "An opening has a shape; all there were are rectangles.", is_new=True)
            for when, what in (
                ("", "/api/field/day/ * body.choices.shape"),
                ("", "/api/field/day/ * body.visits.*.openings.*.facts.shape"),
                *((when, "/api/visits/* body.*shape") for when in ("", "afterwards ")),
                *((when, "/api/openings/* body.*shape") for when in ("", "afterwards ")),
            )
        ],
        # the spots a reading is taken at: the phone has them from the one table of rules
        Change("GET /api/field/day/ * body.choices.places", "The phone has the spots from the one table of rules."),
        Change("GET /api/visits/ * body.choices.places", "As in the phone's day."),
        Change("afterwards GET /api/visits/* body.choices.places", "As in the phone's day."),
        # what a phone's model needs to do an entry as the office will
        *[
            Change(f"{where} {what}", PHONE, is_new=True)
            for where, body in (
                ("GET /api/field/day/ *", "visits.*."),
                ("GET /api/visits/ *", ""),
                ("afterwards GET /api/visits/*", ""),
            )
            for what in (
                "body.choices.state",
                "body.choices.outcome",
                "body.choices.ours",
                "body.choices.lapping",
                "body.choices.to_come",
                "body.products.*.is_active",
                "body.products.*.choices.*.is_length",
                f"body.{body}*named",
                f"body.{body}*tapes",
                f"body.{body}*rooms.*.beside",
                f"body.{body}*rooms.*.taken",
                f"body.{body}*openings.*.at_it",
                f"body.{body}*openings.*.facts.goes_on",
                *(f"body.{body}*openings.*.facts.{fact}" for fact in ("mullions", "unit_gap", "lapping", "to_come")),
                f"body.{body}*openings.*.templates",
                f"body.{body}*goes_back",
                *(f"body.{body}*job.{name}" for name in ("templates", "directions", "map_link")),
                f"body.{body}*openings.*.bay",
                f"body.{body}*openings.*.one_head",
                f"body.{body}*openings.*.units.*.released",
                f"body.{body}*openings.*.units.*.product",
            )
        ],
        *[
            Change(f"{when}GET /api/openings/* body.{what}", PHONE, is_new=True)
            for when in ("", "afterwards ")
            for what in (
                "units.*.released",
                "units.*.product",
                *(f"facts.{fact}" for fact in ("goes_on", "mullions", "unit_gap", "lapping")),
                "templates",
                "*to_come",
                "bay",
                "one_head",
            )
        ],
        # a door's covering that ends on the floor
        *[
            Change(f"GET /api/openings/62/{what}", FLOOR)
            for what in (
                "alternatives/ * body.*.findings.*",
                "alternatives/ * body.*.why.*",
                "alternatives/ * body.*.size.*",
                " * body.size.*",
                " * body.asked.*",
            )
        ],
        # what a copy of an opening takes
        *[
            Change(f"{where} *choices.*.is_own", "What is said of one window only is marked: no copy takes it.", True)
            for where in ("GET /api/field/day/", "GET /api/visits/", "afterwards GET /api/visits/*")
        ],
        # light gaps
        *[
            Change(f"{where} *fit.gap.*", GAPS)
            for where in ("GET /api/field/day/", "GET /api/visits/*", "GET /api/products/*", "afterwards GET /api/v*")
        ],
        Change("GET /api/products/* body.*revision", GAPS),
        # lengths
        *[
            Change(f"{where} body.*units.*.{'order_' * is_new}{name}", LENGTHS, is_new=is_new)
            for where in (
                "GET /api/field/day/ *",
                "GET /api/visits/ *",
                "afterwards GET /api/visits/*",
                "GET /api/openings/*",
                "afterwards GET /api/openings/*",
            )
            for name in ("width", "height")
            for is_new in (False, True)
        ],
        Change("afterwards GET /api/visits/* body.visits.*.outcome", "A visit's outcome is its code, not its words."),
        Change("entry * measuring.copy reply.renamed", "A copy says when its mark was taken.", is_new=True),
        # what can be chosen for a unit: the recipe's list is the only one
        Change("GET /api/field/day/ * body.products.*.choices.*.label", RECIPES),
        Change("GET /api/field/day/ * body.products.*.choices.*.colour", RECIPES),
        Change("GET /api/visits/ * body.products.*.choices.*.label", RECIPES),
        Change("GET /api/visits/ * body.products.*.choices.*.colour", RECIPES),
        Change("afterwards GET /api/visits/* body.products.*.choices.*.label", RECIPES),
        Change("afterwards GET /api/visits/* body.products.*.choices.*.colour", RECIPES),
        Change("GET /api/products/* body.*options.control", "A product's controls are among its options.", is_new=True),
        Change("GET /api/units/ * body.results.*.missing_options.*", RECIPES),
        Change("GET /api/units/ * body.results.*.why_not.*", UNRESOLVED),
        Change("afterwards GET /api/sizes/* body.*.missing_options.*", RECIPES),
        Change("afterwards GET /api/sizes/* body.*.why_not.*", UNRESOLVED),
        # offers leave the other visits where they are, as booking one does
        *[
            Change(f"offers * body.offers.*{what}", OFFERS)
            for what in (
                "price",
                "chance",
                "chance_words",
                "drive_min",
                "starts_at",
                "others_moved",
                "wait_min",
                "+00:00",
            )
        ],
        Change("offers * body.offers.order", OFFERS),
        Change("GET /api/appointments/*/offers/ *", "As the other offers."),
        *[
            Change(f"{when}GET /api/appointments/* body.*outcome", "What became of a visit, by its state.", is_new=True)
            for when in ("", "afterwards ")
        ],
        Change("GET /calendar/* * body", "The day's list says what became of a visit, in a column of its own."),
        *[
            Change(f"{where} * body.*{what}", "The known year of the building stands in the caution.", is_new=is_new)
            for where in ("GET /api/field/day/", "GET /api/visits/", "afterwards GET /api/visits/*")
            for what, is_new in (("paint_caution", True), ("old_paint", False))
        ],
        *[
            Change(f"{where}.{name}", LAPSED)
            for where in ("GET /api/appointments/63/ owner body", "GET /api/stops/ owner body.results.*")
            for name in GIVEN_BACK
            if name not in ("held_until", "sequence", "version") or "stops" not in where
        ],
        Change("GET /api/appointments/ owner body.results.*", LAPSED),
        Change("GET /api/stops/ owner body.results.*", LAPSED),
        Change("GET /api/appointments/63/text/ owner body.text", LAPSED),
        # a start, as pages showed it
        *[
            Change(f"{where} body.*starts_at", STARTS)
            for where in (
                *("GET /api/stops/*", "GET /api/appointments/ *", "GET /api/proposals/*", "GET /api/visits/ *"),
                *("GET /api/field/day/ *", "afterwards GET /api/appointments/*", "afterwards GET /api/stops/*"),
                "afterwards GET /api/visits/*",
            )
        ],
        Change("GET /api/appointments/ * body.results.*.expected_at", STARTS),
        Change("GET /feeds/* body", STARTS),
        *[
            Change(f"{where} body.*job.address", WHERE)
            for where in ("GET /api/field/day/ *", "GET /api/visits/ *", "afterwards GET /api/visits/*")
        ],
        # one grain of time, and one judgement of a visit from now on
        *[
            Change(f"effect * body.{what}", MINUTES)
            for what in ("price", "text", "drive_min", "pushed.*", "broken.*", "checks.*", "stops.*")
        ],
        Change("effect * body.driving", "What it adds to the drive is worded once, for the board too.", is_new=True),
        *[
            Change(f"day * {what}", MINUTES)
            for what in ("drive_s", "stops.*.drive_s", "stops.*.arrive", "stops.*.start", "stops.*.leave")
        ],
        Change("GET /api/installs/figures/ * body.weeks.*.drive", MINUTES),
        Change("GET /api/installs/figures/ * body.causes.*.cost", MINUTES),
        *[
            Change(f"decisions * {what}", "What the clock says already is named before anybody taps.", is_new=True)
            for what in ("*% on time: likely late*", "expected * after its appointment window*")
        ],
        Change("decisions * stands on *, or outside its hours. Spread that day", "Who is away is said, that alone."),
        Change("decisions * stands on *, so nobody comes. Spread that day", "The same, as it reads now.", is_new=True),
        Change(
            "afterwards GET /api/appointments/* body.expected_at",
            "When a visit is expected is worked out from its day as it stands; none is left once the crew is there.",
        ),
        # a unit's and a return's state, one word each wherever they stand
        Change(
            "GET /api/makes/* body.*unit_state", "The unit's own state beside how far it is on the bench.", is_new=True
        ),
        Change("GET /api/returns/* body.*state", "A return that is owed is called so, as on its page."),
        Change("afterwards GET /api/returns/* body.*state", "A return that is owed is called so, as on its page."),
        # slips, weighed by the kind of house
        Change("GET /api/openings/62/ * body.findings.*", SLIPS),
        Change("GET /api/openings/62/ * body.missing.*", SLIPS),
        Change("afterwards GET /api/openings/124/ * body.findings.*", UNCHOSEN),
        Change("afterwards GET /api/sizes/12/ * body.*findings.*", UNCHOSEN),
        # what a firm says of its branch when it sets up
        *[
            Change(f"GET /api/branches/* body.*{name}", "Said when the firm is set up.", is_new=True)
            for name in ("currency", "first_weekday", "map_address", "final_days", "phone_pin")
        ],
        # which messages a customer takes
        *[
            Change(f"{when}GET /api/customers/* body.*{name}", "Which messages a customer takes.", is_new=True)
            for name in ("takes_texts", "no_messages")
            for when in ("",)
        ],
        # from what a place was taken, and within how far
        *[
            Change(f"GET /api/sites/* body.*{name}", "How exact a site's place is.", is_new=True)
            for name in ("place_from", "place_within_m")
        ],
        Change("GET /api/sites/* body.*certificate_until", "An insurance certificate has a last day.", is_new=True),
        # what an offer or a move does to others, and what the job is expected to be
        *[
            Change(f"{where}.{name}", "Whom it harms, and what it costs the firm, is said with it.", is_new=True)
            for where in ("offers * body.offers.*", "effect * body")
            for name in ("cost", "harm", "is_risky")
        ],
        Change("GET /api/calendar-rules/ * body.chance_floor", "Under it an offer is risky.", is_new=True),
        Change("GET /api/calendar-rules/ * body.wait_price", "Plans weigh how long visits wait.", is_new=True),
        Change("GET /api/calendar-rules/ * body.overdue_price", "Plans weigh the day a visit is due.", is_new=True),
        *[
            Change(f"{when}GET /api/{rows}/* body.*{name}", f"{what}.", is_new=True)
            for when in ("", "afterwards ")
            for rows, what, names in (
                ("jobs", "A hold has a day and somebody who settles it", ("hold_due", "hold_owner")),
                ("jobs", "Who answers for the sizes", ("customer_measures",)),
                ("appointments", "A call to make has a reason and somebody who calls", CALL),
            )
            for name in names
        ],
        Change("GET /api/jobs/* body.*product_expected", "Minutes come from the products too.", is_new=True),
        Change("afterwards GET /api/jobs/* body.*product_expected", "Minutes come from the products too.", is_new=True),
        # one table of cord rules
        Change("GET /api/hardware-rules/* body.*definition.jurisdictions", CORDS),
        Change("GET /api/hardware-rules/* body.*definition.minutes.*", UNREAD),
        Change("GET /api/hardware-rules/* body.*definition.items.*.pack", UNREAD),
        Change("GET /api/field/day/ * body.jurisdiction.*", CORDS),
        Change("GET /api/visits/ * body.jurisdiction.*", CORDS),
        Change("afterwards GET /api/visits/* body.jurisdiction.*", CORDS),
        # what is bought in
        *[
            Change(f"GET /api/purchase*body.*{name}", "Ordered by its mount, basis and price.", is_new=True)
            for name in ("mount", "basis", "price")
        ],
        # what was expected, in the words of the pages
        *(
            Change(f"{where} body.*job.expected", "What was expected is worded once.", is_new=True)
            for where in ("GET /api/field/day/ *", "GET /api/visits/ *", "afterwards GET /api/visits/*")
        ),
        Change("GET /api/appointments/*/text/ * body.text", "A stay is in minutes and hours, as on the visit's page."),
        Change("GET /api/makes/*/cost/ * body.remake.*", "What a remake costs is in the branch's money."),
        # cut plans: what is cut of a material in its batch
        Change("GET /api/cut-plans/* body.*miscut", "Why pieces of a cut were spoiled.", is_new=True),
        Change("GET /api/cuts/* body.*miscut", "Why pieces of a cut were spoiled.", is_new=True),
        Change("GET /api/cut-plans/* body.*cuts_done", "What is cut, counted once for pages and API.", is_new=True),
        Change("GET /api/cut-plans/* body.*cuts_left", "What is left, counted once for pages and API.", is_new=True),
        # a plan's differences: what they do to the promise of the visit that moves
        *[
            Change(
                f"GET /api/proposals/* body.*{name}",
                "A moved promise's chance, where it stood and where it comes to.",
                is_new=True,
            )
            for name in ("chance_before", "chance_after")
        ],
    ],
}
"""By release: its answers that differ today."""

ROWS: dict[str, list[RowChange]] = {
    "2026-11-29": [
        RowChange(
            "measuring_product.options",
            None,
            "A product's choices are its recipe's, or its supplier's list (fabrication_supplierlist); those that the "
            "recipe does not have are in fabrication_lackingchoice.",
        ),
        RowChange(
            "jobs_appointment.expected_at", None, "It is worked out from the day as it stands (jobs.schedule.day)."
        ),
        RowChange("installs_hardwarerules.definition", "definition", CORDS),
        RowChange("measuring_jurisdiction.rules", "rules", CORDS),
        RowChange("measuring_jurisdiction.name", "name", "The United Kingdom is a place of its own."),
        RowChange("measuring_product.fit", "fit", "Light gaps of what hangs on a tube are their recipes'."),
        RowChange("measuring_product.revision", "revision", "A change of a product's gaps is a revision."),
        RowChange(
            "django_content_type.app_label",
            "app_label",
            "The phones' tables are of shared; what was recorded of them follows.",
        ),
        RowChange("shared_auditentry.deed", "action", "What somebody did is an action."),
        RowChange("jobs_appointment.starts_at", "starts_at", STARTS),
        RowChange("jobs_crew.purposes", "purposes", "Crews that drive for returns drive for service calls too."),
        RowChange("jobs_proposedmove.starts_at", "starts_at", STARTS),
        RowChange("jobs_devicedeed.deed_id", "entry_id", "What a phone sends is an entry."),
        RowChange("django_content_type.model", "model", "What was recorded of a phone's entries follows them."),
        RowChange("installs_returnowed.state", "state", "open is now owed, as on its page."),
    ],
}
"""By release: its tables and columns that are not as they were."""
