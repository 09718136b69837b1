"""Messages to customers: from the promise to the history, over a real mail server and a real gateway."""

from __future__ import annotations

import datetime as dt
import email
import json
import threading
import time
from collections.abc import Callable, Iterator
from decimal import Decimal
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from django.urls import reverse

from jobs.models import Appointment, Crew, Message, MessageKind, ServiceCall
from jobs.schedule.words import written
from jobs.services import appointments, booking, messages
from jobs.views.attention import decisions
from shared.errors import Refused
from shared.models import AuditEntry, Branch, Run, User
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job, make_user
from tests.servers import free_port

pytestmark = pytest.mark.django_db
MONDAY = a_monday()
ADA = "ada@example.org"


class MailServer:
    """A mail server on this machine: keeps what it takes, and answers as `answer` says."""

    def __init__(self) -> None:
        self.mails: list[Any] = []
        self.answer = "250 taken"
        self.slow_s = 0.0

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        import asyncio

        await asyncio.sleep(self.slow_s)
        if self.answer.startswith("250"):
            self.mails.append(email.message_from_bytes(envelope.content))
        return self.answer


@pytest.fixture
def mail_server(settings: Any) -> Iterator[MailServer]:
    kept, port = MailServer(), free_port()
    controller = Controller(kept, hostname="127.0.0.1", port=port)
    controller.start()
    settings.EMAIL_URL = f"smtp://127.0.0.1:{port}"
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", port
    settings.DEFAULT_FROM_EMAIL = "desk@example.org"
    yield kept
    controller.stop()


class Gateway(ThreadingHTTPServer):
    """A gateway for text messages on this machine: keeps what it takes, and answers as `code` says."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", free_port()), Taking)
        self.texts: list[dict[str, str]] = []
        self.headers: list[dict[str, str]] = []
        self.code, self.slow_s = 202, 0.0


class Taking(BaseHTTPRequestHandler):
    server: Gateway

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.headers.append(dict(self.headers))
        if self.server.code < 300:
            self.server.texts.append(json.loads(body))
        time.sleep(self.server.slow_s)
        self.send_response(self.server.code)
        self.end_headers()
        self.wfile.write(b"queued")

    def log_message(self, *args: object) -> None:
        pass


@pytest.fixture
def gateway(settings: Any) -> Iterator[Gateway]:
    server = Gateway()
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
    settings.TEXT_URL = f"http://127.0.0.1:{server.server_address[1]}/send"
    settings.TEXT_HEADERS = {"Authorization": "Bearer oak", "Idempotency-Key": "{id}"}
    yield server
    server.shutdown()
    server.server_close()


@pytest.fixture
def crew(branch: Branch) -> Crew:
    return make_crew(branch, make_user("measurer", branch=branch))


@pytest.fixture
def visit(branch: Branch, crew: Crew, dispatcher: User, time_machine: Any) -> Appointment:
    """A visit that a crew has on Monday at nine, of a customer with an address and a number; it is noon on Thursday."""
    time_machine.move_to(at(branch, MONDAY - dt.timedelta(days=4), "12:00"), tick=False)
    customer = make_customer(branch, name="Ada Ellery", email=ADA, phone="(312) 555-0142", takes_texts=True)
    return make_appointment(make_job(branch, by=dispatcher, customer=customer), crew=crew, day=MONDAY, time="9:00")


def promise(visit: Appointment, by: User, begin: str = "8:00", end: str = "10:00") -> Appointment:
    """As the page does: on the branch's clocks."""
    branch = visit.job.branch
    window = (at(branch, MONDAY, begin).astimezone(branch.tz), at(branch, MONDAY, end).astimezone(branch.tz))
    return appointments.promise(appointment=visit, by=by, window=window)


def states(visit: Appointment) -> list[tuple[str, str, str]]:
    return list(visit.messages.order_by("pk").values_list("kind", "channel", "state"))


# -- the smallest whole -----------------------------------------------------------------------


