"""The load: in order of loading, ticked off and undone, leaving with a gap, coming back."""

from __future__ import annotations

import datetime as dt
import uuid
from io import BytesIO
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from django.utils.html import escape
from pypdf import PdfReader

from fabrication.models import StockItem, StockMove
from fabrication.services import own_cloth
from installs.adapters.packet import day_summary, packet_values
from installs.adapters.truck import to_take_over
from installs.documents import completion
from installs.models import Load, LoadLine, VanStock
from installs.services import hardware as hardware_services
from installs.services import loads, stops, visits
from jobs.models import Appointment, Handover, Purpose
from jobs.ports import ports
from measuring.models import Unit
from shared.devices import receiver
from shared.documents import kind_of, render, request_document
from shared.errors import Refused
from shared.lengths import Length
from shared.models import Branch, User
from tests.factories import make_job
from tests.installs.makers import a_day, make_crew, make_unit, make_visit, stock_up, today

pytestmark = pytest.mark.django_db


def the_load(visit: Appointment, by: User) -> Load:
    assert visit.crew is not None
    assert visit.day is not None
    return loads.refresh_load(crew=visit.crew, day=visit.day, by=by)


def check_all(load: Load, by: User) -> None:
    loads.check_lines(load=load, lines=load.lines.all(), by=by)


def test_long_pieces_come_first_then_the_last_stop(branch: Branch, dispatcher: User, installer: User) -> None:
    stock_up(branch)
    crew = make_crew(branch, installer)
    early, late = make_job(branch, by=dispatcher), make_job(branch, by=dispatcher)
    first, last = make_unit(early), make_unit(late)
    long_one = make_unit(early, width="110")
    make_visit(early, crew, hour=9)
    make_visit(late, crew, hour=13)

    load = loads.refresh_load(crew=crew, day=today(branch), by=installer)

    units = [line.unit_id for line in load.lines.all() if line.unit_id]
    assert units == [long_one.pk, last.pk, first.pk]
    assert load.lines.first().section == "long rack"


