"""Train the scorer: ``python -m counting.training.train --data PHOTOS --out DIR``.

Without ``--fold`` all labelled photos are trained on and ``DIR/scorer.onnx`` is what is shipped.
With ``--fold K`` the scenes and trees of that fold (`split.json`) are held out, with ``--without
SET`` whole sets, and the figures on them are printed. Half an hour on one GPU; the learning rate
follows the clock, so that a run of any length ends at its lowest.
"""

from __future__ import annotations

import argparse
import copy
import json
import logging
import math
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from counting.finding.stages.scorer import sides_of
from counting.training.crops.augment import Recipe, Sampler
from counting.training.looks import write_looks
from counting.training.losses import loss
from counting.training.material import (
    SETS,
    LabelledPhoto,
    lay_out,
    plain_photos,
    read_photos,
    rendered_photos,
    strangers,
)
from counting.training.measure import Maps, as_text, figures, propose
from counting.training.network import Scorer, Shipped, start_from, write_onnx
from counting.training.teach import FINER, Teacher, teaching

Weights = dict[str, Tensor]
log = logging.getLogger(__name__)
LEARNING_RATE = 2.5e-3
WEIGHT_DECAY = 0.03
WARM_UP = 0.03
AVERAGE = 0.9995
# The rate falls to its lowest twice; the second fall starts here (Loshchilov and Hutter 2017,
# arXiv 1608.03983).
SECOND = 0.33
# The weights kept are the mean of those at this moment and at the end: on scenes held out they do
# better than either (MODEL.md; Izmailov et al. 2018, arXiv 1803.05407).
EARLIER = 0.63
# How much the labels weigh where a teacher is heard too.
LABELS = 0.5
# How photos lie in memory while training; which is faster depends on the card and its library.
LAYOUT = torch.channels_last
THRESHOLD = 0.45


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run is to do: where its data lie and how long and on what it trains."""

    data: Path
    out: Path
    fold: int | None
    minutes: float
    batch: int
    size: int
    seed: int
    device: torch.device
    compiled: bool
    most: int | None
    start: Path | None
    midway: bool
    every: float
    rate: float
    rendered: tuple[Path, ...]
    encoder: Path | None
    teacher: Path | None
    pasted: float
    without: tuple[str, ...]


class Average:
    """A copy of the network whose weights are the running mean of the trained one's."""

    def __init__(self, network: Scorer) -> None:
        self.network = copy.deepcopy(network).eval().requires_grad_(False)
        self.steps = 0
        self.mine, self.theirs = (
            [v for v in n.state_dict().values() if v.is_floating_point()]
            for n in (self.network, network)
        )

    def take(self) -> None:
        """Move towards the trained network's weights."""
        self.steps += 1
        keep = min(AVERAGE, (1 + self.steps) / (20 + self.steps))
        torch._foreach_lerp_(self.mine, self.theirs, 1 - keep)


def train(plan: Plan) -> Path:
    """Train one network and write it.

    Returns
    -------
    Path
        The last checkpoint; beside it the log of figures, and the ONNX file where ``onnx`` is
        installed.
    """
    photos = read_photos(plan.data, plan.most)
    left_out = [SETS.index(name) for name in plan.without]
    held = [p for p in photos if p.fold == plan.fold or p.domain in left_out]
    names = {p.name for p in held}
    learnt = [p for p in photos if p.name not in names]
    held += strangers(plan.data, plan.most)
    for folder in plan.rendered:
        learnt += rendered_photos(folder, plan.most)
    plain = plain_photos(np.random.default_rng(plan.seed))
    store = lay_out([*learnt, *plain], plan.seed, plan.device)
    torch.manual_seed(plan.seed)
    network = Scorer().to(plan.device, memory_format=LAYOUT)  # type: ignore[call-overload]
    if plan.encoder:
        start_from(network.encoder, plan.encoder)
    if plan.start:
        network.load_state_dict(torch.load(plan.start, map_location=plan.device))
    average = Average(network)
    finer = FINER if plan.teacher else 1.0
    recipe = Recipe(size=plan.size, fruit=plan.pasted, finer=finer)
    sampler = Sampler(store, recipe, plan.seed + 1, plan.compiled)
    step = _stepper(plan, network)
    name = _name(plan)
    ends = time.monotonic() + 60 * plan.minutes
    shares = [step(sampler, 0.0)]
    # What is compiled is compiled by now: the schedule begins.
    began = told = time.monotonic()
    done = 1
    saved = False
    earlier: Weights = {}
    while (moment := (time.monotonic() - began) / max(ends - began, 1e-9)) < 1:
        shares.append(step(sampler, moment))
        average.take()
        done += 1
        if not saved and moment > SECOND:
            # A run that is cut off later still leaves weights that are fit for use.
            _save(plan, name, average.network.state_dict())
            saved = True
        if not earlier and moment > EARLIER:
            earlier = {k: v.clone() for k, v in average.network.state_dict().items()}
        if done == 2 or (time.monotonic() - told) / 60 > plan.every:
            told = time.monotonic()
            parts = torch.stack(shares).mean(0).tolist()
            shares.clear()
            log.info("%s at %.2f of the run, step %d, losses %s", name, moment, done, _short(parts))
            if done > 2:
                _write(plan, name, average.network, held, moment)
    kept = average.network
    kept.load_state_dict(mean_of(earlier or kept.state_dict(), kept.state_dict()))
    if plan.start and plan.midway:
        started = torch.load(plan.start, map_location=plan.device)
        kept.load_state_dict(mean_of(kept.state_dict(), started))
    return _write(plan, name, kept, held, 1.0)


