"""
Finding customers, sites and jobs by what somebody typed, and keeping what is looked through.

The texts lie beside their tables in an index of threes of letters: on SQLite in two FTS5 tables, on PostgreSQL
in pg_trgm (migration 0016). Django does not know the FTS5 tables: whoever writes a text here writes them too.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from functools import reduce
from operator import and_, or_
from typing import Any, Final

from django.apps import apps
from django.db import connection, transaction
from django.db.models import Case, F, Q, Value, When
from django.db.models.expressions import RawSQL

from jobs.access import SEES_PHONES
from jobs.models import CalendarRules, Customer, Job, SearchEntry, SearchWord
from jobs.rules.messages import dialled
from jobs.rules.search_text import (
    CONTACT,
    LEAST_LETTERS,
    MOST_WORDS,
    Asked,
    is_met,
    most_alike,
    name_words,
    number_spellings,
    readings,
    search_text,
    trigrams,
    words,
)
from shared.models import Branch, User

MOST: Final = 60
"""Entries read for one look."""
ALIKE_READ: Final = 60
"""Words read as likely meant before they are compared letter by letter."""
LEAST_SHARED: Final = 0.2
"""The part of their threes that two words share at the least, on PostgreSQL."""
REGION: Final = "US"
"""Whose telephone numbers stand without a country's code, where the branch names no country."""
CHUNK: Final = 1000


# -- looking -------------------------------------------------------------------------------


def find_entries(user: User, text: str) -> tuple[list[SearchEntry], bool]:
    """
    Customers and sites this person may see, by name, telephone in any format, street, town, postcode or e-mail.

    The second is whether a typing mistake had to be forgiven.
    """
    sees_contact = user.has_role(*SEES_PHONES)
    asked = readings(text, region_of(user.branch))
    for one in asked:
        if found := _met(user, one, sees_contact=sees_contact):
            return found, False
    mended = _mended(text) if asked else None
    return (_met(user, mended, sees_contact=sees_contact), True) if mended else ([], False)


def find_jobs(user: User, text: str, most: int) -> tuple[list[Job], list[Customer], bool]:
    """
    The job of this number and those of the sites found; customers without a job; whether a mistake was forgiven.

    Never in the order of the key: both databases would then rather walk all jobs backwards than ask an index.
    """
    rows = Job.objects.visible_to(user).select_related("customer", "site")
    numbered = list(rows.filter(number__in=number_spellings(text, "J")).order_by("number")[:most])
    if numbered and not text.isdigit():
        return numbered, [], False
    found, is_mended = find_entries(user, text)
    sites = [entry.site_id for entry in found if entry.site_id]
    others = rows.filter(site__in=sites).exclude(pk__in=[job.pk for job in numbered]).order_by("-created_at", "-pk")
    without = Customer.objects.visible_to(user).filter(pk__in=[entry.customer_id for entry in found], jobs=None)
    return [*numbered, *others[:most]], list(without[:most]), is_mended


def find_customers(user: User, text: str, most: int) -> list[Customer]:
    """Customers this person's branch has already, by whatever they or their jobs are found by; with their sites."""
    jobs = Job.objects.visible_to(user).filter(number__in=number_spellings(text, "J"))
    keys = list(jobs.order_by("number").values_list("customer", flat=True)[:most])
    keys = list(dict.fromkeys(keys or [entry.customer_id for entry in find_entries(user, text)[0]]))[:most]
    in_order = Case(*(When(pk=key, then=Value(at)) for at, key in enumerate(keys)), default=Value(most))
    return list(Customer.objects.visible_to(user).filter(pk__in=keys).prefetch_related("sites").order_by(in_order))


MOST_ALIKE: Final = 3
"""So many customers with one phone number are named."""


def same_phone(user: User, phone: str, branch: Branch) -> list[Customer]:
    """Customers this person's branch has already under a phone number, however it is written; with their sites."""
    region = region_of(branch)
    number = dialled(phone, region)
    if not number:
        return []
    found = find_customers(user, phone, MOST)
    return [one for one in found if dialled(one.phone, region) == number][:MOST_ALIKE]