def test_a_packages_own_code_ticks_that_package(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    line = load.lines.filter(unit__isnull=False).exclude(package="").first()
    number = line.package.partition(" ")[0]

    ticked = loads.check_code(load=load, typed=f"https://x.test/u/{line.unit.code}-{number}/", by=installer)
    with pytest.raises(Refused, match="on the truck already"):
        loads.check_code(load=load, typed=f"{line.unit.code}-{number}", by=installer)

    assert ticked.pk == line.pk
    with pytest.raises(Refused, match="does not go on this truck"):
        loads.check_code(load=load, typed=f"{line.unit.code}-19", by=installer)


def test_what_remains_of_a_customers_own_cloth_is_on_the_load_and_given_back_at_the_stop(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    cloth = own_cloth.expect_cloth(
        job=job, name="blue linen", width_needed=Length.inches(54), length_needed=Length.inches(60), by=dispatcher
    )
    own_cloth.receive_cloth(cloth=cloth, by=dispatcher)
    own_cloth.check_cloth(cloth=cloth, width=Length.inches(54), length=Length.inches(66), by=dispatcher)

    load = the_load(visit, installer)
    line = load.lines.get(key__startswith="own:")
    check_all(load, installer)
    stops.mark_all_installed(appointment=visit, by=installer)
    stops.close_stop(appointment=visit, by=installer)

    assert line.section == "stop 1"
    assert line.text == f"{job.number} customer's own material, goes back: blue linen, 54 in × 66 in"
    assert StockItem.objects.get(material__key=f"own-{cloth.pk}").quantity == 0
    assert completion(job)["given_back"] == ["blue linen, 54 in × 66 in"]


def test_what_was_checked_for_a_visit_is_aboard_until_it_is_back(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    """A van that broke down took its goods with it, and nobody was told which."""
    _, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    line = load.lines.filter(unit__isnull=False).first()

    before = ports.aboard([visit])
    loads.check_lines(load=load, lines=[line], by=installer)
    on = ports.aboard([visit])
    LoadLine.objects.filter(pk=line.pk).update(returned=1)

    assert (before, on, ports.aboard([visit])) == ({visit.pk: []}, {visit.pk: [line.text]}, {visit.pk: []})


def test_what_is_checked_stays_checked_when_the_list_changes(branch: Branch, dispatcher: User, installer: User) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    line = load.lines.filter(unit__isnull=False).first()
    loads.check_lines(load=load, lines=[line], by=installer)
    make_unit(job)
    visits.set_visit_units(appointment=visit, units=Unit.objects.filter(opening__job=job), by=dispatcher)

    again = the_load(visit, installer)

    assert again.lines.filter(unit__isnull=False).count() == 3
    assert LoadLine.objects.get(pk=line.pk).checked == 1


def test_a_code_ticks_one_package_and_a_bundle_all(branch: Branch, dispatcher: User, installer: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    packages = [{"name": "head", "longest": 1000}, {"name": "vanes", "longest": 2000}]
    one = make_unit(job, make={"packages": packages})
    other = make_unit(job, make={"packages": packages})
    visit = make_visit(job, make_crew(branch, installer))
    load = the_load(visit, installer)

    loads.check_code(load=load, typed=one.code.lower(), by=installer)
    loads.check_code(load=load, typed=f"https://example.org/u/{other.code}/", by=installer, bundle=True)

    assert list(load.lines.filter(unit=one).order_by("package").values_list("checked", flat=True)) == [1, 0]
    assert list(load.lines.filter(unit=other).values_list("checked", flat=True)) == [1, 1]
    with pytest.raises(Refused, match="is on the truck already"):
        loads.check_code(load=load, typed=other.code, by=installer)


DONE = timezone.now() - dt.timedelta(hours=2)


def sent(installer: User, *several: tuple[str, dict[str, Any]]) -> list[int]:
    """What the office answers to entries of a phone that were made without signal."""
    device, _ = receiver.register_device(user=installer)
    rows = [
        {"id": str(uuid.uuid4()), "place": position, "kind": kind, "body": body, "done_at": DONE.isoformat()}
        for position, (kind, body) in enumerate(several, 1)
    ]
    return [reply["status"] for reply in receiver.receive(device=device, sent=rows)]


def test_a_load_checked_without_signal_arrives_as_it_was_checked(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = loads.refresh_load(crew=visit.crew, day=visit.day, by=dispatcher)
    counts = {str(pk): quantity for pk, quantity in load.lines.values_list("pk", "quantity")}
    some, first = max(counts.items(), key=lambda line: line[1]), min(counts, key=int)
    LoadLine.objects.filter(pk=some[0]).update(quantity=some[1] - 1)  # meanwhile at the office

    answers = sent(
        installer,
        ("installs.load_checked", {"load": load.pk, "counts": {"999999": 1}}),
        ("installs.load_checked", {"load": load.pk, "counts": {**counts, "999999": 1}}),
        ("installs.load_checked", {"load": load.pk, "counts": {first: 0}}),
        ("installs.load_undone", {"load": load.pk, "lines": [int(some[0])]}),
        ("installs.load_undone", {"load": load.pk, "lines": [int(first)]}),
        ("installs.load_left", {"load": load.pk, "reason": ""}),
        ("installs.load_checked", {"load": load.pk, "counts": {first: 0}}),
        ("installs.load_put_back", {"load": load.pk, "line": int(first), "count": 1}),
        ("installs.load_back", {"load": load.pk}),
    )

    assert answers == [409, 200, 200, 409, 200, 200, 409, 200, 200]
    load.refresh_from_db()
    assert (load.state, load.gap_reason) == (Load.State.BACK, "")
    assert load.left_at == DONE


def test_a_strangers_phone_checks_no_load(branch: Branch, dispatcher: User, installer: User, stranger: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = loads.refresh_load(crew=visit.crew, day=visit.day, by=dispatcher)

    assert sent(stranger, ("installs.load_left", {"load": load.pk, "reason": "mine"})) == [404]


def test_a_mistyped_code_and_a_strange_one_are_refused_apart(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    strange = make_unit(make_job(branch, by=dispatcher))
    load = the_load(visit, installer)
    wrong = strange.code[:-1] + ("2" if strange.code[-1] != "2" else "3")

    with pytest.raises(Refused, match="read the label again"):
        loads.check_code(load=load, typed=wrong, by=installer)
    with pytest.raises(Refused, match="does not go on this truck"):
        loads.check_code(load=load, typed=strange.code, by=installer)


def test_a_room_is_ticked_at_once_and_taken_back_at_once(branch: Branch, dispatcher: User, installer: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    kitchen = [make_unit(job), make_unit(job)]
    bath = make_unit(job, room="Bath")
    visit = make_visit(job, make_crew(branch, installer))
    load = the_load(visit, installer)

    loads.check_room(load=load, appointment=visit, room=kitchen[0].opening.room_id, by=installer)
    ticked = set(load.lines.filter(checked=1, unit__isnull=False).values_list("unit", flat=True))
    loads.undo_check(load=load, by=installer)

    assert ticked == {unit.pk for unit in kitchen}
    assert bath.pk not in ticked
    assert not load.lines.filter(checked__gt=0).exists()
    with pytest.raises(Refused, match="nothing to take back"):
        loads.undo_check(load=load, by=installer)


def test_leaving_with_a_gap_needs_a_reason_that_is_kept(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    loads.check_lines(load=load, lines=load.lines.exclude(section="tools"), by=installer)

    with pytest.raises(Refused) as refusal:
        loads.leave_yard(load=load, by=installer)
    loads.leave_yard(load=load, by=installer, reason="tools are in the other van, which comes too")

    load.refresh_from_db()
    assert refusal.value.field == "reason"
    assert (load.state, load.gap_reason) == ("left", "tools are in the other van, which comes too")


def test_leaving_takes_the_hardware_off_the_shelf_once(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    check_all(load, installer)

    loads.leave_yard(load=load, by=installer)
    loads.leave_yard(load=load, by=installer)

    item = StockItem.objects.get(material__key="roller-bracket")
    assert (item.quantity, item.reserved) == (496, 0)
    assert StockMove.objects.filter(item=item).count() == 1
    assert set(Unit.objects.values_list("state", flat=True)) == {Unit.State.LOADED}
    visit.job.refresh_from_db()
    assert visit.job.stage == "to_install"


def test_the_list_stays_as_it_left(branch: Branch, dispatcher: User, installer: User) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    check_all(load, installer)
    loads.leave_yard(load=load, by=installer)
    make_unit(job)

    again = the_load(visit, installer)

    assert again.lines.filter(unit__isnull=False).count() == 2
    with pytest.raises(Refused, match="left the yard already"):
        loads.check_lines(load=again, lines=again.lines.all(), by=installer, count=0)


def test_what_did_not_go_up_is_put_back(branch: Branch, dispatcher: User, installer: User) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    check_all(load, installer)
    loads.leave_yard(load=load, by=installer)
    up, down = Unit.objects.filter(opening__job=job).order_by("pk")
    stops.mark_installed(appointment=visit, units=[up], by=installer)
    stops.mark_not_installed(appointment=visit, unit=down, cause="nobody_there", by=installer)

    loads.come_back(load=load, by=installer)

    assert load.lines.get(unit=down).returned == 1
    assert load.lines.get(unit=up).returned == 0
    assert StockItem.objects.get(material__key="roller-bracket").quantity == 498  # its two brackets are back
    assert Load.objects.get(pk=load.pk).state == "back"


def test_spares_come_from_the_van_and_go_back_there(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    assert visit.crew is not None
    hardware_services.van_rows(crew=visit.crew)
    hardware_services.top_up_van(crew=visit.crew, by=dispatcher)
    load = the_load(visit, installer)
    spare = load.lines.filter(section="spares").first()
    row = VanStock.objects.get(crew=visit.crew, material=spare.material)
    full = row.quantity
    check_all(load, installer)

    loads.leave_yard(load=load, by=installer)
    row.refresh_from_db()
    left_with = row.quantity
    loads.come_back(load=load, by=installer)
    row.refresh_from_db()

    assert left_with == full - spare.quantity
    assert row.quantity == full


def test_more_than_left_can_not_come_back(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    check_all(load, installer)
    loads.leave_yard(load=load, by=installer)
    line = load.lines.filter(section="hardware").first()

    with pytest.raises(Refused) as refusal:
        loads.put_back(load=load, line=line, count=line.checked + 1, by=installer)

    assert refusal.value.bound == f"0 to {line.checked}"


def test_a_package_too_long_for_the_truck_is_said(branch: Branch, dispatcher: User, installer: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    make_unit(job, width="150")
    visit = make_visit(job, make_crew(branch, installer))

    load = the_load(visit, installer)

    assert any("the truck takes" in finding["text"] for finding in load.findings)


def test_a_measuring_visit_is_not_on_the_truck(branch: Branch, dispatcher: User, installer: User) -> None:
    _job, visit = a_day(branch, dispatcher, installer)
    make_visit(make_job(branch, by=dispatcher), visit.crew, hour=14, purpose=Purpose.MEASURE)

    load = the_load(visit, installer)

    assert {line.appointment_id for line in load.lines.all() if line.appointment_id} == {visit.pk}


# -- what is shown of it -----------------------------------------------------------------------


def shown(load: Load) -> dict[str, Any]:
    """The packet's word on the truck: packages of each unit, pieces of each item."""
    values = kind_of("installs.packet").content(Load.objects.get(pk=load.pk)).context
    return {
        "packages": {unit["code"]: unit["packages"] for stop in values["stops"] for unit in stop["units"]},
        "hardware": {row["name"]: (row["quantity"], row["spare"]) for row in values["load"]["hardware"]},
        "weight": values["weight_g"],
    }


def on_the_list(load: Load) -> dict[str, Any]:
    load = Load.objects.get(pk=load.pk)
    packages: dict[str, list[str]] = {}
    hardware: dict[str, tuple[int, int]] = {}
    for line in load.lines.select_related("unit"):
        many, spare = hardware.get(line.text, (0, 0))
        if line.unit:
            packages.setdefault(line.unit.code, []).append(line.package)
        elif line.section != "tools":
            is_spare = line.section == "spares"
            hardware[line.text] = (many, line.quantity) if is_spare else (line.quantity, spare)
    return {"packages": packages, "hardware": hardware, "weight": load.weight_g}


def test_a_packet_says_what_left_whatever_changes_at_the_office(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    check_all(load, installer)
    loads.leave_yard(load=load, by=installer)
    late = make_unit(job)
    visits.set_visit_units(appointment=visit, units=Unit.objects.filter(opening__job=job), by=dispatcher)

    left = on_the_list(load)

    assert shown(load) == left | {"packages": left["packages"] | {late.code: []}}


def test_whoever_asks_for_a_packet_gets_the_list_of_the_day_as_it_stands(
    branch: Branch, dispatcher: User, installer: User
) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    late = make_unit(job)
    visits.set_visit_units(appointment=visit, units=Unit.objects.filter(opening__job=job), by=dispatcher)

    request_document(kind="installs.packet", subject=load, by=dispatcher)

    assert late.code in on_the_list(load)["packages"]
    assert shown(load) == on_the_list(load)


def test_a_stop_names_its_packages_before_and_after_there_is_a_list(
    branch: Branch, dispatcher: User, installer: User, as_user
) -> None:
    _, visit = a_day(branch, dispatcher, installer, units=1)
    pages = [as_user(installer).get(f"/stops/{visit.pk}/").content.decode()]
    load = the_load(visit, installer)
    load.lines.filter(unit__isnull=False).update(package="1 of 1: long carton")
    pages.append(as_user(installer).get(f"/stops/{visit.pk}/").content.decode())
    loads.leave_yard(load=load, by=installer, reason="as it is")
    load.lines.filter(unit__isnull=False).delete()
    pages.append(as_user(installer).get(f"/stops/{visit.pk}/").content.decode())

    assert ["Packages: 1 of 1: carton" in pages[0], "Packages: 1 of 1: long carton" in pages[1]] == [True, True]
    assert "Packages:" not in pages[2]


def test_what_stayed_behind_is_the_same_on_every_page_and_paper(
    branch: Branch, dispatcher: User, installer: User, as_user: Any
) -> None:
    """Left with a unit missing, the packet, the list and the stop's page still said that it is there."""
    _, visit = a_day(branch, dispatcher, installer, units=1)
    load = loads.refresh_load(crew=visit.crew, day=visit.day, by=dispatcher)
    gone = load.lines.get(unit__isnull=False)
    others = {line.pk: line.quantity for line in load.lines.exclude(pk=gone.pk)}
    loads.check_counts(load=load, counts=others, by=installer)

    loads.leave_yard(load=load, by=installer, reason="not glued yet")

    load.refresh_from_db()
    client = as_user(dispatcher)
    for page in (f"/stops/{visit.pk}/", load.get_absolute_url(), f"/installs/visits/{visit.pk}/panel/"):
        assert "not on the truck" in client.get(page).content.decode(), page
    for kind, subject in (("installs.packet", load), ("installs.load_list", load), ("installs.work_order", visit)):
        what = kind_of(kind)
        pdf, _ = render(what, subject, what.content(subject), revision=1, by=dispatcher)
        text = " ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)
        assert "not on the truck" in " ".join(text.split()), kind
    assert "not glued yet" in client.get(f"/stops/{visit.pk}/").content.decode()


def test_a_list_that_is_right_is_not_written_again(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    check_all(load, installer)

    with CaptureQueriesContext(connection) as asked:
        again = the_load(visit, installer)

    assert again.state == Load.State.CHECKED
    assert [query["sql"] for query in asked if not query["sql"].startswith(("SELECT", "SAVEPOINT", "RELEASE"))] == []


# -- the page --------------------------------------------------------------------------------


def test_the_installers_menu_leads_to_todays_load(branch: Branch, dispatcher: User, installer: User, as_user) -> None:
    _, visit = a_day(branch, dispatcher, installer)

    answer = as_user(installer).get("/load/", follow=True)

    assert answer.status_code == 200
    assert visit.job.number in answer.content.decode()
    assert all(unit.code in answer.content.decode() for unit in Unit.objects.all())


def test_a_refused_code_comes_back_with_what_was_typed(
    branch: Branch, dispatcher: User, installer: User, as_user
) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)

    answer = as_user(installer).post(f"/loads/{load.pk}/code/", {"code": "ABC"})

    assert answer.status_code == 422
    assert "read the label again" in answer.content.decode()
    assert 'value="ABC"' in answer.content.decode()


def test_a_whole_line_is_tapped_on_and_off(branch: Branch, dispatcher: User, installer: User, as_user) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    load = the_load(visit, installer)
    line = load.lines.first()
    client = as_user(installer)

    client.post(f"/load-lines/{line.pk}/check/")
    on = LoadLine.objects.get(pk=line.pk).checked
    client.post(f"/load-lines/{line.pk}/check/")

    assert (on, LoadLine.objects.get(pk=line.pk).checked) == (line.quantity, 0)


def test_the_page_a_labels_code_opens_lets_the_crew_tick_it_off(
    branch: Branch, dispatcher: User, installer: User, as_user
) -> None:
    _, visit = a_day(branch, dispatcher, installer, units=1)
    load = the_load(visit, installer)
    line = load.lines.get(unit__isnull=False)
    client = as_user(installer)

    opened = client.get(f"/u/{line.unit.code}/", follow=True)
    panel = client.get(f"/installs/jobs/{visit.job_id}/panel/").content.decode()
    client.post(f"/load-lines/{line.pk}/check/")

    assert opened.redirect_chain[-1][0] == f"/jobs/{visit.job_id}/"
    assert f"/load-lines/{line.pk}/check/" in panel
    assert LoadLine.objects.get(pk=line.pk).checked == 1


def test_what_another_crew_fetches_from_a_van_is_not_asked_from_the_yard(
    branch: Branch, dispatcher: User, installer: User, as_user: Any
) -> None:
    """The load list of the crew that took the visit over still had its packages, which were on the van that was out."""
    job, visit = a_day(branch, dispatcher, installer)
    out = the_load(visit, installer)
    check_all(out, installer)
    loads.leave_yard(load=out, by=installer)
    second = make_crew(branch, installer, name="B second")
    own = make_job(branch, by=dispatcher)
    other = make_unit(own)
    make_visit(own, second, hour=8)
    assert visit.crew is not None
    visit.handover = Handover.objects.create(
        crew=visit.crew, day=visit.day, site=own.site, longitude=own.site.longitude, latitude=own.site.latitude,
        minutes=15, created_by=dispatcher,
    )  # fmt: skip
    van = f"{visit.crew}'s van"
    visit.crew = second
    visit.save()

    taken = the_load(visit, installer)
    page = as_user(dispatcher).get(taken.get_absolute_url()).content.decode()
    at_stop = as_user(dispatcher).get(f"/stops/{visit.pk}/").content.decode()
    printed = str(kind_of("installs.load_list").content(taken).context)
    packages = {line.text for line in out.lines.filter(unit__isnull=False)}

    assert [line.unit for line in taken.lines.filter(unit__isnull=False)] == [other]
    assert {line.text for _, lines in to_take_over(taken) for line in lines} == packages
    assert escape(f"On {van}, {own.site.address}") in page
    assert escape(f", on {van}") in at_stop
    assert f"on {van}" in str(packet_values(day_summary(taken))["stops"])
    assert van in printed
    assert all(text in printed for text in packages)

    stops.mark_all_installed(appointment=visit, by=installer)
    loads.come_back(load=out, by=installer)

    assert not out.lines.filter(unit__opening__job=job, returned__gt=0).exists()
