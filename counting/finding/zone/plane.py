"""The row as an upright plane in the camera's space, from the tags that stand along it.

All lengths are mm. The camera's space has x to the right, y down, z away from the camera. The
focal length is taken as nominal, as for the tag's scale; a row is measured by the same tags, so
that an error of it moves plants and fruit alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from counting.photos.tags.reader import FOCAL
from counting.plan.card import CARD, MARKER

__all__ = ["RowPlane", "TagSeen", "plane_of"]

Array = NDArray[np.float64]

_TURNED_SD = 0.15
"""How far a tag is turned from the row's direction, radians: sticks and strings turn, and a small
marker that faces the camera tells its tilt poorly (drawn rows)."""
_DEPTH_SD = 0.01
"""Share by which the distance to a tag is off: 0.1 px of a marker 40 px wide, on both sides."""
_LEANS_SD = 0.04
"""How far a tag, and how far a phone, leans sideways, radians (drawn rows)."""
_MIDDLE_OF_CARD = np.array(
    [
        CARD.x + CARD.width / 2 - MARKER.x - MARKER.width / 2,
        CARD.y + CARD.height / 2 - MARKER.y - MARKER.height / 2,
        0.0,
    ]
)
"""From the marker's middle to the card's, mm: right and down along the card."""


@dataclass(frozen=True, slots=True)
class TagSeen:
    """A tag as the zone needs it.

    Attributes
    ----------
    plant : str
        The plant that it names.
    corners : tuple of 4 points
        Outer corners of the marker in px of the full-size photo: top left, top right, bottom
        right, bottom left.
    position : int or None
        Where its plant stands in the row, by the plan; None where no plan says so.
    """

    plant: str
    corners: tuple[tuple[float, float], ...]
    position: int | None = None


@dataclass(frozen=True, slots=True)
class RowPlane:
    """An upright plane along the row, through the photo's own tag.

    Attributes
    ----------
    origin : (3,) ndarray of float
        Middle of the own tag's card in the camera's space, mm.
    along, up : (3,) ndarray of float
        Directions of length 1: along the row, to the right in the photo, and upwards.
    focal : float
        px.
    middle : (2,) ndarray of float
        Middle of the photo, px.
    tags : (T,) ndarray of float
        Where the tags stand along the row, mm to the right of the own one, which is the first.
    """

    origin: Array
    along: Array
    up: Array
    focal: float
    middle: Array
    tags: Array

    def of_photo(self, places: Array) -> Array:
        """Return where the line of sight through places meets the plane.

        Parameters
        ----------
        places : (N, 2) ndarray of float
            px of the full-size photo.

        Returns
        -------
        (N, 4) ndarray of float
            mm along the row and mm upwards from the own tag; distance along the camera's axis,
            mm; and how many mm along the row the place moves if the fruit stands 1 mm nearer
            than the plane. NaN where the line of sight never meets the plane before the camera.
        """
        sight = np.column_stack([(places - self.middle) / self.focal, np.ones(len(places))])
        normal = np.cross(self.along, self.up)
        facing = sight @ normal
        with np.errstate(divide="ignore", invalid="ignore"):
            far = (self.origin @ normal) / facing
        far = np.where(far > 0, far, np.nan)
        offset = sight * far[:, None] - self.origin
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = (sight @ self.along) / facing
        return np.column_stack([offset @ self.along, offset @ self.up, far, np.abs(slope)])

    def to_photo(self, along: Array, up: Array) -> Array:
        """Return where points of the plane lie in the photo, px, shape (N, 2)."""
        points = self.origin + np.outer(along, self.along) + np.outer(up, self.up)
        far = np.maximum(points[:, 2:], 1.0)
        return np.asarray(points[:, :2] / far * self.focal + self.middle)


def plane_of(tags: Sequence[TagSeen], size: tuple[int, int]) -> RowPlane:
    """Lay the row's plane through the tags of a photo.

    Parameters
    ----------
    tags : sequence of TagSeen
        The photo's own first; at least one.
    size : (int, int)
        Width and height of the full-size photo, px.
    """
    focal = FOCAL * max(size)
    middle = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    poses = [_pose(np.array(tag.corners, dtype=np.float64), focal, middle) for tag in tags]
    places = np.array([place for place, _ in poses])
    up = _up(tags)
    right = np.array([-up[1], up[0], 0.0])
    ahead = np.array([0.0, 0.0, 1.0])
    turn = _turn(places, [turned for _, turned in poses], right)
    along = np.cos(turn) * right + np.sin(turn) * ahead
    return RowPlane(places[0], along, up, focal, middle, (places - places[0]) @ along)


def _pose(corners: Array, focal: float, middle: Array) -> tuple[Array, Array]:
    """Return the card's middle and its direction to the right, in the camera's space."""
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    half = MARKER.width / 2
    square = np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])
    _, turn, place = cv2.solvePnP(square, corners, camera, None, flags=cv2.SOLVEPNP_ITERATIVE)
    axes = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
    place = np.asarray(place, dtype=np.float64).ravel()
    if not (np.isfinite(axes).all() and np.isfinite(place).all()):
        # OpenCV gives no answer for some squares that face the camera exactly
        side = float(np.sqrt(cv2.contourArea(corners.astype(np.float32))))
        far = focal * MARKER.width / side
        place = np.append((corners.mean(axis=0) - middle) / focal, 1.0) * far
        axes = np.diag([1.0, -1.0, -1.0])
    # the square's y points up, the card's offset is given downwards
    offset = axes @ (_MIDDLE_OF_CARD * [1, -1, 1])
    return place + offset, axes[:, 0]


def _up(tags: Sequence[TagSeen]) -> Array:
    """Return what is up in the photo: tags hang upright and phones are held upright."""
    leans = []
    for tag in tags:
        corners = np.array(tag.corners, dtype=np.float64)
        down = corners[3] + corners[2] - corners[0] - corners[1]
        leans.append(float(np.arctan2(down[0], down[1])))
    # the phone itself weighs as much as one tag
    lean = sum(leans) / (len(leans) + 1)
    return np.array([-np.sin(lean), -np.cos(lean), 0.0])


def _turn(places: Array, turned: Sequence[Array], right: Array) -> float:
    """Return the angle by which the row leaves the photo's plane, radians."""
    angles = [float(np.arctan2(axis[2], axis @ right)) for axis in turned]
    weights = [1 / _TURNED_SD**2] * len(angles)
    across, ahead = places @ right, places[:, 2]
    for k in range(1, len(places)):
        step = np.array([across[k] - across[0], ahead[k] - ahead[0]])
        step = step if step[0] >= 0 else -step
        length = max(float(np.hypot(*step)), 1.0)
        off = _DEPTH_SD * float(ahead[k] + ahead[0]) / 2 * 1.4 + 30
        angles.append(float(np.arctan2(step[1], step[0])))
        weights.append((length / off) ** 2)
    return float(np.average(angles, weights=weights))
