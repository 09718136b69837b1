"""Recording what somebody read off a tape."""

from __future__ import annotations

import io
import uuid
from typing import Any

import pytest
from PIL import Image

from measuring.models import Obstruction, Opening, Reading
from measuring.services import openings, readings
from shared.errors import Refused
from shared.models import AuditEntry, User
from tests.factories import make_branch, make_user
from tests.measuring.makers import inch, make_job, make_opening, make_tape

pytestmark = pytest.mark.django_db


@pytest.fixture
def opening(measurer: User) -> Opening:
    return make_opening(make_job(measurer), measurer, readings={})


def test_what_falls_between_two_marks_goes_down(opening: Opening, measurer: User) -> None:
    reading = readings.record_reading(opening=opening, spot="widths.top", typed="35 7/16", by=measurer)

    assert reading.value == inch("35 3/8")
    assert reading.typed == "35 7/16"


def test_a_metric_branch_reads_whole_millimetres_down() -> None:
    person = make_user("measurer", branch=make_branch(units="mm"))
    opening = make_opening(make_job(person), person, readings={})

    reading = readings.record_reading(opening=opening, spot="depth", typed="76.9", by=person)

    assert reading.value.text(person.unit) == "76"


def test_the_tapes_case_is_added_and_both_are_kept(opening: Opening, measurer: User) -> None:
    tape = make_tape(measurer, "3 1/4")

    reading = readings.record_reading(
        opening=opening, spot="widths.top", typed="32 1/8", by=measurer, tape=tape, with_case=True
    )

    assert reading.value == inch("35 3/8")
    assert reading.case_added == inch("3 1/4")
    assert reading.typed == "32 1/8"


def test_with_case_asks_for_a_tape(opening: Opening, measurer: User) -> None:
    with pytest.raises(Refused, match="choose the tape") as refusal:
        readings.record_reading(opening=opening, spot="widths.top", typed="32", by=measurer, with_case=True)

    assert refusal.value.field == "widths.top"


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("abc", "not a length"),  # letters
        ("-3", "negative"),
        ("0", "too small"),
        ("1000", "too much"),
        ("35 3/7", "nearest"),  # no tape has sevenths
        ("35 9/8", "an inch or more"),
        ("", "nothing entered"),
        ("35,375", "comma"),
    ],
)
def test_a_bad_entry_is_refused_at_its_place(opening: Opening, measurer: User, typed: str, words: str) -> None:
    with pytest.raises(Refused, match=words) as refusal:
        readings.record_reading(opening=opening, spot="widths.top", typed=typed, by=measurer)

    assert refusal.value.field == "widths.top"
    assert not opening.readings.exists()


def test_a_changed_reading_supersedes_and_the_old_one_stays(opening: Opening, measurer: User) -> None:
    first = readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer)

    readings.record_reading(opening=opening, spot="depth", typed="3 1/8", by=measurer)

    first.refresh_from_db()
    assert first.superseded_at is not None
    assert first.value == inch("3")
    assert opening.readings.filter(superseded_at=None).get().value == inch("3 1/8")


def test_a_reading_somebody_did_not_see_is_kept_beside_the_other(opening: Opening, measurer: User) -> None:
    first = readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer)

    second = readings.record_reading(opening=opening, spot="depth", typed="3 1/2", by=measurer, seen=None)

    assert second.conflict_with == first
    assert opening.readings.filter(superseded_at=None).count() == 2
    first.refresh_from_db()
    assert first.is_current()


def test_two_devices_that_read_the_same_agree(opening: Opening, measurer: User) -> None:
    readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer)

    second = readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer, seen=uuid.uuid4())

    assert second.is_current()


@pytest.mark.parametrize("keep_the_later", [True, False])
def test_settling_two_readings_keeps_one_and_loses_none(opening: Opening, measurer: User, keep_the_later: bool) -> None:
    first = readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer)
    second = readings.record_reading(opening=opening, spot="depth", typed="3 1/2", by=measurer, seen=None)
    kept = second if keep_the_later else first

    readings.keep_reading(reading=kept, by=measurer)

    standing = opening.readings.get(superseded_at=None)
    assert standing == kept
    assert standing.is_current()
    assert opening.readings.count() == 2


