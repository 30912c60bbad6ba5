"""A person with a phone, as honest as a script can be: a fingertip that trembles, time that runs.

The person knows the labelled fruit and sees the rings. A tap lands where a fingertip of 9 mm
does: `jitter` mm (root mean square) beside the aim. What cannot be told apart within half a
fingertip is made larger first: by the lens that the page opens, or by two fingers. Looking at a
photo takes 3 s, every tap, zoom and pan 1.2 s, a loop twice that. What a tap did is looked at;
where it did something else, it is undone and done again, and counts as a miss.
"""

from __future__ import annotations

import math
import re
import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from test_review_page import pinch, send_touch

from counting.review.agreement import match_marks

__all__ = ["ACTION_S", "LOOK_S", "Box", "Person", "Work"]

LOOK_S, ACTION_S = 3.0, 1.2
PX_PER_MM = 6.0
"""390 CSS px over the 65 mm width of such a phone's screen (common practice)."""
HALF_TIP = 4.5 * PX_PER_MM
PAUSE_MS = 360
"""Nobody taps twice within a third of a second without meaning it."""
LOOP_ACTIONS = 2
LOOP_WORTH = 6
Box = tuple[float, float, float, float]


@dataclass
class Work:
    """What one photo took."""

    taps: int = 0
    zooms: int = 0
    misses: int = 0
    counted: int = 0
    labelled: int = 0
    looks: int = 1

    @property
    def seconds(self) -> float:
        return LOOK_S * self.looks + ACTION_S * (self.taps + self.zooms)


