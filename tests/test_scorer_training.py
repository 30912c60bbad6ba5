"""The making of the learned scorer."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import cv2
import numpy as np
import pytest

PHOTOS = Path(__file__).parents[2] / "shared" / "labelled-photos"


torch = pytest.importorskip("torch", reason="training needs the extra `train` (torch)")
augment = pytest.importorskip("counting.training.crops.augment")
losses = pytest.importorskip("counting.training.losses")
material = pytest.importorskip("counting.training.material")
measure = pytest.importorskip("counting.training.measure")
network = pytest.importorskip("counting.training.network")
teach = pytest.importorskip("counting.training.teach")
train = pytest.importorskip("counting.training.train")


def disc_photo(rng, number, size=160):
    """A made-up photo: red discs on mottled green, boxes known."""
    image = rng.normal((60, 110, 50), 12, (size, size, 3)).clip(0, 255).astype(np.uint8)
    boxes = []
    for x, y in ((45, 50), (110, 100)):
        radius = int(rng.integers(14, 24))
        cv2.circle(image, (x, y), radius, (200, 40, 30), -1)
        boxes.append((x - radius, y - radius, 2 * radius, 2 * radius))
    unsure = np.zeros(len(boxes), bool)
    return material.LabelledPhoto(
        f"made/{number}", 0, 0, image, np.array(boxes, np.float32), unsure
    )


@pytest.fixture
def sampler():
    """Crops from made-up photos."""
    rng = np.random.default_rng(2)
    photos = [disc_photo(rng, n) for n in range(4)] + material.plain_photos(rng, 2)
    store = material.lay_out(photos, 1, torch.device("cpu"))
    recipe = augment.Recipe(size=96, sides=((96, 224),) * 11)
    return augment.Sampler(store, recipe, seed=3)


def test_crops_come_as_whole_numbers_with_boxes_inside_them(sampler):
    batch = sampler.draw(16)
    assert batch.photos.shape == (16, 3, 96, 96)
    assert torch.equal(batch.photos, batch.photos.round())
    real = batch.boxes[batch.state > 0]
    assert len(real) > 8
    assert real.min() >= 0
    assert real.max() <= 96


def test_a_crop_without_any_change_shows_the_label_where_the_disc_is():
    rng = np.random.default_rng(4)
    store = material.lay_out([disc_photo(rng, 0)], 1, torch.device("cpu"))
    maps = torch.tensor([[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]])
    recipe = augment.Recipe(size=160)
    window = torch.tensor([[0.0, 0.0, 160.0, 160.0]])
    sampler = augment.Sampler(store, recipe, seed=1)
    boxes, state = sampler._place(torch.tensor([0]), maps, window)
    assert state[0].tolist()[:3] == [1, 1, 0]
    x0, y0, x1, y1 = boxes[0, 0].tolist()
    whole = disc_photo(np.random.default_rng(4), 0)
    assert (x0, y0, x1 - x0, y1 - y0) == pytest.approx(tuple(whole.boxes[0]), abs=1e-3)


def test_a_box_marked_unsure_is_neither_rewarded_nor_blamed():
    photo = disc_photo(np.random.default_rng(4), 0)
    photo = dataclasses.replace(photo, unsure=np.array([False, True]))
    store = material.lay_out([photo], 1, torch.device("cpu"))
    sampler = augment.Sampler(store, augment.Recipe(size=160), seed=1)
    maps = torch.tensor([[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]])
    window = torch.tensor([[0.0, 0.0, 160.0, 160.0]])
    _, state = sampler._place(torch.tensor([0]), maps, window)
    assert state[0].tolist()[:3] == [1, 2, 0]


def test_fruit_of_other_photos_are_pasted_in_with_their_boxes():
    rng = np.random.default_rng(2)
    store = material.lay_out([disc_photo(rng, n) for n in range(4)], 1, torch.device("cpu"))
    recipe = augment.Recipe(size=96, sides=((160, 160),) * 11, fruit=1.0)
    sampler = augment.Sampler(store, recipe, seed=3)
    none = torch.zeros(64, 1, dtype=torch.long)
    boxes, state, layers = sampler._fruit(torch.zeros(64, 1, 4), none)
    laid = layers.shapes[..., 2] > 0
    assert 0.4 < laid.float().mean() < 0.8
    assert not state[~laid].any()
    assert {1, 2} >= set(state[laid].tolist())
    # What shows in the middle of a pasted fruit is the middle of the disc it was cut from.
    middle = layers.shapes[..., :2]
    shown = (layers.maps[..., :2] * middle[..., None, :]).sum(-1) + layers.maps[..., 2]
    source = store.boxes[layers.photo][..., :2, :2]
    away = (shown[:, :, None] - source).norm(dim=-1).amin(-1)
    assert away[laid].max() < 1e-2
    whole = laid & (boxes[..., :2] > 0).all(-1) & (boxes[..., 2:] < 96).all(-1)
    width = (boxes[..., 2] - boxes[..., 0])[whole]
    assert torch.allclose(width * augment.CUT, 2 * layers.shapes[..., 2][whole], atol=1e-3)


def test_a_crop_comes_with_a_clean_copy_for_a_teacher(sampler):
    finer = dataclasses.replace(sampler.recipe, size=160, finer=1.4)
    batch = augment.Sampler(sampler.store, finer, seed=3).draw(4)
    assert batch.clean.shape == (4, 3, 224, 224)
    assert batch.photos.shape == (4, 3, 160, 160)
    assert batch.boxes[batch.state > 0].max() <= 160


def test_a_pupil_that_sees_what_its_teacher_sees_has_nothing_to_learn_but_the_overlap():
    score = torch.rand(2, 8, 8) * 0.9 + 0.05
    sides, quality = torch.randn(2, 4, 8, 8), torch.rand(2, 8, 8)
    taught = (score, sides, quality)
    same = (torch.logit(score)[:, None], sides, torch.logit(quality)[:, None])
    least = teach.teaching(same, taught)
    shown = torch.where(score > teach.SHOWN, score, 0.0)
    known = torch.nn.functional.binary_cross_entropy(quality, quality, reduction="none")
    want = losses.WEIGHTS["quality"] * (known * shown).sum() / shown.sum()
    assert least.item() == pytest.approx(want.item(), abs=1e-4)
    moved = (same[0] + 1, sides + 0.2, same[2])
    assert teach.teaching(moved, taught) > least + 0.1


def test_a_teacher_looks_twice_and_tells_at_the_size_of_the_crop():
    torch.manual_seed(1)
    clean = torch.rand(2, 3, 224, 224) * 255
    with torch.no_grad():
        score, sides, quality = teach.Teacher(network.Scorer())(clean)
    assert score.shape == quality.shape == (2, 40, 40)
    assert sides.shape == (2, 4, 40, 40)
    assert 0 < score.min() <= score.max() < 1


def test_rendered_photos_are_read_with_the_marks_a_person_could_argue_about(tmp_path):
    (tmp_path / "photos").mkdir()
    cv2.imwrite(str(tmp_path / "photos" / "a.jpg"), np.full((40, 60, 3), 90, np.uint8))
    marks = [
        {"id": 1, "image_id": 1, "category_id": 1, "bbox": [2, 3, 10, 12], "iscrowd": 0},
        {"id": 2, "image_id": 1, "category_id": 1, "bbox": [30, 5, 8, 8], "iscrowd": 1},
    ]
    images = [{"id": 1, "file_name": "a.jpg", "width": 60, "height": 40}]
    kinds = [{"id": 1, "name": "tomato"}]
    table = {"images": images, "annotations": marks, "categories": kinds}
    (tmp_path / "labels.json").write_text(json.dumps(table), encoding="utf-8")
    (photo,) = material.rendered_photos(tmp_path)
    assert photo.domain == material.RENDERED
    assert photo.fold == -1
    assert photo.boxes.tolist() == [[2, 3, 10, 12], [30, 5, 8, 8]]
    assert photo.unsure.tolist() == [False, True]


def test_the_encoder_takes_over_every_pretrained_weight(tmp_path):
    encoder, other = network.Encoder(), network.Encoder()
    theirs = {}
    for name, value in encoder.state_dict().items():
        place, number, part = name.rsplit(".", 2)
        owner, _, layer = place.rpartition(".")
        block = owner.replace("blocks.", "_blocks.")
        convolution = {"stem": "_conv_stem", "widen": "_expand_conv"}.get(layer, f"_{layer}_conv")
        normalisation = {"stem": "_bn0", "widen": "_bn0", "depthwise": "_bn1"}.get(layer, "_bn2")
        key = convolution if number == "0" else normalisation
        theirs[f"{block}.{key}.{part}" if block else f"{key}.{part}"] = value
    torch.save(theirs, tmp_path / "weights.pth")
    network.start_from(other, tmp_path / "weights.pth")
    photo = torch.rand(1, 3, 64, 96) * 255
    for mine, given in zip(encoder.eval()(photo), other.eval()(photo), strict=True):
        assert torch.equal(mine, given)


def test_the_centre_map_is_one_at_the_label_and_its_box_is_drawn_there():
    boxes = torch.tensor([[[16.0, 24.0, 48.0, 64.0], [0.0, 0.0, 0.0, 0.0]]])
    centre, judged, sides, weight = losses.targets(boxes, torch.tensor([[1, 0]]), 24, 24)
    assert centre[0, 11, 8] == 1
    assert (centre == 1).sum() == 1
    assert judged.all()
    assert sides[0, :, 11, 8].tolist() == pytest.approx([4.5, 5.5, 3.5, 4.5])
    assert weight.sum().item() == pytest.approx(1, abs=1e-5)


def test_a_fruit_hidden_too_far_is_neither_rewarded_nor_blamed():
    boxes = torch.tensor([[[16.0, 24.0, 48.0, 64.0]]])
    centre, judged, _, weight = losses.targets(boxes, torch.tensor([[2]]), 24, 24)
    assert centre.max() == 0
    assert weight.max() == 0
    assert judged[0, 11, 8] == 0
    assert judged[0, 0, 0] == 1


def test_generalised_overlap_is_one_for_equal_boxes_and_below_for_others():
    same = torch.tensor([[2.0, 2.0, 2.0, 2.0]])
    wide = torch.tensor([[2.0, 2.0, 6.0, 2.0]])
    assert losses.overlap(same, same)[1].item() == pytest.approx(1)
    share, general = losses.overlap(same, wide)
    assert share.item() == pytest.approx(0.5)
    assert general.item() == pytest.approx(0.5)


def test_figures_of_a_set_are_those_of_the_accuracy_room():
    # Hits, in order of confidence: yes, no, yes; of two labels. Precision is 1 up to a recall of
    # one half (51 of the 101 recalls) and 2/3 from there (50 of them).
    photo = disc_photo(np.random.default_rng(4), 0)
    low, side = photo.boxes[:, :2], photo.boxes[:, 2:]
    places = np.hstack([low + side / 2, side]).astype(float)
    boxes = np.vstack([places[0], [20, 140, 10, 10], places[1]])
    found = {photo.name: (boxes, np.array([0.9, 0.8, 0.7]))}
    told = measure.figures([photo], found, 0.75)["tomato"]
    assert told["ap50"] == pytest.approx((51 + 50 * 2 / 3) / 101)
    assert told["precision"] == told["recall"] == told["f1"] == told["f1_centre"] == 0.5
    assert told["f1_best"] == pytest.approx(0.8)
    assert told["best_at"] == 0.7
    assert (told["mae"], told["bias"]) == (0, 0)
    assert "ap50 0.8" in measure.as_text({"tomato": told})


def test_maps_are_read_as_the_shipped_scorer_reads_them():
    maps = np.zeros((7, 24, 32), np.float32)
    maps[2:6], maps[0, 10, 12], maps[1], maps[6, 10, 12] = 2.0, 0.9, 0.5, 0.8
    boxes, sure = measure.propose(lambda photo: maps, np.zeros((96, 128, 3), np.uint8), 128)
    assert boxes.tolist() == [[50, 42, 16, 16]]
    assert sure.tolist() == pytest.approx([0.8])


def test_the_learning_rate_falls_twice():
    at = [train.share_of_rate(m) for m in (0.01, train.SECOND - 1e-6, train.SECOND + 0.05, 1.0)]
    assert at[0] > 0.9
    assert at[1] < 0.02
    assert at[2] > 0.9
    assert at[3] < 0.02


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of the exporter's own making
def test_opencv_and_torch_give_the_same_maps(tmp_path):
    pytest.importorskip("onnx", reason="writing ONNX needs the extra `train` (onnx)")
    torch.manual_seed(1)
    made = network.Scorer()
    with torch.no_grad():
        network.fused(made)
        for weights in made.parameters():
            if weights.numel() >= network.WORTH_HALVING:
                weights.copy_(weights.half().float())
        photo = torch.randint(0, 256, (1, 3, 96, 128)).float()
        want = network.Shipped(made).eval()(photo)[0].numpy()
    network.write_onnx(made, tmp_path / "made.onnx")
    maps = photo.numpy()
    for part in ("made-front.onnx", "made.onnx"):
        net = cv2.dnn.readNetFromONNX(str(tmp_path / part))
        net.setInput(maps)
        maps = net.forward()
    assert np.abs(maps[0] - want).max() < 1e-3


@pytest.mark.slow
def test_a_short_run_learns_to_find_discs(sampler):
    torch.manual_seed(1)
    torch.set_num_threads(2)
    scorer = network.Scorer()
    optimiser = torch.optim.AdamW(scorer.parameters(), 2e-3)
    shares = []
    for _ in range(60):
        batch = sampler.draw(8)
        total, _ = losses.loss(scorer(batch.photos), batch.boxes, batch.state)
        optimiser.zero_grad()
        total.backward()
        optimiser.step()
        shares.append(total.item())
    assert np.mean(shares[-10:]) < 0.7 * np.mean(shares[:10])


@pytest.mark.skipif(not PHOTOS.is_dir(), reason="the labelled photos aren't beside the project")
def test_every_labelled_photo_has_a_fold():
    photos = material.read_photos(PHOTOS, most=3)
    assert {p.fold for p in photos} <= {0, 1, 2}
    assert {p.domain for p in photos} == set(range(9))
