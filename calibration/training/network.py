"""The network that says what each place on a table is: an encoder and a decoder of plain convolutions."""

from __future__ import annotations

from pathlib import Path

import torch
from torch import nn
from torch.nn import functional

CHANNELS = (8, 16, 24, 48, 80)
"""Of the features at 1/2, 1/4 ... 1/32 of the view's pixels."""
BLOCKS = (0, 0, 1, 2, 2)
"""Residual blocks at each of these."""
CLASSES = 4
"""Table, face, boundary, other thing."""
COARSEST = 32
"""Sides of views are multiples of this, px."""


def _convolved(inputs: int, outputs: int, *, size: int = 3, step: int = 1, rectified: bool = True) -> nn.Sequential:
    layers: list[nn.Module] = [
        nn.Conv2d(inputs, outputs, size, step, size // 2, bias=False), nn.BatchNorm2d(outputs),
    ]  # fmt: skip
    return nn.Sequential(*layers, *([nn.ReLU(inplace=True)] if rectified else []))


class _Residual(nn.Module):
    def __init__(self, channels: int) -> None:
        super().__init__()
        self.two = nn.Sequential(_convolved(channels, channels), _convolved(channels, channels, rectified=False))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """The same features, refined."""
        return functional.relu(x + self.two(x))


class Segmentation(nn.Module):
    """Logits (b, 4, h / 2, w / 2) of views (b, 3, h, w), blue first, -2..2."""

    def __init__(self) -> None:
        super().__init__()
        c = CHANNELS
        self.steps = nn.ModuleList([_convolved(a, b, step=2) for a, b in zip((3, *c), c, strict=False)])
        self.blocks = nn.ModuleList(
            [nn.Sequential(*[_Residual(a) for _ in range(k)]) for a, k in zip(c, BLOCKS, strict=True)]
        )
        self.up = nn.ModuleList([_convolved(b, a, size=1, rectified=False) for a, b in zip(c, c[1:], strict=False)])
        self.across = nn.ModuleList([_convolved(a, a, size=1, rectified=False) for a in c[:-1]])
        self.merged = nn.ModuleList([
            nn.Identity() if k == 0 else _convolved(a, a) if k == 1 else _Residual(a) for k, a in enumerate(c[:-1])
        ])  # fmt: skip
        self.head = nn.Conv2d(c[0], CLASSES, 3, 1, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Logits of each class at every second pixel."""
        seen = []
        for step, blocks in zip(self.steps, self.blocks, strict=True):
            x = blocks(step(x))
            seen.append(x)
        for k in range(len(CHANNELS) - 2, -1, -1):
            wide = functional.interpolate(self.up[k](x), scale_factor=2.0, mode="nearest")
            x = self.merged[k](functional.relu(wide + self.across[k](seen[k])))
        return self.head(x)


def multiply_adds(network: nn.Module, *, height_px: int, width_px: int) -> int:
    """Multiplications with an addition each, that a view costs."""
    total = 0

    def count(module: nn.Module, inputs: object, output: torch.Tensor) -> None:
        nonlocal total
        assert isinstance(module, nn.Conv2d)
        total += output.numel() * module.weight[0].numel()

    hooks = [m.register_forward_hook(count) for m in network.modules() if isinstance(m, nn.Conv2d)]
    with torch.no_grad():
        network.eval()(torch.zeros(1, 3, height_px, width_px))
    for hook in hooks:
        hook.remove()
    return total


def written(network: nn.Module, path: Path) -> None:
    """Write it as ONNX. Its input has a size there, as OpenCV 4 needs, and takes views of any: it only scales them."""
    torch.onnx.export(
        network.eval().cpu().float(), (torch.zeros(1, 3, 256, 256),), str(path), input_names=["view"],
        output_names=["logits"], opset_version=13, dynamo=False,
    )  # fmt: skip
