"""Learning the map: many processes draw views, one accelerator lights them and learns."""

from __future__ import annotations

import copy
import json
import math
import queue
import time
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from calibration.training.light import photographed
from calibration.training.network import CLASSES, Segmentation, multiply_adds, written
from calibration.training.pictures import open_pictures
from calibration.training.scenes import BOUNDARY, SEAM, SIDE_PX, TABLE, view

FIRST_KEPT = 1_000_000_000
"""Seeds of views that are never learned from begin here."""
KEPT_VIEWS = 192
RIM_PX = 17
"""Width about boundaries, pixels of the map, within which all else counts more: borders, and lines printed in them."""
UNSEEN_WEIGHT = 0.2
"""Of places that the photo does not show, which are called table."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """How long and how fast to learn. first_seed: of the views; each process draws every so many-th from there."""

    seconds: float
    processes: int
    batch: int = 64
    rate: float = 3e-3
    first_seed: int = 0
    most_views: int = 60_000
    boundary_weight: float = 1.5
    seam_weight: float = 3.5
    rim_weight: float = 1.5
    start: str | None = None
    pictures: str | None = None


def _drawing(seeds: range, out: Any, pictures: str | None) -> None:
    """Draw views of these seeds until nobody takes them."""
    import cv2

    cv2.setNumThreads(1)
    opened = open_pictures(Path(pictures) if pictures else None)
    for seed in seeds:
        picture, labels = view(seed, opened)
        out.put((np.ascontiguousarray(picture.transpose(2, 0, 1)), labels))


class _Pool:
    """All views drawn so far, on the accelerator."""

    def __init__(self, most: int, device: str) -> None:
        self.pictures = torch.zeros(most, 3, SIDE_PX, SIDE_PX, dtype=torch.uint8, device=device)
        self.labels = torch.zeros(most, SIDE_PX, SIDE_PX, dtype=torch.uint8, device=device)
        self.count = 0

    def take(self, source: Any, *, seconds: float = 0.0) -> None:
        """Whatever has been drawn; waits so long for one."""
        while self.count < len(self.pictures):
            try:
                picture, labels = source.get(timeout=seconds) if seconds else source.get_nowait()
            except queue.Empty:
                return
            self.pictures[self.count] = torch.from_numpy(picture)
            self.labels[self.count] = torch.from_numpy(labels)
            self.count += 1
            seconds = 0.0

    def batch(self, size: int) -> tuple[Tensor, Tensor]:
        """Some views at random."""
        at = torch.randint(0, self.count, (size,), device=self.pictures.device)
        return self.pictures[at], self.labels[at]


def _targets(shares: Tensor, seen: Tensor, plan: Plan) -> tuple[Tensor, Tensor]:
    """Shares of the classes (b, 4, h / 2, w / 2) and how much each place counts (b, h / 2, w / 2)."""
    small, seen = functional.avg_pool2d(shares, 2), functional.avg_pool2d(seen, 2)
    target = small[:, :CLASSES].clone()
    target[:, BOUNDARY] += small[:, SEAM]
    weight = 1 + plan.boundary_weight * target[:, BOUNDARY] + plan.seam_weight * small[:, SEAM]
    near = functional.max_pool2d(target[:, BOUNDARY : BOUNDARY + 1], RIM_PX, 1, RIM_PX // 2)[:, 0]
    weight = weight + plan.rim_weight * near * (1 - target[:, BOUNDARY])
    nothing = torch.zeros_like(target)
    nothing[:, TABLE] = 1.0
    target = torch.where(seen < 0.01, nothing, target)
    weight = torch.where(seen[:, 0] < 0.01, torch.full_like(weight, UNSEEN_WEIGHT), weight)
    return target, weight * ((seen[:, 0] > 0.99) | (seen[:, 0] < 0.01))


def _loss(logits: Tensor, target: Tensor, weight: Tensor) -> Tensor:
    by_place = -(target * functional.log_softmax(logits.float(), dim=1)).sum(dim=1)
    return (by_place * weight).sum() / weight.sum().clamp(min=1)


def learned(plan: Plan, out: Path) -> dict[str, Any]:
    """Learn, and write weights, ONNX and figures into a folder."""
    began = time.monotonic()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(plan.first_seed)
    context = get_context("spawn")
    drawn, kept = context.Queue(256), context.Queue(64)
    makers = [
        context.Process(target=_drawing, daemon=True, args=(
            range(plan.first_seed + k, FIRST_KEPT, plan.processes), drawn, plan.pictures))
        for k in range(plan.processes)
    ] + [
        context.Process(target=_drawing, daemon=True,
                        args=(range(FIRST_KEPT + k, FIRST_KEPT + KEPT_VIEWS, 4), kept, plan.pictures))
        for k in range(4)
    ]  # fmt: skip
    for maker in makers:
        maker.start()
    network = Segmentation()
    if plan.start:
        network.load_state_dict(torch.load(plan.start, map_location="cpu", weights_only=True))
    network.to(device)
    smooth = copy.deepcopy(network)
    pool, test = _Pool(plan.most_views, device), _Pool(KEPT_VIEWS, device)
    figures = _learn(network, smooth, pool, test, drawn, kept, plan, began)
    figures |= {"plan": asdict(plan), "views": pool.count, "parameters": sum(p.numel() for p in smooth.parameters())}
    out.mkdir(parents=True, exist_ok=True)
    torch.save(smooth.state_dict(), out / "weights.pt")
    smooth.cpu()
    figures["multiply_adds_640k"] = multiply_adds(smooth, height_px=800, width_px=800)
    (out / "figures.json").write_text(json.dumps(figures, indent=1))
    written(smooth, out / "map.onnx")
    for maker in makers:
        maker.terminate()
    return figures


def _learn(
    network: Segmentation,
    smooth: Segmentation,
    pool: _Pool,
    test: _Pool,
    drawn: Any,
    kept: Any,
    plan: Plan,
    began: float,
) -> dict[str, Any]:
    device = next(network.parameters()).device
    while pool.count < 3 * plan.batch:
        pool.take(drawn, seconds=5.0)
    decayed = torch.optim.AdamW(network.parameters(), lr=plan.rate, weight_decay=0.01)
    step, lost, shown, history = 0, 0.0, time.monotonic(), []
    learning_began = time.monotonic()
    whole = plan.seconds - (learning_began - began)
    while (spent := time.monotonic() - learning_began) < whole:
        pool.take(drawn)
        test.take(kept)
        part = spent / whole
        for group in decayed.param_groups:
            group["lr"] = plan.rate * min(1.0, (step + 1) / 200) * 0.5 * (1 + math.cos(math.pi * part))
        with torch.no_grad():
            pictures, shares, seen = photographed(*pool.batch(plan.batch))
            target, weight = _targets(shares, seen, plan)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            logits = network(((pictures - 0.5) * 4).contiguous(memory_format=torch.channels_last))
        loss = _loss(logits, target, weight)
        decayed.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        decayed.step()
        step += 1
        _follow(smooth, network, min(0.998, step / (step + 10)))
        lost += float(loss.detach()) if step % 10 == 0 else 0.0
        if time.monotonic() - shown > 20:
            row = {"s": round(spent), "step": step, "views": pool.count, "loss": round(lost / max(1, step // 10), 4)}
            print(row, flush=True)
            history.append(row)
            shown = time.monotonic()
    test.take(kept)
    return {
        "steps": step,
        "history": history,
        "kept": tested(smooth, test.pictures[: test.count], test.labels[: test.count]),
    }


def _follow(smooth: Segmentation, network: Segmentation, share: float) -> None:
    """Move the smoothed weights towards the network's."""
    with torch.no_grad():
        for mean, now in zip(smooth.state_dict().values(), network.state_dict().values(), strict=True):
            if mean.dtype.is_floating_point:
                mean.lerp_(now, 1 - share)
            else:
                mean.copy_(now)


def tested(network: Segmentation, pictures: Tensor, labels: Tensor) -> dict[str, Any]:
    """Intersection over union of each class on views that were not learned from."""
    network.eval()
    both, either = torch.zeros(CLASSES, device=pictures.device), torch.zeros(CLASSES, device=pictures.device)
    torch.manual_seed(0)
    with torch.no_grad():
        for k in range(0, len(pictures), 16):
            seen_as, shares, seen = photographed(pictures[k : k + 16], labels[k : k + 16])
            target, weight = _targets(shares, seen, Plan(seconds=0, processes=0))
            found, true = network((seen_as - 0.5) * 4).argmax(dim=1), target.argmax(dim=1)
            for c in range(CLASSES):
                a, b = (found == c) & (weight > 0.5), (true == c) & (weight > 0.5)
                both[c] += (a & b).sum()
                either[c] += (a | b).sum()
    names = ("table", "face", "boundary", "other")
    return {name: round(float(v), 4) for name, v in zip(names, both / either.clamp(min=1), strict=True)}
