"""
Documents: PDFs made by a worker from an ordinary template, kept with the hash of their content.

An app registers a kind with ``@document_kind``: a function that gathers, from one subject,
plain values for the template. Their hash says whether a document is fresh, and one kind,
subject and hash has one document however often it is asked for.
"""

from __future__ import annotations

import gc
import json
import mimetypes
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

from django.apps import apps
from django.contrib.contenttypes.models import ContentType
from django.contrib.staticfiles import finders
from django.core.serializers.json import DjangoJSONEncoder
from django.db import IntegrityError, models
from django.db.models import Case, When
from django.http import Http404
from django.template.loader import render_to_string
from django.utils import timezone

from shared import audit, files, runs
from shared import roles as all_roles
from shared.errors import Refused
from shared.lengths import Length, LengthUnit
from shared.models import Branch, Document, Run, User
from shared.paper import Drawn, NotPlain, look_up_pages_singly

G = TypeVar("G", bound="Callable[..., Mapping[str, object] | Content]")


class _Plain(DjangoJSONEncoder):
    """Lengths by their ticks, rows by their label and key."""

    def default(self, o: object) -> Any:
        if isinstance(o, Length):
            return o.ticks
        if isinstance(o, models.Model):
            return f"{o._meta.label} {o.pk}"
        if isinstance(o, set | frozenset):
            return sorted(o)
        if hasattr(o, "__html__"):
            return str(o)
        return super().default(o)


@dataclass(frozen=True, slots=True)
class Content:
    """What a document shows, and what its hash is taken of where that is less than the whole context."""

    context: Mapping[str, object]
    made_from: object


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of document."""

    key: str
    title: str
    model: str
    template: str
    gather: Callable[..., Mapping[str, object] | Content]
    roles: frozenset[str]
    version: int
    who: Callable[[User, Any], bool] | None
    job: Callable[[Any], int | None] | None
    prepare: Callable[[Any, User], Any] | None
    why_stale: Callable[[Any, object], str] | None

    def subject_for(self, user: User, pk: object) -> Any:
        """The subject, when this person may have documents of this kind about it; else a 404."""
        manager = apps.get_model(self.model)._default_manager
        rows = manager.visible_to(user) if hasattr(manager, "visible_to") else manager.none()
        try:
            subject = rows.filter(pk=pk).first()
        except (ValueError, TypeError):
            subject = None
        if subject is None or not self.allows(user, subject):
            raise Http404
        return subject

    def allows(self, user: User, subject: object) -> bool:
        """Whether the person's role, and the kind's own question, let them have it."""
        return user.has_role(*self.roles) and (self.who is None or self.who(user, subject))

    def content(self, subject: object) -> Content:
        """The document's content as things stand now."""
        gathered = self.gather(subject)
        return gathered if isinstance(gathered, Content) else Content(gathered, gathered)

    def hash_of(self, content: Content) -> str:
        """SHA-256 of kind, template version and content."""
        text = json.dumps(
            [self.key, self.version, content.made_from], cls=_Plain, sort_keys=True, separators=(",", ":")
        )
        return sha256(text.encode()).hexdigest()


_kinds: dict[str, Kind] = {}


def document_kind(
    key: str,
    *,
    title: str,
    model: str,
    template: str,
    roles: Iterable[str] = all_roles.ALL,
    version: int = 1,
    who: Callable[[User, Any], bool] | None = None,
    job: Callable[[Any], int | None] | None = None,
    prepare: Callable[[Any, User], Any] | None = None,
    why_stale: Callable[[Any, object], str] | None = None,
) -> Callable[[G], G]:
    """
    Register a kind of document by the function that gathers its content.

    Parameters
    ----------
    key
        ``installs.packet``.
    title
        What it is called on pages and in its header.
    model
        Label of the subject's model, ``jobs.Job``; its manager has ``visible_to``.
    template
        An ordinary template that extends ``shared/document.html``.
    roles, who
        Who may have it, beside seeing the subject at all.
    version
        Raise it when the template changes so that older documents must be made anew.
    job
        Gives the key of the job on whose page the audit entry shows; ``subject.job_id`` by default.
    prepare
        Brings up to date what the document reads, by a service, when somebody asks for it; gives the subject.
    why_stale
        Says in a line what is no longer as the latest one says, from what it would be made of now.

    The function takes the subject and returns the template's context, in plain values,
    lengths and rows named by their key. Give `Content` to leave something out of the hash.
    """

    def register(gather: G) -> G:
        known = _kinds.get(key)
        if known is not None and known.gather.__qualname__ != gather.__qualname__:
            raise ValueError(f"document kind {key} is registered twice")
        allowed = frozenset(roles)
        _kinds[key] = Kind(key, title, model, template, gather, allowed, version, who, job, prepare, why_stale)
        return gather

    return register


def kind_of(key: str) -> Kind:
    """The kind, or a 404 for what nobody registered."""
    try:
        return _kinds[key]
    except KeyError:
        raise Http404(f"no documents of kind {key}") from None


