"""Train the networks on harvested cells and export them as ONNX."""

from __future__ import annotations

import copy
import math
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812 - PyTorch's own usage

from digitise.characters import SIDE_PX
from digitise.train.check import check_networks, summary
from digitise.train.harvest import INK_LEVEL, NONE, TALLY_CANVAS
from digitise.train.networks import HEADS, CharacterNetwork, CharacterPair, TallyNetwork

_SCALE = 1.0 / INK_LEVEL


def _warped(pictures: torch.Tensor, *, turn: float, shear: float, scale: float, shift: float) -> torch.Tensor:
    """Random rotation (radians), shear, scale and shift (share of the half side), independent for each picture."""
    n, device = len(pictures), pictures.device

    def u(limit: float) -> torch.Tensor:
        return (torch.rand(n, device=device) * 2 - 1) * limit

    angle, lean = u(turn), u(shear)
    sx, sy = 1 + u(scale), 1 + u(scale)
    cos, sin = torch.cos(angle), torch.sin(angle)
    matrix = torch.stack(
        [torch.stack([cos / sx, (lean - sin) / sx, u(shift)], 1), torch.stack([sin / sy, cos / sy, u(shift)], 1)], 1
    )
    grid = F.affine_grid(matrix, list(pictures.shape), align_corners=False)
    return F.grid_sample(pictures, grid, align_corners=False)


def _weathered(pictures: torch.Tensor) -> torch.Tensor:
    """Random gain, blur and grain."""
    n, device = len(pictures), pictures.device
    shape = (n, 1, 1, 1)
    gain = 0.7 + 0.6 * torch.rand(shape, device=device)
    soft = F.avg_pool2d(pictures, 3, 1, 1)
    mix = torch.rand(shape, device=device) * (torch.rand(shape, device=device) < 0.4)
    grain = torch.rand(shape, device=device) * 0.05
    out = gain * (pictures * (1 - mix) + soft * mix) + grain * torch.randn_like(pictures)
    return out.clamp(0.0, 1.5)