def test_a_promise_is_confirmed_by_mail_and_stands_in_the_history(
    visit: Appointment, dispatcher: User, mail_server: MailServer, do_runs: Callable[[], list[str]], as_user: Any
) -> None:
    """The customer of a booking got nothing."""
    promise(visit, dispatcher)
    assert do_runs() == ["done"]

    (mail,) = mail_server.mails
    assert (mail["To"], mail["From"]) == (ADA, "desk@example.org")
    assert "8:00 am to 10:00 am" in mail["Subject"]
    text, *files = mail.walk() if not mail.is_multipart() else [part for part in mail.walk() if not part.is_multipart()]
    assert "we'll measure your windows" in text.get_payload(decode=True).decode()
    assert [one.get_filename() for one in files] == [f"{visit.job.number}.ics", f"{visit.job.number}.pdf"]
    assert files[0].get_payload(decode=True).startswith(b"BEGIN:VCALENDAR")
    assert files[1].get_payload(decode=True).startswith(b"%PDF")
    message = Message.objects.get()
    assert (message.state, message.to, message.created_by) == ("sent", ADA, dispatcher)
    entry = AuditEntry.objects.get(action="sent a message")
    assert (entry.by, entry.job_id, entry.subject_text) == (
        dispatcher,
        visit.job_id,
        f"confirmation by e-mail to {ADA}",
    )
    page = as_user(dispatcher).get(visit.job.get_absolute_url()).content.decode()
    assert ADA in page
    assert "accepted by the mail server" in page


def test_it_is_sent_once_however_often_its_run_is_done(
    visit: Appointment, dispatcher: User, mail_server: MailServer, do_runs: Callable[[], list[str]]
) -> None:
    promise(visit, dispatcher)
    do_runs()

    promise(visit, dispatcher)  # the same window again
    Run.objects.filter(kind="jobs.message").update(state=Run.State.WAITING)
    do_runs()
    messages.send_due()

    assert len(mail_server.mails) == 1
    assert states(visit) == [("confirmation", "email", "sent")]


def test_nothing_is_written_where_nothing_is_sent(visit: Appointment, dispatcher: User) -> None:
    promise(visit, dispatcher)

    assert not Message.objects.exists()


# -- what follows ------------------------------------------------------------------------------


def test_another_window_is_a_change_once_the_customer_knows_one(
    visit: Appointment, dispatcher: User, mail_server: MailServer, do_runs: Callable[[], list[str]]
) -> None:
    promise(visit, dispatcher)
    promise(visit, dispatcher, "9:00", "11:00")  # before the first was sent
    do_runs()
    promise(visit, dispatcher, "8:30", "10:30")
    do_runs()

    assert states(visit) == [
        ("confirmation", "email", "dropped"),
        ("confirmation", "email", "sent"),
        ("change", "email", "sent"),
    ]
    assert ["9:00 am" in mail_server.mails[0]["Subject"], "8:30 am" in mail_server.mails[1]["Subject"]] == [True, True]


@pytest.mark.parametrize("is_sent", [False, True])
def test_a_change_that_is_taken_back_is_no_news_unless_it_was_sent(
    is_sent: bool, visit: Appointment, dispatcher: User, gateway: Gateway, do_runs: Callable[[], list[str]]
) -> None:
    branch, crew = visit.job.branch, visit.crew
    assert crew is not None
    promise(visit, dispatcher)
    do_runs()
    window = at(branch, MONDAY, "13:00"), at(branch, MONDAY, "15:00")
    appointments.promise_another_time(appointment=visit, crew=crew, window=window, by=dispatcher)
    if is_sent:
        do_runs()
    appointments.undo_move(appointment=visit, by=dispatcher)
    do_runs()

    after = ["sent", "sent"] if is_sent else ["dropped"]
    assert states(visit) == [("confirmation", "text", "sent"), *(("change", "text", state) for state in after)]
    assert ("8:00 am" in gateway.texts[-1]["text"], len(gateway.texts)) == (True, 3 if is_sent else 1)


def test_a_visit_called_off_takes_back_what_waits_and_tells_who_knows(
    visit: Appointment, dispatcher: User, mail_server: MailServer, do_runs: Callable[[], list[str]]
) -> None:
    promise(visit, dispatcher)
    do_runs()
    Message.objects.create(
        job=visit.job, appointment=visit, kind="reminder", occasion="x", channel="email", to=ADA, body="soon"
    )

    appointments.cancel_appointment(appointment=visit, by=dispatcher)
    do_runs()

    assert states(visit) == [
        ("confirmation", "email", "sent"), ("reminder", "email", "dropped"), ("cancellation", "email", "sent")
    ]  # fmt: skip
    assert "canceled" in mail_server.mails[1]["Subject"]


