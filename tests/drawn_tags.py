"""Photos of a tag with known truth: a card before a camera, with light, blur and noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np

from counting.plan.card import BAR, BAR_STEP_MM, CARD, GREY, GREY_LEVEL, MARKER

FOCAL = 0.75  # of the long side; as of a phone's main camera
PER_MM = 10


@dataclass(frozen=True)
class Scene:
    """How the card hangs and how the photo turned out."""

    tag: int = 7
    metres: float = 1.0
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 0.0
    turn_deg: float = 0.0
    across: float = 0.0  # place in the photo, shares of its size off the middle
    down: float = 0.0
    blur_px: float = 0.8  # of a full-size photo, standard deviation
    shade: float = 1.0  # light on one half of the card
    dim: float = 1.0
    glare: float = 0.0  # strength of a shining spot on the marker
    torn: str = ""  # "card" tears a corner of the card, "marker" one of the marker
    noise: float = 0.006  # of full scale, in light
    tone: float = 1.0  # S of the tone curve; 1 is plain sRGB
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)  # colour of the light
    width: int = 4000
    height: int = 3000


def _light(level):
    share = np.asarray(level, dtype=np.float32) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def _levels(light):
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055) * 255


@cache
def card_image(tag: int) -> np.ndarray:
    """The printed card as reflectance, float32 (H, W), PER_MM px per mm; not to be written to."""
    card = np.full((CARD.height * PER_MM, CARD.width * PER_MM), 0.85, np.float32)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    bits = cv2.aruco.generateImageMarker(dictionary, tag, 7) > 0
    size = MARKER.width * PER_MM
    # a module is no whole number of px: its edges are averaged, not moved
    marker = np.kron(bits.astype(np.float32), np.ones((size // 4, size // 4), np.float32))
    marker = cv2.resize(marker, (size, size), interpolation=cv2.INTER_AREA)
    x, y = MARKER.x * PER_MM, MARKER.y * PER_MM
    card[y : y + size, x : x + size] = 0.04 + (0.85 - 0.04) * marker
    for step in range(0, int(BAR.width / BAR_STEP_MM), 2):
        left = int((BAR.x + step * BAR_STEP_MM) * PER_MM)
        card[BAR.y * PER_MM : (BAR.y + BAR.height) * PER_MM, left : left + 10 * PER_MM] = 0.04
    grey = card[
        GREY.y * PER_MM : (GREY.y + GREY.height) * PER_MM,
        GREY.x * PER_MM : (GREY.x + GREY.width) * PER_MM,
    ]
    grey[:] = 0.85 * float(_light(GREY_LEVEL))
    code = np.zeros(card.shape, np.uint8)
    cv2.putText(code, "B3-2", (58 * PER_MM, 38 * PER_MM), cv2.FONT_HERSHEY_SIMPLEX, 8.0, 255, 34)
    card[code > 127] = 0.04
    return card


def mm_per_px(scene: Scene) -> float:
    """The truth: mm per px at the distance of the marker's middle."""
    return scene.metres * 1000 / (FOCAL * max(scene.width, scene.height))


