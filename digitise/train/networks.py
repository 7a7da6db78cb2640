"""The networks, in PyTorch: small enough to run on one core beside the decoding of a photograph."""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from pathlib import Path

import onnx
import torch
from onnx import numpy_helper
from torch import nn

from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES
from digitise.reader.line_network import LINE_CLASSES, LINE_ROWS

CHARACTER_WIDTHS = (32, 48, 96, 144)
HEADS = (len(DIGIT_CLASSES), len(LETTER_CLASSES), len(TICK_CLASSES))


def _convolution(inputs: int, outputs: int, size: int = 3, **extra: int | tuple[int, int]) -> nn.Sequential:
    """Convolution, batch normalisation, ReLU; the sides of the picture stay as they are unless `extra` says more."""
    extra.setdefault("padding", extra.get("dilation", 1) * (size // 2))
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, size, bias=False, **extra), nn.BatchNorm2d(outputs), nn.ReLU(inplace=True)
    )


class CharacterNetwork(nn.Module):
    """One character box, (N, 1, 48, 48) in [0, 1.5], to logits of three heads side by side, (N, sum(HEADS)).

    `widths` are the channels of its four stages.
    """

    def __init__(self, widths: Sequence[int] = CHARACTER_WIDTHS) -> None:
        super().__init__()
        first, second, third, fourth = widths
        self.layers = nn.Sequential(
            _convolution(1, first, 5, stride=2),
            _convolution(first, second),
            nn.MaxPool2d(2),
            _convolution(second, third),
            _convolution(third, third),
            nn.MaxPool2d(2),
            _convolution(third, fourth),
            _convolution(fourth, fourth),
            nn.MaxPool2d(2),
            nn.Flatten(),
            nn.Dropout(0.3),
            nn.Linear(9 * fourth, fourth),
            nn.ReLU(inplace=True),
            nn.Dropout(0.2),
            nn.Linear(fourth, sum(HEADS)),
        )

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Logits of all heads."""
        return self.layers(pictures)


class TallyNetwork(nn.Module):
    """A tally box of any size, (N, 1, h, w), to maps (N, 3, h/2, w/4): strokes, void logit, zero logit.

    A row of the picture is as high as four of its columns are wide: strokes stand side by side.
    """

    def __init__(self) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            _convolution(1, 16, 5, stride=(1, 2)),
            _convolution(16, 16),
            nn.MaxPool2d((1, 2)),
            _convolution(16, 32),
            _convolution(32, 32),
            nn.MaxPool2d((2, 1)),
            _convolution(32, 48),
            _convolution(48, 48, dilation=2),
            _convolution(48, 48, dilation=4),
            _convolution(48, 48),
        )
        self.strokes = nn.Conv2d(48, 1, 1)
        self.marks = nn.Conv2d(48, 2, 1)
        nn.init.normal_(self.strokes.weight, std=0.01)
        nn.init.constant_(self.strokes.bias, 0.02)
        nn.init.constant_(self.marks.bias, -3.0)

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Maps of strokes and mark evidence."""
        features = self.layers(pictures)
        return torch.cat([torch.relu(self.strokes(features)), self.marks(features)], dim=1)


def _along(size: tuple[int, int], inputs: int, outputs: int) -> nn.Sequential:
    """A convolution along the line, as `_convolution`."""
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, size, padding=(0, size[1] // 2), bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class LineNetwork(nn.Module):
    """A line of writing, (N, 1, LINE_ROWS, w), to logits of characters along it, (N, len(LINE_CLASSES), 1, w/4)."""

    def __init__(self) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            _convolution(1, 24),
            nn.MaxPool2d(2),
            _convolution(24, 48),
            nn.MaxPool2d(2),
            _convolution(48, 64),
            _convolution(64, 64),
            nn.MaxPool2d((2, 1)),
            _convolution(64, 96),
            nn.MaxPool2d((2, 1)),
            nn.Dropout(0.15),
            _along((LINE_ROWS // 16, 3), 96, 128),
            nn.Dropout(0.15),
            _along((1, 3), 128, 128),
            nn.Conv2d(128, len(LINE_CLASSES), 1),
        )

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Logits of characters along the line."""
        return self.layers(pictures)


def resume(network: nn.Module, path: Path) -> None:
    """Give a fresh network the weights of an exported one, to go on training it."""
    layers = _layers(path)
    if len(layers) != len(_own(network)):
        raise ValueError(f"{path}: {len(layers)} layers found, expected {len(_own(network))}")
    _fill(network, layers)


class Teacher(nn.Module):
    """The mean answers of exported networks of one kind, `make` a fresh one of given widths; it learns nothing more.

    Of characters the mean is one of probabilities, as logits; of strokes one of maps.
    """

    def __init__(self, paths: Sequence[Path], make: Callable[..., nn.Module]) -> None:
        super().__init__()
        members = []
        for path in paths:
            layers = _layers(path)
            network = make(widths_in(path)) if make is CharacterNetwork else make()
            each = len(_own(network))
            if len(layers) % each:
                raise ValueError(f"{path}: {len(layers)} layers found, expected {each} or a multiple of it")
            for start in range(0, len(layers), each):
                members.append(_fill(copy.deepcopy(network), layers[start : start + each]))
        self.members = nn.ModuleList(members).eval().requires_grad_(False)

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Mean answers, float32."""
        answers = [member(pictures).float() for member in self.members]
        if answers[0].dim() > 2:
            return torch.stack(answers).mean(dim=0)
        heads = [[part.softmax(dim=1) for part in a.split(HEADS, dim=1)] for a in answers]
        return torch.cat([torch.stack(h).mean(dim=0).clamp_min(1e-9).log() for h in zip(*heads, strict=True)], dim=1)


def widths_in(path: Path) -> tuple[int, ...]:
    """The widths of an exported `CharacterNetwork`."""
    outputs = [len(bias) for _, bias in _layers(path)]
    return outputs[0], outputs[1], outputs[2], outputs[4]


def _layers(path: Path) -> list[tuple[torch.Tensor, torch.Tensor]]:
    """Weights and biases of an exported network's layers, in their order."""
    graph = onnx.load(path).graph
    weights = {w.name: torch.from_numpy(numpy_helper.to_array(w).copy()) for w in graph.initializer}
    return [(weights[n.input[1]], weights[n.input[2]]) for n in graph.node if n.op_type in ("Conv", "Gemm")]


def _own(network: nn.Module) -> list[nn.Module]:
    return [m for m in network.modules() if isinstance(m, nn.Conv2d | nn.Linear)]


def _fill(network: nn.Module, layers: Sequence[tuple[torch.Tensor, torch.Tensor]]) -> nn.Module:
    """The network with these weights and biases.

    Exported convolutions hold their normalisation, so the network loses its own: each becomes a plain convolution.
    """
    for block in [m for m in network.modules() if isinstance(m, nn.Sequential) and isinstance(m[-1], nn.ReLU)]:
        if len(block) == 3 and isinstance(block[1], nn.BatchNorm2d):
            block[0].bias = nn.Parameter(torch.zeros(block[0].out_channels))
            block[1] = nn.Identity()
    with torch.no_grad():
        for module, (weight, bias) in zip(_own(network), layers, strict=True):
            module.weight.copy_(weight)
            module.bias.copy_(bias)
    return network