def test_what_is_no_longer_true_is_not_sent(
    visit: Appointment, dispatcher: User, mail_server: MailServer, do_runs: Callable[[], list[str]]
) -> None:
    promise(visit, dispatcher)
    appointments.unplace(appointment=visit, by=dispatcher, anyway=True)
    do_runs()

    assert mail_server.mails == []
    assert states(visit) == [("confirmation", "email", "dropped")]


def test_the_working_day_before_is_reminded_of_once_outside_quiet_hours(
    visit: Appointment, dispatcher: User, gateway: Gateway, do_runs: Callable[[], list[str]], time_machine: Any
) -> None:
    branch = visit.job.branch
    promise(visit, dispatcher)
    do_runs()
    gateway.texts.clear()

    assert messages.remind(branch=branch) == []  # Friday is the working day before
    time_machine.move_to(at(branch, MONDAY - dt.timedelta(days=3), "6:30"), tick=False)
    assert len(messages.remind(branch=branch)) == 1
    assert messages.remind(branch=branch) == []
    assert do_runs() == []
    messages.send_due()
    assert do_runs() == []
    time_machine.move_to(at(branch, MONDAY - dt.timedelta(days=3), "8:00"), tick=False)
    messages.send_due()
    do_runs()

    assert [text["to"] for text in gateway.texts] == ["+13125550142"]
    assert "Reminder" in gateway.texts[0]["text"]
    assert Message.objects.get(kind="reminder").created_by is None


def test_leaving_now_says_when_and_counts_as_told(
    visit: Appointment, dispatcher: User, gateway: Gateway, do_runs: Callable[[], list[str]], time_machine: Any
) -> None:
    promise(visit, dispatcher)
    time_machine.move_to(at(visit.job.branch, MONDAY, "8:40"), tick=False)

    appointments.mark_on_the_way(appointment=visit, by=dispatcher)
    do_runs()

    text = gateway.texts[-1]["text"]
    assert text.startswith("We are leaving now and expect to be with you between ")
    visit.refresh_from_db()
    assert visit.told_time is not None
    assert visit.told_time == Message.objects.get(kind="leaving").expected_at


def test_a_tap_that_arrives_late_tells_nobody(
    visit: Appointment, dispatcher: User, gateway: Gateway, time_machine: Any
) -> None:
    branch = visit.job.branch
    time_machine.move_to(at(branch, MONDAY, "11:40"), tick=False)

    appointments.mark_on_the_way(appointment=visit, by=dispatcher, at=at(branch, MONDAY, "8:40"))

    assert not Message.objects.exists()


@pytest.mark.parametrize("hold", ["deposit", "approval"])
def test_a_hold_for_the_customer_asks_them(
    hold: str, visit: Appointment, dispatcher: User, mail_server: MailServer, do_runs: Callable[[], list[str]]
) -> None:
    booking.hold(job=visit.job, reason=hold, by=dispatcher)
    do_runs()

    assert f"your {hold}" in mail_server.mails[0]["Subject"].lower()
    assert list(visit.job.messages.values_list("kind", "state")) == [(hold, "sent")]


# -- whom, and whether ------------------------------------------------------------------------


def test_no_text_goes_to_who_did_not_agree_and_nothing_to_who_wants_none(
    visit: Appointment, dispatcher: User, gateway: Gateway, mail_server: MailServer, do_runs: Callable[[], list[str]]
) -> None:
    customer = visit.job.customer
    booking.edit_customer(customer=customer, by=dispatcher, takes_texts=False)
    promise(visit, dispatcher)
    booking.edit_customer(customer=customer, by=dispatcher, no_messages=True)  # before it was sent
    do_runs()
    promise(visit, dispatcher, "9:00", "11:00")

    assert (mail_server.mails, gateway.texts) == ([], [])
    assert states(visit) == [("confirmation", "email", "dropped")]


def test_a_branch_switches_a_kind_off_and_words_it_itself(
    visit: Appointment, dispatcher: User, mail_server: MailServer, do_runs: Callable[[], list[str]]
) -> None:
    branch, words = visit.job.branch, {"subject": "Hello {customer}", "body": "On {window}.", "short": "{window}"}
    messages.set_words(branch=branch, kind="confirmation", by=dispatcher, is_on=True, **words)
    messages.set_words(branch=branch, kind="change", by=dispatcher, is_on=False, **words)
    promise(visit, dispatcher)
    do_runs()
    promise(visit, dispatcher, "9:00", "11:00")
    do_runs()

    assert [mail["Subject"] for mail in mail_server.mails] == ["Hello Ada Ellery"]
    with pytest.raises(Refused, match=r"nothing fills \{windo\}") as refused:
        messages.set_words(branch=branch, kind="change", by=dispatcher, **words | {"body": "{windo}"})
    assert refused.value.field == "body"


