"""Photos: bounded in pixels, kept without what the camera wrote, gone when they are removed."""

from __future__ import annotations

import base64
import io
import struct
import zlib
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from PIL import Image, ImageFile
from rest_framework.test import APIClient

from installs.models import StopPhoto
from installs.services import stops as installs
from jobs.models import Appointment
from shared import roles
from shared.errors import Refused
from shared.models import Branch, User
from shared.pictures import recoded
from tests.factories import make_appointment, make_crew, make_user


def jpeg(width: int = 40, height: int = 30, **more: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (width, height), "grey").save(out, "JPEG", **more)
    return out.getvalue()


def test_a_comment_of_the_camera_is_left_behind() -> None:
    """A stop's photo kept it: the comment of a JPEG went along with every copy."""
    assert b"at Ida's" in jpeg(comment=b"at Ida's")

    assert b"at Ida's" not in recoded(jpeg(comment=b"at Ida's"))


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(width: int, height: int, *chunks: bytes) -> bytes:
    """A PNG that says this of its size; nobody gets as far as its pixels."""
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(chunks) + _chunk(b"IDAT", zlib.compress(b"")) + _chunk(b"IEND", b"")


def test_a_text_of_sixty_megabytes_in_a_png_is_no_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    """It raised a ValueError that nobody caught: a 500. (Whoever imports WeasyPrint lets cut-off pictures pass.)"""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", False)
    text = _chunk(b"zTXt", b"Comment\x00\x00" + zlib.compress(b"x" * 60_000_000))

    with pytest.raises(Refused, match="no picture we can read"):
        recoded(png(8, 8, text))
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    assert len(recoded(png(8, 8, text))) < 2_000


@pytest.mark.parametrize(
    ("data", "bound"),
    [(png(9_000, 6_600), "25 megapixels"), (png(5_001, 5_000), "25 megapixels"), (b"jpeg", "50 megapixels")],
)
def test_pixels_are_bounded(data: bytes, bound: str) -> None:
    """59 megapixels were taken, in 584 MB of memory."""
    if data == b"jpeg":
        data = jpeg(16, 16)
        at = data.index(b"\xff\xc0") + 5  # height and width in the frame's header
        data = data[:at] + struct.pack(">HH", 6_600, 9_000) + data[at + 4 :]

    with pytest.raises(Refused) as told:
        recoded(data)

    assert told.value.field == "photo"
    assert bound in told.value.bound


@pytest.fixture
def stop(branch: Branch) -> tuple[Appointment, User]:
    person = make_user(*roles.ALL, branch=branch)
    crew = make_crew(branch, person)
    return make_appointment(crew=crew, day=timezone.localdate(), time="9:00", purpose="install"), person


@pytest.fixture
def kept(stop: tuple[Appointment, User]) -> StopPhoto:
    return installs.add_photo(appointment=stop[0], data=jpeg(), by=stop[1])


@pytest.mark.django_db
def test_a_photo_that_was_removed_is_served_to_nobody(
    kept: StopPhoto, stop: tuple[Appointment, User], client: Client
) -> None:
    client.force_login(stop[1])
    address = reverse("installs:photo", args=[kept.pk])
    assert client.get(address).status_code == 200

    installs.remove_photo(photo=kept, by=stop[1])

    assert client.get(address).status_code == 404


@pytest.mark.django_db
def test_a_photo_whose_file_is_gone_is_not_found(
    kept: StopPhoto, stop: tuple[Appointment, User], client: Client
) -> None:
    """It was a 500."""
    client.force_login(stop[1])
    client.raise_request_exception = False
    Path(kept.file.path).unlink()

    assert client.get(reverse("installs:photo", args=[kept.pk])).status_code == 404


@pytest.mark.django_db
@pytest.mark.parametrize("text", ["é" * 40, "not base64", base64.b64encode(b"plain words").decode()])
def test_a_photo_that_did_not_come_through_is_refused(stop: tuple[Appointment, User], text: str) -> None:
    """Text that is not ASCII answered 500."""
    api = APIClient(raise_request_exception=False)
    api.force_authenticate(stop[1])

    answer = api.post(f"/api/stops/{stop[0].pk}/photos/", {"photo": text}, format="json")

    assert answer.status_code == 409
    assert answer.json()["errors"][0]["field"] == "photo"


def test_what_is_served_is_a_jpeg(tmp_path: Path) -> None:
    assert Image.open(ContentFile(recoded(jpeg()))).format == "JPEG"