def _pose(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Rotation and translation of the card; the marker's middle lies at the distance asked."""
    axis = np.radians(scene.tilt_axis_deg)
    tilt = cv2.Rodrigues(np.radians(scene.tilt_deg) * np.array([np.cos(axis), np.sin(axis), 0]))[0]
    turn = cv2.Rodrigues(np.array([0, 0, np.radians(scene.turn_deg)]))[0]
    depth = scene.metres * 1000
    focal = FOCAL * max(scene.width, scene.height)
    place = np.array([scene.across * scene.width, scene.down * scene.height, focal]) * depth / focal
    return tilt @ turn, place


def _matrix(scene: Scene) -> np.ndarray:
    """Homography from px of the card image to px of the photo."""
    rotation, place = _pose(scene)
    x, y = (MARKER.x + MARKER.width / 2, MARKER.y + MARKER.height / 2)
    half = 0.5 / PER_MM
    to_mm = np.array([[1 / PER_MM, 0, half - x], [0, 1 / PER_MM, half - y], [0, 0, 1]])
    plane = np.column_stack([rotation[:, 0], rotation[:, 1], place])
    focal = FOCAL * max(scene.width, scene.height)
    middle = ((scene.width - 1) / 2, (scene.height - 1) / 2)
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    return camera @ plane @ to_mm


@cache
def background(width: int, height: int, seed: int) -> np.ndarray:
    """Blotches of leaf and light at several sizes, uint8 (H, W, 3); not to be written to."""
    rng = np.random.default_rng(seed)
    image = np.zeros((height, width), np.float32)
    for size, strength in ((6, 0.5), (24, 0.8), (90, 1.0), (300, 0.7)):
        layer = rng.random((height // size + 2, width // size + 2), dtype=np.float32)
        image += strength * cv2.resize(layer, (width, height), interpolation=cv2.INTER_CUBIC)
    image = np.clip((image / 3.0 - 0.25) * 1.2, 0, 1)
    levels = _levels(np.linspace(0, 1, 1024))
    index = (image * 1023).astype(np.int32)
    channels = [levels[(index * share).astype(np.int32)] for share in (0.25, 0.45, 0.12)]
    return np.rint(np.stack(channels, axis=-1)).astype(np.uint8)


def photo(scene: Scene, seed: int, *, step: float = 1.0, jpeg: int = 90) -> np.ndarray:
    """A photo of the scene, uint8 (H, W, 3), `step` times reduced after it was taken."""
    rng = np.random.default_rng(seed)
    rgb = background(scene.width, scene.height, seed % 3).copy()
    matrix, card = _matrix(scene), _lit_card(scene, rng)
    rows, columns = card.shape
    outline = np.array([[[0, 0], [columns, 0], [columns, rows], [0, rows]]], np.float64)
    seen = cv2.perspectiveTransform(outline, matrix)[0]
    room = 40 + 4 * scene.blur_px
    left, top = np.maximum(np.floor(seen.min(axis=0) - room).astype(int), 0)
    right, bottom = np.ceil(seen.max(axis=0) + room).astype(int)
    cut = rgb[top:bottom, left:right]
    light = _light(cut).astype(np.float32)
    _paste(light, card, _whole(scene, card.shape), matrix, (left, top))
    cut[:] = _taken(light, scene, rng)
    if step != 1.0:
        size = (round(scene.width / step), round(scene.height / step))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    if jpeg:
        _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        rgb = cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]
    return np.ascontiguousarray(rgb)


def _taken(light, scene, rng):
    """What a camera makes of the light: blur, noise, tone."""
    light = light * scene.dim * np.asarray(scene.cast, np.float32)
    if scene.blur_px:
        light = cv2.GaussianBlur(light, (0, 0), scene.blur_px)
    grain = rng.normal(size=light.shape).astype(np.float32) * scene.noise
    level = _levels(light + grain * np.sqrt(np.maximum(light, 0.02))) / 255
    if scene.tone != 1:
        level = level + (scene.tone - 1) * 4 * level * (1 - level) * (level - 0.4)
    return np.clip(np.rint(level * 255), 0, 255).astype(np.uint8)


def _lit_card(scene, rng):
    """The card with shade and shine on it."""
    card = card_image(scene.tag).copy()
    rows, columns = card.shape
    if scene.shade < 1:
        edge = int(columns * rng.uniform(0.1, 0.4))
        ramp = np.clip((np.arange(columns) - edge) / (6 * PER_MM) + 0.5, 0, 1)
        card *= (scene.shade + (1 - scene.shade) * ramp[None, :]).astype(np.float32)
    if scene.glare:
        y, x = np.ogrid[:rows, :columns]
        u = (x / PER_MM - rng.uniform(10, 50)) / 14
        v = (y / PER_MM - rng.uniform(10, 50)) / 9
        card += scene.glare * np.exp(-(u**2) - v**2).astype(np.float32)
    return card


def _whole(scene, shape):
    """1 where the card is there, 0 where it is torn off at the top left."""
    there = np.ones(shape, np.float32)
    if scene.torn:
        cut = 16 if scene.torn == "card" else 30  # mm along both edges
        y, x = np.ogrid[: shape[0], : shape[1]]
        there[(x + y) / PER_MM < cut] = 0
    return there


def _paste(light, card, there, matrix, corner):
    """Lay the card into the light, four times oversampled."""
    fine, (left, top) = 4, corner
    height, width = light.shape[:2]
    middle = (fine - 1) / 2
    zoom = np.array([[fine, 0, middle - fine * left], [0, fine, middle - fine * top], [0, 0, 1.0]])
    size = (width * fine, height * fine)
    seen, share = (
        cv2.resize(
            cv2.warpPerspective(layer, zoom @ matrix, size, flags=cv2.INTER_LINEAR),
            (width, height),
            interpolation=cv2.INTER_AREA,
        )
        for layer in (card * there, there)
    )
    light[:] = light * (1 - share[..., None]) + seen[..., None]
