"""Figures of accuracy, against pycocotools and published worked examples."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pycocotools.coco import COCO
from pycocotools.cocoeval import COCOeval

from counting.accuracy.labels import LABELLED_PHOTOS, LABELS, Labelled
from counting.accuracy.marked import BOX, Seen, mark
from counting.accuracy.score import average_precision, calibration, score
from counting.finding.boxes import overlap
from counting.finding.matching import FREE, match_by_centre, match_by_overlap
from counting.tables import frame

# Padilla, Netto & da Silva (2020) IWSSIP, "A survey on performance metrics for object-detection
# algorithms", doi 10.1109/IWSSIP48289.2020.9145130; the worked example of their public repository:
# 7 photos, 15 labels, 24 candidates. Boxes are left, top, width, height; candidates lead with
# their confidence.
PADILLA_LABELS = {
    "1": [[25, 16, 38, 56], [129, 123, 41, 62]],
    "2": [[123, 11, 43, 55], [38, 132, 59, 45]],
    "3": [[16, 14, 35, 48], [123, 30, 49, 44], [99, 139, 47, 47]],
    "4": [[53, 42, 40, 52], [154, 43, 31, 34]],
    "5": [[59, 31, 44, 51], [48, 128, 34, 52]],
    "6": [[36, 89, 52, 76], [62, 58, 44, 67]],
    "7": [[28, 31, 55, 63], [58, 67, 50, 58]],
}
PADILLA_CANDIDATES = {
    "1": [[0.88, 5, 67, 31, 48], [0.7, 119, 111, 40, 67], [0.8, 124, 9, 49, 67]],
    "2": [[0.71, 64, 111, 64, 58], [0.54, 26, 140, 60, 47], [0.74, 19, 18, 43, 35]],
    "3": [
        [0.18, 109, 15, 77, 39],
        [0.67, 86, 63, 46, 45],
        [0.38, 160, 62, 36, 53],
        [0.91, 105, 131, 47, 47],
        [0.44, 18, 148, 40, 44],
    ],
    "4": [
        [0.35, 83, 28, 28, 26],
        [0.78, 28, 68, 42, 67],
        [0.45, 87, 89, 25, 39],
        [0.14, 10, 155, 60, 26],
    ],
    "5": [
        [0.62, 50, 38, 28, 46],
        [0.44, 95, 11, 53, 28],
        [0.95, 29, 131, 72, 29],
        [0.23, 29, 163, 72, 29],
    ],
    "6": [[0.45, 43, 48, 74, 38], [0.84, 17, 155, 29, 35], [0.43, 95, 110, 25, 42]],
    "7": [[0.48, 16, 20, 101, 88], [0.95, 33, 116, 37, 49]],
}
PADILLA_HITS = [1, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0]
PADILLA_CONFIDENCE = [0.95, 0.95, 0.91, 0.88, 0.84, 0.8, 0.78, 0.74, 0.71, 0.7, 0.67, 0.62]
PADILLA_CONFIDENCE += [0.54, 0.48, 0.45, 0.45, 0.44, 0.44, 0.43, 0.38, 0.35, 0.23, 0.18, 0.14]


def _row(photo, left, top, width, height, **more):
    x, y = left + width / 2, top + height / 2
    return {"photo": photo, "x": x, "y": y, "width": width, "height": height, **more}


def _labelled(labels, photos):
    rows = [{"photo": photo, "file": photo, "width": 200, "height": 200} for photo in photos]
    return Labelled(frame(rows, LABELLED_PHOTOS), frame(labels, LABELS), "")


def _seen(rows, low=0.0, high=99.0, seconds=0.1):
    table = pd.DataFrame(rows, columns=[*BOX, "confidence"]).astype("float64")
    return Seen(table, float(len(rows)), low, high, seconds)


def _case(labels, candidates):
    """Labels as {photo: [left, top, width, height, crowd?]}, candidates led by confidence."""
    rows = [
        _row(photo, *box[:4], kind="fruit", crowd=bool(box[4:] and box[4]))
        for photo, boxes in labels.items()
        for box in boxes
    ]
    seen = {
        photo: _seen([_row(photo, *box[1:], confidence=box[0]) for box in boxes])
        for photo, boxes in candidates.items()
    }
    return _labelled(rows, list(candidates)), seen


def _coco_ap(labels, candidates, iou):
    """Average precision at one overlap by pycocotools, without its limit of 100 per photo."""
    photos = {photo: number for number, photo in enumerate(candidates, start=1)}
    truth, number = [], 0
    for photo, boxes in labels.items():
        for box in boxes:
            number += 1
            truth.append(
                {
                    "id": number,
                    "image_id": photos[photo],
                    "category_id": 1,
                    "bbox": list(map(float, box[:4])),
                    "area": float(box[2] * box[3]),
                    "iscrowd": int(bool(box[4:] and box[4])),
                }
            )
    found = [
        {
            "image_id": photos[photo],
            "category_id": 1,
            "bbox": list(map(float, box[1:])),
            "score": box[0],
        }
        for photo, boxes in candidates.items()
        for box in boxes
    ]
    with contextlib.redirect_stdout(io.StringIO()):
        coco = COCO()
        coco.dataset = {
            "images": [{"id": n} for n in photos.values()],
            "annotations": truth,
            "categories": [{"id": 1, "name": "fruit"}],
        }
        coco.createIndex()
        judge = COCOeval(coco, coco.loadRes(found), "bbox")
        judge.params.iouThrs = np.array([iou])
        judge.params.maxDets = [100_000]
        judge.params.areaRng, judge.params.areaRngLbl = [[0, 1e10]], ["all"]
        judge.evaluate()
        judge.accumulate()
    return float(judge.eval["precision"].mean())


def test_the_worked_list_of_padilla_et_al_gives_its_published_average_precision():
    hits, confidence = np.array(PADILLA_HITS, bool), np.array(PADILLA_CONFIDENCE)
    # published: 24.56 % over all points
    every = average_precision(confidence, hits, 15, read_at="all points")
    assert every == pytest.approx(0.2456867, abs=1e-6)
    assert average_precision(confidence, hits, 15) == pytest.approx(0.2481602, abs=1e-6)


def test_the_worked_boxes_of_padilla_et_al_agree_with_pycocotools_at_an_overlap_of_a_half():
    labelled, seen = _case(PADILLA_LABELS, PADILLA_CANDIDATES)
    figures = score(mark(labelled, seen), 0.5)
    # 1 hit and 0.0231023 by pycocotools 2.0.11
    assert figures.ap50 == pytest.approx(0.0231023, abs=1e-6)
    assert figures.ap50 == pytest.approx(
        _coco_ap(PADILLA_LABELS, PADILLA_CANDIDATES, 0.5), abs=1e-6
    )


def test_at_an_overlap_of_0_3_edges_are_continuous_so_one_published_hit_is_none():
    hits = 0
    for photo, boxes in PADILLA_CANDIDATES.items():
        found = np.array([_centre(box[1:]) for box in boxes])
        truth = np.array([_centre(box) for box in PADILLA_LABELS[photo]])
        confidence = np.array([box[0] for box in boxes])
        hits += int((match_by_overlap(found, confidence, truth, iou=0.3) != FREE).sum())
    # published 7, with boxes taken one pixel larger; 6 with continuous edges, as in COCO
    assert hits == 6


def _centre(box):
    left, top, width, height = map(float, box)
    return [left + width / 2, top + height / 2, width, height]


whole = st.integers(0, 60)
side = st.integers(1, 60)
boxes = st.tuples(whole, whole, side, side)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.lists(st.tuples(boxes, st.booleans()), max_size=6), min_size=1, max_size=3),
    st.lists(st.lists(st.tuples(st.integers(1, 99), boxes), max_size=8), min_size=3, max_size=3),
    st.data(),
)
def test_average_precision_agrees_with_pycocotools(truth, found, data):
    labels = {
        str(n): [[*box, crowd and data.draw(st.booleans())] for box, crowd in photo]
        for n, photo in enumerate(truth)
    }
    candidates = {str(n): [[sure / 100, *box] for sure, box in found[n]] for n in range(len(truth))}
    labelled, seen = _case(labels, candidates)
    figures = score(mark(labelled, seen), 0.5)
    if figures.labelled == 0:
        assert figures.ap50 is None
    elif not any(candidates.values()):
        assert figures.ap50 == 0
    else:
        assert figures.ap50 == pytest.approx(_coco_ap(labels, candidates, 0.5), abs=1e-6)


@given(st.lists(boxes, max_size=8), st.lists(boxes, max_size=8))
def test_no_label_is_given_twice_and_every_pair_overlaps_enough(found, truth):
    one = np.array([_centre(box) for box in found]).reshape(-1, 4)
    two = np.array([_centre(box) for box in truth]).reshape(-1, 4)
    confidence = np.linspace(1, 0, len(one))
    for partner in (
        match_by_overlap(one, confidence, two),
        match_by_centre(one, confidence, two),
    ):
        taken = partner[partner != FREE]
        assert len(set(taken)) == len(taken)
    partner = match_by_overlap(one, confidence, two)
    shared = overlap(one, two)
    assert all(shared[row, column] >= 0.5 for row, column in enumerate(partner) if column != FREE)


def test_a_centre_takes_the_nearest_free_label_and_the_more_confident_chooses_first():
    labels = np.array([[10.0, 10, 20, 20], [14, 10, 20, 20]])
    candidates = np.array([[13.0, 10, 4, 4], [13.5, 10, 4, 4], [13.2, 10, 4, 4]])
    partner = match_by_centre(candidates, np.array([0.5, 0.9, 0.4]), labels)
    assert partner.tolist() == [0, 1, FREE]


def test_a_small_candidate_inside_a_large_label_is_a_hit_by_centre_only():
    labelled, seen = _case({"a": [[0, 0, 100, 100]]}, {"a": [[0.9, 40, 40, 20, 20]]})
    figures = score(mark(labelled, seen), 0.5)
    assert (figures.matched, figures.f1, figures.f1_centre) == (0, 0, 1)
    assert figures.corrections_per_100 == 0


def test_counts_and_shares_are_those_reckoned_by_hand():
    labels = {"a": [[0, 0, 10, 10], [50, 50, 10, 10]], "b": [[0, 0, 50, 50]], "c": []}
    candidates = {
        "a": [[0.9, 0, 0, 10, 10], [0.2, 50, 50, 10, 10]],
        "b": [[0.8, 0, 0, 50, 50], [0.7, 100, 100, 50, 50]],
        "c": [],
    }
    labelled, seen = _case(labels, candidates)
    figures = score(mark(labelled, seen), 0.5)
    assert (figures.photos, figures.labelled, figures.proposed, figures.matched) == (3, 3, 3, 2)
    assert figures.precision == figures.recall == figures.f1 == pytest.approx(2 / 3)
    # labelled 2, 1, 0; proposed 1, 2, 0
    assert figures.count_mae == pytest.approx(2 / 3)
    assert figures.count_bias == 0
    assert figures.count_r2 == pytest.approx(1 - 2 / 2)
    assert figures.corrections_per_100 == pytest.approx(100 * 2 / 3)
    assert figures.by_size["small"]["labelled"] == 2
    assert figures.by_size["small"]["recall"] == 0.5
    assert figures.by_size["medium"]["recall"] == 1
    assert figures.by_size["large"]["recall"] is None
    assert figures.by_size["medium"]["precision"] == 0.5
    share = pytest.approx(2 / 3)
    assert figures.by_class == {"fruit": {"labelled": 3, "recall": share, "recall_centre": share}}
    assert [row["corrections"] for row in figures.by_photo] == [1, 1, 0]


def test_coverage_is_the_share_of_photos_whose_labels_lie_in_the_interval():
    labelled = _labelled([_row("a", 0, 0, 9, 9, kind="k", crowd=False)], ["a", "b"])
    seen = {"a": _seen([], low=1, high=2), "b": _seen([], low=0.5, high=2)}
    assert score(mark(labelled, seen), 0.5).interval_coverage == 0.5


def test_no_photo_at_all_gives_figures_that_are_empty_not_an_error():
    figures = score([], 0.5)
    assert figures.photos == figures.labelled == 0
    assert figures.ap50 is None
    assert figures.by_class == {}
    json.dumps(figures.to_json(), allow_nan=False)


def test_the_json_has_the_keys_that_outside_checks_read():
    wanted = "photos labelled proposed matched precision recall f1 precision_centre recall_centre "
    wanted += "f1_centre ap50 threshold count_mae count_bias count_r2 corrections_per_100 "
    wanted += "interval_coverage total_bias flagged seconds_per_photo by_class by_size by_photo"
    assert list(score([], 0.5).to_json()) == wanted.split()


def test_a_crowd_region_is_neither_hit_nor_miss():
    labelled, seen = _case({"a": [[0, 0, 100, 100, True]]}, {"a": [[0.9, 10, 10, 20, 20]]})
    figures = score(mark(labelled, seen), 0.5)
    assert (figures.labelled, figures.proposed) == (0, 0)


def test_calibration_of_honest_confidences_has_no_error():
    rows = [[0.75, 40 * n, 0, 10, 10] for n in range(4)]
    labelled, seen = _case({"a": [[40 * n, 0, 10, 10] for n in range(3)]}, {"a": rows})
    table, error = calibration(mark(labelled, seen))
    assert table[["candidates", "share"]].to_numpy().tolist() == [[4, 0.75]]
    assert error == pytest.approx(0)
    none, nothing = calibration([])
    assert len(none) == 0
    assert nothing is None


def test_the_figures_above_are_those_of_the_reference_file_when_it_is_here():
    path = Path("../shared/references.json")
    if not path.is_file():
        pytest.skip("the collected references are not on this machine")
    known = {row["id"]: row for row in json.loads(path.read_text())}
    assert known["padilla-ap-list"]["data"]["ranked_tp"] == PADILLA_HITS
    assert known["padilla-ap-boxes"]["data"]["ground_truth"] == PADILLA_LABELS
    assert known["padilla-ap-boxes"]["data"]["detections"] == PADILLA_CANDIDATES
