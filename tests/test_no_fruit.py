"""What is no fruit: sample pictures that come with scikit-image and matplotlib, faces and textures.

Nothing is fetched. Not tested, since it fails (`fixtures/render/FIGURES.md`): cups, eyes of cats,
lamps, and the petals of a dahlia, which are taken for fruit.
"""

from pathlib import Path

import matplotlib as mpl
import pytest
import skimage

from counting.finding.candidates import LONG_SIDE_READ, find
from counting.photos.image import load_image
from counting.settings import Settings, reaches

SAMPLES = Path(skimage.__file__).parent / "data"
PORTRAITS = Path(mpl.get_data_path()) / "sample_data"


@pytest.mark.parametrize(
    ("picture", "face"),
    [
        (SAMPLES / "astronaut.png", (150, 10, 305, 215)),
        (PORTRAITS / "grace_hopper.jpg", (140, 20, 365, 330)),
    ],
)
def test_no_candidate_lies_on_a_face(picture: Path, face: tuple[int, int, int, int]):
    image, settings = load_image(picture, long_side=LONG_SIDE_READ), Settings()
    seen = find(image, settings).candidates
    left, top, right, bottom = face
    there = seen[seen["x"].between(left, right) & seen["y"].between(top, bottom)]
    assert not reaches(there["confidence"].to_numpy(), settings.threshold).any()


@pytest.mark.parametrize("picture", ["grass.png", "gravel.png", "brick.png", "rocket.jpg"])
def test_grass_stones_and_sky_bear_nothing(picture: str):
    seen = find(load_image(SAMPLES / picture, long_side=LONG_SIDE_READ), Settings())
    assert (seen.proposed, seen.count) == (0, 0.0)
