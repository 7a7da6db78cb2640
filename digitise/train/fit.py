"""Train the networks on harvested cells and export them as ONNX."""

from __future__ import annotations

import copy
import math
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812 - PyTorch's own usage

from digitise.reader.characters import SIDE_PX
from digitise.reader.line_network import LINE_CLASSES
from digitise.reader.tally_network import PATCH
from digitise.train.harvest import INK_LEVEL, LINE_CANVAS, NONE, TALLY_CANVAS
from digitise.train.networks import HEADS, CharacterNetwork, LineNetwork, TallyNetwork, resume

_SCALE = 1.0 / INK_LEVEL
Data = dict[str, torch.Tensor | np.ndarray]
Step = Callable[[torch.nn.Module, torch.Tensor], torch.Tensor]


def _moves(n: int, device: torch.device, *, turn: float, shear: float, scale: float, shift: float) -> torch.Tensor:
    """Random rotation (radians), shear, scale and shift (shares of the half side), (n, 2, 3), new places to old."""

    def u(limit: float) -> torch.Tensor:
        return (torch.rand(n, device=device) * 2 - 1) * limit

    angle, lean = u(turn), u(shear)
    sx, sy = 1 + u(scale), 1 + u(scale)
    cos, sin = torch.cos(angle), torch.sin(angle)
    return torch.stack(
        [torch.stack([cos / sx, (lean - sin) / sx, u(shift)], 1), torch.stack([sin / sy, cos / sy, u(shift)], 1)], 1
    )