# -- faults ------------------------------------------------------------------------------------


def test_a_gateway_that_is_down_is_tried_again_and_gets_it_once(
    visit: Appointment, dispatcher: User, gateway: Gateway, settings: Any, do_runs: Callable[[], list[str]],
    time_machine: Any,
) -> None:  # fmt: skip
    address, settings.TEXT_URL = settings.TEXT_URL, f"http://127.0.0.1:{free_port()}/"
    promise(visit, dispatcher)
    do_runs()
    message = Message.objects.get()
    assert (message.state, message.tries) == ("waiting", 1)
    assert "does not answer" in message.answer
    messages.send_due()
    assert do_runs() == []  # not before its minute

    time_machine.shift(61)
    settings.TEXT_URL = address
    gateway.code = 503
    messages.send_due()
    do_runs()
    gateway.code = 202
    time_machine.shift(61)
    messages.send_due()
    do_runs()

    assert len(gateway.texts) == 1
    assert states(visit) == [("confirmation", "text", "sent")]
    keys = {one["Idempotency-Key"] for one in gateway.headers}
    assert (len(gateway.headers), keys) == (2, {message.key.hex})
    assert gateway.headers[0]["Authorization"] == "Bearer oak"


def test_a_server_that_never_comes_back_is_given_up(
    visit: Appointment, dispatcher: User, settings: Any, do_runs: Callable[[], list[str]], time_machine: Any
) -> None:
    settings.TEXT_URL = f"http://127.0.0.1:{free_port()}/"
    promise(visit, dispatcher)
    for _ in range(20):
        do_runs()
        time_machine.shift(3601)
        messages.send_due()

    assert states(visit) == [("confirmation", "text", "failed")]
    (one,) = [one for one in decisions(dispatcher) if one.kind == "message"]
    assert f"{visit.job.number} Ada Ellery: confirmation by text message to +13125550142 given up" in one.text


def test_a_slow_gateway_may_have_sent_it_and_is_not_asked_again_by_itself(
    visit: Appointment, dispatcher: User, gateway: Gateway, settings: Any, do_runs: Callable[[], list[str]]
) -> None:
    settings.TEXT_TIMEOUT, gateway.slow_s = 0.2, 0.6
    promise(visit, dispatcher)
    do_runs()
    messages.send_due()
    do_runs()

    assert states(visit) == [("confirmation", "text", "unsure")]
    assert len(gateway.texts) == 1
    (one,) = [one for one in decisions(dispatcher) if one.kind == "message"]
    assert "may have gone" in one.text

    gateway.slow_s = 0
    messages.settle(message=Message.objects.get(), do="again", by=dispatcher)
    do_runs()

    assert states(visit) == [("confirmation", "text", "sent")]
    assert [one for one in decisions(dispatcher) if one.kind == "message"] == []


@pytest.mark.parametrize(
    ("answer", "state"),
    [
        ("550 no such box", "refused"),
        ("451 later", "waiting"),
    ],
)
def test_a_mail_servers_no_is_told_from_its_not_now(
    answer: str, state: str, visit: Appointment, dispatcher: User, mail_server: MailServer, do_runs: Callable[[], Any]
) -> None:
    mail_server.answer = answer
    promise(visit, dispatcher)
    do_runs()

    message = Message.objects.get()
    assert message.state == state
    assert answer in message.answer


def test_a_worker_that_dies_while_it_sends_leaves_a_message_nobody_knows_of(
    visit: Appointment, dispatcher: User, gateway: Gateway, do_runs: Callable[[], list[str]]
) -> None:
    promise(visit, dispatcher)
    Message.objects.update(state="sending")  # as far as it got
    do_runs()

    assert gateway.texts == []
    assert states(visit) == [("confirmation", "text", "unsure")]


# -- by hand, and pages ----------------------------------------------------------------------


