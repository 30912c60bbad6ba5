"""Photos taken in: found, read, bound to plants, copied, entered; a bad one is left out."""

import io
import os
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from trials import SURVEY, Beds, draw_photo, drawn, make_trial
from typer.testing import CliRunner

from counting.cli import app
from counting.errors import PhotoError
from counting.files import sha256_file
from counting.ledger.facts import left_out
from counting.photos.examine import examine
from counting.photos.gather import Batch
from counting.photos.intake import take_in
from counting.tables import PHOTOS


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path / "trial")


@pytest.fixture
def camera(tmp_path):
    folder = tmp_path / "camera"
    folder.mkdir()
    return folder


def entries(trial):
    with trial.ledger() as ledger:
        return [entry.body for entry in ledger.standing("photo")]


def reasons(result):
    return {Path(refusal.item).name: refusal.reason for refusal in result.refused}


def with_tag(path: Path, number: int, *, seed: int = 0) -> Path:
    """Draw a photo with a tag's marker on a white card in its middle."""
    image = np.asarray(drawn(8, seed=seed, size=(1200, 900))).copy()
    marker = cv2.aruco.generateImageMarker(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000), number, 160
    )
    image[300:620, 400:800] = 255
    image[340:500, 440:600] = marker[..., None]
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(image).save(path, quality=95)
    return path


# ---- what names the plant


