"""Light, lens and phone: what a drawn view looks like in a photograph, many ways at once, on an accelerator.

Everything is drawn anew each time a view is learned from. Values are code values 0..1 at first and at last, linear
light where lamps and shadows act.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional

UNSEEN = 127 / 255
"""What a view shows where the photo ends."""
GAMMA = 2.2


def photographed(pictures: Tensor, labels: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Views (b, 3, h, w) 0..1 as photos of drawn ones, the labels' shares (b, 5, h, w), and what is seen (b, 1, h, w).

    pictures : (b, 3, h, w) bytes. labels : (b, h, w) bytes.
    """
    moved, shares, seen = _moved(pictures.float() / 255, labels)
    light = moved.clamp(1e-4, 1) ** GAMMA * _lamps(moved)
    light = (light + _glare(moved)) * _spread(light, 0.4).exp()
    codes = _toned(light)
    codes = _soft_and_sharp(codes)
    codes = _noisy(codes)
    codes = _compressed(codes).clamp(0, 1)
    codes = torch.round(codes * 255) / 255
    seen = seen * _frame(codes)
    return torch.where(seen > 0.5, codes, torch.full_like(codes, UNSEEN)), shares, seen


def _uniform(like: Tensor, low: float, high: float, *, channels: int = 1) -> Tensor:
    return low + (high - low) * torch.rand(len(like), channels, 1, 1, device=like.device)


def _spread(like: Tensor, sigma: float, *, channels: int = 1) -> Tensor:
    return sigma * torch.randn(len(like), channels, 1, 1, device=like.device)


def _one_in(like: Tensor, share: float) -> Tensor:
    """1 for so many of the views, else 0."""
    return (torch.rand(len(like), 1, 1, 1, device=like.device) < share).float()


def _field(like: Tensor, cells: int, *, channels: int = 1) -> Tensor:
    """Smooth noise (b, channels, h, w)."""
    coarse = torch.randn(len(like), channels, cells, cells, device=like.device)
    return functional.interpolate(coarse, size=like.shape[2:], mode="bicubic", align_corners=True)


def _places(like: Tensor) -> tuple[Tensor, Tensor]:
    """x and y (1, 1, h, w), -1..1."""
    h, w = like.shape[2:]
    y, x = torch.meshgrid(
        torch.linspace(-1, 1, h, device=like.device), torch.linspace(-1, 1, w, device=like.device), indexing="ij"
    )
    return x[None, None], y[None, None]


def _along(like: Tensor) -> Tensor:
    """How far each pixel lies along a random direction, (b, 1, h, w)."""
    x, y = _places(like)
    turn = _uniform(like, 0, 2 * math.pi)
    return x * torch.cos(turn) + y * torch.sin(turn)