def kinds() -> dict[str, Kind]:
    """Every kind, by its key."""
    return dict(_kinds)


# -- asking ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Standing:
    """Where one kind of document stands for one subject, for pages."""

    kind: Kind
    subject: Any
    document: Document | None
    fresh: bool
    run: Run | None
    why: str = ""
    """What is no longer as the latest document says."""


def standing(kind_key: str, subject: models.Model) -> Standing:
    """The latest document, whether it is fresh, and the run that makes a new one, if any."""
    kind = kind_of(kind_key)
    latest = Document.objects.latest_of(kind_key, subject)
    content = kind.content(subject) if latest is not None else None
    fresh = latest is not None and content is not None and latest.content_hash == kind.hash_of(content)
    why = kind.why_stale(subject, content.made_from) if content and kind.why_stale and not fresh else ""
    asked = Run.objects.about(subject).filter(kind="shared.document", params__kind=kind_key)
    last = asked.order_by(Case(When(state__in=Run.ACTIVE, then=0), default=1), "-created_at").first()
    is_shown = last is not None and (last.state in Run.ACTIVE or (last.state == Run.State.FAILED and not fresh))
    return Standing(kind, subject, latest, fresh, last if is_shown else None, why)


def request_document(*, kind: str, subject: models.Model, by: User) -> Document | Run:
    """The fresh document when there is one, else the run that makes it."""
    what = kind_of(kind)
    if not what.allows(by, subject):
        raise Refused(f"{what.title}: your role does not print this")
    if what.prepare is not None:
        subject = what.prepare(subject, by)
    digest = what.hash_of(what.content(subject))
    latest = Document.objects.latest_of(kind, subject)
    if latest is not None and latest.content_hash == digest and files.is_whole(latest.file.name):
        return latest
    return runs.start(
        "shared.document",
        by=by,
        subject=subject,
        params={"kind": kind},
        key=_key(what, subject),
        title=f"{what.title}: {subject}",
    )


def _key(kind: Kind, subject: models.Model) -> str:
    return f"document {kind.key} {subject._meta.label_lower} {subject.pk}"


def pdf_of(kind: str, subject: models.Model | None, by: User | None) -> bytes:
    """The document as things stand now: the one that is kept where it is fresh, else made here and not kept."""
    if subject is None:
        raise Refused("what this document was about is gone")
    what = kind_of(kind)
    content = what.content(subject)
    latest = Document.objects.latest_of(kind, subject)
    if latest is not None and latest.content_hash == what.hash_of(content):
        with suppress(files.FileGone):
            return files.read(latest.file.name)
    return render(what, subject, content, revision=_next_revision(what, subject), by=by)[0]


# -- making -----------------------------------------------------------------------------


@runs.long_work("shared.document", title="Document")
def make_document(ctx: runs.Context) -> None:
    """Renders one document, unless its content has one already."""
    kind, subject = kind_of(ctx.params["kind"]), ctx.subject
    if subject is None:
        raise Refused("what this document was about is gone")
    ctx.progress(0, 2, "drawing the sheets")
    content = kind.content(subject)
    digest = kind.hash_of(content)
    for _ in range(4):  # another document of this subject may take the revision meanwhile
        revision = _next_revision(kind, subject)
        pdf, pages = render(kind, subject, content, revision=revision, by=ctx.by)
        ctx.progress(1, 2, "putting it away")
        name = files.keep(f"documents/{kind.key}", pdf, ".pdf")
        try:
            with ctx.finishing() as result:
                document = _keep(kind, subject, digest, name, pages, revision, ctx)
                result.update(document=document.pk, pages=pages)
            return
        except IntegrityError:
            continue
    raise Refused("this document changes faster than it prints; ask again")


def _next_revision(kind: Kind, subject: models.Model) -> int:
    highest = Document.objects.about(subject).filter(kind=kind.key).aggregate(highest=models.Max("revision"))
    return (highest["highest"] or 0) + 1


def _keep(
    kind: Kind, subject: models.Model, digest: str, name: str, pages: int, revision: int, ctx: runs.Context
) -> Document:
    """The one row of this kind, subject and content; older ones are superseded."""
    mine = Document.objects.about(subject).filter(kind=kind.key)
    document = mine.filter(content_hash=digest).first()
    if document is None:
        document = Document.objects.create(
            kind=kind.key,
            subject_type=ContentType.objects.get_for_model(subject),
            subject_id=str(subject.pk),
            title=f"{kind.title}: {subject}"[:200],
            revision=revision,
            content_hash=digest,
            file=name,
            pages=pages,
            run=ctx.run,
            by=ctx.by,
        )
        job = kind.job(subject) if kind.job else getattr(subject, "job_id", None)
        audit.record(by=ctx.by, action="printed", subject=document, job=job)
    mine.exclude(pk=document.pk).filter(superseded=False).update(superseded=True)
    if document.superseded or document.file.name != name:
        document.superseded, document.file.name = False, name
        document.save(update_fields=["superseded", "file"])
    return document


