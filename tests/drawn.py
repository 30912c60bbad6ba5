"""Photos drawn with a known number of fruit, and photos that show none."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from counting.photos.image import Image

LABELLED = Path(__file__).parents[2] / "shared" / "labelled-photos"
TOMATO_SOURCE = (
    "needs the 40 labelled tomato photos in ../shared/labelled-photos/tomato "
    "(Tomato Plant Factory Dataset, published as DOI 10.17632/8h3s6jkyff)"
)
Pixels = NDArray[np.uint8]

RIPE = (205, 40, 30)
PALE = (176, 196, 130)
LEAF = (52, 92, 44)


def leaves(rng: np.random.Generator, height: int = 600, width: int = 800) -> Pixels:
    """Many overlapping veined leaves, drawn from the back to the front."""
    photo = np.full((height, width, 3), (22, 38, 20), dtype=np.uint8)
    for _ in range(260):
        middle = (int(rng.integers(0, width)), int(rng.integers(0, height)))
        long, turn = int(rng.integers(30, 80)), float(rng.uniform(0, 360))
        shade = rng.uniform(0.6, 1.3)
        green = tuple(int(min(255, value * shade)) for value in LEAF)
        axes = (long, int(long * 0.45))
        cv2.ellipse(photo, middle, axes, turn, 0, 360, green, -1, cv2.LINE_AA)
        vein = tuple(int(min(255, value * 1.35)) for value in green)
        for part in np.linspace(-0.8, 0.8, 9):
            along = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
            side = np.array([-along[1], along[0]])
            start = np.array(middle) + along * part * long
            for sign in (-1, 1):
                end = start + along * 0.2 * long + sign * side * 0.4 * long * (1 - abs(part))
                ends = tuple(start.astype(int)), tuple(end.astype(int))
                cv2.line(photo, *ends, vein, 1, cv2.LINE_AA)
    noise = rng.normal(0, 7, photo.shape)
    return np.clip(photo + noise, 0, 255).astype(np.uint8)


def with_fruit(photo: Pixels, fruit: list[tuple[int, int, int, tuple[int, int, int]]]) -> Pixels:
    """Smooth shaded balls (x, y, radius, colour) with a highlight, in the order given."""
    drawn = photo.astype(np.float64)
    rows, columns = np.mgrid[: photo.shape[0], : photo.shape[1]]
    for x, y, radius, colour in fruit:
        across, down = (columns - x) / radius, (rows - y) / radius
        away = np.hypot(across, down)
        cover = np.clip((1 - away) * radius + 0.5, 0, 1)[..., None]
        height = np.sqrt(np.clip(1 - away**2, 0, 1))
        shade = np.clip(0.45 + 0.55 * (0.75 * height - 0.35 * across - 0.5 * down), 0.2, 1.05)
        gleam = np.exp(-((across + 0.35) ** 2 + (down + 0.4) ** 2) / 0.02)[..., None] * 170
        ball = np.array(colour) * shade[..., None] + gleam
        drawn = drawn * (1 - cover) + ball * cover
    return np.clip(drawn, 0, 255).astype(np.uint8)


def plant(rng: np.random.Generator) -> tuple[Pixels, list[tuple[int, int, int]]]:
    """Leaves with nine ripe fruit of three sizes, none touching; and where they are."""
    places = [(130 + 260 * column, 110 + 190 * row) for row in range(3) for column in range(3)]
    sizes = (28, 40, 52)
    fruit = [(x, y, sizes[number % 3], RIPE) for number, (x, y) in enumerate(places)]
    return with_fruit(leaves(rng), fruit), [(x, y, radius) for x, y, radius, _ in fruit]


def image(photo: Pixels) -> Image:
    """The pixels as a photo."""
    return Image.of(photo)
