"""Train the networks on harvested cells and export them as ONNX."""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812 - PyTorch's own usage

from digitise.characters import DIGIT_CLASSES, LETTER_CLASSES, SIDE_PX, TICK_CLASSES
from digitise.train.harvest import NONE
from digitise.train.networks import HEADS, CharacterNetwork, TallyNetwork

_SCALE = 1.0 / 170.0         # stored pictures are uint8, 170 = this page's pencil


def _warped(pictures: torch.Tensor, *, turn: float, shear: float, scale: float, shift: float) -> torch.Tensor:
    """Random rotation (radians), shear, scale and shift (share of the half side), independent for each picture."""
    n, device = len(pictures), pictures.device

    def u(limit: float) -> torch.Tensor:
        return (torch.rand(n, device=device) * 2 - 1) * limit

    angle, lean = u(turn), u(shear)
    sx, sy = 1 + u(scale), 1 + u(scale)
    cos, sin = torch.cos(angle), torch.sin(angle)
    matrix = torch.stack([torch.stack([cos / sx, (lean - sin) / sx, u(shift)], 1),
                          torch.stack([sin / sy, cos / sy, u(shift)], 1)], 1)
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
    parts = zip(logits.split(HEADS, dim=1), labels.T, strict=True)
    return sum(F.cross_entropy(p, t.long(), ignore_index=NONE, label_smoothing=0.01, reduction="sum")
               for p, t in parts) / len(labels)


class _Average:
    """Exponential moving average of a network's weights."""

    def __init__(self, network: torch.nn.Module, decay: float):
        import copy

        self.network, self.decay = copy.deepcopy(network).eval(), decay

    @torch.no_grad()
    def update(self, network: torch.nn.Module) -> None:
        for kept, new in zip(self.network.state_dict().values(), network.state_dict().values(), strict=True):
            if kept.dtype.is_floating_point:
                kept.lerp_(new, 1 - self.decay)
            else:
                kept.copy_(new)