def _warped(pictures: torch.Tensor, moves: torch.Tensor, *, elastic: float = 0.0) -> torch.Tensor:
    """Pictures moved as `_moves` says, with a smooth distortion (share of the half side) on top."""
    n, device = len(pictures), pictures.device
    grid = F.affine_grid(moves, list(pictures.shape), align_corners=False)
    if elastic:
        knots = (5, max(5, pictures.shape[3] // 12))
        field = torch.randn(n, 2, *knots, device=device) * elastic * torch.rand(n, 1, 1, 1, device=device)
        grid = grid + F.interpolate(field, size=pictures.shape[2:], mode="bicubic", align_corners=True).movedim(1, 3)
    return F.grid_sample(pictures, grid, align_corners=False)


def _weathered(pictures: torch.Tensor) -> torch.Tensor:
    """Random gain, blur and grain."""
    n, device = len(pictures), pictures.device
    shape = (n, 1, 1, 1)
    gain = 0.7 + 0.6 * torch.rand(shape, device=device)
    soft = F.avg_pool2d(pictures, 3, 1, 1)
    soft = torch.where(torch.rand(shape, device=device) < 0.3, F.avg_pool2d(soft, 3, 1, 1), soft)
    mix = torch.rand(shape, device=device) * (torch.rand(shape, device=device) < 0.4)
    grain = torch.rand(shape, device=device) * 0.05
    out = gain * (pictures * (1 - mix) + soft * mix) + grain * torch.randn_like(pictures)
    return out.clamp(0.0, 1.5)


def _thickened(pictures: torch.Tensor, size: tuple[int, int] = (3, 3)) -> torch.Tensor:
    """Strokes made thicker in some pictures and thinner in others, as pencils and pens differ."""
    pad = (size[0] // 2, size[1] // 2)
    n, device = len(pictures), pictures.device
    fate = torch.rand(n, 1, 1, 1, device=device)
    amount = torch.rand(n, 1, 1, 1, device=device)
    wide = F.max_pool2d(pictures, size, 1, pad)
    thin = -F.max_pool2d(-pictures, size, 1, pad)
    out = torch.where(fate < 0.3, torch.lerp(pictures, wide, amount), pictures)
    out = torch.where(fate < 0.08, F.max_pool2d(wide, size, 1, pad), out)
    return torch.where(fate > 0.88, torch.lerp(pictures, thin, 0.7 * amount), out)


def _head_loss(logits: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
    parts = zip(logits.float().split(HEADS, dim=1), labels.T, strict=True)
    return sum(F.cross_entropy(p, t.long(), ignore_index=NONE, reduction="sum") for p, t in parts) / len(labels)


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


def _optimised(
    network: torch.nn.Module, step: Step, *, batch: int, seconds: float, top: float, fuse: bool, sizes: torch.Tensor
) -> torch.nn.Module:
    """Run `step(network, indices) -> loss` over shuffled batches until the time is spent; the averaged network.

    `sizes` (N,) has the size of each example: those of a batch are about equally large.
    """
    device = sizes.device.type
    network = network.to(device, memory_format=torch.channels_last)
    optimiser = torch.optim.AdamW(network.parameters(), lr=1e-3, weight_decay=0.02)
    network.train()
    work = torch.compile(network, dynamic=False) if device == "cuda" and fuse else network
    for at in {int(sizes[b].max()): b for b in _batches(sizes, batch)}.values() if work is not network else ():
        with torch.autocast(device, torch.bfloat16):
            loss = step(work, at)
        loss.backward()  # both ways are compiled before the clock starts
    average, begin, progress, epoch = _Average(network, 0.99), time.monotonic(), 0.0, 0
    while progress < 1:
        losses = []
        for at in _batches(sizes, batch):
            progress = (time.monotonic() - begin) / seconds
            if progress >= 1:
                break
            for group in optimiser.param_groups:
                group["lr"] = _rate(progress, top)
            with torch.autocast(device, torch.bfloat16):
                loss = step(work, at)
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


def _batches(sizes: torch.Tensor, batch: int) -> list[torch.Tensor]:
    """Indices of all examples in shuffled batches, those of a batch of about one size."""
    windows = torch.randperm(len(sizes), device=sizes.device).split(16 * batch)
    batches = [part for w in windows for part in w[sizes[w].argsort()].split(batch)]
    whole = [b for b in batches if len(b) == batch] or batches
    return [whole[i] for i in torch.randperm(len(whole))]


def _widths(pictures: torch.Tensor) -> torch.Tensor:
    """Columns of each picture, (N,), up to a little past its last ink, in one of five sizes, all multiples of 4."""
    whole = pictures.shape[2]
    inked = torch.cat([(p > INK_LEVEL // 8).any(dim=1) for p in pictures.split(8192)])
    last = whole - inked.flip(1).to(torch.uint8).argmax(dim=1)
    ends = torch.tensor([math.ceil(whole * share / 4) * 4 for share in (0.15, 0.3, 0.5, 0.7, 1.0)], device=last.device)
    return ends[torch.bucketize(torch.where(inked.any(dim=1), last + 12, 0).clamp(max=whole), ends)]


def fit_characters(network: CharacterNetwork, data: Data, **how: float) -> torch.nn.Module:
    """Train a character network on harvested boxes."""
    boxes, labels = data["boxes"], data["labels"]

    def step(network, at):
        with torch.no_grad():
            x = boxes[at, None].float() * _SCALE
            moves = _moves(len(x), x.device, turn=0.15, shear=0.25, scale=0.15, shift=0.07)
            x = _weathered(_thickened(_warped(x, moves, elastic=0.08)))
        return _head_loss(network(x), labels[at])

    return _optimised(network, step, batch=2048 if boxes.is_cuda else 256, sizes=torch.zeros_like(labels[:, 0]), **how)


def _moved(places: torch.Tensor, moves: torch.Tensor, shape: tuple[int, int]) -> torch.Tensor:
    """Places (N, K, 2), columns and rows of a picture of this shape, after the picture was moved."""
    size = torch.tensor(shape[::-1], device=places.device)
    old = 2 * places / size - 1
    new = torch.linalg.solve(moves[:, :, :2], (old - moves[:, None, :, 2]).transpose(1, 2)).transpose(1, 2)
    return (new + 1) / 2 * size


def _splat(places: torch.Tensor, shape: tuple[int, int]) -> torch.Tensor:
    """Maps (N, h / 2, w / 4) that add up to the number of places (N, K, 2), each shared among the nearest patches."""
    rows, columns = shape[0] // PATCH[0], shape[1] // PATCH[1]
    out = torch.zeros(len(places), rows * columns, device=places.device)
    at = places / torch.tensor(PATCH[::-1], device=places.device) - 0.5
    known = ~torch.isnan(at[..., 0])
    at = at.nan_to_num()
    low = at.floor()
    part = at - low
    for right in (0, 1):
        for down in (0, 1):
            share = (part[..., 0] if right else 1 - part[..., 0]) * (part[..., 1] if down else 1 - part[..., 1])
            x = (low[..., 0] + right).clamp(0, columns - 1).long()
            y = (low[..., 1] + down).clamp(0, rows - 1).long()
            out.scatter_add_(1, y * columns + x, share * known)
    return out.view(-1, rows, columns)


def _spread(maps: torch.Tensor) -> torch.Tensor:
    """Maps blurred over the neighbouring patches: a page is flattened to half a millimetre, not better."""
    kernel = torch.tensor([1.0, 2.0, 1.0], device=maps.device) / 4
    return F.conv2d(maps[:, None], (kernel[:, None] * kernel)[None, None], padding=1)[:, 0]


def fit_tally(network: TallyNetwork, data: Data, **how: float) -> torch.nn.Module:
    """Train the stroke counter on harvested tally boxes."""
    pictures, truth, strokes = data["tallies"], data["counts"], data["strokes"]
    widths = _widths(pictures)

    def step(network, at):
        with torch.no_grad():
            width = int(widths[at].max())
            x = pictures[at, None, :, :width].float() * _SCALE
            moves = _moves(len(x), x.device, turn=0.02, shear=0.0, scale=0.1, shift=0.03)
            x = _weathered(_thickened(_warped(x, moves), (1, 3)))
            goal = truth[at]
            where = _splat(_moved(strokes[at], moves, (pictures.shape[1], width)), (pictures.shape[1], width))
            known = ~torch.isnan(goal[:, 0])
            weight = known / (1 + 0.03 * goal[:, 0].nan_to_num())
        maps = network(x).float()
        count = maps[:, 0].sum(dim=(1, 2))
        error = F.smooth_l1_loss(count, goal[:, 0].nan_to_num(), beta=0.3, reduction="none")
        place = (_spread(maps[:, 0]) - _spread(where)).square().sum(dim=(1, 2))
        marks = F.binary_cross_entropy_with_logits(maps[:, 1:].amax(dim=(2, 3)), goal[:, 1:])
        return (weight * (error + place)).mean() + marks

    return _optimised(network, step, batch=128 if pictures.is_cuda else 32, sizes=widths, **how)


def _targets(texts: np.ndarray) -> tuple[torch.Tensor, torch.Tensor]:
    """Class indices of each text, (N, longest), and the lengths, (N,)."""
    lengths = torch.tensor([len(t) for t in texts])
    out = torch.zeros(len(texts), max(1, int(lengths.max())), dtype=torch.long)
    for row, text in zip(out, texts, strict=True):
        row[: len(text)] = torch.tensor([LINE_CLASSES.index(c) for c in text], dtype=torch.long)
    return out, lengths


def fit_lines(network: LineNetwork, data: Data, **how: float) -> torch.nn.Module:
    """Train the line reader on harvested text lines."""
    pictures = data["lines"]
    widths = _widths(pictures)
    texts, lengths = (t.to(pictures.device) for t in _targets(data["texts"]))

    def step(network, at):
        with torch.no_grad():
            x = pictures[at, None, :, : widths[at].max()].float() * _SCALE
            moves = _moves(len(x), x.device, turn=0.01, shear=0.03, scale=0.06, shift=0.03)
            x = _weathered(_thickened(_warped(x, moves, elastic=0.025)))
        logits = network(x)[:, :, 0].float().permute(2, 0, 1)
        steps = torch.full_like(lengths[at], len(logits))
        return F.ctc_loss(logits.log_softmax(2), texts[at], steps, lengths[at], zero_infinity=True)

    return _optimised(network, step, batch=128 if pictures.is_cuda else 32, sizes=widths, **how)


def export(network: torch.nn.Module, path: Path, shape: tuple[int, ...], dynamic: dict) -> None:
    """Write ONNX that OpenCV's DNN module reads; what the last layer sees of characters is a second output."""
    names = ["answers"]
    if isinstance(network, CharacterNetwork):
        network.forward = network.with_features
        names.append("features")
    torch.onnx.export(
        network.cpu().eval(),
        torch.zeros(shape),
        str(path),
        input_names=["pictures"],
        output_names=names,
        dynamic_axes=dict.fromkeys(["pictures", *names], dynamic),
        opset_version=17,
        dynamo=False,
    )


def fit(
    train: Sequence[Path], out: Path, network: str, *, seconds: float, seed: int, start: Path | None, fuse: bool
) -> None:
    """Train one network, "character", "tally" or "line", on harvested cells and export it to the ONNX file `out`.

    With `start`, an exported network goes on being trained, at a third of the usual rate. `fuse` compiles the network
    on a GPU.
    """
    torch.manual_seed(seed)
    torch.backends.cudnn.benchmark = True
    device = "cuda" if torch.cuda.is_available() else "cpu"
    make, work, parts, shape, dynamic = _NETWORKS[network]
    files = [np.load(path) for path in train]
    data = {k: np.concatenate([file[k] for file in files]) for k in parts}
    data = {k: v if v.dtype.kind == "U" else torch.from_numpy(v).to(device) for k, v in data.items()}
    print(f"{len(data[parts[0]])} {parts[0]}", flush=True)
    fresh = make()
    if start is not None:
        resume(fresh, start)
    export(work(fresh, data, seconds=seconds, top=3e-3 if start is None else 1e-3, fuse=fuse), out, shape, dynamic)


_NETWORKS = {
    "character": (CharacterNetwork, fit_characters, ("boxes", "labels"), (1, 1, SIDE_PX, SIDE_PX), {0: "boxes"}),
    "tally": (
        TallyNetwork,
        fit_tally,
        ("tallies", "counts", "strokes"),
        (1, 1, *TALLY_CANVAS),
        {0: "boxes", 2: "rows", 3: "columns"},
    ),
    "line": (LineNetwork, fit_lines, ("lines", "texts"), (1, 1, *LINE_CANVAS), {0: "lines", 3: "columns"}),
}
