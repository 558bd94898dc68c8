"""Photos and logos made fit to be sent: drawn anew, so that nothing is in them but the picture.

A camera writes place, time and owner beside the picture; none of it is copied. Sizes are bounded before
anything is unpacked, since a small file can hold a picture that fills the memory.
"""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from daq.errors import InputError
from daq.plain_file import read_plain, refuse_link

if TYPE_CHECKING:
    from PIL.Image import Image

    from analysis.paper.claim_data import Picture

#: Larger files are none of a camera, larger pictures neither.
MAX_PICTURE_BYTES, MAX_LOGO_BYTES, MAX_PIXELS = 30_000_000, 2_000_000, 100_000_000
#: Photos of a claim at most; it is sent by mail.
MAX_PHOTOS = 20
#: Longest side in pixels: 1600 on half the width of a page are more than a printer shows.
_PHOTO_PX, _LOGO_PX = 1600, 800
_QUALITY = 82


def photo(path: Path) -> Picture:
    """Return the photo at *path*, upright, not larger than a page shows, and with nothing beside the picture.

    Raises:
        InputError: It cannot be read, is too large, or is neither PNG nor JPEG.
    """
    from analysis.paper.claim_data import Picture

    picture = _opened(path, MAX_PICTURE_BYTES).convert("RGB")
    picture.thumbnail((_PHOTO_PX, _PHOTO_PX))
    return Picture(_saved(picture, "JPEG", quality=_QUALITY), "jpg", path.stem)


def logo(path: Path) -> Picture:
    """Return the logo at *path*; an SVG stays one.

    Raises:
        InputError: It cannot be read, is too large, or is none of PNG, JPEG and SVG.
    """
    from analysis.paper.claim_data import Picture

    if path.suffix.lower() == ".svg":
        data = _read(path, MAX_LOGO_BYTES)
        if b"<svg" not in data:
            raise InputError(f"{path}: is no SVG, expected a logo as PNG, JPEG or SVG")
        return Picture(data, "svg", path.stem)
    picture = _opened(path, MAX_LOGO_BYTES).convert("RGBA")
    picture.thumbnail((_LOGO_PX, _LOGO_PX))
    return Picture(_saved(picture, "PNG"), "png", path.stem)


def _read(path: Path, most_bytes: int) -> bytes:
    refuse_link(path)
    try:
        return read_plain(path, most_bytes)
    except OSError as exc:
        raise InputError(f"{path}: cannot be read ({exc.strerror or exc}), expected a picture") from exc


def _opened(path: Path, most_bytes: int) -> Image:
    from PIL import Image, ImageOps

    data = _read(path, most_bytes)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the picture's own oddities; what matters is asked here
            picture = Image.open(io.BytesIO(data), formats=("PNG", "JPEG"))
            if picture.width * picture.height <= MAX_PIXELS:
                return ImageOps.exif_transpose(picture)
    except Exception as exc:
        raise InputError(f"{path}: cannot be read as a picture, expected PNG or JPEG") from exc
    raise InputError(
        f"{path}: {picture.width} by {picture.height} pixels, expected at most "
        f"{MAX_PIXELS // 1_000_000} million; scale it down"
    )


def _saved(picture: Image, kind: str, **how: int) -> bytes:
    """The picture as a file, without whatever else came with it."""
    picture.info = {}
    file = io.BytesIO()
    picture.save(file, kind, **how)
    return file.getvalue()
