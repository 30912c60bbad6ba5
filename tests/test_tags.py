"""Printed tags: exact millimetres, readable markers, nothing of the groups."""

import io
import re
import shutil
import subprocess

import cv2
import numpy as np
import pypdf
import pytest
from commanded import counting
from PIL import Image
from trials import Beds, make_trial

from counting.errors import CountingError, PlanError
from counting.photos.tags.reader import read_tags
from counting.plan.card import BAR, CARD, CODE, GREY, GREY_LEVEL, MARKER, WHITE, nearer
from counting.plan.tags import PIXELS_PER_MM, tag_picture, tagged, tags_pdf, write_tag_pictures
from counting.plan.trial import load_trial

POINTS = 72 / 25.4
needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="pdftoppm (poppler-utils) is not installed"
)


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial", Beds(blocks=3, plants_per_plot=2, guards_per_plot=1))


def rectangles(page) -> list[tuple[float, float, float, float]]:
    """Return x, y, width, height in mm of every rectangle drawn on a PDF page."""
    content = page.get_contents().get_data().decode("latin-1")
    number = r"(-?[\d.]+)"
    found = re.findall(rf"{number} {number} {number} {number} re", content)
    # a page's own scaling would falsify what is read here
    assert re.findall(rf"{number} {number} {number} {number} {number} {number} cm", content) in (
        [],
        [("1", "0", "0", "1", "0", "0")],
    )
    return [tuple(float(value) / POINTS for value in values) for values in found]


def drawn(page, pixels_per_mm: int = 10) -> np.ndarray:
    """Return a PDF page as a grey picture."""
    writer = pypdf.PdfWriter()
    writer.add_page(page)
    stream = io.BytesIO()
    writer.write(stream)
    command = ["pdftoppm", "-r", str(25.4 * pixels_per_mm), "-gray", "-png", "-"]
    done = subprocess.run(command, input=stream.getvalue(), capture_output=True, check=True)
    return np.asarray(Image.open(io.BytesIO(done.stdout)).convert("L"))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_scale_bar_is_100_mm_long_and_the_marker_40(trial, paper):
    reader = pypdf.PdfReader(io.BytesIO(tags_pdf(trial, paper=paper)))
    boxes = rectangles(reader.pages[1])
    bars = [box for box in boxes if box[2:] == pytest.approx((100, 4), abs=0.01)]
    assert len(bars) == 4
    markers = [box for box in boxes if box[2:] == pytest.approx((40, 40), abs=0.01)]
    assert len(markers) == 4
    ruler = [box for box in rectangles(reader.pages[0]) if box[2] == pytest.approx(100, abs=0.01)]
    assert len(ruler) == 1