def test_read_again_the_same_is_noted(opening: Opening, measurer: User) -> None:
    reading = readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer)

    readings.confirm_reading(reading=reading, by=measurer)

    reading.refresh_from_db()
    assert reading.confirmed_at is not None


def test_a_superseded_reading_can_not_be_confirmed(opening: Opening, measurer: User) -> None:
    first = readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer)
    readings.record_reading(opening=opening, spot="depth", typed="4", by=measurer)

    with pytest.raises(Refused, match="superseded"):
        readings.confirm_reading(reading=first, by=measurer)


def test_what_must_be_cleared_goes_up(opening: Opening, measurer: User) -> None:
    thing = readings.add_obstruction(opening=opening, kind="crank", projection="1 7/16", by=measurer)

    assert thing.projection == inch("1 1/2")


def test_a_handle_goes_up_and_a_height_down(opening: Opening, measurer: User) -> None:
    changed = openings.change_opening(
        opening=opening,
        by=measurer,
        facts={"handle_projection": "2 1/16", "handle_height": "38 1/16", "is_door": True},
    )

    assert changed.handle_projection == inch("2 1/8")
    assert changed.handle_height == inch("38")


def test_what_was_taken_away_stays_in_the_rows(opening: Opening, measurer: User) -> None:
    thing = readings.add_obstruction(opening=opening, kind="sensor", projection="1/2", by=measurer, at="head")

    readings.remove_obstruction(obstruction=thing, by=measurer)

    assert Obstruction.objects.get().removed_at is not None


def test_every_reading_leaves_an_entry_with_old_and_new(opening: Opening, measurer: User) -> None:
    readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer)
    readings.record_reading(opening=opening, spot="depth", typed="3 1/8", by=measurer)

    entry = AuditEntry.objects.filter(action="recorded a reading").first()
    assert entry is not None
    assert entry.changes == {"depth": ["3 in", "3 1/8 in"]}
    assert entry.job_id == opening.job_id
    assert entry.by == measurer


# -- photos ----------------------------------------------------------------------------


def a_photo(width: int = 2400, height: int = 1800, **save: Any) -> bytes:
    out = io.BytesIO()
    Image.effect_noise((width, height), 40).convert("RGB").save(out, "JPEG", **save)
    return out.getvalue()


def test_a_photo_is_kept_small_and_without_where_it_was_taken(opening: Opening, measurer: User) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # turned by 90 degrees
    exif.get_ifd(0x8825)[1] = "N"  # GPS latitude reference
    data = a_photo(exif=exif.tobytes())

    photo = readings.add_photo(opening=opening, data=data, by=measurer, caption="crank")

    with Image.open(photo.file.path) as kept:
        assert max(kept.size) == 1600
        assert kept.height > kept.width  # upright
        assert not kept.getexif()
        assert "exif" not in kept.info


def test_a_photo_of_20_mb_is_refused_with_the_bound(opening: Opening, measurer: User) -> None:
    with pytest.raises(Refused, match="20 MB; the most is 12 MB") as refusal:
        readings.add_photo(opening=opening, data=b"\xff\xd8" + bytes(20 * 1024 * 1024), by=measurer)

    assert refusal.value.field == "photo"


@pytest.mark.parametrize("data", [b"%PDF-1.7 not a picture", b"<svg/>", a_photo(64, 64)[:200], b""])
def test_a_file_that_is_no_image_is_refused(opening: Opening, measurer: User, data: bytes) -> None:
    with pytest.raises(Refused) as refusal:
        readings.add_photo(opening=opening, data=data, by=measurer)

    assert refusal.value.field == "photo"
    assert not opening.photos.exists()


def test_no_reading_is_taken_of_a_dropped_opening(opening: Opening, measurer: User) -> None:
    openings.drop_opening(opening=opening, by=measurer, reason="walled up")

    with pytest.raises(Refused, match="dropped"):
        readings.record_reading(opening=opening, spot="depth", typed="3", by=measurer)

    assert Reading.objects.count() == 0