def _optimised(network: torch.nn.Module, count: int, batch: int, epochs: int, seconds: float, step, device: str):
    """Run `step(network, indices) -> loss` over shuffled batches with a one-cycle rate; the averaged network."""
    optimiser = torch.optim.AdamW(network.parameters(), lr=1e-3, weight_decay=0.02)
    total = epochs * (count // batch)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, max_lr=3e-3, total_steps=total, pct_start=0.15)
    average, begin, done = _Average(network, 0.998), time.monotonic(), 0
    for epoch in range(epochs):
        network.train()
        order, losses = torch.randperm(count, device=device), []
        for start in range(0, (count // batch) * batch, batch):
            loss = step(network, order[start:start + batch])
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
            optimiser.step()
            schedule.step()
            average.update(network)
            losses.append(loss.detach())
            done += 1
        spent = time.monotonic() - begin
        print(f"epoch {epoch + 1}/{epochs}: loss {torch.stack(losses).mean():.4f}, {spent:.0f} s", flush=True)
        if spent > seconds:
            print("out of time: the schedule was not finished", flush=True)
            break
    return average.network


def fit_characters(data: dict[str, np.ndarray], *, epochs: int, seconds: float, device: str) -> CharacterNetwork:
    """Train the character network on harvested boxes."""
    boxes = torch.from_numpy(data["boxes"]).to(device)
    labels = torch.from_numpy(data["labels"]).to(device)

    def step(network, at):
        x = boxes[at, None].float() * _SCALE
        x = _weathered(_warped(x, turn=0.14, shear=0.2, scale=0.12, shift=0.07))
        return _head_loss(network(x), labels[at])

    network = CharacterNetwork().to(device)
    return _optimised(network, len(boxes), 512, epochs, seconds, step, device)


def fit_tally(data: dict[str, np.ndarray], *, epochs: int, seconds: float, device: str) -> TallyNetwork:
    """Train the stroke counter on harvested tally boxes."""
    pictures = torch.from_numpy(data["tallies"]).to(device)
    truth = torch.from_numpy(data["counts"]).to(device)

    def step(network, at):
        x = pictures[at, None].float() * _SCALE
        x = _weathered(_warped(x, turn=0.02, shear=0.0, scale=0.06, shift=0.02))
        maps, goal = network(x), truth[at]
        count = maps[:, 0].sum(dim=(1, 2))
        known = ~torch.isnan(goal[:, 0])
        error = F.smooth_l1_loss(count[known], goal[known, 0], beta=0.3, reduction="none") / (1 + 0.03 * goal[known, 0])
        marks = F.binary_cross_entropy_with_logits(maps[:, 1:].amax(dim=(2, 3)), goal[:, 1:])
        return error.mean() + marks

    network = TallyNetwork().to(device)
    return _optimised(network, len(pictures), 64, epochs, seconds, step, device)


@torch.no_grad()
def character_report(network: CharacterNetwork, data: dict[str, np.ndarray], device: str) -> dict:
    """Accuracy of each head on other writers, and the letter confusion table."""
    logits = torch.cat([network(torch.from_numpy(data["boxes"][i:i + 4096, None]).to(device).float() * _SCALE).cpu()
                        for i in range(0, len(data["boxes"]), 4096)])
    labels = torch.from_numpy(data["labels"]).long()
    out: dict = {}
    for name, head, truth, classes in zip(("digit", "letter", "tick"), logits.split(HEADS, dim=1), labels.T,
                                          (DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES), strict=True):
        known = truth != NONE
        guess = head.argmax(1)[known]
        out[name] = {"boxes": int(known.sum()), "right": float((guess == truth[known]).float().mean()),
                     "by_class": {c: round(float((guess[truth[known] == i] == i).float().mean()), 4)
                                  for i, c in enumerate(classes) if (truth[known] == i).any()}}
        if name == "letter":
            soft = head.softmax(1)[known][:, :26]
            counts = torch.zeros(26, 26)
            for i in range(26):
                rows = soft[truth[known] == i]
                counts[i] = rows.mean(0) if len(rows) else 0
            out["letter_confusion"] = [[round(float(v), 6) for v in row] for row in counts]
    return out


@torch.no_grad()
def tally_report(network: TallyNetwork, data: dict[str, np.ndarray], device: str) -> dict:
    """Share of counts exactly right after rounding, by size, and of void and zero marks told apart."""
    maps = [network(torch.from_numpy(data["tallies"][i:i + 256, None]).to(device).float() * _SCALE).cpu()
            for i in range(0, len(data["tallies"]), 256)]
    count = torch.cat([m[:, 0].sum(dim=(1, 2)) for m in maps]).numpy()
    marks = torch.cat([m[:, 1:].amax(dim=(2, 3)) for m in maps]).numpy()
    goal = data["counts"]
    out = {"boxes": len(goal), "void_right": float(((marks[:, 0] > 0) == (goal[:, 1] > 0.5)).mean()),
           "zero_right": float(((marks[:, 1] > 0) == (goal[:, 2] > 0.5)).mean())}
    for low, high in ((0, 0), (1, 10), (11, 40), (41, 80)):
        rows = (goal[:, 0] >= low) & (goal[:, 0] <= high) & (goal[:, 2] < 0.5)
        if rows.any():
            error = count[rows] - goal[rows, 0]
            out[f"{low}-{high}"] = {"boxes": int(rows.sum()), "right": float((np.abs(error) < 0.5).mean()),
                                    "rms": float(np.sqrt((error**2).mean()))}
    return out


def export(network: torch.nn.Module, path: Path, shape: tuple[int, ...], dynamic: dict) -> None:
    """Write ONNX that OpenCV's DNN module reads."""
    torch.onnx.export(network.cpu().eval(), torch.zeros(shape), str(path), input_names=["pictures"],
                      output_names=["answers"], dynamic_axes={"pictures": dynamic, "answers": dynamic},
                      opset_version=17, dynamo=False)


def fit_all(train: Path, check: Path, out: Path, *, seconds: float, epochs: int) -> None:
    """Train both networks, export them into `out`, and write what they reach on other writers."""
    torch.manual_seed(20261125)
    torch.backends.cudnn.benchmark = True
    device = "cuda" if torch.cuda.is_available() else "cpu"
    data, other = dict(np.load(train)), dict(np.load(check))
    print(f"{len(data['boxes'])} boxes, {len(data['tallies'])} tallies; "
          f"check {len(other['boxes'])} boxes, {len(other['tallies'])} tallies", flush=True)
    report = {}
    characters = fit_characters(data, epochs=epochs, seconds=0.5 * seconds, device=device)
    report["characters"] = character_report(characters, other, device)
    export(characters, out / "characters.onnx", (1, 1, SIDE_PX, SIDE_PX), {0: "boxes"})
    tally = fit_tally(data, epochs=epochs, seconds=0.5 * seconds, device=device)
    report["tally"] = tally_report(tally, other, device)
    export(tally, out / "tally.onnx", (1, 1, 72, 344), {0: "boxes", 2: "rows", 3: "columns"})
    (out / "training.json").write_text(json.dumps(report, indent=1))
    shown = {k: {n: v for n, v in r.items() if n != "letter_confusion"} for k, r in report.items()}
    print(json.dumps(shown))