def _save(plan: Plan, name: str, weights: Weights) -> Path:
    """Write a checkpoint whole or not at all."""
    plan.out.mkdir(parents=True, exist_ok=True)
    path = plan.out / f"{name}.pt"
    torch.save(weights, path.with_suffix(".part"))
    path.with_suffix(".part").replace(path)
    return path


def _name(plan: Plan) -> str:
    """What the run's files are called."""
    if plan.without:
        return "without-" + "-".join(plan.without)
    return "scorer" if plan.fold is None else f"fold{plan.fold}"


def share_of_rate(moment: float) -> float:
    """Return the share of the highest learning rate used at a moment (0 to 1) of the run."""
    start, end = (0.0, SECOND) if moment < SECOND else (SECOND, 1.0)
    along = min((moment - start) / (end - start), 1.0)
    falling = 0.5 * (1 + math.cos(math.pi * along)) * 0.99 + 0.01
    return min(1.0, (along + 1e-4) / WARM_UP) * falling


def mean_of(first: Weights, second: Weights) -> Weights:
    """Return the mean of two sets of weights of one run, or of its start and its end.

    The latter keeps what the start knew of places unlike those learnt since (Wortsman et al. 2022,
    arXiv 2109.01903).
    """
    return {
        name: (value.float() / 2 + second[name].float() / 2).to(value.dtype)
        for name, value in first.items()
    }


def _short(values: Sequence[float]) -> str:
    """Numbers with three decimals."""
    return " ".join(f"{v:.3f}" for v in values)


def _stepper(plan: Plan, network: Scorer) -> Callable[[Sampler, float], Tensor]:
    """The function that trains on one batch at a moment (0 to 1) of the run."""
    decayed = [p for p in network.parameters() if p.ndim > 1]
    others = [p for p in network.parameters() if p.ndim <= 1]
    groups: list[dict[str, Any]] = [{"params": decayed}, {"params": others, "weight_decay": 0.0}]
    fast = plan.device.type == "cuda"
    optimiser = torch.optim.AdamW(groups, lr=0.0, weight_decay=WEIGHT_DECAY, fused=fast)

    teacher = _teacher(plan)

    def judge(photos: Tensor, boxes: Tensor, state: Tensor, clean: Tensor) -> tuple[Tensor, Tensor]:
        with torch.autocast(plan.device.type, torch.bfloat16, enabled=fast):
            maps = network(photos.to(memory_format=LAYOUT))
            if teacher:
                with torch.no_grad():
                    taught = teacher(clean.to(memory_format=LAYOUT))
        total, parts = loss(maps, boxes, state)
        if not teacher:
            return total, parts
        said = teaching(maps, taught)
        return LABELS * total + said, torch.cat([parts, said.detach()[None]])

    judged = torch.compile(judge, dynamic=False) if plan.compiled else judge

    def step(sampler: Sampler, moment: float) -> Tensor:
        for group in optimiser.param_groups:
            group["lr"] = plan.rate * share_of_rate(moment)
        network.train()
        batch = sampler.draw(plan.batch)
        total, parts = judged(batch.photos, batch.boxes, batch.state, batch.clean)
        optimiser.zero_grad(set_to_none=True)
        torch.autograd.backward(total)
        torch.nn.utils.clip_grad_norm_(network.parameters(), 10.0)
        optimiser.step()
        return parts

    return step