def branch_of(subject: object, by: User | None = None) -> Branch | None:
    """The branch whose paper and units a document about `subject` takes."""
    if isinstance(subject, Branch):
        return subject
    for path in ("branch", "job.branch", "crew.branch", "site.branch", "batch.branch"):
        found: object = subject
        for name in path.split("."):
            found = getattr(found, name, None)
        if isinstance(found, Branch):
            return found
    return by.branch if by else None


def render(kind: Kind, subject: Any, content: Content, *, revision: int, by: User | None) -> tuple[bytes, int]:
    """
    The PDF and its number of pages.

    It is tagged (PDF/UA-1 is what we ask WeasyPrint for; no validator has confirmed it), on the
    branch's paper, in the branch's zone and units.
    """
    branch = branch_of(subject, by)
    with timezone.override(branch.tz if branch else None):
        html = render_to_string(
            kind.template,
            {
                **content.context,
                "subject": subject,
                "branch": branch,
                "unit": branch.unit if branch else LengthUnit.INCH,
                "document": {"title": kind.title, "revision": revision, "printed_at": timezone.now(), "by": by},
            },
        )
    paper = "A4" if branch is not None and branch.paper == Branch.Paper.A4 else "letter"
    with _without_collecting():
        return _set(html, paper)


def _set(html: str, paper: str) -> tuple[bytes, int]:
    """A document set by WeasyPrint; nothing of its boxes is held on to."""
    from weasyprint import CSS, HTML  # 1.5 s of imports that the web processes never need
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import FatalURLFetchingError

    look_up_pages_singly()
    text, drawings = lift_drawings(html)
    source = HTML(string=text, base_url="static:", url_fetcher=_own_files(drawings))
    size = CSS(string=f"@page {{ size: {paper} }}")
    fonts = FontConfiguration()
    pictures = _plain_drawings(drawings, fonts)
    try:
        document = source.render(font_config=fonts, stylesheets=[size], pdf_variant="pdf/ua-1", cache=pictures)
        return document.write_pdf(pdf_variant="pdf/ua-1"), len(document.pages)
    except FatalURLFetchingError as error:  # a BaseException, which would end the worker
        raise Refused(str(error)) from None


def _plain_drawings(drawings: Sequence[bytes], fonts: Any) -> dict[str, Drawn]:
    """By the address of each drawing that has plain marks only: what is to stand there."""
    found = {}
    for place, text in enumerate(drawings):
        with suppress(NotPlain):
            found[f"drawing:{place}"] = Drawn(text, fonts)
    return found


@contextmanager
def _without_collecting() -> Iterator[None]:
    """No search for garbage meanwhile: a fifth of the time went into walking the growing document over and over."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


_DRAWING = re.compile(r'<svg class="([^"]*)" [^>]*>\s*<title>([^<]*)</title>.*?</svg>', re.DOTALL)
_NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


def lift_drawings(html: str) -> tuple[str, list[bytes]]:
    """
    The document with a picture in the place of each inline drawing, and the drawings by the number in its address.

    A drawing in the text costs its document a style for every line and letter in it, which nothing reads.

    Examples
    --------
    >>> lift_drawings('<p><svg class="qr" viewBox="0 0 9 9"><title>QR code: J-1</title><path/></svg></p>')[0]
    '<p><img class="qr" alt="QR code: J-1" src="drawing:0"></p>'
    """
    drawings: list[bytes] = []

    def lift(found: re.Match[str]) -> str:
        drawings.append(_NOT_IN_XML.sub("", found[0]).encode())
        return f'<img class="{found[1]}" alt="{found[2]}" src="drawing:{len(drawings) - 1}">'

    return _DRAWING.sub(lift, html), drawings


def _own_files(drawings: Sequence[bytes] = ()) -> Any:
    """Serves ``static:shared/documents.css`` from the apps' folders and the document's drawings; refuses all else."""
    from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse

    class OwnFiles(URLFetcher):  # type: ignore[misc]  # WeasyPrint has no types
        def fetch(self, url: str, headers: object = None) -> Any:
            scheme, _, name = url.partition(":")
            if scheme == "drawing" and name.isdecimal() and int(name) < len(drawings):
                return URLFetcherResponse(url, drawings[int(name)], {"Content-Type": "image/svg+xml"})
            path = finders.find(name.lstrip("/")) if scheme == "static" and ".." not in name else None
            if not path or not isinstance(path, str):
                raise FatalURLFetchingError(f"a document may not load {url[:200]}")
            mime = mimetypes.guess_type(path)[0] or "application/octet-stream"
            return URLFetcherResponse(url, Path(path).read_bytes(), {"Content-Type": mime})

    return OwnFiles()


def document_for(user: User, pk: int) -> Document:
    """The document, when the person may have it; else a 404."""
    document = Document.objects.select_related("subject_type").filter(pk=pk).first()
    if document is None:
        raise Http404
    kind_of(document.kind).subject_for(user, document.subject_id)
    return document


def subject_of(user: User, kind_key: str, pk: object) -> Any:
    """The subject of a kind, when the person may print it; else a 404."""
    return kind_of(kind_key).subject_for(user, pk)