def _met(user: User, asked: Asked, *, sees_contact: bool) -> list[SearchEntry]:
    rows = SearchEntry.objects.visible_to(user).filter(standing_in(asked)).order_by(F("pk") * -1)[:MOST]
    if sees_contact:
        return list(rows)
    return [row for row in rows if is_met(row.text.partition(CONTACT)[0], asked)]


def _mended(text: str) -> Asked | None:
    """What may have been meant; None where no word can be mended."""
    asked: Asked = []
    for word in words(text)[:MOST_WORDS]:
        likely = [word, *_like(word)] if word.isalpha() and len(word) >= LEAST_LETTERS else [word]
        asked.append(tuple(f" {one}" if len(one) > 1 else f" {one} " for one in dict.fromkeys(likely)))
    return asked if any(len(spellings) > 1 for spellings in asked) else None


def standing_in(asked: Asked) -> Q:
    """Every asked word in one of its spellings, by the index of threes."""
    if connection.vendor == "sqlite":
        wanted = " AND ".join(f"({' OR '.join(map(_quoted, spellings))})" for spellings in asked)
        within = "SELECT rowid FROM jobs_searchentry_fts WHERE jobs_searchentry_fts MATCH %s"
        return Q(pk__in=RawSQL(within, [wanted]))
    return reduce(and_, (reduce(or_, (Q(text__contains=one) for one in spellings)) for spellings in asked))


def _like(word: str) -> list[str]:
    """Words of the index that this one may have been meant for."""
    if connection.vendor == "sqlite":
        asked = "SELECT text FROM jobs_searchword_fts WHERE jobs_searchword_fts MATCH %s ORDER BY rank LIMIT %s"
        known = _column(asked, [" OR ".join(map(_quoted, trigrams(word))), ALIKE_READ])
    else:
        asked = "SELECT word FROM jobs_searchword WHERE word %% %s ORDER BY similarity(word, %s) DESC LIMIT %s"
        with transaction.atomic():
            _column(f"SELECT set_config('pg_trgm.similarity_threshold', '{LEAST_SHARED}', true)", [])
            known = _column(asked, [word, word, ALIKE_READ])
    return most_alike(word, (one.strip() for one in known))


def _quoted(term: str) -> str:
    return '"' + term.replace('"', '""') + '"'


def _column(query: str, values: list[Any]) -> list[str]:
    with connection.cursor() as cursor:
        cursor.execute(query, values)
        return [row[0] for row in cursor.fetchall()]


# -- keeping -------------------------------------------------------------------------------


@transaction.atomic
def keep_customer(customer: Customer) -> None:
    """Writes anew what a customer and their sites are found by; call it in the transaction that changed them."""
    region = region_of(customer.branch)
    before = {entry.site_id: entry for entry in customer.search_entries.all()}
    texts: dict[int | None, str] = {site.pk: _text(customer, site, region) for site in customer.sites.all()}
    texts = texts or {None: _text(customer, None, region)}
    gone = [entry for key, entry in before.items() if texts.get(key) != entry.text]
    _forget(gone)
    kept = before.keys() - {entry.site_id for entry in gone}
    made = [
        SearchEntry(branch_id=customer.branch_id, customer=customer, site_id=key, text=text)
        for key, text in texts.items()
        if key not in kept
    ]
    _write(made, SearchEntry, SearchWord)
    _forget_words(_words_of(gone) - _words_of(made))


@transaction.atomic
def forget_customer(customer: Customer) -> None:
    """Takes out what a customer and their sites are found by; call it in the transaction that deletes them."""
    gone = list(customer.search_entries.all())
    _forget(gone)
    _forget_words(_words_of(gone))