def _teacher(plan: Plan) -> Teacher | None:
    """The network to learn from, if there is one."""
    if plan.teacher is None:
        return None
    network = Scorer().to(plan.device, memory_format=LAYOUT)  # type: ignore[call-overload]
    network.load_state_dict(torch.load(plan.teacher, map_location=plan.device))
    return Teacher(network)


def maps_of(network: Scorer, device: torch.device) -> Maps:
    """Return the function from a photo (1, 3, H, W) to the shipped maps (7, H/4, W/4)."""
    shipped = Shipped(network).eval()

    def maps(photo: NDArray[np.float32]) -> NDArray[np.float32]:
        with torch.inference_mode():
            found: NDArray[np.float32] = (
                shipped(torch.from_numpy(photo).to(device))[0].cpu().numpy()
            )
        return found

    return maps


def _write(
    plan: Plan, name: str, network: Scorer, held: Sequence[LabelledPhoto], moment: float
) -> Path:
    """Write the checkpoint, and the figures on the photos held out."""
    path = _save(plan, name, network.state_dict())
    if held:
        network.eval()
        maps = maps_of(network, plan.device)
        sides = {p.name: sides_of(max(p.image.shape[:2])) for p in held}
        found = {p.name: propose(maps, p.image, sides[p.name][0]) for p in held}
        table = figures(held, found, THRESHOLD)
        if moment == 1.0:
            closer = {p.name: propose(maps, p.image, sides[p.name][1]) for p in held}
            looks = {photo: (found[photo], closer[photo]) for photo in found}
            write_looks(plan.out / f"{name}.npz", looks)
        log.info("%s at %.2f of the run, held out\n%s", name, moment, as_text(table))
        record = json.dumps({"run": name, "moment": moment, "figures": table})
        with (plan.out / f"{name}.jsonl").open("a", encoding="utf-8") as lines:
            lines.write(record + "\n")
    return path


def _plan(arguments: Sequence[str]) -> Plan:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m counting.training.train", description=__doc__)
    parser.add_argument("--data", type=Path, required=True, help="folder of the labelled photos")
    parser.add_argument("--out", type=Path, required=True, help="folder for weights and figures")
    parser.add_argument("--fold", type=int, help="hold this fold out (0, 1 or 2)")
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--batch", type=int, default=112)
    parser.add_argument("--size", type=int, default=480, help="side of a crop in pixels")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--eager", action="store_true", help="don't compile (slower)")
    parser.add_argument("--most", type=int, help="at most so many photos of each set")
    parser.add_argument("--start", type=Path, help="weights to start from")
    parser.add_argument(
        "--midway", action="store_true", help="keep the mean of these and the weights reached"
    )
    parser.add_argument("--rate", type=float, default=LEARNING_RATE, help="highest learning rate")
    parser.add_argument(
        "--rendered", type=Path, nargs="*", default=[], help="folders of rendered photos to learn"
    )
    parser.add_argument("--encoder", type=Path, help="pretrained weights of the encoder")
    parser.add_argument("--teacher", type=Path, help="weights of a network to learn from too")
    parser.add_argument(
        "--pasted", type=float, default=0.4, help="share of crops with pasted fruit"
    )
    parser.add_argument(
        "--without", nargs="*", default=[], choices=SETS, help="leave these sets out"
    )
    parser.add_argument("--every", type=float, default=2.0, help="minutes between figures")
    a = parser.parse_args(arguments)
    return Plan(
        a.data,
        a.out,
        a.fold,
        a.minutes,
        a.batch,
        a.size,
        a.seed,
        torch.device(a.device),
        not a.eager,
        a.most,
        a.start,
        a.midway,
        a.every,
        a.rate,
        tuple(a.rendered),
        a.encoder,
        a.teacher,
        a.pasted,
        tuple(a.without),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit code."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", stream=sys.stdout)
    plan = _plan(sys.argv[1:] if arguments is None else arguments)
    path = train(plan)
    network = Scorer()
    network.load_state_dict(torch.load(path, map_location="cpu"))
    write_onnx(network, path.with_suffix(".onnx"))
    log.info("wrote %s and %s", path, path.with_suffix(".onnx"))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