def test_without_a_gateway_the_text_is_ready_and_ticked_as_told(
    visit: Appointment, dispatcher: User, as_user: Any
) -> None:
    promise(visit, dispatcher)
    client, address = as_user(dispatcher), reverse("jobs:appointment", args=[visit.pk])
    page = client.get(address).content.decode()
    assert f"mailto:{ADA.replace('@', '%40')}?subject=" in page
    assert "sms:+13125550142?body=We%27ll%20measure" in page

    client.post(reverse("jobs:visit_told", args=[visit.pk]), {"kind": "confirmation"})
    promise(visit, dispatcher, "9:00", "11:00")
    client.post(reverse("jobs:visit_told", args=[visit.pk]), {"kind": "confirmation"})  # an old page

    assert states(visit) == [("confirmation", "by_hand", "told")]
    assert "New%20time" in client.get(address).content.decode()
    assert AuditEntry.objects.filter(action="told the customer", by=dispatcher).count() == 1


def test_what_waits_is_stopped_and_what_did_not_go_is_told_by_hand(
    visit: Appointment, dispatcher: User, gateway: Gateway, do_runs: Callable[[], list[str]], as_user: Any, api_as: Any,
    time_machine: Any,
) -> None:  # fmt: skip
    gateway.code = 400
    promise(visit, dispatcher)
    do_runs()
    refused = Message.objects.get()
    time_machine.move_to(at(visit.job.branch, MONDAY - dt.timedelta(days=4), "21:00"), tick=False)
    promise(visit, dispatcher, "9:00", "11:00")
    waiting = Message.objects.get(state="waiting")
    client, page = as_user(dispatcher), reverse("jobs:appointment", args=[visit.pk])
    assert "8:00 am" in client.get(page).content.decode().partition("waiting until")[2]

    client.post(reverse("jobs:message_settle", args=[waiting.pk]), {"do": "drop"})
    again = api_as(dispatcher).post(f"/api/messages/{refused.pk}/settle/", {"do": "again"}, format="json")
    done = api_as(dispatcher).post(f"/api/messages/{refused.pk}/settle/", {"do": "told"}, format="json")

    assert (again.status_code, done.status_code) == (409, 200)  # the first is of a window that stands no more
    assert states(visit) == [("confirmation", "text", "told"), ("confirmation", "text", "dropped")]
    assert gateway.texts == []


def test_words_are_previewed_before_they_are_saved(visit: Appointment, dispatcher: User, as_user: Any) -> None:
    client, address = as_user(dispatcher), reverse("jobs:message_words", args=["reminder"])
    words = {"is_on": "on", "subject": "Tomorrow", "body": "{customer}, tomorrow.", "short": "Tomorrow, {number}."}
    promise(visit, dispatcher)

    page = client.post(address, words | {"look": "1"}).content.decode()
    assert "Ada Ellery, tomorrow." in page
    assert f"Tomorrow, {visit.job.number}." in page
    assert "Tomorrow" not in client.get(address).content.decode()

    assert client.post(address, words | {"body": "{who}"}).status_code == 422
    assert client.post(address, words).status_code == 302
    assert "Ada Ellery, tomorrow." in client.get(address).content.decode()
    assert MessageKind.REMINDER.label.capitalize() in client.get(reverse("jobs:message_kinds")).content.decode()


def test_every_message_that_failed_is_a_decision(branch: Branch, dispatcher: User) -> None:
    """The fifty-first was on no list."""
    job = make_job(branch, by=dispatcher)
    booking.hold(job=job, reason="deposit", by=dispatcher)
    Message.objects.bulk_create(
        Message(
            job=job, kind="deposit", occasion=f"{n}/deposit", channel="email", state="refused", created_by=dispatcher
        )
        for n in range(60)
    )

    assert len([one for one in decisions(dispatcher) if one.kind == "message"]) == 60


@pytest.mark.parametrize(("language", "said"), [("", "(trip charge $65.00)"), ("es", "65"), ("fr", "65")])
def test_a_service_calls_trip_charge_is_in_the_customers_text(branch, dispatcher, language, said):
    job = make_job(branch, customer=make_customer(branch, language=language))
    row = make_appointment(job, purpose="service", crew=make_crew(branch), day=MONDAY, time="9:00")
    ServiceCall.objects.create(appointment=row, product="shade", fault="cord broke", trip_charge=Decimal(65))

    for kind in ("confirmation", "reminder", "change"):
        assert said in written(kind, job, row).short
    assert said not in written("cancellation", job, row).body
