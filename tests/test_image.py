"""Photo files: formats, orientation, what cannot be read."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image as Pillow

from counting.errors import PhotoError
from counting.files import sha256_file
from counting.photos.image import load_image

RED, GREEN, BLUE, WHITE = (220, 30, 30), (30, 200, 30), (30, 30, 220), (240, 240, 240)


def quarters(width: int = 160, height: int = 96) -> Pillow.Image:
    """Red and green above, blue and white below: every orientation looks different."""
    pixels = np.zeros((height, width, 3), np.uint8)
    pixels[: height // 2, : width // 2], pixels[: height // 2, width // 2 :] = RED, GREEN
    pixels[height // 2 :, : width // 2], pixels[height // 2 :, width // 2 :] = BLUE, WHITE
    return Pillow.fromarray(pixels)


def is_upright(rgb: np.ndarray) -> bool:
    height, width = rgb.shape[:2]
    wanted = {(0.25, 0.25): RED, (0.25, 0.75): GREEN, (0.75, 0.25): BLUE, (0.75, 0.75): WHITE}
    return all(
        np.abs(rgb[int(y * height), int(x * width)].astype(int) - colour).max() < 40
        for (y, x), colour in wanted.items()
    )


# how a camera stores the upright picture under each EXIF orientation (EXIF 2.3, tag 0x0112)
STORED = {
    1: [],
    2: [Pillow.Transpose.FLIP_LEFT_RIGHT],
    3: [Pillow.Transpose.ROTATE_180],
    4: [Pillow.Transpose.FLIP_TOP_BOTTOM],
    5: [Pillow.Transpose.TRANSPOSE],
    6: [Pillow.Transpose.ROTATE_90],
    7: [Pillow.Transpose.TRANSVERSE],
    8: [Pillow.Transpose.ROTATE_270],
}


@pytest.mark.parametrize("orientation", sorted(STORED))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("long_side", [None, 80])
def test_a_photo_is_upright_whatever_its_orientation_and_format(
    tmp_path: Path, orientation: int, kind: str, long_side: int | None
) -> None:
    stored = quarters()
    for turn in STORED[orientation]:
        stored = stored.transpose(turn)
    exif = Pillow.Exif()
    exif[0x0112] = orientation
    path = tmp_path / f"photo.{kind.lower()}"
    stored.save(path, kind, exif=exif)
    image = load_image(path, long_side=long_side)
    assert (image.width, image.height) == (160, 96)
    assert is_upright(image.rgb)
    assert image.rgb.shape[1] == (160 if long_side is None else 80)
    assert image.scale == pytest.approx(160 / image.rgb.shape[1])


def test_a_heic_photo_is_read_as_its_own_turns_say_not_its_exif(tmp_path: Path) -> None:
    # HEIF keeps turns in its item properties; EXIF orientation only informs (ISO/IEC 23008-12)
    path = tmp_path / "photo.heic"
    exif = Pillow.Exif()
    exif[0x0112] = 6
    quarters().save(path, "HEIF", exif=exif, quality=95)
    image = load_image(path)
    assert (image.width, image.height) == (160, 96)
    assert is_upright(image.rgb)


@pytest.mark.parametrize(
    ("wanted", "part"), [(None, 1), (1000, 1), (800, 2), (799, 2), (400, 4), (401, 2), (10, 8)]
)
def test_a_jpeg_is_decoded_no_larger_than_needed(
    tmp_path: Path, wanted: int | None, part: int
) -> None:
    path = tmp_path / "photo.jpg"
    quarters(1600, 1200).save(path)
    image = load_image(path, long_side=wanted)
    assert image.rgb.shape == (1200 // part, 1600 // part, 3)
    assert image.scale == part


def test_the_original_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    quarters().save(path)
    before = sha256_file(path), path.stat().st_mtime_ns
    load_image(path, long_side=40)
    assert (sha256_file(path), path.stat().st_mtime_ns) == before


def test_grey_palette_and_sixteen_bit_photos_become_rgb(tmp_path: Path) -> None:
    grey = np.linspace(0, 65535, 64 * 48).reshape(48, 64).astype(np.uint16)
    cv2.imwrite(str(tmp_path / "deep.png"), grey)
    quarters().convert("L").save(tmp_path / "grey.jpg")
    quarters().convert("P").save(tmp_path / "palette.png")
    deep = load_image(tmp_path / "deep.png").rgb
    assert deep.dtype == np.uint8
    assert deep.max() == 255
    assert load_image(tmp_path / "grey.jpg").rgb.shape == (96, 160, 3)
    assert is_upright(load_image(tmp_path / "palette.png").rgb)


def test_the_name_of_a_file_does_not_decide_its_format(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    quarters().save(path, "PNG")
    assert is_upright(load_image(path).rgb)


def jpeg() -> bytes:
    stream = io.BytesIO()
    noise = np.random.default_rng(1).integers(0, 255, (200, 300, 3)).astype(np.uint8)
    Pillow.fromarray(noise).save(stream, "JPEG")
    return stream.getvalue()


BROKEN = {
    "empty.jpg": (b"", "empty"),
    "text.jpg": (b"plant,fruit\nA1,12\n", "not a photo"),
    "short.jpg": (jpeg()[:20000], "cut short"),
    "header.jpg": (jpeg()[:30], "not a photo|damaged|cut short"),
    "zeros.jpg": (bytes(5000), "not a photo"),
}


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_what_cannot_be_read_is_one_line_naming_file_and_mend(tmp_path: Path, name: str) -> None:
    data, found = BROKEN[name]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(PhotoError, match=found) as caught:
        load_image(path)
    assert str(path) in str(caught.value)
    assert "copy it" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_every_cut_of_a_png_webp_tiff_or_jpeg_is_refused_or_read_never_worse(
    tmp_path: Path,
) -> None:
    for kind in ("PNG", "WEBP", "TIFF", "JPEG"):
        stream = io.BytesIO()
        quarters(64, 48).save(stream, kind)
        data = stream.getvalue()
        path = tmp_path / f"cut.{kind.lower()}"
        for length in np.linspace(1, len(data) - 1, 25).astype(int):
            path.write_bytes(data[:length])
            try:
                assert load_image(path).rgb.ndim == 3
            except PhotoError:
                continue


def test_a_missing_photo_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="not found"):
        load_image(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match="is a folder"):
        load_image(tmp_path)


@pytest.mark.parametrize("side", [12_500, 13_000, 30_000])
def test_a_decompression_bomb_is_refused_before_it_is_decoded(tmp_path: Path, side: int) -> None:
    path = tmp_path / "bomb.png"

    # a header that claims far more pixels than there are (PNG specification, section 11.2.2)
    def chunk(kind: bytes, body: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + check

    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    pixels = zlib.compress(bytes(100_000))
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")
    )
    with pytest.raises(PhotoError, match="too many pixels"):
        load_image(path)


def test_what_reads_heic_is_loaded_with_the_first_such_photo(tmp_path: Path) -> None:
    path = tmp_path / "photo.heic"
    quarters().save(path, "HEIF", quality=95)
    script = (
        "import sys; from pathlib import Path; from counting.photos.image import load_image\n"
        "assert 'pillow_heif' not in sys.modules\n"
        "print(load_image(Path(sys.argv[1])).width)"
    )
    command = [sys.executable, "-c", script, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout.strip() == str(quarters().width), done.stderr
