"""The networks, in PyTorch: small enough to run on one core beside the decoding of a photograph."""

from __future__ import annotations

import itertools
from pathlib import Path

import onnx
import torch
from onnx import numpy_helper
from torch import nn

from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES
from digitise.reader.line_network import LINE_CLASSES, LINE_ROWS

HEADS = (len(DIGIT_CLASSES), len(LETTER_CLASSES), len(TICK_CLASSES))


def _convolution(inputs: int, outputs: int, size: int = 3, **extra: int | tuple[int, int]) -> nn.Sequential:
    """Convolution, batch normalisation, ReLU; the sides of the picture stay as they are unless `extra` says more."""
    extra.setdefault("padding", extra.get("dilation", 1) * (size // 2))
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, size, bias=False, **extra), nn.BatchNorm2d(outputs), nn.ReLU(inplace=True)
    )


class _Alongside(nn.Module):
    """What a block says, added to what it saw: the block changes only what it must."""

    def __init__(self, block: nn.Module) -> None:
        super().__init__()
        self.block = block

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """The sum, what is below nothing cut off."""
        return torch.relu(pictures + self.block(pictures))


def _apart(inputs: int, outputs: int) -> list[nn.Module]:
    """Each channel by itself along the picture, then all channels at each place: a fifth of a convolution's time."""
    return [
        nn.Conv2d(inputs, inputs, 3, padding=1, groups=inputs, bias=False),
        nn.BatchNorm2d(inputs),
        nn.Conv2d(inputs, outputs, 1, bias=False),
        nn.BatchNorm2d(outputs),
    ]


def _wider(inputs: int, outputs: int) -> nn.Sequential:
    """From one number of channels to another, `_apart`."""
    return nn.Sequential(*_apart(inputs, outputs), nn.ReLU(inplace=True))


def _further(channels: int, times: int) -> nn.Sequential:
    """So many blocks that add to what they saw."""
    return nn.Sequential(*(_Alongside(nn.Sequential(*_apart(channels, channels))) for _ in range(times)))


class CharacterNetwork(nn.Module):
    """One character box, (N, 1, 48, 48) in [0, 1.5], to logits of three heads side by side, (N, sum(HEADS))."""

    def __init__(self) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            _convolution(1, 32, 5, stride=2),
            _further(32, 1),
            _wider(32, 64),
            nn.MaxPool2d(2),
            _wider(64, 128),
            _further(128, 4),
            nn.MaxPool2d(2),
            _wider(128, 256),
            _further(256, 2),
            nn.MaxPool2d(2),
            nn.Flatten(),
            nn.Dropout(0.3),
            nn.Linear(2304, 144),
            nn.ReLU(inplace=True),
            nn.Dropout(0.2),
            nn.Linear(144, sum(HEADS)),
        )

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Logits of all heads."""
        return self.layers(pictures)

    def with_features(self, pictures: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Logits of all heads, and the features (N, 144) that the last layer sees."""
        features = self.layers[:-1](pictures)
        return self.layers[-1](features), features


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
    """Give a fresh network the weights of an exported one, to go on training it.

    Exported convolutions hold their normalisation, so the network loses its own: each becomes a plain convolution.

    `ValueError` where the layers are not the same.
    """
    graph = onnx.load(path).graph
    weights = {w.name: torch.from_numpy(numpy_helper.to_array(w).copy()) for w in graph.initializer}
    layers = [n for n in graph.node if n.op_type in ("Conv", "Gemm")]
    for block in [m for m in network.modules() if isinstance(m, nn.Sequential)]:
        for i, (layer, after) in enumerate(itertools.pairwise(block), 1):
            if isinstance(after, nn.BatchNorm2d):
                layer.bias = nn.Parameter(torch.zeros(layer.out_channels))
                block[i] = nn.Identity()
    own = [m for m in network.modules() if isinstance(m, nn.Conv2d | nn.Linear)]
    if len(own) != len(layers):
        raise ValueError(f"{path}: {len(layers)} layers found, expected {len(own)}")
    with torch.no_grad():
        for module, layer in zip(own, layers, strict=True):
            module.weight.copy_(weights[layer.input[1]])
            module.bias.copy_(weights[layer.input[2]])