@needs_poppler
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_rendered_page_measures_as_the_card_says(trial, paper):
    page = pypdf.PdfReader(io.BytesIO(tags_pdf(trial, paper=paper))).pages[1]
    image = drawn(page)
    height, width = image.shape
    left, top = (width - 2 * CARD.width * 10) / 2, (height - 2 * CARD.height * 10) / 2
    line = image[round(top + (BAR.y + BAR.height / 2) * 10)]
    dark = np.flatnonzero(line[: width // 2] < 128)
    dark = dark[(dark > left + 50) & (dark < left + 1250)]  # without the cutting lines
    assert (dark.max() - dark.min() + 1) / 10 == pytest.approx(100.0, abs=0.1)
    readings = read_tags(np.stack([image] * 3, axis=-1))
    assert sorted(reading.id for reading in readings) == [0, 1, 2, 3]
    for reading in readings:
        # pdftoppm widens a black box to whole pixels: up to 1 of 400
        assert reading.mm_per_px == pytest.approx(0.1, rel=0.0025)
        assert reading.grey == pytest.approx((GREY_LEVEL,) * 3, abs=2)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_plant_has_one_tag_inside_the_sheet_and_guards_have_none(tmp_path, paper):
    trial = make_trial(tmp_path, Beds(blocks=3, plants_per_plot=2))
    reader = pypdf.PdfReader(io.BytesIO(tags_pdf(trial, paper=paper)))
    text = "\n".join(page.extract_text() for page in reader.pages[1:])
    for code in trial.plants["code"]:
        assert text.count(code) == 1
    assert len(reader.pages) == 1 + 3
    for page in reader.pages[1:]:
        wide, high = (float(side) / POINTS for side in page.mediabox[2:])
        for x, y, width, height in rectangles(page):
            assert x > 4
            assert y > 4
            assert x + width < wide - 4
            assert y + height < high - 4


def test_the_groups_stand_on_no_tag(tmp_path):
    trial = make_trial(tmp_path, groups=("quincunx", "zebrawood"))
    text = "".join(
        page.extract_text() for page in pypdf.PdfReader(io.BytesIO(tags_pdf(trial))).pages
    )
    assert "quincunx" not in text
    assert "zebrawood" not in text


def test_the_advice_page_says_how_to_print_and_where_to_hang(trial):
    text = pypdf.PdfReader(io.BytesIO(tags_pdf(trial))).pages[0].extract_text()
    words = " ".join(text.split())
    for said in ("100 %", "ruler", "never in front of fruit", "both sides", "11 % too large"):
        assert said in words


def test_the_same_trial_prints_the_same_bytes(trial):
    assert tags_pdf(trial) == tags_pdf(trial)


@pytest.mark.parametrize("tag", [0, 1, 499, 999])
def test_a_tags_picture_has_every_part_where_the_card_says(tag):
    picture = np.asarray(tag_picture("B3-12", tag, "Ein Versuch: Größe"))
    per = PIXELS_PER_MM
    assert picture.shape == (CARD.height * per, CARD.width * per)
    for box, level in ((GREY, GREY_LEVEL), (WHITE, 255)):
        inside = picture[
            box.y * per : (box.y + box.height) * per, box.x * per : (box.x + box.width) * per
        ]
        assert (inside == level).all()
    margin = picture[: (MARKER.y + MARKER.height + 3) * per, : (CODE.x - 1) * per].copy()
    margin[MARKER.y * per : (MARKER.y + 40) * per, MARKER.x * per : (MARKER.x + 40) * per] = 255
    assert (margin == 255).all()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    detector = cv2.aruco.ArucoDetector(dictionary)
    assert detector.detectMarkers(picture)[1].ravel().tolist() == [tag]
    # modules of 40/7 mm end on pixels rounded to 1/20 mm
    assert read_tags(np.stack([picture] * 3, axis=-1))[0].mm_per_px == pytest.approx(
        1 / per, rel=0.002
    )


def test_a_thousand_tags_are_all_different():
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    turned = set()
    for tag in range(1000):
        bits = cv2.aruco.generateImageMarker(dictionary, tag, 7) > 0
        turned |= {np.rot90(bits, turns).tobytes() for turns in range(4)}
    assert len(turned) == 4000


def test_pictures_are_written_one_per_plant_with_their_resolution(trial, tmp_path):
    assert write_tag_pictures(trial, tmp_path / "png") == len(tagged(trial))
    written = sorted(path.stem for path in (tmp_path / "png").iterdir())
    assert written == sorted(tagged(trial)["code"])
    with Image.open(tmp_path / "png" / "A1-1.png") as image:
        assert image.info["dpi"] == pytest.approx((508, 508), abs=0.1)
    with pytest.raises(CountingError, match="--replace"):
        write_tag_pictures(trial, tmp_path / "png")


def test_the_command_writes_the_pdf_and_overwrites_only_when_told(trial, tmp_path):
    out = tmp_path / "tags.pdf"
    words = ["tags", trial.directory, "--out", out]
    done = counting(*words, "--paper", "letter")
    assert done.code == 0
    assert f"{len(tagged(trial))} tags" in done.err
    assert out.read_bytes() == tags_pdf(trial, paper="letter")
    again = counting(*words)
    assert again.code == 2
    assert "--replace" in again.err
    assert out.read_bytes() == tags_pdf(trial, paper="letter")


def test_a_trial_without_tag_numbers_says_where_to_write_them(tmp_path):
    make_trial(tmp_path)
    rows = ["code,group,block,plot", "x,own-rooted,A,P1", "y,grafted,A,P2"]
    (tmp_path / "plants.csv").write_text("\n".join(rows), encoding="utf-8")
    with pytest.raises(PlanError, match="column tag"):
        tags_pdf(load_trial(tmp_path))


def test_a_fruit_ten_percent_nearer_looks_eleven_percent_larger():
    assert nearer(0.1) == pytest.approx(1.111, abs=0.001)
    assert nearer(-0.1) == pytest.approx(0.909, abs=0.001)
    with pytest.raises(ValueError, match="behind the camera"):
        nearer(1.0)
