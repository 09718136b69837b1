"""Documents: one per kind, subject and content, made from own files only, for those who may have them."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Barrier, Thread
from typing import Any

import pytest
from django.db import connection
from pypdf import PdfReader

from shared import documents, files, runs
from shared.drawings import Svg
from shared.lengths import Length
from shared.models import Branch, Document, Run, User

pytestmark = pytest.mark.django_db
KIND = "tests.branch_list"


@pytest.fixture(autouse=True)
def registered(tmp_path: Path, settings: Any) -> Iterator[None]:
    """A kind of document about a branch, whose template lies in a folder of the test."""
    (tmp_path / "branch.html").write_text(
        '{% extends "shared/document.html" %}{% block content %}<h1>{{ name }}</h1>'
        "<p>{% length width %} {{ danger|safe }}</p>{% endblock content %}"
    )
    settings.TEMPLATES = [{**settings.TEMPLATES[0], "DIRS": [str(tmp_path)]}]
    settings.MEDIA_ROOT = tmp_path / "media"

    @documents.document_kind(
        KIND, title="Branch sheet", model="shared.Branch", template="branch.html", roles=("dispatcher", "owner")
    )
    def gather(branch: Branch) -> dict[str, Any]:
        return {"name": branch.name, "width": Length.inches("283/8"), "danger": branch.address}

    yield
    documents._kinds.pop(KIND)


def made(branch: Branch, by: User) -> Document:
    """Asks, works, and gives the document."""
    asked = documents.request_document(kind=KIND, subject=branch, by=by)
    assert isinstance(asked, Run)
    assert runs.perform(asked.pk) == "done"
    return Document.objects.get(pk=Run.objects.get(pk=asked.pk).result["document"])


def test_a_document_shows_what_it_was_made_from(branch: Branch, dispatcher: User) -> None:
    document = made(branch, dispatcher)

    reader = PdfReader(document.file.path)
    text = reader.pages[0].extract_text()
    assert branch.name in text
    assert "rev. 1" in text
    assert "1/1" in text
    assert reader.pages[0].mediabox.width == pytest.approx(8.5 * 72, abs=0.1)  # Letter


def test_paper_follows_the_branch(branch: Branch, dispatcher: User) -> None:
    branch.paper = Branch.Paper.A4
    branch.save()

    page = PdfReader(made(branch, dispatcher).file.path).pages[0]

    assert page.mediabox.width == pytest.approx(210 / 25.4 * 72, abs=0.1)  # ISO 216 A4


def test_the_pdf_says_it_is_tagged(branch: Branch, dispatcher: User) -> None:
    """ISO 14289-1 asks for the identifier ``pdfuaid:part`` 1 and a marked structure."""
    reader = PdfReader(made(branch, dispatcher).file.path)

    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert b"pdfuaid" in reader.trailer["/Root"]["/Metadata"].get_data()


def test_a_fresh_document_is_given_and_not_made_again(branch: Branch, dispatcher: User) -> None:
    document = made(branch, dispatcher)

    assert documents.request_document(kind=KIND, subject=branch, by=dispatcher) == document


def test_a_document_goes_stale_when_its_content_changes(branch: Branch, dispatcher: User) -> None:
    first = made(branch, dispatcher)
    branch.name = "Upper Millrace"
    branch.save()
    assert not documents.standing(KIND, branch).fresh

    second = made(branch, dispatcher)

    first.refresh_from_db()
    assert (first.superseded, second.superseded, second.revision) == (True, False, 2)
    assert documents.standing(KIND, branch).fresh


def test_content_that_comes_back_gives_its_old_document(branch: Branch, dispatcher: User) -> None:
    first = made(branch, dispatcher)
    name = branch.name
    branch.name = "For a day"
    branch.save()
    made(branch, dispatcher)
    branch.name = name
    branch.save()

    again = made(branch, dispatcher)

    assert again.pk == first.pk
    assert not again.superseded
    assert Document.objects.latest_of(KIND, branch) == first


@pytest.mark.parametrize(
    "danger",
    [
        '<img src="file:///etc/hostname">',  # a path on the machine
        '<img src="http://127.0.0.1:9/x.png">',  # somebody's server
        '<img src="data:image/png;base64,iVBORw0KGgo=">',  # smuggled in the data
        '<img src="static:../settings.py">',  # out of the static folder
        '<img src="drawing:0">',  # a drawing the sheet has not got
        '<link rel="stylesheet" href="/etc/passwd">',  # a path, relative to our base
    ],
)
def test_a_document_loads_nothing_but_own_static_files(branch: Branch, dispatcher: User, danger: str) -> None:
    branch.address = danger
    branch.save()
    asked = documents.request_document(kind=KIND, subject=branch, by=dispatcher)
    assert isinstance(asked, Run)

    assert runs.perform(asked.pk) == "failed"
    assert not Document.objects.exists()


def test_own_style_is_loaded(branch: Branch, dispatcher: User) -> None:
    branch.address = '<p class="new-sheet">on a sheet of its own</p>'
    branch.save()

    assert made(branch, dispatcher).pages == 2


def test_a_drawing_is_lifted_out_of_the_text_and_still_printed(branch: Branch, dispatcher: User) -> None:
    svg = Svg(80, 20, title="Bar <1> & 2", desc="two pieces")
    svg.text(40, 10, "cut\x0b here", size=9)  # XML has no place for such a character
    branch.address = svg.render()
    branch.save()

    text, drawings = documents.lift_drawings(f"<p>{svg} {svg}</p>")
    page = PdfReader(made(branch, dispatcher).file.path).pages[0]

    assert (
        text
        == "<p>"
        + " ".join(f'<img class="drawing" alt="Bar &lt;1&gt; &amp; 2" src="drawing:{place}">' for place in (0, 1))
        + "</p>"
    )
    assert len(drawings) == 2
    assert "cut here" in page.extract_text()


def test_a_role_that_may_not_print_is_refused(branch: Branch, installer: User) -> None:
    with pytest.raises(runs.Refused):
        documents.request_document(kind=KIND, subject=branch, by=installer)


def test_only_those_who_may_have_it_can_fetch_it(
    branch: Branch, cast: dict[str, User], as_user: Callable[[User], Any]
) -> None:
    document = made(branch, cast["dispatcher"])

    answers = {name: as_user(user).get(f"/documents/{document.pk}/") for name, user in cast.items()}

    assert {name for name, answer in answers.items() if answer.status_code == 200} == {"dispatcher", "owner"}
    assert {answer.status_code for answer in answers.values()} == {200, 404}
    content = b"".join(answers["owner"].streaming_content)
    assert PdfReader(io.BytesIO(content)).pages


def test_printing_from_the_page_shows_the_bar_then_the_document(
    branch: Branch, dispatcher: User, as_user: Callable[[User], Any]
) -> None:
    client, htmx = as_user(dispatcher), {"HX-Request": "true"}

    asked = client.post(f"/documents/{KIND}/{branch.pk}/print/", headers=htmx)
    assert b"<progress" in asked.content
    runs.perform(Run.objects.get().pk)
    then = client.get(f"/documents/{KIND}/{branch.pk}/", headers=htmx)

    assert b"Rev. 1" in then.content
    assert b"fresh" in then.content


def test_the_api_asks_and_answers_with_the_document(
    branch: Branch, dispatcher: User, api_as: Callable[[User], Any]
) -> None:
    client, body = api_as(dispatcher), {"kind": KIND, "subject": str(branch.pk)}

    asked = client.post("/api/documents/", body, format="json")
    runs.perform(asked.json()["id"])
    run = client.get(f"/api/runs/{asked.json()['id']}/").json()
    again = client.post("/api/documents/", body, format="json")

    assert (asked.status_code, run["state"], again.status_code) == (202, "done", 200)
    assert again.json()["id"] == run["result"]["document"]


@pytest.mark.django_db(transaction=True)
def test_two_renders_at_once_leave_one_document(branch: Branch, dispatcher: User) -> None:
    """Two runs of the same content, as when a lease ran out while the first still drew."""
    run_ids = [
        Run.objects.create(kind="shared.document", by=dispatcher, params={"kind": KIND}, **about(branch)).pk
        for _ in range(2)
    ]
    together = Barrier(2)
    ended: list[str] = []

    def draw(run_id: Any) -> None:
        together.wait()
        ended.append(runs.perform(run_id))
        connection.close()

    threads = [Thread(target=draw, args=[run_id]) for run_id in run_ids]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert ended == ["done", "done"]
    assert Document.objects.count() == 1
    assert {run.result["document"] for run in Run.objects.all()} == {Document.objects.get().pk}
    assert files.is_whole(Document.objects.get().file.name)


def about(branch: Branch) -> dict[str, Any]:
    from django.contrib.contenttypes.models import ContentType

    return {"subject_type": ContentType.objects.get_for_model(branch), "subject_id": str(branch.pk)}


def test_the_file_name_of_every_kind_fits_its_column() -> None:
    from shared.documents import kinds
    from shared.models import Document

    room = Document._meta.get_field("file").max_length

    assert max(len(f"kept/documents/{key}/ab/{'f' * 40}.pdf") for key in kinds()) <= room
