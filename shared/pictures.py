"""Photos: what is taken in, how it is kept, how it is shown."""

from __future__ import annotations

import io
from typing import Final

from django.db.models.fields.files import FieldFile
from django.http import Http404, HttpResponse
from PIL import Image, ImageOps, UnidentifiedImageError

from shared import files
from shared.errors import Refused

LARGEST_PHOTO: Final = 12 * 1024 * 1024
LARGEST_PIXELS: Final = {"JPEG": 50_000_000}
"""By kind; a JPEG is read at a part of its size, others whole."""

LARGEST_PIXELS_WHOLE: Final = 25_000_000
PHOTO_EDGE: Final = 1600
PHOTO_KINDS: Final = ("JPEG", "PNG", "WEBP", "GIF", "BMP", "TIFF")


def recoded(data: bytes) -> bytes:
    """
    A photo as we keep it: JPEG, upright, at most 1600 px long, no metadata at all.

    Raises
    ------
    Refused
        Field ``photo``: nothing sent, over 12 MB, over 50 megapixels (25 where it is no JPEG), or no picture.
    """
    if not data:
        raise Refused("no photo came", field="photo")
    refuse_large(len(data))
    try:
        with Image.open(io.BytesIO(data), formats=PHOTO_KINDS) as picture:
            most = LARGEST_PIXELS.get(picture.format or "", LARGEST_PIXELS_WHOLE)
            if picture.width * picture.height > most:
                bound = f"at most {most // 1_000_000} megapixels"
                raise Refused("the photo has too many pixels", field="photo", bound=bound)
            picture.draft("RGB", (2 * PHOTO_EDGE, 2 * PHOTO_EDGE))
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except (UnidentifiedImageError, Image.DecompressionBombError, OSError, SyntaxError, ValueError) as error:
        if isinstance(error, Refused):
            raise
        raise Refused("this file is no picture we can read; send a JPEG, PNG or WebP", field="photo") from None
    upright.thumbnail((PHOTO_EDGE, PHOTO_EDGE))
    plain = Image.new("RGB", upright.size)
    plain.paste(upright)
    out = io.BytesIO()
    plain.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()


def refuse_large(size: int) -> None:
    """Refuses a photo by its size alone, before anybody reads it."""
    if size > LARGEST_PHOTO:
        most = LARGEST_PHOTO // 1048576
        raise Refused(
            f"the photo has {size / 1048576:.0f} MB; the most is {most} MB. Take it at a smaller size.",
            field="photo",
            bound=f"at most {most} MB",
        )


def keep_picture(folder: str, data: bytes) -> str:
    """The name under which a photo is kept, re-encoded by `recoded`."""
    return files.keep(folder, recoded(data), ".jpg")


def picture_answer(file: FieldFile) -> HttpResponse:
    """The picture itself, for whoever may see it; a 404 where its file is gone."""
    try:
        data = files.read(file.name)
    except files.FileGone:
        raise Http404("the picture's file is gone") from None
    return HttpResponse(data, content_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"})