def rebuild(model: Callable[[str, str], Any] = apps.get_model) -> int:
    """
    Writes every entry anew, and says how many; `model` gives the tables as a migration knows them.

    For starting data that is written in bulk. Some 10,000 sites a second on SQLite.
    """
    entries, known = model("jobs", "SearchEntry"), model("jobs", "SearchWord")
    with transaction.atomic():
        entries.objects.all().delete()
        known.objects.all().delete()
        if connection.vendor == "sqlite":
            _run("DELETE FROM jobs_searchentry_fts")
            _run("DELETE FROM jobs_searchword_fts")
        count = 0
        for chunk in _chunks(_all_entries(model, entries)):
            _write(chunk, entries, known)
            count += len(chunk)
    return count


def _all_entries(model: Callable[[str, str], Any], entries: Any) -> Iterator[object]:
    rules = model("jobs", "CalendarRules").objects.values_list("branch", "holiday_country")
    countries = {branch: country or REGION for branch, country in rules}
    sites = model("jobs", "Site").objects.select_related("customer").order_by("pk")
    for site in sites.iterator(chunk_size=CHUNK):
        region = countries.get(site.branch_id, REGION)
        text = _text(site.customer, site, region)
        yield entries(branch_id=site.branch_id, customer_id=site.customer_id, site_id=site.pk, text=text)
    without = model("jobs", "Customer").objects.filter(sites__isnull=True).order_by("pk")
    for customer in without.iterator(chunk_size=CHUNK):
        text = _text(customer, None, countries.get(customer.branch_id, REGION))
        yield entries(branch_id=customer.branch_id, customer_id=customer.pk, text=text)


def _chunks(rows: Iterator[object]) -> Iterator[list[Any]]:
    chunk: list[object] = []
    for row in rows:
        chunk.append(row)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _text(customer: Any, site: Any, region: str) -> str:
    here = [] if site is None else [site.name, site.street, site.line2, site.town, site.postcode, site.door_contact]
    numbers = [customer.phone] if site is None else [customer.phone, site.door_phone]
    return search_text([customer.name, *here], [customer.email], numbers, region)


def region_of(branch: Branch | None) -> str:
    """The country whose telephone numbers are written without its own."""
    return (CalendarRules.of(branch).holiday_country if branch else "") or REGION


def _write(made: Collection[Any], entries: Any, known: Any) -> None:
    """Rows that are not there yet, with their words; both with their lines in the index."""
    entries.objects.bulk_create(made)
    texts = _words_of(made)
    new = sorted(texts - set(known.objects.filter(word__in=texts).values_list("word", flat=True)))
    known.objects.bulk_create([known(word=word) for word in new], ignore_conflicts=True)
    if connection.vendor == "sqlite":
        _index("jobs_searchentry_fts", ((row.pk, row.text) for row in made))
        keys = known.objects.filter(word__in=new).values_list("pk", "word")
        _index("jobs_searchword_fts", ((key, f"  {word} ") for key, word in keys))


def _forget(gone: Collection[SearchEntry]) -> None:
    keys = [entry.pk for entry in gone]
    SearchEntry.objects.filter(pk__in=keys).delete()
    if connection.vendor == "sqlite":
        _unindex("jobs_searchentry_fts", keys)


def _forget_words(left: Iterable[str]) -> None:
    """Takes out those that stand in no entry any more: a name that was erased is nowhere."""
    over = [word for word in sorted(left) if not SearchEntry.objects.filter(standing_in([(f" {word} ",)])).exists()]
    rows = SearchWord.objects.filter(word__in=over)
    if connection.vendor == "sqlite":
        _unindex("jobs_searchword_fts", rows.values_list("pk", flat=True))
    rows.delete()


def _words_of(rows: Iterable[Any]) -> set[str]:
    return {word[:80] for row in rows for word in name_words(row.text)}


def _index(table: str, rows: Iterable[tuple[int, str]]) -> None:
    with connection.cursor() as cursor:
        cursor.executemany(f"INSERT OR REPLACE INTO {table} (rowid, text) VALUES (%s, %s)", list(rows))


def _unindex(table: str, keys: Iterable[int]) -> None:
    with connection.cursor() as cursor:
        cursor.executemany(f"DELETE FROM {table} WHERE rowid = %s", [(key,) for key in keys])


def _run(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)
