"""Published label formats, read into one table."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image as Pillow
from tries import tries

from counting.accuracy.labels import LABELLED_PHOTOS, LABELS, read_labels
from counting.errors import LabelsError

VOC = """<annotation><filename>{photo}</filename>
<size><width>200</width><height>100</height><depth>3</depth></size>
<object><name>red</name><bndbox><xmin>11</xmin><ymin>21</ymin><xmax>30</xmax><ymax>60</ymax>
</bndbox></object></annotation>"""


@pytest.fixture
def photos(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    for name in ("a.png", "b.png"):
        Pillow.new("RGB", (200, 100)).save(folder / name)
    return folder


def _coco(**changes):
    data = {
        "info": {"contributor": "Nobody", "doi": "10.0/none", "license": "CC BY 4.0"},
        "categories": [{"id": 1, "name": "green"}, {"id": 2, "name": "red"}],
        "images": [
            {"id": 1, "file_name": "a.png", "width": 200, "height": 100},
            {"id": 2, "file_name": "b.png", "width": 200, "height": 100},
        ],
        "annotations": [{"id": 7, "image_id": 1, "category_id": 2, "bbox": [10, 20, 20, 40]}],
    }
    return data | changes


def _write(folder, name, text):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text if isinstance(text, str) else json.dumps(text))
    return path


def _box(labelled):
    return labelled.labels[["x", "y", "width", "height"]].to_numpy().tolist()


def test_the_three_formats_give_the_same_table(photos, tmp_path):
    coco = read_labels(photos, _write(tmp_path, "coco.json", _coco()))
    _write(tmp_path, "voc/a.xml", VOC.format(photo="a.png"))
    _write(tmp_path, "voc/b.xml", VOC.format(photo="b.png").split("<object>")[0] + "</annotation>")
    voc = read_labels(photos, tmp_path / "voc")
    _write(tmp_path, "yolo/a.txt", "1 0.1 0.4 0.1 0.4\n")
    _write(tmp_path, "yolo/classes.txt", "green\nred\n")
    yolo = read_labels(photos, tmp_path / "yolo")
    for labelled in (coco, voc, yolo):
        assert list(labelled.photos["photo"]) == ["a.png", "b.png"]
        assert labelled.photos["width"].tolist() == [200, 200]
        assert np.allclose(_box(labelled), [[20, 40, 20, 40]])
        assert labelled.labels["kind"].tolist() == ["red"]
        assert list(labelled.labels.columns) == list(LABELS)
        assert list(labelled.photos.columns) == list(LABELLED_PHOTOS)


def test_the_source_is_taken_from_the_file(photos, tmp_path):
    labelled = read_labels(photos, _write(tmp_path, "coco.json", _coco()))
    assert labelled.source == "Nobody. doi 10.0/none. CC BY 4.0"


def test_photos_without_a_label_stay_in_the_table(photos, tmp_path):
    labelled = read_labels(photos, _write(tmp_path, "coco.json", _coco(annotations=[])))
    assert len(labelled.photos) == 2
    assert len(labelled.labels) == 0
    assert list(labelled.labels.columns) == list(LABELS)


def test_a_name_with_folders_is_found_by_its_last_part(photos, tmp_path):
    images = [{"id": 1, "file_name": "../far/photos/a.png", "width": 200, "height": 100}]
    path = _write(tmp_path, "coco.json", _coco(images=images))
    assert read_labels(photos, path).photos["file"].tolist() == [str(photos / "a.png")]


def test_several_sources_side_by_side_are_one_table_with_the_source_in_each_name(tmp_path):
    for where in ("cellar/photos", "tunnel"):
        (tmp_path / where).mkdir(parents=True)
        for name in ("a.png", "b.png"):
            Pillow.new("RGB", (200, 100)).save(tmp_path / where / name)
    _write(tmp_path, "cellar/labels.json", _coco())
    _write(tmp_path, "tunnel/a.xml", VOC.format(photo="a.png"))
    _write(tmp_path, "notes/readme.md", "No labels here.")
    together = read_labels(tmp_path, tmp_path)
    assert together.photos["photo"].tolist() == ["cellar/a.png", "cellar/b.png", "tunnel/a.png"]
    assert together.photos["file"].tolist()[1:] == [
        str(tmp_path / "cellar/photos/b.png"),
        str(tmp_path / "tunnel/a.png"),
    ]
    assert together.labels["photo"].tolist() == ["cellar/a.png", "tunnel/a.png"]
    assert _box(together) == [[20, 40, 20, 40], [20, 40, 20, 40]]
    assert together.photos.dtypes.astype(str).to_dict() == LABELLED_PHOTOS
    assert "cellar: " in together.source


def test_a_source_whose_photos_are_nowhere_is_refused_by_its_folder(photos, tmp_path):
    _write(tmp_path, "sources/tunnel/labels.json", _coco())
    with pytest.raises(LabelsError, match=r"tunnel.*the photos of this source"):
        read_labels(photos, tmp_path / "sources")


def test_a_sideways_photo_is_measured_upright(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    exif = Pillow.Exif()
    exif[0x0112] = 6
    Pillow.new("RGB", (200, 100)).save(folder / "a.jpg", exif=exif)
    _write(tmp_path, "yolo/a.txt", "0 0.5 0.5 0.1 0.1")
    labelled = read_labels(folder, tmp_path / "yolo")
    assert labelled.photos[["width", "height"]].to_numpy().tolist() == [[100, 200]]


def _label(**changes):
    row = {"id": 7, "image_id": 1, "category_id": 1, "bbox": [0, 0, 1, 1]}
    return {"annotations": [row | changes]}


def _image(**changes):
    row = {"id": 1, "file_name": "a.png", "width": 9, "height": 9}
    return {"images": [row | changes], "annotations": []}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (_label(image_id=9), "image 9"),
        (_label(category_id=5), "category 5"),
        (_label(bbox=[0, 0, 0, 1]), "no area"),
        (_label(bbox=[0, 0, 1]), "not four numbers"),
        (_label(bbox="box"), "not four numbers"),
        (_label(bbox=[0, 0, 1, "x"]), "'x'"),
        (_label(bbox=[0, 0, 1, float("inf")]), "finite"),
        ({"annotations": [{"id": 7, "image_id": 1, "category_id": 1}]}, "no 'bbox'"),
        (_image(file_name="none.png"), "none.png"),
        (_image(width=0), "0 x 9"),
        (_image(width=None), "image 1"),
        ({"images": [], "annotations": []}, "no photo"),
        ({"categories": "red"}, "not a COCO file"),
        ({"annotations": [3]}, "not a COCO file"),
    ],
)
def test_a_broken_coco_file_is_refused_with_the_entry_and_the_reason(
    photos, tmp_path, changes, said
):
    path = _write(tmp_path, "coco.json", _coco(**changes))
    with pytest.raises(LabelsError) as caught:
        read_labels(photos, path)
    assert "coco.json" in str(caught.value)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_text_that_is_not_json_names_the_line(photos, tmp_path):
    with pytest.raises(LabelsError, match="line 2"):
        read_labels(photos, _write(tmp_path, "coco.json", "{\n bad"))


def test_all_faults_of_a_file_are_told_together(photos, tmp_path):
    row = {"image_id": 1, "category_id": 1, "bbox": [0, 0, 0, 0]}
    path = _write(tmp_path, "coco.json", _coco(annotations=[row | {"id": n} for n in range(9)]))
    with pytest.raises(LabelsError, match=r"annotation 0.*annotation 4.*and 4 more"):
        read_labels(photos, path)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("1 0.1 0.4 0.1", "line 1: 4 numbers"),
        ("0 0.1 0.4 0.1 0.4\n9 0.1 0.4 0.1 0.4", "line 2: class 9"),
        ("0 0.1 0.4 0.1 4", "not shares"),
        ("0 0.1 nan 0.1 0.4", "not shares"),
        ("red 0.1 0.4 0.1 0.4", "line 1"),
        ("0 0.1 0.4 0 0.4", "no area"),
    ],
)
def test_a_broken_yolo_file_is_refused_with_its_line(photos, tmp_path, text, said):
    _write(tmp_path, "yolo/a.txt", text)
    _write(tmp_path, "yolo/classes.txt", "green\nred\n")
    with pytest.raises(LabelsError) as caught:
        read_labels(photos, tmp_path / "yolo")
    assert "a.txt" in str(caught.value)
    assert said in str(caught.value)


def test_a_yolo_file_without_a_photo_is_refused(photos, tmp_path):
    _write(tmp_path, "yolo/z.txt", "0 0.1 0.4 0.1 0.4")
    with pytest.raises(LabelsError, match=r"z\.txt: no photo"):
        read_labels(photos, tmp_path / "yolo")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("<annotation>", "no element found"),
        (VOC.format(photo="a.png").replace("<xmax>30", "<xmax>many"), "xmax"),
        (VOC.format(photo="a.png").replace("<xmax>30", "<xmax>3"), "no area"),
        (VOC.format(photo="a.png").replace("<width>200</width>", ""), "size/width"),
        (VOC.format(photo="gone.png"), "gone.png"),
        ('<!DOCTYPE a [<!ENTITY b "c">]>' + VOC.format(photo="a.png"), "entities"),
    ],
)
def test_a_broken_voc_file_is_refused_with_its_name(photos, tmp_path, text, said):
    _write(tmp_path, "voc/a.xml", text)
    with pytest.raises(LabelsError, match=said):
        read_labels(photos, tmp_path / "voc")


def test_missing_labels_and_folders_are_refused(photos, tmp_path):
    with pytest.raises(LabelsError, match="not found"):
        read_labels(photos, tmp_path / "none.json")
    with pytest.raises(LabelsError, match="no such folder"):
        read_labels(tmp_path / "none", tmp_path / "none.json")
    (tmp_path / "empty").mkdir()
    with pytest.raises(LabelsError, match="no labels in this folder"):
        read_labels(photos, tmp_path / "empty")


def test_a_line_end_in_a_label_s_number_leaves_the_message_on_one_line(photos):
    data = {"images": [], "annotations": [{"id": "a\nb\u2028c"}], "categories": []}
    path = _write(photos.parent, "coco.json", json.dumps(data))
    with pytest.raises(LabelsError, match="annotation a b c: no 'image_id'"):
        read_labels(photos, path)


anything = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=9),
    lambda part: (
        st.lists(part, max_size=3) | st.dictionaries(st.text(max_size=9), part, max_size=3)
    ),
    max_leaves=6,
)
rows = st.lists(
    st.dictionaries(
        st.sampled_from(["id", "image_id", "category_id", "bbox", "file_name", "width", "height"]),
        anything | st.lists(st.floats(), min_size=4, max_size=4),
    ),
    max_size=3,
)


def _fuzz_coco(photos, data):
    path = _write(photos.parent, "coco.json", json.dumps(data))
    labelled, reason = _try(photos, path)
    assert "\n" not in reason
    if labelled:
        assert np.isfinite(labelled.labels[["x", "y", "width", "height"]]).all(axis=None)
    else:
        assert reason


def _try(photos, path):
    try:
        return read_labels(photos, path), ""
    except LabelsError as error:
        return None, str(error)


fuzz = {"deadline": None, "suppress_health_check": [HealthCheck.function_scoped_fixture]}
coco_like = anything | st.fixed_dictionaries(
    {"images": rows | anything, "annotations": rows | anything, "categories": rows | anything}
)


@settings(max_examples=tries(150, 10_000), **fuzz)
@given(coco_like)
def test_whatever_json_comes_it_is_read_or_refused_in_one_line(photos, data):
    _fuzz_coco(photos, data)


@settings(max_examples=150, **fuzz)
@given(st.text(max_size=60) | st.text(alphabet="0123456789. -e\n", max_size=60))
def test_whatever_text_comes_it_is_read_or_refused_in_one_line(photos, text):
    for name in ("yolo/a.txt", "voc/a.xml"):
        path = photos.parent / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        labelled, reason = _try(photos, path.parent)
        assert labelled or reason
        assert "\n" not in reason


def test_the_labelled_tomato_photos_hold_663_fruit():
    folder = Path("../shared/labelled-photos/tomato")
    if not folder.is_dir():
        pytest.skip("needs the labelled tomato photos: doi 10.17632/8h3s6jkyff")
    labelled = read_labels(folder / "photos", folder / "labels.json")
    assert (len(labelled.photos), len(labelled.labels)) == (40, 663)
    assert set(labelled.labels["kind"]) == {"green", "red"}
    assert "10.17632/8h3s6jkyff" in labelled.source


def test_a_list_of_licences_that_is_no_list_is_passed_over(photos, tmp_path):
    labels = _coco(info={"description": "invented"}, licenses=True)
    labelled = read_labels(photos, _write(tmp_path, "coco.json", labels))
    assert labelled.source == "invented"