@dataclass
class Person:
    """Someone who corrects a sheet; `page` is open on its first photo."""

    page: Any
    jitter: float = 0.0
    width: float = 1.0
    height: float = 1.0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(7))
    work: Work = field(default_factory=Work)
    pressed: float = -math.inf

    def correct(self, photo: dict[str, Any], truth: list[Box]) -> Work:
        """Correct the photo that is open until it shows the labelled fruit, then press Next."""
        self.work = Work(labelled=len(truth))
        self.width, self.height = photo["width"], photo["height"]
        self.page.wait_for_selector("#next:not([disabled])")
        self.settle()
        boxes = [box_of(row) for row in photo["candidates"] if is_shown(row, photo)]
        pairs = match_marks(boxes, truth)
        right = {pair[0] for pair in pairs}
        found = {pair[1] for pair in pairs}
        states = self.states()
        wrong = {n for n in range(len(boxes)) if n not in right and not struck(states.get(n))}
        self.strike_kinds(wrong, right)
        self.strike_by_loop(boxes, wrong, right)
        states = self.states()
        todo: list[tuple[float, float, int | None]] = [
            (*boxes[n][:2], n) for n in range(len(boxes)) if (n in right) == struck(states.get(n))
        ]
        todo += [(*fruit[:2], None) for n, fruit in enumerate(truth) if n not in found]
        self.one_by_one(photo, todo)
        self.work.counted = int(self.page.inner_text("#count"))
        self.press_once("#next")
        return self.work

    def press_once(self, button: str) -> None:
        """Press what goes on; twice within half a second is a double click, which nobody means."""
        self.page.wait_for_timeout(max(0.0, 600 - 1000 * (time.monotonic() - self.pressed)))
        self.tap_button(button)
        self.pressed = time.monotonic()

    def together(
        self, photos: list[dict[str, Any]], truth: dict[str, list[Box]]
    ) -> list[tuple[str, Work]]:
        """Confirm likely photos on one screen, and open each that is not right.

        Every photo is looked at there; one that is opened is looked at once more. Returned is what
        each took, under no photo the looks at those that could not be confirmed any more.
        """
        done: list[tuple[str, Work]] = []
        looked: set[str] = set()
        while self.page.is_visible("#together"):
            self.page.wait_for_selector("#confirm:not([disabled])")
            indices = self.page.eval_on_selector_all(
                ".tile", "tiles => tiles.map((tile) => Number(tile.dataset.index))"
            )
            shown = [photos[index] for index in indices]
            looked |= {photo["photo"] for photo in shown}
            wrong = next((p for p in shown if not is_right(p, truth[p["photo"]])), None)
            if wrong:
                self.page.locator(f".tile[data-index='{photos.index(wrong)}']").tap()
                work = self.correct(wrong, truth[wrong["photo"]])
                work.taps += 1
                work.looks += 1
                done.append((wrong["photo"], work))
                looked.remove(wrong["photo"])
                continue
            self.work = Work()
            self.press_once("#confirm")
            for place, photo in enumerate(shown):
                fruit = len(truth[photo["photo"]])
                work = Work(taps=0 if place else 1, counted=fruit, labelled=fruit)
                done.append((photo["photo"], work))
                looked.remove(photo["photo"])
        return [*done, *([("", Work(looks=len(looked)))] if looked else [])]

    def strike_kinds(self, wrong: set[int], right: set[int]) -> None:
        """Strike the much smaller ones at once, where most of them are wrong."""
        if not self.page.locator("#sizes").count() or not self.page.is_visible("#sizes"):
            return
        fine = {mark for mark, (_, is_fine) in self.marks().items() if is_fine}
        if len(fine & wrong) - len(fine & right) > 1 and self.page.is_enabled("#sizes"):
            self.tap_button("#sizes")

    def strike_by_loop(self, boxes: list[Box], wrong: set[int], right: set[int]) -> None:
        """Loop round the fruit to keep, or round many wrong rings, where it spares taps."""
        if not self.page.locator("#strike").count():
            return
        states = self.states()
        left = {n for n in wrong if not struck(states.get(n))}
        kept = [boxes[n][:2] for n in right if not struck(states.get(n))]
        hull = convex(kept, 0.6 * float(np.median([box[2] for box in boxes] or [1])))
        outside = {n for n in left if not within(boxes[n][:2], hull)} if hull else set()
        options: list[tuple[int, str, list[tuple[float, float]]]] = []
        if hull:
            options.append((len(outside), "keep", hull))
        for angle in range(0, 360, 30):
            edge = half(boxes, left, kept, math.radians(angle))
            if edge:
                inside = sum(within(boxes[n][:2], edge) for n in left)
                options.append((inside, "strike", edge))
        best = max(options, default=(0, "", []), key=lambda option: option[0])
        if best[0] < LOOP_WORTH:
            return
        self.tap_button("#strike")
        to_stage = self.scale("#stage > .stage")
        box = self.page.locator("#stage > .stage").bounding_box()
        low, high = (box["x"] + 2, box["y"] + 2), (box["width"] - 4, box["height"] - 4)
        self.draw(
            [tuple(np.clip(to_stage(*place), low, np.add(low, high)).tolist()) for place in best[2]]
        )
        self.work.taps += LOOP_ACTIONS
        buttons = self.page.locator("#offer .press")
        if buttons.count() > 1:  # else the loop caught nothing
            self.tap_button(buttons.nth(1 if best[1] == "keep" else 0))
        self.tap_button("#strike")

    def one_by_one(
        self, photo: dict[str, Any], todo: list[tuple[float, float, int | None]]
    ) -> None:
        """Do what is left, each time the nearest next; a lens or a zoom serves all it shows."""
        place: tuple[float, float] = (0.0, 0.0)
        zoomed = False
        tries: dict[tuple[float, float, int | None], float] = {}
        while todo:
            todo.sort(key=lambda each: math.dist(each[:2], place))
            target = next((each for each in todo if self.in_sight(each)), None)
            if target is None:
                if self.lens():
                    self.tap_outside()
                elif zoomed or self.is_zoomed():
                    self.zoom_out(photo)
                    zoomed = False
                else:
                    break
                continue
            place = target[:2]
            if tries.get(target, 0) >= 4:
                todo.remove(target)  # gives up, as a person would
                continue
            tries[target] = tries.get(target, 0) + 1
            if not self.knows_lens and not zoomed and self.crowded(target):
                self.zoom_in(target)
                zoomed = True
                continue
            opened = self.lens()
            if self.act(target):
                todo.remove(target)
            elif self.lens() and not opened:
                tries[target] -= 0.75  # the lens opened: nothing is done yet
        if zoomed:
            self.zoom_out(photo)  # Next lies outside the lens, which it closes

    @property
    def knows_lens(self) -> bool:
        return bool(self.page.locator("#strike").count())

    def lens(self) -> bool:
        return bool(self.page.locator(".lens").count() and self.page.is_visible(".lens"))

    def view(self) -> str:
        return ".lens .stage" if self.lens() else "#stage > .stage"

    def in_sight(self, target: tuple[float, float, int | None]) -> bool:
        view = self.view()
        x, y = self.scale(view)(*target[:2])
        box = self.page.locator(view).bounding_box()
        margin = 4  # fruit at the photo's edge stand at the glass's edge
        return bool(
            box["x"] + margin <= x <= box["x"] + box["width"] - margin
            and box["y"] + margin <= y <= box["y"] + box["height"] - margin
        )

    def is_zoomed(self) -> bool:
        """Whether the photo is larger than it opens."""
        box = self.page.locator("#stage > .stage").bounding_box()
        (left, top), (right, bottom) = (
            self.scale("#stage > .stage")(*place) for place in ((0, 0), (self.width, self.height))
        )
        return bool(right - left > box["width"] + 1 or bottom - top > box["height"] + 1)

    def crowded(self, target: tuple[float, float, int | None]) -> bool:
        """Whether another ring is so near that a fingertip would cover both."""
        to_screen = self.scale(self.view())
        x, y = to_screen(*target[:2])
        near = [
            mark
            for mark, (place, _) in self.marks().items()
            if mark != target[2] and math.dist(place, (x, y)) < HALF_TIP
        ]
        return bool(near)

    def act(self, target: tuple[float, float, int | None]) -> bool:
        """Strike, take back or add; tell whether it came out as meant."""
        x, y, mark = target
        before = self.states()
        at = self.scale(self.view())(x, y)
        under = mark is None and self.ring_under(at)
        if under:
            self.hold_and_add(at)
        else:
            self.tap(*at)
            self.work.taps += 1
        after = self.states()
        if after == before:
            return False
        if mark is not None:
            done = struck(after.get(mark)) != struck(before.get(mark))
            others = {n: s for n, s in after.items() if n != mark and before.get(n) != s}
        else:
            done = len(after) == len(before) + 1
            others = {n: s for n, s in after.items() if n in before and before[n] != s}
        if done and not others:
            return True
        self.work.misses += 1
        self.tap_button("#undo")
        return False

    def ring_under(self, at: tuple[float, float]) -> bool:
        """Whether a tap there would meet a ring."""
        found = self.page.evaluate(
            """([view, x, y]) => {
              const stage = document.querySelector(view);
              const box = stage.getBoundingClientRect();
              return [...stage.querySelectorAll(':scope > .wax .mark')].some((mark) => {
                const at = mark.transform.baseVal[0].matrix;
                const line = mark.querySelector('.line').getBBox();
                const [dx, dy] = [x - box.left - at.e, y - box.top - at.f];
                if (mark.dataset.state === 'removed') return Math.hypot(dx, dy) < 16;
                return Math.hypot(dx / (line.width / 2 + 2), dy / (line.height / 2 + 2)) < 1;
              });
            }""",
            [self.view(), *at],
        )
        return bool(found)

    def hold_and_add(self, at: tuple[float, float]) -> None:
        """Hold the ring and choose one more fruit: two taps."""
        x, y = self.shaken(*at)
        touch = self.page.context.new_cdp_session(self.page)
        send_touch(touch, "touchStart", [(x, y)])
        self.page.wait_for_timeout(620)
        send_touch(touch, "touchEnd", [])
        self.work.taps += 1
        if not self.page.locator("#card[open]").count():
            self.page.wait_for_timeout(PAUSE_MS)
            return
        self.page.wait_for_timeout(100)
        more = self.page.locator("#card button:has-text('One more fruit here')")
        self.tap_button(more)

    def tap(self, x: float, y: float) -> None:
        self.page.touchscreen.tap(*self.shaken(x, y))
        self.page.wait_for_timeout(PAUSE_MS)
        self.settle()

    def shaken(self, x: float, y: float) -> tuple[float, float]:
        """Where the finger lands."""
        spread = self.jitter * PX_PER_MM / math.sqrt(2)
        dx, dy = self.rng.normal(0, spread, 2) if spread else (0.0, 0.0)
        return x + float(dx), y + float(dy)

    def tap_button(self, what: Any) -> None:
        (self.page.locator(what) if isinstance(what, str) else what).tap()
        self.work.taps += 1
        self.settle()

    def tap_outside(self) -> None:
        """Close the lens, where there is room beside it."""
        glass = self.page.locator(".lens-glass").bounding_box()
        room = self.page.locator(".lens").bounding_box()
        above = glass["y"] - room["y"] > room["y"] + room["height"] - glass["y"] - glass["height"]
        y = (
            (room["y"] + glass["y"]) / 2
            if above
            else (glass["y"] + glass["height"] + room["y"] + room["height"]) / 2
        )
        self.page.touchscreen.tap(room["x"] + room["width"] / 2, y)
        self.work.taps += 1
        self.page.wait_for_timeout(PAUSE_MS)
        self.settle()

    def zoom_in(self, target: tuple[float, float, int | None]) -> None:
        pinch(self.page, self.scale(self.view())(*target[:2]), 40, 140)
        self.work.zooms += 1

    def zoom_out(self, photo: dict[str, Any]) -> None:
        box = self.page.locator("#stage > .stage").bounding_box()
        middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        pinch(self.page, middle, 200, 20)
        self.work.zooms += 1

    def draw(self, path: list[tuple[float, float]]) -> None:
        touch = self.page.context.new_cdp_session(self.page)
        points = [*path, path[0]]
        send_touch(touch, "touchStart", [points[0]])
        for (x1, y1), (x2, y2) in zip(points, points[1:], strict=False):
            for step in range(1, 5):
                send_touch(
                    touch, "touchMove", [(x1 + (x2 - x1) * step / 4, y1 + (y2 - y1) * step / 4)]
                )
        send_touch(touch, "touchEnd", [])
        self.settle()

    def settle(self) -> None:
        self.page.evaluate(
            "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )

    def scale(self, view: str) -> Any:
        """Return the function from a place of the photo to one of the screen."""
        box, transform = self.page.evaluate(
            """(view) => {
              const stage = document.querySelector(view);
              const print = stage.querySelector('.print');
              const {left, top} = stage.getBoundingClientRect();
              return [[left, top], print.style.transform];
            }""",
            view,
        )
        shift_x, shift_y, factor = map(float, re.findall(r"-?[\d.]+(?:e-?\d+)?", transform))

        def to_screen(x: float, y: float) -> tuple[float, float]:
            by = factor * 1000 / self.width
            return box[0] + shift_x + x * by, box[1] + shift_y + y * by

        return to_screen

    def marks(self) -> dict[int, tuple[tuple[float, float], bool]]:
        """Return where each mark of the main stage or the lens is, and whether it is drawn fine."""
        listed = self.page.evaluate(
            """(view) => {
              const stage = document.querySelector(view);
              const box = stage.getBoundingClientRect();
              return [...stage.querySelectorAll(':scope > .wax .mark')].map((mark) => {
                const at = mark.transform.baseVal[0].matrix;
                return [Number(mark.dataset.mark), box.left + at.e, box.top + at.f,
                  mark.classList.contains('fine')];
              });
            }""",
            self.view(),
        )
        return {mark: ((x, y), fine) for mark, x, y, fine in listed}

    def states(self) -> dict[int, str]:
        """Return the state of each mark of the photo, as the page keeps or draws it."""
        listed = self.page.evaluate(
            """() => [...document.querySelectorAll('#stage > .stage > .wax .mark')]
              .map((mark) => [Number(mark.dataset.mark), mark.dataset.state])"""
        )
        return dict(listed)


def struck(state: str | None) -> bool:
    return state in {None, "removed", "elsewhere"}


def box_of(row: list[Any]) -> Box:
    return row[1], row[2], row[3], row[4]


def is_shown(row: list[Any], photo: dict[str, Any]) -> bool:
    """Whether a candidate is proposed as fruit, as the sheet says it."""
    return bool(row[6]) if "threshold" not in photo else row[5] >= photo["threshold"]


def is_right(photo: dict[str, Any], truth: list[Box]) -> bool:
    """Whether every ring that counts is a labelled fruit and every labelled fruit has one."""
    boxes = [box_of(row) for row in photo["candidates"] if is_shown(row, photo)]
    return len(match_marks(boxes, truth)) == len(boxes) == len(truth)


def convex(places: list[tuple[float, float]], margin: float) -> list[tuple[float, float]]:
    """Return the hull of places, wider by a margin; empty for fewer than two."""
    if len(places) < 2:
        return []
    round_ = [
        (x + margin * math.cos(a * math.pi / 4), y + margin * math.sin(a * math.pi / 4))
        for x, y in places
        for a in range(8)
    ]
    from scipy.spatial import ConvexHull

    hull = ConvexHull(np.array(round_))
    return [tuple(map(float, round_[n])) for n in hull.vertices]


def half(
    boxes: list[Box], wrong: set[int], kept: list[tuple[float, float]], angle: float
) -> list[tuple[float, float]]:
    """Return the hull of the wrong rings on one side of all fruit to keep."""
    way = (math.cos(angle), math.sin(angle))

    def far(place: tuple[float, ...]) -> float:
        return place[0] * way[0] + place[1] * way[1]

    limit = max((far(place) for place in kept), default=-math.inf)
    side = float(np.median([box[2] for box in boxes] or [1]))
    chosen = [boxes[n][:2] for n in wrong if far(boxes[n]) > limit + 0.5 * side]
    return convex(chosen, 0.3 * side)


def within(place: tuple[float, float], path: list[tuple[float, float]]) -> bool:
    """Whether a place lies inside a path (even-odd rule)."""
    inside = False
    for (x1, y1), (x2, y2) in zip(path, [*path[1:], path[0]], strict=True):
        if (y1 > place[1]) != (y2 > place[1]) and (
            place[0] < (x2 - x1) * (place[1] - y1) / (y2 - y1) + x1
        ):
            inside = not inside
    return inside