def test_folders_name_survey_and_plant_and_the_file_its_side(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    draw_photo(camera / SURVEY / "A1-1" / "Wall.JPG", seed=1)
    result = take_in(trial, [camera])
    assert result.refused == []
    assert list(result.taken.columns) == list(PHOTOS)
    rows = result.taken[["survey", "plant", "side", "bound_by"]].to_dict("records")
    assert {(row["survey"], row["plant"], row["bound_by"]) for row in rows} == {
        (SURVEY, "A1-1", "folder")
    }
    assert {row["side"] for row in rows} == {"path", "wall"}


@pytest.mark.parametrize("folder", ["3", "truss 3", "truss-03", "T3"])
def test_a_folder_below_the_plant_names_the_truss(trial, camera, folder):
    draw_photo(camera / SURVEY / "A1-1" / folder / "IMG_0001.jpg")
    result = take_in(trial, [camera])
    assert result.taken["truss"].tolist() == [3]
    assert result.taken["side"].tolist() == [""]


def test_a_folder_below_the_plant_can_name_the_side(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "wall" / "IMG_0001.jpg")
    assert take_in(trial, [camera]).taken["side"].tolist() == ["wall"]


def test_plant_codes_are_taken_in_upper_or_lower_case(trial, camera):
    draw_photo(camera / SURVEY / "a1-1" / "path.jpg")
    assert take_in(trial, [camera]).taken["plant"].tolist() == ["A1-1"]


def test_a_number_from_2_on_names_a_further_view_of_a_side(trial, camera):
    for seed, name in enumerate(("path.jpg", "path 2.jpg", "wall 1.jpg", "photo 2.jpg")):
        draw_photo(camera / SURVEY / f"A{1 + seed // 3}-1" / name, seed=seed)
    told = take_in(trial, [camera]).taken
    assert set(told.loc[told["plant"] == "A1-1", "side"]) == {"path", "path 2", ""}
    assert told.loc[told["plant"] == "A2-1", "side"].tolist() == [""]


def test_a_list_beside_the_photos_names_what_they_show(trial, camera):
    draw_photo(camera / "IMG_1.jpg")
    draw_photo(camera / "IMG_2.jpg", seed=1)
    (camera / "photos.csv").write_text(
        f"file,survey,plant,truss,side\nIMG_1.jpg,{SURVEY},A1-1,,path\n"
        f"IMG_2.jpg,{SURVEY},A1-2,4,Wall\n",
        encoding="utf-8",
    )
    result = take_in(trial, [camera])
    assert result.refused == []
    assert result.taken["plant"].tolist() == ["A1-1", "A1-2"]
    assert result.taken["side"].tolist() == ["path", "wall"]
    assert result.taken["truss"].isna().tolist() == [True, False]
    assert set(result.taken["bound_by"]) == {"manifest"}


def test_a_list_can_be_given_itself_and_stands_for_its_photos(trial, camera):
    draw_photo(camera / "IMG_1.jpg")
    draw_photo(camera / "IMG_2.jpg", seed=1)
    listing = camera / "round-one.csv"
    listing.write_text("file;plant\nIMG_1.jpg;A1-1\n", encoding="utf-8-sig")
    result = take_in(trial, [listing], batch=Batch(survey=SURVEY))
    assert result.taken["plant"].tolist() == ["A1-1"]


def test_the_tag_comes_before_the_list_and_the_list_before_the_folder(trial, camera):
    with_tag(camera / SURVEY / "A1-1" / "one.jpg", 3)
    draw_photo(camera / SURVEY / "A1-1" / "two.jpg")
    (camera / SURVEY / "A1-1" / "photos.csv").write_text(
        f"file,survey,plant,side\none.jpg,{SURVEY},A1-2,\ntwo.jpg,{SURVEY},A1-2,\n",
        encoding="utf-8",
    )
    result = take_in(trial, [camera])
    assert result.refused == []
    by_file = {Path(body["file"]).name: body for body in entries(trial)}
    assert by_file["one.jpg"]["plant"] == "A2-2"  # tag 3 is the fourth plant's
    assert by_file["one.jpg"]["bound_by"] == "tag"
    assert "tag disagrees" in by_file["one.jpg"]["flags"]
    assert by_file["two.jpg"]["plant"] == "A1-2"
    assert by_file["two.jpg"]["bound_by"] == "manifest"
    assert "no tag" in by_file["two.jpg"]["flags"]


def test_the_tag_gives_the_scale(trial, camera):
    path = with_tag(camera / "IMG_1.jpg", 0)
    result = take_in(trial, [path], batch=Batch(survey=SURVEY))
    # 160 px of marker are 40 mm
    assert result.taken["mm_per_px"].iloc[0] == pytest.approx(0.25, rel=0.02)
    (body,) = entries(trial)
    assert body["tag"]["code"] == "A1-1"
    assert body["quality"]["scale_from"] == "tag"


def test_the_same_tag_twice_in_a_photo_is_a_reason_to_look(trial, camera):
    path = with_tag(camera / SURVEY / "A1-1" / "a.jpg", 0)
    once = np.asarray(Image.open(path).convert("RGB"))
    Image.fromarray(np.vstack([once, once])).save(path)
    take_in(trial, [camera])
    (body,) = entries(trial)
    assert "several tags" in body["flags"]


@pytest.mark.parametrize(("turn", "told"), [(0, False), (20, False), (90, True), (180, True)])
def test_a_photo_whose_tag_lies_or_stands_on_its_head_is_a_reason_to_look(
    trial, camera, turn, told
):
    path = with_tag(camera / SURVEY / "A1-1" / "a.jpg", 0)
    Image.open(path).convert("RGB").rotate(turn, expand=True, fillcolor="white").save(path)
    take_in(trial, [camera])
    (body,) = entries(trial)
    assert body["tag"]["code"] == "A1-1"
    assert ("turned" in body["flags"]) == told


def test_where_no_photo_has_a_tag_or_a_time_their_lack_is_no_reason_to_look(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    take_in(trial, [camera])
    assert not {"no tag", "no time"} & set(entries(trial)[0]["flags"])


def test_a_photo_that_nothing_binds_is_left_out_with_what_to_do(trial, camera):
    draw_photo(camera / "IMG_1.jpg")
    result = take_in(trial, [camera], batch=Batch(survey=SURVEY))
    assert "no tag was read" in reasons(result)["IMG_1.jpg"]
    assert "photos.csv" in reasons(result)["IMG_1.jpg"]


def test_a_plant_that_is_not_in_the_plan_is_named(trial, camera):
    draw_photo(camera / "IMG_1.jpg")
    (camera / "photos.csv").write_text(
        f"file,survey,plant\nIMG_1.jpg,{SURVEY},Z9-1\n", encoding="utf-8"
    )
    assert (
        "line 2 of the list: plant 'Z9-1' is not in the plan"
        in reasons(take_in(trial, [camera]))["IMG_1.jpg"]
    )


# ---- survey and side


def test_the_survey_and_the_side_can_be_said_for_all(trial, camera):
    draw_photo(camera / "A1-1" / "IMG_1.jpg")
    draw_photo(camera / "A1-2" / "IMG_2.jpg", seed=1)
    result = take_in(trial, [camera], batch=Batch(survey=SURVEY, side="Path"))
    assert result.taken["survey"].tolist() == [SURVEY, SURVEY]
    assert result.taken["side"].tolist() == ["path", "path"]


@pytest.mark.parametrize("date", ["01/07/2026", "2026-02-30", "today", "July"])
def test_a_survey_that_is_no_date_is_refused_and_nothing_taken_in(trial, camera, date):
    draw_photo(camera / "A1-1" / "IMG_1.jpg")
    with pytest.raises(PhotoError, match=r"2026-07-01"):
        take_in(trial, [camera], batch=Batch(survey=date))
    assert entries(trial) == []


def test_a_survey_that_contradicts_the_folder_is_refused(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    result = take_in(trial, [camera], batch=Batch(survey="2026-07-08"))
    assert "says survey 2026-07-01, the command says 2026-07-08" in reasons(result)["path.jpg"]


def test_without_any_survey_the_day_of_the_photo_counts(trial, camera):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[36867] = "2026:07:09 08:15:00"
    draw_photo(camera / "A1-1" / "path.jpg", exif=exif)
    draw_photo(camera / "A1-1" / "wall.jpg", seed=1)
    result = take_in(trial, [camera])
    assert result.taken["survey"].tolist() == ["2026-07-09"]
    assert "--survey" in reasons(result)["wall.jpg"]


# ---- what is read from a photo


@pytest.mark.parametrize("ending", ["jpg", "png", "webp", "tiff", "heic"])
def test_every_format_is_read_upright_with_its_time(trial, camera, ending):
    exif = Image.Exif()
    exif[0x0112] = 6
    for block in (exif, exif.get_ifd(0x8769)):  # TIFF keeps both in its own directory
        block[36867] = "2026:07:01 09:30:00"
        block[36881] = "+02:00"
    draw_photo(camera / SURVEY / "A1-1" / f"path.{ending}", exif=exif)
    result = take_in(trial, [camera])
    assert result.refused == []
    row = result.taken.iloc[0]
    assert row["taken_at"] == "2026-07-01T09:30:00+02:00"
    # drawn 320 wide and 240 high, turned by a quarter; in HEIC the camera data's orientation does
    # not count, only the container's (ISO/IEC 23008-12, from memory)
    turned = ending != "heic"
    assert (row["width"], row["height"]) == ((240, 320) if turned else (320, 240))
    assert result.local_time == 0


def test_a_time_without_offset_is_kept_as_local_and_told(trial, camera):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[36867] = "2026:07:01 09:30:00"
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg", exif=exif)
    result = take_in(trial, [camera])
    assert result.taken["taken_at"].tolist() == ["2026-07-01T09:30:00"]
    assert result.local_time == 1


@pytest.mark.parametrize(
    "time", ["0000:00:00 00:00:00", "    :  :     :  :  ", "nonsense", "1980:01:01 00:00:00"]
)
def test_an_impossible_time_counts_as_none(trial, camera, time):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[36867] = time
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg", exif=exif)
    assert take_in(trial, [camera]).taken["taken_at"].tolist() == [""]


def test_damaged_camera_data_does_not_cost_the_photo(trial, camera):
    path = draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    data = path.read_bytes()
    broken = b"Exif\0\0MM\0*\xff\xff\xff\xff" + b"\xfe" * 40
    block = b"\xff\xe1" + struct.pack(">H", len(broken) + 2) + broken
    path.write_bytes(data[:2] + block + data[2:])
    assert len(take_in(trial, [camera]).taken) == 1


# ---- the same photo, the same place


def test_the_same_photos_again_are_recognised_and_not_counted_twice(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    assert len(take_in(trial, [camera]).taken) == 1
    (camera / SURVEY / "A1-1" / "path.jpg").rename(camera / SURVEY / "A1-1" / "path-2.jpg")
    (camera / "photos.csv").write_text(
        f"file,survey,plant,side\n{SURVEY}/A1-1/path-2.jpg,{SURVEY},A1-1,path\n", encoding="utf-8"
    )
    result = take_in(trial, [camera])
    assert (len(result.taken), result.again, result.refused) == (0, 1, [])
    assert len(entries(trial)) == 1


def test_the_same_bytes_twice_in_one_go_count_once(trial, camera):
    data = draw_photo(camera / SURVEY / "A1-1" / "IMG_1.jpg").read_bytes()
    (camera / SURVEY / "A1-1" / "IMG_1 (1).jpg").write_bytes(data)
    result = take_in(trial, [camera])
    assert (len(result.taken), result.again, result.refused) == (1, 1, [])


def test_the_same_bytes_for_two_plants_are_refused(trial, camera):
    data = draw_photo(camera / SURVEY / "A1-1" / "IMG_1.jpg").read_bytes()
    draw_photo(camera / SURVEY / "A1-2" / "IMG_1.jpg").write_bytes(data)
    result = take_in(trial, [camera])
    assert len(result.taken) == 0
    assert "plant A1-1" in result.refused[0].reason
    assert "plant A1-2" in result.refused[0].reason


def test_of_two_photos_of_one_side_one_counts_and_the_other_is_kept_as_a_view(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "IMG_1.jpg")
    draw_photo(camera / SURVEY / "A1-1" / "IMG_2.jpg", seed=1)
    draw_photo(camera / SURVEY / "A1-2" / "IMG_3.jpg", seed=2)
    result = take_in(trial, [camera])
    assert sorted(result.taken["plant"]) == ["A1-1", "A1-1", "A1-2"]
    assert any("1 kept as further views, not counted" in text for text in result.remarks)
    with trial.ledger() as ledger:
        (out,) = left_out(ledger).exclusions
    assert out.reason.startswith("a further view: IMG_")


def test_a_place_that_is_taken_is_given_up_only_with_replace(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    (first,) = take_in(trial, [camera]).taken["photo"]
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg", seed=5)
    result = take_in(trial, [camera])
    assert "--replace" in reasons(result)["path.jpg"]
    assert "photos/2026-07-01/A1-1/path.jpg" in reasons(result)["path.jpg"]
    result = take_in(trial, [camera], replace=True)
    assert len(result.taken) == 1
    with trial.ledger() as ledger:
        assert [entry.key for entry in ledger.standing("exclusion")] == [first]
        assert "replaced by" in ledger.get("exclusion", first).body["reason"]
    assert take_in(trial, [camera]).again == 1


def test_a_photo_bound_wrongly_is_moved_with_replace(trial, camera):
    path = draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    take_in(trial, [camera])
    other = camera / SURVEY / "A1-2" / "path.jpg"
    other.parent.mkdir()
    path.rename(other)
    assert "taken in already" in reasons(take_in(trial, [camera]))["path.jpg"]
    take_in(trial, [camera], replace=True)
    assert [body["plant"] for body in entries(trial)] == ["A1-2"]


def test_a_photo_that_was_replaced_can_come_back(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    (first,) = take_in(trial, [camera]).taken["photo"]
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg", seed=5)
    (second,) = take_in(trial, [camera], replace=True).taken["photo"]
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    take_in(trial, [camera], replace=True)
    with trial.ledger() as ledger:
        out = {e.key for e in ledger.standing("exclusion") if not e.body.get("lifted")}
    assert out == {second}
    assert first not in out


# ---- copying


def test_photos_outside_are_copied_and_the_originals_left_alone(trial, camera):
    path = draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    os.utime(path, (1_780_000_000, 1_780_000_000))
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    take_in(trial, [camera])
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    copy = trial.directory / "photos" / SURVEY / "A1-1" / "path.jpg"
    assert copy.read_bytes() == before[0]
    assert entries(trial)[0]["file"] == f"photos/{SURVEY}/A1-1/path.jpg"
    assert sha256_file(copy) == entries(trial)[0]["photo"]


def test_photos_inside_the_trial_stay_where_they_are(trial):
    path = draw_photo(trial.directory / "photos" / SURVEY / "A1-1" / "path.jpg")
    take_in(trial, [trial.directory / "photos"])
    assert list(trial.directory.rglob("*.jpg")) == [path]
    assert entries(trial)[0]["file"] == f"photos/{SURVEY}/A1-1/path.jpg"


def test_another_file_of_the_same_name_is_never_written_over(trial, camera):
    taken_name = trial.directory / "photos" / SURVEY / "A1-1" / "path.jpg"
    draw_photo(taken_name, seed=7)
    before = taken_name.read_bytes()
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    take_in(trial, [camera])
    assert taken_name.read_bytes() == before
    (body,) = entries(trial)
    assert sha256_file(trial.directory / body["file"]) == body["photo"]
    assert body["file"] != f"photos/{SURVEY}/A1-1/path.jpg"


def test_no_half_copied_file_is_left_when_the_disk_refuses(trial, camera, monkeypatch):
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("counting.files.os.fsync", full)
    result = take_in(trial, [camera])
    assert "No space left on device" in reasons(result)["path.jpg"]
    assert entries(trial) == []
    assert [path for path in (trial.directory / "photos").rglob("*") if path.is_file()] == []


# ---- bad photos


def bomb(side: int) -> bytes:
    """Return a PNG of a few hundred bytes that claims side x side pixels."""

    def block(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    pixels = zlib.compress(b"\0" * 100_000)
    return (
        b"\x89PNG\r\n\x1a\n" + block(b"IHDR", header) + block(b"IDAT", pixels) + block(b"IEND", b"")
    )


def bad_photos() -> dict[str, bytes]:
    stream = io.BytesIO()
    drawn().save(stream, "JPEG")
    jpeg = stream.getvalue()
    stream = io.BytesIO()
    drawn().save(stream, "PNG")
    return {
        "empty.jpg": b"",
        "cut.jpg": jpeg[: len(jpeg) // 2],
        "head.jpg": jpeg[:30],
        "cut.png": stream.getvalue()[:4000],
        "text.jpg": b"this is no photo",
        "paper.jpg": b"%PDF-1.7 something",
        "bomb.png": bomb(60_000),
        "noise.webp": bytes(range(256)) * 8,
        "film.heic": b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + b"\0" * 64,
    }


@pytest.mark.parametrize("name", sorted(bad_photos()))
def test_a_bad_photo_is_named_and_does_not_stop_the_others(trial, camera, name):
    folder = camera / SURVEY / "A1-1"
    folder.mkdir(parents=True)
    (folder / name).write_bytes(bad_photos()[name])
    draw_photo(camera / SURVEY / "A1-2" / "path.jpg")
    result = take_in(trial, [camera])
    assert len(result.taken) == 1
    assert list(reasons(result)) == [name]
    assert "\n" not in reasons(result)[name]
    assert not (trial.directory / "photos" / SURVEY / "A1-1").exists()


def test_a_photo_that_is_not_there_is_named(trial, camera):
    assert (
        "not found"
        in reasons(take_in(trial, [camera / "none.jpg"], batch=Batch(survey=SURVEY)))["none.jpg"]
    )


def test_an_empty_folder_is_told_of(trial, camera):
    assert "no photo in it" in reasons(take_in(trial, [camera]))["camera"]


def test_one_bad_photo_of_a_hundred_leaves_ninety_nine(tmp_path, camera):
    from trials import Beds

    trial = make_trial(tmp_path / "large", Beds(blocks=5, plants_per_plot=10))
    for number, plant in enumerate(trial.plants["code"]):
        draw_photo(camera / SURVEY / plant / "path.jpg", seed=number)
    (camera / SURVEY / trial.plants["code"][42] / "path.jpg").write_bytes(b"")
    result = take_in(trial, [camera])
    assert (len(result.taken), len(result.refused)) == (99, 1)


# ---- ways out of the trial


def test_a_link_that_leads_out_of_the_folder_is_refused(trial, camera, tmp_path):
    draw_photo(tmp_path / "elsewhere" / "secret.jpg")
    folder = camera / SURVEY / "A1-1"
    folder.mkdir(parents=True)
    (folder / "path.jpg").symlink_to(tmp_path / "elsewhere" / "secret.jpg")
    assert "leads out" in reasons(take_in(trial, [camera]))["path.jpg"]


def test_a_link_inside_the_trial_that_leads_out_is_refused(trial, tmp_path):
    draw_photo(tmp_path / "elsewhere" / "secret.jpg")
    folder = trial.directory / "photos" / SURVEY / "A1-1"
    folder.mkdir(parents=True)
    (folder / "path.jpg").symlink_to(tmp_path / "elsewhere" / "secret.jpg")
    result = take_in(trial, [folder / "path.jpg"])
    assert "leads out" in reasons(result)["path.jpg"]


@pytest.mark.parametrize("name", ["../x.jpg", "/etc/hostname", "sub/../../x.jpg", "..\\x.jpg"])
def test_a_list_cannot_name_files_outside_its_folder(trial, camera, name):
    draw_photo(camera.parent / "x.jpg")
    (camera / "photos.csv").write_text(
        f"file,survey,plant\n{name},{SURVEY},A1-1\n", encoding="utf-8"
    )
    result = take_in(trial, [camera / "photos.csv"])
    assert len(result.taken) == 0
    assert "leads out of the list's folder" in result.refused[0].reason


def test_photos_that_a_list_names_in_vain_are_told_of(trial, camera):
    draw_photo(camera / "here.jpg")
    (camera / "photos.csv").write_text(
        f"file,survey,plant\nhere.jpg,{SURVEY},A1-1\ngone.jpg,{SURVEY},A1-2\n", encoding="utf-8"
    )
    result = take_in(trial, [camera])
    assert len(result.taken) == 1
    assert reasons(result)["gone.jpg"] == "not found, but line 3 of photos.csv lists it"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("survey,plant\n", "no column file"),
        ("file,plant,colour\n", "column colour"),
        ("file,plant,plant\n", "stands twice"),
    ],
)
def test_a_list_that_is_none_is_refused_and_nothing_taken_in(trial, camera, text, said):
    draw_photo(camera / "A1-1" / "path.jpg")
    (camera / "photos.csv").write_text(text, encoding="utf-8")
    with pytest.raises(PhotoError, match=said):
        take_in(trial, [camera], batch=Batch(survey=SURVEY))
    assert entries(trial) == []


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("IMG.jpg,2026-13-01,A1-1,", "no day of the calendar"),
        ("IMG.jpg,1/7/2026,A1-1,", "write year-month-day"),
        ("IMG.jpg,2026-07-01,A1-1,0", "counted from the base"),
        ("IMG.jpg,2026-07-01,A1-1,2.5", "not a whole number"),
        ("IMG.jpg,2026-07-01,A1-1,1\nIMG.jpg,2026-07-01,A1-2,1", "listed on lines 2 and 3"),
    ],
)
def test_a_bad_row_of_a_list_spoils_only_its_own_photo(trial, camera, row, said):
    draw_photo(camera / "IMG.jpg")
    draw_photo(camera / "other.jpg", seed=1)
    (camera / "photos.csv").write_text(
        f"file,survey,plant,truss\n{row}\nother.jpg,{SURVEY},A2-1,\n", encoding="utf-8"
    )
    result = take_in(trial, [camera])
    assert result.taken["plant"].tolist() == ["A2-1"]
    assert said in reasons(result)["IMG.jpg"]


# ---- the command


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_command_leaves_with_what_became_of_the_photos(trial, camera):
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    assert run("take-in", trial.directory, camera).exit_code == 0
    (camera / SURVEY / "A1-2").mkdir()
    (camera / SURVEY / "A1-2" / "path.jpg").write_bytes(b"")
    assert run("take-in", trial.directory, camera).exit_code == 1
    assert run("take-in", trial.directory, camera / SURVEY / "A1-2").exit_code == 2


def test_the_command_writes_what_it_did_as_json(trial, camera):
    import json

    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    result = run("take-in", trial.directory, camera, "--json", "-")
    told = json.loads(result.stdout)
    assert told["taken"][0]["plant"] == "A1-1"
    assert (told["again"], told["refused"]) == (0, [])


# ---- many photos, and stopped half-way


def many(camera: Path, trial, photos: int = 8) -> Path:
    """Lay out a drawn photo of each of the first plants, tags in some of them."""
    for number, code in enumerate(trial.plants["code"][:photos]):
        path = camera / SURVEY / code / "path.jpg"
        if number % 3:
            draw_photo(path, seed=number)
        else:
            with_tag(path, number, seed=number)
    return camera


def test_one_process_and_two_take_the_same_in(tmp_path, camera):
    one, two = make_trial(tmp_path / "one"), make_trial(tmp_path / "two")
    many(camera, one)
    assert len(take_in(one, [camera], batch=Batch(workers=1)).taken) == 8
    assert len(take_in(two, [camera], batch=Batch(workers=2)).taken) == 8
    assert entries(one) == entries(two)


class Stopped(BaseException):
    """Stands for a program that is stopped in the middle."""


def test_what_was_looked_at_before_it_was_stopped_is_not_looked_at_again(
    tmp_path, trial, camera, monkeypatch
):
    many(camera, trial)
    undisturbed = make_trial(tmp_path / "undisturbed")
    take_in(undisturbed, [camera], batch=Batch(workers=1))

    def stop_after_five(done: int, _: int) -> None:
        if done == 5:
            raise Stopped

    with pytest.raises(Stopped):
        take_in(trial, [camera], batch=Batch(workers=1), progress=stop_after_five)
    assert entries(trial) == []
    with (trial.directory / "photos" / ".taking-in.jsonl").open("a", encoding="utf-8") as notes:
        notes.write('{"of": "cut sho')
    looked_at = []
    monkeypatch.setattr(
        "counting.photos.looking.examine",
        lambda path, wanted: looked_at.append(path) or examine(path, wanted),
    )
    result = take_in(trial, [camera], batch=Batch(workers=1))
    assert len(looked_at) == 3
    assert len(result.taken) == 8
    assert entries(trial) == entries(undisturbed)
    assert not (trial.directory / "photos" / ".taking-in.jsonl").exists()


def test_a_photo_changed_after_it_was_stopped_is_looked_at_again(trial, camera):
    path = draw_photo(camera / SURVEY / "A1-1" / "path.jpg")

    def stop(*_) -> None:
        raise Stopped

    with pytest.raises(Stopped):
        take_in(trial, [camera], progress=stop)
    draw_photo(path, 8, seed=5)
    take_in(trial, [camera])
    assert [body["photo"] for body in entries(trial)] == [sha256_file(path)]


def test_a_link_laid_where_the_notes_are_kept_is_not_followed(tmp_path, trial, camera):
    outside = tmp_path / "outside.txt"
    outside.write_text("untouched")
    (trial.directory / "photos").mkdir()
    (trial.directory / "photos" / ".taking-in.jsonl").symlink_to(outside)
    draw_photo(camera / SURVEY / "A1-1" / "path.jpg")
    assert len(take_in(trial, [camera]).taken) == 1
    assert outside.read_text() == "untouched"


def test_photos_of_guard_plants_are_told(tmp_path, camera):
    trial = make_trial(tmp_path / "guarded", Beds(guards_per_plot=1))
    photos = ("A1-1/path.jpg", "A1-3/path.jpg", "A1-3/wall.jpg", "A2-3/path.jpg")
    for seed, name in enumerate(photos):
        draw_photo(camera / SURVEY / name, seed=seed)
    run = CliRunner().invoke(app, ["take-in", str(trial.directory), str(camera)])
    assert run.exit_code == 0, run.output
    assert "3 show guard plants, which are never counted: A1-3, A2-3." in run.stderr