def _moved(pictures: Tensor, labels: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Turned, mirrored, nearer or farther, a little bent, with what is shown there."""
    b, device = len(pictures), pictures.device
    turn = torch.randint(0, 4, (b,), device=device) * (math.pi / 2)
    size = torch.exp(0.12 * torch.randn(b, device=device))
    mirror = torch.where(torch.rand(b, device=device) < 0.5, -1.0, 1.0)
    c, s = size * torch.cos(turn), size * torch.sin(turn)
    zero = torch.zeros_like(c)
    grid = functional.affine_grid(
        torch.stack([torch.stack([c * mirror, -s, zero], 1), torch.stack([s * mirror, c, zero], 1)], 1),
        list(pictures.shape), align_corners=False,
    )  # fmt: skip
    bend = _field(pictures, 4, channels=2) * _uniform(pictures, 0, 2.5 / 256)
    grid = grid + bend.permute(0, 2, 3, 1)
    shares = functional.one_hot(labels.long(), 5).permute(0, 3, 1, 2).float()
    both = functional.grid_sample(torch.cat([pictures, shares], 1), grid, padding_mode="zeros", align_corners=False)
    seen = (grid.abs().amax(dim=3, keepdim=True) < 0.995).permute(0, 3, 1, 2).float()
    return both[:, :3], both[:, 3:], seen


def _lamps(like: Tensor) -> Tensor:
    """How much light falls where, (b, 3, h, w)."""
    log = _field(like, 3) * _uniform(like, 0, 0.25) + _along(like) * _uniform(like, 0, 0.7) * _one_in(like, 0.6)
    x, y = _places(like)
    r2 = (x - _uniform(like, -1.2, 1.2)) ** 2 + (y - _uniform(like, -1.2, 1.2)) ** 2
    glow = torch.exp(-r2 / _uniform(like, 0.1, 1.5)) * _uniform(like, 0, 1.5) * _one_in(like, 0.25)
    shade = _one_in(like, 0.3) * _edge(_along(like) - _uniform(like, -0.8, 0.8))
    bars = _edge(torch.sin(_along(like) * _uniform(like, 2, 12) + _uniform(like, 0, 6)) - _uniform(like, -0.5, 0.7))
    leaves = _edge(_field(like, 7) - _uniform(like, -0.5, 1.0))
    second = _edge(_along(like) - _uniform(like, -0.6, 0.6)) * _edge(_along(like) - _uniform(like, -0.6, 0.6))
    shade = torch.maximum(shade, _one_in(like, 0.08) * bars)
    shade = torch.maximum(torch.maximum(shade, _one_in(like, 0.1) * leaves), _one_in(like, 0.12) * second)
    tint = 1 + _spread(like, 0.08, channels=3)
    dark = (_uniform(like, 0.12, 0.85) * (1 + _spread(like, 0.06, channels=3))).clamp(0.05, 1)
    return torch.exp(log + glow) * tint * (1 - shade * (1 - dark))


def _edge(distance: Tensor) -> Tensor:
    """From 0 to 1 across a border, sharp or soft."""
    return torch.sigmoid(distance * torch.exp(_uniform(distance, 1.2, 5.5)))


def _glare(like: Tensor) -> Tensor:
    """Reflections of lamps and windows, added."""
    x, y = _places(like)
    total = torch.zeros_like(like[:, :1])
    for share in (0.15, 0.08):
        a, b = x - _uniform(like, -1, 1), y - _uniform(like, -1, 1)
        turn = _uniform(like, 0, math.pi)
        u, v = a * torch.cos(turn) + b * torch.sin(turn), b * torch.cos(turn) - a * torch.sin(turn)
        r = (u / _uniform(like, 0.03, 0.6)) ** 2 + (v / _uniform(like, 0.03, 0.4)) ** 2
        spot = torch.where(_one_in(like, 0.5) > 0, torch.exp(-r), torch.sigmoid((1 - r) * _uniform(like, 1, 8)))
        total = total + spot * _uniform(like, 0.02, 0.7) * _one_in(like, share)
    veil = _uniform(like, 0, 0.04) * _one_in(like, 0.4)
    return total + veil


def _toned(light: Tensor) -> Tensor:
    """Code values: exposure, white balance, tone curve, saturation."""
    white = 1 + _spread(light, 0.1, channels=3) * _one_in(light, 0.6)
    middle = light.mean(dim=(1, 2, 3), keepdim=True)
    exposed = light * white * (_uniform(light, 0.1, 0.4) / middle.clamp(min=0.02)) ** _uniform(light, 0.2, 0.9)
    soft = exposed / (1 + (exposed * _uniform(light, 0, 1)) ** 2).sqrt()
    codes = soft.clamp(1e-5, 1) ** (torch.exp(_spread(light, 0.12)) / GAMMA)
    bend = _uniform(light, -0.1, 0.5) * _one_in(light, 0.7)
    codes = codes + bend * (codes * codes * (3 - 2 * codes) - codes)
    grey = codes.mean(dim=1, keepdim=True)
    return (grey + (codes - grey) * _uniform(light, 0.5, 1.35)).clamp(0, 1)


def _blurred(codes: Tensor, sigma: float) -> Tensor:
    reach = max(1, math.ceil(2.5 * sigma))
    at = torch.arange(-reach, reach + 1, device=codes.device, dtype=codes.dtype)
    weight = torch.exp(-(at**2) / (2 * sigma**2))
    weight = (weight / weight.sum()).repeat(codes.shape[1], 1)
    n = codes.shape[1]
    padded = functional.pad(codes, (reach,) * 4, mode="reflect")
    rows = functional.conv2d(padded, weight[:, None, None, :], groups=n)
    return functional.conv2d(rows, weight[:, None, :, None], groups=n)


def _soft_and_sharp(codes: Tensor) -> Tensor:
    """Out of focus, more so to one side; smeared; then sharpened, with halos."""
    sigma = float(torch.exp(torch.empty(1).uniform_(math.log(0.45), math.log(2.0))))
    strength = (_uniform(codes, 0, 1.1) * _one_in(codes, 0.6) + _along(codes) * _uniform(codes, 0, 0.5)).clamp(0, 1)
    codes = codes + strength * (_blurred(codes, sigma) - codes)
    halo = _blurred(codes, float(torch.empty(1).uniform_(0.6, 2.0)))
    return codes + _uniform(codes, 0, 1.2) * _one_in(codes, 0.4) * (codes - halo)


def _noisy(codes: Tensor) -> Tensor:
    """Noise of brightness and of colour, fine and coarse."""
    strong = _uniform(codes, 0, 1) ** 2 * _one_in(codes, 0.8)
    fine = torch.randn_like(codes[:, :1]) * 0.04 + torch.randn_like(codes) * 0.02
    small = torch.randn(len(codes), 3, codes.shape[2] // 3, codes.shape[3] // 3, device=codes.device) * 0.035
    coarse = functional.interpolate(small, size=codes.shape[2:], mode="bilinear", align_corners=False)
    return codes + strong * (fine + coarse * _one_in(codes, 0.5)) * (1.3 - codes.clamp(0, 1))


def _compressed(codes: Tensor) -> Tensor:
    """A JPEG's coarse frequencies, in blocks of 8 x 8 of the view's own pixels, for some of the views."""
    b, c, h, w = codes.shape
    k = torch.arange(8, device=codes.device, dtype=codes.dtype)
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) * 0.5
    basis[0] /= math.sqrt(2)
    blocks = codes.reshape(b, c, h // 8, 8, w // 8, 8)
    waves = torch.einsum("ui,bcyixj,vj->bcyuxv", basis, blocks, basis)
    step = (0.015 + 0.012 * (k[:, None] + k[None])) * 1.0
    steps = step[None, None, None, :, None, :] * (_uniform(codes, 0.05, 3.0) ** 2 / 3)[:, :, :, :, None, None]
    coarse = torch.einsum("ui,bcyuxv,vj->bcyixj", basis, torch.round(waves / steps) * steps, basis)
    return torch.where(_one_in(codes, 0.3) > 0, coarse.reshape(b, c, h, w), codes)


def _frame(codes: Tensor) -> Tensor:
    """Where a photo's straight ends leave something to see: all, or one or two sides less."""
    seen = torch.ones_like(codes[:, :1])
    for share in (0.35, 0.2):
        beyond = _along(codes) > _uniform(codes, 0.55, 1.1)
        seen = torch.where((_one_in(codes, share) > 0) & beyond, torch.zeros_like(seen), seen)
    return seen
