"""Shop file, logo and photos: what is typed there stands in the claim, and nothing else about anybody."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import pytest
from PIL import Image
from pypdf import PdfReader

from daq.archive.claim.pictures import MAX_PHOTOS, logo, photo
from daq.archive.claim.shop import load_shop
from daq.archive.claim.write import ClaimRequest, write_claim
from daq.errors import InputError
from tests.daq.archive.claim.test_claim import BEFORE, SHOP, text_of


def camera_photo(path: Path, size: tuple[int, int] = (40, 20)) -> Path:
    """A JPEG as cameras write it: turned, with maker, place and a comment beside the picture."""
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "INVENTED CAMERA"
    exif.get_ifd(0x8825)[2] = (47.0, 1.0, 2.0)
    Image.new("RGB", size, "white").save(path, exif=exif, comment=b"INVENTED OWNER")
    return path


def test_a_photo_keeps_nothing_of_the_camera(tmp_path: Path) -> None:
    """It is upright and has neither maker, place, comment nor other metadata."""
    taken = camera_photo(tmp_path / "front.jpg")
    assert b"INVENTED" in taken.read_bytes()
    made = photo(taken)
    picture = Image.open(io.BytesIO(made.data))
    assert (picture.size, made.caption, made.ending) == ((20, 40), "front", "jpg")
    assert not picture.getexif()
    assert b"INVENTED" not in made.data
    assert b"Exif" not in made.data


def test_photos_and_logos_are_scaled_to_what_a_page_shows(tmp_path: Path) -> None:
    """A large picture is made smaller, its shape kept; a logo stays see-through."""
    Image.new("RGBA", (3000, 1500), (0, 0, 0, 0)).save(tmp_path / "large.png")
    assert Image.open(io.BytesIO(photo(tmp_path / "large.png").data)).size == (1600, 800)
    made = Image.open(io.BytesIO(logo(tmp_path / "large.png").data))
    assert (made.size, made.mode) == ((800, 400), "RGBA")


def png_that_claims(width: int, height: int) -> bytes:
    """A PNG of a few bytes whose head tells of a huge picture."""
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in ((b"IHDR", head), (b"IDAT", zlib.compress(b"")), (b"IEND", b""))
    )
    return b"\x89PNG\r\n\x1a\n" + chunks


@pytest.mark.parametrize(
    ("name", "content", "complaint"),
    [
        ("a.jpg", b"no picture", "cannot be read as a picture, expected PNG or JPEG"),
        ("a.png", b"GIF89a" + bytes(30), "cannot be read as a picture"),
        ("a.png", png_that_claims(60_000, 60_000), "expected"),
        ("a.png", png_that_claims(12_000, 12_000), "12000 by 12000 pixels, expected at most 100 million"),
    ],
)
def test_what_is_no_photo_is_refused(tmp_path: Path, name: str, content: bytes, complaint: str) -> None:
    """Other files, and pictures that would fill the memory, are refused before they are unpacked."""
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=complaint):
        photo(tmp_path / name)


def test_a_logo_that_is_no_picture_is_refused(tmp_path: Path) -> None:
    """A file called SVG must be one, and a missing one is said."""
    (tmp_path / "logo.svg").write_text("<html/>", encoding="utf-8")
    with pytest.raises(InputError, match="is no SVG"):
        logo(tmp_path / "logo.svg")
    with pytest.raises(InputError, match="cannot be read"):
        logo(tmp_path / "gone.svg")


def test_a_slip_in_the_shop_file_is_named_with_its_line(tmp_path: Path) -> None:
    """An unknown key is refused with file, line and the keys there are."""
    path = tmp_path / "shop.toml"
    path.write_text('[shop]\nnmae = "x"\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"shop\.toml:2: .*nmae.*did you mean 'name'"):
        load_shop(path)


@pytest.mark.slow
def test_serials_fill_gaps_and_never_contradict_the_record(tmp_path: Path) -> None:
    """A serial of the shop file that the record has otherwise, or of an unknown coil, is refused."""
    path, out = tmp_path / "shop.toml", tmp_path / "claim.pdf"
    for line, complaint in (('Y1 = "OTHER"', "'OTHER', but .* has 'SG-101'"), ('Y9 = "1"', "is no coil of")):
        path.write_text(f"[serials]\n{line}\n", encoding="utf-8")
        with pytest.raises(InputError, match=complaint):
            write_claim(ClaimRequest((BEFORE,), out, shop=path))
    assert not out.exists()


@pytest.mark.slow
def test_shop_customer_and_photos_stand_in_the_claim(tmp_path: Path) -> None:
    """What is typed in the shop file is on page one, and each photo has its caption."""
    taken = camera_photo(tmp_path / "as it came.jpg", (400, 200))
    out = write_claim(ClaimRequest((BEFORE,), tmp_path / "claim.pdf", shop=SHOP, photos=(taken, taken)))
    pdf = PdfReader(out)
    page = text_of(pdf, 0)
    for said in (
        "Valve Rebuilding Workshop (invented)",
        "1 Example Lane",
        "valves@workshop.example",
        "C-0001",
        "2026-01-12",
        "Snow Groomer Service (invented)",
        "WB-0000",
        "kept for six months",
    ):
        assert said in page, said
    assert "Photo 1: as it came Photo 2: as it came" in text_of(pdf)
    assert b"INVENTED CAMERA" not in out.read_bytes()
    assert str(tmp_path).encode() not in out.read_bytes()


def test_no_more_photos_than_mail_takes(tmp_path: Path) -> None:
    """Too many photos are refused with both numbers."""
    taken = camera_photo(tmp_path / "a.jpg")
    with pytest.raises(InputError, match=f"{MAX_PHOTOS + 1} photos, expected at most {MAX_PHOTOS}"):
        write_claim(ClaimRequest((BEFORE,), tmp_path / "c.pdf", photos=(taken,) * (MAX_PHOTOS + 1)))