def _head_loss(logits: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
    parts = zip(logits.float().split(HEADS, dim=1), labels.T, strict=True)
    return sum(
        F.cross_entropy(p, t.long(), ignore_index=NONE, label_smoothing=0.01, reduction="sum") for p, t in parts
    ) / len(labels)


class _Average:
    """Exponential moving average of a network's weights."""

    def __init__(self, network: torch.nn.Module, decay: float):
        self.network, self.decay = copy.deepcopy(network).eval(), decay

    @torch.no_grad()
    def update(self, network: torch.nn.Module) -> None:
        mine, new = self.network.state_dict(), network.state_dict()
        floats = [k for k, v in mine.items() if v.dtype.is_floating_point]
        torch._foreach_lerp_([mine[k] for k in floats], [new[k] for k in floats], 1 - self.decay)


def _rate(progress: float, top: float) -> float:
    """One-cycle learning rate: a linear rise over the first 10 %, then a cosine to nothing."""
    if progress < 0.1:
        return top * (0.1 + 9 * progress)
    return top * (0.5 + 0.5 * math.cos(math.pi * (progress - 0.1) / 0.9)) + 1e-6


def _optimised(network: torch.nn.Module, count: int, batch: int, seconds: float, step, device: str) -> torch.nn.Module:
    """Run `step(network, indices) -> loss` over shuffled batches until the time is spent; the averaged network."""
    optimiser = torch.optim.AdamW(network.parameters(), lr=1e-3, weight_decay=0.02)
    average, begin, progress, epoch = _Average(network, 0.998), time.monotonic(), 0.0, 0
    network.train()
    while progress < 1:
        order, losses = torch.randperm(count, device=device), []
        for start in range(0, max(1, count - batch + 1), batch):
            progress = (time.monotonic() - begin) / seconds
            if progress >= 1:
                break
            for group in optimiser.param_groups:
                group["lr"] = _rate(progress, 3e-3)
            with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
                loss = step(network, order[start : start + batch])
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
            optimiser.step()
            average.update(network)
            losses.append(loss.detach())
        epoch += 1
        if losses:
            print(
                f"epoch {epoch}: loss {torch.stack(losses).mean():.4f}, {100 * progress:.0f} % of the time", flush=True
            )
    return average.network


def _elastic(pictures: torch.Tensor, amount: float) -> torch.Tensor:
    """Smooth random distortion, as hands differ; `amount` in half sides."""
    n, device = len(pictures), pictures.device
    field = torch.randn(n, 2, 5, 5, device=device) * amount * torch.rand(n, 1, 1, 1, device=device)
    field = F.interpolate(field, size=pictures.shape[2:], mode="bicubic", align_corners=True).permute(0, 2, 3, 1)
    plain = torch.eye(2, 3, device=device).expand(n, 2, 3)
    return F.grid_sample(
        pictures, F.affine_grid(plain, list(pictures.shape), align_corners=False) + field, align_corners=False
    )


def fit_characters(data: dict[str, np.ndarray], *, seconds: float, device: str) -> CharacterNetwork:
    """Train one character network on harvested boxes."""
    boxes = torch.from_numpy(data["boxes"]).to(device)
    labels = torch.from_numpy(data["labels"]).to(device)

    def step(network, at):
        with torch.no_grad():
            x = boxes[at, None].float() * _SCALE
            x = _elastic(_warped(x, turn=0.14, shear=0.2, scale=0.12, shift=0.07), 0.07)
            x = _weathered(x)
        return _head_loss(network(x), labels[at])

    network = CharacterNetwork().to(device)
    return _optimised(network, len(boxes), 1024, seconds, step, device)


def fit_tally(data: dict[str, np.ndarray], *, seconds: float, device: str) -> TallyNetwork:
    """Train the stroke counter on harvested tally boxes."""
    pictures = torch.from_numpy(data["tallies"]).to(device)
    truth = torch.from_numpy(data["counts"]).to(device)

    def step(network, at):
        with torch.no_grad():
            x = pictures[at, None].float() * _SCALE
            x = _weathered(_warped(x, turn=0.02, shear=0.0, scale=0.06, shift=0.02))
        maps, goal = network(x).float(), truth[at]
        count = maps[:, 0].sum(dim=(1, 2))
        known = ~torch.isnan(goal[:, 0])
        error = F.smooth_l1_loss(count[known], goal[known, 0], beta=0.3, reduction="none") / (1 + 0.03 * goal[known, 0])
        marks = F.binary_cross_entropy_with_logits(maps[:, 1:].amax(dim=(2, 3)), goal[:, 1:])
        return error.mean() + marks

    network = TallyNetwork().to(device)
    return _optimised(network, len(pictures), 96, seconds, step, device)


def export(network: torch.nn.Module, path: Path, shape: tuple[int, ...], dynamic: dict) -> None:
    """Write ONNX that OpenCV's DNN module reads."""
    torch.onnx.export(
        network.cpu().eval(),
        torch.zeros(shape),
        str(path),
        input_names=["pictures"],
        output_names=["answers"],
        dynamic_axes={"pictures": dynamic, "answers": dynamic},
        opset_version=17,
        dynamo=False,
    )


def fit_all(train: Path, check: Path, out: Path, *, seconds: float) -> None:
    """Train both networks, export them into `out`, and write what they reach on other writers."""
    torch.manual_seed(20261125)
    torch.backends.cudnn.benchmark = True
    device = "cuda" if torch.cuda.is_available() else "cpu"
    data = dict(np.load(train))
    print(f"{len(data['boxes'])} boxes, {len(data['tallies'])} tallies", flush=True)
    pair = [fit_characters(data, seconds=0.25 * seconds, device=device) for _ in range(2)]
    export(CharacterPair(*pair), out / "characters.onnx", (1, 1, SIDE_PX, SIDE_PX), {0: "boxes"})
    tally = fit_tally(data, seconds=0.5 * seconds, device=device)
    export(tally, out / "tally.onnx", (1, 1, *TALLY_CANVAS), {0: "boxes", 2: "rows", 3: "columns"})
    print(summary(check_networks(out, check)))
