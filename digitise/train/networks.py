"""The two networks, in PyTorch: small enough to run on one core beside the decoding of a photograph."""

from __future__ import annotations

import torch
from torch import nn

from digitise.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES

HEADS = (len(DIGIT_CLASSES), len(LETTER_CLASSES), len(TICK_CLASSES))


def _convolution(inputs: int, outputs: int, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, padding=dilation, dilation=dilation, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class CharacterNetwork(nn.Module):
    """One character box, (N, 1, 48, 48) in [0, 1.5], to logits of three heads side by side, (N, sum(HEADS))."""

    def __init__(self) -> None:
        super().__init__()
        layers: list[nn.Module] = []
        inputs = 1
        for width in (16, 32, 64):
            layers += [_convolution(inputs, width), _convolution(width, width), nn.MaxPool2d(2)]
            inputs = width
        layers += [
            _convolution(64, 96),
            nn.MaxPool2d(2),
            nn.Flatten(),
            nn.Dropout(0.3),
            nn.Linear(864, 112),
            nn.ReLU(inplace=True),
            nn.Dropout(0.2),
            nn.Linear(112, sum(HEADS)),
        ]
        self.layers = nn.Sequential(*layers)

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Logits of all heads."""
        return self.layers(pictures)


class CharacterPair(nn.Module):
    """Two networks trained apart, their logits averaged: fewer errors, and doubt where they disagree."""

    def __init__(self, first: CharacterNetwork, second: CharacterNetwork) -> None:
        super().__init__()
        self.first, self.second = first, second

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Mean logits."""
        return 0.5 * (self.first(pictures) + self.second(pictures))


class TallyNetwork(nn.Module):
    """A tally box of any size, (N, 1, h, w), to maps (N, 3, h/4, w/4): strokes, void logit, zero logit."""

    def __init__(self) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            _convolution(1, 16),
            _convolution(16, 16),
            nn.MaxPool2d(2),
            _convolution(16, 32),
            _convolution(32, 32),
            nn.MaxPool2d(2),
            _convolution(32, 64),
            _convolution(64, 64, 2),
            _convolution(64, 64, 4),
        )
        self.strokes = nn.Conv2d(64, 1, 1)
        self.marks = nn.Conv2d(64, 2, 1)
        nn.init.normal_(self.strokes.weight, std=0.01)
        nn.init.constant_(self.strokes.bias, 0.02)
        nn.init.constant_(self.marks.bias, -3.0)

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Maps of strokes and mark evidence."""
        features = self.layers(pictures)
        return torch.cat([torch.relu(self.strokes(features)), self.marks(features)], dim=1)
